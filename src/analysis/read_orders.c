/* Harmonics and THD over frequency from the sweep, each with its noise; the phase between the channels. */
#include "analysis/orders.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdlib.h>
#include <string.h>

/* The window's resolution is some 3 % of the frequency; 24 points a decade are 10 % apart. */
#define POINTS_PER_DECADE 24
#define POINTS_MAX 120
#define LOWEST_HZ 20.0
#define CROSSED 2.5e-5

/* A curve in the making: all arrays, to be handed over as they are. */
typedef struct points {
  size_t n;
  double x[POINTS_MAX], y[POINTS_MAX], u[POINTS_MAX], floor[POINTS_MAX];
} points;

static void add_point(points *p, double freq_hz, const mt_order_reading *part, const mt_order_reading *whole,
                      double null)
{
  if (p->n == POINTS_MAX)
    return;
  p->x[p->n] = freq_hz;
  mt_order_ratio(part, whole, null, &p->y[p->n], &p->u[p->n], &p->floor[p->n]);
  p->n++;
}

static mt_code add_curve(mt_workspace *ws, const mt_section *section, mt_channel channel,
                         mt_quantity quantity, points *p, const char *why, mt_error *err)
{
  mt_curve curve = mt_workspace_curve(ws, quantity, channel, section);

  if (curve.validity == MT_VALID && p->n == 0) {
    curve.validity = MT_NO_SIGNAL;
    mt_text_copy(curve.why, sizeof curve.why, why);
  }
  curve.npoints = p->n;
  curve.x = p->x;
  curve.y = p->y;
  curve.uncertainty = p->u;
  curve.floor = p->floor;
  return mt_workspace_add_curve(ws, &curve, err);
}

/* ---- harmonics ------------------------------------------------------------------------------------- */

/* Is an order the unit is known to make, at the reference tone, folded onto this one? Half a per cent of it moves it by
   0.04 dB. */
static bool is_crossed(const mt_orders *orders, const mt_tone *tone, int order, double freq_hz, double ratio)
{
  for (int k = 2; tone != NULL && k <= tone->norders; k++)
    if (k != order && tone->harmonic_power[k] > 2.0 * tone->harmonic_error[k] &&
        tone->harmonic_power[k] > CROSSED * ratio * tone->power &&
        mt_orders_is_crossed(orders, order, freq_hz, k))
      return true;
  return false;
}

/* `curves` holds orders 2 and up at the frequency they have, and [0] THD at that of the fundamental. */
static void read_at(const mt_orders *orders, const mt_tone *tone, double freq_hz, points *curves)
{
  mt_order_reading fundamental, sum = {0.0, 0.0, 0.0};
  double variance = 0.0, null = 0.0;
  bool any = false, crossed = false;

  if (!mt_orders_read(orders, 1, freq_hz, &fundamental) || !(fundamental.power > 3.0 * fundamental.error))
    return;
  for (int n = 2; n <= MT_SWEPT_ORDERS; n++) {
    mt_order_reading harmonic;
    if (!mt_orders_read(orders, n, n * freq_hz, &harmonic))
      continue;
    if (is_crossed(orders, tone, n, n * freq_hz, fmax(harmonic.power, harmonic.noise) / fundamental.power)) {
      crossed = true;
      continue;
    }
    add_point(&curves[n - 1], n * freq_hz, &harmonic, &fundamental, harmonic.noise);
    any = true;
    sum.power += harmonic.power;
    sum.noise += harmonic.noise;
    variance += harmonic.error * harmonic.error;
    null += harmonic.noise * harmonic.noise;
  }
  sum.error = sqrt(variance);
  if (any && !crossed)
    add_point(&curves[0], freq_hz, &sum, &fundamental, sqrt(null));
}

/* What one channel's orders tell, found without a word to the workspace's results. */
typedef struct swept {
  points curves[MT_SWEPT_ORDERS]; /* none, and `why`, where there is no sweep */
  char why[128];
} swept;

