/**
 * @file grain.h  Noise of a decoder of few bits, known by where in the wave it is loud.
 *
 * The steps of companding double with every octave of the momentary level; those of adaptive differences follow the
 * wave's slope, a few samples late. Dither, a resampler, a converter, cables and the unit's own noise leave that as
 * it is. A unit's noise may rise with the envelope (noise reduction), with the wave (a dirty contact, a supply) or with
 * its slope (a clock): smoothly, and not late.
 *
 * Noise is looked at through (1 - z^-2s)^4 / 16, a band about a quarter of rate / s in which tones of low frequency
 * are gone and which blurs the moment by no more than 4 s samples.
 */
#ifndef ANALYSIS_GRAIN_H
#define ANALYSIS_GRAIN_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

/** Mean power of that band. x[n], n > 8 s. */
double mt_grain_power(const double *x, size_t n, size_t s);

/** The noise over the level at the same moment. */
typedef struct mt_grain_law {
  double octaves; /**< of level below the peak, over which it stands clear of the floor; 0: too few */
  double gain;  /**< by how much less it scatters about steps that double than about a smooth law, of that */
  double slope; /**< of the logarithm of its power over that of such steps: 1 if these are what it is */
  double scatter; /**< about the smooth law, of the logarithm of squares; of Gaussian noise pi^2 / 2 */
} mt_grain_law;

/**
 * @param x      [n], n > 8 s: a slow sine, its noise in it.
 * @param level  [n]: the same wave as the decoder had it; may be x.
 * @param ground the band's power where nothing is played.
 */
mt_code mt_grain_measure_law(const double *x, const double *level, size_t n, size_t s, double ground,
                             mt_grain_law *out, mt_error *err);

/** Steps that double: chosen and tried on by tests/oracle/compare_few_bits.py, which says which is which. */
bool mt_grain_is_stepped(const mt_grain_law *law);

/** The noise over a tone's period, what repeats in each left out. */
typedef struct mt_grain_pulse {
  double rise_db;  /**< least of the period, above the floor */
  double depth_db; /**< greatest above least */
  double strength; /**< of its second order re its mean; 1/2: all of it goes with the wave or its slope */
  double lag_deg;  /**< of that order behind the wave, 0 ... 360: 0 as the wave, 180 as its slope */
} mt_grain_pulse;

/**
 * @param residual  [n], n > 8 s: what is left of a tone.
 * @param step_rad  phase from one sample to the next, at most half a radian.
 * @param phase_rad of residual[0], of the cosine.
 */
mt_code mt_grain_measure_pulse(const double *residual, size_t n, size_t s, double step_rad, double phase_rad,
                               double ground, mt_grain_pulse *out, mt_error *err);

/** Louder where the wave is steep, and late: likewise. */
bool mt_grain_is_adaptive(const mt_grain_pulse *pulse);

#endif
