/* What is done to a take moves the readings exactly as theory says, and nothing else. */
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#define RATE 48000.0
#define LEVEL (-20.0)

static const double rates_hz[] = {44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0};
#define NRATES (sizeof rates_hz / sizeof rates_hz[0])

/* Nothing but the order of sums changes. */
#define SAME 1e-9
/* With the marks on the other channels the clock's offset is estimated anew, within its uncertainty, and the sweep
   rendered for that clock: what is read from it agrees within what it states. */
#define WITHIN_STATED (-1.0)

static mt_simulated_unit busy_unit(void)
{
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++) {
    mt_simulated_channel *channel = &unit.channel[c];
    channel->gain_db = c == 0 ? -1.25 : -2.5;
    channel->poly[1] = 0.01 * (c + 1);
    channel->poly[2] = 0.05;
    channel->noise_dbfs = -85.0 - 3.0 * c;
    channel->crosstalk_db = -55.0 - c;
    channel->hum_dbfs = c == 0 ? -75.0 : channel->hum_dbfs;
    channel->dc = 0.002 * (c + 1);
    channel->high_pass_hz = c == 0 ? 30.0 : 12.0;
  }
  unit.delay_s = 0.0101;
  unit.clock_offset_ppm = 21.0;
  unit.seed = 5;
  return unit;
}

/* How a reading is expected to move. NULL: not at all. */
typedef double (*movement)(const mt_reading *before, void *ctx);

static mt_channel keep_channel(mt_channel channel)
{
  return channel;
}

static mt_channel swap_channel(mt_channel channel)
{
  return channel == MT_CHANNEL_BOTH ? MT_CHANNEL_BOTH : 1 - channel;
}

static const mt_reading *counterpart(const mt_results *results, const mt_reading *of, mt_channel channel)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == of->quantity && r->channel == channel && r->order == of->order &&
        strcmp(r->segment, of->segment) == 0)
      return r;
  }
  return NULL;
}

static double near_enough(double want, double relative)
{
  return relative * fmax(1.0, fabs(want));
}

static const mt_curve *counterpart_curve(const mt_results *results, const mt_curve *of, mt_channel channel)
{
  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *c = &results->curves[i];
    if (c->quantity == of->quantity && c->channel == channel && strcmp(c->segment, of->segment) == 0)
      return c;
  }
  return NULL;
}

/* The same of curves, all of them: the points of each are moved as a reading would be. @return how many points */
static size_t compare_curves(const mt_results *a, const mt_results *b, mt_channel (*channel)(mt_channel),
                             movement move, void *ctx, double relative)
{
  size_t compared = 0;
  for (size_t k = 0; k < a->ncurves; k++) {
    const mt_curve *was = &a->curves[k], *is = counterpart_curve(b, was, channel(was->channel));
    char what[80];
    snprintf(what, sizeof what, "%s, channel %d, %s", mt_quantity_describe(was->quantity)->name, was->channel,
             was->segment);
    if (is == NULL || is->npoints != was->npoints || is->validity != was->validity)
      print_error("%s: not its like\n", what);
    assert_non_null(is);
    assert_int_equal(is->validity, was->validity);
    assert_int_equal(is->npoints, was->npoints);
    for (size_t i = 0; i < was->npoints; i++) {
      mt_reading point = {.quantity = was->quantity, .channel = was->channel, .value = was->y[i]};
      double want, tol;
      memcpy(point.segment, was->segment, sizeof point.segment);
      want = move != NULL ? move(&point, ctx) : was->y[i];
      if (isnan(want))
        continue; /* theory says nothing */
      tol = relative == WITHIN_STATED ? hypot(was->uncertainty[i], is->uncertainty[i])
                                      : near_enough(want, relative);
      support_assert_near(is->y[i], want, tol, "", what, __FILE__, __LINE__);
      compared++;
    }
  }
  return compared;
}

/* Each reading of `a` has its counterpart in `b`, as valid, moved as it should be, to a relative tolerance; another
   one for what is read off a curve. @return how many */
