/*
 * Stated intervals hold the truth as often as they say: a short version of tests/bench/bench_coverage.c, which
 * has the units that a share to one per cent needs.
 */
#include "coverage.h"
#include "support.h"

#define UNITS 16
#define EXTRAS_EVERY 4

/* What must hold with this chance of a false alarm, for each of some fifty rows. */
#define ALARM 1e-5

static void assert_often_enough(const char *row, const char *what, size_t hits, size_t count, double share)
{
  double chance = coverage_at_most(hits, count, share);
  if (chance < ALARM) {
    print_error("%s: %zu of %zu %s; with a share of %g that has a chance of %.2g\n", row, hits, count, what,
                share, chance);
    fail();
  }
}

/*
 * Intervals too small: 93 % is the least allowed, and so few would be inside by chance less than once in 10^5.
 * Intervals too large: told by all rows together whose width is noise. Some 1400 readings, about a third of
 * them independent, inside in 95.4 %: two and a half standard deviations are 98 %.
 */
static void truths_lie_inside_as_often_as_stated(void **state)
{
  coverage_table table;
  size_t inside = 0, valid = 0;
  (void)state;
  coverage_run(support_seed(11), 0, UNITS, EXTRAS_EVERY, NULL, &table);
  coverage_print(&table, stdout);
  assert_int_equal(table.nlost, 0);
  assert_true(table.nrows > 30);
  for (size_t i = 0; i < table.nrows; i++) {
    const coverage_row *r = &table.rows[i];
    if (r->is_fact) {
      assert_int_equal(r->ninside, r->nvalid);
      continue;
    }
    /* where there is nothing, four standard errors of noise or more are seen once in a hundred at most */
    if (r->is_nothing)
      assert_often_enough(r->name, "are not false", r->nbounds, r->nbounds + r->nvalid, 0.99);
    else
      assert_often_enough(r->name, "are inside", r->ninside, r->nvalid, 0.93);
    assert_often_enough(r->name, "bounds are right", r->nbelow, r->nbounds, 0.95);
    if (!r->is_nothing && !r->is_floored) {
      inside += r->ninside;
      valid += r->nvalid;
    }
  }
  print_message("%zu of %zu inside\n", inside, valid);
  assert_between((double)inside / (double)valid, 0.93, 0.98, "share");
}

/* Binomial, n = 10 and p = 0.9: 1 - 0.9^10 and 1 - 0.9^10 - 10 x 0.9^9 x 0.1 (by hand). */
static void the_criterion_is_the_binomial_distribution(void **state)
{
  double low, high;
  (void)state;
  assert_near(coverage_at_most(9, 10, 0.9), 1.0 - pow(0.9, 10.0), 1e-12, "chance");
  assert_near(coverage_at_most(8, 10, 0.9), 1.0 - pow(0.9, 10.0) - pow(0.9, 9.0), 1e-12, "chance");
  assert_near(coverage_at_most(10, 10, 0.9), 1.0, 1e-12, "chance");
  /* Wilson's interval of 0 of 10 ends at z^2 / (10 + z^2) */
  coverage_wilson(0, 10, &low, &high);
  assert_near(low, 0.0, 1e-12, "share");
  assert_near(high, 3.841458820694124 / 13.841458820694124, 1e-9, "share");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_criterion_is_the_binomial_distribution),
      cmocka_unit_test(truths_lie_inside_as_often_as_stated),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
