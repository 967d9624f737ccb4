/*
 * Steadiness of a tone. All block values are relative: q = 1 is the tone as fitted, its angle a phase error,
 * its size a level. Steps show in differences over two blocks (the block between may hold the step). Each
 * difference is compared with others nearby: a step stands out against most of them, a drift does not.
 */
#include "analysis/steady.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
  BLOCKS_LEAST = 16,
  BLOCKS_WANTED = 24,
  LAG = 2,      /* blocks between the two ends of a difference */
  APART = 3,    /* blocks to the differences it is compared with */
  COMPARED = 6, /* how many of them */
  TOUCHED = 6,  /* comparisons one step may spoil: they are not noise */
  SIDE = 6,     /* blocks averaged on either side of an event */
  EIGHTHS = 8   /* parts of a segment, for drift */
};

#define BLOCK_S 0.005
#define FALSE_ALARM 1e-6
/* A step of 1e-5 rad in mid-record leaves -105 dB of the tone: smaller ones spoil no reading, and would be
   found in the rounding of noiseless signals. */
#define PHASE_LEAST_RAD 1e-5
#define LEVEL_LIMIT_DB 0.1
#define PHASE_LIMIT_DEG 10.0
/* Phase noise from block to block, beyond what the noise beside the tone explains, that cannot be told from
   frames lost all the time. It leaves -29 dB beside the tone. */
#define JITTER_LIMIT_DEG 2.0
#define JITTER_RATIO 3.0
/* Level and phase of an eighth are known only while so many times its noise are no more than that of the tone. */
#define EIGHTH_SIGMAS 5.0
#define TOLD_UP_TO 0.5
/* A wrong sample 120 dB below the tone adds -167 dB to a second of residual. */
#define CLICK_LEAST 1e-6
/* A click stands out by this from the peaks of the blocks beside it. Gaussian noise has peaks of about 3
   sigma in each block, so this asks for 7.5 sigma, little more than the false-alarm rate does. */
#define CLICK_RATIO 2.5
/* A block is away when this much of its level is missing. */
#define AWAY 0.3

typedef struct cis {
  double re;
  double im;
} cis;

