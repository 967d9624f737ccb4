#include "signal/sweep.h"

#include "base/decibel.h"
#include "base/wide.h"

/* What a stretch rendered by rotation may be off at its end, radians: less than the rounding of the phase itself. */
#define STRAY_RAD 1e-13
#define STRETCH_LEAST 4
#define STRETCH_MOST 64
#define LANES 4 /* an mt_four */

/* For angles of at most pi LANES^2 / (rate x constant), 0.1 at the slowest rates: what is left out is below 1e-15. */
static inline void small_spin_of(const mt_four *radians, mt_turns *out)
{
  mt_four x = *radians, q = x * x;
  out->re = 1.0 - q * (1.0 / 2) * (1.0 - q * (1.0 / 12) * (1.0 - q * (1.0 / 30) * (1.0 - q * (1.0 / 56))));
  out->im =
      x * (1.0 - q * (1.0 / 6) * (1.0 - q * (1.0 / 20) * (1.0 - q * (1.0 / 42) * (1.0 - q * (1.0 / 72)))));
}

/*
 * The phase P exp(a n) has the differences P (exp(a) - 1)^k. The rotation from frame to frame is itself rotated, and
 * so on four times; the sixth difference, at most pi / a x a^6, is left out: n^6 / 720 of it after n frames.
 */
static size_t stretch_of(double a)
{
  double n = pow(720.0 * STRAY_RAD / (MT_PI * a * a * a * a * a), 1.0 / 6.0);
  return n < STRETCH_LEAST ? STRETCH_LEAST : n > STRETCH_MOST ? STRETCH_MOST : (size_t)n;
}

/* Frames from that of `phase` on; lanes[i] = exp(a i), growth = exp(a LANES) - 1. */
MT_WIDE static void render_stretch(double phase_rad, const mt_four *lanes, double growth, size_t nframes,
                                   double *cos_part, double *sin_part)
{
  mt_four phase = phase_rad * *lanes, first = phase * growth, second = first * growth,
          third = second * growth, fourth = third * growth, fifth = fourth * growth;
  mt_turns at, step, bend, twist, curl;
  const mt_turns last = {fifth * 0.0 + 1.0, fifth};
  size_t n = 0;

  mt_turns_of(&phase, &at);
  mt_turns_of(&first, &step);
  small_spin_of(&second, &bend);
  small_spin_of(&third, &twist);
  small_spin_of(&fourth, &curl);
  for (; n + LANES <= nframes; n += LANES) {
    *(mt_four_at *)(cos_part + n) = at.re;
    *(mt_four_at *)(sin_part + n) = at.im;
    mt_turns_by(&at, &step);
    mt_turns_by(&step, &bend);
    mt_turns_by(&bend, &twist);
    mt_turns_by(&twist, &curl);
    mt_turns_by(&curl, &last);
  }
  for (size_t lane = 0; n < nframes; n++, lane++) {
    cos_part[n] = at.re[lane];
    sin_part[n] = at.im[lane];
  }
}

void mt_sweep_render_phase(const mt_segment *sweep, double t0_s, double dt_s, size_t nframes,
                           double *cos_part, double *sin_part)
{
  double constant = mt_segment_sweep_constant(sweep), a = dt_s / constant;
  double turns = 2.0 * MT_PI * sweep->from_hz * constant;
  double growth = expm1(LANES * a);
  mt_four lanes = {1.0, exp(a), exp(2.0 * a), exp(3.0 * a)};
  size_t stretch = stretch_of(fabs(a));

  for (size_t begin = 0; begin < nframes; begin += stretch) {
    size_t count = nframes - begin < stretch ? nframes - begin : stretch;
    double phase = turns * exp((t0_s + (double)begin * dt_s) / constant);
    render_stretch(phase, &lanes, growth, count, cos_part + begin, sin_part + begin);
  }
}
