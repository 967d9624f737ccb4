/* Response and phase of each channel over frequency, from the sweep. */
#include "analysis/response.h"
#include "analysis/sweep_check.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdlib.h>
#include <string.h>

/* 80 points a decade hold every preferred third-octave frequency of IEC 61260-1 (10^(k/10)). */
#define POINTS_PER_DECADE 80
#define POINTS_MAX 600
#define REFERENCE_HZ 997.0
/* The edge of a codec's band rings for a few milliseconds. */
#define CUT_AFTER_S 0.02
/* A harmonic folded onto the response is known from the reference tone, at another place of the unit's filters. */
#define FOLD_TAKEN 1.5

/* What one channel's sweep tells, found without a word to the workspace's results, so that both can be read at once. */
typedef struct swept {
  mt_validity validity; /* MT_VALID: `h` is filled; else `why` says why there is no curve */
  char why[128];
  mt_sweep_event events[MT_SWEEP_EVENTS_MAX];
  size_t nevents;
  mt_transfer h;    /* owned */
  size_t reference; /* the point at the reference frequency */
} swept;

/* Equal ratios, with the reference frequency among them. @return how many; `at` is the reference's place. */
static size_t lay_grid(double from_hz, double to_hz, double *freq_hz, size_t *at)
{
  size_t count = 0;
  int first = (int)ceil(POINTS_PER_DECADE * log10(from_hz / 1000.0));

  for (int k = first; count + 1 < POINTS_MAX; k++) {
    double f = 1000.0 * pow(10.0, (double)k / POINTS_PER_DECADE);
    if (k == 0) {
      *at = count;
      freq_hz[count++] = REFERENCE_HZ;
    }
    if (f > to_hz)
      break;
    freq_hz[count++] = f;
  }
  return count;
}

static mt_code add_curves(mt_workspace *ws, const mt_section *section, mt_channel channel,
                          const mt_transfer *h, size_t reference, mt_error *err)
{
  mt_curve curve = {.quantity = MT_Q_RESPONSE, .channel = channel};
  double reference_db = h->gain_db[reference], reference_uncertainty_db = h->uncertainty_db[reference];
  mt_code code;

  mt_text_copy(curve.segment, sizeof curve.segment, section->name);
  mt_text_copy(curve.state, sizeof curve.state, ws->state);
  curve.validity = section->validity[channel];
  mt_text_copy(curve.why, sizeof curve.why, section->why[channel]);
  curve.npoints = h->npoints;
  curve.x = h->freq_hz;
  curve.y = h->gain_db;
  curve.uncertainty = h->uncertainty_db;
  curve.has_reference = true;
  curve.reference_db = reference_db;
  curve.reference_uncertainty_db = reference_uncertainty_db;
  for (size_t i = 0; i < h->npoints; i++) {
    h->gain_db[i] -= reference_db;
    /* the reference is as noisy as any point; beside it they share some noise, and this is too much */
    if (i != reference)
      h->uncertainty_db[i] = hypot(h->uncertainty_db[i], reference_uncertainty_db);
  }
  code = mt_results_add_curve(ws->results, &curve, err);
  if (code != MT_OK)
    return code;
  curve.quantity = MT_Q_PHASE;
  curve.has_reference = false;
  curve.y = h->phase_deg;
  curve.uncertainty = h->uncertainty_deg;
  return mt_results_add_curve(ws->results, &curve, err);
}

/*
 * What the estimate itself cannot know: where a harmonic folds back onto the sweep it cannot be told from the
 * response, and a clock known only so well turns the phase more the later the sweep reaches a frequency.
 */
