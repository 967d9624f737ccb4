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
/* Looks as far apart as this, or a little nearer, go into the time that all bins tell of a whole number of times. */
#define PROBES_MOST 128
/* Lines in the idle noise that are known one by one. */
#define LINES_MAX 32
#define PROBE_FROM_OF_T2 2.1
#define PROBE_STEP_OF_T2 0.38

/* An order that folds back at half the rate passes through some of the looks, so their median counts. Of n independent
   exponential values it is near 0.71 + 0.24 / n of their mean, with so many degrees of freedom (simulated: of 16 looks
   0.77 and 8 where 4 are independent, 0.725 and 17 where all are). */
#define MEDIAN_OF_MEAN(n) (0.71 + 0.24 / (n))
#define MEDIAN_FREEDOM(n) (1.0 / (1.0 / (2.6 * (n)) + 1.0 / 27.0))

#define BESSEL_TERMS 16
/* Frames of the sweep rendered at once */
#define CHUNK 1024
#define LANES 4 /* bins side by side, an mt_four */

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
  const mt_sweep_capture *capture;
  double amplitude; /* played: the reading is per unit of it */
  double *idle; /* owned: variance of a bin by idle noise without lines, where the sweep has a power of 1 */
  double idle_bin; /* of it, from bin to bin of the quotient */
  mt_psd_line lines[LINES_MAX];
  size_t nlines;
  size_t nround; /* bins after which the probes' turns come round, a multiple of LANES */
  mt_turns probe_turn[PROBES_MOST][NPROBES / LANES];
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
   to 7.9, what is left out is below 1e-9 of it. Four sums at once hide the time an addition takes. */
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
                                                             1.0 / 1.7100122527241995e+24};
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

static void render(const mt_sweep_reference *r, float *time)
{
  double ignored[CHUNK], sine[CHUNK], gain[CHUNK];
  size_t first = (size_t)ceil(MT_SWEEP_BEFORE_S / r->step_s);
  size_t end = (size_t)((MT_SWEEP_BEFORE_S + r->sweep.duration_s) / r->step_s) + 1;

  if (end > r->nframes)
    end = r->nframes;
  memset(time, 0, first * sizeof *time);
  memset(time + end, 0, (r->nfft - end) * sizeof *time);
  for (size_t begin = first; begin < end; begin += CHUNK) {
    size_t count = end - begin < CHUNK ? end - begin : CHUNK;
    double t = (double)begin * r->step_s - MT_SWEEP_BEFORE_S;
    mt_sweep_render_phase(&r->sweep, t, r->step_s, count, ignored, sine);
    mt_fade_render(&r->sweep, t, r->step_s, count, gain, NULL);
    for (size_t i = 0; i < count; i++)
      time[begin + i] = (float)(gain[i] * sine[i]);
  }
}

/* Two bins of a spectrum. */
static inline void two_bins(const mt_bin *bins, mt_four *out)
{
  *out = __builtin_convertvector((mt_floats) * (const mt_floats_at *)bins, mt_four);
}

MT_WIDE static double mean_bin_power(const mt_bin *bins, size_t nbins)
{
  mt_four sum = {0.0}, other = {0.0};
  double last = 0.0;
  size_t k = 0;

  for (; k + 4 <= nbins; k += 4) {
    mt_four here, next;
    two_bins(bins + k, &here);
    two_bins(bins + k + 2, &next);
    sum += here * here;
    other += next * next;
  }
  for (; k < nbins; k++)
    last += (double)bins[k].re * (double)bins[k].re + (double)bins[k].im * (double)bins[k].im;
  sum += other;
  return (mt_four_sum(&sum) + last) / (double)nbins;
}

/* Bins from `low` to `high`, which are not 0, and after them one that does not count. */
MT_WIDE static void invert(mt_bin *bins, size_t low, size_t high)
{
  static const mt_four conjugate = {1.0, -1.0, 1.0, -1.0};

  for (size_t k = low; k <= high; k += 2) {
    mt_four x, square;
    two_bins(bins + k, &x);
    square = x * x;
    x = x * conjugate / (square + __builtin_shufflevector(square, square, 1, 0, 3, 2));
    *(mt_floats_at *)(bins + k) = __builtin_convertvector(x, mt_floats);
  }
}

