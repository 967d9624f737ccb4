/* What runs along a record gives the same, to the bit, by whatever steps it is taken on and wherever the take is. */
#include "support.h"

#include "analysis/burst.h"
#include "analysis/lines.h"
#include "analysis/mean.h"
#include "analysis/quasi_peak.h"
#include "analysis/tone.h"
#include "analysis/watch.h"
#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define N 400000 /* more than a view keeps of two channels */

static float frames[2 * N];
static double right[N];

/* ---- a take that is not in memory, as far as the library can tell ---------------------------------------- */

static size_t nread;
static size_t broken_at = SIZE_MAX;

static mt_code read_frames(void *ctx, size_t first, size_t nframes, float *out, mt_error *err)
{
  (void)ctx;
  assert_true(first + nframes <= N);
  if (first + nframes > broken_at)
    return mt_fail(err, MT_E_IO, "the disk fell out");
  memcpy(out, frames + 2 * first, 2 * nframes * sizeof *out);
  nread += nframes;
  return MT_OK;
}

static mt_take stored_take(void)
{
  return (mt_take){.nframes = N, .nchannels = 2, .rate_hz = RATE, .reader = {.read = read_frames}};
}

/* A tone or hum, and noise; on the right channel, as an array too. */
static void fill(mt_random *random, double tone_hz, double amplitude, double sigma)
{
  for (size_t i = 0; i < N; i++) {
    double t = (double)i / RATE;
    frames[2 * i] = (float)(0.25 * mt_random_normal(random));
    frames[2 * i + 1] =
        (float)(amplitude * sin(2.0 * MT_PI * tone_hz * t) + sigma * mt_random_normal(random) + 0.01);
    right[i] = (double)frames[2 * i + 1];
  }
}

static size_t next_step(mt_random *random, size_t upto, double most)
{
  size_t step = 1 + (size_t)(mt_random_uniform(random) * most);
  return N - upto < step ? N : upto + step;
}

/* ---- looking at a take ------------------------------------------------------------------------------------ */

static void any_look_sees_the_frames_asked_for(void **state)
{
  mt_take take = stored_take();
  mt_take_view view = {.take = &take};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(91));
  fill(&random, 997.0, 0.1, 1e-3);
  for (int i = 0; i < 300; i++) {
    size_t first = (size_t)(mt_random_uniform(&random) * N);
    size_t count = (size_t)(mt_random_uniform(&random) * (i % 3 == 0 ? 300000.0 : 3000.0));
    const float *seen = NULL;
    mt_error err = {0};
    count = count < N - first ? count : N - first;
    assert_ok(mt_take_look(&view, first, count, &seen, &err), err);
    assert_memory_equal(seen, frames + 2 * first, 2 * count * sizeof *seen);
  }
  mt_take_view_finish(&view);
}

static void looks_that_move_on_read_each_frame_once(void **state)
{
  mt_take take = stored_take();
  mt_error err = {0};
  (void)state;
  for (int backward = 0; backward < 2; backward++) {
    mt_take_view view = {.take = &take};
    nread = 0;
    for (size_t at = 0; at + 9000 <= N; at += 5000) /* overlapping by 4000 */
      assert_ok(mt_take_look(&view, backward ? N - at - 9000 : at, 9000, NULL, &err), err);
    assert_true(nread <= N);
    mt_take_view_finish(&view);
  }
}

