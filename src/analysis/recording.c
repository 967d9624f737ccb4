/*
 * A plain recording: on each channel a steady tone, idle noise, or something that is neither. It may be hours long:
 * both channels are followed side by side over one stretch after another, and no more than that is in memory. A tone
 * needs one way through the recording, a noise another.
 */
#include "analysis/burst.h"
#include "analysis/mean.h"
#include "analysis/path.h"
#include "analysis/watch.h"

#include "base/decibel.h"
#include "base/text.h"
#include "base/wide.h"

#include <stdlib.h>

/* Shorter than this no noise or tone is told apart. */
#define SHORTEST_S 0.1

/* A tone holds at least this share of the power; mains hum below this level is noise, not a test tone. */
#define TONE_SHARE 0.5
#define HUM_BELOW_POWER 1e-4

/* What is followed is taken on by so much at a time, and looks back by so much: a record of a tone, a transform. */
#define STEP_S 1.5
#define LOOK_BACK_S 2.5

/* A recording that begins before its tone: as many records are tried, all over it. */
#define TRIES 15

/* The most that the powers of moments of steady noise may range, and the levels of a steady tone's records. */
#define STEADY_NOISE_DB 6.0
#define STEADY_TONE_DB 0.1

/* What a click is given as its length in a problem. */
#define CLICK_S 0.002

#define SAMPLE_MAX 1e9

/* One channel on its way through the recording. */
typedef struct follower {
  mt_samples samples;
  double mean;
  double square; /* sum of squares about the mean, so far ... */
  size_t seen;   /* ... over so many samples */
  bool is_tone;  /* as far as is known */
  mt_tone_run tone;
  mt_psd_tools tools;
  mt_psd_run density;
  mt_quasi_peak_run *quasi_peak;
  mt_hum_run *hum;
  mt_smooth_mean dc[3]; /* of the whole, the first half, the second half */
  mt_watch watch;
  mt_burst burst;
} follower;

/* Both channels. */
typedef struct followers {
  mt_take_view view;
  follower of[MT_PAIR];
} followers;

static void finish(followers *f)
{
  for (int c = 0; c < MT_PAIR; c++) {
    follower *one = &f->of[c];
    mt_tone_cancel(&one->tone);
    mt_psd_cancel(&one->density);
    mt_psd_tools_finish(&one->tools);
    mt_quasi_peak_destroy(&one->quasi_peak);
    mt_hum_destroy(&one->hum);
    mt_samples_finish(&one->samples);
  }
  mt_take_view_finish(&f->view);
}

/* ---- what goes before --------------------------------------------------------------------------- */

/* Mean and peak: from the take if it knows them. */
static mt_code survey(mt_workspace *ws, follower *f, int c, mt_error *err)
{
  const mt_channel_facts *facts = ws->take->facts != NULL ? &ws->take->facts[c] : NULL;
  double sum = 0.0, peak = 0.0;
  size_t n = f->samples.n, step = (size_t)(STEP_S * ws->take->rate_hz);

  if (facts != NULL) {
    f->mean = facts->mean;
    peak = fmax(fabs((double)facts->least), fabs((double)facts->most));
  }
  for (size_t at = 0; at < n && facts == NULL; at += step) {
    size_t count = n - at < step ? n - at : step;
    const double *x;
    double part;
    mt_code code = mt_samples_look(&f->samples, at, count, &x, err);
    if (code != MT_OK)
      return code;
    peak = fmax(peak, mt_wide_peak(x, count));
    if (!mt_wide_sum(x, count, SAMPLE_MAX, &part))
      part = (double)NAN; /* there is no mean of what is no audio */
    sum += part;
  }
  if (facts == NULL)
    f->mean = sum / (double)n;
  ws->overheard[c].peak = peak;
  if (!(peak <= SAMPLE_MAX) || !isfinite(f->mean))
    return mt_fail(err, MT_E_DATA, "a sample is %g; expected audio, full scale +-1.0", peak);
  return MT_OK;
}

