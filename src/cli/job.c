/* mendtone job: one repair, from the complaint to the last screw. */
#include "cli/cli.h"

#include "base/text.h"
#include "report/layout.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

typedef struct options {
  const char *job;
  const char *jobs;
  const char *complaint;
  const char *currency;
  const char *json;
  double quantity;
  double cost;
} options;

static const cli_option table[] = {
    {"job", 'j', CLI_TEXT, offsetof(options, job), "JOB",
     "its folder, or a part of its name; else where you stand"},
    {"complaint", 'c', CLI_TEXT, offsetof(options, complaint), "TEXT", "new: what its owner says"},
    {"quantity", 'n', CLI_NUMBER, offsetof(options, quantity), "COUNT", "part: how many; else one"},
    {"cost", 0, CLI_NUMBER, offsetof(options, cost), "MONEY", "part: of one piece"},
    {"currency", 0, CLI_TEXT, offsetof(options, currency), "CODE", "part: else that of the part before"},
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "show: as JSON; - is standard output"},
    {"jobs", 0, CLI_TEXT, offsetof(options, jobs), "DIR",
     "where jobs live; else $MENDTONE_JOBS, else your data folder"},
};

/* ---- texts ------------------------------------------------------------------------------------------ */

/* The rest of the line as typed, quoted or not; without it, what is typed next or comes through a pipe. */
static char *join(char **words)
{
  size_t size = 1, used = 0;
  char *text;

  for (char **word = words; *word != NULL; word++)
    size += strlen(*word) + 1;
  text = malloc(size);
  for (char **word = words; *word != NULL && text != NULL; word++) {
    size_t length = strlen(*word);
    if (used > 0)
      text[used++] = ' ';
    memcpy(text + used, *word, length);
    used += length;
  }
  if (text != NULL)
    text[used] = '\0';
  return text;
}

static char *read_stdin(const char *what)
{
  size_t most = MT_JOB_TEXT_MAX + 1;
  char *text = malloc(most + 1);
  size_t used = 0;

  if (isatty(STDIN_FILENO))
    fprintf(stderr, "%s, as many lines as you like; end with Ctrl-D on a line of its own:\n", what);
  /* a terminal ends more than once: its first end is the one that was meant */
  while (text != NULL && used < most && !feof(stdin) && !ferror(stdin))
    used += fread(text + used, 1, most - used, stdin);
  if (text == NULL)
    return NULL;
  while (used > 0 && isspace((unsigned char)text[used - 1]))
    used--;
  text[used] = '\0';
  return text;
}

/* "25", "25m", "1h", "1h30", "1:30". */
static bool parse_minutes(const char *text, double *out)
{
  double hours = 0.0, minutes = 0.0;
  char number[16];
  size_t length = strcspn(text, "h:m");

  if (length == 0 || length >= sizeof number)
    return false;
  memcpy(number, text, length);
  number[length] = '\0';
  if (!mt_text_parse_number(number, &minutes))
    return false;
  text += length;
  if (*text == 'h' || *text == ':') {
    hours = minutes;
    minutes = 0.0;
    text++;
    length = strcspn(text, "m");
    if (length >= sizeof number)
      return false;
    memcpy(number, text, length);
    number[length] = '\0';
    if (length > 0 && !mt_text_parse_number(number, &minutes))
      return false;
    text += length;
  }
  if (*text == 'm')
    text += strcmp(text, "min") == 0 ? 3 : 1;
  *out = 60.0 * hours + minutes;
  return *text == '\0' && *out > 0.0;
}

/* ---- what is added ---------------------------------------------------------------------------------- */

/* The part before this one: prices of one job are mostly in one currency. */
static void take_over_currency(const char *folder, mt_job_entry *entry)
{
  mt_job *job = NULL;

  if (mt_job_load(folder, &job, NULL) != MT_OK)
    return;
  for (size_t i = 0; i < job->nentries; i++)
    if (job->entries[i].currency[0] != '\0')
      mt_text_copy(entry->currency, sizeof entry->currency, job->entries[i].currency);
  mt_job_destroy(&job);
}

