/* What a worn track does while the knob is turned. */
#include "analysis/travel_work.h"

#include "base/decibel.h"
#include "base/order.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SECTIONS 4
#define HUSH_CHUNKS 75 /* 0.15 s to either side */
#define HUSH_EVERY 5
#define HISS_OVER 3.0 /* of the median power */
#define LEAST_SQUARE 1e-15
/* What crackles all the while it is turned is its own median. So the noise of a moment is taken for no more than ten
   times that at both ends, where the knob rests; and a unit so quiet there that its noise may well rise, by the
   source resistance of a track or by the last bit of a converter, for -80 dBFS at the least. */
#define HUSH_RISES 10.0
#define HUSH_AT_REST 5e-10
#define SUSTAINED_S 0.1 /* no step rings so long, and steps one behind the other leave pauses */
#define SUSTAINED_PART 0.75
#define SETTLED_CHUNKS 4 /* the filter's own beginning */
#define JOIN_CHUNKS 10
/* Of the squares that steps of the level as large as seen would make: what is more than so much is no step. */
#define STEP_SQUARES 4.0

#define FALL_DB 3.0
#define BACK_HOPS 120 /* 0.3 s */
#define JUMP_DB 1.0
#define JUMP_REST_PART 0.3
#define JUMP_REST_HOPS 8
/* of one amplitude: their difference scatters by 1.4 times as much, and 8000 are looked at */
#define CLEAR_SIGMAS 8.0
#define FINE_SNR_SIGMA_DB 0.5

#define LOST_DB 6.0
#define LOST_POINTS 3
#define BEFORE_POINTS 10
#define BEFORE_APART 2
#define STUCK_MOVES_DB 2.0
#define STUCK_LESS_DB 0.3
#define STUCK_POINTS 150
#define STUCK_LEAST_S 0.1
#define SAME_PLACE_DB 3.0
#define CUT_OFF_DB 3.0
#define CUT_OFF_SIGMA_DB 0.8 /* ten deviations of the noise, which alone reaches that once in 10^20 */

/* ---- above 6 kHz -------------------------------------------------------------------------------------------- */

typedef struct biquad {
  double b0, b1, b2, a1, a2, s1, s2;
} biquad;

/* Butterworth of order 8, bilinear with the corner prewarped: 96 dB down at 1.5 kHz. */
static void filter_init(biquad f[SECTIONS], double rate_hz)
{
  double k = tan(MT_PI * MT_TRAVEL_HISS_HZ / rate_hz);

  for (int i = 0; i < SECTIONS; i++) {
    double damping = 2.0 * cos(MT_PI * (2 * i + 1) / (4.0 * SECTIONS));
    double norm = 1.0 / (1.0 + damping * k + k * k);
    f[i] = (biquad){
        norm, -2.0 * norm, norm, 2.0 * (k * k - 1.0) * norm, (1.0 - damping * k + k * k) * norm, 0, 0};
  }
}

static double filter_step(biquad f[SECTIONS], double x)
{
  for (int i = 0; i < SECTIONS; i++) {
    double y = f[i].b0 * x + f[i].s1;
    f[i].s1 = f[i].b1 * x - f[i].a1 * y + f[i].s2;
    f[i].s2 = f[i].b2 * x - f[i].a2 * y;
    x = y;
  }
  return x;
}

static void filter_channel(mt_travel_work *w, int c)
{
  biquad f[SECTIONS];

  filter_init(f, w->rate_hz);
  for (size_t k = 0; k < w->nhiss; k++) {
    double squares = 0.0;
    for (size_t i = 0; i < w->chunk; i++) {
      /* what rings on in silence would end as denormal numbers, which are slow */
      double y = filter_step(f, w->x[c][k * w->chunk + i] + 1e-20);
      squares += y * y;
    }
    w->hiss[c][k] = squares / (double)w->chunk + LEAST_SQUARE;
  }
  for (size_t k = 0; k < SETTLED_CHUNKS; k++)
    w->hiss[c][k] = w->hiss[c][SETTLED_CHUNKS];
}

