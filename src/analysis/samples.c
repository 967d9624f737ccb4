#include "analysis/samples.h"

#include "base/wide.h"

#include <assert.h>
#include <stdlib.h>

mt_samples mt_samples_of_array(const double *x, size_t n)
{
  return (mt_samples){.n = n, .x = x};
}

mt_samples mt_samples_of_take(mt_take_view *view, unsigned channel)
{
  return (mt_samples){.n = view->take->nframes, .view = view, .channel = channel};
}

void mt_samples_finish(mt_samples *samples)
{
  free(samples->buffer);
  samples->buffer = NULL;
  samples->capacity = 0;
}

static mt_code make_room(mt_samples *samples, size_t count, mt_error *err)
{
  double *grown;

  if (count <= samples->capacity)
    return MT_OK;
  grown = realloc(samples->buffer, count * sizeof *grown);
  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", count);
  samples->buffer = grown;
  samples->capacity = count;
  return MT_OK;
}

mt_code mt_samples_look(mt_samples *samples, size_t first, size_t count, const double **out, mt_error *err)
{
  const float *frames;
  size_t stride;
  mt_code code;

  assert(first <= samples->n && count <= samples->n - first);
  if (samples->x != NULL) {
    *out = samples->x + first;
    return MT_OK;
  }
  code = make_room(samples, count, err);
  if (code == MT_OK)
    code = mt_take_look(samples->view, first, count, &frames, err);
  if (code != MT_OK)
    return code;
  stride = samples->view->take->nchannels;
  mt_wide_take_channel(frames + samples->channel, stride, count, samples->buffer);
  *out = samples->buffer;
  return MT_OK;
}
