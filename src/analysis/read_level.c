/* frequency, level, gain, peak and DC of each channel. */
#include "analysis/mean.h"
#include "analysis/workspace.h"

#include "base/decibel.h"

/* Rounding of float samples, of full scale. */
#define DC_FLOOR 1e-9

static mt_code read_tone(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  const mt_segment *segment = section->segment;
  mt_reading level = mt_workspace_tone_reading(ws, MT_Q_LEVEL, channel, section);
  mt_code code;

  if (level.validity == MT_VALID)
    mt_reading_set(&level, mt_tone_level_dbfs(tone), mt_tone_level_uncertainty_db(tone));
  code = mt_workspace_add(ws, &level, err);
  if (code == MT_OK && segment != NULL) {
    mt_reading gain = mt_workspace_tone_reading(ws, MT_Q_GAIN, channel, section);
    mt_reading_set(&gain, level.value - mt_db_of_ratio(segment->amplitude[channel]), level.uncertainty);
    code = mt_workspace_add(ws, &gain, err);
  }
  return code;
}

static mt_code read_frequency_and_peak(mt_workspace *ws, const mt_section *section, mt_channel channel,
                                       mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  mt_reading frequency = mt_workspace_tone_reading(ws, MT_Q_FREQUENCY, channel, section);
  mt_reading peak = mt_workspace_tone_reading(ws, MT_Q_PEAK, channel, section);
  mt_code code;

  if (tone->freq_is_given)
    mt_reading_refuse(&frequency, MT_NO_SIGNAL, "the tone is too weak for its frequency to be told");
  mt_reading_set(&frequency, tone->freq_hz, tone->freq_uncertainty_hz);
  /* the sample peak is a fact of the record: exact but for the rounding of float samples */
  mt_reading_set(&peak, mt_db_of_ratio(tone->peak), 1e-6);
  code = mt_workspace_add(ws, &frequency, err);
  return code == MT_OK ? mt_workspace_add(ws, &peak, err) : code;
}

static double smooth_mean(const mt_workspace *ws, const mt_section *section, mt_channel channel, size_t first,
                          size_t count)
{
  mt_take_view view = {.take = ws->take};
  mt_samples samples = mt_samples_of_take(&view, (unsigned)channel);
  mt_smooth_mean mean;

  mt_smooth_mean_begin(&mean, section->begin + first, count);
  if (mt_smooth_mean_advance(&mean, &samples, section->begin + first + count, NULL) != MT_OK)
    mean.sum = NAN; /* no reading */
  mt_samples_finish(&samples);
  mt_take_view_finish(&view);
  return mt_smooth_mean_value(&mean);
}

static void read_means(const mt_workspace *ws, const mt_section *section, mt_channel channel,
                       mt_overheard *out)
{
  size_t half = section->count / 2;

  out->dc_whole = smooth_mean(ws, section, channel, 0, section->count);
  out->dc_early = smooth_mean(ws, section, channel, 0, half);
  out->dc_late = smooth_mean(ws, section, channel, section->count - half, half);
}

/*
 * The mean of a record in which nothing was played. A unit that still settles (a coupling capacitor after the
 * mark) is read in the second half, and is not known better than by half of what it moved since the first.
 */
static void set_idle_dc(const mt_workspace *ws, const mt_section *section, mt_channel channel, mt_reading *dc)
{
  mt_overheard idle = ws->overheard[channel];
  /* the raised cosine lets 1.5 times the noise of a bare mean through */
  double density = mt_tone_density_beside(&section->noise[channel], 0.0);
  double error = sqrt(1.5 * density / 4.0 / ((double)section->count / ws->take->rate_hz));
  double moved;

  if (ws->stimulus != NULL)
    read_means(ws, section, channel, &idle);
  moved = fabs(idle.dc_late - idle.dc_early);
  if (moved <= 3.0 * 2.0 * error)
    mt_reading_set(dc, idle.dc_whole, 2.0 * error + DC_FLOOR);
  else
    mt_reading_set(dc, idle.dc_late, 2.0 * sqrt(2.0) * error + 0.5 * moved + DC_FLOOR);
}

static mt_code read_dc(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  mt_reading dc = mt_workspace_reading(ws, MT_Q_DC, channel, section);

  if (section->has_tone[channel])
    mt_reading_set(&dc, section->tone[channel].dc, section->tone[channel].dc_uncertainty);
  else
    set_idle_dc(ws, section, channel, &dc);
  return mt_workspace_add(ws, &dc, err);
}

/* What a plain recording without a tone reaches. */
static mt_code read_noise_peak(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  mt_reading peak = mt_workspace_reading(ws, MT_Q_PEAK, channel, section);
  double largest = ws->overheard[channel].peak;

  if (largest == 0.0)
    mt_reading_refuse(&peak, MT_NO_SIGNAL, "every sample is zero");
  mt_reading_set(&peak, mt_db_of_ratio(largest), 1e-6);
  return mt_workspace_add(ws, &peak, err);
}

static bool is_reference(const mt_section *section)
{
  return section->segment == NULL || (section->segment->amplitude[0] > 0.0 &&
                                      section->segment->amplitude[1] > 0.0 && section->name[0] == 'b');
}

mt_code mt_read_level(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < ws->nsections; i++)
    for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++) {
      const mt_section *section = &ws->sections[i];
      bool played = section->segment == NULL || section->segment->amplitude[c] > 0.0;
      if (section->has_tone[c] && played)
        code = read_tone(ws, section, c, err);
      if (code == MT_OK && section->has_tone[c] && is_reference(section))
        code = read_frequency_and_peak(ws, section, c, err);
      if (code == MT_OK && (section->has_noise[c] || (section->segment == NULL && section->has_tone[c])))
        code = read_dc(ws, section, c, err);
      if (code == MT_OK && section->has_noise[c] && section->segment == NULL)
        code = read_noise_peak(ws, section, c, err);
    }
  return code;
}
