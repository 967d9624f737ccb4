#include <mendtone/plan.h>

#include <mendtone/compare.h>

#include "base/config.h"
#include "base/text.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A plan is written by hand; what is larger is a mistake or an attack. */
#define MAX_BYTES ((size_t)1 << 20)
#define MAX_LIMITS 1000
#define MAX_STATES 100
#define MAX_BY_HAND 100
#define MAX_NUMBER 1e12
#define MAX_ORDER 32.0

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

/* The member if it is there, so that a message names its line, else the group. */
static mt_config_item at_key(mt_config_item group, const char *key)
{
  mt_config_item member;
  return mt_config_find(group, key, &member) ? member : group;
}

/* A foreign text inside a message: short, and cut at a whole character. */
static const char *shorten(const char *text, char out[41])
{
  mt_text_copy(out, 41, text);
  return out;
}

static mt_code refuse_name(mt_config_item item, const char *what, const char *found, const char *nearest,
                           const char *expected, mt_error *err)
{
  char cut[41];

  if (nearest != NULL)
    return mt_config_fail(item, err, "unknown %s \"%s\"; did you mean \"%s\"?", what, shorten(found, cut),
                          nearest);
  return mt_config_fail(item, err, "unknown %s \"%s\"; expected %s", what, shorten(found, cut), expected);
}

/* ---- quantity, unit, channel --------------------------------------------------------------------- */

static mt_code parse_quantity(mt_config_item item, mt_quantity *out, mt_error *err)
{
  const char *name = mt_config_text_value(item);

  if (name == NULL)
    return mt_config_fail(item, err, "quantity is not text; expected a name such as \"balance\"");
  if (!mt_quantity_parse(name, out))
    return refuse_name(item, "quantity", name, mt_quantity_nearest(name), "a name such as \"balance\"", err);
  return MT_OK;
}

static mt_code read_quantity(mt_config_item group, mt_quantity *out, mt_error *err)
{
  mt_config_item item;
  mt_code code;

  if (!mt_config_find(group, "quantity", &item))
    return mt_config_fail(group, err, "a limit has no quantity; expected quantity = \"balance\" or another");
  code = parse_quantity(item, out, err);
  if (code == MT_OK && *out == MT_Q_ROUTE)
    return mt_config_fail(item, err, "route is a word, not a number to limit; use expect_route");
  if (code == MT_OK && *out == MT_Q_POLARITY)
    return mt_config_fail(item, err, "polarity is a sign, not a number to limit; use expect_polarity");
  return code;
}

/* "dB" or "%": every unit a quantity may be limited in. */
static void list_units(mt_quantity quantity, char *out, size_t size)
{
  mt_unit unused;

  out[0] = '\0';
  for (int u = 0; u < MT_UNIT_LAST; u++) {
    size_t used = strlen(out);
    if (mt_quantity_limit_unit(quantity, (mt_unit)u, &unused))
      snprintf(out + used, size - used, "%s\"%s\"", used > 0 ? " or " : "", mt_unit_name((mt_unit)u));
  }
}

static mt_code read_unit(mt_config_item group, mt_quantity quantity, mt_unit *out, mt_error *err)
{
  const mt_quantity_info *info = mt_quantity_describe(quantity);
  const char *names[MT_UNIT_LAST - 1];
  const char *name;
  char fitting[64];
  mt_config_item item;
  mt_unit unused;

  list_units(quantity, fitting, sizeof fitting);
  if (!mt_config_find(group, "unit", &item))
    return mt_config_fail(group, err, "the limit on %s has no unit; expected unit = %s", info->name, fitting);
  name = mt_config_text_value(item);
  if (name == NULL)
    return mt_config_fail(item, err, "unit is not text; expected %s", fitting);
  if (!mt_unit_parse(name, out)) {
    for (int u = 1; u < MT_UNIT_LAST; u++)
      names[u - 1] = mt_unit_name((mt_unit)u);
    return refuse_name(item, "unit", name, mt_text_nearest(name, names, COUNT(names)), fitting, err);
  }
  if (!mt_quantity_limit_unit(quantity, *out, &unused))
    return mt_config_fail(item, err, "%s cannot be limited in \"%s\"; expected %s", info->name, name,
                          fitting);
  return MT_OK;
}

/* A difference has a unit of its own: levels and ratios differ by dB. */
static mt_code read_relative_unit(mt_config_item group, mt_quantity quantity, mt_unit *out, mt_error *err)
{
  mt_unit own = mt_compare_unit(quantity);
  char name[24] = "";
  mt_code code = mt_config_text(group, "unit", name, sizeof name, err);

  if (code != MT_OK)
    return code;
  if (strcmp(name, mt_unit_name(own)) == 0)
    *out = own;
  else if (own == MT_UNIT_SECOND && strcmp(name, mt_unit_name(MT_UNIT_MILLISECOND)) == 0)
    *out = MT_UNIT_MILLISECOND;
  else
    return mt_config_fail(at_key(group, "unit"), err,
                          "the unit is \"%s\"; %s differs from the reference by \"%s\"", name,
                          mt_quantity_describe(quantity)->name, mt_unit_name(own));
  return MT_OK;
}

