#include "judge/wording.h"

#include "base/decibel.h"
#include "base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define MAX_DECIMALS 9

/* What a newcomer would call it, where the table's label is too short for a sentence. */
static const char *const nouns[MT_Q_LAST] = {
    [MT_Q_FREQUENCY] = "tone frequency",
    [MT_Q_ROUTE] = "route",
    [MT_Q_THD_F] = "harmonic distortion (THD)",
    [MT_Q_THD_R] = "harmonic distortion (THD, re total)",
    [MT_Q_THD_N] = "distortion and noise (THD+N)",
    [MT_Q_SINAD] = "signal to noise and distortion (SINAD)",
    [MT_Q_NOISE_A] = "noise (A-weighted)",
    [MT_Q_NOISE_CCIR] = "noise (CCIR-weighted)",
    [MT_Q_NOISE_468] = "noise (468 quasi-peak)",
    [MT_Q_SPURIOUS] = "foreign line",
    [MT_Q_SNR] = "signal-to-noise ratio",
    [MT_Q_PEAK] = "highest sample",
    [MT_Q_MAX_LEVEL] = "largest undistorted level",
    [MT_Q_DROPOUTS] = "number of dropouts",
    [MT_Q_BOOST_FREQ] = "frequency of the largest boost",
    [MT_Q_TRACKING_ERROR_40] = "tracking error down to -40 dB",
    [MT_Q_TRACKING_ERROR_60] = "tracking error down to -60 dB",
    [MT_Q_CONTROL_STEPS] = "number of steps",
    [MT_Q_SCRATCHES] = "number of scratches",
    [MT_Q_DEAD_SPOTS] = "number of dead spots",
    [MT_Q_LEVEL_JUMPS] = "number of level jumps",
};

/* Formatted and bounded; what does not fit is cut at a whole character. */
MT_PRINTF(3, 4)
static void put(char *out, size_t size, const char *fmt, ...)
{
  char whole[512];
  va_list args;

  va_start(args, fmt);
  vsnprintf(whole, sizeof whole, fmt, args);
  va_end(args);
  mt_text_copy(out, size, whole);
}

static const char *noun(const mt_judgement *j, char *out, size_t size)
{
  if (j->quantity == MT_Q_HARMONIC && j->order > 0)
    put(out, size, "harmonic %d", j->order);
  else if (j->quantity == MT_Q_HUM_LINE)
    put(out, size, "hum at the mains frequency x %d", j->order);
  else
    mt_text_copy(out, size,
                 nouns[j->quantity] != NULL ? nouns[j->quantity] : mt_quantity_describe(j->quantity)->label);
  return out;
}

static bool is_logarithmic(mt_unit unit)
{
  return unit == MT_UNIT_DB || unit == MT_UNIT_DB_PER_OCTAVE || unit == MT_UNIT_DBFS || unit == MT_UNIT_DBV ||
         unit == MT_UNIT_DBU;
}

/* A ratio in % is known to so many dB; both ways to the same number of %. */
static double own_uncertainty(double value, double uncertainty, mt_unit unit)
{
  if (unit == MT_UNIT_PERCENT || unit == MT_UNIT_VOLT)
    return fabs(value) * (mt_ratio_of_db(uncertainty) - 1.0);
  return uncertainty;
}

static int clamp(double x, int low, int high)
{
  return x < low ? low : x > high ? high : (int)x;
}

/* Decimals that the uncertainty leaves: its first figure is the last one shown. */
static int count_certain(double uncertainty)
{
  return uncertainty > 0.0 ? clamp(-floor(log10(uncertainty)), 0, MAX_DECIMALS) : MAX_DECIMALS;
}

static int count_decimals(double value, double uncertainty, mt_unit unit)
{
  int certain = count_certain(own_uncertainty(value, uncertainty, unit));
  int readable = 2;

  if (unit == MT_UNIT_COUNT)
    return 0;
  if (!is_logarithmic(unit) && value != 0.0)
    readable = clamp(2.0 - floor(log10(fabs(value))), 0, MAX_DECIMALS);
  return certain < readable ? certain : readable;
}

