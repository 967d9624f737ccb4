/* Corners, flatness and slope, read off a curve over log f. */
#include "analysis/curve.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* A corner of the first order on a grid of 80 a decade: what a cubic between its points is off by, and what a straight
   line would be (h^2 / 8) where there are too few points for one, is told from it. */
#define BEND 1e-5

/* ---- a point anywhere ----------------------------------------------------------------------------- */

/* The point below `freq_hz` that has another above it. */
static size_t cell_of(const mt_curve *c, double freq_hz)
{
  size_t low = 0, high = c->npoints - 1;

  while (high - low > 1) {
    size_t middle = (low + high) / 2;
    if (c->x[middle] <= freq_hz)
      low = middle;
    else
      high = middle;
  }
  return low;
}

static mt_figure value_at(const mt_curve *c, double freq_hz)
{
  size_t i = cell_of(c, freq_hz);
  double part = log(freq_hz / c->x[i]) / log(c->x[i + 1] / c->x[i]);
  mt_figure at = {c->y[i] + part * (c->y[i + 1] - c->y[i]), fmax(c->uncertainty[i], c->uncertainty[i + 1])};

  if (part <= 0.0)
    at.uncertainty = c->uncertainty[i];
  return at;
}

/* By a polynomial through so many points over log f, where there are so many. */
static mt_figure polynomial_at(const mt_curve *c, double freq_hz, size_t count)
{
  size_t cell = cell_of(c, freq_hz), first = cell + 1 > count / 2 ? cell + 1 - count / 2 : 0;
  mt_figure at = value_at(c, freq_hz);
  double x = log(freq_hz), sum = 0.0;

  if (c->npoints < count)
    return at;
  if (first + count > c->npoints)
    first = c->npoints - count;
  for (size_t i = first; i < first + count; i++) {
    double weight = 1.0;
    for (size_t k = first; k < first + count; k++)
      if (k != i)
        weight *= (x - log(c->x[k])) / log(c->x[i] / c->x[k]);
    sum += weight * c->y[i];
  }
  at.value = sum;
  return at;
}

static mt_figure cubic_at(const mt_curve *c, double freq_hz)
{
  return polynomial_at(c, freq_hz, 4);
}

/* By six points; what that differs from four by is not known better: near half the rate a filter falls ever faster. */
static mt_figure end_at(const mt_curve *c, double freq_hz)
{
  mt_figure at = polynomial_at(c, freq_hz, 6);
  at.uncertainty = hypot(at.uncertainty, at.value - cubic_at(c, freq_hz).value);
  return at;
}

double mt_curve_own_uncertainty(const mt_curve *curve, size_t i)
{
  double u = curve->uncertainty[i], shared = curve->has_reference ? curve->reference_uncertainty_db : 0.0;

  /* at the reference itself there is only that */
  return u > shared ? sqrt(u * u - shared * shared) : u;
}

static mt_code refuse(const mt_curve *curve, size_t least, mt_error *err)
{
  if (curve == NULL)
    return mt_fail(err, MT_E_ARG, "no curve to read from");
  if (!mt_curve_is_usable(curve, least))
    return mt_fail(err, MT_E_DATA, "the curve has too few points, or some that are not ascending and finite");
  return MT_OK;
}

/* ---- corners -------------------------------------------------------------------------------------- */

static void name_frequency(double freq_hz, char out[32])
{
  snprintf(out, 32, freq_hz < 999.5 ? "%.3g Hz" : "%.3g kHz", freq_hz < 999.5 ? freq_hz : freq_hz / 1e3);
}

/* Where the cubic passes the level, between two frequencies of which only the first is above it. */
static double refine(const mt_curve *curve, double inside_hz, double outside_hz, double level_db,
                     double straight_hz)
{
  double inside = inside_hz, outside = outside_hz;

  if (cubic_at(curve, inside).value < level_db || cubic_at(curve, outside).value >= level_db)
    return straight_hz;
  for (int i = 0; i < 40; i++) {
    double middle = sqrt(inside * outside);
    if (cubic_at(curve, middle).value >= level_db)
      inside = middle;
    else
      outside = middle;
  }
  return sqrt(inside * outside);
}

