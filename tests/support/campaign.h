/**
 * @file campaign.h  Faults of a capture, drawn at random, in an otherwise good unit: none may end in a pass.
 *
 * The plan holds every reading between two limits close to the truth of that unit, in closed form, so that it is
 * met only if the reading is right.
 */
#ifndef CAMPAIGN_H
#define CAMPAIGN_H

#include <mendtone/simulate.h>
#include <mendtone/stimulus.h>

#include "base/random.h"

#include <stdio.h>

typedef enum campaign_fault {
  CAMPAIGN_CLEAN,
  CAMPAIGN_LOST,     /**< a block of 1 to 4096 frames left out */
  CAMPAIGN_REPEATED, /**< ... delivered twice */
  CAMPAIGN_MUTED,    /**< 1 to 100 ms of zeros, on one channel or both */
  CAMPAIGN_CLIPPED,  /**< peaks cut off for 20 ms and more */
  CAMPAIGN_GAIN,     /**< a step of the gain of 0.1 to 12 dB, for 30 ms to the end of the take */
  CAMPAIGN_HUM,      /**< a burst of mains hum */
  CAMPAIGN_SWAPPED,  /**< left and right exchanged */
  CAMPAIGN_MONO,     /**< a mono cable: both channels hear the sum */
  CAMPAIGN_RATE,     /**< recorded at another rate than stated */
  CAMPAIGN_MIXER,    /**< a mixer that resamples */
  CAMPAIGN_DRIFT,    /**< a clock that drifts */
  CAMPAIGN_FAULTS
} campaign_fault;

/** One turn: a unit, what is wrong, and the limits. */
typedef struct campaign_case {
  campaign_fault fault;
  mt_simulated_unit unit;
  char what[160];  /**< the fault in words */
  char plan[4096]; /**< its text */
} campaign_case;

typedef struct campaign_count {
  size_t turns;
  size_t passed;
  size_t failed;
  size_t undecided;
  size_t refused; /**< no results at all: the marks are missing, or too far off */
} campaign_count;

typedef struct campaign_tally {
  campaign_count of[CAMPAIGN_FAULTS];
} campaign_tally;

/** Draw a good unit with that fault, in a place where something is read. */
void campaign_draw(mt_random *random, campaign_fault fault, campaign_case *out);

/** `nclean` turns of the clean unit, `nfaults` of one with faults, each kind in turn. What passed in spite of its
 * fault, and what did not pass without one, goes to `log`. */
void campaign_run(uint64_t seed, size_t nclean, size_t nfaults, FILE *log, campaign_tally *out);

void campaign_print(const campaign_tally *tally, FILE *out);

/** How many turns with a fault passed. */
size_t campaign_false_passes(const campaign_tally *tally);

#endif
