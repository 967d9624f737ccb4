#include "support.h"

#include "base/random.h"
#include "base/text.h"

#include <mendtone/plan.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

/* ---- results and plans made by hand ---------------------------------------------------------------- */

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  return results;
}

static mt_reading *add(mt_results *results, mt_quantity quantity, mt_channel channel, const char *segment,
                       double value, double uncertainty)
{
  mt_reading r = {.quantity = quantity, .channel = channel, .value = value, .uncertainty = uncertainty};
  mt_error err = {0};
  mt_text_copy(r.segment, sizeof r.segment, segment);
  mt_text_copy(r.state, sizeof r.state, "default");
  assert_ok(mt_results_add_reading(results, &r, &err), err);
  return &results->readings[results->nreadings - 1];
}

static void add_curve(mt_results *results, mt_channel channel, size_t n, const double *x, const double *y,
                      double uncertainty)
{
  double u[64];
  mt_curve c = {.quantity = MT_Q_RESPONSE,
                .channel = channel,
                .segment = "sweep",
                .state = "default",
                .npoints = n,
                .x = (double *)(uintptr_t)x,
                .y = (double *)(uintptr_t)y,
                .uncertainty = u};
  mt_error err = {0};
  assert_true(n <= COUNT(u));
  for (size_t i = 0; i < n; i++)
    u[i] = uncertainty;
  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

/* Route and polarity of a sound unit. */
static void add_sound_route(mt_results *results)
{
  add(results, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0);
  add(results, MT_Q_ROUTE, MT_RIGHT, "right", MT_ROUTE_RIGHT, 0.0);
  add(results, MT_Q_POLARITY, MT_LEFT, "left", 1.0, 0.0);
  add(results, MT_Q_POLARITY, MT_RIGHT, "right", 1.0, 0.0);
}

static void judge(mt_results *results, const char *plan_text)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  assert_ok(mt_plan_parse(plan_text, "p.cfg", &plan, &err), err);
  assert_ok(mt_judge_results(plan, results, &err), err);
  for (size_t i = 0; i < results->njudgements; i++) {
    assert_true(results->judgements[i].text[0] != '\0');
    assert_true(strlen(results->judgements[i].text) < sizeof results->judgements[i].text);
  }
  mt_plan_destroy(&plan);
}

/* The verdict of one reading held against one limit, through the whole road. */
static mt_verdict judge_one(mt_quantity quantity, double value, double uncertainty, mt_validity validity,
                            const char *limit, mt_judgement *out)
{
  mt_results *results = new_results();
  char plan[256];
  mt_verdict verdict;

  add(results, quantity, MT_LEFT, "both", value, uncertainty)->validity = validity;
  snprintf(plan, sizeof plan, "limits = ( { quantity = \"%s\"; %s } );", mt_quantity_describe(quantity)->name,
           limit);
  judge(results, plan);
  assert_int_equal(results->njudgements, 1);
  assert_int_equal(results->verdict, results->judgements[0].verdict);
  assert_int_equal(results->readings[0].verdict, results->verdict);
  verdict = results->verdict;
  if (out != NULL)
    *out = results->judgements[0];
  mt_results_destroy(&results);
  return verdict;
}

/* ---- the rule ---------------------------------------------------------------------------------------- */

/* Probability that a normal value lies above T when y = T - w was read: half of erfc(w / (u sqrt 2)). */
static double false_acceptance(double w_over_expanded)
{
  return 0.5 * erfc(2.0 * w_over_expanded / sqrt(2.0));
}

/*
 * JCGM 106:2012, 7.3: the probability of conformance is Phi((T - y) / u); its Table 1 has z = 1.64 for 95 %
 * and 2.33 for 99 %. The tails for guard bands of 0, 0.5, 0.83, 1 and 1.5 U follow: 50 %, 15.87 %, 4.85 %,
 * 2.275 %, 0.135 %, to the digits given. ISO 14253-1:2017 asks for 95 %: w = 1.645 u = 0.8225 U.
 */
static void guard_band_gives_the_published_risk(void **state)
{
  (void)state;
  assert_near(false_acceptance(0.5 * 1.64), 0.05, 6e-4, ""); /* z is given to two decimals */
  assert_near(false_acceptance(0.5 * 2.33), 0.01, 2e-4, "");
  assert_near(false_acceptance(0.0), 0.5, 1e-12, "");
  assert_near(false_acceptance(0.5), 0.1587, 5e-5, "");
  assert_near(false_acceptance(0.83), 0.0485, 5e-5, "");
  assert_near(false_acceptance(1.0), 0.02275, 5e-6, "");
  assert_near(false_acceptance(1.5), 0.00135, 5e-6, "");

  /* where the rule itself stops passing: bisect, limit 1, U 0.1 */
  double low = 0.0, high = 1.0;
  for (int i = 0; i < 60; i++) {
    double middle = 0.5 * (low + high);
    if (mt_judge_value(middle, 0.1, -HUGE_VAL, 1.0) == MT_VERDICT_PASS)
      low = middle;
    else
      high = middle;
  }
  /* 0.82 is 0.8225 rounded to two digits: 5.05 % instead of 5 % */
  assert_near(false_acceptance((1.0 - low) / 0.1), 0.05, 6e-4, "");
  assert_near((1.0 - low) / 0.1, 0.82, 1e-9, "U");
}

static void verdict_has_three_outcomes_on_each_side(void **state)
{
  static const struct {
    double value, min, max;
    mt_verdict verdict;
  } cases[] = {
      /* U = 1: guard band 0.82 */
      {9.1, -HUGE_VAL, 10.0, MT_VERDICT_PASS},
      {9.3, -HUGE_VAL, 10.0, MT_VERDICT_UNDECIDED},
      {10.7, -HUGE_VAL, 10.0, MT_VERDICT_UNDECIDED},
      {10.9, -HUGE_VAL, 10.0, MT_VERDICT_FAIL},
      {-9.1, -10.0, HUGE_VAL, MT_VERDICT_PASS},
      {-9.3, -10.0, HUGE_VAL, MT_VERDICT_UNDECIDED},
      {-10.7, -10.0, HUGE_VAL, MT_VERDICT_UNDECIDED},
      {-10.9, -10.0, HUGE_VAL, MT_VERDICT_FAIL},
      {0.0, -1.0, 1.0, MT_VERDICT_PASS},
      {0.5, -1.0, 1.0, MT_VERDICT_UNDECIDED},
      {-0.5, -1.0, 1.0, MT_VERDICT_UNDECIDED},
      {1.9, -1.0, 1.0, MT_VERDICT_FAIL},
      {-1.9, -1.0, 1.0, MT_VERDICT_FAIL},
      {0.0, -0.5, 0.5, MT_VERDICT_UNDECIDED},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++)
    assert_int_equal(mt_judge_value(cases[i].value, 1.0, cases[i].min, cases[i].max), cases[i].verdict);
}

static void value_exactly_on_its_limit_passes_when_nothing_is_uncertain(void **state)
{
  (void)state;
  assert_int_equal(mt_judge_value(0.5, 0.0, -0.5, 0.5), MT_VERDICT_PASS);
  assert_int_equal(mt_judge_value(-0.5, 0.0, -0.5, 0.5), MT_VERDICT_PASS);
  assert_int_equal(mt_judge_value(nextafter(0.5, 1.0), 0.0, -0.5, 0.5), MT_VERDICT_FAIL);
  assert_int_equal(mt_judge_value(0.5, 1e-9, -0.5, 0.5), MT_VERDICT_UNDECIDED);
}

