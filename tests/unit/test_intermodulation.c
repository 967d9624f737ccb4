/* The pairs of tones through units whose products are known in closed form. */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"

#include <mendtone/capture.h>

/*
 * y = x + a2 x^2 + a3 x^3 on two tones of peak A1, A2 (any textbook; Maclaurin expansion): fundamentals
 * Ai + a3 (3/4 Ai^3 + 3/2 Ai Aj^2), f2 +- f1: a2 A1 A2, 2 f1 +- f2: 3/4 a3 A1^2 A2, 2 f2 +- f1: 3/4 a3 A1 A2^2.
 */
#define A2 0.01
#define A3 0.005

static double fundamental(double own, double other)
{
  return own + A3 * (0.75 * own * own * own + 1.5 * own * other * other);
}

static void bend(mt_simulated_unit *unit)
{
  mt_simulate_init(unit);
  for (int c = 0; c < 2; c++) {
    unit->channel[c].poly[1] = A2;
    unit->channel[c].poly[2] = A3;
  }
}

static const mt_reading *find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                              const char *segment, int order)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel && strcmp(r->segment, segment) == 0 &&
        r->order == order)
      return r;
  }
  fail_msg("no reading of order %d in %s", order, segment);
  return NULL;
}

static void assert_valid(const mt_reading *r, double want_percent, double tol_db)
{
  if (r->validity != MT_VALID)
    print_error("%s order %d: %s\n", r->segment, r->order, r->why);
  assert_int_equal(r->validity, MT_VALID);
  assert_near(r->value, mt_db_of_ratio(want_percent / 100.0), tol_db, "dB");
  assert_true(r->definition[0] != '\0');
}

/* Clean and float: rounding of the samples leaves less than -150 dB, so 0.001 dB is generous. */
static void assert_polynomial(const mt_results *results, double tol_db)
{
  for (int c = 0; c < 2; c++) {
    double u2 = fundamental(0.2, 0.8), half = fundamental(0.5, 0.5);
    assert_valid(find(results, MT_Q_IMD_MOD, c, "imd-250-8000", 2), 100.0 * 2.0 * A2 * 0.16 / u2, tol_db);
    assert_valid(find(results, MT_Q_IMD_MOD, c, "imd-250-8000", 3), 100.0 * 2.0 * 0.75 * A3 * 0.128 / u2,
                 tol_db);
    assert_valid(find(results, MT_Q_IMD_MOD, c, "imd-41-7993", 2), 100.0 * 2.0 * A2 * 0.16 / u2, tol_db);
    assert_valid(find(results, MT_Q_IMD_MOD, c, "imd-41-7993", 3), 100.0 * 2.0 * 0.75 * A3 * 0.128 / u2,
                 tol_db);
    assert_valid(find(results, MT_Q_IMD_DIFF, c, "imd-11000-11080", 2), 100.0 * A2 * 0.25 / (2.0 * half),
                 tol_db);
    assert_valid(find(results, MT_Q_IMD_DIFF, c, "imd-11000-11080", 3),
                 100.0 * 2.0 * 0.75 * A3 * 0.125 / (2.0 * half), tol_db);
    assert_valid(find(results, MT_Q_IMD_DIFF, c, "imd-18k-20k", 2), 100.0 * A2 * 0.25 / (2.0 * half), tol_db);
    assert_valid(find(results, MT_Q_IMD_DIFF, c, "imd-8000-11950", 0),
                 100.0 * hypot(A2 * 0.25, 0.75 * A3 * 0.125) / (2.0 * half), tol_db);
  }
}

static void polynomial_gives_the_products_of_its_closed_form(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  bend(&unit);
  results = unit_bench_results_extras(&unit, 48000.0, 0.0, MT_EXTRA_INTERMODULATION, (double)NAN);
  assert_non_null(results);
  assert_polynomial(results, 0.001);
  /* the same, worked out beforehand by two independent routes (closed form, and a transform) */
  assert_valid(find(results, MT_Q_IMD_MOD, 0, "imd-250-8000", 2), 1.592119, 0.001);
  assert_valid(find(results, MT_Q_IMD_MOD, 0, "imd-250-8000", 3), 0.477636, 0.001);
  assert_valid(find(results, MT_Q_IMD_DIFF, 0, "imd-11000-11080", 2), 0.249299, 0.001);
  assert_valid(find(results, MT_Q_IMD_DIFF, 0, "imd-11000-11080", 3), 0.093487, 0.001);
  assert_valid(find(results, MT_Q_IMD_DIFF, 0, "imd-8000-11950", 0), 0.253643, 0.001);
  mt_results_destroy(&results);
}

