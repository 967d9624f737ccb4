/*
 * Does a fault of the capture ever end in a pass? Some hundreds of random faults, and the clean unit as often.
 *
 *   bench_campaign [TURNS [SEED]]
 */
#include "campaign.h"
#include "support.h"

static size_t nturns = 330; /* 30 of each kind */
static uint64_t seed = 1;

static void print_tally(void **state)
{
  campaign_tally tally;
  (void)state;
  campaign_run(seed, nturns, nturns, stdout, &tally);
  printf("seed %llu\n", (unsigned long long)seed);
  campaign_print(&tally, stdout);
  printf("  %zu of %zu faults passed; the clean unit passed %zu of %zu times\n",
         campaign_false_passes(&tally), nturns, tally.of[CAMPAIGN_CLEAN].passed, nturns);
  assert_int_equal(campaign_false_passes(&tally), 0);
  assert_true(100 * tally.of[CAMPAIGN_CLEAN].passed >= 99 * nturns);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(print_tally)};

  if (argc > 1)
    nturns = (size_t)strtoull(argv[1], NULL, 10);
  if (argc > 2)
    seed = strtoull(argv[2], NULL, 10);
  return cmocka_run_group_tests(tests, NULL, NULL);
}