static void what_is_not_a_number_is_undecided(void **state)
{
  (void)state;
  assert_int_equal(mt_judge_value((double)NAN, 0.1, 0.0, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, (double)NAN, 0.0, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, 0.1, (double)NAN, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, 0.1, 0.0, (double)NAN), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, -0.1, 0.0, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(-HUGE_VAL, 0.1, -HUGE_VAL, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(HUGE_VAL, 0.1, -HUGE_VAL, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, HUGE_VAL, 0.0, 1.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, 0.0, 1.0, 0.0), MT_VERDICT_UNDECIDED);
  assert_int_equal(mt_judge_value(0.5, 0.1, -HUGE_VAL, HUGE_VAL), MT_VERDICT_NONE);
}

/* Better here means further from the limit, or better known; nothing of that may cost a verdict. */
static void moving_towards_the_limit_never_improves_the_verdict(void **state)
{
  mt_random random;
  (void)state;

  mt_random_init(&random, support_seed(14253));
  for (int i = 0; i < 100000; i++) {
    double max = 20.0 * mt_random_uniform(&random) - 10.0;
    double value = max + 2.0 * mt_random_normal(&random);
    double u = fabs(mt_random_normal(&random));
    double step = fabs(mt_random_normal(&random));
    mt_verdict here = mt_judge_value(value, u, -HUGE_VAL, max);
    assert_true(mt_judge_value(value + step, u, -HUGE_VAL, max) >= here);
    assert_int_equal(mt_judge_value(-value, u, -max, HUGE_VAL), here);
    assert_true(mt_judge_value(value, u, max - 1.0, max) >= here);
    /* less certain: never a firmer word */
    mt_verdict vaguer = mt_judge_value(value, u + step, -HUGE_VAL, max);
    assert_true(vaguer == here || vaguer == MT_VERDICT_UNDECIDED);
  }
}

/* ---- units ------------------------------------------------------------------------------------------- */

static void limit_in_percent_is_exact_at_the_boundary(void **state)
{
  static const struct {
    const char *percent;
    double db;
  } cases[] = {{"100.0", 0.0}, {"10.0", -20.0}, {"1.0", -40.0},
               {"0.1", -60.0}, {"0.01", -80.0}, {"0.001", -100.0}};
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    char limit[64];
    snprintf(limit, sizeof limit, "max = %s; unit = \"%%\";", cases[i].percent);
    assert_int_equal(judge_one(MT_Q_THD_N, cases[i].db, 0.0, MT_VALID, limit, NULL), MT_VERDICT_PASS);
    assert_int_equal(judge_one(MT_Q_THD_N, cases[i].db + 1e-9, 0.0, MT_VALID, limit, NULL), MT_VERDICT_FAIL);
  }
}

static void uncertainty_of_a_percentage_is_held_in_decibels(void **state)
{
  mt_judgement j;
  (void)state;
  /* U = 1 dB: guard band 0.82 dB, so 0.1 % passes up to -60.82 dB and fails from -59.18 dB */
  assert_int_equal(judge_one(MT_Q_THD_N, -60.83, 1.0, MT_VALID, "max = 0.1; unit = \"%\";", &j),
                   MT_VERDICT_PASS);
  assert_int_equal(j.unit, MT_UNIT_PERCENT);
  assert_near(j.value, 100.0 * pow(10.0, -60.83 / 20.0), 1e-15, "%");
  assert_near(j.uncertainty, 1.0, 0.0, "dB");
  assert_near(j.max, 0.1, 0.0, "%");
  assert_int_equal(judge_one(MT_Q_THD_N, -60.81, 1.0, MT_VALID, "max = 0.1; unit = \"%\";", NULL),
                   MT_VERDICT_UNDECIDED);
  assert_int_equal(judge_one(MT_Q_THD_N, -59.17, 1.0, MT_VALID, "max = 0.1; unit = \"%\";", NULL),
                   MT_VERDICT_FAIL);
}

static void milliseconds_convert_value_and_uncertainty(void **state)
{
  mt_judgement j;
  (void)state;
  assert_int_equal(judge_one(MT_Q_DELAY, 0.0049, 0.0001, MT_VALID, "max = 5.0; unit = \"ms\";", &j),
                   MT_VERDICT_PASS);
  assert_near(j.value, 4.9, 1e-12, "ms");
  assert_near(j.uncertainty, 0.1, 1e-12, "ms");
  assert_int_equal(judge_one(MT_Q_OUTPUT_POWER, 0.00501, 0.0001, MT_VALID, "min = 5.0; unit = \"mW\";", &j),
                   MT_VERDICT_UNDECIDED);
  assert_near(j.value, 5.01, 1e-12, "mW");
  assert_near(j.uncertainty, 0.1, 1e-12, "mW");
  assert_int_equal(judge_one(MT_Q_DELAY, 0.00495, 0.0001, MT_VALID, "max = 5.0; unit = \"ms\";", NULL),
                   MT_VERDICT_UNDECIDED);
}

/* The noise floor of the rig hides how good a unit is: its signal to noise is no less than what is seen. */
static void bound_of_signal_to_noise_passes_a_lower_limit(void **state)
{
  mt_judgement j;
  (void)state;
  assert_int_equal(judge_one(MT_Q_SNR, 90.0, 1.0, MT_RIG_LIMITED, "min = 60.0; unit = \"dB\";", &j),
                   MT_VERDICT_PASS);
  assert_non_null(strstr(j.text, "is at least 90 dB"));
  assert_int_equal(judge_one(MT_Q_SNR, 50.0, 1.0, MT_RIG_LIMITED, "min = 60.0; unit = \"dB\";", &j),
                   MT_VERDICT_UNDECIDED);
  assert_int_equal(judge_one(MT_Q_SNR, 50.0, 1.0, MT_RIG_LIMITED, "max = 60.0; unit = \"dB\";", &j),
                   MT_VERDICT_UNDECIDED);
  assert_int_equal(judge_one(MT_Q_DYNAMIC_RANGE, 60.5, 1.0, MT_RIG_LIMITED, "min = 60.0; unit = \"dB\";", &j),
                   MT_VERDICT_UNDECIDED);
}

/* ---- validity ---------------------------------------------------------------------------------------- */

static void bound_passes_an_upper_limit_and_never_fails(void **state)
{
  mt_judgement j;
  (void)state;
  assert_int_equal(judge_one(MT_Q_THD_N, -90.0, 1.0, MT_RIG_LIMITED, "max = -80.0; unit = \"dB\";", &j),
                   MT_VERDICT_PASS);
  assert_string_equal(j.text,
                      "Left channel's distortion and noise (THD+N) is at most -90 dB; at most -80 dB is "
                      "allowed");
  assert_int_equal(judge_one(MT_Q_THD_N, -70.0, 1.0, MT_RIG_LIMITED, "max = -80.0; unit = \"dB\";", &j),
                   MT_VERDICT_UNDECIDED);
  assert_string_equal(j.text, "Left channel's distortion and noise (THD+N) is at most -70 dB: only a bound; "
                              "at most -80 dB is allowed");
  assert_int_equal(judge_one(MT_Q_THD_N, -80.5, 1.0, MT_RIG_LIMITED, "max = -80.0; unit = \"dB\";", NULL),
                   MT_VERDICT_UNDECIDED);
  assert_int_equal(
      judge_one(MT_Q_GAIN, 0.0, 0.1, MT_RIG_LIMITED, "min = -3.0; max = 3.0; unit = \"dB\";", NULL),
      MT_VERDICT_UNDECIDED);
}

