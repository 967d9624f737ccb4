#include "analysis/tone.h"

#include "analysis/psd.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/wide.h"

#include <stdlib.h>
#include <string.h>

/* Records of about a second: long enough for 1 Hz bins, short enough that the drift of a free-running
   clock (0.01 ppm/s) leaves no more than -113 dB of a 1 kHz tone behind. */
#define RECORD_S 1.3

/* Levels come from float samples and double sums: nothing below this is claimed. */
#define LEVEL_FLOOR_DB 1e-5

/* No noise is believed to be below the rounding of 24 bits: 6.02 x 24 + 1.76 dB under full scale. */
#define ROUNDING_POWER 2.4e-15

/*
 * The median of the bins 4 ... 60 Hz away on both sides, turned into a mean. Median of a mean of K
 * exponentials: (1 - 1/(9K))^3 of its mean (Wilson and Hilferty 1931).
 */
double mt_tone_density_beside(const mt_psd *psd, double freq_hz)
{
  double beside[512];
  size_t count = 0;
  double skip_hz = 5.0 * psd->bin_hz;
  double reach_hz = skip_hz + fmax(60.0, 10.0 * psd->bin_hz);
  size_t first = (size_t)fmax(1.0, floor((freq_hz - reach_hz) / psd->bin_hz));
  double k = fmax(1.0, psd->averages);
  double floor_density = ROUNDING_POWER / (psd->rate_hz / 2.0);

  for (size_t i = first; i < psd->nbins && count < sizeof beside / sizeof beside[0]; i++) {
    double away = fabs((double)i * psd->bin_hz - freq_hz);
    if (away > reach_hz && (double)i * psd->bin_hz > freq_hz)
      break;
    if (away > skip_hz && away <= reach_hz)
      beside[count++] = psd->density[i];
  }
  if (count == 0)
    return floor_density;
  return fmax(floor_density, mt_order_select(beside, count, count / 2) / pow(1.0 - 1.0 / (9.0 * k), 3.0));
}

/* Other lines taken out before the last fit: so many, so much of the noise in an order's bin let through to
   the fit, so far above the noise around them, so many bins from anything known (half a lobe of the window). */
#define LINES_MAX 12
#define LINE_LEAK 0.01
#define LINE_ABOVE_NOISE 12.0
#define LINE_BINS 4

/* Lines looked for in what is left, where the noise in an order's bin is so far below the tone. */
#define REST_LINES_MAX 256
#define QUIET_BIN 1e-11

/* Phase of a wandering clock, in a record: the most that is taken for one, and how far above the noise. */
#define WANDER_MOST_RAD 3e-4
#define WANDER_ABOVE_NOISE 10.0

/* Frames of a tone turned from one sine and cosine */
#define ACROSS 128

/* A time constant of an eighth of the record is followed to 1e-6 of the drift. */
#define DRIFT_DEGREE 12

void mt_tone_debias(double raw_power, double density, double record_s, double *power, double *error)
{
  double bin = density / record_s;
  *power = raw_power - bin;
  *error = sqrt(2.0 * fmax(*power, 0.0) * bin + bin * bin);
}

/* ---- lines beside the tone ----------------------------------------------------------------------- */

static int nearest_order(const mt_sine_fit *fit, double freq_hz)
{
  double order = floor(freq_hz / fit->freq_hz + 0.5);
  return (int)fmin(fmax(order, 1.0), (double)fit->norders);
}

/*
 * The strongest line that is none of the tone's orders and would move their fit: a record of T seconds lets
 * 1 / (pi T distance) of its amplitude through to an order. One that adds less than a tenth of the noise in the
 * order's own bin may stay. @return its frequency, or 0.
 */
