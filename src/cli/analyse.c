/* mendtone analyse: readings and verdicts from a recording. */
#include "cli/cli.h"

#include <math.h>

typedef struct options {
  const char *plan;
  const char *json;
  const char *state;
  double rate_hz;
  double level_dbfs;
  const char *extras;
  double max_level_dbfs;
} options;

static const cli_option table[] = {
    {"plan", 0, CLI_TEXT, offsetof(options, plan), "FILE", "limits to judge by; else the built-in plan"},
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "write the results as JSON; - is standard output"},
    {"rate", 0, CLI_NUMBER, offsetof(options, rate_hz), "HZ", "the stimulus was made for another rate"},
    {"level", 0, CLI_NUMBER, offsetof(options, level_dbfs), "DBFS", "the stimulus was made at this level"},
    {"extras", 0, CLI_TEXT, offsetof(options, extras), "LIST",
     "what it was made with; else found by its length"},
    {"max-level", 0, CLI_NUMBER, offsetof(options, max_level_dbfs), "DBFS",
     "the highest level it was made with"},
    {"state", 0, CLI_TEXT, offsetof(options, state), "NAME", "name of the unit's switch positions"},
};

static mt_code analyse(const char *path, const options *given, mt_results **results, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  const char *const inputs[] = {path, given->plan};
  mt_plan *plan = NULL;
  mt_code code = cli_check_output(given->json, inputs, 2, err);

  if (code == MT_OK)
    code = cli_set_extras(given->extras, given->max_level_dbfs, &session, err);
  if (code == MT_OK)
    code = cli_open_plan(given->plan, &plan, err);
  if (code == MT_OK) {
    session.plan = plan;
    session.rate_hz = given->rate_hz;
    session.level_dbfs = given->level_dbfs;
    session.state = given->state;
    cli_start_progress(&session);
    code = mt_session_analyse(path, &session, results, err);
    cli_end_progress();
  }
  mt_plan_destroy(&plan);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {.level_dbfs = (double)NAN, .max_level_dbfs = (double)NAN};
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_analyse, argc, argv, &given, &operands, &status))
    return status;
  if (analyse(operands[0], &given, &results, &err) == MT_OK &&
      cli_write_results(results, given.json, &err) == MT_OK)
    status = cli_verdict_status(results->verdict);
  else
    status = cli_fail(&cli_analyse, &err);
  mt_results_destroy(&results);
  return status;
}

const cli_command cli_analyse = {
    .name = "analyse",
    .summary = "read and judge a recording",
    .operands = "TAKE",
    .min_operands = 1,
    .max_operands = 1,
    .details = "TAKE is a WAV, RF64, W64 or FLAC file. If it holds the stimulus (see mendtone stimulus),\n"
               "everything is read and judged by the built-in plan or by --plan. Any other recording is\n"
               "read as what it is, a steady tone, noise or silence, and judged only with --plan.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
