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

#endif
