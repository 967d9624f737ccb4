#include "analysis/quasi_peak.h"

#include "analysis/weighting.h"
#include "base/decibel.h"
#include "base/wide.h"
#include "signal/transform.h"

#include <mendtone/take.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RATE_MIN_HZ 40000.0
#define SHORTEST_S 0.2
#define SAMPLE_MAX 1e9
/* samples of the rectifier: 17 a period of 10 kHz, so that its peaks are met to 0.15 dB at worst, and the
   6.3 kHz the network favours to 0.05 */
#define INNER_HZ 176400.0
/* samples of the network: at half of that */
#define NETWORK_HZ 88200.0
/* What the network lets through goes on to here, but not beyond so much of the rate, and is gone where the image of
   that lies (of a record that is as fast as the network, at half its rate): so the filter is short. */
#define FLAT_TO_HZ 20000.0
#define FLAT_TO_OF_RATE 0.46
/* The network's response to an impulse is taken from so many points, many times as long as it, and as far as it is
   greater than this re its highest: within 0.0003 dB up to 10 kHz, 0.006 up to 20. */
#define POINTS 1024
#define LEAST_TAP 1e-5F
/* ten times the slower attack */
#define CHARGE_S 2.0
/* A noise that is cut clicks where it is cut: what the network makes of that is not read. */
#define CUT_S 0.005
/* frames weighted at once */
#define PART 2048
/* rectified samples that are passed over together where none charges anything */
#define GROUP 8
/* What the network leaves to be doubled once more, by a filter of so many samples on either side. */
#define TAPS 8
/* of the detectors, calibrated by a sine: they begin within 0.001 dB of where they end */
#define CALIBRATION_S 0.1
#define CALIBRATION_HZ 1000.0

/* ---- the detectors -------------------------------------------------------------------------------- */

/*
 * The first takes every sample that charges it. The second follows so slowly that it need but see the mean of the first
 * over a group of samples, 0.05 ms: that moves a reading by 0.0005 dB.
 */
typedef struct detector {
  double attack_1, release_1; /* a sample's part of charge; what a sample leaves */
  double left_1, mean_1;      /* what a group without a charge leaves of the first, and its mean meanwhile */
  double attack_2, release_2; /* of a group */
  double first, second;
  double highest, sum, squares;
  size_t count; /* groups read */
} detector;

static void start_detector(detector *d, double rate_hz)
{
  double group_s = GROUP / rate_hz;

  memset(d, 0, sizeof *d);
  d->attack_1 = 1.0 - exp(-1.0 / (MT_QP_ATTACK_1_S * rate_hz));
  d->release_1 = exp(-1.0 / (MT_QP_RELEASE_1_S * rate_hz));
  d->left_1 = exp(-group_s / MT_QP_RELEASE_1_S);
  d->mean_1 = d->release_1 * (1.0 - d->left_1) / (1.0 - d->release_1) / GROUP;
  d->attack_2 = 1.0 - exp(-group_s / MT_QP_ATTACK_2_S);
  d->release_2 = exp(-group_s / MT_QP_RELEASE_2_S);
}

static void forget_readings(detector *d)
{
  d->highest = d->sum = d->squares = 0.0;
  d->count = 0;
}

/* Rectified samples as the detectors take them: by groups, each with its highest. */
typedef struct rectified {
  float *samples;
  float *highest; /* one a group */
} rectified;

/* The first over a group. @return its mean. */
static inline double charge_first(detector *d, const float *samples, double highest)
{
  double first = d->first, sum = 0.0;

  if (highest <= first * d->left_1) {
    d->first = first * d->left_1;
    return first * d->mean_1;
  }
  for (size_t i = 0; i < GROUP; i++) {
    double sample = (double)samples[i];
    if (sample > first)
      first += d->attack_1 * (sample - first);
    else
      first *= d->release_1;
    sum += first;
  }
  d->first = first;
  return sum / GROUP;
}

/* Over so many groups. While the detectors are charged nothing is read. */
static void detect(detector *d, const rectified *r, size_t ngroups, bool reads)
{
  double second = d->second, highest = d->highest, sum = 0.0, squares = 0.0;

  for (size_t i = 0; i < ngroups; i++) {
    double first = charge_first(d, r->samples + i * GROUP, (double)r->highest[i]);
    double left = second * d->release_2;
    /* The second falls faster than the first. Once it has met that it goes on with it, not to and fro about it. */
    if (first > second)
      second += d->attack_2 * (first - second);
    else
      second = left > first ? left : first;
    highest = second > highest ? second : highest;
    sum += second;
    squares += second * second;
  }
  d->second = second;
  if (!reads)
    return;
  d->highest = highest;
  d->sum += sum;
  d->squares += squares;
  d->count += ngroups;
}

