#include "analysis/travel_work.h"

#include <mendtone/analysis.h>

#include "base/decibel.h"
#include "base/order.h"

#include <stdlib.h>
#include <string.h>

#define RATE_LEAST_HZ 32000.0
#define LEAST_S 1.0
/* Lines beside the tone tell the noise: clear of the window's main lobe (100 Hz), the other tone and harmonics. */
#define NBESIDE 4
/* Median of the mean of four exponential powers over their mean: of a gamma distribution of shape 4. */
#define MEDIAN_OF_FOUR 0.9180
#define AROUND 12 /* points, 0.24 s to either side */
#define LEAST_POWER 1e-16
#define HEARD_AT_FULL_DB 20.0
#define AT_FULL_DB 0.25
#define SWAPPED_DB 10.0
#define CELLS 140
#define SMALL_DB 0.05
/* Neighbouring windows overlap by half and are of bell shape: nearly independent. */
#define INDEPENDENT 0.8
/* A unit that is warm keeps its gain to so much over half a minute (common practice, no source). */
#define STEADY_DB 0.003

static const double beside_hz[NBESIDE] = {-350.0, -250.0, 250.0, 350.0};

/* ---- levels ------------------------------------------------------------------------------------------------- */

/* A window times a cosine and a sine, scaled so that a tone of amplitude a reads a. */
typedef struct probe {
  double *re, *im;
  size_t n;
} probe;

