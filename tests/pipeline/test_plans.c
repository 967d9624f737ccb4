/* Each plan that comes with mendtone passes a unit it is meant for, and fails it with a fault it is meant to find. */
#include "support.h"

#include <mendtone/walk.h>

#include <unistd.h>

static char folder[] = "/tmp/mendtone-plans-XXXXXX";
static char unit_path[64];

/* A sound unit of any kind: what the sound plans ask for with a margin. */
#define SOUND                                                                                                \
  "noise_dbfs = -95.0; crosstalk_db = -85.0; hum_dbfs = -105.0; order_3 = 0.002; high_pass_hz = 3.0; "
/* Volume or faders down. */
#define SHUT "left = { gain_db = -60.0; }; right = { gain_db = -60.0; }; "

/* A sound control, turned; and one with a spot where the right channel is gone. */
#define TURNED                                                                                               \
  "{ name = \"turned\"; volume = { range_db = 60.0; from_s = 4.0; to_s = 13.0; back_s = 15.0; up_s = 24.0; "
#define TRACKS "tracking = ( { at_db = 0.0; db = 0.0; }, { at_db = 50.0; db = 1.5; } ); }; }, "
#define GAP "dead = ( { from_db = 20.0; to_db = 21.0; loss_db = 40.0; channels = \"right\"; } ); }; }, "

static const struct row {
  const char *plan;
  const char *states;      /* what the switches do */
  const char *fault;       /* on the right channel */
  const char *fault_state; /* what the switches do in the faulty one; NULL: the same */
  mt_quantity missed;
  mt_channel channel;
} rows[] = {
    {"headphone-amplifier", TURNED TRACKS "{ name = \"down\"; " SHUT "}", "crosstalk_db = -30.0; ", NULL,
     MT_Q_CROSSTALK, MT_RIGHT},
    {"line-level-unit", "", "order_3 = 0.5; ", NULL, MT_Q_THD_N, MT_RIGHT},
    {"wireless-receiver", "", "high_pass_hz = 300.0; ", NULL, MT_Q_RESPONSE, MT_RIGHT},
    {"converter-input", "", "noise_dbfs = -80.0; ", NULL, MT_Q_NOISE_A, MT_RIGHT},
    {"small-mixer",
     "{ name = \"low up\"; left = { shelf_db = 12.0; shelf_hz = 100.0; }; right = { shelf_db = 12.0; "
     "shelf_hz = 100.0; }; }, " TURNED TRACKS
     "{ name = \"high up\"; left = { gain_db = 12.0; shelf_db = -12.0; shelf_hz = "
     "3000.0; }; "
     "right = { gain_db = 12.0; shelf_db = -12.0; shelf_hz = 3000.0; }; }, { name = \"down\"; " SHUT "}",
     "",
     "{ name = \"low up\"; left = { shelf_db = 12.0; shelf_hz = 100.0; }; }, { name = \"down\"; " SHUT "}",
     MT_Q_BOOST, MT_RIGHT},
    {"cable", "", "gain_db = -0.9; ", NULL, MT_Q_BALANCE, MT_CHANNEL_BOTH},
    /* further faults, after one row for each plan in its order */
    {"headphone-amplifier", TURNED TRACKS "{ name = \"down\"; " SHUT "}", "",
     TURNED GAP "{ name = \"down\"; " SHUT "}", MT_Q_DEAD_SPOTS, MT_RIGHT},
};

static int set_up(void **state)
{
  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(unit_path, sizeof unit_path, "%s/unit.cfg", folder);
  return 0;
}

static int tear_down(void **state)
{
  (void)state;
  unlink(unit_path);
  return rmdir(folder);
}

/* A later key of a group is refused as said twice, so what the fault says replaces what a sound unit says. */
static void write_unit(const struct row *row, bool is_faulty)
{
  const char *states = is_faulty && row->fault_state != NULL ? row->fault_state : row->states;
  const char *fault = is_faulty ? row->fault : "";
  FILE *file = fopen(unit_path, "w");
  char key[32] = "", sound[300] = "", *from;

  assert_non_null(file);
  snprintf(key, sizeof key, "%.*s ", (int)strcspn(fault, " "), fault);
  snprintf(sound, sizeof sound, "%s", SOUND);
  from = key[0] != ' ' ? strstr(sound, key) : NULL;
  if (from != NULL)
    memmove(from, strchr(from, ';') + 2, strlen(strchr(from, ';') + 2) + 1);
  fprintf(file, "left = { %s};\nright = { %s%s};\nstates = ( %s );\n", SOUND, sound, fault, states);
  assert_int_equal(fclose(file), 0);
}

/* Everything seen by hand is as it should be. */
static void answer(mt_walk *walk, const mt_plan *plan, mt_answer *list, size_t *n)
{
  mt_error err = {0};
  for (size_t i = 0; i < plan->nby_hand; i++) {
    const mt_by_hand *asked = &plan->by_hand[i];
    mt_answer a = {.is_number = asked->is_number, .answered = true, .yes = asked->expect > 0};
    double low = isfinite(asked->min) ? asked->min : 0.0;
    snprintf(a.ask, sizeof a.ask, "%s", asked->ask);
    a.value = isfinite(asked->max) ? 0.5 * (low + asked->max) : low;
    if (walk != NULL)
      assert_ok(mt_walk_answer(walk, &a, &err), err);
    else
      list[(*n)++] = a;
  }
}

