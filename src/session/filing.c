/* From a job or results on disk to a report's record. */
#include <mendtone/filing.h>

#include <mendtone/job.h>
#include <mendtone/report.h>

#include "base/file.h"
#include "base/text.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* A stage as it was read, with the texts its record borrows. */
typedef struct read_stage {
  char label[MT_JOB_LABEL_MAX + 12];
  char when[24];
  char tool_version[24];
  char why[256];
  mt_results *results;
} read_stage;

struct mt_filing {
  mt_paper paper;
  mt_job *job;
  mt_stage *filed;
  read_stage *read;
  mt_paper_stage *stages;
  const char **found, **done, **notes;
  mt_paper_part *parts;
};

static mt_code out_of_memory(mt_error *err)
{
  return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
}

void mt_filing_close(mt_filing **filing)
{
  mt_filing *f = *filing;

  if (f == NULL)
    return;
  for (size_t i = 0; i < f->paper.nstages && f->read != NULL; i++)
    mt_results_destroy(&f->read[i].results);
  free(f->read);
  free(f->stages);
  free(f->found);
  free(f->done);
  free(f->notes);
  free(f->parts);
  free(f->filed);
  mt_job_destroy(&f->job);
  free(f);
  *filing = NULL;
}

const mt_paper *mt_filing_paper(const mt_filing *filing)
{
  return &filing->paper;
}

/* ---- what the job's log says ------------------------------------------------------------------ */

static mt_code sort_log(mt_filing *f, mt_error *err)
{
  const mt_job *job = f->job;
  mt_paper *p = &f->paper;
  size_t n = job->nentries + 1;

  f->found = calloc(n, sizeof *f->found);
  f->done = calloc(n, sizeof *f->done);
  f->notes = calloc(n, sizeof *f->notes);
  f->parts = calloc(n, sizeof *f->parts);
  if (f->found == NULL || f->done == NULL || f->notes == NULL || f->parts == NULL)
    return out_of_memory(err);
  for (size_t i = 0; i < job->nentries; i++) {
    const mt_job_entry *e = &job->entries[i];
    switch (e->kind) {
    case MT_JOB_FOUND: f->found[p->nfound++] = e->text; break;
    case MT_JOB_DONE: f->done[p->ndone++] = e->text; break;
    case MT_JOB_NOTE: f->notes[p->nnotes++] = e->text; break;
    case MT_JOB_PART:
      f->parts[p->nparts++] = (mt_paper_part){e->text, e->quantity, e->cost, e->currency};
      break;
    case MT_JOB_WORK: p->minutes += e->minutes; break;
    case MT_JOB_KINDS: break;
    }
  }
  p->unit = job->unit;
  p->complaint = job->complaint;
  p->found = f->found;
  p->done = f->done;
  p->notes = f->notes;
  p->parts = f->parts;
  return MT_OK;
}

/* ---- stages ----------------------------------------------------------------------------------- */

static size_t find_stage(const mt_stage *stages, size_t n, const char *label)
{
  for (size_t i = n; i-- > 0;)
    if (stages[i].kept == 0 && strcmp(stages[i].label, label) == 0)
      return i;
  return SIZE_MAX;
}

/* The youngest that is neither "before" nor an older one of its label. */
static size_t find_youngest(const mt_stage *stages, size_t n)
{
  for (size_t i = n; i-- > 0;)
    if (stages[i].kept == 0 && strcmp(stages[i].label, "before") != 0)
      return i;
  return find_stage(stages, n, "before");
}

static mt_code choose_stages(const mt_filing_options *o, const mt_stage *stages, size_t n, mt_paper *p,
                             mt_error *err)
{
  p->now = o->now != NULL ? find_stage(stages, n, o->now) : find_stage(stages, n, "after");
  if (p->now == SIZE_MAX && o->now == NULL)
    p->now = find_youngest(stages, n);
  if (p->now == SIZE_MAX && o->now != NULL)
    return mt_job_refuse_label(stages, n, o->now, err);
  if (p->now == SIZE_MAX)
    return mt_fail(err, MT_E_NO_INPUT,
                   "the job has no stage yet: run mendtone check --job ... --stage before");
  p->earlier = SIZE_MAX;
  if (o->earlier == NULL)
    p->earlier = find_stage(stages, n, "before");
  else if (o->earlier[0] != '\0') {
    p->earlier = find_stage(stages, n, o->earlier);
    if (p->earlier == SIZE_MAX)
      return mt_job_refuse_label(stages, n, o->earlier, err);
  }
  if (p->earlier == p->now)
    p->earlier = SIZE_MAX;
  return MT_OK;
}

/* Damaged results are a fact about the stage, and an error only for whoever wants to report on them. */
static mt_code read_results(const mt_stage *stage, bool is_wanted, read_stage *out, mt_error *err)
{
  char path[MT_JOB_PATH_MAX + 16];
  mt_error why = {0};
  mt_code code = MT_OK;

  if (!stage->has_results) {
    mt_text_copy(out->why, sizeof out->why, stage->why);
    return MT_OK;
  }
  snprintf(path, sizeof path, "%s/results.json", stage->folder);
  code = mt_report_read_json(path, &out->results, &why);
  if (code == MT_OK)
    return MT_OK;
  mt_text_copy(out->why, sizeof out->why, why.message);
  return is_wanted || code == MT_E_MEMORY ? mt_fail(err, code, "%s", why.message) : MT_OK;
}

