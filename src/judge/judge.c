#include <mendtone/plan.h>

#include <mendtone/compare.h>

#include "base/text.h"
#include "judge/by_hand.h"
#include "judge/wording.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ISO 14253-1:2017 for 95 %: 1.645 standard uncertainties, of an expanded one (k = 2) the part 0.82. */
#define GUARD 0.82

/*
 * A nominal frequency of the preferred series (ISO 266) lies up to 1 % beside the exact one, so that a
 * curve on the exact grid covers a limit stated in nominal frequencies.
 */
#define NOMINAL 0.01
/* Within a stretch no two points of a curve may be further apart than an octave, nominal. */
#define WIDEST_GAP (2.0 * (1.0 + NOMINAL))

/* The limits in the quantity's own unit: judging there is exact at the boundary. */
typedef struct bounds {
  double min, max;
} bounds;

mt_verdict mt_judge_value(double value, double uncertainty, double min, double max)
{
  double guard = GUARD * uncertainty;

  if (!isfinite(value) || !isfinite(uncertainty) || uncertainty < 0.0 || isnan(min) || isnan(max) ||
      min > max)
    return MT_VERDICT_UNDECIDED;
  if (isinf(min) && isinf(max))
    return MT_VERDICT_NONE;
  if (value - guard > max || value + guard < min)
    return MT_VERDICT_FAIL;
  if (value + guard <= max && value - guard >= min)
    return MT_VERDICT_PASS;
  return MT_VERDICT_UNDECIDED;
}

static mt_verdict judge_validity(mt_quantity quantity, double value, double uncertainty, mt_validity validity,
                                 bounds b)
{
  bool is_one_sided = mt_quantity_bound_is_least(quantity) ? b.max == HUGE_VAL : b.min == -HUGE_VAL;

  if (validity == MT_VALID)
    return mt_judge_value(value, uncertainty, b.min, b.max);
  /* the true value may lie anywhere on the good side of a bound */
  if (validity == MT_RIG_LIMITED && is_one_sided &&
      mt_judge_value(value, uncertainty, b.min, b.max) == MT_VERDICT_PASS)
    return MT_VERDICT_PASS;
  return MT_VERDICT_UNDECIDED;
}

static mt_verdict worse(mt_verdict a, mt_verdict b)
{
  return a > b ? a : b;
}

static bool convert_bound(double bound, mt_unit from, mt_unit to, double *out)
{
  if (isinf(bound)) {
    *out = bound;
    return true;
  }
  return mt_unit_convert(bound, from, to, out);
}

static bool own_bounds(const mt_limit *limit, bounds *out)
{
  mt_unit own;

  if (limit->relative)
    own = mt_compare_unit(limit->quantity);
  else if (!mt_quantity_limit_unit(limit->quantity, limit->unit, &own))
    return false;
  return convert_bound(limit->min, limit->unit, own, &out->min) &&
         convert_bound(limit->max, limit->unit, own, &out->max);
}

/* Value and uncertainty as the plan's unit states them; the uncertainty of a ratio stays in dB. */
static bool set_value(mt_judgement *j, double value, double uncertainty)
{
  mt_unit own = j->relative ? mt_compare_unit(j->quantity) : mt_quantity_describe(j->quantity)->unit;

  /* what is read in dBFS comes here in dBV when the limit is one of volts */
  if (!j->relative)
    mt_quantity_limit_unit(j->quantity, j->unit, &own);
  j->has_value = mt_unit_convert(value, own, j->unit, &j->value);
  j->uncertainty = uncertainty;
  if (own == MT_UNIT_SECOND || own == MT_UNIT_MILLISECOND || own == MT_UNIT_WATT || own == MT_UNIT_MILLIWATT)
    mt_unit_convert(uncertainty, own, j->unit, &j->uncertainty);
  return j->has_value;
}

static mt_judgement start_judgement(const mt_limit *limit, mt_channel channel, const char *segment,
                                    const char *state, int order)
{
  mt_judgement j = {.quantity = limit->quantity,
                    .channel = channel,
                    .order = order,
                    .relative = limit->relative,
                    .min = limit->min,
                    .max = limit->max,
                    .unit = limit->unit,
                    .verdict = MT_VERDICT_UNDECIDED};
  mt_text_copy(j.segment, sizeof j.segment, segment);
  mt_text_copy(j.state, sizeof j.state, state);
  return j;
}

