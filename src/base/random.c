#include "base/random.h"

#include <math.h>

void mt_random_init(mt_random *random, uint64_t seed)
{
  random->state = seed;
  random->spare = 0.0;
  random->has_spare = 0;
}

uint64_t mt_random_bits(mt_random *random)
{
  uint64_t z = random->state += UINT64_C(0x9e3779b97f4a7c15);
  z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
  z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
  return z ^ (z >> 31);
}

double mt_random_uniform(mt_random *random)
{
  return (double)(mt_random_bits(random) >> 11) * 0x1p-53;
}

double mt_random_normal(mt_random *random)
{
  double u, v, square, scale;

  if (random->has_spare) {
    random->has_spare = 0;
    return random->spare;
  }
  do {
    u = 2.0 * mt_random_uniform(random) - 1.0;
    v = 2.0 * mt_random_uniform(random) - 1.0;
    square = u * u + v * v;
  } while (square >= 1.0 || square == 0.0);
  scale = sqrt(-2.0 * log(square) / square);
  random->spare = v * scale;
  random->has_spare = 1;
  return u * scale;
}

double mt_random_triangular(mt_random *random)
{
  return mt_random_uniform(random) - mt_random_uniform(random);
}
