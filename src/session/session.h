/** @file session.h  What the files of the session share. */
#ifndef SESSION_SESSION_H
#define SESSION_SESSION_H

#include <mendtone/session.h>

/** The state of the plan that the options name, or NULL. */
const mt_plan_state *mt_session_plan_state(const mt_session_options *options);

/**
 * Judge by the plan; a stimulus take without one by the built-in plan, a plain recording not at all. Takes over the
 * options' answers.
 */
mt_code mt_session_judge(const mt_session_options *options, mt_results *results, mt_error *err);

#endif
