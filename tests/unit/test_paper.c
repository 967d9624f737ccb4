/* The report that goes with a unit: what it says, in every form, whatever the texts are. */
#include "support.h"

#include "report/paper_rows.h"
#include "report/paper_words.h"
#include "unit_bench.h"

#include <mendtone/paper.h>

static mt_results *before_repair, *after_repair;

static int make_results(void **state)
{
  static const char broken[] = "left = { gain_db = -0.5; }; right = { gain_db = -42.0; };";
  mt_simulated_unit unit;
  mt_error err = {0};

  (void)state;
  mt_simulate_init(&unit);
  after_repair = unit_bench_results(&unit, 48000.0, -20.0);
  if (mt_simulate_parse(broken, "broken", &unit, &err) != MT_OK)
    fail_msg("%s", err.message);
  before_repair = unit_bench_results(&unit, 48000.0, -20.0);
  return before_repair == NULL || after_repair == NULL;
}

static int drop_results(void **state)
{
  (void)state;
  mt_results_destroy(&before_repair);
  mt_results_destroy(&after_repair);
  return 0;
}

static const char *const one_text[] = {"joint <re>soldered & cleaned"};
static const mt_paper_part one_part[] = {{"\"Jack\", 3.5 mm", 2.0, 0.5, "EUR"}};

static mt_paper paper_of(mt_paper_stage stages[2])
{
  mt_paper paper = {.unit = "Desk amplifier",
                    .complaint = "right side nearly gone",
                    .found = one_text,
                    .nfound = 1,
                    .done = one_text,
                    .ndone = 1,
                    .notes = one_text,
                    .nnotes = 1,
                    .parts = one_part,
                    .nparts = 1,
                    .minutes = 35.0,
                    .stages = stages,
                    .nstages = 2,
                    .now = 1,
                    .earlier = 0,
                    .shows_costs = true,
                    .shows_notes = true};

  stages[0] = (mt_paper_stage){"before", "2026-11-24", before_repair, "", "0.1.0", MT_VERDICT_FAIL};
  stages[1] = (mt_paper_stage){"after", "2026-11-25", after_repair, "", "0.1.0", MT_VERDICT_PASS};
  return paper;
}

static char *make(const mt_paper *paper, mt_paper_form form, size_t *nbytes)
{
  unsigned char *bytes = NULL;
  char *text;
  mt_error err = {0};

  assert_ok(mt_paper_make(paper, form, &bytes, nbytes, &err), err);
  text = malloc(*nbytes + 1);
  assert_non_null(text);
  memcpy(text, bytes, *nbytes);
  text[*nbytes] = '\0';
  free(bytes);
  return text;
}

static void assert_has(const char *text, const char *part)
{
  if (strstr(text, part) == NULL)
    fail_msg("\"%s\" is not in the report", part);
}

static void it_says_what_was_wrong_and_what_is_true_now(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  size_t n;
  char *text = make(&paper, MT_PAPER_TEXT, &n);
  const char *line = text;

  (void)state;
  assert_has(text, "In order now: all");
  assert_has(text, "right side nearly gone");
  assert_has(text, "Right channel: 42 dB too quiet before, level with the left within 0.1 dB");
  assert_has(text, "loudness left, loud enough"); /* where the right was not */
  assert_has(text, "35 min");
  assert_has(text, "1.00 EUR"); /* two at 0.50 */
  for (; *line != '\0'; line += strcspn(line, "\n") + 1) {
    size_t columns = 0; /* bytes that begin a character */
    for (size_t i = 0; i < strcspn(line, "\n"); i++)
      columns += ((unsigned char)line[i] & 0xc0) != 0x80;
    assert_true(columns <= 80);
  }
  free(text);
}

static void the_verdict_comes_first_and_the_charts_behind_the_table(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  size_t n;
  char *html = make(&paper, MT_PAPER_HTML, &n);
  const char *verdict = strstr(html, "class=\"verdict pass\""), *table = strstr(html, "<table>");
  const char *chart = strstr(html, "<svg"), *conditions = strstr(html, "Conditions and uncertainty");

  (void)state;
  assert_true(verdict != NULL && verdict < table && table < chart && chart < conditions);
  assert_true(n < 1000000);
  /* nothing is loaded from anywhere, nothing runs */
  assert_null(strstr(html, "http:"));
  assert_null(strstr(html, "https:"));
  assert_null(strstr(html, "<script"));
  assert_null(strstr(html, "src="));
  free(html);
}

static size_t count_char(const char *text, char c)
{
  size_t n = 0;

  for (; *text != '\0'; text++)
    n += *text == c;
  return n;
}

