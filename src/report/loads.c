#include "report/loads.h"

#include "judge/wording.h"
#include "report/layout.h"

#include "base/text.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

const char *const mt_loads_note = "Impedance is told from ratios of levels: what a sound card repeats to, "
                                  "about 0.01 dB, and the resistors' "
                                  "tolerance are in each figure. Thousandths of an ohm need a bridge.";

MT_PRINTF(3, 4)
static void append(char *out, size_t size, const char *fmt, ...)
{
  char text[256];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(out + strlen(out), size - strlen(out), text);
}

static const mt_reading *beside(const mt_results *results, const mt_reading *r, mt_quantity quantity,
                                const char *segment)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *other = &results->readings[i];
    if (other->quantity == quantity && other->channel == r->channel && strcmp(other->state, r->state) == 0 &&
        strcmp(other->segment, segment) == 0)
      return other;
  }
  return NULL;
}

/* "10.29 ohm +-0.15", or what it is at most or at least. */
static void append_figure(const mt_reading *r, const char *plus_minus, char *out, size_t size)
{
  mt_unit unit = mt_quantity_describe(r->quantity)->unit;
  char value[48], uncertainty[32];

  if (r->validity == MT_RIG_LIMITED) {
    append(out, size, "%s %s", mt_quantity_bound_is_least(r->quantity) ? "at least" : "at most",
           mt_wording_value(r->value, 0.1 * r->value, unit, value, sizeof value));
    return;
  }
  mt_layout_uncertainty(r->uncertainty, mt_layout_decimals(unit, r->uncertainty), uncertainty);
  append(out, size, "%s %s%s", mt_wording_value(r->value, r->uncertainty, unit, value, sizeof value),
         plus_minus, uncertainty);
}

static bool has_number(const mt_reading *r)
{
  return r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

static void append_capacitor(const mt_results *results, const mt_reading *r, const char *plus_minus,
                             char *out, size_t size)
{
  const mt_reading *farad = beside(results, r, MT_Q_OUTPUT_CAPACITANCE, "sweep");
  const mt_reading *corner = beside(results, r, MT_Q_LOAD_CORNER, "sweep");

  if (!has_number(farad) || !has_number(corner))
    return;
  if (farad->validity == MT_RIG_LIMITED) {
    append(out, size, "; no output capacitor is seen: none, or ");
    append_figure(farad, plus_minus, out, size);
    return;
  }
  append(out, size, "; output capacitor ");
  append_figure(farad, plus_minus, out, size);
  append(out, size, ", its corner with this load ");
  append_figure(corner, plus_minus, out, size);
}

static void append_power(const mt_results *results, const mt_reading *r, char *out, size_t size)
{
  static const struct {
    const char *segment, *words;
  } where[] = {{"both", "at the tone"}, {"levels", "at the maximum level"}};

  for (size_t i = 0; i < sizeof where / sizeof where[0]; i++) {
    const mt_reading *power = beside(results, r, MT_Q_OUTPUT_POWER, where[i].segment);
    char value[48];
    if (power == NULL || power->validity != MT_VALID)
      continue;
    append(out, size, "; %s %s",
           mt_wording_value(1e3 * power->value, 1e3 * power->uncertainty, MT_UNIT_MILLIWATT, value,
                            sizeof value),
           where[i].words);
  }
}

bool mt_loads_sentence(const mt_results *results, size_t index, const char *plus_minus, char *out,
                       size_t size)
{
  const mt_reading *r = &results->readings[index];
  char channel[8];

  if (r->quantity != MT_Q_OUTPUT_IMPEDANCE || !has_number(r) || !(r->load_ohm > 0.0))
    return false;
  out[0] = '\0';
  append(out, size, "%s (%.4g ohm), %s: output impedance ", r->state, r->load_ohm,
         mt_channel_name(r->channel, channel));
  append_figure(r, plus_minus, out, size);
  if (r->value > 0.0) {
    double factor = r->load_ohm / r->value;
    append(out, size, ", damping factor %s%.*f", r->validity == MT_RIG_LIMITED ? "at least " : "",
           factor < 10.0 ? 1 : 0, factor);
  }
  if (r->sway_ohm > 0.0)
    append(out, size, " (0.01 dB of error is %.2g ohm)", r->sway_ohm);
  append_capacitor(results, r, plus_minus, out, size);
  append_power(results, r, out, size);
  return true;
}
