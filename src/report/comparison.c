/* A comparison as text and as JSON. */
#include <mendtone/report.h>

#include "base/text.h"
#include "report/layout.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LABEL_COLUMNS 27
#define UNIT_COLUMNS 5
#define SIDE_COLUMNS 14
#define DIFFERENCE_COLUMNS 18

/* ---- one row ---------------------------------------------------------------------------------------- */

static const mt_reading *any_of(const mt_compared *c)
{
  return c->has_a ? &c->a : &c->b;
}

static bool is_word(mt_quantity quantity)
{
  return quantity == MT_Q_ROUTE || quantity == MT_Q_POLARITY;
}

/* Delays are talked about in ms, powers of small units in mW. */
static mt_unit in_thousandths(mt_unit unit)
{
  return unit == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : unit == MT_UNIT_WATT ? MT_UNIT_MILLIWATT : unit;
}

/* Distortion is talked about in %. */
static mt_unit shown_unit(mt_quantity quantity)
{
  if (quantity == MT_Q_THD_F || quantity == MT_Q_THD_R || quantity == MT_Q_THD_N)
    return MT_UNIT_PERCENT;
  return in_thousandths(mt_quantity_describe(quantity)->unit);
}

/* The same quantity is read in several segments: then the row says in which. */
static bool needs_segment(const mt_comparison *all, const mt_compared *c)
{
  const mt_reading *mine = any_of(c);

  for (size_t i = 0; i < all->nreadings; i++) {
    const mt_reading *other = any_of(&all->readings[i]);
    if (other->quantity == mine->quantity && all->readings[i].channel == c->channel &&
        other->order == mine->order && strcmp(other->state, mine->state) == 0 &&
        strcmp(other->segment, mine->segment) != 0)
      return true;
  }
  return false;
}

static void format_x(double x, mt_unit unit, char out[32])
{
  if (unit != MT_UNIT_HZ)
    snprintf(out, 32, "%.4g %s", x, mt_unit_name(unit));
  else if (x < 999.5)
    snprintf(out, 32, "%.4g Hz", x);
  else
    snprintf(out, 32, "%.4g kHz", x / 1e3);
}

static void name_row(const mt_comparison *all, const mt_compared *c, char out[160])
{
  const mt_reading *r = any_of(c);
  bool is_alone = strcmp(r->segment, "left") == 0 || strcmp(r->segment, "right") == 0;
  char channel[8], segment[3 * sizeof r->segment], state[3 * sizeof r->state], place[40] = "", order[16] = "";

  mt_layout_clean(segment, is_alone ? "alone" : r->segment);
  mt_layout_clean(state, r->state);
  if (r->order > 0)
    snprintf(order, sizeof order, " %d", r->order);
  if (r->quantity == MT_Q_SPURIOUS && r->freq_hz > 0.0) {
    place[0] = ' ';
    format_x(r->freq_hz, MT_UNIT_HZ, place + 1);
  }
  snprintf(out, 160, "%s%s%s%s%s%s%s%s%s%s", mt_quantity_describe(r->quantity)->label, order, place,
           c->channel == MT_CHANNEL_BOTH ? "" : " ",
           c->channel == MT_CHANNEL_BOTH ? "" : mt_channel_name(c->channel, channel),
           needs_segment(all, c) && segment[0] != '\0' ? " (" : "", needs_segment(all, c) ? segment : "",
           needs_segment(all, c) && segment[0] != '\0' ? ")" : "",
           strcmp(state, "default") == 0 || state[0] == '\0' ? "" : ", ",
           strcmp(state, "default") == 0 ? "" : state);
}

static const char *verdict_word(mt_verdict verdict)
{
  switch (verdict) {
  case MT_VERDICT_FAIL: return "FAIL";
  case MT_VERDICT_UNDECIDED: return "?";
  case MT_VERDICT_PASS:
  case MT_VERDICT_NONE: break;
  }
  return "";
}

static void print_side(bool present, const mt_reading *r, FILE *out)
{
  char text[32] = "-", cell[64];

  if (present)
    mt_report_reading(r, shown_unit(r->quantity), text);
  snprintf(cell, sizeof cell, "%.20s%s%s", text, present && verdict_word(r->verdict)[0] != '\0' ? " " : "",
           present ? verdict_word(r->verdict) : "");
  mt_layout_cell(out, SIDE_COLUMNS, cell);
}

