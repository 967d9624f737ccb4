#include "support.h"

#include "base/text.h"

#include <mendtone/plan.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])
#define PI 3.14159265358979323846

/* ---- a sound unit, to be broken in one way at a time ---------------------------------------------------- */

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

#define POINTS 61

/* Third octaves would do; ten to the octave make the corner sharp. Flat until bent. */
static void add_response(mt_results *results, mt_channel channel)
{
  double x[POINTS], y[POINTS], u[POINTS];
  mt_curve c = {.quantity = MT_Q_RESPONSE,
                .channel = channel,
                .segment = "sweep",
                .state = "default",
                .npoints = POINTS,
                .x = x,
                .y = y,
                .uncertainty = u};
  mt_error err = {0};
  for (size_t i = 0; i < POINTS; i++) {
    x[i] = 20.0 * pow(10.0, 3.0 * (double)i / (POINTS - 1));
    y[i] = 0.02 * sin((double)i);
    u[i] = 0.01;
  }
  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

static void add_spectrum(mt_results *results, mt_channel channel, double at_50, double at_100)
{
  double x[6], y[6], u[6] = {0};
  mt_curve c = {.quantity = MT_Q_SPECTRUM,
                .channel = channel,
                .segment = "idle",
                .state = "default",
                .npoints = 6,
                .x = x,
                .y = y,
                .uncertainty = u};
  mt_error err = {0};
  for (int k = 0; k < 6; k++) {
    x[k] = 50.0 * (k + 1) + 0.4;
    y[k] = (k % 2 == 0 ? at_50 : at_100) - 5.0 * k;
  }
  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

static mt_results *sound_unit(void)
{
  mt_results *r = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&r, &err), err);
  r->is_stimulus = true;
  r->nchannels = 2;
  add(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.05, 0.01);
  add(r, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, "both", 0.1, 0.01);
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    add(r, MT_Q_ROUTE, c, c == MT_LEFT ? "left" : "right", c == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT, 0);
    add(r, MT_Q_POLARITY, c, c == MT_LEFT ? "left" : "right", 1.0, 0.0);
    add(r, MT_Q_GAIN, c, "both", -0.2, 0.01);
    add(r, MT_Q_GAIN, c, "low", -0.19, 0.02);
    add(r, MT_Q_CROSSTALK, c, c == MT_LEFT ? "right" : "left", -62.0, 0.2);
    add(r, MT_Q_THD_N, c, "both", -75.0, 0.1);
    add(r, MT_Q_THD_F, c, "both", -80.0, 0.1);
    for (int n = 2; n <= 10; n++)
      add(r, MT_Q_HARMONIC, c, "both", -78.0 - 4.0 * n, 0.3)->order = n;
    add(r, MT_Q_NOISE, c, "idle", -92.0, 0.2);
    add(r, MT_Q_NOISE_A, c, "idle", -95.0, 0.2);
    add(r, MT_Q_HUM, c, "idle", -110.0, 1.0)->mains_hz = 50.0;
    add(r, MT_Q_SNR, c, "idle", 72.0, 0.2);
    add(r, MT_Q_DYNAMIC_RANGE, c, "low", 70.0, 0.2);
    add(r, MT_Q_DC, c, "idle", 0.0001, 0.00001);
    add_response(r, c);
  }
  return r;
}

static mt_reading *get(mt_results *results, mt_quantity quantity, mt_channel channel, const char *segment)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel &&
        (segment == NULL || strcmp(r->segment, segment) == 0))
      return r;
  }
  fail();
  return NULL;
}

static void set(mt_results *results, mt_quantity quantity, mt_channel channel, double value)
{
  get(results, quantity, channel, NULL)->value = value;
}

static void set_invalid(mt_results *results, mt_quantity quantity, mt_channel channel)
{
  get(results, quantity, channel, NULL)->validity = MT_NO_SIGNAL;
}

static void set_harmonic(mt_results *results, mt_channel channel, int order, double value)
{
  for (size_t i = 0; i < results->nreadings; i++)
    if (results->readings[i].quantity == MT_Q_HARMONIC && results->readings[i].channel == channel &&
        results->readings[i].order == order)
      results->readings[i].value = value;
}

