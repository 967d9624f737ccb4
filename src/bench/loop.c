/* The loop: output cabled to input, read like a unit, and kept as the rig's own. */
#include <mendtone/rig.h>

#include "base/decibel.h"
#include "base/text.h"

#include <stdlib.h>
#include <string.h>

/* A limit of 1 % that is not reached up to full scale leaves the highest step that was heard. */
#define STEP_HEARD_DB 0.5
/* Two readings of one lead a minute apart agree within the sweep's 0.05 dB and what a warming card drifts; common
   practice, no source. */
#define UNMOVED_DB 0.2

static mt_rig_value take(const mt_results *loop, mt_quantity quantity, int channel, const char *segment)
{
  const mt_reading *r = mt_results_find(loop, quantity, channel, segment);
  mt_rig_value v = {.known = false};

  if (r == NULL || (r->validity != MT_VALID && r->validity != MT_RIG_LIMITED))
    return v;
  v.known = true;
  v.is_bound = r->validity == MT_RIG_LIMITED;
  v.value = r->value;
  v.uncertainty = r->uncertainty;
  return v;
}

/* Each channel on its own, alone and upright, else every correction would be wrong. */
static mt_code check_path(const mt_results *loop, int channel, mt_error *err)
{
  mt_route own = channel == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT, hears;
  mt_rig_value route = take(loop, MT_Q_ROUTE, channel, "");
  mt_rig_value polarity = take(loop, MT_Q_POLARITY, channel, "");
  char name[8];

  mt_channel_name(channel, name);
  if (!route.known)
    return mt_fail(err, MT_E_DATA, "the loop is no loop: what the %s input hears was not read; take it again",
                   name);
  hears = (mt_route)lround(route.value);
  if (hears != own)
    return mt_fail(
        err, MT_E_DATA,
        "the loop is no loop: the %s input hears %s, expected its own channel alone; check both leads", name,
        hears == MT_ROUTE_NONE   ? "nothing"
        : hears == MT_ROUTE_BOTH ? "both outputs"
                                 : "the other output");
  if (!polarity.known || polarity.value < 0.0)
    return mt_fail(err, MT_E_DATA,
                   "the loop turns the polarity of the %s channel; check the wiring of its lead", name);
  return MT_OK;
}

static mt_code take_response(const mt_results *loop, int channel, mt_rig_channel *out, mt_error *err)
{
  const mt_curve *curve = mt_results_find_curve(loop, MT_Q_RESPONSE, channel);
  char name[8];

  if (curve == NULL || curve->validity != MT_VALID || curve->npoints < 2)
    return mt_fail(err, MT_E_DATA, "the %s channel's response of the loop was not read%s%.80s; take it again",
                   mt_channel_name(channel, name), curve != NULL && curve->why[0] != '\0' ? ": " : "",
                   curve != NULL ? curve->why : "");
  out->npoints = 0;
  for (size_t i = 0; i < curve->npoints && out->npoints < MT_RIG_POINTS_MAX; i++) {
    if (curve->uncertainty[i] >= MT_CURVE_BOUND_DB)
      continue;
    out->freq_hz[out->npoints] = curve->x[i];
    out->response_db[out->npoints] = curve->y[i];
    out->uncertainty_db[out->npoints++] = curve->uncertainty[i];
  }
  return MT_OK;
}

/* The level at 1 % THD; if that is not reached, the highest level captured, a bound. */
static mt_rig_value take_maximum(const mt_results *loop, int channel, mt_rig_value gain)
{
  mt_rig_value maximum = take(loop, MT_Q_MAX_LEVEL, channel, "");

  for (size_t i = 0; !maximum.known && gain.known && i < loop->ncurves; i++) {
    const mt_curve *c = &loop->curves[i];
    if (c->quantity != MT_Q_LINEARITY || c->channel != channel || c->validity != MT_VALID ||
        c->npoints == 0 || fabs(c->y[c->npoints - 1]) > STEP_HEARD_DB)
      continue;
    maximum.known = maximum.is_bound = true;
    maximum.value = c->x[c->npoints - 1] + gain.value + c->y[c->npoints - 1];
    maximum.uncertainty = c->uncertainty[c->npoints - 1];
  }
  return maximum;
}

