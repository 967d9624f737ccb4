/* The report of a job over the number of its stages: HTML and PDF, from the files to the bytes.   bench_report */
#include "bench/folder.h"
#include "unit_bench.h"

#include <mendtone/filing.h>
#include <mendtone/job.h>
#include <mendtone/report.h>

#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define TURNS 5
#define LIMIT_S 2.0
/* Of the growth from 20 to 80 stages: what is linear gives at most 4; the rest is for a busy machine. */
#define GROWTH_MOST 5.0

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

static mt_code add_stage(const char *job, const char *json, const mt_results *results, size_t index,
                         size_t count, mt_error *err)
{
  mt_open_stage *stage = NULL;
  char label[32];
  mt_code code;

  snprintf(label, sizeof label, "stage-%zu", index);
  code = mt_job_begin_stage(job, index == 0 ? "before" : index + 1 == count ? "after" : label, &stage, err);
  if (code == MT_OK)
    code = mt_job_stage_copy(stage, "results.json", json, err);
  return code == MT_OK ? mt_job_finish_stage(&stage, results, NULL, NULL, err) : code;
}

static mt_code make_job(const char *base, const char *json, const mt_results *results, size_t count,
                        char folder[MT_JOB_PATH_MAX], mt_error *err)
{
  mt_code code = mt_job_create(base, NULL, "amplifier of many stages", "hums", 0, folder, err);

  for (size_t i = 0; i < count && code == MT_OK; i++)
    code = add_stage(folder, json, results, i, count, err);
  return code;
}

static mt_code write_reports(const char *job, double *seconds, mt_error *err)
{
  static const mt_paper_form forms[] = {MT_PAPER_HTML, MT_PAPER_A4};
  const mt_filing_options options = {.now = NULL};
  mt_filing *filing = NULL;
  double from = now();
  mt_code code = mt_filing_open_job(job, &options, &filing, err);

  for (size_t i = 0; i < 2 && code == MT_OK; i++) {
    unsigned char *bytes = NULL;
    size_t nbytes;
    code = mt_paper_make(mt_filing_paper(filing), forms[i], &bytes, &nbytes, err);
    free(bytes);
  }
  mt_filing_close(&filing);
  *seconds = now() - from;
  return code;
}

/* All counts in each turn, so that a slow moment of the machine meets them alike; the least of the turns counts. */
static mt_code measure(char folders[][MT_JOB_PATH_MAX], size_t n, double *least, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < n; i++)
    least[i] = 1e9;
  for (int turn = 0; turn < TURNS; turn++)
    for (size_t i = 0; i < n && code == MT_OK; i++) {
      double seconds;
      code = write_reports(folders[i], &seconds, err);
      least[i] = code == MT_OK && seconds < least[i] ? seconds : least[i];
    }
  return code;
}

static int judge(const size_t *counts, const double *seconds)
{
  for (size_t i = 0; i < 3; i++)
    printf("%3zu stages: %.3f s\n", counts[i], seconds[i]);
  printf("80 stages over 20: %.2f; linear is at most 4\n", seconds[2] / seconds[1]);
  if (seconds[1] >= LIMIT_S)
    printf("FAILED: 20 stages take %.2f s; expected less than %g\n", seconds[1], LIMIT_S);
  if (seconds[2] > GROWTH_MOST * seconds[1])
    printf("FAILED: the time grows faster than the number of stages\n");
  return seconds[1] >= LIMIT_S || seconds[2] > GROWTH_MOST * seconds[1];
}

int main(void)
{
  static const size_t counts[] = {2, 20, 80};
  static char folders[3][MT_JOB_PATH_MAX];
  char base[] = "/tmp/bench-report-XXXXXX", json[64];
  double seconds[3];
  mt_simulated_unit unit;
  mt_results *results;
  mt_error err = {0};
  mt_code code = MT_OK;
  int status;

  mt_simulate_init(&unit);
  results = unit_bench_results(&unit, 48000.0, -20.0);
  if (results == NULL || mkdtemp(base) == NULL)
    return 1;
  snprintf(json, sizeof json, "%s/results.json", base);
  code = mt_report_write_json(results, json, &err);
  for (size_t i = 0; i < 3 && code == MT_OK; i++)
    code = make_job(base, json, results, counts[i], folders[i], &err);
  if (code == MT_OK)
    code = measure(folders, 3, seconds, &err);
  if (code != MT_OK)
    fprintf(stderr, "%s\n", err.message);
  status = code == MT_OK ? judge(counts, seconds) : 1;
  mt_results_destroy(&results);
  nftw(base, remove_one, 16, FTW_DEPTH | FTW_PHYS);
  return status;
}
