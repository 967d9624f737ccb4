#include <mendtone/job.h>

#include "base/file.h"
#include "base/text.h"
#include "bench/folder.h"
#include "bench/record.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* More than any repair says; what is larger is no job book. */
#define MAX_BYTES ((size_t)16 << 20)
#define WAIT_S 10.0
#define HIDDEN ".new-"

/* ---- where jobs live -------------------------------------------------------------------------------- */

mt_code mt_job_base(const char *given, char *out, mt_error *err)
{
  static const struct {
    const char *variable, *below;
  } places[] = {
      {"MENDTONE_JOBS", ""}, {"XDG_DATA_HOME", "/mendtone/jobs"}, {"HOME", "/.local/share/mendtone/jobs"}};
  char path[MT_JOB_PATH_MAX];
  int n = given != NULL ? snprintf(path, sizeof path, "%s", given) : 0;

  for (size_t i = 0; i < sizeof places / sizeof places[0] && n == 0; i++) {
    const char *value = getenv(places[i].variable);
    /* the XDG specification: a relative path is not valid and is ignored */
    if (value != NULL && value[0] != '\0' && (i == 0 || value[0] == '/'))
      n = snprintf(path, sizeof path, "%s%s", value, places[i].below);
  }
  if (n <= 0)
    return mt_fail(err, MT_E_ARG,
                   "where do jobs live? Neither HOME nor MENDTONE_JOBS is set; expected --jobs FOLDER");
  if ((size_t)n >= sizeof path)
    return mt_fail(err, MT_E_ARG, "the path of the jobs has %d bytes; expected at most %zu", n,
                   sizeof path - 1);
  memcpy(out, path, (size_t)n + 1);
  return MT_OK;
}

static bool is_job(const char *folder)
{
  char path[MT_JOB_PATH_MAX];
  return mt_folder_join(folder, MT_JOB_FILE, path, NULL) == MT_OK && access(path, F_OK) == 0;
}

static bool make_absolute(const char *path, char *out)
{
  char *real = realpath(path, NULL);
  bool fits = real != NULL && strlen(real) < MT_JOB_PATH_MAX;

  if (fits)
    memcpy(out, real, strlen(real) + 1);
  free(real);
  return fits;
}

static mt_code find_here(char *out, mt_error *err)
{
  char here[MT_JOB_PATH_MAX];

  for (bool more = make_absolute(".", here); more;) {
    char *slash = strrchr(here, '/');
    if (is_job(here)) {
      memcpy(out, here, sizeof here);
      return MT_OK;
    }
    more = slash != NULL && slash > here;
    if (more)
      *slash = '\0';
  }
  return mt_fail(
      err, MT_E_NO_INPUT,
      "no job is named, and this folder is not one; name it with --job (mendtone jobs lists them), or make "
      "one: mendtone job new \"what is repaired\"");
}

/* A part of one name only; of several, their names are the message. */
static mt_code find_by_part(const char *base, const char *name, char *out, mt_error *err)
{
  char **names = NULL, found[3][64] = {"", "", ""}, path[MT_JOB_PATH_MAX];
  size_t n = 0, nfound = 0;
  mt_code code = mt_folder_names(base, &names, &n, err);

  for (size_t i = 0; i < n && code == MT_OK; i++) {
    if (names[i][0] == '.' || strstr(names[i], name) == NULL ||
        mt_folder_join(base, names[i], path, NULL) != MT_OK || !is_job(path))
      continue;
    if (nfound < 3)
      mt_text_copy(found[nfound], sizeof found[0], names[i]);
    if (nfound++ == 0 && !make_absolute(path, out))
      code = mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be used: %s", path, strerror(errno));
  }
  mt_folder_free_names(names, n);
  if (code != MT_OK || nfound == 1)
    return code;
  if (nfound == 0)
    return mt_fail(err, MT_E_NO_INPUT, "there is no job \"%.80s\"; mendtone jobs lists those in %.90s", name,
                   base);
  return mt_fail(err, MT_E_ARG, "\"%.40s\" is part of the names of %zu jobs: %.50s, %.50s%s", name, nfound,
                 found[0], found[1], nfound > 2 ? " ..." : "");
}

