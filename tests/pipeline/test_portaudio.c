/*
 * PortAudio on a sound card made of software; run under tests/support/software-card.
 *
 * What is played is a noise of which every frame is known, so a frame lost, repeated, scaled or resampled
 * shows in the samples themselves, whatever the driver says.
 */
#include "support.h"

#include "base/text.h"

#include "base/decibel.h"

#include <mendtone/capture.h>

#include <pthread.h>
#include <signal.h>
#include <time.h>
#include <unistd.h>

static double rate_hz;

/* A server on a busy machine now and then gives nothing, or loses a block; what matters is that it is said. */
#define ATTEMPTS 5

static double now_s(void)
{
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

/* Frame n of a channel: a multiple of 2^-15 within +-0.1, of its own for each n. */
static float noise_at(size_t n, unsigned c)
{
  uint64_t x = (n * 2 + c + 1) * UINT64_C(0x9e3779b97f4a7c15);
  x = (x ^ (x >> 31)) * UINT64_C(0xbf58476d1ce4e5b9);
  x ^= x >> 29;
  return (float)((double)(x % 6553) - 3276.0) * 0x1p-15f;
}

static void render_noise(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  double duration_s = *(const double *)ctx;
  for (size_t i = 0; i < nframes; i++) {
    double t_s = t0_s + (double)i * dt_s;
    for (unsigned c = 0; c < 2; c++)
      out[2 * i + c] =
          t_s < 0.0 || t_s >= duration_s ? 0.0 : (double)noise_at((size_t)llround(t_s * rate_hz), c);
  }
}

static mt_code take_noise(const char *device, double duration_s, mt_take **out, mt_error *err)
{
  static double played_s;
  mt_audio_source source = {render_noise, &played_s, 2, 0.0};
  mt_audio_request request = {0};
  played_s = duration_s - 1.0; /* the rest is for the round trip */
  source.duration_s = played_s;
  request.input = device;
  request.rate_hz = rate_hz;
  request.duration_s = duration_s;
  request.source = &source;
  return mt_capture_run(mt_audio_find_backend("portaudio"), &request, out, err);
}

/* Where frame 0 of the noise stands in a take; SIZE_MAX if nowhere. */
static size_t find_start(const mt_take *take)
{
  for (size_t at = 0; at + 64 < take->nframes; at++) {
    size_t n = 0;
    while (n < 64 && fabsf(take->samples[2 * (at + n)] - noise_at(n, 0)) < 1e-4f)
      n++;
    if (n == 64)
      return at;
  }
  return SIZE_MAX;
}

/* ---- a card that works -------------------------------------------------------------------------------- */

static const mt_device *find_device(const mt_device *devices, size_t ndevices, const char *name)
{
  for (size_t i = 0; i < ndevices; i++)
    if (strcmp(devices[i].name, name) == 0)
      return &devices[i];
  return NULL;
}

static void the_card_is_listed_with_its_rates_and_a_warning(void **state)
{
  mt_device *devices = NULL;
  const mt_device *pulse;
  size_t ndevices = 0;
  bool has_rate = false;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_audio_list_devices(&devices, &ndevices, &err), err);
  pulse = find_device(devices, ndevices, "pulse");
  assert_non_null(pulse);
  assert_true(pulse->max_inputs >= 2 && pulse->max_outputs >= 2);
  assert_string_equal(pulse->host_api, "ALSA");
  assert_true(pulse->is_mixer);
  assert_true(pulse->advice[0] != '\0');
  for (size_t i = 0; i < 8 && pulse->rates_hz[i] > 0.0; i++) {
    has_rate = has_rate || fabs(pulse->rates_hz[i] - rate_hz) < 0.5;
    assert_true(i == 0 || pulse->rates_hz[i] > pulse->rates_hz[i - 1]);
  }
  assert_true(has_rate);
  free(devices);
}

/* Another card is plugged in, and pulled out again, while the program runs. */
static void the_list_is_fresh_each_time(void **state)
{
  const char *path = getenv("ALSA_CONFIG_PATH");
  mt_device *devices = NULL;
  size_t ndevices = 0, before;
  long length;
  mt_error err = {0};
  FILE *file;
  (void)state;
  assert_non_null(path);
  assert_ok(mt_audio_list_devices(&devices, &before, &err), err);
  assert_null(find_device(devices, before, "second"));
  free(devices);
  assert_int_equal(system("pactl load-module module-null-sink sink_name=second >/dev/null"), 0);
  file = fopen(path, "a");
  assert_non_null(file);
  length = ftell(file);
  fputs("pcm.second { type pulse device \"second\" hint { show on description \"another card\" } }\n", file);
  assert_int_equal(fclose(file), 0);
  assert_ok(mt_audio_list_devices(&devices, &ndevices, &err), err);
  assert_int_equal(ndevices, before + 1);
  assert_non_null(find_device(devices, ndevices, "second"));
  free(devices);
  assert_int_equal(truncate(path, length), 0);
  assert_ok(mt_audio_list_devices(&devices, &ndevices, &err), err);
  assert_int_equal(ndevices, before);
  assert_null(find_device(devices, ndevices, "second"));
  free(devices);
}

