/* The walk through a plan's states: one take each, one result of all. */
#include "session/walk.h"

#include <mendtone/difference.h>

#include "base/text.h"
#include "session/session.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static mt_code copy_answers(mt_walk *walk, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < walk->options.nanswers && code == MT_OK; i++)
    code = mt_walk_answer(walk, &walk->options.answers[i], err);
  return code;
}

mt_code mt_walk_create(const mt_session_options *options, const char *folder, mt_walk **out, mt_error *err)
{
  mt_walk *walk;
  mt_code code = MT_OK;

  if (options->plan == NULL || options->plan->nstates == 0)
    return mt_fail(err, MT_E_ARG, "the plan has no states to visit");
  walk = calloc(1, sizeof *walk);
  if (walk == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a walk through states");
  walk->options = *options;
  walk->lock = -1;
  walk->states = calloc(options->plan->nstates, sizeof *walk->states);
  if (folder != NULL)
    walk->folder = strdup(folder);
  if (walk->states == NULL || (folder != NULL && walk->folder == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a walk through states");
  if (code == MT_OK && folder != NULL)
    code = mt_walk_folder_open(walk, err);
  if (code == MT_OK)
    code = copy_answers(walk, err);
  if (code == MT_OK)
    *out = walk;
  else
    mt_walk_destroy(&walk);
  return code;
}

size_t mt_walk_count_resumed(const mt_walk *walk)
{
  return walk->nresumed;
}

mt_walk_mark mt_walk_get_mark(const mt_walk *walk, size_t index)
{
  return walk->states[index].mark;
}

const mt_results *mt_walk_get_results(const mt_walk *walk, size_t index)
{
  return walk->states[index].results;
}

static mt_session_options options_of(const mt_walk *walk, size_t index)
{
  mt_session_options options = walk->options;

  options.state = walk->options.plan->states[index].name;
  options.save_take = NULL;
  options.unjudged = true;
  options.answers = NULL;
  options.nanswers = 0;
  return options;
}

mt_code mt_walk_stimulus(const mt_walk *walk, size_t index, mt_stimulus *out, mt_error *err)
{
  mt_session_options options = options_of(walk, index);
  return mt_session_stimulus(&options, out, err);
}

/* ---- one state ------------------------------------------------------------------------------------------ */

mt_code mt_walk_take(mt_walk *walk, size_t index, mt_error *err)
{
  mt_walk_state *state = &walk->states[index];
  mt_session_options options = options_of(walk, index);
  mt_walk_mark before = state->mark;
  mt_results *results = NULL;
  char *recorded = walk->folder != NULL ? mt_walk_folder_name(state, ".new.wav") : NULL;
  mt_code code;

  if (walk->folder != NULL && recorded == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  options.save_take = recorded;
  code = options.listens ? mt_session_listen(&options, &results, err)
                         : mt_session_check(&options, &results, err);
  if (code == MT_OK && walk->folder != NULL)
    code = mt_walk_folder_keep(state, results, err);
  if (code == MT_OK) {
    if (recorded != NULL)
      mt_audio_writer_forget(recorded); /* what an interrupt left of this state is there whole now */
    mt_results_destroy(&state->results);
    state->results = results;
    state->mark = MT_WALK_TAKEN;
  } else {
    mt_results_destroy(&results);
    if (recorded != NULL)
      unlink(recorded);
  }
  free(recorded);
  /* that it was skipped once is only noted: a take counts for more */
  if (code == MT_OK && before == MT_WALK_SKIPPED)
    code = mt_walk_folder_note(walk, err);
  return code;
}

mt_code mt_walk_read(mt_walk *walk, size_t index, const char *path, const mt_session_options *known,
                     mt_error *err)
{
  mt_walk_state *state = &walk->states[index];
  mt_session_options options = options_of(walk, index);
  mt_results *results = NULL;
  mt_code code;

  options.known = known->known;
  options.nknown = known->nknown;
  options.play_aligned = known->play_aligned;
  code = mt_session_analyse(path, &options, &results, err);
  if (code == MT_OK && !results->is_stimulus)
    code = mt_fail(err, MT_E_DATA, "%.150s: does not hold the stimulus", path);
  if (code != MT_OK) {
    mt_results_destroy(&results);
    return code;
  }
  mt_results_destroy(&state->results);
  state->results = results;
  state->mark = MT_WALK_TAKEN;
  return MT_OK;
}

mt_code mt_walk_skip(mt_walk *walk, size_t index, mt_error *err)
{
  if (walk->states[index].mark == MT_WALK_TAKEN)
    return MT_OK;
  walk->states[index].mark = MT_WALK_SKIPPED;
  return mt_walk_folder_note(walk, err);
}

/* ---- by hand -------------------------------------------------------------------------------------------- */

const mt_answer *mt_walk_find_answer(const mt_walk *walk, const char *ask)
{
  for (size_t i = 0; i < walk->nanswers; i++)
    if (strcmp(walk->answers[i].ask, ask) == 0)
      return &walk->answers[i];
  return NULL;
}

mt_code mt_walk_answer(mt_walk *walk, const mt_answer *answer, mt_error *err)
{
  mt_answer *grown;

  for (size_t i = 0; i < walk->nanswers; i++)
    if (strcmp(walk->answers[i].ask, answer->ask) == 0) {
      walk->answers[i] = *answer;
      return mt_walk_folder_note(walk, err);
    }
  grown = realloc(walk->answers, (walk->nanswers + 1) * sizeof *grown);
  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for an answer");
  walk->answers = grown;
  walk->answers[walk->nanswers++] = *answer;
  return mt_walk_folder_note(walk, err);
}

/* ---- all together --------------------------------------------------------------------------------------- */

static mt_code gather(const mt_walk *walk, mt_results *results, mt_error *err)
{
  const mt_plan *plan = walk->options.plan;
  size_t ntaken = 0;
  mt_code code = MT_OK;

  for (size_t i = 0; i < plan->nstates && code == MT_OK; i++) {
    const mt_walk_state *state = &walk->states[i];
    mt_take_summary skipped = {.skipped = true, .valid = true};
    mt_text_copy(skipped.state, sizeof skipped.state, plan->states[i].name);
    if (state->mark == MT_WALK_OPEN)
      return mt_fail(err, MT_E_ARG, "state \"%s\" is neither taken nor skipped", plan->states[i].name);
    ntaken += state->mark == MT_WALK_TAKEN;
    code = state->mark == MT_WALK_SKIPPED
               ? mt_results_add_take(results, &skipped, err)
               : mt_results_add_results(results, state->results, plan->states[i].name, err);
  }
  if (code == MT_OK && ntaken == 0)
    return mt_fail(err, MT_E_ARG, "every state was skipped: there is nothing to judge");
  return code;
}

static mt_code compare(const mt_walk *walk, mt_results *results, mt_error *err)
{
  const mt_plan *plan = walk->options.plan;
  mt_code code = MT_OK;

  for (size_t i = 0; i < plan->nstates && code == MT_OK; i++) {
    const mt_plan_state *state = &plan->states[i];
    const mt_take_summary *mine = mt_results_find_take(results, state->name);
    const mt_take_summary *theirs =
        state->compare_with[0] != '\0' ? mt_results_find_take(results, state->compare_with) : NULL;
    if (theirs != NULL && !mine->skipped && !theirs->skipped)
      code = mt_difference_measure(results, state->name, state->compare_with, err);
  }
  return code;
}

mt_code mt_walk_finish(const mt_walk *walk, mt_results **out, mt_error *err)
{
  mt_session_options options = walk->options;
  mt_results *results = NULL;
  mt_code code = mt_results_create(&results, err);

  options.answers = walk->answers;
  options.nanswers = walk->nanswers;
  if (code == MT_OK)
    code = gather(walk, results, err);
  if (code == MT_OK)
    code = compare(walk, results, err);
  if (code == MT_OK)
    code = mt_session_judge(&options, results, err);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return code;
}

void mt_walk_destroy(mt_walk **walk)
{
  mt_walk *w;

  if (walk == NULL || *walk == NULL)
    return;
  w = *walk;
  for (size_t i = 0; w->states != NULL && i < w->options.plan->nstates; i++) {
    mt_results_destroy(&w->states[i].results);
    free(w->states[i].stem);
  }
  if (w->lock >= 0)
    close(w->lock);
  free(w->states);
  free(w->answers);
  free(w->folder);
  free(w);
  *walk = NULL;
}