mt_code mt_job_find(const char *base, const char *name, char *out, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  struct stat there;

  if (name == NULL)
    return find_here(out, err);
  if (stat(name, &there) == 0 && S_ISDIR(there.st_mode) && is_job(name)) {
    if (make_absolute(name, out))
      return MT_OK;
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be used: its path is too long", name);
  }
  if (strchr(name, '/') != NULL || name[0] == '\0' || name[0] == '.')
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: is not a job: there is no " MT_JOB_FILE " in it", name);
  if (mt_folder_join(base, name, path, NULL) == MT_OK && is_job(path) && make_absolute(path, out))
    return MT_OK;
  return find_by_part(base, name, out, err);
}

/* ---- reading and replacing -------------------------------------------------------------------------- */

mt_code mt_job_load(const char *folder, mt_job **out, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  char *text = NULL;
  mt_job *job = NULL;
  mt_code code = mt_folder_join(folder, MT_JOB_FILE, path, err);

  if (code == MT_OK)
    code = mt_folder_read(path, MAX_BYTES, &text, err);
  if (code == MT_OK)
    code = mt_record_parse_job(text, path, &job, err);
  free(text);
  if (code == MT_OK) {
    mt_text_copy(job->folder, sizeof job->folder, folder);
    *out = job;
  }
  return code;
}

/* What a process left that was killed while it wrote. The lock is ours: nobody is at it. */
static void sweep(const char *folder)
{
  char **names = NULL, path[MT_JOB_PATH_MAX];
  size_t n = 0;

  if (mt_folder_names(folder, &names, &n, NULL) != MT_OK)
    return;
  for (size_t i = 0; i < n; i++) {
    size_t length = strlen(names[i]);
    if (strncmp(names[i], MT_JOB_FILE ".", strlen(MT_JOB_FILE ".")) == 0 && length > 5 &&
        strcmp(names[i] + length - 5, ".part") == 0 && mt_folder_join(folder, names[i], path, NULL) == MT_OK)
      unlink(path);
  }
  mt_folder_free_names(names, n);
}

static mt_code store(const char *folder, const mt_job *job, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  char *text = NULL;
  mt_code code = mt_folder_join(folder, MT_JOB_FILE, path, err);

  if (code == MT_OK)
    code = mt_record_write_job(job, &text, err);
  if (code == MT_OK && strlen(text) > MAX_BYTES)
    code =
        mt_fail(err, MT_E_ARG, "the job would have %zu bytes; expected at most %zu", strlen(text), MAX_BYTES);
  if (code == MT_OK)
    code = mt_file_write(path, text, strlen(text), err);
  if (code == MT_OK)
    code = mt_folder_sync(folder, err);
  free(text);
  return code;
}

static mt_code check_text(const char *what, const char *text, bool may_be_empty, mt_error *err)
{
  if (!may_be_empty && text[strspn(text, " \t\r\n")] == '\0')
    return mt_fail(err, MT_E_ARG, "the %s is empty; expected a text", what);
  if (strlen(text) > MT_JOB_TEXT_MAX / 3)
    return mt_fail(err, MT_E_ARG, "the %s has %zu bytes; expected at most %d", what, strlen(text),
                   MT_JOB_TEXT_MAX / 3);
  return MT_OK;
}

