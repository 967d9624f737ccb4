/** @file spurious.h  Lines in a density that are neither the tone's harmonics nor mains: the strongest few. */
#ifndef ANALYSIS_SPURIOUS_H
#define ANALYSIS_SPURIOUS_H

#include <mendtone/analysis.h>

#define MT_SPURIOUS_MAX 5

/** How often noise alone is taken for a line: once in so many densities searched. */
#define MT_SPURIOUS_FALSE_ALARM 1000.0

/** What is not foreign. Frequencies in hertz as captured; 0: none. */
typedef struct mt_spurious_mask {
  double tone_hz;  /**< its multiples, also those that fold back at half the rate, are passed over */
  double mains_hz; /**< as fitted: its multiples are passed over */
} mt_spurious_mask;

typedef struct mt_spurious_line {
  double freq_hz;
  double power;          /**< re a full-scale sine, the noise under it taken off */
  double standard_error; /**< of power, one sigma */
} mt_spurious_line;

typedef struct mt_spurious {
  size_t count;
  mt_spurious_line lines[MT_SPURIOUS_MAX]; /**< strongest first */
  double bound; /**< a line of this power would most likely have been found anywhere in the band searched */
} mt_spurious;

/**
 * Search a density for lines.
 *
 * A line is a highest bin within a window's lobe (4 bins to either side) that exceeds the noise around it, the
 * median of the bins up to 60 to either side, by so much that noise does so in one density of a thousand
 * (Gamma distribution of the averaged periodograms after Wilson and Hilferty, over all bins, and the median's
 * own spread on top), and whose lobe holds no more than a line's: a hump is not a line.
 *
 * Searched is from 22 bins (55 Hz at the usual 2.5 Hz a bin) to 0.45 x rate, save 6 bins beside the tone's
 * multiples (20 at the tone itself) and beside mains x 1 to 10. Multiples of the tone up to order 300 that fold
 * back at half the rate are passed over to 0.6 bin. Up to order 40 a line is taken for mains when it
 * stands on a multiple to half a bin; one on a multiple of 1 kHz only if the mains lines two orders to either
 * side are within 10 dB of it.
 *
 * @param psd  a Blackman-Harris window of 4 terms.
 *
 * Source: ours; false alarms counted in tests/unit/test_spurious.c.   Thread: any.
 */
void mt_spurious_find(const mt_psd *psd, const mt_spurious_mask *mask, mt_spurious *out);

#endif
