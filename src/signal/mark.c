#include "signal/mark.h"

#include "signal/fade.h"

#include "base/decibel.h"
#include "base/wide.h"

/* Frames rendered by rotation, so many side by side (an mt_four), before sine and cosine are taken afresh: the phase
   error grows as the square of a lane's part of them, to about 64 * 64 * 1e-16. */
#define ROTATED_FRAMES 256
#define LANES 4

static double slope_of(const mt_segment *mark, unsigned channel)
{
  double slope = (mark->to_hz - mark->from_hz) / mark->duration_s;
  return channel == 0 ? slope : -slope;
}

static double first_hz(const mt_segment *mark, unsigned channel)
{
  return channel == 0 ? mark->from_hz : mark->to_hz;
}

double mt_mark_frequency(const mt_segment *mark, unsigned channel, double t_s)
{
  return first_hz(mark, channel) + slope_of(mark, channel) * t_s;
}

double mt_mark_phase(const mt_segment *mark, unsigned channel, double t_s)
{
  return 2.0 * MT_PI * t_s * (first_hz(mark, channel) + 0.5 * slope_of(mark, channel) * t_s);
}

void mt_mark_sample(const mt_segment *mark, unsigned channel, double t_s, double *cos_part, double *sin_part)
{
  double envelope = mt_fade_gain(mark, t_s);
  double phase;

  if (envelope == 0.0) {
    *cos_part = *sin_part = 0.0;
    return;
  }
  phase = mt_mark_phase(mark, channel, t_s);
  *cos_part = envelope * cos(phase);
  *sin_part = envelope * sin(phase);
}

/* A chirp's phase is a parabola: its rotation per frame itself rotates, at a fixed rate. Four frames side by side. */
MT_WIDE static void rotate_frames(const mt_segment *mark, unsigned channel, double t0_s, double dt_s,
                                  size_t nframes, double *cos_part, double *sin_part)
{
  const mt_four lanes = {0.0, 1.0, 2.0, 3.0};
  double slope = slope_of(mark, channel), leap_s = LANES * dt_s;
  mt_four t_s = t0_s + lanes * dt_s;
  mt_four phase = 2.0 * MT_PI * t_s * (first_hz(mark, channel) + 0.5 * slope * t_s);
  mt_four turn = 2.0 * MT_PI * leap_s * (first_hz(mark, channel) + slope * (t_s + 0.5 * leap_s));
  mt_four bend = lanes * 0.0 + 2.0 * MT_PI * slope * leap_s * leap_s;
  mt_turns at, step, bent;
  size_t n = 0;

  mt_turns_of(&phase, &at);
  mt_turns_of(&turn, &step);
  mt_turns_of(&bend, &bent);
  for (; n + LANES <= nframes; n += LANES) {
    *(mt_four_at *)(cos_part + n) = at.re;
    *(mt_four_at *)(sin_part + n) = at.im;
    mt_turns_by(&at, &step);
    mt_turns_by(&step, &bent);
  }
  for (size_t lane = 0; n < nframes; n++, lane++) {
    cos_part[n] = at.re[lane];
    sin_part[n] = at.im[lane];
  }
}

static void fade_frames(const mt_segment *mark, double t0_s, double dt_s, size_t nframes, double *cos_part,
                        double *sin_part)
{
  double last_s = t0_s + (double)(nframes - 1) * dt_s, envelope[ROTATED_FRAMES];

  if (t0_s >= mark->fade_in_s && last_s <= mark->duration_s - mark->fade_out_s)
    return;
  mt_fade_render(mark, t0_s, dt_s, nframes, envelope, NULL);
  for (size_t n = 0; n < nframes; n++) {
    cos_part[n] *= envelope[n];
    sin_part[n] *= envelope[n];
  }
}

void mt_mark_render(const mt_segment *mark, unsigned channel, double t0_s, double dt_s, size_t nframes,
                    double *cos_part, double *sin_part)
{
  for (size_t n = 0; n < nframes; n += ROTATED_FRAMES) {
    size_t count = nframes - n < ROTATED_FRAMES ? nframes - n : ROTATED_FRAMES;
    double t_s = t0_s + (double)n * dt_s;
    rotate_frames(mark, channel, t_s, dt_s, count, cos_part + n, sin_part + n);
    fade_frames(mark, t_s, dt_s, count, cos_part + n, sin_part + n);
  }
}
