/**
 * @file codes.h  Were these samples made by a decoder of a few bits each? What their very values betray.
 *
 * A decoder that writes its samples unchanged can be told from them with certainty: companding of 8 bits leaves few
 * levels, in runs whose spacing doubles outwards; a differential decoder leaves samples each of which can only be one
 * of sixteen, given those before. No unit, noise or converter does either. After a change of volume the levels can
 * still be told, the differences not; after a change of rate, dither or an analogue cable neither: then see grain.h.
 */
#ifndef ANALYSIS_CODES_H
#define ANALYSIS_CODES_H

#include <stddef.h>

typedef enum mt_codes {
  MT_CODES_NONE,
  MT_CODES_COMPANDED, /**< mu-law, A-law */
  MT_CODES_IMA,       /**< adaptive differences of 4 bits, IMA */
  MT_CODES_MS         /**< the same with a predictor of two taps, as of Microsoft */
} mt_codes;

/**
 * @param x  [n], +-1 = full scale: a stretch of a loud tone; of 24000 samples all is used.
 *
 * Source: ITU-T G.711 (segments of doubled steps); the decoders of IMA and Microsoft ADPCM, from memory.
 * Tolerance: 600 bits of evidence (differences); levels must fit in three spacings. tests/unit/test_codes.c,
 * tests/oracle/compare_held_out.py.
 */
mt_codes mt_codes_find(const double *x, size_t n);

/** "companding of 8 bits" and so on; "" for none. */
const char *mt_codes_name(mt_codes codes);

#endif
