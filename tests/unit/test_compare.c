#include "support.h"
#include "unit_bench.h"

#include "base/random.h"

#include <mendtone/compare.h>

static size_t npairs = 3;

/* ---- results to compare ----------------------------------------------------------------------------- */

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};

  assert_ok(mt_results_create(&results, &err), err);
  results->rate_hz = 48000.0;
  results->nchannels = 2;
  results->is_stimulus = true;
  results->stimulus_level_dbfs = -20.0;
  return results;
}

static mt_reading *add(mt_results *results, mt_quantity quantity, mt_channel channel, double value,
                       double uncertainty)
{
  mt_reading r = {.quantity = quantity,
                  .channel = channel,
                  .segment = "both",
                  .state = "default",
                  .value = value,
                  .uncertainty = uncertainty};
  mt_error err = {0};

  assert_ok(mt_results_add_reading(results, &r, &err), err);
  return &results->readings[results->nreadings - 1];
}

static void add_curve(mt_results *results, mt_channel channel, size_t n, const double *x, const double *y,
                      const double *uncertainty, const double *floor)
{
  double xs[64], ys[64], us[64], fs[64];
  mt_curve c = {
      .quantity = MT_Q_RESPONSE, .channel = channel, .segment = "sweep", .state = "default", .npoints = n};
  mt_error err = {0};

  memcpy(xs, x, n * sizeof *x);
  memcpy(ys, y, n * sizeof *y);
  memcpy(us, uncertainty, n * sizeof *us);
  c.x = xs;
  c.y = ys;
  c.uncertainty = us;
  if (floor != NULL) {
    memcpy(fs, floor, n * sizeof *floor);
    c.floor = fs;
  }
  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

static mt_comparison *compare(const mt_results *a, const mt_results *b)
{
  mt_comparison *c = NULL;
  mt_error err = {0};

  assert_ok(mt_compare_results(a, b, &c, &err), err);
  return c;
}

static void end(mt_results *a, mt_results *b, mt_comparison *c)
{
  mt_results_destroy(&a);
  mt_results_destroy(&b);
  mt_comparison_destroy(&c);
}

static const mt_condition *condition(const mt_comparison *c, const char *name)
{
  for (size_t i = 0; i < c->nconditions; i++)
    if (strcmp(c->conditions[i].name, name) == 0)
      return &c->conditions[i];
  return NULL;
}

/* ---- one reading ------------------------------------------------------------------------------------ */

static void a_difference_has_the_root_of_both_squares_as_uncertainty(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_LEVEL, MT_LEFT, -20.0, 0.3);
  add(b, MT_Q_LEVEL, MT_LEFT, -19.0, 0.4);
  c = compare(a, b);
  assert_int_equal(c->nreadings, 1);
  assert_near(c->readings[0].difference, 1.0, 1e-12, "dB"); /* rounding of doubles */
  assert_near(c->readings[0].uncertainty, 0.5, 1e-12, "dB");
  assert_int_equal(c->readings[0].difference_unit, MT_UNIT_DB);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_DIFFERENT);
  assert_int_equal(c->ndifferent, 1);
  end(a, b, c);
}

static void what_is_within_its_uncertainty_is_the_same(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_LEVEL, MT_LEFT, -20.0, 0.3);
  add(b, MT_Q_LEVEL, MT_LEFT, -20.49, 0.4);
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_SAME);
  assert_int_equal(c->ndifferent, 0);
  end(a, b, c);
}

static void angles_differ_the_shorter_way_round(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, 179.0, 0.1);
  add(b, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, -179.0, 0.1);
  c = compare(a, b);
  assert_near(c->readings[0].difference, 2.0, 1e-9, "deg");
  end(a, b, c);
}

static void words_differ_or_do_not(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_LEFT, 0.0);
  add(b, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_BOTH, 0.0);
  add(a, MT_Q_POLARITY, MT_LEFT, 1.0, 0.0);
  add(b, MT_Q_POLARITY, MT_LEFT, 1.0, 0.0);
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_DIFFERENT);
  assert_false(c->readings[0].has_difference);
  assert_int_equal(c->readings[1].contrast, MT_CONTRAST_SAME);
  assert_int_equal(c->nnumbers, 0);
  end(a, b, c);
}

