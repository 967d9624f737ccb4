/*
 * mendtone watch: tones steady, eyes on the bench. What happens is a line on standard output and a bell; level and
 * balance stand in the last line of a terminal; whoever types a name there keeps the level it has at that moment.
 */
#include "cli/check.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define POINTS_MAX 64
#define MEAN_TICKS 5 /* a point's level is the mean of the last 0.2 s */

typedef struct options {
  const char *input;
  const char *output;
  const char *simulate;
  const char *state;
  const char *plan;
  const char *json;
  const char *duration;
  const char *write;
  const char *rig;
  const char *job;
  const char *stage;
  double rate_hz;
  double level_dbfs;
  bool listen;
  bool quiet;
  bool yes;
} options;

static const cli_option table[] = {
    {"for", 0, CLI_TEXT, offsetof(options, duration), "TIME",
     "stop after 4h, 30m, 90s or 1h30m; else at Ctrl-C"},
    {"input", 0, CLI_TEXT, offsetof(options, input), "NAME", "device that captures, or a part of its name"},
    {"output", 0, CLI_TEXT, offsetof(options, output), "NAME", "device that plays; else the same one"},
    {"from-player", 0, CLI_FLAG, offsetof(options, listen), NULL, "play nothing: a player plays the tones"},
    {"write", 0, CLI_TEXT, offsetof(options, write), "FILE",
     "write a minute of the tones, for a player to repeat"},
    {"simulate", 0, CLI_TEXT, offsetof(options, simulate), "UNIT.cfg",
     "a simulated unit instead of hardware"},
    {"state", 0, CLI_TEXT, offsetof(options, state), "NAME", "how the simulated unit's switches stand"},
    {"plan", 0, CLI_TEXT, offsetof(options, plan), "PLAN", "its limits on dropouts are held"},
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "write results there; - is standard output"},
    {"rig", 0, CLI_TEXT, offsetof(options, rig), "NAME",
     "the rig used (see mendtone rig): levels in volts too"},
    {"job", 'j', CLI_TEXT, offsetof(options, job), "JOB",
     "file it in this job; else in the one you stand in"},
    {"stage", 's', CLI_TEXT, offsetof(options, stage), "NAME", "file it under this name, as strain-before"},
    {"rate", 0, CLI_NUMBER, offsetof(options, rate_hz), "HZ",
     "sampling rate; else the plan's, the rig's, or 48000"},
    {"level", 0, CLI_NUMBER, offsetof(options, level_dbfs), "DBFS", "of the tones; else the plan's, or -20"},
    {"quiet", 'q', CLI_FLAG, offsetof(options, quiet), NULL, "no bell"},
    {"yes", 'y', CLI_FLAG, offsetof(options, yes), NULL, "do not wait after the cautions"},
};

typedef struct point {
  char name[40];
  unsigned nchannels;
  double level_dbfs[2];
} point;

typedef struct bench {
  FILE *log;
  bool has_screen, has_keys, rings, is_paced;
  struct timespec began;
  double at_s; /* of the last level */
  mt_strain_level recent[MEAN_TICKS];
  size_t nlevels;
  size_t nevents[MT_STRAIN_KINDS];
  bool has_volts[2];
  double full_dbv[2]; /* of a channel's full scale */
  point points[POINTS_MAX];
  size_t npoints;
  point typed; /* its level is kept at the first key */
  size_t ntyped;
} bench;

static volatile sig_atomic_t interrupted;
static struct termios before_keys;

static void interrupt(int signal_number)
{
  (void)signal_number;
  interrupted = 1;
}

/* ---- the time --------------------------------------------------------------------------------- */

/* 4h, 30m, 90s, 1h30m: descending, each once. */
static bool parse_duration(const char *text, double *out)
{
  static const struct {
    char letter;
    double seconds;
  } units[] = {{'h', 3600.0}, {'m', 60.0}, {'s', 1.0}};
  size_t next = 0;
  double sum = 0.0;

  if (*text == '\0')
    return false;
  while (*text != '\0') {
    char *end;
    double number;
    if (!isdigit((unsigned char)*text))
      return false;
    number = strtod(text, &end);
    while (next < 3 && units[next].letter != *end)
      next++;
    if (next == 3)
      return false;
    sum += number * units[next++].seconds;
    text = end + 1;
  }
  *out = sum;
  return true;
}

