/* A state held beside its reference state: curves, readings, and what else changes. */
#include <mendtone/difference.h>

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Three standard uncertainties: of thirty readings that do not change, one in ten takes shows one that seems to. */
#define SIGNIFICANT 1.5
/* A gain or a response changes with any switch; these say what else does. Lines and curves are not compared. */
static const mt_quantity compared[] = {
    MT_Q_ROUTE,      MT_Q_POLARITY,      MT_Q_GAIN,  MT_Q_BALANCE, MT_Q_PHASE_DIFFERENCE,
    MT_Q_CROSSTALK,  MT_Q_THD_F,         MT_Q_THD_N, MT_Q_NOISE,   MT_Q_NOISE_A,
    MT_Q_SNR,        MT_Q_DYNAMIC_RANGE, MT_Q_HUM,   MT_Q_DC,      MT_Q_MAX_LEVEL,
    MT_Q_CORNER_LOW, MT_Q_CORNER_HIGH};

/* ---- curves and figures ------------------------------------------------------------------------------- */

static mt_code add_figure(mt_results *results, const mt_curve *curve, mt_quantity quantity,
                          const mt_figure *figure, mt_validity validity, const char *why, mt_error *err)
{
  mt_reading r = {.quantity = quantity, .channel = curve->channel, .validity = validity};

  mt_text_copy(r.segment, sizeof r.segment, curve->segment);
  mt_text_copy(r.state, sizeof r.state, curve->state);
  mt_text_copy(r.why, sizeof r.why, why);
  if (validity == MT_VALID) {
    r.value = figure->value;
    r.uncertainty = figure->uncertainty;
  }
  return mt_results_add_reading(results, &r, err);
}

static mt_code add_figures(mt_results *results, const mt_curve *curve, mt_error *err)
{
  mt_difference d = {0};
  mt_error refusal = {0};
  mt_validity all = curve->validity, peak, corner;
  const char *why = curve->why, *why_peak, *why_corner;
  mt_code code;

  if (all == MT_VALID && mt_curve_difference(curve, &d, &refusal) != MT_OK) {
    all = MT_NOT_MEASURED;
    why = refusal.message;
  }
  peak = all == MT_VALID && !d.stands_out ? MT_NOT_MEASURED : all;
  corner = all == MT_VALID && !d.has_corner ? MT_NOT_MEASURED : all;
  why_peak = all == MT_VALID ? "no part of the band changes more than the rest" : why;
  why_corner = all == MT_VALID ? d.why_no_corner : why;
  code = add_figure(results, curve, MT_Q_GAIN_CHANGE, &d.gain_change, all, why, err);
  if (code == MT_OK)
    code = add_figure(results, curve, MT_Q_BOOST, &d.boost, all, why, err);
  if (code == MT_OK)
    code = add_figure(results, curve, MT_Q_BOOST_FREQ, &d.boost_freq, peak, peak == MT_VALID ? "" : why_peak,
                      err);
  if (code == MT_OK)
    code = add_figure(results, curve, MT_Q_BOOST_CORNER, &d.corner, corner,
                      corner == MT_VALID ? "" : why_corner, err);
  return code == MT_OK ? add_figure(results, curve, MT_Q_TILT, &d.tilt, all, why, err) : code;
}

/* Why there is no difference; NULL if there is one. */
static const char *refuse(const mt_curve *response, const mt_curve *reference, mt_validity *validity)
{
  *validity = MT_NOT_MEASURED;
  if (response == NULL)
    return "the response was not measured in this state";
  if (reference == NULL)
    return "the response was not measured in the state it is compared with";
  *validity = response->validity != MT_VALID ? response->validity : reference->validity;
  return response->validity != MT_VALID    ? response->why
         : reference->validity != MT_VALID ? reference->why
                                           : NULL;
}

