/* Axes of charts: labels, places, proportions, and labels moved apart. */
#include "support.h"

#include "report/chart_scale.h"

static const chart_tick *find_label(const chart_scale *s, const char *label)
{
  for (size_t i = 0; i < s->nticks; i++)
    if (strcmp(s->ticks[i].label, label) == 0)
      return &s->ticks[i];
  return NULL;
}

static void frequencies_are_labelled_1_2_5(void **state)
{
  static const char *const labels[] = {"20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"};
  chart_scale s;
  size_t nlabels = 0;

  (void)state;
  chart_scale_frequency(20.0, 20000.0, &s);
  for (size_t i = 0; i < sizeof labels / sizeof labels[0]; i++)
    assert_non_null(find_label(&s, labels[i]));
  for (size_t i = 0; i < s.nticks; i++)
    nlabels += s.ticks[i].label[0] != '\0';
  assert_int_equal(nlabels, 10);
  assert_near(find_label(&s, "1k")->value, 1000.0, 1e-9, "Hz");
  /* three decades: one is a third of the axis, whatever the rounding of pow */
  assert_near(chart_scale_place(&s, 200.0), 1.0 / 3.0, 1e-12, "");
  assert_near(chart_scale_place(&s, 20.0), 0.0, 0.0, "");
  assert_near(chart_scale_place(&s, 20000.0), 1.0, 1e-12, "");
}

static void linear_ticks_are_multiples_of_the_step(void **state)
{
  chart_scale s;

  (void)state;
  chart_scale_linear(-1.0, 0.5, 0.5, &s);
  assert_int_equal(s.nticks, 4);
  assert_string_equal(s.ticks[0].label, "\xe2\x88\x92"
                                        "1.0");
  assert_string_equal(s.ticks[2].label, "0.0");
  assert_near(chart_scale_place(&s, -0.25), 0.5, 1e-15, "");
}

static void steps_are_1_2_5(void **state)
{
  (void)state;
  assert_near(chart_scale_step(10.0, 10), 1.0, 1e-12, "");
  assert_near(chart_scale_step(10.0, 9), 2.0, 1e-12, "");
  assert_near(chart_scale_step(10.0, 4), 5.0, 1e-12, "");
  assert_near(chart_scale_step(0.03, 6), 0.005, 1e-15, "");
  assert_near(chart_scale_step(70.0, 1), 100.0, 1e-10, "");
}

/* IEC 60263:2020 names 10, 20, 25 and 50 dB to the length of a decade. */
static void the_proportion_is_kept(void **state)
{
  static const struct {
    double low, high, per_decade;
  } cases[] = {{-1.0, 0.2, 10.0}, {-28.0, 1.0, 25.0}, {-80.0, -20.0, 25.0}, {-140.0, -20.0, 50.0}};

  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    double from, to, step, per_decade, decade = 140.0;
    double height = chart_scale_proportion(decade, cases[i].low, cases[i].high, 130.0, 350.0, &from, &to,
                                           &step, &per_decade);
    assert_near(per_decade, cases[i].per_decade, 0.0, "dB");
    assert_near((to - from) * decade / per_decade, height, 1e-9, "pt");
    assert_true(from <= cases[i].low && to >= cases[i].high);
    assert_between(height, 130.0, 350.0, "pt");
  }
}

static void what_does_not_fit_is_cut_below(void **state)
{
  double from, to, step, per_decade;
  double height = chart_scale_proportion(140.0, -300.0, 0.0, 130.0, 350.0, &from, &to, &step, &per_decade);

  (void)state;
  assert_near(per_decade, 50.0, 0.0, "dB");
  assert_true(height <= 350.0);
  assert_near(to, 0.0, 0.0, "dB");
  assert_true(from > -300.0);
}

static void one_value_has_a_range_around_it(void **state)
{
  double from, to, step, per_decade;
  double height = chart_scale_proportion(140.0, -3.0, -3.0, 130.0, 350.0, &from, &to, &step, &per_decade);

  (void)state;
  assert_true(from < -3.0 && to > -3.0);
  assert_between(height, 130.0, 350.0, "pt");
}

static double uniform(uint64_t *seed)
{
  *seed = *seed * 6364136223846793005u + 1442695040888963407u;
  return (double)(*seed >> 11) / 9007199254740992.0;
}

static void labels_are_moved_apart_in_order_and_stay_inside(void **state)
{
  uint64_t seed = support_seed(11);

  (void)state;
  for (int run = 0; run < 2000; run++) {
    size_t n = 1 + (size_t)(uniform(&seed) * 13.99);
    double at[14], was[14], moved = 0.0;
    for (size_t i = 0; i < n; i++)
      at[i] = run % 3 == 0 ? 50.0 : 200.0 * uniform(&seed);
    for (size_t i = 1; i < n; i++) /* sorted, as asked for */
      for (size_t k = i; k > 0 && at[k - 1] > at[k]; k--) {
        double swap = at[k];
        at[k] = at[k - 1];
        at[k - 1] = swap;
      }
    memcpy(was, at, sizeof was);
    chart_scale_spread(at, n, 13.0, 0.0, 200.0);
    for (size_t i = 0; i < n; i++) {
      assert_between(at[i], 6.5 - 1e-9, 193.5 + 1e-9, "pt");
      if (i > 0)
        assert_true(at[i] - at[i - 1] >= 13.0 - 1e-9);
      moved = fmax(moved, fabs(at[i] - was[i]));
    }
    /* never further than if all stood in one block */
    assert_true(moved <= 13.0 * (double)n);
  }
}

static void what_has_room_is_not_moved(void **state)
{
  double at[] = {20.0, 40.0, 90.0};

  (void)state;
  chart_scale_spread(at, 3, 13.0, 0.0, 100.0);
  assert_near(at[0], 20.0, 0.0, "pt");
  assert_near(at[1], 40.0, 0.0, "pt");
  assert_near(at[2], 90.0, 0.0, "pt");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(frequencies_are_labelled_1_2_5),
      cmocka_unit_test(linear_ticks_are_multiples_of_the_step),
      cmocka_unit_test(steps_are_1_2_5),
      cmocka_unit_test(the_proportion_is_kept),
      cmocka_unit_test(what_does_not_fit_is_cut_below),
      cmocka_unit_test(one_value_has_a_range_around_it),
      cmocka_unit_test(labels_are_moved_apart_in_order_and_stay_inside),
      cmocka_unit_test(what_has_room_is_not_moved),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
