/**
 * @file coverage_unit.h  A simulated unit of random properties, and what must be read of it.
 *
 * The truths come from the unit's parameters in closed form: harmonics and products from what bends the wave, by a
 * Fourier sum in double over its period, levels and phases from the filters' transfer functions, noise from the
 * integral of its density. None comes from the analysis; the weighting curves are shared with it, and test_weighting.c
 * holds those against the standards.
 */
#ifndef COVERAGE_UNIT_H
#define COVERAGE_UNIT_H

#include <mendtone/results.h>
#include <mendtone/simulate.h>
#include <mendtone/stimulus.h>

#include "base/random.h"

/** A random unit, and how it is taken. */
typedef struct coverage_case {
  mt_simulated_unit unit;
  double rate_hz;
  double level_dbfs;
  double max_level_dbfs; /**< of the steps */
  double low_pass_hz;    /**< first order, behind the unit, on noise and all; 0: none */
} coverage_case;

/** Draw a unit that does not clip at the reference level, and nowhere the recorder. */
void coverage_draw(mt_random *random, coverage_case *out);

/** Measure it with all extras or without any. @return NULL when the take is refused as a whole. */
mt_results *coverage_measure(const coverage_case *bench, unsigned extras);

typedef struct coverage_truths coverage_truths;

/** @param bench  kept until coverage_truths_destroy(). */
coverage_truths *coverage_truths_create(const coverage_case *bench, unsigned extras);
void coverage_truths_destroy(coverage_truths **truths);

/** NAN: not a quantity that has an interval, or a fold of the simulated unit lies on it. Infinite: none is there. */
double coverage_reading_truth(const coverage_truths *truths, const mt_reading *reading);

/** Of a point of a curve. @param delay_s  as read of this channel, which phase and group delay have taken out. */
double coverage_curve_truth(const coverage_truths *truths, const mt_results *results, const mt_curve *curve,
                            size_t point);

/** Of mt_curve_slope() on a channel's response: the line by least squares through the true values of its points. */
double coverage_slope_truth(const coverage_truths *truths, const mt_curve *response, double from_hz,
                            double to_hz);

#endif
