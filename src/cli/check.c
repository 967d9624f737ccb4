/* mendtone check: play, capture, read, judge. */
#include "cli/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

typedef struct options {
  cli_reading reading; /* first: the shared options' offsets count from here */
  const char *input;
  const char *output;
  const char *simulate;
  const char *take;
  bool yes;
  bool from_player;
  double wait_s;
  double find_level_dbfs;
  double find_peak_dbfs;
} options;

static const cli_option table[] = {
    {"input", 0, CLI_TEXT, offsetof(options, input), "NAME", "device that captures, or a part of its name"},
    {"output", 0, CLI_TEXT, offsetof(options, output), "NAME", "device that plays; else the same one"},
    {"simulate", 0, CLI_TEXT, offsetof(options, simulate), "UNIT.cfg",
     "a simulated unit instead of hardware"},
    {"take", 0, CLI_TEXT, offsetof(options, take), "FILE", "keep the take, a float WAV file"},
    {"from-player", 0, CLI_FLAG, offsetof(options, from_player), NULL,
     "play nothing: listen to a player with the file of mendtone stimulus"},
    {"wait", 0, CLI_NUMBER, offsetof(options, wait_s), "SECONDS", "with --from-player: how long; else 120"},
    {"find-level", 0, CLI_NUMBER, offsetof(options, find_level_dbfs), "DBFS",
     "find the level to play first: from quiet up to at most this"},
    {"find-peak", 0, CLI_NUMBER, offsetof(options, find_peak_dbfs), "DBFS",
     "with --find-level: the peak wanted at the input; else -12"},
    {"yes", 'y', CLI_FLAG, offsetof(options, yes), NULL, "do not wait after the cautions"},
};

static const char cautions[] =
    "Before it plays:\n"
    "  - Nothing on your head: the tones are steady and may be loud. Load the outputs\n"
    "    with resistors, not with ears.\n"
    "  - Start with the volume low, and turn it up step by step.\n"
    "  - A bridged output must not be grounded through the sound card: use one with a\n"
    "    floating or differential input. A power amplifier needs a divider before it.\n"
    "  - An open unit on the mains: isolating transformer, and only if you are licensed\n"
    "    and your local codes allow it.\n";

/* Only a person at a terminal can be asked. @return false if the answer was no. */
static bool ask(options *given, const mt_stimulus *stimulus)
{
  bool offers = !given->from_player && isnan(given->find_level_dbfs);
  int c;

  if (given->yes || given->simulate != NULL || !isatty(STDIN_FILENO))
    return true;
  fputs(cautions, stderr);
  if (stimulus->max_level_dbfs > stimulus->level_dbfs)
    fprintf(stderr,
            "  - One tone rises in steps to %g dBFS, %g dB above the others, until the unit\n"
            "    may clip: what is connected to its outputs must bear that.\n",
            stimulus->max_level_dbfs, stimulus->max_level_dbfs - stimulus->level_dbfs);
  if (offers)
    fprintf(stderr,
            "Press Enter to play at %g dBFS, f and Enter to find the level first, from quiet up to at most\n"
            "that, or Ctrl-C to stop. ",
            stimulus->level_dbfs);
  else
    fprintf(stderr, "Press Enter to %s, or Ctrl-C to stop. ", given->from_player ? "listen" : "play");
  fflush(stderr);
  while ((c = getchar()) != EOF)
    if (c == '\n')
      return true;
    else if (offers && (c == 'f' || c == 'F'))
      given->find_level_dbfs = stimulus->level_dbfs;
  fputc('\n', stderr);
  return false;
}

/* The take is renamed into place, so it must not be a device or a pipe. */
static mt_code check_outputs(const options *given, mt_error *err)
{
  const char *const inputs[] = {given->reading.plan, given->simulate};
  mt_code code = cli_check_output(given->reading.json, inputs, 2, err);

  if (code == MT_OK && given->take != NULL && strcmp(given->take, "-") == 0)
    return mt_fail(err, MT_E_ARG, "--take is -; expected the name of a file");
  if (code == MT_OK && given->take != NULL && cli_is_flac(given->take))
    return mt_fail(err, MT_E_ARG, "--take is %.100s; a take is kept as float WAV, which FLAC cannot hold",
                   given->take);
  if (code == MT_OK && given->take != NULL && given->reading.json != NULL &&
      strcmp(given->take, given->reading.json) == 0)
    return mt_fail(err, MT_E_ARG, "--take and --json are the same file %.100s", given->take);
  return code == MT_OK ? cli_check_output(given->take, inputs, 2, err) : code;
}

