/* Charts: where a point lands, that no two texts touch, that any data draw. */
#include "support.h"

#include "report/chart_layout.h"
#include "unit_bench.h"

#include <mendtone/chart.h>

static double uniform(uint64_t *seed)
{
  *seed = *seed * 6364136223846793005u + 1442695040888963407u;
  return (double)(*seed >> 11) / 9007199254740992.0;
}

static mt_chart *chart_of(mt_chart_axis axis, mt_unit unit)
{
  mt_chart *chart = NULL;
  mt_error err = {0};

  assert_ok(mt_chart_create("Response", axis, unit, &chart, &err), err);
  snprintf(chart->y_title, sizeof chart->y_title, "gain, dB");
  return chart;
}

static void add(mt_chart *chart, mt_chart_role role, const char *label, size_t n, const double *x,
                const double *y, const double *u)
{
  mt_error err = {0};

  assert_ok(mt_chart_add_line(chart, role, label, n, x, y, u, &err), err);
}

static void lay_out(const mt_chart *chart, double width, chart_layout *out)
{
  mt_chart_look look = mt_chart_look_default();
  unsigned char *bytes = NULL;
  size_t nbytes;
  paint *ruler = NULL;
  mt_error err = {0};

  look.width = width;
  assert_ok(paint_begin(PAINT_SVG, 10.0, 10.0, &ruler, &err), err);
  assert_ok(chart_layout_make(chart, &look, ruler, out, &err), err);
  assert_ok(paint_finish(&ruler, &bytes, &nbytes, &err), err);
  free(bytes);
}

static void a_point_lands_where_the_axes_say(void **state)
{
  const double x[] = {20.0, 200.0, 2000.0, 20000.0}, y[] = {-10.0, 0.0, 0.0, -3.0};
  mt_chart *chart = chart_of(MT_CHART_FREQUENCY, MT_UNIT_DB);
  chart_layout l;

  (void)state;
  add(chart, MT_CHART_LEFT, "left", 4, x, y, NULL);
  lay_out(chart, 560.0, &l);
  /* three decades: 200 Hz lies a third of the way along, and a decade is as long as per_decade dB are high */
  assert_near(chart_layout_x(&l, 20.0), l.plot.x, 1e-9, "pt");
  assert_near(chart_layout_x(&l, 200.0), l.plot.x + l.plot.width / 3.0, 1e-9, "pt");
  assert_near(chart_layout_x(&l, 20000.0), l.plot.x + l.plot.width, 1e-9, "pt");
  assert_near(chart_layout_y(&l, l.y.from), l.plot.y + l.plot.height, 1e-9, "pt");
  assert_near(chart_layout_y(&l, l.y.to), l.plot.y, 1e-9, "pt");
  assert_near(chart_layout_y(&l, -l.per_decade) - chart_layout_y(&l, 0.0), l.plot.width / 3.0, 1e-9, "pt");
  mt_chart_destroy(&chart);
}

static bool touch(const chart_box *a, const chart_box *b)
{
  const double slack = 0.1; /* the line height of a font is more than its ink */

  return a->x + slack < b->x + b->width && b->x + slack < a->x + a->width &&
         a->y + slack < b->y + b->height && b->y + slack < a->y + a->height;
}

static void check_texts(const chart_layout *l)
{
  for (size_t i = 0; i < l->ntexts; i++) {
    const chart_box *box = &l->texts[i].box;
    assert_true(box->x >= -0.1 && box->x + box->width <= l->width + 0.1);
    assert_true(box->y >= -0.1 && box->y + box->height <= l->height + 0.1);
    for (size_t k = 0; k < i; k++)
      if (touch(box, &l->texts[k].box))
        fail_msg("\"%s\" (%g %g %g %g) touches \"%s\" (%g %g); plot %g x %g, %g to %g by %g",
                 l->texts[i].text, box->x, box->y, box->width, box->height, l->texts[k].text,
                 l->texts[k].box.x, l->texts[k].box.y, l->plot.width, l->plot.height, l->y.from, l->y.to,
                 l->y.step);
  }
}

