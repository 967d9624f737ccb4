#include "coverage_unit.h"

#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

#include <complex.h>
#include <stdlib.h>

#define REFERENCE_HZ 997.0
#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0
#define ORDERS 5 /* of the units' polynomial */
#define HUM_ORDERS 5
#define SWEPT_ORDERS 5   /* that are told apart in a sweep */
#define FITTED_ORDERS 10 /* that count in the maximum level's THD */
#define MAX_LEVEL_THD 0.01

#define MARK_POINTS 436 /* 20 Hz apart from 300 to 9000 Hz */

static const double complex imaginary = (double complex)I;

/* ---- a random unit ----------------------------------------------------------------------------- */

static double draw(mt_random *random, double from, double to)
{
  return from + (to - from) * mt_random_uniform(random);
}

static double draw_log(mt_random *random, double from, double to)
{
  return from * pow(to / from, mt_random_uniform(random));
}

static bool chance(mt_random *random, double share)
{
  return mt_random_uniform(random) < share;
}

/* sin^k of amplitude a holds 2^(1-k) a^k of the k-th order: poly for a wanted order re the fundamental, which at the
   loudest step is still no more than 2.5 %. */
static void draw_polynomial(mt_random *random, double amplitude, double headroom_db, double poly[5])
{
  if (chance(random, 0.2))
    return;
  for (int k = 2; k <= ORDERS; k++) {
    double order_db = fmin(draw(random, -120.0, -40.0), -32.0 - (k - 1) * headroom_db);
    poly[k - 1] = (chance(random, 0.5) ? 1.0 : -1.0) * mt_ratio_of_db(order_db) * pow(2.0, k - 1.0) /
                  pow(amplitude, k - 1.0);
  }
}

static void draw_channel(mt_random *random, double level_dbfs, double max_level_dbfs, bool hum,
                         mt_simulated_channel *channel)
{
  channel->gain_db = draw(random, -20.0, fmin(6.0, -2.5 - max_level_dbfs));
  channel->noise_dbfs = draw(random, -110.0, -60.0);
  draw_polynomial(random, mt_ratio_of_db(level_dbfs + channel->gain_db), max_level_dbfs - level_dbfs,
                  channel->poly);
  if (chance(random, 0.5)) /* above whatever the polynomial makes of the reference level */
    channel->clip = mt_ratio_of_db(level_dbfs + channel->gain_db + draw(random, 1.5, 14.0));
  if (chance(random, 0.8))
    channel->high_pass_hz = draw_log(random, 1.0, 300.0);
  if (chance(random, 0.5)) {
    /* a boost must leave the sweep below full scale */
    channel->shelf_db = draw(random, -10.0, fmin(10.0, -2.5 - max_level_dbfs - channel->gain_db));
    channel->shelf_hz = draw_log(random, 50.0, 500.0);
  }
  if (hum)
    channel->hum_dbfs = draw(random, -110.0, -40.0);
  channel->crosstalk_db = draw(random, -90.0, -30.0);
  channel->dc = chance(random, 0.5) ? draw(random, -0.01, 0.01) : 0.0;
  channel->invert = chance(random, 0.3);
}

/* A line and its orders that are no hum: not the fourth multiple of a mains frequency or a lower one. */
static double draw_whistle(mt_random *random)
{
  double freq_hz;

  do {
    freq_hz = draw_log(random, 130.0, 900.0);
  } while (freq_hz < 250.0 && (fabs(remainder(freq_hz, 50.0)) < 5.0 || fabs(remainder(freq_hz, 60.0)) < 5.0));
  return freq_hz;
}

void coverage_draw(mt_random *random, coverage_case *out)
{
  static const double rates[] = {44100.0, 48000.0, 96000.0};
  static const unsigned bits[] = {0, 0, 24, 16};
  bool hum = chance(random, 0.7);

  memset(out, 0, sizeof *out);
  mt_simulate_init(&out->unit);
  out->rate_hz = rates[mt_random_bits(random) % 3];
  out->level_dbfs = draw(random, -30.0, -3.0);
  out->max_level_dbfs = fmin(0.0, out->level_dbfs + draw(random, 0.0, 15.0));
  out->unit.hum_hz = (chance(random, 0.5) ? 50.0 : 60.0) * (1.0 + draw(random, -0.002, 0.002));
  if (chance(random, 0.3))
    out->unit.hum_hz = draw_whistle(random);
  out->unit.delay_s = draw(random, 0.0, 0.2);
  out->unit.clock_offset_ppm = draw(random, -500.0, 500.0);
  out->unit.bits = bits[mt_random_bits(random) % 4];
  out->unit.swap = chance(random, 0.1);
  out->unit.seed = mt_random_bits(random);
  if (chance(random, 0.4))
    out->low_pass_hz = draw_log(random, 3000.0, 18000.0);
  for (int c = 0; c < 2; c++)
    draw_channel(random, out->level_dbfs, out->max_level_dbfs, hum, &out->unit.channel[c]);
}

static bool is_mains(const mt_simulated_unit *unit)
{
  return unit->hum_hz < 70.0;
}

/* ---- the low-pass behind it ---------------------------------------------------------------------- */

/* b (1 + z^-1) / (1 - a z^-1): bilinear, the corner in its place */
static void low_pass(const coverage_case *bench, double *b, double *a)
{
  double corner = tan(MT_PI * bench->low_pass_hz / bench->rate_hz);
  *b = corner / (1.0 + corner);
  *a = (1.0 - corner) / (1.0 + corner);
}

