/** @file gap.h  Stretches of noise in which every sample is the same: muted, not quiet. */
#ifndef ANALYSIS_GAP_H
#define ANALYSIS_GAP_H

#include <stdbool.h>
#include <stddef.h>

/**
 * Find the longest run of equal samples that chance does not explain.
 *
 * Coarse converters rest on one code for a while, so a run counts only if the share of neighbours that
 * are equal elsewhere makes one of its length rarer than once in 10^9 records.
 *
 * @param least  the shortest run that matters, samples (a millisecond or so).
 * @return true and the run in `begin` and `count`, or false.
 */
bool mt_gap_find(const double *x, size_t n, size_t least, size_t *begin, size_t *count);

/**
 * Is there any run of `least` equal samples, explained or not? Of x[0], x[stride] ... and so on, n of them: a channel
 * of a take as it is. Cost: for a signal that does not stand still, a look at one in `least` samples.
 */
bool mt_gap_is_possible(const float *x, size_t stride, size_t n, size_t least);

/** More stretches than this in a record are the unit's own (beats, a gate that flutters), and are read as they are. */
#define MT_HUSHES_MAX 3

/**
 * Find the longest stretch of idle noise in which there is all but none: muted before a converter whose own noise
 * goes on, so that no two samples are the same.
 *
 * Second differences, which know nothing of hum and DC, over half of `least` at a time: the mean square is 25 dB
 * below the usual one. White noise does that once in 10^9 records of 1.5 s.
 *
 * @return true and the stretch in `begin` and `count`; false if there is none, or more than MT_HUSHES_MAX.
 *         Cost: O(n), no allocation.
 */
bool mt_gap_find_hush(const double *x, size_t n, size_t least, size_t *begin, size_t *count);

#endif
