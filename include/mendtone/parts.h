/** @file parts.h  How much of the default check a stimulus holds: all of it, or what a few quantities need. */
#ifndef MENDTONE_PARTS_H
#define MENDTONE_PARTS_H

#include <mendtone/extras.h>
#include <mendtone/quantity.h>

#ifdef __cplusplus
extern "C" {
#endif

/**
 * A closed set, as the marks' distance tells which a recording holds. What is played to each channel alone stays
 * in whatever shows a response: a channel that hears only its neighbour must not pass for one that is there.
 */
typedef enum mt_parts {
  MT_PARTS_ALL,      /**< idle, left, right, both, low, sweep: 14.3 s */
  MT_PARTS_RESPONSE, /**< the sweep; idle, left, right, both just long enough to vouch for it: 9.6 s */
  MT_PARTS_TONES,    /**< idle, left, right, both: 8.2 s */
  MT_PARTS_NOISE,    /**< idle: 3.5 s */
  MT_PARTS_TURN, /**< idle, then a steady tone on each channel while a knob is turned: 27.2 s unless said */
  MT_PARTS_COUNT
} mt_parts;

/** How long a knob is turned: down and up again, with time to think. */
#define MT_TURN_S 24.0
#define MT_TURN_MIN_S 10.0
#define MT_TURN_MAX_S 60.0

/** "all", "response", "tones", "noise", "turn". @param parts  below MT_PARTS_COUNT (asserted). */
const char *mt_parts_name(mt_parts parts);

/** Find by exact name. @return false (and `out` unchanged) if there is none. */
bool mt_parts_parse(const char *name, mt_parts *out);

/** Whether a reading is made of others, which must be kept for it: an output's impedance of levels. */
bool mt_parts_is_made_of(mt_quantity made, mt_quantity of);

/**
 * The shortest that all these quantities can be read from.
 *
 * @param n       0: everything, MT_PARTS_ALL.
 * @param extras  mask of mt_extra that they need besides; 0 when n is 0. May be NULL.
 */
mt_parts mt_parts_for(const mt_quantity *quantities, size_t n, unsigned *extras);

#ifdef __cplusplus
}
#endif
#endif
