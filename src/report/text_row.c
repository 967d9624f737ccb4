/* One row of the table of readings: two channels, the pair, uncertainty, unit, verdict. */
#include "report/text_row.h"

#include <mendtone/report.h>

#include "base/text.h"
#include "report/layout.h"

#include <math.h>
#include <string.h>

#define LABEL_COLUMNS 22
#define CELL_COLUMNS 10
#define ALIKE 2.0 /* uncertainties: then the columns of a row get the same decimals */

mt_cell mt_cell_of(const mt_reading *r)
{
  mt_cell c = {true, r->validity, r->value, r->uncertainty, r->verdict};
  return c;
}

bool mt_cell_has_number(const mt_cell *c)
{
  return c->present && (c->validity == MT_VALID || c->validity == MT_RIG_LIMITED);
}

/* A bound is rounded away from what it bounds, and needs no more than two decimals, or in % two digits. */
static void format_bound(const mt_row *r, const mt_cell *c, char out[32])
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

const char *const mt_report_validity_words[] = {
    [MT_VALID] = "valid",     [MT_NO_SIGNAL] = "no signal", [MT_CLIPPED] = "clipped",
    [MT_DROPOUT] = "dropout", [MT_RIG_LIMITED] = "a bound", [MT_NOT_MEASURED] = "not read"};

static void format_cell(const mt_row *r, const mt_cell *c, char out[32])
{
  out[0] = '\0';
  if (!c->present)
    return;
  if (!mt_cell_has_number(c))
    mt_text_copy(out, 32, mt_report_validity_words[c->validity]);
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

static void format_verdict(const mt_row *r, char out[16])
{
  mt_verdict worst = MT_VERDICT_NONE;
  int nfail = 0, npresent = 0, failing = 0;
  char channel[8];

  for (int i = 0; i < 3; i++) {
    const mt_cell *c = &r->cells[i];
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
static bool share_uncertainty(const mt_row *r, double *largest)
{
  double smallest = HUGE_VAL;

  *largest = 0.0;
  for (int i = 0; i < 3; i++) {
    const mt_cell *c = &r->cells[i];
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

void mt_row_print_cells(const char *label, char cells[3][32], const char *uncertainty, const char *unit,
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

/* What has no room in the column stands in the label. */
static const char *unit_text(mt_unit unit)
{
  return unit == MT_UNIT_COUNT || unit == MT_UNIT_DB_PER_OCTAVE ? "" : mt_unit_name(unit);
}

void mt_row_print(const mt_row *r, FILE *out)
{
  char cells[3][32];
  char uncertainty[32] = "";
  char verdict[16];
  double largest;
  bool shared = share_uncertainty(r, &largest);

  for (int i = 0; i < 3; i++) {
    mt_cell c = r->cells[i];
    if (shared && c.validity == MT_VALID)
      c.uncertainty = largest;
    format_cell(r, &c, cells[i]);
  }
  format_verdict(r, verdict);
  if (shared && !is_word(r->quantity))
    mt_layout_uncertainty(largest, mt_layout_decimals(r->unit, largest), uncertainty);
  mt_row_print_cells(r->label, cells, uncertainty, unit_text(r->unit), verdict, out);
  if (shared || r->unit == MT_UNIT_PERCENT)
    return;
  for (int i = 0; i < 3; i++) {
    const mt_cell *c = &r->cells[i];
    cells[i][0] = '\0';
    if (c->present && c->validity == MT_VALID)
      mt_layout_uncertainty(c->uncertainty, mt_layout_decimals(r->unit, c->uncertainty), cells[i]);
  }
  mt_row_print_cells("                 +/-", cells, "", "", "", out);
}

/* The same row in another unit of its kind: dB as %, s as ms. */
mt_row mt_row_convert(const mt_row *from, mt_unit unit, const char *label)
{
  mt_row r = *from;

  r.label = label;
  r.unit = unit;
  for (int i = 0; i < 3; i++) {
    mt_cell *c = &r.cells[i];
    double high;
    if (!mt_cell_has_number(c))
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
  mt_row r = {.first = MT_LEFT};

  out[0] = '\0';
  if (reading == NULL)
    return out;
  r.quantity = reading->quantity;
  r.unit = mt_quantity_describe(reading->quantity)->unit;
  r.cells[0] = mt_cell_of(reading);
  if (unit != r.unit)
    r = mt_row_convert(&r, unit, "");
  format_cell(&r, &r.cells[0], out);
  return out;
}