/* A bound says that the truth is below it (noise) or above it (dynamic range), and no more. */
static void bounds_are_compared_only_as_far_as_they_allow(void **state)
{
  static const struct {
    mt_quantity quantity;
    double a, b;
    bool a_bound, b_bound;
    mt_contrast want;
  } cases[] = {
      {MT_Q_NOISE, -90.0, -100.0, false, true, MT_CONTRAST_DIFFERENT}, /* better, by 10 dB or more */
      {MT_Q_NOISE, -100.0, -90.0, false, true, MT_CONTRAST_UNKNOWN},   /* may be anything below -90 */
      {MT_Q_NOISE, -100.0, -90.0, true, false, MT_CONTRAST_DIFFERENT},
      {MT_Q_NOISE, -90.0, -100.0, true, false, MT_CONTRAST_UNKNOWN},
      {MT_Q_NOISE, -100.0, -100.5, false, true, MT_CONTRAST_UNKNOWN}, /* within the uncertainty */
      {MT_Q_DYNAMIC_RANGE, 80.0, 90.0, false, true, MT_CONTRAST_DIFFERENT},
      {MT_Q_DYNAMIC_RANGE, 90.0, 80.0, false, true, MT_CONTRAST_UNKNOWN},
      {MT_Q_NOISE, -90.0, -120.0, true, true, MT_CONTRAST_UNKNOWN},
  };

  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_results *a = new_results(), *b = new_results();
    mt_comparison *c;
    if (cases[i].a_bound)
      add(a, cases[i].quantity, MT_LEFT, cases[i].a, 0.0)->validity = MT_RIG_LIMITED;
    else
      add(a, cases[i].quantity, MT_LEFT, cases[i].a, 1.0);
    if (cases[i].b_bound)
      add(b, cases[i].quantity, MT_LEFT, cases[i].b, 0.0)->validity = MT_RIG_LIMITED;
    else
      add(b, cases[i].quantity, MT_LEFT, cases[i].b, 1.0);
    c = compare(a, b);
    if (c->readings[0].contrast != cases[i].want)
      fail_msg("case %zu is %s", i, mt_contrast_name(c->readings[0].contrast));
    assert_int_equal(c->nnumbers, 0);
    end(a, b, c);
  }
}

static void what_was_not_read_is_unknown_with_the_reason(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_THD_N, MT_LEFT, 0.0, 0.0)->validity = MT_NO_SIGNAL;
  add(b, MT_Q_THD_N, MT_LEFT, -70.0, 0.1);
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_UNKNOWN);
  assert_string_equal(c->readings[0].why, "A: there is no signal");
  end(a, b, c);
}

static void other_definitions_are_not_compared(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  strcpy(add(a, MT_Q_IMD_MOD, MT_LEFT, -60.0, 0.1)->definition, "60 Hz and 7 kHz");
  strcpy(add(b, MT_Q_IMD_MOD, MT_LEFT, -50.0, 0.1)->definition, "250 Hz and 8 kHz");
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_UNKNOWN);
  assert_false(c->readings[0].has_difference);
  end(a, b, c);
}

static void what_is_only_in_one_is_listed(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_LEVEL, MT_LEFT, -20.0, 0.1);
  add(b, MT_Q_HUM, MT_LEFT, -80.0, 0.1);
  add(a, MT_Q_HARMONIC, MT_LEFT, -80.0, 0.1)->order = 2;
  add(b, MT_Q_HARMONIC, MT_LEFT, -80.0, 0.1)->order = 3;
  c = compare(a, b);
  assert_int_equal(c->nreadings, 4);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_ONLY_A);
  assert_int_equal(c->readings[1].contrast, MT_CONTRAST_ONLY_A);
  assert_int_equal(c->readings[2].contrast, MT_CONTRAST_ONLY_B);
  assert_int_equal(c->readings[3].contrast, MT_CONTRAST_ONLY_B);
  end(a, b, c);
}