static void what_is_not_valid_is_undecided_with_its_reason(void **state)
{
  static const struct {
    mt_validity validity;
    const char *text;
  } cases[] = {
      {MT_NO_SIGNAL, "Left channel's gain cannot be judged: there is no signal"},
      {MT_CLIPPED, "Left channel's gain cannot be judged: the capture is clipped"},
      {MT_DROPOUT, "Left channel's gain cannot be judged: the signal dropped out meanwhile"},
      {MT_NOT_MEASURED, "Left channel's gain cannot be judged: it was not measured"},
  };
  mt_judgement j;
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    /* whatever is left in the value must not count */
    assert_int_equal(judge_one(MT_Q_GAIN, 0.0, 0.0, cases[i].validity, "min = -3.0; unit = \"dB\";", &j),
                     MT_VERDICT_UNDECIDED);
    assert_int_equal(judge_one(MT_Q_GAIN, -90.0, 0.0, cases[i].validity, "min = -3.0; unit = \"dB\";", &j),
                     MT_VERDICT_UNDECIDED);
    assert_false(j.has_value);
    assert_string_equal(j.text, cases[i].text);
  }
}

static void a_reasons_own_words_are_kept_and_bounded(void **state)
{
  mt_results *results = new_results();
  mt_reading *r = add(results, MT_Q_THD_R, MT_LEFT, "both", 0.0, 0.0);
  (void)state;
  r->validity = MT_NOT_MEASURED;
  memset(r->why, 'w', sizeof r->why - 1);
  judge(results, "limits = ({ quantity = \"thd_r\"; max = -40; unit = \"dB\"; });");
  assert_non_null(strstr(results->judgements[0].text, "cannot be judged: wwww"));
  mt_results_destroy(&results);
}

