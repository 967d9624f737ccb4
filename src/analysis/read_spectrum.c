/* Spectrum of the reference tone and of idle noise, thinned to cells of equal ratio. */
#include "analysis/workspace.h"

#include "base/decibel.h"

#include <string.h>

#define CELLS_PER_DECADE 160
#define CELLS_MAX 700
#define FIRST_HZ 10.0

typedef struct mt_cells {
  size_t count;
  double x[CELLS_MAX];
  double y[CELLS_MAX]; /* power, then dBFS */
  double u[CELLS_MAX];
} mt_cells;

static double place_of(double freq_hz)
{
  return floor(CELLS_PER_DECADE * log10(freq_hz / FIRST_HZ) + 0.5);
}

static void raise_cell(mt_cells *cells, double place, double freq_hz, double power)
{
  if (place < 0.0 || place >= CELLS_MAX)
    return;
  if (power > cells->y[(size_t)place]) {
    cells->y[(size_t)place] = power;
    cells->x[(size_t)place] = freq_hz;
  }
}

static void raise_line(mt_cells *cells, double freq_hz, double power)
{
  raise_cell(cells, place_of(freq_hz), freq_hz, power);
}

/* The power of a bin is its density times the window's noise bandwidth; lines have their own power. */
static void fill(mt_cells *cells, const mt_psd *psd)
{
  double width_hz = mt_window_enbw_bins(psd->window) * psd->bin_hz, place = 0.0, end_hz = 0.0;
  memset(cells, 0, sizeof *cells);
  for (size_t i = 1; i < psd->nbins; i++) {
    double freq_hz = (double)i * psd->bin_hz;
    if (freq_hz >= end_hz) {
      place = place_of(freq_hz);
      end_hz = FIRST_HZ * pow(10.0, (place + 0.5) / CELLS_PER_DECADE);
    }
    raise_cell(cells, place, freq_hz, psd->density[i] * width_hz);
  }
}

/* Drop empty cells (between bins at low frequencies, or digital silence): no number is made up for them. */
static void conclude(mt_cells *cells, double averages)
{
  for (size_t i = 0; i < CELLS_MAX; i++) {
    if (cells->y[i] <= 0.0)
      continue;
    cells->x[cells->count] = cells->x[i];
    cells->y[cells->count] = mt_db_of_power(cells->y[i]);
    cells->u[cells->count] = 2.0 * 10.0 / log(10.0) / sqrt(fmax(1.0, averages));
    cells->count++;
  }
}

static mt_code add(mt_workspace *ws, const mt_section *section, mt_channel channel, const mt_psd *psd,
                   mt_cells *cells, mt_error *err)
{
  mt_curve curve = mt_workspace_curve(ws, MT_Q_SPECTRUM, channel, section);

  conclude(cells, psd->averages);
  curve.npoints = cells->count;
  curve.x = cells->x;
  curve.y = cells->y;
  curve.uncertainty = cells->u;
  curve.bandwidth_hz = mt_window_enbw_bins(psd->window) * psd->bin_hz;
  return mt_workspace_add_curve(ws, &curve, err);
}

mt_code mt_read_spectrum(mt_workspace *ws, mt_error *err)
{
  mt_code code = MT_OK;
  mt_cells cells;

  for (size_t i = 0; i < ws->nsections; i++) {
    const mt_section *section = &ws->sections[i];
    bool wanted =
        section->segment == NULL || strcmp(section->name, "both") == 0 || strcmp(section->name, "idle") == 0;
    for (int c = 0; wanted && c < (int)ws->nchannels && code == MT_OK; c++) {
      if (section->has_tone[c]) {
        const mt_tone *tone = &section->tone[c];
        fill(&cells, &tone->rest);
        raise_line(&cells, tone->freq_hz, fmax(0.0, tone->power));
        for (int k = 2; k <= tone->norders; k++)
          raise_line(&cells, k * tone->freq_hz, tone->harmonic_raw[k]);
        code = add(ws, section, c, &tone->rest, &cells, err);
      } else if (section->has_noise[c]) {
        fill(&cells, &section->noise[c]);
        code = add(ws, section, c, &section->noise[c], &cells, err);
      }
    }
  }
  return code;
}
