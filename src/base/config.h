/**
 * @file config.h  Files in libconfig syntax, read strictly: every refusal names file and line, what was
 * found, what was expected and the nearest known name. The only file that includes libconfig.
 */
#ifndef BASE_CONFIG_H
#define BASE_CONFIG_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

typedef struct mt_config mt_config;

/** A group, list or value inside a file; plain, valid until the file is closed. */
typedef struct mt_config_item {
  const mt_config *config;
  void *setting;
} mt_config_item;

/** MT_E_NO_INPUT if it cannot be opened, MT_E_PLAN if its syntax is wrong. */
mt_code mt_config_open(const char *path, mt_config **out, mt_error *err);
/** From text; `name` stands for the file in messages. */
mt_code mt_config_parse(const char *text, const char *name, mt_config **out, mt_error *err);
/** MT_E_PLAN if a line begins with @include: it would be read from another file, whose lines no message names. */
mt_code mt_config_refuse_includes(const char *text, const char *name, mt_error *err);
void mt_config_close(mt_config **config);

mt_config_item mt_config_root(const mt_config *config);
int mt_config_line(mt_config_item item);

/** Fail with MT_E_PLAN and "file:line: " before the message. */
mt_code mt_config_fail(mt_config_item item, mt_error *err, const char *fmt, ...) MT_PRINTF(3, 4);

/** Refuse any key of a group that is not in the list, with a suggestion. */
mt_code mt_config_check_keys(mt_config_item group, const char *const *keys, size_t nkeys, mt_error *err);

/** Refuse a file in which one of `theirs` stands: "x.cfg:3: \"limits\" belongs to a plan; expected ..." */
mt_code mt_config_refuse_other(mt_config_item root, const char *const *theirs, size_t ntheirs,
                               const char *other, const char *expected, mt_error *err);

/** The member of that name. @return false if there is none. */
bool mt_config_find(mt_config_item group, const char *key, mt_config_item *out);
bool mt_config_is_group(mt_config_item item);
/** A list ( ... ) or an array [ ... ]. */
bool mt_config_is_list(mt_config_item item);
bool mt_config_is_text(mt_config_item item);
size_t mt_config_length(mt_config_item list);
mt_config_item mt_config_at(mt_config_item list, size_t index);

/** The value itself as text, or NULL if it is not text. */
const char *mt_config_text_value(mt_config_item item);

/**
 * Read one member if it is there; `out` keeps its value (the default) if not.
 * Wrong type, out of [min, max], not finite or too long: MT_E_PLAN.
 */
mt_code mt_config_number(mt_config_item group, const char *key, double min, double max, double *out,
                         mt_error *err);
/** The element of a list: a number within [min, max]. */
mt_code mt_config_number_at(mt_config_item list, size_t index, const char *key, double min, double max,
                            double *out, mt_error *err);
mt_code mt_config_bool(mt_config_item group, const char *key, bool *out, mt_error *err);
mt_code mt_config_text(mt_config_item group, const char *key, char *out, size_t size, mt_error *err);

#endif