static void an_unwanted_line_is_held_against_the_nearest_or_the_bound(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_SPURIOUS, MT_LEFT, -80.0, 0.5)->freq_hz = 1000.0;
  add(a, MT_Q_SPURIOUS, MT_LEFT, -85.0, 0.5)->freq_hz = 8000.0;
  add(b, MT_Q_SPURIOUS, MT_LEFT, -80.2, 0.5)->freq_hz = 1000.3;
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_SAME);
  assert_int_equal(c->readings[1].contrast, MT_CONTRAST_ONLY_A);
  mt_comparison_destroy(&c);
  /* all gone: there is nothing above -119 */
  b->nreadings = 0;
  add(b, MT_Q_SPURIOUS, MT_LEFT, -119.0, 0.0)->validity = MT_RIG_LIMITED;
  c = compare(a, b);
  assert_int_equal(c->nreadings, 2);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_DIFFERENT);
  assert_near(c->readings[1].difference, -34.0, 1e-12, "dB");
  mt_comparison_destroy(&c);
  c = compare(b, a);
  assert_int_equal(c->readings[c->nreadings - 1].contrast, MT_CONTRAST_DIFFERENT);
  end(a, b, c);
}

/* ---- how often chance looks like a difference ------------------------------------------------------- */

/* Two readings of one truth, each normal with half its expanded uncertainty: beyond it in 4.55 % of cases. */
static void equal_truths_differ_by_chance_in_one_of_22(void **state)
{
  enum { CASES = 20000 };
  mt_random random;
  size_t different = 0;

  (void)state;
  mt_random_init(&random, support_seed(7));
  for (int block = 0; block < CASES / 50; block++) {
    mt_results *a = new_results(), *b = new_results();
    mt_comparison *c;
    for (int i = 0; i < 50; i++) {
      double ua = 0.01 + 0.001 * i, ub = 0.05;
      add(a, MT_Q_HARMONIC, MT_LEFT, -60.0 + 0.5 * ua * mt_random_normal(&random), ua)->order = i + 2;
      add(b, MT_Q_HARMONIC, MT_LEFT, -60.0 + 0.5 * ub * mt_random_normal(&random), ub)->order = i + 2;
    }
    c = compare(a, b);
    different += c->ndifferent;
    end(a, b, c);
  }
  /* 910 of 20000; binomial, standard deviation 29.5: four of them either side */
  assert_between((double)different, 910.0 - 118.0, 910.0 + 118.0, "of 20000");
}

/* The factor of a curve of n points: a curve of chance alone is called different in 4.55 % of cases, too. */
static void a_curve_of_chance_differs_as_rarely_as_a_number(void **state)
{
  enum { CASES = 4000, POINTS = 60 };
  mt_random random;
  size_t different = 0;

  (void)state;
  mt_random_init(&random, support_seed(11));
  for (int k = 0; k < CASES; k++) {
    mt_results *a = new_results(), *b = new_results();
    double x[POINTS], ya[POINTS], yb[POINTS], u[POINTS];
    mt_comparison *c;
    for (int i = 0; i < POINTS; i++) {
      x[i] = 20.0 + i;
      u[i] = 0.1;
      ya[i] = 0.05 * mt_random_normal(&random);
      yb[i] = 0.05 * mt_random_normal(&random);
    }
    add_curve(a, MT_LEFT, POINTS, x, ya, u, NULL);
    add_curve(b, MT_LEFT, POINTS, x, yb, u, NULL);
    c = compare(a, b);
    different += c->curves[0].contrast == MT_CONTRAST_DIFFERENT;
    end(a, b, c);
  }
  /* 182 of 4000; binomial, standard deviation 13.2: four of them either side */
  assert_between((double)different, 182.0 - 53.0, 182.0 + 53.0, "of 4000");
}

