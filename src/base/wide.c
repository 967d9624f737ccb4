#include "base/wide.h"

#include <math.h>

typedef long long mask __attribute__((vector_size(4 * sizeof(long long))));
_Static_assert(sizeof(long long) == sizeof(double),
               "a comparison of doubles gives whole numbers of their size");

/* Four sums of four hide the time an addition takes. */
MT_WIDE static bool sum_of(const double *x, size_t n, double most, double *out)
{
  mt_four sums[4] = {{0.0}}, most_of_all = {most, most, most, most}, sum;
  mask inside = {-1, -1, -1, -1};
  bool whole = true;
  double rest = 0.0;
  size_t i = 0;

  for (; i + 16 <= n; i += 16)
    for (size_t k = 0; k < 4; k++) {
      mt_four here = *(const mt_four_at *)(x + i + 4 * k);
      sums[k] += here;
      inside &= (mask)(here <= most_of_all) & (mask)(here >= -most_of_all);
    }
  for (; i < n; i++) {
    rest += x[i];
    whole = whole && x[i] <= most && x[i] >= -most;
  }
  for (int lane = 0; lane < 4; lane++)
    whole = whole && inside[lane] != 0;
  sum = (sums[0] + sums[1]) + (sums[2] + sums[3]);
  *out = mt_four_sum(&sum) + rest;
  return whole;
}

MT_WIDE static double energy_of(const double *x, size_t n, double mean)
{
  mt_four sums[2] = {{0.0}}, sum;
  double rest = 0.0;
  size_t i = 0;

  for (; i + 8 <= n; i += 8)
    for (size_t k = 0; k < 2; k++) {
      mt_four off = *(const mt_four_at *)(x + i + 4 * k) - mean;
      sums[k] += off * off;
    }
  for (; i < n; i++)
    rest += (x[i] - mean) * (x[i] - mean);
  sum = sums[0] + sums[1];
  return mt_four_sum(&sum) + rest;
}

double mt_wide_energy(const double *x, size_t n, double mean)
{
  return energy_of(x, n, mean);
}

/* Four chains hide the time a comparison takes. */
double mt_wide_peak(const double *x, size_t n)
{
  double peaks[4] = {0.0}, peak = 0.0;
  size_t i = 0;

  for (; i + 4 <= n; i += 4)
    for (size_t k = 0; k < 4; k++)
      peaks[k] = fabs(x[i + k]) > peaks[k] ? fabs(x[i + k]) : peaks[k];
  for (; i < n; i++)
    peak = fabs(x[i]) > peak ? fabs(x[i]) : peak;
  for (size_t k = 0; k < 4; k++)
    peak = peaks[k] > peak ? peaks[k] : peak;
  return peak;
}

bool mt_wide_sum(const double *x, size_t n, double most, double *out)
{
  return sum_of(x, n, most, out);
}