/* Nothing at all may be concluded from a spoilt take, not even a fail. */
static void refuse_spoilt(const mt_results *results, mt_judgement *j)
{
  const mt_problem *problem = NULL;
  char why[200];

  for (size_t i = 0; i < results->nproblems && problem == NULL; i++)
    if (results->ntakes == 0 || strcmp(results->problems[i].state, j->state) == 0)
      problem = &results->problems[i];
  snprintf(why, sizeof why, "the take is spoilt%s%s", problem != NULL ? ": " : "",
           problem != NULL ? problem->text : "");
  j->verdict = MT_VERDICT_UNDECIDED;
  mt_wording_undecided(j, why);
}

/* A limit that names no channel leaves out what else the sound card hears, from the third channel on. */
static bool meets(const mt_limit *limit, mt_channel channel, const char *segment, const char *state)
{
  bool same_channel = limit->channel == MT_CHANNEL_ANY ? channel <= MT_RIGHT : channel == limit->channel;
  return same_channel && (limit->segment[0] == '\0' || strcmp(limit->segment, segment) == 0) &&
         (limit->state[0] == '\0' || strcmp(limit->state, state) == 0);
}

/* ---- re a reference ---------------------------------------------------------------------------------- */

/* Why this take cannot be held against the reference, or NULL. */
static const char *refuse_reference(const mt_results *reference, const mt_results *results)
{
  if (reference == NULL)
    return "the reference was not opened";
  if (!reference->valid)
    return "the take of the reference is spoilt";
  if (reference->is_stimulus != results->is_stimulus)
    return "the reference was read from another kind of take";
  if (results->is_stimulus && fabs(reference->stimulus_level_dbfs - results->stimulus_level_dbfs) > 1e-6)
    return "the reference was taken at another level";
  if (reference->load_ohm != 0.0 && results->load_ohm != 0.0 && reference->load_ohm != results->load_ohm)
    return "the reference was taken with another load";
  return NULL;
}

static const char *refuse_pair(const mt_reading *good, const mt_reading *r)
{
  if (good == NULL)
    return "the reference has no such reading";
  if (good->validity == MT_RIG_LIMITED)
    return "of the reference only a bound is known";
  if (good->validity != MT_VALID)
    return "it could not be read of the reference";
  if (good->load_ohm != r->load_ohm && good->load_ohm > 0.0 && r->load_ohm > 0.0)
    return "the reference was taken with another load";
  return strcmp(good->definition, r->definition) != 0 ? "the reference was read by another definition" : NULL;
}

/* The reading as its difference from the reference; what is only a bound stays one. */
static mt_reading subtract_reference(const mt_results *reference, const mt_results *results,
                                     const mt_reading *r)
{
  const char *why = refuse_reference(reference, results);
  const mt_reading *good = why == NULL ? mt_compare_find(reference, r) : NULL;
  mt_reading difference = *r;

  if (r->validity != MT_VALID && r->validity != MT_RIG_LIMITED)
    return difference;
  if (why == NULL)
    why = refuse_pair(good, r);
  if (why != NULL) {
    difference.validity = MT_NOT_MEASURED;
    mt_text_copy(difference.why, sizeof difference.why, why);
    return difference;
  }
  difference.value = r->value - good->value;
  if (mt_quantity_describe(r->quantity)->unit == MT_UNIT_DEGREE)
    difference.value -= 360.0 * round(difference.value / 360.0);
  difference.uncertainty = hypot(r->uncertainty, good->uncertainty);
  return difference;
}

/* ---- one number ------------------------------------------------------------------------------------ */

/* A limit in volts on what is read in dBFS is held against what a calibrated rig made of it. */
static bool is_in_volts(const mt_limit *limit)
{
  mt_unit own = mt_quantity_describe(limit->quantity)->unit, held = own;
  return mt_quantity_limit_unit(limit->quantity, limit->unit, &held) && held != own;
}

