/* All jobs of a folder, each read anew, and the words that were asked for. */
#include <mendtone/job.h>

#include "base/text.h"
#include "bench/folder.h"
#include "bench/record.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MAX_STAGE_BYTES ((size_t)1 << 16)

/* ---- words ------------------------------------------------------------------------------------------ */

/*
 * The small letter of a capital: Latin (ASCII, Latin-1, Extended-A), Greek and Cyrillic, by the simple case
 * mappings of Unicode 15. Others stay as they are.
 */
static uint32_t small_letter(uint32_t c)
{
  if (c < 0x80)
    return c >= 'A' && c <= 'Z' ? c + 0x20 : c;
  if ((c >= 0xc0 && c <= 0xde && c != 0xd7) || (c >= 0x391 && c <= 0x3ab && c != 0x3a2) ||
      (c >= 0x410 && c <= 0x42f))
    return c + 0x20;
  if (c >= 0x400 && c <= 0x40f)
    return c + 0x50;
  if ((c >= 0x100 && c <= 0x137 && c != 0x130) || (c >= 0x14a && c <= 0x177) || (c >= 0x460 && c <= 0x481) ||
      (c >= 0x48a && c <= 0x4bf) || (c >= 0x4d0 && c <= 0x52f))
    return c | 1;
  if ((c >= 0x139 && c <= 0x148) || (c >= 0x179 && c <= 0x17e))
    return c + (c & 1);
  switch (c) {
  case 0x178: return 0xff;
  case 0x386: return 0x3ac;
  case 0x388:
  case 0x389:
  case 0x38a: return c + 0x25;
  case 0x38c: return 0x3cc;
  case 0x38e:
  case 0x38f: return c + 0x3f;
  default: return c;
  }
}

/* Every mapping above keeps the number of bytes, but that is not relied upon. */
static size_t encode(uint32_t rune, char out[4])
{
  if (rune < 0x80) {
    out[0] = (char)rune;
    return 1;
  }
  if (rune < 0x800) {
    out[0] = (char)(0xc0 | rune >> 6);
    out[1] = (char)(0x80 | (rune & 0x3f));
    return 2;
  }
  if (rune < 0x10000) {
    out[0] = (char)(0xe0 | rune >> 12);
    out[1] = (char)(0x80 | (rune >> 6 & 0x3f));
    out[2] = (char)(0x80 | (rune & 0x3f));
    return 3;
  }
  out[0] = (char)(0xf0 | rune >> 18);
  out[1] = (char)(0x80 | (rune >> 12 & 0x3f));
  out[2] = (char)(0x80 | (rune >> 6 & 0x3f));
  out[3] = (char)(0x80 | (rune & 0x3f));
  return 4;
}

/* In small letters, malloc'ed. A byte that is not UTF-8 becomes U+FFFD, three bytes. */
static char *fold(const char *text)
{
  char *out = malloc(3 * strlen(text) + 1), *end = out;

  while (out != NULL && *text != '\0') {
    uint32_t rune = 0xfffd;
    size_t length = mt_text_decode(text, &rune);
    end += encode(length > 0 ? small_letter(rune) : 0xfffd, end);
    text += length > 0 ? length : 1;
  }
  if (out != NULL)
    *end = '\0';
  return out;
}

static bool holds(const char *text, const char *folded_word)
{
  char *folded = fold(text);
  bool found = folded != NULL && strstr(folded, folded_word) != NULL;

  free(folded);
  return found;
}

/* ---- one job ---------------------------------------------------------------------------------------- */

static bool job_holds(const mt_job *job, const mt_job_line *line, const char *word)
{
  char day[24], verdicts[64];
  const char *const texts[] = {mt_text_basename(line->folder), job->unit, job->complaint,
                               mt_job_time_text(job->begun_s, false, day), verdicts};

  snprintf(verdicts, sizeof verdicts, "%s%s %s%s", line->has_before ? "before:" : "",
           line->has_before ? mt_verdict_name(line->before) : "", line->has_after ? "after:" : "",
           line->has_after ? mt_verdict_name(line->after) : "");
  for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
    if (holds(texts[i], word))
      return true;
  for (size_t i = 0; i < job->nentries; i++)
    if (holds(job->entries[i].text, word))
      return true;
  return false;
}

