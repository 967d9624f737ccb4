/* What a rig tells of results read with it: volts, gain without the rig, and how near its floor a reading is. */
#include <mendtone/rig.h>

#include "base/decibel.h"
#include "base/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define REFERENCE_HZ 997.0
/* Of the rig's own distortion no more is known than at the level of its loop. */
#define SAME_LEVEL_DB 6.0
#define NEAR_MAXIMUM_DB 1.0
#define DB_PER_BIT 6.0205999132796239

typedef struct context {
  const mt_rig *rig;
  const mt_rig_use *use;
  mt_results *results;
  bool has_volts;
  bool has_loop;
  bool has_gain[MT_RIG_CHANNELS];
  double gain_db[MT_RIG_CHANNELS];       /* of the unit: the loop taken off */
  bool has_unit_full[MT_RIG_CHANNELS];   /* recorded by the unit */
  double unit_full_dbv[MT_RIG_CHANNELS]; /* voltage at its input that it records as 0 dBFS */
  double unit_full_uncertainty_db[MT_RIG_CHANNELS];
} context;

/* ---- helpers --------------------------------------------------------------------------------------- */

static mt_reading *find(const context *x, mt_quantity quantity, const mt_reading *like, const char *segment)
{
  for (size_t i = 0; i < x->results->nreadings; i++) {
    mt_reading *r = &x->results->readings[i];
    if (r->quantity == quantity && r->channel == like->channel && strcmp(r->state, like->state) == 0 &&
        strcmp(r->segment, segment) == 0)
      return r;
  }
  return NULL;
}