static void take_harmonics(const mt_results *loop, int channel, mt_rig_channel *out)
{
  for (size_t i = 0; i < loop->nreadings; i++) {
    const mt_reading *r = &loop->readings[i];
    if (r->quantity == MT_Q_HARMONIC && r->channel == channel && r->order >= 2 && r->order <= MT_RIG_ORDERS &&
        strcmp(r->segment, "both") == 0 && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED))
      out->harmonic_db[r->order] =
          (mt_rig_value){true, r->validity == MT_RIG_LIMITED, r->value, r->uncertainty};
  }
}

int mt_rig_product(const mt_reading *reading)
{
  /* in the order of their names in the rig's file; of each but the last orders 2 and 3 */
  static const char *const segments[] = {"imd-250-8000", "imd-41-7993", "imd-11000-11080", "imd-18k-20k",
                                         "imd-8000-11950"};
  const int last = (int)(sizeof segments / sizeof segments[0]) - 1;

  if (reading->quantity != MT_Q_IMD_MOD && reading->quantity != MT_Q_IMD_DIFF)
    return -1;
  for (int i = 0; i <= last; i++)
    if (strcmp(reading->segment, segments[i]) == 0) {
      if (i == last)
        return reading->order == 0 ? MT_RIG_PRODUCTS - 1 : -1;
      return reading->order == 2 || reading->order == 3 ? 2 * i + reading->order - 2 : -1;
    }
  return -1;
}

static void take_products(const mt_results *loop, int channel, mt_rig_channel *out)
{
  for (size_t i = 0; i < loop->nreadings; i++) {
    const mt_reading *r = &loop->readings[i];
    int which = r->channel == channel ? mt_rig_product(r) : -1;
    if (which >= 0 && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED))
      out->imd_db[which] = (mt_rig_value){true, r->validity == MT_RIG_LIMITED, r->value, r->uncertainty};
  }
}

static mt_code take_channel(const mt_results *loop, int channel, mt_rig_channel *out, mt_error *err)
{
  mt_rig_value sinad = take(loop, MT_Q_SINAD, channel, "both");
  mt_code code = check_path(loop, channel, err);
  char name[8];

  if (code == MT_OK)
    code = take_response(loop, channel, out, err);
  if (code != MT_OK)
    return code;
  out->gain_db = take(loop, MT_Q_GAIN, channel, "both");
  out->level_dbfs = take(loop, MT_Q_LEVEL, channel, "both");
  out->noise_dbfs = take(loop, MT_Q_NOISE, channel, "idle");
  out->noise_a_dbfs = take(loop, MT_Q_NOISE_A, channel, "idle");
  out->noise_ccir_dbfs = take(loop, MT_Q_NOISE_CCIR, channel, "idle");
  out->noise_468_dbfs = take(loop, MT_Q_NOISE_468, channel, "idle");
  out->hum_dbfs = take(loop, MT_Q_HUM, channel, "idle");
  out->thd_n_db = take(loop, MT_Q_THD_N, channel, "both");
  out->thd_db = take(loop, MT_Q_THD_F, channel, "both");
  take_harmonics(loop, channel, out);
  take_products(loop, channel, out);
  out->crosstalk_db = take(loop, MT_Q_CROSSTALK, channel, "");
  out->latency_s = take(loop, MT_Q_DELAY, channel, "");
  out->max_level_dbfs = take_maximum(loop, channel, out->gain_db);
  if (!out->gain_db.known || !out->level_dbfs.known || !out->noise_dbfs.known || !out->thd_n_db.known ||
      !sinad.known)
    return mt_fail(err, MT_E_DATA,
                   "the %s channel's level, noise or THD+N of the loop was not read; take it again",
                   mt_channel_name(channel, name));
  out->rest_dbfs = sinad;
  out->rest_dbfs.value = out->level_dbfs.value - sinad.value;
  return MT_OK;
}

