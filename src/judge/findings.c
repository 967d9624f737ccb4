/*
 * Likely causes for patterns of readings. One row of the table at the end for each cause: to add one,
 * write its function and its row. The thresholds for readings no plan has judged are common practice, no
 * source; they match the limits of the built-in plan. The physics is named beside each rule.
 */
#include <mendtone/plan.h>

#include "base/decibel.h"
#include "base/text.h"
#include "judge/find_load.h"
#include "judge/find_switch.h"
#include "judge/wording.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define BALANCE_DB 0.5
#define WEAK_DB 6.0
#define DISTORTION_DB (-60.0)
#define FLOOR_DBFS (-70.0)
#define LINE_DBFS (-90.0)
#define EDGE_LOSS_DB 1.0
#define LOW_EDGE_HZ 30.0
#define HIGH_EDGE_HZ 18000.0
#define HALF_POWER_DB 3.0103

/* One state of the unit, as the rules see it. */
typedef struct scene {
  const mt_plan *plan; /* may be NULL */
  const mt_results *results;
  const char *state;
} scene;

static const char *const side[] = {"left", "right"};

/* ---- what a rule says -------------------------------------------------------------------------------- */

MT_PRINTF(2, 3)
static void say(mt_finding *f, const char *fmt, ...)
{
  char text[512];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(f->text, sizeof f->text, text);
}

MT_PRINTF(2, 3)
static void cite(mt_finding *f, const char *fmt, ...)
{
  char text[512];
  va_list args;

  if (f->nevidence >= sizeof f->evidence / sizeof f->evidence[0])
    return;
  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(f->evidence[f->nevidence++], sizeof f->evidence[0], text);
}

/* Two figures are all a guess deserves: 21.7 becomes "22". */
static double round_roughly(double x)
{
  double step = pow(10.0, floor(log10(fabs(x))) - 1.0);
  return x == 0.0 || !isfinite(x) ? x : step * round(x / step);
}

/* What is on the outputs, ohm; 0: nothing, or not said. */
static double load_of(const scene *s)
{
  double load = s->plan != NULL ? mt_plan_load(s->plan, mt_plan_find_state(s->plan, s->state)) : 0.0;
  return isfinite(load) ? load : 0.0;
}

/* ---- what a rule may look at ------------------------------------------------------------------------- */

static bool is_named(const scene *s, const mt_reading *r, mt_quantity quantity, mt_channel channel, int order)
{
  return r->quantity == quantity && r->channel == channel && (order == 0 || r->order == order) &&
         strcmp(r->state, s->state) == 0;
}

static const mt_reading *find_in(const scene *s, mt_quantity quantity, mt_channel channel,
                                 const char *segment, int order)
{
  for (size_t i = 0; i < s->results->nreadings; i++) {
    const mt_reading *r = &s->results->readings[i];
    if (is_named(s, r, quantity, channel, order) && strcmp(r->segment, segment) == 0)
      return r;
  }
  return NULL;
}

/* Read with both tones at the reference level if it was, else wherever it was but at low level. */
static const mt_reading *find(const scene *s, mt_quantity quantity, mt_channel channel, int order)
{
  const mt_reading *best = find_in(s, quantity, channel, "both", order);

  for (size_t i = 0; i < s->results->nreadings && best == NULL; i++) {
    const mt_reading *r = &s->results->readings[i];
    if (is_named(s, r, quantity, channel, order) && strcmp(r->segment, "low") != 0)
      best = r;
  }
  return best;
}

static bool is_valid(const mt_reading *r)
{
  return r != NULL && r->validity == MT_VALID && isfinite(r->value) && isfinite(r->uncertainty);
}

/* What the plan says comes first; only what it left open is held against a threshold. */
static bool exceeds(const mt_reading *r, double threshold)
{
  if (!is_valid(r) || r->verdict == MT_VERDICT_PASS)
    return false;
  return r->verdict == MT_VERDICT_FAIL || r->value - r->uncertainty > threshold;
}

/* -1: not known. */
static int heard_by(const scene *s, mt_channel channel)
{
  const mt_reading *r = find(s, MT_Q_ROUTE, channel, 0);
  return is_valid(r) ? (int)lround(r->value) : -1;
}

static int own_route(mt_channel channel)
{
  return channel == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
}

/* The plan leaves the route open, or asks for exactly this. */
static bool is_meant(const scene *s, mt_channel channel, int route)
{
  if (s->plan == NULL)
    return route == own_route(channel);
  return !s->plan->judges_route || (int)s->plan->expect_route[channel] == route;
}

/* ---- route and polarity ------------------------------------------------------------------------------ */

static bool is_silent(const scene *s, mt_channel channel)
{
  return heard_by(s, channel) == MT_ROUTE_NONE && !is_meant(s, channel, MT_ROUTE_NONE);
}

