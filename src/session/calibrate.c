/* Making a rig: the tone that a meter reads, and the loop. */
#include <mendtone/session.h>

#include "audio/devices.h"
#include "base/decibel.h"
#include "base/text.h"
#include "session/rig_use.h"

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The round trip through a mixer takes up to half a second. */
#define LATE_S 0.7
#define RAMP_S 1.0
/* So much is lost on no lead: what is heard is crosstalk inside the card, and the loop is not connected. */
#define LEAST_OF_LOOP_DB 40.0
/* A tone this much off its pitch is another one. */
#define PITCH_HZ 1.0

static mt_code name_side(const mt_device *devices, size_t ndevices, const char *name, bool is_input,
                         mt_rig_side *out, size_t *index, mt_error *err)
{
  mt_code code = mt_device_choose(devices, ndevices, name, is_input, index, err);

  if (code == MT_OK) {
    mt_text_copy(out->device, sizeof out->device, devices[*index].name);
    mt_text_copy(out->host_api, sizeof out->host_api, devices[*index].host_api);
  }
  return code;
}

/* As the back end opens them: the output is the input's device if that has outputs, else the default. */
static mt_code name_devices(const mt_session_options *options, const mt_device *devices, size_t ndevices,
                            mt_rig *rig, mt_error *err)
{
  size_t in = 0, out = 0;
  mt_code code = name_side(devices, ndevices, options->input, true, &rig->input, &in, err);

  if (code != MT_OK)
    return code;
  if (options->output == NULL && devices[in].max_outputs > 0) {
    mt_text_copy(rig->output.device, sizeof rig->output.device, devices[in].name);
    mt_text_copy(rig->output.host_api, sizeof rig->output.host_api, devices[in].host_api);
    return MT_OK;
  }
  return name_side(devices, ndevices, options->output, false, &rig->output, &out, err);
}

mt_code mt_session_name_devices(const mt_session_options *options, mt_rig *rig, mt_error *err)
{
  mt_device *devices = NULL;
  size_t ndevices = 0;
  mt_code code;

  if (options->simulate != NULL) {
    mt_text_copy(rig->input.device, sizeof rig->input.device, mt_text_basename(options->simulate));
    mt_text_copy(rig->input.host_api, sizeof rig->input.host_api, MT_SIMULATED_API);
    mt_text_copy(rig->output.device, sizeof rig->output.device, rig->input.device);
    mt_text_copy(rig->output.host_api, sizeof rig->output.host_api, MT_SIMULATED_API);
    return MT_OK;
  }
  code = mt_audio_list_devices(&devices, &ndevices, err);
  if (code == MT_OK)
    code = name_devices(options, devices, ndevices, rig, err);
  free(devices);
  return code;
}

