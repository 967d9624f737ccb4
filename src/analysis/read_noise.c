/* Idle noise four ways, mains hum, and signal to noise. */
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/student.h"

#include <stdlib.h>

#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0

/* White noise reads about 12 dB above its rms: the network lifts it by 7, the detectors by 5. As a power. */
#define QUASI_PEAK_OF_RMS 16.0

/* An order of hum is stated when it exceeds so many of its standard errors. */
#define SIGNIFICANT 3.0

static const struct {
  mt_quantity quantity;
  mt_weighting weighting;
} weightings[] = {
    {MT_Q_NOISE, MT_WEIGHT_NONE}, /* the first: the signal-to-noise ratio takes it */
    {MT_Q_NOISE_A, MT_WEIGHT_A},
    {MT_Q_NOISE_CCIR, MT_WEIGHT_CCIR_RMS},
};
#define NWEIGHTINGS (sizeof weightings / sizeof weightings[0])

static void set_noise(mt_reading *reading, mt_band_power band)
{
  if (band.power > MT_SILENCE_POWER) {
    mt_reading_set(reading, mt_db_of_power(band.power),
                   2.0 * 10.0 / log(10.0) * band.standard_error / band.power);
  } else if (reading->validity == MT_VALID) {
    mt_reading_set(reading, mt_db_of_power(MT_SILENCE_POWER), 0.0);
    mt_reading_refuse(reading, MT_RIG_LIMITED, "digital silence: at most the rounding of 24 bits");
  }
}

static mt_band_power noise_band(const mt_workspace *ws, const mt_psd *noise, mt_weighting weighting)
{
  return mt_psd_band(noise, BAND_FROM_HZ, fmin(BAND_TO_HZ, ws->take->rate_hz / 2.0), weighting);
}

/* The orders that stand out, each at its place. */
static mt_code read_hum_lines(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_hum *hum = &ws->hum[channel];
  mt_code code = MT_OK;

  for (int k = 1; k <= MT_ORDERS_MAX && hum->significant && code == MT_OK; k++) {
    mt_reading line = mt_workspace_reading(ws, MT_Q_HUM_LINE, channel, section);
    if (hum->order_power[k] <= SIGNIFICANT * hum->order_standard_error[k])
      continue;
    line.order = k;
    line.mains_hz = hum->mains_hz;
    line.freq_hz = k * hum->freq_hz;
    mt_reading_set_power(&line, hum->order_power[k],
                         hum->order_standard_error[k] * mt_student_over_normal(hum->order_freedom[k]),
                         hum->order_standard_error[k]);
    code = mt_workspace_add(ws, &line, err);
  }
  return code;
}

static mt_code read_hum(mt_workspace *ws, const mt_section *section, mt_channel channel,
                        const mt_overheard *heard, mt_error *err)
{
  mt_reading hum = mt_workspace_reading(ws, MT_Q_HUM, channel, section);
  const mt_hum found = heard->hum;
  mt_code code;

  /* a short take's idle does not resolve mains lines */
  if (heard->hum_code == MT_E_DATA) {
    mt_reading_refuse(&hum, MT_NOT_MEASURED, "%s", heard->hum_why.message);
    return mt_workspace_add(ws, &hum, err);
  }
  if (heard->hum_code != MT_OK)
    return mt_fail(err, heard->hum_code, "%s", heard->hum_why.message);
  ws->hum[channel] = found;
  ws->has_hum[channel] = true;
  hum.mains_hz = found.mains_hz;
  if (found.significant) {
    mt_reading_set(&hum, mt_db_of_power(found.power),
                   2.0 * mt_student_over_normal(found.freedom) * 10.0 / log(10.0) * found.standard_error /
                       found.power);
  } else if (hum.validity == MT_VALID) {
    mt_reading_set(&hum, mt_db_of_power(fmax(found.upper_bound, MT_SILENCE_POWER)), 0.0);
    mt_reading_refuse(&hum, MT_RIG_LIMITED, "no mains hum stands out of the noise: at most this");
  }
  code = mt_workspace_add(ws, &hum, err);
  return code == MT_OK ? read_hum_lines(ws, section, channel, err) : code;
}