static mt_code judge_reading(const mt_limit *limit, mt_results *results, mt_reading *r, mt_error *err)
{
  mt_judgement j = start_judgement(limit, r->channel, r->segment, r->state, r->order);
  mt_reading held = limit->relative ? subtract_reference(limit->reference, results, r) : *r;
  bool in_volts = !limit->relative && is_in_volts(limit);
  bool is_valid = held.validity == MT_VALID || held.validity == MT_RIG_LIMITED;
  bool is_number = is_valid && (held.has_dbv || !in_volts);
  bounds b;

  if (r->quantity == MT_Q_SPURIOUS)
    j.at_hz = r->freq_hz;
  if (in_volts && held.has_dbv) {
    held.value = held.dbv;
    held.uncertainty = held.dbv_uncertainty;
  }
  if (is_number)
    set_value(&j, held.value, held.uncertainty);
  if (mt_results_is_spoilt(results, r->state)) {
    refuse_spoilt(results, &j);
  } else if (!own_bounds(limit, &b)) {
    mt_wording_undecided(&j, "the limit's unit does not fit the quantity");
  } else if (in_volts && !held.has_dbv && is_valid) {
    mt_wording_undecided(&j, "it is not known in volts; name a calibrated rig (--rig)");
  } else if (!is_number || !isfinite(held.value) || !isfinite(held.uncertainty) || held.uncertainty < 0.0) {
    mt_wording_undecided(&j, mt_wording_reason(held.validity, held.why));
  } else {
    j.verdict = judge_validity(r->quantity, held.value, held.uncertainty, held.validity, b);
    mt_wording_judge(&j, held.validity);
  }
  r->verdict = worse(r->verdict, j.verdict);
  return mt_results_add_judgement(results, &j, err);
}

/* ---- one stretch of a curve ------------------------------------------------------------------------ */

/* The point that decides: the furthest beyond a limit, or if none fails the nearest to one. */
typedef struct worst_point {
  bool found;
  mt_verdict verdict;
  double x, y, uncertainty;
  double excess; /* how far beyond the limit, guard band counted; negative: within */
} worst_point;

static void look_at(worst_point *worst, double x, double y, double uncertainty, mt_validity validity,
                    bounds b)
{
  mt_verdict verdict = judge_validity(MT_Q_RESPONSE, y, uncertainty, validity, b);
  double beyond = fmax(y - b.max, b.min - y);
  double excess = verdict == MT_VERDICT_FAIL ? beyond - GUARD * uncertainty : beyond + GUARD * uncertainty;

  if (worst->found && (verdict < worst->verdict || (verdict == worst->verdict && !(excess > worst->excess))))
    return;
  *worst = (worst_point){true, verdict, x, y, uncertainty, excess};
}

/* Beside a floor a point that cannot be told from it is a bound: it may pass an upper limit, and no more. */
static bool is_bound(const mt_curve *c, size_t i)
{
  return c->floor != NULL && c->uncertainty[i] >= MT_CURVE_BOUND_DB;
}

static void look_at_point(worst_point *worst, const mt_curve *c, size_t i, bounds b)
{
  if (is_bound(c, i))
    look_at(worst, c->x[i], c->y[i], 0.0, MT_RIG_LIMITED, b);
  else
    look_at(worst, c->x[i], c->y[i], c->uncertainty[i], c->validity, b);
}

/* On the logarithmic axis between points i and i + 1; the larger uncertainty of the two. */
static void look_between(worst_point *worst, const mt_curve *c, size_t i, double x, bounds b)
{
  double part = log(x / c->x[i]) / log(c->x[i + 1] / c->x[i]);
  double y = c->y[i] + part * (c->y[i + 1] - c->y[i]);

  if (is_bound(c, i) || is_bound(c, i + 1))
    look_at(worst, x, fmax(c->y[i], c->y[i + 1]), 0.0, MT_RIG_LIMITED, b);
  else
    look_at(worst, x, y, fmax(c->uncertainty[i], c->uncertainty[i + 1]), c->validity, b);
}

static bool is_usable(const mt_curve *c)
{
  for (size_t i = 0; i < c->npoints; i++)
    if (!isfinite(c->x[i]) || !isfinite(c->y[i]) || !isfinite(c->uncertainty[i]) ||
        (mt_curve_x_unit(c) == MT_UNIT_HZ && c->x[i] <= 0.0) || c->uncertainty[i] < 0.0 ||
        (i > 0 && c->x[i] <= c->x[i - 1]))
      return false;
  return c->npoints > 0;
}

