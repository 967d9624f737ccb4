/**
 * @file difference.h  What a switch does: two responses of the same channel, one less the other.
 *
 * What both takes have in common cancels: the sound card's own response and level, its cables, a calibration.
 */
#ifndef MENDTONE_DIFFERENCE_H
#define MENDTONE_DIFFERENCE_H

#include <mendtone/curve.h>

#ifdef __cplusplus
extern "C" {
#endif

/** The band the figures are read from. */
#define MT_DIFFERENCE_FROM_HZ 20.0
#define MT_DIFFERENCE_TO_HZ 20000.0

/**
 * One response less another, over frequency, the gain of both counted in if it is known.
 *
 * Where the points differ, the reference is interpolated straight over log f; points of the response beyond it are
 * left out. The uncertainty is that of both, taken as independent: noise is, and what is the same in both takes is not
 * in the uncertainty of a response. That of each response's reference tone, which is in all its other points, is
 * taken out, as the absolute gain does not depend on it.
 *
 * @param x, y, uncertainty  [response->npoints] each.
 * @param n                  how many points there are.
 * @return MT_OK; MT_E_ARG: one has a reference gain and the other not; MT_E_DATA: a curve that cannot be used, or no
 *         common band. `n` is unchanged on failure.
 */
mt_code mt_curve_subtract(const mt_curve *response, const mt_curve *reference, double *x, double *y,
                          double *uncertainty, size_t *n, mt_error *err);

/** What is read off a difference. */
typedef struct mt_difference {
  double from_hz, to_hz; /**< what of the band could be used: where it can be told from noise */
  mt_figure gain_change; /**< dB: mean of the half of the points that lie nearest together */
  mt_figure boost;       /**< dB: the largest departure from gain_change, with its sign */
  bool stands_out; /**< false: no departure that noise might not have made; the next three are unknown */
  mt_figure
      boost_freq; /**< Hz: where; its uncertainty is how far from it the curve is not told apart from there */
  bool has_corner;
  mt_figure corner; /**< Hz: where a boost at one end of the band has fallen to half its decibels */
  char why_no_corner[128];
  mt_figure tilt; /**< dB an octave, the straight line by least squares over log f */
} mt_difference;

/**
 * Read the figures off a difference, in the band of 20 Hz to 20 kHz.
 *
 * The gain change is what most of the band does (the shortest interval that holds half of the points, its mean): a
 * boost of either end or of the middle is no part of it. Its uncertainty holds half the width of that interval, so that
 * it is large where there is no such thing as a common change (a tilt).
 *
 * The boost's uncertainty is 1.6 times that of the point: it is the largest of many. A corner is given only where the
 * boost reaches one end of the band and has levelled off there: within a tenth over the last third octave.
 *
 * @param curve  quantity `difference`, dB over Hz.
 * @return MT_OK; MT_E_ARG; MT_E_DATA: fewer than 24 points, or less than an octave, stand out of the noise.
 * Source: own definitions. Thread: any.
 */
mt_code mt_curve_difference(const mt_curve *curve, mt_difference *out, mt_error *err);

/**
 * Compare a state with its reference state: appends the curve `difference` of each channel, the readings
 * gain_change, boost, boost_freq, boost_corner and tilt, and as changes every other reading both states have.
 *
 * A reading that cannot be made has its reason; which states are to be compared is the plan's to say.
 *
 * @param results  holds the readings of both states.
 * @return MT_OK; MT_E_MEMORY.
 */
mt_code mt_difference_measure(mt_results *results, const char *state, const char *reference, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
