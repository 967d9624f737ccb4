/* Density of the idle noise over frequency, averaged over cells of equal ratio. */
#include "analysis/psd.h"
#include "analysis/window.h"
#include "analysis/workspace.h"

#include "base/decibel.h"

#include <string.h>

/* 24 an octave, as base 10: narrow enough for a hum line, wide enough for a quiet curve at the top. */
#define CELLS_PER_DECADE 80
#define CELLS_MAX 400
#define FIRST_HZ 10.0
/* farther apart, bins under these windows have nothing in common */
#define SHARED_BINS 8

typedef struct density {
  size_t count;
  double x[CELLS_MAX];
  double y[CELLS_MAX];
  double u[CELLS_MAX];
} density;

static size_t bin_at(const mt_psd *psd, double freq_hz)
{
  return (size_t)ceil(freq_hz / psd->bin_hz);
}

/* Independent ones among so many neighbouring bins: what the window makes them share, by the square of their
   correlation (Welch 1967). */
static double free_bins(mt_window window, size_t count)
{
  double shared = 1.0;

  for (unsigned k = 1; k < count && k < SHARED_BINS; k++) {
    double correlation = mt_window_bin_correlation(window, k);
    shared += 2.0 * (1.0 - (double)k / (double)count) * correlation * correlation;
  }
  return (double)count / shared;
}

/* The mean over whole bins; a cell between two bins is left out, no point is made up for it. */
static void fill(density *d, const mt_psd *psd)
{
  memset(d, 0, sizeof *d);
  for (int k = 0; k < CELLS_MAX; k++) {
    double from_hz = FIRST_HZ * pow(10.0, (k - 0.5) / CELLS_PER_DECADE);
    double to_hz = FIRST_HZ * pow(10.0, (k + 0.5) / CELLS_PER_DECADE);
    size_t first = bin_at(psd, from_hz), end = bin_at(psd, to_hz);
    double sum = 0.0, nfree;
    if (to_hz > 0.5 * psd->rate_hz)
      break;
    for (size_t i = first; i < end && i < psd->nbins; i++)
      sum += psd->density[i];
    if (end <= first || sum <= 0.0)
      continue;
    nfree = psd->averages * free_bins(psd->window, end - first);
    d->x[d->count] = 0.5 * (double)(first + end - 1) * psd->bin_hz;
    d->y[d->count] = mt_db_of_power(sum / (double)(end - first));
    d->u[d->count++] = mt_psd_uncertainty_db(1.0 / sqrt(fmax(1.0, nfree)));
  }
}

mt_code mt_read_density(mt_workspace *ws, mt_error *err)
{
  const mt_section *idle = mt_workspace_find(ws, ws->stimulus != NULL ? "idle" : "");
  mt_code code = MT_OK;
  density d;

  for (int c = 0; idle != NULL && c < (int)ws->nchannels && code == MT_OK; c++) {
    mt_curve curve = mt_workspace_curve(ws, MT_Q_NOISE_DENSITY, c, idle);
    if (!idle->has_noise[c])
      continue;
    fill(&d, &idle->noise[c]);
    curve.npoints = d.count;
    curve.x = d.x;
    curve.y = d.y;
    curve.uncertainty = d.u;
    code = mt_workspace_add_curve(ws, &curve, err);
  }
  return code;
}
