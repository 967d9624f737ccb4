#include <mendtone/simulate.h>

#include "audio/unit_volume.h"
#include "base/config.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* A number of a channel: its key, where it goes, and what is sensible for a unit on a bench. */
typedef struct channel_number {
  const char *key;
  size_t offset;
  double min;
  double max;
} channel_number;

#define AT(member) offsetof(mt_simulated_channel, member)
static const channel_number channel_numbers[] = {
    {"gain_db", AT(gain_db), -200.0, 100.0},
    {"order_1", AT(poly[0]), -1e6, 1e6},
    {"order_2", AT(poly[1]), -1e6, 1e6},
    {"order_3", AT(poly[2]), -1e6, 1e6},
    {"order_4", AT(poly[3]), -1e6, 1e6},
    {"order_5", AT(poly[4]), -1e6, 1e6},
    {"dead_zone", AT(dead_zone), 0.0, 1.0},
    {"clip", AT(clip), 0.0, 100.0},
    {"high_pass_hz", AT(high_pass_hz), 0.0, 1e5},
    {"shelf_db", AT(shelf_db), -60.0, 60.0},
    {"shelf_hz", AT(shelf_hz), 0.0, 1e5},
    {"crosstalk_db", AT(crosstalk_db), -300.0, 20.0},
    {"hum_dbfs", AT(hum_dbfs), -300.0, 20.0},
    {"noise_dbfs", AT(noise_dbfs), -300.0, 20.0},
    {"dc", AT(dc), -1.0, 1.0},
    {"output_ohm", AT(output_ohm), 0.0, 1e6},
    {"output_uf", AT(output_uf), 0.0, 1e6},
    {"current_limit", AT(current_limit), 0.0, 1e6},
};
#undef AT

static mt_code check_channel_keys(mt_config_item group, mt_error *err)
{
  const char *keys[COUNT(channel_numbers) + 2] = {"invert", "mute"};

  for (size_t i = 0; i < COUNT(channel_numbers); i++)
    keys[i + 2] = channel_numbers[i].key;
  return mt_config_check_keys(group, keys, COUNT(keys), err);
}

static mt_code check_shelf(mt_config_item group, mt_error *err)
{
  mt_config_item item;
  bool has_db = mt_config_find(group, "shelf_db", &item);
  bool has_hz = mt_config_find(group, "shelf_hz", &item);

  if (has_db != has_hz)
    return mt_config_fail(group, err, "%s is given without %s; a shelf needs both",
                          has_db ? "shelf_db" : "shelf_hz", has_db ? "shelf_hz" : "shelf_db");
  return MT_OK;
}

static mt_code read_channel(mt_config_item root, const char *key, mt_simulated_channel *out, mt_error *err)
{
  mt_config_item group;
  mt_code code;

  if (!mt_config_find(root, key, &group))
    return MT_OK;
  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "%s is not a group; expected %s = { gain_db = -3.0; }", key, key);
  code = check_channel_keys(group, err);
  for (size_t i = 0; code == MT_OK && i < COUNT(channel_numbers); i++) {
    const channel_number *n = &channel_numbers[i];
    double *value = (double *)(void *)((char *)out + n->offset);
    code = mt_config_number(group, n->key, n->min, n->max, value, err);
  }
  if (code == MT_OK)
    code = check_shelf(group, err);
  if (code == MT_OK)
    code = mt_config_bool(group, "invert", &out->invert, err);
  if (code == MT_OK)
    code = mt_config_bool(group, "mute", &out->mute, err);
  return code;
}

/* A whole number; `out` keeps its value if the key is absent. */
static mt_code read_whole(mt_config_item group, const char *key, double max, double *out, mt_error *err)
{
  mt_config_item item;
  double value = *out;
  mt_code code = mt_config_number(group, key, 0.0, max, &value, err);

  if (code != MT_OK)
    return code;
  if (mt_config_find(group, key, &item) && floor(value) < value)
    return mt_config_fail(item, err, "%s is %g; expected a whole number", key, value);
  *out = value;
  return MT_OK;
}