/* Whatever a text holds, the page has the same tags as with a plain one. */
static void hostile_texts_change_nothing_but_their_place(void **state)
{
  static char huge[10001];
  static const char *const hostile[] = {"</dd><script>alert(1)</script>",
                                        "\"><img src=x onerror=y>",
                                        "\x01\x02\x1b[31m",
                                        "\xff\xfe\xc3\x28",
                                        "\xe2\x80\xae"
                                        "desrever",
                                        "&amp;&lt;",
                                        "]]>--><!--",
                                        huge};
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  const char *plain[] = {"plain"};
  size_t n, tags;
  char *html;

  (void)state;
  memset(huge, 'x', sizeof huge - 1);
  paper.found = plain;
  html = make(&paper, MT_PAPER_HTML, &n);
  tags = count_char(html, '<');
  free(html);
  for (size_t i = 0; i < sizeof hostile / sizeof hostile[0]; i++) {
    paper.found = &hostile[i];
    paper.unit = hostile[i];
    html = make(&paper, MT_PAPER_HTML, &n);
    assert_int_equal(count_char(html, '<'), tags);
    assert_int_equal(strlen(html), n);
    assert_null(strstr(html, "\xe2\x80\xae"));
    assert_null(strchr(html, '\x1b'));
    free(html);
    html = make(&paper, MT_PAPER_A4, &n);
    assert_memory_equal(html, "%PDF", 4);
    free(html);
    html = make(&paper, MT_PAPER_TEXT, &n);
    assert_null(strchr(html, '\x1b'));
    free(html);
  }
}

static void a_missed_check_is_said_before_anything_else(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  size_t n;
  char *text;

  (void)state;
  paper.now = 0;
  paper.earlier = SIZE_MAX;
  text = make(&paper, MT_PAPER_TEXT, &n);
  assert_has(text, "Not in order: of");
  assert_has(text, "Loudness, right: too quiet. Gain, right: ");
  assert_null(strstr(text, "In order now"));
  free(text);
}

static void a_stage_that_could_not_be_read_is_no_pass(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  size_t n;
  char *text;

  (void)state;
  stages[1].results = NULL;
  stages[1].why = "the stimulus has no end";
  text = make(&paper, MT_PAPER_TEXT, &n);
  assert_has(text, "Nothing can be said: the take could not be read (the stimulus has no end)");
  assert_null(strstr(text, "In order"));
  free(text);
}

/* Results that were cut must not pass by what is no longer there. */
static void a_verdict_without_its_checks_is_no_verdict(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  mt_results cut = *after_repair, changed = *before_repair;
  size_t n;
  char *text;

  (void)state;
  assert_int_equal(mt_paper_verdict(&paper), MT_VERDICT_PASS);
  cut.njudgements = 0;
  stages[1].results = &cut;
  assert_int_equal(mt_paper_verdict(&paper), MT_VERDICT_UNDECIDED);
  text = make(&paper, MT_PAPER_TEXT, &n);
  assert_has(text, "Nothing can be said: these results are damaged or incomplete.");
  assert_null(strstr(text, "In order now"));
  free(text);
  changed.verdict = MT_VERDICT_PASS;
  stages[1].results = &changed;
  assert_int_equal(mt_paper_verdict(&paper), MT_VERDICT_UNDECIDED);
  changed.verdict = MT_VERDICT_NONE;
  assert_int_equal(mt_paper_verdict(&paper), MT_VERDICT_UNDECIDED);
  stages[1].results = NULL;
  assert_int_equal(mt_paper_verdict(&paper), MT_VERDICT_UNDECIDED);
}

/* A stage that was held against no limit was neither in order nor out of it. */
static void what_was_not_judged_before_was_not_in_order_before(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  mt_results unjudged = *before_repair;
  size_t n;
  char *text;

  (void)state;
  text = make(&paper, MT_PAPER_JSON, &n);
  assert_has(text, "In order before and now: ");
  assert_has(text, "Sides and polarity, ");
  free(text);
  unjudged.njudgements = 0;
  unjudged.verdict = MT_VERDICT_NONE;
  stages[0].results = &unjudged;
  text = make(&paper, MT_PAPER_JSON, &n);
  assert_null(strstr(text, "before and now: "));
  assert_has(text, "In order now: ");
  assert_null(strstr(text, "Sides and polarity, "));
  free(text);
}

static void what_is_missing_is_said(void **state)
{
  mt_paper_stage stages[2];
  mt_paper paper = paper_of(stages);
  mt_results cut = *after_repair;
  size_t n;
  char *text;

  (void)state;
  cut.nreadings = 0;
  cut.ncurves = 0;
  stages[1].results = &cut;
  text = make(&paper, MT_PAPER_TEXT, &n);
  assert_has(text, "The results hold no readings.");
  assert_has(text, "The results hold no curves, so there are no charts.");
  free(text);
}