static int add(const options *given, mt_job_kind kind, char **words)
{
  mt_job_entry entry = {.kind = kind, .cost = given->cost};
  char folder[MT_JOB_PATH_MAX];
  mt_error err = {0};
  mt_code code;

  if (!isnan(given->quantity))
    entry.quantity = given->quantity;
  if (kind == MT_JOB_WORK) {
    if (words[0] == NULL || !parse_minutes(words[0], &entry.minutes))
      return cli_refuse(&cli_job, "how long is \"%.20s\"? Expected minutes (25) or hours (1h30)",
                        words[0] != NULL ? words[0] : "");
    words++;
  }
  if (given->currency != NULL && strlen(given->currency) >= sizeof entry.currency)
    return cli_refuse(&cli_job, "--currency is \"%.20s\"; expected at most 7 letters, like EUR",
                      given->currency);
  code = cli_find_job(given->job, given->jobs, folder, &err);
  if (code != MT_OK)
    return cli_fail(&cli_job, &err);
  if (given->currency != NULL)
    mt_text_copy(entry.currency, sizeof entry.currency, given->currency);
  else if (kind == MT_JOB_PART && !isnan(entry.cost))
    take_over_currency(folder, &entry);
  entry.text = words[0] != NULL || kind == MT_JOB_WORK ? join(words) : read_stdin(mt_job_kind_name(kind));
  if (entry.text == NULL)
    code = mt_fail(&err, MT_E_MEMORY, "out of memory for a text");
  if (code == MT_OK)
    code = mt_job_add(folder, &entry, &err);
  free(entry.text);
  if (code == MT_OK && isatty(STDOUT_FILENO)) /* which job it was is easily mistaken */
    fprintf(stderr, "noted in %s\n", mt_text_basename(folder));
  return code == MT_OK ? CLI_PASS : cli_fail(&cli_job, &err);
}

static int describe(const options *given, bool is_unit, char **words)
{
  char folder[MT_JOB_PATH_MAX];
  mt_error err = {0};
  char *text;
  mt_code code = cli_find_job(given->job, given->jobs, folder, &err);

  if (code != MT_OK)
    return cli_fail(&cli_job, &err);
  text = words[0] != NULL ? join(words) : read_stdin(is_unit ? "unit" : "complaint");
  if (words[0] == NULL && text != NULL && text[0] == '\0') {
    free(text);
    return cli_refuse(&cli_job, "nothing was said; the %s is left as it was", is_unit ? "unit" : "complaint");
  }
  code = text != NULL ? mt_job_describe(folder, is_unit ? text : NULL, is_unit ? NULL : text, &err)
                      : mt_fail(&err, MT_E_MEMORY, "out of memory for a text");
  free(text);
  return code == MT_OK ? CLI_PASS : cli_fail(&cli_job, &err);
}

/* ---- new -------------------------------------------------------------------------------------------- */

static int create(const options *given, char **words)
{
  char base[MT_JOB_PATH_MAX] = "", folder[MT_JOB_PATH_MAX];
  mt_error err = {0};
  char *unit;
  mt_code code;

  if (words[0] == NULL)
    return cli_refuse(&cli_job, "what is repaired? Expected mendtone job new \"desk amplifier\"");
  unit = join(words);
  code = unit != NULL ? MT_OK : mt_fail(&err, MT_E_MEMORY, "out of memory for a text");
  if (code == MT_OK && given->job == NULL)
    code = mt_job_base(given->jobs, base, &err);
  if (code == MT_OK)
    code = mt_job_create(base, given->job, unit, given->complaint != NULL ? given->complaint : "", 0, folder,
                         &err);
  free(unit);
  if (code != MT_OK)
    return cli_fail(&cli_job, &err);
  printf("%s\n", folder);
  if (isatty(STDOUT_FILENO))
    fprintf(stderr, "Next: cd into it, or give --job with a part of its name, then\n"
                    "  mendtone check --stage before     measure it as it came\n"
                    "  mendtone job found \"...\"          what you find, and done, part, time, note\n"
                    "  mendtone check --stage after      measure it again\n"
                    "  mendtone compare                  before beside after\n"
                    "  mendtone report                   what goes back with the unit\n");
  return CLI_PASS;
}

/* ---- show ------------------------------------------------------------------------------------------- */

static const char *verdict_word(const mt_stage *stage)
{
  if (!stage->has_results)
    return "not read";
  switch (stage->verdict) {
  case MT_VERDICT_PASS: return "PASS";
  case MT_VERDICT_FAIL: return "FAIL";
  case MT_VERDICT_UNDECIDED: return "UNDECIDED";
  case MT_VERDICT_NONE: break;
  }
  return "not judged";
}

