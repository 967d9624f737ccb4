/*
 * The stages of a job.
 *
 * A stage is written in stages/.LABEL.open-..., which its writer locks. When all is there, stage.cfg is written
 * last, and the folder gets its name under the lock of the job. Whoever finds an open folder with a
 * stage.cfg and no writer finishes what that one had begun: so a kill at any point leaves the stage as it
 * was or as it was to be.
 */
#include <mendtone/job.h>

#include "base/file.h"
#include "base/text.h"
#include "bench/folder.h"
#include "bench/record.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define STAGES "stages"
#define OPEN ".open-"
#define GONE ".gone-"
#define RESULTS "results.json"
#define MAX_STAGE_BYTES ((size_t)1 << 16)
#define MAX_KEPT 1000000u
#define WAIT_S 10.0
#define PROBE_S 1.0 /* others hold the lock of an open stage for a moment, to see whether it is held */

struct mt_open_stage {
  char job[MT_JOB_PATH_MAX];
  char folder[MT_JOB_PATH_MAX];
  char label[MT_JOB_LABEL_MAX + 1];
  int lock;
  unsigned replaces; /* serial of the stage that is read again; 0: none */
};

/* ---- names ------------------------------------------------------------------------------------------ */

mt_code mt_job_check_label(const char *label, mt_error *err)
{
  size_t length = strlen(label);
  char shown[48];

  mt_text_copy(shown, sizeof shown, label);
  if (length == 0)
    return mt_fail(err, MT_E_ARG, "the stage has no name; expected before, after or another word");
  if (length > MT_JOB_LABEL_MAX)
    return mt_fail(err, MT_E_ARG, "the stage's name \"%s...\" has %zu bytes; expected at most %d", shown,
                   length, MT_JOB_LABEL_MAX);
  if (label[0] == '.' || label[0] == '-')
    return mt_fail(err, MT_E_ARG, "the stage's name \"%s\" begins with %c; expected a letter or a digit",
                   shown, label[0]);
  if (label[0] == ' ' || label[length - 1] == ' ')
    return mt_fail(err, MT_E_ARG, "the stage's name \"%s\" has a blank at its end; expected none", shown);
  for (const char *p = label; *p != '\0';) {
    uint32_t rune = 0;
    size_t n = mt_text_decode(p, &rune);
    if (n == 0 || mt_text_is_control(rune))
      return mt_fail(err, MT_E_ARG, "byte %zu of the stage's name is %s; expected a plain name",
                     (size_t)(p - label) + 1, n == 0 ? "not UTF-8" : "a control character");
    if (rune < 0x80 && strchr("/\\:~", (int)rune) != NULL)
      return mt_fail(err, MT_E_ARG, "the stage's name \"%s\" has a %c; expected none of / \\ : ~", shown, *p);
    p += n;
  }
  return MT_OK;
}

const char *mt_job_take_name(const char *state, char *out)
{
  size_t used = 4;

  memcpy(out, "take", 5);
  if (state != NULL && state[0] != '\0' && strcmp(state, "default") != 0) {
    out[used++] = '-';
    for (const char *p = state; *p != '\0' && used + 3 + 5 < 128; p++) {
      unsigned char c = (unsigned char)*p;
      if (c <= 0x20 || c >= 0x7f || strchr("/\\:%~\"*?<>|", c) != NULL)
        used += (size_t)snprintf(out + used, 4, "%%%02X", c);
      else
        out[used++] = (char)c;
    }
  }
  memcpy(out + used, ".wav", 5);
  return out;
}

static mt_code stages_folder(const char *job, char *out, mt_error *err)
{
  return mt_folder_join(job, STAGES, out, err);
}

