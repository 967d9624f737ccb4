/** @file recorded.h  A plain recording made of samples, read by the tool as a user's would be. */
#ifndef RECORDED_H
#define RECORDED_H

#include <mendtone/results.h>

/** One channel of x[n] as a recording; fails the test on any error. The caller destroys the results. */
mt_results *recorded_results(const float *x, size_t n, double rate_hz);

/** The one valid value; fails the test when there is none. `order` 0 where a quantity has none. */
double recorded_value(const mt_results *results, mt_quantity quantity, int order);

#endif
