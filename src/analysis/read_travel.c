/* A knob that is turned while a tone runs on each channel: how far it goes, how evenly, and what its track does. */
#include "analysis/travel.h"
#include "analysis/workspace.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A cell of the tracking stands for half a decibel to either side, and a hand does not stop exactly there. */
#define REACHED_DB 1.0
/* Of a longer way so much must be seen for a count of none: where it is listened to (common practice, no source). */
#define SEEN_LEAST_DB 30.0
#define NOT_AT_FULL "at no moment are both channels at full and %.0f dB above the noise"
/* Two windows of a level are half apart: of every other one a curve is made. */
#define EVERY_POINT 2

typedef struct reader {
  mt_workspace *ws;
  const mt_section *section;
  mt_travel travel;
  mt_validity validity[MT_PAIR]; /* of what is read from a channel, and why */
  char why[MT_PAIR][128];
  double begin_s; /* of the section, from the recording's beginning */
} reader;

/* ---- what can be said of a channel -------------------------------------------------------------------------- */

static void refuse(reader *r, int c, mt_validity validity, const char *why)
{
  if (r->validity[c] != MT_VALID)
    return;
  r->validity[c] = validity;
  mt_text_copy(r->why[c], sizeof r->why[c], why);
}

static void qualify(reader *r, int c)
{
  static const char *const names[MT_PAIR] = {"left", "right"};
  const mt_travel *t = &r->travel;
  double range_db = t->full_dbfs[c] - t->lowest_dbfs[c];
  char why[128];

  if (r->section->validity[c] != MT_VALID)
    refuse(r, c, r->section->validity[c], r->section->why[c]);
  snprintf(why, sizeof why, "the %s channel hears the %s one's tone", names[c], names[1 - c]);
  if (t->swapped[c])
    refuse(r, c, MT_NO_SIGNAL, why);
  snprintf(why, sizeof why, "the %s channel carries no tone", names[c]);
  if (!t->heard[c])
    refuse(r, c, MT_NO_SIGNAL, why);
  snprintf(why, sizeof why, "the knob was hardly turned: the %s level moved by %.1f dB", names[c], range_db);
  if (range_db < MT_TRAVEL_TURNED_DB)
    refuse(r, c, MT_NOT_MEASURED, why);
}

static mt_reading reading_of(const reader *r, mt_quantity quantity, mt_channel channel)
{
  mt_reading reading = mt_workspace_reading(r->ws, quantity, channel, r->section);

  for (int c = 0; c < MT_PAIR; c++)
    if ((channel == c || channel == MT_CHANNEL_BOTH) && r->validity[c] != MT_VALID)
      mt_reading_refuse(&reading, r->validity[c], "%s", r->why[c]);
  return reading;
}

/* ---- readings ----------------------------------------------------------------------------------------------- */

static mt_code add_range(reader *r, int c, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_reading reading = reading_of(r, MT_Q_CONTROL_RANGE, c);

  reading.freq_hz = r->section->segment->freq_hz[c];
  mt_reading_set(&reading, t->full_dbfs[c] - t->lowest_dbfs[c], 2.0 * t->lowest_sigma_db[c] + 0.01);
  if (reading.validity == MT_VALID && t->is_bound[c]) {
    reading.validity = MT_RIG_LIMITED;
    reading.uncertainty = 0.0;
    snprintf(reading.why, sizeof reading.why, "turned down the tone sinks into the noise: at least this");
  }
  return mt_workspace_add(r->ws, &reading, err);
}

static mt_code add_count(reader *r, mt_quantity quantity, mt_channel channel, size_t count, mt_error *err)
{
  mt_reading reading = reading_of(r, quantity, channel);

  mt_reading_set(&reading, (double)count, 0.0);
  return mt_workspace_add(r->ws, &reading, err);
}

