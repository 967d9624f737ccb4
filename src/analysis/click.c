#include "analysis/click.h"

#include "base/wide.h"

#include <math.h>
#include <stdlib.h>

#define BLOCKS 64
#define DEVIATIONS 8.0
/* Second differences of a step of 16 bits are 2 of these, of two neighbouring ones 4. */
#define STEP 3.0518e-5
#define APART_S 0.005
/* What is beside a click: from 5 to 20 ms away. */
#define BESIDE_FROM_S 0.005
#define BESIDE_TO_S 0.020
/* Where so many do not stand out of what is beside them, the record is no steady noise: the rest is not looked at. */
#define LOUD_MAX 256

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static double second_difference(const double *x, size_t i)
{
  return x[i + 1] - 2.0 * x[i] + x[i - 1];
}

/* Median over blocks of the mean square, so that a few clicks do not count. */
static double usual_square(const double *x, size_t n)
{
  double square[BLOCKS];
  size_t block = (n - 2) / BLOCKS;

  for (size_t b = 0; b < BLOCKS; b++)
    square[b] = mt_wide_bend_energy(x + b * block, block) / (double)block;
  qsort(square, BLOCKS, sizeof square[0], compare_doubles);
  return square[BLOCKS / 2];
}

/* Mean square of second differences from ... to, as far as that lies in the record; 0 if there is too little. */
static double square_of(const double *x, size_t n, ptrdiff_t from, ptrdiff_t to)
{
  double sum = 0.0;
  ptrdiff_t first = from > 1 ? from : 1, end = to < (ptrdiff_t)n - 1 ? to : (ptrdiff_t)n - 1;

  for (ptrdiff_t i = first; i < end; i++) {
    double d = second_difference(x, (size_t)i);
    sum += d * d;
  }
  return end - first > (to - from) / 2 ? sum / (double)(end - first) : 0.0;
}

/* Whether it stands out of what is beside it as well. */
static bool stands_out(const double *x, size_t n, double rate_hz, size_t at, double size)
{
  ptrdiff_t from = (ptrdiff_t)(BESIDE_FROM_S * rate_hz), to = (ptrdiff_t)(BESIDE_TO_S * rate_hz);
  ptrdiff_t i = (ptrdiff_t)at;
  double beside = fmax(square_of(x, n, i - to, i - from), square_of(x, n, i + from, i + to));

  return size > DEVIATIONS * sqrt(beside);
}

static double limit_of(const double *x, size_t n)
{
  return fmax(DEVIATIONS * sqrt(usual_square(x, n)), 4.0 * STEP);
}

size_t mt_click_find_all(const double *x, size_t n, double rate_hz, mt_click *out, size_t most)
{
  size_t count = 0, apart = (size_t)(APART_S * rate_hz), last = 0, nloud = 0;
  double limit, largest = 0.0;

  if (n < MT_CLICK_SAMPLES_MIN)
    return 0;
  limit = limit_of(x, n);
  for (size_t i = 1; i + 1 < n && nloud < LOUD_MAX; i++) {
    double d = fabs(second_difference(x, i));
    bool is_new = count == 0 || i > last + apart;
    if (d <= limit || (!is_new && d <= largest))
      continue;
    if (!stands_out(x, n, rate_hz, i, d)) {
      nloud++;
      continue;
    }
    count += is_new;
    last = i;
    largest = d;
    if (count <= most)
      out[count - 1] = (mt_click){i, d / 2.0};
  }
  return count;
}

size_t mt_click_find(const double *x, size_t n, double rate_hz, mt_click out[MT_CLICKS_MAX])
{
  size_t count = 0, apart = (size_t)(APART_S * rate_hz);
  double most = 0.0, limit;

  if (n < MT_CLICK_SAMPLES_MIN)
    return 0;
  limit = limit_of(x, n);
  for (size_t i = 1; i + 1 < n; i++) {
    double d = fabs(second_difference(x, i));
    if (d <= limit)
      continue;
    if (count == 0 || i > out[count - 1].at + apart) {
      if (count == MT_CLICKS_MAX)
        return 0;
      out[count++] = (mt_click){i, d / 2.0};
      most = d;
    } else if (d > most) {
      out[count - 1] = (mt_click){i, d / 2.0};
      most = d;
    }
  }
  return count;
}