mt_code mt_curve_corner(const mt_curve *curve, double from_hz, double level_db, mt_corner_side side,
                        mt_figure *out, mt_error *err)
{
  mt_code code = refuse(curve, 2, err);
  double inside_hz = from_hz;
  mt_figure inside;
  char name[32];
  size_t last;

  if (code != MT_OK)
    return code;
  last = curve->npoints - 1;
  if (!(from_hz >= curve->x[0] && from_hz <= curve->x[last]))
    return mt_fail(err, MT_E_DATA, "the curve was read from %g to %g Hz, a corner is sought from %g Hz on",
                   curve->x[0], curve->x[last], from_hz);
  inside = value_at(curve, from_hz);
  name_frequency(from_hz, name);
  if (inside.value < level_db)
    return mt_fail(err, MT_E_DATA, "below %.2f dB at %s already", level_db, name);
  for (size_t i = cell_of(curve, from_hz) + (side == MT_CORNER_HIGH); i <= last;
       i = side == MT_CORNER_HIGH ? i + 1 : i - 1) { /* below 0 it wraps round and ends */
    mt_figure outside = {curve->y[i], curve->uncertainty[i]};
    if (outside.value < level_db) {
      double nepers = log(curve->x[i] / inside_hz), fall = outside.value - inside.value;
      double relative = fmax(inside.uncertainty, outside.uncertainty) * fabs(nepers / fall);
      out->value = refine(curve, inside_hz, curve->x[i], level_db,
                          inside_hz * exp(nepers * (level_db - inside.value) / fall));
      out->uncertainty = out->value * hypot(relative, BEND);
      return MT_OK;
    }
    inside = outside;
    inside_hz = curve->x[i];
  }
  name_frequency(side == MT_CORNER_LOW ? curve->x[0] : curve->x[last], name);
  return mt_fail(err, MT_E_DATA, "%s %s: not reached", side == MT_CORNER_LOW ? "below" : "above", name);
}

/* ---- flatness ------------------------------------------------------------------------------------- */

/* A point known exactly, next to which any noise is infinite. */
#define LEAST_SIGMA_DB 1e-15

/* Values between two frequencies, the ends interpolated: 20 kHz may lie where the curve bends most. */
typedef struct values {
  double *x, *y, *sigma;
  size_t n;
} values;

static void add_value(values *v, double x, double y, double u)
{
  v->x[v->n] = x;
  v->y[v->n] = y;
  v->sigma[v->n++] = fmax(0.5 * u, LEAST_SIGMA_DB);
}

mt_code mt_curve_flatness(const mt_curve *curve, double from_hz, double to_hz, mt_figure *out,
                          double *read_from_hz, double *read_to_hz, mt_error *err)
{
  mt_code code = refuse(curve, 2, err);
  double from, to, *scratch;
  values v = {0};

  if (code != MT_OK)
    return code;
  if (!(from_hz < to_hz))
    return mt_fail(err, MT_E_ARG, "flatness from %g to %g Hz; expected the lower frequency first", from_hz,
                   to_hz);
  from = fmax(from_hz, curve->x[0]);
  to = fmin(to_hz, curve->x[curve->npoints - 1]);
  if (!(from < to))
    return mt_fail(err, MT_E_DATA, "nothing was read between %g and %g Hz", from_hz, to_hz);
  scratch = malloc(3 * (curve->npoints + 2) * sizeof *scratch);
  if (scratch == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", curve->npoints);
  v = (values){.x = scratch, .y = scratch + curve->npoints + 2, .sigma = scratch + 2 * (curve->npoints + 2)};
  add_value(&v, from, end_at(curve, from).value, end_at(curve, from).uncertainty);
  for (size_t i = 0; i < curve->npoints; i++)
    if (curve->x[i] > from && curve->x[i] < to)
      add_value(&v, curve->x[i], curve->y[i], curve->uncertainty[i]);
  add_value(&v, to, end_at(curve, to).value, end_at(curve, to).uncertainty);
  code = mt_curve_span(&(mt_span_points){v.x, v.y, v.sigma, v.n}, out, err);
  free(scratch);
  if (code != MT_OK)
    return code;
  if (read_from_hz != NULL)
    *read_from_hz = from;
  if (read_to_hz != NULL)
    *read_to_hz = to;
  return MT_OK;
}

/* ---- slope ---------------------------------------------------------------------------------------- */

mt_code mt_curve_slope(const mt_curve *curve, double from_hz, double to_hz, mt_figure *out, mt_error *err)
{
  mt_code code = refuse(curve, 2, err);
  double mean = 0.0, products = 0.0, squares = 0.0, variance = 0.0;
  size_t count = 0;

  if (code != MT_OK)
    return code;
  if (!(from_hz < to_hz))
    return mt_fail(err, MT_E_ARG, "a slope from %g to %g Hz; expected the lower frequency first", from_hz,
                   to_hz);
  for (size_t i = 0; i < curve->npoints; i++)
    if (curve->x[i] >= from_hz && curve->x[i] <= to_hz) {
      mean += log2(curve->x[i]);
      count++;
    }
  if (count < 2)
    return mt_fail(err, MT_E_DATA, "%zu points between %g and %g Hz; a slope needs two", count, from_hz,
                   to_hz);
  mean /= (double)count;
  for (size_t i = 0; i < curve->npoints; i++)
    if (curve->x[i] >= from_hz && curve->x[i] <= to_hz) {
      double octaves = log2(curve->x[i]) - mean;
      products += octaves * curve->y[i];
      squares += octaves * octaves;
      for (size_t k = 0; k < curve->npoints; k++)
        if (curve->x[k] >= from_hz && curve->x[k] <= to_hz)
          variance += octaves * mt_curve_own_uncertainty(curve, i) * (log2(curve->x[k]) - mean) *
                      mt_curve_own_uncertainty(curve, k) * mt_curve_correlation(curve->x[i], curve->x[k]);
    }
  *out = (mt_figure){products / squares, sqrt(fmax(0.0, variance)) / squares};
  return MT_OK;
}
