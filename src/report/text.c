/* The text report: verdict in words, what fails and why, likely causes, then the numbers. */
#include <mendtone/report.h>

#include "base/text.h"
#include "report/curve_lines.h"
#include "report/layout.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LABEL_COLUMNS 22
#define CELL_COLUMNS 10
#define ALIKE 2.0 /* uncertainties: then the columns of a row get the same decimals */

/* ---- verdict, limits, causes ------------------------------------------------------------------ */

static size_t count_judgements(const mt_results *results, mt_verdict verdict)
{
  size_t count = 0;
  for (size_t i = 0; i < results->njudgements; i++)
    count += results->judgements[i].verdict == verdict;
  return count;
}

static const char *is_or_are(size_t n)
{
  return n == 1 ? "is" : "are";
}

static void print_verdict(const mt_results *results, FILE *out)
{
  char line[200];
  size_t nfail = count_judgements(results, MT_VERDICT_FAIL);
  size_t nopen = count_judgements(results, MT_VERDICT_UNDECIDED);
  size_t npass = count_judgements(results, MT_VERDICT_PASS);
  size_t n = nfail + nopen + npass;

  switch (results->verdict) {
  case MT_VERDICT_NONE: snprintf(line, sizeof line, "No limits were set: these are readings only."); break;
  case MT_VERDICT_PASS: snprintf(line, sizeof line, "PASS: every check is met, %zu of %zu.", npass, n); break;
  case MT_VERDICT_FAIL:
    snprintf(line, sizeof line, "FAIL: of %zu checks %zu %s missed and %zu %s undecided.", n, nfail,
             is_or_are(nfail), nopen, is_or_are(nopen));
    if (nopen == 0)
      snprintf(line, sizeof line, "FAIL: of %zu checks %zu %s missed.", n, nfail, is_or_are(nfail));
    break;
  case MT_VERDICT_UNDECIDED:
    snprintf(line, sizeof line, "UNDECIDED: of %zu checks none is missed, but %zu cannot be decided.", n,
             nopen);
    break;
  }
  mt_layout_wrap(out, "", "", line);
  if (results->unit_name[0] != '\0')
    mt_layout_wrap(out, "Unit: ", "      ", results->unit_name);
  if (!results->valid)
    mt_layout_wrap(out, "", "", "The take as a whole is spoilt: see its problems below, and take it again.");
}

/* The judgement's own words name quantity and channel; without them the table's have to do. */
static void print_judgement(const mt_judgement *judgement, FILE *out)
{
  char channel[8];
  char text[100];

  snprintf(text, sizeof text, "%s, %s", mt_quantity_describe(judgement->quantity)->label,
           mt_channel_name(judgement->channel, channel));
  mt_layout_wrap(out, "  - ", "    ", judgement->text[0] != '\0' ? judgement->text : text);
}

static void print_judgements(const mt_results *results, mt_verdict verdict, const char *heading, FILE *out)
{
  if (count_judgements(results, verdict) == 0)
    return;
  fprintf(out, "\n%s\n", heading);
  for (size_t i = 0; i < results->njudgements; i++)
    if (results->judgements[i].verdict == verdict)
      print_judgement(&results->judgements[i], out);
}

static void print_findings(const mt_results *results, FILE *out)
{
  if (results->nfindings > 0)
    fputs("\nLikely causes\n", out);
  for (size_t i = 0; i < results->nfindings; i++) {
    const mt_finding *f = &results->findings[i];
    mt_layout_wrap(out, "  - ", "    ", f->text);
    for (size_t k = 0; k < f->nevidence && k < sizeof f->evidence / sizeof f->evidence[0]; k++)
      mt_layout_wrap(out, k == 0 ? "      because " : "          and ", "              ", f->evidence[k]);
  }
}

void mt_report_summary(const mt_results *results, FILE *out)
{
  print_verdict(results, out);
  print_judgements(results, MT_VERDICT_FAIL, "Missed", out);
  print_judgements(results, MT_VERDICT_UNDECIDED, "Undecided", out);
  print_findings(results, out);
}

/* ---- one row of the table --------------------------------------------------------------------- */