static double find_line(const mt_psd *psd, const mt_sine_fit *fit, double record_s, const mt_sine_fit *done,
                        size_t ndone)
{
  double width_hz = mt_window_enbw_bins(psd->window) * psd->bin_hz, strongest = 0.0;
  double least = LINE_LEAK * mt_tone_density_beside(psd, fit->freq_hz) / record_s;
  double nearest_hz = LINE_BINS * psd->bin_hz;
  size_t at = 0;

  for (size_t i = LINE_BINS; i + 1 < psd->nbins; i++) {
    double f = (double)i * psd->bin_hz, power = psd->density[i] * width_hz, distance_hz, leak;
    bool known;
    /* first what it would leak from as near as may be: nearly all stay below that */
    if (!(power / pow(MT_PI * record_s * nearest_hz, 2.0) > least) || psd->density[i] < psd->density[i - 1] ||
        psd->density[i] < psd->density[i + 1])
      continue;
    distance_hz = fabs(f - nearest_order(fit, f) * fit->freq_hz);
    leak = power / pow(MT_PI * record_s * distance_hz, 2.0);
    known = distance_hz < nearest_hz;
    if (known || !(leak > fmax(least, strongest)))
      continue;
    for (size_t d = 0; d < ndone && !known; d++)
      known = fabs(f - nearest_order(&done[d], f) * done[d].freq_hz) < LINE_BINS * psd->bin_hz;
    if (known || psd->density[i] < LINE_ABOVE_NOISE * mt_tone_density_beside(psd, f))
      continue;
    strongest = leak;
    at = i;
  }
  if (at == 0)
    return 0.0;
  {
    double left = log(psd->density[at - 1]), top = log(psd->density[at]), right = log(psd->density[at + 1]);
    double bend = 2.0 * top - left - right;
    return ((double)at + (bend > 0.0 ? 0.5 * (right - left) / bend : 0.0)) * psd->bin_hz;
  }
}

/* How a tone is fitted: its frequency too, or at a frequency known. */
typedef struct fit_request {
  double rate_hz;
  double freq_hz;
  int norders;
  bool known;
  mt_psd_tools *tools; /* shared by all records */
} fit_request;

static mt_code fit_once(const double *x, size_t n, const fit_request *request, mt_sine_fit *fit,
                        double *residual, mt_error *err)
{
  mt_code code;

  if (!request->known)
    return mt_fit_sine(x, n, request->rate_hz, request->freq_hz, request->norders, fit, residual, err);
  code = mt_fit_known(x, n, request->rate_hz, request->freq_hz, fit, residual, err);
  if (code == MT_OK)
    fit->norders = 1;
  return code;
}

/* Hum comes with its orders, which are fitted with it: one after the other they would move each other. */
static int orders_of(double freq_hz)
{
  bool mains = fabs(freq_hz - 50.0) < 0.02 * 50.0 || fabs(freq_hz - 60.0) < 0.02 * 60.0;
  return mains ? MT_ORDERS_MAX : 1;
}

/* Take the lines that matter out of left[n]. @return how many. */
static size_t take_lines(double *left, double *work, size_t n, double rate_hz, const mt_sine_fit *fit,
                         const mt_psd *psd)
{
  mt_sine_fit done[LINES_MAX];
  size_t taken = 0;

  for (size_t tried = 0; tried < LINES_MAX; tried++) {
    double at_hz = find_line(psd, fit, (double)n / rate_hz, done, tried);
    mt_sine_fit *line = &done[tried];
    if (at_hz == 0.0)
      break;
    if (mt_fit_sine(left, n, rate_hz, at_hz, orders_of(at_hz), line, work, NULL) != MT_OK ||
        !line->converged) {
      *line = (mt_sine_fit){.freq_hz = at_hz, .norders = 1}; /* not to be tried again */
      continue;
    }
    /* only the line: the record keeps its DC, which the last fit reads */
    for (size_t i = 0; i < n; i++)
      left[i] = work[i] + line->dc;
    taken++;
  }
  return taken;
}

/* A coupling capacitor that settles? */
static bool has_drift(const mt_psd *psd)
{
  return psd->nbins > LINE_BINS &&
         fmax(psd->density[1], psd->density[2]) >= LINE_ABOVE_NOISE * mt_tone_density_beside(psd, 0.0);
}

/* Such a slow drift is taken out by Legendre polynomials. @return whether it was. */
static bool take_drift(double *left, size_t n, const mt_psd *psd)
{
  double coefficient[DRIFT_DEGREE + 1] = {0.0};

  if (!has_drift(psd))
    return false;
  for (int pass = 0; pass < 2; pass++)
    for (size_t i = 0; i < n; i++) {
      double u = (2.0 * (double)i + 1.0) / (double)n - 1.0, before = 1.0, here = u, sum = 0.0;
      for (int k = 1; k <= DRIFT_DEGREE; k++) {
        double next = ((2.0 * k + 1.0) * u * here - k * before) / (k + 1.0);
        if (pass == 0)
          coefficient[k] += (2.0 * k + 1.0) / (double)n * left[i] * here;
        sum += coefficient[k] * here;
        before = here;
        here = next;
      }
      if (pass == 1)
        left[i] -= sum;
    }
  return true;
}

