/* Volts: from a meter's reading to the full scale of input and output. */
#include <mendtone/rig.h>

#include "base/decibel.h"

/* IEC 61938: a line output has at most this source impedance, a line input at least this impedance. */
#define LINE_OUTPUT_MOST_OHM 2200.0
#define LINE_INPUT_LEAST_OHM 22000.0
/* How well an impedance is known that somebody states; common practice, no source. */
#define STATED_OHM_WITHIN 0.1

bool mt_rig_is_plausible(double reading_v)
{
  return reading_v >= MT_RIG_LEAST_V && reading_v <= MT_RIG_MOST_V;
}

static bool is_amount(double x)
{
  return isfinite(x) && x >= 0.0;
}

mt_code mt_rig_read_meter(const mt_meter *meter, double reading_v, mt_rig_value *out, mt_error *err)
{
  double limit;

  if (!is_amount(meter->percent) || !is_amount(meter->digits) || !is_amount(meter->step_v))
    return mt_fail(err, MT_E_ARG,
                   "the meter's accuracy is %g %%, %g digits of %g V; expected numbers from 0 up",
                   meter->percent, meter->digits, meter->step_v);
  if (!isfinite(reading_v) || reading_v <= 0.0)
    return mt_fail(err, MT_E_ARG, "the meter's reading is %g V; expected more than 0", reading_v);
  limit = meter->percent / 100.0 * reading_v + meter->digits * meter->step_v;
  out->known = true;
  out->is_bound = false;
  out->value = reading_v;
  out->uncertainty = 2.0 * sqrt(limit * limit / 3.0 + meter->step_v * meter->step_v / 12.0);
  return MT_OK;
}

/* What the input leaves of an open output, and its expanded uncertainty. */
static mt_rig_value loading(const mt_rig *rig)
{
  double most_out = LINE_OUTPUT_MOST_OHM, least_out = 0.0;
  double least_in = LINE_INPUT_LEAST_OHM, most_in = HUGE_VAL, least, most;
  mt_rig_value left = {.known = true};

  if (rig->output.ohm > 0.0) {
    least_out = rig->output.ohm * (1.0 - STATED_OHM_WITHIN);
    most_out = rig->output.ohm * (1.0 + STATED_OHM_WITHIN);
  }
  if (rig->input.ohm > 0.0) {
    least_in = rig->input.ohm * (1.0 - STATED_OHM_WITHIN);
    most_in = rig->input.ohm * (1.0 + STATED_OHM_WITHIN);
  }
  least = 1.0 / (1.0 + most_out / least_in);
  most = isinf(most_in) ? 1.0 : 1.0 / (1.0 + least_out / most_in);
  left.value = 0.5 * (least + most);
  left.uncertainty = 2.0 * 0.5 * (most - least) / sqrt(3.0);
  return left;
}

/* Volts at a level become volts at full scale. */
static mt_rig_value at_full_scale(mt_rig_value volts, double level_dbfs, double level_uncertainty_db)
{
  mt_rig_value full = {.known = true, .value = volts.value / mt_ratio_of_db(level_dbfs)};

  full.uncertainty =
      full.value * hypot(volts.uncertainty / volts.value, mt_ratio_of_db(level_uncertainty_db) - 1.0);
  return full;
}

void mt_rig_calibrate(mt_rig *rig, int channel, mt_rig_value meter_v, mt_rig_value captured)
{
  mt_rig_channel *c = &rig->channel[channel];
  mt_rig_value loaded = meter_v;

  rig->was_loaded = captured.known;
  if (!captured.known) {
    mt_rig_value left = loading(rig);
    loaded.value = meter_v.value * left.value;
    loaded.uncertainty =
        loaded.value * hypot(meter_v.uncertainty / meter_v.value, left.uncertainty / left.value);
  }
  c->meter_v = meter_v;
  c->output_full_v = at_full_scale(loaded, rig->tone_dbfs, 0.0);
  c->input_full_v = (mt_rig_value){.known = false};
  if (captured.known)
    c->input_full_v = at_full_scale(loaded, captured.value, captured.uncertainty);
}

bool mt_rig_response(const mt_rig *rig, int channel, double freq_hz, double *response_db,
                     double *uncertainty_db)
{
  const mt_rig_channel *c = &rig->channel[channel];
  double part;

  for (size_t i = 0; i < c->npoints; i++) {
    if (fabs(c->freq_hz[i] - freq_hz) <= 1e-6 * freq_hz) {
      *response_db = c->response_db[i];
      *uncertainty_db = c->uncertainty_db[i];
      return true;
    }
    if (c->freq_hz[i] < freq_hz)
      continue;
    if (i == 0)
      return false;
    part = log(freq_hz / c->freq_hz[i - 1]) / log(c->freq_hz[i] / c->freq_hz[i - 1]);
    *response_db = c->response_db[i - 1] + part * (c->response_db[i] - c->response_db[i - 1]);
    *uncertainty_db = fmax(c->uncertainty_db[i - 1], c->uncertainty_db[i]);
    return true;
  }
  return false;
}

/* How much more the loop passes at a frequency than at the calibration's. */
static bool find_change(const mt_rig *rig, int channel, double freq_hz, double *change_db,
                        double *uncertainty_db)
{
  double there, here, u_there, u_here;

  if (fabs(freq_hz - rig->tone_hz) <= 1e-6 * freq_hz) {
    *change_db = *uncertainty_db = 0.0;
    return true;
  }
  if (!mt_rig_response(rig, channel, freq_hz, &there, &u_there) ||
      !mt_rig_response(rig, channel, rig->tone_hz, &here, &u_here))
    return false;
  *change_db = there - here;
  *uncertainty_db = hypot(u_there, u_here);
  return true;
}

/* `side` +1: an output is louder where the loop passes more; -1: an input needs fewer volts there. */
static bool full_scale_dbv(const mt_rig *rig, int channel, const mt_rig_value *full_v, double side,
                           double freq_hz, double *dbv, double *uncertainty_db)
{
  double change, known;

  if (!full_v->known || !find_change(rig, channel, freq_hz, &change, &known))
    return false;
  *dbv = mt_db_of_ratio(full_v->value) + side * 0.5 * change;
  /* anywhere between none and all of the change: half of it to either side, uniform */
  *uncertainty_db = hypot(mt_db_of_relative(full_v->uncertainty / full_v->value),
                          hypot(0.5 * known, 2.0 * 0.5 * fabs(change) / sqrt(3.0)));
  return true;
}

bool mt_rig_input_dbv(const mt_rig *rig, int channel, double freq_hz, double *dbv, double *uncertainty_db)
{
  return full_scale_dbv(rig, channel, &rig->channel[channel].input_full_v, -1.0, freq_hz, dbv,
                        uncertainty_db);
}

bool mt_rig_output_dbv(const mt_rig *rig, int channel, double freq_hz, double *dbv, double *uncertainty_db)
{
  return full_scale_dbv(rig, channel, &rig->channel[channel].output_full_v, 1.0, freq_hz, dbv,
                        uncertainty_db);
}