/* Whether there is a tone in a record. */
static mt_code has_tone(follower *f, size_t record, bool *found, mt_error *err)
{
  mt_error ignored;
  mt_sine_fit fit;
  const double *x;
  mt_code code = mt_samples_look(&f->samples, record * f->tone.record, f->tone.record, &x, err);

  if (code == MT_OK)
    *found = mt_fit_sine(x, f->tone.record, f->tone.rate_hz, 0.0, 1, &fit, NULL, &ignored) == MT_OK;
  return code;
}

/* The first record holds no tone. Do most of the others? */
static mt_code try_others(follower *f, bool *most, mt_error *err)
{
  size_t others = f->tone.count - 1, tries = others < TRIES ? others : TRIES, found = 0;
  mt_code code = MT_OK;

  for (size_t i = 0; i < tries && code == MT_OK; i++) {
    bool here = false;
    code = has_tone(f, 1 + i * others / tries, &here, err);
    found += here;
  }
  *most = 2 * found > tries;
  return code;
}

/* ---- the way through ------------------------------------------------------------------------------ */

static mt_code add_squares(follower *f, size_t upto, mt_error *err)
{
  const double *x;
  mt_code code = mt_samples_look(&f->samples, f->seen, upto - f->seen, &x, err);

  if (code == MT_OK)
    f->square += mt_wide_energy(x, upto - f->seen, f->mean);
  f->seen = upto;
  return code;
}

static mt_code follow_tone(follower *f, size_t upto, mt_error *err)
{
  mt_code code;

  if (!f->is_tone)
    return MT_OK;
  code = add_squares(f, upto, err);
  return code == MT_OK ? mt_tone_advance(&f->tone, &f->samples, upto, err) : code;
}

/* No record so far held a tone: look further. */
static mt_code doubt_tone(follower *f, mt_error *err)
{
  if (!f->is_tone || f->tone.next == 0 || f->tone.nabsent != f->tone.next)
    return MT_OK;
  return try_others(f, &f->is_tone, err);
}

static mt_code follow_noise(follower *f, size_t upto, mt_error *err)
{
  mt_code code;

  if (f->is_tone)
    return MT_OK;
  code = mt_psd_advance(&f->density, &f->samples, upto, err);
  if (code == MT_OK && f->quasi_peak != NULL)
    code = mt_quasi_peak_advance(f->quasi_peak, &f->samples, upto, err);
  if (code == MT_OK && f->hum != NULL)
    code = mt_hum_advance(f->hum, &f->samples, upto, err);
  for (int i = 0; i < 3 && code == MT_OK; i++)
    code = mt_smooth_mean_advance(&f->dc[i], &f->samples, upto, err);
  if (code == MT_OK)
    code = mt_burst_advance(&f->burst, &f->samples, upto, err);
  if (code == MT_OK)
    code = mt_watch_advance(&f->watch, &f->samples, upto, err);
  return code;
}

/* A step of both channels, each on a thread of its own. */
typedef struct stride {
  followers *both;
  size_t upto;
  mt_code (*on)(follower *, size_t, mt_error *);
} stride;

static mt_code take_channel_on(void *context, size_t channel, unsigned worker, mt_error *err)
{
  stride *s = context;
  follower *one = &s->both->of[channel];
  mt_take_view borrowed = s->both->view;
  mt_code code;

  (void)worker;
  borrowed.is_borrowed = true;
  one->samples.view = &borrowed;
  code = s->on(one, s->upto, err);
  one->samples.view = &s->both->view;
  return code;
}

