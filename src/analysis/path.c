#include "analysis/path.h"

#include "analysis/codes.h"
#include "analysis/path_grain.h"
#include "analysis/samples.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- images at the edges of sub-bands ----------------------------------------------------------- */

/* 8 and 4 bands at 48, 44.1 and 32 kHz (the rates and bands of the wireless profile's codec; from memory of
   the Bluetooth A2DP specification, Appendix B). The link's rate need not be the recording's. */
static const double spacing_hz[] = {6000.0, 12000.0, 5512.5, 11025.0, 4000.0, 8000.0};

/* Images lie near -72 dB, less when the tone is far from the edge. Equal but for the noise. */
#define IMAGE_MOST_DB (-55.0)
#define IMAGE_LEAST_DB (-85.0)
#define IMAGE_PAIR_DB 6.0
/* Above the noise beside it: what noise alone reaches in 5 bins once in 10^6 */
#define IMAGE_STANDS_OUT_DB 12.0

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Median density between two frequencies, at most 256 bins of them. 0 if there is no bin. */
static double median_density(const mt_psd *psd, double from_hz, double to_hz)
{
  double bins[256];
  size_t first = (size_t)fmax(1.0, ceil(from_hz / psd->bin_hz)), count = 0;
  size_t last = (size_t)fmin((double)psd->nbins - 1.0, floor(to_hz / psd->bin_hz));
  size_t step = last > first ? 1 + (last - first) / 256 : 1;

  for (size_t i = first; i <= last && count < 256; i += step)
    bins[count++] = psd->density[i];
  if (count == 0)
    return 0.0;
  qsort(bins, count, sizeof bins[0], compare_doubles);
  return bins[count / 2];
}

/* A line within two bins: its level re the tone, dB; -INFINITY if it does not stand out. */
static double line_db(const mt_tone *tone, double freq_hz)
{
  const mt_psd *psd = &tone->rest;
  double beside, most = 0.0, reach_hz = 40.0 * psd->bin_hz;
  double centre = floor(freq_hz / psd->bin_hz + 0.5);

  if (freq_hz < 10.0 * psd->bin_hz || centre + 3.0 >= (double)psd->nbins)
    return -(double)INFINITY;
  for (size_t i = (size_t)centre - 2; i <= (size_t)centre + 2; i++)
    most = fmax(most, psd->density[i]);
  beside = median_density(psd, freq_hz - reach_hz, freq_hz + reach_hz);
  if (!(most > beside * mt_power_of_db(IMAGE_STANDS_OUT_DB)))
    return -(double)INFINITY;
  return mt_db_of_power(most * psd->bin_hz * mt_window_enbw_bins(psd->window) / tone->power);
}

/*
 * The strongest line from 1 kHz on that is neither image, dB re the tone. What distorts in many orders (a square
 * wave, and its folded orders) has a line nearly everywhere: among stronger ones, two of them are no images.
 */
static double strongest_other_db(const mt_tone *tone, double below_hz, double above_hz)
{
  const mt_psd *psd = &tone->rest;
  double most = 0.0, apart_hz = 5.0 * psd->bin_hz;

  for (size_t i = (size_t)(1000.0 / psd->bin_hz); i < psd->nbins; i++) {
    double f = (double)i * psd->bin_hz;
    if (fabs(f - below_hz) > apart_hz && fabs(f - above_hz) > apart_hz)
      most = fmax(most, psd->density[i]);
  }
  return mt_db_of_power(most * psd->bin_hz * mt_window_enbw_bins(psd->window) / tone->power);
}

/* The spacing whose two images are there, or 0. */
static double find_images(const mt_tone *tone)
{
  for (size_t i = 0; i < sizeof spacing_hz / sizeof spacing_hz[0]; i++) {
    double below_db = line_db(tone, fabs(spacing_hz[i] - tone->freq_hz));
    double above_db = line_db(tone, spacing_hz[i] + tone->freq_hz);
    if (fabs(below_db - above_db) <= IMAGE_PAIR_DB && below_db > IMAGE_LEAST_DB &&
        above_db > IMAGE_LEAST_DB && below_db < IMAGE_MOST_DB && above_db < IMAGE_MOST_DB &&
        strongest_other_db(tone, fabs(spacing_hz[i] - tone->freq_hz), spacing_hz[i] + tone->freq_hz) <
            fmin(below_db, above_db))
      return spacing_hz[i];
  }
  return 0.0;
}

/* ---- noise in a hill around the tone ------------------------------------------------------------- */

