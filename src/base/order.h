/** @file order.h  Order statistics of finite numbers, without a call for each comparison. */
#ifndef BASE_ORDER_H
#define BASE_ORDER_H

#include <stddef.h>

/** Put values[n] in ascending order. */
void mt_order_sort(double *values, size_t n);

/**
 * The k-th smallest of values[n], k from 0: what values[k] would be after sorting. Moves the values about: none
 * before k is greater then, none behind it smaller.
 *
 * Cost: O(n) on average (Hoare 1961).
 */
double mt_order_select(double *values, size_t n, size_t k);

#endif
