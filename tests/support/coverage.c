#include "coverage.h"

#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "signal/fade.h"

#include <mendtone/analysis.h>

#include <complex.h>

#define REFERENCE_HZ 997.0
#define BAND_FROM_HZ 20.0
#define BAND_TO_HZ 20000.0
#define ORDERS 5 /* of the units' polynomial */
#define HUM_ORDERS 5

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

/* sin^k of amplitude a holds 2^(1-k) a^k of the k-th order: poly for a wanted order re the fundamental. */
static void draw_polynomial(mt_random *random, double amplitude, double poly[5])
{
  if (chance(random, 0.2))
    return;
  for (int k = 2; k <= ORDERS; k++) {
    double harmonic = mt_ratio_of_db(draw(random, -120.0, -40.0));
    poly[k - 1] = (chance(random, 0.5) ? 1.0 : -1.0) * harmonic * pow(2.0, k - 1.0) / pow(amplitude, k - 1.0);
  }
}

static void draw_channel(mt_random *random, double level_dbfs, bool hum, mt_simulated_channel *channel)
{
  channel->gain_db = draw(random, -20.0, fmin(6.0, -1.5 - level_dbfs));
  channel->noise_dbfs = draw(random, -110.0, -60.0);
  draw_polynomial(random, mt_ratio_of_db(level_dbfs + channel->gain_db), channel->poly);
  if (chance(random, 0.8))
    channel->high_pass_hz = draw_log(random, 1.0, 300.0);
  if (chance(random, 0.5)) {
    /* a boost must leave the sweep below full scale */
    channel->shelf_db = draw(random, -10.0, fmin(10.0, -1.5 - level_dbfs - channel->gain_db));
    channel->shelf_hz = draw_log(random, 50.0, 500.0);
  }
  if (hum)
    channel->hum_dbfs = draw(random, -110.0, -40.0);
  channel->crosstalk_db = draw(random, -90.0, -30.0);
  channel->dc = chance(random, 0.5) ? draw(random, -0.01, 0.01) : 0.0;
  channel->invert = chance(random, 0.3);
}

void coverage_draw(mt_random *random, coverage_case *out)
{
  static const double rates[] = {44100.0, 48000.0, 96000.0};
  static const unsigned bits[] = {0, 0, 24, 16};
  bool hum = chance(random, 0.5);

  mt_simulate_init(&out->unit);
  out->rate_hz = rates[mt_random_bits(random) % 3];
  out->level_dbfs = draw(random, -30.0, -3.0);
  out->unit.hum_hz = (chance(random, 0.5) ? 50.0 : 60.0) * (1.0 + draw(random, -0.002, 0.002));
  out->unit.delay_s = draw(random, 0.0, 0.2);
  out->unit.clock_offset_ppm = draw(random, -500.0, 500.0);
  out->unit.bits = bits[mt_random_bits(random) % 4];
  out->unit.swap = chance(random, 0.1);
  out->unit.seed = mt_random_bits(random);
  for (int c = 0; c < 2; c++)
    draw_channel(random, out->level_dbfs, hum, &out->unit.channel[c]);
}

/* ---- what must be read of it --------------------------------------------------------------------- */

typedef struct truths {
  const coverage_case *bench;
  mt_stimulus stimulus;
  double f1_hz; /* of the reference tone on the recorder's clock */
  double noise_density[2];
  double hum_power[2];
  double delay_s[2];
} truths;

/* Orders 0 ... 5 of what the polynomial makes of a sine, as phasors re that sine. */
static void bend(const mt_simulated_channel *channel, double amplitude, double complex out[ORDERS + 1])
{
  enum { POINTS = 32 };
  const double *p = channel->poly;

  memset(out, 0, (ORDERS + 1) * sizeof *out);
  for (int n = 0; n < POINTS; n++) {
    double turn = 2.0 * MT_PI * n / POINTS;
    double x = amplitude * mt_ratio_of_db(channel->gain_db) * sin(turn);
    double y = x * (p[0] + x * (p[1] + x * (p[2] + x * (p[3] + x * p[4]))));
    for (int k = 0; k <= ORDERS; k++)
      out[k] += 2.0 / POINTS * y * cexp(-imaginary * (k * turn));
  }
}

