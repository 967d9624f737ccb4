/** @file joint.h  Several sines of known frequency fitted at once: the products beside two strong tones. */
#ifndef ANALYSIS_JOINT_H
#define ANALYSIS_JOINT_H

#include <mendtone/error.h>

#include <stddef.h>

#define MT_JOINT_LINES_MAX 32

/** Sum of a[i] cos(w[i] t) + b[i] sin(w[i] t) + dc, t = 0 in the middle of the record: (n - 1) / 2 frames. */
typedef struct mt_joint_fit {
  size_t nlines;
  double freq_hz[MT_JOINT_LINES_MAX];
  double a[MT_JOINT_LINES_MAX];
  double b[MT_JOINT_LINES_MAX];
  double dc;
} mt_joint_fit;

/** Noise bandwidth of a line, over that of an unweighted fit (1 / record): of Hann's weight. */
#define MT_JOINT_ENBW 1.5

/**
 * Weighted least squares at the frequencies in `fit`, which must differ by two periods in the record or more.
 *
 * The weight falls to nothing at both ends (Hann), so that lines which are not fitted do not count. With
 * t = 0 in the middle the cosines and the sines decouple, and the sums of their products are closed forms:
 * only the projections of x are summed over the samples.
 *
 * @param fit       nlines and freq_hz are given, the rest is filled.
 * @param residual  [n]: x less all that was fitted; must not be x itself.
 * @return MT_OK; MT_E_ARG; MT_E_DATA if two lines cannot be told apart in so short a record.
 */
mt_code mt_joint_solve(const double *x, size_t n, double rate_hz, mt_joint_fit *fit, double *residual,
                       mt_error *err);

/** Power of a line, re a full-scale sine. */
double mt_joint_power(const mt_joint_fit *fit, size_t line);

/**
 * By which factor all frequencies must be multiplied so that a fit leaves less: one step of Gauss and Newton
 * from the residual of a solved fit, less 1.
 */
double mt_joint_stretch(const mt_joint_fit *fit, const double *residual, size_t n, double rate_hz);

#endif