/* As fit_record(), where `residual` and `rest` are what a first fit left. */
static mt_code fit_beside_lines(const double *x, size_t n, const fit_request *request, mt_sine_fit *fit,
                                double *residual, mt_psd *rest, mt_error *err)
{
  double *left = malloc(2 * n * sizeof *left), *work = left + n;
  fit_request again = *request;
  mt_code code = MT_OK;
  bool moved;

  if (left == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  memcpy(left, residual, n * sizeof *left);
  moved = take_lines(left, work, n, request->rate_hz, fit, rest) > 0;
  moved = take_drift(left, n, rest) || moved;
  if (moved) {
    for (size_t i = 0; i < n; i++) {
      double lines = residual[i] - left[i];
      residual[i] = lines;
      left[i] = x[i] - lines;
    }
    again.freq_hz = fit->freq_hz;
    code = fit_once(left, n, &again, fit, work, err);
    for (size_t i = 0; i < n && code == MT_OK; i++)
      residual[i] += work[i];
    if (code == MT_OK) {
      mt_psd_finish(rest);
      code = mt_psd_estimate_with(request->tools, residual, n, request->rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4,
                                  0, rest, err);
    }
  }
  free(left);
  return code;
}

/*
 * Fit, and where hum or another line stands beside the tone, take it out and fit again: it would move every
 * order by what a rectangular record lets through of it. What is left of x, lines and all, is in residual[n],
 * its density in `rest`.
 */
static mt_code fit_record(const double *x, size_t n, const fit_request *request, mt_sine_fit *fit,
                          double *residual, mt_psd *rest, mt_error *err)
{
  mt_code code = fit_once(x, n, request, fit, residual, err);

  if (code == MT_OK)
    code = mt_psd_estimate_with(request->tools, residual, n, request->rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0,
                                rest, err);
  if (code == MT_OK && fit->amplitude > 0.0 &&
      (find_line(rest, fit, (double)n / request->rate_hz, NULL, 0) > 0.0 || has_drift(rest)))
    code = fit_beside_lines(x, n, request, fit, residual, rest, err);
  return code;
}

/* What a wander of second and third order would leave of a tone, ACROSS frames at a time. */
typedef struct wander {
  double amplitude, phase_rad; /* of the cosine at mid-record */
  double step, middle, per_frame;
  double fine_cos[ACROSS], fine_sin[ACROSS]; /* turns of the first frames */
  double second[ACROSS], third[ACROSS];
} wander;

static wander wander_of(const mt_sine_fit *fit, size_t n, double rate_hz)
{
  wander w = {.amplitude = fit->amplitude,
              .phase_rad = fit->phase_rad,
              .step = 2.0 * MT_PI * fit->freq_hz / rate_hz,
              .middle = 0.5 * ((double)n - 1.0),
              .per_frame = 2.0 / (double)n};

  for (size_t i = 0; i < ACROSS; i++) {
    w.fine_cos[i] = cos(w.step * (double)i);
    w.fine_sin[i] = sin(w.step * (double)i);
  }
  return w;
}

/* The tone changes by -A sin(phase) with its phase, and that by a Legendre polynomial of time. */
MT_WIDE static void fill_wander(wander *w, size_t begin)
{
  double from_middle = (double)begin - w->middle, phase = w->step * from_middle + w->phase_rad;
  double coarse_cos = -w->amplitude * cos(phase), coarse_sin = -w->amplitude * sin(phase);

  for (int i = 0; i < ACROSS; i++) {
    double across = coarse_sin * w->fine_cos[i] + coarse_cos * w->fine_sin[i];
    double u = (from_middle + (double)i) * w->per_frame;
    w->second[i] = across * (1.5 * u * u - 0.5);
    w->third[i] = across * (2.5 * u * u - 1.5) * u;
  }
}

MT_WIDE static double product_of(const double *a, const double *b, size_t n)
{
  mt_four sum = {0.0};
  size_t i = 0;

  for (; i + 4 <= n; i += 4)
    sum += *(const mt_four_at *)(a + i) * *(const mt_four_at *)(b + i);
  for (; i < n; i++)
    sum[0] += a[i] * b[i];
  return mt_four_sum(&sum);
}

/*
 * A free-running clock wanders: phase of second and third order in time, which no sine fit follows and which is
 * none of the unit's distortion. Small as it is (3e-4 rad; a lost frame is a step of more), it is taken out of what
 * is left where it stands out of the noise. @return whether it did.
 */
static bool take_wander(double *residual, size_t n, double rate_hz, const mt_sine_fit *fit,
                        const mt_psd *rest)
{
  double power = fit->amplitude * fit->amplitude, second = 0.0, third = 0.0;
  double noise = mt_tone_density_beside(rest, fit->freq_hz) * rate_hz / (double)n;
  wander w = wander_of(fit, n, rate_hz);

  for (size_t begin = 0; begin < n; begin += ACROSS) {
    size_t count = n - begin < ACROSS ? n - begin : ACROSS;
    fill_wander(&w, begin);
    second += product_of(residual + begin, w.second, count);
    third += product_of(residual + begin, w.third, count);
  }
  /* energy of the columns: A^2 / 2 and 1 / (2 k + 1) of n frames */
  second *= 10.0 / ((double)n * power);
  third *= 14.0 / ((double)n * power);
  if (fabs(second) + fabs(third) > WANDER_MOST_RAD ||
      power * (second * second / 5.0 + third * third / 7.0) < WANDER_ABOVE_NOISE * noise)
    return false;
  for (size_t begin = 0; begin < n; begin += ACROSS) {
    fill_wander(&w, begin);
    for (size_t i = 0; i < ACROSS && begin + i < n; i++)
      residual[begin + i] -= second * w.second[i] + third * w.third[i];
  }
  return true;
}

/* ---- what the readings take ---------------------------------------------------------------------- */

static void add_fit(mt_tone *tone, const mt_sine_fit *fit)
{
  tone->freq_hz += fit->freq_hz;
  tone->power += fit->amplitude * fit->amplitude;
  tone->dc += fit->dc;
  for (int k = 2; k <= fit->norders; k++)
    tone->harmonic_raw[k] += fit->harmonic_amplitude[k] * fit->harmonic_amplitude[k];
}

static mt_code add_density(mt_psd *total, mt_psd *part, mt_error *err)
{
  if (total->density == NULL) {
    *total = *part;
    memset(part, 0, sizeof *part);
    return MT_OK;
  }
  if (total->nbins != part->nbins)
    return mt_fail(err, MT_E_INTERNAL, "densities of %zu and %zu bins cannot be averaged", total->nbins,
                   part->nbins);
  for (size_t i = 0; i < total->nbins; i++)
    total->density[i] += part->density[i];
  total->averages += part->averages;
  mt_psd_finish(part);
  return MT_OK;
}

/*
 * All but DC, which takes half a lobe of the window: of the density, as the mean square of a record that holds no
 * whole number of a hum's periods would be off by 1 / (4 pi f T) of it.
 */
static void set_rest(mt_tone *tone, double rate_hz)
{
  double lowest_hz = LINE_BINS * tone->rest.bin_hz;
  mt_band_power band = mt_psd_band(&tone->rest, lowest_hz, 0.5 * rate_hz, MT_WEIGHT_NONE);

  tone->rest_power = band.power + lowest_hz * mt_tone_density_beside(&tone->rest, 0.0);
  tone->rest_error = band.standard_error;
}

/* A line of any phase beside an order is to its fit what noise of that power in its bin is. */
static double beaten_error(double power, double error, double leak)
{
  return sqrt(error * error + 2.0 * fmax(power, 0.0) * leak + leak * leak);
}

/*
 * Lines that stay in what is left, orders above those fitted for one, reach all orders: a record of T seconds lets
 * 1 / (pi T distance) of their amplitude through, or once more that of what is let through by the strongest LINES_MAX,
 * which were taken out. It takes a record without noise to see it.
 */
static void allow_for_rest(mt_tone *tone)
{
  mt_psd_line lines[REST_LINES_MAX];
  double *beneath = NULL, bin = tone->noise_power;
  size_t count = 0, stronger;

  if (!(bin < QUIET_BIN * tone->power))
    return;
  beneath = malloc(tone->rest.nbins * sizeof *beneath);
  if (beneath != NULL)
    count = mt_psd_part(&tone->rest, beneath, lines, REST_LINES_MAX);
  free(beneath);
  for (size_t i = 0; i < count; i++) {
    stronger = 0;
    for (size_t k = 0; k < count; k++)
      stronger += lines[k].power > lines[i].power;
    for (int k = 2; k <= tone->norders; k++) {
      double turns = MT_PI * tone->record_s * fabs(lines[i].freq_hz - k * tone->freq_hz);
      double share = 1.0 / fmax(1.0, turns * turns);
      double leak = lines[i].power * share * (stronger < LINES_MAX ? fmin(1.0, 4.0 * share) : 1.0);
      tone->harmonic_error[k] = beaten_error(tone->harmonic_power[k], tone->harmonic_error[k], leak);
      tone->harmonic_noise[k] += leak;
    }
  }
}

/* Turn sums over the records into means and give each its uncertainty. */
static void conclude(mt_tone *tone, size_t record, double rate_hz)
{
  double count = (double)tone->nrecords;
  double n = (double)record;
  double density, raw, root = sqrt(count), variance, snr;

  tone->record_s = n / rate_hz;
  tone->freq_hz /= count;
  tone->dc /= count;
  for (size_t i = 0; i < tone->rest.nbins; i++)
    tone->rest.density[i] /= count;

  set_rest(tone, rate_hz);
  raw = tone->power / count;
  density = mt_tone_density_beside(&tone->rest, tone->freq_hz);
  mt_tone_debias(raw, density, tone->record_s, &tone->power, &tone->power_error);
  tone->power_error /= root;
  tone->noise_power = density / tone->record_s / root;
  /* the fit took the noise in the bin of each order with it */
  tone->rest_power += density / tone->record_s;
  for (int k = 2; k <= tone->norders; k++) {
    double beside = mt_tone_density_beside(&tone->rest, k * tone->freq_hz);
    tone->harmonic_raw[k] /= count;
    mt_tone_debias(tone->harmonic_raw[k], beside, tone->record_s, &tone->harmonic_power[k],
                   &tone->harmonic_error[k]);
    tone->harmonic_error[k] /= root;
    tone->harmonic_noise[k] = beside / tone->record_s / root;
    tone->rest_power += beside / tone->record_s;
  }
  /* Rife and Boorstyn 1974 for a real sinusoid: var w >= 12 / (snr N (N^2 - 1)) */
  variance = density * rate_hz / 4.0;
  snr = variance > 0.0 ? fmax(tone->power, 0.0) / (2.0 * variance) : (double)INFINITY;
  tone->freq_uncertainty_hz =
      2.0 *
      fmax(sqrt(12.0 / (snr * n * (n * n - 1.0))) * rate_hz / (2.0 * MT_PI) / root, 1e-12 * tone->freq_hz);
  /* the noise of the lowest frequencies is what moves a mean */
  density = mt_tone_density_beside(&tone->rest, 0.0);
  tone->dc_uncertainty = 2.0 * sqrt(density / 4.0 / (tone->record_s * count)) + 1e-9;
  allow_for_rest(tone);
}

void mt_tone_allow_for(mt_tone *tone, const mt_psd_line *lines, size_t nlines)
{
  for (size_t i = 0; i < nlines; i++) {
    int k = (int)fmin(fmax(floor(lines[i].freq_hz / tone->freq_hz + 0.5), 1.0), (double)tone->norders);
    double away_hz = fabs(lines[i].freq_hz - k * tone->freq_hz), turns = MT_PI * tone->record_s * away_hz;
    double share = 1.0 / fmax(1.0, turns * turns), leak = lines[i].power * share;
    bool is_told = away_hz >= LINE_BINS * tone->rest.bin_hz;
    /* taken out where it matters, by a fit that the tone disturbs as much as it the tone: both ways once */
    if (is_told)
      leak *= 4.0 * share;
    else
      tone->taken_power += leak;
    if (k > 1) {
      tone->harmonic_error[k] = beaten_error(tone->harmonic_power[k], tone->harmonic_error[k], leak);
      tone->harmonic_noise[k] += leak;
      continue;
    }
    /* as in conclude(): var w = 6 x bin noise / (power T^2) */
    tone->freq_uncertainty_hz =
        hypot(tone->freq_uncertainty_hz,
              2.0 * sqrt(6.0 * leak / fmax(tone->power, leak)) / (2.0 * MT_PI * tone->record_s));
    tone->power_error = beaten_error(tone->power, tone->power_error, leak);
    tone->noise_power += leak;
  }
}

static void add_event(mt_tone *tone, const mt_steady_event *event)
{
  if (tone->nevents < MT_STEADY_EVENTS_MAX)
    tone->events[tone->nevents++] = *event;
  else
    tone->nunlisted++;
  tone->last_event_s = event->end_s;
}

/* What a lost block, a dip or a drift did to this record. */
static mt_code add_events(mt_tone *tone, const mt_sine_fit *fit, const double *residual, size_t n,
                          double rate_hz, double offset_s, mt_error *err)
{
  mt_steady steady = {.checked = true};
  mt_code code = MT_OK;

  if (fit->amplitude > 0.0)
    code = mt_steady_check(residual, n, rate_hz, fit, &steady, err);
  if (!steady.checked)
    tone->nunchecked++;
  for (size_t i = 0; code == MT_OK && i < steady.nevents; i++) {
    mt_steady_event event = steady.events[i];
    event.begin_s += offset_s;
    event.end_s += offset_s;
    add_event(tone, &event);
  }
  if (code == MT_OK)
    tone->nunlisted += steady.nfound - steady.nevents;
  return code;
}

/* ---- where two records meet ----------------------------------------------------------------------- */

/* Long enough for the 24 blocks that steady.c wants of one period each, and for 40 of 5 ms. */
#define SEAM_S 0.2
#define SEAM_PERIODS 13.0

/* A fitted tone times `gain` onto x[count], whose first frame is `from` frames after the fit's mid-record. */
static void add_fitted(const mt_sine_fit *fit, double rate_hz, double gain, double from, double *x,
                       size_t count)
{
  double step = 2.0 * MT_PI * fit->freq_hz / rate_hz, step_cos = cos(step), step_sin = sin(step);

  for (size_t begin = 0; begin < count; begin += ACROSS) {
    double phase = step * (from + (double)begin) + fit->phase_rad;
    double re = gain * fit->amplitude * cos(phase), im = gain * fit->amplitude * sin(phase);
    for (size_t i = begin; i < count && i < begin + ACROSS; i++) {
      double turned = re * step_cos - im * step_sin;
      x[i] += re;
      im = re * step_sin + im * step_cos;
      re = turned;
    }
  }
}

/* An event of a record at its very end cannot be told by kind: what the seam tells replaces it. */
static void settle_event(mt_tone *tone, const mt_steady_event *event)
{
  for (size_t i = 0; i < tone->nevents; i++) {
    mt_steady_event *known = &tone->events[i];
    if (known->kind != MT_STEADY_AWAY && known->begin_s < event->end_s && known->end_s > event->begin_s) {
      if (known->kind == MT_STEADY_DIP)
        *known = *event;
      return;
    }
  }
  add_event(tone, event);
}

static mt_code open_seam(mt_tone_run *run, double freq_hz, mt_error *err)
{
  double wanted = fmax(SEAM_S, SEAM_PERIODS / freq_hz) * run->rate_hz;

  run->nseam = wanted < (double)run->record ? (size_t)wanted : run->record;
  run->seam = malloc(2 * run->nseam * sizeof *run->seam);
  return run->seam != NULL ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", run->nseam);
}

/*
 * Each record has a fit of its own, so a step exactly between two of them is none in either. What the one left of its
 * end and the other of its beginning, put on the first one's tone, is looked through once more.
 */
static mt_code look_at_seam(mt_tone_run *run, const mt_sine_fit *fit, mt_error *err)
{
  size_t n = run->record, half;
  mt_sine_fit across = run->before;
  mt_steady steady = {.checked = false};
  double at_s = (double)(run->next * n) / run->rate_hz, half_s;
  mt_code code = run->count > 1 && run->seam == NULL ? open_seam(run, fit->freq_hz, err) : MT_OK;

  if (code != MT_OK || run->seam == NULL)
    return code;
  half = run->nseam;
  half_s = (double)half / run->rate_hz;
  if (run->has_seam) {
    double *after = run->seam + half, middle = 0.5 * ((double)n - 1.0);
    memcpy(after, run->residual, half * sizeof *after);
    add_fitted(fit, run->rate_hz, 1.0, -middle, after, half);
    add_fitted(&run->before, run->rate_hz, -1.0, (double)n - middle, after, half);
    across.phase_rad += MT_PI * run->before.freq_hz / run->rate_hz * (double)n;
    code = mt_steady_check(run->seam, 2 * half, run->rate_hz, &across, &steady, err);
  }
  for (size_t i = 0; code == MT_OK && i < steady.nevents; i++) {
    mt_steady_event event = steady.events[i];
    bool is_whole =
        event.begin_s <= 0.0 && event.end_s >= 2.0 * half_s; /* a drift is the records' own business */
    if (event.kind == MT_STEADY_DIP || is_whole || event.begin_s > half_s || event.end_s < half_s)
      continue;
    event.begin_s += at_s - half_s;
    event.end_s += at_s - half_s;
    settle_event(&run->tone, &event);
  }
  memcpy(run->seam, run->residual + n - half, half * sizeof *run->seam);
  run->before = *fit;
  run->has_seam = fit->amplitude > 0.0;
  return code;
}

mt_code mt_tone_begin(mt_tone_run *run, size_t n, double rate_hz, double expect_hz, mt_error *err)
{
  size_t count = (size_t)fmax(1.0, floor((double)n / (RECORD_S * rate_hz) + 0.5));

  *run = (mt_tone_run){.n = n,
                       .rate_hz = rate_hz,
                       .expect_hz = expect_hz,
                       .count = count,
                       .record = n / count,
                       .least_db = INFINITY,
                       .most_db = -INFINITY};
  run->residual = malloc((run->record > 0 ? run->record : 1) * sizeof *run->residual);
  return run->residual != NULL ? MT_OK
                               : mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", run->record);
}

void mt_tone_cancel(mt_tone_run *run)
{
  free(run->residual);
  free(run->seam);
  mt_psd_tools_finish(&run->tools);
  mt_tone_finish(&run->tone);
  *run = (mt_tone_run){0};
}

/* What one record adds to the sums. Without a tone in it: MT_E_DATA, and nothing is added. */
static mt_code add_record(mt_tone_run *run, const double *x, mt_error *err)
{
  fit_request request = {.rate_hz = run->rate_hz,
                         .freq_hz = run->expect_hz,
                         .norders = MT_ORDERS_MAX,
                         .tools = run->shared != NULL ? run->shared : &run->tools};
  size_t n = run->record;
  mt_tone *tone = &run->tone;
  mt_sine_fit fit;
  mt_psd psd = {0};
  double level_db;
  mt_code code = fit_record(x, n, &request, &fit, run->residual, &psd, err);

  if (code != MT_OK) {
    mt_psd_finish(&psd);
    return code;
  }
  if (tone->nrecords == 0) {
    tone->phase_rad = fit.phase_rad;
    tone->norders = fit.norders;
    if (run->expect_hz == 0.0)
      run->expect_hz = fit.freq_hz;
  }
  tone->nrecords++;
  add_fit(tone, &fit);
  level_db = mt_db_of_ratio(fit.amplitude);
  run->least_db = fmin(run->least_db, level_db);
  run->most_db = fmax(run->most_db, level_db);
  code = add_events(tone, &fit, run->residual, n, run->rate_hz, (double)(run->next * n) / run->rate_hz, err);
  if (code == MT_OK)
    code = look_at_seam(run, &fit, err);
  if (code == MT_OK && take_wander(run->residual, n, run->rate_hz, &fit, &psd)) {
    mt_psd_finish(&psd);
    code = mt_psd_estimate_with(request.tools, run->residual, n, run->rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0,
                                &psd, err);
  }
  if (code == MT_OK)
    code = add_density(&tone->rest, &psd, err);
  else
    mt_psd_finish(&psd);
  return code;
}

/* A record that should hold the tone and does not; with the one before, if that does not either. */
static void add_absence(mt_tone_run *run)
{
  mt_tone *tone = &run->tone;
  mt_steady_event *last = tone->nevents > 0 ? &tone->events[tone->nevents - 1] : NULL;
  double begin_s = (double)(run->next * run->record) / run->rate_hz;
  double end_s = begin_s + (double)run->record / run->rate_hz;

  run->nabsent++;
  run->has_seam = false;
  if (last != NULL && last->kind == MT_STEADY_AWAY && begin_s - last->end_s < 0.5 * (end_s - begin_s))
    last->end_s = end_s;
  else
    add_event(tone, &(mt_steady_event){.kind = MT_STEADY_AWAY, .begin_s = begin_s, .end_s = end_s});
}

mt_code mt_tone_advance(mt_tone_run *run, mt_samples *samples, size_t upto, mt_error *err)
{
  const double *x;
  mt_code code = MT_OK;

  for (; run->next < run->count && (run->next + 1) * run->record <= upto && code == MT_OK; run->next++) {
    code = mt_samples_look(samples, run->next * run->record, run->record, &x, err);
    if (code != MT_OK)
      return code;
    run->tone.peak = fmax(run->tone.peak, mt_wide_peak(x, run->record));
    code = add_record(run, x, err);
    if (code == MT_E_DATA && run->may_pause) {
      add_absence(run);
      code = MT_OK;
    }
  }
  if (code == MT_OK && upto == run->n && run->count * run->record < run->n) {
    size_t first = run->count * run->record; /* what is left over at the end counts for the peak alone */
    code = mt_samples_look(samples, first, run->n - first, &x, err);
    if (code == MT_OK)
      run->tone.peak = fmax(run->tone.peak, mt_wide_peak(x, run->n - first));
  }
  return code;
}

mt_code mt_tone_conclude(mt_tone_run *run, mt_tone *out, mt_error *err)
{
  if (run->tone.nrecords == 0)
    return mt_fail(err, MT_E_DATA, "there is no tone in any of %zu records", run->count);
  run->tone.level_spread_db = run->most_db - run->least_db;
  conclude(&run->tone, run->record, run->rate_hz);
  *out = run->tone;
  run->tone = (mt_tone){0};
  return MT_OK;
}

mt_code mt_tone_measure(const double *x, size_t n, double rate_hz, double expect_hz, mt_tone *out,
                        mt_error *err)
{
  return mt_tone_measure_with(NULL, x, n, rate_hz, expect_hz, out, err);
}

mt_code mt_tone_measure_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, double expect_hz,
                             mt_tone *out, mt_error *err)
{
  mt_samples samples = mt_samples_of_array(x, n);
  mt_tone_run run;
  mt_code code = mt_tone_begin(&run, n, rate_hz, expect_hz, err);

  run.shared = tools;
  if (code == MT_OK)
    code = mt_tone_advance(&run, &samples, n, err);
  if (code == MT_OK)
    code = mt_tone_conclude(&run, out, err);
  mt_tone_cancel(&run);
  return code;
}

