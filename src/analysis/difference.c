/* What a switch does, read off two responses of one channel. */
#include <mendtone/difference.h>

#include "analysis/curve.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A point known no better says nothing of a switch. */
#define KNOWN_DB 1.0
/* A third of a decade of the usual grid, and an octave at the least. */
#define POINTS_LEAST 24
#define OCTAVES_LEAST 1.0
/* Of n normal errors the largest is below 3.2 standard ones in 95 of 100 cases for the 70 or so of a plateau that are
   independent of each other: 1.6 expanded ones (k = 2). */
#define LARGEST_OF_MANY 1.6
#define LEVELLED_OFF 0.1
#define THIRD_OCTAVE 1.2599210498948732

/* ---- one less the other ------------------------------------------------------------------------------- */

/* Without the part that the reference tone's own error adds to every other point. */
static double own_uncertainty(const mt_curve *c, double uncertainty)
{
  double shared = c->has_reference ? c->reference_uncertainty_db : 0.0;
  return uncertainty > shared ? sqrt(uncertainty * uncertainty - shared * shared) : uncertainty;
}

static mt_figure absolute_at(const mt_curve *c, size_t i, double part)
{
  double offset = c->has_reference ? c->reference_db : 0.0;
  mt_figure at = {c->y[i] + offset, own_uncertainty(c, c->uncertainty[i])};

  if (part > 0.0) {
    at.value += part * (c->y[i + 1] - c->y[i]);
    at.uncertainty = fmax(at.uncertainty, own_uncertainty(c, c->uncertainty[i + 1]));
  }
  return at;
}

mt_code mt_curve_subtract(const mt_curve *response, const mt_curve *reference, double *x, double *y,
                          double *uncertainty, size_t *n, mt_error *err)
{
  size_t count = 0, k = 0;

  if (response->has_reference != reference->has_reference)
    return mt_fail(err, MT_E_ARG, "the gain of one response is known and of the other not");
  if (!mt_curve_is_usable(response, 2) || !mt_curve_is_usable(reference, 2))
    return mt_fail(err, MT_E_DATA,
                   "a response has too few points, or some that are not ascending and finite");
  for (size_t i = 0; i < response->npoints; i++) {
    double f = response->x[i], part = 0.0;
    mt_figure mine, theirs;
    while (k + 1 < reference->npoints && reference->x[k + 1] <= f)
      k++;
    if (f < reference->x[k] || (k + 1 == reference->npoints && f > reference->x[k]))
      continue;
    if (f > reference->x[k])
      part = log(f / reference->x[k]) / log(reference->x[k + 1] / reference->x[k]);
    mine = absolute_at(response, i, 0.0);
    theirs = absolute_at(reference, k, part);
    x[count] = f;
    y[count] = mine.value - theirs.value;
    uncertainty[count++] = hypot(mine.uncertainty, theirs.uncertainty);
  }
  if (count == 0)
    return mt_fail(err, MT_E_DATA, "the two responses have no frequency in common");
  *n = count;
  return MT_OK;
}

/* ---- figures ------------------------------------------------------------------------------------------ */

static int ascending(const void *a, const void *b)
{
  double p = *(const double *)a, q = *(const double *)b;
  return (p > q) - (p < q);
}

/* Points of the band that are known at all; the curve's arrays are replaced by `points`. */
static mt_curve cut_to_band(const mt_curve *curve, double *points)
{
  mt_curve band = *curve;
  size_t n = 0;

  band.x = points;
  band.y = points + curve->npoints;
  band.uncertainty = points + 2 * curve->npoints;
  for (size_t i = 0; i < curve->npoints; i++)
    if (curve->x[i] >= MT_DIFFERENCE_FROM_HZ * (1.0 - 1e-9) &&
        curve->x[i] <= MT_DIFFERENCE_TO_HZ * (1.0 + 1e-9) && curve->uncertainty[i] <= KNOWN_DB) {
      band.x[n] = curve->x[i];
      band.y[n] = curve->y[i];
      band.uncertainty[n++] = curve->uncertainty[i];
    }
  band.npoints = n;
  return band;
}

static double median_of(double *values, size_t n)
{
  qsort(values, n, sizeof *values, ascending);
  return n % 2 == 1 ? values[n / 2] : 0.5 * (values[n / 2 - 1] + values[n / 2]);
}

/*
 * The shortest interval that holds half of the points. Of several as short (a straight tilt) the middle one, so that
 * what is read does not hang on the last digit.
 */
static mt_figure common_change(const mt_curve *band, double *scratch)
{
  size_t n = band->npoints, half = n / 2 + 1, best = 0;
  double shortest = HUGE_VAL, sum = 0.0, width, uncertainty;

  memcpy(scratch, band->y, n * sizeof *scratch);
  qsort(scratch, n, sizeof *scratch, ascending);
  for (size_t i = 0; i + half <= n; i++) {
    width = scratch[i + half - 1] - scratch[i];
    bool nearer_middle =
        fabs((double)(2 * i + half) - (double)n) < fabs((double)(2 * best + half) - (double)n);
    if (width < shortest * (1.0 - 1e-6) || (width <= shortest * (1.0 + 1e-6) && nearer_middle)) {
      shortest = fmin(shortest, width);
      best = i;
    }
  }
  for (size_t i = best; i < best + half; i++)
    sum += scratch[i];
  memcpy(scratch, band->uncertainty, n * sizeof *scratch);
  uncertainty = median_of(scratch, n);
  return (mt_figure){sum / (double)half, hypot(uncertainty, 0.5 * shortest)};
}

static size_t find_largest(const mt_curve *band, double gain_change)
{
  size_t largest = 0;

  for (size_t i = 1; i < band->npoints; i++)
    if (fabs(band->y[i] - gain_change) > fabs(band->y[largest] - gain_change))
      largest = i;
  return largest;
}

