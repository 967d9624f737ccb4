/* States that differ in the load on the output, read together: impedance, capacitor, power. */
#include <mendtone/load.h>

#include <mendtone/difference.h>

#include "base/decibel.h"
#include "base/text.h"

#include <complex.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXPANDED_OF_LIMIT 1.1547005383792517
/* A load that bends the wave takes from the level, too: a third-order curve three times its third harmonic, a clip
   less. Beyond so much distortion there is no telling how much. */
#define THD_MOST 0.03
#define LEVEL_PER_THD 3.0
/* Beyond that the levels do not lie on the line of one source. */
#define MISFIT_MOST 3.0
/* The corner moves the tone's level, and the impedance so found the corner: once more is enough. */
#define ROUNDS 3
#define UNKNOWN_CROSSTALK 0.01
#define ANGLE_UNSURE 1.5

/* States that are compared with each other, open or loaded, the heaviest load first. */
typedef struct group {
  const mt_load_state *states[MT_LOAD_POINTS_MAX];
  size_t n;
} group;

/* What one channel of a group is reckoned from. */
typedef struct bench {
  const group *group;
  mt_channel channel;
  const char *segment; /* of the tone that is read */
  double input_ohm;    /* 0: not known */
  double freq_hz;
  mt_load_point points[MT_LOAD_POINTS_MAX]; /* as read */
} bench;

/* ---- looking things up -------------------------------------------------------------------------------- */

static const mt_reading *find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                              const char *segment, const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel && strcmp(r->segment, segment) == 0 &&
        strcmp(r->state, state) == 0)
      return r;
  }
  return NULL;
}

static bool has_number(const mt_reading *r)
{
  return r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

static bool is_taken(const mt_results *results, const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++)
    if (strcmp(results->readings[i].state, state) == 0)
      return true;
  return false;
}

/* "33 ohm", "open" */
static const char *load_text(double ohm, char out[32])
{
  if (isinf(ohm))
    mt_text_copy(out, 32, "open");
  else
    snprintf(out, 32, "%.4g ohm", ohm);
  return out;
}

static void note_loads(mt_results *results, const mt_load_state *s)
{
  for (size_t i = 0; i < results->nreadings; i++)
    if (isfinite(s->ohm) && strcmp(results->readings[i].state, s->state) == 0)
      results->readings[i].load_ohm = s->ohm;
  for (size_t i = 0; i < results->ntakes; i++)
    if (strcmp(results->takes[i].state, s->state) == 0)
      results->takes[i].load_ohm = s->ohm;
}

MT_PRINTF(3, 4)
static void refuse(mt_reading *r, mt_validity validity, const char *fmt, ...)
{
  char text[256];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  r->validity = validity;
  r->value = r->uncertainty = 0.0;
  mt_text_copy(r->why, sizeof r->why, text);
}

/* ---- power ---------------------------------------------------------------------------------------------- */

static mt_code add_power(mt_results *results, const mt_load_state *s, const mt_reading *level, mt_error *err)
{
  mt_reading r = {.quantity = MT_Q_OUTPUT_POWER,
                  .channel = level->channel,
                  .freq_hz = level->freq_hz,
                  .load_ohm = s->ohm};

  mt_text_copy(r.segment, sizeof r.segment, level->segment);
  mt_text_copy(r.state, sizeof r.state, level->state);
  snprintf(r.definition, sizeof r.definition, "V^2/R%s, R %.4g ohm +-%.3g %%",
           level->quantity == MT_Q_MAX_LEVEL ? " at the maximum level" : "", s->ohm, s->tolerance_percent);
  if (mt_results_is_spoilt(results, s->state))
    refuse(&r, MT_NOT_MEASURED, "the take is spoilt");
  else if (level->validity != MT_VALID)
    refuse(&r, level->validity == MT_RIG_LIMITED ? MT_NOT_MEASURED : level->validity, "%s",
           level->why[0] != '\0' ? level->why : "its level was not read");
  else if (!level->has_dbv)
    refuse(&r, MT_NOT_MEASURED, "power needs volts: a rig calibrated with a meter (mendtone rig)");
  else {
    r.value = mt_power_of_db(level->dbv) / s->ohm;
    r.uncertainty = r.value * hypot(mt_power_of_db(level->dbv_uncertainty) - 1.0,
                                    EXPANDED_OF_LIMIT * 0.01 * s->tolerance_percent);
  }
  return mt_results_add_reading(results, &r, err);
}

