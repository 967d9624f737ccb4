#include "support.h"

#include "analysis/joint.h"
#include "base/decibel.h"
#include "base/random.h"

#define N 50000
#define RATE 48000.0

static double x[N], residual[N];

static void add_line(double freq_hz, double amplitude, double phase)
{
  for (size_t i = 0; i < N; i++)
    x[i] += amplitude * cos(2.0 * MT_PI * freq_hz * ((double)i - 0.5 * (N - 1)) / RATE + phase);
}

static void lines_are_told_apart_to_the_last_digits(void **state)
{
  static const double freq_hz[] = {41.3, 7993.7, 7952.4, 8035.0, 7911.1, 23000.5};
  static const double amplitude[] = {0.8, 0.2, 1e-3, 2e-3, 1e-6, 1e-4};
  mt_joint_fit fit = {.nlines = 6};
  mt_error err = {0};
  (void)state;
  memset(x, 0, sizeof x);
  for (size_t i = 0; i < 6; i++) {
    fit.freq_hz[i] = freq_hz[i];
    add_line(freq_hz[i], amplitude[i], 0.3 + (double)i);
  }
  for (size_t i = 0; i < N; i++)
    x[i] += 0.25;
  assert_ok(mt_joint_solve(x, N, RATE, &fit, residual, &err), err);
  /* rounding: 1e-16 of the sum's terms, times the condition of lines 40 periods apart, near 1 */
  for (size_t i = 0; i < 6; i++) {
    assert_near(sqrt(mt_joint_power(&fit, i)), amplitude[i], 1e-12, "FS");
    assert_near(fit.a[i], amplitude[i] * cos(0.3 + (double)i), 1e-12, "FS");
    assert_near(fit.b[i], -amplitude[i] * sin(0.3 + (double)i), 1e-12, "FS");
  }
  assert_near(fit.dc, 0.25, 1e-12, "FS");
  for (size_t i = 0; i < N; i++)
    assert_true(fabs(residual[i]) < 1e-11);
}

/* Hum that is not among the lines, 20 Hz away and 40 dB stronger: Hann's sidelobes leave -88 dB of it. */
static void what_is_not_fitted_hardly_counts(void **state)
{
  mt_joint_fit fit = {.nlines = 2, .freq_hz = {80.0, 11000.0}};
  mt_error err = {0};
  (void)state;
  memset(x, 0, sizeof x);
  add_line(80.0, 1e-5, 1.0);
  add_line(11000.0, 0.1, 0.0);
  add_line(100.0, 1e-3, 2.0);
  assert_ok(mt_joint_solve(x, N, RATE, &fit, residual, &err), err);
  assert_near(sqrt(mt_joint_power(&fit, 0)), 1e-5, 1e-3 * mt_ratio_of_db(-86.0), "FS");
}

/* The noise a line is credited with: density / record times the weight's bandwidth, here by 400 lines of noise. */
static void noise_in_a_line_is_that_of_its_bandwidth(void **state)
{
  mt_random random;
  mt_error err = {0};
  double sum = 0.0, density = 2.0 * 0.01 * 0.01 / (RATE / 2.0);
  (void)state;
  mt_random_init(&random, support_seed(5));
  for (size_t i = 0; i < N; i++)
    x[i] = 0.01 * mt_random_normal(&random);
  for (int k = 0; k < 400; k += 20) {
    mt_joint_fit fit = {.nlines = 20};
    for (int i = 0; i < 20; i++)
      fit.freq_hz[i] = 500.0 + 50.0 * (k + i);
    assert_ok(mt_joint_solve(x, N, RATE, &fit, residual, &err), err);
    for (size_t i = 0; i < 20; i++)
      sum += mt_joint_power(&fit, i) / 400.0;
  }
  /* the mean of 400 exponentials is known to 1/20; five of that */
  assert_near(sum / (MT_JOINT_ENBW * density * RATE / N), 1.0, 0.25, "1");
}

static void clock_is_told_from_the_residual(void **state)
{
  mt_joint_fit fit = {.nlines = 2, .freq_hz = {250.0, 8000.0}};
  mt_error err = {0};
  (void)state;
  memset(x, 0, sizeof x);
  add_line(250.0 * (1.0 + 1e-7), 0.8, 0.1);
  add_line(8000.0 * (1.0 + 1e-7), 0.2, 0.2);
  assert_ok(mt_joint_solve(x, N, RATE, &fit, residual, &err), err);
  /* one step of a problem that is straight to within (1e-7 x 8000 x 1 s)^2 */
  assert_near(mt_joint_stretch(&fit, residual, N, RATE), 1e-7, 1e-10, "1");
}

static void lines_that_are_one_are_refused(void **state)
{
  mt_joint_fit fit = {.nlines = 2, .freq_hz = {1000.0, 1000.1}};
  mt_error err = {0};
  (void)state;
  memset(x, 0, sizeof x);
  assert_int_equal(mt_joint_solve(x, N, RATE, &fit, residual, &err), MT_E_DATA);
  fit.freq_hz[1] = 24000.0;
  assert_int_equal(mt_joint_solve(x, N, RATE, &fit, residual, &err), MT_E_ARG);
  fit.nlines = 0;
  assert_int_equal(mt_joint_solve(x, N, RATE, &fit, residual, &err), MT_E_ARG);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(lines_are_told_apart_to_the_last_digits),
      cmocka_unit_test(what_is_not_fitted_hardly_counts),
      cmocka_unit_test(noise_in_a_line_is_that_of_its_bandwidth),
      cmocka_unit_test(clock_is_told_from_the_residual),
      cmocka_unit_test(lines_that_are_one_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
