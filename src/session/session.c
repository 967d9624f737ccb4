/* The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#include <mendtone/session.h>

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

#include "base/text.h"
#include "session/mend.h"
#include "session/session.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Every one of them differs in length from the others. */
#define MT_LAYOUTS (MT_PARTS_COUNT * (MT_EXTRAS_ALL + 1u))
_Static_assert((MT_PARTS_COUNT & (MT_PARTS_COUNT - 1)) == 0, "layouts are counted through by exclusive or");

/* A sound card starts late and a unit delays: listen on for this long after the stimulus. */
#define AFTER_S 1.0

mt_session_options mt_session_defaults(void)
{
  mt_session_options options = {.level_dbfs = NAN, .max_level_dbfs = NAN};
  return options;
}

mt_code mt_session_stimulus(const mt_session_options *options, mt_stimulus *out, mt_error *err)
{
  double rate_hz = options->rate_hz, level_dbfs = options->level_dbfs;
  double max_level_dbfs = options->max_level_dbfs;
  const mt_plan_state *state = mt_session_plan_state(options);
  unsigned extras = options->has_extras ? options->extras : 0, needed = 0;
  mt_parts parts = state != NULL ? mt_parts_for(state->measure, state->nmeasure, &needed) : MT_PARTS_ALL;
  bool is_part = state != NULL && state->nmeasure > 0;

  if (rate_hz == 0.0 && options->plan != NULL)
    rate_hz = options->plan->rate_hz;
  if (rate_hz == 0.0)
    rate_hz = MT_DEFAULT_RATE_HZ;
  if (isnan(level_dbfs) && options->plan != NULL)
    level_dbfs = options->plan->level_dbfs;
  if (isnan(level_dbfs))
    level_dbfs = MT_DEFAULT_LEVEL_DBFS;
  if (!options->has_extras && options->plan != NULL)
    extras = is_part ? needed : options->plan->extras;
  /* said of the plan as a whole, or of the command: it holds where there are levels */
  if (is_part && (extras & MT_EXTRA_LEVELS) == 0)
    max_level_dbfs = (double)NAN;
  if (isnan(max_level_dbfs) && options->plan != NULL && (extras & MT_EXTRA_LEVELS) != 0)
    max_level_dbfs = options->plan->max_level_dbfs;
  return mt_stimulus_init_parts(rate_hz, level_dbfs, parts, extras, max_level_dbfs, out, err);
}

const mt_plan_state *mt_session_plan_state(const mt_session_options *options)
{
  for (size_t i = 0; options->plan != NULL && options->state != NULL && i < options->plan->nstates; i++)
    if (strcmp(options->plan->states[i].name, options->state) == 0)
      return &options->plan->states[i];
  return NULL;
}

/* ---- what is kept of a take --------------------------------------------------------------------------- */

static bool is_difference(mt_quantity quantity)
{
  return quantity == MT_Q_BOOST || quantity == MT_Q_BOOST_FREQ || quantity == MT_Q_BOOST_CORNER ||
         quantity == MT_Q_GAIN_CHANGE || quantity == MT_Q_TILT || quantity == MT_Q_DIFFERENCE;
}

/* Route and polarity are implied wherever they can be told; a difference is made of responses. */
static bool is_wanted(const mt_plan_state *state, mt_quantity quantity)
{
  bool is_compared = state->compare_with[0] != '\0';

  if (quantity == MT_Q_ROUTE || quantity == MT_Q_POLARITY)
    return true;
  for (size_t i = 0; i < state->nmeasure; i++) {
    if (state->measure[i] == quantity)
      return true;
    if (quantity == MT_Q_RESPONSE && is_compared && is_difference(state->measure[i]))
      return true;
  }
  return false;
}

/* What a take holds besides what it was made for is not what the plan's limits are about. */
static void keep_wanted(const mt_plan_state *state, mt_results *results)
{
  size_t nreadings = 0, ncurves = 0;

  if (state == NULL || state->nmeasure == 0)
    return;
  for (size_t i = 0; i < results->nreadings; i++)
    if (is_wanted(state, results->readings[i].quantity))
      results->readings[nreadings++] = results->readings[i];
  results->nreadings = nreadings;
  for (size_t i = 0; i < results->ncurves; i++) {
    mt_curve curve = results->curves[i];
    if (is_wanted(state, curve.quantity)) {
      results->curves[ncurves++] = curve;
      continue;
    }
    free(curve.x);
    free(curve.y);
    free(curve.uncertainty);
    free(curve.floor);
  }
  results->ncurves = ncurves;
}

/* ---- from take to verdicts ---------------------------------------------------------------------------- */

