#include "analysis/tone.h"

#include "base/decibel.h"

#include <stdlib.h>
#include <string.h>

/* Records of about a second: long enough for 1 Hz bins, short enough that the drift of a free-running
   clock (0.01 ppm/s) leaves no more than -113 dB of a 1 kHz tone behind. */
#define RECORD_S 1.3

/* Levels come from float samples and double sums: nothing below this is claimed. */
#define LEVEL_FLOOR_DB 1e-5

/* No noise is believed to be below the rounding of 24 bits: 6.02 x 24 + 1.76 dB under full scale. */
#define ROUNDING_POWER 2.4e-15

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/*
 * The median of the bins 4 ... 60 Hz away on both sides, turned into a mean. Median of a mean of K
 * exponentials: (1 - 1/(9K))^3 of its mean (Wilson and Hilferty 1931).
 */
double mt_density_beside(const mt_psd *psd, double freq_hz)
{
  double beside[512];
  size_t count = 0;
  double skip_hz = 5.0 * psd->bin_hz;
  double reach_hz = skip_hz + fmax(60.0, 10.0 * psd->bin_hz);
  size_t first = (size_t)fmax(1.0, floor((freq_hz - reach_hz) / psd->bin_hz));
  double k = fmax(1.0, psd->averages);
  double floor_density = ROUNDING_POWER / (psd->rate_hz / 2.0);

  for (size_t i = first; i < psd->nbins && count < sizeof beside / sizeof beside[0]; i++) {
    double away = fabs((double)i * psd->bin_hz - freq_hz);
    if (away > reach_hz && (double)i * psd->bin_hz > freq_hz)
      break;
    if (away > skip_hz && away <= reach_hz)
      beside[count++] = psd->density[i];
  }
  if (count == 0)
    return floor_density;
  qsort(beside, count, sizeof beside[0], compare_doubles);
  return fmax(floor_density, beside[count / 2] / pow(1.0 - 1.0 / (9.0 * k), 3.0));
}

void mt_line_debias(double raw_power, double density, double record_s, double *power, double *error)
{
  double bin = density / record_s;
  *power = raw_power - bin;
  *error = sqrt(2.0 * fmax(*power, 0.0) * bin + bin * bin);
}

static void add_fit(mt_tone *tone, const mt_sine_fit *fit, size_t n, const double *residual)
{
  double sum = 0.0;
  tone->freq_hz += fit->freq_hz;
  tone->power += fit->amplitude * fit->amplitude;
  tone->dc += fit->dc;
  for (int k = 2; k <= fit->norders; k++)
    tone->harmonic_raw[k] += fit->harmonic_amplitude[k] * fit->harmonic_amplitude[k];
  for (size_t i = 0; i < n; i++)
    sum += residual[i] * residual[i];
  /* the fit has taken 2 norders + 2 degrees of freedom */
  tone->rest_power += 2.0 * sum / (double)(n - (size_t)(2 * fit->norders + 2));
}

static mt_code add_density(mt_psd *total, mt_psd *part, mt_error *err)
{
  if (total->density == NULL) {
    *total = *part;
    memset(part, 0, sizeof *part);
    return MT_OK;
  }
  if (total->nbins != part->nbins)
    return mt_fail(err, MT_E_INTERNAL, "densities of %zu and %zu bins cannot be averaged", total->nbins,
                   part->nbins);
  for (size_t i = 0; i < total->nbins; i++)
    total->density[i] += part->density[i];
  total->averages += part->averages;
  mt_psd_finish(part);
  return MT_OK;
}

/* Turn sums over the records into means and give each its uncertainty. */
static void conclude(mt_tone *tone, size_t record, double rate_hz)
{
  double count = (double)tone->nrecords;
  double n = (double)record;
  double density, raw, root = sqrt(count), variance, snr;

  tone->record_s = n / rate_hz;
  tone->freq_hz /= count;
  tone->dc /= count;
  tone->rest_power /= count;
  for (size_t i = 0; i < tone->rest.nbins; i++)
    tone->rest.density[i] /= count;

  raw = tone->power / count;
  density = mt_density_beside(&tone->rest, tone->freq_hz);
  mt_line_debias(raw, density, tone->record_s, &tone->power, &tone->power_error);
  tone->power_error /= root;
  for (int k = 2; k <= tone->norders; k++) {
    tone->harmonic_raw[k] /= count;
    mt_line_debias(tone->harmonic_raw[k], mt_density_beside(&tone->rest, k * tone->freq_hz), tone->record_s,
                   &tone->harmonic_power[k], &tone->harmonic_error[k]);
    tone->harmonic_error[k] /= root;
  }
  /* Rife and Boorstyn 1974 for a real sinusoid: var w >= 12 / (snr N (N^2 - 1)) */
  variance = density * rate_hz / 4.0;
  snr = variance > 0.0 ? fmax(tone->power, 0.0) / (2.0 * variance) : (double)INFINITY;
  tone->freq_uncertainty_hz =
      2.0 *
      fmax(sqrt(12.0 / (snr * n * (n * n - 1.0))) * rate_hz / (2.0 * MT_PI) / root, 1e-12 * tone->freq_hz);
  /* the noise below the first few bins is what moves a mean */
  density = tone->rest.nbins > 2 ? tone->rest.density[2] : 0.0;
  tone->dc_uncertainty = 2.0 * sqrt(density / 4.0 / (tone->record_s * count)) + 1e-9;
}