/* Where the noise hides the tone it hides its faults, too: none found is none only where most of the way was seen. */
static mt_code add_seen(reader *r, mt_quantity quantity, int c, size_t count, double seen_db, mt_error *err)
{
  mt_reading reading = reading_of(r, quantity, c);
  double way_db = r->travel.full_dbfs[c] - r->travel.lowest_dbfs[c];

  if (count == 0 && seen_db < fmin(SEEN_LEAST_DB, way_db - REACHED_DB))
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "none down to -%.0f dB; further down noise hides them",
                      seen_db);
  mt_reading_set(&reading, (double)count, 0.0);
  return mt_workspace_add(r->ws, &reading, err);
}

/* A dead spot is told from the other channel. */
static mt_code add_dead_spots(reader *r, int c, mt_error *err)
{
  const mt_travel *t = &r->travel;
  size_t count = t->count[c][MT_TRAVEL_LOST] + t->count[c][MT_TRAVEL_STUCK];
  double seen_db = t->ncells > 0 ? t->cells[t->ncells - 1].attenuation_db : 0.0;
  mt_reading reading = reading_of(r, MT_Q_DEAD_SPOTS, c);

  if (count > 0 || (t->has_balance && r->validity[1 - c] == MT_VALID))
    return add_seen(r, MT_Q_DEAD_SPOTS, c, count, seen_db, err);
  if (r->validity[1 - c] != MT_VALID)
    mt_reading_refuse(&reading, MT_NOT_MEASURED, "the other channel does not tell: %s", r->why[1 - c]);
  else
    mt_reading_refuse(&reading, MT_NOT_MEASURED, NOT_AT_FULL, MT_TRAVEL_SNR_DB);
  return mt_workspace_add(r->ws, &reading, err);
}

static mt_code add_channel(reader *r, int c, mt_error *err)
{
  const size_t *count = r->travel.count[c];
  mt_code code = add_range(r, c, err);

  if (code == MT_OK)
    code = add_count(r, MT_Q_SCRATCHES, c, count[MT_TRAVEL_SCRATCH], err);
  if (code == MT_OK)
    code = add_dead_spots(r, c, err);
  if (code == MT_OK && !r->travel.is_stepped)
    code = add_seen(r, MT_Q_LEVEL_JUMPS, c, count[MT_TRAVEL_JUMP], r->travel.clear_to_db[c], err);
  return code;
}

/* The largest error down to an attenuation, and where it is. */
static mt_code add_tracking(reader *r, mt_quantity quantity, double down_to_db, mt_error *err)
{
  const mt_travel *t = &r->travel;
  const mt_travel_cell *worst = mt_travel_worst(t, down_to_db);
  double reached_db = t->ncells > 0 ? t->cells[t->ncells - 1].attenuation_db : 0.0;
  mt_reading reading = reading_of(r, quantity, MT_CHANNEL_BOTH);

  if (worst == NULL)
    mt_reading_refuse(&reading, MT_NOT_MEASURED, NOT_AT_FULL, MT_TRAVEL_SNR_DB);
  else if (isfinite(down_to_db) && reached_db < down_to_db - REACHED_DB)
    mt_reading_refuse(&reading, MT_NOT_MEASURED,
                      "both channels could be followed down to -%.0f dB only: not turned further, or noise",
                      reached_db);
  if (worst == NULL)
    return mt_workspace_add(r->ws, &reading, err);
  mt_reading_set(&reading, worst->error_db, worst->uncertainty_db);
  if (reading.validity == MT_VALID)
    snprintf(reading.definition, sizeof reading.definition, "at -%.0f dB; looked for down to -%.0f dB",
             worst->attenuation_db, fmin(reached_db, down_to_db));
  return mt_workspace_add(r->ws, &reading, err);
}

static mt_code add_steps(reader *r, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_reading steps = reading_of(r, MT_Q_CONTROL_STEPS, MT_CHANNEL_BOTH);
  mt_reading size = reading_of(r, MT_Q_STEP_SIZE, MT_CHANNEL_BOTH);
  mt_code code;

  if (!t->is_stepped)
    return MT_OK;
  mt_reading_set(&steps, (double)t->nsteps, 0.0);
  snprintf(steps.definition, sizeof steps.definition, "levels it rested on down to -%.1f dB, less one",
           t->stepped_to_db);
  mt_reading_set(&size, t->step_db, t->step_uncertainty_db);
  snprintf(size.definition, sizeof size.definition, "mean of those within a quarter of their median");
  code = mt_workspace_add(r->ws, &steps, err);
  return code == MT_OK ? mt_workspace_add(r->ws, &size, err) : code;
}