mt_code mt_session_judge(const mt_session_options *options, mt_results *results, mt_error *err)
{
  mt_plan *built_in = NULL;
  const mt_plan *plan = options->plan;
  mt_code code = MT_OK;

  if (plan == NULL && results->is_stimulus) {
    code = mt_plan_create_default(&built_in, err);
    plan = built_in;
  }
  for (size_t i = 0; i < options->nanswers && code == MT_OK; i++)
    code = mt_results_add_answer(results, &options->answers[i], err);
  if (code == MT_OK && plan != NULL) {
    mt_text_copy(results->plan_name, sizeof results->plan_name, plan->name);
    mt_text_copy(results->unit_name, sizeof results->unit_name, plan->unit);
    code = mt_judge_results(plan, results, err);
  }
  if (code == MT_OK)
    code = mt_judge_find_causes(plan, results, err);
  mt_plan_destroy(&built_in);
  return code;
}

mt_code mt_session_answer(const mt_session_options *options, mt_results *results, mt_error *err)
{
  results->nanswers = 0;
  return mt_session_judge(options, results, err);
}

/* A plain recording of which nothing but its samples' extremes can be told is of no use to anybody. */
static mt_code refuse_useless(const mt_take *take, const mt_results *results, mt_error *err)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    bool is_fact = r->quantity == MT_Q_PEAK || r->quantity == MT_Q_DC;
    if (!is_fact && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED))
      return MT_OK;
  }
  return mt_fail(
      err, MT_E_DATA,
      "%.90s: neither a steady tone nor steady noise; if it holds the stimulus, its marks are missing or the "
      "rate (%.0f Hz) is not the one it was recorded at",
      mt_text_basename(take->file), take->rate_hz);
}

static mt_measure_options measure_options(const mt_session_options *options)
{
  return (mt_measure_options){options->state != NULL ? options->state : "default",
                              options->plan != NULL ? options->plan->max_level_thd_percent
                                                    : MT_MAX_LEVEL_THD_PERCENT};
}

/* Frames are missing somewhere between the marks, as the tones' clock tells: all is spoilt unless it is known where. */
static const mt_problem *find_loss(const mt_results *results)
{
  for (size_t i = 0; i < results->nproblems; i++) {
    const mt_problem *p = &results->problems[i];
    if (p->kind == MT_PROBLEM_LOST && p->channel == MT_CHANNEL_BOTH && p->begin_s <= 0.0 &&
        p->end_s >= (double)results->nframes / results->rate_hz)
      return p;
  }
  return NULL;
}

/* The same results, or better ones: with the segment left out that lost or repeated frames. */
static mt_code mend(const mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                    const mt_measure_options *measure, mt_results **io, mt_error *err)
{
  const mt_segment *a = mt_stimulus_find(stimulus, "mark-a"), *b = mt_stimulus_find(stimulus, "mark-b");
  double span = (b->start_s - a->start_s) * take->rate_hz;
  double late_frames = span / (1.0 + 1e-6 * location->clock_offset_ppm) - span;
  mt_results *mended = NULL;
  mt_code code = mt_mend_read(take, stimulus, measure, location->start_frame, late_frames, &mended, err);

  if (code == MT_OK && mended != NULL) {
    mt_results_destroy(io);
    *io = mended;
  }
  return code;
}

/* Of what was read what the state is about, judged. */
static mt_code conclude(const mt_session_options *options, mt_results *results, mt_error *err)
{
  keep_wanted(mt_session_plan_state(options), results);
  return options->unjudged ? MT_OK : mt_session_judge(options, results, err);
}

/* From take to verdicts. `location` is NULL when neither mark was found. */
static mt_code read_take(mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                         const mt_session_options *options, mt_results **out, mt_error *err)
{
  mt_results *results = NULL;
  const mt_measure_options measure = measure_options(options);
  mt_code code = mt_results_create(&results, err);

  if (code == MT_OK)
    code = location != NULL ? mt_measure_stimulus_with(take, stimulus, location, &measure, results, err)
                            : mt_measure_recording(take, results, err);
  if (code == MT_OK && location == NULL)
    code = refuse_useless(take, results, err);
  if (code == MT_OK && location != NULL && find_loss(results) != NULL)
    code = mend(take, stimulus, location, &measure, &results, err);
  if (code == MT_OK)
    code = conclude(options, results, err);
  if (code != MT_OK) {
    mt_results_destroy(&results);
    return code;
  }
  *out = results;
  return MT_OK;
}

/* Of a run that lost frames between its marks what is left is read at once; *out stays NULL if there is none. */
static mt_code read_broken(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                           const mt_session_options *options, mt_results **out, mt_error *err)
{
  const mt_measure_options measure = measure_options(options);
  mt_results *results = NULL;
  double start_frame = 0.0, late_frames = 0.0;
  size_t which = 0;
  bool broken = false;
  mt_code code =
      mt_capture_locate_broken(take, stimuli, nstimuli, &which, &broken, &start_frame, &late_frames, err);

  if (code == MT_OK && broken)
    code = mt_mend_read(take, &stimuli[which], &measure, start_frame, late_frames, &results, err);
  if (code == MT_OK && results != NULL)
    code = conclude(options, results, err);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return code;
}

