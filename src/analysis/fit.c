/*
 * The sine fit: least squares for a tone, its harmonics and DC, the frequency unknown but tied (IEEE 1057
 * with orders added). Three steps, each reading the record once:
 *
 *   locate   cut the record into short blocks, turn each by the start frequency and keep its moments in
 *            time up to the third. From those few numbers the spectrum anywhere near the start follows
 *            by a Taylor series, so the peak is found, tested and polished without the samples.
 *   project  at the frequency found, project the record on every order and on time times every order.
 *            The Gram matrix of the model is known in closed form (Dirichlet kernels), so the
 *            Gauss-Newton steps need nothing else. Again only if the frequency moved too far.
 *   subtract what was fitted, and sum the squares of what is left.
 *
 * Time is measured from mid-record in half lengths: tau = -1 ... 1. Then even and odd columns are
 * orthogonal, the frequency hardly depends on the phase, and all numbers are of the order of 1.
 * A frequency offset is phi = pi x bins: the phase it makes at tau = 1. One bin is rate / n.
 *
 * Sines come from one table of half a block, the same for every block, and one turn a block and order.
 */
#include <mendtone/analysis.h>

#include "base/wide.h"
#include "signal/transform.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
  HALF_MAX = 128,     /* half a block: the table of ten orders must stay in a first-level cache */
  BLOCKS_LEAST = 128, /* a short record has shorter blocks, so that the Taylor series stays short */
  BLOCKS_MANY = 64,   /* from here on (512 samples) the series is good over +-16 bins */
  SEARCH_MAX = 16384, /* frames looked at for the strongest line */
  PASSES_MAX = 8,
  STEPS_MAX = 60
};

/* Frequency error, in bins, up to which second-order sums at the old frequency are as good as new ones:
   the neglected third order is (pi 1e-4)^3 / 6 = 5e-12 of the fundamental. */
#define NEAR_BINS 1e-4
/* Closest approach to 0 and to rate / 2: nearer, a tone and its image are one. */
#define EDGE_BINS 1.5
/* A line's power over the noise beside it. None of 200000 records of white noise (1000 to 48000 samples) passed,
   the largest of all bins searched; a tone 24 dB below white noise passes in 48000 samples. */
#define LINE_RATIO 60.0
/* How often noise may look like a tone in a short record. */
#define FALSE_TONE 1e-6
/* -200 dBFS: the rounding of our own sums, not a tone. */
#define AMPLITUDE_LEAST 1e-10

/* Four numbers side by side: sums keep a fixed order. */
enum { LANES = 4, HALF_LANES = HALF_MAX / LANES };

typedef struct cis {
  double re;
  double im;
} cis;