/* Of the workspace only the channel's own capture is written, where the response left none. */
static mt_code capture(mt_workspace *ws, const mt_section *section, mt_channel channel, mt_error *err)
{
  double *x;
  mt_code code;

  if (ws->swept[channel].quotient != NULL)
    return MT_OK;
  x = malloc(ws->take->nframes * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", ws->take->nframes);
  mt_workspace_copy_sweep(ws, section, channel, x);
  code = mt_workspace_sweep(ws, section, channel, x, err);
  free(x);
  return code;
}

typedef struct hearing {
  mt_workspace *ws;
  const mt_section *section;
  swept *found; /* of each channel */
} hearing;

/* A piece of work: one channel. */
static mt_code hear_channel(void *context, size_t item, unsigned worker, mt_error *err)
{
  const hearing *h = context;
  mt_workspace *ws = h->ws;
  const mt_section *section = h->section;
  mt_channel channel = (mt_channel)item;
  swept *out = &h->found[item];
  const mt_section *both = mt_workspace_find(ws, "both");
  const mt_tone *tone = both != NULL && both->has_tone[channel] && mt_tone_is_present(&both->tone[channel])
                            ? &both->tone[channel]
                            : NULL;
  mt_orders *orders = NULL;
  mt_error why = {0};
  mt_code code;

  (void)worker;
  mt_text_copy(out->why, sizeof out->why, "the channel carries no sweep");
  if (ws->route_known[channel] && ws->route[channel] == MT_ROUTE_NONE)
    return MT_OK;
  if (ws->sweep == NULL) {
    mt_text_copy(out->why, sizeof out->why, "the sweep covers too little");
    return MT_OK;
  }
  code = capture(ws, section, channel, &why);
  if (code == MT_OK)
    code = mt_orders_create(ws->sweep, &ws->swept[channel], &orders, &why);
  if (code == MT_E_DATA)
    mt_text_copy(out->why, sizeof out->why, why.message);
  if (code != MT_OK)
    return code == MT_E_DATA ? MT_OK : mt_fail(err, code, "%s", why.message);
  for (int k = (int)ceil(POINTS_PER_DECADE * log10(LOWEST_HZ / 1000.0)); k < POINTS_MAX; k++)
    read_at(orders, tone, 1000.0 * pow(10.0, (double)k / POINTS_PER_DECADE), out->curves);
  mt_orders_destroy(&orders);
  return MT_OK;
}

static mt_code add_channel(mt_workspace *ws, const mt_section *section, mt_channel channel, swept *found,
                           mt_error *err)
{
  static const mt_quantity quantities[MT_SWEPT_ORDERS] = {MT_Q_THD_F, MT_Q_HARMONIC_2, MT_Q_HARMONIC_3,
                                                          MT_Q_HARMONIC_4, MT_Q_HARMONIC_5};
  mt_code code = MT_OK;

  for (int i = 0; i < MT_SWEPT_ORDERS && code == MT_OK; i++)
    code = add_curve(ws, section, channel, quantities[i], &found->curves[i], found->why, err);
  return code;
}

/* ---- phase between the channels ----------------------------------------------------------------------- */

/* The phase curve of this take: the last one added, as results may hold other states. */
static const mt_curve *find_phase(const mt_workspace *ws, mt_channel channel)
{
  for (size_t i = ws->results->ncurves; i-- > 0;) {
    const mt_curve *c = &ws->results->curves[i];
    if (c->quantity == MT_Q_PHASE && c->channel == channel && strcmp(c->state, ws->state) == 0)
      return c;
  }
  return NULL;
}

static mt_code refuse_curve(mt_workspace *ws, mt_curve *curve, mt_validity validity, const char *why,
                            mt_error *err)
{
  double nothing = 0.0;

  curve->validity = validity;
  mt_text_copy(curve->why, sizeof curve->why, why);
  curve->x = curve->y = curve->uncertainty = &nothing;
  return mt_workspace_add_curve(ws, curve, err);
}

/* Each channel's phase had its own delay taken out: put the difference of the two back. */
static mt_code read_phase_difference(mt_workspace *ws, const mt_section *section, mt_error *err)
{
  const mt_curve *left = find_phase(ws, MT_LEFT), *right = find_phase(ws, MT_RIGHT);
  mt_curve curve = mt_workspace_curve(ws, MT_Q_PHASE_DIFFERENCE, MT_LEFT, section);
  double late_s = (ws->location->arrival_frame[0] - ws->location->arrival_frame[1]) / ws->take->rate_hz;
  mt_code code;

  curve.channel = MT_CHANNEL_BOTH;
  if (left == NULL || right == NULL || left->npoints != right->npoints || left->npoints == 0 ||
      !ws->location->arrived[0] || !ws->location->arrived[1])
    return refuse_curve(ws, &curve, MT_NO_SIGNAL, "the sweep does not arrive on both channels", err);
  if (left->validity != MT_VALID)
    return refuse_curve(ws, &curve, left->validity, left->why, err);
  if (right->validity != MT_VALID)
    return refuse_curve(ws, &curve, right->validity, right->why, err);
  curve.npoints = left->npoints;
  curve.x = left->x;
  curve.y = malloc(2 * curve.npoints * sizeof *curve.y);
  if (curve.y == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", curve.npoints);
  curve.uncertainty = curve.y + curve.npoints;
  for (size_t i = 0; i < curve.npoints; i++) {
    double degrees =
        left->y[i] - right->y[i] - 360.0 * left->x[i] * late_s * (1.0 + 1e-6 * ws->clock_offset_ppm);
    curve.y[i] = degrees - 360.0 * floor((degrees + 180.0) / 360.0);
    /* the clock turns both alike */
    curve.uncertainty[i] =
        hypot(mt_workspace_without_clock(ws, section->segment, left->x[i], left->uncertainty[i]),
              mt_workspace_without_clock(ws, section->segment, right->x[i], right->uncertainty[i]));
  }
  code = mt_workspace_add_curve(ws, &curve, err);
  free(curve.y);
  return code;
}

/* ---- the whole --------------------------------------------------------------------------------------- */

mt_code mt_read_orders(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "sweep");
  double from_hz, to_hz;
  swept *found;
  mt_code code = MT_OK;

  if (section == NULL || ws->stimulus == NULL)
    return MT_OK;
  found = calloc(MT_PAIR, sizeof *found);
  if (found == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  if (mt_response_band(section->segment, ws->take->rate_hz, &from_hz, &to_hz))
    code = mt_workspace_render_sweep(ws, section, err);
  if (code == MT_OK)
    code = mt_parallel(ws->nchannels, hear_channel, &(hearing){ws, section, found}, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    code = add_channel(ws, section, c, &found[c], err);
  free(found);
  if (code == MT_OK && ws->nchannels == MT_PAIR)
    code = read_phase_difference(ws, section, err);
  return code;
}
