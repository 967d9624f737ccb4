/* Watching: tones out, whatever comes back into the watch, and what it saw as results. */
#include <mendtone/session.h>

#include "base/decibel.h"
#include "base/text.h"
#include "session/rig_use.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RAMP_S 0.1
#define LONGEST_S 86400.0 /* what a back end runs at most */
/* So long a tone may take to arrive; what was not watched beyond it cannot be vouched for. */
#define LATE_S 2.0
#define LOOP_S 60.0
/* Events kept one by one; beyond them only the counts grow. */
#define PROBLEMS_MAX 100
#define PI 3.14159265358979323846

static const double tone_hz[2] = {MT_STRAIN_LEFT_HZ, MT_STRAIN_RIGHT_HZ};

typedef struct run {
  const mt_strain_options *options;
  mt_strain *watch;
  mt_strain_event events[PROBLEMS_MAX];
  size_t nevents;
  bool stopped;
  size_t nproblems; /* of the driver */
  char problem[128];
  double rate_hz;
  unsigned nchannels;
  size_t nframes;
} run;

typedef struct tones {
  double amplitude;
  double ramp_s;
} tones;

/* Whole cycles are taken off first: after a day the phase is still known. */
static void render_tones(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  const tones *t = ctx;

  for (size_t n = 0; n < nframes; n++) {
    double at_s = t0_s + (double)n * dt_s;
    double rise = t->ramp_s > 0.0 ? fmin(fmax(at_s / t->ramp_s, 0.0), 1.0) : 1.0;
    double gain = t->amplitude * 0.5 * (1.0 - cos(PI * rise));
    for (int c = 0; c < 2; c++)
      out[2 * n + (size_t)c] = gain > 0.0 ? gain * sin(2.0 * PI * fmod(tone_hz[c] * at_s, 1.0)) : 0.0;
  }
}

/* ---- the capture ------------------------------------------------------------------------------------- */

static void keep_event(void *ctx, const mt_strain_event *event)
{
  run *r = ctx;

  if (r->nevents < PROBLEMS_MAX)
    r->events[r->nevents++] = *event;
  if (r->options->sink.event != NULL)
    r->options->sink.event(r->options->sink.ctx, event);
}

static void pass_level(void *ctx, const mt_strain_level *level)
{
  run *r = ctx;

  if (r->options->sink.level != NULL)
    r->options->sink.level(r->options->sink.ctx, level);
}

static mt_code begin_watch(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  run *r = ctx;
  mt_strain_sink sink = {keep_event, pass_level, r};

  (void)play_aligned;
  r->rate_hz = rate_hz;
  r->nchannels = nchannels;
  return mt_strain_create(rate_hz, nchannels, &sink, &r->watch, err);
}

static mt_code watch_block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  run *r = ctx;
  size_t most = (size_t)fmin(r->options->duration_s * r->rate_hz, 1e15);
  size_t n = r->nframes + nframes > most ? most - r->nframes : nframes;

  mt_strain_feed(r->watch, frames, n);
  r->nframes += n;
  r->stopped = n < nframes || (r->options->poll != NULL && r->options->poll(r->options->sink.ctx));
  (void)err;
  return MT_OK;
}

static bool has_enough(void *ctx)
{
  const run *r = ctx;
  return r->stopped;
}

static mt_code note_problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                            mt_error *err)
{
  run *r = ctx;

  (void)kind;
  (void)begin_s;
  (void)end_s;
  (void)err;
  if (r->nproblems++ == 0)
    mt_text_copy(r->problem, sizeof r->problem, text);
  return MT_OK;
}

/* ---- what it saw ------------------------------------------------------------------------------------- */

static mt_reading start_reading(mt_quantity quantity, unsigned c, const mt_strain_channel *known)
{
  mt_reading reading = {
      .quantity = quantity, .channel = (mt_channel)c, .segment = "watch", .state = "default"};

  if (known->is_locked)
    reading.freq_hz = tone_hz[known->tone];
  return reading;
}

