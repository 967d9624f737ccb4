/**
 * @file wide.h  Four numbers at a time, for the few loops in which an analysis spends its time.
 *
 * A function marked MT_WIDE is built twice where the processor is known when the program starts: as for any, and for
 * those that take four doubles at once. Both give the same to the bit: what is summed in which order is written down
 * in either case, and neither fuses a multiplication with an addition. Static functions only: clang gives others a name
 * that no other file finds.
 */
#ifndef BASE_WIDE_H
#define BASE_WIDE_H

#include <stdbool.h>
#include <stddef.h>

#if defined(__has_feature)
#if __has_feature(thread_sanitizer)
#define MT_WATCHES_THREADS
#endif
#elif defined(__SANITIZE_THREAD__)
#define MT_WATCHES_THREADS
#endif

/* The choice is made before the sanitizer of threads is there, which then fails. */
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(MT_WATCHES_THREADS)
#define MT_WIDE __attribute__((target_clones("default", "avx2")))
#else
#define MT_WIDE
#endif

typedef double mt_four __attribute__((vector_size(4 * sizeof(double))));
/** Four numbers of an array, from any on: `*(const mt_four_at *)(x + i)`. */
typedef double mt_four_at
    __attribute__((vector_size(4 * sizeof(double)), aligned(sizeof(double)), may_alias));

/** Four complex numbers. */
typedef struct mt_turns {
  mt_four re, im;
} mt_turns;

static inline void mt_turns_by(mt_turns *a, const mt_turns *by)
{
  mt_four re = a->re * by->re - a->im * by->im;
  a->im = a->re * by->im + a->im * by->re;
  a->re = re;
}

static inline double mt_four_sum(const mt_four *x)
{
  return ((*x)[0] + (*x)[1]) + ((*x)[2] + (*x)[3]);
}

/** The sum of x[n]. @return false if one of them is not within +-most, or no number. */
bool mt_wide_sum(const double *x, size_t n, double most, double *out);
/** The sum of (x - mean)^2 over x[n]. */
double mt_wide_energy(const double *x, size_t n, double mean);
/** The largest |x[n]|; 0 of none. What is no number is passed over. */
double mt_wide_peak(const double *x, size_t n);

#endif