static void every_quantity_has_words_for_every_verdict(void **state)
{
  (void)state;
  for (int q = 0; q < MT_Q_LAST; q++) {
    mt_judgement j = {.quantity = (mt_quantity)q, .has_value = true, .value = 5.0, .min = -1.0, .max = 1.0};
    const char *good, *bad;
    assert_true(paper_words_subject((mt_quantity)q)[0] != '\0');
    assert_non_null(paper_words_meaning((mt_quantity)q));
    j.verdict = MT_VERDICT_PASS;
    good = paper_words_verdict(&j);
    j.verdict = MT_VERDICT_FAIL;
    bad = paper_words_verdict(&j);
    assert_true(good[0] != '\0' && bad[0] != '\0' && strcmp(good, bad) != 0);
    j.value = -5.0;
    assert_true(strcmp(good, paper_words_verdict(&j)) != 0);
    j.verdict = MT_VERDICT_UNDECIDED;
    assert_true(strcmp(good, paper_words_verdict(&j)) != 0);
  }
}

static void a_response_is_weak_where_it_is_worst(void **state)
{
  mt_judgement j = {.quantity = MT_Q_RESPONSE, .has_value = true, .min = -1.0, .max = 1.0, .value = -9.0};

  (void)state;
  j.verdict = MT_VERDICT_FAIL;
  j.at_hz = 40.0;
  assert_string_equal(paper_words_verdict(&j), "low notes too weak");
  j.at_hz = 12e3;
  assert_string_equal(paper_words_verdict(&j), "high notes too weak");
  j.value = 9.0;
  assert_string_equal(paper_words_verdict(&j), "high notes too strong");
}

static void what_is_not_decided_shows_its_doubt(void **state)
{
  const mt_judgement j = {.quantity = MT_Q_BALANCE,
                          .channel = MT_CHANNEL_BOTH,
                          .has_value = true,
                          .value = 0.48,
                          .uncertainty = 0.1,
                          .unit = MT_UNIT_DB,
                          .min = -0.5,
                          .max = 0.5,
                          .verdict = MT_VERDICT_UNDECIDED};
  const paper_row row = {.now = &j};
  char text[600];

  (void)state;
  paper_row_sentence(&row, text, sizeof text);
  assert_has(text, "0.5 dB \xc2\xb1 0.1; within \xc2\xb1"
                   "0.5 dB is asked for.");
}

/* Hum that is not heard is known by a bound only: it is shown as one, and two bounds have no difference. */
static void a_bound_is_shown_as_a_bound(void **state)
{
  mt_reading r = {.quantity = MT_Q_HUM, .channel = MT_LEFT, .validity = MT_RIG_LIMITED, .value = -118.3};
  mt_judgement j = {.quantity = MT_Q_HUM,
                    .channel = MT_LEFT,
                    .has_value = true,
                    .value = -118.3,
                    .unit = MT_UNIT_DBFS,
                    .min = -INFINITY,
                    .max = -80.0,
                    .verdict = MT_VERDICT_PASS};
  mt_results results = {.readings = &r, .nreadings = 1, .judgements = &j, .njudgements = 1};
  size_t n;
  paper_row *rows = paper_rows_make(&results, &results, &n);
  char text[80];

  (void)state;
  assert_non_null(rows);
  assert_int_equal(n, 1);
  assert_string_equal(paper_row_value(rows[0].now, rows[0].now_is_bound, text, sizeof text), "< -118.3 dBFS");
  assert_string_equal(paper_row_change(&rows[0], text, sizeof text), "");
  free(rows);
  r.validity = MT_VALID;
  rows = paper_rows_make(&results, &results, &n);
  assert_non_null(rows);
  assert_string_equal(paper_row_value(rows[0].now, rows[0].now_is_bound, text, sizeof text), "-118.3 dBFS");
  /* a difference of two levels is in dB, and none has no sign */
  assert_string_equal(paper_row_change(&rows[0], text, sizeof text), "0.0 dB");
  free(rows);
}

/* Below -60 dB before and at -70 now may be anything; at -50 it has risen by 10 at least. Lower bounds likewise. */
static void a_change_from_or_to_a_bound_is_no_value(void **state)
{
  static const struct {
    mt_quantity quantity;
    double before, now;
    bool before_is_bound;
    const char *want;
  } cases[] = {{MT_Q_CROSSTALK, -60.0, -70.0, true, ""},
               {MT_Q_CROSSTALK, -60.0, -50.0, true, "+10.0 dB or more"},
               {MT_Q_CROSSTALK, -60.0, -70.0, false, "-10.0 dB or more"},
               {MT_Q_CROSSTALK, -70.0, -60.0, false, ""},
               {MT_Q_SNR, 60.0, 70.0, true, ""},
               {MT_Q_SNR, 60.0, 50.0, true, "-10.0 dB or more"},
               {MT_Q_SNR, 60.0, 70.0, false, "+10.0 dB or more"},
               {MT_Q_SNR, 70.0, 60.0, false, ""}};
  (void)state;

  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_judgement a = {
        .quantity = cases[i].quantity, .has_value = true, .value = cases[i].before, .unit = MT_UNIT_DB};
    mt_judgement b = a;
    paper_row row = {&a, &b, cases[i].before_is_bound, !cases[i].before_is_bound};
    char text[80];
    a.uncertainty = b.uncertainty = 0.2;
    b.value = cases[i].now;
    assert_string_equal(paper_row_change(&row, text, sizeof text), cases[i].want);
  }
}

