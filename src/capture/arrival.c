#include "capture/arrival.h"

#include "signal/fade.h"
#include "signal/mark.h"

#include "base/decibel.h"
#include "base/wide.h"

#include <stdlib.h>
#include <string.h>

#define CHIRPS MT_STIMULUS_CHANNELS
#define GAINS (2 * CHIRPS)
#define COLUMNS (GAINS + 1)
#define CHUNK 256

/* How a sighting is judged: a chirp's main peak is 1 / B = 115 us wide, and 250 ppm turn the edges of the longer
   mark's band by less than a radian. Then once more about the best point, finer: a fit that starts a third of
   the peak's width away may miss it. */
#define TRY_CLOCKS 13
#define TRY_CLOCK_STEP 250e-6
#define TRY_DELAYS 27
#define TRY_DELAY_STEP_S 40e-6
#define FINE_CLOCKS 7
#define FINE_CLOCK_STEP 40e-6
#define FINE_DELAYS 15
#define FINE_DELAY_STEP_S 8e-6
#define PIECES 64

/* Kept at hand on either side of a mark: it is moved by 0.5 ms, and stretched by 1600 ppm. */
#define ROOM_S 0.005

/* What a float transform leaves in the band of something loud elsewhere is 1e-13 of it, and no signal. */
#define LEAST_OF_ENERGY 1e-11

/* For the noise: pieces under a raised cosine that overlap by half, 2 ms from one to the next: many periods of
   the chirp, few hertz of the unit's response, and smooth, so that what is no noise but lies elsewhere in
   frequency (harmonics, hum, DC) does not leak in through the ends of a piece. */
#define NOISE_PIECES 128
/* Energy over h of the fourth difference, in steps of h, of a raised cosine of width 2 h: 3/4 (1 + 16 + 36 + 16 + 1)
   - 2/8 (4 + 24 + 24 + 4). */
#define BEND_ENERGY 38.5
/* Pieces at either end that are left out for the distance of two marks, on which these act alike: there the
   chirp fades, and one of the two is below 1 kHz, where a piece holds so few periods that harmonics and hum do
   leak in. The slope's energy goes with the square of the distance from mid-band: all of it is 1.22 times what
   is left (quadrature, fades included), and 5 % more is for so few pieces. */
#define END_PIECES 10
#define ENDS_ENERGY 1.28

struct cosines {
  double c;
  double s;
};

/* The pieces of a mark, four side by side. */
struct fours {
  mt_four c[PIECES / 4];
  mt_four s[PIECES / 4];
};

struct pieces {
  mt_four t_s[PIECES / 4]; /* their middles, from the sighted begin */
  struct fours sum[CHIRPS];
};
_Static_assert(PIECES % 4 == 0, "whole fours of pieces");

static struct cosines turn(struct cosines z, double phase)
{
  double c = cos(phase), s = sin(phase);
  return (struct cosines){z.c * c - z.s * s, z.c * s + z.s * c};
}

mt_code mt_arrival_look(mt_take_view *view, const mt_segment *mark, double frame, mt_error *err)
{
  double rate_hz = view->take->rate_hz, nframes = (double)view->take->nframes;
  double begin = fmin(fmax(0.0, floor(frame - ROOM_S * rate_hz)), nframes);
  double end = fmin(fmax(begin, ceil(frame + (mark->duration_s + ROOM_S) * rate_hz)), nframes);

  return mt_take_look(view, (size_t)begin, (size_t)(end - begin), NULL, err);
}

/* Frames `first` to `end` that are at hand, as places in the view: mt_arrival_look() has brought all of the mark. */
static void clip(const mt_take_view *view, ptrdiff_t first, ptrdiff_t end, ptrdiff_t *from, ptrdiff_t *to)
{
  *from = first - (ptrdiff_t)view->begin;
  *to = end - (ptrdiff_t)view->begin;
  *from = *from < 0 ? 0 : *from;
  *to = *to > (ptrdiff_t)view->count ? (ptrdiff_t)view->count : *to;
}

