/** @file sweep_check.h  Interruptions inside the sweep: a response read over them looks right and is wrong. */
#ifndef ANALYSIS_SWEEP_CHECK_H
#define ANALYSIS_SWEEP_CHECK_H

#include <mendtone/analysis.h>

#define MT_SWEEP_EVENTS_MAX 32

typedef struct mt_sweep_event {
  double begin_s; /**< from the take's first frame */
  double end_s;
  double depth_db; /**< level inside against outside: far below 0 a mute, near 0 frames lost or repeated */
} mt_sweep_event;

/**
 * Find where one channel's sweep was interrupted.
 *
 * Follows the sweep by its own phase, as a complex amplitude per 2 ms (2 periods where those are
 * longer), and looks for what a linear unit cannot do: its response may change along the sweep no
 * faster than sqrt(L / f). Below 1 kHz each period is also compared with the two before and after it,
 * which repeat all harmonics and so take no notice of distortion.
 *
 * Finds: mutes of 1 ms and more that take away at least 1/20 of the amplitude (below 1 kHz, near a zero
 * crossing, there is less to take) and stand out of the noise; jumps of the sweep's phase by 26 degrees
 * and more (40 below 50 Hz), that is lost or repeated frames unless they happen to make whole periods.
 * Looks from the end of the fade-in and two periods to the fade-out. Places an event to 3 periods or 5
 * ms, what shows in the delay alone to 25 L / f (15 ms at 1 kHz).
 *
 * @param x       [n] the whole take of that channel.
 * @param events  [max] in order of time; `nevents` how many. Those beyond `max` are left out.
 * @return MT_OK, with no event for a channel without sweep; MT_E_ARG; MT_E_DATA: not all in the take, or not finite;
 *         MT_E_MEMORY.
 */
mt_code mt_sweep_find_events(const double *x, size_t n, double rate_hz, const mt_segment *sweep,
                             double start_frame, double clock_ratio, mt_sweep_event *events, size_t max,
                             size_t *nevents, mt_error *err);

#endif
