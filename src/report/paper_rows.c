#include "report/paper_rows.h"

#include "report/paper_words.h"

#include "judge/wording.h"

#include "base/decibel.h"
#include "base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- pairs ------------------------------------------------------------------------------------ */

static bool is_same_limit(const mt_judgement *a, const mt_judgement *b)
{
  return a->quantity == b->quantity && a->channel == b->channel && a->order == b->order &&
         a->implied == b->implied && strcmp(a->segment, b->segment) == 0 && strcmp(a->state, b->state) == 0 &&
         a->unit == b->unit && a->from_hz == b->from_hz && a->to_hz == b->to_hz;
}

/* The k-th like judgement of one goes with the k-th of the other: of unwanted lines there are several. */
static const mt_judgement *find_partner(const mt_results *results, const mt_judgement *like, size_t k)
{
  for (size_t i = 0; results != NULL && i < results->njudgements; i++)
    if (is_same_limit(&results->judgements[i], like) && k-- == 0)
      return &results->judgements[i];
  return NULL;
}

static size_t count_before(const mt_results *results, size_t index)
{
  size_t k = 0;

  for (size_t i = 0; i < index; i++)
    k += is_same_limit(&results->judgements[i], &results->judgements[index]);
  return k;
}

/* What lies so near the floor that only a bound of it is known. */
static bool is_bound(const mt_results *results, const mt_judgement *j)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->validity == MT_RIG_LIMITED && r->quantity == j->quantity && r->channel == j->channel &&
        r->order == j->order && strcmp(r->segment, j->segment) == 0 && strcmp(r->state, j->state) == 0 &&
        (j->quantity != MT_Q_SPURIOUS || r->freq_hz == j->at_hz))
      return j->has_value && j->from_hz == 0.0 && j->to_hz == 0.0;
  }
  return false;
}

static paper_row row_of(const mt_results *before, const mt_judgement *a, const mt_results *now,
                        const mt_judgement *b)
{
  return (paper_row){a, b, a != NULL && is_bound(before, a), b != NULL && is_bound(now, b)};
}

paper_row *paper_rows_make(const mt_results *before, const mt_results *now, size_t *nrows)
{
  size_t most = now->njudgements + (before != NULL ? before->njudgements : 0);
  paper_row *rows = calloc(most + 1, sizeof *rows);

  *nrows = 0;
  if (rows == NULL)
    return NULL;
  for (size_t i = 0; i < now->njudgements; i++) {
    const mt_judgement *j = &now->judgements[i];
    rows[(*nrows)++] = row_of(before, find_partner(before, j, count_before(now, i)), now, j);
  }
  for (size_t i = 0; before != NULL && i < before->njudgements; i++) {
    const mt_judgement *j = &before->judgements[i];
    if (find_partner(now, j, count_before(before, i)) == NULL)
      rows[(*nrows)++] = row_of(before, j, now, NULL);
  }
  return rows;
}

/* ---- words ------------------------------------------------------------------------------------ */

static void append(char *out, size_t size, const char *text)
{
  size_t used = strlen(out);

  if (used < size)
    mt_text_copy(out + used, size - used, text);
}

static const char *capitalise(char *out)
{
  out[0] = (char)toupper((unsigned char)out[0]);
  return out;
}

const char *paper_row_name(const mt_judgement *j, char *out, size_t size)
{
  char channel[8], text[80], a[24], b[24];

  if (j->quantity == MT_Q_ROUTE)
    snprintf(out, size, "heard on the %s", j->channel < 0 ? "pair" : mt_channel_name(j->channel, channel));
  else
    snprintf(out, size, "%s%s%s", mt_quantity_describe(j->quantity)->label, j->channel < 0 ? "" : ", ",
             j->channel < 0 ? "" : mt_channel_name(j->channel, channel));
  if (j->order > 0) {
    snprintf(text, sizeof text, ", order %d", j->order);
    append(out, size, text);
  }
  if (j->from_hz > 0.0 && j->to_hz > 0.0) {
    snprintf(text, sizeof text, ", %s to %s", mt_wording_frequency(j->from_hz, a, sizeof a),
             mt_wording_frequency(j->to_hz, b, sizeof b));
    append(out, size, text);
  }
  if (strcmp(j->segment, "low") == 0)
    append(out, size, ", low level");
  if (j->state[0] != '\0' && strcmp(j->state, "default") != 0) {
    snprintf(text, sizeof text, " (%.40s)", j->state);
    append(out, size, text);
  }
  return capitalise(out);
}

