/* The report that goes with a unit: what is said, and in which order. How it looks is the writers' part. */
#include <mendtone/paper.h>

#include "report/curve_lines.h"
#include "report/document_write.h"
#include "report/layout.h"
#include "report/loads.h"
#include "report/paper_rows.h"
#include "report/paper_words.h"

#include <mendtone/report.h>

#include "base/text.h"
#include "judge/wording.h"

#include <ctype.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the verdict in a sentence ---------------------------------------------------------------- */

static size_t count(const mt_results *results, mt_verdict verdict)
{
  size_t n = 0;

  for (size_t i = 0; results != NULL && i < results->njudgements; i++)
    n += results->judgements[i].verdict == verdict;
  for (size_t i = 0; results != NULL && i < results->nanswers; i++)
    n += results->answers[i].verdict == verdict;
  return n;
}

/* Of results that were cut or changed by another hand, the verdict may not be what their checks say. */
static bool is_founded(const mt_results *r)
{
  size_t missed = count(r, MT_VERDICT_FAIL), open = count(r, MT_VERDICT_UNDECIDED);

  switch (r->verdict) {
  case MT_VERDICT_PASS: return missed + open == 0 && count(r, MT_VERDICT_PASS) > 0;
  case MT_VERDICT_FAIL: return missed > 0;
  case MT_VERDICT_UNDECIDED: return missed == 0;
  case MT_VERDICT_NONE: return missed + open + count(r, MT_VERDICT_PASS) == 0;
  }
  return false;
}

mt_verdict mt_paper_verdict(const mt_paper *paper)
{
  const mt_results *r = paper->stages[paper->now].results;

  return r != NULL && is_founded(r) ? r->verdict : MT_VERDICT_UNDECIDED;
}

static const char *are(size_t n)
{
  return n == 1 ? "is" : "are";
}

static void say_good(document *d, const mt_results *now, const mt_results *before)
{
  size_t n = count(now, MT_VERDICT_PASS), missed = count(before, MT_VERDICT_FAIL);
  size_t open = count(before, MT_VERDICT_UNDECIDED);

  if (before != NULL && missed > 0)
    document_verdict(d, MT_VERDICT_PASS, "In order now: all %zu checks are met. Before, %zu %s missed%s.", n,
                     missed, missed == 1 ? "was" : "were",
                     open > 0 ? " and others could not be decided" : "");
  else if (before != NULL && open > 0)
    document_verdict(d, MT_VERDICT_PASS,
                     "In order now: all %zu checks are met. Before, %zu could not be decided.", n, open);
  else
    document_verdict(d, MT_VERDICT_PASS, "In order: all %zu checks are met.", n);
}

static void say_verdict(document *d, const mt_paper_stage *now, const mt_paper_stage *before)
{
  const mt_results *r = now->results;
  size_t missed = count(r, MT_VERDICT_FAIL), open = count(r, MT_VERDICT_UNDECIDED);
  size_t n = missed + open + count(r, MT_VERDICT_PASS);

  if (r == NULL) {
    document_verdict(d, MT_VERDICT_UNDECIDED, "Nothing can be said: the take could not be read (%s).",
                     now->why);
    return;
  }
  if (!is_founded(r)) {
    document_verdict(
        d, MT_VERDICT_UNDECIDED,
        "Nothing can be said: these results are damaged or incomplete. Their verdict is \"%s\", but "
        "of the checks they hold %zu are met, %zu missed, %zu not decided.",
        r->verdict == MT_VERDICT_NONE ? "none" : mt_verdict_name(r->verdict), count(r, MT_VERDICT_PASS),
        missed, open);
    return;
  }
  switch (r->verdict) {
  case MT_VERDICT_PASS: say_good(d, r, before != NULL ? before->results : NULL); break;
  case MT_VERDICT_FAIL:
    document_verdict(d, MT_VERDICT_FAIL, "Not in order: of %zu checks %zu %s missed%s.", n, missed,
                     are(missed), open > 0 ? ", and some could not be decided" : "");
    break;
  case MT_VERDICT_UNDECIDED:
    if (open > 0)
      document_verdict(d, MT_VERDICT_UNDECIDED,
                       "Not decided: of %zu checks none is missed, but %zu could not be decided.", n, open);
    else
      document_verdict(
          d, MT_VERDICT_UNDECIDED,
          "Not decided: of %zu checks none is missed, but not all that is asked for was checked.", n);
    break;
  case MT_VERDICT_NONE:
    document_verdict(d, MT_VERDICT_NONE, "No limits were set: this is what was measured, without a verdict.");
    break;
  }
}

/* ---- what was wrong and what was done ---------------------------------------------------------- */

static void add_list(document *d, const char *term, const char *const *texts, size_t n)
{
  for (size_t i = 0; i < n; i++)
    document_fact(d, i == 0 ? term : "", "%s", texts[i]);
}

static void add_story(document *d, const mt_paper *p)
{
  bool has_parts = p->nparts > 0 && !p->shows_costs;

  if (p->complaint[0] == '\0' && p->nfound + p->ndone == 0 && !has_parts)
    return;
  document_heading(d, "What was wrong, what was done");
  if (p->complaint[0] != '\0')
    document_fact(d, "Complaint", "%s", p->complaint);
  add_list(d, "Found", p->found, p->nfound);
  add_list(d, "Done", p->done, p->ndone);
  for (size_t i = 0; i < p->nparts && has_parts; i++)
    document_fact(d, i == 0 ? "Parts" : "", "%g \xc3\x97 %s",
                  p->parts[i].quantity > 0.0 ? p->parts[i].quantity : 1.0, p->parts[i].name);
}

/* ---- in plain words --------------------------------------------------------------------------- */

static bool was_bad(const mt_judgement *j)
{
  return j != NULL && (j->verdict == MT_VERDICT_FAIL || j->verdict == MT_VERDICT_UNDECIDED);
}