static worst_point find_worst(const mt_curve *c, double from_hz, double to_hz, bounds b)
{
  worst_point worst = {.found = false};
  double low = from_hz * (1.0 - NOMINAL), high = to_hz * (1.0 + NOMINAL);

  for (size_t i = 0; i < c->npoints; i++) {
    bool reaches_from = c->x[i] >= from_hz, reaches_to = c->x[i] <= to_hz;
    /* an end point that stands for a nominal frequency counts as it; else the ends are interpolated */
    if ((reaches_from || (i + 1 == c->npoints && c->x[i] >= low)) &&
        (reaches_to || (i == 0 && c->x[i] <= high)))
      look_at_point(&worst, c, i, b);
    if (i + 1 < c->npoints && c->x[i] < from_hz && c->x[i + 1] > from_hz)
      look_between(&worst, c, i, from_hz, b);
    if (i + 1 < c->npoints && to_hz > from_hz && c->x[i] < to_hz && c->x[i + 1] > to_hz)
      look_between(&worst, c, i, to_hz, b);
  }
  return worst;
}

/* What of the stretch the curve does not reach. @return false and the reason in words. */
static bool covers(const mt_curve *c, double from_hz, double to_hz, char *why, size_t size)
{
  double first = c->x[0], last = c->x[c->npoints - 1];
  char a[24], b[24];

  if (from_hz > 0.0 && first > from_hz * (1.0 + NOMINAL)) {
    snprintf(why, size, "it was read from %s on, the limit holds from %s",
             mt_wording_frequency(first, a, sizeof a), mt_wording_frequency(from_hz, b, sizeof b));
    return false;
  }
  if (isfinite(to_hz) && last < to_hz * (1.0 - NOMINAL)) {
    snprintf(why, size, "it was read up to %s, the limit holds up to %s",
             mt_wording_frequency(last, a, sizeof a), mt_wording_frequency(to_hz, b, sizeof b));
    return false;
  }
  for (size_t i = 0; i + 1 < c->npoints; i++)
    if (c->x[i + 1] > from_hz && c->x[i] < to_hz && c->x[i + 1] > c->x[i] * WIDEST_GAP) {
      snprintf(why, size, "nothing was read between %s and %s", mt_wording_frequency(c->x[i], a, sizeof a),
               mt_wording_frequency(c->x[i + 1], b, sizeof b));
      return false;
    }
  return true;
}

/* Over another axis than frequency a limit holds for all that was read. */
static worst_point find_worst_of_all(const mt_curve *c, bounds b)
{
  worst_point worst = {.found = false};

  for (size_t i = 0; i < c->npoints; i++)
    look_at_point(&worst, c, i, b);
  return worst;
}

static void judge_stretch(const mt_limit *limit, const mt_curve *c, bounds b, mt_judgement *j)
{
  bool over_frequency = mt_curve_x_unit(c) == MT_UNIT_HZ;
  worst_point worst =
      over_frequency ? find_worst(c, limit->from_hz, limit->to_hz, b) : find_worst_of_all(c, b);
  char why[96] = "nothing was read there";
  bool covered = !over_frequency || covers(c, limit->from_hz, limit->to_hz, why, sizeof why);

  if (worst.found && set_value(j, worst.y, worst.uncertainty)) {
    j->at_hz = over_frequency ? worst.x : 0.0;
    j->verdict = worst.verdict;
  }
  /* a miss where the curve was read is a miss, whatever the rest would have shown */
  if (!worst.found || (!covered && worst.verdict != MT_VERDICT_FAIL)) {
    j->verdict = MT_VERDICT_UNDECIDED;
    mt_wording_undecided(j, why);
  } else {
    mt_wording_judge(j, c->validity);
  }
}

