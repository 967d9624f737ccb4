#include <mendtone/capture.h>

#include "audio/file.h"
#include "base/wide.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Where samples stand when a converter has run out of numbers: within 0.18 dB of full scale. */
#define NEAR_FULL_SCALE 0.98
/* An unclipped peak, sampled evenly about its top, has two equal samples; three need a flat top. */
#define FLAT_FRAMES 3
/* At most an 8-bit converter's, in units of 2^-24 */
#define COARSEST_GRID (1u << 17)
/* Flat tops closer than this are one problem; each half of a 10 Hz tone is still told apart. */
#define MERGE_S 0.05
/* Problems of one kind that one channel may have; beyond that they are merged from further away. */
#define TOPS_MAX 1000

#define BLOCK_FRAMES 65536

/* ---- one look at every sample ---------------------------------------------------------------------- */

#define LANES 4

/* What a channel's samples have told so far, of every fourth frame by itself: whatever blocks they came in, the sums
   are the same. */
typedef struct survey {
  size_t nframes;
  mt_floats least;
  mt_floats most;
  mt_ints grid; /* all bits set in any sample, in units of 2^-24 */
  mt_four sum;
} survey;

static void survey_begin(survey *out)
{
  memset(out, 0, sizeof *out);
  out->least += HUGE_VALF;
  out->most -= HUGE_VALF;
  out->grid |= COARSEST_GRID;
}

static inline void choose(mt_ints which, const mt_floats *yes, mt_floats *io)
{
  *io = (mt_floats)((which & (mt_ints)*yes) | (~which & (mt_ints)*io));
}

/* A value's place on the finest grid is in units of 2^-24; what is beyond 100 times full scale is on any. */
static inline void survey_four(const mt_floats *values, survey *io)
{
  const mt_floats greatest = {100.0f, 100.0f, 100.0f, 100.0f};
  mt_floats size = (mt_floats)((mt_ints)*values & INT32_MAX);

  choose(*values < io->least, values, &io->least);
  choose(*values > io->most, values, &io->most);
  choose(~(size < greatest), &greatest, &size);
  io->grid |= __builtin_convertvector(size * 0x1p24f, mt_ints);
  io->sum += __builtin_convertvector(*values, mt_four);
}

/* A frame alone. */
static inline void survey_one(float value, size_t lane, survey *io)
{
  const mt_floats values = {value, value, value, value};
  mt_four sum = io->sum;

  survey_four(&values, io);
  sum[lane] += (double)value;
  io->sum = sum;
}

MT_WIDE static void survey_add(const float *x, size_t nframes, size_t stride, survey *io)
{
  survey s = *io;
  size_t n = 0;

  for (; n < nframes && (s.nframes + n) % LANES != 0; n++)
    survey_one(x[n * stride], (s.nframes + n) % LANES, &s);
  for (; n + LANES <= nframes; n += LANES) {
    mt_floats values = {x[n * stride], x[(n + 1) * stride], x[(n + 2) * stride], x[(n + 3) * stride]};
    survey_four(&values, &s);
  }
  for (size_t lane = 0; n < nframes; n++, lane++)
    survey_one(x[n * stride], lane, &s);
  s.nframes += nframes;
  *io = s;
}

static mt_channel_facts facts_of(const survey *s)
{
  mt_channel_facts facts = {.least = HUGE_VALF, .most = -HUGE_VALF};
  uint32_t grid = 0;

  for (size_t lane = 0; lane < LANES; lane++) {
    facts.least = s->least[lane] < facts.least ? s->least[lane] : facts.least;
    facts.most = s->most[lane] > facts.most ? s->most[lane] : facts.most;
    grid |= (uint32_t)s->grid[lane];
  }
  facts.step = (double)(grid & -grid) * 0x1p-24; /* the grid's lowest bit */
  facts.mean = ((s->sum[0] + s->sum[1]) + (s->sum[2] + s->sum[3])) / (double)s->nframes;
  return facts;
}

