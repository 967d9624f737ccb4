/**
 * @file path.h  Is a lossy codec in the path? What can still be read through one, and how well.
 *
 * A codec keeps level, balance and response and spends its errors where they are hard to hear: it adds noise
 * around what is loud and drops what that would mask. So distortion, noise and crosstalk read through one are
 * neither the unit's nor a bound of it, and are refused; levels are given what the codec's error may add.
 */
#ifndef ANALYSIS_PATH_H
#define ANALYSIS_PATH_H

#include "analysis/workspace.h"

/**
 * Look for the signs of a codec in the tones fitted, and record what was found as a problem.
 *
 * - Sub-band codec (SBC of wireless links, 4 or 8 bands at 32, 44.1 or 48 kHz): its filters leave images of the
 *   tone around the edges of the bands, the pair S - f and S + f for a spacing S, about 72 dB down.
 * - Transform codec (MP3, Opus): noise in a hill around the tone that comes and goes with the tone, at least
 *   4.5 dB above the noise at the same place beside a tone 60 dB lower, all the time, with no such rise far from
 *   the tone. Noise that is only amplitude (a dirty contact) or only phase (a clock) is none of it.
 *
 * - Companding and differences of few bits (mu-law, A-law, ADPCM): by the values of the samples, codes.h, or, behind
 *   dither, a resampler or a converter, by where in the wave their noise is loud, grain.h.
 *
 * Every channel that carries the tone must show the sign. A transform codec whose noise is below this (the highest
 * rates, into a noisy recorder) changes no reading by much and is not noticed. Differences of other make (MS ADPCM,
 * G.722) raise the noise with the envelope alone, as noise reduction does: they cannot be told.
 *
 * Sets ws->path_is_lossy. Source: own definition; tests/unit/test_path.c, tests/oracle/compare_codecs.py and
 * compare_few_bits.py.
 */
mt_code mt_path_look(mt_workspace *ws, mt_error *err);

/**
 * After all was read through a codec: refuse what it may have made or hidden, widen the rest.
 *
 * @param first_reading, first_curve  those of this take begin here in ws->results.
 */
void mt_path_qualify(mt_workspace *ws, size_t first_reading, size_t first_curve);

#endif