static void widen(const mt_workspace *ws, const mt_section *section, mt_channel channel, mt_transfer *h)
{
  const mt_section *both = mt_workspace_find(ws, "both");
  const mt_tone *tone = both != NULL && both->has_tone[channel] ? &both->tone[channel] : NULL;
  const mt_segment *sweep = section->segment;
  double rate_hz = ws->take->rate_hz / (1.0 + 1e-6 * ws->clock_offset_ppm);

  for (size_t i = 0; i < h->npoints; i++) {
    double f = h->freq_hz[i], folded = 0.0,
           degrees; /* amplitudes of different orders, of any phase: by power */
    for (int k = 2; tone != NULL && tone->power > 0.0 && k <= tone->norders; k++)
      if (tone->harmonic_power[k] > 2.0 * tone->harmonic_error[k]) {
        double share = mt_response_fold_share(sweep, rate_hz, k, f);
        /* its own sweep begins at its order times the lowest frequency, and through the gate cut short there it is
           heard by a quarter, less and less above; measured with harmonics of -40 dB */
        share += 0.25 * pow(10.0, -f / sweep->from_hz + 2.0);
        folded = hypot(folded, FOLD_TAKEN * share * sqrt(tone->harmonic_power[k] / tone->power));
      }
    degrees = mt_workspace_clock_deg(ws, sweep, f);
    h->uncertainty_db[i] = hypot(h->uncertainty_db[i], mt_db_of_relative(folded));
    h->uncertainty_deg[i] = fmin(180.0, hypot(hypot(h->uncertainty_deg[i], folded * 180.0 / MT_PI), degrees));
  }
}

/* A curve that says why it is empty. */
static mt_code add_empty(mt_workspace *ws, const mt_section *section, mt_channel channel,
                         mt_validity validity, const char *why, mt_error *err)
{
  static double nothing = 0.0;
  mt_curve curve = {.quantity = MT_Q_RESPONSE, .channel = channel, .validity = validity};

  mt_text_copy(curve.segment, sizeof curve.segment, section->name);
  mt_text_copy(curve.state, sizeof curve.state, ws->state);
  mt_text_copy(curve.why, sizeof curve.why, why);
  curve.x = curve.y = curve.uncertainty = &nothing;
  return mt_results_add_curve(ws->results, &curve, err);
}

/* What ends with the sweep is the end of the unit's band (a codec's or a converter's steep low-pass), not an
   interruption: the response itself shows it. Two events this close belong together. */
#define TOGETHER_S 0.03

static size_t without_band_end(const mt_sweep_event *events, size_t nevents, double sweep_end_s)
{
  double end_s = sweep_end_s;
  bool is_gone = nevents > 0 && events[nevents - 1].depth_db < -20.0;

  while (is_gone && nevents > 0 && events[nevents - 1].end_s > end_s - TOGETHER_S)
    end_s = events[--nevents].begin_s;
  return nevents;
}

/* Mean square from ... to, seconds of the take. */
static double mean_square(const double *x, size_t n, double rate_hz, double from_s, double to_s)
{
  size_t from = (size_t)(fmax(0.0, from_s) * rate_hz), to = (size_t)(fmax(0.0, to_s) * rate_hz);
  double sum = 0.0;

  for (size_t i = from; i < to && i < n; i++)
    sum += x[i] * x[i];
  return to > from ? sum / (double)(to - from) : 0.0;
}

/*
 * A codec cuts the band off at once, well before the sweep ends: from there on it is gone, 30 dB at the least. The
 * curve says itself that nothing is known up there (path.c).
 */
static bool is_cut_off(const mt_workspace *ws, const mt_section *section, const double *x, double start_frame,
                       const mt_sweep_event *event)
{
  const mt_segment *sweep = section->segment;
  double rate_hz = ws->take->rate_hz, ratio = 1.0 + 1e-6 * ws->clock_offset_ppm;
  double end_s =
      start_frame / rate_hz + (sweep->start_s + sweep->duration_s - sweep->fade_out_s) / ratio - CUT_AFTER_S;
  double from_s = event->end_s + CUT_AFTER_S;

  return ws->path_is_lossy && from_s < end_s &&
         mean_square(x, ws->take->nframes, rate_hz, from_s, end_s) <
             1e-3 * mean_square(x, ws->take->nframes, rate_hz, event->begin_s - 0.1, event->begin_s - 0.02);
}