/* "before", "before~2". @return false for what is no stage's name. */
static bool parse_name(const char *name, char label[MT_JOB_LABEL_MAX + 1], unsigned *kept)
{
  const char *tilde = strchr(name, '~');
  size_t length = tilde != NULL ? (size_t)(tilde - name) : strlen(name);
  unsigned number = 0;

  if (length == 0 || length > MT_JOB_LABEL_MAX)
    return false;
  for (const char *p = tilde != NULL ? tilde + 1 : ""; *p != '\0'; p++) {
    if (*p < '0' || *p > '9' || number > MAX_KEPT)
      return false;
    number = 10 * number + (unsigned)(*p - '0');
  }
  if (tilde != NULL && (number == 0 || tilde[1] == '0'))
    return false;
  memcpy(label, name, length);
  label[length] = '\0';
  *kept = number;
  return mt_job_check_label(label, NULL) == MT_OK;
}

/* ".before.open-12-0": the label between the first dot and the last mark. */
static bool parse_hidden(const char *name, const char *mark, char label[MT_JOB_LABEL_MAX + 1])
{
  const char *end = NULL;

  for (const char *p = name; (p = strstr(p, mark)) != NULL; p++)
    end = p;
  if (name[0] != '.' || end == NULL || end <= name + 1 || (size_t)(end - name) - 1 > MT_JOB_LABEL_MAX)
    return false;
  memcpy(label, name + 1, (size_t)(end - name) - 1);
  label[end - name - 1] = '\0';
  return mt_job_check_label(label, NULL) == MT_OK;
}

static mt_code name_stage(const char *job, const char *label, unsigned kept, char *out, mt_error *err)
{
  char stages[MT_JOB_PATH_MAX], name[MT_JOB_LABEL_MAX + 16];
  mt_code code = stages_folder(job, stages, err);

  snprintf(name, sizeof name, kept > 0 ? "%s~%u" : "%s", label, kept);
  return code == MT_OK ? mt_folder_join(stages, name, out, err) : code;
}

/* ---- reading ---------------------------------------------------------------------------------------- */

static bool exists(const char *folder, const char *name)
{
  char path[MT_JOB_PATH_MAX];
  return mt_folder_join(folder, name, path, NULL) == MT_OK && access(path, F_OK) == 0;
}

/* `out->folder` says where. */
static mt_code load_stage(mt_stage *out, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  char *text = NULL;
  mt_code code = mt_folder_join(out->folder, MT_STAGE_FILE, path, err);

  if (code == MT_OK)
    code = mt_folder_read(path, MAX_STAGE_BYTES, &text, err);
  if (code == MT_OK)
    code = mt_record_parse_stage(text, path, out, err);
  free(text);
  return code;
}

static int by_serial(const void *a, const void *b)
{
  const mt_stage *x = a, *y = b;
  return x->serial != y->serial ? (x->serial > y->serial) - (x->serial < y->serial)
                                : strcmp(x->folder, y->folder);
}

/* A stage that was tampered with is listed, with what is wrong with it: it must not just be missing. */
static mt_code list_stages(const char *job, mt_stage **out, size_t *nstages, mt_error *err)
{
  char stages[MT_JOB_PATH_MAX], **names = NULL;
  size_t n = 0, count = 0;
  mt_stage *list = NULL;
  mt_code code = stages_folder(job, stages, err);

  if (code == MT_OK)
    code = mt_folder_names(stages, &names, &n, err);
  if (code == MT_OK && (list = calloc(n > 0 ? n : 1, sizeof *list)) == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for %zu stages", n);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    mt_stage *stage = &list[count];
    mt_error damage = {0};
    if (!parse_name(names[i], stage->label, &stage->kept) ||
        mt_folder_join(stages, names[i], stage->folder, NULL) != MT_OK)
      continue;
    if (load_stage(stage, &damage) != MT_OK) {
      if (!exists(stage->folder, MT_STAGE_FILE))
        continue; /* somebody's own folder, or a file */
      mt_text_copy(stage->why, sizeof stage->why, damage.message);
    }
    count++;
  }
  mt_folder_free_names(names, n);
  if (code != MT_OK) {
    free(list);
    return code;
  }
  if (count > 1)
    qsort(list, count, sizeof *list, by_serial);
  *out = list;
  *nstages = count;
  return MT_OK;
}

