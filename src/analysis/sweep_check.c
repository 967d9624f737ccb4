#include "analysis/sweep_check.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/wide.h"
#include "signal/sweep.h"

#include <stdlib.h>
#include <string.h>

/* A cell: Hann window over 2 periods (which nulls DC and all harmonics) or this long if that is longer, ... */
#define CELL_S 0.002
/* ... but short against the time in which a linear unit can change, sqrt(L / f). */
#define CELL_OF_CHANGE 0.35
#define CELL_OF_CHANGE_LOW 0.25
#define HOPS 4 /* cells overlap: hops a cell */

#define SCATTER_CELLS 40  /* either side, to know the noise */
#define DIP_CELLS 6       /* either side, the trend a dip is held against */
#define DIP_LEAST 0.35    /* of the amplitude; 1 ms of silence takes 0.72 of a 2 ms cell at the least */
#define DIP_FROM_HZ 500.0 /* below, periods are compared instead */
#define STEP_LEAST 0.45 /* of the amplitude: 2 sin(26 deg / 2); an order of 10 % that folds back makes 0.4 */
#define STEP_LEAST_SHARE 1.6 /* times that at most: silence must still count */
#define STEP_ALONE_CELLS 9
#define STEP_ALONE_TIMES 4.0
#define LEVEL_LEAST 0.003 /* of the highest: far down the edge of a filter nothing can be told */
/* Times the median: noise of 6000 cells reaches about 4 */
#define SCATTER_TIMES 7.0
#define DELAY_FROM_HZ 1000.0
/* Delay from the turn over so many hertz: 20 ms are half a turn. */
#define TURN_HZ 25.0
#define TURN_LEVEL_LEAST 0.03 /* as LEVEL_LEAST */
#define TURN_UNKNOWN 10.0     /* more than the 2 sqrt(2) it can be: where half are, nothing stands out */
#define TURN_CELL_LEAST 0.25  /* of the level around */
#define TURN_CELLS 10         /* whose median is taken, either side of the place */
#define TURN_LEAST 0.25       /* 1.6 ms; a resonance of Q = 10 at 1 kHz makes a third of it */

/* Period against period, on points this far apart */
#define POINT_S 1e-4
#define BLOCK_POINTS 10
#define PERIODS_TO_HZ 1000.0
#define PERIODS_EITHER_SIDE 2
#define BLOCK_OUTLIERS 2         /* an edge of a distorted wave may move by a sample */
#define PERIOD_LEAST 0.07        /* of the amplitude, for what is short against a period ... */
#define PERIOD_LEAST_SPREAD 0.35 /* ... and for what is not */
#define PERIOD_TIMES 25.0        /* power, times the median of the blocks; noise of 10 points reaches 5 */
#define ALONE_TIMES 16.0         /* power */
#define SCATTER_BLOCKS 200

#define LANES 4 /* an mt_four */
/* Frames rendered at once */
#define CHUNK 1024

#define MERGE_S 0.004
#define DEPTH_LEAST_DB (-80.0)

typedef struct cell {
  double t_s;     /* middle, after the sweep's start */
  double freq_hz; /* of the sweep there */
  double width_s;
  double re, im; /* complex amplitude against the sweep at amplitude 1, full scale */
  double level;  /* of its neighbourhood */
  double share;  /* of the highest level of all */
} cell;

typedef struct complex_turn {
  double re, im;
} complex_turn;

typedef struct probe {
  const double *x;
  size_t n;
  double rate_hz;
  const mt_segment *sweep;
  double constant_s;
  double step_s;      /* stimulus seconds a frame */
  double start_frame; /* of the sweep */
  double from_s, to_s;
  double mean;
  cell *cells;
  size_t ncells;
  mt_sweep_event *events; /* in seconds after the sweep's start until the end */
  size_t nevents, max_events;
} probe;

/* As hypot(), whose care about overflow amplitudes of the order of 1 do not need. */
static double size_of(double re, double im)
{
  return sqrt(re * re + im * im);
}

static double lesser_of(double a, double b)
{
  return a < b ? a : b;
}

static double greater_of(double a, double b)
{
  return a > b ? a : b;
}

static double frequency_at(const probe *p, double t_s)
{
  return p->sweep->from_hz * exp(t_s / p->constant_s);
}

static double median(double *values, size_t n)
{
  return mt_order_select(values, n, n / 2);
}

