/*
 * The PortAudio back end against a PortAudio made up here: a loop with a known delay, which can report flags,
 * stop, stay silent, run slowly or give no input at a given frame. The functions below stand in for the
 * library's, as a program's own symbols come first.
 */
#include "support.h"

#include <mendtone/capture.h>

#include <portaudio.h>
#include <pthread.h>
#include <stdatomic.h>
#include <time.h>
#include <unistd.h>

#define RATE 48000.0
#define LEAD_IN 14400 /* 0.3 s: what the back end throws away */
#define DELAY 5000    /* of the loop, frames: longer than any block */
#define LOOP_FRAMES 262144

/* ---- the made-up PortAudio ---------------------------------------------------------------------------- */

typedef struct faults {
  size_t flag_at; /* callback frame, lead-in included; 0: none */
  size_t flag_blocks;
  PaStreamCallbackFlags flags;
  size_t stop_at;
  size_t no_input_at;
  double speed;    /* 1: as the rate says */
  int idle_starts; /* so many streams end before they gave anything */
  PaError open_error;
  PaError start_error;
  const char *hangs_in; /* this call takes HANG_S */
  const char *says;     /* on standard error, from its thread, as the library does when a stream breaks */
  int ndevices;
  int max_inputs;
  int max_outputs;
} faults;

static faults f;

#define HANG_S 3.6

/* A call that hung looked at `f` from a thread that nobody waits for: this orders it before the next reset. */
static atomic_uint handovers;

static void hang_in(const char *call)
{
  if (f.hangs_in != NULL && strcmp(f.hangs_in, call) == 0)
    usleep((useconds_t)(HANG_S * 1e6));
}

typedef struct loop {
  PaStreamCallback *callback;
  void *ctx;
  int nin, nout;
  pthread_t thread;
  atomic_bool stop;
  atomic_bool active;
} loop;

static loop the_loop;
static float played[2 * LOOP_FRAMES];
static PaHostErrorInfo host_error = {paALSA, -16, "Device or resource busy"};

PaError Pa_Initialize(void)
{
  return paNoError;
}
PaError Pa_Terminate(void)
{
  return paNoError;
}
const char *Pa_GetErrorText(PaError code)
{
  return code == paInvalidSampleRate ? "Invalid sample rate" : "some error";
}
const PaHostErrorInfo *Pa_GetLastHostErrorInfo(void)
{
  return &host_error;
}
PaDeviceIndex Pa_GetDeviceCount(void)
{
  return f.ndevices;
}
PaDeviceIndex Pa_GetDefaultInputDevice(void)
{
  return f.ndevices > 0 ? 0 : paNoDevice;
}
PaDeviceIndex Pa_GetDefaultOutputDevice(void)
{
  return f.ndevices > 0 ? 0 : paNoDevice;
}
const PaDeviceInfo *Pa_GetDeviceInfo(PaDeviceIndex index)
{
  static PaDeviceInfo info;
  (void)index;
  info.name = "Loop (hw:7,0)";
  info.maxInputChannels = f.max_inputs;
  info.maxOutputChannels = f.max_outputs;
  info.defaultSampleRate = RATE;
  return &info;
}
const PaHostApiInfo *Pa_GetHostApiInfo(PaHostApiIndex index)
{
  static PaHostApiInfo info;
  (void)index;
  info.name = "ALSA";
  return &info;
}
PaError Pa_IsFormatSupported(const PaStreamParameters *in, const PaStreamParameters *out, double rate_hz)
{
  (void)in;
  (void)out;
  return rate_hz < 50000.0 ? paFormatIsSupported : paInvalidSampleRate;
}
const PaStreamInfo *Pa_GetStreamInfo(PaStream *stream)
{
  static PaStreamInfo info;
  (void)stream;
  info.inputLatency = info.outputLatency = 0.2; /* slack for the host clock on a busy machine */
  return &info;
}
PaError Pa_OpenStream(PaStream **stream, const PaStreamParameters *in, const PaStreamParameters *out,
                      double rate_hz, unsigned long block, PaStreamFlags flags, PaStreamCallback *callback,
                      void *ctx)
{
  hang_in("open");
  if (f.open_error != paNoError)
    return f.open_error;
  assert_near(rate_hz, RATE, 0.0, "Hz");
  assert_int_equal(block, paFramesPerBufferUnspecified);
  assert_int_equal(flags, paClipOff | paDitherOff);
  assert_int_equal(in->sampleFormat, paFloat32);
  the_loop.callback = callback;
  the_loop.ctx = ctx;
  the_loop.nin = in->channelCount;
  the_loop.nout = out != NULL ? out->channelCount : 0;
  memset(played, 0, sizeof played);
  *stream = &the_loop;
  return paNoError;
}

