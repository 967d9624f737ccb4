/*
 * What goes wrong while a take is made: a click, a mute, a block lost, delivered twice or stale, a recorder driven
 * too hard. No limit read from the spoilt window passes, and the fault is named with its time. The sweep: its
 * own check is held in tests/unit/, and whole takes with faults in it in test_truth.c.
 */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define LEVEL (-20.0)
#define BLOCK 480 /* 10 ms */

typedef enum fault {
  CLICK, /* one wrong sample, -40 dBFS off */
  MUTE,  /* a block of zeros, time goes on */
  STALE, /* the block before once more in its place, time goes on */
  LOSE,  /* a block left out, what follows moves up */
  TWICE, /* a block delivered twice, what follows moves down */
  FAULTS_LAST
} fault;

static const char *const names[FAULTS_LAST] = {"click", "mute", "stale block", "lost block", "block twice"};

static void spoil(mt_take *take, fault kind, size_t at, bool left, bool right)
{
  size_t n = take->nframes;
  float *x = take->samples;

  for (int c = 0; c < 2; c++)
    for (size_t i = 0; i < BLOCK && (c == 0 ? left : right); i++) {
      float *sample = &x[2 * (at + i) + (size_t)c];
      if (kind == CLICK && i == 0)
        *sample += 0.01f;
      else if (kind == MUTE)
        *sample = 0.0f;
      else if (kind == STALE)
        *sample = x[2 * (at + i - BLOCK) + (size_t)c];
    }
  if (kind == LOSE)
    memmove(x + 2 * at, x + 2 * (at + BLOCK), 2 * (n - at - BLOCK) * sizeof *x);
  else if (kind == TWICE)
    memmove(x + 2 * (at + BLOCK), x + 2 * at, 2 * (n - at - BLOCK) * sizeof *x);
}

static mt_simulated_unit sound_unit(void)
{
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.channel[0].crosstalk_db = unit.channel[1].crosstalk_db = -70.0;
  unit.delay_s = 0.004;
  unit.bits = 24;
  return unit;
}

/* Judgements that pass on readings of that segment, on a channel that was hit. */
static size_t count_passes(const mt_results *r, const char *segment, bool left, bool right)
{
  size_t passes = 0;
  for (size_t i = 0; i < r->njudgements; i++) {
    const mt_judgement *j = &r->judgements[i];
    bool hit = (j->channel == MT_CHANNEL_BOTH && (left || right)) || (j->channel == MT_LEFT && left) ||
               (j->channel == MT_RIGHT && right);
    if (hit && strcmp(j->segment, segment) == 0 && j->verdict == MT_VERDICT_PASS) {
      print_error("  %s, channel %d: %s\n", mt_quantity_describe(j->quantity)->name, j->channel, j->text);
      passes++;
    }
  }
  return passes;
}

/* Is the moment within a problem on that channel that is not much longer than the fault? */
static bool is_named(const mt_results *r, double from_s, double to_s, double slack_s)
{
  for (size_t i = 0; i < r->nproblems; i++) {
    const mt_problem *p = &r->problems[i];
    if (p->begin_s <= to_s + slack_s && p->end_s >= from_s - slack_s &&
        p->end_s - p->begin_s <= to_s - from_s + 0.1)
      return true;
  }
  return false;
}

static size_t try_fault(fault kind, const char *segment, double share, bool left, bool right)
{
  mt_simulated_unit unit = sound_unit();
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take(&unit, RATE, LEVEL, &stimulus);
  const mt_segment *s = mt_stimulus_find(&stimulus, segment);
  double at_s = s->start_s + unit.delay_s + s->fade_in_s + s->settle_s + 0.02 +
                share * (s->duration_s - s->fade_in_s - s->settle_s - s->fade_out_s - 0.06);
  size_t wrong = 0;
  mt_results *r;

  spoil(take, kind, (size_t)(at_s * RATE), left, right);
  r = unit_bench_read(take, &stimulus);
  mt_take_destroy(&take);
  if (r == NULL)
    return 0; /* refused outright: the marks are not where they belong */
  wrong = count_passes(r, segment, left, right);
  if (wrong > 0)
    print_error("%s in \"%s\" at %.3f s: %zu limits pass\n", names[kind], segment, at_s, wrong);
  if (!is_named(r, at_s, at_s + BLOCK / RATE, 0.01)) {
    print_error("%s in \"%s\" at %.3f s is not named\n", names[kind], segment, at_s);
    for (size_t i = 0; i < r->nproblems; i++)
      print_error("  problem %.3f ... %.3f s: %s\n", r->problems[i].begin_s, r->problems[i].end_s,
                  r->problems[i].text);
    wrong++;
  }
  mt_results_destroy(&r);
  return wrong;
}

static size_t try_everywhere(fault kind, const char *const *segments, size_t nsegments)
{
  size_t wrong = 0;
  for (size_t i = 0; i < nsegments; i++) {
    wrong += try_fault(kind, segments[i], 0.1, true, true);
    wrong += try_fault(kind, segments[i], 0.5, strcmp(segments[i], "right") != 0,
                       strcmp(segments[i], "right") == 0);
    wrong += try_fault(kind, segments[i], 0.93, true, true);
  }
  return wrong;
}

