/* Read again what results were read from: one take, or those of several states. */
#include <mendtone/walk.h>

#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PATH_SIZE 4096

typedef struct again {
  mt_session_options options;
  const mt_results *old;
  const char *place;
  mt_answer *answers; /* those given, and the old ones to other questions */
  mt_problem *known;  /* room for all problems there are */
} again;

static mt_code name_take(const again *a, const char *file, char path[PATH_SIZE], mt_error *err)
{
  const char *name = mt_text_basename(file);
  int n = snprintf(path, PATH_SIZE, "%s/%s", a->place, name);

  if (n < 0 || n >= PATH_SIZE)
    return mt_fail(err, MT_E_ARG, "the path of the take %.60s is too long (%d bytes)", name, n);
  if (name[0] == '\0' || access(path, F_OK) != 0)
    return mt_fail(err, MT_E_NO_INPUT, "the take %.100s is gone: it cannot be read again",
                   name[0] != '\0' ? name : "(none)");
  return MT_OK;
}

/* @param state  NULL: of the only take. */
static void recall(again *a, const char *state)
{
  a->options.known = a->known;
  a->options.nknown = 0;
  a->options.play_aligned = false;
  for (size_t i = 0; i < a->old->nproblems; i++)
    if (a->old->problems[i].while_captured &&
        (state == NULL || strcmp(a->old->problems[i].state, state) == 0))
      a->known[a->options.nknown++] = a->old->problems[i];
  /* a channel's own delay can be told of no other */
  for (size_t i = 0; i < a->old->nreadings; i++) {
    const mt_reading *r = &a->old->readings[i];
    if (r->quantity == MT_Q_DELAY && r->channel != MT_CHANNEL_BOTH && r->validity == MT_VALID &&
        (state == NULL || strcmp(r->state, state) == 0))
      a->options.play_aligned = true;
  }
}

static mt_code collect_answers(again *a, const mt_session_options *given, mt_error *err)
{
  size_t n = given->nanswers;

  a->answers = calloc(n + a->old->nanswers + 1, sizeof *a->answers);
  a->known = calloc(a->old->nproblems + 1, sizeof *a->known);
  if (a->answers == NULL || a->known == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to read a take again");
  for (size_t i = 0; i < n; i++)
    a->answers[i] = given->answers[i];
  for (size_t i = 0; i < a->old->nanswers; i++) {
    bool is_given = false, is_asked = false;
    for (size_t k = 0; k < given->nanswers; k++)
      is_given = is_given || strcmp(given->answers[k].ask, a->old->answers[i].ask) == 0;
    for (size_t k = 0; given->plan != NULL && k < given->plan->nby_hand; k++)
      is_asked = is_asked || (strcmp(given->plan->by_hand[k].ask, a->old->answers[i].ask) == 0 &&
                              given->plan->by_hand[k].is_number == a->old->answers[i].is_number);
    if (a->old->answers[i].answered && is_asked && !is_given)
      a->answers[n++] = a->old->answers[i];
  }
  a->options.answers = a->answers;
  a->options.nanswers = n;
  return MT_OK;
}

/* ---- several states ------------------------------------------------------------------------------------- */

static mt_code check_states(const again *a, mt_error *err)
{
  const mt_plan *plan = a->options.plan;

  for (size_t i = 0; i < a->old->ntakes; i++) {
    size_t k = 0;
    while (plan != NULL && k < plan->nstates && strcmp(plan->states[k].name, a->old->takes[i].state) != 0)
      k++;
    if (plan == NULL || k == plan->nstates)
      return mt_fail(err, MT_E_ARG, "the state \"%.32s\" was taken, and the plan%s has no such state",
                     a->old->takes[i].state, plan == NULL ? " (none)" : "");
  }
  return MT_OK;
}

static mt_code read_state(again *a, mt_walk *walk, size_t index, mt_error *err)
{
  const char *state = a->options.plan->states[index].name;
  const mt_take_summary *take = mt_results_find_take(a->old, state);
  char path[PATH_SIZE];
  mt_code code;

  if (take == NULL || take->skipped)
    return mt_walk_skip(walk, index, err);
  code = name_take(a, take->file, path, err);
  recall(a, state);
  return code == MT_OK ? mt_walk_read(walk, index, path, &a->options, err) : code;
}

static mt_code read_states(again *a, mt_results **out, mt_error *err)
{
  mt_walk *walk = NULL;
  mt_code code = check_states(a, err);

  if (code == MT_OK)
    code = mt_walk_create(&a->options, NULL, &walk, err);
  for (size_t i = 0; code == MT_OK && i < a->options.plan->nstates; i++)
    code = read_state(a, walk, i, err);
  if (code == MT_OK)
    code = mt_walk_finish(walk, out, err);
  mt_walk_destroy(&walk);
  return code;
}

/* ---- the whole ------------------------------------------------------------------------------------------ */

mt_code mt_session_read_again(const mt_session_options *options, const mt_results *old, const char *place,
                              mt_results **out, mt_error *err)
{
  again a = {.options = *options, .old = old, .place = place};
  mt_results *results = NULL;
  mt_code code = collect_answers(&a, options, err);

  if (old->is_stimulus && !(a.options.level_dbfs <= 0.0))
    a.options.level_dbfs = old->stimulus_level_dbfs;
  if (code == MT_OK)
    recall(&a, NULL);
  if (code == MT_OK)
    code = old->ntakes > 0 ? read_states(&a, &results, err)
                           : mt_session_analyse(place, &a.options, &results, err);
  for (size_t i = 0; i < old->nretakes && code == MT_OK; i++)
    code = mt_results_add_retake(results, &old->retakes[i], err);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  free(a.answers);
  free(a.known);
  return code;
}
