#include "recorded.h"

#include "support.h"

#include <mendtone/analysis.h>
#include <mendtone/take.h>

mt_results *recorded_results(const float *x, size_t n, double rate_hz)
{
  mt_take *take = NULL;
  mt_results *results = NULL;
  mt_error err = {0};

  assert_ok(mt_take_create(rate_hz, 1, &take, &err), err);
  assert_ok(mt_take_append(take, x, n, &err), err);
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_recording(take, results, &err), err);
  mt_take_destroy(&take);
  return results;
}

double recorded_value(const mt_results *results, mt_quantity quantity, int order)
{
  for (size_t i = 0; i < results->nreadings; i++)
    if (results->readings[i].quantity == quantity && results->readings[i].order == order) {
      if (results->readings[i].validity != MT_VALID)
        print_error("%s: %s\n", mt_quantity_describe(quantity)->name, results->readings[i].why);
      assert_int_equal(results->readings[i].validity, MT_VALID);
      return results->readings[i].value;
    }
  fail_msg("no %s of order %d", mt_quantity_describe(quantity)->name, order);
  return 0.0;
}