/* ---- asking --------------------------------------------------------------------------------------------- */

static void find_causes(mt_results *results, const char *plan_text)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  for (size_t i = 0; i < results->nreadings; i++)
    results->readings[i].verdict = MT_VERDICT_NONE;
  results->njudgements = 0;
  if (plan_text != NULL) {
    assert_ok(mt_plan_parse(plan_text, "p.cfg", &plan, &err), err);
    assert_ok(mt_judge_results(plan, results, &err), err);
  }
  assert_ok(mt_judge_find_causes(plan, results, &err), err);
  mt_plan_destroy(&plan);
  for (size_t i = 0; i < results->nfindings; i++) {
    const mt_finding *f = &results->findings[i];
    assert_true(f->nevidence >= 1 && f->nevidence <= 4);
    /* whole sentences: nothing was cut off */
    assert_true(strlen(f->text) < sizeof f->text && f->text[strlen(f->text) - 1] == '.');
    assert_non_null(strstr(f->text, "likely"));
    assert_true(strstr(f->text, "Check first:") != NULL || strstr(f->text, "Check those") != NULL);
    for (size_t k = 0; k < f->nevidence; k++)
      assert_in_range(strlen(f->evidence[k]), 5, sizeof f->evidence[k] - 2);
  }
}

/* Exactly one finding, of that id and channel; its record. */
static const mt_finding *only(mt_results *results, const char *id, mt_channel channel)
{
  if (results->nfindings != 1)
    for (size_t i = 0; i < results->nfindings; i++)
      print_error("found %s: %s\n", results->findings[i].id, results->findings[i].text);
  assert_int_equal(results->nfindings, 1);
  assert_string_equal(results->findings[0].id, id);
  assert_int_equal(results->findings[0].channel, channel);
  return &results->findings[0];
}

static bool cites(const mt_finding *f, const char *part)
{
  for (size_t i = 0; i < f->nevidence; i++)
    if (strstr(f->evidence[i], part) != NULL)
      return true;
  for (size_t i = 0; i < f->nevidence; i++)
    print_error("evidence: %s\n", f->evidence[i]);
  return false;
}

static void expect_none(mt_results *results, const char *plan)
{
  find_causes(results, plan);
  for (size_t i = 0; i < results->nfindings; i++)
    print_error("found %s: %s\n", results->findings[i].id, results->findings[i].text);
  assert_int_equal(results->nfindings, 0);
}

/* ---- no cause where there is no fault --------------------------------------------------------------------- */

static void sound_unit_has_no_findings(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  expect_none(r, NULL);
  expect_none(r, mt_plan_default_text());
  assert_int_equal(r->verdict, MT_VERDICT_PASS);
  mt_results_destroy(&r);
}

static void spoilt_take_and_empty_results_have_no_findings(void **state)
{
  mt_results *r = sound_unit();
  mt_error err = {0};
  (void)state;
  set(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_NONE);
  r->valid = false;
  expect_none(r, NULL);
  mt_results_destroy(&r);
  assert_ok(mt_results_create(&r, &err), err);
  expect_none(r, NULL);
  mt_results_destroy(&r);
}

static void what_is_not_valid_is_no_evidence(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  for (size_t i = 0; i < r->nreadings; i++) {
    r->readings[i].validity = MT_DROPOUT;
    r->readings[i].value = r->readings[i].quantity == MT_Q_ROUTE ? MT_ROUTE_NONE : 30.0;
  }
  for (size_t i = 0; i < r->ncurves; i++) {
    r->curves[i].validity = MT_DROPOUT;
    r->curves[i].y[0] = -40.0;
  }
  expect_none(r, NULL);
  mt_results_destroy(&r);
}