/* Keep with the take what its samples have told. */
static mt_code settle_facts(mt_take *take, const survey *surveys, mt_error *err)
{
  mt_channel_facts *facts = calloc(take->nchannels, sizeof *facts);

  if (facts == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for what is known of a take");
  for (unsigned c = 0; c < take->nchannels; c++)
    facts[c] = facts_of(&surveys[c]);
  free(take->facts);
  take->facts = facts;
  return MT_OK;
}

static mt_code survey_take(mt_take *take, mt_error *err)
{
  survey surveys[MT_CHANNELS_MAX];

  if (take->facts != NULL)
    return MT_OK;
  for (unsigned c = 0; c < take->nchannels; c++) {
    survey_begin(&surveys[c]);
    survey_add(take->samples + c, take->nframes, take->nchannels, &surveys[c]);
  }
  return settle_facts(take, surveys, err);
}

/* ---- making a take ----------------------------------------------------------------------------------- */

typedef struct collector {
  mt_take *take;
  const mt_audio_sink *tap; /* NULL, or told first */
  bool stays_stored;        /* frames are counted and looked at, not kept */
  bool is_live;             /* no file, of which all can be told again */
  survey surveys[MT_CHANNELS_MAX];
} collector;

static mt_code begin_take(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  collector *c = ctx;
  mt_code code;

  if (c->take != NULL)
    return mt_fail(err, MT_E_INTERNAL, "a back end began a take twice");
  code = mt_take_create(rate_hz, nchannels, &c->take, err);
  if (code == MT_OK)
    c->take->play_aligned = play_aligned;
  for (unsigned k = 0; k < nchannels && code == MT_OK; k++)
    survey_begin(&c->surveys[k]);
  if (code == MT_OK && c->tap != NULL)
    code = c->tap->begin(c->tap->ctx, rate_hz, nchannels, play_aligned, err);
  return code;
}

static mt_code keep_block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  collector *c = ctx;
  mt_take *take = c->take;
  mt_code code;

  if (take == NULL)
    return mt_fail(err, MT_E_INTERNAL, "a back end delivered frames before it began");
  code = c->tap != NULL ? c->tap->block(c->tap->ctx, frames, nframes, err) : MT_OK;
  if (code != MT_OK)
    return code;
  for (size_t i = 0; i < nframes * take->nchannels; i++)
    if (!isfinite(frames[i])) {
      char name[8];
      return mt_fail(err, MT_E_DATA,
                     "the sample at %.6f s on channel %s is not a finite number: the capture is damaged",
                     (double)(take->nframes + i / take->nchannels) / take->rate_hz,
                     mt_channel_name((mt_channel)(i % take->nchannels), name));
    }
  if (!c->stays_stored)
    return mt_take_append(take, frames, nframes, err);
  for (unsigned k = 0; k < take->nchannels; k++)
    survey_add(frames + k, nframes, take->nchannels, &c->surveys[k]);
  take->nframes += nframes;
  return MT_OK;
}

static mt_code keep_problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                            mt_error *err)
{
  const collector *c = ctx;
  mt_take *take = c->take;
  mt_code code;

  if (take == NULL)
    return mt_fail(err, MT_E_INTERNAL, "a back end told of a problem before it began");
  code = mt_take_add_problem(take, kind, MT_CHANNEL_BOTH, begin_s, end_s, err, "%s", text);
  if (code == MT_OK)
    take->problems[take->nproblems - 1].while_captured = c->is_live;
  return code;
}

/* The take grew in steps; give back what it does not need. */
static void trim(mt_take *take)
{
  float *smaller = realloc(take->samples, take->nframes * take->nchannels * sizeof *smaller);
  if (smaller != NULL) {
    take->samples = smaller;
    take->capacity_frames = take->nframes;
  }
}

static mt_code collect(const mt_audio_backend *backend, const mt_audio_request *request, collector *c,
                       mt_error *err)
{
  const mt_audio_sink sink = {begin_take, keep_block, keep_problem, c, NULL};
  bool is_file = strcmp(backend->name, "file") == 0;
  mt_code code;

  c->is_live = !is_file;
  code = backend->run(request, &sink, err);
  if (code == MT_OK && (c->take == NULL || c->take->nframes == 0))
    code = mt_fail(err, MT_E_DATA, "nothing was captured: the take has no frames");
  if (code != MT_OK) {
    mt_take_destroy(&c->take);
    return code;
  }
  if (is_file && strlen(request->input) < sizeof c->take->file)
    memcpy(c->take->file, request->input, strlen(request->input) + 1);
  return MT_OK;
}

mt_code mt_capture_run(const mt_audio_backend *backend, const mt_audio_request *request, mt_take **out,
                       mt_error *err)
{
  collector c = {.tap = request->tap};
  mt_code code = collect(backend, request, &c, err);

  if (code != MT_OK)
    return code;
  trim(c.take);
  *out = c.take;
  return MT_OK;
}

