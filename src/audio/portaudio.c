/*
 * Sound devices. The only file that includes PortAudio.
 *
 * Three threads: PortAudio's callback only moves frames through two rings and counts; a guarded thread makes
 * every call that could hang; the caller's renders the source ahead of time and delivers to the sink.
 */
#include "audio/backends.h"
#include "audio/devices.h"
#include "audio/guard.h"
#include "audio/mixer.h"
#include "audio/ring.h"
#include "base/text.h"

#include <math.h>
#include <portaudio.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#ifdef MT_HAVE_ALSA
#include <alsa/asoundlib.h>
#endif

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* Streams stumble when they start: this much silence is played and thrown away before frame 0. */
#define LEAD_IN_S 0.3
#define LATENCY_S 0.2
#define ROUND_TRIP_S (2.0 * LATENCY_S + 0.1)
/*
 * What a call into the sound system may take, and the first frame, and the next, and the end: after no more than 3 s
 * of a call that hangs the caller goes on. A system with many devices may need longer to list them, which shows: its
 * thread is not asleep all the time.
 */
#define CALL_PATIENCE_S 2.9
#define LIST_MOST_S 10.0
#define FIRST_PATIENCE_S 1.9
#define NEXT_PATIENCE_S 1.5
#define STOP_PATIENCE_S 1.0
/* Room in the rings, should the caller be kept from running. */
#define RING_S 8.0
#define BLOCK_FRAMES 1024
#define EVENTS_MAX 1024 /* a power of two */
/* An idle start is not worth a report before it is tried again (PortAudio on a sound server, now and then). */
#define ATTEMPTS 2
#define CLOCK_TOLERANCE 0.005

/* ---- listing ------------------------------------------------------------------------------------------ */

#ifdef MT_HAVE_ALSA
static void ignore_alsa(const char *file, int line, const char *function, int error, const char *fmt, ...)
{
  (void)file;
  (void)line;
  (void)function;
  (void)error;
  (void)fmt;
}

/* PortAudio 19.6 ends the program (an assertion in its device list) when ALSA's configuration is missing. */
static bool alsa_is_configured(void)
{
  snd_config_t *top = NULL, *node;
  bool found;

  if (snd_config_update_ref(&top) < 0 || top == NULL)
    return false;
  found = snd_config_search(top, "pcm.default", &node) >= 0 || snd_config_search(top, "pcm.dmix", &node) >= 0;
  snd_config_unref(top);
  return found;
}
#endif

static mt_code fail_portaudio(mt_error *err, const char *what, PaError problem)
{
  const PaHostErrorInfo *host = Pa_GetLastHostErrorInfo();

  if (problem == paUnanticipatedHostError && host != NULL && host->errorText != NULL)
    return mt_fail(err, MT_E_DEVICE, "%.100s: %.100s", what, host->errorText);
  return mt_fail(err, MT_E_DEVICE, "%.100s: %.100s", what, Pa_GetErrorText(problem));
}

/* From the guarded thread, quiet. */
static mt_code start_portaudio(mt_error *err)
{
  PaError problem;

#ifdef MT_HAVE_ALSA
  snd_lib_error_set_handler(ignore_alsa);
  if (!alsa_is_configured())
    return mt_fail(err, MT_E_DEVICE,
                   "ALSA has no configuration for a default device (package libasound2-data)");
#endif
  problem = Pa_Initialize();
  return problem == paNoError ? MT_OK : fail_portaudio(err, "the sound system cannot be started", problem);
}

static void end_portaudio(void)
{
  Pa_Terminate();
#ifdef MT_HAVE_ALSA
  snd_config_update_free_global(); /* else the next list is made from the configuration of now */
#endif
}

