#include "analysis/path_grain.h"

#include "base/decibel.h"

#include <math.h>
#include <stdlib.h>

/* Where the sweep is so slow that the band of a few kHz is free of it, and fast enough to cross the steps */
#define SLOW_FROM_HZ 100.0
#define SLOW_TO_HZ 300.0
/* Bands about 12, 6 and 4 kHz: the first is the sharpest in time, the last those that decoders of narrow links have */
static const double slow_strides_s[] = {1.0 / 48000.0, 2.0 / 48000.0, 3.0 / 48000.0};
#define TONE_STRIDE_S (1.0 / 48000.0)

static size_t stride_of(const mt_workspace *ws, double seconds)
{
  return (size_t)fmax(1.0, floor(seconds * ws->take->rate_hz + 0.5));
}

/* The band's power where nothing is played, or the weakest tone, whichever is more. */
static mt_code measure_ground(const mt_workspace *ws, mt_channel channel, size_t stride, double *ground,
                              mt_error *err)
{
  static const char *const quiet[] = {"idle", "low"};

  *ground = MT_SILENCE_POWER;
  for (size_t i = 0; i < sizeof quiet / sizeof quiet[0]; i++) {
    const mt_section *section = mt_workspace_find(ws, quiet[i]);
    double *x = section != NULL ? malloc(section->count * sizeof *x) : NULL;
    if (section == NULL || section->count <= 8 * stride) {
      free(x);
      continue;
    }
    if (x == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
    mt_workspace_copy(ws, section->begin, section->count, channel, x);
    *ground = fmax(*ground, mt_grain_power(x, section->count, stride));
    free(x);
  }
  return MT_OK;
}

/* The stimulus as it was played at each frame from `begin` on, whatever the unit's filters did to it since. */
static void render_played(const mt_workspace *ws, mt_channel channel, size_t begin, size_t n, double *pair,
                          double *out)
{
  const mt_location *at = ws->location;
  double dt_s = (1.0 + 1e-6 * at->clock_offset_ppm) / ws->take->rate_hz;
  double start = at->arrived[channel] ? at->arrival_frame[channel] : at->start_frame;

  mt_stimulus_render(ws->stimulus, ((double)begin - start) * dt_s, dt_s, n, pair);
  for (size_t i = 0; i < n; i++)
    out[i] = pair[MT_STIMULUS_CHANNELS * i];
}

/* The decoder may lie behind the unit or before it: its level is what was taken, or what was played. */
static mt_code look_for_steps(const mt_workspace *ws, mt_channel channel, const double *x,
                              const double *played, size_t n, bool *stepped, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < sizeof slow_strides_s / sizeof slow_strides_s[0] && code == MT_OK; i++) {
    size_t s = stride_of(ws, slow_strides_s[i]);
    double ground = 0.0;
    if (n <= 8 * s)
      return MT_OK;
    code = measure_ground(ws, channel, s, &ground, err);
    for (int of = 0; of < 2 && code == MT_OK && !*stepped; of++) {
      mt_grain_law law;
      code = mt_grain_measure_law(x, of == 0 ? x : played, n, s, ground, &law, err);
      *stepped = code == MT_OK && mt_grain_is_stepped(&law);
    }
  }
  return code;
}

static mt_code find_steps(const mt_workspace *ws, mt_channel channel, bool *stepped, mt_error *err)
{
  const mt_section *sweep = mt_workspace_find(ws, "sweep");
  size_t begin, n;
  double *x;
  mt_code code;

  *stepped = false;
  if (sweep == NULL || sweep->segment == NULL)
    return MT_OK;
  mt_workspace_place(ws, mt_workspace_swept_at_s(sweep->segment, SLOW_FROM_HZ),
                     mt_workspace_swept_at_s(sweep->segment, SLOW_TO_HZ), &begin, &n);
  if (n == 0)
    return MT_OK;
  x = malloc((2 + MT_STIMULUS_CHANNELS) * n * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  mt_workspace_copy(ws, begin, n, channel, x);
  render_played(ws, channel, begin, n, x + 2 * n, x + n);
  code = look_for_steps(ws, channel, x, x + n, n, stepped, err);
  free(x);
  return code;
}

mt_code mt_path_measure_pulse(const mt_workspace *ws, mt_channel channel, mt_grain_pulse *out, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "both");
  size_t n = section->count, s = stride_of(ws, TONE_STRIDE_S);
  double *x, ground, step_rad = 2.0 * MT_PI * section->tone[channel].freq_hz / ws->take->rate_hz;
  mt_sine_fit fit;
  mt_code code;

  *out = (mt_grain_pulse){.rise_db = 0.0};
  if (n <= 8 * s)
    return MT_OK;
  x = malloc(2 * n * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  mt_workspace_copy(ws, section->begin, n, channel, x);
  code = mt_fit_known(x, n, ws->take->rate_hz, section->tone[channel].freq_hz, &fit, x + n, err);
  if (code == MT_OK)
    code = measure_ground(ws, channel, s, &ground, err);
  if (code == MT_OK)
    code = mt_grain_measure_pulse(x + n, n, s, step_rad, fit.phase_rad - step_rad * ((double)n - 1.0) / 2.0,
                                  ground, out, err);
  free(x);
  return code;
}

mt_code mt_path_find_grain(const mt_workspace *ws, mt_channel channel, mt_grain *out, mt_error *err)
{
  mt_grain_pulse pulse;
  bool stepped = false;
  mt_code code = mt_path_measure_pulse(ws, channel, &pulse, err);

  *out = MT_GRAIN_NONE;
  if (code == MT_OK && mt_grain_is_adaptive(&pulse)) {
    *out = MT_GRAIN_ADAPTIVE;
    return MT_OK;
  }
  if (code == MT_OK)
    code = find_steps(ws, channel, &stepped, err);
  if (code == MT_OK && stepped)
    *out = MT_GRAIN_STEPPED;
  return code;
}
