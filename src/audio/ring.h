/**
 * @file ring.h  Frames from one thread to another without a lock: one writer, one reader.
 *
 * The audio callback is one of the two, so nothing here allocates, waits or calls the system after
 * mt_ring_init().
 */
#ifndef AUDIO_RING_H
#define AUDIO_RING_H

#include <mendtone/error.h>

#include <stdatomic.h>
#include <stddef.h>

typedef struct mt_ring {
  float *data;     /* [capacity x nchannels] */
  size_t capacity; /* frames, a power of two */
  unsigned nchannels;
  atomic_size_t written; /* frames since the start; only the writer changes it */
  atomic_size_t taken;   /* frames since the start; only the reader changes it */
} mt_ring;

/** Room for at least that many frames. MT_E_MEMORY. */
mt_code mt_ring_init(mt_ring *ring, size_t nframes, unsigned nchannels, mt_error *err);
/** Also of a zeroed ring. Neither thread may use it any more. */
void mt_ring_finish(mt_ring *ring);

/** How many frames the writer can write now; another moment it can only be more. */
size_t mt_ring_writable(mt_ring *ring);
/** How many frames the reader can read now; another moment it can only be more. */
size_t mt_ring_readable(mt_ring *ring);

/** @return frames written, fewer than asked when it is full. */
size_t mt_ring_write(mt_ring *ring, const float *frames, size_t nframes);
/** @return frames read, fewer than asked when it is empty. */
size_t mt_ring_read(mt_ring *ring, float *frames, size_t nframes);

#endif
