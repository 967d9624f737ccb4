#include "analysis/mean.h"

#include "base/decibel.h"

/* Looked at at once; the raised cosine is taken afresh for each, as errors of rounding add up. */
#define BLOCK 256

void mt_smooth_mean_begin(mt_smooth_mean *mean, size_t first, size_t count)
{
  *mean = (mt_smooth_mean){.first = first, .count = count};
}

mt_code mt_smooth_mean_advance(mt_smooth_mean *mean, mt_samples *samples, size_t upto, mt_error *err)
{
  double angle = 2.0 * MT_PI / (double)mean->count, step_cos = cos(angle), step_sin = sin(angle);
  size_t end = upto < mean->first + mean->count ? upto : mean->first + mean->count;

  while (mean->first + mean->at < end) {
    size_t left = end - mean->first - mean->at, count = BLOCK - mean->at % BLOCK;
    const double *x;
    mt_code code;
    count = count < left ? count : left;
    code = mt_samples_look(samples, mean->first + mean->at, count, &x, err);
    if (code != MT_OK)
      return code;
    for (size_t i = 0; i < count; i++) {
      double turned = mean->c * step_cos - mean->s * step_sin;
      mean->s = mean->c * step_sin + mean->s * step_cos;
      mean->c = turned;
      if ((mean->at + i) % BLOCK == 0) {
        mean->c = cos(angle * ((double)(mean->at + i) + 0.5));
        mean->s = sin(angle * ((double)(mean->at + i) + 0.5));
      }
      mean->sum += (1.0 - mean->c) * x[i];
    }
    mean->at += count;
  }
  return MT_OK;
}

double mt_smooth_mean_value(const mt_smooth_mean *mean)
{
  return mean->sum / (double)mean->count;
}