#define HILL_DB 4.5     /* several times what the estimates below vary by */
#define HILL_FAR_DB 3.5 /* the hill above what has risen everywhere */
/* MP3 spreads its noise over few lines of 42 Hz, Opus over hundreds of hertz */
#define NEAR_FROM_HZ 15.0
#define NEAR_TO_HZ 100.0
#define FAR_FROM_HZ 5000.0
#define FAR_TO_HZ 12000.0
/* Noise of amplitude alone makes a hill in phase, none in quadrature, noise of phase the other way: so the smaller of
   both must rise, by three times what it varies by; and of a steep hill neither may be much the larger */
#define BOTH_RISE_DB 3.0
#define QUADRATURE_DB 8.0
/* Noise of amplitude or phase as wide as the tone is high folds about it and leans no more; its power over the period
   then goes with the wave or its slope, of which all has 0.5. Codecs' is even: below 0.1 */
#define PROPORTIONAL 0.3
/*
 * Blocks of 240 ms hold several frames of any usual codec and resolve 4.2 Hz, so that mains hum on the tone (lines
 * 50 or 60 and 100 Hz beside it, 7 bins wide each under the window) takes less than half of the offsets from 17 to
 * 42 Hz, where MP3's noise lies. The tone itself, if frames were lost and it is still there, is 92 dB down from the
 * fourth bin on.
 */
#define BLOCK_S 0.24
#define OFFSETS_FROM 4
#define OFFSETS_TO 10
#define OFFSETS (OFFSETS_TO - OFFSETS_FROM + 1)

/* What stands around a tone, block by block. */
typedef struct surround {
  double in_phase;   /* power of the noise of amplitude, all blocks */
  double quadrature; /* ... and of phase */
  double low;        /* lower quartile of the blocks' powers */
  double high;       /* upper quartile */
} surround;

/* Two Fourier sums at freq_hz -+ offset_hz, the phase counted from the middle of the block. */
static void sum_pair(const double *x, const double *window, size_t n, double rate_hz, double freq_hz,
                     double offset_hz, double re[2], double im[2])
{
  for (int side = 0; side < 2; side++) {
    double step = 2.0 * MT_PI * (freq_hz + (side == 0 ? -offset_hz : offset_hz)) / rate_hz;
    double angle = -step * ((double)n - 1.0) / 2.0;
    double c = cos(angle), s = sin(angle), dc = cos(step), ds = sin(step);
    re[side] = im[side] = 0.0;
    for (size_t i = 0; i < n; i++) {
      double next = c * dc - s * ds;
      re[side] += window[i] * x[i] * c;
      im[side] -= window[i] * x[i] * s;
      s = s * dc + c * ds;
      c = next;
    }
  }
}

static double add_block(const double *x, const double *window, size_t n, double rate_hz, double freq_hz,
                        double phase_rad, surround *out)
{
  double power[OFFSETS], pc = cos(phase_rad), ps = sin(phase_rad);

  for (int m = OFFSETS_FROM; m <= OFFSETS_TO; m++) {
    double re[2], im[2], a_re, a_im, p_re, p_im;
    sum_pair(x, window, n, rate_hz, freq_hz, m * rate_hz / (double)n, re, im);
    for (int side = 0; side < 2; side++) { /* seen from the tone's own phase */
      double turned = re[side] * pc + im[side] * ps;
      im[side] = im[side] * pc - re[side] * ps;
      re[side] = turned;
    }
    a_re = (re[1] + re[0]) / 2.0;
    a_im = (im[1] - im[0]) / 2.0;
    p_re = (re[1] - re[0]) / 2.0;
    p_im = (im[1] + im[0]) / 2.0;
    out->in_phase += a_re * a_re + a_im * a_im;
    out->quadrature += p_re * p_re + p_im * p_im;
    power[m - OFFSETS_FROM] = a_re * a_re + a_im * a_im + p_re * p_re + p_im * p_im;
  }
  qsort(power, OFFSETS, sizeof power[0], compare_doubles);
  return power[OFFSETS / 2];
}

