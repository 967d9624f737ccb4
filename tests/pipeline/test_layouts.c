/* A recording of any stimulus is read for what it is, whether or not it is said what it holds. */
#include "support.h"

#include <mendtone/report.h>
#include <mendtone/session.h>

#include <unistd.h>

static char folder[] = "/tmp/mendtone-layouts-XXXXXX";
static char unit_path[64], take_path[64];

static int set_up(void **state)
{
  FILE *file;
  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(unit_path, sizeof unit_path, "%s/unit.cfg", folder);
  snprintf(take_path, sizeof take_path, "%s/take.wav", folder);
  file = fopen(unit_path, "w");
  if (file == NULL)
    return -1;
  fputs("left = { clip = 0.25; noise_dbfs = -95.0; order_2 = 0.01; crosstalk_db = -60.0; };\n"
        "right = { clip = 0.25; noise_dbfs = -95.0; order_2 = 0.01; crosstalk_db = -60.0; };\n"
        "clock_offset_ppm = 120.0;\ndelay_s = 0.05;\n",
        file);
  return fclose(file);
}

static int tear_down(void **state)
{
  (void)state;
  unlink(take_path);
  unlink(unit_path);
  return rmdir(folder);
}

static size_t count_readings(const mt_results *results, mt_quantity quantity)
{
  size_t n = 0;
  for (size_t i = 0; i < results->nreadings; i++)
    n += results->readings[i].quantity == quantity;
  return n;
}

static mt_results *check(unsigned extras, double max_level_dbfs)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_error err = {0};

  options.simulate = unit_path;
  options.save_take = take_path;
  options.has_extras = true;
  options.extras = extras;
  options.max_level_dbfs = max_level_dbfs;
  assert_ok(mt_session_check(&options, &results, &err), err);
  return results;
}

static void any_layout_is_found_by_the_distance_of_its_marks(void **state)
{
  static const unsigned masks[] = {0, MT_EXTRA_LEVELS, MT_EXTRA_INTERMODULATION | MT_EXTRA_LEVELS,
                                   MT_EXTRAS_ALL};
  (void)state;
  for (size_t m = 0; m < sizeof masks / sizeof masks[0]; m++) {
    unsigned extras = masks[m];
    bool levels = (extras & MT_EXTRA_LEVELS) != 0;
    mt_session_options options = mt_session_defaults();
    mt_results *played = check(extras, levels ? -6.0 : (double)NAN), *found = NULL;
    mt_error err = {0};
    /* expected, if anything, is something else than there is */
    options.has_extras = m % 2 == 1;
    options.extras = MT_EXTRA_CROSSTALK;
    options.max_level_dbfs = levels ? -6.0 : (double)NAN;
    assert_ok(mt_session_analyse(take_path, &options, &found, &err), err);
    assert_int_equal(played->stimulus_extras, extras);
    assert_int_equal(found->stimulus_extras, extras);
    assert_true(found->is_stimulus);
    /* nothing is known of each channel's delay when it was recorded by someone else */
    assert_int_equal(found->nreadings, played->nreadings - 2);
    assert_int_equal(found->ncurves, played->ncurves);
    assert_int_equal(count_readings(found, MT_Q_IMD_MOD), (extras & MT_EXTRA_INTERMODULATION) != 0 ? 8 : 0);
    assert_int_equal(count_readings(found, MT_Q_MAX_LEVEL), levels ? 2 : 0);
    /* both go through the same code; the file holds the very samples */
    for (size_t i = 0, k = 0; i < found->nreadings; i++, k++) {
      while (played->readings[k].quantity == MT_Q_DELAY && played->readings[k].channel >= 0)
        k++;
      assert_int_equal(played->readings[k].quantity, found->readings[i].quantity);
      assert_int_equal(played->readings[k].validity, found->readings[i].validity);
      if (found->readings[i].validity == MT_VALID)
        assert_near(found->readings[i].value, played->readings[k].value, 1e-9, "");
    }
    mt_results_destroy(&played);
    mt_results_destroy(&found);
  }
}

static void plan_asks_for_extras_and_says_at_which_distortion(void **state)
{
  static const char *const percents[] = {"1.0", "10.0"};
  double levels[2];
  (void)state;
  for (size_t i = 0; i < 2; i++) {
    mt_session_options options = mt_session_defaults();
    mt_results *results = NULL;
    mt_plan *plan = NULL;
    char whole[300];
    mt_error err = {0};
    snprintf(whole, sizeof whole,
             "extras = (\"levels\");\nmax_level_dbfs = -6.0;\nmax_level_thd_percent = %s;\n"
             "limits = ({ quantity = \"max_level\"; min = -13.0; unit = \"dBFS\"; });\n",
             percents[i]);
    assert_ok(mt_plan_parse(whole, "p.cfg", &plan, &err), err);
    options.plan = plan;
    options.simulate = unit_path;
    assert_ok(mt_session_check(&options, &results, &err), err);
    assert_int_equal(results->stimulus_extras, MT_EXTRA_LEVELS);
    levels[i] = mt_results_find(results, MT_Q_MAX_LEVEL, MT_LEFT, "levels")->value;
    assert_int_equal(mt_results_find(results, MT_Q_MAX_LEVEL, MT_LEFT, "levels")->verdict, MT_VERDICT_PASS);
    mt_results_destroy(&results);
    mt_plan_destroy(&plan);
  }
  /* the more distortion is allowed, the louder: of a hard clip 1.94 dB of drive give 8.94 %, and 0.98 dB more of the
     fundamental, 0.25 dB give 1 % */
  assert_between(levels[1] - levels[0], 0.6, 1.4, "dB");
}

/* The plan's rate is what the stimulus was made for, in a recording as well. */
static void plan_with_a_rate_reads_its_own_recording(void **state)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = check(0, (double)NAN);
  mt_plan *plan = NULL;
  mt_error err = {0};
  (void)state;
  mt_results_destroy(&results);
  assert_ok(mt_plan_parse("rate_hz = 48000.0;", "p.cfg", &plan, &err), err);
  options.plan = plan;
  assert_ok(mt_session_analyse(take_path, &options, &results, &err), err);
  assert_true(results->is_stimulus);
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

/* All that extras add survives a file and comes out of the report. */
static void results_of_extras_survive_a_file(void **state)
{
  mt_results *results = check(MT_EXTRAS_ALL, -6.0), *back = NULL;
  char json_path[80];
  char *before = NULL, *after = NULL;
  mt_error err = {0};
  (void)state;
  snprintf(json_path, sizeof json_path, "%s/results.json", folder);
  assert_ok(mt_report_write_json(results, json_path, &err), err);
  assert_ok(mt_report_read_json(json_path, &back, &err), err);
  assert_ok(mt_report_json(results, &before, &err), err);
  assert_ok(mt_report_json(back, &after, &err), err);
  assert_string_equal(before, after);
  assert_non_null(strstr(before, "\"extras\":[\"intermodulation\",\"levels\",\"crosstalk\"]"));
  assert_non_null(strstr(before, "\"x_unit\":\"dBFS\""));
  assert_non_null(strstr(before, "\"floor\":["));
  assert_non_null(strstr(before, "\"definition\":\"IEC 60268-3:2013 14.12.7"));
  free(before);
  free(after);
  mt_results_destroy(&results);
  mt_results_destroy(&back);
  unlink(json_path);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(any_layout_is_found_by_the_distance_of_its_marks),
      cmocka_unit_test(plan_asks_for_extras_and_says_at_which_distortion),
      cmocka_unit_test(plan_with_a_rate_reads_its_own_recording),
      cmocka_unit_test(results_of_extras_survive_a_file),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
