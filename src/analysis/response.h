/**
 * @file response.h  The sweep rendered once and its spectrum, shared by all channels of a take.
 *
 * What sweep_check.c needs too. Stimulus seconds and stimulus hertz throughout: the clock offset is taken
 * out when the reference is rendered, so bin k stands for k * bin_hz of the player's nominal clock.
 */
#ifndef ANALYSIS_RESPONSE_H
#define ANALYSIS_RESPONSE_H

#include <mendtone/analysis.h>

#include "signal/transform.h"

/** Quiet time needed around the sweep, seconds. What is played before and after must stay outside. */
#define MT_SWEEP_BEFORE_S 0.05
/* The gate closes 0.08 s after the last of the sweep, a unit may be 0.025 s late, and the fade takes 0.02 s. In all the
   window takes a little less than 5.4 s, of which KissFFT is quick at every common rate. */
#define MT_SWEEP_AFTER_S 0.145

/** One over the spectrum of the sweep at unit amplitude. Owned. Both channels' threads may read it. */
typedef struct mt_sweep_reference {
  mt_segment sweep;
  double rate_hz;
  double clock_ratio;
  double step_s;           /**< stimulus seconds from frame to frame */
  size_t nframes;          /**< of the window: before, sweep, after */
  size_t nfft;             /**< >= nframes */
  double bin_hz;           /**< stimulus hertz from bin to bin */
  double mean_power;       /**< of the bins 0 ... nfft/2 of the sweep's spectrum */
  size_t low_bin;          /**< which is solid from here ... */
  size_t high_bin;         /**< ... to here */
  mt_bin *inverse;         /**< [mt_sweep_bins()], one over it; 0 where it is not solid */
  mt_transform *transform; /**< of nfft, forward only */
} mt_sweep_reference;

/** What one channel caught of the sweep, divided by it. */
typedef struct mt_sweep_capture {
  mt_bin *quotient;  /**< [mt_sweep_bins()], of the window, mean removed and edges faded. Owned. */
  double mean_power; /**< of the bins 0 ... nfft/2 before they were divided */
  double offset;     /**< the part of a frame by which the channel lies later than the window, -0.5 ... 0.5 */
} mt_sweep_capture;

/** Bins of a spectrum, and some of zeros after them, for who takes several at once. */
static inline size_t mt_sweep_bins(const mt_sweep_reference *reference)
{
  return reference->nfft / 2 + 16;
}

/** @return MT_OK; MT_E_ARG: not a sweep that can be measured, rate or ratio out of range; MT_E_MEMORY. */
mt_code mt_sweep_reference_create(const mt_segment *sweep, double rate_hz, double clock_ratio,
                                  mt_sweep_reference **out, mt_error *err);
void mt_sweep_reference_destroy(mt_sweep_reference **reference);

/**
 * Transform the window of a channel that holds the sweep.
 *
 * @param start_frame  stimulus time 0 on this channel, fractional.
 * @return MT_E_DATA: the sweep is not all inside the take, or a sample is not finite or absurd; MT_E_MEMORY.
 */
mt_code mt_sweep_capture_init(const mt_sweep_reference *reference, const double *x, size_t n,
                              double start_frame, mt_sweep_capture *out, mt_error *err);
void mt_sweep_capture_finish(mt_sweep_capture *capture);

/**
 * mt_response_measure() of what was captured, against a reference made before. Gain is referred to `amplitude`
 * (peak, > 0).
 */
mt_code mt_response_of_capture(const mt_sweep_reference *reference, const mt_sweep_capture *capture,
                               double amplitude, const mt_psd *noise, const double *freq_hz, size_t npoints,
                               mt_transfer *out, mt_error *err);

/**
 * How much of a harmonic that folds back at half the rate the gate lets through to the response at freq_hz (of the
 * stimulus's clock), re that harmonic's own share of the fundamental: 0 away from where the two cross.
 */
double mt_response_fold_share(const mt_segment *sweep, double rate_hz, int order, double freq_hz);

#endif
