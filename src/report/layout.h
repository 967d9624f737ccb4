/**
 * @file layout.h  Text laid out in columns of a terminal: UTF-8 made safe, wrapped and padded by what is
 * seen rather than by bytes, and numbers rounded to what is known of them.
 */
#ifndef REPORT_LAYOUT_H
#define REPORT_LAYOUT_H

#include <mendtone/quantity.h>

#include <stdio.h>

#define MT_LAYOUT_COLUMNS 80

/**
 * Make valid UTF-8 of any bytes: what is not becomes U+FFFD.
 * @param out  at least 3 * strlen(text) + 1 bytes.
 */
void mt_layout_repair(char *out, const char *text);

/**
 * The same, and nothing a terminal would act on: control characters and direction overrides become '?',
 * line ends and tabs a space.
 */
void mt_layout_clean(char *out, const char *text);

/** Columns a terminal needs for valid UTF-8. Combining marks need none, East Asian wide characters two. */
size_t mt_layout_columns(const char *text);

/**
 * Write a paragraph of at most MT_LAYOUT_COLUMNS columns, any bytes; words that do not fit are broken.
 *
 * @param first  before the first line, plain ASCII, shorter than half the columns.
 * @param next   before every other line; likewise.
 */
void mt_layout_wrap(FILE *out, const char *first, const char *next, const char *text);

/** Write one cell: cut at `width` columns with "..", padded; a negative width flushes right. */
void mt_layout_cell(FILE *out, int width, const char *text);

/**
 * How many decimals a value of that unit deserves: two significant digits of its uncertainty, never more
 * than makes sense on a bench.
 */
int mt_layout_decimals(mt_unit unit, double uncertainty);

/** A value with that many decimals, in at most 10 columns (very large ones with an exponent). */
const char *mt_layout_value(double value, int decimals, char out[32]);

/** An uncertainty with that many decimals, rounded up and never to nothing; "" for 0. */
const char *mt_layout_uncertainty(double uncertainty, int decimals, char out[32]);

#endif
