/** @file curve_lines.h  Curves other than the response in a line each: what is furthest, and where. */
#ifndef REPORT_CURVE_LINES_H
#define REPORT_CURVE_LINES_H

#include <mendtone/results.h>

#include <stdio.h>

/** Harmonics, THD, crosstalk and phase difference over frequency, gain and THD+N over level; nothing if there are none. */
void mt_report_curve_lines(const mt_results *results, FILE *out);

/** Which definition was used, for every reading that says one: a line for each segment. */
void mt_report_definitions(const mt_results *results, FILE *out);

/** A segment of the extras in words ("250 Hz and 8 kHz, 4 to 1"), or NULL. */
const char *mt_report_extra_segment(const char *segment);

#endif
