#include "support.h"

#include <mendtone/difference.h>

#include "base/random.h"

#include <stdlib.h>

#define POINTS_MAX 400

/* A curve over 80 points a decade, as the response is read. */
typedef struct sheet {
  mt_curve curve;
  double x[POINTS_MAX], y[POINTS_MAX], u[POINTS_MAX];
} sheet;

static void lay_grid(sheet *s, double from_hz, double to_hz, double uncertainty)
{
  memset(s, 0, sizeof *s);
  for (int k = (int)ceil(80.0 * log10(from_hz / 1000.0)); 1000.0 * pow(10.0, k / 80.0) <= to_hz; k++) {
    s->x[s->curve.npoints] = 1000.0 * pow(10.0, k / 80.0);
    s->u[s->curve.npoints++] = uncertainty;
  }
  s->curve.quantity = MT_Q_DIFFERENCE;
  s->curve.x = s->x;
  s->curve.y = s->y;
  s->curve.uncertainty = s->u;
}

/* |H| of an analogue low shelf, S = 1: Audio EQ Cookbook, A (s^2 + sqrt(A)/Q s + A) / (A s^2 + sqrt(A)/Q s + 1). */
static double shelf_db(double gain_db, double corner_hz, double freq_hz)
{
  double a = pow(10.0, gain_db / 40.0), w = freq_hz / corner_hz, b = sqrt(2.0 * a) * w;
  double num = (a - w * w) * (a - w * w) + b * b, den = (1.0 - a * w * w) * (1.0 - a * w * w) + b * b;
  return 20.0 * log10(a) + 10.0 * log10(num / den);
}

static mt_difference read(const sheet *s)
{
  mt_difference d;
  mt_error err = {0};
  assert_ok(mt_curve_difference(&s->curve, &d, &err), err);
  return d;
}

static void a_low_shelf_is_read_as_the_cookbook_states_it(void **state)
{
  sheet s;
  mt_difference d;
  (void)state;
  lay_grid(&s, 10.0, 22000.0, 0.006);
  for (size_t i = 0; i < s.curve.npoints; i++)
    s.y[i] = -0.3 + shelf_db(6.5, 100.0, s.x[i]);
  d = read(&s);
  /* +6.4886 dB at 20 Hz, of 6.5; the first point lies at 20.5 Hz (values of the cookbook's formula) */
  assert_near(d.boost.value, 6.4875, 0.002, "dB");
  assert_near(d.gain_change.value, -0.3, 0.002, "dB");
  assert_true(d.stands_out && d.has_corner);
  assert_near(d.boost_freq.value, 20.5, 0.6, "Hz");
  /* half of what is seen: 0.006 dB below half of 6.5, on a slope of 13 Hz a decibel; 0.1 Hz for the straight line
     between points */
  assert_near(d.corner.value, 100.0, 0.2, "Hz");
  assert_true(fabs(d.corner.value - 100.0) <= d.corner.uncertainty + 0.1);
  assert_between(d.tilt.value, -1.0, -0.3, "dB/octave");
}

static void a_high_shelf_and_a_cut_are_read_alike(void **state)
{
  sheet s;
  mt_difference d;
  (void)state;
  lay_grid(&s, 10.0, 22000.0, 0.006);
  for (size_t i = 0; i < s.curve.npoints; i++)
    s.y[i] = shelf_db(-4.0, 3000.0, 9e6 / s.x[i]); /* turned about 3 kHz */
  d = read(&s);
  assert_near(d.boost.value, -4.0, 0.02, "dB");
  assert_near(d.corner.value, 3000.0, 20.0, "Hz");
  assert_near(d.gain_change.value, 0.0, 0.002, "dB");
}

static void a_peak_has_no_corner_and_a_boost_that_still_grows_has_none(void **state)
{
  sheet s;
  mt_difference d;
  (void)state;
  lay_grid(&s, 10.0, 22000.0, 0.006);
  for (size_t i = 0; i < s.curve.npoints; i++) {
    double octaves = log2(s.x[i] / 2500.0);
    s.y[i] = 6.0 * exp(-octaves * octaves);
  }
  d = read(&s);
  assert_near(d.boost.value, 6.0, 0.02, "dB");
  assert_near(d.boost_freq.value, 2500.0, 60.0, "Hz");
  assert_near(d.gain_change.value, 0.0, 0.02, "dB");
  assert_false(d.has_corner);
  assert_non_null(strstr(d.why_no_corner, "on both sides"));
  for (size_t i = 0; i < s.curve.npoints; i++)
    s.y[i] = shelf_db(9.0, 25.0, s.x[i]);
  d = read(&s);
  assert_false(d.has_corner);
  assert_non_null(strstr(d.why_no_corner, "still grows"));
}

