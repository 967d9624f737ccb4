/* A channel heard on the other by a return they share. */
#include "judge/cause.h"

#include "base/decibel.h"

#include <math.h>

/* -1, +1, or 0: not read. The tone of the other channel, where it does not belong. */
static int leak_polarity(const mt_scene *s, mt_channel channel)
{
  const mt_reading *r = mt_scene_find_in(s, MT_Q_POLARITY, channel, mt_side[1 - channel], 0);
  return mt_reading_is_known(r) ? (r->value < 0.0 ? -1 : 1) : 0;
}

/* Known, or known to be no more. */
static bool is_bounded(const mt_reading *r)
{
  return r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

/* The current makes it: with a lighter load, or none, it is less. */
static void cite_rise(const mt_scene *s, const mt_reading *left, const mt_reading *right, mt_finding *f)
{
  for (size_t i = 0; mt_scene_load(s) > 0.0 && i < s->plan->nstates; i++) {
    const mt_scene other = {s->plan, s->results, s->plan->states[i].name};
    const mt_reading *l = mt_scene_find(&other, MT_Q_CROSSTALK, MT_LEFT, 0),
                     *r = mt_scene_find(&other, MT_Q_CROSSTALK, MT_RIGHT, 0);
    double lighter = mt_scene_load(&other);
    if (!is_bounded(l) || !is_bounded(r) || (lighter > 0.0 && lighter <= mt_scene_load(s)) ||
        fmax(l->value, r->value) > fmax(left->value, right->value) - 6.0)
      continue;
    mt_finding_cite(f, "it rises with the load: in state \"%s\" %.0f and %.0f dB", other.state, l->value,
                    r->value);
    return;
  }
}

/*
 * A resistance R_c in the return both channels share puts R_c/(R + R_c) of each onto the other: the same
 * both ways, inverted, at all frequencies. A capacitance between them would be alike both ways as well, but
 * not inverted, and into a load of a few hundred ohms it would have to be improbably large.
 */
bool mt_cause_common_return(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *left = mt_scene_find(s, MT_Q_CROSSTALK, MT_LEFT, 0),
                   *right = mt_scene_find(s, MT_Q_CROSSTALK, MT_RIGHT, 0);
  const mt_reading *impedance = mt_scene_find(s, MT_Q_OUTPUT_IMPEDANCE, MT_LEFT, 0);
  double load = mt_scene_load(s), source = mt_reading_is_known(impedance) ? impedance->value : 0.0;
  int sign_left = leak_polarity(s, MT_LEFT), sign_right = leak_polarity(s, MT_RIGHT);
  double ratio;

  (void)channel;
  if (!mt_reading_exceeds(left, -50.0) || !mt_reading_exceeds(right, -50.0) ||
      fmax(left->value, right->value) > -10.0 ||
      fabs(left->value - right->value) > 1.0 + hypot(left->uncertainty, right->uncertainty))
    return false;
  if (sign_left > 0 || sign_right > 0 ||
      (!(sign_left < 0 && sign_right < 0) && !(load > 0.0 && load <= 600.0)))
    return false;
  ratio = mt_ratio_of_db(0.5 * (left->value + right->value));
  mt_finding_say(
      f, "Each channel is heard alike on the other: likely resistance in the return they share. Check first: "
         "the ground contact of jack and plug, its solder joints and the cable's shield.");
  mt_finding_cite(f, "crosstalk on the left %.1f dB, on the right %.1f dB", left->value, right->value);
  if (sign_left < 0 && sign_right < 0)
    mt_finding_cite(f, "it arrives inverted, as through a shared return");
  if (load > 0.0)
    mt_finding_cite(f, "R_c/(R + R_c) with the plan's load of %g ohm%s: R_c about %g ohm", load,
                    source > 0.0 ? " and the output's own" : "",
                    mt_round_roughly((load + source) * ratio / (1.0 - ratio)));
  cite_rise(s, left, right, f);
  return true;
}
