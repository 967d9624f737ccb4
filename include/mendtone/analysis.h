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
 * Cost: O(n), about 2 ns a sample for the fundamental, 5 with ten orders; 5 more with guess_hz = 0.
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

/* ---- windows and noise density (analysis/window.c, analysis/psd.c) ------------------------------ */

/**
 * Cosine-sum windows, sum over k of (-1)^k a_k cos(2 pi k n / N). Highest sidelobe -13, -31, -92, -180 dB;
 * main lobe 1, 2, 4, 7 bins to either side.
 *
 * Source: Harris 1978; coefficients of 4 terms after Heinzel, Ruediger and Schilling 2002, of 7 after
 * Solomon 1994.
 */
typedef enum mt_window {
  MT_WINDOW_RECTANGULAR,
  MT_WINDOW_HANN,
  MT_WINDOW_BLACKMAN_HARRIS_4,
  MT_WINDOW_BLACKMAN_HARRIS_7,
  MT_WINDOW_LAST
} mt_window;

/** Fill w[n], DFT-periodic form: w[0] is the edge, w[n / 2] = 1 the middle. `kind` below MT_WINDOW_LAST. */
void mt_window_fill(mt_window kind, size_t n, double *w);
/** Equivalent noise bandwidth, bins: 1, 1.5, 2.00435, 2.63191. Exact for any n above twice the terms. */
double mt_window_enbw_bins(mt_window kind);
/** Coherent gain: the mean of the window, 1, 0.5, 0.35875, 0.27105. */
double mt_window_gain(mt_window kind);

/** Power spectral density, one-sided. */
typedef struct mt_psd {
  double *density; /**< [nbins], power (re a full-scale sine) per Hz; owned. The first and the last bin
                        have half a bin's width: they stand for [0, bin_hz / 2] and for as much below
                        rate_hz / 2 */
  size_t nbins;    /**< bins 0 ... nfft/2 */
  double bin_hz;
  double rate_hz;
  mt_window window;
  double averages; /**< equivalent number of independent periodograms: of Gaussian noise, each bin spreads
                        by 1 / sqrt(averages) of itself */
} mt_psd;

/**
 * Estimate the density of a noise by averaging windowed periodograms (Welch).
 *
 * The record's mean is removed in double. Segments overlap by at least 50 % (75 % with the 7-term window;
 * rectangular ones lie side by side) and are spread evenly, so that every sample is used. The transform is
 * float and adds about -138 dB of the strongest line it sees: subtract lines (mt_fit_sine) before.
 *
 * @param x      [n], borrowed, at least 16 samples.
 * @param nfft   0: the shortest whose main lobe at 20 Hz ends at 10 Hz, 4800 to 33600 at 48 kHz; else
 *               rounded up to a product of 2, 3 and 5. Never longer than n: then rounded down.
 * @param out    Release with mt_psd_finish(). Unchanged on failure.
 * @return MT_OK; MT_E_ARG: window or rate out of range; MT_E_DATA: too few samples, or one that is not
 *         finite or beyond 10^9; MT_E_MEMORY.
 *
 * Source: Welch 1967, the averages from the overlap of the window with itself.
 * Tolerance: power of a steady 1 kHz tone 0.0002 dB, 8 to 192 kHz, 65536 samples and more;
 * tests/unit/test_psd.c.   Thread: any.
 */
mt_code mt_psd_estimate(const double *x, size_t n, double rate_hz, mt_window window, size_t nfft, mt_psd *out,
                        mt_error *err);
/** Release; all zero after it. NULL and a finished one are accepted. */
void mt_psd_finish(mt_psd *psd);

/* ---- weighting (analysis/weighting.c) ---------------------------------------------------------- */

typedef enum mt_weighting {
  MT_WEIGHT_NONE,
  MT_WEIGHT_A,
  MT_WEIGHT_C,
  MT_WEIGHT_468,     /**< as RMS, not quasi-peak: never call a reading with it "quasi-peak" */
  MT_WEIGHT_CCIR_RMS /**< the same, 5.63 dB lower */
} mt_weighting;

/**
 * Weight in dB at a frequency; all but CCIR-RMS 0 dB at 1 kHz. -INFINITY at 0 Hz and where the frequency
 * is not finite (not MT_WEIGHT_NONE at 0 Hz: 0 dB).
 *
 * Source: A and C: IEC 61672-1 annex E, within the 0.05 dB its table is rounded to. 468: poles of the
 * passive network of ITU-R BS.468-4, within 0.05 dB of its table 1 everywhere. CCIR-RMS: AES17, that network
 * at -5.63 dB at 1 kHz, 0 dB at 2 kHz.
 */
double mt_weighting_db(mt_weighting weighting, double freq_hz);

/** Power of a band and how sure it is. */
typedef struct mt_band_power {
  double power;          /**< re a full-scale sine */
  double standard_error; /**< same unit, one sigma */
} mt_band_power;

/**
 * Sum a density over a band with a weighting.
 *
 * Bins at the edges count by their share. The weights are corrected for the smearing of the window (its
 * second and fourth moment), so that a weighted line is right to 0.00002 dB at 20 Hz with 65536 points at
 * 48 kHz. The standard error is that of Gaussian noise of this density, with the correlation of neighbouring
 * bins: 1 / sqrt(B T) of the power, times 1.04 (Hann, many segments) to 1.7 (one segment of the 4-term
 * window). A line in the band makes it too great, not too small.
 *
 * @param from_hz, to_hz  Cut to 0 ... rate/2. A band that holds nothing (empty, above rate/2, not a number)
 *                        has power 0 and an infinite standard error.
 *
 * Tolerance: two standard errors hold the true level of Gaussian noise 95 times in 100, tests/unit/test_psd.c.
 */