static mt_code read_channel(mt_config_item group, mt_channel *out, mt_error *err)
{
  static const char *const expected = "\"left\", \"right\", \"both\", \"any\" or \"ch3\" to \"ch32\"";
  const char *names[MT_CHANNELS_MAX + 2];
  char spelt[MT_CHANNELS_MAX + 1][8];
  const char *name;
  mt_config_item item;

  if (!mt_config_find(group, "channel", &item))
    return MT_OK;
  name = mt_config_text_value(item);
  if (name == NULL)
    return mt_config_fail(item, err, "channel is not text; expected %s", expected);
  if (strcmp(name, "any") == 0)
    return MT_OK;
  for (mt_channel c = MT_CHANNEL_BOTH; c < MT_CHANNELS_MAX; c++) {
    names[c + 1] = mt_channel_name(c, spelt[c + 1]);
    if (strcmp(name, names[c + 1]) == 0) {
      *out = c;
      return MT_OK;
    }
  }
  names[MT_CHANNELS_MAX + 1] = "any";
  return refuse_name(item, "channel", name, mt_text_nearest(name, names, COUNT(names)), expected, err);
}

/* ---- states -------------------------------------------------------------------------------------- */

const mt_plan_state *mt_plan_find_state(const mt_plan *plan, const char *name)
{
  for (size_t i = 0; i < plan->nstates; i++)
    if (strcmp(plan->states[i].name, name) == 0)
      return &plan->states[i];
  return NULL;
}

static mt_code refuse_state(const mt_plan *plan, mt_config_item item, const char *found, mt_error *err)
{
  const char *names[MAX_STATES];

  for (size_t i = 0; i < plan->nstates; i++)
    names[i] = plan->states[i].name;
  return refuse_name(item, "state", found, mt_text_nearest(found, names, plan->nstates),
                     "a name that states = ( ... ) defines", err);
}

static mt_code read_measure(mt_config_item group, mt_plan_state *state, mt_error *err)
{
  mt_config_item list;

  if (!mt_config_find(group, "measure", &list))
    return MT_OK;
  if (!mt_config_is_list(list))
    return mt_config_fail(list, err, "measure is not a list; expected measure = (\"response\", ...)");
  for (size_t i = 0; i < mt_config_length(list); i++) {
    mt_config_item item = mt_config_at(list, i);
    mt_quantity quantity;
    mt_code code = parse_quantity(item, &quantity, err);
    if (code != MT_OK)
      return code;
    for (size_t k = 0; k < state->nmeasure; k++)
      if (state->measure[k] == quantity)
        return mt_config_fail(item, err, "measure names \"%s\" twice; once is enough",
                              mt_quantity_describe(quantity)->name);
    state->measure[state->nmeasure++] = quantity;
  }
  return MT_OK;
}

/* Ohms, or the word for none. */
static mt_code read_load(mt_config_item group, double *ohm, double *tolerance_percent, mt_error *err)
{
  mt_config_item item;
  const char *word = mt_config_find(group, "load_ohm", &item) ? mt_config_text_value(item) : NULL;
  mt_code code = MT_OK;

  if (word != NULL && strcmp(word, "open") == 0)
    *ohm = HUGE_VAL;
  else if (word != NULL)
    code = mt_config_fail(item, err, "load_ohm is \"%.20s\"; expected ohms, 0.1 to 1e+07, or \"open\"", word);
  else
    code = mt_config_number(group, "load_ohm", 0.1, 1e7, ohm, err);
  if (code == MT_OK)
    code = mt_config_number(group, "load_tolerance_percent", 0.01, 20.0, tolerance_percent, err);
  return code;
}

double mt_plan_load(const mt_plan *plan, const mt_plan_state *state)
{
  if (state != NULL && state->load_ohm > 0.0)
    return state->load_ohm;
  if (plan->load_ohm > 0.0)
    return plan->load_ohm;
  for (size_t i = 0; state != NULL && i < plan->nstates; i++)
    if (plan->states[i].load_ohm > 0.0)
      return HUGE_VAL;
  return 0.0;
}

/* A knob that is turned during the take: that is all that is measured then. */
static mt_code read_turn(mt_config_item group, mt_plan_state *state, mt_error *err)
{
  static const char *const others[] = {"measure", "compare_with"};
  mt_config_item item;
  mt_code code;

  if (!mt_config_find(group, "turn", &item))
    return mt_config_find(group, "turn_s", &item)
               ? mt_config_fail(item, err, "turn_s without turn; expected turn = \"volume\" or another knob")
               : MT_OK;
  code = mt_config_text(group, "turn", state->turn, sizeof state->turn, err);
  if (code == MT_OK && state->turn[0] == '\0')
    return mt_config_fail(item, err, "turn is empty; expected turn = \"volume\" or another knob");
  for (size_t i = 0; i < COUNT(others) && code == MT_OK; i++)
    if (mt_config_find(group, others[i], &item))
      return mt_config_fail(item, err,
                            "%s beside turn: while a knob is turned only its travel is read; "
                            "expected a state of its own",
                            others[i]);
  state->turn_s = MT_TURN_S;
  return code == MT_OK ? mt_config_number(group, "turn_s", MT_TURN_MIN_S, MT_TURN_MAX_S, &state->turn_s, err)
                       : code;
}