/* ---- finishing -------------------------------------------------------------------------------------- */

static unsigned serial_of(const char *folder)
{
  mt_stage stage = {.serial = 0};

  mt_text_copy(stage.folder, sizeof stage.folder, folder);
  return load_stage(&stage, NULL) == MT_OK ? stage.serial : 0;
}

/* The name under which the next one of this label is kept: younger than all that are. */
static mt_code name_kept(const char *job, const char *label, char *out, mt_error *err)
{
  char stages[MT_JOB_PATH_MAX], **names = NULL, other[MT_JOB_LABEL_MAX + 1];
  size_t n = 0;
  unsigned most = 0, kept;
  mt_code code = stages_folder(job, stages, err);

  if (code == MT_OK)
    code = mt_folder_names(stages, &names, &n, err);
  for (size_t i = 0; i < n && code == MT_OK; i++)
    if (parse_name(names[i], other, &kept) && strcmp(other, label) == 0 && kept > most)
      most = kept;
  mt_folder_free_names(names, n);
  return code == MT_OK ? name_stage(job, label, most + 1, out, err) : code;
}

/* Out of sight in one step: what is half removed must not be taken for a stage. */
static void remove_folder(const char *folder)
{
  char gone[MT_JOB_PATH_MAX], *mark;

  if (mt_folder_join(folder, MT_STAGE_FILE, gone, NULL) == MT_OK)
    unlink(gone);
  mt_text_copy(gone, sizeof gone, folder);
  mark = strstr(mt_text_basename(gone), OPEN) != NULL ? strrchr(gone, '.') : NULL;
  if (mark != NULL)
    memcpy(mark, GONE, strlen(GONE));
  if (mark != NULL && rename(folder, gone) == 0)
    mt_folder_remove(gone);
  else
    mt_folder_remove(folder);
}

/*
 * The open folder gets its label; what has the label now is kept under another name. If the file system can,
 * they change places in one step; else there is a moment without either, which a reader may see, and after
 * a kill whoever comes next ends it. *old receives where the former one is now, "" if there was none.
 */
static mt_code change_places(const char *open_folder, const char *place, const char *kept, char *old,
                             mt_error *err)
{
  struct stat there;
  mt_code code;

  old[0] = '\0';
  if (lstat(place, &there) != 0 && errno == ENOENT)
    return mt_folder_rename(open_folder, place, err);
  if (renameat2(AT_FDCWD, open_folder, AT_FDCWD, place, RENAME_EXCHANGE) == 0) {
    mt_text_copy(old, MT_JOB_PATH_MAX, open_folder);
    return MT_OK;
  }
  if (errno != EINVAL && errno != ENOSYS && errno != ENOTSUP)
    return mt_fail(err, MT_E_IO, "%.150s: cannot be replaced: %s", place, strerror(errno));
  code = mt_folder_rename(place, kept, err);
  if (code == MT_OK)
    code = mt_folder_rename(open_folder, place, err);
  if (code == MT_OK)
    mt_text_copy(old, MT_JOB_PATH_MAX, kept);
  return code;
}

/*
 * Under the lock of the job, all files written. `replaces`: the serial of the stage that may go. Once *placed
 * is true `open_folder` is not ours any more: it may be the former stage, waiting for its new name.
 */