mt_code mt_capture_open(const mt_audio_request *request, mt_take **out, mt_error *err)
{
  collector c = {.stays_stored = true};
  mt_file_info info;
  mt_code code = collect(mt_audio_find_backend("file"), request, &c, err);

  if (code != MT_OK)
    return code;
  code = settle_facts(c.take, c.surveys, err);
  if (code == MT_OK)
    code = mt_file_open_reader(request->input, &c.take->reader, &info, err);
  if (code == MT_OK && (info.nframes < c.take->nframes || info.nchannels != c.take->nchannels ||
                        info.rate_hz < c.take->rate_hz || info.rate_hz > c.take->rate_hz))
    code = mt_fail(err, MT_E_IO, "%.150s: was changed while it was read; analyse it again", request->input);
  if (code != MT_OK)
    mt_take_destroy(&c.take);
  else
    *out = c.take;
  return code;
}

/* ---- clipping ---------------------------------------------------------------------------------------- */

/* A stretch of one extreme value on one channel, and those merged with it. */
typedef struct flat_top {
  size_t begin;
  size_t end; /* one past the last frame */
  size_t count;
  double value;
} flat_top;

/* One channel, looked through for flat tops. */
typedef struct top_search {
  mt_take *take;
  unsigned channel;
  mt_channel_facts facts;
  mt_take_view along;  /* moves on through the take */
  mt_take_view beside; /* a plateau's surroundings */
  double merge_s;
  size_t ntops;
  flat_top tops[TOPS_MAX];
} top_search;

/* So many that they would not fit: those closer than twice as far are one, and so on. */
static void merge_tops(top_search *s)
{
  while (s->ntops == TOPS_MAX) {
    size_t kept = 0;
    s->merge_s *= 2.0;
    for (size_t i = 1; i < s->ntops; i++) {
      flat_top *last = &s->tops[kept];
      if ((double)(s->tops[i].begin - last->end) > s->merge_s * s->take->rate_hz) {
        s->tops[++kept] = s->tops[i];
        continue;
      }
      last->end = s->tops[i].end;
      last->count += s->tops[i].count;
    }
    s->ntops = kept + 1;
  }
}

static void add_top(top_search *s, size_t begin, size_t end, float value)
{
  flat_top *last = s->ntops > 0 ? &s->tops[s->ntops - 1] : NULL;

  if (last != NULL && (double)(begin - last->end) <= s->merge_s * s->take->rate_hz) {
    last->end = end;
    last->count++;
    return;
  }
  s->tops[s->ntops++] = (flat_top){begin, end, 1, (double)value};
  merge_tops(s);
}

static mt_code report_tops(const top_search *s, mt_error *err)
{
  char name[8];
  mt_take *take = s->take;
  mt_code code = MT_OK;

  mt_channel_name((mt_channel)s->channel, name);
  for (size_t i = 0; i < s->ntops && code == MT_OK; i++) {
    const flat_top *top = &s->tops[i];
    code =
        mt_take_add_problem(take, MT_PROBLEM_CLIPPED, (mt_channel)s->channel,
                            mt_take_time_s(take, (double)top->begin), mt_take_time_s(take, (double)top->end),
                            err, "%s is clipped: %zu flat top%s near %+.4f of full scale; lower the level",
                            name, top->count, top->count == 1 ? "" : "s", top->value);
  }
  return code;
}

/* How far one frame is from a plateau; 0 outside the take. */
static mt_code fall_at(top_search *s, size_t frame, double value, double *out, mt_error *err)
{
  const float *x;
  mt_code code = mt_take_look(&s->beside, frame, 1, &x, err);

  if (code == MT_OK)
    *out = fmax(*out, fabs(value - (double)x[s->channel]));
  return code;
}

/*
 * Whether a run of equal samples had something cut off. The top of a slow, clean, quantised sine is flat as
 * well, but what rounding took off it is at most one step of the converter. Seen as a parabola, a top of
 * which C is missing above a plateau of 2 h frames is 3 C below it h frames outside.
 */