/* "+0.490 dB +-0.001", with fewer decimals where it would be cut off; of a bound "+27.0 dB or more". */
static void format_difference(const mt_compared *c, char out[96])
{
  bool is_bound = c->has_difference && (c->a.validity == MT_RIG_LIMITED || c->b.validity == MT_RIG_LIMITED);
  mt_unit unit = in_thousandths(c->difference_unit);
  bool is_scaled = unit != c->difference_unit;
  double difference = is_scaled ? 1e3 * c->difference : c->difference;
  double known = is_scaled ? 1e3 * c->uncertainty : c->uncertainty;
  int most = is_bound ? 1 : unit == MT_UNIT_DB || is_scaled ? 3 : 9;
  int decimals = mt_layout_decimals(unit, known);
  char number[32], uncertainty[32];

  out[0] = '\0';
  if (!c->has_difference)
    return;
  decimals = decimals > most ? most : decimals;
  do {
    mt_layout_value(fabs(difference), decimals, number);
    mt_layout_uncertainty(known, decimals, uncertainty);
    snprintf(out, 96, "%s%s %s %s%s", difference < 0.0 && strspn(number, "0.") != strlen(number) ? "-" : "+",
             number, unit == MT_UNIT_COUNT ? "" : mt_unit_name(unit),
             is_bound                 ? "or more"
             : uncertainty[0] != '\0' ? "+-"
                                      : "",
             is_bound ? "" : uncertainty);
  } while (strlen(out) > DIFFERENCE_COLUMNS && decimals-- > 0);
}

static void print_line(const char *mark, const char *label, const char *unit, const mt_compared *c, FILE *out)
{
  char difference[96], line[400];
  FILE *memory = fmemopen(line, sizeof line, "w");
  size_t length;

  if (memory == NULL)
    return;
  fputs(mark, memory);
  mt_layout_cell(memory, LABEL_COLUMNS - 1, label);
  fputc(' ', memory);
  mt_layout_cell(memory, UNIT_COLUMNS - 1, unit);
  fputc(' ', memory);
  print_side(c->has_a, &c->a, memory);
  print_side(c->has_b, &c->b, memory);
  format_difference(c, difference);
  mt_layout_cell(memory, DIFFERENCE_COLUMNS, difference);
  fputc('\0', memory);
  fclose(memory);
  for (length = strlen(line); length > 0 && line[length - 1] == ' ';)
    length--;
  fprintf(out, "%.*s\n", (int)length, line);
}

static void print_row(const mt_comparison *all, const mt_compared *c, FILE *out)
{
  mt_unit unit = shown_unit(c->quantity);
  char label[160];

  name_row(all, c, label);
  print_line(c->contrast == MT_CONTRAST_DIFFERENT ? "* " : "  ", label,
             unit == MT_UNIT_COUNT || is_word(c->quantity) ? "" : mt_unit_name(unit), c, out);
}

/* ---- which rows ------------------------------------------------------------------------------------- */

static bool is_main(const mt_compared *c)
{
  static const mt_quantity main_ones[] = {MT_Q_ROUTE,   MT_Q_LEVEL,     MT_Q_BALANCE,       MT_Q_THD_N,
                                          MT_Q_NOISE_A, MT_Q_CROSSTALK, MT_Q_DYNAMIC_RANGE, MT_Q_CORNER_LOW};
  const mt_reading *r = any_of(c);
  bool is_side_tone = r->quantity == MT_Q_LEVEL && strcmp(r->segment, "both") != 0 && r->segment[0] != '\0';

  for (size_t i = 0; i < sizeof main_ones / sizeof main_ones[0]; i++)
    if (r->quantity == main_ones[i] && !is_side_tone)
      return true;
  return false;
}