static void add_event(probe *p, double begin_s, double end_s, double depth_db)
{
  if (p->nevents < p->max_events)
    p->events[p->nevents++] = (mt_sweep_event){begin_s, end_s, fmax(depth_db, DEPTH_LEAST_DB)};
}

/* ---- cells ------------------------------------------------------------------------------------------- */

/* The higher the frequency the shorter. */
static double cell_width_s(const probe *p, double freq_hz)
{
  double change = CELL_OF_CHANGE * sqrt(p->constant_s / freq_hz);
  return greater_of(2.0 / freq_hz, lesser_of(CELL_S, change));
}

MT_WIDE static void beat_down(const double *x, double mean, size_t n, double *re, double *im)
{
  size_t i = 0;

  for (; i + LANES <= n; i += LANES) {
    mt_four here = *(const mt_four_at *)(x + i) - mean;
    *(mt_four_at *)(re + i) *= here;
    *(mt_four_at *)(im + i) *= here;
  }
  for (; i < n; i++) {
    re[i] *= x[i] - mean;
    im[i] *= x[i] - mean;
  }
}

/* x times the conjugate of the sweep's phase; [nframes] each from the first frame on. */
static void demodulate(const probe *p, size_t first, size_t nframes, double *re, double *im)
{
  for (size_t begin = 0; begin < nframes; begin += CHUNK) {
    size_t count = nframes - begin < CHUNK ? nframes - begin : CHUNK;
    mt_sweep_render_phase(p->sweep, ((double)(first + begin) - p->start_frame) * p->step_s, p->step_s, count,
                          im + begin, re + begin);
    beat_down(p->x + first + begin, p->mean, count, re + begin, im + begin);
  }
}

/* The window turned from sample to sample, instead of a cosine for each; four samples side by side, each turned by
   four. `io` has its place and width. */
MT_WIDE static void read_cell(const probe *p, const double *demodulated_re, const double *demodulated_im,
                              size_t first, cell *io)
{
  const mt_four lanes = {0.0, 1.0, 2.0, 3.0};
  double half = 0.5 * io->width_s / p->step_s, unit = MT_PI / half;
  double middle = p->start_frame + io->t_s / p->step_s;
  size_t begin = (size_t)ceil(middle - half), end = (size_t)floor(middle + half);
  mt_four angle = unit * ((double)begin - middle + lanes), leap = unit * (LANES + 0.0 * lanes);
  mt_four re = {0.0}, im = {0.0}, weights = {0.0};
  mt_turns at, turn;
  const double *x_re = demodulated_re + (begin - first), *x_im = demodulated_im + (begin - first);
  size_t count = end - begin + 1, whole = count - count % LANES;
  double all;

  mt_turns_of(&angle, &at);
  mt_turns_of(&leap, &turn);
  for (size_t i = 0; i < whole; i += LANES) {
    mt_four weight = 1.0 + at.re;
    re += weight * *(const mt_four_at *)(x_re + i);
    im += weight * *(const mt_four_at *)(x_im + i);
    weights += weight;
    mt_turns_by(&at, &turn);
  }
  for (size_t i = whole; i < count; i++) {
    size_t k = i - whole;
    re[k] += (1.0 + at.re[k]) * x_re[i];
    im[k] += (1.0 + at.re[k]) * x_im[i];
    weights[k] += 1.0 + at.re[k];
  }
  all = mt_four_sum(&weights);
  io->re = 2.0 * mt_four_sum(&re) / all;
  io->im = 2.0 * mt_four_sum(&im) / all;
}

static mt_code make_cells(probe *p, mt_error *err)
{
  size_t first = (size_t)(p->start_frame + p->from_s / p->step_s);
  size_t nframes = (size_t)((p->to_s - p->from_s) / p->step_s) + 1;
  double narrowest_s = cell_width_s(p, frequency_at(p, p->to_s));
  size_t most = (size_t)(HOPS * (p->to_s - p->from_s) / narrowest_s) + 2;
  double *re = malloc(2 * nframes * sizeof *re), *im = re + nframes;

  p->cells = malloc(most * sizeof *p->cells);
  if (re == NULL || p->cells == NULL) {
    free(re);
    return mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep of %zu frames", nframes);
  }
  demodulate(p, first, nframes, re, im);
  for (double t = p->from_s; t < p->to_s;) {
    double freq_hz = frequency_at(p, t), width_s = cell_width_s(p, freq_hz);
    double half = 0.5 * width_s + 2.0 * p->step_s;
    if (t - half > p->from_s && t + half < p->to_s) {
      cell *next = &p->cells[p->ncells++];
      *next = (cell){.t_s = t, .freq_hz = freq_hz, .width_s = width_s};
      read_cell(p, re, im, first, next);
    }
    t += width_s / HOPS;
  }
  free(re);
  return MT_OK;
}

