#include "signal/fade.h"

#include "base/decibel.h"
#include "base/wide.h"

#include <string.h>

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

/* Frames of a fade turned from one sine and cosine: 1e-14 off after them. */
#define TURNED 64
#define LANES 4 /* an mt_four */

/* As many of them as there is room for. */
static inline void store(const mt_four *values, size_t room, double *out)
{
  if (room >= LANES)
    *(mt_four_at *)out = *values;
  else
    memcpy(out, values, room * sizeof *out);
}

/* All of them within one fade: t_s after its start, or before its end with a negative dt_s. Four side by side. */
MT_WIDE static void render_within(double into_s, double dt_s, double fade_s, size_t nframes, double *gain,
                                  double *growing)
{
  const mt_four lanes = {0.0, 1.0, 2.0, 3.0}, nothing = {0.0};
  double unit = MT_PI / fade_s, rising = dt_s < 0.0 ? -unit : unit;
  mt_four angle = unit * (into_s + lanes * dt_s), leap = 0.0 * lanes + unit * LANES * dt_s;
  mt_turns at, turn;

  mt_turns_of(&angle, &at);
  mt_turns_of(&leap, &turn);
  for (size_t n = 0; n < nframes; n += LANES) {
    mt_four here = 0.5 - 0.5 * at.re, grown = rising * at.im / (1.0 - at.re);
    mt_mask is_nothing = at.re >= 1.0;
    mt_four_choose(&is_nothing, &nothing,
                   &grown); /* cot(a / 2) = sin a / (1 - cos a), and of nothing nothing grows */
    store(&here, nframes - n, gain + n);
    if (growing != NULL)
      store(&grown, nframes - n, growing + n);
    mt_turns_by(&at, &turn);
  }
}

/* Across the end of a fade, or beyond the segment. */
static void render_each(const mt_segment *segment, double t0_s, double dt_s, size_t nframes, double *gain,
                        double *growing)
{
  for (size_t n = 0; n < nframes; n++) {
    double t_s = t0_s + (double)n * dt_s;
    gain[n] = mt_fade_gain(segment, t_s);
    if (growing != NULL)
      growing[n] = mt_fade_growth(segment, t_s);
  }
}

void mt_fade_render(const mt_segment *segment, double t0_s, double dt_s, size_t nframes, double *gain,
                    double *growing)
{
  for (size_t begin = 0; begin < nframes; begin += TURNED) {
    size_t count = nframes - begin < TURNED ? nframes - begin : TURNED;
    double *grown = growing != NULL ? growing + begin : NULL;
    double t_s = t0_s + (double)begin * dt_s, last_s = t_s + (double)count * dt_s;
    double left_s = segment->duration_s - t_s, left_last_s = segment->duration_s - last_s;
    if (t_s >= segment->fade_in_s && left_last_s >= segment->fade_out_s) {
      for (size_t n = begin; n < begin + count; n++)
        gain[n] = 1.0;
      if (grown != NULL)
        memset(grown, 0, count * sizeof *grown);
    } else if (t_s > 0.0 && last_s < segment->fade_in_s && left_last_s >= segment->fade_out_s) {
      render_within(t_s, dt_s, segment->fade_in_s, count, gain + begin, grown);
    } else if (t_s >= segment->fade_in_s && left_last_s > 0.0 && left_s < segment->fade_out_s) {
      render_within(left_s, -dt_s, segment->fade_out_s, count, gain + begin, grown);
    } else {
      render_each(segment, t_s, dt_s, count, gain + begin, grown);
    }
  }
}