/* The linear part behind the bend. */
static double complex filters(const truths *t, unsigned c, double freq_hz)
{
  mt_simulated_unit linear = t->bench->unit;
  linear.channel[c].gain_db = 0.0;
  linear.channel[c].poly[0] = 1.0;
  return mt_ratio_of_db(mt_simulate_gain_db(&linear, c, t->bench->rate_hz, freq_hz)) *
         cexp(imaginary * mt_simulate_phase_deg(&linear, c, t->bench->rate_hz, freq_hz) * MT_PI / 180.0);
}

/* One channel's output at an order of a tone of f_hz (recorder's), own and crosstalk. */
static double complex output_at(const truths *t, unsigned c, const double amplitude[2], double f_hz,
                                int order)
{
  const mt_simulated_unit *unit = &t->bench->unit;
  double complex sum = 0.0;

  for (unsigned s = 0; s < 2; s++) {
    double complex orders[ORDERS + 1];
    double share = s == c ? 1.0 : mt_ratio_of_db(unit->channel[c].crosstalk_db);
    bend(&unit->channel[s], amplitude[unit->swap ? 1 - s : s], orders);
    sum += share * orders[order] * filters(t, s, order * f_hz);
  }
  return sum;
}

static double line_power(const truths *t, unsigned c, const char *segment, int order)
{
  double size = cabs(output_at(t, c, mt_stimulus_find(&t->stimulus, segment)->amplitude, t->f1_hz, order));
  return size * size;
}

static void find_truths(const coverage_case *bench, truths *t)
{
  mt_error err = {0};
  double step = bench->unit.bits > 0 ? ldexp(1.0, 1 - (int)bench->unit.bits) : 0.0;

  t->bench = bench;
  assert_ok(mt_stimulus_init_default(bench->rate_hz, bench->level_dbfs, &t->stimulus, &err), err);
  t->f1_hz = REFERENCE_HZ * (1.0 + 1e-6 * bench->unit.clock_offset_ppm);
  for (int c = 0; c < 2; c++) {
    const mt_simulated_channel *channel = &bench->unit.channel[c];
    /* rounding with triangular dither of 2 LSB peak to peak: step^2 / 4, white (Lipshitz et al. 1992) */
    double power = mt_power_of_db(channel->noise_dbfs) + 2.0 * step * step / 4.0;
    t->noise_density[c] = power / (0.5 * bench->rate_hz);
    t->hum_power[c] = mt_power_of_db(channel->hum_dbfs);
  }
}

static double hum_in_band(const truths *t, unsigned c, mt_weighting weighting)
{
  double sum = 0.0;
  for (int k = 1; k <= HUM_ORDERS; k++)
    sum += t->hum_power[c] *
           mt_power_of_db(-10.0 * (k - 1) + mt_weighting_db(weighting, k * t->bench->unit.hum_hz));
  return sum;
}

