/* What check and analyse file in the job book: take, results, plan and what else was used. */
#include "cli/cli.h"

#include "base/text.h"
#include "report/layout.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

mt_code cli_find_job(const char *name, const char *jobs, char *out, mt_error *err)
{
  char base[MT_JOB_PATH_MAX];
  mt_code code = mt_job_base(jobs, base, err);

  return code == MT_OK ? mt_job_find(base, name, out, err) : code;
}

static mt_code name_inside(const cli_filing *filing, const char *name, char *out, mt_error *err)
{
  int n = snprintf(out, MT_JOB_PATH_MAX, "%s/%s", mt_job_stage_folder(filing->stage), name);

  if (n < 0 || n >= MT_JOB_PATH_MAX)
    return mt_fail(err, MT_E_ARG, "the path of the stage is too long (%d bytes)", n);
  return MT_OK;
}

static mt_code find_for_filing(const char *job, const char *label, cli_filing *out, mt_error *err)
{
  if (label == NULL)
    return mt_fail(err, MT_E_ARG, "--stage is missing: before, after or another name to file it under");
  mt_text_copy(out->label, sizeof out->label, label);
  return cli_find_job(job, NULL, out->job, err);
}

mt_code cli_filing_begin(const char *job, const char *label, cli_filing *out, mt_error *err)
{
  mt_code code;

  memset(out, 0, sizeof *out);
  if (job == NULL && label == NULL)
    return MT_OK;
  code = find_for_filing(job, label, out, err);
  if (code == MT_OK)
    code = mt_job_begin_stage(out->job, label, &out->stage, err);
  if (code == MT_OK)
    code = name_inside(out, "take.wav", out->take, err);
  if (code != MT_OK)
    mt_job_drop_stage(&out->stage);
  return code;
}

mt_code cli_filing_go_on(const char *job, const char *label, cli_filing *out, mt_error *err)
{
  mt_code code;

  memset(out, 0, sizeof *out);
  if (job == NULL && label == NULL)
    return MT_OK;
  code = find_for_filing(job, label, out, err);
  if (code == MT_OK && mt_job_resume_stage(out->job, label, &out->stage, NULL) != MT_OK)
    code = mt_job_begin_stage(out->job, label, &out->stage, err);
  if (code == MT_OK)
    code = name_inside(out, "take.wav", out->take, err);
  if (code != MT_OK)
    mt_job_leave_stage(&out->stage);
  return code;
}

/* Any format that can be read keeps the ending that says so. */
mt_code cli_filing_copy_take(cli_filing *filing, const char *path, mt_error *err)
{
  const char *dot = strrchr(mt_text_basename(path), '.');
  char name[16];

  if (filing->stage == NULL)
    return MT_OK;
  snprintf(name, sizeof name, "take.%s",
           dot != NULL && strlen(dot) < 6 &&
                   strspn(dot + 1, "abcdefghijklmnopqrstuvwxyz0123456789") == strlen(dot + 1) &&
                   dot[1] != '\0'
               ? dot + 1
               : "wav");
  return mt_job_stage_copy(filing->stage, name, path, err);
}

/* ---- reading a stage again -------------------------------------------------------------------------- */

/* The rig as it was: the take cannot tell. */
static void take_over_conditions(const char *folder, cli_filing *filing, mt_session_options *session)
{
  char path[MT_JOB_PATH_MAX + 16];

  snprintf(path, sizeof path, "%s/results.json", folder);
  if (mt_report_read_json(path, &filing->old, NULL) != MT_OK)
    return;
  snprintf(filing->rig, sizeof filing->rig, "%s/rig.cfg", folder);
  if (session->rig == NULL && filing->old->rig.name[0] != '\0' && access(filing->rig, F_OK) == 0) {
    session->rig_file = filing->rig;
    session->recorded_by_unit = session->recorded_by_unit || filing->old->rig.recorded_by_unit;
  }
}

/* Whatever it was called where it came from. */
static mt_code find_take(cli_filing *filing, mt_error *err)
{
  static const char *const endings[] = {"wav", "flac", "w64", "rf64"};

  for (size_t i = 0; i < sizeof endings / sizeof endings[0]; i++) {
    char name[16];
    mt_code code;
    snprintf(name, sizeof name, "take.%s", endings[i]);
    code = name_inside(filing, name, filing->take, err);
    if (code != MT_OK || access(filing->take, F_OK) == 0)
      return code;
  }
  return mt_fail(err, MT_E_NO_INPUT, "the stage \"%.64s\" has no take that could be read again",
                 filing->label);
}