static size_t compare(const mt_results *a, const mt_results *b, mt_channel (*channel)(mt_channel),
                      movement move, void *ctx, double relative, double curves)
{
  size_t compared = 0;
  for (size_t i = 0; i < a->nreadings; i++) {
    const mt_reading *was = &a->readings[i];
    double want = move != NULL ? move(was, ctx) : was->value;
    const mt_reading *is = counterpart(b, was, channel(was->channel));
    char what[64];
    if (isnan(want))
      continue; /* theory says nothing */
    snprintf(what, sizeof what, "%s, channel %d, %s", mt_quantity_describe(was->quantity)->name, was->channel,
             was->segment);
    if (is == NULL || is->validity != was->validity)
      print_error("%s: %s\n", what, is == NULL ? "gone" : mt_validity_name(is->validity));
    assert_non_null(is);
    assert_int_equal(is->validity, was->validity);
    if (was->validity != MT_VALID && was->validity != MT_RIG_LIMITED)
      continue;
    if (mt_quantity_describe(was->quantity)->unit == MT_UNIT_COUNT || relative == 0.0)
      assert_true(is->value == want);
    else
      support_assert_near(is->value, want,
                          near_enough(want, strcmp(was->segment, "sweep") == 0 ? curves : relative), "", what,
                          __FILE__, __LINE__);
    compared++;
  }
  assert_true(compared > 20);
  return compared;
}

static mt_take *busy_take(double rate_hz, mt_stimulus *stimulus)
{
  mt_simulated_unit unit = busy_unit();
  return unit_bench_take_extras(&unit, rate_hz, LEVEL, MT_EXTRAS_ALL, -12.0, stimulus);
}

/* ---- scale --------------------------------------------------------------------------------------- */

static double scaled(const mt_reading *before, void *ctx)
{
  double factor = *(const double *)ctx;
  mt_unit unit = mt_quantity_describe(before->quantity)->unit;

  if (before->quantity == MT_Q_ENOB) /* IEEE 1241, below full scale: 20 lg(A_FS / A) / 6.02 are added */
    return before->value - mt_db_of_ratio(factor) / mt_db_of_ratio(2.0);
  if (unit == MT_UNIT_DBFS || unit == MT_UNIT_DBFS_PER_ROOT_HZ || before->quantity == MT_Q_GAIN)
    /* captured less played */
    return before->value + mt_db_of_ratio(factor);
  return unit == MT_UNIT_FS ? before->value * factor : before->value;
}

static void scaling_moves_levels_and_no_ratio(void **state)
{
  static double factors[] = {0.5, 0.125, 2.0}; /* exact in float */
  mt_stimulus stimulus;
  mt_take *take = busy_take(RATE, &stimulus);
  mt_results *before = unit_bench_read(take, &stimulus);
  (void)state;
  for (size_t k = 0; k < sizeof factors / sizeof factors[0]; k++) {
    mt_take *other = busy_take(RATE, &stimulus);
    mt_results *after;
    for (size_t i = 0; i < other->nframes * 2; i++)
      other->samples[i] *= (float)factors[k];
    after = unit_bench_read(other, &stimulus);
    assert_non_null(after);
    compare(before, after, keep_channel, scaled, &factors[k], SAME, SAME);
    assert_true(compare_curves(before, after, keep_channel, scaled, &factors[k], SAME) > 1000);
    mt_results_destroy(&after);
    mt_take_destroy(&other);
  }
  mt_results_destroy(&before);
  mt_take_destroy(&take);
}

/* ---- channels ------------------------------------------------------------------------------------ */

static double swapped(const mt_reading *before, void *ctx)
{
  (void)ctx;
  /* each channel alone is now on the other side, and says who hears what: test_truth.c */
  if (strcmp(before->segment, "left") == 0 || strcmp(before->segment, "right") == 0)
    return (double)NAN;
  if (strcmp(before->segment, "sweep") == 0) /* rendered for a clock estimated anew: see below */
    return (double)NAN;
  switch (before->quantity) {
  case MT_Q_BALANCE:
  case MT_Q_PHASE_DIFFERENCE: return -before->value;
  case MT_Q_CLOCK_OFFSET: /* the marks sweep upward on one channel and downward on the other: see below */
  case MT_Q_DELAY: return (double)NAN;
  default: return before->value;
  }
}

static double swapped_curve(const mt_reading *before, void *ctx)
{
  (void)ctx;
  return before->quantity == MT_Q_PHASE_DIFFERENCE ? -before->value : before->value;
}