/* Bandwidth of 20 Hz to 20 kHz seen through a weighting, hertz; Simpson's rule over 1/2 Hz. */
static double weighted_width_hz(mt_weighting weighting)
{
  enum { STEPS = 2 * 19980 };
  static double known[MT_WEIGHT_CCIR_RMS + 1];
  double sum = 0.0;

  if (known[weighting] > 0.0)
    return known[weighting];
  for (int i = 0; i <= STEPS; i++) {
    double power = mt_power_of_db(mt_weighting_db(weighting, BAND_FROM_HZ + 0.5 * i));
    sum += power * (i == 0 || i == STEPS ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
  }
  return known[weighting] = sum * 0.5 / 3.0;
}

static double idle_power(const truths *t, unsigned c, mt_weighting weighting)
{
  return t->noise_density[c] * weighted_width_hz(weighting) + hum_in_band(t, c, weighting);
}

/* Harmonics re nothing: summed power of orders 2 to 5. */
static double harmonic_power(const truths *t, unsigned c, const char *segment, mt_weighting weighting)
{
  double sum = 0.0;
  for (int k = 2; k <= ORDERS; k++)
    sum += line_power(t, c, segment, k) * mt_power_of_db(mt_weighting_db(weighting, k * t->f1_hz));
  return sum;
}

/* What a channel makes of each chirp, over the marks' band, which they fill evenly but for the fades. */
typedef struct mark_spectrum {
  double freq_hz[MARK_POINTS];
  double complex chirp[2][MARK_POINTS];
} mark_spectrum;

static void fill_mark(const truths *t, unsigned c, mark_spectrum *out)
{
  const mt_segment *mark = mt_stimulus_find(&t->stimulus, "mark-a");
  double stretch = 1.0 + 1e-6 * t->bench->unit.clock_offset_ppm;

  for (int i = 0; i < MARK_POINTS; i++) {
    double place = (double)i / (MARK_POINTS - 1);
    double f = (mark->from_hz + place * (mark->to_hz - mark->from_hz)) * stretch;
    double fade = mt_fade_gain(mark, mark->duration_s * place);
    out->freq_hz[i] = f;
    for (int chirp = 0; chirp < 2; chirp++) {
      double amplitude[2] = {chirp == 0 ? mark->amplitude[0] : 0.0, chirp == 1 ? mark->amplitude[1] : 0.0};
      out->chirp[chirp][i] = fade * fade * output_at(t, c, amplitude, f, 1);
    }
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
    power += creal(sum * conj(sum));
  }
  return power;
}

/*
 * From playing to arrival. A unit that bends the phase has no one delay: the one read is that which lines up
 * the marks' band best, least squares.
 */
static double find_delay_s(const truths *t, unsigned c)
{
  const mt_simulated_unit *unit = &t->bench->unit;
  const double ratio = 0.61803398874989485;
  double low = -5e-5, high = 5e-5;
  mark_spectrum mark;

  fill_mark(t, c, &mark);
  for (int i = 0; i < 34; i++) {
    double inner = high - ratio * (high - low), outer = low + ratio * (high - low);
    if (alignment(&mark, inner) > alignment(&mark, outer))
      high = outer;
    else
      low = inner;
  }
  return unit->delay_s / (1.0 + 1e-6 * unit->clock_offset_ppm) + 0.5 * (low + high);
}

static double route_truth(const truths *t, unsigned c)
{
  return (c == 0) != t->bench->unit.swap ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
}

static double pair_truth(const truths *t, const mt_reading *r)
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

/* NaN: not a quantity that has an interval. */
static double channel_truth(const truths *t, const mt_reading *r)
{
  const mt_simulated_unit *unit = &t->bench->unit;
  unsigned c = (unsigned)r->channel;
  const char *segment = r->segment[0] != '\0' ? r->segment : "both";
  double tone = line_power(t, c, "both", 1), rest = harmonic_power(t, c, "both", MT_WEIGHT_NONE);
  double all = rest + t->noise_density[c] * 0.5 * t->bench->rate_hz + hum_in_band(t, c, MT_WEIGHT_NONE);

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
  case MT_Q_HUM: return mt_db_of_power(hum_in_band(t, c, MT_WEIGHT_NONE));
  case MT_Q_DC: return unit->channel[c].dc;
  case MT_Q_DELAY: return t->delay_s[c];
  case MT_Q_ROUTE: return route_truth(t, c);
  case MT_Q_POLARITY: return unit->channel[c].invert ? -1.0 : 1.0;
  default: return (double)NAN;
  }
}

