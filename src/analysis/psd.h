/** @file psd.h  What one estimate of a density leaves for the next of the same length. */
#ifndef ANALYSIS_PSD_H
#define ANALYSIS_PSD_H

#include <mendtone/analysis.h>

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

/** Release; all zero after it. */
void mt_psd_tools_finish(mt_psd_tools *tools);

#endif
