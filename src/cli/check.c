/*
 * mendtone check: play, capture, read, judge. The way in: options, the session, where results go.
 *
 * A new option is a row here and a member of check_options (check.h); what it needs more than a line for has a
 * file check_<what>.c of its own.
 */
#include "cli/check.h"

#include <math.h>
#include <string.h>

static const cli_option table[] = {
    {"input", 0, CLI_TEXT, offsetof(check_options, input), "NAME",
     "device that captures, or a part of its name"},
    {"output", 0, CLI_TEXT, offsetof(check_options, output), "NAME", "device that plays; else the same one"},
    {"simulate", 0, CLI_TEXT, offsetof(check_options, simulate), "UNIT.cfg",
     "a simulated unit instead of hardware"},
    {"take", 0, CLI_TEXT, offsetof(check_options, take), "FILE", "keep the take, a float WAV file"},
    {"yes", 'y', CLI_FLAG, offsetof(check_options, yes), NULL, "do not wait after the cautions"},
};

/* The take is renamed into place, so it must not be a device or a pipe. */
static mt_code check_outputs(const check_options *given, mt_error *err)
{
  const char *const inputs[] = {given->reading.plan, given->simulate};
  mt_code code = cli_check_output(given->reading.json, inputs, 2, err);

  if (code == MT_OK && given->take != NULL && strcmp(given->take, "-") == 0)
    return mt_fail(err, MT_E_ARG, "--take is -; expected the name of a file");
  if (code == MT_OK && given->take != NULL && given->reading.json != NULL &&
      strcmp(given->take, given->reading.json) == 0)
    return mt_fail(err, MT_E_ARG, "--take and --json are the same file %.100s", given->take);
  return code == MT_OK ? cli_check_output(given->take, inputs, 2, err) : code;
}

/* Every option that concerns the take goes into the session here. */
static mt_code open_session(const check_options *given, mt_session_options *session, mt_plan **plan,
                            mt_error *err)
{
  session->simulate = given->simulate;
  session->input = given->input;
  session->output = given->output;
  session->save_take = given->take;
  return cli_open_session(&given->reading, session, plan, err);
}

static mt_code check(const check_options *given, mt_results **results, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_stimulus stimulus = {0};
  mt_code code = check_outputs(given, err);

  if (code == MT_OK)
    code = open_session(given, &session, &plan, err);
  if (code == MT_OK)
    code = mt_session_stimulus(&session, &stimulus, err);
  if (code == MT_OK && !check_caution(given, &stimulus))
    code = mt_fail(err, MT_E_ARG, "stopped before anything was played");
  if (code == MT_OK) {
    cli_start_progress(&session);
    code = mt_session_check(&session, results, err);
    cli_end_progress();
  }
  mt_plan_destroy(&plan);
  return code;
}

static int run(int argc, char **argv)
{
  check_options given = {.reading = CLI_READING_NONE};
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_check, argc, argv, &given, &operands, &status))
    return status;
  if (given.simulate != NULL && (given.input != NULL || given.output != NULL))
    return cli_refuse(&cli_check, "--simulate needs no hardware; leave out --input and --output");
  return cli_finish(&cli_check, check(&given, &results, &err), &results, given.reading.json, &err);
}

const cli_command cli_check = {
    .name = "check",
    .summary = "play, capture, read and judge: is this unit good?",
    .operands = "",
    .details = "Connect the unit between the sound card's output and input, then run this: it plays the\n"
               "stimulus, captures what comes back, and judges every reading by the plan. On a terminal\n"
               "it first says what to be careful about, and waits.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .reads_takes = true,
    .run = run,
};
