#include "analysis/orders.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/student.h"
#include "base/wide.h"

#include <pthread.h>
#include <stdint.h>
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

/*
 * Noise is looked at later than any response, and where no order comes so early that it comes round to there: a tenth
 * of the time that all bins tell of is 0.54 s, and the looks lie about the second to the fifth, from 0.8 to 3 s. Side
 * by side, not over one another: an order that folds back at half the rate does come here, at each frequency at one
 * time, and is to be in one look.
 *
 * A look reaches from half a tenth before its middle to half a tenth after. Kaiser's design of so many bins stops what
 * lies beyond by 137 dB, and every tenth bin sees as much noise as all of them. The turns of all looks come round after
 * ten bins.
 */
#define TENTHS 10
#define FIRST_LOOK 2
#define QUIET_LOOKS 4
#define ROUND 20 /* bins that are summed up before they are turned: whole tens, and fours */
#define LOOK_BINS (9 * ROUND)
#define LOOK_HALF (0.5 * LOOK_BINS)
#define LOOK_STEP 10
#define LOOK_EDGE (0.5 / TENTHS) /* of all the time */
#define LOOK_STOP_DB (7.95 + 2.285 * 4.0 * MT_PI * LOOK_HALF * LOOK_EDGE)
#define LOOK_BETA (0.1102 * (LOOK_STOP_DB - 8.7))
/* A long gate's noise is narrow: of independent values each look sees so many, for what it takes to open over what the
   gate takes (from the spread of 1500 noises: within 6 %, or too few). Of four exponential values the mean of the
   middle two is 5/6 of the mean of all, and so is the middle one of three (order statistics); the more values there
   are, the nearer. Degrees of freedom: 2 over the relative variance, which is 0.34 and 0.52 for these. */
#define LOOK_VALUES(times) (0.3 + 0.75 * (times))
#define TRIMMED (1.0 / 6.0)
#define FREEDOM_OF_FOUR 5.9
#define FREEDOM_OF_THREE 3.85
#define FREEDOM_OF_TWO 4.0

struct mt_orders {
  const mt_sweep_reference *reference;
  const mt_bin *quotient;
  size_t nquiet;    /* places where noise was looked for, LOOK_STEP bins apart; at each, */
  mt_floats *noise; /* by look: the power a bin of the quotient has of noise */
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
  float here, change;
} kernel[TABLE + 1];
static double kernel_weight; /* its sum at the response's time, where the half width has one bin */
static pthread_once_t kernel_once = PTHREAD_ONCE_INIT;

static void fill_kernel(void)
{
  double scale = 1.0 / bessel_i0(BETA), next = 0.0;

  for (int i = TABLE; i >= 0; i--) {
    double v = (double)i / TABLE, w = MT_PI * HALF_WIDTH * LENGTH * v;
    double here = scale * bessel_i0(BETA * sqrt(fmax(0.0, 1.0 - v * v))) * (i > 0 ? sin(w) / w : 1.0);
    kernel[i].here = (float)here;
    kernel[i].change = i < TABLE ? (float)(next - here) : 0.0F;
    /* either side, but for the middle and the ends only once */
    kernel_weight += (i % TABLE == 0 ? 1.0 : 2.0) / TABLE * here * cos(2.0 * MT_PI * CENTRE * HALF_WIDTH * v);
    next = here;
  }
}

typedef int four_ints __attribute__((vector_size(LANES * sizeof(int))));
typedef int64_t four_longs __attribute__((vector_size(LANES * sizeof(int64_t))));

/* Of four places, in steps of the table from the middle: from -TABLE to TABLE, and nothing beyond. */
static inline void kernel_at(const mt_four *place, mt_four *out, four_longs *inside)
{
  typedef double entry __attribute__((aligned(sizeof(float)), may_alias));
  mt_four at = (mt_four)((four_longs)*place & INT64_MAX), packed, here, change; /* without its sign */
  mt_eight_floats pairs;
  four_ints i;

  *inside = at < (double)TABLE;
  at = (mt_four)((four_longs)at & *inside);
  i = __builtin_convertvector(at, four_ints);
  packed = (mt_four){*(const entry *)&kernel[i[0]], *(const entry *)&kernel[i[1]],
                     *(const entry *)&kernel[i[2]], *(const entry *)&kernel[i[3]]};
  pairs = (mt_eight_floats)packed;
  mt_four_pairs(&pairs, &here, &change);
  here += (at - __builtin_convertvector(i, mt_four)) * change;
  *out = (mt_four)((four_longs)here & *inside);
}

/* ---- the noise --------------------------------------------------------------------------------------- */

/* The window's kernel over bins, each twice for the parts of a complex number, such that noise keeps its power; and the
   turns of each look. */