static mt_code measure_power(mt_results *results, const mt_load_state *s, mt_error *err)
{
  mt_code code = MT_OK;

  for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK; c++) {
    const mt_reading *level = find(results, MT_Q_LEVEL, c, "both", s->state);
    mt_reading copy;
    if (level != NULL) {
      copy = *level; /* the list moves while it grows */
      code = add_power(results, s, &copy, err);
    }
    level = code == MT_OK ? find(results, MT_Q_MAX_LEVEL, c, "levels", s->state) : NULL;
    if (level != NULL) {
      copy = *level;
      code = add_power(results, s, &copy, err);
    }
  }
  return code;
}

/* ---- impedance ------------------------------------------------------------------------------------------ */

/* Of a harmonic distortion that only noise bounds, that much. */
static double thd_of(const mt_results *results, mt_channel channel, const char *state)
{
  const mt_reading *r = find(results, MT_Q_THD_F, channel, "both", state);
  return has_number(r) ? mt_ratio_of_db(r->value) : 0.0;
}

/*
 * The channel alone, so that the other's current in a return they share is none of its impedance; both at once where
 * that was not heard, as of channels that are swapped.
 */
static const char *choose_segment(const mt_results *results, const group *g, mt_channel channel)
{
  static const char *const own[] = {"left", "right"};

  for (size_t i = 0; i < g->n; i++) {
    const mt_reading *level = find(results, MT_Q_LEVEL, channel, own[channel], g->states[i]->state);
    if (level == NULL || level->validity != MT_VALID)
      return "both";
  }
  return own[channel];
}

/* @return false, with the reason in `r`, if the level of one state is of no use. */
static bool take_level(const mt_results *results, const mt_load_state *s, bench *b, size_t i, mt_reading *r)
{
  const mt_reading *level = find(results, MT_Q_LEVEL, b->channel, b->segment, s->state);
  double thd = thd_of(results, b->channel, s->state);

  if (mt_results_is_spoilt(results, s->state))
    refuse(r, MT_NOT_MEASURED, "the take of state %s is spoilt", s->state);
  else if (level == NULL)
    refuse(r, MT_NOT_MEASURED, "the level was not measured in state %s", s->state);
  else if (level->validity != MT_VALID)
    refuse(r, level->validity == MT_RIG_LIMITED ? MT_NOT_MEASURED : level->validity, "state %s: %s", s->state,
           level->why[0] != '\0' ? level->why : "its level was not read");
  else if (thd > THD_MOST)
    refuse(r, MT_NOT_MEASURED, "%.2g %% THD in state %s: an output that bends has no one impedance",
           100.0 * thd, s->state);
  else {
    b->freq_hz = level->freq_hz;
    b->points[i] = (mt_load_point){s->ohm, s->tolerance_percent, level->value,
                                   hypot(level->uncertainty, MT_LOAD_REPEAT_DB)};
    return true;
  }
  return false;
}

/* What one load bends more than another is lost from its level by an amount that is not known. */
static void widen_for_distortion(const mt_results *results, bench *b)
{
  double least = HUGE_VAL;

  for (size_t i = 0; i < b->group->n; i++)
    least = fmin(least, thd_of(results, b->channel, b->group->states[i]->state));
  for (size_t i = 0; i < b->group->n; i++) {
    double more = thd_of(results, b->channel, b->group->states[i]->state) - least;
    b->points[i].uncertainty_db = hypot(b->points[i].uncertainty_db, mt_db_of_relative(LEVEL_PER_THD * more));
  }
}