static double complex low_passed(const coverage_case *bench, double freq_hz)
{
  double complex z1 = cexp(-imaginary * (2.0 * MT_PI * freq_hz / bench->rate_hz));
  double b, a;

  if (bench->low_pass_hz == 0.0)
    return 1.0;
  low_pass(bench, &b, &a);
  return b * (1.0 + z1) / (1.0 - a * z1);
}

static void filter_take(const coverage_case *bench, mt_take *take)
{
  double b, a;

  if (bench->low_pass_hz == 0.0)
    return;
  low_pass(bench, &b, &a);
  for (unsigned c = 0; c < take->nchannels; c++) {
    double before = 0.0, y = 0.0;
    for (size_t i = 0; i < take->nframes; i++) {
      float *sample = &take->samples[i * take->nchannels + c];
      y = b * ((double)*sample + before) + a * y;
      before = (double)*sample;
      *sample = (float)y;
    }
  }
}

mt_results *coverage_measure(const coverage_case *bench, unsigned extras)
{
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take_extras(
      &bench->unit, bench->rate_hz, bench->level_dbfs, extras,
      (extras & MT_EXTRA_LEVELS) != 0 ? bench->max_level_dbfs : (double)NAN, &stimulus);
  mt_results *results = NULL;
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  mt_error err = {0};

  filter_take(bench, take);
  assert_ok(mt_capture_inspect(take, &err), err);
  if (mt_capture_locate(take, &stimulus, &found, &location, &err) == MT_OK && found == MT_MARKS_BOTH) {
    assert_ok(mt_results_create(&results, &err), err);
    assert_ok(mt_measure_stimulus(take, &stimulus, &location, "default", results, &err), err);
  }
  mt_take_destroy(&take);
  return results;
}

/* ---- what bends the wave --------------------------------------------------------------------------- */

enum { FEW_POINTS = 32, MANY_POINTS = 1024 };

struct coverage_truths {
  const coverage_case *bench;
  mt_stimulus stimulus;
  double ratio;            /* by which the recorder sees all frequencies higher */
  double f1_hz;            /* of the reference tone on the recorder's clock */
  double noise_density[2]; /* before the low-pass */
  double hum_power[2];
  double delay_s[2];
  double complex
      sweep[2][ORDERS + 1]; /* what each channel makes of the sweep's amplitude, before its filters */
  double complex turns[MANY_POINTS]; /* exp(-j 2 pi n / MANY_POINTS) */
};

static double bent(const mt_simulated_channel *channel, double x)
{
  const double *p = channel->poly;
  double y = x * (p[0] + x * (p[1] + x * (p[2] + x * (p[3] + x * p[4]))));

  return channel->clip > 0.0 ? fmin(fmax(y, -channel->clip), channel->clip) : y;
}

/* Orders 0 ... norders of what a channel makes of a sine, as phasors re that sine, before its filters. A clipped wave
   has kinks: of its Fourier sum over so many points the orders are good to 1e-6 of the wave. */
static void bend(const coverage_truths *t, unsigned c, double amplitude, int norders, double complex *out)
{
  const mt_simulated_channel *channel = &t->bench->unit.channel[c];
  double input = amplitude * mt_ratio_of_db(channel->gain_db);
  bool clips = channel->clip > 0.0 && 1.2 * input > channel->clip; /* the polynomial adds a tenth at most */
  int points = norders > FEW_POINTS / 2 - ORDERS - 1 || clips ? MANY_POINTS : FEW_POINTS;
  int step = MANY_POINTS / points;
  double y[MANY_POINTS];

  for (int n = 0; n < points; n++)
    y[n] = bent(channel, -input * cimag(t->turns[n * step]));
  for (int k = 0; k <= norders; k++) {
    double complex sum = 0.0;
    for (int n = 0; n < points; n++)
      sum += y[n] * t->turns[(n * step * k) % MANY_POINTS];
    out[k] = 2.0 / points * sum;
  }
}

/* A channel's linear part behind the bend, of its gain and poly[0] nothing, as these act before. */
static double complex filters(const coverage_truths *t, unsigned c, double freq_hz)
{
  mt_simulated_unit linear = t->bench->unit;
  linear.channel[c].gain_db = 0.0;
  linear.channel[c].poly[0] = 1.0;
  return mt_ratio_of_db(mt_simulate_gain_db(&linear, c, t->bench->rate_hz, freq_hz)) *
         cexp(imaginary * mt_simulate_phase_deg(&linear, c, t->bench->rate_hz, freq_hz) * MT_PI / 180.0) *
         low_passed(t->bench, freq_hz);
}

/* A channel's output, its own and crosstalk, of what both channels' bends make at a frequency. */
static double complex mixed(const coverage_truths *t, unsigned c, const double complex of[2], double freq_hz)
{
  double share = mt_ratio_of_db(t->bench->unit.channel[c].crosstalk_db);
  return of[c] * filters(t, c, freq_hz) + share * of[1 - c] * filters(t, 1 - c, freq_hz);
}

static double played(const coverage_truths *t, unsigned c, const double amplitude[2])
{
  return amplitude[t->bench->unit.swap ? 1 - c : c];
}

