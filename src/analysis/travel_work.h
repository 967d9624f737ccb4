/** @file travel_work.h  What the parts of travel.h share. */
#ifndef ANALYSIS_TRAVEL_WORK_H
#define ANALYSIS_TRAVEL_WORK_H

#include "analysis/travel.h"

/** Fine hops: 2.5 ms; the window of a fine level is MT_TRAVEL_FINE of them, that of a point MT_TRAVEL_COARSE. */
#define MT_TRAVEL_FINE_S 2.5e-3
#define MT_TRAVEL_FINE 4
#define MT_TRAVEL_COARSE 16
#define MT_TRAVEL_PER_POINT 8
/** From the window before a step to the first one behind it. */
#define MT_TRAVEL_ACROSS 6
#define MT_TRAVEL_HISS_HZ 6000.0

typedef struct mt_travel_work {
  const double *x[2];
  size_t n;
  double rate_hz;
  double freq_hz[2];
  size_t hop; /**< samples */
  size_t nfine;
  double *fine[2];  /**< [nfine] amplitude of the channel's own tone */
  double *noise[2]; /**< [npoints] power of the noise in the window of a point, re a full-scale sine */
  size_t chunk;     /**< samples of 2 ms */
  size_t nhiss;
  double *hiss[2];     /**< [nhiss] mean square above 6 kHz */
  double *hush[2];     /**< [nhiss] median of it around */
  double step_squares; /**< sum of the squares that the filter makes of a step from 0 to 1 */
  mt_travel *out;
} mt_travel_work;

/** Middle of the window of a fine level, seconds; and the fine level nearest to a time. */
double mt_travel_fine_s(const mt_travel_work *w, size_t i);
size_t mt_travel_fine_at(const mt_travel_work *w, double at_s);

/** Standard deviation of a fine amplitude by the noise around and by a scratch in it, of full scale. */
double mt_travel_fine_sigma(const mt_travel_work *w, int channel, size_t i);
/** A fine level in dBFS, and its standard deviation in dB. */
double mt_travel_fine_dbfs(const mt_travel_work *w, int channel, size_t i);
double mt_travel_fine_sigma_db(const mt_travel_work *w, int channel, size_t i);

/** What is above 6 kHz: fills hiss, hush and step_squares. */
mt_code mt_travel_hiss(mt_travel_work *w, mt_error *err);

/** Is it a control with steps? Fills what the travel says of them. */
mt_code mt_travel_find_steps(mt_travel_work *w, mt_error *err);

/** Fills the events. */
void mt_travel_find_faults(mt_travel_work *w);

/** A scratch so long that it is noise, as the levels' uncertainty has it, and hides nothing. */
bool mt_travel_is_sustained(const mt_travel_event *event);

#endif
