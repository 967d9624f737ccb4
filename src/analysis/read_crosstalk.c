/* How much of the other channel is heard while this one should be silent. */
#include "analysis/orders.h"
#include "analysis/sweep_check.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdlib.h>

#define POINTS_PER_DECADE 24
#define POINTS_MAX 120
#define LOWEST_HZ 20.0

/* The capture channel that hears stimulus channel s alone, or -1. */
static int heard_at(const mt_workspace *ws, int s)
{
  mt_route wanted = s == 0 ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
  for (int c = 0; c < MT_PAIR; c++)
    if (ws->route_known[c] && ws->route[c] == wanted)
      return c;
  return -1;
}

/* Why crosstalk of stimulus channel s cannot be told, or the reading as it was. */
static void refuse_impossible(const mt_workspace *ws, int s, int source, int victim, mt_reading *reading)
{
  char name[8];

  mt_channel_name(victim, name);
  /* a silent channel with some crosstalk is not a quiet channel: it must be known to work */
  if (ws->route_known[victim] && ws->route[victim] == MT_ROUTE_NONE)
    mt_reading_refuse(reading, MT_NO_SIGNAL, "the %s channel is silent, so its quiet proves nothing", name);
  else if (source < 0 || heard_at(ws, 1 - s) < 0)
    mt_reading_refuse(reading, MT_NOT_MEASURED, "the channels do not arrive one each");
}

static mt_code read_from(mt_workspace *ws, int s, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, s == 0 ? "left" : "right");
  int source = heard_at(ws, s);
  int victim = source >= 0 ? 1 - source : 1 - s;
  mt_reading reading = mt_workspace_reading(ws, MT_Q_CROSSTALK, victim, section);

  reading.freq_hz = section->segment->freq_hz[s];
  refuse_impossible(ws, s, source, victim, &reading);
  if (reading.validity == MT_VALID && section->validity[source] != MT_VALID)
    mt_reading_refuse(&reading, section->validity[source], "%s", section->why[source]);
  if (reading.validity == MT_VALID) {
    const mt_tone *heard = &section->tone[victim], *strong = &section->tone[source];
    double ratio = heard->power / strong->power;
    double error = hypot(heard->power_error, ratio * strong->power_error) / strong->power;
    mt_reading_set_power(&reading, ratio, error, heard->noise_power / strong->power);
  }
  return mt_workspace_add(ws, &reading, err);
}

/* ---- over frequency, from a sweep on one channel alone -------------------------------------------------- */

/* Both channels' response to the sweep, at the time it arrives where it belongs. */
static mt_code open_orders(mt_workspace *ws, const mt_section *section, int source, mt_sweep_reference *sweep,
                           double *x, mt_sweep_capture caught[2], mt_orders **heard, mt_orders **strong,
                           mt_error *err)
{
  const mt_location *at = ws->location;
  double start_frame = at->arrived[source] ? at->arrival_frame[source] : at->start_frame;
  size_t n = ws->take->nframes, nevents = 0;
  mt_sweep_event event;
  mt_code code;

  mt_workspace_copy(ws, 0, n, 1 - source, x);
  code = mt_sweep_capture_init(sweep, x, n, start_frame, &caught[0], err);
  if (code == MT_OK)
    code = mt_orders_create(sweep, &caught[0], heard, err);
  mt_workspace_copy(ws, 0, n, source, x);
  if (code == MT_OK)
    code = mt_sweep_capture_init(sweep, x, n, start_frame, &caught[1], err);
  if (code == MT_OK)
    code = mt_orders_create(sweep, &caught[1], strong, err);
  if (code == MT_OK)
    code = mt_sweep_find_events(x, n, ws->take->rate_hz, section->segment, start_frame, sweep->clock_ratio,
                                &event, 1, &nevents, err);
  if (code == MT_OK && nevents > 0)
    code = mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, MT_CHANNEL_BOTH, event.begin_s, event.end_s, err,
                                    "the sweep on one channel alone was interrupted (%.0f dB inside)",
                                    event.depth_db);
  return code;
}

