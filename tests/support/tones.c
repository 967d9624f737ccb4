#include "tones.h"

#include "support.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>

static const long double TURN = 6.283185307179586476925286766559006L;

void tones_fill(double *x, size_t n, double rate_hz, double freq_hz, double amplitude, double phase_rad)
{
  for (size_t i = 0; i < n; i++) {
    long double cycles = (long double)freq_hz / (long double)rate_hz * (long double)i;
    x[i] = amplitude * (double)cosl(TURN * (cycles - rintl(cycles)) + (long double)phase_rad);
  }
}

void tones_fill_fast(double *x, size_t n, double cycles, double amplitude, double phase_rad)
{
  double step_re = cos(2.0 * MT_PI * cycles), step_im = sin(2.0 * MT_PI * cycles), re = 0.0, im = 0.0;
  for (size_t i = 0; i < n; i++) {
    double next;
    if (i % 64 == 0) {
      double whole = cycles * (double)i, angle = 2.0 * MT_PI * (whole - rint(whole)) + phase_rad;
      re = amplitude * cos(angle);
      im = amplitude * sin(angle);
    }
    x[i] = re;
    next = re * step_re - im * step_im;
    im = re * step_im + im * step_re;
    re = next;
  }
}

void tones_run_efficiency(mt_random *random, double *x, size_t n, double snr_db, int runs,
                          tones_efficiency *sum)
{
  const double rate_hz = 48000.0;
  double eta = mt_power_of_db(snr_db), sigma = sqrt(0.5 / eta), length = (double)n;
  double freq_bound = 12.0 / (eta * length * (length * length - 1.0)),
         amplitude_bound = 2.0 * sigma * sigma / length;

  for (int run = 0; run < runs; run++) {
    double cycles = 0.01 + 0.4 * mt_random_uniform(random),
           guess_error = 0.5 * (2.0 * mt_random_uniform(random) - 1.0), omega_error;
    mt_sine_fit fit;
    mt_error err = {0};
    tones_fill_fast(x, n, cycles, 1.0, 2.0 * MT_PI * mt_random_uniform(random));
    for (size_t i = 0; i < n; i++)
      x[i] += sigma * mt_random_normal(random);
    assert_ok(mt_fit_sine(x, n, rate_hz, rate_hz * (cycles + guess_error / length), 1, &fit, NULL, &err),
              err);
    omega_error = 2.0 * MT_PI * (fit.freq_hz / rate_hz - cycles);
    sum->freq += omega_error * omega_error / freq_bound;
    sum->amplitude += (fit.amplitude - 1.0) * (fit.amplitude - 1.0) / amplitude_bound;
    sum->runs++;
  }
}

void tones_ratio_interval(double ratio, int runs, double *low, double *high)
{
  double centre = 1.0 - 2.0 / (9.0 * runs), reach = 1.959963984540054 * sqrt(2.0 / (9.0 * runs));

  *low = ratio / pow(centre + reach, 3.0);
  *high = ratio / pow(centre - reach, 3.0);
}

void tones_store(mt_random *random, const tones_storage *how, double *x, size_t n)
{
  double scale = how->bits > 0 ? ldexp(1.0, how->bits - 1) : 0.0;

  for (size_t i = 0; i < n; i++)
    if (how->bits > 0)
      x[i] = rint(x[i] * scale + (how->dithered ? mt_random_triangular(random) : 0.0)) / scale;
    else if (how->bits == 0)
      x[i] = (double)(float)x[i];
}

double tones_floor_db(const tones_storage *how)
{
  if (how->bits <= 0)
    return (double)NAN;
  return -(6.0206 * how->bits + 1.7609) + (how->dithered ? 4.7712 : 0.0);
}