static bool has_value(const mt_reading *r)
{
  return r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

MT_PRINTF(2, 3)
static void warn(mt_rig_note *note, const char *fmt, ...)
{
  char text[256];
  va_list args;

  if (note->nwarnings >= sizeof note->warnings / sizeof note->warnings[0])
    return;
  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(note->warnings[note->nwarnings++], sizeof note->warnings[0], text);
}

static void limit(const context *x, mt_reading *r, double value, double own, const char *unit)
{
  r->validity = MT_RIG_LIMITED;
  r->value = value;
  x->results->rig.nlimited++;
  snprintf(r->why, sizeof r->why, "less than %g dB above the rig's own %.1f %s: %s this", MT_RIG_CLEAR_DB,
           own, unit, mt_quantity_bound_is_least(r->quantity) ? "at least" : "at most");
}

/* Standard relative uncertainty of a power from the expanded one in dB, and back. */
static double relative_of(double uncertainty_db)
{
  return 0.5 * uncertainty_db * log(10.0) / 10.0;
}

static double expanded_of(double relative)
{
  return 2.0 * 10.0 / log(10.0) * relative;
}

/* ---- the rig's share of a noise -------------------------------------------------------------------- */

/* Between two powers, re a full-scale sine of the capture. */
typedef struct share {
  bool known;
  double low, high;
  double relative; /* standard uncertainty of the rig's own reading */
} share;

/*
 * The loop's noise is made by the output and by the input, in parts that are not known. What the output makes
 * passes the unit and its gain, what the input makes does not.
 */
static share share_of(const context *x, int channel, const mt_rig_value *own)
{
  double power, gain;
  share s = {.known = own->known};

  if (!own->known)
    return s;
  power = mt_power_of_db(own->value);
  s.relative = own->is_bound ? 0.0 : relative_of(own->uncertainty);
  s.high = power;
  if (x->use->recorded_by_unit) {
    double dbv, u;
    /* at the most all of it came from the output, and the unit's own converter reads it */
    s.known = x->has_unit_full[channel] && mt_rig_input_dbv(x->rig, channel, REFERENCE_HZ, &dbv, &u);
    if (s.known)
      s.high = power * mt_power_of_db(dbv + u - x->unit_full_dbv[channel]);
  } else if (x->has_gain[channel]) {
    gain = mt_power_of_db(x->gain_db[channel]);
    s.low = power * fmin(1.0, gain);
    s.high = power * fmax(1.0, gain);
  }
  if (own->is_bound)
    s.low = 0.0;
  return s;
}

/* Take a share off a power; its extent either way is uniform uncertainty. */
static double subtract(double power, double relative, const share *s, double *relative_out)
{
  double middle = 0.5 * (s->low + s->high), half = 0.5 * (s->high - s->low);
  double rest = power - middle;
  double error = sqrt(power * relative * power * relative + half * half / 3.0 +
                      middle * s->relative * middle * s->relative);

  *relative_out = error / rest;
  return rest;
}

static bool is_clear(double power, double own)
{
  return power >= own * mt_power_of_db(MT_RIG_CLEAR_DB);
}

/* A level of noise, dBFS. */
static void apply_noise(const context *x, mt_reading *r, const mt_rig_value *own)
{
  share s = share_of(x, r->channel, own);
  double power = mt_power_of_db(r->value), relative;

  if (!s.known || r->validity != MT_VALID)
    return;
  if (!is_clear(power, s.high)) {
    limit(x, r, r->value, mt_db_of_power(s.high), "dBFS");
    return;
  }
  power = subtract(power, relative_of(r->uncertainty), &s, &relative);
  r->value = mt_db_of_power(power);
  r->uncertainty = expanded_of(relative);
}

/* A tone over a noise, dB: the tone's level less the reading is the noise. */
static void apply_range(const context *x, mt_reading *r, const mt_rig_value *own)
{
  const mt_reading *level = find(x, MT_Q_LEVEL, r, "both");
  mt_reading noise = *r;

  if (r->validity != MT_VALID || level == NULL || level->validity != MT_VALID)
    return;
  noise.value = level->value - r->value;
  apply_noise(x, &noise, own); /* still called a range, so that its bound is worded as one */
  if (noise.validity == MT_VALID)
    r->value = level->value - noise.value;
  r->uncertainty = noise.uncertainty;
  r->validity = noise.validity;
  mt_text_copy(r->why, sizeof r->why, noise.why);
}

/* ---- what may cancel ------------------------------------------------------------------------------- */

/*
 * A sine of the rig's own on top, in unknown phase: its part along the unit's own is spread as the arcsine law, of
 * standard deviation r / sqrt(2) (JCGM 100:2008 4.3.9 note 2 and any text on it). Nearer, the sum bounds the unit's.
 */
static void apply_sine(const context *x, mt_reading *r, double own_db, const char *unit)
{
  double own = mt_ratio_of_db(own_db), read = mt_ratio_of_db(r->value);

  if (r->validity != MT_VALID)
    return;
  if (!is_clear(read * read, own * own)) {
    limit(x, r, mt_db_of_ratio(read + own), own_db, unit);
    return;
  }
  r->uncertainty = hypot(r->uncertainty, 2.0 * 20.0 / log(10.0) * own / read / sqrt(2.0));
}

/* Hum picked up by the output passes the unit's gain as well. */
static void apply_hum(const context *x, mt_reading *r, const mt_rig_value *own)
{
  share s = share_of(x, r->channel, own);

  if (s.known)
    apply_sine(x, r, mt_db_of_power(s.high), "dBFS");
}

/* ---- all but the tone ------------------------------------------------------------------------------ */

/*
 * A residual re the tone, as a power. The rig's noise comes off in power; its harmonics meet those of the unit in
 * unknown phase, so that they come off in power too, but leave twice the product of both uncertain.
 *
 * @return false if it is too near: then *power is the bound, the rig's harmonics added as if they had cancelled.
 */
static bool clear_residual(double *power, double *relative, const share *noise, double own_harmonic,
                           double unit_harmonic)
{
  share all = *noise;
  double error;

  all.low += own_harmonic * own_harmonic;
  all.high += own_harmonic * own_harmonic;
  if (!is_clear(*power, all.high)) {
    double amplitude = sqrt(*power) + own_harmonic;
    *power = amplitude * amplitude;
    return false;
  }
  *power = subtract(*power, *relative, &all, &error);
  *relative = hypot(error, 2.0 * own_harmonic * unit_harmonic / sqrt(2.0) / *power);
  return true;
}

static double amplitude_of(const mt_reading *r, double otherwise_db)
{
  return mt_ratio_of_db(has_value(r) ? r->value : otherwise_db);
}

/* THD+N is all but the tone re the total: q / (1 + q). */
static void apply_thd_n(const context *x, mt_reading *r)
{
  const mt_rig_channel *rig = &x->rig->channel[r->channel];
  const mt_reading *level = find(x, MT_Q_LEVEL, r, r->segment);
  share noise = share_of(x, r->channel, &rig->noise_dbfs);
  double total = mt_power_of_db(r->value), residual, relative, tone, own;

  if (r->validity != MT_VALID || level == NULL || level->validity != MT_VALID || !noise.known || total >= 1.0)
    return;
  tone = mt_power_of_db(level->value);
  noise.low /= tone;
  noise.high /= tone;
  residual = total / (1.0 - total);
  relative = relative_of(r->uncertainty) * (1.0 + residual);
  own = rig->thd_db.known ? mt_ratio_of_db(rig->thd_db.value) : 0.0;
  if (clear_residual(&residual, &relative, &noise, own,
                     amplitude_of(find(x, MT_Q_THD_F, r, r->segment), r->value))) {
    r->value = mt_db_of_power(residual / (1.0 + residual));
    r->uncertainty = expanded_of(relative / (1.0 + residual));
  } else
    limit(x, r, mt_db_of_power(residual / (1.0 + residual)), mt_db_of_power(noise.high + own * own), "dB");
}

/* SINAD counts all up to half the rate, and effective bits follow it. */
static void apply_sinad(const context *x, mt_reading *r)
{
  const mt_rig_channel *rig = &x->rig->channel[r->channel];
  const mt_reading *level = find(x, MT_Q_LEVEL, r, r->segment);
  mt_reading *enob = find(x, MT_Q_ENOB, r, r->segment);
  share rest = share_of(x, r->channel, &rig->rest_dbfs);
  double before = r->value, residual = mt_power_of_db(-r->value), relative, tone, own;

  if (r->validity != MT_VALID || level == NULL || level->validity != MT_VALID || !rest.known)
    return;
  tone = mt_power_of_db(level->value);
  rest.low /= tone;
  rest.high /= tone;
  relative = relative_of(r->uncertainty);
  own = rig->thd_db.known ? mt_ratio_of_db(rig->thd_db.value) : 0.0;
  if (clear_residual(&residual, &relative, &rest, own,
                     amplitude_of(find(x, MT_Q_THD_F, r, r->segment), -r->value))) {
    r->value = -mt_db_of_power(residual);
    r->uncertainty = expanded_of(relative);
  } else
    limit(x, r, -mt_db_of_power(residual), -mt_db_of_power(rest.high + own * own), "dB");
  if (enob == NULL || enob->validity != MT_VALID)
    return;
  enob->value += (r->value - before) / DB_PER_BIT;
  enob->uncertainty = fmax(enob->uncertainty, r->uncertainty / DB_PER_BIT);
  enob->validity = r->validity;
  mt_text_copy(enob->why, sizeof enob->why, r->why);
}

/* ---- levels that the rig itself ends --------------------------------------------------------------- */

static void apply_maximum(const context *x, mt_reading *r)
{
  const mt_rig_value *own = &x->rig->channel[r->channel].max_level_dbfs;
  double gain = x->has_gain[r->channel] ? x->gain_db[r->channel] : 0.0;

  if (r->validity != MT_VALID || !own->known || own->is_bound || x->use->recorded_by_unit)
    return;
  /* through a unit that loses level it is the output that bends first */
  if (fmax(r->value, r->value - gain) > own->value - NEAR_MAXIMUM_DB) {
    r->validity = MT_NOT_MEASURED;
    snprintf(r->why, sizeof r->why,
             "the rig itself reaches 1 %% THD at %.1f dBFS: turn its level down, or use an attenuator",
             own->value);
  }
}

/* ---- gain, balance, phase -------------------------------------------------------------------------- */

static bool loop_gain(const context *x, int channel, double freq_hz, double *gain_db, double *uncertainty_db)
{
  const mt_rig_value *gain = &x->rig->channel[channel].gain_db;
  double response = 0.0, u = 0.0;

  if (!gain->known || gain->is_bound)
    return false;
  if (fabs(freq_hz - REFERENCE_HZ) > 1.0 && !mt_rig_response(x->rig, channel, freq_hz, &response, &u))
    return false;
  *gain_db = gain->value + response;
  *uncertainty_db = hypot(gain->uncertainty, u);
  return true;
}

static void apply_gain(const context *x, mt_reading *r)
{
  double own, u;

  if (!has_value(r) || !loop_gain(x, r->channel, r->freq_hz, &own, &u))
    return;
  r->value -= own;
  r->uncertainty = hypot(r->uncertainty, u);
}

/* What of a pair's difference is the rig's, and how well it is known. */
typedef struct difference {
  bool known;
  double value, uncertainty;
} difference;

/* Of a recording the unit made only the output's part: between none and all of the loop's. */
static difference half_of(difference d)
{
  d.value *= 0.5;
  d.uncertainty = hypot(0.5 * d.uncertainty, 2.0 * fabs(d.value) / sqrt(3.0));
  return d;
}

static difference own_balance(const context *x, double freq_hz)
{
  difference d = {.known = false};
  double left, right, u_left, u_right;

  /* one meter reads both outputs, and its error is much the same: taken as independent, which is too much */
  if (x->use->recorded_by_unit && mt_rig_output_dbv(x->rig, MT_LEFT, freq_hz, &left, &u_left) &&
      mt_rig_output_dbv(x->rig, MT_RIGHT, freq_hz, &right, &u_right))
    return (difference){true, left - right, hypot(u_left, u_right)};
  d.known =
      loop_gain(x, MT_LEFT, freq_hz, &left, &u_left) && loop_gain(x, MT_RIGHT, freq_hz, &right, &u_right);
  if (d.known) {
    d.value = left - right;
    d.uncertainty = hypot(u_left, u_right);
  }
  return x->use->recorded_by_unit ? half_of(d) : d;
}

static void apply_balance(const context *x, mt_reading *r)
{
  difference own = own_balance(x, r->freq_hz);

  if (!has_value(r) || !own.known)
    return;
  r->value -= own.value;
  r->uncertainty = hypot(r->uncertainty, own.uncertainty);
}

static void apply_phase(const context *x, mt_reading *r)
{
  const mt_rig_value *loop = &x->rig->channel[MT_LEFT].phase_difference_deg;
  difference own = {loop->known, loop->value, loop->uncertainty};

  if (!has_value(r) || !own.known || fabs(r->freq_hz - REFERENCE_HZ) > 1.0)
    return;
  if (x->use->recorded_by_unit)
    own = half_of(own);
  r->value = remainder(r->value - own.value, 360.0);
  r->uncertainty = hypot(r->uncertainty, own.uncertainty);
}

/* ---- one reading ----------------------------------------------------------------------------------- */

static void apply_pair(const context *x, mt_reading *r)
{
  if (r->quantity == MT_Q_BALANCE)
    apply_balance(x, r);
  else if (r->quantity == MT_Q_PHASE_DIFFERENCE)
    apply_phase(x, r);
}

static void apply_loop(const context *x, mt_reading *r)
{
  const mt_rig_channel *own;

  if (r->channel < 0 || r->channel >= MT_RIG_CHANNELS) {
    apply_pair(x, r);
    return;
  }
  own = &x->rig->channel[r->channel];
  switch (r->quantity) {
  case MT_Q_GAIN:
    if (!x->use->recorded_by_unit)
      apply_gain(x, r);
    break;
  case MT_Q_NOISE: apply_noise(x, r, &own->noise_dbfs); break;
  case MT_Q_NOISE_A: apply_noise(x, r, &own->noise_a_dbfs); break;
  case MT_Q_NOISE_CCIR: apply_noise(x, r, &own->noise_ccir_dbfs); break;
  case MT_Q_NOISE_468: apply_noise(x, r, &own->noise_468_dbfs); break;
  case MT_Q_SNR: apply_range(x, r, &own->noise_dbfs); break;
  case MT_Q_DYNAMIC_RANGE: apply_range(x, r, &own->noise_ccir_dbfs); break;
  case MT_Q_HUM: apply_hum(x, r, &own->hum_dbfs); break;
  case MT_Q_THD_N: apply_thd_n(x, r); break;
  case MT_Q_SINAD: apply_sinad(x, r); break;
  case MT_Q_MAX_LEVEL: apply_maximum(x, r); break;
  default: break;
  }
}

/* After THD+N and SINAD, which ask for the harmonics as they were read. */
static void apply_sines(const context *x, mt_reading *r)
{
  const mt_rig_channel *own;
  const mt_rig_value *v = NULL;

  if (r->channel < 0 || r->channel >= MT_RIG_CHANNELS)
    return;
  own = &x->rig->channel[r->channel];
  if (r->quantity == MT_Q_CROSSTALK)
    v = &own->crosstalk_db;
  else if (r->quantity == MT_Q_THD_F || r->quantity == MT_Q_THD_R)
    v = &own->thd_db;
  else if (r->quantity == MT_Q_HARMONIC && r->order >= 2 && r->order <= MT_RIG_ORDERS)
    v = &own->harmonic_db[r->order];
  else if (mt_rig_product(r) >= 0)
    v = &own->imd_db[mt_rig_product(r)];
  if (v != NULL && v->known)
    apply_sine(x, r, v->value, "dB");
}

/* ---- volts ----------------------------------------------------------------------------------------- */

static bool is_rms_level(mt_quantity q)
{
  return q == MT_Q_LEVEL || q == MT_Q_NOISE || q == MT_Q_NOISE_A || q == MT_Q_NOISE_CCIR ||
         q == MT_Q_NOISE_468 || q == MT_Q_HUM || q == MT_Q_HUM_LINE || q == MT_Q_SPURIOUS ||
         q == MT_Q_MAX_LEVEL;
}

static void add_volts(const context *x, mt_reading *r)
{
  double full, u;

  if (r->channel < 0 || r->channel >= MT_RIG_CHANNELS || !is_rms_level(r->quantity) || !has_value(r))
    return;
  if (x->use->recorded_by_unit) {
    if (!x->has_unit_full[r->channel])
      return;
    full = x->unit_full_dbv[r->channel];
    u = x->unit_full_uncertainty_db[r->channel];
  } else if (!mt_rig_input_dbv(x->rig, r->channel, r->freq_hz > 0.0 ? r->freq_hz : REFERENCE_HZ, &full, &u))
    return;
  r->has_dbv = true;
  r->dbv = r->value + full;
  r->dbv_uncertainty = hypot(r->uncertainty, u);
}

/* The unit's own full scale, from what it made of a level that is known in volts. */
static mt_code add_input_full_scale(context *x, mt_error *err)
{
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    const mt_reading *level = mt_results_find(x->results, MT_Q_LEVEL, c, "both");
    const mt_reading *gain = mt_results_find(x->results, MT_Q_GAIN, c, "both");
    mt_reading full;
    double dbv, u;
    mt_code code;

    if (level == NULL || gain == NULL)
      continue;
    full = *level;
    full.quantity = MT_Q_INPUT_FULL_SCALE;
    full.verdict = MT_VERDICT_NONE;
    if (!mt_rig_output_dbv(x->rig, c, level->freq_hz, &dbv, &u)) {
      full.validity = MT_NOT_MEASURED;
      mt_text_copy(full.why, sizeof full.why, "the rig's output is not calibrated in volts on this channel");
    }
    if (full.validity == MT_VALID) {
      /* full scale at the unit's input is what was played, less what it made of it */
      full.value = full.dbv = dbv - gain->value;
      full.uncertainty = full.dbv_uncertainty = hypot(level->uncertainty, u);
      full.has_dbv = true;
      x->has_unit_full[c] = true;
      x->unit_full_dbv[c] = full.value;
      x->unit_full_uncertainty_db[c] = full.uncertainty;
    }
    code = mt_results_add_reading(x->results, &full, err);
    if (code != MT_OK)
      return code;
  }
  return MT_OK;
}

