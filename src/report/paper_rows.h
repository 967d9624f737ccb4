/** @file paper_rows.h  What was judged before beside what was judged now. */
#ifndef REPORT_PAPER_ROWS_H
#define REPORT_PAPER_ROWS_H

#include <mendtone/results.h>

/** One limit and what it met; either may be NULL, not both. */
typedef struct paper_row {
  const mt_judgement *before;
  const mt_judgement *now;
  bool before_is_bound; /**< its value is a bound only: the unit is better than that */
  bool now_is_bound;
} paper_row;

/**
 * Every limit of `now`, then those only `before` has.
 *
 * @param before  may be NULL.
 * @param out     malloc'ed; NULL: no memory.
 */
paper_row *paper_rows_make(const mt_results *before, const mt_results *now, size_t *nrows);

/** "THD+N, left", with segment, order, state and the stretch of a curve where they are needed to tell. */
const char *paper_row_name(const mt_judgement *j, char *out, size_t size);

/** "42.2 dB", "< -118 dBFS", "both channels", "not known": the value as its uncertainty allows. */
const char *paper_row_value(const mt_judgement *j, bool is_bound, char *out, size_t size);

/** "at most 0.1 %", "-0.5 to 0.5 dB". */
const char *paper_row_limit(const mt_judgement *j, char *out, size_t size);

/** Now less before, in the same unit; "" if there is no such number. */
const char *paper_row_change(const paper_row *row, char *out, size_t size);

/**
 * For whoever is no technician, then for one who is: "Right channel: 42 dB too quiet before, level with the left ...
 * now. Balance: 42.16 dB before, 0.10 dB now; within +-0.5 dB is asked for."
 */
const char *paper_row_sentence(const paper_row *row, char *out, size_t size);

/** "pass", "missed", "not decided". */
const char *paper_verdict_word(mt_verdict verdict);

#endif
