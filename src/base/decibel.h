/** @file decibel.h  Decibels of amplitudes and of powers, and back. "dB" without a reference is a ratio. */
#ifndef BASE_DECIBEL_H
#define BASE_DECIBEL_H

#include <math.h>

#define MT_PI 3.14159265358979323846

/** 20 lg |r|. -INFINITY for 0. */
static inline double mt_db_of_ratio(double ratio)
{
  return 20.0 * log10(fabs(ratio));
}

/** 10 lg p. -INFINITY for 0. */
static inline double mt_db_of_power(double power)
{
  return 10.0 * log10(power);
}

static inline double mt_ratio_of_db(double db)
{
  return pow(10.0, db / 20.0);
}

static inline double mt_power_of_db(double db)
{
  return pow(10.0, db / 10.0);
}

/** Uncertainty in dB of an amplitude known to a relative uncertainty (small: 8.686 u, GUM 5.1). */
static inline double mt_db_of_relative(double relative)
{
  return 20.0 * log10(1.0 + fabs(relative));
}

#endif
