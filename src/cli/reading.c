/* What check and analyse have in common: their options, and how they end. */
#include "cli/cli.h"

const cli_option cli_reading_rows[] = {
    {"plan", 0, CLI_TEXT, offsetof(cli_reading, plan), "FILE",
     "limits to judge by, or a name of mendtone plan"},
    {"json", 0, CLI_TEXT, offsetof(cli_reading, json), "FILE",
     "write the results as JSON; - is standard output"},
    {"state", 0, CLI_TEXT, offsetof(cli_reading, state), "NAME", "name of the unit's switch positions"},
    {"answers", 0, CLI_TEXT, offsetof(cli_reading, answers), "FILE", "answers to what the plan asks by hand"},
    {"rate", 0, CLI_NUMBER, offsetof(cli_reading, rate_hz), "HZ",
     "sample rate of the stimulus; else the plan's"},
    {"level", 0, CLI_NUMBER, offsetof(cli_reading, level_dbfs), "DBFS",
     "level of the stimulus; else the plan's, or -20"},
    {"extras", 0, CLI_TEXT, offsetof(cli_reading, extras), "LIST",
     "in it also intermodulation,levels,crosstalk"},
    {"max-level", 0, CLI_NUMBER, offsetof(cli_reading, max_level_dbfs), "DBFS",
     "highest level of the extra levels; else --level"},
    {"job", 'j', CLI_TEXT, offsetof(cli_reading, job), "JOB",
     "file it in this job; else in the one you stand in"},
    {"stage", 's', CLI_TEXT, offsetof(cli_reading, stage), "NAME",
     "file it as before, after or another name"},
};

const size_t cli_reading_noptions = sizeof cli_reading_rows / sizeof cli_reading_rows[0];

mt_code cli_open_session(const cli_reading *given, mt_session_options *session, mt_plan **plan, mt_error *err)
{
  mt_code code = cli_set_extras(given->extras, given->max_level_dbfs, session, err);

  if (code == MT_OK)
    code = cli_open_plan(given->plan, plan, err);
  session->plan = *plan;
  session->rate_hz = given->rate_hz;
  session->level_dbfs = given->level_dbfs;
  session->state = given->state;
  return code;
}

int cli_finish(const cli_command *command, mt_code code, mt_results **results, const char *json,
               mt_error *err)
{
  int status;

  if (code == MT_OK && cli_write_results(*results, json, err) == MT_OK)
    status = cli_verdict_status((*results)->verdict);
  else
    status = cli_fail(command, err);
  mt_results_destroy(results);
  return status;
}
