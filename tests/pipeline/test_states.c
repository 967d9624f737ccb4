/* A plan with states, walked through on a simulated unit that switches itself. */
#include "support.h"

#include <mendtone/report.h>
#include <mendtone/walk.h>

#include <dirent.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static char folder[] = "/tmp/mendtone-states-XXXXXX";
static char unit_path[64], keep_path[64];

/* -80 dBFS of noise on both channels, as much as the tones allow for a reading of 0.01 dB. */
static const char head[] = "left = { noise_dbfs = -80.0; crosstalk_db = -70.0; };\n"
                           "right = { noise_dbfs = -80.0; gain_db = -0.3; crosstalk_db = -70.0; };\n";

static void empty_keep(void)
{
  DIR *dir = opendir(keep_path);
  struct dirent *entry;
  while (dir != NULL && (entry = readdir(dir)) != NULL)
    unlinkat(dirfd(dir), entry->d_name, 0);
  if (dir != NULL)
    closedir(dir);
  rmdir(keep_path);
}

static int set_up(void **state)
{
  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(unit_path, sizeof unit_path, "%s/unit.cfg", folder);
  snprintf(keep_path, sizeof keep_path, "%s/kept", folder);
  return 0;
}

static int tear_down(void **state)
{
  (void)state;
  empty_keep();
  unlink(unit_path);
  return rmdir(folder);
}

static void write_unit(const char *states)
{
  FILE *file = fopen(unit_path, "w");
  assert_non_null(file);
  fprintf(file, "%sseed = %llu;\n%s", head, (unsigned long long)support_seed(11), states);
  assert_int_equal(fclose(file), 0);
}

static mt_plan *parse(const char *text)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  assert_ok(mt_plan_parse(text, "p.plan", &plan, &err), err);
  return plan;
}

static mt_walk *begin(const mt_plan *plan, const char *keep)
{
  mt_session_options options = mt_session_defaults();
  mt_walk *walk = NULL;
  mt_error err = {0};
  options.plan = plan;
  options.simulate = unit_path;
  assert_ok(mt_walk_create(&options, keep, &walk, &err), err);
  return walk;
}

static void take(mt_walk *walk, size_t index)
{
  mt_error err = {0};
  assert_ok(mt_walk_take(walk, index, &err), err);
  assert_int_equal(mt_walk_get_mark(walk, index), MT_WALK_TAKEN);
}

static mt_results *walk_all(const mt_plan *plan)
{
  mt_walk *walk = begin(plan, NULL);
  mt_results *results = NULL;
  mt_error err = {0};
  for (size_t i = 0; i < plan->nstates; i++)
    take(walk, i);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  mt_walk_destroy(&walk);
  return results;
}

static const mt_reading *find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                              const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++)
    if (results->readings[i].quantity == quantity && results->readings[i].channel == channel &&
        strcmp(results->readings[i].state, state) == 0)
      return &results->readings[i];
  fail_msg("no reading of %s in %s", mt_quantity_describe(quantity)->name, state);
  return NULL;
}

static double value(const mt_results *results, mt_quantity quantity, mt_channel channel, const char *state)
{
  const mt_reading *r = find(results, quantity, channel, state);
  if (r->validity != MT_VALID)
    fail_msg("%s is not valid: %s", mt_quantity_describe(quantity)->name, r->why);
  return r->value;
}

static const mt_finding *find_finding(const mt_results *results, const char *id)
{
  for (size_t i = 0; i < results->nfindings; i++)
    if (strcmp(results->findings[i].id, id) == 0)
      return &results->findings[i];
  return NULL;
}

/* ---- switches ------------------------------------------------------------------------------------------- */

static const char switches[] =
    "states = ( { name = \"flat\"; measure = (\"response\"); },\n"
    "  { name = \"lift\"; compare_with = \"flat\"; measure = (\"response\", \"boost\"); },\n"
    "  { name = \"pad\"; compare_with = \"flat\"; measure = (\"gain_change\"); } );\n"
    "limits = ( { quantity = \"boost\"; state = \"lift\"; min = 5.5; max = 7.5; unit = \"dB\"; },\n"
    "  { quantity = \"gain_change\"; state = \"pad\"; min = -10.1; max = -9.9; unit = \"dB\"; } );\n";