/* None found is said only of time in which one would have been found. */
static mt_code add_dropouts(const run *r, unsigned c, mt_results *results, mt_error *err)
{
  const mt_strain_channel *known = mt_strain_describe(r->watch, c);
  mt_reading reading = start_reading(MT_Q_DROPOUTS, c, known);
  double late_s = mt_strain_time_s(r->watch) - known->watched_s;
  /* where frames are missing nothing is heard either, however short it is */
  size_t n = known->count[MT_STRAIN_DROPOUT] + known->count[MT_STRAIN_PHASE];

  reading.value = (double)n;
  reading.validity = MT_NOT_MEASURED;
  snprintf(reading.definition, sizeof reading.definition,
           "6 dB or more below the tone for 1 ms or more, or a jump of its phase");
  if (!known->is_locked) {
    reading.validity = MT_NO_SIGNAL;
    snprintf(reading.why, sizeof reading.why, "no steady tone of %g or %g Hz arrived", tone_hz[0],
             tone_hz[1]);
  } else if (r->nproblems > 0) {
    snprintf(reading.why, sizeof reading.why, "the sound card lost frames itself: %.80s", r->problem);
  } else if (n == 0 && known->too_noisy_s > 0.0) {
    snprintf(reading.why, sizeof reading.why, "for %.3g s noise would have hidden a dropout of 1 ms",
             known->too_noisy_s);
  } else if (n == 0 && late_s > LATE_S) {
    snprintf(reading.why, sizeof reading.why, "the tone was there only after %.3g s", late_s);
  } else {
    reading.validity = MT_VALID;
  }
  return mt_results_add_reading(results, &reading, err);
}

static mt_code add_level(const run *r, unsigned c, mt_results *results, mt_error *err)
{
  const mt_strain_channel *known = mt_strain_describe(r->watch, c);
  mt_reading reading = start_reading(MT_Q_LEVEL, c, known);

  reading.value = known->last_dbfs;
  reading.uncertainty = fmax(known->highest_dbfs - known->lowest_dbfs, 0.001);
  snprintf(reading.definition, sizeof reading.definition, "as it was at the end; +- how far it wandered");
  if (!known->is_locked) {
    reading.validity = MT_NO_SIGNAL;
    snprintf(reading.why, sizeof reading.why, "no steady tone arrived");
  }
  return mt_results_add_reading(results, &reading, err);
}