static bool find_silent(const scene *s, mt_channel channel, mt_finding *f)
{
  mt_channel other = 1 - channel;
  const mt_reading *gain = find(s, MT_Q_GAIN, other, 0);
  char text[48];

  if (!is_silent(s, channel))
    return false;
  if (is_silent(s, other)) {
    if (channel == MT_RIGHT)
      return false; /* said once, with the left */
    f->channel = MT_CHANNEL_BOTH;
    say(f, "Nothing arrives on either channel: likely power, volume, mute, a cable or the sound card's own "
           "settings. Check those before the board.");
    cite(f, "none of the tones played is heard on the left or on the right");
    return true;
  }
  say(f,
      "The %s channel is silent: likely an open joint, contact or conductor in its path, or a dead stage. "
      "Check first: its cable, jack and solder joints; then follow the tone from the input to where it ends.",
      side[channel]);
  cite(f, "none of the tones played is heard on the %s channel", side[channel]);
  if (is_valid(gain))
    cite(f, "the %s channel works: gain %s", side[other],
         mt_wording_value(gain->value, gain->uncertainty, MT_UNIT_DB, text, sizeof text));
  return true;
}

static bool find_swapped(const scene *s, mt_channel channel, mt_finding *f)
{
  (void)channel;
  if (heard_by(s, MT_LEFT) != MT_ROUTE_RIGHT || heard_by(s, MT_RIGHT) != MT_ROUTE_LEFT ||
      is_meant(s, MT_LEFT, MT_ROUTE_RIGHT))
    return false;
  say(f, "Left and right are swapped: likely two conductors exchanged. Check first: the cables of the bench, "
         "by joining them without the unit; then the wiring of the jacks.");
  cite(f, "the left channel hears the right's tone, the right channel the left's");
  return true;
}

static bool find_summed(const scene *s, mt_channel channel, mt_finding *f)
{
  bool left = heard_by(s, MT_LEFT) == MT_ROUTE_BOTH && !is_meant(s, MT_LEFT, MT_ROUTE_BOTH);
  bool right = heard_by(s, MT_RIGHT) == MT_ROUTE_BOTH && !is_meant(s, MT_RIGHT, MT_ROUTE_BOTH);

  (void)channel;
  if (!left && !right)
    return false;
  if (left && right) {
    say(f,
        "Left and right are joined: likely a solder bridge, a mono plug or switch, or a common return that "
        "is open, so that each current comes back through the other. Check first: the plug, then the "
        "jack's ground.");
    cite(f, "both channels hear both tones");
    return true;
  }
  f->channel = left ? MT_LEFT : MT_RIGHT;
  say(f,
      "The %s channel hears both tones, the other only its own: likely a bridge or a switch ahead of the "
      "%s output stage. Check first: switches and solder bridges between the channels.",
      side[f->channel], side[f->channel]);
  cite(f, "only the %s channel hears both tones", side[f->channel]);
  return true;
}

static bool is_inverted(const scene *s, mt_channel channel)
{
  const mt_reading *r = find(s, MT_Q_POLARITY, channel, 0);
  int expected = s->plan != NULL ? s->plan->expect_polarity[channel] : 1;
  return is_valid(r) && r->value < 0.0 && expected > 0;
}

static bool find_inverted(const scene *s, mt_channel channel, mt_finding *f)
{
  if (!is_inverted(s, channel))
    return false;
  if (is_inverted(s, 1 - channel)) {
    if (channel == MT_RIGHT)
      return false;
    f->channel = MT_CHANNEL_BOTH;
    say(f, "Both channels are inverted: likely by design (an inverting stage), or a sound card that inverts. "
           "Check first: the bench without the unit; if it is the design, say so with expect_polarity.");
    cite(f, "polarity -1 on the left and on the right");
    return true;
  }
  say(f,
      "The %s channel is inverted and the other is not: likely two conductors exchanged at a jack or at a "
      "balanced stage. Check first: the wiring of that jack, and earlier repairs.",
      side[channel]);
  cite(f, "polarity -1 on the %s channel", side[channel]);
  return true;
}

/* ---- level ------------------------------------------------------------------------------------------- */

/* The balance, unless it is not known, the plan passed it, or there is nothing to compare. */
static const mt_reading *find_balance(const scene *s)
{
  const mt_reading *r = find(s, MT_Q_BALANCE, MT_CHANNEL_BOTH, 0);
  bool heard = heard_by(s, MT_LEFT) != MT_ROUTE_NONE && heard_by(s, MT_RIGHT) != MT_ROUTE_NONE;
  return heard && is_valid(r) && r->verdict != MT_VERDICT_PASS ? r : NULL;
}

static void cite_gains(const scene *s, mt_finding *f)
{
  char text[48];

  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    const mt_reading *r = find(s, MT_Q_GAIN, c, 0);
    if (is_valid(r))
      cite(f, "gain of the %s channel: %s", side[c],
           mt_wording_value(r->value, r->uncertainty, MT_UNIT_DB, text, sizeof text));
  }
}