/* The index of a word among those allowed. */
static mt_code read_word(mt_config_item group, const char *key, const char *const *words, size_t nwords,
                         size_t *out, mt_error *err)
{
  mt_config_item item;
  const char *text;
  char expected[80] = "";

  if (!mt_config_find(group, key, &item))
    return MT_OK;
  text = mt_config_text_value(item);
  for (size_t i = 0; text != NULL && i < nwords; i++)
    if (strcmp(text, words[i]) == 0) {
      *out = i;
      return MT_OK;
    }
  for (size_t i = 0, used = 0; i < nwords && used < sizeof expected; i++)
    used += (size_t)snprintf(expected + used, sizeof expected - used, "%s\"%s\"",
                             i == 0            ? ""
                             : i + 1 == nwords ? " or "
                                               : ", ",
                             words[i]);
  return mt_config_fail(item, err, "%s is %s%.30s%s; expected %s", key, text != NULL ? "\"" : "",
                        text != NULL ? text : "not text", text != NULL ? "\"" : "", expected);
}

static mt_code read_dropout(mt_config_item group, mt_simulated_dropout *out, mt_error *err)
{
  static const char *const keys[] = {"kind", "at_s", "frames", "channels", "level_db"};
  static const char *const kinds[] = {"mute", "lose", "repeat", "gain", "hum", "clip"};
  static const char *const sides[] = {"both", "left", "right"};
  mt_config_item item;
  size_t kind = 0, side = 0;
  double nframes = 0.0;
  bool moves_time, has_level;
  mt_code code;

  if (!mt_config_is_group(group))
    return mt_config_fail(group, err,
                          "a dropout is not a group; expected { kind = \"mute\"; at_s = 3.0; "
                          "frames = 480; }");
  code = mt_config_check_keys(group, keys, COUNT(keys), err);
  for (size_t i = 0; code == MT_OK && i < 3; i++)
    if (!mt_config_find(group, keys[i], &item))
      code = mt_config_fail(group, err, "a dropout has no %s", keys[i]);
  if (code == MT_OK)
    code = read_word(group, "kind", kinds, COUNT(kinds), &kind, err);
  if (code == MT_OK)
    code = read_word(group, "channels", sides, COUNT(sides), &side, err);
  if (code == MT_OK)
    code = mt_config_number(group, "at_s", 0.0, 86400.0, &out->at_s, err);
  if (code == MT_OK)
    code = read_whole(group, "frames", 1e9, &nframes, err);
  if (code != MT_OK)
    return code;
  out->kind = (mt_dropout_kind)kind;
  moves_time = out->kind == MT_SIMULATED_LOSE || out->kind == MT_SIMULATED_REPEAT;
  if (moves_time && mt_config_find(group, "channels", &item))
    return mt_config_fail(item, err, "channels is out of place: frames are lost or repeated on both");
  has_level = mt_config_find(group, "level_db", &item);
  if (has_level && (moves_time || out->kind == MT_SIMULATED_MUTE))
    return mt_config_fail(item, err, "level_db belongs to kind = \"gain\", \"hum\" or \"clip\"");
  if (!has_level && !moves_time && out->kind != MT_SIMULATED_MUTE)
    return mt_config_fail(group, err, "a dropout of kind = \"%s\" has no level_db", kinds[kind]);
  code = mt_config_number(group, "level_db", -300.0, 60.0, &out->level_db, err);
  if (code != MT_OK)
    return code;
  out->nframes = (size_t)nframes;
  out->channel[0] = side != 2;
  out->channel[1] = side != 1;
  return MT_OK;
}

static mt_code read_dropouts(mt_config_item root, mt_simulated_unit *out, mt_error *err)
{
  mt_config_item list;
  mt_code code = MT_OK;

  if (!mt_config_find(root, "dropouts", &list))
    return MT_OK;
  if (!mt_config_is_list(list))
    return mt_config_fail(list, err, "dropouts is not a list; expected dropouts = ( { ... } );");
  if (mt_config_length(list) > MT_SIMULATED_DROPOUTS_MAX)
    return mt_config_fail(list, err, "there are %zu dropouts; expected at most %d", mt_config_length(list),
                          MT_SIMULATED_DROPOUTS_MAX);
  for (size_t i = 0; code == MT_OK && i < mt_config_length(list); i++)
    code = read_dropout(mt_config_at(list, i), &out->dropouts[i], err);
  out->ndropouts = mt_config_length(list);
  return code;
}

