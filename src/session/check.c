/* One play and capture of the stimulus, a second where the first is spoilt, and what they say. */
#include <mendtone/session.h>

#include "base/text.h"
#include "session/keeping.h"
#include "session/read.h"
#include "session/session.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What ended so long before the take did was over. */
#define STILL_S 0.1

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
  mt_finding finding = {.id = MT_FIND_NOTHING, .channel = MT_CHANNEL_BOTH, .nevidence = 1};

  snprintf(finding.text, sizeof finding.text,
           "Nothing of what was played arrives: what was read is the noise of a unit that is turned down. If "
           "it was not, a lead is off, or the unit has no power, and this says nothing of it.");
  snprintf(finding.evidence[0], sizeof finding.evidence[0], "no mark was found%s%s%s",
           options->state != NULL ? " in state \"" : "", options->state != NULL ? options->state : "",
           options->state != NULL ? "\"" : "");
  return mt_results_add_finding(results, &finding, err);
}

static mt_code read_turned_down(mt_take *take, const mt_stimulus *stimulus, const mt_session_options *options,
                                mt_rig_in_use *rig, mt_results **out, mt_error *err)
{
  mt_session_options unjudged = *options;
  mt_location location = presume_location();
  mt_code code;

  unjudged.unjudged = true;
  code = mt_session_read_take(take, stimulus, &location, &unjudged, rig, out, err);
  if (code == MT_OK)
    code = say_turned_down(options, *out, err);
  return code == MT_OK && !options->unjudged ? mt_session_judge(options, *out, err) : code;
}

/* From a take of the stimulus to results. *lost: the marks stand at a distance that no clock explains. */
static mt_code read_played(mt_take *take, const mt_stimulus *stimulus, const mt_session_options *options,
                           mt_rig_in_use *rig, bool *lost, mt_results **out, mt_error *err)
{
  mt_located located = {0};
  mt_code code;

  mt_session_keep_pair(take);
  code = mt_capture_inspect(take, err);
  if (code == MT_OK)
    code = mt_session_refuse_dead(take, err);
  if (code == MT_OK) {
    code = mt_session_locate(take, stimulus, 1, options, rig, &located, err);
    *lost = code == MT_E_DATA;
  }
  if (code != MT_OK)
    return code;
  if (located.in_part != NULL) {
    *out = located.in_part;
    return MT_OK;
  }
  if (located.found == MT_MARKS_BOTH)
    return mt_session_read_take(take, stimulus, &located.location, options, rig, out, err);
  if (may_be_turned_down(stimulus, located.found))
    return read_turned_down(take, stimulus, options, rig, out, err);
  return mt_fail(
      err, MT_E_DATA,
      located.found == MT_MARKS_NONE
          ? "nothing of the stimulus came back; check leads, the unit's power, its volume and both levels"
      : stimulus->parts == MT_PARTS_TURN
          ? "only part of the stimulus came back: the knob was down when it began, or when it ended; begin "
            "at "
            "full, turn down and up again before the tones end"
          : "only part of the stimulus came back; check the leads and take again");
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

static void name_devices(const mt_session_options *options, const mt_rig_in_use *rig,
                         mt_audio_request *request)
{
  request->input = options->simulate != NULL ? options->simulate : options->input;
  request->output = options->output;
  if (rig->input[0] != '\0') {
    request->input = rig->input;
    request->output = rig->output;
  }
}

mt_code mt_session_check_devices(const mt_session_options *options, mt_error *err)
{
  mt_rig_in_use rig = {0};
  mt_audio_request request = {0};
  mt_code code;

  if (options->simulate != NULL)
    return MT_OK;
  code = mt_rig_use_open(options, true, &rig, err);
  if (code == MT_OK) {
    name_devices(options, &rig, &request);
    code = mt_audio_check_devices(request.input, request.output, !options->listens, err);
  }
  mt_rig_use_finish(&rig);
  return code;
}

static void make_attempt(const mt_session_options *options, const mt_stimulus *stimulus, mt_rig_in_use *rig,
                         attempt *out)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_source source = mt_capture_source(stimulus);
  mt_audio_request request = {0};

  memset(out, 0, sizeof *out);
  name_devices(options, rig, &request);
  request.rate_hz = stimulus->rate_hz;
  request.duration_s = stimulus->duration_s + MT_SESSION_AFTER_S;
  request.source = &source;
  request.progress = options->progress;
  request.progress_ctx = options->progress_ctx;
  request.state = options->state;
  request.load_ohm =
      options->plan != NULL ? mt_plan_load(options->plan, mt_session_plan_state(options)) : 0.0;
  out->code = mt_keeping_run(options, backend, &request, &out->keeping, &out->take, &out->failure);
  if (out->code != MT_OK)
    return;
  if (options->save_take != NULL)
    mt_text_copy(out->take->file, sizeof out->take->file, options->save_take);
  out->code = read_played(out->take, stimulus, options, rig, &out->lost, &out->results, &out->failure);
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