static mt_code judge_one_curve(const mt_limit *limit, mt_results *results, const mt_curve *c, mt_error *err)
{
  mt_judgement j = start_judgement(limit, c->channel, c->segment, c->state, 0);
  bool is_number = c->validity == MT_VALID || c->validity == MT_RIG_LIMITED;
  bounds b;

  if (mt_curve_x_unit(c) == MT_UNIT_HZ) {
    j.from_hz = limit->from_hz;
    j.to_hz = isfinite(limit->to_hz) ? limit->to_hz : 0.0;
  }
  if (mt_results_is_spoilt(results, c->state))
    refuse_spoilt(results, &j);
  else if (!own_bounds(limit, &b))
    mt_wording_undecided(&j, "the limit's unit does not fit the quantity");
  else if (!is_number)
    mt_wording_undecided(&j, mt_wording_reason(c->validity, c->why));
  else if (!is_usable(c))
    mt_wording_undecided(&j, "the curve has no usable points");
  else
    judge_stretch(limit, c, b, &j);
  return mt_results_add_judgement(results, &j, err);
}

static mt_code judge_curve(const mt_limit *limit, mt_results *results, const mt_curve *c, mt_error *err)
{
  const char *why = limit->relative ? refuse_reference(limit->reference, results) : NULL;
  mt_results *difference = NULL;
  mt_code code;

  if (!limit->relative)
    return judge_one_curve(limit, results, c, err);
  if (why != NULL) {
    mt_judgement j = start_judgement(limit, c->channel, c->segment, c->state, 0);
    mt_wording_undecided(&j, why);
    return mt_results_add_judgement(results, &j, err);
  }
  code = mt_compare_curve(limit->reference, c, &difference, err);
  if (code == MT_OK)
    code = judge_one_curve(limit, results, &difference->curves[0], err);
  mt_results_destroy(&difference);
  return code;
}

/* ---- one limit ------------------------------------------------------------------------------------- */

/* A misspelt segment is only seen here: segments belong to the stimulus, not to the plan. */
static const char *nearest_segment(const mt_results *results, const char *segment)
{
  const char *best = NULL;

  for (size_t i = 0; i < results->nreadings && best == NULL && segment[0] != '\0'; i++) {
    const char *name = results->readings[i].segment;
    if (name[0] != '\0' && strcmp(name, segment) != 0)
      best = mt_text_nearest(segment, &name, 1);
  }
  return best;
}

static mt_code judge_missing(const mt_limit *limit, mt_results *results, mt_channel channel, mt_error *err)
{
  mt_judgement j = start_judgement(limit, channel, limit->segment, limit->state, limit->order);
  const char *nearest = nearest_segment(results, limit->segment);
  char why[192], segment[64] = "", state[64] = "", hint[48] = "";

  if (limit->segment[0] != '\0')
    snprintf(segment, sizeof segment, " in segment \"%s\"", limit->segment);
  if (limit->state[0] != '\0')
    snprintf(state, sizeof state, " in state \"%s\"", limit->state);
  if (nearest != NULL)
    snprintf(hint, sizeof hint, "; did you mean \"%s\"?", nearest);
  snprintf(why, sizeof why, "it was not read%s%s%s", segment, state, hint);
  mt_wording_undecided(&j, why);
  return mt_results_add_judgement(results, &j, err);
}

/* Quantities that only a state with a reference state has. */
static bool limit_compares(mt_quantity q)
{
  return q == MT_Q_BOOST || q == MT_Q_BOOST_FREQ || q == MT_Q_BOOST_CORNER || q == MT_Q_GAIN_CHANGE ||
         q == MT_Q_TILT || q == MT_Q_DIFFERENCE;
}

/* Quantities that states with different loads have together. */
static bool compares_loads(mt_quantity q)
{
  return q == MT_Q_OUTPUT_IMPEDANCE || q == MT_Q_LOAD_CORNER || q == MT_Q_OUTPUT_CAPACITANCE;
}

/* Where readings and curves that a limit met came from. */
typedef struct met {
  bool any, left, right;
} met;

static void note(met *m, mt_channel channel)
{
  m->any = true;
  m->left = m->left || channel == MT_LEFT;
  m->right = m->right || channel == MT_RIGHT;
}

/* Of a quantity that is a number and also a curve over frequency, the stretch says which is meant. */
static bool means_curve(const mt_limit *limit)
{
  return mt_quantity_describe(limit->quantity)->is_curve || limit->from_hz > 0.0 || isfinite(limit->to_hz);
}