static double with_input(double ohm, double input_ohm)
{
  return 1.0 / (1.0 / ohm + (input_ohm > 0.0 ? 1.0 / input_ohm : 0.0));
}

/* What a capacitor takes off the tone into each load, added back. A corner that was not told apart is uncertainty. */
static void add_back(const bench *b, const mt_load_corner *corner, double source_ohm, mt_load_point *points)
{
  double heaviest = with_input(b->points[0].ohm, b->input_ohm) + source_ohm;
  bool known = corner->is_seen && corner->fits;

  for (size_t i = 0; i < b->group->n; i++) {
    double share = heaviest / (with_input(b->points[i].ohm, b->input_ohm) + source_ohm);
    double hz = share * corner->hz.value / b->freq_hz,
           most = hz + share * corner->hz.uncertainty / b->freq_hz;
    double loss = mt_db_of_power(1.0 + hz * hz), worst = mt_db_of_power(1.0 + most * most);
    points[i] = b->points[i];
    points[i].level_db += known ? loss : 0.0;
    points[i].uncertainty_db = hypot(points[i].uncertainty_db, known ? worst - loss : worst);
  }
}

/* The response with the heaviest load less that with the lightest; free() its x. */
static mt_code subtract(const mt_results *results, const bench *b, mt_curve *out, mt_error *err)
{
  const char *heavy = b->group->states[0]->state, *light = b->group->states[b->group->n - 1]->state;
  const mt_curve *mine = mt_results_find_curve_of(results, MT_Q_RESPONSE, b->channel, heavy);
  const mt_curve *theirs = mt_results_find_curve_of(results, MT_Q_RESPONSE, b->channel, light);
  mt_code code;

  if (mine == NULL || theirs == NULL || mine->validity != MT_VALID || theirs->validity != MT_VALID)
    return mt_fail(err, MT_E_DATA, "the response was not read in both states");
  out->x = calloc(3 * mine->npoints + 1, sizeof *out->x);
  if (out->x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a difference of %zu points", mine->npoints);
  out->y = out->x + mine->npoints;
  out->uncertainty = out->x + 2 * mine->npoints;
  code = mt_curve_subtract(mine, theirs, out->x, out->y, out->uncertainty, &out->npoints, err);
  return code;
}

/*
 * What of the other channel is heard here, re the channel's own level when both play; where that was not read, as much
 * as a poor jack lets through.
 */
static double crosstalk_of(const mt_results *results, const bench *b)
{
  static const char *const other[] = {"right", "left"};
  double most = 0.0;

  for (size_t i = 0; i < b->group->n; i++) {
    const char *state = b->group->states[i]->state;
    const mt_reading *r = find(results, MT_Q_CROSSTALK, b->channel, other[b->channel], state);
    const mt_reading *mine = find(results, MT_Q_LEVEL, b->channel, "both", state);
    const mt_reading *theirs = find(results, MT_Q_LEVEL, 1 - b->channel, "both", state);
    double part = has_number(r) ? mt_ratio_of_db(r->value) : UNKNOWN_CROSSTALK;
    if (has_number(mine) && has_number(theirs))
      part *= mt_ratio_of_db(theirs->value - mine->value);
    most = fmax(most, part);
  }
  return most;
}

/* A first-order high-pass that loses so much also turns the phase: its magnitude is the cosine of the angle. */
static double complex turn(double db)
{
  double magnitude = fmin(mt_ratio_of_db(db), 1.0);
  return magnitude * (magnitude + sqrt(1.0 - magnitude * magnitude) * (double complex)I);
}

/* A response re the tone, as it is at the nearest point below. */
static double complex response_at(const mt_curve *response, double freq_hz)
{
  size_t i = 0;

  while (i + 1 < response->npoints && response->x[i + 1] <= freq_hz)
    i++;
  return response->npoints > 0 ? turn(response->y[i]) : 1.0;
}

/*
 * The sweep drives both channels, and each hears a part of the other. Where both lose alike that only scales them; one
 * that loses more is filled up by what is heard of its neighbour. By how much hangs on the angle between them, which is
 * a guess where more than one capacitor turns it: half as much again.
 */
static void widen_for_crosstalk(const mt_results *results, const bench *b, mt_curve *difference)
{
  const char *state = b->group->states[0]->state;
  const mt_curve *own = mt_results_find_curve_of(results, MT_Q_RESPONSE, b->channel, state);
  const mt_curve *other = mt_results_find_curve_of(results, MT_Q_RESPONSE, 1 - b->channel, state);
  double crosstalk = crosstalk_of(results, b);

  for (size_t i = 0; i < difference->npoints; i++) {
    double complex here = response_at(own, difference->x[i]);
    double complex there =
        other != NULL && other->validity == MT_VALID ? response_at(other, difference->x[i]) : 1.0;
    difference->uncertainty[i] = hypot(
        difference->uncertainty[i], mt_db_of_relative(ANGLE_UNSURE * crosstalk * cabs(there / here - 1.0)));
  }
}

/* The ratio that mt_load_find_corner() wants, were the sound card's input of so many ohms. */
static double ratio_with(const bench *b, double source_ohm, double input_ohm)
{
  double heavy = with_input(b->points[0].ohm, input_ohm) + source_ohm;
  double light = with_input(b->points[b->group->n - 1].ohm, input_ohm) + source_ohm;
  return isinf(light) ? 0.0 : fmin(heavy / light, 0.9);
}

/* An open output has a corner with the sound card's input, too, which is known to 10 % or not at all. */
static mt_code fit_corner(const bench *b, const mt_curve *own, double source_ohm, mt_load_corner *out,
                          mt_error *err)
{
  double least = b->input_ohm > 0.0 ? 0.9 * b->input_ohm : MT_LOAD_INPUT_LEAST_OHM;
  double most = b->input_ohm > 0.0 ? 1.1 * b->input_ohm : (double)INFINITY;
  mt_load_corner low, high;
  mt_code code = mt_load_find_corner(own, b->freq_hz, ratio_with(b, source_ohm, least), &high, err);

  if (code == MT_OK)
    code = mt_load_find_corner(own, b->freq_hz, ratio_with(b, source_ohm, most), &low, err);
  if (code != MT_OK)
    return code;
  *out = low.hz.uncertainty > high.hz.uncertainty ? low : high;
  out->hz.value = 0.5 * (low.hz.value + high.hz.value);
  out->hz.uncertainty =
      hypot(out->hz.uncertainty, EXPANDED_OF_LIMIT * 0.5 * fabs(high.hz.value - low.hz.value));
  out->is_seen = low.is_seen && high.is_seen;
  out->fits = low.fits || high.fits;
  return MT_OK;
}

static bool find_corner(const mt_results *results, const bench *b, double source_ohm, mt_load_corner *out,
                        mt_error *why)
{
  mt_curve difference = {.quantity = MT_Q_DIFFERENCE};
  mt_code code = subtract(results, b, &difference, why);

  if (code == MT_OK) {
    widen_for_crosstalk(results, b, &difference);
    code = fit_corner(b, &difference, source_ohm, out, why);
  }
  free(difference.x);
  return code == MT_OK;
}

/* ---- the capacitor ---------------------------------------------------------------------------------------- */

static void set_corner(const mt_load_corner *corner, mt_reading *r)
{
  r->value = corner->hz.value;
  r->uncertainty = corner->hz.uncertainty;
  if (corner->is_seen && !corner->fits)
    refuse(r, MT_NOT_MEASURED, "what the load takes off the low end is not shaped as by one capacitor");
  else if (!corner->is_seen) {
    refuse(r, MT_RIG_LIMITED, "the load takes nothing off the low end that could be told from noise");
    r->value = corner->hz.value + corner->hz.uncertainty;
  }
}

static void set_capacitance(const bench *b, const mt_load_corner *corner, const mt_reading *source,
                            mt_reading *r)
{
  double hz = corner->hz.value, hz_u = corner->hz.uncertainty;
  bool is_bound = source->validity == MT_RIG_LIMITED;
  mt_figure ohm = {is_bound ? 0.5 * source->value : source->value,
                   is_bound ? 0.5 * source->value : source->uncertainty};
  double whole = with_input(b->points[0].ohm, b->input_ohm) + ohm.value;

  if (source->validity != MT_VALID && !is_bound)
    refuse(r, MT_NOT_MEASURED, "it follows from the output impedance, which is not known");
  else if (corner->is_seen && !corner->fits)
    refuse(r, MT_NOT_MEASURED, "what the load takes off the low end is not shaped as by one capacitor");
  else if (!corner->is_seen) {
    refuse(r, MT_RIG_LIMITED, "the load takes nothing off the low end: large, or none");
    whole *= 1.0 + 0.01 * b->points[0].tolerance_percent;
    r->value = 1e6 / (2.0 * MT_PI * (hz + hz_u) * (whole + ohm.uncertainty));
  } else {
    r->value = 1e6 / (2.0 * MT_PI * hz * whole);
    r->uncertainty = r->value * hypot(hypot(hz_u / hz, ohm.uncertainty / whole),
                                      EXPANDED_OF_LIMIT * 0.01 * b->points[0].tolerance_percent);
  }
}

static mt_code add_capacitor(mt_results *results, const bench *b, const mt_load_corner *corner,
                             const char *why, const mt_reading *source, mt_error *err)
{
  mt_reading hz = *source, farad;
  mt_code code;

  hz.quantity = MT_Q_LOAD_CORNER;
  hz.validity = MT_VALID;
  hz.freq_hz = hz.sway_ohm = 0.0;
  hz.why[0] = '\0';
  mt_text_copy(hz.segment, sizeof hz.segment, "sweep");
  farad = hz;
  farad.quantity = MT_Q_OUTPUT_CAPACITANCE;
  if (why != NULL) {
    refuse(&hz, MT_NOT_MEASURED, "%s", why);
    refuse(&farad, MT_NOT_MEASURED, "%s", why);
  } else {
    set_corner(corner, &hz);
    set_capacitance(b, corner, source, &farad);
  }
  code = mt_results_add_reading(results, &hz, err);
  return code == MT_OK ? mt_results_add_reading(results, &farad, err) : code;
}

/* ---- a group ---------------------------------------------------------------------------------------------- */

static void describe(const group *g, char *out, size_t size)
{
  char load[32];
  int n = 0;

  for (size_t i = 0; i < g->n && (size_t)n < size; i++)
    n += snprintf(out + n, size - (size_t)n, "%s%s", i > 0 ? ", " : "", load_text(g->states[i]->ohm, load));
  if ((size_t)n < size)
    snprintf(out + n, size - (size_t)n, "; +-%.3g %%", g->states[0]->tolerance_percent);
}

static void set_source(const mt_load_source *source, mt_reading *r)
{
  r->value = source->ohm.value;
  r->uncertainty = source->ohm.uncertainty;
  r->sway_ohm = source->sway_ohm;
  if (source->misfit > MISFIT_MOST)
    refuse(r, MT_NOT_MEASURED,
           "the loads fit no one impedance (%.1f times their uncertainty): limited current, or a setting was "
           "moved",
           source->misfit);
  else if (source->ohm.value <= source->ohm.uncertainty) {
    refuse(r, MT_RIG_LIMITED, "the load takes no more than a sound card repeats to: at most this");
    r->value = fmax(source->ohm.value, 0.0) + source->ohm.uncertainty;
  }
}

static mt_code measure_channel(mt_results *results, bench *b, mt_error *err)
{
  const mt_load_state *heaviest = b->group->states[0];
  mt_reading r = {.quantity = MT_Q_OUTPUT_IMPEDANCE, .channel = b->channel, .load_ohm = heaviest->ohm};
  mt_load_point points[MT_LOAD_POINTS_MAX];
  mt_load_source source = {0};
  mt_load_corner corner = {0};
  mt_error refusal = {0}, no_corner = {0};
  bool has_corner = false;
  mt_code code;

  b->segment = choose_segment(results, b->group, b->channel);
  mt_text_copy(r.segment, sizeof r.segment, b->segment);
  mt_text_copy(r.state, sizeof r.state, heaviest->state);
  describe(b->group, r.definition, sizeof r.definition);
  for (size_t i = 0; i < b->group->n && r.validity == MT_VALID; i++)
    take_level(results, b->group->states[i], b, i, &r);
  if (r.validity != MT_VALID) {
    code = mt_results_add_reading(results, &r, err);
    return code == MT_OK ? add_capacitor(results, b, &corner, r.why, &r, err) : code;
  }
  r.freq_hz = b->freq_hz;
  widen_for_distortion(results, b);
  memcpy(points, b->points, sizeof points);
  for (int round = 0; round < ROUNDS; round++) {
    double ohm;
    if (mt_load_find_source(points, b->group->n, b->input_ohm, &source, &refusal) != MT_OK) {
      refuse(&r, MT_NOT_MEASURED, "%s", refusal.message);
      break;
    }
    ohm = fmax(source.ohm.value, 0.0);
    has_corner = find_corner(results, b, ohm, &corner, &no_corner);
    if (!has_corner)
      break;
    add_back(b, &corner, ohm, points);
  }
  if (r.validity == MT_VALID)
    set_source(&source, &r);
  code = mt_results_add_reading(results, &r, err);
  if (code == MT_OK)
    code = add_capacitor(results, b, &corner,
                         has_corner                     ? NULL
                         : no_corner.message[0] != '\0' ? no_corner.message
                                                        : r.why,
                         &r, err);
  return code;
}

/* The state itself, and what is compared with it under another load (under the same one it is a switch that differs);
   of two loads alike the first. */
static void gather(const mt_results *results, const mt_load_state *states, size_t n, size_t reference,
                   group *out)
{
  *out = (group){0};
  for (size_t i = 0; i < n && out->n < MT_LOAD_POINTS_MAX; i++) {
    const mt_load_state *s = &states[i];
    bool is_new = true;
    size_t at;
    if ((i != reference && strcmp(s->compare_with, states[reference].state) != 0) || s->ohm <= 0.0 ||
        (i != reference && s->ohm == states[reference].ohm) || !is_taken(results, s->state))
      continue;
    for (size_t k = 0; k < out->n; k++)
      is_new = is_new && out->states[k]->ohm != s->ohm;
    if (!is_new)
      continue;
    for (at = out->n; at > 0 && out->states[at - 1]->ohm > s->ohm; at--)
      out->states[at] = out->states[at - 1];
    out->states[at] = s;
    out->n++;
  }
}

mt_code mt_load_measure(mt_results *results, const mt_load_state *states, size_t n, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < n && code == MT_OK; i++) {
    group g;
    if (states[i].ohm > 0.0)
      note_loads(results, &states[i]);
    if (states[i].ohm > 0.0 && isfinite(states[i].ohm))
      code = measure_power(results, &states[i], err);
    gather(results, states, n, i, &g);
    for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK && g.n >= 2 && states[i].ohm > 0.0; c++) {
      bench b = {.group = &g, .channel = c, .input_ohm = results->rig.input_ohm};
      code = measure_channel(results, &b, err);
    }
  }
  return code;
}