/* One channel's output at an order (at most 5) of a tone of f_hz (recorder's). */
static double complex output_at(const coverage_truths *t, unsigned c, const double amplitude[2], double f_hz,
                                int order)
{
  double complex orders[2][ORDERS + 1], of[2];

  for (unsigned s = 0; s < 2; s++) {
    bend(t, s, played(t, s, amplitude), ORDERS, orders[s]);
    of[s] = orders[s][order];
  }
  return mixed(t, c, of, order * f_hz);
}

static double power_of(double complex a)
{
  return creal(a) * creal(a) + cimag(a) * cimag(a);
}

static double line_power(const coverage_truths *t, unsigned c, const char *segment, int order)
{
  return power_of(output_at(t, c, mt_stimulus_find(&t->stimulus, segment)->amplitude, t->f1_hz, order));
}

/* ---- noise ------------------------------------------------------------------------------------------- */

static double noise_density_at(const coverage_truths *t, unsigned c, double freq_hz)
{
  return t->noise_density[c] * power_of(low_passed(t->bench, freq_hz));
}

/* Power of the k-th order of the hum or whistle; 0 above half the rate. */
static double hum_power(const coverage_truths *t, unsigned c, int k)
{
  double freq_hz = k * t->bench->unit.hum_hz;
  if (k > HUM_ORDERS || freq_hz >= 0.5 * t->bench->rate_hz)
    return 0.0;
  return t->hum_power[c] * mt_power_of_db(-10.0 * (k - 1)) * power_of(low_passed(t->bench, freq_hz));
}

static double hum_in_band(const coverage_truths *t, unsigned c, mt_weighting weighting)
{
  double sum = 0.0;
  for (int k = 1; k <= HUM_ORDERS; k++)
    sum += hum_power(t, c, k) * mt_power_of_db(mt_weighting_db(weighting, k * t->bench->unit.hum_hz));
  return sum;
}

/* Weights of 20 Hz to 20 kHz, 1/2 Hz apart, with those of Simpson's rule. */
enum { WEIGHTS = 2 * 19980 + 1 };

