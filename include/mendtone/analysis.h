/**
 * @file analysis.h  The measuring tools: fits, transforms, weights. From samples to numbers.
 *
 * Scale of all levels: a full-scale sine has power 1 (0 dBFS), that is power = 2 x mean square of
 * samples with +-1.0 = full scale. Sums, fits and windows are double; KissFFT (float) only ever sees
 * residuals and windowed noise.
 */
#ifndef MENDTONE_ANALYSIS_H
#define MENDTONE_ANALYSIS_H

#include <mendtone/results.h>
#include <mendtone/stimulus.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_ORDERS_MAX 10

/* ---- sine fit (analysis/fit.c) ---------------------------------------------------------------- */

/** A cos(2 pi f (t - t_mid) + phase) + dc, t_mid the middle of the record: (n - 1) / 2 frames. */
typedef struct mt_sine_fit {
  double freq_hz;
  double amplitude;    /**< peak, of full scale */
  double phase_rad;    /**< at mid-record, -pi ... pi */
  double dc;           /**< of full scale */
  double rms_residual; /**< of full scale, rms; everything but fundamental, harmonics fitted and DC */
  int norders;         /**< harmonics fitted jointly: 1 ... norders */
  double harmonic_amplitude[MT_ORDERS_MAX +
                            1]; /**< [k]: peak of order k; [1] equals amplitude; 0 if not fitted */
  double
      harmonic_phase_rad[MT_ORDERS_MAX + 1]; /**< [k]: of cos(2 pi k f (t - t_mid) + phase), at mid-record */
  unsigned iterations;                       /**< Gauss-Newton steps of the joint fit */
  bool converged;                            /**< always true on MT_OK: what does not settle is refused */
} mt_sine_fit;

/**
 * Four-parameter least-squares sine fit, harmonics fitted jointly, frequency tied.
 *
 * A tone is accepted that stands 18 dB above the noise 10 to 40 bins beside it (n >= 512: 24 dB below white
 * noise over 48000 samples), or explains more of a shorter record than noise would once in 10^6. Whether it
 * was steady is another question: src/analysis/steady.h.
 *
 * @param x        [n], double, borrowed. At least 2 periods and 16 samples.
 * @param guess_hz Start within 1.5 bins (1 bin = rate / n) plus 1000 ppm of the truth; the nearest line
 *                 within 1.5 bins is preferred. 0: search the spectrum's strongest line, from 2 periods up.
 * @param norders  1 (fundamental only) ... MT_ORDERS_MAX; orders within 2 bins of rate/2 or above are left out.
 * @param out      Unchanged on failure.
 * @param residual NULL, or [n]: x less all that was fitted. May be x itself. Undefined on failure.
 * @return MT_OK; MT_E_ARG; MT_E_DATA if x has no tone there (silence, an impulse, noise) or is not finite;
 *         MT_E_MEMORY.
 *
 * Source: IEEE 1057 four-parameter fit, t = 0 at mid-record.
 * Tolerance: the Cramer-Rao bound; below -195 dB of its own; tests/unit/test_fit.c.   Thread: any.
 * Cost: O(n), about 4 ns a sample for the fundamental, 8 with ten orders; 17 more with guess_hz = 0.
 */
mt_code mt_fit_sine(const double *x, size_t n, double rate_hz, double guess_hz, int norders, mt_sine_fit *out,
                    double *residual, mt_error *err);

/**
 * Least-squares amplitude and phase at a known frequency (three-parameter fit). Same conventions.
 *
 * No test for a tone: silence reads 0. A frequency wrong by d bins leaves pi d / sqrt(3) of the tone.
 *
 * @param freq_hz  1.5 bins or more from 0 and from rate/2.
 * @return MT_OK; MT_E_ARG; MT_E_DATA if x is not finite.
 */
mt_code mt_fit_known(const double *x, size_t n, double rate_hz, double freq_hz, mt_sine_fit *out,
                     double *residual, mt_error *err);

/* ---- windows and transform (analysis/window.c, analysis/transform.c) --------------------------- */