static void readings_become_comma_separated_values(void **state)
{
  char *csv = NULL;
  mt_error err = {0};
  size_t lines = 0;

  (void)state;
  assert_ok(mt_paper_csv_readings(after_repair, &csv, &err), err);
  for (const char *p = csv; *p != '\0'; p++)
    lines += p[0] == '\r' && p[1] == '\n';
  assert_int_equal(lines, after_repair->nreadings + 1);
  assert_has(csv, "quantity,channel,segment,state,freq_hz,order,value,unit,uncertainty,validity,verdict\r\n");
  assert_has(csv, "\r\nbalance,both,\"both\",\"default\",");
  free(csv);
  csv = NULL;
  assert_ok(mt_paper_csv_curve(mt_results_find_curve(after_repair, MT_Q_RESPONSE, MT_LEFT), &csv, &err), err);
  assert_has(csv, "x (Hz),y (dB),uncertainty (dB)\r\n");
  free(csv);
}

static void text_that_begins_like_a_formula_is_disarmed(void **state)
{
  mt_results *results = NULL;
  mt_reading r = {.quantity = MT_Q_LEVEL, .channel = MT_LEFT, .validity = MT_VALID, .value = -20.0};
  char *csv = NULL;
  mt_error err = {0};

  (void)state;
  snprintf(r.state, sizeof r.state, "=1+\"a\"");
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_results_add_reading(results, &r, &err), err);
  assert_ok(mt_paper_csv_readings(results, &csv, &err), err);
  assert_has(csv, "\"'=1+\"\"a\"\"\"");
  free(csv);
  mt_results_destroy(&results);
}

static void several_units_have_a_row_each(void **state)
{
  mt_paper_stage stages[2], others[2];
  mt_paper units[2] = {paper_of(stages), paper_of(others)};
  unsigned char *bytes = NULL;
  size_t n;
  mt_error err = {0};

  (void)state;
  units[1].unit = "Second amplifier";
  units[1].now = 0;
  assert_ok(mt_paper_make_shelf(units, 2, MT_PAPER_HTML, &bytes, &n, &err), err);
  assert_non_null(memmem(bytes, n, "1 of 2 units is in order, 1 is not", 34));
  assert_non_null(memmem(bytes, n, "Second amplifier", 16));
  assert_non_null(memmem(bytes, n, "of the first state that has them", 32));
  free(bytes);
}

static void a_report_without_a_stage_is_refused(void **state)
{
  mt_paper paper = {.unit = "", .complaint = "", .earlier = SIZE_MAX};
  unsigned char *bytes = NULL;
  size_t n;
  mt_error err = {0};

  (void)state;
  assert_int_equal(mt_paper_make(&paper, MT_PAPER_TEXT, &bytes, &n, &err), MT_E_ARG);
  assert_null(bytes);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(it_says_what_was_wrong_and_what_is_true_now),
      cmocka_unit_test(the_verdict_comes_first_and_the_charts_behind_the_table),
      cmocka_unit_test(hostile_texts_change_nothing_but_their_place),
      cmocka_unit_test(a_missed_check_is_said_before_anything_else),
      cmocka_unit_test(a_stage_that_could_not_be_read_is_no_pass),
      cmocka_unit_test(a_verdict_without_its_checks_is_no_verdict),
      cmocka_unit_test(what_was_not_judged_before_was_not_in_order_before),
      cmocka_unit_test(what_is_missing_is_said),
      cmocka_unit_test(every_quantity_has_words_for_every_verdict),
      cmocka_unit_test(a_response_is_weak_where_it_is_worst),
      cmocka_unit_test(what_is_not_decided_shows_its_doubt),
      cmocka_unit_test(a_bound_is_shown_as_a_bound),
      cmocka_unit_test(a_change_from_or_to_a_bound_is_no_value),
      cmocka_unit_test(readings_become_comma_separated_values),
      cmocka_unit_test(text_that_begins_like_a_formula_is_disarmed),
      cmocka_unit_test(several_units_have_a_row_each),
      cmocka_unit_test(a_report_without_a_stage_is_refused),
  };
  return cmocka_run_group_tests(tests, make_results, drop_results);
}
