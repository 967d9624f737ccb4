/** @file record.h  job.cfg and stage.cfg, both ways. */
#ifndef BENCH_RECORD_H
#define BENCH_RECORD_H

#include <mendtone/job.h>

#define MT_JOB_FILE "job.cfg"
#define MT_STAGE_FILE "stage.cfg"

/** From the text of a job.cfg; `name` stands for the file in messages. `folder` is left empty. */
mt_code mt_record_parse_job(const char *text, const char *name, mt_job **out, mt_error *err);

/** As a text, malloc'ed. MT_E_ARG for a record that mt_record_parse_job() would refuse. */
mt_code mt_record_write_job(const mt_job *job, char **out, mt_error *err);

/** Label and folder are left as they are. */
mt_code mt_record_parse_stage(const char *text, const char *name, mt_stage *out, mt_error *err);
mt_code mt_record_write_stage(const mt_stage *stage, char **out, mt_error *err);

/** A copy made valid UTF-8; NULL without memory. */
char *mt_record_copy_text(const char *text);

/** Is every value of the entry in its range? */
mt_code mt_record_check_entry(const mt_job_entry *entry, mt_error *err);

/** Append; the text is copied. */
mt_code mt_record_add_entry(mt_job *job, const mt_job_entry *entry, mt_error *err);

#endif
