#include "cli/cli.h"

#include "report/layout.h"

#include "base/text.h"
#include "report/layout.h"

#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#define MAX_OPTIONS 48
#define HELP_VALUE 1000

/* ---- messages --------------------------------------------------------------------------------- */

static int status_of(mt_code code)
{
  switch (code) {
  case MT_OK: return CLI_PASS;
  case MT_E_ARG: return CLI_USAGE;
  case MT_E_DATA: return 65;
  case MT_E_NO_INPUT: return 66;
  case MT_E_DEVICE: return 69;
  case MT_E_INTERNAL: return 70;
  case MT_E_MEMORY: return 70;
  case MT_E_CREATE: return 73;
  case MT_E_IO: return 74;
  case MT_E_PLAN: return 78;
  }
  return 70;
}

int cli_fail(const cli_command *command, const mt_error *err)
{
  fprintf(stderr, "mendtone %s: %s\n", command->name,
          err->message[0] != '\0' ? err->message : mt_code_name(err->code));
  return status_of(err->code);
}

int cli_refuse(const cli_command *command, const char *fmt, ...)
{
  char message[400];
  va_list args;

  va_start(args, fmt);
  vsnprintf(message, sizeof message, fmt, args);
  va_end(args);
  /* one line, whatever was typed */
  for (char *p = message; *p != '\0'; p++)
    if ((unsigned char)*p < 0x20 || *p == 0x7f)
      *p = '?';
  fprintf(stderr, "mendtone %s: %s (see mendtone %s --help)\n", command->name, message, command->name);
  return CLI_USAGE;
}

int cli_verdict_status(mt_verdict verdict)
{
  switch (verdict) {
  case MT_VERDICT_NONE:
  case MT_VERDICT_PASS: return CLI_PASS;
  case MT_VERDICT_FAIL: return CLI_FAIL;
  case MT_VERDICT_UNDECIDED: return CLI_UNDECIDED;
  }
  return CLI_UNDECIDED;
}

/* ---- options ---------------------------------------------------------------------------------- */

/* The command's own rows, then those it shares. */
static size_t count_options(const cli_command *command)
{
  return command->noptions + (command->reads_takes ? cli_reading_noptions : 0);
}

static const cli_option *option_at(const cli_command *command, size_t i)
{
  return i < command->noptions ? &command->options[i] : &cli_reading_rows[i - command->noptions];
}

/* Flowing text is laid out anew for 80 columns; what is indented, or stands apart, stays as it is. */
static void print_details(const char *details)
{
  char text[1600];
  size_t used = 0;

  for (const char *line = details; *line != '\0';) {
    size_t length = strcspn(line, "\n");
    const char *next = line + length + (line[length] == '\n' ? 1 : 0);
    bool flows = length > 0 && line[0] != ' ';
    if (flows)
      used +=
          (size_t)snprintf(text + used, sizeof text - used, "%s%.*s", used > 0 ? " " : "", (int)length, line);
    used = used < sizeof text ? used : sizeof text - 1;
    if (used > 0 && (!flows || *next == '\0' || *next == ' ' || *next == '\n')) {
      mt_layout_wrap(stdout, "", "", text);
      used = 0;
    }
    if (!flows)
      printf("%.*s\n", (int)length, line);
    line = next;
  }
}

static void print_option(const char *left, const char *help)
{
  char first[64];

  snprintf(first, sizeof first, "  %-24s ", left);
  mt_layout_wrap(stdout, first, "                           ", help);
}

static void print_help(const cli_command *command)
{
  printf("usage: mendtone %s%s%s%s\n\n", command->name, count_options(command) > 0 ? " [options]" : "",
         command->operands[0] != '\0' ? " " : "", command->operands);
  print_details(command->details);
  puts("\noptions:");
  for (size_t i = 0; i < count_options(command); i++) {
    const cli_option *o = option_at(command, i);
    char left[48];
    snprintf(left, sizeof left, "%c%c%s--%s%s%s", o->letter != 0 ? '-' : ' ',
             o->letter != 0 ? o->letter : ' ', o->letter != 0 ? ", " : "  ", o->name,
             o->argument != NULL ? " " : "", o->argument != NULL ? o->argument : "");
    print_option(left, o->help);
  }
  print_option("-h, --help", "this text");
}