static mt_code read_bits(mt_config_item root, mt_simulated_unit *out, mt_error *err)
{
  mt_config_item item;
  double bits = 0.0;
  mt_code code = read_whole(root, "bits", 1e3, &bits, err);

  if (code != MT_OK)
    return code;
  out->bits = (unsigned)bits;
  if (out->bits != 0 && out->bits != 16 && out->bits != 20 && out->bits != 24 &&
      mt_config_find(root, "bits", &item))
    return mt_config_fail(item, err, "bits is %u; expected 16, 20, 24, or 0 for float", out->bits);
  return MT_OK;
}

/* What a state may override is what the unit itself may say, but its name and its states. */
static mt_code read_properties(mt_config_item root, mt_simulated_unit *out, mt_error *err)
{
  double seed = (double)out->seed;
  mt_code code = read_channel(root, "left", &out->channel[0], err);

  if (code == MT_OK)
    code = read_channel(root, "right", &out->channel[1], err);
  if (code == MT_OK)
    code = mt_config_bool(root, "swap", &out->swap, err);
  if (code == MT_OK)
    code = mt_config_bool(root, "sum", &out->sum, err);
  if (code == MT_OK)
    code = mt_config_number(root, "hum_hz", 1.0, 1000.0, &out->hum_hz, err);
  if (code == MT_OK)
    code = mt_config_number(root, "delay_s", 0.0, 3600.0, &out->delay_s, err);
  if (code == MT_OK)
    code = mt_config_number(root, "clock_offset_ppm", -1e5, 1e5, &out->clock_offset_ppm, err);
  if (code == MT_OK)
    code = mt_config_number(root, "clock_drift_ppm_per_s", -1e3, 1e3, &out->clock_drift_ppm_per_s, err);
  if (code == MT_OK)
    code = mt_config_number(root, "mixer_rate_hz", 0.0, 1e6, &out->mixer_rate_hz, err);
  if (code == MT_OK)
    code = mt_config_number(root, "load_ohm", 0.0, 1e7, &out->load_ohm, err);
  if (code == MT_OK)
    code = mt_config_number(root, "input_ohm", 0.0, 1e9, &out->input_ohm, err);
  if (code == MT_OK)
    code = mt_config_number(root, "return_ohm", 0.0, 1e6, &out->return_ohm, err);
  if (code == MT_OK)
    code = read_bits(root, out, err);
  if (code == MT_OK)
    code = mt_unit_volume_read(root, &out->volume, err);
  if (code == MT_OK)
    code = read_whole(root, "seed", 9007199254740992.0, &seed, err);
  out->seed = (uint64_t)seed;
  return code == MT_OK ? read_dropouts(root, out, err) : code;
}

/* FNV-1a, 64 bits: names that differ give seeds that differ. */
static uint64_t mix_name(uint64_t seed, const char *name)
{
  uint64_t hash = 14695981039346656037u ^ seed;

  for (const char *p = name; *p != '\0'; p++)
    hash = (hash ^ (unsigned char)*p) * 1099511628211u;
  return hash;
}

static mt_code read_state(mt_config_item group, mt_simulated_unit *unit, char *name, size_t size,
                          mt_error *err)
{
  static const char *const keys[] = {"name",          "left",     "right",     "swap",
                                     "sum",           "hum_hz",   "delay_s",   "clock_offset_ppm",
                                     "bits",          "seed",     "dropouts",  "clock_drift_ppm_per_s",
                                     "mixer_rate_hz", "load_ohm", "input_ohm", "return_ohm",
                                     "volume"};
  mt_config_item item;
  mt_code code;

  if (!mt_config_is_group(group))
    return mt_config_fail(group, err,
                          "a state is not a group; expected { name = \"lift\"; left = { ... }; }");
  code = mt_config_check_keys(group, keys, COUNT(keys), err);
  name[0] = '\0';
  if (code == MT_OK)
    code = mt_config_text(group, "name", name, size, err);
  if (code == MT_OK && name[0] == '\0')
    return mt_config_fail(mt_config_find(group, "name", &item) ? item : group, err,
                          "a state has no name; expected name = \"...\"");
  return code == MT_OK ? read_properties(group, unit, err) : code;
}