static void format_clock(double at_s, char out[24])
{
  unsigned ms = (unsigned)fmin(fmax(1e3 * at_s, 0.0), 4e9);
  snprintf(out, 24, "%02u:%02u:%02u.%03u", ms / 3600000, ms / 60000 % 60, ms / 1000 % 60, ms % 1000);
}

/* ---- what happens ----------------------------------------------------------------------------- */

static void clear_line(const bench *b)
{
  if (b->has_screen)
    fputs("\r\033[K", stderr);
}

static void show_event(void *ctx, const mt_strain_event *e)
{
  bench *b = ctx;
  char when[24], channel[8];

  b->nevents[e->kind]++;
  clear_line(b);
  format_clock(e->begin_s, when);
  fprintf(b->log, "%s  %-5s  %-13s", when, mt_channel_name(e->channel, channel),
          mt_strain_kind_name(e->kind));
  if (e->length_s > 0.0)
    fprintf(b->log, "  %9.2f ms", 1e3 * e->length_s);
  if (e->depth_db > 0.0)
    fprintf(b->log, "%s  %s%.1f dB", e->length_s > 0.0 ? "" : "              ",
            e->depth_db > 60.0 ? "below -" : "-", fmin(e->depth_db, 60.0));
  fprintf(b->log, "%s\n", e->is_open ? "  not over at the end" : "");
  fflush(b->log);
  if (b->rings)
    fputc('\a', stderr);
}

/* What that level is with the rig; nothing without. */
static void print_volts(const bench *b, unsigned c, double level_dbfs, FILE *out)
{
  if (b->has_volts[c])
    fprintf(out, " (%#.4g V)", pow(10.0, (level_dbfs + b->full_dbv[c]) / 20.0));
}

static void show_line(const bench *b, const mt_strain_level *level)
{
  char when[24];

  format_clock(level->at_s, when);
  when[8] = '\0';
  if (b->ntyped > 0) {
    fprintf(stderr, "\r\033[K%s  name of this point: %s", when, b->typed.name);
  } else {
    fprintf(stderr, "\r\033[K%s ", when);
    for (unsigned c = 0; c < level->nchannels; c++) {
      fprintf(stderr, " %s %7.2f%s", c == 0 ? "left" : "right", level->level_dbfs[c],
              level->is_locked[c] ? "" : "?");
      print_volts(b, c, level->level_dbfs[c], stderr);
    }
    fputs(" dBFS", stderr);
    if (level->nchannels == 2)
      fprintf(stderr, "  balance %+6.2f dB", level->level_dbfs[0] - level->level_dbfs[1]);
    fprintf(stderr, "  dropouts %zu", b->nevents[MT_STRAIN_DROPOUT]);
  }
  fflush(stderr);
}

static void show_level(void *ctx, const mt_strain_level *level)
{
  bench *b = ctx;

  b->recent[b->nlevels++ % MEAN_TICKS] = *level;
  b->at_s = level->at_s;
  if (b->has_screen)
    show_line(b, level);
}

/* ---- naming points ---------------------------------------------------------------------------- */

static void start_point(bench *b)
{
  size_t n = b->nlevels < MEAN_TICKS ? b->nlevels : MEAN_TICKS;

  memset(&b->typed, 0, sizeof b->typed);
  for (size_t i = 0; i < n; i++) {
    b->typed.nchannels = b->recent[i].nchannels;
    for (unsigned c = 0; c < 2; c++)
      b->typed.level_dbfs[c] += b->recent[i].level_dbfs[c] / (double)n;
  }
}

static void print_point_levels(const bench *b, const point *p, int width, const char *between, FILE *out)
{
  for (unsigned c = 0; c < p->nchannels; c++) {
    fprintf(out, "%s %*.2f", c > 0 ? between : "", width, p->level_dbfs[c]);
    print_volts(b, c, p->level_dbfs[c], out);
  }
  fputs(" dBFS\n", out);
}

static void end_point(bench *b)
{
  clear_line(b);
  if (b->npoints == POINTS_MAX) {
    fprintf(stderr, "there are %d points already; this one is not kept\n", POINTS_MAX);
  } else {
    b->points[b->npoints++] = b->typed;
    fprintf(b->log, "point: %s,", b->typed.name);
    print_point_levels(b, &b->typed, 6, " and", b->log);
    fflush(b->log);
  }
  b->ntyped = 0;
}

