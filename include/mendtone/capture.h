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

/** A source that plays a stimulus; borrows it. */
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
 * Works at any delay, clock offset within +-1000 ppm, in either polarity, on swapped or summed
 * channels, as long as one channel carries the marks.
 *
 * @param out  Filled when both marks are found.
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

#ifdef __cplusplus
}
#endif
#endif
