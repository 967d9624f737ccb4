/** @file results.h  Readings, curves, findings and verdicts: what a take was found to say. */
#ifndef MENDTONE_RESULTS_H
#define MENDTONE_RESULTS_H

#include <mendtone/parts.h>
#include <mendtone/quantity.h>
#include <mendtone/take.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_RESULTS_FORMAT "mendtone-results"
#define MT_RESULTS_FORMAT_VERSION 1

typedef enum mt_validity {
  MT_VALID,
  MT_NO_SIGNAL,
  MT_CLIPPED,
  MT_DROPOUT,
  MT_RIG_LIMITED, /**< the value is an upper bound only */
  MT_NOT_MEASURED
} mt_validity;

typedef enum mt_verdict {
  MT_VERDICT_NONE, /**< no limit was set */
  MT_VERDICT_PASS,
  MT_VERDICT_UNDECIDED,
  MT_VERDICT_FAIL
} mt_verdict; /**< ordered from best to worst */

/** Which stimulus channel is heard: the value of a `route` reading. */
typedef enum mt_route { MT_ROUTE_NONE, MT_ROUTE_LEFT, MT_ROUTE_RIGHT, MT_ROUTE_BOTH } mt_route;

/** One quantity. Zero it, then set what applies. */
typedef struct mt_reading {
  mt_quantity quantity;
  mt_channel channel;
  char segment[16]; /**< where in the stimulus; "" for a plain recording */
  char state[32];   /**< positions of the unit's switches */
  double freq_hz;  /**< of the tone it was read with; hum_line and spurious: of the line; 0: does not apply */
  int order;       /**< of a harmonic, an intermodulation or a hum line; 0: does not apply */
  double mains_hz; /**< hum and hum_line only: nominal */
  double value;    /**< in the quantity's own unit; for `route` an mt_route. Meaningless unless
                           valid or rig_limited */
  double uncertainty; /**< expanded, k = 2, same unit (dB for levels) */
  mt_validity validity;
  char why[128]; /**< when not valid: the reason in words */
  mt_verdict verdict;
  char definition[96];    /**< where several are in use: the one that was used, with its source; may be "" */
  bool has_dbv;           /**< a calibrated rig: a reading in dBFS is known in volts too */
  double dbv;             /**< re 1 V rms */
  double dbv_uncertainty; /**< expanded, k = 2, dB: the calibration included */
  double load_ohm;        /**< resistor on the output meanwhile; 0: none, or not said */
  double sway_ohm;        /**< output_impedance: what 0.01 dB of error in a level moves it by */
} mt_reading;

/** A point of a curve with this uncertainty (dB) or more cannot be told from noise: its y is an upper bound. */
#define MT_CURVE_BOUND_DB 40.0

/** A quantity over frequency or level. x ascending. Arrays are owned by the results. */
typedef struct mt_curve {
  mt_quantity quantity;
  mt_channel channel;
  char segment[16];
  char state[32];
  size_t npoints;
  double *x; /**< in x_unit */
  double *y;
  double *uncertainty; /**< expanded, k = 2; MT_CURVE_BOUND_DB where y is only an upper bound */
  mt_validity validity;
  char why[128];
  mt_unit x_unit;      /**< MT_UNIT_DBFS: the level played; MT_UNIT_NONE stands for MT_UNIT_HZ */
  double *floor;       /**< NULL, or what the same estimate reads of noise alone, in the unit of y */
  double bandwidth_hz; /**< spectrum: the noise bandwidth each point holds the power of; 0: does not apply */
  bool has_reference;  /**< response: the next two are known */
  double reference_db; /**< response: the gain at the reference tone, which was taken off y */
  double reference_uncertainty_db; /**< its expanded uncertainty, which is in every other point's, too */
} mt_curve;

/** A likely cause for a pattern of readings. */
typedef struct mt_finding {
  char id[32];
  mt_channel channel;
  char text[256];
  char evidence[4][128];
  size_t nevidence;
} mt_finding;

