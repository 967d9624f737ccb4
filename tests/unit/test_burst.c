#include "support.h"

#include "analysis/burst.h"
#include "base/decibel.h"
#include "base/random.h"

#define RATE 48000.0
#define BLOCK 2400 /* 50 ms */
#define NBLOCKS 200
#define N (NBLOCKS * BLOCK)

static double x[N];
static mt_burst burst;

static void fill(mt_random *random, double sigma)
{
  for (size_t i = 0; i < N; i++)
    x[i] = sigma * mt_random_normal(random) + 0.5; /* DC does not count */
}

static void scale_blocks(size_t from, size_t to, double factor)
{
  for (size_t i = from * BLOCK; i < to * BLOCK; i++)
    x[i] *= factor;
}

static void count_all(size_t n)
{
  mt_samples samples = mt_samples_of_array(x, n);
  mt_error err = {0};
  mt_burst_begin(&burst, n, RATE);
  assert_ok(mt_burst_advance(&burst, &samples, n, &err), err);
}

static void steady_noise_hardly_ranges(void **state)
{
  mt_random random;
  mt_burst_away away;
  (void)state;
  mt_random_init(&random, support_seed(111));
  fill(&random, 1e-3);
  count_all(N);
  /* a block's power spreads by 4.34 sqrt(2 / 2400) = 0.125 dB: the largest of 200 is near 2.8 of these */
  assert_near(mt_burst_range_db(&burst), 0.35, 0.25, "dB");
  assert_false(mt_burst_find_away(&burst, &away));
}

static void one_loud_block_is_the_range(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(112));
  fill(&random, 1e-3);
  scale_blocks(77, 78, 10.0);
  count_all(N);
  assert_near(mt_burst_range_db(&burst), 20.0, 1.0, "dB"); /* eight deviations of the block */
}

static void a_short_absence_is_found_where_it_is(void **state)
{
  mt_random random;
  mt_burst_away away;
  (void)state;
  mt_random_init(&random, support_seed(113));
  fill(&random, 1e-3);
  scale_blocks(0, 4, 0.05); /* 26 dB lower */
  scale_blocks(50, 51, 0.0);
  scale_blocks(120, 130, 0.2); /* 14 dB: quieter, but not away */
  count_all(N);
  assert_true(mt_burst_range_db(&burst) < 6.0); /* fewer than a tenth of the blocks */
  assert_true(mt_burst_find_away(&burst, &away));
  assert_near(away.begin_s, 0.0, 1e-12, "s");
  assert_near(away.end_s, 51 * 0.05, 1e-12, "s");
  assert_near(away.total_s, 5 * 0.05, 1e-12, "s");
}

static void silence_and_short_records_range_by_nothing(void **state)
{
  mt_burst_away away;
  (void)state;
  memset(x, 0, sizeof x);
  count_all(N);
  assert_near(mt_burst_range_db(&burst), 0.0, 0.01, "dB"); /* a cell */
  assert_false(mt_burst_find_away(&burst, &away));
  count_all(7 * BLOCK);
  assert_near(mt_burst_range_db(&burst), 0.0, 0.0, "dB");
  assert_false(mt_burst_find_away(&burst, &away));
  count_all(0);
  assert_false(mt_burst_find_away(&burst, &away));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(steady_noise_hardly_ranges),
      cmocka_unit_test(one_loud_block_is_the_range),
      cmocka_unit_test(a_short_absence_is_found_where_it_is),
      cmocka_unit_test(silence_and_short_records_range_by_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