static void fill_randomly(mt_chart *chart, uint64_t *seed, int run)
{
  static const double spans[] = {0.0, 1e-6, 0.5, 12.0, 60.0, 300.0, 1e5};
  size_t nlines = (size_t)(uniform(seed) * 14.99);
  double span = spans[run % 7], middle = 200.0 * (uniform(seed) - 0.8);

  for (size_t k = 0; k < nlines; k++) {
    double x[40], y[40], u[40], at = 5.0 + 20.0 * uniform(seed);
    char label[48];
    size_t n = run % 5 == 0 ? 1 : (size_t)(uniform(seed) * 40.0);
    for (size_t i = 0; i < n; i++) {
      x[i] = at *= 1.01 + uniform(seed);
      y[i] = middle + span * (uniform(seed) - 0.5);
      u[i] = uniform(seed) < 0.2 ? MT_CURVE_BOUND_DB : span * 0.01 * uniform(seed);
    }
    snprintf(label, sizeof label, "right, after the second repair, volume at half");
    label[1 + (size_t)(uniform(seed) * 45.0)] = '\0';
    add(chart, (mt_chart_role)(k % (MT_CHART_REFERENCE + 1)), label, n, x, y, u);
  }
  for (chart->nlimits = 0; chart->nlimits < (size_t)(run % 4); chart->nlimits++)
    chart->limits[chart->nlimits] = (mt_chart_limit){20.0, 20000.0, middle - 1.0, INFINITY};
}

static void no_two_texts_touch_whatever_the_data(void **state)
{
  static const mt_unit units[] = {MT_UNIT_DB, MT_UNIT_DEGREE, MT_UNIT_SECOND, MT_UNIT_DBFS};
  uint64_t seed = support_seed(5);

  (void)state;
  for (int run = 0; run < 210; run++) {
    mt_chart *chart = chart_of((mt_chart_axis)(run % 3), units[run % 4]);
    chart_layout l;
    fill_randomly(chart, &seed, run);
    lay_out(chart, 240.0 + 700.0 * uniform(&seed), &l);
    check_texts(&l);
    assert_true(l.height < 4.0 * l.width + 300.0);
    mt_chart_destroy(&chart);
  }
}

static void assert_draws(const mt_chart *chart, mt_picture picture, const char *magic)
{
  mt_chart_look look = mt_chart_look_default();
  unsigned char *bytes = NULL, *again = NULL;
  size_t nbytes = 0, nagain = 0;
  mt_error err = {0};

  look.picture = picture;
  assert_ok(mt_chart_draw(chart, &look, &bytes, &nbytes, &err), err);
  assert_true(nbytes > strlen(magic) && memcmp(bytes, magic, strlen(magic)) == 0);
  if (picture == MT_PICTURE_PNG) { /* a PDF holds the time, the names within an SVG are counted up */
    assert_ok(mt_chart_draw(chart, &look, &again, &nagain, &err), err);
    assert_int_equal(nbytes, nagain);
    assert_memory_equal(bytes, again, nbytes);
  }
  free(bytes);
  free(again);
}

static void empty_single_equal_and_extreme_data_draw(void **state)
{
  static const double x[] = {20.0, 1000.0, 20000.0};
  static const double ys[][3] = {
      {0.0, 0.0, 0.0}, {-300.0, 0.0, -300.0}, {-300.0, -300.0, -300.0}, {1e9, -1e9, 0.0}};

  (void)state;
  for (size_t n = 0; n <= 3; n += n == 1 ? 2 : 1)
    for (size_t k = 0; k < 4; k++) {
      mt_chart *chart = chart_of(MT_CHART_FREQUENCY, k == 3 ? MT_UNIT_DEGREE : MT_UNIT_DB);
      add(chart, MT_CHART_LEFT, "left", n, x, ys[k], NULL);
      assert_draws(chart, MT_PICTURE_SVG, "<?xml");
      assert_draws(chart, MT_PICTURE_PNG, "\x89PNG");
      assert_draws(chart, MT_PICTURE_PDF, "%PDF");
      mt_chart_destroy(&chart);
    }
}

static void hostile_labels_stay_text(void **state)
{
  static const double x[] = {20.0, 1000.0}, y[] = {0.0, 1.0};
  mt_chart *chart = chart_of(MT_CHART_FREQUENCY, MT_UNIT_DB);
  mt_chart_look look = mt_chart_look_default();
  unsigned char *bytes = NULL;
  size_t nbytes = 0;
  mt_error err = {0};

  (void)state;
  add(chart, MT_CHART_LEFT, "<b>&amp;</b>\x01\xff\xfe \xe2\x80\xae", 2, x, y, NULL);
  assert_ok(mt_chart_draw(chart, &look, &bytes, &nbytes, &err), err);
  assert_null(memmem(bytes, nbytes, "<b>", 3));
  free(bytes);
  mt_chart_destroy(&chart);
}