typedef struct look {
  mt_eight_floats kernel[LOOK_BINS / LANES];
  mt_floats turn_re[TENTHS], turn_im[TENTHS];
} look;

static void fill_look(look *l)
{
  float *kernel_of = (float *)l->kernel;
  double squares = 0.0, value[LOOK_BINS];

  for (int i = 0; i < LOOK_BINS; i++) {
    double u = (double)i - 0.5 * (LOOK_BINS - 1), w = MT_PI * u * LOOK_EDGE;
    value[i] = bessel_i0(LOOK_BETA * sqrt(1.0 - u * u / (LOOK_HALF * LOOK_HALF))) * sin(w) / w;
    squares += value[i] * value[i];
  }
  for (int i = 0; i < LOOK_BINS; i++)
    kernel_of[2 * i] = kernel_of[2 * i + 1] = (float)(value[i] / sqrt(squares));
  for (int k = 0; k < TENTHS; k++)
    for (int i = 0; i < QUIET_LOOKS; i++) {
      double radians = 2.0 * MT_PI * ((FIRST_LOOK + i) * k % TENTHS) / TENTHS;
      l->turn_re[k][i] = (float)cos(radians);
      l->turn_im[k][i] = (float)sin(radians);
    }
}

/* The power at LOOK_BINS bins from the first on, by look. */
MT_WIDE static void look_at(const look *l, const mt_bin *bins, mt_floats *out)
{
  mt_eight_floats folded[ROUND / LANES];
  const float *parts = (const float *)folded;
  mt_floats re = l->turn_re[0] * 0.0F, im = re;

  memset(folded, 0, sizeof folded);
  for (size_t k = 0; k < LOOK_BINS; k += ROUND)
    for (size_t i = 0; i < ROUND / LANES; i++)
      folded[i] += l->kernel[k / LANES + i] * *(const mt_eight_floats_at *)(bins + k + LANES * i);
  for (size_t k = 0; k < TENTHS; k++) {
    float here_re = parts[2 * k] + parts[2 * (k + TENTHS)],
          here_im = parts[2 * k + 1] + parts[2 * (k + TENTHS) + 1];
    re += here_re * l->turn_re[k] - here_im * l->turn_im[k];
    im += here_re * l->turn_im[k] + here_im * l->turn_re[k];
  }
  *out = re * re + im * im;
}

/* Noise that is steady is spread evenly over the quotient's time, so a quiet part of it shows all of it. Place i is
   about bin i LOOK_STEP, or as near as the window can come to the ends. */
