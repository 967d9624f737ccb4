/* Which charts there are, and how each is made from results. A chart more: one row. */
#include <mendtone/chart.h>

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef enum kind {
  CHANNELS, /* left, right and whatever else has the curve */
  ORDERS_LEFT,
  ORDERS_RIGHT
} kind;

typedef struct row {
  const char *name;
  const char *title;
  const char *y_title;
  const char *meaning;
  mt_quantity quantity;
  const char *segment; /* "": whichever has it */
  mt_unit x_unit;
  bool shows_floor;
  bool is_noise; /* every point scatters by its uncertainty: the line shows that, a band would hide it */
  kind kind;
} row;

static const row rows[] = {
    {"response", "Response", "gain re 997 Hz, dB", "gain over frequency", MT_Q_RESPONSE, "", MT_UNIT_HZ,
     false, false, CHANNELS},
    {"difference", "Difference", "gain less that of the other state, dB",
     "what a switch changes, over frequency", MT_Q_DIFFERENCE, "", MT_UNIT_HZ, false, false, CHANNELS},
    {"harmonics_left", "Harmonics, left", "re the fundamental, dB", "harmonics 2 to 5 and THD, left",
     MT_Q_THD_F, "", MT_UNIT_HZ, true, true, ORDERS_LEFT},
    {"harmonics_right", "Harmonics, right", "re the fundamental, dB", "harmonics 2 to 5 and THD, right",
     MT_Q_THD_F, "", MT_UNIT_HZ, true, true, ORDERS_RIGHT},
    {"thd_f", "Harmonic distortion", "THD re the fundamental, dB", "THD over frequency", MT_Q_THD_F, "",
     MT_UNIT_HZ, true, true, CHANNELS},
    {"tone_spectrum", "Spectrum of the tone", "strongest bin, dBFS", "what stands beside the reference tone",
     MT_Q_SPECTRUM, "both", MT_UNIT_HZ, false, true, CHANNELS},
    {"idle_spectrum", "Spectrum of the idle noise", "strongest bin, dBFS", "nothing played: hum and lines",
     MT_Q_SPECTRUM, "idle", MT_UNIT_HZ, false, true, CHANNELS},
    {"noise_density", "Density of the idle noise", "dBFS in 1 Hz", "nothing played: noise per hertz",
     MT_Q_NOISE_DENSITY, "", MT_UNIT_HZ, false, true, CHANNELS},
    {"band_level", "Idle noise in third octaves", "level of the band, dBFS", "nothing played: third octaves",
     MT_Q_BAND_LEVEL, "", MT_UNIT_HZ, false, false, CHANNELS},
    {"crosstalk", "Crosstalk", "heard here re there, dB", "the other channel, over frequency", MT_Q_CROSSTALK,
     "", MT_UNIT_HZ, true, false, CHANNELS},
    {"linearity", "Gain over level", "gain re the reference level, dB", "gain over the level played",
     MT_Q_LINEARITY, "", MT_UNIT_DBFS, false, false, CHANNELS},
    {"thd_n", "Distortion and noise over level", "THD+N, dB", "THD+N over the level played", MT_Q_THD_N, "",
     MT_UNIT_DBFS, false, false, CHANNELS},
    {"phase", "Phase", "phase, degrees", "phase over frequency", MT_Q_PHASE, "", MT_UNIT_HZ, false, false,
     CHANNELS},
    {"phase_difference", "Phase between the channels", "left less right, degrees",
     "phase of the left less the right", MT_Q_PHASE_DIFFERENCE, "", MT_UNIT_HZ, false, false, CHANNELS},
    {"tracking_error", "Tracking of a control", "left less right re full, dB",
     "balance while a knob is turned, over attenuation", MT_Q_TRACKING_ERROR, "", MT_UNIT_DB, false, false,
     CHANNELS},
    {"balance", "Balance over time", "left less right, dB", "balance while a knob is turned", MT_Q_BALANCE,
     "", MT_UNIT_SECOND, false, false, CHANNELS},
    {"level", "Level over time", "level, dBFS", "level while watched or while a knob is turned; dropouts",
     MT_Q_LEVEL, "", MT_UNIT_SECOND, false, false, CHANNELS},
    {"group_delay", "Group delay", "group delay, ms", "group delay over frequency", MT_Q_GROUP_DELAY, "",
     MT_UNIT_HZ, false, false, CHANNELS},
};

