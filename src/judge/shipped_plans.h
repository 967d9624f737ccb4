/** @file shipped_plans.h  The plans of fixtures/plans/, put into the library when it is built. */
#ifndef JUDGE_SHIPPED_PLANS_H
#define JUDGE_SHIPPED_PLANS_H

#include <stddef.h>

typedef struct mt_shipped_plan {
  const char *name;
  const char *text;
} mt_shipped_plan;

/** Ended by a row without a name. */
extern const mt_shipped_plan mt_shipped_plans[];

#endif
