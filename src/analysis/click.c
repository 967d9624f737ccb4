#include "analysis/click.h"

#include <math.h>
#include <stdlib.h>

#define BLOCKS 64
#define SAMPLES_MIN 1024
#define DEVIATIONS 8.0
/* Second differences of a step of 16 bits are 2 of these, of two neighbouring ones 4. */
#define STEP 3.0518e-5
#define APART_S 0.005

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

  for (size_t b = 0; b < BLOCKS; b++) {
    double sum = 0.0;
    for (size_t i = 1 + b * block; i < 1 + (b + 1) * block; i++) {
      double d = second_difference(x, i);
      sum += d * d;
    }
    square[b] = sum / (double)block;
  }
  qsort(square, BLOCKS, sizeof square[0], compare_doubles);
  return square[BLOCKS / 2];
}

size_t mt_click_find(const double *x, size_t n, double rate_hz, mt_click out[MT_CLICKS_MAX])
{
  size_t count = 0, apart = (size_t)(APART_S * rate_hz);
  double most = 0.0, limit;

  if (n < SAMPLES_MIN)
    return 0;
  limit = fmax(DEVIATIONS * sqrt(usual_square(x, n)), 4.0 * STEP);
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
