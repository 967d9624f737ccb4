/**
 * @file mixer.h  What a mixer does behind the sound system to the streams of this process: resample, scale, add.
 *
 * It is asked itself: a PulseAudio server, or whatever speaks its language in its place.
 */
#ifndef AUDIO_MIXER_H
#define AUDIO_MIXER_H

#include <mendtone/take.h>

#define MT_MIXER_FINDINGS_MAX 16
#define MT_MIXER_FACTS 9

/** Something that the mixer did for a while. */
typedef struct mt_mixer_finding {
  mt_problem_kind kind;
  double begin_s; /**< mt_guard_now_s() */
  double end_s;   /**< HUGE_VAL: to the end */
  char text[160];
} mt_mixer_finding;

typedef struct mt_mixer mt_mixer;

/**
 * Begin to watch. Does not wait: the server is asked from a thread of its own.
 *
 * @return NULL if the library for it is not there, or for want of memory.
 */
mt_mixer *mt_mixer_open(void);

/**
 * End, before the streams are closed.
 *
 * @param mixer  NULL: nothing is found. Leaves NULL.
 * @param out    [MT_MIXER_FINDINGS_MAX]
 * @return how many.
 */
size_t mt_mixer_close(mt_mixer **mixer, mt_mixer_finding *out);

/** One end of the mixer that a stream of this process is at. */
typedef struct mt_mixer_end {
  bool found;
  unsigned index; /**< the server's number of it */
  bool muted;
  double volume_db; /**< of the device and the stream together, re unchanged */
  double percent; /**< the volume as people set it: the device's, or the stream's where that is what is off */
  bool stream_is_scaled; /**< it is the stream's */
  double rate_hz;        /**< the device's */
  double stream_rate_hz;
  unsigned nchannels; /**< the device's */
  unsigned stream_nchannels;
} mt_mixer_end;

typedef struct mt_mixer_view {
  mt_mixer_end output, input;
  char other[64]; /**< a program that plays to either device; "": none */
} mt_mixer_view;

/** What stood at the first view of it, and what has changed since; needs no server. Zero it. */
typedef struct mt_mixer_log {
  mt_mixer_view first;
  int open[MT_MIXER_FACTS]; /**< finding of each fact that holds now, from 1 on; 0: none */
  mt_mixer_finding findings[MT_MIXER_FINDINGS_MAX];
  size_t nfindings;
} mt_mixer_log;

void mt_mixer_note(mt_mixer_log *log, const mt_mixer_view *view, double now_s);

#endif
