/* The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#include <mendtone/session.h>

#include <mendtone/analysis.h>
#include <mendtone/capture.h>
#include <mendtone/report.h>

#include "base/text.h"
#include "session/keeping.h"
#include "session/mend.h"
#include "session/rig_use.h"
#include "session/session.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Every one of them differs in length from the others. */
#define MT_LAYOUTS (MT_PARTS_COUNT * (MT_EXTRAS_ALL + 1u))
_Static_assert((MT_PARTS_COUNT & (MT_PARTS_COUNT - 1)) == 0, "layouts are counted through by exclusive or");

/* A sound card starts late and a unit delays: listen on for this long after the stimulus. */
#define AFTER_S 1.0
/* A recording of a run up to here is read in memory, and lost frames are mended: 22 MiB of stereo at 48 kHz. */
#define MENDED_MOST_S 60.0
#define NOTHING_ARRIVES "nothing-arrives"
/* What ended so long before the take did was over. */
#define STILL_S 0.1

/* Of a recording that holds the stimulus, only that is loaded, and this much on either side. */
#define BESIDE_S 0.5

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
  if (rate_hz == 0.0 && options->rig != NULL) {
    mt_rig *rig = NULL;
    mt_code code = mt_rig_open(options->rig, &rig, err);
    if (code != MT_OK)
      return code;
    rate_hz = rig->rate_hz;
    free(rig);
  }
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

/*
 * Beside the plan's file, unless it is an absolute path. A stage of a job keeps the reference it was judged by as
 * reference.json beside its plan.cfg: that one comes first.
 */
mt_code mt_session_reference_path(const char *plan_path, const mt_plan *plan, char *out, size_t size,
                                  mt_error *err)
{
  size_t folder = (size_t)(mt_text_basename(plan_path) - plan_path);
  const char *name = plan->reference;

  if (folder + strlen(name) + sizeof "reference.json" >= size)
    return mt_fail(err, MT_E_PLAN, "the path of the reference has %zu bytes; expected fewer than %zu",
                   folder + strlen(name), size - sizeof "reference.json");
  memcpy(out, plan_path, folder);
  memcpy(out + folder, "reference.json", sizeof "reference.json");
  if (strcmp(plan_path + folder, "plan.cfg") == 0 && access(out, F_OK) == 0)
    return MT_OK;
  folder = name[0] == '/' ? 0 : folder;
  memcpy(out + folder, name, strlen(name) + 1);
  return MT_OK;
}

static mt_code open_reference(const char *path, mt_plan *plan, mt_error *err)
{
  char place[4096];
  mt_results *results = NULL;
  mt_error why = {0};
  mt_code code = mt_session_reference_path(path, plan, place, sizeof place, err);

  if (code != MT_OK)
    return code;
  if (mt_report_read_json(place, &results, &why) != MT_OK)
    return mt_fail(err, MT_E_PLAN, "%.60s: its reference: %.170s", mt_text_basename(path), why.message);
  mt_plan_set_reference(plan, &results);
  return MT_OK;
}

