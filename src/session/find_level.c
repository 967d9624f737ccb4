/* The level to play a unit with: a tone in steps, each played, captured and measured; level.c decides. */
#include "session/level.h"

#include "analysis/tone.h"
#include "base/decibel.h"

#include <mendtone/capture.h>

#include <math.h>
#include <stdlib.h>

#define TONE_HZ 997.0
#define TONE_S 0.8
#define BEFORE_S 0.1
/* Every tone comes out of silence and goes back to it. */
#define RAMP_S 0.08
/* A round trip through sound card, mixer and a radio link */
#define AFTER_S 0.7
/* What is measured: the loudest stretch of this length, within the tone by whatever delay it came */
#define READ_S 0.4
#define BLOCK_S 0.02
#define QUIET_DB (-300.0)
#define FULL_SCALE 0.999

static void render_tone(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  double amplitude = *(const double *)ctx;

  for (size_t n = 0; n < nframes; n++) {
    double t = t0_s + (double)n * dt_s - BEFORE_S, edge = fmin(t, TONE_S - t), gain = 0.0;
    if (edge > 0.0)
      gain = edge < RAMP_S ? 0.5 - 0.5 * cos(MT_PI * edge / RAMP_S) : 1.0;
    out[2 * n] = out[2 * n + 1] = gain > 0.0 ? amplitude * gain * sin(2.0 * MT_PI * TONE_HZ * t) : 0.0;
  }
}

/* The first frame of the loudest stretch, both channels together. */
static size_t find_loudest(const mt_take *take, size_t length)
{
  size_t block = (size_t)(BLOCK_S * take->rate_hz), best_at = 0;
  double best = -1.0;

  for (size_t at = 0; at + length <= take->nframes; at += block) {
    double sum = 0.0;
    for (size_t i = at * take->nchannels; i < (at + length) * take->nchannels; i++)
      sum += (double)take->samples[i] * (double)take->samples[i];
    if (sum > best) {
      best = sum;
      best_at = at;
    }
  }
  return best_at;
}

static void see_channel(const mt_take *take, unsigned channel, size_t begin, size_t count, double *x,
                        mt_level_sight *io)
{
  mt_tone tone;
  double harmonics = 0.0, errors = 0.0;

  for (size_t i = 0; i < count; i++)
    x[i] = (double)take->samples[(begin + i) * take->nchannels + channel];
  if (mt_tone_measure(x, count, take->rate_hz, TONE_HZ, &tone, NULL) != MT_OK)
    return;
  if (mt_tone_is_present(&tone)) {
    for (int k = 2; k <= tone.norders; k++) {
      harmonics += tone.harmonic_power[k];
      errors += tone.harmonic_error[k] * tone.harmonic_error[k];
    }
    io->is_present = true;
    /* no more than the noise vouches for */
    harmonics -= 2.0 * sqrt(errors);
    if (harmonics > 0.0)
      io->thd_db = fmax(io->thd_db, mt_db_of_power(harmonics / tone.power));
  }
  mt_tone_finish(&tone);
}