static mt_code measure_surround(const mt_workspace *ws, const mt_section *section, mt_channel channel,
                                double freq_hz, surround *out, mt_error *err)
{
  double rate_hz = ws->take->rate_hz;
  size_t n = section->count, block = (size_t)(BLOCK_S * rate_hz), count = n / block;
  double *x = malloc(2 * n * sizeof *x), *window = malloc(block * sizeof *window);
  double *power = malloc((count + 1) * sizeof *power), *residual = x != NULL ? x + n : NULL;
  mt_sine_fit fit;
  mt_code code = MT_OK;

  memset(out, 0, sizeof *out);
  if (x == NULL || window == NULL || power == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", n);
  if (code == MT_OK) {
    mt_workspace_copy(ws, section->begin, n, channel, x);
    code = mt_fit_known(x, n, rate_hz, freq_hz, &fit, residual, err);
  }
  if (code == MT_OK) {
    mt_window_fill(MT_WINDOW_BLACKMAN_HARRIS_4, block, window);
    for (size_t b = 0; b < count; b++) {
      double middle = (double)(b * block) + ((double)block - 1.0) / 2.0 - ((double)n - 1.0) / 2.0;
      power[b] = add_block(residual + b * block, window, block, rate_hz, freq_hz,
                           fit.phase_rad + 2.0 * MT_PI * freq_hz * middle / rate_hz, out);
    }
    qsort(power, count, sizeof power[0], compare_doubles);
    out->low = count > 0 ? power[count / 4] : 0.0;
    out->high = count > 0 ? power[count - 1 - count / 4] : 0.0;
  }
  free(x);
  free(window);
  free(power);
  return code;
}

/* Amplitude and phase alike, as quantised lines of a spectrum are. */
static bool is_of_both(const surround *loud, const surround *weak)
{
  double lean_db = mt_db_of_power((loud->in_phase + 1e-300) / (loud->quadrature + 1e-300));
  double least = fmin(loud->in_phase, loud->quadrature), before = 0.5 * (weak->in_phase + weak->quadrature);

  return fabs(lean_db) < QUADRATURE_DB &&
         mt_db_of_power((least + 1e-300) / (before + 1e-300)) >= BOTH_RISE_DB;
}

/* How much more noise there is near and far from the loud tone than from the weak one, by medians. */
static double rise_db(const mt_psd *loud, const mt_psd *weak, double from_hz, double to_hz)
{
  /* no noise is believed below the rounding of 24 bits */
  double least = 2.4e-15 / (loud->rate_hz / 2.0);
  return mt_db_of_power(fmax(least, median_density(loud, from_hz, to_hz)) /
                        fmax(least, median_density(weak, from_hz, to_hz)));
}

/* @param hill_db  how far it rises with the tone; 0 if this is not the hill of a codec. */
static mt_code find_hill(const mt_workspace *ws, mt_channel channel, double *hill_db, mt_error *err)
{
  const mt_section *loud = mt_workspace_find(ws, "both"), *weak = mt_workspace_find(ws, "low");
  const mt_psd *high, *low;
  surround at_loud, at_weak;
  mt_grain_pulse pulse;
  double f, far_db, near_db, rises_db;
  mt_code code;

  *hill_db = 0.0;
  if (loud == NULL || weak == NULL || !loud->has_tone[channel] || !weak->has_tone[channel])
    return MT_OK;
  high = &loud->tone[channel].rest;
  low = &weak->tone[channel].rest;
  f = loud->tone[channel].freq_hz;
  /* the spectra are at hand; only what they suspect is looked at block by block */
  near_db = fmax(rise_db(high, low, f - NEAR_TO_HZ, f - NEAR_FROM_HZ),
                 rise_db(high, low, f + NEAR_FROM_HZ, f + NEAR_TO_HZ));
  far_db = rise_db(high, low, FAR_FROM_HZ, FAR_TO_HZ);
  if (near_db < HILL_DB || near_db < far_db + HILL_FAR_DB)
    return MT_OK;
  code = measure_surround(ws, loud, channel, f, &at_loud, err);
  if (code == MT_OK)
    code = measure_surround(ws, weak, channel, f, &at_weak, err);
  if (code != MT_OK)
    return code;
  rises_db = mt_db_of_power((at_loud.low + 1e-300) / (at_weak.high + 1e-300));
  if (!is_of_both(&at_loud, &at_weak) || rises_db < HILL_DB || rises_db < far_db + HILL_FAR_DB)
    return MT_OK;
  code = mt_path_measure_pulse(ws, channel, &pulse, err);
  if (code == MT_OK && pulse.strength < PROPORTIONAL)
    *hill_db = fmin(rises_db, 200.0);
  return code;
}

/* ---- the grain of few bits -------------------------------------------------------------------------- */

/* By less than that the tone's noise changes no reading by much, and where in the wave it is loud cannot be told */
#define GRAIN_RISE_DB 3.0

static mt_code find_grain(const mt_workspace *ws, mt_channel channel, mt_grain *out, mt_error *err)
{
  const mt_section *loud = mt_workspace_find(ws, "both"), *weak = mt_workspace_find(ws, "low");

  *out = MT_GRAIN_NONE;
  if (loud == NULL || weak == NULL || !loud->has_tone[channel] || !weak->has_tone[channel] ||
      rise_db(&loud->tone[channel].rest, &weak->tone[channel].rest, FAR_FROM_HZ, FAR_TO_HZ) < GRAIN_RISE_DB)
    return MT_OK;
  return mt_path_find_grain(ws, channel, out, err);
}

/* ---- the values of the samples -------------------------------------------------------------------- */

#define CODES_FRAMES 24000

static mt_code find_codes(const mt_workspace *ws, const mt_section *section, unsigned channel,
                          mt_codes *codes, mt_error *err)
{
  mt_take_view view = {.take = ws->take};
  mt_samples samples = mt_samples_of_take(&view, channel);
  size_t count = section->count < CODES_FRAMES ? section->count : CODES_FRAMES;
  const double *x = NULL;
  mt_code code = mt_samples_look(&samples, section->begin + (section->count - count) / 2, count, &x, err);

  if (code == MT_OK)
    *codes = mt_codes_find(x, count);
  mt_samples_finish(&samples);
  mt_take_view_finish(&view);
  return code;
}

/* ---- the verdict on the path --------------------------------------------------------------------- */

/* What every channel that carries the tone shows. */
typedef struct signs {
  bool any;         /* channel that does */
  double images_hz; /* 0: none */
  double hill_db;
  mt_codes codes;
  mt_grain grain;
} signs;

/* A channel 40 dB below the other is silent, or nearly: it need not show what the other shows. */
static bool carries_tone(const mt_workspace *ws, const mt_section *section, int channel)
{
  double loudest = 0.0;

  for (int c = 0; c < (int)ws->nchannels; c++)
    if (section->has_tone[c])
      loudest = fmax(loudest, section->tone[c].power);
  return section->has_tone[channel] && mt_tone_is_present(&section->tone[channel]) &&
         section->tone[channel].power > 1e-4 * loudest;
}

static mt_code find_signs(const mt_workspace *ws, const mt_section *section, signs *out, mt_error *err)
{
  mt_code code = MT_OK;

  *out = (signs){.any = false};
  for (int c = 0; section != NULL && c < (int)ws->nchannels && code == MT_OK; c++) {
    signs here = {.any = true};
    if (!carries_tone(ws, section, c))
      continue;
    here.images_hz = find_images(&section->tone[c]);
    if (!out->any || out->hill_db > 0.0)
      code = find_hill(ws, c, &here.hill_db, err);
    if (code == MT_OK && (!out->any || out->codes != MT_CODES_NONE))
      code = find_codes(ws, section, (unsigned)c, &here.codes, err);
    if (code == MT_OK && (!out->any || out->grain != MT_GRAIN_NONE))
      code = find_grain(ws, (mt_channel)c, &here.grain, err);
    if (out->any) {
      here.images_hz = here.images_hz == out->images_hz ? here.images_hz : 0.0;
      here.hill_db = fmin(here.hill_db, out->hill_db);
      here.codes = here.codes == out->codes ? here.codes : MT_CODES_NONE;
      here.grain = here.grain == out->grain ? here.grain : MT_GRAIN_NONE;
    }
    *out = here;
  }
  return code;
}

static void describe_signs(const signs *found, double tone_hz, char *text, size_t size)
{
  if (found->codes != MT_CODES_NONE)
    snprintf(text, size, "a lossy codec lies in the path: the samples are of %s",
             mt_codes_name(found->codes));
  else if (found->images_hz > 0.0)
    snprintf(text, size, "a lossy codec lies in the path: images of the tone stand at %.0f and %.0f Hz",
             fabs(found->images_hz - tone_hz), found->images_hz + tone_hz);
  else if (found->hill_db > 0.0)
    snprintf(text, size, "a lossy codec lies in the path: the noise around the tone rises with it by %.0f dB",
             found->hill_db);
  else if (found->grain == MT_GRAIN_STEPPED)
    snprintf(
        text, size,
        "a lossy codec lies in the path: the noise grows with the wave in steps that double (mu-law, A-law)");
  else if (found->grain == MT_GRAIN_ADAPTIVE)
    snprintf(text, size,
             "a lossy codec lies in the path: the noise follows the wave's slope, and late (ADPCM)");
  else
    mt_text_copy(text, size, "a lossy codec lies in the path, as was said; it does not show here");
}

mt_code mt_path_look(mt_workspace *ws, mt_error *err)
{
  const mt_section *section = mt_workspace_find(ws, ws->stimulus != NULL ? "both" : "");
  mt_problem problem = {.kind = MT_PROBLEM_LOSSY_PATH, .channel = MT_CHANNEL_BOTH};
  signs found;
  mt_code code;

  if (ws->path == MT_PATH_CLEAN)
    return MT_OK;
  code = find_signs(ws, section, &found, err);
  if (code != MT_OK || (ws->path != MT_PATH_LOSSY && found.images_hz == 0.0 && found.hill_db == 0.0 &&
                        found.codes == MT_CODES_NONE && found.grain == MT_GRAIN_NONE))
    return code;
  ws->path_is_lossy = true;
  if (section == NULL)
    section = &ws->sections[0];
  problem.begin_s = mt_take_time_s(ws->take, (double)section->begin);
  problem.end_s = mt_take_time_s(ws->take, (double)(section->begin + section->count));
  describe_signs(&found, section->tone[0].freq_hz, problem.text, sizeof problem.text);
  return mt_results_add_problem(ws->results, &problem, err);
}

/* ---- what can be said through a codec ------------------------------------------------------------ */

/* What a codec is made to keep, and facts of the record. All else it may have made or hidden. */
static const mt_quantity kept[] = {
    MT_Q_FREQUENCY, MT_Q_LEVEL, MT_Q_GAIN,         MT_Q_BALANCE, MT_Q_PHASE_DIFFERENCE, MT_Q_POLARITY,
    MT_Q_ROUTE,     MT_Q_PEAK,  MT_Q_CLOCK_OFFSET, MT_Q_DELAY,   MT_Q_DROPOUTS,
};

static bool is_kept(mt_quantity quantity)
{
  for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++)
    if (kept[i] == quantity)
      return true;
  return false;
}