static void a_tilt_has_its_slope_and_no_certain_common_change(void **state)
{
  sheet s;
  mt_difference d;
  (void)state;
  lay_grid(&s, 10.0, 22000.0, 0.006);
  for (size_t i = 0; i < s.curve.npoints; i++)
    s.y[i] = 0.5 * log2(s.x[i] / 632.0);
  d = read(&s);
  assert_near(d.tilt.value, 0.5, 1e-9, "dB/octave");
  /* half of ten octaves lies within 2.5 dB, whichever half */
  assert_near(d.gain_change.value, 0.0, 0.1, "dB");
  assert_between(d.gain_change.uncertainty, 1.2, 1.3, "dB");
}

/* Noise of the stated uncertainty (k = 2) on a flat change: nothing stands out, and the gain is inside its interval. */
static void noise_is_no_boost(void **state)
{
  mt_random random;
  int nstood = 0, nmissed = 0;
  (void)state;
  mt_random_init(&random, support_seed(31));
  for (int run = 0; run < 400; run++) {
    sheet s;
    mt_difference d;
    lay_grid(&s, 10.0, 22000.0, 0.02);
    for (size_t i = 0; i < s.curve.npoints; i++)
      s.y[i] = 10.0 + 0.01 * mt_random_normal(&random);
    d = read(&s);
    assert_false(d.has_corner && !d.stands_out);
    nstood += d.stands_out;
    nmissed += fabs(d.gain_change.value - 10.0) > d.gain_change.uncertainty;
  }
  /* 240 independent points are more than a real plateau's: 3.2 sigma are passed by 240 x 0.0014 = 0.3 of them; with
     the gain's own uncertainty beside it, by far less (3.5 sigma: 0.11). 400 runs: 44, and 3 sigma of a binomial */
  assert_between(nstood, 0, 64, "runs");
  assert_int_equal(nmissed, 0);
}

static void what_noise_hides_is_refused(void **state)
{
  sheet s;
  mt_difference d = {.from_hz = 7.0};
  mt_error err = {0};
  (void)state;
  lay_grid(&s, 10.0, 22000.0, 40.0);
  assert_int_equal(mt_curve_difference(&s.curve, &d, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "stands out of the noise"));
  s.y[4] = (double)NAN;
  assert_int_equal(mt_curve_difference(&s.curve, &d, &err), MT_E_DATA);
  assert_int_equal(mt_curve_difference(NULL, &d, &err), MT_E_ARG);
  s.curve.npoints = 0;
  assert_int_equal(mt_curve_difference(&s.curve, &d, &err), MT_E_DATA);
  assert_near(d.from_hz, 7.0, 0.0, "Hz");
}

static void gains_are_counted_in_and_the_reference_tone_is_counted_once(void **state)
{
  sheet a, b;
  double x[POINTS_MAX], y[POINTS_MAX], u[POINTS_MAX];
  size_t n = 0;
  mt_error err = {0};
  (void)state;
  lay_grid(&a, 10.0, 22000.0, hypot(0.006, 0.004));
  lay_grid(&b, 15.0, 15000.0, hypot(0.008, 0.003));
  a.curve.has_reference = b.curve.has_reference = true;
  a.curve.reference_db = -10.0;
  a.curve.reference_uncertainty_db = 0.004;
  b.curve.reference_db = -2.5;
  b.curve.reference_uncertainty_db = 0.003;
  for (size_t i = 0; i < a.curve.npoints; i++)
    a.y[i] = log2(a.x[i]);
  for (size_t i = 0; i < b.curve.npoints; i++)
    b.x[i] *= 1.01; /* between the points of the other: a straight line over log f is met exactly */
  for (size_t i = 0; i < b.curve.npoints; i++)
    b.y[i] = 0.25 * log2(b.x[i]);
  assert_ok(mt_curve_subtract(&a.curve, &b.curve, x, y, u, &n, &err), err);
  assert_true(n > 200 && x[0] >= b.x[0] && x[n - 1] <= b.x[b.curve.npoints - 1]);
  for (size_t i = 0; i < n; i++) {
    assert_near(y[i], -7.5 + 0.75 * log2(x[i]), 1e-9, "dB");
    assert_near(u[i], 0.01, 1e-12, "dB");
  }
  b.curve.has_reference = false;
  assert_int_equal(mt_curve_subtract(&a.curve, &b.curve, x, y, u, &n, &err), MT_E_ARG);
}

