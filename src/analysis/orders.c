#include "analysis/orders.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/wide.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

/* Kaiser design of the window in time, seen as a kernel over frequency: half its width is this over the time
   it takes to open. Order = (A - 7.95) / (2.285 x transition), time and frequency changed over. */
#define STOP_DB 120.0
#define BETA (0.1102 * (STOP_DB - 8.7))
#define HALF_WIDTH ((STOP_DB - 7.95) / (2.285 * 4.0 * MT_PI))

/* The window, in units of the time it takes to open and to close. */
#define EARLY 0.2
#define LATE 0.5
#define LENGTH (EARLY + LATE + 1.0)
#define CENTRE (0.5 * (LATE - EARLY))

/* It opens over this of the way to the next order, whose ringing it so stops after 0.28 of that, ... */
#define EDGE_OF_GAP 0.6
/* ... and above some frequency over so many periods. */
#define EDGE_PERIODS 90.0

#define TABLE 8192
#define LANES 4 /* bins side by side, an mt_four */

/* Rounding of the float transform: nothing below is told from nothing, not even in digital silence. */
#define LEAST_DB (-140.0)

/* Read from polynomials whose harmonics are known, mid-band and at the edges: what is left with all known. */
#define METHOD_DB 0.01

#define DB_PER_RELATIVE 4.3429448190325182 /* of a power: 10 / ln 10 */

/* Later than any response, and no order comes so early that it comes round to here. Several looks, for an order
   that folds back at half the rate does come here, at each frequency at one time. */
#define QUIET_FROM_S 0.9
#define QUIET_S 0.6
#define QUIET_LOOKS 4
/* A long gate's noise is narrow, and each look sees about so many independent values of it. The mean of the middle two
   of four exponential values is 5/6 of the mean of all (order statistics), and nearer to it the more there are; of
   such a mean, Student's t goes over the normal by 1.35 over its degrees of freedom (GUM table G.2). */
#define LOOK_SHARE 0.6
#define TRIMMED (1.0 / 6.0)
#define LOOK_FREEDOM 5.0
#define HANN_MEAN_SQUARE 0.375

struct mt_orders {
  const mt_sweep_reference *reference;
  const mt_bin *quotient; /* [nfft / 2 + 1], 0 outside the solid part of the sweep */
  double quiet_hz;        /* from bin to bin of the looks at the noise */
  size_t nquiet;          /* bins of each */
  float *noise;           /* [QUIET_LOOKS x nquiet], power a bin of the quotient has of noise */
};

static double bessel_i0(double x)
{
  double term = 1.0, sum = 1.0, quarter = 0.25 * x * x;
  for (int k = 1; term > 1e-12 * sum; k++) {
    term *= quarter / ((double)k * (double)k);
    sum += term;
  }
  return sum;
}

/* Over the half width, from the middle out, and the change to the next; the same for all, made by whoever
   first asks. */
static struct {
  double here, change;
} kernel[TABLE + 1];
static pthread_once_t kernel_once = PTHREAD_ONCE_INIT;

static void fill_kernel(void)
{
  double scale = 1.0 / bessel_i0(BETA);

  for (int i = 0; i <= TABLE; i++) {
    double v = (double)i / TABLE, w = MT_PI * HALF_WIDTH * LENGTH * v;
    kernel[i].here = scale * bessel_i0(BETA * sqrt(fmax(0.0, 1.0 - v * v))) * (i > 0 ? sin(w) / w : 1.0);
    if (i > 0)
      kernel[i - 1].change = kernel[i].here - kernel[i - 1].here;
  }
}

/* v from -1 to 1: beyond it the same as there. */
static inline double kernel_at(double v)
{
  double place = fabs(v) * TABLE;
  int i;

  place = place < TABLE ? place : TABLE;
  i = (int)place;
  return kernel[i].here + (place - i) * kernel[i].change;
}

