/* The stepped tone: gain and THD+N over level, the maximum level, and which half of the wave clips first. */
#include "analysis/onset.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* At the reference level a step must read what the reference tone did, or the steps were played at other
   levels than is believed. */
#define STEPS_AGREE_DB 0.3

/* Halves of the wave that differ by less than this of the amplitude clip together; so do halves that differ
   by less than noise may reach above a peak. */
#define HALVES_DIFFER 0.01
#define NOISE_PEAK 6.0

#define DB_PER_RELATIVE 4.3429448190325182 /* of a power: 10 / ln 10 */

/* One step on one channel. */
typedef struct step {
  double played_dbfs;
  bool heard;         /* stands clear of the noise, nothing spoils it */
  mt_validity spoilt; /* MT_VALID, or what a problem makes of it */
  char why[128];
  double level_dbfs, level_uncertainty;
  double thd_n_db, thd_n_uncertainty;
  double thd_power, thd_error; /* THD re the total, squared, noise taken off; one standard error */
  double harmonic_db[2];       /* orders 2 and 3 re the fundamental, as fitted */
  double amplitude;
  double peak[2]; /* above and below the mean */
  double noise_rms;
} step;

typedef struct ladder {
  step steps[MT_STEPS];
  double reference_gain_db, reference_uncertainty;
} ladder;

/* ---- one step -------------------------------------------------------------------------------------- */

static void look_for_problems(const mt_workspace *ws, mt_channel channel, size_t begin, size_t count,
                              step *out)
{
  double begin_s = mt_take_time_s(ws->take, (double)begin);
  double end_s = mt_take_time_s(ws->take, (double)(begin + count));

  for (size_t i = 0; i < ws->results->nproblems && out->spoilt == MT_VALID; i++) {
    const mt_problem *p = &ws->results->problems[i];
    if (p->kind == MT_PROBLEM_UNCHECKED || p->begin_s >= end_s || p->end_s <= begin_s ||
        (p->channel != channel && p->channel != MT_CHANNEL_BOTH))
      continue;
    out->spoilt = p->kind == MT_PROBLEM_CLIPPED ? MT_CLIPPED : MT_DROPOUT;
    mt_text_copy(out->why, sizeof out->why, p->text);
  }
}

static void take_over(const mt_tone *tone, double rate_hz, step *out)
{
  double power = 0.0, variance = 0.0, ratio;

  out->level_dbfs = mt_tone_level_dbfs(tone);
  out->level_uncertainty = mt_tone_level_uncertainty_db(tone);
  mt_tone_thd_n(tone, rate_hz, &out->thd_n_db, &out->thd_n_uncertainty);
  for (int k = 2; k <= tone->norders; k++) {
    power += tone->harmonic_power[k];
    variance += tone->harmonic_error[k] * tone->harmonic_error[k];
  }
  ratio = fmax(0.0, power / tone->power);
  out->thd_power = ratio / (1.0 + ratio);
  out->thd_error = sqrt(variance) / tone->power / ((1.0 + ratio) * (1.0 + ratio));
  for (int k = 2; k <= 3; k++)
    out->harmonic_db[k - 2] = mt_db_of_power(fmax(1e-20, tone->harmonic_raw[k] / tone->power));
  out->amplitude = sqrt(tone->power);
  out->noise_rms = sqrt(0.5 * tone->rest_power);
}

static void find_peaks(const double *x, size_t n, double mean, step *out)
{
  for (size_t i = 0; i < n; i++) {
    out->peak[0] = fmax(out->peak[0], x[i] - mean);
    out->peak[1] = fmax(out->peak[1], mean - x[i]);
  }
}

