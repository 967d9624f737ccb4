/**
 * @file steady.h  Was the tone there, whole and steady, all the time? Seen from the tone itself.
 *
 * A driver that loses a block and sets no flag leaves every single sample plausible. What gives it away is
 * the phase: lost or repeated frames move it by 360 degrees x frames x frequency / rate, for good.
 */
#ifndef ANALYSIS_STEADY_H
#define ANALYSIS_STEADY_H

#include <mendtone/analysis.h>

#define MT_STEADY_EVENTS_MAX 16

typedef enum mt_steady_kind {
  MT_STEADY_LOST,     /**< frames lost or repeated: the phase is another one from here on */
  MT_STEADY_DIP,      /**< away, or something else, for a while; the time base is whole */
  MT_STEADY_UNSTEADY, /**< the level moved to another value, or level or phase drift through the segment */
  MT_STEADY_AWAY      /**< not there at all; never of mt_steady_check(), which is given a tone */
} mt_steady_kind;

/** One thing found. Times from the first sample of the segment; the event lies within them. */
typedef struct mt_steady_event {
  mt_steady_kind kind;
  double begin_s;
  double end_s;
  double phase_step_deg;  /**< after less before, -180 ... 180; lost frames are positive; 0 for a drift */
  double level_change_db; /**< LOST, UNSTEADY: after less before; DIP: deepest block, at most 100 dB down */
} mt_steady_event;

typedef struct mt_steady {
  bool checked; /**< false: too few periods (fewer than 16) to say anything; no events then */
  mt_steady_event events[MT_STEADY_EVENTS_MAX]; /**< in time order, a drift last */
  size_t nevents;                               /**< stored: at most MT_STEADY_EVENTS_MAX */
  size_t nfound;                                /**< all that were found */
  double block_s;                               /**< resolution in time */
  double least_phase_step_deg; /**< a smaller step is lost in the noise; 180: no step can be seen */
  double least_click;          /**< of full scale: a smaller wrong sample is lost in the noise */
  double level_span_db;        /**< highest less lowest eighth of the segment, events left out */
  double phase_span_deg;       /**< the same of the phase, the straight line taken out */
} mt_steady;

/**
 * Track phase and level of a fitted tone in short blocks and look for what the noise does not explain.
 *
 * Blocks of 5 ms, at least two periods (one, if else there were fewer than 24 blocks), under a Hann window.
 * Each is compared with its neighbours, so neither a fit that lost frames have biased nor a slow drift of
 * the clock matters: frequency and level are the medians of the blocks.
 *
 * - A phase step is reported above `least_phase_step_deg`; a step of the level above 0.1 dB and the noise.
 * - Samples that do not fit (a short mute, a click) are reported above `least_click`, if they stand out from
 *   the blocks beside them: spikes in every period are distortion, not an event.
 * - A drift of level above 0.1 dB, or of phase above 10 degrees (the fitted level is then 0.01 dB low), is
 *   reported as UNSTEADY over the whole segment; so is a phase that moves from block to block by more
 *   than 2 degrees rms and three times what the noise explains. Clock drift as such is not.
 * - Beyond this check: frames lost in a whole number of periods, to within `least_phase_step_deg`, and
 *   muted frames whose samples were nearer to zero than `least_click`. Within a block of either end of
 *   the segment LOST cannot be told from DIP, and is reported as DIP.
 *
 * False alarms: once in 10^6 segments of a steady tone in Gaussian noise by design; thresholds follow the
 * noise found, so the signal-to-noise ratio does not matter. See tests/unit/test_steady.c.
 *
 * @param residual [n], what mt_fit_sine() left of the segment. Borrowed.
 * @param fit      what it fitted. A biased one will do.
 * @return MT_OK, whether events were found or not; MT_E_ARG, MT_E_DATA (not finite), MT_E_MEMORY.
 */
mt_code mt_steady_check(const double *residual, size_t n, double rate_hz, const mt_sine_fit *fit,
                        mt_steady *out, mt_error *err);

/** "frames lost or repeated", "dip", "unsteady", "away". */
const char *mt_steady_kind_name(mt_steady_kind kind);

#endif