/* ---- counting ------------------------------------------------------------------------------------ */

static coverage_row *row_of(coverage_table *table, const char *name)
{
  for (size_t i = 0; i < table->nrows; i++)
    if (strcmp(table->rows[i].name, name) == 0)
      return &table->rows[i];
  assert_true(table->nrows < COVERAGE_ROWS_MAX);
  snprintf(table->rows[table->nrows].name, sizeof table->rows[0].name, "%s", name);
  return &table->rows[table->nrows++];
}

static void name_row(const mt_reading *r, double truth, char out[32])
{
  const char *name = mt_quantity_describe(r->quantity)->name;

  if (r->quantity == MT_Q_HARMONIC && isfinite(truth))
    snprintf(out, 32, "harmonic %d", r->order);
  else if (r->quantity == MT_Q_LEVEL || r->quantity == MT_Q_GAIN)
    snprintf(out, 32, "%s (%s)", name, strcmp(r->segment, "low") == 0 ? "-60 dB" : "reference");
  else if (r->quantity == MT_Q_DELAY)
    snprintf(out, 32, "delay (%s)", r->channel == MT_CHANNEL_BOTH ? "pair" : "channel");
  else
    snprintf(out, 32, "%s", name);
  if (!isfinite(truth))
    snprintf(out, 32, "%s, none there", name);
}

static double error_of(mt_unit unit, double value, double truth)
{
  /* degrees go in circles */
  return unit == MT_UNIT_DEGREE ? remainder(value - truth, 360.0) : value - truth;
}

/* @return whether the statement holds. */
static bool count_value(coverage_row *row, mt_validity validity, double error, double uncertainty)
{
  if (validity == MT_RIG_LIMITED) {
    row->nbounds++;
    row->nbelow += error >= 0.0;
    return error >= 0.0;
  }
  if (validity != MT_VALID) {
    row->nrefused++;
    return true;
  }
  row->nvalid++;
  row->ninside += fabs(error) <= uncertainty;
  row->nabove += error > uncertainty;
  if (isfinite(error) && uncertainty > 0.0)
    row->sum_ratio_sq += 4.0 * error * error / (uncertainty * uncertainty);
  return fabs(error) <= uncertainty;
}

static void log_miss(FILE *log, const coverage_table *table, const char *row, int channel, double value,
                     double uncertainty, double truth, double x)
{
  if (log != NULL)
    fprintf(log, "unit %zu channel %d %s: %.9g +- %.3g, truth %.9g, off by %.3g (%.2f), at %g\n",
            table->nunits, channel, row, value, uncertainty, truth, value - truth,
            (value - truth) / uncertainty, x);
}

static void count_reading(const truths *t, const mt_reading *r, FILE *log, coverage_table *table)
{
  mt_unit unit = mt_quantity_describe(r->quantity)->unit;
  double truth = r->channel == MT_CHANNEL_BOTH ? pair_truth(t, r) : channel_truth(t, r);
  char name[32];
  coverage_row *row;

  if (isnan(truth))
    return;
  name_row(r, truth, name);
  row = row_of(table, name);
  row->is_nothing = !isfinite(truth);
  row->is_fact = r->quantity == MT_Q_ROUTE || r->quantity == MT_Q_POLARITY;
  if (!count_value(row, r->validity, error_of(unit, r->value, truth), r->uncertainty))
    log_miss(log, table, name, r->channel, r->value, r->uncertainty, truth, r->freq_hz);
}

/* Gain of a channel at a frequency of the stimulus, sweep on both inputs. */
static double complex sweep_gain(const truths *t, unsigned c, double freq_hz)
{
  const mt_segment *sweep = mt_stimulus_find(&t->stimulus, "sweep");
  return output_at(t, c, sweep->amplitude, freq_hz * (1.0 + 1e-6 * t->bench->unit.clock_offset_ppm), 1) /
         (-imaginary * sweep->amplitude[c]);
}

