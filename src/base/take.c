#include <mendtone/take.h>

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *mt_channel_name(mt_channel channel, char out[8])
{
  assert(channel >= MT_CHANNEL_ANY && channel < MT_CHANNELS_MAX);
  switch (channel) {
  case MT_LEFT: return memcpy(out, "left", 5);
  case MT_RIGHT: return memcpy(out, "right", 6);
  case MT_CHANNEL_BOTH: return memcpy(out, "both", 5);
  case MT_CHANNEL_ANY: return memcpy(out, "any", 4);
  default: snprintf(out, 8, "ch%u", (unsigned)(channel + 1) % 100u); return out;
  }
}

mt_code mt_take_create(double rate_hz, unsigned nchannels, mt_take **out, mt_error *err)
{
  mt_take *take;

  if (!(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_DATA, "the sample rate is %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if (nchannels < 1 || nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_DATA, "there are %u channels; expected 1 to %d", nchannels, MT_CHANNELS_MAX);
  take = calloc(1, sizeof *take);
  if (take == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a take");
  take->rate_hz = rate_hz;
  take->nchannels = nchannels;
  *out = take;
  return MT_OK;
}

mt_code mt_take_append(mt_take *take, const float *frames, size_t nframes, mt_error *err)
{
  size_t frame_bytes = take->nchannels * sizeof(float);

  if (nframes > take->capacity_frames - take->nframes) {
    size_t wanted = take->nframes + nframes;
    size_t capacity = take->capacity_frames + take->capacity_frames / 2 + 65536;
    float *grown;
    if (wanted < nframes || wanted > SIZE_MAX / 2 / frame_bytes)
      return mt_fail(err, MT_E_MEMORY, "a take of more than %zu frames does not fit", take->nframes);
    if (capacity < wanted)
      capacity = wanted;
    grown = realloc(take->samples, capacity * frame_bytes);
    if (grown == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames of a take", capacity);
    take->samples = grown;
    take->capacity_frames = capacity;
  }
  if (nframes > 0)
    memcpy(take->samples + take->nframes * take->nchannels, frames, nframes * frame_bytes);
  take->nframes += nframes;
  return MT_OK;
}

mt_code mt_take_add_problem(mt_take *take, mt_problem_kind kind, mt_channel channel, double begin_s,
                            double end_s, mt_error *err, const char *fmt, ...)
{
  mt_problem *problem;
  mt_problem *grown = realloc(take->problems, (take->nproblems + 1) * sizeof *grown);
  va_list args;

  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a problem of a take");
  take->problems = grown;
  problem = &take->problems[take->nproblems++];
  memset(problem, 0, sizeof *problem);
  problem->kind = kind;
  problem->channel = channel;
  problem->begin_s = begin_s;
  problem->end_s = end_s;
  va_start(args, fmt);
  vsnprintf(problem->text, sizeof problem->text, fmt, args);
  va_end(args);
  return MT_OK;
}

const mt_problem *mt_take_find_problem(const mt_take *take, mt_channel channel, double begin_s, double end_s)
{
  for (size_t i = 0; i < take->nproblems; i++) {
    const mt_problem *p = &take->problems[i];
    bool same = p->channel == channel || p->channel == MT_CHANNEL_BOTH || channel == MT_CHANNEL_BOTH;
    if (same && p->begin_s < end_s && p->end_s > begin_s)
      return p;
  }
  return NULL;
}

void mt_take_destroy(mt_take **take)
{
  if (take == NULL || *take == NULL)
    return;
  free((*take)->samples);
  free((*take)->problems);
  free(*take);
  *take = NULL;
}
