/** @file curve.h  What the functions of <mendtone/curve.h> share. */
#ifndef ANALYSIS_CURVE_H
#define ANALYSIS_CURVE_H

#include <mendtone/curve.h>

/** At least so many points, all finite, x positive and ascending. */
bool mt_curve_is_usable(const mt_curve *curve, size_t least);

/** How much of the noise of two points of a swept response is the same, 0 ... 1. */
double mt_curve_correlation(double freq_hz, double other_hz);

#endif
