/* From a recording of any length to readings: the last whole run of the stimulus in it, or a plain tone or noise. */
#include "session/read.h"

#include "base/text.h"
#include "session/session.h"

#include <math.h>
#include <stdlib.h>

/* Every one of them differs in length from the others. */
#define MT_LAYOUTS (MT_PARTS_COUNT * (MT_EXTRAS_ALL + 1u))

/* A recording of a run up to here is read in memory, and lost frames are mended: 22 MiB of stereo at 48 kHz. */
#define MENDED_MOST_S 60.0

/* Of a recording that holds the stimulus, only that is loaded, and this much on either side. */
#define BESIDE_S 0.5

/* Every stimulus a recording may hold, the one expected first: laid out at the rate given, else at the
   recording's own. `*n` is 0 if there is none of that rate. */
static mt_code lay_out_expected(const mt_session_options *options, double rate_hz, mt_stimulus *out,
                                size_t *n, mt_error *err)
{
  mt_session_options mine = *options;
  mt_stimulus expected;
  mt_code code;

  *n = 0;
  if (mine.rate_hz == 0.0 && mine.plan != NULL)
    mine.rate_hz = mine.plan->rate_hz;
  if (mine.rate_hz == 0.0)
    mine.rate_hz = rate_hz;
  if (!(mine.rate_hz >= 44100.0 && mine.rate_hz <= 192000.0))
    return MT_OK;
  /* a maximum level may be said of levels that are not expected, and yet found */
  mine.max_level_dbfs = (double)NAN;
  code = mt_session_stimulus(&mine, &expected, err);
  mine.max_level_dbfs = options->max_level_dbfs;
  if (code == MT_OK && (expected.extras & MT_EXTRA_LEVELS) != 0)
    code = mt_session_stimulus(&mine, &expected, err);
  for (unsigned i = 0; i < MT_LAYOUTS && code == MT_OK; i++) {
    unsigned extras = expected.extras ^ (i % (MT_EXTRAS_ALL + 1));
    mt_parts parts = (mt_parts)(((unsigned)expected.parts + i / (MT_EXTRAS_ALL + 1)) % MT_PARTS_COUNT);
    double max_level_dbfs = options->max_level_dbfs;
    if (isnan(max_level_dbfs) && options->plan != NULL)
      max_level_dbfs = options->plan->max_level_dbfs;
    if ((extras & MT_EXTRA_LEVELS) == 0)
      max_level_dbfs = (double)NAN;
    if (i == 0) /* a knob is turned for as long as the plan says */
      out[(*n)++] = expected;
    else if (mt_stimulus_init_parts(mine.rate_hz, expected.level_dbfs, parts, extras, max_level_dbfs,
                                    &out[*n], NULL) == MT_OK)
      (*n)++;
  }
  return code;
}

/* The stretch of a recording that a run lies in, as a take of its own; the location becomes that in the part. */
static mt_code load_run(mt_take **io, const mt_stimulus *stimulus, mt_location *location, mt_error *err)
{
  const mt_take *take = *io;
  mt_take *part = NULL;
  double earliest = location->start_frame, latest = location->start_frame, first, end;
  mt_code code;

  for (unsigned c = 0; c < take->nchannels; c++)
    if (location->arrived[c]) {
      earliest = fmin(earliest, location->arrival_frame[c]);
      latest = fmax(latest, location->arrival_frame[c]);
    }
  latest += stimulus->duration_s * take->rate_hz / (1.0 + 1e-6 * location->clock_offset_ppm);
  first = fmax(0.0, floor(earliest - BESIDE_S * take->rate_hz));
  end = fmin((double)take->nframes, ceil(latest + BESIDE_S * take->rate_hz));
  code = mt_take_load(take, (size_t)first, (size_t)(end - first), &part, err);
  if (code != MT_OK)
    return code;
  location->start_frame -= first;
  for (unsigned c = 0; c < take->nchannels; c++)
    location->arrival_frame[c] -= first;
  mt_take_destroy(io);
  *io = part;
  return MT_OK;
}

static bool is_short(const mt_take *take)
{
  return (double)take->nframes <= MENDED_MOST_S * take->rate_hz;
}

/* Into memory, where lost frames can be mended. */
static mt_code load_whole(mt_take **io, mt_error *err)
{
  mt_take *whole = NULL;
  mt_code code;

  if ((*io)->samples != NULL)
    return MT_OK;
  code = mt_take_load(*io, 0, (*io)->nframes, &whole, err);
  if (code == MT_OK) {
    mt_take_destroy(io);
    *io = whole;
  }
  return code;
}

/* Where a run lies in a recording that may be of any length; a short one that looks broken is looked at whole. */
static mt_code locate_recorded(mt_take **io, const mt_stimulus *stimuli, size_t nstimuli,
                               const mt_session_options *options, mt_rig_in_use *rig, mt_located *out,
                               mt_error *err)
{
  mt_code code = mt_session_locate(*io, stimuli, nstimuli, options, rig, out, err);
  bool looks_broken =
      code == MT_E_DATA || (code == MT_OK && (out->found == MT_MARKS_START || out->found == MT_MARKS_END));

  if (!looks_broken || (*io)->samples != NULL || !is_short(*io))
    return code;
  code = load_whole(io, err);
  return code == MT_OK ? mt_session_locate(*io, stimuli, nstimuli, options, rig, out, err) : code;
}

