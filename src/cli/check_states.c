/* A plan with states: leads from one to the next, says what to set, takes when told to. */
#include "cli/check.h"

#include "report/layout.h"

#include <ctype.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* Where the person is. */
typedef struct tour {
  const check_options *given;
  const mt_plan *plan;
  mt_walk *walk;
  size_t at;     /* the state to be set; plan->nstates: all are visited */
  size_t last;   /* taken last; plan->nstates: none */
  bool ends;     /* the results are wanted */
  bool stops;    /* they are not, now */
  bool insisted; /* q was pressed although nothing is kept */
} tour;

/* ---- Ctrl-C --------------------------------------------------------------------------------------------- */

/* Said by the signal handler, so made before. */
static char farewell[300];
/* Standard error as it was: the sound system's own words are kept from it while a take is made. */
static int terminal = STDERR_FILENO;

static void say_farewell(int signal_number)
{
  ssize_t ignored = write(terminal, farewell, strlen(farewell));

  (void)ignored;
  signal(signal_number, SIG_DFL);
  raise(signal_number);
}

/* What is finished is kept at any moment: the program may end as it would anyway. */
static void prepare_for_interrupt(const check_options *given)
{
  struct sigaction action = {0};

  if (given->keep != NULL)
    snprintf(farewell, sizeof farewell,
             "\nInterrupted. What is taken is kept in %.150s;\nthe same command goes on from there.\n",
             given->keep_name);
  else
    snprintf(farewell, sizeof farewell, "\nInterrupted; nothing is kept without --keep FOLDER.\n");
  if (terminal == STDERR_FILENO && (terminal = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, STDERR_FILENO + 1)) < 0)
    terminal = STDERR_FILENO;
  action.sa_handler = say_farewell;
  sigemptyset(&action.sa_mask);
  sigaction(SIGINT, &action, NULL);
}

/* ---- what is said --------------------------------------------------------------------------------------- */

static size_t count_marks(const tour *t, mt_walk_mark mark)
{
  size_t n = 0;
  for (size_t i = 0; i < t->plan->nstates; i++)
    n += mt_walk_get_mark(t->walk, i) == mark;
  return n;
}

static size_t first_open(const tour *t)
{
  size_t i = 0;
  while (i < t->plan->nstates && mt_walk_get_mark(t->walk, i) != MT_WALK_OPEN)
    i++;
  return i;
}

static void say(const char *text)
{
  mt_layout_wrap(stderr, "  ", "  ", text);
}

static double duration_of(const tour *t, size_t index)
{
  mt_stimulus stimulus = {0};
  return mt_walk_stimulus(t->walk, index, &stimulus, NULL) == MT_OK ? stimulus.duration_s + 1.0 : 0.0;
}

static void describe_state(const tour *t)
{
  static const char *const marks[] = {"", " (taken already)", " (skipped before)"};
  const mt_plan_state *state = &t->plan->states[t->at];
  char text[120];

  snprintf(text, sizeof text, "State %zu of %zu: %s%s", t->at + 1, t->plan->nstates, state->name,
           marks[mt_walk_get_mark(t->walk, t->at)]);
  fputc('\n', stderr);
  mt_layout_wrap(stderr, "", "  ", text);
  mt_layout_wrap(stderr, "  Set: ", "       ", state->set[0] != '\0' ? state->set : state->name);
  check_describe_load(t->plan, t->walk, t->at);
  if (state->turn_s > 0.0)
    cli_explain_turn(state->turn, state->turn_s);
}

static void describe_keys(const tour *t)
{
  bool is_taken = t->at < t->plan->nstates && mt_walk_get_mark(t->walk, t->at) == MT_WALK_TAKEN;
  char text[240];
  int n;

  if (t->at == t->plan->nstates)
    n = snprintf(text, sizeof text, "Enter: the results");
  else
    n = snprintf(text, sizeof text, "Enter: it is set, %s %s(%.0f s)",
                 t->given->from_player ? "listen" : "take",
                 is_taken ? (t->given->from_player ? "again " : "it again ") : "", duration_of(t, t->at));
  if (t->last < t->plan->nstates && t->last != t->at)
    n += snprintf(text + n, sizeof text - (size_t)n, "; r: redo %s", t->plan->states[t->last].name);
  if (t->at < t->plan->nstates)
    n += snprintf(text + n, sizeof text - (size_t)n, "; s: %s", is_taken ? "leave it as it is" : "skip");
  if (t->at > 0 && t->at - 1 != t->last)
    n += snprintf(text + n, sizeof text - (size_t)n, "; b: back to %s", t->plan->states[t->at - 1].name);
  snprintf(text + n, sizeof text - (size_t)n, "; q: stop%s", t->given->keep != NULL ? ", go on later" : "");
  say(text);
}

