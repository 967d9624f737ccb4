#include <mendtone/results.h>

#include "base/text.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

mt_code mt_results_create(mt_results **out, mt_error *err)
{
  mt_results *results = calloc(1, sizeof *results);
  if (results == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for results");
  results->valid = true;
  *out = results;
  return MT_OK;
}

/* Grow an array by one copied item. */
static mt_code append(void *array, size_t *count, const void *item, size_t size, mt_error *err)
{
  void **slot = array;
  char *grown = realloc(*slot, (*count + 1) * size);
  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu results", *count + 1);
  memcpy(grown + *count * size, item, size);
  *slot = grown;
  (*count)++;
  return MT_OK;
}

mt_code mt_results_add_reading(mt_results *results, const mt_reading *reading, mt_error *err)
{
  if (reading->validity == MT_VALID || reading->validity == MT_RIG_LIMITED)
    if (!isfinite(reading->value) || !(reading->uncertainty >= 0.0) || !isfinite(reading->uncertainty))
      return mt_fail(err, MT_E_INTERNAL, "the reading %s is not a number",
                     mt_quantity_describe(reading->quantity)->name);
  return append(&results->readings, &results->nreadings, reading, sizeof *reading, err);
}

static double *copy_doubles(const double *from, size_t n)
{
  double *copy = malloc((n > 0 ? n : 1) * sizeof *copy);
  if (copy != NULL && n > 0)
    memcpy(copy, from, n * sizeof *copy);
  return copy;
}

mt_code mt_results_add_curve(mt_results *results, const mt_curve *curve, mt_error *err)
{
  mt_curve mine = *curve;
  mt_code code = MT_E_MEMORY;

  for (size_t i = 0; i < curve->npoints; i++)
    if (!isfinite(curve->x[i]) || !isfinite(curve->y[i]) || !isfinite(curve->uncertainty[i]) ||
        (curve->floor != NULL && !isfinite(curve->floor[i])))
      return mt_fail(err, MT_E_INTERNAL, "a point of the curve %s is not a number",
                     mt_quantity_describe(curve->quantity)->name);
  mine.x = copy_doubles(curve->x, curve->npoints);
  mine.y = copy_doubles(curve->y, curve->npoints);
  mine.uncertainty = copy_doubles(curve->uncertainty, curve->npoints);
  if (curve->floor != NULL)
    mine.floor = copy_doubles(curve->floor, curve->npoints);
  if (mine.x != NULL && mine.y != NULL && mine.uncertainty != NULL &&
      (mine.floor != NULL || curve->floor == NULL))
    code = append(&results->curves, &results->ncurves, &mine, sizeof mine, err);
  if (code != MT_OK) {
    free(mine.x);
    free(mine.y);
    free(mine.uncertainty);
    free(mine.floor);
    return mt_fail(err, code, "out of memory for a curve");
  }
  return MT_OK;
}

mt_code mt_results_add_finding(mt_results *results, const mt_finding *finding, mt_error *err)
{
  return append(&results->findings, &results->nfindings, finding, sizeof *finding, err);
}

mt_code mt_results_add_judgement(mt_results *results, const mt_judgement *judgement, mt_error *err)
{
  return append(&results->judgements, &results->njudgements, judgement, sizeof *judgement, err);
}

mt_code mt_results_add_problem(mt_results *results, const mt_problem *problem, mt_error *err)
{
  return append(&results->problems, &results->nproblems, problem, sizeof *problem, err);
}

mt_code mt_results_add_take(mt_results *results, const mt_take_summary *take, mt_error *err)
{
  return append(&results->takes, &results->ntakes, take, sizeof *take, err);
}

mt_code mt_results_add_change(mt_results *results, const mt_change *change, mt_error *err)
{
  if (!isfinite(change->value) || !isfinite(change->reference_value) || !isfinite(change->difference) ||
      !(change->uncertainty >= 0.0) || !isfinite(change->uncertainty))
    return mt_fail(err, MT_E_INTERNAL, "the change of %s is not a number",
                   mt_quantity_describe(change->quantity)->name);
  return append(&results->changes, &results->nchanges, change, sizeof *change, err);
}

mt_code mt_results_add_answer(mt_results *results, const mt_answer *answer, mt_error *err)
{
  if (answer->answered && answer->is_number && !(isfinite(answer->value) && answer->uncertainty >= 0.0))
    return mt_fail(err, MT_E_INTERNAL, "the answer to \"%.60s\" is not a number", answer->ask);
  return append(&results->answers, &results->nanswers, answer, sizeof *answer, err);
}

/* ---- several takes ------------------------------------------------------------------------------------ */

static mt_take_summary summarise(const mt_results *take, const char *state)
{
  mt_take_summary summary = {.nframes = take->nframes,
                             .valid = take->valid,
                             .has_clock_offset = take->has_clock_offset,
                             .clock_offset_ppm = take->clock_offset_ppm,
                             .parts = take->stimulus_parts,
                             .extras = take->stimulus_extras};

  mt_text_copy(summary.state, sizeof summary.state, state);
  mt_text_copy(summary.file, sizeof summary.file, take->file);
  return summary;
}

/* What there is one of stands for the first take. */
static void take_over_head(mt_results *results, const mt_results *other)
{
  mt_text_copy(results->file, sizeof results->file, other->file);
  results->rate_hz = other->rate_hz;
  results->nchannels = other->nchannels;
  results->nframes = other->nframes;
  results->is_stimulus = other->is_stimulus;
  results->stimulus_level_dbfs = other->stimulus_level_dbfs;
  results->stimulus_extras = other->stimulus_extras;
  results->stimulus_parts = other->stimulus_parts;
  results->has_clock_offset = other->has_clock_offset;
  results->clock_offset_ppm = other->clock_offset_ppm;
}

static bool has_taken(const mt_results *results)
{
  for (size_t i = 0; i < results->ntakes; i++)
    if (!results->takes[i].skipped)
      return true;
  return false;
}

mt_code mt_results_add_results(mt_results *results, const mt_results *other, const char *state, mt_error *err)
{
  mt_take_summary summary = summarise(other, state);
  mt_code code;

  if (!has_taken(results))
    take_over_head(results, other);
  results->valid = results->valid && other->valid;
  code = mt_results_add_take(results, &summary, err);
  for (size_t i = 0; i < other->nreadings && code == MT_OK; i++)
    code = mt_results_add_reading(results, &other->readings[i], err);
  for (size_t i = 0; i < other->ncurves && code == MT_OK; i++)
    code = mt_results_add_curve(results, &other->curves[i], err);
  for (size_t i = 0; i < other->nfindings && code == MT_OK; i++)
    code = mt_results_add_finding(results, &other->findings[i], err);
  for (size_t i = 0; i < other->nproblems && code == MT_OK; i++) {
    mt_problem problem = other->problems[i];
    mt_text_copy(problem.state, sizeof problem.state, state);
    code = mt_results_add_problem(results, &problem, err);
  }
  return code;
}

const mt_take_summary *mt_results_find_take(const mt_results *results, const char *state)
{
  for (size_t i = 0; i < results->ntakes; i++)
    if (strcmp(results->takes[i].state, state) == 0)
      return &results->takes[i];
  return NULL;
}

bool mt_results_is_spoilt(const mt_results *results, const char *state)
{
  const mt_take_summary *take = mt_results_find_take(results, state);

  return take != NULL ? !take->valid && !take->skipped : !results->valid;
}

const mt_curve *mt_results_find_curve_of(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                         const char *state)
{
  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *c = &results->curves[i];
    if (c->quantity == quantity && c->channel == channel && strcmp(c->state, state) == 0)
      return c;
  }
  return NULL;
}