static void take_key(bench *b, unsigned char key)
{
  if (key == '\n' || key == '\r') {
    if (b->ntyped > 0)
      end_point(b);
  } else if (key == 0x7f || key == '\b') {
    if (b->ntyped > 0)
      b->typed.name[--b->ntyped] = '\0';
  } else if (key == 0x1b) {
    b->ntyped = 0;
  } else if (key >= 0x20 && key < 0x7f && b->ntyped + 1 < sizeof b->typed.name) {
    if (b->ntyped == 0 && key == ' ')
      return;
    if (b->ntyped == 0)
      start_point(b);
    b->typed.name[b->ntyped++] = (char)key;
  }
}

static double point_level(const point *p)
{
  return p->nchannels == 2 ? fmax(p->level_dbfs[0], p->level_dbfs[1]) : p->level_dbfs[0];
}

static void print_points(const bench *b, FILE *out)
{
  size_t worst = 0;
  double lost_db = 0.0;

  if (b->npoints == 0)
    return;
  fputs("\nPoints, in the order they were named\n", out);
  for (size_t i = 0; i < b->npoints; i++) {
    const point *p = &b->points[i];
    fprintf(out, "  %-24s", p->name);
    print_point_levels(b, p, 8, "", out);
    for (unsigned c = 0; i > 0 && c < p->nchannels; c++) {
      double step = b->points[i - 1].level_dbfs[c] - p->level_dbfs[c];
      if (step > lost_db) {
        lost_db = step;
        worst = i;
      }
    }
  }
  if (lost_db > 1.0)
    fprintf(out, "  Most is lost between %s and %s: %.1f dB.\n", b->points[worst - 1].name,
            b->points[worst].name, lost_db);
  else if (b->npoints > 1)
    fprintf(out, "  Nothing is lost between them: at most %.1f dB; the first has %.2f dBFS.\n", lost_db,
            point_level(&b->points[0]));
}

/* ---- the terminal ----------------------------------------------------------------------------- */

static void restore_keys(void)
{
  tcsetattr(STDIN_FILENO, TCSANOW, &before_keys);
}

static void take_keys(bench *b)
{
  struct termios keys;

  if (!isatty(STDIN_FILENO) || tcgetattr(STDIN_FILENO, &before_keys) != 0)
    return;
  keys = before_keys;
  keys.c_lflag &= (tcflag_t) ~(ICANON | ECHO);
  b->has_keys = tcsetattr(STDIN_FILENO, TCSANOW, &keys) == 0;
}

/* A simulated unit at a terminal takes the time a real one would. */
static void keep_pace(const bench *b)
{
  struct timespec now, nap = {0, 5000000};

  do {
    clock_gettime(CLOCK_MONOTONIC, &now);
    if ((double)(now.tv_sec - b->began.tv_sec) + 1e-9 * (double)(now.tv_nsec - b->began.tv_nsec) >= b->at_s)
      return;
    nanosleep(&nap, NULL);
  } while (!interrupted);
}

static bool look_up(void *ctx)
{
  bench *b = ctx;
  struct pollfd in = {STDIN_FILENO, POLLIN, 0};
  unsigned char keys[64];

  if (b->is_paced)
    keep_pace(b);
  while (b->has_keys && poll(&in, 1, 0) == 1 && (in.revents & POLLIN) != 0) {
    ssize_t n = read(STDIN_FILENO, keys, sizeof keys);
    if (n <= 0) {
      b->has_keys = false;
      restore_keys();
    }
    for (ssize_t i = 0; i < n; i++)
      take_key(b, keys[i]);
  }
  return interrupted != 0;
}

/* ---- the summary ------------------------------------------------------------------------------ */