static bool is_in_order(const paper_row *row)
{
  return !was_bad(row->before) && !was_bad(row->now);
}

static const mt_judgement *judgement_of(const paper_row *row)
{
  return row->now != NULL ? row->now : row->before;
}

static bool has_subject(const paper_row *row, const char *subject)
{
  return strcmp(paper_words_subject(judgement_of(row)->quantity), subject) == 0;
}

/* Where one of a kind is not in order, the others are told by their side and state. */
static bool is_told_apart(const paper_row *rows, size_t nrows, const char *subject)
{
  for (size_t i = 0; i < nrows; i++)
    if (has_subject(&rows[i], subject) && !is_in_order(&rows[i]))
      return true;
  return false;
}

/* Before it was not judged, or was not there: it says nothing of then. */
static bool was_good(const paper_row *row)
{
  return row->before != NULL && row->before->verdict == MT_VERDICT_PASS;
}

/* Whether an earlier row says the same. */
static bool is_said(const paper_row *rows, size_t index, const char *subject, bool told_apart)
{
  const mt_judgement *j = judgement_of(&rows[index]);

  for (size_t i = 0; i < index; i++) {
    const mt_judgement *other = judgement_of(&rows[i]);
    bool is_same = !told_apart || (other->channel == j->channel && strcmp(other->state, j->state) == 0);
    if (has_subject(&rows[i], subject) && is_in_order(&rows[i]) && is_same &&
        was_good(&rows[i]) == was_good(&rows[index]))
      return true;
  }
  return false;
}

static void put_good_one(FILE *f, const char *before, const mt_judgement *j, bool told_apart)
{
  const char *subject = paper_words_subject(j->quantity);
  bool has_state = told_apart && j->state[0] != '\0' && strcmp(j->state, "default") != 0;
  char channel[8];

  fprintf(f, "%s%c%s", before, tolower((unsigned char)subject[0]), subject + 1);
  if (told_apart && j->channel >= 0)
    fprintf(f, " %s", mt_channel_name(j->channel, channel));
  if (has_state)
    fprintf(f, " (%s)", j->state);
  fprintf(f, ", %s", paper_words_verdict(j));
}

/* What was never in doubt, in one sentence: of what was in order before too, or of the rest. */
static void add_good_ones(document *d, const paper_row *rows, size_t nrows, bool before_too, const char *lead)
{
  char *text = NULL;
  size_t size = 0, n = 0;
  FILE *f = open_memstream(&text, &size);

  if (f == NULL) {
    d->has_failed = true;
    return;
  }
  for (size_t i = 0; i < nrows; i++) {
    const char *subject = paper_words_subject(judgement_of(&rows[i])->quantity);
    bool told_apart = is_told_apart(rows, nrows, subject);
    if (rows[i].now != NULL && rows[i].now->verdict == MT_VERDICT_PASS && is_in_order(&rows[i]) &&
        was_good(&rows[i]) == before_too && !is_said(rows, i, subject, told_apart))
      put_good_one(f, n++ > 0 ? "; " : "", rows[i].now, told_apart);
  }
  if (fclose(f) != 0 || text == NULL)
    d->has_failed = true;
  else if (n > 0)
    document_item(d, "%s %s.", lead, text);
  free(text);
}

static void add_bad_answers(document *d, const mt_results *results)
{
  for (size_t i = 0; i < results->nanswers; i++) {
    const mt_answer *a = &results->answers[i];
    if (a->verdict == MT_VERDICT_FAIL || a->verdict == MT_VERDICT_UNDECIDED)
      document_item(d, "By hand: %s: %s.", a->ask,
                    !a->answered                    ? "not answered"
                    : a->verdict == MT_VERDICT_FAIL ? "not as it should be"
                                                    : "too near the limit to be sure of");
  }
}

static void add_plain_words(document *d, const mt_results *now, const paper_row *rows, size_t nrows,
                            bool has_before)
{
  char text[600];

  if (nrows == 0 && now->nanswers == 0)
    return;
  document_heading(d, "In plain words");
  for (size_t i = 0; i < nrows; i++)
    if (!is_in_order(&rows[i]))
      document_item(d, "%s", paper_row_sentence(&rows[i], text, sizeof text));
  add_bad_answers(d, now);
  add_good_ones(d, rows, nrows, true, "In order before and now:");
  add_good_ones(d, rows, nrows, false, has_before ? "In order now:" : "In order:");
}

/* ---- tables ----------------------------------------------------------------------------------- */

static void add_verdict_cell(document *d, const paper_row *row)
{
  const mt_judgement *j = row->now;

  if (j == NULL)
    document_cell_add(d, MT_VERDICT_NONE, false, "not checked");
  else if (row->before != NULL && row->before->verdict != j->verdict)
    document_cell_add(d, j->verdict, false, "%s (was: %s)", paper_verdict_word(j->verdict),
                      paper_verdict_word(row->before->verdict));
  else
    document_cell_add(d, j->verdict, false, "%s", paper_verdict_word(j->verdict));
}

static void add_head(document *d, const char *const *names, size_t n, size_t first_number, size_t last_number)
{
  for (size_t i = 0; i < n; i++)
    document_cell_add(d, MT_VERDICT_NONE, i >= first_number && i <= last_number, "%s", names[i]);
}

static void add_value_cell(document *d, const mt_judgement *j, bool is_bound)
{
  char text[80];

  document_cell_add(d, MT_VERDICT_NONE, true, "%s",
                    j != NULL ? paper_row_value(j, is_bound, text, sizeof text) : "");
}

/* What every plan implies of each state, and what is met as a matter of course. */
static bool is_as_implied(const paper_row *row, bool has_before)
{
  return row->now != NULL && row->now->implied && row->now->verdict == MT_VERDICT_PASS &&
         (!has_before || was_good(row));
}

