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

/* After a sweep what it sets ringing is still read. */
#define AFTER_SWEEP_S 0.40
/* After the loudest step the unit's supply may need a while. */
#define AFTER_LEVELS_S 0.40

/* Coarse steps where a unit only has noise, fine ones where it may clip. */
#define STEP_S 0.25
#define STEP_FADE_S 0.02
#define STEP_LOWEST_DB (-80.0)
#define COARSE_STEPS 15
#define COARSE_DB 4.0
#define FINE_DB 1.0

#define PAIR_S 1.25

/* Beside the reference tone, so far from it that 10 ms tell them apart. */
#define TURN_RIGHT_HZ 1499.0
#define TURN_IDLE_S 1.45

/* The two tones of an extra, the lower one first, and their share of the peak. */
static const struct {
  const char *name;
  double freq_hz[2];
  double share[2];
} pairs[] = {
    {"imd-250-8000", {250.0, 8000.0}, {0.8, 0.2}},       /* IEC 60268-3 14.12.7: 4 : 1 */
    {"imd-41-7993", {41.0, 7993.0}, {0.8, 0.2}},         /* AES17-2015 6.3.6 */
    {"imd-11000-11080", {11000.0, 11080.0}, {0.5, 0.5}}, /* IEC 60268-3 14.12.8: 80 Hz apart */
    {"imd-18k-20k", {18000.0, 20000.0}, {0.5, 0.5}},     /* AES17-2015 6.3.5 */
    {"imd-8000-11950", {8000.0, 11950.0}, {0.5, 0.5}}    /* IEC 60268-3 14.12.10: 2 f0 and 3 f0 - 50 Hz */
};

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

static void append_sweep(mt_stimulus *s, const char *name, double gap_s, double left, double right)
{
  mt_segment *sweep = append(s, name, MT_SEGMENT_SWEEP, gap_s, SWEEP_S);
  sweep->from_hz = SWEEP_FROM_HZ;
  sweep->to_hz = SWEEP_TO_OF_RATE * s->rate_hz;
  sweep->fade_in_s = 0.25;
  sweep->fade_out_s = 0.01;
  sweep->amplitude[0] = left;
  sweep->amplitude[1] = right;
}

static void append_pairs(mt_stimulus *s, double amplitude)
{
  for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++) {
    mt_segment *pair = append(s, pairs[i].name, MT_SEGMENT_TWO_TONE, i == 0 ? AFTER_SWEEP_S : 0.05, PAIR_S);
    pair->fade_in_s = pair->fade_out_s = 0.05;
    pair->settle_s = 0.10;
    for (unsigned c = 0; c < MT_STIMULUS_CHANNELS; c++) {
      pair->freq_hz[c] = pairs[i].freq_hz[0];
      pair->amplitude[c] = pairs[i].share[0] * amplitude;
      pair->second_hz[c] = pairs[i].freq_hz[1];
      pair->second_amplitude[c] = pairs[i].share[1] * amplitude;
    }
  }
}

static void append_levels(mt_stimulus *s)
{
  mt_segment *steps = append(s, "levels", MT_SEGMENT_STEPS, AFTER_SWEEP_S, MT_STEPS * STEP_S);
  steps->fade_in_s = steps->fade_out_s = STEP_FADE_S;
  steps->settle_s = 0.05;
  steps->freq_hz[0] = steps->freq_hz[1] = REFERENCE_HZ;
  steps->amplitude[0] = steps->amplitude[1] = mt_ratio_of_db(s->max_level_dbfs);
}

