#include "analysis/lines.h"

#include "analysis/psd.h"
#include "analysis/window.h"
#include "base/decibel.h"
#include "base/wide.h"
#include "signal/transform.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SHORTEST_S 0.95
#define SECTION_S 2.0
#define WINDOW MT_WINDOW_BLACKMAN_HARRIS_7
/* lobe of the window, bins to either side */
#define LOBE_BINS 7
/* bins of a lobe that are fitted, to either side of the nearest: all that is above -40 dB of the line */
#define FIT_BINS 3
#define NFIT (2 * FIT_BINS + 1)
/* bins over which a line must be no wider than a line */
#define WIDE_BINS 4
/* the band that is kept: ten orders of 60 Hz + 1 %, a lobe, and room between orders for the noise */
#define BAND_HZ 650.0
#define THINNED_HZ 3000.0
/* how far the mains may be off; the search goes a little further, so that a line outside shows itself */
#define TOLERANCE 0.01
#define SEARCH 0.012
#define SAMPLE_MAX 1e9
/* rounding of a float transform, per bin, re its greatest: -160 dB */
#define FLOAT_FLOOR 1e-16
/* what the low-pass's ripple may put on a line's power, one sigma: 0.00004 dB */
#define RIPPLE 1e-5
/* Bins of this window have so much in common that their median spreads like that of so many times fewer that have
   nothing (simulated, 1 to 2 s: 2.4 to 2.7; their mean 3.67). */
#define MEDIAN_SHARES 2.6
/* mean square of the bins re what noise explains, above which they are no lobe */
#define MISFIT 8.0
/* one-sided 95 % of a normal distribution */
#define Z95 1.645

static const double mains[] = {50.0, 60.0};
#define NMAINS (sizeof mains / sizeof *mains)

/* Mean periodogram of the sections of a thinned record, up to just beyond BAND_HZ. */
typedef struct spectrum {
  double *density;
  size_t nbins;
  double bin_hz;
  double power_averages;    /* equivalent independent sections, for noise on noise */
  double line_averages;     /* and for noise on a line */
  double floor;             /* density the float transform adds by itself; 0 only if all is 0 */
  double correlation[NFIT]; /* of two bins so far apart */
} spectrum;

/* One order at one trial frequency. Densities: of a line, at its peak. */
typedef struct order_fit {
  double line;     /* density of the line's peak, less noise */
  double noise;    /* density around it */
  double variance; /* of `line` */
  double nfree;    /* independent values the noise is known from */
  double peak_hz;  /* highest point near by */
  bool present;    /* stands out, as narrow as a line, and where it must be */
  bool foreign;    /* something stands out, but not a line where it must be */
} order_fit;

/* The orders of one mains at its best fundamental. */
typedef struct candidate {
  double nominal_hz;
  double freq_hz;
  double score;
  bool hum;
  order_fit orders[MT_ORDERS_MAX + 1];
} candidate;

/* ---- from samples to a density ----------------------------------------------------------------- */

struct mt_hum_run {
  size_t n;
  double rate_hz;
  size_t step; /* every step-th frame is kept */
  double thinned_hz;
  size_t ntaps;
  double *taps;
  size_t nthinned; /* frames the whole record is thinned to */
  double *thinned; /* [2 length]: from `kept` on */
  size_t kept;     /* first of them */
  size_t at;       /* the next to be made */
  size_t length;   /* of a section */
  size_t count;    /* sections */
  double hop;      /* from one to the next */
  size_t next;     /* the first that has not been seen */
  mt_psd_tools tools;
  spectrum spectrum;
};