static const char *route_words(double value)
{
  switch ((mt_route)(int)value) {
  case MT_ROUTE_NONE: return "nothing";
  case MT_ROUTE_LEFT: return "left";
  case MT_ROUTE_RIGHT: return "right";
  case MT_ROUTE_BOTH: return "both channels";
  }
  return "nothing";
}

/* Of what lies far inside its limit, a hundredth of the limit is enough to know. */
static int decimals_beside_limit(const mt_judgement *j)
{
  double scale = fmax(isfinite(j->min) ? fabs(j->min) : 0.0, isfinite(j->max) ? fabs(j->max) : 0.0);

  return scale > 0.0 ? (int)fmax(0.0, 2.0 - floor(log10(scale))) : 9;
}

static void cut_decimals(double value, int most, mt_unit unit, char *out, size_t size)
{
  const char *point = strchr(out, '.');

  if (point == NULL || (int)strspn(point + 1, "0123456789") <= most || fabs(value) >= 1e9)
    return;
  snprintf(out, size, "%.*f", most, value);
  if (out[0] == '-' && strspn(out + 1, "0.") == strlen(out + 1))
    memmove(out, out + 1, strlen(out));
  append(out, size, " ");
  append(out, size, mt_unit_name(unit));
}

/* As it is written in a report: "12.0\xc2\xb0", "3", not "12.0 deg", "3 count". */
static void tidy_unit(mt_unit unit, char *out, size_t size)
{
  char *space = strrchr(out, ' ');

  if (space == NULL || (unit != MT_UNIT_DEGREE && unit != MT_UNIT_COUNT))
    return;
  *space = '\0';
  if (unit == MT_UNIT_DEGREE)
    append(out, size, "\xc2\xb0");
}

/* The bound stands before the number. */
static void mark_bound(const mt_judgement *j, char *out, size_t size)
{
  char number[64];
  size_t end;

  mt_text_copy(number, sizeof number, out);
  end = strspn(number, "-.0123456789");
  /* less than the last place shown is no more than one of it */
  if (end > 0 && strcspn(number, "123456789") == strlen(number) && !mt_quantity_bound_is_least(j->quantity))
    number[end - 1] = '1';
  snprintf(out, size, "%s %s", mt_quantity_bound_is_least(j->quantity) ? ">" : "<", number);
}

const char *paper_row_value(const mt_judgement *j, bool is_bound, char *out, size_t size)
{
  if (!j->has_value)
    mt_text_copy(out, size, "not known");
  else if (j->quantity == MT_Q_ROUTE)
    mt_text_copy(out, size, route_words(j->value));
  else if (j->quantity == MT_Q_POLARITY)
    mt_text_copy(out, size, j->value > 0.0 ? "normal" : "inverted");
  else {
    mt_wording_value(j->value, j->uncertainty, j->unit, out, size);
    cut_decimals(j->value, decimals_beside_limit(j), j->unit, out, size);
    tidy_unit(j->unit, out, size);
    if (is_bound)
      mark_bound(j, out, size);
  }
  return out;
}

const char *paper_row_limit(const mt_judgement *j, char *out, size_t size)
{
  const char *unit = mt_unit_name(j->unit);

  if (j->quantity == MT_Q_ROUTE)
    snprintf(out, size, "%s", isfinite(j->min) ? route_words(j->min) : "its own");
  else if (j->quantity == MT_Q_POLARITY)
    snprintf(out, size, "%s", isfinite(j->min) ? (j->min > 0.0 ? "normal" : "inverted") : "either");
  else if (isfinite(j->max) && j->min == -j->max)
    snprintf(out, size, "within \xc2\xb1%g %s", j->max, unit);
  else if (isfinite(j->min) && isfinite(j->max))
    snprintf(out, size, "%g to %g %s", j->min, j->max, unit);
  else if (isfinite(j->max))
    snprintf(out, size, "at most %g %s", j->max, unit);
  else if (isfinite(j->min))
    snprintf(out, size, "at least %g %s", j->min, unit);
  else
    snprintf(out, size, "no limit");
  tidy_unit(j->unit, out, size);
  return out;
}

