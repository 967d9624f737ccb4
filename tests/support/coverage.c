#include "coverage.h"

#include "coverage_unit.h"
#include "support.h"

#include <mendtone/curve.h>

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

static void name_row(const mt_reading *r, double truth, char out[COVERAGE_NAME])
{
  const char *name = mt_quantity_describe(r->quantity)->name;

  if (r->quantity == MT_Q_HARMONIC && isfinite(truth))
    snprintf(out, COVERAGE_NAME, "harmonic %d", r->order);
  else if (r->quantity == MT_Q_LEVEL || r->quantity == MT_Q_GAIN)
    snprintf(out, COVERAGE_NAME, "%s (%s)", name, strcmp(r->segment, "low") == 0 ? "-60 dB" : "reference");
  else if (r->quantity == MT_Q_DELAY)
    snprintf(out, COVERAGE_NAME, "delay (%s)", r->channel == MT_CHANNEL_BOTH ? "pair" : "channel");
  else if (r->quantity == MT_Q_IMD_MOD || (r->quantity == MT_Q_IMD_DIFF && r->order > 0))
    snprintf(out, COVERAGE_NAME, "%s, order %d", name, r->order);
  else if (r->quantity == MT_Q_IMD_DIFF)
    snprintf(out, COVERAGE_NAME, "%s, total", name);
  else if (r->quantity == MT_Q_SPURIOUS)
    snprintf(out, COVERAGE_NAME, "%s (%s)", name, strcmp(r->segment, "idle") == 0 ? "idle" : "tone");
  else
    snprintf(out, COVERAGE_NAME, "%s", name);
  if (!isfinite(truth))
    snprintf(out, COVERAGE_NAME, "%s, none there", name);
}

static double error_of(mt_unit unit, double value, double truth)
{
  /* degrees go in circles */
  return unit == MT_UNIT_DEGREE ? remainder(value - truth, 360.0) : value - truth;
}

/* @return whether the statement holds. */
static bool count_bound(coverage_row *row, bool holds)
{
  row->nbounds++;
  row->nbelow += holds;
  return holds;
}

static bool count_value(coverage_row *row, double error, double uncertainty)
{
  row->nvalid++;
  row->ninside += fabs(error) <= uncertainty;
  row->nabove += error > uncertainty;
  if (isfinite(error) && uncertainty > 0.0)
    row->sum_ratio_sq += 4.0 * error * error / (uncertainty * uncertainty);
  return fabs(error) <= uncertainty;
}

static void log_statement(FILE *log, const coverage_table *table, bool holds, const char *row, int channel,
                          double value, double uncertainty, double truth, double x)
{
  if (log != NULL)
    fprintf(log, "unit %zu channel %d %s: %s, %.9g +- %.3g, truth %.9g, off by %.3g (%.2f), at %g\n",
            table->nunits, channel, row, holds ? "held" : "missed", value, uncertainty, truth, value - truth,
            (value - truth) / uncertainty, x);
}

static void count_reading(const coverage_truths *t, const mt_reading *r, FILE *log, coverage_table *table)
{
  mt_unit unit = mt_quantity_describe(r->quantity)->unit;
  double truth = coverage_reading_truth(t, r);
  char name[COVERAGE_NAME];
  coverage_row *row;
  double error;
  bool holds = true;

  if (isnan(truth))
    return;
  name_row(r, truth, name);
  row = row_of(table, name);
  row->is_nothing = !isfinite(truth);
  row->is_fact = r->quantity == MT_Q_ROUTE || r->quantity == MT_Q_POLARITY;
  error = error_of(unit, r->value, truth);
  if (r->validity == MT_RIG_LIMITED)
    holds = count_bound(row, mt_quantity_bound_is_least(r->quantity) ? error <= 0.0 : error >= 0.0);
  else if (r->validity == MT_VALID)
    holds = count_value(row, error, r->uncertainty);
  else
    row->nrefused++;
  if (r->validity == MT_RIG_LIMITED || r->validity == MT_VALID)
    log_statement(log, table, holds, name, r->channel, r->value, r->uncertainty, truth, r->freq_hz);
}

/* ---- curves ---------------------------------------------------------------------------------------- */

typedef struct stretch {
  double from, to;
  const char *name;
} stretch;

/* Ten times the floor of response and phase: noise makes these intervals. Below, the floor is larger. */
#define NOISY_FROM_HZ 20.0
#define NOISY_DB 1.5e-3
#define NOISY_DEG 1.5e-2