static double now_s(void)
{
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

/* Any block size from 1 to 4096, at the pace of the rate. */
static void *run_loop(void *ctx)
{
  static float in[2 * 4096], out[2 * 4096];
  static const size_t sizes[] = {1, 4096, 37, 512, 1000, 3, 2048, 777};
  const PaStreamCallbackTimeInfo time = {0.0, 0.0, 0.0};
  double began_s = now_s();
  size_t frame = 0, nflagged = 0;
  (void)ctx;
  for (size_t k = 0; !atomic_load(&the_loop.stop); k++) {
    size_t n = sizes[k % 8];
    PaStreamCallbackFlags flags = 0;
    if ((f.stop_at > 0 && frame >= f.stop_at) || frame + n + DELAY >= LOOP_FRAMES)
      break;
    while (now_s() - began_s < (double)(frame + n) / RATE / f.speed && !atomic_load(&the_loop.stop))
      usleep(500);
    for (size_t i = 0; i < n; i++)
      for (int c = 0; c < the_loop.nin; c++)
        in[i * (size_t)the_loop.nin + (size_t)c] =
            frame + i < DELAY ? 0.0f : played[2 * (frame + i - DELAY) + (size_t)c];
    if (f.flag_at > 0 && frame + n > f.flag_at && nflagged++ < f.flag_blocks)
      flags = f.flags;
    if (f.says != NULL)
      dprintf(STDERR_FILENO, "%s", f.says);
    the_loop.callback(f.no_input_at > 0 && frame >= f.no_input_at ? NULL : in, the_loop.nout > 0 ? out : NULL,
                      n, &time, flags, the_loop.ctx);
    for (size_t i = 0; i < n && the_loop.nout > 0; i++)
      for (int c = 0; c < 2; c++)
        played[2 * (frame + i) + (size_t)c] =
            out[i * (size_t)the_loop.nout + (size_t)(c < the_loop.nout ? c : 0)];
    frame += n;
  }
  atomic_store(&the_loop.active, false);
  return NULL;
}

PaError Pa_StartStream(PaStream *stream)
{
  (void)stream;
  hang_in("start");
  if (f.start_error != paNoError) {
    atomic_fetch_add(&handovers, 1);
    return f.start_error;
  }
  atomic_store(&the_loop.stop, f.idle_starts-- > 0);
  atomic_fetch_add(&handovers, 1);
  atomic_store(&the_loop.active, true);
  return pthread_create(&the_loop.thread, NULL, run_loop, NULL) == 0 ? paNoError : paInternalError;
}
PaError Pa_AbortStream(PaStream *stream)
{
  (void)stream;
  hang_in("abort");
  atomic_store(&the_loop.stop, true);
  if (f.start_error == paNoError)
    pthread_join(the_loop.thread, NULL);
  atomic_fetch_add(&handovers, 1);
  return paNoError;
}
PaError Pa_CloseStream(PaStream *stream)
{
  (void)stream;
  return paNoError;
}
PaError Pa_IsStreamActive(PaStream *stream)
{
  (void)stream;
  return atomic_load(&the_loop.active) ? 1 : 0;
}

/* ---- takes -------------------------------------------------------------------------------------------- */

/* Frame n: (n + 1) and -(n + 1) in units of 2^-20. */
static void render_count(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  unsigned nchannels = *(const unsigned *)ctx;
  for (size_t i = 0; i < nframes; i++)
    for (unsigned c = 0; c < nchannels; c++)
      out[i * nchannels + c] =
          (c == 0 ? 1.0 : -1.0) * (rint((t0_s + (double)i * dt_s) * RATE) + 1.0) * 0x1p-20;
}

static mt_code take(unsigned source_channels, double duration_s, mt_take **out, mt_error *err)
{
  mt_audio_source source = {render_count, &source_channels, source_channels, 1e9};
  mt_audio_request request = {0};
  request.rate_hz = RATE;
  request.duration_s = duration_s;
  request.source = source_channels > 0 ? &source : NULL;
  return mt_capture_run(mt_audio_find_backend("portaudio"), &request, out, err);
}

static int reset(void **state)
{
  (void)state;
  atomic_load(&handovers);
  f = (faults){.speed = 1.0, .ndevices = 1, .max_inputs = 2, .max_outputs = 2};
  return 0;
}

static void assert_looped(const mt_take *t, size_t until)
{
  for (size_t n = 0; n < until; n++)
    for (unsigned c = 0; c < t->nchannels; c++) {
      double want = n < DELAY ? 0.0 : (c == 0 ? 1.0 : -1.0) * (double)(n - DELAY + 1) * 0x1p-20;
      assert_near((double)t->samples[n * t->nchannels + c], want, 0.0, "FS");
    }
}

static void the_take_begins_when_the_source_does_and_has_every_frame(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(take(2, 0.75, &t, &err), err);
  assert_int_equal(t->nframes, 36000);
  assert_int_equal(t->nchannels, 2);
  assert_int_equal(t->nproblems, 0);
  assert_true(t->play_aligned);
  assert_looped(t, t->nframes);
  mt_take_destroy(&t);
}

static void flags_at_the_start_are_over_before_the_take_begins(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.flag_at = 1;
  f.flag_blocks = 8; /* some 8500 frames */
  f.flags = paInputUnderflow | paOutputUnderflow;
  assert_ok(take(2, 0.25, &t, &err), err);
  assert_int_equal(t->nproblems, 0);
  mt_take_destroy(&t);
}

static void flags_in_the_take_are_told_once_with_their_time(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.flag_at = LEAD_IN + 24000; /* 0.5 s */
  f.flag_blocks = 3;
  f.flags = paInputOverflow;
  assert_ok(take(2, 1.0, &t, &err), err);
  assert_int_equal(t->nproblems, 1);
  assert_int_equal(t->problems[0].kind, MT_PROBLEM_DRIVER);
  assert_string_equal(t->problems[0].text,
                      "the driver reports input overflow: the computer was too busy; take again");
  /* it covers the flagged blocks (at most 4096 frames each) and 0.2 s before */
  assert_between(t->problems[0].begin_s, 0.5 - 0.2 - 0.086, 0.5, "s");
  assert_between(t->problems[0].end_s, 0.5, 0.5 + 3 * 0.086, "s");
  assert_null(mt_take_find_problem(t, MT_LEFT, 0.0, 0.2));
  assert_looped(t, t->nframes);
  mt_take_destroy(&t);
}

static void several_flags_are_all_named(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.flag_at = LEAD_IN + 4800;
  f.flag_blocks = 1;
  f.flags = paInputUnderflow | paOutputUnderflow | paPrimingOutput;
  assert_ok(take(2, 0.25, &t, &err), err);
  assert_int_equal(t->nproblems, 1);
  assert_non_null(strstr(t->problems[0].text, "input underflow, output underflow:"));
  assert_true(t->problems[0].end_s >= 0.1 + 0.4); /* what was not played is missing a round trip later */
  mt_take_destroy(&t);
}

static void an_input_without_data_is_a_problem_and_keeps_its_place(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.no_input_at = LEAD_IN + 7200;
  assert_ok(take(2, 0.25, &t, &err), err);
  assert_int_equal(t->nframes, 12000);
  assert_looped(t, 7200);
  assert_near((double)t->samples[2 * 11999], 0.0, 0.0, "FS");
  assert_non_null(mt_take_find_problem(t, MT_LEFT, 0.24, 0.25));
  mt_take_destroy(&t);
}

static void a_stream_that_stops_early_is_an_error_that_says_when(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.stop_at = LEAD_IN + 24000;
  assert_int_equal(take(2, 1.0, &t, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "\"Loop (hw:7,0)\" stopped after 0.5"));
  assert_non_null(strstr(err.message, "s of 1.00 s; check its plug and take again"));
  assert_null(t);
}

static void a_start_that_gives_nothing_is_tried_once_more(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.idle_starts = 1;
  assert_ok(take(2, 0.25, &t, &err), err);
  assert_looped(t, 12000);
  mt_take_destroy(&t);
  f.idle_starts = 5;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "stopped after 0.00 s of 0.25 s"));
  assert_int_equal(f.idle_starts, 3); /* two attempts, no more */
}

