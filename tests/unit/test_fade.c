/* Fades by rotation against each frame's own cosine. */
#include "signal/fade.h"

#include "support.h"

#include <math.h>

#define N 4000

/* Fade-in, flat and fade-out, and frames before and after; blocks end anywhere. Gains are near 1 and less, rounding
   after 64 turns below 1e-13; the slope of either fade is below 2000 a second. */
static void a_fade_turned_on_is_the_fade_taken_frame_by_frame(void **state)
{
  const mt_segment segment = {.duration_s = 0.06, .fade_in_s = 0.002, .fade_out_s = 0.02};
  const double dt_s = 1.00002 / 48000.0, t0_s = -0.0031;
  static double gain[N], growth[N], alone[N];

  (void)state;
  mt_fade_render(&segment, t0_s, dt_s, N, gain, growth);
  mt_fade_render(&segment, t0_s, dt_s, N, alone, NULL);
  for (size_t i = 0; i < N; i++) {
    double t_s = t0_s + (double)i * dt_s, exact = mt_fade_gain(&segment, t_s);
    assert_near(gain[i], exact, 1e-13, "");
    assert_near(alone[i], exact, 1e-13, "");
    assert_near(gain[i] * growth[i], exact * mt_fade_growth(&segment, t_s), 2000.0 * 1e-12, "a second");
  }
}

static void a_segment_without_a_fade_is_whole(void **state)
{
  const mt_segment segment = {.duration_s = 1.0};
  double gain[5], growth[5];

  (void)state;
  mt_fade_render(&segment, 0.2, 0.1, 5, gain, growth);
  for (size_t i = 0; i < 5; i++) {
    assert_near(gain[i], 1.0, 0.0, "");
    assert_near(growth[i], 0.0, 0.0, "a second");
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_fade_turned_on_is_the_fade_taken_frame_by_frame),
      cmocka_unit_test(a_segment_without_a_fade_is_whole),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
