/* The table of readings: which rows there are, in which order; and what was not read. */
#include "report/curve_lines.h"
#include "report/layout.h"
#include "report/text_row.h"
#include "report/text_sections.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A reading with what orders it in the table. */
typedef struct entry {
  const mt_reading *reading;
  size_t visit; /* where its state first appears: differences come after all takes */
  size_t index;
} entry;

/* Left alone and right alone are two segments and one row. */
static int segment_rank(const char *segment)
{
  static const char *const known[] = {"left", "right", "both", "low", "idle", "sweep", ""};
  for (int i = 0; i < (int)(sizeof known / sizeof known[0]); i++)
    if (strcmp(segment, known[i]) == 0)
      return i > 0 ? i : 1;
  return 100;
}

static int compare_segments(const mt_reading *a, const mt_reading *b)
{
  int rank_a = segment_rank(a->segment), rank_b = segment_rank(b->segment);
  if (rank_a != rank_b || rank_a != 100)
    return rank_a - rank_b;
  return strcmp(a->segment, b->segment);
}

/* What arrives at all comes before how good it is. */
static int quantity_rank(mt_quantity quantity)
{
  return quantity == MT_Q_ROUTE ? -1 : (int)quantity;
}

static int compare_entries(const void *left, const void *right)
{
  const entry *a = left, *b = right;
  int segments;

  if (a->visit != b->visit)
    return a->visit < b->visit ? -1 : 1;
  segments = compare_segments(a->reading, b->reading);
  if (segments != 0)
    return segments;
  if (a->reading->quantity != b->reading->quantity)
    return quantity_rank(a->reading->quantity) < quantity_rank(b->reading->quantity) ? -1 : 1;
  if (a->reading->order != b->reading->order)
    return a->reading->order < b->reading->order ? -1 : 1;
  if (a->reading->quantity == MT_Q_SPURIOUS && a->reading->freq_hz != b->reading->freq_hz)
    return a->reading->freq_hz < b->reading->freq_hz ? -1 : 1;
  return a->index < b->index ? -1 : 1;
}

static size_t first_of_state(const mt_results *results, const char *state)
{
  size_t i = 0;
  while (strcmp(results->readings[i].state, state) != 0)
    i++;
  return i;
}

static entry *sort_readings(const mt_results *results)
{
  entry *entries = calloc(results->nreadings + 1, sizeof *entries);

  for (size_t i = 0; entries != NULL && i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    entries[i] = (entry){r, first_of_state(results, r->state), i};
  }
  if (entries != NULL)
    qsort(entries, results->nreadings, sizeof *entries, compare_entries);
  return entries;
}

static void print_heading(const mt_reading *reading, bool with_state, FILE *out)
{
  static const char *const words[] = {
      "",      "each channel alone", "both channels at once", "both channels, low level", "nothing played",
      "sweep", "whole take"};
  int rank = segment_rank(reading->segment);
  char text[160];
  const char *extra = mt_report_extra_segment(reading->segment);
  int n = extra != NULL ? snprintf(text, sizeof text, "%s", extra)
          : rank == 100 ? snprintf(text, sizeof text, "segment \"%s\"", reading->segment)
                        : snprintf(text, sizeof text, "%s", words[rank]);

  if (reading->freq_hz > 0.0 && (rank == 2 || rank == 3))
    n += snprintf(text + n, sizeof text - (size_t)n, ", %.6g Hz", reading->freq_hz);
  if (with_state)
    snprintf(text + n, sizeof text - (size_t)n, "; state %s", reading->state);
  mt_layout_wrap(out, "", "  ", text);
}

/* The column of a channel in a table whose first channel is `first`, or -1. */
static int column_of(mt_channel channel, mt_channel first)
{
  if (channel == first || channel == first + 1)
    return channel - first;
  return first == MT_LEFT && channel < 0 ? 2 : -1;
}