/* All of them are read, whichever is wanted: a mistake is better seen before the third take than at it. */
static mt_code read_states(mt_config_item root, const char *wanted, mt_simulated_unit *out, mt_error *err)
{
  mt_simulated_unit begun = *out;
  mt_config_item list;
  mt_code code = MT_OK;

  if (wanted != NULL && wanted[0] != '\0')
    out->seed = mix_name(out->seed, wanted);
  if (!mt_config_find(root, "states", &list))
    return MT_OK;
  if (!mt_config_is_list(list))
    return mt_config_fail(list, err, "states is not a list; expected states = ( { name = \"lift\"; ... } );");
  for (size_t i = 0; i < mt_config_length(list) && code == MT_OK; i++) {
    mt_simulated_unit unit = begun;
    char name[32];
    code = read_state(mt_config_at(list, i), &unit, name, sizeof name, err);
    if (code != MT_OK || wanted == NULL || strcmp(name, wanted) != 0)
      continue;
    unit.seed = mix_name(unit.seed, wanted);
    *out = unit;
  }
  return code;
}

static mt_code read_unit(mt_config_item root, const char *state, mt_simulated_unit *out, mt_error *err)
{
  static const char *const keys[] = {"name",
                                     "left",
                                     "right",
                                     "swap",
                                     "sum",
                                     "hum_hz",
                                     "delay_s",
                                     "clock_offset_ppm",
                                     "bits",
                                     "seed",
                                     "dropouts",
                                     "states",
                                     "clock_drift_ppm_per_s",
                                     "mixer_rate_hz",
                                     "load_ohm",
                                     "input_ohm",
                                     "return_ohm",
                                     "volume"};
  static const char *const of_a_plan[] = {"limits", "by_hand", "extras", "expect_route", "expect_polarity"};
  mt_code code = mt_config_refuse_other(root, of_a_plan, COUNT(of_a_plan), "a plan (--plan)",
                                        "the file of a simulated unit", err);

  if (code == MT_OK)
    code = mt_config_check_keys(root, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_text(root, "name", out->name, sizeof out->name, err);
  if (code == MT_OK)
    code = read_properties(root, out, err);
  return code == MT_OK ? read_states(root, state, out, err) : code;
}

static mt_code take_config(mt_config *config, const char *state, mt_simulated_unit *out, mt_error *err)
{
  mt_simulated_unit unit;
  mt_code code;

  mt_simulate_init(&unit);
  unit.name[0] = '\0';
  code = read_unit(mt_config_root(config), state, &unit, err);
  mt_config_close(&config);
  if (code == MT_OK)
    *out = unit;
  return code;
}

mt_code mt_simulate_open(const char *path, mt_simulated_unit *out, mt_error *err)
{
  return mt_simulate_open_state(path, NULL, out, err);
}

mt_code mt_simulate_parse(const char *text, const char *name, mt_simulated_unit *out, mt_error *err)
{
  return mt_simulate_parse_state(text, name, NULL, out, err);
}

mt_code mt_simulate_open_state(const char *path, const char *state, mt_simulated_unit *out, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code = mt_config_open(path, &config, err);
  return code == MT_OK ? take_config(config, state, out, err) : code;
}

mt_code mt_simulate_parse_state(const char *text, const char *name, const char *state, mt_simulated_unit *out,
                                mt_error *err)
{
  mt_config *config = NULL;
  mt_code code = mt_config_parse(text, name, &config, err);
  return code == MT_OK ? take_config(config, state, out, err) : code;
}
