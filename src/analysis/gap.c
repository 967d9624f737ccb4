#include "analysis/gap.h"

#include "base/order.h"
#include "base/wide.h"

#include <math.h>

#define CHANCE 1e-9
#define USUAL_BLOCKS 64
#define HUSH 0.003 /* of the usual power: 25 dB down */
#define HUSH_FRAMES_MIN 8
/* Noise of a step or two of the converter rests on one code now and then: power re the step's square */
#define HUSH_STEPS 36.0

/* Frames that are passed over at once where no two neighbours are the same. */
#define STRIDE 16

/* Whether each of x[STRIDE] differs from the one before it. */
MT_WIDE static bool all_differ(const double *x)
{
  mt_mask same = {0};

  for (size_t i = 0; i < STRIDE; i += 4)
    same |= *(const mt_four_at *)(x + i) == *(const mt_four_at *)(x + i - 1);
  return (same[0] | same[1] | same[2] | same[3]) == 0;
}

bool mt_gap_find(const double *x, size_t n, size_t least, size_t *begin, size_t *count)
{
  size_t longest = 0, at = 0, run = 1, equal = 0;
  double share;

  for (size_t i = 1; i <= n; i++) {
    if (i < n && x[i] == x[i - 1]) {
      run++;
      equal++;
      continue;
    }
    if (run > longest) {
      longest = run;
      at = i - run;
    }
    run = 1;
    while (i + STRIDE < n && all_differ(x + i + 1))
      i += STRIDE;
  }
  if (longest < least || longest >= n)
    return false;
  /* equal neighbours outside the run; one more than seen, so that none seen is not taken for never */
  share = ((double)(equal - (longest - 1)) + 1.0) / ((double)(n - longest) + 1.0);
  if ((double)n * pow(share, (double)(longest - 1)) > CHANCE)
    return false;
  *begin = at;
  *count = longest;
  return true;
}

static double bend_power(const double *x, size_t begin, size_t end)
{
  return mt_wide_bend_energy(x + begin, end - begin) / (double)(end - begin);
}

/* Median over blocks, so that neither clicks nor mutes count. */
static double usual_power(const double *x, size_t n)
{
  double power[USUAL_BLOCKS];
  size_t block = (n - 2) / USUAL_BLOCKS;

  for (size_t b = 0; b < USUAL_BLOCKS; b++)
    power[b] = bend_power(x, b * block, (b + 1) * block);
  return mt_order_select(power, USUAL_BLOCKS, USUAL_BLOCKS / 2);
}

/* The converter's step, or less: the smallest difference of two neighbours that differ. */
MT_WIDE static double smallest_step(const double *x, size_t n)
{
  mt_four least = {HUGE_VAL, HUGE_VAL, HUGE_VAL, HUGE_VAL};
  double smallest = HUGE_VAL;
  size_t i = 1;

  for (; i + 4 <= n; i += 4) {
    mt_four step = *(const mt_four_at *)(x + i) - *(const mt_four_at *)(x + i - 1);
    mt_mask smaller;
    mt_four_size(&step);
    smaller = (step > 0.0) & (step < least);
    mt_four_choose(&smaller, &step, &least);
  }
  for (; i < n; i++) {
    double step = fabs(x[i] - x[i - 1]);
    if (step > 0.0 && step < smallest)
      smallest = step;
  }
  for (int lane = 0; lane < 4; lane++)
    smallest = least[lane] < smallest ? least[lane] : smallest;
  return smallest;
}

bool mt_gap_find_hush(const double *x, size_t n, size_t least, size_t *begin, size_t *count)
{
  size_t block = least / 2, longest = 0, at = 0, found = 0, quiet = 0;
  double usual, step, limit;

  if (block < HUSH_FRAMES_MIN || n < USUAL_BLOCKS * block + 2)
    return false;
  usual = usual_power(x, n);
  step = smallest_step(x, n);
  if (!(usual >= HUSH_STEPS * step * step))
    return false;
  limit = HUSH * usual;
  /* half blocks apart: `least` holds one of them whole, wherever it lies */
  for (size_t i = 0; i + block + 2 <= n; i += block / 2) {
    if (!(bend_power(x, i, i + block) < limit)) {
      quiet = 0;
      continue;
    }
    found += quiet == 0 ? 1 : 0;
    quiet = quiet == 0 ? block : quiet + block / 2;
    if (quiet > longest) {
      longest = quiet;
      at = i + block - quiet;
    }
  }
  if (found == 0 || found > MT_HUSHES_MAX)
    return false;
  *begin = at;
  *count = longest;
  return true;
}

bool mt_gap_is_possible(const float *x, size_t stride, size_t n, size_t least)
{
  /* a run so long holds one of these, wherever it lies */
  for (size_t i = least - 1; i < n; i += least) {
    size_t first = i, end = i + 1;
    while (first > 0 && x[(first - 1) * stride] == x[i * stride])
      first--;
    while (end < n && x[end * stride] == x[i * stride])
      end++;
    if (end - first >= least)
      return true;
  }
  return false;
}