static void wrong_numbers_are_refused(void **state)
{
  const double good[] = {20.0, 30.0}, back[] = {30.0, 20.0}, nan_[] = {1.0, (double)NAN},
               zero[] = {0.0, 20.0};
  mt_chart *chart = chart_of(MT_CHART_FREQUENCY, MT_UNIT_DB);
  mt_chart_look look = mt_chart_look_default();
  unsigned char *bytes = NULL;
  size_t nbytes = 0;
  mt_error err = {0};

  (void)state;
  assert_int_equal(mt_chart_add_line(chart, MT_CHART_LEFT, "a", 2, back, good, NULL, &err), MT_E_DATA);
  assert_int_equal(mt_chart_add_line(chart, MT_CHART_LEFT, "a", 2, good, nan_, NULL, &err), MT_E_DATA);
  assert_int_equal(mt_chart_add_line(chart, MT_CHART_LEFT, "a", 2, zero, good, NULL, &err), MT_E_DATA);
  look.width = 100.0;
  assert_int_equal(mt_chart_draw(chart, &look, &bytes, &nbytes, &err), MT_E_ARG);
  assert_int_equal(mt_chart_write(chart, &look, "x.gif", &err), MT_E_ARG);
  assert_null(bytes);
  mt_chart_destroy(&chart);
}

static mt_results *results_of_a_wire(void)
{
  mt_simulated_unit unit;

  mt_simulate_init(&unit);
  return unit_bench_results(&unit, 48000.0, -20.0);
}

static void results_of_a_unit_give_their_charts(void **state)
{
  mt_results *results = results_of_a_wire();
  mt_error err = {0};
  size_t n = 0;

  (void)state;
  assert_non_null(results);
  for (size_t i = 0; mt_chart_name(i) != NULL; i++) {
    const mt_chart_choice choice = {.name = mt_chart_name(i), .earlier = results};
    mt_chart *chart = NULL;
    char *words = NULL;
    if (!mt_chart_has(results, mt_chart_name(i)))
      continue;
    assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
    assert_true(chart->nlines >= 1);
    assert_ok(mt_chart_describe(chart, &words, &err), err);
    assert_non_null(strstr(words, chart->title));
    free(words);
    n++;
    mt_chart_destroy(&chart);
  }
  assert_true(n >= 8);
  mt_results_destroy(&results);
}

/* The default plan's limit on the response is drawn where it holds. */
static void limits_are_taken_from_the_judgements(void **state)
{
  mt_results *results = results_of_a_wire();
  const mt_chart_choice choice = {.name = "response"};
  mt_chart *chart = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
  assert_true(chart->nlimits >= 1);
  assert_near(chart->limits[0].min, -1.0, 0.0, "dB");
  assert_near(chart->limits[0].max, 1.0, 0.0, "dB");
  assert_true(chart->limits[0].from_x > 0.0 && isfinite(chart->limits[0].to_x));
  mt_chart_destroy(&chart);
  mt_results_destroy(&results);
}

/* The rig's noise of -90 dBFS over 19980 Hz is -133.0 dBFS in each hertz, and stands where the axis says. */
static void the_rig_alone_stands_beside_the_noise(void **state)
{
  mt_results *results = results_of_a_wire();
  const mt_chart_choice choice = {.name = "noise_density"};
  mt_chart *chart = NULL;
  mt_error err = {0};
  size_t n;

  (void)state;
  assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
  n = chart->nlines;
  mt_chart_destroy(&chart);
  snprintf(results->rig.name, sizeof results->rig.name, "bench");
  results->rig.has_floor[1] = true;
  results->rig.noise_dbfs[1] = -90.0;
  assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
  assert_int_equal(chart->nlines, n + 1);
  assert_int_equal(chart->lines[n].role, MT_CHART_FLOOR);
  assert_string_equal(chart->lines[n].label, "rig alone, right");
  assert_near(chart->lines[n].y[0], -90.0 - 43.006, 0.001, "dBFS in 1 Hz"); /* 10 lg 19980 */
  mt_chart_destroy(&chart);
  mt_results_destroy(&results);
}

