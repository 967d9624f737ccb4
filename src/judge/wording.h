/** @file wording.h  A judgement in plain words, its numbers rounded to their uncertainty. */
#ifndef JUDGE_WORDING_H
#define JUDGE_WORDING_H

#include <mendtone/plan.h>

/**
 * "-43.2 dB", "0.012 %": no more digits than the uncertainty leaves, at most two decimals of a decibel or
 * three figures of anything linear.
 *
 * @param uncertainty  expanded; in dB when `unit` is %; 0: not known.
 * @return `out`, of at least 40 bytes.
 */
const char *mt_wording_value(double value, double uncertainty, mt_unit unit, char *out, size_t size);

/** "30 Hz", "18 kHz". @return `out`. */
const char *mt_wording_frequency(double freq_hz, char *out, size_t size);

/** "left channel", "right channel", "channel 3", "pair". @return `out`, of at least 24 bytes. */
const char *mt_wording_channel(mt_channel channel, char *out, size_t size);

/** Write the text of a judgement that has a value, from its other fields. */
void mt_wording_judge(mt_judgement *judgement, mt_validity validity);

/** Write "Left channel's noise cannot be judged: <why>". */
void mt_wording_undecided(mt_judgement *judgement, const char *why);

/** The reason a reading is not valid: its own if it has one, else its validity in words. */
const char *mt_wording_reason(mt_validity validity, const char *why);

#endif