static void swapping_the_channels_swaps_the_readings(void **state)
{
  mt_stimulus stimulus;
  mt_take *take = busy_take(RATE, &stimulus);
  mt_results *before = unit_bench_read(take, &stimulus), *after;
  (void)state;
  for (size_t i = 0; i < take->nframes; i++) {
    float left = take->samples[2 * i];
    take->samples[2 * i] = take->samples[2 * i + 1];
    take->samples[2 * i + 1] = left;
  }
  after = unit_bench_read(take, &stimulus);
  assert_non_null(after);
  compare(before, after, swap_channel, swapped, NULL, SAME, SAME);
  for (size_t i = 0; i < before->nreadings; i++) {
    const mt_reading *was = &before->readings[i];
    const mt_reading *is = counterpart(after, was, swap_channel(was->channel));
    double sign = was->quantity == MT_Q_DELAY && was->channel == MT_CHANNEL_BOTH ? -1.0 : 1.0;
    bool anew = was->quantity == MT_Q_CLOCK_OFFSET || was->quantity == MT_Q_DELAY ||
                strcmp(was->segment, "sweep") == 0;
    if (anew && was->validity == MT_VALID && is != NULL)
      assert_near(is->value, sign * was->value, hypot(is->uncertainty, was->uncertainty), "");
  }
  assert_true(compare_curves(before, after, swap_channel, swapped_curve, NULL, WITHIN_STATED) > 1000);
  mt_results_destroy(&before);
  mt_results_destroy(&after);
  mt_take_destroy(&take);
}

/* A tone or a noise on the first of up to two channels, another tone on the second. */
static mt_take *make_recording(bool tone, unsigned nchannels, double rate_hz, size_t nframes)
{
  mt_take *take = NULL;
  mt_error err = {0};
  mt_random random;
  mt_random_init(&random, 9);
  assert_ok(mt_take_create(rate_hz, nchannels, &take, &err), err);
  for (size_t i = 0; i < nframes; i++) {
    double t = (double)i / rate_hz;
    double first = tone ? 0.25 * sin(2.0 * MT_PI * 441.3 * t) + 0.001 * sin(2.0 * MT_PI * 882.6 * t)
                        : 1e-4 * sin(2.0 * MT_PI * 50.0 * t) + 1e-5 * sin(2.0 * MT_PI * 15625.0 * t);
    float frame[2] = {(float)(first + 1e-4 * mt_random_normal(&random)),
                      (float)(0.5 * sin(2.0 * MT_PI * 3150.0 * t))};
    assert_ok(mt_take_append(take, frame, 1, &err), err);
  }
  return take;
}

static mt_results *read_recording(mt_take *take)
{
  mt_results *r = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&r, &err), err);
  assert_ok(mt_measure_recording(take, r, &err), err);
  mt_take_destroy(&take);
  return r;
}

static void a_second_channel_changes_nothing_on_the_first(void **state)
{
  (void)state;
  for (int tone = 0; tone < 2; tone++) {
    mt_results *alone = read_recording(make_recording(tone != 0, 1, RATE, 100001));
    mt_results *pair = read_recording(make_recording(tone != 0, 2, RATE, 100001));
    size_t compared = 0;
    for (size_t i = 0; i < alone->nreadings; i++) {
      const mt_reading *was = &alone->readings[i], *is = counterpart(pair, was, MT_LEFT);
      assert_non_null(is);
      assert_int_equal(is->validity, was->validity);
      assert_near(is->value, was->value, 0.0, "");
      assert_near(is->uncertainty, was->uncertainty, 0.0, "");
      compared++;
    }
    assert_true(compared >= (tone != 0 ? 10 : 6));
    assert_true(compare_curves(alone, pair, keep_channel, NULL, NULL, 0.0) > 100);
    mt_results_destroy(&alone);
    mt_results_destroy(&pair);
  }
}

/* ---- time ---------------------------------------------------------------------------------------- */

static double delayed(const mt_reading *before, void *ctx)
{
  if (before->quantity == MT_Q_DELAY && before->channel != MT_CHANNEL_BOTH)
    return before->value + *(const double *)ctx;
  return before->value;
}