/* The stronger of two harmonics; an upper bound counts as high as it may be. */
static mt_cell merge_cells(const mt_cell *a, const mt_cell *b)
{
  mt_cell strongest = *a;
  if (!a->present || (mt_cell_has_number(b) && (!mt_cell_has_number(a) || b->value > a->value)))
    strongest = *b;
  if (a->present && a->verdict > strongest.verdict)
    strongest.verdict = a->verdict;
  if (b->verdict > strongest.verdict)
    strongest.verdict = b->verdict;
  return strongest;
}

/* Lines of both channels stand in one row when they are in one place; 0 Hz stands for no line. */
static bool is_same_line(const mt_reading *a, const mt_reading *b)
{
  return a->quantity != MT_Q_SPURIOUS || fabs(a->freq_hz - b->freq_hz) <= fmin(1.0, b->freq_hz);
}

static bool is_summed_up(const mt_reading *r)
{
  return r->quantity == MT_Q_HARMONIC && r->order >= 4;
}

/* Fill a row from entries of one quantity; returns how many of them it took or passed over. */
static size_t gather_row(const entry *entries, size_t n, mt_channel first, mt_row *out)
{
  const mt_reading *head = entries[0].reading;
  size_t i;

  memset(out, 0, sizeof *out);
  out->quantity = head->quantity;
  out->unit = mt_quantity_describe(head->quantity)->unit;
  out->first = first;
  for (i = 0; i < n; i++) {
    const mt_reading *r = entries[i].reading;
    int column = column_of(r->channel, first);
    mt_cell c = mt_cell_of(r);
    bool same_order = r->order == head->order || (is_summed_up(r) && is_summed_up(head));
    if (entries[i].visit != entries[0].visit || compare_segments(r, head) != 0 ||
        r->quantity != head->quantity || !same_order || !is_same_line(r, head))
      break;
    if (column < 0)
      continue;
    if (is_summed_up(r))
      out->cells[column] = merge_cells(&out->cells[column], &c);
    else if (out->cells[column].present)
      break; /* a second reading of the same: a row of its own */
    else
      out->cells[column] = c;
  }
  return i;
}

/* A line's place, to the hertz it is known to. */
static const char *line_place(double freq_hz, char out[32])
{
  snprintf(out, 32, freq_hz < 9999.5 ? "%.0f Hz" : "%.5g kHz", freq_hz < 9999.5 ? freq_hz : freq_hz / 1e3);
  return out;
}

/* Which units a level is repeated in: all for a tone at the reference level, few for the rest, to keep it short. */
static bool is_shown_in(const mt_row *r, const char *segment, mt_unit unit)
{
  bool is_main = r->quantity == MT_Q_MAX_LEVEL || r->quantity == MT_Q_INPUT_FULL_SCALE ||
                 (r->quantity == MT_Q_LEVEL && (strcmp(segment, "both") == 0 || segment[0] == '\0'));

  if (unit == r->unit || r->quantity == MT_Q_SPURIOUS || r->quantity == MT_Q_HUM_LINE)
    return false;
  if (is_main)
    return true;
  return unit == (r->quantity == MT_Q_LEVEL ? MT_UNIT_VOLT : MT_UNIT_DBU);
}

/* What a calibrated rig makes of a level. */
static void print_volts(const mt_row *r, const char *segment, FILE *out)
{
  static const mt_unit units[] = {MT_UNIT_VOLT, MT_UNIT_DBV, MT_UNIT_DBU};
  mt_row volts = *r;
  bool any = false;
  char label[32];

  volts.unit = MT_UNIT_DBV;
  for (int i = 0; i < 3; i++) {
    mt_cell *c = &volts.cells[i];
    c->present = c->present && c->has_dbv && mt_cell_has_number(c);
    c->value = c->dbv;
    c->uncertainty = c->dbv_uncertainty;
    c->verdict = MT_VERDICT_NONE;
    any = any || c->present;
  }
  for (size_t i = 0; any && i < sizeof units / sizeof units[0]; i++) {
    mt_row shown;
    if (!is_shown_in(r, segment, units[i]))
      continue;
    snprintf(label, sizeof label, "    the same in %s", mt_unit_name(units[i]));
    shown = mt_row_convert(&volts, units[i], label);
    mt_row_print(&shown, out);
  }
}