static const char *const all[] = {"idle", "left", "right", "both", "low"};
static const char *const tones[] = {"left", "right", "both"};

static void clicks_spoil_their_window(void **state)
{
  (void)state;
  assert_int_equal(try_everywhere(CLICK, all, 5), 0);
}

static void a_muted_block_spoils_its_window(void **state)
{
  (void)state;
  assert_int_equal(try_everywhere(MUTE, all, 5), 0);
}

/* In noise a stale block cannot be told from noise, and changes no reading of it: tones only. */
static void a_stale_block_spoils_its_window(void **state)
{
  (void)state;
  assert_int_equal(try_everywhere(STALE, tones, 3), 0);
}

static void lost_and_doubled_blocks_spoil_their_window(void **state)
{
  (void)state;
  assert_int_equal(try_everywhere(LOSE, tones, 3), 0);
  assert_int_equal(try_everywhere(TWICE, tones, 3), 0);
}

/* Full scale is where the recorder ends: from a tenth of a decibel too loud on, every tone is spoilt. */
static void a_recorder_driven_too_hard_spoils_what_it_clips(void **state)
{
  static const double over_db[] = {0.1, 1.0, 6.0, 20.0};
  (void)state;
  for (size_t k = 0; k < sizeof over_db / sizeof over_db[0]; k++) {
    mt_simulated_unit unit = sound_unit();
    mt_stimulus stimulus;
    mt_take *take = unit_bench_take(&unit, RATE, LEVEL, &stimulus);
    float gain = (float)mt_ratio_of_db(over_db[k] - LEVEL);
    mt_results *r;
    for (size_t i = 0; i < 2 * take->nframes; i++)
      take->samples[i] = fminf(1.0f, fmaxf(-1.0f, gain * take->samples[i]));
    r = unit_bench_read(take, &stimulus);
    mt_take_destroy(&take);
    assert_non_null(r);
    for (size_t i = 0; i < 3; i++) {
      const mt_segment *s = mt_stimulus_find(&stimulus, tones[i]);
      bool named = false;
      for (size_t p = 0; p < r->nproblems; p++)
        named = named ||
                (r->problems[p].kind == MT_PROBLEM_CLIPPED &&
                 r->problems[p].begin_s < s->start_s + s->duration_s && r->problems[p].end_s > s->start_s);
      assert_true(named);
      assert_int_equal(
          count_passes(r, tones[i], strcmp(tones[i], "right") != 0, strcmp(tones[i], "left") != 0), 0);
    }
    assert_int_equal(count_passes(r, "sweep", true, true), 0);
    assert_int_equal(unit_bench_find(r, MT_Q_THD_N, MT_LEFT, "both")->validity, MT_CLIPPED);
    assert_true(r->verdict != MT_VERDICT_PASS);
    mt_results_destroy(&r);
  }
}

/* A volume that is turned in the silence between two tones: each of them is steady. */
static void a_level_that_moves_between_two_tones_spoils_the_channel(void **state)
{
  static const double steps_db[] = {-0.5, 1.0, -6.0};
  static const char *const before[] = {"idle", "right", "both", "sweep"};
  (void)state;
  for (size_t k = 0; k < 3; k++)
    for (size_t i = 0; i < sizeof before / sizeof before[0]; i++) {
      mt_simulated_unit unit = sound_unit();
      mt_stimulus stimulus;
      mt_take *take = unit_bench_take(&unit, RATE, LEVEL, &stimulus);
      double at_s = mt_stimulus_find(&stimulus, before[i])->start_s + unit.delay_s - 0.02;
      float gain = (float)mt_ratio_of_db(steps_db[k]);
      bool named = false;
      mt_results *r;
      for (size_t n = (size_t)(at_s * RATE); n < take->nframes; n++)
        take->samples[2 * n] *= gain;
      r = unit_bench_read(take, &stimulus);
      mt_take_destroy(&take);
      assert_non_null(r);
      for (size_t p = 0; p < r->nproblems; p++)
        named = named || (r->problems[p].channel == MT_LEFT &&
                          strstr(r->problems[p].text, "left level moved by ") != NULL);
      assert_true(named);
      assert_int_not_equal(r->verdict, MT_VERDICT_PASS);
      assert_int_equal(count_passes(r, "left", true, false), 0);
      assert_int_equal(count_passes(r, "both", true, false), 0);
      mt_results_destroy(&r);
    }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(clicks_spoil_their_window),
      cmocka_unit_test(a_muted_block_spoils_its_window),
      cmocka_unit_test(a_stale_block_spoils_its_window),
      cmocka_unit_test(a_recorder_driven_too_hard_spoils_what_it_clips),
      cmocka_unit_test(lost_and_doubled_blocks_spoil_their_window),
      cmocka_unit_test(a_level_that_moves_between_two_tones_spoils_the_channel),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
