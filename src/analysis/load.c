/* What known resistors tell of the output that drives them. */
#include <mendtone/load.h>

#include "analysis/curve.h"
#include "base/decibel.h"

#include <math.h>
#include <string.h>

/* A limit +-a of which nothing says where the truth lies: U = 2 a / sqrt(3) (JCGM 100:2008 4.3.7). */
#define EXPANDED_OF_LIMIT 1.1547005383792517
#define INPUT_TOLERANCE 0.1
/* Twice the standard uncertainty; a level beyond 1.5 expanded ones is off by more than chance. */
#define BEYOND_CHANCE 1.5

/* ---- source impedance --------------------------------------------------------------------------------- */

/* All that the impedance is reckoned from. */
typedef struct problem {
  size_t n;
  double level_db[MT_LOAD_POINTS_MAX];
  double conductance[MT_LOAD_POINTS_MAX]; /* of the resistors alone */
  double weight[MT_LOAD_POINTS_MAX];
  double input; /* conductance of the sound card */
} problem;

/* The line 1/V = a + b G by weighted least squares. */
typedef struct line {
  double a, b;
} line;

static line fit_line(const problem *p)
{
  double sum = 0.0, mean_g = 0.0, mean_y = 0.0, gg = 0.0, gy = 0.0;
  line l;

  for (size_t i = 0; i < p->n; i++) {
    sum += p->weight[i];
    mean_g += p->weight[i] * (p->conductance[i] + p->input);
    mean_y += p->weight[i] * mt_ratio_of_db(-p->level_db[i]);
  }
  mean_g /= sum;
  mean_y /= sum;
  for (size_t i = 0; i < p->n; i++) {
    double g = p->conductance[i] + p->input - mean_g;
    gg += p->weight[i] * g * g;
    gy += p->weight[i] * g * (mt_ratio_of_db(-p->level_db[i]) - mean_y);
  }
  l.b = gy / gg;
  l.a = mean_y - l.b * mean_g;
  return l;
}

static double impedance_of(const problem *p)
{
  line l = fit_line(p);
  return l.b / l.a;
}

/* Half of what it moves when one of its values is moved by U either way. */
static double sway(problem *p, double *value, double uncertainty)
{
  double kept = *value, high, low;

  *value = kept + uncertainty;
  high = impedance_of(p);
  *value = kept - uncertainty;
  low = impedance_of(p);
  *value = kept;
  return 0.5 * fabs(high - low);
}

/* Expanded uncertainty of 1/V as a point of the line: of its level, and of its place through the slope. */
static double scatter_of(const problem *p, const mt_load_point *point, size_t i, double slope)
{
  double y = mt_ratio_of_db(-p->level_db[i]);
  double level = y * (mt_ratio_of_db(point->uncertainty_db) - 1.0);
  double place = slope * p->conductance[i] * EXPANDED_OF_LIMIT * 0.01 * point->tolerance_percent;

  return hypot(level, place);
}

/* Twice is enough: the weights need the slope roughly, and two points no weights at all. */
static void weigh(problem *p, const mt_load_point *points)
{
  double slope = 0.0;

  for (int round = 0; round < 2; round++) {
    for (size_t i = 0; i < p->n; i++) {
      double scatter = scatter_of(p, &points[i], i, slope);
      p->weight[i] = 1.0 / (scatter * scatter + 1e-24);
    }
    slope = fit_line(p).b;
  }
}

static double misfit_of(const problem *p)
{
  line l = fit_line(p);
  double chi = 0.0;

  if (p->n <= 2)
    return 0.0;
  for (size_t i = 0; i < p->n; i++) {
    double off = mt_ratio_of_db(-p->level_db[i]) - l.a - l.b * (p->conductance[i] + p->input);
    chi += 4.0 * p->weight[i] * off * off; /* the weights are of expanded uncertainties */
  }
  return sqrt(chi / (double)(p->n - 2));
}