static void fill_tables(const cli_command *command, struct option *longs, char *letters)
{
  *letters++ = ':'; /* a missing argument is told apart from an unknown option */
  *letters++ = 'h';
  for (size_t i = 0; i < count_options(command); i++) {
    const cli_option *o = option_at(command, i);
    longs[i].name = o->name;
    longs[i].has_arg = o->kind == CLI_FLAG ? no_argument : required_argument;
    longs[i].val = HELP_VALUE + 1 + (int)i;
    if (o->letter != 0)
      *letters++ = o->letter;
    if (o->letter != 0 && o->kind != CLI_FLAG)
      *letters++ = ':';
  }
  *letters = '\0';
  longs[count_options(command)].name = "help";
  longs[count_options(command)].val = HELP_VALUE;
}

static const cli_option *find_option(const cli_command *command, int value)
{
  for (size_t i = 0; i < count_options(command); i++) {
    const cli_option *o = option_at(command, i);
    if (value == HELP_VALUE + 1 + (int)i || (o->letter != 0 && value == o->letter))
      return o;
  }
  return NULL;
}

static int refuse_unknown(const cli_command *command, const char *typed)
{
  const char *names[MAX_OPTIONS] = {"help"};
  const char *nearest;
  char name[64];

  for (size_t i = 0; i < count_options(command); i++)
    names[i + 1] = option_at(command, i)->name;
  if (strncmp(typed, "--", 2) != 0)
    return cli_refuse(command, "unknown option %.60s", typed);
  mt_text_copy(name, sizeof name, typed + 2);
  name[strcspn(name, "=")] = '\0';
  nearest = mt_text_nearest(name, names, count_options(command) + 1);
  if (nearest != NULL)
    return cli_refuse(command, "unknown option --%s; did you mean --%s?", name, nearest);
  return cli_refuse(command, "unknown option --%s", name);
}

/* getopt's '?': an unknown option, an abbreviation of several, or a value given to a flag. */
static int refuse_option(const cli_command *command, char **argv)
{
  const cli_option *flag = optopt != 0 ? find_option(command, optopt) : NULL;
  char typed[] = "-?";

  if (flag != NULL || optopt == HELP_VALUE)
    return cli_refuse(command, "--%s takes no value", flag != NULL ? flag->name : "help");
  if (optopt == 0)
    return refuse_unknown(command, argv[optind - 1]);
  typed[1] = (char)optopt;
  return refuse_unknown(command, typed);
}

static int set_option(const cli_command *command, const cli_option *option, void *out)
{
  char *place = (char *)out + option->offset;

  switch (option->kind) {
  case CLI_FLAG: *(bool *)(void *)place = true; return CLI_PASS;
  case CLI_TEXT:
    if (optarg[0] == '\0')
      return cli_refuse(command, "--%s is empty; expected %s", option->name, option->argument);
    *(const char **)(void *)place = optarg;
    return CLI_PASS;
  case CLI_NUMBER:
    if (!mt_text_parse_number(optarg, (double *)(void *)place))
      return cli_refuse(command, "--%s is \"%.40s\"; expected a plain number, like --%s %s", option->name,
                        optarg, option->name,
                        strcmp(option->argument, "HZ") == 0      ? "48000"
                        : strcmp(option->argument, "MONEY") == 0 ? "0.45"
                        : strcmp(option->argument, "COUNT") == 0 ? "2"
                                                                 : "-20");
    return CLI_PASS;
  }
  return CLI_PASS;
}

static int read_options(const cli_command *command, int argc, char **argv, void *out, bool *helped)
{
  struct option longs[MAX_OPTIONS + 2] = {{0}};
  char letters[3 * MAX_OPTIONS];
  int status = CLI_PASS;
  int value;

  fill_tables(command, longs, letters);
  opterr = 0;
  optind = 1;
  while (status == CLI_PASS && (value = getopt_long(argc, argv, letters, longs, NULL)) != -1) {
    const cli_option *option = find_option(command, value == ':' ? optopt : value);
    if (value == 'h' || value == HELP_VALUE) {
      *helped = true;
      return CLI_PASS;
    }
    if (value == '?')
      status = refuse_option(command, argv);
    else if (value == ':' && option != NULL)
      status =
          cli_refuse(command, "--%s needs a value: --%s %s", option->name, option->name, option->argument);
    else if (option != NULL)
      status = set_option(command, option, out);
  }
  return status;
}