mt_code mt_session_open_plan(const char *path, mt_plan **out, mt_error *err)
{
  mt_plan *plan = NULL;
  mt_code code = mt_plan_open(path, &plan, err);

  if (code == MT_OK && plan->reference[0] != '\0')
    code = open_reference(path, plan, err);
  if (code == MT_OK)
    *out = plan;
  else
    mt_plan_destroy(&plan);
  return code;
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

/*
 * Silence is quiet: a lead that came off would pass every limit on noise. Where nothing of what was played was heard in
 * any state, nothing is concluded; where another state was heard the leads were on, and the finding says the rest.
 */
static mt_code doubt_silence(mt_results *results, mt_error *err)
{
  mt_problem problem = {.kind = MT_PROBLEM_SILENT_INPUT, .channel = MT_CHANNEL_BOTH};
  bool says_so = false, was_heard = false;

  for (size_t i = 0; i < results->nproblems; i++)
    if (results->problems[i].kind == problem.kind && results->problems[i].channel == problem.channel)
      return MT_OK;
  for (size_t i = 0; i < results->nfindings; i++)
    says_so = says_so || strcmp(results->findings[i].id, NOTHING_ARRIVES) == 0;
  for (size_t i = 0; i < results->ntakes; i++)
    was_heard = was_heard || (!results->takes[i].skipped && results->takes[i].has_clock_offset);
  if (!says_so || was_heard)
    return MT_OK;
  results->valid = false;
  for (size_t i = 0; i < results->ntakes; i++)
    results->takes[i].valid = results->takes[i].skipped;
  problem.end_s = results->rate_hz > 0.0 ? (double)results->nframes / results->rate_hz : 0.0;
  mt_text_copy(
      problem.text, sizeof problem.text,
      "nothing of what was played was heard: take it with a state in which the unit is turned up, or "
      "a lead that is off would pass");
  return mt_results_add_problem(results, &problem, err);
}

/* ---- from take to verdicts ---------------------------------------------------------------------------- */

mt_code mt_session_judge(const mt_session_options *options, mt_results *results, mt_error *err)
{
  mt_plan *built_in = NULL;
  const mt_plan *plan = options->plan;
  mt_code code = MT_OK;

  code = doubt_silence(results, err);
  if (code == MT_OK && plan == NULL && results->is_stimulus) {
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

/* A plain recording of which nothing but its samples' extremes can be told is of no use to anybody; one that was
   disturbed is: when and how is what it tells. */
static mt_code refuse_useless(const mt_take *take, const mt_results *results, mt_error *err)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    bool is_fact = r->quantity == MT_Q_PEAK || r->quantity == MT_Q_DC;
    if (!is_fact && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED || r->validity == MT_DROPOUT))
      return MT_OK;
  }
  return mt_fail(
      err, MT_E_DATA,
      "%.90s: neither a steady tone nor steady noise; if it holds the stimulus, its marks are missing or the "
      "rate (%.0f Hz) is not the one it was recorded at",
      mt_text_basename(take->file), take->rate_hz);
}

