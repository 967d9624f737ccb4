/* The report that goes with a unit: what is said, and in which order. How it looks is the writers' part. */
#include <mendtone/paper.h>

#include "report/curve_lines.h"
#include "report/document_write.h"
#include "report/layout.h"
#include "report/loads.h"
#include "report/paper_rows.h"

#include <mendtone/report.h>

#include "base/text.h"
#include "judge/wording.h"

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
  return n;
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
    document_verdict(d, MT_VERDICT_PASS, "In order now: all %zu checks are met. Before, %zu %s missed.", n,
                     missed, missed == 1 ? "was" : "were");
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
  switch (r->verdict) {
  case MT_VERDICT_PASS: say_good(d, r, before != NULL ? before->results : NULL); break;
  case MT_VERDICT_FAIL:
    document_verdict(d, MT_VERDICT_FAIL, "Not in order: of %zu checks %zu %s missed%s.", n, missed,
                     are(missed), open > 0 ? ", and some could not be decided" : "");
    break;
  case MT_VERDICT_UNDECIDED:
    document_verdict(d, MT_VERDICT_UNDECIDED,
                     "Not decided: of %zu checks none is missed, but %zu could not be decided.", n, open);
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

static void add_changes(document *d, const paper_row *rows, size_t nrows, bool has_before)
{
  char text[400];
  size_t n = 0;

  for (size_t i = 0; i < nrows; i++) {
    if (!was_bad(rows[i].before) && !was_bad(rows[i].now))
      continue;
    if (n++ == 0)
      document_heading(d, has_before ? "What has changed" : "What is not in order");
    document_item(d, "%s", paper_row_sentence(&rows[i], text, sizeof text));
  }
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

static void add_value_cell(document *d, const mt_judgement *j)
{
  char text[80];

  document_cell_add(d, MT_VERDICT_NONE, true, "%s", j != NULL ? paper_row_value(j, text, sizeof text) : "");
}

static void add_comparison(document *d, const mt_paper *p, const paper_row *rows, size_t nrows,
                           bool has_before)
{
  char text[120], caption[240];

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
  for (size_t i = 0; i < nrows; i++) {
    const mt_judgement *j = rows[i].now != NULL ? rows[i].now : rows[i].before;
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", paper_row_name(j, text, sizeof text));
    if (has_before)
      add_value_cell(d, rows[i].before);
    add_value_cell(d, rows[i].now);
    if (has_before)
      document_cell_add(d, MT_VERDICT_NONE, true, "%s", paper_row_change(&rows[i], text, sizeof text));
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", paper_row_limit(j, text, sizeof text));
    add_verdict_cell(d, &rows[i]);
  }
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

static void add_reading_cell(document *d, const mt_reading *r)
{
  mt_unit unit = r != NULL ? mt_quantity_describe(r->quantity)->unit : MT_UNIT_NONE;
  char value[32], u[32];

  if (r == NULL) {
    document_cell_add(d, MT_VERDICT_NONE, true, "%s", "");
    return;
  }
  mt_report_reading(r, unit, value);
  if (r->validity == MT_VALID && r->uncertainty > 0.0)
    document_cell_add(d, MT_VERDICT_NONE, true, "%s \xc2\xb1 %s", value,
                      mt_layout_uncertainty(r->uncertainty, mt_layout_decimals(unit, r->uncertainty), u));
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

static bool add_readings(document *d, const mt_results *results)
{
  static const char *const names[] = {"Reading", "Left", "Right", "Pair", "Unit"};
  bool *taken = calloc(results->nreadings + 1, sizeof *taken);
  char text[240];

  if (taken == NULL)
    return false;
  document_table(d, "Everything that was read, with its expanded uncertainty (k = 2); < and > are bounds", 5);
  add_head(d, names, 5, 1, 3);
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i], *cells[3] = {NULL};
    if (taken[i])
      continue;
    for (size_t k = i; k < results->nreadings; k++) {
      const mt_reading *other = &results->readings[k];
      size_t c = other->channel == MT_LEFT ? 0 : other->channel == MT_RIGHT ? 1 : 2;
      if (taken[k] || !is_same_row(r, other) || cells[c] != NULL || (other->channel > MT_RIGHT && k != i))
        continue;
      cells[c] = other;
      taken[k] = true;
    }
    name_reading(r, text, sizeof text);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", text);
    for (size_t c = 0; c < 3; c++)
      add_reading_cell(d, cells[c]);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", mt_unit_name(mt_quantity_describe(r->quantity)->unit));
  }
  free(taken);
  return true;
}

/* ---- charts ----------------------------------------------------------------------------------- */

static mt_code add_charts(document *d, const mt_paper *p, const mt_results *before, mt_error *err)
{
  const mt_results *now = p->stages[p->now].results;
  mt_code code = MT_OK;
  bool any = false;

  for (size_t i = 0; mt_chart_name(i) != NULL && code == MT_OK; i++) {
    const mt_chart_choice choice = {.name = mt_chart_name(i),
                                    .earlier = before,
                                    .now_label = before != NULL ? p->stages[p->now].label : NULL,
                                    .earlier_label = before != NULL ? p->stages[p->earlier].label : NULL};
    mt_chart *chart = NULL;
    if (!mt_chart_has(now, mt_chart_name(i)))
      continue;
    if (!any)
      document_heading(d, "Charts");
    any = true;
    code = mt_chart_of_results(now, &choice, &chart, err);
    if (code == MT_OK)
      document_chart(d, &chart);
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
  for (size_t i = 0; i < r->nproblems; i++)
    document_fact(d, "", "problem from %.2f to %.2f s: %s", r->problems[i].begin_s, r->problems[i].end_s,
                  r->problems[i].text);
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

/* What a switch does: each state beside the one it is compared with, where chance does not explain it. */
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
      document_heading(d, "What the switches change");
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
    add_changes(d, rows, nrows, was != NULL);
    add_comparison(d, p, rows, nrows, was != NULL);
    free(rows);
    add_loads(d, now->results);
    add_switches(d, now->results);
    add_answers(d, now->results);
    add_causes(d, now->results, "Likely causes of what is not in order");
    code = add_charts(d, p, was, err);
  }
  add_costs(d, p);
  for (size_t i = 0; i < p->nnotes && p->shows_notes; i++) {
    if (i == 0)
      document_heading(d, "Notes");
    document_item(d, "%s", p->notes[i]);
  }
  add_conditions(d, p);
  if (now->results != NULL) {
    document_heading(d, "All readings");
    d->has_failed = !add_readings(d, now->results) || d->has_failed;
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
  code = form == MT_PAPER_TEXT ? document_write_text(d, out, err) : document_write_html(d, out, err);
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

static void add_shelf_cell(document *d, const mt_results *results, mt_quantity quantity, mt_channel channel,
                           mt_unit unit)
{
  const mt_reading *r = results != NULL ? mt_results_find(results, quantity, channel, NULL) : NULL;
  char text[32];

  document_cell_add(d, MT_VERDICT_NONE, true, "%s", mt_report_reading(r, unit, text));
}

static void fill_shelf(document *d, const mt_paper *units, size_t nunits)
{
  static const char *const names[] = {"Unit",
                                      "Stage",
                                      "Verdict",
                                      "Balance, dB",
                                      "THD+N left, %",
                                      "THD+N right, %",
                                      "Noise A left, dBFS",
                                      "Noise A right, dBFS"};
  size_t npass = 0;

  for (size_t i = 0; i < nunits; i++)
    npass += units[i].stages[units[i].now].results != NULL &&
             units[i].stages[units[i].now].results->verdict == MT_VERDICT_PASS;
  document_verdict(d, npass == nunits ? MT_VERDICT_PASS : MT_VERDICT_NONE, "%zu of %zu units are in order.",
                   npass, nunits);
  document_table(d, "One row each", 8);
  add_head(d, names, 8, 3, 7);
  for (size_t i = 0; i < nunits; i++) {
    const mt_paper_stage *s = &units[i].stages[units[i].now];
    mt_verdict verdict = s->results != NULL ? s->results->verdict : MT_VERDICT_UNDECIDED;
    document_cell_add(d, MT_VERDICT_NONE, false, "%s", units[i].unit);
    document_cell_add(d, MT_VERDICT_NONE, false, "%s%s%s", s->label, s->when[0] != '\0' ? ", " : "", s->when);
    document_cell_add(d, verdict, false, "%s",
                      verdict == MT_VERDICT_NONE ? "no limits" : paper_verdict_word(verdict));
    add_shelf_cell(d, s->results, MT_Q_BALANCE, MT_CHANNEL_BOTH, MT_UNIT_DB);
    add_shelf_cell(d, s->results, MT_Q_THD_N, MT_LEFT, MT_UNIT_PERCENT);
    add_shelf_cell(d, s->results, MT_Q_THD_N, MT_RIGHT, MT_UNIT_PERCENT);
    add_shelf_cell(d, s->results, MT_Q_NOISE_A, MT_LEFT, MT_UNIT_DBFS);
    add_shelf_cell(d, s->results, MT_Q_NOISE_A, MT_RIGHT, MT_UNIT_DBFS);
  }
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
