/* From a take, of which is known where the stimulus lies in it, to what its state is about. */
#include "session/read.h"

#include "base/text.h"
#include "session/mend.h"
#include "session/session.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
    if (mt_parts_is_made_of(state->measure[i], quantity))
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
                              .codec_first = options->plan != NULL && options->plan->codec_first,
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

mt_code mt_session_read_take(mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
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

mt_code mt_session_locate(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                          const mt_session_options *options, mt_rig_in_use *rig, mt_located *out,
                          mt_error *err)
{
  mt_error other = {0};
  mt_code code =
      mt_capture_locate_among(take, stimuli, nstimuli, &out->which, &out->found, &out->location, err);
  bool may_be_broken =
      code == MT_E_DATA || (code == MT_OK && (out->found == MT_MARKS_START || out->found == MT_MARKS_END));

  if (may_be_broken && can_be_mended(take) &&
      read_broken(take, stimuli, nstimuli, options, rig, &out->in_part, &other) == MT_OK &&
      out->in_part != NULL)
    return MT_OK;
  return code;
}

mt_code mt_session_refuse_dead(const mt_take *take, mt_error *err)
{
  const char *name = mt_text_basename(take->file);

  for (size_t i = 0; i < take->nproblems; i++)
    if (take->problems[i].kind == MT_PROBLEM_SILENT_INPUT && take->problems[i].channel == MT_CHANNEL_BOTH)
      return mt_fail(err, MT_E_DATA, "%.90s%s%s", name, name[0] != '\0' ? ": " : "", take->problems[i].text);
  return MT_OK;
}

void mt_session_keep_pair(mt_take *take)
{
  if (take->nchannels <= 2)
    return;
  for (size_t i = 0; i < take->nframes; i++)
    memmove(take->samples + 2 * i, take->samples + i * take->nchannels, 2 * sizeof(float));
  take->capacity_frames = take->capacity_frames * take->nchannels / 2;
  take->nchannels = 2;
}
