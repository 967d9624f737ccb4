#include "support.h"
#include "unit_bench.h"

#include "analysis/spurious.h"
#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define FRAMES 60000 /* as long as the idle part of the stimulus */

static mt_psd density_of(const double *x)
{
  mt_psd psd;
  mt_error err = {0};
  assert_ok(mt_psd_estimate(x, FRAMES, RATE, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, &err), err);
  return psd;
}

/* White, or falling by 10 dB a decade from there on down (a pole at 300 Hz and a zero at 3 kHz, twice). */
static void fill_noise(mt_random *random, double sigma, bool coloured, double *x)
{
  double slow = 0.0, a = exp(-2.0 * MT_PI * 300.0 / RATE);
  for (size_t i = 0; i < FRAMES; i++) {
    double white = sigma * mt_random_normal(random);
    slow = a * slow + (1.0 - a) * white;
    x[i] = coloured ? white + 10.0 * slow : white;
  }
}

static void add_line(double *x, double freq_hz, double level_dbfs)
{
  for (size_t i = 0; i < FRAMES; i++)
    x[i] += mt_ratio_of_db(level_dbfs) * sin(2.0 * MT_PI * freq_hz * (double)i / RATE + 0.7);
}

static void noise_alone_gives_a_false_line_about_once_in_a_thousand(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_random random;
  size_t alarms = 0;
  (void)state;
  mt_random_init(&random, support_seed(21));
  for (int k = 0; k < 400; k++) {
    mt_spurious found;
    mt_psd psd;
    fill_noise(&random, 1e-4, k % 2 == 1, x);
    psd = density_of(x);
    mt_spurious_find(&psd, &mask, &found);
    alarms += found.count;
    mt_psd_finish(&psd);
  }
  print_message("%zu false lines in 400 densities\n", alarms);
  /* 0.4 are expected; of a Poisson distribution with that mean, more than 4 come once in 16000 runs */
  assert_true(alarms <= 4);
}

/* At the place asked for, to the noise of its own lobe; between bins as on them. */
static void lines_are_found_where_and_as_strong_as_they_are(void **state)
{
  static const double freqs_hz[] = {62.5, 1234.5678, 3333.25, 8000.0, 15734.0, 21000.9};
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(22));
  for (size_t k = 0; k < sizeof freqs_hz / sizeof freqs_hz[0]; k++) {
    mt_spurious found;
    mt_psd psd;
    fill_noise(&random, mt_ratio_of_db(-100.0) / sqrt(2.0), false, x);
    add_line(x, freqs_hz[k], -112.0); /* the noise of its 5 Hz: -136.8 dBFS */
    psd = density_of(x);
    mt_spurious_find(&psd, &mask, &found);
    assert_int_equal(found.count, 1);
    assert_near(found.lines[0].freq_hz, freqs_hz[k], 0.25, "Hz");
    /* a line 25 dB above the noise of its bandwidth, 4 independent spectra: sigma 0.35 dB */
    assert_near(mt_db_of_power(found.lines[0].power), -112.0, 1.2, "dBFS");
    assert_true(fabs(found.lines[0].power - mt_power_of_db(-112.0)) < 4.0 * found.lines[0].standard_error);
    mt_psd_finish(&psd);
  }
}

/* The standard error is what the powers of many such lines spread by, and they centre on the truth. */
static void the_stated_error_is_the_spread(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  double sum = 0.0, squares = 0.0, stated = 0.0, truth = mt_power_of_db(-115.0);
  const int runs = 120;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(23));
  for (int k = 0; k < runs; k++) {
    mt_spurious found;
    mt_psd psd;
    fill_noise(&random, mt_ratio_of_db(-100.0) / sqrt(2.0), false, x);
    add_line(x, 5000.0 + 0.013 * k, -115.0);
    psd = density_of(x);
    mt_spurious_find(&psd, &mask, &found);
    assert_true(found.count >= 1);
    sum += found.lines[0].power / truth;
    squares += pow(found.lines[0].power / truth, 2.0);
    stated += found.lines[0].standard_error / truth;
    mt_psd_finish(&psd);
  }
  {
    double mean = sum / runs, spread = sqrt(squares / runs - mean * mean);
    print_message("mean %.4f, spread %.4f, stated %.4f\n", mean, spread, stated / runs);
    /* the mean of them: to its spread over their root, four times that allowed */
    assert_near(mean, 1.0, 4.0 * spread / sqrt(runs), "");
    /* an estimate of a spread from 120 is good to 6.5 %: three times that */
    assert_between(stated / runs / spread, 0.8, 1.25, "");
  }
}