/* The samples of `count` frames from `first` on; 0 outside what is at hand. */
static void copy_samples(const mt_take_view *view, unsigned channel, ptrdiff_t first, size_t count,
                         double *out)
{
  size_t stride = view->take->nchannels;
  ptrdiff_t shift = first - (ptrdiff_t)view->begin, from, to;

  clip(view, first, first + (ptrdiff_t)count, &from, &to);
  memset(out, 0, count * sizeof *out);
  if (from < to)
    mt_wide_take_channel(view->frames + (size_t)from * stride + channel, stride, (size_t)(to - from),
                         out + (from - shift));
}

MT_WIDE static double product(const double *a, const double *b, size_t n)
{
  mt_four sum = {0.0};
  double rest = 0.0;
  size_t i = 0;

  for (; i + 4 <= n; i += 4)
    sum += *(const mt_four_at *)(a + i) * *(const mt_four_at *)(b + i);
  for (; i < n; i++)
    rest += a[i] * b[i];
  return mt_four_sum(&sum) + rest;
}

/* Sums of samples times the conjugate chirp over short pieces: there the phase left over hardly turns. */
static void sum_pieces(const float *samples, double rate_hz, const mt_segment *mark, struct pieces *out)
{
  double cos_part[CHUNK], sin_part[CHUNK], x[CHUNK];
  double dt = 1.0 / rate_hz;
  double per_piece = mark->duration_s * rate_hz / PIECES;

  memset(out, 0, sizeof *out);
  for (size_t p = 0; p < PIECES; p++) {
    size_t first = (size_t)(per_piece * (double)p), last = (size_t)(per_piece * (double)(p + 1));
    out->t_s[p / 4][p % 4] = 0.5 * (double)(first + last - 1) * dt;
    for (size_t n = first; n < last; n += CHUNK) {
      size_t count = last - n < CHUNK ? last - n : CHUNK;
      mt_wide_take_channel(samples + n, 1, count, x);
      for (unsigned c = 0; c < CHIRPS; c++) {
        mt_mark_render(mark, c, (double)n * dt, dt, count, cos_part, sin_part);
        out->sum[c].c[p / 4][p % 4] += product(x, cos_part, count);
        out->sum[c].s[p / 4][p % 4] -= product(x, sin_part, count);
      }
    }
  }
}

/* Take out of each piece the phase that a clock offset of e leaves in it. */
MT_WIDE static void turn_back(const struct pieces *pieces, const mt_segment *mark, double e,
                              struct fours turned[CHIRPS])
{
  for (unsigned c = 0; c < CHIRPS; c++) {
    double first_hz = mt_mark_frequency(mark, c, 0.0), slope = mt_mark_frequency(mark, c, 1.0) - first_hz;
    for (size_t p = 0; p < PIECES / 4; p++) {
      mt_four t = pieces->t_s[p], seen = t * (1.0 + e);
      mt_four phase = 2.0 * MT_PI * (t - seen) * (first_hz + 0.5 * slope * (t + seen));
      mt_turns sum = {pieces->sum[c].c[p], pieces->sum[c].s[p]}, turn;
      mt_turns_of(&phase, &turn);
      mt_turns_by(&sum, &turn);
      turned[c].c[p] = sum.re;
      turned[c].s[p] = sum.im;
    }
  }
}

/* How a delay turns the pieces of an upward chirp. */
MT_WIDE static void turn_by_delay(const struct pieces *pieces, const mt_segment *mark, double delay_s,
                                  struct fours *out)
{
  double slope = (mark->to_hz - mark->from_hz) / mark->duration_s;

  for (size_t p = 0; p < PIECES / 4; p++) {
    mt_four phase = 2.0 * MT_PI * slope * delay_s * pieces->t_s[p];
    mt_turns turn;
    mt_turns_of(&phase, &turn);
    out->c[p] = turn.re;
    out->s[p] = turn.im;
  }
}

/* Power of both chirps' correlations. A delay turns piece by piece with the frequency: the chirps in opposite
   senses. */
