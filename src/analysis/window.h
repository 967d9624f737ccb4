/** @file window.h  Cosine-sum windows: their terms, spectrum and overlap, for the estimators of this folder. */
#ifndef ANALYSIS_WINDOW_H
#define ANALYSIS_WINDOW_H

#include <mendtone/analysis.h>

#include <stddef.h>

#define MT_WINDOW_TERMS_MAX 7

/** Terms a[0 ... n - 1] of w(t) = sum (-1)^k a[k] cos(2 pi k t), t = 0 ... 1. */
const double *mt_window_terms(mt_window kind, size_t *nterms);

/** Amplitude of the spectrum `offset_bins` off its middle, 1 at the middle; real, for the window's centre as t = 0. */
double mt_window_kernel(mt_window kind, double offset_bins);

/** Autocorrelation of the window shifted by a fraction of its length, 1 at 0, 0 from 1 on. */
double mt_window_overlap(mt_window kind, double shift);

/**
 * Spectrum of the squared window `offset_bins` off its middle, 1 at the middle: the correlation of two
 * bins of one transform that are so far apart, for a flat noise.
 */
double mt_window_bin_correlation(mt_window kind, unsigned offset_bins);

/**
 * Second and fourth moment of the power spectrum about its middle, bins^2 and bins^4.
 * For the rectangular window, whose moments are infinite, 0.
 */
void mt_window_moments(mt_window kind, double *second, double *fourth);

#endif
