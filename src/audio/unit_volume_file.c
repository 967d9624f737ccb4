/* volume = { range_db = 60.0; from_s = 3.0; to_s = 13.0; ... } of a simulated unit's description. */
#include "audio/unit_volume.h"

#include <math.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static mt_code read_channels(mt_config_item group, bool channel[2], mt_error *err)
{
  mt_config_item item;
  const char *text;

  channel[0] = channel[1] = true;
  if (!mt_config_find(group, "channels", &item))
    return MT_OK;
  text = mt_config_text_value(item);
  if (text == NULL || (strcmp(text, "both") != 0 && strcmp(text, "left") != 0 && strcmp(text, "right") != 0))
    return mt_config_fail(item, err, "channels is %s%.30s%s; expected \"both\", \"left\" or \"right\"",
                          text != NULL ? "\"" : "", text != NULL ? text : "not text",
                          text != NULL ? "\"" : "");
  channel[0] = strcmp(text, "right") != 0;
  channel[1] = strcmp(text, "left") != 0;
  return MT_OK;
}

/* One number of a group. */
typedef struct number {
  const char *key;
  double min, max;
  double *out;
  bool may_lack;
} number;

static mt_code read_group(mt_config_item group, const char *what, const number *numbers, size_t n,
                          bool channel[2], mt_error *err)
{
  const char *keys[5];
  mt_config_item item;
  mt_code code;

  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "a %s is not a group; expected { %s = %g; ... }", what, numbers[0].key,
                          numbers[0].min);
  for (size_t i = 0; i < n; i++)
    keys[i] = numbers[i].key;
  keys[n] = "channels";
  code = mt_config_check_keys(group, keys, channel != NULL ? n + 1 : n, err);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    if (!numbers[i].may_lack && !mt_config_find(group, numbers[i].key, &item))
      return mt_config_fail(group, err, "a %s has no %s", what, numbers[i].key);
    code = mt_config_number(group, numbers[i].key, numbers[i].min, numbers[i].max, numbers[i].out, err);
  }
  return code == MT_OK && channel != NULL ? read_channels(group, channel, err) : code;
}

static mt_code open_list(mt_config_item group, const char *key, size_t most, mt_config_item *list, size_t *n,
                         mt_error *err)
{
  *n = 0;
  if (!mt_config_find(group, key, list))
    return MT_OK;
  if (!mt_config_is_list(*list) || mt_config_length(*list) > most)
    return mt_config_fail(*list, err, "%s is not a list of at most %zu; expected %s = ( { ... } );", key,
                          most, key);
  *n = mt_config_length(*list);
  return MT_OK;
}

static mt_code read_faults(mt_config_item group, mt_simulated_volume *out, mt_error *err)
{
  mt_config_item list;
  size_t n;
  mt_code code = open_list(group, "tracking", MT_SIMULATED_TRACKING_MAX, &list, &n, err);

  for (size_t i = 0; i < n && code == MT_OK; i++) {
    double *point = out->tracking_db[i];
    const number numbers[] = {{"at_db", 0.0, 200.0, &point[0], false}, {"db", -60.0, 60.0, &point[1], false}};
    code = read_group(mt_config_at(list, i), "tracking point", numbers, COUNT(numbers), NULL, err);
    out->ntracking = i + 1;
  }
  if (code == MT_OK)
    code = open_list(group, "scratches", MT_SIMULATED_SCRATCHES_MAX, &list, &n, err);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    mt_simulated_scratch *s = &out->scratches[i];
    const number numbers[] = {{"at_s", 0.0, 86400.0, &s->at_s, false},
                              {"length_s", 0.0, 10.0, &s->length_s, false},
                              {"level_dbfs", -300.0, 20.0, &s->level_dbfs, false}};
    code = read_group(mt_config_at(list, i), "scratch", numbers, COUNT(numbers), s->channel, err);
    out->nscratches = i + 1;
  }
  if (code == MT_OK)
    code = open_list(group, "dead", MT_SIMULATED_DEAD_MAX, &list, &n, err);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    mt_simulated_dead *d = &out->dead[i];
    const number numbers[] = {{"from_db", 0.0, 200.0, &d->from_db, false},
                              {"to_db", 0.0, 200.0, &d->to_db, false},
                              {"loss_db", 0.0, 200.0, &d->loss_db, true}};
    code = read_group(mt_config_at(list, i), "dead spot", numbers, COUNT(numbers), d->channel, err);
    out->ndead = i + 1;
  }
  return code;
}

mt_code mt_unit_volume_read(mt_config_item root, mt_simulated_volume *out, mt_error *err)
{
  static const char *const keys[] = {"range_db", "from_s",   "to_s",      "back_s", "up_s",
                                     "step_db",  "tracking", "scratches", "dead"};
  mt_simulated_volume volume = {0};
  double *const numbers[] = {&volume.range_db, &volume.from_s, &volume.to_s,
                             &volume.back_s,   &volume.up_s,   &volume.step_db};
  mt_config_item group;
  mt_error why;
  mt_code code;

  if (!mt_config_find(root, "volume", &group))
    return MT_OK;
  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "volume is not a group; expected volume = { range_db = 60.0; ... };");
  code = mt_config_check_keys(group, keys, COUNT(keys), err);
  for (size_t i = 0; i < COUNT(numbers) && code == MT_OK; i++)
    code = mt_config_number(group, keys[i], 0.0, 86400.0, numbers[i], err);
  if (code == MT_OK)
    code = read_faults(group, &volume, err);
  if (code == MT_OK && mt_unit_volume_check(&volume, &why) != MT_OK)
    return mt_config_fail(group, err, "%.200s", why.message);
  if (code == MT_OK)
    *out = volume;
  return code;
}
