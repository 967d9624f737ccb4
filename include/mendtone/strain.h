/**
 * @file strain.h  Listen to two steady tones, one a channel, for as long as it takes, and tell what befalls them.
 *
 * Streaming, in constant memory: whatever is said of hours is kept in a fixed number of slots.
 */
#ifndef MENDTONE_STRAIN_H
#define MENDTONE_STRAIN_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

/** The tones, left and right: whole hertz, so that one second of both repeats without a seam. */
#define MT_STRAIN_LEFT_HZ 2003.0
#define MT_STRAIN_RIGHT_HZ 3001.0
/** Levels are told this often. */
#define MT_STRAIN_TICK_S 0.04
/** Points of the level curve at most. */
#define MT_STRAIN_SLOTS 1024

typedef enum mt_strain_kind {
  MT_STRAIN_DROPOUT, /**< the tone fell by 6 dB or more, for 1 ms or more */
  MT_STRAIN_CLICK,   /**< something short, larger than a fifth of the tone, or a gap below 1 ms */
  MT_STRAIN_SHORT,   /**< the other channel's tone came across */
  /** the tone turned over, and not for want of half a period: that turns the other channel's tone as well, by another
   * angle. Where only one channel is watched, or noise hides the other's turn, it is told as a jump of phase */
  MT_STRAIN_POLARITY,
  MT_STRAIN_PHASE, /**< its phase jumped and stayed: frames were lost or repeated */
  MT_STRAIN_LEVEL, /**< it fell and stayed for 3 s: taken as its level from then on; or it fell by 2 to 6 dB */
  MT_STRAIN_KINDS
} mt_strain_kind;

/** "dropout", "click", "short circuit"... */
const char *mt_strain_kind_name(mt_strain_kind kind);

typedef struct mt_strain_event {
  mt_strain_kind kind;
  mt_channel channel; /**< MT_CHANNEL_BOTH: a short circuit both channels hear */
  double begin_s;     /**< from the first frame fed */
  double length_s;    /**< of what lasts; 0: a jump */
  double depth_db;    /**< what the tone fell by, at most 120; 0: does not apply */
  bool is_open;       /**< it had not ended when the watch ended */
} mt_strain_event;

/** Every 40 ms. */
typedef struct mt_strain_level {
  double at_s;
  unsigned nchannels;
  double level_dbfs[2]; /**< of the channel's own tone, -140 at least */
  bool is_locked[2];    /**< it is known what the channel should carry */
} mt_strain_level;

typedef struct mt_strain_sink {
  void (*event)(void *ctx, const mt_strain_event *event);
  void (*level)(void *ctx, const mt_strain_level *level);
  void *ctx;
} mt_strain_sink;

/** What is known of a channel by now. */
typedef struct mt_strain_channel {
  bool is_locked;
  int tone; /**< which it carries: 0 the left one, 1 the right one */
  size_t count[MT_STRAIN_KINDS];
  double longest_s;                 /**< dropout */
  double lost_s;                    /**< in dropouts */
  double first_dbfs, last_dbfs;     /**< level as it was when it was found, and at the end */
  double lowest_dbfs, highest_dbfs; /**< of the levels outside dropouts */
  double watched_s;                 /**< since the tone was found */
  double other_db;    /**< the other tone re its own, when its own was found: above -20 dB both are heard */
  double too_noisy_s; /**< of it: seconds in which noise would have hidden a dropout of 1 ms */
} mt_strain_channel;

typedef struct mt_strain mt_strain;

/**
 * Begin.
 *
 * What is found: a channel's own tone falling by 6 dB or more for 1 ms or more, as long as the noise lets the tone's
 * amplitude over 1 ms be told to 5 % (one standard deviation; white noise up to 9 dB below the tone, at 48 kHz).
 * Two that are less than 2 ms apart are one. The decision is a cumulated sum of log-likelihoods (Page 1954): of noise
 * at that limit it rises to its threshold less than once in 10^10 ms; louder noise raises the threshold, and the time
 * is counted as too noisy.
 *
 * @param nchannels  of the frames that will be fed; the first two are watched.
 * @return MT_E_ARG: a rate below 8000 or beyond 384000 Hz; MT_E_MEMORY.
 * Source: E. S. Page, Continuous inspection schemes, Biometrika 41, 1954.
 */
mt_code mt_strain_create(double rate_hz, unsigned nchannels, const mt_strain_sink *sink, mt_strain **out,
                         mt_error *err);

/** Interleaved frames; any number. What is not finite is taken as silence. */
void mt_strain_feed(mt_strain *watch, const float *frames, size_t nframes);

/** Tell what is still open. Nothing may be fed after it. */
void mt_strain_finish(mt_strain *watch);

/** Seconds fed so far. */
double mt_strain_time_s(const mt_strain *watch);
/** @param channel  0 or 1, below the number watched. */
const mt_strain_channel *mt_strain_describe(const mt_strain *watch, unsigned channel);

/**
 * Level over time: the mean of each stretch and how far it reached from there.
 *
 * @param x, y, spread  room for MT_STRAIN_SLOTS each; seconds (middle of the stretch), dBFS, dB.
 * @return the number of points.
 */
size_t mt_strain_curve(const mt_strain *watch, unsigned channel, double *x, double *y, double *spread);

/** Free all; accepts NULL and leaves NULL. */
void mt_strain_destroy(mt_strain **watch);

#ifdef __cplusplus
}
#endif
#endif
