#include "analysis/mean.h"

#include "base/decibel.h"
#include "base/wide.h"

#include <string.h>

#define BLOCK MT_SMOOTH_MEAN_BLOCK

void mt_smooth_mean_begin(mt_smooth_mean *mean, size_t first, size_t count)
{
  memset(mean, 0, sizeof *mean);
  mean->first = first;
  mean->count = count;
  mean->angle = 2.0 * MT_PI / (double)count;
  for (size_t i = 0; i < BLOCK; i++) {
    mean->cosines[i] = cos(mean->angle * (double)i);
    mean->sines[i] = sin(mean->angle * (double)i);
  }
}

static void add_one(mt_smooth_mean *mean, size_t place, double x)
{
  mean->plain[place % 4] += x;
  mean->in_phase[place % 4] += mean->cosines[place] * x;
  mean->crossed[place % 4] += mean->sines[place] * x;
}

/* Four in turn each have sums of their own, wherever a stretch begins and ends: so the steps do not matter. */
MT_WIDE static void add_fours(mt_smooth_mean *mean, size_t place, const double *x, size_t count)
{
  mt_four plain = *(const mt_four_at *)mean->plain, in_phase = *(const mt_four_at *)mean->in_phase;
  mt_four crossed = *(const mt_four_at *)mean->crossed;

  for (size_t i = 0; i < count; i += 4) {
    mt_four here = *(const mt_four_at *)(x + i);
    plain += here;
    in_phase += *(const mt_four_at *)(mean->cosines + place + i) * here;
    crossed += *(const mt_four_at *)(mean->sines + place + i) * here;
  }
  *(mt_four_at *)mean->plain = plain;
  *(mt_four_at *)mean->in_phase = in_phase;
  *(mt_four_at *)mean->crossed = crossed;
}

static void add(mt_smooth_mean *mean, const double *x, size_t count)
{
  size_t place = mean->at % BLOCK, i = 0, fours;

  for (; i < count && (place + i) % 4 != 0; i++)
    add_one(mean, place + i, x[i]);
  fours = (count - i) / 4 * 4;
  add_fours(mean, place + i, x + i, fours);
  for (i += fours; i < count; i++)
    add_one(mean, place + i, x[i]);
}

static double sum_of(double *sums)
{
  double sum = (sums[0] + sums[1]) + (sums[2] + sums[3]);

  memset(sums, 0, 4 * sizeof *sums);
  return sum;
}

/* The raised cosine turns on by the block's first angle. */
static void close_block(mt_smooth_mean *mean)
{
  double angle = mean->angle * ((double)((mean->at - 1) / BLOCK * BLOCK) + 0.5);

  mean->sum += sum_of(mean->plain);
  mean->sum -= cos(angle) * sum_of(mean->in_phase) - sin(angle) * sum_of(mean->crossed);
}

mt_code mt_smooth_mean_advance(mt_smooth_mean *mean, mt_samples *samples, size_t upto, mt_error *err)
{
  size_t end = upto < mean->first + mean->count ? upto : mean->first + mean->count;

  while (mean->first + mean->at < end) {
    size_t left = end - mean->first - mean->at, count = BLOCK - mean->at % BLOCK;
    const double *x;
    mt_code code;
    count = count < left ? count : left;
    code = mt_samples_look(samples, mean->first + mean->at, count, &x, err);
    if (code != MT_OK)
      return code;
    add(mean, x, count);
    mean->at += count;
    if (mean->at % BLOCK == 0 || mean->at == mean->count)
      close_block(mean);
  }
  return MT_OK;
}

double mt_smooth_mean_value(const mt_smooth_mean *mean)
{
  return mean->sum / (double)mean->count;
}