/* Take both channels from the beginning to the end, step by step. */
static mt_code follow(const mt_workspace *ws, followers *f, mt_code (*on)(follower *, size_t, mt_error *),
                      mt_code (*between)(follower *, mt_error *), mt_error *err)
{
  stride now = {.both = f, .on = on};
  size_t n = ws->take->nframes, step = (size_t)(STEP_S * ws->take->rate_hz), upto = 0;
  size_t back = (size_t)(LOOK_BACK_S * ws->take->rate_hz);
  mt_code code = MT_OK;

  while (upto < n && code == MT_OK) {
    upto = n - upto < step ? n : upto + step;
    /* all that is looked at now: neither channel may send away what the other one needs */
    code = mt_take_look(&f->view, upto > step + back ? upto - step - back : 0,
                        upto > step + back ? step + back : upto, NULL, err);
    now.upto = upto;
    if (code == MT_OK)
      code = mt_parallel(ws->nchannels, take_channel_on, &now, err);
    for (unsigned c = 0; c < ws->nchannels && code == MT_OK && between != NULL; c++)
      code = between(&f->of[c], err);
  }
  return code;
}

/* ---- a tone ------------------------------------------------------------------------------------------ */

static bool is_mains(double freq_hz)
{
  static const double mains_hz[] = {50.0, 60.0, 100.0, 120.0, 150.0, 180.0};
  for (size_t i = 0; i < sizeof mains_hz / sizeof mains_hz[0]; i++)
    if (fabs(freq_hz - mains_hz[i]) < 0.01 * mains_hz[i])
      return true;
  return false;
}

/* What was followed as a tone is one, or is noise after all. */
static mt_code settle_tone(mt_workspace *ws, follower *f, int c, mt_error *err)
{
  mt_section *section = &ws->sections[0];
  double power = 2.0 * f->square / (double)section->count;
  mt_tone tone;
  mt_code code;

  f->is_tone = f->is_tone && 2 * f->tone.nabsent < f->tone.count;
  if (!f->is_tone)
    return MT_OK;
  code = mt_tone_conclude(&f->tone, &tone, err);
  if (code != MT_OK)
    return code;
  f->is_tone = tone.power > TONE_SHARE * power && mt_tone_is_present(&tone) &&
               !(is_mains(tone.freq_hz) && tone.power < HUM_BELOW_POWER);
  if (!f->is_tone) {
    mt_tone_finish(&tone);
    return MT_OK;
  }
  section->has_tone[c] = true;
  section->tone[c] = tone;
  return MT_OK;
}

/* What disturbed a tone, and whether it is as loud all the time. */
static mt_code report_tone(mt_workspace *ws, int c, mt_error *err)
{
  const mt_section *section = &ws->sections[0];
  const mt_tone *tone = &section->tone[c];
  char name[8];
  mt_code code = mt_workspace_add_events(ws, section, c, err);

  if (code != MT_OK || !(tone->level_spread_db > STEADY_TONE_DB))
    return code;
  return mt_workspace_add_problem(ws, MT_PROBLEM_UNSTEADY, c, 0.0, mt_section_end_s(ws, section), err,
                                  "the tone on the %s channel is not steady: its level changes by %.2f dB",
                                  mt_channel_name(c, name), tone->level_spread_db);
}