/* A response read over an interruption looks right and is wrong. */
static mt_code find_interruptions(const mt_workspace *ws, const mt_section *section, const double *x,
                                  double start_frame, swept *out, mt_error *err)
{
  mt_code code = mt_sweep_find_events(x, ws->take->nframes, ws->take->rate_hz, section->segment, start_frame,
                                      1.0 + 1e-6 * ws->clock_offset_ppm, out->events, MT_SWEEP_EVENTS_MAX,
                                      &out->nevents, err);
  size_t nevents = without_band_end(out->events, out->nevents, mt_section_end_s(ws, section));

  out->nevents = 0;
  while (code == MT_OK && out->nevents < nevents &&
         !is_cut_off(ws, section, x, start_frame, &out->events[out->nevents]))
    out->nevents++;
  return code;
}

static mt_code add_interruptions(mt_workspace *ws, mt_channel channel, const swept *found, mt_error *err)
{
  char name[8];
  mt_code code = MT_OK;

  for (size_t i = 0; i < found->nevents && code == MT_OK; i++)
    code = mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, channel, found->events[i].begin_s,
                                    found->events[i].end_s, err,
                                    "the sweep on the %s channel was interrupted (%.0f dB inside)",
                                    mt_channel_name(channel, name), found->events[i].depth_db);
  return code;
}

/* A curve at a frequency, straight over log f; false beyond its ends. */
static bool look_up(const mt_curve *curve, double freq_hz, double *y, double *uncertainty)
{
  size_t i = 0;
  double part;

  while (i < curve->npoints && curve->x[i] < freq_hz * (1.0 - 1e-9))
    i++;
  if (i == curve->npoints)
    return false;
  part = 1.0;
  if (curve->x[i] > freq_hz * (1.0 + 1e-9)) {
    if (i == 0)
      return false;
    part = log(freq_hz / curve->x[i - 1]) / log(curve->x[i] / curve->x[i - 1]);
  }
  *y = i == 0 ? curve->y[0] : curve->y[i - 1] + part * (curve->y[i] - curve->y[i - 1]);
  *uncertainty = part < 1.0 ? fmax(curve->uncertainty[i - 1], curve->uncertainty[i]) : curve->uncertainty[i];
  return true;
}

/* What the rig does to the response by itself; where that is not known the unit's is not known either. */
static void take_off_loop(const mt_curve *loop, mt_transfer *h, size_t *reference)
{
  size_t kept = 0, at = *reference;
  double own, uncertainty;

  if (loop == NULL || loop->npoints == 0 || !look_up(loop, h->freq_hz[at], &own, &uncertainty))
    return;
  for (size_t i = 0; i < h->npoints; i++) {
    if (!look_up(loop, h->freq_hz[i], &own, &uncertainty))
      continue;
    h->freq_hz[kept] = h->freq_hz[i];
    h->gain_db[kept] = h->gain_db[i] - own;
    h->uncertainty_db[kept] = hypot(h->uncertainty_db[i], uncertainty);
    h->phase_deg[kept] = h->phase_deg[i];
    h->uncertainty_deg[kept] = h->uncertainty_deg[i];
    if (i == at)
      *reference = kept;
    kept++;
  }
  h->npoints = kept;
}

/* The response of what was captured. A channel whose sweep cannot be read says so and is no error. */
static mt_code read_captured(const mt_workspace *ws, const mt_section *section, mt_channel channel,
                             swept *out, mt_error *err)
{
  const mt_section *idle = mt_workspace_find(ws, "idle");
  const mt_psd *noise = idle != NULL && idle->has_noise[channel] ? &idle->noise[channel] : NULL;
  double freq_hz[POINTS_MAX], from_hz = 0.0, to_hz = 0.0;
  size_t npoints;
  mt_code code;

  if (!mt_response_band(section->segment, ws->take->rate_hz, &from_hz, &to_hz))
    return mt_fail(err, MT_E_ARG, "not a sweep to read a response from");
  npoints = lay_grid(from_hz, to_hz, freq_hz, &out->reference);
  code = mt_response_of_capture(ws->sweep, &ws->swept[channel], section->segment->amplitude[channel], noise,
                                freq_hz, npoints, &out->h, err);
  if (code != MT_OK)
    return code;
  widen(ws, section, channel, &out->h);
  take_off_loop(ws->loop_response[channel], &out->h, &out->reference);
  return MT_OK;
}

