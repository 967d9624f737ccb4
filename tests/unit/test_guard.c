#include "support.h"

#include "audio/guard.h"

#include <unistd.h>

/* A job that works for so many steps of so long, and counts its own release. */
typedef struct work {
  int nsteps;
  double step_s;
  atomic_bool halfway;
} work;

static atomic_int nreleased;

static void release(void *ctx)
{
  free(ctx);
  atomic_fetch_add(&nreleased, 1);
}

static void do_work(mt_guard *guard, void *ctx)
{
  work *w = ctx;
  for (int i = 0; i < w->nsteps; i++) {
    mt_guard_sleep(w->step_s);
    if (2 * i >= w->nsteps)
      atomic_store(&w->halfway, true);
    mt_guard_step(guard);
  }
}

static work *start(int nsteps, double step_s, mt_guard **guard)
{
  work *w = calloc(1, sizeof *w);
  mt_error err = {0};
  assert_non_null(w);
  w->nsteps = nsteps;
  w->step_s = step_s;
  assert_ok(mt_guard_start(do_work, w, release, guard, &err), err);
  return w;
}

static void wait_released(int want)
{
  for (int i = 0; i < 2000 && atomic_load(&nreleased) < want; i++)
    mt_guard_sleep(0.001);
  assert_int_equal(atomic_load(&nreleased), want);
}

static void a_job_that_gets_on_is_waited_for(void **state)
{
  mt_guard *guard = NULL;
  work *w = start(20, 0.01, &guard); /* longer in all than the patience for each step */
  (void)state;
  atomic_store(&nreleased, 0);
  assert_true(mt_guard_wait_flag(guard, &w->halfway, 0.15, 0.15));
  assert_true(mt_guard_wait(guard, 0.15));
  assert_true(mt_guard_is_done(guard));
  mt_guard_leave(&guard);
  assert_null(guard);
  wait_released(1);
}

static void a_job_that_hangs_is_left_and_blocks_the_next_until_it_is_back(void **state)
{
  mt_guard *guard = NULL, *second = NULL;
  mt_error err = {0};
  double began_s = mt_guard_now_s();
  (void)state;
  atomic_store(&nreleased, 0);
  start(1, 0.6, &guard);
  assert_false(mt_guard_wait(guard, 0.1));
  assert_between(mt_guard_now_s() - began_s, 0.1, 0.55, "s");
  mt_guard_leave(&guard);
  assert_int_equal(atomic_load(&nreleased), 0); /* it may still use what it was given */
  assert_int_equal(mt_guard_start(do_work, NULL, release, &second, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "start the program again"));
  wait_released(1);
  start(0, 0.0, &second);
  assert_true(mt_guard_wait(second, 1.0));
  mt_guard_leave(&second);
  wait_released(2);
}

/* One step of many short naps; and a step of one long one. */
static void nap(mt_guard *guard, void *ctx)
{
  work *w = ctx;
  (void)guard;
  for (int i = 0; i < w->nsteps; i++)
    mt_guard_sleep(w->step_s);
}

static void a_slow_call_is_told_from_one_that_hangs(void **state)
{
  static const struct {
    int nsteps;
    double step_s;
    double most_s;
    bool want;
  } table[] = {{50, 0.01, 5.0, true}, {1, 0.5, 5.0, false}, {100, 0.01, 0.3, false}};
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    mt_guard *guard = NULL;
    mt_error err = {0};
    work *w = calloc(1, sizeof *w);
    assert_non_null(w);
    atomic_store(&nreleased, 0);
    w->nsteps = table[i].nsteps;
    w->step_s = table[i].step_s;
    assert_ok(mt_guard_start(nap, w, release, &guard, &err), err);
    assert_int_equal(mt_guard_wait_flag(guard, NULL, 0.15, table[i].most_s), table[i].want);
    mt_guard_leave(&guard);
    wait_released(1);
  }
}

static void stderr_is_silenced_and_given_back(void **state)
{
  FILE *kept = tmpfile();
  int real = dup(STDERR_FILENO);
  char text[64] = "";
  (void)state;
  assert_non_null(kept);
  assert_true(dup2(fileno(kept), STDERR_FILENO) >= 0);
  dprintf(STDERR_FILENO, "a");
  mt_guard_quiet();
  mt_guard_quiet();
  dprintf(STDERR_FILENO, "b");
  mt_guard_loud();
  dprintf(STDERR_FILENO, "c");
  mt_guard_loud();
  dprintf(STDERR_FILENO, "d");
  assert_true(dup2(real, STDERR_FILENO) >= 0);
  close(real);
  rewind(kept);
  assert_non_null(fgets(text, sizeof text, kept));
  fclose(kept);
  assert_string_equal(text, "acd");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_job_that_gets_on_is_waited_for),
      cmocka_unit_test(a_job_that_hangs_is_left_and_blocks_the_next_until_it_is_back),
      cmocka_unit_test(a_slow_call_is_told_from_one_that_hangs),
      cmocka_unit_test(stderr_is_silenced_and_given_back),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
