/** @file find_load.h  What a load shows of an output: its capacitor, its resistance, its strength. */
#ifndef JUDGE_FIND_LOAD_H
#define JUDGE_FIND_LOAD_H

#include <mendtone/plan.h>

/** The ids of its findings begin so. */
#define MT_FIND_LOAD "load-"

/** What a load shows says more of a lost low end than the response alone does: it is the output's capacitor. */
bool mt_find_load_explains(const mt_results *results, mt_channel channel, const char *state);

/** Findings for each state with a load that is compared with another load. MT_E_MEMORY. */
mt_code mt_find_loads(const mt_plan *plan, mt_results *results, mt_error *err);

#endif
