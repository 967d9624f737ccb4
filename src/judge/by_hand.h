/** @file by_hand.h  Judging what a person saw or read from a meter. */
#ifndef JUDGE_BY_HAND_H
#define JUDGE_BY_HAND_H

#include <mendtone/plan.h>

/**
 * Put the answers in the order of the plan's questions, add those that are missing as not answered, and judge each:
 * a number by its limits and the meter's uncertainty, yes and no by what is expected. Answers to what the plan does
 * not ask are dropped.
 */
mt_code mt_judge_by_hand(const mt_plan *plan, mt_results *results, mt_error *err);

#endif
