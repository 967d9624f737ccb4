#include "analysis/quasi_peak.h"

#include "analysis/weighting.h"
#include "base/decibel.h"
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

/* Over so many rectified samples; the state stays in registers on the way. */
static void detect(detector *d, const double *samples, size_t n)
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
    highest = second > highest ? second : highest;
    sum += second;
    squares += second * second;
  }
  d->first = first;
  d->second = second;
  d->highest = highest;
  d->sum = sum;
  d->squares = squares;
  d->count += n;
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
      detect(&d, sine, count);
    }
  }
  return d.highest;
}

/* ---- the network ---------------------------------------------------------------------------------- */

/* A record as the rectifier sees it: weighted, and `up` samples for one. */
typedef struct network {
  const double *x;
  size_t n;
  double mean;
  size_t up;
  size_t nfft;   /* of a block of x */
  size_t margin; /* frames on either side that are not used */
  mt_transform *in;
  mt_transform *out;
  mt_bin *weight; /* [nfft/2 + 1], scaled for both transforms */
  mt_bin *bins;   /* [up * nfft/2 + 1] */
  float *time;    /* [up * nfft] */
  size_t held;    /* the block that is in there starts at this frame; SIZE_MAX: none */
} network;

static void finish_network(network *w)
{
  mt_transform_destroy(&w->in);
  mt_transform_destroy(&w->out);
  free(w->weight);
  free(w->bins);
  free(w->time);
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

static mt_code start_network(network *w, const double *x, size_t n, double rate_hz, mt_error *err)
{
  mt_code code;

  memset(w, 0, sizeof *w);
  w->x = x;
  w->n = n;
  w->held = SIZE_MAX;
  for (w->up = 1; (double)w->up * rate_hz < INNER_HZ * (1.0 - 1e-9);)
    w->up *= 2;
  w->margin = (size_t)ceil(MARGIN_S * rate_hz);
  w->nfft = mt_transform_length(n + 2 * w->margin < BLOCK ? n + 2 * w->margin : BLOCK);
  w->weight = malloc((w->nfft / 2 + 1) * sizeof *w->weight);
  w->bins = calloc(w->up * w->nfft / 2 + 1, sizeof *w->bins);
  w->time = malloc(w->up * w->nfft * sizeof *w->time);
  if (w->weight == NULL || w->bins == NULL || w->time == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a weighting of %zu points", w->nfft);
  code = mt_transform_create(w->nfft, &w->in, err);
  if (code == MT_OK)
    code = mt_transform_create(w->up * w->nfft, &w->out, err);
  if (code == MT_OK)
    fill_weight(w, rate_hz);
  return code;
}

/* What a block that begins at frame `begin`, less the margin, holds at i: nothing outside of the record. */
static double frame_at(const network *w, size_t begin, size_t i)
{
  bool inside = begin + i >= w->margin && begin + i - w->margin < w->n;
  return inside ? w->x[begin + i - w->margin] - w->mean : 0.0;
}

/* Frames from `begin` on, with a margin before and after, faded at the outer half of it. */
static void load_block(network *w, size_t begin)
{
  size_t half = w->margin / 2, last = w->nfft - 1;

  for (size_t i = half; i <= last - half; i++)
    w->time[i] = (float)frame_at(w, begin, i);
  for (size_t edge = 0; edge < half; edge++) {
    double fade = 0.5 - 0.5 * cos(MT_PI * ((double)edge + 0.5) / (double)half);
    w->time[edge] = (float)(fade * frame_at(w, begin, edge));
    w->time[last - edge] = (float)(fade * frame_at(w, begin, last - edge));
  }
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

static void detect_block(detector *d, const float *samples, size_t n)
{
  double rectified[SOME];

  for (size_t begin = 0; begin < n; begin += SOME) {
    size_t count = n - begin < SOME ? n - begin : SOME;
    for (size_t i = 0; i < count; i++)
      rectified[i] = fabs((double)samples[begin + i]);
    detect(d, rectified, count);
  }
}

/* Run the detectors over a part of the record. */
static void run(network *w, size_t from, size_t to, detector *d)
{
  size_t used = w->nfft - 2 * w->margin;

  for (size_t begin = from; begin < to; begin += used) {
    size_t count = to - begin < used ? to - begin : used;
    /* a short record is run over several times, and is one block */
    if (w->held != begin) {
      load_block(w, begin);
      weigh_block(w);
      w->held = begin;
    }
    detect_block(d, w->time + w->up * w->margin, w->up * count);
  }
}

/* ---- the reading ---------------------------------------------------------------------------------- */

static mt_code check(const double *x, size_t n, double rate_hz, double *mean, mt_error *err)
{
  double sum = 0.0;

  if (!(rate_hz >= RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_ARG, "rate %g Hz; quasi-peak noise needs %g to %g", rate_hz, RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if ((double)n < SHORTEST_S * rate_hz)
    return mt_fail(err, MT_E_DATA, "%.3g s of noise; its quasi-peak needs at least %g s", (double)n / rate_hz,
                   SHORTEST_S);
  for (size_t i = 0; i < n; i++) {
    if (!(fabs(x[i]) <= SAMPLE_MAX))
      return mt_fail(err, MT_E_DATA, "sample %zu is %g; expected audio, full scale +-1.0", i, x[i]);
    sum += x[i];
  }
  *mean = sum / (double)n;
  return MT_OK;
}

mt_code mt_quasi_peak_read(const double *x, size_t n, double rate_hz, bool settled, mt_quasi_peak *out,
                           mt_error *err)
{
  double mean = 0.0, inner_hz, unit, average;
  size_t cut;
  network w = {0};
  detector d;
  mt_code code = check(x, n, rate_hz, &mean, err);

  if (code == MT_OK)
    code = start_network(&w, x, n, rate_hz, err);
  if (code != MT_OK) {
    finish_network(&w);
    return code;
  }
  w.mean = mean;
  inner_hz = (double)w.up * rate_hz;
  start_detector(&d, inner_hz);
  cut = settled ? (size_t)(CUT_S * rate_hz) : 0;
  for (double charged_s = 0.0; settled && charged_s < CHARGE_S; charged_s += (double)(n - 2 * cut) / rate_hz)
    run(&w, cut, (double)(n - 2 * cut) < CHARGE_S * rate_hz ? n - cut : (size_t)(CHARGE_S * rate_hz), &d);
  forget_readings(&d);
  run(&w, cut, n - cut, &d);
  finish_network(&w);
  unit = calibrate(inner_hz);
  average = d.sum / (double)d.count;
  *out = (mt_quasi_peak){.highest = d.highest / unit,
                         .mean = average / unit,
                         .spread = sqrt(fmax(d.squares / (double)d.count - average * average, 0.0)) / unit};
  return MT_OK;
}
