/** @file extras.h  What a stimulus may hold beyond the default check: one bit each, and their names. */
#ifndef MENDTONE_EXTRAS_H
#define MENDTONE_EXTRAS_H

#include <mendtone/error.h>

#include <stdbool.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Bits of a mask; 0: the default check alone. */
typedef enum mt_extra {
  MT_EXTRA_INTERMODULATION = 1, /**< pairs of tones */
  MT_EXTRA_LEVELS = 2,          /**< a tone in steps up to the maximum level */
  MT_EXTRA_CROSSTALK = 4        /**< a sweep on each channel alone */
} mt_extra;

#define MT_EXTRAS_COUNT 3
#define MT_EXTRAS_ALL 7u /**< also the number of masks that hold something */

/** "intermodulation", "levels" or "crosstalk": the name of bit 1 << index, index below MT_EXTRAS_COUNT. */
const char *mt_extra_name(unsigned index);

/** Find an extra by its exact name. @return false (and `out` unchanged) if there is none. */
bool mt_extra_parse(const char *name, unsigned *out);

/** The name nearest to a misspelt one, or NULL when none is near enough to suggest. */
const char *mt_extra_nearest(const char *name);

/** Write the names of a mask, comma separated, or "none" into a buffer of at least 48 bytes and return it. */
const char *mt_extras_text(unsigned extras, char out[48]);

/**
 * Read a list such as "levels,crosstalk"; "none" is the empty one.
 *
 * @return MT_E_ARG for an unknown, empty or repeated name; `out` is then unchanged.
 */
mt_code mt_extras_parse(const char *text, unsigned *out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
