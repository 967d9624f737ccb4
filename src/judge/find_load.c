#include "judge/find_load.h"

#include "judge/finding.h"
#include "judge/wording.h"

#include "base/decibel.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Thresholds of common practice, no source. */
#define DRIED_HZ 60.0 /* a sound output capacitor passes the lowest octave that phones give */
#define HALF 0.5      /* electrolytics are made to within 20 %: half of the other channel's is no tolerance */
#define INTERSTAGE_HZ 40.0 /* a corner that is heard */
#define ALIKE 0.1
#define UNEVEN_OHM 1.0
#define UNEVEN_PART 0.5
#define BENDS 0.01 /* THD */
#define BENDS_TIMES 3.0

/* The state with the heavier load, and the one it is read against. */
typedef struct pair {
  const mt_results *results;
  const char *loaded, *light;
} pair;

static const char *const side[] = {"left", "right"};

static const mt_reading *read_loaded(const pair *p, mt_quantity quantity, mt_channel channel)
{
  return mt_finding_reading(p->results, quantity, channel, p->loaded);
}

/* What the plan passed is no fault. */
static bool is_passed(const mt_reading *r)
{
  return r->verdict == MT_VERDICT_PASS;
}

static const char *show(const mt_reading *r, char out[48])
{
  return mt_wording_value(r->value, r->uncertainty, mt_quantity_describe(r->quantity)->unit, out, 48);
}

static void cite_reading(const char *what, mt_channel channel, const mt_reading *r, mt_finding *f)
{
  char text[48];

  if (r != NULL)
    mt_finding_cite(f, "%s of the %s channel: %s", what, side[channel], show(r, text));
}

bool mt_find_load_explains(const mt_results *results, mt_channel channel, const char *state)
{
  const mt_reading *corner = mt_finding_reading(results, MT_Q_LOAD_CORNER, channel, state);
  const mt_reading *farad = mt_finding_reading(results, MT_Q_OUTPUT_CAPACITANCE, channel, state);
  return corner != NULL && farad != NULL && !is_passed(corner) && !is_passed(farad) &&
         corner->value - corner->uncertainty > DRIED_HZ;
}

static bool find_capacitor(const pair *p, mt_channel channel, mt_finding *f)
{
  const mt_reading *mine = read_loaded(p, MT_Q_OUTPUT_CAPACITANCE, channel);
  const mt_reading *theirs = read_loaded(p, MT_Q_OUTPUT_CAPACITANCE, 1 - channel);
  const mt_reading *corner = read_loaded(p, MT_Q_LOAD_CORNER, channel);
  bool is_less;
  char text[48];

  if (mine == NULL || corner == NULL || is_passed(mine) || is_passed(corner))
    return false;
  is_less = theirs != NULL && mine->value + mine->uncertainty < HALF * (theirs->value - theirs->uncertainty);
  if (!mt_find_load_explains(p->results, channel, p->loaded) && !is_less)
    return false;
  mt_finding_say(
      f,
      "The %s channel's output capacitor is about %s: likely dried out. Check first: that capacitor "
      "against the other channel's, or with a good one across it.",
      side[channel], show(mine, text));
  cite_reading("-3 dB corner that the load makes", channel, corner, f);
  mt_finding_cite(f, "in state \"%s\" the low end is not lost so: the corner moves with the load", p->light);
  cite_reading("output capacitor", 1 - channel, theirs, f);
  return true;
}

/* Lost alike with and without the load: not by what stands between output and load. */
static bool find_interstage(const pair *p, mt_channel channel, mt_finding *f)
{
  const mt_reading *light = mt_finding_reading(p->results, MT_Q_CORNER_LOW, channel, p->light);
  const mt_reading *loaded = read_loaded(p, MT_Q_CORNER_LOW, channel);
  char text[48];

  if (light == NULL || loaded == NULL || is_passed(light) ||
      light->value - light->uncertainty < INTERSTAGE_HZ ||
      fabs(loaded->value - light->value) >
          ALIKE * light->value + hypot(light->uncertainty, loaded->uncertainty))
    return false;
  mt_finding_say(f,
                 "The %s channel loses its low end with the load and without it alike: likely a coupling "
                 "capacitor between stages that dried out, not the output's. Check first: the electrolytics "
                 "before the output stage.",
                 side[channel]);
  mt_finding_cite(f, "-3 dB in state \"%s\": %s", p->light, show(light, text));
  mt_finding_cite(f, "-3 dB in state \"%s\": %s", p->loaded, show(loaded, text));
  return true;
}