static void find_hush(mt_travel_work *w, int c)
{
  double near[2 * HUSH_CHUNKS + 1], most;

  for (size_t k = 0; k < w->nhiss; k++) {
    size_t first = k > HUSH_CHUNKS ? k - HUSH_CHUNKS : 0;
    size_t last = k + HUSH_CHUNKS < w->nhiss ? k + HUSH_CHUNKS : w->nhiss - 1;
    if (k % HUSH_EVERY != 0) {
      w->hush[c][k] = w->hush[c][k - 1];
      continue;
    }
    memcpy(near, w->hiss[c] + first, (last - first + 1) * sizeof *near);
    w->hush[c][k] = mt_order_select(near, last - first + 1, (last - first) / 2);
  }
  most = HUSH_RISES * fmax(HUSH_AT_REST, fmax(w->hush[c][0], w->hush[c][w->nhiss - 1]));
  for (size_t k = 0; k < w->nhiss; k++)
    w->hush[c][k] = fmin(w->hush[c][k], most);
}

mt_code mt_travel_hiss(mt_travel_work *w, mt_error *err)
{
  biquad f[SECTIONS];

  if (w->nhiss <= SETTLED_CHUNKS)
    return mt_fail(err, MT_E_ARG, "too few samples to look for scratches");
  filter_init(f, w->rate_hz);
  w->step_squares = 0.0;
  for (int i = 0; i < 2000; i++) {
    double y = filter_step(f, 1.0);
    w->step_squares += y * y;
  }
  for (int c = 0; c < 2; c++) {
    filter_channel(w, c);
    find_hush(w, c);
  }
  return MT_OK;
}

/* ---- events ------------------------------------------------------------------------------------------------- */

static bool is_same_place(const mt_travel_event *a, const mt_travel_event *b)
{
  return a->kind == b->kind && a->channel == b->channel &&
         fabs(a->attenuation_db - b->attenuation_db) < SAME_PLACE_DB;
}

static void add(mt_travel *t, const mt_travel_event *event)
{
  bool is_place = event->kind == MT_TRAVEL_LOST || event->kind == MT_TRAVEL_STUCK, is_known = false;

  for (size_t i = 0; i < t->nevents && is_place; i++)
    is_known = is_known || is_same_place(&t->events[i], event);
  t->count[event->channel][event->kind] += is_known ? 0 : 1;
  if (t->nevents < MT_TRAVEL_EVENTS_MAX)
    t->events[t->nevents++] = *event;
}

bool mt_travel_is_sustained(const mt_travel_event *event)
{
  return event->kind == MT_TRAVEL_SCRATCH && event->length_s >= SUSTAINED_S;
}

static int earlier_first(const void *a, const void *b)
{
  const mt_travel_event *x = a, *y = b;
  return (x->begin_s > y->begin_s) - (x->begin_s < y->begin_s);
}

static bool has_then(const mt_travel *t, mt_travel_kind kind, int channel, double from_s, double to_s)
{
  for (size_t i = 0; i < t->nevents; i++) {
    const mt_travel_event *e = &t->events[i];
    if (e->kind == kind && e->channel == channel && !mt_travel_is_sustained(e) &&
        from_s < e->begin_s + e->length_s + 0.02 && to_s > e->begin_s - 0.02)
      return true;
  }
  return false;
}

/* ---- falls and jumps of one channel ------------------------------------------------------------------------- */

/* Where the level is back, or 0. */
static size_t find_return(const mt_travel_work *w, int c, size_t from, double before_db, double fall_db)
{
  for (size_t k = from + 1; k < w->nfine && k <= from + BACK_HOPS; k++)
    if (mt_travel_fine_dbfs(w, c, k) > before_db - 0.3 * fall_db)
      return k;
  return 0;
}

static bool is_largest_around(const mt_travel_work *w, int c, size_t i, double change)
{
  for (size_t k = i + 1; k <= i + MT_TRAVEL_ACROSS && k + MT_TRAVEL_ACROSS < w->nfine; k++)
    if (fabs(mt_travel_fine_dbfs(w, c, k + MT_TRAVEL_ACROSS) - mt_travel_fine_dbfs(w, c, k)) > fabs(change))
      return false;
  return true;
}

static double down_db(const mt_travel_work *w, int c, size_t i)
{
  return w->out->full_dbfs[c] - mt_travel_fine_dbfs(w, c, i);
}

static size_t add_fall(mt_travel_work *w, int c, size_t i, size_t back)
{
  mt_travel_event e = {.kind = MT_TRAVEL_LOST, .channel = c, .attenuation_db = down_db(w, c, i)};
  double lowest = mt_travel_fine_dbfs(w, c, i);

  for (size_t k = i; k < back; k++)
    lowest = fmin(lowest, mt_travel_fine_dbfs(w, c, k));
  e.begin_s = mt_travel_fine_s(w, i + MT_TRAVEL_FINE / 2);
  e.length_s = mt_travel_fine_s(w, back > i + MT_TRAVEL_FINE ? back - MT_TRAVEL_FINE / 2 : i + 3) - e.begin_s;
  e.size_db = mt_travel_fine_dbfs(w, c, i) - lowest;
  add(w->out, &e);
  return back;
}

