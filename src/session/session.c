/* What the session's options lead to: the plan, the stimulus, the verdict. */
#include <mendtone/session.h>

#include <mendtone/report.h>

#include "base/text.h"
#include "session/loads.h"
#include "session/session.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

mt_session_options mt_session_defaults(void)
{
  mt_session_options options = {.level_dbfs = NAN, .max_level_dbfs = NAN};
  return options;
}

mt_code mt_session_stimulus(const mt_session_options *options, mt_stimulus *out, mt_error *err)
{
  double rate_hz = options->rate_hz, level_dbfs = options->level_dbfs;
  double max_level_dbfs = options->max_level_dbfs;
  const mt_plan_state *state = mt_session_plan_state(options);
  unsigned extras = options->has_extras ? options->extras : 0, needed = 0;
  mt_parts parts = state != NULL ? mt_parts_for(state->measure, state->nmeasure, &needed) : MT_PARTS_ALL;
  bool is_part = state != NULL && state->nmeasure > 0;

  if (rate_hz == 0.0 && options->plan != NULL)
    rate_hz = options->plan->rate_hz;
  if (rate_hz == 0.0 && options->rig != NULL) {
    mt_rig *rig = NULL;
    mt_code code = mt_rig_open(options->rig, &rig, err);
    if (code != MT_OK)
      return code;
    rate_hz = rig->rate_hz;
    free(rig);
  }
  if (rate_hz == 0.0)
    rate_hz = MT_DEFAULT_RATE_HZ;
  if (isnan(level_dbfs) && options->plan != NULL)
    level_dbfs = options->plan->level_dbfs;
  if (isnan(level_dbfs))
    level_dbfs = MT_DEFAULT_LEVEL_DBFS;
  if (!options->has_extras && options->plan != NULL)
    extras = is_part ? needed : options->plan->extras;
  /* said of the plan as a whole, or of the command: it holds where there are levels */
  if (is_part && (extras & MT_EXTRA_LEVELS) == 0)
    max_level_dbfs = (double)NAN;
  if (isnan(max_level_dbfs) && options->plan != NULL && (extras & MT_EXTRA_LEVELS) != 0)
    max_level_dbfs = options->plan->max_level_dbfs;
  if (state != NULL && state->turn_s > 0.0)
    return mt_stimulus_init_turn(rate_hz, level_dbfs, state->turn_s, out, err);
  return mt_stimulus_init_parts(rate_hz, level_dbfs, parts, extras, max_level_dbfs, out, err);
}

/*
 * Beside the plan's file, unless it is an absolute path. A stage of a job keeps the reference it was judged by as
 * reference.json beside its plan.cfg: that one comes first.
 */
mt_code mt_session_reference_path(const char *plan_path, const mt_plan *plan, char *out, size_t size,
                                  mt_error *err)
{
  size_t folder = (size_t)(mt_text_basename(plan_path) - plan_path);
  const char *name = plan->reference;

  if (folder + strlen(name) + sizeof "reference.json" >= size)
    return mt_fail(err, MT_E_PLAN, "the path of the reference has %zu bytes; expected fewer than %zu",
                   folder + strlen(name), size - sizeof "reference.json");
  memcpy(out, plan_path, folder);
  memcpy(out + folder, "reference.json", sizeof "reference.json");
  if (strcmp(plan_path + folder, "plan.cfg") == 0 && access(out, F_OK) == 0)
    return MT_OK;
  folder = name[0] == '/' ? 0 : folder;
  memcpy(out + folder, name, strlen(name) + 1);
  return MT_OK;
}

static mt_code open_reference(const char *path, mt_plan *plan, mt_error *err)
{
  char place[4096];
  mt_results *results = NULL;
  mt_error why = {0};
  mt_code code = mt_session_reference_path(path, plan, place, sizeof place, err);

  if (code != MT_OK)
    return code;
  if (mt_report_read_json(place, &results, &why) != MT_OK)
    return mt_fail(err, MT_E_PLAN, "%.60s: its reference: %.170s", mt_text_basename(path), why.message);
  mt_plan_set_reference(plan, &results);
  return MT_OK;
}

mt_code mt_session_open_plan(const char *path, mt_plan **out, mt_error *err)
{
  mt_plan *plan = NULL;
  mt_code code = mt_plan_open(path, &plan, err);

  if (code == MT_OK && plan->reference[0] != '\0')
    code = open_reference(path, plan, err);
  if (code == MT_OK)
    *out = plan;
  else
    mt_plan_destroy(&plan);
  return code;
}

const mt_plan_state *mt_session_plan_state(const mt_session_options *options)
{
  for (size_t i = 0; options->plan != NULL && options->state != NULL && i < options->plan->nstates; i++)
    if (strcmp(options->plan->states[i].name, options->state) == 0)
      return &options->plan->states[i];
  return NULL;
}

/* ---- verdicts ------------------------------------------------------------------------------------------ */

/*
 * Silence is quiet: a lead that came off would pass every limit on noise. Where nothing of what was played was heard in
 * any state, nothing is concluded; where another state was heard the leads were on, and the finding says the rest.
 */
static mt_code doubt_silence(mt_results *results, mt_error *err)
{
  mt_problem problem = {.kind = MT_PROBLEM_SILENT_INPUT, .channel = MT_CHANNEL_BOTH};
  bool says_so = false, was_heard = false;

  for (size_t i = 0; i < results->nproblems; i++)
    if (results->problems[i].kind == problem.kind && results->problems[i].channel == problem.channel)
      return MT_OK;
  for (size_t i = 0; i < results->nfindings; i++)
    says_so = says_so || strcmp(results->findings[i].id, MT_FIND_NOTHING) == 0;
  for (size_t i = 0; i < results->ntakes; i++)
    was_heard = was_heard || (!results->takes[i].skipped && results->takes[i].has_clock_offset);
  if (!says_so || was_heard)
    return MT_OK;
  results->valid = false;
  for (size_t i = 0; i < results->ntakes; i++)
    results->takes[i].valid = results->takes[i].skipped;
  problem.end_s = results->rate_hz > 0.0 ? (double)results->nframes / results->rate_hz : 0.0;
  mt_text_copy(
      problem.text, sizeof problem.text,
      "nothing of what was played was heard: take it with a state in which the unit is turned up, or "
      "a lead that is off would pass");
  return mt_results_add_problem(results, &problem, err);
}

mt_code mt_session_judge(const mt_session_options *options, mt_results *results, mt_error *err)
{
  mt_plan *built_in = NULL;
  const mt_plan *plan = options->plan;
  mt_code code = MT_OK;

  code = doubt_silence(results, err);
  if (code == MT_OK && plan == NULL && results->is_stimulus) {
    code = mt_plan_create_default(&built_in, err);
    plan = built_in;
  }
  for (size_t i = 0; i < options->nanswers && code == MT_OK; i++)
    code = mt_results_add_answer(results, &options->answers[i], err);
  if (code == MT_OK && plan != NULL)
    code = mt_loads_read(plan, mt_session_plan_state(options), results, err);
  if (code == MT_OK && plan != NULL) {
    mt_text_copy(results->plan_name, sizeof results->plan_name, plan->name);
    mt_text_copy(results->unit_name, sizeof results->unit_name, plan->unit);
    code = mt_judge_results(plan, results, err);
  }
  if (code == MT_OK)
    code = mt_judge_find_causes(plan, results, err);
  mt_plan_destroy(&built_in);
  return code;
}

mt_code mt_session_answer(const mt_session_options *options, mt_results *results, mt_error *err)
{
  results->nanswers = 0;
  return mt_session_judge(options, results, err);
}
