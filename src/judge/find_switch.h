/** @file find_switch.h  Switches that do nothing, or not on both channels alike. */
#ifndef JUDGE_FIND_SWITCH_H
#define JUDGE_FIND_SWITCH_H

#include <mendtone/plan.h>

/** The ids of its findings begin so. */
#define MT_FIND_SWITCH "switch-"

/** One finding at most for each state of the plan that is compared with another. MT_E_MEMORY. */
mt_code mt_find_switches(const mt_plan *plan, mt_results *results, mt_error *err);

#endif
