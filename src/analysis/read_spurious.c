/* The strongest lines that are neither the tone's nor the mains': in the idle noise and beside the tone. */
#include "analysis/spurious.h"
#include "analysis/workspace.h"

#include "base/decibel.h"

#include <string.h>

static mt_code add_line(mt_workspace *ws, const mt_section *section, mt_channel channel,
                        const mt_spurious_line *line, mt_error *err)
{
  mt_reading reading = mt_workspace_reading(ws, MT_Q_SPURIOUS, channel, section);

  reading.freq_hz = line->freq_hz;
  mt_reading_set_power(&reading, line->power, line->standard_error, line->standard_error);
  return mt_workspace_add(ws, &reading, err);
}

static mt_code read_channel(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  bool beside_tone = section->has_tone[channel] && mt_tone_is_present(&section->tone[channel]);
  const mt_psd *psd = section->has_tone[channel] ? &section->tone[channel].rest : &section->noise[channel];
  mt_spurious_mask mask = {.tone_hz = beside_tone ? section->tone[channel].freq_hz : 0.0,
                           .mains_hz = ws->has_hum[channel] ? ws->hum[channel].freq_hz : 0.0};
  mt_reading none = mt_workspace_reading(ws, MT_Q_SPURIOUS, channel, section);
  mt_spurious found;
  bool any = false;
  mt_code code = MT_OK;

  if (none.validity != MT_VALID)
    return mt_workspace_add(ws, &none, err);
  mt_spurious_find(psd, &mask, &found);
  for (size_t i = 0; i < found.count && code == MT_OK; i++)
    if (found.lines[i].power > MT_SILENCE_POWER) { /* the pattern of a rounding is no line of the unit */
      code = add_line(ws, section, channel, &found.lines[i], err);
      any = true;
    }
  if (any || code != MT_OK)
    return code;
  mt_reading_set(&none, mt_db_of_power(fmax(found.bound, MT_SILENCE_POWER)), 0.0);
  mt_reading_refuse(&none, MT_RIG_LIMITED, "no such line stands out of the noise: at most this");
  return mt_workspace_add(ws, &none, err);
}

mt_code mt_read_spurious(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < ws->nsections; i++) {
    const mt_section *section = &ws->sections[i];
    bool wanted =
        section->segment == NULL || strcmp(section->name, "both") == 0 || strcmp(section->name, "idle") == 0;
    for (int c = 0; wanted && c < (int)ws->nchannels && code == MT_OK; c++)
      if (section->has_tone[c] || section->has_noise[c])
        code = read_channel(ws, section, c, err);
  }
  return code;
}
