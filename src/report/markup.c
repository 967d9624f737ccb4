#include "report/markup.h"

#include "report/layout.h"

#include <stdlib.h>
#include <string.h>

/* Direction marks and overrides, whose effect would reach beyond their own text: U+202A-202E, U+2066-2069. */
static size_t count_override(const unsigned char *p)
{
  if (p[0] == 0xe2 && p[1] == 0x80 && p[2] >= 0xaa && p[2] <= 0xae)
    return 3;
  if (p[0] == 0xe2 && p[1] == 0x81 && p[2] >= 0xa6 && p[2] <= 0xa9)
    return 3;
  return 0;
}

static void put_replacement(FILE *out)
{
  fputs("\xef\xbf\xbd", out);
}

void markup_escape(FILE *out, const char *text, int keeps_lines)
{
  char *valid = malloc(3 * strlen(text) + 1);

  if (valid == NULL)
    return;
  mt_layout_repair(valid, text);
  for (const unsigned char *p = (const unsigned char *)valid; *p != '\0'; p++) {
    size_t override = count_override(p);
    switch (*p) {
    case '&': fputs("&amp;", out); break;
    case '<': fputs("&lt;", out); break;
    case '>': fputs("&gt;", out); break;
    case '"': fputs("&quot;", out); break;
    case '\'': fputs("&#39;", out); break;
    case '\n': fputc(keeps_lines ? '\n' : ' ', out); break;
    case '\t':
    case '\r': fputc(' ', out); break;
    default:
      if (override > 0) {
        put_replacement(out);
        p += override - 1;
      } else if (*p < 0x20 || *p == 0x7f || (*p == 0xc2 && p[1] >= 0x80 && p[1] < 0xa0)) {
        put_replacement(out);
        p += *p == 0xc2;
      } else {
        fputc(*p, out);
      }
    }
  }
  free(valid);
}