static void what_the_plan_passes_is_no_fault(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 3.0);
  set(r, MT_Q_NOISE_A, MT_LEFT, -60.0);
  set(r, MT_Q_THD_F, MT_LEFT, -40.0);
  set_harmonic(r, MT_LEFT, 2, -40.0);
  for (size_t i = 0; r->curves[0].x[i] < 80.0; i++)
    r->curves[0].y[i] = -12.0;
  set(r, MT_Q_POLARITY, MT_RIGHT, -1.0);
  find_causes(r, NULL);
  assert_int_equal(r->nfindings, 5);
  expect_none(r, "expect_polarity = { right = -1; };"
                 "limits = ({ quantity = \"balance\"; max = 4; unit = \"dB\"; },"
                 "{ quantity = \"noise_a\"; max = -50; unit = \"dBFS\"; },"
                 "{ quantity = \"thd_f\"; max = 5; unit = \"%\"; },"
                 "{ quantity = \"response\"; from_hz = 100; to_hz = 18000; min = -1; unit = \"dB\"; });");
  mt_results_destroy(&r);
}

/* ---- route and level ------------------------------------------------------------------------------------- */

static void silent_channel_is_named(void **state)
{
  mt_results *r = sound_unit();
  const mt_finding *f;
  (void)state;
  set(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_NONE);
  set_invalid(r, MT_Q_BALANCE, MT_CHANNEL_BOTH);
  find_causes(r, NULL);
  f = only(r, "channel-silent", MT_RIGHT);
  assert_non_null(strstr(f->text, "The right channel is silent"));
  assert_true(cites(f, "the left channel works: gain -0.20 dB"));

  set(r, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_NONE);
  find_causes(r, NULL);
  f = only(r, "channel-silent", MT_CHANNEL_BOTH);
  assert_non_null(strstr(f->text, "Nothing arrives on either channel"));

  expect_none(r, "expect_route = { left = \"none\"; right = \"none\"; };");
  expect_none(r, "expect_route = \"any\";");
  mt_results_destroy(&r);
}

static void swapped_and_joined_channels_are_named(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_RIGHT);
  set(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_LEFT);
  find_causes(r, NULL);
  only(r, "channels-swapped", MT_CHANNEL_BOTH);
  expect_none(r, "expect_route = { left = \"right\"; right = \"left\"; };");

  set(r, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_BOTH);
  set(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_BOTH);
  set(r, MT_Q_CROSSTALK, MT_LEFT, -0.2); /* joined: no shared-return story on top of it */
  set(r, MT_Q_CROSSTALK, MT_RIGHT, -0.2);
  find_causes(r, "load_ohm = 32;");
  only(r, "channels-summed", MT_CHANNEL_BOTH);

  set(r, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_LEFT);
  find_causes(r, NULL);
  only(r, "channels-summed", MT_RIGHT);
  mt_results_destroy(&r);
}

static void inverted_channel_is_named(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_POLARITY, MT_LEFT, -1.0);
  find_causes(r, NULL);
  only(r, "polarity-inverted", MT_LEFT);
  set(r, MT_Q_POLARITY, MT_RIGHT, -1.0);
  find_causes(r, NULL);
  only(r, "polarity-inverted", MT_CHANNEL_BOTH);
  expect_none(r, "expect_polarity = { left = -1; right = -1; };");
  mt_results_destroy(&r);
}

static void weak_channel_and_unequal_levels_are_told_apart(void **state)
{
  mt_results *r = sound_unit();
  const mt_finding *f;
  (void)state;
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, -12.3);
  find_causes(r, NULL);
  f = only(r, "channel-weak", MT_LEFT);
  assert_true(cites(f, "the left channel is 12.30 dB below the right"));
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 12.3);
  find_causes(r, NULL);
  only(r, "channel-weak", MT_RIGHT);
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 2.0);
  find_causes(r, NULL);
  f = only(r, "level-differs", MT_CHANNEL_BOTH);
  assert_true(cites(f, "the right channel is 2.00 dB below the left"));
  /* within the threshold, but the plan is stricter */
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 0.3);
  expect_none(r, NULL);
  find_causes(r, "limits = ({ quantity = \"balance\"; min = -0.2; max = 0.2; unit = \"dB\"; });");
  only(r, "level-differs", MT_CHANNEL_BOTH);
  /* a difference that is not certain is no fault */
  set(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, 0.9);
  get(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, NULL)->uncertainty = 0.5;
  expect_none(r, NULL);
  mt_results_destroy(&r);
}

/* ---- response -------------------------------------------------------------------------------------------- */

