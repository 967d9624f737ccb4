/* A short version of tests/bench/bench_campaign.c: random faults of the capture, none of which may pass. */
#include "campaign.h"
#include "support.h"

#define FAULTS 22 /* each kind twice */
#define CLEAN 4

static void no_fault_passes_and_the_clean_unit_does(void **state)
{
  campaign_tally tally;
  (void)state;
  campaign_run(support_seed(3), CLEAN, FAULTS, stdout, &tally);
  campaign_print(&tally, stdout);
  assert_int_equal(campaign_false_passes(&tally), 0);
  /* 99 % of the clean ones pass: two of four would fail once in 1700 runs, one is no surprise */
  assert_true(tally.of[CAMPAIGN_CLEAN].passed + 1 >= CLEAN);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(no_fault_passes_and_the_clean_unit_does)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
