/* The stepped tone through units whose gain, clipping and dead zone are known in closed form. */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

/*
 * Sine of peak A clipped at +-c A, theta = asin c: fundamental (2/pi)(theta + c cos theta) A and mean square
 * [theta - c cos theta + c^2 (pi - 2 theta)] / pi A^2: Fourier series of the clipped sine, any textbook.
 */
static double clipped_fundamental(double c)
{
  return 2.0 / MT_PI * (asin(c) + c * cos(asin(c)));
}

static double clipped_thd_r(double c)
{
  double theta = asin(c), b1 = clipped_fundamental(c);
  double mean_square = (theta - c * cos(theta) + c * c * (MT_PI - 2.0 * theta)) / MT_PI;
  return sqrt(1.0 - 0.5 * b1 * b1 / mean_square);
}

/* Level of the fundamental, dB re the clipping peak, at which a hard clip makes that THD. */
static double clipped_level_db(double thd)
{
  double low = 0.5, high = 1.0 - 1e-9;
  for (int i = 0; i < 100; i++) {
    double middle = 0.5 * (low + high);
    if (clipped_thd_r(middle) > thd)
      low = middle;
    else
      high = middle;
  }
  return mt_db_of_ratio(clipped_fundamental(low) / low);
}

/* Worked out beforehand from the same series, and by quadrature: 1.923658 % at c = 0.95, 0.286176 % at 0.99. */
static void closed_form_is_the_published_one(void **state)
{
  (void)state;
  assert_near(100.0 * clipped_thd_r(0.95), 1.923658, 1e-6, "%");
  assert_near(100.0 * clipped_thd_r(0.99), 0.286176, 1e-6, "%");
  assert_near(clipped_fundamental(0.8), 0.895912, 1e-6, "1");
}

static void maximum_level_of_a_clip_is_that_of_its_closed_form(void **state)
{
  static const double clips[] = {0.3, 0.41, 0.5, 0.56, 0.63, 0.7};
  (void)state;
  for (size_t i = 0; i < sizeof clips / sizeof clips[0]; i++) {
    mt_simulated_unit unit;
    mt_results *results;
    double truth = mt_db_of_ratio(clips[i]) + clipped_level_db(0.01);
    mt_simulate_init(&unit);
    unit.seed = support_seed(21);
    unit.clock_offset_ppm = 80.0;
    for (int c = 0; c < 2; c++) {
      unit.channel[c].clip = clips[i];
      unit.channel[c].noise_dbfs = -95.0;
      unit.channel[c].gain_db = c == 0 ? 0.0 : -1.5;
    }
    results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -0.1);
    assert_non_null(results);
    for (int c = 0; c < 2; c++) {
      const mt_reading *r = unit_bench_find(results, MT_Q_MAX_LEVEL, c, "levels");
      assert_int_equal(r->validity, MT_VALID);
      /* between steps 1 dB apart: the clip is what is tried, only what it costs in gain is not known to 0.03 dB */
      assert_true(fabs(r->value - truth) <= r->uncertainty);
      assert_near(r->value, truth, 0.05, "dBFS");
      assert_true(r->uncertainty <= 0.3);
    }
    mt_results_destroy(&results);
  }
}

static void what_does_not_distort_has_no_maximum_level(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  mt_simulate_init(&unit);
  unit.seed = support_seed(22);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -90.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -3.0);
  assert_non_null(results);
  for (int c = 0; c < 2; c++) {
    const mt_reading *r = unit_bench_find(results, MT_Q_MAX_LEVEL, c, "levels");
    assert_int_equal(r->validity, MT_NOT_MEASURED);
    assert_non_null(strstr(r->why, "not reached up to -3.00 dBFS"));
  }
  assert_int_equal(results->nfindings, 0);
  mt_results_destroy(&results);
}

/* A dead zone distorts low levels, not high ones: the maximum is looked for from the top. */
static void dead_zone_is_no_maximum_level(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++) {
    unit.channel[c].dead_zone = 0.001;
    unit.channel[c].clip = 0.5;
  }
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -0.1);
  assert_non_null(results);
  assert_near(unit_bench_find(results, MT_Q_MAX_LEVEL, 0, "levels")->value,
              mt_db_of_ratio(0.5) + clipped_level_db(0.01), 0.2, "dBFS");
  mt_results_destroy(&results);
}

static const mt_curve *find_curve(const mt_results *results, mt_quantity quantity, mt_channel channel)
{
  for (size_t i = 0; i < results->ncurves; i++)
    if (results->curves[i].quantity == quantity && results->curves[i].channel == channel &&
        results->curves[i].x_unit == MT_UNIT_DBFS)
      return &results->curves[i];
  fail_msg("no such curve over level");
  return NULL;
}

/* y = x + a3 x^3: gain 1 + 3/4 a3 A^2, any textbook. */
static void linearity_is_that_of_a_cubic(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  double reference = 1.0 + 0.75 * 0.1 * 0.01;
  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++)
    unit.channel[c].poly[2] = 0.1;
  unit.clock_offset_ppm = -500.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -1.0);
  assert_non_null(results);
  for (int c = 0; c < 2; c++) {
    const mt_curve *curve = find_curve(results, MT_Q_LINEARITY, c);
    assert_int_equal(curve->validity, MT_VALID);
    assert_int_equal(curve->npoints, MT_STEPS);
    for (size_t i = 0; i < curve->npoints; i++) {
      double a = mt_ratio_of_db(curve->x[i]);
      /* float samples at -81 dBFS: rounding of 24 bits of the sample itself, far below 0.001 dB */
      assert_near(curve->y[i], mt_db_of_ratio((1.0 + 0.075 * a * a) / reference), 0.001, "dB");
    }
  }
  mt_results_destroy(&results);
}