static bool find_weak(const scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *r = find_balance(s);
  double loss = r == NULL ? 0.0 : channel == MT_LEFT ? -r->value : r->value;
  char text[48];

  if (r == NULL || !(loss - r->uncertainty > WEAK_DB))
    return false;
  mt_wording_value(loss, r->uncertainty, MT_UNIT_DB, text, sizeof text);
  say(f,
      "The %s channel is %s weaker: likely a joint, contact or control track of high resistance, or a stage "
      "that lost its gain. Check first: move jack and controls while the tone plays; compare both channels "
      "point by point.",
      side[channel], text);
  cite(f, "balance: the %s channel is %s below the %s", side[channel], text, side[1 - channel]);
  cite_gains(s, f);
  return true;
}

static bool find_level_differs(const scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *r = find_balance(s);
  char text[48];

  (void)channel;
  if (r == NULL || fabs(r->value) - r->uncertainty > WEAK_DB ||
      !(r->verdict == MT_VERDICT_FAIL || fabs(r->value) - r->uncertainty > BALANCE_DB))
    return false;
  mt_wording_value(fabs(r->value), r->uncertainty, MT_UNIT_DB, text, sizeof text);
  say(f,
      "The channels differ by %s: likely the two tracks of the volume control, or a resistor that changed. "
      "Check first: measure again with the volume at full; if that cures it, clean or replace the control.",
      text);
  cite(f, "balance: the %s channel is %s below the %s", r->value < 0.0 ? "left" : "right", text,
       r->value < 0.0 ? "right" : "left");
  cite_gains(s, f);
  return true;
}

/* ---- the ends of the response ------------------------------------------------------------------------ */

static const mt_curve *find_curve(const scene *s, mt_quantity quantity, mt_channel channel)
{
  for (size_t i = 0; i < s->results->ncurves; i++) {
    const mt_curve *c = &s->results->curves[i];
    if (c->quantity == quantity && c->channel == channel && c->validity == MT_VALID && c->npoints > 1 &&
        c->x[0] > 0.0 && strcmp(c->state, s->state) == 0)
      return c;
  }
  return NULL;
}

/* The plan judged this curve, more than once perhaps, and passed it every time. */
static bool is_passed(const scene *s, const mt_curve *c)
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

static bool find_edge(const scene *s, mt_channel channel, int step, edge *e)
{
  const mt_curve *c = find_curve(s, MT_Q_RESPONSE, channel);
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
  corner = find(s, step < 0 ? MT_Q_CORNER_LOW : MT_Q_CORNER_HIGH, channel, 0);
  if (is_valid(corner)) { /* read with more care than the loss allows to reckon */
    e->corner_hz = corner->value;
    e->is_reached = true;
  }
  return true;
}

static void cite_edge(const scene *s, mt_channel channel, const edge *e, mt_finding *f)
{
  const mt_curve *other = find_curve(s, MT_Q_RESPONSE, 1 - channel);
  char at[24], corner[24], text[48];

  mt_wording_frequency(e->at_hz, at, sizeof at);
  cite(f, "response at %s: %.1f dB re the middle of the band", at, -e->loss_db);
  cite(f, "-3 dB at about %s%s", mt_wording_frequency(round_roughly(e->corner_hz), corner, sizeof corner),
       e->is_reached ? "" : ", reckoned from that loss");
  if (other != NULL)
    cite(f, "the %s channel at %s: %s", side[1 - channel], at,
         mt_wording_value(value_at(other, e->at_hz), 0.1, MT_UNIT_DB, text, sizeof text));
}

/*
 * A capacitor in series with a resistance R is a first-order high-pass: f_c = 1/(2 pi R C), 7.0 dB down an
 * octave below it. Two alike in a row are 8.5 dB down there: more than one capacitor, so name none.
 */
static void cite_capacitor(const scene *s, const edge *e, mt_finding *f)
{
  double load = load_of(s);
  double octave_loss = e->plateau_db - value_at(e->curve, 0.5 * e->corner_hz);
  double rc = 1.0 / (2.0 * MT_PI * e->corner_hz);

  if (e->curve->x[0] <= 0.5 * e->corner_hz && octave_loss > 7.7)
    cite(f, "%.1f dB down an octave below: steeper than one capacitor (7.0 dB)", octave_loss);
  else if (load > 0.0)
    cite(f, "f_c = 1/(2 pi R C) with the plan's load of %g ohm: C about %g uF", load,
         round_roughly(1e6 * rc / load));
  else
    cite(f, "f_c = 1/(2 pi R C): R C about %g ms; C follows from the load", round_roughly(1e3 * rc));
}