static const double *weights_of(mt_weighting weighting)
{
  static double known[MT_WEIGHT_CCIR_RMS + 1][WEIGHTS];
  double *w = known[weighting];

  for (int i = 0; i < WEIGHTS && w[WEIGHTS - 1] == 0.0; i++) {
    double power = mt_power_of_db(mt_weighting_db(weighting, BAND_FROM_HZ + 0.5 * i));
    w[i] = 0.5 / 3.0 * power * (i == 0 || i == WEIGHTS - 1 ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
  }
  return w;
}

/* Noise and hum from 20 Hz to 20 kHz. */
static double idle_power(const coverage_truths *t, unsigned c, mt_weighting weighting)
{
  const double *w = weights_of(weighting);
  double sum = 0.0;

  for (int i = 0; i < WEIGHTS; i++)
    sum +=
        w[i] * (t->bench->low_pass_hz > 0.0 ? power_of(low_passed(t->bench, BAND_FROM_HZ + 0.5 * i)) : 1.0);
  return t->noise_density[c] * sum + hum_in_band(t, c, weighting);
}

/* Power of the noise alone between two frequencies. */
static double noise_between(const coverage_truths *t, unsigned c, double from_hz, double to_hz)
{
  enum { STEPS = 512 };
  double sum = 0.0, h = (to_hz - from_hz) / STEPS;

  for (int i = 0; i <= STEPS; i++)
    sum += noise_density_at(t, c, from_hz + h * i) * (i == 0 || i == STEPS ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
  return sum * h / 3.0;
}

/* Harmonics re nothing: summed power of orders 2 to 5. */
static double harmonic_power(const coverage_truths *t, unsigned c, const char *segment,
                             mt_weighting weighting)
{
  double sum = 0.0;
  for (int k = 2; k <= ORDERS; k++)
    sum += line_power(t, c, segment, k) * mt_power_of_db(mt_weighting_db(weighting, k * t->f1_hz));
  return sum;
}

/* ---- the delay --------------------------------------------------------------------------------------- */

/* What a channel makes of each chirp, over the marks' band. */
typedef struct mark_spectrum {
  double freq_hz[MARK_POINTS];
  double complex chirp[2][MARK_POINTS];
} mark_spectrum;

/* Power of the chirps' own spectrum there, by a slow Fourier sum: the same in all units but for a scale. */
static const double *chirp_power(const mt_stimulus *stimulus, int chirp)
{
  static double known[2][MARK_POINTS];
  const mt_segment *mark = mt_stimulus_find(stimulus, "mark-a");
  const double rate_hz = 48000.0;

  for (int i = 0; i < MARK_POINTS && known[chirp][MARK_POINTS - 1] == 0.0; i++) {
    double f = mark->from_hz + (mark->to_hz - mark->from_hz) * i / (MARK_POINTS - 1);
    double complex sum = 0.0, at = 1.0, step = cexp(-imaginary * (2.0 * MT_PI * f / rate_hz));
    for (double n = 0.0; n < mark->duration_s * rate_hz; n += 1.0, at *= step)
      sum += at * mt_stimulus_sample(stimulus, (unsigned)chirp, mark->start_s + n / rate_hz) /
             mark->amplitude[chirp];
    known[chirp][i] = power_of(sum);
  }
  return known[chirp];
}

static void fill_mark(const coverage_truths *t, unsigned c, mark_spectrum *out)
{
  const mt_segment *mark = mt_stimulus_find(&t->stimulus, "mark-a");
  double complex orders[2][2], of[2][2];

  for (unsigned s = 0; s < 2; s++)
    for (int chirp = 0; chirp < 2; chirp++) {
      double amplitude[2] = {chirp == 0 ? mark->amplitude[0] : 0.0, chirp == 1 ? mark->amplitude[1] : 0.0};
      bend(t, s, played(t, s, amplitude), 1, orders[chirp]);
      of[chirp][s] = orders[chirp][1];
    }
  for (int i = 0; i < MARK_POINTS; i++) {
    double place = (double)i / (MARK_POINTS - 1);
    double f = (mark->from_hz + place * (mark->to_hz - mark->from_hz)) * t->ratio;
    out->freq_hz[i] = f;
    for (int chirp = 0; chirp < 2; chirp++)
      out->chirp[chirp][i] = chirp_power(&t->stimulus, chirp)[i] * mixed(t, c, of[chirp], f);
  }
}

/* How well a delay lines them up. */
static double alignment(const mark_spectrum *mark, double delay_s)
{
  double power = 0.0;

  for (int chirp = 0; chirp < 2; chirp++) {
    double complex sum = 0.0;
    for (int i = 0; i < MARK_POINTS; i++)
      sum += mark->chirp[chirp][i] * cexp(imaginary * 2.0 * MT_PI * mark->freq_hz[i] * delay_s);
    power += power_of(sum);
  }
  return power;
}

/*
 * From playing to arrival. A unit that bends the phase has no one delay: the one read is that which lines up
 * the marks' band best, least squares.
 */
static double find_delay_s(const coverage_truths *t, unsigned c)
{
  const mt_simulated_unit *unit = &t->bench->unit;
  const double ratio = 0.61803398874989485;
  double best = 0.0, low, high;
  mark_spectrum mark;

  fill_mark(t, c, &mark);
  for (double at = -5e-5; at < 1e-4; at += 1e-5)
    best = alignment(&mark, at) > alignment(&mark, best) ? at : best;
  low = best - 2e-5;
  high = best + 2e-5;
  for (int i = 0; i < 32; i++) {
    double inner = high - ratio * (high - low), outer = low + ratio * (high - low);
    if (alignment(&mark, inner) > alignment(&mark, outer))
      high = outer;
    else
      low = inner;
  }
  return unit->delay_s / t->ratio + 0.5 * (low + high);
}

/* ---- all of them ------------------------------------------------------------------------------------- */

coverage_truths *coverage_truths_create(const coverage_case *bench, unsigned extras)
{
  coverage_truths *t = calloc(1, sizeof *t);
  double step = bench->unit.bits > 0 ? ldexp(1.0, 1 - (int)bench->unit.bits) : 0.0;
  mt_error err = {0};

  assert_non_null(t);
  t->bench = bench;
  assert_ok(mt_stimulus_init(bench->rate_hz, bench->level_dbfs, extras,
                             (extras & MT_EXTRA_LEVELS) != 0 ? bench->max_level_dbfs : (double)NAN,
                             &t->stimulus, &err),
            err);
  t->ratio = 1.0 + 1e-6 * bench->unit.clock_offset_ppm;
  t->f1_hz = REFERENCE_HZ * t->ratio;
  for (int n = 0; n < MANY_POINTS; n++)
    t->turns[n] = cexp(-imaginary * (2.0 * MT_PI * n / MANY_POINTS));
  for (unsigned c = 0; c < 2; c++) {
    const mt_simulated_channel *channel = &bench->unit.channel[c];
    /* rounding with triangular dither of 2 LSB peak to peak: step^2 / 4, white (Lipshitz et al. 1992) */
    double power = mt_power_of_db(channel->noise_dbfs) + 2.0 * step * step / 4.0;
    t->noise_density[c] = power / (0.5 * bench->rate_hz);
    t->hum_power[c] = mt_power_of_db(channel->hum_dbfs);
    bend(t, c, played(t, c, mt_stimulus_find(&t->stimulus, "sweep")->amplitude), ORDERS, t->sweep[c]);
  }
  for (unsigned c = 0; c < 2; c++)
    t->delay_s[c] = find_delay_s(t, c);
  return t;
}

void coverage_truths_destroy(coverage_truths **truths)
{
  free(*truths);
  *truths = NULL;
}

/* ---- intermodulation --------------------------------------------------------------------------------- */

enum { GRID = 16 }; /* points in each phase: orders up to 5 do not fold onto each other */

/* Phasor of m f1 + n f2 (m, n any sign) at a channel's output. */
static double complex product_at(const coverage_truths *t, unsigned c, const mt_segment *pair, int m, int n)
{
  double freq_hz = (m * pair->freq_hz[0] + n * pair->second_hz[0]) * t->ratio;
  double complex of[2] = {0.0, 0.0};

  for (unsigned s = 0; s < 2; s++) {
    double gain = mt_ratio_of_db(t->bench->unit.channel[s].gain_db);
    for (int i = 0; i < GRID; i++)
      for (int k = 0; k < GRID; k++) {
        double x = gain * (pair->amplitude[0] * sin(2.0 * MT_PI * i / GRID) +
                           pair->second_amplitude[0] * sin(2.0 * MT_PI * k / GRID));
        of[s] += 2.0 / (GRID * GRID) * bent(&t->bench->unit.channel[s], x) *
                 cexp(-imaginary * (2.0 * MT_PI * (m * i + n * k) / GRID));
      }
    if (freq_hz < 0.0)
      of[s] = conj(of[s]);
  }
  return mixed(t, c, of, fabs(freq_hz));
}

/* Does another product, folded at half the rate, or a line of the hum, lie where this one is read? */
static bool is_disturbed(const coverage_truths *t, const mt_segment *pair, int m, int n)
{
  const double apart_hz = 5.0; /* the lobe of a Hann window over 1.1 s, and some */
  double rate_hz = t->bench->rate_hz;
  double at_hz = fabs(m * pair->freq_hz[0] + n * pair->second_hz[0]) * t->ratio;

  for (int k = 1; k <= HUM_ORDERS; k++)
    if (fabs(k * t->bench->unit.hum_hz - at_hz) < apart_hz)
      return true;
  for (int i = -ORDERS; i <= ORDERS; i++)
    for (int k = abs(i) - ORDERS; k <= ORDERS - abs(i); k++) {
      double f = (i * pair->freq_hz[0] + k * pair->second_hz[0]) * t->ratio;
      if (f > 0.5 * rate_hz && fabs(fabs(f - rate_hz * round(f / rate_hz)) - at_hz) < apart_hz)
        return true;
    }
  return false;
}

static double size_at(const coverage_truths *t, unsigned c, const mt_segment *pair, int m, int n)
{
  return is_disturbed(t, pair, m, n) ? (double)NAN : cabs(product_at(t, c, pair, m, n));
}

/* IEC 60268-3:2013 14.12.7, 14.12.8, 14.12.10 */
static double intermodulation_truth(const coverage_truths *t, const mt_reading *r)
{
  const mt_segment *pair = mt_stimulus_find(&t->stimulus, r->segment);
  unsigned c = (unsigned)r->channel;
  double low = size_at(t, c, pair, 1, 0), high = size_at(t, c, pair, 0, 1);

  if (r->quantity == MT_Q_IMD_MOD)
    return mt_db_of_ratio((size_at(t, c, pair, r->order - 1, 1) + size_at(t, c, pair, 1 - r->order, 1)) /
                          high);
  if (r->order == 2)
    return mt_db_of_ratio(size_at(t, c, pair, -1, 1) / (2.0 * high));
  if (r->order == 3)
    return mt_db_of_ratio((size_at(t, c, pair, 2, -1) + size_at(t, c, pair, -1, 2)) / (2.0 * high));
  return mt_db_of_ratio(hypot(size_at(t, c, pair, -1, 1), size_at(t, c, pair, 2, -1)) / (low + high));
}

/* ---- over level -------------------------------------------------------------------------------------- */

/* Orders 0 ... norders of a channel's output when the steps' tone has this amplitude. */
static void step_orders(const coverage_truths *t, unsigned c, double amplitude, int norders,
                        double complex *out)
{
  double complex orders[2][MANY_POINTS / 2];

  for (unsigned s = 0; s < 2; s++)
    bend(t, s, amplitude, norders, orders[s]);
  for (int k = 0; k <= norders; k++) {
    double f = k * t->f1_hz, folded = f - t->bench->rate_hz * round(f / t->bench->rate_hz);
    double complex of[2] = {orders[0][k], orders[1][k]};
    for (unsigned s = 0; s < 2 && folded < 0.0; s++)
      of[s] = conj(of[s]);
    out[k] = mixed(t, c, of, fmax(1e-3, fabs(folded)));
  }
}

static double level_gain_db(const coverage_truths *t, unsigned c, double amplitude)
{
  double complex orders[2];
  step_orders(t, c, amplitude, 1, orders);
  return mt_db_of_ratio(cabs(orders[1]) / amplitude);
}

/* THD+N, 20 Hz to 20 kHz, orders that fold included. */
static double level_thd_n_db(const coverage_truths *t, unsigned c, double amplitude)
{
  enum { MOST = MANY_POINTS / 2 - 1 };
  const mt_simulated_unit *unit = &t->bench->unit;
  int norders = unit->channel[0].clip > 0.0 || unit->channel[1].clip > 0.0 ? MOST : ORDERS;
  double complex orders[MOST + 1];
  double rest = idle_power(t, c, MT_WEIGHT_NONE), tone;

  step_orders(t, c, amplitude, norders, orders);
  tone = power_of(orders[1]);
  for (int k = 2; k <= norders; k++) {
    double f = k * t->f1_hz, folded = fabs(f - t->bench->rate_hz * round(f / t->bench->rate_hz));
    if (folded >= BAND_FROM_HZ && folded <= BAND_TO_HZ)
      rest += power_of(orders[k]);
  }
  return mt_db_of_power(rest / (tone + rest));
}

static double thd_r(const coverage_truths *t, unsigned c, double level_db, double *tone_db)
{
  double complex orders[FITTED_ORDERS + 1];
  double sum = 0.0;

  step_orders(t, c, mt_ratio_of_db(level_db), FITTED_ORDERS, orders);
  for (int k = 2; k <= FITTED_ORDERS; k++)
    sum += power_of(orders[k]);
  *tone_db = mt_db_of_power(power_of(orders[1]));
  return sqrt(sum / (sum + power_of(orders[1])));
}

/* Level of the tone where THD, from the top, first is as little as that; infinite when it never is more. */
static double max_level_truth(const coverage_truths *t, unsigned c)
{
  double high = t->bench->max_level_dbfs, low = high, level = HUGE_VAL;

  if (thd_r(t, c, high, &level) <= MAX_LEVEL_THD) /* nearly reached: noise decides whether it is read */
    return thd_r(t, c, high, &level) > 0.9 * MAX_LEVEL_THD ? (double)NAN : HUGE_VAL;
  while (thd_r(t, c, low, &level) > MAX_LEVEL_THD && low > -80.0) {
    high = low;
    low -= 0.25;
  }
  for (int i = 0; i < 40; i++) {
    double middle = 0.5 * (low + high);
    if (thd_r(t, c, middle, &level) > MAX_LEVEL_THD)
      high = middle;
    else
      low = middle;
  }
  return level;
}

/* ---- over frequency ---------------------------------------------------------------------------------- */

/* Gain of a channel at a frequency of the stimulus, sweep on both inputs: order n where that order is heard. */
static double complex sweep_order(const coverage_truths *t, unsigned c, int order, double freq_hz)
{
  const double complex of[2] = {t->sweep[0][order], t->sweep[1][order]};
  return mixed(t, c, of, order * freq_hz * t->ratio) /
         (-imaginary * mt_stimulus_find(&t->stimulus, "sweep")->amplitude[c]);
}

static double response_db(const coverage_truths *t, unsigned c, double freq_hz)
{
  return mt_db_of_ratio(cabs(sweep_order(t, c, 1, freq_hz) / sweep_order(t, c, 1, REFERENCE_HZ)));
}

/* Mean power over a third of an octave. */
static double third_db(const coverage_truths *t, unsigned c, double freq_hz)
{
  enum { STEPS = 24 };
  double sum = 0.0;

  for (int i = 0; i <= STEPS; i++)
    sum += mt_power_of_db(response_db(t, c, freq_hz * pow(2.0, (i - 0.5 * STEPS) / STEPS / 3.0))) *
           (i == 0 || i == STEPS ? 1.0
            : i % 2 == 1         ? 4.0
                                 : 2.0);
  return mt_db_of_power(sum / (3.0 * STEPS));
}

/* Half the power of the highest third between 300 and 8000 Hz, which counts for no more than 1 dB. */
static double corner_truth(const coverage_truths *t, unsigned c, bool is_low)
{
  double plateau = -HUGE_VAL, step = is_low ? 1.0 / 1.01 : 1.01,
         end_hz = is_low ? 1.0 : 0.499 * t->bench->rate_hz;
  double inside = REFERENCE_HZ, outside = inside, level_db;

  for (double f = 300.0; f <= 8000.0; f *= 1.03)
    plateau = fmax(plateau, third_db(t, c, f));
  level_db = fmin(plateau, 1.0) - mt_db_of_power(2.0);
  if (response_db(t, c, REFERENCE_HZ) < level_db)
    return (double)NAN;
  while (response_db(t, c, outside) >= level_db) {
    inside = outside;
    outside *= step;
    if (is_low ? outside < end_hz : outside > end_hz)
      return end_hz; /* beyond anything that is read */
  }
  for (int i = 0; i < 40; i++) {
    double middle = sqrt(inside * outside);
    if (response_db(t, c, middle) >= level_db)
      inside = middle;
    else
      outside = middle;
  }
  return inside;
}

static double flatness_truth(const coverage_truths *t, unsigned c)
{
  double high = -HUGE_VAL, low = HUGE_VAL;

  for (int i = 0; i <= 1500; i++) {
    double db = response_db(t, c, BAND_FROM_HZ * pow(BAND_TO_HZ / BAND_FROM_HZ, i / 1500.0));
    high = fmax(high, db);
    low = fmin(low, db);
  }
  return high - low;
}

double coverage_slope_truth(const coverage_truths *t, const mt_curve *response, double from_hz, double to_hz)
{
  double n = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0;

  for (size_t i = 0; i < response->npoints; i++)
    if (response->x[i] >= from_hz && response->x[i] <= to_hz) {
      double octaves = log2(response->x[i] / from_hz);
      double db = response_db(t, (unsigned)response->channel, response->x[i]);
      n += 1.0;
      x += octaves;
      y += db;
      xx += octaves * octaves;
      xy += octaves * db;
    }
  return (n * xy - x * y) / (n * xx - x * x);
}

/* ---- readings ---------------------------------------------------------------------------------------- */

static double route_truth(const coverage_truths *t, unsigned c)
{
  return (c == 0) != t->bench->unit.swap ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
}

static double pair_truth(const coverage_truths *t, const mt_reading *r)
{
  const double *amplitude = mt_stimulus_find(&t->stimulus, "both")->amplitude;
  double complex left = output_at(t, 0, amplitude, t->f1_hz, 1);
  double complex right = output_at(t, 1, amplitude, t->f1_hz, 1);

  if (r->quantity == MT_Q_BALANCE)
    return mt_db_of_ratio(cabs(left) / cabs(right));
  if (r->quantity == MT_Q_PHASE_DIFFERENCE)
    return carg(left / right) * 180.0 / MT_PI;
  if (r->quantity == MT_Q_CLOCK_OFFSET)
    return t->bench->unit.clock_offset_ppm;
  return r->quantity == MT_Q_DELAY ? t->delay_s[0] - t->delay_s[1] : (double)NAN;
}

/* A whistle's line where one was found; nothing where there is none; NAN on a harmonic, which hides it. */
static double spurious_truth(const coverage_truths *t, const mt_reading *r)
{
  const mt_simulated_unit *unit = &t->bench->unit;

  for (int k = 1; k <= HUM_ORDERS; k++) {
    double freq_hz = k * unit->hum_hz;
    if (fabs(freq_hz - r->freq_hz) > 10.0)
      continue;
    if (is_mains(unit) || fabs(remainder(freq_hz, t->f1_hz)) < 20.0)
      return (double)NAN;
    return mt_db_of_power(hum_power(t, (unsigned)r->channel, k));
  }
  return r->validity == MT_RIG_LIMITED && !is_mains(unit) ? (double)NAN : -HUGE_VAL;
}

static double channel_truth(const coverage_truths *t, const mt_reading *r)
{
  const mt_simulated_unit *unit = &t->bench->unit;
  unsigned c = (unsigned)r->channel;
  const char *segment = r->segment[0] != '\0' ? r->segment : "both";
  double tone = line_power(t, c, "both", 1), rest = harmonic_power(t, c, "both", MT_WEIGHT_NONE);
  double all = rest + noise_between(t, c, 0.0, 0.5 * t->bench->rate_hz) + hum_in_band(t, c, MT_WEIGHT_NONE);

  switch ((int)r->quantity) {
  case MT_Q_FREQUENCY: return t->f1_hz;
  case MT_Q_LEVEL: return mt_db_of_power(line_power(t, c, segment, 1));
  case MT_Q_GAIN:
    return mt_db_of_power(line_power(t, c, segment, 1)) -
           mt_db_of_ratio(mt_stimulus_find(&t->stimulus, segment)->amplitude[c]);
  case MT_Q_CROSSTALK: return unit->channel[c].crosstalk_db;
  case MT_Q_HARMONIC:
    return r->order <= ORDERS ? mt_db_of_power(line_power(t, c, "both", r->order) / tone) : -HUGE_VAL;
  case MT_Q_THD_F: return mt_db_of_power(rest / tone);
  case MT_Q_THD_R: return mt_db_of_power(rest / (tone + rest));
  case MT_Q_THD_N: rest += idle_power(t, c, MT_WEIGHT_NONE); return mt_db_of_power(rest / (tone + rest));
  case MT_Q_SINAD: return mt_db_of_power(tone / all);
  case MT_Q_ENOB:
    /* IEEE 1241: 20 lg 2 and 10 lg 1.5 of the ideal quantiser */
    return (-mt_db_of_power(all) - mt_db_of_power(1.5)) / mt_db_of_ratio(2.0);
  case MT_Q_NOISE: return mt_db_of_power(idle_power(t, c, MT_WEIGHT_NONE));
  case MT_Q_NOISE_A: return mt_db_of_power(idle_power(t, c, MT_WEIGHT_A));
  case MT_Q_NOISE_CCIR: return mt_db_of_power(idle_power(t, c, MT_WEIGHT_CCIR_RMS));
  case MT_Q_SNR: return mt_db_of_power(tone / idle_power(t, c, MT_WEIGHT_NONE));
  case MT_Q_DYNAMIC_RANGE:
    return mt_db_of_power(
        tone / (idle_power(t, c, MT_WEIGHT_CCIR_RMS) + harmonic_power(t, c, "low", MT_WEIGHT_CCIR_RMS)));
  case MT_Q_HUM: return is_mains(unit) ? mt_db_of_power(hum_in_band(t, c, MT_WEIGHT_NONE)) : -HUGE_VAL;
  case MT_Q_HUM_LINE: return is_mains(unit) ? mt_db_of_power(hum_power(t, c, r->order)) : -HUGE_VAL;
  case MT_Q_SPURIOUS: return spurious_truth(t, r);
  case MT_Q_DC: return unit->channel[c].dc;
  case MT_Q_DELAY: return t->delay_s[c];
  case MT_Q_ROUTE: return route_truth(t, c);
  case MT_Q_POLARITY: return unit->channel[c].invert ? -1.0 : 1.0;
  case MT_Q_IMD_MOD:
  case MT_Q_IMD_DIFF: return intermodulation_truth(t, r);
  case MT_Q_MAX_LEVEL: return max_level_truth(t, c);
  case MT_Q_CORNER_LOW: return corner_truth(t, c, true);
  case MT_Q_CORNER_HIGH: return corner_truth(t, c, false);
  case MT_Q_FLATNESS: return flatness_truth(t, c);
  default: return (double)NAN;
  }
}

/* What only the rounding of these sums holds is not there. */
static double none_if_rounding(mt_quantity quantity, double truth)
{
  mt_unit unit = mt_quantity_describe(quantity)->unit;
  return (unit == MT_UNIT_DB || unit == MT_UNIT_DBFS) && truth < -220.0 ? -HUGE_VAL : truth;
}

double coverage_reading_truth(const coverage_truths *t, const mt_reading *reading)
{
  double truth = reading->channel == MT_CHANNEL_BOTH ? pair_truth(t, reading) : channel_truth(t, reading);
  return none_if_rounding(reading->quantity, truth);
}

/* ---- curves ------------------------------------------------------------------------------------------ */

/* The curve is what is left when the delay read is taken out. */
static double phase_truth(const coverage_truths *t, unsigned c, double delay_s, double freq_hz)
{
  return carg(sweep_order(t, c, 1, freq_hz)) * 180.0 / MT_PI -
         360.0 * freq_hz * (t->bench->unit.delay_s - delay_s * t->ratio);
}

static double group_delay_truth(const coverage_truths *t, unsigned c, double delay_s, double freq_hz)
{
  double step_hz = 1e-4 * freq_hz;
  double complex ratio = sweep_order(t, c, 1, freq_hz + step_hz) / sweep_order(t, c, 1, freq_hz - step_hz);

  return t->bench->unit.delay_s - delay_s * t->ratio - carg(ratio) / (4.0 * MT_PI * step_hz);
}

static bool has_point(const mt_results *results, const mt_curve *like, mt_quantity quantity, double x)
{
  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *curve = &results->curves[i];
    if (curve->quantity == quantity && curve->channel == like->channel)
      for (size_t k = 0; k < curve->npoints; k++)
        if (fabs(curve->x[k] / x - 1.0) < 1e-9)
          return true;
  }
  return false;
}

static double order_ratio_truth(const coverage_truths *t, const mt_results *results, const mt_curve *curve,
                                double freq_hz)
{
  unsigned c = (unsigned)curve->channel;
  double sum = 0.0;

  if (curve->quantity != MT_Q_THD_F) {
    int order = 2 + (int)curve->quantity - (int)MT_Q_HARMONIC_2;
    return mt_db_of_ratio(
        cabs(sweep_order(t, c, order, freq_hz / order) / sweep_order(t, c, 1, freq_hz / order)));
  }
  for (int n = 2; n <= SWEPT_ORDERS; n++) /* those of the orders that the band holds */
    if (has_point(results, curve, (mt_quantity)((int)MT_Q_HARMONIC_2 + n - 2), n * freq_hz))
      sum += power_of(sweep_order(t, c, n, freq_hz) / sweep_order(t, c, 1, freq_hz));
  return mt_db_of_power(sum);
}

/* Of the noise in a cell or a band; NAN where a line of the hum is in it or near its edge. */
static double noise_truth(const coverage_truths *t, const mt_curve *curve, double freq_hz)
{
  unsigned c = (unsigned)curve->channel;
  bool is_band = curve->quantity == MT_Q_BAND_LEVEL;
  double exact_hz = 1000.0 * pow(10.0, round(10.0 * log10(freq_hz / 1000.0)) / 10.0);
  double half = is_band ? pow(10.0, 0.05) : pow(10.0, 0.5 / 80.0), margin_hz = 8.0, lines = 0.0;
  double centre_hz = is_band ? exact_hz : freq_hz;

  for (int k = 1; k <= HUM_ORDERS; k++) {
    double f = k * t->bench->unit.hum_hz;
    bool near = f > centre_hz / half - margin_hz && f < centre_hz * half + margin_hz;
    bool inside = f > centre_hz / half + margin_hz && f < centre_hz * half - margin_hz;
    if (hum_power(t, c, k) > 0.0 && near && !(is_band && inside))
      return (double)NAN;
    lines += inside ? hum_power(t, c, k) : 0.0;
  }
  if (!is_band)
    return mt_db_of_power(noise_density_at(t, c, freq_hz));
  return mt_db_of_power(noise_between(t, c, exact_hz / half, exact_hz * half) + lines);
}

static double point_truth(const coverage_truths *t, const mt_results *results, const mt_curve *curve,
                          size_t point)
{
  const mt_reading *delay = mt_results_find(results, MT_Q_DELAY, curve->channel, NULL);
  unsigned c = (unsigned)curve->channel;
  double x = curve->x[point];

  switch ((int)curve->quantity) {
  case MT_Q_RESPONSE: return response_db(t, c, x);
  case MT_Q_PHASE:
  case MT_Q_GROUP_DELAY:
    if (delay->validity != MT_VALID)
      return (double)NAN; /* it was taken out all the same, but not told */
    return curve->quantity == MT_Q_PHASE ? phase_truth(t, c, delay->value, x)
                                         : group_delay_truth(t, c, delay->value, x);
  case MT_Q_PHASE_DIFFERENCE: return carg(sweep_order(t, 0, 1, x) / sweep_order(t, 1, 1, x)) * 180.0 / MT_PI;
  case MT_Q_CROSSTALK: return t->bench->unit.channel[c].crosstalk_db;
  case MT_Q_HARMONIC_2:
  case MT_Q_HARMONIC_3:
  case MT_Q_HARMONIC_4:
  case MT_Q_HARMONIC_5:
  case MT_Q_THD_F: return order_ratio_truth(t, results, curve, x);
  case MT_Q_LINEARITY:
    return level_gain_db(t, c, mt_ratio_of_db(x)) -
           level_gain_db(t, c, mt_stimulus_find(&t->stimulus, "both")->amplitude[c]);
  case MT_Q_THD_N: return level_thd_n_db(t, c, mt_ratio_of_db(x));
  case MT_Q_NOISE_DENSITY:
  case MT_Q_BAND_LEVEL: return noise_truth(t, curve, x);
  default: return (double)NAN;
  }
}

double coverage_curve_truth(const coverage_truths *t, const mt_results *results, const mt_curve *curve,
                            size_t point)
{
  return none_if_rounding(curve->quantity, point_truth(t, results, curve, point));
}
