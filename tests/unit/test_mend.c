/* Packets lost or repeated at a known place of a unit whose readings are known. */
#include "support.h"
#include "unit_bench.h"

#include "session/mend.h"

#include <mendtone/capture.h>

#define RATE 48000.0
#define LEVEL (-20.0)

static const mt_measure_options measure = {.state = "default",
                                           .max_level_thd_percent = MT_MAX_LEVEL_THD_PERCENT};

static mt_simulated_unit sound_unit(void)
{
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.channel[0].crosstalk_db = unit.channel[1].crosstalk_db = -70.0;
  unit.channel[1].gain_db = -1.0;
  unit.clock_offset_ppm = 412.5;
  unit.delay_s = 0.004;
  return unit;
}

static mt_results *read_mended(mt_take *take, const mt_stimulus *stimulus)
{
  mt_results *results = NULL;
  double start_frame = 0.0, late_frames = 0.0;
  size_t which = 0;
  bool broken = false;
  mt_error err = {0};

  assert_ok(mt_capture_locate_broken(take, stimulus, 1, &which, &broken, &start_frame, &late_frames, &err),
            err);
  assert_true(broken);
  assert_ok(mt_mend_read(take, stimulus, &measure, start_frame, late_frames, &results, &err), err);
  return results;
}

/* What is read in a segment that is whole, as the unit is. */
static void assert_whole(const mt_results *r, const char *segment)
{
  if (strcmp(segment, "idle") == 0) /* -95 dBFS in 24 kHz, in 19.98 kHz; ten deviations of 1.3 s of noise */
    assert_reading(r, MT_Q_NOISE, MT_LEFT, segment, -95.8, 0.3);
  else if (strcmp(segment, "left") == 0)
    assert_reading(r, MT_Q_LEVEL, MT_LEFT, segment, LEVEL, 0.001);
  else if (strcmp(segment, "right") == 0)
    assert_reading(r, MT_Q_LEVEL, MT_RIGHT, segment, LEVEL - 1.0, 0.001);
  else if (strcmp(segment, "both") == 0)
    assert_reading(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, segment, 1.0, 0.001);
  else if (strcmp(segment, "sweep") == 0) {
    const mt_curve *curve = mt_results_find_curve(r, MT_Q_RESPONSE, MT_LEFT);
    assert_non_null(curve);
    assert_int_equal(curve->validity, MT_VALID);
    for (size_t i = 0; i < curve->npoints; i++)
      if (curve->x[i] >= 30.0 && curve->x[i] <= 18000.0)
        assert_near(curve->y[i], 0.0, 0.1, "dB");
  }
}

static void assert_dropout(const mt_results *r, const char *segment)
{
  bool any = false;

  for (size_t i = 0; i < r->nreadings; i++) {
    /* the clock is known from the tones and marks together, whatever segment it is filed under */
    if (strcmp(r->readings[i].segment, segment) != 0)
      continue;
    any = true;
    assert_int_not_equal(r->readings[i].validity, MT_VALID);
  }
  for (size_t i = 0; i < r->ncurves; i++)
    if (strcmp(r->curves[i].segment, segment) == 0) {
      any = true;
      assert_int_equal(r->curves[i].validity, MT_DROPOUT);
    }
  assert_true(any);
}

static void the_segment_that_lost_frames_is_left_out_and_the_rest_is_read(void **state)
{
  static const struct {
    mt_dropout_kind kind;
    double at_s;
    size_t nframes;
    const char *segment;

  } table[] = {
      {MT_SIMULATED_LOSE, 1.5, 960, "idle"},
      {MT_SIMULATED_REPEAT, 3.0, 9600, "left"},
      {MT_SIMULATED_LOSE, 4.3, 4800, "right"},
      {MT_SIMULATED_LOSE, 11.0, 9600, "sweep"},
  };
  static const char *const segments[] = {"idle", "left", "right", "both", "sweep"};
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    mt_simulated_unit unit = sound_unit();
    mt_stimulus stimulus;
    mt_results *r;
    mt_take *take;
    bool told = false;
    unit.dropouts[0] =
        (mt_simulated_dropout){table[i].kind, table[i].at_s, table[i].nframes, {true, true}, 0.0};
    unit.ndropouts = 1;
    take = unit_bench_take(&unit, RATE, LEVEL, &stimulus);
    r = read_mended(take, &stimulus);
    assert_non_null(r);
    assert_int_equal(r->nframes, take->nframes);
    for (size_t k = 0; k < r->nproblems; k++) {
      const mt_problem *p = &r->problems[k];
      told = told || (strstr(p->text, table[i].segment) != NULL && p->begin_s < table[i].at_s &&
                      p->end_s > table[i].at_s);
    }
    assert_true(told);
    for (size_t k = 0; k < sizeof segments / sizeof segments[0]; k++)
      if (strcmp(segments[k], table[i].segment) == 0)
        assert_dropout(r, segments[k]);
      else
        assert_whole(r, segments[k]);
    mt_results_destroy(&r);
    mt_take_destroy(&take);
  }
}

static void a_whole_take_is_not_mended(void **state)
{
  mt_simulated_unit unit = sound_unit();
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take(&unit, RATE, LEVEL, &stimulus);
  double span =
      (mt_stimulus_find(&stimulus, "mark-b")->start_s - mt_stimulus_find(&stimulus, "mark-a")->start_s) *
      RATE;
  mt_results *results = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(
      mt_mend_read(take, &stimulus, &measure, 0.004 * RATE, span / (1.0 + 412.5e-6) - span, &results, &err),
      err);
  assert_null(results);
  mt_take_destroy(&take);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_segment_that_lost_frames_is_left_out_and_the_rest_is_read),
      cmocka_unit_test(a_whole_take_is_not_mended),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