/* All of that in one row. */
static void add_implied(document *d, const paper_row *rows, size_t nrows, bool has_before)
{
  size_t n = 0;

  for (size_t i = 0; i < nrows; i++)
    n += is_as_implied(&rows[i], has_before);
  if (n == 0)
    return;
  document_cell_add(d, MT_VERDICT_NONE, false, "Sides and polarity, %zu checks", n);
  document_cell_add(d, MT_VERDICT_NONE, true, "right");
  if (has_before) {
    document_cell_add(d, MT_VERDICT_NONE, true, "right");
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
  }
  document_cell_add(d, MT_VERDICT_NONE, false, "right");
  document_cell_add(d, MT_VERDICT_PASS, false, "%s", paper_verdict_word(MT_VERDICT_PASS));
}

static void add_check(document *d, const paper_row *row, bool has_before)
{
  const mt_judgement *j = row->now != NULL ? row->now : row->before;
  char text[120];

  document_cell_add(d, MT_VERDICT_NONE, false, "%s", paper_row_name(j, text, sizeof text));
  if (has_before)
    add_value_cell(d, row->before, row->before_is_bound);
  add_value_cell(d, row->now, row->now_is_bound);
  if (has_before)
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", paper_row_change(row, text, sizeof text));
  document_cell_add(d, MT_VERDICT_NONE, false, "%s", paper_row_limit(j, text, sizeof text));
  add_verdict_cell(d, row);
}

static void add_comparison(document *d, const mt_paper *p, const paper_row *rows, size_t nrows,
                           bool has_before)
{
  char caption[240];

  if (nrows == 0)
    return;
  document_heading(d, has_before ? "Before and now" : "Checks");
  if (has_before) {
    const char *const names[] = {
        "Check", p->stages[p->earlier].label, p->stages[p->now].label, "Change", "Allowed", "Verdict"};
    snprintf(caption, sizeof caption, "Every check, \"%.60s\" beside \"%.60s\"", p->stages[p->earlier].label,
             p->stages[p->now].label);
    document_table(d, caption, 6);
    add_head(d, names, 6, 1, 3);
  } else {
    static const char *const names[] = {"Check", "Measured", "Allowed", "Verdict"};
    document_table(d, "Every check", 4);
    add_head(d, names, 4, 1, 1);
  }
  add_implied(d, rows, nrows, has_before);
  for (size_t i = 0; i < nrows; i++)
    if (!is_as_implied(&rows[i], has_before))
      add_check(d, &rows[i], has_before);
}

/* Readings of one kind on the left, the right and the pair stand in one row. */
static bool is_same_row(const mt_reading *a, const mt_reading *b)
{
  bool both_alone = (strcmp(a->segment, "left") == 0 || strcmp(a->segment, "right") == 0) &&
                    (strcmp(b->segment, "left") == 0 || strcmp(b->segment, "right") == 0);

  return a->quantity == b->quantity && a->order == b->order && strcmp(a->state, b->state) == 0 &&
         (both_alone || strcmp(a->segment, b->segment) == 0) &&
         (a->quantity != MT_Q_SPURIOUS || fabs(a->freq_hz - b->freq_hz) <= 1.0);
}

static const char *segment_words(const char *segment)
{
  static const char *const known[][2] = {{"left", "alone"},    {"right", "alone"}, {"both", "both played"},
                                         {"low", "low level"}, {"idle", "idle"},   {"sweep", "sweep"},
                                         {"", "whole take"}};
  const char *extra = mt_report_extra_segment(segment);

  for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
    if (strcmp(segment, known[i][0]) == 0)
      return known[i][1];
  return extra != NULL ? extra : segment;
}

/* The unit a technician expects: times are read in seconds and spoken of in milliseconds. */
static mt_unit shown_unit(mt_quantity quantity)
{
  mt_unit unit = mt_quantity_describe(quantity)->unit;

  return unit == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : unit;
}

static const char *shown_unit_name(mt_quantity quantity)
{
  switch (shown_unit(quantity)) {
  case MT_UNIT_DEGREE: return "\xc2\xb0";
  case MT_UNIT_OHM: return "\xce\xa9";
  case MT_UNIT_FS: return "of full scale";
  case MT_UNIT_COUNT: return "";
  default: return mt_unit_name(shown_unit(quantity));
  }
}

static void add_reading_cell(document *d, const mt_reading *r)
{
  mt_unit unit = r != NULL ? shown_unit(r->quantity) : MT_UNIT_NONE;
  double uncertainty = r != NULL && unit == MT_UNIT_MILLISECOND ? 1000.0 * r->uncertainty
                       : r != NULL                              ? r->uncertainty
                                                                : 0.0;
  char value[32], u[32];

  if (r == NULL) {
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
    return;
  }
  mt_report_reading(r, unit, value);
  if (r->validity == MT_VALID && uncertainty > 0.0)
    document_cell_add(d, MT_VERDICT_NONE, true, "%s \xc2\xb1 %s", value,
                      mt_layout_uncertainty(uncertainty, mt_layout_decimals(unit, uncertainty), u));
  else
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", value);
}

static void name_reading(const mt_reading *r, char *out, size_t size)
{
  const mt_quantity_info *info = mt_quantity_describe(r->quantity);
  char order[16] = "", at[32] = "", state[48] = "", hz[24];

  if (r->order > 0)
    snprintf(order, sizeof order, " %d", r->order);
  if (r->quantity == MT_Q_SPURIOUS && r->freq_hz > 0.0)
    snprintf(at, sizeof at, " at %s", mt_wording_frequency(r->freq_hz, hz, sizeof hz));
  if (r->state[0] != '\0' && strcmp(r->state, "default") != 0)
    snprintf(state, sizeof state, " (%s)", r->state);
  snprintf(out, size, "%s%s%s, %s%s", info->label, order, at, segment_words(r->segment), state);
}

typedef struct reading_row {
  const mt_reading *first;
  const mt_reading *cells[3]; /* left, right, the pair or a further channel */
} reading_row;

