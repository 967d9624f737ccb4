/* What is read off the response and the phase: corners, flatness, group delay. */
#include "analysis/curve.h"
#include "analysis/workspace.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define REFERENCE_HZ 997.0
/* half the power */
#define CORNER_DB (-3.0102999566398120)
/* Where the middle of the band is looked for: the response at the reference tone is 0 dB, but a corner at a few
   hundred hertz takes from it already, by 0.2 dB at 226 Hz, and by as much too low a corner would be read. */
#define PLATEAU_FROM_HZ 300.0
#define PLATEAU_TO_HZ 8000.0
#define PLATEAU_MAX_DB 1.0
#define POINTS_OF_THIRD 8.0 /* of 80 a decade */
/* A point less sure than this tells nothing of a corner of 3 dB. */
#define UNSURE_DB 1.5
#define FLAT_FROM_HZ 20.0
#define FLAT_TO_HZ 20000.0

/* The curve of this take: the last one added, as results may hold other states. */
static const mt_curve *find_curve(const mt_workspace *ws, mt_quantity quantity, mt_channel channel)
{
  for (size_t i = ws->results->ncurves; i-- > 0;) {
    const mt_curve *c = &ws->results->curves[i];
    if (c->quantity == quantity && c->channel == channel && strcmp(c->state, ws->state) == 0)
      return c;
  }
  return NULL;
}

static mt_reading start(const mt_workspace *ws, mt_quantity quantity, const mt_curve *curve)
{
  mt_reading reading =
      mt_workspace_reading(ws, quantity, curve->channel, mt_workspace_find(ws, curve->segment));

  if (curve->validity != MT_VALID)
    mt_reading_refuse(&reading, curve->validity, "%s", curve->why);
  return reading;
}

/* Points of a response without the noise of the reference, which moves all of them alike, and without those that noise
   or hum spoils: a line of hum makes a hole as deep as any corner. */
static size_t take_sure_points(const mt_curve *curve, double *x, double *y, double *uncertainty)
{
  size_t n = 0;

  for (size_t i = 0; i < curve->npoints; i++) {
    if (curve->uncertainty[i] > UNSURE_DB)
      continue;
    x[n] = curve->x[i];
    y[n] = curve->y[i];
    uncertainty[n++] = mt_curve_own_uncertainty(curve, i);
  }
  return n;
}

/* Between two points of a smoothed curve. */
static double level_at(const mt_curve *curve, const double *y, size_t above, double freq_hz)
{
  double part = log(freq_hz / curve->x[above - 1]) / log(curve->x[above] / curve->x[above - 1]);
  return y[above - 1] + part * (y[above] - y[above - 1]);
}

/*
 * The highest third octave of the middle, its ends included; a lift of the treble does not count for more than
 * PLATEAU_MAX_DB. It is the mean of so many points.
 */
static mt_figure plateau_of(const mt_curve *curve, const double *y, const double *uncertainty)
{
  mt_figure plateau = {-HUGE_VAL, 0.0};

  for (size_t i = 1; i < curve->npoints; i++) {
    static const double ends_hz[] = {PLATEAU_FROM_HZ, PLATEAU_TO_HZ};
    for (int k = 0; k < 2; k++)
      if (curve->x[i - 1] < ends_hz[k] && curve->x[i] >= ends_hz[k] &&
          level_at(curve, y, i, ends_hz[k]) > plateau.value)
        plateau = (mt_figure){level_at(curve, y, i, ends_hz[k]), uncertainty[i]};
    if (curve->x[i] >= PLATEAU_FROM_HZ && curve->x[i] <= PLATEAU_TO_HZ && y[i] > plateau.value)
      plateau = (mt_figure){y[i], uncertainty[i]};
  }
  plateau.value = fmin(plateau.value, PLATEAU_MAX_DB);
  plateau.uncertainty /= sqrt(POINTS_OF_THIRD);
  return plateau;
}

