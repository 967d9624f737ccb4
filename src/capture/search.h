/** @file search.h  Where in a take a mark may begin: the coarse search, over every channel. */
#ifndef CAPTURE_SEARCH_H
#define CAPTURE_SEARCH_H

#include <mendtone/stimulus.h>
#include <mendtone/take.h>

/** The two marks of a stimulus, by place. */
enum { SEARCH_START, SEARCH_END, SEARCH_MARKS };

/** Something that looks like a mark in part of its band. */
typedef struct mt_sighting {
  unsigned channel; /**< of the take */
  unsigned mark;    /**< SEARCH_START or SEARCH_END */
  double frame;     /**< about where the mark begins: within 0.5 ms */
  double share;     /**< of the energy in the searched part of the band, 0 ... 1 */
} mt_sighting;

/**
 * Search every channel for both marks by matched filter, by overlapping transforms.
 *
 * Only the part of the marks' band in which a clock offset of 1500 ppm does not blur them is
 * used. What counts is the chirp's share of the energy in that part while the mark would last, so
 * level does not matter and nothing else that is loud passes for a mark. In noise the share
 * exceeds s with probability exp(-s B T), B T the time-bandwidth product of that part (750 to 900
 * for the default marks): at the limit of 0.05, 1e-16 for one place and 1e-10 for an hour.
 *
 * @param marks  Borrowed; both MT_SEGMENT_MARK of the same band, which lies below half the rate.
 * @param out    malloc'ed, freed by the caller; channel by channel, and for each mark in order of time.
 * @return MT_OK, also with *nout = 0; MT_E_MEMORY. `out` is unchanged on failure.
 *
 * Memory: 30 to 40 bytes for each frame of a block of five marks, whatever the take's length, and the sightings.
 */
mt_code mt_search_marks(const mt_take *take, const mt_segment *const marks[SEARCH_MARKS], mt_sighting **out,
                        size_t *nout, mt_error *err);

#endif
