#include "support.h"

#include <mendtone/stimulus.h>

static const double rates[] = {44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0};

static void default_stimulus_fits_in_15_seconds_and_in_order(void **state)
{
  (void)state;
  for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++) {
    mt_stimulus s;
    mt_error err = {0};
    double end = 0.0;
    assert_ok(mt_stimulus_init_default(rates[r], -20.0, &s, &err), err);
    for (size_t i = 0; i < s.nsegments; i++) {
      assert_true(s.segments[i].start_s >= end);
      end = s.segments[i].start_s + s.segments[i].duration_s;
      assert_true(s.segments[i].to_hz < rates[r] / 2.0);
    }
    assert_between(s.duration_s, end, 15.0, "s");
  }
}

/* Tones cross zero at most 2 pi f A per second; a click would jump further. */
static void nothing_clicks_and_nothing_exceeds_the_level(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  double *frames;
  size_t n;
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, -20.0, &s, &err), err);
  n = (size_t)(s.duration_s * 48000.0);
  frames = malloc(n * 2 * sizeof *frames);
  assert_non_null(frames);
  mt_stimulus_render(&s, 0.0, 1.0 / 48000.0, n, frames);
  for (size_t i = 0; i < 2 * n; i++)
    assert_true(fabs(frames[i]) <= 0.1 + 1e-12);
  for (size_t k = 0; k < s.nsegments; k++) {
    const mt_segment *g = &s.segments[k];
    double highest = g->kind == MT_SEGMENT_TONE ? 997.0 : 23600.0;
    size_t first = (size_t)(g->start_s * 48000.0), last = (size_t)((g->start_s + g->duration_s) * 48000.0);
    for (size_t i = first; i + 1 < last; i++)
      assert_true(fabs(frames[2 * i + 2] - frames[2 * i]) <=
                  2.0 * sin(3.14159265358979 * highest / 48000.0) * 0.1 + 1e-4);
    /* both edges start and end at nothing */
    assert_near(mt_stimulus_sample(&s, 0, g->start_s), 0.0, 1e-9, "FS");
    assert_near(mt_stimulus_sample(&s, 1, g->start_s + g->duration_s - 1e-9), 0.0, 1e-6, "FS");
  }
  free(frames);
}

static void left_alone_is_silent_on_the_right_and_the_other_way_round(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  const mt_segment *left, *right;
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, -6.0, &s, &err), err);
  left = mt_stimulus_find(&s, "left");
  right = mt_stimulus_find(&s, "right");
  for (double t = 0.0; t < 1.2; t += 0.000317) {
    assert_true(mt_stimulus_sample(&s, 1, left->start_s + t) == 0.0);
    assert_true(mt_stimulus_sample(&s, 0, right->start_s + t) == 0.0);
  }
}

/* Novak, Lotton and Simon 2015: the n-th harmonic of the sweep is the sweep advanced by L ln n. */
static void sweep_is_synchronised(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  const mt_segment *sweep;
  double constant;
  (void)state;
  assert_ok(mt_stimulus_init_default(48000.0, 0.0, &s, &err), err);
  sweep = mt_stimulus_find(&s, "sweep");
  constant = mt_segment_sweep_constant(sweep);
  for (double t = 1.0; t < 4.0; t += 0.0713) {
    double x = mt_stimulus_sample(&s, 0, sweep->start_s + t);
    double second = mt_stimulus_sample(&s, 0, sweep->start_s + t + constant * log(2.0));
    double third = mt_stimulus_sample(&s, 0, sweep->start_s + t + constant * log(3.0));
    double c = sqrt(fmax(0.0, 1.0 - x * x));
    /* sin 2p = 2 sin p cos p up to the sign of cos p; sin 3p = 3 sin p - 4 sin^3 p */
    assert_near(fabs(second), fabs(2.0 * x * c), 1e-6, "FS");
    assert_near(third, 3.0 * x - 4.0 * x * x * x, 1e-6, "FS");
  }
}

static void rendering_in_pieces_or_at_another_clock_gives_the_same_function(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  double piece[2 * 64];
  const double dt = (1.0 + 500e-6) / 44100.0;
  (void)state;
  assert_ok(mt_stimulus_init_default(44100.0, -20.0, &s, &err), err);
  for (size_t i = 0; i < 9000; i++) {
    double t0 = (double)i * 64.0 * dt;
    mt_stimulus_render(&s, t0, dt, 64, piece);
    assert_near(piece[2 * 17], mt_stimulus_sample(&s, 0, t0 + 17.0 * dt), 1e-13, "FS");
    assert_near(piece[2 * 17 + 1], mt_stimulus_sample(&s, 1, t0 + 17.0 * dt), 1e-13, "FS");
  }
}