static mt_code open_filed_plan(const mt_stage *old, mt_plan **plan, mt_error *err)
{
  char path[MT_JOB_PATH_MAX + 16];
  mt_code code;

  snprintf(path, sizeof path, "%s/plan.cfg", old->folder);
  if (access(path, F_OK) != 0)
    return MT_OK;
  code = cli_open_plan(path, plan, err);
  /* not "plan.cfg": what it was called when it was filed */
  if (code == MT_OK && old->plan_name[0] != '\0')
    mt_text_copy((*plan)->name, sizeof(*plan)->name, old->plan_name);
  return code;
}

mt_code cli_filing_begin_again(const char *job, const char *label, cli_filing *out,
                               mt_session_options *session, mt_plan **plan, mt_error *err)
{
  mt_stage old;
  mt_code code;

  memset(out, 0, sizeof *out);
  code = find_for_filing(job, label, out, err);
  if (code == MT_OK)
    code = mt_job_load_stage(out->job, label, &old, err);
  if (code == MT_OK && *plan == NULL)
    code = open_filed_plan(&old, plan, err);
  if (code != MT_OK)
    return code;
  session->plan = *plan;
  take_over_conditions(old.folder, out, session);
  code = mt_job_begin_again(out->job, label, &out->stage, err);
  if (code == MT_OK && out->old != NULL && out->old->ntakes > 0)
    mt_text_copy(out->take, sizeof out->take, mt_job_stage_folder(out->stage));
  else if (code == MT_OK)
    code = find_take(out, err);
  if (code != MT_OK)
    mt_job_drop_stage(&out->stage);
  return code;
}

/* ---- the end ---------------------------------------------------------------------------------------- */

/* The good unit it was judged by may change, or go. */
static mt_code copy_reference(cli_filing *filing, const char *path, mt_error *err)
{
  char place[4096];
  mt_plan *plan = NULL;
  mt_code code = mt_plan_open(path, &plan, err);

  if (code == MT_OK && plan->reference[0] != '\0') {
    code = mt_session_reference_path(path, plan, place, sizeof place, err);
    if (code == MT_OK)
      code = mt_job_stage_copy(filing->stage, "reference.json", place, err);
  }
  mt_plan_destroy(&plan);
  return code;
}

static mt_code write_plan(cli_filing *filing, const cli_filed *with, const mt_results *results, mt_error *err)
{
  if (with->plan != NULL && mt_plan_shipped_text(with->plan) != NULL && access(with->plan, F_OK) != 0)
    return mt_job_stage_write(filing->stage, "plan.cfg", mt_plan_shipped_text(with->plan), err);
  if (with->plan != NULL) {
    mt_code code = mt_job_stage_copy(filing->stage, "plan.cfg", with->plan, err);
    return code == MT_OK ? copy_reference(filing, with->plan, err) : code;
  }
  if (with->is_again || results == NULL || strcmp(results->plan_name, "default") != 0)
    return MT_OK;
  return mt_job_stage_write(filing->stage, "plan.cfg", mt_plan_default_text(), err);
}

static mt_code write_all(cli_filing *filing, mt_results *results, const cli_filed *with, mt_error *err)
{
  char path[MT_JOB_PATH_MAX], file[sizeof results->file];
  mt_code code = write_plan(filing, with, results, err);

  if (code == MT_OK && with->rig != NULL)
    code = mt_rig_path(with->rig, path, sizeof path, err);
  if (code == MT_OK && with->rig != NULL)
    code = mt_job_stage_copy(filing->stage, "rig.cfg", path, err);
  if (code == MT_OK && with->simulate != NULL)
    code = mt_job_stage_copy(filing->stage, "simulated-unit.cfg", with->simulate, err);
  if (code == MT_OK && results != NULL)
    code = name_inside(filing, "results.json", path, err);
  if (code != MT_OK || results == NULL)
    return code;
  /* the folder has no name yet, and may be moved: the take lies beside its results */
  mt_text_copy(file, sizeof file, mt_text_basename(with->take != NULL ? with->take : results->file));
  mt_text_copy(results->file, sizeof results->file, file);
  for (size_t i = 0; i < results->ntakes; i++) {
    mt_take_summary *take = &results->takes[i];
    mt_text_copy(file, sizeof file, mt_text_basename(take->file));
    mt_text_copy(take->file, sizeof take->file, file);
  }
  return mt_report_write_json(results, path, err);
}

