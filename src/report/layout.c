#include "report/layout.h"

#include "base/text.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define REPLACEMENT "\xef\xbf\xbd"

void mt_layout_repair(char *out, const char *text)
{
  mt_text_repair(out, text);
}

void mt_layout_clean(char *out, const char *text)
{
  while (*text != '\0') {
    uint32_t rune = 0;
    size_t length = mt_text_decode(text, &rune);
    if (length == 0) {
      memcpy(out, REPLACEMENT, 3);
      out += 3;
      text++;
      continue;
    }
    if (mt_text_is_control(rune)) {
      *out++ = (rune >= '\t' && rune <= '\r') || rune == 0x2028 || rune == 0x2029 ? ' ' : '?';
    } else {
      memcpy(out, text, length);
      out += length;
    }
    text += length;
  }
  *out = '\0';
}

typedef struct range {
  uint32_t first;
  uint32_t last;
} range;

static bool is_in(uint32_t rune, const range *ranges, size_t nranges)
{
  for (size_t i = 0; i < nranges; i++)
    if (rune >= ranges[i].first && rune <= ranges[i].last)
      return true;
  return false;
}

/* Blocks rather than single characters (Unicode 15, UAX 11): a rare one counted too wide does no harm. */
static size_t columns_of(uint32_t rune)
{
  static const range marks[] = {{0x300, 0x36f},   {0x483, 0x489},   {0x591, 0x5bd},   {0x610, 0x61a},
                                {0x64b, 0x65f},   {0x1ab0, 0x1aff}, {0x1dc0, 0x1dff}, {0x20d0, 0x20ff},
                                {0xfe00, 0xfe0f}, {0xfe20, 0xfe2f}};
  static const range wide[] = {
      {0x1100, 0x115f},   {0x231a, 0x231b},   {0x23e9, 0x23f3},   {0x25fd, 0x25fe},   {0x2614, 0x2615},
      {0x2648, 0x2653},   {0x267f, 0x267f},   {0x2693, 0x2693},   {0x26a1, 0x26a1},   {0x26aa, 0x26ab},
      {0x26bd, 0x26be},   {0x26c4, 0x26fd},   {0x2705, 0x27bf},   {0x2b1b, 0x2b55},   {0x2e80, 0xa4cf},
      {0xa960, 0xa97f},   {0xac00, 0xd7a3},   {0xf900, 0xfaff},   {0xfe10, 0xfe19},   {0xfe30, 0xfe6f},
      {0xff01, 0xff60},   {0xffe0, 0xffe6},   {0x16fe0, 0x18cff}, {0x1aff0, 0x1b2ff}, {0x1f004, 0x1f004},
      {0x1f0cf, 0x1f0cf}, {0x1f18e, 0x1f19a}, {0x1f200, 0x1f64f}, {0x1f680, 0x1f6ff}, {0x1f7e0, 0x1f7f0},
      {0x1f900, 0x1faff}, {0x20000, 0x3fffd}};

  if (rune < 0x300)
    return 1;
  if (is_in(rune, marks, sizeof marks / sizeof marks[0]))
    return 0;
  return is_in(rune, wide, sizeof wide / sizeof wide[0]) ? 2 : 1;
}

/* Bytes of valid UTF-8 that fit into `width` columns, never none of a text while there is a column. */
static size_t fit_columns(const char *text, size_t length, size_t width, size_t *columns)
{
  size_t used = 0, bytes = 0;

  while (bytes < length) {
    uint32_t rune = '?';
    size_t n = mt_text_decode(text + bytes, &rune);
    size_t needs = columns_of(rune);
    if (used + needs > width)
      break;
    used += needs;
    bytes += n > 0 ? n : 1;
  }
  *columns = used;
  return bytes;
}

size_t mt_layout_columns(const char *text)
{
  size_t columns;
  fit_columns(text, strlen(text), SIZE_MAX / 2, &columns);
  return columns;
}