static bool find_low_end(const scene *s, mt_channel channel, mt_finding *f)
{
  char corner[24];
  edge e;

  if (mt_find_load_explains(s->results, channel, s->state) || !find_edge(s, channel, -1, &e))
    return false;
  say(f,
      "The %s channel loses its low end below about %s: likely a coupling or output capacitor that dried "
      "out. Check first: the electrolytics in series with the signal. If the corner moves with the load, it "
      "is the output's.",
      side[channel], mt_wording_frequency(round_roughly(e.corner_hz), corner, sizeof corner));
  cite_edge(s, channel, &e, f);
  cite_capacitor(s, &e, f);
  return true;
}

static bool find_top_end(const scene *s, mt_channel channel, mt_finding *f)
{
  char corner[24];
  edge e;

  if (!find_edge(s, channel, 1, &e))
    return false;
  say(f,
      "The %s channel loses its top end above about %s: likely a high resistance ahead of a cable or a "
      "filter "
      "capacitor, or a coded or narrow link. Check first: measure at the board instead of the cable's end.",
      side[channel], mt_wording_frequency(round_roughly(e.corner_hz), corner, sizeof corner));
  cite_edge(s, channel, &e, f);
  return true;
}

/* ---- distortion -------------------------------------------------------------------------------------- */

typedef enum shape { SHAPE_NONE, SHAPE_CLIPPED, SHAPE_CROSSOVER, SHAPE_ONE_SIDED } shape;

static const mt_reading *find_harmonic(const scene *s, mt_channel channel, int order)
{
  const mt_reading *r = find(s, MT_Q_HARMONIC, channel, order);
  return is_valid(r) || (r != NULL && r->validity == MT_RIG_LIMITED) ? r : NULL;
}

/*
 * Gain with both tones 60 dB lower less gain at the reference level. Flattened tops lose gain at the higher
 * level, a dead zone at the lower: -INFINITY where the low tone is not heard at all.
 */
static bool find_gain_shift(const scene *s, mt_channel channel, double *shift, double *uncertainty)
{
  const mt_reading *low = find_in(s, MT_Q_GAIN, channel, "low", 0);
  const mt_reading *high = find_in(s, MT_Q_GAIN, channel, "both", 0);

  if (low == NULL || !is_valid(high))
    return false;
  if (low->validity == MT_NO_SIGNAL) {
    *shift = -HUGE_VAL;
    *uncertainty = 0.0;
    return true;
  }
  *shift = low->value - high->value;
  *uncertainty = hypot(low->uncertainty, high->uncertainty);
  return is_valid(low);
}

/* A clipped wave comes within 1.3 dB of the pattern below at one depth (0.9 of the peak): stay closer. */
static bool is_near(const mt_reading *a, const mt_reading *b, double wanted_db)
{
  return is_valid(a) && is_valid(b) &&
         fabs(a->value - b->value - wanted_db) < fmin(0.7 + hypot(a->uncertainty, b->uncertainty), 1.2);
}

/* A narrow dead zone's odd harmonics fall as 1/n (Fourier series): H5 4.4 dB and H7 7.4 dB below H3. */
static bool falls_slowly(const scene *s, mt_channel channel)
{
  const mt_reading *h3 = find_harmonic(s, channel, 3);
  return is_near(find_harmonic(s, channel, 5), h3, mt_db_of_ratio(3.0 / 5.0)) &&
         is_near(find_harmonic(s, channel, 7), h3, mt_db_of_ratio(3.0 / 7.0));
}

static shape classify_odd(const scene *s, mt_channel channel)
{
  double shift, uncertainty;

  if (find_gain_shift(s, channel, &shift, &uncertainty))
    return shift + uncertainty < -0.1 ? SHAPE_CROSSOVER : SHAPE_CLIPPED;
  return falls_slowly(s, channel) ? SHAPE_CROSSOVER : SHAPE_CLIPPED;
}

/* A wave bent alike on both sides has odd harmonics only; even ones mean that one side is bent more. */
static shape classify(const scene *s, mt_channel channel)
{
  const mt_reading *thd = find(s, MT_Q_THD_F, channel, 0);
  const mt_reading *h2 = find_harmonic(s, channel, 2), *h3 = find_harmonic(s, channel, 3);
  const mt_reading *larger;

  if (h2 == NULL || h3 == NULL || (thd != NULL && thd->verdict == MT_VERDICT_PASS))
    return SHAPE_NONE;
  larger = h2->value > h3->value ? h2 : h3;
  if (!(thd != NULL && thd->verdict == MT_VERDICT_FAIL && is_valid(larger)) &&
      !exceeds(larger, DISTORTION_DB))
    return SHAPE_NONE;
  if (h3->value >= h2->value + 6.0)
    return classify_odd(s, channel);
  return is_valid(h2) ? SHAPE_ONE_SIDED : SHAPE_NONE;
}