static bool is_below_one_watt(const mt_row *r)
{
  for (int i = 0; i < 3; i++)
    if (mt_cell_has_number(&r->cells[i]) && r->cells[i].value >= 1.0)
      return false;
  return r->unit == MT_UNIT_WATT;
}

static void print_quantity(mt_row *r, const mt_reading *head, FILE *out)
{
  const mt_quantity_info *info = mt_quantity_describe(r->quantity);
  int order = head->order;
  char label[64], number[32];

  snprintf(label, sizeof label, "  %s", info->label);
  if (r->quantity == MT_Q_HARMONIC && order >= 4)
    snprintf(label, sizeof label, "  harmonics 4 and up");
  else if (r->quantity == MT_Q_SPURIOUS)
    snprintf(label, sizeof label, "  %s%s", head->freq_hz > 0.0 ? "line at " : "foreign lines",
             head->freq_hz > 0.0 ? line_place(head->freq_hz, number) : "");
  else if (order > 0)
    snprintf(label, sizeof label, "  %s %d", info->label, order);
  r->label = label;
  if (r->unit == MT_UNIT_SECOND || is_below_one_watt(r)) {
    mt_row milli =
        mt_row_convert(r, r->unit == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : MT_UNIT_MILLIWATT, label);
    mt_row_print(&milli, out);
  } else
    mt_row_print(r, out);
  print_volts(r, head->segment, out);
  if (r->quantity == MT_Q_THD_F || r->quantity == MT_Q_THD_R || r->quantity == MT_Q_THD_N) {
    mt_row percent = mt_row_convert(r, MT_UNIT_PERCENT, "    the same in %");
    bool any = false;
    for (int i = 0; i < 3; i++) {
      percent.cells[i].verdict = MT_VERDICT_NONE;
      percent.cells[i].present = mt_cell_has_number(&percent.cells[i]);
      any = any || percent.cells[i].present;
    }
    if (any)
      mt_row_print(&percent, out);
  }
}

static bool is_first_of_heading(const entry *entries, size_t i)
{
  return i == 0 || entries[i].visit != entries[i - 1].visit ||
         compare_segments(entries[i].reading, entries[i - 1].reading) != 0;
}

static void print_table(const entry *entries, size_t n, mt_channel first, FILE *out)
{
  bool with_state = n > 0 && entries[n - 1].visit > 0;
  bool with_heading = false;
  size_t heading = 0;
  bool due = true;
  char names[3][32] = {"", "", ""};

  for (int i = 0; i < 2; i++)
    if (first + i < MT_CHANNELS_MAX)
      mt_channel_name(first + i, names[i]);
  if (first == MT_LEFT)
    mt_text_copy(names[2], sizeof names[2], "pair");
  fputc('\n', out);
  mt_row_print_cells("Readings", names, "+/-", "unit", "verdict", out);
  for (size_t i = 1; i < n && !with_heading; i++)
    with_heading = is_first_of_heading(entries, i);
  for (size_t i = 0; i < n;) {
    mt_row r;
    size_t taken = gather_row(entries + i, n - i, first, &r);
    if (is_first_of_heading(entries, i)) {
      heading = i;
      due = true;
    }
    if (r.cells[0].present || r.cells[1].present || r.cells[2].present) {
      if (due && with_heading)
        print_heading(entries[heading].reading, with_state, out);
      due = false;
      print_quantity(&r, entries[i].reading, out);
    }
    i += taken;
  }
}

