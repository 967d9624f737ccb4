#include "analysis/onset.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>

/* Of a hard clip: how far beyond its onset the first step over the limit may lie. */
#define OVERDRIVE_LEAST_DB 1e-3
#define OVERDRIVE_MOST_DB 6.0
#define HALVINGS 40

/* A distortion far below the limit says little of the way through it. */
#define FAINT 1e-2
/* The step above says more than the one below, which may hold some distortion of another kind. */
#define ABOVE_COUNTS 3.0
/* Units that clip one half of the wave first, or softly, come within a third of the distance of the two; worked out
   with 1500 units of seven kinds. */
#define BETWEEN_THEM 0.35

/*
 * Sine of amplitude 1 clipped at c = sin t, its Fourier series: b1 = (2/pi)(t + c cos t), odd n
 * b_n = 4 (n cos t sin n t - c cos n t) / (pi n (n^2 - 1)).
 */
double mt_onset_clipped(double overdrive_db)
{
  double c = mt_ratio_of_db(-overdrive_db), t, first, sum = 0.0;

  if (!(overdrive_db > 0.0))
    return 0.0;
  t = asin(c);
  first = 2.0 / MT_PI * (t + c * cos(t));
  for (int n = 3; n <= MT_ORDERS_MAX; n += 2) {
    double b = 4.0 * (n * cos(t) * sin(n * t) - c * cos(n * t)) / (MT_PI * n * (n * n - 1.0));
    sum += b * b;
  }
  return sum / (first * first + sum);
}

/* A clip that makes `scale` times the distortion of a hard one (both halves or one), on top of a `base`. */
typedef struct clip {
  double overdrive_db; /* of the first step over the limit */
  double scale, base;
} clip;

static double clip_at(const clip *k, double overdrive_db)
{
  return k->base + k->scale * mt_onset_clipped(overdrive_db);
}

/* @return false when the two steps over the limit do not grow as a clip does. */
static bool fit_clip(const mt_onset_step *steps, size_t over, double base, clip *out)
{
  double apart_db = steps[over + 1].played_db - steps[over].played_db;
  double low = OVERDRIVE_LEAST_DB, high = OVERDRIVE_MOST_DB;
  double growth = (steps[over + 1].power - base) / (steps[over].power - base);

  if (growth < mt_onset_clipped(high + apart_db) / mt_onset_clipped(high))
    return false;
  for (int i = 0; i < HALVINGS; i++) {
    double middle = 0.5 * (low + high);
    if (mt_onset_clipped(middle + apart_db) / mt_onset_clipped(middle) > growth)
      low = middle;
    else
      high = middle;
  }
  *out = (clip){.overdrive_db = low, .base = base};
  out->scale = (steps[over].power - base) / mt_onset_clipped(low);
  return true;
}

/* Overdrive at which the clip makes that distortion. */
static double clip_reaches(const clip *k, double power)
{
  double low = 0.0, high = k->overdrive_db;

  for (int i = 0; i < HALVINGS; i++) {
    double middle = 0.5 * (low + high);
    if (clip_at(k, middle) > power)
      high = middle;
    else
      low = middle;
  }
  return 0.5 * (low + high);
}

static double difference(double predicted, double read, double limit)
{
  return fabs(log((predicted + FAINT * limit) / (fmax(read, 0.0) + FAINT * limit)));
}

/* Where it lies, and how far the two ways are apart for the share they have. */
typedef struct crossing {
  double played_db;
  double doubt_db;
} crossing;

static crossing cross(const mt_onset_step *steps, size_t n, size_t over, double limit)
{
  const mt_onset_step *under = &steps[over - 1], *first = &steps[over], *next = &steps[over + 1];
  double apart_db = first->played_db - under->played_db, least = 1e-6 * limit;
  double below = log(fmax(under->power, least)), part = (log(limit) - below) / (log(first->power) - below);
  double smooth_db = under->played_db + part * apart_db, clip_db, smooth_off, clip_off, growth, share;
  double under_overdrive_db;
  clip k;

  if (over + 1 >= n)
    return (crossing){smooth_db, fmax(part, 1.0 - part) * apart_db};
  if (!fit_clip(steps, over, 0.0, &k)) /* what a parabola would make of it */
    return (crossing){smooth_db,
                      0.5 * part * (1.0 - part) * apart_db *
                          fabs(log(next->power / first->power) / (log(first->power) - below) - 1.0)};
  under_overdrive_db = k.overdrive_db - apart_db;
  /* what the clip does not explain of the step under the limit was there before it */
  if (fit_clip(steps, over, fmin(0.9 * limit, fmax(0.0, under->power - clip_at(&k, under_overdrive_db))), &k))
    under_overdrive_db = k.overdrive_db - apart_db;
  clip_db = first->played_db - (k.overdrive_db - clip_reaches(&k, limit));
  growth = next->power / first->power;
  smooth_off = difference(first->power / growth, under->power, limit);
  clip_off = difference(clip_at(&k, under_overdrive_db), under->power, limit);
  clip_off = fmin(clip_off + log1p(k.base / limit), smooth_off + clip_off);
  if (over + 2 < n) {
    double above_db = steps[over + 2].played_db - first->played_db;
    clip_off += ABOVE_COUNTS * fabs(log(clip_at(&k, k.overdrive_db + above_db) / steps[over + 2].power));
    smooth_off += ABOVE_COUNTS * fabs(log(next->power * growth / steps[over + 2].power));
  }
  share = smooth_off * smooth_off / fmax(smooth_off * smooth_off + clip_off * clip_off, 1e-12);
  return (crossing){share * clip_db + (1.0 - share) * smooth_db,
                    fabs(clip_db - smooth_db) * fmax(2.0 * fmin(share, 1.0 - share), BETWEEN_THEM)};
}

mt_figure mt_onset_find(const mt_onset_step *steps, size_t n, size_t over, double limit)
{
  crossing at = cross(steps, n, over, limit);
  size_t last = over + 2 < n ? over + 2 : n - 1;
  mt_onset_step moved[4];
  double variance = 0.0;

  for (size_t i = over - 1; i <= last; i++) {
    double change;
    for (size_t k = over - 1; k <= last; k++)
      moved[k - over + 1] = steps[k];
    moved[i - over + 1].power += steps[i].error;
    change = cross(moved, last - over + 2, 1, limit).played_db - at.played_db;
    variance += change * change;
  }
  return (mt_figure){fmin(steps[over].played_db, fmax(steps[over - 1].played_db, at.played_db)),
                     hypot(at.doubt_db, 2.0 * sqrt(variance))};
}
