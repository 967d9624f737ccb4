#include "report/curve_lines.h"

#include "report/layout.h"

#include <math.h>
#include <string.h>

/* What a curve is summed up by. */
typedef enum extreme {
  HIGHEST,
  LOWEST,
  FURTHEST /* from 0 */
} extreme;

static const struct {
  mt_quantity quantity;
  mt_unit x_unit;
  extreme extreme;
  const char *words;
} kinds[] = {
    {MT_Q_HARMONIC_2, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_HARMONIC_3, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_HARMONIC_4, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_HARMONIC_5, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_THD_F, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_CROSSTALK, MT_UNIT_HZ, HIGHEST, "highest"},
    {MT_Q_PHASE_DIFFERENCE, MT_UNIT_HZ, FURTHEST, "furthest"},
    {MT_Q_LINEARITY, MT_UNIT_DBFS, FURTHEST, "furthest"},
    {MT_Q_THD_N, MT_UNIT_DBFS, LOWEST, "lowest"},
};

#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0

static double merit(extreme e, double y)
{
  return e == HIGHEST ? y : e == LOWEST ? -y : fabs(y);
}

/* Among the points told from the noise, or among all if there are none. @return npoints if there are none at all. */
static size_t find_extreme(const mt_curve *c, extreme e, bool *is_told)
{
  size_t best = c->npoints;

  *is_told = false;
  for (size_t i = 0; i < c->npoints; i++) {
    bool told = c->floor == NULL || c->uncertainty[i] < MT_CURVE_BOUND_DB;
    if (mt_curve_x_unit(c) == MT_UNIT_HZ && (c->x[i] < BAND_FROM_HZ || c->x[i] > BAND_TO_HZ))
      continue;
    if (best == c->npoints || (told && !*is_told) ||
        (told == *is_told && merit(e, c->y[i]) > merit(e, c->y[best]))) {
      best = i;
      *is_told = told;
    }
  }
  return best;
}

static void describe_place(const mt_curve *c, size_t i, char out[48])
{
  if (mt_curve_x_unit(c) == MT_UNIT_DBFS)
    snprintf(out, 48, "%.0f dBFS played", c->x[i]);
  else if (c->x[i] < 999.5)
    snprintf(out, 48, "%.3g Hz", c->x[i]);
  else
    snprintf(out, 48, "%.3g kHz", c->x[i] / 1e3);
}

static void describe(const mt_curve *c, extreme e, const char *words, char *out, size_t size)
{
  const mt_quantity_info *info = mt_quantity_describe(c->quantity);
  bool is_told = false;
  size_t i = find_extreme(c, e, &is_told);
  int decimals;
  char value[32], place[48];

  if (c->validity != MT_VALID || i == c->npoints) {
    snprintf(out, size, "%s", c->why[0] != '\0' ? c->why : "not read");
    return;
  }
  describe_place(c, i, place);
  decimals = mt_layout_decimals(info->unit, is_told ? c->uncertainty[i] : 1.0);
  mt_layout_value(c->y[i], decimals > 2 ? 2 : decimals, value);
  if (is_told)
    snprintf(out, size, "%s %s %s at %s", words, value, mt_unit_name(info->unit), place);
  else
    snprintf(out, size, "not told from noise, at most %s %s", value, mt_unit_name(info->unit));
}

/* One quantity in one state: both channels on a line. */
static void print_kind(const mt_results *results, size_t kind, const mt_curve *first, FILE *out)
{
  char text[600];
  int n = snprintf(text, sizeof text, "%s", mt_quantity_describe(first->quantity)->label);

  if (strcmp(first->state, "default") != 0 && first->state[0] != '\0')
    n += snprintf(text + n, sizeof text - (size_t)n, " (state %s)", first->state);
  for (const mt_curve *c = first; c < results->curves + results->ncurves; c++) {
    char channel[8], words[200];
    if (c->quantity != first->quantity || mt_curve_x_unit(c) != kinds[kind].x_unit ||
        strcmp(c->state, first->state) != 0 || (size_t)n > sizeof text - 220)
      continue;
    describe(c, kinds[kind].extreme, kinds[kind].words, words, sizeof words);
    n += snprintf(text + n, sizeof text - (size_t)n, "%s %s%s%s", c == first ? ":" : ";",
                  c->channel < 0 ? "" : mt_channel_name(c->channel, channel), c->channel < 0 ? "" : " ",
                  words);
  }
  mt_layout_wrap(out, "  ", "    ", text);
}

static bool is_first_of_state(const mt_results *results, size_t kind, const mt_curve *c)
{
  for (const mt_curve *before = results->curves; before < c; before++)
    if (before->quantity == c->quantity && mt_curve_x_unit(before) == kinds[kind].x_unit &&
        strcmp(before->state, c->state) == 0)
      return false;
  return true;
}

void mt_report_curve_lines(const mt_results *results, FILE *out)
{
  mt_unit titled = MT_UNIT_NONE;

  for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++)
    for (size_t i = 0; i < results->ncurves; i++) {
      const mt_curve *c = &results->curves[i];
      if (c->quantity != kinds[k].quantity || mt_curve_x_unit(c) != kinds[k].x_unit ||
          !is_first_of_state(results, k, c))
        continue;
      if (titled != kinds[k].x_unit)
        fputs(kinds[k].x_unit == MT_UNIT_HZ ? "\nOver frequency, 20 Hz to 20 kHz\n" : "\nOver level\n", out);
      titled = kinds[k].x_unit;
      print_kind(results, k, c, out);
    }
}

/* ---- extras ---------------------------------------------------------------------------------------- */

const char *mt_report_extra_segment(const char *segment)
{
  static const struct {
    const char *segment, *words;
  } table[] = {
      {"imd-250-8000", "250 Hz and 8 kHz, 4 to 1"},
      {"imd-41-7993", "41 Hz and 7993 Hz, 4 to 1"},
      {"imd-11000-11080", "11 kHz and 11.08 kHz, alike"},
      {"imd-18k-20k", "18 kHz and 20 kHz, alike"},
      {"imd-8000-11950", "8 kHz and 11.95 kHz, alike"},
      {"levels", "a tone in steps up to the maximum level"},
      {"turn", "a tone on each channel while a knob is turned"},
  };

  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
    if (strcmp(segment, table[i].segment) == 0)
      return table[i].words;
  return NULL;
}

void mt_report_definitions(const mt_results *results, FILE *out)
{
  bool titled = false;

  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    /* several knobs may be turned: the state tells which */
    bool is_turned = strcmp(r->segment, "turn") == 0;
    const char *words = is_turned ? r->state : mt_report_extra_segment(r->segment);
    bool is_new = r->definition[0] != '\0';
    char text[300];
    for (size_t k = 0; k < i && is_new; k++)
      is_new = strcmp(results->readings[k].segment, r->segment) != 0 ||
               strcmp(results->readings[k].definition, r->definition) != 0 ||
               (is_turned && (results->readings[k].quantity != r->quantity ||
                              strcmp(results->readings[k].state, r->state) != 0));
    if (!is_new)
      continue;
    if (!titled)
      fputs("\nAs defined by\n", out);
    titled = true;
    snprintf(text, sizeof text, "%s, %s: %s", mt_quantity_describe(r->quantity)->label,
             words != NULL ? words : r->segment, r->definition);
    mt_layout_wrap(out, "  ", "    ", text);
  }
}