static mt_code see(const mt_take *take, mt_level_sight *out, mt_error *err)
{
  size_t count = (size_t)(READ_S * take->rate_hz), begin;
  double peak = 0.0, *x;

  if (take->nframes < count)
    return mt_fail(err, MT_E_DATA, "a step of the level came back with %zu frames; expected %zu",
                   take->nframes, count);
  x = malloc(count * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", count);
  *out = (mt_level_sight){.thd_db = QUIET_DB};
  for (size_t i = 0; i < take->nframes * take->nchannels; i++)
    peak = fmax(peak, fabs((double)take->samples[i]));
  out->peak_dbfs = peak > 0.0 ? mt_db_of_ratio(peak) : QUIET_DB;
  out->is_clipped = peak >= FULL_SCALE;
  begin = find_loudest(take, count);
  for (unsigned c = 0; c < take->nchannels && c < MT_STIMULUS_CHANNELS; c++)
    see_channel(take, c, begin, count, x, out);
  free(x);
  return MT_OK;
}

static mt_code play_step(const mt_session_options *options, double rate_hz, double level_dbfs,
                         mt_level_sight *out, mt_error *err)
{
  double amplitude = mt_ratio_of_db(level_dbfs);
  mt_audio_source source = {render_tone, &amplitude, MT_STIMULUS_CHANNELS, BEFORE_S + TONE_S};
  mt_audio_request request = {
      .input = options->simulate != NULL ? options->simulate : options->input,
      .output = options->output,
      .rate_hz = rate_hz,
      .duration_s = BEFORE_S + TONE_S + AFTER_S,
      .source = &source,
      .state = options->state,
  };
  mt_take *take = NULL;
  mt_code code = mt_capture_run(mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio"),
                                &request, &take, err);

  if (code == MT_OK)
    code = see(take, out, err);
  mt_take_destroy(&take);
  return code;
}

static mt_code check_goal(double max_dbfs, double target_dbfs, mt_error *err)
{
  if (!(max_dbfs >= MT_LEVEL_LOWEST_DBFS && max_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG, "the highest level to try is %g dBFS; expected %g to 0", max_dbfs,
                   MT_LEVEL_LOWEST_DBFS);
  if (!(target_dbfs >= -40.0 && target_dbfs <= -3.0))
    return mt_fail(err, MT_E_ARG, "the peak wanted at the input is %g dBFS; expected -40 to -3", target_dbfs);
  return MT_OK;
}

static mt_code conclude(const mt_level_search *search, mt_level_found *out, mt_error *err)
{
  switch (search->end) {
  case MT_LEVEL_FOUND:
    out->level_dbfs = search->played_dbfs;
    out->peak_dbfs = search->peak_dbfs;
    out->turn = search->turn;
    return MT_OK;
  case MT_LEVEL_TOO_LOUD:
    return mt_fail(
        err, MT_E_DATA,
        "the input has too much (peak %.1f dBFS) with only %g dBFS played: turn the sound card's input gain "
        "down, then the unit's volume",
        search->peak_dbfs, search->played_dbfs);
  case MT_LEVEL_NOTHING:
    return mt_fail(
        err, MT_E_DATA,
        "no tone came back up to %g dBFS, the highest allowed: turn the unit's volume up; check its power, "
        "the leads, and the sound card's output",
        search->max_dbfs);
  case MT_LEVEL_GO_ON: break;
  }
  return mt_fail(err, MT_E_DATA,
                 "the level does not settle: what comes back changes by itself; check the leads");
}

mt_code mt_session_find_level(const mt_session_options *options, double max_dbfs, double target_dbfs,
                              mt_level_found *out, mt_error *err)
{
  mt_level_search search;
  mt_stimulus stimulus;
  mt_session_options mine = *options;
  mt_level_found found = {0};
  mt_code code = check_goal(max_dbfs, target_dbfs, err);

  mine.level_dbfs = MT_LEVEL_LOWEST_DBFS; /* any: only the rate is wanted of it */
  if (code == MT_OK)
    code = mt_session_stimulus(&mine, &stimulus, err);
  mt_level_begin(&search, max_dbfs, target_dbfs);
  for (unsigned turn = 0; code == MT_OK && search.end == MT_LEVEL_GO_ON && turn < MT_LEVEL_TURNS_MAX;
       turn++) {
    mt_level_sight sight = {0};
    double played_dbfs = search.played_dbfs;
    code = play_step(options, stimulus.rate_hz, played_dbfs, &sight, err);
    if (code != MT_OK)
      break;
    mt_level_see(&search, &sight);
    if (options->tell_step != NULL)
      options->tell_step(options->step_ctx, played_dbfs, sight.peak_dbfs, sight.is_present);
  }
  if (code == MT_OK)
    code = conclude(&search, &found, err);
  if (code == MT_OK)
    *out = found;
  return code;
}
