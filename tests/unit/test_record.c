#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/capture.h>

#define RATE 48000.0

/* ---- back ends made up for the test ------------------------------------------------------------------- */

typedef enum trick { PLAIN, NO_FRAMES, NOT_BEGUN, BEGUN_TWICE, NAN_LATE, INFINITE, FAILS, BAD_RATE } trick;
static trick next_trick;

static mt_code run_trick(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err)
{
  float frames[3 * 100];
  mt_code code = MT_OK;
  (void)request;
  for (size_t i = 0; i < 300; i++)
    frames[i] = (float)i * 0x1p-10f;
  if (next_trick != NOT_BEGUN)
    code = sink->begin(sink->ctx, next_trick == BAD_RATE ? 1000.0 : RATE, 3, true, err);
  if (code == MT_OK && next_trick == BEGUN_TWICE)
    code = sink->begin(sink->ctx, RATE, 3, true, err);
  if (code != MT_OK || next_trick == NO_FRAMES)
    return code;
  code = sink->block(sink->ctx, frames, 100, err);
  if (next_trick == NAN_LATE)
    frames[3 * 44 + 1] = (float)NAN;
  if (next_trick == INFINITE)
    frames[0] = -(float)INFINITY;
  if (code == MT_OK)
    code = sink->problem(sink->ctx, MT_PROBLEM_DRIVER, 0.5, 0.6, "100 % of a %s was lost", err);
  if (code == MT_OK)
    code = sink->block(sink->ctx, frames, 100, err);
  if (code == MT_OK && next_trick == FAILS)
    code = mt_fail(err, MT_E_DEVICE, "the cable fell out");
  return code;
}

static const mt_audio_backend tricky = {"tricky", run_trick};

static mt_code run(trick t, mt_take **out, mt_error *err)
{
  mt_audio_request request = {0};
  next_trick = t;
  return mt_capture_run(&tricky, &request, out, err);
}

static void all_that_is_delivered_is_kept(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(run(PLAIN, &take, &err), err);
  assert_int_equal(take->nframes, 200);
  assert_int_equal(take->nchannels, 3);
  assert_near(take->rate_hz, RATE, 0.0, "Hz");
  assert_true(take->play_aligned);
  assert_string_equal(take->file, "");
  for (size_t i = 0; i < 600; i++)
    assert_near((double)take->samples[i], (double)(i % 300) * 0x1p-10, 0.0, "FS");
  assert_int_equal(take->nproblems, 1);
  assert_int_equal(take->problems[0].kind, MT_PROBLEM_DRIVER);
  assert_int_equal(take->problems[0].channel, MT_CHANNEL_BOTH);
  assert_near(take->problems[0].begin_s, 0.5, 0.0, "s");
  assert_near(take->problems[0].end_s, 0.6, 0.0, "s");
  assert_string_equal(take->problems[0].text, "100 % of a %s was lost");
  mt_take_destroy(&take);
}

static void a_sample_that_is_no_number_spoils_the_take_with_its_place(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  assert_int_equal(run(NAN_LATE, &take, &err), MT_E_DATA);
  /* frame 144 */
  assert_string_equal(err.message, "the sample at 0.003000 s on channel right is not a finite number: the "
                                   "capture is damaged");
  assert_int_equal(run(INFINITE, &take, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "0.002083 s on channel left"));
  assert_null(take);
}

static void a_take_without_frames_is_refused(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  assert_int_equal(run(NO_FRAMES, &take, &err), MT_E_DATA);
  assert_string_equal(err.message, "nothing was captured: the take has no frames");
  assert_int_equal(run(NOT_BEGUN, &take, &err), MT_E_INTERNAL);
  assert_int_equal(run(BEGUN_TWICE, &take, &err), MT_E_INTERNAL);
  assert_int_equal(run(BAD_RATE, &take, &err), MT_E_DATA);
  assert_int_equal(run(FAILS, &take, &err), MT_E_DEVICE);
  assert_string_equal(err.message, "the cable fell out");
  assert_null(take);
}

