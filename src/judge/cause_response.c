/* An end of the response that is lost. */
#include "judge/cause.h"

#include "base/decibel.h"
#include "judge/find_load.h"
#include "judge/wording.h"

#include <math.h>
#include <string.h>

/* The thresholds for readings no plan has judged are common practice, no source; they match the limits of the
   built-in plan. */
#define EDGE_LOSS_DB 1.0
#define LOW_EDGE_HZ 30.0
#define HIGH_EDGE_HZ 18000.0
#define HALF_POWER_DB 3.0103

/* The plan judged this curve, more than once perhaps, and passed it every time. */
static bool is_passed(const mt_scene *s, const mt_curve *c)
{
  bool judged = false;

  for (size_t i = 0; i < s->results->njudgements; i++) {
    const mt_judgement *j = &s->results->judgements[i];
    if (j->quantity != c->quantity || j->channel != c->channel || strcmp(j->state, c->state) != 0)
      continue;
    if (j->verdict != MT_VERDICT_PASS)
      return false;
    judged = true;
  }
  return judged;
}

/* The point below a frequency that has another above it. */
static size_t cell_of(const mt_curve *c, double freq_hz)
{
  size_t i = 0;

  while (i + 2 < c->npoints && c->x[i + 1] < freq_hz)
    i++;
  return i;
}

/* Straight lines over log f; the nearest end outside. */
static double value_at(const mt_curve *c, double freq_hz)
{
  size_t i = cell_of(c, freq_hz);
  double part = log(freq_hz / c->x[i]) / log(c->x[i + 1] / c->x[i]);

  return c->y[i] + fmin(fmax(part, 0.0), 1.0) * (c->y[i + 1] - c->y[i]);
}

/* The highest point of the middle of the band, where neither end has begun to fall. */
static bool find_plateau(const mt_curve *c, size_t *at)
{
  bool found = false;

  for (size_t i = 0; i < c->npoints; i++)
    if (c->x[i] >= 300.0 && c->x[i] <= 5000.0 && (!found || c->y[i] > c->y[*at])) {
      *at = i;
      found = true;
    }
  return found;
}

/* One end of a response. */
typedef struct edge {
  const mt_curve *curve;
  double at_hz;     /* where the loss is stated */
  double loss_db;   /* there, re the plateau */
  double corner_hz; /* -3 dB */
  bool is_reached;  /* the corner lies within the curve; else it follows from the loss, first order */
  double plateau_db;
} edge;

/* Walk from the plateau to one end until half the power is lost. */
static void find_corner(edge *e, size_t from, int step)
{
  const mt_curve *c = e->curve;
  double wanted = e->plateau_db - HALF_POWER_DB;
  double slope = sqrt(mt_power_of_db(e->loss_db) - 1.0);

  e->corner_hz = step < 0 ? e->at_hz * slope : e->at_hz / slope;
  for (size_t i = from; step < 0 ? i > 0 : i + 1 < c->npoints; i = step < 0 ? i - 1 : i + 1) {
    size_t next = step < 0 ? i - 1 : i + 1;
    if (c->y[next] <= wanted) {
      double part = (wanted - c->y[i]) / (c->y[next] - c->y[i]);
      e->corner_hz = c->x[i] * pow(c->x[next] / c->x[i], part);
      e->is_reached = true;
      return;
    }
  }
}