static mt_code place_stage(const char *job, const char *label, const char *open_folder, unsigned replaces,
                           bool *placed, mt_error *err)
{
  char place[MT_JOB_PATH_MAX], kept[MT_JOB_PATH_MAX], old[MT_JOB_PATH_MAX], stages[MT_JOB_PATH_MAX];
  mt_code code = name_stage(job, label, 0, place, err);

  if (code == MT_OK)
    code = name_kept(job, label, kept, err);
  if (code == MT_OK)
    code = stages_folder(job, stages, err);
  if (code != MT_OK)
    return code;
  /* found after a kill between two renames: this is the one that was to be kept */
  if (serial_of(place) > serial_of(open_folder))
    return mt_folder_rename(open_folder, kept, err);
  code = change_places(open_folder, place, kept, old, err);
  *placed = code == MT_OK;
  if (code == MT_OK)
    code = mt_folder_sync(stages, err);
  if (code != MT_OK || old[0] == '\0')
    return code;
  if (replaces != 0 && serial_of(old) == replaces)
    remove_folder(old);
  else if (strcmp(old, kept) != 0)
    code = mt_folder_rename(old, kept, err);
  return code == MT_OK ? mt_folder_sync(stages, err) : code;
}

/* Is its writer still at it? One that is not there leaves no lock. */
static bool is_busy(const char *folder)
{
  char path[MT_JOB_PATH_MAX];
  int fd =
      mt_folder_join(folder, ".lock", path, NULL) == MT_OK ? open(path, O_RDWR | O_CLOEXEC | O_NOFOLLOW) : -1;
  bool busy = fd >= 0 && flock(fd, LOCK_SH | LOCK_NB) != 0;

  if (fd >= 0)
    close(fd);
  return busy;
}

/* Only the lock, or nothing: what a process leaves that is killed at once. */
static bool is_empty(const char *folder)
{
  char **names = NULL;
  size_t n = 0;
  bool empty = mt_folder_names(folder, &names, &n, NULL) == MT_OK &&
               (n == 0 || (n == 1 && strcmp(names[0], ".lock") == 0));

  mt_folder_free_names(names, n);
  return empty;
}

typedef enum debris { DEBRIS_NONE, DEBRIS_WHOLE, DEBRIS_GONE, DEBRIS_EMPTY } debris;

static debris classify(const char *stages, const char *name, char folder[MT_JOB_PATH_MAX],
                       char label[MT_JOB_LABEL_MAX + 1])
{
  if (mt_folder_join(stages, name, folder, NULL) != MT_OK)
    return DEBRIS_NONE;
  if (parse_hidden(name, GONE, label))
    return DEBRIS_GONE;
  if (!parse_hidden(name, OPEN, label) || is_busy(folder))
    return DEBRIS_NONE;
  if (exists(folder, MT_STAGE_FILE))
    return DEBRIS_WHOLE;
  return is_empty(folder) ? DEBRIS_EMPTY : DEBRIS_NONE;
}

/* End what killed processes had begun. Under the lock of the job. @return how much there is or was to do. */
static size_t recover(const char *job, bool act)
{
  char stages[MT_JOB_PATH_MAX], folder[MT_JOB_PATH_MAX], label[MT_JOB_LABEL_MAX + 1], **names = NULL;
  size_t n = 0, todo = 0;
  bool placed;

  if (stages_folder(job, stages, NULL) != MT_OK || mt_folder_names(stages, &names, &n, NULL) != MT_OK)
    return 0;
  for (size_t i = 0; i < n; i++) {
    debris what = names[i][0] == '.' ? classify(stages, names[i], folder, label) : DEBRIS_NONE;
    todo += what != DEBRIS_NONE;
    if (!act)
      continue;
    if (what == DEBRIS_WHOLE)
      (void)place_stage(job, label, folder, 0, &placed, NULL);
    else if (what == DEBRIS_GONE)
      mt_folder_remove(folder);
    else if (what == DEBRIS_EMPTY)
      remove_folder(folder);
  }
  mt_folder_free_names(names, n);
  return todo;
}

/* Before reading: a job that is only read, or busy, is read as it is. */
static void recover_if_needed(const char *job)
{
  int lock = -1;

  if (recover(job, false) == 0 || mt_folder_lock(job, 0.0, &lock, NULL) != MT_OK)
    return;
  (void)recover(job, true);
  mt_folder_unlock(&lock);
}