static void say_filed(const cli_command *command, const mt_stage *stage, bool has_results)
{
  fprintf(stderr, "mendtone %s: %s as \"%s\" in %s\n", command->name,
          has_results ? "filed" : "the take is filed without readings", stage->label, stage->folder);
}

mt_code cli_file(const cli_command *command, cli_filing *filing, const cli_filed *with, mt_results *results,
                 const char *why, mt_error *err)
{
  mt_stage stage;
  mt_code code;

  if (filing->stage == NULL)
    return MT_OK;
  code = write_all(filing, results, with, err);
  if (code == MT_OK)
    code = mt_job_finish_stage(&filing->stage, results, why, &stage, err);
  if (code == MT_OK)
    say_filed(command, &stage, results != NULL);
  mt_job_drop_stage(&filing->stage);
  return code;
}

/* What a person at a terminal has before the eyes when all is printed: the verdict stands far above. */
typedef struct ending {
  mt_verdict verdict;
  bool is_stimulus;
  double level_dbfs;
  bool is_filed;
  const char *plan; /* as it was named, or NULL */
} ending;

static void say_verdict(const ending *e)
{
  static const char *const words[] = {
      [MT_VERDICT_NONE] = "Not judged",
      [MT_VERDICT_PASS] = "PASS",
      [MT_VERDICT_FAIL] = "FAIL; what is missed, and why, stands above the readings",
      [MT_VERDICT_UNDECIDED] = "UNDECIDED; what is, and why, stands above the readings"};

  fprintf(stderr, "\n%s.\n", words[e->verdict]);
  if (!e->is_stimulus)
    mt_layout_wrap(stderr, "", "  ",
                   "The stimulus was not found in it: it was read as a plain recording, of a tone, noise or "
                   "silence.");
}

static void say_next(const cli_filing *filing, const ending *e)
{
  char here[MT_JOB_PATH_MAX] = "", job[MT_JOB_PATH_MAX + 8] = "", text[2 * MT_JOB_PATH_MAX];
  bool is_here = cli_find_job(NULL, NULL, here, NULL) == MT_OK;

  if (!e->is_filed) {
    if (is_here)
      mt_layout_wrap(stderr, "", "  ",
                     "Not filed in the job you stand in; --stage before, or after, would do that.");
    return;
  }
  if (!is_here || strcmp(here, filing->job) != 0)
    snprintf(job, sizeof job, " -j %s", mt_text_basename(filing->job));
  snprintf(text, sizeof text, "Filed as \"%s\" in %s.", filing->label, mt_text_basename(filing->job));
  mt_layout_wrap(stderr, "", "  ", text);
  if (strcmp(filing->label, "before") == 0) {
    fprintf(stderr, "Next: mendtone job%s found \"...\"\n      mendtone check%s --stage after", job, job);
    if (e->is_stimulus && e->level_dbfs != MT_DEFAULT_LEVEL_DBFS)
      fprintf(stderr, " --level %.10g", e->level_dbfs); /* a level that was found is not found again */
    fprintf(stderr, "%s%s\n", e->plan != NULL ? " --plan " : "", e->plan != NULL ? e->plan : "");
  } else if (strcmp(filing->label, "after") == 0)
    fprintf(stderr, "Next: mendtone compare%s\n      mendtone report%s\n", job,
            job[0] != '\0' ? job + strlen(" -j") : "");
}

int cli_file_and_finish(const cli_command *command, cli_filing *filing, const cli_filed *with, mt_code code,
                        mt_results **results, const char *json, mt_error *err)
{
  mt_error failure = {0};
  mt_code filed = MT_OK;
  bool is_to_file = filing->stage != NULL;
  ending end = {.verdict = MT_VERDICT_NONE};
  int status;

  /* nothing came back, or not all of it: that is what was found, and the take shows it */
  if (filing->stage != NULL && (code == MT_OK || (code == MT_E_DATA && access(filing->take, F_OK) == 0)))
    filed = cli_file(command, filing, with, *results, err->message, &failure);
  mt_job_drop_stage(&filing->stage);
  if (code == MT_OK)
    end = (ending){(*results)->verdict, (*results)->is_stimulus, (*results)->stimulus_level_dbfs,
                   is_to_file && filed == MT_OK, with->plan};
  status = cli_finish(command, code, results, json, err);
  if (code == MT_OK && status <= CLI_UNDECIDED && isatty(STDOUT_FILENO)) {
    fflush(stdout);
    say_verdict(&end);
    say_next(filing, &end);
  }
  return filed != MT_OK ? cli_fail(command, &failure) : status;
}
