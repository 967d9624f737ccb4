/** @file check.h  What the files of the command "check" share: check.c is the way in, check_*.c its parts. */
#ifndef CLI_CHECK_H
#define CLI_CHECK_H

#include "cli/cli.h"

#include <mendtone/walk.h>

/** What was given. */
typedef struct check_options {
  cli_reading reading; /* first: the shared options' offsets count from here */
  const char *input;
  const char *output;
  const char *simulate;
  const char *take;
  const char *keep;
  const char *keep_name; /* what it is called to a person */
  bool assume_set;
  bool yes;
  bool from_player;
  double wait_s;          /**< NAN: not given */
  double find_level_dbfs; /**< NAN: not asked for */
  double find_peak_dbfs;  /**< NAN: not given */
} check_options;

/** Somebody sits at a terminal, and is to be asked. */
bool check_is_attended(const check_options *given);

/**
 * Say what to be careful about, and wait; only at a terminal, and only if the devices are there.
 *
 * @param session         whose devices would be opened.
 * @param max_level_dbfs  of the loudest tone, the others at level_dbfs.
 * @param finds_level     NULL, or set if the person wants the level found first.
 * @return MT_E_ARG if the answer was no; what mt_session_check_devices() returns.
 */
mt_code check_caution(const check_options *given, const mt_session_options *session, double level_dbfs,
                      double max_level_dbfs, bool *finds_level, mt_error *err);

/** Put a question to the terminal and read one line, without its end. @return false at the end of input. */
bool check_ask(const char *prompt, char *line, size_t size);

/** Say which load the plan wants in a state, and what it must bear; nothing where the plan says nothing of loads. */
void check_describe_load(const mt_plan *plan, const mt_walk *walk, size_t index);

/** Forget what was typed while nothing was asked: an Enter too many is no answer to the next question. */
void check_forget_keys(void);

/**
 * Visit the states of the session's plan one by one, and ask what is to be asked.
 *
 * @param stopped  set if the person stopped; there are no results then, and no error.
 */
mt_code check_states(const check_options *given, const mt_session_options *session, mt_results **results,
                     bool *stopped, mt_error *err);

/**
 * Ask what the plan asks by hand and no answer is known to; only at a terminal.
 *
 * @param known   find the answer to a question, or NULL.
 * @param answer  called for each new answer.
 */
mt_code check_by_hand(const check_options *given, const mt_plan *plan,
                      const mt_answer *(*known)(void *ctx, const char *ask),
                      mt_code (*answer)(void *ctx, const mt_answer *answer, mt_error *err), void *ctx,
                      mt_error *err);

#endif