/* ---- curves ------------------------------------------------------------------------------------------------- */

static mt_curve curve_of(const reader *r, mt_quantity quantity, mt_channel channel, mt_unit x_unit)
{
  mt_curve curve =
      mt_workspace_curve(r->ws, quantity, channel == MT_CHANNEL_BOTH ? MT_LEFT : channel, r->section);

  curve.channel = channel;
  curve.x_unit = x_unit;
  for (int c = 0; c < MT_PAIR; c++)
    if ((channel == c || channel == MT_CHANNEL_BOTH) && curve.validity == MT_VALID &&
        r->validity[c] != MT_VALID) {
      curve.validity = r->validity[c];
      mt_text_copy(curve.why, sizeof curve.why, r->why[c]);
    }
  return curve;
}

static mt_code give(reader *r, mt_curve *curve, double *room, size_t n, mt_error *err)
{
  curve->npoints = curve->validity == MT_VALID ? n : 0;
  curve->x = room;
  curve->y = room + n;
  curve->uncertainty = room + 2 * n;
  return n > 0 ? mt_workspace_add_curve(r->ws, curve, err) : MT_OK;
}

static mt_code add_level(reader *r, int c, double *room, mt_error *err)
{
  const mt_travel *t = &r->travel;
  size_t n = t->npoints / EVERY_POINT;
  mt_curve curve = curve_of(r, MT_Q_LEVEL, c, MT_UNIT_SECOND);

  for (size_t i = 0; i < n; i++) {
    const mt_travel_point *p = &t->points[i * EVERY_POINT];
    room[i] = r->begin_s + p->at_s;
    room[n + i] = p->level_dbfs[c];
    room[2 * n + i] = p->snr_db[c] < MT_TRAVEL_HEARD_DB ? MT_CURVE_BOUND_DB : 2.0 * p->sigma_db[c];
  }
  return give(r, &curve, room, n, err);
}

static mt_code add_balance(reader *r, double *room, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_curve curve = curve_of(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, MT_UNIT_SECOND);
  size_t n = 0, most = t->npoints / EVERY_POINT;

  for (size_t i = 0; i < most; i++) {
    const mt_travel_point *p = &t->points[i * EVERY_POINT];
    if (p->snr_db[0] < MT_TRAVEL_SNR_DB || p->snr_db[1] < MT_TRAVEL_SNR_DB)
      continue;
    room[n] = r->begin_s + p->at_s;
    room[most + n] = p->level_dbfs[0] - p->level_dbfs[1];
    room[2 * most + n] = 2.0 * hypot(p->sigma_db[0], p->sigma_db[1]);
    n++;
  }
  memmove(room + n, room + most, n * sizeof *room);
  memmove(room + 2 * n, room + 2 * most, n * sizeof *room);
  return give(r, &curve, room, n, err);
}

static mt_code add_tracking_curve(reader *r, double *room, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_curve curve = curve_of(r, MT_Q_TRACKING_ERROR, MT_CHANNEL_BOTH, MT_UNIT_DB);
  size_t n = t->ncells;

  for (size_t i = 0; i < n; i++) {
    room[i] = t->cells[i].attenuation_db;
    room[n + i] = t->cells[i].error_db;
    room[2 * n + i] = t->cells[i].uncertainty_db;
  }
  return give(r, &curve, room, n, err);
}

/* Each scratch is a point: when, and how loud. */
static mt_code add_scratches(reader *r, int c, double *room, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_curve curve = curve_of(r, MT_Q_SCRATCH_LEVEL, c, MT_UNIT_SECOND);
  size_t n = 0;

  for (size_t i = 0; i < t->nevents; i++)
    if (t->events[i].kind == MT_TRAVEL_SCRATCH && t->events[i].channel == c)
      n++;
  for (size_t i = 0, at = 0; i < t->nevents; i++) {
    const mt_travel_event *e = &t->events[i];
    if (e->kind != MT_TRAVEL_SCRATCH || e->channel != c)
      continue;
    room[at] = r->begin_s + e->begin_s;
    room[n + at] = e->level_dbfs;
    /* power of so many samples of noise: twice 4.34 sqrt(2 / (2 B T)), B 18 kHz */
    room[2 * n + at] = 8.7 / sqrt(18e3 * fmax(e->length_s, 1e-3));
    at++;
  }
  return give(r, &curve, room, n, err);
}