bool cli_parse(const cli_command *command, int argc, char **argv, void *out, char ***operands, int *status)
{
  bool helped = false;
  int n;

  *status = read_options(command, argc, argv, out, &helped);
  if (helped)
    print_help(command);
  if (helped || *status != CLI_PASS)
    return false;
  n = argc - optind;
  if (n < command->min_operands)
    *status = cli_refuse(command, "%s is missing", command->operands);
  else if (n > command->max_operands)
    *status = cli_refuse(command, "\"%.60s\" is one argument too many", argv[optind + command->max_operands]);
  *operands = argv + optind;
  return *status == CLI_PASS;
}

/* ---- where results go ------------------------------------------------------------------------- */

static mt_code check_folder(const char *path, mt_error *err)
{
  size_t length = (size_t)(mt_text_basename(path) - path);
  char *folder = length > 0 ? strndup(path, length) : strdup(".");
  struct stat there;
  mt_code code = MT_OK;

  if (folder == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  if (stat(folder, &there) != 0)
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: its folder: %s", path, strerror(errno));
  else if (!S_ISDIR(there.st_mode))
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %.60s is not a folder", path, folder);
  else if (access(folder, W_OK) != 0)
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: its folder: %s", path, strerror(errno));
  free(folder);
  return code;
}

mt_code cli_check_output(const char *path, const char *const *inputs, size_t ninputs, mt_error *err)
{
  struct stat there, other;

  if (path == NULL || strcmp(path, "-") == 0)
    return MT_OK;
  if (stat(path, &there) != 0)
    return check_folder(path, err);
  if (S_ISDIR(there.st_mode))
    return mt_fail(err, MT_E_CREATE, "%.150s: is a folder; expected the name of a file to write", path);
  for (size_t i = 0; i < ninputs; i++)
    if (inputs[i] != NULL && stat(inputs[i], &other) == 0 && there.st_dev == other.st_dev &&
        there.st_ino == other.st_ino)
      return mt_fail(err, MT_E_CREATE, "%.150s: is read by this command; name another file to write", path);
  return S_ISREG(there.st_mode) ? check_folder(path, err) : MT_OK;
}

bool cli_is_flac(const char *path)
{
  size_t length = strlen(path);
  return length > 5 && strcasecmp(path + length - 5, ".flac") == 0;
}

bool cli_is_misnamed(const char *path, bool may_be_flac)
{
  const char *dot = strrchr(mt_text_basename(path), '.');

  return dot != NULL && dot[1] != '\0' && strcasecmp(dot, ".wav") != 0 &&
         !(may_be_flac && strcasecmp(dot, ".flac") == 0);
}

mt_code cli_write_results(const mt_results *results, const char *json, mt_error *err)
{
  mt_code code = json != NULL ? mt_report_write_json(results, json, err) : MT_OK;

  if (code == MT_OK && (json == NULL || strcmp(json, "-") != 0))
    code = mt_report_text(results, stdout, err);
  return code;
}

mt_code cli_set_extras(const char *list, double max_level_dbfs, mt_session_options *options, mt_error *err)
{
  options->has_extras = list != NULL;
  options->max_level_dbfs = max_level_dbfs;
  return list != NULL ? mt_extras_parse(list, &options->extras, err) : MT_OK;
}

/* A name that is nearly one of ours is no missing file. */
static mt_code refuse_plan(const char *typed, mt_error *err)
{
  const char *names[16] = {"default"};
  const char *nearest;
  size_t n = 1;

  while (n < sizeof names / sizeof names[0] && mt_plan_shipped_name(n - 1) != NULL) {
    names[n] = mt_plan_shipped_name(n - 1);
    n++;
  }
  nearest = mt_text_nearest(typed, names, n);
  for (size_t i = 0; i < n && nearest == NULL && strlen(typed) > 2; i++) /* "headphone", "mixer" */
    if (strstr(names[i], typed) != NULL)
      nearest = names[i];
  return mt_fail(err, MT_E_NO_INPUT, "no file and no plan \"%.80s\"; %s%s", typed,
                 nearest != NULL ? "did you mean " : "mendtone plan lists those there are",
                 nearest != NULL ? nearest : "");
}

mt_code cli_open_plan(const char *path, mt_plan **out, mt_error *err)
{
  const char *shipped = path != NULL ? mt_plan_shipped_text(path) : NULL;
  struct stat there;

  if (path == NULL)
    return MT_OK;
  /* nothing at all is no plan that anybody made, and would pass every unit */
  if (stat(path, &there) == 0 && S_ISREG(there.st_mode) && there.st_size == 0)
    return mt_fail(err, MT_E_PLAN, "%.150s: is empty; mendtone plan NAME prints a plan to edit", path);
  /* a file of that name is somebody's own */
  if (stat(path, &there) == 0 || strchr(path, '/') != NULL)
    return mt_session_open_plan(path, out, err);
  if (shipped != NULL)
    return mt_plan_parse(shipped, path, out, err);
  return refuse_plan(path, err);
}

/* ---- progress --------------------------------------------------------------------------------- */

/* The percentage on the screen, -1: none. */
static int shown = -1;

/* While a knob is turned: when the tones begin in the take and how long they run; 0: none is. */
static double turn_from_s, turn_for_s;

/* What the hand is to do, when, as parts of the time the tones run. */
static const char *say_turn(double part)
{
  return part < 0.06   ? "leave it at full"
         : part < 0.48 ? "turn it down, slowly"
         : part < 0.92 ? "and up again, slowly"
                       : "leave it at full";
}

/* What arrives, kept until the progress is told: only then may be written to the terminal. */
static double heard_at_s, heard_dbfs[2];
static bool has_heard;

static void keep_heard(void *ctx, double at_s, const double level_dbfs[2])
{
  (void)ctx;
  heard_at_s = at_s;
  heard_dbfs[0] = level_dbfs[0];
  heard_dbfs[1] = level_dbfs[1];
  has_heard = true;
}

static void show_turn(void)
{
  double part = (heard_at_s - turn_from_s) / turn_for_s;

  if (has_heard)
    fprintf(stderr, "\r%4.1f s  %-22s left %6.1f  right %6.1f dBFS ",
            fmax(0.0, turn_from_s + turn_for_s - heard_at_s), say_turn(part), heard_dbfs[0], heard_dbfs[1]);
  has_heard = false;
  shown = 0;
}

void cli_expect_turn(const mt_stimulus *stimulus)
{
  const mt_segment *turn = mt_stimulus_find(stimulus, "turn");

  turn_from_s = turn != NULL ? turn->start_s : 0.0;
  turn_for_s = turn != NULL ? turn->duration_s : 0.0;
}

void cli_explain_turn(const char *knob, double turn_s)
{
  char text[300];

  snprintf(text, sizeof text,
           "Turn: %s. Begin at full. From 4 s after the start turn it slowly down to nothing, in about %.0f "
           "s, then "
           "as slowly up again, and leave it at full until the end. A line counts and says what is next.",
           knob, 0.42 * turn_s);
  mt_layout_wrap(stderr, "  ", "        ", text);
}

static void show_progress(void *ctx, double done)
{
  int percent = (int)(100.0 * done);

  (void)ctx;
  if (turn_for_s > 0.0) {
    show_turn();
    return;
  }
  if (percent != shown)
    fprintf(stderr, "\rmeasuring %3d %% ", percent);
  shown = percent;
}

static void show_note(void *ctx, const char *text)
{
  (void)ctx;
  cli_end_progress();
  fprintf(stderr, "%s\n", text);
}

void cli_start_progress(mt_session_options *options)
{
  if (!isatty(STDERR_FILENO))
    return;
  options->progress = show_progress;
  options->note = show_note;
  options->hear = keep_heard;
}

void cli_end_progress(void)
{
  if (shown >= 0)
    fprintf(stderr, "\r%*s\r", turn_for_s > 0.0 ? 66 : 16, "");
  shown = -1;
}