static const stretch octaves[] = {
    {0.0, 20.0, "below 20 Hz"},       {20.0, 200.0, "20 to 200 Hz"},  {200.0, 2000.0, "200 Hz to 2 kHz"},
    {2000.0, 20000.0, "2 to 20 kHz"}, {20000.0, 1e6, "above 20 kHz"},
};
/* the level played */
static const stretch levels[] = {
    {-200.0, -60.0, "below -60 dBFS"}, {-60.0, -30.0, "-60 to -30 dBFS"}, {-30.0, 1.0, "above -30 dBFS"}};

/* What a curve is called in the table; NULL: it has no truth. All harmonics are one. */
static const char *curve_name(const mt_curve *curve)
{
  switch ((int)curve->quantity) {
  case MT_Q_HARMONIC_2:
  case MT_Q_HARMONIC_3:
  case MT_Q_HARMONIC_4:
  case MT_Q_HARMONIC_5: return "harmonics";
  case MT_Q_SPECTRUM: return NULL; /* its noise has no truth but its mean, which is the density's */
  default: return mt_quantity_describe(curve->quantity)->name;
  }
}

static const char *name_of_point(const mt_curve *curve, const char *where, double truth,
                                 char name[COVERAGE_NAME])
{
  snprintf(name, COVERAGE_NAME, "%s, %s", curve_name(curve), isfinite(truth) ? where : "none there");
  return name;
}

/* What the estimate states with no noise at all; an interval that is mostly this holds the truth more often. */
static bool has_floor(const mt_curve *curve)
{
  return curve->quantity == MT_Q_RESPONSE || curve->quantity == MT_Q_PHASE ||
         curve->quantity == MT_Q_GROUP_DELAY || curve->quantity == MT_Q_PHASE_DIFFERENCE;
}

static void count_point(const coverage_truths *t, const mt_results *results, const mt_curve *curve, size_t at,
                        const char *where, FILE *log, coverage_table *table)
{
  double truth = coverage_curve_truth(t, results, curve, at);
  double error = error_of(mt_quantity_describe(curve->quantity)->unit, curve->y[at], truth);
  char name[COVERAGE_NAME];
  coverage_row *row;
  bool holds;

  if (isnan(truth))
    return;
  row = row_of(table, name_of_point(curve, where, truth, name));
  row->is_nothing = !isfinite(truth);
  if (curve->x[at] >= NOISY_FROM_HZ &&
      ((curve->quantity == MT_Q_RESPONSE && curve->uncertainty[at] > NOISY_DB) ||
       (curve->quantity == MT_Q_PHASE && curve->uncertainty[at] > NOISY_DEG))) {
    snprintf(name, sizeof name, "%s, noise above its floor", curve_name(curve));
    count_value(row_of(table, name), error, curve->uncertainty[at]);
  }
  row = row_of(table, name_of_point(curve, where, truth, name)); /* adding a row may not move others */
  row->is_floored = has_floor(curve);
  if (curve->floor != NULL && curve->uncertainty[at] >= MT_CURVE_BOUND_DB)
    holds = count_bound(row, error >= 0.0);
  else
    holds = count_value(row, error, curve->uncertainty[at]);
  log_statement(log, table, holds, name, curve->channel, truth + error, curve->uncertainty[at], truth,
                curve->x[at]);
}

/* One point of the curve in each stretch, so that what is counted is independent. */
static void count_curve(const coverage_truths *t, const mt_results *results, const mt_curve *curve,
                        mt_random *random, FILE *log, coverage_table *table)
{
  bool over_level = curve->x_unit == MT_UNIT_DBFS;
  const stretch *of = over_level ? levels : octaves;
  size_t count = over_level ? sizeof levels / sizeof *levels : sizeof octaves / sizeof *octaves;

  for (size_t i = 0; i < count; i++) {
    size_t first = 0, end;
    while (first < curve->npoints && curve->x[first] < of[i].from)
      first++;
    for (end = first; end < curve->npoints && curve->x[end] < of[i].to;)
      end++;
    if (first < end)
      count_point(t, results, curve, first + (size_t)(mt_random_uniform(random) * (double)(end - first)),
                  of[i].name, log, table);
  }
}