/* Quasi-peak: as a pointer would stand that has been watching this noise for a while. */
static mt_code read_quasi_peak(mt_workspace *ws, const mt_section *section, mt_channel channel,
                               const mt_overheard *heard, mt_error *err)
{
  mt_reading reading = mt_workspace_reading(ws, MT_Q_NOISE_468, channel, section);
  const mt_quasi_peak found = heard->quasi_peak;

  if (heard->quasi_peak_code == MT_E_ARG || heard->quasi_peak_code == MT_E_DATA) {
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "%s", heard->quasi_peak_why.message);
  } else if (heard->quasi_peak_code != MT_OK) {
    return mt_fail(err, heard->quasi_peak_code, "%s", heard->quasi_peak_why.message);
  } else if (found.highest * found.highest > QUASI_PEAK_OF_RMS * MT_SILENCE_POWER) {
    mt_reading_set(&reading, mt_db_of_ratio(found.highest),
                   2.0 * mt_db_of_relative(found.spread / found.mean));
  } else if (reading.validity == MT_VALID) {
    mt_reading_set(&reading, mt_db_of_power(QUASI_PEAK_OF_RMS * MT_SILENCE_POWER), 0.0);
    mt_reading_refuse(&reading, MT_RIG_LIMITED, "digital silence: at most the rounding of 24 bits");
  }
  return mt_workspace_add(ws, &reading, err);
}

static mt_code read_snr(mt_workspace *ws, const mt_section *idle, mt_channel channel, mt_band_power noise,
                        mt_error *err)
{
  const mt_section *both = mt_workspace_find(ws, "both");
  mt_reading snr;

  if (both == NULL || !both->has_tone[channel])
    return MT_OK;
  snr = mt_workspace_tone_reading(ws, MT_Q_SNR, channel, both);
  if (idle->validity[channel] != MT_VALID)
    mt_reading_refuse(&snr, idle->validity[channel], "%s", idle->why[channel]);
  if (snr.validity == MT_VALID) {
    double noise_power = fmax(noise.power, MT_SILENCE_POWER);
    mt_reading_set(&snr, mt_tone_level_dbfs(&both->tone[channel]) - mt_db_of_power(noise_power),
                   hypot(mt_tone_level_uncertainty_db(&both->tone[channel]),
                         2.0 * 10.0 / log(10.0) * noise.standard_error / noise_power));
    if (noise.power < MT_SILENCE_POWER)
      mt_reading_refuse(&snr, MT_RIG_LIMITED, "the noise is below the rounding of 24 bits: at least this");
  }
  return mt_workspace_add(ws, &snr, err);
}

/* A piece of work: what is read from a channel's samples rather than from their density. */
static mt_code hear_samples(void *context, size_t channel, unsigned worker, mt_error *err)
{
  mt_workspace *ws = context;
  const mt_section *section = mt_workspace_find(ws, "idle");
  mt_overheard *out = &ws->overheard[channel];
  double *x;

  if (!section->has_noise[channel])
    return MT_OK;
  x = malloc(section->count * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
  mt_workspace_copy(ws, section->begin, section->count, (mt_channel)channel, x);
  out->quasi_peak_code =
      mt_quasi_peak_read_with(&ws->quasi_peak_tools[worker], x, section->count, ws->take->rate_hz, true,
                              &out->quasi_peak, &out->quasi_peak_why);
  out->hum_code = mt_hum_find(x, section->count, ws->take->rate_hz, &out->hum, &out->hum_why);
  free(x);
  return MT_OK;
}

static mt_code read_samples(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_overheard *heard = &ws->overheard[channel];
  mt_code code = read_quasi_peak(ws, section, channel, heard, err);

  return code == MT_OK ? read_hum(ws, section, channel, heard, err) : code;
}

mt_code mt_read_noise(mt_workspace *ws, mt_error *err)
{
  const mt_section *idle = mt_workspace_find(ws, ws->stimulus != NULL ? "idle" : "");
  mt_code code = MT_OK;

  if (idle != NULL && ws->stimulus != NULL)
    code = mt_parallel(ws->nchannels, hear_samples, ws, err);
  for (int c = 0; idle != NULL && c < (int)ws->nchannels && code == MT_OK; c++) {
    mt_band_power noise[NWEIGHTINGS];
    if (!idle->has_noise[c])
      continue;
    for (size_t i = 0; i < NWEIGHTINGS && code == MT_OK; i++) {
      mt_reading reading = mt_workspace_reading(ws, weightings[i].quantity, c, idle);
      noise[i] = noise_band(ws, &idle->noise[c], weightings[i].weighting);
      set_noise(&reading, noise[i]);
      code = mt_workspace_add(ws, &reading, err);
    }
    if (code == MT_OK)
      code = read_samples(ws, idle, c, err);
    if (code == MT_OK && ws->stimulus != NULL)
      code = read_snr(ws, idle, c, noise[0], err);
  }
  return code;
}