/* ---- what stands against the rig ------------------------------------------------------------------- */

/* What was asked for may be a part of the name, as long as no other device has it. */
static bool is_same_device(const mt_rig_side *side, const char *used)
{
  char full[sizeof side->device + sizeof side->host_api + 2];

  snprintf(full, sizeof full, "%s: %s", side->host_api, side->device);
  return used == NULL || strcasestr(full, used) != NULL;
}

static bool has_its_input(const mt_rig *rig, const mt_rig_use *use)
{
  return use->recorded_by_unit || is_same_device(&rig->input, use->input);
}

static bool check_devices(const context *x, mt_rig_note *note)
{
  bool same_input = has_its_input(x->rig, x->use);
  bool same_output = is_same_device(&x->rig->output, x->use->output);

  if (!same_input)
    warn(note, "not its input (\"%.40s\"): neither its volts nor its floor apply", x->use->input);
  if (!same_output)
    warn(note, "not its output (\"%.40s\"): neither its volts nor its floor apply", x->use->output);
  return same_input && same_output;
}

static void check_age(const context *x, mt_rig_note *note)
{
  double days = x->use->now != 0 ? mt_rig_age_days(x->rig, x->use->now) : 0.0;

  if (days > x->rig->max_age_days)
    warn(note, "made %.0f days ago, and meant to be made again after %.0f", floor(days),
         x->rig->max_age_days);
  else if (days < -1.0)
    warn(note, "dated %.0f days in the future: is this computer's clock right?", -days);
}

