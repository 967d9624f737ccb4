/*
 * Two steady tones, watched. Each channel has a slow picture of its tones (amplitude, phase, frequency), and every
 * sample is weighed: is it more likely of the tone as it was, or of the tone at 0.6 of that? The sum of what speaks
 * for the latter, never below zero, has its last zero where a dropout begins (Page 1954); the same sum turned round
 * finds its end. Time is cut into chunks of 1 ms, in which amplitude and phase are read, and those into blocks.
 */
#include <mendtone/strain.h>

#include "base/decibel.h"

#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* The amplitude a dropout is tested for: between mute and 6 dB, the shortest that counts sums up to 0.24 or more. */
#define TEST 0.6
/* In milliseconds of the tone's full power: half of what 1 ms at -6 dB sums up to. */
#define THRESHOLD 0.12
/* Threshold per variance of the amplitude over 1 ms, for one false alarm in e^24 ms: 24 * 4 (1 - TEST)^2 of the
   variance over twice the drift (1 - TEST)^2 of Wald's bound. */
#define THRESHOLD_PER_VARIANCE 48.0
/* An amplitude over 1 ms that scatters more than this would hide a dropout. */
#define NOISY 0.05
#define SHORTEST_S 0.85e-3 /* an edge near a zero of the tone is known to 0.1 ms, and to a sample or so */
#define SHORTEST_LESS 2.5  /* samples */
#define SHALLOWEST_DB 5.0
#define MERGE_S 2e-3
#define SETTLE_S 5e-3 /* an event is told when nothing can follow that belongs to it */
#define BLOCK_CHUNKS 10
#define LOCK_BLOCKS 20
#define RETURN_CHUNKS 20
#define STEADY_CHUNKS 3000
#define QUADRATURE_CHUNKS 5
#define SHORT_CHUNKS 3
#define SHORT_FROM 0.3 /* of the other channel's tone */
#define AWAY 0.8       /* below this share of its amplitude the sum tends to a dropout */
#define CLICK_PART 0.2 /* what a tone at AWAY lacks is no click */
#define CLICK_SIGMAS 10.0
#define CLICK_S 1.5e-3
/* Beyond it a turn may be a change of polarity, if it is not half a period that was lost. */
#define FLIPPED 2.4
/* Both tones turned at once: a loss leaves one of them at least 0.63 rad from pi. */
#define BOTH_FLIPPED 2.7
/* So many chunks before and after a turn tell by how little the other channel's tone turned. */
#define LATELY_CHUNKS 40
/* A period of the left tone lost turns the right one over, and the left one by the 0.0094 rad its 2003 Hz are from
   two thirds of 3001; the picture follows by a seventh of that meanwhile. */
#define LEAST_TURN 0.004
#define FADED 0.1 /* a tone that faded to this share of what it was is away */
#define DEEPEST_DB 120.0
#define FLOOR_DBFS (-140.0)
#define PI 3.14159265358979323846

typedef struct phasor {
  double re, im;
} phasor;

typedef struct sums {
  double yp, pp; /* of the signal with the tone, and of the tone with itself */
} sums;

/* A stretch that may still grow. */
typedef struct stretch {
  bool is_open;
  bool is_pending; /* closed, not yet told */
  uint64_t begin, end;
  mt_strain_event event;
} stretch;

/* The phase jumped and stayed: by how much, and where. */
typedef struct turn_over {
  bool is_known, is_pending; /* pending: whether it is a change of polarity is not decided yet */
  uint64_t at;
  double angle;
} turn_over;

typedef struct slot {
  double sum, low, high;
  size_t n;
} slot;

typedef struct channel {
  mt_strain_channel known;
  int other; /* the tone that is not its own */
  phasor tone[2];
  double turn;   /* of the own tone against its nominal frequency, rad per chunk */
  double power;  /* amplitude squared of the own tone: the unit of the sums is half of it, times a chunk */
  double locked; /* the largest amplitude so far */
  phasor chunk[2], block[2], tick;
  size_t tick_frames;
  double chunk_square, block_square;
  phasor seen[2]; /* lock: the block before */
  double seen_turn;
  unsigned nsteady;
  bool block_is_bad;
  double variance, residual; /* of the amplitude over 1 ms; of what is neither tone */
  double nvariance;          /* chunks they are of, at most a second's */
  double drop, back;         /* the two sums */
  uint64_t drop_from, back_from;
  sums since, at_back; /* since the last zero of `drop`; the same at the last zero of `back` */
  unsigned nrun, nquadrature, nshort;
  phasor run;
  uint64_t run_from, quadrature_from;
  double across_before;
  double across; /* the other tone's largest amplitude that came across while it was away */
  bool faded;
  stretch away, click, shorted;
  turn_over jump;
  float lately[4 * LATELY_CHUNKS]; /* part of the tone across itself, by chunk; a ring */
  slot slots[MT_STRAIN_SLOTS];
  size_t nslots;
  double noisy_chunks;
} channel;