/*
 * Audio EQ Cookbook, low shelf of S = 1: half of its decibels at its frequency. To 0.05 dB and 2 %, which is finer than
 * any switch is made; a gain to 0.01 dB, which is ten times finer than a balance is heard.
 */
static void a_shelf_and_a_gain_are_read_as_they_are(void **state)
{
  mt_plan *plan = parse(switches);
  mt_results *results;
  (void)state;
  write_unit("states = ( { name = \"lift\"; left = { shelf_db = 6.5; shelf_hz = 100.0; };\n"
             "    right = { shelf_db = 6.5; shelf_hz = 100.0; }; },\n"
             "  { name = \"pad\"; left = { gain_db = -10.0; }; right = { gain_db = -10.3; }; } );\n");
  results = walk_all(plan);
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    assert_near(value(results, MT_Q_BOOST, c, "lift"), 6.5, 0.05, "dB");
    assert_near(value(results, MT_Q_BOOST_CORNER, c, "lift"), 100.0, 2.0, "Hz");
    assert_near(value(results, MT_Q_GAIN_CHANGE, c, "lift"), 0.0, 0.01, "dB");
    assert_near(value(results, MT_Q_GAIN_CHANGE, c, "pad"), -10.0, 0.01, "dB");
    /* its own uncertainty holds the truth, and is not wide enough to hold anything */
    assert_near(value(results, MT_Q_GAIN_CHANGE, c, "pad"), -10.0,
                find(results, MT_Q_GAIN_CHANGE, c, "pad")->uncertainty, "dB");
    assert_between(find(results, MT_Q_GAIN_CHANGE, c, "pad")->uncertainty, 0.001, 0.02, "dB");
    assert_int_equal(find(results, MT_Q_BOOST_FREQ, c, "pad")->validity, MT_NOT_MEASURED);
  }
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  assert_int_equal(results->ntakes, 3);
  assert_int_equal(results->takes[1].parts, MT_PARTS_RESPONSE);
  assert_null(find_finding(results, "switch-dead"));
  assert_null(find_finding(results, "switch-one-channel"));
  /* the lift is what it is meant to be, and no fault of the low end */
  assert_int_equal(results->nfindings, 0);
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

