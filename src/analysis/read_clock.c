/* The clock offset between player and recorder. */
#include "analysis/workspace.h"

mt_code mt_read_clock(mt_workspace *ws, mt_error *err)
{
  mt_reading offset;

  if (!ws->has_clock)
    return MT_OK;
  offset = mt_workspace_reading(ws, MT_Q_CLOCK_OFFSET, MT_CHANNEL_BOTH, mt_workspace_find(ws, "both"));
  offset.segment[0] = '\0';
  mt_reading_set(&offset, ws->clock_offset_ppm, ws->clock_uncertainty_ppm);
  if (offset.validity == MT_VALID) {
    ws->results->has_clock_offset = true;
    ws->results->clock_offset_ppm = ws->clock_offset_ppm;
  }
  return mt_workspace_add(ws, &offset, err);
}
