#include "judge/find_switch.h"

#include "base/text.h"
#include "judge/finding.h"
#include "judge/wording.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Nobody builds a switch for less; common practice, no source. */
#define NOTHING_DB 0.2
/* What else must change by at least that to be what the switch is for. */
#define ELSE_DB 1.0
/* Channels that are built alike differ by less. */
#define UNEVEN_DB 1.0

typedef enum effect { UNSURE, NOTHING, SOMETHING } effect;

static const char *const side[] = {"left", "right"};

static effect effect_of(const mt_reading *r)
{
  if (r == NULL)
    return UNSURE;
  if (fabs(r->value) - r->uncertainty > NOTHING_DB)
    return SOMETHING;
  return fabs(r->value) + r->uncertainty <= NOTHING_DB ? NOTHING : UNSURE;
}

/* A switch may be for something else than gain and tone. */
static bool changes_else(const mt_results *results, mt_channel channel, const char *state)
{
  for (size_t i = 0; i < results->nchanges; i++) {
    const mt_change *c = &results->changes[i];
    bool is_word = c->quantity == MT_Q_ROUTE || c->quantity == MT_Q_POLARITY;
    if (c->channel == channel && strcmp(c->state, state) == 0 && c->significant && c->quantity != MT_Q_GAIN &&
        (is_word || fabs(c->difference) >= ELSE_DB))
      return true;
  }
  return false;
}

static effect effect_on(const mt_results *results, mt_channel channel, const char *state)
{
  effect gain = effect_of(mt_finding_reading(results, MT_Q_GAIN_CHANGE, channel, state));
  effect boost = effect_of(mt_finding_reading(results, MT_Q_BOOST, channel, state));

  if (gain == SOMETHING || boost == SOMETHING || changes_else(results, channel, state))
    return SOMETHING;
  return gain == NOTHING && boost == NOTHING ? NOTHING : UNSURE;
}

static void cite_effect(const mt_results *results, mt_quantity quantity, mt_channel channel,
                        const char *state, mt_finding *f)
{
  const mt_reading *r = mt_finding_reading(results, quantity, channel, state);
  char text[48];

  if (r != NULL)
    mt_finding_cite(f, "%s of the %s channel: %s", mt_quantity_describe(quantity)->label, side[channel],
                    mt_wording_value(r->value, r->uncertainty, MT_UNIT_DB, text, sizeof text));
}

static void cite_all(const mt_results *results, const char *state, mt_finding *f)
{
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    cite_effect(results, MT_Q_GAIN_CHANGE, c, state, f);
    cite_effect(results, MT_Q_BOOST, c, state, f);
  }
}

static void name_finding(mt_finding *f, const char *id, mt_channel channel)
{
  snprintf(f->id, sizeof f->id, MT_FIND_SWITCH "%s", id);
  f->channel = channel;
}

static bool find_dead(const mt_results *results, const mt_plan_state *state, mt_finding *f)
{
  effect left = effect_on(results, MT_LEFT, state->name), right = effect_on(results, MT_RIGHT, state->name);
  mt_channel dead = left == NOTHING ? MT_LEFT : MT_RIGHT;

  if (left == NOTHING && right == NOTHING) {
    name_finding(f, "dead", MT_CHANNEL_BOTH);
    snprintf(
        f->text, sizeof f->text,
        "State \"%s\" changes nothing against \"%s\": likely a switch without contact, or one that was not "
        "set. Check first: take it again with the switch moved a few times.",
        state->name, state->compare_with);
    return true;
  }
  if ((left != NOTHING || right != SOMETHING) && (right != NOTHING || left != SOMETHING))
    return false;
  name_finding(f, "one-channel", dead);
  snprintf(f->text, sizeof f->text,
           "State \"%s\" changes nothing on the %s channel, only on the %s: likely one contact of the "
           "switch, or a "
           "joint of what it switches. Check first: that contact, while a tone plays.",
           state->name, side[dead], side[1 - dead]);
  return true;
}

/* How much more the left channel changes than the right; 0 if they may be alike. */
static double unevenness(const mt_results *results, mt_quantity quantity, const char *state)
{
  const mt_reading *left = mt_finding_reading(results, quantity, MT_LEFT, state),
                   *right = mt_finding_reading(results, quantity, MT_RIGHT, state);
  double apart;

  if (left == NULL || right == NULL)
    return 0.0;
  apart = left->value - right->value;
  return fabs(apart) - hypot(left->uncertainty, right->uncertainty) > UNEVEN_DB ? apart : 0.0;
}

static bool find_uneven(const mt_results *results, const mt_plan_state *state, mt_finding *f)
{
  double gain = unevenness(results, MT_Q_GAIN_CHANGE, state->name);
  double boost = unevenness(results, MT_Q_BOOST, state->name);

  if (gain == 0.0 && boost == 0.0)
    return false;
  name_finding(f, "uneven", MT_CHANNEL_BOTH);
  snprintf(f->text, sizeof f->text,
           "State \"%s\" does not change both channels alike, by %.1f dB: likely a part of that network that "
           "drifted, or a contact of high resistance. Check first: the network's parts, left against right.",
           state->name, fabs(gain) > fabs(boost) ? fabs(gain) : fabs(boost));
  return true;
}

/* Then the load is what changes, and a good output hears nothing of it. */
static bool differs_in_load(const mt_plan *plan, const mt_plan_state *state)
{
  return mt_plan_load(plan, mt_plan_find_state(plan, state->compare_with)) != mt_plan_load(plan, state);
}

mt_code mt_find_switches(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; plan != NULL && i < plan->nstates && code == MT_OK; i++) {
    const mt_plan_state *state = &plan->states[i];
    mt_finding f = {0};
    if (state->compare_with[0] == '\0' || differs_in_load(plan, state) ||
        mt_results_is_spoilt(results, state->name) || mt_results_is_spoilt(results, state->compare_with) ||
        (!find_dead(results, state, &f) && !find_uneven(results, state, &f)))
      continue;
    cite_all(results, state->name, &f);
    code = mt_results_add_finding(results, &f, err);
  }
  return code;
}