static bool find_resistance(const pair *p, mt_channel channel, mt_finding *f)
{
  const mt_reading *mine = read_loaded(p, MT_Q_OUTPUT_IMPEDANCE, channel);
  const mt_reading *theirs = read_loaded(p, MT_Q_OUTPUT_IMPEDANCE, 1 - channel);

  if (mine == NULL || theirs == NULL || is_passed(mine) ||
      mine->value - theirs->value - hypot(mine->uncertainty, theirs->uncertainty) <
          UNEVEN_OHM + UNEVEN_PART * theirs->value)
    return false;
  mt_finding_say(
      f,
      "The %s channel's output impedance is much the higher: likely a joint, jack or plug contact of "
      "high resistance, or a series resistor that was overloaded. Check first: ohms from the output "
      "stage to the plug, wiggling it.",
      side[channel]);
  cite_reading("output impedance", channel, mine, f);
  cite_reading("output impedance", 1 - channel, theirs, f);
  return true;
}

static bool find_weakness(const pair *p, mt_channel channel, mt_finding *f)
{
  const mt_reading *loaded = read_loaded(p, MT_Q_THD_F, channel);
  const mt_reading *light = mt_finding_reading(p->results, MT_Q_THD_F, channel, p->light);
  double with = loaded != NULL ? mt_ratio_of_db(loaded->value) : 0.0;
  double without = light != NULL ? mt_ratio_of_db(light->value) : 0.0;

  if (loaded == NULL || is_passed(loaded) || with < BENDS || with < BENDS_TIMES * without)
    return false;
  mt_finding_say(f,
                 "The %s channel bends under the load only: likely an output that cannot give the current, a "
                 "weak device or a supply that sags. Check first: the supply while the load is on, then the "
                 "output devices and their emitter resistors.",
                 side[channel]);
  mt_finding_cite(f, "THD in state \"%s\": %.2g %%", p->loaded, 100.0 * with);
  if (light != NULL)
    mt_finding_cite(f, "in state \"%s\": %.2g %%", p->light, 100.0 * without);
  else
    mt_finding_cite(f, "in state \"%s\": none that could be told from noise", p->light);
  return true;
}

static const struct rule {
  const char *id;
  bool (*find)(const pair *p, mt_channel channel, mt_finding *f);
} rules[] = {{MT_FIND_LOAD "capacitor", find_capacitor},
             {MT_FIND_LOAD "interstage", find_interstage},
             {MT_FIND_LOAD "resistance", find_resistance},
             {MT_FIND_LOAD "weak", find_weakness}};

static mt_code ask(const pair *p, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t k = 0; k < sizeof rules / sizeof rules[0]; k++)
    for (mt_channel c = MT_LEFT; c <= MT_RIGHT && code == MT_OK; c++) {
      mt_finding f = {.channel = c};
      snprintf(f.id, sizeof f.id, "%s", rules[k].id);
      if (rules[k].find(p, c, &f))
        code = mt_results_add_finding(results, &f, err);
    }
  return code;
}

mt_code mt_find_loads(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; plan != NULL && i < plan->nstates && code == MT_OK; i++) {
    const mt_plan_state *mine = &plan->states[i], *theirs = mt_plan_find_state(plan, mine->compare_with);
    double load, other;
    if (theirs == NULL || mt_results_is_spoilt(results, mine->name) ||
        mt_results_is_spoilt(results, theirs->name))
      continue;
    load = mt_plan_load(plan, mine);
    other = mt_plan_load(plan, theirs);
    if (load != other)
      code = ask(&(pair){results, load < other ? mine->name : theirs->name,
                         load < other ? theirs->name : mine->name},
                 results, err);
  }
  return code;
}