static void a_name_that_is_not_one_device_is_refused(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  assert_int_equal(take_noise("ul", 2.0, &take, &err), MT_E_DEVICE); /* default, pulse */
  assert_non_null(strstr(err.message, "\"ul\" is the name of 2 inputs: "));
  assert_non_null(strstr(err.message, "\"ALSA: pulse\""));
  assert_int_equal(take_noise("nonesuch", 2.0, &take, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "there is no sound input named \"nonesuch\"; there are: "));
  assert_null(take);
}

/* Frames of the noise that are not as they were played; SIZE_MAX if none of it is found. */
static size_t count_wrong(const mt_take *take, double duration_s)
{
  size_t start = find_start(take), count = (size_t)llround((duration_s - 1.0) * rate_hz), wrong = 0;
  if (start == SIZE_MAX)
    return SIZE_MAX;
  for (size_t n = 0; n < count; n++)
    for (unsigned c = 0; c < 2; c++) {
      size_t at = start + n;
      /* 1e-7: far below any level that is read; the samples come back as they went, 0.0 on every run seen */
      wrong += at >= take->nframes || !(fabsf(take->samples[2 * at + c] - noise_at(n, c)) <= 1e-7f);
    }
  return wrong;
}

static double level_of(const mt_take *take, size_t start, size_t count, unsigned c)
{
  double sum = 0.0;
  for (size_t n = start; n < start + count; n++)
    sum += (double)take->samples[2 * n + c] * (double)take->samples[2 * n + c];
  return mt_db_of_power(2.0 * sum / (double)count);
}

static double played_level(size_t count, unsigned c)
{
  double sum = 0.0;
  for (size_t n = 0; n < count; n++)
    sum += (double)noise_at(n, c) * (double)noise_at(n, c);
  return mt_db_of_power(2.0 * sum / (double)count);
}

static void assert_exact(const mt_take *take, double duration_s)
{
  size_t start = find_start(take), count = (size_t)llround((duration_s - 1.0) * rate_hz);
  assert_true(take->play_aligned);
  assert_near(take->rate_hz, rate_hz, 0.0, "Hz");
  for (unsigned c = 0; c < 2; c++)
    assert_near(level_of(take, start, count, c), played_level(count, c), 0.001, "dB");
}

static void every_frame_comes_back_as_it_was_played(void **state)
{
  const double duration_s = 3.0;
  bool exact = false;
  (void)state;
  for (int i = 0; i < ATTEMPTS && !exact; i++) {
    mt_take *take = NULL;
    mt_error err = {0};
    mt_code code = take_noise("Pulse", duration_s, &take, &err);
    size_t wrong;
    if (code != MT_OK) {
      print_message("take %d: %s\n", i + 1, err.message);
      assert_int_equal(code, MT_E_DEVICE);
      continue;
    }
    assert_int_equal(take->nframes, (size_t)llround(duration_s * rate_hz));
    assert_int_equal(take->nchannels, 2);
    wrong = count_wrong(take, duration_s);
    print_message("take %d: %zu wrong samples, %zu problems%s%s\n", i + 1, wrong, take->nproblems,
                  take->nproblems > 0 ? ": " : "", take->nproblems > 0 ? take->problems[0].text : "");
    exact = wrong == 0 && take->nproblems == 0;
    if (exact)
      assert_exact(take, duration_s);
    mt_take_destroy(&take);
  }
  assert_true(exact);
}

static void an_input_alone_is_captured_without_playing(void **state)
{
  mt_audio_request request = {0};
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  request.input = "ALSA: pulse";
  request.rate_hz = rate_hz;
  request.duration_s = 0.5;
  assert_ok(mt_capture_run(mt_audio_find_backend("portaudio"), &request, &take, &err), err);
  assert_int_equal(take->nframes, (size_t)llround(0.5 * rate_hz));
  assert_false(take->play_aligned);
  assert_ok(mt_capture_inspect(take, &err), err);
  assert_non_null(mt_take_find_problem(take, MT_LEFT, 0.0, 0.5));
  mt_take_destroy(&take);
}

static void a_request_out_of_range_is_refused(void **state)
{
  const mt_audio_backend *backend = mt_audio_find_backend("portaudio");
  mt_audio_source wide = {render_noise, NULL, 3, 1.0};
  mt_audio_request request = {0};
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  request.rate_hz = rate_hz;
  assert_int_equal(mt_capture_run(backend, &request, &take, &err), MT_E_ARG);
  request.duration_s = 1.0;
  request.rate_hz = (double)NAN;
  assert_int_equal(mt_capture_run(backend, &request, &take, &err), MT_E_ARG);
  request.rate_hz = rate_hz;
  request.source = &wide;
  assert_int_equal(mt_capture_run(backend, &request, &take, &err), MT_E_ARG);
}