static mt_code read_state(const mt_plan *plan, mt_config_item group, mt_plan_state *state, mt_error *err)
{
  static const char *const keys[] = {
      "name", "set", "compare_with", "measure", "load_ohm", "load_tolerance_percent", "turn", "turn_s"};
  mt_code code = mt_config_check_keys(group, keys, COUNT(keys), err);

  if (code == MT_OK)
    code = mt_config_text(group, "name", state->name, sizeof state->name, err);
  if (code == MT_OK && state->name[0] == '\0')
    return mt_config_fail(at_key(group, "name"), err, "a state has no name; expected name = \"...\"");
  if (code == MT_OK && mt_plan_find_state(plan, state->name) != NULL)
    return mt_config_fail(at_key(group, "name"), err, "state \"%s\" is stated twice; expected another name",
                          state->name);
  if (code == MT_OK)
    code = mt_config_text(group, "set", state->set, sizeof state->set, err);
  if (code == MT_OK)
    code = mt_config_text(group, "compare_with", state->compare_with, sizeof state->compare_with, err);
  if (code == MT_OK)
    code = read_measure(group, state, err);
  if (code == MT_OK)
    code = read_load(group, &state->load_ohm, &state->load_tolerance_percent, err);
  return code == MT_OK ? read_turn(group, state, err) : code;
}

/* Open a list of groups; `n` is 0 if the key is not there. */
static mt_code open_list(mt_config_item root, const char *key, size_t most, mt_config_item *list, size_t *n,
                         mt_error *err)
{
  *n = 0;
  if (!mt_config_find(root, key, list))
    return MT_OK;
  if (!mt_config_is_list(*list))
    return mt_config_fail(*list, err, "%s is not a list; expected %s = ( { ... }, { ... } )", key, key);
  if (mt_config_length(*list) > most)
    return mt_config_fail(*list, err, "%s has %zu entries; expected at most %zu", key,
                          mt_config_length(*list), most);
  for (size_t i = 0; i < mt_config_length(*list); i++)
    if (!mt_config_is_group(mt_config_at(*list, i)))
      return mt_config_fail(mt_config_at(*list, i), err, "an entry of %s is not a group; expected { ... }",
                            key);
  *n = mt_config_length(*list);
  return MT_OK;
}

