/** @file read.h  From a take to readings: what a live take and a recording have in common. */
#ifndef SESSION_READ_H
#define SESSION_READ_H

#include <mendtone/session.h>

#include "session/rig_use.h"

/**
 * Read a take, keep what its state is about, judge unless the options say not to.
 *
 * @param location  NULL: neither mark was found, it is a plain recording.
 * @return MT_OK; MT_E_DATA: neither a steady tone nor steady noise; what the reading returns.
 */
mt_code mt_session_read_take(mt_take *take, const mt_stimulus *stimulus, const mt_location *location,
                             const mt_session_options *options, mt_rig_in_use *rig, mt_results **out,
                             mt_error *err);

/** What mt_session_locate() found. */
typedef struct mt_located {
  size_t which; /**< of the stimuli */
  mt_marks_found found;
  mt_location location; /**< if both marks were found */
  mt_results *in_part;  /**< not NULL: what can be read of a run that lost frames between its marks */
} mt_located;

/** Find where one of several stimuli lies. Zero `out` before. As mt_capture_locate_among() but for the broken runs. */
mt_code mt_session_locate(const mt_take *take, const mt_stimulus *stimuli, size_t nstimuli,
                          const mt_session_options *options, mt_rig_in_use *rig, mt_located *out,
                          mt_error *err);

/** From what was recorded to verdicts: of the stimulus if both marks are there, else of a plain recording. */
mt_code mt_session_read_recorded(mt_take **io, const mt_session_options *options, mt_rig_in_use *rig,
                                 mt_results **out, mt_error *err);

/** A capture in which nothing can be measured at all is refused outright. MT_E_DATA. */
mt_code mt_session_refuse_dead(const mt_take *take, mt_error *err);

/** A sound card opened with all its inputs: the unit sits on the first two. */
void mt_session_keep_pair(mt_take *take);

#endif