static mt_code take_points(const mt_load_point *points, size_t n, problem *p, mt_error *err)
{
  double least = HUGE_VAL, most = 0.0, loudest = -HUGE_VAL;

  if (n > MT_LOAD_POINTS_MAX)
    return mt_fail(err, MT_E_ARG, "%zu loads; expected at most %d", n, MT_LOAD_POINTS_MAX);
  for (size_t i = 0; i < n; i++) {
    const mt_load_point *point = &points[i];
    if (!(point->ohm > 0.0) || !(point->tolerance_percent >= 0.0 && point->tolerance_percent <= 50.0) ||
        !isfinite(point->level_db) || !(point->uncertainty_db >= 0.0 && isfinite(point->uncertainty_db)))
      return mt_fail(err, MT_E_ARG, "a load of %g ohm +-%g %% with a level of %g +-%g dB; expected above 0",
                     point->ohm, point->tolerance_percent, point->level_db, point->uncertainty_db);
    p->conductance[i] = isinf(point->ohm) ? 0.0 : 1.0 / point->ohm;
    least = fmin(least, p->conductance[i]);
    most = fmax(most, p->conductance[i]);
    loudest = fmax(loudest, point->level_db);
  }
  if (n < 2 || most <= least * (1.0 + 1e-9))
    return mt_fail(err, MT_E_DATA, "the loads are all alike; an impedance needs two that differ");
  for (size_t i = 0; i < n; i++)
    p->level_db[i] = points[i].level_db - loudest;
  p->n = n;
  return MT_OK;
}

/* An input that is not known lies between the least there is and none: the middle, and the rest as a limit. */
static double take_input(problem *p, double input_ohm)
{
  if (isinf(input_ohm)) {
    p->input = 0.0;
    return 0.0;
  }
  p->input = input_ohm > 0.0 ? 1.0 / input_ohm : 0.5 / MT_LOAD_INPUT_LEAST_OHM;
  return EXPANDED_OF_LIMIT * (input_ohm > 0.0 ? INPUT_TOLERANCE * p->input : p->input);
}

mt_code mt_load_find_source(const mt_load_point *points, size_t n, double input_ohm, mt_load_source *out,
                            mt_error *err)
{
  problem p = {0};
  mt_load_source found = {0};
  double square = 0.0, input_uncertainty;
  mt_code code = take_points(points, n, &p, err);

  if (code == MT_OK && !(input_ohm >= 0.0))
    code = mt_fail(err, MT_E_ARG, "an input of %g ohm; expected 0 or more", input_ohm);
  if (code != MT_OK)
    return code;
  input_uncertainty = take_input(&p, input_ohm);
  weigh(&p, points);
  if (!(fit_line(&p).a > 0.0))
    return mt_fail(err, MT_E_DATA, "the level falls with the load by more than any resistance makes");
  found.ohm.value = impedance_of(&p);
  for (size_t i = 0; i < n; i++) {
    double place = EXPANDED_OF_LIMIT * 0.01 * points[i].tolerance_percent * p.conductance[i];
    double level = sway(&p, &p.level_db[i], points[i].uncertainty_db),
           moved = sway(&p, &p.conductance[i], place);
    square += level * level + moved * moved;
    found.sway_ohm = fmax(found.sway_ohm, sway(&p, &p.level_db[i], 0.01));
  }
  found.ohm.uncertainty = hypot(sqrt(square), sway(&p, &p.input, input_uncertainty));
  found.misfit = misfit_of(&p);
  if (!isfinite(found.ohm.value) || !isfinite(found.ohm.uncertainty))
    return mt_fail(err, MT_E_DATA, "the levels with and without the load tell no impedance");
  if (found.ohm.value < -BEYOND_CHANCE * found.ohm.uncertainty)
    return mt_fail(err, MT_E_DATA,
                   "louder with the heavier load: another control was moved between the takes");
  *out = found;
  return MT_OK;
}

/* ---- output capacitor --------------------------------------------------------------------------------- */

#define BELOW_TONE 3.0
#define POINTS_LEAST 6
#define ROUNDS 60
/* The shape is worth a doubt where the points miss it by so many of their uncertainties, root mean square; a real
   capacitor changes with frequency by a part of its value. */
#define MISFIT 1.5
#define REAL_CAPACITOR 0.1

/* The drop re the tone for x = fc^2, in dB, and its slope over x. */
static double drop_of(double x, double freq_hz, double tone_hz, double k, double *slope)
{
  double f = 1.0 / (freq_hz * freq_hz), t = 1.0 / (tone_hz * tone_hz), kk = k * k;

  *slope =
      10.0 / log(10.0) *
      (f / (1.0 + x * f) - t / (1.0 + x * t) - kk * f / (1.0 + kk * x * f) + kk * t / (1.0 + kk * x * t));
  return mt_db_of_power((1.0 + x * f) * (1.0 + kk * x * t) / ((1.0 + x * t) * (1.0 + kk * x * f)));
}

