#include "support.h"

#include "base/decibel.h"
#include "signal/sweep.h"

#include <math.h>

#define N 50000

/* Each phase afresh in long double: what the rotation is held against. */
static double greatest_error(const mt_segment *sweep, double t0_s, double dt_s)
{
  static double c[N], s[N];
  double constant = mt_segment_sweep_constant(sweep), greatest = 0.0;

  mt_sweep_render_phase(sweep, t0_s, dt_s, N, c, s);
  for (size_t i = 0; i < N; i++) {
    long double t = (long double)t0_s + (long double)i * (long double)dt_s;
    long double phase = 2.0L * acosl(-1.0L) * (long double)sweep->from_hz * (long double)constant *
                        expl(t / (long double)constant);
    greatest = fmax(greatest, fabs(c[i] - (double)cosl(phase)));
    greatest = fmax(greatest, fabs(s[i] - (double)sinl(phase)));
  }
  return greatest;
}

static void the_phase_turned_on_is_the_phase_taken_afresh(void **state)
{
  const double rates_hz[] = {44100.0, 48000.0, 192000.0};
  (void)state;
  for (size_t i = 0; i < sizeof rates_hz / sizeof rates_hz[0]; i++) {
    mt_stimulus stimulus;
    const mt_segment *sweep;
    double dt_s = 1.0000271 / rates_hz[i], last_rad, tolerance;
    assert_int_equal(mt_stimulus_init_default(rates_hz[i], -20.0, &stimulus, NULL), MT_OK);
    sweep = mt_stimulus_find(&stimulus, "sweep");
    /* the phase itself, rounded: 2^-53 of it, times the argument of exp() whose own rounding that makes as large; and
       the frame's time, rounded twice as coarsely */
    last_rad = 2.0 * MT_PI * sweep->to_hz * mt_segment_sweep_constant(sweep);
    tolerance = 0x1p-53 * last_rad * (2.0 + 3.0 * log(sweep->to_hz / sweep->from_hz));
    assert_near(greatest_error(sweep, -0.05, dt_s), 0.0, tolerance, "");
    assert_near(greatest_error(sweep, sweep->duration_s - N * dt_s, dt_s), 0.0, tolerance, "");
  }
}

/* A short sweep turns faster: the stretches between phases taken afresh must be shorter. */
static void a_sweep_of_a_tenth_of_a_second_too(void **state)
{
  mt_segment sweep = {.kind = MT_SEGMENT_SWEEP, .duration_s = 0.1, .from_hz = 20.0, .to_hz = 20000.0};
  static double c[4800], s[4800];
  double constant = mt_segment_sweep_constant(&sweep);
  (void)state;
  mt_sweep_render_phase(&sweep, 0.0, 1.0 / 48000.0, 4800, c, s);
  for (size_t i = 0; i < 4800; i++) {
    double phase = 2.0 * MT_PI * 20.0 * constant * exp((double)i / 48000.0 / constant);
    assert_near(c[i], cos(phase), 1e-9, "");
    assert_near(s[i], sin(phase), 1e-9, "");
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_phase_turned_on_is_the_phase_taken_afresh),
      cmocka_unit_test(a_sweep_of_a_tenth_of_a_second_too),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
