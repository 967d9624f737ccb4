/**
 * @file wide.h  Four numbers at a time, for the few loops in which an analysis spends its time.
 *
 * A function marked MT_WIDE is built twice where the processor is known when the program starts: as for any, and for
 * those that take four doubles at once. Both give the same to the bit: what is summed in which order is written down
 * in either case, and neither fuses a multiplication with an addition. Static functions only: clang gives others a name
 * that no other file finds; and no two of one name, as what chooses between the two builds has it without `static`.
 */
#ifndef BASE_WIDE_H
#define BASE_WIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

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

/** What a comparison of them gives: all bits or none. */
typedef long long mt_mask __attribute__((vector_size(4 * sizeof(long long))));
_Static_assert(sizeof(long long) == sizeof(double),
               "a comparison gives whole numbers of the size of a double");

/** Four that are good enough in float, and whole numbers of their size: what a comparison of them gives. */
typedef float mt_floats __attribute__((vector_size(4 * sizeof(float))));
typedef float mt_floats_at __attribute__((vector_size(4 * sizeof(float)), aligned(sizeof(float)), may_alias));
typedef int32_t mt_ints __attribute__((vector_size(4 * sizeof(int32_t))));

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

typedef float mt_eight_floats __attribute__((vector_size(8 * sizeof(float))));
typedef float mt_eight_floats_at
    __attribute__((vector_size(8 * sizeof(float)), aligned(sizeof(float)), may_alias));

/** The first and the second of four pairs of floats. */
static inline void mt_four_pairs(const mt_eight_floats *x, mt_four *first, mt_four *second)
{
  mt_floats a = __builtin_shufflevector(*x, *x, 0, 2, 4, 6), b = __builtin_shufflevector(*x, *x, 1, 3, 5, 7);
  *first = __builtin_convertvector(a, mt_four);
  *second = __builtin_convertvector(b, mt_four);
}

static inline double mt_four_sum(const mt_four *x)
{
  return ((*x)[0] + (*x)[1]) + ((*x)[2] + (*x)[3]);
}

/** Take over those of another that are marked. */
static inline void mt_four_choose(const mt_mask *which, const mt_four *other, mt_four *io)
{
  *io = (mt_four)((*which & (mt_mask)*other) | (~*which & (mt_mask)*io));
}

/** The greater of each two. */
static inline void mt_four_raise(const mt_four *other, mt_four *io)
{
  mt_mask more = *other > *io;
  mt_four_choose(&more, other, io);
}

static inline void mt_four_size(mt_four *io)
{
  *io = (mt_four)((mt_mask)*io & INT64_MAX);
}

/** All of them within +-2^51 rounded to whole numbers: beyond 2^52 a double holds no others. */
static inline void mt_four_round(mt_four *io)
{
  *io = (*io + 0x1.8p52) - 0x1.8p52;
}

/**
 * Cosine and sine of four angles within +-1e6 rad, to 3e-16: less the nearest whole number of half turns (pi in two
 * parts, of the first of which any such number is exact), by Taylor's series, whose rest is 1e-17 at a quarter turn.
 */
static inline void mt_turns_of(const mt_four *radians, mt_turns *out)
{
  const double pi_high = 0x1.921fb544p+1, pi_low = 0x1.0b4611a626331p-33, over_pi = 0x1.45f306dc9c883p-2;
  mt_four halves = *radians * over_pi, pairs, odd, x, q, sign, cosine, sine;

  mt_four_round(&halves);
  pairs = 0.5 * halves;
  mt_four_round(&pairs);
  odd = halves - 2.0 * pairs; /* -1, 0 or 1 */
  sign = 1.0 - 2.0 * odd * odd;
  x = (*radians - halves * pi_high) - halves * pi_low;
  q = x * x;
  /* factorials */
  cosine = q * (1.0 / 2432902008176640000.0) - 1.0 / 6402373705728000.0;
  cosine = cosine * q + 1.0 / 20922789888000.0;
  cosine = cosine * q - 1.0 / 87178291200.0;
  cosine = cosine * q + 1.0 / 479001600.0;
  cosine = cosine * q - 1.0 / 3628800.0;
  cosine = cosine * q + 1.0 / 40320.0;
  cosine = cosine * q - 1.0 / 720.0;
  cosine = cosine * q + 1.0 / 24.0;
  cosine = cosine * q - 1.0 / 2.0;
  sine = q * (1.0 / 51090942171709440000.0) - 1.0 / 121645100408832000.0;
  sine = sine * q + 1.0 / 355687428096000.0;
  sine = sine * q - 1.0 / 1307674368000.0;
  sine = sine * q + 1.0 / 6227020800.0;
  sine = sine * q - 1.0 / 39916800.0;
  sine = sine * q + 1.0 / 362880.0;
  sine = sine * q - 1.0 / 5040.0;
  sine = sine * q + 1.0 / 120.0;
  sine = sine * q - 1.0 / 6.0;
  out->re = sign * (cosine * q + 1.0);
  out->im = sign * (x + x * q * sine);
}

/** The sum of x[n]. @return false if one of them is not within +-most, or no number. */
bool mt_wide_sum(const double *x, size_t n, double most, double *out);
/** The sum of (x - mean)^2 over x[n]. */
double mt_wide_energy(const double *x, size_t n, double mean);
/** The largest |x[n]|; 0 of none. What is no number is passed over. */
double mt_wide_peak(const double *x, size_t n);

/** One channel of interleaved frames: out[n] from its first sample on, each `stride` after the last. */
void mt_wide_take_channel(const float *first, size_t stride, size_t n, double *out);

/** The sum of n squared second differences, of x[n + 2]. */
double mt_wide_bend_energy(const double *x, size_t n);

#endif