static void five_strongest_come_strongest_first(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_spurious found;
  mt_psd psd;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(24));
  fill_noise(&random, 1e-6, false, x);
  for (int k = 0; k < 8; k++)
    add_line(x, 1500.0 + 1777.0 * k, -60.0 - 3.0 * ((k * 3) % 8));
  psd = density_of(x);
  mt_spurious_find(&psd, &mask, &found);
  assert_int_equal(found.count, MT_SPURIOUS_MAX);
  for (int i = 0; i < MT_SPURIOUS_MAX; i++)
    /* 60 dB above the noise: the densities' own averaging, below 0.05 dB */
    assert_near(mt_db_of_power(found.lines[i].power), -60.0 - 3.0 * i, 0.1, "dBFS");
  mt_psd_finish(&psd);
}

static void what_belongs_to_tone_or_mains_is_passed_over(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {.tone_hz = 997.0, .mains_hz = 50.02};
  mt_spurious found;
  mt_psd psd;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(25));
  fill_noise(&random, 1e-6, false, x);
  for (int k = 1; k <= 24; k++)
    add_line(x, 997.0 * k, -70.0 - k);
  add_line(x, 48000.0 - 29.0 * 997.0, -90.0); /* order 29 folds back to 19087 Hz */
  for (int k = 1; k <= 20; k++)
    add_line(x, 50.02 * k, -80.0 - k);
  psd = density_of(x);
  mt_spurious_find(&psd, &mask, &found);
  if (found.count > 0)
    print_error("%g Hz\n", found.lines[0].freq_hz);
  assert_int_equal(found.count, 0);
  mt_psd_finish(&psd);
}

/* Mains of exactly 50 Hz has 1 kHz as its order 20; only the company it keeps tells the two apart. */
static void a_frame_line_is_not_taken_for_mains(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {.mains_hz = 50.0};
  mt_spurious found;
  mt_psd psd;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(26));
  fill_noise(&random, 1e-6, false, x);
  for (int k = 1; k <= 5; k++)
    add_line(x, 50.0 * k, -80.0);
  add_line(x, 1000.0, -90.0);
  psd = density_of(x);
  mt_spurious_find(&psd, &mask, &found);
  assert_int_equal(found.count, 1);
  assert_near(found.lines[0].freq_hz, 1000.0, 0.1, "Hz");
  mt_psd_finish(&psd);
}

static void a_hump_is_not_a_line(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_spurious found;
  mt_psd psd;
  mt_random random;
  double s1 = 0.0, s2 = 0.0, r = exp(-MT_PI * 40.0 / RATE);
  (void)state;
  mt_random_init(&random, support_seed(27));
  fill_noise(&random, 1e-6, false, x);
  for (size_t i = 0; i < FRAMES; i++) { /* a resonance 40 Hz wide at 3 kHz, 40 dB above the noise */
    double y =
        1e-6 * mt_random_normal(&random) + 2.0 * r * cos(2.0 * MT_PI * 3000.0 / RATE) * s1 - r * r * s2;
    s2 = s1;
    s1 = y;
    x[i] += 1e-1 * y;
  }
  psd = density_of(x);
  mt_spurious_find(&psd, &mask, &found);
  assert_int_equal(found.count, 0);
  mt_psd_finish(&psd);
}

static void silence_has_no_lines_and_no_bound_above_it(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_spurious found;
  mt_psd psd;
  (void)state;
  memset(x, 0, sizeof x);
  psd = density_of(x);
  mt_spurious_find(&psd, &mask, &found);
  assert_int_equal(found.count, 0);
  assert_true(found.bound == 0.0);
  mt_psd_finish(&psd);
}

