#include "support.h"

#include "base/text.h"
#include "report/layout.h"

#include <mendtone/report.h>

static mt_results *new_results(mt_verdict verdict)
{
  mt_results *results = NULL;
  mt_error err = {0};

  assert_ok(mt_results_create(&results, &err), err);
  results->verdict = verdict;
  results->rate_hz = 48000.0;
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

static void add_curve(mt_results *results, double low)
{
  double x[] = {10.0, 100.0, 1000.0, 22000.0}, y[] = {low, 0.0, 0.0, 0.0}, u[] = {0.05, 0.05, 0.05, 0.05};
  mt_curve c = {.quantity = MT_Q_RESPONSE,
                .segment = "sweep",
                .state = "default",
                .npoints = 4,
                .x = x,
                .y = y,
                .uncertainty = u};
  mt_error err = {0};

  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

static mt_comparison *sample(void)
{
  mt_results *a = new_results(MT_VERDICT_FAIL), *b = new_results(MT_VERDICT_PASS);
  mt_comparison *c = NULL;
  mt_error err = {0};

  add(a, MT_Q_LEVEL, MT_LEFT, -20.5, 0.03);
  add(b, MT_Q_LEVEL, MT_LEFT, -20.0, 0.04);
  add(a, MT_Q_LEVEL, MT_RIGHT, -20.0, 0.03);
  add(b, MT_Q_LEVEL, MT_RIGHT, -20.01, 0.03);
  add(a, MT_Q_THD_N, MT_LEFT, -30.0, 0.1)->verdict = MT_VERDICT_FAIL;
  add(b, MT_Q_THD_N, MT_LEFT, -70.0, 0.1)->verdict = MT_VERDICT_PASS;
  add(a, MT_Q_NOISE_A, MT_RIGHT, -80.0, 0.5);
  add(b, MT_Q_NOISE_A, MT_RIGHT, -110.0, 0.0)->validity = MT_RIG_LIMITED;
  add(a, MT_Q_DYNAMIC_RANGE, MT_LEFT, 0.0, 0.0)->validity = MT_NO_SIGNAL;
  add(b, MT_Q_DYNAMIC_RANGE, MT_LEFT, 80.0, 0.1);
  add(a, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_BOTH, 0.0);
  add(b, MT_Q_ROUTE, MT_LEFT, MT_ROUTE_LEFT, 0.0);
  add(a, MT_Q_DELAY, MT_LEFT, 0.0120, 1e-6);
  add(b, MT_Q_DELAY, MT_LEFT, 0.0125, 1e-6);
  add(a, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, 10.0, 0.005);
  add(b, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, 135.25, 0.005);
  add_curve(a, -10.0);
  add_curve(b, 0.0);
  b->rate_hz = 96000.0;
  assert_ok(mt_compare_results(a, b, &c, &err), err);
  mt_results_destroy(&a);
  mt_results_destroy(&b);
  return c;
}

static char *as_text(const mt_comparison *c, const char *a, const char *b, mt_report_detail detail)
{
  char *text = NULL;
  size_t size;
  FILE *out = open_memstream(&text, &size);
  mt_error err = {0};

  assert_non_null(out);
  assert_ok(mt_report_comparison(c, a, b, detail, out, &err), err);
  fclose(out);
  return text;
}

static void expect(const char *text, const char *wanted)
{
  if (strstr(text, wanted) == NULL)
    fail_msg("\"%s\" is not in:\n%s", wanted, text);
}

static void what_differs_stands_side_by_side(void **state)
{
  mt_comparison *c = sample();
  char *text = as_text(c, "before", "after", MT_REPORT_DIFFERENT);

  (void)state;
  expect(text, "A  FAIL: before\nB  PASS: after\n");
  expect(text, "Sample rate: 48000 Hz in A, 96000 Hz in B");
  expect(text, "Of 5 readings that both have, 4 differ");
  expect(text, "* level left                 dBFS -20.500       -20.000       +0.500 dB +-0.050\n");
  expect(text, "* THD+N left                 %    3.162 FAIL    0.03162       -40.00 dB +-0.15\n");
  expect(text, "* noise, A right             dBFS -80.00        < -110.00     -30.0 dB or more\n");
  expect(text, "  dynamic range left         dB   no signal     80.00\n");
  expect(text, "* hears left                      both          left\n");
  expect(text, "* delay left                 ms   12.0000       12.5000       +0.500 ms +-0.002\n");
  /* with all its decimals it would be wider than its column; rounded, it is no more certain than it was */
  expect(text, "* phase difference           deg  10.000        135.250       +125.25 deg +-0.01\n");
  expect(text, "1 more reading does not differ.");
  expect(text, "* response left: differs most clearly at 10 Hz: -10.000 dB in A, 0.000 in B,");
  assert_null(strstr(text, "level right"));
  free(text);
  mt_comparison_destroy(&c);
}

static void all_holds_what_is_the_same_and_brief_only_the_main_rows(void **state)
{
  mt_comparison *c = sample();
  char *all = as_text(c, "a", "b", MT_REPORT_ALL), *brief = as_text(c, "a", "b", MT_REPORT_MAIN);

  (void)state;
  expect(all, "  level right                dBFS -20.000       -20.010       -0.010 dB +-0.043\n");
  expect(all, "delay left");
  expect(brief, "level right");
  assert_null(strstr(brief, "delay"));
  free(all);
  free(brief);
  mt_comparison_destroy(&c);
}

static void no_line_is_wider_than_80_columns_whatever_the_names(void **state)
{
  static char longest[400];
  mt_comparison *c = sample();
  char *text, *line;

  (void)state;
  memset(longest, 'x', sizeof longest - 1);
  memcpy(longest, "\x1b[2J\xff\xe2\x80\xae", 8);
  text = as_text(c, longest, longest, MT_REPORT_ALL);
  assert_null(strchr(text, '\x1b'));
  for (line = strtok(text, "\n"); line != NULL; line = strtok(NULL, "\n"))
    assert_true(mt_layout_columns(line) <= 80);
  free(text);
  mt_comparison_destroy(&c);
}

static void the_json_holds_every_difference(void **state)
{
  mt_comparison *c = sample();
  mt_error err = {0};
  char *text = NULL;

  (void)state;
  assert_ok(mt_report_comparison_json(c, "the \"one\"", "\xff", &text, &err), err);
  expect(text, "{\"format\":\"mendtone-comparison\",");
  expect(text, "\"a\":\"the \\\"one\\\"\"");
  expect(text, "\"verdict_a\":\"fail\"");
  expect(text, "\"compared\":5,\n \"different\":4");
  expect(text, "{\"quantity\":\"level\",\"channel\":\"left\",\"segment\":\"both\",\"state\":\"default\","
               "\"unit\":\"dBFS\","
               "\"a\":{\"value\":-20.5,");
  expect(text, "\"difference\":0.5,\"uncertainty\":0.05");
  expect(text, "\"contrast\":\"different\"");
  expect(text, "\"a\":{\"value\":null,\"uncertainty\":null,\"validity\":\"no_signal\"");
  expect(text, "\"x\":[10,100,1000,22000]");
  free(text);
  mt_comparison_destroy(&c);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(what_differs_stands_side_by_side),
      cmocka_unit_test(all_holds_what_is_the_same_and_brief_only_the_main_rows),
      cmocka_unit_test(no_line_is_wider_than_80_columns_whatever_the_names),
      cmocka_unit_test(the_json_holds_every_difference),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
