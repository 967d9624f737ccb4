/* How much of the other channel is heard while this one should be silent. */
#include "analysis/workspace.h"

#include "base/decibel.h"

/* The capture channel that hears stimulus channel s alone, or -1. */
static int heard_at(const mt_workspace *ws, int s)
{
  mt_route wanted = s == 0 ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
  for (int c = 0; c < MT_PAIR; c++)
    if (ws->route_known[c] && ws->route[c] == wanted)
      return c;
  return -1;
}

static mt_code read_from(mt_workspace *ws, int s, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, s == 0 ? "left" : "right");
  int source = heard_at(ws, s);
  int victim = source >= 0 ? 1 - source : 1 - s;
  mt_reading reading = mt_workspace_reading(ws, MT_Q_CROSSTALK, victim, section);
  char name[8];

  reading.freq_hz = section->segment->freq_hz[s];
  mt_channel_name(victim, name);
  /* a silent channel with some crosstalk is not a quiet channel: it must be known to work */
  if (ws->route_known[victim] && ws->route[victim] == MT_ROUTE_NONE)
    mt_reading_refuse(&reading, MT_NO_SIGNAL, "the %s channel is silent, so its quiet proves nothing", name);
  else if (source < 0 || heard_at(ws, 1 - s) < 0)
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "the channels do not arrive one each");
  else if (section->validity[source] != MT_VALID)
    mt_reading_refuse(&reading, section->validity[source], "%s", section->why[source]);
  if (reading.validity == MT_VALID) {
    const mt_tone *heard = &section->tone[victim], *strong = &section->tone[source];
    double ratio = heard->power / strong->power;
    double error = hypot(heard->power_error, ratio * strong->power_error) / strong->power;
    mt_reading_set_power(&reading, ratio, error, heard->noise_power / strong->power);
  }
  return mt_workspace_add(ws, &reading, err);
}

mt_code mt_read_crosstalk(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  if (ws->stimulus == NULL || ws->nchannels < MT_PAIR || mt_workspace_find(ws, "left") == NULL ||
      mt_workspace_find(ws, "right") == NULL)
    return MT_OK;
  for (int s = 1; s >= 0 && code == MT_OK; s--) /* heard on the left first */
    code = read_from(ws, s, err);
  return code;
}