static bool is_a_word(mt_quantity quantity)
{
  return quantity == MT_Q_ROUTE || quantity == MT_Q_POLARITY;
}

/* In the unit of the value: what is known to so many dB of a value in %, in %. */
static double own_uncertainty(const mt_judgement *j)
{
  if (j->unit == MT_UNIT_PERCENT || j->unit == MT_UNIT_VOLT)
    return fabs(j->value) * (mt_ratio_of_db(j->uncertainty) - 1.0);
  return j->uncertainty;
}

/* Whether a change reckoned with a bound is one itself: as far or further. Else it says nothing. */
static bool is_at_least(const paper_row *row, double difference)
{
  bool is_least = mt_quantity_bound_is_least(row->now->quantity);

  /* what lies below its bound has fallen further, and risen by more from there */
  return (difference < 0.0) == (row->now_is_bound != is_least) && difference != 0.0;
}

const char *paper_row_change(const paper_row *row, char *out, size_t size)
{
  const mt_judgement *a = row->before, *b = row->now;
  mt_unit unit = b != NULL ? b->unit : MT_UNIT_NONE;
  double difference, uncertainty;
  bool is_nothing, has_bound = row->before_is_bound || row->now_is_bound;
  char text[48];

  out[0] = '\0';
  if (a == NULL || b == NULL || !a->has_value || !b->has_value || is_a_word(b->quantity) ||
      (row->before_is_bound && row->now_is_bound))
    return out;
  difference = b->value - a->value;
  if (has_bound && !is_at_least(row, difference))
    return out;
  uncertainty = hypot(own_uncertainty(a), own_uncertainty(b));
  if (unit == MT_UNIT_DBFS || unit == MT_UNIT_DBV)
    unit = MT_UNIT_DB;
  /* the wording takes the uncertainty of a ratio in dB */
  mt_wording_value(difference,
                   unit != MT_UNIT_PERCENT ? uncertainty
                   : difference != 0.0     ? mt_db_of_ratio(1.0 + uncertainty / fabs(difference))
                                           : 0.0,
                   unit, text, sizeof text);
  cut_decimals(difference, decimals_beside_limit(b), unit, text, sizeof text);
  tidy_unit(unit, text, sizeof text);
  is_nothing = strcspn(text, "123456789") == strlen(text);
  snprintf(out, size, "%s%s%s", difference > 0.0 && !is_nothing ? "+" : "", text,
           has_bound ? " or more" : "");
  return out;
}

const char *paper_verdict_word(mt_verdict verdict)
{
  switch (verdict) {
  case MT_VERDICT_PASS: return "pass";
  case MT_VERDICT_FAIL: return "missed";
  case MT_VERDICT_UNDECIDED: return "not decided";
  case MT_VERDICT_NONE: break;
  }
  return "";
}

/* "42 dB too quiet", "level with the left within 0.1 dB": of the channel that was the quieter one. */
static void say_balance(const mt_judgement *j, mt_channel quiet, char *out, size_t size)
{
  double behind = quiet == MT_RIGHT ? j->value : -j->value;
  double within = fmax(0.1, ceil(10.0 * (fabs(j->value) + j->uncertainty)) / 10.0);

  if (!j->has_value)
    snprintf(out, size, "balance not known");
  else if (j->verdict == MT_VERDICT_PASS && within < 1.0)
    snprintf(out, size, "level with the %s within %.1f dB", quiet == MT_RIGHT ? "left" : "right", within);
  else
    snprintf(out, size, "%.*f dB %s%s", fabs(behind) < 10.0 ? 1 : 0, fabs(behind),
             j->verdict == MT_VERDICT_FAIL ? "too " : "more ", behind >= 0.0 ? "quiet" : "loud");
}

