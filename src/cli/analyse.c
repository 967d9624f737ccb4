/* mendtone analyse: readings and verdicts from a recording. */
#include "cli/cli.h"

#include <math.h>
#include <stdlib.h>

typedef struct options {
  cli_reading reading; /* first: the shared options' offsets count from here */
  bool recorded_by_unit;
} options;

static const cli_option table[] = {
    {"recorded-by-unit", 0, CLI_FLAG, offsetof(options, recorded_by_unit), NULL,
     "with --rig: the unit made TAKE of what the rig played"},
};

/* Without a take: the one of that stage, read again. */
static mt_code open_input(const char *path, const options *given, cli_filing *filing,
                          mt_session_options *session, mt_plan **plan, mt_error *err)
{
  mt_code code;

  if (path == NULL)
    return cli_filing_begin_again(given->reading.job, given->reading.stage, filing, session, plan, err);
  code = cli_filing_begin(given->reading.job, given->reading.stage, filing, err);
  return code == MT_OK ? cli_filing_copy_take(filing, path, err) : code;
}

static mt_code analyse(const char *path, const options *given, cli_filing *filing, mt_results **results,
                       mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  const char *const inputs[] = {path, given->reading.plan, given->reading.answers};
  mt_plan *plan = NULL;
  mt_answer *answers = NULL;
  mt_code code = cli_check_output(given->reading.json, inputs, 3, err);

  if (code == MT_OK)
    code = cli_open_session(&given->reading, &session, &plan, err);
  session.recorded_by_unit = given->recorded_by_unit;
  if (code == MT_OK)
    code = open_input(path, given, filing, &session, &plan, err);
  if (code == MT_OK)
    code = cli_open_answers(given->reading.answers, plan, &answers, &session.nanswers, err);
  session.answers = answers;
  if (code == MT_OK) {
    cli_start_progress(&session);
    code = path == NULL && filing->old != NULL
               ? mt_session_read_again(&session, filing->old, filing->take, results, err)
               : mt_session_analyse(path != NULL ? path : filing->take, &session, results, err);
    cli_end_progress();
  }
  mt_plan_destroy(&plan);
  free(answers);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {.reading = CLI_READING_NONE};
  cli_filing filing = {.stage = NULL};
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status;
  mt_code code;

  if (!cli_parse(&cli_analyse, argc, argv, &given, &operands, &status))
    return status;
  if (operands[0] == NULL && given.reading.stage == NULL)
    return cli_refuse(&cli_analyse, "TAKE is missing");
  code = analyse(operands[0], &given, &filing, &results, &err);
  mt_results_destroy(&filing.old);
  /* an earlier reading is not replaced by none */
  if (operands[0] == NULL && code != MT_OK)
    mt_job_drop_stage(&filing.stage);
  return cli_file_and_finish(
      &cli_analyse, &filing,
      &(cli_filed){.plan = given.reading.plan, .rig = given.reading.rig, .is_again = operands[0] == NULL},
      code, &results, given.reading.json, &err);
}

const cli_command cli_analyse = {
    .name = "analyse",
    .summary = "read and judge a recording",
    .operands = "[TAKE]",
    .max_operands = 1,
    .details =
        "TAKE is a WAV, RF64, W64 or FLAC file. If it holds the stimulus (see mendtone stimulus),\n"
        "everything is read and judged by the built-in plan or by --plan. Any other recording is\n"
        "read as what it is, a steady tone, noise or silence, and judged only with --plan.\n"
        "With --stage it is filed in a job; without TAKE the takes filed there are read again, by the\n"
        "plan filed with them, and the readings they had are kept beside.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .reads_takes = true,
    .run = run,
};
