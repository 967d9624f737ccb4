#include "judge/shipped_plans.h"

#include <mendtone/plan.h>

#include <string.h>

const char *mt_plan_shipped_name(size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (mt_shipped_plans[i].name == NULL)
      return NULL;
  return mt_shipped_plans[index].name;
}

const char *mt_plan_shipped_text(const char *name)
{
  if (strcmp(name, "default") == 0)
    return mt_plan_default_text();
  for (size_t i = 0; mt_shipped_plans[i].name != NULL; i++)
    if (strcmp(mt_shipped_plans[i].name, name) == 0)
      return mt_shipped_plans[i].text;
  return NULL;
}
