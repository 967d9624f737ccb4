/** @file capture.h  Make a take, check its integrity, and find the stimulus in it. */
#ifndef MENDTONE_CAPTURE_H
#define MENDTONE_CAPTURE_H

#include <mendtone/audio.h>
#include <mendtone/stimulus.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Run a back end and keep all it delivers. Non-finite samples are MT_E_DATA with the time of the first. */
mt_code mt_capture_run(const mt_audio_backend *backend, const mt_audio_request *request, mt_take **out,
                       mt_error *err);

/**
 * Read through a recording and leave it where it is: the take's samples are served by its reader, and memory does
 * not grow with it.
 *
 * What a run of the back end "file" finds is the same: also what is cut off or damaged ends where the good part
 * ends, with a problem there; so are the errors. What mt_capture_inspect() needs of each channel is counted meanwhile.
 *
 * @param request  input, progress.
 * @return as the back end; MT_E_DATA for a sample that is not finite; MT_E_IO if the file changes meanwhile.
 */
mt_code mt_capture_open(const mt_audio_request *request, mt_take **out, mt_error *err);

/** A source that plays a stimulus; borrows it, unchanged, as long as the source is used. */
mt_audio_source mt_capture_source(const mt_stimulus *stimulus);

/**
 * Look for what any take can show: all-zero or stuck input, flat-topped clipping, and adds each as
 * a problem with its time.
 */
mt_code mt_capture_inspect(mt_take *take, mt_error *err);

typedef enum mt_marks_found {
  MT_MARKS_NONE,  /**< neither: not a stimulus take */
  MT_MARKS_START, /**< only the first: the end is cut off */
  MT_MARKS_END,   /**< only the last: the beginning is cut off */
  MT_MARKS_BOTH
} mt_marks_found;

/**
 * Find the two marks by matched filter and estimate arrival, per-channel delay and clock offset.
 *
 * Works at any delay and level, clock offset within +-1500 ppm, in either polarity, on swapped or summed
 * channels, as long as one channel carries both marks. Of several runs in a take the last whole one
 * counts. Each channel is read for itself: it has arrived if it carries both marks, by itself or by
 * crosstalk, at no less than a twentieth of the energy in their band.
 *
 * A channel's arrival is what its delay is over the marks' band (300 Hz to 9 kHz): a filter in the unit
 * is part of it. The clock offset comes from the distance of the marks, in which that cancels; so do
 * not frames lost or repeated between the marks: up to 20 ms of them look like a clock offset, and only
 * the tones' frequency contradicts it. The uncertainties cover what the marks' own stretch of the take
 * shows of noise, hum and distortion.
 *
 * @param take   Finite samples. At a rate below 18.1 kHz, which cannot hold the marks, nothing is found.
 * @param found  Which marks there are. With one only, or the marks of two runs, it is the last one's kind.
 *               A mark cut by an edge of the take does not count.
 * @param out    Filled when both marks are found, else unchanged.
 * @return MT_OK, whatever was found; MT_E_ARG if the stimulus has no "mark-a" and "mark-b"; MT_E_DATA if both
 *         marks of a run are there, at a distance that no clock explains: frames were lost or repeated;
 *         MT_E_MEMORY. `found` and `out` are unchanged on failure.
 *
 * Source: matched filter and Cramer-Rao bound of the delay, any text on detection and estimation.
 * Tolerance: clock offset 0.01 ppm at 80 dB (reached: 1e-5), a wire's delay 1e-4 frames (2e-8),
 * tests/unit/test_locate.c.   Thread: any.   Cost: 6 ms for 15 s of stereo at 48 kHz; memory does not
 * grow with the take.
 */
mt_code mt_capture_locate(const mt_take *take, const mt_stimulus *stimulus, mt_marks_found *found,
                          mt_location *out, mt_error *err);

/**
 * The same where it is not known which of several layouts was played: the distance of the marks tells.
 *
 * @param stimuli  [n], of like marks, the one expected first: where two fit, the earlier one is taken.
 * @param which    the one that fits, filled when both marks are found.
 */
mt_code mt_capture_locate_among(const mt_take *take, const mt_stimulus *stimuli, size_t n, size_t *which,
                                mt_marks_found *found, mt_location *out, mt_error *err);

/**
 * Where both marks of a run are that mt_capture_locate_among() does not take for one, as frames are missing between.
 *
 * @param broken       whether there is such a run; the rest is filled only then.
 * @param start_frame  stimulus time 0 from the first mark, to a few frames.
 * @param late_frames  how late the second mark comes; negative: early. A clock offset is part of it.
 */
mt_code mt_capture_locate_broken(const mt_take *take, const mt_stimulus *stimuli, size_t n, size_t *which,
                                 bool *broken, double *start_frame, double *late_frames, mt_error *err);

/** What a listener is told of, and tells. */
typedef enum mt_heard {
  MT_HEARD_LEVEL,    /**< twice a second: how loud it is */
  MT_HEARD_START,    /**< the start mark */
  MT_HEARD_END,      /**< the end mark of a run whose start mark was heard: it stops soon, by itself */
  MT_HEARD_LATE,     /**< an end mark whose start mark was missed: it listens on */
  MT_HEARD_CUT_SHORT /**< the end mark is overdue: it listens on */
} mt_heard;

typedef struct mt_listening {
  const mt_stimulus *stimulus; /**< whose marks to listen for; borrowed */
  /** from the start mark on, of the longest layout that may come; then the end is overdue */
  double longest_s;
  double wait_s; /**< how long to wait for a start mark, in all */
  /** Called in the caller's thread; may be NULL. `level_dbfs`: of the last half second, -300 for zeros. */
  void (*tell)(void *ctx, mt_heard heard, double level_dbfs);
  /** Asked often; true: stop now. May be NULL. */
  bool (*is_stopped)(void *ctx);
  void *ctx;
  /** Told of the frames of the take: begin() when a start mark is heard, and again if that run broke off and another
   * begins; block() with what is kept from before, then with what comes. May be NULL. */
  const mt_audio_sink *tap;
} mt_listening;

/**
 * Listen to what a player plays of its own accord, until a whole run was heard.
 *
 * Plays nothing (unless the request has a source: the simulated unit's player). What comes before is let go but
 * for some seconds; listening ends a second after the end mark. A run that breaks off, or whose beginning was
 * missed, does not count: it waits for another.
 *
 * @param request  its duration is not used.
 * @param out      The take, from some seconds before the start mark on. Not play_aligned.
 * @return MT_OK; MT_E_DATA, in words what was heard instead: nothing, hum, sound without marks, a start without an
 *         end, or that it was stopped; what the back end returns.
 */
mt_code mt_capture_listen(const mt_audio_backend *backend, const mt_audio_request *request,
                          const mt_listening *listening, mt_take **out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