/* The stretch that is fitted. */
typedef struct stretch {
  const mt_curve *curve;
  size_t n;        /* points from the first on */
  double level_db; /* at the tone */
  double level_uncertainty_db;
  double tone_hz, k;
} stretch;

static double sigma_at(const stretch *s, size_t i)
{
  return fmax(s->curve->uncertainty[i], MT_LOAD_REPEAT_DB);
}

/* By Gauss and Newton, held at or above 0. */
static double fit_square(const stretch *s, double *uncertainty)
{
  double x = 400.0, top, bottom = 0.0, alike = 0.0;

  for (int round = 0; round < ROUNDS; round++) {
    top = bottom = alike = 0.0;
    for (size_t i = 0; i < s->n; i++) {
      double slope, sigma = sigma_at(s, i);
      double off = s->level_db - s->curve->y[i] - drop_of(x, s->curve->x[i], s->tone_hz, s->k, &slope);
      top += slope * off / (sigma * sigma);
      bottom += slope * slope / (sigma * sigma);
      alike += fabs(slope) / (sigma * sigma) * hypot(s->curve->uncertainty[i], s->level_uncertainty_db);
    }
    if (!(bottom > 0.0))
      break;
    /* of a steep drop the full step would overshoot: never beyond four times */
    x = fmax(fmin(x + top / bottom, 4.0 * x + 1.0), 0.25 * x - 1.0);
    if (x < 0.0)
      x = 0.0;
  }
  *uncertainty = bottom > 0.0 ? alike / bottom : HUGE_VAL;
  return x;
}

/* Root mean square of what the points miss the shape by, in their uncertainties; a part of the drop is allowed. */
static double misses(const stretch *s, double x, double part)
{
  double square = 0.0;

  for (size_t i = 0; i < s->n; i++) {
    double slope, drop = drop_of(x, s->curve->x[i], s->tone_hz, s->k, &slope);
    double sigma = hypot(hypot(sigma_at(s, i), s->level_uncertainty_db), part * drop);
    double off = s->level_db - s->curve->y[i] - drop;
    square += off * off / (sigma * sigma);
  }
  return sqrt(square / (double)s->n);
}

/* The difference at the point nearest to the tone, within a sixth of an octave. */
static bool find_level(stretch *s, double tone_hz)
{
  double nearest = log(2.0) / 6.0;
  bool found = false;

  for (size_t i = 0; i < s->curve->npoints; i++)
    if (fabs(log(s->curve->x[i] / tone_hz)) < nearest) {
      nearest = fabs(log(s->curve->x[i] / tone_hz));
      s->tone_hz = s->curve->x[i];
      s->level_db = s->curve->y[i];
      s->level_uncertainty_db = s->curve->uncertainty[i];
      found = true;
    }
  return found;
}

mt_code mt_load_find_corner(const mt_curve *difference, double tone_hz, double k, mt_load_corner *out,
                            mt_error *err)
{
  stretch s = {.curve = difference, .k = k};
  mt_load_corner found = {0};
  double square, uncertainty;

  if (!(tone_hz > 0.0 && isfinite(tone_hz)) || !(k >= 0.0 && k <= 0.9))
    return mt_fail(err, MT_E_ARG,
                   "a tone of %g Hz and a ratio of loads of %g; expected above 0, and 0 to 0.9", tone_hz, k);
  if (!mt_curve_is_usable(difference, 2))
    return mt_fail(err, MT_E_DATA,
                   "the difference has too few points, or some that are not ascending and finite");
  while (s.n < difference->npoints && difference->x[s.n] <= tone_hz / BELOW_TONE)
    s.n++;
  if (s.n < POINTS_LEAST || !find_level(&s, tone_hz))
    return mt_fail(err, MT_E_DATA, "the response was not read from the low end up to the tone");
  square = fit_square(&s, &uncertainty);
  if (!isfinite(uncertainty))
    return mt_fail(err, MT_E_DATA, "the difference tells nothing of a corner");
  uncertainty *= fmax(1.0, misses(&s, square, 0.0));
  found.is_seen = square > BEYOND_CHANCE * uncertainty;
  found.fits = misses(&s, square, REAL_CAPACITOR) <= MISFIT;
  found.hz.value = sqrt(square);
  /* the longer way of the two, which is down */
  found.hz.uncertainty =
      found.is_seen ? sqrt(square) - sqrt(square - uncertainty) : sqrt(square + uncertainty) - sqrt(square);
  *out = found;
  return MT_OK;
}
