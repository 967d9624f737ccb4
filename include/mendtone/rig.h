/**
 * @file rig.h  The rig: sound card, leads and load with their calibration in volts and their own floor.
 *
 * A rig is kept as one readable file, $XDG_CONFIG_HOME/mendtone/rigs/NAME.cfg. All uncertainties are expanded,
 * k = 2 (JCGM 100). Full scale is the rms voltage of a sine at 0 dBFS.
 */
#ifndef MENDTONE_RIG_H
#define MENDTONE_RIG_H

#include <mendtone/results.h>

#include <time.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_RIG_CHANNELS 2
#define MT_RIG_POINTS_MAX 640
#define MT_RIG_NAME_MAX 40
#define MT_RIG_ORDERS 10
#define MT_RIG_PRODUCTS 9 /**< kinds of intermodulation: see mt_rig_product() */
#define MT_RIG_MAX_AGE_DAYS 180.0
/** A reading less than this above the rig's own is only a bound, dB. */
#define MT_RIG_CLEAR_DB 10.0
/** What a meter on the leads of a sound card can plausibly show, V. */
#define MT_RIG_LEAST_V 0.01
#define MT_RIG_MOST_V 20.0

/** A value with its expanded uncertainty (k = 2), if it is known at all. */
typedef struct mt_rig_value {
  bool known;
  bool is_bound; /**< the truth is no more than it (of a maximum level: no less) */
  double value;
  double uncertainty;
} mt_rig_value;

/** What a meter's maker states: +-(percent of the reading + so many digits). */
typedef struct mt_meter {
  double percent;
  double digits; /**< counts of the last digit shown */
  double step_v; /**< what the last digit is worth on the range that was used */
} mt_meter;

typedef struct mt_rig_side {
  char device[160];  /**< name as the system lists it, never an index */
  char host_api[48]; /**< "ALSA"..., "simulated" */
  double ohm;        /**< input: its impedance; output: its source impedance; 0: not known */
} mt_rig_side;

typedef struct mt_rig_channel {
  mt_rig_value meter_v;       /**< as read */
  mt_rig_value input_full_v;  /**< input full scale at tone_hz */
  mt_rig_value output_full_v; /**< output full scale at tone_hz, loaded by the input */
  /* the loop: output cabled to input */
  mt_rig_value gain_db; /**< captured less played, at the reference tone */
  mt_rig_value level_dbfs;
  mt_rig_value phase_difference_deg; /**< of the pair, kept with the left */
  mt_rig_value noise_dbfs;           /**< 20 Hz to 20 kHz */
  mt_rig_value noise_a_dbfs;
  mt_rig_value noise_ccir_dbfs;
  mt_rig_value noise_468_dbfs;
  mt_rig_value hum_dbfs;
  mt_rig_value rest_dbfs; /**< all but the reference tone, up to half the rate */
  mt_rig_value thd_n_db;
  mt_rig_value thd_db;                         /**< re the fundamental */
  mt_rig_value harmonic_db[MT_RIG_ORDERS + 1]; /**< by order, from 2 on */
  mt_rig_value imd_db[MT_RIG_PRODUCTS];        /**< by mt_rig_product() */
  mt_rig_value crosstalk_db;
  mt_rig_value max_level_dbfs; /**< captured at 1 % THD; a bound: not reached up to it */
  mt_rig_value latency_s;
  size_t npoints; /**< response re the reference tone; x ascending */
  double freq_hz[MT_RIG_POINTS_MAX];
  double response_db[MT_RIG_POINTS_MAX];
  double uncertainty_db[MT_RIG_POINTS_MAX];
} mt_rig_channel;

/** A plain record, about 32 kB: best on the heap. */
typedef struct mt_rig {
  char name[MT_RIG_NAME_MAX + 1];
  char made[24]; /**< UTC, "2026-03-14T15:09:26Z" */
  double max_age_days;
  mt_rig_side input;
  mt_rig_side output;
  double load_ohm; /**< resistor on the unit's output, part of the rig; 0: none or not known */
  double rate_hz;
  double tone_hz; /**< of the calibration */
  double tone_dbfs;
  bool was_loaded; /**< the input was connected while the meter was read */
  mt_meter meter;
  double loop_level_dbfs; /**< played */
  mt_rig_channel channel[MT_RIG_CHANNELS];
} mt_rig;

/* ---- arithmetic (bench/calibration.c) ------------------------------------------------------------- */

/**
 * The expanded uncertainty of one reading of a meter.
 *
 * What the maker states is a limit: the truth lies within +-a, a = percent of the reading + digits * step, and
 * nothing says where: u = a / sqrt(3). Beside it the last digit is rounded: u = step / sqrt(12). U = 2 u.
 *
 * @return MT_OK; MT_E_ARG if something is negative or not finite. `out` is unchanged on failure.
 * Source: JCGM 100:2008 4.3.7 (limits), F.2.2.1 (resolution).
 */
mt_code mt_rig_read_meter(const mt_meter *meter, double reading_v, mt_rig_value *out, mt_error *err);

/** Whether so many volts can be meant: MT_RIG_LEAST_V to MT_RIG_MOST_V. */
bool mt_rig_is_plausible(double reading_v);

/**
 * Full scale of input and output of one channel from a meter's reading across the loop.
 *
 * @param meter_v   the reading of the tone and its uncertainty.
 * @param captured  its level, dBFS; `known` false: the input was not connected, the output was metered open.
 * @param rig       tone_dbfs and both impedances are used; input_full_v (unless open) and output_full_v of
 *                  `channel` are set. Of an output that was metered open, the loaded one is told by the impedances,
 *                  within 10 % of what is stated, else within the limits of IEC 61938 (output at most 2.2 kohm, input
 *                  at least 22 kohm).
 */
