#include "support.h"

#include "base/decibel.h"
#include "session/level.h"

/* A unit and a sound card: what a tone played at a level shows. */
typedef struct bench {
  double gain_db;      /* from played to input */
  double unit_most;    /* dBFS at the input, where the unit clips; 0: never */
  double least_thd_db; /* of the unit at any level; 0: none that is seen */
  double hears_dbfs;   /* the tone is present from there on, at the input */
} bench;

static mt_level_sight look(const bench *b, double played_dbfs)
{
  double peak_dbfs = played_dbfs + b->gain_db;
  mt_level_sight sight = {.thd_db = b->least_thd_db < 0.0 ? b->least_thd_db : -300.0};

  if (b->unit_most < 0.0 && peak_dbfs > b->unit_most) {
    /* a sine clipped by 1 dB has a few per cent of harmonics, by 6 dB some 20 % */
    sight.thd_db = -28.0 + 2.5 * (peak_dbfs - b->unit_most);
    peak_dbfs = b->unit_most;
  }
  sight.is_clipped = peak_dbfs >= 0.0;
  sight.peak_dbfs = fmin(peak_dbfs, 0.0);
  sight.is_present = peak_dbfs >= b->hears_dbfs;
  return sight;
}

/* Search to the end; never above the maximum, never more than 6 dB up at a time. */
static mt_level_search search(const bench *b, double max_dbfs, double target_dbfs)
{
  mt_level_search s;
  double before;
  unsigned turns = 0;

  mt_level_begin(&s, max_dbfs, target_dbfs);
  assert_true(s.played_dbfs <= MT_LEVEL_LOWEST_DBFS);
  before = s.played_dbfs;
  while (s.end == MT_LEVEL_GO_ON) {
    mt_level_sight sight = look(b, s.played_dbfs);
    assert_true(s.played_dbfs <= max_dbfs && s.played_dbfs <= before + 6.0 + 1e-9);
    assert_true(s.played_dbfs >= MT_LEVEL_LOWEST_DBFS);
    before = s.played_dbfs;
    mt_level_see(&s, &sight);
    assert_true(++turns < MT_LEVEL_TURNS_MAX);
  }
  return s;
}

static void any_gain_leads_to_the_target_or_says_what_to_turn(void **state)
{
  (void)state;
  for (double gain_db = -60.0; gain_db <= 70.0; gain_db += 0.37)
    for (double max_dbfs = -60.0; max_dbfs <= 0.0; max_dbfs += 7.5) {
      bench b = {.gain_db = gain_db, .hears_dbfs = -95.0};
      mt_level_search s = search(&b, max_dbfs, -12.0);
      if (gain_db - 60.0 > -11.0) { /* too much even of the least */
        assert_int_equal(s.end, MT_LEVEL_TOO_LOUD);
        assert_int_equal(s.turn, MT_LEVEL_TURN_INPUT_DOWN);
        continue;
      }
      if (max_dbfs + gain_db < -95.0) {
        assert_int_equal(s.end, MT_LEVEL_NOTHING);
        continue;
      }
      assert_int_equal(s.end, MT_LEVEL_FOUND);
      assert_true(s.played_dbfs <= max_dbfs);
      assert_near(s.peak_dbfs, s.played_dbfs + gain_db, 1e-9, "dBFS");
      assert_true(s.peak_dbfs <= -11.0 + 1e-9);
      if (max_dbfs + gain_db >= -13.0)
        assert_true(s.peak_dbfs >= -13.0 - 1e-9);
      else
        assert_near(s.played_dbfs, max_dbfs, 1e-9, "dBFS");
      assert_int_equal(s.turn,
                       max_dbfs + gain_db < -18.0 - 1e-9 ? MT_LEVEL_TURN_UNIT_UP : MT_LEVEL_TURN_NONE);
    }
}

static void a_unit_that_clips_is_played_below_that(void **state)
{
  (void)state;
  for (double most = -60.0; most <= -14.0; most += 1.7) {
    bench b = {.gain_db = 3.0, .unit_most = most, .least_thd_db = -70.0, .hears_dbfs = -95.0};
    mt_level_search s = search(&b, 0.0, -12.0);
    if (most < -57.0) {
      /* it clips from the first step on: there is no level at which it does not */
      assert_int_equal(s.end, MT_LEVEL_FOUND);
      continue;
    }
    assert_int_equal(s.end, MT_LEVEL_FOUND);
    assert_int_equal(s.turn, MT_LEVEL_TURN_UNIT_DOWN);
    assert_true(s.played_dbfs + b.gain_db <= most + 1e-9);
    assert_true(s.played_dbfs + b.gain_db >= most - 6.0 - 1e-9);
  }
}

/* It is for the check to find, at the level it is meant for. */
static void a_unit_that_distorts_at_every_level_does_not_stop_the_search(void **state)
{
  bench b = {.gain_db = 0.0, .least_thd_db = -25.0, .hears_dbfs = -95.0};
  mt_level_search s = search(&b, 0.0, -12.0);
  (void)state;
  assert_int_equal(s.end, MT_LEVEL_FOUND);
  assert_near(s.peak_dbfs, -12.0, 1.0 + 1e-9, "dBFS");
}

static void a_knob_turned_up_meanwhile_goes_back_to_what_was_clean(void **state)
{
  mt_level_search s;
  mt_level_sight quiet = {.peak_dbfs = -50.0, .is_present = true, .thd_db = -80.0}, loud = quiet;
  (void)state;
  mt_level_begin(&s, 0.0, -12.0);
  mt_level_see(&s, &quiet);
  assert_near(s.played_dbfs, -54.0, 1e-9, "dBFS");
  loud.peak_dbfs = 0.0;
  loud.is_clipped = true;
  mt_level_see(&s, &loud);
  assert_int_equal(s.end, MT_LEVEL_FOUND);
  assert_near(s.played_dbfs, -60.0, 1e-9, "dBFS");
  mt_level_see(&s, &quiet); /* it has ended */
  assert_near(s.played_dbfs, -60.0, 1e-9, "dBFS");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(any_gain_leads_to_the_target_or_says_what_to_turn),
      cmocka_unit_test(a_unit_that_clips_is_played_below_that),
      cmocka_unit_test(a_unit_that_distorts_at_every_level_does_not_stop_the_search),
      cmocka_unit_test(a_knob_turned_up_meanwhile_goes_back_to_what_was_clean),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