/* Where the stimulus lies; or the results, of a run that can only be read in part. */
static mt_code locate(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                      const mt_session_options *options, size_t *which, mt_marks_found *found,
                      mt_location *location, mt_results **in_part, mt_error *err)
{
  mt_error other = {0};
  mt_code code = mt_capture_locate_among(take, stimuli, nstimuli, which, found, location, err);
  bool may_be_broken =
      code == MT_E_DATA || (code == MT_OK && (*found == MT_MARKS_START || *found == MT_MARKS_END));

  if (may_be_broken && read_broken(take, stimuli, nstimuli, options, in_part, &other) == MT_OK &&
      *in_part != NULL)
    return MT_OK;
  return code;
}

/* A capture in which nothing can be measured at all is refused outright. */
static mt_code refuse_dead(const mt_take *take, mt_error *err)
{
  const char *name = mt_text_basename(take->file);

  for (size_t i = 0; i < take->nproblems; i++)
    if (take->problems[i].kind == MT_PROBLEM_SILENT_INPUT && take->problems[i].channel == MT_CHANNEL_BOTH)
      return mt_fail(err, MT_E_DATA, "%.90s%s%s", name, name[0] != '\0' ? ": " : "", take->problems[i].text);
  return MT_OK;
}

static mt_code keep_take(const mt_session_options *options, mt_take *take, mt_error *err)
{
  mt_code code;

  if (options->save_take == NULL)
    return MT_OK;
  code = mt_audio_write_file(options->save_take, take->samples, take->nframes, take->nchannels, take->rate_hz,
                             MT_SAMPLE_FLOAT, err);
  if (code == MT_OK)
    mt_text_copy(take->file, sizeof take->file, options->save_take);
  return code;
}

/* A sound card opened with all its inputs: the unit sits on the first two. */
static void keep_first_pair(mt_take *take)
{
  if (take->nchannels <= 2)
    return;
  for (size_t i = 0; i < take->nframes; i++)
    memmove(take->samples + 2 * i, take->samples + i * take->nchannels, 2 * sizeof(float));
  take->capacity_frames = take->capacity_frames * take->nchannels / 2;
  take->nchannels = 2;
}

mt_code mt_session_check(const mt_session_options *options, mt_results **out, mt_error *err)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_request request = {0};
  mt_audio_source source;
  mt_stimulus stimulus;
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  mt_results *in_part = NULL;
  size_t which = 0;
  mt_take *take = NULL;
  mt_code code = mt_session_stimulus(options, &stimulus, err);

  if (code != MT_OK)
    return code;
  source = mt_capture_source(&stimulus);
  request.input = options->simulate != NULL ? options->simulate : options->input;
  request.output = options->output;
  request.rate_hz = stimulus.rate_hz;
  request.duration_s = stimulus.duration_s + AFTER_S;
  request.source = &source;
  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  request.state = options->state;
  code = mt_capture_run(backend, &request, &take, err);
  if (code != MT_OK)
    return code;
  keep_first_pair(take);
  code = mt_capture_inspect(take, err);
  if (code == MT_OK)
    code = keep_take(options, take, err);
  if (code == MT_OK)
    code = refuse_dead(take, err);
  if (code == MT_OK)
    code = locate(take, &stimulus, 1, options, &which, &found, &location, &in_part, err);
  if (code == MT_OK && in_part == NULL && found != MT_MARKS_BOTH)
    code = mt_fail(
        err, MT_E_DATA,
        found == MT_MARKS_NONE
            ? "nothing of the stimulus came back; check leads, the unit's power, its volume and both levels"
            : "only part of the stimulus came back; check the leads and take again");
  if (code == MT_OK && in_part != NULL)
    *out = in_part;
  else if (code == MT_OK)
    code = read_take(take, &stimulus, &location, options, out, err);
  mt_take_destroy(&take);
  return code;
}

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
    mt_parts parts = (mt_parts)((unsigned)expected.parts ^ (i / (MT_EXTRAS_ALL + 1)));
    double max_level_dbfs = options->max_level_dbfs;
    if (isnan(max_level_dbfs) && options->plan != NULL)
      max_level_dbfs = options->plan->max_level_dbfs;
    if ((extras & MT_EXTRA_LEVELS) == 0)
      max_level_dbfs = (double)NAN;
    if (mt_stimulus_init_parts(mine.rate_hz, expected.level_dbfs, parts, extras, max_level_dbfs, &out[*n],
                               NULL) == MT_OK)
      (*n)++;
  }
  return code;
}