static mt_code is_cut(top_search *s, size_t begin, size_t end, float value, bool *cut, mt_error *err)
{
  size_t away = (end - begin) / 2;
  double fall = 0.0; /* as many frames outside it as half its length */
  mt_code code = MT_OK;

  *cut = begin == 0 && end == s->take->nframes;
  if (*cut)
    return MT_OK;
  if (begin >= away)
    code = fall_at(s, begin - away, (double)value, &fall, err);
  if (code == MT_OK && end - 1 + away < s->take->nframes)
    code = fall_at(s, end - 1 + away, (double)value, &fall, err);
  *cut = fall > 6.0 * s->facts.step;
  return code;
}

static bool is_extreme(const mt_channel_facts *facts, float value)
{
  return (value >= facts->most && value >= (float)NEAR_FULL_SCALE) ||
         (value <= facts->least && value <= (float)-NEAR_FULL_SCALE);
}

/* A run of equal samples has ended: note it if it is a flat top. */
static mt_code end_run(top_search *s, size_t begin, size_t end, float value, mt_error *err)
{
  bool cut = false;
  mt_code code = MT_OK;

  if (end - begin < FLAT_FRAMES || !is_extreme(&s->facts, value))
    return MT_OK;
  code = is_cut(s, begin, end, value, &cut, err);
  if (code == MT_OK && cut)
    add_top(s, begin, end, value);
  return code;
}

static mt_code look_along(top_search *s, mt_error *err)
{
  size_t nframes = s->take->nframes, stride = s->take->nchannels, begin = 0;
  float value = 0.0f;
  mt_code code = MT_OK;

  for (size_t at = 0; at < nframes && code == MT_OK; at += BLOCK_FRAMES) {
    size_t count = nframes - at < BLOCK_FRAMES ? nframes - at : BLOCK_FRAMES;
    const float *x;
    code = mt_take_look(&s->along, at, count, &x, err);
    for (size_t n = 0; n < count && code == MT_OK; n++) {
      float here = x[n * stride + s->channel];
      bool goes_on = at + n > begin && !(here < value) && !(here > value);
      if (goes_on)
        continue;
      if (at + n > begin)
        code = end_run(s, begin, at + n, value, err);
      begin = at + n;
      value = here;
    }
  }
  return code == MT_OK ? end_run(s, begin, nframes, value, err) : code;
}

static mt_code find_flat_tops(mt_take *take, unsigned channel, mt_error *err)
{
  const mt_channel_facts facts = take->facts[channel];
  top_search *s;
  mt_code code;

  if (!(facts.most >= (float)NEAR_FULL_SCALE || facts.least <= (float)-NEAR_FULL_SCALE))
    return MT_OK;
  s = calloc(1, sizeof *s);
  if (s == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to look for clipping");
  s->take = take;
  s->channel = channel;
  s->facts = facts;
  s->merge_s = MERGE_S;
  s->along.take = s->beside.take = take;
  code = look_along(s, err);
  if (code == MT_OK)
    code = report_tops(s, err);
  mt_take_view_finish(&s->along);
  mt_take_view_finish(&s->beside);
  free(s);
  return code;
}

static mt_code report_silence(mt_take *take, bool all_zero, mt_error *err)
{
  if (take->nframes < 2)
    return MT_OK; /* too short to say: the analysis refuses it by its length */
  return mt_take_add_problem(
      take, MT_PROBLEM_SILENT_INPUT, MT_CHANNEL_BOTH, 0.0, (double)take->nframes / take->rate_hz, err,
      all_zero
          ? "every sample is zero: unmute the input, choose the right one, or allow recording; then take "
            "again"
          : "every sample is the same: the input is stuck at one value; check the converter and its leads");
}

mt_code mt_capture_inspect(mt_take *take, mt_error *err)
{
  bool all_dead = true, all_zero = true;
  mt_code code;

  if (take->nframes == 0 || take->nchannels < 1 || take->nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_ARG, "the take has %zu frames of %u channels; nothing to inspect", take->nframes,
                   take->nchannels);
  code = survey_take(take, err);
  for (unsigned c = 0; code == MT_OK && c < take->nchannels; c++) {
    const mt_channel_facts *facts = &take->facts[c];
    all_dead = all_dead && !(facts->most > facts->least);
    all_zero = all_zero && !(facts->most > 0.0f) && !(facts->least < 0.0f);
  }
  if (code == MT_OK && all_dead)
    code = report_silence(take, all_zero, err);
  for (unsigned c = 0; code == MT_OK && c < take->nchannels; c++)
    code = find_flat_tops(take, c, err);
  return code;
}
