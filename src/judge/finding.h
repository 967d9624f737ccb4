/** @file finding.h  How a finding is written, and what the rules about states look at. */
#ifndef JUDGE_FINDING_H
#define JUDGE_FINDING_H

#include <mendtone/results.h>

/** The text of a finding, cut at a whole character. */
void mt_finding_say(mt_finding *f, const char *fmt, ...) MT_PRINTF(2, 3);

/** One more line of evidence, as far as there is room. */
void mt_finding_cite(mt_finding *f, const char *fmt, ...) MT_PRINTF(2, 3);

/** The valid reading of a state, or NULL. */
const mt_reading *mt_finding_reading(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                     const char *state);

#endif
