/* The only file that includes PulseAudio. */
#include "audio/mixer.h"

#ifdef MT_HAVE_PULSE
#include "audio/guard.h"
#include "base/text.h"

#include <math.h>
#include <pulse/pulseaudio.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define STREAMS_MAX 64
#define DEVICES_MAX 64

/* A stream of any program, and where it ends. */
typedef struct stream {
  bool is_input; /* it records */
  bool is_ours;
  bool sounds; /* neither paused nor muted */
  uint32_t device;
  double volume_db;
  double percent;
  bool muted;
  double rate_hz;
  unsigned nchannels;
  char program[64];
} stream;

typedef struct device {
  bool is_input;
  uint32_t index;
  uint32_t monitored; /* of an input: the output it listens to, or PA_INVALID_INDEX */
  double volume_db;
  double percent;
  bool muted;
  double rate_hz;
  unsigned nchannels;
} device;

/* All of it belongs to the loop's thread, or to whoever has stopped that. */
struct mt_mixer {
  pa_threaded_mainloop *loop;
  pa_context *context;
  char own_id[16]; /* of this process */
  bool asking;     /* four lists are on their way */
  bool ask_again;
  double asked_s;
  stream streams[STREAMS_MAX];
  size_t nstreams;
  device devices[DEVICES_MAX];
  size_t ndevices;
  mt_mixer_log log;
};

/* ---- what the server answers --------------------------------------------------------------------------- */

static double volume_db(const pa_cvolume *volume)
{
  double least = pa_sw_volume_to_dB(pa_cvolume_min(volume)),
         most = pa_sw_volume_to_dB(pa_cvolume_max(volume));
  /* of two channels the one that is further from unchanged */
  return fmax(-200.0, fabs(least) > fabs(most) ? least : most);
}

static double volume_percent(const pa_cvolume *volume)
{
  pa_volume_t least = pa_cvolume_min(volume), most = pa_cvolume_max(volume);
  return 100.0 * (double)(least < PA_VOLUME_NORM ? least : most) / (double)PA_VOLUME_NORM;
}

static stream *add_stream(mt_mixer *m, bool is_input, uint32_t index, const pa_cvolume *volume,
                          const pa_sample_spec *spec, const pa_proplist *properties)
{
  const char *id = pa_proplist_gets(properties, PA_PROP_APPLICATION_PROCESS_ID);
  const char *program = pa_proplist_gets(properties, PA_PROP_APPLICATION_NAME);
  stream *s;

  if (m->nstreams == STREAMS_MAX)
    return NULL;
  s = &m->streams[m->nstreams++];
  memset(s, 0, sizeof *s);
  s->is_input = is_input;
  s->is_ours = id != NULL && strcmp(id, m->own_id) == 0;
  s->device = index;
  s->volume_db = volume_db(volume);
  s->percent = volume_percent(volume);
  s->rate_hz = (double)spec->rate;
  s->nchannels = spec->channels;
  mt_text_copy(s->program, sizeof s->program, program != NULL ? program : "one without a name");
  return s;
}

static void add_player(pa_context *context, const pa_sink_input_info *info, int end, void *ctx)
{
  (void)context;
  if (end == 0 && info != NULL) {
    stream *s = add_stream(ctx, false, info->sink, &info->volume, &info->sample_spec, info->proplist);
    if (s != NULL) {
      s->muted = info->mute != 0;
      s->sounds = !info->corked && !info->mute;
    }
  }
}

static void add_recorder(pa_context *context, const pa_source_output_info *info, int end, void *ctx)
{
  (void)context;
  if (end == 0 && info != NULL) {
    stream *s = add_stream(ctx, true, info->source, &info->volume, &info->sample_spec, info->proplist);
    if (s != NULL)
      s->muted = info->mute != 0;
  }
}

/* `base` is where the device leaves a level as it is: not at 100 % where its own converter does the scaling. */
static device *add_device(mt_mixer *m, bool is_input, uint32_t index, const pa_cvolume *volume,
                          pa_volume_t base, const pa_sample_spec *spec)
{
  device *d;

  if (m->ndevices == DEVICES_MAX)
    return NULL;
  d = &m->devices[m->ndevices++];
  memset(d, 0, sizeof *d);
  d->is_input = is_input;
  d->index = index;
  d->monitored = PA_INVALID_INDEX;
  d->volume_db = volume_db(volume) - fmax(-200.0, pa_sw_volume_to_dB(base));
  d->percent = volume_percent(volume);
  d->rate_hz = (double)spec->rate;
  d->nchannels = spec->channels;
  return d;
}

static void add_output(pa_context *context, const pa_sink_info *info, int end, void *ctx)
{
  (void)context;
  if (end == 0 && info != NULL) {
    device *d = add_device(ctx, false, info->index, &info->volume, info->base_volume, &info->sample_spec);
    if (d != NULL)
      d->muted = info->mute != 0;
  }
}

static const device *find_device(const mt_mixer *m, bool is_input, uint32_t index)
{
  for (size_t i = 0; i < m->ndevices; i++)
    if (m->devices[i].is_input == is_input && m->devices[i].index == index)
      return &m->devices[i];
  return NULL;
}

