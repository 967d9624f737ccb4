/** @file companding.h  What a decoder of eight bits gives back of a value of full scale 1: ITU-T G.711. */
#ifndef COMPANDING_H
#define COMPANDING_H

#include <math.h>

/** Magnitude + 33 of 13 bits, a segment and four bits of it; the decoder gives the middle. */
static inline double companding_mu_law(double value)
{
  int size = (int)fmin(fabs(value) * 8192.0, 8158.0) + 33, segment = (int)log2(size) - 5;
  int middle = ((size >> (segment + 1)) << (segment + 1)) + (1 << segment) - 33;
  return copysign((double)middle / 8192.0, value);
}

/** 12 bits of magnitude, sixteen levels to a segment, the first two alike. */
static inline double companding_a_law(double value)
{
  int size = (int)fmin(fabs(value) * 4096.0, 4095.0), segment = size < 64 ? 1 : (int)log2(size) - 4;
  int middle = ((size >> segment) << segment) + (1 << (segment - 1));
  return copysign((double)middle / 4096.0, value);
}

#endif