static mt_code judge_met(const mt_limit *limit, mt_results *results, met *m, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < results->nreadings && code == MT_OK; i++) {
    mt_reading *r = &results->readings[i];
    if (r->quantity == limit->quantity && !means_curve(limit) &&
        (limit->order == 0 || limit->order == r->order) && meets(limit, r->channel, r->segment, r->state)) {
      note(m, r->channel);
      code = judge_reading(limit, results, r, err);
    }
  }
  for (size_t i = 0; i < results->ncurves && code == MT_OK; i++) {
    const mt_curve *c = &results->curves[i];
    if (c->quantity == limit->quantity && means_curve(limit) &&
        meets(limit, c->channel, c->segment, c->state)) {
      note(m, c->channel);
      code = judge_curve(limit, results, c, err);
    }
  }
  return code;
}

static bool is_skipped(const mt_results *results, const char *state)
{
  const mt_take_summary *take = mt_results_find_take(results, state);
  return take != NULL && take->skipped;
}

/* Would the state, had it been visited, have given the limit something to hold? */
static bool would_measure(const mt_plan *plan, const mt_plan_state *state, mt_quantity quantity)
{
  double load = mt_plan_load(plan, state);

  if ((quantity == MT_Q_OUTPUT_POWER || compares_loads(quantity)) && !(load > 0.0 && isfinite(load)))
    return false;
  if (compares_loads(quantity) && state->compare_with[0] == '\0')
    return false;
  for (size_t i = 0; i < state->nmeasure; i++)
    if (state->measure[i] == quantity)
      return true;
  return state->nmeasure == 0;
}

static mt_code judge_unseen(const mt_limit *limit, mt_results *results, const char *state, const char *why,
                            mt_error *err)
{
  mt_judgement j = start_judgement(limit, limit->channel == MT_CHANNEL_ANY ? MT_CHANNEL_BOTH : limit->channel,
                                   limit->segment, state, limit->order);
  mt_wording_undecided(&j, why);
  return mt_results_add_judgement(results, &j, err);
}

/* A limit holds in every state it does not exclude: what was skipped, or compared with what was, has not met it. */
static mt_code judge_skipped(const mt_plan *plan, const mt_limit *limit, bool is_met, mt_results *results,
                             mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < results->ntakes && code == MT_OK; i++) {
    const mt_take_summary *take = &results->takes[i];
    const mt_plan_state *state = mt_plan_find_state(plan, take->state);
    bool is_meant = limit->state[0] == '\0' ? state != NULL && would_measure(plan, state, limit->quantity)
                                            : strcmp(limit->state, take->state) == 0;
    bool compares = limit_compares(limit->quantity) || (compares_loads(limit->quantity) && !is_met);
    char why[80];
    if (!is_meant || (compares && (state == NULL || state->compare_with[0] == '\0')))
      continue;
    if (take->skipped) {
      code = judge_unseen(limit, results, take->state, "the state was skipped", err);
    } else if (compares && is_skipped(results, state->compare_with)) {
      snprintf(why, sizeof why, "state \"%s\", which it is compared with, was skipped", state->compare_with);
      code = judge_unseen(limit, results, take->state, why, err);
    }
  }
  return code;
}

/* A limit for whichever channel is not met by one of two: the other must not pass unseen. */
static mt_code judge_limit(const mt_plan *plan, const mt_limit *limit, mt_results *results, mt_error *err)
{
  bool is_pair = results->is_stimulus || results->nchannels >= 2;
  size_t njudgements = results->njudgements;
  met m = {false, false, false};
  mt_code code = judge_met(limit, results, &m, err);

  if (code == MT_OK)
    code = judge_skipped(plan, limit, m.any, results, err);
  if (code != MT_OK)
    return code;
  if (!m.any && results->njudgements > njudgements)
    return MT_OK;
  if (!m.any)
    return judge_missing(limit, results, limit->channel == MT_CHANNEL_ANY ? MT_CHANNEL_BOTH : limit->channel,
                         err);
  if (limit->channel == MT_CHANNEL_ANY && is_pair && m.left != m.right)
    return judge_missing(limit, results, m.left ? MT_RIGHT : MT_LEFT, err);
  return MT_OK;
}

/* ---- what every plan implies ------------------------------------------------------------------------ */

static const char *const side[] = {"left", "right"};

