/* Harmonics, THD both ways, THD+N, SINAD and effective bits of the reference tone. */
#include "analysis/workspace.h"

#include "base/decibel.h"

#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0

/* 20 lg 2 and 10 lg 1.5: an ideal quantiser of N bits has 6.0206 N + 1.7609 dB (IEEE 1241). */
#define DB_PER_BIT 6.0205999132796239
#define DB_QUANTISER 1.7609125905568124

static mt_code read_harmonics(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  double relative = tone->power_error / tone->power;
  mt_code code = MT_OK;

  for (int k = 2; k <= tone->norders && code == MT_OK; k++) {
    mt_reading reading = mt_workspace_tone_reading(ws, MT_Q_HARMONIC, channel, section);
    reading.order = k;
    if (reading.validity == MT_VALID)
      mt_reading_set_power(&reading, tone->harmonic_power[k] / tone->power,
                           hypot(tone->harmonic_error[k], tone->harmonic_power[k] * relative) / tone->power,
                           tone->harmonic_noise[k] / tone->power);
    code = mt_workspace_add(ws, &reading, err);
  }
  return code;
}

/* IEC 60268-3 refers THD to the total, which for harmonics alone is fundamental plus harmonics. */
static mt_code read_thd(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  mt_reading thd_f = mt_workspace_tone_reading(ws, MT_Q_THD_F, channel, section);
  mt_reading thd_r = mt_workspace_tone_reading(ws, MT_Q_THD_R, channel, section);
  double power = 0.0, variance = 0.0, null = 0.0;
  mt_code code;

  for (int k = 2; k <= tone->norders; k++) {
    power += tone->harmonic_power[k];
    variance += tone->harmonic_error[k] * tone->harmonic_error[k];
    null += tone->harmonic_noise[k] * tone->harmonic_noise[k];
  }
  if (tone->norders < 2) {
    mt_reading_refuse(&thd_f, MT_NOT_MEASURED, "no harmonic lies below half the sample rate");
    mt_reading_refuse(&thd_r, MT_NOT_MEASURED, "no harmonic lies below half the sample rate");
  }
  if (thd_f.validity == MT_VALID) {
    double ratio = power / tone->power, none = sqrt(null) / tone->power;
    double error = hypot(sqrt(variance), ratio * tone->power_error) / tone->power;
    /* r / (1 + r), and its slope 1 / (1 + r)^2 */
    double total = 1.0 + fmax(ratio, 0.0);
    mt_reading_set_power(&thd_f, ratio, error, none);
    mt_reading_set_power(&thd_r, ratio / total, error / (total * total), none / (total * total));
  }
  code = mt_workspace_add(ws, &thd_f, err);
  return code == MT_OK ? mt_workspace_add(ws, &thd_r, err) : code;
}

void mt_tone_thd_n(const mt_tone *tone, double rate_hz, double *value_db, double *uncertainty_db)
{
  mt_band_power rest =
      mt_psd_band(&tone->rest, BAND_FROM_HZ, fmin(BAND_TO_HZ, rate_hz / 2.0), MT_WEIGHT_NONE);
  double power = rest.power, ratio, relative;
  double variance = rest.standard_error * rest.standard_error + tone->taken_power * tone->taken_power;

  for (int k = 2; k <= tone->norders && k * tone->freq_hz <= BAND_TO_HZ; k++) {
    power += tone->harmonic_raw[k];
    variance += tone->harmonic_error[k] * tone->harmonic_error[k];
  }
  ratio = power / (tone->power + power);
  /* of rest / (tone + rest), relative: both relative errors, times the tone's share */
  relative =
      hypot(sqrt(variance) / power, tone->power_error / tone->power) * tone->power / (tone->power + power);
  *value_db = mt_db_of_power(ratio);
  *uncertainty_db = 2.0 * 10.0 / log(10.0) * relative;
}

static mt_code read_thd_n(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  mt_reading reading = mt_workspace_tone_reading(ws, MT_Q_THD_N, channel, section);

  if (reading.validity == MT_VALID && (tone->freq_hz < BAND_FROM_HZ || tone->freq_hz > BAND_TO_HZ))
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "the tone lies outside 20 Hz to 20 kHz");
  if (reading.validity == MT_VALID) {
    double value, uncertainty;
    mt_tone_thd_n(tone, ws->take->rate_hz, &value, &uncertainty);
    mt_reading_set(&reading, value, uncertainty);
  }
  return mt_workspace_add(ws, &reading, err);
}

static mt_code read_sinad(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  mt_reading sinad = mt_workspace_tone_reading(ws, MT_Q_SINAD, channel, section);
  mt_reading enob = mt_workspace_tone_reading(ws, MT_Q_ENOB, channel, section);
  mt_code code;

  if (sinad.validity == MT_VALID) {
    double rest = tone->rest_power, variance = tone->rest_error * tone->rest_error, uncertainty;
    for (int k = 2; k <= tone->norders; k++) {
      rest += tone->harmonic_power[k];
      variance += tone->harmonic_error[k] * tone->harmonic_error[k];
    }
    uncertainty = 2.0 * 10.0 / log(10.0) * sqrt(variance) / rest;
    mt_reading_set(&sinad, mt_db_of_power(tone->power / rest),
                   hypot(uncertainty, mt_tone_level_uncertainty_db(tone)));
    /* of the error alone: the tone's own level falls out */
    mt_reading_set(&enob, (-mt_db_of_power(rest) - DB_QUANTISER) / DB_PER_BIT, uncertainty / DB_PER_BIT);
  }
  code = mt_workspace_add(ws, &sinad, err);
  return code == MT_OK ? mt_workspace_add(ws, &enob, err) : code;
}

mt_code mt_read_distortion(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, ws->stimulus != NULL ? "both" : "");
  mt_code code = MT_OK;

  for (int c = 0; section != NULL && c < (int)ws->nchannels && code == MT_OK; c++) {
    if (!section->has_tone[c])
      continue;
    code = read_harmonics(ws, section, c, err);
    if (code == MT_OK)
      code = read_thd(ws, section, c, err);
    if (code == MT_OK)
      code = read_thd_n(ws, section, c, err);
    if (code == MT_OK)
      code = read_sinad(ws, section, c, err);
  }
  return code;
}