static bool has_truth(mt_quantity curve)
{
  return curve == MT_Q_RESPONSE || curve == MT_Q_PHASE;
}

static double curve_truth(const truths *t, const mt_curve *curve, double delay_s, double freq_hz)
{
  unsigned c = (unsigned)curve->channel;

  if (curve->quantity == MT_Q_RESPONSE)
    return mt_db_of_ratio(cabs(sweep_gain(t, c, freq_hz) / sweep_gain(t, c, REFERENCE_HZ)));
  /* the curve is what is left when the delay read is taken out */
  delay_s *= 1.0 + 1e-6 * t->bench->unit.clock_offset_ppm;
  return carg(sweep_gain(t, c, freq_hz)) * 180.0 / MT_PI -
         360.0 * freq_hz * (t->bench->unit.delay_s - delay_s);
}

static const struct {
  double from_hz, to_hz;
  const char *name;
} curve_bands[] = {
    {0.0, 20.0, "below 20 Hz"},       {20.0, 200.0, "20 to 200 Hz"},  {200.0, 2000.0, "200 Hz to 2 kHz"},
    {2000.0, 20000.0, "2 to 20 kHz"}, {20000.0, 1e6, "above 20 kHz"},
};

/* One point of the curve in each band, so that what is counted is independent. */
static void count_curve(const truths *t, const mt_results *results, const mt_curve *curve, mt_random *random,
                        FILE *log, coverage_table *table)
{
  const mt_quantity_info *info = mt_quantity_describe(curve->quantity);
  double delay_s = mt_results_find(results, MT_Q_DELAY, curve->channel, NULL)->value;

  for (size_t band = 0; band < sizeof curve_bands / sizeof *curve_bands; band++) {
    size_t first = 0, end;
    char name[32];
    while (first < curve->npoints && curve->x[first] < curve_bands[band].from_hz)
      first++;
    for (end = first; end < curve->npoints && curve->x[end] < curve_bands[band].to_hz;)
      end++;
    if (first < end) {
      size_t at = first + (size_t)(mt_random_uniform(random) * (double)(end - first));
      double truth = curve_truth(t, curve, delay_s, curve->x[at]);
      double error = error_of(info->unit, curve->y[at], truth);
      coverage_row *row;
      snprintf(name, sizeof name, "%s %s", info->name, curve_bands[band].name);
      row = row_of(table, name);
      row->is_floored = true; /* 0.002 dB (0.02 dB below 20 Hz) that the estimate states, see response.c */
      if (!count_value(row, curve->validity, error, curve->uncertainty[at]))
        log_miss(log, table, name, curve->channel, truth + error, curve->uncertainty[at], truth,
                 curve->x[at]);
    }
  }
}

static void log_unit(FILE *log, const coverage_table *table, const coverage_case *bench)
{
  const mt_simulated_unit *u = &bench->unit;
  if (log == NULL)
    return;
  fprintf(log, "unit %zu: rate %g level %.2f clock %.2f bits %u delay %.4f hum %.3f Hz swap %d\n",
          table->nunits, bench->rate_hz, bench->level_dbfs, u->clock_offset_ppm, u->bits, u->delay_s,
          u->hum_hz, u->swap);
  for (int c = 0; c < 2; c++) {
    const mt_simulated_channel *k = &u->channel[c];
    fprintf(log,
            "  channel %d: gain %.2f noise %.1f hum %.1f crosstalk %.1f dc %.4g high-pass %.1f shelf %.1f at "
            "%.0f "
            "poly %.3g %.3g %.3g %.3g\n",
            c, k->gain_db, k->noise_dbfs, k->hum_dbfs, k->crosstalk_db, k->dc, k->high_pass_hz, k->shelf_db,
            k->shelf_hz, k->poly[1], k->poly[2], k->poly[3], k->poly[4]);
  }
}

