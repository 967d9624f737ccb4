#include "audio/ring.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

mt_code mt_ring_init(mt_ring *ring, size_t nframes, unsigned nchannels, mt_error *err)
{
  size_t capacity = 1;
  float *data;

  while (capacity < nframes && capacity <= SIZE_MAX / 4)
    capacity *= 2;
  if (capacity < nframes || nchannels == 0 || capacity > SIZE_MAX / nchannels / sizeof *data)
    return mt_fail(err, MT_E_MEMORY, "a ring of %zu frames does not fit", nframes);
  data = calloc(capacity * nchannels, sizeof *data);
  if (data == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a ring of %zu frames", capacity);
  ring->data = data;
  ring->capacity = capacity;
  ring->nchannels = nchannels;
  atomic_init(&ring->written, 0);
  atomic_init(&ring->taken, 0);
  return MT_OK;
}

void mt_ring_finish(mt_ring *ring)
{
  free(ring->data);
  ring->data = NULL;
}

/* The counts run on and wrap with size_t, of which the capacity is a divisor. */

size_t mt_ring_writable(mt_ring *ring)
{
  /* acquire: the reader has finished copying what it says it has taken */
  return ring->capacity - (atomic_load_explicit(&ring->written, memory_order_relaxed) -
                           atomic_load_explicit(&ring->taken, memory_order_acquire));
}

size_t mt_ring_readable(mt_ring *ring)
{
  /* acquire: what the writer says it has written can be seen */
  return atomic_load_explicit(&ring->written, memory_order_acquire) -
         atomic_load_explicit(&ring->taken, memory_order_relaxed);
}

size_t mt_ring_write(mt_ring *ring, const float *frames, size_t nframes)
{
  size_t written = atomic_load_explicit(&ring->written, memory_order_relaxed);
  size_t room = mt_ring_writable(ring);
  size_t width = ring->nchannels;
  size_t at = written & (ring->capacity - 1);
  size_t first;

  if (nframes > room)
    nframes = room;
  first = nframes < ring->capacity - at ? nframes : ring->capacity - at;
  memcpy(ring->data + at * width, frames, first * width * sizeof(float));
  memcpy(ring->data, frames + first * width, (nframes - first) * width * sizeof(float));
  atomic_store_explicit(&ring->written, written + nframes, memory_order_release);
  return nframes;
}

size_t mt_ring_read(mt_ring *ring, float *frames, size_t nframes)
{
  size_t taken = atomic_load_explicit(&ring->taken, memory_order_relaxed);
  size_t ready = mt_ring_readable(ring);
  size_t width = ring->nchannels;
  size_t at = taken & (ring->capacity - 1);
  size_t first;

  if (nframes > ready)
    nframes = ready;
  first = nframes < ring->capacity - at ? nframes : ring->capacity - at;
  memcpy(frames, ring->data + at * width, first * width * sizeof(float));
  memcpy(frames + first * width, ring->data, (nframes - first) * width * sizeof(float));
  atomic_store_explicit(&ring->taken, taken + nframes, memory_order_release);
  return nframes;
}
