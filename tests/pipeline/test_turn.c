/* A state in which a knob is turned, on simulated controls of known tracking, range, steps and wear. */
#include "support.h"

#include "base/random.h"

#include <mendtone/compare.h>
#include <mendtone/report.h>
#include <mendtone/session.h>
#include <mendtone/simulate.h>

#include <unistd.h>

static char folder[] = "/tmp/mendtone-turn-XXXXXX";
static char unit_path[64], take_path[64];

static int set_up(void **state)
{
  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(unit_path, sizeof unit_path, "%s/unit.cfg", folder);
  snprintf(take_path, sizeof take_path, "%s/take.wav", folder);
  return 0;
}

static int tear_down(void **state)
{
  (void)state;
  unlink(unit_path);
  unlink(take_path);
  return rmdir(folder);
}

static const char plan_text[] =
    "states = ( { name = \"travel\"; set = \"Volume at full\"; turn = \"volume\"; } );\n"
    "limits = ( { quantity = \"tracking_error_40\"; min = -3.0; max = 3.0; unit = \"dB\"; },"
    "           { quantity = \"scratches\"; max = 0.0; unit = \"count\"; } );";

static mt_results *check(const char *unit, const char *save, mt_code want, mt_error *err)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_plan *plan = NULL;
  FILE *file = fopen(unit_path, "w");

  assert_non_null(file);
  fputs(unit, file);
  assert_int_equal(fclose(file), 0);
  assert_ok(mt_plan_parse(plan_text, "p.plan", &plan, err), *err);
  options.plan = plan;
  options.simulate = unit_path;
  options.state = "travel";
  options.save_take = save;
  assert_int_equal(mt_session_check(&options, &results, err), want);
  mt_plan_destroy(&plan);
  return results;
}

static const mt_reading *find(const mt_results *results, mt_quantity quantity, mt_channel channel)
{
  const mt_reading *r = mt_results_find(results, quantity, channel, "turn");
  if (r == NULL)
    fail_msg("no reading of %s", mt_quantity_describe(quantity)->name);
  return r;
}

static double uniform(mt_random *random, double low, double high)
{
  return low + (high - low) * mt_random_uniform(random);
}

/* The unit's own truth, from its description. */
static mt_simulated_unit truth_of(const char *unit)
{
  mt_simulated_unit out;
  mt_error err = {0};
  assert_ok(mt_simulate_parse(unit, "unit.cfg", &out, &err), err);
  return out;
}

static double error_at(const mt_simulated_volume *v, double down_db)
{
  return mt_simulate_track_db(v, 0, down_db) - mt_simulate_track_db(v, 1, down_db);
}

typedef struct share {
  size_t n, inside;
} share;

static void count(share *s, const mt_reading *r, double truth)
{
  if (r->validity != MT_VALID)
    return;
  s->n++;
  s->inside += fabs(r->value - truth) <= r->uncertainty;
}

/* The worst is the mean over one decibel of attenuation, whose place the reading says: it is held against the largest
   there is within a decibel of it. */
static double worst_near(const mt_simulated_volume *v, const mt_reading *r)
{
  double at = 0.0, best = HUGE_VAL;
  assert_int_equal(sscanf(r->definition, "at -%lf dB", &at), 1);
  for (double d = fmax(0.0, at - 1.0); d <= fmin(at + 1.0, v->range_db); d += 0.05)
    if (fabs(error_at(v, d) - r->value) < fabs(best - r->value))
      best = error_at(v, d);
  return best;
}

