#include <mendtone/curve.h>

#include "analysis/curve.h"

#include "base/decibel.h"

#include <stdlib.h>

#define OCTAVES_MAX 4.0

bool mt_curve_is_usable(const mt_curve *curve, size_t least)
{
  if (curve == NULL || curve->npoints < least)
    return false;
  for (size_t i = 0; i < curve->npoints; i++)
    if (!(isfinite(curve->x[i]) && isfinite(curve->y[i]) && isfinite(curve->uncertainty[i])) ||
        curve->x[i] <= 0.0 || (i > 0 && curve->x[i] <= curve->x[i - 1]))
      return false;
  return true;
}

/* Power over ln f, integrated from the first point on; between points a straight line. */
typedef struct integral {
  const double *log_x;
  const double *power;
  const double *sum; /* from the first point to each */
  size_t n;
} integral;

static double integral_to(const integral *s, double log_x)
{
  size_t low = 0, high = s->n - 1;
  double step, part;

  while (high - low > 1) {
    size_t middle = (low + high) / 2;
    if (s->log_x[middle] <= log_x)
      low = middle;
    else
      high = middle;
  }
  step = log_x - s->log_x[low];
  part = step / (s->log_x[high] - s->log_x[low]);
  return s->sum[low] + step * (s->power[low] + 0.5 * part * (s->power[high] - s->power[low]));
}

static double largest_within(const mt_curve *curve, const double *log_x, size_t at, double half)
{
  double largest = curve->uncertainty[at];

  for (size_t i = at; i-- > 0 && log_x[at] - log_x[i] <= half;)
    largest = fmax(largest, curve->uncertainty[i]);
  for (size_t i = at + 1; i < curve->npoints && log_x[i] - log_x[at] <= half; i++)
    largest = fmax(largest, curve->uncertainty[i]);
  return largest;
}

static void smooth(const mt_curve *curve, double half, double *log_x, double *power, double *sum,
                   double *widest, double *y)
{
  const size_t n = curve->npoints;
  const integral s = {log_x, power, sum, n};

  for (size_t i = 0; i < n; i++) {
    log_x[i] = log(curve->x[i]);
    power[i] = mt_power_of_db(curve->y[i]);
    sum[i] = i == 0 ? 0.0 : sum[i - 1] + 0.5 * (log_x[i] - log_x[i - 1]) * (power[i] + power[i - 1]);
  }
  for (size_t i = 0; i < n; i++)
    widest[i] = largest_within(curve, log_x, i, half);
  for (size_t i = 0; i < n; i++) {
    double room = fmin(half, fmin(log_x[i] - log_x[0], log_x[n - 1] - log_x[i]));
    if (room > 0.0)
      y[i] = mt_db_of_power((integral_to(&s, log_x[i] + room) - integral_to(&s, log_x[i] - room)) /
                            (2.0 * room));
    else
      y[i] = curve->y[i];
  }
}

mt_code mt_curve_smooth(const mt_curve *curve, double octaves, double *y, double *uncertainty, mt_error *err)
{
  double *scratch;
  size_t n;

  if (!(octaves >= 0.0 && octaves <= OCTAVES_MAX))
    return mt_fail(err, MT_E_ARG, "smoothing over %g octaves; expected 0 to %g", octaves, OCTAVES_MAX);
  if (!mt_curve_is_usable(curve, 2))
    return mt_fail(err, MT_E_DATA, "a curve to smooth needs two points and more, ascending and finite");
  n = curve->npoints;
  scratch = malloc(4 * n * sizeof *scratch);
  if (scratch == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", n);
  smooth(curve, 0.5 * octaves * log(2.0), scratch, scratch + n, scratch + 2 * n, scratch + 3 * n, y);
  for (size_t i = 0; i < n && uncertainty != NULL; i++)
    uncertainty[i] = scratch[3 * n + i];
  free(scratch);
  return MT_OK;
}