void mt_rig_calibrate(mt_rig *rig, int channel, mt_rig_value meter_v, mt_rig_value captured);

/**
 * Take over what the loop was read to be: a check of the bare cable.
 *
 * Sets also input_full_v of a channel whose output was metered open.
 *
 * @return MT_OK; MT_E_DATA if it is no loop: a channel silent, swapped, joined or inverted, the take spoilt, a level
 *         control moved since the tone, or a reading missing; the message says which. `rig` is unchanged on failure.
 */
mt_code mt_rig_take_loop(mt_rig *rig, const mt_results *loop, mt_error *err);

/**
 * Input full scale at a frequency, dB re 1 V.
 *
 * The response of the loop is known, but not how input and output share it: half, and the other half either way as a
 * uniform uncertainty.
 *
 * @return false if that channel is not calibrated.
 */
bool mt_rig_input_dbv(const mt_rig *rig, int channel, double freq_hz, double *dbv, double *uncertainty_db);
bool mt_rig_output_dbv(const mt_rig *rig, int channel, double freq_hz, double *dbv, double *uncertainty_db);

/** The loop's response re the reference tone, between its points; false outside them. */
bool mt_rig_response(const mt_rig *rig, int channel, double freq_hz, double *response_db,
                     double *uncertainty_db);

/** Which of the kinds of intermodulation a reading is, by its tones, quantity and order; -1: none. */
int mt_rig_product(const mt_reading *reading);

/** Days since it was made; negative if the clock says it is yet to be made. */
double mt_rig_age_days(const mt_rig *rig, time_t now);

/* ---- the file (bench/rig_file.c) --------------------------------------------------------------------- */

/** All zero but max_age_days. @return MT_E_MEMORY. Free with free(). */
mt_code mt_rig_create(mt_rig **out, mt_error *err);

/** A name is 1 to 40 letters, digits, '-', '_' and '.', not beginning with '.': MT_E_ARG otherwise. */
mt_code mt_rig_check_name(const char *name, mt_error *err);

/** Where the rig of that name is kept: $XDG_CONFIG_HOME, else ~/.config. MT_E_ARG: the name; MT_E_NO_INPUT: no home. */
mt_code mt_rig_path(const char *name, char *out, size_t size, mt_error *err);

/** Open the rig of that name. MT_E_NO_INPUT names those there are; MT_E_PLAN names file and line. free() it. */
mt_code mt_rig_open(const char *name, mt_rig **out, mt_error *err);

/** The same from any path. */
mt_code mt_rig_open_file(const char *path, mt_rig **out, mt_error *err);

/** From text; `file` stands for it in messages. */
mt_code mt_rig_parse(const char *text, const char *file, mt_rig **out, mt_error *err);

/** As the text of its file, malloc'ed; free() it. MT_E_INTERNAL if a value is not a finite number. */
mt_code mt_rig_print(const mt_rig *rig, char **out, mt_error *err);

/** Keep it, whole or not at all, in place of an earlier one of that name. */
mt_code mt_rig_save(const mt_rig *rig, mt_error *err);

/** The names there are, in order, each malloc'ed as is the list; free() all. No folder: none. */
mt_code mt_rig_list(char ***names, size_t *n, mt_error *err);
void mt_rig_free_list(char ***names, size_t n);

/* ---- applied to results (bench/apply.c) --------------------------------------------------------------- */

typedef struct mt_rig_use {
  time_t now; /**< 0: its age is not looked at */
  const char
      *input; /**< "HOST API: NAME" that was used, or a part of it; NULL: not known, taken for the rig's */
  const char *output;
  bool recorded_by_unit; /**< the rig played, the unit's own converter recorded */
} mt_rig_use;

/** Whether the loop was read with these devices and at this rate, so that it may be applied. */
bool mt_rig_loop_applies(const mt_rig *rig, const mt_rig_use *use, double rate_hz);

/**
 * The loop's response of one channel, to be taken off a response that was captured with the rig. Of a
 * recording by the unit only the output's part: half, and as much uncertain.
 *
 * @param out  its arrays are malloc'ed; free() x, y and uncertainty. npoints 0: there is none.
 */
mt_code mt_rig_correction(const mt_rig *rig, const mt_rig_use *use, double rate_hz, int channel,
                          mt_curve *out, mt_error *err);

/**
 * Refer readings to volts, take the loop off gain, balance and phase difference, and hold floors against the rig's.
 *
 * - What is read in dBFS is given in dBV too, the calibration's uncertainty added in quadrature.
 * - Noise, THD+N and their like, MT_RIG_CLEAR_DB or more above the rig's own, are corrected in power; nearer they
 *   are `rig_limited`. The rig's share of the noise lies between what its input and what its output would make
 *   through the unit's gain; that is uncertainty.
 * - What may cancel (crosstalk, harmonics, intermodulation, hum) is not corrected: the rig's own, in unknown phase,
 *   is uncertainty; nearer than MT_RIG_CLEAR_DB the sum of both is the bound.
 * - Of a recording the unit made itself the input full scale is read, and volts are those at its input.
 *
 * Before anything is judged. Curves other than the response and single foreign lines stay as they were read: of them
 * the rig's own is not known. Nor of intermodulation if the rig was made without it. The response is corrected by the
 * analysis, from mt_rig_correction().
 *
 * @param results  its `rig` note says what was done and what stands against it.
 */
mt_code mt_rig_apply(const mt_rig *rig, const mt_rig_use *use, mt_results *results, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
