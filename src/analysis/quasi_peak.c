#include "analysis/quasi_peak.h"

#include "analysis/weighting.h"
#include "base/decibel.h"
#include "base/wide.h"
#include "signal/transform.h"

#include <mendtone/take.h>

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define RATE_MIN_HZ 40000.0
#define SHORTEST_S 0.2
#define SAMPLE_MAX 1e9
/* samples of the rectifier: 17 a period of 10 kHz, so that its peaks are met to 0.15 dB at worst, and the
   6.3 kHz the network favours to 0.05 */
#define INNER_HZ 176400.0
#define BLOCK 65536
/* The network forgets within a millisecond (its slowest pole: 53 us); what is left is the ringing of the band's
   edge, which falls with the distance. Half of it fades the block's ends into each other. */
#define MARGIN_S 0.02
/* ten times the slower attack */
#define CHARGE_S 2.0
/* A noise that is cut clicks where it is cut: what the network makes of that is not read. */
#define CUT_S 0.005
/* samples rectified at once */
#define SOME 256
/* What the transform leaves to be doubled once more, by a filter of so many samples on either side. */
#define TAPS 8
/* of the detectors, calibrated by a sine */
#define CALIBRATION_S 0.5
#define CALIBRATION_HZ 1000.0

/* ---- the detectors -------------------------------------------------------------------------------- */

typedef struct detector {
  double attack_1, release_1, attack_2, release_2; /* a sample's part of charge; what a sample leaves */
  double first, second;
  double highest, sum, squares;
  size_t count;
} detector;

static void start_detector(detector *d, double rate_hz)
{
  memset(d, 0, sizeof *d);
  d->attack_1 = 1.0 - exp(-1.0 / (MT_QP_ATTACK_1_S * rate_hz));
  d->release_1 = exp(-1.0 / (MT_QP_RELEASE_1_S * rate_hz));
  d->attack_2 = 1.0 - exp(-1.0 / (MT_QP_ATTACK_2_S * rate_hz));
  d->release_2 = exp(-1.0 / (MT_QP_RELEASE_2_S * rate_hz));
}

static void forget_readings(detector *d)
{
  d->highest = d->sum = d->squares = 0.0;
  d->count = 0;
}

/* Over so many rectified samples; the state stays in registers on the way. While they are charged nothing is read. */
static inline void detect(detector *d, const double *samples, size_t n, bool reads)
{
  const double attack_1 = d->attack_1, release_1 = d->release_1;
  const double attack_2 = d->attack_2, release_2 = d->release_2;
  double first = d->first, second = d->second, highest = d->highest, sum = d->sum, squares = d->squares;

  for (size_t i = 0; i < n; i++) {
    double rectified = samples[i];
    if (rectified > first)
      first += attack_1 * (rectified - first);
    else
      first *= release_1;
    if (first > second)
      second += attack_2 * (first - second);
    else
      second *= release_2;
    if (!reads)
      continue;
    highest = second > highest ? second : highest;
    sum += second;
    squares += second * second;
  }
  d->first = first;
  d->second = second;
  d->highest = highest;
  d->sum = sum;
  d->squares = squares;
  d->count += reads ? n : 0;
}

/* What a steady sine of amplitude 1 reads; the rectifier's ripple takes about 3 % of its peak. */
static double calibrate(double rate_hz)
{
  double sine[SOME], fine_cos[SOME], fine_sin[SOME];
  double step = 2.0 * MT_PI * CALIBRATION_HZ / rate_hz;
  detector d;
  size_t n = (size_t)(CALIBRATION_S * rate_hz);

  for (size_t i = 0; i < SOME; i++) {
    fine_cos[i] = cos(step * (double)i);
    fine_sin[i] = sin(step * (double)i);
  }
  start_detector(&d, rate_hz);
  d.first = d.second = 0.97;
  for (int pass = 0; pass < 2; pass++) {
    forget_readings(&d);
    for (size_t begin = 0; begin < n; begin += SOME) {
      size_t count = n - begin < SOME ? n - begin : SOME;
      double coarse_cos = cos(step * (double)begin), coarse_sin = sin(step * (double)begin);
      for (size_t i = 0; i < count; i++)
        sine[i] = fabs(coarse_sin * fine_cos[i] + coarse_cos * fine_sin[i]);
      detect(&d, sine, count, pass == 1);
    }
  }
  return d.highest;
}

/* ---- the network ---------------------------------------------------------------------------------- */