static mt_reading *find_in_state(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                 const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel && strcmp(r->state, state) == 0)
      return r;
  }
  return NULL;
}

/* The other channel hears this channel's tone and no other. */
static bool is_swapped(const mt_results *results, mt_channel channel, const char *state)
{
  const mt_reading *other = find_in_state(results, MT_Q_ROUTE, 1 - channel, state);
  return other != NULL && other->validity == MT_VALID &&
         (int)lround(other->value) == (channel == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT);
}

static void describe_route(const mt_results *results, mt_judgement *j, mt_route expected, mt_route found)
{
  const char *me = side[j->channel], *other = side[1 - j->channel];
  mt_route own = j->channel == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
  char *text = j->text;
  size_t size = sizeof j->text;

  if (found == expected && found == own)
    snprintf(text, size, "The %s channel carries its own tone, alone", me);
  else if (found == expected && found == MT_ROUTE_NONE)
    snprintf(text, size, "The %s channel is silent, as the plan expects", me);
  else if (found == expected)
    snprintf(text, size, "The %s channel carries %s, as the plan expects", me,
             found == MT_ROUTE_BOTH ? "both tones" : "the other channel's tone");
  else if (found == MT_ROUTE_NONE)
    snprintf(text, size, "The %s channel is silent: no tone that was played arrives on it", me);
  else if (expected == MT_ROUTE_NONE)
    snprintf(text, size, "The %s channel carries a tone; the plan expects it to be silent", me);
  else if (found == MT_ROUTE_BOTH)
    snprintf(text, size, "The %s channel carries both tones: left and right are joined somewhere", me);
  else if (expected == MT_ROUTE_BOTH)
    snprintf(text, size, "The %s channel carries only the %s channel's tone; the plan expects both", me,
             side[found == MT_ROUTE_LEFT ? MT_LEFT : MT_RIGHT]);
  else if (found != own && is_swapped(results, j->channel, j->state))
    snprintf(text, size, "Left and right are swapped: the %s channel carries the %s channel's tone", me,
             other);
  else if (found != own)
    snprintf(text, size, "The %s channel carries the %s channel's tone instead of its own", me, other);
  else
    snprintf(text, size, "The %s channel carries its own tone; the plan expects the %s channel's", me, other);
}

static void describe_polarity(mt_judgement *j, int expected, int found)
{
  const char *me = side[j->channel];

  if (found == expected)
    snprintf(j->text, sizeof j->text, "The %s channel has %s polarity%s", me,
             found > 0 ? "normal" : "inverted", found > 0 ? "" : ", as the plan expects");
  else if (found < 0)
    snprintf(j->text, sizeof j->text,
             "The %s channel is inverted: its wave goes down where the one played goes up", me);
  else
    snprintf(j->text, sizeof j->text, "The %s channel has normal polarity; the plan expects it inverted", me);
}

/* Route and polarity are exact words, or they are nothing: no guard band. */
static mt_code judge_implied(mt_results *results, mt_quantity quantity, mt_channel channel, const char *state,
                             int expected, mt_error *err)
{
  mt_reading *r = find_in_state(results, quantity, channel, state);
  mt_judgement j = {.quantity = quantity,
                    .channel = channel,
                    .min = expected,
                    .max = expected,
                    .unit = MT_UNIT_NONE,
                    .implied = true,
                    .verdict = MT_VERDICT_UNDECIDED};
  bool is_word = r != NULL && r->validity == MT_VALID && isfinite(r->value) &&
                 (quantity == MT_Q_ROUTE
                      ? r->value >= MT_ROUTE_NONE && r->value <= MT_ROUTE_BOTH && r->value == floor(r->value)
                      : fabs(r->value) == 1.0);

  mt_text_copy(j.state, sizeof j.state, state);
  if (r != NULL)
    mt_text_copy(j.segment, sizeof j.segment, r->segment);
  if (is_word) {
    j.has_value = true;
    j.value = r->value;
  }
  if (mt_results_is_spoilt(results, state)) {
    refuse_spoilt(results, &j);
  } else if (r == NULL) {
    mt_wording_undecided(&j, is_skipped(results, state) ? "the state was skipped" : "it was not read");
  } else if (!is_word) {
    mt_wording_undecided(&j, mt_wording_reason(r->validity, r->why));
  } else {
    j.verdict = (int)r->value == expected ? MT_VERDICT_PASS : MT_VERDICT_FAIL;
    if (quantity == MT_Q_ROUTE)
      describe_route(results, &j, (mt_route)expected, (mt_route)(int)r->value);
    else
      describe_polarity(&j, expected, (int)r->value);
  }
  if (r != NULL)
    r->verdict = worse(r->verdict, j.verdict);
  return mt_results_add_judgement(results, &j, err);
}