/* White noise of -80 dBFS in 24 kHz is -80.79 in 20 kHz; the tone itself belongs to the total. */
static void thd_n_over_level_is_the_noise_below_the_tone(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  const mt_curve *curve;
  double in_band = mt_power_of_db(-80.0) * 19980.0 / 24000.0;
  int misses = 0;
  (void)state;
  mt_simulate_init(&unit);
  unit.seed = support_seed(23);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -80.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -3.0);
  assert_non_null(results);
  curve = find_curve(results, MT_Q_THD_N, 0);
  assert_true(curve->npoints >= MT_STEPS - 1);
  for (size_t i = 0; i < curve->npoints; i++) {
    double truth = mt_db_of_power(in_band / (in_band + mt_power_of_db(curve->x[i])));
    misses += fabs(curve->y[i] - truth) > curve->uncertainty[i];
    assert_near(curve->y[i], truth, 1.0, "dB");
  }
  /* two errors: one in 20; of 36 more than 6 in one of 200 */
  assert_true(misses <= 6);
  mt_results_destroy(&results);
}

static const mt_finding *find_finding(const mt_results *results, mt_channel channel)
{
  for (size_t i = 0; i < results->nfindings; i++)
    if (results->findings[i].channel == channel && strncmp(results->findings[i].id, "clips-", 6) == 0)
      return &results->findings[i];
  return NULL;
}

/* y = x - a2 x^2 bends the positive half down: it is the lower one at the maximum level. */
static void half_that_clips_first_is_told(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  mt_simulate_init(&unit);
  unit.seed = support_seed(24);
  unit.channel[0].poly[1] = -0.05;
  unit.channel[1].poly[1] = 0.05;
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -90.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -3.0);
  assert_non_null(results);
  assert_string_equal(find_finding(results, 0)->id, "clips-positive-first");
  assert_string_equal(find_finding(results, 1)->id, "clips-negative-first");
  /* THD re the total of a pure second harmonic, a2 A / 2: 1 % at A = 0.4 */
  assert_near(unit_bench_find(results, MT_Q_MAX_LEVEL, 0, "levels")->value, mt_db_of_ratio(0.4), 0.02,
              "dBFS");
  mt_results_destroy(&results);
  mt_simulate_init(&unit);
  unit.channel[0].clip = unit.channel[1].clip = 0.5;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -3.0);
  assert_string_equal(find_finding(results, 0)->id, "clips-evenly");
  mt_results_destroy(&results);
}

/* The recorder's own clipping is not the unit's: what it spoils is left out, and said. */
static void clipped_capture_ends_the_search(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  const mt_reading *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].gain_db = unit.channel[1].gain_db = 6.0;
  unit.channel[0].clip = unit.channel[1].clip = 1.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -1.0);
  assert_non_null(results);
  r = unit_bench_find(results, MT_Q_MAX_LEVEL, 0, "levels");
  assert_int_equal(r->validity, MT_CLIPPED);
  assert_non_null(strstr(r->why, "not reached up to"));
  assert_int_equal(find_curve(results, MT_Q_LINEARITY, 0)->validity, MT_VALID);
  mt_results_destroy(&results);
}

/* A recording of steps played up to another level than is believed: no curve is drawn at wrong levels. */
static void steps_at_other_levels_than_believed_are_refused(void **state)
{
  mt_simulated_unit unit;
  mt_stimulus played, believed;
  mt_results *results = NULL;
  mt_location location;
  mt_marks_found found;
  mt_take *take;
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  take = unit_bench_take_extras(&unit, 48000.0, -20.0, MT_EXTRA_LEVELS, -6.0, &played);
  assert_ok(mt_stimulus_init(48000.0, -20.0, MT_EXTRA_LEVELS, (double)NAN, &believed, &err), err);
  assert_ok(mt_capture_locate(take, &believed, &found, &location, &err), err);
  assert_int_equal(found, MT_MARKS_BOTH);
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_stimulus(take, &believed, &location, "", results, &err), err);
  assert_int_equal(find_curve(results, MT_Q_LINEARITY, 0)->validity, MT_NOT_MEASURED);
  assert_non_null(strstr(find_curve(results, MT_Q_THD_N, 0)->why, "14.0 dB off"));
  mt_results_destroy(&results);
  mt_take_destroy(&take);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(closed_form_is_the_published_one),
      cmocka_unit_test(maximum_level_of_a_clip_is_that_of_its_closed_form),
      cmocka_unit_test(what_does_not_distort_has_no_maximum_level),
      cmocka_unit_test(dead_zone_is_no_maximum_level),
      cmocka_unit_test(linearity_is_that_of_a_cubic),
      cmocka_unit_test(thd_n_over_level_is_the_noise_below_the_tone),
      cmocka_unit_test(half_that_clips_first_is_told),
      cmocka_unit_test(clipped_capture_ends_the_search),
      cmocka_unit_test(steps_at_other_levels_than_believed_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
