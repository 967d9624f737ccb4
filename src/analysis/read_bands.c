/* Third-octave levels of the idle noise. */
#include "analysis/bands.h"
#include "analysis/psd.h"
#include "analysis/workspace.h"

#include "base/decibel.h"

static mt_code read_channel(mt_workspace *ws, const mt_section *idle, mt_channel channel, mt_error *err)
{
  mt_band bands[MT_BANDS_MAX];
  double x[MT_BANDS_MAX], y[MT_BANDS_MAX], u[MT_BANDS_MAX];
  mt_curve curve = mt_workspace_curve(ws, MT_Q_BAND_LEVEL, channel, idle);
  size_t count = mt_bands_measure(&idle->noise[channel], bands);

  for (size_t i = 0; i < count; i++) {
    if (bands[i].power.power <= MT_SILENCE_POWER)
      continue; /* no number is made up for silence */
    x[curve.npoints] = bands[i].nominal_hz;
    y[curve.npoints] = mt_db_of_power(bands[i].power.power);
    u[curve.npoints++] = mt_psd_uncertainty_db(bands[i].power.standard_error / bands[i].power.power);
  }
  curve.x = x;
  curve.y = y;
  curve.uncertainty = u;
  return mt_workspace_add_curve(ws, &curve, err);
}

mt_code mt_read_bands(mt_workspace *ws, mt_error *err)
{
  const mt_section *idle = mt_workspace_find(ws, ws->stimulus != NULL ? "idle" : "");
  mt_code code = MT_OK;

  for (int c = 0; idle != NULL && c < (int)ws->nchannels && code == MT_OK; c++)
    if (idle->has_noise[c])
      code = read_channel(ws, idle, c, err);
  return code;
}
