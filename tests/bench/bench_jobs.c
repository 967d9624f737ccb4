/* The job book with many jobs: is one found by a word in its notes, and how long does that take, beside reading
 * the same files once?   bench_jobs JOBS */
#include "base/random.h"
#include "bench/folder.h"

#include <mendtone/job.h>
#include <mendtone/report.h>

#include <ftw.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static const char *const words[] = {"cracked", "joint", "capacitor", "dried",  "leaky",    "noisy",
                                    "switch",  "cable", "hums",      "silent", "crackles", "left",
                                    "right",   "after", "warm",      "volume"};

static double now(void)
{
  struct timespec t;
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); /* what a busy machine disturbs least */
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int remove_one(const char *path, const struct stat *info, int type, struct FTW *where)
{
  (void)info;
  (void)type;
  (void)where;
  return remove(path);
}

static void make_text(mt_random *random, int nwords, char *out, size_t size)
{
  size_t used = 0;

  for (int i = 0; i < nwords && used + 16 < size; i++)
    used += (size_t)snprintf(out + used, size - used, "%s ", words[mt_random_bits(random) % 16]);
}

static int file_stage(const char *folder, const char *label, mt_results *results, mt_verdict verdict)
{
  mt_open_stage *stage = NULL;
  mt_error err = {0};

  results->verdict = verdict;
  if (mt_job_begin_stage(folder, label, &stage, &err) != MT_OK ||
      mt_job_stage_write(stage, "results.json", "{}\n", &err) != MT_OK ||
      mt_job_finish_stage(&stage, results, NULL, NULL, &err) != MT_OK) {
    fprintf(stderr, "%s\n", err.message);
    return 1;
  }
  return 0;
}

/* Every 97th has the word that is looked for. */
static int make_jobs(const char *base, size_t n)
{
  mt_results *results = NULL;
  mt_random random;
  int failed = mt_results_create(&results, NULL) != MT_OK;

  mt_random_init(&random, 1);
  for (size_t i = 0; i < n && !failed; i++) {
    char folder[MT_JOB_PATH_MAX], text[512], unit[64];
    mt_job_entry entry = {.kind = MT_JOB_NOTE, .text = text, .cost = (double)NAN};
    mt_error err = {0};
    snprintf(unit, sizeof unit, "unit %zu", i);
    make_text(&random, 8, text, sizeof text);
    failed = mt_job_create(base, NULL, unit, text, 1500000000 + 3600 * (int64_t)i, folder, &err) != MT_OK;
    for (int k = 0; k < 4 && !failed; k++) {
      make_text(&random, 20, text, sizeof text);
      if (k == 3 && i % 97 == 0)
        strcat(text, "Xylophone");
      failed = mt_job_add(folder, &entry, &err) != MT_OK;
    }
    failed = failed || file_stage(folder, "before", results, MT_VERDICT_FAIL) ||
             file_stage(folder, "after", results, MT_VERDICT_PASS);
    if (failed)
      fprintf(stderr, "job %zu: %s\n", i, err.message);
  }
  mt_results_destroy(&results);
  return failed;
}

static double list(const char *base, const char *word, size_t *found)
{
  double best = HUGE_VAL;

  for (int turn = 0; turn < 3; turn++) {
    mt_job_line *lines = NULL;
    double begun = now();
    *found = 0;
    if (mt_job_list(base, &word, word != NULL, &lines, found, NULL) != MT_OK)
      return HUGE_VAL;
    best = fmin(best, now() - begun);
    mt_job_free_lines(lines, *found);
  }
  return best;
}

/* The least that can be done without an index: read each of the three files. */
static double read_files(const char *base)
{
  static const char *const files[] = {"job.cfg", "stages/before/stage.cfg", "stages/after/stage.cfg"};
  double begun = now();
  char **names = NULL;
  size_t n = 0;

  if (mt_folder_names(base, &names, &n, NULL) != MT_OK)
    return HUGE_VAL;
  for (size_t i = 0; i < n; i++)
    for (size_t k = 0; k < 3; k++) {
      char path[MT_JOB_PATH_MAX + 64];
      char *text = NULL;
      snprintf(path, sizeof path, "%s/%s/%s", base, names[i], files[k]);
      if (mt_folder_read(path, 1 << 20, &text, NULL) == MT_OK)
        free(text);
    }
  mt_folder_free_names(names, n);
  return now() - begun;
}

int main(int argc, char **argv)
{
  size_t n = argc > 1 ? strtoul(argv[1], NULL, 10) : 5000, all = 0, some = 0;
  char base[64];
  double listing, searching, reading;
  int failed;

  snprintf(base, sizeof base, "%s/mendtone-jobs-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
  if (mkdtemp(base) == NULL)
    return 1;
  failed = make_jobs(base, n);
  listing = list(base, NULL, &all);
  searching = list(base, "xYLOphone", &some);
  reading = read_files(base);
  printf("%zu jobs: listed in %.2f s of processor time, a word found in %.2f s; %.1f and %.1f x reading "
         "their files once\n",
         all, listing, searching, listing / reading, searching / reading);
  nftw(base, remove_one, 16, FTW_DEPTH | FTW_PHYS);
  if (all != n || some != (n + 96) / 97) {
    printf("found %zu of %zu, with the word %zu of %zu\n", all, n, some, (n + 96) / 97);
    failed = 1;
  }
  return failed;
}
