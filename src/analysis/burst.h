/** @file burst.h  How the power of a long noise ranges from moment to moment, and when it was away. */
#ifndef ANALYSIS_BURST_H
#define ANALYSIS_BURST_H

#include "analysis/samples.h"

#include <stdint.h>

/** Blocks of 50 ms are counted by their power in cells of 0.01 dB, from -170 to +130 dB. */
#define MT_BURST_CELLS 30000
/** Where they are is kept by 1 dB. */
#define MT_BURST_PLACES 300

typedef struct mt_burst_place {
  uint32_t count;
  uint64_t first; /**< blocks */
  uint64_t last;
} mt_burst_place;

/** On its way through a record. Memory does not grow with it. */
typedef struct mt_burst {
  double rate_hz;
  size_t block;   /**< samples */
  uint64_t count; /**< blocks in the record; what is left over at its end is not looked at */
  uint64_t next;
  double loudest;
  uint32_t cells[MT_BURST_CELLS];
  mt_burst_place places[MT_BURST_PLACES];
} mt_burst;

void mt_burst_begin(mt_burst *burst, size_t n, double rate_hz);
mt_code mt_burst_advance(mt_burst *burst, mt_samples *samples, size_t upto, mt_error *err);

/**
 * How far the short-time powers range, dB: loudest over median or median over the quietest tenth, whichever
 * is more. What is slower than a block (DC, rumble) is taken off. 0 for a record of fewer than 8 blocks.
 */
double mt_burst_range_db(const mt_burst *burst);

/** How many blocks are louder than the median by so much. */
uint64_t mt_burst_count_louder(const mt_burst *burst, double db);
/** The second half of the range: median over the quietest tenth, dB. */
double mt_burst_fall_db(const mt_burst *burst);

/** When there was next to nothing. */
typedef struct mt_burst_away {
  double begin_s; /**< of the first such block */
  double end_s;   /**< of the last one */
  double total_s; /**< all of them */
} mt_burst_away;

/**
 * Blocks 20 dB and more below the median. Of noise with 20 degrees of freedom in a block (a band of 200 Hz) one block
 * in 10^16 is so low by chance (chi-square distribution); what is narrower is no longer steady by its range.
 *
 * @return false if there is none, or fewer than 8 blocks.
 */
bool mt_burst_find_away(const mt_burst *burst, mt_burst_away *out);

#endif