/* One look: Hann over a stretch of the quotient's time. */
static void look(mt_orders *o, const mt_sweep_reference *r, mt_transform *transform, const double *hann,
                 size_t from, size_t count, float *time, mt_bin *bins, float *noise)
{
  double scale = 1.0 / ((double)r->nfft * (double)count * HANN_MEAN_SQUARE);

  memset(time, 0, mt_transform_points(transform) * sizeof *time);
  for (size_t i = 0; i < count; i++)
    time[i] = (float)(hann[i] * (double)r->time[from + i]);
  mt_transform_forward(transform, time, bins);
  for (size_t k = 0; k < o->nquiet; k++)
    noise[k] =
        (float)(scale * ((double)bins[k].re * (double)bins[k].re + (double)bins[k].im * (double)bins[k].im));
}

/* Its two halves mirror each other. */
static void fill_hann(size_t count, double *hann)
{
  for (size_t i = 0; 2 * i < count; i++)
    hann[i] = hann[count - 1 - i] = 0.5 - 0.5 * cos(2.0 * MT_PI * ((double)i + 0.5) / (double)count);
}

/* Noise that is steady is spread evenly over the quotient's time, so a quiet part of it shows all of it. */
static mt_code find_noise(mt_orders *o, mt_sweep_reference *r, mt_error *err)
{
  size_t count = (size_t)(QUIET_S / r->step_s), length = mt_transform_length(count);
  mt_transform *transform = NULL;
  double *hann = malloc(count * sizeof *hann);
  float *time = malloc(length * sizeof *time);
  mt_bin *bins = malloc((length / 2 + 1) * sizeof *bins);
  mt_code code = mt_transform_create(length, &transform, err);

  o->nquiet = length / 2 + 1;
  o->quiet_hz = 1.0 / ((double)length * r->step_s);
  o->noise = malloc(QUIET_LOOKS * o->nquiet * sizeof *o->noise);
  if (code == MT_OK && (hann == NULL || time == NULL || bins == NULL || o->noise == NULL))
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  if (code == MT_OK) {
    fill_hann(count, hann);
    mt_transform_inverse(r->transform, o->quotient, r->time);
    for (size_t i = 0; i < QUIET_LOOKS; i++)
      look(o, r, transform, hann, (size_t)(QUIET_FROM_S / r->step_s) + i * count, count, time, bins,
           o->noise + i * o->nquiet);
  }
  mt_transform_destroy(&transform);
  free(hann);
  free(time);
  free(bins);
  return code;
}