static mt_measure_options measure_options(const mt_session_options *options, const mt_rig_in_use *rig)
{
  return (mt_measure_options){.state = options->state != NULL ? options->state : "default",
                              .max_level_thd_percent = options->plan != NULL
                                                           ? options->plan->max_level_thd_percent
                                                           : MT_MAX_LEVEL_THD_PERCENT,
                              .path = options->path,
                              .loop_response = {&rig->loop[0], &rig->loop[1]}};
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

/* Trials put frames back into a copy: that takes a whole take in memory. */
static bool can_be_mended(const mt_take *take)
{
  return take->samples != NULL && take->first_frame == 0;
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
static mt_code conclude(const mt_session_options *options, const mt_rig_in_use *rig, mt_results *results,
                        mt_error *err)
{
  mt_code code = rig->rig != NULL ? mt_rig_apply(rig->rig, &rig->use, results, err) : MT_OK;

  if (code == MT_OK)
    keep_wanted(mt_session_plan_state(options), results);
  return code != MT_OK || options->unjudged ? code : mt_session_judge(options, results, err);
}

/* From take to verdicts. `location` is NULL when neither mark was found. */
static mt_code read_take(mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                         const mt_session_options *options, mt_rig_in_use *rig, mt_results **out,
                         mt_error *err)
{
  mt_results *results = NULL;
  mt_code code = mt_rig_use_prepare(rig, take->rate_hz, err);
  const mt_measure_options measure = measure_options(options, rig);

  if (code == MT_OK)
    code = mt_results_create(&results, err);
  if (code == MT_OK)
    code = location != NULL ? mt_measure_stimulus_with(take, stimulus, location, &measure, results, err)
                            : mt_measure_recording_with(take, options->path, results, err);
  if (code == MT_OK && location == NULL)
    code = refuse_useless(take, results, err);
  if (code == MT_OK && location != NULL && can_be_mended(take) && find_loss(results) != NULL)
    code = mend(take, stimulus, location, &measure, &results, err);
  if (code == MT_OK)
    code = conclude(options, rig, results, err);
  if (code != MT_OK) {
    mt_results_destroy(&results);
    return code;
  }
  *out = results;
  return MT_OK;
}

/* Of a run that lost frames between its marks what is left is read at once; *out stays NULL if there is none. */
static mt_code read_broken(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                           const mt_session_options *options, mt_rig_in_use *rig, mt_results **out,
                           mt_error *err)
{
  mt_measure_options measure;
  mt_results *results = NULL;
  double start_frame = 0.0, late_frames = 0.0;
  size_t which = 0;
  bool broken = false;
  mt_code code =
      mt_capture_locate_broken(take, stimuli, nstimuli, &which, &broken, &start_frame, &late_frames, err);

  if (code == MT_OK && broken)
    code = mt_rig_use_prepare(rig, take->rate_hz, err);
  measure = measure_options(options, rig);
  if (code == MT_OK && broken)
    code = mt_mend_read(take, &stimuli[which], &measure, start_frame, late_frames, &results, err);
  if (code == MT_OK && results != NULL)
    code = conclude(options, rig, results, err);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return code;
}

/* Where the stimulus lies; or the results, of a run that can only be read in part. */
static mt_code locate(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                      const mt_session_options *options, mt_rig_in_use *rig, size_t *which,
                      mt_marks_found *found, mt_location *location, mt_results **in_part, mt_error *err)
{
  mt_error other = {0};
  mt_code code = mt_capture_locate_among(take, stimuli, nstimuli, which, found, location, err);
  bool may_be_broken =
      code == MT_E_DATA || (code == MT_OK && (*found == MT_MARKS_START || *found == MT_MARKS_END));

  if (may_be_broken && can_be_mended(take) &&
      read_broken(take, stimuli, nstimuli, options, rig, in_part, &other) == MT_OK && *in_part != NULL)
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

/*
 * With the volume at zero no mark arrives, and all of the take is what the unit makes of nothing. Marks that are there
 * and not found lie 20 dB below its noise, as the search gains 36 dB on them.
 */
static bool may_be_turned_down(const mt_stimulus *stimulus, mt_marks_found found)
{
  return stimulus->parts == MT_PARTS_NOISE && stimulus->extras == 0 && found == MT_MARKS_NONE;
}

static mt_location presume_location(void)
{
  mt_location location = {.clock_uncertainty_ppm = (double)NAN};
  return location;
}

/* A unit that is turned down cannot be told from a lead that came off. */
static mt_code say_turned_down(const mt_session_options *options, mt_results *results, mt_error *err)
{
  mt_finding finding = {.id = NOTHING_ARRIVES, .channel = MT_CHANNEL_BOTH, .nevidence = 1};

  snprintf(finding.text, sizeof finding.text,
           "Nothing of what was played arrives: what was read is the noise of a unit that is turned down. If "
           "it was not, a lead is off, or the unit has no power, and this says nothing of it.");
  snprintf(finding.evidence[0], sizeof finding.evidence[0], "no mark was found%s%s%s",
           options->state != NULL ? " in state \"" : "", options->state != NULL ? options->state : "",
           options->state != NULL ? "\"" : "");
  return mt_results_add_finding(results, &finding, err);
}

/* From a take of the stimulus to results. *lost: the marks stand at a distance that no clock explains. */
static mt_code read_stimulus(mt_take *take, const mt_stimulus *stimulus, const mt_session_options *options,
                             mt_rig_in_use *rig, bool *lost, mt_results **out, mt_error *err)
{
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  mt_session_options unjudged;
  mt_results *in_part = NULL;
  size_t which = 0;
  bool turned_down = false;
  mt_code code;

  keep_first_pair(take);
  code = mt_capture_inspect(take, err);
  if (code == MT_OK)
    code = refuse_dead(take, err);
  if (code == MT_OK) {
    code = locate(take, stimulus, 1, options, rig, &which, &found, &location, &in_part, err);
    *lost = code == MT_E_DATA;
  }
  if (code == MT_OK && in_part != NULL) {
    *out = in_part;
    return MT_OK;
  }
  if (code == MT_OK)
    turned_down = may_be_turned_down(stimulus, found);
  if (turned_down)
    location = presume_location();
  else if (code == MT_OK && found != MT_MARKS_BOTH)
    code = mt_fail(
        err, MT_E_DATA,
        found == MT_MARKS_NONE
            ? "nothing of the stimulus came back; check leads, the unit's power, its volume and both levels"
            : "only part of the stimulus came back; check the leads and take again");
  if (!turned_down)
    return code == MT_OK ? read_take(take, stimulus, &location, options, rig, out, err) : code;
  unjudged = *options;
  unjudged.unjudged = true;
  code = read_take(take, stimulus, &location, &unjudged, rig, out, err);
  if (code == MT_OK)
    code = say_turned_down(options, *out, err);
  return code == MT_OK && !options->unjudged ? mt_session_judge(options, *out, err) : code;
}

/* One play and capture, and what came of it. */
typedef struct attempt {
  mt_keeping keeping; /* open until the take is accepted */
  mt_take *take;
  mt_results *results;
  mt_code code;
  mt_error failure;
  bool lost; /* frames, between the marks, so that nothing can be read */
} attempt;

static void make_attempt(const mt_session_options *options, const mt_stimulus *stimulus, mt_rig_in_use *rig,
                         attempt *out)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_source source = mt_capture_source(stimulus);
  mt_audio_request request = {0};

  memset(out, 0, sizeof *out);
  request.input = options->simulate != NULL ? options->simulate : options->input;
  request.output = options->output;
  if (rig->input[0] != '\0') {
    request.input = rig->input;
    request.output = rig->output;
  }
  request.rate_hz = stimulus->rate_hz;
  request.duration_s = stimulus->duration_s + AFTER_S;
  request.source = &source;
  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  request.state = options->state;
  out->code = mt_keeping_run(options, backend, &request, &out->keeping, &out->take, &out->failure);
  if (out->code != MT_OK)
    return;
  if (options->save_take != NULL)
    mt_text_copy(out->take->file, sizeof out->take->file, options->save_take);
  out->code = read_stimulus(out->take, stimulus, options, rig, &out->lost, &out->results, &out->failure);
}

/*
 * What is wrong with a take that another may be without. A retake in vain costs a quarter of a minute; so nothing
 * of what would be the same again: a level, a silent input, a codec, a mixer's setting, a simulated unit.
 */
static bool deserves_retake(const mt_session_options *options, const attempt *a, mt_problem *why)
{
  *why = (mt_problem){.kind = MT_PROBLEM_LOST, .channel = MT_CHANNEL_BOTH};
  mt_text_copy(why->text, sizeof why->text, a->failure.message);
  if (a->take != NULL)
    why->end_s = (double)a->take->nframes / a->take->rate_hz;
  if (options->simulate != NULL)
    return false;
  if (a->code == MT_E_IO || a->code == MT_E_DEVICE)
    return a->keeping.nframes > 0;
  if (a->lost)
    return true;
  for (size_t i = 0; a->code == MT_OK && i < a->results->nproblems; i++) {
    const mt_problem *p = &a->results->problems[i];
    /* another program that still plays would spoil the next take as well */
    bool is_over = p->kind == MT_PROBLEM_SHARED && p->end_s < why->end_s - STILL_S;
    if (p->kind == MT_PROBLEM_DRIVER || p->kind == MT_PROBLEM_LOST || p->kind == MT_PROBLEM_DROPOUT ||
        is_over) {
      *why = *p;
      return true;
    }
  }
  return false;
}

/* Take it once more, and go on with whichever says more. */
static void retake(const mt_session_options *options, const mt_stimulus *stimulus, mt_rig_in_use *rig,
                   const mt_problem *why, attempt *io)
{
  attempt second;
  char text[240];

  snprintf(text, sizeof text, "the take is spoilt (%.3f s: %s); taking it again", why->begin_s, why->text);
  if (options->note != NULL)
    options->note(options->note_ctx, text);
  mt_keeping_set_aside(&io->keeping, io->results);
  make_attempt(options, stimulus, rig, &second);
  if (second.code == MT_OK)
    second.code = mt_results_add_retake(second.results, why, &second.failure);
  if (second.code == MT_OK) {
    attempt first = *io;
    *io = second;
    second = first;
  }
  mt_keeping_finish(&second.keeping, options, second.take, NULL);
  mt_take_destroy(&second.take);
  mt_results_destroy(&second.results);
}

mt_code mt_session_check(const mt_session_options *options, mt_results **out, mt_error *err)
{
  mt_stimulus stimulus;
  mt_problem why;
  attempt a;
  mt_rig_in_use rig = {0};
  mt_code code = mt_session_stimulus(options, &stimulus, err);

  if (code == MT_OK)
    code = mt_rig_use_open(options, true, &rig, err);
  if (code != MT_OK) {
    mt_rig_use_finish(&rig);
    return code;
  }
  if (options->save_take == NULL && options->rescue_take != NULL)
    mt_audio_writer_forget(options->rescue_take); /* of accidents only the latest is kept */
  make_attempt(options, &stimulus, &rig, &a);
  if (deserves_retake(options, &a, &why))
    retake(options, &stimulus, &rig, &why, &a);
  mt_keeping_finish(&a.keeping, options, a.take, a.results);
  mt_take_destroy(&a.take);
  mt_rig_use_finish(&rig);
  if (a.code != MT_OK) {
    mt_results_destroy(&a.results);
    return mt_fail(err, a.code, "%s", a.failure.message);
  }
  *out = a.results;
  return MT_OK;
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
                               const mt_session_options *options, mt_rig_in_use *rig, size_t *which,
                               mt_marks_found *found, mt_location *location, mt_results **in_part,
                               mt_error *err)
{
  mt_code code = locate(*io, stimuli, nstimuli, options, rig, which, found, location, in_part, err);
  bool looks_broken =
      code == MT_E_DATA || (code == MT_OK && (*found == MT_MARKS_START || *found == MT_MARKS_END));

  if (!looks_broken || (*io)->samples != NULL || !is_short(*io))
    return code;
  code = load_whole(io, err);
  return code == MT_OK ? locate(*io, stimuli, nstimuli, options, rig, which, found, location, in_part, err)
                       : code;
}

/* From what was recorded to verdicts: of the stimulus if both marks are there, else of a plain recording. */
static mt_code read_recorded(mt_take **io, const mt_session_options *options, mt_rig_in_use *rig,
                             mt_results **out, mt_error *err)
{
  mt_stimulus *stimuli = calloc(MT_LAYOUTS, sizeof *stimuli);
  const char *name;
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  size_t nstimuli = 0, which = 0;
  mt_results *in_part = NULL;
  mt_code code = stimuli != NULL
                     ? mt_capture_inspect(*io, err)
                     : mt_fail(err, MT_E_MEMORY, "out of memory for %u layouts of the stimulus", MT_LAYOUTS);

  if (code == MT_OK)
    code = refuse_dead(*io, err);
  if (code == MT_OK)
    code = lay_out_expected(options, (*io)->rate_hz, stimuli, &nstimuli, err);
  if (code == MT_OK && nstimuli > 0)
    code = locate_recorded(io, stimuli, nstimuli, options, rig, &which, &found, &location, &in_part, err);
  name = mt_text_basename((*io)->file);
  if (code == MT_OK && in_part == NULL && (found == MT_MARKS_START || found == MT_MARKS_END))
    code = mt_fail(
        err, MT_E_DATA,
        found == MT_MARKS_START
            ? "%.90s: the stimulus has no end; record on until it has ended (%.1f s), at the rate it was "
              "made for (%.0f Hz)"
            : "%.90s: the stimulus has no beginning; start recording before it plays (%.1f s), at the "
              "rate it was made for (%.0f Hz)",
        name[0] != '\0' ? name : "what was heard", stimuli[0].duration_s, stimuli[0].rate_hz);
  if (code == MT_OK && in_part == NULL && found == MT_MARKS_BOTH && (*io)->samples == NULL)
    code = is_short(*io) ? load_whole(io, err) : load_run(io, &stimuli[which], &location, err);
  if (code == MT_OK && in_part != NULL)
    *out = in_part;
  else if (code == MT_OK)
    code = read_take(*io, &stimuli[which], found == MT_MARKS_BOTH ? &location : NULL, options, rig, out, err);
  free(stimuli);
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
    code = read_recorded(&take, options, &rig, out, err);
  }
  mt_rig_use_finish(&rig);
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

static mt_code keep_heard(const mt_session_options *options, mt_take *take, mt_error *err)
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

mt_code mt_session_listen(const mt_session_options *options, mt_results **out, mt_error *err)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_request request = {0};
  mt_audio_source source;
  mt_listening listening = {
      .tell = options->tell, .is_stopped = options->is_stopped, .ctx = options->listen_ctx};
  mt_stimulus stimulus;
  mt_rig_in_use rig = {0};
  mt_take *take = NULL;
  mt_code code = mt_session_stimulus(options, &stimulus, err);

  if (code == MT_OK)
    code = mt_rig_use_open(options, true, &rig, err);
  if (code != MT_OK) {
    mt_rig_use_finish(&rig);
    return code;
  }
  source =
      (mt_audio_source){render_player, &stimulus, MT_STIMULUS_CHANNELS, MT_LEAD_IN_S + stimulus.duration_s};
  request.input = options->simulate != NULL ? options->simulate : options->input;
  if (rig.input[0] != '\0')
    request.input = rig.input;
  request.rate_hz = stimulus.rate_hz;
  request.state = options->state;
  request.source = options->simulate != NULL ? &source : NULL;
  listening.stimulus = &stimulus;
  listening.longest_s = longest_run_s(&stimulus);
  listening.wait_s = options->wait_s > 0.0 ? options->wait_s : MT_DEFAULT_WAIT_S;
  code = mt_capture_listen(backend, &request, &listening, &take, err);
  if (code == MT_OK) {
    keep_first_pair(take);
    code = keep_heard(options, take, err);
  }
  if (code == MT_OK)
    code = read_recorded(&take, options, &rig, out, err);
  mt_rig_use_finish(&rig);
  mt_take_destroy(&take);
  return code;
}