/* What stands in one column. */
typedef struct cell {
  bool present;
  mt_validity validity;
  double value;
  double uncertainty;
  mt_verdict verdict;
} cell;

/* The columns of a table: two channels, and what is said of the pair. */
typedef struct row {
  const char *label;
  mt_quantity quantity;
  mt_unit unit;
  mt_channel first; /* the channel of cells[0]; that of cells[1] is the next */
  cell cells[3];
} row;

static cell make_cell(const mt_reading *r)
{
  cell c = {true, r->validity, r->value, r->uncertainty, r->verdict};
  return c;
}

static bool has_number(const cell *c)
{
  return c->present && (c->validity == MT_VALID || c->validity == MT_RIG_LIMITED);
}

/* A bound is rounded away from what it bounds, and needs no more than two decimals, or in % two digits. */
static void format_bound(const row *r, const cell *c, char out[32])
{
  bool below = mt_quantity_bound_is_least(r->quantity);
  int decimals = mt_layout_decimals(r->unit, c->uncertainty);
  char number[32];
  double step;

  if (r->unit == MT_UNIT_PERCENT)
    decimals = mt_layout_decimals(r->unit, c->value);
  else if (decimals > 2)
    decimals = 2;
  step = pow(10.0, -decimals);
  mt_layout_value((below ? floor(c->value / step) : ceil(c->value / step)) * step, decimals, number);
  snprintf(out, 32, "%c %.28s", below ? '>' : '<', number);
}

static const char *const validity_words[] = {
    [MT_VALID] = "valid",     [MT_NO_SIGNAL] = "no signal", [MT_CLIPPED] = "clipped",
    [MT_DROPOUT] = "dropout", [MT_RIG_LIMITED] = "a bound", [MT_NOT_MEASURED] = "not read"};

static void format_cell(const row *r, const cell *c, char out[32])
{
  out[0] = '\0';
  if (!c->present)
    return;
  if (!has_number(c))
    mt_text_copy(out, 32, validity_words[c->validity]);
  else if (r->quantity == MT_Q_ROUTE)
    mt_text_copy(out, 32,
                 c->value >= 0.0 && c->value <= MT_ROUTE_BOTH ? mt_route_name((mt_route)(int)c->value) : "?");
  else if (r->quantity == MT_Q_POLARITY)
    mt_text_copy(out, 32, c->value > 0.0 ? "normal" : "inverted");
  else if (c->validity == MT_RIG_LIMITED)
    format_bound(r, c, out);
  else
    mt_layout_value(c->value, mt_layout_decimals(r->unit, c->uncertainty), out);
}

static void format_verdict(const row *r, char out[16])
{
  mt_verdict worst = MT_VERDICT_NONE;
  int nfail = 0, npresent = 0, failing = 0;
  char channel[8];

  for (int i = 0; i < 3; i++) {
    const cell *c = &r->cells[i];
    npresent += c->present;
    if (c->present && c->verdict > worst)
      worst = c->verdict;
    if (c->present && c->verdict == MT_VERDICT_FAIL) {
      nfail++;
      failing = i;
    }
  }
  out[0] = '\0';
  if (worst == MT_VERDICT_FAIL && nfail == 1 && npresent > 1 && failing < 2)
    snprintf(out, 16, "FAIL %s", mt_channel_name(r->first + failing, channel));
  else if (worst == MT_VERDICT_FAIL)
    mt_text_copy(out, 16, nfail > 1 ? "FAIL both" : "FAIL");
  else if (worst != MT_VERDICT_NONE)
    mt_text_copy(out, 16, mt_verdict_name(worst));
}

/* One uncertainty, the largest, speaks for all columns if theirs are much alike. */
static bool share_uncertainty(const row *r, double *largest)
{
  double smallest = HUGE_VAL;

  *largest = 0.0;
  for (int i = 0; i < 3; i++) {
    const cell *c = &r->cells[i];
    if (!c->present || c->validity != MT_VALID)
      continue;
    smallest = fmin(smallest, c->uncertainty);
    *largest = fmax(*largest, c->uncertainty);
  }
  return *largest <= ALIKE * smallest ||
         mt_layout_decimals(r->unit, *largest) == mt_layout_decimals(r->unit, smallest);
}

