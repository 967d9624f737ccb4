/** @file path_grain.h  Where a take of the stimulus shows the grain of a decoder of few bits (grain.h), see path.h. */
#ifndef ANALYSIS_PATH_GRAIN_H
#define ANALYSIS_PATH_GRAIN_H

#include "analysis/grain.h"
#include "analysis/workspace.h"

typedef enum mt_grain {
  MT_GRAIN_NONE,
  MT_GRAIN_STEPPED, /**< companding: mu-law, A-law */
  MT_GRAIN_ADAPTIVE /**< adaptive differences: ADPCM */
} mt_grain;

/** Of the tone "both", which the channel carries. All 0 if it is too short. */
mt_code mt_path_measure_pulse(const mt_workspace *ws, mt_channel channel, mt_grain_pulse *out, mt_error *err);

/** ADPCM by that, companding by the slow part of the sweep. */
mt_code mt_path_find_grain(const mt_workspace *ws, mt_channel channel, mt_grain *out, mt_error *err);

#endif