bool mt_rig_loop_applies(const mt_rig *rig, const mt_rig_use *use, double rate_hz)
{
  return has_its_input(rig, use) && is_same_device(&rig->output, use->output) &&
         fabs(rig->rate_hz - rate_hz) < 0.5 && rig->channel[0].noise_dbfs.known &&
         rig->channel[1].noise_dbfs.known;
}

/* The rig's distortion is that at its loop's level; a louder take may have more of it. */
static void check_level(const context *x, mt_rig_note *note)
{
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    const mt_reading *level = mt_results_find(x->results, MT_Q_LEVEL, c, "both");
    const mt_rig_value *own = &x->rig->channel[c].level_dbfs;
    if (!x->use->recorded_by_unit && level != NULL && level->validity == MT_VALID && own->known &&
        level->value > own->value + SAME_LEVEL_DB) {
      warn(note, "its own distortion is known at %.1f dBFS, this take stands at %.1f dBFS", own->value,
           level->value);
      return;
    }
  }
}

static void start_note(context *x, mt_rig_note *note)
{
  bool same;

  *note = (mt_rig_note){.recorded_by_unit = x->use->recorded_by_unit};
  mt_text_copy(note->name, sizeof note->name, x->rig->name);
  mt_text_copy(note->made, sizeof note->made, x->rig->made);
  check_age(x, note);
  same = check_devices(x, note);
  x->has_loop = same && mt_rig_loop_applies(x->rig, x->use, x->results->rate_hz);
  x->has_volts = same;
  if (same && !x->has_loop)
    warn(note, "its loop was read at %.6g Hz, not at %.6g Hz: its floor and response are not applied",
         x->rig->rate_hz, x->results->rate_hz);
  if (x->has_loop)
    check_level(x, note);
  note->loop_applied = x->has_loop;
  note->input_ohm = same && !x->use->recorded_by_unit ? x->rig->input.ohm : 0.0;
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    note->has_floor[c] = x->rig->channel[c].noise_dbfs.known;
    note->noise_dbfs[c] = x->rig->channel[c].noise_dbfs.value;
    note->has_volts = note->has_volts || (same && x->rig->channel[c].input_full_v.known);
  }
}

