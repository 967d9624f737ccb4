/* The table of readings, and the two ways into it. */
#include "analysis/clock.h"
#include "analysis/path.h"
#include "analysis/workspace.h"

#include <stdlib.h>
#include <string.h>

/* To add a reading: one file read_<kind>.c, one row here, one test with an oracle. */
static mt_code (*const readings[])(mt_workspace *, mt_error *) = {
    mt_read_route,   mt_read_level,           mt_read_pair,     mt_read_crosstalk, mt_read_distortion,
    mt_read_noise,   mt_read_range,           mt_read_clock,    mt_read_response,  mt_read_band_end,
    mt_read_corners, mt_read_spectrum,        mt_read_spurious, mt_read_density,   mt_read_bands,
    mt_read_orders,  mt_read_intermodulation, mt_read_levels,   mt_read_travel,
};

static mt_code begin(const mt_take *take, mt_results *results, mt_workspace **out, mt_error *err)
{
  mt_workspace *ws = NULL;

  if (take->nchannels > MT_PAIR)
    return mt_fail(err, MT_E_DATA,
                   "the take has %u channels; expected one or two: keep the pair that matters",
                   take->nchannels);
  ws = calloc(1, sizeof *ws);
  if (ws == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the analysis");
  ws->take = take;
  ws->results = results;
  ws->nchannels = take->nchannels;
  ws->state = "";
  ws->max_level_thd_percent = MT_MAX_LEVEL_THD_PERCENT;
  results->rate_hz = take->rate_hz;
  results->nchannels = take->nchannels;
  results->nframes = take->whole_frames > 0 ? take->whole_frames : take->nframes;
  memcpy(results->file, take->file, sizeof results->file);
  *out = ws;
  return MT_OK;
}

static mt_code read_all(mt_workspace *ws, mt_error *err)
{
  size_t first_reading = ws->results->nreadings, first_curve = ws->results->ncurves;
  mt_code code = MT_OK;
  for (size_t i = 0; i < sizeof readings / sizeof readings[0] && code == MT_OK; i++)
    code = readings[i](ws, err);
  mt_path_qualify(ws, first_reading, first_curve);
  return code;
}

/* A problem over the whole take on all channels leaves nothing that could be vouched for. */
static void conclude(mt_workspace *ws)
{
  double begin_s = mt_take_time_s(ws->take, 0.0), end_s = mt_take_time_s(ws->take, (double)ws->take->nframes);
  for (size_t i = 0; i < ws->results->nproblems; i++) {
    const mt_problem *p = &ws->results->problems[i];
    if (p->kind != MT_PROBLEM_LOSSY_PATH && p->kind != MT_PROBLEM_UNCHECKED &&
        p->channel == MT_CHANNEL_BOTH && p->begin_s <= begin_s && p->end_s >= end_s)
      ws->results->valid = false;
  }
}

mt_code mt_measure_stimulus(const mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                            const char *state, mt_results *results, mt_error *err)
{
  const mt_measure_options options = {.state = state, .max_level_thd_percent = MT_MAX_LEVEL_THD_PERCENT};
  return mt_measure_stimulus_with(take, stimulus, location, &options, results, err);
}

mt_code mt_measure_stimulus_with(const mt_take *take, const mt_stimulus *stimulus,
                                 const mt_location *location, const mt_measure_options *options,
                                 mt_results *results, mt_error *err)
{
  mt_workspace *ws = NULL;
  mt_code code;

  if (take->nchannels < MT_PAIR)
    return mt_fail(err, MT_E_DATA,
                   "the take has one channel, so half of the unit is missing; record in stereo");
  code = begin(take, results, &ws, err);
  if (code != MT_OK)
    return code;
  ws->stimulus = stimulus;
  ws->location = location;
  ws->state = options->state;
  ws->max_level_thd_percent = options->max_level_thd_percent;
  for (int c = 0; c < MT_PAIR; c++)
    ws->loop_response[c] = options->loop_response[c];
  ws->path = options->path;
  ws->codec_first = options->codec_first;
  results->is_stimulus = true;
  results->stimulus_level_dbfs = stimulus->level_dbfs;
  results->stimulus_extras = stimulus->extras;
  results->nruns = location->nruns;
  results->is_followed = location->is_followed;
  results->run_begin_s = location->start_frame / take->rate_hz;
  results->stimulus_parts = stimulus->parts;
  code = mt_workspace_init_stimulus(ws, err);
  if (code == MT_OK)
    code = mt_clock_settle(ws, err);
  if (code == MT_OK)
    code = read_all(ws, err);
  conclude(ws);
  mt_workspace_finish(ws);
  free(ws);
  return code;
}

mt_code mt_measure_recording(const mt_take *take, mt_results *results, mt_error *err)
{
  return mt_measure_recording_with(take, MT_PATH_UNKNOWN, results, err);
}

mt_code mt_measure_recording_with(const mt_take *take, mt_path path, mt_results *results, mt_error *err)
{
  mt_workspace *ws = NULL;
  mt_code code = begin(take, results, &ws, err);

  if (code != MT_OK)
    return code;
  ws->path = path;
  code = mt_workspace_init_recording(ws, err);
  if (code == MT_OK)
    code = read_all(ws, err);
  conclude(ws);
  mt_workspace_finish(ws);
  free(ws);
  return code;
}
