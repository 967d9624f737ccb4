/** @file curve.h  What the functions of <mendtone/curve.h> share. */
#ifndef ANALYSIS_CURVE_H
#define ANALYSIS_CURVE_H

#include <mendtone/curve.h>

/** At least so many points, all finite, x positive and ascending. */
bool mt_curve_is_usable(const mt_curve *curve, size_t least);

/** Correlation of the noise of two points of a swept response, of size or phase alike. */
double mt_curve_correlation(double freq_hz, double other_hz);

/** Uncertainty of a point against the others: without that of the reference, which moves all of them alike. */
double mt_curve_own_uncertainty(const mt_curve *curve, size_t i);

/** Points of a curve: x ascending, sigma one standard deviation, > 0. Borrowed. */
typedef struct mt_span_points {
  const double *x, *y, *sigma;
  size_t n;
} mt_span_points;

/** Highest less lowest, see curve_span.c. @return MT_OK; MT_E_MEMORY. */
mt_code mt_curve_span(const mt_span_points *points, mt_figure *out, mt_error *err);

#endif