static mt_code read_states(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item list;
  size_t n;
  mt_code code = open_list(root, "states", MAX_STATES, &list, &n, err);

  if (code != MT_OK || n == 0)
    return code;
  plan->states = calloc(n, sizeof *plan->states);
  if (plan->states == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu states", n);
  for (size_t i = 0; i < n; i++) {
    code = read_state(plan, mt_config_at(list, i), &plan->states[i], err);
    if (code != MT_OK)
      return code;
    plan->nstates++;
  }
  for (size_t i = 0; i < n; i++) {
    const mt_plan_state *state = &plan->states[i];
    mt_config_item item = at_key(mt_config_at(list, i), "compare_with");
    if (state->compare_with[0] == '\0')
      continue;
    if (mt_plan_find_state(plan, state->compare_with) == NULL)
      return refuse_state(plan, item, state->compare_with, err);
    if (strcmp(state->compare_with, state->name) == 0)
      return mt_config_fail(item, err, "state \"%s\" is compared with itself; expected another state",
                            state->name);
  }
  return MT_OK;
}

/* ---- limits -------------------------------------------------------------------------------------- */

static mt_code check_bound(mt_config_item group, const mt_limit *limit, const char *key, double bound,
                           mt_error *err)
{
  double unused;
  mt_unit held;

  if (limit->relative || isinf(bound) ||
      (mt_quantity_limit_unit(limit->quantity, limit->unit, &held) &&
       mt_unit_convert(bound, limit->unit, held, &unused)))
    return MT_OK;
  return mt_config_fail(at_key(group, key), err, "%s is %g %s; expected more than 0", key, bound,
                        mt_unit_name(limit->unit));
}

static mt_code read_bounds(mt_config_item group, mt_limit *limit, mt_error *err)
{
  const char *name = mt_quantity_describe(limit->quantity)->name;
  mt_code code = mt_config_number(group, "min", -MAX_NUMBER, MAX_NUMBER, &limit->min, err);

  if (code == MT_OK)
    code = mt_config_number(group, "max", -MAX_NUMBER, MAX_NUMBER, &limit->max, err);
  if (code != MT_OK)
    return code;
  if (isinf(limit->min) && isinf(limit->max))
    return mt_config_fail(group, err, "the limit on %s has neither min nor max; expected one or both", name);
  if (limit->min > limit->max)
    return mt_config_fail(at_key(group, "min"), err, "min %g is above max %g; expected min at or below max",
                          limit->min, limit->max);
  code = check_bound(group, limit, "min", limit->min, err);
  return code == MT_OK ? check_bound(group, limit, "max", limit->max, err) : code;
}

static mt_code read_stretch(mt_config_item group, mt_limit *limit, mt_error *err)
{
  const mt_quantity_info *info = mt_quantity_describe(limit->quantity);
  static const char *const keys[] = {"from_hz", "to_hz"};
  mt_config_item item;
  mt_code code;

  for (size_t i = 0; i < COUNT(keys) && (!info->is_curve || limit->quantity == MT_Q_LINEARITY); i++)
    if (!mt_quantity_is_also_curve(limit->quantity) && mt_config_find(group, keys[i], &item))
      return mt_config_fail(item, err, "%s is for curves (response, phase, spectrum); %s is %s, leave it out",
                            keys[i], info->name, info->is_curve ? "over level" : "one number");
  code = mt_config_number(group, "from_hz", 0.0, 1e6, &limit->from_hz, err);
  if (code == MT_OK)
    code = mt_config_number(group, "to_hz", 0.0, 1e6, &limit->to_hz, err);
  if (code == MT_OK && limit->from_hz > limit->to_hz)
    return mt_config_fail(at_key(group, "from_hz"), err,
                          "from_hz %g is above to_hz %g; expected from_hz at or below to_hz", limit->from_hz,
                          limit->to_hz);
  return code;
}

static mt_code read_order(mt_config_item group, mt_limit *limit, mt_error *err)
{
  mt_config_item item;
  double order = 0.0, least;
  mt_code code;

  if (!mt_config_find(group, "order", &item))
    return MT_OK;
  if (limit->quantity != MT_Q_HARMONIC && limit->quantity != MT_Q_HUM_LINE &&
      limit->quantity != MT_Q_IMD_MOD && limit->quantity != MT_Q_IMD_DIFF)
    return mt_config_fail(item, err,
                          "order is for harmonic, hum_line, imd_mod and imd_diff; leave it out for %s",
                          mt_quantity_describe(limit->quantity)->name);
  least = limit->quantity == MT_Q_HUM_LINE ? 1.0 : 2.0;
  code = mt_config_number(group, "order", least, MAX_ORDER, &order, err);
  if (code == MT_OK && order != floor(order))
    return mt_config_fail(item, err, "order is %g; expected a whole number, %g to %g", order, least,
                          MAX_ORDER);
  limit->order = (int)order;
  return code;
}

static bool is_of_loads(mt_quantity quantity)
{
  return quantity == MT_Q_OUTPUT_IMPEDANCE || quantity == MT_Q_LOAD_CORNER ||
         quantity == MT_Q_OUTPUT_CAPACITANCE;
}

/* Read together from states that differ in load only, and kept with the heaviest of them. */
static mt_code check_loads(const mt_plan *plan, mt_config_item item, const mt_limit *limit,
                           const mt_plan_state *state, mt_error *err)
{
  const char *name = mt_quantity_describe(limit->quantity)->name;
  double mine = mt_plan_load(plan, state);
  const mt_plan_state *heaviest = state;
  bool differs = false;

  for (size_t i = 0; i < plan->nstates; i++) {
    const mt_plan_state *s = &plan->states[i];
    bool linked = strcmp(s->compare_with, state->name) == 0 || strcmp(state->compare_with, s->name) == 0 ||
                  (s->compare_with[0] != '\0' && strcmp(s->compare_with, state->compare_with) == 0);
    if (!linked || mt_plan_load(plan, s) == mine)
      continue;
    differs = true;
    if (mt_plan_load(plan, s) < mt_plan_load(plan, heaviest))
      heaviest = s;
  }
  if (!differs || mine <= 0.0)
    return mt_config_fail(
        item, err,
        "%s needs the same state with another load; expected load_ohm, and compare_with between the two",
        name);
  if (heaviest != state)
    return mt_config_fail(item, err,
                          "%s is read in the state with the heaviest load; expected state = \"%s\"", name,
                          heaviest->name);
  return MT_OK;
}

static bool is_of_a_turn(mt_quantity quantity)
{
  return quantity == MT_Q_TRACKING_ERROR || quantity == MT_Q_SCRATCH_LEVEL ||
         (quantity >= MT_Q_TRACKING_ERROR_40 && quantity <= MT_Q_LEVEL_JUMPS);
}

static mt_code read_limit_state(const mt_plan *plan, mt_config_item group, mt_limit *limit, mt_error *err)
{
  bool compares = limit->quantity == MT_Q_BOOST || limit->quantity == MT_Q_BOOST_FREQ ||
                  limit->quantity == MT_Q_BOOST_CORNER || limit->quantity == MT_Q_GAIN_CHANGE ||
                  limit->quantity == MT_Q_TILT || limit->quantity == MT_Q_DIFFERENCE;
  const mt_plan_state *state;
  mt_config_item item;
  mt_code code;

  if (!mt_config_find(group, "state", &item))
    return MT_OK;
  code = mt_config_text(group, "state", limit->state, sizeof limit->state, err);
  if (code != MT_OK)
    return code;
  state = mt_plan_find_state(plan, limit->state);
  if (state == NULL)
    return refuse_state(plan, item, limit->state, err);
  if (is_of_a_turn(limit->quantity) && state->turn_s == 0.0)
    return mt_config_fail(item, err, "%s is read while a knob is turned; expected turn in state \"%s\"",
                          mt_quantity_describe(limit->quantity)->name, state->name);
  if (compares && state->compare_with[0] == '\0')
    return mt_config_fail(item, err,
                          "%s needs a state to compare with; expected compare_with in state \"%s\"",
                          mt_quantity_describe(limit->quantity)->name, state->name);
  if (limit->quantity == MT_Q_OUTPUT_POWER &&
      !(mt_plan_load(plan, state) > 0.0 && isfinite(mt_plan_load(plan, state))))
    return mt_config_fail(item, err, "output_power needs a load; expected load_ohm in state \"%s\"",
                          state->name);
  return is_of_loads(limit->quantity) ? check_loads(plan, item, limit, state, err) : MT_OK;
}

static mt_code read_limit(const mt_plan *plan, mt_config_item group, mt_limit *limit, mt_error *err)
{
  static const char *const keys[] = {"quantity", "channel", "segment", "state", "order", "from_hz",
                                     "to_hz",    "min",     "max",     "unit",  "why",   "relative"};
  mt_code code = mt_config_check_keys(group, keys, COUNT(keys), err);

  limit->channel = MT_CHANNEL_ANY;
  limit->to_hz = HUGE_VAL;
  limit->min = -HUGE_VAL;
  limit->max = HUGE_VAL;
  limit->line = mt_config_line(group);
  if (code == MT_OK)
    code = read_quantity(group, &limit->quantity, err);
  if (code == MT_OK)
    code = mt_config_bool(group, "relative", &limit->relative, err);
  if (code == MT_OK)
    code = limit->relative ? read_relative_unit(group, limit->quantity, &limit->unit, err)
                           : read_unit(group, limit->quantity, &limit->unit, err);
  if (code == MT_OK)
    code = read_bounds(group, limit, err);
  if (code == MT_OK)
    code = read_channel(group, &limit->channel, err);
  if (code == MT_OK)
    code = mt_config_text(group, "segment", limit->segment, sizeof limit->segment, err);
  if (code == MT_OK)
    code = read_limit_state(plan, group, limit, err);
  if (code == MT_OK)
    code = read_order(group, limit, err);
  if (code == MT_OK)
    code = read_stretch(group, limit, err);
  if (code == MT_OK)
    code = mt_config_text(group, "why", limit->why, sizeof limit->why, err);
  return code;
}

static mt_code read_limits(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item list;
  size_t n;
  mt_code code = open_list(root, "limits", MAX_LIMITS, &list, &n, err);

  if (code != MT_OK || n == 0)
    return code;
  plan->limits = calloc(n, sizeof *plan->limits);
  if (plan->limits == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu limits", n);
  for (size_t i = 0; i < n && code == MT_OK; i++)
    code = read_limit(plan, mt_config_at(list, i), &plan->limits[i], err);
  if (code == MT_OK)
    plan->nlimits = n;
  return code;
}

/* ---- what every plan implies ----------------------------------------------------------------------- */

static const char *const side_names[] = {"left", "right"};

static bool is_any(mt_config_item item)
{
  const char *text = mt_config_text_value(item);
  return text != NULL && strcmp(text, "any") == 0;
}

static mt_code parse_route(mt_config_item item, mt_route *out, mt_error *err)
{
  static const char *const expected = "\"left\", \"right\", \"both\" or \"none\"";
  const char *names[MT_ROUTE_BOTH + 1];
  const char *name = mt_config_text_value(item);

  if (name == NULL)
    return mt_config_fail(item, err, "the route is not text; expected %s", expected);
  for (int r = MT_ROUTE_NONE; r <= MT_ROUTE_BOTH; r++) {
    names[r] = mt_route_name((mt_route)r);
    if (strcmp(name, names[r]) == 0) {
      *out = (mt_route)r;
      return MT_OK;
    }
  }
  return refuse_name(item, "route", name, mt_text_nearest(name, names, COUNT(names)), expected, err);
}

static mt_code read_expect_route(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item group, item;
  mt_code code;

  if (!mt_config_find(root, "expect_route", &group))
    return MT_OK;
  if (is_any(group)) {
    plan->judges_route = false;
    return MT_OK;
  }
  if (!mt_config_is_group(group))
    return mt_config_fail(
        group, err, "expect_route is neither; expected \"any\" or { left = \"left\"; right = \"right\"; }");
  code = mt_config_check_keys(group, side_names, COUNT(side_names), err);
  for (size_t c = 0; c < COUNT(side_names) && code == MT_OK; c++)
    if (mt_config_find(group, side_names[c], &item))
      code = parse_route(item, &plan->expect_route[c], err);
  return code;
}

static mt_code read_expect_polarity(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item group, item;
  mt_code code;

  if (!mt_config_find(root, "expect_polarity", &group))
    return MT_OK;
  if (is_any(group)) {
    plan->expect_polarity[MT_LEFT] = plan->expect_polarity[MT_RIGHT] = 0;
    return MT_OK;
  }
  if (!mt_config_is_group(group))
    return mt_config_fail(group, err,
                          "expect_polarity is neither; expected \"any\" or { left = 1; right = -1; }");
  code = mt_config_check_keys(group, side_names, COUNT(side_names), err);
  for (size_t c = 0; c < COUNT(side_names) && code == MT_OK; c++) {
    double sign = plan->expect_polarity[c];
    if (mt_config_find(group, side_names[c], &item) && is_any(item))
      sign = 0.0;
    else
      code = mt_config_number(group, side_names[c], -1.0, 1.0, &sign, err);
    if (code == MT_OK && sign != 0.0 && fabs(sign) != 1.0)
      return mt_config_fail(item, err, "%s is %g; expected 1, -1 or \"any\"", side_names[c], sign);
    plan->expect_polarity[c] = (int)sign;
  }
  return code;
}

/* ---- the whole ------------------------------------------------------------------------------------- */

static mt_code read_extras(mt_plan *plan, mt_config_item root, mt_error *err)
{
  static const char *const expected = "\"intermodulation\", \"levels\" or \"crosstalk\"";
  mt_config_item list;

  if (!mt_config_find(root, "extras", &list))
    return MT_OK;
  if (!mt_config_is_list(list))
    return mt_config_fail(list, err, "extras is not a list; expected extras = (\"levels\", ...)");
  for (size_t i = 0; i < mt_config_length(list); i++) {
    mt_config_item item = mt_config_at(list, i);
    const char *name = mt_config_text_value(item);
    unsigned bit = 0;
    if (name == NULL)
      return mt_config_fail(item, err, "an entry of extras is not text; expected %s", expected);
    if (!mt_extra_parse(name, &bit))
      return refuse_name(item, "extra", name, mt_extra_nearest(name), expected, err);
    if ((plan->extras & bit) != 0)
      return mt_config_fail(item, err, "extras names \"%s\" twice; once is enough", name);
    plan->extras |= bit;
  }
  return MT_OK;
}

/* What is said of the extra "levels", which must then be asked for: a key that does nothing is a mistake. */
static mt_code read_max_level(mt_plan *plan, mt_config_item root, mt_error *err)
{
  static const char *const keys[] = {"max_level_dbfs", "max_level_thd_percent"};
  mt_config_item item;
  mt_code code = mt_config_number(root, keys[0], -60.0, 0.0, &plan->max_level_dbfs, err);

  if (code == MT_OK)
    code = mt_config_number(root, keys[1], 0.01, 30.0, &plan->max_level_thd_percent, err);
  for (size_t i = 0; i < COUNT(keys) && code == MT_OK; i++)
    if (mt_config_find(root, keys[i], &item) && (plan->extras & MT_EXTRA_LEVELS) == 0)
      return mt_config_fail(item, err, "%s does nothing without extras = (\"levels\"); expected that, too",
                            keys[i]);
  if (code == MT_OK && plan->max_level_dbfs < plan->level_dbfs)
    return mt_config_fail(at_key(root, keys[0]), err,
                          "max_level_dbfs %g is below level_dbfs %g; expected %g to 0", plan->max_level_dbfs,
                          plan->level_dbfs, plan->level_dbfs);
  return code;
}

static mt_code read_head(mt_plan *plan, mt_config_item root, mt_error *err)
{
  static const char *const keys[] = {
      "unit",         "reference",       "load_ohm",       "load_tolerance_percent",
      "level_dbfs",   "rate_hz",         "states",         "limits",
      "expect_route", "expect_polarity", "max_level_dbfs", "max_level_thd_percent",
      "extras",       "by_hand",         "codec_first"};
  static const char *const of_a_unit[] = {"left", "right", "hum_hz", "delay_s", "clock_offset_ppm"};
  mt_code code = mt_config_refuse_other(root, of_a_unit, COUNT(of_a_unit), "a simulated unit (--simulate)",
                                        "a plan", err);

  if (code == MT_OK)
    code = mt_config_check_keys(root, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_text(root, "unit", plan->unit, sizeof plan->unit, err);
  if (code == MT_OK)
    code = mt_config_text(root, "reference", plan->reference, sizeof plan->reference, err);
  if (code == MT_OK)
    code = mt_config_bool(root, "codec_first", &plan->codec_first, err);
  if (code == MT_OK)
    code = read_load(root, &plan->load_ohm, &plan->load_tolerance_percent, err);
  if (code == MT_OK)
    code = mt_config_number(root, "level_dbfs", -60.0, 0.0, &plan->level_dbfs, err);
  if (code == MT_OK)
    code = mt_config_number(root, "rate_hz", 44100.0, 192000.0, &plan->rate_hz, err);
  if (code == MT_OK)
    code = read_extras(plan, root, err);
  if (code == MT_OK)
    code = read_max_level(plan, root, err);
  return code;
}

/* Either is a mistake without the other. */
static mt_code check_reference(const mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item list;
  bool any = false;

  for (size_t i = 0; i < plan->nlimits; i++) {
    any = any || plan->limits[i].relative;
    if (plan->limits[i].relative && plan->reference[0] == '\0')
      return mt_config_fail(
          mt_config_find(root, "limits", &list) ? mt_config_at(list, i) : root, err,
          "a relative limit needs reference = \"good.json\" in the plan: a good unit's results");
  }
  if (plan->reference[0] != '\0' && !any)
    return mt_config_fail(at_key(root, "reference"), err,
                          "reference does nothing without a limit that says relative = true");
  return MT_OK;
}

/* ---- what no sound card sees ----------------------------------------------------------------------- */

static mt_code read_expect(mt_config_item group, mt_by_hand *item, mt_error *err)
{
  mt_config_item found;
  const char *word;

  if (!mt_config_find(group, "expect", &found))
    return MT_OK;
  word = mt_config_text_value(found);
  if (word == NULL || (strcmp(word, "yes") != 0 && strcmp(word, "no") != 0 && strcmp(word, "either") != 0))
    return mt_config_fail(found, err, "expect is neither; expected \"yes\", \"no\" or \"either\"");
  item->expect = strcmp(word, "yes") == 0 ? 1 : strcmp(word, "no") == 0 ? -1 : 0;
  return MT_OK;
}

/* Either a number, which has a unit, or yes and no, which has an expectation. */
static mt_code read_kind(mt_config_item group, mt_by_hand *item, mt_error *err)
{
  static const char *const of_numbers[] = {"min", "max", "uncertainty"};
  mt_config_item found;
  bool has_unit = mt_config_find(group, "unit", &found), has_expect = mt_config_find(group, "expect", &found);

  if (has_unit && has_expect)
    return mt_config_fail(found, err,
                          "\"%s\" has unit and expect; expected unit for a number, or expect for yes "
                          "or no",
                          item->ask);
  if (!has_unit && !has_expect)
    return mt_config_fail(group, err,
                          "\"%s\" is neither; expected unit = \"V\" or another for a number, or "
                          "expect = \"yes\"",
                          item->ask);
  for (size_t i = 0; i < COUNT(of_numbers) && !has_unit; i++)
    if (mt_config_find(group, of_numbers[i], &found))
      return mt_config_fail(found, err, "%s is for numbers; expected a unit, too, or expect alone",
                            of_numbers[i]);
  item->is_number = has_unit;
  return MT_OK;
}

static mt_code read_by_hand_item(const mt_plan *plan, mt_config_item group, mt_by_hand *item, mt_error *err)
{
  static const char *const keys[] = {"ask", "unit", "min", "max", "uncertainty", "expect", "why"};
  mt_code code = mt_config_check_keys(group, keys, COUNT(keys), err);

  item->min = -HUGE_VAL;
  item->max = HUGE_VAL;
  item->line = mt_config_line(group);
  if (code == MT_OK)
    code = mt_config_text(group, "ask", item->ask, sizeof item->ask, err);
  if (code == MT_OK && item->ask[0] == '\0')
    return mt_config_fail(at_key(group, "ask"), err, "nothing is asked; expected ask = \"...\"");
  for (size_t i = 0; i < plan->nby_hand && code == MT_OK; i++)
    if (strcmp(plan->by_hand[i].ask, item->ask) == 0)
      return mt_config_fail(at_key(group, "ask"), err, "\"%s\" is asked twice; once is enough", item->ask);
  if (code == MT_OK)
    code = read_kind(group, item, err);
  if (code == MT_OK)
    code = mt_config_text(group, "unit", item->unit, sizeof item->unit, err);
  if (code == MT_OK)
    code = mt_config_number(group, "min", -MAX_NUMBER, MAX_NUMBER, &item->min, err);
  if (code == MT_OK)
    code = mt_config_number(group, "max", -MAX_NUMBER, MAX_NUMBER, &item->max, err);
  if (code == MT_OK && item->min > item->max)
    return mt_config_fail(at_key(group, "min"), err, "min %g is above max %g; expected min at or below max",
                          item->min, item->max);
  if (code == MT_OK)
    code = mt_config_number(group, "uncertainty", 0.0, MAX_NUMBER, &item->uncertainty, err);
  if (code == MT_OK)
    code = read_expect(group, item, err);
  return code == MT_OK ? mt_config_text(group, "why", item->why, sizeof item->why, err) : code;
}

static mt_code read_by_hand(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_config_item list;
  size_t n;
  mt_code code = open_list(root, "by_hand", MAX_BY_HAND, &list, &n, err);

  if (code != MT_OK || n == 0)
    return code;
  plan->by_hand = calloc(n, sizeof *plan->by_hand);
  if (plan->by_hand == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu questions", n);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    code = read_by_hand_item(plan, mt_config_at(list, i), &plan->by_hand[i], err);
    plan->nby_hand += code == MT_OK;
  }
  return code;
}

static mt_code read_plan(mt_plan *plan, mt_config_item root, mt_error *err)
{
  mt_code code = read_head(plan, root, err);

  if (code == MT_OK)
    code = read_states(plan, root, err);
  if (code == MT_OK)
    code = read_limits(plan, root, err);
  if (code == MT_OK)
    code = check_reference(plan, root, err);
  if (code == MT_OK)
    code = read_expect_route(plan, root, err);
  if (code == MT_OK)
    code = read_expect_polarity(plan, root, err);
  if (code == MT_OK)
    code = read_by_hand(plan, root, err);
  return code;
}

static mt_plan *create(const char *name)
{
  mt_plan *plan = calloc(1, sizeof *plan);

  if (plan == NULL)
    return NULL;
  mt_text_copy(plan->name, sizeof plan->name, name);
  plan->level_dbfs = (double)NAN;
  plan->max_level_dbfs = (double)NAN;
  plan->max_level_thd_percent = 1.0;
  plan->load_tolerance_percent = MT_PLAN_LOAD_TOLERANCE_PERCENT;
  plan->expect_route[MT_LEFT] = MT_ROUTE_LEFT;
  plan->expect_route[MT_RIGHT] = MT_ROUTE_RIGHT;
  plan->expect_polarity[MT_LEFT] = plan->expect_polarity[MT_RIGHT] = 1;
  plan->judges_route = true;
  return plan;
}

static mt_code refuse_size(const char *name, mt_error *err)
{
  return mt_fail(err, MT_E_PLAN, "%s:1: the plan is larger than expected, at most %zu bytes; is it a plan?",
                 name, MAX_BYTES);
}

mt_code mt_plan_parse(const char *text, const char *name, mt_plan **out, mt_error *err)
{
  /* a long path must leave room for the message */
  const char *shown = strlen(name) <= 80 ? name : mt_text_basename(name);
  mt_config *config = NULL;
  mt_plan *plan;
  mt_code code;

  if (strnlen(text, MAX_BYTES + 1) > MAX_BYTES)
    return refuse_size(shown, err);
  code = mt_config_refuse_includes(text, shown, err);
  if (code == MT_OK)
    code = mt_config_parse(text, shown, &config, err);
  if (code != MT_OK)
    return code;
  plan = create(mt_text_basename(name));
  if (plan != NULL)
    plan->text = strdup(text);
  code = plan != NULL && plan->text != NULL
             ? read_plan(plan, mt_config_root(config), err)
             : mt_fail(err, MT_E_MEMORY, "out of memory for the plan %s", shown);
  mt_config_close(&config);
  if (code == MT_OK)
    *out = plan;
  else
    mt_plan_destroy(&plan);
  return code;
}

/* At most MAX_BYTES + 1 bytes, terminated: a pipe or a device cannot feed without end. */
static mt_code read_text(const char *path, char **out, mt_error *err)
{
  const char *shown = strlen(path) <= 80 ? path : mt_text_basename(path);
  FILE *file = fopen(path, "rb");
  mt_code code = MT_OK;
  size_t length;
  char *text;

  if (file == NULL)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", path, strerror(errno));
  text = malloc(MAX_BYTES + 2);
  length = text != NULL ? fread(text, 1, MAX_BYTES + 1, file) : 0;
  if (text == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the plan %s", shown);
  else if (ferror(file))
    code = mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", path, strerror(errno));
  else if (length > MAX_BYTES)
    code = refuse_size(shown, err);
  else if (memchr(text, '\0', length) != NULL)
    code = mt_fail(err, MT_E_PLAN, "%s:1: found a zero byte; expected a text file", shown);
  fclose(file);
  if (code == MT_OK) {
    text[length] = '\0';
    *out = text;
  } else {
    free(text);
  }
  return code;
}

mt_code mt_plan_open(const char *path, mt_plan **out, mt_error *err)
{
  char *text = NULL;
  mt_code code = read_text(path, &text, err);

  if (code == MT_OK)
    code = mt_plan_parse(text, path, out, err);
  free(text);
  return code;
}

mt_code mt_plan_create_default(mt_plan **out, mt_error *err)
{
  mt_plan *plan = NULL;
  mt_code code = mt_plan_parse(mt_plan_default_text(), "default", &plan, err);

  if (code != MT_OK)
    return code;
  for (size_t i = 0; i < plan->nlimits; i++)
    plan->limits[i].line = 0;
  *out = plan;
  return MT_OK;
}

void mt_plan_set_reference(mt_plan *plan, mt_results **results)
{
  mt_results_destroy(&plan->reference_results);
  plan->reference_results = *results;
  *results = NULL;
  for (size_t i = 0; i < plan->nlimits; i++)
    plan->limits[i].reference = plan->limits[i].relative ? plan->reference_results : NULL;
}

void mt_plan_destroy(mt_plan **plan)
{
  if (plan == NULL || *plan == NULL)
    return;
  free((*plan)->states);
  free((*plan)->limits);
  mt_results_destroy(&(*plan)->reference_results);
  free((*plan)->by_hand);
  free((*plan)->text);
  free(*plan);
  *plan = NULL;
}
