#include "analysis/spurious.h"

#include "base/decibel.h"
#include "base/order.h"
#include "base/wide.h"

#include <stdlib.h>
#include <string.h>

/* half of the window's main lobe, bins */
#define LOBE 4
/* the noise around a line: from here ... */
#define NEAR (LOBE + 2)
/* ... to here at most, and at low frequencies at least so far */
#define FAR_MAX 60
#define FAR_MIN 16
#define TO_OF_RATE 0.45
#define MASK_BINS 6.0
/* a tone that wavers a little has a skirt */
#define TONE_BINS 20.0
/* orders that fold back are looked for up to here, to this many bins */
#define ORDERS_FOLDED 300
#define FOLDED_BINS 0.6
#define ORDERS_MAINS 40
#define FRAME_HZ 1000.0
/* neighbouring bins of this window share so many values (its noise bandwidth) */
#define BINS_SHARED 2.0
/* bins of noise that beat with a line summed over its lobe: the noise bandwidth of this window squared */
#define BINS_BEATING 2.7632

/* ---- how much is a line --------------------------------------------------------------------------- */

/* Standard normal deviate that is exceeded with probability p < 0.5. */
static double deviate(double p)
{
  double low = 0.0, high = 40.0;

  for (int i = 0; i < 60; i++) {
    double middle = 0.5 * (low + high);
    if (0.5 * erfc(middle / sqrt(2.0)) > p)
      low = middle;
    else
      high = middle;
  }
  return low;
}

/* Quantile of the mean of `averages` periodograms re its expectation (Wilson and Hilferty 1931). */
static double quantile(double averages, double z)
{
  double root = 1.0 - 1.0 / (9.0 * averages) + z / (3.0 * sqrt(averages));

  return root * root * root;
}

typedef struct search {
  const mt_psd *psd;
  const mt_spurious_mask *mask;
  size_t first, last; /* bins searched */
  double least;       /* a line exceeds the noise so many times, were the noise known */
  double of_mean;     /* the median of the noise's bins, of their mean */
} search;

/* How far to either side the noise around a bin is taken from. */
static size_t reach(size_t bin)
{
  size_t far = bin / 2;
  return far < FAR_MIN ? FAR_MIN : far > FAR_MAX ? FAR_MAX : far;
}

/* Bins of noise around one, as many on either side. */
static size_t count_around(size_t bin)
{
  return 2 * (reach(bin) - NEAR + 1);
}

/* Three standard deviations of a median of so many bins: of n independent values 2/n of the mean squared. */
static double margin(const search *s, size_t count)
{
  return 1.0 + 3.0 * sqrt(2.0 * BINS_SHARED / ((double)count * s->psd->averages));
}

/* Mean density of the noise around a bin, from the median, so that other lines do not count. */
static double noise_around(const search *s, size_t bin)
{
  double around[2 * FAR_MAX];
  const double *density = s->psd->density + bin;
  size_t side = reach(bin) - NEAR + 1;

  memcpy(around, density - reach(bin), side * sizeof *around);
  memcpy(around + side, density + NEAR, side * sizeof *around);
  return mt_order_select(around, 2 * side, side) / s->of_mean;
}

MT_WIDE static size_t count_below(const double *values, size_t n, double level)
{
  size_t below = 0;

  for (size_t i = 0; i < n; i++)
    below += values[i] < level;
  return below;
}

/* Is the noise around a bin less than that? The median's question without sorting, for the many bins it is asked of. */
static bool is_noise_below(const search *s, size_t bin, double noise)
{
  const double *density = s->psd->density + bin;
  size_t side = reach(bin) - NEAR + 1;
  double level = noise * s->of_mean;

  return count_below(density - reach(bin), side, level) + count_below(density + NEAR, side, level) > side;
}

static bool stands_out(const search *s, size_t bin)
{
  return is_noise_below(s, bin, s->psd->density[bin] / (s->least * margin(s, count_around(bin))));
}

static bool is_top(const mt_psd *psd, size_t bin)
{
  for (size_t d = 1; d <= LOBE; d++)
    if (psd->density[bin - d] >= psd->density[bin] ||
        (bin + d < psd->nbins && psd->density[bin + d] > psd->density[bin]))
      return false;
  return true;
}

/* ---- what is not foreign -------------------------------------------------------------------------- */

static double fold(double freq_hz, double rate_hz)
{
  double rest = fmod(freq_hz, rate_hz);
  return rest > 0.5 * rate_hz ? rate_hz - rest : rest;
}

static bool is_of_tone(const search *s, double freq_hz)
{
  double rate_hz = s->psd->rate_hz, tone_hz = s->mask->tone_hz;
  double order = tone_hz > 0.0 ? floor(freq_hz / tone_hz + 0.5) : 0.0;

  if (tone_hz <= 0.0)
    return false;
  if (fabs(freq_hz - tone_hz) <= TONE_BINS * s->psd->bin_hz)
    return true;
  if (order >= 1.0 && fabs(freq_hz - order * tone_hz) <= MASK_BINS * s->psd->bin_hz)
    return true;
  for (int k = 2; k <= ORDERS_FOLDED; k++)
    if (fabs(freq_hz - fold(k * tone_hz, rate_hz)) <= FOLDED_BINS * s->psd->bin_hz)
      return true;
  return false;
}

