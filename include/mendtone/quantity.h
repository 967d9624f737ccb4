/**
 * @file quantity.h  The closed table of quantities: what mendtone can read, in which unit, after which source.
 *
 * Text, JSON and plan checking all read this table, so a name or a unit is stated once.
 */
#ifndef MENDTONE_QUANTITY_H
#define MENDTONE_QUANTITY_H

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef enum mt_unit {
  MT_UNIT_NONE, /**< a bare number or a word: polarity, route */
  MT_UNIT_HZ,
  MT_UNIT_DBFS, /**< 0 dBFS is the RMS of a full-scale sine (AES17, IEC 61606-3) */
  MT_UNIT_DBV,  /**< re 1 V rms */
  MT_UNIT_VOLT,
  MT_UNIT_DB,      /**< a ratio */
  MT_UNIT_PERCENT, /**< an amplitude ratio, 100 % = 0 dB */
  MT_UNIT_DEGREE,
  MT_UNIT_BIT,
  MT_UNIT_PPM,
  MT_UNIT_SECOND,
  MT_UNIT_MILLISECOND,
  MT_UNIT_FS, /**< fraction of digital full scale (peak) */
  MT_UNIT_OHM,
  MT_UNIT_WATT,
  MT_UNIT_COUNT,            /**< how many */
  MT_UNIT_DBFS_PER_ROOT_HZ, /**< of a density: 10 lg of power (re a full-scale sine) per hertz */
  MT_UNIT_DB_PER_OCTAVE,    /**< of a slope */
  MT_UNIT_DBU,              /**< re the square root of 0.6 V rms */
  MT_UNIT_MILLIWATT,
  MT_UNIT_MICROFARAD,
  MT_UNIT_LAST
} mt_unit;

typedef enum mt_quantity {
  MT_Q_FREQUENCY,
  MT_Q_LEVEL,
  MT_Q_GAIN,
  MT_Q_BALANCE,
  MT_Q_PHASE_DIFFERENCE,
  MT_Q_POLARITY,
  MT_Q_ROUTE,
  MT_Q_CROSSTALK,
  MT_Q_THD_F,
  MT_Q_THD_R,
  MT_Q_THD_N,
  MT_Q_HARMONIC,
  MT_Q_SINAD,
  MT_Q_ENOB,
  MT_Q_NOISE,
  MT_Q_NOISE_A,
  MT_Q_NOISE_CCIR,
  MT_Q_NOISE_468,
  MT_Q_SNR,
  MT_Q_DYNAMIC_RANGE,
  MT_Q_HUM,
  MT_Q_HUM_LINE,
  MT_Q_SPURIOUS,
  MT_Q_IMD_MOD,
  MT_Q_IMD_DIFF,
  MT_Q_CLOCK_OFFSET,
  MT_Q_DELAY,
  MT_Q_DC,
  MT_Q_PEAK,
  MT_Q_MAX_LEVEL,
  MT_Q_OUTPUT_IMPEDANCE,
  MT_Q_OUTPUT_POWER,
  MT_Q_TRACKING_ERROR,
  MT_Q_DROPOUTS,
  MT_Q_BOOST,
  MT_Q_BOOST_FREQ,
  MT_Q_BOOST_CORNER,
  MT_Q_GAIN_CHANGE,
  MT_Q_TILT,
  MT_Q_CORNER_LOW,
  MT_Q_CORNER_HIGH,
  MT_Q_FLATNESS,
  MT_Q_INPUT_FULL_SCALE,
  MT_Q_LOAD_CORNER,
  MT_Q_OUTPUT_CAPACITANCE,
  MT_Q_TRACKING_ERROR_40,
  MT_Q_TRACKING_ERROR_60,
  MT_Q_CONTROL_RANGE,
  MT_Q_CONTROL_STEPS,
  MT_Q_STEP_SIZE,
  MT_Q_SCRATCHES,
  MT_Q_DEAD_SPOTS,
  MT_Q_LEVEL_JUMPS,
  MT_Q_RESPONSE, /* curves from here on */
  MT_Q_PHASE,
  MT_Q_SPECTRUM,
  MT_Q_HARMONIC_2,
  MT_Q_HARMONIC_3,
  MT_Q_HARMONIC_4,
  MT_Q_HARMONIC_5,
  MT_Q_LINEARITY,
  MT_Q_NOISE_DENSITY,
  MT_Q_BAND_LEVEL,
  MT_Q_GROUP_DELAY,
  MT_Q_DIFFERENCE,
  MT_Q_SCRATCH_LEVEL,
  MT_Q_LAST
} mt_quantity;

typedef struct mt_quantity_info {
  const char *name;    /**< as in results.json and in plans */
  mt_unit unit;        /**< as read and stored; a plan may use another that converts */
  bool is_curve;       /**< over frequency or level, rather than one number */
  const char *label;   /**< words for a table, at most 24 characters */
  const char *meaning; /**< one sentence, with the reference */
  const char *source;  /**< the standard or book it is defined by, or "own definition" */
} mt_quantity_info;

/** The row of a quantity. @param q below MT_Q_LAST (asserted). Never NULL. */
const mt_quantity_info *mt_quantity_describe(mt_quantity q);

/** One number and also a curve over frequency: a limit with from_hz or to_hz is held against the curve. */
bool mt_quantity_is_also_curve(mt_quantity q);

/** Of a bound (`rig_limited`): true when the truth is no less than it (signal to noise and its like). */
bool mt_quantity_bound_is_least(mt_quantity q);

/** Find a quantity by its exact name. @return false (and `out` unchanged) if there is none. */
bool mt_quantity_parse(const char *name, mt_quantity *out);

/** The name nearest to a misspelt one, or NULL when none is near enough to suggest. */
const char *mt_quantity_nearest(const char *name);

/**
 * The unit in which a limit on this quantity is held: its own, or dBV for a limit in V, dBV or dBu on what is read in
 * dBFS (a calibrated rig tells). @return false if it cannot be limited in that unit.
 */
bool mt_quantity_limit_unit(mt_quantity q, mt_unit stated, mt_unit *held);

/** "Hz", "dBFS", "%"..., "" for none. */
const char *mt_unit_name(mt_unit unit);

/** Find a unit by its exact name. @return false (and `out` unchanged) if there is none. */
bool mt_unit_parse(const char *name, mt_unit *out);

/**
 * Convert a value between units of one kind: dB and % (amplitude ratio), s and ms, W and mW, dBV, dBu and V.
 *
 * @return false (and `out` unchanged) when the units are not of one kind or the value has no image
 *         (a ratio of 0 % or less in dB).
 */
bool mt_unit_convert(double value, mt_unit from, mt_unit to, double *out);

#ifdef __cplusplus
}
#endif
#endif