static mt_code read_stages(mt_filing *f, size_t n, mt_error *err)
{
  mt_paper *p = &f->paper;

  f->read = calloc(n, sizeof *f->read);
  f->stages = calloc(n, sizeof *f->stages);
  if (f->read == NULL || f->stages == NULL)
    return out_of_memory(err);
  p->nstages = n;
  p->stages = f->stages;
  for (size_t i = 0; i < n; i++) {
    const mt_stage *s = &f->filed[i];
    read_stage *r = &f->read[i];
    mt_code code = MT_OK;
    if (s->kept > 0) /* as its folder is called */
      snprintf(r->label, sizeof r->label, "%s~%u", s->label, s->kept);
    else
      mt_text_copy(r->label, sizeof r->label, s->label);
    mt_job_time_text(s->time_s, true, r->when);
    mt_text_copy(r->tool_version, sizeof r->tool_version, s->tool_version);
    if (i == p->now || i == p->earlier)
      code = read_results(s, i == p->now, r, err);
    if (code != MT_OK)
      return code;
    f->stages[i] = (mt_paper_stage){r->label, r->when, r->results, r->why, r->tool_version, s->verdict};
  }
  return MT_OK;
}

mt_code mt_filing_open_job(const char *folder, const mt_filing_options *options, mt_filing **out,
                           mt_error *err)
{
  mt_filing *f = calloc(1, sizeof *f);
  size_t n = 0;
  mt_code code;

  if (f == NULL)
    return out_of_memory(err);
  f->paper.shows_costs = options->shows_costs;
  f->paper.shows_notes = options->shows_notes;
  code = mt_job_load(folder, &f->job, err);
  if (code == MT_OK)
    code = mt_job_list_stages(folder, &f->filed, &n, err);
  if (code == MT_OK)
    code = choose_stages(options, f->filed, n, &f->paper, err);
  if (code == MT_OK)
    code = sort_log(f, err);
  if (code == MT_OK)
    code = read_stages(f, n, err);
  if (code != MT_OK)
    mt_filing_close(&f);
  else
    *out = f;
  return code;
}

mt_code mt_filing_open_results(const char *now, const char *earlier, mt_filing **out, mt_error *err)
{
  const char *const paths[] = {earlier, now};
  static const char *const labels[] = {"before", "now"};
  mt_filing *f = calloc(1, sizeof *f);
  mt_code code = MT_OK;
  size_t first = earlier != NULL ? 0 : 1;

  if (f == NULL)
    return out_of_memory(err);
  f->read = calloc(2, sizeof *f->read);
  f->stages = calloc(2, sizeof *f->stages);
  if (f->read == NULL || f->stages == NULL)
    code = out_of_memory(err);
  for (size_t i = first; i < 2 && code == MT_OK; i++) {
    size_t k = f->paper.nstages;
    code = mt_report_read_json(paths[i], &f->read[k].results, err);
    if (code == MT_OK) {
      f->stages[k] = (mt_paper_stage){labels[i], "", f->read[k].results, "", "", f->read[k].results->verdict};
      f->paper.nstages++;
    }
  }
  if (code != MT_OK) {
    mt_filing_close(&f);
    return code;
  }
  f->paper.stages = f->stages;
  f->paper.now = f->paper.nstages - 1;
  f->paper.earlier = f->paper.nstages == 2 ? 0 : SIZE_MAX;
  f->paper.unit = f->stages[f->paper.now].results->unit_name;
  f->paper.complaint = "";
  *out = f;
  return MT_OK;
}

/* ---- comma separated values ------------------------------------------------------------------- */

/* A state may be any text: what a file name cannot hold becomes %XX. */
static void put_safe(char *out, size_t size, const char *text)
{
  size_t used = strlen(out);

  for (const unsigned char *p = (const unsigned char *)text; *p != '\0' && used + 4 < size; p++) {
    bool is_plain =
        (*p >= 'a' && *p <= 'z') || (*p >= 'A' && *p <= 'Z') || (*p >= '0' && *p <= '9') || *p == '_';
    used += (size_t)snprintf(out + used, size - used, is_plain ? "%c" : "%%%02X", *p);
  }
}

static void name_curve(const mt_curve *curve, char *out, size_t size)
{
  char channel[8];
  const char *const pieces[] = {mt_quantity_describe(curve->quantity)->name,
                                mt_channel_name(curve->channel, channel), curve->segment, curve->state};

  out[0] = '\0';
  for (size_t i = 0; i < 4; i++) {
    if (pieces[i][0] == '\0')
      continue;
    if (i > 0)
      snprintf(out + strlen(out), size - strlen(out), "-");
    put_safe(out, size, pieces[i]);
  }
}

static mt_code write_one(const char *folder, const char *name, mt_code made, char *text, mt_error *err)
{
  char path[2048];
  mt_code code = made;

  if (code == MT_OK) {
    snprintf(path, sizeof path, "%s/%s.csv", folder, name);
    code = mt_file_write(path, text, strlen(text), err);
  }
  free(text);
  return code;
}

mt_code mt_filing_write_csv(const mt_filing *filing, const char *folder, mt_error *err)
{
  const mt_results *results = filing->paper.stages[filing->paper.now].results;
  char *text = NULL;
  mt_code code;

  if (results == NULL)
    return mt_fail(err, MT_E_DATA, "there are no readings: %s", filing->paper.stages[filing->paper.now].why);
  if (mkdir(folder, 0777) != 0 && errno != EEXIST)
    return mt_fail(err, MT_E_CREATE, "%.200s: cannot be made: %s", folder, strerror(errno));
  code = mt_paper_csv_readings(results, &text, err);
  code = write_one(folder, "readings", code, text, err);
  for (size_t i = 0; i < results->ncurves && code == MT_OK; i++) {
    char name[256];
    text = NULL;
    name_curve(&results->curves[i], name, sizeof name);
    code = mt_paper_csv_curve(&results->curves[i], &text, err);
    code = write_one(folder, name, code, text, err);
  }
  return code;
}