static mt_code add_curves(reader *r, mt_error *err)
{
  const mt_travel *t = &r->travel;
  size_t most = t->npoints + t->ncells + MT_TRAVEL_EVENTS_MAX;
  double *room = malloc(3 * most * sizeof *room);
  mt_code code = MT_OK;

  if (room == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for curves of %zu points", most);
  for (int c = 0; c < MT_PAIR && code == MT_OK; c++) {
    code = add_level(r, c, room, err);
    if (code == MT_OK)
      code = add_scratches(r, c, room, err);
  }
  if (code == MT_OK)
    code = add_balance(r, room, err);
  if (code == MT_OK)
    code = add_tracking_curve(r, room, err);
  free(room);
  return code;
}

/* ---- findings ----------------------------------------------------------------------------------------------- */

static void describe(const reader *r, const mt_travel_event *e, char *out, size_t size)
{
  double at_s = r->begin_s + e->begin_s;

  switch (e->kind) {
  case MT_TRAVEL_SCRATCH:
    snprintf(out, size,
             "a burst at %.2f s, turned down by %.0f dB: %.0f ms, %.0f dB above the noise over 6 kHz", at_s,
             fmax(0.0, e->attenuation_db), 1e3 * e->length_s, e->size_db);
    break;
  case MT_TRAVEL_LOST:
    snprintf(out, size, "at %.2f s, turned down by %.0f dB, the level falls by %.0f dB%s for %.0f ms", at_s,
             fmax(0.0, e->attenuation_db), e->size_db, e->to_the_end ? " or more" : "", 1e3 * e->length_s);
    break;
  case MT_TRAVEL_STUCK:
    snprintf(out, size,
             "at %.2f s, turned down by %.0f dB, it rests while the other channel moves by %.1f dB", at_s,
             fmax(0.0, e->attenuation_db), e->size_db);
    break;
  case MT_TRAVEL_JUMP:
    snprintf(out, size, "at %.2f s, turned down by %.0f dB, the level jumps by %+.1f dB", at_s,
             fmax(0.0, e->attenuation_db), e->size_db);
    break;
  case MT_TRAVEL_KINDS: break;
  }
}

static mt_code add_finding(reader *r, int c, mt_travel_kind kind, const char *id, const char *text,
                           mt_error *err)
{
  mt_finding finding = {.channel = c};
  size_t n = 0;

  mt_text_copy(finding.id, sizeof finding.id, id);
  mt_text_copy(finding.text, sizeof finding.text, text);
  for (size_t i = 0; i < r->travel.nevents; i++) {
    const mt_travel_event *e = &r->travel.events[i];
    if (e->kind != kind || e->channel != c)
      continue;
    if (finding.nevidence < 3)
      describe(r, e, finding.evidence[finding.nevidence++], sizeof finding.evidence[0]);
    n++;
  }
  if (n > 3)
    snprintf(finding.evidence[finding.nevidence++], sizeof finding.evidence[0], "%zu more such moments%s",
             n - 3, r->travel.nevents == MT_TRAVEL_EVENTS_MAX ? " or more" : "");
  return n > 0 ? mt_results_add_finding(r->ws->results, &finding, err) : MT_OK;
}

static mt_code add_findings_of(reader *r, int c, mt_error *err)
{
  char name[8], text[256];
  mt_code code;

  mt_channel_name(c, name);
  snprintf(text, sizeof text,
           "The %s channel crackles while the knob is turned: likely a dirty or worn track, or DC across it. "
           "Check "
           "first: clean the control; DC at its ends; the same places again mean wear.",
           name);
  code = add_finding(r, c, MT_TRAVEL_SCRATCH, "knob-scratches", text, err);
  snprintf(
      text, sizeof text,
      "The %s channel goes away at a place of the knob's travel: likely a gap in its track or a wiper that "
      "lifts. Check first: turn to that place by hand; clean, else replace the control.",
      name);
  if (code == MT_OK)
    code = add_finding(r, c, MT_TRAVEL_LOST, "knob-gap", text, err);
  snprintf(text, sizeof text,
           "The %s channel does not follow the knob at a place where the other one does: likely a damaged "
           "track of "
           "that gang. Check first: its resistance from wiper to end while it is turned.",
           name);
  if (code == MT_OK)
    code = add_finding(r, c, MT_TRAVEL_STUCK, "knob-stuck", text, err);
  snprintf(
      text, sizeof text,
      "The %s channel's level jumps while the knob is turned: a worn track, or a control with few steps.",
      name);
  return code == MT_OK ? add_finding(r, c, MT_TRAVEL_JUMP, "knob-jumps", text, err) : code;
}

static mt_code add_odd_steps(reader *r, mt_error *err)
{
  const mt_travel *t = &r->travel;
  mt_finding finding = {.id = "knob-odd-steps", .channel = MT_CHANNEL_BOTH};

  if (!t->is_stepped || t->nodd == 0)
    return MT_OK;
  snprintf(finding.text, sizeof finding.text,
           "Of %zu steps of %.2f dB %zu are of another size: turned too fast there to be told apart, or the "
           "control "
           "leaves steps out. Turn slower past those places before you blame it.",
           t->nsteps, t->step_db, t->nodd);
  for (size_t i = 0; i < t->nodd && i < 3; i++)
    snprintf(finding.evidence[finding.nevidence++], sizeof finding.evidence[0],
             "below -%.1f dB the step is %.2f dB", fmax(0.0, t->odd_at_db[i]), t->odd_db[i]);
  return mt_results_add_finding(r->ws->results, &finding, err);
}

static mt_code add_findings(reader *r, mt_error *err)
{
  mt_code code = MT_OK;

  for (int c = 0; c < MT_PAIR && code == MT_OK; c++)
    if (r->validity[c] == MT_VALID)
      code = add_findings_of(r, c, err);
  return code == MT_OK && r->validity[0] == MT_VALID && r->validity[1] == MT_VALID ? add_odd_steps(r, err)
                                                                                   : code;
}

/* ---- the whole ---------------------------------------------------------------------------------------------- */

static mt_code add_all(reader *r, mt_error *err)
{
  mt_code code = MT_OK;

  for (int c = 0; c < MT_PAIR && code == MT_OK; c++)
    code = add_channel(r, c, err);
  if (code == MT_OK)
    code = add_tracking(r, MT_Q_TRACKING_ERROR, (double)INFINITY, err);
  if (code == MT_OK)
    code = add_tracking(r, MT_Q_TRACKING_ERROR_40, 40.0, err);
  if (code == MT_OK)
    code = add_tracking(r, MT_Q_TRACKING_ERROR_60, 60.0, err);
  if (code == MT_OK)
    code = add_steps(r, err);
  if (code == MT_OK)
    code = add_curves(r, err);
  return code == MT_OK ? add_findings(r, err) : code;
}

mt_code mt_read_travel(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, "turn");
  reader r = {.ws = ws, .section = section};
  double *x;
  mt_code code;

  if (ws->stimulus == NULL || section == NULL || ws->nchannels < MT_PAIR)
    return MT_OK;
  x = malloc(MT_PAIR * section->count * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
  for (int c = 0; c < MT_PAIR; c++)
    mt_workspace_copy(ws, section->begin, section->count, c, x + (size_t)c * section->count);
  code = mt_travel_measure((const double *const[]){x, x + section->count}, section->count, ws->take->rate_hz,
                           section->segment->freq_hz, &r.travel, err);
  free(x);
  if (code != MT_OK)
    return code;
  r.begin_s = mt_section_begin_s(ws, section) + mt_take_time_s(ws->take, 0.0);
  for (int c = 0; c < MT_PAIR; c++)
    qualify(&r, c);
  code = add_all(&r, err);
  mt_travel_finish(&r.travel);
  return code;
}
