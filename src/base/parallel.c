#include "base/parallel.h"

#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <stdbool.h>
#include <string.h>

typedef struct work {
  size_t count;
  mt_piece piece;
  void *context;
  pthread_mutex_t lock; /* of all below */
  size_t next;
  size_t failed; /* the first piece that did, or count */
  mt_code code;
  mt_error err;
} work;

/* @return false if there is nothing left to begin. */
static bool take_one(work *w, size_t *item)
{
  bool any;

  pthread_mutex_lock(&w->lock);
  any = w->next < w->count && w->failed == w->count;
  if (any)
    *item = w->next++;
  pthread_mutex_unlock(&w->lock);
  return any;
}

static void note_failure(work *w, size_t item, mt_code code, const mt_error *err)
{
  pthread_mutex_lock(&w->lock);
  if (item < w->failed) {
    w->failed = item;
    w->code = code;
    w->err = *err;
  }
  pthread_mutex_unlock(&w->lock);
}

static void work_on(work *w, unsigned worker)
{
  size_t item;

  while (take_one(w, &item)) {
    mt_error err = {0};
    mt_code code = w->piece(w->context, item, worker, &err);
    if (code != MT_OK)
      note_failure(w, item, code, &err);
  }
}

static void *help(void *w)
{
  work_on(w, 1);
  return NULL;
}

static bool has_one_processor(void)
{
  cpu_set_t set;
  return sched_getaffinity(0, sizeof set, &set) == 0 && CPU_COUNT(&set) < 2;
}

/* Signals are for the thread that knows what to do about them. */
static bool start(pthread_t *thread, work *w)
{
  sigset_t all, before;
  bool started;

  sigfillset(&all);
  pthread_sigmask(SIG_SETMASK, &all, &before);
  started = pthread_create(thread, NULL, help, w) == 0;
  pthread_sigmask(SIG_SETMASK, &before, NULL);
  return started;
}

mt_code mt_parallel(size_t count, mt_piece piece, void *context, mt_error *err)
{
  work w = {.count = count,
            .piece = piece,
            .context = context,
            .lock = PTHREAD_MUTEX_INITIALIZER,
            .failed = count,
            .code = MT_OK};
  pthread_t thread;
  bool helped = count > 1 && !has_one_processor() && start(&thread, &w);

  work_on(&w, 0);
  if (helped)
    pthread_join(thread, NULL);
  pthread_mutex_destroy(&w.lock);
  if (w.code != MT_OK && err != NULL)
    *err = w.err;
  return w.code;
}
