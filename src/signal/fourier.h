/**
 * @file fourier.h  The complex Fourier transform, in float, real and imaginary parts in arrays of their own.
 *
 * Stockham's way: each pass reads one pair of arrays from front to back and writes another, already in order, so
 * there is no reordering, and all but the first pass do the same arithmetic on neighbours. With the parts apart a
 * compiler makes vector instructions of that by itself, none of it written for one processor.
 */
#ifndef SIGNAL_FOURIER_H
#define SIGNAL_FOURIER_H

#include <stdbool.h>
#include <stddef.h>

/** What a transform of one length needs. Only read once it is made, so threads may share it. */
typedef struct mt_fourier mt_fourier;

/** @param n  >= 1; fast when it has no factor but 2, 3 and 5. @return NULL when out of memory. */
mt_fourier *mt_fourier_create(size_t n);
void mt_fourier_destroy(mt_fourier **fourier);

/**
 * X[k] = sum over n of x[i] exp(-j 2 pi k i / n), not scaled. For the inverse exchange real and imaginary parts, of
 * what goes in and of what comes out.
 *
 * @param re, im            [n], overwritten: with the result, or with what was on the way.
 * @param other_re, _im     [n], likewise.
 * @return whether the result is in `other`.
 */
bool mt_fourier_run(const mt_fourier *fourier, float *re, float *im, float *other_re, float *other_im);

/** cos and -sin of 2 pi step i / n for i = 0 ... count - 1. */
void mt_fourier_turns(size_t n, size_t step, size_t count, float *re, float *im);

#endif