typedef enum mt_window {
  MT_WINDOW_RECTANGULAR,
  MT_WINDOW_HANN,
  MT_WINDOW_BLACKMAN_HARRIS_4,
  MT_WINDOW_BLACKMAN_HARRIS_7,
  MT_WINDOW_LAST
} mt_window;

/** Fill w[n], DFT-periodic form. */
void mt_window_fill(mt_window kind, size_t n, double *w);
/** Equivalent noise bandwidth, bins, from the coefficients. */
double mt_window_enbw_bins(mt_window kind);
/** Coherent gain. */
double mt_window_gain(mt_window kind);

/** Power spectral density, one-sided. */
typedef struct mt_psd {
  double *density; /**< [nbins], power (re a full-scale sine) per Hz; owned */
  size_t nbins;    /**< bins 0 ... nfft/2 */
  double bin_hz;
  double rate_hz;
  mt_window window;
  double averages; /**< equivalent number of independent periodograms */
} mt_psd;

/**
 * Welch estimate, 50 % overlap (75 % for the 7-term window), the record's mean removed.
 *
 * @param nfft  0: chosen from n, the shortest that still resolves 20 Hz well; else rounded up to a
 *              length KissFFT likes, and no longer than n.
 */
mt_code mt_psd_estimate(const double *x, size_t n, double rate_hz, mt_window window, size_t nfft, mt_psd *out,
                        mt_error *err);
void mt_psd_finish(mt_psd *psd);

/* ---- weighting (analysis/weighting.c) ---------------------------------------------------------- */

typedef enum mt_weighting {
  MT_WEIGHT_NONE,
  MT_WEIGHT_A,
  MT_WEIGHT_C,
  MT_WEIGHT_468,
  MT_WEIGHT_CCIR_RMS
} mt_weighting;

/** Weight in dB at a frequency. A and C: IEC 61672-1 Annex E; 468: ITU-R BS.468-4 network; CCIR-RMS: -5.63 dB. */
double mt_weighting_db(mt_weighting weighting, double freq_hz);

/** Power of a band and how sure it is. */
typedef struct mt_band_power {
  double power;          /**< re a full-scale sine */
  double standard_error; /**< same unit, one sigma */
} mt_band_power;

/** Sum a density over [from_hz, to_hz] with a weighting, corrected for the window's spread. */
mt_band_power mt_psd_band(const mt_psd *psd, double from_hz, double to_hz, mt_weighting weighting);

/* ---- sweep response (analysis/response.c) ------------------------------------------------------ */

/** A transfer function on a given grid. Arrays [npoints], owned. */
typedef struct mt_transfer {
  size_t npoints;
  double *freq_hz;
  double *gain_db;
  double *phase_deg; /**< unwrapped, the delay given by the location taken out */
  double *uncertainty_db;
  double *uncertainty_deg;
} mt_transfer;

/**
 * Response of one channel from the sweep segment: spectral division by the sweep rendered again at
 * the take's clock, gated in time.
 *
 * @param x             [n] the whole take of that channel.
 * @param start_frame   stimulus time 0 in frames (fractional).
 * @param clock_ratio   1 + clock offset.
 * @param played        which stimulus channel's amplitude it is referred to.
 * @param noise         density of the idle noise for the uncertainty; NULL: not known, bounded from the record.
 * @param freq_hz       [npoints] ascending, where the response is wanted; those outside the swept band
 *                      are refused with MT_E_ARG.
 */
mt_code mt_response_measure(const double *x, size_t n, double rate_hz, const mt_segment *sweep,
                            double start_frame, double clock_ratio, unsigned played, const mt_psd *noise,
                            const double *freq_hz, size_t npoints, mt_transfer *out, mt_error *err);
void mt_transfer_finish(mt_transfer *transfer);

/* ---- the readings (analysis/measure.c) --------------------------------------------------------- */

/** Read everything a stimulus take holds. Appends to `results`. `location` as found by capture. */
mt_code mt_measure_stimulus(const mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                            const char *state, mt_results *results, mt_error *err);

/** Read a plain recording: a steady tone, idle noise, or silence. */
mt_code mt_measure_recording(const mt_take *take, mt_results *results, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
