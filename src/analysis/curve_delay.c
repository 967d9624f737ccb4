/* Group delay from an unwrapped phase. */
#include "analysis/curve.h"

#include "base/decibel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POINTS 5
/* Points apart of which the bend is read, near and far. */
#define NEAR 5
#define FAR 10

/* As response.c gates the sweep. T2 is the time by which order 2 comes early: 0.39 s at 96 kHz, 0.43 s at 48 kHz. */
#define T2_S 0.42
#define GATE_FULL_TO_HZ 100.0
#define GATE_SHORTEST 0.12
/* In T2, of a gate at its longest. What noise two points share is the transform of the gate's square: as long as the
   gate's flat part and one edge, less 2 / sqrt(pi) of the edge's standard deviation; about its middle, for the gate
   begins with the response. */
#define GATE_SQUARE 1.34
#define GATE_BEFORE 0.02
#define GATE_MIDDLE 0.35
#define GATE_EDGE 0.12

double mt_curve_correlation(double freq_hz, double other_hz)
{
  double share = fmin(1.0, fmax(GATE_SHORTEST, GATE_FULL_TO_HZ / fmax(freq_hz, other_hz)));
  double apart = 2.0 * MT_PI * T2_S * fabs(freq_hz - other_hz);
  double half = 0.5 * apart * (GATE_BEFORE + share * GATE_SQUARE), edge = apart * share * GATE_EDGE;

  if (half < 1e-6)
    return 1.0;
  return sin(half) / half * cos(apart * (share * GATE_MIDDLE - 0.5 * GATE_BEFORE)) * exp(-0.5 * edge * edge);
}

/*
 * Weights w of the slope at x[at] of the parabola through POINTS points by least squares. With t = x - x[at],
 * the parabola c0 + c1 t + c2 t^2 has its slope c1 there; the normal equations are solved for its row.
 */
static void slope_weights(const double *x, size_t at, double *w)
{
  double s[5] = {0.0}, a, b, c, determinant, scale = x[POINTS - 1] - x[0];

  for (int i = 0; i < POINTS; i++) {
    double t = (x[i] - x[at]) / scale, power = 1.0;
    for (int k = 0; k < 5; k++, power *= t)
      s[k] += power;
  }
  /* second row of the inverse of [s0 s1 s2; s1 s2 s3; s2 s3 s4], by cofactors */
  determinant = s[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (s[1] * s[4] - s[2] * s[3]) +
                s[2] * (s[1] * s[3] - s[2] * s[2]);
  a = (s[2] * s[3] - s[1] * s[4]) / determinant;
  b = (s[0] * s[4] - s[2] * s[2]) / determinant;
  c = (s[1] * s[2] - s[0] * s[3]) / determinant;
  for (int i = 0; i < POINTS; i++) {
    double t = (x[i] - x[at]) / scale;
    w[i] = (a + b * t + c * t * t) / scale;
  }
}

/* Second derivative of a delay, from points so many apart. */
static double bend_at(const double *x, const double *delay_s, size_t at, size_t apart)
{
  double below = x[at] - x[at - apart], above = x[at + apart] - x[at];
  double falls = (delay_s[at] - delay_s[at - apart]) / below,
         rises = (delay_s[at + apart] - delay_s[at]) / above;
  return 2.0 * (rises - falls) / (below + above);
}

/*
 * The parabola's slope takes a share of the delay's second derivative with it, `taken` by the weights. That is taken
 * off. From points NEAR apart the derivative is too great by NEAR^2 / 12 of the fourth, from those FAR apart by
 * FAR^2 / 12, so their difference tells by how much; what of it is left unknown counts as that much. Noise of points so
 * far apart counts little, unless it is much more there. At the ends it is taken from the nearest place that has all
 * the points, and is another one, by as much as all of it near half the rate.
 *
 * @param read, known  the delays and their uncertainties before.
 */
static void take_off_bend(const double *x, const double *taken, const double *read, const double *known,
                          double *delay_s, double *uncertainty_s, size_t n)
{
  const double above = NEAR * NEAR / (double)(FAR * FAR - NEAR * NEAR);

  for (size_t i = 0; i < n && n > 2 * FAR; i++) {
    size_t at = i < FAR ? FAR : i + FAR >= n ? n - 1 - FAR : i;
    double near = bend_at(x, read, at, NEAR), far = bend_at(x, read, at, FAR), error = above * (far - near);
    /* a second difference over points so far apart: 1, -2, 1 over the square of the distance */
    double step = x[at + 1] - x[at], near_share = (1.0 + above) * taken[i] / pow(NEAR * step, 2.0);
    double far_share = above * taken[i] / pow(FAR * step, 2.0);
    double beside = hypot(near_share * hypot(known[at - NEAR], known[at + NEAR]),
                          far_share * hypot(known[at - FAR], known[at + FAR]));
    double own = (at == i ? 1.0 + 2.0 * (near_share - far_share) : 1.0) * known[i];
    delay_s[i] = read[i] - taken[i] * (near - error);
    uncertainty_s[i] = hypot(hypot(own, beside), taken[i] * (at == i ? error : near));
  }
}

mt_code mt_curve_group_delay(const mt_curve *phase, double *delay_s, double *uncertainty_s, mt_error *err)
{
  double *taken, *read, *known;

  if (phase == NULL || delay_s == NULL || uncertainty_s == NULL)
    return mt_fail(err, MT_E_ARG, "no phase curve to read from");
  if (!mt_curve_is_usable(phase, POINTS))
    return mt_fail(err, MT_E_DATA, "a group delay needs %d points of phase and more, ascending and finite",
                   POINTS);
  taken = calloc(3 * phase->npoints, sizeof *taken);
  if (taken == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", phase->npoints);
  for (size_t i = 0; i < phase->npoints; i++) {
    size_t first = i < POINTS / 2 ? 0 : i - POINTS / 2;
    double w[POINTS], slope = 0.0, variance = 0.0;
    if (first + POINTS > phase->npoints)
      first = phase->npoints - POINTS;
    slope_weights(phase->x + first, i - first, w);
    for (size_t k = 0; k < POINTS; k++) {
      slope += w[k] * phase->y[first + k];
      taken[i] += w[k] * pow(phase->x[first + k] - phase->x[i], 3.0) / 6.0;
      for (size_t m = k; m < POINTS; m++)
        variance += (m == k ? 1.0 : 2.0) * w[k] * phase->uncertainty[first + k] * w[m] *
                    phase->uncertainty[first + m] *
                    mt_curve_correlation(phase->x[first + k], phase->x[first + m]);
    }
    /* a turn is 360 degrees */
    delay_s[i] = -slope / 360.0;
    uncertainty_s[i] = sqrt(fmax(0.0, variance)) / 360.0;
  }
  read = memcpy(taken + phase->npoints, delay_s, phase->npoints * sizeof *read);
  known = memcpy(read + phase->npoints, uncertainty_s, phase->npoints * sizeof *known);
  take_off_bend(phase->x, taken, read, known, delay_s, uncertainty_s, phase->npoints);
  free(taken);
  return MT_OK;
}
