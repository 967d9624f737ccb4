/* Is a codec in the path noticed, and is nothing else taken for one? Codecs themselves: tests/oracle/. */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define LEVEL (-20.0)
#define TONE_HZ 997.0

/* What is added to both channels while the stimulus plays "both", given the tone's phase. */
typedef double (*disturbance)(double t_s, void *ctx);

static bool is_lossy(const mt_results *r)
{
  for (size_t i = 0; i < r->nproblems; i++)
    if (r->problems[i].kind == MT_PROBLEM_LOSSY_PATH)
      return true;
  return false;
}

static mt_results *read_disturbed(const mt_simulated_unit *unit, disturbance add, void *ctx, bool left,
                                  bool right)
{
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take(unit, RATE, LEVEL, &stimulus);
  const mt_segment *both = mt_stimulus_find(&stimulus, "both");
  mt_results *r;

  for (size_t i = 0; i < take->nframes; i++) {
    double t_s = (double)i / RATE;
    double extra;
    if (t_s < both->start_s || t_s > both->start_s + both->duration_s)
      continue;
    extra = add(t_s - both->start_s, ctx);
    take->samples[2 * i] += left ? (float)extra : 0.0f;
    take->samples[2 * i + 1] += right ? (float)extra : 0.0f;
  }
  r = unit_bench_read(take, &stimulus);
  mt_take_destroy(&take);
  assert_non_null(r);
  return r;
}

static double images(double t_s, void *ctx)
{
  double spacing = *(const double *)ctx;
  return mt_ratio_of_db(LEVEL - 72.0) *
         (sin(2.0 * MT_PI * (spacing - TONE_HZ) * t_s) + sin(2.0 * MT_PI * (spacing + TONE_HZ) * t_s + 1.0));
}

/* Noise of 200 Hz bandwidth on the tone: amplitude, phase, or both alike. */
typedef struct hill {
  mt_random random;
  double in_phase, quadrature; /* 1: there */
  double state[2];
} hill;

static double hill_sample(double t_s, void *ctx)
{
  hill *h = ctx;
  double angle = 2.0 * MT_PI * TONE_HZ * t_s;
  /* a first-order low-pass at 100 Hz leaves 100 Hz * pi / 2 of 24 kHz to each of two sides */
  for (int k = 0; k < 2; k++)
    h->state[k] += 2.0 * MT_PI * 100.0 / RATE * (mt_random_normal(&h->random) - h->state[k]);
  return mt_ratio_of_db(LEVEL - 34.0) *
         (h->in_phase * h->state[0] * sin(angle) + h->quadrature * h->state[1] * cos(angle));
}

static mt_simulated_unit quiet_unit(void)
{
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = unit.channel[1].noise_dbfs = -95.0;
  unit.bits = 16;
  return unit;
}

static void images_of_subbands_are_noticed(void **state)
{
  /* 8 bands at 48, 44.1 and 32 kHz */
  static double spacing_hz[] = {6000.0, 5512.5, 4000.0};
  mt_simulated_unit unit = quiet_unit();
  (void)state;
  for (size_t i = 0; i < sizeof spacing_hz / sizeof spacing_hz[0]; i++) {
    mt_results *r = read_disturbed(&unit, images, &spacing_hz[i], true, true);
    assert_true(is_lossy(r));
    mt_results_destroy(&r);
  }
}

static void a_hill_of_noise_on_both_channels_is_noticed(void **state)
{
  mt_simulated_unit unit = quiet_unit();
  hill h = {.in_phase = 1.0, .quadrature = 1.0};
  mt_results *r;
  (void)state;
  mt_random_init(&h.random, support_seed(31));
  r = read_disturbed(&unit, hill_sample, &h, true, true);
  assert_true(is_lossy(r));
  mt_results_destroy(&r);
}

static void noise_of_amplitude_or_phase_or_of_one_channel_is_none(void **state)
{
  static const struct {
    double in_phase, quadrature;
    bool right;
  } cases[] = {{1.0, 0.0, true}, {0.0, 1.0, true}, {1.0, 1.0, false}};
  mt_simulated_unit unit = quiet_unit();
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    hill h = {.in_phase = cases[i].in_phase, .quadrature = cases[i].quadrature};
    mt_results *r;
    mt_random_init(&h.random, support_seed(32 + i));
    r = read_disturbed(&unit, hill_sample, &h, true, cases[i].right);
    assert_false(is_lossy(r));
    /* ... and stays what it is: bad */
    assert_true(unit_bench_find(r, MT_Q_THD_N, MT_LEFT, "both")->validity == MT_VALID);
    assert_int_equal(r->verdict, MT_VERDICT_FAIL);
    mt_results_destroy(&r);
  }
}

