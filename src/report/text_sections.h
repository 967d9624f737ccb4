/** @file text_sections.h  The parts of the text report that need a file of their own; text.c puts them in order. */
#ifndef REPORT_TEXT_SECTIONS_H
#define REPORT_TEXT_SECTIONS_H

#include <mendtone/results.h>

#include <stdio.h>

/** The readings, by state and segment. MT_E_MEMORY. */
mt_code mt_report_tables(const mt_results *results, FILE *out, mt_error *err);

/** What was not read, and why: a line for each reason. MT_E_MEMORY. */
mt_code mt_report_reasons(const mt_results *results, FILE *out, mt_error *err);

/** Summaries of several takes, one a line; nothing for one take. */
void mt_report_takes(const mt_results *results, FILE *out);

/** What changes from a state to the one it is compared with, besides the response. May be nothing. */
void mt_report_changes(const mt_results *results, FILE *out);

/** What the loads tell of the outputs. May be nothing. */
void mt_report_loads(const mt_results *results, FILE *out);

/** What was seen or read by hand. May be nothing. */
void mt_report_by_hand(const mt_results *results, FILE *out);

/** The response of each channel at a few frequencies, its corners, and differences from a reference state. */
void mt_report_response(const mt_results *results, FILE *out);

#endif