/* "Right channel: 42 dB too quiet before, level with the left within 0.2 dB now." */
static void say_balances(const paper_row *row, char *out, size_t size)
{
  const mt_judgement *j = row->now != NULL ? row->now : row->before;
  const mt_judgement *first = row->before != NULL && row->before->has_value ? row->before : j;
  mt_channel quiet = first->has_value && first->value < 0.0 ? MT_LEFT : MT_RIGHT;
  char before[80] = "", now[80] = "";

  if (row->before != NULL)
    say_balance(row->before, quiet, before, sizeof before);
  if (row->now != NULL)
    say_balance(row->now, quiet, now, sizeof now);
  snprintf(out, size, "%s channel: %s%s%s%s%s.", quiet == MT_RIGHT ? "Right" : "Left", before,
           row->before != NULL ? " before" : "", row->before != NULL && row->now != NULL ? ", " : "", now,
           row->before != NULL && row->now != NULL ? " now" : "");
}

static void say_plainly(const paper_row *row, char *out, size_t size)
{
  const mt_judgement *j = row->now != NULL ? row->now : row->before;
  const char *was = row->before != NULL ? paper_words_verdict(row->before) : "";
  const char *is = row->now != NULL ? paper_words_verdict(row->now) : "not checked";
  char channel[8], side[16] = "", state[48] = "";

  if (j->channel >= 0)
    snprintf(side, sizeof side, ", %s", mt_channel_name(j->channel, channel));
  if (j->state[0] != '\0' && strcmp(j->state, "default") != 0)
    snprintf(state, sizeof state, " (%.40s)", j->state);
  if (row->before == NULL)
    snprintf(out, size, "%s%s%s: %s.", paper_words_subject(j->quantity), side, state, is);
  else if (row->now != NULL && strcmp(was, is) == 0)
    snprintf(out, size, "%s%s%s: %s, before and now.", paper_words_subject(j->quantity), side, state, is);
  else
    snprintf(out, size, "%s%s%s: %s before, %s now.", paper_words_subject(j->quantity), side, state, was, is);
}

/* What is not decided is so for its uncertainty. */
static void say_value(const mt_judgement *j, bool is_bound, char *out, size_t size)
{
  char doubt[32];

  paper_row_value(j, is_bound, out, size);
  if (j->verdict != MT_VERDICT_UNDECIDED || !j->has_value || is_bound || !(j->uncertainty > 0.0))
    return;
  snprintf(doubt, sizeof doubt, " \xc2\xb1 %.2g", own_uncertainty(j));
  append(out, size, doubt);
}

/* The exact figures behind it. */
static void say_exactly(const paper_row *row, char *out, size_t size)
{
  const mt_judgement *j = row->now != NULL ? row->now : row->before;
  char name[120], before[80] = "", now[80] = "", limit[64];

  paper_row_name(j, name, sizeof name);
  paper_row_limit(j, limit, sizeof limit);
  if (row->before != NULL)
    say_value(row->before, row->before_is_bound, before, sizeof before);
  if (row->now != NULL)
    say_value(row->now, row->now_is_bound, now, sizeof now);
  snprintf(out, size, "%s: %s%s%s%s%s; %s is asked for.", name, before, row->before != NULL ? " before" : "",
           row->before != NULL && row->now != NULL ? ", " : "", now,
           row->before != NULL && row->now != NULL ? " now" : "", limit);
}

const char *paper_row_sentence(const paper_row *row, char *out, size_t size)
{
  const mt_judgement *j = row->now != NULL ? row->now : row->before;
  char plain[240], exact[320];

  if (j->quantity == MT_Q_BALANCE && !j->implied)
    say_balances(row, plain, sizeof plain);
  else
    say_plainly(row, plain, sizeof plain);
  say_exactly(row, exact, sizeof exact);
  snprintf(out, size, "%s %s", plain, exact);
  return out;
}
