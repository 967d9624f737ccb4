/* Where a steep filter ends the band although the rate goes on: a resampler, in this computer or in the unit. */
#include "analysis/workspace.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* From 3 dB down to WALL_DB within so much of frequency. No defect does that: Chebyshev's polynomial of order 5 with
   1 dB of ripple needs 1.35, of order 7 1.19, which only the filters before and behind converters have (and those
   against an FM pilot tone). A mixer's fastest resampler needs 1.22, the others less
   (tests/oracle/compare_resampling.py). */
#define WALL_DB (-25.0)
#define EDGE_DB (-3.0)
#define WITHIN 1.25
/* The sound card's own converters go on to here: pass band to 0.4535 of the rate, common practice for sigma-delta. */
#define OWN_BAND 0.44
/* The pass band is that at this share of the wall's frequency; from this far below it on the filter has its part. */
#define PASS_AT 0.5
#define TOUCHED_DB (-0.1)
#define SURE_DB 3.0
#define WALL_FROM_HZ 4000.0
#define SAME_EDGE 0.05

/* Where the curve falls through a level between two points, straight over log f. */
static double crossing(const mt_curve *c, size_t below, double level_db)
{
  double above_db = c->y[below - 1], part = (above_db - level_db) / (above_db - c->y[below]);

  return c->x[below - 1] * pow(c->x[below] / c->x[below - 1], part);
}

/* Of a curve: the first point that the filter touches, and where it is 3 dB down. @return false: no such end. */
static bool find_wall(const mt_curve *c, double rate_hz, size_t *touched, double *edge_hz)
{
  size_t wall = c->npoints, pass = 0, edge;
  double level;

  while (wall > 0 && c->y[wall - 1] < WALL_DB)
    wall--;
  if (wall == c->npoints || wall == 0 || c->x[wall] < WALL_FROM_HZ || c->uncertainty[wall - 1] > SURE_DB)
    return false;
  while (c->x[pass] < PASS_AT * c->x[wall])
    pass++;
  level = c->y[pass];
  edge = wall;
  while (edge > pass && c->y[edge - 1] < level + EDGE_DB)
    edge--;
  if (edge == pass || level < WALL_DB - EDGE_DB)
    return false;
  *touched = edge;
  while (*touched > pass && c->y[*touched - 1] < level + TOUCHED_DB)
    (*touched)--;
  *edge_hz = crossing(c, edge, level + EDGE_DB);
  return crossing(c, wall, WALL_DB) < WITHIN * *edge_hz && *edge_hz < OWN_BAND * rate_hz;
}

static void cut(mt_workspace *ws, mt_channel channel, size_t npoints)
{
  for (size_t i = 0; i < ws->results->ncurves; i++) {
    mt_curve *c = &ws->results->curves[i];
    bool is_of_sweep = c->quantity == MT_Q_RESPONSE || c->quantity == MT_Q_PHASE;
    if (is_of_sweep && c->channel == channel && strcmp(c->state, ws->state) == 0 && c->npoints > npoints)
      c->npoints = npoints;
  }
}

/* From where the sweep passes the edge until it ends. */
static mt_code say(mt_workspace *ws, const mt_section *section, mt_channel channel, double edge_hz,
                   mt_error *err)
{
  const mt_segment *sweep = section->segment;
  mt_problem problem = {.kind = MT_PROBLEM_RESAMPLED, .channel = channel};
  double start_s = mt_take_time_s(ws->take, ws->location->start_frame) + sweep->start_s;

  problem.begin_s = start_s + mt_segment_sweep_constant(sweep) * log(edge_hz / sweep->from_hz);
  problem.end_s = start_s + sweep->duration_s;
  snprintf(
      problem.text, sizeof problem.text,
      "the band ends at %.1f kHz as a resampler's or converter's filter ends it (%.6g Hz allows %.1f): a "
      "mixer here, or the unit; nothing is read above",
      1e-3 * edge_hz, ws->take->rate_hz, 0.45e-3 * ws->take->rate_hz);
  return mt_results_add_problem(ws->results, &problem, err);
}

mt_code mt_read_band_end(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "sweep");
  double edges_hz[MT_PAIR] = {0.0};
  mt_code code = MT_OK;

  if (section == NULL || ws->stimulus == NULL || ws->path_is_lossy)
    return MT_OK;
  for (int channel = 0; channel < (int)ws->nchannels; channel++) {
    const mt_curve *response = mt_results_find_curve_of(ws->results, MT_Q_RESPONSE, channel, ws->state);
    size_t touched = 0;
    if (response == NULL || response->validity != MT_VALID || response->npoints == 0 ||
        !find_wall(response, ws->take->rate_hz, &touched, &edges_hz[channel]))
      edges_hz[channel] = 0.0;
    else
      cut(ws, channel, touched);
  }
  if (edges_hz[MT_LEFT] > 0.0 && fabs(edges_hz[MT_RIGHT] / edges_hz[MT_LEFT] - 1.0) < SAME_EDGE)
    return say(ws, section, MT_CHANNEL_BOTH, fmin(edges_hz[MT_LEFT], edges_hz[MT_RIGHT]), err);
  for (int channel = 0; channel < MT_PAIR && code == MT_OK; channel++)
    if (edges_hz[channel] > 0.0)
      code = say(ws, section, channel, edges_hz[channel], err);
  return code;
}