static cis cis_times(cis a, cis b)
{
  return (cis){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static cis cis_conj(cis a)
{
  return (cis){a.re, -a.im};
}

static cis cis_turn(double cycles)
{
  double angle = 2.0 * MT_PI * (cycles - rint(cycles));
  return (cis){cos(angle), sin(angle)};
}

static double cis_angle(cis a)
{
  return atan2(a.im, a.re);
}

typedef struct block {
  double middle; /* frames from mid-record */
  size_t begin;
  cis tone;     /* the fitted tone at the middle */
  cis extra;    /* what the residual adds to it */
  cis q;        /* both over the tone, the straight phase taken out */
  double level; /* |q| over its median */
  double rms;   /* of what is left of the residual within the block */
  double peak;
  bool away;
  bool flagged;
} block;

typedef struct track {
  const double *x;
  size_t n;
  double cycles;
  double slope; /* rad a frame: the true frequency less the fitted one */
  size_t half;  /* half a block, frames */
  size_t nblocks;
  block *blocks;   /* owned */
  double *tables;  /* owned: [half] each, cos and sin from the middle of a block, and under the window */
  double *scratch; /* owned: [2 nblocks] */
  double noise;    /* rms of the residual beside the tone, of the typical block */
  double phase_threshold; /* rad */
  double level_threshold; /* relative */
  double click_threshold; /* of full scale */
  double added;           /* noise of one block beside the tone, either quadrature, re the tone */
  bool jitters;           /* the phase is not quiet enough to see steps in */
} track;

static void track_finish(track *tr)
{
  free(tr->blocks);
  free(tr->tables);
  free(tr->scratch);
  *tr = (track){0};
}

static size_t blocks_of(size_t n, size_t half)
{
  return (n + 2 * half - 1) / (2 * half);
}

/* Half a block: a whole number of periods, 5 ms or more. */
static size_t choose_half(size_t n, double rate_hz, double freq_hz)
{
  double periods = fmax(2.0, ceil(BLOCK_S * freq_hz));
  size_t half = (size_t)lrint(0.5 * periods * rate_hz / freq_hz);

  if (blocks_of(n, half) < BLOCKS_WANTED && periods < 2.5)
    half = (size_t)lrint(0.5 * rate_hz / freq_hz);
  return half < 4 ? 4 : half;
}

static mt_code track_open(track *tr, const double *x, size_t n, double rate_hz, const mt_sine_fit *fit,
                          mt_error *err)
{
  *tr = (track){.x = x, .n = n, .cycles = fit->freq_hz / rate_hz};
  tr->half = choose_half(n, rate_hz, fit->freq_hz);
  tr->nblocks = blocks_of(n, tr->half);
  if (tr->nblocks < BLOCKS_LEAST)
    return MT_OK;
  tr->blocks = calloc(tr->nblocks, sizeof *tr->blocks);
  tr->tables = malloc(4 * tr->half * sizeof *tr->tables);
  tr->scratch = malloc(2 * tr->nblocks * sizeof *tr->scratch);
  if (tr->blocks == NULL || tr->tables == NULL || tr->scratch == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to check %zu samples", n);
  for (size_t i = 0; i < tr->half; i++) {
    cis at = cis_turn(tr->cycles * ((double)i + 0.5));
    double window = 0.5 + 0.5 * cos(MT_PI * ((double)i + 0.5) / (double)tr->half);
    tr->tables[i] = at.re;
    tr->tables[tr->half + i] = at.im;
    /* 2 over the sum of the window, which is `half` */
    tr->tables[2 * tr->half + i] = at.re * window * 2.0 / (double)tr->half;
    tr->tables[3 * tr->half + i] = at.im * window * 2.0 / (double)tr->half;
  }
  return MT_OK;
}

/* Spread over the record from end to end; they may overlap a little. */
static void blocks_place(track *tr, const mt_sine_fit *fit)
{
  cis phase = cis_turn(fit->phase_rad / (2.0 * MT_PI));

  for (size_t b = 0; b < tr->nblocks; b++) {
    block *bl = &tr->blocks[b];
    bl->begin = b * (tr->n - 2 * tr->half) / (tr->nblocks - 1);
    bl->middle = (double)(bl->begin + tr->half) - 0.5 * (double)tr->n;
    bl->tone = cis_times(cis_turn(tr->cycles * bl->middle), phase);
    bl->tone.re *= fit->amplitude;
    bl->tone.im *= fit->amplitude;
  }
}

/* Four frames of a block from i on from its middle, and as many before it, outwards. */
static inline void take_sides(const double *middle, size_t i, mt_four *above, mt_four *below)
{
  mt_four before = *(const mt_four_at *)(middle - i - 4);

  *above = *(const mt_four_at *)(middle + i);
  *below = __builtin_shufflevector(before, before, 3, 2, 1, 0);
}

MT_WIDE static void block_project(const track *tr, block *bl)
{
  const double *middle = tr->x + bl->begin + tr->half;
  const double *c = tr->tables + 2 * tr->half, *s = c + tr->half;
  mt_four re = {0.0}, im = {0.0};
  size_t i = 0;

  for (; i + 4 <= tr->half; i += 4) {
    mt_four above, below;
    take_sides(middle, i, &above, &below);
    re += (above + below) * *(const mt_four_at *)(c + i);
    im -= (above - below) * *(const mt_four_at *)(s + i);
  }
  for (size_t lane = 0; i < tr->half; i++, lane++) {
    double above = middle[i], below = middle[-1 - (ptrdiff_t)i];
    re[lane] += (above + below) * c[i];
    im[lane] -= (above - below) * s[i];
  }
  bl->extra = (cis){mt_four_sum(&re), mt_four_sum(&im)};
}

/* What is left in a block when the tone as it is there is taken off, the frequency put right too. */
MT_WIDE static void block_leftover(const track *tr, block *bl)
{
  const mt_four lanes = {0.5, 1.5, 2.5, 3.5};
  const double *middle = tr->x + bl->begin + tr->half;
  const double *c = tr->tables, *s = c + tr->half;
  double re = bl->extra.re, im = bl->extra.im, peak = 0.0;
  double slope_re = tr->slope * (bl->tone.re + re), slope_im = tr->slope * (bl->tone.im + im);
  mt_four sum = {0.0}, high = {0.0};
  size_t rest = tr->half % 4;

  /* of a half that is no whole number of fours the last four hold frames that are done already: not twice */
  for (size_t i = 0; i < tr->half; i += 4) {
    size_t at = i + 4 <= tr->half ? i : tr->half - 4;
    mt_four u = (double)at + lanes, above, below, even, odd, energy;
    mt_four c_here = *(const mt_four_at *)(c + at), s_here = *(const mt_four_at *)(s + at);
    take_sides(middle, at, &above, &below);
    even = re * c_here - u * slope_re * s_here;
    odd = -im * s_here - u * slope_im * c_here;
    above -= even + odd;
    below -= even - odd;
    energy = above * above + below * below;
    for (size_t lane = 0; at < i && lane < 4 - rest; lane++)
      energy[lane] = 0.0;
    sum += energy;
    mt_four_size(&above);
    mt_four_size(&below);
    mt_four_raise(&above, &high);
    mt_four_raise(&below, &high);
  }
  for (int lane = 0; lane < 4; lane++)
    peak = high[lane] > peak ? high[lane] : peak;
  bl->rms = sqrt(mt_four_sum(&sum) / (double)(2 * tr->half));
  bl->peak = peak;
}

static double middle_of(double *values, size_t count)
{
  double below = mt_order_select(values, count, (count - 1) / 2);
  return 0.5 * (below + mt_order_select(values, count, count / 2));
}

static mt_code blocks_measure(track *tr, mt_error *err)
{
  double level;

  for (size_t b = 0; b < tr->nblocks; b++) {
    block *bl = &tr->blocks[b];
    double power = bl->tone.re * bl->tone.re + bl->tone.im * bl->tone.im;
    block_project(tr, bl);
    bl->q = cis_times((cis){bl->tone.re + bl->extra.re, bl->tone.im + bl->extra.im}, cis_conj(bl->tone));
    bl->q.re /= power;
    bl->q.im /= power;
    if (!isfinite(bl->q.re) || !isfinite(bl->q.im))
      return mt_fail(err, MT_E_DATA, "the residual is not finite between samples %zu and %zu", bl->begin,
                     bl->begin + 2 * tr->half);
    tr->scratch[b] = hypot(bl->q.re, bl->q.im);
  }
  level = middle_of(tr->scratch, tr->nblocks);
  if (!(level > 0.0))
    return mt_fail(err, MT_E_DATA, "the tone is missing from most of the segment");
  for (size_t b = 0; b + 1 < tr->nblocks; b++) {
    const block *bl = &tr->blocks[b];
    tr->scratch[b] = cis_angle(cis_times(bl[1].q, cis_conj(bl[0].q))) / (bl[1].middle - bl[0].middle);
  }
  tr->slope = middle_of(tr->scratch, tr->nblocks - 1);
  for (size_t b = 0; b < tr->nblocks; b++) {
    block *bl = &tr->blocks[b];
    block_leftover(tr, bl);
    bl->level = hypot(bl->q.re, bl->q.im) / level;
    bl->away = bl->level < 1.0 - AWAY; /* until the noise is known */
    bl->q = cis_times(bl->q, cis_turn(-tr->slope * bl->middle / (2.0 * MT_PI)));
    tr->scratch[b] = bl->rms;
  }
  tr->noise = middle_of(tr->scratch, tr->nblocks);
  return MT_OK;
}

/* ---- steps ------------------------------------------------------------------------------------- */

typedef double difference(const block *from, const block *to);

static double phase_difference(const block *from, const block *to)
{
  return cis_angle(cis_times(to->q, cis_conj(from->q)));
}

static double level_difference(const block *from, const block *to)
{
  return to->level - from->level;
}

/* All differences, of blocks b and b + LAG; NAN if the tone is away in either. @return how many. */
static size_t differences_take(const track *tr, difference *between, double *out)
{
  size_t count = tr->nblocks - LAG;

  for (size_t b = 0; b < count; b++) {
    const block *from = &tr->blocks[b], *to = &tr->blocks[b + LAG];
    out[b] = from->away || to->away ? (double)NAN : between(from, to);
  }
  return count;
}

/* One comparison. A level cannot differ by so much that turning it matters. */
static double apart(double a, double b)
{
  return fabs(a - b) <= MT_PI ? a - b : remainder(a - b, 2.0 * MT_PI);
}

/**
 * By how much a difference departs from the nearest six that share no block with it; 0 if there are not three.
 *
 * The middle of the six, the smaller of two: a step spoils three differences in a row, of which one is among
 * the six, so two more steps nearby are borne; and what drifts is as much below as above. Near an end,
 * or where the tone is away, more of them lie on one side.
 */
static double departure(const double *d, size_t count, size_t b)
{
  double by[COMPARED];
  size_t n = 0;

  if (isnan(d[b]))
    return 0.0;
  for (ptrdiff_t off = APART; off <= 2 * COMPARED * APART && n < COMPARED; off += APART)
    for (int side = -1; side <= 1 && n < COMPARED; side += 2) {
      ptrdiff_t at = (ptrdiff_t)b + side * off;
      if (at >= 0 && at < (ptrdiff_t)count && !isnan(d[at]))
        by[n++] = apart(d[b], d[at]);
    }
  if (n < 3)
    return 0.0;
  mt_order_sort(by, n);
  return fmin(fabs(by[(n - 1) / 2]), fabs(by[n / 2]));
}

/* Standard deviation of a comparison, from the comparisons themselves, and how many made it. */
typedef struct spread {
  double sigma;
  double widen; /* for it is an estimate from few */
} spread;

/* The median of all but the TOUCHED largest, so that one step does not hide itself. */
static spread spread_of(track *tr, difference *between)
{
  double *d = tr->scratch, *sizes = tr->scratch + tr->nblocks;
  size_t count = differences_take(tr, between, d), n = 0, clean;

  for (size_t b = 0; b + APART < count; b++)
    if (!isnan(d[b]) && !isnan(d[b + APART]))
      sizes[n++] = fabs(apart(d[b], d[b + APART]));
  clean = n > TOUCHED ? n - TOUCHED : 1;
  /* 0.6745: the median of the size of a normal deviate */
  return (spread){n > 0 ? mt_order_select(sizes, n, clean / 2) / 0.6745 : 0.0,
                  1.1 + 2.0 / sqrt((double)clean)};
}

/* What is added to the tone from block to block, however large it is: angles and levels only tell while it is small. */
static double added_noise(track *tr)
{
  size_t count = tr->nblocks - LAG;

  for (size_t b = 0; b < count; b++)
    tr->scratch[b] =
        hypot(tr->blocks[b + LAG].q.re - tr->blocks[b].q.re, tr->blocks[b + LAG].q.im - tr->blocks[b].q.im);
  /* the size of a complex normal deviate has the median 1.177 of either part; two blocks */
  return middle_of(tr->scratch, count) / (1.177 * sqrt(2.0));
}

static void thresholds_set(track *tr, const mt_sine_fit *fit)
{
  double n = (double)tr->n, nblocks = (double)tr->nblocks;
  double block_sigmas = sqrt(2.0 * log(4.0 * nblocks / FALSE_ALARM));
  double sample_sigmas = sqrt(2.0 * log(4.0 * n / FALSE_ALARM));
  /* one quadrature of one block over the tone: 2 sigma^2 x 1.5 (Hann) / length; four blocks in a comparison */
  double white = 2.0 * tr->noise * sqrt(1.5 / (double)tr->half) / fit->amplitude;

  spread phase = spread_of(tr, phase_difference), level = spread_of(tr, level_difference);

  tr->phase_threshold = fmax(PHASE_LEAST_RAD, block_sigmas * phase.widen * fmax(phase.sigma, white));
  tr->level_threshold =
      fmax(mt_ratio_of_db(LEVEL_LIMIT_DB) - 1.0, block_sigmas * level.widen * fmax(level.sigma, white));
  /* two differences, two blocks each: twice the noise of one block. What is added to a tone (noise stronger here than
     elsewhere, hum) moves its level as much as its phase; frames that are lost move the phase */
  tr->jitters = 0.5 * phase.sigma >
                fmax(JITTER_LIMIT_DEG * MT_PI / 180.0, JITTER_RATIO * 0.5 * fmax(white, level.sigma));
  tr->added = added_noise(tr);
  tr->click_threshold = fmax(CLICK_LEAST * fit->amplitude, sample_sigmas * tr->noise);
}

/* Largest peak of the two blocks two and three away on one side; infinite beyond the end. */
static double peak_beside(const track *tr, size_t b, int side)
{
  double peak = 0.0;
  for (int i = 2; i <= 3; i++) {
    ptrdiff_t at = (ptrdiff_t)b + side * i;
    if (at < 0 || at >= (ptrdiff_t)tr->nblocks)
      return (double)INFINITY;
    peak = fmax(peak, tr->blocks[at].peak);
  }
  return peak;
}

/* Flag the block between the ends of a difference that stands out, unless the next one stands out more. */
static void flag_steps(track *tr, difference *between, double threshold)
{
  double *d = tr->scratch, *out = tr->scratch + tr->nblocks;
  size_t count = differences_take(tr, between, d);

  for (size_t b = 0; b < count; b++)
    out[b] = departure(d, count, b);
  for (size_t b = 0; b < count; b++) {
    double before = b > 0 ? out[b - 1] : 0.0, after = b + 1 < count ? out[b + 1] : 0.0;
    if (out[b] > threshold && out[b] >= 0.9 * fmax(before, after))
      tr->blocks[b + 1].flagged = true;
  }
}

static void blocks_flag(track *tr)
{
  double away = 1.0 - fmax(AWAY, tr->level_threshold);

  for (size_t b = 0; b < tr->nblocks; b++) {
    block *bl = &tr->blocks[b];
    double beside = fmin(peak_beside(tr, b, -1), peak_beside(tr, b, +1));
    bl->away = bl->level < away;
    bl->flagged = bl->away || (bl->peak > tr->click_threshold && bl->peak > CLICK_RATIO * beside);
  }
  flag_steps(tr, phase_difference, tr->phase_threshold);
  flag_steps(tr, level_difference, tr->level_threshold);
  /* what is away may begin and end in the blocks next to it */
  for (size_t b = 0; b + 1 < tr->nblocks; b++) {
    tr->blocks[b].flagged = tr->blocks[b].flagged || tr->blocks[b + 1].away;
    tr->blocks[b + 1].flagged = tr->blocks[b + 1].flagged || tr->blocks[b].away;
  }
}

/* ---- events ------------------------------------------------------------------------------------- */

/**
 * Sum of q over up to SIDE sound blocks beside an event.
 *
 * The first of them may still hold a little of the event: it counts only if it is the only one.
 * @return how many blocks.
 */
static int beside_event(const track *tr, ptrdiff_t from, int step, cis *sum, double *level)
{
  int count = 0;

  *sum = (cis){0.0, 0.0};
  *level = 0.0;
  for (ptrdiff_t b = from; b >= 0 && b < (ptrdiff_t)tr->nblocks && count < SIDE; b += step) {
    const block *bl = &tr->blocks[b];
    if (bl->flagged)
      break;
    if (b == from + step) {
      *sum = (cis){0.0, 0.0};
      *level = 0.0;
      count = 0;
    }
    sum->re += bl->q.re;
    sum->im += bl->q.im;
    *level += bl->level;
    count++;
  }
  if (count > 0)
    *level /= count;
  return count;
}

static double level_db(double level)
{
  return fmax(-100.0, mt_db_of_ratio(level));
}

static void event_add(mt_steady *out, mt_steady_event event)
{
  if (out->nevents < MT_STEADY_EVENTS_MAX)
    out->events[out->nevents++] = event;
  out->nfound++;
}

static void event_describe(const track *tr, size_t first, size_t last, double rate_hz, mt_steady *out)
{
  size_t begin = tr->blocks[first].begin, end = tr->blocks[last].begin + 2 * tr->half;
  /* a window sees little of what lies at the edge of a block: the next block may have spoken first */
  mt_steady_event event = {.kind = MT_STEADY_DIP,
                           .begin_s = (double)(begin > tr->half ? begin - tr->half : 0) / rate_hz,
                           .end_s = (double)(end + tr->half < tr->n ? end + tr->half : tr->n) / rate_hz};
  cis before, after;
  double before_level, after_level, least = (double)INFINITY, step = 0.0, moved = 0.0;

  if (beside_event(tr, (ptrdiff_t)first - 1, -1, &before, &before_level) > 0 &&
      beside_event(tr, (ptrdiff_t)last + 1, +1, &after, &after_level) > 0) {
    step = cis_angle(cis_times(after, cis_conj(before)));
    moved = level_db(after_level / before_level);
  }
  for (size_t b = first; b <= last; b++)
    least = fmin(least, tr->blocks[b].level);
  event.phase_step_deg = step * 180.0 / MT_PI;
  event.level_change_db = moved;
  /* half the threshold: it was set for one block against one, these are means of several */
  if (fabs(step) > 0.5 * tr->phase_threshold)
    event.kind = MT_STEADY_LOST;
  else if (fabs(moved) > fmax(LEVEL_LIMIT_DB, 0.5 * mt_db_of_relative(tr->level_threshold)))
    event.kind = MT_STEADY_UNSTEADY;
  else
    event.level_change_db = level_db(least);
  event_add(out, event);
}

static void events_find(const track *tr, double rate_hz, mt_steady *out)
{
  size_t b = 0;

  while (b < tr->nblocks) {
    size_t last = b;
    if (!tr->blocks[b].flagged) {
      b++;
      continue;
    }
    /* one sound block between two flagged ones belongs to the event */
    while (last + 1 < tr->nblocks &&
           (tr->blocks[last + 1].flagged || (last + 2 < tr->nblocks && tr->blocks[last + 2].flagged)))
      last++;
    event_describe(tr, b, last, rate_hz, out);
    b = last + 1;
  }
}

/* Means of phase and level over the eighths of the segment, events left out. @return false if one has none. */
static bool eighths(const track *tr, double level[EIGHTHS], double phase[EIGHTHS], double *per_eighth)
{
  cis sums[EIGHTHS] = {{0.0, 0.0}};
  size_t count[EIGHTHS] = {0};

  memset(level, 0, EIGHTHS * sizeof *level);
  for (size_t b = 0; b < tr->nblocks; b++) {
    size_t i = b * EIGHTHS / tr->nblocks;
    if (tr->blocks[b].flagged)
      continue;
    sums[i].re += tr->blocks[b].q.re;
    sums[i].im += tr->blocks[b].q.im;
    level[i] += tr->blocks[b].level;
    count[i]++;
  }
  *per_eighth = (double)tr->nblocks;
  for (int i = 0; i < EIGHTHS; i++) {
    if (count[i] == 0)
      return false;
    level[i] /= (double)count[i];
    phase[i] = cis_angle(sums[i]);
    if (i > 0)
      phase[i] = phase[i - 1] + remainder(phase[i] - phase[i - 1], 2.0 * MT_PI);
    *per_eighth = fmin(*per_eighth, (double)count[i]);
  }
  return true;
}

/* Largest less smallest, with the sign of the way it went. */
static double span(const double values[EIGHTHS])
{
  int high = 0, low = 0;
  for (int i = 1; i < EIGHTHS; i++) {
    high = values[i] > values[high] ? i : high;
    low = values[i] < values[low] ? i : low;
  }
  return high > low ? values[high] - values[low] : values[low] - values[high];
}

/* The frequency is the fit's business: what matters is how the phase departs from a straight line. */
static void take_off_line(double values[EIGHTHS])
{
  double mean = 0.0, slope = 0.0, weight = 0.0;
  for (int i = 0; i < EIGHTHS; i++) {
    double at = i - 0.5 * (EIGHTHS - 1);
    mean += values[i] / EIGHTHS;
    slope += at * values[i];
    weight += at * at;
  }
  for (int i = 0; i < EIGHTHS; i++)
    values[i] -= mean + slope / weight * (i - 0.5 * (EIGHTHS - 1));
}

static void drift_find(const track *tr, double rate_hz, mt_steady *out)
{
  double level[EIGHTHS], phase[EIGHTHS], per_eighth, allowance, room, level_room_db;
  bool lost = false, moved = false, drifted = false, wandered = false;

  for (size_t i = 0; i < out->nevents; i++) {
    lost = lost || out->events[i].kind == MT_STEADY_LOST;
    moved = moved || out->events[i].kind == MT_STEADY_UNSTEADY;
  }
  if (eighths(tr, level, phase, &per_eighth)) {
    take_off_line(phase);
    for (int i = 0; i < EIGHTHS; i++)
      level[i] = level_db(level[i]);
    out->level_span_db = span(level);
    out->phase_span_deg = span(phase) * 180.0 / MT_PI;
    /* the thresholds are of four blocks' noise at the false-alarm rate: more than that of two means */
    allowance = 1.0 / sqrt(per_eighth);
    room = EIGHTH_SIGMAS * allowance * tr->added;
    level_room_db = fmax(allowance * mt_db_of_relative(tr->level_threshold), mt_db_of_relative(2.0 * room));
    drifted = room < TOLD_UP_TO && fabs(out->level_span_db) > LEVEL_LIMIT_DB + level_room_db;
    wandered = room < TOLD_UP_TO &&
               fabs(out->phase_span_deg) > PHASE_LIMIT_DEG + allowance * tr->phase_threshold * 180.0 / MT_PI;
  }
  if ((drifted && !moved) || (wandered && !lost) || (tr->jitters && out->nfound == 0))
    event_add(out, (mt_steady_event){.kind = MT_STEADY_UNSTEADY,
                                     .begin_s = 0.0,
                                     .end_s = (double)tr->n / rate_hz,
                                     .level_change_db = out->level_span_db});
}

mt_code mt_steady_check(const double *residual, size_t n, double rate_hz, const mt_sine_fit *fit,
                        mt_steady *out, mt_error *err)
{
  track tr = {0};
  mt_steady found = {0};
  mt_code code;

  if (residual == NULL || fit == NULL || out == NULL || n < 16 || !(rate_hz > 0.0 && isfinite(rate_hz)))
    return mt_fail(err, MT_E_ARG, "nothing to check: %zu samples at %g Hz", n, rate_hz);
  if (!(fit->freq_hz > 0.0 && fit->freq_hz < 0.5 * rate_hz && fit->amplitude > 0.0))
    return mt_fail(err, MT_E_ARG, "a fit of %g at %g Hz; expected a tone below %g Hz", fit->amplitude,
                   fit->freq_hz, 0.5 * rate_hz);
  code = track_open(&tr, residual, n, rate_hz, fit, err);
  found.block_s = 2.0 * (double)tr.half / rate_hz;
  found.least_phase_step_deg = 180.0;
  found.checked = tr.nblocks >= BLOCKS_LEAST;
  if (code == MT_OK && found.checked) {
    blocks_place(&tr, fit);
    code = blocks_measure(&tr, err);
  }
  if (code == MT_OK && found.checked) {
    thresholds_set(&tr, fit);
    found.least_phase_step_deg = fmin(180.0, tr.phase_threshold * 180.0 / MT_PI);
    found.least_click = tr.click_threshold;
    blocks_flag(&tr);
    events_find(&tr, rate_hz, &found);
    drift_find(&tr, rate_hz, &found);
  }
  track_finish(&tr);
  if (code == MT_OK)
    *out = found;
  return code;
}

const char *mt_steady_kind_name(mt_steady_kind kind)
{
  switch (kind) {
  case MT_STEADY_LOST: return "frames lost or repeated";
  case MT_STEADY_DIP: return "dip";
  case MT_STEADY_UNSTEADY: return "unsteady";
  case MT_STEADY_AWAY: return "away";
  }
  return "unknown";
}
