/* What several takes and a person add: what changes from state to state, the takes, what was seen by hand. */
#include "report/layout.h"
#include "report/loads.h"
#include "report/text_sections.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- what changes --------------------------------------------------------------------------------------- */

static const char *word_of(mt_quantity quantity, double value)
{
  if (quantity == MT_Q_POLARITY)
    return value > 0.0 ? "normal" : "inverted";
  return value >= 0.0 && value <= MT_ROUTE_BOTH ? mt_route_name((mt_route)(int)value) : "?";
}

static void print_change(const mt_change *c, FILE *out)
{
  const mt_quantity_info *info = mt_quantity_describe(c->quantity);
  int decimals = mt_layout_decimals(info->unit, c->uncertainty);
  char channel[8], from[32], to[32], by[32], give[32], text[240];
  int n = snprintf(text, sizeof text, "%s, %s: ", info->label,
                   c->channel < 0 ? "pair" : mt_channel_name(c->channel, channel));

  decimals = decimals > 3 ? 3 : decimals;
  if (c->quantity == MT_Q_ROUTE || c->quantity == MT_Q_POLARITY) {
    snprintf(text + n, sizeof text - (size_t)n, "%s, %s before", word_of(c->quantity, c->value),
             word_of(c->quantity, c->reference_value));
  } else {
    n += snprintf(text + n, sizeof text - (size_t)n,
                  "%s %s, %s before: ", mt_layout_value(c->value, decimals, to), mt_unit_name(info->unit),
                  mt_layout_value(c->reference_value, decimals, from));
    snprintf(text + n, sizeof text - (size_t)n, "%s%s%s", c->at_least ? "at least " : "",
             mt_layout_value(fabs(c->difference), decimals, by), c->difference < 0.0 ? " less" : " more");
    if (!c->at_least) {
      n = (int)strlen(text);
      snprintf(text + n, sizeof text - (size_t)n, ", +-%s",
               mt_layout_uncertainty(c->uncertainty, decimals, give));
    }
  }
  mt_layout_wrap(out, "  - ", "    ", text);
}

/* The gain stands in the table already, over the whole band. */
static bool is_worth_a_line(const mt_change *c)
{
  return c->significant && c->quantity != MT_Q_GAIN;
}

static bool is_first_of_pair(const mt_results *results, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (strcmp(results->changes[i].state, results->changes[index].state) == 0)
      return false;
  return true;
}

static void print_changes_of(const mt_results *results, size_t first, FILE *out)
{
  const mt_change *head = &results->changes[first];
  size_t ncompared = 0, nchanged = 0;
  char text[160];

  for (size_t i = first; i < results->nchanges; i++)
    if (strcmp(results->changes[i].state, head->state) == 0) {
      ncompared++;
      nchanged += is_worth_a_line(&results->changes[i]);
    }
  snprintf(text, sizeof text, "%s against %s: %s%zu other readings compared", head->state, head->reference,
           nchanged == 0 ? "nothing beyond its uncertainty, " : "", ncompared);
  mt_layout_wrap(out, "  ", "    ", text);
  for (size_t i = first; i < results->nchanges; i++)
    if (strcmp(results->changes[i].state, head->state) == 0 && is_worth_a_line(&results->changes[i]))
      print_change(&results->changes[i], out);
}

void mt_report_changes(const mt_results *results, FILE *out)
{
  if (results->nchanges > 0)
    fputs("\nWhat else changes with the state\n", out);
  for (size_t i = 0; i < results->nchanges; i++)
    if (is_first_of_pair(results, i))
      print_changes_of(results, i, out);
}

/* ---- loads ------------------------------------------------------------------------------------------------ */

void mt_report_loads(const mt_results *results, FILE *out)
{
  size_t n = 0;

  for (size_t i = 0; i < results->nreadings; i++) {
    char text[600];
    if (!mt_loads_sentence(results, i, "+-", text, sizeof text))
      continue;
    if (n++ == 0)
      fputs("\nOutput and load\n", out);
    mt_layout_wrap(out, "  - ", "    ", text);
  }
  if (n > 0)
    mt_layout_wrap(out, "  ", "  ", mt_loads_note);
}

/* ---- the takes ------------------------------------------------------------------------------------------ */

void mt_report_takes(const mt_results *results, FILE *out)
{
  for (size_t i = 0; i < results->ntakes; i++) {
    const mt_take_summary *t = &results->takes[i];
    char text[700];
    if (t->skipped)
      snprintf(text, sizeof text, "%s: skipped", t->state);
    else
      snprintf(text, sizeof text, "%s: %.3f s%s%s%s%s", t->state,
               results->rate_hz > 0.0 ? (double)t->nframes / results->rate_hz : 0.0,
               t->parts != MT_PARTS_ALL ? ", " : "", t->parts != MT_PARTS_ALL ? mt_parts_name(t->parts) : "",
               t->parts != MT_PARTS_ALL ? " only" : "", t->valid ? "" : ", spoilt");
    mt_layout_wrap(out, i == 0 ? "  states        " : "                ", "                  ", text);
    if (t->file[0] != '\0')
      mt_layout_wrap(out, "                  ", "                  ", t->file);
  }
}

/* ---- by hand -------------------------------------------------------------------------------------------- */

void mt_report_by_hand(const mt_results *results, FILE *out)
{
  if (results->nanswers > 0)
    fputs("\nBy hand\n", out);
  for (size_t i = 0; i < results->nanswers; i++) {
    const mt_answer *a = &results->answers[i];
    char text[400];
    snprintf(text, sizeof text, "%s: %s%s%s", a->ask, a->text, a->verdict != MT_VERDICT_NONE ? ": " : "",
             a->verdict == MT_VERDICT_FAIL   ? "FAIL"
             : a->verdict != MT_VERDICT_NONE ? mt_verdict_name(a->verdict)
                                             : "");
    mt_layout_wrap(out, "  - ", "    ", text);
  }
}