/* What a unit adds by itself when nothing is played. A codec before its output can only have added to that. */
static bool is_own_noise(mt_quantity quantity)
{
  return quantity == MT_Q_NOISE || quantity == MT_Q_NOISE_A || quantity == MT_Q_NOISE_CCIR ||
         quantity == MT_Q_NOISE_468 || quantity == MT_Q_HUM;
}

static void bound_own_noise(mt_reading *reading)
{
  reading->value += reading->uncertainty;
  reading->uncertainty = 0.0;
  reading->validity = MT_RIG_LIMITED;
  snprintf(reading->why, sizeof reading->why, "the codec before it may have added: at most this");
}

/* The codec's error relative to the tone. All of it could be in phase with the tone, or against it. */
static double error_ratio(const mt_workspace *ws, const mt_reading *reading)
{
  const mt_section *section = mt_workspace_find(ws, reading->segment);
  double square = 0.0;

  for (int c = 0; section != NULL && c < (int)ws->nchannels; c++)
    if ((reading->channel == c || reading->channel == MT_CHANNEL_BOTH) && section->has_tone[c] &&
        section->tone[c].power > 0.0)
      square += section->tone[c].rest_power / section->tone[c].power;
  return sqrt(square);
}

static void qualify_reading(const mt_workspace *ws, mt_reading *reading)
{
  double ratio = error_ratio(ws, reading);
  const mt_quantity_info *row = mt_quantity_describe(reading->quantity);

  if (reading->validity != MT_VALID && reading->validity != MT_RIG_LIMITED)
    return;
  if (ws->codec_first && is_own_noise(reading->quantity)) {
    bound_own_noise(reading);
  } else if (!is_kept(reading->quantity)) {
    reading->validity = MT_NOT_MEASURED;
    snprintf(reading->why, sizeof reading->why,
             "a lossy codec lies in the path, which adds and hides; through it: %.1f %s", reading->value,
             mt_unit_name(row->unit));
    reading->value = reading->uncertainty = 0.0;
  } else if (reading->quantity == MT_Q_LEVEL || reading->quantity == MT_Q_GAIN ||
             reading->quantity == MT_Q_BALANCE) {
    reading->uncertainty += mt_db_of_relative(ratio);
  } else if (reading->quantity == MT_Q_PHASE_DIFFERENCE) {
    reading->uncertainty += asin(fmin(1.0, ratio)) * 180.0 / MT_PI;
  }
}

