/** @file fade.h  Raised-cosine fades, so that nothing clicks. */
#ifndef SIGNAL_FADE_H
#define SIGNAL_FADE_H

#include <mendtone/stimulus.h>

/** Envelope of a segment at t seconds after its start: 0 outside, 1 between the fades. */
double mt_fade_gain(const mt_segment *segment, double t_s);

/** Its slope there over the envelope itself, per second: 0 outside and between the fades. */
double mt_fade_growth(const mt_segment *segment, double t_s);

#endif
