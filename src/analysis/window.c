#include "analysis/window.h"

#include "base/decibel.h"

#include <assert.h>
#include <math.h>

/* Points of a window between those whose cosine is taken afresh */
#define FINE 64

static const struct {
  size_t nterms;
  double terms[MT_WINDOW_TERMS_MAX];
} windows[MT_WINDOW_LAST] = {
    [MT_WINDOW_RECTANGULAR] = {1, {1.0}},
    [MT_WINDOW_HANN] = {2, {0.5, 0.5}},
    /* Heinzel, Ruediger and Schilling 2002, after Harris 1978 */
    [MT_WINDOW_BLACKMAN_HARRIS_4] = {4, {0.35875, 0.48829, 0.14128, 0.01168}},
    /* Solomon 1994 */
    [MT_WINDOW_BLACKMAN_HARRIS_7] = {7,
                                     {0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
                                      0.01081174209837, 0.00077658482522, 0.00001388721735}},
};

const double *mt_window_terms(mt_window kind, size_t *nterms)
{
  assert((unsigned)kind < MT_WINDOW_LAST);
  *nterms = windows[kind].nterms;
  return windows[kind].terms;
}

/* The window where cos(2 pi t) = c: a sum of Chebyshev polynomials, by Clenshaw's recurrence. */
static double value_at_cosine(const double *terms, size_t nterms, double c)
{
  double next = 0.0, after_next = 0.0;

  for (size_t k = nterms - 1; k > 0; k--) {
    double term = k % 2 == 0 ? terms[k] : -terms[k];
    double here = 2.0 * c * next - after_next + term;
    after_next = next;
    next = here;
  }
  return c * next - after_next + terms[0];
}

void mt_window_fill(mt_window kind, size_t n, double *w)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);
  double fine_cos[FINE], fine_sin[FINE], coarse_cos = 1.0, coarse_sin = 0.0, unit = 2.0 * MT_PI / (double)n;

  for (size_t i = 0; i < FINE; i++) {
    fine_cos[i] = cos(unit * (double)i);
    fine_sin[i] = sin(unit * (double)i);
  }
  for (size_t i = 0; i <= n / 2 && i < n; i++) {
    if (i % FINE == 0) {
      coarse_cos = cos(unit * (double)i);
      coarse_sin = sin(unit * (double)i);
    }
    w[i] = value_at_cosine(terms, nterms, coarse_cos * fine_cos[i % FINE] - coarse_sin * fine_sin[i % FINE]);
    if (i > 0)
      w[n - i] = w[i];
  }
}

/* Mean square of the window: a0^2 + sum of the others' halves. */
static double mean_square(const double *terms, size_t nterms)
{
  double sum = terms[0] * terms[0];

  for (size_t k = 1; k < nterms; k++)
    sum += 0.5 * terms[k] * terms[k];
  return sum;
}

double mt_window_enbw_bins(mt_window kind)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);

  return mean_square(terms, nterms) / (terms[0] * terms[0]);
}

double mt_window_gain(mt_window kind)
{
  size_t nterms;

  return mt_window_terms(kind, &nterms)[0];
}

double mt_window_kernel(mt_window kind, double offset_bins)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);
  double nearest = round(offset_bins);
  double sum, numerator;

  /* on a bin the quotients below are 0 / 0; their limit is the term itself */
  if (fabs(offset_bins - nearest) < 1e-9) {
    double k = fabs(nearest);
    if (k >= (double)nterms)
      return 0.0;
    return (k > 0.0 ? 0.5 : 1.0) * terms[(size_t)k] / terms[0];
  }
  /* each cosine moves a sin(pi x) / (pi x) to +-k, where its sine has the sign (-1)^k */
  numerator = sin(MT_PI * offset_bins) / MT_PI;
  sum = terms[0] / offset_bins;
  for (size_t k = 1; k < nterms; k++) {
    double sign = k % 2 == 0 ? 1.0 : -1.0;
    double square = offset_bins * offset_bins - (double)(k * k);
    sum += sign * terms[k] * offset_bins / square;
  }
  return numerator * sum / terms[0];
}

/* Integral of cos(2 pi (m t + phase)) over t = 0 ... end. */
static double integral_of_cosine(double m, double phase, double end)
{
  if (m == 0.0)
    return end * cos(2.0 * MT_PI * phase);
  return (sin(2.0 * MT_PI * (m * end + phase)) - sin(2.0 * MT_PI * phase)) / (2.0 * MT_PI * m);
}

double mt_window_overlap(mt_window kind, double shift)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);
  double sum = 0.0, distance = fabs(shift), width = 1.0 - distance;

  if (!(width > 0.0))
    return 0.0;
  /* the product of two cosines is half the sum of that of the difference and that of the sum */
  for (size_t k = 0; k < nterms; k++)
    for (size_t l = 0; l < nterms; l++) {
      double sign = (k + l) % 2 == 0 ? 0.5 : -0.5, first = (double)k, second = (double)l;
      sum += sign * terms[k] * terms[l] *
             (integral_of_cosine(first - second, -second * distance, width) +
              integral_of_cosine(first + second, second * distance, width));
    }
  return sum / mean_square(terms, nterms);
}

double mt_window_bin_correlation(mt_window kind, unsigned offset_bins)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);
  int offset = (int)offset_bins, last = (int)nterms - 1;
  double sum = 0.0;

  /* the terms as lines at -last ... last, convolved with themselves */
  for (int k = offset - last; k <= last; k++) {
    int a = k < 0 ? -k : k, b = offset - k < 0 ? k - offset : offset - k;
    if (a > last || b > last)
      continue;
    sum += (a == 0 ? 1.0 : 0.5) * terms[a] * (b == 0 ? 1.0 : 0.5) * terms[b];
  }
  return sum / mean_square(terms, nterms);
}

void mt_window_moments(mt_window kind, double *second, double *fourth)
{
  size_t nterms;
  const double *terms = mt_window_terms(kind, &nterms);

  /* moments of |W|^2 are mean squares of the window's derivatives (Parseval) */
  *second = *fourth = 0.0;
  for (size_t k = 1; k < nterms; k++) {
    double square = (double)(k * k);
    *second += 0.5 * square * terms[k] * terms[k];
    *fourth += 0.5 * square * square * terms[k] * terms[k];
  }
  *second /= mean_square(terms, nterms);
  *fourth /= mean_square(terms, nterms);
}