#define NROWS (sizeof rows / sizeof rows[0])

static const row *find_row(const char *name)
{
  for (size_t i = 0; i < NROWS; i++)
    if (strcmp(rows[i].name, name) == 0)
      return &rows[i];
  return NULL;
}

const char *mt_chart_name(size_t index)
{
  return index < NROWS ? rows[index].name : NULL;
}

const char *mt_chart_nearest(const char *name)
{
  const char *names[NROWS];

  for (size_t i = 0; i < NROWS; i++)
    names[i] = rows[i].name;
  return mt_text_nearest(name, names, NROWS);
}

const char *mt_chart_meaning(const char *name)
{
  const row *r = find_row(name);

  return r != NULL ? r->meaning : NULL;
}

/* ---- which curves belong to it ---------------------------------------------------------------- */

typedef struct want {
  mt_quantity quantity;
  mt_unit x_unit;
  const char *segment;
  const char *state; /* NULL: any */
  mt_channel channel;
} want;

static bool is_usable(const mt_curve *c)
{
  return (c->validity == MT_VALID || c->validity == MT_RIG_LIMITED) && c->npoints > 0;
}

static bool fits(const mt_curve *c, const want *w)
{
  return c->quantity == w->quantity && mt_curve_x_unit(c) == w->x_unit &&
         (w->segment == NULL || w->segment[0] == '\0' || strcmp(c->segment, w->segment) == 0) &&
         (w->state == NULL || strcmp(c->state, w->state) == 0) &&
         (w->channel == MT_CHANNEL_ANY || c->channel == w->channel);
}

static const mt_curve *find(const mt_results *results, const want *w)
{
  for (size_t i = 0; i < results->ncurves; i++)
    if (fits(&results->curves[i], w))
      return &results->curves[i];
  return NULL;
}

static mt_channel channel_of(kind k)
{
  return k == ORDERS_LEFT ? MT_LEFT : k == ORDERS_RIGHT ? MT_RIGHT : MT_CHANNEL_ANY;
}

static want want_of(const row *r, const mt_chart_choice *choice)
{
  return (want){r->quantity, r->x_unit, choice->segment != NULL ? choice->segment : r->segment, choice->state,
                channel_of(r->kind)};
}

bool mt_chart_has(const mt_results *results, const char *name)
{
  const row *r = find_row(name);
  want w;

  if (r == NULL)
    return false;
  w = want_of(r, &(mt_chart_choice){.name = name});
  for (size_t i = 0; i < results->ncurves; i++)
    if (fits(&results->curves[i], &w) && is_usable(&results->curves[i]))
      return true;
  return false;
}

/* ---- lines ------------------------------------------------------------------------------------ */

static mt_chart_role role_of(mt_channel channel, bool is_earlier)
{
  switch (channel) {
  case MT_LEFT: return is_earlier ? MT_CHART_LEFT_EARLIER : MT_CHART_LEFT;
  case MT_RIGHT: return is_earlier ? MT_CHART_RIGHT_EARLIER : MT_CHART_RIGHT;
  case MT_CHANNEL_BOTH: return is_earlier ? MT_CHART_PAIR_EARLIER : MT_CHART_PAIR;
  default: return MT_CHART_OTHER;
  }
}

/* Times are read in seconds and drawn in milliseconds. */
static mt_unit drawn_unit(mt_quantity quantity)
{
  mt_unit unit = mt_quantity_describe(quantity)->unit;

  return unit == MT_UNIT_SECOND ? MT_UNIT_MILLISECOND : unit;
}

