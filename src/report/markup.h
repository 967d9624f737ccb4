/** @file markup.h  Text that can never become markup. */
#ifndef REPORT_MARKUP_H
#define REPORT_MARKUP_H

#include <stdio.h>

/**
 * Write any bytes as text of HTML or of an attribute in double quotes: repaired to valid UTF-8, control
 * characters as U+FFFD, & < > " ' as references.
 *
 * @param keeps_lines  line ends stay line ends; else they become blanks.
 */
void markup_escape(FILE *out, const char *text, int keeps_lines);

#endif
