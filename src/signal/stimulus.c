#include <mendtone/stimulus.h>

#include "signal/fade.h"
#include "signal/mark.h"

#include "base/decibel.h"
#include "base/text.h"

#include <assert.h>
#include <string.h>

/* Prime, so that tone and rate share no short period (reference: AES17-2015 uses 997 Hz). */
#define REFERENCE_HZ 997.0
#define LOW_DB (-60.0)

#define MARK_FROM_HZ 300.0
#define MARK_TO_HZ 9000.0
/* Of different length, so that one mark alone tells which it is, on any channel and in any polarity. */
#define MARK_A_S 0.25
#define MARK_B_S 0.30
/* In proportion, so that both marks weigh the frequencies alike: a unit's own group delay then cancels in
   their distance. */
#define MARK_FADE_OF_LENGTH 0.08
#define LEAD_IN_S 0.30
#define TAIL_S 0.40

/* A long start below the band keeps the ringing of the band edge out of 20 Hz; the end leaves room for
   an anti-alias filter. */
#define SWEEP_FROM_HZ 5.0
#define SWEEP_TO_OF_RATE 0.4896
#define SWEEP_S 5.2

static mt_segment *append(mt_stimulus *s, const char *name, mt_segment_kind kind, double gap_s,
                          double duration_s)
{
  mt_segment *segment;

  assert(s->nsegments < MT_SEGMENTS_MAX);
  segment = &s->segments[s->nsegments++];
  mt_text_copy(segment->name, sizeof segment->name, name);
  segment->kind = kind;
  segment->start_s = s->duration_s + gap_s;
  segment->duration_s = duration_s;
  s->duration_s = segment->start_s + duration_s;
  return segment;
}

static void append_mark(mt_stimulus *s, const char *name, double gap_s, double duration_s, double amplitude)
{
  mt_segment *mark = append(s, name, MT_SEGMENT_MARK, gap_s, duration_s);
  mark->from_hz = MARK_FROM_HZ;
  mark->to_hz = MARK_TO_HZ;
  mark->fade_in_s = mark->fade_out_s = MARK_FADE_OF_LENGTH * duration_s;
  mark->amplitude[0] = mark->amplitude[1] = amplitude;
}

static void append_tone(mt_stimulus *s, const char *name, double duration_s, double left, double right)
{
  mt_segment *tone = append(s, name, MT_SEGMENT_TONE, 0.05, duration_s);
  tone->fade_in_s = tone->fade_out_s = 0.05;
  tone->settle_s = 0.10;
  tone->freq_hz[0] = tone->freq_hz[1] = REFERENCE_HZ;
  tone->amplitude[0] = left;
  tone->amplitude[1] = right;
}

mt_code mt_stimulus_init_default(double rate_hz, double level_dbfs, mt_stimulus *out, mt_error *err)
{
  mt_stimulus s = {0};
  double amplitude;
  mt_segment *segment;

  if (!(rate_hz >= 44100.0 && rate_hz <= 192000.0))
    return mt_fail(err, MT_E_ARG, "the stimulus rate is %g Hz; expected 44100 to 192000", rate_hz);
  if (!(level_dbfs >= -60.0 && level_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG, "the stimulus level is %g dBFS; expected -60 to 0", level_dbfs);
  amplitude = mt_ratio_of_db(level_dbfs);
  s.rate_hz = rate_hz;
  s.level_dbfs = level_dbfs;

  append_mark(&s, "mark-a", LEAD_IN_S, MARK_A_S, amplitude);
  segment = append(&s, "idle", MT_SEGMENT_SILENCE, 0.05, 1.60);
  segment->settle_s = 0.30; /* let the unit's low end forget the mark */
  append_tone(&s, "left", 1.25, amplitude, 0.0);
  append_tone(&s, "right", 1.25, 0.0, amplitude);
  append_tone(&s, "both", 1.50, amplitude, amplitude);
  append_tone(&s, "low", 1.50, amplitude * mt_ratio_of_db(LOW_DB), amplitude * mt_ratio_of_db(LOW_DB));
  segment = append(&s, "sweep", MT_SEGMENT_SWEEP, 0.10, SWEEP_S);
  segment->from_hz = SWEEP_FROM_HZ;
  segment->to_hz = SWEEP_TO_OF_RATE * rate_hz;
  segment->fade_in_s = 0.25;
  segment->fade_out_s = 0.01;
  segment->amplitude[0] = segment->amplitude[1] = amplitude;
  append_mark(&s, "mark-b", 0.40, MARK_B_S, amplitude);
  s.duration_s += TAIL_S;
  *out = s;
  return MT_OK;
}

double mt_segment_sweep_constant(const mt_segment *segment)
{
  return segment->duration_s / log(segment->to_hz / segment->from_hz);
}

static double segment_sample(const mt_segment *segment, unsigned channel, double t_s)
{
  double amplitude = segment->amplitude[channel];
  double constant, c, s;

  if (amplitude == 0.0)
    return 0.0;
  switch (segment->kind) {
  case MT_SEGMENT_SILENCE: break;
  case MT_SEGMENT_MARK: mt_mark_sample(segment, channel, t_s, &c, &s); return amplitude * s;
  case MT_SEGMENT_TONE:
    return amplitude * mt_fade_gain(segment, t_s) * sin(2.0 * MT_PI * segment->freq_hz[channel] * t_s);
  case MT_SEGMENT_SWEEP:
    /* Novak, Lotton and Simon 2015: no "- 1", so that each harmonic is the sweep itself, delayed */
    constant = mt_segment_sweep_constant(segment);
    return amplitude * mt_fade_gain(segment, t_s) *
           sin(2.0 * MT_PI * segment->from_hz * constant * exp(t_s / constant));
  }
  return 0.0;
}

/* Segments are in order and do not overlap: the one that holds t, or NULL. */
static const mt_segment *segment_at(const mt_stimulus *stimulus, double t_s)
{
  for (size_t i = 0; i < stimulus->nsegments; i++) {
    const mt_segment *segment = &stimulus->segments[i];
    if (t_s >= segment->start_s && t_s <= segment->start_s + segment->duration_s)
      return segment;
  }
  return NULL;
}

double mt_stimulus_sample(const mt_stimulus *stimulus, unsigned channel, double t_s)
{
  const mt_segment *segment = segment_at(stimulus, t_s);
  assert(channel < MT_STIMULUS_CHANNELS);
  return segment != NULL ? segment_sample(segment, channel, t_s - segment->start_s) : 0.0;
}

void mt_stimulus_render(const mt_stimulus *stimulus, double t0_s, double dt_s, size_t nframes, double *out)
{
  const mt_segment *segment = NULL;

  for (size_t n = 0; n < nframes; n++, out += MT_STIMULUS_CHANNELS) {
    double t = t0_s + (double)n * dt_s;
    if (segment == NULL || t < segment->start_s || t > segment->start_s + segment->duration_s)
      segment = segment_at(stimulus, t);
    for (unsigned c = 0; c < MT_STIMULUS_CHANNELS; c++)
      out[c] = segment != NULL ? segment_sample(segment, c, t - segment->start_s) : 0.0;
  }
}

const mt_segment *mt_stimulus_find(const mt_stimulus *stimulus, const char *name)
{
  for (size_t i = 0; i < stimulus->nsegments; i++)
    if (strcmp(stimulus->segments[i].name, name) == 0)
      return &stimulus->segments[i];
  return NULL;
}
