/* Intermodulation of two tones: every product by joint least squares at its known frequency. */
#include "analysis/joint.h"
#include "analysis/workspace.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Products up to this order are fitted, so that none leaks into those that are read. */
#define ORDER_MAX 5

/* Above this part of the rate an anti-alias filter may have taken what a sum needs. */
#define TOP_OF_RATE 0.4896

/* Steps to follow a clock that has moved since its offset was told. */
#define STRETCHES 3

typedef enum kind { MODULATION, DIFFERENCE, TOTAL_DIFFERENCE } kind;

static const struct {
  const char *segment;
  kind kind;
  const char *definition;
} readings[] = {
    {"imd-250-8000", MODULATION, "IEC 60268-3:2013 14.12.7, arithmetic sum, re f2"},
    {"imd-41-7993", MODULATION, "IEC 60268-3:2013 14.12.7, arithmetic sum, re f2; tones of AES17-2015 6.3.6"},
    {"imd-11000-11080", DIFFERENCE, "IEC 60268-3:2013 14.12.8, arithmetic sum, re twice f2"},
    {"imd-18k-20k", DIFFERENCE,
     "IEC 60268-3:2013 14.12.8, arithmetic sum, re twice f2; tones of AES17-2015 6.3.5"},
    {"imd-8000-11950", TOTAL_DIFFERENCE,
     "IEC 60268-3:2013 14.12.10, rms of f2 - f1 and 2 f1 - f2, re the sum of both tones"},
};

/* Two tones and what they make, on one channel. */
typedef struct products {
  mt_joint_fit fit; /* lines 0 and 1 are the tones */
  double stretch;   /* by which the clock makes all frequencies higher */
  mt_psd rest;
  double record_s;
  double f1, f2; /* as played */
} products;

/* A line's power with the noise taken off, and its error. */
typedef struct line {
  double power, error;
  double bin; /* power of the noise in it */
  bool fitted;
} line;

/* ---- the fit --------------------------------------------------------------------------------------- */

static bool is_new(const mt_joint_fit *fit, double freq_hz, double apart_hz)
{
  for (size_t i = 0; i < fit->nlines; i++)
    if (fabs(fit->freq_hz[i] - freq_hz) < apart_hz)
      return false;
  return true;
}

/* All m f1 + n f2 up to the order above that lie in the band and apart from the others. */
static void list_products(products *p, double top_hz)
{
  double apart_hz = 3.0 / p->record_s;

  for (int order = 2; order <= ORDER_MAX; order++)
    for (int m = 0; m <= order; m++)
      for (int sign = -1; sign <= 1; sign += 2) {
        double freq_hz = fabs(m * p->f1 + sign * (order - m) * p->f2) * (1.0 + p->stretch);
        if (freq_hz > apart_hz && freq_hz < top_hz && p->fit.nlines < MT_JOINT_LINES_MAX &&
            is_new(&p->fit, freq_hz, apart_hz))
          p->fit.freq_hz[p->fit.nlines++] = freq_hz;
      }
}

static void list_tones(products *p)
{
  p->fit.nlines = 2;
  p->fit.freq_hz[0] = p->f1 * (1.0 + p->stretch);
  p->fit.freq_hz[1] = p->f2 * (1.0 + p->stretch);
}

static mt_code fit_products(const mt_workspace *ws, const mt_section *section, const double *x,
                            double *residual, products *p, mt_error *err)
{
  double rate_hz = ws->take->rate_hz;
  mt_code code = MT_OK;

  p->f1 = section->segment->freq_hz[0];
  p->f2 = section->segment->second_hz[0];
  p->record_s = (double)section->count / rate_hz;
  p->stretch = 1e-6 * ws->clock_offset_ppm;
  for (int i = 0; i < STRETCHES && code == MT_OK; i++) {
    list_tones(p);
    code = mt_joint_solve(x, section->count, rate_hz, &p->fit, residual, err);
    if (code == MT_OK)
      p->stretch += mt_joint_stretch(&p->fit, residual, section->count, rate_hz);
    /* what has no tones in it has no clock either: further off than any clock, it is told from the noise */
    if (fabs(p->stretch - 1e-6 * ws->clock_offset_ppm) * p->f2 > 0.5 / p->record_s)
      p->stretch = 1e-6 * ws->clock_offset_ppm;
  }
  list_tones(p);
  list_products(p, TOP_OF_RATE * rate_hz);
  if (code == MT_OK)
    code = mt_joint_solve(x, section->count, rate_hz, &p->fit, residual, err);
  if (code == MT_OK)
    code = mt_psd_estimate(residual, section->count, rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &p->rest, err);
  return code;
}

static line line_at(const products *p, double played_hz)
{
  double freq_hz = fabs(played_hz) * (1.0 + p->stretch);
  line out = {0};

  for (size_t i = 0; i < p->fit.nlines; i++)
    if (fabs(p->fit.freq_hz[i] - freq_hz) < 0.5 / p->record_s) {
      double density = MT_JOINT_ENBW * mt_tone_density_beside(&p->rest, freq_hz);
      out.fitted = true;
      out.bin = density / p->record_s;
      mt_tone_debias(mt_joint_power(&p->fit, i), density, p->record_s, &out.power, &out.error);
      return out;
    }
  return out;
}