static mt_code refuse(swept *out, mt_validity validity, const char *why)
{
  out->validity = validity;
  mt_text_copy(out->why, sizeof out->why, why);
  return MT_OK;
}

/* Of the workspace only the channel's own capture is written. */
static mt_code hear_samples(mt_workspace *ws, const mt_section *section, mt_channel channel, double *x,
                            swept *out, mt_error *err)
{
  const mt_location *at = ws->location;
  double start_frame = at->arrived[channel] ? at->arrival_frame[channel] : at->start_frame;
  mt_error why = {0};
  mt_code code;

  mt_workspace_copy_sweep(ws, section, channel, x);
  code = find_interruptions(ws, section, x, start_frame, out, err);
  if (code != MT_OK)
    return code;
  code = mt_workspace_sweep(ws, section, channel, x, &why);
  if (code == MT_OK)
    code = read_captured(ws, section, channel, out, &why);
  if (code == MT_E_DATA)
    return refuse(out, MT_NO_SIGNAL, why.message);
  return code == MT_OK ? MT_OK : mt_fail(err, code, "%s", why.message);
}

typedef struct hearing {
  mt_workspace *ws;
  const mt_section *section;
  swept *found; /* of each channel */
} hearing;

/* A piece of work: one channel. */
static mt_code hear_channel(void *context, size_t item, unsigned worker, mt_error *err)
{
  const hearing *h = context;
  mt_workspace *ws = h->ws;
  const mt_section *section = h->section;
  mt_channel channel = (mt_channel)item;
  swept *out = &h->found[item];
  double from_hz, to_hz, *x;
  mt_code code;

  (void)worker;
  if (ws->route_known[channel] && ws->route[channel] == MT_ROUTE_NONE)
    return refuse(out, MT_NO_SIGNAL, "the channel carries no tone");
  if (!mt_response_band(section->segment, ws->take->rate_hz, &from_hz, &to_hz))
    return refuse(out, MT_NOT_MEASURED, "the sweep covers too little");
  x = malloc(ws->take->nframes * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", ws->take->nframes);
  code = hear_samples(ws, section, channel, x, out, err);
  free(x);
  return code;
}

static mt_code add_channel(mt_workspace *ws, const mt_section *section, mt_channel channel,
                           const swept *found, mt_error *err)
{
  mt_code code = add_interruptions(ws, channel, found, err);

  if (code != MT_OK)
    return code;
  if (found->validity != MT_VALID)
    return add_empty(ws, section, channel, found->validity, found->why, err);
  return add_curves(ws, section, channel, &found->h, found->reference, err);
}

mt_code mt_read_response(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "sweep");
  double from_hz, to_hz;
  swept *found;
  mt_code code = MT_OK;

  if (section == NULL || ws->stimulus == NULL)
    return MT_OK;
  found = calloc(MT_PAIR, sizeof *found);
  if (found == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a response");
  if (mt_response_band(section->segment, ws->take->rate_hz, &from_hz, &to_hz))
    code = mt_workspace_render_sweep(ws, section, err);
  if (code == MT_OK)
    code = mt_parallel(ws->nchannels, hear_channel, &(hearing){ws, section, found}, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    code = add_channel(ws, section, c, &found[c], err);
  for (int c = 0; c < MT_PAIR; c++)
    mt_transfer_finish(&found[c].h);
  free(found);
  return code;
}
