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
#include <mendtone/parts.h>

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_STIMULUS_CHANNELS 2
#define MT_SEGMENTS_MAX 24
#define MT_STEPS 36 /**< of a MT_SEGMENT_STEPS, each as long as the others */

typedef enum mt_segment_kind {
  MT_SEGMENT_MARK,     /**< chirp, upward on the left and downward on the right, same band and time */
  MT_SEGMENT_SILENCE,  /**< nothing played */
  MT_SEGMENT_TONE,     /**< a sine on each channel that has an amplitude */
  MT_SEGMENT_SWEEP,    /**< synchronised exponential sweep sin(2 pi f1 L exp(t/L)) on each channel that has an
                           amplitude */
  MT_SEGMENT_TWO_TONE, /**< a sum of two sines on each channel */
  MT_SEGMENT_STEPS,    /**< a sine whose level rises in MT_STEPS steps, its phase going on */
  MT_SEGMENT_TURN      /**< a sine on each channel, while somebody turns a knob of the unit */
} mt_segment_kind;

/** One segment. Between segments there is silence. All fades are raised-cosine and lie inside the segment. */
typedef struct mt_segment {
  char name[16]; /**< "idle", "left", "right", "both", "low", "sweep", "mark-a", "mark-b"; of the extras
                      "imd-250-8000"..., "levels", "sweep-left", "sweep-right"; "turn" */
  mt_segment_kind kind;
  double start_s;
  double duration_s;
  double fade_in_s;
  double fade_out_s;
  double freq_hz[MT_STIMULUS_CHANNELS];   /**< tone, steps; two tones: the first */
  double amplitude[MT_STIMULUS_CHANNELS]; /**< peak, 1.0 = full scale; 0: silent; steps: of the last one */
  double from_hz;                         /**< sweep and mark: lower edge */
  double to_hz;                           /**< sweep and mark: upper edge */
  double settle_s; /**< after the fade-in (of steps: of each), what to leave out of a reading */
  double second_hz[MT_STIMULUS_CHANNELS];        /**< two tones: the second, above the first */
  double second_amplitude[MT_STIMULUS_CHANNELS]; /**< its peak */
} mt_segment;

/** A plain record: copy it freely. */
typedef struct mt_stimulus {
  double rate_hz;    /**< the rate it was laid out for: bounds the sweep */
  double level_dbfs; /**< reference level of the tones */
  double duration_s; /**< including lead-in and tail */
  size_t nsegments;
  mt_segment segments[MT_SEGMENTS_MAX];
  unsigned extras;       /**< mask of mt_extra */
  double max_level_dbfs; /**< of the last step of "levels" */
  mt_parts parts;        /**< how much of the default check */
} mt_stimulus;

/**
 * Lay out a check with extras between the sweep and the end mark.
 *
 * - MT_EXTRA_INTERMODULATION: five pairs of tones on both channels, 6.9 s, their peak the reference level.
 * - MT_EXTRA_LEVELS: 997 Hz from 80 dB below the maximum level up to it, 9.4 s.
 * - MT_EXTRA_CROSSTALK: a sweep on the left alone, then on the right alone, 11.2 s.
 *
 * Any two of these differ in length by more than 1.5 s, so that the marks' distance tells which it is.
 *
 * @param rate_hz         44100 ... 192000.
 * @param level_dbfs      -60 ... 0; the peak level of tones, marks and sweep.
 * @param extras          mask of mt_extra; 0: the default check.
 * @param max_level_dbfs  level_dbfs ... 0, the loudest step of MT_EXTRA_LEVELS; NAN: level_dbfs.
 * @return MT_OK; MT_E_ARG if a value is out of range, and `out` is unchanged.
 */
mt_code mt_stimulus_init(double rate_hz, double level_dbfs, unsigned extras, double max_level_dbfs,
                         mt_stimulus *out, mt_error *err);

/**
 * The same with a part of the default check in place of the whole. All layouts, of any parts and extras, differ in
 * length by 0.35 s or more: five times what a clock 1500 ppm off makes of the longest.
 *
 * @param parts  below MT_PARTS_COUNT.
 */
mt_code mt_stimulus_init_parts(double rate_hz, double level_dbfs, mt_parts parts, unsigned extras,
                               double max_level_dbfs, mt_stimulus *out, mt_error *err);

/**
 * Lay out what is played while a knob is turned: mark, idle, a steady tone on each channel at the reference level for
 * as long as asked for, mark. mt_stimulus_init_parts() with MT_PARTS_TURN makes it MT_TURN_S.
 *
 * 997 Hz on the left and 1499 Hz on the right, so that at any moment it is known which is heard where; primes, 3 Hz and
 * 1 Hz from lines of 50 Hz, which at those orders are weak.
 *
 * @param turn_s  MT_TURN_MIN_S ... MT_TURN_MAX_S.
 * @return as mt_stimulus_init().
 */
mt_code mt_stimulus_init_turn(double rate_hz, double level_dbfs, double turn_s, mt_stimulus *out,
                              mt_error *err);

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

/** A radio link wakes within a second or two of the first sound (common practice, no source). */
#define MT_LEAD_IN_S 3.0
#define MT_LEAD_IN_MAX_S 60.0

/**
 * What goes before a stimulus when a radio link has to wake first: the value at stimulus time t, the same on both
 * channels; the stimulus is added to it.
 *
 * A tone of 250 Hz, 20 dB below the others, from -lead_in_s until just before the first mark: links that mute or
 * ramp on the first sound have done so by then, and none falls asleep again. It lies outside the marks' band, and
 * nothing is read while it sounds.
 *
 * @param lead_in_s  0: none.
 */
double mt_stimulus_sample_lead_in(const mt_stimulus *stimulus, double lead_in_s, double t_s);

/** The segment of that name, or NULL. */
const mt_segment *mt_stimulus_find(const mt_stimulus *stimulus, const char *name);

/**
 * Level of a step, dB re the last one: -80 to -20 in steps of 4 dB, then of 1 dB up to 0.
 *
 * @param step  below MT_STEPS.
 */
double mt_segment_step_db(unsigned step);

/** The settled part of a step, seconds from the start of the segment. */
void mt_segment_step_span(const mt_segment *segment, unsigned step, double *from_s, double *to_s);

/** L of a sweep segment, seconds: its duration over ln(to / from). */
double mt_segment_sweep_constant(const mt_segment *segment);

#ifdef __cplusplus
}
#endif
#endif
