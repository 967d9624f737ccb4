#include "support.h"

#include "analysis/gap.h"
#include "base/random.h"

#define N 60000

static void noise_of_any_coarseness_has_no_gap(void **state)
{
  static double x[N];
  mt_random random;
  size_t begin, count;
  (void)state;
  mt_random_init(&random, support_seed(11));
  /* from 100 steps of the converter down to a quarter of one: rests on 0 for long */
  for (double sigma = 100.0; sigma > 0.2; sigma /= 1.5) {
    for (size_t i = 0; i < N; i++)
      x[i] = rint(sigma * mt_random_normal(&random));
    assert_false(mt_gap_find(x, N, 48, &begin, &count));
  }
}

static void a_muted_millisecond_is_found(void **state)
{
  static double x[N];
  mt_random random;
  size_t begin = 0, count = 0;
  (void)state;
  mt_random_init(&random, support_seed(12));
  for (size_t i = 0; i < N; i++)
    x[i] = rint(2.0 * mt_random_normal(&random));
  for (size_t i = 30000; i < 30048; i++)
    x[i] = 0.0;
  assert_true(mt_gap_find(x, N, 48, &begin, &count));
  assert_true(begin <= 30000 && begin > 29990 && count >= 48 && count < 60);
}

static void digital_silence_is_not_a_gap(void **state)
{
  static double x[N];
  size_t begin, count;
  (void)state;
  memset(x, 0, sizeof x);
  assert_false(mt_gap_find(x, N, 48, &begin, &count));
  assert_false(mt_gap_find(x, 1, 48, &begin, &count));
  assert_false(mt_gap_find(x, 0, 48, &begin, &count));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(noise_of_any_coarseness_has_no_gap),
      cmocka_unit_test(a_muted_millisecond_is_found),
      cmocka_unit_test(digital_silence_is_not_a_gap),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