#define CUT_DB (-30.0)
#define REFERENCE_HZ 997.0
/* The filter bank of a sub-band codec ripples by this, smoothly: no noise and no scatter shows it. Of 4 bands; of 8
   bands half of it (tests/oracle/compare_codecs.py prints it). */
#define RIPPLE_DB 0.02

/* Points that lie within a quarter of an octave on either side scatter about a straight line by what the
   codec made of them, band by band: their standard deviation. */
static double scatter_about_line(const mt_curve *curve, size_t at)
{
  double n = 0.0, sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0, syy = 0.0, slope, square;

  for (size_t i = 0; i < curve->npoints; i++) {
    double x = log2(curve->x[i] / curve->x[at]), y = curve->y[i] - curve->y[at];
    if (fabs(x) > 0.25)
      continue;
    n += 1.0;
    sx += x;
    sy += y;
    sxx += x * x;
    sxy += x * y;
    syy += y * y;
  }
  if (n < 4.0)
    return 0.0;
  slope = (n * sxy - sx * sy) / (n * sxx - sx * sx);
  square = (syy - sy * sy / n - slope * (sxy - sx * sy / n)) / (n - 2.0);
  return sqrt(fmax(0.0, square));
}

/* A codec cuts off the top of the band: what the unit does up there is not known. @return first point of that. */
static size_t find_cut(const mt_curve *response)
{
  size_t cut = response->npoints;

  while (cut > 0 && response->y[cut - 1] < CUT_DB)
    cut--;
  return cut;
}