/* ---- a card that goes away ---------------------------------------------------------------------------- */

typedef struct blow {
  pid_t server;
  int signal;
} blow;

static void *strike(void *ctx)
{
  const blow *b = ctx;
  struct timespec wait = {1, 0};
  nanosleep(&wait, NULL);
  kill(b->server, b->signal);
  return NULL;
}

/* A take of 4 s, of which the server is struck after one. */
static mt_code take_struck(int signal, double *took_s, mt_error *err)
{
  const char *pid = getenv("SOFTWARE_CARD_PID");
  double number = 0.0;
  blow b = {pid != NULL && mt_text_parse_number(pid, &number) ? (pid_t)number : 0, signal};
  mt_take *take = NULL;
  pthread_t thread;
  double began_s = now_s();
  mt_code code;
  assert_true(b.server > 1);
  assert_int_equal(pthread_create(&thread, NULL, strike, &b), 0);
  code = take_noise("pulse", 4.0, &take, err);
  *took_s = now_s() - began_s;
  assert_int_equal(pthread_join(thread, NULL), 0);
  assert_null(take);
  print_message("after %.1f s: %s\n", *took_s, err->message);
  return code;
}

static void a_server_that_dies_in_mid_take_is_reported_at_once(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  double took_s;
  (void)state;
  assert_int_equal(take_struck(SIGKILL, &took_s, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "s of 4.00 s; check its plug and take again"));
  assert_between(took_s, 0.9, 6.0, "s");
  /* without it there is nothing left to take from, and that is said too */
  assert_int_equal(take_noise("pulse", 2.0, &take, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "no sound input"));
}

/* Struck after 1 s. The watchdog: 1.5 s without a frame, 1 s for a stream that cannot be closed; a second more for
 * a busy machine. */
static void a_server_that_hangs_does_not_hang_the_program(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  double took_s;
  (void)state;
  assert_int_equal(take_struck(SIGSTOP, &took_s, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "gave no more sound after"));
  assert_between(took_s, 2.5, 5.0, "s");
  assert_int_equal(take_noise("pulse", 2.0, &take, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "start the program again"));
}

static void a_server_that_hangs_from_the_start_does_not_hang_the_list(void **state)
{
  const char *pid = getenv("SOFTWARE_CARD_PID");
  double number = 0.0, began_s = now_s();
  mt_device *devices = NULL;
  size_t ndevices = 0;
  mt_error err = {0};
  (void)state;
  assert_true(pid != NULL && mt_text_parse_number(pid, &number));
  assert_int_equal(kill((pid_t)number, SIGSTOP), 0);
  assert_int_equal(mt_audio_list_devices(&devices, &ndevices, &err), MT_E_DEVICE);
  print_message("after %.1f s: %s\n", now_s() - began_s, err.message);
  assert_between(now_s() - began_s, 2.5, 4.0, "s");
  assert_non_null(strstr(err.message, "the sound system hangs"));
}

int main(int argc, char **argv)
{
  const struct CMUnitTest works[] = {
      cmocka_unit_test(the_card_is_listed_with_its_rates_and_a_warning),
      cmocka_unit_test(the_list_is_fresh_each_time),
      cmocka_unit_test(a_name_that_is_not_one_device_is_refused),
      cmocka_unit_test(every_frame_comes_back_as_it_was_played),
      cmocka_unit_test(an_input_alone_is_captured_without_playing),
      cmocka_unit_test(a_request_out_of_range_is_refused),
  };
  const struct CMUnitTest exact[] = {cmocka_unit_test(every_frame_comes_back_as_it_was_played)};
  const struct CMUnitTest dies[] = {cmocka_unit_test(a_server_that_dies_in_mid_take_is_reported_at_once)};
  const struct CMUnitTest asleep[] = {
      cmocka_unit_test(a_server_that_hangs_from_the_start_does_not_hang_the_list)};
  const struct CMUnitTest hangs[] = {cmocka_unit_test(a_server_that_hangs_does_not_hang_the_program)};
  const char *what = argc > 2 ? argv[2] : "";

  if (getenv("SOFTWARE_CARD_PID") == NULL || argc != 3) {
    fprintf(stderr, "usage: software-card RATE -- test_portaudio RATE works|exact|dies|asleep|hangs\n");
    return 64;
  }
  if (!mt_text_parse_number(argv[1], &rate_hz))
    return 64;
  if (strcmp(what, "works") == 0)
    return cmocka_run_group_tests(works, NULL, NULL);
  if (strcmp(what, "exact") == 0)
    return cmocka_run_group_tests(exact, NULL, NULL);
  if (strcmp(what, "asleep") == 0)
    return cmocka_run_group_tests(asleep, NULL, NULL);
  if (strcmp(what, "dies") == 0)
    return cmocka_run_group_tests(dies, NULL, NULL);
  return cmocka_run_group_tests(hangs, NULL, NULL);
}
