/** @file bands.h  Third-octave bands of a noise: exact base-10 edges, nominal names. */
#ifndef ANALYSIS_BANDS_H
#define ANALYSIS_BANDS_H

#include <mendtone/analysis.h>

#define MT_BANDS_MAX 31 /* 20 Hz to 20 kHz */

typedef struct mt_band {
  double nominal_hz; /**< preferred frequency, ISO 266: what the band is called */
  double from_hz;    /**< exact lower edge */
  double to_hz;      /**< exact upper edge: the lower one of the next band, so bands share all the power */
  mt_band_power power;
} mt_band;

/**
 * Sum a density over the third octaves from 20 Hz to 20 kHz.
 *
 * The edges are ideal, not those of a filter: the sum over the bands is the power between the first and the
 * last edge. The window's own lobe (4 bins to either side) blurs an edge, which counts below about 60 Hz where
 * a band holds few bins: a line there shows in its neighbour as well.
 *
 * @return how many: a band that half the sampling rate cuts, and all above it, are left out.
 * Source: IEC 61260-1, base 10: middle 1000 x 10^(k/10) Hz, edges 10^(1/20) to either side; names ISO 266.
 */
size_t mt_bands_measure(const mt_psd *psd, mt_band bands[MT_BANDS_MAX]);

#endif