/* k = 2 of so many: 95 % less three standard deviations of a share of 40 is 85 %. */
static void readings_hold_the_truth_of_random_controls(void **state)
{
  mt_random random;
  share range = {0, 0}, cells = {0, 0}, worst = {0, 0};
  double most_off_db = 0.0;
  (void)state;
  mt_random_init(&random, support_seed(31));
  for (int run = 0; run < 20; run++) {
    char unit[900];
    double range_db = uniform(&random, 30.0, 65.0);
    mt_simulated_unit simulated;
    const mt_curve *curve;
    const mt_reading *r;
    double largest = 0.0;
    mt_results *results;
    mt_error err = {0};
    snprintf(unit, sizeof unit,
             "seed = %d.0; clock_offset_ppm = %.1f; delay_s = 0.03;\n"
             "left = { noise_dbfs = %.1f; crosstalk_db = -60.0; order_3 = 0.01; };\n"
             "right = { noise_dbfs = %.1f; gain_db = %.2f; crosstalk_db = -60.0; };\n"
             "volume = { range_db = %.2f; from_s = %.2f; to_s = %.2f; back_s = %.2f; up_s = 25.0;"
             " tracking = ( { at_db = 0.0; db = 0.0; }, { at_db = 15.0; db = %.2f; }, { at_db = 30.0; db = "
             "%.2f; },"
             " { at_db = 50.0; db = %.2f; } ); };\n",
             run + 1, uniform(&random, -100.0, 100.0), uniform(&random, -100.0, -80.0),
             uniform(&random, -100.0, -80.0), uniform(&random, -1.0, 1.0), range_db,
             uniform(&random, 3.0, 5.0), uniform(&random, 11.0, 13.0), uniform(&random, 13.5, 15.0),
             uniform(&random, -3.0, 3.0), uniform(&random, -3.0, 3.0), uniform(&random, -3.0, 3.0));
    results = check(unit, NULL, MT_OK, &err);
    assert_non_null(results);
    assert_true(results->valid);
    simulated = truth_of(unit);
    count(&range, find(results, MT_Q_CONTROL_RANGE, MT_LEFT), range_db);
    count(&range, find(results, MT_Q_CONTROL_RANGE, MT_RIGHT),
          range_db + error_at(&simulated.volume, range_db));
    r = find(results, MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH);
    if (r->validity == MT_VALID) {
      count(&worst, r, worst_near(&simulated.volume, r));
      /* and there is none much larger: a corner of 0.4 dB in a decibel, cut over one */
      for (double d = 0.0; d < 40.0 && d < range_db; d += 0.1)
        largest = fmax(largest, fabs(error_at(&simulated.volume, d)));
      most_off_db = fmax(most_off_db, largest - fabs(r->value) - r->uncertainty);
    }
    curve = mt_results_find_curve(results, MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH);
    assert_non_null(curve);
    assert_int_equal(mt_curve_x_unit(curve), MT_UNIT_DB);
    for (size_t i = 0; i < curve->npoints; i++) {
      double x = curve->x[i];
      if (fabs(x - 15.0) < 1.0 || fabs(x - 30.0) < 1.0 || fabs(x - 50.0) < 1.0)
        continue; /* a corner is cut */
      cells.n++;
      cells.inside += fabs(curve->y[i] - error_at(&simulated.volume, x)) <= curve->uncertainty[i];
    }
    for (int c = 0; c < 2; c++) {
      assert_near(find(results, MT_Q_SCRATCHES, c)->value, 0.0, 0.0, "");
      assert_near(find(results, MT_Q_DEAD_SPOTS, c)->value, 0.0, 0.0, "");
      assert_near(find(results, MT_Q_LEVEL_JUMPS, c)->value, 0.0, 0.0, "");
    }
    mt_results_destroy(&results);
  }
  printf("inside their interval: %zu of %zu ranges, %zu of %zu cells, %zu of %zu worst; beyond by %.3f dB\n",
         range.inside, range.n, cells.inside, cells.n, worst.inside, worst.n, most_off_db);
  assert_true(range.n >= 20 && worst.n >= 15 && cells.n > 500);
  assert_between((double)range.inside / (double)range.n, 0.85, 1.0, "");
  assert_between((double)cells.inside / (double)cells.n, 0.93, 1.0, "");
  assert_between((double)worst.inside / (double)worst.n, 0.85, 1.0, "");
  assert_between(most_off_db, -10.0, 0.2, "dB");
}

#define QUIET                                                                                                \
  "left = { noise_dbfs = -85.0; crosstalk_db = -70.0; };\n"                                                  \
  "right = { noise_dbfs = -85.0; crosstalk_db = -70.0; };\n"