MT_WIDE static double correlation_power(const struct fours turned[CHIRPS], const struct fours *delay)
{
  const struct fours *up = &turned[0], *down = &turned[1];
  mt_four up_c = {0.0}, up_s = {0.0}, down_c = {0.0}, down_s = {0.0};
  double sums[4];

  for (size_t p = 0; p < PIECES / 4; p++) {
    mt_four c = delay->c[p], s = delay->s[p];
    up_c += up->c[p] * c - up->s[p] * s;
    up_s += up->c[p] * s + up->s[p] * c;
    down_c += down->c[p] * c + down->s[p] * s;
    down_s += down->s[p] * c - down->c[p] * s;
  }
  sums[0] = mt_four_sum(&up_c);
  sums[1] = mt_four_sum(&up_s);
  sums[2] = mt_four_sum(&down_c);
  sums[3] = mt_four_sum(&down_s);
  return sums[0] * sums[0] + sums[1] * sums[1] + sums[2] * sums[2] + sums[3] * sums[3];
}

/* Clock offsets and delays to try: an odd number of each, evenly about the middle. */
struct grid {
  double e;
  double e_step;
  int ne;
  double delay_s;
  double delay_step_s;
  int ndelays;
};

/* The best point of a grid; it becomes the grid's middle. Returns its power. */
static double try_all(const struct pieces *pieces, const mt_segment *mark, struct grid *io)
{
  struct fours delays[TRY_DELAYS], turned[CHIRPS];
  const struct grid grid = *io;
  double best = -1.0;

  for (int d = 0; d < grid.ndelays; d++)
    turn_by_delay(pieces, mark, grid.delay_s + (d - grid.ndelays / 2) * grid.delay_step_s, &delays[d]);
  for (int k = 0; k < grid.ne; k++) {
    double e = grid.e + (k - grid.ne / 2) * grid.e_step;
    turn_back(pieces, mark, e, turned);
    for (int d = 0; d < grid.ndelays; d++) {
      double power = correlation_power(turned, &delays[d]);
      if (!(power > best))
        continue;
      best = power;
      io->e = e;
      io->delay_s = grid.delay_s + (d - grid.ndelays / 2) * grid.delay_step_s;
    }
  }
  return best;
}

/*
 * The samples where the mark should be, under its envelope and then without all that lies outside its band:
 * `frames` holds npoints. Energy of what is left; 0 if that is but the transform's rounding.
 */
static double cut_band(const mt_take_view *view, unsigned channel, const mt_segment *mark, ptrdiff_t begin,
                       mt_transform *transform, size_t npoints, float *frames, mt_bin *bins)
{
  size_t nframes = (size_t)(mark->duration_s * view->take->rate_hz);
  double bin_hz = view->take->rate_hz / (double)npoints;
  double in_band = 0.0, outside = 0.0, gain[CHUNK], x[CHUNK];

  memset(frames, 0, npoints * sizeof *frames);
  for (size_t first = 0; first < nframes; first += CHUNK) {
    size_t count = nframes - first < CHUNK ? nframes - first : CHUNK;
    mt_fade_render(mark, (double)first / view->take->rate_hz, 1.0 / view->take->rate_hz, count, gain, NULL);
    copy_samples(view, channel, begin + (ptrdiff_t)first, count, x);
    for (size_t n = 0; n < count; n++)
      frames[first + n] = (float)(gain[n] * x[n]);
  }
  mt_transform_forward(transform, frames, bins);
  for (size_t k = 0; k <= npoints / 2; k++) {
    double freq_hz = (double)k * bin_hz;
    double power = (double)(bins[k].re * bins[k].re + bins[k].im * bins[k].im);
    if (freq_hz >= mark->from_hz && freq_hz <= mark->to_hz) {
      in_band += power;
      continue;
    }
    outside += power;
    bins[k] = (mt_bin){0.0f, 0.0f};
  }
  mt_transform_inverse(transform, bins, frames);
  for (size_t n = 0; n < nframes; n++)
    frames[n] /= (float)npoints;
  return in_band > LEAST_OF_ENERGY * outside ? 2.0 / (double)npoints * in_band : 0.0;
}

