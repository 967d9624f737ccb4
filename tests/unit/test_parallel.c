#include "support.h"

#include "base/parallel.h"

#include <sched.h>
#include <stdatomic.h>
#include <unistd.h>

#define PIECES 500

typedef struct tally {
  atomic_int times[PIECES];
  atomic_int busy[MT_WORKERS];
  atomic_int most_busy; /* by one worker at once */
  atomic_bool second_worker;
  size_t fails_from; /* pieces from this on fail */
} tally;

static mt_code count_piece(void *context, size_t item, unsigned worker, mt_error *err)
{
  tally *t = context;

  if (worker >= MT_WORKERS)
    return mt_fail(err, MT_E_INTERNAL, "worker %u", worker);
  if (atomic_fetch_add(&t->busy[worker], 1) > 0)
    atomic_store(&t->most_busy, 2);
  if (worker > 0)
    atomic_store(&t->second_worker, true);
  atomic_fetch_add(&t->times[item], 1);
  if (item % 7 == 0)
    usleep(50); /* some are slower */
  atomic_fetch_sub(&t->busy[worker], 1);
  return item >= t->fails_from ? mt_fail(err, MT_E_DATA, "piece %zu", item) : MT_OK;
}

static void each_piece_is_done_once(void **state)
{
  static tally t;
  mt_error err = {0};

  (void)state;
  for (size_t count = 0; count <= PIECES; count += count < 3 ? 1 : 497) {
    memset(&t, 0, sizeof t);
    t.fails_from = PIECES;
    assert_ok(mt_parallel(count, count_piece, &t, &err), err);
    for (size_t i = 0; i < PIECES; i++)
      assert_int_equal(atomic_load(&t.times[i]), i < count);
    assert_int_equal(atomic_load(&t.most_busy), 0);
  }
}

/* As if they had been done one after the other: the first to fail tells, and what was begun is done. */
static void the_first_failure_in_order_is_told(void **state)
{
  static tally t;

  (void)state;
  for (size_t from = 0; from < 40; from++) {
    mt_error err = {0};
    char want[32];
    memset(&t, 0, sizeof t);
    t.fails_from = from;
    assert_int_equal(mt_parallel(PIECES, count_piece, &t, &err), MT_E_DATA);
    snprintf(want, sizeof want, "piece %zu", from);
    assert_string_equal(err.message, want);
    for (size_t i = 0; i <= from; i++)
      assert_int_equal(atomic_load(&t.times[i]), 1);
    for (size_t i = from + MT_WORKERS; i < PIECES; i++)
      assert_int_equal(atomic_load(&t.times[i]), 0);
  }
  assert_int_equal(mt_parallel(PIECES, count_piece, &t, NULL), MT_E_DATA);
}

static void one_processor_takes_one_worker(void **state)
{
  static tally t;
  cpu_set_t all, one;
  mt_error err = {0};
  mt_code code;

  (void)state;
  assert_int_equal(sched_getaffinity(0, sizeof all, &all), 0);
  CPU_ZERO(&one);
  for (size_t i = 0; i < CPU_SETSIZE && CPU_COUNT(&one) == 0; i++)
    if (CPU_ISSET(i, &all))
      CPU_SET(i, &one);
  memset(&t, 0, sizeof t);
  t.fails_from = PIECES;
  assert_int_equal(sched_setaffinity(0, sizeof one, &one), 0);
  code = mt_parallel(PIECES, count_piece, &t, &err);
  assert_int_equal(sched_setaffinity(0, sizeof all, &all), 0);
  assert_ok(code, err);
  assert_false(atomic_load(&t.second_worker));
}

/* Each of two pieces waits for the other one to have begun. */
static mt_code meet(void *context, size_t item, unsigned worker, mt_error *err)
{
  tally *t = context;

  (void)worker;
  atomic_store(&t->times[item], 1);
  for (int i = 0; i < 20000; i++) {
    if (atomic_load(&t->times[1 - item]) == 1)
      return MT_OK;
    usleep(500);
  }
  return mt_fail(err, MT_E_INTERNAL, "piece %zu waited for the other one in vain", item);
}

static void two_processors_work_at_once(void **state)
{
  static tally t;
  cpu_set_t all;
  mt_error err = {0};

  (void)state;
  assert_int_equal(sched_getaffinity(0, sizeof all, &all), 0);
  if (CPU_COUNT(&all) < 2) {
    print_message("one processor only: that two work at once is not tried\n");
    return;
  }
  assert_ok(mt_parallel(2, meet, &t, &err), err);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(each_piece_is_done_once),
      cmocka_unit_test(the_first_failure_in_order_is_told),
      cmocka_unit_test(one_processor_takes_one_worker),
      cmocka_unit_test(two_processors_work_at_once),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
