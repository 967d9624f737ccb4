/* Impedance and capacitor of an output from its level with known resistors. */
#include "support.h"

#include <mendtone/load.h>

#include "base/decibel.h"
#include "base/random.h"

#include <complex.h>
#include <math.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])
#define OPEN ((double)INFINITY)

/* A source of 1 V behind `ohm`, an input in parallel to the load. */
static double level_of(double ohm, double load, double input)
{
  double g = (isinf(load) ? 0.0 : 1.0 / load) + (isinf(input) ? 0.0 : 1.0 / input);
  return -mt_db_of_ratio(1.0 + ohm * g);
}

static mt_load_point point_of(double ohm, double load, double input)
{
  return (mt_load_point){load, 0.0, level_of(ohm, load, input), 0.0};
}

static mt_load_source find(const mt_load_point *points, size_t n, double input)
{
  mt_load_source found = {0};
  mt_error err = {0};
  assert_ok(mt_load_find_source(points, n, input, &found, &err), err);
  return found;
}

/* ---- source impedance --------------------------------------------------------------------------------- */

static void the_worked_example_reads_ten_ohms(void **state)
{
  /* Z = R1 R2 (V2 - V1) / (V1 R2 - V2 R1) with V(300) = 0.967742, V(32) = 0.761905 is 10.000000 (Ohm's law; six digits
   * of the voltages leave 4e-5 ohm) */
  const mt_load_point points[] = {{300.0, 0.0, mt_db_of_ratio(0.967742), 0.0},
                                  {32.0, 0.0, mt_db_of_ratio(0.761905), 0.0}};
  double formula = 32.0 * 300.0 * (0.967742 - 0.761905) / (0.761905 * 300.0 - 0.967742 * 32.0);
  (void)state;
  assert_near(formula, 10.0, 5e-5, "ohm");
  assert_near(find(points, 2, OPEN).ohm.value, formula, 1e-9, "ohm");
}

static void open_and_loaded_follow_the_level_drops(void **state)
{
  /* dB from open to 16, 32, 300 ohm; three digits leave so much of the impedance as half a digit is worth */
  static const double table[][4] = {{0.5, .267, .135, .014},       {1.0, .527, .267, .029},
                                    {2.0, 1.023, .527, .058},      {10.0, 4.217, 2.362, .285},
                                    {33.0, 9.722, 6.155, .906},    {75.0, 15.098, 10.485, 1.938},
                                    {120.0, 18.588, 13.534, 2.923}};
  static const double load[] = {16.0, 32.0, 300.0};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++)
    for (size_t k = 0; k < 3; k++) {
      const mt_load_point points[] = {{OPEN, 0.0, -20.0, 0.0}, {load[k], 0.0, -20.0 - table[i][k + 1], 0.0}};
      double rounding = (load[k] + table[i][0]) * (mt_ratio_of_db(0.0005) - 1.0);
      assert_near(find(points, 2, OPEN).ohm.value, table[i][0], 1.001 * rounding, "ohm");
    }
}

static void a_known_input_is_taken_off(void **state)
{
  const mt_load_point points[] = {point_of(120.0, OPEN, 10e3), point_of(120.0, 33.0, 10e3)};
  const mt_load_point loaded[] = {point_of(120.0, 300.0, 10e3), point_of(120.0, 33.0, 10e3)};
  mt_load_source unknown;
  (void)state;
  assert_near(find(points, 2, 10e3).ohm.value, 120.0, 1e-9, "ohm");
  assert_near(find(loaded, 2, 10e3).ohm.value, 120.0, 1e-9, "ohm");
  /* ignored it would read Z / (1 + Z / R_in) */
  assert_near(find(points, 2, OPEN).ohm.value, 120.0 / 1.012, 1e-9, "ohm");
  /* not known: in the middle, and sure of no more than that */
  unknown = find(points, 2, 0.0);
  assert_true(fabs(unknown.ohm.value - 120.0) <= unknown.ohm.uncertainty);
  assert_near(unknown.ohm.uncertainty, 120.0 * 120.0 * 0.5e-4 * 1.1547, 0.02, "ohm");
}

