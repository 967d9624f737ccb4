/** @file plan.h  The plan: states to visit, what to measure, limits, load; and the verdict rule. */
#ifndef MENDTONE_PLAN_H
#define MENDTONE_PLAN_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

/** One limit as the plan states it. */
typedef struct mt_limit {
  mt_quantity quantity;
  mt_channel channel; /**< MT_CHANNEL_ANY: whichever channel has the quantity */
  char segment[16];   /**< "": any */
  char state[32];     /**< "": any */
  int order;          /**< 0: any */
  double from_hz;     /**< curves: the stretch the limit holds for; 0 and INFINITY: all */
  double to_hz;
  double min; /**< in `unit`; -INFINITY: none */
  double max; /**< in `unit`; +INFINITY: none */
  mt_unit unit;
  char why[160]; /**< where the limit comes from; "" if the plan does not say */
  int line;      /**< in the plan file; 0: built in */
} mt_limit;

/** One position of the unit's switches and knobs. */
typedef struct mt_plan_state {
  char name[32];
  char set[160];         /**< in words, what to set */
  char compare_with[32]; /**< the reference state, "" if none */
  mt_quantity measure[MT_Q_LAST];
  size_t nmeasure; /**< 0: everything */
} mt_plan_state;

typedef struct mt_plan {
  char name[96];            /**< "default" or the file's name */
  char unit[96];            /**< what the unit is, in words */
  double load_ohm;          /**< 0: not said */
  double level_dbfs;        /**< NAN: not said, the default applies */
  double rate_hz;           /**< 0: not said */
  mt_route expect_route[2]; /**< for left and right */
  int expect_polarity[2];   /**< +1, -1; 0: either */
  bool judges_route;        /**< false when the plan says expect_route = "any" */
  mt_plan_state *states;
  size_t nstates;
  mt_limit *limits;
  size_t nlimits;
} mt_plan;

/** The built-in plan: common practice for a line or headphone output. Caller destroys. */
mt_code mt_plan_create_default(mt_plan **out, mt_error *err);

/** The built-in plan as an editable file, libconfig syntax; parses back to the same plan. */
const char *mt_plan_default_text(void);

/**
 * Read a plan file (libconfig syntax).
 *
 * @return MT_OK; MT_E_NO_INPUT; MT_E_PLAN with file, line, what was found, what was expected and the
 *         nearest known name. `out` is unchanged on failure.
 */
mt_code mt_plan_open(const char *path, mt_plan **out, mt_error *err);

/** The same from text; `name` stands for the file in messages. */
mt_code mt_plan_parse(const char *text, const char *name, mt_plan **out, mt_error *err);

/** Free all; accepts NULL and leaves NULL. */
void mt_plan_destroy(mt_plan **plan);

/**
 * Hold one value against two-sided limits.
 *
 * Pass if min <= y - w and y + w <= max, fail if y + w < min or y - w > max, else undecided, with the
 * guard band w = 0.82 U, U expanded (k = 2): 95 % conformance.
 * A NaN anywhere, or a negative U, is undecided, never a pass.
 *
 * Source: ISO 14253-1:2017, JCGM 106:2012.
 */
mt_verdict mt_judge_value(double value, double uncertainty, double min, double max);

/**
 * Judge results by a plan: adds one judgement for every limit and reading it meets, sets each
 * reading's verdict to the worst of its judgements and the whole verdict.
 *
 * A limit that meets no reading is undecided. Anything not valid is undecided, with the reason;
 * `rig_limited` can pass an upper limit and never fails. Route and polarity are implied.
 */
mt_code mt_judge_results(const mt_plan *plan, mt_results *results, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