/* First-order high-pass re its own gain at 997 Hz, as the response is. */
static void bend_high_pass(mt_results *results, size_t curve, double corner_hz, int order)
{
  mt_curve *c = &results->curves[curve];
  for (size_t i = 0; i < c->npoints; i++)
    c->y[i] = -10.0 * order * log10(1.0 + pow(corner_hz / c->x[i], 2.0)) +
              10.0 * order * log10(1.0 + pow(corner_hz / 997.0, 2.0));
}

/* f_c = 1/(2 pi R C): 22 uF into 32 ohm is 226.1 Hz, 220 uF 22.6 Hz, 10 uF 497.4 Hz. */
static void dried_out_capacitor_is_named_and_reckoned(void **state)
{
  mt_results *r = sound_unit();
  const mt_finding *f;
  (void)state;

  assert_near(1.0 / (2.0 * PI * 32.0 * 22e-6), 226.072, 5e-4, "Hz");
  bend_high_pass(r, 0, 226.072, 1);
  find_causes(r, "load_ohm = 32;");
  f = only(r, "low-end-lost", MT_LEFT);
  assert_non_null(strstr(f->text, "below about 230 Hz"));
  assert_true(cites(f, "with the plan's load of 32 ohm: C about 22 uF"));
  assert_true(cites(f, "the right channel at 30 Hz: 0.0 dB"));
  find_causes(r, NULL);
  assert_true(cites(only(r, "low-end-lost", MT_LEFT), "R C about 0.7")); /* 0.704 ms */

  /* the tone itself stands on the slope: 0.96 dB down at 997 Hz */
  bend_high_pass(r, 0, 497.359, 1);
  find_causes(r, "load_ohm = 32;");
  assert_true(cites(only(r, "low-end-lost", MT_LEFT), "C about 10 uF"));

  /* the corner below the limit's stretch but within the curve */
  bend_high_pass(r, 0, 22.607, 1);
  find_causes(r, "load_ohm = 32;");
  assert_true(cites(only(r, "low-end-lost", MT_LEFT), "C about 220 uF"));

  /* the corner below the curve: reckoned from the loss */
  bend_high_pass(r, 0, 18.0, 1);
  find_causes(r, NULL);
  assert_true(cites(only(r, "low-end-lost", MT_LEFT), "-3 dB at about 18 Hz, reckoned from that loss"));

  /* a corner that was read is stated as it was read */
  add(r, MT_Q_CORNER_LOW, MT_LEFT, "sweep", 18.3, 0.1);
  find_causes(r, NULL);
  assert_true(cites(only(r, "low-end-lost", MT_LEFT), "-3 dB at about 18 Hz"));
  assert_false(cites(only(r, "low-end-lost", MT_LEFT), "-3 dB at about 18 Hz, reckoned from that loss"));

  /* 10.6 Hz (470 uF): 0.5 dB down at 30 Hz, as it should be */
  bend_high_pass(r, 0, 10.582, 1);
  expect_none(r, "load_ohm = 32;");
  mt_results_destroy(&r);
}

static void two_capacitors_name_none(void **state)
{
  mt_results *r = sound_unit();
  const mt_finding *f;
  (void)state;
  bend_high_pass(r, 1, 150.0, 2);
  find_causes(r, "load_ohm = 32;");
  f = only(r, "low-end-lost", MT_RIGHT);
  assert_true(cites(f, "steeper than one capacitor (7.0 dB)"));
  mt_results_destroy(&r);
}

static void lost_top_end_is_named(void **state)
{
  mt_results *r = sound_unit();
  mt_curve *c = &r->curves[0];
  const mt_finding *f;
  (void)state;
  for (size_t i = 0; i < c->npoints; i++)
    c->y[i] = -10.0 * log10(1.0 + pow(c->x[i] / 9000.0, 2.0)) + 10.0 * log10(1.0 + pow(997.0 / 9000.0, 2.0));
  find_causes(r, NULL);
  f = only(r, "top-end-lost", MT_LEFT);
  assert_non_null(strstr(f->text, "above about 9 kHz"));
  /* -6.99 dB at 18 kHz of the corner's double, first order */
  assert_true(cites(f, "response at 18 kHz: -7.0 dB"));
  /* a curve that ends at 8 kHz shows no top end */
  while (c->x[c->npoints - 1] > 8000.0)
    c->npoints--;
  expect_none(r, NULL);
  mt_results_destroy(&r);
}

