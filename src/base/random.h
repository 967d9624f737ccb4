/** @file random.h  A small repeatable random source for dither, simulated noise and tests. */
#ifndef BASE_RANDOM_H
#define BASE_RANDOM_H

#include <stdint.h>

/** State; any seed is good. Generator: SplitMix64 (Steele, Lea and Flood 2014). */
typedef struct mt_random {
  uint64_t state;
  double spare;
  int has_spare;
} mt_random;

void mt_random_init(mt_random *random, uint64_t seed);
uint64_t mt_random_bits(mt_random *random);
/** Uniform in [0, 1), 53 bits. */
double mt_random_uniform(mt_random *random);
/** Standard normal (polar method of Marsaglia). */
double mt_random_normal(mt_random *random);
/** Triangular on (-1, 1): the sum of two uniforms, TPDF dither of 2 LSB peak to peak. */
double mt_random_triangular(mt_random *random);

#endif
