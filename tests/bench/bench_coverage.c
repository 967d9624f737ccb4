/*
 * Are the uncertainties true? At least a thousand simulated units of random properties; for each quantity the
 * share of truths inside the stated interval (k = 2), with the 95 % interval of that share.
 *
 *   coverage [UNITS [SEED [LOG [FIRST]]]]
 *
 * LOG gets every statement, its unit and its truth. FIRST leaves out so many of the seed's units, to split a run.
 */
#include "coverage.h"
#include "support.h"

#define UNITS 1000

static size_t nunits = UNITS, first;
static uint64_t seed = 1;
static FILE *statements;

static void print_table(void **state)
{
  coverage_table table;
  (void)state;
  printf("seed %llu, each unit with all extras\n", (unsigned long long)seed);
  coverage_run(seed, first, nunits, 1, statements, &table);
  coverage_print(&table, stdout);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(print_table)};

  if (argc > 1)
    nunits = (size_t)strtoull(argv[1], NULL, 10);
  if (argc > 2)
    seed = strtoull(argv[2], NULL, 10);
  if (argc > 3)
    statements = fopen(argv[3], "w");
  if (argc > 4)
    first = (size_t)strtoull(argv[4], NULL, 10);
  return cmocka_run_group_tests(tests, NULL, NULL);
}