static void read_stage(const char *job, const char *label, bool *has, mt_verdict *verdict)
{
  char name[32], path[MT_JOB_PATH_MAX];
  char *text = NULL;
  mt_stage stage = {.serial = 0};

  snprintf(name, sizeof name, "stages/%s/" MT_STAGE_FILE, label);
  if (mt_folder_join(job, name, path, NULL) == MT_OK &&
      mt_folder_read(path, MAX_STAGE_BYTES, &text, NULL) == MT_OK &&
      mt_record_parse_stage(text, path, &stage, NULL) == MT_OK) {
    *has = true;
    *verdict = stage.verdict;
  }
  free(text);
}

static bool copy_into(char **place, const char *text)
{
  *place = strdup(text);
  return *place != NULL;
}

static void free_line(mt_job_line *line)
{
  free(line->unit);
  free(line->complaint);
  free(line->damage);
}

/* @return MT_OK also for a job that cannot be read: it has `damage`. */
static mt_code read_line(const char *folder, const char *const *folded, size_t nwords, mt_job_line *line,
                         bool *wanted, mt_error *err)
{
  mt_error damage = {0};
  mt_job *job = NULL;
  bool memory = true;

  memset(line, 0, sizeof *line);
  mt_text_copy(line->folder, sizeof line->folder, folder);
  *wanted = true;
  if (mt_job_load(folder, &job, &damage) == MT_OK) {
    line->begun_s = job->begun_s;
    read_stage(folder, "before", &line->has_before, &line->before);
    read_stage(folder, "after", &line->has_after, &line->after);
    for (size_t i = 0; i < nwords && *wanted; i++)
      *wanted = job_holds(job, line, folded[i]);
  }
  if (*wanted)
    memory = copy_into(&line->unit, job != NULL ? job->unit : "") &&
             copy_into(&line->complaint, job != NULL ? job->complaint : "") &&
             copy_into(&line->damage, job != NULL ? "" : damage.message);
  mt_job_destroy(&job);
  if (memory)
    return MT_OK;
  free_line(line);
  return mt_fail(err, MT_E_MEMORY, "out of memory for the list of jobs");
}

/* ---- all of them ------------------------------------------------------------------------------------ */

static int youngest_first(const void *a, const void *b)
{
  const mt_job_line *x = a, *y = b;

  return x->begun_s != y->begun_s ? (x->begun_s < y->begun_s) - (x->begun_s > y->begun_s)
                                  : strcmp(y->folder, x->folder);
}

void mt_job_free_lines(mt_job_line *lines, size_t nlines)
{
  for (size_t i = 0; i < nlines; i++)
    free_line(&lines[i]);
  free(lines);
}

static void free_words(char **folded, size_t n)
{
  for (size_t i = 0; i < n && folded != NULL; i++)
    free(folded[i]);
  free(folded);
}

static mt_code fold_words(const char *const *words, size_t n, char ***out, mt_error *err)
{
  char **folded = calloc(n > 0 ? n : 1, sizeof *folded);
  bool memory = folded != NULL;

  for (size_t i = 0; i < n && memory; i++)
    memory = (folded[i] = fold(words[i])) != NULL;
  if (!memory) {
    free_words(folded, n);
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu words", n);
  }
  *out = folded;
  return MT_OK;
}

mt_code mt_job_list(const char *base, const char *const *words, size_t nwords, mt_job_line **out,
                    size_t *nlines, mt_error *err)
{
  char **folded = NULL, **names = NULL, folder[MT_JOB_PATH_MAX], file[MT_JOB_PATH_MAX];
  mt_job_line *lines = NULL;
  size_t n = 0, count = 0;
  mt_code code = fold_words(words, nwords, &folded, err);

  if (code == MT_OK)
    code = mt_folder_names(base, &names, &n, err);
  if (code == MT_OK && (lines = malloc((n > 0 ? n : 1) * sizeof *lines)) == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for %zu jobs", n);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    bool wanted = false;
    if (names[i][0] == '.' || mt_folder_join(base, names[i], folder, NULL) != MT_OK ||
        mt_folder_join(folder, MT_JOB_FILE, file, NULL) != MT_OK || access(file, F_OK) != 0)
      continue;
    code = read_line(folder, (const char *const *)folded, nwords, &lines[count], &wanted, err);
    if (code == MT_OK && wanted)
      count++;
    else if (code == MT_OK)
      free_line(&lines[count]);
  }
  free_words(folded, nwords);
  mt_folder_free_names(names, n);
  if (code != MT_OK) {
    mt_job_free_lines(lines, count);
    return code;
  }
  if (count > 1)
    qsort(lines, count, sizeof *lines, youngest_first);
  *out = lines;
  *nlines = count;
  return MT_OK;
}
