#include "analysis/weighting.h"

#include "base/decibel.h"

#include <math.h>

/* IEC 61672-1 Annex E, pole frequencies in Hz */
#define F1_HZ 20.598997
#define F2_HZ 107.652649
#define F3_HZ 737.862231
#define F4_HZ 12194.217148
/* What makes each 0 dB at 1 kHz: +1.999656 dB and +0.061902 dB, in the standard rounded to 2.000 and 0.062 */
#define A_GAIN 1.5847674908176286
#define C_GAIN 1.0143554937164794

/*
 * Poles of the passive network of ITU-R BS.468-4 figure 1a, in units of 1 kHz (rad/s over 2 pi 1000):
 * two real ones, two pairs as (distance, height). Its one zero is at 0.
 */
#define NETWORK_POLE_1 4.12270206616391
#define NETWORK_POLE_2 9.975063123855854
#define NETWORK_PAIR_1 3.7585291630688205, 5.79004233655657
#define NETWORK_PAIR_2 2.9831599379350067, 9.940842645788095
/*
 * 0 dB at 1 kHz, the Recommendation's calibration. So scaled every value of its table 1 is met within
 * the 0.05 dB it is rounded to, 12.217 at 6.3 kHz among them; scaled to 12.200 there, the greatest
 * deviation is 0.067 dB. A widely used rational fit of the table deviates by up to 0.089 dB.
 */
#define NETWORK_GAIN 46138824980.127686
/* AES17: the same network, lowered so that it is 0 dB near 2 kHz */
#define CCIR_RMS_GAIN 0.27352687263067127 /* -5.63 dB */

static double weight_a(double square)
{
  double low = square / (square + F1_HZ * F1_HZ);
  double high = F4_HZ * F4_HZ / (square + F4_HZ * F4_HZ);

  return A_GAIN * low * low * (square / (square + F2_HZ * F2_HZ)) * (square / (square + F3_HZ * F3_HZ)) *
         high * high;
}

static double weight_c(double square)
{
  double low = square / (square + F1_HZ * F1_HZ);
  double high = F4_HZ * F4_HZ / (square + F4_HZ * F4_HZ);

  return C_GAIN * low * low * high * high;
}

static double pair_of_poles(double square_khz, double distance, double height)
{
  double resonance = distance * distance + height * height - square_khz;

  return resonance * resonance + 4.0 * distance * distance * square_khz;
}

static double weight_468(double square)
{
  double u = square * 1e-6;

  return u / (u + NETWORK_POLE_1 * NETWORK_POLE_1) * NETWORK_GAIN / (u + NETWORK_POLE_2 * NETWORK_POLE_2) /
         pair_of_poles(u, NETWORK_PAIR_1) / pair_of_poles(u, NETWORK_PAIR_2);
}

typedef struct complex_value {
  double re, im;
} complex_value;

static complex_value times(complex_value a, complex_value b)
{
  return (complex_value){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

/* (s - p)(s - p*) of a pair of poles, at s = j f in units of 1 kHz */
static complex_value pair_at(double f_khz, double distance, double height)
{
  return (complex_value){distance * distance + height * height - f_khz * f_khz, 2.0 * distance * f_khz};
}

void mt_weighting_468_response(double freq_hz, double *re, double *im)
{
  double f_khz = 1e-3 * freq_hz;
  complex_value real_ones =
      times((complex_value){NETWORK_POLE_1, f_khz}, (complex_value){NETWORK_POLE_2, f_khz});
  complex_value pairs = times(pair_at(f_khz, NETWORK_PAIR_1), pair_at(f_khz, NETWORK_PAIR_2));
  complex_value under = times(real_ones, pairs);
  /* over a complex number is times its conjugate over its square; no care for overflow is needed here */
  double scale = f_khz * sqrt(NETWORK_GAIN) / (under.re * under.re + under.im * under.im);

  *re = scale * under.im;
  *im = scale * under.re;
}

double mt_weighting_power(mt_weighting weighting, double freq_hz)
{
  double square = freq_hz * freq_hz;

  if (!isfinite(square))
    return 0.0;
  switch (weighting) {
  case MT_WEIGHT_NONE: return 1.0;
  case MT_WEIGHT_A: return weight_a(square);
  case MT_WEIGHT_C: return weight_c(square);
  case MT_WEIGHT_468: return weight_468(square);
  case MT_WEIGHT_CCIR_RMS: return CCIR_RMS_GAIN * weight_468(square);
  }
  return 0.0;
}

double mt_weighting_db(mt_weighting weighting, double freq_hz)
{
  return mt_db_of_power(mt_weighting_power(weighting, freq_hz));
}
