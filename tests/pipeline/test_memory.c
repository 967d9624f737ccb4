/* A recording of any length is read in the memory a short one needs: what the tool's own process says of itself. */
#include "support.h"

#include "long_recording.h"

#include "base/decibel.h"

#include <mendtone/report.h>

#include <sys/stat.h>
#include <unistd.h>

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define IS_SANITIZED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define IS_SANITIZED 1
#endif
#endif
#ifndef IS_SANITIZED
#define IS_SANITIZED 0
#endif

/* What is promised for an hour. */
#define MOST_KIB (64L * 1024)
/* Of one length and another: pages that happen to be touched. One more second of stereo is 0.37 MiB. */
#define ALIKE_KIB (2L * 1024)

static const char *tool;
static char recording[64], json[64];

/* Make, analyse, remove. */
static mt_results *read_long(long_kind kind, double minutes, long *peak_kib)
{
  mt_results *results = NULL;
  mt_error err = {0};
  double cpu_s;

  assert_true(long_recording_write(recording, kind, minutes));
  assert_int_equal(long_recording_analyse(tool, recording, json, peak_kib, &cpu_s), 0);
  assert_ok(mt_report_read_json(json, &results, &err), err);
  unlink(recording);
  unlink(json);
  printf("%g minutes: %ld KiB, %.2f s\n", minutes, *peak_kib, cpu_s);
  return results;
}

static void assert_level(const mt_results *r, mt_quantity quantity, double want, double tolerance)
{
  const mt_reading *reading = mt_results_find(r, quantity, MT_LEFT, NULL);
  assert_non_null(reading);
  assert_int_equal(reading->validity, MT_VALID);
  assert_near(reading->value, want, tolerance, "dBFS");
}

/* The address and thread sanitizers keep books of their own: there only the readings count. */
static void assert_alike(long brief_kib, long lengthy_kib)
{
  if (IS_SANITIZED)
    return;
  assert_true(lengthy_kib < MOST_KIB);
  assert_true(labs(lengthy_kib - brief_kib) < ALIKE_KIB);
}

static void a_long_tone_needs_no_more_than_a_short_one(void **state)
{
  long brief_kib, lengthy_kib;
  mt_results *brief = read_long(LONG_TONE, 1.0, &brief_kib);
  mt_results *lengthy = read_long(LONG_TONE, IS_SANITIZED ? 2.0 : 6.0, &lengthy_kib);
  (void)state;
  /* what is read of one record is right to 1e-4 dB (test_truth.c) */
  assert_level(brief, MT_Q_LEVEL, -20.0, 1e-3);
  assert_level(lengthy, MT_Q_LEVEL, -20.0, 1e-3);
  assert_int_equal(lengthy->nproblems, 0);
  assert_alike(brief_kib, lengthy_kib);
  mt_results_destroy(&brief);
  mt_results_destroy(&lengthy);
}

static void long_noise_needs_no_more_than_short_noise(void **state)
{
  long brief_kib, lengthy_kib;
  mt_results *brief = read_long(LONG_NOISE, 0.5, &brief_kib);
  mt_results *lengthy = read_long(LONG_NOISE, IS_SANITIZED ? 1.0 : 2.5, &lengthy_kib);
  (void)state;
  /* a sine's power is half its amplitude squared, and so is full scale's; its noise's bins take 0.01 dB */
  assert_level(brief, MT_Q_HUM, -80.0, 0.05);
  assert_level(lengthy, MT_Q_HUM, -80.0, 0.05);
  /* 2 x 10^-8 x (20000 - 20) / 24000, and the hum's 10^-8. The noise repeats after 10 s, so its share of the band
     is known to 1 / sqrt(2 x 10 s x 20 kHz / (24 / 20)), 0.2 % or 0.005 dB: four of these */
  assert_level(lengthy, MT_Q_NOISE, mt_db_of_power(2e-8 * 19980.0 / 24000.0 + 1e-8), 0.02);
  assert_int_equal(lengthy->nproblems, 0);
  assert_alike(brief_kib, lengthy_kib);
  mt_results_destroy(&brief);
  mt_results_destroy(&lengthy);
}

static void a_stimulus_in_a_long_recording_is_all_that_is_loaded(void **state)
{
  long brief_kib, lengthy_kib;
  mt_results *brief = read_long(LONG_STIMULUS, 2.0, &brief_kib);
  mt_results *lengthy = read_long(LONG_STIMULUS, IS_SANITIZED ? 3.0 : 6.0, &lengthy_kib);
  (void)state;
  assert_true(brief->is_stimulus && lengthy->is_stimulus);
  assert_level(lengthy, MT_Q_LEVEL, -20.0, 1e-3);
  assert_int_equal(lengthy->nframes, (IS_SANITIZED ? 3 : 6) * 60 * 48000);
  assert_alike(brief_kib, lengthy_kib);
  mt_results_destroy(&brief);
  mt_results_destroy(&lengthy);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_long_tone_needs_no_more_than_a_short_one),
      cmocka_unit_test(long_noise_needs_no_more_than_short_noise),
      cmocka_unit_test(a_stimulus_in_a_long_recording_is_all_that_is_loaded),
  };
  int failed;
  if (argc != 2)
    return 2;
  tool = argv[1];
  snprintf(recording, sizeof recording, "long-%ld.wav", (long)getpid());
  snprintf(json, sizeof json, "long-%ld.json", (long)getpid());
  failed = cmocka_run_group_tests(tests, NULL, NULL);
  unlink(recording);
  unlink(json);
  return failed;
}