/* A record as the rectifier sees it: weighted, and `up` samples for one, or twice as many if `doubled`. */
struct mt_quasi_peak_tools {
  double rate_hz;
  double unit; /* what a sine of amplitude 1 reads */
  bool doubled;
  size_t up;
  size_t nfft;   /* of a block of x */
  size_t margin; /* frames on either side that are not used */
  mt_transform *in;
  mt_transform *out;
  mt_bin *weight; /* [nfft/2 + 1], scaled for both transforms */
  mt_bin *bins;   /* [up * nfft/2 + 1] */
  float *time;    /* [up * nfft] */
  /* of the record: */
  size_t n;
  double mean;
  size_t held; /* the block that is in there starts at this frame; SIZE_MAX: none */
};
typedef struct mt_quasi_peak_tools network;

void mt_quasi_peak_tools_destroy(mt_quasi_peak_tools **tools)
{
  network *w = tools != NULL ? *tools : NULL;

  if (w == NULL)
    return;
  mt_transform_destroy(&w->in);
  mt_transform_destroy(&w->out);
  free(w->weight);
  free(w->bins);
  free(w->time);
  free(w);
  *tools = NULL;
}

static void fill_weight(network *w, double rate_hz)
{
  for (size_t k = 0; k <= w->nfft / 2; k++) {
    double re, im;
    mt_weighting_468_response((double)k * rate_hz / (double)w->nfft, &re, &im);
    /* the bin at half the rate stands for two: left out, as no signal has any power there alone */
    if (k == w->nfft / 2)
      re = im = 0.0;
    w->weight[k] = (mt_bin){(float)(re / (double)w->nfft), (float)(im / (double)w->nfft)};
  }
}

static size_t block_of(size_t n, size_t margin)
{
  return mt_transform_length(n + 2 * margin < BLOCK ? n + 2 * margin : BLOCK);
}

