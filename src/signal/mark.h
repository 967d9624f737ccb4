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

/**
 * The same at t0_s + n * dt_s for n = 0 ... nframes - 1, by rotation: within 1e-11 of mt_mark_sample().
 *
 * @param cos_part, sin_part  [nframes] each.
 */
void mt_mark_render(const mt_segment *mark, unsigned channel, double t0_s, double dt_s, size_t nframes,
                    double *cos_part, double *sin_part);

/** Frequency of a mark's chirp at t_s from its start, Hz; goes on in a straight line outside. */
double mt_mark_frequency(const mt_segment *mark, unsigned channel, double t_s);

/** Phase of a mark's chirp at t_s from its start, radians, not wrapped; goes on outside. */
double mt_mark_phase(const mt_segment *mark, unsigned channel, double t_s);

#endif