static void a_switch_that_is_dead_is_named_and_where(void **state)
{
  mt_plan *plan = parse(switches);
  mt_results *results;
  const mt_finding *f;
  (void)state;
  write_unit("states = ( { name = \"lift\"; left = { shelf_db = 6.5; shelf_hz = 100.0; }; } );\n");
  results = walk_all(plan);
  f = find_finding(results, "switch-one-channel");
  assert_true(f != NULL && f->channel == MT_RIGHT &&
              strstr(f->text, "State \"lift\" changes nothing on the right channel") != NULL);
  f = find_finding(results, "switch-dead");
  assert_true(f != NULL && f->nevidence == 4 &&
              strstr(f->text, "State \"pad\" changes nothing against \"flat\"") != NULL);
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

static void a_switch_that_is_for_something_else_is_not_called_dead(void **state)
{
  mt_plan *plan =
      parse("states = ( { name = \"normal\"; }, { name = \"inverted\"; compare_with = \"normal\"; } );\n"
            "expect_polarity = \"any\";\n");
  mt_results *results;
  const mt_change *polarity = NULL;
  (void)state;
  write_unit(
      "states = ( { name = \"inverted\"; left = { invert = true; }; right = { invert = true; }; } );\n");
  results = walk_all(plan);
  for (size_t i = 0; i < results->nchanges; i++)
    if (results->changes[i].quantity == MT_Q_POLARITY && results->changes[i].significant)
      polarity = &results->changes[i];
  assert_non_null(polarity);
  assert_null(find_finding(results, "switch-dead"));
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

/* ---- what is judged ------------------------------------------------------------------------------------- */

static size_t count(const mt_results *results, const char *state, mt_verdict verdict, const char *words)
{
  size_t n = 0;
  for (size_t i = 0; i < results->njudgements; i++)
    n += strcmp(results->judgements[i].state, state) == 0 && results->judgements[i].verdict == verdict &&
         strstr(results->judgements[i].text, words) != NULL;
  return n;
}

static void what_was_skipped_is_undecided_with_the_reason(void **state)
{
  mt_plan *plan = parse(switches);
  mt_walk *walk;
  mt_results *results = NULL;
  mt_error err = {0};
  (void)state;
  write_unit("states = ( { name = \"lift\"; left = { shelf_db = 6.5; shelf_hz = 100.0; };\n"
             "    right = { shelf_db = 6.5; shelf_hz = 100.0; }; } );\n");
  walk = begin(plan, NULL);
  assert_int_equal(mt_walk_finish(walk, &results, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "neither taken nor skipped"));
  take(walk, 0);
  take(walk, 1);
  assert_ok(mt_walk_skip(walk, 2, &err), err);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_int_equal(count(results, "pad", MT_VERDICT_UNDECIDED, "the state was skipped"), 5);
  assert_int_equal(count(results, "pad", MT_VERDICT_PASS, ""), 0);
  assert_int_equal(count(results, "lift", MT_VERDICT_PASS, ""), 6);
  mt_results_destroy(&results);
  /* what is compared with it is undecided, too */
  mt_walk_destroy(&walk);
  walk = begin(plan, NULL);
  assert_ok(mt_walk_skip(walk, 0, &err), err);
  take(walk, 1);
  take(walk, 2);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  assert_int_equal(
      count(results, "lift", MT_VERDICT_UNDECIDED, "\"flat\", which it is compared with, was skipped"), 1);
  mt_results_destroy(&results);
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
}

/* Limits without a state hold in every one; what spoils a take spoils its own state only. */
static void a_spoilt_take_spoils_its_own_state(void **state)
{
  mt_plan *plan =
      parse("states = ( { name = \"a\"; measure = (\"balance\"); },\n"
            "  { name = \"b\"; measure = (\"balance\"); }, { name = \"c\"; measure = (\"balance\"); } );\n"
            "limits = ( { quantity = \"balance\"; min = -0.5; max = 0.5; unit = \"dB\"; } );\n");
  mt_results *results;
  (void)state;
  write_unit("states = ( { name = \"b\"; dropouts = ( { kind = \"mute\"; at_s = 6.5; frames = 4000; } ); },\n"
             "  { name = \"c\"; dropouts = ( { kind = \"lose\"; at_s = 6.5; frames = 24; } ); } );\n");
  results = walk_all(plan);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_int_equal(count(results, "a", MT_VERDICT_PASS, ""), 5);
  assert_int_equal(count(results, "b", MT_VERDICT_UNDECIDED, "alance cannot be judged"), 1);
  assert_int_equal(count(results, "b", MT_VERDICT_PASS, ""), 4);
  /* the segment that lost frames is left out, the rest is read */
  assert_int_equal(count(results, "c", MT_VERDICT_UNDECIDED, "alance cannot be judged"), 1);
  assert_int_equal(count(results, "c", MT_VERDICT_PASS, ""), 4);
  assert_true(mt_results_find_take(results, "b")->valid && mt_results_find_take(results, "c")->valid);
  for (size_t i = 0; i < results->nproblems; i++)
    assert_true(results->problems[i].state[0] == 'b' || results->problems[i].state[0] == 'c');
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

static void what_is_seen_by_hand_is_judged_with_the_rest(void **state)
{
  mt_plan *plan =
      parse("states = ( { name = \"a\"; measure = (\"balance\"); } );\n"
            "by_hand = ( { ask = \"volts\"; unit = \"V\"; min = 4.75; max = 5.25; uncertainty = 0.02; },\n"
            "  { ask = \"lamp\"; expect = \"yes\"; }, { ask = \"serial\"; unit = \"no.\"; } );\n");
  mt_answer volts = {.ask = "volts", .is_number = true, .answered = true, .value = 5.0};
  mt_answer lamp = {.ask = "lamp", .answered = true, .yes = true};
  mt_walk *walk;
  mt_results *results = NULL;
  mt_error err = {0};
  static const struct {
    double volts;
    bool lamp;
    mt_verdict want;
  } cases[] = {{5.0, true, MT_VERDICT_PASS},
               {5.3, true, MT_VERDICT_FAIL},
               {5.24, true, MT_VERDICT_UNDECIDED}, /* 0.01 V inside, 0.016 V of guard band */
               {5.0, false, MT_VERDICT_FAIL}};
  (void)state;
  write_unit("");
  walk = begin(plan, NULL);
  take(walk, 0);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_int_equal(results->nanswers, 3);
  assert_string_equal(results->answers[0].text, "not answered");
  assert_int_equal(results->answers[2].verdict, MT_VERDICT_NONE);
  mt_results_destroy(&results);
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    volts.value = cases[i].volts;
    lamp.yes = cases[i].lamp;
    assert_ok(mt_walk_answer(walk, &lamp, &err), err);
    assert_ok(mt_walk_answer(walk, &volts, &err), err);
    assert_ok(mt_walk_finish(walk, &results, &err), err);
    assert_int_equal(results->verdict, cases[i].want);
    assert_string_equal(results->answers[0].ask, "volts");
    mt_results_destroy(&results);
  }
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
}

/* Silence alone proves nothing: a lead that is off is as quiet. */
static void silence_in_every_state_passes_nothing(void **state)
{
  mt_plan *plan = parse("states = ( { name = \"down\"; measure = (\"noise_a\"); } );\n"
                        "limits = ( { quantity = \"noise_a\"; max = -60.0; unit = \"dBFS\"; } );\n");
  mt_session_options options = mt_session_defaults();
  mt_walk *walk;
  mt_results *results = NULL;
  mt_error err = {0};
  (void)state;
  write_unit("states = ( { name = \"down\"; left = { mute = true; noise_dbfs = -90.0; };\n"
             "    right = { mute = true; noise_dbfs = -90.0; }; } );\n");
  walk = begin(plan, NULL);
  take(walk, 0);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
  mt_walk_destroy(&walk);
  options.plan = plan;
  options.simulate = unit_path;
  options.state = "down";
  assert_ok(mt_session_check(&options, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_int_equal(results->nproblems, 1);
  assert_non_null(strstr(results->problems[0].text, "a lead that is off"));
  /* said once, however often it is judged */
  assert_ok(mt_session_answer(&options, results, &err), err);
  assert_int_equal(results->nproblems, 1);
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
}

/* With the volume at zero not even the marks arrive. That is said, as a lead that came off looks the same. */
static void a_unit_that_is_turned_down_is_still_heard_hissing(void **state)
{
  mt_plan *plan = parse(
      "states = ( { name = \"up\"; measure = (\"balance\"); },\n"
      "  { name = \"down\"; measure = (\"noise_a\", \"hum\", \"clock_offset\"); },\n"
      "  { name = \"also down\"; measure = (\"noise_a\"); } );\n"
      "limits = ( { quantity = \"noise_a\"; state = \"also down\"; max = -85.0; unit = \"dBFS\"; } );\n");
  mt_walk *walk;
  mt_results *results = NULL;
  mt_error err = {0};
  (void)state;
  write_unit("states = ( { name = \"down\"; left = { mute = true; }; right = { mute = true; }; },\n"
             "  { name = \"also down\"; left = { mute = true; noise_dbfs = -90.0; };\n"
             "    right = { mute = true; noise_dbfs = -90.0; }; } );\n");
  walk = begin(plan, NULL);
  take(walk, 0);
  /* a clock asks for tones: there is no take without any */
  assert_int_equal(mt_walk_take(walk, 1, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "nothing of the stimulus came back"));
  assert_ok(mt_walk_skip(walk, 1, &err), err);
  take(walk, 2);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  /* white noise of -90 dBFS in 0 ... 24 kHz, A-weighted: 2.84 dB less (integral of IEC 61672-1's weighting over
     20 Hz to 20 kHz, 96.164 - 93.322 for 16 bits; the same as compare_sox.py holds) */
  assert_near(value(results, MT_Q_NOISE_A, MT_LEFT, "also down"), -92.84, 0.3, "dBFS");
  assert_non_null(find_finding(results, "nothing-arrives"));
  assert_false(mt_results_find_take(results, "also down")->has_clock_offset);
  assert_int_equal(find(results, MT_Q_NOISE_A, MT_RIGHT, "also down")->verdict, MT_VERDICT_PASS);
  mt_results_destroy(&results);
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
}

/* ---- the folder ----------------------------------------------------------------------------------------- */

static char *json_of(const mt_walk *walk)
{
  mt_results *results = NULL;
  char *json = NULL;
  mt_error err = {0};
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  assert_ok(mt_report_json(results, &json, &err), err);
  mt_results_destroy(&results);
  return json;
}

static void what_is_kept_is_the_same_to_the_last_digit(void **state)
{
  mt_plan *plan = parse(switches);
  mt_walk *walk;
  char *before, *after;
  mt_error err = {0};
  (void)state;
  empty_keep();
  write_unit("states = ( { name = \"lift\"; left = { shelf_db = 6.5; shelf_hz = 100.0; }; } );\n");
  walk = begin(plan, keep_path);
  assert_int_equal(mt_walk_count_resumed(walk), 0);
  take(walk, 0);
  take(walk, 1);
  take(walk, 1);
  assert_ok(mt_walk_skip(walk, 2, &err), err);
  before = json_of(walk);
  mt_walk_destroy(&walk);
  walk = begin(plan, keep_path);
  assert_int_equal(mt_walk_count_resumed(walk), 3);
  assert_int_equal(mt_walk_get_mark(walk, 2), MT_WALK_SKIPPED);
  after = json_of(walk);
  assert_string_equal(before, after);
  mt_walk_destroy(&walk);
  free(before);
  free(after);
  mt_plan_destroy(&plan);
}

static void expect_refusal(const mt_plan *plan, double level_dbfs, mt_code code, const char *words)
{
  mt_session_options options = mt_session_defaults();
  mt_walk *walk = NULL;
  mt_error err = {0};
  options.plan = plan;
  options.simulate = unit_path;
  options.level_dbfs = level_dbfs;
  assert_int_equal(mt_walk_create(&options, keep_path, &walk, &err), code);
  assert_null(walk);
  if (strstr(err.message, words) == NULL)
    fail_msg("\"%s\" does not say \"%s\"", err.message, words);
}

static void write_file(const char *name, const char *text)
{
  char path[160];
  FILE *file;
  snprintf(path, sizeof path, "%s/%s", keep_path, name);
  file = fopen(path, "w");
  assert_non_null(file);
  fputs(text, file);
  assert_int_equal(fclose(file), 0);
}

static void what_does_not_belong_together_is_refused(void **state)
{
  mt_plan *plan = parse(switches), *other = parse("states = ( { name = \"flat\"; } );\n");
  mt_walk *walk;
  (void)state;
  empty_keep();
  write_unit("");
  walk = begin(plan, keep_path);
  take(walk, 0);
  expect_refusal(plan, (double)NAN, MT_E_ARG, "another mendtone is at work there");
  mt_walk_destroy(&walk);
  expect_refusal(other, (double)NAN, MT_E_ARG, "was begun with another plan");
  expect_refusal(plan, -30.0, MT_E_ARG, "was begun with other options");
  write_file("take-flat.json", "{ damaged");
  expect_refusal(plan, (double)NAN, MT_E_DATA, "remove it to take that state again");
  empty_keep();
  assert_int_equal(mkdir(keep_path, 0777), 0);
  write_file("take-flat.wav", "somebody's");
  expect_refusal(plan, (double)NAN, MT_E_CREATE, "no walk was begun");
  mt_plan_destroy(&plan);
  mt_plan_destroy(&other);
}

/* Killed between the two renames, or before the first: the new take counts once its readings are there. */
static void what_a_kill_leaves_is_finished_or_forgotten(void **state)
{
  mt_plan *plan = parse("states = ( { name = \"a\"; measure = (\"noise_a\"); } );\n");
  char from[160], to[160];
  mt_walk *walk;
  (void)state;
  empty_keep();
  write_unit("");
  walk = begin(plan, keep_path);
  take(walk, 0);
  mt_walk_destroy(&walk);
  /* the readings not yet in place */
  snprintf(from, sizeof from, "%s/take-a.json", keep_path);
  snprintf(to, sizeof to, "%s/take-a.new.json", keep_path);
  assert_int_equal(rename(from, to), 0);
  write_file("take-a.wav.123.part", "half");
  walk = begin(plan, keep_path);
  assert_int_equal(mt_walk_get_mark(walk, 0), MT_WALK_TAKEN);
  mt_walk_destroy(&walk);
  assert_int_equal(access(from, F_OK), 0);
  assert_int_not_equal(access(to, F_OK), 0);
  /* a take without readings is none; the earlier one stands */
  write_file("take-a.new.wav", "whole or not");
  walk = begin(plan, keep_path);
  assert_int_equal(mt_walk_get_mark(walk, 0), MT_WALK_TAKEN);
  mt_walk_destroy(&walk);
  snprintf(to, sizeof to, "%s/take-a.new.wav", keep_path);
  assert_int_not_equal(access(to, F_OK), 0);
  snprintf(to, sizeof to, "%s/take-a.wav.123.part", keep_path);
  assert_int_not_equal(access(to, F_OK), 0);
  mt_plan_destroy(&plan);
}

static void names_of_states_make_names_of_files(void **state)
{
  mt_plan *plan = parse(
      "states = ( { name = \"a b\"; measure = (\"noise\"); }, { name = \"a/b\"; measure = (\"noise\"); },\n"
      "  { name = \"../x \\\"y\\\"\"; measure = (\"noise\"); } );\n");
  static const char *const want[] = {"take-a%20b.wav", "take-a%2Fb.wav", "take-..%2Fx%20%22y%22.wav"};
  mt_walk *walk;
  mt_error err = {0};
  char path[160];
  (void)state;
  empty_keep();
  write_unit("");
  walk = begin(plan, keep_path);
  take(walk, 0);
  take(walk, 1);
  assert_ok(mt_walk_skip(walk, 2, &err), err);
  mt_walk_destroy(&walk);
  walk = begin(plan, keep_path);
  assert_int_equal(mt_walk_count_resumed(walk), 3);
  take(walk, 2);
  for (size_t i = 0; i < 3; i++) {
    snprintf(path, sizeof path, "%s/%s", keep_path, want[i]);
    assert_int_equal(access(path, F_OK), 0);
  }
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
}

/* A recording of a short part is known again by the distance of its marks. */
static void a_kept_take_is_read_again_from_its_file(void **state)
{
  static const mt_parts want[] = {MT_PARTS_RESPONSE, MT_PARTS_TONES, MT_PARTS_NOISE};
  mt_plan *plan = parse(
      "states = ( { name = \"r\"; measure = (\"response\"); }, { name = \"t\"; measure = (\"balance\"); },\n"
      "  { name = \"n\"; measure = (\"noise_a\"); } );\n");
  mt_walk *walk;
  (void)state;
  empty_keep();
  write_unit("");
  walk = begin(plan, keep_path);
  for (size_t i = 0; i < 3; i++) {
    mt_session_options options = mt_session_defaults();
    mt_results *results = NULL;
    mt_error err = {0};
    char path[160];
    take(walk, i);
    snprintf(path, sizeof path, "%s/take-%c.wav", keep_path, "rtn"[i]);
    assert_ok(mt_session_analyse(path, &options, &results, &err), err);
    assert_true(results->is_stimulus);
    assert_int_equal(results->stimulus_parts, want[i]);
    /* the built-in plan asks for more than there is */
    assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
    mt_results_destroy(&results);
  }
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_shelf_and_a_gain_are_read_as_they_are),
      cmocka_unit_test(a_switch_that_is_dead_is_named_and_where),
      cmocka_unit_test(a_switch_that_is_for_something_else_is_not_called_dead),
      cmocka_unit_test(what_was_skipped_is_undecided_with_the_reason),
      cmocka_unit_test(a_spoilt_take_spoils_its_own_state),
      cmocka_unit_test(what_is_seen_by_hand_is_judged_with_the_rest),
      cmocka_unit_test(a_unit_that_is_turned_down_is_still_heard_hissing),
      cmocka_unit_test(silence_in_every_state_passes_nothing),
      cmocka_unit_test(what_is_kept_is_the_same_to_the_last_digit),
      cmocka_unit_test(what_does_not_belong_together_is_refused),
      cmocka_unit_test(what_a_kill_leaves_is_finished_or_forgotten),
      cmocka_unit_test(names_of_states_make_names_of_files),
      cmocka_unit_test(a_kept_take_is_read_again_from_its_file),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
