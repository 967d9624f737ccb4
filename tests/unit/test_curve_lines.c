#include "support.h"

#include "report/curve_lines.h"

static char text[4000];

static void print(const mt_results *results)
{
  FILE *out = fmemopen(text, sizeof text, "w");
  assert_non_null(out);
  mt_report_curve_lines(results, out);
  mt_report_definitions(results, out);
  fclose(out);
}

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  text[0] = '\0';
  return results;
}

static void add(mt_results *results, mt_curve curve)
{
  mt_error err = {0};
  assert_ok(mt_results_add_curve(results, &curve, &err), err);
}

static void nothing_is_printed_of_nothing(void **state)
{
  mt_results *results = new_results();
  (void)state;
  print(results);
  assert_string_equal(text, "");
  mt_results_destroy(&results);
}

/* What is told from noise counts before what is not, however high the noise's bound. */
static void highest_point_is_one_that_is_told_from_noise(void **state)
{
  mt_results *results = new_results();
  double x[] = {10.0, 100.0, 1000.0, 10000.0}, y[] = {-20.0, -80.0, -75.25, -60.0};
  double u[] = {0.1, 0.1, 0.1, MT_CURVE_BOUND_DB}, noise[] = {-99.0, -99.0, -99.0, -65.0};
  double bounds[] = {40.0, 40.0, 40.0, 40.0};
  mt_curve curve = {
      .quantity = MT_Q_HARMONIC_2, .npoints = 4, .x = x, .y = y, .uncertainty = u, .floor = noise};
  (void)state;
  add(results, curve);
  curve.channel = MT_RIGHT;
  curve.uncertainty = bounds;
  add(results, curve);
  print(results);
  /* the point at 10 Hz is outside the band that is summed up */
  assert_non_null(strstr(text, "Over frequency, 20 Hz to 20 kHz\n"));
  assert_non_null(strstr(text, "harmonic 2: left highest -75.25 dB at 1 kHz; right not told from noise"));
  assert_non_null(strstr(text, "at\n    most -60.0 dB\n"));
  mt_results_destroy(&results);
}

static void curve_without_points_says_why(void **state)
{
  mt_results *results = new_results();
  double nothing = 0.0;
  mt_curve curve = {.quantity = MT_Q_PHASE_DIFFERENCE,
                    .channel = MT_CHANNEL_BOTH,
                    .validity = MT_NO_SIGNAL,
                    .why = "the channel carries no sweep",
                    .x = &nothing,
                    .y = &nothing,
                    .uncertainty = &nothing};
  (void)state;
  add(results, curve);
  print(results);
  assert_non_null(strstr(text, "phase difference: the channel carries no sweep\n"));
  mt_results_destroy(&results);
}

static void level_is_said_to_be_the_one_played(void **state)
{
  mt_results *results = new_results();
  double x[] = {-80.0, -40.0, -1.0}, y[] = {0.1, 0.0, -3.4}, thd[] = {-20.0, -60.0, -14.0},
         u[] = {0.1, 0.01, 0.01};
  mt_curve curve = {
      .quantity = MT_Q_LINEARITY, .npoints = 3, .x = x, .y = y, .uncertainty = u, .x_unit = MT_UNIT_DBFS};
  (void)state;
  add(results, curve);
  curve.quantity = MT_Q_THD_N;
  curve.y = thd;
  add(results, curve);
  print(results);
  assert_non_null(strstr(text, "Over level\n  gain linearity: left furthest -3.40 dB at -1 dBFS played\n"));
  assert_non_null(strstr(text, "THD+N: left lowest -60.00 dB at -40 dBFS played\n"));
  mt_results_destroy(&results);
}

static void each_definition_is_given_once(void **state)
{
  mt_results *results = new_results();
  mt_reading r = {
      .quantity = MT_Q_IMD_MOD, .segment = "imd-250-8000", .definition = "the book, re f2", .value = -60.0};
  mt_error err = {0};
  const char *first;
  (void)state;
  for (int i = 0; i < 4; i++) {
    r.channel = i % 2;
    r.order = 2 + i / 2;
    assert_ok(mt_results_add_reading(results, &r, &err), err);
  }
  print(results);
  first = strstr(text, "IMD (modulation), 250 Hz and 8 kHz, 4 to 1: the book, re f2\n");
  assert_non_null(first);
  assert_null(strstr(first + 1, "the book, re f2\n  IMD"));
  mt_results_destroy(&results);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(nothing_is_printed_of_nothing),
      cmocka_unit_test(highest_point_is_one_that_is_told_from_noise),
      cmocka_unit_test(curve_without_points_says_why),
      cmocka_unit_test(level_is_said_to_be_the_one_played),
      cmocka_unit_test(each_definition_is_given_once),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