static void rate_and_level_out_of_range_are_refused(void **state)
{
  mt_stimulus s = {.rate_hz = 7.0};
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_stimulus_init_default(22050.0, -20.0, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init_default(NAN, -20.0, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init_default(48000.0, 0.5, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init_default(48000.0, NAN, &s, &err), MT_E_ARG);
  assert_near(s.rate_hz, 7.0, 0.0, "Hz");
}

/* By more than a jump of the marks is called one, and 25 times what a clock may be off: 1.5 s of 43 s. */
static void any_two_layouts_differ_in_length(void **state)
{
  double length[MT_EXTRAS_ALL + 1];
  mt_error err = {0};
  (void)state;
  for (unsigned extras = 0; extras <= MT_EXTRAS_ALL; extras++) {
    mt_stimulus s;
    double end = 0.0;
    assert_ok(mt_stimulus_init(48000.0, -20.0, extras, (double)NAN, &s, &err), err);
    for (size_t i = 0; i < s.nsegments; i++) {
      assert_true(s.segments[i].start_s >= end);
      end = s.segments[i].start_s + s.segments[i].duration_s;
    }
    length[extras] = s.duration_s;
    assert_string_equal(s.segments[s.nsegments - 1].name, "mark-b");
    for (unsigned other = 0; other < extras; other++)
      assert_true(fabs(length[other] - length[extras]) > 1.5);
  }
}

/* A clock 1500 ppm off, the most that is looked for, makes 0.065 s of the longest, 43 s. */
static void any_two_layouts_of_parts_and_extras_differ_in_length(void **state)
{
  double length[MT_PARTS_COUNT * (MT_EXTRAS_ALL + 1)], nearest = 99.0;
  size_t n = 0;
  mt_error err = {0};
  (void)state;
  for (int parts = 0; parts < MT_PARTS_COUNT; parts++)
    for (unsigned extras = 0; extras <= MT_EXTRAS_ALL; extras++) {
      mt_stimulus s;
      double end = 0.0;
      if (parts == MT_PARTS_TURN && extras != 0) { /* nothing else is read while a knob is turned */
        assert_int_equal(
            mt_stimulus_init_parts(48000.0, -20.0, (mt_parts)parts, extras, (double)NAN, &s, &err), MT_E_ARG);
        continue;
      }
      assert_ok(mt_stimulus_init_parts(48000.0, -20.0, (mt_parts)parts, extras, (double)NAN, &s, &err), err);
      assert_int_equal(s.parts, parts);
      for (size_t i = 0; i < s.nsegments; i++) {
        assert_true(s.segments[i].start_s >= end);
        end = s.segments[i].start_s + s.segments[i].duration_s;
      }
      for (size_t i = 0; i < n; i++)
        nearest = fmin(nearest, fabs(length[i] - s.duration_s));
      length[n++] = s.duration_s;
    }
  assert_between(nearest, 0.349, 1.5, "s");
}

static void a_part_is_as_short_as_it_is_said_to_be(void **state)
{
  static const double most_s[] = {14.3, 9.6, 8.15, 3.45, 27.2};
  mt_error err = {0};
  (void)state;
  for (int parts = 0; parts < MT_PARTS_COUNT; parts++) {
    mt_stimulus s = {0};
    assert_ok(mt_stimulus_init_parts(48000.0, -20.0, (mt_parts)parts, 0, (double)NAN, &s, &err), err);
    assert_between(s.duration_s, most_s[parts] - 1e-9, most_s[parts] + 1e-9, "s");
  }
  {
    mt_stimulus s = {0};
    assert_int_equal(mt_stimulus_init_parts(48000.0, -20.0, MT_PARTS_COUNT, 0, (double)NAN, &s, &err),
                     MT_E_ARG);
  }
}

static void a_turn_lasts_as_long_as_asked_for_with_a_tone_of_its_own_on_each_channel(void **state)
{
  mt_stimulus s;
  const mt_segment *turn;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_stimulus_init_turn(48000.0, -20.0, 40.0, &s, &err), err);
  turn = mt_stimulus_find(&s, "turn");
  assert_non_null(turn);
  assert_near(turn->duration_s, 40.0, 1e-9, "s");
  assert_near(s.duration_s, 43.2, 1e-9, "s");
  assert_near(turn->freq_hz[0], 997.0, 0.0, "Hz");
  assert_near(turn->freq_hz[1], 1499.0, 0.0, "Hz");
  /* a quarter of a period after a whole number of them */
  assert_near(mt_stimulus_sample(&s, 1, turn->start_s + 10.0 + 0.25 / 1499.0), 0.1, 1e-9, "FS");
  assert_int_equal(mt_stimulus_init_turn(48000.0, -20.0, 9.9, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init_turn(48000.0, -20.0, 61.0, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init_turn(8000.0, -20.0, 24.0, &s, &err), MT_E_ARG);
}

static void extras_exceed_neither_the_level_nor_the_maximum_level(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  double highest = 0.0, highest_step = 0.0, before = 0.0;
  (void)state;
  assert_ok(mt_stimulus_init(48000.0, -20.0, MT_EXTRAS_ALL, -6.0, &s, &err), err);
  for (size_t i = 0; (double)i < s.duration_s * 48000.0; i++) {
    double t = (double)i / 48000.0, x = mt_stimulus_sample(&s, i % 2, t);
    const mt_segment *steps = mt_stimulus_find(&s, "levels");
    if (t >= steps->start_s && t <= steps->start_s + steps->duration_s)
      highest_step = fmax(highest_step, fabs(x));
    else
      highest = fmax(highest, fabs(x));
  }
  assert_between(highest, 0.0999, 0.1 + 1e-12, "FS");
  assert_between(highest_step, 0.999 * pow(10.0, -0.3), pow(10.0, -0.3) + 1e-12, "FS");
  /* the steps go on from one to the next without a click: 997 Hz turns by 0.13 a sample */
  for (size_t i = 0; i < 9 * 48000; i++) {
    const mt_segment *steps = mt_stimulus_find(&s, "levels");
    double x = mt_stimulus_sample(&s, 0, steps->start_s + (double)i / 48000.0);
    assert_true(fabs(x - before) <= 0.132 * pow(10.0, -0.3));
    before = x;
  }
}

static void steps_rise_from_80_db_below_to_the_maximum(void **state)
{
  mt_segment steps = {
      .kind = MT_SEGMENT_STEPS, .duration_s = 9.0, .fade_in_s = 0.02, .fade_out_s = 0.02, .settle_s = 0.05};
  double from, to, end = 0.0;
  (void)state;
  assert_near(mt_segment_step_db(0), -80.0, 0.0, "dB");
  assert_near(mt_segment_step_db(15), -20.0, 0.0, "dB");
  assert_near(mt_segment_step_db(16), -19.0, 0.0, "dB");
  assert_near(mt_segment_step_db(MT_STEPS - 1), 0.0, 0.0, "dB");
  for (unsigned i = 0; i < MT_STEPS; i++) {
    mt_segment_step_span(&steps, i, &from, &to);
    assert_true(from >= end + 0.07 - 1e-12 && to - from > 0.15 && to <= 9.0);
    end = to;
  }
}

static void extras_that_cannot_be_are_refused(void **state)
{
  mt_stimulus s;
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_stimulus_init(48000.0, -20.0, 8, (double)NAN, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init(48000.0, -20.0, MT_EXTRA_LEVELS, 0.5, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init(48000.0, -20.0, MT_EXTRA_LEVELS, -21.0, &s, &err), MT_E_ARG);
  assert_int_equal(mt_stimulus_init(48000.0, -20.0, MT_EXTRA_CROSSTALK, -3.0, &s, &err), MT_E_ARG);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(default_stimulus_fits_in_15_seconds_and_in_order),
      cmocka_unit_test(nothing_clicks_and_nothing_exceeds_the_level),
      cmocka_unit_test(left_alone_is_silent_on_the_right_and_the_other_way_round),
      cmocka_unit_test(sweep_is_synchronised),
      cmocka_unit_test(rendering_in_pieces_or_at_another_clock_gives_the_same_function),
      cmocka_unit_test(rate_and_level_out_of_range_are_refused),
      cmocka_unit_test(any_two_layouts_differ_in_length),
      cmocka_unit_test(any_two_layouts_of_parts_and_extras_differ_in_length),
      cmocka_unit_test(a_part_is_as_short_as_it_is_said_to_be),
      cmocka_unit_test(a_turn_lasts_as_long_as_asked_for_with_a_tone_of_its_own_on_each_channel),
      cmocka_unit_test(extras_exceed_neither_the_level_nor_the_maximum_level),
      cmocka_unit_test(steps_rise_from_80_db_below_to_the_maximum),
      cmocka_unit_test(extras_that_cannot_be_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
