/** @file session.h  What the files of the session share. */
#ifndef SESSION_SESSION_H
#define SESSION_SESSION_H

#include <mendtone/session.h>

/** A sound card starts late and a unit delays: listen on for this long after the stimulus, s. */
#define MT_SESSION_AFTER_S 1.0
/** Finding of a take in which nothing of what was played arrived. */
#define MT_FIND_NOTHING "nothing-arrives"

/** The state of the plan that the options name, or NULL. */
const mt_plan_state *mt_session_plan_state(const mt_session_options *options);

/**
 * Judge by the plan; a stimulus take without one by the built-in plan, a plain recording not at all. Takes over the
 * options' answers.
 */
mt_code mt_session_judge(const mt_session_options *options, mt_results *results, mt_error *err);

#endif