/* How far on either side the curve is not told apart from its largest departure. */
static double spread_hz(const mt_curve *band, size_t at, double gain_change, double uncertainty)
{
  double size = fabs(band->y[at] - gain_change), sign = band->y[at] > gain_change ? 1.0 : -1.0;
  size_t low = at, high = at;

  while (low > 0 && sign * (band->y[low - 1] - gain_change) >= size - uncertainty)
    low--;
  while (high + 1 < band->npoints && sign * (band->y[high + 1] - gain_change) >= size - uncertainty)
    high++;
  /* between two points of the grid nothing is known either */
  low -= low > 0 && low == at;
  high += high + 1 < band->npoints && high == at;
  return fmax(band->x[at] - band->x[low], band->x[high] - band->x[at]);
}

/* ---- the corner --------------------------------------------------------------------------------------- */

/* The first point on the way that is below half; npoints if there is none. */
static size_t below_half(const mt_curve *band, size_t from, int step, double gain_change, double boost)
{
  for (size_t i = from; i < band->npoints; i += (size_t)step) /* below 0 it wraps round and ends */
    if ((band->y[i] - gain_change) / boost < 0.5)
      return i;
  return band->npoints;
}

static double height_at(const mt_curve *band, double freq_hz)
{
  size_t i = 0;

  while (i + 2 < band->npoints && band->x[i + 1] <= freq_hz)
    i++;
  return band->y[i] +
         (band->y[i + 1] - band->y[i]) * log(freq_hz / band->x[i]) / log(band->x[i + 1] / band->x[i]);
}

/* At the end of the band that the boost reaches: does it still grow? */
static bool has_levelled_off(const mt_curve *band, bool at_low_end, double boost)
{
  size_t last = band->npoints - 1;
  double inside_hz = at_low_end ? band->x[0] * THIRD_OCTAVE : band->x[last] / THIRD_OCTAVE;
  double end = at_low_end ? band->y[0] : band->y[last];

  return fabs(end - height_at(band, inside_hz)) <= LEVELLED_OFF * fabs(boost);
}

static void find_corner(const mt_curve *band, size_t at, mt_difference *d)
{
  double g = d->gain_change.value, boost = d->boost.value, half = g + 0.5 * boost;
  size_t n = band->npoints, down = below_half(band, at, -1, g, boost), up = below_half(band, at, 1, g, boost);
  size_t outside, inside;

  if (down < n && up < n) {
    snprintf(d->why_no_corner, sizeof d->why_no_corner,
             "not a shelf: it falls to half on both sides, at about %.3g and %.3g Hz", band->x[down],
             band->x[up]);
    return;
  }
  if (down == n && up == n) {
    snprintf(d->why_no_corner, sizeof d->why_no_corner, "it does not fall to half anywhere in the band");
    return;
  }
  if (!has_levelled_off(band, down == n, boost)) {
    snprintf(d->why_no_corner, sizeof d->why_no_corner,
             "at %.3g Hz, where the band ends, the boost still grows: half of what is not known",
             down == n ? band->x[0] : band->x[n - 1]);
    return;
  }
  outside = down == n ? up : down;
  inside = down == n ? up - 1 : down + 1;
  {
    double nepers = log(band->x[outside] / band->x[inside]), fall = band->y[outside] - band->y[inside];
    double level = hypot(fmax(band->uncertainty[outside], band->uncertainty[inside]),
                         0.5 * hypot(d->boost.uncertainty, d->gain_change.uncertainty));
    d->corner.value = band->x[inside] * exp(nepers * (half - band->y[inside]) / fall);
    d->corner.uncertainty = d->corner.value * level * fabs(nepers / fall);
    d->has_corner = true;
  }
}

mt_code mt_curve_difference(const mt_curve *curve, mt_difference *out, mt_error *err)
{
  mt_difference d = {0};
  double *points, *scratch;
  mt_curve band;
  mt_code code;
  size_t at;

  if (curve == NULL)
    return mt_fail(err, MT_E_ARG, "no difference to read from");
  if (!mt_curve_is_usable(curve, 2))
    return mt_fail(err, MT_E_DATA,
                   "the difference has too few points, or some that are not ascending and finite");
  points = calloc(4 * curve->npoints, sizeof *points);
  if (points == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a difference of %zu points", curve->npoints);
  scratch = points + 3 * curve->npoints;
  band = cut_to_band(curve, points);
  if (band.npoints < POINTS_LEAST || log2(band.x[band.npoints - 1] / band.x[0]) < OCTAVES_LEAST) {
    free(points);
    return mt_fail(err, MT_E_DATA, "too little of both responses stands out of the noise to compare them");
  }
  d.from_hz = band.x[0];
  d.to_hz = band.x[band.npoints - 1];
  d.gain_change = common_change(&band, scratch);
  at = find_largest(&band, d.gain_change.value);
  d.boost.value = band.y[at] - d.gain_change.value;
  d.boost.uncertainty = hypot(LARGEST_OF_MANY * band.uncertainty[at], d.gain_change.uncertainty);
  d.stands_out = fabs(d.boost.value) > d.boost.uncertainty;
  if (d.stands_out) {
    d.boost_freq = (mt_figure){band.x[at], spread_hz(&band, at, d.gain_change.value, d.boost.uncertainty)};
    find_corner(&band, at, &d);
  } else {
    snprintf(d.why_no_corner, sizeof d.why_no_corner, "no part of the band changes more than the rest");
  }
  code = mt_curve_slope(&band, d.from_hz, d.to_hz, &d.tilt, err);
  free(points);
  if (code == MT_OK)
    *out = d;
  return code;
}