/* Complex, bin by bin. */
MT_WIDE static void multiply_bins(mt_bin *bins, const mt_bin *by, size_t low, size_t high)
{
  static const mt_four sign = {-1.0, 1.0, -1.0, 1.0};

  for (size_t k = low; k <= high; k += 2) {
    mt_four x, y;
    two_bins(bins + k, &x);
    two_bins(by + k, &y);
    x = x * __builtin_shufflevector(y, y, 0, 0, 2, 2) +
        sign * __builtin_shufflevector(x, x, 1, 0, 3, 2) * __builtin_shufflevector(y, y, 1, 1, 3, 3);
    *(mt_floats_at *)(bins + k) = __builtin_convertvector(x, mt_floats);
  }
}

/* All but the solid bins. */
static void clear_rest(const mt_sweep_reference *r, mt_bin *bins)
{
  memset(bins, 0, r->low_bin * sizeof *bins);
  memset(bins + r->high_bin + 1, 0, (mt_sweep_bins(r) - r->high_bin - 1) * sizeof *bins);
}

static mt_code fill_inverse(mt_sweep_reference *r, mt_error *err)
{
  float *time = malloc(r->nfft * sizeof *time);
  mt_code code = mt_transform_create(r->nfft, &r->transform, err);

  r->inverse = malloc(mt_sweep_bins(r) * sizeof *r->inverse);
  if (code == MT_OK && (r->inverse == NULL || time == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the sweep's spectrum");
  if (code == MT_OK) {
    render(r, time);
    mt_transform_forward(r->transform, time, r->inverse);
    r->mean_power = mean_bin_power(r->inverse, r->nfft / 2 + 1);
    invert(r->inverse, r->low_bin, r->high_bin);
    clear_rest(r, r->inverse);
  }
  free(time);
  return code;
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
  code = fill_inverse(r, err);
  if (code != MT_OK)
    mt_sweep_reference_destroy(&r);
  if (code == MT_OK)
    *out = r;
  return code;
}

void mt_sweep_reference_destroy(mt_sweep_reference **reference)
{
  if (reference == NULL || *reference == NULL)
    return;
  mt_transform_destroy(&(*reference)->transform);
  free((*reference)->inverse);
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
static mt_code copy_window(const mt_sweep_reference *r, const double *x, size_t n, size_t at, float *time,
                           mt_error *err)
{
  size_t fade = (size_t)(EDGE_FADE_S * r->rate_hz);
  double sum = 0.0, mean;

  if (!mt_wide_sum(x, n, ABSURD_SAMPLE, &sum))
    for (size_t i = 0; i < n; i++)
      if (!(fabs(x[i]) <= ABSURD_SAMPLE))
        return mt_fail(err, MT_E_DATA, "sample %zu of the sweep is %g; expected a finite number near +-1", i,
                       x[i]);
  mean = sum / (double)n;
  memset(time, 0, at * sizeof *time);
  for (size_t i = 0; i < n; i++)
    time[at + i] = (float)(x[i] - mean);
  for (size_t i = 0; i < n && i < fade; i++) {
    time[at + i] = (float)((x[i] - mean) * edge_gain(i, n, fade));
    time[at + n - 1 - i] = (float)((x[n - 1 - i] - mean) * edge_gain(n - 1 - i, n, fade));
  }
  memset(time + at + n, 0, (r->nfft - at - n) * sizeof *time);
  return MT_OK;
}

void mt_sweep_capture_finish(mt_sweep_capture *capture)
{
  free(capture->quotient);
  *capture = (mt_sweep_capture){0};
}

/* The window's x[n], which lie `at` frames after its start. */
static mt_code divide(const mt_sweep_reference *r, const double *x, size_t n, size_t at,
                      mt_sweep_capture *out, mt_error *err)
{
  float *time = malloc(r->nfft * sizeof *time);
  mt_bin *bins = malloc(mt_sweep_bins(r) * sizeof *bins);
  mt_code code = time != NULL && bins != NULL
                     ? copy_window(r, x, n, at, time, err)
                     : mt_fail(err, MT_E_MEMORY, "out of memory for the spectrum of a sweep");

  if (code == MT_OK) {
    mt_transform_forward(r->transform, time, bins);
    out->mean_power = mean_bin_power(bins, r->nfft / 2 + 1);
    multiply_bins(bins, r->inverse, r->low_bin, r->high_bin);
    clear_rest(r, bins);
    out->quotient = bins;
  } else {
    free(bins);
  }
  free(time);
  return code;
}

mt_code mt_sweep_capture_init(const mt_sweep_reference *r, const double *x, size_t n, double start_frame,
                              mt_sweep_capture *out, mt_error *err)
{
  double start, end;
  double window, whole;
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
  code = divide(r, x + first, count, skipped, out, err);
  out->offset = window - whole;
  return code;
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
  mt_turns probe[NPROBES / LANES];
} gathering;

/* exp(-j 2 pi u T) of four bins for a fixed time T, while u falls by a bin from one to the next. */
typedef struct spinner {
  mt_turns at, step;
} spinner;

static spinner spin(double time_s, double u_hz, double bin_hz)
{
  complex_value at = turn(-2.0 * MT_PI * u_hz * time_s), by_bin = turn(2.0 * MT_PI * bin_hz * time_s);
  complex_value by_two = times(by_bin, by_bin), by_four = times(by_two, by_two);
  spinner s;

  for (int lane = 0; lane < LANES; lane++, at = times(at, by_bin)) {
    s.at.re[lane] = at.re;
    s.at.im[lane] = at.im;
    s.step.re[lane] = by_four.re;
    s.step.im[lane] = by_four.im;
  }
  return s;
}

/* What the kernel of one frequency is made of, and how far it has come. */
typedef struct sweeping {
  double bin_hz, over_half, beta_square, scale;
  double opens_s, closes_s, closes_earlier_s;
  spinner open, close, close_earlier;
} sweeping;

static double kernel_beta(const gate *g, double half_hz)
{
  return kaiser_beta(7.95 + (GATE_STOP_DB - 7.95) * half_hz / kernel_half_width_hz(g));
}

static sweeping sweep_from(const mt_sweep_reference *r, const gate *g, double half_hz, double first_u_hz)
{
  double beta = kernel_beta(g, half_hz);
  sweeping s = {.bin_hz = r->bin_hz, .over_half = 1.0 / half_hz, .beta_square = beta * beta};
  mt_four square = {s.beta_square}, i0;

  /* of the gate's edges, their middle */
  s.opens_s = -g->early_s - 0.5 * g->edge_s;
  s.closes_s = g->late_s + 0.5 * g->edge_s;
  s.closes_earlier_s = s.closes_s - (1.0 - GATE_EARLIER_CLOSE) * g->late_s;
  s.open = spin(s.opens_s, first_u_hz, r->bin_hz);
  s.close = spin(s.closes_s, first_u_hz, r->bin_hz);
  s.close_earlier = spin(s.closes_earlier_s, first_u_hz, r->bin_hz);
  bessel_i0_of_square(&square, &i0);
  s.scale = 1.0 / i0[0];
  return s;
}

/* The transform of a gate from one time to another, exactly, for the bins next to u = 0. */
static complex_value gate_at_bin(double from_s, double to_s, double u_hz)
{
  double length = to_s - from_s;
  double sinc = fabs(u_hz) < 1e-9 ? length : sin(MT_PI * u_hz * length) / (MT_PI * u_hz);
  complex_value at = turn(-MT_PI * u_hz * (from_s + to_s));
  return (complex_value){sinc * at.re, sinc * at.im};
}

/* (exp(-j 2 pi u from) - exp(-j 2 pi u to)) / (j 2 pi u), both known to rounding, which is too little near u = 0. */
static inline void transform_gate(const mt_turns *from, const mt_turns *to, const mt_four *over_u,
                                  mt_turns *out)
{
  out->re = (from->im - to->im) * *over_u;
  out->im = (to->re - from->re) * *over_u;
}

/* The kernels of four bins: of the gate, and of the one that closes earlier. */
static inline void kernels_at(sweeping *s, const mt_four *u_hz, mt_turns *kernel, mt_turns *earlier)
{
  mt_four part = *u_hz * s->over_half, square = s->beta_square * (1.0 - part * part), kaiser;
  mt_four over_u = 0.5 / MT_PI / *u_hz;

  transform_gate(&s->open.at, &s->close.at, &over_u, kernel);
  transform_gate(&s->open.at, &s->close_earlier.at, &over_u, earlier);
  if ((*u_hz)[LANES - 1] <= s->bin_hz && (*u_hz)[0] >= -s->bin_hz)
    for (int lane = 0; lane < LANES; lane++)
      if (fabs((*u_hz)[lane]) <= s->bin_hz) {
        complex_value whole = gate_at_bin(s->opens_s, s->closes_s, (*u_hz)[lane]);
        complex_value part_of_it = gate_at_bin(s->opens_s, s->closes_earlier_s, (*u_hz)[lane]);
        kernel->re[lane] = whole.re;
        kernel->im[lane] = whole.im;
        earlier->re[lane] = part_of_it.re;
        earlier->im[lane] = part_of_it.im;
      }
  bessel_i0_of_square(&square, &kaiser);
  kaiser *= s->scale;
  kernel->re *= kaiser;
  kernel->im *= kaiser;
  earlier->re *= kaiser;
  earlier->im *= kaiser;
  mt_turns_by(&s->open.at, &s->open.step);
  mt_turns_by(&s->close.at, &s->close.step);
  mt_turns_by(&s->close_earlier.at, &s->close_earlier.step);
}

/* Four bins, apart. */
static inline void four_bins(const mt_bin *bins, mt_turns *out)
{
  mt_eight_floats all = *(const mt_eight_floats_at *)bins;
  mt_four_pairs(&all, &out->re, &out->im);
}

/* Idle noise of four bins, each taken from the one of its own that is nearest. */
static inline void idle_of(const channel *c, size_t k, mt_four *out)
{
  typedef int four_ints __attribute__((vector_size(LANES * sizeof(int))));
  mt_four lane = {0.0, 1.0, 2.0, 3.0};
  four_ints at = __builtin_convertvector(c->idle_bin * ((double)k + lane) + 0.5, four_ints);

  *out = (mt_four){c->idle[at[0]], c->idle[at[1]], c->idle[at[2]], c->idle[at[3]]};
}

/* @param share  the quotient x kernel of four bins, to be looked at through gates moved late. */
static inline void add_bins(const channel *c, size_t k, const mt_turns *kernel, const mt_turns *earlier,
                            sums *sum, mt_turns *share)
{
  mt_four weight, idle, re, im;
  mt_turns y, inverse;

  four_bins(c->capture->quotient + k, &y);
  four_bins(c->reference->inverse + k, &inverse);
  idle_of(c, k, &idle);
  weight = (kernel->re * kernel->re + kernel->im * kernel->im) *
           (inverse.re * inverse.re + inverse.im * inverse.im);
  re = y.re * kernel->re - y.im * kernel->im;
  im = y.re * kernel->im + y.im * kernel->re;
  sum->re += re;
  sum->im += im;
  sum->weight_re += kernel->re;
  sum->weight_im += kernel->im;
  sum->earlier_re += y.re * earlier->re - y.im * earlier->im;
  sum->earlier_im += y.re * earlier->im + y.im * earlier->re;
  sum->earlier_weight_re += earlier->re;
  sum->earlier_weight_im += earlier->im;
  sum->transform += weight;
  sum->idle += weight * idle;
  share->re += re;
  share->im += im;
}

/* The probes lie such that their turns come round after some bins: those have been summed up, and are turned once. */
static inline void turn_probes(const channel *c, const mt_turns *folded, mt_turns probe[NPROBES / LANES])
{
  for (size_t k = 0; k < c->nround; k++) {
    double re = folded[k / LANES].re[k % LANES], im = folded[k / LANES].im[k % LANES];
    for (int p = 0; p < NPROBES / LANES; p++) {
      const mt_turns *by = &c->probe_turn[k][p];
      probe[p].re += re * by->re - im * by->im;
      probe[p].im += re * by->im + im * by->re;
    }
  }
}

MT_WIDE static void gather(const channel *c, double freq_hz, const gate *g, gathering *out)
{
  const mt_sweep_reference *r = c->reference;
  double half = fmin(kernel_half_width_hz(g), freq_hz - (double)r->low_bin * r->bin_hz), first_u;
  size_t first = (size_t)ceil((freq_hz - half) / r->bin_hz), last = (size_t)((freq_hz + half) / r->bin_hz);
  mt_turns folded[PROBES_MOST / LANES], kernel, earlier;
  mt_four lane = {0.0, 1.0, 2.0, 3.0};
  size_t at = 0;
  sweeping s;
  gathering sum;

  memset(&sum, 0, sizeof sum);
  memset(folded, 0, c->nround / LANES * sizeof *folded);
  first = first < r->low_bin ? r->low_bin : first;
  last = last > r->high_bin ? r->high_bin : last;
  first_u = freq_hz - (double)first * r->bin_hz;
  s = sweep_from(r, g, half, first_u);
  for (size_t k = first; k <= last; k += LANES) {
    mt_four u = first_u - r->bin_hz * ((double)(k - first) + lane);
    kernels_at(&s, &u, &kernel, &earlier);
    for (size_t beyond = last + 1 - k; beyond < LANES; beyond++) /* outside of the kernel */
      kernel.re[beyond] = kernel.im[beyond] = earlier.re[beyond] = earlier.im[beyond] = 0.0;
    add_bins(c, k, &kernel, &earlier, &sum.all, &folded[at]);
    at = at + 1 < c->nround / LANES ? at + 1 : 0;
  }
  turn_probes(c, folded, sum.probe);
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
  double length = gate_length_s(g), beta = kernel_beta(g, half);

  for (size_t i = 0; i < c->nlines; i++) {
    double u = freq_hz - c->lines[i].freq_hz / r->clock_ratio, kernel;
    mt_four square, i0;
    size_t bin = (size_t)((freq_hz - u) / r->bin_hz + 0.5);
    complex_value inverse;
    if (fabs(u) >= half || bin < r->low_bin || bin > r->high_bin)
      continue;
    square = (mt_four){beta * beta * (1.0 - u * u / (half * half)), beta * beta};
    bessel_i0_of_square(&square, &i0);
    kernel = i0[0] / i0[1];
    kernel *= fabs(u) < 1e-9 ? length : sin(MT_PI * u * length) / (MT_PI * u);
    inverse = (complex_value){(double)r->inverse[bin].re, (double)r->inverse[bin].im};
    out->line_variance += kernel * kernel * 0.25 * (double)r->nfft * (double)r->nfft * c->lines[i].power *
                          power(inverse) / (weight * c->amplitude * c->amplitude);
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
  double span = NPROBES / ((double)c->nround * r->bin_hz);
  double looks = fmin(NPROBES, span / gate_length_s(&g)), square = c->amplitude * c->amplitude;
  /* the window's part of a frame turned back, and per unit played */
  complex_value back = turn(2.0 * MT_PI * freq_hz * c->capture->offset * r->step_s);
  complex_value whole_weight, earlier_weight;
  double weight, probed[NPROBES];
  gathering sum;
  reading out;

  gather(c, freq_hz, &g, &sum);
  back = (complex_value){back.re / c->amplitude, back.im / c->amplitude};
  whole_weight = sum_of(&sum.all.weight_re, &sum.all.weight_im);
  earlier_weight = sum_of(&sum.all.earlier_weight_re, &sum.all.earlier_weight_im);
  weight = power(whole_weight);
  out.value = times(back, over(sum_of(&sum.all.re, &sum.all.im), whole_weight));
  out.closed_earlier = times(back, over(sum_of(&sum.all.earlier_re, &sum.all.earlier_im), earlier_weight));
  for (int p = 0; p < NPROBES; p++)
    probed[p] =
        power((complex_value){sum.probe[p / LANES].re[p % LANES], sum.probe[p / LANES].im[p % LANES]});
  mt_order_sort(probed, NPROBES);
  out.record_variance =
      0.5 * (probed[NPROBES / 2 - 1] + probed[NPROBES / 2]) / (MEDIAN_OF_MEAN(looks) * weight * square);
  out.record_freedom = MEDIAN_FREEDOM(looks);
  out.idle_variance = mt_four_sum(&sum.all.idle) / (weight * square);
  out.cut_share = (1.0 - GATE_EARLIER_CLOSE) * g.late_s / gate_length_s(&g);
  out.line_variance = 0.0;
  add_lines(c, freq_hz, &g, weight, &out);
  set_ripple(r, freq_hz, &g, &out);
  out.float_variance = mt_four_sum(&sum.all.transform) * TRANSFORM_FLOOR * TRANSFORM_FLOOR *
                       (c->capture->mean_power / square + power(out.value) * r->mean_power) / weight;
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

/* The noise without its lines, as the variance it gives to a bin. Density S is 2 x mean square per hertz:
   E|Y|^2 = nfft rate S / 4. */
static mt_code part_noise(channel *c, const mt_psd *noise, mt_error *err)
{
  const mt_sweep_reference *r = c->reference;
  double scale = 0.25 * (double)r->nfft * r->rate_hz;
  size_t nbins, nread;

  c->idle_bin = noise != NULL ? r->bin_hz * r->clock_ratio / noise->bin_hz : 0.0;
  nbins = noise != NULL ? noise->nbins : 1;
  nread = (size_t)(c->idle_bin * (double)(r->high_bin + LANES)) + 2;
  nread = nread > nbins ? nread : nbins;
  c->idle = calloc(nread, sizeof *c->idle);
  if (c->idle == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a noise density");
  if (noise == NULL)
    return MT_OK;
  c->nlines = mt_psd_part(noise, c->idle, c->lines, LINES_MAX);
  for (size_t i = 0; i < nread; i++)
    c->idle[i] = i < nbins ? scale * c->idle[i] : c->idle[nbins - 1];
  return MT_OK;
}

static void place_probes(channel *c)
{
  const mt_sweep_reference *r = c->reference;
  double all_of_t2 = 1.0 / (r->bin_hz * order_2_advance_s(&r->sweep)), from;
  size_t fours = (size_t)ceil(all_of_t2 / (LANES * PROBE_STEP_OF_T2));

  c->nround = LANES * (fours < PROBES_MOST / LANES ? fours : PROBES_MOST / LANES);
  from = ceil(PROBE_FROM_OF_T2 / all_of_t2 * (double)c->nround);
  for (size_t k = 0; k < c->nround; k++)
    for (int p = 0; p < NPROBES; p++) {
      complex_value at =
          turn(2.0 * MT_PI * fmod((double)k * (from + p), (double)c->nround) / (double)c->nround);
      c->probe_turn[k][p / LANES].re[p % LANES] = at.re;
      c->probe_turn[k][p / LANES].im[p % LANES] = at.im;
    }
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
  channel c = {.reference = reference, .capture = capture, .amplitude = amplitude};
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
    code = part_noise(&c, noise, err);
  if (code == MT_OK) {
    place_probes(&c);
    code = read_all(&c, freq_hz, npoints, from_hz, to_hz, out, err);
  }
  free(c.idle);
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