static void a_hundredth_of_a_decibel_is_so_many_ohms(void **state)
{
  /* Z = 1, R = 32: 0.01 dB is 0.038 ohm, 0.1 dB is 0.38 ohm (Ohm's law): (R + Z) ln 10 / 20 dB */
  mt_load_point points[] = {point_of(1.0, OPEN, OPEN), point_of(1.0, 32.0, OPEN)};
  mt_load_source found;
  (void)state;
  found = find(points, 2, OPEN);
  assert_near(found.sway_ohm, 0.038, 0.0005, "ohm");
  assert_near(found.ohm.uncertainty, 0.0, 1e-12, "ohm");
  points[1].uncertainty_db = 0.1;
  assert_near(find(points, 2, OPEN).ohm.uncertainty, 0.38, 0.005, "ohm");
  points[1].uncertainty_db = 0.0;
  points[1].tolerance_percent = 5.0; /* a limit: 2 a / sqrt(3) */
  assert_near(find(points, 2, OPEN).ohm.uncertainty, 1.1547 * 0.05, 2e-4, "ohm");
}

static void three_loads_agree_or_say_so(void **state)
{
  mt_load_point points[] = {point_of(10.0, OPEN, OPEN), point_of(10.0, 300.0, OPEN),
                            point_of(10.0, 32.0, OPEN)};
  mt_load_source found;
  (void)state;
  for (size_t i = 0; i < 3; i++) {
    points[i].tolerance_percent = 1.0;
    points[i].uncertainty_db = 0.01;
  }
  found = find(points, 3, OPEN);
  assert_near(found.ohm.value, 10.0, 1e-9, "ohm");
  assert_near(found.misfit, 0.0, 1e-6, "");
  points[2].level_db -= 1.0; /* the current is limited at the heaviest load */
  found = find(points, 3, OPEN);
  assert_true(found.misfit > 3.0);
  assert_near(find(points, 2, OPEN).misfit, 0.0, 0.0, "");
}

/* A true Z, resistors anywhere within their tolerance, levels with normal errors, an input within 10 %. */
static void the_truth_lies_within_the_uncertainty(void **state)
{
  enum { TRIALS = 20000 };
  mt_random random;
  size_t inside = 0, consistent = 0;
  double square = 0.0;
  (void)state;
  mt_random_init(&random, support_seed(11));
  for (size_t i = 0; i < TRIALS; i++) {
    static const double loads[] = {OPEN, 300.0, 33.0};
    double ohm = pow(10.0, -0.5 + 2.7 * mt_random_uniform(&random)),
           input = 10e3 * (1.0 + 9.0 * mt_random_uniform(&random));
    double input_is = input * (1.0 + 0.2 * (mt_random_uniform(&random) - 0.5)), off;
    mt_load_point points[3];
    size_t n = i % 2 == 0 ? 3 : 2;
    mt_load_source found;
    for (size_t k = 0; k < n; k++) {
      double load = loads[n == 2 && k == 1 ? 2 : k], tolerance = 5.0 * mt_random_uniform(&random);
      double u = 0.05 * mt_random_uniform(&random);
      points[k] =
          point_of(ohm, load * (1.0 + 0.02 * tolerance * (mt_random_uniform(&random) - 0.5)), input_is);
      points[k].ohm = load;
      points[k].tolerance_percent = tolerance;
      points[k].level_db += 0.5 * u * mt_random_normal(&random);
      points[k].uncertainty_db = u;
    }
    found = find(points, n, input);
    off = (found.ohm.value - ohm) / found.ohm.uncertainty;
    inside += fabs(off) <= 1.0;
    consistent += found.misfit <= 3.0;
    square += 4.0 * off * off;
  }
  print_message("inside %.2f %%, mean square error %.3f of the variance stated, consistent %.2f %%\n",
                100.0 * (double)inside / TRIALS, square / TRIALS, 100.0 * (double)consistent / TRIALS);
  /* k = 2 of normal and uniform errors holds 95.4 % and more; 20000 trials are known to 0.3 % (k = 2) */
  assert_true((double)inside > 0.951 * TRIALS);
  assert_near(square / TRIALS, 1.0, 0.05,
              ""); /* nor is it stated too large: a curved law adds a few percent */
  assert_true((double)consistent > 0.995 * TRIALS);
}

static void what_is_no_source_is_refused(void **state)
{
  mt_load_point points[] = {{OPEN, 5.0, -20.0, 0.01}, {33.0, 5.0, -19.0, 0.01}};
  mt_load_source found = {.misfit = 7.0};
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_load_find_source(points, 2, 0.0, &found, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "louder with the heavier load"));
  assert_int_equal(mt_load_find_source(points, 1, 0.0, &found, &err), MT_E_DATA);
  points[1].ohm = OPEN;
  assert_int_equal(mt_load_find_source(points, 2, 0.0, &found, &err), MT_E_DATA);
  points[0].ohm = 300.0;
  points[1] =
      (mt_load_point){33.0, 5.0, -20.0 - 25.0, 0.01}; /* steeper than Ohm allows: E would be negative */
  assert_int_equal(mt_load_find_source(points, 2, 0.0, &found, &err), MT_E_DATA);
  points[1].level_db = (double)NAN;
  assert_int_equal(mt_load_find_source(points, 2, 0.0, &found, &err), MT_E_ARG);
  points[1] = (mt_load_point){-33.0, 5.0, -20.0, 0.01};
  assert_int_equal(mt_load_find_source(points, 2, 0.0, &found, &err), MT_E_ARG);
  points[1].ohm = 33.0;
  assert_int_equal(mt_load_find_source(points, 2, -1.0, &found, &err), MT_E_ARG);
  assert_int_equal(mt_load_find_source(points, MT_LOAD_POINTS_MAX + 1, 0.0, &found, &err), MT_E_ARG);
  assert_near(found.misfit, 7.0, 0.0, "");
}

