#include "support.h"

#include "analysis/click.h"
#include "base/decibel.h"
#include "base/random.h"

#define N 72000
#define RATE 48000.0

static double x[N];

/* Noise of a deviation, with hum, DC and rumble a hundred times larger, in steps of `step` if that is not 0. */
static void fill(mt_random *random, double sigma, double step)
{
  for (size_t i = 0; i < N; i++) {
    double t = (double)i / RATE;
    x[i] = sigma * (mt_random_normal(random) + 100.0 + 100.0 * sin(2.0 * MT_PI * 50.0 * t) +
                    100.0 * sin(2.0 * MT_PI * 7.0 * t));
    if (step > 0.0)
      x[i] = step * rint(x[i] / step);
  }
}

static void noise_hum_and_dc_of_any_coarseness_do_not_click(void **state)
{
  mt_random random;
  mt_click clicks[MT_CLICKS_MAX];
  (void)state;
  mt_random_init(&random, support_seed(51));
  for (int i = 0; i < 40; i++) {
    double sigma = 1e-2 * pow(10.0, -0.1 * i); /* -40 ... -120 dBFS */
    fill(&random, sigma, i % 2 == 0 ? 0.0 : 1.0 / 32768.0);
    assert_int_equal(mt_click_find(x, N, RATE, clicks), 0);
  }
  /* a converter whose last digit flips now and then */
  for (size_t i = 0; i < N; i++)
    x[i] = mt_random_uniform(&random) < 0.001 ? 1.0 / 32768.0 : 0.0;
  assert_int_equal(mt_click_find(x, N, RATE, clicks), 0);
}

static void one_wrong_sample_is_found_where_it_is(void **state)
{
  static const size_t at[] = {1, 700, N / 2, N - 3};
  mt_random random;
  mt_click clicks[MT_CLICKS_MAX];
  (void)state;
  mt_random_init(&random, support_seed(52));
  for (size_t k = 0; k < sizeof at / sizeof at[0]; k++) {
    fill(&random, 1e-5, 0.0);
    x[at[k]] -= 0.01;
    assert_int_equal(mt_click_find(x, N, RATE, clicks), 1);
    assert_int_equal(clicks[0].at, at[k]);
    /* within the deviations of the noise */
    assert_near(clicks[0].size, 0.01, 1e-4, "FS");
  }
}

static void buzz_is_noise_and_no_clicks(void **state)
{
  mt_random random;
  mt_click clicks[MT_CLICKS_MAX];
  (void)state;
  mt_random_init(&random, support_seed(53));
  fill(&random, 1e-5, 0.0);
  for (size_t i = 100; i < N; i += 480) /* a rectifier's spikes, 100 a second */
    x[i] += 0.01;
  assert_int_equal(mt_click_find(x, N, RATE, clicks), 0);
}

static void silence_and_short_records_do_not_click(void **state)
{
  mt_click clicks[MT_CLICKS_MAX];
  (void)state;
  memset(x, 0, sizeof x);
  assert_int_equal(mt_click_find(x, N, RATE, clicks), 0);
  x[500] = 0.5;
  assert_int_equal(mt_click_find(x, 1000, RATE, clicks), 0);
  assert_int_equal(mt_click_find(x, N, RATE, clicks), 1);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(noise_hum_and_dc_of_any_coarseness_do_not_click),
      cmocka_unit_test(one_wrong_sample_is_found_where_it_is),
      cmocka_unit_test(buzz_is_noise_and_no_clicks),
      cmocka_unit_test(silence_and_short_records_do_not_click),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