static mt_code refuse_half(const mt_take *take, const mt_stimulus *expected, mt_marks_found found,
                           mt_error *err)
{
  const char *name = mt_text_basename(take->file);

  return mt_fail(
      err, MT_E_DATA,
      found == MT_MARKS_START
          ? "%.90s: the stimulus has no end after %.2f s; record on until it has ended (%.1f s), at the rate "
            "it was made for (%.0f Hz)"
          : "%.90s: the stimulus has no beginning in %.2f s; start recording before it plays (%.1f s), at "
            "the rate it was made for (%.0f Hz)",
      name[0] != '\0' ? name : "what was heard", (double)take->nframes / take->rate_hz, expected->duration_s,
      expected->rate_hz);
}

/* One of ours that has not its length. */
static bool is_interrupted(const mt_take *take, const mt_stimulus *expected)
{
  return mt_audio_writer_is_part(take->file) && (double)take->nframes < expected->duration_s * take->rate_hz;
}

/* A take that was broken off before there was a mark in it: whatever else it may hold, this is what it lacks. */
static mt_code refuse_interrupted(const mt_take *take, const mt_stimulus *expected, mt_error *err)
{
  return mt_fail(err, MT_E_DATA,
                 "%.90s: was broken off after %.2f s, before the stimulus (%.1f s) had begun to arrive; take "
                 "it again",
                 mt_text_basename(take->file), (double)take->nframes / take->rate_hz, expected->duration_s);
}

/* The run that was found, into memory if it is not there, and read. */
static mt_code read_located(mt_take **io, const mt_stimulus *stimulus, mt_located *located,
                            const mt_session_options *options, mt_rig_in_use *rig, mt_results **out,
                            mt_error *err)
{
  bool is_run = located->found == MT_MARKS_BOTH;
  mt_code code = MT_OK;

  if (is_run && (*io)->samples == NULL)
    code = is_short(*io) ? load_whole(io, err) : load_run(io, stimulus, &located->location, err);
  return code == MT_OK
             ? mt_session_read_take(*io, stimulus, is_run ? &located->location : NULL, options, rig, out, err)
             : code;
}

mt_code mt_session_read_recorded(mt_take **io, const mt_session_options *options, mt_rig_in_use *rig,
                                 mt_results **out, mt_error *err)
{
  mt_stimulus *stimuli = calloc(MT_LAYOUTS, sizeof *stimuli);
  mt_located located = {0};
  size_t nstimuli = 0;
  mt_code code = stimuli != NULL
                     ? mt_capture_inspect(*io, err)
                     : mt_fail(err, MT_E_MEMORY, "out of memory for %u layouts of the stimulus", MT_LAYOUTS);

  if (code == MT_OK)
    code = lay_out_expected(options, (*io)->rate_hz, stimuli, &nstimuli, err);
  if (code == MT_OK)
    code = mt_session_refuse_dead(*io, err);
  if (code == MT_OK && nstimuli > 0)
    code = locate_recorded(io, stimuli, nstimuli, options, rig, &located, err);
  if (code == MT_OK && located.in_part != NULL)
    *out = located.in_part;
  else if ((code == MT_OK || code == MT_E_DATA) && nstimuli > 0 && located.found == MT_MARKS_NONE &&
           is_interrupted(*io, &stimuli[0]))
    code = refuse_interrupted(*io, &stimuli[0], err);
  else if (code == MT_OK && (located.found == MT_MARKS_START || located.found == MT_MARKS_END))
    code = refuse_half(*io, &stimuli[0], located.found, err);
  else if (code == MT_OK)
    code = read_located(io, &stimuli[located.which], &located, options, rig, out, err);
  free(stimuli);
  return code;
}

/* What a driver or a mixer told while it was captured. */
static mt_code take_over_known(const mt_session_options *options, mt_take *take, mt_error *err)
{
  mt_code code = MT_OK;

  take->play_aligned = options->play_aligned;
  for (size_t i = 0; i < options->nknown && code == MT_OK; i++) {
    const mt_problem *p = &options->known[i];
    code = mt_take_add_problem(take, p->kind, p->channel, p->begin_s, p->end_s, err, "%s", p->text);
    if (code == MT_OK)
      take->problems[take->nproblems - 1].while_captured = true;
  }
  return code;
}

mt_code mt_session_analyse(const char *path, const mt_session_options *options, mt_results **out,
                           mt_error *err)
{
  mt_audio_request request = {.input = path};
  mt_rig_in_use rig = {0};
  mt_take *take = NULL;
  mt_code code;

  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  code = mt_rig_use_open(options, false, &rig, err);
  if (code == MT_OK)
    code = mt_capture_open(&request, &take, err);
  if (code == MT_OK) {
    mt_text_copy(take->file, sizeof take->file, path);
    code = take_over_known(options, take, err);
  }
  if (code == MT_OK)
    code = mt_session_read_recorded(&take, options, &rig, out, err);
  mt_rig_use_finish(&rig);
  mt_take_destroy(&take);
  return code;
}
