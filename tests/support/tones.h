/** @file tones.h  Tones of known truth, and what theory allows a fit of them. */
#ifndef TONES_H
#define TONES_H

#include "base/random.h"

#include <stdbool.h>
#include <stddef.h>

/** x[i] = amplitude cos(2 pi freq / rate i + phase), every phase reduced in long double: the slow, sure way. */
void tones_fill(double *x, size_t n, double rate_hz, double freq_hz, double amplitude, double phase_rad);

/** The same by rotation, fresh every 64 frames, which keeps it to 1e-14; `cycles` per frame. */
void tones_fill_fast(double *x, size_t n, double cycles, double amplitude, double phase_rad);

/** Squared errors over the Cramer-Rao bound, summed over `runs`. */
typedef struct tones_efficiency {
  double freq;
  double amplitude;
  int runs;
} tones_efficiency;

/**
 * Fit `runs` random tones of n frames in white noise, and add to the sums.
 *
 * Rife and Boorstyn 1974, for a real sinusoid: var w >= 12 / (eta N (N^2 - 1)), var A >= 2 sigma^2 / N.
 *
 * @param x  [n], scratch.
 */
void tones_run_efficiency(mt_random *random, double *x, size_t n, double snr_db, int runs,
                          tones_efficiency *sum);

/**
 * 95 % interval of a ratio found in so many runs: the sum is chi-squared (Wilson and Hilferty 1931).
 */
void tones_ratio_interval(double ratio, int runs, double *low, double *high);

/** How samples are stored. */
typedef struct tones_storage {
  const char *name;
  int bits;      /**< 0: float32, -1: double */
  bool dithered; /**< triangular, 2 LSB peak to peak */
} tones_storage;

/** Store x[n] that way. */
void tones_store(mt_random *random, const tones_storage *how, double *x, size_t n);

/**
 * What a full-scale tone leaves in theory, dB re the tone: 6.0206 N + 1.7609 dB below it, and 4.7712 dB more with
 * that dither (W. R. Bennett 1948; Lipshitz, Wannamaker and Vanderkooy 1992). NaN for float and double.
 */
double tones_floor_db(const tones_storage *how);

#endif
