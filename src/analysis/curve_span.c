/*
 * Highest less lowest value of a noisy curve.
 *
 * The highest of many noisy points is too high, and the lowest too low: by how much depends on how many true values
 * come near the extremes, from nothing at a peak that stands out to 5.6 standard deviations of 240 points that are all
 * alike. So the curve is first smoothed as far as it allows, each point by the parabola of least squares through as
 * many neighbours as agree with what fewer said (intersection of confidence intervals, Goldenshluger and Nemirovski
 * 1997). To that, noise like that of the points is added, again and again, and what that adds to the span is taken off
 * what was read (a parametric bootstrap, Efron 1979). What of the smoothed curve's own extremes is noise is not known:
 * once they are taken as they are, once not beyond what is reached for sure, and the difference counts as uncertainty.
 */
#include "analysis/curve.h"

#include "base/random.h"

#include <math.h>
#include <stdlib.h>

#define BOOTSTRAPS 100
/* Intervals that must have a point in common, in standard deviations, and what an extreme surely reaches. */
#define AGREE 2.2
#define SURE 2.0

/* Neighbours on either side, by scale. */
static const int reach[] = {0, 2, 4, 8, 16};
/* Points so far apart have no noise in common (test_curve.c). */
enum { SCALES = sizeof reach / sizeof *reach, WIDEST = 2 * 16 + 1, RELATED = 4 };

/* What a point's noise has to do with that of others. */
typedef struct kinship {
  double with[RELATED];     /* covariance with the next few, itself first */
  double followed, renewed; /* how much of it is the noise of the one before, and its own, all in sigma */
} kinship;

/* Weights of neighbours, and the standard deviation of what they make. */
typedef struct kernel {
  size_t first, count;
  double weight[WIDEST];
  double sigma;
} kernel;

/* First row of the inverse of [s0 s1 s2; s1 s2 s3; s2 s3 s4]. @return false: singular. */
static bool first_row(const double s[5], double row[3])
{
  double a = s[2] * s[4] - s[3] * s[3], b = s[2] * s[3] - s[1] * s[4], c = s[1] * s[3] - s[2] * s[2];
  double determinant = s[0] * a + s[1] * b + s[2] * c;

  if (!(fabs(determinant) > 1e-12 * s[0] * s[2] * s[4]))
    return false;
  row[0] = a / determinant;
  row[1] = b / determinant;
  row[2] = c / determinant;
  return true;
}

static void fill_kin(const mt_span_points *p, kinship *kin)
{
  for (size_t i = 0; i < p->n; i++) {
    for (size_t k = 0; k < RELATED && i + k < p->n; k++)
      kin[i].with[k] = p->sigma[i] * p->sigma[i + k] * mt_curve_correlation(p->x[i], p->x[i + k]);
    kin[i].followed = i > 0 ? mt_curve_correlation(p->x[i - 1], p->x[i]) : 0.0;
    kin[i].renewed = sqrt(1.0 - kin[i].followed * kin[i].followed);
  }
}

static double sigma_of(const kinship *kin, const kernel *k)
{
  double variance = 0.0;

  for (size_t i = 0; i < k->count; i++) {
    double sum = 0.5 * k->weight[i] * kin[k->first + i].with[0];
    for (size_t m = 1; m < RELATED && i + m < k->count; m++)
      sum += k->weight[i + m] * kin[k->first + i].with[m];
    variance += 2.0 * k->weight[i] * sum;
  }
  return sqrt(fmax(0.0, variance));
}

/* The parabola over log f at point `at`, each neighbour by one over its variance. */
static void fill_kernel(const mt_span_points *p, const kinship *kin, size_t at, size_t reaching, kernel *k)
{
  size_t last = at + reaching < p->n ? at + reaching : p->n - 1;
  double s[5] = {0.0}, row[3], t[WIDEST], span;

  k->first = at > reaching ? at - reaching : 0;
  k->count = last - k->first + 1;
  span = log(p->x[last] / p->x[k->first]);
  for (size_t i = 0; i < k->count && span > 0.0; i++) {
    double sigma = p->sigma[k->first + i] / p->sigma[at], power;
    t[i] = log(p->x[k->first + i] / p->x[at]) / span;
    k->weight[i] = power = 1.0 / (sigma * sigma);
    for (int m = 0; m < 5; m++, power *= t[i])
      s[m] += power;
  }
  if (k->count < 4 || !first_row(s, row)) {
    *k = (kernel){.first = at, .count = 1, .weight = {1.0}, .sigma = p->sigma[at]};
    return;
  }
  for (size_t i = 0; i < k->count; i++)
    k->weight[i] *= row[0] + row[1] * t[i] + row[2] * t[i] * t[i];
  k->sigma = sigma_of(kin, k);
}

