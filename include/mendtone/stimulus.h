/**
 * @file stimulus.h  What is played: a list of segments on one time line, framed by two marks.
 *
 * The stimulus is a function of continuous time, so it can be rendered at any clock rate exactly,
 * without interpolation: for a sound card, for a file, for a simulated unit whose clock is off,
 * and again by the analysis at the clock offset it found.
 */
#ifndef MENDTONE_STIMULUS_H
#define MENDTONE_STIMULUS_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_STIMULUS_CHANNELS 2
#define MT_SEGMENTS_MAX 24

typedef enum mt_segment_kind {
  MT_SEGMENT_MARK,    /**< chirp, upward on the left and downward on the right, same band and time */
  MT_SEGMENT_SILENCE, /**< nothing played */
  MT_SEGMENT_TONE,    /**< a sine on each channel that has an amplitude */
  MT_SEGMENT_SWEEP    /**< synchronised exponential sweep sin(2 pi f1 L exp(t/L)), both channels alike */
} mt_segment_kind;

/** One segment. Between segments there is silence. All fades are raised-cosine and lie inside the segment. */
typedef struct mt_segment {
  char name[16]; /**< "idle", "left", "right", "both", "low", "sweep", "mark-a", "mark-b" */
  mt_segment_kind kind;
  double start_s;
  double duration_s;
  double fade_in_s;
  double fade_out_s;
  double freq_hz[MT_STIMULUS_CHANNELS];   /**< tone */
  double amplitude[MT_STIMULUS_CHANNELS]; /**< peak, 1.0 = full scale; 0: silent */
  double from_hz;                         /**< sweep and mark: lower edge */
  double to_hz;                           /**< sweep and mark: upper edge */
  double settle_s;                        /**< after the fade-in, what to leave out of a reading */
} mt_segment;

/** A plain record: copy it freely. */
typedef struct mt_stimulus {
  double rate_hz;    /**< the rate it was laid out for: bounds the sweep */
  double level_dbfs; /**< reference level of the tones */
  double duration_s; /**< including lead-in and tail */
  size_t nsegments;
  mt_segment segments[MT_SEGMENTS_MAX];
} mt_stimulus;

/**
 * Lay out the default two-channel check: mark, idle, left alone, right alone, both at the reference
 * level, both 60 dB lower, sweep, mark. At most 15 s.
 *
 * @param rate_hz     44100 ... 192000.
 * @param level_dbfs  -60 ... 0; the peak level of tones, marks and sweep.
 * @return MT_OK; MT_E_ARG if a value is out of range, and `out` is unchanged.
 */
mt_code mt_stimulus_init_default(double rate_hz, double level_dbfs, mt_stimulus *out, mt_error *err);

/** The value of one channel at stimulus time t (seconds), +-1.0 = full scale; 0 outside [0, duration]. */
double mt_stimulus_sample(const mt_stimulus *stimulus, unsigned channel, double t_s);

/**
 * Render interleaved frames: frame n is the stimulus at t0_s + n * dt_s.
 *
 * @param out  [nframes x MT_STIMULUS_CHANNELS]. The same values as mt_stimulus_sample() to 1e-13.
 */
void mt_stimulus_render(const mt_stimulus *stimulus, double t0_s, double dt_s, size_t nframes, double *out);

/** The segment of that name, or NULL. */
const mt_segment *mt_stimulus_find(const mt_stimulus *stimulus, const char *name);

/** L of a sweep segment, seconds: its duration over ln(to / from). */
double mt_segment_sweep_constant(const mt_segment *segment);

#ifdef __cplusplus
}
#endif
#endif
