/** @file mean.h  The mean of a stretch under a raised cosine: hum does not leak through it as through a bare mean. */
#ifndef ANALYSIS_MEAN_H
#define ANALYSIS_MEAN_H

#include "analysis/samples.h"

#define MT_SMOOTH_MEAN_BLOCK 256

/** On its way through a record. */
typedef struct mt_smooth_mean {
  size_t first;
  size_t count;
  size_t at;    /**< of `count`, the next to be seen */
  double angle; /**< of the raised cosine, from one sample to the next */
  double cosines[MT_SMOOTH_MEAN_BLOCK],
      sines[MT_SMOOTH_MEAN_BLOCK];          /**< of the samples of a block re its first */
  double plain[4], in_phase[4], crossed[4]; /**< sums of the block so far, of every fourth sample */
  double sum;
} mt_smooth_mean;

/** Of samples [first, first + count). */
void mt_smooth_mean_begin(mt_smooth_mean *mean, size_t first, size_t count);
/** Take in the samples before `upto`. */
mt_code mt_smooth_mean_advance(mt_smooth_mean *mean, mt_samples *samples, size_t upto, mt_error *err);
/** Once all have been seen. */
double mt_smooth_mean_value(const mt_smooth_mean *mean);

#endif
