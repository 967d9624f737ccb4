#include "support.h"

#include "base/order.h"
#include "base/random.h"

#include <stdlib.h>
#include <string.h>

#define LONGEST 400

static int compare(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Noise, noise on a coarse grid (many alike), ascending, descending and all alike. */
static void fill(mt_random *random, int kind, double *values, size_t n)
{
  for (size_t i = 0; i < n; i++)
    values[i] = kind == 0   ? mt_random_normal(random)
                : kind == 1 ? (double)(int)(3.0 * mt_random_normal(random))
                : kind == 2 ? (double)i
                : kind == 3 ? -(double)i
                            : 7.0;
}

static void sorting_and_selecting_agree_with_qsort(void **state)
{
  double given[LONGEST], sorted[LONGEST], work[LONGEST];
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(3));
  for (size_t n = 1; n <= LONGEST; n += n < 60 ? 1 : 37)
    for (int kind = 0; kind < 5; kind++) {
      fill(&random, kind, given, n);
      memcpy(sorted, given, n * sizeof *sorted);
      qsort(sorted, n, sizeof *sorted, compare);
      memcpy(work, given, n * sizeof *work);
      mt_order_sort(work, n);
      assert_memory_equal(work, sorted, n * sizeof *work);
      for (size_t k = 0; k < n; k += 1 + n / 9) {
        memcpy(work, given, n * sizeof *work);
        /* the very same number: nothing is computed */
        assert_true(mt_order_select(work, n, k) == sorted[k]);
      }
    }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sorting_and_selecting_agree_with_qsort),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
