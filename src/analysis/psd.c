#include "analysis/psd.h"

#include "analysis/weighting.h"
#include "analysis/window.h"
#include "base/order.h"
#include "base/wide.h"
#include "signal/transform.h"

#include <assert.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define SAMPLES_MIN 16
/* Far above full scale (1.0), far below what a float square overflows at */
#define SAMPLE_MAX 1e9
/* 20 Hz is well resolved when the main lobe of the window there ends half-way to DC */
#define LOBE_HZ 10.0

/* How a record is cut: `count` segments, evenly spread so that every sample is used. */
typedef struct layout {
  size_t nfft;
  size_t count;
  double hop; /* mean distance of segments, frames */
} layout;

/* The longest fast transform that fits: even, no factor but 2, 3 and 5. */
static size_t length_within(size_t n)
{
  size_t best = 2;

  for (size_t fives = 2; fives <= n; fives *= 5)
    for (size_t threes = fives; threes <= n; threes *= 3) {
      size_t length = threes;
      while (length <= n / 2)
        length *= 2;
      if (length > best)
        best = length;
    }
  return best;
}

static layout lay_out(size_t n, double rate_hz, mt_window window, size_t nfft)
{
  size_t nterms, hop_max;
  layout plan;

  (void)mt_window_terms(window, &nterms);
  if (nfft == 0) {
    double wanted = (double)nterms * rate_hz / LOBE_HZ;
    nfft = wanted < (double)n ? (size_t)ceil(wanted) : n;
  }
  plan.nfft = nfft < n ? mt_transform_length(nfft) : n;
  if (plan.nfft >= n)
    plan.nfft = length_within(n);
  if (window == MT_WINDOW_RECTANGULAR)
    hop_max = plan.nfft;
  else
    hop_max = window == MT_WINDOW_BLACKMAN_HARRIS_7 ? plan.nfft / 4 : plan.nfft / 2;
  if (hop_max == 0)
    hop_max = 1;
  plan.count = 1 + (n - plan.nfft + hop_max - 1) / hop_max;
  plan.hop = plan.count > 1 ? (double)(n - plan.nfft) / (double)(plan.count - 1) : (double)plan.nfft;
  return plan;
}

/* Variance of the mean of `count` equally spaced periodograms of white noise, inverted (Welch 1967). */
static double equivalent_averages(const layout *plan, mt_window window)
{
  double variance = 1.0, count = (double)plan->count;

  for (size_t j = 1; j < plan->count && (double)j * plan->hop < (double)plan->nfft; j++) {
    double overlap = mt_window_overlap(window, (double)j * plan->hop / (double)plan->nfft);
    variance += 2.0 * (1.0 - (double)j / count) * overlap * overlap;
  }
  return count / variance;
}

static mt_code record_mean(const double *x, size_t n, double *mean, mt_error *err)
{
  double sum = 0.0;

  if (!mt_wide_sum(x, n, SAMPLE_MAX, &sum))
    for (size_t i = 0; i < n; i++)
      if (!(fabs(x[i]) <= SAMPLE_MAX))
        return mt_fail(err, MT_E_DATA, "sample %zu is %g; expected audio, full scale +-1.0", i, x[i]);
  *mean = sum / (double)n;
  return MT_OK;
}

MT_WIDE static void weigh(const double *x, double mean, const double *w, size_t n, float *out)
{
  for (size_t i = 0; i < n; i++)
    out[i] = (float)((x[i] - mean) * w[i]);
}

MT_WIDE static void add_powers(const mt_bin *bins, size_t n, double *sums)
{
  for (size_t k = 0; k < n; k++)
    sums[k] += (double)bins[k].re * (double)bins[k].re + (double)bins[k].im * (double)bins[k].im;
}

void mt_psd_tools_finish(mt_psd_tools *tools)
{
  mt_transform_destroy(&tools->transform);
  free(tools->bins);
  free(tools->in);
  free(tools->w);
  memset(tools, 0, sizeof *tools);
}