static mt_code play(mt_session_options *session, mt_results **results, mt_error *err)
{
  mt_code code;

  cli_start_progress(session);
  code = mt_session_check(session, results, err);
  cli_end_progress();
  return code;
}

static mt_code listen(mt_session_options *session, const options *given, mt_results **results, mt_error *err)
{
  mt_code code;

  session->wait_s = given->wait_s;
  cli_start_listening(session);
  code = mt_session_listen(session, results, err);
  cli_end_listening();
  return code;
}

static mt_code check(options *given, mt_results **results, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_stimulus stimulus = {0};
  mt_code code = check_outputs(given, err);

  if (code == MT_OK)
    code = cli_open_session(&given->reading, &session, &plan, err);
  if (code == MT_OK)
    code = mt_session_stimulus(&session, &stimulus, err);
  if (code == MT_OK && !ask(given, &stimulus))
    code = mt_fail(err, MT_E_ARG, "stopped before anything was played");
  if (code == MT_OK) {
    session.simulate = given->simulate;
    session.input = given->input;
    session.output = given->output;
    session.save_take = given->take;
    if (!isnan(given->find_level_dbfs))
      code = cli_find_level(&session, given->find_level_dbfs, given->find_peak_dbfs, err);
  }
  if (code == MT_OK)
    code = given->from_player ? listen(&session, given, results, err) : play(&session, results, err);
  mt_plan_destroy(&plan);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {.reading = CLI_READING_NONE,
                   .wait_s = (double)NAN,
                   .find_level_dbfs = (double)NAN,
                   .find_peak_dbfs = (double)NAN};
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_check, argc, argv, &given, &operands, &status))
    return status;
  if (given.simulate != NULL && (given.input != NULL || given.output != NULL))
    return cli_refuse(&cli_check, "--simulate needs no hardware; leave out --input and --output");
  if (given.from_player && given.output != NULL)
    return cli_refuse(&cli_check, "--from-player plays nothing; leave out --output");
  if (!given.from_player && !isnan(given.wait_s))
    return cli_refuse(&cli_check, "--wait belongs to --from-player");
  if (given.from_player && !isnan(given.find_level_dbfs))
    return cli_refuse(&cli_check,
                      "--from-player plays nothing; set the player's volume instead of --find-level");
  if (isnan(given.find_level_dbfs) && !isnan(given.find_peak_dbfs))
    return cli_refuse(&cli_check, "--find-peak belongs to --find-level");
  if (!isnan(given.find_level_dbfs) && !isnan(given.reading.level_dbfs))
    return cli_refuse(&cli_check, "--find-level finds the level; leave out --level");
  if (isnan(given.find_peak_dbfs))
    given.find_peak_dbfs = MT_DEFAULT_TARGET_DBFS;
  if (isnan(given.wait_s))
    given.wait_s = MT_DEFAULT_WAIT_S;
  if (!(given.wait_s >= 1.0 && given.wait_s <= MT_WAIT_MAX_S))
    return cli_refuse(&cli_check, "--wait is %g s; expected 1 to %g", given.wait_s, MT_WAIT_MAX_S);
  return cli_finish(&cli_check, check(&given, &results, &err), &results, given.reading.json, &err);
}

const cli_command cli_check = {
    .name = "check",
    .summary = "play, capture, read and judge: is this unit good?",
    .operands = "",
    .details =
        "Connect the unit between the sound card's output and input, then run this: it plays the\n"
        "stimulus, captures what comes back, and judges every reading by the plan. On a terminal\n"
        "it first says what to be careful about, and waits.\n"
        "A unit that only takes music from a phone or player: write the tones to a file with mendtone\n"
        "stimulus, start mendtone check --from-player, then the file.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .reads_takes = true,
    .run = run,
};