static mt_code read_step(mt_workspace *ws, const mt_segment *segment, mt_channel channel, unsigned which,
                         unsigned worker, step *out, mt_error *err)
{
  double from_s, to_s, rate_hz = ws->take->rate_hz;
  size_t begin, count;
  mt_tone tone;
  double *x;
  mt_code code;

  out->played_dbfs = mt_db_of_ratio(segment->amplitude[channel]) + mt_segment_step_db(which);
  mt_segment_step_span(segment, which, &from_s, &to_s);
  mt_workspace_place(ws, segment->start_s + from_s, segment->start_s + to_s, &begin, &count);
  look_for_problems(ws, channel, begin, count, out);
  x = malloc((count + 1) * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", count);
  mt_workspace_copy(ws, begin, count, channel, x);
  code = mt_workspace_fit(&ws->tools[worker], x, count, rate_hz,
                          segment->freq_hz[channel] * (1.0 + 1e-6 * ws->clock_offset_ppm), &tone, err);
  if (code == MT_OK) {
    mt_tone_allow_for(&tone, ws->idle_line[channel], ws->nidle_lines[channel]);
    out->heard = out->spoilt == MT_VALID && mt_tone_is_present(&tone);
    for (size_t i = 0; i < tone.nevents; i++)
      out->heard = out->heard && tone.events[i].kind != MT_STEADY_LOST;
    if (out->heard)
      take_over(&tone, rate_hz, out);
    find_peaks(x, count, tone.dc, out);
    mt_tone_finish(&tone);
  }
  free(x);
  return code;
}

/* ---- curves over level ------------------------------------------------------------------------------- */

/* Gain at the reference level, between the two steps around it, less that of the reference tone. */
static bool read_at_reference(const ladder *l, double reference_dbfs, double *off_db)
{
  for (unsigned i = 0; i + 1 < MT_STEPS; i++) {
    const step *a = &l->steps[i], *b = &l->steps[i + 1];
    double part = (reference_dbfs - a->played_dbfs) / (b->played_dbfs - a->played_dbfs);
    if (!(part >= -1e-9 && part <= 1.0 + 1e-9) || !a->heard || !b->heard)
      continue;
    *off_db = a->level_dbfs - a->played_dbfs - l->reference_gain_db +
              part * (b->level_dbfs - b->played_dbfs - a->level_dbfs + a->played_dbfs);
    return true;
  }
  return false;
}

static mt_code add_curve(mt_workspace *ws, const mt_section *section, mt_curve *curve, mt_quantity quantity,
                         const double *y, const double *uncertainty, mt_error *err)
{
  double nothing = 0.0, x[MT_STEPS], y_copy[MT_STEPS], u[MT_STEPS];

  curve->quantity = quantity;
  curve->x_unit = MT_UNIT_DBFS;
  mt_text_copy(curve->segment, sizeof curve->segment, section->name);
  mt_text_copy(curve->state, sizeof curve->state, ws->state);
  if (curve->validity != MT_VALID) {
    mt_curve empty = *curve;
    empty.npoints = 0;
    empty.x = empty.y = empty.uncertainty = &nothing;
    return mt_results_add_curve(ws->results, &empty, err);
  }
  for (size_t i = 0; i < curve->npoints; i++) {
    x[i] = curve->x[i];
    y_copy[i] = y[i];
    u[i] = uncertainty[i];
  }
  mt_curve full = *curve;
  full.x = x;
  full.y = y_copy;
  full.uncertainty = u;
  return mt_results_add_curve(ws->results, &full, err);
}

static void refuse_curve(mt_curve *curve, mt_validity validity, const char *why)
{
  if (curve->validity != MT_VALID)
    return;
  curve->validity = validity;
  mt_text_copy(curve->why, sizeof curve->why, why);
}

static mt_code add_curves(mt_workspace *ws, const mt_section *section, mt_channel channel, const ladder *l,
                          const mt_reading *reference, mt_error *err)
{
  double x[MT_STEPS], gain[MT_STEPS], gain_u[MT_STEPS], thd_n[MT_STEPS], thd_n_u[MT_STEPS];
  mt_curve curve = {.channel = channel, .x = x};
  double off_db;
  char why[128];
  mt_code code;

  for (unsigned i = 0; i < MT_STEPS; i++) {
    const step *s = &l->steps[i];
    if (!s->heard)
      continue;
    x[curve.npoints] = s->played_dbfs;
    gain[curve.npoints] = s->level_dbfs - s->played_dbfs - l->reference_gain_db;
    gain_u[curve.npoints] = hypot(s->level_uncertainty, l->reference_uncertainty);
    thd_n[curve.npoints] = s->thd_n_db;
    thd_n_u[curve.npoints++] = s->thd_n_uncertainty;
  }
  if (reference->validity != MT_VALID)
    refuse_curve(&curve, reference->validity, reference->why);
  if (!read_at_reference(l, ws->stimulus->level_dbfs, &off_db))
    refuse_curve(&curve, MT_NOT_MEASURED, "no step near the reference level was heard undisturbed");
  else if (fabs(off_db) > STEPS_AGREE_DB) {
    snprintf(why, sizeof why,
             "at the reference level the steps are %.1f dB off the reference tone: "
             "played up to another maximum level?",
             off_db);
    refuse_curve(&curve, MT_NOT_MEASURED, why);
  }
  code = add_curve(ws, section, &curve, MT_Q_LINEARITY, gain, gain_u, err);
  return code == MT_OK ? add_curve(ws, section, &curve, MT_Q_THD_N, thd_n, thd_n_u, err) : code;
}

/* ---- the maximum level ------------------------------------------------------------------------------- */

/* Looked for from the top, for a dead zone at the crossing distorts low levels more than middle ones. */
static bool find_bracket(const ladder *l, double limit, int *under, int *over)
{
  *over = -1;
  for (int i = MT_STEPS - 1; i >= 0; i--) {
    const step *s = &l->steps[i];
    if (!s->heard)
      continue;
    if (s->thd_power <= limit && 2.0 * s->thd_error <= limit) {
      *under = i;
      /* what lies above must be known to be more, not only not known to be less */
      return *over < 0 || l->steps[*over].thd_power > limit;
    }
    *over = i;
  }
  return false;
}

/* THD and the gain it costs grow together: of a clip, THD as overdrive to the power 1.25, the gain to 1.5. */
#define GAIN_OF_THD 1.2
#define GAIN_DOUBT 0.1 /* of what the gain changes from step to step */

/* Gain where THD is as much as that, between two steps. */
static double gain_between(const step *under, const step *over, double limit)
{
  double low = pow(under->thd_power, 0.5 * GAIN_OF_THD), high = pow(over->thd_power, 0.5 * GAIN_OF_THD);
  double part = (pow(limit, 0.5 * GAIN_OF_THD) - low) / (high - low);
  double gain = under->level_dbfs - under->played_dbfs;

  return gain + fmin(1.0, fmax(0.0, part)) * (over->level_dbfs - over->played_dbfs - gain);
}

static void set_between(mt_reading *reading, const ladder *l, int under, int over, double limit)
{
  const step *below = &l->steps[under], *above = &l->steps[over];
  mt_onset_step steps[MT_STEPS];
  double gain_change = above->level_dbfs - above->played_dbfs - below->level_dbfs + below->played_dbfs;
  mt_figure played;
  size_t n = 0;

  for (int i = under; i < MT_STEPS; i = i == under ? over : i + 1) {
    const step *s = &l->steps[i];
    if (!s->heard)
      break;
    steps[n++] = (mt_onset_step){s->played_dbfs, s->thd_power, s->thd_error};
  }
  played = mt_onset_find(steps, n, 1, limit);
  mt_reading_set(reading, played.value + gain_between(below, above, limit),
                 hypot(hypot(played.uncertainty, GAIN_DOUBT * gain_change),
                       fmax(below->level_uncertainty, above->level_uncertainty)));
}

static mt_code add_halves(mt_workspace *ws, mt_channel channel, const step *over, mt_error *err)
{
  mt_finding finding = {.channel = channel, .nevidence = 2};
  double differ = fabs(over->peak[0] - over->peak[1]);
  char name[8];

  if (differ < HALVES_DIFFER * over->amplitude || differ < NOISE_PEAK * over->noise_rms)
    snprintf(finding.id, sizeof finding.id, "clips-evenly");
  else
    snprintf(finding.id, sizeof finding.id, "clips-%s-first",
             over->peak[0] < over->peak[1] ? "positive" : "negative");
  if (strcmp(finding.id, "clips-evenly") == 0)
    snprintf(finding.text, sizeof finding.text,
             "Driven to its maximum level, the %s channel distorts both halves of the wave alike.",
             mt_channel_name(channel, name));
  else
    snprintf(finding.text, sizeof finding.text,
             "Driven to its maximum level, the %s channel clips the %s half of the wave first: compare the "
             "supplies "
             "and the bias of its output stage.",
             mt_channel_name(channel, name), over->peak[0] < over->peak[1] ? "positive" : "negative");
  snprintf(finding.evidence[0], sizeof finding.evidence[0],
           "played at %.1f dBFS, peaks reach +%.4f and -%.4f of full scale about their mean",
           over->played_dbfs, over->peak[0], over->peak[1]);
  snprintf(finding.evidence[1], sizeof finding.evidence[1], "harmonic 2 at %.1f dB, harmonic 3 at %.1f dB",
           over->harmonic_db[0], over->harmonic_db[1]);
  if (ws->state[0] != '\0' && strcmp(ws->state, "default") != 0)
    snprintf(finding.evidence[finding.nevidence++], sizeof finding.evidence[0], "in state \"%s\"", ws->state);
  return mt_results_add_finding(ws->results, &finding, err);
}

/* Up to where all was well, and what came above it. */
static void refuse_unreached(mt_reading *reading, const ladder *l, int under, double percent)
{
  const step *s = &l->steps[under];

  for (int i = under + 1; i < MT_STEPS; i++)
    if (l->steps[i].spoilt != MT_VALID)
      mt_reading_refuse(reading, l->steps[i].spoilt, "%g %% not reached up to %.1f dBFS; above: %.70s",
                        percent, s->level_dbfs, l->steps[i].why);
  mt_reading_refuse(reading, MT_NOT_MEASURED,
                    "%g %% THD is not reached up to %.2f dBFS captured, %.2f played", percent, s->level_dbfs,
                    s->played_dbfs);
}

static mt_code read_maximum(mt_workspace *ws, const mt_section *section, mt_channel channel, const ladder *l,
                            mt_error *err)
{
  mt_reading reading = {.quantity = MT_Q_MAX_LEVEL, .channel = channel};
  double percent = ws->max_level_thd_percent;
  double limit = 1e-4 * percent * percent;
  int under = -1, over = -1;
  char name[8];
  mt_code code;

  mt_text_copy(reading.state, sizeof reading.state, ws->state);
  mt_text_copy(reading.segment, sizeof reading.segment, section->name);
  reading.freq_hz = section->segment->freq_hz[channel];
  snprintf(reading.definition, sizeof reading.definition,
           "level of the tone at %g %% THD re the total, orders 2 to %d, between steps", percent,
           MT_ORDERS_MAX);
  if (ws->route_known[channel] && ws->route[channel] == MT_ROUTE_NONE)
    mt_reading_refuse(&reading, MT_NO_SIGNAL, "the %s channel carries no tone",
                      mt_channel_name(channel, name));
  else if (!find_bracket(l, limit, &under, &over))
    mt_reading_refuse(&reading,
                      over >= 0                                ? MT_NOT_MEASURED
                      : section->validity[channel] != MT_VALID ? section->validity[channel]
                                                               : MT_NO_SIGNAL,
                      over >= 0 ? "more than %g %% THD, or noise that hides it, at every level played"
                                : "no step was heard undisturbed, so %g %% THD cannot be looked for",
                      percent);
  else if (over < 0)
    refuse_unreached(&reading, l, under, percent);
  if (reading.validity == MT_VALID)
    set_between(&reading, l, under, over, limit);
  code = mt_workspace_add(ws, &reading, err);
  if (code == MT_OK && reading.validity == MT_VALID)
    code = add_halves(ws, channel, &l->steps[over], err);
  return code;
}

/* ---- the whole --------------------------------------------------------------------------------------- */

typedef struct climb {
  mt_workspace *ws;
  const mt_segment *segment;
  ladder ladders[MT_PAIR];
} climb;

/* A piece of work: a step of one channel. */
static mt_code take_step(void *context, size_t item, unsigned worker, mt_error *err)
{
  climb *all = context;
  size_t c = item / MT_STEPS, which = item % MT_STEPS;

  return read_step(all->ws, all->segment, (mt_channel)c, (unsigned)which, worker,
                   &all->ladders[c].steps[which], err);
}

static mt_code read_channel(mt_workspace *ws, const mt_section *section, mt_channel channel, ladder *l,
                            mt_error *err)
{
  const mt_section *both = mt_workspace_find(ws, "both");
  mt_reading reference = mt_workspace_tone_reading(ws, MT_Q_LEVEL, channel, both);
  mt_code code;

  if (reference.validity == MT_VALID) {
    l->reference_gain_db = mt_tone_level_dbfs(&both->tone[channel]) - ws->stimulus->level_dbfs;
    l->reference_uncertainty = mt_tone_level_uncertainty_db(&both->tone[channel]);
  }
  code = add_curves(ws, section, channel, l, &reference, err);
  return code == MT_OK ? read_maximum(ws, section, channel, l, err) : code;
}

mt_code mt_read_levels(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "levels");
  climb *all;
  mt_code code;

  if (ws->stimulus == NULL || section == NULL || mt_workspace_find(ws, "both") == NULL)
    return MT_OK;
  all = calloc(1, sizeof *all);
  if (all == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the steps of level");
  all->ws = ws;
  all->segment = section->segment;
  code = mt_parallel(ws->nchannels * MT_STEPS, take_step, all, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    code = read_channel(ws, section, c, &all->ladders[c], err);
  free(all);
  return code;
}