/* A line of the bound's power is found; the bound is not far above what is found at all. */
static void what_the_bound_rules_out_would_have_been_found(void **state)
{
  static double x[FRAMES];
  const mt_spurious_mask mask = {0};
  mt_random random;
  int hits = 0;
  (void)state;
  mt_random_init(&random, support_seed(28));
  for (int k = 0; k < 40; k++) {
    mt_spurious found;
    mt_psd psd;
    double bound_db;
    fill_noise(&random, 1e-5, false, x);
    psd = density_of(x);
    mt_spurious_find(&psd, &mask, &found);
    bound_db = mt_db_of_power(found.bound);
    mt_psd_finish(&psd);
    add_line(x, 2000.0 + 100.37 * k, bound_db);
    psd = density_of(x);
    mt_spurious_find(&psd, &mask, &found);
    hits += found.count > 0;
    mt_psd_finish(&psd);
  }
  print_message("%d of 40 lines at the bound found\n", hits);
  assert_true(hits >= 38);
}

/* From the samples to the readings, idle and beside the tone, hum with its orders. */
static void a_take_with_lines_says_which(void **state)
{
  mt_simulated_unit unit;
  mt_stimulus stimulus;
  mt_take *take;
  mt_results *r;
  int lines = 0, beside = 0, orders = 0;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.channel[0].hum_dbfs = -70.0;
  unit.hum_hz = 60.0;
  take = unit_bench_take(&unit, RATE, -20.0, &stimulus);
  for (size_t i = 0; i < take->nframes; i++)
    take->samples[2 * i] += (float)(mt_ratio_of_db(-85.0) * sin(2.0 * MT_PI * 8000.0 * (double)i / RATE));
  r = unit_bench_read(take, &stimulus);
  assert_non_null(r);
  for (size_t i = 0; i < r->nreadings; i++) {
    const mt_reading *m = &r->readings[i];
    if (m->quantity == MT_Q_SPURIOUS && m->channel == MT_LEFT) {
      assert_int_equal(m->validity, MT_VALID);
      assert_near(m->freq_hz, 8000.0, 0.2, "Hz");
      assert_near(m->value, -85.0, 0.3, "dBFS");
      lines += strcmp(m->segment, "idle") == 0;
      beside += strcmp(m->segment, "both") == 0;
    }
    if (m->quantity == MT_Q_SPURIOUS && m->channel == MT_RIGHT) {
      /* noise of 5 Hz at -131.8 dBFS; some 7 dB for the rarest of 10^4 bins, 2 for the median, 3 for sure */
      assert_int_equal(m->validity, MT_RIG_LIMITED);
      assert_between(m->value, -126.0, -114.0, "dBFS");
    }
    if (m->quantity == MT_Q_HUM_LINE) {
      assert_int_equal(m->channel, MT_LEFT);
      assert_true(m->order >= 1 && m->order <= 5);
      assert_near(m->mains_hz, 60.0, 0.0, "Hz");
      assert_near(m->freq_hz, 60.0 * m->order, 0.2 * m->order, "Hz");
      /* each order 10 dB below the one before; the lowest is 20 dB above the noise of its bin */
      assert_near(m->value, -70.0 - 10.0 * (m->order - 1), m->order < 5 ? 0.7 : 1.5, "dBFS");
      orders++;
    }
  }
  assert_int_equal(lines, 1);
  assert_int_equal(beside, 1);
  assert_true(orders >= 4);
  mt_results_destroy(&r);
  mt_take_destroy(&take);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(noise_alone_gives_a_false_line_about_once_in_a_thousand),
      cmocka_unit_test(lines_are_found_where_and_as_strong_as_they_are),
      cmocka_unit_test(the_stated_error_is_the_spread),
      cmocka_unit_test(five_strongest_come_strongest_first),
      cmocka_unit_test(what_belongs_to_tone_or_mains_is_passed_over),
      cmocka_unit_test(a_frame_line_is_not_taken_for_mains),
      cmocka_unit_test(a_hump_is_not_a_line),
      cmocka_unit_test(silence_has_no_lines_and_no_bound_above_it),
      cmocka_unit_test(what_the_bound_rules_out_would_have_been_found),
      cmocka_unit_test(a_take_with_lines_says_which),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