/** One limit held against one reading (or one stretch of a curve). */
typedef struct mt_judgement {
  mt_quantity quantity;
  mt_channel channel;
  char segment[16];
  char state[32];
  int order;
  bool has_value;
  double value;       /**< in `unit`: of a curve, the value nearest to or furthest beyond its limit */
  double at_hz;       /**< of a curve or a spurious line: where; else 0 */
  double uncertainty; /**< expanded, k = 2; in dB when `unit` is % */
  double min;         /**< in `unit`; -INFINITY: none */
  double max;         /**< in `unit`; +INFINITY: none */
  mt_unit unit;       /**< as the plan states the limit */
  bool implied;       /**< route and polarity that every plan implies */
  mt_verdict verdict;
  char text[192]; /**< the reason in plain words for a newcomer */
  double from_hz; /**< of a curve: the stretch the limit holds for; 0: no such end */
  double to_hz;
  bool relative; /**< value, min and max are of the difference from a reference */
} mt_judgement;

/** The rig that was used, and what stands against it. */
typedef struct mt_rig_note {
  char name[48];         /**< "": none */
  char made[24];         /**< UTC */
  bool has_volts;        /**< levels are known in volts */
  bool loop_applied;     /**< gain and response are corrected, floors compared */
  bool recorded_by_unit; /**< the rig only played */
  bool has_floor[2];
  double noise_dbfs[2]; /**< its own, left and right, 20 Hz to 20 kHz */
  bool has_played_dbv;
  double played_dbv;     /**< the reference level as the unit's left input gets it */
  double input_ohm;      /**< of the sound card; 0: not known */
  size_t nlimited;       /**< readings that are only bounds because the rig's own is too near */
  char warnings[4][128]; /**< its age, another device, another rate */
  size_t nwarnings;
} mt_rig_note;

/** One of several takes: the unit in one state. */
typedef struct mt_take_summary {
  char state[32];
  bool skipped; /**< the state was not visited; the rest is empty */
  char file[512];
  size_t nframes;
  bool valid; /**< false: a problem spoils the whole of this take */
  bool has_clock_offset;
  double clock_offset_ppm;
  mt_parts parts;
  unsigned extras;
  double load_ohm; /**< resistor on each output; INFINITY: open; 0: not said */
} mt_take_summary;

/** A reading of a state beside the same reading of the state it is compared with. */
typedef struct mt_change {
  mt_quantity quantity;
  mt_channel channel;
  char segment[16];
  int order;
  char state[32];
  char reference[32]; /**< the state compared with */
  double value;       /**< in the quantity's own unit */
  double reference_value;
  double difference;  /**< value less reference_value */
  double uncertainty; /**< of the difference, expanded, k = 2; 0 for a route or a polarity */
  bool at_least;      /**< one of the two is only a bound: the difference is this or more, of the same sign */
  bool significant;   /**< beyond 1.5 times its expanded uncertainty (3 standard ones): not by chance */
} mt_change;

/** What a person saw or read from a meter, and what the plan asks of it. */
typedef struct mt_answer {
  char ask[96];       /**< the question, in words */
  bool is_number;     /**< else yes or no */
  char unit[16];      /**< of a number, in words */
  bool answered;      /**< false: skipped, or never asked */
  double value;       /**< of a number */
  double uncertainty; /**< of a number: of the meter, expanded, as the plan states it */
  bool yes;
  double min; /**< of a number; -INFINITY: none */
  double max; /**< of a number; +INFINITY: none */
  int expect; /**< of yes or no: 1 yes, -1 no, 0 either */
  mt_verdict verdict;
  char text[192]; /**< the reason in plain words */
} mt_answer;

