/* Listening to a player that nobody here can start: what comes is kept, looked through for marks and told of. */
#include <mendtone/capture.h>

#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define HOP_S 0.5
/* What is looked through at a time: the last hop, and as much before it that a mark lies whole in one of them. */
#define WINDOW_S 1.0
/* While waiting no more than so much is kept, and cut to so much when it is reached. */
#define KEPT_MOST_S 12.0
#define KEPT_S 4.0
/* What rings on after the end mark; a player's fade does no harm any more. */
#define TAIL_S 1.0
/* A mark may be seen in two windows. */
#define SAME_MARK_S 1.5
/* Above what a sound card hears of itself and of an idle unit, below any music (common practice, no source) */
#define SOUND_DBFS (-65.0)
/* Mains hum and its orders */
#define HUM_BELOW_HZ 400.0
#define SILENT_DBFS (-300.0)

typedef enum phase { WAITING, RECEIVING, ENDING, DONE } phase;

typedef struct listener {
  const mt_listening *listening;
  mt_take *take;
  phase phase;
  double let_go_s; /* of the take's beginning */
  double looked_s; /* up to there, all counted from the first frame delivered */
  double start_s;  /* when the last start mark was seen; -HUGE_VAL: none yet */
  double end_s;    /* ... end mark */
  double loudest_dbfs;
  bool heard_sound; /* more than hum */
  bool heard_start;
  bool heard_late;
  bool stopped;
} listener;

static double now_s(const listener *l)
{
  return l->let_go_s + (double)l->take->nframes / l->take->rate_hz;
}

static void tell(const listener *l, mt_heard heard, double level_dbfs)
{
  if (l->listening->tell != NULL)
    l->listening->tell(l->listening->ctx, heard, level_dbfs);
}

/* Level of the loudest channel of the last frames, and the frequency a sine of that slope would have. */
static double measure_level(const mt_take *take, size_t count, double *freq_hz)
{
  const float *x = take->samples + (take->nframes - count) * take->nchannels;
  double best = 0.0, slope = 0.0;

  for (unsigned c = 0; c < take->nchannels; c++) {
    double mean = 0.0, power = 0.0, steps = 0.0;
    for (size_t i = 0; i < count; i++)
      mean += (double)x[i * take->nchannels + c];
    mean /= (double)count;
    for (size_t i = 0; i < count; i++) {
      double value = (double)x[i * take->nchannels + c] - mean;
      double before = (double)x[(i > 0 ? i - 1 : 0) * take->nchannels + c] - mean;
      power += value * value;
      steps += (value - before) * (value - before);
    }
    if (power > best) {
      best = power;
      slope = steps / power;
    }
  }
  *freq_hz = sqrt(slope) * take->rate_hz / (2.0 * MT_PI);
  return best > 0.0 ? mt_db_of_power(2.0 * best / (double)count) : SILENT_DBFS;
}

/* A part of the take as a take, borrowing its samples. */
static mt_take window_of(const mt_take *take)
{
  size_t most = (size_t)(WINDOW_S * take->rate_hz);
  size_t count = take->nframes < most ? take->nframes : most;
  mt_take window = {.nframes = count, .nchannels = take->nchannels, .rate_hz = take->rate_hz};

  window.samples = take->samples + (take->nframes - count) * take->nchannels;
  return window;
}

/* From here on all goes to the tap, and so does what is kept from before. */
static mt_code begin_tap(listener *l, mt_error *err)
{
  const mt_audio_sink *tap = l->listening->tap;
  mt_code code;

  if (tap == NULL || l->phase != WAITING)
    return MT_OK;
  code = tap->begin(tap->ctx, l->take->rate_hz, l->take->nchannels, false, err);
  return code == MT_OK ? tap->block(tap->ctx, l->take->samples, l->take->nframes, err) : code;
}

static mt_code hear_start(listener *l, double level_dbfs, mt_error *err)
{
  mt_code code;

  if (now_s(l) - l->start_s < SAME_MARK_S)
    return MT_OK;
  code = begin_tap(l, err);
  if (code != MT_OK)
    return code;
  l->start_s = now_s(l);
  l->heard_start = true;
  l->phase = RECEIVING;
  tell(l, MT_HEARD_START, level_dbfs);
  return MT_OK;
}

static void hear_end(listener *l, double level_dbfs)
{
  if (now_s(l) - l->end_s < SAME_MARK_S)
    return;
  l->end_s = now_s(l);
  if (l->phase == RECEIVING) {
    l->phase = ENDING;
    tell(l, MT_HEARD_END, level_dbfs);
  } else if (l->phase == WAITING) {
    l->heard_late = true;
    tell(l, MT_HEARD_LATE, level_dbfs);
  }
}

/* Every half second: the level, the marks, the time. */
static mt_code look(listener *l, mt_error *err)
{
  mt_take window = window_of(l->take);
  size_t count = (size_t)(HOP_S * l->take->rate_hz);
  double freq_hz,
      level_dbfs = measure_level(l->take, count < l->take->nframes ? count : l->take->nframes, &freq_hz);
  mt_marks_found found = MT_MARKS_NONE;
  mt_location location;
  mt_code code = mt_capture_locate(&window, l->listening->stimulus, &found, &location, err);

  if (code != MT_OK)
    return code;
  l->loudest_dbfs = fmax(l->loudest_dbfs, level_dbfs);
  l->heard_sound = l->heard_sound || (level_dbfs >= SOUND_DBFS && freq_hz >= HUM_BELOW_HZ);
  tell(l, MT_HEARD_LEVEL, level_dbfs);
  if (found == MT_MARKS_START && l->phase != ENDING)
    code = hear_start(l, level_dbfs, err);
  else if (found == MT_MARKS_END)
    hear_end(l, level_dbfs);
  if (l->phase == RECEIVING && now_s(l) - l->start_s > l->listening->longest_s) {
    l->phase = WAITING;
    tell(l, MT_HEARD_CUT_SHORT, level_dbfs);
  }
  return code;
}