/* ---- output capacitor --------------------------------------------------------------------------------- */

typedef struct response {
  double x[200], y[200], u[200];
  mt_curve curve;
} response;

/* V over the source of Z + 1/(sC) into a load, by complex arithmetic; times an interstage high-pass. */
static double gain_of(double ohm, double farad, double load, double interstage_hz, double freq_hz)
{
  double complex s = 2.0 * MT_PI * freq_hz * (double complex)I, w = 2.0 * MT_PI * interstage_hz;
  double complex source = ohm + (farad > 0.0 ? 1.0 / (s * farad) : 0.0);
  return mt_db_of_ratio(cabs(load / (source + load) * s / (s + w)));
}

static void make(response *r, double ohm, double farad, const double load[2], double interstage_hz,
                 double noise, mt_random *random)
{
  *r = (response){0};
  r->curve = (mt_curve){
      .quantity = MT_Q_DIFFERENCE, .npoints = COUNT(r->x), .x = r->x, .y = r->y, .uncertainty = r->u};
  for (size_t i = 0; i < COUNT(r->x); i++) {
    r->x[i] = 10.0 * pow(2000.0, (double)i / (double)(COUNT(r->x) - 1));
    r->y[i] = gain_of(ohm, farad, load[0], interstage_hz, r->x[i]) -
              gain_of(ohm, farad, load[1], interstage_hz, r->x[i]);
    r->u[i] = 0.001 + noise * fmin(1.0, 100.0 / r->x[i]);
    if (random != NULL)
      r->y[i] += 0.5 * r->u[i] * mt_random_normal(random);
  }
}

static mt_load_corner corner_of(const response *r, double k)
{
  mt_load_corner found = {0};
  mt_error err = {0};
  assert_ok(mt_load_find_corner(&r->curve, 997.0, k, &found, &err), err);
  return found;
}

static void the_corners_of_the_trade_are_read(void **state)
{
  /* f_c = 1 / (2 pi R C), R being load and source: to 3 digits after the point (coupling capacitor, closed form) */
  static const double table[][3] = {{470e-6, 32.0, 10.582}, {220e-6, 32.0, 22.607}, {220e-6, 16.0, 45.215},
                                    {100e-6, 32.0, 49.736}, {47e-6, 32.0, 105.821}, {22e-6, 32.0, 226.072},
                                    {10e-6, 32.0, 497.359}};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    const double load[2] = {table[i][1] - 1.0, 1e9};
    mt_load_corner found;
    response r;
    make(&r, 1.0, table[i][0], load, 0.0, 0.0, NULL);
    found = corner_of(&r, 0.0);
    assert_true(found.is_seen && found.fits);
    /* the table's rounding; an open output of 1 Gohm */
    assert_near(found.hz.value, table[i][2], 0.0006, "Hz");
    assert_true(found.hz.uncertainty < 0.01 * found.hz.value + 0.2);
  }
}

static void an_interstage_capacitor_does_not_move(void **state)
{
  const double load[2] = {32.0, 1e9};
  mt_load_corner found;
  response r;
  (void)state;
  make(&r, 10.0, 0.0, load, 150.0, 0.0,
       NULL); /* no capacitor in the output: nothing is left of the other one */
  found = corner_of(&r, 0.0);
  assert_false(found.is_seen);
  assert_true(found.hz.value + found.hz.uncertainty < 5.0);
  make(&r, 10.0, 220e-6, load, 150.0, 0.0, NULL); /* beside it the output's is read as if alone */
  found = corner_of(&r, 0.0);
  assert_true(found.is_seen && found.fits);
  assert_near(found.hz.value, 1.0 / (2.0 * MT_PI * 220e-6 * 42.0), 0.005, "Hz");
}

