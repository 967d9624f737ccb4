#include "analysis/grain.h"

#include "base/decibel.h"
#include "base/order.h"

#include <math.h>
#include <stdlib.h>

/* ---- the band in which it is looked for ---------------------------------------------------------- */

enum { TAPS = 5 };
static const double taps[TAPS] = {1.0 / 16.0, -4.0 / 16.0, 6.0 / 16.0, -4.0 / 16.0, 1.0 / 16.0};
/* ... squared, of sum 1: what a power that changes from sample to sample is there */
static const double shares[TAPS] = {1.0 / 70.0, 16.0 / 70.0, 36.0 / 70.0, 16.0 / 70.0, 1.0 / 70.0};

/* From sample i on; the moment is that of sample i + 4 s. */
static double through(const double *x, size_t i, size_t s, const double weights[TAPS])
{
  double sum = 0.0;

  for (size_t k = 0; k < TAPS; k++)
    sum += weights[k] * x[i + 2 * s * k];
  return sum;
}

double mt_grain_power(const double *x, size_t n, size_t s)
{
  double sum = 0.0;

  for (size_t i = 0; i + 8 * s < n; i++) {
    double e = through(x, i, s, taps);
    sum += e * e;
  }
  return sum / (double)(n - 8 * s);
}

/* ---- noise over level ------------------------------------------------------------------------------ */

/* At the very top the wave stands still, and a quantiser with it. The crest is where 2 % of a sine's samples are above,
   whatever noise is on it. */
#define CREST_SHARE 0.98
#define UPPER 0.92
#define BINS_AN_OCTAVE 6
#define BINS 21 /* 3.5 octaves; below, too little of a sine lies */
#define BIN_LEAST 40
/* The logarithm of squares of Gaussian noise lies 1.27 below that of their mean. Twice the floor's power and more */
#define CLEAR_LOG (-1.27 + 1.4)
#define OCTAVES_MIN 1.9
#define PLACES 16
/* mu-law's steps double with level + 33 of 8159 units (ITU-T G.711), A-law's with level: of the peak, down to -25 dB */
static const double offsets[] = {0.0, 0.01, 0.02, 0.04, 0.08, 0.16};

/* The moments at which noise and level are compared. */
typedef struct moments {
  size_t n;
  size_t s;
  double *level;   /* of all samples, of the crest */
  double *octaves; /* of all samples: logarithm of that, moved by what is tried */
  double *steps;   /* of all samples: what is tried */
  size_t count;
  size_t *at;      /* of so many moments, the sample it begins with */
  double *squares; /* logarithm of the noise's square there */
  double *smooth;  /* of the level's square, blurred as that is; then what is left by the smooth law */
} moments;

static void finish(moments *m)
{
  free(m->level);
  free(m->octaves);
  free(m->steps);
  free(m->at);
  free(m->squares);
  free(m->smooth);
}

static double find_crest(const double *level, size_t n, double *sorted)
{
  for (size_t i = 0; i < n; i++)
    sorted[i] = fabs(level[i]);
  return mt_order_select(sorted, n, (size_t)(CREST_SHARE * (double)n));
}

