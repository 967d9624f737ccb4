/**
 * @file guard.h  A sound system can hang in any call. So every call is made in a thread of its own, and the
 * caller waits no longer than it said.
 *
 * A job that hangs is left behind, with its memory; until it comes back no other can be started.
 */
#ifndef AUDIO_GUARD_H
#define AUDIO_GUARD_H

#include <mendtone/error.h>

#include <stdatomic.h>
#include <stdbool.h>

typedef struct mt_guard mt_guard;

/** What the thread does. It calls mt_guard_step() whenever it gets on. */
typedef void (*mt_guard_job)(mt_guard *guard, void *ctx);

/**
 * Start a job.
 *
 * @param release  Frees ctx; called once, by whichever of the two leaves last. On failure not called.
 * @return MT_E_DEVICE while an earlier job still hangs; MT_E_MEMORY.
 */
mt_code mt_guard_start(mt_guard_job job, void *ctx, void (*release)(void *ctx), mt_guard **out,
                       mt_error *err);

/** From the job: something was done. */
void mt_guard_step(mt_guard *guard);
/** From the job: whether the caller has gone. */
bool mt_guard_is_left(mt_guard *guard);

/** From the caller: wait until the job ends. @return false if it made no step for `patience_s`. */
bool mt_guard_wait(mt_guard *guard, double patience_s);
/**
 * From the caller: wait until the flag (may be NULL) is set or the job ends.
 *
 * @param most_s  for how long one step may take if its thread is at least not fast asleep; patience_s: no longer.
 * @return false as above.
 */
bool mt_guard_wait_flag(mt_guard *guard, const atomic_bool *flag, double patience_s, double most_s);
bool mt_guard_is_done(mt_guard *guard);

/** From the caller, always, last: let go of the job whether it ended or hangs. Leaves NULL. */
void mt_guard_leave(mt_guard **guard);

/** Seconds of a clock that is never set. */
double mt_guard_now_s(void);
void mt_guard_sleep(double seconds);

/**
 * Sound libraries write what they look for and do not find to stderr, a hundred lines of it, and more when a stream
 * breaks. Send all that the process writes there nowhere until mt_guard_loud(). Either thread may call both, also
 * twice.
 */
void mt_guard_quiet(void);
void mt_guard_loud(void);

#endif