static bool rests_beside(const mt_travel_work *w, int c, size_t i, double change)
{
  size_t end = i + MT_TRAVEL_ACROSS;
  double before, after;

  if (i < JUMP_REST_HOPS || end + JUMP_REST_HOPS >= w->nfine)
    return false;
  before = mt_travel_fine_dbfs(w, c, i) - mt_travel_fine_dbfs(w, c, i - JUMP_REST_HOPS);
  after = mt_travel_fine_dbfs(w, c, end + JUMP_REST_HOPS) - mt_travel_fine_dbfs(w, c, end);
  return fabs(before) < JUMP_REST_PART * fabs(change) && fabs(after) < JUMP_REST_PART * fabs(change);
}

/* No noise does that, nor a scratch. */
static bool is_clear(const mt_travel_work *w, int c, size_t i, size_t end)
{
  double change = fabs(w->fine[c][end] - w->fine[c][i]), higher = fmax(w->fine[c][i], w->fine[c][end]);

  for (size_t k = i; k <= end; k++) {
    double sigma = mt_travel_fine_sigma(w, c, k);
    if (change < CLEAR_SIGMAS * sigma || mt_db_of_relative(sigma / higher) > FINE_SNR_SIGMA_DB)
      return false;
  }
  return true;
}

/* To nothing, or from nothing: the end of the travel, or a switch, and no jump of the track. */
static bool is_cut_off(const mt_travel_work *w, int c, size_t i, size_t end)
{
  return fmax(mt_travel_fine_sigma_db(w, c, i), mt_travel_fine_sigma_db(w, c, end)) > CUT_OFF_SIGMA_DB;
}

static void find_falls(mt_travel_work *w, int c)
{
  for (size_t i = 0; i + MT_TRAVEL_ACROSS < w->nfine; i++) {
    size_t end = i + MT_TRAVEL_ACROSS, back = 0;
    double change = mt_travel_fine_dbfs(w, c, end) - mt_travel_fine_dbfs(w, c, i);
    if (fabs(change) < JUMP_DB || !is_clear(w, c, i, end) || !is_largest_around(w, c, i, change))
      continue;
    if (change <= -FALL_DB)
      back = find_return(w, c, end, mt_travel_fine_dbfs(w, c, i), -change);
    if (back > 0) {
      i = add_fall(w, c, i, back);
    } else if (!w->out->is_stepped && rests_beside(w, c, i, change) && !is_cut_off(w, c, i, end)) {
      mt_travel_event e = {.kind = MT_TRAVEL_JUMP,
                           .channel = c,
                           .begin_s = mt_travel_fine_s(w, i + MT_TRAVEL_ACROSS / 2),
                           .attenuation_db = down_db(w, c, i),
                           .size_db = change};
      add(w->out, &e);
      i = end;
    }
  }
}

/* ---- lost or stuck against the other channel ---------------------------------------------------------------- */

static double lag_db(const mt_travel *t, int c, size_t p)
{
  const mt_travel_point *point = &t->points[p];
  double lead = point->level_dbfs[0] - point->level_dbfs[1] - t->balance_db;
  return c == 0 ? -lead : lead;
}

/* What it lagged by a little before: the middle of ten points. */
static double lag_before(const mt_travel *t, int c, size_t p)
{
  double lags[BEFORE_POINTS];

  for (size_t i = 0; i < BEFORE_POINTS; i++)
    lags[i] = lag_db(t, c, p - BEFORE_APART - BEFORE_POINTS + i);
  return mt_order_select(lags, BEFORE_POINTS, BEFORE_POINTS / 2);
}

static bool both_heard(const mt_travel_point *p)
{
  return p->snr_db[0] >= MT_TRAVEL_SNR_DB && p->snr_db[1] >= MT_TRAVEL_SNR_DB;
}

