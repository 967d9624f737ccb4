/* The description of a simulated unit. */
#include "fuzz.h"

#include <mendtone/simulate.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  mt_simulated_unit unit;
  mt_error err = {0};
  mt_code code = mt_simulate_open(fuzz_file(data, size), &unit, &err);
  fuzz_check_outcome(code, &err, code == MT_OK ? &unit : NULL);
  return 0;
}