static void a_delay_moves_the_delay_alone(void **state)
{
  static const size_t frames[] = {1, 777, 20000};
  mt_stimulus stimulus;
  mt_take *take = busy_take(RATE, &stimulus);
  mt_results *before = unit_bench_read(take, &stimulus);
  (void)state;
  for (size_t k = 0; k < sizeof frames / sizeof frames[0]; k++) {
    double delay_s = (double)frames[k] / RATE;
    float *silence = calloc(2 * frames[k], sizeof *silence);
    mt_take *later = NULL;
    mt_results *after;
    mt_error err = {0};
    assert_non_null(silence);
    assert_ok(mt_take_create(RATE, 2, &later, &err), err);
    later->play_aligned = take->play_aligned;
    assert_ok(mt_take_append(later, silence, frames[k], &err), err);
    assert_ok(mt_take_append(later, take->samples, take->nframes, &err), err);
    after = unit_bench_read(later, &stimulus);
    assert_non_null(after);
    compare(before, after, keep_channel, delayed, &delay_s, SAME, SAME);
    /* a time of half a minute is rounded to 4e-15 s: of the phase at 20 kHz, 3e-8 degrees */
    assert_true(compare_curves(before, after, keep_channel, NULL, NULL, 1e-7) > 1000);
    mt_results_destroy(&after);
    mt_take_destroy(&later);
    free(silence);
  }
  mt_results_destroy(&before);
  mt_take_destroy(&take);
}

static void a_take_in_pieces_is_the_same_take(void **state)
{
  mt_stimulus stimulus;
  mt_take *take = busy_take(RATE, &stimulus), *pieces = NULL;
  mt_results *before = unit_bench_read(take, &stimulus), *after;
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(17));
  assert_ok(mt_take_create(RATE, 2, &pieces, &err), err);
  pieces->play_aligned = take->play_aligned;
  for (size_t at = 0; at < take->nframes;) {
    size_t count = (size_t)(exp(9.0 * mt_random_uniform(&random)));
    if (count > take->nframes - at)
      count = take->nframes - at;
    assert_ok(mt_take_append(pieces, take->samples + 2 * at, count, &err), err);
    at += count;
  }
  assert_int_equal(pieces->nframes, take->nframes);
  assert_memory_equal(pieces->samples, take->samples, take->nframes * 2 * sizeof(float));
  after = unit_bench_read(pieces, &stimulus);
  assert_non_null(after);
  compare(before, after, keep_channel, NULL, NULL, 0.0, 0.0);
  assert_true(compare_curves(before, after, keep_channel, NULL, NULL, 0.0) > 1000);
  mt_results_destroy(&before);
  mt_results_destroy(&after);
  mt_take_destroy(&take);
  mt_take_destroy(&pieces);
}

/* ---- rate ---------------------------------------------------------------------------------------- */

/*
 * A unit whose properties do not depend on the rate: gain and a polynomial (at 997 Hz nothing folds). Readings of
 * the tone are then free of the rate to the rounding of float samples.
 */
static void the_rate_moves_no_reading_of_a_clean_tone(void **state)
{
  const double a = 0.1, a2 = 0.05, a3 = 0.4, h1 = 1.0 + 0.75 * a3 * a * a;
  (void)state;
  for (size_t i = 0; i < NRATES; i++) {
    mt_simulated_unit unit;
    mt_results *r;
    mt_simulate_init(&unit);
    for (int c = 0; c < 2; c++) {
      unit.channel[c].poly[1] = a2;
      unit.channel[c].poly[2] = a3;
    }
    r = unit_bench_results(&unit, rates_hz[i], LEVEL);
    assert_non_null(r);
    for (int c = 0; c < 2; c++) {
      assert_reading(r, MT_Q_FREQUENCY, c, "both", 997.0, 1e-6);
      assert_reading(r, MT_Q_LEVEL, c, "both", LEVEL + mt_db_of_ratio(h1), 1e-5);
      assert_reading(r, MT_Q_HARMONIC, c, "both", mt_db_of_ratio(a2 * a / 2.0 / h1), 1e-4);
      assert_reading(r, MT_Q_POLARITY, c, NULL, 1.0, 0.0);
    }
    assert_reading(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.0, SAME);
    mt_results_destroy(&r);
  }
}

/* Left less right, of the unit's capacitors: filters made by the bilinear transform differ with the rate. */
static double phase_difference_deg(double rate_hz)
{
  mt_simulated_unit unit = busy_unit();
  return mt_simulate_phase_deg(&unit, 0, rate_hz, 997.0) - mt_simulate_phase_deg(&unit, 1, rate_hz, 997.0);
}

/* Noise of one power up to half the rate: in a band it is less by the band's share; up to half the rate, the same. The
   left has hum besides, which stays, and of which weights let through what they do. */
