/* Four at a time against one after the other. */
#include "base/wide.h"

#include "base/random.h"
#include "support.h"

#include <math.h>

#define N 77

static void energy_and_peak_of_any_length_and_place(void **state)
{
  double x[N + 8];
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(2));
  for (size_t i = 0; i < N + 8; i++)
    x[i] = mt_random_normal(&random);
  for (size_t first = 0; first < 8; first++)
    for (size_t n = 0; n <= N; n++) {
      double energy = 0.0, peak = 0.0;
      for (size_t i = first; i < first + n; i++) {
        energy += (x[i] - 0.3) * (x[i] - 0.3);
        peak = fmax(peak, fabs(x[i]));
      }
      assert_near(mt_wide_energy(x + first, n, 0.3), energy, 1e-13 * energy, "");
      assert_near(mt_wide_peak(x + first, n), peak, 0.0, "");
    }
  x[3] = NAN;
  x[5] = -INFINITY;
  assert_true(isinf(mt_wide_peak(x, N)) && isfinite(mt_wide_peak(x, 5)));
}

static void a_sum_of_any_length_and_place_is_the_sum(void **state)
{
  double x[N + 8], most = 0.0;
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(1));
  for (size_t i = 0; i < N + 8; i++) {
    x[i] = mt_random_normal(&random);
    most = fmax(most, fabs(x[i]));
  }
  for (size_t first = 0; first < 8; first++)
    for (size_t n = 0; n <= N; n++) {
      double slow = 0.0, sum;
      for (size_t i = 0; i < n; i++)
        slow += x[first + i];
      assert_true(mt_wide_sum(x + first, n, most, &sum));
      assert_near(sum, slow, 1e-13, "");
    }
}

static void one_that_is_too_great_or_no_number_is_seen_anywhere(void **state)
{
  const double bad[] = {2.0000001, -2.0000001, INFINITY, -INFINITY, NAN};

  (void)state;
  for (size_t b = 0; b < sizeof bad / sizeof bad[0]; b++)
    for (size_t at = 0; at < N; at++) {
      double x[N] = {0.0}, sum;
      x[(at + 5) % N] = 2.0;
      x[(at + 6) % N] = -2.0;
      assert_true(mt_wide_sum(x, N, 2.0, &sum));
      x[at] = bad[b];
      assert_false(mt_wide_sum(x, N, 2.0, &sum));
    }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(energy_and_peak_of_any_length_and_place),
      cmocka_unit_test(a_sum_of_any_length_and_place_is_the_sum),
      cmocka_unit_test(one_that_is_too_great_or_no_number_is_seen_anywhere),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