static void show_stages(const mt_stage *stages, size_t n)
{
  if (n > 0)
    puts("\nStages");
  for (size_t i = 0; i < n; i++) {
    char name[MT_JOB_LABEL_MAX + 16], when[24], plan[3 * sizeof stages[i].plan_name];
    snprintf(name, sizeof name, stages[i].kept > 0 ? "%s~%u" : "%s", stages[i].label, stages[i].kept);
    mt_layout_clean(plan, stages[i].plan_name);
    fputs("  ", stdout);
    mt_layout_cell(stdout, 16, name);
    printf("  %s  ", mt_job_time_text(stages[i].time_s, true, when));
    mt_layout_cell(stdout, 11, verdict_word(&stages[i]));
    if (stages[i].has_results && plan[0] != '\0')
      printf(stages[i].verdict != MT_VERDICT_NONE ? "by %.30s\n" : "%.30s has no limit for it\n", plan);
    else if (stages[i].has_results)
      putchar('\n');
    else
      mt_layout_wrap(stdout, "\n    ", "    ", stages[i].why);
  }
}

static void show_entries(const mt_job *job, mt_job_kind kind, const char *heading)
{
  bool any = false;

  for (size_t i = 0; i < job->nentries; i++) {
    char first[32], when[24];
    if (job->entries[i].kind != kind)
      continue;
    if (!any)
      printf("\n%s\n", heading);
    any = true;
    snprintf(first, sizeof first, "  %s  ", mt_job_time_text(job->entries[i].time_s, false, when));
    mt_layout_wrap(stdout, first, "              ", job->entries[i].text);
  }
}

static double count_of(const mt_job_entry *e)
{
  return e->quantity > 0.0 ? e->quantity : 1.0;
}

static void show_part(const mt_job_entry *e)
{
  char *name = malloc(3 * strlen(e->text) + 1), count[32], price[48] = "";

  if (name == NULL)
    return;
  mt_layout_clean(name, e->text);
  snprintf(count, sizeof count, "%g x", count_of(e));
  if (!isnan(e->cost))
    snprintf(price, sizeof price, "%.2f %.7s", count_of(e) * e->cost, e->currency);
  printf("  %6s ", count);
  mt_layout_cell(stdout, 48, name);
  printf(" %16s\n", price);
  free(name);
}

/* Each currency by itself: we know no rates. */
static void show_totals(const mt_job *job)
{
  for (size_t i = 0; i < job->nentries; i++) {
    const mt_job_entry *mine = &job->entries[i];
    double sum = 0.0;
    size_t n = 0, first = job->nentries;
    char price[48];
    if (mine->kind != MT_JOB_PART || isnan(mine->cost))
      continue;
    for (size_t k = 0; k < job->nentries; k++)
      if (job->entries[k].kind == MT_JOB_PART && !isnan(job->entries[k].cost) &&
          strcmp(job->entries[k].currency, mine->currency) == 0) {
        first = k < first ? k : first;
        sum += count_of(&job->entries[k]) * job->entries[k].cost;
        n++;
      }
    if (first != i || n < 2)
      continue;
    snprintf(price, sizeof price, "%.2f %.7s", sum, mine->currency);
    printf("  %6s %-48s %16s\n", "", "together", price);
  }
}

static void show_parts(const mt_job *job)
{
  bool any = false;

  for (size_t i = 0; i < job->nentries; i++)
    if (job->entries[i].kind == MT_JOB_PART) {
      if (!any)
        puts("\nParts");
      any = true;
      show_part(&job->entries[i]);
    }
  show_totals(job);
}

static void format_minutes(double minutes, char out[32])
{
  if (minutes < 60.0)
    snprintf(out, 32, "%.3g min", minutes);
  else
    snprintf(out, 32, "%.0f h %02.0f min", floor(round(minutes) / 60.0), fmod(round(minutes), 60.0));
}

static void show_time(const mt_job *job)
{
  double sum = 0.0;
  size_t n = 0;
  char first[64], text[32], when[24];

  for (size_t i = 0; i < job->nentries; i++) {
    const mt_job_entry *e = &job->entries[i];
    if (e->kind != MT_JOB_WORK)
      continue;
    if (n++ == 0)
      puts("\nTime");
    sum += e->minutes;
    format_minutes(e->minutes, text);
    snprintf(first, sizeof first, e->text[0] != '\0' ? "  %s  %11s  " : "  %s  %11s",
             mt_job_time_text(e->time_s, false, when), text);
    mt_layout_wrap(stdout, first, "                           ", e->text);
  }
  format_minutes(sum, text);
  if (n > 1)
    printf("  together    %11s\n", text);
}

static void show_text(const mt_job *job, const mt_stage *stages, size_t nstages)
{
  char when[24];

  mt_layout_wrap(stdout, "", "", job->unit);
  if (job->complaint[0] != '\0')
    mt_layout_wrap(stdout, "  complaint: ", "    ", job->complaint);
  printf("  begun %s\n", mt_job_time_text(job->begun_s, true, when));
  mt_layout_wrap(stdout, "  in ", "     ", job->folder);
  show_stages(stages, nstages);
  show_entries(job, MT_JOB_FOUND, "Found");
  show_entries(job, MT_JOB_DONE, "Done");
  show_parts(job);
  show_time(job);
  show_entries(job, MT_JOB_NOTE, "Notes");
}