static double highest_near(const mt_psd *psd, double freq_hz)
{
  size_t bin = (size_t)floor(freq_hz / psd->bin_hz + 0.5);
  double highest = 0.0;

  for (size_t i = bin > 1 ? bin - 1 : 0; i <= bin + 1 && i < psd->nbins; i++)
    highest = fmax(highest, psd->density[i]);
  return highest;
}

static bool is_of_mains(const search *s, double freq_hz)
{
  double mains_hz = s->mask->mains_hz, bin_hz = s->psd->bin_hz;
  double order = mains_hz > 0.0 ? floor(freq_hz / mains_hz + 0.5) : 0.0;
  double off_hz = fabs(freq_hz - order * mains_hz);
  double frames = floor(freq_hz / FRAME_HZ + 0.5);

  if (order < 1.0)
    return false;
  if (order <= MT_ORDERS_MAX)
    return off_hz <= MASK_BINS * bin_hz;
  if (order > ORDERS_MAINS || off_hz > 0.5 * bin_hz)
    return false;
  /* 1 kHz is a multiple of 50 Hz and the frame rate of USB: mains does not come in a single high order */
  if (frames >= 1.0 && fabs(freq_hz - frames * FRAME_HZ) <= bin_hz)
    return fmax(highest_near(s->psd, freq_hz - 2.0 * mains_hz),
                highest_near(s->psd, freq_hz + 2.0 * mains_hz)) > 0.1 * highest_near(s->psd, freq_hz);
  return true;
}

/* ---- one line ------------------------------------------------------------------------------------- */

/* Top of a lobe: a parabola through three logarithms. */
static double top_hz(const mt_psd *psd, size_t bin)
{
  const double *d = &psd->density[bin];
  double left, right, bend;

  if (!(d[-1] > 0.0 && d[1] > 0.0))
    return (double)bin * psd->bin_hz;
  left = log(d[-1] / d[0]);
  right = log(d[1] / d[0]);
  bend = -left - right;
  return ((double)bin + (bend > 0.0 ? 0.5 * (right - left) / bend : 0.0)) * psd->bin_hz;
}

/* @return false: what stands out is no line. */
static bool measure_line(const search *s, size_t bin, mt_spurious_line *line)
{
  const mt_psd *psd = s->psd;
  double noise = noise_around(s, bin), bandwidth_hz = mt_window_enbw_bins(psd->window) * psd->bin_hz;
  double sum = 0.0, nbins = 0.0;

  for (size_t i = bin - LOBE; i <= bin + LOBE && i < psd->nbins; i++) {
    sum += (psd->density[i] - noise) * psd->bin_hz;
    nbins += 1.0;
  }
  /* the highest bin of a line holds 0.83 ... 1 of it (the window's scallop loss is 0.83 dB) */
  if (sum > 1.5 * psd->density[bin] * bandwidth_hz)
    return false;
  line->freq_hz = top_hz(psd, bin);
  line->power = sum;
  /* noise on noise over the lobe; and noise on the line, twice the product of the two */
  line->standard_error =
      psd->bin_hz *
      sqrt((noise * noise * nbins * BINS_SHARED + 2.0 * sum / psd->bin_hz * noise * BINS_BEATING) /
           psd->averages);
  return sum > 0.0;
}

/* Keep the strongest, in order. */
static void keep(mt_spurious *out, const mt_spurious_line *line)
{
  size_t i = out->count < MT_SPURIOUS_MAX ? out->count++ : MT_SPURIOUS_MAX - 1;

  if (i == MT_SPURIOUS_MAX - 1 && out->lines[i].power >= line->power)
    return;
  for (; i > 0 && out->lines[i - 1].power < line->power; i--)
    out->lines[i] = out->lines[i - 1];
  out->lines[i] = *line;
}

/* 2: a line that just reaches the threshold is found half the times only, and may lie between two bins. */
static double bound_of(const search *s)
{
  double bandwidth_hz = mt_window_enbw_bins(s->psd->window) * s->psd->bin_hz, most = 0.0;

  for (size_t bin = s->first; bin <= s->last; bin += FAR_MIN) {
    double more = margin(s, count_around(bin));
    if (!is_noise_below(s, bin, most / more))
      most = fmax(most, noise_around(s, bin) * more);
  }
  return 2.0 * most * s->least * bandwidth_hz;
}

void mt_spurious_find(const mt_psd *psd, const mt_spurious_mask *mask, mt_spurious *out)
{
  search s = {.psd = psd, .mask = mask, .first = NEAR + FAR_MIN};

  memset(out, 0, sizeof *out);
  s.last = (size_t)(TO_OF_RATE * psd->rate_hz / psd->bin_hz);
  if (s.last <= s.first || s.last + FAR_MAX >= psd->nbins)
    return;
  s.least =
      quantile(psd->averages, deviate(1.0 / (MT_SPURIOUS_FALSE_ALARM * (double)(s.last - s.first + 1))));
  s.of_mean = quantile(psd->averages, 0.0);
  for (size_t bin = s.first; bin <= s.last; bin++) {
    mt_spurious_line line = {0};
    if (!is_top(psd, bin) || !stands_out(&s, bin) || !measure_line(&s, bin, &line))
      continue;
    if (!is_of_tone(&s, line.freq_hz) && !is_of_mains(&s, line.freq_hz))
      keep(out, &line);
  }
  out->bound = bound_of(&s);
}