static mt_code judge_implied_state(const mt_plan *plan, mt_results *results, const char *state, mt_error *err)
{
  mt_code code = MT_OK;

  for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK; c++)
    if (plan->judges_route)
      code = judge_implied(results, MT_Q_ROUTE, c, state, (int)plan->expect_route[c], err);
  /* a channel that is to be silent has no polarity */
  for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK; c++)
    if (plan->expect_polarity[c] != 0 && !(plan->judges_route && plan->expect_route[c] == MT_ROUTE_NONE))
      code = judge_implied(results, MT_Q_POLARITY, c, state, plan->expect_polarity[c], err);
  return code;
}

static bool is_first_of_state(const mt_results *results, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (results->readings[i].quantity == MT_Q_ROUTE &&
        strcmp(results->readings[i].state, results->readings[index].state) == 0)
      return false;
  return true;
}

/* Once for every state that was visited. A plain recording has no route to judge. */
static mt_code judge_all_implied(const mt_plan *plan, mt_results *results, mt_error *err)
{
  bool found = false;
  mt_code code = MT_OK;

  for (size_t i = 0; i < results->nreadings && code == MT_OK; i++) {
    char state[sizeof results->readings[i].state];
    if (results->readings[i].quantity != MT_Q_ROUTE || !is_first_of_state(results, i))
      continue;
    found = true;
    mt_text_copy(state, sizeof state, results->readings[i].state);
    code = judge_implied_state(plan, results, state, err);
  }
  for (size_t i = 0; i < results->ntakes && code == MT_OK; i++)
    if (results->takes[i].skipped) {
      char state[sizeof results->takes[i].state];
      mt_text_copy(state, sizeof state, results->takes[i].state);
      code = judge_implied_state(plan, results, state, err);
    }
  /* a stimulus take without any route was not read as it should have been; noise alone has none */
  if (!found && results->is_stimulus && results->ntakes == 0 && results->stimulus_parts != MT_PARTS_NOISE &&
      results->stimulus_parts != MT_PARTS_TURN && code == MT_OK)
    code = judge_implied_state(plan, results, "", err);
  return code;
}

/* ---- the whole ------------------------------------------------------------------------------------- */

/* Of a single take what was on in its state, of several what the plan says for all. */
static double load_of_all(const mt_plan *plan, const mt_results *results)
{
  const mt_plan_state *state = results->ntakes == 0 && results->nreadings > 0
                                   ? mt_plan_find_state(plan, results->readings[0].state)
                                   : NULL;
  return mt_plan_load(plan, state);
}

mt_code mt_judge_results(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_code code;

  results->njudgements = 0;
  results->verdict = MT_VERDICT_NONE;
  for (size_t i = 0; i < results->nreadings; i++)
    results->readings[i].verdict = MT_VERDICT_NONE;
  mt_text_copy(results->plan_name, sizeof results->plan_name, plan->name);
  mt_text_copy(results->unit_name, sizeof results->unit_name, plan->unit);
  results->load_ohm = load_of_all(plan, results);

  code = judge_all_implied(plan, results, err);
  for (size_t i = 0; i < plan->nlimits && code == MT_OK; i++)
    code = judge_limit(plan, &plan->limits[i], results, err);
  if (code == MT_OK)
    code = mt_judge_by_hand(plan, results, err);
  for (size_t i = 0; i < results->njudgements; i++)
    results->verdict = worse(results->verdict, results->judgements[i].verdict);
  for (size_t i = 0; i < results->nanswers; i++)
    results->verdict = worse(results->verdict, results->answers[i].verdict);
  if (code != MT_OK)
    results->verdict = worse(results->verdict, MT_VERDICT_UNDECIDED);
  return code;
}
