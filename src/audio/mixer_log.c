/* What a mixer's state means for a take. */
#include "audio/mixer.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Volumes go in steps of 0.01 % of full and more; what is less than that was not set by anyone. */
#define UNCHANGED_DB 0.001

#define RESUMED_S 1.0

typedef struct fact {
  mt_problem_kind kind;
  char text[160]; /* "": it does not hold */
} fact;

static void set_volume(fact *out, const mt_mixer_end *end, const char *side)
{
  if (!end->found || end->muted || fabs(end->volume_db) <= UNCHANGED_DB)
    return;
  out->kind = MT_PROBLEM_SCALED;
  snprintf(out->text, sizeof out->text,
           "the mixer's %s volume%s stands at %.0f %% (%+.1f dB); set it to 100 %%", side,
           end->stream_is_scaled ? " for this program" : "", end->percent, end->volume_db);
}

static void set_mute(fact *out, const mt_mixer_end *end, const char *side)
{
  if (!end->found || !end->muted)
    return;
  out->kind = MT_PROBLEM_SCALED;
  snprintf(out->text, sizeof out->text, "the mixer's %s is muted; turn it on", side);
}

static void set_rate(fact *out, const mt_mixer_end *end, const char *side)
{
  if (!end->found || fabs(end->rate_hz - end->stream_rate_hz) < 0.5)
    return;
  out->kind = MT_PROBLEM_RESAMPLED;
  snprintf(out->text, sizeof out->text,
           "the mixer resamples: its %s runs at %g Hz, this at %g Hz; use --rate %g or a hw: device", side,
           end->rate_hz, end->stream_rate_hz, end->rate_hz);
}

static void set_channels(fact *out, const mt_mixer_end *end, const char *side)
{
  if (!end->found || end->nchannels == end->stream_nchannels)
    return;
  out->kind = MT_PROBLEM_RESAMPLED;
  snprintf(out->text, sizeof out->text,
           "the mixer remixes: its %s has %u channel%s, this program %u; set it to stereo", side,
           end->nchannels, end->nchannels == 1 ? "" : "s", end->stream_nchannels);
}

static bool has_moved(const mt_mixer_end *first, const mt_mixer_end *now)
{
  return first->found && now->found && first->index != now->index;
}

static void list_facts(const mt_mixer_view *first, const mt_mixer_view *view, fact out[MT_MIXER_FACTS])
{
  set_volume(&out[0], &view->output, "output");
  set_volume(&out[1], &view->input, "input");
  set_mute(&out[2], &view->output, "output");
  set_mute(&out[3], &view->input, "input");
  set_rate(&out[4], &view->output, "output");
  set_rate(&out[5], &view->input, "input");
  set_channels(&out[6], &view->output, "output");
  if (out[6].text[0] == '\0')
    set_channels(&out[6], &view->input, "input");
  if (view->other[0] != '\0' && (view->output.found || view->input.found)) {
    out[7].kind = MT_PROBLEM_SHARED;
    snprintf(out[7].text, sizeof out[7].text, "another program plays to the same device: %s; close it",
             view->other);
  }
  if (has_moved(&first->output, &view->output) || has_moved(&first->input, &view->input)) {
    out[8].kind = MT_PROBLEM_LOST;
    mt_text_copy(out[8].text, sizeof out[8].text, "the mixer has moved the sound to another device");
  }
}

/* The same again after a moment without our streams, as when the sound system tries a device: it went on. */
static mt_mixer_finding *find_interrupted(mt_mixer_log *log, const fact *f, double now_s, size_t *place)
{
  for (size_t i = log->nfindings; i-- > 0;)
    if (strcmp(log->findings[i].text, f->text) == 0 && now_s - log->findings[i].end_s < RESUMED_S) {
      *place = i;
      return &log->findings[i];
    }
  return NULL;
}

static void begin_finding(mt_mixer_log *log, size_t which, const fact *f, double now_s)
{
  size_t place = 0;
  mt_mixer_finding *finding = find_interrupted(log, f, now_s, &place);

  if (finding != NULL) {
    finding->end_s = HUGE_VAL;
    log->open[which] = (int)place + 1;
    return;
  }
  if (log->nfindings == MT_MIXER_FINDINGS_MAX)
    return; /* sixteen are told */
  finding = &log->findings[log->nfindings++];
  finding->kind = f->kind;
  finding->begin_s = now_s;
  finding->end_s = HUGE_VAL;
  mt_text_copy(finding->text, sizeof finding->text, f->text);
  log->open[which] = (int)log->nfindings;
}

void mt_mixer_note(mt_mixer_log *log, const mt_mixer_view *view, double now_s)
{
  fact facts[MT_MIXER_FACTS] = {{0}};

  if (!log->first.output.found)
    log->first.output = view->output;
  if (!log->first.input.found)
    log->first.input = view->input;
  list_facts(&log->first, view, facts);
  for (size_t i = 0; i < MT_MIXER_FACTS; i++) {
    if (facts[i].text[0] != '\0' && log->open[i] == 0)
      begin_finding(log, i, &facts[i], now_s);
    if (facts[i].text[0] == '\0' && log->open[i] > 0) {
      log->findings[log->open[i] - 1].end_s = now_s;
      log->open[i] = 0;
    }
  }
}
