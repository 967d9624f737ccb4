/** @file take.h  One capture of a stimulus, what went wrong in it, and where the stimulus lies in it. */
#ifndef MENDTONE_TAKE_H
#define MENDTONE_TAKE_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Capture channel: 0 left, 1 right, 2 "ch3"...; MT_CHANNEL_BOTH for a pair. */
typedef int mt_channel;
#define MT_LEFT 0
#define MT_RIGHT 1
#define MT_CHANNEL_BOTH (-1)
/** In a limit only: whichever channel has the quantity. */
#define MT_CHANNEL_ANY (-2)
#define MT_CHANNELS_MAX 32
#define MT_RATE_MIN_HZ 8000.0
#define MT_RATE_MAX_HZ 384000.0

/** Write "left", "right", "both", "ch3"... into a buffer of at least 8 bytes and return it. */
const char *mt_channel_name(mt_channel channel, char out[8]);

typedef enum mt_problem_kind {
  MT_PROBLEM_DRIVER,       /**< the driver reported an overflow or an underflow */
  MT_PROBLEM_LOST,         /**< frames lost or repeated: the tone's phase or the marks' distance jumps */
  MT_PROBLEM_DROPOUT,      /**< the signal was away for a while */
  MT_PROBLEM_CLIPPED,      /**< samples stand at full scale */
  MT_PROBLEM_SILENT_INPUT, /**< every sample is zero, or the same */
  MT_PROBLEM_UNSTEADY,     /**< neither a steady tone nor steady noise */
  MT_PROBLEM_LOSSY_PATH,   /**< a lossy codec in the path: distortion and noise are not the unit's */
  MT_PROBLEM_SHARED,       /**< another program's sound is in it */
  MT_PROBLEM_SCALED,       /**< a mixer changes the levels */
  MT_PROBLEM_RESAMPLED,    /**< a mixer changes rate or channels on the way */
  MT_PROBLEM_UNCHECKED, /**< something could not be looked for: spoils nothing, but nobody vouches for it */
  MT_PROBLEM_LAST
} mt_problem_kind;

/** Something that spoils part of a take. A reading from a spoilt window never passes. */
typedef struct mt_problem {
  mt_problem_kind kind;
  mt_channel channel; /**< MT_CHANNEL_BOTH: all channels */
  double begin_s;     /**< from the take's first frame */
  double end_s;
  char text[160]; /**< one line in words */
  char state[32]; /**< of several takes: of the unit in that one; "" if there is one only */
  /** Told by driver or mixer: the samples do not show it, so it goes on with the take when it is read again. */
  bool while_captured;
} mt_problem;

/** Serves the frames of a take that stays where it is stored. */
typedef struct mt_take_reader {
  /** Read frames [first, first + nframes), interleaved. In order is fastest; any order gives the same. */
  mt_code (*read)(void *ctx, size_t first, size_t nframes, float *out, mt_error *err);
  void (*close)(void *ctx);
  void *ctx;
} mt_take_reader;

/** What one look at every sample of a channel tells. */
typedef struct mt_channel_facts {
  float least;
  float most;
  double step; /**< of the grid all samples stand on, as a converter's is; a float's below 1 at the least */
  double mean;
} mt_channel_facts;

/**
 * A take. Samples are interleaved float, [nframes x nchannels], +-1.0 = full scale: all in memory, or, where
 * `samples` is NULL, served by `reader`. mt_take_look() reads either.
 * Create with mt_take_create(), or zero it and fill it through mt_take_append().
 */
typedef struct mt_take {
  char file[512]; /**< where it is stored, "" if nowhere */
  float *samples; /**< owned */
  size_t nframes; /**< per channel */
  unsigned nchannels;
  double rate_hz;
  bool play_aligned;    /**< frame 0 of the take is the moment frame 0 of the stimulus was played */
  mt_problem *problems; /**< owned */
  size_t nproblems;
  size_t capacity_frames;  /**< allocated */
  mt_take_reader reader;   /**< owned; `read` is NULL where the samples are in memory */
  mt_channel_facts *facts; /**< owned; [nchannels] once known, else NULL */
  size_t first_frame;      /**< of a part of a recording: which frame of the recording its frame 0 is */
  size_t whole_frames;     /**< of a part: how many frames the recording has; 0: this is the whole */
} mt_take;

