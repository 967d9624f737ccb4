/** @file lines.h  Mains hum in a record of idle noise: which mains, how much, and whether it is there at all. */
#ifndef ANALYSIS_LINES_H
#define ANALYSIS_LINES_H

#include "analysis/samples.h"

#include <mendtone/analysis.h>

/** Hum: lines at 1 ... MT_ORDERS_MAX times a mains frequency. Powers re a full-scale sine. */
typedef struct mt_hum {
  bool significant;      /**< lines stand out of the noise, and fit one mains frequency only */
  double mains_hz;       /**< 50 or 60; 0 if not significant */
  double freq_hz;        /**< the fundamental as fitted, within 1 % of that; 0 if not significant */
  double power;          /**< all orders together, less the noise under them; 0 if not significant */
  double standard_error; /**< of `power`, one sigma; if not significant, of what a hum could add */
  double upper_bound;    /**< what the power does not exceed, 95 % one-sided; always set */
  double order_power[MT_ORDERS_MAX + 1]; /**< [k]: at k times the fundamental, less noise, not below 0 */
  double order_standard_error[MT_ORDERS_MAX + 1]; /**< one sigma */
  double freedom; /**< degrees of freedom `standard_error` is known to: the noise is known from few bins */
  double order_freedom[MT_ORDERS_MAX + 1];
} mt_hum;

/**
 * Find mains hum.
 *
 * The record is low-passed and thinned in double, cut into sections of at most 2 s, and its density taken
 * with the 7-term window, whose lobes (7 bins to either side, 180 dB down beyond) keep the orders apart:
 * the joint least-squares fit of a line's lobe at every order, on a noise known from between the orders,
 * then falls into one small fit an order. The fundamental is free within 1 % of 50 and of 60 Hz; the mains
 * is the one whose orders stand out together. A line counts only if it is as narrow as a line, sits where
 * the fundamental puts it, and exceeds the noise around it by a margin that noise passes less than once in
 * 10^4 records (2 of 90 000 simulated, white and red). Hum needs order 1 or 2, or two orders of which one is
 * at most 4: a lone line at 300 Hz, which both mains share, is none. An order that another line covers (one
 * less than 7 bins off) is taken from what is left there, with a standard error that spans from none to twice
 * that. A hum that is only just seen reads up to 2 dB too great, as those that read less are not seen.
 *
 * Over a long record the mains may wander: 0.05 Hz cost 0.001 dB at order 1 and 0.08 dB at order 10.
 *
 * @param x  [n], borrowed; noise at idle, other lines allowed. At least 0.95 s: less does not tell 50 from
 *           60 Hz. DC may be there.
 * @return MT_OK, also without hum; MT_E_ARG: rate out of range; MT_E_DATA: too short or not finite;
 *         MT_E_MEMORY. `out` is unchanged on failure.
 *
 * Source: ours; checked by tests/unit/test_lines.c against simulated records.   Thread: any.
 */
mt_code mt_hum_find(const double *x, size_t n, double rate_hz, mt_hum *out, mt_error *err);

/** A search on its way through a record. */
typedef struct mt_hum_run mt_hum_run;

/** mt_hum_find() in steps: the same to the bit. No more than two sections of the thinned record are kept. */
mt_code mt_hum_begin(size_t n, double rate_hz, mt_hum_run **out, mt_error *err);
/** Take in all that samples before `upto` tell. */
mt_code mt_hum_advance(mt_hum_run *run, mt_samples *samples, size_t upto, mt_error *err);
/** Once all n samples have been seen. */
void mt_hum_conclude(mt_hum_run *run, mt_hum *out);
void mt_hum_destroy(mt_hum_run **run);

#endif
