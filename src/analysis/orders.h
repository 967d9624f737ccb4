/**
 * @file orders.h  The orders of a unit's distortion, told apart in the response to a synchronised sweep.
 *
 * Order n of a bent unit is the sweep itself, L ln n early, so after division by the sweep's spectrum each order is
 * a response of its own at its own time, and what is read at a frequency is the harmonic heard at that frequency.
 */
#ifndef ANALYSIS_ORDERS_H
#define ANALYSIS_ORDERS_H

#include "analysis/response.h"

#define MT_SWEPT_ORDERS 5

/** One order at one frequency. Powers are re an arbitrary scale, the same for all orders of a channel. */
typedef struct mt_order_reading {
  double power; /**< noise taken off, may be <= 0 */
  double error; /**< one standard error */
  double noise; /**< what the same estimate reads of noise alone, on average */
} mt_order_reading;

/** One channel's quotient. */
typedef struct mt_orders mt_orders;

/**
 * Look for the noise of what a channel caught where no order lies (0.8 to 3 s after the response).
 *
 * @param reference, capture  borrowed as long as the orders are used.
 * @return MT_OK; MT_E_MEMORY.
 */
mt_code mt_orders_create(const mt_sweep_reference *reference, const mt_sweep_capture *capture,
                         mt_orders **out, mt_error *err);
void mt_orders_destroy(mt_orders **orders);

/**
 * Read one order.
 *
 * Through a window in time that stops the neighbouring orders by 120 dB: 0.6 of the way to the next order, from
 * 90 / f seconds on as short as that (4 % of the frequency to either side, to -120 dB). An order that
 * folds back at half the rate cannot be told where it crosses another.
 *
 * @param order    1 (the response) ... MT_SWEPT_ORDERS.
 * @param freq_hz  at which it is heard, in hertz of the player's nominal clock.
 * @return false, and nothing written, where the window's spectrum does not fit into the sweep's band, or the order
 *         was not yet, or no more, made: outside order x 10 Hz ... order x top.
 *
 * Sources: Farina 2000; Novak, Lotton and Simon 2015; Kaiser's window for the shape.
 */
bool mt_orders_read(const mt_orders *orders, int order, double freq_hz, mt_order_reading *out);

/**
 * Does another order that folds back at half the rate come so near in time and frequency that it cannot be told from
 * this one? A unit that reckons in samples folds; one of parts does not.
 */
bool mt_orders_is_crossed(const mt_orders *orders, int order, double freq_hz, int other);

/**
 * One reading over another, as a point of a curve in dB: the ratio, its expanded uncertainty, and what noise alone
 * reads. What noise may have made is an upper bound instead, with MT_CURVE_BOUND_DB for its uncertainty.
 *
 * @param null  standard error of `part` if it were noise alone.
 */
void mt_order_ratio(const mt_order_reading *part, const mt_order_reading *whole, double null,
                    double *value_db, double *uncertainty_db, double *floor_db);

#endif
