/* The whole arrow on simulated units whose truth is known. */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"

#define RATE 48000.0
#define LEVEL (-20.0)

static void a_wire_reads_as_a_wire(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  r = unit_bench_results(&unit, RATE, LEVEL);
  for (int c = 0; c < 2; c++) {
    const mt_reading *reading;
    assert_reading(r, MT_Q_FREQUENCY, c, "both", 997.0, 1e-6);
    /* float samples and double sums: 0.0001 dB asked for */
    assert_reading(r, MT_Q_LEVEL, c, "both", LEVEL, 1e-4);
    assert_reading(r, MT_Q_GAIN, c, "both", 0.0, 1e-4);
    assert_reading(r, MT_Q_LEVEL, c, "low", LEVEL - 60.0, 1e-3);
    assert_reading(r, MT_Q_POLARITY, c, NULL, 1.0, 0.0);
    assert_reading(r, MT_Q_ROUTE, c, NULL, c == 0 ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT, 0.0);
    assert_reading(r, MT_Q_DC, c, "idle", 0.0, 1e-9);
    /* nothing but the rounding of float samples: 153.7 dB below a full-scale tone's own rounding */
    reading = unit_bench_find(r, MT_Q_THD_N, c, "both");
    assert_true(reading->validity == MT_VALID && reading->value <= -150.0);
    assert_true(unit_bench_find(r, MT_Q_NOISE, c, "idle")->validity == MT_RIG_LIMITED);
    assert_true(unit_bench_find(r, MT_Q_CROSSTALK, c, NULL)->value < -150.0);
  }
  assert_reading(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.0, 1e-6);
  assert_reading(r, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, "both", 0.0, 1e-5);
  assert_reading(r, MT_Q_CLOCK_OFFSET, MT_CHANNEL_BOTH, NULL, 0.0, 1e-4);
  assert_reading(r, MT_Q_DELAY, MT_CHANNEL_BOTH, NULL, 0.0, 1e-9);
  assert_reading(r, MT_Q_DELAY, MT_LEFT, NULL, 0.0, 1e-8);
  assert_int_equal(r->nproblems, 0);
  mt_results_destroy(&r);
}

static void gains_delay_clock_and_noise_are_found(void **state)
{
  static const double offsets_ppm[] = {-500.0, -80.0, 0.0, 80.0, 500.0};
  (void)state;
  for (size_t i = 0; i < sizeof offsets_ppm / sizeof offsets_ppm[0]; i++) {
    mt_simulated_unit unit;
    mt_results *r;
    mt_simulate_init(&unit);
    unit.channel[0].gain_db = -3.21;
    unit.channel[1].gain_db = -3.71;
    unit.channel[0].noise_dbfs = -96.0;
    unit.channel[1].noise_dbfs = -103.21; /* level -23.71: 80 dB signal to noise */
    unit.channel[1].crosstalk_db = -61.0;
    unit.channel[0].dc = 0.0012;
    unit.delay_s = 0.0123456;
    unit.clock_offset_ppm = offsets_ppm[i];
    unit.seed = 7 + i;
    r = unit_bench_results(&unit, RATE, LEVEL);
    assert_reading(r, MT_Q_LEVEL, MT_LEFT, "both", -23.21, 0.002);
    /* the right also hears the left, in phase: 20 lg(1 + 10^(-61/20) * 10^(0.5/20)) */
    assert_reading(r, MT_Q_CROSSTALK, MT_RIGHT, NULL, -61.0, 0.05);
    assert_true(unit_bench_find(r, MT_Q_CROSSTALK, MT_LEFT, NULL)->validity == MT_RIG_LIMITED);
    assert_reading(r, MT_Q_CLOCK_OFFSET, MT_CHANNEL_BOTH, NULL, offsets_ppm[i], 0.01);
    assert_reading(r, MT_Q_FREQUENCY, MT_LEFT, "both", 997.0 * (1.0 + 1e-6 * offsets_ppm[i]), 2e-5);
    /* white to 24 kHz: 20 kHz hold 10 lg(19980/24000) = -0.796 dB of it; spread 4.343/sqrt(BT) = 0.03 dB */
    assert_reading(r, MT_Q_NOISE, MT_LEFT, "idle", -96.0 + mt_db_of_power(19980.0 / 24000.0), 0.15);
    /* IEC 61672-1 A-weighting of white noise 20 Hz to 20 kHz: -2.048 dB */
    assert_reading(r, MT_Q_NOISE_A, MT_LEFT, "idle", -96.0 - 0.796 - 2.048, 0.2);
    assert_reading(r, MT_Q_NOISE_CCIR, MT_LEFT, "idle", -96.0 - 0.796 + 1.65, 0.2);
    assert_reading(r, MT_Q_SNR, MT_LEFT, NULL, -23.21 + 96.796, 0.15);
    assert_reading(r, MT_Q_DC, MT_LEFT, "idle", 0.0012, 1e-6);
    /* positive offset: the unit's clock runs fast, the delay is in the recorder's seconds */
    assert_reading(r, MT_Q_DELAY, MT_LEFT, NULL, 0.0123456 / (1.0 + 1e-6 * offsets_ppm[i]), 2e-7);
    assert_reading(r, MT_Q_DYNAMIC_RANGE, MT_LEFT, NULL, -23.21 + 96.796 - 1.65, 0.2);
    assert_int_equal(r->nproblems, 0);
    mt_results_destroy(&r);
  }
}