static size_t column_of(const mt_reading *r)
{
  return r->channel == MT_LEFT ? 0 : r->channel == MT_RIGHT ? 1 : 2;
}

/* @param rows  [nreadings], filled from the front. @return how many. */
static size_t gather_readings(const mt_results *results, reading_row *rows, bool *taken)
{
  size_t nrows = 0;

  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    reading_row *row = &rows[nrows];
    if (taken[i])
      continue;
    row->first = r;
    for (size_t k = i; k < results->nreadings; k++) {
      const mt_reading *other = &results->readings[k];
      size_t c = column_of(other);
      if (taken[k] || !is_same_row(r, other) || row->cells[c] != NULL ||
          (other->channel > MT_RIGHT && k != i))
        continue;
      row->cells[c] = other;
      taken[k] = true;
    }
    nrows++;
  }
  return nrows;
}

static bool has_a_value(const reading_row *row)
{
  for (size_t c = 0; c < 3; c++)
    if (row->cells[c] != NULL &&
        (row->cells[c]->validity == MT_VALID || row->cells[c]->validity == MT_RIG_LIMITED))
      return true;
  return false;
}

static void add_read_rows(document *d, const reading_row *rows, size_t nrows)
{
  static const char *const names[] = {"Reading", "Left", "Right", "Pair", "Unit"};
  char text[240];

  document_table(d, "Everything that was read, with its expanded uncertainty (k = 2); < and > are bounds", 5);
  add_head(d, names, 5, 1, 3);
  for (size_t i = 0; i < nrows; i++) {
    if (!has_a_value(&rows[i]))
      continue;
    name_reading(rows[i].first, text, sizeof text);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", text);
    for (size_t c = 0; c < 3; c++)
      add_reading_cell(d, rows[i].cells[c]);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", shown_unit_name(rows[i].first->quantity));
  }
}

/* What stands behind a semicolon is of that reading alone. */
static size_t reason_length(const mt_reading *r)
{
  return strcspn(mt_wording_reason(r->validity, r->why), ";");
}

static bool is_same_reason(const reading_row *a, const reading_row *b)
{
  const char *of_a = mt_wording_reason(a->first->validity, a->first->why);
  const char *of_b = mt_wording_reason(b->first->validity, b->first->why);
  size_t length = reason_length(a->first);

  return !has_a_value(a) && !has_a_value(b) && length == reason_length(b->first) &&
         strncmp(of_a, of_b, length) == 0;
}

/* What was not read on any channel: a line for each reason. */
static void add_unread(document *d, const reading_row *rows, size_t nrows)
{
  char name[240];

  for (size_t i = 0; i < nrows; i++) {
    char *text = NULL;
    size_t size = 0, first = 0;
    FILE *f;
    while (first < i && !is_same_reason(&rows[first], &rows[i]))
      first++;
    if (has_a_value(&rows[i]) || first < i)
      continue;
    f = open_memstream(&text, &size);
    for (size_t k = i; f != NULL && k < nrows; k++)
      if (is_same_reason(&rows[i], &rows[k])) {
        name_reading(rows[k].first, name, sizeof name);
        fprintf(f, "%s%s", k > i ? "; " : "", name);
      }
    if (f == NULL || fclose(f) != 0 || text == NULL)
      d->has_failed = true;
    else
      document_text(d, "Not read, as %.*s: %s.", (int)reason_length(rows[i].first),
                    mt_wording_reason(rows[i].first->validity, rows[i].first->why), text);
    free(text);
  }
}

static void add_readings(document *d, const mt_results *results)
{
  bool *taken = calloc(results->nreadings + 1, sizeof *taken);
  reading_row *rows = calloc(results->nreadings + 1, sizeof *rows);
  size_t nrows;

  if (results->ncurves == 0)
    document_text(d, "The results hold no curves, so there are no charts.");
  if (taken == NULL || rows == NULL) {
    d->has_failed = true;
  } else if (results->nreadings == 0) {
    document_text(d, "The results hold no readings.");
  } else {
    nrows = gather_readings(results, rows, taken);
    add_read_rows(d, rows, nrows);
    add_unread(d, rows, nrows);
  }
  free(rows);
  free(taken);
}

#define CURVE_FREQS 9

static void add_curve_row(document *d, const mt_curve *c, const char *when)
{
  static const double freqs_hz[CURVE_FREQS] = {20.0, 50.0, 100.0, 200.0, 1e3, 2e3, 5e3, 10e3, 20e3};
  char channel[8];

  document_cell_add(d, MT_VERDICT_NONE, false, "%s%s%.20s%s%.32s", mt_channel_name(c->channel, channel),
                    when[0] != '\0' ? ", " : "", when, strcmp(c->state, "default") != 0 ? ", " : "",
                    strcmp(c->state, "default") != 0 ? c->state : "");
  for (size_t i = 0; i < CURVE_FREQS; i++) {
    double value, uncertainty;
    char text[32];
    int decimals;
    if (!mt_report_curve_at(c, freqs_hz[i], &value, &uncertainty)) {
      document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
      continue;
    }
    /* no finer than a bench can use, and no wider than the page */
    decimals = (int)fmin(mt_layout_decimals(MT_UNIT_DB, uncertainty), fabs(value) >= 9.95 ? 1.0 : 2.0);
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", mt_layout_value(value, decimals, text));
  }
}

/* Of a state that is compared with another the difference says it all. */
static bool is_tabled(const mt_results *results, const mt_curve *c, mt_quantity quantity)
{
  for (size_t i = 0; i < results->ncurves && quantity == MT_Q_RESPONSE; i++)
    if (results->curves[i].quantity == MT_Q_DIFFERENCE && strcmp(results->curves[i].state, c->state) == 0)
      return false;
  return c->quantity == quantity && c->validity == MT_VALID && c->channel <= MT_RIGHT;
}

