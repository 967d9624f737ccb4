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
 * The search, a block of a few seconds at a time: who asks for what he needs alone spares the rest.
 * Borrows the take. Not to be shared between threads.
 *
 * Matched filter, by overlapping transforms. Only the part of the marks' band in which a clock offset of
 * 1500 ppm does not blur them is used. What counts is the chirp's share of the energy in that part while the
 * mark would last, so level does not matter and nothing else that is loud passes for a mark. In noise the share
 * exceeds s with probability exp(-s B T), B T the time-bandwidth product of that part (750 to 900 for the
 * default marks).
 */
typedef struct mt_search mt_search;

/** @return MT_OK; MT_E_MEMORY. */
mt_code mt_search_create(const mt_take *take, const mt_segment *const marks[SEARCH_MARKS], mt_search **out,
                         mt_error *err);
void mt_search_destroy(mt_search **search);

size_t mt_search_count_blocks(const mt_search *search);
/** The block in which a mark that begins at a frame is seen; the nearest block outside the take. */
size_t mt_search_block_at(const mt_search *search, double frame);

/**
 * Where in one block of a channel one of the marks may begin: ascending, at least half its length apart. A mark
 * that begins where two blocks meet may be seen in both.
 *
 * @param out  [*nout], borrowed until the next look.
 * @return MT_OK; MT_E_MEMORY.
 */
mt_code mt_search_look(mt_search *search, unsigned channel, unsigned mark, size_t block,
                       const mt_sighting **out, size_t *nout, mt_error *err);

#endif
