/* Results read again from their takes: the same readings, and what the samples cannot tell is not forgotten. */
#include "support.h"

#include <mendtone/report.h>
#include <mendtone/walk.h>

#include <stdlib.h>
#include <unistd.h>

static char folder[] = "/tmp/mendtone-again-XXXXXX";
static char unit_path[64], take_path[64], json_path[64];

static const char plan_text[] =
    "states = ( { name = \"flat\"; set = \"lift off\"; measure = (\"thd_n\"); },\n"
    "           { name = \"low\"; set = \"lift on\"; measure = (\"thd_n\"); } );\n"
    "limits = ( { quantity = \"thd_n\"; state = \"flat\"; max = 1.0; unit = \"%\"; },\n"
    "           { quantity = \"thd_n\"; state = \"low\"; max = 1.0; unit = \"%\"; } );\n"
    "by_hand = ( { ask = \"supply\"; unit = \"V\"; min = 4.75; max = 5.25; },\n"
    "            { ask = \"lamp lights\"; expect = \"yes\"; } );\n";

static int set_up(void **state)
{
  FILE *file;

  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(unit_path, sizeof unit_path, "%s/unit.cfg", folder);
  snprintf(take_path, sizeof take_path, "%s/take.wav", folder);
  snprintf(json_path, sizeof json_path, "%s/results.json", folder);
  file = fopen(unit_path, "w");
  if (file == NULL)
    return -1;
  fputs("left = { noise_dbfs = -90.0; };\nright = { noise_dbfs = -90.0; };\ndelay_s = 0.01;\n", file);
  return fclose(file);
}

static int tear_down(void **state)
{
  (void)state;
  unlink(unit_path);
  unlink(take_path);
  unlink(json_path);
  return rmdir(folder);
}

static mt_results *check(void)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_error err = {0};

  options.simulate = unit_path;
  options.save_take = take_path;
  options.level_dbfs = -26.0;
  assert_ok(mt_session_check(&options, &results, &err), err);
  return results;
}

/* Through the file, as a job keeps them. */
static mt_results *through_json(mt_results *results)
{
  mt_results *back = NULL;
  mt_error err = {0};

  assert_ok(mt_report_write_json(results, json_path, &err), err);
  assert_ok(mt_report_read_json(json_path, &back, &err), err);
  mt_results_destroy(&results);
  return back;
}

static mt_results *again(const mt_results *old)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_error err = {0};

  assert_ok(mt_session_read_again(&options, old, take_path, &results, &err), err);
  return results;
}

static void one_take_reads_as_it_did(void **state)
{
  mt_results *old = through_json(check()), *results = again(old);

  (void)state;
  assert_near(results->stimulus_level_dbfs, -26.0, 0.0, "dBFS");
  assert_int_equal(results->verdict, old->verdict);
  assert_int_equal(results->nreadings, old->nreadings);
  for (size_t i = 0; i < old->nreadings; i++) {
    assert_int_equal(results->readings[i].quantity, old->readings[i].quantity);
    /* the same samples, float in memory and in the file: nothing is rounded on the way */
    if (old->readings[i].validity == MT_VALID)
      assert_near(results->readings[i].value, old->readings[i].value, 0.0, "of its unit");
  }
  mt_results_destroy(&results);
  mt_results_destroy(&old);
}