/* ---- inspection --------------------------------------------------------------------------------------- */

static mt_take *make_take(unsigned nchannels, size_t nframes)
{
  mt_take *take = NULL;
  mt_error err = {0};
  float *zeros = calloc(nframes * nchannels, sizeof *zeros);
  assert_non_null(zeros);
  assert_ok(mt_take_create(RATE, nchannels, &take, &err), err);
  assert_ok(mt_take_append(take, zeros, nframes, &err), err);
  free(zeros);
  return take;
}

/* A sine, clipped at +-limit and rounded to `bits` (0: float), from one frame to another. */
static void put_sine(mt_take *take, unsigned channel, double freq_hz, double amplitude, double limit,
                     unsigned bits, size_t begin, size_t end)
{
  double steps = ldexp(1.0, (int)bits - 1);
  for (size_t n = begin; n < end; n++) {
    double x = amplitude * sin(2.0 * MT_PI * fmod(freq_hz * (double)n / RATE, 1.0));
    x = fmin(fmax(x, -limit), limit);
    if (bits > 0)
      x = fmin(rint(x * steps), steps - 1.0) / steps;
    take->samples[n * take->nchannels + channel] = (float)x;
  }
}

static void inspect(mt_take *take, size_t want_problems)
{
  mt_error err = {0};
  assert_ok(mt_capture_inspect(take, &err), err);
  if (take->nproblems != want_problems)
    for (size_t i = 0; i < take->nproblems; i++)
      print_error("%.4f %.4f %s\n", take->problems[i].begin_s, take->problems[i].end_s,
                  take->problems[i].text);
  assert_int_equal(take->nproblems, want_problems);
}

static void only_an_input_dead_on_all_channels_is_silent(void **state)
{
  mt_take *take = make_take(2, 4800);
  (void)state;
  inspect(take, 1);
  assert_int_equal(take->problems[0].kind, MT_PROBLEM_SILENT_INPUT);
  assert_int_equal(take->problems[0].channel, MT_CHANNEL_BOTH);
  assert_near(take->problems[0].begin_s, 0.0, 0.0, "s");
  assert_near(take->problems[0].end_s, 0.1, 1e-12, "s");
  assert_non_null(strstr(take->problems[0].text, "every sample is zero"));
  mt_take_destroy(&take);
  take = make_take(2, 4800);
  take->samples[4801] = 1e-7f; /* one sample on one channel: that input lives */
  inspect(take, 0);
  mt_take_destroy(&take);
  take = make_take(2, 4800);
  for (size_t n = 0; n < 4800; n++)
    take->samples[2 * n] = -0.25f;
  inspect(take, 1);
  assert_non_null(strstr(take->problems[0].text, "stuck"));
  mt_take_destroy(&take);
}

static void a_stuck_full_scale_is_silent_and_clipped(void **state)
{
  mt_take *take = make_take(1, 4800);
  (void)state;
  for (size_t n = 0; n < 4800; n++)
    take->samples[n] = 1.0f;
  inspect(take, 2);
  assert_int_equal(take->problems[0].kind, MT_PROBLEM_SILENT_INPUT);
  assert_int_equal(take->problems[1].kind, MT_PROBLEM_CLIPPED);
  mt_take_destroy(&take);
}

static void flat_tops_are_reported_with_channel_and_time(void **state)
{
  mt_take *take = make_take(3, 48000);
  (void)state;
  put_sine(take, 0, 997.0, 0.5, 1.0, 24, 0, 48000);
  put_sine(take, 1, 997.0, 1.2, 1.0, 24, 12000, 24000); /* 0.25 ... 0.5 s: one problem */
  put_sine(take, 1, 997.0, 1.2, 1.0, 24, 36000, 42000); /* 0.75 ... 0.875 s: another */
  inspect(take, 2);
  for (size_t i = 0; i < 2; i++) {
    assert_int_equal(take->problems[i].kind, MT_PROBLEM_CLIPPED);
    assert_int_equal(take->problems[i].channel, MT_RIGHT);
    /* the first and the last flat top lie within one period of the ends */
    assert_near(take->problems[i].begin_s, i == 0 ? 0.25 : 0.75, 0.0011, "s");
    assert_near(take->problems[i].end_s, i == 0 ? 0.5 : 0.875, 0.0011, "s");
  }
  assert_non_null(strstr(take->problems[0].text, "right is clipped: "));
  assert_null(mt_take_find_problem(take, MT_LEFT, 0.0, 1.0));
  mt_take_destroy(&take);
}

