#include "analysis/workspace.h"

#include "analysis/click.h"
#include "analysis/gap.h"
#include "analysis/path.h"

#include "base/decibel.h"
#include "base/text.h"
#include "base/wide.h"

#include <assert.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Left out at both ends of a section: channels and codecs may differ in delay by this much. */
#define MARGIN_S 0.005

/* The shortest standstill that is called a dropout. */
#define GAP_S 0.001

/* What a click is given as its length in a problem. */
#define CLICK_S 0.002

/* A dip of a tone that went through a codec is its noise below this. */
#define CODEC_DIP_DB 1.0

/* A channel hears a stimulus channel when its tone is within this of the loudest channel's ... */
#define FOREIGN_DB (-10.0)
/* ... and its own when within this, so that a weak channel is weak and not missing. */
#define OWN_DB (-60.0)

/* Around a sweep: more than a clock 1 % off moves its end. */
#define SWEEP_ROOM_S 0.3

/* A tone this far below the other channel's is not fitted by itself where that channel alone is played. */
#define WEAK_POWER 1e-2

void mt_workspace_copy(const mt_workspace *ws, size_t begin, size_t count, mt_channel channel, double *x)
{
  size_t stride = ws->take->nchannels;
  mt_wide_take_channel(ws->take->samples + begin * stride + (size_t)channel, stride, count, x);
}

double mt_section_begin_s(const mt_workspace *ws, const mt_section *section)
{
  return (double)section->begin / ws->take->rate_hz;
}

double mt_section_end_s(const mt_workspace *ws, const mt_section *section)
{
  return (double)(section->begin + section->count) / ws->take->rate_hz;
}

const mt_section *mt_workspace_find(const mt_workspace *ws, const char *name)
{
  for (size_t i = 0; i < ws->nsections; i++)
    if (strcmp(ws->sections[i].name, name) == 0)
      return &ws->sections[i];
  return NULL;
}

/* ---- problems ------------------------------------------------------------------------------------
   Times are from the take's first frame here, from the recording's in the results. */

static void spoil(mt_workspace *ws, const mt_problem *problem)
{
  if (problem->kind == MT_PROBLEM_UNCHECKED)
    return;
  for (size_t i = 0; i < ws->nsections; i++) {
    mt_section *section = &ws->sections[i];
    if (problem->begin_s >= mt_section_end_s(ws, section) ||
        problem->end_s <= mt_section_begin_s(ws, section))
      continue;
    for (int c = 0; c < MT_PAIR; c++)
      if ((problem->channel == c || problem->channel == MT_CHANNEL_BOTH) &&
          section->validity[c] == MT_VALID) {
        section->validity[c] = problem->kind == MT_PROBLEM_CLIPPED        ? MT_CLIPPED
                               : problem->kind == MT_PROBLEM_UNSTEADY     ? MT_NOT_MEASURED
                               : problem->kind == MT_PROBLEM_SILENT_INPUT ? MT_NO_SIGNAL
                               : problem->kind == MT_PROBLEM_SHARED       ? MT_NOT_MEASURED
                               : problem->kind == MT_PROBLEM_SCALED       ? MT_NOT_MEASURED
                               : problem->kind == MT_PROBLEM_RESAMPLED    ? MT_NOT_MEASURED
                                                                          : MT_DROPOUT;
        mt_text_copy(section->why[c], sizeof section->why[c], problem->text);
      }
  }
}

mt_code mt_workspace_add_problem(mt_workspace *ws, mt_problem_kind kind, mt_channel channel, double begin_s,
                                 double end_s, mt_error *err, const char *fmt, ...)
{
  mt_problem problem = {.kind = kind, .channel = channel, .begin_s = begin_s, .end_s = end_s};
  va_list args;

  va_start(args, fmt);
  vsnprintf(problem.text, sizeof problem.text, fmt, args);
  va_end(args);
  spoil(ws, &problem);
  problem.begin_s += mt_take_time_s(ws->take, 0.0);
  problem.end_s += mt_take_time_s(ws->take, 0.0);
  return mt_results_add_problem(ws->results, &problem, err);
}