static bool find_edge(const mt_scene *s, mt_channel channel, int step, edge *e)
{
  const mt_curve *c = mt_scene_curve(s, MT_Q_RESPONSE, channel);
  const mt_reading *corner;
  size_t top = 0, cell;

  if (c == NULL || is_passed(s, c) || !find_plateau(c, &top))
    return false;
  if (step > 0 && c->x[c->npoints - 1] < 15000.0)
    return false; /* the curve ends before the top end begins */
  *e = (edge){.curve = c, .plateau_db = c->y[top]};
  e->at_hz = step < 0 ? fmax(LOW_EDGE_HZ, c->x[0]) : fmin(HIGH_EDGE_HZ, c->x[c->npoints - 1]);
  e->loss_db = e->plateau_db - value_at(c, e->at_hz);
  cell = cell_of(c, e->at_hz);
  if (!(e->loss_db - fmax(c->uncertainty[cell], c->uncertainty[cell + 1]) > EDGE_LOSS_DB))
    return false;
  find_corner(e, top, step);
  corner = mt_scene_find(s, step < 0 ? MT_Q_CORNER_LOW : MT_Q_CORNER_HIGH, channel, 0);
  if (mt_reading_is_known(corner)) { /* read with more care than the loss allows to reckon */
    e->corner_hz = corner->value;
    e->is_reached = true;
  }
  return true;
}

static void cite_edge(const mt_scene *s, mt_channel channel, const edge *e, mt_finding *f)
{
  const mt_curve *other = mt_scene_curve(s, MT_Q_RESPONSE, 1 - channel);
  char at[24], corner[24], text[48];

  mt_wording_frequency(e->at_hz, at, sizeof at);
  mt_finding_cite(f, "response at %s: %.1f dB re the middle of the band", at, -e->loss_db);
  mt_finding_cite(f, "-3 dB at about %s%s",
                  mt_wording_frequency(mt_round_roughly(e->corner_hz), corner, sizeof corner),
                  e->is_reached ? "" : ", reckoned from that loss");
  if (other != NULL)
    mt_finding_cite(f, "the %s channel at %s: %s", mt_side[1 - channel], at,
                    mt_wording_value(value_at(other, e->at_hz), 0.1, MT_UNIT_DB, text, sizeof text));
}

/*
 * A capacitor in series with a resistance R is a first-order high-pass: f_c = 1/(2 pi R C), 7.0 dB down an
 * octave below it. Two alike in a row are 8.5 dB down there: more than one capacitor, so name none.
 */
static void cite_capacitor(const mt_scene *s, const edge *e, mt_finding *f)
{
  double load = mt_scene_load(s);
  double octave_loss = e->plateau_db - value_at(e->curve, 0.5 * e->corner_hz);
  double rc = 1.0 / (2.0 * MT_PI * e->corner_hz);

  if (e->curve->x[0] <= 0.5 * e->corner_hz && octave_loss > 7.7)
    mt_finding_cite(f, "%.1f dB down an octave below: steeper than one capacitor (7.0 dB)", octave_loss);
  else if (load > 0.0)
    mt_finding_cite(f, "f_c = 1/(2 pi R C) with the plan's load of %g ohm: C about %g uF", load,
                    mt_round_roughly(1e6 * rc / load));
  else
    mt_finding_cite(f, "f_c = 1/(2 pi R C): R C about %g ms; C follows from the load",
                    mt_round_roughly(1e3 * rc));
}

bool mt_cause_low_end(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  char corner[24];
  edge e;

  if (mt_find_load_explains(s->results, channel, s->state) || !find_edge(s, channel, -1, &e))
    return false;
  mt_finding_say(
      f,
      "The %s channel loses its low end below about %s: likely a coupling or output capacitor that dried "
      "out. Check first: the electrolytics in series with the signal. If the corner moves with the load, it "
      "is the output's.",
      mt_side[channel], mt_wording_frequency(mt_round_roughly(e.corner_hz), corner, sizeof corner));
  cite_edge(s, channel, &e, f);
  cite_capacitor(s, &e, f);
  return true;
}

bool mt_cause_top_end(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  char corner[24];
  edge e;

  if (!find_edge(s, channel, 1, &e))
    return false;
  mt_finding_say(
      f,
      "The %s channel loses its top end above about %s: likely a high resistance ahead of a cable or a "
      "filter "
      "capacitor, or a coded or narrow link. Check first: measure at the board instead of the cable's end.",
      mt_side[channel], mt_wording_frequency(mt_round_roughly(e.corner_hz), corner, sizeof corner));
  cite_edge(s, channel, &e, f);
  return true;
}