/* The corner cases of a flat top: one clipped by a hair over many frames, against one only rounded. */
static void a_clean_slow_full_scale_sine_is_not_clipped(void **state)
{
  static const unsigned bits[] = {16, 20, 24, 0};
  static const double freq_hz[] = {5.0, 20.0, 41.0, 997.0, 1000.0, 12000.0};
  (void)state;
  for (size_t i = 0; i < sizeof bits / sizeof bits[0]; i++)
    for (size_t k = 0; k < sizeof freq_hz / sizeof freq_hz[0]; k++) {
      mt_take *take = make_take(1, 48000);
      put_sine(take, 0, freq_hz[k], 1.0 - 0x1p-15, 1.0, bits[i], 0, 48000);
      inspect(take, 0);
      mt_take_destroy(&take);
      if (freq_hz[k] > 1000.0)
        continue; /* a tenth of a dB over takes less than three samples off a fast tone */
      take = make_take(1, 48000);
      put_sine(take, 0, freq_hz[k], 1.02, 1.0, bits[i], 0, 48000);
      assert_int_equal(mt_capture_inspect(take, NULL), MT_OK);
      assert_true(take->nproblems >= 1);
      assert_int_equal(take->problems[0].kind, MT_PROBLEM_CLIPPED);
      mt_take_destroy(&take);
    }
}

static void isolated_full_scale_samples_are_not_clipping(void **state)
{
  mt_take *take = make_take(1, 48000);
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(3));
  for (size_t n = 0; n < 48000; n++)
    take->samples[n] = (float)(0.1 * mt_random_normal(&random));
  for (size_t n = 1000; n < 48000; n += 1000) {
    take->samples[n] = 1.0f;
    take->samples[n + 1] = n % 2000 == 0 ? 1.0f : 0.3f; /* now and then two in a row */
  }
  inspect(take, 0);
  mt_take_destroy(&take);
}

static void a_unit_that_clips_below_full_scale_is_not_a_clipped_capture(void **state)
{
  mt_take *take = make_take(1, 48000);
  (void)state;
  put_sine(take, 0, 997.0, 0.1, 0.08, 24, 0, 48000);
  inspect(take, 0);
  mt_take_destroy(&take);
}

static void an_empty_take_cannot_be_inspected(void **state)
{
  mt_take *take = make_take(2, 0);
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_capture_inspect(take, &err), MT_E_ARG);
  mt_take_destroy(&take);
  take = make_take(2, 1); /* one frame tells nothing of an input */
  inspect(take, 0);
  mt_take_destroy(&take);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(all_that_is_delivered_is_kept),
      cmocka_unit_test(a_sample_that_is_no_number_spoils_the_take_with_its_place),
      cmocka_unit_test(a_take_without_frames_is_refused),
      cmocka_unit_test(only_an_input_dead_on_all_channels_is_silent),
      cmocka_unit_test(a_stuck_full_scale_is_silent_and_clipped),
      cmocka_unit_test(flat_tops_are_reported_with_channel_and_time),
      cmocka_unit_test(a_clean_slow_full_scale_sine_is_not_clipped),
      cmocka_unit_test(isolated_full_scale_samples_are_not_clipping),
      cmocka_unit_test(a_unit_that_clips_below_full_scale_is_not_a_clipped_capture),
      cmocka_unit_test(an_empty_take_cannot_be_inspected),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
