/** @file samples.h  One channel as doubles: an array, or a channel of a take wherever that is. */
#ifndef ANALYSIS_SAMPLES_H
#define ANALYSIS_SAMPLES_H

#include <mendtone/take.h>

/**
 * Where samples come from. What runs along a record takes them stretch by stretch, up to a given frame: several such
 * run side by side over one stretch of a long take, and it is read once.
 */
typedef struct mt_samples {
  size_t n;
  const double *x;    /**< [n], borrowed; or NULL: */
  mt_take_view *view; /**< borrowed, shared by the channels of a take */
  unsigned channel;
  double *buffer; /**< owned */
  size_t capacity;
} mt_samples;

mt_samples mt_samples_of_array(const double *x, size_t n);
mt_samples mt_samples_of_take(mt_take_view *view, unsigned channel);
void mt_samples_finish(mt_samples *samples);

/**
 * Samples [first, first + count), all of them inside.
 *
 * @param out  borrowed until the next look.
 * @return MT_OK; what mt_take_look() returns.
 */
mt_code mt_samples_look(mt_samples *samples, size_t first, size_t count, const double **out, mt_error *err);

#endif