static size_t follow_lost(mt_travel *t, int c, size_t p, double usual)
{
  const mt_travel_point *first = &t->points[p];
  mt_travel_event e = {.kind = MT_TRAVEL_LOST, .channel = c, .begin_s = first->at_s};
  int other = 1 - c;
  double followed_db = 0.0; /* how far the other one was still turned meanwhile */
  size_t k = p;
  bool is_back = false;

  e.attenuation_db = t->full_dbfs[other] - first->level_dbfs[other];
  for (; k < t->npoints && !is_back; k++) {
    if (t->points[k].snr_db[other] < MT_TRAVEL_SNR_DB) {
      e.to_the_end = true;
      continue;
    }
    if (k > p && fabs(t->points[k].level_dbfs[other] - t->points[k - 1].level_dbfs[other]) < CUT_OFF_DB)
      followed_db = fmax(followed_db, first->level_dbfs[other] - t->points[k].level_dbfs[other]);
    e.size_db = fmax(e.size_db, lag_db(t, c, k) - usual);
    is_back = lag_db(t, c, k) - usual < 0.5 * LOST_DB;
    e.to_the_end = e.to_the_end || t->points[k].level_dbfs[other] < t->lowest_dbfs[other] + 1.0;
  }
  e.to_the_end = e.to_the_end || !is_back;
  e.length_s = t->points[k - 1].at_s - e.begin_s;
  if (is_back) /* turned up it begins at the lower end */
    e.attenuation_db = fmin(e.attenuation_db, t->full_dbfs[other] - t->points[k - 1].level_dbfs[other]);
  /* near the end of the travel both are cut off, one a little before the other: so are sound controls */
  if (e.to_the_end && followed_db < SAME_PLACE_DB)
    return k;
  if (k - p > LOST_POINTS && !has_then(t, MT_TRAVEL_LOST, c, e.begin_s, e.begin_s + e.length_s))
    add(t, &e);
  return k;
}

static void find_lost(mt_travel *t, int c)
{
  for (size_t p = BEFORE_POINTS + BEFORE_APART; p < t->npoints; p++) {
    const mt_travel_point *before = &t->points[p - BEFORE_APART];
    double usual;
    if (t->points[p].snr_db[1 - c] < MT_TRAVEL_SNR_DB || !both_heard(before))
      continue;
    usual = lag_before(t, c, p);
    /* a scratch of the other channel lifts its level */
    if (lag_db(t, c, p) - usual >= LOST_DB && lag_db(t, c, p) >= LOST_DB &&
        !has_then(t, MT_TRAVEL_SCRATCH, 1 - c, t->points[p].at_s - 0.02, t->points[p].at_s + 0.02))
      p = follow_lost(t, c, p, usual);
  }
}

/* The first point by which the other channel has moved far enough; 0 if it does not, or cannot be told. */
static size_t find_moved(const mt_travel *t, int other, size_t p, double moves_db)
{
  for (size_t k = p + 1; k < t->npoints && k <= p + STUCK_POINTS; k++) {
    if (!both_heard(&t->points[k]))
      return 0;
    if (fabs(t->points[k].level_dbfs[other] - t->points[p].level_dbfs[other]) >= moves_db)
      return k;
  }
  return 0;
}

static bool has_stayed(const mt_travel *t, int c, size_t p, size_t end)
{
  for (size_t k = p; k <= end; k++)
    if (fabs(t->points[k].level_dbfs[c] - t->points[p].level_dbfs[c]) > STUCK_LESS_DB)
      return false;
  return true;
}

/* How far it moved, jumps left out. */
static double steady_way_db(const mt_travel *t, int c, size_t p, size_t end)
{
  double from_s = t->points[p].at_s, to_s = t->points[end].at_s;
  double way = t->points[end].level_dbfs[c] - t->points[p].level_dbfs[c];

  for (size_t i = 0; i < t->nevents; i++) {
    const mt_travel_event *e = &t->events[i];
    /* the window of a point reaches 20 ms to either side */
    if (e->kind == MT_TRAVEL_JUMP && e->channel == c && e->begin_s > from_s - 0.02 &&
        e->begin_s < to_s + 0.02)
      way -= e->size_db;
  }
  return fabs(way);
}