/* Never "-0.00". */
static void print_number(double value, int decimals, char *out, size_t size)
{
  put(out, size, "%.*f", decimals, value);
  if (out[0] == '-' && strspn(out + 1, "0.") == strlen(out + 1))
    memmove(out, out + 1, strlen(out));
}

/* A blank and the unit; nothing for what is counted. */
static const char *unit_after(mt_unit unit, char out[24])
{
  out[0] = '\0';
  if (unit != MT_UNIT_NONE && unit != MT_UNIT_COUNT)
    put(out, 24, " %s", mt_unit_name(unit));
  return out;
}

static void print_unit(mt_unit unit, char *out, size_t size)
{
  size_t used = strlen(out);
  char after[24];
  if (used < size)
    mt_text_copy(out + used, size - used, unit_after(unit, after));
}

const char *mt_wording_value(double value, double uncertainty, mt_unit unit, char *out, size_t size)
{
  print_number(value, count_decimals(value, uncertainty, unit), out, size);
  print_unit(unit, out, size);
  return out;
}

static int side_of(double value, double min, double max)
{
  return value > max ? 1 : value < min ? -1 : 0;
}

/* Rounding must not carry a value across its limit: "0.50 dB; at most 0.5 dB" would not explain a fail. */
static const char *value_beside_limit(const mt_judgement *j, double value, double min, double max, char *out,
                                      size_t size)
{
  int decimals = count_decimals(value, j->uncertainty, j->unit);

  for (; decimals <= MAX_DECIMALS; decimals++) {
    double shown;
    print_number(value, decimals, out, size);
    if (!mt_text_parse_number(out, &shown) || side_of(shown, min, max) == side_of(value, min, max))
      break;
  }
  print_unit(j->unit, out, size);
  return out;
}

const char *mt_wording_frequency(double freq_hz, char *out, size_t size)
{
  if (freq_hz < 999.5)
    put(out, size, "%.3g Hz", freq_hz);
  else
    put(out, size, "%.3g kHz", freq_hz / 1e3);
  return out;
}

const char *mt_wording_channel(mt_channel channel, char *out, size_t size)
{
  if (channel == MT_LEFT)
    mt_text_copy(out, size, "left channel");
  else if (channel == MT_RIGHT)
    mt_text_copy(out, size, "right channel");
  else if (channel >= 0)
    put(out, size, "channel %d", channel + 1);
  else
    mt_text_copy(out, size, "pair");
  return out;
}

/* "Left channel's noise", "Phase difference". */
static void write_subject(const mt_judgement *j, char *out, size_t size)
{
  char name[64], channel[24];

  noun(j, name, sizeof name);
  if (j->channel < 0)
    put(out, size, "%s", name);
  else
    put(out, size, "%s's %s", mt_wording_channel(j->channel, channel, sizeof channel), name);
  out[0] = (char)toupper((unsigned char)out[0]);
}

static bool is_symmetric(const mt_judgement *j)
{
  return isfinite(j->max) && j->min == -j->max;
}

/* "Right channel is 43.2 dB quieter than the left": the sign of a balance is easily misread. */
static void state_balance(const mt_judgement *j, char *out, size_t size)
{
  char text[48];

  value_beside_limit(j, fabs(j->value), -HUGE_VAL, j->max, text, sizeof text);
  put(out, size, "%s channel is %s quieter than the %s", j->value < 0.0 ? "Left" : "Right", text,
      j->value < 0.0 ? "right" : "left");
}

