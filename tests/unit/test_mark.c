#include "support.h"

#include <mendtone/stimulus.h>

#include "signal/mark.h"

static void rendering_by_rotation_gives_the_mark_itself(void **state)
{
  enum { N = 60000 };
  double *c = malloc(N * sizeof *c), *s = malloc(N * sizeof *s);
  const char *const names[] = {"mark-a", "mark-b"};
  mt_stimulus stimulus;
  mt_error err = {0};
  (void)state;
  assert_non_null(c);
  assert_non_null(s);
  assert_ok(mt_stimulus_init_default(192000.0, -20.0, &stimulus, &err), err);
  for (unsigned m = 0; m < 2; m++)
    for (unsigned channel = 0; channel < 2; channel++) {
      const mt_segment *mark = mt_stimulus_find(&stimulus, names[m]);
      const double t0 = -0.0003141, dt = (1.0 + 700e-6) / 192000.0;
      mt_mark_render(mark, channel, t0, dt, N, c, s);
      for (size_t n = 0; n < N; n++) {
        double want_c, want_s;
        mt_mark_sample(mark, channel, t0 + (double)n * dt, &want_c, &want_s);
        /* phases of 2e4 rad are known to 4e-12 */
        assert_near(c[n], want_c, 1e-11, "");
        assert_near(s[n], want_s, 1e-11, "");
      }
    }
  free(c);
  free(s);
}

static void chirps_run_through_the_whole_band_in_opposite_directions(void **state)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, -20.0, &stimulus, &err), err);
  for (size_t i = 0; i < stimulus.nsegments; i++) {
    const mt_segment *mark = &stimulus.segments[i];
    const double h = 1e-4, t = 0.3 * mark->duration_s;
    if (mark->kind != MT_SEGMENT_MARK)
      continue;
    assert_near(mt_mark_frequency(mark, 0, 0.0), mark->from_hz, 1e-9, "Hz");
    assert_near(mt_mark_frequency(mark, 0, mark->duration_s), mark->to_hz, 1e-9, "Hz");
    assert_near(mt_mark_frequency(mark, 1, 0.0), mark->to_hz, 1e-9, "Hz");
    assert_near(mt_mark_frequency(mark, 1, mark->duration_s), mark->from_hz, 1e-9, "Hz");
    /* frequency is the phase's derivative; of a parabola the central difference is exact */
    for (unsigned c = 0; c < 2; c++)
      assert_near((mt_mark_phase(mark, c, t + h) - mt_mark_phase(mark, c, t - h)) / (4.0 * M_PI * h),
                  mt_mark_frequency(mark, c, t), 1e-6, "Hz");
  }
}

/* One mark alone must tell which it is: as functions of time they have next to nothing in common. */
static void the_two_marks_do_not_resemble_each_other_at_any_shift(void **state)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  const mt_segment *a, *b;
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, -20.0, &stimulus, &err), err);
  a = mt_stimulus_find(&stimulus, "mark-a");
  b = mt_stimulus_find(&stimulus, "mark-b");
  for (unsigned ca = 0; ca < 2; ca++)
    for (unsigned cb = 0; cb < 2; cb++)
      for (double shift = -0.3; shift < 0.25; shift += 0.00173) {
        double re = 0.0, im = 0.0, energy_a = 0.0, energy_b = 0.0;
        for (double t = -0.3; t < 0.6; t += 1.0 / 24000.0) {
          double ac, as, bc, bs;
          mt_mark_sample(a, ca, t, &ac, &as);
          mt_mark_sample(b, cb, t - shift, &bc, &bs);
          re += ac * bc + as * bs;
          im += as * bc - ac * bs;
          energy_a += ac * ac + as * as;
          energy_b += bc * bc + bs * bs;
        }
        assert_between((re * re + im * im) / (energy_a * energy_b), 0.0, 0.01, "of 1");
      }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(rendering_by_rotation_gives_the_mark_itself),
      cmocka_unit_test(chirps_run_through_the_whole_band_in_opposite_directions),
      cmocka_unit_test(the_two_marks_do_not_resemble_each_other_at_any_shift),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
