#include "report/chart_scale.h"

#include <math.h>
#include <stdio.h>

#define MINUS "\xe2\x88\x92" /* the sign, not the hyphen */

static void add_tick(chart_scale *scale, double value, int rank, const char *label)
{
  if (scale->nticks == CHART_TICKS_MAX)
    return;
  chart_tick *tick = &scale->ticks[scale->nticks++];
  tick->value = value;
  tick->rank = rank;
  snprintf(tick->label, sizeof tick->label, "%s", label);
}

static void name_frequency(double hz, char out[16])
{
  if (hz >= 1e6)
    snprintf(out, 16, "%gM", hz / 1e6);
  else if (hz >= 1e3)
    snprintf(out, 16, "%gk", hz / 1e3);
  else
    snprintf(out, 16, "%g", hz);
}

void chart_scale_frequency(double from_hz, double to_hz, chart_scale *out)
{
  *out = (chart_scale){.is_log = true, .from = from_hz, .to = to_hz};
  for (int decade = (int)floor(log10(from_hz) - 1e-9); decade <= (int)ceil(log10(to_hz)); decade++)
    for (int digit = 1; digit <= 9; digit++) {
      double hz = digit * pow(10.0, decade);
      char label[16] = "";
      if (hz < from_hz * (1.0 - 1e-9) || hz > to_hz * (1.0 + 1e-9))
        continue;
      if (digit == 1 || digit == 2 || digit == 5)
        name_frequency(hz, label);
      add_tick(out, hz, digit == 1 ? 0 : 1, label);
    }
}

void chart_scale_linear(double from, double to, double step, chart_scale *out)
{
  int decimals = step < 1.0 ? (int)ceil(-log10(step) - 1e-9) : 0;
  double first = ceil(from / step - 1e-6);

  *out = (chart_scale){.from = from, .to = to, .step = step};
  for (double k = first; k * step <= to + 1e-6 * step; k += 1.0) {
    char label[16];
    double value = k * step;
    snprintf(label, sizeof label, "%s%.*f", value < 0.0 ? MINUS : "", decimals, fabs(value));
    add_tick(out, value, 0, label);
  }
}

double chart_scale_step(double range, size_t most)
{
  double raw = range / (double)most;
  double power = pow(10.0, floor(log10(raw)));

  for (double digit = 1.0;; digit = digit == 1.0 ? 2.0 : digit == 2.0 ? 5.0 : 10.0)
    if (digit * power >= raw * (1.0 - 1e-9))
      return digit * power;
}

double chart_scale_place(const chart_scale *scale, double value)
{
  if (scale->is_log)
    return log(value / scale->from) / log(scale->to / scale->from);
  return (value - scale->from) / (scale->to - scale->from);
}

double chart_scale_proportion(double decade, double low, double high, double least, double most, double *from,
                              double *to, double *step, double *per_decade)
{
  static const double ratios[] = {10.0, 25.0, 50.0};
  double a = 0.0, b = 0.0, grid = 1.0, ratio = 10.0;

  for (size_t i = 0; i < sizeof ratios / sizeof ratios[0]; i++) {
    ratio = ratios[i];
    grid = ratio <= 10.0 ? 1.0 : ratio <= 25.0 ? 5.0 : 10.0;
    a = floor(low / grid + 1e-9) * grid;
    b = ceil(high / grid - 1e-9) * grid;
    /* 25 dB is the usual one; the finer for what is nearly flat */
    if ((b - a) * decade / ratio <= (i == 0 ? fmax(0.5 * most, least) : most))
      break;
  }
  while ((b - a) * decade / ratio > most && b - a > grid)
    a += grid;
  /* room left is given to both sides, above first: what is drawn shall not stand at the frame */
  for (bool above = true; (b - a) * decade / ratio < least; above = !above) {
    if (above)
      b += grid;
    else
      a -= grid;
  }
  *from = a;
  *to = b;
  *per_decade = ratio;
  *step = grid;
  return (b - a) * decade / ratio;
}

void chart_scale_spread(double *at, size_t n, double height, double top, double bottom)
{
  double low = top + height / 2.0, high = bottom - height / 2.0;

  if (n == 0)
    return;
  if ((double)n * height > bottom - top) {
    for (size_t i = 0; i < n; i++)
      at[i] = n > 1 ? low + (high - low) * (double)i / (double)(n - 1) : (low + high) / 2.0;
    return;
  }
  /* Blocks of neighbours that touch stand around the mean of where their members would be. */
  size_t start[64], nblocks = 0, count = n < 64 ? n : 64;
  double want[64], centre[64];
  for (size_t i = 0; i < count; i++) {
    want[i] = at[i];
    start[nblocks] = i;
    centre[nblocks++] = at[i];
    for (bool merged = true; merged;) {
      size_t last = nblocks - 1, first = start[last], end = i + 1;
      double half = height * (double)(end - first) / 2.0;
      merged = false;
      centre[last] = fmin(fmax(centre[last], top + half), bottom - half);
      if (last > 0) {
        double above = height * (double)(first - start[last - 1]) / 2.0;
        if (centre[last - 1] + above > centre[last] - half + 1e-9) {
          double sum = 0.0;
          nblocks--;
          for (size_t k = start[nblocks - 1]; k < end; k++)
            sum += want[k];
          centre[nblocks - 1] = sum / (double)(end - start[nblocks - 1]);
          merged = true;
        }
      }
    }
  }
  for (size_t b = 0; b < nblocks; b++) {
    size_t end = b + 1 < nblocks ? start[b + 1] : count;
    for (size_t k = start[b]; k < end; k++)
      at[k] = centre[b] + height * ((double)(k - start[b]) - (double)(end - start[b] - 1) / 2.0);
  }
}
