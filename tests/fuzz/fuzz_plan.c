/* A plan file: any text is parsed or refused, and a plan that is accepted can judge. */
#include "fuzz.h"

#include <mendtone/plan.h>

#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  char *text = fuzz_text(data, size);
  mt_plan *plan = NULL;
  mt_results *results = NULL;
  mt_error err = {0};
  mt_code code = mt_plan_parse(text, "fuzz.plan", &plan, &err);
  fuzz_check_outcome(code, &err, plan);
  if (code == MT_OK && mt_results_create(&results, &err) == MT_OK) {
    /* No reading meets a limit: whatever the plan says, nothing may pass. */
    code = mt_judge_results(plan, results, &err);
    if (code == MT_OK && results->verdict == MT_VERDICT_PASS)
      abort();
  }
  mt_results_destroy(&results);
  mt_plan_destroy(&plan);
  free(text);
  return 0;
}