static mt_code lock_job(const char *job, int *lock, mt_error *err)
{
  mt_code code;

  if (!exists(job, MT_JOB_FILE))
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: is not a job: there is no " MT_JOB_FILE " in it", job);
  code = mt_folder_lock(job, WAIT_S, lock, err);
  if (code == MT_OK)
    (void)recover(job, true);
  return code;
}

/* ---- what is filed ---------------------------------------------------------------------------------- */

mt_code mt_job_list_stages(const char *folder, mt_stage **out, size_t *nstages, mt_error *err)
{
  recover_if_needed(folder);
  return list_stages(folder, out, nstages, err);
}

mt_code mt_job_refuse_label(const mt_stage *stages, size_t n, const char *label, mt_error *err)
{
  const char **labels = calloc(n + 1, sizeof *labels), *nearest = NULL;
  char known[100] = "", shown[48], hint[72] = "";
  size_t nlabels = 0;

  mt_text_copy(shown, sizeof shown, label);
  for (size_t i = 0; i < n; i++) {
    size_t used = strlen(known);
    if (stages[i].kept > 0)
      continue;
    if (labels != NULL)
      labels[nlabels++] = stages[i].label;
    if (used < 60)
      snprintf(known + used, sizeof known - used, "%s%.36s", used > 0 ? ", " : "", stages[i].label);
    else if (strstr(known, "...") == NULL)
      snprintf(known + used, sizeof known - used, ", ...");
  }
  if (labels != NULL)
    nearest = mt_text_nearest(label, labels, nlabels);
  if (nearest != NULL)
    snprintf(hint, sizeof hint, "did you mean \"%.50s\"? ", nearest);
  free(labels);
  return mt_fail(err, MT_E_NO_INPUT, "the job has no stage \"%s\"; %s%s%s", shown, hint,
                 known[0] != '\0' ? "it has " : "none is filed yet", known);
}

mt_code mt_job_load_stage(const char *folder, const char *label, mt_stage *out, mt_error *err)
{
  char wanted[MT_JOB_LABEL_MAX + 1];
  mt_stage *list = NULL;
  unsigned kept = 0;
  size_t n = 0, i = 0;
  mt_code code = mt_job_list_stages(folder, &list, &n, err);

  if (code != MT_OK)
    return code;
  if (!parse_name(label, wanted, &kept))
    i = n;
  while (i < n && (list[i].kept != kept || strcmp(list[i].label, wanted) != 0))
    i++;
  if (i == n)
    code = mt_job_refuse_label(list, n, label, err);
  else if (list[i].serial == 0)
    code = mt_fail(err, MT_E_DATA, "%s", list[i].why);
  else
    *out = list[i];
  free(list);
  return code;
}

/* ---- opening ---------------------------------------------------------------------------------------- */

/* Under the lock of the job, so that nobody takes it for abandoned before it is locked itself. */
static mt_code open_new(const char *job, const char *label, mt_open_stage *stage, mt_error *err)
{
  char stages[MT_JOB_PATH_MAX], name[MT_JOB_LABEL_MAX + 64];
  mt_code code = stages_folder(job, stages, err);
  int problem = EEXIST;

  if (code == MT_OK && mkdir(stages, 0777) != 0 && errno != EEXIST)
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", stages, strerror(errno));
  for (unsigned i = 0; i < 10000 && code == MT_OK && problem == EEXIST; i++) {
    snprintf(name, sizeof name, ".%s" OPEN "%ld-%u", label, (long)getpid(), i);
    code = mt_folder_join(stages, name, stage->folder, err);
    if (code == MT_OK)
      problem = mkdir(stage->folder, 0777) == 0 ? 0 : errno;
  }
  if (code == MT_OK && problem != 0)
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", stage->folder, strerror(problem));
  if (code != MT_OK)
    return code;
  code = mt_folder_lock(stage->folder, PROBE_S, &stage->lock, err);
  if (code != MT_OK)
    remove_folder(stage->folder);
  return code;
}

