/**
 * @file walk.h  A plan with states: one take for each position of the unit's switches and knobs, one result of all.
 *
 * The caller leads the person at the bench from state to state; the walk takes, keeps what is done, goes on where an
 * earlier one stopped, and puts everything together. It never asks and never waits.
 */
#ifndef MENDTONE_WALK_H
#define MENDTONE_WALK_H

#include <mendtone/session.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct mt_walk mt_walk;

typedef enum mt_walk_mark {
  MT_WALK_OPEN, /**< still to be taken */
  MT_WALK_TAKEN,
  MT_WALK_SKIPPED /**< left out: its limits are undecided */
} mt_walk_mark;

/**
 * Begin, or go on where an earlier walk stopped.
 *
 * With a folder each finished take is kept there, take-STATE.wav with its readings in take-STATE.json, the plan as
 * used in plan-as-used.plan, and what was skipped and answered in walk.cfg. Each is written whole or not at all, so
 * that whatever ends the program loses no finished take. The folder is made if its parent is there; one walk at a
 * time may use it.
 *
 * @param options  copied; what it points to is borrowed until the walk is destroyed. `plan` has states; `state` and
 *                 `save_take` are not looked at; `answers` count unless the folder holds others to the same question.
 * @param folder   NULL: nothing is kept.
 * @return MT_OK; MT_E_ARG: no states, or the folder was begun with another plan or other options (the message says
 *         which), or is in use; MT_E_DATA, MT_E_PLAN: what is kept there is damaged; MT_E_CREATE; MT_E_IO; MT_E_MEMORY.
 */
mt_code mt_walk_create(const mt_session_options *options, const char *folder, mt_walk **out, mt_error *err);

/** How many states were found taken or skipped in the folder. */
size_t mt_walk_count_resumed(const mt_walk *walk);

/** @param index  of the plan's states. */
mt_walk_mark mt_walk_get_mark(const mt_walk *walk, size_t index);

/** What a state's take was found to say, unjudged; NULL if it is not taken. Valid until it is taken again. */
const mt_results *mt_walk_get_results(const mt_walk *walk, size_t index);

/** The stimulus of a state. */
mt_code mt_walk_stimulus(const mt_walk *walk, size_t index, mt_stimulus *out, mt_error *err);

/**
 * Play and capture a state, or listen to a player if the options say so; read it and keep it. A state that was taken
 * before keeps its earlier take until the new one is complete.
 *
 * @return as mt_session_check(), or why it cannot be kept.
 */
mt_code mt_walk_take(mt_walk *walk, size_t index, mt_error *err);

/**
 * Read a state from a recording of its stimulus instead. Nothing is kept of it.
 *
 * @param known  what else is known of the recording: `known`, `nknown` and `play_aligned` are looked at.
 * @return as mt_session_analyse(); MT_E_DATA: it does not hold the stimulus.
 */
mt_code mt_walk_read(mt_walk *walk, size_t index, const char *path, const mt_session_options *known,
                     mt_error *err);

/** Leave a state out. One that is taken stays taken. */
mt_code mt_walk_skip(mt_walk *walk, size_t index, mt_error *err);

/** File what was seen or read by hand, in place of an earlier answer to the same question. */
mt_code mt_walk_answer(mt_walk *walk, const mt_answer *answer, mt_error *err);

/** The answer to a question, or NULL. */
const mt_answer *mt_walk_find_answer(const mt_walk *walk, const char *ask);

/**
 * Put the states together in the plan's order, compare those that are to be compared, and judge.
 *
 * @return MT_E_ARG if a state is neither taken nor skipped, or all are skipped.
 */
mt_code mt_walk_finish(const mt_walk *walk, mt_results **out, mt_error *err);

/** Free all; accepts NULL and leaves NULL. What is kept in the folder stays. */
void mt_walk_destroy(mt_walk **walk);

#ifdef __cplusplus
}
#endif
#endif