static void a_stream_that_crawls_is_told_by_the_hosts_clock(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.speed = 0.5;
  assert_ok(take(2, 1.0, &t, &err), err);
  assert_int_equal(t->nproblems, 1);
  assert_int_equal(t->problems[0].kind, MT_PROBLEM_LOST);
  assert_non_null(strstr(t->problems[0].text, "frames were lost, or the rate is not 48000 Hz"));
  assert_non_null(mt_take_find_problem(t, MT_RIGHT, 0.0, 1.0));
  mt_take_destroy(&t);
}

static void an_input_alone_and_a_mono_input_are_captured(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.max_outputs = 0;
  f.max_inputs = 1;
  assert_ok(take(0, 0.25, &t, &err), err);
  assert_int_equal(t->nchannels, 1);
  assert_int_equal(t->nframes, 12000);
  assert_false(t->play_aligned);
  mt_take_destroy(&t);
}

static void a_card_with_many_channels_is_used_by_its_first_two(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.max_inputs = 18;
  f.max_outputs = 20;
  assert_ok(take(1, 0.25, &t, &err), err);
  assert_int_equal(t->nchannels, 2);
  for (size_t n = DELAY; n < t->nframes; n++) /* a source of one channel is played on both */
    for (unsigned c = 0; c < 2; c++)
      assert_near((double)t->samples[2 * n + c], (double)(n - DELAY + 1) * 0x1p-20, 0.0, "FS");
  mt_take_destroy(&t);
}