/* From what was recorded to verdicts: of the stimulus if both marks are there, else of a plain recording. */
static mt_code read_recorded(mt_take *take, const mt_session_options *options, mt_results **out,
                             mt_error *err)
{
  const char *name = mt_text_basename(take->file);
  mt_stimulus *stimuli = calloc(MT_LAYOUTS, sizeof *stimuli);
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  size_t nstimuli = 0, which = 0;
  mt_results *in_part = NULL;
  mt_code code = stimuli != NULL
                     ? mt_capture_inspect(take, err)
                     : mt_fail(err, MT_E_MEMORY, "out of memory for %u layouts of the stimulus", MT_LAYOUTS);

  if (code == MT_OK)
    code = refuse_dead(take, err);
  if (code == MT_OK)
    code = lay_out_expected(options, take->rate_hz, stimuli, &nstimuli, err);
  if (code == MT_OK && nstimuli > 0)
    code = locate(take, stimuli, nstimuli, options, &which, &found, &location, &in_part, err);
  if (code == MT_OK && in_part == NULL && (found == MT_MARKS_START || found == MT_MARKS_END))
    code = mt_fail(
        err, MT_E_DATA,
        found == MT_MARKS_START
            ? "%.90s: the stimulus has no end; record on until it has ended (%.1f s), at the rate it was "
              "made for (%.0f Hz)"
            : "%.90s: the stimulus has no beginning; start recording before it plays (%.1f s), at the "
              "rate it was made for (%.0f Hz)",
        name[0] != '\0' ? name : "what was heard", stimuli[0].duration_s, stimuli[0].rate_hz);
  if (code == MT_OK && in_part != NULL)
    *out = in_part;
  else if (code == MT_OK)
    code = read_take(take, &stimuli[which], found == MT_MARKS_BOTH ? &location : NULL, options, out, err);
  free(stimuli);
  return code;
}

mt_code mt_session_analyse(const char *path, const mt_session_options *options, mt_results **out,
                           mt_error *err)
{
  mt_audio_request request = {.input = path};
  mt_take *take = NULL;
  mt_code code;

  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  code = mt_capture_run(mt_audio_find_backend("file"), &request, &take, err);
  if (code != MT_OK)
    return code;
  mt_text_copy(take->file, sizeof take->file, path);
  code = read_recorded(take, options, out, err);
  mt_take_destroy(&take);
  return code;
}

/* ---- listening --------------------------------------------------------------------------------------- */

/* A phone with the file of the stimulus: what a simulated unit is fed with. */
static void render_player(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  const mt_stimulus *stimulus = ctx;

  t0_s -= MT_LEAD_IN_S;
  mt_stimulus_render(stimulus, t0_s, dt_s, nframes, out);
  for (size_t i = 0; i < nframes * MT_STIMULUS_CHANNELS; i++)
    out[i] +=
        mt_stimulus_sample_lead_in(stimulus, MT_LEAD_IN_S, t0_s + (double)(i / MT_STIMULUS_CHANNELS) * dt_s);
}

/* The longest layout there is, and what a slow clock and the search add. */
static double longest_run_s(const mt_stimulus *expected)
{
  mt_stimulus longest;

  if (mt_stimulus_init(expected->rate_hz, expected->level_dbfs, MT_EXTRAS_ALL, (double)NAN, &longest, NULL) !=
      MT_OK)
    longest = *expected;
  return longest.duration_s + AFTER_S;
}

mt_code mt_session_listen(const mt_session_options *options, mt_results **out, mt_error *err)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_request request = {0};
  mt_audio_source source;
  mt_listening listening = {
      .tell = options->tell, .is_stopped = options->is_stopped, .ctx = options->listen_ctx};
  mt_stimulus stimulus;
  mt_take *take = NULL;
  mt_code code = mt_session_stimulus(options, &stimulus, err);

  if (code != MT_OK)
    return code;
  source =
      (mt_audio_source){render_player, &stimulus, MT_STIMULUS_CHANNELS, MT_LEAD_IN_S + stimulus.duration_s};
  request.input = options->simulate != NULL ? options->simulate : options->input;
  request.rate_hz = stimulus.rate_hz;
  request.state = options->state;
  request.source = options->simulate != NULL ? &source : NULL;
  listening.stimulus = &stimulus;
  listening.longest_s = longest_run_s(&stimulus);
  listening.wait_s = options->wait_s > 0.0 ? options->wait_s : MT_DEFAULT_WAIT_S;
  code = mt_capture_listen(backend, &request, &listening, &take, err);
  if (code != MT_OK)
    return code;
  keep_first_pair(take);
  code = keep_take(options, take, err);
  if (code == MT_OK)
    code = read_recorded(take, options, out, err);
  mt_take_destroy(&take);
  return code;
}