static mt_code add_curve(const run *r, unsigned c, mt_results *results, mt_error *err)
{
  double *points = calloc(3 * MT_STRAIN_SLOTS, sizeof *points);
  mt_curve curve = {.quantity = MT_Q_LEVEL,
                    .channel = (mt_channel)c,
                    .segment = "watch",
                    .state = "default",
                    .x_unit = MT_UNIT_SECOND};
  mt_code code = MT_OK;

  if (points == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve");
  curve.x = points;
  curve.y = points + MT_STRAIN_SLOTS;
  curve.uncertainty = points + 2 * MT_STRAIN_SLOTS;
  curve.npoints = mt_strain_curve(r->watch, c, curve.x, curve.y, curve.uncertainty);
  /* more would say that it is only a bound */
  for (size_t i = 0; i < curve.npoints; i++)
    curve.uncertainty[i] = fmin(curve.uncertainty[i], 0.99 * MT_CURVE_BOUND_DB);
  if (curve.npoints > 0)
    code = mt_results_add_curve(results, &curve, err);
  free(points);
  return code;
}

static mt_code add_event(const mt_strain_event *e, mt_results *results, mt_error *err)
{
  static const mt_problem_kind kinds[MT_STRAIN_KINDS] = {MT_PROBLEM_DROPOUT, MT_PROBLEM_UNSTEADY,
                                                         MT_PROBLEM_DROPOUT, MT_PROBLEM_UNSTEADY,
                                                         MT_PROBLEM_LOST,    MT_PROBLEM_UNSTEADY};
  mt_problem problem = {.kind = kinds[e->kind],
                        .channel = e->channel,
                        .begin_s = e->begin_s,
                        .end_s = e->begin_s + e->length_s};

  snprintf(problem.text, sizeof problem.text, "%s", mt_strain_kind_name(e->kind));
  if (e->length_s > 0.0)
    snprintf(problem.text, sizeof problem.text, "%s, %.2f ms, %s%.1f dB down%s", mt_strain_kind_name(e->kind),
             1e3 * e->length_s, e->depth_db > 60.0 ? "over " : "", fmin(e->depth_db, 60.0),
             e->is_open ? ", not over at the end" : "");
  return mt_results_add_problem(results, &problem, err);
}

static mt_code say(const run *r, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  results->rate_hz = r->rate_hz;
  results->nchannels = r->nchannels < 2 ? r->nchannels : 2;
  results->nframes = r->nframes;
  results->valid = true;
  if (r->options->recording != NULL)
    mt_text_copy(results->file, sizeof results->file, r->options->recording);
  for (unsigned c = 0; c < results->nchannels && code == MT_OK; c++) {
    code = add_dropouts(r, c, results, err);
    if (code == MT_OK)
      code = add_level(r, c, results, err);
    if (code == MT_OK)
      code = add_curve(r, c, results, err);
  }
  for (size_t i = 0; i < r->nevents && code == MT_OK; i++)
    code = add_event(&r->events[i], results, err);
  return code;
}

/* Of a plan for the whole unit only what can be watched is asked here. */
static mt_code judge(const mt_session_options *session, mt_results *results, mt_error *err)
{
  mt_plan mine;
  mt_code code;
  size_t n = 0;

  if (session->plan == NULL)
    return MT_OK;
  mine = *session->plan;
  mine.nstates = 0;
  mine.limits = calloc(mine.nlimits + 1, sizeof *mine.limits);
  if (mine.limits == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for limits");
  for (size_t i = 0; i < mine.nlimits; i++)
    if (session->plan->limits[i].quantity == MT_Q_DROPOUTS)
      mine.limits[n++] = session->plan->limits[i];
  mine.nlimits = n;
  mt_text_copy(results->plan_name, sizeof results->plan_name, mine.name);
  mt_text_copy(results->unit_name, sizeof results->unit_name, mine.unit);
  code = mt_judge_results(&mine, results, err);
  free(mine.limits);
  return code;
}

/* ---- the way in -------------------------------------------------------------------------------------- */

static mt_code check_options(const mt_strain_options *o, double level_dbfs, mt_error *err)
{
  if (!(o->duration_s >= 1.0 && o->duration_s <= LONGEST_S))
    return mt_fail(err, MT_E_ARG, "the time to watch is %g s; expected 1 s to 24 h", o->duration_s);
  if (!(level_dbfs >= -60.0 && level_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG, "the level is %g dBFS; expected -60 to 0", level_dbfs);
  return MT_OK;
}

double mt_session_watch_level(const mt_session_options *session)
{
  if (!isnan(session->level_dbfs))
    return session->level_dbfs;
  if (session->plan != NULL && !isnan(session->plan->level_dbfs))
    return session->plan->level_dbfs;
  return MT_DEFAULT_LEVEL_DBFS;
}

static double rate_of(const mt_session_options *session, const mt_rig *rig)
{
  if (session->rate_hz > 0.0)
    return session->rate_hz;
  if (session->plan != NULL && session->plan->rate_hz > 0.0)
    return session->plan->rate_hz;
  return rig != NULL ? rig->rate_hz : MT_DEFAULT_RATE_HZ;
}

/* Readings of 0 dBFS, held against the rig as those of the watch will be. */
static mt_code read_full_scale(const mt_rig_in_use *rig, double rate_hz, double dbv[2], bool known[2],
                               mt_error *err)
{
  mt_results *results = NULL;
  mt_code code = mt_results_create(&results, err);

  if (code == MT_OK)
    results->rate_hz = rate_hz;
  for (int c = 0; c < 2 && code == MT_OK; c++) {
    mt_reading full = {.quantity = MT_Q_LEVEL, .channel = c, .segment = "watch", .freq_hz = tone_hz[c]};
    code = mt_results_add_reading(results, &full, err);
  }
  if (code == MT_OK && rig->rig != NULL)
    code = mt_rig_apply(rig->rig, &rig->use, results, err);
  for (size_t c = 0; c < 2 && code == MT_OK; c++) {
    known[c] = results->readings[c].has_dbv;
    dbv[c] = results->readings[c].dbv;
  }
  mt_results_destroy(&results);
  return code;
}

mt_code mt_session_watch_full_scale(const mt_session_options *session, const mt_strain_options *options,
                                    double dbv[2], bool known[2], mt_error *err)
{
  mt_rig_in_use rig = {0};
  mt_code code = mt_rig_use_open(session, options->recording == NULL, &rig, err);

  if (code == MT_OK)
    code = read_full_scale(&rig, rate_of(session, rig.rig), dbv, known, err);
  mt_rig_use_finish(&rig);
  return code;
}

/* Where it listens and plays: the rig's devices, unless others are said. */
static mt_audio_request make_request(const mt_session_options *session, const mt_strain_options *options,
                                     const mt_rig_in_use *rig)
{
  mt_audio_request request = {.input = options->recording,
                              .output = session->output,
                              .rate_hz = rate_of(session, rig->rig),
                              .duration_s = options->duration_s,
                              .state = session->state};

  if (options->recording != NULL)
    return request;
  request.input = session->simulate != NULL ? session->simulate : session->input;
  if (rig->input[0] != '\0')
    request.input = rig->input;
  if (rig->output[0] != '\0' && !options->listen)
    request.output = rig->output;
  return request;
}

static mt_code conclude(const run *r, const mt_session_options *session, const mt_rig_in_use *rig,
                        mt_results *results, mt_error *err)
{
  mt_code code = say(r, results, err);

  if (code == MT_OK && rig->rig != NULL)
    code = mt_rig_apply(rig->rig, &rig->use, results, err);
  return code == MT_OK ? judge(session, results, err) : code;
}

static mt_code watch_with(const mt_session_options *session, const mt_rig_in_use *rig, run *r,
                          mt_results **out, mt_error *err)
{
  const char *name = r->options->recording != NULL ? "file"
                     : session->simulate != NULL   ? "simulate"
                                                   : "portaudio";
  tones played = {mt_ratio_of_db(mt_session_watch_level(session)), RAMP_S};
  mt_audio_source source = {render_tones, &played, 2, LONGEST_S};
  mt_audio_request request = make_request(session, r->options, rig);
  const mt_audio_sink sink = {begin_watch, watch_block, note_problem, r, has_enough};
  mt_results *results = NULL;
  mt_code code;

  if (r->options->recording == NULL && !r->options->listen)
    request.source = &source;
  code = mt_audio_find_backend(name)->run(&request, &sink, err);
  if (code == MT_OK && r->watch == NULL)
    code = mt_fail(err, MT_E_DATA, "there was nothing to watch");
  if (code != MT_OK)
    return code;
  mt_strain_finish(r->watch);
  code = mt_results_create(&results, err);
  if (code == MT_OK)
    code = conclude(r, session, rig, results, err);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return code;
}

mt_code mt_session_watch(const mt_session_options *session, const mt_strain_options *options,
                         mt_strain **watch, mt_results **out, mt_error *err)
{
  mt_rig_in_use rig = {0};
  run *r;
  mt_code code = check_options(options, mt_session_watch_level(session), err);

  if (code != MT_OK)
    return code;
  r = calloc(1, sizeof *r);
  if (r == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a watch");
  r->options = options;
  code = mt_rig_use_open(session, options->recording == NULL, &rig, err);
  if (code == MT_OK)
    code = watch_with(session, &rig, r, out, err);
  if (code == MT_OK)
    *watch = r->watch;
  else
    mt_strain_destroy(&r->watch);
  mt_rig_use_finish(&rig);
  free(r);
  return code;
}

mt_code mt_session_write_watch(const mt_session_options *session, const char *path, mt_error *err)
{
  tones played = {mt_ratio_of_db(mt_session_watch_level(session)), 0.0};
  double rate_hz = rate_of(session, NULL);
  size_t nframes = (size_t)llround(LOOP_S * rate_hz);
  float *frames = NULL;
  mt_code code =
      check_options(&(mt_strain_options){.duration_s = LOOP_S}, mt_session_watch_level(session), err);

  if (code == MT_OK && !(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    code = mt_fail(err, MT_E_ARG, "the rate is %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if (code != MT_OK)
    return code;
  frames = calloc(2 * nframes, sizeof *frames);
  if (frames == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames", nframes);
  for (size_t n = 0; n < nframes; n++) {
    double pair[2];
    render_tones(&played, (double)n / rate_hz, 0.0, 1, pair);
    frames[2 * n] = (float)pair[0];
    frames[2 * n + 1] = (float)pair[1];
  }
  code = mt_audio_write_file(path, frames, nframes, 2, rate_hz, MT_SAMPLE_PCM24, err);
  free(frames);
  return code;
}