static void two_loads_tell_the_corner_as_well(void **state)
{
  const double load[2] = {32.0, 300.0};
  mt_load_corner found;
  response r;
  (void)state;
  make(&r, 10.0, 47e-6, load, 20.0, 0.0, NULL);
  found = corner_of(&r, 42.0 / 310.0);
  assert_true(found.is_seen && found.fits);
  assert_near(found.hz.value, 1.0 / (2.0 * MT_PI * 47e-6 * 42.0), 0.02, "Hz");
}

static void another_shape_is_no_capacitor(void **state)
{
  const double load[2] = {32.0, 1e9};
  mt_load_corner found;
  response r;
  (void)state;
  make(&r, 0.0, 0.0, load, 0.0, 0.0, NULL);
  for (size_t i = 0; i < COUNT(r.x); i++) /* a second-order corner: twice as steep */
    r.y[i] = -mt_db_of_power(1.0 + pow(100.0 / r.x[i], 4.0));
  found = corner_of(&r, 0.0);
  assert_true(found.is_seen && !found.fits);
  for (size_t i = 0; i < COUNT(r.x); i++) /* more bass with the load: nothing is lost */
    r.y[i] = mt_db_of_power(1.0 + pow(100.0 / r.x[i], 2.0));
  found = corner_of(&r, 0.0);
  assert_false(found.is_seen && found.fits);
}

static void noisy_corners_hold_the_truth(void **state)
{
  enum { TRIALS = 2000 };
  size_t inside = 0, seen = 0;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(11));
  for (size_t i = 0; i < TRIALS; i++) {
    double ohm = 20.0 * mt_random_uniform(&random), farad = 1e-5 * pow(100.0, mt_random_uniform(&random));
    const double load[2] = {16.0 + 50.0 * mt_random_uniform(&random), i % 2 == 0 ? 1e9 : 300.0};
    double truth = 1.0 / (2.0 * MT_PI * farad * (ohm + load[0])), k = (load[0] + ohm) / (load[1] + ohm);
    mt_load_corner found;
    response r;
    make(&r, ohm, farad, load, 5.0, 0.2 * mt_random_uniform(&random), &random);
    found = corner_of(&r, k);
    assert_true(found.fits);
    seen += found.is_seen;
    inside += found.is_seen ? fabs(found.hz.value - truth) <= found.hz.uncertainty
                            : truth <= found.hz.value + found.hz.uncertainty;
  }
  print_message("seen %.1f %%, inside %.2f %%\n", 100.0 * (double)seen / TRIALS,
                100.0 * (double)inside / TRIALS);
  /* errors are taken as all alike, here they are independent: nearly all must lie inside */
  assert_true((double)inside > 0.99 * TRIALS);
  assert_true((double)seen > 0.8 * TRIALS);
}

static void a_curve_that_says_nothing_is_refused(void **state)
{
  const double load[2] = {32.0, 1e9};
  mt_load_corner found = {0};
  mt_error err = {0};
  response r;
  (void)state;
  make(&r, 10.0, 220e-6, load, 0.0, 0.0, NULL);
  assert_int_equal(mt_load_find_corner(&r.curve, 0.0, 0.0, &found, &err), MT_E_ARG);
  assert_int_equal(mt_load_find_corner(&r.curve, 997.0, 1.0, &found, &err), MT_E_ARG);
  assert_int_equal(mt_load_find_corner(&r.curve, 997.0, (double)NAN, &found, &err), MT_E_ARG);
  assert_int_equal(mt_load_find_corner(&r.curve, 25.0, 0.0, &found, &err), MT_E_DATA);
  r.curve.npoints = 20;
  assert_int_equal(mt_load_find_corner(&r.curve, 997.0, 0.0, &found, &err), MT_E_DATA);
  r.curve.npoints = 0;
  assert_int_equal(mt_load_find_corner(&r.curve, 997.0, 0.0, &found, &err), MT_E_DATA);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_worked_example_reads_ten_ohms),
      cmocka_unit_test(open_and_loaded_follow_the_level_drops),
      cmocka_unit_test(a_known_input_is_taken_off),
      cmocka_unit_test(a_hundredth_of_a_decibel_is_so_many_ohms),
      cmocka_unit_test(three_loads_agree_or_say_so),
      cmocka_unit_test(the_truth_lies_within_the_uncertainty),
      cmocka_unit_test(what_is_no_source_is_refused),
      cmocka_unit_test(the_corners_of_the_trade_are_read),
      cmocka_unit_test(an_interstage_capacitor_does_not_move),
      cmocka_unit_test(two_loads_tell_the_corner_as_well),
      cmocka_unit_test(another_shape_is_no_capacitor),
      cmocka_unit_test(noisy_corners_hold_the_truth),
      cmocka_unit_test(a_curve_that_says_nothing_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