static double at_rate(const mt_reading *before, void *ctx)
{
  double share_db = mt_db_of_power(RATE / *(const double *)ctx),
         band_db = mt_db_of_power(19980.0 / (RATE / 2.0));
  double noise_dbfs = -85.0 - 3.0 * before->channel + band_db,
         level_dbfs = LEVEL - 1.25 - 1.25 * before->channel;
  double more = mt_power_of_db(share_db) - 1.0; /* of the noise in the band */

  switch (before->quantity) {
  case MT_Q_NOISE: return mt_db_of_power(mt_power_of_db(before->value) + more * mt_power_of_db(noise_dbfs));
  case MT_Q_THD_N:
    return mt_db_of_power(mt_power_of_db(before->value) + more * mt_power_of_db(noise_dbfs - level_dbfs));
  case MT_Q_NOISE_A:
  case MT_Q_NOISE_CCIR:
  case MT_Q_NOISE_468: return before->channel == MT_LEFT ? (double)NAN : before->value + share_db;
  case MT_Q_SNR:
  case MT_Q_DYNAMIC_RANGE: return before->channel == MT_LEFT ? (double)NAN : before->value - share_db;
  case MT_Q_PEAK: return (double)NAN; /* by chance */
  case MT_Q_PHASE_DIFFERENCE:
    return before->value + phase_difference_deg(*(const double *)ctx) - phase_difference_deg(RATE);
  case MT_Q_IMD_DIFF: /* 2 x 20 - 18 kHz is above what 44.1 kHz carry: refused there */
    return strcmp(before->segment, "imd-18k-20k") == 0 && *(const double *)ctx < RATE ? (double)NAN
                                                                                      : before->value;
  default: return before->value;
  }
}

/*
 * A unit with noise, hum, DC, crosstalk, a clock and capacitors of its own at other rates, with all extras: each
 * reading is where theory puts it. Two estimates differ by more than twice their common k = 2 once in 15000.
 */
static void the_rate_moves_noise_and_nothing_else(void **state)
{
  static const double others_hz[] = {44100.0, 96000.0, 192000.0}; /* 48 kHz is what they are compared with */
  mt_stimulus stimulus;
  mt_take *take = busy_take(RATE, &stimulus);
  mt_results *before = unit_bench_read(take, &stimulus);
  (void)state;
  mt_take_destroy(&take);
  assert_non_null(before);
  for (size_t i = 0; i < sizeof others_hz / sizeof others_hz[0]; i++) {
    double rate_hz = others_hz[i];
    mt_take *other = busy_take(rate_hz, &stimulus);
    mt_results *after = unit_bench_read(other, &stimulus);
    size_t compared = 0;
    assert_non_null(after);
    for (size_t k = 0; k < before->nreadings; k++) {
      const mt_reading *was = &before->readings[k], *is = counterpart(after, was, was->channel);
      double want = at_rate(was, &rate_hz), tol;
      char what[80];
      if (isnan(want) || was->validity != MT_VALID)
        continue;
      snprintf(what, sizeof what, "%g Hz: %s %d, channel %d, %s", rate_hz,
               mt_quantity_describe(was->quantity)->name, was->order, was->channel, was->segment);
      if (is == NULL || is->validity != MT_VALID)
        print_error("%s: %s\n", what, is == NULL ? "gone" : is->why);
      assert_non_null(is);
      tol = 2.0 * hypot(was->uncertainty, is->uncertainty);
      if (was->quantity == MT_Q_NOISE ||
          was->quantity == MT_Q_THD_N) /* a difference: off by as much in power */
        tol = 2.0 * hypot(was->uncertainty * fmax(1.0, mt_power_of_db(was->value - want)), is->uncertainty);
      if (was->quantity ==
          MT_Q_DELAY) /* a capacitor of 30 Hz is 0.2 us early at 5 kHz, a tenth of it by the rate */
        tol += 2e-8;
      support_assert_near(is->value, want, tol + 1e-9 * fabs(want), "", what, __FILE__, __LINE__);
      compared++;
    }
    print_message("%g Hz: %zu readings\n", rate_hz, compared);
    assert_true(compared > 60);
    mt_results_destroy(&after);
    mt_take_destroy(&other);
  }
  mt_results_destroy(&before);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(scaling_moves_levels_and_no_ratio),
      cmocka_unit_test(swapping_the_channels_swaps_the_readings),
      cmocka_unit_test(a_second_channel_changes_nothing_on_the_first),
      cmocka_unit_test(a_delay_moves_the_delay_alone),
      cmocka_unit_test(a_take_in_pieces_is_the_same_take),
      cmocka_unit_test(the_rate_moves_no_reading_of_a_clean_tone),
      cmocka_unit_test(the_rate_moves_noise_and_nothing_else),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