static void find_stuck(mt_travel *t, int c)
{
  double moves_db = t->is_stepped ? fmax(STUCK_MOVES_DB, 3.0 * t->step_db) : STUCK_MOVES_DB;

  for (size_t p = 0; p < t->npoints; p++) {
    mt_travel_event e = {.kind = MT_TRAVEL_STUCK, .channel = c};
    size_t end = both_heard(&t->points[p]) ? find_moved(t, 1 - c, p, moves_db) : 0;
    if (end == 0 || !has_stayed(t, c, p, end))
      continue;
    while (end + 1 < t->npoints && both_heard(&t->points[end + 1]) && has_stayed(t, c, p, end + 1) &&
           fabs(t->points[end + 1].level_dbfs[1 - c] - t->points[end].level_dbfs[1 - c]) > 0.01)
      end++;
    e.begin_s = t->points[p].at_s;
    e.length_s = t->points[end].at_s - e.begin_s;
    e.attenuation_db = t->full_dbfs[c] - t->points[p].level_dbfs[c];
    e.size_db = fabs(t->points[end].level_dbfs[1 - c] - t->points[p].level_dbfs[1 - c]);
    /* that the other one fell or jumped meanwhile is a fault of its own */
    if (e.length_s >= STUCK_LEAST_S &&
        !has_then(t, MT_TRAVEL_LOST, 1 - c, e.begin_s, e.begin_s + e.length_s) &&
        !has_then(t, MT_TRAVEL_SCRATCH, 1 - c, e.begin_s, e.begin_s + e.length_s) &&
        steady_way_db(t, 1 - c, p, end) >= STUCK_MOVES_DB)
      add(t, &e);
    p = end;
  }
}

/* ---- scratches ---------------------------------------------------------------------------------------------- */

/* The largest step of the amplitude in or across a stretch, the steady turn taken off. */
static double step_amplitude(const mt_travel_work *w, int c, double from_s, double to_s)
{
  const double *a = w->fine[c];
  size_t at = mt_travel_fine_at(w, from_s), till = mt_travel_fine_at(w, to_s);
  size_t b = at > MT_TRAVEL_FINE ? at - MT_TRAVEL_FINE : 0, e = till + MT_TRAVEL_FINE;
  double slope = 0.0, across, most;

  e = e < w->nfine ? e : w->nfine - 1;
  if (b >= 8 && e + 8 < w->nfine)
    slope = 0.5 * ((a[b] - a[b - 8]) + (a[e + 8] - a[e])) / 8.0;
  across = fabs(a[e] - a[b] - slope * (double)(e - b));
  most = across;
  for (size_t i = b; i <= e; i++) {
    double line = a[b] + (a[e] - a[b]) * (double)(i - b) / (double)(e - b > 0 ? e - b : 1);
    if (across < 0.3 * fabs(a[i] - line)) /* a dip, and no step seen through the window */
      most = fmax(most, fabs(a[i] - line));
  }
  return most;
}

static void weigh_burst(mt_travel_work *w, int c, size_t first, size_t last)
{
  double chunk_s = (double)w->chunk / w->rate_hz, squares = 0.0, hush = 0.0, n = (double)(last - first + 1);
  mt_travel_event e = {.kind = MT_TRAVEL_SCRATCH, .channel = c, .begin_s = (double)first * chunk_s};
  double step, loud = 0.0;

  for (size_t k = first; k <= last; k++) {
    loud += w->hiss[c][k] > HISS_OVER * w->hush[c][k];
    squares += fmax(0.0, w->hiss[c][k] - w->hush[c][k]);
    hush += w->hush[c][k];
  }
  e.length_s = n * chunk_s;
  step = step_amplitude(w, c, e.begin_s, e.begin_s + e.length_s);
  if (!(mt_travel_is_sustained(&e) && loud >= SUSTAINED_PART * n) &&
      squares * (double)w->chunk <= STEP_SQUARES * step * step * w->step_squares)
    return;
  e.size_db = mt_db_of_power((squares + hush) / hush);
  e.level_dbfs = mt_db_of_power(2.0 * squares / n);
  e.attenuation_db = down_db(w, c, mt_travel_fine_at(w, e.begin_s - 0.01));
  add(w->out, &e);
}

static void find_scratches(mt_travel_work *w, int c)
{
  for (size_t k = 0; k < w->nhiss; k++) {
    size_t last = k;
    if (w->hiss[c][k] <= HISS_OVER * w->hush[c][k])
      continue;
    for (size_t i = k + 1; i < w->nhiss && i <= last + JOIN_CHUNKS; i++)
      if (w->hiss[c][i] > HISS_OVER * w->hush[c][i])
        last = i;
    weigh_burst(w, c, k, last);
    k = last;
  }
}

void mt_travel_find_faults(mt_travel_work *w)
{
  mt_travel *t = w->out;

  for (int c = 0; c < 2; c++)
    if (t->heard[c]) {
      find_falls(w, c);
      find_scratches(w, c);
    }
  for (int c = 0; c < 2 && t->has_balance; c++)
    find_lost(t, c);
  for (int c = 0; c < 2 && t->has_balance; c++)
    find_stuck(t, c);
  qsort(t->events, t->nevents, sizeof *t->events, earlier_first);
}