static mt_code add_curve(mt_workspace *ws, const mt_section *section, int source, const mt_orders *heard,
                         const mt_orders *strong, mt_error *err)
{
  double x[POINTS_MAX], y[POINTS_MAX], u[POINTS_MAX], floor_db[POINTS_MAX];
  mt_curve curve = mt_workspace_curve(ws, MT_Q_CROSSTALK, 1 - source, section);

  for (int k = (int)ceil(POINTS_PER_DECADE * log10(LOWEST_HZ / 1000.0)); curve.npoints < POINTS_MAX; k++) {
    double freq_hz = 1000.0 * pow(10.0, (double)k / POINTS_PER_DECADE);
    size_t i = curve.npoints;
    mt_order_reading part, whole;
    if (freq_hz > 0.5 * ws->take->rate_hz)
      break;
    if (!mt_orders_read(heard, 1, freq_hz, &part) || !mt_orders_read(strong, 1, freq_hz, &whole) ||
        !(whole.power > 3.0 * whole.error))
      continue;
    x[i] = freq_hz;
    mt_order_ratio(&part, &whole, part.noise, &y[i], &u[i], &floor_db[i]);
    curve.npoints++;
  }
  if (curve.validity == MT_VALID && section->validity[source] != MT_VALID) {
    curve.validity = section->validity[source];
    mt_text_copy(curve.why, sizeof curve.why, section->why[source]);
  } else if (curve.validity == MT_VALID && curve.npoints == 0) {
    curve.validity = MT_NO_SIGNAL;
    mt_text_copy(curve.why, sizeof curve.why, "the sweep is not heard where it was played");
  }
  curve.x = x;
  curve.y = y;
  curve.uncertainty = u;
  curve.floor = floor_db;
  return mt_workspace_add_curve(ws, &curve, err);
}

static mt_code refuse_curve(mt_workspace *ws, const mt_section *section, const mt_reading *reason,
                            mt_error *err)
{
  double nothing = 0.0;
  mt_curve curve = mt_workspace_curve(ws, MT_Q_CROSSTALK, reason->channel, section);

  curve.validity = reason->validity;
  mt_text_copy(curve.why, sizeof curve.why, reason->why);
  curve.x = curve.y = curve.uncertainty = &nothing;
  return mt_workspace_add_curve(ws, &curve, err);
}

static mt_code read_swept(mt_workspace *ws, int s, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, s == 0 ? "sweep-left" : "sweep-right");
  int source = heard_at(ws, s);
  int victim = source >= 0 ? 1 - source : 1 - s;
  mt_sweep_reference *sweep = NULL;
  mt_sweep_capture caught[2] = {0};
  mt_orders *heard = NULL, *strong = NULL;
  mt_reading reason = {.quantity = MT_Q_CROSSTALK, .channel = victim};
  double *x;
  mt_code code;

  if (section == NULL)
    return MT_OK;
  refuse_impossible(ws, s, source, victim, &reason);
  if (reason.validity != MT_VALID)
    return refuse_curve(ws, section, &reason, err);
  x = malloc(ws->take->nframes * sizeof *x);
  code = x != NULL ? mt_sweep_reference_create(section->segment, ws->take->rate_hz,
                                               1.0 + 1e-6 * ws->clock_offset_ppm, &sweep, err)
                   : mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", ws->take->nframes);
  if (code == MT_OK)
    code = open_orders(ws, section, source, sweep, x, caught, &heard, &strong, err);
  if (code == MT_OK)
    code = add_curve(ws, section, source, heard, strong, err);
  mt_orders_destroy(&heard);
  mt_orders_destroy(&strong);
  mt_sweep_capture_finish(&caught[0]);
  mt_sweep_capture_finish(&caught[1]);
  mt_sweep_reference_destroy(&sweep);
  free(x);
  return code;
}

mt_code mt_read_crosstalk(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  if (ws->stimulus == NULL || ws->nchannels < MT_PAIR || mt_workspace_find(ws, "left") == NULL ||
      mt_workspace_find(ws, "right") == NULL)
    return MT_OK;
  for (int s = 1; s >= 0 && code == MT_OK; s--) /* heard on the left first */
    code = read_from(ws, s, err);
  for (int s = 1; s >= 0 && code == MT_OK; s--)
    code = read_swept(ws, s, err);
  return code;
}