static void what_cannot_be_opened_says_why(void **state)
{
  mt_take *t = NULL;
  mt_error err = {0};
  (void)state;
  f.open_error = paInvalidSampleRate;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_string_equal(err.message, "\"Loop (hw:7,0)\" cannot be opened at 48000 Hz: Invalid sample rate");
  f.open_error = paUnanticipatedHostError;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_string_equal(err.message, "\"Loop (hw:7,0)\" cannot be opened at 48000 Hz: Device or resource busy");
  f.open_error = paNoError;
  f.start_error = paUnanticipatedHostError;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_string_equal(err.message, "\"Loop (hw:7,0)\" cannot be started: Device or resource busy");
  reset(NULL);
  f.max_outputs = 1;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "has 1 output; expected two"));
  f.ndevices = 0;
  assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "no sound input at all"));
  assert_null(t);
}

static mt_code begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  (void)ctx;
  (void)rate_hz;
  (void)nchannels;
  (void)play_aligned;
  (void)err;
  return MT_OK;
}

static mt_code refuse(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  (void)ctx;
  (void)frames;
  (void)nframes;
  return mt_fail(err, MT_E_MEMORY, "enough");
}

static mt_code accept(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  (void)ctx;
  (void)frames;
  (void)nframes;
  (void)err;
  return MT_OK;
}

static void a_failing_sink_ends_the_run(void **state)
{
  mt_audio_request request = {0};
  mt_audio_sink sink = {begin, refuse, NULL, NULL, NULL};
  mt_error err = {0};
  double began_s = now_s();
  (void)state;
  request.rate_hz = RATE;
  request.duration_s = 60.0;
  assert_int_equal(mt_audio_find_backend("portaudio")->run(&request, &sink, &err), MT_E_MEMORY);
  assert_string_equal(err.message, "enough");
  assert_between(now_s() - began_s, 0.2, 5.0, "s");
}

/* Whatever call hangs, 3 s later the caller has its error; half a second for a busy machine. */
static void a_call_that_hangs_ends_in_a_message_within_3_s(void **state)
{
  static const char *const calls[] = {"open", "start", "abort"};
  (void)state;
  for (size_t i = 0; i < 3; i++) {
    mt_device *devices = NULL;
    size_t ndevices;
    mt_take *t = NULL;
    mt_error err = {0};
    double began_s = now_s(), took_s;
    reset(NULL);
    f.hangs_in = calls[i];
    assert_int_equal(take(2, 0.25, &t, &err), MT_E_DEVICE);
    took_s = now_s() - began_s;
    print_message("%s: after %.1f s: %s\n", calls[i], took_s, err.message);
    assert_true(took_s < 3.5);
    assert_null(t);
    assert_int_equal(mt_audio_list_devices(&devices, &ndevices, &err), MT_E_DEVICE);
    assert_non_null(strstr(err.message, "still hangs"));
    while (now_s() - began_s < HANG_S + 1.0) /* until it is back */
      usleep(10000);
  }
}

static void count_lines(void *ctx, double done)
{
  (void)done;
  (*(int *)ctx)++;
  dprintf(STDERR_FILENO, "p");
}

static void what_the_library_says_of_a_stream_does_not_reach_the_terminal(void **state)
{
  FILE *kept = tmpfile();
  int real = dup(STDERR_FILENO), told = 0, seen = 0, chatter = 0;
  mt_audio_sink sink = {begin, accept, NULL, NULL, NULL};
  mt_audio_request request = {.rate_hz = RATE, .duration_s = 0.25, .progress = count_lines};
  mt_error err = {0};
  mt_code code;
  (void)state;
  request.progress_ctx = &told;
  f.says = "c";
  assert_non_null(kept);
  assert_true(dup2(fileno(kept), STDERR_FILENO) >= 0);
  code = mt_audio_find_backend("portaudio")->run(&request, &sink, &err);
  dprintf(STDERR_FILENO, "e");
  assert_true(dup2(real, STDERR_FILENO) >= 0);
  close(real);
  assert_ok(code, err);
  rewind(kept);
  for (int c = fgetc(kept); c != EOF; c = fgetc(kept)) {
    seen += c == 'p';
    chatter += c == 'c';
    assert_true(c == 'p' || c == 'c' || c == 'e');
  }
  fclose(kept);
  assert_int_equal(seen, told); /* the caller's own is not lost */
  assert_true(told > 0);
  assert_true(chatter <= told / 4); /* a word spoken in the very moment the caller speaks may slip through */
}