static mt_mixer_end view_end(const mt_mixer *m, bool is_input)
{
  mt_mixer_end end = {0};

  for (size_t i = 0; i < m->nstreams && !end.found; i++) {
    const stream *s = &m->streams[i];
    const device *d = s->is_ours && s->is_input == is_input ? find_device(m, is_input, s->device) : NULL;
    if (d == NULL)
      continue;
    end.found = true;
    end.index = d->index;
    end.muted = s->muted || d->muted;
    end.volume_db = s->volume_db + d->volume_db;
    end.stream_is_scaled = fabs(s->volume_db) > fabs(d->volume_db);
    end.percent = end.stream_is_scaled ? s->percent : d->percent;
    end.rate_hz = d->rate_hz;
    end.stream_rate_hz = s->rate_hz;
    end.nchannels = d->nchannels;
    end.stream_nchannels = s->nchannels;
  }
  return end;
}

/* What plays to our output, or to the one our input listens to. */
static void view_others(const mt_mixer *m, mt_mixer_view *view)
{
  const device *input = view->input.found ? find_device(m, true, view->input.index) : NULL;

  for (size_t i = 0; i < m->nstreams && view->other[0] == '\0'; i++) {
    const stream *s = &m->streams[i];
    bool is_heard = (view->output.found && s->device == view->output.index) ||
                    (input != NULL && s->device == input->monitored);
    if (!s->is_input && !s->is_ours && s->sounds && is_heard)
      mt_text_copy(view->other, sizeof view->other, s->program);
  }
}

static void ask(mt_mixer *m);

/* The last of the four lists. */
static void add_input(pa_context *context, const pa_source_info *info, int end, void *ctx)
{
  mt_mixer *m = ctx;
  mt_mixer_view view = {0};

  (void)context;
  if (end == 0 && info != NULL) {
    device *d = add_device(m, true, info->index, &info->volume, info->base_volume, &info->sample_spec);
    if (d != NULL) {
      d->muted = info->mute != 0;
      d->monitored = info->monitor_of_sink;
    }
    return;
  }
  m->asking = false;
  view.output = view_end(m, false);
  view.input = view_end(m, true);
  view_others(m, &view);
  mt_mixer_note(&m->log, &view, m->asked_s);
  if (m->ask_again)
    ask(m);
}

/* ---- asking -------------------------------------------------------------------------------------------- */

static void forget(pa_operation *operation)
{
  if (operation != NULL)
    pa_operation_unref(operation);
}

/* Answers come in the order of the questions. */
static void ask(mt_mixer *m)
{
  m->ask_again = m->asking;
  if (m->asking)
    return;
  m->asking = true;
  m->asked_s = mt_guard_now_s();
  m->nstreams = m->ndevices = 0;
  forget(pa_context_get_sink_input_info_list(m->context, add_player, m));
  forget(pa_context_get_source_output_info_list(m->context, add_recorder, m));
  forget(pa_context_get_sink_info_list(m->context, add_output, m));
  forget(pa_context_get_source_info_list(m->context, add_input, m));
}

static void hear_event(pa_context *context, pa_subscription_event_type_t type, uint32_t index, void *ctx)
{
  (void)context;
  (void)type;
  (void)index;
  ask(ctx);
}

static void hear_state(pa_context *context, void *ctx)
{
  if (pa_context_get_state(context) != PA_CONTEXT_READY)
    return;
  pa_context_set_subscribe_callback(context, hear_event, ctx);
  forget(pa_context_subscribe(context,
                              PA_SUBSCRIPTION_MASK_SINK | PA_SUBSCRIPTION_MASK_SOURCE |
                                  PA_SUBSCRIPTION_MASK_SINK_INPUT | PA_SUBSCRIPTION_MASK_SOURCE_OUTPUT,
                              NULL, NULL));
  ask(ctx);
}

static void destroy(mt_mixer *m)
{
  if (m->context != NULL) {
    pa_context_disconnect(m->context);
    pa_context_unref(m->context);
  }
  if (m->loop != NULL)
    pa_threaded_mainloop_free(m->loop);
  free(m);
}

mt_mixer *mt_mixer_open(void)
{
  mt_mixer *m = calloc(1, sizeof *m);

  if (m == NULL)
    return NULL;
  snprintf(m->own_id, sizeof m->own_id, "%ld", (long)getpid());
  m->loop = pa_threaded_mainloop_new();
  if (m->loop != NULL)
    m->context = pa_context_new(pa_threaded_mainloop_get_api(m->loop), "mendtone");
  if (m->context == NULL) {
    destroy(m);
    return NULL;
  }
  pa_context_set_state_callback(m->context, hear_state, m);
  if (pa_context_connect(m->context, NULL, PA_CONTEXT_NOAUTOSPAWN, NULL) < 0 ||
      pa_threaded_mainloop_start(m->loop) < 0) {
    destroy(m);
    return NULL;
  }
  return m;
}

size_t mt_mixer_close(mt_mixer **mixer, mt_mixer_finding *out)
{
  mt_mixer *m = *mixer;
  size_t count;

  if (m == NULL)
    return 0;
  pa_threaded_mainloop_stop(m->loop);
  count = m->log.nfindings;
  memcpy(out, m->log.findings, count * sizeof *out);
  destroy(m);
  *mixer = NULL;
  return count;
}

#else
#include <stddef.h>

mt_mixer *mt_mixer_open(void)
{
  return NULL;
}

size_t mt_mixer_close(mt_mixer **mixer, mt_mixer_finding *out)
{
  (void)mixer;
  (void)out;
  return 0;
}
#endif
