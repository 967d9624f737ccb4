#include "analysis/response.h"

#include "analysis/psd.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/student.h"
#include "base/wide.h"
#include "signal/fade.h"
#include "signal/sweep.h"

#include <stdlib.h>
#include <string.h>

/* The response is Y / X, smoothed along frequency by a kernel whose transform is the gate in time. Working in
   frequency keeps the gate free to follow it (long at 20 Hz, short at 10 kHz), needs no second transform,
   reads at any frequency, and shows from which bins a reading came: none outside what was swept. */

/* Kaiser design of the kernel: ripple of the gate, both where it passes and where it stops. */
#define GATE_STOP_DB 80.0
/* The gate at low frequencies, as fractions of t2 = L ln 2, the time by which order 2 comes early. It
   opens late enough that order 2 may ring for 0.15 t2 and is still stopped. */
#define GATE_EARLY_OF_T2 0.02
#define GATE_EDGE_OF_T2 0.80
#define GATE_LATE_OF_T2 0.70
/* Above this the gate shortens with the period, which keeps its resolution near 1/48 octave, ... */
#define GATE_FULL_TO_HZ 100.0
/* ... down to this share. */
#define GATE_SHORTEST 0.12
/* Does the reading change with a gate that closes earlier? */
#define GATE_EARLIER_CLOSE 0.5

/* A unit that compresses reads 0.006 dB off at the fade-out itself, less than 0.0001 dB 2 % below. */
#define TOP_OF_FADE_OUT 0.98

/* Looks at the same bins through the gate moved late, where nothing of order 1 is left: noise. */
#define NPROBES 16
/* Lines in the idle noise that are known one by one. */
#define LINES_MAX 32
#define PROBE_FROM_OF_T2 2.1
#define PROBE_STEP_OF_T2 0.38

/* An order that folds back at half the rate passes through some of the looks, so their median counts. Of n independent
   exponential values it is near 0.71 + 0.24 / n of their mean, with so many degrees of freedom (simulated: of 16 looks
   0.77 and 8 where 4 are independent, 0.725 and 17 where all are). */
#define MEDIAN_OF_MEAN(n) (0.71 + 0.24 / (n))
#define MEDIAN_FREEDOM(n) (1.0 / (1.0 / (2.6 * (n)) + 1.0 / 27.0))

#define BESSEL_TERMS 24
/* Frames of the sweep rendered at once */
#define CHUNK 1024
#define LANES 4 /* bins side by side, an mt_four */
/* Bins between turns taken afresh */
#define TURNED_BINS 256

#define EDGE_FADE_S 0.02
#define ENOUGH_AFTER_S 0.05 /* what must at least be there after the sweep */
#define ABSURD_SAMPLE 1e6
#define CLOCK_RATIO_SPAN 0.01

/* Rounding of the float transform, of the rms over all bins: -136 dB measured, with some to spare. */
#define TRANSFORM_FLOOR 2e-7

/* What is left without any noise, expanded: measured on 60 digital filters over delays, clocks and rates, as 10 lg and
   as phase. The gate's ripple makes the rest of it, most where the kernel has to be cut short at the start of the
   sweep, and less the more periods the gate holds. */
#define FLOOR_DB 1e-4
#define FLOOR_DEG 1e-3
#define RIPPLE_TAKEN 0.6
#define RIPPLE_TAKEN_BY_PHASE 3.0 /* where the kernel is cut short: a ripple that leans to one side */
#define DB_PER_RELATIVE 8.6859
#define DEG_PER_RELATIVE 57.2958

/* Presence: enough of these stand out of the probes by so much. Noise alone does it for one point in 140. */
#define NPRESENCE 24
#define PRESENCE_FROM_HZ 100.0
#define PRESENCE_TO_HZ 10000.0
#define PRESENCE_POWER 10.0
#define PRESENCE_LEAST 4
/* The delay is looked at only where it is well known; the gate is flat over more than this. */
#define DELAY_POWER 1000.0
#define DELAY_EARLIEST_S (-0.005)
#define DELAY_LATEST_S 0.025
#define DELAY_STEP_HZ 2.0

#define UNWRAP_STEPS_PER_OCTAVE 12.0
#define REL_MOST 0.99 /* 40 dB: not told from nothing */

typedef struct gate {
  double early_s; /* flat from -early ... */
  double late_s;  /* ... to late, */
  double edge_s;  /* and this long to close on either side */
} gate;

typedef struct complex_value {
  double re, im;
} complex_value;

/* One channel's quotient and what is known of its noise. */
typedef struct channel {
  const mt_sweep_reference *reference;
  const mt_psd *noise; /* or NULL */
  double *beneath;     /* [noise->nbins], owned: the noise without its lines */
  mt_psd_line lines[LINES_MAX];
  size_t nlines;
  double amplitude;     /* played: the quotient is per unit of it */
  double capture_power; /* mean over the bins */
  /* [high_bin + LANES] each, from low_bin to high_bin; 0 else */
  double *re, *im; /* the quotient */
  double *idle;    /* variance of its bins by idle noise */
} channel;

typedef struct reading {
  complex_value value;
  complex_value closed_earlier;
  double idle_variance;   /* of the complex value, from the density given; 0 without one */
  double line_variance;   /* the same of the lines in it */
  double record_variance; /* from the probes */
  double record_freedom;  /* its degrees of freedom */
  double float_variance;  /* rounding of the transform */
  double cut_share;       /* of the gate's length, what closing earlier cuts */
  double ripple;          /* of the gate, relative */
  bool is_cut_short;      /* its kernel */
} reading;