mt_code mt_workspace_take_problems(mt_workspace *ws, mt_error *err)
{
  double first_s = mt_take_time_s(ws->take, 0.0);
  mt_code code = MT_OK;

  for (size_t i = 0; i < ws->take->nproblems && code == MT_OK; i++) {
    mt_problem problem = ws->take->problems[i];
    problem.begin_s -= first_s;
    problem.end_s -= first_s;
    spoil(ws, &problem);
    code = mt_results_add_problem(ws->results, &ws->take->problems[i], err);
  }
  return code;
}

mt_code mt_workspace_add_events(mt_workspace *ws, const mt_section *section, mt_channel channel,
                                mt_error *err)
{
  const mt_tone *tone = &section->tone[channel];
  char name[8];
  mt_code code = MT_OK;

  mt_channel_name(channel, name);
  for (size_t i = 0; i < tone->nevents && code == MT_OK; i++) {
    const mt_steady_event *event = &tone->events[i];
    double begin_s = mt_section_begin_s(ws, section) + event->begin_s;
    double end_s = mt_section_begin_s(ws, section) + event->end_s;
    /* a codec's noise comes in bursts; what leaves the tone as it was is one of these */
    if (ws->path_is_lossy && event->kind == MT_STEADY_DIP && fabs(event->level_change_db) < CODEC_DIP_DB)
      continue;
    if (event->kind == MT_STEADY_LOST)
      code = mt_workspace_add_problem(
          ws, MT_PROBLEM_LOST, channel, begin_s, end_s, err,
          "frames were lost or repeated: the phase of the %s tone jumps by %.0f degrees", name,
          event->phase_step_deg);
    else if (event->kind == MT_STEADY_AWAY)
      code = mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, channel, begin_s, end_s, err,
                                      "the %s tone was away for about %.1f s, or another one was there", name,
                                      end_s - begin_s);
    else if (event->kind == MT_STEADY_DIP)
      code = mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, channel, begin_s, end_s, err,
                                      "the %s tone was disturbed for a moment (%.1f dB)", name,
                                      event->level_change_db);
    else
      code = mt_workspace_add_problem(ws, MT_PROBLEM_UNSTEADY, channel, begin_s, end_s, err,
                                      "the %s tone is not steady: its level moves by %.2f dB", name,
                                      event->level_change_db);
  }
  if (code == MT_OK && tone->nunchecked > 0)
    code = mt_workspace_add_problem(ws, MT_PROBLEM_UNCHECKED, channel, mt_section_begin_s(ws, section),
                                    mt_section_end_s(ws, section), err,
                                    "too few periods of the %s tone to tell whether it was steady", name);
  if (code == MT_OK && tone->nunlisted > 0)
    code = mt_workspace_add_problem(
        ws, MT_PROBLEM_UNSTEADY, channel,
        mt_section_begin_s(ws, section) + tone->events[MT_STEADY_EVENTS_MAX - 1].begin_s,
        mt_section_begin_s(ws, section) + tone->last_event_s, err,
        "%zu more disturbances of the %s tone are not listed one by one", tone->nunlisted, name);
  return code;
}

/* ---- readings ------------------------------------------------------------------------------------ */

void mt_reading_refuse(mt_reading *reading, mt_validity validity, const char *fmt, ...)
{
  va_list args;
  if (reading->validity != MT_VALID)
    return; /* the first reason is the deepest */
  reading->validity = validity;
  va_start(args, fmt);
  vsnprintf(reading->why, sizeof reading->why, fmt, args);
  va_end(args);
}

void mt_reading_set(mt_reading *reading, double value, double uncertainty)
{
  if (reading->validity != MT_VALID)
    return;
  if (!isfinite(value) || !isfinite(uncertainty)) {
    mt_reading_refuse(reading, MT_NOT_MEASURED, "the take does not hold enough signal for this");
    return;
  }
  reading->value = value;
  reading->uncertainty = uncertainty;
}

double mt_power_bound(double power, double null_error)
{
  double a = power + 4.0 * null_error;
  return a + sqrt(fmax(0.0, a * a - power * power + 4.0 * null_error * null_error));
}

void mt_reading_set_power(mt_reading *reading, double power, double standard_error, double null_error)
{
  if (reading->validity != MT_VALID)
    return;
  if (power > 2.0 * standard_error && power > 4.0 * null_error) {
    mt_reading_set(reading, mt_db_of_power(power), 2.0 * 10.0 / log(10.0) * standard_error / power);
    return;
  }
  mt_reading_set(reading, mt_db_of_power(mt_power_bound(fmax(power, -null_error), null_error)), 0.0);
  if (reading->validity == MT_VALID) {
    reading->validity = MT_RIG_LIMITED;
    snprintf(reading->why, sizeof reading->why, "below the noise: at most this");
  }
}