void mt_layout_wrap(FILE *out, const char *first, const char *next, const char *text)
{
  char *clean = malloc(3 * strlen(text) + 1);
  size_t used = strlen(first);
  size_t indent = used; /* column at which this line's words begin */
  const char *p;

  if (clean == NULL) {
    fprintf(out, "%s(out of memory)\n", first);
    return;
  }
  mt_layout_clean(clean, text);
  fputs(first, out);
  for (p = clean; *(p += strspn(p, " ")) != '\0';) {
    size_t length = strcspn(p, " ");
    size_t columns;
    size_t gap = used > indent ? 1 : 0;
    size_t room = used + gap < MT_LAYOUT_COLUMNS ? MT_LAYOUT_COLUMNS - used - gap : 0;
    size_t bytes = fit_columns(p, length, room, &columns);
    if (bytes < length && used > indent) {
      fprintf(out, "\n%s", next);
      used = indent = strlen(next);
      continue;
    }
    fprintf(out, "%s%.*s", gap > 0 ? " " : "", (int)bytes, p);
    used += gap + columns;
    p += bytes;
  }
  fputc('\n', out);
  free(clean);
}

void mt_layout_cell(FILE *out, int width, const char *text)
{
  size_t room = (size_t)abs(width);
  size_t columns;
  size_t bytes = fit_columns(text, strlen(text), room, &columns);
  const char *cut = "";
  int padding;

  if (text[bytes] != '\0' && room > 2) {
    bytes = fit_columns(text, strlen(text), room - 2, &columns);
    columns += 2;
    cut = "..";
  }
  padding = (int)(room - columns);
  fprintf(out, "%*s%.*s%s%*s", width < 0 ? padding : 0, "", (int)bytes, text, cut, width < 0 ? 0 : padding,
          "");
}

int mt_layout_decimals(mt_unit unit, double uncertainty)
{
  /* finer than the finest effect that could be reproduced on a bench, or than eyes can use */
  static const int most[MT_UNIT_LAST] = {[MT_UNIT_NONE] = 0,
                                         [MT_UNIT_HZ] = 4,
                                         [MT_UNIT_DBFS] = 4,
                                         [MT_UNIT_DBV] = 4,
                                         [MT_UNIT_VOLT] = 6,
                                         [MT_UNIT_DB] = 4,
                                         [MT_UNIT_PERCENT] = 6,
                                         [MT_UNIT_DEGREE] = 3,
                                         [MT_UNIT_BIT] = 2,
                                         [MT_UNIT_PPM] = 3,
                                         [MT_UNIT_SECOND] = 6,
                                         [MT_UNIT_MILLISECOND] = 4,
                                         [MT_UNIT_FS] = 6,
                                         [MT_UNIT_OHM] = 4,
                                         [MT_UNIT_WATT] = 5,
                                         [MT_UNIT_COUNT] = 0,
                                         [MT_UNIT_DB_PER_OCTAVE] = 4,
                                         [MT_UNIT_DBU] = 4,
                                         [MT_UNIT_MILLIWATT] = 3,
                                         [MT_UNIT_MICROFARAD] = 2};
  double exponent;

  if (!(uncertainty > 0.0) || !isfinite(uncertainty))
    return most[unit] < 3 ? most[unit] : 3;
  /* what would print as 0.0100 is 0.010: round to two digits first */
  exponent = floor(log10(uncertainty));
  if (round(uncertainty / pow(10.0, exponent - 1.0)) >= 100.0)
    exponent += 1.0;
  if (exponent >= 1.0)
    return 0;
  return (int)fmin(1.0 - exponent, most[unit]);
}

const char *mt_layout_value(double value, int decimals, char out[32])
{
  int length = snprintf(out, 32, "%.*f", decimals, value);

  if (length > 10)
    snprintf(out, 32, "%.3g", value);
  else if (strspn(out, "-0.") == (size_t)length && out[0] == '-')
    memmove(out, out + 1, (size_t)length); /* no minus before a zero */
  return out;
}

const char *mt_layout_uncertainty(double uncertainty, int decimals, char out[32])
{
  double step = pow(10.0, -decimals);

  out[0] = '\0';
  /* the hair keeps 0.0041, stored a little above itself, from becoming 0.0042 */
  if (uncertainty > 0.0)
    mt_layout_value(ceil(uncertainty / step * (1.0 - 1e-9)) * step, decimals, out);
  return out;
}