mt_code mt_orders_create(mt_sweep_reference *reference, const mt_sweep_capture *capture, mt_orders **out,
                         mt_error *err)
{
  mt_orders *o = calloc(1, sizeof *o);
  mt_code code = MT_OK;

  if (o == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  o->reference = reference;
  o->quotient = capture->quotient;
  if (o->quotient == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  if (code == MT_OK) {
    pthread_once(&kernel_once, fill_kernel);
    code = find_noise(o, reference, err);
  }
  if (code == MT_OK)
    *out = o;
  else
    mt_orders_destroy(&o);
  return code;
}

void mt_orders_destroy(mt_orders **orders)
{
  if (orders == NULL || *orders == NULL)
    return;
  free((*orders)->noise);
  free(*orders);
  *orders = NULL;
}

/* Four bins turned by a fixed angle from four to four, in double: 1e-12 off after all of them. */
typedef struct turning {
  mt_turns at, step;
} turning;

static turning turn_from(double first_hz, double step_hz, double seconds)
{
  double start = -2.0 * MT_PI * first_hz * seconds, step = -2.0 * MT_PI * step_hz * seconds;
  double step_re = cos(LANES * step), step_im = sin(LANES * step);
  turning t;

  for (int lane = 0; lane < LANES; lane++) {
    t.at.re[lane] = cos(start + lane * step);
    t.at.im[lane] = sin(start + lane * step);
    t.step.re[lane] = step_re;
    t.step.im[lane] = step_im;
  }
  return t;
}

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Sum of kernel^2 x noise over the quotient's bins: the mean of all looks but the lowest and the highest. */
static double gather_noise(const mt_orders *o, double freq_hz, double half)
{
  size_t first = (size_t)ceil((freq_hz - half) / o->quiet_hz);
  size_t last = (size_t)((freq_hz + half) / o->quiet_hz);
  double sums[QUIET_LOOKS] = {0.0}, sum = 0.0, over_half = 1.0 / half;

  for (size_t k = first; k <= last && k < o->nquiet; k++) {
    double weight = kernel_at((freq_hz - (double)k * o->quiet_hz) * over_half);
    for (size_t i = 0; i < QUIET_LOOKS; i++)
      sums[i] += weight * weight * (double)o->noise[i * o->nquiet + k];
  }
  qsort(sums, QUIET_LOOKS, sizeof sums[0], compare_doubles);
  for (size_t i = 1; i + 1 < QUIET_LOOKS; i++)
    sum += sums[i] / (QUIET_LOOKS - 2);
  return sum * o->quiet_hz / o->reference->bin_hz;
}

/* What lies under a kernel: the quotient turned to an order and to the response, which is the kernel's own weight. */
typedef struct sums {
  mt_four re, im, weight_re, weight_im, leak;
} sums;

/* Four bins from k on and the kernel there, of which `count` count. */
static inline void load(const mt_orders *o, double freq_hz, double over_half, size_t k, size_t count,
                        mt_four *here, mt_four *re, mt_four *im)
{
  *here = *re = *im = (mt_four){0.0};
  for (size_t lane = 0; lane < count; lane++) {
    (*here)[lane] = kernel_at((freq_hz - (double)(k + lane) * o->reference->bin_hz) * over_half);
    (*re)[lane] = (double)o->quotient[k + lane].re;
    (*im)[lane] = (double)o->quotient[k + lane].im;
  }
}

MT_WIDE static void sum_bins(const mt_orders *o, double freq_hz, double half, size_t first, size_t last,
                             turning *response, turning *order, sums *out)
{
  sums s;

  memset(&s, 0, sizeof s);
  for (size_t k = first; k <= last; k += LANES) {
    mt_four here, re, im, turned_re, turned_im;
    /* bins beyond the last are outside the kernel, which is not 0 there */
    if (k + LANES <= last + 1)
      load(o, freq_hz, 1.0 / half, k, LANES, &here, &re, &im);
    else
      load(o, freq_hz, 1.0 / half, k, last + 1 - k, &here, &re, &im);
    turned_re = here * order->at.re;
    turned_im = here * order->at.im;
    s.re += re * turned_re - im * turned_im;
    s.im += re * turned_im + im * turned_re;
    s.weight_re += here * response->at.re;
    s.weight_im += here * response->at.im;
    s.leak += re * re + im * im;
    mt_turns_by(&response->at, &response->step);
    mt_turns_by(&order->at, &order->step);
  }
  *out = s;
}

static double power_of(const mt_four *re, const mt_four *im)
{
  double real = mt_four_sum(re), imaginary = mt_four_sum(im);
  return real * real + imaginary * imaginary;
}

/* Sum the quotient under the kernel, its window `early_s` before the response and opening over `edge_s`. */
static void gather(const mt_orders *o, double freq_hz, double edge_s, double early_s, mt_order_reading *out)
{
  const mt_sweep_reference *r = o->reference;
  double half = HALF_WIDTH / edge_s;
  size_t first = (size_t)ceil((freq_hz - half) / r->bin_hz);
  size_t last = (size_t)((freq_hz + half) / r->bin_hz);
  double first_u = freq_hz - (double)first * r->bin_hz;
  turning response = turn_from(first_u, -r->bin_hz, CENTRE * edge_s);
  turning order = turn_from(first_u, -r->bin_hz, CENTRE * edge_s - early_s);
  double looks = 1.0 + LOOK_SHARE * QUIET_S / (LENGTH * edge_s);
  double scale;
  sums s;

  sum_bins(o, freq_hz, half, first, last, &response, &order, &s);
  scale = 1.0 / power_of(&s.weight_re, &s.weight_im);
  /* what the window lets through of the orders that it stops is no more than this of the strongest */
  out->noise = scale * gather_noise(o, freq_hz, half) / (1.0 - TRIMMED / looks) +
               mt_power_of_db(-STOP_DB) * mt_four_sum(&s.leak) / (double)(last - first + 1);
  out->power = scale * power_of(&s.re, &s.im) - out->noise;
  out->error = (1.0 + 1.35 / (LOOK_FREEDOM * looks)) *
               sqrt(2.0 * fmax(0.0, out->power) * out->noise + out->noise * out->noise);
}

bool mt_orders_read(const mt_orders *o, int order, double freq_hz, mt_order_reading *out)
{
  const mt_sweep_reference *r = o->reference;
  double constant = mt_segment_sweep_constant(&r->sweep), from_hz, to_hz;
  double edge_s = fmin(EDGE_OF_GAP * constant * log((order + 1.0) / order), EDGE_PERIODS / freq_hz);
  double half = HALF_WIDTH / edge_s;

  if (!mt_response_band(&r->sweep, r->rate_hz / r->clock_ratio, &from_hz, &to_hz) ||
      !(freq_hz >= order * from_hz && freq_hz <= order * to_hz && freq_hz <= to_hz) ||
      !(freq_hz - half >= (double)r->low_bin * r->bin_hz &&
        freq_hz + half <= (double)r->high_bin * r->bin_hz))
    return false;
  gather(o, freq_hz, edge_s, order > 1 ? constant * log(order) : 0.0, out);
  return true;
}

bool mt_orders_is_crossed(const mt_orders *o, int order, double freq_hz, int other)
{
  const mt_segment *sweep = &o->reference->sweep;
  double constant = mt_segment_sweep_constant(sweep),
         rate_hz = o->reference->rate_hz / o->reference->clock_ratio;
  double edge_s = fmin(EDGE_OF_GAP * constant * log((order + 1.0) / order), EDGE_PERIODS / freq_hz);

  for (int fold = 1; fold <= other; fold++)
    for (int sign = -1; sign <= 1; sign += 2) {
      double played_hz = (fold * rate_hz + sign * freq_hz) / other, late_s, slack_s;
      if (played_hz <= sweep->from_hz || played_hz >= sweep->to_hz)
        continue;
      late_s = constant * log(order * played_hz / freq_hz);
      /* a fold runs the other way, and the kernel's width sees some of its run */
      slack_s = constant * (1.0 / (other * played_hz) + 1.0 / freq_hz) * HALF_WIDTH / edge_s;
      if (late_s > -(EARLY + 1.0) * edge_s - slack_s && late_s < (LATE + 1.0) * edge_s + slack_s)
        return true;
    }
  return false;
}

void mt_order_ratio(const mt_order_reading *part, const mt_order_reading *whole, double null,
                    double *value_db, double *uncertainty_db, double *floor_db)
{
  double ratio = part->power / whole->power, none = fmax(null / whole->power, mt_power_of_db(LEAST_DB));

  *floor_db = mt_db_of_power(fmax(part->noise / whole->power, mt_power_of_db(LEAST_DB)));
  if (part->power > 3.0 * part->error && ratio > 4.0 * none) {
    double relative = hypot(part->error / part->power, whole->error / whole->power);
    *value_db = mt_db_of_power(ratio);
    *uncertainty_db = hypot(METHOD_DB, 2.0 * DB_PER_RELATIVE * relative);
  } else {
    *value_db = mt_db_of_power(mt_power_bound(fmax(ratio, -none), none));
    *uncertainty_db = MT_CURVE_BOUND_DB;
  }
}