static mt_code check_values(double rate_hz, double level_dbfs, unsigned extras, double max_level_dbfs,
                            mt_error *err)
{
  if (!(rate_hz >= 44100.0 && rate_hz <= 192000.0))
    return mt_fail(err, MT_E_ARG, "the stimulus rate is %g Hz; expected 44100 to 192000", rate_hz);
  if (!(level_dbfs >= -60.0 && level_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG, "the stimulus level is %g dBFS; expected -60 to 0", level_dbfs);
  if ((extras & ~MT_EXTRAS_ALL) != 0)
    return mt_fail(err, MT_E_ARG, "the extras are %#x; expected at most %#x", extras, MT_EXTRAS_ALL);
  if (!isnan(max_level_dbfs) && !(max_level_dbfs >= level_dbfs && max_level_dbfs <= 0.0))
    return mt_fail(err, MT_E_ARG,
                   "the maximum level is %g dBFS; expected %g, the level of the other tones, to 0",
                   max_level_dbfs, level_dbfs);
  if (!isnan(max_level_dbfs) && (extras & MT_EXTRA_LEVELS) == 0)
    return mt_fail(err, MT_E_ARG, "a maximum level of %g dBFS is asked for without the extra \"levels\"",
                   max_level_dbfs);
  return MT_OK;
}

mt_code mt_stimulus_init_default(double rate_hz, double level_dbfs, mt_stimulus *out, mt_error *err)
{
  return mt_stimulus_init(rate_hz, level_dbfs, 0, (double)NAN, out, err);
}

mt_code mt_stimulus_init(double rate_hz, double level_dbfs, unsigned extras, double max_level_dbfs,
                         mt_stimulus *out, mt_error *err)
{
  return mt_stimulus_init_parts(rate_hz, level_dbfs, MT_PARTS_ALL, extras, max_level_dbfs, out, err);
}

/* How long each segment of the default check is, 0: left out. The odd lengths keep all layouts 0.35 s apart. */
static const struct part_lengths {
  double idle_s, alone_s, both_s, low_s;
  bool sweeps;
} lengths[MT_PARTS_COUNT] = {
    [MT_PARTS_ALL] = {1.60, 1.25, 1.50, 1.50, true},
    [MT_PARTS_RESPONSE] = {0.65, 0.50, 0.80, 0.0, true},
    [MT_PARTS_TONES] = {2.00, 1.25, 1.80, 0.0, false},
    [MT_PARTS_NOISE] = {1.75, 0.0, 0.0, 0.0, false},
};

static void append_parts(mt_stimulus *s, double amplitude)
{
  const struct part_lengths *part = &lengths[s->parts];
  double low = amplitude * mt_ratio_of_db(LOW_DB);
  mt_segment *idle = append(s, "idle", MT_SEGMENT_SILENCE, 0.05, part->idle_s);

  idle->settle_s = 0.30; /* let the unit's low end forget the mark */
  if (part->alone_s > 0.0) {
    append_tone(s, "left", part->alone_s, amplitude, 0.0);
    append_tone(s, "right", part->alone_s, 0.0, amplitude);
  }
  if (part->both_s > 0.0)
    append_tone(s, "both", part->both_s, amplitude, amplitude);
  if (part->low_s > 0.0)
    append_tone(s, "low", part->low_s, low, low);
  if (part->sweeps)
    append_sweep(s, "sweep", 0.10, amplitude, amplitude);
}

static void append_turn(mt_stimulus *s, double amplitude, double turn_s)
{
  mt_segment *idle = append(s, "idle", MT_SEGMENT_SILENCE, 0.05, TURN_IDLE_S), *turn;

  idle->settle_s = 0.30;
  turn = append(s, "turn", MT_SEGMENT_TURN, 0.05, turn_s);
  turn->fade_in_s = turn->fade_out_s = 0.05;
  turn->settle_s = 0.10;
  turn->freq_hz[0] = REFERENCE_HZ;
  turn->freq_hz[1] = TURN_RIGHT_HZ;
  turn->amplitude[0] = turn->amplitude[1] = amplitude;
}

mt_code mt_stimulus_init_turn(double rate_hz, double level_dbfs, double turn_s, mt_stimulus *out,
                              mt_error *err)
{
  mt_stimulus s = {.rate_hz = rate_hz, .level_dbfs = level_dbfs, .parts = MT_PARTS_TURN};
  mt_code code = check_values(rate_hz, level_dbfs, 0, (double)NAN, err);

  if (code == MT_OK && !(turn_s >= MT_TURN_MIN_S && turn_s <= MT_TURN_MAX_S))
    code = mt_fail(err, MT_E_ARG, "the time to turn is %g s; expected %g to %g", turn_s, MT_TURN_MIN_S,
                   MT_TURN_MAX_S);
  if (code != MT_OK)
    return code;
  s.max_level_dbfs = level_dbfs;
  append_mark(&s, "mark-a", LEAD_IN_S, MARK_A_S, mt_ratio_of_db(level_dbfs));
  append_turn(&s, mt_ratio_of_db(level_dbfs), turn_s);
  append_mark(&s, "mark-b", AFTER_SWEEP_S, MARK_B_S, mt_ratio_of_db(level_dbfs));
  s.duration_s += TAIL_S;
  *out = s;
  return MT_OK;
}

mt_code mt_stimulus_init_parts(double rate_hz, double level_dbfs, mt_parts parts, unsigned extras,
                               double max_level_dbfs, mt_stimulus *out, mt_error *err)
{
  mt_stimulus s = {0};
  double amplitude;
  mt_code code = check_values(rate_hz, level_dbfs, extras, max_level_dbfs, err);

  if (code == MT_OK && (size_t)parts >= MT_PARTS_COUNT)
    code = mt_fail(err, MT_E_ARG, "the parts are %d; expected 0 to %d", (int)parts, MT_PARTS_COUNT - 1);

  if (code == MT_OK && parts == MT_PARTS_TURN && extras != 0)
    code = mt_fail(err, MT_E_ARG, "extras are asked for while a knob is turned; expected none");
  if (code != MT_OK)
    return code;
  if (parts == MT_PARTS_TURN)
    return mt_stimulus_init_turn(rate_hz, level_dbfs, MT_TURN_S, out, err);
  amplitude = mt_ratio_of_db(level_dbfs);
  s.rate_hz = rate_hz;
  s.level_dbfs = level_dbfs;
  s.parts = parts;
  s.extras = extras;
  s.max_level_dbfs = isnan(max_level_dbfs) ? level_dbfs : max_level_dbfs;

  append_mark(&s, "mark-a", LEAD_IN_S, MARK_A_S, amplitude);
  append_parts(&s, amplitude);
  if ((extras & MT_EXTRA_INTERMODULATION) != 0)
    append_pairs(&s, amplitude);
  if ((extras & MT_EXTRA_LEVELS) != 0)
    append_levels(&s);
  if ((extras & MT_EXTRA_CROSSTALK) != 0) {
    append_sweep(&s, "sweep-left", AFTER_LEVELS_S, amplitude, 0.0);
    append_sweep(&s, "sweep-right", AFTER_SWEEP_S, 0.0, amplitude);
  }
  append_mark(&s, "mark-b", AFTER_SWEEP_S, MARK_B_S, amplitude);
  s.duration_s += TAIL_S;
  *out = s;
  return MT_OK;
}

double mt_segment_sweep_constant(const mt_segment *segment)
{
  return segment->duration_s / log(segment->to_hz / segment->from_hz);
}

double mt_segment_step_db(unsigned step)
{
  assert(step < MT_STEPS);
  if (step <= COARSE_STEPS)
    return STEP_LOWEST_DB + COARSE_DB * step;
  return -FINE_DB * (MT_STEPS - 1 - step);
}

void mt_segment_step_span(const mt_segment *segment, unsigned step, double *from_s, double *to_s)
{
  double length_s = segment->duration_s / MT_STEPS;

  assert(step < MT_STEPS);
  *from_s = step * length_s + segment->fade_in_s + segment->settle_s;
  *to_s = (step + 1) * length_s - (step + 1 == MT_STEPS ? segment->fade_out_s : 0.0);
}

/* Each step grows out of the one before by a raised cosine; the first out of nothing. */
static double step_gain(const mt_segment *segment, double t_s)
{
  double length_s = segment->duration_s / MT_STEPS;
  double place = fmin(fmax(floor(t_s / length_s), 0.0), MT_STEPS - 1.0);
  unsigned step = (unsigned)place;
  double into_s = t_s - place * length_s;
  double gain = mt_ratio_of_db(mt_segment_step_db(step));
  double before = step > 0 ? mt_ratio_of_db(mt_segment_step_db(step - 1)) : 0.0;

  if (into_s < segment->fade_in_s)
    gain = before + (gain - before) * (0.5 - 0.5 * cos(MT_PI * into_s / segment->fade_in_s));
  if (segment->duration_s - t_s < segment->fade_out_s)
    gain *= 0.5 - 0.5 * cos(MT_PI * fmax(0.0, segment->duration_s - t_s) / segment->fade_out_s);
  return gain;
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
  case MT_SEGMENT_TURN:
  case MT_SEGMENT_TONE:
    return amplitude * mt_fade_gain(segment, t_s) * sin(2.0 * MT_PI * segment->freq_hz[channel] * t_s);
  case MT_SEGMENT_TWO_TONE:
    return mt_fade_gain(segment, t_s) *
           (amplitude * sin(2.0 * MT_PI * segment->freq_hz[channel] * t_s) +
            segment->second_amplitude[channel] * sin(2.0 * MT_PI * segment->second_hz[channel] * t_s));
  case MT_SEGMENT_STEPS:
    return amplitude * step_gain(segment, t_s) * sin(2.0 * MT_PI * segment->freq_hz[channel] * t_s);
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
