/* Corners, flatness and slope, read off a curve over log f. */
#include "analysis/curve.h"

#include <math.h>
#include <stdio.h>

/* A first-order corner on a grid of h = ln(10)/80 in ln f, straight between points: off by h^2/8 at most. */
#define BEND 1.04e-4

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
      out->value = inside_hz * exp(nepers * (level_db - inside.value) / fall);
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

mt_code mt_curve_flatness(const mt_curve *curve, double from_hz, double to_hz, mt_figure *out,
                          double *read_from_hz, double *read_to_hz, mt_error *err)
{
  mt_code code = refuse(curve, 2, err);
  mt_figure high, low;
  double from, to;

  if (code != MT_OK)
    return code;
  if (!(from_hz < to_hz))
    return mt_fail(err, MT_E_ARG, "flatness from %g to %g Hz; expected the lower frequency first", from_hz,
                   to_hz);
  from = fmax(from_hz, curve->x[0]);
  to = fmin(to_hz, curve->x[curve->npoints - 1]);
  if (!(from < to))
    return mt_fail(err, MT_E_DATA, "nothing was read between %g and %g Hz", from_hz, to_hz);
  high = low = value_at(curve, from);
  for (size_t i = 0; i <= curve->npoints; i++) {
    mt_figure here;
    if (i < curve->npoints && (curve->x[i] <= from || curve->x[i] >= to))
      continue;
    here = i < curve->npoints ? (mt_figure){curve->y[i], curve->uncertainty[i]} : value_at(curve, to);
    if (here.value > high.value)
      high = here;
    if (here.value < low.value)
      low = here;
  }
  *out = (mt_figure){high.value - low.value, hypot(high.uncertainty, low.uncertainty)};
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
  double mean = 0.0, products = 0.0, squares = 0.0, worst = 0.0;
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
      worst += fabs(octaves) * curve->uncertainty[i];
    }
  *out = (mt_figure){products / squares, worst / squares};
  return MT_OK;
}