static bool is_known(bool present, const mt_reading *r)
{
  return present && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

static bool is_changed(const mt_compared *c)
{
  if (c->has_a && c->has_b && c->a.verdict != c->b.verdict)
    return true;
  return c->contrast == MT_CONTRAST_DIFFERENT ||
         (c->has_a && c->has_b && is_known(true, &c->a) != is_known(true, &c->b));
}

/* Two bounds side by side say nothing to anybody. */
static bool is_worth_a_row(const mt_compared *c)
{
  return is_known(c->has_a, &c->a) != is_known(c->has_b, &c->b) ||
         (is_known(c->has_a, &c->a) &&
          !(c->a.validity == MT_RIG_LIMITED && c->b.validity == MT_RIG_LIMITED && c->has_a && c->has_b)) ||
         is_changed(c);
}

static bool is_shown(const mt_compared *c, mt_report_detail detail)
{
  switch (detail) {
  case MT_REPORT_MAIN: return is_main(c);
  case MT_REPORT_DIFFERENT: return is_changed(c);
  case MT_REPORT_ALL: return is_worth_a_row(c);
  }
  return true;
}

static void print_readings(const mt_comparison *c, mt_report_detail detail, FILE *out)
{
  size_t shown = 0, alike = 0, apart = 0;

  for (size_t i = 0; i < c->nreadings; i++)
    shown += is_shown(&c->readings[i], detail);
  if (shown > 0)
    fprintf(out, "\n%*s%-*s%-*s%s\n", 2 + LABEL_COLUMNS + UNIT_COLUMNS - 1, "", SIDE_COLUMNS, "A",
            SIDE_COLUMNS, "B", "B less A");
  for (size_t i = 0; i < c->nreadings; i++) {
    const mt_compared *r = &c->readings[i];
    if (is_shown(r, detail))
      print_row(c, r, out);
    else if (is_worth_a_row(r))
      ++*(r->contrast == MT_CONTRAST_SAME ? &alike : &apart);
  }
  if (shown > 0)
    fputs("\n  * differs by more than its uncertainty (k = 2)   FAIL missed   ? undecided\n", out);
  if (detail != MT_REPORT_DIFFERENT)
    return;
  if (alike > 0)
    fprintf(out, "  %zu more %s not differ.\n", alike, alike == 1 ? "reading does" : "readings do");
  if (apart > 0)
    fprintf(out, "  %zu more cannot be compared, or only one side has them; --all lists them.\n", apart);
}

/* ---- curves ----------------------------------------------------------------------------------------- */

static void name_curve(const mt_compared_curve *c, char out[96])
{
  char channel[8], state[3 * sizeof c->state];

  mt_layout_clean(state, strcmp(c->state, "default") == 0 ? "" : c->state);
  snprintf(out, 96, "%s%s%s%s%.40s", mt_quantity_describe(c->quantity)->label,
           c->channel == MT_CHANNEL_BOTH ? "" : " ",
           c->channel == MT_CHANNEL_BOTH ? "" : mt_channel_name(c->channel, channel),
           state[0] != '\0' ? ", " : "", state);
}

static void print_worst(const mt_compared_curve *c, FILE *out)
{
  mt_unit own = mt_quantity_describe(c->quantity)->unit, unit = mt_compare_unit(c->quantity);
  double scale = own == MT_UNIT_SECOND ? 1e3 : 1.0, uncertainty = scale * c->uncertainty[c->worst];
  char name[96], at[32], a[32], b[32], difference[32], own_uncertainty[32], text[400];
  int decimals;

  own = own == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : own;
  unit = unit == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : unit;
  decimals = mt_layout_decimals(unit, uncertainty);
  decimals = decimals > 3 && unit == MT_UNIT_DB ? 3 : decimals;
  name_curve(c, name);
  format_x(c->x[c->worst], c->x_unit, at);
  mt_layout_value(scale * c->a[c->worst], decimals, a);
  mt_layout_value(scale * c->b[c->worst], decimals, b);
  mt_layout_value(scale * c->difference[c->worst], decimals, difference);
  mt_layout_uncertainty(uncertainty, decimals, own_uncertainty);
  snprintf(text, sizeof text,
           "%s: %s at %s: %s %s in A, %s in B, %s%s %s +-%s (%zu of %zu points are beyond their uncertainty)",
           name, c->contrast == MT_CONTRAST_DIFFERENT ? "differs most clearly" : "most", at, a,
           mt_unit_name(own), b, difference[0] == '-' ? "" : "+", difference, mt_unit_name(unit),
           own_uncertainty, c->nbeyond, c->nusable);
  mt_layout_wrap(out, c->contrast == MT_CONTRAST_DIFFERENT ? "* " : "  ", "    ", text);
}

static bool difference_at(const mt_compared_curve *c, double x, double *out)
{
  for (size_t i = 0; i + 1 < c->npoints; i++)
    if (c->x[i] <= x * (1.0 + 1e-9) && c->x[i + 1] >= x * (1.0 - 1e-9)) {
      double part = log(x / c->x[i]) / log(c->x[i + 1] / c->x[i]);
      if (c->uncertainty[i] >= MT_COMPARE_BOUND || c->uncertainty[i + 1] >= MT_COMPARE_BOUND)
        return false;
      *out = c->difference[i] + part * (c->difference[i + 1] - c->difference[i]);
      return true;
    }
  return false;
}

static void print_response(const mt_comparison *all, FILE *out)
{
  static const double freqs_hz[] = {20.0, 50.0, 100.0, 200.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0};
  bool any = false;

  for (size_t i = 0; i < all->ncurves; i++) {
    const mt_compared_curve *c = &all->curves[i];
    char name[96];
    if (c->quantity != MT_Q_RESPONSE || c->npoints < 2)
      continue;
    if (!any)
      fputs("\nResponse, B less A, dB\n                    20     50    100    200     1k     2k     5k    "
            "10k    20k\n",
            out);
    any = true;
    name_curve(c, name);
    fputs(c->contrast == MT_CONTRAST_DIFFERENT ? "* " : "  ", out);
    mt_layout_cell(out, 13, strchr(name, ' ') != NULL ? strchr(name, ' ') + 1 : "both");
    for (size_t k = 0; k < sizeof freqs_hz / sizeof freqs_hz[0]; k++) {
      char text[32] = "-";
      double value;
      if (difference_at(c, freqs_hz[k], &value))
        mt_layout_value(value, 2, text);
      mt_layout_cell(out, k == 0 ? -7 : -6, text);
      fputs(k + 1 < sizeof freqs_hz / sizeof freqs_hz[0] ? " " : "\n", out);
    }
  }
}

static void print_curves(const mt_comparison *c, mt_report_detail detail, FILE *out)
{
  bool any = false;

  print_response(c, out);
  for (size_t i = 0; i < c->ncurves && detail != MT_REPORT_MAIN; i++) {
    const mt_compared_curve *curve = &c->curves[i];
    bool shown = curve->contrast == MT_CONTRAST_DIFFERENT ||
                 (detail == MT_REPORT_ALL && curve->contrast == MT_CONTRAST_SAME);
    if (!shown)
      continue;
    if (!any)
      fputs("\nCurves\n", out);
    any = true;
    print_worst(curve, out);
  }
}

/* ---- the whole -------------------------------------------------------------------------------------- */

static const char *whole_verdict(mt_verdict verdict)
{
  switch (verdict) {
  case MT_VERDICT_PASS: return "PASS";
  case MT_VERDICT_FAIL: return "FAIL";
  case MT_VERDICT_UNDECIDED: return "UNDECIDED";
  case MT_VERDICT_NONE: break;
  }
  return "not judged";
}

static void print_names(const mt_comparison *c, const char *name_a, const char *name_b, FILE *out)
{
  const char *const names[] = {name_a, name_b};
  const mt_verdict verdicts[] = {c->verdict_a, c->verdict_b};

  for (int i = 0; i < 2; i++) {
    char *text = malloc(strlen(names[i]) + 32);
    if (text == NULL)
      continue;
    snprintf(text, strlen(names[i]) + 32, "%s: %s", whole_verdict(verdicts[i]), names[i]);
    mt_layout_wrap(out, i == 0 ? "A  " : "B  ", "   ", text);
    free(text);
  }
}

static void print_sum(const mt_comparison *c, FILE *out)
{
  char text[200];

  if (c->nnumbers == 0)
    return;
  snprintf(text, sizeof text,
           "Of %zu readings that both have, %zu %s by more than the uncertainty; by chance alone "
           "about %.0f would.",
           c->nnumbers, c->ndifferent, c->ndifferent == 1 ? "differs" : "differ",
           ceil(0.0455 * (double)c->nnumbers));
  fputc('\n', out);
  mt_layout_wrap(out, "", "", text);
}

mt_code mt_report_comparison(const mt_comparison *c, const char *name_a, const char *name_b,
                             mt_report_detail detail, FILE *out, mt_error *err)
{
  if (detail != MT_REPORT_MAIN)
    print_names(c, name_a, name_b, out);
  if (c->nconditions > 0)
    fputs("\nNot alike\n", out);
  for (size_t i = 0; i < c->nconditions; i++)
    mt_layout_wrap(out, "  - ", "    ", c->conditions[i].text);
  if (detail != MT_REPORT_MAIN)
    print_sum(c, out);
  print_readings(c, detail, out);
  print_curves(c, detail, out);
  if (fflush(out) != 0 || ferror(out))
    return mt_fail(err, MT_E_IO, "the comparison cannot be written");
  return MT_OK;
}

/* ---- JSON ------------------------------------------------------------------------------------------- */

/* The first failure is kept. */
typedef struct writer {
  FILE *out;
  mt_code code;
  mt_error *err;
} writer;

static void put_text(writer *w, const char *before, const char *text)
{
  char *quoted = NULL;

  if (w->code == MT_OK)
    w->code = mt_report_json_quote(text, &quoted, w->err);
  fprintf(w->out, "%s%s", before, quoted != NULL ? quoted : "null");
  free(quoted);
}

static void put_number(writer *w, const char *before, double value)
{
  if (!isfinite(value) && w->code == MT_OK)
    w->code = mt_fail(w->err, MT_E_INTERNAL, "a number of the comparison is %g", value);
  fprintf(w->out, "%s%.17g", before, value);
}

static void put_side(writer *w, const char *key, bool present, const mt_reading *r)
{
  fprintf(w->out, ",\"%s\":", key);
  if (!present) {
    fputs("null", w->out);
    return;
  }
  if (!is_known(true, r))
    fputs("{\"value\":null", w->out);
  else if (r->quantity == MT_Q_ROUTE)
    put_text(w, "{\"value\":", mt_route_name((mt_route)(int)r->value));
  else
    put_number(w, "{\"value\":", r->value);
  if (is_known(true, r))
    put_number(w, ",\"uncertainty\":", r->uncertainty);
  else
    fputs(",\"uncertainty\":null", w->out);
  fprintf(w->out, ",\"validity\":\"%s\",\"verdict\":%s%s%s", mt_validity_name(r->validity),
          r->verdict == MT_VERDICT_NONE ? "" : "\"",
          r->verdict == MT_VERDICT_NONE ? "null" : mt_verdict_name(r->verdict),
          r->verdict == MT_VERDICT_NONE ? "" : "\"");
  if (r->freq_hz != 0.0)
    put_number(w, ",\"freq_hz\":", r->freq_hz);
  fputc('}', w->out);
}

static void put_reading(writer *w, const mt_compared *c)
{
  const mt_reading *r = any_of(c);
  char channel[8];

  fprintf(w->out, "{\"quantity\":\"%s\",\"channel\":\"%s\"", mt_quantity_describe(c->quantity)->name,
          mt_channel_name(c->channel, channel));
  put_text(w, ",\"segment\":", r->segment);
  put_text(w, ",\"state\":", r->state);
  if (r->order != 0)
    fprintf(w->out, ",\"order\":%d", r->order);
  fprintf(w->out, ",\"unit\":\"%s\"", mt_unit_name(mt_quantity_describe(c->quantity)->unit));
  put_side(w, "a", c->has_a, &c->a);
  put_side(w, "b", c->has_b, &c->b);
  if (c->has_difference) {
    put_number(w, ",\"difference\":", c->difference);
    put_number(w, ",\"uncertainty\":", c->uncertainty);
  } else
    fputs(",\"difference\":null,\"uncertainty\":null", w->out);
  fprintf(w->out, ",\"difference_unit\":\"%s\",\"contrast\":\"%s\"", mt_unit_name(c->difference_unit),
          mt_contrast_name(c->contrast));
  if (c->why[0] != '\0')
    put_text(w, ",\"why\":", c->why);
  fputc('}', w->out);
}

static void put_points(writer *w, const char *key, const double *points, const double *uncertainty, size_t n)
{
  fprintf(w->out, ",\"%s\":[", key);
  for (size_t i = 0; i < n; i++)
    if (uncertainty != NULL && uncertainty[i] >= MT_COMPARE_BOUND)
      fputs(i > 0 ? ",null" : "null", w->out);
    else
      put_number(w, i > 0 ? "," : "", points[i]);
  fputc(']', w->out);
}

static void put_curve(writer *w, const mt_compared_curve *c)
{
  char channel[8];

  fprintf(w->out, "{\"quantity\":\"%s\",\"channel\":\"%s\"", mt_quantity_describe(c->quantity)->name,
          mt_channel_name(c->channel, channel));
  put_text(w, ",\"segment\":", c->segment);
  put_text(w, ",\"state\":", c->state);
  fprintf(w->out,
          ",\"x_unit\":\"%s\",\"difference_unit\":\"%s\",\"contrast\":\"%s\",\"beyond\":%zu,\"usable\":%zu",
          mt_unit_name(c->x_unit), mt_unit_name(mt_compare_unit(c->quantity)), mt_contrast_name(c->contrast),
          c->nbeyond, c->nusable);
  if (c->nusable > 0)
    put_number(w, ",\"worst_x\":", c->x[c->worst]);
  if (c->why[0] != '\0')
    put_text(w, ",\"why\":", c->why);
  put_points(w, "x", c->x, NULL, c->npoints);
  put_points(w, "a", c->a, NULL, c->npoints);
  put_points(w, "b", c->b, NULL, c->npoints);
  put_points(w, "difference", c->difference, c->uncertainty, c->npoints);
  put_points(w, "uncertainty", c->uncertainty, c->uncertainty, c->npoints);
  fputc('}', w->out);
}

static void put_verdict(writer *w, const char *key, mt_verdict verdict)
{
  if (verdict == MT_VERDICT_NONE)
    fprintf(w->out, ",\n \"%s\":null", key);
  else
    fprintf(w->out, ",\n \"%s\":\"%s\"", key, mt_verdict_name(verdict));
}

static void put_comparison(writer *w, const mt_comparison *c, const char *name_a, const char *name_b)
{
  fputs("{\"format\":\"mendtone-comparison\",\n \"format_version\":1,\n \"tool_version\":\"" MT_VERSION "\"",
        w->out);
  put_text(w, ",\n \"a\":", name_a);
  put_text(w, ",\n \"b\":", name_b);
  fprintf(w->out, ",\n \"channels\":%s", c->of_channels ? "true" : "false");
  put_verdict(w, "verdict_a", c->verdict_a);
  put_verdict(w, "verdict_b", c->verdict_b);
  fprintf(w->out, ",\n \"compared\":%zu,\n \"different\":%zu,\n \"conditions\":[", c->nnumbers,
          c->ndifferent);
  for (size_t i = 0; i < c->nconditions; i++) {
    put_text(w, i > 0 ? ",\n  {\"name\":" : "\n  {\"name\":", c->conditions[i].name);
    put_text(w, ",\"text\":", c->conditions[i].text);
    fputc('}', w->out);
  }
  fputs("],\n \"readings\":[", w->out);
  for (size_t i = 0; i < c->nreadings; i++) {
    fputs(i > 0 ? ",\n  " : "\n  ", w->out);
    put_reading(w, &c->readings[i]);
  }
  fputs("],\n \"curves\":[", w->out);
  for (size_t i = 0; i < c->ncurves; i++) {
    fputs(i > 0 ? ",\n  " : "\n  ", w->out);
    put_curve(w, &c->curves[i]);
  }
  fputs("]}\n", w->out);
}

mt_code mt_report_comparison_json(const mt_comparison *comparison, const char *name_a, const char *name_b,
                                  char **out, mt_error *err)
{
  char *text = NULL;
  size_t size;
  writer w = {open_memstream(&text, &size), MT_OK, err};
  bool failed;

  if (w.out == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a comparison as JSON");
  put_comparison(&w, comparison, name_a, name_b);
  failed = ferror(w.out) != 0;
  failed = fclose(w.out) != 0 || failed;
  if (failed && w.code == MT_OK)
    w.code = mt_fail(err, MT_E_MEMORY, "out of memory for a comparison as JSON");
  if (w.code == MT_OK)
    *out = text;
  else
    free(text);
  return w.code;
}
