#include "signal/mark.h"

#include "signal/fade.h"

#include "base/decibel.h"

/* Frames rendered by rotation before sine and cosine are taken afresh: the phase error grows as the
   square of it, to about 64 * 64 * 1e-16. */
#define ROTATED_FRAMES 64

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

/* A chirp's phase is a parabola: its rotation per frame itself rotates, at a fixed rate. */
static void rotate_frames(const mt_segment *mark, unsigned channel, double t0_s, double dt_s, size_t nframes,
                          double *cos_part, double *sin_part)
{
  double phase = mt_mark_phase(mark, channel, t0_s);
  double step = 2.0 * MT_PI * dt_s * mt_mark_frequency(mark, channel, t0_s + 0.5 * dt_s);
  double bend = 2.0 * MT_PI * slope_of(mark, channel) * dt_s * dt_s;
  double c = cos(phase), s = sin(phase);
  double step_c = cos(step), step_s = sin(step);
  double bend_c = cos(bend), bend_s = sin(bend);

  for (size_t n = 0; n < nframes; n++) {
    double turned;
    cos_part[n] = c;
    sin_part[n] = s;
    turned = c * step_c - s * step_s;
    s = c * step_s + s * step_c;
    c = turned;
    turned = step_c * bend_c - step_s * bend_s;
    step_s = step_c * bend_s + step_s * bend_c;
    step_c = turned;
  }
}

static void fade_frames(const mt_segment *mark, double t0_s, double dt_s, size_t nframes, double *cos_part,
                        double *sin_part)
{
  double last_s = t0_s + (double)(nframes - 1) * dt_s;

  if (t0_s >= mark->fade_in_s && last_s <= mark->duration_s - mark->fade_out_s)
    return;
  for (size_t n = 0; n < nframes; n++) {
    double envelope = mt_fade_gain(mark, t0_s + (double)n * dt_s);
    cos_part[n] *= envelope;
    sin_part[n] *= envelope;
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
