/* results.json: any file is read or refused; what was read can be written and read again. */
#include "fuzz.h"

#include <mendtone/report.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  mt_results *results = NULL, *again = NULL;
  mt_error err = {0};
  char *json = NULL;
  mt_code code = mt_report_read_json(fuzz_file(data, size), &results, &err);
  fuzz_check_outcome(code, &err, results);
  if (code == MT_OK && mt_report_json(results, &json, &err) == MT_OK) {
    code = mt_report_read_json(fuzz_file((const uint8_t *)json, strlen(json)), &again, &err);
    if (code != MT_OK || again->nreadings != results->nreadings || again->ncurves != results->ncurves)
      abort();
  }
  free(json);
  mt_results_destroy(&again);
  mt_results_destroy(&results);
  return 0;
}