/* Both chirps' share at the best point of the grid, which becomes its middle. */
static double find_share(const float *frames, double rate_hz, const mt_segment *mark, double energy,
                         struct grid *out)
{
  struct pieces pieces;
  struct grid coarse = {0.0, TRY_CLOCK_STEP, TRY_CLOCKS, 0.0, TRY_DELAY_STEP_S, TRY_DELAYS};
  double chirp_energy = 0.0, gain[CHUNK];
  size_t nframes = (size_t)ceil(mark->duration_s * rate_hz);

  for (size_t first = 0; first < nframes; first += CHUNK) {
    size_t count = nframes - first < CHUNK ? nframes - first : CHUNK;
    mt_fade_render(mark, (double)first / rate_hz, 1.0 / rate_hz, count, gain, NULL);
    for (size_t n = 0; n < count; n++)
      chirp_energy += 0.5 * gain[n] * gain[n];
  }
  sum_pieces(frames, rate_hz, mark, &pieces);
  try_all(&pieces, mark, &coarse);
  *out =
      (struct grid){coarse.e, FINE_CLOCK_STEP, FINE_CLOCKS, coarse.delay_s, FINE_DELAY_STEP_S, FINE_DELAYS};
  return try_all(&pieces, mark, out) / (chirp_energy * energy);
}

mt_code mt_arrival_judge(const mt_take_view *view, unsigned channel, const mt_segment *mark, double frame,
                         mt_transform *transform, size_t npoints, mt_arrival *out, mt_error *err)
{
  ptrdiff_t begin = (ptrdiff_t)llround(frame);
  float *frames = calloc(npoints, sizeof *frames);
  mt_bin *bins = calloc(npoints / 2 + 1, sizeof *bins);
  bool complete = frames != NULL && bins != NULL;

  memset(out, 0, sizeof *out);
  out->frame = frame;
  if (complete) {
    double energy = cut_band(view, channel, mark, begin, transform, npoints, frames, bins);
    struct grid best;
    if (energy > 0.0) {
      out->share = find_share(frames, view->take->rate_hz, mark, energy, &best);
      out->frame = (double)begin + best.delay_s * view->take->rate_hz;
    }
  }
  free(frames);
  free(bins);
  return complete ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory to look at a mark");
}

/* What the fit accumulates over a mark: products of its columns with each other and with the samples. The
   columns are the cosine and sine parts of both chirps, and the slope of the fitted signal with the begin while
   the phase at the middle of the band stands still: so the gains need not turn along, and a step may be long. */
struct normal {
  double gram[COLUMNS][COLUMNS];
  double rhs[COLUMNS];
};

/* A stretch of the mark rendered, and the samples there. */
struct stretch {
  size_t count;
  double column[COLUMNS][CHUNK];
  double x[CHUNK];
};

/* By how much a chirp's phase at mid-band falls when the mark begins a frame later, radians. */
static double middle_turn(const mt_segment *mark, double dt)
{
  return MT_PI * (mark->from_hz + mark->to_hz) * dt;
}

/* DC is neither signal nor noise, but in a record of no whole number of periods it moves the fit, and its pieces at the
   low end, a few periods each, look like noise. */
static double mean(const mt_take_view *view, unsigned channel, ptrdiff_t begin, ptrdiff_t end)
{
  size_t stride = view->take->nchannels;
  double sums[4] = {0.0};
  ptrdiff_t from, to;

  clip(view, begin, end, &from, &to);
  for (ptrdiff_t i = from; i < to; i++)
    sums[i % 4] += (double)view->frames[(size_t)i * stride + channel];
  return end > begin ? ((sums[0] + sums[1]) + (sums[2] + sums[3])) / (double)(end - begin) : 0.0;
}

/* One chirp's part in the slope. The envelope's too: small as it is, where a unit's response is not flat it would move
   an upward chirp one way and a downward one the other, by some nanoseconds. */
