/** @file weighting.h  Frequency weights as power factors, for summing many bins. */
#ifndef ANALYSIS_WEIGHTING_H
#define ANALYSIS_WEIGHTING_H

#include <mendtone/analysis.h>

/** The weight as a factor on power, no logarithm taken. Even in frequency; 0 if that is not finite. */
double mt_weighting_power(mt_weighting weighting, double freq_hz);

/**
 * The network of ITU-R BS.468-4 as a complex gain, phase included: its output over its input at steady state.
 * |gain|^2 is mt_weighting_power(MT_WEIGHT_468, freq_hz). @param freq_hz  finite.
 */
void mt_weighting_468_response(double freq_hz, double *re, double *im);

#endif
