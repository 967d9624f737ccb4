/** @file transform.h  The real Fourier transform, in float. */
#ifndef SIGNAL_TRANSFORM_H
#define SIGNAL_TRANSFORM_H

#include <mendtone/error.h>

#include <stddef.h>

typedef struct mt_bin {
  float re;
  float im;
} mt_bin;

/** A plan for one length. Its inverse is not to be shared between threads. */
typedef struct mt_transform mt_transform;

/** The shortest even length >= n (and >= 2) that transforms fast: factors 2, 3 and 5 only. */
size_t mt_transform_length(size_t n);

/** @param n  even, >= 2; lengths from mt_transform_length() are fast, others slow. MT_E_ARG, MT_E_MEMORY. */
mt_code mt_transform_create(size_t n, mt_transform **out, mt_error *err);
/** The length it was made for. */
size_t mt_transform_points(const mt_transform *transform);
/** out[n/2+1] = sum over in[n] exp(-j 2 pi k i / n). Not scaled. */
void mt_transform_forward(const mt_transform *transform, const float *in, mt_bin *out);
/** Half as many complex points by the same plan: out[n/2] = sum over in[n/2] exp(-j 4 pi k i / n). Not scaled. */
void mt_transform_complex(mt_transform *transform, const mt_bin *in, mt_bin *out);
/** in[n/2+1] -> out[n], not scaled: forward then inverse multiplies by n. */
void mt_transform_inverse(mt_transform *transform, const mt_bin *in, float *out);
void mt_transform_destroy(mt_transform **transform);

#endif