static void find_highest(const rectified *r, size_t ngroups)
{
  for (size_t i = 0; i < ngroups; i++) {
    float highest = 0.0F;
    for (size_t k = 0; k < GROUP; k++)
      highest = r->samples[i * GROUP + k] > highest ? r->samples[i * GROUP + k] : highest;
    r->highest[i] = highest;
  }
}

/* Samples of a sine taken from one turn to the next. */
#define SOME (32 * GROUP)

/* What a steady sine of amplitude 1 reads; the rectifier's ripple takes about 3 % of its peak. */
static double calibrate(double rate_hz)
{
  double fine_cos[SOME], fine_sin[SOME], step = 2.0 * MT_PI * CALIBRATION_HZ / rate_hz;
  float sine[SOME], highest[SOME / GROUP];
  rectified r = {.samples = sine, .highest = highest};
  size_t n = (size_t)(CALIBRATION_S * rate_hz);
  detector d;

  for (size_t i = 0; i < SOME; i++) {
    fine_cos[i] = cos(step * (double)i);
    fine_sin[i] = sin(step * (double)i);
  }
  start_detector(&d, rate_hz);
  d.first = d.second = 0.97;
  for (int pass = 0; pass < 2; pass++) {
    forget_readings(&d);
    for (size_t begin = 0; begin < n; begin += SOME) {
      double coarse_cos = cos(step * (double)begin), coarse_sin = sin(step * (double)begin);
      for (size_t i = 0; i < SOME; i++)
        sine[i] = (float)fabs(coarse_sin * fine_cos[i] + coarse_cos * fine_sin[i]);
      find_highest(&r, SOME / GROUP);
      detect(&d, &r, SOME / GROUP, pass == 1);
    }
  }
  return d.highest;
}

/* ---- the network ---------------------------------------------------------------------------------- */

/*
 * A record as the rectifier sees it: weighted, and `up` samples for one, or twice as many if `doubled`. The network's
 * response to an impulse is the filter; it begins a little before the impulse, as the band ends.
 */
struct mt_quasi_peak_tools {
  double rate_hz;
  double unit; /* what a sine of amplitude 1 reads */
  size_t up;
  bool doubled;
  size_t before, after; /* frames about it that a weighted one depends on */
  size_t ntaps;         /* before + 1 + after */
  float *taps;          /* [up][ntaps] for the frames in their order */
  float *frames;        /* [PART_ROOM + ntaps] a part of the record with its surroundings */
  float *phase;         /* [PART_ROOM] the part and its margins, weighted: one of `up` samples */
  float *weighted;      /* [up * PART_ROOM] all of them */
  float *between;       /* [up * PART_ROOM] and what lies between those */
  size_t room;          /* frames that are kept rectified: a part, or a short record */
  rectified rectified;
  /* of the record: */
  size_t n;
  double mean;
  size_t cut;  /* left out at either end */
  size_t kept; /* frames from `cut` on that are in there */
};
typedef struct mt_quasi_peak_tools network;

/* frames that the doubling looks at on either side */
#define MARGIN TAPS
/* outputs of the filter made together, of so many lanes each */
#define LANES 8
#define TOGETHER (4 * LANES)
/* frames of a part with its margins */
#define PART_ROOM ((PART + 2 * MARGIN + TOGETHER - 1) / TOGETHER * TOGETHER)

void mt_quasi_peak_tools_destroy(mt_quasi_peak_tools **tools)
{
  network *w = tools != NULL ? *tools : NULL;

  if (w == NULL)
    return;
  free(w->taps);
  free(w->frames);
  free(w->phase);
  free(w->weighted);
  free(w->between);
  free(w->rectified.samples);
  free(w->rectified.highest);
  free(w);
  *tools = NULL;
}

/* The response to an impulse at the rate of the network, [POINTS] in a ring: what comes before it lies at the end. */
static mt_code fill_response(const network *w, float *response, mt_error *err)
{
  double network_hz = (double)w->up * w->rate_hz, scale = (double)w->up / POINTS;
  double flat_hz = w->up > 1 ? fmin(FLAT_TO_HZ, FLAT_TO_OF_RATE * w->rate_hz) : FLAT_TO_OF_RATE * network_hz;
  double end_hz = w->up > 1 ? w->rate_hz - flat_hz : 0.5 * network_hz;
  mt_bin bins[POINTS / 2 + 1];
  mt_transform *transform = NULL;
  mt_code code = mt_transform_create(POINTS, &transform, err);

  for (size_t k = 0; k <= POINTS / 2; k++) {
    double re, im, freq_hz = (double)k * network_hz / POINTS;
    double part = fmin(1.0, fmax(0.0, (freq_hz - flat_hz) / (end_hz - flat_hz)));
    double gain = scale * (0.5 + 0.5 * cos(MT_PI * part));
    mt_weighting_468_response(freq_hz, &re, &im);
    bins[k] = (mt_bin){(float)(gain * re), (float)(gain * im)};
  }
  if (code == MT_OK)
    mt_transform_inverse(transform, bins, response);
  mt_transform_destroy(&transform);
  return code;
}