mt_reading mt_workspace_reading(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                                const mt_section *section)
{
  mt_reading reading = {.quantity = quantity, .channel = channel};

  mt_text_copy(reading.state, sizeof reading.state, ws->state);
  if (section == NULL)
    return reading;
  mt_text_copy(reading.segment, sizeof reading.segment, section->name);
  for (int c = 0; c < MT_PAIR; c++)
    if (channel == c || channel == MT_CHANNEL_BOTH)
      if (reading.validity == MT_VALID && section->validity[c] != MT_VALID)
        mt_reading_refuse(&reading, section->validity[c], "%s", section->why[c]);
  return reading;
}

mt_reading mt_workspace_tone_reading(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                                     const mt_section *section)
{
  mt_reading reading = mt_workspace_reading(ws, quantity, channel, section);

  for (int c = 0; c < MT_PAIR; c++) {
    char name[8];
    if (channel != c && channel != MT_CHANNEL_BOTH)
      continue;
    if (c >= (int)ws->nchannels || !section->has_tone[c] || !mt_tone_is_present(&section->tone[c]) ||
        (ws->route_known[c] && ws->route[c] == MT_ROUTE_NONE)) {
      mt_reading_refuse(&reading, MT_NO_SIGNAL, "the %s channel carries no tone", mt_channel_name(c, name));
      continue;
    }
    reading.freq_hz = section->segment != NULL ? section->segment->freq_hz[c] : section->tone[c].freq_hz;
    if (section->segment != NULL && reading.freq_hz == 0.0)
      reading.freq_hz = section->tone[c].freq_hz;
  }
  return reading;
}

mt_code mt_workspace_add(mt_workspace *ws, const mt_reading *reading, mt_error *err)
{
  return mt_results_add_reading(ws->results, reading, err);
}

mt_curve mt_workspace_curve(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                            const mt_section *section)
{
  mt_curve curve = {.quantity = quantity, .channel = channel, .validity = section->validity[channel]};

  mt_text_copy(curve.segment, sizeof curve.segment, section->name);
  mt_text_copy(curve.state, sizeof curve.state, ws->state);
  mt_text_copy(curve.why, sizeof curve.why, section->why[channel]);
  return curve;
}

mt_code mt_workspace_add_curve(mt_workspace *ws, const mt_curve *curve, mt_error *err)
{
  return mt_results_add_curve(ws->results, curve, err);
}

/* ---- a stimulus take ----------------------------------------------------------------------------- */

void mt_workspace_place(const mt_workspace *ws, double from_s, double to_s, size_t *first, size_t *count)
{
  const mt_location *at = ws->location;
  double frames_per_s = ws->take->rate_hz / (1.0 + 1e-6 * at->clock_offset_ppm);
  double earliest = at->start_frame, latest = at->start_frame;
  double begin, end;

  for (unsigned c = 0; c < ws->nchannels; c++)
    if (at->arrived[c]) {
      earliest = fmin(earliest, at->arrival_frame[c]);
      latest = fmax(latest, at->arrival_frame[c]);
    }
  begin = fmax(0.0, ceil(latest + (from_s + MARGIN_S) * frames_per_s));
  end = fmin((double)ws->take->nframes, floor(earliest + (to_s - MARGIN_S) * frames_per_s));
  *first = (size_t)begin;
  *count = end > begin ? (size_t)(end - begin) : 0;
}

static void place(const mt_workspace *ws, const mt_segment *segment, mt_section *section)
{
  section->segment = segment;
  mt_text_copy(section->name, sizeof section->name, segment->name);
  mt_workspace_place(ws, segment->start_s + segment->fade_in_s + segment->settle_s,
                     segment->start_s + segment->duration_s - segment->fade_out_s, &section->begin,
                     &section->count);
}

