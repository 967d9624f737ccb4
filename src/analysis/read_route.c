/* Which stimulus channel arrives where, and in which polarity. */
#include "analysis/workspace.h"

#include "base/decibel.h"

#include <string.h>

/* Further than this from 0 or 180 degrees the sign of a channel is not a fact. */
#define POLARITY_LIMIT_DEG 60.0

static double wrap_deg(double degrees)
{
  return degrees - 360.0 * floor((degrees + 180.0) / 360.0);
}

/* Phase of a tone against the stimulus as it arrived on that channel, degrees. */
static double phase_against_stimulus(const mt_workspace *ws, const mt_section *section, mt_channel channel,
                                     unsigned played)
{
  const mt_location *at = ws->location;
  double middle = (double)section->begin + ((double)section->count - 1.0) / 2.0;
  double seconds =
      (middle - at->arrival_frame[channel]) / ws->take->rate_hz * (1.0 + 1e-6 * at->clock_offset_ppm);
  double cycles = section->segment->freq_hz[played] * (seconds - section->segment->start_s);

  /* a sine is a cosine a quarter of a period late */
  return wrap_deg(section->tone[channel].phase_rad * 180.0 / MT_PI - 360.0 * (cycles - floor(cycles)) + 90.0);
}

static mt_code read_polarity(mt_workspace *ws, mt_channel channel, mt_error *err)
{
  mt_route route = ws->route[channel];
  /* a summed channel is judged by its own tone */
  unsigned played = route == MT_ROUTE_LEFT ? 0u : route == MT_ROUTE_RIGHT ? 1u : (unsigned)channel;
  const mt_section *section = mt_workspace_find(ws, played == 0 ? "left" : "right");
  mt_reading polarity = mt_workspace_tone_reading(ws, MT_Q_POLARITY, channel, section);

  if (!ws->location->arrived[channel])
    mt_reading_refuse(&polarity, MT_NOT_MEASURED, "the marks were not found on this channel");
  if (polarity.validity == MT_VALID) {
    double phase = phase_against_stimulus(ws, section, channel, played);
    if (fabs(phase) <= POLARITY_LIMIT_DEG)
      mt_reading_set(&polarity, 1.0, 0.0);
    else if (fabs(phase) >= 180.0 - POLARITY_LIMIT_DEG)
      mt_reading_set(&polarity, -1.0, 0.0);
    else
      mt_reading_refuse(&polarity, MT_NOT_MEASURED,
                        "the phase at %.0f Hz is %.0f degrees: neither normal nor inverted",
                        section->segment->freq_hz[played], phase);
  }
  return mt_workspace_add(ws, &polarity, err);
}

static mt_code read_route(mt_workspace *ws, mt_channel channel, mt_error *err)
{
  const mt_section *own = mt_workspace_find(ws, channel == MT_LEFT ? "left" : "right");
  const mt_section *other = mt_workspace_find(ws, channel == MT_LEFT ? "right" : "left");
  mt_reading route = mt_workspace_reading(ws, MT_Q_ROUTE, channel, own);

  if (other->validity[channel] != MT_VALID)
    mt_reading_refuse(&route, other->validity[channel], "%s", other->why[channel]);
  route.freq_hz = own->segment->freq_hz[channel];
  mt_reading_set(&route, (double)ws->route[channel], 0.0);
  return mt_workspace_add(ws, &route, err);
}

mt_code mt_read_route(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  if (ws->stimulus == NULL || ws->nchannels < MT_PAIR || mt_workspace_find(ws, "left") == NULL ||
      mt_workspace_find(ws, "right") == NULL)
    return MT_OK;
  for (int c = 0; c < MT_PAIR && code == MT_OK; c++) {
    code = read_route(ws, c, err);
    if (code == MT_OK)
      code = read_polarity(ws, c, err);
  }
  return code;
}