MT_WIDE static void add_slope(const double cos_part[CHUNK], const double sin_part[CHUNK],
                              const double growth[CHUNK], double omega, double bend, const double gain[2],
                              double slope[CHUNK])
{
  mt_four turn = {omega, omega + bend, omega + 2.0 * bend, omega + 3.0 * bend};

  for (size_t i = 0; i < CHUNK; i += 4, turn += 4.0 * bend) {
    mt_four c = *(const mt_four_at *)(cos_part + i), s = *(const mt_four_at *)(sin_part + i);
    *(mt_four_at *)(slope + i) +=
        turn * (gain[1] * c - gain[0] * s) - *(const mt_four_at *)(growth + i) * (gain[0] * c + gain[1] * s);
  }
}

/* All that is rendered beyond the last frame is 0. */
static void clear_rest(size_t count, double x[CHUNK])
{
  memset(x + count, 0, (CHUNK - count) * sizeof *x);
}

static void render_stretch(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                           const mt_arrival *at, ptrdiff_t first, size_t count, double dc,
                           struct stretch *out)
{
  double dt = (1.0 + e) / view->take->rate_hz;
  double t0 = ((double)first - at->frame) * dt, gain[CHUNK], growth[CHUNK];
  double *slope = out->column[GAINS];

  out->count = count;
  mt_fade_render(mark, t0, dt, count, gain, growth);
  for (size_t i = 0; i < count; i++)
    growth[i] *= dt;
  clear_rest(count, growth);
  memset(slope, 0, CHUNK * sizeof *slope);
  for (unsigned c = 0; c < CHIRPS; c++) {
    double omega = middle_turn(mark, dt) - 2.0 * MT_PI * dt * mt_mark_frequency(mark, c, t0);
    double bend = -2.0 * MT_PI * dt * (mt_mark_frequency(mark, c, dt) - mt_mark_frequency(mark, c, 0.0));
    mt_mark_render(mark, c, t0, dt, count, out->column[2 * c], out->column[2 * c + 1]);
    clear_rest(count, out->column[2 * c]);
    clear_rest(count, out->column[2 * c + 1]);
    add_slope(out->column[2 * c], out->column[2 * c + 1], growth, omega, bend, at->gain + 2 * c, slope);
  }
  copy_samples(view, channel, first, count, out->x);
  for (size_t i = 0; i < count; i++)
    out->x[i] -= dc;
  clear_rest(count, out->x);
}

static ptrdiff_t first_frame(const mt_arrival *at)
{
  return (ptrdiff_t)ceil(at->frame);
}

static ptrdiff_t end_frame(const mt_take_view *view, const mt_segment *mark, double e, const mt_arrival *at)
{
  return (ptrdiff_t)floor(at->frame + mark->duration_s * view->take->rate_hz / (1.0 + e)) + 1;
}

/* Products of a column with those before it, with itself and with the samples. */
static inline void add_column(const struct stretch *s, unsigned j, struct normal *io)
{
  mt_four gram[COLUMNS] = {{0.0}}, rhs = {0.0};

  for (size_t i = 0; i < s->count; i += 4) { /* 0 beyond the last */
    mt_four own = *(const mt_four_at *)(s->column[j] + i);
    for (unsigned k = 0; k <= j; k++)
      gram[k] += own * *(const mt_four_at *)(s->column[k] + i);
    rhs += own * *(const mt_four_at *)(s->x + i);
  }
  for (unsigned k = 0; k <= j; k++)
    io->gram[j][k] += mt_four_sum(&gram[k]);
  io->rhs[j] += mt_four_sum(&rhs);
}

MT_WIDE static void add_products(const struct stretch *s, struct normal *io)
{
  add_column(s, 0, io);
  add_column(s, 1, io);
  add_column(s, 2, io);
  add_column(s, 3, io);
  add_column(s, 4, io);
}
_Static_assert(COLUMNS == 5 && CHUNK % 4 == 0, "every column, and whole fours of frames");

/*
 * Solve the first n normal equations by Cholesky's decomposition, in place. A column that holds nothing, or
 * nothing new, gets 0.
 */