mt_code mt_workspace_fit(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, double expect_hz,
                         mt_tone *out, mt_error *err)
{
  mt_code code = mt_tone_measure_with(tools, x, n, rate_hz, expect_hz, out, NULL);

  if (code == MT_OK) {
    bool strayed = fabs(out->freq_hz - expect_hz) > 0.5 * rate_hz / (double)n;
    if (!strayed && mt_tone_is_present(out))
      return MT_OK;
    mt_tone_finish(out);
  } else if (code != MT_E_DATA) {
    return mt_fail(err, code, "a tone at %g Hz cannot be fitted", expect_hz);
  }
  return mt_tone_measure_known_with(tools, x, n, rate_hz, expect_hz, out, err);
}

/* A stretch that was muted makes the unit look quieter than it is, or its tone weaker. */
static mt_code look_for_gap(mt_workspace *ws, const mt_section *section, mt_channel channel, const double *x,
                            mt_error *err)
{
  double rate_hz = ws->take->rate_hz;
  size_t begin, count;
  char name[8];

  /* half a period of any tone played is shorter than a gap, so a flat top is not taken for one */
  if (!mt_gap_find(x, section->count, (size_t)(GAP_S * rate_hz), &begin, &count) &&
      !(section->has_noise[channel] &&
        mt_gap_find_hush(x, section->count, (size_t)(GAP_S * rate_hz), &begin, &count)))
    return MT_OK;
  return mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, channel, (double)(section->begin + begin) / rate_hz,
                                  (double)(section->begin + begin + count) / rate_hz, err,
                                  "the %s channel stood still for %.1f ms", mt_channel_name(channel, name),
                                  1e3 * (double)count / rate_hz);
}

/* Noise does not click: a bad contact in the leads, or frames lost, or the unit itself. */
static mt_code look_for_clicks(mt_workspace *ws, const mt_section *section, mt_channel channel,
                               const double *x, mt_error *err)
{
  double rate_hz = ws->take->rate_hz;
  mt_click clicks[MT_CLICKS_MAX];
  size_t count = mt_click_find(x, section->count, rate_hz, clicks);
  mt_code code = MT_OK;
  char name[8];

  for (size_t i = 0; i < count && code == MT_OK; i++) {
    double at_s = (double)(section->begin + clicks[i].at) / rate_hz;
    code =
        mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, channel, at_s - 0.5 * CLICK_S, at_s + 0.5 * CLICK_S,
                                 err, "the %s channel clicked at %.3f s (%.0f dBFS) while nothing was played",
                                 mt_channel_name(channel, name), at_s, mt_db_of_ratio(clicks[i].size));
  }
  return code;
}