static const mt_curve *find_like(const mt_results *results, const mt_curve *like)
{
  for (size_t i = 0; results != NULL && i < results->ncurves; i++)
    if (is_tabled(results, &results->curves[i], like->quantity) &&
        results->curves[i].channel == like->channel && strcmp(results->curves[i].state, like->state) == 0)
      return &results->curves[i];
  return NULL;
}

static void open_curve_table(document *d, mt_quantity quantity)
{
  static const char *const names[] = {"dB at", "20 Hz", "50 Hz", "100 Hz", "200 Hz",
                                      "1 kHz", "2 kHz", "5 kHz", "10 kHz", "20 kHz"};

  document_heading(d, quantity == MT_Q_RESPONSE ? "Response in figures" : "Differences in figures");
  document_table(d,
                 quantity == MT_Q_RESPONSE ? "Response: how much stronger or weaker than 997 Hz"
                                           : "Difference: each state less the one it is compared with",
                 CURVE_FREQS + 1);
  add_head(d, names, CURVE_FREQS + 1, 1, CURVE_FREQS);
}

/* What the charts show, where a figure is wanted. */
static void add_curve_table(document *d, const mt_paper *p, const mt_results *before, mt_quantity quantity)
{
  const mt_results *now = p->stages[p->now].results;
  bool is_open = false;

  for (size_t i = 0; i < now->ncurves; i++) {
    const mt_curve *c = &now->curves[i], *was = find_like(before, c);
    if (!is_tabled(now, c, quantity))
      continue;
    if (!is_open)
      open_curve_table(d, quantity);
    is_open = true;
    if (was != NULL)
      add_curve_row(d, was, p->stages[p->earlier].label);
    add_curve_row(d, c, before != NULL ? p->stages[p->now].label : "");
  }
  for (size_t i = 0; before != NULL && i < before->ncurves; i++) {
    const mt_curve *c = &before->curves[i];
    if (!is_tabled(before, c, quantity) || find_like(now, c) != NULL)
      continue;
    if (!is_open)
      open_curve_table(d, quantity);
    is_open = true;
    add_curve_row(d, c, p->stages[p->earlier].label);
  }
}

/* What each kind of reading is, a sentence each. */
static void add_meanings(document *d, const mt_results *results)
{
  bool said[MT_Q_LAST] = {false};
  size_t n = 0;

  for (size_t i = 0; i < results->nreadings; i++) {
    mt_quantity q = results->readings[i].quantity;
    if (said[q])
      continue;
    if (n++ == 0)
      document_heading(d, "What the words mean");
    said[q] = true;
    document_fact(d, mt_quantity_describe(q)->label, "%s", paper_words_meaning(q));
  }
}

/* ---- charts ----------------------------------------------------------------------------------- */

static mt_code add_chart(document *d, const mt_paper *p, const mt_results *before, const char *name,
                         const char *state, mt_error *err)
{
  const mt_chart_choice choice = {.name = name,
                                  .state = state,
                                  .earlier = before,
                                  .now_label = before != NULL ? p->stages[p->now].label : NULL,
                                  .earlier_label = before != NULL ? p->stages[p->earlier].label : NULL};
  mt_chart *chart = NULL;
  mt_code code = mt_chart_of_results(p->stages[p->now].results, &choice, &chart, err);

  if (code == MT_OK)
    document_chart(d, &chart);
  return code;
}

static bool is_first_of_state(const mt_results *results, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (results->curves[i].quantity == MT_Q_DIFFERENCE &&
        strcmp(results->curves[i].state, results->curves[index].state) == 0)
      return false;
  return true;
}

/* What each switch changes: a chart for each. */
static mt_code add_differences(document *d, const mt_paper *p, const mt_results *before, const char *name,
                               mt_error *err)
{
  const mt_results *now = p->stages[p->now].results;
  mt_code code = MT_OK;

  for (size_t i = 0; i < now->ncurves && code == MT_OK; i++)
    if (now->curves[i].quantity == MT_Q_DIFFERENCE && is_first_of_state(now, i))
      code = add_chart(d, p, before, name, now->curves[i].state, err);
  return code;
}

static mt_code add_charts(document *d, const mt_paper *p, const mt_results *before, mt_error *err)
{
  const mt_results *now = p->stages[p->now].results;
  mt_code code = MT_OK;
  bool any = false;

  for (size_t i = 0; mt_chart_name(i) != NULL && code == MT_OK; i++) {
    const char *name = mt_chart_name(i);
    if (!mt_chart_has(now, name))
      continue;
    if (!any)
      document_heading(d, "Charts");
    any = true;
    code = strcmp(name, "difference") == 0 ? add_differences(d, p, before, name, err)
                                           : add_chart(d, p, before, name, NULL, err);
  }
  return code;
}

/* ---- parts, conditions, cautions -------------------------------------------------------------- */

static void add_costs(document *d, const mt_paper *p)
{
  static const char *const names[] = {"Part", "Pieces", "Each", "Sum"};
  double sum = 0.0;
  bool is_one_currency = true, any = false;

  if (!p->shows_costs || (p->nparts == 0 && p->minutes <= 0.0))
    return;
  document_heading(d, "Parts and work");
  if (p->nparts > 0) {
    document_table(d, "Parts", 4);
    add_head(d, names, 4, 1, 3);
  }
  for (size_t i = 0; i < p->nparts; i++) {
    const mt_paper_part *part = &p->parts[i];
    double n = part->quantity > 0.0 ? part->quantity : 1.0;
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", part->name);
    document_cell_add(d, MT_VERDICT_NONE, true, "%g", n);
    if (isnan(part->cost)) {
      document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
      document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
      continue;
    }
    document_cell_add(d, MT_VERDICT_NONE, true, "%.2f %s", part->cost, part->currency);
    document_cell_add(d, MT_VERDICT_NONE, true, "%.2f %s", n * part->cost, part->currency);
    is_one_currency = is_one_currency && strcmp(part->currency, p->parts[0].currency) == 0;
    sum += n * part->cost;
    any = true;
  }
  if (any && is_one_currency)
    document_fact(d, "Parts together", "%.2f %s", sum, p->parts[0].currency);
  if (p->minutes > 0.0)
    document_fact(d, "Work", "%g min", p->minutes);
}