static complex_value times(complex_value a, complex_value b)
{
  return (complex_value){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static complex_value turn(double radians)
{
  return (complex_value){cos(radians), sin(radians)};
}

static double power(complex_value a)
{
  return a.re * a.re + a.im * a.im;
}

/* Modified Bessel function of order 0 of a square's root, its power series: for roots to 8, of which the window asks
   to 6.8, what is left out is below 1e-18 of it. Four sums at once hide the time an addition takes. */
static inline void bessel_i0_of_square(const mt_four *square, mt_four *out)
{
  static const double over_factorial_square[BESSEL_TERMS] = {1.0 / 1.0,
                                                             1.0 / 1.0,
                                                             1.0 / 4.0,
                                                             1.0 / 36.0,
                                                             1.0 / 576.0,
                                                             1.0 / 14400.0,
                                                             1.0 / 518400.0,
                                                             1.0 / 25401600.0,
                                                             1.0 / 1625702400.0,
                                                             1.0 / 131681894400.0,
                                                             1.0 / 13168189440000.0,
                                                             1.0 / 1593350922240000.0,
                                                             1.0 / 2.2944253280256e+17,
                                                             1.0 / 3.877578804363264e+19,
                                                             1.0 / 7.6000544565519974e+21,
                                                             1.0 / 1.7100122527241995e+24,
                                                             1.0 / 4.3776313669739506e+26,
                                                             1.0 / 1.2651354650554717e+29,
                                                             1.0 / 4.0990389067797283e+31,
                                                             1.0 / 1.4797530453474819e+34,
                                                             1.0 / 5.9190121813899279e+36,
                                                             1.0 / 2.6102843719929581e+39,
                                                             1.0 / 1.2633776360445918e+42,
                                                             1.0 / 6.6832676946758902e+44};
  const double *c = over_factorial_square;
  mt_four x = 0.25 * *square, fourth = x * x * (x * x);
  mt_four a = {0.0}, b = {0.0}, d = {0.0}, e = {0.0};

  for (int k = BESSEL_TERMS - 4; k >= 0; k -= 4) {
    a = a * fourth + c[k];
    b = b * fourth + c[k + 1];
    d = d * fourth + c[k + 2];
    e = e * fourth + c[k + 3];
  }
  *out = (a + x * b) + x * x * (d + x * e);
}

/* ---- the gate ---------------------------------------------------------------------------------------- */

static double order_2_advance_s(const mt_segment *sweep)
{
  return mt_segment_sweep_constant(sweep) * log(2.0);
}

static gate gate_at(const mt_segment *sweep, double freq_hz)
{
  double t2 = order_2_advance_s(sweep);
  double share = fmin(1.0, fmax(GATE_SHORTEST, GATE_FULL_TO_HZ / freq_hz));
  return (gate){.early_s = GATE_EARLY_OF_T2 * t2,
                .late_s = share * GATE_LATE_OF_T2 * t2,
                .edge_s = share * GATE_EDGE_OF_T2 * t2};
}

/* Kaiser: order = (A - 7.95) / (2.285 x transition), with time and frequency changed over. */
static double kernel_half_width_hz(const gate *g)
{
  return (GATE_STOP_DB - 7.95) / (2.285 * 4.0 * MT_PI * g->edge_s);
}

static double kaiser_beta(double stop_db)
{
  if (stop_db > 50.0)
    return 0.1102 * (stop_db - 8.7);
  return stop_db > 21.0 ? 0.5842 * pow(stop_db - 21.0, 0.4) + 0.07886 * (stop_db - 21.0) : 0.0;
}

static double gate_length_s(const gate *g)
{
  return g->early_s + g->late_s + g->edge_s;
}

bool mt_response_band(const mt_segment *sweep, double rate_hz, double *from_hz, double *to_hz)
{
  double top;
  gate g;

  if (sweep == NULL || sweep->kind != MT_SEGMENT_SWEEP || !(sweep->from_hz > 0.0) ||
      !(sweep->to_hz > 4.0 * sweep->from_hz) || !(rate_hz > 2.0 * sweep->to_hz) ||
      !(sweep->duration_s > sweep->fade_in_s + sweep->fade_out_s))
    return false;
  top = TOP_OF_FADE_OUT * sweep->to_hz * exp(-sweep->fade_out_s / mt_segment_sweep_constant(sweep));
  g = gate_at(sweep, top);
  if (!(top - kernel_half_width_hz(&g) > 2.0 * sweep->from_hz))
    return false;
  *from_hz = 2.0 * sweep->from_hz;
  *to_hz = top;
  return true;
}

double mt_response_fold_share(const mt_segment *sweep, double rate_hz, int order, double freq_hz)
{
  gate g = gate_at(sweep, freq_hz);
  double sum = 0.0;

  for (int fold = 1; fold <= order; fold++)
    for (int sign = -1; sign <= 1; sign += 2) {
      /* the harmonic of what was played at `from` is heard at freq_hz */
      double from_hz = (fold * rate_hz + sign * freq_hz) / order;
      double late_s, beyond_s, gain;
      if (from_hz <= sweep->from_hz || from_hz >= sweep->to_hz)
        continue;
      late_s = mt_segment_sweep_constant(sweep) * log(from_hz / freq_hz);
      beyond_s = fmax(0.0, fmax(late_s - g.late_s, -late_s - g.early_s));
      if (beyond_s >= g.edge_s)
        continue;
      gain = 0.5 + 0.5 * cos(MT_PI * beyond_s / g.edge_s);
      /* it passes at another speed, so its spectrum is thinner or thicker */
      sum += gain * gain * freq_hz / (order * from_hz);
    }
  return sqrt(sum);
}

/* ---- the reference ----------------------------------------------------------------------------------- */

static void render(mt_sweep_reference *r)
{
  double ignored[CHUNK], sine[CHUNK], gain[CHUNK];
  size_t first = (size_t)ceil(MT_SWEEP_BEFORE_S / r->step_s);
  size_t end = (size_t)((MT_SWEEP_BEFORE_S + r->sweep.duration_s) / r->step_s) + 1;

  memset(r->time, 0, r->nfft * sizeof *r->time);
  if (end > r->nframes)
    end = r->nframes;
  for (size_t begin = first; begin < end; begin += CHUNK) {
    size_t count = end - begin < CHUNK ? end - begin : CHUNK;
    double t = (double)begin * r->step_s - MT_SWEEP_BEFORE_S;
    mt_sweep_render_phase(&r->sweep, t, r->step_s, count, ignored, sine);
    mt_fade_render(&r->sweep, t, r->step_s, count, gain, NULL);
    for (size_t i = 0; i < count; i++)
      r->time[begin + i] = (float)(gain[i] * sine[i]);
  }
}

static double mean_bin_power(const mt_bin *bins, size_t nfft)
{
  double sum = 0.0;
  for (size_t k = 0; k <= nfft / 2; k++)
    sum += (double)bins[k].re * (double)bins[k].re + (double)bins[k].im * (double)bins[k].im;
  return sum / (double)(nfft / 2 + 1);
}

mt_code mt_sweep_reference_create(const mt_segment *sweep, double rate_hz, double clock_ratio,
                                  mt_sweep_reference **out, mt_error *err)
{
  mt_sweep_reference *r;
  double from_hz, to_hz;
  mt_code code;

  if (!(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_ARG, "a rate of %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if (!(fabs(clock_ratio - 1.0) <= CLOCK_RATIO_SPAN))
    return mt_fail(err, MT_E_ARG, "a clock ratio of %g; expected 1 within %g", clock_ratio, CLOCK_RATIO_SPAN);
  if (!mt_response_band(sweep, rate_hz / clock_ratio, &from_hz, &to_hz))
    return mt_fail(err, MT_E_ARG, "not a sweep that %g Hz can carry", rate_hz);
  r = calloc(1, sizeof *r);
  if (r == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the sweep's spectrum");
  r->sweep = *sweep;
  r->rate_hz = rate_hz;
  r->clock_ratio = clock_ratio;
  r->step_s = clock_ratio / rate_hz;
  r->nframes = (size_t)ceil((MT_SWEEP_BEFORE_S + sweep->duration_s + MT_SWEEP_AFTER_S) / r->step_s);
  r->nfft = mt_transform_length(r->nframes);
  r->bin_hz = 1.0 / ((double)r->nfft * r->step_s);
  r->low_bin = (size_t)ceil(sweep->from_hz / r->bin_hz);
  r->high_bin =
      (size_t)(sweep->to_hz * exp(-sweep->fade_out_s / mt_segment_sweep_constant(sweep)) / r->bin_hz);
  r->time = malloc(r->nfft * sizeof *r->time);
  r->spectrum = malloc((r->nfft / 2 + 1) * sizeof *r->spectrum);
  r->over_power = calloc(r->high_bin + LANES, sizeof *r->over_power);
  if (r->time == NULL || r->spectrum == NULL || r->over_power == NULL) {
    mt_sweep_reference_destroy(&r);
    return mt_fail(err, MT_E_MEMORY, "out of memory for the sweep's spectrum");
  }
  code = mt_transform_create(r->nfft, &r->transform, err);
  if (code != MT_OK) {
    mt_sweep_reference_destroy(&r);
    return code;
  }
  render(r);
  mt_transform_forward(r->transform, r->time, r->spectrum);
  r->mean_power = mean_bin_power(r->spectrum, r->nfft);
  for (size_t k = r->low_bin; k <= r->high_bin; k++)
    r->over_power[k] = 1.0 / power((complex_value){(double)r->spectrum[k].re, (double)r->spectrum[k].im});
  *out = r;
  return MT_OK;
}

void mt_sweep_reference_destroy(mt_sweep_reference **reference)
{
  if (reference == NULL || *reference == NULL)
    return;
  mt_transform_destroy(&(*reference)->transform);
  free((*reference)->spectrum);
  free((*reference)->over_power);
  free((*reference)->time);
  free(*reference);
  *reference = NULL;
}

/* ---- the capture ------------------------------------------------------------------------------------- */

static double edge_gain(size_t i, size_t n, size_t fade)
{
  size_t from_edge = i < n - 1 - i ? i : n - 1 - i;
  return from_edge < fade ? 0.5 - 0.5 * cos(MT_PI * ((double)from_edge + 0.5) / (double)fade) : 1.0;
}

/* x[n] into time[at ...], less its mean: a DC step at the edges would spread over all bins. */
static mt_code copy_window(mt_sweep_reference *r, const double *x, size_t n, size_t at, mt_error *err)
{
  size_t fade = (size_t)(EDGE_FADE_S * r->rate_hz);
  double sum = 0.0, mean;

  if (!mt_wide_sum(x, n, ABSURD_SAMPLE, &sum))
    for (size_t i = 0; i < n; i++)
      if (!(fabs(x[i]) <= ABSURD_SAMPLE))
        return mt_fail(err, MT_E_DATA, "sample %zu of the sweep is %g; expected a finite number near +-1", i,
                       x[i]);
  mean = sum / (double)n;
  memset(r->time, 0, at * sizeof *r->time);
  for (size_t i = 0; i < n; i++)
    r->time[at + i] = (float)(x[i] - mean);
  for (size_t i = 0; i < n && i < fade; i++) {
    r->time[at + i] = (float)((x[i] - mean) * edge_gain(i, n, fade));
    r->time[at + n - 1 - i] = (float)((x[n - 1 - i] - mean) * edge_gain(n - 1 - i, n, fade));
  }
  memset(r->time + at + n, 0, (r->nfft - at - n) * sizeof *r->time);
  return MT_OK;
}

void mt_sweep_capture_finish(mt_sweep_capture *capture)
{
  free(capture->bins);
  *capture = (mt_sweep_capture){0};
}

mt_code mt_sweep_capture_init(mt_sweep_reference *r, const double *x, size_t n, double start_frame,
                              mt_sweep_capture *out, mt_error *err)
{
  double start, end;
  double window, whole;
  mt_sweep_capture capture;
  size_t first, skipped, count;
  mt_code code;

  if (!(fabs(start_frame) <= 1e12))
    return mt_fail(err, MT_E_ARG, "the stimulus starts at frame %g; expected a number", start_frame);
  start = start_frame + r->sweep.start_s / r->step_s;
  end = start + (r->sweep.duration_s + ENOUGH_AFTER_S) / r->step_s;
  if (!(start >= 0.0 && end <= (double)n))
    return mt_fail(err, MT_E_DATA,
                   "the sweep takes frames %.0f to %.0f of a take of %zu frames; expected all of it inside",
                   start, end, n);
  window = start - MT_SWEEP_BEFORE_S / r->step_s;
  whole = round(window);
  skipped = whole < 0.0 ? (size_t)-whole : 0;
  first = whole < 0.0 ? 0 : (size_t)whole;
  count = r->nframes - skipped < n - first ? r->nframes - skipped : n - first;
  code = copy_window(r, x + first, count, skipped, err);
  if (code != MT_OK)
    return code;
  capture = (mt_sweep_capture){malloc((r->nfft / 2 + 1) * sizeof *capture.bins), window - whole};
  if (capture.bins == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the spectrum of a sweep");
  mt_transform_forward(r->transform, r->time, capture.bins);
  *out = capture;
  return MT_OK;
}

static double idle_density(const channel *c, double capture_hz)
{
  size_t bin = (size_t)(capture_hz / c->noise->bin_hz + 0.5);
  return c->beneath[bin < c->noise->nbins ? bin : c->noise->nbins - 1];
}

/* Y / (amplitude X), the window's part of a frame turned back, and the variance of complex bins of Y / X. Density S is
   2 x mean square per hertz: E|Y|^2 = nfft rate S / 4. */
static mt_code divide(const mt_sweep_capture *capture, channel *c, mt_error *err)
{
  const mt_sweep_reference *r = c->reference;
  size_t room = r->high_bin + LANES;
  double radians = 2.0 * MT_PI * capture->offset / (double)r->nfft, over_amplitude = 1.0 / c->amplitude;
  double idle = 0.25 * (double)r->nfft * r->rate_hz;
  complex_value turned = {1.0, 0.0}, by_bin = turn(radians);

  c->re = calloc(3 * room, sizeof *c->re);
  if (c->re == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a response");
  c->im = c->re + room;
  c->idle = c->im + room;
  for (size_t k = r->low_bin; k <= r->high_bin; k++) {
    complex_value x = {(double)r->spectrum[k].re, -(double)r->spectrum[k].im};
    complex_value y = {(double)capture->bins[k].re, (double)capture->bins[k].im};
    double over_power = r->over_power[k];
    complex_value ratio;
    /* turned on from bin to bin; afresh now and then, as errors of rounding add up */
    turned = (k - r->low_bin) % TURNED_BINS == 0 ? turn(radians * (double)k) : times(turned, by_bin);
    ratio = times(times(y, x), turned);
    c->re[k] = ratio.re * over_power * over_amplitude;
    c->im[k] = ratio.im * over_power * over_amplitude;
    if (c->noise != NULL)
      c->idle[k] = over_power * idle * idle_density(c, (double)k * r->bin_hz * r->clock_ratio);
  }
  return MT_OK;
}

/* ---- one frequency ----------------------------------------------------------------------------------- */

/* Sums over the bins under the kernel, one of four bins in each lane, ... */
typedef struct sums {
  mt_four re, im, weight_re, weight_im; /* quotient x kernel; the kernel */
  mt_four earlier_re, earlier_im, earlier_weight_re,
      earlier_weight_im; /* the same, the gate closing earlier */
  mt_four idle, transform;
} sums;

/* ... but the probes: each in a lane of its own. */
typedef struct gathering {
  sums all;
  mt_four probe_re[NPROBES / LANES], probe_im[NPROBES / LANES];
} gathering;

/* exp(-j 2 pi u T) of four bins for a fixed time T, while u falls by a bin from one to the next. */
typedef struct spinner {
  mt_turns at, step;
} spinner;

static spinner spin(double time_s, double u_hz, double bin_hz)
{
  spinner s;

  for (int lane = 0; lane < LANES; lane++) {
    complex_value at = turn(-2.0 * MT_PI * (u_hz - lane * bin_hz) * time_s);
    complex_value step = turn(2.0 * MT_PI * LANES * bin_hz * time_s);
    s.at.re[lane] = at.re;
    s.at.im[lane] = at.im;
    s.step.re[lane] = step.re;
    s.step.im[lane] = step.im;
  }
  return s;
}

/* sin(2 pi u T) / (pi u); the spinner of T knows the sine, which is too small to be known so near its zero. */
static inline void sinc(const spinner *s, double half_s, const mt_four *u_hz, double bin_hz, mt_four *out)
{
  *out = -s->at.im / (MT_PI * *u_hz);
  if ((*u_hz)[LANES - 1] > bin_hz || (*u_hz)[0] < -bin_hz)
    return;
  for (int lane = 0; lane < LANES; lane++) {
    double u = (*u_hz)[lane];
    if (fabs(u) <= bin_hz)
      (*out)[lane] = fabs(u) < 1e-9 ? 2.0 * half_s : sin(2.0 * MT_PI * u * half_s) / (MT_PI * u);
  }
}

/* What the kernel of one frequency is made of, and how far it has come. */
typedef struct sweeping {
  double half_hz, beta, scale, bin_hz;
  double half_length_s, half_earlier_s;
  spinner late, late_earlier, length, earlier; /* the gate's middle, and half of its length */
  mt_four probe_turn_re[NPROBES / LANES], probe_turn_im[NPROBES / LANES];
} sweeping;

static sweeping sweep_from(const mt_sweep_reference *r, const gate *g, double half_hz, double first_u_hz)
{
  double t2 = order_2_advance_s(&r->sweep), full = kernel_half_width_hz(g);
  double length = gate_length_s(g), cut = (1.0 - GATE_EARLIER_CLOSE) * g->late_s;
  double centre = 0.5 * (g->late_s - g->early_s);
  sweeping s = {.half_hz = half_hz,
                .beta = kaiser_beta(7.95 + (GATE_STOP_DB - 7.95) * half_hz / full),
                .bin_hz = r->bin_hz,
                .half_length_s = 0.5 * length,
                .half_earlier_s = 0.5 * (length - cut),
                .late = spin(centre, first_u_hz, r->bin_hz),
                .late_earlier = spin(centre - 0.5 * cut, first_u_hz, r->bin_hz),
                .length = spin(0.5 * length, first_u_hz, r->bin_hz),
                .earlier = spin(0.5 * (length - cut), first_u_hz, r->bin_hz)};
  mt_four square = {s.beta * s.beta}, i0;

  bessel_i0_of_square(&square, &i0);
  s.scale = 1.0 / i0[0];
  for (int p = 0; p < NPROBES; p++) {
    complex_value back =
        turn(-2.0 * MT_PI * r->bin_hz * (centre + (PROBE_FROM_OF_T2 + p * PROBE_STEP_OF_T2) * t2));
    s.probe_turn_re[p / LANES][p % LANES] = back.re;
    s.probe_turn_im[p / LANES][p % LANES] = back.im;
  }
  return s;
}

/* The kernel of four bins, and that of the gate that closes earlier. */
static inline void kernels_at(const sweeping *s, const mt_four *u_hz, mt_four *kernel, mt_four *earlier)
{
  mt_four square = s->beta * s->beta * (1.0 - *u_hz * *u_hz / (s->half_hz * s->half_hz)), kaiser;

  bessel_i0_of_square(&square, &kaiser);
  sinc(&s->length, s->half_length_s, u_hz, s->bin_hz, kernel);
  sinc(&s->earlier, s->half_earlier_s, u_hz, s->bin_hz, earlier);
  *kernel *= s->scale * kaiser;
  *earlier *= s->scale * kaiser;
}

/* quotient x kernel and the kernel alone, where the gate has its middle. */
static inline void add_turned(const mt_four *re, const mt_four *im, const mt_turns *at, const mt_four *kernel,
                              mt_four *sum_re, mt_four *sum_im, mt_four *weight_re, mt_four *weight_im)
{
  mt_four turned_re = at->re * *kernel, turned_im = at->im * *kernel;

  *sum_re += *re * turned_re - *im * turned_im;
  *sum_im += *re * turned_im + *im * turned_re;
  *weight_re += turned_re;
  *weight_im += turned_im;
}

/* Horner's scheme: of the probes only their power is wanted, so the first bin's phase does not matter. */
static inline void probe_bin(const sweeping *s, double re, double im, gathering *g)
{
  for (int p = 0; p < NPROBES / LANES; p++) {
    mt_four was_re = g->probe_re[p], was_im = g->probe_im[p];
    g->probe_re[p] = was_re * s->probe_turn_re[p] - was_im * s->probe_turn_im[p] + re;
    g->probe_im[p] = was_re * s->probe_turn_im[p] + was_im * s->probe_turn_re[p] + im;
  }
}

MT_WIDE static void gather(const channel *c, double freq_hz, const gate *g, gathering *out)
{
  const mt_sweep_reference *r = c->reference;
  double half = fmin(kernel_half_width_hz(g), freq_hz - (double)r->low_bin * r->bin_hz);
  size_t first = (size_t)ceil((freq_hz - half) / r->bin_hz), last = (size_t)((freq_hz + half) / r->bin_hz);
  gathering sum;
  sweeping s;

  memset(&sum, 0, sizeof sum);
  first = first < r->low_bin ? r->low_bin : first;
  last = last > r->high_bin ? r->high_bin : last;
  s = sweep_from(r, g, half, freq_hz - (double)first * r->bin_hz);
  for (size_t k = first; k <= last; k += LANES) {
    size_t count = last + 1 - k < LANES ? last + 1 - k : LANES;
    mt_four re = *(const mt_four_at *)(c->re + k), im = *(const mt_four_at *)(c->im + k);
    mt_four u, kernel, earlier;
    for (int lane = 0; lane < LANES; lane++)
      u[lane] = freq_hz - (double)(k + (size_t)lane) * r->bin_hz;
    kernels_at(&s, &u, &kernel, &earlier);
    for (size_t lane = count; lane < LANES; lane++)
      kernel[lane] = earlier[lane] = 0.0; /* beyond the last: outside of the kernel */
    add_turned(&re, &im, &s.late.at, &kernel, &sum.all.re, &sum.all.im, &sum.all.weight_re,
               &sum.all.weight_im);
    add_turned(&re, &im, &s.late_earlier.at, &earlier, &sum.all.earlier_re, &sum.all.earlier_im,
               &sum.all.earlier_weight_re, &sum.all.earlier_weight_im);
    re *= kernel;
    im *= kernel;
    for (size_t lane = 0; lane < count; lane++)
      probe_bin(&s, re[lane], im[lane], &sum);
    sum.all.transform += kernel * kernel * *(const mt_four_at *)(r->over_power + k);
    sum.all.idle += kernel * kernel * *(const mt_four_at *)(c->idle + k);
    mt_turns_by(&s.late.at, &s.late.step);
    mt_turns_by(&s.late_earlier.at, &s.late_earlier.step);
    mt_turns_by(&s.length.at, &s.length.step);
    mt_turns_by(&s.earlier.at, &s.earlier.step);
  }
  *out = sum;
}

static complex_value sum_of(const mt_four *re, const mt_four *im)
{
  return (complex_value){mt_four_sum(re), mt_four_sum(im)};
}

/*
 * A line (hum) that goes on through the sweep is, divided by it, a steady line still: the gate lets so much of it
 * through. Power is the amplitude squared: |Y| = nfft amplitude / 2.
 */
static void add_lines(const channel *c, double freq_hz, const gate *g, double weight, reading *out)
{
  const mt_sweep_reference *r = c->reference;
  double half = fmin(kernel_half_width_hz(g), freq_hz - (double)r->low_bin * r->bin_hz);
  double length = gate_length_s(g),
         beta = kaiser_beta(7.95 + (GATE_STOP_DB - 7.95) * half / kernel_half_width_hz(g));

  for (size_t i = 0; i < c->nlines; i++) {
    double u = freq_hz - c->lines[i].freq_hz / r->clock_ratio, kernel;
    mt_four square, i0;
    size_t bin = (size_t)((freq_hz - u) / r->bin_hz + 0.5);
    if (fabs(u) >= half || bin < r->low_bin || bin > r->high_bin)
      continue;
    square = (mt_four){beta * beta * (1.0 - u * u / (half * half)), beta * beta};
    bessel_i0_of_square(&square, &i0);
    kernel = i0[0] / i0[1];
    kernel *= fabs(u) < 1e-9 ? length : sin(MT_PI * u * length) / (MT_PI * u);
    out->line_variance += kernel * kernel * 0.25 * (double)r->nfft * (double)r->nfft * c->lines[i].power *
                          r->over_power[bin] / (weight * c->amplitude * c->amplitude);
  }
}

static complex_value over(complex_value a, complex_value b)
{
  complex_value product = times(a, (complex_value){b.re, -b.im});
  return (complex_value){product.re / power(b), product.im / power(b)};
}

/* How much the gate's ripple lets through, and whether its kernel had to be cut short (see gather()). */
static void set_ripple(const mt_sweep_reference *r, double freq_hz, const gate *g, reading *out)
{
  double full = kernel_half_width_hz(g), half = fmin(full, freq_hz - (double)r->low_bin * r->bin_hz);
  double periods = full / (freq_hz - r->sweep.from_hz);

  out->is_cut_short = half < full;
  out->ripple = mt_ratio_of_db(-(7.95 + (GATE_STOP_DB - 7.95) * half / full)) * fmin(1.0, periods * periods);
}

/* Dividing by the sum of the kernel makes a flat response read flat exactly. */
static reading read_at(const channel *c, double freq_hz)
{
  const mt_sweep_reference *r = c->reference;
  gate g = gate_at(&r->sweep, freq_hz);
  double span = NPROBES * PROBE_STEP_OF_T2 * order_2_advance_s(&r->sweep);
  complex_value whole, whole_weight, earlier, earlier_weight;
  gathering sum;
  reading out;
  double looks = fmin(NPROBES, span / gate_length_s(&g));
  double weight, probed[NPROBES];

  gather(c, freq_hz, &g, &sum);
  whole = sum_of(&sum.all.re, &sum.all.im);
  whole_weight = sum_of(&sum.all.weight_re, &sum.all.weight_im);
  earlier = sum_of(&sum.all.earlier_re, &sum.all.earlier_im);
  earlier_weight = sum_of(&sum.all.earlier_weight_re, &sum.all.earlier_weight_im);
  weight = power(whole_weight);
  out.value = over(whole, whole_weight);
  out.closed_earlier = over(earlier, earlier_weight);
  for (int p = 0; p < NPROBES; p++)
    probed[p] =
        power((complex_value){sum.probe_re[p / LANES][p % LANES], sum.probe_im[p / LANES][p % LANES]});
  mt_order_sort(probed, NPROBES);
  out.record_variance =
      0.5 * (probed[NPROBES / 2 - 1] + probed[NPROBES / 2]) / (MEDIAN_OF_MEAN(looks) * weight);
  out.record_freedom = MEDIAN_FREEDOM(looks);
  out.idle_variance = mt_four_sum(&sum.all.idle) / (weight * c->amplitude * c->amplitude);
  out.cut_share = (1.0 - GATE_EARLIER_CLOSE) * g.late_s / gate_length_s(&g);
  out.line_variance = 0.0;
  add_lines(c, freq_hz, &g, weight, &out);
  set_ripple(r, freq_hz, &g, &out);
  out.float_variance = mt_four_sum(&sum.all.transform) * TRANSFORM_FLOOR * TRANSFORM_FLOOR *
                       (c->capture_power + power(out.value) * r->mean_power) / weight;
  return out;
}

/* ---- is it there, and in its place? ------------------------------------------------------------------ */

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static double delay_at(const channel *c, double freq_hz)
{
  complex_value low = read_at(c, freq_hz - DELAY_STEP_HZ).value;
  complex_value high = read_at(c, freq_hz + DELAY_STEP_HZ).value;
  complex_value ratio = times(high, (complex_value){low.re, -low.im});
  return -atan2(ratio.im, ratio.re) / (4.0 * MT_PI * DELAY_STEP_HZ);
}

/* Median delay left in the channel, seconds; 0 if it cannot be told. */
static mt_code check_presence(const channel *c, double from_hz, double to_hz, double *delay_s, mt_error *err)
{
  double delays[NPRESENCE];
  double low = fmax(from_hz + DELAY_STEP_HZ, PRESENCE_FROM_HZ);
  double high = fmin(to_hz - DELAY_STEP_HZ, PRESENCE_TO_HZ);
  int present = 0, ndelays = 0;

  for (int i = 0; i < NPRESENCE; i++) {
    double f = low * pow(high / low, (double)i / (NPRESENCE - 1));
    reading r = read_at(c, f);
    if (power(r.value) <= 4.0 * r.float_variance || !(power(r.value) > PRESENCE_POWER * r.record_variance))
      continue;
    present++;
    if (power(r.value) > DELAY_POWER * r.record_variance)
      delays[ndelays++] = delay_at(c, f);
  }
  if (present < PRESENCE_LEAST)
    return mt_fail(
        err, MT_E_DATA,
        "no sweep in this channel: %d of %d frequencies stand out of its noise; expected at least %d",
        present, NPRESENCE, PRESENCE_LEAST);
  qsort(delays, (size_t)ndelays, sizeof *delays, compare_doubles);
  *delay_s = ndelays > 0 ? delays[ndelays / 2] : 0.0;
  if (!(*delay_s >= DELAY_EARLIEST_S && *delay_s <= DELAY_LATEST_S))
    return mt_fail(
        err, MT_E_DATA,
        "the sweep lies %.1f ms from where the marks say; expected %.0f to %.0f ms: frames were lost",
        1e3 * *delay_s, 1e3 * DELAY_EARLIEST_S, 1e3 * DELAY_LATEST_S);
  return MT_OK;
}

/* ---- the result -------------------------------------------------------------------------------------- */

static mt_code check_noise(const mt_psd *noise, mt_error *err)
{
  if (noise == NULL)
    return MT_OK;
  if (noise->density == NULL || noise->nbins == 0 || !(noise->bin_hz > 0.0) || !isfinite(noise->bin_hz))
    return mt_fail(err, MT_E_ARG, "an empty noise density; expected one, or none");
  for (size_t i = 0; i < noise->nbins; i++)
    if (!(noise->density[i] >= 0.0 && isfinite(noise->density[i])))
      return mt_fail(err, MT_E_ARG, "noise density %zu is %g; expected a finite power per hertz", i,
                     noise->density[i]);
  return MT_OK;
}

static mt_code part_noise(channel *c, mt_error *err)
{
  if (c->noise == NULL)
    return MT_OK;
  c->beneath = malloc(c->noise->nbins * sizeof *c->beneath);
  if (c->beneath == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a noise density");
  c->nlines = mt_psd_part(c->noise, c->beneath, c->lines, LINES_MAX);
  return MT_OK;
}

static mt_code check_frequencies(const double *freq_hz, size_t n, double from_hz, double to_hz, mt_error *err)
{
  if (n == 0)
    return mt_fail(err, MT_E_ARG, "no frequency asked for; expected at least 1");
  for (size_t i = 0; i < n; i++) {
    if (!(freq_hz[i] >= from_hz && freq_hz[i] <= to_hz))
      return mt_fail(err, MT_E_ARG,
                     "response asked for at %g Hz; expected %g to %g Hz, the band of the sweep", freq_hz[i],
                     from_hz, to_hz);
    if (i > 0 && !(freq_hz[i] > freq_hz[i - 1]))
      return mt_fail(err, MT_E_ARG, "frequency %zu is %g Hz after %g Hz; expected ascending", i, freq_hz[i],
                     freq_hz[i - 1]);
  }
  return MT_OK;
}

static mt_code allocate(mt_transfer *t, size_t n, mt_error *err)
{
  *t = (mt_transfer){.npoints = n};
  t->freq_hz = calloc(n, sizeof(double));
  t->gain_db = calloc(n, sizeof(double));
  t->phase_deg = calloc(n, sizeof(double));
  t->uncertainty_db = calloc(n, sizeof(double));
  t->uncertainty_deg = calloc(n, sizeof(double));
  if (t->freq_hz != NULL && t->gain_db != NULL && t->phase_deg != NULL && t->uncertainty_db != NULL &&
      t->uncertainty_deg != NULL)
    return MT_OK;
  mt_transfer_finish(t);
  return mt_fail(err, MT_E_MEMORY, "out of memory for a response of %zu points", n);
}

void mt_transfer_finish(mt_transfer *transfer)
{
  if (transfer == NULL)
    return;
  free(transfer->freq_hz);
  free(transfer->gain_db);
  free(transfer->phase_deg);
  free(transfer->uncertainty_db);
  free(transfer->uncertainty_deg);
  *transfer = (mt_transfer){0};
}

/* The record is looked at even where the idle noise is known: a unit may hiss more when it plays. It counts when it is
   more than its own spread explains. */
static bool hisses(const reading *r)
{
  return r->record_variance >
         (r->idle_variance + r->line_variance) * (1.0 + 3.0 * sqrt(2.0 / r->record_freedom));
}

/* Variance of the complex value. A line is no more than its amplitude off, which is 1.4 standard deviations, not 2; but
   what is read off several points adds up lines in several phases, and that is like noise. */
static double noise_variance(const reading *r)
{
  double student = mt_student_over_normal(r->record_freedom);
  return (hisses(r) ? r->record_variance * student * student : r->idle_variance + r->line_variance) +
         r->float_variance;
}

/* Expanded, of the value's size. */
static double relative_uncertainty(const reading *r)
{
  double gate_re = r->value.re - r->closed_earlier.re, gate_im = r->value.im - r->closed_earlier.im;
  double moved = gate_re * gate_re + gate_im * gate_im;
  double value = power(r->value), noise = noise_variance(r), all;

  /* a gate that closes earlier also hears less noise: noise alone passes this in 2 of 100 */
  if (moved < 4.0 * noise * r->cut_share)
    moved = 0.0;
  /* half of the complex variance lies along the value, half across; k = 2: 4 x 1/2 */
  all = 2.0 * noise + moved;
  if (!(value > all))
    return REL_MOST;
  return fmin(REL_MOST, sqrt(all / value));
}

/* Degrees, the delay taken out, not unwrapped. */
static double phase_of(const reading *r, double freq_hz, double delay_s)
{
  complex_value level = times(r->value, turn(2.0 * MT_PI * freq_hz * delay_s));
  return atan2(level.im, level.re) * 180.0 / MT_PI;
}

static double nearest_turn(double phase_deg, double to_deg)
{
  return phase_deg + 360.0 * round((to_deg - phase_deg) / 360.0);
}

/* The phase at the last frequency before `to_hz`, unwrapped by small steps: where the points asked for lie far
   apart, others are read in between. */
static double follow_phase(const channel *c, double phase_deg, double from_hz, double to_hz, double delay_s)
{
  int nsteps = (int)ceil(log2(to_hz / from_hz) * UNWRAP_STEPS_PER_OCTAVE);

  for (int i = 1; i < nsteps; i++) {
    double f = from_hz * pow(to_hz / from_hz, (double)i / nsteps);
    reading r = read_at(c, f);
    phase_deg = nearest_turn(phase_of(&r, f, delay_s), phase_deg);
  }
  return phase_deg;
}

static void store(mt_transfer *t, size_t i, double freq_hz, const reading *r)
{
  double rel = relative_uncertainty(r);
  double phase_ripple = r->ripple * (r->is_cut_short ? RIPPLE_TAKEN_BY_PHASE : RIPPLE_TAKEN);

  t->freq_hz[i] = freq_hz;
  t->gain_db[i] = mt_db_of_power(fmax(power(r->value), 1e-60));
  t->uncertainty_db[i] =
      hypot(-mt_db_of_ratio(1.0 - rel), FLOOR_DB + RIPPLE_TAKEN * DB_PER_RELATIVE * r->ripple);
  t->uncertainty_deg[i] =
      rel < REL_MOST
          ? fmin(180.0, hypot(asin(rel) * DEG_PER_RELATIVE, FLOOR_DEG + DEG_PER_RELATIVE * phase_ripple))
          : 180.0;
}

/* Put the delay back, and bring the point nearest 1 kHz to -179 ... 181 degrees: an inverted unit then reads
   +180, whichever way the noise leans. */
static void settle_phase(mt_transfer *t, double delay_s)
{
  double whole;
  size_t middle = 0;

  for (size_t i = 0; i < t->npoints; i++) {
    t->phase_deg[i] -= 360.0 * t->freq_hz[i] * delay_s;
    if (fabs(log(t->freq_hz[i] / 1000.0)) < fabs(log(t->freq_hz[middle] / 1000.0)))
      middle = i;
  }
  whole = 360.0 * ceil((t->phase_deg[middle] - 181.0) / 360.0);
  for (size_t i = 0; i < t->npoints; i++)
    t->phase_deg[i] -= whole;
}

static mt_code read_all(const channel *c, const double *freq_hz, size_t npoints, double from_hz, double to_hz,
                        mt_transfer *out, mt_error *err)
{
  double delay_s = 0.0;
  mt_code code = check_presence(c, from_hz, to_hz, &delay_s, err);

  if (code == MT_OK)
    code = allocate(out, npoints, err);
  if (code != MT_OK)
    return code;
  for (size_t i = 0; i < npoints; i++) {
    reading r = read_at(c, freq_hz[i]);
    store(out, i, freq_hz[i], &r);
    out->phase_deg[i] = phase_of(&r, freq_hz[i], delay_s);
    if (i > 0)
      out->phase_deg[i] = nearest_turn(
          out->phase_deg[i], follow_phase(c, out->phase_deg[i - 1], freq_hz[i - 1], freq_hz[i], delay_s));
  }
  settle_phase(out, delay_s);
  return MT_OK;
}

mt_code mt_response_of_capture(const mt_sweep_reference *reference, const mt_sweep_capture *capture,
                               double amplitude, const mt_psd *noise, const double *freq_hz, size_t npoints,
                               mt_transfer *out, mt_error *err)
{
  channel c = {.reference = reference, .noise = noise, .amplitude = amplitude};
  double from_hz = 0.0, to_hz = 0.0;
  mt_code code;

  if (!(amplitude > 0.0 && isfinite(amplitude)))
    return mt_fail(err, MT_E_ARG, "the sweep was played with an amplitude of %g; expected more than 0",
                   amplitude);
  mt_response_band(&reference->sweep, reference->rate_hz / reference->clock_ratio, &from_hz, &to_hz);
  code = check_frequencies(freq_hz, npoints, from_hz, to_hz, err);
  if (code == MT_OK)
    code = check_noise(noise, err);
  if (code == MT_OK)
    code = part_noise(&c, err);
  if (code == MT_OK)
    code = divide(capture, &c, err);
  if (code == MT_OK) {
    c.capture_power = mean_bin_power(capture->bins, reference->nfft) / (amplitude * amplitude);
    code = read_all(&c, freq_hz, npoints, from_hz, to_hz, out, err);
  }
  free(c.re);
  free(c.beneath);
  return code;
}

mt_code mt_response_measure(const double *x, size_t n, double rate_hz, const mt_segment *sweep,
                            double start_frame, double clock_ratio, unsigned played, const mt_psd *noise,
                            const double *freq_hz, size_t npoints, mt_transfer *out, mt_error *err)
{
  mt_sweep_reference *reference = NULL;
  mt_sweep_capture capture = {0};
  mt_code code;

  if (played >= MT_STIMULUS_CHANNELS)
    return mt_fail(err, MT_E_ARG, "stimulus channel %u; expected 0 to %d", played, MT_STIMULUS_CHANNELS - 1);
  code = mt_sweep_reference_create(sweep, rate_hz, clock_ratio, &reference, err);
  if (code != MT_OK)
    return code;
  code = mt_sweep_capture_init(reference, x, n, start_frame, &capture, err);
  if (code == MT_OK)
    code = mt_response_of_capture(reference, &capture, sweep->amplitude[played], noise, freq_hz, npoints, out,
                                  err);
  mt_sweep_capture_finish(&capture);
  mt_sweep_reference_destroy(&reference);
  return code;
}
