/**
 * @file cli.h  What the commands share: a table of options each, exit statuses, where results go.
 *
 * Results go to standard output, messages to standard error, progress only to a terminal.
 */
#ifndef CLI_CLI_H
#define CLI_CLI_H

#include <mendtone/job.h>
#include <mendtone/report.h>
#include <mendtone/session.h>

#include <stdbool.h>
#include <stddef.h>

/* Exit statuses; the errors are those of sysexits(3). */
#define CLI_PASS 0 /* all limits met, or none set */
#define CLI_FAIL 1 /* a limit missed */
#define CLI_UNDECIDED 2
#define CLI_USAGE 64

typedef enum cli_kind {
  CLI_FLAG,  /**< bool */
  CLI_TEXT,  /**< const char * */
  CLI_NUMBER /**< double, untouched if the option is not given */
} cli_kind;

/** One option: where its value goes, and what --help says. */
typedef struct cli_option {
  const char *name;
  char letter; /**< short form, or 0 */
  cli_kind kind;
  size_t offset;        /**< into the command's own record */
  const char *argument; /**< "FILE", "HZ"...; NULL for a flag */
  const char *help;
} cli_option;

typedef struct cli_command {
  const char *name;
  const char *summary;  /**< a few words, for the list of commands */
  const char *operands; /**< "TAKE", "[DIR]", "" */
  int min_operands;
  int max_operands;
  const char *details; /**< a paragraph for --help */
  const cli_option *options;
  size_t noptions;
  bool reads_takes; /**< its record begins with a cli_reading, and it takes those options too */
  int (*run)(int argc, char **argv); /**< argv[0] is the command's name; returns the exit status */
} cli_command;

/** What every command that ends in results takes; the first member of its record. */
typedef struct cli_reading {
  const char *plan;
  const char *json;
  const char *state;
  const char *extras;
  const char *answers;
  double rate_hz;
  double level_dbfs;
  double max_level_dbfs;
  const char *job;
  const char *stage;
  const char *rig;
  const char *path;
} cli_reading;

/** Nothing given. */
#define CLI_READING_NONE                                                                                     \
  {                                                                                                          \
    .level_dbfs = (double)NAN, .max_level_dbfs = (double)NAN                                                 \
  }

/* Their rows, offsets into cli_reading. */
extern const cli_option cli_reading_rows[];
extern const size_t cli_reading_noptions;

extern const cli_command cli_demo;
extern const cli_command cli_devices;
extern const cli_command cli_stimulus;
extern const cli_command cli_check;
extern const cli_command cli_analyse;
extern const cli_command cli_compare;
extern const cli_command cli_chart;
extern const cli_command cli_report;
extern const cli_command cli_plan;
extern const cli_command cli_job;
extern const cli_command cli_jobs;
extern const cli_command cli_rig;
extern const cli_command cli_watch;

/**
 * Read options into the command's record and count the operands.
 *
 * @param out       the record the table's offsets point into, preset with the defaults.
 * @param operands  first of the operands in argv, ended by NULL.
 * @return false if the command is done, with *status: after --help, or after a message.
 */
bool cli_parse(const cli_command *command, int argc, char **argv, void *out, char ***operands, int *status);

/** Print "mendtone check: message" and return the exit status of the error's code. */
int cli_fail(const cli_command *command, const mt_error *err);

/** A mistake in the command line: message, pointer to --help, CLI_USAGE. */
int cli_refuse(const cli_command *command, const char *fmt, ...) MT_PRINTF(2, 3);

/** The exit status that says a verdict. */
int cli_verdict_status(mt_verdict verdict);

/**
 * Refuse early what could not be written after a long measurement, or what would overwrite an input.
 *
 * @param path    may be NULL: nothing will be written. "-" is standard output.
 * @param inputs  paths that are read, NULL entries allowed.
 */
mt_code cli_check_output(const char *path, const char *const *inputs, size_t ninputs, mt_error *err);

/** Whether a path ends in .flac. */
bool cli_is_flac(const char *path);

/** Whether a path ends as other files than WAV, or FLAC if that may be, do; no ending at all is none of them. */
bool cli_is_misnamed(const char *path, bool may_be_flac);

/** Write results as JSON to `json` (unless NULL), as text to standard output unless JSON goes there. */
mt_code cli_write_results(const mt_results *results, const char *json, mt_error *err);

/** A progress display for session options, and their notes: set up only if standard error is a terminal. */
void cli_start_progress(mt_session_options *options);
void cli_end_progress(void);

/** Of what is about to be played: if a knob is turned meanwhile, the progress says what to do, and the level. */
void cli_expect_turn(const mt_stimulus *stimulus);

/** Say in words how to turn a knob, before. */
void cli_explain_turn(const char *knob, double turn_s);