/* The rig the readings are referred to, and what stands against it. */
static void add_rig(document *d, const mt_rig_note *rig)
{
  if (rig->name[0] == '\0')
    return;
  document_fact(d, "", "rig: %s of %.10s; %s%s", rig->name, rig->made,
                rig->has_volts ? "levels known in volts" : "no volts",
                rig->loop_applied ? "; response without the rig, floors held against its own" : "");
  for (size_t i = 0; i < rig->nwarnings; i++)
    document_fact(d, "", "beware of the rig: %s", rig->warnings[i]);
}

static void add_conditions_of(document *d, const mt_paper_stage *stage)
{
  const mt_results *r = stage->results;
  char extras[48];

  if (r == NULL) {
    document_fact(d, stage->label, "not read: %s", stage->why);
    return;
  }
  document_fact(d, stage->label, "%s%s%.0f Hz, %.1f s%s%s; plan: %s%s%s", stage->when,
                stage->when[0] != '\0' ? "; " : "", r->rate_hz,
                r->rate_hz > 0.0 ? (double)r->nframes / r->rate_hz : 0.0,
                r->stimulus_extras != 0 ? "; extras: " : "",
                r->stimulus_extras != 0 ? mt_extras_text(r->stimulus_extras, extras) : "",
                r->plan_name[0] != '\0' ? r->plan_name : "none",
                stage->tool_version[0] != '\0' ? "; read by mendtone " : "", stage->tool_version);
  if (r->is_stimulus)
    document_fact(d, "", "tones at %.2f dBFS%s", r->stimulus_level_dbfs,
                  r->unit_name[0] != '\0' ? "" : "; the plan does not say what the unit is");
  add_rig(d, &r->rig);
  for (size_t i = 0; i < r->nproblems; i++) {
    const mt_problem *problem = &r->problems[i];
    char channel[8];
    document_fact(d, "", "problem from %.2f to %.2f s%s%s%s%s: %s", problem->begin_s, problem->end_s,
                  problem->channel < 0 ? "" : ", ",
                  problem->channel < 0 ? "" : mt_channel_name(problem->channel, channel),
                  problem->state[0] != '\0' ? ", " : "", problem->state, problem->text);
  }
}

static void add_undecided(document *d, const mt_results *now)
{
  size_t n = 0;

  for (size_t i = 0; i < now->njudgements; i++)
    if (now->judgements[i].verdict == MT_VERDICT_UNDECIDED) {
      if (n++ == 0)
        document_text(d, "What could not be decided, and why:");
      document_item(d, "%s", now->judgements[i].text);
    }
}

static void add_causes(document *d, const mt_results *results, const char *heading)
{
  for (size_t i = 0; i < results->nfindings; i++) {
    const mt_finding *f = &results->findings[i];
    if (i == 0)
      document_heading(d, heading);
    document_item(d, "%s", f->text);
    for (size_t k = 0; k < f->nevidence && k < sizeof f->evidence / sizeof f->evidence[0]; k++)
      document_fact(d, k == 0 ? "because" : "and", "%s", f->evidence[k]);
  }
}

/* Of a job with more stages than the two that are compared. */
static void add_stages(document *d, const mt_paper *p)
{
  static const char *const names[] = {"Stage", "Measured", "Verdict"};

  if (p->nstages <= 2)
    return;
  document_heading(d, "Every stage");
  document_table(d, "In the order they were measured", 3);
  add_head(d, names, 3, 1, 0);
  for (size_t i = 0; i < p->nstages; i++) {
    const mt_paper_stage *s = &p->stages[i];
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", s->label);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", s->when);
    if (s->why[0] != '\0')
      document_cell_add(d, MT_VERDICT_UNDECIDED, false, "not read");
    else
      document_cell_add(d, s->verdict, false, "%s",
                        s->verdict == MT_VERDICT_NONE ? "no limits" : paper_verdict_word(s->verdict));
  }
}

static void add_conditions(document *d, const mt_paper *p)
{
  document_heading(d, "Conditions and uncertainty");
  for (size_t i = 0; i < p->nstages; i++)
    if (i == p->now || i == p->earlier)
      add_conditions_of(d, &p->stages[i]);
  document_text(d,
                "Every uncertainty is expanded (k = 2, about 95 %%). A check is met only if the value lies "
                "inside its limit by 0.82 of its uncertainty, missed only if it lies outside by as much, "
                "and not decided in between (ISO 14253-1, JCGM 106). A bound is never taken for a value.");
  if (p->stages[p->now].results != NULL)
    add_undecided(d, p->stages[p->now].results);
}

/* What no sound card sees. */
static void add_answers(document *d, const mt_results *results)
{
  static const char *const names[] = {"By hand", "Answer", "Verdict"};

  if (results->nanswers == 0)
    return;
  document_heading(d, "Seen and read by hand");
  document_table(d, "What no sound card sees", 3);
  add_head(d, names, 3, 1, 0);
  for (size_t i = 0; i < results->nanswers; i++) {
    const mt_answer *a = &results->answers[i];
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", a->ask);
    if (!a->answered)
      document_cell_add(d, MT_VERDICT_NONE, false, "not answered");
    else if (a->is_number)
      document_cell_add(d, MT_VERDICT_NONE, false, "%g %s", a->value, a->unit);
    else
      document_cell_add(d, MT_VERDICT_NONE, false, "%s", a->yes ? "yes" : "no");
    document_cell_add(d, a->verdict, false, "%s", paper_verdict_word(a->verdict));
  }
}

