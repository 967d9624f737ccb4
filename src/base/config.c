#include "base/config.h"

#include "base/text.h"

#include <errno.h>
#include <libconfig.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct mt_config {
  config_t file;
  char name[200];
};

static mt_code create(const char *name, mt_config **out, mt_error *err)
{
  mt_config *config = calloc(1, sizeof *config);
  if (config == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %s", name);
  config_init(&config->file);
  config_set_auto_convert(&config->file, CONFIG_TRUE);
  mt_text_copy(config->name, sizeof config->name, name);
  *out = config;
  return MT_OK;
}

static mt_code refuse_syntax(mt_config *config, mt_error *err)
{
  int line = config_error_line(&config->file);
  const char *text = config_error_text(&config->file);
  mt_fail(err, MT_E_PLAN, "%s:%d: %s; expected name = value; entries", config->name, line,
          text != NULL ? text : "cannot be read");
  mt_config_close(&config);
  return MT_E_PLAN;
}

mt_code mt_config_open(const char *path, mt_config **out, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code;
  FILE *file = fopen(path, "rb");

  if (file == NULL)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", path, strerror(errno));
  /* a folder opens but cannot be read; libconfig would take it for an empty file */
  if (fgetc(file) == EOF && ferror(file)) {
    mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", path, strerror(errno));
    fclose(file);
    return MT_E_NO_INPUT;
  }
  rewind(file);
  code = create(path, &config, err);
  if (code == MT_OK) {
    if (config_read(&config->file, file) == CONFIG_TRUE)
      *out = config;
    else
      code = refuse_syntax(config, err);
  }
  fclose(file);
  return code;
}

mt_code mt_config_parse(const char *text, const char *name, mt_config **out, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code = create(name, &config, err);

  if (code != MT_OK)
    return code;
  if (config_read_string(&config->file, text) != CONFIG_TRUE)
    return refuse_syntax(config, err);
  *out = config;
  return MT_OK;
}

mt_code mt_config_refuse_includes(const char *text, const char *name, mt_error *err)
{
  int line = 1;

  for (const char *p = text; p != NULL && *p != '\0'; line++) {
    const char *end = strchr(p, '\n');
    p += strspn(p, " \t");
    if (strncmp(p, "@include", strlen("@include")) == 0)
      return mt_fail(err, MT_E_PLAN, "%s:%d: found @include; expected all of it in one file", name, line);
    p = end != NULL ? end + 1 : NULL;
  }
  return MT_OK;
}

void mt_config_close(mt_config **config)
{
  if (config == NULL || *config == NULL)
    return;
  config_destroy(&(*config)->file);
  free(*config);
  *config = NULL;
}

mt_config_item mt_config_root(const mt_config *config)
{
  mt_config_item item = {config, config_root_setting(&config->file)};
  return item;
}

int mt_config_line(mt_config_item item)
{
  return (int)config_setting_source_line((config_setting_t *)item.setting);
}

mt_code mt_config_fail(mt_config_item item, mt_error *err, const char *fmt, ...)
{
  char message[256];
  va_list args;

  va_start(args, fmt);
  vsnprintf(message, sizeof message, fmt, args);
  va_end(args);
  return mt_fail(err, MT_E_PLAN, "%s:%d: %s", item.config->name, mt_config_line(item), message);
}

mt_code mt_config_check_keys(mt_config_item group, const char *const *keys, size_t nkeys, mt_error *err)
{
  int length = config_setting_length(group.setting);

  for (int i = 0; i < length; i++) {
    mt_config_item member = {group.config, config_setting_get_elem(group.setting, (unsigned)i)};
    const char *name = config_setting_name((config_setting_t *)member.setting);
    bool known = false;
    for (size_t k = 0; k < nkeys && !known; k++)
      known = strcmp(name, keys[k]) == 0;
    if (!known) {
      const char *nearest = mt_text_nearest(name, keys, nkeys);
      if (nearest != NULL)
        return mt_config_fail(member, err, "unknown key \"%.40s\"; did you mean \"%s\"?", name, nearest);
      return mt_config_fail(member, err, "unknown key \"%.40s\"", name);
    }
  }
  return MT_OK;
}

mt_code mt_config_refuse_other(mt_config_item root, const char *const *theirs, size_t ntheirs,
                               const char *other, const char *expected, mt_error *err)
{
  mt_config_item item;

  for (size_t i = 0; i < ntheirs; i++)
    if (mt_config_find(root, theirs[i], &item))
      return mt_config_fail(item, err, "\"%s\" belongs to %s; expected %s", theirs[i], other, expected);
  return MT_OK;
}

bool mt_config_find(mt_config_item group, const char *key, mt_config_item *out)
{
  config_setting_t *member = config_setting_get_member(group.setting, key);
  if (member == NULL)
    return false;
  out->config = group.config;
  out->setting = member;
  return true;
}

bool mt_config_is_group(mt_config_item item)
{
  return config_setting_is_group((config_setting_t *)item.setting);
}

bool mt_config_is_list(mt_config_item item)
{
  config_setting_t *setting = item.setting;
  return config_setting_is_list(setting) || config_setting_is_array(setting);
}

bool mt_config_is_text(mt_config_item item)
{
  return config_setting_type((config_setting_t *)item.setting) == CONFIG_TYPE_STRING;
}

size_t mt_config_length(mt_config_item list)
{
  return (size_t)config_setting_length(list.setting);
}

mt_config_item mt_config_at(mt_config_item list, size_t index)
{
  mt_config_item item = {list.config, config_setting_get_elem(list.setting, (unsigned)index)};
  return item;
}

const char *mt_config_text_value(mt_config_item item)
{
  return mt_config_is_text(item) ? config_setting_get_string(item.setting) : NULL;
}

static mt_code take_number(mt_config_item item, const char *key, double min, double max, double *out,
                           mt_error *err)
{
  double value;

  if (!config_setting_is_number((config_setting_t *)item.setting))
    return mt_config_fail(item, err, "%s is not a number; expected %g to %g", key, min, max);
  value = config_setting_get_float(item.setting);
  if (!isfinite(value) || value < min || value > max)
    return mt_config_fail(item, err, "%s is %g; expected %g to %g", key, value, min, max);
  *out = value;
  return MT_OK;
}

mt_code mt_config_number_at(mt_config_item list, size_t index, const char *key, double min, double max,
                            double *out, mt_error *err)
{
  return take_number(mt_config_at(list, index), key, min, max, out, err);
}

mt_code mt_config_number(mt_config_item group, const char *key, double min, double max, double *out,
                         mt_error *err)
{
  mt_config_item item;

  return mt_config_find(group, key, &item) ? take_number(item, key, min, max, out, err) : MT_OK;
}

mt_code mt_config_bool(mt_config_item group, const char *key, bool *out, mt_error *err)
{
  mt_config_item item;

  if (!mt_config_find(group, key, &item))
    return MT_OK;
  if (config_setting_type((config_setting_t *)item.setting) != CONFIG_TYPE_BOOL)
    return mt_config_fail(item, err, "%s is not a switch; expected true or false", key);
  *out = config_setting_get_bool(item.setting) != 0;
  return MT_OK;
}

mt_code mt_config_text(mt_config_item group, const char *key, char *out, size_t size, mt_error *err)
{
  mt_config_item item;
  const char *text;

  if (!mt_config_find(group, key, &item))
    return MT_OK;
  text = mt_config_text_value(item);
  if (text == NULL)
    return mt_config_fail(item, err, "%s is not text; expected \"...\" in quotes", key);
  if (strlen(text) >= size)
    return mt_config_fail(item, err, "%s is %zu bytes long; expected fewer than %zu", key, strlen(text),
                          size);
  mt_text_copy(out, size, text);
  return MT_OK;
}
