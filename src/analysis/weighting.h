/** @file weighting.h  Frequency weights as power factors, for summing many bins. */
#ifndef ANALYSIS_WEIGHTING_H
#define ANALYSIS_WEIGHTING_H

#include <mendtone/analysis.h>

/** The weight as a factor on power, no logarithm taken. Even in frequency; 0 if that is not finite. */
double mt_weighting_power(mt_weighting weighting, double freq_hz);

#endif