static mt_code look_for_faults_of(mt_workspace *ws, const mt_section *section, mt_channel channel,
                                  mt_error *err)
{
  const float *from = ws->take->samples + section->begin * ws->take->nchannels + (size_t)channel;
  mt_code code = MT_OK;

  /* the rule is a tone that stands still nowhere */
  if (section->has_noise[channel] ||
      mt_gap_is_possible(from, ws->take->nchannels, section->count, (size_t)(GAP_S * ws->take->rate_hz))) {
    double *x = malloc((section->count > 0 ? section->count : 1) * sizeof *x);
    if (x == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
    mt_workspace_copy(ws, section->begin, section->count, channel, x);
    code = look_for_gap(ws, section, channel, x, err);
    if (code == MT_OK && section->has_noise[channel])
      code = look_for_clicks(ws, section, channel, x, err);
    free(x);
  }
  if (code == MT_OK && section->has_tone[channel])
    code = mt_workspace_add_events(ws, section, channel, err);
  return code;
}

/* Nothing to speak of arrives there: a channel 40 dB below the other, or no tone at all. */
static bool is_quiet(const mt_section *section, unsigned channel)
{
  double loudest = 0.0;

  for (int c = 0; c < MT_PAIR; c++)
    if (section->has_tone[c])
      loudest = fmax(loudest, section->tone[c].power);
  return !section->has_tone[channel] || section->tone[channel].power < 1e-4 * loudest;
}

/*
 * What was not whole or not steady. Where nothing arrives a codec delivers zeros, or what joint coding of
 * the channels leaves there: no fault, and nothing but the route is read from it.
 */
static mt_code look_for_faults(mt_workspace *ws, const mt_section *section, mt_error *err)
{
  mt_code code = MT_OK;

  for (unsigned c = 0; c < ws->nchannels && code == MT_OK; c++) {
    if (ws->path_is_lossy && is_quiet(section, c))
      continue;
    code = look_for_faults_of(ws, section, (mt_channel)c, err);
  }
  return code;
}

static mt_code read_idle(mt_workspace *ws, mt_section *section, unsigned worker, double *x, mt_error *err)
{
  mt_code code = MT_OK;

  for (unsigned c = 0; c < ws->nchannels && code == MT_OK; c++) {
    mt_workspace_copy(ws, section->begin, section->count, (mt_channel)c, x);
    code = mt_psd_estimate_with(&ws->tools[worker], x, section->count, ws->take->rate_hz,
                                MT_WINDOW_BLACKMAN_HARRIS_4, 0, &section->noise[c], err);
    section->has_noise[c] = code == MT_OK;
  }
  return code;
}

/* In a segment with one channel silent, the weak tone is read at the frequency of the strong one: a fit
   of its own would follow the noise and read too high. */
static mt_code settle_weaker(mt_workspace *ws, mt_section *section, unsigned weak, unsigned worker,
                             const double *x, mt_error *err)
{
  mt_tone *tone = &section->tone[weak];
  const mt_tone *strong = &section->tone[1 - weak];
  mt_tone known;
  mt_code code;

  if (!mt_tone_is_present(strong) || (section->has_tone[weak] && tone->power > WEAK_POWER * strong->power))
    return MT_OK;
  code = mt_tone_measure_known_with(&ws->tools[worker], x, section->count, ws->take->rate_hz, strong->freq_hz,
                                    &known, err);
  if (code == MT_OK) {
    if (section->has_tone[weak])
      mt_tone_finish(tone);
    *tone = known;
    section->has_tone[weak] = true;
  }
  return code;
}

static mt_code fit_tone(mt_workspace *ws, mt_section *section, unsigned c, unsigned worker, const double *x,
                        mt_error *err)
{
  const mt_segment *segment = section->segment;
  /* a silent stimulus channel is listened to at the frequency of the other one */
  double played_hz = segment->amplitude[0] > 0.0 ? segment->freq_hz[0] : segment->freq_hz[1];
  mt_code code =
      mt_workspace_fit(&ws->tools[worker], x, section->count, ws->take->rate_hz,
                       played_hz * (1.0 + 1e-6 * ws->location->clock_offset_ppm), &section->tone[c], err);

  section->has_tone[c] = code == MT_OK;
  return code;
}

/* One stimulus channel was silent: the louder channel first, and what is far below it not by a fit of its own. */
static mt_code fit_alone(mt_workspace *ws, mt_section *section, unsigned worker, double *x, mt_error *err)
{
  double power[MT_PAIR];
  unsigned strong, weak;
  mt_code code;

  for (unsigned c = 0; c < MT_PAIR; c++) {
    mt_workspace_copy(ws, section->begin, section->count, (mt_channel)c, x + c * section->count);
    /* of a sine that had all of it */
    power[c] = 2.0 * mt_wide_energy(x + c * section->count, section->count, 0.0) / (double)section->count;
  }
  strong = power[0] < power[1] ? 1 : 0;
  weak = 1 - strong;
  code = fit_tone(ws, section, strong, worker, x + strong * section->count, err);
  /* half: a fit may find a little more than all there is, by what its columns have in common */
  if (code == MT_OK && (!mt_tone_is_present(&section->tone[strong]) ||
                        power[weak] > 0.5 * WEAK_POWER * section->tone[strong].power)) {
    code = fit_tone(ws, section, weak, worker, x + weak * section->count, err);
    weak = section->tone[0].power < section->tone[1].power ? 0 : 1;
  }
  return code == MT_OK ? settle_weaker(ws, section, weak, worker, x + weak * section->count, err) : code;
}

/* A piece of work: what is in a section. A sweep, or what changes its level, is read by whoever knows it. */
static mt_code fit_section(void *context, size_t item, unsigned worker, mt_error *err)
{
  mt_workspace *ws = context;
  mt_section *section = &ws->sections[item];
  const mt_segment *segment = section->segment;
  double *x;
  mt_code code = MT_OK;

  if (segment->kind != MT_SEGMENT_TONE && segment->kind != MT_SEGMENT_SILENCE)
    return MT_OK;
  x = malloc((MT_PAIR * section->count + 1) * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
  if (segment->kind != MT_SEGMENT_TONE)
    code = read_idle(ws, section, worker, x, err);
  else if (ws->nchannels == MT_PAIR && (segment->amplitude[0] == 0.0 || segment->amplitude[1] == 0.0))
    code = fit_alone(ws, section, worker, x, err);
  else
    for (unsigned c = 0; c < ws->nchannels && code == MT_OK; c++) {
      mt_workspace_copy(ws, section->begin, section->count, (mt_channel)c, x);
      code = fit_tone(ws, section, c, worker, x, err);
    }
  free(x);
  return code;
}

/* What hums and whistles without a tone does so beside one. */
static mt_code allow_for_lines(mt_workspace *ws, mt_error *err)
{
  const mt_section *idle = mt_workspace_find(ws, "idle");

  for (unsigned c = 0; idle != NULL && c < ws->nchannels; c++) {
    double *beneath;
    if (!idle->has_noise[c])
      continue;
    beneath = malloc(idle->noise[c].nbins * sizeof *beneath);
    if (beneath == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for a density of %zu bins", idle->noise[c].nbins);
    ws->nidle_lines[c] = mt_psd_part(&idle->noise[c], beneath, ws->idle_line[c], MT_IDLE_LINES_MAX);
    free(beneath);
    for (size_t i = 0; i < ws->nsections; i++)
      if (ws->sections[i].has_tone[c])
        mt_tone_allow_for(&ws->sections[i].tone[c], ws->idle_line[c], ws->nidle_lines[c]);
  }
  return MT_OK;
}

/*
 * Which stimulus channels does each capture channel hear? Its own when it is there at all (60 dB below
 * the loudest is a weak channel, not a missing one); the other's only when it is not mere crosstalk.
 */
static void find_routes(mt_workspace *ws)
{
  const mt_section *alone[MT_PAIR] = {mt_workspace_find(ws, "left"), mt_workspace_find(ws, "right")};
  double loudest = 0.0;

  if (alone[0] == NULL || alone[1] == NULL || ws->nchannels < MT_PAIR)
    return;
  for (int s = 0; s < MT_PAIR; s++)
    for (int c = 0; c < MT_PAIR; c++)
      loudest = fmax(loudest, alone[s]->tone[c].power);
  for (int c = 0; c < MT_PAIR; c++) {
    bool hears[MT_PAIR] = {false, false};
    for (int s = 0; s < MT_PAIR; s++) {
      const mt_tone *tone = &alone[s]->tone[c];
      double best = fmax(alone[s]->tone[0].power, alone[s]->tone[1].power);
      if (!mt_tone_is_present(tone))
        continue;
      hears[s] = s == c ? tone->power > loudest * mt_power_of_db(OWN_DB)
                        : tone->power > best * mt_power_of_db(FOREIGN_DB);
      /* what is left of one's own tone beside a much stronger foreign one is crosstalk */
      if (s == c && tone->power < alone[1 - s]->tone[c].power * mt_power_of_db(FOREIGN_DB) &&
          alone[1 - s]->tone[c].power > alone[1 - s]->tone[1 - s].power * mt_power_of_db(FOREIGN_DB))
        hears[s] = false;
    }
    ws->route[c] = hears[0] && hears[1] ? MT_ROUTE_BOTH
                   : hears[0]           ? MT_ROUTE_LEFT
                   : hears[1]           ? MT_ROUTE_RIGHT
                                        : MT_ROUTE_NONE;
    ws->route_known[c] = alone[0]->validity[c] == MT_VALID && alone[1]->validity[c] == MT_VALID;
  }
}

mt_code mt_workspace_init_stimulus(mt_workspace *ws, mt_error *err)
{
  mt_code code;

  for (size_t i = 0; i < ws->stimulus->nsegments; i++) {
    const mt_segment *segment = &ws->stimulus->segments[i];
    if (segment->kind == MT_SEGMENT_MARK)
      continue;
    place(ws, segment, &ws->sections[ws->nsections]);
    if (ws->sections[ws->nsections].count < 64)
      return mt_fail(err, MT_E_DATA,
                     "the take ends inside the segment \"%s\"; record until the stimulus has ended",
                     segment->name);
    ws->nsections++;
  }
  code = mt_workspace_take_problems(ws, err);
  if (code == MT_OK)
    code = mt_parallel(ws->nsections, fit_section, ws, err);
  if (code == MT_OK)
    code = allow_for_lines(ws, err);
  /* first, as a codec's noise is not to be taken for clicks */
  if (code == MT_OK)
    code = mt_path_look(ws, err);
  for (size_t i = 0; i < ws->nsections && code == MT_OK; i++)
    /* a sweep is looked at by whoever reads it, and what is quiet in steps may well stand still for a while; so may
       a tone that is turned down */
    if (ws->sections[i].segment->kind != MT_SEGMENT_SWEEP &&
        ws->sections[i].segment->kind != MT_SEGMENT_STEPS && ws->sections[i].segment->kind != MT_SEGMENT_TURN)
      code = look_for_faults(ws, &ws->sections[i], err);
  if (code == MT_OK)
    find_routes(ws);
  return code;
}

void mt_workspace_copy_sweep(const mt_workspace *ws, const mt_section *section, mt_channel channel, double *x)
{
  const mt_segment *sweep = section->segment;
  const mt_location *at = ws->location;
  double start_frame = at->arrived[channel] ? at->arrival_frame[channel] : at->start_frame;
  double rate_hz = ws->take->rate_hz, nframes = (double)ws->take->nframes;
  double begin = start_frame + (sweep->start_s - MT_SWEEP_BEFORE_S - SWEEP_ROOM_S) * rate_hz;
  double end = start_frame + (sweep->start_s + sweep->duration_s + MT_SWEEP_AFTER_S + SWEEP_ROOM_S) * rate_hz;
  size_t first = (size_t)fmin(fmax(0.0, begin), nframes), last = (size_t)fmin(fmax(0.0, end), nframes);

  mt_workspace_copy(ws, first, last - first, channel, x + first);
}

mt_code mt_workspace_render_sweep(mt_workspace *ws, const mt_section *section, mt_error *err)
{
  if (ws->sweep != NULL)
    return MT_OK;
  return mt_sweep_reference_create(section->segment, ws->take->rate_hz, 1.0 + 1e-6 * ws->clock_offset_ppm,
                                   &ws->sweep, err);
}

mt_code mt_workspace_sweep(mt_workspace *ws, const mt_section *section, mt_channel channel, const double *x,
                           mt_error *err)
{
  const mt_location *at = ws->location;
  double start_frame = at->arrived[channel] ? at->arrival_frame[channel] : at->start_frame;
  mt_code code = mt_workspace_render_sweep(ws, section, err);

  if (code == MT_OK && ws->swept[channel].quotient == NULL)
    code = mt_sweep_capture_init(ws->sweep, x, ws->take->nframes, start_frame, &ws->swept[channel], err);
  return code;
}

double mt_workspace_swept_at_s(const mt_segment *sweep, double freq_hz)
{
  return sweep->start_s + mt_segment_sweep_constant(sweep) * log(freq_hz / sweep->from_hz);
}

double mt_workspace_clock_deg(const mt_workspace *ws, const mt_segment *sweep, double freq_hz)
{
  return 360.0 * freq_hz * mt_workspace_swept_at_s(sweep, freq_hz) * 1e-6 * ws->clock_uncertainty_ppm;
}

double mt_workspace_without_clock(const mt_workspace *ws, const mt_segment *sweep, double freq_hz,
                                  double uncertainty_deg)
{
  double clock_deg = mt_workspace_clock_deg(ws, sweep, freq_hz);
  return sqrt(fmax(0.0, uncertainty_deg * uncertainty_deg - clock_deg * clock_deg));
}

void mt_workspace_finish(mt_workspace *ws)
{
  for (unsigned worker = 0; worker < MT_WORKERS; worker++) {
    mt_psd_tools_finish(&ws->tools[worker]);
    mt_quasi_peak_tools_destroy(&ws->quasi_peak_tools[worker]);
  }
  mt_sweep_reference_destroy(&ws->sweep);
  for (int c = 0; c < MT_PAIR; c++)
    mt_sweep_capture_finish(&ws->swept[c]);
  for (size_t i = 0; i < ws->nsections; i++)
    for (int c = 0; c < MT_PAIR; c++) {
      if (ws->sections[i].has_tone[c])
        mt_tone_finish(&ws->sections[i].tone[c]);
      if (ws->sections[i].has_noise[c])
        mt_psd_finish(&ws->sections[i].noise[c]);
    }
}