mt_code mt_tone_measure_known(const double *x, size_t n, double rate_hz, double freq_hz, mt_tone *out,
                              mt_error *err)
{
  mt_psd_tools tools = {0};
  mt_code code = mt_tone_measure_known_with(&tools, x, n, rate_hz, freq_hz, out, err);

  mt_psd_tools_finish(&tools);
  return code;
}

mt_code mt_tone_measure_known_with(mt_psd_tools *tools, const double *x, size_t n, double rate_hz,
                                   double freq_hz, mt_tone *out, mt_error *err)
{
  const fit_request request = {
      .rate_hz = rate_hz, .freq_hz = freq_hz, .norders = 1, .known = true, .tools = tools};
  mt_tone tone = {0};
  mt_sine_fit fit;
  mt_code code;
  double *residual = malloc((n > 0 ? n : 1) * sizeof *residual);

  if (residual == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  code = fit_record(x, n, &request, &fit, residual, &tone.rest, err);
  if (code == MT_OK) {
    add_fit(&tone, &fit);
    code = add_events(&tone, &fit, residual, n, rate_hz, 0.0, err);
  }
  if (code == MT_OK) {
    tone.phase_rad = fit.phase_rad;
    tone.norders = 1;
    tone.nrecords = 1;
    tone.freq_is_given = true;
    tone.peak = mt_wide_peak(x, n);
    conclude(&tone, n, rate_hz);
    *out = tone;
  } else {
    mt_tone_finish(&tone);
  }
  free(residual);
  return code;
}

bool mt_tone_is_present(const mt_tone *tone)
{
  /* in one record this is 18.5 times the mean noise power of the tone's bin, which noise alone exceeds
     with a probability of exp(-19.5), 3e-9 */
  return tone->power > 0.0 && tone->power > 3.0 * tone->power_error;
}

double mt_tone_level_dbfs(const mt_tone *tone)
{
  return mt_db_of_power(tone->power);
}

double mt_tone_level_uncertainty_db(const mt_tone *tone)
{
  /* dB of a power: 4.343 times the relative error */
  return hypot(2.0 * 10.0 / log(10.0) * tone->power_error / tone->power, LEVEL_FLOOR_DB);
}

void mt_tone_finish(mt_tone *tone)
{
  mt_psd_finish(&tone->rest);
}