static void frames_beyond_the_take_are_refused(void **state)
{
  mt_take take = stored_take();
  mt_take_view view = {.take = &take};
  mt_take *part = NULL;
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_take_look(&view, N, 1, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_take_look(&view, 1, N, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_take_look(&view, SIZE_MAX, 2, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_take_load(&take, 5, 0, &part, &err), MT_E_ARG);
  assert_int_equal(mt_take_load(&take, N - 1, 2, &part, &err), MT_E_ARG);
  mt_take_view_finish(&view);
}

static void a_failure_to_read_is_told_and_may_pass(void **state)
{
  mt_take take = stored_take();
  mt_take_view view = {.take = &take};
  mt_take *part = NULL;
  mt_error err = {0};
  const float *seen = NULL;
  (void)state;
  broken_at = 300000;
  assert_ok(mt_take_look(&view, 0, 1000, &seen, &err), err);
  assert_int_equal(mt_take_look(&view, 290000, 20000, &seen, &err), MT_E_IO);
  assert_string_equal(err.message, "the disk fell out");
  assert_int_equal(mt_take_load(&take, 0, N, &part, &err), MT_E_IO);
  assert_null(part);
  broken_at = SIZE_MAX;
  assert_ok(mt_take_look(&view, 290000, 20000, &seen, &err), err);
  assert_memory_equal(seen, frames + 2 * 290000, 20000 * 2 * sizeof *seen);
  mt_take_view_finish(&view);
}

static void a_part_knows_when_it_was(void **state)
{
  mt_take *take = NULL, *part = NULL, *of_part = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_take_create(RATE, 2, &take, &err), err);
  assert_ok(mt_take_append(take, frames, N, &err), err);
  assert_ok(mt_take_add_problem(take, MT_PROBLEM_CLIPPED, 0, 1.0, 2.0, &err, "clipped"), err);
  assert_ok(mt_take_load(take, 48000, 96000, &part, &err), err);
  assert_ok(mt_take_load(part, 24000, 48000, &of_part, &err), err);
  assert_memory_equal(of_part->samples, frames + 2 * 72000, 48000 * 2 * sizeof *frames);
  assert_near(mt_take_time_s(of_part, 0.0), 1.5, 0.0, "s");
  assert_int_equal(of_part->whole_frames, N);
  assert_int_equal(of_part->nproblems, 1);
  assert_near(of_part->problems[0].begin_s, 1.0, 0.0, "s"); /* the recording's time */
  mt_take_destroy(&of_part);
  mt_take_destroy(&part);
  mt_take_destroy(&take);
}

/* ---- running along it --------------------------------------------------------------------------------------- */

/* What one way through a noise leaves. All zero before, so that it may be compared byte by byte. */
typedef struct heard {
  double density[2000];
  double averages;
  mt_quasi_peak quasi_peak;
  mt_hum hum;
  double mean;
  double range_db;
  size_t nevents;
  size_t event_begin;
} heard;

/* @param most  0: all at once, from the array; else by steps of at most that, from the stored take. */
static void hear(double most, mt_random *random, heard *out)
{
  mt_take take = stored_take();
  mt_take_view view = {.take = &take};
  mt_samples samples = most > 0.0 ? mt_samples_of_take(&view, 1) : mt_samples_of_array(right, N);
  mt_psd_tools tools = {0};
  mt_psd_run density = {0};
  mt_quasi_peak_run *quasi_peak = NULL;
  mt_hum_run *hum = NULL;
  mt_smooth_mean mean;
  mt_watch watch;
  static mt_burst burst;
  mt_psd psd;
  mt_error err = {0};

  memset(out, 0, sizeof *out);
  assert_ok(mt_psd_begin(&density, &tools, N, RATE, 0.01, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &err), err);
  assert_ok(mt_quasi_peak_begin(N, RATE, 0.01, true, &quasi_peak, &err), err);
  assert_ok(mt_hum_begin(N, RATE, &hum, &err), err);
  mt_smooth_mean_begin(&mean, 1000, N - 3000);
  mt_burst_begin(&burst, N, RATE);
  mt_watch_begin(&watch, N, RATE);
  for (size_t upto = 0; upto < N;) {
    upto = most > 0.0 ? next_step(random, upto, most) : N;
    assert_ok(mt_psd_advance(&density, &samples, upto, &err), err);
    assert_ok(mt_quasi_peak_advance(quasi_peak, &samples, upto, &err), err);
    assert_ok(mt_hum_advance(hum, &samples, upto, &err), err);
    assert_ok(mt_smooth_mean_advance(&mean, &samples, upto, &err), err);
    assert_ok(mt_burst_advance(&burst, &samples, upto, &err), err);
    assert_ok(mt_watch_advance(&watch, &samples, upto, &err), err);
  }
  mt_psd_conclude(&density, &psd);
  memcpy(out->density, psd.density, sizeof out->density);
  out->averages = psd.averages;
  mt_psd_finish(&psd);
  mt_quasi_peak_conclude(quasi_peak, &out->quasi_peak);
  mt_hum_conclude(hum, &out->hum);
  out->mean = mt_smooth_mean_value(&mean);
  out->range_db = mt_burst_range_db(&burst);
  out->nevents = watch.nevents;
  out->event_begin = watch.events[0].begin;
  mt_quasi_peak_destroy(&quasi_peak);
  mt_hum_destroy(&hum);
  mt_psd_cancel(&density);
  mt_psd_tools_finish(&tools);
  mt_samples_finish(&samples);
  mt_take_view_finish(&view);
}

static void assert_same(const heard *a, const heard *b)
{
  assert_memory_equal(a->density, b->density, sizeof a->density);
  assert_near(b->averages, a->averages, 0.0, "");
  assert_near(b->quasi_peak.highest, a->quasi_peak.highest, 0.0, "FS");
  assert_near(b->quasi_peak.mean, a->quasi_peak.mean, 0.0, "FS");
  assert_near(b->quasi_peak.spread, a->quasi_peak.spread, 0.0, "FS");
  assert_int_equal(b->hum.significant, a->hum.significant);
  assert_near(b->hum.freq_hz, a->hum.freq_hz, 0.0, "Hz");
  assert_near(b->hum.power, a->hum.power, 0.0, "");
  assert_near(b->mean, a->mean, 0.0, "FS");
  assert_near(b->range_db, a->range_db, 0.0, "dB");
  assert_int_equal(b->nevents, a->nevents);
  assert_int_equal(b->event_begin, a->event_begin);
}

static void noise_is_read_alike_by_any_steps(void **state)
{
  static const double steps[] = {5000.0, 72000.0, 300000.0};
  heard whole, by_steps;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(92));
  fill(&random, 50.02, 1e-3, 1e-3);
  frames[2 * 123456 + 1] += 0.1f;
  right[123456] = (double)frames[2 * 123456 + 1];
  hear(0.0, &random, &whole);
  assert_true(whole.hum.significant);
  assert_int_equal(whole.nevents, 1);
  assert_int_equal(whole.event_begin, 123456);
  /* a bare mean's error, 10^-3 / sqrt(N), and 1.22 times that under the raised cosine; the click's share */
  assert_near(whole.mean, 0.01, 5.0 * 1.22e-3 / sqrt((double)N) + 2.0 * 0.1 / N, "FS");
  for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
    hear(steps[i], &random, &by_steps);
    assert_same(&whole, &by_steps);
  }
}