mt_code mt_report_tables(const mt_results *results, FILE *out, mt_error *err)
{
  entry *entries = sort_readings(results);
  mt_channel last = MT_CHANNEL_ANY;

  if (entries == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a report of %zu readings", results->nreadings);

  for (size_t i = 0; i < results->nreadings; i++)
    if (results->readings[i].channel > last)
      last = results->readings[i].channel;
  for (mt_channel first = MT_LEFT; results->nreadings > 0 && first <= (last > 0 ? last : 0); first += 2)
    print_table(entries, results->nreadings, first, out);
  if (results->nreadings > 0)
    mt_layout_wrap(out, "  ", "  ",
                   "+/- is the uncertainty of the row at 95 % (k = 2); a check passes only if the value "
                   "does so with its uncertainty.");
  free(entries);
  return MT_OK;
}

/* ---- what was not read ------------------------------------------------------------------------ */

static int compare_reasons(const void *left, const void *right)
{
  const entry *a = left, *b = right;
  int why;

  if (a->reading->channel != b->reading->channel)
    return a->reading->channel < b->reading->channel ? -1 : 1;
  why = strcmp(a->reading->why, b->reading->why);
  if (why != 0)
    return why;
  if (a->visit != b->visit)
    return a->visit < b->visit ? -1 : 1;
  return a->index < b->index ? -1 : 1;
}

/*
 * "right: no tone arrives (level, THD+N, ...)": one line a reason, however many readings it stops. Of several states
 * "(in lift: level, THD+N; in pad: level)".
 */
static void print_reason(const entry *entries, size_t n, bool with_state, FILE *out)
{
  char text[600];
  char channel[8];
  const mt_reading *head = entries[0].reading;
  mt_quantity last = MT_Q_LAST;
  int length = snprintf(text, sizeof text, "%s: %s", mt_channel_name(head->channel, channel),
                        head->why[0] != '\0' ? head->why : mt_report_validity_words[head->validity]);
  int opening = length;

  for (size_t i = 0; i < n; i++) {
    mt_quantity q = entries[i].reading->quantity;
    bool is_new = with_state && (i == 0 || entries[i].visit != entries[i - 1].visit);
    if (q == last && !is_new)
      continue;
    last = q;
    length += snprintf(text + length, sizeof text - (size_t)length, "%s%s%s%s%s",
                       length == opening ? " ("
                       : is_new          ? "; "
                                         : ", ",
                       is_new ? "in " : "", is_new ? entries[i].reading->state : "", is_new ? ": " : "",
                       mt_quantity_describe(q)->label);
    if ((size_t)length > sizeof text - 100) {
      length += snprintf(text + length, sizeof text - (size_t)length, "...");
      break;
    }
  }
  snprintf(text + length, sizeof text - (size_t)length, ")");
  mt_layout_wrap(out, "  - ", "    ", text);
}

mt_code mt_report_reasons(const mt_results *results, FILE *out, mt_error *err)
{
  entry *entries = calloc(results->nreadings + 1, sizeof *entries);
  bool with_state = false;
  size_t n = 0;

  if (entries == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a report of %zu readings", results->nreadings);
  for (size_t i = 0; i < results->nreadings; i++) {
    entries[n] = (entry){&results->readings[i], first_of_state(results, results->readings[i].state), i};
    with_state = with_state || entries[n].visit > 0;
    n += results->readings[i].validity != MT_VALID && results->readings[i].validity != MT_RIG_LIMITED;
  }
  qsort(entries, n, sizeof *entries, compare_reasons);
  if (n > 0)
    fputs("\nNot read, and why\n", out);
  for (size_t i = 0; i < n;) {
    size_t end = i + 1;
    while (end < n && entries[end].reading->channel == entries[i].reading->channel &&
           strcmp(entries[end].reading->why, entries[i].reading->why) == 0)
      end++;
    print_reason(entries + i, end - i, with_state, out);
    i = end;
  }
  free(entries);
  return MT_OK;
}