static mt_code probe_init(probe *p, size_t n, double freq_hz, double rate_hz, mt_error *err)
{
  double sum = 0.0;

  p->n = n;
  p->re = malloc(2 * n * sizeof *p->re);
  if (p->re == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a window");
  p->im = p->re + n;
  mt_window_fill(MT_WINDOW_BLACKMAN_HARRIS_4, n, p->re);
  for (size_t i = 0; i < n; i++)
    sum += p->re[i];
  for (size_t i = 0; i < n; i++) {
    double phase = 2.0 * MT_PI * fmod(freq_hz * (double)i / rate_hz, 1.0), weight = 2.0 * p->re[i] / sum;
    p->re[i] = weight * cos(phase);
    p->im[i] = weight * sin(phase);
  }
  return MT_OK;
}

static double probe_power(const probe *p, const double *x)
{
  double re = 0.0, im = 0.0;

  for (size_t i = 0; i < p->n; i++) {
    re += x[i] * p->re[i];
    im += x[i] * p->im[i];
  }
  return re * re + im * im;
}

static mt_code make_fine(mt_travel_work *w, int c, mt_error *err)
{
  probe own = {0};
  mt_code code = probe_init(&own, MT_TRAVEL_FINE * w->hop, w->freq_hz[c], w->rate_hz, err);

  for (size_t i = 0; i < w->nfine && code == MT_OK; i++)
    w->fine[c][i] = sqrt(probe_power(&own, w->x[c] + i * w->hop));
  free(own.re);
  return code;
}

/* Own tone, the mean of the lines beside it, and the other tone. */
static mt_code make_raw(const mt_travel_work *w, int c, double *own, double *noise, double *other,
                        mt_error *err)
{
  probe probes[2 + NBESIDE] = {{0}};
  size_t length = MT_TRAVEL_COARSE * w->hop;
  mt_code code = probe_init(&probes[0], length, w->freq_hz[c], w->rate_hz, err);

  if (code == MT_OK)
    code = probe_init(&probes[1], length, w->freq_hz[1 - c], w->rate_hz, err);
  for (int i = 0; i < NBESIDE && code == MT_OK; i++)
    code = probe_init(&probes[2 + i], length, w->freq_hz[c] + beside_hz[i], w->rate_hz, err);
  for (size_t p = 0; p < w->out->npoints && code == MT_OK; p++) {
    const double *x = w->x[c] + p * MT_TRAVEL_PER_POINT * w->hop;
    own[p] = probe_power(&probes[0], x);
    other[p] = probe_power(&probes[1], x);
    noise[p] = 0.0;
    for (int i = 0; i < NBESIDE; i++)
      noise[p] += probe_power(&probes[2 + i], x) / NBESIDE;
  }
  for (int i = 0; i < 2 + NBESIDE; i++)
    free(probes[i].re);
  return code;
}

/* Of the moments around: a scratch is no noise of the unit. */
static double median_around(const double *values, size_t n, size_t at, size_t around)
{
  double near[2 * AROUND + 1];
  size_t first = at > around ? at - around : 0, last = at + around < n ? at + around : n - 1;

  memcpy(near, values + first, (last - first + 1) * sizeof *near);
  return mt_order_select(near, last - first + 1, (last - first) / 2);
}

static void settle_points(mt_travel_work *w, int c, const double *own, const double *raw_noise)
{
  for (size_t p = 0; p < w->out->npoints; p++) {
    mt_travel_point *point = &w->out->points[p];
    double noise = median_around(raw_noise, w->out->npoints, p, AROUND) / MEDIAN_OF_FOUR + LEAST_POWER;
    double tone = fmax(own[p] - noise, LEAST_POWER);
    w->noise[c][p] = noise;
    point->at_s = (double)(MT_TRAVEL_PER_POINT * p + MT_TRAVEL_COARSE / 2) * (double)w->hop / w->rate_hz;
    point->snr_db[c] = mt_db_of_power(tone / noise);
    point->sigma_db[c] = mt_db_of_relative(sqrt(0.5 * noise / tone));
    if (point->snr_db[c] < MT_TRAVEL_HEARD_DB)
      tone = own[p] + 3.0 * noise;
    point->level_dbfs[c] = mt_db_of_power(tone);
  }
}

/* Where the channel is loudest, which tone is it? */
static void find_swap(mt_travel_work *w, int c, const double *own, const double *other)
{
  double most_own = 0.0, most_other = 0.0;

  for (size_t p = 0; p < w->out->npoints; p++) {
    most_own = fmax(most_own, own[p]);
    most_other = fmax(most_other, other[p]);
  }
  w->out->swapped[c] = most_other > most_own * mt_power_of_db(SWAPPED_DB);
}

static mt_code make_points(mt_travel_work *w, int c, mt_error *err)
{
  size_t n = w->out->npoints;
  double *own = malloc(3 * n * sizeof *own);
  mt_code code;

  if (own == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu levels", n);
  code = make_raw(w, c, own, own + n, own + 2 * n, err);
  if (code == MT_OK) {
    settle_points(w, c, own, own + n);
    find_swap(w, c, own, own + 2 * n);
  }
  free(own);
  return code;
}

double mt_travel_fine_s(const mt_travel_work *w, size_t i)
{
  return (double)((i + MT_TRAVEL_FINE / 2) * w->hop) / w->rate_hz;
}

size_t mt_travel_fine_at(const mt_travel_work *w, double at_s)
{
  double i = at_s * w->rate_hz / (double)w->hop - 0.5 * MT_TRAVEL_FINE;
  return (size_t)fmin(fmax(round(i), 0.0), (double)w->nfine - 1.0);
}

double mt_travel_fine_sigma(const mt_travel_work *w, int channel, size_t i)
{
  size_t p = i / MT_TRAVEL_PER_POINT, chunk = i * w->hop / w->chunk;
  double power, burst = 0.0;

  p = p < w->out->npoints ? p : w->out->npoints - 1;
  /* a shorter window lets in more of the noise */
  power = w->noise[channel][p] * MT_TRAVEL_COARSE / MT_TRAVEL_FINE;
  /* and a scratch is as dense at the tone as it is above 6 kHz */
  for (size_t k = chunk; k < w->nhiss && k * w->chunk < (i + MT_TRAVEL_FINE) * w->hop; k++)
    burst = fmax(burst, w->hiss[channel][k] - w->hush[channel][k]);
  power += 2.0 * burst * mt_window_enbw_bins(MT_WINDOW_BLACKMAN_HARRIS_4) /
           (MT_TRAVEL_FINE * (double)w->hop * (0.5 - MT_TRAVEL_HISS_HZ / w->rate_hz));
  return sqrt(0.5 * power); /* half of it lies along the tone */
}

double mt_travel_fine_dbfs(const mt_travel_work *w, int channel, size_t i)
{
  return mt_db_of_ratio(w->fine[channel][i] + 1e-9);
}

double mt_travel_fine_sigma_db(const mt_travel_work *w, int channel, size_t i)
{
  return mt_db_of_relative(mt_travel_fine_sigma(w, channel, i) / (w->fine[channel][i] + 1e-9));
}

/* ---- full, lowest, balance ---------------------------------------------------------------------------------- */

/* Median of five points: no scratch is the loudest moment of the travel. */
static double calm_level(const mt_travel *t, int c, size_t p)
{
  double five[5];

  for (size_t i = 0; i < 5; i++)
    five[i] = t->points[p + i - 2].level_dbfs[c];
  return mt_order_select(five, 5, 2);
}

static void find_ends(mt_travel *t, int c)
{
  size_t loudest = 2, quietest = 2;
  double sum = 0.0, sigma = 0.0, count = 0.0;

  for (size_t p = 2; p + 2 < t->npoints; p++) {
    loudest = calm_level(t, c, p) > calm_level(t, c, loudest) ? p : loudest;
    quietest = calm_level(t, c, p) < calm_level(t, c, quietest) ? p : quietest;
  }
  t->full_dbfs[c] = calm_level(t, c, loudest);
  t->heard[c] = t->points[loudest].snr_db[c] >= HEARD_AT_FULL_DB;
  t->lowest_dbfs[c] = calm_level(t, c, quietest);
  for (size_t p = 0; p < t->npoints; p++)
    if (t->points[p].snr_db[c] >= MT_TRAVEL_SNR_DB)
      t->clear_to_db[c] = fmax(t->clear_to_db[c], t->full_dbfs[c] - t->points[p].level_dbfs[c]);
  sigma = t->points[quietest].sigma_db[c];
  t->is_bound[c] = t->points[quietest].snr_db[c] < MT_TRAVEL_HEARD_DB;
  t->lowest_sigma_db[c] = sigma;
  if (t->is_bound[c])
    return;
  /* the lowest of many scatters low: the mean of those around that are no other level */
  for (size_t p = quietest > 10 ? quietest - 10 : 0; p < t->npoints && p <= quietest + 10; p++)
    if (fabs(t->points[p].level_dbfs[c] - t->lowest_dbfs[c]) <= fmax(0.1, 3.0 * sigma)) {
      sum += t->points[p].level_dbfs[c];
      count += 1.0;
    }
  t->lowest_dbfs[c] = sum / count;
}

static bool counts(const mt_travel_point *p)
{
  return p->snr_db[0] >= MT_TRAVEL_SNR_DB && p->snr_db[1] >= MT_TRAVEL_SNR_DB;
}

static void find_balance(mt_travel *t)
{
  double sum = 0.0, squares = 0.0, noise = 0.0, n = 0.0, scatter;

  for (size_t i = 0; i < t->npoints; i++) {
    const mt_travel_point *p = &t->points[i];
    double balance = p->level_dbfs[0] - p->level_dbfs[1];
    if (!counts(p) || p->level_dbfs[0] < t->full_dbfs[0] - AT_FULL_DB ||
        p->level_dbfs[1] < t->full_dbfs[1] - AT_FULL_DB)
      continue;
    sum += balance;
    squares += balance * balance;
    noise += p->sigma_db[0] * p->sigma_db[0] + p->sigma_db[1] * p->sigma_db[1];
    n += 1.0;
  }
  if (n < 3.0)
    return;
  t->has_balance = true;
  t->balance_db = sum / n;
  scatter = fmax(noise / n, squares / n - t->balance_db * t->balance_db);
  t->balance_uncertainty_db = 2.0 * sqrt(scatter / (INDEPENDENT * n));
}

/* ---- tracking ----------------------------------------------------------------------------------------------- */

typedef struct cell_sums {
  double n, down, right_weight, error, squares, noise;
  double down_squares, product;
} cell_sums;

/* What a fault makes of the balance is told as a fault. */
static bool is_in_fault(const mt_travel *t, double at_s)
{
  for (size_t i = 0; i < t->nevents; i++) {
    const mt_travel_event *e = &t->events[i];
    if (((e->kind == MT_TRAVEL_SCRATCH && !mt_travel_is_sustained(e)) ||
         (e->kind == MT_TRAVEL_LOST && !e->to_the_end)) &&
        at_s > e->begin_s - 0.03 && at_s < e->begin_s + e->length_s + 0.03)
      return true;
  }
  return false;
}

/*
 * How far down it is, by both channels weighted so that their noise leaves no trace in it that is also in their
 * difference: else a cell would gather the points whose noise lifts the left one, and their error with it.
 */
static double common_down_db(const mt_travel *t, const mt_travel_point *p, double error_db,
                             double *right_weight)
{
  double left = 1.0 / (p->sigma_db[0] * p->sigma_db[0] + 1e-12);
  double right = 1.0 / (p->sigma_db[1] * p->sigma_db[1] + 1e-12);

  /* a cell is 1 dB wide: what scatters by much less need not be weighted, and the left one alone is plainer */
  *right_weight = right / (left + right) * fmin(1.0, p->sigma_db[0] * p->sigma_db[0] / (SMALL_DB * SMALL_DB));
  return t->full_dbfs[0] - p->level_dbfs[0] + *right_weight * error_db;
}

static void sum_cells(const mt_travel *t, cell_sums sums[CELLS])
{
  for (size_t i = 0; i < t->npoints; i++) {
    const mt_travel_point *p = &t->points[i];
    double error = p->level_dbfs[0] - p->level_dbfs[1] - t->balance_db, right_weight;
    double down = common_down_db(t, p, error, &right_weight);
    cell_sums *cell;
    if (!counts(p) || down < -0.5 || down >= CELLS - 0.5 || is_in_fault(t, p->at_s))
      continue;
    cell = &sums[(size_t)floor(fmax(down, 0.0) + 0.5)];
    cell->n += 1.0;
    cell->down += down;
    cell->right_weight += right_weight;
    cell->error += error;
    cell->squares += error * error;
    cell->down_squares += down * down;
    cell->product += down * error;
    cell->noise += p->sigma_db[0] * p->sigma_db[0] + p->sigma_db[1] * p->sigma_db[1];
  }
}

/* Variance about the line through the cell's points: that it slopes is no scatter. */
static double scatter_of(const cell_sums *s)
{
  double x = s->down / s->n, y = s->error / s->n;
  double xx = s->down_squares / s->n - x * x, xy = s->product / s->n - x * y, yy = s->squares / s->n - y * y;

  if (s->n < 4.0 || !(xx > 1e-6))
    return yy;
  return fmax(0.0, yy - xy * xy / xx) * s->n / (s->n - 2.0);
}

static mt_code make_cells(mt_travel *t, mt_error *err)
{
  cell_sums sums[CELLS] = {{0}};

  t->cells = malloc(CELLS * sizeof *t->cells);
  if (t->cells == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the tracking");
  if (!t->has_balance)
    return MT_OK;
  sum_cells(t, sums);
  for (size_t i = 0; i < CELLS; i++) {
    const cell_sums *s = &sums[i];
    mt_travel_cell *cell = &t->cells[t->ncells];
    double scatter;
    if (s->n < 2.0)
      continue;
    cell->error_db = s->error / s->n;
    cell->attenuation_db = fmax(0.0, s->down / s->n - s->right_weight / s->n * cell->error_db);
    scatter = fmax(s->noise / s->n, scatter_of(s));
    cell->uncertainty_db =
        hypot(2.0 * sqrt(scatter / (INDEPENDENT * s->n)), t->balance_uncertainty_db) + STEADY_DB;
    t->ncells++;
  }
  return MT_OK;
}

const mt_travel_cell *mt_travel_worst(const mt_travel *travel, double down_to_db)
{
  const mt_travel_cell *worst = NULL;

  for (size_t i = 0; i < travel->ncells; i++) {
    const mt_travel_cell *cell = &travel->cells[i];
    if (cell->attenuation_db <= down_to_db && (worst == NULL || fabs(cell->error_db) > fabs(worst->error_db)))
      worst = cell;
  }
  return worst;
}

/* ---- the whole ---------------------------------------------------------------------------------------------- */

static mt_code reserve(mt_travel_work *w, mt_error *err)
{
  double *block = calloc(2 * (w->nfine + w->out->npoints + 2 * w->nhiss), sizeof *block);

  w->out->points = calloc(w->out->npoints, sizeof *w->out->points);
  w->fine[0] = block;
  if (block == NULL || w->out->points == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the levels of a travel");
  w->fine[1] = block + w->nfine;
  w->noise[0] = w->fine[1] + w->nfine;
  w->noise[1] = w->noise[0] + w->out->npoints;
  w->hiss[0] = w->noise[1] + w->out->npoints;
  w->hiss[1] = w->hiss[0] + w->nhiss;
  w->hush[0] = w->hiss[1] + w->nhiss;
  w->hush[1] = w->hush[0] + w->nhiss;
  return MT_OK;
}

static mt_code measure(mt_travel_work *w, mt_error *err)
{
  mt_code code = reserve(w, err);

  for (int c = 0; c < 2 && code == MT_OK; c++) {
    code = make_fine(w, c, err);
    if (code == MT_OK)
      code = make_points(w, c, err);
    if (code == MT_OK)
      find_ends(w->out, c);
  }
  if (code == MT_OK)
    code = mt_travel_hiss(w, err);
  if (code == MT_OK)
    code = mt_travel_find_steps(w, err);
  if (code == MT_OK) {
    find_balance(w->out);
    mt_travel_find_faults(w);
    code = make_cells(w->out, err);
  }
  return code;
}

mt_code mt_travel_measure(const double *const x[2], size_t n, double rate_hz, const double freq_hz[2],
                          mt_travel *out, mt_error *err)
{
  mt_travel travel = {0};
  mt_travel_work w = {.x = {x[0], x[1]},
                      .n = n,
                      .rate_hz = rate_hz,
                      .freq_hz = {freq_hz[0], freq_hz[1]},
                      .hop = (size_t)lround(MT_TRAVEL_FINE_S * rate_hz),
                      .out = &travel};
  mt_code code;

  if (!(rate_hz >= RATE_LEAST_HZ))
    return mt_fail(err, MT_E_ARG, "the rate is %g Hz; expected %g or more", rate_hz, RATE_LEAST_HZ);
  if ((double)n < LEAST_S * rate_hz)
    return mt_fail(err, MT_E_ARG, "the tones last %.2f s; expected %g or more", (double)n / rate_hz, LEAST_S);
  w.nfine = (n - MT_TRAVEL_FINE * w.hop) / w.hop + 1;
  travel.npoints = (n - MT_TRAVEL_COARSE * w.hop) / (MT_TRAVEL_PER_POINT * w.hop) + 1;
  w.chunk = (size_t)lround(2e-3 * rate_hz);
  w.nhiss = n / w.chunk;
  code = measure(&w, err);
  free(w.fine[0]);
  if (code == MT_OK)
    *out = travel;
  else
    mt_travel_finish(&travel);
  return code;
}

void mt_travel_finish(mt_travel *travel)
{
  free(travel->points);
  free(travel->cells);
  memset(travel, 0, sizeof *travel);
}
