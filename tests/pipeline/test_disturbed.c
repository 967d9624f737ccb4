/* What disturbs a plain recording is told with its time, and nothing is read over it as if it had not been. */
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#define RATE 48000.0
#define SECONDS 20
#define N (SECONDS * 48000)

static float left[N];

static void make_noise(double sigma)
{
  mt_random random;
  mt_random_init(&random, support_seed(41));
  for (size_t i = 0; i < N; i++)
    left[i] = (float)(sigma * mt_random_normal(&random));
}

static void make_tone(void)
{
  make_noise(1e-5);
  for (size_t i = 0; i < N; i++)
    left[i] += (float)(0.1 * sin(2.0 * MT_PI * 997.0 * (double)i / RATE));
}

static mt_results *read_left(size_t nframes)
{
  mt_results *results = NULL;
  mt_take *take = NULL;
  mt_error err = {0};
  assert_ok(mt_take_create(RATE, 1, &take, &err), err);
  assert_ok(mt_take_append(take, left, nframes, &err), err);
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_recording(take, results, &err), err);
  mt_take_destroy(&take);
  return results;
}

static const mt_problem *find_problem(const mt_results *r, mt_problem_kind kind, double at_s)
{
  for (size_t i = 0; i < r->nproblems; i++)
    if (r->problems[i].kind == kind && r->problems[i].begin_s <= at_s && r->problems[i].end_s >= at_s)
      return &r->problems[i];
  return NULL;
}

/* A value spoilt by a dropout, none of another validity, and no reading of what it is not. */
static void assert_spoilt(mt_results *r, mt_quantity quantity, mt_quantity never)
{
  const mt_reading *reading = mt_results_find(r, quantity, MT_LEFT, NULL);
  assert_non_null(reading);
  assert_int_equal(reading->validity, MT_DROPOUT);
  assert_true(reading->why[0] != '\0');
  assert_null(mt_results_find(r, never, MT_LEFT, NULL));
  mt_results_destroy(&r);
}

static void silence(double from_s, double to_s)
{
  for (size_t i = (size_t)(from_s * RATE); i < (size_t)(to_s * RATE); i++)
    left[i] = 0.0f;
}

/* Such a recording once was read as noise at the tone's level, without a word. */
static void a_tone_that_pauses_is_no_noise(void **state)
{
  const mt_problem *away;
  mt_results *r;
  (void)state;
  make_tone();
  silence(8.0, 11.9);
  r = read_left(N);
  away = find_problem(r, MT_PROBLEM_DROPOUT, 10.0);
  assert_non_null(away);
  /* whole records, of about 1.3 s: one in which it is there for a while may tell so itself */
  assert_between(away->begin_s, 8.0 - 1.34, 8.0 + 1.34, "s");
  assert_between(away->end_s, 11.9 - 1.34, 11.9 + 1.34, "s");
  assert_spoilt(r, MT_Q_LEVEL, MT_Q_NOISE);
}

static void a_recording_that_begins_before_its_tone_says_so(void **state)
{
  mt_results *r;
  (void)state;
  make_tone();
  silence(0.0, 3.0);
  r = read_left(N);
  assert_non_null(find_problem(r, MT_PROBLEM_DROPOUT, 1.0));
  assert_spoilt(r, MT_Q_LEVEL, MT_Q_NOISE);
}

static void frames_lost_from_a_tone_are_told(void **state)
{
  mt_results *r;
  (void)state;
  make_tone();
  memmove(left + 480000, left + 480000 + 133, (N - 480000 - 133) * sizeof *left);
  r = read_left(N - 133);
  assert_non_null(find_problem(r, MT_PROBLEM_LOST, 10.0));
  assert_spoilt(r, MT_Q_LEVEL, MT_Q_NOISE);
}

static void a_click_in_a_tone_is_told(void **state)
{
  mt_results *r;
  (void)state;
  make_tone();
  left[700000] += 0.01f;
  r = read_left(N);
  assert_non_null(find_problem(r, MT_PROBLEM_DROPOUT, 700000.0 / RATE));
  assert_spoilt(r, MT_Q_LEVEL, MT_Q_NOISE);
}

