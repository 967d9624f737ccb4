/* Where rigs are kept, and what a name may be. */
#include <mendtone/rig.h>

#include "base/file.h"
#include "base/text.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define ENDING ".cfg"
#define DAY_S 86400.0

mt_code mt_rig_create(mt_rig **out, mt_error *err)
{
  mt_rig *rig = calloc(1, sizeof *rig);

  if (rig == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a rig");
  rig->max_age_days = MT_RIG_MAX_AGE_DAYS;
  *out = rig;
  return MT_OK;
}

/* Letters and digits of ASCII only: the name becomes a file's, on whatever system. */
static bool is_name_character(char c)
{
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_' ||
         c == '.';
}

mt_code mt_rig_check_name(const char *name, mt_error *err)
{
  size_t length = strlen(name);
  char shown[61];

  for (size_t i = 0; i < length && i < sizeof shown; i++)
    if (!is_name_character(name[i]) || name[0] == '.') {
      mt_text_copy(shown, sizeof shown, name);
      for (char *p = shown; *p != '\0'; p++)
        if ((unsigned char)*p < 0x20 || *p == 0x7f)
          *p = '?';
      return mt_fail(err, MT_E_ARG,
                     "\"%s\" is no name for a rig; expected letters, digits, - and _, like bench-48", shown);
    }
  if (length == 0 || length > MT_RIG_NAME_MAX)
    return mt_fail(err, MT_E_ARG, "the name of the rig has %zu characters; expected 1 to %d", length,
                   MT_RIG_NAME_MAX);
  return MT_OK;
}

/* As the XDG base directory specification has it: a path that is not absolute does not count. */
static mt_code find_folder(char *out, size_t size, mt_error *err)
{
  const char *config = getenv("XDG_CONFIG_HOME"), *home = getenv("HOME");
  int length;

  if (config != NULL && config[0] == '/')
    length = snprintf(out, size, "%s/mendtone/rigs", config);
  else if (home != NULL && home[0] == '/')
    length = snprintf(out, size, "%s/.config/mendtone/rigs", home);
  else
    return mt_fail(err, MT_E_NO_INPUT,
                   "rigs have no place: neither XDG_CONFIG_HOME nor HOME is the path of a folder");
  if (length < 0 || (size_t)length >= size)
    return mt_fail(err, MT_E_ARG, "the path of the rigs' folder is too long");
  return MT_OK;
}

mt_code mt_rig_path(const char *name, char *out, size_t size, mt_error *err)
{
  char folder[3072];
  mt_code code = mt_rig_check_name(name, err);

  if (code == MT_OK)
    code = find_folder(folder, sizeof folder, err);
  if (code == MT_OK && strlen(folder) + strlen(name) + sizeof ENDING + 1 > size)
    code = mt_fail(err, MT_E_ARG, "the path of the rigs' folder is too long");
  if (code == MT_OK)
    snprintf(out, size, "%s/%s" ENDING, folder, name);
  return code;
}

/* Each folder on the way that is not there yet. */
static mt_code make_folders(const char *path, mt_error *err)
{
  char part[4096];

  mt_text_copy(part, sizeof part, path);
  for (char *slash = strchr(part + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
    *slash = '\0';
    if (mkdir(part, 0700) != 0 && errno != EEXIST)
      return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", part, strerror(errno));
    *slash = '/';
  }
  return MT_OK;
}

mt_code mt_rig_save(const mt_rig *rig, mt_error *err)
{
  char path[4000];
  char *text = NULL;
  mt_code code = mt_rig_path(rig->name, path, sizeof path, err);

  if (code == MT_OK)
    code = mt_rig_print(rig, &text, err);
  if (code == MT_OK)
    code = make_folders(path, err);
  if (code == MT_OK)
    code = mt_file_write(path, text, strlen(text), err);
  free(text);
  return code;
}

/* ---- which there are ------------------------------------------------------------------------------- */

static int compare_names(const void *a, const void *b)
{
  return strcmp(*(char *const *)a, *(char *const *)b);
}

/* The name of a rig's file without its ending, malloc'ed; NULL if it is none. */
static char *name_of(const char *file)
{
  size_t length = strlen(file);
  char name[MT_RIG_NAME_MAX + 1];

  if (length <= strlen(ENDING) || strcmp(file + length - strlen(ENDING), ENDING) != 0)
    return NULL;
  length -= strlen(ENDING);
  if (length > MT_RIG_NAME_MAX)
    return NULL;
  memcpy(name, file, length);
  name[length] = '\0';
  return mt_rig_check_name(name, NULL) == MT_OK ? strdup(name) : NULL;
}

mt_code mt_rig_list(char ***names, size_t *n, mt_error *err)
{
  char folder[3072];
  char **found = NULL;
  size_t count = 0;
  struct dirent *entry;
  DIR *dir;
  mt_code code = find_folder(folder, sizeof folder, err);

  if (code != MT_OK)
    return code;
  dir = opendir(folder);
  if (dir == NULL && errno != ENOENT)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", folder, strerror(errno));
  while (dir != NULL && code == MT_OK && (entry = readdir(dir)) != NULL) {
    char *name = name_of(entry->d_name), **grown;
    if (name == NULL)
      continue;
    grown = realloc(found, (count + 1) * sizeof *found);
    if (grown == NULL) {
      free(name);
      code = mt_fail(err, MT_E_MEMORY, "out of memory for the list of rigs");
      break;
    }
    found = grown;
    found[count++] = name;
  }
  if (dir != NULL)
    closedir(dir);
  if (code != MT_OK) {
    mt_rig_free_list(&found, count);
    return code;
  }
  if (count > 0)
    qsort(found, count, sizeof *found, compare_names);
  *names = found;
  *n = count;
  return MT_OK;
}

void mt_rig_free_list(char ***names, size_t n)
{
  for (size_t i = 0; i < n && *names != NULL; i++)
    free((*names)[i]);
  free(*names);
  *names = NULL;
}

/* ---- age ------------------------------------------------------------------------------------------- */

double mt_rig_age_days(const mt_rig *rig, time_t now)
{
  struct tm parts = {0};
  const char *end = strptime(rig->made, "%Y-%m-%dT%H:%M:%SZ", &parts);

  if (end == NULL || *end != '\0')
    return (double)INFINITY;
  return difftime(now, timegm(&parts)) / DAY_S;
}