static void print_channel(const bench *b, const mt_strain_channel *known, unsigned c, FILE *out)
{
  fprintf(out, "%s\n", c == 0 ? "left" : "right");
  if (!known->is_locked) {
    fprintf(out, "  no steady tone of %g or %g Hz arrived\n", MT_STRAIN_LEFT_HZ, MT_STRAIN_RIGHT_HZ);
    return;
  }
  if (known->tone != (int)c)
    fputs("  carries the other channel's tone: left and right are swapped, or one channel feeds both\n", out);
  if (known->other_db > -20.0)
    fprintf(out, "  hears both tones from the start, the other %.1f dB re its own: joined somewhere\n",
            known->other_db);
  fprintf(out, "  dropouts      %zu", known->count[MT_STRAIN_DROPOUT]);
  if (known->count[MT_STRAIN_DROPOUT] > 0)
    fprintf(out, ", the longest %.2f ms, %.3f s in all", 1e3 * known->longest_s, known->lost_s);
  fputc('\n', out);
  for (int k = MT_STRAIN_CLICK; k < MT_STRAIN_KINDS; k++)
    if (known->count[k] > 0)
      fprintf(out, "  %-13s %zu%s\n", mt_strain_kind_name((mt_strain_kind)k), known->count[k],
              k == MT_STRAIN_PHASE ? ", counted as dropouts: frames were lost or repeated" : "");
  fprintf(out, "  level         %.2f dBFS at first, %.2f at the end", known->first_dbfs, known->last_dbfs);
  print_volts(b, c, known->last_dbfs, out);
  fprintf(out, " (%.2f to %.2f)\n", known->lowest_dbfs, known->highest_dbfs);
  if (known->too_noisy_s > 0.0)
    fprintf(out, "  too noisy     %.1f s, in which a dropout of 1 ms would have been hidden\n",
            known->too_noisy_s);
}

static void print_summary(const bench *b, const mt_strain *watch, const mt_results *results, FILE *out)
{
  char time_text[24];

  format_clock(mt_strain_time_s(watch), time_text);
  fprintf(out, "\nWatched for %s\n", time_text);
  for (unsigned c = 0; c < results->nchannels; c++)
    print_channel(b, mt_strain_describe(watch, c), c, out);
}

/* ---- the command ------------------------------------------------------------------------------ */

static mt_code check_given(const options *given, const char *recording, double *duration_s, mt_error *err)
{
  const char *const inputs[] = {given->plan, given->simulate, recording};
  int nsources = (given->simulate != NULL) + (recording != NULL) + given->listen;

  if (nsources > 1)
    return mt_fail(err, MT_E_ARG, "a recording, --simulate and --from-player exclude one another");
  if (nsources > 0 && given->output != NULL)
    return mt_fail(err, MT_E_ARG, "nothing is played here; leave out --output");
  if (given->duration != NULL && !parse_duration(given->duration, duration_s))
    return mt_fail(err, MT_E_ARG, "--for is \"%.40s\"; expected a time like 4h, 30m, 90s or 1h30m",
                   given->duration);
  return cli_check_output(given->json, inputs, 3, err);
}

static mt_code watch(const options *given, const mt_session_options *session, mt_strain_options *how,
                     bench *b, mt_results **results, mt_error *err)
{
  struct sigaction act = {.sa_handler = interrupt};
  mt_strain *seen = NULL;
  mt_code code;

  sigemptyset(&act.sa_mask);
  sigaction(SIGINT, &act, NULL);
  sigaction(SIGTERM, &act, NULL);
  b->has_screen = isatty(STDERR_FILENO);
  b->rings = b->has_screen && !given->quiet;
  b->is_paced = given->simulate != NULL && isatty(STDIN_FILENO);
  b->log = given->json != NULL && strcmp(given->json, "-") == 0 ? stderr : stdout;
  clock_gettime(CLOCK_MONOTONIC, &b->began);
  take_keys(b);
  if (b->has_keys && how->recording == NULL)
    fputs("Move plugs and cables. Type a name and Enter to keep a level; Ctrl-C ends.\n", stderr);
  how->sink = (mt_strain_sink){show_event, show_level, b};
  how->poll = look_up;
  code = mt_session_watch(session, how, &seen, results, err);
  clear_line(b);
  if (b->has_keys)
    restore_keys();
  if (code == MT_OK) {
    print_summary(b, seen, *results, b->log);
    print_points(b, b->log);
  }
  mt_strain_destroy(&seen);
  return code;
}

