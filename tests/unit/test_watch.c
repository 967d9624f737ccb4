#include "support.h"

#include "analysis/watch.h"
#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define N 960000 /* 20 s, 14 windows */

static double x[N];

static void fill(mt_random *random, double sigma)
{
  for (size_t i = 0; i < N; i++)
    x[i] = sigma * (mt_random_normal(random) + 30.0 * sin(2.0 * MT_PI * 50.0 * (double)i / RATE));
}

static mt_watch watch_all(void)
{
  mt_samples samples = mt_samples_of_array(x, N);
  mt_watch watch;
  mt_error err = {0};
  mt_watch_begin(&watch, N, RATE);
  assert_ok(mt_watch_advance(&watch, &samples, N, &err), err);
  return watch;
}

static void steady_noise_does_nothing(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(101));
  for (double sigma = 1e-2; sigma > 1e-7; sigma /= 10.0) {
    fill(&random, sigma);
    assert_int_equal(watch_all().nevents, 0);
  }
}

/* Noise that swells and fades by 6 dB, ten times in 20 s: as much as steady noise may (recording.c). */
static void noise_that_swells_does_not_click(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(102));
  for (size_t i = 0; i < N; i++)
    x[i] = 1e-3 * mt_random_normal(&random) * pow(10.0, 0.15 * sin(2.0 * MT_PI * 0.5 * (double)i / RATE));
  assert_int_equal(watch_all().nevents, 0);
}

/* Also where two windows overlap (71520 to 72000), and at either end. */
static void each_click_is_told_once(void **state)
{
  static const size_t at[] = {5, 71700, 400000, N - 4};
  mt_random random;
  mt_watch watch;
  (void)state;
  mt_random_init(&random, support_seed(103));
  fill(&random, 1e-4);
  for (size_t k = 0; k < 4; k++)
    x[at[k]] += 0.01;
  watch = watch_all();
  assert_int_equal(watch.nevents, 4);
  for (size_t k = 0; k < 4; k++) {
    assert_int_equal(watch.events[k].kind, MT_WATCH_CLICK);
    assert_int_equal(watch.events[k].begin, at[k]);
    /* half a second difference of the noise: sqrt(6) / 2 sigma, five of them */
    assert_near(watch.events[k].size, 0.01, 5.0 * 1.23e-4, "FS");
  }
}

static void a_moment_of_crackle_is_told_and_steady_buzz_is_not(void **state)
{
  mt_random random;
  mt_watch watch;
  (void)state;
  mt_random_init(&random, support_seed(104));
  fill(&random, 1e-4);
  for (size_t i = 0; i < 20; i++)
    x[300000 + 1500 * i] += 0.01;
  watch = watch_all();
  assert_false(mt_watch_is_crackly(&watch));
  assert_int_equal(watch.nevents, 1);
  assert_int_equal(watch.events[0].kind, MT_WATCH_CRACKLE);
  assert_true(watch.events[0].begin <= 300000 && watch.events[0].end >= 300000 + 1500 * 19);
  for (size_t i = 100; i < N; i += 480)
    x[i] += 0.01;
  watch = watch_all();
  assert_true(mt_watch_is_crackly(&watch));
}

static void standstills_are_found_also_across_windows(void **state)
{
  static const size_t at[] = {71990, 500000};
  mt_random random;
  mt_watch watch;
  (void)state;
  mt_random_init(&random, support_seed(105));
  fill(&random, 1e-4);
  for (size_t k = 0; k < 2; k++)
    for (size_t i = 0; i < 96; i++)
      x[at[k] + i] = x[at[k]];
  watch = watch_all();
  assert_int_equal(watch.nevents, 2);
  for (size_t k = 0; k < 2; k++) {
    assert_int_equal(watch.events[k].kind, MT_WATCH_STILL);
    assert_int_equal(watch.events[k].begin, at[k]);
    assert_int_equal(watch.events[k].end, at[k] + 96);
  }
}

static void more_than_are_listed_are_counted(void **state)
{
  mt_random random;
  mt_watch watch;
  (void)state;
  mt_random_init(&random, support_seed(106));
  fill(&random, 1e-4);
  for (size_t i = 0; i < 28; i++)
    x[20000 + 33000 * i] += 0.01;
  watch = watch_all();
  assert_int_equal(watch.nevents, MT_WATCH_EVENTS_MAX);
  assert_int_equal(watch.nunlisted, 28 - MT_WATCH_EVENTS_MAX);
  assert_int_equal(watch.last, 20000 + 33000 * 27 + 1);
}

static void a_record_too_short_says_so(void **state)
{
  mt_watch watch;
  (void)state;
  mt_watch_begin(&watch, 1000, RATE);
  assert_false(mt_watch_can_tell(&watch));
  mt_watch_begin(&watch, 4800, RATE);
  assert_true(mt_watch_can_tell(&watch));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(steady_noise_does_nothing),
      cmocka_unit_test(noise_that_swells_does_not_click),
      cmocka_unit_test(each_click_is_told_once),
      cmocka_unit_test(a_moment_of_crackle_is_told_and_steady_buzz_is_not),
      cmocka_unit_test(standstills_are_found_also_across_windows),
      cmocka_unit_test(more_than_are_listed_are_counted),
      cmocka_unit_test(a_record_too_short_says_so),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