/* A mixer at 80 % looks like a unit of less gain: once it is known it must not pass for want of it. */
static void what_the_mixer_told_still_spoils_it(void **state)
{
  mt_results *old = check(), *results;
  mt_error err = {0};
  mt_problem told = {.kind = MT_PROBLEM_SCALED,
                     .channel = MT_CHANNEL_BOTH,
                     .end_s = 15.0,
                     .text = "the output volume stands at 80 %",
                     .while_captured = true};
  mt_problem seen = {.kind = MT_PROBLEM_DROPOUT, .channel = MT_LEFT, .end_s = 15.0, .text = "seen then"};

  (void)state;
  assert_int_equal(old->verdict, MT_VERDICT_PASS);
  assert_ok(mt_results_add_problem(old, &told, &err), err);
  assert_ok(mt_results_add_problem(old, &seen, &err), err);
  assert_ok(mt_results_add_retake(old, &told, &err), err);
  old = through_json(old);
  results = again(old);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  /* and what an earlier version saw in the samples is for this one to see */
  assert_int_equal(results->nproblems, 1);
  assert_string_equal(results->problems[0].text, told.text);
  assert_true(results->problems[0].while_captured);
  assert_int_equal(results->nretakes, 1);
  mt_results_destroy(&results);
  mt_results_destroy(&old);
}

static mt_results *walk_states(const mt_session_options *options, const char *kept)
{
  mt_walk *walk = NULL;
  mt_results *results = NULL;
  mt_error err = {0};
  mt_answer lamp = {.ask = "lamp lights", .answered = true, .yes = true};
  mt_answer supply = {.ask = "supply", .is_number = true, .answered = true, .value = 5.02};

  assert_ok(mt_walk_create(options, kept, &walk, &err), err);
  assert_ok(mt_walk_take(walk, 0, &err), err);
  assert_ok(mt_walk_take(walk, 1, &err), err);
  assert_ok(mt_walk_answer(walk, &lamp, &err), err);
  assert_ok(mt_walk_answer(walk, &supply, &err), err);
  assert_ok(mt_walk_finish(walk, &results, &err), err);
  mt_walk_destroy(&walk);
  return results;
}

static void remove_walk(const char *kept)
{
  static const char *const names[] = {"take-flat.wav", "take-flat.json", "take-low.wav",
                                      "take-low.json", "walk.cfg",       "plan-as-used.plan"};
  char path[128];

  for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
    snprintf(path, sizeof path, "%s/%s", kept, names[i]);
    unlink(path);
  }
  rmdir(kept);
}

static void states_are_read_with_answers_and_each_with_its_problems(void **state)
{
  mt_session_options options = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_results *old, *results = NULL;
  mt_error err = {0};
  char kept[64];
  mt_problem told = {.kind = MT_PROBLEM_SHARED,
                     .channel = MT_CHANNEL_BOTH,
                     .end_s = 10.0,
                     .text = "another program plays",
                     .state = "low",
                     .while_captured = true};

  (void)state;
  snprintf(kept, sizeof kept, "%s/kept", folder);
  assert_ok(mt_plan_parse(plan_text, "two.plan", &plan, &err), err);
  options.plan = plan;
  options.simulate = unit_path;
  old = walk_states(&options, kept);
  assert_int_equal(old->verdict, MT_VERDICT_PASS);
  options.simulate = NULL;
  assert_ok(mt_session_read_again(&options, old, kept, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  assert_int_equal(results->nreadings, old->nreadings);
  assert_int_equal(results->nanswers, 2);
  mt_results_destroy(&results);

  assert_ok(mt_results_add_problem(old, &told, &err), err);
  assert_ok(mt_session_read_again(&options, old, kept, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  for (size_t i = 0; i < results->njudgements; i++)
    assert_int_equal(results->judgements[i].verdict == MT_VERDICT_UNDECIDED,
                     strcmp(results->judgements[i].state, "low") == 0);
  mt_results_destroy(&results);

  options.plan = NULL;
  assert_int_equal(mt_session_read_again(&options, old, kept, &results, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "\"flat\" was taken"));
  options.plan = plan;
  remove_walk(kept);
  assert_int_equal(mt_session_read_again(&options, old, kept, &results, &err), MT_E_NO_INPUT);
  assert_non_null(strstr(err.message, "take-flat.wav is gone"));
  mt_results_destroy(&old);
  mt_plan_destroy(&plan);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(one_take_reads_as_it_did),
      cmocka_unit_test(what_the_mixer_told_still_spoils_it),
      cmocka_unit_test(states_are_read_with_answers_and_each_with_its_problems),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
