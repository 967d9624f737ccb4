/** @file tone.h  One steady tone on one channel: everything the readings take from it, with its noise. */
#ifndef ANALYSIS_TONE_H
#define ANALYSIS_TONE_H

#include <mendtone/analysis.h>

#include "analysis/psd.h"
#include "analysis/steady.h"

/**
 * A tone, from one record or averaged over several. Powers are re a full-scale sine, so the power of
 * a line is its peak amplitude squared.
 */
typedef struct mt_tone {
  double freq_hz;
  double freq_uncertainty_hz; /**< expanded, k = 2 */
  bool freq_is_given;         /**< too weak to fit its own: the expected frequency was used */
  double power;               /**< of the fundamental, noise in its bin taken off; may be <= 0 */
  double power_error;         /**< one standard error */
  double noise_power;         /**< one standard error if there were no tone */
  double phase_rad;           /**< of the cosine at mid-record; of the first record */
  double dc;                  /**< of full scale */
  double dc_uncertainty;      /**< expanded, k = 2 */
  double peak;                /**< largest sample, of full scale */
  int norders;
  double harmonic_power[MT_ORDERS_MAX + 1]; /**< [2...]: noise taken off, may be <= 0 */
  double harmonic_error[MT_ORDERS_MAX + 1]; /**< one standard error */
  double harmonic_noise[MT_ORDERS_MAX + 1]; /**< one standard error if there were no harmonic */
  double harmonic_raw[MT_ORDERS_MAX + 1];   /**< [2...]: as fitted, noise left in: for sums with noise */
  double rest_power;                        /**< all but DC, fundamental and fitted harmonics, up to rate/2 */
  double rest_error;                        /**< one standard error */
  double taken_power;     /**< of lines beside the tone, what its fit may have taken from the rest */
  mt_psd rest;            /**< its density; owned */
  double level_spread_db; /**< largest less smallest level of the records */
  size_t nrecords;
  double record_s;
  mt_steady_event events[MT_STEADY_EVENTS_MAX]; /**< what was not steady; times from the first sample */
  size_t nevents;
  size_t nunlisted;    /**< more of them that found no room */
  double last_event_s; /**< end of the last, listed or not */
  size_t nunchecked;   /**< records of too few periods to tell whether they are steady */
} mt_tone;

/**
 * Measure a tone over x[n], in records of about a second.
 *
 * @param expect_hz  where the tone should be, to 1000 ppm; 0: search.
 * @return MT_OK; MT_E_DATA if there is no tone to fit.
 */
mt_code mt_tone_measure(const double *x, size_t n, double rate_hz, double expect_hz, mt_tone *out,
                        mt_error *err);
/** mt_tone_measure(), to the bit, with tools. */
mt_code mt_tone_measure_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, double expect_hz,
                             mt_tone *out, mt_error *err);

/** A tone on its way through a record. */
typedef struct mt_tone_run {
  size_t n;
  double rate_hz;
  double expect_hz;
  bool may_pause; /**< set after the begin: a record without the tone is an event, not an error */
  size_t count;   /**< records ... */
  size_t record;  /**< ... of so many samples */
  size_t next;    /**< the first that has not been seen */
  size_t nabsent; /**< records without the tone, if it may pause */
  double least_db, most_db;
  double *residual;     /**< owned */
  mt_psd_tools *shared; /**< borrowed; NULL: its own */
  size_t nseam; /**< samples looked at on either side of where two records meet; 0: there is but one record */
  double *seam; /**< owned: [2 nseam], the first half what the last record left of its end, ... */
  bool has_seam;      /**< ... if it held the tone, */
  mt_sine_fit before; /**< ... and its fit */
  mt_psd_tools tools;
  mt_tone tone; /**< sums so far */
} mt_tone_run;

/** mt_tone_measure() in steps: the same to the bit, and but one record need be at hand at a time. */
mt_code mt_tone_begin(mt_tone_run *run, size_t n, double rate_hz, double expect_hz, mt_error *err);
/** Take in the records that end by sample `upto`. MT_E_DATA: one without a tone. */
mt_code mt_tone_advance(mt_tone_run *run, mt_samples *samples, size_t upto, mt_error *err);
/** Once all n samples have been seen. MT_E_DATA: no record had a tone. */
mt_code mt_tone_conclude(mt_tone_run *run, mt_tone *out, mt_error *err);
/** Release; all zero after it. */
void mt_tone_cancel(mt_tone_run *run);

/**
 * The same at a known frequency, for tones near or below the noise (crosstalk): no harmonics.
 * The noise in the tone's bin is taken off, so power may be <= 0.
 */
mt_code mt_tone_measure_known(const double *x, size_t n, double rate_hz, double freq_hz, mt_tone *out,
                              mt_error *err);
/** mt_tone_measure_known(), to the bit, with tools. */
mt_code mt_tone_measure_known_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz,
                                   double freq_hz, mt_tone *out, mt_error *err);

/** Stands clear of the noise: three standard errors, in one record 12.7 dB above its bin's noise. */
bool mt_tone_is_present(const mt_tone *tone);

/** RMS level, dBFS, and its expanded uncertainty, dB. The tone must be present. */
double mt_tone_level_dbfs(const mt_tone *tone);
double mt_tone_level_uncertainty_db(const mt_tone *tone);

/** Density of the noise beside a line, what stands out of it (hum) left aside; never below the rounding of 24 bits. */
double mt_tone_density_beside(const mt_psd *psd, double freq_hz);

/**
 * Lines known from elsewhere (the idle noise) that lie so near to the tone or an order that its record cannot tell them
 * apart: each adds to the uncertainty what the fit takes of it.
 */
void mt_tone_allow_for(mt_tone *tone, const mt_psd_line *lines, size_t nlines);

void mt_tone_finish(mt_tone *tone);

/** Power of a fitted line without the noise in its 1/T wide bin, and the standard error of that. */
void mt_tone_debias(double raw_power, double density, double record_s, double *power, double *error);

#endif
