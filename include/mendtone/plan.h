/** @file plan.h  The plan: states to visit, what to measure, limits, load; and the verdict rule. */
#ifndef MENDTONE_PLAN_H
#define MENDTONE_PLAN_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

/** What a load resistor may be off unless the plan says otherwise: the common class of power resistors (E24 series, IEC
 * 60063). Of one that was metered 1 may be stated. */
#define MT_PLAN_LOAD_TOLERANCE_PERCENT 5.0

/** One limit as the plan states it. */
typedef struct mt_limit {
  mt_quantity quantity;
  mt_channel channel; /**< MT_CHANNEL_ANY: left, right and the pair, whichever has the quantity; from the
                           third channel on only when named */
  char segment[16];   /**< "": any */
  char state[32];     /**< "": any */
  int order;          /**< 0: any */
  double from_hz;     /**< curves: the stretch the limit holds for; 0 and INFINITY: all */
  double to_hz;
  double min; /**< in `unit`; -INFINITY: none */
  double max; /**< in `unit`; +INFINITY: none */
  mt_unit unit;
  char why[160];               /**< where the limit comes from; "" if the plan does not say */
  int line;                    /**< in the plan file; 0: built in */
  bool relative;               /**< min and max are of the difference from the reference, in `unit` */
  const mt_results *reference; /**< of a relative limit: borrowed from the plan; NULL: not opened */
} mt_limit;

/** One position of the unit's switches and knobs. */
typedef struct mt_plan_state {
  char name[32];
  char set[160];         /**< in words, what to set */
  char compare_with[32]; /**< the reference state, "" if none */
  mt_quantity measure[MT_Q_LAST];
  size_t nmeasure;               /**< 0: everything */
  double load_ohm;               /**< on each output; INFINITY: open; 0: not said, see mt_plan_load() */
  double load_tolerance_percent; /**< 0: the plan's */
  char turn[48];                 /**< the knob that is turned while the tones run, in words; "": none */
  double turn_s;                 /**< how long they run; 0: none is turned */
} mt_plan_state;

/** Something no sound card sees. */
typedef struct mt_by_hand {
  char ask[96];       /**< the question, in words */
  bool is_number;     /**< else yes or no */
  char unit[16];      /**< of a number, in words: V, mA, degC... */
  double min;         /**< of a number; -INFINITY: none */
  double max;         /**< of a number; +INFINITY: none */
  double uncertainty; /**< of a number: of the meter, expanded, in the same unit; 0 unless said */
  int expect;         /**< of yes or no: 1 yes, -1 no, 0 either: it is only filed */
  char why[160];      /**< where the limit comes from; "" if the plan does not say */
  int line;           /**< in the plan file */
} mt_by_hand;

typedef struct mt_plan {
  char name[96];   /**< "default" or the file's name */
  char unit[96];   /**< what the unit is, in words */
  double load_ohm; /**< on each output in every state that does not say; INFINITY: open; 0: not said */
  /** what the resistors may be off; MT_PLAN_LOAD_TOLERANCE_PERCENT unless said */
  double load_tolerance_percent;
  double level_dbfs;        /**< NAN: not said, the default applies */
  double rate_hz;           /**< 0: not said */
  mt_route expect_route[2]; /**< for left and right */
  int expect_polarity[2];   /**< +1, -1; 0: either */
  bool judges_route;        /**< false when the plan says expect_route = "any" */
  mt_plan_state *states;
  size_t nstates;
  mt_limit *limits;
  size_t nlimits;
  unsigned extras;              /**< mask of mt_extra: what to measure beyond the default */
  double max_level_dbfs;        /**< of the loudest step of "levels"; NAN: not said, level_dbfs applies */
  double max_level_thd_percent; /**< the distortion at which the maximum level is read; 1 unless said */
  /** A lossy codec in the path lies before the unit's own output, as a wireless receiver's does: it may add to the
   * unit's idle noise and hum, and hides nothing of them. */
  bool codec_first;
  char reference[512]; /**< path of a good unit's results, as the plan says it; "" if it names none */
  mt_results *reference_results; /**< owned; see mt_plan_set_reference() */
  mt_by_hand *by_hand;           /**< what to see or to read from a meter, in the order to ask */
  size_t nby_hand;
  char *text; /**< the file as it was read */
} mt_plan;

/** The built-in plan, mt_plan_default_text() parsed; its limits have line 0. Caller destroys. */
mt_code mt_plan_create_default(mt_plan **out, mt_error *err);

/** The built-in plan as an editable file, libconfig syntax: common practice for a line or headphone output. */
const char *mt_plan_default_text(void);

