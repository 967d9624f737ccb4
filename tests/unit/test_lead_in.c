#include "support.h"

#include <mendtone/stimulus.h>

/* Silent at both ends and around the first mark; 20 dB below the tones; no jump: 250 Hz turns by 0.033 a sample. */
static void a_lead_in_is_faint_and_ends_before_the_first_mark(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  const mt_segment *mark;
  double before = 0.0, highest = 0.0;
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, -20.0, &s, &err), err);
  mark = mt_stimulus_find(&s, "mark-a");
  for (int i = -200000; i < 48000; i++) {
    double t = (double)i / 48000.0, x = mt_stimulus_sample_lead_in(&s, 3.0, t);
    assert_true(fabs(x - before) <= 0.034 * 0.01);
    if (t <= -3.0 || t >= mark->start_s - 0.05)
      assert_true(x == 0.0);
    assert_true(mt_stimulus_sample_lead_in(&s, 0.0, t) == 0.0);
    highest = fmax(highest, fabs(x));
    before = x;
  }
  assert_near(highest, 0.01, 1e-4, "FS");
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(a_lead_in_is_faint_and_ends_before_the_first_mark)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