static cis cis_times(cis a, cis b)
{
  return (cis){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static cis cis_add(cis a, cis b)
{
  return (cis){a.re + b.re, a.im + b.im};
}

static cis cis_scale(cis a, double by)
{
  return (cis){a.re * by, a.im * by};
}

/* -j a */
static cis cis_back(cis a)
{
  return (cis){a.im, -a.re};
}

static double cis_power(cis a)
{
  return a.re * a.re + a.im * a.im;
}

/* exp(j 2 pi cycles frames). The fused rest keeps the phase exact however many cycles went by. */
static cis turn(double cycles, double frames)
{
  double whole = cycles * frames;
  double rest = fma(cycles, frames, -whole);
  double angle = 2.0 * M_PI * (whole - rint(whole) + rest);
  return (cis){cos(angle), sin(angle)};
}

/* ---- the record in blocks ---------------------------------------------------------------------- */

typedef struct record {
  const double *x;
  size_t n;
  double rate_hz;
  double mean; /* taken off each sample as it is read: DC may be a million times the tone */
  size_t half; /* half a block, frames; a multiple of LANES */
  size_t nblocks;
} record;

static mt_code record_open(record *rec, const double *x, size_t n, double rate_hz, mt_error *err)
{
  double sum = 0.0;

  if (x == NULL || n < 16)
    return mt_fail(err, MT_E_ARG, "a fit over %zu samples; expected at least 16", n);
  if (!(rate_hz > 0.0 && isfinite(rate_hz)))
    return mt_fail(err, MT_E_ARG, "a sample rate of %g Hz; expected a positive number", rate_hz);
  if (!mt_wide_sum(x, n, DBL_MAX, &sum) || !isfinite(sum)) {
    size_t at = 0;
    while (at < n - 1 && isfinite(x[at]))
      at++;
    return mt_fail(err, MT_E_DATA, "sample %zu of %zu is not a finite number", at, n);
  }
  *rec = (record){.x = x, .n = n, .rate_hz = rate_hz, .mean = sum / (double)n};
  rec->half = (n + 2 * LANES * BLOCKS_LEAST - 1) / (2 * LANES * BLOCKS_LEAST) * LANES;
  if (rec->half > HALF_MAX)
    rec->half = HALF_MAX;
  rec->nblocks = (n + 2 * rec->half - 1) / (2 * rec->half);
  return MT_OK;
}

/* Middle of a block, frames from mid-record. */
static double block_middle(const record *rec, size_t block)
{
  return (double)((2 * block + 1) * rec->half) - 0.5 * (double)rec->n;
}

/* The samples of a block; past the end of the record the mean goes on, so that nothing is left of them. */
static const double *block_samples(const record *rec, size_t block, double *spare)
{
  size_t begin = 2 * block * rec->half, left = rec->n - begin;

  if (left >= 2 * rec->half)
    return rec->x + begin;
  for (size_t i = 0; i < 2 * rec->half; i++)
    spare[i] = i < left ? rec->x[begin + i] : rec->mean;
  return spare;
}

/* Cosines and sines of all orders on the upper half of a block; the lower half mirrors it. */
typedef struct wheel {
  size_t nlanes;
  int norders;
  mt_four c[MT_ORDERS_MAX][HALF_LANES];
  mt_four s[MT_ORDERS_MAX][HALF_LANES];
} wheel;

static void wheel_fill(wheel *wh, const record *rec, double cycles, int norders)
{
  wh->nlanes = rec->half / LANES;
  wh->norders = norders;
  for (size_t i = 0; i < rec->half; i++) {
    cis first = turn(cycles, (double)i + 0.5), order = first;
    for (int k = 0; k < norders; k++) {
      wh->c[k][i / LANES][i % LANES] = order.re;
      wh->s[k][i / LANES][i % LANES] = order.im;
      order = cis_times(order, first);
    }
  }
}

/* A block folded about its middle, times powers of tau: cosines need the even part, sines the odd. */
typedef struct folded {
  mt_four even[4][HALF_LANES];
  mt_four odd[4][HALF_LANES];
} folded;

/* @return the sum of the samples, which lie on both sides of `middle`, less their mean. */
MT_WIDE static double fold(const double *middle, const record *rec, bool all_powers, folded *out)
{
  double unit = 2.0 / (double)rec->n;
  mt_four tau = {0.5 * unit, 1.5 * unit, 2.5 * unit, 3.5 * unit}, sum = {0.0};

  for (size_t i = 0; i < rec->half / LANES; i++) {
    mt_four above = *(const mt_four_at *)(middle + LANES * i) - rec->mean;
    mt_four below = *(const mt_four_at *)(middle - LANES * (i + 1)) - rec->mean;
    below = __builtin_shufflevector(below, below, 3, 2, 1, 0);
    sum += above + below;
    out->even[0][i] = above + below;
    out->odd[0][i] = above - below;
    out->even[1][i] = tau * out->even[0][i];
    out->odd[1][i] = tau * out->odd[0][i];
    if (all_powers) {
      out->even[2][i] = tau * out->even[1][i];
      out->odd[2][i] = tau * out->odd[1][i];
      out->even[3][i] = tau * out->even[2][i];
      out->odd[3][i] = tau * out->odd[2][i];
    }
    tau += LANES * unit;
  }
  return mt_four_sum(&sum);
}

/* For each order k of the wheel m[k][0] = sum x tau^p exp(-j k w t), m[k][1] the same with tau^(p+1), over one block
   about its own middle. */
MT_WIDE static void project_block(const wheel *wh, const folded *block, int power, cis (*m)[2])
{
  const mt_four *even = block->even[power], *odd = block->odd[power];
  const mt_four *next_even = block->even[power + 1], *next_odd = block->odd[power + 1];

  for (int k = 0; k < wh->norders; k++) {
    const mt_four *c = wh->c[k], *s = wh->s[k];
    mt_four re0 = {0.0}, im0 = re0, re1 = re0, im1 = re0;
    for (size_t i = 0; i < wh->nlanes; i++) {
      re0 += even[i] * c[i];
      im0 += odd[i] * s[i];
      re1 += next_odd[i] * c[i];
      im1 += next_even[i] * s[i];
    }
    m[k][0] = (cis){mt_four_sum(&re0), -mt_four_sum(&im0)};
    m[k][1] = (cis){mt_four_sum(&re1), -mt_four_sum(&im1)};
  }
}

/* ---- Gauss-Newton on projections --------------------------------------------------------------- */

/* sum x tau^p exp(-j k w t) over the record, k = 1 ... norders at index k - 1 */
typedef struct sums {
  double mean; /* sum x */
  cis s0[MT_ORDERS_MAX];
  cis s1[MT_ORDERS_MAX];
  cis s2[MT_ORDERS_MAX];
} sums;

/* DC and the cosine and sine amplitudes of each order */
typedef struct model {
  double even[MT_ORDERS_MAX + 1]; /* [0] DC, [k] cosine */
  double odd[MT_ORDERS_MAX + 1];  /* [k] sine */
} model;

/* sum cos(k w t), sum tau sin(k w t), sum tau^2 cos(k w t), k = 0 ... 2 norders */
typedef struct kernels {
  double plain[2 * MT_ORDERS_MAX + 1];
  double slope[2 * MT_ORDERS_MAX + 1];
  double curve[2 * MT_ORDERS_MAX + 1];
} kernels;

static void kernels_fill(kernels *ker, size_t nframes, double cycles, int norders)
{
  double n = (double)nframes;

  ker->plain[0] = n;
  ker->slope[0] = 0.0;
  ker->curve[0] = (n * n - 1.0) / (3.0 * n);
  for (int k = 1; k <= 2 * norders; k++) {
    cis half = turn(0.5 * k * cycles, 1.0), whole = turn(0.5 * k * cycles, n);
    double d = whole.im / half.im;
    double first = 0.5 * (n * whole.re - d * half.re) / half.im;
    double second = 0.25 * (1.0 - n * n) * d - first * half.re / half.im;
    ker->plain[k] = d;
    ker->slope[k] = -2.0 / n * first;
    ker->curve[k] = -4.0 / (n * n) * second;
  }
}

typedef double square[MT_ORDERS_MAX + 1][MT_ORDERS_MAX + 1];

/* Cholesky, lower triangle in place. @return false if not positive definite. */
static bool factor(square a, int n)
{
  for (int j = 0; j < n; j++) {
    for (int i = j; i < n; i++) {
      double sum = a[i][j];
      for (int k = 0; k < j; k++)
        sum -= a[i][k] * a[j][k];
      if (i == j && !(sum > 0.0))
        return false;
      a[i][j] = i == j ? sqrt(sum) : sum / a[j][j];
    }
  }
  return true;
}

/* L y = b, in place. */
static void solve_lower(square a, int n, double *b)
{
  for (int i = 0; i < n; i++) {
    for (int k = 0; k < i; k++)
      b[i] -= a[i][k] * b[k];
    b[i] /= a[i][i];
  }
}

/* L' y = b, in place. */
static void solve_upper(square a, int n, double *b)
{
  for (int i = n - 1; i >= 0; i--) {
    for (int k = i + 1; k < n; k++)
      b[i] -= a[k][i] * b[k];
    b[i] /= a[i][i];
  }
}

/* Odd in its index, as a sine is. */
static double slope_at(const kernels *ker, int k)
{
  return k < 0 ? -ker->slope[-k] : ker->slope[k];
}

/* The frequency's column is sum k tau (odd_k cos - even_k sin). Its products with the other columns and itself. */
static double border(const kernels *ker, const model *m, int norders, double *even, double *odd)
{
  double square_sum = 0.0;

  for (int i = 0; i <= norders; i++) {
    even[i] = odd[i] = 0.0;
    for (int k = 1; k <= norders; k++) {
      even[i] -= 0.5 * k * m->even[k] * (slope_at(ker, k + i) + slope_at(ker, k - i));
      odd[i] += 0.5 * k * m->odd[k] * (slope_at(ker, i + k) + slope_at(ker, i - k));
    }
  }
  for (int i = 1; i <= norders; i++)
    for (int k = 1; k <= norders; k++) {
      double near = ker->curve[abs(i - k)], far = ker->curve[i + k];
      square_sum +=
          0.5 * i * k * (m->even[i] * m->even[k] * (near - far) + m->odd[i] * m->odd[k] * (near + far));
    }
  return square_sum;
}

static double inner(const double *a, const double *b, int n)
{
  double sum = 0.0;
  for (int i = 0; i < n; i++)
    sum += a[i] * b[i];
  return sum;
}

/**
 * The model that fits best at this frequency, and how far the frequency should move.
 *
 * @param dphi  the Gauss-Newton step, of phase at tau = 1; NULL: not wanted.
 * @return false if the columns cannot be told apart.
 */
static bool solve(const sums *in, size_t nframes, double cycles, int norders, model *out, double *dphi)
{
  kernels ker;
  square even, odd;
  double even_rhs[MT_ORDERS_MAX + 1] = {0.0}, odd_rhs[MT_ORDERS_MAX + 1] = {0.0};
  double even_border[MT_ORDERS_MAX + 1], odd_border[MT_ORDERS_MAX + 1];
  double stiffness, pull = 0.0;

  kernels_fill(&ker, nframes, cycles, norders);
  for (int i = 0; i <= norders; i++) {
    for (int k = 0; k <= i; k++) {
      even[i][k] = 0.5 * (ker.plain[i - k] + ker.plain[i + k]);
      if (k > 0)
        odd[i - 1][k - 1] = 0.5 * (ker.plain[i - k] - ker.plain[i + k]);
    }
    even_rhs[i] = i == 0 ? in->mean : in->s0[i - 1].re;
    if (i > 0)
      odd_rhs[i - 1] = -in->s0[i - 1].im;
  }
  if (!factor(even, norders + 1) || !factor(odd, norders))
    return false;
  solve_lower(even, norders + 1, even_rhs);
  solve_lower(odd, norders, odd_rhs);
  memcpy(out->even, even_rhs, sizeof out->even);
  memcpy(out->odd + 1, odd_rhs, MT_ORDERS_MAX * sizeof out->odd[0]);
  out->odd[0] = 0.0;
  solve_upper(even, norders + 1, out->even);
  solve_upper(odd, norders, out->odd + 1);
  if (dphi == NULL)
    return true;

  /* eliminate all but the frequency from the bordered system */
  stiffness = border(&ker, out, norders, even_border, odd_border);
  for (int k = 1; k <= norders; k++)
    pull += k * (out->odd[k] * in->s1[k - 1].re + out->even[k] * in->s1[k - 1].im);
  solve_lower(even, norders + 1, even_border);
  solve_lower(odd, norders, odd_border + 1);
  pull -= inner(even_border, even_rhs, norders + 1) + inner(odd_border + 1, odd_rhs, norders);
  stiffness -= inner(even_border, even_border, norders + 1) + inner(odd_border + 1, odd_border + 1, norders);
  *dphi = stiffness > 0.0 ? pull / stiffness : 0.0;
  return stiffness > 0.0;
}

/* ---- locate ------------------------------------------------------------------------------------ */

typedef struct moments {
  double cycles; /* where they were taken */
  size_t nframes;
  double mean; /* sum x, of what is left after the mean was taken off */
  double first_tau;
  double step_tau;
  size_t nblocks;
  cis (*plain)[4];    /* owned: [nblocks], sum x u^p exp(-j w t), u = tau from the middle of the block */
  cis (*windowed)[4]; /* owned: the same under a Hann window over the record, straight within a block */
} moments;

static void moments_finish(moments *mo)
{
  free(mo->plain);
  free(mo->windowed);
  *mo = (moments){0};
}

static mt_code moments_take(moments *mo, const record *rec, double cycles, mt_error *err)
{
  wheel wh;
  folded block;
  double spare[2 * HALF_MAX];

  *mo = (moments){.cycles = cycles, .nframes = rec->n, .nblocks = rec->nblocks};
  mo->plain = malloc(rec->nblocks * sizeof *mo->plain);
  mo->windowed = malloc(rec->nblocks * sizeof *mo->windowed);
  if (mo->plain == NULL || mo->windowed == NULL) {
    moments_finish(mo);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a fit over %zu samples", rec->n);
  }
  wheel_fill(&wh, rec, cycles, 1);
  mo->step_tau = 4.0 * (double)rec->half / (double)rec->n;
  mo->first_tau = 2.0 * block_middle(rec, 0) / (double)rec->n;
  for (size_t b = 0; b < rec->nblocks; b++) {
    cis anchor = turn(-cycles, block_middle(rec, b)), *m = mo->plain[b], low[1][2], high[1][2];
    double tau = mo->first_tau + mo->step_tau * (double)b;
    double window = 0.5 + 0.5 * cos(M_PI * tau), slope = -0.5 * M_PI * sin(M_PI * tau);
    mo->mean += fold(block_samples(rec, b, spare) + rec->half, rec, true, &block);
    project_block(&wh, &block, 0, low);
    project_block(&wh, &block, 2, high);
    for (int p = 0; p < 4; p++)
      m[p] = cis_times(p < 2 ? low[0][p] : high[0][p - 2], anchor);
    for (int p = 0; p < 4; p++)
      mo->windowed[b][p] =
          cis_add(cis_scale(m[p], window), cis_scale(m[p < 3 ? p + 1 : p], p < 3 ? slope : 0.0));
  }
  return MT_OK;
}

/* sum x exp(-j phi u) over a block: the Taylor series of the moments. */
static cis block_at(const cis m[4], double phi)
{
  double second = 0.5 * phi * phi, third = second * phi / 3.0;
  return (cis){m[0].re + phi * m[1].im - second * m[2].re - third * m[3].im,
               m[0].im - phi * m[1].re - second * m[2].im + third * m[3].re};
}

/* Projections on the tone `phi` away from where the moments were taken: plain, and times tau. */
static void moments_sum(const moments *mo, double phi, cis *s0, cis *s1)
{
  cis at = turn(-phi / (2.0 * M_PI), mo->first_tau), step = turn(-phi / (2.0 * M_PI), mo->step_tau);

  *s0 = *s1 = (cis){0.0, 0.0};
  for (size_t b = 0; b < mo->nblocks; b++) {
    const cis *m = mo->plain[b];
    const cis next[4] = {m[1], m[2], m[3], {0.0, 0.0}};
    cis v0 = cis_times(block_at(m, phi), at), v1 = cis_times(block_at(next, phi), at);
    *s0 = cis_add(*s0, v0);
    *s1 = cis_add(*s1, cis_add(cis_scale(v0, mo->first_tau + mo->step_tau * (double)b), v1));
    at = cis_times(at, step);
  }
}

/* Power of the windowed spectrum some bins away. */
static double moments_power(const moments *mo, double bins)
{
  double phi = M_PI * bins;
  cis at = turn(-0.5 * bins, mo->first_tau), step = turn(-0.5 * bins, mo->step_tau), sum = {0.0, 0.0};

  for (size_t b = 0; b < mo->nblocks; b++) {
    sum = cis_add(sum, cis_times(block_at(mo->windowed[b], phi), at));
    at = cis_times(at, step);
  }
  return cis_power(sum);
}

/* Strongest point within +-reach bins, half a bin apart. */
static double scan(const moments *mo, double reach_bins)
{
  double best_bins = 0.0, best = -1.0;
  long reach = lrint(2.0 * reach_bins);

  for (long i = -reach; i <= reach; i++) {
    double power = moments_power(mo, 0.5 * (double)i);
    if (power > best) {
      best = power;
      best_bins = 0.5 * (double)i;
    }
  }
  return best_bins;
}

static int compare_double(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/**
 * Is there a line, against the noise 10 ... 40 bins beside it?
 *
 * Nearer, a tone whose phase jumps (lost frames) leaks as much as noise might; the median looks past
 * another line.
 */
static bool is_line(const moments *mo, double bins)
{
  double beside[32], level;
  double at = mo->cycles * (double)mo->nframes + bins;
  double reach = fmin(40.0, 0.25 * (double)mo->nblocks);
  size_t nbeside = 0;

  if (mo->nblocks < BLOCKS_MANY)
    return true; /* the series does not reach that far: tone_check() looks at the residual instead */
  for (int i = 0; i < 16; i++)
    for (int side = -1; side <= 1; side += 2) {
      double off = side * reach * (0.25 + 0.05 * i);
      if (at + off >= 2.0 && at + off <= 0.5 * (double)mo->nframes - 2.0)
        beside[nbeside++] = moments_power(mo, bins + off);
    }
  qsort(beside, nbeside, sizeof beside[0], compare_double);
  /* the median of an exponential distribution is ln 2 times its mean */
  level = 0.5 * (beside[(nbeside - 1) / 2] + beside[nbeside / 2]) / M_LN2;
  return moments_power(mo, bins) > LINE_RATIO * level;
}

/* Fit the fundamental alone to the moments, from `bins` on. Slow where the phase jumps in the record: Gauss-Newton
   leaves out a curvature that is then large. @return false if it does not settle. */
static bool polish(const moments *mo, double *bins)
{
  double start = *bins, phi = M_PI * *bins;

  for (int i = 0; i < STEPS_MAX; i++) {
    sums in = {.mean = mo->mean};
    model ignored;
    double dphi;
    moments_sum(mo, phi, &in.s0[0], &in.s1[0]);
    if (!solve(&in, mo->nframes, mo->cycles + phi / (M_PI * (double)mo->nframes), 1, &ignored, &dphi))
      return false;
    phi += fmax(-0.25 * M_PI, fmin(0.25 * M_PI, dphi));
    *bins = phi / M_PI;
    if (!(fabs(*bins - start) < 1.5))
      return false;
    if (fabs(dphi) < 1e-6)
      return true;
  }
  return false;
}

/* The strongest line of the record's middle, cycles per frame. In float: it is only a start. */
static mt_code search(const record *rec, double *cycles, double *reach_bins, mt_error *err)
{
  size_t nfft = mt_transform_length(rec->n < SEARCH_MAX / 2 ? 2 * rec->n : SEARCH_MAX);
  size_t nlook = rec->n < nfft ? rec->n : nfft, begin = (rec->n - nlook) / 2, peak = 0;
  mt_transform *transform = NULL;
  float *in = calloc(nfft, sizeof *in);
  mt_bin *out = malloc((nfft / 2 + 1) * sizeof *out);
  double best = 0.0, lower, upper, lean = 0.0;
  cis window = turn(0.5 / (double)nlook, 1.0), step = turn(1.0 / (double)nlook, 1.0);
  mt_code code = in != NULL && out != NULL ? mt_transform_create(nfft, &transform, err)
                                           : mt_fail(err, MT_E_MEMORY, "out of memory for a fit");
  if (code != MT_OK)
    goto fail;

  for (size_t i = 0; i < nlook; i++) {
    in[i] = (float)((0.5 - 0.5 * window.re) * (rec->x[begin + i] - rec->mean));
    window = cis_times(window, step);
  }
  mt_transform_forward(transform, in, out);
  for (size_t i = (size_t)ceil(EDGE_BINS * (double)nfft / (double)nlook); i < nfft / 2; i++) {
    double power = cis_power((cis){(double)out[i].re, (double)out[i].im});
    if (power > best) {
      best = power;
      peak = i;
    }
  }
  if (peak == 0) {
    code = mt_fail(err, MT_E_DATA, "no tone: %zu samples of silence or of a constant", rec->n);
    goto fail;
  }
  lower = cis_power((cis){(double)out[peak - 1].re, (double)out[peak - 1].im});
  upper = cis_power((cis){(double)out[peak + 1].re, (double)out[peak + 1].im});
  if (lower > 0.0 && upper > 0.0 && lower * upper < best * best)
    lean = 0.5 * log(upper / lower) / log(best * best / (lower * upper));
  *cycles = ((double)peak + fmax(-0.5, fmin(0.5, lean))) / (double)nfft;
  *reach_bins = 1.5 + 0.25 * (double)rec->n / (double)nlook;
fail:
  mt_transform_destroy(&transform);
  free(in);
  free(out);
  return code;
}

static bool at_edge(double cycles, size_t n)
{
  return !(cycles * (double)n >= EDGE_BINS && (0.5 - cycles) * (double)n >= EDGE_BINS);
}

/* Find the tone near *cycles, or the strongest if *cycles is 0. */
static mt_code locate(const record *rec, double *cycles, mt_error *err)
{
  moments mo = {0};
  double start = *cycles, reach = 1.5 + 1e-3 * start * (double)rec->n, bins;
  bool found;
  mt_code code = MT_OK;

  if (start <= 0.0)
    code = search(rec, &start, &reach, err);
  if (code == MT_OK)
    code = moments_take(&mo, rec, start, err);
  if (code != MT_OK)
    return code;
  /* near the guess first: most guesses are good, and a wide search costs more and may meet another line */
  bins = scan(&mo, 1.5);
  found = polish(&mo, &bins) && is_line(&mo, bins);
  if (!found && reach > 1.5) {
    bins = scan(&mo, reach);
    found = polish(&mo, &bins) && is_line(&mo, bins);
  }
  *cycles = start + bins / (double)rec->n;
  moments_finish(&mo);
  if (!found || fabs(bins) > reach + 1.0)
    return mt_fail(err, MT_E_DATA, "no steady tone within %.3g Hz of %.6g Hz in %zu samples",
                   reach * rec->rate_hz / (double)rec->n, start * rec->rate_hz, rec->n);
  if (at_edge(*cycles, rec->n))
    return mt_fail(err, MT_E_DATA,
                   "a tone of %.6g Hz cannot be fitted in %zu samples at %g Hz: fewer than 2 periods",
                   *cycles * rec->rate_hz, rec->n, rec->rate_hz);
  return MT_OK;
}

/* ---- project and subtract ---------------------------------------------------------------------- */

static void project(const record *rec, double cycles, int norders, sums *out)
{
  wheel wh;
  folded block;
  double spare[2 * HALF_MAX], unit = 2.0 / (double)rec->n;
  double half = (double)rec->half * unit;
  double mean_square = (half * half - 0.25 * unit * unit) / 3.0;

  memset(out, 0, sizeof *out);
  wheel_fill(&wh, rec, cycles, norders);
  for (size_t b = 0; b < rec->nblocks; b++) {
    cis first = turn(-cycles, block_middle(rec, b)), anchor = first, m[MT_ORDERS_MAX][2];
    double tau = block_middle(rec, b) * unit;
    out->mean += fold(block_samples(rec, b, spare) + rec->half, rec, false, &block);
    project_block(&wh, &block, 0, m);
    for (int k = 0; k < norders; k++) {
      cis m0 = cis_times(m[k][0], anchor), m1 = cis_times(m[k][1], anchor);
      anchor = cis_times(anchor, first);
      out->s0[k] = cis_add(out->s0[k], m0);
      out->s1[k] = cis_add(out->s1[k], cis_add(cis_scale(m0, tau), m1));
      /* the second moment within a block is not worth a third product: it only moves a tiny correction */
      out->s2[k] =
          cis_add(out->s2[k], cis_add(cis_scale(m0, tau * tau + mean_square), cis_scale(m1, 2.0 * tau)));
    }
  }
}

/* The same sums a little further on. */
static void sums_shift(const sums *in, int norders, double phi, sums *out)
{
  *out = *in;
  for (int k = 0; k < norders; k++) {
    double turn_by = (k + 1) * phi;
    out->s0[k] = cis_add(in->s0[k], cis_add(cis_scale(cis_back(in->s1[k]), turn_by),
                                            cis_scale(in->s2[k], -0.5 * turn_by * turn_by)));
    out->s1[k] = cis_add(in->s1[k], cis_scale(cis_back(in->s2[k]), turn_by));
  }
}

/* Joint fit of all orders. @return false if it does not settle. */
static bool refine(const record *rec, double *cycles, int norders, model *m, unsigned *iterations)
{
  double per_phi = 1.0 / (M_PI * (double)rec->n);
  /* in a short record the blocks are not short beside it, and another pass costs nothing */
  double near = M_PI * (rec->nblocks < BLOCKS_MANY ? 1e-4 * NEAR_BINS : NEAR_BINS);

  for (int pass = 0; pass < PASSES_MAX; pass++) {
    sums taken, now;
    double phi = 0.0, dphi = 1.0;
    project(rec, *cycles, norders, &taken);
    /* beyond 0.1 bin the shifted sums are no guide: take them anew */
    for (int i = 0; i < STEPS_MAX && fabs(dphi) > 1e-12 && fabs(phi) < 0.1 * M_PI; i++) {
      sums_shift(&taken, norders, phi, &now);
      if (!solve(&now, rec->n, *cycles + phi * per_phi, norders, m, &dphi))
        return false;
      phi += fmax(-0.1 * M_PI, fmin(0.1 * M_PI, dphi));
      ++*iterations;
    }
    *cycles += phi * per_phi;
    if (at_edge(*cycles * norders, rec->n) || at_edge(*cycles, rec->n))
      return false;
    if (fabs(phi) < near)
      return true;
  }
  return false;
}

/* Take the model off one block. @return the sum of squares of what is left. */
MT_WIDE static double subtract_block(const wheel *wh, const double *middle, double offset, const mt_four *c,
                                     const mt_four *s, double *out)
{
  mt_four sum = {0.0};

  for (size_t i = 0; i < wh->nlanes; i++) {
    mt_four even = {offset, offset, offset, offset}, odd = {0.0}, above, below;
    for (int k = 0; k < wh->norders; k++) {
      even += c[k] * wh->c[k][i];
      odd += s[k] * wh->s[k][i];
    }
    above = *(const mt_four_at *)(middle + LANES * i) - (even + odd);
    below = even - odd;
    below =
        *(const mt_four_at *)(middle - LANES * (i + 1)) - __builtin_shufflevector(below, below, 3, 2, 1, 0);
    *(mt_four_at *)(out + LANES * i) = above;
    *(mt_four_at *)(out - LANES * (i + 1)) = below;
    sum += above * above + below * below;
  }
  return mt_four_sum(&sum);
}

/* Take the model off; residual may be NULL. @return the sum of squares of what is left. */
static double subtract(const record *rec, double cycles, int norders, const model *m, double *residual)
{
  wheel wh;
  double spare[2 * HALF_MAX], left_over[2 * HALF_MAX], sum = 0.0;
  size_t half = rec->half;

  wheel_fill(&wh, rec, cycles, norders);
  for (size_t b = 0; b < rec->nblocks; b++) {
    size_t begin = 2 * b * half, length = rec->n - begin < 2 * half ? rec->n - begin : 2 * half;
    bool direct = length == 2 * half && residual != NULL;
    double *middle = (direct ? residual + begin : left_over) + half;
    cis first = turn(cycles, block_middle(rec, b)), anchor = first;
    mt_four c[MT_ORDERS_MAX], s[MT_ORDERS_MAX];
    double block_sum;
    for (int k = 0; k < norders; k++) {
      /* a cos + b sin of the angle at the middle plus that within the block */
      double even = m->even[k + 1] * anchor.re + m->odd[k + 1] * anchor.im;
      double odd = m->odd[k + 1] * anchor.re - m->even[k + 1] * anchor.im;
      c[k] = (mt_four){even, even, even, even};
      s[k] = (mt_four){odd, odd, odd, odd};
      anchor = cis_times(anchor, first);
    }
    block_sum =
        subtract_block(&wh, block_samples(rec, b, spare) + half, rec->mean + m->even[0], c, s, middle);
    if (length < 2 * half) {
      block_sum = 0.0;
      for (size_t i = 0; i < length; i++)
        block_sum += left_over[i] * left_over[i];
      if (residual != NULL)
        memcpy(residual + begin, left_over, length * sizeof *residual);
    }
    sum += block_sum;
  }
  return sum;
}

static void report(const record *rec, double cycles, int norders, const model *m, double *residual,
                   mt_sine_fit *out)
{
  double left_over = subtract(rec, cycles, norders, m, residual);

  *out = (mt_sine_fit){.freq_hz = cycles * rec->rate_hz,
                       .dc = rec->mean + m->even[0],
                       .rms_residual = sqrt(left_over / (double)rec->n),
                       .norders = norders,
                       .converged = true};
  for (int k = 1; k <= norders; k++) {
    out->harmonic_amplitude[k] = hypot(m->even[k], m->odd[k]);
    out->harmonic_phase_rad[k] = atan2(-m->odd[k], m->even[k]);
  }
  out->amplitude = out->harmonic_amplitude[1];
  out->phase_rad = out->harmonic_phase_rad[1];
}

/**
 * Is it a tone at all? A record too short for is_line() is judged by the share of power the tone explains.
 *
 * Of white noise, two regressors explain more than a share r with probability (1 - r)^((n - 3) / 2)
 * (the beta distribution of R squared); about n / 2 frequencies are tried.
 */
static mt_code tone_check(const mt_sine_fit *fit, const record *rec, mt_error *err)
{
  double tone = 0.5 * fit->amplitude * fit->amplitude, rest = fit->rms_residual * fit->rms_residual;
  double n = (double)rec->n;

  if (!(fit->amplitude > AMPLITUDE_LEAST))
    return mt_fail(err, MT_E_DATA, "no tone: the strongest line has an amplitude of %.3g of full scale",
                   fit->amplitude);
  if (rec->nblocks < BLOCKS_MANY && rest > (tone + rest) * pow(2.0 * FALSE_TONE / n, 2.0 / (n - 3.0)))
    return mt_fail(err, MT_E_DATA, "no tone: the best sine explains %.0f %% of %zu samples, as noise might",
                   100.0 * tone / (tone + rest), rec->n);
  return MT_OK;
}

mt_code mt_fit_sine(const double *x, size_t n, double rate_hz, double guess_hz, int norders, mt_sine_fit *out,
                    double *residual, mt_error *err)
{
  record rec;
  model m;
  mt_sine_fit fit;
  double cycles;
  unsigned iterations = 0;
  int within = 1;
  mt_code code;

  if (out == NULL || norders < 1 || norders > MT_ORDERS_MAX)
    return mt_fail(err, MT_E_ARG, "a fit of %d orders; expected 1 to %d", norders, MT_ORDERS_MAX);
  code = record_open(&rec, x, n, rate_hz, err);
  if (code != MT_OK)
    return code;
  if (!(guess_hz >= 0.0 && guess_hz < 0.5 * rate_hz))
    return mt_fail(err, MT_E_ARG, "a start frequency of %g Hz; expected 0 (search) to %g Hz", guess_hz,
                   0.5 * rate_hz);
  cycles = guess_hz / rate_hz;
  code = locate(&rec, &cycles, err);
  if (code != MT_OK)
    return code;
  while (within < norders && (within + 1) * cycles <= 0.5 - 2.0 / (double)n)
    within++;
  if (!refine(&rec, &cycles, within, &m, &iterations))
    return mt_fail(err, MT_E_DATA, "the fit does not settle near %.6g Hz: no steady tone", cycles * rate_hz);
  report(&rec, cycles, within, &m, residual, &fit);
  fit.iterations = iterations;
  code = tone_check(&fit, &rec, err);
  if (code == MT_OK)
    *out = fit;
  return code;
}

mt_code mt_fit_known(const double *x, size_t n, double rate_hz, double freq_hz, mt_sine_fit *out,
                     double *residual, mt_error *err)
{
  record rec;
  model m;
  sums in;
  mt_code code;

  if (out == NULL)
    return mt_fail(err, MT_E_ARG, "no place for the result of a fit");
  code = record_open(&rec, x, n, rate_hz, err);
  if (code != MT_OK)
    return code;
  if (!isfinite(freq_hz) || at_edge(freq_hz / rate_hz, n))
    return mt_fail(err, MT_E_ARG, "a frequency of %g Hz over %zu samples; expected %g to %g Hz", freq_hz, n,
                   EDGE_BINS * rate_hz / (double)n, 0.5 * rate_hz - EDGE_BINS * rate_hz / (double)n);
  project(&rec, freq_hz / rate_hz, 1, &in);
  if (!solve(&in, n, freq_hz / rate_hz, 1, &m, NULL))
    return mt_fail(err, MT_E_DATA, "a tone of %g Hz cannot be told from DC in %zu samples", freq_hz, n);
  report(&rec, freq_hz / rate_hz, 1, &m, residual, out);
  out->freq_hz = freq_hz;
  return MT_OK;
}