/* What noise makes uncertain: two takes of a unit that does not change, and nothing else has changed. */
static void two_takes_of_one_unit_are_seldom_found_different(void **state)
{
  mt_simulated_unit unit;
  size_t numbers = 0, different = 0, curves = 0, odd_curves = 0;

  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++) {
    unit.channel[c].gain_db = -3.0 + 0.2 * c;
    unit.channel[c].poly[1] = 2e-3;
    unit.channel[c].poly[2] = 5e-3;
    unit.channel[c].noise_dbfs = -85.0;
    unit.channel[c].crosstalk_db = -60.0;
    unit.channel[c].hum_dbfs = -75.0;
    unit.channel[c].dc = 1e-4;
  }
  unit.seed = support_seed(3);
  for (size_t i = 0; i < npairs; i++) {
    mt_results *a, *b;
    mt_comparison *c;
    a = unit_bench_results(&unit, 48000.0, -20.0);
    unit.seed++;
    b = unit_bench_results(&unit, 48000.0, -20.0);
    unit.seed++;
    assert_non_null(a);
    assert_non_null(b);
    c = compare(a, b);
    assert_int_equal(c->nconditions, 0);
    numbers += c->nnumbers;
    different += c->ndifferent;
    for (size_t k = 0; k < c->nreadings; k++)
      if (c->readings[k].contrast == MT_CONTRAST_DIFFERENT && npairs > 3)
        printf("%s: %g +- %g\n", mt_quantity_describe(c->readings[k].quantity)->name,
               c->readings[k].difference, c->readings[k].uncertainty);
    for (size_t k = 0; k < c->ncurves; k++) {
      curves += c->curves[k].contrast <= MT_CONTRAST_DIFFERENT;
      odd_curves += c->curves[k].contrast == MT_CONTRAST_DIFFERENT;
      if (c->curves[k].contrast == MT_CONTRAST_DIFFERENT)
        printf("curve %s: %zu of %zu beyond\n", mt_quantity_describe(c->curves[k].quantity)->name,
               c->curves[k].nbeyond, c->curves[k].nusable);
    }
    end(a, b, c);
  }
  printf("%zu of %zu readings and %zu of %zu curves differ\n", different, numbers, odd_curves, curves);
  assert_true(numbers >= 50 * npairs);
  /* readings of one take go together (THD of fundamental and of total are one number), so the spread is that of
     perhaps a third of them: 4.55 % and four standard deviations. Some intervals are wider than they need be, so
     there is no least. */
  assert_between((double)different / (double)numbers, 0.0,
                 0.0455 + 4.0 * sqrt(0.0455 * 0.9545 / ((double)numbers / 3.0)), "of the readings");
  assert_between((double)odd_curves / (double)curves, 0.0,
                 0.0455 + 4.0 * sqrt(0.0455 * 0.9545 / ((double)curves / 3.0)), "of the curves");
}

static void a_changed_unit_is_found_different_by_what_was_changed(void **state)
{
  mt_simulated_unit unit;
  mt_results *a, *b;
  mt_comparison *c;
  bool found = false;

  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -85.0;
  unit.channel[0].high_pass_hz = 100.0;
  a = unit_bench_results(&unit, 48000.0, -20.0);
  unit.channel[0].high_pass_hz = 5.0;
  unit.channel[1].gain_db = -0.5;
  unit.seed = 99;
  b = unit_bench_results(&unit, 48000.0, -20.0);
  c = compare(a, b);
  for (size_t i = 0; i < c->nreadings; i++)
    if (c->readings[i].quantity == MT_Q_LEVEL && c->readings[i].channel == MT_RIGHT &&
        strcmp(c->readings[i].a.segment, "both") == 0) {
      found = true;
      assert_int_equal(c->readings[i].contrast, MT_CONTRAST_DIFFERENT);
      /* the gain that was taken away, within what is said of it and a thousandth for the noise's own share */
      assert_near(c->readings[i].difference, -0.5, c->readings[i].uncertainty + 1e-3, "dB");
    }
  assert_true(found);
  for (size_t i = 0; i < c->ncurves; i++)
    if (c->curves[i].quantity == MT_Q_RESPONSE && c->curves[i].channel == MT_LEFT) {
      assert_int_equal(c->curves[i].contrast, MT_CONTRAST_DIFFERENT);
      /* the corner moved from 100 Hz to 5 Hz: nothing above 2 kHz, most at the bottom */
      assert_true(c->curves[i].x[c->curves[i].worst] < 100.0);
    } else if (c->curves[i].quantity == MT_Q_RESPONSE)
      assert_int_equal(c->curves[i].contrast, MT_CONTRAST_SAME);
  end(a, b, c);
}

/* ---- curves ----------------------------------------------------------------------------------------- */