/* The corner and, if there is none within what was read, why. */
static mt_code find_corner(const mt_curve *curve, mt_corner_side side, mt_figure *corner, mt_error *err)
{
  double *scratch = malloc((5 * curve->npoints + 1) * sizeof *scratch);
  mt_curve sure = *curve;
  mt_figure plateau;
  mt_code code;

  if (scratch == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", curve->npoints);
  sure.x = scratch;
  sure.y = scratch + curve->npoints;
  sure.uncertainty = scratch + 2 * curve->npoints;
  sure.npoints = take_sure_points(curve, sure.x, sure.y, sure.uncertainty);
  code = mt_curve_smooth(&sure, 1.0 / 3.0, scratch + 3 * curve->npoints, scratch + 4 * curve->npoints, err);
  if (code == MT_OK) {
    plateau = plateau_of(&sure, scratch + 3 * curve->npoints, scratch + 4 * curve->npoints);
    for (size_t i = 0; i < sure.npoints; i++)
      sure.uncertainty[i] = hypot(sure.uncertainty[i], plateau.uncertainty);
    code = mt_curve_corner(&sure, REFERENCE_HZ, plateau.value + CORNER_DB, side, corner, err);
  }
  free(scratch);
  return code;
}

static mt_code read_corner(mt_workspace *ws, const mt_curve *curve, mt_corner_side side, mt_error *err)
{
  mt_reading reading = start(ws, side == MT_CORNER_LOW ? MT_Q_CORNER_LOW : MT_Q_CORNER_HIGH, curve);
  mt_error why = {0};
  mt_figure corner;
  double end_hz;
  mt_code code;

  if (reading.validity != MT_VALID)
    return mt_workspace_add(ws, &reading, err);
  end_hz = curve->npoints > 0 ? curve->x[curve->npoints - 1] : 0.0;
  code = find_corner(curve, side, &corner, &why);
  if (code == MT_OK) {
    mt_reading_set(&reading, corner.value, corner.uncertainty);
  } else if (code != MT_E_DATA) {
    return mt_fail(err, code, "%s", why.message);
  } else if (curve->npoints < 2 || curve->x[0] > REFERENCE_HZ || end_hz < REFERENCE_HZ) {
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "%s", why.message);
  } else {
    /* beyond what was read: a bound, which a limit can be held against */
    mt_reading_set(&reading, side == MT_CORNER_LOW ? curve->x[0] : end_hz, 0.0);
    mt_reading_refuse(&reading, MT_RIG_LIMITED, "%s", why.message);
  }
  return mt_workspace_add(ws, &reading, err);
}

static mt_code read_flatness(mt_workspace *ws, const mt_curve *curve, mt_error *err)
{
  mt_reading reading = start(ws, MT_Q_FLATNESS, curve);
  double *scratch = malloc((3 * curve->npoints + 1) * sizeof *scratch);
  mt_curve sure = *curve;
  mt_error why = {0};
  mt_figure flatness;

  if (scratch == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", curve->npoints);
  sure.x = scratch;
  sure.y = scratch + curve->npoints;
  sure.uncertainty = scratch + 2 * curve->npoints;
  if (reading.validity == MT_VALID) {
    sure.npoints = take_sure_points(curve, sure.x, sure.y, sure.uncertainty);
    if (mt_curve_flatness(&sure, FLAT_FROM_HZ, FLAT_TO_HZ, &flatness, NULL, NULL, &why) == MT_OK)
      mt_reading_set(&reading, flatness.value, flatness.uncertainty);
    else
      mt_reading_refuse(&reading, MT_NOT_MEASURED, "%s", why.message);
  }
  free(scratch);
  return mt_workspace_add(ws, &reading, err);
}

/*
 * What the clock is not known by turns the phase more the later the sweep comes by: all points by one error, a delay of
 * that share of the time since the start mark and of what the sweep takes for a factor of e.
 */
static mt_code delay_of(const mt_workspace *ws, const mt_curve *phase, double *own, mt_curve *out,
                        mt_error *err)
{
  const mt_segment *sweep = mt_workspace_find(ws, phase->segment)->segment;
  mt_curve unclocked = *phase;
  mt_code code;

  unclocked.uncertainty = own;
  for (size_t i = 0; i < phase->npoints; i++)
    own[i] = mt_workspace_without_clock(ws, sweep, phase->x[i], phase->uncertainty[i]);
  code = mt_curve_group_delay(&unclocked, out->y, out->uncertainty, err);
  for (size_t i = 0; i < phase->npoints && code == MT_OK; i++)
    out->uncertainty[i] = hypot(out->uncertainty[i], 1e-6 * ws->clock_uncertainty_ppm *
                                                         (mt_workspace_swept_at_s(sweep, phase->x[i]) +
                                                          mt_segment_sweep_constant(sweep)));
  return code;
}

static mt_code read_group_delay(mt_workspace *ws, const mt_curve *phase, mt_error *err)
{
  mt_curve curve = *phase;
  mt_error why = {0};
  double *points = calloc(3 * phase->npoints + 1, sizeof *points);
  mt_code code = MT_OK;

  if (points == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", phase->npoints);
  curve.quantity = MT_Q_GROUP_DELAY;
  curve.y = points;
  curve.uncertainty = points + phase->npoints;
  if (curve.validity == MT_VALID && delay_of(ws, phase, points + 2 * phase->npoints, &curve, &why) != MT_OK) {
    curve.validity = MT_NOT_MEASURED;
    mt_text_copy(curve.why, sizeof curve.why, why.message);
  }
  code = mt_workspace_add_curve(ws, &curve, err);
  free(points);
  return code;
}

mt_code mt_read_corners(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++) {
    const mt_curve *response = find_curve(ws, MT_Q_RESPONSE, c);
    const mt_curve *phase = find_curve(ws, MT_Q_PHASE, c);
    if (response == NULL)
      continue;
    code = read_corner(ws, response, MT_CORNER_LOW, err);
    if (code == MT_OK)
      code = read_corner(ws, response, MT_CORNER_HIGH, err);
    if (code == MT_OK)
      code = read_flatness(ws, response, err);
    if (code == MT_OK && phase != NULL)
      code = read_group_delay(ws, phase, err);
  }
  return code;
}