/* A unit with a clock of its own, either way, at the edge of what is promised for clocks in radio links. */
static void clock_offset_does_not_matter(void **state)
{
  static const double offsets_ppm[] = {-500.0, 500.0};
  (void)state;
  for (size_t i = 0; i < 2; i++) {
    mt_simulated_unit unit;
    mt_results *results;
    bend(&unit);
    unit.clock_offset_ppm = offsets_ppm[i];
    results = unit_bench_results_extras(&unit, 48000.0, 0.0, MT_EXTRA_INTERMODULATION, (double)NAN);
    assert_non_null(results);
    assert_polynomial(results, 0.001);
    mt_results_destroy(&results);
  }
}

/* Hum 40 dB below the tones and noise: what is claimed holds the truth, at most one miss in the 16 at k = 2. */
static void noise_and_hum_widen_the_interval_and_it_holds(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  double half = fundamental(0.05, 0.05);
  int misses = 0, held = 0;
  (void)state;
  bend(&unit);
  unit.seed = support_seed(11);
  for (int c = 0; c < 2; c++) {
    unit.channel[c].poly[1] = 0.1 * A2;
    unit.channel[c].noise_dbfs = -80.0;
    unit.channel[c].hum_dbfs = -60.0;
  }
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_INTERMODULATION, (double)NAN);
  assert_non_null(results);
  for (int c = 0; c < 2; c++) {
    const mt_reading *r = find(results, MT_Q_IMD_DIFF, c, "imd-11000-11080", 2);
    double truth = mt_db_of_ratio(0.1 * A2 * 0.0025 / (2.0 * half));
    held++;
    if (r->validity == MT_VALID)
      misses += fabs(r->value - truth) > r->uncertainty;
    else
      misses += r->validity != MT_RIG_LIMITED || r->value < truth;
  }
  assert_int_equal(held, 2);
  assert_true(misses <= 1);
  mt_results_destroy(&results);
}

/* A wire has no products: nothing but bounds, and those low. Noise of -80 dBFS in 24 kHz leaves -124 dBFS in 1 Hz. */
static void wire_with_noise_claims_no_product(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  size_t n = 0;
  (void)state;
  mt_simulate_init(&unit);
  unit.seed = support_seed(12);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -80.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_INTERMODULATION, (double)NAN);
  assert_non_null(results);
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity != MT_Q_IMD_MOD && r->quantity != MT_Q_IMD_DIFF)
      continue;
    n++;
    /* noise of 1 Hz 104 dB below the reference, 14 dB less below the fifth of it that f2 is, 2 dB for the
       weight; a bound stands two errors above: 18 dB when both lines are 9 dB above their mean */
    assert_true(r->value < -104.0 + 14.0 + 2.0 + 18.0);
    if (r->order == 2 || r->order == 3)
      assert_true(r->validity == MT_RIG_LIMITED || r->uncertainty > 2.0);
  }
  assert_int_equal(n, 2 * (4 * 2 + 1));
  mt_results_destroy(&results);
}

static void silent_channel_has_no_intermodulation(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  bend(&unit);
  unit.channel[1].mute = true;
  unit.channel[1].noise_dbfs = -90.0;
  results = unit_bench_results_extras(&unit, 48000.0, -20.0, MT_EXTRA_INTERMODULATION, (double)NAN);
  assert_non_null(results);
  assert_int_equal(find(results, MT_Q_IMD_MOD, 0, "imd-250-8000", 2)->validity, MT_VALID);
  assert_int_equal(find(results, MT_Q_IMD_MOD, 1, "imd-250-8000", 2)->validity, MT_NO_SIGNAL);
  assert_int_equal(find(results, MT_Q_IMD_DIFF, 1, "imd-8000-11950", 0)->validity, MT_NO_SIGNAL);
  mt_results_destroy(&results);
}

/* At 44.1 kHz the upper product of 18 and 20 kHz, 22 kHz, is in the converter's filter: no half sum is given. */
static void product_above_the_band_is_refused(void **state)
{
  mt_simulated_unit unit;
  mt_results *results;
  (void)state;
  bend(&unit);
  results = unit_bench_results_extras(&unit, 44100.0, -6.0, MT_EXTRA_INTERMODULATION, (double)NAN);
  assert_non_null(results);
  assert_int_equal(find(results, MT_Q_IMD_DIFF, 0, "imd-18k-20k", 2)->validity, MT_VALID);
  assert_int_equal(find(results, MT_Q_IMD_DIFF, 0, "imd-18k-20k", 3)->validity, MT_NOT_MEASURED);
  mt_results_destroy(&results);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(polynomial_gives_the_products_of_its_closed_form),
      cmocka_unit_test(clock_offset_does_not_matter),
      cmocka_unit_test(noise_and_hum_widen_the_interval_and_it_holds),
      cmocka_unit_test(wire_with_noise_claims_no_product),
      cmocka_unit_test(silent_channel_has_no_intermodulation),
      cmocka_unit_test(product_above_the_band_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