/** Make an empty take. @return MT_E_ARG for a rate or a channel count out of range, MT_E_MEMORY. */
mt_code mt_take_create(double rate_hz, unsigned nchannels, mt_take **out, mt_error *err);

/** Append interleaved frames to a take in memory. `take` is unchanged on failure. */
mt_code mt_take_append(mt_take *take, const float *frames, size_t nframes, mt_error *err);

/** Append a problem, its text formatted. Problems that cannot be stored for want of memory are an error. */
mt_code mt_take_add_problem(mt_take *take, mt_problem_kind kind, mt_channel channel, double begin_s,
                            double end_s, mt_error *err, const char *fmt, ...) MT_PRINTF(7, 8);

/** The problem that spoils [begin_s, end_s] of a channel, or NULL. MT_CHANNEL_BOTH matches every channel. */
const mt_problem *mt_take_find_problem(const mt_take *take, mt_channel channel, double begin_s, double end_s);

/** When a frame of this take was, in seconds from the recording's first frame, as problems are. */
double mt_take_time_s(const mt_take *take, double frame);

/**
 * The stretch of a take looked at last. Zero it, set `take`; release with mt_take_view_finish(). Not to be shared
 * between threads; several views of one take in the same thread are. What another thread shall look at is had by this
 * one first, and a copy of the view, with is_borrowed set, is for that thread as long as this one stays where it is.
 */
typedef struct mt_take_view {
  const mt_take *take; /**< borrowed */
  const float *frames; /**< [count x nchannels], from frame `begin` on */
  size_t begin;
  size_t count;
  float *buffer; /**< owned; NULL for a take in memory */
  size_t capacity_frames;
  bool is_borrowed; /**< a copy: it does not move on, and there is nothing to release */
} mt_take_view;

/**
 * Have frames [first, first + nframes) of a take at hand.
 *
 * Of a stored take a stretch of 2 MiB, or what is asked for if that is more, is kept: looks that move on through the
 * take, either way, read each frame about once.
 *
 * @param out  NULL, or the first of them, interleaved; borrowed until the next look.
 * @return MT_OK; MT_E_ARG if the take has no such frames; MT_E_IO, MT_E_DATA: they cannot be read; MT_E_MEMORY;
 *         MT_E_INTERNAL if the view is borrowed and does not have them.
 */
mt_code mt_take_look(mt_take_view *view, size_t first, size_t nframes, const float **out, mt_error *err);
void mt_take_view_finish(mt_take_view *view);

/** Make a take in memory of a part of another: its name and its problems too, with the times they had. */
mt_code mt_take_load(const mt_take *take, size_t first, size_t nframes, mt_take **out, mt_error *err);

/** Free all; accepts NULL and leaves NULL. */
void mt_take_destroy(mt_take **take);

/**
 * Where a stimulus lies in a take: stimulus time t falls on frame `start_frame + t * rate / (1 + e)`,
 * with e = clock_offset_ppm * 1e-6. A tone played at f is seen at f * (1 + e).
 */
typedef struct mt_location {
  double start_frame;            /**< fractional; median over the channels that carry the marks */
  double clock_offset_ppm;       /**< player's clock less recorder's, from the distance of the marks */
  double clock_uncertainty_ppm;  /**< expanded, k = 2 */
  bool arrived[MT_CHANNELS_MAX]; /**< this capture channel carries the marks */
  double arrival_frame[MT_CHANNELS_MAX];         /**< stimulus time 0 on this channel, fractional frames */
  double arrival_uncertainty_s[MT_CHANNELS_MAX]; /**< expanded, k = 2 */
  double level_change_db[MT_CHANNELS_MAX];       /**< of the last mark re the first */
  double level_uncertainty_db[MT_CHANNELS_MAX];  /**< of that; expanded, k = 2 */
  unsigned nruns;                                /**< whole runs in the take; this is the last of them */
  bool is_followed;                              /**< another run begins behind it, and has no end */
} mt_location;

#ifdef __cplusplus
}
#endif
#endif