static void devices_are_listed_with_the_rates_that_open(void **state)
{
  mt_device *devices = NULL;
  size_t ndevices = 9;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_audio_list_devices(&devices, &ndevices, &err), err);
  assert_int_equal(ndevices, 1);
  assert_string_equal(devices[0].name, "Loop (hw:7,0)");
  assert_near(devices[0].rates_hz[0], 44100.0, 0.0, "Hz");
  assert_near(devices[0].rates_hz[1], 48000.0, 0.0, "Hz");
  assert_near(devices[0].rates_hz[2], 0.0, 0.0, "Hz");
  assert_true(devices[0].is_default_input && devices[0].is_default_output && !devices[0].is_mixer);
  free(devices);
  f.ndevices = 0;
  assert_ok(mt_audio_list_devices(&devices, &ndevices, &err), err);
  assert_int_equal(ndevices, 0);
  free(devices);
}

/* Asked before anybody is told to get ready; opening it would hang. */
static void a_device_is_looked_for_without_opening_it(void **state)
{
  mt_error err = {0};
  (void)state;
  f.hangs_in = "open";
  assert_ok(mt_audio_check_devices("loop", NULL, true, &err), err);
  assert_ok(mt_audio_check_devices(NULL, NULL, false, &err), err);
  assert_int_equal(mt_audio_check_devices("nothing", NULL, true, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "Loop (hw:7,0)"));
  assert_int_equal(mt_audio_check_devices("loop", "nothing", true, &err), MT_E_DEVICE);
  assert_ok(mt_audio_check_devices("loop", "nothing", false, &err), err);
  f.ndevices = 0;
  assert_int_equal(mt_audio_check_devices(NULL, NULL, true, &err), MT_E_DEVICE);
}

/* The back end asks ALSA for its configuration first; one of our own makes this independent of the machine. */
static int configure_alsa(void **state)
{
  static char path[] = "/tmp/mendtone-alsa-XXXXXX";
  int fd = mkstemp(path);
  (void)state;
  if (fd < 0 || dprintf(fd, "pcm.default { type null }\n") < 0 || close(fd) != 0)
    return 1;
  *state = path;
  return setenv("ALSA_CONFIG_PATH", path, 1);
}

static int remove_configuration(void **state)
{
  return unlink(*state);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup(the_take_begins_when_the_source_does_and_has_every_frame, reset),
      cmocka_unit_test_setup(flags_at_the_start_are_over_before_the_take_begins, reset),
      cmocka_unit_test_setup(flags_in_the_take_are_told_once_with_their_time, reset),
      cmocka_unit_test_setup(several_flags_are_all_named, reset),
      cmocka_unit_test_setup(an_input_without_data_is_a_problem_and_keeps_its_place, reset),
      cmocka_unit_test_setup(a_stream_that_stops_early_is_an_error_that_says_when, reset),
      cmocka_unit_test_setup(a_start_that_gives_nothing_is_tried_once_more, reset),
      cmocka_unit_test_setup(a_stream_that_crawls_is_told_by_the_hosts_clock, reset),
      cmocka_unit_test_setup(an_input_alone_and_a_mono_input_are_captured, reset),
      cmocka_unit_test_setup(a_card_with_many_channels_is_used_by_its_first_two, reset),
      cmocka_unit_test_setup(what_cannot_be_opened_says_why, reset),
      cmocka_unit_test_setup(a_failing_sink_ends_the_run, reset),
      cmocka_unit_test_setup(a_call_that_hangs_ends_in_a_message_within_3_s, reset),
      cmocka_unit_test_setup(what_the_library_says_of_a_stream_does_not_reach_the_terminal, reset),
      cmocka_unit_test_setup(devices_are_listed_with_the_rates_that_open, reset),
      cmocka_unit_test_setup(a_device_is_looked_for_without_opening_it, reset),
  };
  return cmocka_run_group_tests(tests, configure_alsa, remove_configuration);
}