static void curves_are_subtracted_where_both_were_read(void **state)
{
  const double xa[] = {10.0, 100.0, 1000.0, 10000.0}, ya[] = {0.0, 0.0, 0.0, 0.0}, u[] = {0.3, 0.3, 0.3, 0.3};
  const double xb[] = {50.0, 200.0, 20000.0}, yb[] = {1.0, 3.0, -1.0}, ub[] = {0.4, 0.4, 0.4};
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add_curve(a, MT_LEFT, 4, xa, ya, u, NULL);
  add_curve(b, MT_LEFT, 3, xb, yb, ub, NULL);
  c = compare(a, b);
  assert_int_equal(c->curves[0].npoints, 3);
  assert_near(c->curves[0].x[0], 100.0, 0.0, "Hz");
  /* 100 Hz is half way from 50 to 200 Hz, 1 kHz lg 5 / lg 100 of the way from 200 Hz to 20 kHz */
  assert_near(c->curves[0].difference[0], 2.0, 1e-9, "dB");
  assert_near(c->curves[0].difference[1], 3.0 - 4.0 * log(5.0) / log(100.0), 1e-9, "dB");
  assert_near(c->curves[0].uncertainty[0], 0.5, 1e-12, "dB");
  assert_int_equal(c->curves[0].worst, 0);
  assert_int_equal(c->curves[0].contrast, MT_CONTRAST_DIFFERENT);
  end(a, b, c);
}

static void a_point_that_is_a_bound_proves_nothing(void **state)
{
  const double x[] = {10.0, 100.0, 1000.0}, ya[] = {0.0, 0.0, 0.0}, yb[] = {0.1, -60.0, 0.1};
  const double u[] = {0.3, 0.3, 0.3}, ub[] = {0.3, 40.0, 0.3}, floor[] = {-90.0, -60.0, -90.0};
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add_curve(a, MT_LEFT, 3, x, ya, u, NULL);
  add_curve(b, MT_LEFT, 3, x, yb, ub, floor);
  c = compare(a, b);
  assert_int_equal(c->curves[0].nusable, 2);
  assert_int_equal(c->curves[0].nbeyond, 0);
  assert_int_equal(c->curves[0].contrast, MT_CONTRAST_SAME);
  end(a, b, c);
}

static void curves_without_a_common_range_are_unknown(void **state)
{
  const double xa[] = {10.0, 20.0}, xb[] = {100.0, 200.0}, y[] = {0.0, 0.0}, u[] = {0.1, 0.1};
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add_curve(a, MT_LEFT, 2, xa, y, u, NULL);
  add_curve(b, MT_LEFT, 2, xb, y, u, NULL);
  add_curve(a, MT_RIGHT, 2, xa, y, u, NULL);
  c = compare(a, b);
  assert_int_equal(c->curves[0].contrast, MT_CONTRAST_UNKNOWN);
  assert_int_equal(c->curves[0].npoints, 0);
  assert_int_equal(c->curves[1].contrast, MT_CONTRAST_ONLY_A);
  end(a, b, c);
}

/* ---- conditions and channels ------------------------------------------------------------------------ */

static void conditions_that_differ_are_said(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c = compare(a, b);

  (void)state;
  assert_int_equal(c->nconditions, 0);
  mt_comparison_destroy(&c);
  b->rate_hz = 96000.0;
  b->stimulus_level_dbfs = -10.0;
  b->stimulus_extras = MT_EXTRA_LEVELS;
  b->load_ohm = 33.0;
  strcpy(b->plan_name, "amp.plan");
  strcpy(b->tool_version, "0.0.9");
  b->nchannels = 1;
  c = compare(a, b);
  assert_int_equal(c->nconditions, 7);
  assert_non_null(strstr(condition(c, "rate")->text, "48000 Hz in A, 96000 Hz in B"));
  assert_non_null(strstr(condition(c, "level")->text, "-20 dBFS in A, -10 dBFS in B"));
  assert_non_null(strstr(condition(c, "extras")->text, "none in A, levels in B"));
  assert_non_null(strstr(condition(c, "load")->text, "none said in A, 33 ohm in B"));
  assert_non_null(strstr(condition(c, "plan")->text, "none in A, amp.plan in B"));
  assert_non_null(strstr(condition(c, "version")->text, "0.0.9 in B"));
  assert_non_null(condition(c, "channels"));
  end(a, b, c);
}

static void each_state_has_a_load_of_its_own(void **state)
{
  mt_results *a = new_results(), *b = new_results();
  mt_take_summary open = {.state = "phones", .valid = true, .load_ohm = (double)INFINITY}, loaded = open;
  mt_comparison *c;
  mt_error err = {0};

  (void)state;
  loaded.load_ohm = 33.0;
  assert_ok(mt_results_add_take(a, &open, &err), err);
  assert_ok(mt_results_add_take(b, &loaded, &err), err);
  c = compare(a, b);
  assert_non_null(strstr(condition(c, "load")->text, "Load in state phones: open in A, 33 ohm in B"));
  mt_comparison_destroy(&c);
  b->takes[0].load_ohm = (double)INFINITY;
  c = compare(a, b);
  assert_int_equal(c->nconditions, 0);
  end(a, b, c);
}

