/**
 * @file coverage.h  Are the stated uncertainties true? Simulated units of random properties (coverage_unit.h), each
 * reading held against what must be read, counted by quantity.
 */
#ifndef COVERAGE_H
#define COVERAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define COVERAGE_ROWS_MAX 120
#define COVERAGE_NAME 48

/** One quantity over all units. */
typedef struct coverage_row {
  char name[COVERAGE_NAME];
  bool is_fact;    /**< route, polarity: right or wrong, no interval */
  bool is_nothing; /**< the truth is that there is none: any valid reading is a false one */
  bool is_floored; /**< a stated floor, not noise, makes most intervals: they may hold the truth more often */
  size_t nvalid;   /**< readings with a value and an interval */
  size_t ninside;  /**< ... that holds the truth */
  size_t nabove;   /**< ... that lies above the truth */
  size_t nbounds;  /**< readings that are an upper bound */
  size_t nbelow;   /**< ... with the truth below it */
  size_t nrefused; /**< readings that say why they are none */
  double sum_ratio_sq; /**< of error over stated standard uncertainty */
} coverage_row;

typedef struct coverage_table {
  size_t nunits;
  size_t nlost; /**< units whose take was refused as a whole */
  size_t nrows;
  coverage_row rows[COVERAGE_ROWS_MAX];
} coverage_table;

/**
 * Measure `nunits` random units and count.
 *
 * @param first         of the seed's units: a run may be split, the parts together are the same.
 * @param extras_every  each so-manieth unit is measured with all extras; 0: none.
 * @param log           where each statement goes, whether it holds, with its unit; NULL: nowhere.
 */
void coverage_run(uint64_t seed, size_t first, size_t nunits, size_t extras_every, FILE *log,
                  coverage_table *out);

/** Wilson's 95 % interval of a share (Wilson 1927). */
void coverage_wilson(size_t hits, size_t count, double *low, double *high);

/** Chance of at most so many hits when each has that share: the binomial distribution. */
double coverage_at_most(size_t hits, size_t count, double share);

void coverage_print(const coverage_table *table, FILE *out);

#endif