/** Name of a plan that comes with mendtone for one kind of unit: "headphone-amplifier"... NULL after the last. */
const char *mt_plan_shipped_name(size_t index);

/**
 * Its text, an editable file whose first line says in a comment what it is for; also of "default". NULL if there is
 * none of that name.
 */
const char *mt_plan_shipped_text(const char *name);

/**
 * Read a plan file (libconfig syntax, one file: no includes).
 *
 * An empty file is a plan without limits that still implies route and polarity. At most 1 MiB, 1000
 * limits and 100 states.
 *
 * @param out  Caller destroys. Unchanged on failure.
 * @return MT_OK; MT_E_NO_INPUT; MT_E_MEMORY; MT_E_PLAN with file, line, what was found, what was
 *         expected and the nearest known name. Segments are not checked: they belong to the stimulus; a
 *         limit on a segment there is not is undecided.
 */
mt_code mt_plan_open(const char *path, mt_plan **out, mt_error *err);

/** The same from text; `name` stands for the file in messages. */
mt_code mt_plan_parse(const char *text, const char *name, mt_plan **out, mt_error *err);

/** The state of that name, or NULL. */
const mt_plan_state *mt_plan_find_state(const mt_plan *plan, const char *name);

/**
 * What is on the outputs in a state: ohms, INFINITY: open, 0: not said. A state that says nothing, in a plan that says
 * nothing for all, is open as soon as another state has a load.
 *
 * @param state  NULL: of a take without a state, what the plan says.
 */
double mt_plan_load(const mt_plan *plan, const mt_plan_state *state);

/**
 * Give the plan the results its `reference` names: relative limits are held against them. Until then they are
 * undecided. mt_session_open_plan() does this.
 *
 * @param results  taken over: *results becomes NULL.
 */
void mt_plan_set_reference(mt_plan *plan, mt_results **results);

/** Free all; accepts NULL and leaves NULL. */
void mt_plan_destroy(mt_plan **plan);

/**
 * Hold one value against two-sided limits.
 *
 * Pass if min <= y - w and y + w <= max, fail if y + w < min or y - w > max, else undecided, with the
 * guard band w = 0.82 U, U expanded (k = 2): 95 % conformance.
 * What is not finite, a negative U, or min above max is undecided, never a pass. Neither limit: none.
 *
 * @param min  -INFINITY: none.
 * @param max  +INFINITY: none.
 *
 * Source: ISO 14253-1:2017 (95 %), JCGM 106:2012 7.3. Thread: any.
 */
mt_verdict mt_judge_value(double value, double uncertainty, double min, double max);

/**
 * Judge results by a plan: one judgement for every limit and reading (or stretch of a curve) it meets;
 * each reading's verdict is the worst of its judgements, the whole verdict the worst of all. Earlier
 * judgements and verdicts are dropped. Sets `plan_name` and `unit_name`.
 *
 * A limit is held in the quantity's own unit, so that one in % is exact at its boundary. A limit that
 * meets no reading, or only one channel of a two-channel take without naming it, is undecided. Anything
 * not valid is undecided, with the reason; `rig_limited` can pass an upper limit and nothing else. If
 * `results->valid` is false nothing passes and nothing fails.
 *
 * A curve is judged by its worst point between from_hz and to_hz, the ends interpolated; a stretch that
 * it does not cover is undecided unless what was read misses the limit.
 *
 * A relative limit is held against the difference from the same reading of the reference, with the root of
 * the sum of both squares as its uncertainty. It is undecided when the reference has no such number, or was taken
 * at another level.
 *
 * Route and polarity of left and right are implied for every state that has a `route` reading, and for
 * every stimulus take; for a plain recording without such readings they are not.
 *
 * @return MT_OK, whatever the verdict; MT_E_MEMORY: the verdict is then undecided at best.
 */
mt_code mt_judge_results(const mt_plan *plan, mt_results *results, mt_error *err);

/**
 * Find likely causes for the pattern of the readings: appends findings, each with its evidence. Those found
 * by an earlier call are dropped; those the analysis made stay.
 *
 * Call it after mt_judge_results(): what the plan passed is no fault. Unjudged results are held against
 * thresholds of common practice (no source). A spoilt take has no findings.
 *
 * @param plan  May be NULL; its load names the capacitor behind a lost low end, its expectations say
 *              which route and polarity are meant.
 * @return MT_OK; MT_E_MEMORY.
 */
mt_code mt_judge_find_causes(const mt_plan *plan, mt_results *results, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