static void cite_harmonics(const scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *thd = find(s, MT_Q_THD_F, channel, 0);
  char line[128] = "re the fundamental:", text[48];

  for (int order = 2; order <= 7; order++) {
    const mt_reading *r = find_harmonic(s, channel, order);
    size_t used = strlen(line);
    if (r != NULL)
      snprintf(line + used, sizeof line - used, " H%d %.0f", order, r->value);
  }
  cite(f, "%s dB", line);
  if (is_valid(thd))
    cite(f, "harmonic distortion (THD): %s",
         mt_wording_value(100.0 * mt_ratio_of_db(thd->value), thd->uncertainty, MT_UNIT_PERCENT, text,
                          sizeof text));
}

static void cite_gain_shift(const scene *s, mt_channel channel, mt_finding *f)
{
  double shift, uncertainty;

  if (!find_gain_shift(s, channel, &shift, &uncertainty))
    return;
  if (isinf(shift))
    cite(f, "a tone 60 dB lower is not heard at all");
  else if (fabs(shift) > 0.1 + uncertainty)
    cite(f, "gain for a tone 60 dB lower: %.1f dB %s", fabs(shift), shift < 0.0 ? "less" : "more");
}

static bool find_clipping(const scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_CLIPPED)
    return false;
  say(f,
      "The %s channel flattens both tops of the wave: likely too much level for a stage or for its supply. "
      "Check first: lower what is played by 10 dB and measure again; if it clears up, the supply voltages "
      "under load.",
      side[channel]);
  cite_harmonics(s, channel, f);
  cite(f, "odd harmonics stand well above the even ones: both sides are bent alike");
  cite_gain_shift(s, channel, f);
  return true;
}

static bool find_crossover(const scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_CROSSOVER)
    return false;
  say(f,
      "The %s channel distorts around zero, most at low level: likely too little quiescent current in a "
      "push-pull output stage. Check first: its bias network and emitter resistors, and both output devices.",
      side[channel]);
  cite_harmonics(s, channel, f);
  cite(f, "odd harmonics stand well above the even ones: both sides are bent alike");
  cite_gain_shift(s, channel, f);
  return true;
}

static bool find_one_sided(const scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_ONE_SIDED)
    return false;
  say(f,
      "The %s channel bends one side of the wave more than the other: likely a shifted operating point, a "
      "leaky coupling capacitor, or one of two devices failing. Check first: DC voltages against the other "
      "channel.",
      side[channel]);
  cite_harmonics(s, channel, f);
  cite(f, "the even harmonics are as strong as the odd ones, or stronger");
  return true;
}

/* ---- crosstalk --------------------------------------------------------------------------------------- */

/* -1, +1, or 0: not read. The tone of the other channel, where it does not belong. */
static int leak_polarity(const scene *s, mt_channel channel)
{
  const mt_reading *r = find_in(s, MT_Q_POLARITY, channel, side[1 - channel], 0);
  return is_valid(r) ? (r->value < 0.0 ? -1 : 1) : 0;
}

/* Known, or known to be no more. */
static bool is_bounded(const mt_reading *r)
{
  return r != NULL && (r->validity == MT_VALID || r->validity == MT_RIG_LIMITED);
}

/* The current makes it: with a lighter load, or none, it is less. */
static void cite_rise(const scene *s, const mt_reading *left, const mt_reading *right, mt_finding *f)
{
  for (size_t i = 0; load_of(s) > 0.0 && i < s->plan->nstates; i++) {
    const scene other = {s->plan, s->results, s->plan->states[i].name};
    const mt_reading *l = find(&other, MT_Q_CROSSTALK, MT_LEFT, 0),
                     *r = find(&other, MT_Q_CROSSTALK, MT_RIGHT, 0);
    double lighter = load_of(&other);
    if (!is_bounded(l) || !is_bounded(r) || (lighter > 0.0 && lighter <= load_of(s)) ||
        fmax(l->value, r->value) > fmax(left->value, right->value) - 6.0)
      continue;
    cite(f, "it rises with the load: in state \"%s\" %.0f and %.0f dB", other.state, l->value, r->value);
    return;
  }
}

/*
 * A resistance R_c in the return both channels share puts R_c/(R + R_c) of each onto the other: the same
 * both ways, inverted, at all frequencies. A capacitance between them would be alike both ways as well, but
 * not inverted, and into a load of a few hundred ohms it would have to be improbably large.
 */