#define TURNED "from_s = 4.0; to_s = 13.0; back_s = 15.0; up_s = 24.0; "

static void steps_of_half_a_decibel_are_counted(void **state)
{
  mt_error err = {0};
  mt_results *results =
      check(QUIET "volume = { range_db = 40.0; " TURNED "step_db = 0.5; };", NULL, MT_OK, &err);
  (void)state;
  assert_near(find(results, MT_Q_CONTROL_STEPS, MT_CHANNEL_BOTH)->value, 80.0, 0.0, "");
  assert_near(find(results, MT_Q_STEP_SIZE, MT_CHANNEL_BOTH)->value, 0.5,
              find(results, MT_Q_STEP_SIZE, MT_CHANNEL_BOTH)->uncertainty + 1e-4, "dB");
  assert_null(mt_results_find(results, MT_Q_LEVEL_JUMPS, MT_LEFT, "turn"));
  assert_near(find(results, MT_Q_SCRATCHES, MT_LEFT)->value, 0.0, 0.0, "");
  mt_results_destroy(&results);
}

static bool has_finding(const mt_results *results, const char *id, mt_channel channel)
{
  for (size_t i = 0; i < results->nfindings; i++)
    if (strcmp(results->findings[i].id, id) == 0 && results->findings[i].channel == channel)
      return results->findings[i].nevidence > 0;
  return false;
}

static void a_worn_control_fails_and_says_where(void **state)
{
  static const char unit[] =
      QUIET "volume = { range_db = 60.0; " TURNED
            "scratches = ( { at_s = 6.0; length_s = 0.01; level_dbfs = -60.0; channels = \"left\"; },"
            "              { at_s = 20.0; length_s = 0.004; level_dbfs = -70.0; channels = \"left\"; } );"
            "dead = ( { from_db = 25.0; to_db = 29.0; channels = \"right\"; },"
            "         { from_db = 10.0; to_db = 11.0; loss_db = 30.0; channels = \"left\"; } ); };";
  mt_error err = {0};
  mt_results *results = check(unit, NULL, MT_OK, &err);
  const mt_curve *curve;
  (void)state;
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  assert_near(find(results, MT_Q_SCRATCHES, MT_LEFT)->value, 2.0, 0.0, "");
  assert_near(find(results, MT_Q_SCRATCHES, MT_RIGHT)->value, 0.0, 0.0, "");
  assert_near(find(results, MT_Q_DEAD_SPOTS, MT_LEFT)->value, 1.0, 0.0, "");
  assert_near(find(results, MT_Q_DEAD_SPOTS, MT_RIGHT)->value, 1.0, 0.0, "");
  assert_near(find(results, MT_Q_LEVEL_JUMPS, MT_RIGHT)->value, 2.0, 0.0, ""); /* where it follows again */
  assert_true(has_finding(results, "knob-scratches", MT_LEFT));
  assert_true(has_finding(results, "knob-gap", MT_LEFT));
  assert_true(has_finding(results, "knob-stuck", MT_RIGHT));
  assert_false(has_finding(results, "knob-stuck", MT_LEFT));
  curve = mt_results_find_curve(results, MT_Q_SCRATCH_LEVEL, MT_LEFT);
  assert_non_null(curve);
  assert_int_equal(curve->npoints, 2);
  assert_near(curve->x[0], 6.0, 0.0021, "s"); /* chunks of 2 ms */
  assert_near(curve->x[1], 20.0, 0.0021, "s");
  mt_results_destroy(&results);
}