static void add_played(const context *x, mt_rig_note *note)
{
  double dbv, u;

  if (!x->has_volts || !x->results->is_stimulus ||
      !mt_rig_output_dbv(x->rig, MT_LEFT, REFERENCE_HZ, &dbv, &u))
    return;
  note->has_played_dbv = true;
  note->played_dbv = x->results->stimulus_level_dbfs + dbv;
}

/* The gain of the unit, before anything is corrected: it says how much of the output's noise arrives. */
static void find_gains(context *x)
{
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    const mt_reading *gain = mt_results_find(x->results, MT_Q_GAIN, c, "both");
    const mt_rig_value *own = &x->rig->channel[c].gain_db;
    x->has_gain[c] = gain != NULL && gain->validity == MT_VALID && own->known;
    if (x->has_gain[c])
      x->gain_db[c] = gain->value - own->value;
  }
}

mt_code mt_rig_apply(const mt_rig *rig, const mt_rig_use *use, mt_results *results, mt_error *err)
{
  context x = {.rig = rig, .use = use, .results = results};
  mt_code code = MT_OK;

  start_note(&x, &results->rig);
  add_played(&x, &results->rig);
  find_gains(&x);
  if (x.has_volts && use->recorded_by_unit)
    code = add_input_full_scale(&x, err);
  for (size_t i = 0; x.has_loop && i < results->nreadings; i++)
    apply_loop(&x, &results->readings[i]);
  for (size_t i = 0; x.has_loop && i < results->nreadings; i++)
    apply_sines(&x, &results->readings[i]);
  for (size_t i = 0; x.has_volts && i < results->nreadings; i++)
    add_volts(&x, &results->readings[i]);
  return code;
}

