#include "analysis/bands.h"

#include <math.h>

#define LOWEST (-17) /* 1000 x 10^(-1.7) = 19.95 Hz */

/* One decade of preferred frequencies, ISO 266 series R10. */
static const double preferred[10] = {1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0};

size_t mt_bands_measure(const mt_psd *psd, mt_band bands[MT_BANDS_MAX])
{
  size_t count = 0;

  while (count < MT_BANDS_MAX) {
    int k = LOWEST + (int)count;
    int decade = (int)floor(k / 10.0);
    mt_band *band = &bands[count];
    band->nominal_hz = preferred[k - 10 * decade] * pow(10.0, 3 + decade);
    band->from_hz = pow(10.0, 3.0 + (k - 0.5) / 10.0);
    band->to_hz = pow(10.0, 3.0 + (k + 0.5) / 10.0);
    if (band->to_hz > 0.5 * psd->rate_hz)
      break;
    band->power = mt_psd_band(psd, band->from_hz, band->to_hz, MT_WEIGHT_NONE);
    count++;
  }
  return count;
}