static mt_code compare_channel(mt_results *results, mt_channel channel, const char *state,
                               const char *reference_state, mt_error *err)
{
  const mt_curve *response = mt_results_find_curve_of(results, MT_Q_RESPONSE, channel, state);
  const mt_curve *reference = mt_results_find_curve_of(results, MT_Q_RESPONSE, channel, reference_state);
  size_t most = response != NULL && response->npoints > 0 ? response->npoints : 1;
  mt_curve curve = {.quantity = MT_Q_DIFFERENCE, .channel = channel, .segment = "sweep"};
  double *points = calloc(3 * most, sizeof *points);
  const char *why = refuse(response, reference, &curve.validity);
  mt_error refusal = {0};
  mt_code code;

  if (points == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a difference of %zu points", most);
  mt_text_copy(curve.state, sizeof curve.state, state);
  curve.x = points;
  curve.y = points + most;
  curve.uncertainty = points + 2 * most;
  if (why == NULL && mt_curve_subtract(response, reference, curve.x, curve.y, curve.uncertainty,
                                       &curve.npoints, &refusal) != MT_OK) {
    curve.validity = MT_NOT_MEASURED;
    why = refusal.message;
  }
  mt_text_copy(curve.why, sizeof curve.why, why != NULL ? why : "");
  code = mt_results_add_curve(results, &curve, err);
  if (code == MT_OK)
    code = add_figures(results, &curve, err);
  free(points);
  return code;
}

/* ---- what else changes -------------------------------------------------------------------------------- */

static bool is_compared(mt_quantity quantity)
{
  for (size_t i = 0; i < sizeof compared / sizeof compared[0]; i++)
    if (compared[i] == quantity)
      return true;
  return false;
}

static bool is_word(mt_quantity quantity)
{
  return quantity == MT_Q_ROUTE || quantity == MT_Q_POLARITY;
}

/* The same reading of another state. */
static const mt_reading *counterpart(const mt_results *results, const mt_reading *r, const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *other = &results->readings[i];
    if (other->quantity == r->quantity && other->channel == r->channel && other->order == r->order &&
        strcmp(other->segment, r->segment) == 0 && strcmp(other->state, state) == 0)
      return other;
  }
  return NULL;
}

/* Of a bound only that much is known: the other lies this far beyond it, or on its good side. */
static bool set_bound(const mt_reading *mine, const mt_reading *theirs, mt_change *change)
{
  const mt_reading *bound = mine->validity == MT_RIG_LIMITED ? mine : theirs;
  const mt_reading *known = bound == mine ? theirs : mine;
  double beyond = known->value - bound->value;

  if (mt_quantity_bound_is_least(bound->quantity))
    beyond = -beyond;
  change->at_least = true;
  change->uncertainty = hypot(mine->uncertainty, theirs->uncertainty);
  change->significant = beyond > SIGNIFICANT * change->uncertainty;
  return change->significant;
}

/* @return false if nothing can be said. */
static bool compare_readings(const mt_reading *mine, const mt_reading *theirs, mt_change *change)
{
  bool mine_known = mine->validity == MT_VALID, theirs_known = theirs->validity == MT_VALID;

  change->value = mine->value;
  change->reference_value = theirs->value;
  change->difference = mine->value - theirs->value;
  if (mine_known && theirs_known && is_word(mine->quantity)) {
    change->significant = mine->value != theirs->value;
    return true;
  }
  if (mine_known && theirs_known) {
    if (mine->quantity == MT_Q_PHASE_DIFFERENCE)
      change->difference -= 360.0 * floor((change->difference + 180.0) / 360.0);
    change->uncertainty = hypot(mine->uncertainty, theirs->uncertainty);
    change->significant = fabs(change->difference) > SIGNIFICANT * change->uncertainty;
    return true;
  }
  if (mine_known + (mine->validity == MT_RIG_LIMITED) + theirs_known + (theirs->validity == MT_RIG_LIMITED) <
          2 ||
      (!mine_known && !theirs_known))
    return false;
  return set_bound(mine, theirs, change);
}

mt_code mt_difference_measure(mt_results *results, const char *state, const char *reference, mt_error *err)
{
  size_t nreadings = results->nreadings;
  mt_code code = MT_OK;

  for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK; c++)
    code = compare_channel(results, c, state, reference, err);
  for (size_t i = 0; i < nreadings && code == MT_OK; i++) {
    const mt_reading *r = &results->readings[i];
    const mt_reading *other =
        is_compared(r->quantity) && strcmp(r->state, state) == 0 ? counterpart(results, r, reference) : NULL;
    mt_change change = {.quantity = r->quantity, .channel = r->channel, .order = r->order};
    if (other == NULL || !compare_readings(r, other, &change))
      continue;
    mt_text_copy(change.segment, sizeof change.segment, r->segment);
    mt_text_copy(change.state, sizeof change.state, state);
    mt_text_copy(change.reference, sizeof change.reference, reference);
    code = mt_results_add_change(results, &change, err);
  }
  return code;
}