static void of_a_spoilt_take_nothing_is_concluded(void **state)
{
  const double x[] = {10.0, 100.0}, y[] = {0.0, 0.0}, z[] = {9.0, 9.0}, u[] = {0.3, 0.3};
  mt_results *a = new_results(), *b = new_results();
  mt_comparison *c;

  (void)state;
  add(a, MT_Q_LEVEL, MT_LEFT, -20.0, 0.1);
  add(b, MT_Q_LEVEL, MT_LEFT, -30.0, 0.1);
  add_curve(a, MT_LEFT, 2, x, y, u, NULL);
  add_curve(b, MT_LEFT, 2, x, z, u, NULL);
  b->valid = false;
  c = compare(a, b);
  assert_int_equal(c->readings[0].contrast, MT_CONTRAST_UNKNOWN);
  assert_int_equal(c->curves[0].contrast, MT_CONTRAST_UNKNOWN);
  assert_int_equal(c->ndifferent, 0);
  assert_non_null(condition(c, "take"));
  end(a, b, c);
}

static void the_channels_of_one_take_are_compared_like_two_units(void **state)
{
  mt_results *r = new_results();
  mt_comparison *c = NULL;
  mt_error err = {0};

  (void)state;
  add(r, MT_Q_LEVEL, MT_LEFT, -20.0, 0.1);
  add(r, MT_Q_LEVEL, MT_RIGHT, -21.0, 0.1);
  add(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 1.0, 0.1);
  strcpy(add(r, MT_Q_CROSSTALK, MT_LEFT, -70.0, 0.1)->segment, "right");
  strcpy(add(r, MT_Q_CROSSTALK, MT_RIGHT, -50.0, 0.1)->segment, "left");
  add(r, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_LEFT, 0.0);
  add(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_RIGHT, 0.0);
  assert_ok(mt_compare_channels(r, &c, &err), err);
  assert_int_equal(c->nreadings, 3); /* the balance is of both, and stays out */
  assert_near(c->readings[0].difference, -1.0, 1e-12, "dB");
  assert_near(c->readings[1].difference, 20.0, 1e-12, "dB");
  assert_int_equal(c->readings[2].contrast, MT_CONTRAST_SAME); /* each hears its own */
  assert_int_equal(c->nconditions, 0);
  end(r, NULL, c);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_difference_has_the_root_of_both_squares_as_uncertainty),
      cmocka_unit_test(what_is_within_its_uncertainty_is_the_same),
      cmocka_unit_test(angles_differ_the_shorter_way_round),
      cmocka_unit_test(words_differ_or_do_not),
      cmocka_unit_test(bounds_are_compared_only_as_far_as_they_allow),
      cmocka_unit_test(what_was_not_read_is_unknown_with_the_reason),
      cmocka_unit_test(other_definitions_are_not_compared),
      cmocka_unit_test(what_is_only_in_one_is_listed),
      cmocka_unit_test(an_unwanted_line_is_held_against_the_nearest_or_the_bound),
      cmocka_unit_test(equal_truths_differ_by_chance_in_one_of_22),
      cmocka_unit_test(a_curve_of_chance_differs_as_rarely_as_a_number),
      cmocka_unit_test(two_takes_of_one_unit_are_seldom_found_different),
      cmocka_unit_test(a_changed_unit_is_found_different_by_what_was_changed),
      cmocka_unit_test(curves_are_subtracted_where_both_were_read),
      cmocka_unit_test(a_point_that_is_a_bound_proves_nothing),
      cmocka_unit_test(curves_without_a_common_range_are_unknown),
      cmocka_unit_test(conditions_that_differ_are_said),
      cmocka_unit_test(each_state_has_a_load_of_its_own),
      cmocka_unit_test(of_a_spoilt_take_nothing_is_concluded),
      cmocka_unit_test(the_channels_of_one_take_are_compared_like_two_units),
  };

  /* more pairs of takes, for a figure that is worth stating: test_compare 50 */
  if (argc > 1)
    npairs = (size_t)strtoul(argv[1], NULL, 10);
  return cmocka_run_group_tests(tests, NULL, NULL);
}
