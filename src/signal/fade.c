#include "signal/fade.h"

#include "base/decibel.h"

double mt_fade_gain(const mt_segment *segment, double t_s)
{
  double left = segment->duration_s - t_s;

  if (t_s < 0.0 || left < 0.0)
    return 0.0;
  if (t_s < segment->fade_in_s)
    return 0.5 - 0.5 * cos(MT_PI * t_s / segment->fade_in_s);
  if (left < segment->fade_out_s)
    return 0.5 - 0.5 * cos(MT_PI * left / segment->fade_out_s);
  return 1.0;
}

/* d/dt (1 - cos a) / (1 - cos a) = a' cot(a / 2) */
static double growth(double into_s, double fade_s)
{
  return into_s > 0.0 && into_s < fade_s ? MT_PI / fade_s / tan(0.5 * MT_PI * into_s / fade_s) : 0.0;
}

double mt_fade_growth(const mt_segment *segment, double t_s)
{
  double left = segment->duration_s - t_s;

  return t_s < segment->fade_in_s ? growth(t_s, segment->fade_in_s) : -growth(left, segment->fade_out_s);
}
