/*
 * Likely causes for patterns of readings. One row of the table for each cause: to add one, write its function in the
 * cause_<of what>.c it belongs to, and its row.
 */
#include <mendtone/plan.h>

#include "base/text.h"
#include "judge/cause.h"
#include "judge/find_load.h"
#include "judge/find_switch.h"

#include <stdio.h>
#include <string.h>

static const struct cause {
  const char *id;
  bool of_pair; /* asked once, not for each channel */
  bool (*find)(const mt_scene *s, mt_channel channel, mt_finding *f);
} causes[] = {
    {"channel-silent", false, mt_cause_silent},
    {"channel-weak", false, mt_cause_weak},
    {"channels-swapped", true, mt_cause_swapped},
    {"channels-summed", true, mt_cause_summed},
    {"polarity-inverted", false, mt_cause_inverted},
    {"level-differs", true, mt_cause_level_differs},
    {"low-end-lost", false, mt_cause_low_end},
    {"top-end-lost", false, mt_cause_top_end},
    {"clipping", false, mt_cause_clipping},
    {"crossover-like", false, mt_cause_crossover},
    {"one-sided-distortion", false, mt_cause_one_sided},
    {"common-return", true, mt_cause_common_return},
    {"hum-mains", false, mt_cause_hum_mains},
    {"hum-rectifier", false, mt_cause_hum_rectifier},
    {"noise-high", false, mt_cause_noise},
    {"usb-frame-noise", false, mt_cause_usb_frames},
    {"switching-noise", false, mt_cause_switching},
};

/* A response that a switch is there to change is held against its reference state, not against a flat one; a load is
   not there to change it. */
static bool is_meant_to_differ(const mt_scene *s, const struct cause *cause)
{
  const mt_plan_state *state;

  if (cause->find != mt_cause_low_end && cause->find != mt_cause_top_end)
    return false;
  state = s->plan != NULL ? mt_plan_find_state(s->plan, s->state) : NULL;
  return state != NULL && state->compare_with[0] != '\0' &&
         mt_plan_load(s->plan, state) ==
             mt_plan_load(s->plan, mt_plan_find_state(s->plan, state->compare_with));
}

/* Where a finding names its states, or NULL. */
static char *states_of(mt_finding *f)
{
  char *last = f->evidence[f->nevidence > 0 ? f->nevidence - 1 : 0];

  return f->nevidence > 0 && strncmp(last, "in state", 8) == 0 ? last : NULL;
}

/*
 * What is so in several states is said once, with the names of all. `states` is as states_of() gives them, from their
 * first quotation mark. @return false if none of the first `n` findings says it yet.
 */
static bool add_states(mt_results *results, size_t n, const mt_finding *found, const char *states)
{
  for (size_t i = 0; i < n; i++) {
    mt_finding *f = &results->findings[i];
    char *last = states_of(f);
    size_t length = last != NULL ? strlen(last) : 0;
    if (strcmp(f->id, found->id) != 0 || f->channel != found->channel || last == NULL)
      continue;
    if (length + strlen(states) + 3 < sizeof f->evidence[0])
      snprintf(last + length, sizeof f->evidence[0] - length, ", %s", states);
    return true;
  }
  return false;
}

static bool add_state(const mt_scene *s, const mt_finding *found, mt_results *results)
{
  char quoted[sizeof results->readings[0].state + 3];

  snprintf(quoted, sizeof quoted, "\"%s\"", s->state);
  return add_states(results, results->nfindings, found, quoted);
}

/* What the analysis found in each take by itself. */
static void join_states(mt_results *results)
{
  size_t kept = 0;

  for (size_t i = 0; i < results->nfindings; i++) {
    const char *states = states_of(&results->findings[i]);
    const char *quoted = states != NULL ? strchr(states, '"') : NULL;
    if (quoted == NULL || !add_states(results, kept, &results->findings[i], quoted))
      results->findings[kept++] = results->findings[i];
  }
  results->nfindings = kept;
}

static mt_code ask(const mt_scene *s, const struct cause *cause, mt_channel channel, mt_results *results,
                   mt_error *err)
{
  mt_finding f = {.channel = cause->of_pair ? MT_CHANNEL_BOTH : channel};

  mt_text_copy(f.id, sizeof f.id, cause->id);
  if (is_meant_to_differ(s, cause) || !cause->find(s, channel, &f) || add_state(s, &f, results))
    return MT_OK;
  if (s->state[0] != '\0' && strcmp(s->state, "default") != 0)
    mt_finding_cite(&f, "in state \"%s\"", s->state);
  return mt_results_add_finding(results, &f, err);
}

static const char *state_of(const mt_results *results, size_t index)
{
  return index < results->nreadings ? results->readings[index].state
                                    : results->curves[index - results->nreadings].state;
}

static bool is_new_state(const mt_results *results, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (strcmp(state_of(results, i), state_of(results, index)) == 0)
      return false;
  return true;
}

/* What was found here before; what the analysis saw in the samples themselves stays, unless they are spoilt. */
static void drop_earlier(mt_results *results)
{
  size_t kept = 0;

  for (size_t i = 0; i < results->nfindings && (results->valid || results->ntakes > 0); i++) {
    bool is_ours = strncmp(results->findings[i].id, MT_FIND_SWITCH, strlen(MT_FIND_SWITCH)) == 0 ||
                   strncmp(results->findings[i].id, MT_FIND_LOAD, strlen(MT_FIND_LOAD)) == 0;
    for (size_t k = 0; k < sizeof causes / sizeof causes[0]; k++)
      is_ours = is_ours || strcmp(results->findings[i].id, causes[k].id) == 0;
    if (!is_ours)
      results->findings[kept++] = results->findings[i];
  }
  results->nfindings = kept;
}

mt_code mt_judge_find_causes(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  drop_earlier(results);
  join_states(results);
  for (size_t i = 0; i < results->nreadings + results->ncurves; i++) {
    mt_scene s = {plan, results, state_of(results, i)};
    if (!is_new_state(results, i) || mt_results_is_spoilt(results, s.state))
      continue;
    for (size_t k = 0; k < sizeof causes / sizeof causes[0] && code == MT_OK; k++)
      for (mt_channel c = MT_LEFT; c <= (causes[k].of_pair ? MT_LEFT : MT_RIGHT) && code == MT_OK; c++)
        code = ask(&s, &causes[k], c, results, err);
  }
  if (code == MT_OK)
    code = mt_find_switches(plan, results, err);
  return code == MT_OK ? mt_find_loads(plan, results, err) : code;
}