/* ---- as JSON ---------------------------------------------------------------------------------------- */

static mt_code put_text(FILE *out, const char *before, const char *text, mt_error *err)
{
  char *quoted = NULL;
  mt_code code = mt_report_json_quote(text, &quoted, err);

  fprintf(out, "%s%s", before, quoted != NULL ? quoted : "null");
  free(quoted);
  return code;
}

static mt_code put_entry(FILE *out, const mt_job_entry *e, mt_error *err)
{
  mt_code code;

  fprintf(out, "{\"kind\":\"%s\",\"time_s\":%lld", mt_job_kind_name(e->kind), (long long)e->time_s);
  code = put_text(out, ",\"text\":", e->text, err);
  if (e->kind == MT_JOB_PART)
    fprintf(out, ",\"quantity\":%.12g", count_of(e));
  if (e->kind == MT_JOB_PART && !isnan(e->cost))
    fprintf(out, ",\"cost\":%.12g", e->cost);
  if (code == MT_OK && e->kind == MT_JOB_PART)
    code = put_text(out, ",\"currency\":", e->currency, err);
  if (e->kind == MT_JOB_WORK)
    fprintf(out, ",\"minutes\":%.12g", e->minutes);
  fputc('}', out);
  return code;
}

static mt_code put_stage(FILE *out, const mt_stage *stage, mt_error *err)
{
  mt_code code = put_text(out, "{\"label\":", stage->label, err);

  fprintf(out, ",\"kept\":%u,\"time_s\":%lld,\"verdict\":", stage->kept, (long long)stage->time_s);
  fprintf(out, stage->verdict == MT_VERDICT_NONE ? "null" : "\"%s\"", mt_verdict_name(stage->verdict));
  if (code == MT_OK)
    code = put_text(out, ",\"plan\":", stage->plan_name, err);
  if (code == MT_OK)
    code = put_text(out, ",\"tool_version\":", stage->tool_version, err);
  if (code == MT_OK)
    code = put_text(out, ",\"folder\":", stage->folder, err);
  if (code == MT_OK && !stage->has_results)
    code = put_text(out, ",\"why\":", stage->why, err);
  fputc('}', out);
  return code;
}

static mt_code put_job(FILE *out, const mt_job *job, const mt_stage *stages, size_t nstages, mt_error *err)
{
  mt_code code;

  fprintf(out, "{\"format\":\"" MT_JOB_FORMAT "\",\n \"format_version\":%d,\n \"begun_s\":%lld",
          MT_JOB_FORMAT_VERSION, (long long)job->begun_s);
  code = put_text(out, ",\n \"folder\":", job->folder, err);
  if (code == MT_OK)
    code = put_text(out, ",\n \"unit\":", job->unit, err);
  if (code == MT_OK)
    code = put_text(out, ",\n \"complaint\":", job->complaint, err);
  fputs(",\n \"stages\":[", out);
  for (size_t i = 0; i < nstages && code == MT_OK; i++) {
    fputs(i > 0 ? ",\n  " : "\n  ", out);
    code = put_stage(out, &stages[i], err);
  }
  fputs("],\n \"log\":[", out);
  for (size_t i = 0; i < job->nentries && code == MT_OK; i++) {
    fputs(i > 0 ? ",\n  " : "\n  ", out);
    code = put_entry(out, &job->entries[i], err);
  }
  fputs("]}\n", out);
  return code;
}