/* ---- the readings ---------------------------------------------------------------------------------- */

/*
 * The square of the sum of two amplitudes re a reference amplitude. Each amplitude is known to half its noise's
 * power, and near the noise the square of the sum is off by that noise itself.
 */
static void set_sum(mt_reading *reading, const line *lines, size_t n, double reference)
{
  double sum = 0.0, variance = 0.0, bins = 0.0, error;

  for (size_t i = 0; i < n; i++) {
    sum += sqrt(fmax(0.0, lines[i].power));
    variance += 0.5 * lines[i].bin;
    bins += lines[i].bin;
  }
  error = sqrt(4.0 * sum * sum * variance + bins * bins);
  mt_reading_set_power(reading, sum * sum / (reference * reference), error / (reference * reference),
                       bins / (reference * reference));
}

static mt_reading start(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                        const mt_section *section, const products *p, const char *definition)
{
  mt_reading reading = mt_workspace_reading(ws, quantity, channel, section);
  line low = line_at(p, p->f1), high = line_at(p, p->f2);
  char name[8];

  reading.freq_hz = p->f2;
  mt_text_copy(reading.definition, sizeof reading.definition, definition);
  if ((ws->route_known[channel] && ws->route[channel] == MT_ROUTE_NONE) || !(low.power > 3.0 * low.error) ||
      !(high.power > 3.0 * high.error))
    mt_reading_refuse(&reading, MT_NO_SIGNAL, "the %s channel does not carry both tones",
                      mt_channel_name(channel, name));
  return reading;
}

static mt_code add_order(mt_workspace *ws, mt_reading reading, int order, const products *p,
                         const double *freqs_hz, size_t n, double reference, mt_error *err)
{
  line lines[2];

  reading.order = order;
  for (size_t i = 0; i < n; i++) {
    lines[i] = line_at(p, freqs_hz[i]);
    if (!lines[i].fitted)
      mt_reading_refuse(&reading, MT_NOT_MEASURED, "its product at %.0f Hz is above what %.0f Hz carry",
                        fabs(freqs_hz[i]), ws->take->rate_hz);
  }
  if (reading.validity == MT_VALID)
    set_sum(&reading, lines, n, reference);
  return mt_workspace_add(ws, &reading, err);
}

static mt_code add_total(mt_workspace *ws, mt_reading reading, const products *p, mt_error *err)
{
  line second = line_at(p, p->f2 - p->f1), third = line_at(p, 2.0 * p->f1 - p->f2);
  double sum = sqrt(fmax(0.0, line_at(p, p->f1).power)) + sqrt(fmax(0.0, line_at(p, p->f2).power));

  if (reading.validity == MT_VALID)
    mt_reading_set_power(&reading, (second.power + third.power) / (sum * sum),
                         hypot(second.error, third.error) / (sum * sum),
                         hypot(second.bin, third.bin) / (sum * sum));
  return mt_workspace_add(ws, &reading, err);
}

static mt_code add_readings(mt_workspace *ws, const mt_section *section, mt_channel channel, size_t which,
                            const products *p, mt_error *err)
{
  double f1 = p->f1, f2 = p->f2, u2 = sqrt(fmax(0.0, line_at(p, f2).power));
  const double modulation[2][2] = {{f2 - f1, f2 + f1}, {f2 - 2.0 * f1, f2 + 2.0 * f1}};
  const double difference[2][2] = {{f2 - f1, 0.0}, {2.0 * f1 - f2, 2.0 * f2 - f1}};
  mt_reading reading = start(ws, readings[which].kind == MODULATION ? MT_Q_IMD_MOD : MT_Q_IMD_DIFF, channel,
                             section, p, readings[which].definition);
  mt_code code = MT_OK;

  if (readings[which].kind == TOTAL_DIFFERENCE)
    return add_total(ws, reading, p, err);
  for (int order = 2; order <= 3 && code == MT_OK; order++)
    code = readings[which].kind == MODULATION
               ? add_order(ws, reading, order, p, modulation[order - 2], 2, u2, err)
               : add_order(ws, reading, order, p, difference[order - 2], order == 2 ? 1 : 2, 2.0 * u2, err);
  return code;
}

static mt_code read_channel(mt_workspace *ws, const mt_section *section, mt_channel channel, size_t which,
                            mt_error *err)
{
  double *x = malloc(2 * section->count * sizeof *x);
  products p = {0};
  mt_code code;

  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
  mt_workspace_copy(ws, section->begin, section->count, channel, x);
  code = fit_products(ws, section, x, x + section->count, &p, err);
  if (code == MT_OK)
    code = add_readings(ws, section, channel, which, &p, err);
  mt_psd_finish(&p.rest);
  free(x);
  return code;
}

mt_code mt_read_intermodulation(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < sizeof readings / sizeof readings[0] && ws->stimulus != NULL; i++) {
    const mt_section *section = mt_workspace_find(ws, readings[i].segment);
    for (int c = 0; section != NULL && c < (int)ws->nchannels && code == MT_OK; c++)
      code = read_channel(ws, section, c, i, err);
  }
  return code;
}