struct mt_strain {
  mt_strain_sink sink;
  double rate_hz;
  unsigned nchannels, nwatched;
  size_t per_chunk, per_tick, in_chunk, in_block;
  uint64_t now;
  phasor step[2], osc[2];
  size_t ticks_per_slot;
  channel ch[2];
};

static const double tone_hz[2] = {MT_STRAIN_LEFT_HZ, MT_STRAIN_RIGHT_HZ};

const char *mt_strain_kind_name(mt_strain_kind kind)
{
  static const char *const names[MT_STRAIN_KINDS] = {"dropout",  "click",      "short circuit",
                                                     "polarity", "phase jump", "level"};
  return kind >= 0 && kind < MT_STRAIN_KINDS ? names[kind] : "";
}

static phasor times(phasor a, phasor b)
{
  return (phasor){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static phasor over(phasor a, phasor b)
{
  double square = b.re * b.re + b.im * b.im;
  return square > 0.0 ? (phasor){(a.re * b.re + a.im * b.im) / square, (a.im * b.re - a.re * b.im) / square}
                      : (phasor){0.0, 0.0};
}

static double size_of(phasor a)
{
  return hypot(a.re, a.im);
}

static double angle_of(phasor a)
{
  return atan2(a.im, a.re);
}

static phasor turned(double angle)
{
  return (phasor){cos(angle), sin(angle)};
}

static double dbfs_of(double amplitude)
{
  return fmax(amplitude > 0.0 ? mt_db_of_ratio(amplitude) : FLOOR_DBFS, FLOOR_DBFS);
}

static double seconds(const mt_strain *w, uint64_t frame)
{
  return (double)frame / w->rate_hz;
}

mt_code mt_strain_create(double rate_hz, unsigned nchannels, const mt_strain_sink *sink, mt_strain **out,
                         mt_error *err)
{
  mt_strain *w;

  if (!(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_ARG, "the rate to watch at is %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if (nchannels < 1 || nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_ARG, "there are %u channels to watch; expected 1 to %d", nchannels,
                   MT_CHANNELS_MAX);
  w = calloc(1, sizeof *w);
  if (w == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a watch");
  w->sink = *sink;
  w->rate_hz = rate_hz;
  w->nchannels = nchannels;
  w->nwatched = nchannels < 2 ? 1 : 2;
  w->per_chunk = (size_t)lround(1e-3 * rate_hz);
  w->per_tick = (size_t)lround(MT_STRAIN_TICK_S * rate_hz);
  w->ticks_per_slot = 1;
  for (int t = 0; t < 2; t++) {
    w->step[t] = turned(2.0 * PI * tone_hz[t] / rate_hz);
    w->osc[t] = turned(0.0);
  }
  for (int c = 0; c < 2; c++) {
    w->ch[c].known.tone = c;
    w->ch[c].other = 1 - c;
  }
  *out = w;
  return MT_OK;
}

void mt_strain_destroy(mt_strain **watch)
{
  free(*watch);
  *watch = NULL;
}

/* ---- telling ----------------------------------------------------------------------------------------------- */

static void tell(mt_strain *w, channel *ch, const mt_strain_event *event)
{
  mt_strain_channel *known = &ch->known;

  known->count[event->kind]++;
  if (event->kind == MT_STRAIN_DROPOUT) {
    known->longest_s = fmax(known->longest_s, event->length_s);
    known->lost_s += event->length_s;
  }
  if (w->sink.event != NULL)
    w->sink.event(w->sink.ctx, event);
}

static void tell_jump(mt_strain *w, channel *ch, mt_strain_kind kind, uint64_t at)
{
  mt_strain_event event = {.kind = kind, .channel = (mt_channel)(ch - w->ch), .begin_s = seconds(w, at)};
  tell(w, ch, &event);
}

/* ---- turned over, or lost by half a period ------------------------------------------------------------------ */

/* The mean of a channel's turns after a moment less that before it, and 4 standard deviations of that as it scattered
   before; false: there was not enough. */
static bool mean_turn(const mt_strain *w, const channel *ch, uint64_t at, double *turn, double *scatter)
{
  const size_t ring = sizeof ch->lately / sizeof ch->lately[0];
  uint64_t now = w->now / w->per_chunk, k = at / w->per_chunk;
  double before = 0.0, after = 0.0, square = 0.0;

  if (k < LATELY_CHUNKS + 1 || now < k + 2 + LATELY_CHUNKS || now - (k - LATELY_CHUNKS - 1) > ring)
    return false;
  for (uint64_t i = 0; i < LATELY_CHUNKS; i++) {
    double x = (double)ch->lately[(k - 2 - i) % ring];
    before += x / LATELY_CHUNKS;
    square += x * x / LATELY_CHUNKS;
    after += (double)ch->lately[(k + 2 + i) % ring] / LATELY_CHUNKS;
  }
  *turn = after - before;
  *scatter = 4.0 * sqrt(fmax(square - before * before, 0.0) * 2.0 / LATELY_CHUNKS);
  return true;
}

/*
 * Frames lost or repeated turn both channels' tones, each by its own angle; a change of polarity turns by pi and no
 * other. Told only where it can be told apart.
 */
static bool is_polarity(const mt_strain *w, const channel *ch)
{
  const channel *partner = &w->ch[ch == &w->ch[0] ? 1 : 0];
  const turn_over *jump = &ch->jump, *other = &partner->jump;
  uint64_t near = LATELY_CHUNKS / 2 * w->per_chunk;
  double turn, scatter;

  if (w->nwatched < 2 || !partner->known.is_locked || partner->known.tone == ch->known.tone ||
      partner->away.is_open)
    return false;
  if (other->is_known && (other->at > jump->at ? other->at - jump->at : jump->at - other->at) < near)
    return fmin(fabs(jump->angle), fabs(other->angle)) > BOTH_FLIPPED;
  return mean_turn(w, partner, jump->at, &turn, &scatter) && fabs(turn) < LEAST_TURN && scatter < LEAST_TURN;
}

static void settle_jump(mt_strain *w, channel *ch, bool all)
{
  turn_over *jump = &ch->jump;

  if (!jump->is_pending || (!all && w->now < jump->at + (LATELY_CHUNKS + 4) * w->per_chunk))
    return;
  jump->is_pending = false;
  tell_jump(w, ch, is_polarity(w, ch) ? MT_STRAIN_POLARITY : MT_STRAIN_PHASE, jump->at);
}

static void keep_jump(mt_strain *w, channel *ch, double angle, uint64_t at)
{
  settle_jump(w, ch, true);
  ch->jump = (turn_over){.is_known = true, .is_pending = fabs(angle) > FLIPPED, .at = at, .angle = angle};
  if (!ch->jump.is_pending)
    tell_jump(w, ch, MT_STRAIN_PHASE, at);
}

/* What the sums of a stretch make of it. */
static void classify(const mt_strain *w, const channel *ch, stretch *s)
{
  mt_strain_event *e = &s->event;
  double share = ch->at_back.pp > 0.0 ? ch->at_back.yp / ch->at_back.pp : 0.0;

  e->channel = (mt_channel)(ch - w->ch);
  e->begin_s = seconds(w, s->begin);
  e->length_s = seconds(w, s->end - s->begin);
  e->depth_db = fmin(fabs(share) > 0.0 ? -mt_db_of_ratio(fabs(share)) : DEEPEST_DB, DEEPEST_DB);
  e->kind = share < -0.5 ? MT_STRAIN_POLARITY : MT_STRAIN_DROPOUT;
  if (e->kind == MT_STRAIN_DROPOUT && e->depth_db < SHALLOWEST_DB)
    e->kind = MT_STRAIN_LEVEL;
  if (e->kind == MT_STRAIN_DROPOUT && ch->across > SHORT_FROM)
    e->kind = MT_STRAIN_SHORT;
  else if (e->length_s < fmin(SHORTEST_S, 1e-3 - SHORTEST_LESS / w->rate_hz))
    e->kind = MT_STRAIN_CLICK;
}

/* Both channels hear one short circuit: it is told once, of both. */
static bool is_told_by_partner(mt_strain *w, const channel *ch, const stretch *s)
{
  channel *partner = &w->ch[ch == &w->ch[0] ? 1 : 0];
  stretch *const candidates[] = {&partner->shorted, &partner->away};
  bool is_told = false;

  for (size_t i = 0; i < 2; i++) {
    stretch *other = candidates[i];
    bool counts = other->is_pending && other->event.kind == MT_STRAIN_SHORT;
    if (w->nwatched == 2 && counts &&
        fabs(seconds(w, other->begin) - s->event.begin_s) < MERGE_S + SETTLE_S) {
      other->event.channel = MT_CHANNEL_BOTH;
      is_told = true;
    }
  }
  return is_told;
}

static bool overlaps(const stretch *a, const stretch *b, uint64_t slack)
{
  uint64_t a_end = a->is_open ? UINT64_MAX : a->end + slack, b_end = b->is_open ? UINT64_MAX : b->end + slack;
  return a->begin < b_end && b->begin < a_end;
}

/* What was closed long enough ago is told. */
static void settle(mt_strain *w, channel *ch, bool all)
{
  uint64_t wait = all ? 0 : (uint64_t)(SETTLE_S * w->rate_hz);
  uint64_t near = (uint64_t)(MERGE_S * w->rate_hz);
  bool away_counts = ch->away.is_open || ch->away.is_pending;
  bool short_counts = ch->shorted.is_open || ch->shorted.is_pending;

  if (ch->click.is_pending && w->now >= ch->click.end + wait) {
    bool belongs = (away_counts && overlaps(&ch->click, &ch->away, near)) ||
                   (short_counts && overlaps(&ch->click, &ch->shorted, near)) || ch->drop > 0.5 * THRESHOLD;
    if (!belongs && seconds(w, ch->click.end - ch->click.begin) <= CLICK_S)
      tell(w, ch, &ch->click.event);
    ch->click.is_pending = false;
  }
  if (ch->shorted.is_pending && w->now >= ch->shorted.end + wait) {
    bool is_doubled = away_counts && overlaps(&ch->shorted, &ch->away, near);
    if (is_doubled && ch->away.is_pending)
      ch->away.event.kind = MT_STRAIN_SHORT;
    if (!is_doubled && !is_told_by_partner(w, ch, &ch->shorted))
      tell(w, ch, &ch->shorted.event);
    ch->shorted.is_pending = false;
  }
  if (ch->away.is_pending && w->now >= ch->away.end + wait) {
    ch->away.is_pending = false;
    if (ch->away.event.kind != MT_STRAIN_SHORT || !is_told_by_partner(w, ch, &ch->away))
      tell(w, ch, &ch->away.event);
  }
}

/* ---- away and back ----------------------------------------------------------------------------------------- */

static void reset_sums(channel *ch, uint64_t now)
{
  ch->drop = ch->back = 0.0;
  ch->drop_from = ch->back_from = now;
  ch->since = (sums){0.0, 0.0};
  ch->nrun = ch->nquadrature = 0;
}

static void open_away(mt_strain *w, channel *ch)
{
  uint64_t near = (uint64_t)(MERGE_S * w->rate_hz);

  if (ch->away.is_pending && ch->drop_from > ch->away.end + near) {
    /* it is over: another begins */
    ch->away.is_pending = false;
    if (ch->away.event.kind != MT_STRAIN_SHORT || !is_told_by_partner(w, ch, &ch->away))
      tell(w, ch, &ch->away.event);
  }
  if (!ch->away.is_pending)
    ch->across = 0.0;
  ch->away.begin = ch->away.is_pending ? ch->away.begin : ch->drop_from;
  ch->away.is_pending = false;
  ch->away.is_open = true;
  ch->back = 0.0;
  ch->back_from = w->now;
  ch->at_back = ch->since;
  ch->nrun = 0;
  ch->nquadrature = 0;
  ch->block_is_bad = true;
}

static void close_away(mt_strain *w, channel *ch, uint64_t end)
{
  ch->away.end = end > ch->away.begin ? end : ch->away.begin;
  classify(w, ch, &ch->away);
  ch->away.is_open = false;
  ch->away.is_pending = true;
  ch->faded = false;
  reset_sums(ch, w->now);
}

/* The tone is there again, turned: from `ch->run_from` on. */
static void take_turned(mt_strain *w, channel *ch)
{
  double share = size_of(ch->run), angle = angle_of(ch->run);
  uint64_t from = ch->run_from > ch->away.begin ? ch->run_from : ch->away.begin;
  bool was_gone = seconds(w, from - ch->away.begin) > 2.5e-3;
  bool is_turn = fabs(angle) > 0.6;

  if (share < AWAY) { /* it stays lower: that is its level now */
    mt_strain_event event = {.kind = MT_STRAIN_LEVEL,
                             .channel = (mt_channel)(ch - w->ch),
                             .begin_s = seconds(w, ch->away.begin),
                             .depth_db = -mt_db_of_ratio(share)};
    tell(w, ch, &event);
    ch->away.is_open = false;
    ch->locked = share * size_of(ch->tone[ch->known.tone]);
  } else {
    if (was_gone)
      close_away(w, ch, from);
    ch->away.is_open = false;
    /* after a long gap the phase is no longer known, and means nothing */
    if (is_turn && seconds(w, from - ch->away.begin) < 1.0)
      keep_jump(w, ch, angle, was_gone ? from : ch->away.begin);
  }
  ch->tone[ch->known.tone] = times(ch->tone[ch->known.tone], ch->run);
  ch->faded = false;
  reset_sums(ch, w->now);
}

/* While it is away: is there a steady tone of another phase or level? */
static void follow_run(mt_strain *w, channel *ch, phasor share)
{
  phasor apart = {share.re - ch->run.re, share.im - ch->run.im};
  double size = size_of(share);

  if (size < FADED || ch->nrun == 0 || size_of(apart) > 0.3 * size_of(ch->run)) {
    ch->nrun = size < FADED ? 0 : 1;
    ch->run = share;
    ch->run_from = w->now - w->per_chunk;
    return;
  }
  ch->nrun++;
  /* over the last 20 ms or so, for the phase may creep */
  ch->run.re += apart.re / fmin(ch->nrun, RETURN_CHUNKS);
  ch->run.im += apart.im / fmin(ch->nrun, RETURN_CHUNKS);
  if (ch->nrun >= (size_of(ch->run) > AWAY ? RETURN_CHUNKS : STEADY_CHUNKS))
    take_turned(w, ch);
}

/* While it is there: a smaller turn, as of a single frame lost, leaves the amplitude and shows across it. */
static void follow_quadrature(mt_strain *w, channel *ch, phasor share)
{
  double limit = fmax(0.2, 7.0 * sqrt(ch->variance));

  if (!(fabs(share.im) > limit && size_of(share) > AWAY)) {
    ch->nquadrature = 0;
    ch->quadrature_from = w->now;
    return;
  }
  ch->block_is_bad = true;
  if (++ch->nquadrature < QUADRATURE_CHUNKS)
    return;
  keep_jump(w, ch, angle_of(share), ch->quadrature_from);
  ch->tone[ch->known.tone] = times(ch->tone[ch->known.tone], turned(angle_of(share)));
  reset_sums(ch, w->now);
}

static void follow_short(mt_strain *w, channel *ch, double across)
{
  stretch *s = &ch->shorted;

  /* of two chunks wholly inside: at the edges one tone looks like the other */
  if (ch->away.is_open && w->now - ch->away.begin > 2 * w->per_chunk)
    ch->across = fmax(ch->across, fmin(across, ch->across_before));
  ch->across_before = ch->away.is_open && w->now - ch->away.begin > w->per_chunk ? across : 0.0;
  if (across > SHORT_FROM) {
    ch->nshort++;
    ch->block_is_bad = true;
    if (ch->nshort == SHORT_CHUNKS && !s->is_open) {
      s->is_open = true;
      s->is_pending = false;
      s->begin = w->now - SHORT_CHUNKS * w->per_chunk;
    }
    return;
  }
  ch->nshort = 0;
  if (!s->is_open)
    return;
  s->is_open = false;
  s->is_pending = true;
  s->end = w->now - w->per_chunk;
  s->event = (mt_strain_event){.kind = MT_STRAIN_SHORT,
                               .channel = (mt_channel)(ch - w->ch),
                               .begin_s = seconds(w, s->begin),
                               .length_s = seconds(w, s->end - s->begin)};
}

/* ---- one sample -------------------------------------------------------------------------------------------- */

static void look_for_click(mt_strain *w, channel *ch, double rest)
{
  double limit2 = fmax(CLICK_PART * CLICK_PART * ch->power, CLICK_SIGMAS * CLICK_SIGMAS * ch->residual);
  stretch *s = &ch->click;

  if (rest * rest <= limit2 || ch->away.is_open || ch->shorted.is_open)
    return;
  if (s->is_pending && w->now <= s->end + (uint64_t)(1e-3 * w->rate_hz)) {
    s->end = w->now;
    return;
  }
  if (s->is_pending)
    return; /* the one before is being decided */
  s->is_pending = true;
  s->begin = s->end = w->now;
  s->event = (mt_strain_event){
      .kind = MT_STRAIN_CLICK, .channel = (mt_channel)(ch - w->ch), .begin_s = seconds(w, w->now)};
}

/* The tone's power in a chunk is the unit of the sums; one sample can speak for no more than silence would. */
static void weigh(mt_strain *w, channel *ch, double y, double p)
{
  double pp = p * p, yp = y * p;
  double unit = 0.5 * ch->power * (double)w->per_chunk;
  double v = fmin(fmax(yp, 0.0), 2.0 * pp);
  double speaks = unit > 0.0 ? (pp * (1.0 - TEST * TEST) - 2.0 * v * (1.0 - TEST)) / unit : 0.0;
  double threshold = fmax(THRESHOLD, THRESHOLD_PER_VARIANCE * ch->variance);

  ch->since.yp += yp;
  ch->since.pp += pp;
  if (ch->away.is_open) {
    if (ch->faded)
      return;
    ch->back -= speaks;
    if (ch->back <= 0.0) {
      ch->back = 0.0;
      ch->back_from = w->now + 1;
      ch->at_back = ch->since;
    } else if (ch->back > threshold) {
      close_away(w, ch, ch->back_from);
    }
    return;
  }
  ch->drop += speaks;
  if (ch->drop <= 0.0) {
    ch->drop = 0.0;
    ch->drop_from = w->now + 1;
    ch->since = (sums){0.0, 0.0};
  } else if (ch->drop > threshold) {
    open_away(w, ch);
  }
}

static void take_sample(mt_strain *w, channel *ch, double x)
{
  double rest, p, q;

  for (int t = 0; t < 2; t++) {
    ch->chunk[t].re += x * w->osc[t].re;
    ch->chunk[t].im -= x * w->osc[t].im;
  }
  ch->chunk_square += x * x;
  if (!ch->known.is_locked)
    return;
  p = ch->tone[ch->known.tone].re * w->osc[ch->known.tone].re -
      ch->tone[ch->known.tone].im * w->osc[ch->known.tone].im;
  q = ch->tone[ch->other].re * w->osc[ch->other].re - ch->tone[ch->other].im * w->osc[ch->other].im;
  rest = x - p - q;
  weigh(w, ch, x - q, p);
  look_for_click(w, ch, rest);
}

/* ---- one chunk, one block ---------------------------------------------------------------------------------- */

static void advance_phase(mt_strain *w, channel *ch)
{
  for (int t = 0; t < 2; t++)
    ch->tone[t] = times(ch->tone[t], turned(ch->turn * tone_hz[t] / tone_hz[ch->known.tone]));
  (void)w;
}

/* The louder of this channel's tone and the other's as it is there: less than a share of it is no short circuit. */
static double short_scale(const mt_strain *w, const channel *ch)
{
  const channel *partner = &w->ch[ch == &w->ch[0] ? 1 : 0];
  bool is_known = w->nwatched == 2 && partner->known.is_locked && partner->known.tone == ch->other;

  return fmax(sqrt(ch->power), is_known ? size_of(partner->tone[ch->other]) : 0.0);
}

static void end_chunk(mt_strain *w, channel *ch)
{
  double scale = 2.0 / (double)w->per_chunk;
  phasor own = {scale * ch->chunk[ch->known.tone].re, scale * ch->chunk[ch->known.tone].im};
  phasor foreign = {scale * ch->chunk[ch->other].re, scale * ch->chunk[ch->other].im};
  phasor share = over(own, ch->tone[ch->known.tone]);
  /* more than there always is: in a dropout of a unit that hears both tones both go */
  double across = fmax(size_of(foreign) - size_of(ch->tone[ch->other]), 0.0);
  double off = share.re - 1.0, rest;

  if (ch->away.is_open || ch->drop > 0.5 * THRESHOLD)
    ch->block_is_bad = true;
  ch->lately[(w->now / w->per_chunk - 1) % (sizeof ch->lately / sizeof ch->lately[0])] = (float)share.im;
  follow_short(w, ch, across / fmax(short_scale(w, ch), DBL_MIN));
  if (ch->away.is_open) {
    follow_run(w, ch, share);
  } else {
    /* clipped: a single event is not the noise; what is regularly there still is */
    off = fmin(fabs(off), 4.0 * NOISY);
    ch->nvariance = fmin(ch->nvariance + 1.0, 1000.0);
    ch->variance += (off * off - ch->variance) / ch->nvariance;
    rest = ch->chunk_square / (double)w->per_chunk - 0.5 * own.re * own.re - 0.5 * own.im * own.im -
           0.5 * foreign.re * foreign.re - 0.5 * foreign.im * foreign.im;
    rest = fmin(fmax(rest, 0.0), ch->power);
    ch->residual += (rest - ch->residual) / ch->nvariance;
    ch->noisy_chunks += ch->variance > NOISY * NOISY && ch->nvariance > 200.0;
    follow_quadrature(w, ch, share);
  }
  advance_phase(w, ch);
}

static void lock(mt_strain *w, channel *ch, const phasor mean[2])
{
  ch->known.is_locked = true;
  for (int t = 0; t < 2; t++)
    ch->tone[t] = mean[t];
  /* the block's mean is of its middle: on to its end */
  ch->turn = ch->seen_turn / BLOCK_CHUNKS;
  for (int i = 0; i < BLOCK_CHUNKS / 2; i++)
    advance_phase(w, ch);
  ch->power = ch->tone[ch->known.tone].re * ch->tone[ch->known.tone].re +
              ch->tone[ch->known.tone].im * ch->tone[ch->known.tone].im;
  ch->locked = sqrt(ch->power);
  /* until it is known: noise that is worth 20 chunks */
  ch->variance = 4.0 * NOISY * NOISY;
  ch->residual = 0.01 * ch->power;
  ch->nvariance = 20.0;
  ch->known.other_db = dbfs_of(size_of(ch->tone[ch->other])) - dbfs_of(ch->locked);
  ch->known.first_dbfs = dbfs_of(ch->locked);
  ch->known.lowest_dbfs = ch->known.highest_dbfs = ch->known.last_dbfs = ch->known.first_dbfs;
  reset_sums(ch, w->now);
}

/* Until 200 ms were of one level, with a phase that turns evenly, and mostly tone. */
static void look_for_tone(mt_strain *w, channel *ch, const phasor mean[2], double square)
{
  /* of two alike its own, and no going to and fro: 2 dB */
  int tone = size_of(mean[ch->other]) > 1.26 * size_of(mean[ch->known.tone]) ? ch->other : ch->known.tone;
  phasor step = over(mean[tone], ch->seen[tone]);
  double turn = angle_of(step);
  double power = 0.5 * (mean[0].re * mean[0].re + mean[0].im * mean[0].im + mean[1].re * mean[1].re +
                        mean[1].im * mean[1].im);
  bool is_steady = tone == ch->known.tone && fabs(size_of(step) - 1.0) < 0.1 && fabs(turn) < 0.3 &&
                   fabs(turn - ch->seen_turn) < 0.15 && power > 0.5 * square && power > 1e-10;

  ch->nsteady = is_steady ? ch->nsteady + 1 : 0;
  ch->known.tone = tone;
  ch->other = 1 - tone;
  ch->seen[0] = mean[0];
  ch->seen[1] = mean[1];
  ch->seen_turn = ch->nsteady > 1 ? ch->seen_turn + (turn - ch->seen_turn) / fmin(ch->nsteady, 10.0)
                                  : fmax(fmin(turn, 0.3), -0.3);
  if (ch->nsteady >= LOCK_BLOCKS)
    lock(w, ch, mean);
}

/* The slow picture follows what is there, over some 100 ms. */
static void follow_tone(mt_strain *w, channel *ch, const phasor mean[2])
{
  int own = ch->known.tone;
  double half = 0.5 * BLOCK_CHUNKS * ch->turn;
  phasor share = over(times(mean[own], turned(half)), ch->tone[own]);
  phasor foreign = times(mean[ch->other], turned(half * tone_hz[ch->other] / tone_hz[own]));

  ch->tone[own] = times(ch->tone[own], (phasor){1.0 + 0.1 * (share.re - 1.0), 0.1 * share.im});
  ch->turn += 0.005 * angle_of(share) / BLOCK_CHUNKS;
  ch->tone[ch->other].re += 0.1 * (foreign.re - ch->tone[ch->other].re);
  ch->tone[ch->other].im += 0.1 * (foreign.im - ch->tone[ch->other].im);
  ch->power = ch->tone[own].re * ch->tone[own].re + ch->tone[own].im * ch->tone[own].im;
  ch->locked = fmax(ch->locked, sqrt(ch->power));
  if (sqrt(ch->power) < FADED * ch->locked) {
    ch->drop_from = w->now;
    open_away(w, ch);
    ch->faded = true;
    /* what it must come back to */
    ch->tone[own] = times(ch->tone[own], (phasor){ch->locked / sqrt(ch->power), 0.0});
    ch->power = ch->locked * ch->locked;
  }
}

static void end_block(mt_strain *w, channel *ch)
{
  double scale = 2.0 / (double)(w->per_chunk * BLOCK_CHUNKS);
  phasor mean[2] = {{scale * ch->block[0].re, scale * ch->block[0].im},
                    {scale * ch->block[1].re, scale * ch->block[1].im}};

  if (!ch->known.is_locked)
    look_for_tone(w, ch, mean, ch->block_square / (double)(w->per_chunk * BLOCK_CHUNKS));
  else if (!ch->block_is_bad)
    follow_tone(w, ch, mean);
  ch->block_is_bad = ch->away.is_open;
  memset(ch->block, 0, sizeof ch->block);
  ch->block_square = 0.0;
}

/* ---- levels ------------------------------------------------------------------------------------------------ */

/* Twice as long stretches when all slots are taken: memory stays what it is. */
static void halve_slots(channel *ch)
{
  for (size_t i = 0; i < MT_STRAIN_SLOTS / 2; i++) {
    slot a = ch->slots[2 * i], b = ch->slots[2 * i + 1];
    ch->slots[i] = (slot){a.sum + b.sum, fmin(a.low, b.low), fmax(a.high, b.high), a.n + b.n};
  }
  ch->nslots = MT_STRAIN_SLOTS / 2;
}

static void keep_level(mt_strain *w, double level_dbfs[2])
{
  const channel *lead = &w->ch[0];

  if (lead->nslots == MT_STRAIN_SLOTS && lead->slots[MT_STRAIN_SLOTS - 1].n == w->ticks_per_slot) {
    for (unsigned c = 0; c < w->nwatched; c++)
      halve_slots(&w->ch[c]);
    w->ticks_per_slot *= 2;
  }
  for (unsigned c = 0; c < w->nwatched; c++) {
    channel *ch = &w->ch[c];
    slot *s;
    if (ch->nslots == 0 || ch->slots[ch->nslots - 1].n == w->ticks_per_slot)
      ch->slots[ch->nslots++] = (slot){0.0, level_dbfs[c], level_dbfs[c], 0};
    s = &ch->slots[ch->nslots - 1];
    s->sum += level_dbfs[c];
    s->low = fmin(s->low, level_dbfs[c]);
    s->high = fmax(s->high, level_dbfs[c]);
    s->n++;
  }
}

static void end_tick(mt_strain *w)
{
  mt_strain_level level = {.at_s = seconds(w, w->now), .nchannels = w->nwatched};

  for (unsigned c = 0; c < w->nwatched; c++) {
    channel *ch = &w->ch[c];
    mt_strain_channel *known = &ch->known;
    double scale = ch->tick_frames > 0 ? 2.0 / (double)ch->tick_frames : 0.0;
    level.level_dbfs[c] = dbfs_of(scale * size_of(ch->tick));
    level.is_locked[c] = known->is_locked;
    if (known->is_locked && !ch->away.is_open && !ch->away.is_pending) {
      double steady = dbfs_of(sqrt(ch->power));
      known->last_dbfs = steady;
      known->lowest_dbfs = fmin(known->lowest_dbfs, steady);
      known->highest_dbfs = fmax(known->highest_dbfs, steady);
    }
    ch->tick = (phasor){0.0, 0.0};
    ch->tick_frames = 0;
  }
  keep_level(w, level.level_dbfs);
  if (w->sink.level != NULL)
    w->sink.level(w->sink.ctx, &level);
}

/* ---- feeding ----------------------------------------------------------------------------------------------- */

static void end_chunks(mt_strain *w)
{
  bool ends_block = ++w->in_block == BLOCK_CHUNKS;

  w->in_chunk = 0;
  for (unsigned c = 0; c < w->nwatched; c++) {
    channel *ch = &w->ch[c];
    int tone = ch->known.tone;
    ch->tick.re += ch->chunk[tone].re;
    ch->tick.im += ch->chunk[tone].im;
    ch->tick_frames += w->per_chunk;
    for (int t = 0; t < 2; t++) {
      ch->block[t].re += ch->chunk[t].re;
      ch->block[t].im += ch->chunk[t].im;
    }
    ch->block_square += ch->chunk_square;
    if (ch->known.is_locked) {
      ch->known.watched_s += (double)w->per_chunk / w->rate_hz;
      end_chunk(w, ch);
    }
    if (ends_block)
      end_block(w, ch);
    settle(w, ch, false);
    settle_jump(w, ch, false);
    memset(ch->chunk, 0, sizeof ch->chunk);
    ch->chunk_square = 0.0;
    ch->known.too_noisy_s = ch->noisy_chunks * (double)w->per_chunk / w->rate_hz;
  }
  if (ends_block)
    w->in_block = 0;
  for (int t = 0; t < 2; t++) { /* rounding must not let it grow or shrink */
    double size = size_of(w->osc[t]);
    w->osc[t].re /= size;
    w->osc[t].im /= size;
  }
}

void mt_strain_feed(mt_strain *watch, const float *frames, size_t nframes)
{
  for (size_t n = 0; n < nframes; n++) {
    const float *frame = frames + n * watch->nchannels;
    for (unsigned c = 0; c < watch->nwatched; c++)
      take_sample(watch, &watch->ch[c], isfinite(frame[c]) ? (double)frame[c] : 0.0);
    watch->now++;
    for (int t = 0; t < 2; t++)
      watch->osc[t] = times(watch->osc[t], watch->step[t]);
    if (++watch->in_chunk == watch->per_chunk)
      end_chunks(watch);
    if (watch->now % watch->per_tick == 0)
      end_tick(watch);
  }
}

void mt_strain_finish(mt_strain *watch)
{
  for (unsigned c = 0; c < watch->nwatched; c++) {
    channel *ch = &watch->ch[c];
    if (ch->shorted.is_open) {
      ch->shorted.is_open = false;
      ch->shorted.is_pending = true;
      ch->shorted.end = watch->now;
      ch->shorted.event = (mt_strain_event){.kind = MT_STRAIN_SHORT,
                                            .channel = (mt_channel)c,
                                            .begin_s = seconds(watch, ch->shorted.begin),
                                            .length_s = seconds(watch, watch->now - ch->shorted.begin),
                                            .is_open = true};
    }
    if (ch->away.is_open) {
      ch->at_back = ch->since;
      close_away(watch, ch, watch->now);
      ch->away.event.is_open = true;
    }
  }
  for (unsigned c = 0; c < watch->nwatched; c++) {
    settle(watch, &watch->ch[c], true);
    settle_jump(watch, &watch->ch[c], true);
  }
}

double mt_strain_time_s(const mt_strain *watch)
{
  return seconds(watch, watch->now);
}

const mt_strain_channel *mt_strain_describe(const mt_strain *watch, unsigned c)
{
  return &watch->ch[c].known;
}

size_t mt_strain_curve(const mt_strain *watch, unsigned c, double *x, double *y, double *spread)
{
  const channel *ch = &watch->ch[c];
  double tick_s = (double)watch->per_tick / watch->rate_hz;
  double from = 0.0;

  for (size_t i = 0; i < ch->nslots; i++) {
    const slot *s = &ch->slots[i];
    x[i] = tick_s * (from + 0.5 * (double)s->n);
    y[i] = s->sum / (double)s->n;
    spread[i] = fmax(s->high - y[i], y[i] - s->low);
    from += (double)s->n;
  }
  return ch->nslots;
}
