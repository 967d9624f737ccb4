/*
 * mendtone check: play, capture, read, judge. The way in: options, the session, where results go.
 *
 * A new option is a row here and a member of check_options (check.h); what it needs more than a line for has a
 * file check_<what>.c of its own.
 */
#include "cli/check.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const cli_option table[] = {
    {"input", 0, CLI_TEXT, offsetof(check_options, input), "NAME",
     "device that captures, or a part of its name"},
    {"output", 0, CLI_TEXT, offsetof(check_options, output), "NAME", "device that plays; else the same one"},
    {"simulate", 0, CLI_TEXT, offsetof(check_options, simulate), "UNIT.cfg",
     "a simulated unit instead of hardware"},
    {"take", 0, CLI_TEXT, offsetof(check_options, take), "FILE", "keep the take, a float WAV file"},
    {"keep", 0, CLI_TEXT, offsetof(check_options, keep), "FOLDER",
     "keep what is taken of a plan's states, to go on later"},
    {"assume-set", 0, CLI_FLAG, offsetof(check_options, assume_set), NULL,
     "ask nobody: each state of the plan is set as it comes"},
    {"from-player", 0, CLI_FLAG, offsetof(check_options, from_player), NULL,
     "play nothing: listen to a player with the file of mendtone stimulus"},
    {"wait", 0, CLI_NUMBER, offsetof(check_options, wait_s), "SECONDS",
     "with --from-player: how long; else 120"},
    {"find-level", 0, CLI_NUMBER, offsetof(check_options, find_level_dbfs), "DBFS",
     "find the level to play first: from quiet up to at most this"},
    {"find-peak", 0, CLI_NUMBER, offsetof(check_options, find_peak_dbfs), "DBFS",
     "with --find-level: the peak wanted at the input; else -12"},
    {"yes", 'y', CLI_FLAG, offsetof(check_options, yes), NULL, "do not wait after the cautions"},
};

/* The take is renamed into place, so it must not be a device or a pipe. */
static mt_code check_outputs(const check_options *given, mt_error *err)
{
  const char *const inputs[] = {given->reading.plan, given->simulate, given->reading.answers};
  mt_code code = cli_check_output(given->reading.json, inputs, 3, err);

  if (code == MT_OK && given->take != NULL && strcmp(given->take, "-") == 0)
    return mt_fail(err, MT_E_ARG, "--take is -; expected the name of a file");
  if (code == MT_OK && given->take != NULL && cli_is_misnamed(given->take, false))
    return mt_fail(err, MT_E_ARG, "--take is %.100s; a take is kept as float WAV: expected a name in .wav",
                   given->take);
  if (code == MT_OK && given->take != NULL && given->reading.json != NULL &&
      strcmp(given->take, given->reading.json) == 0)
    return mt_fail(err, MT_E_ARG, "--take and --json are the same file %.100s", given->take);
  return code == MT_OK ? cli_check_output(given->take, inputs, 3, err) : code;
}

/* Every option that concerns the take goes into the session here. */
static mt_code open_session(const check_options *given, mt_session_options *session, mt_plan **plan,
                            mt_error *err)
{
  session->simulate = given->simulate;
  session->input = given->input;
  session->output = given->output;
  session->rescue_take = given->simulate == NULL ? cli_rescue_path() : NULL;
  return cli_open_session(&given->reading, session, plan, err);
}

/* Answers to a take that was judged without them. */
typedef struct answered {
  mt_answer *answers; /* owned by whoever made the list: room for all that the plan asks */
  size_t n;
} answered;

static const mt_answer *find_answer(void *ctx, const char *ask)
{
  const answered *list = ctx;

  for (size_t i = 0; i < list->n; i++)
    if (strcmp(list->answers[i].ask, ask) == 0)
      return &list->answers[i];
  return NULL;
}

static mt_code file_answer(void *ctx, const mt_answer *answer, mt_error *err)
{
  answered *list = ctx;

  (void)err;
  list->answers[list->n++] = *answer;
  return MT_OK;
}