static mt_code lay_out_tone(const mt_session_options *options, const mt_session_tone *tone, mt_stimulus *out,
                            mt_error *err)
{
  mt_segment segment = {.name = "tone", .kind = MT_SEGMENT_TONE, .fade_in_s = RAMP_S, .fade_out_s = RAMP_S};

  if (!(tone->freq_hz >= 20.0 && tone->freq_hz <= 1000.0))
    return mt_fail(err, MT_E_ARG,
                   "the tone is %g Hz; expected 20 to 1000, best 50 to 120 for a hand-held meter",
                   tone->freq_hz);
  if (!(tone->level_dbfs >= -60.0 && tone->level_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG, "the tone's level is %g dBFS; expected -60 to 0", tone->level_dbfs);
  if (!(tone->duration_s >= 4.0 && tone->duration_s <= 600.0))
    return mt_fail(err, MT_E_ARG, "the tone lasts %g s; expected 4 to 600", tone->duration_s);
  segment.duration_s = tone->duration_s;
  for (int c = 0; c < MT_STIMULUS_CHANNELS; c++) {
    segment.freq_hz[c] = tone->freq_hz;
    segment.amplitude[c] = mt_ratio_of_db(tone->level_dbfs);
  }
  *out = (mt_stimulus){.rate_hz = options->rate_hz > 0.0 ? options->rate_hz : MT_DEFAULT_RATE_HZ,
                       .level_dbfs = tone->level_dbfs,
                       .duration_s = tone->duration_s,
                       .nsegments = 1};
  out->segments[0] = segment;
  return MT_OK;
}

/* The part in which the tone stands, whatever the round trip, of the first two channels. */
static mt_code cut(const mt_take *take, double from_s, double to_s, mt_take **out, mt_error *err)
{
  unsigned nchannels = take->nchannels < 2 ? take->nchannels : 2;
  size_t from = (size_t)(from_s * take->rate_hz), to = (size_t)(to_s * take->rate_hz);
  mt_code code = mt_take_create(take->rate_hz, nchannels, out, err);

  for (size_t i = from; i < to && i < take->nframes && code == MT_OK; i++)
    code = mt_take_append(*out, take->samples + i * take->nchannels, 1, err);
  return code;
}

/* A clipped input would be calibrated wrong without a word. */
static mt_code refuse_clipped(const mt_take *take, mt_error *err)
{
  for (size_t i = 0; i < take->nproblems; i++)
    if (take->problems[i].kind == MT_PROBLEM_CLIPPED)
      return mt_fail(err, MT_E_DATA, "the input clips: turn its level down, or give a lower --tone-level");
  return MT_OK;
}

/* Level of whatever is there, dB re the rms of a full-scale sine. */
static double loudness_dbfs(const mt_take *take, int channel)
{
  double sum = 0.0;

  for (size_t i = 0; i < take->nframes; i++) {
    double x = (double)take->samples[i * take->nchannels + (size_t)channel];
    sum += x * x;
  }
  return mt_db_of_power(2.0 * sum / (double)(take->nframes > 0 ? take->nframes : 1) + 1e-30);
}

/* A tone that arrives broken is not one that does not arrive: it would be taken for an output metered open. */
static mt_code refuse_broken(const mt_take *take, const mt_session_tone *tone, int channel, mt_error *err)
{
  char name[8];

  if (channel >= (int)take->nchannels || loudness_dbfs(take, channel) < tone->level_dbfs - LEAST_OF_LOOP_DB)
    return MT_OK;
  return mt_fail(
      err, MT_E_DATA,
      "what arrives on the %s input is no steady tone of %g Hz: another sound, a loose plug or lost "
      "frames; play it again",
      mt_channel_name(channel, name), tone->freq_hz);
}

static mt_code read_tone(const mt_take *whole, const mt_session_tone *tone,
                         mt_rig_value captured[MT_RIG_CHANNELS], mt_error *err)
{
  mt_results *results = NULL;
  mt_take *take = NULL;
  mt_code code = cut(whole, RAMP_S + LATE_S, tone->duration_s - RAMP_S, &take, err);

  if (code == MT_OK)
    code = mt_capture_inspect(take, err);
  if (code == MT_OK)
    code = refuse_clipped(take, err);
  if (code == MT_OK)
    code = mt_results_create(&results, err);
  if (code == MT_OK)
    code = mt_measure_recording(take, results, err);
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++) {
    const mt_reading *level = mt_results_find(results, MT_Q_LEVEL, c, "");
    captured[c] = (mt_rig_value){.known = false};
    if (level != NULL && level->validity == MT_VALID && fabs(level->freq_hz - tone->freq_hz) < PITCH_HZ &&
        level->value > tone->level_dbfs - LEAST_OF_LOOP_DB)
      captured[c] = (mt_rig_value){true, false, level->value, level->uncertainty};
    else
      code = refuse_broken(take, tone, c, err);
  }
  mt_results_destroy(&results);
  mt_take_destroy(&take);
  return code;
}

mt_code mt_session_play_tone(const mt_session_options *options, const mt_session_tone *tone,
                             mt_rig_value captured[MT_RIG_CHANNELS], mt_error *err)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_request request = {.output = options->output, .duration_s = tone->duration_s};
  mt_audio_source source;
  mt_stimulus stimulus;
  mt_take *take = NULL;
  mt_code code = lay_out_tone(options, tone, &stimulus, err);

  if (code != MT_OK)
    return code;
  source = mt_capture_source(&stimulus);
  request.input = options->simulate != NULL ? options->simulate : options->input;
  request.rate_hz = stimulus.rate_hz;
  request.source = &source;
  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  code = mt_capture_run(backend, &request, &take, err);
  if (code == MT_OK)
    code = read_tone(take, tone, captured, err);
  mt_take_destroy(&take);
  return code;
}

mt_code mt_session_measure_loop(const mt_session_options *options, mt_rig *rig, mt_results **loop,
                                mt_error *err)
{
  mt_session_options mine = *options;
  mt_results *results = NULL;
  mt_code code;

  mine.plan = NULL;
  mine.rig = NULL;
  if (!options->has_extras)
    mine.extras = MT_EXTRA_LEVELS | MT_EXTRA_INTERMODULATION;
  mine.has_extras = true;
  mine.max_level_dbfs = (mine.extras & MT_EXTRA_LEVELS) != 0 ? 0.0 : (double)NAN;
  code = mt_session_check(&mine, &results, err);
  if (code == MT_OK)
    code = mt_rig_take_loop(rig, results, err);
  if (code == MT_OK && loop != NULL) {
    *loop = results;
    results = NULL;
  }
  mt_results_destroy(&results);
  return code;
}