/* @param error_db  what the codec's error may add to a level: smooth ripple that no scatter shows. */
static void qualify_curve(mt_curve *curve, double error_db)
{
  bool response = curve->quantity == MT_Q_RESPONSE;
  size_t cut = response ? find_cut(curve) : curve->npoints, reference = 0;
  double at_reference = 0.0;

  for (size_t i = 0; i < curve->npoints; i++)
    if (fabs(log(curve->x[i] / REFERENCE_HZ)) < fabs(log(curve->x[reference] / REFERENCE_HZ)))
      reference = i;
  if (response && curve->npoints > 0) /* what all points are relative to */
    at_reference = 2.0 * scatter_about_line(curve, reference);
  for (size_t i = 0; i < curve->npoints; i++) {
    double scatter = hypot(at_reference, 2.0 * scatter_about_line(curve, i));
    curve->uncertainty[i] = hypot(curve->uncertainty[i], scatter) + error_db;
    if (i >= cut)
      curve->uncertainty[i] = fmax(curve->uncertainty[i], -2.0 * curve->y[i]);
  }
}

/* A codec adds to what distortion and noise are, hides them, and moves the phase: such a curve through one is not
   the unit's. */
static bool is_not_kept(mt_quantity quantity)
{
  return (quantity >= MT_Q_HARMONIC_2 && quantity <= MT_Q_HARMONIC_5) || quantity == MT_Q_THD_F ||
         quantity == MT_Q_THD_N || quantity == MT_Q_CROSSTALK || quantity == MT_Q_LINEARITY ||
         quantity == MT_Q_NOISE_DENSITY || quantity == MT_Q_BAND_LEVEL || quantity == MT_Q_GROUP_DELAY;
}

static void refuse_curve(mt_curve *curve)
{
  if (curve->validity != MT_VALID)
    return;
  curve->validity = MT_NOT_MEASURED;
  snprintf(curve->why, sizeof curve->why, "a lossy codec lies in the path, which adds and hides");
}

void mt_path_qualify(mt_workspace *ws, size_t first_reading, size_t first_curve)
{
  if (!ws->path_is_lossy)
    return;
  for (size_t i = first_reading; i < ws->results->nreadings; i++)
    qualify_reading(ws, &ws->results->readings[i]);
  for (size_t i = first_curve; i < ws->results->ncurves; i++) {
    mt_curve *curve = &ws->results->curves[i];
    mt_reading tone = {.channel = curve->channel, .segment = "both"};
    double ratio = error_ratio(ws, &tone);
    if (curve->quantity == MT_Q_RESPONSE)
      qualify_curve(curve, RIPPLE_DB + mt_db_of_relative(ratio));
    else if (is_not_kept(curve->quantity))
      refuse_curve(curve);
    else if (curve->quantity == MT_Q_PHASE || curve->quantity == MT_Q_PHASE_DIFFERENCE)
      qualify_curve(curve, asin(fmin(1.0, ratio)) * 180.0 / MT_PI);
  }
}
