/** @file welch.h  One Welch loop, three transforms: what a change of the transform alone is worth. */
#ifndef BENCH_WELCH_H
#define BENCH_WELCH_H

#include <stdbool.h>
#include <stddef.h>

#define WELCH_LENGTH ((size_t)65536)

typedef enum welch_kind { WELCH_OURS, WELCH_FFTW_FLOAT, WELCH_FFTW_DOUBLE, WELCH_LAST } welch_kind;

typedef struct welch welch;

/** Plan, window and buffers. NULL if this build has no such transform or there is no memory. */
welch *welch_create(welch_kind kind);

/** Mean power of x[n], 50 % overlap, all bins summed: the same number from every transform. */
double welch_power(welch *w, const float *x, size_t n);

void welch_destroy(welch **w);

#endif
