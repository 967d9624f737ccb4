/** @file text.h  Bounded strings, strict numbers, and the nearest known name. */
#ifndef BASE_TEXT_H
#define BASE_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Copy, always terminated; an over-long text is cut at a UTF-8 boundary. */
void mt_text_copy(char *out, size_t size, const char *text);

/** Parse a whole string as a finite decimal number, in the C locale. @return false on anything else. */
bool mt_text_parse_number(const char *text, double *out);

/** The name nearest to `wrong` (edit distance at most a third of its length, at least 1...), or NULL. */
const char *mt_text_nearest(const char *wrong, const char *const *names, size_t nnames);

/** Length of the well-formed UTF-8 sequence at `text` (RFC 3629: not overlong, no surrogate), or 0. */
size_t mt_text_decode(const char *text, uint32_t *rune);

/** What a terminal would obey instead of show: control characters, direction marks and their like. */
bool mt_text_is_control(uint32_t rune);

/**
 * Make valid UTF-8 of any bytes: what is not becomes U+FFFD.
 * @param out  at least 3 * strlen(text) + 1 bytes.
 */
void mt_text_repair(char *out, const char *text);

/** The part of a path after its last '/'. */
const char *mt_text_basename(const char *path);

#endif
