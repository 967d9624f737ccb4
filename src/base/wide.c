#include "base/wide.h"

#include <math.h>

/* Four sums of four hide the time an addition takes. */
MT_WIDE static bool sum_of(const double *x, size_t n, double most, double *out)
{
  mt_four sums[4] = {{0.0}}, most_of_all = {most, most, most, most}, sum;
  mt_mask inside = {-1, -1, -1, -1};
  bool whole = true;
  double rest = 0.0;
  size_t i = 0;

  for (; i + 16 <= n; i += 16)
    for (size_t k = 0; k < 4; k++) {
      mt_four here = *(const mt_four_at *)(x + i + 4 * k);
      sums[k] += here;
      inside &= (mt_mask)(here <= most_of_all) & (mt_mask)(here >= -most_of_all);
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

MT_WIDE static double bend_energy_of(const double *x, size_t n)
{
  mt_four sum = {0.0};
  double rest = 0.0;
  size_t i = 0;

  for (; i + 4 <= n; i += 4) {
    mt_four bend = *(const mt_four_at *)(x + i + 2) - 2.0 * *(const mt_four_at *)(x + i + 1) +
                   *(const mt_four_at *)(x + i);
    sum += bend * bend;
  }
  for (; i < n; i++) {
    double bend = x[i + 2] - 2.0 * x[i + 1] + x[i];
    rest += bend * bend;
  }
  return mt_four_sum(&sum) + rest;
}

double mt_wide_bend_energy(const double *x, size_t n)
{
  return bend_energy_of(x, n);
}

/* Of a pair eight samples at once, of which the last is another channel's: there must be one. */
MT_WIDE static void take_of_pair(const float *first, size_t n, double *out)
{
  size_t i = 0;

  for (; i + 4 < n; i += 4) {
    mt_floats early = *(const mt_floats_at *)(first + 2 * i),
              late = *(const mt_floats_at *)(first + 2 * i + 4);
    mt_floats own = __builtin_shufflevector(early, late, 0, 2, 4, 6);
    *(mt_four_at *)(out + i) = __builtin_convertvector(own, mt_four);
  }
  for (; i < n; i++)
    out[i] = (double)first[2 * i];
}

void mt_wide_take_channel(const float *first, size_t stride, size_t n, double *out)
{
  if (stride == 2) {
    take_of_pair(first, n, out);
    return;
  }
  for (size_t i = 0; i < n; i++)
    out[i] = (double)first[i * stride];
}