/* How far to either side of the impulse the response is not next to nothing. */
static void find_reach(network *w, const float *response)
{
  size_t before = 0, after = 0;
  float highest = 0.0F;

  for (size_t i = 0; i < POINTS; i++)
    highest = fmaxf(highest, fabsf(response[i]));
  for (size_t i = 1; i < POINTS / 2; i++) {
    after = fabsf(response[i]) > LEAST_TAP * highest ? i : after;
    before = fabsf(response[POINTS - i]) > LEAST_TAP * highest ? i : before;
  }
  w->before = after / w->up;
  w->after = (before + w->up - 1) / w->up;
  w->ntaps = w->before + 1 + w->after;
}

static mt_code fill_taps(network *w, mt_error *err)
{
  float response[POINTS];
  mt_code code = fill_response(w, response, err);

  if (code != MT_OK)
    return code;
  find_reach(w, response);
  w->taps = malloc(w->up * w->ntaps * sizeof *w->taps);
  if (w->taps == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a weighting");
  for (size_t phase = 0; phase < w->up; phase++)
    for (size_t k = 0; k < w->ntaps; k++)
      w->taps[phase * w->ntaps + k] = response[(POINTS + phase + w->up * w->before - w->up * k) % POINTS];
  return MT_OK;
}

static size_t inner_of(const network *w, size_t frames)
{
  return (w->doubled ? 2 : 1) * w->up * frames;
}

/* A record too short to charge the detectors is heard several times. */
static size_t room_of(size_t n, double rate_hz)
{
  return (double)n <= CHARGE_S * rate_hz && n > PART ? n : PART;
}

static mt_code create_network(size_t n, double rate_hz, network **out, mt_error *err)
{
  network *w = calloc(1, sizeof *w);
  mt_code code;

  if (w == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a weighting");
  w->rate_hz = rate_hz;
  for (w->up = 1; (double)w->up * rate_hz < NETWORK_HZ * (1.0 - 1e-9);)
    w->up *= 2;
  w->doubled = (double)w->up * rate_hz < INNER_HZ * (1.0 - 1e-9);
  w->unit = calibrate((double)inner_of(w, 1) * rate_hz);
  w->room = room_of(n, rate_hz);
  code = fill_taps(w, err);
  w->frames = malloc((PART_ROOM + w->ntaps) * sizeof *w->frames);
  w->phase = malloc(PART_ROOM * sizeof *w->phase);
  w->weighted = malloc(w->up * PART_ROOM * sizeof *w->weighted);
  w->between = malloc(w->up * PART_ROOM * sizeof *w->between);
  w->rectified.samples = malloc(inner_of(w, w->room) * sizeof *w->rectified.samples);
  w->rectified.highest = malloc((inner_of(w, w->room) / GROUP + 1) * sizeof *w->rectified.highest);
  if (code == MT_OK && (w->frames == NULL || w->phase == NULL || w->weighted == NULL || w->between == NULL ||
                        w->rectified.samples == NULL || w->rectified.highest == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a weighting of %zu frames", w->room);
  if (code == MT_OK)
    *out = w;
  else
    mt_quasi_peak_tools_destroy(&w);
  return code;
}

/* A network for this record: the one there is, if it fits. */
static mt_code start_network(network **io, size_t n, double rate_hz, double mean, size_t cut, mt_error *err)
{
  network *w = *io;
  mt_code code = MT_OK;

  if (w == NULL || w->rate_hz < rate_hz || w->rate_hz > rate_hz || w->room != room_of(n, rate_hz)) {
    mt_quasi_peak_tools_destroy(io);
    code = create_network(n, rate_hz, io, err);
  }
  if (code != MT_OK)
    return code;
  w = *io;
  w->n = n;
  w->mean = mean;
  w->cut = cut;
  w->kept = 0;
  return MT_OK;
}

/* Frames of the record that a part from `begin` on sees: [*first, *end). */
static void reach_of(const network *w, size_t begin, size_t count, size_t *first, size_t *end)
{
  size_t before = MARGIN + w->before, after = MARGIN + w->after;

  *first = begin > before ? begin - before : 0;
  *end = begin + count + after < w->n ? begin + count + after : w->n;
}

/* Frames of a part and of what surrounds it; outside of the record there is nothing. */
static mt_code load_part(network *w, mt_samples *samples, size_t begin, size_t count, mt_error *err)
{
  size_t room = PART_ROOM + w->ntaps, first, end, at;
  const double *x;
  mt_code code;

  reach_of(w, begin, count, &first, &end);
  code = mt_samples_look(samples, first, end - first, &x, err);
  if (code != MT_OK)
    return code;
  at = first + MARGIN + w->before - begin;
  for (size_t i = 0; i < end - first; i++)
    w->frames[at + i] = (float)(x[i] - w->mean);
  memset(w->frames, 0, at * sizeof *w->frames);
  at += end - first;
  memset(w->frames + at, 0, (room - at) * sizeof *w->frames);
  return MT_OK;
}

typedef float eight __attribute__((vector_size(LANES * sizeof(float))));
typedef float eight_at __attribute__((vector_size(LANES * sizeof(float)), aligned(sizeof(float)), may_alias));

/* out[i]: the sum of taps[k] x[i + k]; n is a multiple of TOGETHER. */
MT_WIDE static void convolve(const float *x, size_t n, const float *taps, size_t ntaps, float *out)
{
  for (size_t i = 0; i < n; i += TOGETHER) {
    eight a = {0.0F}, b = {0.0F}, c = {0.0F}, d = {0.0F};
    for (size_t k = 0; k < ntaps; k++) {
      const float *at = x + i + k;
      a += taps[k] * *(const eight_at *)at;
      b += taps[k] * *(const eight_at *)(at + LANES);
      c += taps[k] * *(const eight_at *)(at + 2 * LANES);
      d += taps[k] * *(const eight_at *)(at + 3 * LANES);
    }
    *(eight_at *)(out + i) = a;
    *(eight_at *)(out + i + LANES) = b;
    *(eight_at *)(out + i + 2 * LANES) = c;
    *(eight_at *)(out + i + 3 * LANES) = d;
  }
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

/* The frames of a part and its margins. */
static void weigh(network *w, size_t count)
{
  size_t nframes = (count + 2 * MARGIN + TOGETHER - 1) / TOGETHER * TOGETHER;

  for (size_t phase = 0; phase < w->up; phase++) {
    convolve(w->frames, nframes, w->taps + phase * w->ntaps, w->ntaps, w->phase);
    for (size_t i = 0; i < nframes; i++)
      w->weighted[w->up * i + phase] = w->phase[i];
  }
}

/* Frames from `begin` on as the rectifier sees them, into `out`. */
static mt_code rectify(network *w, mt_samples *samples, size_t begin, size_t count, rectified *out,
                       mt_error *err)
{
  const float *x = w->weighted + w->up * MARGIN;
  size_t n = w->up * count;
  mt_code code = load_part(w, samples, begin, count, err);

  if (code != MT_OK)
    return code;
  weigh(w, count);
  if (w->doubled) {
    fill_between(x, n, w->between);
    for (size_t i = 0; i < n; i++) {
      out->samples[2 * i] = fabsf(x[i]);
      out->samples[2 * i + 1] = fabsf(w->between[i]);
    }
  } else {
    for (size_t i = 0; i < n; i++)
      out->samples[i] = fabsf(x[i]);
  }
  find_highest(out, inner_of(w, count) / GROUP);
  return MT_OK;
}

/*
 * Run the detectors from *at to an end, as far as frames before `upto` tell: *at is moved on. What does not fill a
 * group at the end is left out.
 */
static mt_code run_on(network *w, mt_samples *samples, size_t *at, size_t to, size_t upto, detector *d,
                      bool reads, mt_error *err)
{
  while (*at < to) {
    size_t count = to - *at < PART ? to - *at : PART, first, end;
    size_t place = w->n <= w->room ? inner_of(w, *at - w->cut) : 0;
    rectified part = {w->rectified.samples + place, w->rectified.highest + place / GROUP};
    reach_of(w, *at, count, &first, &end);
    if (end > upto)
      break;
    /* a short record is run over several times, and is there from the first on */
    if (w->n > w->room || *at - w->cut >= w->kept) {
      mt_code code = rectify(w, samples, *at, count, &part, err);
      if (code != MT_OK)
        return code;
      w->kept = *at - w->cut + count;
    }
    detect(d, &part, inner_of(w, count) / GROUP, reads);
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
  run->cut = settled ? (size_t)(CUT_S * rate_hz) : 0;
  code = start_network(tools != NULL ? tools : &run->network, n, rate_hz, mean, run->cut, err);
  if (code != MT_OK) {
    mt_quasi_peak_destroy(&run);
    return code;
  }
  if (tools != NULL)
    run->network = *tools;
  run->is_shared = tools != NULL;
  run->rate_hz = rate_hz;
  start_detector(&run->detector, (double)inner_of(run->network, 1) * rate_hz);
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
