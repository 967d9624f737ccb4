#include "judge/scene.h"

#include <math.h>
#include <string.h>

const char *const mt_side[] = {"left", "right"};

double mt_round_roughly(double x)
{
  double step = pow(10.0, floor(log10(fabs(x))) - 1.0);
  return x == 0.0 || !isfinite(x) ? x : step * round(x / step);
}

double mt_scene_load(const mt_scene *s)
{
  double load = s->plan != NULL ? mt_plan_load(s->plan, mt_plan_find_state(s->plan, s->state)) : 0.0;
  return isfinite(load) ? load : 0.0;
}

bool mt_scene_has(const mt_scene *s, const mt_reading *r, mt_quantity quantity, mt_channel channel, int order)
{
  return r->quantity == quantity && r->channel == channel && (order == 0 || r->order == order) &&
         strcmp(r->state, s->state) == 0;
}

const mt_reading *mt_scene_find_in(const mt_scene *s, mt_quantity quantity, mt_channel channel,
                                   const char *segment, int order)
{
  for (size_t i = 0; i < s->results->nreadings; i++) {
    const mt_reading *r = &s->results->readings[i];
    if (mt_scene_has(s, r, quantity, channel, order) && strcmp(r->segment, segment) == 0)
      return r;
  }
  return NULL;
}

const mt_reading *mt_scene_find(const mt_scene *s, mt_quantity quantity, mt_channel channel, int order)
{
  const mt_reading *best = mt_scene_find_in(s, quantity, channel, "both", order);

  for (size_t i = 0; i < s->results->nreadings && best == NULL; i++) {
    const mt_reading *r = &s->results->readings[i];
    if (mt_scene_has(s, r, quantity, channel, order) && strcmp(r->segment, "low") != 0)
      best = r;
  }
  return best;
}

bool mt_reading_is_known(const mt_reading *r)
{
  return r != NULL && r->validity == MT_VALID && isfinite(r->value) && isfinite(r->uncertainty);
}

bool mt_reading_exceeds(const mt_reading *r, double threshold)
{
  if (!mt_reading_is_known(r) || r->verdict == MT_VERDICT_PASS)
    return false;
  return r->verdict == MT_VERDICT_FAIL || r->value - r->uncertainty > threshold;
}

int mt_scene_heard(const mt_scene *s, mt_channel channel)
{
  const mt_reading *r = mt_scene_find(s, MT_Q_ROUTE, channel, 0);
  return mt_reading_is_known(r) ? (int)lround(r->value) : -1;
}

const mt_curve *mt_scene_curve(const mt_scene *s, mt_quantity quantity, mt_channel channel)
{
  for (size_t i = 0; i < s->results->ncurves; i++) {
    const mt_curve *c = &s->results->curves[i];
    if (c->quantity == quantity && c->channel == channel && c->validity == MT_VALID && c->npoints > 1 &&
        c->x[0] > 0.0 && strcmp(c->state, s->state) == 0)
      return c;
  }
  return NULL;
}