/* A reading that broke the rule "NaN never leaves a stage" must still not pass. */
static void smuggled_nan_is_undecided(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  results->readings[0].value = (double)NAN;
  judge(results, "limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

static void spoilt_take_decides_nothing(void **state)
{
  mt_problem problem = {.kind = MT_PROBLEM_LOST, .text = "12 frames were lost at 3.2 s"};
  mt_results *results = new_results();
  mt_error err = {0};
  (void)state;

  results->valid = false;
  results->is_stimulus = true;
  assert_ok(mt_results_add_problem(results, &problem, &err), err);
  add(results, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0);
  add(results, MT_Q_ROUTE, MT_RIGHT, "right", MT_ROUTE_NONE, 0.0);
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  add(results, MT_Q_GAIN, MT_RIGHT, "both", -60.0, 0.0);
  judge(results, "limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_int_equal(results->njudgements, 6);
  for (size_t i = 0; i < results->njudgements; i++)
    assert_int_equal(results->judgements[i].verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(results->judgements[4].text,
                      "Left channel's gain cannot be judged: the take is spoilt: "
                      "12 frames were lost at 3.2 s");
  mt_results_destroy(&results);
}

/* ---- matching ---------------------------------------------------------------------------------------- */

static void limit_meets_only_what_it_names(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  add(results, MT_Q_GAIN, MT_LEFT, "low", -9.0, 0.0);
  add(results, MT_Q_GAIN, MT_RIGHT, "both", -1.0, 0.0);
  mt_text_copy(add(results, MT_Q_GAIN, MT_RIGHT, "both", -7.0, 0.0)->state, 32, "lift");
  add(results, MT_Q_GAIN, 2, "both", -90.0, 0.0);

  judge(results, "limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 4); /* the third channel only when it is named */
  assert_int_equal(results->readings[0].verdict, MT_VERDICT_PASS);
  assert_int_equal(results->readings[1].verdict, MT_VERDICT_FAIL);
  assert_int_equal(results->readings[4].verdict, MT_VERDICT_NONE);
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);

  judge(results, "states = ({ name = \"default\"; });"
                 "limits = ({ quantity = \"gain\"; segment = \"both\"; state = \"default\"; min = -3;"
                 " unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 2);
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  assert_int_equal(results->readings[1].verdict, MT_VERDICT_NONE);

  judge(results, "limits = ({ quantity = \"gain\"; channel = \"ch3\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 1);
  assert_string_equal(results->judgements[0].text,
                      "Channel 3's gain is -90.00 dB; at least -3 dB is required");
  mt_results_destroy(&results);
}

static void order_of_a_limit_picks_the_harmonic(void **state)
{
  mt_results *results = new_results();
  (void)state;
  for (int order = 2; order <= 4; order++)
    add(results, MT_Q_HARMONIC, MT_LEFT, "both", -50.0 - 10.0 * order, 0.0)->order = order;
  judge(results, "limits = ({ quantity = \"harmonic\"; order = 2; max = -75; unit = \"dB\"; },"
                 "{ quantity = \"harmonic\"; order = 3; max = -75; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 2);
  assert_int_equal(results->judgements[0].verdict, MT_VERDICT_FAIL);
  assert_string_equal(results->judgements[0].text,
                      "Left channel's harmonic 2 is -70.00 dB; at most -75 dB is allowed");
  assert_int_equal(results->judgements[1].verdict, MT_VERDICT_PASS);
  assert_int_equal(results->judgements[1].order, 3);
  judge(results, "limits = ({ quantity = \"harmonic\"; max = -75; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 3);
  mt_results_destroy(&results);
}

static void limit_without_a_reading_is_undecided(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  judge(results, "states = ({ name = \"lift\"; });"
                 "limits = ({ quantity = \"thd_n\"; max = 1; unit = \"%\"; },"
                 "{ quantity = \"gain\"; state = \"lift\"; min = -3; unit = \"dB\"; },"
                 "{ quantity = \"gain\"; segment = \"bothe\"; min = -3; unit = \"dB\"; },"
                 "{ quantity = \"gain\"; channel = \"right\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 4);
  for (size_t i = 0; i < 4; i++)
    assert_int_equal(results->judgements[i].verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(results->judgements[0].text,
                      "Distortion and noise (THD+N) cannot be judged: it was not read");
  assert_string_equal(results->judgements[1].text,
                      "Gain cannot be judged: it was not read in state \"lift\"");
  assert_string_equal(results->judgements[2].text,
                      "Gain cannot be judged: it was not read in segment \"bothe\"; did you mean \"both\"?");
  assert_string_equal(results->judgements[3].text, "Right channel's gain cannot be judged: it was not read");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

static void one_channel_of_two_cannot_pass_for_both(void **state)
{
  mt_results *results = new_results();
  (void)state;
  results->nchannels = 2;
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  judge(results, "limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->njudgements, 2);
  assert_int_equal(results->judgements[1].channel, MT_RIGHT);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  judge(results, "limits = ({ quantity = \"gain\"; channel = \"left\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  mt_results_destroy(&results);
}

static void one_undecided_limit_makes_the_whole_undecided_unless_another_fails(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.0);
  judge(results, "");
  assert_int_equal(results->verdict, MT_VERDICT_NONE);
  assert_string_equal(results->plan_name, "p.cfg");
  judge(results, "unit = \"desk amplifier\"; limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  assert_string_equal(results->unit_name, "desk amplifier");
  judge(results, "limits = ({ quantity = \"gain\"; min = -3; unit = \"dB\"; },"
                 "{ quantity = \"hum\"; max = -80; unit = \"dBFS\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  judge(results, "limits = ({ quantity = \"gain\"; min = 3; unit = \"dB\"; },"
                 "{ quantity = \"hum\"; max = -80; unit = \"dBFS\"; },"
                 "{ quantity = \"gain\"; min = -3; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  assert_int_equal(results->readings[0].verdict, MT_VERDICT_FAIL); /* the worst of its two */
  mt_results_destroy(&results);
}

/* ---- route and polarity ------------------------------------------------------------------------------- */

static mt_results *routed(int left, int right)
{
  mt_results *results = new_results();
  add(results, MT_Q_ROUTE, MT_LEFT, "left", left, 0.0);
  add(results, MT_Q_ROUTE, MT_RIGHT, "right", right, 0.0);
  add(results, MT_Q_POLARITY, MT_LEFT, "left", 1.0, 0.0);
  add(results, MT_Q_POLARITY, MT_RIGHT, "right", 1.0, 0.0);
  return results;
}

static void every_plan_implies_the_route(void **state)
{
  static const struct {
    int left, right;
    const char *plan;
    mt_verdict verdict;
    size_t index;
    const char *text;
  } cases[] = {
      {MT_ROUTE_LEFT, MT_ROUTE_RIGHT, "", MT_VERDICT_PASS, 0, "The left channel carries its own tone, alone"},
      {MT_ROUTE_LEFT, MT_ROUTE_NONE, "", MT_VERDICT_FAIL, 1,
       "The right channel is silent: no tone that was played arrives on it"},
      {MT_ROUTE_RIGHT, MT_ROUTE_LEFT, "", MT_VERDICT_FAIL, 0,
       "Left and right are swapped: the left channel carries the right channel's tone"},
      {MT_ROUTE_RIGHT, MT_ROUTE_RIGHT, "", MT_VERDICT_FAIL, 0,
       "The left channel carries the right channel's tone instead of its own"},
      {MT_ROUTE_BOTH, MT_ROUTE_BOTH, "", MT_VERDICT_FAIL, 1,
       "The right channel carries both tones: left and right are joined somewhere"},
      {MT_ROUTE_RIGHT, MT_ROUTE_LEFT, "expect_route = { left = \"right\"; right = \"left\"; };",
       MT_VERDICT_PASS, 0, "The left channel carries the other channel's tone, as the plan expects"},
      {MT_ROUTE_LEFT, MT_ROUTE_RIGHT, "expect_route = { left = \"right\"; right = \"left\"; };",
       MT_VERDICT_FAIL, 0, "The left channel carries its own tone; the plan expects the right channel's"},
      {MT_ROUTE_BOTH, MT_ROUTE_BOTH, "expect_route = { left = \"both\"; right = \"both\"; };",
       MT_VERDICT_PASS, 1, "The right channel carries both tones, as the plan expects"},
      {MT_ROUTE_LEFT, MT_ROUTE_BOTH, "expect_route = { left = \"both\"; right = \"both\"; };",
       MT_VERDICT_FAIL, 0, "The left channel carries only the left channel's tone; the plan expects both"},
      {MT_ROUTE_LEFT, MT_ROUTE_NONE, "expect_route = { right = \"none\"; };", MT_VERDICT_PASS, 1,
       "The right channel is silent, as the plan expects"},
      {MT_ROUTE_LEFT, MT_ROUTE_RIGHT, "expect_route = { right = \"none\"; };", MT_VERDICT_FAIL, 1,
       "The right channel carries a tone; the plan expects it to be silent"},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    mt_results *results = routed(cases[i].left, cases[i].right);
    judge(results, cases[i].plan);
    assert_int_equal(results->verdict, cases[i].verdict);
    assert_string_equal(results->judgements[cases[i].index].text, cases[i].text);
    assert_true(results->judgements[cases[i].index].implied);
    assert_int_equal(results->judgements[cases[i].index].quantity, MT_Q_ROUTE);
    mt_results_destroy(&results);
  }
}

static void route_and_polarity_are_left_alone_when_the_plan_says_any(void **state)
{
  mt_results *results = routed(MT_ROUTE_RIGHT, MT_ROUTE_NONE);
  (void)state;
  results->readings[2].value = -1.0;
  judge(results, "expect_route = \"any\"; expect_polarity = \"any\";");
  assert_int_equal(results->njudgements, 0);
  assert_int_equal(results->verdict, MT_VERDICT_NONE);
  mt_results_destroy(&results);
}

static void every_plan_implies_the_polarity(void **state)
{
  mt_results *results = routed(MT_ROUTE_LEFT, MT_ROUTE_RIGHT);
  (void)state;
  results->readings[3].value = -1.0;
  judge(results, "");
  assert_int_equal(results->njudgements, 4);
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  assert_int_equal(results->judgements[2].verdict, MT_VERDICT_PASS);
  assert_string_equal(results->judgements[3].text,
                      "The right channel is inverted: its wave goes down where the one played goes up");
  assert_int_equal(results->readings[3].verdict, MT_VERDICT_FAIL);
  judge(results, "expect_polarity = { right = -1; };");
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  judge(results, "expect_polarity = { left = -1; right = -1; };");
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  assert_string_equal(results->judgements[2].text,
                      "The left channel has normal polarity; the plan expects it inverted");
  mt_results_destroy(&results);
}

static void route_that_could_not_be_read_is_undecided(void **state)
{
  mt_results *results = routed(MT_ROUTE_LEFT, MT_ROUTE_NONE);
  (void)state;
  results->readings[1].validity = MT_DROPOUT;
  judge(results, "");
  assert_int_equal(results->judgements[1].verdict, MT_VERDICT_UNDECIDED);
  assert_false(results->judgements[1].has_value);
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  results->readings[1].validity = MT_VALID;
  results->readings[1].value = 7.0; /* no such route */
  judge(results, "");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

static void missing_route_of_one_channel_is_undecided(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0);
  add(results, MT_Q_POLARITY, MT_LEFT, "left", 1.0, 0.0);
  judge(results, "");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(results->judgements[1].text, "Right channel's route cannot be judged: it was not read");
  mt_results_destroy(&results);
}

static void plain_recording_has_no_route_to_judge_but_a_stimulus_take_has(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_LEVEL, MT_LEFT, "", -20.0, 0.0);
  judge(results, "");
  assert_int_equal(results->njudgements, 0);
  results->is_stimulus = true;
  judge(results, "");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

static void each_state_is_judged_for_its_route(void **state)
{
  mt_results *results = routed(MT_ROUTE_LEFT, MT_ROUTE_RIGHT);
  (void)state;
  mt_text_copy(add(results, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0)->state, 32, "lift");
  judge(results, "expect_polarity = \"any\";");
  assert_int_equal(results->njudgements, 4);
  assert_string_equal(results->judgements[3].state, "lift");
  assert_int_equal(results->judgements[3].verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

/* ---- curves ------------------------------------------------------------------------------------------- */

/* One curve, one limit; the judgement. */
static mt_judgement judge_curve(size_t n, const double *x, const double *y, double u, const char *limit)
{
  mt_results *results = new_results();
  mt_judgement j;
  char plan[256];

  add_curve(results, MT_LEFT, n, x, y, u);
  snprintf(plan, sizeof plan, "limits = ({ quantity = \"response\"; unit = \"dB\"; %s });", limit);
  judge(results, plan);
  assert_int_equal(results->njudgements, 1);
  assert_int_equal(results->verdict, results->judgements[0].verdict);
  j = results->judgements[0];
  mt_results_destroy(&results);
  return j;
}

/* First-order high-pass at 40 Hz and low-pass at 60 kHz on third octaves, the shape of a lost low end. */
static size_t fill_response(double *x, double *y)
{
  size_t n = 0;
  for (int k = -17; k <= 13; k++, n++) {
    x[n] = 1000.0 * pow(10.0, k / 10.0);
    y[n] = -10.0 * log10(1.0 + pow(40.0 / x[n], 2.0)) - 10.0 * log10(1.0 + pow(x[n] / 60000.0, 2.0));
  }
  return n;
}

static void worst_point_of_a_stretch_decides(void **state)
{
  double x[64], y[64];
  size_t n = fill_response(x, y);
  mt_judgement j;
  (void)state;

  j = judge_curve(n, x, y, 0.01, "from_hz = 30; to_hz = 18000; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_FAIL);
  assert_near(j.at_hz, 30.0, 1e-9, "Hz"); /* the edge itself, interpolated */
  /* -4.44 dB by formula; straight lines between third octaves on a curved slope: within 0.1 dB */
  assert_near(j.value, -10.0 * log10(1.0 + pow(40.0 / 30.0, 2.0)), 0.1, "dB");
  assert_string_equal(j.text, "Left channel's response at 30 Hz is -4.46 dB; within +-1 dB is allowed");

  j = judge_curve(n, x, y, 0.01, "from_hz = 200; to_hz = 18000; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_PASS);
  assert_near(j.at_hz, 18000.0, 1e-9, "Hz");
  j = judge_curve(n, x, y, 0.01, "min = -1; max = 1;");
  assert_near(j.at_hz, x[0], 1e-9, "Hz");
  assert_int_equal(j.verdict, MT_VERDICT_FAIL);
  j = judge_curve(n, x, y, 0.01, "from_hz = 300; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_PASS);
}

static void uncertain_point_makes_a_curve_undecided_but_does_not_hide_a_fail(void **state)
{
  const double x[] = {100.0, 150.0, 200.0, 300.0};
  double y[] = {0.0, -0.5, 0.2, 0.0};
  mt_judgement j;
  (void)state;

  j = judge_curve(4, x, y, 0.5, "from_hz = 100; to_hz = 300; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_PASS);
  assert_near(j.at_hz, 150.0, 0.0, "Hz");
  j = judge_curve(4, x, y, 0.7, "from_hz = 100; to_hz = 300; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_UNDECIDED);
  assert_near(j.at_hz, 150.0, 0.0, "Hz");
  assert_near(j.uncertainty, 0.7, 0.0, "dB");

  /* one point misses surely by little, another may miss by much */
  mt_results *results = new_results();
  y[0] = -1.2;
  y[1] = -1.3;
  add_curve(results, MT_LEFT, 4, x, y, 0.1);
  results->curves[0].uncertainty[1] = 5.0;
  judge(results, "limits = ({ quantity = \"response\"; min = -1; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  assert_near(results->judgements[0].at_hz, 100.0, 0.0, "Hz");
  mt_results_destroy(&results);
}

static void stretch_that_is_not_covered_is_undecided(void **state)
{
  const double x[] = {50.0, 80.0, 125.0, 200.0, 315.0};
  double y[] = {0.0, 0.0, 0.0, 0.0, 0.0};
  mt_judgement j;
  (void)state;

  j = judge_curve(5, x, y, 0.01, "from_hz = 30; to_hz = 300; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(j.text,
                      "Left channel's response cannot be judged: it was read from 50 Hz on, the limit "
                      "holds from 30 Hz");
  j = judge_curve(5, x, y, 0.01, "from_hz = 50; to_hz = 18000; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(j.text, "Left channel's response cannot be judged: it was read up to 315 Hz, the limit "
                              "holds up to 18 kHz");
  j = judge_curve(5, x, y, 0.01, "from_hz = 1000; to_hz = 2000; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_UNDECIDED);
  assert_false(j.has_value);

  const double holed[] = {50.0, 80.0, 400.0, 500.0};
  j = judge_curve(4, holed, y, 0.01, "from_hz = 60; to_hz = 450; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_UNDECIDED);
  assert_string_equal(j.text,
                      "Left channel's response cannot be judged: nothing was read between 80 Hz and 400 Hz");
  j = judge_curve(4, holed, y, 0.01, "from_hz = 50; to_hz = 80; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_PASS);

  /* a sure miss in the part that was read is a miss */
  y[2] = -3.0;
  j = judge_curve(5, x, y, 0.01, "from_hz = 30; to_hz = 300; min = -1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_FAIL);
  assert_near(j.at_hz, 125.0, 0.0, "Hz");
}

/* ISO 266: the nominal third-octave frequencies 20 Hz and 20 kHz are 19.95 and 19953 Hz exactly. */
static const double preferred[] = {1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0};

static void nominal_frequencies_are_covered_by_the_exact_grid(void **state)
{
  double x[64], y[64] = {0};
  size_t n = fill_response(x, y);
  (void)state;

  memset(y, 0, sizeof y);
  for (size_t k = 0; k < COUNT(preferred); k++)
    assert_near(preferred[k] / pow(10.0, (double)k / 10.0), 1.0, 0.01, ""); /* what the judge allows for */
  assert_near(x[n - 1], 19952.6, 0.1, "Hz");
  assert_int_equal(judge_curve(n, x, y, 0.0, "from_hz = 20; to_hz = 20000; min = -1; max = 1;").verdict,
                   MT_VERDICT_PASS);
  assert_int_equal(judge_curve(n, x, y, 0.0, "from_hz = 20000; to_hz = 20000; min = -1; max = 1;").verdict,
                   MT_VERDICT_PASS);
  assert_int_equal(judge_curve(n, x, y, 0.0, "from_hz = 20; to_hz = 20500; min = -1; max = 1;").verdict,
                   MT_VERDICT_UNDECIDED);
}

static void single_frequency_is_read_between_points(void **state)
{
  const double x[] = {100.0, 200.0};
  const double y[] = {0.0, -2.0};
  mt_judgement j;
  (void)state;
  j = judge_curve(2, x, y, 0.0, "from_hz = 141.4213562; to_hz = 141.4213562; min = -1.1; max = 1;");
  assert_int_equal(j.verdict, MT_VERDICT_PASS);
  assert_near(j.value, -1.0, 1e-6, "dB"); /* the middle of an octave on a logarithmic axis */
}

static void curve_that_is_not_valid_is_undecided(void **state)
{
  const double x[] = {100.0, 200.0}, y[] = {0.0, 0.0};
  mt_results *results = new_results();
  (void)state;
  add_curve(results, MT_LEFT, 2, x, y, 0.0);
  results->curves[0].validity = MT_DROPOUT;
  judge(results, "limits = ({ quantity = \"response\"; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  results->curves[0].validity = MT_RIG_LIMITED;
  judge(results, "limits = ({ quantity = \"response\"; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  judge(results, "limits = ({ quantity = \"response\"; min = -1; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  results->curves[0].validity = MT_VALID;
  results->curves[0].x[1] = 50.0; /* not ascending */
  judge(results, "limits = ({ quantity = \"response\"; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  results->curves[0].npoints = 0;
  judge(results, "limits = ({ quantity = \"response\"; max = 1; unit = \"dB\"; });");
  assert_int_equal(results->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&results);
}

/* Lower any point of a curve that has only a lower limit: the verdict never gets better. */
static void lowering_a_curve_never_improves_its_verdict(void **state)
{
  double x[64], y[64];
  size_t n = fill_response(x, y);
  mt_random random;
  (void)state;

  mt_random_init(&random, support_seed(266));
  for (int run = 0; run < 300; run++) {
    const char *limit = "from_hz = 25; to_hz = 16000; min = -1;";
    mt_verdict before, after;
    for (size_t i = 0; i < n; i++)
      y[i] = -0.7 + 0.1 * mt_random_normal(&random);
    before = judge_curve(n, x, y, 0.1, limit).verdict;
    y[mt_random_bits(&random) % n] -= 0.5 * mt_random_uniform(&random);
    after = judge_curve(n, x, y, 0.1, limit).verdict;
    assert_true(after >= before);
  }
}

/* ---- words -------------------------------------------------------------------------------------------- */

static void judgement_reads_as_a_sentence(void **state)
{
  static const struct {
    mt_quantity quantity;
    mt_channel channel;
    double value, uncertainty;
    const char *limit;
    const char *text;
  } cases[] = {
      {MT_Q_BALANCE, MT_CHANNEL_BOTH, 43.2154, 0.13, "min = -0.5; max = 0.5; unit = \"dB\";",
       "Right channel is 43.2 dB quieter than the left; at most 0.5 dB is allowed"},
      {MT_Q_BALANCE, MT_CHANNEL_BOTH, -0.21, 0.004, "min = -0.5; max = 0.5; unit = \"dB\";",
       "Left channel is 0.21 dB quieter than the right; at most 0.5 dB is allowed"},
      {MT_Q_BALANCE, MT_CHANNEL_BOTH, 0.503, 0.001, "min = -0.5; max = 0.5; unit = \"dB\";",
       "Right channel is 0.503 dB quieter than the left; at most 0.5 dB is allowed"},
      {MT_Q_BALANCE, MT_CHANNEL_BOTH, 0.49, 0.05, "min = -0.5; max = 0.5; unit = \"dB\";",
       "Right channel is 0.49 dB quieter than the left +-0.050 dB, too close to the limit of 0.5 dB to be "
       "sure"},
      {MT_Q_BALANCE, MT_CHANNEL_BOTH, 3.0, 0.1, "min = 1.0; max = 2.0; unit = \"dB\";",
       "Balance is 3.0 dB; 1 to 2 dB is allowed"},
      {MT_Q_THD_N, MT_LEFT, -38.4, 0.05, "max = 0.1; unit = \"%\";",
       "Left channel's distortion and noise (THD+N) is 1.20 %; at most 0.1 % is allowed"},
      {MT_Q_THD_N, MT_RIGHT, -60.1, 0.5, "max = 0.1; unit = \"%\";",
       "Right channel's distortion and noise (THD+N) is 0.099 % +-0.0059 %, too close to the limit of 0.1 % "
       "to be sure"},
      {MT_Q_CROSSTALK, MT_LEFT, -30.14, 0.02, "max = -40.0; unit = \"dB\";",
       "Left channel hears the right at -30.14 dB; at most -40 dB is allowed"},
      {MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, -12.346, 0.2, "min = -5.0; max = 5.0; unit = \"deg\";",
       "Phase difference is -12.3 deg; within +-5 deg is allowed"},
      {MT_Q_DC, MT_LEFT, 0.00001, 0.000001, "min = -0.01; max = 0.01; unit = \"FS\";",
       "Left channel's DC offset is 0.000010 FS; within +-0.01 FS is allowed"},
      {MT_Q_SNR, MT_RIGHT, 47.0, 2.0, "min = 60.0; unit = \"dB\";",
       "Right channel's signal-to-noise ratio is 47 dB; at least 60 dB is required"},
      {MT_Q_GAIN, MT_LEFT, -0.001, 0.01, "min = -20.0; unit = \"dB\";",
       "Left channel's gain is 0.00 dB; at least -20 dB is required"},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    mt_results *results = new_results();
    char plan[256];
    add(results, cases[i].quantity, cases[i].channel, "both", cases[i].value, cases[i].uncertainty);
    snprintf(plan, sizeof plan, "limits = ( { quantity = \"%s\"; %s } );",
             mt_quantity_describe(cases[i].quantity)->name, cases[i].limit);
    judge(results, plan);
    assert_string_equal(results->judgements[0].text, cases[i].text);
    mt_results_destroy(&results);
  }
}

static void a_line_is_judged_by_its_order_and_named_by_its_place(void **state)
{
  mt_results *results = new_results();
  (void)state;
  add(results, MT_Q_HUM_LINE, MT_LEFT, "idle", -70.0, 0.1)->order = 1;
  add(results, MT_Q_HUM_LINE, MT_LEFT, "idle", -95.0, 0.1)->order = 2;
  add(results, MT_Q_SPURIOUS, MT_LEFT, "idle", -80.0, 0.1)->freq_hz = 8000.4;
  judge(results,
        "limits = ( { quantity = \"hum_line\"; order = 1; channel = \"left\"; max = -90.0; unit = "
        "\"dBFS\"; }, { quantity = \"spurious\"; channel = \"left\"; max = -90.0; unit = \"dBFS\"; } );");
  assert_string_equal(
      results->judgements[0].text,
      "Left channel's hum at the mains frequency x 1 is -70.0 dBFS; at most -90 dBFS is allowed");
  assert_string_equal(results->judgements[1].text,
                      "Left channel's foreign line at 8 kHz is -80.0 dBFS; at most -90 dBFS is allowed");
  assert_int_equal(results->readings[0].verdict, MT_VERDICT_FAIL);
  assert_int_equal(results->readings[1].verdict, MT_VERDICT_NONE);
  mt_results_destroy(&results);
}

/* No quantity, channel or value may overrun a text (the sanitizers watch). */
static void extreme_values_are_worded_within_bounds(void **state)
{
  static const double values[] = {0.0, 1e300, -1e300, 1e-300, 123456789.123456789};
  (void)state;
  for (int q = 0; q < MT_Q_RESPONSE; q++)
    for (size_t i = 0; i < COUNT(values); i++)
      for (size_t k = 0; k < COUNT(values); k++) {
        mt_results *results = new_results();
        mt_error err = {0};
        mt_limit limit = {.quantity = (mt_quantity)q,
                          .channel = MT_CHANNEL_ANY,
                          .to_hz = HUGE_VAL,
                          .min = -1e-9,
                          .max = 1e12,
                          .unit = mt_quantity_describe((mt_quantity)q)->unit};
        mt_plan plan = {.limits = &limit, .nlimits = 1};
        add(results, (mt_quantity)q, MT_LEFT, "both", values[i], fabs(values[k]));
        assert_ok(mt_judge_results(&plan, results, &err), err);
        assert_true(strlen(results->judgements[0].text) > 10);
        mt_results_destroy(&results);
      }
}

static void good_unit_passes_the_default_plan_and_judging_twice_changes_nothing(void **state)
{
  double x[64], y[64] = {0};
  size_t n = fill_response(x, y);
  mt_results *results = new_results();
  mt_plan *plan = NULL;
  mt_error err = {0};
  (void)state;

  memset(y, 0, sizeof y);
  results->is_stimulus = true;
  results->nchannels = 2;
  add_sound_route(results);
  add(results, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.03, 0.01);
  add(results, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, "both", 0.1, 0.01);
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    add(results, MT_Q_GAIN, c, "both", -0.2, 0.01);
    add(results, MT_Q_CROSSTALK, c, c == MT_LEFT ? "right" : "left", -72.0, 0.5);
    add(results, MT_Q_THD_N, c, "both", -78.0, 0.1);
    add(results, MT_Q_THD_N, c, "low", -20.0, 0.1); /* a tone near the noise is not judged by the default */
    add(results, MT_Q_THD_F, c, "both", -88.0, 0.3);
    add(results, MT_Q_NOISE_A, c, "idle", -101.0, 0.3);
    add(results, MT_Q_HUM, c, "idle", -110.0, 1.0);
    add(results, MT_Q_SNR, c, "both", 78.0, 0.3);
    add(results, MT_Q_DYNAMIC_RANGE, c, "low", 75.0, 0.3);
    add(results, MT_Q_DC, c, "idle", 0.0001, 0.00001);
    add_curve(results, c, n, x, y, 0.02);
  }
  assert_ok(mt_plan_create_default(&plan, &err), err);
  assert_ok(mt_judge_results(plan, results, &err), err);
  for (size_t i = 0; i < results->njudgements; i++)
    if (results->judgements[i].verdict != MT_VERDICT_PASS)
      print_error("%s\n", results->judgements[i].text);
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  assert_string_equal(results->plan_name, "default");
  size_t first = results->njudgements;
  assert_ok(mt_judge_results(plan, results, &err), err);
  assert_int_equal(results->njudgements, first);
  assert_int_equal(results->verdict, MT_VERDICT_PASS);
  mt_plan_destroy(&plan);
  mt_results_destroy(&results);
}

/* One curve with a floor, in dB over `unit`, and one limit; its verdict and how many judgements there are. */
static mt_verdict judge_floored(mt_quantity quantity, mt_unit x_unit, const double *x, const double *y,
                                const double *u, const char *limit, size_t *njudgements)
{
  double noise[3] = {-100.0, -100.0, -100.0};
  mt_curve c = {.quantity = quantity,
                .channel = MT_LEFT,
                .segment = "sweep",
                .state = "default",
                .npoints = 3,
                .x = (double *)(uintptr_t)x,
                .y = (double *)(uintptr_t)y,
                .uncertainty = (double *)(uintptr_t)u,
                .x_unit = x_unit,
                .floor = noise};
  mt_results *results = new_results();
  mt_error err = {0};
  mt_verdict verdict;
  char plan[256];

  assert_ok(mt_results_add_curve(results, &c, &err), err);
  add(results, MT_Q_THD_F, MT_LEFT, "both", -70.0, 0.1);
  snprintf(plan, sizeof plan, "limits = ({ quantity = \"%s\"; %s unit = \"dB\"; });",
           mt_quantity_describe(quantity)->name, limit);
  judge(results, plan);
  verdict = results->verdict;
  *njudgements = results->njudgements;
  mt_results_destroy(&results);
  return verdict;
}

/* A point that noise may have made passes an upper limit above it and fails none. */
static void bound_on_a_curve_passes_and_never_fails(void **state)
{
  const double x[3] = {1000.0, 1100.0, 1200.0};
  const double y[3] = {-80.0, -50.0, -80.0}, u[3] = {0.1, 40.0, 0.1};
  size_t n;
  (void)state;
  assert_int_equal(
      judge_floored(MT_Q_HARMONIC_2, MT_UNIT_HZ, x, y, u, "channel = \"left\"; max = -45.0;", &n),
      MT_VERDICT_PASS);
  assert_int_equal(
      judge_floored(MT_Q_HARMONIC_2, MT_UNIT_HZ, x, y, u, "channel = \"left\"; max = -60.0;", &n),
      MT_VERDICT_UNDECIDED);
  assert_int_equal(
      judge_floored(MT_Q_HARMONIC_2, MT_UNIT_HZ, x, y, u, "channel = \"left\"; max = -90.0;", &n),
      MT_VERDICT_FAIL);
  /* the ends of a stretch lie between a point and a bound */
  assert_int_equal(judge_floored(MT_Q_HARMONIC_2, MT_UNIT_HZ, x, y, u,
                                 "channel = \"left\"; from_hz = 1050.0; to_hz = 1150.0; max = -60.0;", &n),
                   MT_VERDICT_UNDECIDED);
}

/* THD is one number, and also a curve: the stretch says which of the two a limit means. */
static void stretch_says_whether_the_number_or_the_curve_is_meant(void **state)
{
  const double x[3] = {1000.0, 1100.0, 1200.0};
  const double y[3] = {-80.0, -50.0, -80.0}, u[3] = {0.1, 0.1, 0.1};
  size_t n;
  (void)state;
  assert_int_equal(judge_floored(MT_Q_THD_F, MT_UNIT_HZ, x, y, u, "channel = \"left\"; max = -60.0;", &n),
                   MT_VERDICT_PASS);
  assert_int_equal(n, 1);
  assert_int_equal(judge_floored(MT_Q_THD_F, MT_UNIT_HZ, x, y, u,
                                 "channel = \"left\"; from_hz = 1000.0; to_hz = 1200.0; max = -60.0;", &n),
                   MT_VERDICT_FAIL);
}

static void curve_over_level_is_judged_as_a_whole(void **state)
{
  const double x[3] = {-80.0, -40.0, 0.0};
  const double y[3] = {0.3, 0.0, -0.6}, u[3] = {0.1, 0.001, 0.001};
  size_t n;
  (void)state;
  assert_int_equal(
      judge_floored(MT_Q_LINEARITY, MT_UNIT_DBFS, x, y, u, "channel = \"left\"; min = -1.0; max = 1.0;", &n),
      MT_VERDICT_PASS);
  assert_int_equal(
      judge_floored(MT_Q_LINEARITY, MT_UNIT_DBFS, x, y, u, "channel = \"left\"; min = -0.5; max = 1.0;", &n),
      MT_VERDICT_FAIL);
}

/* ---- re a good unit --------------------------------------------------------------------------------- */

#define RELATIVE(limit)                                                                                      \
  "reference = \"good.json\"; expect_route = \"any\"; expect_polarity = \"any\"; limits = (" limit ");"

static void judge_against(mt_results *results, mt_results *good, const char *plan_text)
{
  mt_plan *plan = NULL;
  mt_error err = {0};

  assert_ok(mt_plan_parse(plan_text, "p.cfg", &plan, &err), err);
  if (good != NULL)
    mt_plan_set_reference(plan, &good);
  assert_null(good);
  assert_ok(mt_judge_results(plan, results, &err), err);
  mt_plan_destroy(&plan);
}

static void relative_limit_is_held_against_the_difference(void **state)
{
  /* difference, and uncertainties 0.3 and 0.4: guard band 0.82 * 0.5 = 0.41 dB about the limit of 2 dB */
  static const struct {
    double difference;
    mt_verdict want;
  } cases[] = {{1.58, MT_VERDICT_PASS},
               {1.60, MT_VERDICT_UNDECIDED},
               {2.40, MT_VERDICT_UNDECIDED},
               {2.42, MT_VERDICT_FAIL},
               {-30.0, MT_VERDICT_PASS}};

  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    mt_results *mine = new_results(), *good = new_results();
    add(good, MT_Q_NOISE, MT_LEFT, "idle", -90.0, 0.3);
    add(mine, MT_Q_NOISE, MT_LEFT, "idle", -90.0 + cases[i].difference, 0.4);
    judge_against(mine, good,
                  RELATIVE("{ quantity = \"noise\"; max = 2.0; unit = \"dB\"; relative = true; }"));
    assert_int_equal(mine->njudgements, 1);
    assert_int_equal(mine->verdict, cases[i].want);
    assert_near(mine->judgements[0].value, cases[i].difference, 1e-9, "dB");
    assert_near(mine->judgements[0].uncertainty, 0.5, 1e-12, "dB");
    assert_true(mine->judgements[0].relative);
    if (cases[i].want == MT_VERDICT_FAIL)
      assert_string_equal(mine->judgements[0].text,
                          "Left channel's noise is +2.4 dB re the reference; at most 2 dB is allowed");
    mt_results_destroy(&mine);
  }
}

static void relative_limit_is_undecided_without_a_like_reference(void **state)
{
  static const char *const plan =
      RELATIVE("{ quantity = \"noise\"; max = 2.0; unit = \"dB\"; relative = true; }");

  (void)state;
  for (int i = 0; i < 7; i++) {
    mt_results *mine = new_results(), *good = new_results();
    mt_reading *r = add(good, MT_Q_NOISE, MT_LEFT, i == 1 ? "other" : "idle", -90.0, 0.1);
    add(mine, MT_Q_NOISE, MT_LEFT, "idle", -95.0, 0.1);
    if (i == 2)
      r->validity = MT_RIG_LIMITED;
    if (i == 3)
      r->validity = MT_NO_SIGNAL;
    good->valid = i != 4;
    mine->is_stimulus = i == 5 || i == 6;
    good->is_stimulus = i == 6;
    good->stimulus_level_dbfs = -10.0;
    mine->stimulus_level_dbfs = -20.0;
    if (i == 0)
      mt_results_destroy(&good);
    judge_against(mine, good, plan);
    if (mine->verdict != MT_VERDICT_UNDECIDED)
      fail_msg("case %d is %s", i, mt_verdict_name(mine->verdict));
    mt_results_destroy(&mine);
  }
}

static void relative_limit_on_a_response_is_held_against_the_difference_curve(void **state)
{
  const double x[] = {20.0, 40.0, 80.0}, ya[] = {-6.0, -3.0, 0.0}, yb[] = {-6.1, -3.0, -1.5};
  mt_results *mine = new_results(), *good = new_results();

  (void)state;
  add_curve(good, MT_LEFT, 3, x, ya, 0.1);
  add_curve(mine, MT_LEFT, 3, x, yb, 0.1);
  judge_against(mine, good,
                RELATIVE("{ quantity = \"response\"; from_hz = 20.0; to_hz = 80.0; min = -1.0; max = 1.0;"
                         " unit = \"dB\"; relative = true; }"));
  assert_int_equal(mine->judgements[0].verdict, MT_VERDICT_FAIL);
  assert_near(mine->judgements[0].value, -1.5, 1e-9, "dB");
  assert_near(mine->judgements[0].at_hz, 80.0, 1e-9, "Hz");
  mt_results_destroy(&mine);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(relative_limit_is_held_against_the_difference),
      cmocka_unit_test(relative_limit_is_undecided_without_a_like_reference),
      cmocka_unit_test(relative_limit_on_a_response_is_held_against_the_difference_curve),
      cmocka_unit_test(bound_on_a_curve_passes_and_never_fails),
      cmocka_unit_test(stretch_says_whether_the_number_or_the_curve_is_meant),
      cmocka_unit_test(curve_over_level_is_judged_as_a_whole),
      cmocka_unit_test(guard_band_gives_the_published_risk),
      cmocka_unit_test(verdict_has_three_outcomes_on_each_side),
      cmocka_unit_test(value_exactly_on_its_limit_passes_when_nothing_is_uncertain),
      cmocka_unit_test(what_is_not_a_number_is_undecided),
      cmocka_unit_test(moving_towards_the_limit_never_improves_the_verdict),
      cmocka_unit_test(limit_in_percent_is_exact_at_the_boundary),
      cmocka_unit_test(uncertainty_of_a_percentage_is_held_in_decibels),
      cmocka_unit_test(milliseconds_convert_value_and_uncertainty),
      cmocka_unit_test(bound_passes_an_upper_limit_and_never_fails),
      cmocka_unit_test(bound_of_signal_to_noise_passes_a_lower_limit),
      cmocka_unit_test(what_is_not_valid_is_undecided_with_its_reason),
      cmocka_unit_test(a_reasons_own_words_are_kept_and_bounded),
      cmocka_unit_test(smuggled_nan_is_undecided),
      cmocka_unit_test(spoilt_take_decides_nothing),
      cmocka_unit_test(limit_meets_only_what_it_names),
      cmocka_unit_test(order_of_a_limit_picks_the_harmonic),
      cmocka_unit_test(limit_without_a_reading_is_undecided),
      cmocka_unit_test(one_channel_of_two_cannot_pass_for_both),
      cmocka_unit_test(one_undecided_limit_makes_the_whole_undecided_unless_another_fails),
      cmocka_unit_test(every_plan_implies_the_route),
      cmocka_unit_test(route_and_polarity_are_left_alone_when_the_plan_says_any),
      cmocka_unit_test(every_plan_implies_the_polarity),
      cmocka_unit_test(route_that_could_not_be_read_is_undecided),
      cmocka_unit_test(missing_route_of_one_channel_is_undecided),
      cmocka_unit_test(plain_recording_has_no_route_to_judge_but_a_stimulus_take_has),
      cmocka_unit_test(each_state_is_judged_for_its_route),
      cmocka_unit_test(worst_point_of_a_stretch_decides),
      cmocka_unit_test(uncertain_point_makes_a_curve_undecided_but_does_not_hide_a_fail),
      cmocka_unit_test(stretch_that_is_not_covered_is_undecided),
      cmocka_unit_test(nominal_frequencies_are_covered_by_the_exact_grid),
      cmocka_unit_test(single_frequency_is_read_between_points),
      cmocka_unit_test(curve_that_is_not_valid_is_undecided),
      cmocka_unit_test(lowering_a_curve_never_improves_its_verdict),
      cmocka_unit_test(judgement_reads_as_a_sentence),
      cmocka_unit_test(a_line_is_judged_by_its_order_and_named_by_its_place),
      cmocka_unit_test(extreme_values_are_worded_within_bounds),
      cmocka_unit_test(good_unit_passes_the_default_plan_and_judging_twice_changes_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