/* ---- looking things up -------------------------------------------------------------------------------- */

const mt_reading *mt_results_find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                  const char *segment)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel &&
        (segment == NULL || segment[0] == '\0' || strcmp(segment, r->segment) == 0))
      return r;
  }
  return NULL;
}

mt_unit mt_curve_x_unit(const mt_curve *curve)
{
  return curve->x_unit == MT_UNIT_NONE ? MT_UNIT_HZ : curve->x_unit;
}

const mt_curve *mt_results_find_curve(const mt_results *results, mt_quantity quantity, mt_channel channel)
{
  for (size_t i = 0; i < results->ncurves; i++)
    if (results->curves[i].quantity == quantity && results->curves[i].channel == channel)
      return &results->curves[i];
  return NULL;
}

void mt_results_destroy(mt_results **results)
{
  mt_results *r;

  if (results == NULL || *results == NULL)
    return;
  r = *results;
  for (size_t i = 0; i < r->ncurves; i++) {
    free(r->curves[i].x);
    free(r->curves[i].y);
    free(r->curves[i].uncertainty);
    free(r->curves[i].floor);
  }
  free(r->problems);
  free(r->readings);
  free(r->curves);
  free(r->findings);
  free(r->judgements);
  free(r->takes);
  free(r->changes);
  free(r->answers);
  free(r);
  *results = NULL;
}

const char *mt_validity_name(mt_validity validity)
{
  static const char *const names[] = {"valid",   "no_signal",   "clipped",
                                      "dropout", "rig_limited", "not_measured"};
  assert((size_t)validity < sizeof names / sizeof names[0]);
  return names[validity];
}

const char *mt_verdict_name(mt_verdict verdict)
{
  static const char *const names[] = {"none", "pass", "undecided", "fail"};
  assert((size_t)verdict < sizeof names / sizeof names[0]);
  return names[verdict];
}

const char *mt_route_name(mt_route route)
{
  static const char *const names[] = {"none", "left", "right", "both"};
  assert((size_t)route < sizeof names / sizeof names[0]);
  return names[route];
}