static mt_code replace_text(char **place, const char *text, mt_error *err)
{
  char *copy = mt_record_copy_text(text);

  if (copy == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a text of a job");
  free(*place);
  *place = copy;
  return MT_OK;
}

/* Load, change and store while nobody else can. */
static mt_code edit(const char *folder, const mt_job_entry *entry, const char *unit, const char *complaint,
                    mt_error *err)
{
  mt_job *job = NULL;
  int lock = -1;
  mt_code code = is_job(folder) ? mt_folder_lock(folder, WAIT_S, &lock, err)
                                : mt_fail(err, MT_E_NO_INPUT, "%.150s: there is no " MT_JOB_FILE, folder);

  if (code == MT_OK) {
    sweep(folder);
    code = mt_job_load(folder, &job, err);
  }
  if (code == MT_OK && unit != NULL)
    code = replace_text(&job->unit, unit, err);
  if (code == MT_OK && complaint != NULL)
    code = replace_text(&job->complaint, complaint, err);
  if (code == MT_OK && entry != NULL)
    code = mt_record_add_entry(job, entry, err);
  if (code == MT_OK)
    code = store(folder, job, err);
  mt_folder_unlock(&lock);
  mt_job_destroy(&job);
  return code;
}

mt_code mt_job_add(const char *folder, const mt_job_entry *entry, mt_error *err)
{
  mt_job_entry mine = *entry;
  mt_code code = mt_record_check_entry(entry, err);

  if (mine.time_s == 0)
    mine.time_s = (int64_t)time(NULL);
  return code == MT_OK ? edit(folder, &mine, NULL, NULL, err) : code;
}

mt_code mt_job_describe(const char *folder, const char *unit, const char *complaint, mt_error *err)
{
  mt_code code = unit != NULL ? check_text("unit", unit, false, err) : MT_OK;

  if (code == MT_OK && complaint != NULL)
    code = check_text("complaint", complaint, true, err);
  return code == MT_OK ? edit(folder, NULL, unit, complaint, err) : code;
}

/* ---- making ----------------------------------------------------------------------------------------- */

/* "2026-11-25-desk-amplifier": letters of any script and digits are kept, all else becomes one dash. */
static void name_after(int64_t begun_s, const char *unit, char *out, size_t size)
{
  size_t used, most = size - 8; /* room for a number */

  used = strlen(mt_job_time_text(begun_s, false, out));
  for (bool dash = true; *unit != '\0';) {
    uint32_t rune = 0;
    size_t length = mt_text_decode(unit, &rune);
    bool is_ascii_word =
        (rune >= '0' && rune <= '9') || (rune >= 'a' && rune <= 'z') || (rune >= 'A' && rune <= 'Z');
    bool is_word =
        length > 0 && (is_ascii_word || (rune >= 0xc0 && rune < 0x2000 && rune != 0xd7 && rune != 0xf7) ||
                       (rune >= 0x3040 && rune < 0xe000));
    length = length > 0 ? length : 1;
    if (is_word && used + length + 1 >= most)
      break;
    if (is_word && dash)
      out[used++] = '-';
    for (size_t i = 0; i < length && is_word; i++)
      out[used++] = (char)(rune < 0x80 && rune >= 'A' && rune <= 'Z' ? unit[i] + ('a' - 'A') : unit[i]);
    dash = !is_word;
    unit += length;
  }
  out[used] = '\0';
}

/* Written beside its place under a hidden name, then named: there is no job without its job.cfg. */
static mt_code create_hidden(const char *base, const mt_job *job, char hidden[MT_JOB_PATH_MAX], mt_error *err)
{
  char name[64], stages[MT_JOB_PATH_MAX];
  mt_code code = MT_OK;
  int problem = EEXIST;

  for (unsigned i = 0; i < 100 && problem == EEXIST && code == MT_OK; i++) {
    snprintf(name, sizeof name, HIDDEN "%ld-%u", (long)getpid(), i);
    code = mt_folder_join(base, name, hidden, err);
    if (code == MT_OK)
      problem = mkdir(hidden, 0777) == 0 ? 0 : errno;
  }
  if (code == MT_OK && problem != 0)
    code = mt_fail(err, MT_E_CREATE, "%.150s: a job cannot be created here: %s", base, strerror(problem));
  if (code != MT_OK) {
    hidden[0] = '\0'; /* not ours to remove */
    return code;
  }
  code = store(hidden, job, err);
  if (code == MT_OK)
    code = mt_folder_join(hidden, "stages", stages, err);
  if (code == MT_OK && mkdir(stages, 0777) != 0)
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", stages, strerror(errno));
  if (code == MT_OK)
    code = mt_folder_sync(hidden, err);
  return code;
}

static void remove_hidden(const char *hidden)
{
  char stages[MT_JOB_PATH_MAX];

  if (mt_folder_join(hidden, "stages", stages, NULL) == MT_OK)
    rmdir(stages);
  mt_folder_remove(hidden);
}

/* What was left by a process that was killed while it made a job, which takes no day. */
static void sweep_hidden(const char *base)
{
  char **names = NULL, path[MT_JOB_PATH_MAX];
  size_t n = 0;
  struct stat there;

  if (mt_folder_names(base, &names, &n, NULL) != MT_OK)
    return;
  for (size_t i = 0; i < n; i++)
    if (strncmp(names[i], HIDDEN, strlen(HIDDEN)) == 0 &&
        mt_folder_join(base, names[i], path, NULL) == MT_OK && lstat(path, &there) == 0 &&
        S_ISDIR(there.st_mode) && there.st_mtime < time(NULL) - 86400)
      remove_hidden(path);
  mt_folder_free_names(names, n);
}

static mt_code name_hidden(const char *base, const mt_job *job, const char *hidden, char *out, mt_error *err)
{
  char name[80], numbered[96];
  mt_code code = MT_E_CREATE;

  name_after(job->begun_s, job->unit, name, sizeof name);
  for (unsigned i = 1; i < 10000 && code == MT_E_CREATE; i++) {
    snprintf(numbered, sizeof numbered, i == 1 ? "%s" : "%s-%u", name, i);
    code = mt_folder_join(base, numbered, out, err);
    if (code == MT_OK)
      code = mt_folder_rename(hidden, out, err);
  }
  return code;
}

/* The folder that a path stands in, "." if it names none. */
static mt_code parent_of(const char *path, char *out, mt_error *err)
{
  size_t length = strlen(path);

  while (length > 1 && path[length - 1] == '/')
    length--;
  while (length > 0 && path[length - 1] != '/')
    length--;
  if (length >= MT_JOB_PATH_MAX)
    return mt_fail(err, MT_E_ARG, "the path has %zu bytes; expected at most %d", length, MT_JOB_PATH_MAX - 1);
  memcpy(out, length > 0 ? path : ".", length > 0 ? length : 1);
  out[length > 0 ? length : 1] = '\0';
  return MT_OK;
}

static mt_code check_new_folder(const char *folder, mt_error *err)
{
  struct stat there;

  if (strlen(folder) >= MT_JOB_PATH_MAX - 1)
    return mt_fail(err, MT_E_ARG, "the path has %zu bytes; expected at most %d", strlen(folder),
                   MT_JOB_PATH_MAX - 2);
  if (lstat(folder, &there) == 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: exists already; expected a name for a new folder", folder);
  return MT_OK;
}

mt_code mt_job_create(const char *base, const char *folder, const char *unit, const char *complaint,
                      int64_t begun_s, char *out, mt_error *err)
{
  char parent[MT_JOB_PATH_MAX], hidden[MT_JOB_PATH_MAX] = "", place[MT_JOB_PATH_MAX];
  mt_job job = {.begun_s = begun_s != 0 ? begun_s : (int64_t)time(NULL)};
  mt_code code = check_text("unit", unit, false, err);

  if (code == MT_OK)
    code = check_text("complaint", complaint, true, err);
  if (code == MT_OK && folder != NULL)
    code = check_new_folder(folder, err);
  if (code == MT_OK)
    code = folder != NULL ? parent_of(folder, parent, err) : mt_folder_join(base, "", parent, err);
  if (code == MT_OK)
    code = replace_text(&job.unit, unit, err);
  if (code == MT_OK)
    code = replace_text(&job.complaint, complaint, err);
  if (code == MT_OK)
    code = mt_folder_make(parent, err);
  if (code == MT_OK) {
    sweep_hidden(parent);
    code = create_hidden(parent, &job, hidden, err);
  }
  if (code == MT_OK && folder != NULL) {
    mt_text_copy(place, sizeof place, folder);
    code = mt_folder_rename(hidden, folder, err);
  } else if (code == MT_OK)
    code = name_hidden(parent, &job, hidden, place, err);
  if (code != MT_OK && hidden[0] != '\0')
    remove_hidden(hidden);
  if (code == MT_OK)
    (void)mt_folder_sync(parent, NULL); /* the job is there; a crash of the machine might still lose it */
  if (code == MT_OK && !make_absolute(place, out))
    code = mt_fail(err, MT_E_CREATE, "%.150s: was made, but its whole path is too long to be used", place);
  free(job.unit);
  free(job.complaint);
  return code;
}