static mt_code read_tones(mt_workspace *ws, followers *f, mt_error *err)
{
  mt_code code = MT_OK;

  for (unsigned c = 0; c < ws->nchannels && code == MT_OK; c++) {
    code = mt_tone_begin(&f->of[c].tone, ws->take->nframes, ws->take->rate_hz, 0.0, err);
    f->of[c].tone.may_pause = true;
    f->of[c].is_tone = true;
  }
  if (code == MT_OK)
    code = follow(ws, f, follow_tone, doubt_tone, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    code = settle_tone(ws, &f->of[c], c, err);
  for (unsigned c = 0; c < ws->nchannels; c++)
    mt_tone_cancel(&f->of[c].tone);
  return code;
}

/* ---- noise ------------------------------------------------------------------------------------------- */

static mt_code begin_noise(mt_workspace *ws, follower *f, int c, mt_error *err)
{
  size_t n = ws->take->nframes;
  double rate_hz = ws->take->rate_hz;
  mt_overheard *heard = &ws->overheard[c];
  mt_code code =
      mt_psd_begin(&f->density, &f->tools, n, rate_hz, f->mean, MT_WINDOW_BLACKMAN_HARRIS_4, 0, err);

  if (code != MT_OK)
    return code;
  /* too short, or too slow a rate: a reading the less */
  heard->hum_code = mt_hum_begin(n, rate_hz, &f->hum, &heard->hum_why);
  heard->quasi_peak_code =
      mt_quasi_peak_begin(n, rate_hz, f->mean, true, &f->quasi_peak, &heard->quasi_peak_why);
  mt_smooth_mean_begin(&f->dc[0], 0, n);
  mt_smooth_mean_begin(&f->dc[1], 0, n / 2);
  mt_smooth_mean_begin(&f->dc[2], n - n / 2, n / 2);
  mt_burst_begin(&f->burst, n, rate_hz);
  mt_watch_begin(&f->watch, n, rate_hz);
  return MT_OK;
}

static mt_code report_event(mt_workspace *ws, const mt_watch_event *event, int c, mt_error *err)
{
  double rate_hz = ws->take->rate_hz, begin_s = (double)event->begin / rate_hz,
         end_s = (double)event->end / rate_hz;
  char name[8];

  mt_channel_name(c, name);
  switch (event->kind) {
  case MT_WATCH_CLICK:
    return mt_workspace_add_problem(
        ws, MT_PROBLEM_DROPOUT, c, fmax(0.0, begin_s - 0.5 * CLICK_S), begin_s + 0.5 * CLICK_S, err,
        "the %s channel clicked at %.3f s (%.0f dBFS)", name, begin_s, mt_db_of_ratio(event->size));
  case MT_WATCH_CRACKLE:
    return mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, c, begin_s, end_s, err,
                                    "the %s channel crackled: %zu clicks, the largest %.0f dBFS", name,
                                    event->count, mt_db_of_ratio(event->size));
  case MT_WATCH_STILL: break;
  }
  return mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, c, begin_s, end_s, err,
                                  "the %s channel stood still for %.1f ms", name, 1e3 * (end_s - begin_s));
}

/* Clicks and standstills of a noise that does not make them all the time. */
static mt_code report_events(mt_workspace *ws, const mt_watch *watch, int c, mt_error *err)
{
  double rate_hz = ws->take->rate_hz;
  bool crackly = mt_watch_is_crackly(watch);
  char name[8];
  mt_code code = MT_OK;

  mt_channel_name(c, name);
  if (!mt_watch_can_tell(watch))
    return mt_workspace_add_problem(ws, MT_PROBLEM_UNCHECKED, c, 0.0, mt_section_end_s(ws, &ws->sections[0]),
                                    err, "too short to tell whether the %s channel clicked", name);
  for (size_t i = 0; i < watch->nevents && code == MT_OK; i++)
    if (!crackly || watch->events[i].kind == MT_WATCH_STILL)
      code = report_event(ws, &watch->events[i], c, err);
  if (code == MT_OK && watch->nunlisted > 0 && !crackly)
    code = mt_workspace_add_problem(
        ws, MT_PROBLEM_DROPOUT, c, (double)watch->events[MT_WATCH_EVENTS_MAX - 1].end / rate_hz,
        (double)watch->last / rate_hz, err,
        "%zu more disturbances of the %s channel are not listed one by one", watch->nunlisted, name);
  return code;
}

/* Moments that are louder than the rest: not if each of them is a click, which may lie in two blocks. */
static bool is_unsteady(const mt_burst *burst, const mt_watch *watch)
{
  if (!(mt_burst_range_db(burst) > STEADY_NOISE_DB))
    return false;
  return mt_burst_fall_db(burst) > STEADY_NOISE_DB || mt_watch_is_crackly(watch) ||
         mt_burst_count_louder(burst, STEADY_NOISE_DB) > 2 * watch->nclicks;
}

