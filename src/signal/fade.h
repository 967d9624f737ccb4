/** @file fade.h  Raised-cosine fades, so that nothing clicks. */
#ifndef SIGNAL_FADE_H
#define SIGNAL_FADE_H

#include <mendtone/stimulus.h>

/** Envelope of a segment at t seconds after its start: 0 outside, 1 between the fades. */
double mt_fade_gain(const mt_segment *segment, double t_s);

/** Its slope there over the envelope itself, per second: 0 outside and between the fades. */
double mt_fade_growth(const mt_segment *segment, double t_s);

/**
 * Both at t0_s + n dt_s for n = 0 ... nframes - 1, by rotation: the gain within 1e-13, and gain x growth within 1e-12
 * of its greatest.
 *
 * @param dt_s     more than 0.
 * @param growing  [nframes], or NULL.
 */
void mt_fade_render(const mt_segment *segment, double t0_s, double dt_s, size_t nframes, double *gain,
                    double *growing);

#endif
