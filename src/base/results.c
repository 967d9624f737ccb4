#include <mendtone/results.h>

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

mt_code mt_results_add_retake(mt_results *results, const mt_problem *problem, mt_error *err)
{
  return append(&results->retakes, &results->nretakes, problem, sizeof *problem, err);
}

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
  free(r->retakes);
  free(r->readings);
  free(r->curves);
  free(r->findings);
  free(r->judgements);
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
