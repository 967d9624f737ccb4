/* Group delay from an unwrapped phase. */
#include "analysis/curve.h"

#include "base/decibel.h"

#include <math.h>

#define POINTS 5
#define APART 4
#define BEND_TAKEN (17.0 / 30.0)

/* As response.c gates the sweep. */
#define GATE_S 0.64
#define GATE_FULL_TO_HZ 100.0
#define GATE_SHORTEST 0.12

/* A gate of some 0.64 s, less half an opening on either side: what it lets through at frequencies so far apart. */
double mt_curve_correlation(double freq_hz, double other_hz)
{
  double gate_s = GATE_S * fmin(1.0, fmax(GATE_SHORTEST, GATE_FULL_TO_HZ / fmax(freq_hz, other_hz)));
  double turns = MT_PI * gate_s * fabs(freq_hz - other_hz);

  return turns < 1e-6 ? 1.0 : turns < MT_PI ? sin(turns) / turns : 0.0;
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

/*
 * A parabola through five points takes 17/30 of the delay's second difference for nothing; how large that is, points
 * four apart tell, which noise moves little.
 */
static void add_bend(const double *delay_s, double *uncertainty_s, size_t n)
{
  for (size_t i = 0; i < n && n > 2 * APART; i++) {
    size_t at = i < APART ? APART : i + APART >= n ? n - 1 - APART : i;
    double bend = (delay_s[at + APART] - 2.0 * delay_s[at] + delay_s[at - APART]) / (APART * APART);
    uncertainty_s[i] = hypot(uncertainty_s[i], BEND_TAKEN * (at == i ? 1.0 : 4.0) * bend);
  }
}

mt_code mt_curve_group_delay(const mt_curve *phase, double *delay_s, double *uncertainty_s, mt_error *err)
{
  if (phase == NULL || delay_s == NULL || uncertainty_s == NULL)
    return mt_fail(err, MT_E_ARG, "no phase curve to read from");
  if (!mt_curve_is_usable(phase, POINTS))
    return mt_fail(err, MT_E_DATA, "a group delay needs %d points of phase and more, ascending and finite",
                   POINTS);
  for (size_t i = 0; i < phase->npoints; i++) {
    size_t first = i < POINTS / 2 ? 0 : i - POINTS / 2;
    double w[POINTS], slope = 0.0, variance = 0.0;
    if (first + POINTS > phase->npoints)
      first = phase->npoints - POINTS;
    slope_weights(phase->x + first, i - first, w);
    for (size_t k = 0; k < POINTS; k++) {
      slope += w[k] * phase->y[first + k];
      for (size_t m = 0; m < POINTS; m++)
        variance += w[k] * phase->uncertainty[first + k] * w[m] * phase->uncertainty[first + m] *
                    mt_curve_correlation(phase->x[first + k], phase->x[first + m]);
    }
    /* a turn is 360 degrees */
    delay_s[i] = -slope / 360.0;
    uncertainty_s[i] = sqrt(fmax(0.0, variance)) / 360.0;
  }
  add_bend(delay_s, uncertainty_s, phase->npoints);
  return MT_OK;
}