static void solve(struct normal *a, unsigned n, double out[COLUMNS])
{
  for (unsigned j = 0; j < n; j++) {
    double own = a->gram[j][j];
    for (unsigned k = 0; k < j; k++)
      own -= a->gram[j][k] * a->gram[j][k];
    a->gram[j][j] = own > 1e-12 * a->gram[j][j] ? sqrt(own) : HUGE_VAL;
    for (unsigned i = j + 1; i < n; i++) {
      double sum = a->gram[i][j];
      for (unsigned k = 0; k < j; k++)
        sum -= a->gram[i][k] * a->gram[j][k];
      a->gram[i][j] = sum / a->gram[j][j];
    }
    out[j] = a->rhs[j];
    for (unsigned k = 0; k < j; k++)
      out[j] -= a->gram[j][k] * out[k];
    out[j] /= a->gram[j][j];
  }
  for (unsigned j = n; j-- > 0;) {
    for (unsigned k = j + 1; k < n; k++)
      out[j] -= a->gram[k][j] * out[k];
    out[j] /= a->gram[j][j];
  }
}

double mt_arrival_step(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                       double part, mt_arrival *io)
{
  struct normal normal = {0};
  struct stretch s;
  double solution[COLUMNS];
  ptrdiff_t end = end_frame(view, mark, e, io);
  double dc = mean(view, channel, first_frame(io), end);

  for (ptrdiff_t first = first_frame(io); first < end; first += CHUNK) {
    render_stretch(view, channel, mark, e, io, first, end - first < CHUNK ? (size_t)(end - first) : CHUNK, dc,
                   &s);
    add_products(&s, &normal);
  }
  solve(&normal, COLUMNS, solution);
  if (!isfinite(solution[GAINS]))
    return 0.0;
  io->frame += part * solution[GAINS];
  for (unsigned c = 0; c < CHIRPS; c++) {
    double phase = -middle_turn(mark, (1.0 + e) / view->take->rate_hz) * part * solution[GAINS];
    struct cosines gain = turn((struct cosines){solution[2 * c], solution[2 * c + 1]}, phase);
    io->gain[2 * c] = gain.c;
    io->gain[2 * c + 1] = gain.s;
  }
  return solution[GAINS];
}

/* How much of each gain's column the slope's column holds: what is left of it moves the time alone. */
static double project_slope(struct normal *normal, double of_gain[COLUMNS])
{
  double energy = normal->gram[GAINS][GAINS];
  double products[GAINS];

  for (unsigned k = 0; k < GAINS; k++)
    products[k] = normal->rhs[k] = normal->gram[GAINS][k];
  solve(normal, GAINS, of_gain);
  for (unsigned k = 0; k < GAINS; k++)
    energy -= of_gain[k] * products[k];
  return energy;
}

/* What a fitted mark tells about its own accuracy. */
struct account {
  struct normal normal;
  double score[NOISE_PIECES + 1]
              [COLUMNS];     /* what the residual and each column have in common, piece by piece */
  double stretched[COLUMNS]; /* what the slope times the frame within the mark, and each column have */
};

/* What the scores are summed of, frame by frame of a stretch. */
struct account_stretch {
  double left[CHUNK];      /* what the chirps leave */
  double turned[CHUNK];    /* the same times the cosine of half a turn a piece */
  double stretched[CHUNK]; /* the slope times the frame within the mark */
};

/* `frame` and `place` are those of the first frame, from the mark's time 0 and in pieces from its first frame. */
MT_WIDE static void fill_stretch(const struct stretch *s, const double gain[GAINS], double middle,
                                 double frame, double place, double pieces_a_frame,
                                 struct account_stretch *out)
{
  const mt_four lanes = {0.0, 1.0, 2.0, 3.0};

  for (size_t i = 0; i < CHUNK; i += 4) {
    mt_four left = *(const mt_four_at *)(s->x + i), slope = *(const mt_four_at *)(s->column[GAINS] + i);
    mt_four half_turns = MT_PI * (place + pieces_a_frame * ((double)i + lanes));
    mt_turns turns;
    for (unsigned c = 0; c < GAINS; c += 2) {
      mt_four re = *(const mt_four_at *)(s->column[c] + i), im = *(const mt_four_at *)(s->column[c + 1] + i);
      left -= gain[c] * re + gain[c + 1] * im;
      slope -= middle * (gain[c + 1] * re - gain[c] * im);
    }
    mt_turns_of(&half_turns, &turns);
    *(mt_four_at *)(out->left + i) = left;
    *(mt_four_at *)(out->turned + i) = left * turns.re;
    *(mt_four_at *)(out->stretched + i) = slope * (frame + (double)i + lanes);
  }
}

