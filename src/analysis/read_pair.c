/* What the two channels are to each other: balance, phase difference, delay. */
#include "analysis/workspace.h"

#include "base/decibel.h"

/* Tones of different frequency have no common phase; 10 ppm apart is the same tone. */
static bool same_frequency(const mt_section *section)
{
  return fabs(section->tone[0].freq_hz - section->tone[1].freq_hz) <= 1e-5 * section->tone[0].freq_hz;
}

static mt_code read_balance(mt_workspace *ws, const mt_section *section, mt_error *err)
{
  const mt_tone *left = &section->tone[0], *right = &section->tone[1];
  mt_reading balance = mt_workspace_tone_reading(ws, MT_Q_BALANCE, MT_CHANNEL_BOTH, section);

  if (balance.validity == MT_VALID)
    mt_reading_set(&balance, mt_tone_level_dbfs(left) - mt_tone_level_dbfs(right),
                   hypot(mt_tone_level_uncertainty_db(left), mt_tone_level_uncertainty_db(right)));
  return mt_workspace_add(ws, &balance, err);
}

static mt_code read_phase_difference(mt_workspace *ws, const mt_section *section, mt_error *err)
{
  const mt_tone *left = &section->tone[0], *right = &section->tone[1];
  mt_reading phase = mt_workspace_tone_reading(ws, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, section);

  if (phase.validity == MT_VALID) {
    double degrees = (left->phase_rad - right->phase_rad) * 180.0 / MT_PI;
    /* at mid-record the phase is known as well as the relative amplitude: half the relative power error */
    double sigma = 0.5 * hypot(left->power_error / left->power, right->power_error / right->power);
    degrees -= 360.0 * floor((degrees + 180.0) / 360.0);
    mt_reading_set(&phase, degrees, 2.0 * sigma * 180.0 / MT_PI + 1e-6);
  }
  return mt_workspace_add(ws, &phase, err);
}

static mt_code read_delay(mt_workspace *ws, mt_error *err)
{
  const mt_location *at = ws->location;
  const mt_section *section = mt_workspace_find(ws, "both");
  mt_reading pair = mt_workspace_reading(ws, MT_Q_DELAY, MT_CHANNEL_BOTH, section);
  mt_code code = MT_OK;

  for (int c = 0; c < (int)ws->nchannels && code == MT_OK && ws->take->play_aligned; c++) {
    mt_reading own = mt_workspace_reading(ws, MT_Q_DELAY, c, section);
    if (!at->arrived[c])
      mt_reading_refuse(&own, MT_NO_SIGNAL, "the marks were not found on this channel");
    mt_reading_set(&own, at->arrival_frame[c] / ws->take->rate_hz, at->arrival_uncertainty_s[c]);
    code = mt_workspace_add(ws, &own, err);
  }
  if (code != MT_OK || ws->nchannels < MT_PAIR)
    return code;
  if (!at->arrived[0] || !at->arrived[1])
    mt_reading_refuse(&pair, MT_NO_SIGNAL, "the marks were not found on both channels");
  mt_reading_set(&pair, (at->arrival_frame[0] - at->arrival_frame[1]) / ws->take->rate_hz,
                 hypot(at->arrival_uncertainty_s[0], at->arrival_uncertainty_s[1]));
  return mt_workspace_add(ws, &pair, err);
}

mt_code mt_read_pair(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, ws->stimulus != NULL ? "both" : "");
  mt_code code = MT_OK;

  if (section == NULL)
    return MT_OK;
  if (ws->nchannels == MT_PAIR && section->has_tone[0] && section->has_tone[1]) {
    code = read_balance(ws, section, err);
    if (code == MT_OK && same_frequency(section))
      code = read_phase_difference(ws, section, err);
  }
  if (code == MT_OK && ws->location != NULL)
    code = read_delay(ws, err);
  return code;
}
