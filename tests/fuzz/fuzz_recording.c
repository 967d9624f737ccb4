/* A recording through the file back end: the sink is told of the shape first, and only whole frames come. */
#include "fuzz.h"

#include <mendtone/audio.h>

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

typedef struct counter {
  bool begun;
  unsigned nchannels;
  size_t nframes;
  float sum; /* so that every sample is read, and a sanitizer sees it */
} counter;

static mt_code begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  counter *count = ctx;
  (void)play_aligned;
  (void)err;
  if (count->begun || !isfinite(rate_hz) || rate_hz <= 0.0 || nchannels == 0 || nchannels > MT_CHANNELS_MAX)
    abort();
  count->begun = true;
  count->nchannels = nchannels;
  return MT_OK;
}

static mt_code block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  counter *count = ctx;
  (void)err;
  if (!count->begun)
    abort();
  for (size_t i = 0; i < nframes * count->nchannels; i++)
    count->sum += frames[i];
  count->nframes += nframes;
  return MT_OK;
}

static mt_code problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                       mt_error *err)
{
  (void)ctx;
  (void)kind;
  (void)err;
  if (!(begin_s <= end_s) || text == NULL)
    abort();
  return MT_OK;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  counter count = {0};
  mt_error err = {0};
  const mt_audio_sink sink = {begin, block, problem, &count, NULL};
  const mt_audio_request request = {.input = fuzz_file(data, size)};
  mt_code code = mt_audio_find_backend("file")->run(&request, &sink, &err);
  fuzz_check_outcome(code, &err, code == MT_OK ? &count : NULL);
  if (code == MT_OK && !count.begun)
    abort();
  return 0;
}
