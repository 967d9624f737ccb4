#include "base/text.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MAX_NAME 64

void mt_text_copy(char *out, size_t size, const char *text)
{
  size_t length = strlen(text);

  if (length >= size) {
    length = size - 1;
    /* do not end in the middle of a UTF-8 sequence */
    while (length > 0 && ((unsigned char)text[length] & 0xc0) == 0x80)
      length--;
  }
  memcpy(out, text, length);
  out[length] = '\0';
}

bool mt_text_parse_number(const char *text, double *out)
{
  char *end = NULL;
  double value;

  /* strtod would take leading blanks, hexadecimal, "inf" and "nan" */
  if (text == NULL || strspn(text, "+-.0123456789eE") != strlen(text) || text[0] == '\0')
    return false;
  errno = 0;
  value = strtod(text, &end);
  if (end == text || *end != '\0' || errno == ERANGE || !isfinite(value))
    return false;
  *out = value;
  return true;
}

static size_t edit_distance(const char *a, const char *b)
{
  size_t row[MAX_NAME + 1];
  size_t nb = strlen(b);

  for (size_t j = 0; j <= nb; j++)
    row[j] = j;
  for (size_t i = 0; a[i] != '\0'; i++) {
    size_t diagonal = row[0];
    row[0] = i + 1;
    for (size_t j = 0; j < nb; j++) {
      size_t change = diagonal + (tolower((unsigned char)a[i]) != tolower((unsigned char)b[j]));
      size_t insert = row[j] + 1;
      size_t remove = row[j + 1] + 1;
      size_t least = change < insert ? change : insert;
      diagonal = row[j + 1];
      row[j + 1] = least < remove ? least : remove;
    }
  }
  return row[nb];
}

const char *mt_text_nearest(const char *wrong, const char *const *names, size_t nnames)
{
  const char *best = NULL;
  size_t length = strlen(wrong);
  size_t least = length / 3 + 2;

  if (length == 0 || length > MAX_NAME)
    return NULL;
  for (size_t i = 0; i < nnames; i++) {
    size_t distance;
    if (strlen(names[i]) > MAX_NAME)
      continue;
    distance = edit_distance(wrong, names[i]);
    if (distance < least) {
      least = distance;
      best = names[i];
    }
  }
  return best;
}

size_t mt_text_decode(const char *text, uint32_t *rune)
{
  static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
  const unsigned char *p = (const unsigned char *)text;
  size_t length = p[0] < 0x80 ? 1 : p[0] < 0xc2 ? 0 : p[0] < 0xe0 ? 2 : p[0] < 0xf0 ? 3 : p[0] < 0xf5 ? 4 : 0;

  if (length == 0)
    return 0;
  *rune = length == 1 ? p[0] : p[0] & (0x7fu >> length);
  for (size_t i = 1; i < length; i++) {
    if ((p[i] & 0xc0) != 0x80)
      return 0;
    *rune = *rune << 6 | (p[i] & 0x3fu);
  }
  if (*rune < least[length] || *rune > 0x10ffff || (*rune >= 0xd800 && *rune <= 0xdfff))
    return 0;
  return length;
}

bool mt_text_is_control(uint32_t rune)
{
  return rune < 0x20 || (rune >= 0x7f && rune < 0xa0) || (rune >= 0x200b && rune <= 0x200f) ||
         (rune >= 0x2028 && rune <= 0x202e) || (rune >= 0x2060 && rune <= 0x206f) || rune == 0xfeff;
}

void mt_text_repair(char *out, const char *text)
{
  while (*text != '\0') {
    uint32_t rune = 0;
    size_t length = mt_text_decode(text, &rune);
    memcpy(out, length > 0 ? text : "\xef\xbf\xbd", length > 0 ? length : 3);
    out += length > 0 ? length : 3;
    text += length > 0 ? length : 1;
  }
  *out = '\0';
}

const char *mt_text_basename(const char *path)
{
  const char *slash = strrchr(path, '/');
  return slash != NULL ? slash + 1 : path;
}