/** Find the level to play and set it in the session; says what it found, and which knob to turn. */
mt_code cli_find_level(mt_session_options *session, double max_dbfs, double target_dbfs, mt_error *err);

/** A display of what is heard, on a terminal only, and how long to wait for it: set up once. */
void cli_prepare_listening(mt_session_options *options, double wait_s);

/** Until cli_end_listening() Ctrl-C ends the listening, not the program. */
void cli_start_listening(void);
void cli_end_listening(void);

/**
 * Where a take goes in case of an accident: "last-take.wav" among the user's state files, in a folder made for it.
 *
 * @return NULL if there can be none. Valid until the program ends.
 * Source: XDG Base Directory Specification 0.8, XDG_STATE_HOME.
 */
const char *cli_rescue_path(void);

/**
 * Take over --extras and --max-level.
 *
 * @param list  may be NULL: not given.
 */
mt_code cli_set_extras(const char *list, double max_level_dbfs, mt_session_options *options, mt_error *err);

/** Open a plan if a path is given, or the name of one that comes with the tool; *out stays NULL if not. */
mt_code cli_open_plan(const char *path, mt_plan **out, mt_error *err);

/**
 * What was given as session options.
 *
 * @param plan  *plan stays NULL if none was given; the session borrows it, the caller destroys it.
 */
mt_code cli_open_session(const cli_reading *given, mt_session_options *session, mt_plan **plan,
                         mt_error *err);

/**
 * Read a file of answers to the questions a plan asks: answers = ( { ask = "supply voltage"; is = 5.02; }, ... ), each
 * checked against the plan.
 *
 * @param path  NULL: none; *out stays NULL. Caller frees *out.
 * @param plan  NULL: no plan, so no question.
 */
mt_code cli_open_answers(const char *path, const mt_plan *plan, mt_answer **out, size_t *n, mt_error *err);

/**
 * The end of such a command: write the results, or say why there are none; and whether the take could not be kept.
 *
 * @param code     of what made the results; not MT_OK: they are NULL.
 * @param results  destroyed.
 * @return the exit status.
 */
int cli_finish(const cli_command *command, mt_code code, mt_results **results, const char *json,
               mt_error *err);

/* ---- the job book ---------------------------------------------------------------------------------- */

/** A stage being filed. */
typedef struct cli_filing {
  mt_open_stage *stage; /**< NULL: nothing is filed */
  char job[MT_JOB_PATH_MAX];
  char label[MT_JOB_LABEL_MAX + 1];
  char take[MT_JOB_PATH_MAX]; /**< where the take is to be written, or is read again, of several the folder */
  char rig[MT_JOB_PATH_MAX + 16]; /**< of a stage read again: the rig filed with it */
  mt_results *old; /**< of a stage read again: its readings, if it had any; the caller's to destroy */
} cli_filing;

/** What is filed beside take and results; each may be NULL. */
typedef struct cli_filed {
  const char *plan; /**< paths */
  const char *rig;  /**< its name */
  const char *simulate;
  const char *take; /**< the take's name, if the results say another */
  bool is_again;    /**< a stage read again keeps the plan it has */
} cli_filed;

/** mt_job_find() where jobs live. @param jobs  may be NULL. */
mt_code cli_find_job(const char *name, const char *jobs, char *out, mt_error *err);

/** Begin a stage as --job and --stage say; nothing if neither is given. The job may be the folder we stand in. */
mt_code cli_filing_begin(const char *job, const char *label, cli_filing *out, mt_error *err);

/** Go on with the stage of that label that was begun and left, or begin one. For several takes. */
mt_code cli_filing_go_on(const char *job, const char *label, cli_filing *out, mt_error *err);

/**
 * Begin to read a stage's takes again, with mt_session_read_again() if it has `old` results. By the plan that was filed
 * with it unless *plan is one.
 */
mt_code cli_filing_begin_again(const char *job, const char *label, cli_filing *out,
                               mt_session_options *session, mt_plan **plan, mt_error *err);

/** Copy a recording into the stage, if there is one. */
mt_code cli_filing_copy_take(cli_filing *filing, const char *path, mt_error *err);

/**
 * File what was made, say where on standard error, and close the stage; nothing without one.
 *
 * @param results  NULL: the take could not be read, and `why` says why.
 */
mt_code cli_file(const cli_command *command, cli_filing *filing, const cli_filed *with, mt_results *results,
                 const char *why, mt_error *err);

/**
 * cli_finish(), and file the results before, if there is a stage. A take of which nothing could be read is filed
 * with the reason. Results that cannot be filed are still shown.
 */
int cli_file_and_finish(const cli_command *command, cli_filing *filing, const cli_filed *with, mt_code code,
                        mt_results **results, const char *json, mt_error *err);

#endif