static mt_code find_noise(mt_orders *o, mt_error *err)
{
  size_t nbins = mt_sweep_bins(o->reference), before = LOOK_BINS / 2 - LOOK_STEP / 2;
  look l;

  o->nquiet = o->reference->nfft / 2 / LOOK_STEP + 1;
  o->noise = malloc(o->nquiet * sizeof *o->noise);
  if (o->noise == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  fill_look(&l);
  for (size_t i = 0; i < o->nquiet; i++) {
    size_t first = i * LOOK_STEP > before ? i * LOOK_STEP - before : 0;
    look_at(&l, o->quotient + (first + LOOK_BINS < nbins ? first : nbins - LOOK_BINS), &o->noise[i]);
  }
  return MT_OK;
}

mt_code mt_orders_create(const mt_sweep_reference *reference, const mt_sweep_capture *capture,
                         mt_orders **out, mt_error *err)
{
  mt_orders *o = calloc(1, sizeof *o);
  mt_code code;

  if (o == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the orders of a sweep");
  o->reference = reference;
  o->quotient = capture->quotient;
  pthread_once(&kernel_once, fill_kernel);
  code = find_noise(o, err);
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

/* Sum of kernel^2 x noise over the quotient's bins, by look. */
MT_WIDE static void gather_noise(const mt_orders *o, double freq_hz, double half, mt_four *out)
{
  const double place_hz = LOOK_STEP * o->reference->bin_hz, over_half = TABLE / half;
  const size_t first = (size_t)ceil((freq_hz - half) / place_hz);
  size_t end = (size_t)((freq_hz + half) / place_hz) + 1;
  const mt_four lane = {0.0, 1.0, 2.0, 3.0};
  mt_four sums = {0.0};
  four_longs inside;

  end = end < o->nquiet ? end : o->nquiet;
  for (size_t k = first; k < end; k += LANES) {
    mt_four place = (freq_hz - ((double)k + lane) * place_hz) * over_half, weight;
    kernel_at(&place, &weight, &inside);
    for (size_t i = 0; i < LANES && k + i < end; i++)
      sums += weight[i] * weight[i] * __builtin_convertvector(o->noise[k + i], mt_four);
  }
  *out = sums * (double)LOOK_STEP;
}

/* The looks, a bit each, through which an order up to the highest that is read passes, folded back at half the rate. */
static unsigned find_passed(const mt_sweep_reference *r, double freq_hz, double half)
{
  double constant = mt_segment_sweep_constant(&r->sweep), rate_hz = r->rate_hz / r->clock_ratio;
  double tenth_s = 1.0 / (TENTHS * r->bin_hz);
  unsigned passed = 0;

  for (int order = 2; order <= MT_SWEPT_ORDERS; order++)
    for (int fold = 1; fold < order; fold++)
      for (int sign = -1; sign <= 1; sign += 2) {
        double played_hz = (fold * rate_hz + sign * freq_hz) / order, late_s, slack_s;
        if (played_hz <= r->sweep.from_hz || played_hz >= r->sweep.to_hz)
          continue;
        late_s = constant * log(played_hz / freq_hz);
        /* half a look, and what the kernel's width sees of the run */
        slack_s = 0.5 * tenth_s + constant * (1.0 / (order * played_hz) + 1.0 / freq_hz) * half;
        for (unsigned i = 0; i < QUIET_LOOKS; i++)
          if (fabs(late_s - (double)(FIRST_LOOK + i) * tenth_s) < slack_s)
            passed |= 1U << i;
      }
  return passed;
}

/*
 * The noise by the looks through which no such order passes, its degrees of freedom too. A higher one may, so of three
 * looks or more the highest does not count. Where there are not two, all are taken, and what passes is noise.
 */
static double settle_noise(const mt_sweep_reference *r, double freq_hz, double half, const mt_four *by_look,
                           double values, double *freedom)
{
  double clear[QUIET_LOOKS], middle;
  unsigned passed = find_passed(r, freq_hz, half);
  size_t n = 0;

  for (int i = 0; i < QUIET_LOOKS; i++)
    if ((passed >> i & 1U) == 0)
      clear[n++] = (*by_look)[i];
  if (n < 2)
    for (n = 0; n < QUIET_LOOKS; n++)
      clear[n] = (*by_look)[n];
  mt_order_sort(clear, n);
  *freedom = values * (n == 4 ? FREEDOM_OF_FOUR : n == 3 ? FREEDOM_OF_THREE : FREEDOM_OF_TWO);
  if (n == 2)
    return 0.5 * (clear[0] + clear[1]);
  middle = n == 4 ? 0.5 * (clear[1] + clear[2]) : clear[1];
  return middle / (1.0 - TRIMMED / values);
}

/* What lies under a kernel: the quotient turned to an order, and its power. */
typedef struct sums {
  mt_four re, im, leak;
} sums;

MT_WIDE static void sum_bins(const mt_orders *o, double freq_hz, double half, size_t first, size_t last,
                             turning *order, sums *out)
{
  const double over_half = TABLE / half, step = o->reference->bin_hz * over_half;
  const mt_four place = {0.0, step, 2.0 * step, 3.0 * step};
  const double first_place = (freq_hz - (double)first * o->reference->bin_hz) * over_half;
  turning turn = *order;
  sums s;

  memset(&s, 0, sizeof s);
  for (size_t k = first; k <= last; k += LANES) {
    mt_four at = first_place - (double)(k - first) * step - place, here, re, im, turned_re, turned_im;
    mt_eight_floats bins = *(const mt_eight_floats_at *)(o->quotient + k);
    four_longs inside;
    kernel_at(&at, &here, &inside);
    mt_four_pairs(&bins, &re, &im);
    turned_re = here * turn.at.re;
    turned_im = here * turn.at.im;
    s.re += re * turned_re - im * turned_im;
    s.im += re * turned_im + im * turned_re;
    s.leak += (mt_four)((four_longs)(re * re + im * im) & inside);
    mt_turns_by(&turn.at, &turn.step);
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
  turning order = turn_from(first_u, -r->bin_hz, CENTRE * edge_s - early_s);
  double looks = fmax(1.0, LOOK_VALUES(LOOK_EDGE / (r->bin_hz * edge_s))), freedom;
  mt_four by_look;
  double weight = kernel_weight * half / r->bin_hz, scale = 1.0 / (weight * weight);
  sums s;

  sum_bins(o, freq_hz, half, first, last, &order, &s);
  /* what the window lets through of the orders that it stops is no more than this of the strongest */
  gather_noise(o, freq_hz, half, &by_look);
  out->noise = scale * settle_noise(r, freq_hz, half, &by_look, looks, &freedom) +
               mt_power_of_db(-STOP_DB) * mt_four_sum(&s.leak) / (double)(last - first + 1);
  out->power = scale * power_of(&s.re, &s.im) - out->noise;
  out->error = mt_student_over_normal(freedom) *
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