/* What spoils a take is better known while the switch still stands so. */
static void describe_take(const tour *t, size_t index)
{
  const mt_results *results = mt_walk_get_results(t->walk, index);
  char text[240];

  if (results->nproblems == 0) {
    say("taken");
    return;
  }
  snprintf(text, sizeof text, "taken, with %zu problem%s%s", results->nproblems,
           results->nproblems > 1 ? "s" : "",
           results->valid ? ": what they touch cannot pass. r takes it again"
                          : ", and nothing can be read from it. r takes it again");
  say(text);
  for (size_t i = 0; i < results->nproblems && i < 3; i++)
    mt_layout_wrap(stderr, "  - ", "    ", results->problems[i].text);
}

/* ---- one state ------------------------------------------------------------------------------------------ */

static mt_code take(tour *t, size_t index, mt_error *err)
{
  mt_stimulus stimulus = {0};
  mt_code code = mt_walk_stimulus(t->walk, index, &stimulus, err);

  if (code == MT_OK) {
    cli_expect_turn(&stimulus);
    if (t->given->from_player)
      cli_start_listening();
    code = mt_walk_take(t->walk, index, err);
    if (t->given->from_player)
      cli_end_listening();
  }
  cli_end_progress();
  check_forget_keys();
  if (code == MT_OK)
    t->last = index;
  return code;
}

/* A lead that is not plugged in is no reason to end; a full disk is one. */
static mt_code take_here(tour *t, mt_error *err)
{
  mt_code code = take(t, t->at, err);

  if (code == MT_E_DATA || code == MT_E_DEVICE) {
    say(err->message);
    say("Not taken. Mend that and take it again.");
    return MT_OK;
  }
  if (code == MT_OK) {
    describe_take(t, t->at);
    t->at = first_open(t);
  }
  return code;
}

static void stop(tour *t)
{
  size_t ntaken = count_marks(t, MT_WALK_TAKEN);
  char text[400];

  if (t->given->keep == NULL && ntaken > 0 && !t->insisted) {
    say("Nothing is kept without --keep FOLDER: q again throws away what is taken.");
    t->insisted = true;
    return;
  }
  if (t->given->keep != NULL)
    snprintf(text, sizeof text,
             "Stopped. %zu of %zu states are kept in %.150s; the same command goes on from there.", ntaken,
             t->plan->nstates, t->given->keep_name);
  else
    snprintf(text, sizeof text, "Stopped; nothing is kept.");
  mt_layout_wrap(stderr, "", "", text);
  t->stops = true;
}

static mt_code skip_here(tour *t, mt_error *err)
{
  mt_code code = mt_walk_skip(t->walk, t->at, err);

  t->at = first_open(t);
  return code;
}

static void go_back(tour *t)
{
  if (t->at == 0)
    say("This is the first one.");
  else
    t->at--;
}

static void go_to_last(tour *t)
{
  if (t->last == t->plan->nstates)
    say("Nothing was taken yet.");
  else
    t->at = t->last;
}

/* Capitals and blanks are a slip of the hand. */
static void clean_key(char *key)
{
  size_t n = 0;

  for (const char *p = key; *p != '\0'; p++)
    if (*p != ' ' && *p != '\t')
      key[n++] = (char)tolower((unsigned char)*p);
  key[n] = '\0';
}

static mt_code press(tour *t, char *key, mt_error *err)
{
  bool is_done = t->at == t->plan->nstates;
  char text[120];

  clean_key(key);
  if (strcmp(key, "q") == 0) {
    stop(t);
    return MT_OK;
  }
  t->insisted = false;
  if (key[0] == '\0' && is_done)
    t->ends = true;
  else if (key[0] == '\0')
    return take_here(t, err);
  else if (strcmp(key, "s") == 0 && !is_done)
    return skip_here(t, err);
  else if (strcmp(key, "b") == 0)
    go_back(t);
  else if (strcmp(key, "r") == 0)
    go_to_last(t);
  else {
    snprintf(text, sizeof text, "\"%.20s\" is none of the keys.", key);
    say(text);
  }
  return MT_OK;
}

