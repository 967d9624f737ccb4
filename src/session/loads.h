/** @file loads.h  What the plan says of the loads, handed to what reads them. */
#ifndef SESSION_LOADS_H
#define SESSION_LOADS_H

#include <mendtone/plan.h>

/**
 * Read impedance, capacitor and power off the takes of states that differ in load, and note the load in each reading.
 *
 * Does nothing if the plan says nothing of loads. What was read so before is dropped first, so that results may be
 * judged again.
 *
 * @param state  of a single take, NULL if it has none; of several takes each has its own.
 */
mt_code mt_loads_read(const mt_plan *plan, const mt_plan_state *state, mt_results *results, mt_error *err);

#endif