/* What a switch does, or a load: each state beside the one it is compared with, where chance does not explain it. */
static void add_switches(document *d, const mt_results *results)
{
  size_t n = 0;

  for (size_t i = 0; i < results->nchanges; i++) {
    const mt_change *c = &results->changes[i];
    mt_unit unit = mt_quantity_describe(c->quantity)->unit;
    mt_unit shown = unit == MT_UNIT_DBFS || unit == MT_UNIT_DBV ? MT_UNIT_DB : unit;
    char value[48], channel[8];
    if (!c->significant || c->quantity == MT_Q_ROUTE || c->quantity == MT_Q_POLARITY)
      continue;
    if (n++ == 0)
      document_heading(d, "What each state changes");
    document_item(d, "%s against %s: %s%s%s %s%s%s", c->state, c->reference,
                  mt_quantity_describe(c->quantity)->label, c->channel < 0 ? "" : ", ",
                  c->channel < 0 ? "" : mt_channel_name(c->channel, channel), c->difference > 0.0 ? "+" : "",
                  mt_wording_value(c->difference, c->uncertainty, shown, value, sizeof value),
                  c->at_least ? " or more" : "");
  }
}

static void add_loads(document *d, const mt_results *results)
{
  size_t n = 0;

  for (size_t i = 0; i < results->nreadings; i++) {
    char text[600];
    if (!mt_loads_sentence(results, i, "\xc2\xb1", text, sizeof text))
      continue;
    if (n++ == 0)
      document_heading(d, "Output and load");
    document_item(d, "%s.", text);
  }
  if (n > 0)
    document_text(d, "%s", mt_loads_note);
}

static void add_cautions(document *d)
{
  document_heading(d, "Cautions");
  document_item(d, "Hearing: start with the volume low; a mended unit may be louder than it was.");
  document_item(d, "Units on the mains and lithium cells are opened only by whoever is trained for it, after "
                   "the local codes. A swollen or damaged cell is never charged.");
  document_item(d, "This report says what was measured on the day it names, not how long it will last.");
}

/* ---- the whole -------------------------------------------------------------------------------- */