static mt_code prepare(mt_psd_tools *tools, size_t nfft, mt_window window, mt_error *err)
{
  mt_code code;

  if (tools->nfft == nfft && tools->window == window)
    return MT_OK;
  mt_psd_tools_finish(tools);
  tools->w = malloc(nfft * sizeof *tools->w);
  tools->in = malloc(nfft * sizeof *tools->in);
  tools->bins = malloc((nfft / 2 + 1) * sizeof *tools->bins);
  code = mt_transform_create(nfft, &tools->transform, err);
  if (code == MT_OK && (tools->w == NULL || tools->in == NULL || tools->bins == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a spectrum of %zu points", nfft);
  if (code != MT_OK) {
    mt_psd_tools_finish(tools);
    return code;
  }
  mt_window_fill(window, nfft, tools->w);
  tools->nfft = nfft;
  tools->window = window;
  return MT_OK;
}

static double averages_of(mt_psd_tools *tools, const layout *plan)
{
  bool known = tools->count == plan->count && !(tools->hop < plan->hop) && !(tools->hop > plan->hop);

  if (!known) {
    tools->averages = equivalent_averages(plan, tools->window);
    tools->count = plan->count;
    tools->hop = plan->hop;
  }
  return tools->averages;
}

mt_code mt_psd_estimate(const double *x, size_t n, double rate_hz, mt_window window, size_t nfft, mt_psd *out,
                        mt_error *err)
{
  mt_psd_tools tools = {0};
  mt_code code = mt_psd_estimate_with(&tools, x, n, rate_hz, window, nfft, out, err);

  mt_psd_tools_finish(&tools);
  return code;
}

mt_code mt_psd_begin(mt_psd_run *run, mt_psd_tools *tools, size_t n, double rate_hz, double mean,
                     mt_window window, size_t nfft, mt_error *err)
{
  layout plan;
  mt_code code;

  if ((unsigned)window >= MT_WINDOW_LAST)
    return mt_fail(err, MT_E_ARG, "window %d; expected 0 to %d", (int)window, MT_WINDOW_LAST - 1);
  if (!(isfinite(rate_hz) && rate_hz > 0.0))
    return mt_fail(err, MT_E_ARG, "rate %g Hz; expected a positive number", rate_hz);
  if (n < SAMPLES_MIN)
    return mt_fail(err, MT_E_DATA, "%zu samples are too few for a spectrum; expected at least %d", n,
                   SAMPLES_MIN);
  plan = lay_out(n, rate_hz, window, nfft);
  code = prepare(tools, plan.nfft, window, err);
  if (code != MT_OK)
    return code;
  *run = (mt_psd_run){.tools = tools,
                      .n = n,
                      .rate_hz = rate_hz,
                      .mean = mean,
                      .nfft = plan.nfft,
                      .count = plan.count,
                      .hop = plan.hop,
                      .density = calloc(plan.nfft / 2 + 1, sizeof *run->density)};
  if (run->density == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a spectrum of %zu points", plan.nfft);
  return MT_OK;
}

mt_code mt_psd_advance(mt_psd_run *run, mt_samples *samples, size_t upto, mt_error *err)
{
  mt_psd_tools *tools = run->tools;

  for (; run->next < run->count; run->next++) {
    size_t start =
        run->count > 1 ? (size_t)((uint64_t)run->next * (run->n - run->nfft) / (run->count - 1)) : 0;
    const double *x;
    mt_code code;
    if (start + run->nfft > upto)
      break;
    code = mt_samples_look(samples, start, run->nfft, &x, err);
    if (code != MT_OK)
      return code;
    weigh(x, run->mean, tools->w, run->nfft, tools->in);
    mt_transform_forward(tools->transform, tools->in, tools->bins);
    add_powers(tools->bins, run->nfft / 2 + 1, run->density);
  }
  return MT_OK;
}

void mt_psd_conclude(mt_psd_run *run, mt_psd *out)
{
  const layout plan = {run->nfft, run->count, run->hop};
  mt_window window = run->tools->window;
  /* 2: a full-scale sine has power 1; 2: one side stands for both */
  double gain = mt_window_gain(window);
  double scale = 4.0 / (run->rate_hz * (double)run->nfft * gain * gain * mt_window_enbw_bins(window));

  assert(run->next == run->count);
  for (size_t k = 0; k <= run->nfft / 2; k++)
    run->density[k] *= scale / (double)run->count;
  *out = (mt_psd){.density = run->density,
                  .nbins = run->nfft / 2 + 1,
                  .bin_hz = run->rate_hz / (double)run->nfft,
                  .rate_hz = run->rate_hz,
                  .window = window,
                  .averages = averages_of(run->tools, &plan)};
  run->density = NULL;
}

void mt_psd_cancel(mt_psd_run *run)
{
  free(run->density);
  run->density = NULL;
}

mt_code mt_psd_estimate_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, mt_window window,
                             size_t nfft, mt_psd *out, mt_error *err)
{
  mt_samples samples = mt_samples_of_array(x, n);
  mt_psd_run run = {0};
  double mean = 0.0;
  mt_code code =
      n >= SAMPLES_MIN ? record_mean(x, n, &mean, err) : MT_OK; /* too few: mt_psd_begin() says so */

  if (code == MT_OK)
    code = mt_psd_begin(&run, tools, n, rate_hz, mean, window, nfft, err);
  if (code == MT_OK)
    code = mt_psd_advance(&run, &samples, n, err);
  if (code == MT_OK)
    mt_psd_conclude(&run, out);
  mt_psd_cancel(&run);
  return code;
}

void mt_psd_finish(mt_psd *psd)
{
  if (psd == NULL)
    return;
  free(psd->density);
  memset(psd, 0, sizeof *psd);
}

/* ---- bands ------------------------------------------------------------------------------------ */

/* bins of one transform are correlated up to here: twice the last term of the longest window */
#define REACH (2 * (MT_WINDOW_TERMS_MAX - 1))
/* the curvature correction looks at this many bins on either side */
#define SIDE 2
/* bins on either side of a line's lobe that tell the noise beneath it */
#define BESIDE 8

/*
 * The window smears a line over its neighbours, so a curved weight summed over them is too great or too
 * small. The weights that make the sum right for any line are those whose smearing is the weight itself;
 * to fourth order, 1 - m2/2 D + (m2/24 + m2^2/4 - m4/24) D^2 of it, with D the second difference and m2,
 * m4 the moments of the window's lobe.
 */
typedef struct curvature {
  double first;
  double second;
} curvature;

static curvature curvature_of(mt_window window)
{
  double m2, m4;

  mt_window_moments(window, &m2, &m4);
  return (curvature){.first = -0.5 * m2, .second = m2 / 24.0 + 0.25 * m2 * m2 - m4 / 24.0};
}

static double corrected(const curvature *c, const double *g)
{
  double here = g[SIDE];
  double near = g[SIDE - 1] + g[SIDE + 1];
  double far = g[SIDE - 2] + g[SIDE + 2];

  return here + c->first * (near - 2.0 * here) + c->second * (far - 4.0 * near + 6.0 * here);
}

/* What the spread of a sum over bins is made of. Both falls off with the distance of two bins. */
typedef struct spread {
  size_t reach;
  double noise[REACH + 1]; /* relative variance of a density, and covariance with the one so far away */
  double line[REACH + 1];  /* the same of noise on a line, re line x noise */
} spread;

static spread spread_of(const mt_psd *psd)
{
  double hop = psd->window == MT_WINDOW_BLACKMAN_HARRIS_7 ? 0.25 : 0.5;
  double overlap = psd->window == MT_WINDOW_RECTANGULAR ? 0.0 : mt_window_overlap(psd->window, hop);
  /* segments that overlap share more of a line's noise than of noise: Welch's sum without the square */
  double line_averages = psd->averages * (1.0 + 2.0 * overlap * overlap) / (1.0 + 2.0 * overlap);
  size_t nterms;
  spread out;

  (void)mt_window_terms(psd->window, &nterms);
  out.reach = 2 * (nterms - 1);
  for (size_t d = 0; d <= out.reach; d++) {
    double amplitude = fabs(mt_window_bin_correlation(psd->window, (unsigned)d));
    /* a product of two estimates is itself too great by their correlation */
    double relative = amplitude * amplitude / psd->averages;
    double both_sides = d == 0 ? 1.0 : 2.0;
    out.noise[d] = both_sides * relative / (1.0 + relative);
    out.line[d] = both_sides * 2.0 * amplitude / line_averages;
  }
  return out;
}

/* Median of what lies just beyond a line's lobe on both sides. */
static double noise_beside(const mt_psd *psd, size_t at, size_t lobe)
{
  double sorted[2 * BESIDE], shape;
  size_t count = 0;

  for (size_t i = lobe + 1; i <= lobe + BESIDE; i++) {
    if (at >= i)
      sorted[count++] = psd->density[at - i];
    if (at + i < psd->nbins)
      sorted[count++] = psd->density[at + i];
  }
  mt_order_sort(sorted, count);
  /* median of a mean of so many exponentials, re its mean (Wilson and Hilferty 1931) */
  shape = 1.0 - 1.0 / (9.0 * fmax(1.0, psd->averages));
  return count > 0 ? 0.5 * (sorted[(count - 1) / 2] + sorted[count / 2]) / (shape * shape * shape) : 0.0;
}

/* The peaks that are lines, of the bins about the one looked at. */
typedef struct tops {
  size_t lobe;
  double least; /* a line stands so far above the noise beside it */
  uint32_t
      line; /* a bit for each of the last 2 lobe + 1 bins, that of the newest the lowest: is it a line? */
} tops;

_Static_assert(REACH + 3 <= 32,
               "the bins within a lobe of one, for the longest window, must have a bit each");

/* A peak that noise of so many averages does not reach once in 10^7 (Gamma distribution after Wilson and Hilferty). */
static bool is_line(const mt_psd *psd, const tops *t, size_t i)
{
  const double *d = psd->density;
  size_t below = i > t->lobe ? i - t->lobe - 1 : 0;
  size_t above = i + t->lobe + 1 < psd->nbins ? i + t->lobe + 1 : i;

  if (i < 1 || i + 1 >= psd->nbins || d[i] < d[i - 1] || d[i] < d[i + 1])
    return false;
  /* cheap, and right nearly always: a line stands far above either side of its lobe */
  if (d[i] < t->least * d[below] && d[i] < t->least * d[above])
    return false;
  return d[i] >= t->least * noise_beside(psd, i, t->lobe);
}

static void tops_add(tops *t, const mt_psd *psd, size_t i)
{
  t->line = (t->line << 1 | is_line(psd, t, i)) & ((UINT32_C(1) << (2 * t->lobe + 1)) - 1);
}

/* All a lobe behind and ahead of bin k, but the one ahead, which comes with the step to k. */
static tops tops_before(const mt_psd *psd, size_t k, size_t lobe)
{
  double root = 1.0 - 1.0 / (9.0 * psd->averages) + 5.3 / (3.0 * sqrt(psd->averages));
  tops t = {.lobe = lobe, .least = root * root * root};

  for (size_t i = k > lobe ? k - lobe : 1; i < k + lobe; i++)
    tops_add(&t, psd, i);
  return t;
}

/* The highest line within a lobe of bin k, if there is any. */
static size_t highest_top(const tops *t, const mt_psd *psd, size_t k)
{
  size_t top = SIZE_MAX;

  for (size_t back = 2 * t->lobe + 1; back-- > 0;) {
    size_t i = k + t->lobe - back;
    if ((t->line >> back & 1) != 0 && (top == SIZE_MAX || psd->density[i] >= psd->density[top]))
      top = i;
  }
  return top == SIZE_MAX ? k : top;
}

double mt_psd_uncertainty_db(double relative_error)
{
  double square = relative_error * relative_error;
  return 2.0 * 10.0 / log(10.0) * relative_error * (1.0 + 0.42 * square + 0.225 * square * square);
}

size_t mt_psd_part(const mt_psd *psd, double *beneath, mt_psd_line *lines, size_t most)
{
  const size_t lobe = spread_of(psd).reach / 2 + 1;
  tops t = tops_before(psd, 0, lobe);
  size_t count = 0;

  memcpy(beneath, psd->density, psd->nbins * sizeof *beneath);
  for (size_t i = lobe; i + lobe < psd->nbins && count < most; i++) {
    double floor_density, sum = 0.0, moment = 0.0;
    if (!is_line(psd, &t, i))
      continue;
    floor_density = noise_beside(psd, i, lobe);
    for (size_t k = i - lobe; k <= i + lobe; k++) {
      double above = fmax(0.0, psd->density[k] - floor_density);
      sum += above;
      moment += above * (double)k;
      beneath[k] = floor_density;
    }
    lines[count++] = (mt_psd_line){moment / sum * psd->bin_hz, sum * psd->bin_hz};
  }
  return count;
}

/* Bins taken at once, and before them those that noise is correlated with. */
#define CHUNK 256

typedef struct chunk {
  double noise[REACH + CHUNK]; /* of a density, the part that is noise, times weight and width */
  double line[REACH + CHUNK];  /* the root of line x noise, likewise */
  bool has_line;               /* any of them is not 0 */
} chunk;

/* What a sum over bins is made of. */
typedef struct band {
  const mt_psd *psd;
  double low, high;
  size_t first, last, lobe;
  mt_weighting weighting;
  double g[2 * SIDE + 1]; /* of the last bin weighted and its neighbours */
  curvature bend;
  spread share;
  tops lines;
  double power, variance;
} band;

static double width_of(const band *b, size_t k)
{
  double bin_hz = b->psd->bin_hz;

  return fmax(0.0, fmin(b->high, ((double)k + 0.5) * bin_hz) - fmax(b->low, ((double)k - 0.5) * bin_hz));
}

/* Weights times widths of the next bins; only the first and the last of all are not as wide as the rest. */
static void next_weights(band *b, size_t begin, size_t count, double *weights)
{
  const double bin_hz = b->psd->bin_hz;

  for (size_t i = 0; i < count; i++)
    weights[i] = bin_hz;
  if (begin == b->first)
    weights[0] = width_of(b, b->first);
  if (begin + count == b->last + 1)
    weights[count - 1] = width_of(b, b->last);
  for (size_t i = 0; i < count && b->weighting != MT_WEIGHT_NONE; i++) {
    memmove(b->g, b->g + 1, 2 * SIDE * sizeof *b->g);
    b->g[2 * SIDE] = mt_weighting_power(b->weighting, (double)(begin + i + SIDE) * bin_hz);
    weights[i] *= corrected(&b->bend, b->g);
  }
}

/* All of a density is noise, but in the lobe of a line (hum): there it is what lies beside that. */
static void fill_chunk(band *b, size_t begin, size_t count, chunk *c)
{
  const mt_psd psd = *b->psd;
  double weights[CHUNK], power = b->power;
  tops lines = b->lines;

  next_weights(b, begin, count, weights);
  for (size_t i = 0; i < count; i++) {
    double whole = psd.density[begin + i], noise = whole;
    tops_add(&lines, &psd, begin + i + lines.lobe);
    c->line[REACH + i] = 0.0;
    if (lines.line != 0)
      noise = fmin(whole, noise_beside(&psd, highest_top(&lines, &psd, begin + i), lines.lobe));
    if (noise < whole) {
      c->line[REACH + i] = sqrt((whole - noise) * noise) * weights[i];
      c->has_line = true;
    }
    c->noise[REACH + i] = noise * weights[i];
    power += whole * weights[i];
  }
  b->lines = lines;
  b->power = power;
}

/* Sum over d = 0 ... reach and x[0 ... count - 1] of share[d] x[i] x[i - d]. */
MT_WIDE static double lagged_sum(const double *x, size_t count, const double *share, size_t reach)
{
  double total = 0.0;

  for (size_t d = 0; d <= reach; d++) {
    mt_four sum = {0.0};
    size_t i = 0;
    for (; i + 4 <= count; i += 4)
      sum += *(const mt_four_at *)(x + i) * *(const mt_four_at *)(x + i - d);
    for (; i < count; i++)
      sum[0] += x[i] * x[i - d];
    total += share[d] * mt_four_sum(&sum);
  }
  return total;
}

static void add_chunk(band *b, size_t count, chunk *c)
{
  b->variance += lagged_sum(c->noise + REACH, count, b->share.noise, b->share.reach);
  if (c->has_line)
    b->variance += lagged_sum(c->line + REACH, count, b->share.line, b->share.reach);
  memmove(c->noise, c->noise + count, REACH * sizeof *c->noise);
  memmove(c->line, c->line + count, REACH * sizeof *c->line);
}

mt_band_power mt_psd_band(const mt_psd *psd, double from_hz, double to_hz, mt_weighting weighting)
{
  band b = {.psd = psd,
            .low = fmax(from_hz, 0.0),
            .high = fmin(to_hz, 0.5 * psd->rate_hz),
            .weighting = weighting,
            .bend = curvature_of(psd->window)};
  chunk c;

  if (!(from_hz < to_hz && b.low < b.high && psd->averages > 0.0))
    return (mt_band_power){.power = 0.0, .standard_error = HUGE_VAL};
  b.share = spread_of(psd);
  b.lobe = b.share.reach / 2 + 1;
  b.first = (size_t)floor(b.low / psd->bin_hz + 0.5);
  b.last = (size_t)floor(b.high / psd->bin_hz + 0.5);
  if (b.last >= psd->nbins)
    b.last = psd->nbins - 1;
  b.lines = tops_before(psd, b.first, b.lobe);
  for (int i = 1; i <= 2 * SIDE; i++)
    b.g[i] = mt_weighting_power(weighting, ((double)b.first + i - 1 - SIDE) * psd->bin_hz);
  memset(&c, 0, sizeof c);
  for (size_t begin = b.first; begin <= b.last; begin += CHUNK) {
    size_t count = b.last + 1 - begin < CHUNK ? b.last + 1 - begin : CHUNK;
    fill_chunk(&b, begin, count, &c);
    add_chunk(&b, count, &c);
  }
  return (mt_band_power){.power = fmax(b.power, 0.0), .standard_error = sqrt(fmax(b.variance, 0.0))};
}