static void judged_response_names_its_cause_too(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  bend_high_pass(r, 0, 60.0, 1);
  find_causes(r, mt_plan_default_text());
  assert_int_equal(r->verdict, MT_VERDICT_FAIL);
  only(r, "low-end-lost", MT_LEFT);
  mt_results_destroy(&r);
}

/* ---- distortion -------------------------------------------------------------------------------------------- */

/* Harmonics of a sine clipped at +-c of its peak, sine series: odd orders only. Closed form by integration. */
static double clip_series(double c, int n)
{
  double theta = asin(c);
  if (n == 1)
    return 2.0 / PI * (theta + c * cos(theta));
  return 4.0 * (n * cos(theta) * sin(n * theta) - c * cos(n * theta)) / (PI * n * (n * n - 1.0));
}

static void set_clipped(mt_results *r, mt_channel channel, double c)
{
  for (int n = 3; n <= 9; n += 2)
    set_harmonic(r, channel, n, 20.0 * log10(fabs(clip_series(c, n) / clip_series(c, 1))));
  for (int n = 2; n <= 10; n += 2)
    set_harmonic(r, channel, n, -110.0);
  set(r, MT_Q_THD_F, channel, -27.5);
  get(r, MT_Q_GAIN, channel, "both")->value = -0.19 + 20.0 * log10(clip_series(c, 1));
}

static void set_dead_zone(mt_results *r, mt_channel channel, double d)
{
  for (int n = 3; n <= 9; n += 2)
    set_harmonic(r, channel, n, 20.0 * log10(fabs(clip_series(d, n) / (1.0 - clip_series(d, 1)))));
  for (int n = 2; n <= 10; n += 2)
    set_harmonic(r, channel, n, -110.0);
  set(r, MT_Q_THD_F, channel, -44.0);
}

static void clipped_tops_are_named(void **state)
{
  static const double depths[] = {0.95, 0.9, 0.8, 0.5};
  (void)state;
  for (size_t i = 0; i < COUNT(depths); i++) {
    mt_results *r = sound_unit();
    const mt_finding *f;
    set_clipped(r, MT_LEFT, depths[i]);
    find_causes(r, NULL);
    f = only(r, "clipping", MT_LEFT);
    /* 0.33 dB of compression at c = 0.9 */
    if (depths[i] == 0.9)
      assert_true(cites(f, "gain for a tone 60 dB lower: 0.3 dB more"));
    /* the same without a tone at low level to compare with */
    get(r, MT_Q_GAIN, MT_LEFT, "low")->validity = MT_DROPOUT;
    find_causes(r, NULL);
    only(r, "clipping", MT_LEFT);
    find_causes(r, mt_plan_default_text());
    only(r, "clipping", MT_LEFT);
    mt_results_destroy(&r);
  }
}

static void dead_zone_is_told_from_clipping(void **state)
{
  static const double widths[] = {0.01, 0.02, 0.05, 0.1};
  (void)state;
  for (size_t i = 0; i < COUNT(widths); i++) {
    mt_results *r = sound_unit();
    /* by its pattern: odd harmonics fall as 1/n */
    set_dead_zone(r, MT_RIGHT, widths[i]);
    get(r, MT_Q_GAIN, MT_RIGHT, "low")->validity = MT_DROPOUT;
    find_causes(r, NULL);
    only(r, "crossover-like", MT_RIGHT);
    /* by its level: the low tone drowns in it */
    get(r, MT_Q_GAIN, MT_RIGHT, "low")->validity = MT_NO_SIGNAL;
    find_causes(r, NULL);
    assert_true(cites(only(r, "crossover-like", MT_RIGHT), "a tone 60 dB lower is not heard at all"));
    get(r, MT_Q_GAIN, MT_RIGHT, "low")->validity = MT_VALID;
    get(r, MT_Q_GAIN, MT_RIGHT, "low")->value = -7.0;
    find_causes(r, NULL);
    assert_true(cites(only(r, "crossover-like", MT_RIGHT), "gain for a tone 60 dB lower: 6.8 dB less"));
    mt_results_destroy(&r);
  }
}