static void state_value(const mt_judgement *j, bool is_bound, char *out, size_t size)
{
  const char *verb = !is_bound                                 ? "is"
                     : mt_quantity_bound_is_least(j->quantity) ? "is at least"
                                                               : "is at most";
  char subject[112], text[48], at[24], where[32] = "";

  if (j->relative) {
    value_beside_limit(j, j->value, j->min, j->max, text, sizeof text);
    write_subject(j, subject, sizeof subject);
    if (j->at_hz > 0.0)
      put(where, sizeof where, " at %s", mt_wording_frequency(j->at_hz, at, sizeof at));
    put(out, size, "%s%s %s %s%s re the reference", subject, where, verb, j->value > 0.0 ? "+" : "", text);
    return;
  }
  if (j->quantity == MT_Q_BALANCE && is_symmetric(j) && !is_bound) {
    state_balance(j, out, size);
    return;
  }
  value_beside_limit(j, j->value, j->min, j->max, text, sizeof text);
  if (j->quantity == MT_Q_CROSSTALK && (j->channel == MT_LEFT || j->channel == MT_RIGHT) && !is_bound) {
    put(out, size, "%s channel hears the %s at %s", j->channel == MT_LEFT ? "Left" : "Right",
        j->channel == MT_LEFT ? "right" : "left", text);
    return;
  }
  write_subject(j, subject, sizeof subject);
  if (j->at_hz > 0.0)
    put(where, sizeof where, " at %s", mt_wording_frequency(j->at_hz, at, sizeof at));
  put(out, size, "%s%s %s %s", subject, where, verb, text);
}

/* "at most 0.5 dB is allowed" */
static void state_limit(const mt_judgement *j, char *out, size_t size)
{
  char after[24];
  const char *unit = unit_after(j->unit, after);

  if (is_symmetric(j) && j->quantity == MT_Q_BALANCE && !j->relative)
    put(out, size, "at most %g%s is allowed", j->max, unit);
  else if (is_symmetric(j))
    put(out, size, "within +-%g%s is allowed", j->max, unit);
  else if (isfinite(j->min) && isfinite(j->max))
    put(out, size, "%g to %g%s is allowed", j->min, j->max, unit);
  else if (isfinite(j->max))
    put(out, size, "at most %g%s is allowed", j->max, unit);
  else
    put(out, size, "at least %g%s is required", j->min, unit);
}

/* Which of the two limits a doubtful value is nearer to. */
static double nearer_limit(const mt_judgement *j)
{
  return fabs(j->value - j->min) < fabs(j->max - j->value) ? j->min : j->max;
}

static void state_doubt(const mt_judgement *j, char *out, size_t size)
{
  double own = own_uncertainty(j->value, j->uncertainty, j->unit);
  double limit = nearer_limit(j);
  char text[48], after[24];

  if (j->quantity == MT_Q_BALANCE && is_symmetric(j) && !j->relative)
    limit = j->max;
  print_number(own, clamp(1.0 - floor(log10(own > 0.0 ? own : 1.0)), 0, MAX_DECIMALS), text, sizeof text);
  print_unit(j->unit, text, sizeof text);
  put(out, size, "+-%s, too close to the limit of %g%s to be sure", text, limit, unit_after(j->unit, after));
}

void mt_wording_judge(mt_judgement *j, mt_validity validity)
{
  bool is_bound = validity == MT_RIG_LIMITED;
  char value[112], limit[80];

  state_value(j, is_bound, value, sizeof value);
  if (is_bound && j->verdict != MT_VERDICT_PASS) {
    state_limit(j, limit, sizeof limit);
    put(j->text, sizeof j->text, "%s: only a bound; %s", value, limit);
  } else if (j->verdict == MT_VERDICT_UNDECIDED) {
    state_doubt(j, limit, sizeof limit);
    put(j->text, sizeof j->text, "%s %s", value, limit);
  } else {
    state_limit(j, limit, sizeof limit);
    put(j->text, sizeof j->text, "%s; %s", value, limit);
  }
}

void mt_wording_undecided(mt_judgement *j, const char *why)
{
  char subject[112];

  write_subject(j, subject, sizeof subject);
  put(j->text, sizeof j->text, "%s cannot be judged: %s", subject, why);
}

const char *mt_wording_reason(mt_validity validity, const char *why)
{
  if (why[0] != '\0')
    return why;
  switch (validity) {
  case MT_NO_SIGNAL: return "there is no signal";
  case MT_CLIPPED: return "the capture is clipped";
  case MT_DROPOUT: return "the signal dropped out meanwhile";
  case MT_RIG_LIMITED: return "only a bound of it is known";
  case MT_NOT_MEASURED: return "it was not measured";
  case MT_VALID: break;
  }
  return "the reading is not a usable number";
}