/* The slope is not read by default; whoever asks for it gets an interval too. */
static void count_slope(const coverage_truths *t, const mt_curve *curve, mt_random *random, FILE *log,
                        coverage_table *table)
{
  double from_hz = 20.0 * pow(100.0, mt_random_uniform(random));
  double to_hz = from_hz * pow(2.0, 1.0 + 2.0 * mt_random_uniform(random));
  double truth = coverage_slope_truth(t, curve, from_hz, to_hz);
  coverage_row *row = row_of(table, "slope");
  mt_figure slope;
  mt_error err = {0};
  bool holds;

  assert_ok(mt_curve_slope(curve, from_hz, to_hz, &slope, &err), err);
  holds = count_value(row, slope.value - truth, slope.uncertainty);
  log_statement(log, table, holds, "slope", curve->channel, slope.value, slope.uncertainty, truth, from_hz);
}

static void count_curves(const coverage_truths *t, const mt_results *results, mt_random *random, FILE *log,
                         coverage_table *table)
{
  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *curve = &results->curves[i];
    if (curve->validity != MT_VALID || curve->npoints == 0 || curve_name(curve) == NULL)
      continue;
    count_curve(t, results, curve, random, log, table);
    if (curve->quantity == MT_Q_RESPONSE)
      count_slope(t, curve, random, log, table);
  }
}

/* ---- all units ------------------------------------------------------------------------------------- */

static void log_unit(FILE *log, const coverage_table *table, const coverage_case *bench)
{
  const mt_simulated_unit *u = &bench->unit;
  if (log == NULL)
    return;
  fprintf(log,
          "unit %zu: rate %g level %.2f to %.2f clock %.2f bits %u delay %.4f hum %.3f Hz swap %d low-pass "
          "%.0f\n",
          table->nunits, bench->rate_hz, bench->level_dbfs, bench->max_level_dbfs, u->clock_offset_ppm,
          u->bits, u->delay_s, u->hum_hz, u->swap, bench->low_pass_hz);
  for (int c = 0; c < 2; c++) {
    const mt_simulated_channel *k = &u->channel[c];
    fprintf(log,
            "  channel %d: gain %.2f noise %.1f hum %.1f crosstalk %.1f dc %.4g high-pass %.1f shelf %.1f at "
            "%.0f clip %.3g poly %.3g %.3g %.3g %.3g\n",
            c, k->gain_db, k->noise_dbfs, k->hum_dbfs, k->crosstalk_db, k->dc, k->high_pass_hz, k->shelf_db,
            k->shelf_hz, k->clip, k->poly[1], k->poly[2], k->poly[3], k->poly[4]);
  }
}

static void log_problems(FILE *log, const coverage_table *table, const mt_results *results)
{
  for (size_t i = 0; i < results->nproblems && log != NULL; i++)
    fprintf(log, "unit %zu problem: %s\n", table->nunits, results->problems[i].text);
}

void coverage_run(uint64_t seed, size_t first, size_t nunits, size_t extras_every, FILE *log,
                  coverage_table *out)
{
  mt_random random, points;

  memset(out, 0, sizeof *out);
  mt_random_init(&random, seed);
  for (size_t i = 0; i < first; i++) {
    coverage_case skipped;
    coverage_draw(&random, &skipped);
  }
  for (; out->nunits < nunits; out->nunits++) {
    unsigned extras = extras_every > 0 && out->nunits % extras_every == 0 ? MT_EXTRAS_ALL : 0;
    coverage_case bench;
    coverage_truths *t;
    mt_results *results;
    coverage_draw(&random, &bench);
    mt_random_init(&points, ~(seed + ((uint64_t)(first + out->nunits) << 32)));
    log_unit(log, out, &bench);
    results = coverage_measure(&bench, extras);
    if (results == NULL) {
      out->nlost++;
      continue;
    }
    t = coverage_truths_create(&bench, extras);
    log_problems(log, out, results);
    for (size_t i = 0; i < results->nreadings; i++)
      count_reading(t, &results->readings[i], log, out);
    count_curves(t, results, &points, log, out);
    coverage_truths_destroy(&t);
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
  fprintf(out, "%-36s  %6s %-24s  %6s  %6s  %6s %-24s  %s\n", "quantity", "valid", "truth in the interval",
          "too high", "ratio", "bounds", "truth below the bound", "refused");
  for (size_t i = 0; i < table->nrows; i++) {
    const coverage_row *r = &table->rows[i];
    fprintf(out, "%-36s", r->name);
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