static void a_channel_lost_low_down_is_said_and_the_range_is_a_bound(void **state)
{
  static const char unit[] =
      QUIET "volume = { range_db = 55.0; " TURNED
            "dead = ( { from_db = 38.0; to_db = 90.0; loss_db = 60.0; channels = \"right\"; } ); };";
  mt_error err = {0};
  mt_results *results = check(unit, NULL, MT_OK, &err);
  (void)state;
  assert_near(find(results, MT_Q_DEAD_SPOTS, MT_RIGHT)->value, 1.0, 0.0, "");
  assert_true(has_finding(results, "knob-gap", MT_RIGHT));
  assert_int_equal(find(results, MT_Q_CONTROL_RANGE, MT_RIGHT)->validity, MT_RIG_LIMITED);
  assert_int_equal(find(results, MT_Q_CONTROL_RANGE, MT_LEFT)->validity, MT_VALID);
  /* not followed that far: undecided, and no pass */
  assert_int_equal(find(results, MT_Q_TRACKING_ERROR_40, MT_CHANNEL_BOTH)->validity, MT_NOT_MEASURED);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

/* Noise 8 dB below the tone hides a gap that lies 4 dB down: none found is not none. */
static void what_noise_hides_is_not_passed(void **state)
{
  mt_error err = {0};
  mt_results *results =
      check("left = { noise_dbfs = -28.0; }; right = { noise_dbfs = -28.0; };\n"
            "volume = { range_db = 50.0; " TURNED
            "dead = ( { from_db = 12.0; to_db = 18.0; loss_db = 35.0; channels = \"left\"; } ); };",
            NULL, MT_OK, &err);
  (void)state;
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    assert_int_equal(find(results, MT_Q_DEAD_SPOTS, c)->validity, MT_NOT_MEASURED);
    assert_non_null(strstr(find(results, MT_Q_DEAD_SPOTS, c)->why, "noise hides them"));
    assert_int_equal(find(results, MT_Q_LEVEL_JUMPS, c)->validity, MT_NOT_MEASURED);
  }
  mt_results_destroy(&results);
}

static void a_gap_needs_the_other_channel_to_be_told(void **state)
{
  mt_error err = {0};
  mt_results *results =
      check("left = { noise_dbfs = -85.0; }; right = { noise_dbfs = -85.0; gain_db = -120.0; };\n"
            "volume = { range_db = 50.0; " TURNED
            "dead = ( { from_db = 12.0; to_db = 18.0; loss_db = 35.0; channels = \"left\"; } ); };",
            NULL, MT_OK, &err);
  const mt_reading *r = find(results, MT_Q_DEAD_SPOTS, MT_LEFT);
  (void)state;
  assert_int_equal(r->validity, MT_NOT_MEASURED);
  assert_non_null(strstr(r->why, "right channel carries no tone"));
  mt_results_destroy(&results);
}