static mt_code refuse_length(size_t n, double rate_hz, mt_error *err)
{
  if (!(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_ARG, "rate %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ, MT_RATE_MAX_HZ);
  if ((double)n < SHORTEST_S * rate_hz)
    return mt_fail(err, MT_E_DATA, "%.3g s of idle noise; hum needs at least %g s", (double)n / rate_hz,
                   SHORTEST_S);
  return MT_OK;
}

static mt_code refuse_bad(const double *x, size_t n, mt_error *err)
{
  for (size_t i = 0; i < n; i++)
    if (!(fabs(x[i]) <= SAMPLE_MAX))
      return mt_fail(err, MT_E_DATA, "sample %zu is %g; expected audio, full scale +-1.0", i, x[i]);
  return MT_OK;
}

/*
 * A low-pass before every step-th frame is kept. A windowed sinc, flat below BAND_HZ; what would fold into that
 * band lies a lobe of the 4-term window beyond the cut-off, down by more than 90 dB.
 */
static void fill_taps(size_t step, double *taps, size_t ntaps)
{
  const double cutoff = 1.0 / (double)step; /* half the thinned rate, of half the rate */
  double sum = 0.0;

  mt_window_fill(MT_WINDOW_BLACKMAN_HARRIS_4, ntaps + 1, taps);
  /* the periodic window begins with its one edge value; without it, it is symmetric */
  memmove(taps, taps + 1, ntaps * sizeof *taps);
  for (size_t j = 0; j < ntaps; j++) {
    double t = MT_PI * cutoff * ((double)j - 0.5 * (double)(ntaps - 1));
    taps[j] *= fabs(t) < 1e-9 ? 1.0 : sin(t) / t;
    sum += taps[j];
  }
  for (size_t j = 0; j < ntaps; j++)
    taps[j] /= sum;
}

/* Every `step` frames the sum of the taps times the frames from there on. */
MT_WIDE static void thin_out(const double *taps, size_t ntaps, const double *x, size_t step, size_t count,
                             double *out)
{
  for (size_t i = 0; i < count; i++, x += step) {
    mt_four sums = {0.0};
    size_t j = 0;
    for (; j + 4 <= ntaps; j += 4)
      sums += *(const mt_four_at *)(taps + j) * *(const mt_four_at *)(x + j);
    for (; j < ntaps; j++)
      sums[0] += taps[j] * x[j];
    out[i] = mt_four_sum(&sums);
  }
}

static size_t section_begin(const mt_hum_run *run, size_t section)
{
  return (size_t)((double)section * run->hop);
}

/* Thin on, up to an end. */
static mt_code thin(mt_hum_run *run, mt_samples *samples, size_t to, mt_error *err)
{
  size_t count = to - run->at;
  const double *x;
  mt_code code;

  if (to <= run->at)
    return MT_OK;
  code = mt_samples_look(samples, run->at * run->step, (count - 1) * run->step + run->ntaps, &x, err);
  if (code != MT_OK)
    return code;
  thin_out(run->taps, run->ntaps, x, run->step, count, run->thinned + (run->at - run->kept));
  run->at = to;
  return MT_OK;
}

/* Forget what no section to come needs. */
static void drop(mt_hum_run *run)
{
  size_t begin = section_begin(run, run->next);

  if (begin <= run->kept || begin > run->at)
    return;
  memmove(run->thinned, run->thinned + (begin - run->kept), (run->at - begin) * sizeof *run->thinned);
  run->kept = begin;
}

static mt_code add_section(mt_hum_run *run, mt_error *err)
{
  const double *y = run->thinned + (section_begin(run, run->next) - run->kept);
  spectrum *s = &run->spectrum;
  mt_psd psd;
  mt_code code =
      mt_psd_estimate_with(&run->tools, y, run->length, run->thinned_hz, WINDOW, run->length, &psd, err);

  if (code != MT_OK)
    return code;
  if (s->density == NULL) {
    s->bin_hz = psd.bin_hz;
    s->nbins = (size_t)(BAND_HZ / psd.bin_hz) + 2;
    s->density = calloc(s->nbins, sizeof *s->density);
  }
  if (s->density == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a spectrum");
  for (size_t k = 0; k < s->nbins && code == MT_OK; k++)
    s->density[k] += psd.density[k] / (double)run->count;
  mt_psd_finish(&psd);
  run->next++;
  return code;
}

mt_code mt_hum_begin(size_t n, double rate_hz, mt_hum_run **out, mt_error *err)
{
  mt_hum_run *run;
  size_t longest;
  mt_code code = refuse_length(n, rate_hz, err);

  if (code != MT_OK)
    return code;
  run = calloc(1, sizeof *run);
  if (run == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to look for hum");
  run->n = n;
  run->rate_hz = rate_hz;
  run->step = (size_t)(rate_hz / THINNED_HZ);
  run->thinned_hz = rate_hz / (double)run->step;
  /* the window's two lobes of four bins, between the band and what folds into it */
  run->ntaps = (size_t)ceil(8.0 * rate_hz / (run->thinned_hz - 2.0 * BAND_HZ)) | 1U;
  run->nthinned = (n - run->ntaps) / run->step + 1;
  longest = mt_transform_length((size_t)(SECTION_S * run->thinned_hz));
  run->length = run->nthinned < longest ? run->nthinned : longest;
  run->count = 1 + (run->nthinned - run->length + run->length / 2 - 1) / (run->length / 2);
  run->hop = run->count > 1 ? (double)(run->nthinned - run->length) / (double)(run->count - 1) : 0.0;
  run->taps = malloc((run->ntaps + 1) * sizeof *run->taps);
  run->thinned = malloc(2 * run->length * sizeof *run->thinned);
  if (run->taps == NULL || run->thinned == NULL) {
    mt_hum_destroy(&run);
    return mt_fail(err, MT_E_MEMORY, "out of memory to look for hum");
  }
  fill_taps(run->step, run->taps, run->ntaps);
  *out = run;
  return MT_OK;
}

mt_code mt_hum_advance(mt_hum_run *run, mt_samples *samples, size_t upto, mt_error *err)
{
  size_t end = upto < run->ntaps ? 0 : (upto - run->ntaps) / run->step + 1; /* what can be thinned */
  mt_code code = MT_OK;

  end = end < run->nthinned ? end : run->nthinned;
  while (code == MT_OK && run->next < run->count) {
    size_t wanted = section_begin(run, run->next) + run->length;
    code = thin(run, samples, wanted < end ? wanted : end, err);
    if (code != MT_OK || run->at < wanted)
      break;
    code = add_section(run, err);
    drop(run);
  }
  return code;
}

/* Independent sections, as they overlap. */
static void count_averages(mt_hum_run *run)
{
  double power = 1.0, line = 1.0, count = (double)run->count;
  spectrum *s = &run->spectrum;

  for (size_t j = 1; j < run->count; j++) {
    double overlap = mt_window_overlap(WINDOW, (double)j * run->hop / (double)run->length);
    if (overlap == 0.0)
      break;
    power += 2.0 * (1.0 - (double)j / count) * overlap * overlap;
    line += 2.0 * (1.0 - (double)j / count) * overlap;
  }
  for (size_t k = 0; k < s->nbins; k++)
    s->floor = fmax(s->floor, FLOAT_FLOOR * s->density[k]);
  for (unsigned i = 0; i < NFIT; i++)
    s->correlation[i] = mt_window_bin_correlation(WINDOW, i);
  s->power_averages = count / power;
  s->line_averages = count / line;
}

void mt_hum_destroy(mt_hum_run **run)
{
  if (run == NULL || *run == NULL)
    return;
  mt_psd_tools_finish(&(*run)->tools);
  free((*run)->spectrum.density);
  free((*run)->thinned);
  free((*run)->taps);
  free(*run);
  *run = NULL;
}

/* ---- one order --------------------------------------------------------------------------------- */

static int ascending(const void *a, const void *b)
{
  double left = *(const double *)a, right = *(const double *)b;

  return (left > right) - (left < right);
}

/*
 * Density of the noise around an order: the median, so that other lines do not count, of what lies beyond
 * the lobe wherever the order may be, half-way to the next order. `nfree`: independent values in it.
 */
static double noise_around(const spectrum *s, double nominal_hz, int order, double *nfree)
{
  double sorted[512]; /* a section is at most 2 s long: 2 x 30 Hz at 0.5 Hz are 120 */
  double middle_hz = nominal_hz * order;
  double inner_hz = (LOBE_BINS + 1) * s->bin_hz + TOLERANCE * middle_hz;
  double median, shape;
  size_t count = 0;

  for (size_t k = (size_t)((middle_hz - 0.5 * nominal_hz) / s->bin_hz); k < s->nbins; k++) {
    double distance_hz = fabs((double)k * s->bin_hz - middle_hz);
    if (distance_hz > inner_hz && distance_hz <= 0.5 * nominal_hz && count < sizeof sorted / sizeof *sorted)
      sorted[count++] = s->density[k];
  }
  qsort(sorted, count, sizeof *sorted, ascending);
  median = count % 2 == 1 ? sorted[count / 2] : 0.5 * (sorted[count / 2 - 1] + sorted[count / 2]);
  /* median of a Gamma distribution of that many averages, of its mean (Wilson and Hilferty) */
  shape = 1.0 - 1.0 / (9.0 * s->power_averages);
  *nfree = (double)count / MEDIAN_SHARES * s->power_averages;
  return fmax(median / (shape * shape * shape), s->floor);
}

/* Least squares of the window's lobe on the bins around freq_hz. */
static void fit_lobe(const spectrum *s, double freq_hz, order_fit *fit, double *shape)
{
  double position = freq_hz / s->bin_hz;
  size_t nearest = (size_t)lround(position);
  double squares = 0.0, projection = 0.0;

  for (int i = 0; i < NFIT; i++) {
    double bins = (double)nearest + i - FIT_BINS - position;
    double amplitude = mt_window_kernel(WINDOW, bins);
    double lobe = amplitude * amplitude;
    shape[i] = amplitude;
    squares += lobe * lobe;
    projection += lobe * (s->density[nearest + (size_t)i - FIT_BINS] - fit->noise);
  }
  fit->line = projection / squares;
}

/*
 * Variance of the fitted line: noise on noise, the noise not being known better, noise on the line, and
 * ripple. If the bins are not a lobe, something else is there, and adds to the line or takes from it: then
 * also what is left of them.
 */
static double fit_variance(const spectrum *s, double freq_hz, const order_fit *fit, const double *shape)
{
  size_t first = (size_t)lround(freq_hz / s->bin_hz) - FIT_BINS;
  double squares = 0.0, sum = 0.0, on_noise = 0.0, on_line = 0.0, rest = 0.0, misfit = 0.0, variance;

  for (int i = 0; i < NFIT; i++) {
    double lobe = shape[i] * shape[i], left = s->density[first + (size_t)i] - fit->noise - fit->line * lobe;
    double expected = fit->noise * fit->noise / s->power_averages +
                      2.0 * fit->noise * fmax(fit->line, 0.0) * lobe / s->line_averages +
                      RIPPLE * fit->line * RIPPLE * fit->line;
    squares += lobe * lobe;
    sum += lobe;
    rest += lobe * left * left;
    misfit += left * left / expected / NFIT;
  }
  for (int i = 0; i < NFIT; i++)
    for (int j = 0; j < NFIT; j++) {
      double correlation = s->correlation[abs(i - j)];
      double weights = shape[i] * shape[i] * shape[j] * shape[j] / (squares * squares);
      on_noise += weights * correlation * correlation;
      on_line += weights * correlation * shape[i] * shape[j];
    }
  /* a median of n values spreads as 2 / n of the mean squared, about */
  variance = fit->noise * fit->noise *
                 (on_noise / s->power_averages + 2.0 / fit->nfree * sum * sum / (squares * squares)) +
             2.0 * fit->noise * fmax(fit->line, 0.0) * on_line / s->line_averages +
             RIPPLE * fit->line * RIPPLE * fit->line;
  return misfit > MISFIT ? variance + rest / squares : variance;
}

/* ---- all orders -------------------------------------------------------------------------------- */

/* Top of the peak at a bin: a parabola through three logarithms. */
static double peak_at(const spectrum *s, size_t top)
{
  double left = log(fmax(s->density[top - 1], s->floor));
  double middle = log(fmax(s->density[top], s->floor));
  double right = log(fmax(s->density[top + 1], s->floor));

  if (!(2.0 * middle > left + right))
    return (double)top * s->bin_hz;
  return ((double)top + 0.5 * (right - left) / (2.0 * middle - left - right)) * s->bin_hz;
}

/* Top of the highest peak within a few bins. */
static double peak_near(const spectrum *s, double freq_hz)
{
  size_t nearest = (size_t)lround(freq_hz / s->bin_hz), top = nearest;

  for (size_t k = nearest - FIT_BINS - 1; k <= nearest + FIT_BINS + 1; k++)
    if (s->density[k] > s->density[top])
      top = k;
  return peak_at(s, top);
}

/* What exceeds the noise over the whole lobe is all the fitted line's; a hump or a neighbour has more. */
static bool is_narrow(const spectrum *s, double freq_hz, const order_fit *fit, double margin)
{
  size_t nearest = (size_t)lround(freq_hz / s->bin_hz);
  double excess = 0.0, lobe = 0.0;

  for (int i = -WIDE_BINS; i <= WIDE_BINS; i++) {
    double bins = (double)nearest + i - freq_hz / s->bin_hz;
    double amplitude = mt_window_kernel(WINDOW, bins);
    lobe += amplitude * amplitude;
    excess += s->density[nearest + (size_t)(i + WIDE_BINS) - WIDE_BINS] - fit->noise;
  }
  return excess <= 1.5 * fit->line * lobe + margin * fit->noise;
}

/*
 * How far above the noise a line must be. Noise of `averages` periodograms passes the first factor twice in
 * 10^6 (Gamma distribution after Wilson and Hilferty); some fifty places are looked at. The second is for
 * the noise being known from about fifteen independent bins only.
 */
static double threshold(double averages)
{
  double root = 1.0 - 1.0 / (9.0 * averages) + 4.6 / (3.0 * sqrt(averages));

  return (root * root * root - 1.0) * 1.7;
}

/*
 * Under the skirt of another line an order may be anything from nothing to twice what its two nearest bins
 * hold, as the two may add or cancel there: the middle of that, with the spread of an even distribution.
 */
static void set_hidden(const spectrum *s, double freq_hz, order_fit *fit)
{
  size_t below = (size_t)(freq_hz / s->bin_hz);
  double here = freq_hz / s->bin_hz - (double)below;
  double left = mt_window_kernel(WINDOW, here), right = mt_window_kernel(WINDOW, 1.0 - here);
  double held = (s->density[below] + s->density[below + 1]) / (left * left + right * right);

  fit->line = held;
  fit->variance = held * held / 3.0;
}

/* Judge every order at a fundamental that is known to `slack_bins` at order 1. */
static void examine_orders(const spectrum *s, double slack_bins, candidate *c)
{
  double least = threshold(s->power_averages);

  c->score = 0.0;
  for (int k = 1; k <= MT_ORDERS_MAX; k++) {
    order_fit *fit = &c->orders[k];
    double shape[NFIT], freq_hz = k * c->freq_hz;
    bool stands_out, in_place;

    fit_lobe(s, freq_hz, fit, shape);
    fit->variance = fit_variance(s, freq_hz, fit, shape);
    fit->peak_hz = peak_near(s, freq_hz);
    stands_out = fit->line > least * fit->noise;
    in_place = fabs(fit->peak_hz - freq_hz) <= (0.5 + slack_bins * k) * s->bin_hz;
    fit->present = stands_out && in_place && is_narrow(s, freq_hz, fit, least);
    fit->foreign = stands_out && !fit->present;
    if (fit->foreign)
      set_hidden(s, freq_hz, fit);
    /* the logarithm: one strong line that is no hum must not outvote several that are */
    if (fit->present)
      c->score += log1p(fit->line / fit->noise);
  }
}

/* The fundamental from the orders that are there, each as sure as it is strong and high. */
static void refine_fundamental(candidate *c)
{
  double sum = 0.0, weights = 0.0;

  for (int k = 1; k <= MT_ORDERS_MAX; k++)
    if (c->orders[k].present) {
      double weight = (double)(k * k) * c->orders[k].line / c->orders[k].noise;
      sum += weight * c->orders[k].peak_hz / k;
      weights += weight;
    }
  if (weights > 0.0)
    c->freq_hz = sum / weights;
}

/* How well a fundamental puts the lobes of all orders that are there, each as sure as it is strong. */
static double match_of(const spectrum *s, const candidate *c, double fundamental_hz)
{
  double shape[NFIT], sum = 0.0;

  for (int k = 1; k <= MT_ORDERS_MAX; k++) {
    order_fit fit = c->orders[k];
    double squares = 0.0;
    if (!fit.present)
      continue;
    fit_lobe(s, k * fundamental_hz, &fit, shape);
    for (int i = 0; i < NFIT; i++)
      squares += pow(shape[i], 4.0);
    sum += fit.line * sqrt(squares) / fit.noise;
  }
  return sum;
}

/* The least-squares fundamental: a parabola through a peak is off by up to a thousandth of a bin. */
static void polish_fundamental(const spectrum *s, candidate *c)
{
  const double ratio = 0.61803398874989485;
  double low = c->freq_hz - 0.02 * s->bin_hz, high = c->freq_hz + 0.02 * s->bin_hz;

  for (int i = 0; i < 18; i++) {
    double inner = high - ratio * (high - low), outer = low + ratio * (high - low);
    if (match_of(s, c, inner) > match_of(s, c, outer))
      high = outer;
    else
      low = inner;
  }
  c->freq_hz = 0.5 * (low + high);
}

static bool looks_like_hum(const spectrum *s, const candidate *c)
{
  int npresent = 0, lowest = MT_ORDERS_MAX + 1;

  for (int k = MT_ORDERS_MAX; k >= 1; k--)
    if (c->orders[k].present) {
      npresent++;
      lowest = k;
    }
  /* a tenth of a bin: the fitted frequency is itself that unsure when the line is weak */
  if (fabs(c->freq_hz - c->nominal_hz) > TOLERANCE * c->nominal_hz + 0.1 * s->bin_hz)
    return false;
  return lowest <= 2 || (npresent >= 2 && lowest <= 4);
}

/* The hum that has a line at peak_hz as its order k: refine the fundamental on all the orders it meets. */
static void try_peak(const spectrum *s, int k, double peak_hz, double above_noise, candidate *c)
{
  c->freq_hz = peak_hz / k;
  /* a peak that far above the noise is found to about 0.6 bin over the root of it */
  examine_orders(s, 0.6 / sqrt(above_noise) / k, c);
  refine_fundamental(c);
  examine_orders(s, 0.0, c);
  refine_fundamental(c);
  examine_orders(s, 0.0, c);
  c->hum = looks_like_hum(s, c);
}

/* Every peak that could be an order of this mains is tried; the one that explains most is kept. */
static candidate try_mains(const spectrum *s, double nominal_hz)
{
  candidate best = {.nominal_hz = nominal_hz, .freq_hz = nominal_hz};
  double least = threshold(s->power_averages);

  for (int k = 1; k <= MT_ORDERS_MAX; k++)
    best.orders[k].noise = noise_around(s, nominal_hz, k, &best.orders[k].nfree);
  for (int k = 1; k <= MT_ORDERS_MAX; k++) {
    size_t first = (size_t)floor(k * nominal_hz * (1.0 - SEARCH) / s->bin_hz);
    size_t last = (size_t)ceil(k * nominal_hz * (1.0 + SEARCH) / s->bin_hz);
    for (size_t i = first; i <= last; i++) {
      const double *d = s->density + i;
      candidate tried = best;
      if (d[0] <= d[-1] || d[0] < d[1] || d[0] < least * best.orders[k].noise)
        continue;
      try_peak(s, k, peak_at(s, i), d[0] / best.orders[k].noise, &tried);
      if (tried.hum && (!best.hum || tried.score > best.score))
        best = tried;
    }
  }
  if (best.hum) {
    polish_fundamental(s, &best);
    examine_orders(s, 0.0, &best);
  }
  return best;
}

/* ---- the reading ------------------------------------------------------------------------------- */

/*
 * What a hum that was not found may hold at most, whatever stands where its orders would be: at the
 * fundamental in tolerance where that is most.
 */
static double bound_of(const spectrum *s, const candidate *c, double *standard_error)
{
  double most = 0.0, step_hz = 0.05 * s->bin_hz; /* half a bin at order 10 */

  *standard_error = 0.0;
  for (double f = c->nominal_hz * (1.0 - TOLERANCE); f <= c->nominal_hz * (1.0 + TOLERANCE); f += step_hz) {
    double line = 0.0, variance = 0.0, shape[NFIT];
    for (int k = 1; k <= MT_ORDERS_MAX; k++) {
      order_fit fit = c->orders[k];
      fit_lobe(s, k * f, &fit, shape);
      line += fit.line;
      variance += fit_variance(s, k * f, &fit, shape);
    }
    if (fmax(line, 0.0) + Z95 * sqrt(variance) > most) {
      most = fmax(line, 0.0) + Z95 * sqrt(variance);
      *standard_error = sqrt(variance);
    }
  }
  return most;
}

static void report_hum(const candidate *c, double bandwidth_hz, mt_hum *hum)
{
  double line = 0.0, variance = 0.0, unsure = 0.0;

  hum->significant = true;
  hum->mains_hz = c->nominal_hz;
  hum->freq_hz = c->freq_hz;
  for (int k = 1; k <= MT_ORDERS_MAX; k++) {
    const order_fit *fit = &c->orders[k];
    hum->order_standard_error[k] = sqrt(fit->variance) * bandwidth_hz;
    /* what may stand under another line is bounded, not estimated */
    hum->order_freedom[k] = fit->foreign ? HUGE_VAL : fit->nfree;
    line += fit->line;
    variance += fit->variance;
    unsure += fit->variance * fit->variance / hum->order_freedom[k];
    hum->order_power[k] = fmax(fit->line, 0.0) * bandwidth_hz;
  }
  hum->power = fmax(line, 0.0) * bandwidth_hz;
  hum->standard_error = sqrt(variance) * bandwidth_hz;
  hum->freedom = variance * variance / unsure; /* Welch and Satterthwaite, JCGM 100:2008 G.4 */
  hum->upper_bound = hum->power + Z95 * hum->standard_error;
}

void mt_hum_conclude(mt_hum_run *run, mt_hum *out)
{
  const spectrum *s = &run->spectrum;
  mt_hum hum = {0};
  const candidate *best = NULL;
  candidate tried[NMAINS];
  double bandwidth_hz;

  count_averages(run);
  *out = hum;
  if (s->floor == 0.0)
    return; /* digital silence: none at all */
  bandwidth_hz = mt_window_enbw_bins(WINDOW) * s->bin_hz;
  for (size_t i = 0; i < NMAINS; i++) {
    tried[i] = try_mains(s, mains[i]);
    if (tried[i].hum && (best == NULL || tried[i].score > best->score))
      best = &tried[i];
  }
  for (size_t i = 0; i < NMAINS && best == NULL; i++) {
    double standard_error, bound = bandwidth_hz * bound_of(s, &tried[i], &standard_error);
    if (bound > hum.upper_bound) {
      hum.upper_bound = bound;
      hum.standard_error = standard_error * bandwidth_hz;
    }
  }
  if (best != NULL)
    report_hum(best, bandwidth_hz, &hum);
  *out = hum;
}

mt_code mt_hum_find(const double *x, size_t n, double rate_hz, mt_hum *out, mt_error *err)
{
  mt_samples samples = mt_samples_of_array(x, n);
  mt_hum_run *run = NULL;
  mt_code code = refuse_length(n, rate_hz, err);

  if (code == MT_OK)
    code = refuse_bad(x, n, err);
  if (code == MT_OK)
    code = mt_hum_begin(n, rate_hz, &run, err);
  if (code == MT_OK)
    code = mt_hum_advance(run, &samples, n, err);
  if (code == MT_OK)
    mt_hum_conclude(run, out);
  mt_hum_destroy(&run);
  return code;
}