/* Any depth and any width that lifts H3 above -60 dB, from the harmonics alone. */
static void pattern_of_the_harmonics_tells_clipping_from_a_dead_zone(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  get(r, MT_Q_GAIN, MT_LEFT, "low")->validity = MT_DROPOUT;
  for (double c = 0.3; c < 0.987; c += 0.005) {
    set_clipped(r, MT_LEFT, c);
    find_causes(r, NULL);
    only(r, "clipping", MT_LEFT);
  }
  for (double d = 0.004; d < 0.1; d += 0.002) {
    set_dead_zone(r, MT_LEFT, d);
    find_causes(r, NULL);
    only(r, "crossover-like", MT_LEFT);
  }
  mt_results_destroy(&r);
}

/* One-sided clip at 0.9: H2 -34.9, H3 -35.9, H4 -37.2, H5 -39.0 dB; a square law: H2 alone. */
static void bent_side_is_named(void **state)
{
  static const double one_sided[] = {-34.938, -35.853, -37.186, -39.001};
  mt_results *r = sound_unit();
  (void)state;
  for (int n = 2; n <= 5; n++)
    set_harmonic(r, MT_LEFT, n, one_sided[n - 2]);
  set(r, MT_Q_THD_F, MT_LEFT, -30.0);
  find_causes(r, NULL);
  only(r, "one-sided-distortion", MT_LEFT);
  for (int n = 3; n <= 5; n++)
    set_harmonic(r, MT_LEFT, n, -100.0);
  set_harmonic(r, MT_LEFT, 2, -46.0);
  find_causes(r, NULL);
  assert_true(cites(only(r, "one-sided-distortion", MT_LEFT), "H2 -46 H3 -100"));
  mt_results_destroy(&r);
}

static void harmonics_that_are_only_bounds_name_no_cause(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  for (size_t i = 0; i < r->nreadings; i++)
    if (r->readings[i].quantity == MT_Q_HARMONIC) {
      r->readings[i].validity = MT_RIG_LIMITED;
      r->readings[i].value = -40.0;
    }
  expect_none(r, NULL);
  mt_results_destroy(&r);
}

/* ---- crosstalk, hum, noise ------------------------------------------------------------------------------- */

/* R_c/(R + R_c): 1 ohm in the return of two 32 ohm loads is -30.4 dB. */
static void shared_return_is_named_where_the_data_say_so(void **state)
{
  mt_results *r = sound_unit();
  const mt_finding *f;
  (void)state;
  assert_near(20.0 * log10(1.0 / 33.0), -30.4, 0.05, "dB");
  set(r, MT_Q_CROSSTALK, MT_LEFT, -30.4);
  set(r, MT_Q_CROSSTALK, MT_RIGHT, -30.3);
  expect_none(r, NULL); /* neither the load nor the sign of the leak is known: it could be anything */
  find_causes(r, "load_ohm = 32;");
  f = only(r, "common-return", MT_CHANNEL_BOTH);
  assert_true(cites(f, "R_c about 1 ohm"));
  expect_none(r, "load_ohm = 10000;");

  add(r, MT_Q_POLARITY, MT_LEFT, "right", -1.0, 0.0);
  add(r, MT_Q_POLARITY, MT_RIGHT, "left", -1.0, 0.0);
  find_causes(r, NULL);
  assert_true(cites(only(r, "common-return", MT_CHANNEL_BOTH), "it arrives inverted"));
  r->readings[r->nreadings - 1].value = 1.0; /* a leak of normal polarity is no shared return */
  expect_none(r, "load_ohm = 32;");
  r->readings[r->nreadings - 1].value = -1.0;
  set(r, MT_Q_CROSSTALK, MT_RIGHT, -45.0); /* unlike both ways: no shared cause */
  expect_none(r, "load_ohm = 32;");
  mt_results_destroy(&r);
}

