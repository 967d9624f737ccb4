/** @file sweep.h  The phase of the synchronised sweep, frame after frame. */
#ifndef SIGNAL_SWEEP_H
#define SIGNAL_SWEEP_H

#include <mendtone/stimulus.h>

/**
 * Cosine and sine of the sweep's phase, 2 pi f1 L exp(t / L), at t0_s + n dt_s after the segment's start, by
 * rotation: as near as the phase in double itself, 1e-10 at 20 kHz. Goes on outside the segment; no fades.
 *
 * @param cos_part, sin_part  [nframes] each.
 */
void mt_sweep_render_phase(const mt_segment *sweep, double t0_s, double dt_s, size_t nframes,
                           double *cos_part, double *sin_part);

#endif
