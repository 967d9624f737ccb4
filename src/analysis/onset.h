/** @file onset.h  Where a distortion that grows with level passes a limit, between the steps of a tone. */
#ifndef ANALYSIS_ONSET_H
#define ANALYSIS_ONSET_H

#include <mendtone/curve.h>

#include <stddef.h>

typedef struct mt_onset_step {
  double played_db;
  double power; /**< THD re the total, squared, noise taken off */
  double error; /**< one standard error of it */
} mt_onset_step;

/**
 * The level played at which the distortion passes `limit`.
 *
 * Distortion is smooth over level on either side of the onset of clipping, and has a kink there. Both are tried: the
 * straight line of log THD over dB, which is exact where one order dominates, and the Fourier series of a sine hard
 * clipped above an onset, in any share, which steps above the limit tell. What each says of the steps it was not made
 * of decides how much it counts, and how far they are apart how sure that is. Where there is only one step above the
 * limit, the level is only known to lie between two steps.
 *
 * @param steps  [n], ascending, 1 dB apart or so; the last ones up to the loudest that was heard.
 * @param over   1 ... n - 1: steps[over] is above the limit, steps[over - 1] is not.
 * @param limit  a power like theirs, > 0.
 * @return dB, with its expanded uncertainty.
 */
mt_figure mt_onset_find(const mt_onset_step *steps, size_t n, size_t over, double limit);

/** THD re the total, squared, of orders 2 to 10 of a sine driven so many dB (0 ... 10) beyond a hard clip. */
double mt_onset_clipped(double overdrive_db);

#endif