static void a_dead_channel_is_no_signal_and_a_fail(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.channel[1].mute = true;
  unit.channel[1].crosstalk_db = -55.0;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_ROUTE, MT_RIGHT, NULL, MT_ROUTE_NONE, 0.0);
  assert_true(unit_bench_find(r, MT_Q_LEVEL, MT_RIGHT, "both")->validity == MT_NO_SIGNAL);
  assert_true(unit_bench_find(r, MT_Q_THD_N, MT_RIGHT, "both")->validity == MT_NO_SIGNAL);
  assert_true(unit_bench_find(r, MT_Q_CROSSTALK, MT_RIGHT, NULL)->validity == MT_NO_SIGNAL);
  assert_true(unit_bench_find(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, NULL)->validity == MT_NO_SIGNAL);
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&r);
}

static void a_weak_channel_is_weak_and_not_dead(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.channel[1].gain_db = -43.0;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_ROUTE, MT_RIGHT, NULL, MT_ROUTE_RIGHT, 0.0);
  assert_reading(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, NULL, 43.0, 0.02);
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&r);
}

static void swapped_summed_and_inverted_are_said(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.swap = true;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_ROUTE, MT_LEFT, NULL, MT_ROUTE_RIGHT, 0.0);
  assert_reading(r, MT_Q_ROUTE, MT_RIGHT, NULL, MT_ROUTE_LEFT, 0.0);
  assert_reading(r, MT_Q_POLARITY, MT_LEFT, NULL, 1.0, 0.0);
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&r);
  unit.swap = false;
  unit.sum = true;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_ROUTE, MT_LEFT, NULL, MT_ROUTE_BOTH, 0.0);
  assert_reading(r, MT_Q_ROUTE, MT_RIGHT, NULL, MT_ROUTE_BOTH, 0.0);
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&r);
  unit.sum = false;
  unit.channel[1].invert = true;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_POLARITY, MT_LEFT, NULL, 1.0, 0.0);
  assert_reading(r, MT_Q_POLARITY, MT_RIGHT, NULL, -1.0, 0.0);
  assert_near(fabs(unit_bench_find(r, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, NULL)->value), 180.0, 0.01,
              "deg");
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&r);
}

/* y = x + a2 x^2 + a3 x^3: H2 = a2 A / 2, H3 = a3 A^2 / 4 over 1 + 3/4 a3 A^2 (closed form). */
static void distortion_reads_as_the_closed_form(void **state)
{
  const double a = 0.1, a2 = 0.05, a3 = 0.4;
  const double h1 = 1.0 + 0.75 * a3 * a * a, h2 = a2 * a / 2.0 / h1, h3 = a3 * a * a / 4.0 / h1;
  const double thd = sqrt(h2 * h2 + h3 * h3);
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++) {
    unit.channel[c].poly[1] = a2;
    unit.channel[c].poly[2] = a3;
  }
  unit.clock_offset_ppm = 120.0;
  r = unit_bench_results(&unit, RATE, LEVEL);
  assert_reading(r, MT_Q_HARMONIC, MT_LEFT, "both", mt_db_of_ratio(h2), 0.01);
  assert_reading(r, MT_Q_THD_F, MT_LEFT, "both", mt_db_of_ratio(thd), 0.01);
  assert_reading(r, MT_Q_THD_R, MT_LEFT, "both", mt_db_of_ratio(thd / sqrt(1.0 + thd * thd)), 0.01);
  assert_reading(r, MT_Q_THD_N, MT_LEFT, "both", mt_db_of_ratio(thd / sqrt(1.0 + thd * thd)), 0.01);
  assert_reading(r, MT_Q_SINAD, MT_LEFT, "both", -mt_db_of_ratio(thd), 0.01);
  mt_results_destroy(&r);
}

