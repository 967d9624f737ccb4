#include "signal/sweep.h"

#include "base/decibel.h"

/* What a stretch rendered by rotation may be off at its end, radians: less than the rounding of the phase itself. */
#define STRAY_RAD 1e-13
#define STRETCH_LEAST 4
#define STRETCH_MOST 64

typedef struct spin {
  double c, s;
} spin;

static spin spin_by(spin a, spin by)
{
  return (spin){a.c * by.c - a.s * by.s, a.c * by.s + a.s * by.c};
}

static spin spin_of(double radians)
{
  return (spin){cos(radians), sin(radians)};
}

/*
 * The phase P exp(a n) has the differences P (exp(a) - 1)^k. The rotation from frame to frame is itself rotated,
 * and so on three times; the fifth difference, at most pi / a x a^5, is left out: n^5 / 120 of it after n frames.
 */
static size_t stretch_of(double a)
{
  double n = pow(120.0 * STRAY_RAD / (MT_PI * a * a * a * a), 0.2);
  return n < STRETCH_LEAST ? STRETCH_LEAST : n > STRETCH_MOST ? STRETCH_MOST : (size_t)n;
}

void mt_sweep_render_phase(const mt_segment *sweep, double t0_s, double dt_s, size_t nframes,
                           double *cos_part, double *sin_part)
{
  double constant = mt_segment_sweep_constant(sweep);
  double turns = 2.0 * MT_PI * sweep->from_hz * constant;
  double growth = expm1(dt_s / constant);
  size_t stretch = stretch_of(fabs(dt_s / constant));

  for (size_t begin = 0; begin < nframes; begin += stretch) {
    size_t end = nframes - begin < stretch ? nframes : begin + stretch;
    double phase = turns * exp((t0_s + (double)begin * dt_s) / constant);
    spin at = spin_of(phase), step = spin_of(phase * growth), bend = spin_of(phase * growth * growth);
    double third = phase * growth * growth * growth;
    spin twist = {1.0 - 0.5 * third * third, third};
    const spin last = {1.0, third * growth};
    for (size_t n = begin; n < end; n++) {
      cos_part[n] = at.c;
      sin_part[n] = at.s;
      at = spin_by(at, step);
      step = spin_by(step, bend);
      bend = spin_by(bend, twist);
      twist = spin_by(twist, last);
    }
  }
}
