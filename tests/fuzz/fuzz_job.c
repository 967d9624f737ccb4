/* job.cfg and stage.cfg: any text is read or refused; what was read is written, and reads the same again. */
#include "fuzz.h"

#include "bench/record.h"

#include <stdlib.h>
#include <string.h>

static void write_again(const mt_job *job)
{
  mt_job *again = NULL;
  char *text = NULL;

  if (mt_record_write_job(job, &text, NULL) != MT_OK)
    abort();
  /* U+FFFD for a byte makes a text longer: only then may it be refused */
  if (mt_record_parse_job(text, "again.cfg", &again, NULL) == MT_OK) {
    if (again->nentries != job->nentries || strcmp(again->unit, job->unit) != 0 ||
        again->begun_s != job->begun_s)
      abort();
    for (size_t i = 0; i < job->nentries; i++)
      if (strcmp(again->entries[i].text, job->entries[i].text) != 0 ||
          again->entries[i].kind != job->entries[i].kind ||
          again->entries[i].time_s != job->entries[i].time_s)
        abort();
  } else if (strlen(text) < MT_JOB_TEXT_MAX)
    abort();
  mt_job_destroy(&again);
  free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  char *text = fuzz_text(data, size);
  mt_job *job = NULL;
  mt_stage stage = {.serial = 0};
  mt_error err = {0};
  mt_code code = mt_record_parse_job(text, "fuzz.cfg", &job, &err);

  fuzz_check_outcome(code, &err, job);
  if (code == MT_OK)
    write_again(job);
  mt_job_destroy(&job);
  memset(&err, 0, sizeof err);
  code = mt_record_parse_stage(text, "fuzz.cfg", &stage, &err);
  fuzz_check_outcome(code, &err, code == MT_OK ? &stage : NULL);
  free(text);
  return 0;
}
