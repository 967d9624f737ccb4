#include "support.h"

#include "audio/ring.h"
#include "base/random.h"

#include <pthread.h>
#include <sched.h>

#define FRAMES ((size_t)1 << 20)

static void a_ring_gives_back_what_was_put_in_across_its_end(void **state)
{
  mt_ring ring = {0};
  mt_error err = {0};
  float in[3 * 8], out[3 * 8];
  (void)state;
  assert_ok(mt_ring_init(&ring, 7, 3, &err), err);
  assert_int_equal(ring.capacity, 8);
  for (size_t round = 0; round < 100; round++) {
    size_t n = 1 + round % 8;
    for (size_t i = 0; i < 3 * n; i++)
      in[i] = (float)(round * 100 + i);
    assert_int_equal(mt_ring_writable(&ring), 8);
    assert_int_equal(mt_ring_write(&ring, in, n), n);
    assert_int_equal(mt_ring_readable(&ring), n);
    assert_int_equal(mt_ring_read(&ring, out, 8), n);
    assert_memory_equal(in, out, 3 * n * sizeof(float));
  }
  mt_ring_finish(&ring);
}

static void a_full_ring_takes_no_more_and_an_empty_one_gives_none(void **state)
{
  mt_ring ring = {0};
  mt_error err = {0};
  float frames[20] = {0.0f};
  (void)state;
  assert_ok(mt_ring_init(&ring, 8, 2, &err), err);
  assert_int_equal(mt_ring_read(&ring, frames, 4), 0);
  assert_int_equal(mt_ring_write(&ring, frames, 5), 5);
  assert_int_equal(mt_ring_write(&ring, frames, 5), 3);
  assert_int_equal(mt_ring_write(&ring, frames, 5), 0);
  assert_int_equal(mt_ring_writable(&ring), 0);
  assert_int_equal(mt_ring_read(&ring, frames, 10), 8);
  mt_ring_finish(&ring);
}

static void the_counts_may_wrap(void **state)
{
  mt_ring ring = {0};
  mt_error err = {0};
  float in[5] = {1, 2, 3, 4, 5}, out[5];
  (void)state;
  assert_ok(mt_ring_init(&ring, 8, 1, &err), err);
  atomic_store(&ring.written, (size_t)-3);
  atomic_store(&ring.taken, (size_t)-3);
  assert_int_equal(mt_ring_write(&ring, in, 5), 5);
  assert_int_equal(mt_ring_readable(&ring), 5);
  assert_int_equal(mt_ring_writable(&ring), 3);
  assert_int_equal(mt_ring_read(&ring, out, 5), 5);
  assert_memory_equal(in, out, sizeof in);
  mt_ring_finish(&ring);
}

static void a_ring_that_cannot_be_is_refused(void **state)
{
  mt_ring ring = {0};
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_ring_init(&ring, SIZE_MAX, 2, &err), MT_E_MEMORY);
  assert_int_equal(mt_ring_init(&ring, 16, 0, &err), MT_E_MEMORY);
  assert_null(ring.data);
  mt_ring_finish(&ring);
}

typedef struct writing {
  mt_ring *ring;
  uint64_t seed;
} writing;

/* Frame n is (n, -n), written in pieces of any size. */
static void *write_all(void *ctx)
{
  writing *w = ctx;
  mt_random random;
  float block[2 * 256];
  size_t sent = 0;
  mt_random_init(&random, w->seed);
  while (sent < FRAMES) {
    size_t n = 1 + mt_random_bits(&random) % 256;
    if (n > FRAMES - sent)
      n = FRAMES - sent;
    for (size_t i = 0; i < n; i++) {
      block[2 * i] = (float)(sent + i);
      block[2 * i + 1] = -(float)(sent + i);
    }
    for (size_t done = 0; done < n;) {
      size_t wrote = mt_ring_write(w->ring, block + 2 * done, n - done);
      done += wrote;
      if (wrote == 0)
        sched_yield();
    }
    sent += n;
  }
  return NULL;
}

static void two_threads_lose_and_reorder_nothing(void **state)
{
  mt_ring ring = {0};
  mt_error err = {0};
  mt_random random;
  writing w = {&ring, support_seed(11)};
  pthread_t thread;
  float block[2 * 300];
  size_t got = 0, wrong = 0;
  (void)state;
  assert_ok(mt_ring_init(&ring, 1000, 2, &err), err);
  mt_random_init(&random, w.seed + 1);
  assert_int_equal(pthread_create(&thread, NULL, write_all, &w), 0);
  while (got < FRAMES) {
    size_t n = mt_ring_read(&ring, block, 1 + mt_random_bits(&random) % 300);
    for (size_t i = 0; i < n; i++, got++) /* exact in float: below 2^24 */
      wrong += block[2 * i] != (float)got || block[2 * i + 1] != -(float)got;
    if (n == 0)
      sched_yield();
  }
  assert_int_equal(pthread_join(thread, NULL), 0);
  assert_int_equal(wrong, 0);
  assert_int_equal(mt_ring_readable(&ring), 0);
  mt_ring_finish(&ring);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_ring_gives_back_what_was_put_in_across_its_end),
      cmocka_unit_test(a_full_ring_takes_no_more_and_an_empty_one_gives_none),
      cmocka_unit_test(the_counts_may_wrap),
      cmocka_unit_test(a_ring_that_cannot_be_is_refused),
      cmocka_unit_test(two_threads_lose_and_reorder_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