/* What disturbed a noise, or that it was none. What is no steady noise (speech, music) may well click. */
static mt_code report_noise(mt_workspace *ws, const mt_burst *burst, const mt_watch *watch, int c,
                            mt_error *err)
{
  mt_burst_away away;
  char name[8];
  mt_code code = MT_OK;

  mt_channel_name(c, name);
  if (is_unsteady(burst, watch))
    return mt_workspace_add_problem(ws, MT_PROBLEM_UNSTEADY, c, 0.0, mt_section_end_s(ws, &ws->sections[0]),
                                    err,
                                    "the %s channel is neither a steady tone nor steady noise: its loudest "
                                    "moment is %.0f dB above the usual",
                                    name, fmin(mt_burst_range_db(burst), 200.0));
  if (mt_burst_find_away(burst, &away))
    code = mt_workspace_add_problem(ws, MT_PROBLEM_DROPOUT, c, away.begin_s, away.end_s, err,
                                    "the %s channel was away for %.2f s in all", name, away.total_s);
  return code == MT_OK ? report_events(ws, watch, c, err) : code;
}

static mt_code settle_noise(mt_workspace *ws, follower *f, int c, mt_error *err)
{
  mt_overheard *heard = &ws->overheard[c];

  mt_psd_conclude(&f->density, &ws->sections[0].noise[c]);
  ws->sections[0].has_noise[c] = true;
  if (f->hum != NULL)
    mt_hum_conclude(f->hum, &heard->hum);
  if (f->quasi_peak != NULL)
    mt_quasi_peak_conclude(f->quasi_peak, &heard->quasi_peak);
  heard->dc_whole = mt_smooth_mean_value(&f->dc[0]);
  heard->dc_early = mt_smooth_mean_value(&f->dc[1]);
  heard->dc_late = mt_smooth_mean_value(&f->dc[2]);
  return report_noise(ws, &f->burst, &f->watch, c, err);
}

static mt_code read_noises(mt_workspace *ws, followers *f, mt_error *err)
{
  bool any = false;
  mt_code code = MT_OK;

  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    if (!f->of[c].is_tone) {
      code = begin_noise(ws, &f->of[c], c, err);
      any = true;
    }
  if (code == MT_OK && any)
    code = follow(ws, f, follow_noise, NULL, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    if (!f->of[c].is_tone)
      code = settle_noise(ws, &f->of[c], c, err);
  return code;
}

/* ---- both ---------------------------------------------------------------------------------------------- */

static mt_code follow_channels(mt_workspace *ws, mt_error *err)
{
  followers *f = calloc(1, sizeof *f);
  mt_code code = MT_OK;

  if (f == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to follow a recording");
  f->view.take = ws->take;
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++) {
    f->of[c].samples = mt_samples_of_take(&f->view, (unsigned)c);
    code = survey(ws, &f->of[c], c, err);
  }
  if (code == MT_OK)
    code = read_tones(ws, f, err);
  if (code == MT_OK)
    code = read_noises(ws, f, err);
  finish(f);
  free(f);
  return code;
}

mt_code mt_workspace_init_recording(mt_workspace *ws, mt_error *err)
{
  mt_section *section = &ws->sections[0];
  mt_code code;

  if ((double)ws->take->nframes < SHORTEST_S * ws->take->rate_hz)
    return mt_fail(err, MT_E_DATA, "the recording has %zu frames (%.3f s); expected at least %g s",
                   ws->take->nframes, (double)ws->take->nframes / ws->take->rate_hz, SHORTEST_S);
  ws->nsections = 1;
  section->count = ws->take->nframes;
  code = mt_workspace_take_problems(ws, err);
  if (code == MT_OK)
    code = follow_channels(ws, err);
  if (code == MT_OK)
    code = mt_path_look(ws, err);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    if (section->has_tone[c])
      code = report_tone(ws, c, err);
  return code;
}