static mt_code fill(document *d, const mt_paper *p, mt_error *err)
{
  const mt_paper_stage *now = &p->stages[p->now];
  const mt_paper_stage *before = p->earlier < p->nstages ? &p->stages[p->earlier] : NULL;
  const mt_results *was = before != NULL ? before->results : NULL;
  paper_row *rows = NULL;
  size_t nrows = 0;
  mt_code code = MT_OK;

  say_verdict(d, now, before);
  add_story(d, p);
  if (now->results != NULL) {
    rows = paper_rows_make(was, now->results, &nrows);
    if (rows == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
    add_plain_words(d, now->results, rows, nrows, was != NULL);
    add_comparison(d, p, rows, nrows, was != NULL);
    free(rows);
    add_loads(d, now->results);
    add_switches(d, now->results);
    add_causes(d, now->results, "Likely causes of what is not in order");
    add_curve_table(d, p, was, MT_Q_RESPONSE);
    add_curve_table(d, p, was, MT_Q_DIFFERENCE);
    code = add_charts(d, p, was, err);
    add_answers(d, now->results);
  }
  add_costs(d, p);
  for (size_t i = 0; i < p->nnotes && p->shows_notes; i++) {
    if (i == 0)
      document_heading(d, "Notes");
    document_item(d, "%s", p->notes[i]);
  }
  add_stages(d, p);
  add_conditions(d, p);
  if (now->results != NULL) {
    document_heading(d, "All readings");
    add_readings(d, now->results);
    add_meanings(d, now->results);
  }
  add_cautions(d);
  return code;
}

static mt_code write_stream(const document *d, mt_paper_form form, unsigned char **bytes, size_t *nbytes,
                            mt_error *err)
{
  char *text = NULL;
  size_t size = 0;
  FILE *out = open_memstream(&text, &size);
  mt_code code;

  if (out == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  code = form == MT_PAPER_TEXT   ? document_write_text(d, out, err)
         : form == MT_PAPER_JSON ? document_write_json(d, out, err)
                                 : document_write_html(d, out, err);
  if (fclose(out) != 0 && code == MT_OK)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  if (code != MT_OK) {
    free(text);
    return code;
  }
  *bytes = (unsigned char *)text;
  *nbytes = size;
  return MT_OK;
}

static mt_code show(const document *d, mt_paper_form form, unsigned char **bytes, size_t *nbytes,
                    mt_error *err)
{
  if (d->has_failed)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  if (form == MT_PAPER_A4 || form == MT_PAPER_LETTER)
    return document_write_pdf(d, form == MT_PAPER_A4 ? DOCUMENT_A4 : DOCUMENT_LETTER, bytes, nbytes, err);
  return write_stream(d, form, bytes, nbytes, err);
}

static mt_code check(const mt_paper *p, mt_error *err)
{
  if (p->nstages == 0 || p->now >= p->nstages)
    return mt_fail(err, MT_E_ARG, "there is no stage to report");
  if (p->earlier != SIZE_MAX && p->earlier >= p->nstages)
    return mt_fail(err, MT_E_ARG, "stage %zu of %zu is to be compared with", p->earlier, p->nstages);
  return MT_OK;
}

mt_code mt_paper_make(const mt_paper *paper, mt_paper_form form, unsigned char **bytes, size_t *nbytes,
                      mt_error *err)
{
  document *d = NULL;
  mt_code code = check(paper, err);

  if (code != MT_OK)
    return code;
  d = document_create(paper->unit[0] != '\0' ? paper->unit : "A unit without a name");
  if (d == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  code = fill(d, paper, err);
  if (code == MT_OK)
    code = show(d, form, bytes, nbytes, err);
  document_destroy(&d);
  return code;
}

/* ---- several units ---------------------------------------------------------------------------- */

/* The reading that is worse: of the left, the right or the pair. */
static const mt_reading *find_worst(const mt_results *results, mt_quantity quantity)
{
  static const mt_channel channels[] = {MT_CHANNEL_BOTH, MT_LEFT, MT_RIGHT};
  const mt_reading *worst = NULL;

  for (size_t i = 0; results != NULL && i < 3; i++) {
    const mt_reading *r = mt_results_find(results, quantity, channels[i], NULL);
    bool has_value = r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
    if (has_value && (worst == NULL || r->value > worst->value))
      worst = r;
  }
  return worst;
}

static void add_shelf_cell(document *d, const mt_results *results, mt_quantity quantity, mt_unit unit)
{
  const mt_reading *r = find_worst(results, quantity);
  mt_judgement shown = {
      .quantity = quantity, .unit = unit, .has_value = true, .min = -INFINITY, .max = INFINITY};
  char text[80], *space;

  if (r == NULL || !mt_unit_convert(r->value, mt_quantity_describe(quantity)->unit, unit, &shown.value)) {
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
    return;
  }
  shown.uncertainty = r->uncertainty;
  paper_row_value(&shown, r->validity == MT_RIG_LIMITED, text, sizeof text);
  space = strrchr(text, ' '); /* the unit stands in the head */
  if (space != NULL && space > text + 1)
    *space = '\0';
  document_cell_add(d, MT_VERDICT_NONE, true, "%s", text);
}

/* "Balance; Distortion, left": what is missed, or else what could not be decided, each kind once. */
static void add_shelf_faults(document *d, const mt_results *results)
{
  mt_verdict wanted =
      results != NULL && results->verdict == MT_VERDICT_FAIL ? MT_VERDICT_FAIL : MT_VERDICT_UNDECIDED;
  const char *said[8];
  char text[400] = "";
  size_t n = 0;

  for (size_t i = 0; results != NULL && i < results->njudgements && n < 8; i++) {
    const mt_judgement *j = &results->judgements[i];
    const char *subject = paper_words_subject(j->quantity);
    bool is_new = j->verdict == wanted;
    for (size_t k = 0; k < n; k++)
      is_new = is_new && strcmp(said[k], subject) != 0;
    if (!is_new)
      continue;
    said[n++] = subject;
    snprintf(text + strlen(text), sizeof text - strlen(text), "%s%s", n > 1 ? "; " : "", subject);
  }
  document_cell_add(d, MT_VERDICT_NONE, false, "%s", text);
}

static void add_shelf_row(document *d, const mt_paper *unit)
{
  const mt_paper_stage *s = &unit->stages[unit->now];
  mt_verdict verdict = mt_paper_verdict(unit);

  document_cell_add(d, MT_VERDICT_NONE, false, "%s", unit->unit);
  document_cell_add(d, MT_VERDICT_NONE, false, "%s%s%.10s", s->label, s->when[0] != '\0' ? ", " : "",
                    s->when);
  document_cell_add(d, verdict, false, "%s",
                    verdict == MT_VERDICT_NONE ? "no limits" : paper_verdict_word(verdict));
  if (s->results != NULL)
    add_shelf_faults(d, s->results);
  else
    document_cell_add(d, MT_VERDICT_NONE, false, "not read: %s", s->why);
  add_shelf_cell(d, s->results, MT_Q_BALANCE, MT_UNIT_DB);
  add_shelf_cell(d, s->results, MT_Q_THD_N, MT_UNIT_PERCENT);
  add_shelf_cell(d, s->results, MT_Q_NOISE_A, MT_UNIT_DBFS);
}

static void fill_shelf(document *d, const mt_paper *units, size_t nunits)
{
  static const char *const names[] = {"Unit",        "Stage",    "Verdict",      "Not in order",
                                      "Balance, dB", "THD+N, %", "Noise A, dBFS"};
  size_t count_of[MT_VERDICT_FAIL + 1] = {0}, open;
  char missed[48] = "", undecided[48] = "";

  for (size_t i = 0; i < nunits; i++)
    count_of[mt_paper_verdict(&units[i])]++;
  open = nunits - count_of[MT_VERDICT_PASS] - count_of[MT_VERDICT_FAIL];
  if (count_of[MT_VERDICT_FAIL] > 0)
    snprintf(missed, sizeof missed, ", %zu %s not", count_of[MT_VERDICT_FAIL],
             are(count_of[MT_VERDICT_FAIL]));
  if (open > 0)
    snprintf(undecided, sizeof undecided, ", %zu %s not decided", open, are(open));
  document_verdict(d,
                   count_of[MT_VERDICT_FAIL] > 0 ? MT_VERDICT_FAIL
                   : open > 0                    ? MT_VERDICT_UNDECIDED
                                                 : MT_VERDICT_PASS,
                   "%zu of %zu units %s in order%s%s.", count_of[MT_VERDICT_PASS], nunits,
                   are(count_of[MT_VERDICT_PASS]), missed, undecided);
  document_table(d,
                 "A row each; balance is left less right, distortion and noise are of the worse channel; all "
                 "three of the first state that has them",
                 7);
  add_head(d, names, 7, 4, 6);
  for (size_t i = 0; i < nunits; i++)
    add_shelf_row(d, &units[i]);
}

mt_code mt_paper_make_shelf(const mt_paper *units, size_t nunits, mt_paper_form form, unsigned char **bytes,
                            size_t *nbytes, mt_error *err)
{
  document *d = NULL;
  mt_code code = nunits > 0 ? MT_OK : mt_fail(err, MT_E_ARG, "there is no unit to report");

  for (size_t i = 0; i < nunits && code == MT_OK; i++)
    code = check(&units[i], err);
  if (code != MT_OK)
    return code;
  d = document_create("Units side by side");
  if (d == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  fill_shelf(d, units, nunits);
  code = show(d, form, bytes, nbytes, err);
  document_destroy(&d);
  return code;
}