static mt_code create_network(size_t n, double rate_hz, network **out, mt_error *err)
{
  network *w = calloc(1, sizeof *w);
  mt_code code;

  if (w == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a weighting");
  w->rate_hz = rate_hz;
  for (w->up = 1; (double)w->up * rate_hz < INNER_HZ * (1.0 - 1e-9);)
    w->up *= 2;
  w->unit = calibrate((double)w->up * rate_hz);
  w->doubled = w->up > 2;
  w->up = w->doubled ? w->up / 2 : w->up;
  w->margin = (size_t)ceil(MARGIN_S * rate_hz);
  w->nfft = block_of(n, w->margin);
  w->weight = malloc((w->nfft / 2 + 1) * sizeof *w->weight);
  w->bins = calloc(w->up * w->nfft / 2 + 1, sizeof *w->bins);
  w->time = malloc(w->up * w->nfft * sizeof *w->time);
  code = mt_transform_create(w->nfft, &w->in, err);
  if (code == MT_OK)
    code = mt_transform_create(w->up * w->nfft, &w->out, err);
  if (code == MT_OK && (w->weight == NULL || w->bins == NULL || w->time == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a weighting of %zu points", w->nfft);
  if (code == MT_OK) {
    fill_weight(w, rate_hz);
    *out = w;
  } else {
    mt_quasi_peak_tools_destroy(&w);
  }
  return code;
}

/* A network for this record: the one there is, if it fits. */
static mt_code start_network(network **io, size_t n, double rate_hz, double mean, mt_error *err)
{
  network *w = *io;
  mt_code code = MT_OK;

  if (w == NULL || w->rate_hz < rate_hz || w->rate_hz > rate_hz || w->nfft != block_of(n, w->margin)) {
    mt_quasi_peak_tools_destroy(io);
    code = create_network(n, rate_hz, io, err);
  }
  if (code != MT_OK)
    return code;
  w = *io;
  w->n = n;
  w->mean = mean;
  w->held = SIZE_MAX;
  return MT_OK;
}

/* Frames that a block from `begin` on sees: [*first, *end). */
static void reach_of(const network *w, size_t begin, size_t *first, size_t *end)
{
  *first = begin > w->margin ? begin - w->margin : 0;
  *end = begin + w->nfft - w->margin < w->n ? begin + w->nfft - w->margin : w->n;
}

/* What a block that begins at frame `begin`, less the margin, holds at i: nothing outside of the record. Of the
   record, x has frame `first` and those that follow. */
static double frame_at(const network *w, const double *x, size_t first, size_t begin, size_t i)
{
  bool inside = begin + i >= w->margin && begin + i - w->margin < w->n;
  return inside ? x[begin + i - w->margin - first] - w->mean : 0.0;
}

/* Frames from `begin` on, with a margin before and after, faded at the outer half of it. */
static mt_code load_block(network *w, mt_samples *samples, size_t begin, mt_error *err)
{
  size_t half = w->margin / 2, last = w->nfft - 1, first, end;
  const double *x;
  mt_code code;

  reach_of(w, begin, &first, &end);
  code = mt_samples_look(samples, first, end - first, &x, err);
  if (code != MT_OK)
    return code;
  for (size_t i = half; i <= last - half; i++)
    w->time[i] = (float)frame_at(w, x, first, begin, i);
  for (size_t edge = 0; edge < half; edge++) {
    double fade = 0.5 - 0.5 * cos(MT_PI * ((double)edge + 0.5) / (double)half);
    w->time[edge] = (float)(fade * frame_at(w, x, first, begin, edge));
    w->time[last - edge] = (float)(fade * frame_at(w, x, first, begin, last - edge));
  }
  return MT_OK;
}

static void weigh_block(network *w)
{
  mt_transform_forward(w->in, w->time, w->bins);
  for (size_t k = 0; k <= w->nfft / 2; k++) {
    mt_bin b = w->bins[k], h = w->weight[k];
    w->bins[k] = (mt_bin){b.re * h.re - b.im * h.im, b.re * h.im + b.im * h.re};
  }
  /* an inverse transform of some libraries leaves its input as it was, of others not */
  memset(w->bins + w->nfft / 2 + 1, 0, (w->up * w->nfft / 2 - w->nfft / 2) * sizeof *w->bins);
  mt_transform_inverse(w->out, w->bins, w->time);
}

/*
 * What lies half-way between x[i] and x[i + 1]: a sinc under a Kaiser window (119 dB). x is there twice as fast as its
 * band asks for, so what the filter passes has all of an octave to fall off in: 5e-6 off at the most.
 */
MT_WIDE static void fill_between(const float *x, size_t n, float *between)
{
  static const float taps[TAPS] = {0.6222234882497136F,    -0.17245833779474423F,  0.07091645455405199F,
                                   -0.028052523678274214F, 0.009408219715423993F,  -0.002409039247340137F,
                                   0.0003974301973596437F, -2.5691996190733767e-5F};

  for (size_t i = 0; i < n; i++) {
    float sum = 0.0F;
    for (size_t k = 0; k < TAPS; k++)
      sum += taps[k] * (x[i - k] + x[i + 1 + k]);
    between[i] = sum;
  }
}

static void detect_block(detector *d, const network *w, const float *samples, size_t n, bool reads)
{
  double rectified[2 * SOME];
  float between[SOME];

  for (size_t begin = 0; begin < n; begin += SOME) {
    size_t count = n - begin < SOME ? n - begin : SOME;
    const float *x = samples + begin;
    if (!w->doubled) {
      for (size_t i = 0; i < count; i++)
        rectified[i] = fabs((double)x[i]);
    } else {
      fill_between(x, count, between);
      for (size_t i = 0; i < count; i++) {
        rectified[2 * i] = fabs((double)x[i]);
        rectified[2 * i + 1] = fabs((double)between[i]);
      }
    }
    if (reads)
      detect(d, rectified, w->doubled ? 2 * count : count, true);
    else
      detect(d, rectified, w->doubled ? 2 * count : count, false);
  }
}

/* Run the detectors from *at to an end, as far as frames before `upto` tell: *at is moved on. */
static mt_code run_on(network *w, mt_samples *samples, size_t *at, size_t to, size_t upto, detector *d,
                      bool reads, mt_error *err)
{
  size_t used = w->nfft - 2 * w->margin;

  while (*at < to) {
    size_t count = to - *at < used ? to - *at : used, first, end;
    reach_of(w, *at, &first, &end);
    if (end > upto)
      break;
    /* a short record is run over several times, and is one block */
    if (w->held != *at) {
      mt_code code = load_block(w, samples, *at, err);
      if (code != MT_OK)
        return code;
      weigh_block(w);
      w->held = *at;
    }
    detect_block(d, w, w->time + w->up * w->margin, w->up * count, reads);
    *at += count;
  }
  return MT_OK;
}

/* ---- the reading ---------------------------------------------------------------------------------- */

struct mt_quasi_peak_run {
  network *network;
  bool is_shared;
  detector detector;
  double rate_hz;
  size_t cut;       /* left out at either end */
  double charged_s; /* CHARGE_S of the record go before the reading */
  size_t at;
};

static mt_code check(size_t n, double rate_hz, mt_error *err)
{
  if (!(rate_hz >= RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_ARG, "rate %g Hz; quasi-peak noise needs %g to %g", rate_hz, RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if ((double)n < SHORTEST_S * rate_hz)
    return mt_fail(err, MT_E_DATA, "%.3g s of noise; its quasi-peak needs at least %g s", (double)n / rate_hz,
                   SHORTEST_S);
  return MT_OK;
}

static mt_code mean_of(const double *x, size_t n, double *mean, mt_error *err)
{
  double sum = 0.0;

  if (!mt_wide_sum(x, n, SAMPLE_MAX, &sum))
    for (size_t i = 0; i < n; i++)
      if (!(fabs(x[i]) <= SAMPLE_MAX))
        return mt_fail(err, MT_E_DATA, "sample %zu is %g; expected audio, full scale +-1.0", i, x[i]);
  *mean = sum / (double)n;
  return MT_OK;
}

/* With the tools given, else its own. */
static mt_code begin(mt_quasi_peak_tools **tools, size_t n, double rate_hz, double mean, bool settled,
                     mt_quasi_peak_run **out, mt_error *err)
{
  mt_quasi_peak_run *run;
  mt_code code = check(n, rate_hz, err);

  if (code != MT_OK)
    return code;
  run = calloc(1, sizeof *run);
  if (run == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a quasi-peak reading");
  code = start_network(tools != NULL ? tools : &run->network, n, rate_hz, mean, err);
  if (code != MT_OK) {
    mt_quasi_peak_destroy(&run);
    return code;
  }
  if (tools != NULL)
    run->network = *tools;
  run->is_shared = tools != NULL;
  run->rate_hz = rate_hz;
  start_detector(&run->detector, (run->network->doubled ? 2.0 : 1.0) * (double)run->network->up * rate_hz);
  run->cut = settled ? (size_t)(CUT_S * rate_hz) : 0;
  run->charged_s = settled ? 0.0 : CHARGE_S;
  run->at = run->cut;
  *out = run;
  return MT_OK;
}

mt_code mt_quasi_peak_begin(size_t n, double rate_hz, double mean, bool settled, mt_quasi_peak_run **out,
                            mt_error *err)
{
  return begin(NULL, n, rate_hz, mean, settled, out, err);
}

/* Over the first two seconds, a shorter record again and again; the reading begins after that. */
static mt_code charge(mt_quasi_peak_run *run, mt_samples *samples, size_t upto, mt_error *err)
{
  size_t n = run->network->n, cut = run->cut;
  size_t to = (double)(n - 2 * cut) < CHARGE_S * run->rate_hz ? n - cut : (size_t)(CHARGE_S * run->rate_hz);
  mt_code code = MT_OK;

  while (run->charged_s < CHARGE_S && code == MT_OK) {
    code = run_on(run->network, samples, &run->at, to, upto, &run->detector, false, err);
    if (run->at < to)
      return code; /* more must be at hand */
    run->charged_s += (double)(n - 2 * cut) / run->rate_hz;
    run->at = cut;
    forget_readings(&run->detector);
  }
  return code;
}

mt_code mt_quasi_peak_advance(mt_quasi_peak_run *run, mt_samples *samples, size_t upto, mt_error *err)
{
  mt_code code = charge(run, samples, upto, err);

  if (code == MT_OK && run->charged_s >= CHARGE_S)
    code =
        run_on(run->network, samples, &run->at, run->network->n - run->cut, upto, &run->detector, true, err);
  return code;
}

void mt_quasi_peak_conclude(const mt_quasi_peak_run *run, mt_quasi_peak *out)
{
  const detector *d = &run->detector;
  double unit = run->network->unit;
  double average = d->sum / (double)d->count;

  *out = (mt_quasi_peak){.highest = d->highest / unit,
                         .mean = average / unit,
                         .spread = sqrt(fmax(d->squares / (double)d->count - average * average, 0.0)) / unit};
}

void mt_quasi_peak_destroy(mt_quasi_peak_run **run)
{
  if (run == NULL || *run == NULL)
    return;
  if (!(*run)->is_shared)
    mt_quasi_peak_tools_destroy(&(*run)->network);
  free(*run);
  *run = NULL;
}

mt_code mt_quasi_peak_read(const double *x, size_t n, double rate_hz, bool settled, mt_quasi_peak *out,
                           mt_error *err)
{
  mt_quasi_peak_tools *tools = NULL;
  mt_code code = mt_quasi_peak_read_with(&tools, x, n, rate_hz, settled, out, err);

  mt_quasi_peak_tools_destroy(&tools);
  return code;
}

mt_code mt_quasi_peak_read_with(mt_quasi_peak_tools **tools, const double *x, size_t n, double rate_hz,
                                bool settled, mt_quasi_peak *out, mt_error *err)
{
  mt_samples samples = mt_samples_of_array(x, n);
  mt_quasi_peak_run *run = NULL;
  double mean = 0.0;
  mt_code code = check(n, rate_hz, err);

  if (code == MT_OK)
    code = mean_of(x, n, &mean, err);
  if (code == MT_OK)
    code = begin(tools, n, rate_hz, mean, settled, &run, err);
  if (code == MT_OK)
    code = mt_quasi_peak_advance(run, &samples, n, err);
  if (code == MT_OK)
    mt_quasi_peak_conclude(run, out);
  mt_quasi_peak_destroy(&run);
  return code;
}
