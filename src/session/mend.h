/**
 * @file mend.h  A take that lost or repeated frames in one place: find the segment, leave it out, read the rest.
 *
 * Nothing tells directly where frames are missing; but put back in the wrong segment they leave the right one
 * broken, and the checks of each segment see that. So each segment is tried in turn.
 */
#ifndef SESSION_MEND_H
#define SESSION_MEND_H

#include <mendtone/analysis.h>

/** The longest stretch of frames that is put back, s. */
#define MT_MEND_LONGEST_S 0.5

/**
 * Read a take of whose two marks the second comes too early or too late.
 *
 * @param start_frame  stimulus time 0, from the first mark, to a few frames.
 * @param late_frames  by how much the second mark is late against the first, to 100 frames and whatever a clock
 *                     within 1600 ppm adds; negative: early, so that frames were lost.
 * @param out          Results in which the segment that may hold the fault is a dropout, times those of the take. NULL
 *                     if it cannot be told: the caller keeps what he had.
 * @return MT_OK, also with NULL; MT_E_MEMORY.
 */
mt_code mt_mend_read(const mt_take *take, const mt_stimulus *stimulus, const mt_measure_options *measure,
                     double start_frame, double late_frames, mt_results **out, mt_error *err);

#endif