static mt_code create_handle(const char *job, const char *label, mt_open_stage **out, mt_error *err)
{
  mt_open_stage *stage = calloc(1, sizeof *stage);

  if (stage == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a stage");
  mt_text_copy(stage->job, sizeof stage->job, job);
  mt_text_copy(stage->label, sizeof stage->label, label);
  stage->lock = -1;
  *out = stage;
  return MT_OK;
}

/* What begin and resume have in common: a handle, and the job locked while a folder is found or made for it. */
static mt_code open_locked(const char *folder, const char *label,
                           mt_code (*find)(const char *, const char *, mt_open_stage *, mt_error *),
                           mt_open_stage **out, mt_error *err)
{
  mt_open_stage *stage = NULL;
  int lock = -1;
  mt_code code = mt_job_check_label(label, err);

  if (code == MT_OK)
    code = create_handle(folder, label, &stage, err);
  if (code == MT_OK)
    code = lock_job(folder, &lock, err);
  if (code == MT_OK)
    code = find(folder, label, stage, err);
  mt_folder_unlock(&lock);
  if (code == MT_OK)
    *out = stage;
  else
    free(stage);
  return code;
}

mt_code mt_job_begin_stage(const char *folder, const char *label, mt_open_stage **out, mt_error *err)
{
  return open_locked(folder, label, open_new, out, err);
}

/* "results-0.1.0-1.json", the first number that is free. */
static mt_code name_earlier(const mt_stage *old, const char *folder, char *out, mt_error *err)
{
  char name[64], version[sizeof old->tool_version];

  mt_text_copy(version, sizeof version, old->tool_version);
  for (char *p = version; *p != '\0'; p++)
    if (strchr("0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-+", *p) == NULL)
      *p = '_';
  for (unsigned i = 1; i <= MAX_KEPT; i++) {
    snprintf(name, sizeof name, "results-%s-%u.json", version, i);
    if (!exists(folder, name))
      return mt_folder_join(folder, name, out, err);
  }
  return mt_fail(err, MT_E_CREATE, "%.150s: too many results are kept", folder);
}

/* The same file under another name costs nothing, even of an hour's take; else a copy. */
static mt_code link_file(const char *from, const char *to, mt_error *err)
{
  if (link(from, to) == 0)
    return MT_OK;
  if (errno == ENOSPC || errno == EIO || errno == EDQUOT)
    return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", to, strerror(errno));
  return mt_folder_copy(from, to, err);
}

static mt_code link_files(const mt_stage *old, const char *folder, mt_error *err)
{
  char **names = NULL, from[MT_JOB_PATH_MAX], to[MT_JOB_PATH_MAX];
  bool has_results = false;
  size_t n = 0;
  struct stat info;
  mt_code code = mt_folder_names(old->folder, &names, &n, err);

  for (size_t i = 0; i < n && code == MT_OK; i++) {
    bool is_results = strcmp(names[i], RESULTS) == 0;
    has_results = has_results || is_results;
    if (names[i][0] == '.' || is_results || strcmp(names[i], MT_STAGE_FILE) == 0)
      continue;
    code = mt_folder_join(old->folder, names[i], from, err);
    if (code == MT_OK)
      code = mt_folder_join(folder, names[i], to, err);
    if (code == MT_OK && lstat(from, &info) == 0 && S_ISREG(info.st_mode))
      code = link_file(from, to, err);
  }
  mt_folder_free_names(names, n);
  if (code == MT_OK && has_results)
    code = mt_folder_join(old->folder, RESULTS, from, err);
  if (code == MT_OK && has_results)
    code = name_earlier(old, folder, to, err);
  return code == MT_OK && has_results ? link_file(from, to, err) : code;
}

mt_code mt_job_begin_again(const char *folder, const char *label, mt_open_stage **out, mt_error *err)
{
  mt_open_stage *stage = NULL;
  mt_stage old;
  mt_code code = mt_job_check_label(label, err);

  if (code == MT_OK)
    code = mt_job_load_stage(folder, label, &old, err);
  if (code == MT_OK)
    code = mt_job_begin_stage(folder, label, &stage, err);
  if (code == MT_OK)
    code = link_files(&old, stage->folder, err);
  if (code != MT_OK) {
    mt_job_drop_stage(&stage);
    return code;
  }
  stage->replaces = old.serial;
  *out = stage;
  return MT_OK;
}

/* The youngest folder of that label that nobody writes; its lock is then ours. */
static mt_code take_over(const char *job, const char *label, mt_open_stage *stage, mt_error *err)
{
  char stages[MT_JOB_PATH_MAX], folder[MT_JOB_PATH_MAX], other[MT_JOB_LABEL_MAX + 1], **names = NULL;
  size_t n = 0;
  bool found = false, busy = false;
  struct timespec youngest = {0};
  mt_code code = stages_folder(job, stages, err);

  if (code == MT_OK)
    code = mt_folder_names(stages, &names, &n, err);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    struct stat info;
    if (!parse_hidden(names[i], OPEN, other) || strcmp(other, label) != 0 ||
        mt_folder_join(stages, names[i], folder, NULL) != MT_OK || lstat(folder, &info) != 0)
      continue;
    if (is_busy(folder)) {
      busy = true;
    } else if (!found || info.st_mtim.tv_sec > youngest.tv_sec ||
               (info.st_mtim.tv_sec == youngest.tv_sec && info.st_mtim.tv_nsec > youngest.tv_nsec)) {
      found = true;
      youngest = info.st_mtim;
      memcpy(stage->folder, folder, sizeof folder);
    }
  }
  mt_folder_free_names(names, n);
  if (code != MT_OK)
    return code;
  if (found)
    return mt_folder_lock(stage->folder, PROBE_S, &stage->lock, err);
  return mt_fail(err, MT_E_NO_INPUT,
                 busy ? "another mendtone is at the stage \"%s\" now"
                      : "no stage \"%s\" was begun and left unfinished",
                 label);
}

