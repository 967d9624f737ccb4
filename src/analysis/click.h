/** @file click.h  A click in a record of idle noise: a moment that noise does not explain. */
#ifndef ANALYSIS_CLICK_H
#define ANALYSIS_CLICK_H

#include <stdbool.h>
#include <stddef.h>

/** More clicks than this in a record are the unit's own noise (buzz, crackle), and are read as noise. */
#define MT_CLICKS_MAX 3

typedef struct mt_click {
  size_t at;   /**< frame of its largest sample */
  double size; /**< by how much that sample stands out, of full scale */
} mt_click;

/**
 * Find single clicks: second differences beyond 8 standard deviations of what is usual in the record.
 *
 * Second differences know nothing of DC, hum and rumble. Eight deviations are reached by Gaussian noise once in
 * 10^10 records of 1.5 s. What moves by less than two steps of 16 bits is no click.
 *
 * @param out  Clicks at least 5 ms apart, in time order.
 * @return how many; 0 if there are more than MT_CLICKS_MAX, or too few samples.   Cost: O(n), no allocation.
 */
size_t mt_click_find(const double *x, size_t n, double rate_hz, mt_click out[MT_CLICKS_MAX]);

/** Fewer samples do not tell what is usual. */
#define MT_CLICK_SAMPLES_MIN 1024

/**
 * All clicks of a record, however many. Each stands 8 deviations out of what is usual in the record, and of the
 * louder of the two 15 ms before and after it: where noise swells it does not click.
 *
 * @param out  the first `most` of them.
 * @return how many there are.
 */
size_t mt_click_find_all(const double *x, size_t n, double rate_hz, mt_click *out, size_t most);

#endif