static mt_code show_json(const mt_job *job, const mt_stage *stages, size_t n, const char *path, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *out = open_memstream(&text, &size);
  mt_code code;

  if (out == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a job as JSON");
  code = put_job(out, job, stages, n, err);
  if (fclose(out) != 0 && code == MT_OK)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a job as JSON");
  if (code == MT_OK)
    code = mt_report_write_text(text, path, err);
  free(text);
  return code;
}

static int show(const options *given)
{
  char folder[MT_JOB_PATH_MAX];
  mt_job *job = NULL;
  mt_stage *stages = NULL;
  size_t n = 0;
  mt_error err = {0};
  mt_code code = cli_check_output(given->json, NULL, 0, &err);

  if (code == MT_OK)
    code = cli_find_job(given->job, given->jobs, folder, &err);
  if (code == MT_OK)
    code = mt_job_load(folder, &job, &err);
  if (code == MT_OK)
    code = mt_job_list_stages(folder, &stages, &n, &err);
  if (code == MT_OK && given->json != NULL)
    code = show_json(job, stages, n, given->json, &err);
  else if (code == MT_OK)
    show_text(job, stages, n);
  free(stages);
  mt_job_destroy(&job);
  return code == MT_OK ? CLI_PASS : cli_fail(&cli_job, &err);
}

static int say_where(const options *given)
{
  char folder[MT_JOB_PATH_MAX];
  mt_error err = {0};

  if (cli_find_job(given->job, given->jobs, folder, &err) != MT_OK)
    return cli_fail(&cli_job, &err);
  puts(folder);
  return CLI_PASS;
}

/* ---- which of them ---------------------------------------------------------------------------------- */

static const char *const verbs[] = {"show", "new",  "found", "done",      "part",
                                    "time", "note", "unit",  "complaint", "where"};
#define NVERBS (sizeof verbs / sizeof verbs[0])

static int refuse_verb(const char *typed)
{
  const char *nearest = mt_text_nearest(typed, verbs, NVERBS);

  if (nearest != NULL)
    return cli_refuse(&cli_job, "unknown word \"%.40s\"; did you mean %s?", typed, nearest);
  return cli_refuse(&cli_job, "unknown word \"%.40s\"; expected new, found, done, part, time, note or show",
                    typed);
}

/* An option that would do nothing is a mistake. */
static int check_options(const options *given, const char *verb)
{
  bool is_part = strcmp(verb, "part") == 0;

  if (given->complaint != NULL && strcmp(verb, "new") != 0)
    return cli_refuse(&cli_job, "--complaint goes with new; to change it: mendtone job complaint TEXT");
  if (!is_part && (!isnan(given->cost) || !isnan(given->quantity) || given->currency != NULL))
    return cli_refuse(&cli_job, "--quantity, --cost and --currency go with part");
  if (given->json != NULL && strcmp(verb, "show") != 0)
    return cli_refuse(&cli_job, "--json goes with show");
  if (given->quantity <= 0.0)
    return cli_refuse(&cli_job, "--quantity is %g; expected more than 0", given->quantity);
  return CLI_PASS;
}

static int run(int argc, char **argv)
{
  static char show_verb[] = "show";
  char *only_show[] = {show_verb, NULL};
  options given = {.quantity = (double)NAN, .cost = (double)NAN};
  char **operands;
  const char *verb;
  int status;

  if (!cli_parse(&cli_job, argc, argv, &given, &operands, &status))
    return status;
  if (operands[0] == NULL)
    operands = only_show;
  verb = operands[0];
  status = check_options(&given, verb);
  if (status != CLI_PASS)
    return status;
  for (int kind = 0; kind < MT_JOB_KINDS; kind++)
    if (strcmp(verb, kind == MT_JOB_WORK ? "time" : mt_job_kind_name((mt_job_kind)kind)) == 0)
      return add(&given, (mt_job_kind)kind, operands + 1);
  if (strcmp(verb, "new") == 0)
    return create(&given, operands + 1);
  if (strcmp(verb, "unit") == 0 || strcmp(verb, "complaint") == 0)
    return describe(&given, strcmp(verb, "unit") == 0, operands + 1);
  if (strcmp(verb, "show") != 0 && strcmp(verb, "where") != 0)
    return refuse_verb(verb);
  if (operands[1] != NULL)
    return cli_refuse(&cli_job, "\"%.60s\" is one argument too many; name a job with --job", operands[1]);
  return strcmp(verb, "show") == 0 ? show(&given) : say_where(&given);
}

const cli_command cli_job = {
    .name = "job",
    .summary = "the job book: one repair, what was said, found and done",
    .operands = "[WHAT [TEXT]]",
    .max_operands = 10000,
    .details = "WHAT is one of\n"
               "  new UNIT            begin a job, print its folder: mendtone job new\n"
               "                      desk amplifier --complaint \"the right side is nearly gone\"\n"
               "  found TEXT          what you found\n"
               "  done TEXT           what you did about it\n"
               "  part NAME           what went in: mendtone job part capacitor 220 uF -n 2\n"
               "                      --cost 0.45\n"
               "  time MINUTES [TEXT] how long you worked: 25, 1h30\n"
               "  note TEXT           anything else\n"
               "  unit, complaint TEXT  say them anew\n"
               "  show                the whole job; also when nothing is said\n"
               "  where               its folder, for cd\n"
               "TEXT needs no quotes unless the shell has them mean something; without TEXT it is read from\n"
               "standard input. Before a text that begins with - put --. Measurements are filed by\n"
               "mendtone check --stage before, and by analyse; mendtone jobs finds a job again.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