static void hum_of_the_mains_is_told_from_ripple(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_HUM, MT_LEFT, -55.0);
  set(r, MT_Q_NOISE, MT_LEFT, -54.5);
  expect_none(r, NULL); /* without a spectrum there is no telling */
  add_spectrum(r, MT_LEFT, -56.0, -80.0);
  find_causes(r, NULL);
  assert_true(cites(only(r, "hum-mains", MT_LEFT), "strongest of 50, 150, 250 Hz: -56 dBFS"));
  for (size_t i = 0; i < 6; i++)
    r->curves[r->ncurves - 1].y[i] = i % 2 == 0 ? -90.0 : -57.0;
  find_causes(r, NULL);
  assert_true(cites(only(r, "hum-rectifier", MT_LEFT), "strongest of 100, 200, 300 Hz: -57 dBFS"));
  set(r, MT_Q_NOISE_A, MT_LEFT, -66.0); /* what is heard of the hum is not noise on top of it */
  find_causes(r, NULL);
  only(r, "hum-rectifier", MT_LEFT);
  mt_results_destroy(&r);
}

static void noise_is_named_when_it_is_not_hum(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_NOISE_A, MT_RIGHT, -58.0);
  set(r, MT_Q_NOISE, MT_RIGHT, -55.0);
  find_causes(r, NULL);
  assert_true(cites(only(r, "noise-high", MT_RIGHT), "the left channel: -95.0 dBFS"));
  mt_results_destroy(&r);
}

static mt_reading *add_line(mt_results *results, mt_channel channel, const char *segment, double freq_hz,
                            double level_dbfs)
{
  mt_reading *r = add(results, MT_Q_SPURIOUS, channel, segment, level_dbfs, 0.3);
  r->freq_hz = freq_hz;
  return r;
}

/* USB 2.0: a frame every millisecond, at high speed a microframe every 125 us. */
static void lines_at_frame_rates_are_told_from_other_lines(void **state)
{
  mt_results *r = sound_unit();
  (void)state;
  add_line(r, MT_RIGHT, "idle", 1000.1, -96.0);
  add_line(r, MT_RIGHT, "idle", 14321.0, -97.0);
  expect_none(r, NULL); /* too weak to matter */
  add_line(r, MT_RIGHT, "both", 1000.1, -70.0);
  expect_none(r, NULL); /* beside a tone it may be the unit's own */
  add_line(r, MT_LEFT, "idle", 1000.1, -84.0);
  add_line(r, MT_LEFT, "idle", 2999.8, -86.0);
  find_causes(r, NULL);
  assert_true(cites(only(r, "usb-frame-noise", MT_LEFT), "a line at 1 kHz: -84.0 dBFS"));
  assert_non_null(strstr(r->findings[0].text, "multiples of 1 kHz"));
  r->readings[r->nreadings - 1].freq_hz = 16001.5;
  r->readings[r->nreadings - 2].freq_hz = 8000.9;
  find_causes(r, NULL);
  assert_non_null(strstr(only(r, "usb-frame-noise", MT_LEFT)->text, "multiples of 8 kHz"));
  r->readings[r->nreadings - 1].validity = MT_RIG_LIMITED; /* a bound is no line */
  r->readings[r->nreadings - 2].freq_hz = 14321.0;
  find_causes(r, NULL);
  assert_true(cites(only(r, "switching-noise", MT_LEFT), "a line at 14.3 kHz: -84.0 dBFS"));
  mt_results_destroy(&r);
}

/* ---- several at once --------------------------------------------------------------------------------------- */

static void several_faults_are_each_named_and_asking_twice_changes_nothing(void **state)
{
  static const char *const wanted[] = {"channel-silent", "low-end-lost", "one-sided-distortion"};
  mt_results *r = sound_unit();
  (void)state;
  set(r, MT_Q_ROUTE, MT_RIGHT, MT_ROUTE_NONE);
  set_invalid(r, MT_Q_BALANCE, MT_CHANNEL_BOTH);
  bend_high_pass(r, 0, 120.0, 1);
  set_harmonic(r, MT_LEFT, 2, -38.0);
  set(r, MT_Q_THD_F, MT_LEFT, -38.0);
  for (int i = 0; i < 2; i++) {
    find_causes(r, mt_plan_default_text());
    assert_int_equal(r->nfindings, COUNT(wanted));
    for (size_t k = 0; k < COUNT(wanted); k++)
      assert_string_equal(r->findings[k].id, wanted[k]);
  }
  mt_results_destroy(&r);
}