/* ---- states --------------------------------------------------------------------------------------------- */

static void add(mt_results *results, mt_quantity quantity, const char *state, double value,
                double uncertainty, mt_validity validity)
{
  mt_reading r = {.quantity = quantity,
                  .channel = MT_LEFT,
                  .segment = "idle",
                  .value = value,
                  .uncertainty = uncertainty,
                  .validity = validity};
  mt_error err = {0};
  snprintf(r.state, sizeof r.state, "%s", state);
  assert_ok(mt_results_add_reading(results, &r, &err), err);
}

static void what_else_changes_is_significant_or_not(void **state)
{
  static const struct {
    mt_quantity quantity;
    double before, after;
    mt_validity before_is, after_is;
    bool listed, significant, at_least;
  } cases[] = {
      {MT_Q_NOISE_A, -90.0, -85.0, MT_VALID, MT_VALID, true, true, false},
      {MT_Q_NOISE, -90.0, -89.9, MT_VALID, MT_VALID, true, false, false},
      {MT_Q_THD_F, -95.0, -60.0, MT_RIG_LIMITED, MT_VALID, true, true, true},
      /* below the bound: it may always have been there */
      {MT_Q_HUM, -80.0, -85.0, MT_RIG_LIMITED, MT_VALID, false, false, false},
      {MT_Q_DYNAMIC_RANGE, 80.0, 60.0, MT_RIG_LIMITED, MT_VALID, true, true, true},
      {MT_Q_DC, 0.0, 0.0, MT_VALID, MT_NOT_MEASURED, false, false, false},
      {MT_Q_POLARITY, 1.0, -1.0, MT_VALID, MT_VALID, true, true, false},
  };
  mt_results *results = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_results_create(&results, &err), err);
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    double u = cases[i].quantity == MT_Q_POLARITY ? 0.0 : 0.1;
    add(results, cases[i].quantity, "flat", cases[i].before, u, cases[i].before_is);
    add(results, cases[i].quantity, "lift", cases[i].after, u, cases[i].after_is);
  }
  assert_ok(mt_difference_measure(results, "lift", "flat", &err), err);
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    const mt_change *found = NULL;
    for (size_t k = 0; k < results->nchanges; k++)
      if (results->changes[k].quantity == cases[i].quantity)
        found = &results->changes[k];
    assert_int_equal(found != NULL, cases[i].listed);
    if (found == NULL)
      continue;
    assert_near(found->difference, cases[i].after - cases[i].before, 1e-12, "");
    assert_int_equal(found->significant, cases[i].significant);
    assert_int_equal(found->at_least, cases[i].at_least);
  }
  /* no response, no boost: said, not made up */
  assert_int_equal(mt_results_find(results, MT_Q_BOOST, MT_LEFT, NULL)->validity, MT_NOT_MEASURED);
  assert_non_null(
      strstr(mt_results_find(results, MT_Q_BOOST, MT_LEFT, NULL)->why, "response was not measured"));
  mt_results_destroy(&results);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_low_shelf_is_read_as_the_cookbook_states_it),
      cmocka_unit_test(a_high_shelf_and_a_cut_are_read_alike),
      cmocka_unit_test(a_peak_has_no_corner_and_a_boost_that_still_grows_has_none),
      cmocka_unit_test(a_tilt_has_its_slope_and_no_certain_common_change),
      cmocka_unit_test(noise_is_no_boost),
      cmocka_unit_test(what_noise_hides_is_refused),
      cmocka_unit_test(gains_are_counted_in_and_the_reference_tone_is_counted_once),
      cmocka_unit_test(what_else_changes_is_significant_or_not),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
