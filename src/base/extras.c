#include <mendtone/extras.h>

#include "base/text.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

#define EXPECTED "\"intermodulation\", \"levels\" or \"crosstalk\""

static const char *const names[MT_EXTRAS_COUNT] = {"intermodulation", "levels", "crosstalk"};

const char *mt_extra_name(unsigned index)
{
  assert(index < MT_EXTRAS_COUNT);
  return names[index];
}

bool mt_extra_parse(const char *name, unsigned *out)
{
  for (unsigned i = 0; i < MT_EXTRAS_COUNT; i++)
    if (strcmp(name, names[i]) == 0) {
      *out = 1u << i;
      return true;
    }
  return false;
}

const char *mt_extra_nearest(const char *name)
{
  return mt_text_nearest(name, names, MT_EXTRAS_COUNT);
}

const char *mt_extras_text(unsigned extras, char out[48])
{
  size_t used = 0;

  mt_text_copy(out, 48, "none");
  for (unsigned i = 0; i < MT_EXTRAS_COUNT; i++)
    if ((extras & 1u << i) != 0)
      used += (size_t)snprintf(out + used, 48 - used, "%s%s", used > 0 ? "," : "", names[i]);
  return out;
}

mt_code mt_extras_parse(const char *text, unsigned *out, mt_error *err)
{
  unsigned mask = 0;

  if (strcmp(text, "none") == 0) {
    *out = 0;
    return MT_OK;
  }
  for (const char *p = text;;) {
    p += strspn(p, " "); /* "levels, crosstalk" */
    size_t length = strcspn(p, ",");
    char name[40];
    unsigned bit = 0;
    snprintf(name, sizeof name, "%.*s", (int)(length < sizeof name ? length : sizeof name), p);
    if (!mt_extra_parse(name, &bit)) {
      const char *nearest = mt_extra_nearest(name);
      if (nearest != NULL)
        return mt_fail(err, MT_E_ARG, "unknown extra \"%s\"; did you mean \"%s\"?", name, nearest);
      return mt_fail(err, MT_E_ARG, "unknown extra \"%s\"; expected " EXPECTED ", comma separated", name);
    }
    if ((mask & bit) != 0)
      return mt_fail(err, MT_E_ARG, "the extra \"%s\" is named twice; once is enough", name);
    mask |= bit;
    if (p[length] == '\0')
      break;
    p += length + 1;
  }
  *out = mask;
  return MT_OK;
}