static void a_tone_is_read_alike_by_any_steps(void **state)
{
  mt_take take = stored_take();
  mt_take_view view = {.take = &take};
  mt_samples samples = mt_samples_of_take(&view, 1);
  mt_tone whole, by_steps;
  mt_tone_run run;
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(93));
  fill(&random, 997.0, 0.1, 1e-5);
  assert_ok(mt_tone_measure(right, N, RATE, 0.0, &whole, &err), err);
  assert_ok(mt_tone_begin(&run, N, RATE, 0.0, &err), err);
  for (size_t upto = 0; upto < N;) {
    upto = next_step(&random, upto, 50000.0);
    assert_ok(mt_tone_advance(&run, &samples, upto, &err), err);
  }
  assert_ok(mt_tone_conclude(&run, &by_steps, &err), err);
  assert_near(by_steps.freq_hz, whole.freq_hz, 0.0, "Hz");
  assert_near(by_steps.power, whole.power, 0.0, "");
  assert_near(by_steps.peak, whole.peak, 0.0, "FS");
  assert_near(by_steps.rest_power, whole.rest_power, 0.0, "");
  assert_near(by_steps.harmonic_raw[3], whole.harmonic_raw[3], 0.0, "");
  assert_int_equal(by_steps.nrecords, whole.nrecords);
  mt_tone_finish(&whole);
  mt_tone_finish(&by_steps);
  mt_tone_cancel(&run);
  mt_samples_finish(&samples);
  mt_take_view_finish(&view);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(any_look_sees_the_frames_asked_for),
      cmocka_unit_test(looks_that_move_on_read_each_frame_once),
      cmocka_unit_test(frames_beyond_the_take_are_refused),
      cmocka_unit_test(a_failure_to_read_is_told_and_may_pass),
      cmocka_unit_test(a_part_knows_when_it_was),
      cmocka_unit_test(noise_is_read_alike_by_any_steps),
      cmocka_unit_test(a_tone_is_read_alike_by_any_steps),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
