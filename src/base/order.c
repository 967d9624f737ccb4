#include "base/order.h"

#include <stdlib.h>

/* So few are sorted by insertion */
#define FEW 24

static int compare(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

void mt_order_sort(double *values, size_t n)
{
  if (n > FEW) {
    qsort(values, n, sizeof *values, compare);
    return;
  }
  for (size_t i = 1; i < n; i++) {
    double value = values[i];
    size_t k = i;
    for (; k > 0 && values[k - 1] > value; k--)
      values[k] = values[k - 1];
    values[k] = value;
  }
}

static void swap(double *a, double *b)
{
  double kept = *a;
  *a = *b;
  *b = kept;
}

/* The middle one of the first, the middle and the last, so that ordered values are no worst case. */
static double pivot_of(const double *values, size_t first, size_t last)
{
  double a = values[first], b = values[first + (last - first) / 2], c = values[last];

  if (a > b) {
    double kept = a;
    a = b;
    b = kept;
  }
  return c < a ? a : c > b ? b : c;
}

double mt_order_select(double *values, size_t n, size_t k)
{
  size_t first = 0, last = n - 1;

  while (last - first > FEW) {
    double pivot = pivot_of(values, first, last);
    size_t i = first, j = last;
    /* the pivot is one of the values: neither index runs out of them */
    for (;;) {
      while (values[i] < pivot)
        i++;
      while (values[j] > pivot)
        j--;
      if (i >= j)
        break;
      swap(&values[i++], &values[j--]);
    }
    /* all before i are at most the pivot, all behind j at least it */
    if (k <= j)
      last = j;
    else
      first = j + 1;
  }
  mt_order_sort(values + first, last - first + 1);
  return values[k];
}