/* Noise, bending, dead zone, clipping, hum, few bits, a narrow band, lost frames: none of it is a codec. */
static void units_without_a_codec_raise_no_alarm(void **state)
{
  (void)state;
  for (int i = 0; i < 12; i++) {
    mt_simulated_unit unit = quiet_unit();
    mt_results *r;
    unit.seed = (uint64_t)i;
    unit.clock_offset_ppm = 80.0 * (i % 3 - 1);
    for (int c = 0; c < 2; c++) {
      mt_simulated_channel *channel = &unit.channel[c];
      channel->noise_dbfs = i == 0 ? -60.0 : i == 1 ? -120.0 : -95.0;
      channel->poly[1] = i == 2 ? 2.0 : 0.0; /* H2 of 10 % at a peak of 0.1 */
      channel->poly[2] = i == 3 ? -30.0 : 0.0;
      channel->dead_zone = i == 4 ? 0.01 : 0.0;
      channel->clip = i == 5 ? 0.07 : channel->clip;
      channel->hum_dbfs = i == 6 ? -20.0 : i == 7 ? -50.0 : channel->hum_dbfs;
      channel->poly[1] += i == 7 ? 0.5 : 0.0; /* hum on the tone */
      channel->high_pass_hz = i == 8 ? 2000.0 : 0.0;
      channel->dc = i == 9 ? 0.1 : 0.0;
    }
    if (i >= 10) {
      unit.dropouts[0] = (mt_simulated_dropout){
          i == 10 ? MT_SIMULATED_MUTE : MT_SIMULATED_LOSE, 5.6, 480, {true, true}, 0.0};
      unit.ndropouts = 1;
    }
    unit.bits = i % 2 == 0 ? 16 : 24;
    r = unit_bench_results(&unit, RATE, LEVEL);
    if (r != NULL && is_lossy(r))
      print_error("case %d\n", i);
    assert_true(r == NULL || !is_lossy(r));
    mt_results_destroy(&r);
  }
}

static void through_a_codec_levels_are_read_and_the_rest_is_refused(void **state)
{
  static const mt_quantity refused[] = {MT_Q_THD_F,         MT_Q_THD_R,     MT_Q_THD_N,    MT_Q_SINAD,
                                        MT_Q_ENOB,          MT_Q_NOISE,     MT_Q_NOISE_A,  MT_Q_SNR,
                                        MT_Q_DYNAMIC_RANGE, MT_Q_CROSSTALK, MT_Q_HARMONIC, MT_Q_DC};
  mt_simulated_unit unit = quiet_unit();
  hill h = {.in_phase = 1.0, .quadrature = 1.0};
  mt_results *r;
  (void)state;
  mt_random_init(&h.random, support_seed(35));
  r = read_disturbed(&unit, hill_sample, &h, true, true);
  for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++) {
    const mt_reading *reading = unit_bench_find(r, refused[i], MT_LEFT, NULL);
    assert_int_equal(reading->validity, MT_NOT_MEASURED);
    assert_non_null(strstr(reading->why, "codec"));
    assert_true(reading->verdict != MT_VERDICT_PASS && reading->verdict != MT_VERDICT_FAIL);
  }
  for (int c = 0; c < 2; c++) {
    const mt_reading *level = unit_bench_find(r, MT_Q_LEVEL, c, "both");
    assert_reading(r, MT_Q_LEVEL, c, "both", LEVEL, level->uncertainty);
    assert_between(level->uncertainty, 0.001, 0.2, "dB");
    assert_reading(r, MT_Q_ROUTE, c, NULL, c == 0 ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT, 0.0);
    assert_reading(r, MT_Q_POLARITY, c, NULL, 1.0, 0.0);
  }
  assert_true(r->valid);
  assert_int_equal(r->verdict, MT_VERDICT_UNDECIDED);
  mt_results_destroy(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(images_of_subbands_are_noticed),
      cmocka_unit_test(a_hill_of_noise_on_both_channels_is_noticed),
      cmocka_unit_test(noise_of_amplitude_or_phase_or_of_one_channel_is_none),
      cmocka_unit_test(units_without_a_codec_raise_no_alarm),
      cmocka_unit_test(through_a_codec_levels_are_read_and_the_rest_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
