/* Dynamic range: the reference tone over the weighted residual of a tone 60 dB lower (AES17-2015 6.4.1). */
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0

mt_code mt_read_range(mt_workspace *ws, mt_error *err)
{
  const mt_section *low = mt_workspace_find(ws, "low");
  const mt_section *both = mt_workspace_find(ws, "both");
  mt_code code = MT_OK;

  if (ws->stimulus == NULL || low == NULL || both == NULL)
    return MT_OK;
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++) {
    mt_reading range = mt_workspace_tone_reading(ws, MT_Q_DYNAMIC_RANGE, c, both);
    const mt_tone *tone = &low->tone[c];
    if (low->validity[c] != MT_VALID)
      mt_reading_refuse(&range, low->validity[c], "%s", low->why[c]);
    if (!mt_tone_is_present(tone))
      mt_reading_refuse(&range, MT_NO_SIGNAL,
                        "the tone 60 dB lower is not heard, so what is left beside it says nothing");
    mt_text_copy(range.segment, sizeof range.segment, low->name);
    if (range.validity == MT_VALID) {
      mt_band_power rest = mt_psd_band(&tone->rest, BAND_FROM_HZ, fmin(BAND_TO_HZ, ws->take->rate_hz / 2.0),
                                       MT_WEIGHT_CCIR_RMS);
      double power = rest.power, variance = rest.standard_error * rest.standard_error;
      for (int k = 2; k <= tone->norders && k * tone->freq_hz <= BAND_TO_HZ; k++) {
        double weight = mt_power_of_db(mt_weighting_db(MT_WEIGHT_CCIR_RMS, k * tone->freq_hz));
        power += tone->harmonic_raw[k] * weight;
        variance += tone->harmonic_error[k] * tone->harmonic_error[k] * weight * weight;
      }
      bool is_silent = power < MT_SILENCE_POWER;
      if (is_silent) {
        power = MT_SILENCE_POWER;
        variance = 0.0;
      }
      mt_reading_set(&range, mt_tone_level_dbfs(&both->tone[c]) - mt_db_of_power(power),
                     hypot(mt_tone_level_uncertainty_db(&both->tone[c]),
                           2.0 * 10.0 / log(10.0) * sqrt(variance) / power));
      if (is_silent)
        mt_reading_refuse(&range, MT_RIG_LIMITED,
                          "the residual is below the rounding of 24 bits: at least this");
    }
    code = mt_workspace_add(ws, &range, err);
  }
  return code;
}