mt_band_power mt_psd_band(const mt_psd *psd, double from_hz, double to_hz, mt_weighting weighting);

/* ---- sweep response (analysis/response.c) ------------------------------------------------------ */

/** A transfer function on a given grid. Arrays [npoints], owned. */
typedef struct mt_transfer {
  size_t npoints;
  double *freq_hz; /**< of the stimulus's nominal clock */
  double *gain_db; /**< output over played amplitude: a wire reads 0 dB */
  double
      *phase_deg; /**< unwrapped, the delay given by the location taken out; -179 ... 181 at the point nearest
                                1 kHz, so that an inverted unit reads +180 */
  double *uncertainty_db;  /**< expanded, k = 2; grows to 40 where the value cannot be told from noise */
  double *uncertainty_deg; /**< expanded, k = 2; 180 where the value cannot be told from noise */
} mt_transfer;

/**
 * The band in which the response to a sweep can be trusted, hertz of the stimulus's nominal clock: from an octave
 * above the sweep's start (10 Hz for the default stimulus) to a little below its fade-out (0.47 x rate).
 *
 * @param rate_hz  of the capture.
 * @return false, and nothing written, if it is not a sweep or the rate cannot carry it.
 */
bool mt_response_band(const mt_segment *sweep, double rate_hz, double *from_hz, double *to_hz);

/**
 * Response of one channel from the sweep segment: spectral division by the sweep rendered again at
 * the take's clock (the capture itself is not resampled), gated in time.
 *
 * The gate passes what comes 9 ms before to 0.3 s after the delay given (at 10 kHz: to 36 ms after) and stops
 * harmonics of order 2 and up, which come L ln(order) earlier. 0.05 s before and 0.15 s after the sweep must be free
 * of other signals. A harmonic that folds back at half the rate cannot be told from the response where it crosses the
 * sweep (order 2 at a third of the rate).
 *
 * @param x             [n] the whole take of that channel.
 * @param start_frame   stimulus time 0 in frames (fractional).
 * @param clock_ratio   1 + clock offset.
 * @param played        which stimulus channel's amplitude it is referred to.
 * @param noise         density of the idle noise for the uncertainty, in hertz of the capture; NULL: not known. Either
 *                      way the noise is also read from the sweep's own record, later than the gate, and the larger
 *                      one counts.
 * @param freq_hz       [npoints] ascending, where the response is wanted, in hertz of the stimulus's nominal clock;
 *                      those outside mt_response_band() are refused with MT_E_ARG.
 * @return MT_OK; MT_E_ARG; MT_E_MEMORY; MT_E_DATA if there is no sweep in this channel, it is not where the location
 *         says, it is not all in the take, or a sample is not finite. `out` is unchanged on failure.
 *
 * Sources: Farina 2000; Novak, Lotton and Simon 2015 (synchronised sweep); Kaiser's window for the gate's shape.
 */
mt_code mt_response_measure(const double *x, size_t n, double rate_hz, const mt_segment *sweep,
                            double start_frame, double clock_ratio, unsigned played, const mt_psd *noise,
                            const double *freq_hz, size_t npoints, mt_transfer *out, mt_error *err);
void mt_transfer_finish(mt_transfer *transfer);

/* ---- the readings (analysis/measure.c) --------------------------------------------------------- */

/**
 * Read everything a stimulus take holds. Appends to `results`. `location` as found by capture.
 *
 * Thread: any, one a take; where there are two processors a second one of its own works beside it, as it does in
 * mt_measure_recording().
 */
mt_code mt_measure_stimulus(const mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                            const char *state, mt_results *results, mt_error *err);

#define MT_MAX_LEVEL_THD_PERCENT 1.0

/** What is known of the path between the stimulus and the take. */
typedef enum mt_path {
  MT_PATH_UNKNOWN, /**< look for the signs of a lossy codec */
  MT_PATH_LOSSY,   /**< there is one, whether it shows or not */
  MT_PATH_CLEAN    /**< there is none: what looks like one is the unit's */
} mt_path;

typedef struct mt_measure_options {
  const char *state;            /**< name of the unit's state */
  double max_level_thd_percent; /**< distortion at which the maximum level is read; above 0 */
  const mt_curve
      *loop_response[2]; /**< by channel: the rig's own response, taken off the unit's, which ends where
                                         it does; NULL or without points: none */
  mt_path path;
  bool codec_first; /**< of a codec in the path: see mt_plan */
} mt_measure_options;

/** mt_measure_stimulus() with more to say; that one reads the maximum level at MT_MAX_LEVEL_THD_PERCENT. */
mt_code mt_measure_stimulus_with(const mt_take *take, const mt_stimulus *stimulus,
                                 const mt_location *location, const mt_measure_options *options,
                                 mt_results *results, mt_error *err);

/** Read a plain recording: a steady tone, idle noise, or silence. */
mt_code mt_measure_recording(const mt_take *take, mt_results *results, mt_error *err);

/** The same where the path is known. */
mt_code mt_measure_recording_with(const mt_take *take, mt_path path, mt_results *results, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