static bool is_word(mt_quantity quantity)
{
  return quantity == MT_Q_ROUTE || quantity == MT_Q_POLARITY;
}

static void print_cells(const char *label, char cells[3][32], const char *uncertainty, const char *unit,
                        const char *verdict, FILE *out)
{
  char line[256];
  FILE *memory = fmemopen(line, sizeof line, "w");
  size_t length;

  if (memory == NULL)
    return;
  mt_layout_cell(memory, LABEL_COLUMNS, label);
  for (int i = 0; i < 3; i++) {
    fputc(' ', memory);
    mt_layout_cell(memory, -CELL_COLUMNS, cells[i]);
  }
  fputc(' ', memory);
  mt_layout_cell(memory, -8, uncertainty);
  fputc(' ', memory);
  mt_layout_cell(memory, 4, unit);
  fprintf(memory, " %.10s", verdict);
  fclose(memory);
  for (length = strlen(line); length > 0 && line[length - 1] == ' ';)
    length--;
  fprintf(out, "%.*s\n", (int)length, line);
}

static void print_row(const row *r, FILE *out)
{
  char cells[3][32];
  char uncertainty[32] = "";
  char verdict[16];
  double largest;
  bool shared = share_uncertainty(r, &largest);

  for (int i = 0; i < 3; i++) {
    cell c = r->cells[i];
    if (shared && c.validity == MT_VALID)
      c.uncertainty = largest;
    format_cell(r, &c, cells[i]);
  }
  format_verdict(r, verdict);
  if (shared && !is_word(r->quantity))
    mt_layout_uncertainty(largest, mt_layout_decimals(r->unit, largest), uncertainty);
  print_cells(r->label, cells, uncertainty, r->unit == MT_UNIT_COUNT ? "" : mt_unit_name(r->unit), verdict,
              out);
  if (shared || r->unit == MT_UNIT_PERCENT)
    return;
  for (int i = 0; i < 3; i++) {
    const cell *c = &r->cells[i];
    cells[i][0] = '\0';
    if (c->present && c->validity == MT_VALID)
      mt_layout_uncertainty(c->uncertainty, mt_layout_decimals(r->unit, c->uncertainty), cells[i]);
  }
  print_cells("                 +/-", cells, "", "", "", out);
}

/* The same row in another unit of its kind: dB as %, s as ms. */
static row convert_row(const row *from, mt_unit unit, const char *label)
{
  row r = *from;

  r.label = label;
  r.unit = unit;
  for (int i = 0; i < 3; i++) {
    cell *c = &r.cells[i];
    double high;
    if (!has_number(c))
      continue;
    if (!mt_unit_convert(c->value + c->uncertainty, from->unit, unit, &high) ||
        !mt_unit_convert(c->value, from->unit, unit, &c->value) || !isfinite(high))
      c->validity = MT_NOT_MEASURED;
    c->uncertainty = high - c->value;
  }
  return r;
}

const char *mt_report_reading(const mt_reading *reading, mt_unit unit, char out[32])
{
  row r = {.first = MT_LEFT};

  out[0] = '\0';
  if (reading == NULL)
    return out;
  r.quantity = reading->quantity;
  r.unit = mt_quantity_describe(reading->quantity)->unit;
  r.cells[0] = make_cell(reading);
  if (unit != r.unit)
    r = convert_row(&r, unit, "");
  format_cell(&r, &r.cells[0], out);
  return out;
}

/* ---- which rows there are --------------------------------------------------------------------- */