static bool find_common_return(const scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *left = find(s, MT_Q_CROSSTALK, MT_LEFT, 0), *right = find(s, MT_Q_CROSSTALK, MT_RIGHT, 0);
  const mt_reading *impedance = find(s, MT_Q_OUTPUT_IMPEDANCE, MT_LEFT, 0);
  double load = load_of(s), source = is_valid(impedance) ? impedance->value : 0.0;
  int sign_left = leak_polarity(s, MT_LEFT), sign_right = leak_polarity(s, MT_RIGHT);
  double ratio;

  (void)channel;
  if (!exceeds(left, -50.0) || !exceeds(right, -50.0) || fmax(left->value, right->value) > -10.0 ||
      fabs(left->value - right->value) > 1.0 + hypot(left->uncertainty, right->uncertainty))
    return false;
  if (sign_left > 0 || sign_right > 0 ||
      (!(sign_left < 0 && sign_right < 0) && !(load > 0.0 && load <= 600.0)))
    return false;
  ratio = mt_ratio_of_db(0.5 * (left->value + right->value));
  say(f, "Each channel is heard alike on the other: likely resistance in the return they share. Check first: "
         "the ground contact of jack and plug, its solder joints and the cable's shield.");
  cite(f, "crosstalk on the left %.1f dB, on the right %.1f dB", left->value, right->value);
  if (sign_left < 0 && sign_right < 0)
    cite(f, "it arrives inverted, as through a shared return");
  if (load > 0.0)
    cite(f, "R_c/(R + R_c) with the plan's load of %g ohm%s: R_c about %g ohm", load,
         source > 0.0 ? " and the output's own" : "", round_roughly((load + source) * ratio / (1.0 - ratio)));
  cite_rise(s, left, right, f);
  return true;
}

/* ---- hum and noise ----------------------------------------------------------------------------------- */

/* The strongest cell within 3 % of a frequency, or -INFINITY. */
static double spectrum_near(const mt_curve *c, double freq_hz)
{
  double most = -HUGE_VAL;

  for (size_t i = 0; i < c->npoints; i++)
    if (fabs(c->x[i] - freq_hz) <= 0.03 * freq_hz)
      most = fmax(most, c->y[i]);
  return most;
}

typedef struct lines {
  double odd, even; /* dBFS: the strongest of mains x 1, 3, 5 and of mains x 2, 4, 6 */
  double mains_hz;
} lines;

static bool find_lines(const scene *s, mt_channel channel, lines *out)
{
  const mt_reading *hum = find(s, MT_Q_HUM, channel, 0);
  const mt_curve *c = find_curve(s, MT_Q_SPECTRUM, channel);

  if (!exceeds(hum, FLOOR_DBFS) || c == NULL || hum->mains_hz <= 0.0)
    return false;
  *out = (lines){-HUGE_VAL, -HUGE_VAL, hum->mains_hz};
  for (int k = 1; k <= 5; k += 2) {
    out->odd = fmax(out->odd, spectrum_near(c, k * hum->mains_hz));
    out->even = fmax(out->even, spectrum_near(c, (k + 1) * hum->mains_hz));
  }
  return isfinite(out->odd) && isfinite(out->even);
}