/** All that is said of one take (or of several takes of one check). */
typedef struct mt_results {
  char unit_name[96]; /**< of the plan, may be "" */
  char plan_name[96]; /**< "default", a file name, or "" when nothing was judged */
  char file[512];
  double rate_hz;
  unsigned nchannels;
  size_t nframes;
  bool valid;       /**< false: a problem spoils the whole take */
  bool is_stimulus; /**< marks were found; false: a plain recording */
  double stimulus_level_dbfs;
  bool has_clock_offset;
  double clock_offset_ppm;
  mt_problem *problems;
  size_t nproblems;
  mt_reading *readings;
  size_t nreadings;
  mt_curve *curves;
  size_t ncurves;
  mt_finding *findings;
  size_t nfindings;
  mt_judgement *judgements;
  size_t njudgements;
  mt_verdict verdict;
  unsigned stimulus_extras; /**< mask of mt_extra: what the stimulus held beyond the default */
  unsigned nruns;          /**< whole runs of the stimulus in the take: the last one was read. 0: not known */
  bool is_followed;        /**< another run began behind it, and had no end */
  double run_begin_s;      /**< where the run that was read begins, from the take's first frame */
  mt_parts stimulus_parts; /**< how much of the default check it held */
  /* of several takes, one for each state: `file` to `clock_offset_ppm` above are the first one's, `valid` is false if
     any is spoilt, `problems` are all of them */
  mt_take_summary *takes; /**< in the plan's order; NULL when there is one only */
  size_t ntakes;
  mt_change *changes;
  size_t nchanges;
  mt_answer *answers;
  size_t nanswers;
  char tool_version[24]; /**< of the mendtone that made them; "": this one */
  double load_ohm;       /**< on the outputs, as the plan says; INFINITY: open; 0: not said */
  mt_rig_note rig;
  mt_problem *retakes; /**< what spoilt the takes before this one, one each, in their own time */
  size_t nretakes;
  char not_kept[256]; /**< "", or why the take could not be kept where it was to be: its readings are whole */
} mt_results;

/** Make an empty set of results. */
mt_code mt_results_create(mt_results **out, mt_error *err);

/** Append a copy. MT_E_INTERNAL if a valid or rig_limited reading is not finite: NaN never leaves a stage. */
mt_code mt_results_add_reading(mt_results *results, const mt_reading *reading, mt_error *err);

/** Append a copy of the record and of its arrays (curve->npoints each). */
mt_code mt_results_add_curve(mt_results *results, const mt_curve *curve, mt_error *err);
mt_code mt_results_add_finding(mt_results *results, const mt_finding *finding, mt_error *err);
mt_code mt_results_add_judgement(mt_results *results, const mt_judgement *judgement, mt_error *err);
mt_code mt_results_add_problem(mt_results *results, const mt_problem *problem, mt_error *err);
mt_code mt_results_add_take(mt_results *results, const mt_take_summary *take, mt_error *err);

/** Append a copy. MT_E_INTERNAL if a number is not finite. */
mt_code mt_results_add_change(mt_results *results, const mt_change *change, mt_error *err);
mt_code mt_results_add_answer(mt_results *results, const mt_answer *answer, mt_error *err);

/**
 * Append what another take was found to say: its readings, curves, findings and problems, and a summary of it.
 *
 * @param state  name of the unit's state in that take; its readings bear it already.
 */
mt_code mt_results_add_results(mt_results *results, const mt_results *other, const char *state,
                               mt_error *err);

/** The take of that state, or NULL. */
const mt_take_summary *mt_results_find_take(const mt_results *results, const char *state);

/** Nothing may be concluded from readings of that state: its take is spoilt, or the only one is. */
bool mt_results_is_spoilt(const mt_results *results, const char *state);

/** The curve of that quantity, channel and state, or NULL. */
const mt_curve *mt_results_find_curve_of(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                         const char *state);
mt_code mt_results_add_retake(mt_results *results, const mt_problem *problem, mt_error *err);

/** The first reading of that quantity, channel and segment (NULL or "": any segment), or NULL. */
const mt_reading *mt_results_find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                  const char *segment);

/** The unit of a curve's x: MT_UNIT_HZ unless it says another. */
mt_unit mt_curve_x_unit(const mt_curve *curve);

/** The first curve of that quantity and channel, or NULL. */
const mt_curve *mt_results_find_curve(const mt_results *results, mt_quantity quantity, mt_channel channel);

/** Free all; accepts NULL and leaves NULL. */
void mt_results_destroy(mt_results **results);

/** "valid", "no_signal"...; "pass", "fail"...; "left", "none"...; never NULL. */
const char *mt_validity_name(mt_validity validity);
const char *mt_verdict_name(mt_verdict verdict);
const char *mt_route_name(mt_route route);

#ifdef __cplusplus
}
#endif
#endif