static double smooth_at(const mt_span_points *p, const kinship *kin, size_t at, double *sigma)
{
  double low = -HUGE_VAL, high = HUGE_VAL, best = p->y[at];

  *sigma = p->sigma[at];
  for (int scale = 0; scale < SCALES; scale++) {
    double sum = 0.0;
    kernel k;
    fill_kernel(p, kin, at, (size_t)reach[scale], &k);
    if (k.sigma > *sigma)
      continue;
    for (size_t i = 0; i < k.count; i++)
      sum += k.weight[i] * p->y[k.first + i];
    low = fmax(low, sum - AGREE * k.sigma);
    high = fmin(high, sum + AGREE * k.sigma);
    if (low > high)
      break;
    best = sum;
    *sigma = k.sigma;
  }
  return best;
}

static double span_of(const double *y, size_t n)
{
  double high = -HUGE_VAL, low = HUGE_VAL;

  for (size_t i = 0; i < n; i++) {
    high = fmax(high, y[i]);
    low = fmin(low, y[i]);
  }
  return high - low;
}

/* The span of what was made of the curve, and what noise adds to it. */
typedef struct excess {
  double span, sum, squares;
} excess;

static void add_noise(const double *truth, const double *noise, size_t n, excess *e)
{
  double high = -HUGE_VAL, low = HUGE_VAL, more;

  for (size_t i = 0; i < n; i++) {
    double y = truth[i] + noise[i];
    high = y > high ? y : high;
    low = y < low ? y : low;
  }
  more = high - low - e->span;
  e->sum += more;
  e->squares += more * more;
}

/* On average, and how much that varies. */
static mt_figure mean_of(const excess *e)
{
  double mean = e->sum / BOOTSTRAPS;
  return (mt_figure){mean, sqrt(fmax(0.0, e->squares / BOOTSTRAPS - mean * mean))};
}

/* What a curve's own noise does to two guesses of what is true. */
static void add_all_noise(const mt_span_points *p, const kinship *kin, double *noise, const double *first,
                          const double *second, excess *of_first, excess *of_second)
{
  mt_random random;

  mt_random_init(&random, 1); /* the same curve is read the same */
  for (int k = 0; k < BOOTSTRAPS; k++) {
    double unit = 0.0;
    for (size_t i = 0; i < p->n; i++) {
      unit = kin[i].followed * unit + kin[i].renewed * mt_random_normal(&random);
      noise[i] = p->sigma[i] * unit;
    }
    add_noise(first, noise, p->n, of_first);
    add_noise(second, noise, p->n, of_second);
  }
}

/* Room: [3 n]. */
static mt_figure estimate(const mt_span_points *p, const kinship *kin, double *room)
{
  double *smooth = room, *sure = room + p->n;
  double high = -HUGE_VAL, low = HUGE_VAL;
  excess of_smooth = {0}, of_sure = {0};
  mt_figure most, least;

  for (size_t i = 0; i < p->n; i++) {
    double sigma;
    smooth[i] = smooth_at(p, kin, i, &sigma);
    high = fmax(high, smooth[i] - SURE * sigma);
    low = fmin(low, smooth[i] + SURE * sigma);
  }
  if (high < low)
    high = low = 0.5 * (high + low);
  for (size_t i = 0; i < p->n; i++)
    sure[i] = fmin(high, fmax(low, smooth[i]));
  of_smooth.span = span_of(smooth, p->n);
  of_sure.span = span_of(sure, p->n);
  add_all_noise(p, kin, room + 2 * p->n, smooth, sure, &of_smooth, &of_sure);
  least = mean_of(&of_smooth);
  most = mean_of(&of_sure);
  return (mt_figure){fmax(0.0, span_of(p->y, p->n) - 0.5 * (most.value + least.value)),
                     hypot(2.0 * fmax(most.uncertainty, least.uncertainty), most.value - least.value)};
}

mt_code mt_curve_span(const mt_span_points *points, mt_figure *out, mt_error *err)
{
  double *room = malloc((points->n + 1) * (sizeof(kinship) + 3 * sizeof *room));
  kinship *kin = (kinship *)(room + 3 * points->n);

  if (room == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", points->n);
  fill_kin(points, kin);
  *out = estimate(points, kin, room);
  free(room);
  return MT_OK;
}
