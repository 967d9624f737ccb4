/**
 * @file support.h  What every test includes: cmocka, a strict comparison of numbers, slow oracles.
 *
 * cmocka 1.1.5's assert_float_equal passes for NaN against 1 and has no double version: not used here.
 */
#ifndef SUPPORT_H
#define SUPPORT_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/** Fails unless both are finite and |got - want| <= tol; prints all four. */
#define assert_near(got, want, tol, unit)                                                                    \
  support_assert_near((got), (want), (tol), (unit), #got, __FILE__, __LINE__)
void support_assert_near(double got, double want, double tol, const char *unit, const char *what,
                         const char *file, int line);

/** Fails unless low <= got <= high, all finite. */
#define assert_between(got, low, high, unit)                                                                 \
  support_assert_between((got), (low), (high), (unit), #got, __FILE__, __LINE__)
void support_assert_between(double got, double low, double high, const char *unit, const char *what,
                            const char *file, int line);

/** Fails with the message if the code is not MT_OK. */
#define assert_ok(code, err) support_assert_ok((int)(code), (err).message, __FILE__, __LINE__)
void support_assert_ok(int code, const char *message, const char *file, int line);

/**
 * One bin of a discrete Fourier sum at any frequency, slowly and in long double.
 * @return amplitude (peak) of the component: 2/n |sum x exp(-j w t)|.
 */
double support_dft_amplitude(const double *x, size_t n, double rate_hz, double freq_hz);

/** Mean square of x[n], Kahan-free long double. */
double support_mean_square(const double *x, size_t n);

/** A seed: from the environment variable MT_TEST_SEED if set, else `fallback`; printed. */
uint64_t support_seed(uint64_t fallback);

#endif