void coverage_run(uint64_t seed, size_t nunits, FILE *log, coverage_table *out)
{
  mt_random random, points;

  memset(out, 0, sizeof *out);
  mt_random_init(&random, seed);
  mt_random_init(&points, ~seed);
  for (; out->nunits < nunits; out->nunits++) {
    coverage_case bench;
    mt_results *results;
    truths t;
    coverage_draw(&random, &bench);
    find_truths(&bench, &t);
    for (unsigned c = 0; c < 2; c++)
      t.delay_s[c] = find_delay_s(&t, c);
    log_unit(log, out, &bench);
    results = unit_bench_results(&bench.unit, bench.rate_hz, bench.level_dbfs);
    if (results == NULL) {
      out->nlost++;
      continue;
    }
    for (size_t i = 0; i < results->nproblems && log != NULL; i++)
      fprintf(log, "unit %zu problem: %s\n", out->nunits, results->problems[i].text);
    for (size_t i = 0; i < results->nreadings; i++)
      count_reading(&t, &results->readings[i], log, out);
    for (size_t i = 0; i < results->ncurves; i++)
      if (has_truth(results->curves[i].quantity) && results->curves[i].npoints > 0)
        count_curve(&t, results, &results->curves[i], &points, log, out);
    mt_results_destroy(&results);
  }
}

/* ---- the table ------------------------------------------------------------------------------------- */

void coverage_wilson(size_t hits, size_t count, double *low, double *high)
{
  const double z = 1.959963984540054; /* 97.5 % of the normal distribution */
  double n = (double)count, share = count > 0 ? (double)hits / n : 0.0;
  double centre = share + z * z / (2.0 * n);
  double reach = z * sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n));

  *low = count > 0 ? fmax(0.0, (centre - reach) / (1.0 + z * z / n)) : 0.0;
  *high = count > 0 ? fmin(1.0, (centre + reach) / (1.0 + z * z / n)) : 1.0;
}

double coverage_at_most(size_t hits, size_t count, double share)
{
  double sum = 0.0, n = (double)count;

  for (size_t k = 0; k <= hits && k <= count; k++)
    sum += exp(lgamma(n + 1.0) - lgamma((double)k + 1.0) - lgamma(n - (double)k + 1.0) +
               (double)k * log(share) + (n - (double)k) * log1p(-share));
  return sum;
}

static void print_share(FILE *out, size_t hits, size_t count)
{
  double low, high;

  if (count == 0) {
    fprintf(out, "  %6s %20s", "", "");
    return;
  }
  coverage_wilson(hits, count, &low, &high);
  fprintf(out, "  %6zu %5.1f %% (%5.1f ... %5.1f)", count, 100.0 * (double)hits / (double)count, 100.0 * low,
          100.0 * high);
}

void coverage_print(const coverage_table *table, FILE *out)
{
  fprintf(out, "%zu simulated units, %zu takes refused\n", table->nunits, table->nlost);
  fprintf(out, "%-26s  %6s %-24s  %6s  %6s  %6s %-24s  %s\n", "quantity", "valid", "truth in the interval",
          "too high", "ratio", "bounds", "truth below the bound", "refused");
  for (size_t i = 0; i < table->nrows; i++) {
    const coverage_row *r = &table->rows[i];
    fprintf(out, "%-26s", r->name);
    print_share(out, r->ninside, r->nvalid);
    if (r->nvalid > 0 && !r->is_fact && !r->is_nothing)
      fprintf(out, "  %5.1f %%  %6.2f", 100.0 * (double)r->nabove / (double)r->nvalid,
              sqrt(r->sum_ratio_sq / (double)r->nvalid));
    else
      fprintf(out, "  %7s  %6s", "", "");
    print_share(out, r->nbelow, r->nbounds);
    fprintf(out, "  %7zu%s\n", r->nrefused, r->is_floored ? "  a stated floor" : "");
  }
}
