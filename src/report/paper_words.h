/** @file paper_words.h  Quantities for whoever is no technician. */
#ifndef REPORT_PAPER_WORDS_H
#define REPORT_PAPER_WORDS_H

#include <mendtone/results.h>

/** What is judged, in a word: "Distortion", "Hiss in the pauses". A fixed text, never NULL. */
const char *paper_words_subject(mt_quantity quantity);

/** What a judgement comes to: "rough or noisy", "clean", "low notes too weak", "not sure". Never NULL. */
const char *paper_words_verdict(const mt_judgement *j);

/** What a quantity is, in one sentence; of one without words here, its definition. Never NULL. */
const char *paper_words_meaning(mt_quantity quantity);

#endif
