/* The response in a row for each channel, and its corners in words. */
#include <mendtone/report.h>

#include "base/text.h"
#include "report/layout.h"
#include "report/text_row.h"
#include "report/text_sections.h"

#include <math.h>
#include <string.h>

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

static bool is_same_reason(const mt_curve *a, const mt_curve *b)
{
  return a->quantity == b->quantity && a->channel == b->channel && strcmp(a->why, b->why) == 0;
}

/* One reason may stop a channel in many states. */
static void print_reason_once(const mt_results *results, size_t index, FILE *out)
{
  const mt_curve *c = &results->curves[index];
  char channel[8], text[200];

  for (size_t i = 0; i < index; i++)
    if (is_same_reason(&results->curves[i], c))
      return;
  snprintf(text, sizeof text, "%s: %s", mt_channel_name(c->channel, channel),
           c->why[0] != '\0' ? c->why : mt_report_validity_words[c->validity]);
  mt_layout_wrap(out, "  ", "    ", text);
}

static void print_curves(const mt_results *results, mt_quantity quantity, const char *title, FILE *out)
{
  static const double freqs_hz[] = {20.0, 50.0, 100.0, 1000.0, 10000.0, 20000.0};
  bool any = false;

  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *c = &results->curves[i];
    if (c->quantity != quantity)
      continue;
    if (!any)
      fprintf(out, "\n%-16s    20 Hz    50 Hz   100 Hz    1 kHz   10 kHz   20 kHz      +/-\n", title);
    any = true;
    if (c->validity == MT_VALID)
      print_curve_row(c, freqs_hz, sizeof freqs_hz / sizeof freqs_hz[0], out);
    else
      print_reason_once(results, i, out);
  }
}

void mt_report_response(const mt_results *results, FILE *out)
{
  print_curves(results, MT_Q_RESPONSE, "Response, dB", out);
  for (size_t i = 0; i < results->ncurves; i++)
    if (results->curves[i].quantity == MT_Q_RESPONSE && results->curves[i].validity == MT_VALID)
      print_corners(results, &results->curves[i], out);
  print_curves(results, MT_Q_DIFFERENCE, "Difference, dB", out);
}
