/** @file mark.h  The marks: linear chirps, upward for the left, downward for the right. */
#ifndef SIGNAL_MARK_H
#define SIGNAL_MARK_H

#include <mendtone/stimulus.h>

/**
 * The analytic chirp of a mark: envelope times cos and sin of its phase, amplitude 1.
 *
 * The mark as played is amplitude x the sin part. 0 outside [0, duration].
 *
 * @param channel  MT_LEFT (upward) or MT_RIGHT (downward).
 * @param t_s      from the start of the segment.
 */
void mt_mark_sample(const mt_segment *mark, unsigned channel, double t_s, double *cos_part, double *sin_part);

#endif