/* Nothing is lost by letting go what came long before a start mark. */
static void let_go(listener *l)
{
  mt_take *take = l->take;
  size_t kept = (size_t)(KEPT_S * take->rate_hz), gone;
  double gone_s;

  if (l->phase != WAITING || (double)take->nframes < KEPT_MOST_S * take->rate_hz)
    return;
  gone = take->nframes - kept;
  gone_s = (double)gone / take->rate_hz;
  memmove(take->samples, take->samples + gone * take->nchannels,
          kept * take->nchannels * sizeof *take->samples);
  take->nframes = kept;
  l->let_go_s += gone_s;
  for (size_t i = 0; i < take->nproblems;) {
    mt_problem *p = &take->problems[i];
    p->begin_s = fmax(0.0, p->begin_s - gone_s);
    p->end_s -= gone_s;
    if (p->end_s > 0.0)
      i++;
    else
      *p = take->problems[--take->nproblems];
  }
}

static mt_code begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  listener *l = ctx;

  (void)play_aligned; /* nobody knows when the player began */
  return mt_take_create(rate_hz, nchannels, &l->take, err);
}

static mt_code keep(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  listener *l = ctx;
  mt_code code;

  for (size_t i = 0; i < nframes * l->take->nchannels; i++)
    if (!isfinite(frames[i]))
      return mt_fail(err, MT_E_DATA, "a sample at %.3f s is not a finite number: the capture is damaged",
                     now_s(l) + (double)(i / l->take->nchannels) / l->take->rate_hz);
  code = mt_take_append(l->take, frames, nframes, err);
  if (code == MT_OK && l->phase != WAITING && l->listening->tap != NULL)
    code = l->listening->tap->block(l->listening->tap->ctx, frames, nframes, err);
  while (code == MT_OK && now_s(l) - l->looked_s >= HOP_S) {
    l->looked_s = now_s(l);
    code = look(l, err);
  }
  if (code == MT_OK)
    let_go(l);
  if (l->phase == ENDING && now_s(l) - l->end_s >= TAIL_S)
    l->phase = DONE;
  return code;
}

static mt_code note_problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                            mt_error *err)
{
  listener *l = ctx;
  mt_code code;

  if (end_s < l->let_go_s)
    return MT_OK;
  code = mt_take_add_problem(l->take, kind, MT_CHANNEL_BOTH, fmax(0.0, begin_s - l->let_go_s),
                             end_s - l->let_go_s, err, "%s", text);
  if (code == MT_OK)
    l->take->problems[l->take->nproblems - 1].while_captured = true;
  return code;
}

static bool has_enough(void *ctx)
{
  listener *l = ctx;

  if (l->listening->is_stopped != NULL && l->listening->is_stopped(l->listening->ctx))
    l->stopped = true;
  /* a run that has begun may end */
  return l->phase == DONE || l->stopped || (l->phase == WAITING && now_s(l) >= l->listening->wait_s);
}

/* Why there is no take, for the person at the player. */
static mt_code fail_unheard(const listener *l, mt_error *err)
{
  if (l->stopped)
    return mt_fail(err, MT_E_DATA, "stopped before the stimulus had come to its end");
  if (l->heard_start)
    return mt_fail(
        err, MT_E_DATA,
        "the start mark was heard, but no end mark within %.0f s: the player or its link broke off; play "
        "the file again, whole",
        l->listening->longest_s);
  if (l->heard_late)
    return mt_fail(
        err, MT_E_DATA,
        "an end mark was heard, but its start mark was missed; start listening first, then the player");
  if (l->loudest_dbfs <= SILENT_DBFS)
    return mt_fail(
        err, MT_E_DATA,
        "every sample is zero: the input is muted, not allowed or not the right one; choose it with --input");
  if (l->loudest_dbfs < SOUND_DBFS)
    return mt_fail(
        err, MT_E_DATA,
        "nothing was heard in %.0f s (at most %.0f dBFS): check leads, input, the unit's power and the "
        "player's volume",
        now_s(l), l->loudest_dbfs);
  if (!l->heard_sound)
    return mt_fail(
        err, MT_E_DATA,
        "only hum was heard (%.0f dBFS, below %.0f Hz), no start mark: check the leads' ground and that the "
        "player plays",
        l->loudest_dbfs, HUM_BELOW_HZ);
  return mt_fail(
      err, MT_E_DATA,
      "sound was heard (%.0f dBFS) but no start mark: play the file mendtone stimulus writes, effects off, "
      "from its beginning",
      l->loudest_dbfs);
}

mt_code mt_capture_listen(const mt_audio_backend *backend, const mt_audio_request *request,
                          const mt_listening *listening, mt_take **out, mt_error *err)
{
  listener l = {
      .listening = listening, .start_s = -HUGE_VAL, .end_s = -HUGE_VAL, .loudest_dbfs = SILENT_DBFS};
  const mt_audio_sink sink = {begin, keep, note_problem, &l, has_enough};
  mt_audio_request mine = *request;
  mt_code code;

  mine.duration_s = listening->wait_s + listening->longest_s + TAIL_S + 2.0 * HOP_S;
  code = backend->run(&mine, &sink, err);
  if (code == MT_OK && l.phase != DONE)
    code = l.take != NULL ? fail_unheard(&l, err) : mt_fail(err, MT_E_DATA, "nothing was captured");
  if (code != MT_OK) {
    mt_take_destroy(&l.take);
    return code;
  }
  *out = l.take;
  return MT_OK;
}