static mt_results *run_through(const char *name, mt_path path)
{
  mt_session_options options = mt_session_defaults();
  mt_answer answers[16];
  mt_results *results = NULL;
  mt_plan *plan = NULL;
  mt_walk *walk = NULL;
  mt_error err = {0};

  assert_ok(mt_plan_parse(mt_plan_shipped_text(name), name, &plan, &err), err);
  options.plan = plan;
  options.path = path;
  options.simulate = unit_path;
  options.answers = answers;
  if (plan->nstates == 0) {
    answer(NULL, plan, answers, &options.nanswers);
    assert_ok(mt_session_check(&options, &results, &err), err);
  } else {
    assert_ok(mt_walk_create(&options, NULL, &walk, &err), err);
    answer(walk, plan, NULL, NULL);
    for (size_t i = 0; i < plan->nstates; i++)
      assert_ok(mt_walk_take(walk, i, &err), err);
    assert_ok(mt_walk_finish(walk, &results, &err), err);
  }
  mt_walk_destroy(&walk);
  mt_plan_destroy(&plan);
  return results;
}

static mt_results *run(const char *name)
{
  return run_through(name, MT_PATH_UNKNOWN);
}

/* A receiver is never without its codec: what the plan asks can be met through one, and hiss behind it is no pass. */
static void a_receiver_passes_through_its_codec(void **state)
{
  static const struct row hisses = {"wireless-receiver", "",      "noise_dbfs = -60.0; ", NULL,
                                    MT_Q_NOISE_A,        MT_RIGHT};
  mt_results *results;
  (void)state;

  write_unit(&hisses, false);
  results = run_through("wireless-receiver", MT_PATH_LOSSY);
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  mt_results_destroy(&results);
  write_unit(&hisses, true);
  results = run_through("wireless-receiver", MT_PATH_LOSSY);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  for (size_t i = 0; i < results->njudgements; i++) {
    const mt_judgement *j = &results->judgements[i];
    bool is_hiss = j->quantity == MT_Q_NOISE_A && j->channel == MT_RIGHT;
    assert_int_equal(j->verdict, is_hiss ? MT_VERDICT_UNDECIDED : MT_VERDICT_PASS);
  }
  mt_results_destroy(&results);
}

static void print_unmet(const mt_results *results)
{
  for (size_t i = 0; i < results->njudgements; i++)
    if (results->judgements[i].verdict != MT_VERDICT_PASS)
      print_error("%s\n", results->judgements[i].text);
  for (size_t i = 0; i < results->nanswers; i++)
    if (results->answers[i].verdict == MT_VERDICT_FAIL || results->answers[i].verdict == MT_VERDICT_UNDECIDED)
      print_error("%s: %s\n", results->answers[i].ask, results->answers[i].text);
}

static void a_sound_unit_passes(void **state)
{
  (void)state;
  for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
    mt_results *results;
    write_unit(&rows[i], false);
    results = run(rows[i].plan);
    if (results->verdict != MT_VERDICT_PASS) {
      print_error("%s:\n", rows[i].plan);
      print_unmet(results);
    }
    assert_int_equal(results->verdict, MT_VERDICT_PASS);
    mt_results_destroy(&results);
  }
}

static void a_faulty_one_fails_where_the_fault_is(void **state)
{
  (void)state;
  for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
    size_t found = 0;
    mt_results *results;
    write_unit(&rows[i], true);
    results = run(rows[i].plan);
    assert_int_equal(results->verdict, MT_VERDICT_FAIL);
    for (size_t k = 0; k < results->njudgements; k++) {
      const mt_judgement *j = &results->judgements[k];
      found +=
          j->verdict == MT_VERDICT_FAIL && j->quantity == rows[i].missed && j->channel == rows[i].channel;
    }
    if (found == 0) {
      print_error("%s does not fail where it should:\n", rows[i].plan);
      print_unmet(results);
    }
    assert_true(found > 0);
    mt_results_destroy(&results);
  }
}

/* What a person is to act on says where it comes from. */
static void every_limit_says_why(void **state)
{
  (void)state;
  for (size_t i = 0; mt_plan_shipped_name(i) != NULL; i++) {
    const char *name = mt_plan_shipped_name(i);
    mt_plan *plan = NULL;
    mt_error err = {0};
    assert_string_equal(rows[i].plan, name);
    assert_ok(mt_plan_parse(mt_plan_shipped_text(name), name, &plan, &err), err);
    assert_true(plan->nlimits >= 6 && plan->nby_hand >= 1);
    for (size_t k = 0; k < plan->nlimits; k++)
      assert_true(strlen(plan->limits[k].why) > 10);
    assert_true(strncmp(plan->text, "# ", 2) == 0 && strcspn(plan->text, "\n") < 78);
    assert_non_null(strstr(plan->text, "no source"));
    mt_plan_destroy(&plan);
  }
  assert_null(mt_plan_shipped_name(sizeof rows / sizeof rows[0]));
  assert_null(mt_plan_shipped_text("amplifier"));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_receiver_passes_through_its_codec),
      cmocka_unit_test(a_sound_unit_passes),
      cmocka_unit_test(a_faulty_one_fails_where_the_fault_is),
      cmocka_unit_test(every_limit_says_why),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