/* A scattering line keeps of its uncertainty only where it is no more than a bound. */
static mt_code add_points(mt_chart *chart, const mt_curve *c, mt_chart_role role, const char *label,
                          bool is_noise, mt_error *err)
{
  double scale = drawn_unit(c->quantity) == MT_UNIT_MILLISECOND ? 1000.0 : 1.0;
  double *y = malloc(2 * c->npoints * sizeof *y), *uncertainty = y != NULL ? y + c->npoints : NULL;
  mt_code code;

  if (y == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a line of %zu points", c->npoints);
  for (size_t i = 0; i < c->npoints; i++) {
    y[i] = scale * c->y[i];
    uncertainty[i] = scale * c->uncertainty[i];
    if (c->uncertainty[i] < MT_CURVE_BOUND_DB) /* in another unit, too, it is none */
      uncertainty[i] = is_noise ? 0.0 : fmin(uncertainty[i], 0.99 * MT_CURVE_BOUND_DB);
  }
  code = mt_chart_add_line(chart, role, label, c->npoints, c->x, y, uncertainty, err);
  free(y);
  return code;
}

static mt_code add_curve(mt_chart *chart, const mt_curve *c, mt_chart_role role, const char *label,
                         bool is_noise, mt_error *err)
{
  char text[48];

  if (is_usable(c))
    return add_points(chart, c, role, label, is_noise, err);
  snprintf(text, sizeof text, "%.24s: %.20s", label,
           c->validity == MT_NO_SIGNAL ? "no signal" : "not measured");
  return mt_chart_add_line(chart, role, text, 0, NULL, NULL, NULL, err);
}

static void name_line(mt_channel channel, const char *when, char out[48])
{
  char name[8];

  mt_channel_name(channel, name);
  snprintf(out, 48, "%s%s%.32s", channel == MT_CHANNEL_BOTH ? "left less right" : name,
           when != NULL ? ", " : "", when != NULL ? when : "");
}

static mt_code add_floor(mt_chart *chart, const mt_curve *c, const char *label, mt_error *err)
{
  return c->floor != NULL && is_usable(c)
             ? mt_chart_add_line(chart, MT_CHART_FLOOR, label, c->npoints, c->x, c->floor, NULL, err)
             : MT_OK;
}

static mt_code add_channels(mt_chart *chart, const mt_results *results, const want *w, const char *when,
                            bool is_earlier, const row *r, mt_error *err)
{
  mt_code code = MT_OK;
  size_t n = 0;

  for (size_t i = 0; i < results->ncurves && code == MT_OK && n < 4; i++) {
    const mt_curve *c = &results->curves[i];
    char label[48];
    if (!fits(c, w))
      continue;
    /* one line a channel: the first that fits */
    if (find(results, &(want){w->quantity, w->x_unit, w->segment, w->state, c->channel}) != c)
      continue;
    name_line(c->channel, when, label);
    code = add_curve(chart, c, role_of(c->channel, is_earlier), label, r->is_noise, err);
    if (code == MT_OK && r->shows_floor && !is_earlier) {
      name_line(c->channel, "noise", label);
      code = add_floor(chart, c, label, err);
    }
    n++;
  }
  return code;
}

static mt_code add_orders(mt_chart *chart, const mt_results *results, const want *total, mt_error *err)
{
  static const struct {
    mt_quantity quantity;
    mt_chart_role role;
    const char *label;
  } orders[] = {{MT_Q_HARMONIC_2, MT_CHART_ORDER_2, "harmonic 2"},
                {MT_Q_HARMONIC_3, MT_CHART_ORDER_3, "harmonic 3"},
                {MT_Q_HARMONIC_4, MT_CHART_ORDER_4, "harmonic 4"},
                {MT_Q_HARMONIC_5, MT_CHART_ORDER_5, "harmonic 5"}};
  const mt_curve *c = find(results, total);
  mt_code code = c != NULL ? add_curve(chart, c, MT_CHART_TOTAL, "THD", true, err) : MT_OK;

  if (code == MT_OK && c != NULL)
    code = add_floor(chart, c, "THD of noise alone", err);
  for (size_t i = 0; i < sizeof orders / sizeof orders[0] && code == MT_OK; i++) {
    want w = *total;
    w.quantity = orders[i].quantity;
    c = find(results, &w);
    if (c != NULL)
      code = add_curve(chart, c, orders[i].role, orders[i].label, true, err);
  }
  return code;
}

/* ---- the rig's own floor ----------------------------------------------------------------------- */

/* The rig is known by its noise from 20 Hz to 20 kHz only: its mean, over hertz or over the bins that are drawn. */
static mt_code add_rig_floor(mt_chart *chart, const mt_results *results, const row *r, const mt_curve *first,
                             mt_error *err)
{
  static const double ends_hz[] = {20.0, 20e3};
  double width_hz = r->quantity == MT_Q_NOISE_DENSITY ? 1.0 : first->bandwidth_hz;
  mt_code code = MT_OK;
  bool any = false;

  if ((r->quantity != MT_Q_SPECTRUM && r->quantity != MT_Q_NOISE_DENSITY) || !(width_hz > 0.0))
    return MT_OK;
  for (int c = 0; c < 2 && code == MT_OK; c++) {
    double at = results->rig.noise_dbfs[c] + 10.0 * log10(width_hz / (ends_hz[1] - ends_hz[0]));
    if (results->rig.name[0] == '\0' || !results->rig.has_floor[c] || !isfinite(at))
      continue;
    code = mt_chart_add_line(chart, MT_CHART_FLOOR, c == 0 ? "rig alone, left" : "rig alone, right", 2,
                             ends_hz, (const double[]){at, at}, NULL, err);
    any = true;
  }
  if (any)
    snprintf(chart->note + strlen(chart->note), sizeof chart->note - strlen(chart->note),
             "%sRig alone: its own noise, the mean from 20 Hz to 20 kHz.", chart->note[0] != '\0' ? " " : "");
  return code;
}

/* ---- limits ----------------------------------------------------------------------------------- */

static double in_own_unit(double value, const mt_judgement *j)
{
  double own;

  if (!isfinite(value))
    return value;
  return mt_unit_convert(value, j->unit, drawn_unit(j->quantity), &own) ? own : (double)NAN;
}

/* The same limit on left and right is drawn once. */
static bool has_limit(const mt_chart *chart, const mt_chart_limit *limit)
{
  for (size_t i = 0; i < chart->nlimits; i++)
    if (memcmp(&chart->limits[i], limit, sizeof *limit) == 0)
      return true;
  return false;
}

static void add_limits(mt_chart *chart, const mt_results *results, const want *w)
{
  bool over_frequency = w->x_unit == MT_UNIT_HZ;
  bool is_curve = mt_quantity_describe(w->quantity)->is_curve;

  for (size_t i = 0; i < results->njudgements && chart->nlimits < MT_CHART_LIMITS_MAX; i++) {
    const mt_judgement *j = &results->judgements[i];
    mt_chart_limit limit;
    /* of a quantity that is a number as well, only limits that name a stretch are the curve's */
    if (j->quantity != w->quantity || !over_frequency ||
        (!is_curve && j->from_hz == 0.0 && j->to_hz == 0.0) ||
        (w->state != NULL && j->state[0] != '\0' && strcmp(j->state, w->state) != 0))
      continue;
    memset(&limit, 0, sizeof limit);
    limit.from_x = j->from_hz;
    limit.to_x = j->to_hz != 0.0 ? j->to_hz : (double)INFINITY;
    limit.min = in_own_unit(j->min, j);
    limit.max = in_own_unit(j->max, j);
    if (!isnan(limit.min) && !isnan(limit.max) && !has_limit(chart, &limit))
      chart->limits[chart->nlimits++] = limit;
  }
}

/* Over time what drops out is marked. */
static void add_spans(mt_chart *chart, const mt_results *results)
{
  for (size_t i = 0; i < results->nproblems && chart->nspans < MT_CHART_SPANS_MAX; i++)
    if (results->problems[i].kind == MT_PROBLEM_DROPOUT)
      chart->spans[chart->nspans++] =
          (mt_chart_span){results->problems[i].begin_s, results->problems[i].end_s};
}

static mt_chart_axis axis_of(mt_unit x_unit)
{
  return x_unit == MT_UNIT_SECOND ? MT_CHART_TIME
         : x_unit == MT_UNIT_HZ   ? MT_CHART_FREQUENCY
         : x_unit == MT_UNIT_DB   ? MT_CHART_TURNED
                                  : MT_CHART_LEVEL;
}

/* ---- the chart -------------------------------------------------------------------------------- */

static mt_code fill(mt_chart *chart, const mt_results *results, const mt_chart_choice *choice, const row *r,
                    const char *state, mt_error *err)
{
  want w = want_of(r, choice);
  const char *now = choice->now_label;
  const char *then = choice->earlier_label != NULL ? choice->earlier_label : "before";
  mt_code code;

  w.state = state;
  if (r->kind != CHANNELS)
    return add_orders(chart, results, &w, err);
  if (now == NULL && choice->earlier != NULL)
    now = "now";
  code = add_channels(chart, results, &w, now, false, r, err);
  add_limits(chart, results, &w);
  if (w.x_unit == MT_UNIT_SECOND)
    add_spans(chart, results);
  if (code == MT_OK && choice->earlier != NULL) {
    w.state = choice->earlier_state != NULL ? choice->earlier_state : state;
    if (find(choice->earlier, &w) == NULL)
      w.state = NULL;
    code = add_channels(chart, choice->earlier, &w, then, true, r, err);
  }
  return code;
}

/* "Response, flat"; of a difference both states: "Difference: lift less flat". */
static void write_title(const mt_results *results, const row *r, const mt_chart_choice *choice,
                        const char *state, char title[128])
{
  const char *reference = NULL;

  for (size_t i = 0; i < results->nchanges && r->quantity == MT_Q_DIFFERENCE; i++)
    if (strcmp(results->changes[i].state, state) == 0)
      reference = results->changes[i].reference;
  if (reference != NULL)
    snprintf(title, 128, "%s: %.32s less %.32s", r->title, state, reference);
  else if (choice->state != NULL || strcmp(state, "default") != 0)
    snprintf(title, 128, "%s, %.32s", r->title, state);
  else
    snprintf(title, 128, "%s", r->title);
}

mt_code mt_chart_of_results(const mt_results *results, const mt_chart_choice *choice, mt_chart **out,
                            mt_error *err)
{
  const row *r = find_row(choice->name);
  mt_chart *chart = NULL;
  const mt_curve *first;
  char title[128];
  want w;
  mt_code code;

  if (r == NULL)
    return mt_fail(err, MT_E_ARG, "there is no chart \"%.40s\"", choice->name);
  w = want_of(r, choice);
  first = find(results, &w);
  if (first == NULL)
    return mt_fail(err, MT_E_DATA, "these results hold nothing for the chart \"%s\" (%s)", r->name,
                   r->meaning);
  write_title(results, r, choice, first->state, title);
  code = mt_chart_create(title, axis_of(r->x_unit), drawn_unit(r->quantity), &chart, err);
  if (code != MT_OK)
    return code;
  mt_text_copy(chart->y_title, sizeof chart->y_title, r->y_title);
  if (first->bandwidth_hz > 0.0)
    snprintf(chart->note, sizeof chart->note, "Noise bandwidth of a bin: %.3g Hz.", first->bandwidth_hz);
  code = fill(chart, results, choice, r, first->state, err);
  if (code == MT_OK)
    code = add_rig_floor(chart, results, r, first, err);
  if (code != MT_OK)
    mt_chart_destroy(&chart);
  else
    *out = chart;
  return code;
}