mt_code mt_job_resume_stage(const char *folder, const char *label, mt_open_stage **out, mt_error *err)
{
  return open_locked(folder, label, take_over, out, err);
}

/* ---- writing into it -------------------------------------------------------------------------------- */

const char *mt_job_stage_folder(const mt_open_stage *stage)
{
  return stage->folder;
}

static mt_code name_inside(const mt_open_stage *stage, const char *name, char *out, mt_error *err)
{
  if (name[0] == '\0' || name[0] == '.' || strchr(name, '/') != NULL || strcmp(name, MT_STAGE_FILE) == 0)
    return mt_fail(err, MT_E_ARG, "\"%.60s\" cannot be filed; expected a plain file name", name);
  return mt_folder_join(stage->folder, name, out, err);
}

mt_code mt_job_stage_write(mt_open_stage *stage, const char *name, const char *text, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  mt_code code = name_inside(stage, name, path, err);

  return code == MT_OK ? mt_file_write(path, text, strlen(text), err) : code;
}

mt_code mt_job_stage_copy(mt_open_stage *stage, const char *name, const char *from, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  mt_code code = name_inside(stage, name, path, err);

  return code == MT_OK ? mt_folder_copy(from, path, err) : code;
}

static mt_code next_serial(const char *job, unsigned *out, mt_error *err)
{
  mt_stage *list = NULL;
  size_t n = 0;
  mt_code code = list_stages(job, &list, &n, err);

  if (code == MT_OK)
    *out = n > 0 ? list[n - 1].serial + 1 : 1;
  free(list);
  return code;
}