mt_code mt_rig_correction(const mt_rig *rig, const mt_rig_use *use, double rate_hz, int channel,
                          mt_curve *out, mt_error *err)
{
  const mt_rig_channel *c = &rig->channel[channel];
  size_t n = mt_rig_loop_applies(rig, use, rate_hz) ? c->npoints : 0;
  mt_curve curve = {.quantity = MT_Q_RESPONSE, .channel = channel, .npoints = n};

  curve.x = malloc((n + 1) * sizeof *curve.x);
  curve.y = malloc((n + 1) * sizeof *curve.y);
  curve.uncertainty = malloc((n + 1) * sizeof *curve.uncertainty);
  if (curve.x == NULL || curve.y == NULL || curve.uncertainty == NULL) {
    free(curve.x);
    free(curve.y);
    free(curve.uncertainty);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a curve of %zu points", n);
  }
  for (size_t i = 0; i < n; i++) {
    curve.x[i] = c->freq_hz[i];
    curve.y[i] = c->response_db[i];
    curve.uncertainty[i] = c->uncertainty_db[i];
    if (use->recorded_by_unit) {
      /* the output's part of the loop: between none and all of it */
      curve.y[i] *= 0.5;
      curve.uncertainty[i] = hypot(0.5 * curve.uncertainty[i], 2.0 * fabs(curve.y[i]) / sqrt(3.0));
    }
  }
  *out = curve;
  return MT_OK;
}
