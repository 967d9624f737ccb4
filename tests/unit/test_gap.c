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

/* The quick look at one channel of a pair tells the same as all its neighbours compared. */
static void a_quick_look_overlooks_no_run(void **state)
{
  enum { LENGTH = 200, LEAST = 12 };
  float x[2 * LENGTH];
  mt_random random;
  size_t possible = 0;
  (void)state;
  mt_random_init(&random, support_seed(13));
  for (size_t trial = 0; trial < 4000; trial++) {
    size_t longest = 1, run = 1, n = trial % LENGTH;
    for (size_t i = 0; i < 2 * LENGTH; i++)
      x[i] = (float)rint(0.5 * mt_random_normal(&random));
    for (size_t i = 1; i < n; i++) {
      run = fabs((double)x[2 * i] - (double)x[2 * i - 2]) > 0.0 ? 1 : run + 1;
      longest = run > longest ? run : longest;
    }
    assert_int_equal(mt_gap_is_possible(x, 2, n, LEAST), n > 0 && longest >= LEAST);
    possible += longest >= LEAST;
  }
  assert_true(possible > 400 && possible < 3600);
}

/* Noise beside hum a hundred times as strong, in steps of a converter of 24 or 16 bits with dither. */
static void fill(mt_random *random, double sigma, double steps, double *x)
{
  for (size_t i = 0; i < N; i++)
    x[i] = sigma *
           (mt_random_normal(random) + 100.0 * sin(2.0 * 3.141592653589793 * 50.0 * (double)i / 48000.0));
  for (size_t i = 0; i < N && steps > 0.0; i++)
    x[i] = rint(x[i] * steps + mt_random_triangular(random)) / steps;
}

static void noise_is_never_hushed(void **state)
{
  static double x[N];
  mt_random random;
  size_t begin, count;
  (void)state;
  mt_random_init(&random, support_seed(13));
  for (int i = 0; i < 60; i++) {
    fill(&random, 1e-3 * pow(10.0, -0.1 * i), i % 3 == 0 ? 0.0 : i % 3 == 1 ? 0x1p23 : 0x1p15, x);
    assert_false(mt_gap_find_hush(x, N, 48, &begin, &count));
  }
  /* two whines that beat, as loud as the noise of a converter lets them: many quiet moments, none of them a mute */
  for (size_t i = 0; i < N; i++)
    x[i] = 1e-3 * (sin(0.9 * (double)i) + sin(0.9007 * (double)i)) + 1e-7 * mt_random_normal(&random);
  assert_false(mt_gap_find_hush(x, N, 48, &begin, &count));
  memset(x, 0, sizeof x);
  assert_false(mt_gap_find_hush(x, N, 48, &begin, &count));
  assert_false(mt_gap_find_hush(x, 100, 48, &begin, &count));
}

static void a_mute_before_the_converter_is_found(void **state)
{
  static const size_t frames[] = {48, 100, 4800};
  static double x[N];
  mt_random random;
  size_t begin = 0, count = 0;
  (void)state;
  mt_random_init(&random, support_seed(14));
  for (size_t k = 0; k < sizeof frames / sizeof frames[0]; k++)
    for (size_t shift = 0; shift < 24; shift++) {
      size_t at = 30000 + shift;
      fill(&random, 1e-5, 0.0, x);
      for (size_t i = at; i < at + frames[k]; i++)
        x[i] = rint(mt_random_triangular(&random)) / 0x1p23;
      assert_true(mt_gap_find_hush(x, N, 48, &begin, &count));
      /* to half a block */
      assert_true(begin + 1 >= at && begin <= at + 24);
      assert_true(begin + count <= at + frames[k] + 1 && begin + count + 24 >= at + frames[k]);
    }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(noise_of_any_coarseness_has_no_gap),
      cmocka_unit_test(a_muted_millisecond_is_found),
      cmocka_unit_test(digital_silence_is_not_a_gap),
      cmocka_unit_test(noise_is_never_hushed),
      cmocka_unit_test(a_quick_look_overlooks_no_run),
      cmocka_unit_test(a_mute_before_the_converter_is_found),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