/* Each s-th moment: the band lets no more through that is new. */
static mt_code begin(moments *m, const double *x, const double *level, size_t n, size_t s, mt_error *err)
{
  size_t most = n / s + 1;
  double crest;

  *m = (moments){.n = n, .s = s};
  m->level = malloc(n * sizeof *m->level);
  m->octaves = malloc(n * sizeof *m->octaves);
  m->steps = malloc(n * sizeof *m->steps);
  m->at = malloc(most * sizeof *m->at);
  m->squares = malloc(most * sizeof *m->squares);
  m->smooth = malloc(most * sizeof *m->smooth);
  if (m->level == NULL || m->octaves == NULL || m->steps == NULL || m->at == NULL || m->squares == NULL ||
      m->smooth == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  crest = find_crest(level, n, m->steps);
  for (size_t i = 0; i < n; i++)
    m->level[i] = fabs(level[i]) / fmax(crest, 1e-12);
  for (size_t i = 0; i + 8 * s < n; i += s) {
    double e = through(x, i, s, taps);
    m->at[m->count] = i;
    m->squares[m->count++] = log(e * e + 1e-30);
  }
  return MT_OK;
}

/* @return octaves below the crest in which the noise stands clear of the floor, bin by bin from the top. */
static double find_reach(const moments *m, double ground)
{
  double sum[BINS + 1] = {0.0};
  size_t count[BINS + 1] = {0}, bin = 1;

  for (size_t i = 0; i < m->count; i++) {
    double down = -BINS_AN_OCTAVE * log2(m->level[m->at[i] + 4 * m->s] + 1e-12);
    if (down >= 0.0 && down < BINS) {
      sum[(size_t)down + 1] += m->squares[i];
      count[(size_t)down + 1]++;
    }
  }
  while (bin <= BINS && count[bin] >= BIN_LEAST &&
         sum[bin] / (double)count[bin] >= log(fmax(ground, 1e-30)) + CLEAR_LOG)
    bin++;
  return (double)(bin - 1) / BINS_AN_OCTAVE;
}

/* Keep what lies between, and blur the level there. */
static void select_moments(moments *m, double octaves)
{
  double least = exp2(-octaves);
  size_t kept = 0;

  for (size_t i = 0; i < m->n; i++)
    m->steps[i] = m->level[i] * m->level[i];
  for (size_t i = 0; i < m->count; i++) {
    double level = m->level[m->at[i] + 4 * m->s];
    if (level <= least || level >= UPPER)
      continue;
    m->at[kept] = m->at[i];
    m->squares[kept] = m->squares[i];
    m->smooth[kept] = log(through(m->steps, m->at[i], m->s, shares) + 1e-30);
    kept++;
  }
  m->count = kept;
}

/* A cubic of the logarithm of level, by least squares: the normal equations of x between -1 and 1. */
#define SMOOTH_TERMS 4

static bool solve(double a[SMOOTH_TERMS][SMOOTH_TERMS + 1])
{
  for (int i = 0; i < SMOOTH_TERMS; i++) {
    if (!(a[i][i] > 1e-9))
      return false;
    for (int r = 0; r < SMOOTH_TERMS; r++) {
      double by = r == i ? 0.0 : a[r][i] / a[i][i];
      for (int c = i; c <= SMOOTH_TERMS; c++)
        a[r][c] -= by * a[i][c];
    }
  }
  return true;
}

/* @return mean square about it, or HUGE_VAL. */
static double scatter_about_smooth(const moments *m, double octaves)
{
  double a[SMOOTH_TERMS][SMOOTH_TERMS + 1] = {{0.0}}, sum = 0.0;
  double middle = -octaves * log(2.0), reach = -middle;

  for (size_t i = 0; i < m->count; i++) {
    double x = (m->smooth[i] - middle) / reach,
           row[SMOOTH_TERMS + 1] = {1.0, x, x * x, x * x * x, m->squares[i]};
    for (int r = 0; r < SMOOTH_TERMS; r++)
      for (int c = 0; c <= SMOOTH_TERMS; c++)
        a[r][c] += row[r] * row[c] / (double)m->count;
  }
  if (!solve(a))
    return HUGE_VAL;
  for (size_t i = 0; i < m->count; i++) {
    double x = (m->smooth[i] - middle) / reach, left = m->squares[i];
    for (int r = SMOOTH_TERMS - 1; r >= 0; r--)
      left -= a[r][SMOOTH_TERMS] / a[r][r] * (r == 0 ? 1.0 : r == 1 ? x : r == 2 ? x * x : x * x * x);
    sum += left * left;
  }
  return sum / (double)m->count;
}

/* The same about steps that double at `place` of an octave and so on, on a line of any slope. */
static double scatter_about_steps(const moments *m, double place, double *slope)
{
  double n = (double)m->count, sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0, syy = 0.0;

  for (size_t i = 0; i < m->n; i++)
    m->steps[i] = ldexp(1.0, 2 * (int)floor(m->octaves[i] + place));
  for (size_t i = 0; i < m->count; i++) {
    double x = log(through(m->steps, m->at[i], m->s, shares)), y = m->squares[i];
    sx += x;
    sy += y;
    sxx += x * x;
    sxy += x * y;
    syy += y * y;
  }
  sxx -= sx * sx / n;
  sxy -= sx * sy / n;
  syy -= sy * sy / n;
  *slope = sxx > 0.0 ? sxy / sxx : 0.0;
  return (syy - *slope * sxy) / n;
}

static void compare(const moments *m, mt_grain_law *out)
{
  double least = HUGE_VAL;

  out->scatter = scatter_about_smooth(m, out->octaves);
  if (!isfinite(out->scatter))
    return;
  for (size_t o = 0; o < sizeof offsets / sizeof offsets[0]; o++) {
    for (size_t i = 0; i < m->n; i++)
      m->octaves[i] = log2(m->level[i] + offsets[o] + 1e-9);
    for (int p = 0; p < PLACES; p++) {
      double slope, scatter = scatter_about_steps(m, (double)p / PLACES, &slope);
      if (scatter < least) {
        least = scatter;
        out->slope = slope;
      }
    }
  }
  out->gain = (out->scatter - least) / out->scatter;
}

mt_code mt_grain_measure_law(const double *x, const double *level, size_t n, size_t s, double ground,
                             mt_grain_law *out, mt_error *err)
{
  moments m;
  mt_code code = begin(&m, x, level, n, s, err);

  *out = (mt_grain_law){.octaves = 0.0};
  if (code == MT_OK) {
    double octaves = find_reach(&m, ground);
    if (octaves >= OCTAVES_MIN) {
      select_moments(&m, octaves);
      out->octaves = octaves;
      compare(&m, out);
    }
  }
  finish(&m);
  return code;
}

/*
 * Noise in proportion to the level (slope 1 about any steps) scatters more about steps than about its own smooth law,
 * by 0.2 to 1.3 % of it, the more the sharper the band; companding less, by up to 2 %. That is no Gaussian noise where
 * the wave crosses few steps in the band's time; a coarse uniform quantiser scatters more, on a line of another slope.
 */
#define GAIN_MIN 0.001
#define SLOPE_MIN 0.75
#define SLOPE_MAX 1.3
#define SCATTER_MAX 15.0

bool mt_grain_is_stepped(const mt_grain_law *law)
{
  return law->octaves >= OCTAVES_MIN && law->gain >= GAIN_MIN && law->slope >= SLOPE_MIN &&
         law->slope <= SLOPE_MAX && law->scatter <= SCATTER_MAX;
}

/* ---- noise over the period of a tone --------------------------------------------------------------- */

#define FOLDS 480 /* of the period: what repeats in it, harmonics and all, is taken out */
#define PARTS 24

static size_t part_of(double phase_rad, size_t parts)
{
  double turn = phase_rad / (2.0 * MT_PI);
  size_t part = (size_t)((turn - floor(turn)) * (double)parts);
  return part < parts ? part : parts - 1;
}

/* What repeats: the mean at each phase. */
static void fold(const double *e, size_t count, double step_rad, double phase_rad, double mean[FOLDS])
{
  double seen[FOLDS] = {0.0};

  for (size_t k = 0; k < FOLDS; k++)
    mean[k] = 0.0;
  for (size_t i = 0; i < count; i++) {
    size_t part = part_of(phase_rad + (double)i * step_rad, FOLDS);
    mean[part] += e[i];
    seen[part] += 1.0;
  }
  for (size_t k = 0; k < FOLDS; k++)
    mean[k] /= fmax(1.0, seen[k]);
}

static void find_extremes(const double power[PARTS], const double seen[PARTS], double ground,
                          mt_grain_pulse *out)
{
  double least = HUGE_VAL, most = 0.0;

  for (int k = 0; k < PARTS; k++) {
    double mean = power[k] / fmax(1.0, seen[k]);
    least = fmin(least, mean);
    most = fmax(most, mean);
  }
  out->rise_db = mt_db_of_power((least + 1e-30) / (ground + 1e-30));
  out->depth_db = mt_db_of_power((most + 1e-30) / (least + 1e-30));
}

mt_code mt_grain_measure_pulse(const double *residual, size_t n, size_t s, double step_rad, double phase_rad,
                               double ground, mt_grain_pulse *out, mt_error *err)
{
  size_t count = n - 8 * s;
  double *e = malloc(count * sizeof *e), mean[FOLDS], power[PARTS] = {0.0}, seen[PARTS] = {0.0};
  double total = 0.0, re = 0.0, im = 0.0, lag;

  if (e == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  phase_rad += (double)(4 * s) * step_rad;
  for (size_t i = 0; i < count; i++)
    e[i] = through(residual, i, s, taps);
  fold(e, count, step_rad, phase_rad, mean);
  for (size_t i = 0; i < count; i++) {
    double phase = phase_rad + (double)i * step_rad, left = e[i] - mean[part_of(phase, FOLDS)];
    power[part_of(phase, PARTS)] += left * left;
    seen[part_of(phase, PARTS)] += 1.0;
    total += left * left;
    re += left * left * cos(2.0 * phase);
    im += left * left * sin(2.0 * phase);
  }
  free(e);
  find_extremes(power, seen, ground, out);
  out->strength = hypot(re, im) / (total + 1e-300);
  lag = atan2(im, re) * 180.0 / MT_PI;
  out->lag_deg = lag < 0.0 ? lag + 360.0 : lag;
  return MT_OK;
}

/*
 * Adaptive differences: strength 0.26 to 0.37, late by 8 to 37 degrees of the doubled phase behind the slope. A
 * clock's noise follows the slope itself: 180, strength 0.44 and more. What follows an envelope lags the wave by at
 * most 90; a dead zone or a coarse step cuts along the wave, 0 or 180.
 */
#define RISE_MIN_DB 6.0
#define DEPTH_MIN_DB 3.0
#define DEPTH_MAX_DB 10.0
#define STRENGTH_MIN 0.15
#define STRENGTH_MAX 0.42
#define LAG_MIN_DEG 185.0
#define LAG_MAX_DEG 235.0

bool mt_grain_is_adaptive(const mt_grain_pulse *pulse)
{
  return pulse->rise_db >= RISE_MIN_DB && pulse->depth_db >= DEPTH_MIN_DB &&
         pulse->depth_db <= DEPTH_MAX_DB && pulse->strength >= STRENGTH_MIN &&
         pulse->strength <= STRENGTH_MAX && pulse->lag_deg >= LAG_MIN_DEG && pulse->lag_deg <= LAG_MAX_DEG;
}