/* Each frame is split between the two pieces it lies in: by a raised cosine, from all to nothing of the one. */
static void add_scores(const struct stretch *s, const struct account_stretch *frames, size_t from, size_t to,
                       size_t piece, struct account *out)
{
  double sign = piece % 2 == 0 ? 1.0 : -1.0;

  for (unsigned k = 0; k < COLUMNS; k++) {
    double all = product(frames->left + from, s->column[k] + from, to - from);
    double turned = sign * product(frames->turned + from, s->column[k] + from, to - from);
    out->score[piece][k] += 0.5 * (all + turned);
    out->score[piece + 1][k] += 0.5 * (all - turned);
  }
}

static void fill_account(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                         const mt_arrival *at, struct account *out)
{
  struct stretch s;
  struct account_stretch frames;
  ptrdiff_t begin = first_frame(at), length = end_frame(view, mark, e, at) - begin;
  double middle = middle_turn(mark, (1.0 + e) / view->take->rate_hz),
         per_frame = NOISE_PIECES / (double)length, dc = mean(view, channel, begin, begin + length);

  memset(out, 0, sizeof *out);
  for (ptrdiff_t first = 0; first < length; first += CHUNK) {
    size_t count = length - first < CHUNK ? (size_t)(length - first) : CHUNK;
    double place = (double)first * per_frame;
    render_stretch(view, channel, mark, e, at, begin + first, count, dc, &s);
    add_products(&s, &out->normal);
    fill_stretch(&s, at->gain, middle, (double)(begin + first) - at->frame, place, per_frame, &frames);
    for (unsigned k = 0; k < COLUMNS; k++)
      out->stretched[k] += product(frames.stretched, s.column[k], count);
    for (size_t from = 0, to; from < count; from = to) {
      size_t piece = (size_t)(place + (double)from * per_frame);
      double end = ceil(((double)(piece + 1) - place) / per_frame);
      to = end < (double)count ? (size_t)end : count;
      to = to > from ? to : from + 1; /* by the rounding of what lies on the edge of a piece */
      add_scores(&s, &frames, from, to, piece, out);
    }
  }
}

/* The part of a sum over columns that belongs to the slope alone, free of the gains. */
static double slope_alone(const double sums[COLUMNS], const double of_gain[COLUMNS])
{
  double alone = sums[GAINS];

  for (unsigned k = 0; k < GAINS; k++)
    alone -= of_gain[k] * sums[k];
  return alone;
}

void mt_arrival_assess(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                       mt_arrival *io)
{
  struct account account;
  double of_gain[COLUMNS] = {0}, score[NOISE_PIECES + 1];
  double energy, variance = 0.0, inner = 0.0;

  fill_account(view, channel, mark, e, io, &account);
  energy = project_slope(&account.normal, of_gain);
  for (size_t p = 0; p <= NOISE_PIECES; p++)
    score[p] = slope_alone(account.score[p], of_gain);
  /* fourth differences, free of what changes slowly; the mark has faded out at its ends */
  for (size_t p = 2; p + 1 < NOISE_PIECES; p++) {
    double bend = score[p - 2] - 4.0 * score[p - 1] + 6.0 * score[p] - 4.0 * score[p + 1] + score[p + 2];
    variance += bend * bend / BEND_ENERGY;
    if (p >= END_PIECES + 2 && p + END_PIECES + 1 < NOISE_PIECES)
      inner += bend * bend / BEND_ENERGY;
  }
  io->variance_frame = energy > 0.0 ? variance / (energy * energy) : HUGE_VAL;
  io->variance_apart = energy > 0.0 ? ENDS_ENERGY * inner / (energy * energy) : HUGE_VAL;
  /* a clock offset acts on each frame of the mark like a shift in proportion to its place */
  io->frame_of_e = energy > 0.0 ? slope_alone(account.stretched, of_gain) / energy / (1.0 + e) : 0.0;
}
