#include "signal/mark.h"

#include "signal/fade.h"

#include "base/decibel.h"

void mt_mark_sample(const mt_segment *mark, unsigned channel, double t_s, double *cos_part, double *sin_part)
{
  double envelope = mt_fade_gain(mark, t_s);
  double slope = (mark->to_hz - mark->from_hz) / mark->duration_s;
  double from = mark->from_hz;
  double phase;

  if (envelope == 0.0) {
    *cos_part = *sin_part = 0.0;
    return;
  }
  if (channel != 0) {
    from = mark->to_hz;
    slope = -slope;
  }
  phase = 2.0 * MT_PI * t_s * (from + 0.5 * slope * t_s);
  *cos_part = envelope * cos(phase);
  *sin_part = envelope * sin(phase);
}