/* A delay left in the channel turns the amplitude along the sweep; the median of the turns is the delay. */
static mt_code take_delay_out(probe *p, mt_error *err)
{
  double *delays = malloc((p->ncells + 1) * sizeof *delays);
  double delay;
  size_t n = 0;

  if (delays == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep");
  for (size_t i = 0; i + 1 < p->ncells; i++) {
    const cell *a = &p->cells[i], *b = &p->cells[i + 1];
    double hz = b->freq_hz - a->freq_hz;
    double turned = atan2(b->im * a->re - b->re * a->im, b->re * a->re + b->im * a->im);
    if (a->freq_hz >= DELAY_FROM_HZ)
      delays[n++] = -turned / (2.0 * MT_PI * hz);
  }
  delay = n > 0 ? median(delays, n) : 0.0;
  for (size_t i = 0; i < p->ncells; i++) {
    cell *c = &p->cells[i];
    double angle = 2.0 * MT_PI * delay * c->freq_hz;
    double re = c->re * cos(angle) - c->im * sin(angle);
    c->im = c->re * sin(angle) + c->im * cos(angle);
    c->re = re;
  }
  free(delays);
  return MT_OK;
}

/* Median over 2 m + 1 cells, of each part: follows a trend, ignores a dip of less than half of them. */
static cell trend_at(const cell *cells, size_t at, size_t m)
{
  double re[2 * DIP_CELLS + 1], im[2 * DIP_CELLS + 1];
  cell out = cells[at];

  for (size_t i = 0; i <= 2 * m; i++) {
    re[i] = cells[at + i - m].re;
    im[i] = cells[at + i - m].im;
  }
  out.re = median(re, 2 * m + 1);
  out.im = median(im, 2 * m + 1);
  return out;
}

static mt_code fill_levels(probe *p, mt_error *err)
{
  double *sizes = malloc((p->ncells + 1) * sizeof *sizes), highest = 0.0;

  if (sizes == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep");
  for (size_t i = 0; i < p->ncells; i++)
    sizes[i] = size_of(p->cells[i].re, p->cells[i].im);
  for (size_t i = 0; i < p->ncells; i++) {
    size_t from = i > 2 * DIP_CELLS ? i - 2 * DIP_CELLS : 0;
    size_t to = i + 2 * DIP_CELLS < p->ncells ? i + 2 * DIP_CELLS : p->ncells - 1;
    double level = 0.0;
    for (size_t k = from; k <= to; k++)
      level = greater_of(level, sizes[k]);
    p->cells[i].level = level;
    highest = greater_of(highest, level);
  }
  for (size_t i = 0; i < p->ncells; i++)
    p->cells[i].share = highest > 0.0 ? p->cells[i].level / highest : 0.0;
  free(sizes);
  return MT_OK;
}

/* Median of `values` around `at`. */
static double scatter_at(const double *values, size_t n, size_t at, size_t either_side)
{
  double some[2 * SCATTER_BLOCKS + 1];
  size_t from = at > either_side ? at - either_side : 0;
  size_t to = at + either_side < n ? at + either_side : n - 1;

  memcpy(some, values + from, (to - from + 1) * sizeof *some);
  return median(some, to - from + 1);
}

/* ---- what a linear unit cannot do -------------------------------------------------------------------- */

/* No median lies further from a cell than the furthest of the cells it is taken of: where even those are near, as
   in any whole sweep, there is no need to take medians. */
static bool may_have_dip(const probe *p)
{
  for (size_t i = DIP_CELLS; i + DIP_CELLS < p->ncells; i++) {
    const cell *c = &p->cells[i];
    double re = 0.0, im = 0.0;
    if (!(c->share > LEVEL_LEAST && c->freq_hz > DIP_FROM_HZ))
      continue;
    for (size_t k = i - DIP_CELLS; k <= i + DIP_CELLS; k++) {
      double away_re = fabs(p->cells[k].re - c->re), away_im = fabs(p->cells[k].im - c->im);
      re = away_re > re ? away_re : re;
      im = away_im > im ? away_im : im;
    }
    if (size_of(re, im) > DIP_LEAST * c->level)
      return true;
  }
  return false;
}

/* Amplitude of the cell against the cells around it: short mutes. */
static void measure_dips(const probe *p, double *dips)
{
  for (size_t i = DIP_CELLS; i + DIP_CELLS < p->ncells; i++) {
    cell trend = trend_at(p->cells, i, DIP_CELLS);
    dips[i] = size_of(p->cells[i].re - trend.re, p->cells[i].im - trend.im);
  }
}

/* Change from one cell to the next one beside it, less the mean of the changes before and after: a jump. */
static void measure_steps(const probe *p, double *steps)
{
  const size_t h = HOPS / 2;
  const cell *c = p->cells;

  for (size_t i = 3 * h; i + 3 * h < p->ncells; i++) {
    double re = 1.5 * (c[i + h].re - c[i - h].re) - 0.5 * (c[i + 3 * h].re - c[i - 3 * h].re);
    double im = 1.5 * (c[i + h].im - c[i - h].im) - 0.5 * (c[i + 3 * h].im - c[i - 3 * h].im);
    /* a jump in the middle counts 1.5 - 0.5 = 1 */
    steps[i] = size_of(re, im);
  }
}

static void find_dips(probe *p, const double *dips)
{
  for (size_t i = 0; i < p->ncells; i++) {
    const cell *c = &p->cells[i];
    double level = size_of(c->re, c->im);
    if (c->share > LEVEL_LEAST && c->freq_hz > DIP_FROM_HZ && dips[i] > DIP_LEAST * c->level &&
        dips[i] > SCATTER_TIMES * scatter_at(dips, p->ncells, i, SCATTER_CELLS))
      add_event(p, c->t_s - 0.25 * c->width_s, c->t_s + 0.25 * c->width_s, mt_db_of_ratio(level / c->level));
  }
}

/* The first cell after `from` that is back at half the level, if the jump there was into a hole. */
static size_t end_of_hole(const probe *p, size_t from)
{
  double before = p->cells[from - HOPS].re * p->cells[from - HOPS].re +
                  p->cells[from - HOPS].im * p->cells[from - HOPS].im;
  size_t i = from + HOPS;

  while (i < p->ncells && 16.0 * (p->cells[i].re * p->cells[i].re + p->cells[i].im * p->cells[i].im) < before)
    i++;
  return i < p->ncells ? i : p->ncells - 1;
}

/* Width of a cell against the longest that is short for the change of a linear unit. */
static double change_share(const probe *p, const cell *c)
{
  if (c->width_s <= CELL_S)
    return 1.0;
  return c->width_s / (CELL_OF_CHANGE_LOW * sqrt(p->constant_s / c->freq_hz));
}

/* A jump has nothing beside it, at least on one side (the other may be the end of a hole); where two periods are
   long against sqrt(L / f) on both: a steep filter changes gradually. */
static bool stands_alone(const probe *p, const double *steps, size_t i)
{
  double before = i >= STEP_ALONE_CELLS ? steps[i - STEP_ALONE_CELLS] : 0.0;
  double after = i + STEP_ALONE_CELLS < p->ncells ? steps[i + STEP_ALONE_CELLS] : 0.0;
  double beside = change_share(p, &p->cells[i]) > 1.0 ? fmax(before, after) : fmin(before, after);
  return steps[i] > STEP_ALONE_TIMES * beside;
}

/* There a steep filter may change a good deal from cell to cell, too. */
static double step_least(const probe *p, const cell *c)
{
  double share = change_share(p, c);
  return STEP_LEAST * fmin(STEP_LEAST_SHARE, fmax(1.0, share * share));
}

static void find_steps(probe *p, const double *steps)
{
  for (size_t i = HOPS; i + HOPS < p->ncells; i++) {
    const cell *c = &p->cells[i];
    size_t end;
    if (!(c->share > LEVEL_LEAST && steps[i] > step_least(p, c) * c->level &&
          steps[i] > SCATTER_TIMES * scatter_at(steps, p->ncells, i, SCATTER_CELLS)))
      continue;
    end = end_of_hole(p, i);
    if (end > i + HOPS) {
      const cell *inside = &p->cells[(i + end) / 2];
      add_event(p, c->t_s, p->cells[end].t_s, mt_db_of_ratio(size_of(inside->re, inside->im) / c->level));
    } else if (stands_alone(p, steps, i)) {
      add_event(p, c->t_s - 0.25 * c->width_s, c->t_s + 0.25 * c->width_s, 0.0);
    }
  }
}

/* From one cell to another, of length 1; not a number where one of them is nothing. */
static complex_turn turn_of(const cell *a, const cell *b)
{
  double scale = 1.0 / sqrt((a->re * a->re + a->im * a->im) * (b->re * b->re + b->im * b->im));
  return (complex_turn){(b->re * a->re + b->im * a->im) * scale, (b->im * a->re - b->re * a->im) * scale};
}

/* The turn of the amplitude over TURN_HZ, of length 1, its median over the cells from ... ; false where the sweep is
   not all there. */
static bool turn_between(const probe *p, size_t from, size_t hops, double least, complex_turn *out)
{
  double re[TURN_CELLS], im[TURN_CELLS];

  for (size_t i = 0; i < TURN_CELLS; i++) {
    const cell *a = &p->cells[from + i], *b = &p->cells[from + i + hops];
    double size_a = size_of(a->re, a->im), size_b = size_of(b->re, b->im);
    if (!(size_a > least && size_b > least))
      return false;
    re[i] = (b->re * a->re + b->im * a->im) / (size_a * size_b);
    im[i] = (b->im * a->re - b->re * a->im) / (size_a * size_b);
  }
  *out = (complex_turn){median(re, TURN_CELLS), median(im, TURN_CELLS)};
  return true;
}

/* Where the cells before and after a place are, that a turn over TURN_HZ is taken of; false: too near an end. */
static bool place_turn(const probe *p, size_t i, size_t *before, size_t *after, size_t *hops)
{
  const cell *c = &p->cells[i];
  double hz_a_hop = c[1].freq_hz - c->freq_hz;
  size_t reach;

  *hops = (size_t)fmax(2.0, round(TURN_HZ / hz_a_hop));
  reach = TURN_CELLS + *hops + HOPS / 2;
  *before = i - reach;
  *after = i + HOPS / 2 + 1;
  return c->freq_hz >= 0.5 * DELAY_FROM_HZ && i >= reach && i + reach < p->ncells;
}

/* Delay after against delay before: lost or repeated frames, whatever the phase they left off with. */
static void measure_turns(const probe *p, double *turns)
{
  for (size_t i = 1; i + 1 < p->ncells; i++) {
    double least = TURN_CELL_LEAST * p->cells[i].level;
    size_t first, second, hops;
    complex_turn before, after;
    if (!place_turn(p, i, &first, &second, &hops))
      continue;
    turns[i] = TURN_UNKNOWN;
    if (turn_between(p, first, hops, least, &before) && turn_between(p, second, hops, least, &after))
      turns[i] = size_of(after.re - before.re, after.im - before.im);
  }
}

/*
 * Two medians are no further apart than the furthest of what they are taken of, and those are near each other in any
 * whole sweep. Each turn is made once for all the places it counts for, as long as these reach as far.
 */
static bool may_have_turn(const probe *p)
{
  complex_turn *known = malloc((p->ncells + 1) * sizeof *known);
  size_t *reaches = calloc(p->ncells + 1, sizeof *reaches);
  bool may = known == NULL || reaches == NULL;

  for (size_t i = 1; i + 1 < p->ncells && !may; i++) {
    const cell *c = &p->cells[i];
    size_t first, second, hops;
    complex_turn low = {HUGE_VAL, HUGE_VAL}, high = {-HUGE_VAL, -HUGE_VAL};
    if (!(c->share > TURN_LEVEL_LEAST && c->freq_hz >= DELAY_FROM_HZ) ||
        !place_turn(p, i, &first, &second, &hops))
      continue;
    for (size_t k = 0; k < 2 * TURN_CELLS; k++) {
      size_t at = k < TURN_CELLS ? first + k : second + k - TURN_CELLS;
      if (reaches[at] != hops) {
        known[at] = turn_of(&p->cells[at], &p->cells[at + hops]);
        reaches[at] = hops;
      }
      low.re = known[at].re < low.re ? known[at].re : low.re;
      low.im = known[at].im < low.im ? known[at].im : low.im;
      high.re = known[at].re > high.re ? known[at].re : high.re;
      high.im = known[at].im > high.im ? known[at].im : high.im;
    }
    /* a cell that is nothing has no turn, and is passed over: no place it counts for is ever taken for lost frames */
    may = !(size_of(high.re - low.re, high.im - low.im) <= TURN_LEAST);
  }
  free(known);
  free(reaches);
  return may;
}

/* One event where a run of them is highest. */
static void find_turns(probe *p, const double *turns)
{
  size_t best = 0;
  double highest = 0.0, reach_s;

  for (size_t i = 0; i < p->ncells; i++) {
    const cell *c = &p->cells[i];
    bool stands_out = c->share > TURN_LEVEL_LEAST && c->freq_hz >= DELAY_FROM_HZ && turns[i] > TURN_LEAST &&
                      turns[i] < TURN_UNKNOWN &&
                      turns[i] > SCATTER_TIMES * scatter_at(turns, p->ncells, i, SCATTER_BLOCKS);
    if (stands_out && turns[i] > highest) {
      best = i;
      highest = turns[i];
    } else if (!stands_out && highest > 0.0) {
      c = &p->cells[best];
      reach_s = TURN_HZ * p->constant_s / c->freq_hz + c->width_s;
      add_event(p, c->t_s - reach_s, c->t_s + reach_s, 0.0);
      highest = 0.0;
    }
  }
}

static mt_code check_cells(probe *p, mt_error *err)
{
  double *values = calloc(p->ncells + 1, sizeof *values);

  if (values == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep");
  if (may_have_dip(p)) {
    measure_dips(p, values);
    find_dips(p, values);
    memset(values, 0, p->ncells * sizeof *values);
  }
  measure_steps(p, values);
  find_steps(p, values);
  if (may_have_turn(p)) {
    memset(values, 0, p->ncells * sizeof *values);
    measure_turns(p, values);
    find_turns(p, values);
  }
  free(values);
  return MT_OK;
}

/* ---- period against period --------------------------------------------------------------------------- */

/* Between the frames a line. */
static inline double sample_at(const probe *p, double frame)
{
  ptrdiff_t i = (ptrdiff_t)frame;
  double part = frame - (double)i;
  return p->x[i] + part * (p->x[i + 1] - p->x[i]) - p->mean;
}

/* ln(1 + x) for |x| below 0.5, by the series of the inverse hyperbolic tangent: 1e-8 off at the most, 1e-9 of a period
   of the sweep where it is slowest. */
static inline void log_of_one_and(const mt_four *x, mt_four *out)
{
  mt_four z = *x / (2.0 + *x), s = z * z;

  *out = 2.0 * z * (1.0 + s * (1.0 / 3 + s * (1.0 / 5 + s * (1.0 / 7 + s * (1.0 / 9 + s * (1.0 / 11))))));
}

/* The middle one of five: the middle of three, of which one is the fifth, and the others are the greater of the lower
   and the lesser of the higher of two pairs. */
static double middle_of_five(const double x[2 * PERIODS_EITHER_SIDE + 1])
{
  double low = greater_of(lesser_of(x[0], x[1]), lesser_of(x[2], x[3]));
  double high = lesser_of(greater_of(x[0], x[1]), greater_of(x[2], x[3]));

  return greater_of(lesser_of(low, high), lesser_of(greater_of(low, high), x[4]));
}

/* x at t, and the median of x at that phase in this period and its neighbours. */
static inline double expected_at(const probe *p, double t_s, double freq_hz, double *seen)
{
  const mt_four periods = {-2.0, -1.0, 1.0, 2.0};
  _Static_assert(PERIODS_EITHER_SIDE == 2, "four neighbours");
  double frames_a_second = 1.0 / p->step_s, same[2 * PERIODS_EITHER_SIDE + 1];
  double frame = p->start_frame + t_s * frames_a_second;
  mt_four grown = periods / (freq_hz * p->constant_s), beside;

  log_of_one_and(&grown, &beside);
  beside = frame + p->constant_s * frames_a_second * beside;
  for (int i = 0; i < 2 * PERIODS_EITHER_SIDE; i++)
    same[i] = sample_at(p, beside[i]);
  *seen = same[2 * PERIODS_EITHER_SIDE] = sample_at(p, frame);
  return middle_of_five(same);
}

static double level_at(const probe *p, double t_s, size_t *cell_index)
{
  while (*cell_index + 1 < p->ncells && p->cells[*cell_index].t_s < t_s)
    ++*cell_index;
  return p->cells[*cell_index].level;
}

typedef struct block {
  double seen, expected, difference; /* mean squares */
} block;

/* The sum of all but the highest BLOCK_OUTLIERS. */
static double sum_without_outliers(double apart[BLOCK_POINTS])
{
  double sum = 0.0;

  for (size_t gone = 0; gone < BLOCK_OUTLIERS; gone++) {
    size_t highest = 0;
    for (size_t i = 1; i < BLOCK_POINTS; i++)
      highest = apart[i] > apart[highest] ? i : highest;
    apart[highest] = 0.0;
  }
  for (size_t i = 0; i < BLOCK_POINTS; i++)
    sum += apart[i];
  return sum;
}

MT_WIDE static block measure_block(const probe *p, double from_s)
{
  double apart[BLOCK_POINTS], freq_hz = frequency_at(p, from_s), growth = exp(POINT_S / p->constant_s);
  block b = {0};

  for (size_t i = 0; i < BLOCK_POINTS; i++) {
    double seen, expected = expected_at(p, from_s + (double)i * POINT_S, freq_hz, &seen);
    b.seen += seen * seen / BLOCK_POINTS;
    b.expected += expected * expected / BLOCK_POINTS;
    apart[i] = (seen - expected) * (seen - expected);
    freq_hz *= growth;
  }
  b.difference = sum_without_outliers(apart) / (BLOCK_POINTS - BLOCK_OUTLIERS);
  return b;
}

/* The greatest of the blocks `from` ... `to` away on either side. */
static double beside(const double *differences, size_t nblocks, size_t at, size_t from, size_t to)
{
  double before = 0.0, after = 0.0;

  for (size_t i = from; i <= to; i++) {
    before = fmax(before, at >= i ? differences[at - i] : 0.0);
    after = fmax(after, at + i < nblocks ? differences[at + i] : 0.0);
  }
  return fmax(before, after);
}

/* An interruption stands alone: a filter that still rings makes a stretch of many periods, and within one period it
   is as smooth as the sweep. Only what takes most of a period needs not stand alone within it. */
static bool is_interruption(const double *differences, size_t nblocks, size_t b, double period_blocks,
                            double level)
{
  size_t period = (size_t)period_blocks + 1;
  size_t away = (size_t)(PERIODS_EITHER_SIDE * period_blocks) + 2;
  double d = differences[b];
  double around = scatter_at(differences, nblocks, b, period < SCATTER_BLOCKS ? period : SCATTER_BLOCKS);
  double least = d > ALONE_TIMES * around ? PERIOD_LEAST * level : PERIOD_LEAST_SPREAD * level;

  return d > least * least && d > PERIOD_TIMES * scatter_at(differences, nblocks, b, SCATTER_BLOCKS) &&
         d > ALONE_TIMES * beside(differences, nblocks, b, away, away + period + 1);
}

static void find_blocks(probe *p, double from_s, size_t nblocks, const block *blocks,
                        const double *differences)
{
  const double block_s = BLOCK_POINTS * POINT_S;
  size_t at = 0;

  for (size_t b = 0; b < nblocks; b++) {
    double t = from_s + (double)b * block_s;
    double level = level_at(p, t, &at);
    if (differences[b] > PERIOD_LEAST * PERIOD_LEAST * level * level &&
        is_interruption(differences, nblocks, b, 1.0 / (frequency_at(p, t) * block_s), level))
      add_event(p, t, t + block_s,
                fmin(0.0, mt_db_of_power(blocks[b].seen / fmax(blocks[b].expected, 1e-30))));
  }
}

/* From where two periods lie behind to where linear interpolation stops being good enough. */
static mt_code check_periods(probe *p, mt_error *err)
{
  double l = p->constant_s;
  double from = p->from_s + l * log1p(PERIODS_EITHER_SIDE / (frequency_at(p, p->from_s) * l)) + 0.01;
  double to = fmin(p->to_s - 0.1, l * log(PERIODS_TO_HZ / p->sweep->from_hz));
  size_t nblocks = to > from ? (size_t)((to - from) / (BLOCK_POINTS * POINT_S)) : 0;
  block *blocks = calloc(nblocks + 1, sizeof *blocks);
  double *differences = calloc(nblocks + 1, sizeof *differences);
  mt_code code = MT_OK;

  if (blocks == NULL || differences == NULL) {
    code = mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep");
  } else if (nblocks > 0 && p->ncells > 0) {
    for (size_t b = 0; b < nblocks; b++) {
      blocks[b] = measure_block(p, from + (double)b * BLOCK_POINTS * POINT_S);
      differences[b] = blocks[b].difference;
    }
    find_blocks(p, from, nblocks, blocks, differences);
  }
  free(blocks);
  free(differences);
  return code;
}

/* ---- events ------------------------------------------------------------------------------------------ */

static int compare_events(const void *a, const void *b)
{
  const mt_sweep_event *x = a, *y = b;
  return (x->begin_s > y->begin_s) - (x->begin_s < y->begin_s);
}

/* One interruption is seen by several cells and by both methods. */
static void merge(probe *p)
{
  size_t kept = 0;

  qsort(p->events, p->nevents, sizeof *p->events, compare_events);
  for (size_t i = 0; i < p->nevents; i++) {
    mt_sweep_event *last = kept > 0 ? &p->events[kept - 1] : NULL;
    const mt_sweep_event *e = &p->events[i];
    double near = fmax(MERGE_S, 2.0 / frequency_at(p, e->begin_s));
    if (last != NULL && e->begin_s <= last->end_s + near) {
      last->end_s = fmax(last->end_s, e->end_s);
      last->depth_db = fmin(last->depth_db, e->depth_db);
    } else {
      p->events[kept++] = *e;
    }
  }
  p->nevents = kept;
}

static mt_code set_up(probe *p, double start_frame, double clock_ratio, mt_error *err)
{
  double end, sum = 0.0, from_hz, to_hz;
  size_t first, count;

  if (!(p->rate_hz >= MT_RATE_MIN_HZ && p->rate_hz <= MT_RATE_MAX_HZ) || !(fabs(clock_ratio - 1.0) <= 0.01) ||
      !mt_response_band(p->sweep, p->rate_hz / clock_ratio, &from_hz, &to_hz) || !(fabs(start_frame) <= 1e12))
    return mt_fail(err, MT_E_ARG, "not a sweep that %g Hz can carry from frame %g at a clock ratio of %g",
                   p->rate_hz, start_frame, clock_ratio);
  p->step_s = clock_ratio / p->rate_hz;
  p->start_frame = start_frame + p->sweep->start_s / p->step_s;
  end = p->start_frame + p->sweep->duration_s / p->step_s;
  if (!(p->start_frame >= 0.0 && end + 2.0 <= (double)p->n))
    return mt_fail(err, MT_E_DATA,
                   "the sweep takes frames %.0f to %.0f of a take of %zu frames; expected all of it",
                   p->start_frame, end, p->n);
  p->constant_s = mt_segment_sweep_constant(p->sweep);
  p->from_s = p->sweep->fade_in_s;
  p->to_s = p->sweep->duration_s - p->sweep->fade_out_s;
  first = (size_t)p->start_frame;
  count = (size_t)end + 2 - first;
  if (!mt_wide_sum(p->x + first, count, 1e6, &sum))
    for (size_t i = first; i < first + count; i++)
      if (!(fabs(p->x[i]) <= 1e6))
        return mt_fail(err, MT_E_DATA, "sample %zu is %g; expected a finite number near +-1", i, p->x[i]);
  p->mean = sum / (double)count;
  return MT_OK;
}

static mt_code search(probe *p, mt_error *err)
{
  mt_code code = make_cells(p, err);

  if (code == MT_OK)
    code = take_delay_out(p, err);
  if (code == MT_OK)
    code = fill_levels(p, err);
  if (code == MT_OK)
    code = check_cells(p, err);
  if (code == MT_OK)
    code = check_periods(p, err);
  merge(p);
  return code;
}

mt_code mt_sweep_find_events(const double *x, size_t n, double rate_hz, const mt_segment *sweep,
                             double start_frame, double clock_ratio, mt_sweep_event *events, size_t max,
                             size_t *nevents, mt_error *err)
{
  probe p = {.x = x, .n = n, .rate_hz = rate_hz, .sweep = sweep, .max_events = 1024};
  mt_code code = set_up(&p, start_frame, clock_ratio, err);

  if (code != MT_OK)
    return code;
  p.events = calloc(p.max_events, sizeof *p.events);
  code = p.events != NULL ? search(&p, err) : mt_fail(err, MT_E_MEMORY, "out of memory to check a sweep");
  if (code == MT_OK) {
    *nevents = p.nevents < max ? p.nevents : max;
    for (size_t i = 0; i < *nevents; i++) {
      double first_s = p.start_frame / rate_hz;
      events[i] = p.events[i];
      events[i].begin_s = first_s + events[i].begin_s / clock_ratio;
      events[i].end_s = first_s + events[i].end_s / clock_ratio;
    }
  }
  free(p.cells);
  free(p.events);
  return code;
}