/* The tone and the loop passed the same way a moment apart, so at the tone's frequency they must agree. */
static mt_code check_unmoved(const mt_rig *rig, int channel, mt_error *err)
{
  const mt_rig_channel *c = &rig->channel[channel];
  double reference_db, u, tone_db, loop_db;
  char name[8];

  if (!c->input_full_v.known || !c->output_full_v.known ||
      !mt_rig_response(rig, channel, rig->tone_hz, &reference_db, &u))
    return MT_OK;
  tone_db = mt_db_of_ratio(c->output_full_v.value / c->input_full_v.value);
  loop_db = c->gain_db.value + reference_db;
  if (fabs(tone_db - loop_db) > UNMOVED_DB)
    return mt_fail(
        err, MT_E_DATA,
        "the %s loop passed %.2f dB of the tone, and %.2f dB a moment later: a level control was moved, "
        "or a plug is loose; begin anew",
        mt_channel_name(channel, name), tone_db, loop_db);
  return MT_OK;
}

/* An output metered open: its volts as the input loads it, at the loop's level. */
static void calibrate_input(mt_rig *rig, int channel)
{
  mt_rig_channel *c = &rig->channel[channel];
  double dbv, uncertainty_db, reference_db, u, total;

  if (c->input_full_v.known || !c->output_full_v.known ||
      !mt_rig_output_dbv(rig, channel, rig->tone_hz, &dbv, &uncertainty_db) ||
      !mt_rig_response(rig, channel, rig->tone_hz, &reference_db, &u))
    return;
  /* the gain is that at the reference tone: the response leads from there to the calibration's */
  total = hypot(uncertainty_db, hypot(c->gain_db.uncertainty, u));
  c->input_full_v.known = true;
  c->input_full_v.value = mt_ratio_of_db(dbv - c->gain_db.value - reference_db);
  c->input_full_v.uncertainty = c->input_full_v.value * (mt_ratio_of_db(total) - 1.0);
}

static mt_code check_take(const mt_results *loop, mt_error *err)
{
  if (!loop->is_stimulus || loop->nchannels < MT_RIG_CHANNELS)
    return mt_fail(err, MT_E_DATA, "the loop has %u channel%s; expected a stimulus on two", loop->nchannels,
                   loop->nchannels == 1 ? "" : "s");
  for (size_t i = 0; i < loop->nproblems; i++)
    if (loop->problems[i].kind == MT_PROBLEM_RESAMPLED)
      return mt_fail(err, MT_E_DATA,
                     "the loop resamples (%.150s); choose a direct device, or the rate the mixer runs at",
                     loop->problems[i].text);
  if (!loop->valid)
    return mt_fail(err, MT_E_DATA, "the loop's take is spoilt%s%.150s; take it again",
                   loop->nproblems > 0 ? ": " : "", loop->nproblems > 0 ? loop->problems[0].text : "");
  return MT_OK;
}

mt_code mt_rig_take_loop(mt_rig *rig, const mt_results *loop, mt_error *err)
{
  mt_rig *mine = malloc(sizeof *mine);
  mt_code code = check_take(loop, err);

  if (mine == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a rig");
  memcpy(mine, rig, sizeof *mine);
  mine->rate_hz = loop->rate_hz;
  mine->loop_level_dbfs = loop->stimulus_level_dbfs;
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++)
    code = take_channel(loop, c, &mine->channel[c], err);
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++)
    code = check_unmoved(mine, c, err);
  if (code == MT_OK) {
    mine->channel[MT_LEFT].phase_difference_deg = take(loop, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, "both");
    for (int c = 0; c < MT_RIG_CHANNELS; c++)
      calibrate_input(mine, c);
    memcpy(rig, mine, sizeof *mine);
  }
  free(mine);
  return code;
}