static mt_code lead(tour *t, mt_error *err)
{
  mt_code code = MT_OK;

  t->at = first_open(t);
  while (code == MT_OK && !t->ends && !t->stops) {
    char key[24];
    if (t->at < t->plan->nstates)
      describe_state(t);
    else
      fprintf(stderr, "\nAll %zu states are visited.\n", t->plan->nstates);
    describe_keys(t);
    if (check_ask("  > ", key, sizeof key)) {
      code = press(t, key, err);
      continue;
    }
    t->insisted = true;
    stop(t);
  }
  return code;
}

/* ---- the whole ------------------------------------------------------------------------------------------ */

static mt_code take_all(tour *t, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = first_open(t); i < t->plan->nstates && code == MT_OK; i = first_open(t))
    code = take(t, i, err);
  return code;
}

/* Of all that will be played, the loudest. */
static mt_code caution(const tour *t, const mt_session_options *session, mt_error *err)
{
  double level_dbfs = 0.0, max_level_dbfs = -1e3;

  for (size_t i = 0; i < t->plan->nstates; i++) {
    mt_stimulus stimulus;
    if (mt_walk_stimulus(t->walk, i, &stimulus, NULL) != MT_OK)
      continue;
    level_dbfs = stimulus.level_dbfs;
    max_level_dbfs = stimulus.max_level_dbfs > max_level_dbfs ? stimulus.max_level_dbfs : max_level_dbfs;
  }
  return check_caution(t->given, session, level_dbfs, max_level_dbfs, NULL, err);
}

static const mt_answer *find_answer(void *ctx, const char *ask)
{
  return mt_walk_find_answer(ctx, ask);
}

static mt_code file_answer(void *ctx, const mt_answer *answer, mt_error *err)
{
  return mt_walk_answer(ctx, answer, err);
}

static mt_code visit(tour *t, const mt_session_options *session, bool is_attended, mt_error *err)
{
  size_t nresumed = mt_walk_count_resumed(t->walk);
  mt_code code = MT_OK;

  if (nresumed > 0)
    fprintf(stderr, "%zu of %zu states are in %s already.\n", nresumed, t->plan->nstates,
            t->given->keep_name);
  if (first_open(t) < t->plan->nstates)
    code = caution(t, session, err);
  if (code != MT_OK)
    return code;
  if (is_attended && t->given->from_player)
    say("A player plays each state: the file of mendtone stimulus does for all of them, those of --state "
        "NAME are shorter.");
  if (is_attended && t->given->keep == NULL)
    fputs("With --keep FOLDER you could stop, and go on later.\n", stderr);
  code = is_attended ? lead(t, err) : take_all(t, err);
  if (code == MT_OK && !t->stops)
    code = check_by_hand(t->given, t->plan, find_answer, file_answer, t->walk, err);
  return code;
}

mt_code check_states(const check_options *given, const mt_session_options *session, mt_results **results,
                     bool *stopped, mt_error *err)
{
  tour t = {.given = given, .plan = session->plan, .last = session->plan->nstates};
  bool is_attended = check_is_attended(given);
  mt_code code;

  if (given->take != NULL)
    return mt_fail(err, MT_E_ARG,
                   "--take is one file, and the plan has %zu states; expected --keep FOLDER, or --state",
                   t.plan->nstates);
  if (!is_attended && !given->assume_set && given->simulate == NULL)
    return mt_fail(
        err, MT_E_ARG,
        "the plan has %zu states, and nobody is there to set them; expected a terminal, or --assume-set",
        t.plan->nstates);
  code = mt_walk_create(session, given->keep, &t.walk, err);
  if (code == MT_OK) {
    prepare_for_interrupt(given);
    code = visit(&t, session, is_attended, err);
  }
  if (code == MT_OK && !t.stops)
    code = mt_walk_finish(t.walk, results, err);
  mt_walk_destroy(&t.walk);
  *stopped = t.stops;
  return code;
}