/* What a lost block, a dip or a drift did to this record. Those that do not fit in the list are more of the same. */
static mt_code add_events(mt_tone *tone, const mt_sine_fit *fit, const double *residual, size_t n,
                          double rate_hz, double offset_s, mt_error *err)
{
  mt_steady steady = {0};
  mt_code code = MT_OK;

  if (fit->amplitude > 0.0)
    code = mt_steady_check(residual, n, rate_hz, fit, &steady, err);
  for (size_t i = 0; code == MT_OK && i < steady.nevents && tone->nevents < MT_STEADY_EVENTS_MAX; i++) {
    mt_steady_event *event = &tone->events[tone->nevents++];
    *event = steady.events[i];
    event->begin_s += offset_s;
    event->end_s += offset_s;
  }
  return code;
}

static double largest(const double *x, size_t n)
{
  double peak = 0.0;
  for (size_t i = 0; i < n; i++)
    peak = fmax(peak, fabs(x[i]));
  return peak;
}

mt_code mt_tone_measure(const double *x, size_t n, double rate_hz, double expect_hz, mt_tone *out,
                        mt_error *err)
{
  mt_tone tone = {0};
  size_t count = (size_t)fmax(1.0, floor((double)n / (RECORD_S * rate_hz) + 0.5));
  size_t record = n / count;
  double *residual = malloc((record > 0 ? record : 1) * sizeof *residual);
  double least = INFINITY, most = -INFINITY;
  mt_code code = MT_OK;

  if (residual == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", record);
  for (size_t r = 0; r < count && code == MT_OK; r++) {
    mt_sine_fit fit;
    mt_psd psd = {0};
    double level;
    code = mt_fit_sine(x + r * record, record, rate_hz, expect_hz, MT_ORDERS_MAX, &fit, residual, err);
    if (code != MT_OK)
      break;
    if (r == 0) {
      tone.phase_rad = fit.phase_rad;
      tone.norders = fit.norders;
      if (expect_hz == 0.0)
        expect_hz = fit.freq_hz;
    }
    add_fit(&tone, &fit, record, residual);
    level = mt_db_of_ratio(fit.amplitude);
    least = fmin(least, level);
    most = fmax(most, level);
    code = add_events(&tone, &fit, residual, record, rate_hz, (double)(r * record) / rate_hz, err);
    if (code == MT_OK)
      code = mt_psd_estimate(residual, record, rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, err);
    if (code == MT_OK)
      code = add_density(&tone.rest, &psd, err);
  }
  free(residual);
  if (code != MT_OK) {
    mt_tone_finish(&tone);
    return code;
  }
  tone.peak = largest(x, n);
  tone.nrecords = count;
  tone.level_spread_db = most - least;
  conclude(&tone, record, rate_hz);
  *out = tone;
  return MT_OK;
}

mt_code mt_tone_measure_known(const double *x, size_t n, double rate_hz, double freq_hz, mt_tone *out,
                              mt_error *err)
{
  mt_tone tone = {0};
  mt_sine_fit fit;
  mt_code code;
  double *residual = malloc((n > 0 ? n : 1) * sizeof *residual);

  if (residual == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  code = mt_fit_known(x, n, rate_hz, freq_hz, &fit, residual, err);
  if (code == MT_OK)
    code = mt_psd_estimate(residual, n, rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &tone.rest, err);
  if (code == MT_OK) {
    fit.norders = 1;
    add_fit(&tone, &fit, n, residual);
    code = add_events(&tone, &fit, residual, n, rate_hz, 0.0, err);
  }
  if (code == MT_OK) {
    tone.phase_rad = fit.phase_rad;
    tone.norders = 1;
    tone.nrecords = 1;
    tone.freq_is_given = true;
    tone.peak = largest(x, n);
    conclude(&tone, n, rate_hz);
    *out = tone;
  } else {
    mt_tone_finish(&tone);
  }
  free(residual);
  return code;
}

bool mt_tone_is_present(const mt_tone *tone)
{
  /* in one record this is 18.5 times the mean noise power of the tone's bin, which noise alone exceeds
     with a probability of exp(-19.5), 3e-9 */
  return tone->power > 0.0 && tone->power > 3.0 * tone->power_error;
}

double mt_tone_level_dbfs(const mt_tone *tone)
{
  return mt_db_of_power(tone->power);
}

double mt_tone_level_uncertainty_db(const mt_tone *tone)
{
  /* dB of a power: 4.343 times the relative error */
  return 2.0 * 10.0 / log(10.0) * tone->power_error / tone->power + LEVEL_FLOOR_DB;
}

void mt_tone_finish(mt_tone *tone)
{
  mt_psd_finish(&tone->rest);
}
