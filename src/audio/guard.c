#include "audio/guard.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define POLL_S 0.002

struct mt_guard {
  mt_guard_job job;
  void *ctx;
  void (*release)(void *ctx);
  atomic_uint steps;
  atomic_int thread; /* as the system numbers it; 0 before it runs */
  atomic_bool done;
  atomic_bool left;   /* the caller has gone */
  atomic_int holders; /* the caller and the thread */
};

/* Jobs that run, hanging ones among them. PortAudio is one for the whole process. */
static atomic_int running;

/* Where stderr really goes while it is quiet; -1 when it is not. */
static int real_stderr = -1;
static pthread_mutex_t stderr_lock = PTHREAD_MUTEX_INITIALIZER;

double mt_guard_now_s(void)
{
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

void mt_guard_sleep(double seconds)
{
  struct timespec left;
  left.tv_sec = (time_t)seconds;
  left.tv_nsec = (long)((seconds - (double)left.tv_sec) * 1e9);
  while (nanosleep(&left, &left) != 0 && errno == EINTR)
    ;
}

static void let_go(mt_guard *guard)
{
  if (atomic_fetch_sub(&guard->holders, 1) != 1)
    return;
  guard->release(guard->ctx);
  free(guard);
}

static void *run_job(void *arg)
{
  mt_guard *guard = arg;
  atomic_store(&guard->thread, (int)gettid());
  guard->job(guard, guard->ctx);
  atomic_fetch_sub(&running, 1);
  atomic_store(&guard->done, true);
  let_go(guard);
  return NULL;
}

mt_code mt_guard_start(mt_guard_job job, void *ctx, void (*release)(void *ctx), mt_guard **out, mt_error *err)
{
  mt_guard *guard;
  pthread_attr_t attributes;
  pthread_t thread;
  int idle = 0, problem;

  if (!atomic_compare_exchange_strong(&running, &idle, 1))
    return mt_fail(err, MT_E_DEVICE, "the sound system still hangs from before; start the program again");
  guard = calloc(1, sizeof *guard);
  if (guard == NULL) {
    atomic_store(&running, 0);
    return mt_fail(err, MT_E_MEMORY, "out of memory for the sound system");
  }
  guard->job = job;
  guard->ctx = ctx;
  guard->release = release;
  atomic_init(&guard->holders, 2);
  pthread_attr_init(&attributes);
  pthread_attr_setdetachstate(&attributes, PTHREAD_CREATE_DETACHED);
  problem = pthread_create(&thread, &attributes, run_job, guard);
  pthread_attr_destroy(&attributes);
  if (problem != 0) {
    free(guard);
    atomic_store(&running, 0);
    return mt_fail(err, MT_E_MEMORY, "no thread can be started for the sound system");
  }
  *out = guard;
  return MT_OK;
}

void mt_guard_step(mt_guard *guard)
{
  atomic_fetch_add(&guard->steps, 1);
}

bool mt_guard_is_left(mt_guard *guard)
{
  return atomic_load(&guard->left);
}

bool mt_guard_is_done(mt_guard *guard)
{
  return atomic_load(&guard->done);
}

/*
 * How often the thread has been put to sleep and woken: a call that hangs waits for one thing without end, a slow one
 * for one thing after the other. 0 where the system does not tell.
 */
static unsigned long count_naps(const mt_guard *guard)
{
  char path[64], line[128];
  unsigned long count = 0;
  FILE *file;

  snprintf(path, sizeof path, "/proc/self/task/%d/status", atomic_load(&guard->thread));
  file = fopen(path, "re");
  while (file != NULL && fgets(line, sizeof line, file) != NULL)
    if (strncmp(line, "voluntary_ctxt_switches:", 24) == 0)
      count = strtoul(line + 24, NULL, 10);
  if (file != NULL)
    fclose(file);
  return count;
}

bool mt_guard_wait_flag(mt_guard *guard, const atomic_bool *flag, double patience_s, double most_s)
{
  unsigned seen = atomic_load(&guard->steps);
  double stepped_s = mt_guard_now_s(), lived_s = stepped_s;
  bool looks = most_s > patience_s, counted = false;
  unsigned long naps = 0;

  while (!atomic_load(&guard->done) && (flag == NULL || !atomic_load(flag))) {
    unsigned steps = atomic_load(&guard->steps);
    double now = mt_guard_now_s();
    if (steps != seen) {
      seen = steps;
      stepped_s = lived_s = now;
      counted = false;
    } else if (looks && !counted && now - lived_s > 0.5 * patience_s) {
      naps = count_naps(guard);
      counted = true;
    } else if (now - lived_s > patience_s) {
      if (!counted || count_naps(guard) == naps || now - stepped_s > most_s) {
        mt_guard_loud(); /* the job may hang while it is quiet */
        return false;
      }
      lived_s = now;
      counted = false;
    }
    mt_guard_sleep(POLL_S);
  }
  return true;
}

bool mt_guard_wait(mt_guard *guard, double patience_s)
{
  return mt_guard_wait_flag(guard, NULL, patience_s, patience_s);
}

void mt_guard_leave(mt_guard **guard)
{
  if (*guard == NULL)
    return;
  atomic_store(&(*guard)->left, true);
  let_go(*guard);
  *guard = NULL;
}

static void quiet(void)
{
  int nowhere = open("/dev/null", O_WRONLY | O_CLOEXEC);
  int real = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, 3);

  if (nowhere >= 0 && real >= 0 && dup2(nowhere, STDERR_FILENO) >= 0)
    real_stderr = real;
  else if (real >= 0)
    close(real);
  if (nowhere >= 0)
    close(nowhere);
}

void mt_guard_quiet(void)
{
  pthread_mutex_lock(&stderr_lock);
  if (real_stderr < 0)
    quiet();
  pthread_mutex_unlock(&stderr_lock);
}

void mt_guard_loud(void)
{
  pthread_mutex_lock(&stderr_lock);
  if (real_stderr >= 0) {
    dup2(real_stderr, STDERR_FILENO);
    close(real_stderr);
    real_stderr = -1;
  }
  pthread_mutex_unlock(&stderr_lock);
}
