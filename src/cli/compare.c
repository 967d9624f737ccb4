/* mendtone compare: two takes, stages, units or channels side by side. */
#include "cli/cli.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define NAME_SIZE (MT_JOB_PATH_MAX + 128)

typedef struct options {
  const char *job;
  const char *json;
  const char *plan;
  bool channels;
  bool all;
  bool brief;
} options;

static const cli_option table[] = {
    {"job", 'j', CLI_TEXT, offsetof(options, job), "JOB", "whose stages are meant; else where you stand"},
    {"channels", 0, CLI_FLAG, offsetof(options, channels), NULL, "the left and the right of one"},
    {"all", 'a', CLI_FLAG, offsetof(options, all), NULL, "also what does not differ"},
    {"brief", 'b', CLI_FLAG, offsetof(options, brief), NULL, "a dozen rows"},
    {"plan", 0, CLI_TEXT, offsetof(options, plan), "FILE", "limits for what is a recording"},
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "write it as JSON; - is standard output"},
};

/* One side: what it is called, and what it holds. */
typedef struct side {
  char name[NAME_SIZE];
  mt_results *results;
} side;

static mt_code open_file(const char *path, side *out, mt_error *err)
{
  snprintf(out->name, sizeof out->name, "%s", path);
  return mt_report_read_json(path, &out->results, err);
}

/* Results begin with a brace; no recording does. */
static bool is_json(const char *path)
{
  FILE *file = fopen(path, "rb");
  int c = EOF;

  while (file != NULL && (c = fgetc(file)) != EOF && (c == ' ' || c == '\n' || c == '\r' || c == '\t'))
    continue;
  if (file != NULL)
    fclose(file);
  return c == '{';
}

static mt_code open_recording(const char *path, const options *given, side *out, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_code code = cli_open_plan(given->plan, &plan, err);

  session.plan = plan;
  snprintf(out->name, sizeof out->name, "%s", path);
  if (code == MT_OK) {
    cli_start_progress(&session);
    code = mt_session_analyse(path, &session, &out->results, err);
    cli_end_progress();
  }
  mt_plan_destroy(&plan);
  return code;
}

static mt_code open_stage(const char *job, const char *label, side *out, mt_error *err)
{
  char path[MT_JOB_PATH_MAX + 16], when[24];
  mt_stage stage;
  mt_code code = mt_job_load_stage(job, label, &stage, err);

  if (code != MT_OK)
    return code;
  if (!stage.has_results)
    return mt_fail(err, MT_E_DATA, "the stage \"%.64s\" has no readings: %.150s", label, stage.why);
  snprintf(out->name, sizeof out->name, "%s, %s, of %s", label, mt_job_time_text(stage.time_s, true, when),
           mt_text_basename(job));
  snprintf(path, sizeof path, "%s/results.json", stage.folder);
  return mt_report_read_json(path, &out->results, err);
}

/* "JOB:STAGE", ":STAGE"; or the name of a stage of the job we stand in. */
static mt_code open_by_name(const char *name, const options *given, side *out, mt_error *err)
{
  const char *colon = strrchr(name, ':');
  char job[MT_JOB_PATH_MAX], where[MT_JOB_PATH_MAX] = "";
  mt_error unfit = {0};
  mt_code code;

  if (colon != NULL && (size_t)(colon - name) < sizeof where) {
    memcpy(where, name, (size_t)(colon - name));
    code = cli_find_job(where[0] != '\0' ? where : given->job, NULL, job, err);
    return code == MT_OK ? open_stage(job, colon + 1, out, err) : code;
  }
  if (cli_find_job(given->job, NULL, job, &unfit) == MT_OK)
    return open_stage(job, name, out, err);
  if (given->job != NULL)
    return mt_fail(err, unfit.code, "%s", unfit.message);
  return mt_fail(err, MT_E_NO_INPUT,
                 "%.120s: no such file; expected results, a recording, a stage's folder or JOB:STAGE", name);
}

static bool has_file(const char *folder, const char *name)
{
  char path[MT_JOB_PATH_MAX + 32];

  snprintf(path, sizeof path, "%.1023s/%s", folder, name);
  return access(path, F_OK) == 0;
}

static mt_code open_side(const char *name, const options *given, side *out, mt_error *err)
{
  char path[NAME_SIZE];
  struct stat there;

  if (stat(name, &there) != 0)
    return open_by_name(name, given, out, err);
  if (!S_ISDIR(there.st_mode))
    return is_json(name) ? open_file(name, out, err) : open_recording(name, given, out, err);
  if (has_file(name, "job.cfg"))
    return mt_fail(err, MT_E_ARG, "%.120s: is a job; expected one of its stages, as %.60s:before", name,
                   name);
  if (!has_file(name, "results.json"))
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: is a folder without results.json", name);
  snprintf(path, sizeof path, "%.1023s/results.json", name);
  return open_file(path, out, err);
}

