#include <mendtone/capture.h>

#include <assert.h>
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

typedef struct collector {
  mt_take *take;
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
  return code;
}

static mt_code keep_block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  mt_take *take = ((collector *)ctx)->take;

  if (take == NULL)
    return mt_fail(err, MT_E_INTERNAL, "a back end delivered frames before it began");
  for (size_t i = 0; i < nframes * take->nchannels; i++)
    if (!isfinite(frames[i])) {
      char name[8];
      return mt_fail(err, MT_E_DATA,
                     "the sample at %.6f s on channel %s is not a finite number: the capture is damaged",
                     (double)(take->nframes + i / take->nchannels) / take->rate_hz,
                     mt_channel_name((mt_channel)(i % take->nchannels), name));
    }
  return mt_take_append(take, frames, nframes, err);
}

static mt_code keep_problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                            mt_error *err)
{
  mt_take *take = ((collector *)ctx)->take;

  if (take == NULL)
    return mt_fail(err, MT_E_INTERNAL, "a back end told of a problem before it began");
  return mt_take_add_problem(take, kind, MT_CHANNEL_BOTH, begin_s, end_s, err, "%s", text);
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

mt_code mt_capture_run(const mt_audio_backend *backend, const mt_audio_request *request, mt_take **out,
                       mt_error *err)
{
  collector c = {NULL};
  const mt_audio_sink sink = {begin_take, keep_block, keep_problem, &c, NULL};
  mt_code code = backend->run(request, &sink, err);

  if (code == MT_OK && (c.take == NULL || c.take->nframes == 0))
    code = mt_fail(err, MT_E_DATA, "nothing was captured: the take has no frames");
  if (code != MT_OK) {
    mt_take_destroy(&c.take);
    return code;
  }
  trim(c.take);
  if (strcmp(backend->name, "file") == 0 && strlen(request->input) < sizeof c.take->file)
    memcpy(c.take->file, request->input, strlen(request->input) + 1);
  *out = c.take;
  return MT_OK;
}

/* What a channel's samples can tell before any of them is judged. */
typedef struct channel_facts {
  float least;
  float most;
  uint32_t grid; /* all bits set in any sample, in units of 2^-24 */
  double step;   /* of the grid all samples stand on, as a converter's is; a float's below 1 at the least */
} channel_facts;

/* A value's place on the finest grid, in units of 2^-24; what is beyond 100 times full scale is on any. */
static uint32_t grid_of(float value)
{
  float size = fabsf(value);
  return (uint32_t)((size < 100.0f ? size : 100.0f) * 0x1p24f);
}

static void survey(const float *x, size_t nframes, size_t stride, channel_facts *io)
{
  channel_facts facts = *io;

  for (size_t n = 0; n < nframes; n++) {
    float value = x[n * stride];
    facts.least = value < facts.least ? value : facts.least;
    facts.most = value > facts.most ? value : facts.most;
    facts.grid |= grid_of(value);
  }
  *io = facts;
}

static channel_facts survey_channel(const mt_take *take, unsigned channel)
{
  const float *x = take->samples + channel;
  channel_facts facts = {.least = x[0], .most = x[0], .grid = COARSEST_GRID};

  survey(x, take->nframes, take->nchannels, &facts);
  facts.step = (double)(facts.grid & -facts.grid) * 0x1p-24; /* its lowest bit */
  return facts;
}

/* A stretch of one extreme value on one channel, and those merged with it. */
typedef struct flat_tops {
  mt_take *take;
  unsigned channel;
  size_t begin;
  size_t end; /* one past the last frame; 0: none yet */
  size_t count;
  double value;
} flat_tops;

static mt_code report_tops(flat_tops *tops, mt_error *err)
{
  char name[8];
  mt_take *take = tops->take;
  mt_code code;

  if (tops->count == 0)
    return MT_OK;
  code = mt_take_add_problem(take, MT_PROBLEM_CLIPPED, (mt_channel)tops->channel,
                             (double)tops->begin / take->rate_hz, (double)tops->end / take->rate_hz, err,
                             "%s is clipped: %zu flat top%s near %+.4f of full scale; lower the level",
                             mt_channel_name((mt_channel)tops->channel, name), tops->count,
                             tops->count == 1 ? "" : "s", tops->value);
  tops->count = 0;
  return code;
}

static mt_code add_top(flat_tops *tops, size_t begin, size_t end, float value, mt_error *err)
{
  if (tops->count > 0 && (double)(begin - tops->end) > MERGE_S * tops->take->rate_hz) {
    mt_code code = report_tops(tops, err);
    if (code != MT_OK)
      return code;
  }
  if (tops->count == 0) {
    tops->begin = begin;
    tops->value = (double)value;
  }
  tops->end = end;
  tops->count++;
  return MT_OK;
}

/* How far the signal is from the plateau as many frames outside it as half its length. */
static double fall_beside(const mt_take *take, unsigned channel, size_t begin, size_t end)
{
  const float *x = take->samples + channel;
  size_t stride = take->nchannels;
  size_t away = (end - begin) / 2;
  double value = (double)x[begin * stride];
  double before = begin >= away ? fabs(value - (double)x[(begin - away) * stride]) : 0.0;
  double after = end - 1 + away < take->nframes ? fabs(value - (double)x[(end - 1 + away) * stride]) : 0.0;

  return fmax(before, after);
}

/*
 * Whether a run of equal samples had something cut off. The top of a slow, clean, quantised sine is flat as
 * well, but what rounding took off it is at most one step of the converter. Seen as a parabola, a top of
 * which C is missing above a plateau of 2 h frames is 3 C below it h frames outside.
 */
static bool is_cut(const mt_take *take, unsigned channel, size_t begin, size_t end, double step)
{
  if (begin == 0 && end == take->nframes)
    return true;
  return fall_beside(take, channel, begin, end) > 6.0 * step;
}

static mt_code find_flat_tops(mt_take *take, unsigned channel, const channel_facts *facts, mt_error *err)
{
  const float *x = take->samples + channel;
  flat_tops tops = {take, channel, 0, 0, 0, 0.0};
  size_t begin = 0;

  if (!(facts->most >= (float)NEAR_FULL_SCALE || facts->least <= (float)-NEAR_FULL_SCALE))
    return MT_OK;
  for (size_t n = 1; n <= take->nframes; n++) {
    float value = x[begin * take->nchannels];
    float step = n < take->nframes ? x[n * take->nchannels] - value : 1.0f;
    bool extreme = (value >= facts->most && value >= (float)NEAR_FULL_SCALE) ||
                   (value <= facts->least && value <= (float)-NEAR_FULL_SCALE);
    if (!(step < 0.0f || step > 0.0f))
      continue;
    if (extreme && n - begin >= FLAT_FRAMES && is_cut(take, channel, begin, n, facts->step)) {
      mt_code code = add_top(&tops, begin, n, value, err);
      if (code != MT_OK)
        return code;
    }
    begin = n;
  }
  return report_tops(&tops, err);
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
  channel_facts facts[MT_CHANNELS_MAX];
  bool all_dead = true, all_zero = true;
  mt_code code = MT_OK;

  if (take->nframes == 0 || take->nchannels < 1 || take->nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_ARG, "the take has %zu frames of %u channels; nothing to inspect", take->nframes,
                   take->nchannels);
  for (unsigned c = 0; c < take->nchannels; c++) {
    facts[c] = survey_channel(take, c);
    all_dead = all_dead && !(facts[c].most > facts[c].least);
    all_zero = all_zero && !(facts[c].most > 0.0f) && !(facts[c].least < 0.0f);
  }
  if (all_dead)
    code = report_silence(take, all_zero, err);
  for (unsigned c = 0; code == MT_OK && c < take->nchannels; c++)
    code = find_flat_tops(take, c, &facts[c], err);
  return code;
}
