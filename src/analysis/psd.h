/** @file psd.h  What one estimate of a density leaves for the next of the same length. */
#ifndef ANALYSIS_PSD_H
#define ANALYSIS_PSD_H

#include <mendtone/analysis.h>

#include "analysis/samples.h"
#include "signal/transform.h"

/**
 * Window, transform and room of the last estimate. All zero to begin with; not to be shared between threads.
 * A record after record of one length needs them made once.
 */
typedef struct mt_psd_tools {
  size_t nfft; /**< 0: nothing made */
  mt_window window;
  mt_transform *transform;
  double *w;    /**< [nfft] */
  float *in;    /**< [nfft] */
  mt_bin *bins; /**< [nfft / 2 + 1] */
  size_t count; /**< segments `averages` is for; 0: none */
  double hop;   /**< and their distance */
  double averages;
} mt_psd_tools;

/** mt_psd_estimate(), to the bit, with tools. */
mt_code mt_psd_estimate_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, mt_window window,
                             size_t nfft, mt_psd *out, mt_error *err);

/** An estimate on its way through a record. */
typedef struct mt_psd_run {
  mt_psd_tools *tools; /**< borrowed */
  size_t n;
  double rate_hz;
  double mean;
  size_t nfft;
  size_t count;    /**< segments of nfft samples, evenly spread */
  double hop;      /**< their mean distance */
  size_t next;     /**< the first that has not been seen */
  double *density; /**< owned: [nfft / 2 + 1] sums so far */
} mt_psd_run;

/**
 * mt_psd_estimate() in steps: the same to the bit, and but one segment need be at hand at a time.
 *
 * @param mean  of the record: taken off.
 * @return as mt_psd_estimate(). On failure there is nothing to finish.
 */
mt_code mt_psd_begin(mt_psd_run *run, mt_psd_tools *tools, size_t n, double rate_hz, double mean,
                     mt_window window, size_t nfft, mt_error *err);
/** Take in the segments that end by sample `upto`. */
mt_code mt_psd_advance(mt_psd_run *run, mt_samples *samples, size_t upto, mt_error *err);
/** Once all n samples have been seen: `out` is filled, `run` empty. */
void mt_psd_conclude(mt_psd_run *run, mt_psd *out);
/** Give up; also after mt_psd_conclude(). */
void mt_psd_cancel(mt_psd_run *run);

/** One line in a density. */
typedef struct mt_psd_line {
  double freq_hz;
  double power; /**< re a full-scale sine, what lies beneath taken off */
} mt_psd_line;

/**
 * Part a density into noise and the lines that stand out of it, as mt_psd_band() knows them.
 *
 * @param beneath  [psd->nbins]: the density, in the lobe of a line what lies beside it.
 * @param lines    room for `most`, in order of frequency; what is found after that many stays in `beneath`.
 * @return how many.
 */
size_t mt_psd_part(const mt_psd *psd, double *beneath, mt_psd_line *lines, size_t most);

/**
 * Expanded uncertainty, dB, of a noise power that is known with a relative standard error: half the width of the
 * interval about the value in dB that holds 95.45 % of a chi-square distribution of 2 / relative^2 degrees of freedom.
 * For few of these it is wider than twice the error, as the lower tail in dB is long. Within 0.7 % from 4 degrees up,
 * then wider.
 */
double mt_psd_uncertainty_db(double relative_error);

/** Release; all zero after it. */
void mt_psd_tools_finish(mt_psd_tools *tools);

#endif