/* Before and after of a job: of the one named, or the one we stand in. */
static mt_code open_job(const char *name, const options *given, side sides[2], mt_error *err)
{
  char job[MT_JOB_PATH_MAX];
  struct stat there;
  mt_code code;

  if (name != NULL && stat(name, &there) == 0 && S_ISREG(there.st_mode))
    return mt_fail(err, MT_E_ARG, "%.120s is one file; expected two to compare, or a job", name);
  code = cli_find_job(name != NULL ? name : given->job, NULL, job, err);
  if (code == MT_OK)
    code = open_stage(job, "before", &sides[0], err);
  return code == MT_OK ? open_stage(job, "after", &sides[1], err) : code;
}

static mt_code open_sides(char **operands, const options *given, side sides[2], mt_error *err)
{
  bool one = operands[0] != NULL && operands[1] == NULL;
  mt_code code;

  if (given->channels && one)
    return open_side(operands[0], given, &sides[0], err);
  if (given->channels)
    return mt_fail(err, MT_E_ARG, "--channels compares the left and the right of one; expected one to read");
  if (operands[0] == NULL || one)
    return open_job(operands[0], given, sides, err);
  code = open_side(operands[0], given, &sides[0], err);
  return code == MT_OK ? open_side(operands[1], given, &sides[1], err) : code;
}

static mt_code write_json(const mt_comparison *comparison, const char *a, const char *b, const char *path,
                          mt_error *err)
{
  char *text = NULL;
  mt_code code = mt_report_comparison_json(comparison, a, b, &text, err);

  if (code == MT_OK)
    code = mt_report_write_text(text, path, err);
  free(text);
  return code;
}

static mt_code compare(char **operands, const options *given, side sides[2], mt_error *err)
{
  char left[NAME_SIZE + 16], right[NAME_SIZE + 16];
  const char *const inputs[] = {operands[0], operands[0] != NULL ? operands[1] : NULL};
  mt_comparison *comparison = NULL;
  mt_code code = cli_check_output(given->json, inputs, 2, err);

  if (code == MT_OK)
    code = open_sides(operands, given, sides, err);
  if (code == MT_OK)
    code = given->channels ? mt_compare_channels(sides[0].results, &comparison, err)
                           : mt_compare_results(sides[0].results, sides[1].results, &comparison, err);
  snprintf(left, sizeof left, "%s%s", given->channels ? "the left of " : "", sides[0].name);
  snprintf(right, sizeof right, "%s%s", given->channels ? "the right of " : "",
           sides[given->channels ? 0 : 1].name);
  if (code == MT_OK && given->json != NULL)
    code = write_json(comparison, left, right, given->json, err);
  if (code == MT_OK && (given->json == NULL || strcmp(given->json, "-") != 0))
    code = mt_report_comparison(comparison, left, right,
                                given->all     ? MT_REPORT_ALL
                                : given->brief ? MT_REPORT_MAIN
                                               : MT_REPORT_DIFFERENT,
                                stdout, err);
  mt_comparison_destroy(&comparison);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {0};
  side sides[2] = {{.results = NULL}, {.results = NULL}};
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_compare, argc, argv, &given, &operands, &status))
    return status;
  if (given.all && given.brief)
    return cli_refuse(&cli_compare, "--all and --brief exclude each other");
  if (compare(operands, &given, sides, &err) == MT_OK)
    status = cli_verdict_status(sides[given.channels ? 0 : 1].results->verdict);
  else
    status = cli_fail(&cli_compare, &err);
  mt_results_destroy(&sides[0].results);
  mt_results_destroy(&sides[1].results);
  return status;
}

const cli_command cli_compare = {
    .name = "compare",
    .summary = "two takes, stages or units side by side: what differs?",
    .operands = "[A B | JOB]",
    .max_operands = 2,
    .details =
        "A and B are each results (what --json wrote), a recording, the folder of a stage, JOB:STAGE, or\n"
        "a stage of the job you stand in: mendtone compare before after. JOB alone, or nothing in the\n"
        "folder of a job, compares its stages before and after.\n"
        "A difference counts when it is larger than its expanded uncertainty, the root of the sum of\n"
        "both squares. What the rig has in common on both days is in it, too, though it cancels; what\n"
        "a plug pulled and pushed in again changes is not. The exit status is the verdict on B.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