static void a_knob_nobody_turned_is_not_measured(void **state)
{
  mt_error err = {0};
  mt_results *results = check(QUIET, NULL, MT_OK, &err);
  const mt_reading *r = find(results, MT_Q_SCRATCHES, MT_LEFT);
  (void)state;
  assert_int_equal(r->validity, MT_NOT_MEASURED);
  assert_non_null(strstr(r->why, "hardly turned"));
  assert_int_equal(find(results, MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH)->validity, MT_NOT_MEASURED);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

static void a_knob_left_down_is_refused_with_what_to_do(void **state)
{
  mt_error err = {0};
  mt_results *results =
      check(QUIET "volume = { range_db = 90.0; from_s = 4.0; to_s = 13.0; };", NULL, MT_E_DATA, &err);
  (void)state;
  assert_null(results);
  assert_non_null(strstr(err.message, "up again before the tones end"));
}

static void swapped_channels_are_not_taken_for_a_control(void **state)
{
  mt_error err = {0};
  mt_results *results =
      check("swap = true; left = { noise_dbfs = -85.0; }; right = { noise_dbfs = -85.0; };\n"
            "volume = { range_db = 40.0; " TURNED "};",
            NULL, MT_OK, &err);
  const mt_reading *r = find(results, MT_Q_CONTROL_RANGE, MT_LEFT);
  (void)state;
  assert_int_equal(r->validity, MT_NO_SIGNAL);
  assert_non_null(strstr(r->why, "hears the right one's tone"));
  mt_results_destroy(&results);
}

/* The recording alone tells what it is, by the distance of its marks, and reads the same. */
static void the_recording_reads_as_the_check_did(void **state)
{
  mt_session_options options = mt_session_defaults();
  mt_results *live, *again = NULL;
  mt_error err = {0};
  (void)state;
  live = check(QUIET "volume = { range_db = 50.0; " TURNED
                     "tracking = ( { at_db = 0.0; db = 0.0; }, { at_db = 40.0; db = 1.5; } ); };",
               take_path, MT_OK, &err);
  assert_ok(mt_session_analyse(take_path, &options, &again, &err), err);
  assert_int_equal(again->stimulus_parts, MT_PARTS_TURN);
  for (size_t i = 0; i < live->nreadings; i++) {
    const mt_reading *a = &live->readings[i];
    const mt_reading *b = mt_results_find(again, a->quantity, a->channel, a->segment);
    assert_non_null(b);
    assert_int_equal(a->validity, b->validity);
    if (strcmp(a->segment, "turn") == 0 && a->validity == MT_VALID)
      assert_near(b->value, a->value, 1e-9, "");
  }
  mt_results_destroy(&live);
  mt_results_destroy(&again);
}

/* Another hand on the same control, at other times: what is over attenuation is compared, what is over time is not. */
static void two_hands_on_one_control_do_not_differ(void **state)
{
  static const char *const times[] = {"from_s = 4.0; to_s = 13.0; back_s = 15.0; up_s = 24.0; ",
                                      "from_s = 5.0; to_s = 11.0; back_s = 12.0; up_s = 20.0; "};
  mt_results *takes[2], *back = NULL;
  mt_comparison *comparison = NULL;
  const mt_curve *curve, *curve_back;
  size_t ntracking = 0;
  mt_error err = {0};
  (void)state;
  for (int i = 0; i < 2; i++) {
    char unit[500];
    snprintf(unit, sizeof unit,
             "seed = %d.0;\n" QUIET "volume = { range_db = 50.0; %s"
             "tracking = ( { at_db = 0.0; db = 0.0; }, { at_db = 40.0; db = 1.5; } ); };",
             i + 1, times[i]);
    takes[i] = check(unit, NULL, MT_OK, &err);
  }
  /* by way of a file, as two stages are compared */
  assert_ok(mt_report_write_json(takes[1], take_path, &err), err);
  assert_ok(mt_report_read_json(take_path, &back, &err), err);
  curve = mt_results_find_curve(takes[1], MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH);
  curve_back = mt_results_find_curve(back, MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH);
  assert_non_null(curve_back);
  assert_int_equal(mt_curve_x_unit(curve_back), MT_UNIT_DB);
  assert_int_equal(curve_back->npoints, curve->npoints);
  assert_ok(mt_compare_results(takes[0], back, &comparison, &err), err);
  for (size_t i = 0; i < comparison->ncurves; i++) {
    const mt_compared_curve *c = &comparison->curves[i];
    assert_int_not_equal(c->x_unit, MT_UNIT_SECOND);
    ntracking += c->quantity == MT_Q_TRACKING_ERROR;
    if (c->quantity == MT_Q_TRACKING_ERROR)
      assert_int_equal(c->contrast, MT_CONTRAST_SAME);
  }
  assert_int_equal(ntracking, 1);
  mt_comparison_destroy(&comparison);
  for (int i = 0; i < 2; i++)
    mt_results_destroy(&takes[i]);
  mt_results_destroy(&back);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(readings_hold_the_truth_of_random_controls),
      cmocka_unit_test(steps_of_half_a_decibel_are_counted),
      cmocka_unit_test(a_worn_control_fails_and_says_where),
      cmocka_unit_test(a_channel_lost_low_down_is_said_and_the_range_is_a_bound),
      cmocka_unit_test(what_noise_hides_is_not_passed),
      cmocka_unit_test(a_gap_needs_the_other_channel_to_be_told),
      cmocka_unit_test(a_knob_nobody_turned_is_not_measured),
      cmocka_unit_test(a_knob_left_down_is_refused_with_what_to_do),
      cmocka_unit_test(swapped_channels_are_not_taken_for_a_control),
      cmocka_unit_test(two_hands_on_one_control_do_not_differ),
      cmocka_unit_test(the_recording_reads_as_the_check_did),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