/* Response of the simulated unit's own filters, which test_simulate.c holds against the formulas. */
static void response_follows_the_units_filters(void **state)
{
  static const double offsets_ppm[] = {0.0, 500.0, -500.0};
  (void)state;
  for (size_t i = 0; i < sizeof offsets_ppm / sizeof offsets_ppm[0]; i++) {
    mt_simulated_unit unit;
    mt_results *r;
    mt_simulate_init(&unit);
    unit.channel[0].high_pass_hz = 105.821; /* 47 uF into 32 ohm */
    unit.channel[1].shelf_db = 6.5;
    unit.channel[1].shelf_hz = 100.0;
    unit.clock_offset_ppm = offsets_ppm[i];
    unit.delay_s = 0.0371;
    r = unit_bench_results(&unit, RATE, LEVEL);
    for (unsigned c = 0; c < 2; c++) {
      const mt_curve *curve = mt_results_find_curve(r, MT_Q_RESPONSE, (mt_channel)c);
      double reference_db = mt_simulate_gain_db(&unit, c, RATE, 997.0);
      double worst = 0.0;
      assert_non_null(curve);
      assert_true(curve->x[0] < 20.0 && curve->x[curve->npoints - 1] > 20000.0);
      for (size_t k = 0; k < curve->npoints; k++)
        if (curve->x[k] >= 19.9 && curve->x[k] <= 20000.0)
          worst = fmax(worst,
                       fabs(curve->y[k] + reference_db - mt_simulate_gain_db(&unit, c, RATE, curve->x[k])));
      assert_between(worst, 0.0, 0.01, "dB");
    }
    mt_results_destroy(&r);
  }
}

/* Inside what is read: idle, left, right, both, low, and five places of the sweep. */
static const double inside_s[] = {1.5, 3.0, 4.2, 5.6, 7.2, 8.6, 9.7, 10.95, 12.0, 12.9};

static int count_passes(mt_dropout_kind kind, size_t nframes, bool left, bool right)
{
  int passed = 0;
  for (size_t i = 0; i < sizeof inside_s / sizeof inside_s[0]; i++) {
    mt_simulated_unit unit;
    mt_results *r;
    mt_simulate_init(&unit);
    unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
    unit.dropouts[0] = (mt_simulated_dropout){kind, inside_s[i], nframes, {left, right}, 0.0};
    unit.ndropouts = 1;
    r = unit_bench_results(&unit, RATE, LEVEL);
    /* refused outright when the marks are too far from where they should be */
    if (r != NULL && r->verdict == MT_VERDICT_PASS) {
      print_error("kind %d, %zu frames at %.2f s passed\n", (int)kind, nframes, inside_s[i]);
      passed++;
    }
    mt_results_destroy(&r);
  }
  return passed;
}

static void lost_and_repeated_frames_never_pass(void **state)
{
  (void)state;
  assert_int_equal(count_passes(MT_SIMULATED_LOSE, 1, true, true), 0);
  assert_int_equal(count_passes(MT_SIMULATED_LOSE, 480, true, true), 0);
  assert_int_equal(count_passes(MT_SIMULATED_REPEAT, 1, true, true), 0);
  assert_int_equal(count_passes(MT_SIMULATED_REPEAT, 4096, true, true), 0);
}

static void muted_frames_never_pass(void **state)
{
  (void)state;
  /* a millisecond is the shortest mute that is called a dropout */
  assert_int_equal(count_passes(MT_SIMULATED_MUTE, 48, true, false), 0);
  assert_int_equal(count_passes(MT_SIMULATED_MUTE, 480, false, true), 0);
  assert_int_equal(count_passes(MT_SIMULATED_MUTE, 4096, true, true), 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_wire_reads_as_a_wire),
      cmocka_unit_test(gains_delay_clock_and_noise_are_found),
      cmocka_unit_test(a_dead_channel_is_no_signal_and_a_fail),
      cmocka_unit_test(a_weak_channel_is_weak_and_not_dead),
      cmocka_unit_test(swapped_summed_and_inverted_are_said),
      cmocka_unit_test(distortion_reads_as_the_closed_form),
      cmocka_unit_test(response_follows_the_units_filters),
      cmocka_unit_test(lost_and_repeated_frames_never_pass),
      cmocka_unit_test(muted_frames_never_pass),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