/* A half-written file of a writer that was killed, and taken over since. */
static void sweep(const char *folder)
{
  char **names = NULL, path[MT_JOB_PATH_MAX];
  size_t n = 0;

  if (mt_folder_names(folder, &names, &n, NULL) != MT_OK)
    return;
  for (size_t i = 0; i < n; i++) {
    size_t length = strlen(names[i]);
    if (length > 5 && strcmp(names[i] + length - 5, ".part") == 0 &&
        mt_folder_join(folder, names[i], path, NULL) == MT_OK)
      unlink(path);
  }
  mt_folder_free_names(names, n);
}

static mt_code write_stage_file(const mt_open_stage *stage, const mt_stage *record, mt_error *err)
{
  char path[MT_JOB_PATH_MAX];
  char *text = NULL;
  mt_code code = mt_folder_join(stage->folder, MT_STAGE_FILE, path, err);

  if (code == MT_OK)
    code = mt_record_write_stage(record, &text, err);
  if (code == MT_OK)
    code = mt_file_write(path, text, strlen(text), err);
  if (code == MT_OK)
    code = mt_folder_sync(stage->folder, err);
  free(text);
  return code;
}

static mt_stage describe(const mt_open_stage *stage, const mt_results *results, const char *why)
{
  mt_stage record = {.time_s = (int64_t)time(NULL), .has_results = results != NULL};

  mt_text_copy(record.label, sizeof record.label, stage->label);
  mt_text_copy(record.tool_version, sizeof record.tool_version, MT_VERSION);
  if (results != NULL) {
    record.verdict = results->verdict;
    mt_text_copy(record.plan_name, sizeof record.plan_name, results->plan_name);
    mt_text_copy(record.unit_name, sizeof record.unit_name, results->unit_name);
  } else {
    mt_text_copy(record.why, sizeof record.why, why != NULL ? why : "it was not read");
  }
  return record;
}

mt_code mt_job_finish_stage(mt_open_stage **stage, const mt_results *results, const char *why, mt_stage *out,
                            mt_error *err)
{
  mt_open_stage *mine = *stage;
  mt_stage record = describe(mine, results, why);
  char path[MT_JOB_PATH_MAX];
  int lock = -1;
  bool placed = false;
  mt_code code;

  if (results != NULL && !exists(mine->folder, RESULTS))
    return mt_fail(err, MT_E_INTERNAL, "the stage \"%.64s\" has no " RESULTS, mine->label);
  sweep(mine->folder);
  code = mt_folder_sync_files(mine->folder, err);
  if (code == MT_OK)
    code = lock_job(mine->job, &lock, err);
  if (code == MT_OK)
    code = next_serial(mine->job, &record.serial, err);
  if (code == MT_OK)
    code = write_stage_file(mine, &record, err);
  if (code == MT_OK)
    code = place_stage(mine->job, mine->label, mine->folder, mine->replaces, &placed, err);
  if (placed && name_stage(mine->job, mine->label, 0, record.folder, NULL) == MT_OK &&
      mt_folder_join(record.folder, ".lock", path, NULL) == MT_OK)
    unlink(path);
  if (!placed) {
    /* without it the folder is an open one again */
    if (mt_folder_join(mine->folder, MT_STAGE_FILE, path, NULL) == MT_OK)
      unlink(path);
    mt_folder_unlock(&lock);
    return code;
  }
  mt_folder_unlock(&lock);
  if (out != NULL)
    *out = record;
  mt_job_leave_stage(stage);
  return code;
}

void mt_job_leave_stage(mt_open_stage **stage)
{
  if (stage == NULL || *stage == NULL)
    return;
  mt_folder_unlock(&(*stage)->lock);
  free(*stage);
  *stage = NULL;
}

void mt_job_drop_stage(mt_open_stage **stage)
{
  if (stage == NULL || *stage == NULL)
    return;
  remove_folder((*stage)->folder);
  mt_job_leave_stage(stage);
}
