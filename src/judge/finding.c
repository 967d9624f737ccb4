#include "judge/finding.h"

#include "base/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

void mt_finding_say(mt_finding *f, const char *fmt, ...)
{
  char text[512];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(f->text, sizeof f->text, text);
}

void mt_finding_cite(mt_finding *f, const char *fmt, ...)
{
  char text[512];
  va_list args;

  if (f->nevidence >= sizeof f->evidence / sizeof f->evidence[0])
    return;
  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(f->evidence[f->nevidence++], sizeof f->evidence[0], text);
}

const mt_reading *mt_finding_reading(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                     const char *state)
{
  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *r = &results->readings[i];
    if (r->quantity == quantity && r->channel == channel && strcmp(r->state, state) == 0)
      return r->validity == MT_VALID ? r : NULL;
  }
  return NULL;
}