static void a_difference_names_both_states(void **state)
{
  static double x[] = {20.0, 200.0, 2000.0}, y[] = {6.0, 3.0, 0.0}, u[] = {0.1, 0.1, 0.1};
  const mt_curve curve = {.quantity = MT_Q_DIFFERENCE,
                          .channel = MT_LEFT,
                          .state = "lift",
                          .npoints = 3,
                          .x = x,
                          .y = y,
                          .uncertainty = u,
                          .validity = MT_VALID};
  const mt_change change = {.quantity = MT_Q_BOOST, .state = "lift", .reference = "flat"};
  const mt_chart_choice choice = {.name = "difference", .state = "lift"};
  mt_results *results = NULL;
  mt_chart *chart = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_results_add_curve(results, &curve, &err), err);
  assert_ok(mt_results_add_change(results, &change, &err), err);
  assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
  assert_string_equal(chart->title, "Difference: lift less flat");
  assert_near(chart->lines[0].y[0], 6.0, 0.0, "dB");
  mt_chart_destroy(&chart);
  mt_results_destroy(&results);
}

/* Seconds are drawn as milliseconds, and an uncertainty of many of them is not taken for a bound. */
static void times_are_drawn_in_milliseconds(void **state)
{
  static double x[] = {20.0, 200.0}, y[] = {0.012, 0.001}, u[] = {0.1, 0.001};
  const mt_curve curve = {.quantity = MT_Q_GROUP_DELAY,
                          .channel = MT_LEFT,
                          .npoints = 2,
                          .x = x,
                          .y = y,
                          .uncertainty = u,
                          .validity = MT_VALID};
  const mt_chart_choice choice = {.name = "group_delay"};
  mt_results *results = NULL;
  mt_chart *chart = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_results_add_curve(results, &curve, &err), err);
  assert_ok(mt_chart_of_results(results, &choice, &chart, &err), err);
  assert_int_equal(chart->y_unit, MT_UNIT_MILLISECOND);
  assert_near(chart->lines[0].y[0], 12.0, 1e-12, "ms");
  assert_near(chart->lines[0].uncertainty[1], 1.0, 1e-12, "ms");
  assert_true(chart->lines[0].uncertainty[0] < MT_CURVE_BOUND_DB);
  mt_chart_destroy(&chart);
  mt_results_destroy(&results);
}

/* A long title is set smaller before it is cut. */
static void a_long_title_is_not_cut(void **state)
{
  mt_chart *chart = chart_of(MT_CHART_FREQUENCY, MT_UNIT_DB);
  chart_layout l;
  double width, height;
  unsigned char *bytes = NULL;
  size_t nbytes;
  paint *ruler = NULL;
  mt_error err = {0};

  (void)state;
  snprintf(chart->title, sizeof chart->title, "Harmonics, right, volume at half, tone on");
  lay_out(chart, 240.0, &l);
  assert_true(l.texts[0].font.size < chart_title_font.size);
  assert_ok(paint_begin(PAINT_SVG, 10.0, 10.0, &ruler, &err), err);
  paint_measure(ruler, l.texts[0].text, l.texts[0].font, &width, &height);
  assert_ok(paint_finish(&ruler, &bytes, &nbytes, &err), err);
  assert_true(width <= l.texts[0].box.width + 0.01);
  free(bytes);
  mt_chart_destroy(&chart);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_point_lands_where_the_axes_say),
      cmocka_unit_test(no_two_texts_touch_whatever_the_data),
      cmocka_unit_test(empty_single_equal_and_extreme_data_draw),
      cmocka_unit_test(hostile_labels_stay_text),
      cmocka_unit_test(wrong_numbers_are_refused),
      cmocka_unit_test(results_of_a_unit_give_their_charts),
      cmocka_unit_test(limits_are_taken_from_the_judgements),
      cmocka_unit_test(the_rig_alone_stands_beside_the_noise),
      cmocka_unit_test(a_difference_names_both_states),
      cmocka_unit_test(times_are_drawn_in_milliseconds),
      cmocka_unit_test(a_long_title_is_not_cut),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