static int finish(const options *given, cli_filing *filing, mt_code code, mt_results **results, mt_error *err)
{
  const cli_filed with = {.plan = given->plan, .rig = given->rig, .simulate = given->simulate};
  mt_error unfiled = {0};
  mt_code filed = code == MT_OK ? cli_file(&cli_watch, filing, &with, *results, NULL, &unfiled) : MT_OK;
  int status;

  mt_job_drop_stage(&filing->stage);
  if (code == MT_OK && given->json != NULL)
    code = mt_report_write_json(*results, given->json, err);
  if (code == MT_OK && (given->json == NULL || strcmp(given->json, "-") != 0)) {
    fputc('\n', stdout);
    mt_report_summary(*results, stdout);
  }
  status = code == MT_OK ? cli_verdict_status((*results)->verdict) : cli_fail(&cli_watch, err);
  mt_results_destroy(results);
  return filed != MT_OK ? cli_fail(&cli_watch, &unfiled) : status;
}

/* What it needs to know before it begins: the plan, the rig's volts, where it is filed. */
static mt_code prepare(const options *given, mt_session_options *session, const mt_strain_options *how,
                       mt_plan **plan, cli_filing *filing, bench *b, mt_error *err)
{
  mt_code code = cli_open_plan(given->plan, plan, err);

  session->plan = *plan;
  session->simulate = given->simulate;
  session->input = given->input;
  session->output = given->output;
  session->state = given->state;
  session->rate_hz = given->rate_hz;
  session->level_dbfs = given->level_dbfs;
  session->rig = given->rig;
  if (code == MT_OK)
    code = mt_session_watch_full_scale(session, how, b->full_dbv, b->has_volts, err);
  if (code == MT_OK && given->write == NULL)
    code = cli_filing_begin(given->job, given->stage, filing, err);
  return code == MT_OK && how->recording != NULL ? cli_filing_copy_take(filing, how->recording, err) : code;
}

static int run(int argc, char **argv)
{
  options given = {.level_dbfs = (double)NAN};
  mt_session_options session = mt_session_defaults();
  mt_strain_options how = {.duration_s = 86400.0};
  check_options cautioned = {.reading = CLI_READING_NONE};
  static bench b;
  cli_filing filing = {.stage = NULL};
  mt_plan *plan = NULL;
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status;
  mt_code code;

  if (!cli_parse(&cli_watch, argc, argv, &given, &operands, &status))
    return status;
  how.recording = operands[0];
  how.listen = given.listen;
  code = check_given(&given, how.recording, &how.duration_s, &err);
  if (code == MT_OK)
    code = prepare(&given, &session, &how, &plan, &filing, &b, &err);
  if (code == MT_OK && given.write != NULL) {
    code = mt_session_write_watch(&session, given.write, &err);
    mt_plan_destroy(&plan);
    return code == MT_OK ? CLI_PASS : cli_fail(&cli_watch, &err);
  }
  cautioned.simulate = given.simulate;
  cautioned.yes = given.yes || how.recording != NULL;
  cautioned.from_player = given.listen;
  session.listens = given.listen;
  if (code == MT_OK)
    code =
        check_caution(&cautioned, &session, mt_session_watch_level(&session), -(double)INFINITY, NULL, &err);
  if (code == MT_OK)
    code = watch(&given, &session, &how, &b, &results, &err);
  mt_plan_destroy(&plan);
  return finish(&given, &filing, code, &results, &err);
}

const cli_command cli_watch = {
    .name = "watch",
    .summary = "level, balance and dropouts while you move a plug",
    .operands = "[TAKE]",
    .max_operands = 1,
    .details = "Plays a steady tone on each channel, 2003 Hz left and 3001 Hz right, and watches what comes\n"
               "back: dropouts from 1 ms and 6 dB, clicks, short circuits between the channels, turned\n"
               "polarity, jumps of phase. Each is a line with its time, and a bell on a terminal; at the\n"
               "end there is a summary. Whoever traces a signal types a name at each point: the level\n"
               "there is kept, and the list at the end says where most of it is lost.\n\n"
               "TAKE is a recording of the same tones (--write), read instead. A plan with the limit\n"
               "{ quantity = \"dropouts\"; max = 0.0; unit = \"count\"; } decides the exit status.\n"
               "With --stage readings and the level over time are filed in a job; what was heard is not.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