/* A reading with what orders it in the table. */
typedef struct entry {
  const mt_reading *reading;
  size_t visit; /* counts the states in the order they were visited */
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

static entry *sort_readings(const mt_results *results)
{
  entry *entries = calloc(results->nreadings + 1, sizeof *entries);
  size_t visit = 0;

  for (size_t i = 0; entries != NULL && i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    visit += i > 0 && strcmp(r->state, results->readings[i - 1].state) != 0;
    entries[i] = (entry){r, visit, i};
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
static cell merge_cells(const cell *a, const cell *b)
{
  cell strongest = *a;
  if (!a->present || (has_number(b) && (!has_number(a) || b->value > a->value)))
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
static size_t gather_row(const entry *entries, size_t n, mt_channel first, row *out)
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
    cell c = make_cell(r);
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

static void print_quantity(row *r, const mt_reading *head, FILE *out)
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
  if (r->unit == MT_UNIT_SECOND) {
    row milli = convert_row(r, MT_UNIT_MILLISECOND, label);
    print_row(&milli, out);
  } else
    print_row(r, out);
  if (r->quantity == MT_Q_THD_F || r->quantity == MT_Q_THD_R || r->quantity == MT_Q_THD_N) {
    row percent = convert_row(r, MT_UNIT_PERCENT, "    the same in %");
    bool any = false;
    for (int i = 0; i < 3; i++) {
      percent.cells[i].verdict = MT_VERDICT_NONE;
      percent.cells[i].present = has_number(&percent.cells[i]);
      any = any || percent.cells[i].present;
    }
    if (any)
      print_row(&percent, out);
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
  print_cells("Readings", names, "+/-", "unit", "verdict", out);
  for (size_t i = 1; i < n && !with_heading; i++)
    with_heading = is_first_of_heading(entries, i);
  for (size_t i = 0; i < n;) {
    row r;
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

static void print_tables(const mt_results *results, const entry *entries, FILE *out)
{
  mt_channel last = MT_CHANNEL_ANY;

  for (size_t i = 0; i < results->nreadings; i++)
    if (results->readings[i].channel > last)
      last = results->readings[i].channel;
  for (mt_channel first = MT_LEFT; results->nreadings > 0 && first <= (last > 0 ? last : 0); first += 2)
    print_table(entries, results->nreadings, first, out);
  if (results->nreadings > 0)
    mt_layout_wrap(out, "  ", "  ",
                   "+/- is the uncertainty of the row at 95 % (k = 2); a check passes only if the value "
                   "does so with its uncertainty.");
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
  return a->index < b->index ? -1 : 1;
}

/* "right: no tone arrives (level, THD+N, ...)": one line a reason, however many readings it stops. */
static void print_reason(const entry *entries, size_t n, FILE *out)
{
  char text[400];
  char channel[8];
  const mt_reading *head = entries[0].reading;
  mt_quantity last = MT_Q_LAST;
  int length = snprintf(text, sizeof text, "%s: %s", mt_channel_name(head->channel, channel),
                        head->why[0] != '\0' ? head->why : validity_words[head->validity]);
  int opening = length;

  for (size_t i = 0; i < n; i++) {
    mt_quantity q = entries[i].reading->quantity;
    if (q == last)
      continue;
    last = q;
    length += snprintf(text + length, sizeof text - (size_t)length, "%s%s", length == opening ? " (" : ", ",
                       mt_quantity_describe(q)->label);
    if ((size_t)length > sizeof text - 40) {
      length += snprintf(text + length, sizeof text - (size_t)length, "...");
      break;
    }
  }
  snprintf(text + length, sizeof text - (size_t)length, ")");
  mt_layout_wrap(out, "  - ", "    ", text);
}

static void print_reasons(const mt_results *results, entry *entries, FILE *out)
{
  size_t n = 0;

  for (size_t i = 0; i < results->nreadings; i++) {
    entries[n] = (entry){&results->readings[i], 0, i};
    n += results->readings[i].validity != MT_VALID && results->readings[i].validity != MT_RIG_LIMITED;
  }
  if (n == 0)
    return;
  qsort(entries, n, sizeof *entries, compare_reasons);
  fputs("\nNot read, and why\n", out);
  for (size_t i = 0; i < n;) {
    size_t end = i + 1;
    while (end < n && entries[end].reading->channel == entries[i].reading->channel &&
           strcmp(entries[end].reading->why, entries[i].reading->why) == 0)
      end++;
    print_reason(entries + i, end - i, out);
    i = end;
  }
}

/* ---- response --------------------------------------------------------------------------------- */

bool mt_report_curve_at(const mt_curve *c, double freq_hz, double *value, double *uncertainty)
{
  if (c->validity != MT_VALID)
    return false;
  for (size_t i = 0; i < c->npoints; i++) {
    double part;
    if (c->x[i] < freq_hz * (1.0 - 1e-9))
      continue;
    if (fabs(c->x[i] - freq_hz) <= 1e-9 * freq_hz) {
      *value = c->y[i];
      *uncertainty = c->uncertainty[i];
      return true;
    }
    if (i == 0 || c->x[i - 1] <= 0.0)
      return false;
    part = log(freq_hz / c->x[i - 1]) / log(c->x[i] / c->x[i - 1]);
    *value = c->y[i - 1] + part * (c->y[i] - c->y[i - 1]);
    *uncertainty = fmax(c->uncertainty[i - 1], c->uncertainty[i]);
    return true;
  }
  return false;
}

static void format_frequency(double freq_hz, char out[32])
{
  if (freq_hz < 999.5)
    snprintf(out, 32, "%.3g Hz", freq_hz);
  else
    snprintf(out, 32, "%.3g kHz", freq_hz / 1e3);
}

static const mt_reading *find_corner(const mt_results *results, mt_quantity quantity, const mt_curve *c)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == c->channel && strcmp(r->segment, c->segment) == 0 &&
        strcmp(r->state, c->state) == 0)
      return r;
  }
  return NULL;
}

/* Where the corner is, or the end of what was read. */
static void describe_corner(const mt_reading *corner, double end_hz, const char *end_name, char out[64])
{
  char number[32];

  format_frequency(corner->validity == MT_VALID ? corner->value : end_hz, number);
  snprintf(out, 64, "%s%s", number, corner->validity == MT_VALID ? "" : end_name);
}

static void print_corners(const mt_results *results, const mt_curve *c, FILE *out)
{
  const mt_reading *low = find_corner(results, MT_Q_CORNER_LOW, c);
  const mt_reading *high = find_corner(results, MT_Q_CORNER_HIGH, c);
  char channel[8], from[64], to[64], text[200];

  if (low == NULL || high == NULL || c->npoints == 0)
    return;
  describe_corner(low, c->x[0], " (lowest read)", from);
  describe_corner(high, c->x[c->npoints - 1], " (highest read)", to);
  snprintf(text, sizeof text, "%s: within 3 dB from %s to %s", mt_channel_name(c->channel, channel), from,
           to);
  mt_layout_wrap(out, "  ", "  ", text);
}

static void print_curve_row(const mt_curve *c, const double *freqs_hz, size_t nfreqs, FILE *out)
{
  char channel[8], label[64], text[32], state[3 * sizeof c->state];
  double widest = 0.0;

  mt_layout_clean(state, strcmp(c->state, "default") == 0 ? "" : c->state);
  snprintf(label, sizeof label, "%s %.40s", mt_channel_name(c->channel, channel), state);
  fputs("  ", out);
  mt_layout_cell(out, 14, label);
  for (size_t i = 0; i < nfreqs; i++) {
    double value, uncertainty;
    mt_text_copy(text, sizeof text, "-");
    if (mt_report_curve_at(c, freqs_hz[i], &value, &uncertainty)) {
      int decimals = mt_layout_decimals(MT_UNIT_DB, uncertainty);
      mt_layout_value(value, decimals > 3 ? 3 : decimals, text);
      widest = fmax(widest, uncertainty);
    }
    mt_layout_cell(out, -9, text);
  }
  mt_layout_uncertainty(widest, mt_layout_decimals(MT_UNIT_DB, widest), text);
  mt_layout_cell(out, -9, text);
  fputc('\n', out);
}

static void print_response(const mt_results *results, FILE *out)
{
  static const double freqs_hz[] = {20.0, 50.0, 100.0, 1000.0, 10000.0, 20000.0};
  bool any = false;

  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *c = &results->curves[i];
    char channel[8], text[200];
    if (c->quantity != MT_Q_RESPONSE)
      continue;
    if (!any)
      fputs("\nResponse, dB        20 Hz    50 Hz   100 Hz    1 kHz   10 kHz   20 kHz      +/-\n", out);
    any = true;
    if (c->validity == MT_VALID) {
      print_curve_row(c, freqs_hz, sizeof freqs_hz / sizeof freqs_hz[0], out);
      continue;
    }
    snprintf(text, sizeof text, "%s: %s", mt_channel_name(c->channel, channel),
             c->why[0] != '\0' ? c->why : validity_words[c->validity]);
    mt_layout_wrap(out, "  ", "    ", text);
  }
  for (size_t i = 0; i < results->ncurves; i++)
    if (results->curves[i].quantity == MT_Q_RESPONSE && results->curves[i].validity == MT_VALID)
      print_corners(results, &results->curves[i], out);
}

/* ---- conditions ------------------------------------------------------------------------------- */

static void print_conditions(const mt_results *results, FILE *out)
{
  char text[160], number[32], extras[48];
  double seconds = results->rate_hz > 0.0 ? (double)results->nframes / results->rate_hz : 0.0;

  fputs("\nConditions\n", out);
  if (results->file[0] != '\0')
    mt_layout_wrap(out, "  file          ", "                ", results->file);
  snprintf(text, sizeof text, "%.6g Hz, %u channel%s, %.3f s", results->rate_hz, results->nchannels,
           results->nchannels == 1 ? "" : "s", seconds);
  mt_layout_wrap(out, "  take          ", "                ", text);
  if (results->is_stimulus && results->stimulus_extras != 0)
    snprintf(text, sizeof text, "%.2f dBFS, both marks found; extras: %s", results->stimulus_level_dbfs,
             mt_extras_text(results->stimulus_extras, extras));
  else if (results->is_stimulus)
    snprintf(text, sizeof text, "%.2f dBFS, both marks found", results->stimulus_level_dbfs);
  else
    snprintf(text, sizeof text, "none found: read as a plain recording");
  mt_layout_wrap(out, "  stimulus      ", "                ", text);
  if (results->nruns > 1 || results->is_followed) {
    snprintf(text, sizeof text, "%u whole run%s in the take, the last one is read: from %.2f s on%s",
             results->nruns, results->nruns == 1 ? "" : "s", results->run_begin_s,
             results->is_followed ? "; another behind it has no end" : "");
    mt_layout_wrap(out, "  runs          ", "                ", text);
  }
  if (results->has_clock_offset)
    snprintf(text, sizeof text, "%s ppm, player less recorder",
             mt_layout_value(results->clock_offset_ppm, 3, number));
  else
    snprintf(text, sizeof text, "not known");
  mt_layout_wrap(out, "  clock offset  ", "                ", text);
  mt_layout_wrap(out, "  plan          ", "                ",
                 results->plan_name[0] != '\0' ? results->plan_name : "none");
}

static void print_problems(const mt_results *results, FILE *out)
{
  if (results->nproblems > 0)
    fputs("\nProblems of the take\n", out);
  for (size_t i = 0; i < results->nproblems; i++) {
    const mt_problem *p = &results->problems[i];
    char channel[8], text[300];
    snprintf(text, sizeof text, "%.3f to %.3f s, %s: %s", p->begin_s, p->end_s,
             p->channel < 0 ? "all channels" : mt_channel_name(p->channel, channel), p->text);
    mt_layout_wrap(out, "  - ", "    ", text);
  }
}

mt_code mt_report_text(const mt_results *results, FILE *out, mt_error *err)
{
  entry *entries = sort_readings(results);

  if (entries == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a report of %zu readings", results->nreadings);
  mt_report_summary(results, out);
  print_tables(results, entries, out);
  print_response(results, out);
  mt_report_curve_lines(results, out);
  mt_report_definitions(results, out);
  print_reasons(results, entries, out);
  print_problems(results, out);
  print_conditions(results, out);
  free(entries);
  errno = 0;
  if (fflush(out) != 0 || ferror(out))
    return mt_fail(err, MT_E_IO, "the report cannot be written: %s", strerror(errno != 0 ? errno : EIO));
  return MT_OK;
}