static void each_state_has_its_own_findings(void **state)
{
  mt_results *r = sound_unit();
  mt_reading *b = add(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 2.5, 0.01);
  (void)state;
  mt_text_copy(b->state, sizeof b->state, "lift");
  find_causes(r, NULL);
  assert_true(cites(only(r, "level-differs", MT_CHANNEL_BOTH), "in state \"lift\""));
  mt_results_destroy(&r);
}

/* What the analysis of each take found: once, with the evidence of the first take and the names of all. */
static void what_several_takes_found_is_said_once(void **state)
{
  static const struct {
    const char *id, *evidence, *state;
    mt_channel channel;
  } found[] = {{"clips-evenly", "peaks reach 0.5", "in state \"flat\"", MT_LEFT},
               {"clips-evenly", "peaks reach 0.5", "in state \"flat\"", MT_RIGHT},
               {"clips-evenly", "peaks reach 0.6", "in state \"lift\"", MT_LEFT},
               {"clips-positive-first", "peaks reach 0.6", "in state \"lift\"", MT_RIGHT},
               {"clips-evenly", "peaks reach 0.7", "in state \"pad\"", MT_LEFT},
               /* of one state alone: nothing to join */
               {"knob-odd-steps", "below -3 dB", "below -6 dB", MT_LEFT},
               {"knob-odd-steps", "below -3 dB", "below -6 dB", MT_LEFT}};
  mt_results *r = sound_unit();
  mt_error err = {0};
  (void)state;
  for (size_t i = 0; i < COUNT(found); i++) {
    mt_finding f = {.channel = found[i].channel, .nevidence = 2};
    mt_text_copy(f.id, sizeof f.id, found[i].id);
    mt_text_copy(f.text, sizeof f.text, "It clips, likely. Check first: nothing.");
    mt_text_copy(f.evidence[0], sizeof f.evidence[0], found[i].evidence);
    mt_text_copy(f.evidence[1], sizeof f.evidence[1], found[i].state);
    assert_ok(mt_results_add_finding(r, &f, &err), err);
  }
  for (int i = 0; i < 2; i++) {
    find_causes(r, NULL);
    assert_int_equal(r->nfindings, 5);
    assert_string_equal(r->findings[0].evidence[0], "peaks reach 0.5");
    assert_string_equal(r->findings[0].evidence[1], "in state \"flat\", \"lift\", \"pad\"");
    assert_string_equal(r->findings[1].evidence[1], "in state \"flat\"");
    assert_string_equal(r->findings[2].id, "clips-positive-first");
  }
  mt_results_destroy(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sound_unit_has_no_findings),
      cmocka_unit_test(spoilt_take_and_empty_results_have_no_findings),
      cmocka_unit_test(what_is_not_valid_is_no_evidence),
      cmocka_unit_test(what_the_plan_passes_is_no_fault),
      cmocka_unit_test(silent_channel_is_named),
      cmocka_unit_test(swapped_and_joined_channels_are_named),
      cmocka_unit_test(inverted_channel_is_named),
      cmocka_unit_test(weak_channel_and_unequal_levels_are_told_apart),
      cmocka_unit_test(dried_out_capacitor_is_named_and_reckoned),
      cmocka_unit_test(two_capacitors_name_none),
      cmocka_unit_test(lost_top_end_is_named),
      cmocka_unit_test(judged_response_names_its_cause_too),
      cmocka_unit_test(clipped_tops_are_named),
      cmocka_unit_test(dead_zone_is_told_from_clipping),
      cmocka_unit_test(pattern_of_the_harmonics_tells_clipping_from_a_dead_zone),
      cmocka_unit_test(bent_side_is_named),
      cmocka_unit_test(harmonics_that_are_only_bounds_name_no_cause),
      cmocka_unit_test(shared_return_is_named_where_the_data_say_so),
      cmocka_unit_test(hum_of_the_mains_is_told_from_ripple),
      cmocka_unit_test(noise_is_named_when_it_is_not_hum),
      cmocka_unit_test(lines_at_frame_rates_are_told_from_other_lines),
      cmocka_unit_test(several_faults_are_each_named_and_asking_twice_changes_nothing),
      cmocka_unit_test(each_state_has_its_own_findings),
      cmocka_unit_test(what_several_takes_found_is_said_once),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
