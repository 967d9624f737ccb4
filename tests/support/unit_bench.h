/** @file unit_bench.h  A simulated unit on the bench: from its description to its results. */
#ifndef UNIT_BENCH_H
#define UNIT_BENCH_H

#include <mendtone/plan.h>
#include <mendtone/simulate.h>
#include <mendtone/stimulus.h>

/** Play the default stimulus into the unit and keep what comes out; fails the test on any error. */
mt_take *unit_bench_take(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                         mt_stimulus *stimulus);

/** The same with extras; `max_level_dbfs` NAN: the level. */
mt_take *unit_bench_take_extras(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                                unsigned extras, double max_level_dbfs, mt_stimulus *stimulus);

/** Through marks and readings, unjudged; NULL when it is refused. */
mt_results *unit_bench_results_extras(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                                      unsigned extras, double max_level_dbfs);

/** unit_bench_take() through marks, readings and the built-in plan, as `check` does; NULL when it is refused. */
mt_results *unit_bench_results(const mt_simulated_unit *unit, double rate_hz, double level_dbfs);

/** Read a take that may have been tampered with. NULL when it is refused. */
mt_results *unit_bench_read(mt_take *take, const mt_stimulus *stimulus);

/** The same by a plan of one's own. */
mt_results *unit_bench_read_by(mt_take *take, const mt_stimulus *stimulus, const mt_plan *plan);

/** The reading; fails the test when there is none. */
const mt_reading *unit_bench_find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                  const char *segment);

/** Valid, within `tol` of `want`. */
#define assert_reading(results, quantity, channel, segment, want, tol)                                       \
  unit_bench_assert((results), (quantity), (channel), (segment), (want), (tol), __FILE__, __LINE__)
void unit_bench_assert(const mt_results *results, mt_quantity quantity, mt_channel channel,
                       const char *segment, double want, double tol, const char *file, int line);

#endif