static void a_click_in_noise_is_told(void **state)
{
  const mt_problem *click;
  mt_results *r;
  (void)state;
  make_noise(1e-4);
  left[500000] += 0.02f;
  r = read_left(N);
  assert_int_equal(r->nproblems, 1);
  click = find_problem(r, MT_PROBLEM_DROPOUT, 500000.0 / RATE);
  assert_non_null(click);
  assert_near(0.5 * (click->begin_s + click->end_s), 500000.0 / RATE, 1e-9, "s");
  assert_string_equal(click->text, "the left channel clicked at 10.417 s (-34 dBFS)");
  assert_spoilt(r, MT_Q_NOISE, MT_Q_LEVEL);
}

/* Less than a tenth of the time: once not noticed. */
static void noise_that_pauses_is_told(void **state)
{
  const mt_problem *away;
  mt_results *r;
  (void)state;
  make_noise(1e-4);
  for (size_t i = 240000; i < 240000 + 48000; i++)
    left[i] *= 0.01f; /* 40 dB, not digital silence */
  r = read_left(N);
  away = find_problem(r, MT_PROBLEM_DROPOUT, 5.5);
  assert_non_null(away);
  assert_near(away->begin_s, 5.0, 1e-9, "s");
  assert_near(away->end_s, 6.0, 1e-9, "s");
  assert_spoilt(r, MT_Q_NOISE, MT_Q_LEVEL);
}

static void undisturbed_ones_have_no_problem(void **state)
{
  mt_results *r;
  (void)state;
  make_noise(1e-4);
  r = read_left(N);
  assert_int_equal(r->nproblems, 0);
  mt_results_destroy(&r);
  make_tone();
  r = read_left(N);
  assert_int_equal(r->nproblems, 0);
  mt_results_destroy(&r);
}

/* Six periods: whether they are alike cannot be told, and that is said; it spoils nothing. */
static void what_cannot_be_looked_for_is_said(void **state)
{
  mt_results *r;
  (void)state;
  make_noise(1e-5);
  for (size_t i = 0; i < N; i++)
    left[i] += (float)(0.1 * sin(2.0 * MT_PI * 50.3 * (double)i / RATE));
  r = read_left(5760);
  assert_int_equal(r->nproblems, 1);
  assert_int_equal(r->problems[0].kind, MT_PROBLEM_UNCHECKED);
  assert_int_equal(mt_results_find(r, MT_Q_LEVEL, MT_LEFT, NULL)->validity, MT_VALID);
  assert_true(r->valid);
  mt_results_destroy(&r);
}

/* ---- the same take left where it is stored ----------------------------------------------------------- */

static mt_code read_frames(void *ctx, size_t first, size_t nframes, float *out, mt_error *err)
{
  (void)ctx;
  (void)err;
  memcpy(out, left + first, nframes * sizeof *out);
  return MT_OK;
}

static void assert_stored_alike(void)
{
  mt_take stored = {.nframes = N, .nchannels = 1, .rate_hz = RATE, .reader = {.read = read_frames}};
  mt_results *kept = read_left(N), *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_recording(&stored, results, &err), err);
  assert_int_equal(results->nreadings, kept->nreadings);
  assert_true(kept->nreadings > 5);
  for (size_t i = 0; i < kept->nreadings; i++) {
    assert_near(results->readings[i].value, kept->readings[i].value, 0.0, "");
    assert_near(results->readings[i].uncertainty, kept->readings[i].uncertainty, 0.0, "");
    assert_int_equal(results->readings[i].validity, kept->readings[i].validity);
  }
  assert_int_equal(results->ncurves, kept->ncurves);
  for (size_t i = 0; i < kept->ncurves; i++)
    assert_memory_equal(results->curves[i].y, kept->curves[i].y, kept->curves[i].npoints * sizeof(double));
  mt_results_destroy(&kept);
  mt_results_destroy(&results);
}

static void a_stored_recording_reads_as_one_in_memory(void **state)
{
  (void)state;
  make_tone();
  assert_stored_alike();
  make_noise(1e-4);
  assert_stored_alike();
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_tone_that_pauses_is_no_noise),
      cmocka_unit_test(a_recording_that_begins_before_its_tone_says_so),
      cmocka_unit_test(frames_lost_from_a_tone_are_told),
      cmocka_unit_test(a_click_in_a_tone_is_told),
      cmocka_unit_test(a_click_in_noise_is_told),
      cmocka_unit_test(noise_that_pauses_is_told),
      cmocka_unit_test(undisturbed_ones_have_no_problem),
      cmocka_unit_test(what_cannot_be_looked_for_is_said),
      cmocka_unit_test(a_stored_recording_reads_as_one_in_memory),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
