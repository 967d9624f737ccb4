/** @file walk.h  A walk through states, and the folder it is kept in. */
#ifndef SESSION_WALK_H
#define SESSION_WALK_H

#include <mendtone/walk.h>

typedef struct mt_walk_state {
  mt_walk_mark mark;
  mt_results *results; /**< of a state that is taken */
  char *stem;          /**< FOLDER/take-STATE, NULL without a folder */
} mt_walk_state;

struct mt_walk {
  mt_session_options options;
  char *folder;          /**< NULL: nothing is kept */
  int lock;              /**< the folder, open and locked; -1: none */
  mt_walk_state *states; /**< [options.plan->nstates] */
  size_t nresumed;
  mt_answer *answers; /**< owned; options.answers points here */
  size_t nanswers;
};

/** Make or open the folder, lock it, name the files, and take over what an earlier walk kept. */
mt_code mt_walk_folder_open(mt_walk *walk, mt_error *err);

/** Write what was skipped and answered. Nothing without a folder. */
mt_code mt_walk_folder_note(const mt_walk *walk, mt_error *err);

/** A name of FOLDER/take-STATE with an ending. malloc'ed; NULL: out of memory. */
char *mt_walk_folder_name(const mt_walk_state *state, const char *ending);

/**
 * Put a finished take and its results in place of an earlier one. The take lies in STEM.new.wav; with its readings in
 * STEM.new.json it is whole, and what ends the program from there on loses neither.
 */
mt_code mt_walk_folder_keep(const mt_walk_state *state, mt_results *results, mt_error *err);

#endif