/* One mt_device per PortAudio index, in its order. */
static mt_code list_devices(mt_device **out, size_t *ndevices, mt_error *err)
{
  int count = Pa_GetDeviceCount();
  mt_device *devices;

  if (count < 0)
    return fail_portaudio(err, "the sound devices cannot be listed", count);
  devices = calloc((size_t)count + 1, sizeof *devices);
  if (devices == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a list of %d devices", count);
  for (int i = 0; i < count; i++) {
    const PaDeviceInfo *info = Pa_GetDeviceInfo(i);
    mt_device *d = &devices[i];
    mt_text_copy(d->name, sizeof d->name, info->name);
    mt_text_copy(d->host_api, sizeof d->host_api, Pa_GetHostApiInfo(info->hostApi)->name);
    d->max_inputs = info->maxInputChannels > 0 ? (unsigned)info->maxInputChannels : 0;
    d->max_outputs = info->maxOutputChannels > 0 ? (unsigned)info->maxOutputChannels : 0;
    d->default_rate_hz = info->defaultSampleRate;
    d->is_default_input = i == Pa_GetDefaultInputDevice();
    d->is_default_output = i == Pa_GetDefaultOutputDevice();
    mt_device_judge(d);
  }
  *out = devices;
  *ndevices = (size_t)count;
  return MT_OK;
}

static PaStreamParameters parameters_of(size_t index, unsigned nchannels)
{
  PaStreamParameters p = {0};
  p.device = (PaDeviceIndex)index;
  p.channelCount = (int)nchannels;
  p.sampleFormat = paFloat32;
  p.suggestedLatency = LATENCY_S;
  return p;
}

/*
 * Two channels of what has more: of a card they are its first two; of a mixer, which offers any number, they
 * pass unmixed where one or thirty-two would not.
 */
static unsigned channels_of(unsigned most)
{
  return most < 2 ? most : 2;
}

/* Asking opens the device at that rate and closes it again. */
static void try_rates(size_t index, mt_device *d)
{
  static const double rates_hz[] = {44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0};
  PaStreamParameters in = parameters_of(index, channels_of(d->max_inputs));
  PaStreamParameters out = parameters_of(index, channels_of(d->max_outputs));
  size_t count = 0;

  for (size_t i = 0; i < COUNT(rates_hz); i++)
    if (Pa_IsFormatSupported(d->max_inputs > 0 ? &in : NULL, d->max_outputs > 0 ? &out : NULL, rates_hz[i]) ==
        paFormatIsSupported)
      d->rates_hz[count++] = rates_hz[i];
}

typedef struct listing {
  bool tries_rates;
  mt_device *devices;
  size_t ndevices;
  mt_code code;
  mt_error err;
} listing;

static void release_listing(void *ctx)
{
  listing *l = ctx;
  free(l->devices);
  free(l);
}

static void list_job(mt_guard *guard, void *ctx)
{
  listing *l = ctx;

  mt_guard_quiet();
  l->code = start_portaudio(&l->err);
  mt_guard_step(guard);
  if (l->code == MT_OK) {
    l->code = list_devices(&l->devices, &l->ndevices, &l->err);
    for (size_t i = 0; l->tries_rates && i < l->ndevices && !mt_guard_is_left(guard); i++) {
      try_rates(i, &l->devices[i]);
      mt_guard_step(guard);
    }
    end_portaudio();
  }
  mt_guard_loud();
}

/* The server of another sound system must not be started by looking for it. */
static void prepare_environment(void)
{
  setenv("JACK_NO_START_SERVER", "1", 0);
}

static mt_code fail_silent(mt_error *err)
{
  return mt_fail(
      err, MT_E_DEVICE,
      "the sound system hangs: no answer for 3 s; restart its server, or unplug and plug the card");
}

static mt_code list_guarded(bool tries_rates, mt_device **out, size_t *ndevices, mt_error *err)
{
  mt_guard *guard;
  mt_code code;
  listing *l = calloc(1, sizeof *l);

  if (l == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a list of devices");
  l->tries_rates = tries_rates;
  prepare_environment();
  code = mt_guard_start(list_job, l, release_listing, &guard, err);
  if (code != MT_OK) {
    free(l);
    return code;
  }
  if (!mt_guard_wait_flag(guard, NULL, CALL_PATIENCE_S, LIST_MOST_S)) {
    code = fail_silent(err);
  } else if (l->code != MT_OK) {
    code = mt_fail(err, l->code, "%s", l->err.message);
  } else {
    *out = l->devices;
    *ndevices = l->ndevices;
    l->devices = NULL;
  }
  mt_guard_leave(&guard);
  return code;
}

mt_code mt_audio_list_devices(mt_device **out, size_t *ndevices, mt_error *err)
{
  return list_guarded(true, out, ndevices, err);
}

/* Which devices: the output is the input's own unless named, else the default one. */
static mt_code choose_devices(const char *input, const char *output, bool plays, const mt_device *devices,
                              size_t ndevices, size_t *in, size_t *out, mt_error *err)
{
  mt_code code = mt_device_choose(devices, ndevices, input, true, in, err);

  if (code != MT_OK || !plays)
    return code;
  if (output == NULL && devices[*in].max_outputs > 0) {
    *out = *in;
    return MT_OK;
  }
  return mt_device_choose(devices, ndevices, output, false, out, err);
}

mt_code mt_audio_check_devices(const char *input, const char *output, bool plays, mt_error *err)
{
  mt_device *devices = NULL;
  size_t ndevices = 0, in, out;
  mt_code code = list_guarded(false, &devices, &ndevices, err);

  if (code == MT_OK)
    code = choose_devices(input, output, plays, devices, ndevices, &in, &out, err);
  free(devices);
  return code;
}

/* ---- a stream ----------------------------------------------------------------------------------------- */

/* Something the callback saw. */
typedef struct event {
  size_t frame; /* counted from the first callback's first */
  size_t nframes;
  PaStreamCallbackFlags flags;
} event;

typedef struct duplex {
  /* asked for; names are owned */
  char *input;
  char *output;
  bool plays;
  unsigned source_channels;
  double rate_hz;

  /* filled by the guarded thread before `started` is set, or before it ends */
  unsigned nin;
  unsigned nout;
  double latency_s; /* of both directions, as PortAudio states it */
  char name[160];   /* of the input */
  bool is_mixed;    /* either device is a mixer */
  mt_ring captured;
  mt_ring playing;
  mt_mixer_finding findings[MT_MIXER_FINDINGS_MAX];
  size_t nfindings;
  mt_code code;
  mt_error err;

  atomic_bool opened;  /* rings are made: the caller may fill the first of the source */
  atomic_bool primed;  /* the caller has: the stream may start */
  atomic_bool stop;    /* the caller has all it wants */
  atomic_bool stopped; /* the stream came to an end by itself */

  /* the callback's */
  size_t lead_in;      /* frames */
  size_t total;        /* frames to capture, lead-in included */
  atomic_size_t seen;  /* frames that went by */
  atomic_bool overrun; /* the capture ring was full */
  atomic_bool ran_dry; /* the play ring was empty before the end */
  event events[EVENTS_MAX];
  atomic_size_t nevents; /* stored or not */
  atomic_size_t events_taken;
  double first_s; /* host clock and count, at the first and at the latest callback after the lead-in */
  size_t first_frame;
  double latest_s;
  size_t latest_frame;
} duplex;

static void note_event(duplex *d, size_t frame, size_t nframes, PaStreamCallbackFlags flags)
{
  size_t count = atomic_load_explicit(&d->nevents, memory_order_relaxed);
  event e = {frame, nframes, flags};

  if (count - atomic_load_explicit(&d->events_taken, memory_order_acquire) >= EVENTS_MAX)
    return; /* a thousand of them untold: the take is spoilt as it is */
  d->events[count % EVENTS_MAX] = e;
  atomic_store_explicit(&d->nevents, count + 1, memory_order_release);
}

static void capture_frames(duplex *d, const float *in, size_t nframes)
{
  static const float silence[MT_CHANNELS_MAX * 64];

  if (in != NULL) {
    if (mt_ring_write(&d->captured, in, nframes) < nframes)
      atomic_store(&d->overrun, true);
    return;
  }
  for (size_t done = 0; done < nframes;) { /* an input without data: flagged, and kept in step */
    size_t n = nframes - done < 64 ? nframes - done : 64;
    if (mt_ring_write(&d->captured, silence, n) < n)
      atomic_store(&d->overrun, true);
    done += n;
  }
}

static void play_frames(duplex *d, float *out, size_t frame, size_t nframes)
{
  size_t got = mt_ring_read(&d->playing, out, nframes);

  memset(out + got * d->nout, 0, (nframes - got) * d->nout * sizeof *out);
  if (got < nframes && frame + got < d->total)
    atomic_store(&d->ran_dry, true);
}

/* Called by PortAudio in a thread of its own that must not wait: it moves frames and counts. */
static int move_frames(const void *in, void *out, unsigned long nframes, const PaStreamCallbackTimeInfo *time,
                       PaStreamCallbackFlags flags, void *ctx)
{
  duplex *d = ctx;
  size_t frame = atomic_load_explicit(&d->seen, memory_order_relaxed);
  size_t wanted = frame < d->total ? d->total - frame : 0;

  (void)time; /* zero, or of another clock, on many systems */
  if (in == NULL)
    flags |= paInputUnderflow;
  if ((flags & ~(PaStreamCallbackFlags)paPrimingOutput) != 0)
    note_event(d, frame, nframes, flags);
  if (frame >= d->lead_in && wanted > 0) {
    d->latest_s = mt_guard_now_s();
    d->latest_frame = frame;
    if (d->first_s <= 0.0) {
      d->first_s = d->latest_s;
      d->first_frame = frame;
    }
  }
  capture_frames(d, in, nframes < wanted ? nframes : wanted);
  if (out != NULL)
    play_frames(d, out, frame, nframes);
  atomic_store_explicit(&d->seen, frame + nframes, memory_order_release);
  return paContinue;
}

/* ---- the guarded thread ------------------------------------------------------------------------------- */

static void release_duplex(void *ctx)
{
  duplex *d = ctx;
  mt_ring_finish(&d->captured);
  mt_ring_finish(&d->playing);
  free(d->input);
  free(d->output);
  free(d);
}

static mt_code make_rings(duplex *d, mt_error *err)
{
  size_t room = (size_t)(RING_S * d->rate_hz);
  mt_code code = mt_ring_init(&d->captured, room, d->nin, err);

  if (code == MT_OK && d->plays)
    code = mt_ring_init(&d->playing, room, d->nout, err);
  return code;
}

static mt_code open_stream(duplex *d, PaStream **stream, mt_error *err)
{
  mt_device *devices = NULL;
  size_t ndevices = 0, in = 0, out = 0;
  PaStreamParameters in_parameters, out_parameters;
  PaError problem;
  char what[120];
  mt_code code = list_devices(&devices, &ndevices, err);

  if (code == MT_OK)
    code = choose_devices(d->input, d->output, d->plays, devices, ndevices, &in, &out, err);
  if (code == MT_OK) {
    d->nin = channels_of(devices[in].max_inputs);
    d->nout = d->plays ? channels_of(devices[out].max_outputs) : 0;
    mt_text_copy(d->name, sizeof d->name, devices[in].name);
    d->is_mixed = devices[in].is_mixer || (d->plays && devices[out].is_mixer);
    if (d->plays && d->nout < d->source_channels)
      code = mt_fail(err, MT_E_DEVICE, "\"%.100s\" has %u output; expected two for a two-channel stimulus",
                     devices[out].name, d->nout);
  }
  free(devices);
  if (code == MT_OK)
    code = make_rings(d, err);
  if (code != MT_OK)
    return code;
  in_parameters = parameters_of(in, d->nin);
  out_parameters = parameters_of(out, d->nout);
  problem = Pa_OpenStream(stream, &in_parameters, d->plays ? &out_parameters : NULL, d->rate_hz,
                          paFramesPerBufferUnspecified, paClipOff | paDitherOff, move_frames, d);
  snprintf(what, sizeof what, "\"%.60s\" cannot be opened at %g Hz", d->name, d->rate_hz);
  return problem == paNoError ? MT_OK : fail_portaudio(err, what, problem);
}

static void wait_to_start(mt_guard *guard, duplex *d)
{
  atomic_store(&d->opened, true);
  while (!atomic_load(&d->primed) && !atomic_load(&d->stop) && !mt_guard_is_left(guard))
    mt_guard_sleep(0.001);
}

static void play_and_record(mt_guard *guard, duplex *d, PaStream *stream)
{
  const PaStreamInfo *info = Pa_GetStreamInfo(stream);
  PaError problem;
  double checked_s;

  if (info != NULL)
    d->latency_s = info->inputLatency + info->outputLatency;
  wait_to_start(guard, d);
  mt_guard_step(guard);
  problem = Pa_StartStream(stream);
  mt_guard_step(guard);
  if (problem != paNoError) {
    char what[120];
    snprintf(what, sizeof what, "\"%.60s\" cannot be started", d->name);
    d->code = fail_portaudio(&d->err, what, problem);
    return;
  }
  checked_s = mt_guard_now_s();
  while (!atomic_load(&d->stop) && !mt_guard_is_left(guard)) {
    mt_guard_sleep(0.002);
    if (mt_guard_now_s() - checked_s < 0.05)
      continue;
    checked_s = mt_guard_now_s();
    if (Pa_IsStreamActive(stream) != 1) {
      atomic_store(&d->stopped, true);
      break;
    }
  }
}

static void duplex_job(mt_guard *guard, void *ctx)
{
  duplex *d = ctx;
  PaStream *stream = NULL;

  mt_guard_quiet();
  d->code = start_portaudio(&d->err);
  mt_guard_step(guard);
  if (d->code != MT_OK) {
    mt_guard_loud();
    return;
  }
  d->code = open_stream(d, &stream, &d->err);
  mt_guard_step(guard);
  if (d->code == MT_OK) {
    mt_mixer *mixer = d->is_mixed ? mt_mixer_open() : NULL;
    play_and_record(guard, d, stream);
    d->nfindings = mt_mixer_close(&mixer, d->findings);
    mt_guard_step(guard);
    Pa_AbortStream(stream);
    mt_guard_step(guard);
    Pa_CloseStream(stream);
    mt_guard_step(guard);
  }
  end_portaudio();
  mt_guard_loud();
}

/* ---- the caller's thread ------------------------------------------------------------------------------ */

typedef struct run {
  const mt_audio_request *request;
  const mt_audio_sink *sink;
  duplex *d;
  mt_guard *guard;
  bool begun;
  size_t rendered; /* frames put into the play ring, lead-in included */
  size_t taken;    /* frames read from the capture ring, lead-in included */
  double *source;  /* [BLOCK_FRAMES x source channels] */
  float *block;    /* [BLOCK_FRAMES x MT_CHANNELS_MAX] */
  event pending;   /* flags not told yet; nframes 0: none */
} run;

/* The next block of the source, or of the silence before it, into the play ring if there is room. */
static bool render_block(run *r)
{
  const mt_audio_source *source = r->request->source;
  duplex *d = r->d;
  size_t n = d->total - r->rendered;

  if (n > BLOCK_FRAMES)
    n = BLOCK_FRAMES;
  if (r->rendered < d->lead_in && n > d->lead_in - r->rendered)
    n = d->lead_in - r->rendered;
  if (n == 0 || mt_ring_writable(&d->playing) < n)
    return false;
  if (r->rendered < d->lead_in)
    memset(r->source, 0, n * source->nchannels * sizeof *r->source);
  else
    source->render(source->ctx, (double)(r->rendered - d->lead_in) / d->rate_hz, 1.0 / d->rate_hz, n,
                   r->source);
  for (size_t i = 0; i < n; i++)
    for (unsigned c = 0; c < d->nout; c++)
      r->block[i * d->nout + c] =
          (float)r->source[i * source->nchannels + (c < source->nchannels ? c : source->nchannels - 1)];
  mt_ring_write(&d->playing, r->block, n);
  r->rendered += n;
  return true;
}

static void name_flags(PaStreamCallbackFlags flags, char *out, size_t size)
{
  static const struct {
    PaStreamCallbackFlags flag;
    const char *name;
  } names[] = {{paInputOverflow, "input overflow"},
               {paInputUnderflow, "input underflow"},
               {paOutputOverflow, "output overflow"},
               {paOutputUnderflow, "output underflow"}};
  size_t used = 0;

  out[0] = '\0';
  for (size_t i = 0; i < COUNT(names); i++)
    if ((flags & names[i].flag) != 0 && used < size)
      used += (size_t)snprintf(out + used, size - used, "%s%s", used > 0 ? ", " : "", names[i].name);
}

static mt_code tell_pending(run *r, mt_error *err)
{
  const duplex *d = r->d;
  event e = r->pending;
  double begin_s, end_s;
  char what[80], text[160];

  r->pending.nframes = 0;
  if (e.nframes == 0 || e.frame + e.nframes <= d->lead_in)
    return MT_OK;
  /* what was amiss lies before the flagged block, and reaches the input again a round trip later */
  begin_s = ((double)e.frame - (double)d->lead_in) / d->rate_hz - LATENCY_S;
  end_s = ((double)(e.frame + e.nframes) - (double)d->lead_in) / d->rate_hz;
  if ((e.flags & (paOutputUnderflow | paOutputOverflow)) != 0)
    end_s += fmax(d->latency_s, 2.0 * LATENCY_S);
  name_flags(e.flags, what, sizeof what);
  snprintf(text, sizeof text, "the driver reports %s: the computer was too busy; take again", what);
  return r->sink->problem(r->sink->ctx, MT_PROBLEM_DRIVER, fmax(begin_s, 0.0), end_s, text, err);
}

/* Flags close to one another are one problem. */
static mt_code tell_events(run *r, bool all, mt_error *err)
{
  duplex *d = r->d;
  size_t taken = atomic_load_explicit(&d->events_taken, memory_order_relaxed);
  size_t gap = (size_t)(0.1 * d->rate_hz);
  mt_code code = MT_OK;

  while (code == MT_OK && taken < atomic_load_explicit(&d->nevents, memory_order_acquire)) {
    event e = d->events[taken % EVENTS_MAX];
    atomic_store_explicit(&d->events_taken, ++taken, memory_order_release);
    if (e.frame < d->lead_in || e.frame >= d->total)
      continue;
    if (r->pending.nframes > 0 && e.frame <= r->pending.frame + r->pending.nframes + gap) {
      r->pending.flags |= e.flags;
      r->pending.nframes = e.frame + e.nframes - r->pending.frame;
    } else {
      code = tell_pending(r, err);
      r->pending = e;
    }
  }
  return code == MT_OK && all ? tell_pending(r, err) : code;
}

static mt_code begin_take(run *r, mt_error *err)
{
  if (r->begun)
    return MT_OK;
  r->begun = true;
  return r->sink->begin(r->sink->ctx, r->d->rate_hz, r->d->nin, r->d->plays, err);
}

/* Who is told may write to the terminal. */
static void tell_progress(const run *r)
{
  if (r->request->progress == NULL)
    return;
  mt_guard_loud();
  r->request->progress(r->request->progress_ctx, (double)r->taken / (double)r->d->total);
  mt_guard_quiet();
}

/* One block from the capture ring to the sink. *got: frames read, 0 if there are none. */
static mt_code deliver_block(run *r, size_t *got, mt_error *err)
{
  duplex *d = r->d;
  size_t n = mt_ring_read(&d->captured, r->block, BLOCK_FRAMES);
  size_t skip = r->taken < d->lead_in ? d->lead_in - r->taken : 0;
  mt_code code = MT_OK;

  *got = n;
  if (n == 0)
    return MT_OK;
  r->taken += n;
  code = begin_take(r, err);
  if (code == MT_OK && skip < n)
    code = r->sink->block(r->sink->ctx, r->block + skip * d->nin, n - skip, err);
  if (code == MT_OK)
    code = tell_events(r, false, err);
  if (code == MT_OK)
    tell_progress(r);
  return code;
}

static mt_code fail_stopped(const run *r, const char *how, mt_error *err)
{
  const duplex *d = r->d;
  double got_s = r->taken > d->lead_in ? (double)(r->taken - d->lead_in) / d->rate_hz : 0.0;

  return mt_fail(err, MT_E_DEVICE, "\"%.80s\" %s after %.2f s of %.2f s; check its plug and take again",
                 d->name, how, got_s, (double)(d->total - d->lead_in) / d->rate_hz);
}

/* Until all frames are delivered. */
static mt_code pump(run *r, mt_error *err)
{
  duplex *d = r->d;
  double last_s = mt_guard_now_s();

  while (r->taken < d->total) {
    bool ended = atomic_load(&d->stopped) || mt_guard_is_done(r->guard);
    size_t got = 0;
    mt_code code = deliver_block(r, &got, err);
    if (code != MT_OK)
      return code;
    if (atomic_load(&d->overrun) || atomic_load(&d->ran_dry))
      return mt_fail(err, MT_E_IO,
                     "this computer did not keep up with the sound; close other programs, take again");
    while (d->plays && render_block(r))
      ;
    if (got > 0) {
      last_s = mt_guard_now_s();
      if (r->sink->has_enough != NULL && r->sink->has_enough(r->sink->ctx))
        break;
      continue;
    }
    if (ended && d->code != MT_OK)
      return mt_fail(err, d->code, "%s", d->err.message);
    if (ended)
      return fail_stopped(r, "stopped", err);
    if (mt_guard_now_s() - last_s > (r->taken > 0 ? NEXT_PATIENCE_S : FIRST_PATIENCE_S))
      return fail_stopped(r, r->taken > 0 ? "gave no more sound" : "gave no sound at all", err);
    mt_guard_sleep(0.003);
  }
  return MT_OK;
}

/* Frames per second by the host's clock: a stream that skips or crawls shows here even without a flag. */
static mt_code check_clock(run *r, mt_error *err)
{
  const duplex *d = r->d;
  double elapsed_s = d->latest_s - d->first_s;
  double counted_s = (double)(d->latest_frame - d->first_frame) / d->rate_hz;
  /* blocks come in bursts as long as the buffers are */
  double slack_s = CLOCK_TOLERANCE * counted_s + d->latency_s + 0.05;
  char text[160];

  if (fabs(elapsed_s - counted_s) <= slack_s)
    return MT_OK;
  snprintf(text, sizeof text, "%.3f s of sound took %.3f s: frames were lost, or the rate is not %g Hz",
           counted_s, elapsed_s, d->rate_hz);
  return r->sink->problem(r->sink->ctx, MT_PROBLEM_LOST, 0.0, (double)(d->total - d->lead_in) / d->rate_hz,
                          text, err);
}

/* What the mixer did, in the take's time. It hears of what is played sooner, and of what is captured later. */
static mt_code tell_findings(run *r, mt_error *err)
{
  const duplex *d = r->d;
  double length_s = (double)(d->total - d->lead_in) / d->rate_hz;
  double zero_s = d->first_s - ((double)d->first_frame - (double)d->lead_in) / d->rate_hz;
  mt_code code = MT_OK;

  for (size_t i = 0; i < d->nfindings && code == MT_OK; i++) {
    const mt_mixer_finding *f = &d->findings[i];
    double begin_s = fmax(0.0, f->begin_s - zero_s - ROUND_TRIP_S);
    double end_s = fmin(length_s, f->end_s - zero_s + ROUND_TRIP_S);
    /* who only listens waits for what another program plays */
    if (!d->plays && f->kind == MT_PROBLEM_SHARED)
      continue;
    if (end_s > 0.0 && begin_s < length_s)
      code = r->sink->problem(r->sink->ctx, f->kind, begin_s, end_s, f->text, err);
  }
  return code;
}

static mt_code run_stream(run *r, mt_error *err)
{
  duplex *d = r->d;
  mt_code code;

  if (!mt_guard_wait_flag(r->guard, &d->opened, CALL_PATIENCE_S, LIST_MOST_S))
    return fail_silent(err);
  if (mt_guard_is_done(r->guard) || d->code != MT_OK) {
    mt_guard_wait(r->guard, STOP_PATIENCE_S);
    return mt_fail(err, d->code, "%s", d->err.message);
  }
  while (d->plays && render_block(r))
    ;
  atomic_store(&d->primed, true);
  code = pump(r, err);
  atomic_store(&d->stop, true);
  if (mt_guard_wait(r->guard, STOP_PATIENCE_S) && code == MT_OK) { /* the callback has come to rest */
    code = tell_events(r, true, err);
    if (code == MT_OK)
      code = check_clock(r, err);
    if (code == MT_OK)
      code = tell_findings(r, err);
  } else if (code == MT_OK) {
    code = mt_fail(err, MT_E_DEVICE, "\"%.80s\" cannot be stopped; check its plug, start the program again",
                   d->name);
  }
  return code;
}

static char *copy_name(const char *name, bool *failed)
{
  char *copy = name != NULL ? strdup(name) : NULL;
  *failed = *failed || (name != NULL && copy == NULL);
  return copy;
}

static duplex *create_duplex(const mt_audio_request *request)
{
  duplex *d = calloc(1, sizeof *d);
  bool failed = false;

  if (d == NULL)
    return NULL;
  d->input = copy_name(request->input, &failed);
  d->output = copy_name(request->output, &failed);
  d->plays = request->source != NULL;
  d->source_channels = d->plays ? request->source->nchannels : 0;
  d->rate_hz = request->rate_hz;
  d->lead_in = (size_t)ceil(LEAD_IN_S * request->rate_hz);
  d->total = d->lead_in + (size_t)llround(request->duration_s * request->rate_hz);
  if (failed) {
    release_duplex(d);
    return NULL;
  }
  return d;
}

/* One attempt. *silent: not a frame came, so that another makes sense and nothing was delivered. */
static mt_code attempt_run(run *r, bool *silent, mt_error *err)
{
  mt_code code;

  *silent = false;
  r->begun = false;
  r->rendered = r->taken = 0;
  r->d = create_duplex(r->request);
  if (r->d == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a sound stream");
  code = mt_guard_start(duplex_job, r->d, release_duplex, &r->guard, err);
  if (code != MT_OK) {
    release_duplex(r->d);
    return code;
  }
  code = run_stream(r, err);
  *silent = code == MT_E_DEVICE && r->taken == 0 && atomic_load(&r->d->primed) && mt_guard_is_done(r->guard);
  mt_guard_leave(&r->guard);
  mt_guard_loud();
  return code;
}

static mt_code check_request(const mt_audio_request *request, mt_error *err)
{
  if (!(request->rate_hz >= 1000.0 && request->rate_hz <= 1e6))
    return mt_fail(err, MT_E_ARG, "the rate for the sound card is %g Hz; expected 1000 to 1e6",
                   request->rate_hz);
  if (!(request->duration_s > 0.0 && request->duration_s <= 86400.0))
    return mt_fail(err, MT_E_ARG, "the duration is %g s; expected above 0, at most 86400",
                   request->duration_s);
  if (request->source != NULL && (request->source->nchannels < 1 || request->source->nchannels > 2))
    return mt_fail(err, MT_E_ARG, "the source has %u channels; a sound card plays 1 or 2",
                   request->source->nchannels);
  return MT_OK;
}

mt_code mt_portaudio_run(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err)
{
  run r = {0};
  bool silent = true;
  mt_code code = check_request(request, err);

  if (code != MT_OK)
    return code;
  prepare_environment();
  r.request = request;
  r.sink = sink;
  r.source = calloc(BLOCK_FRAMES * 2, sizeof *r.source);
  r.block = calloc((size_t)BLOCK_FRAMES * MT_CHANNELS_MAX, sizeof *r.block);
  if (r.source == NULL || r.block == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a sound stream");
  for (int i = 0; i < ATTEMPTS && silent && r.block != NULL && r.source != NULL; i++)
    code = attempt_run(&r, &silent, err);
  free(r.source);
  free(r.block);
  return code;
}
