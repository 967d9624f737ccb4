/** @file loads.h  What the loads tell of an output, in a sentence for a channel; text and paper show the same. */
#ifndef REPORT_LOADS_H
#define REPORT_LOADS_H

#include <mendtone/results.h>

/**
 * "phones (33 ohm), left: output impedance 10.3 ohm +-0.2, damping factor 3.2...": of one channel and state.
 *
 * @param index  of a reading of output impedance; the rest is looked up beside it.
 * @param plus_minus  how to write it.
 * @return false if that reading is none, or says nothing.
 */
bool mt_loads_sentence(const mt_results *results, size_t index, const char *plus_minus, char *out,
                       size_t size);

/** Why figures in thousandths of an ohm are not claimed. */
extern const char *const mt_loads_note;

#endif