static void cite_lines(const scene *s, mt_channel channel, const lines *l, mt_finding *f)
{
  const mt_reading *hum = find(s, MT_Q_HUM, channel, 0);
  char text[48];

  cite(f, "hum: %s", mt_wording_value(hum->value, hum->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  cite(f, "strongest of %g, %g, %g Hz: %.0f dBFS", l->mains_hz, 3.0 * l->mains_hz, 5.0 * l->mains_hz, l->odd);
  cite(f, "strongest of %g, %g, %g Hz: %.0f dBFS", 2.0 * l->mains_hz, 4.0 * l->mains_hz, 6.0 * l->mains_hz,
       l->even);
}

static bool find_hum_mains(const scene *s, mt_channel channel, mt_finding *f)
{
  lines l;

  if (!find_lines(s, channel, &l) || l.odd < l.even)
    return false;
  say(f,
      "The %s channel hums at the mains frequency: likely a ground loop, an open shield or ground, or the "
      "field of a transformer. Check first: the bench's own cables and a laptop on battery, then the shields "
      "at the jacks.",
      side[channel]);
  cite_lines(s, channel, &l, f);
  return true;
}

/* A full-wave rectifier charges its capacitor twice a period: ripple at twice the mains frequency. */
static bool find_hum_rectifier(const scene *s, mt_channel channel, mt_finding *f)
{
  lines l;

  if (!find_lines(s, channel, &l) || l.odd >= l.even)
    return false;
  say(f,
      "The %s channel hums at twice the mains frequency: likely ripple of the supply, from a dried-out "
      "reservoir capacitor or a failing regulator. Check first: ripple across the reservoir capacitor under "
      "load.",
      side[channel]);
  cite_lines(s, channel, &l, f);
  return true;
}

static bool find_noise(const scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *noise_a = find(s, MT_Q_NOISE_A, channel, 0), *noise = find(s, MT_Q_NOISE, channel, 0);
  const mt_reading *hum = find(s, MT_Q_HUM, channel, 0), *other = find(s, MT_Q_NOISE_A, 1 - channel, 0);
  char text[48];

  if (!exceeds(noise_a, FLOOR_DBFS))
    return false;
  if (is_valid(hum) && is_valid(noise) && hum->value > noise->value - 3.0)
    return false; /* most of it is hum, which has a cause of its own */
  say(f,
      "The %s channel is noisy: likely a failing input device, a supply that is not clean, or an input left "
      "open. Check first: short the unit's input; if the noise stays, it is born after it.",
      side[channel]);
  cite(f, "noise, A-weighted: %s",
       mt_wording_value(noise_a->value, noise_a->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  if (is_valid(other))
    cite(f, "the %s channel: %s", side[1 - channel],
         mt_wording_value(other->value, other->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  return true;
}

/* ---- lines from other circuits ----------------------------------------------------------------------- */

/* USB frames come every millisecond, the microframes of a fast link eight times as often. */
#define FRAME_HZ 1000.0
#define MICROFRAME_HZ 8000.0
/* what a line may be off by: its own place, and a link's clock against the sound card's (500 ppm, fast) */
#define FRAME_OFF_HZ 2.0
#define FRAME_OFF 5e-4
/* below this a foreign line is seldom a converter's */
#define SWITCHING_HZ 2000.0

static bool is_multiple(double freq_hz, double of_hz)
{
  double order = floor(freq_hz / of_hz + 0.5);
  return order >= 1.0 && fabs(freq_hz - order * of_hz) <= FRAME_OFF_HZ + FRAME_OFF * freq_hz;
}

/* The lines of the idle noise that count, of one kind, cited strongest first as they were read. */
static size_t cite_lines_of(const scene *s, mt_channel channel, bool of_frames, bool *all_micro,
                            mt_finding *f)
{
  size_t count = 0;

  *all_micro = true;
  for (size_t i = 0; i < s->results->nreadings; i++) {
    const mt_reading *r = &s->results->readings[i];
    char at[24], text[48];
    if (!is_named(s, r, MT_Q_SPURIOUS, channel, 0) || !exceeds(r, LINE_DBFS) || r->freq_hz <= 0.0 ||
        (strcmp(r->segment, "idle") != 0 && r->segment[0] != '\0') ||
        is_multiple(r->freq_hz, FRAME_HZ) != of_frames || (!of_frames && r->freq_hz < SWITCHING_HZ))
      continue;
    *all_micro = *all_micro && is_multiple(r->freq_hz, MICROFRAME_HZ);
    cite(f, "a line at %s: %s", mt_wording_frequency(r->freq_hz, at, sizeof at),
         mt_wording_value(r->value, r->uncertainty, MT_UNIT_DBFS, text, sizeof text));
    count++;
  }
  return count;
}

static bool find_usb_frames(const scene *s, mt_channel channel, mt_finding *f)
{
  bool all_micro;

  if (cite_lines_of(s, channel, true, &all_micro, f) == 0)
    return false;
  say(f,
      "The %s channel has lines at multiples of %g kHz, where the frames of a USB link are: likely the "
      "current of that link in a shared ground or supply. Check first: a laptop on battery, another port or "
      "cable, the bench without the unit.",
      side[channel], (all_micro ? MICROFRAME_HZ : FRAME_HZ) / 1e3);
  return true;
}

static bool find_switching(const scene *s, mt_channel channel, mt_finding *f)
{
  bool all_micro;

  if (cite_lines_of(s, channel, false, &all_micro, f) == 0)
    return false;
  say(f,
      "The %s channel has lines that are neither mains nor its own distortion: likely a switching supply, a "
      "charger, a display or a clock near by. Check first: whether they go when the suspect is switched off "
      "or the unit runs from another supply.",
      side[channel]);
  return true;
}

/* ---- the table --------------------------------------------------------------------------------------- */

static const struct cause {
  const char *id;
  bool of_pair; /* asked once, not for each channel */
  bool (*find)(const scene *s, mt_channel channel, mt_finding *f);
} causes[] = {
    {"channel-silent", false, find_silent},
    {"channel-weak", false, find_weak},
    {"channels-swapped", true, find_swapped},
    {"channels-summed", true, find_summed},
    {"polarity-inverted", false, find_inverted},
    {"level-differs", true, find_level_differs},
    {"low-end-lost", false, find_low_end},
    {"top-end-lost", false, find_top_end},
    {"clipping", false, find_clipping},
    {"crossover-like", false, find_crossover},
    {"one-sided-distortion", false, find_one_sided},
    {"common-return", true, find_common_return},
    {"hum-mains", false, find_hum_mains},
    {"hum-rectifier", false, find_hum_rectifier},
    {"noise-high", false, find_noise},
    {"usb-frame-noise", false, find_usb_frames},
    {"switching-noise", false, find_switching},
};

/* A response that a switch is there to change is held against its reference state, not against a flat one; a load is
   not there to change it. */
static bool is_meant_to_differ(const scene *s, const struct cause *cause)
{
  const mt_plan_state *state;

  if (cause->find != find_low_end && cause->find != find_top_end)
    return false;
  state = s->plan != NULL ? mt_plan_find_state(s->plan, s->state) : NULL;
  return state != NULL && state->compare_with[0] != '\0' &&
         mt_plan_load(s->plan, state) ==
             mt_plan_load(s->plan, mt_plan_find_state(s->plan, state->compare_with));
}

/* Where a finding names its states, or NULL. */
static char *states_of(mt_finding *f)
{
  char *last = f->evidence[f->nevidence > 0 ? f->nevidence - 1 : 0];

  return f->nevidence > 0 && strncmp(last, "in state", 8) == 0 ? last : NULL;
}

/*
 * What is so in several states is said once, with the names of all. `states` is as states_of() gives them, from their
 * first quotation mark. @return false if none of the first `n` findings says it yet.
 */
static bool add_states(mt_results *results, size_t n, const mt_finding *found, const char *states)
{
  for (size_t i = 0; i < n; i++) {
    mt_finding *f = &results->findings[i];
    char *last = states_of(f);
    size_t length = last != NULL ? strlen(last) : 0;
    if (strcmp(f->id, found->id) != 0 || f->channel != found->channel || last == NULL)
      continue;
    if (length + strlen(states) + 3 < sizeof f->evidence[0])
      snprintf(last + length, sizeof f->evidence[0] - length, ", %s", states);
    return true;
  }
  return false;
}

static bool add_state(const scene *s, const mt_finding *found, mt_results *results)
{
  char quoted[sizeof results->readings[0].state + 3];

  snprintf(quoted, sizeof quoted, "\"%s\"", s->state);
  return add_states(results, results->nfindings, found, quoted);
}

/* What the analysis found in each take by itself. */
static void join_states(mt_results *results)
{
  size_t kept = 0;

  for (size_t i = 0; i < results->nfindings; i++) {
    const char *states = states_of(&results->findings[i]);
    const char *quoted = states != NULL ? strchr(states, '"') : NULL;
    if (quoted == NULL || !add_states(results, kept, &results->findings[i], quoted))
      results->findings[kept++] = results->findings[i];
  }
  results->nfindings = kept;
}

static mt_code ask(const scene *s, const struct cause *cause, mt_channel channel, mt_results *results,
                   mt_error *err)
{
  mt_finding f = {.channel = cause->of_pair ? MT_CHANNEL_BOTH : channel};

  mt_text_copy(f.id, sizeof f.id, cause->id);
  if (is_meant_to_differ(s, cause) || !cause->find(s, channel, &f) || add_state(s, &f, results))
    return MT_OK;
  if (s->state[0] != '\0' && strcmp(s->state, "default") != 0)
    cite(&f, "in state \"%s\"", s->state);
  return mt_results_add_finding(results, &f, err);
}

static const char *state_of(const mt_results *results, size_t index)
{
  return index < results->nreadings ? results->readings[index].state
                                    : results->curves[index - results->nreadings].state;
}

static bool is_new_state(const mt_results *results, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (strcmp(state_of(results, i), state_of(results, index)) == 0)
      return false;
  return true;
}

/* What was found here before; what the analysis saw in the samples themselves stays, unless they are spoilt. */
static void drop_earlier(mt_results *results)
{
  size_t kept = 0;

  for (size_t i = 0; i < results->nfindings && (results->valid || results->ntakes > 0); i++) {
    bool is_ours = strncmp(results->findings[i].id, MT_FIND_SWITCH, strlen(MT_FIND_SWITCH)) == 0 ||
                   strncmp(results->findings[i].id, MT_FIND_LOAD, strlen(MT_FIND_LOAD)) == 0;
    for (size_t k = 0; k < sizeof causes / sizeof causes[0]; k++)
      is_ours = is_ours || strcmp(results->findings[i].id, causes[k].id) == 0;
    if (!is_ours)
      results->findings[kept++] = results->findings[i];
  }
  results->nfindings = kept;
}

mt_code mt_judge_find_causes(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_code code = MT_OK;

  drop_earlier(results);
  join_states(results);
  for (size_t i = 0; i < results->nreadings + results->ncurves; i++) {
    scene s = {plan, results, state_of(results, i)};
    if (!is_new_state(results, i) || mt_results_is_spoilt(results, s.state))
      continue;
    for (size_t k = 0; k < sizeof causes / sizeof causes[0] && code == MT_OK; k++)
      for (mt_channel c = MT_LEFT; c <= (causes[k].of_pair ? MT_LEFT : MT_RIGHT) && code == MT_OK; c++)
        code = ask(&s, &causes[k], c, results, err);
  }
  if (code == MT_OK)
    code = mt_find_switches(plan, results, err);
  return code == MT_OK ? mt_find_loads(plan, results, err) : code;
}