static mt_code ask_by_hand(const check_options *given, mt_session_options *session, mt_results *results,
                           mt_error *err)
{
  const mt_plan *plan = session->plan;
  size_t most = plan != NULL ? plan->nby_hand : 0;
  answered list = {calloc(most + session->nanswers + 1, sizeof *list.answers), session->nanswers};
  mt_code code;

  if (list.answers == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for answers");
  if (list.n > 0)
    memcpy(list.answers, session->answers, list.n * sizeof *list.answers);
  code = check_by_hand(given, plan, find_answer, file_answer, &list, err);
  if (code == MT_OK && list.n > session->nanswers) {
    session->answers = list.answers;
    session->nanswers = list.n;
    code = mt_session_answer(session, results, err);
  }
  free(list.answers);
  return code;
}

static mt_code listen(const mt_session_options *session, mt_results **results, mt_error *err)
{
  mt_code code;

  cli_start_listening();
  code = mt_session_listen(session, results, err);
  cli_end_listening();
  return code;
}

static mt_code find_level(const check_options *given, mt_session_options *session, double max_dbfs,
                          mt_error *err)
{
  double target_dbfs = isnan(given->find_peak_dbfs) ? MT_DEFAULT_TARGET_DBFS : given->find_peak_dbfs;
  return cli_find_level(session, max_dbfs, target_dbfs, err);
}

/* A state in which a knob is turned says how, before anything is played. */
static void expect_turn(const mt_session_options *session, const mt_stimulus *stimulus)
{
  cli_expect_turn(stimulus);
  for (size_t i = 0; session->plan != NULL && session->state != NULL && i < session->plan->nstates; i++) {
    const mt_plan_state *state = &session->plan->states[i];
    if (strcmp(state->name, session->state) == 0 && state->turn_s > 0.0 && isatty(STDERR_FILENO))
      cli_explain_turn(state->turn, state->turn_s);
  }
}

/* One take of one state. */
static mt_code check_once(const check_options *given, cli_filing *filing, mt_session_options *session,
                          mt_results **results, mt_error *err)
{
  mt_stimulus stimulus = {0};
  double max_dbfs = given->find_level_dbfs;
  bool finds = false, may_find = !given->from_player && isnan(max_dbfs);
  mt_code code = mt_session_stimulus(session, &stimulus, err);

  if (code == MT_OK && given->keep != NULL)
    return mt_fail(err, MT_E_ARG,
                   "--keep is for a plan with states to visit one by one; expected --take FILE");
  if (code == MT_OK)
    code = cli_filing_begin(given->reading.job, given->reading.stage, filing, err);
  if (code == MT_OK)
    expect_turn(session, &stimulus);
  if (code == MT_OK)
    code = check_caution(given, session, stimulus.level_dbfs, stimulus.max_level_dbfs,
                         may_find ? &finds : NULL, err);
  session->save_take = filing->stage != NULL ? filing->take : given->take;
  if (finds)
    max_dbfs = stimulus.level_dbfs;
  if (code == MT_OK && !isnan(max_dbfs))
    code = find_level(given, session, max_dbfs, err);
  if (code == MT_OK)
    code = given->from_player ? listen(session, results, err) : mt_session_check(session, results, err);
  cli_end_progress();
  return code == MT_OK ? ask_by_hand(given, session, *results, err) : code;
}

/* Several takes: what is kept of them lies in the stage that is being filed, or in a folder of its own. */
static mt_code check_all(const check_options *given, cli_filing *filing, const mt_session_options *session,
                         mt_results **results, bool *stopped, mt_error *err)
{
  check_options mine = *given;
  mt_code code;

  if (given->reading.stage != NULL && given->keep != NULL)
    return mt_fail(err, MT_E_ARG, "with --stage the takes are kept in the job; leave out --keep");
  code = cli_filing_go_on(given->reading.job, given->reading.stage, filing, err);
  mine.keep_name = given->keep;
  if (code == MT_OK && filing->stage != NULL) {
    mine.keep = mt_job_stage_folder(filing->stage);
    mine.keep_name = "the job";
  }
  if (code == MT_OK)
    code = check_states(&mine, session, results, stopped, err);
  /* it is gone on with another time */
  if (code != MT_OK || *stopped)
    mt_job_leave_stage(&filing->stage);
  return code;
}

static mt_code check(const check_options *given, cli_filing *filing, mt_results **results, bool *stopped,
                     mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_answer *answers = NULL;
  mt_code code = check_outputs(given, err);

  if (code == MT_OK)
    code = open_session(given, &session, &plan, err);
  if (code == MT_OK)
    code = cli_open_answers(given->reading.answers, plan, &answers, &session.nanswers, err);
  session.answers = answers;
  if (code == MT_OK && plan != NULL && plan->nstates > 0 && session.state == NULL &&
      !isnan(given->find_level_dbfs))
    code = mt_fail(err, MT_E_ARG, "--find-level takes one state of a plan; name it with --state");
  session.listens = given->from_player;
  if (given->from_player)
    cli_prepare_listening(&session, isnan(given->wait_s) ? MT_DEFAULT_WAIT_S : given->wait_s);
  cli_start_progress(&session);
  if (code == MT_OK && plan != NULL && plan->nstates > 0 && session.state == NULL)
    code = check_all(given, filing, &session, results, stopped, err);
  else if (code == MT_OK)
    code = check_once(given, filing, &session, results, err);
  free(answers);
  mt_plan_destroy(&plan);
  return code;
}

/* What goes with a player, and with the search for a level. */
static bool check_player_options(const check_options *given, int *status)
{
  bool finds = !isnan(given->find_level_dbfs);

  *status = CLI_PASS;
  if (given->from_player && given->output != NULL)
    *status = cli_refuse(&cli_check, "--from-player plays nothing; leave out --output");
  else if (!given->from_player && !isnan(given->wait_s))
    *status = cli_refuse(&cli_check, "--wait belongs to --from-player");
  else if (given->from_player && finds)
    *status = cli_refuse(&cli_check,
                         "--from-player plays nothing; set the player's volume instead of --find-level");
  else if (!finds && !isnan(given->find_peak_dbfs))
    *status = cli_refuse(&cli_check, "--find-peak belongs to --find-level");
  else if (finds && !isnan(given->reading.level_dbfs))
    *status = cli_refuse(&cli_check, "--find-level finds the level; leave out --level");
  else if (!isnan(given->wait_s) && !(given->wait_s >= 1.0 && given->wait_s <= MT_WAIT_MAX_S))
    *status = cli_refuse(&cli_check, "--wait is %g s; expected 1 to %g", given->wait_s, MT_WAIT_MAX_S);
  return *status == CLI_PASS;
}

static int run(int argc, char **argv)
{
  check_options given = {.reading = CLI_READING_NONE,
                         .wait_s = (double)NAN,
                         .find_level_dbfs = (double)NAN,
                         .find_peak_dbfs = (double)NAN};
  cli_filing filing = {.stage = NULL};
  mt_results *results = NULL;
  mt_error err = {0};
  bool stopped = false;
  char **operands;
  int status;
  mt_code code;

  if (!cli_parse(&cli_check, argc, argv, &given, &operands, &status))
    return status;
  if (given.simulate != NULL && (given.input != NULL || given.output != NULL))
    return cli_refuse(&cli_check, "--simulate needs no hardware; leave out --input and --output");
  if (!check_player_options(&given, &status))
    return status;
  if (given.take != NULL && given.reading.stage != NULL)
    return cli_refuse(&cli_check, "with --stage the take is filed in the job; leave out --take");
  code = check(&given, &filing, &results, &stopped, &err);
  if (code == MT_OK && stopped)
    return CLI_UNDECIDED;
  return cli_file_and_finish(
      &cli_check, &filing,
      &(cli_filed){.plan = given.reading.plan, .rig = given.reading.rig, .simulate = given.simulate}, code,
      &results, given.reading.json, &err);
}

const cli_command cli_check = {
    .name = "check",
    .summary = "play, capture, read and judge: is this unit good?",
    .operands = "",
    .details =
        "Connect the unit between the sound card's output and input, then run this: it plays the\n"
        "stimulus, captures what comes back, and judges every reading by the plan. On a terminal\n"
        "it first says what to be careful about, and waits. A take that frames are missing from is\n"
        "taken again once. --take FILE.wav is FILE.part.wav until it is whole.\n\n"
        "A plan with states is visited state by state: it says what to set, and waits; --keep FOLDER\n"
        "or --job and --stage keep each take, so that the same command goes on where it was stopped.\n"
        "--state NAME takes one of them alone. What the plan asks by hand is asked at the end.\n\n"
        "A unit that only takes music from a phone or player: write the tones to a file with mendtone\n"
        "stimulus, start mendtone check --from-player, then the file.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .reads_takes = true,
    .run = run,
};
