/* job.cfg and stage.cfg. They are written so that a person can read and mend them: one line of text a line. */
#include "bench/record.h"

#include "base/config.h"
#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])
#define MAX_COST 1e9
#define MAX_QUANTITY 1e6
#define MAX_MINUTES 1e6
/* 9999-12-31T23:59:59Z: what four digits of a year can say */
#define MAX_TIME_S 253402300799.0

static const char *const kind_names[MT_JOB_KINDS] = {"found", "done", "part", "work", "note"};

const char *mt_job_kind_name(mt_job_kind kind)
{
  return (size_t)kind < MT_JOB_KINDS ? kind_names[kind] : "note";
}

char *mt_record_copy_text(const char *text)
{
  char *copy = malloc(3 * strlen(text) + 1);

  if (copy != NULL)
    mt_text_repair(copy, text);
  return copy;
}

/* ---- writing ---------------------------------------------------------------------------------------- */

/*
 * A text in quotes. A line end begins a new pair of quotes on a new line. What a terminal would obey is
 * written as bytes in hexadecimal, so that a hostile text does no harm even when the file is looked at.
 */
static void write_text(FILE *out, const char *text, int indent)
{
  fputc('"', out);
  while (*text != '\0') {
    uint32_t rune = 0;
    size_t length = mt_text_decode(text, &rune);
    bool plain = length > 0 && !mt_text_is_control(rune);
    length = length > 0 ? length : 1;
    if (*text == '\n')
      fprintf(out, text[1] != '\0' ? "\\n\"\n%*s\"" : "\\n", indent, "");
    else if (*text == '"' || *text == '\\')
      fprintf(out, "\\%c", *text);
    else if (plain)
      fwrite(text, 1, length, out);
    else
      for (size_t i = 0; i < length; i++)
        fprintf(out, "\\x%02X", (unsigned char)text[i]);
    text += length;
  }
  fputc('"', out);
}

static void write_time(FILE *out, int64_t time_s)
{
  time_t time = (time_t)time_s;
  struct tm when = {0};

  gmtime_r(&time, &when);
  fprintf(out, "\"%04d-%02d-%02dT%02d:%02d:%02dZ\"", when.tm_year + 1900, when.tm_mon + 1, when.tm_mday,
          when.tm_hour, when.tm_min, when.tm_sec);
}

/* libconfig tells a number with a point from one without: a file is the same each time it is written. */
static void write_number(FILE *out, const char *key, double value)
{
  fprintf(out, "%s = %.12g%s; ", key, value, value == floor(value) && fabs(value) < 1e9 ? ".0" : "");
}

static void write_entry(FILE *out, const mt_job_entry *e)
{
  fputs("  { time = ", out);
  write_time(out, e->time_s);
  fprintf(out, "; kind = \"%s\"; ", mt_job_kind_name(e->kind));
  if (e->kind == MT_JOB_PART && e->quantity > 0.0)
    write_number(out, "quantity", e->quantity);
  if (e->kind == MT_JOB_PART && isfinite(e->cost))
    write_number(out, "cost", e->cost);
  if (e->kind == MT_JOB_PART && e->currency[0] != '\0') {
    fputs("currency = ", out);
    write_text(out, e->currency, 0);
    fputs("; ", out);
  }
  if (e->kind == MT_JOB_WORK)
    write_number(out, "minutes", e->minutes);
  fputs("text =\n    ", out);
  write_text(out, e->text, 4);
  fputs("; }", out);
}

/* *text is only there after fclose(). */
static mt_code close_text(FILE *out, char **text, char **result, mt_error *err)
{
  bool failed = ferror(out) != 0;

  if (fclose(out) != 0 || failed) {
    free(*text);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a job");
  }
  *result = *text;
  return MT_OK;
}

mt_code mt_record_write_job(const mt_job *job, char **out, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *file = open_memstream(&text, &size);

  if (file == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a job");
  fprintf(
      file,
      "# The job book of mendtone. It may be edited while no mendtone writes to it; comments are not kept.\n"
      "format = \"" MT_JOB_FORMAT "\";\n"
      "format_version = %d;\n"
      "begun = ",
      MT_JOB_FORMAT_VERSION);
  write_time(file, job->begun_s);
  fputs(";\nunit =\n  ", file);
  write_text(file, job->unit, 2);
  fputs(";\ncomplaint =\n  ", file);
  write_text(file, job->complaint, 2);
  fputs(";\nlog = (", file);
  for (size_t i = 0; i < job->nentries; i++) {
    fputs(i > 0 ? ",\n" : "\n", file);
    write_entry(file, &job->entries[i]);
  }
  fputs("\n);\n", file);
  return close_text(file, &text, out, err);
}

mt_code mt_record_write_stage(const mt_stage *stage, char **out, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *file = open_memstream(&text, &size);

  if (file == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a stage");
  fprintf(file, "format = \"" MT_STAGE_FORMAT "\";\nformat_version = %d;\nserial = %u;\nfinished = ",
          MT_STAGE_FORMAT_VERSION, stage->serial);
  write_time(file, stage->time_s);
  fputs(";\ntool_version = ", file);
  write_text(file, stage->tool_version, 0);
  fprintf(file, ";\nresults = %s;\nverdict = \"%s\";\nplan = ", stage->has_results ? "true" : "false",
          mt_verdict_name(stage->verdict));
  write_text(file, stage->plan_name, 0);
  fputs(";\nunit = ", file);
  write_text(file, stage->unit_name, 0);
  fputs(";\nwhy = ", file);
  write_text(file, stage->why, 0);
  fputs(";\n", file);
  return close_text(file, &text, out, err);
}

/* ---- reading ---------------------------------------------------------------------------------------- */

static mt_code read_text(mt_config_item group, const char *key, char **out, mt_error *err)
{
  mt_config_item item;
  const char *text = "";

  if (mt_config_find(group, key, &item)) {
    text = mt_config_text_value(item);
    if (text == NULL)
      return mt_config_fail(item, err, "%s is not text; expected \"...\" in quotes", key);
    if (strlen(text) > MT_JOB_TEXT_MAX)
      return mt_config_fail(item, err, "%s has %zu bytes; expected at most %d", key, strlen(text),
                            MT_JOB_TEXT_MAX);
  }
  *out = mt_record_copy_text(text);
  return *out != NULL ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for %s of a job", key);
}

/* Digits of a fixed place, or -1. */
static int digits(const char *text, size_t n)
{
  int value = 0;

  for (size_t i = 0; i < n; i++) {
    if (text[i] < '0' || text[i] > '9')
      return -1;
    value = 10 * value + (text[i] - '0');
  }
  return value;
}

/* "2026-11-25T12:50:00Z", or the day alone as a person would type it. */
static bool parse_time(const char *text, int64_t *out)
{
  struct tm when = {.tm_mday = 1}, again;
  size_t length = strlen(text);
  time_t time;

  if (length != 10 && length != 20)
    return false;
  if (text[4] != '-' || text[7] != '-' ||
      (length == 20 && (text[10] != 'T' || text[13] != ':' || text[16] != ':' || text[19] != 'Z')))
    return false;
  when.tm_year = digits(text, 4) - 1900;
  when.tm_mon = digits(text + 5, 2) - 1;
  when.tm_mday = digits(text + 8, 2);
  if (length == 20) {
    when.tm_hour = digits(text + 11, 2);
    when.tm_min = digits(text + 14, 2);
    when.tm_sec = digits(text + 17, 2);
  }
  if (when.tm_year < 70 || when.tm_mon < 0 || when.tm_mday < 1 || when.tm_hour < 0 || when.tm_min < 0 ||
      when.tm_sec < 0)
    return false;
  again = when;
  time = timegm(&again);
  /* timegm takes the 31st of February for the 3rd of March */
  if (again.tm_mday != when.tm_mday || again.tm_hour != when.tm_hour || again.tm_min != when.tm_min ||
      again.tm_sec != when.tm_sec || again.tm_mon != when.tm_mon)
    return false;
  *out = (int64_t)time;
  return true;
}

static mt_code read_time(mt_config_item group, const char *key, int64_t *out, mt_error *err)
{
  mt_config_item item;
  const char *text;

  if (!mt_config_find(group, key, &item))
    return mt_config_fail(group, err, "%s is missing; expected %s = \"2026-11-25\" or with the time", key,
                          key);
  text = mt_config_text_value(item);
  if (text == NULL || !parse_time(text, out))
    return mt_config_fail(item, err, "%s is not a time; expected \"2026-11-25\" or \"2026-11-25T12:50:00Z\"",
                          key);
  return MT_OK;
}

static mt_code check_format(mt_config_item root, const char *format, int newest, mt_error *err)
{
  char found[32] = "";
  double version = 1.0;
  mt_config_item item;
  mt_code code = mt_config_text(root, "format", found, sizeof found, err);

  if (code == MT_OK && strcmp(found, format) != 0)
    return mt_config_fail(root, err, "not of the job book; expected format = \"%s\"", format);
  if (code == MT_OK)
    code = mt_config_number(root, "format_version", 1.0, 1e6, &version, err);
  if (code == MT_OK && version > newest && mt_config_find(root, "format_version", &item))
    return mt_config_fail(item, err,
                          "format_version is %g, this mendtone reads up to %d; a newer one is needed",
                          version, newest);
  return code;
}

static mt_code read_kind(mt_config_item group, mt_job_kind *out, mt_error *err)
{
  static const char *const expected = "\"found\", \"done\", \"part\", \"work\" or \"note\"";
  mt_config_item item;
  const char *name;

  if (!mt_config_find(group, "kind", &item))
    return mt_config_fail(group, err, "an entry has no kind; expected %s", expected);
  name = mt_config_text_value(item);
  for (int k = 0; name != NULL && k < MT_JOB_KINDS; k++)
    if (strcmp(name, kind_names[k]) == 0) {
      *out = (mt_job_kind)k;
      return MT_OK;
    }
  return mt_config_fail(item, err, "unknown kind; expected %s", expected);
}

static mt_code read_entry(mt_config_item group, mt_job_entry *e, mt_error *err)
{
  static const char *const keys[] = {"time", "kind", "text", "quantity", "cost", "currency", "minutes"};
  mt_code code = mt_config_check_keys(group, keys, COUNT(keys), err);

  e->cost = (double)NAN;
  if (code == MT_OK)
    code = read_time(group, "time", &e->time_s, err);
  if (code == MT_OK)
    code = read_kind(group, &e->kind, err);
  if (code == MT_OK)
    code = mt_config_number(group, "quantity", 0.0, MAX_QUANTITY, &e->quantity, err);
  if (code == MT_OK)
    code = mt_config_number(group, "cost", 0.0, MAX_COST, &e->cost, err);
  if (code == MT_OK)
    code = mt_config_text(group, "currency", e->currency, sizeof e->currency, err);
  if (code == MT_OK)
    code = mt_config_number(group, "minutes", 0.0, MAX_MINUTES, &e->minutes, err);
  if (code == MT_OK) {
    char currency[3 * sizeof e->currency];
    mt_text_repair(currency, e->currency);
    mt_text_copy(e->currency, sizeof e->currency, currency);
    code = read_text(group, "text", &e->text, err);
  }
  return code;
}

static mt_code read_log(mt_config_item root, mt_job *job, mt_error *err)
{
  mt_config_item list;
  size_t n;

  if (!mt_config_find(root, "log", &list))
    return MT_OK;
  if (!mt_config_is_list(list))
    return mt_config_fail(list, err, "log is not a list; expected log = ( { ... }, { ... } )");
  n = mt_config_length(list);
  if (n > MT_JOB_ENTRIES_MAX)
    return mt_config_fail(list, err, "log has %zu entries; expected at most %d", n, MT_JOB_ENTRIES_MAX);
  job->entries = calloc(n > 0 ? n : 1, sizeof *job->entries);
  if (job->entries == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu entries of a job", n);
  for (size_t i = 0; i < n; i++) {
    mt_config_item item = mt_config_at(list, i);
    mt_code code;
    if (!mt_config_is_group(item))
      return mt_config_fail(item, err, "an entry of log is not a group; expected { ... }");
    job->nentries = i + 1; /* so that a half-read one is freed */
    code = read_entry(item, &job->entries[i], err);
    if (code != MT_OK)
      return code;
  }
  return MT_OK;
}

static mt_code read_job(mt_config_item root, mt_job *job, mt_error *err)
{
  static const char *const keys[] = {"format", "format_version", "begun", "unit", "complaint", "log"};
  mt_code code = check_format(root, MT_JOB_FORMAT, MT_JOB_FORMAT_VERSION, err);

  if (code == MT_OK)
    code = mt_config_check_keys(root, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = read_time(root, "begun", &job->begun_s, err);
  if (code == MT_OK)
    code = read_text(root, "unit", &job->unit, err);
  if (code == MT_OK)
    code = read_text(root, "complaint", &job->complaint, err);
  return code == MT_OK ? read_log(root, job, err) : code;
}

/* A long path must leave room for the message. */
static const char *shorten(const char *name)
{
  size_t length = strlen(name);
  return length <= 100 ? name : name + length - 100;
}

/* A plan is bad with MT_E_PLAN; a job is data. */
static mt_code as_data(mt_code code, mt_error *err)
{
  if (code == MT_E_PLAN && err != NULL)
    err->code = MT_E_DATA;
  return code == MT_E_PLAN ? MT_E_DATA : code;
}

mt_code mt_record_parse_job(const char *text, const char *name, mt_job **out, mt_error *err)
{
  mt_config *config = NULL;
  mt_job *job = NULL;
  mt_code code = mt_config_refuse_includes(text, shorten(name), err);

  if (code == MT_OK)
    code = mt_config_parse(text, shorten(name), &config, err);
  if (code == MT_OK) {
    job = calloc(1, sizeof *job);
    code = job != NULL ? read_job(mt_config_root(config), job, err)
                       : mt_fail(err, MT_E_MEMORY, "out of memory for a job");
  }
  mt_config_close(&config);
  if (code == MT_OK)
    *out = job;
  else
    mt_job_destroy(&job);
  return as_data(code, err);
}

static mt_code read_verdict(mt_config_item root, mt_verdict *out, mt_error *err)
{
  char name[16] = "none";
  mt_code code = mt_config_text(root, "verdict", name, sizeof name, err);

  for (int v = MT_VERDICT_NONE; v <= MT_VERDICT_FAIL && code == MT_OK; v++)
    if (strcmp(name, mt_verdict_name((mt_verdict)v)) == 0) {
      *out = (mt_verdict)v;
      return MT_OK;
    }
  return code != MT_OK ? code : mt_config_fail(root, err, "verdict is \"%s\"; expected pass, fail ...", name);
}

/* Written by us alone: a key of a later version is passed over. */
mt_code mt_record_parse_stage(const char *text, const char *name, mt_stage *out, mt_error *err)
{
  mt_config *config = NULL;
  mt_stage stage = *out;
  double serial = 1.0;
  mt_config_item root;
  mt_code code = mt_config_refuse_includes(text, shorten(name), err);

  if (code == MT_OK)
    code = mt_config_parse(text, shorten(name), &config, err);
  if (code != MT_OK)
    return as_data(code, err);
  root = mt_config_root(config);
  code = check_format(root, MT_STAGE_FORMAT, MT_STAGE_FORMAT_VERSION, err);
  if (code == MT_OK)
    code = mt_config_number(root, "serial", 1.0, 1e9, &serial, err);
  if (code == MT_OK)
    code = read_time(root, "finished", &stage.time_s, err);
  if (code == MT_OK)
    code = mt_config_text(root, "tool_version", stage.tool_version, sizeof stage.tool_version, err);
  if (code == MT_OK)
    code = mt_config_bool(root, "results", &stage.has_results, err);
  if (code == MT_OK)
    code = read_verdict(root, &stage.verdict, err);
  if (code == MT_OK)
    code = mt_config_text(root, "plan", stage.plan_name, sizeof stage.plan_name, err);
  if (code == MT_OK)
    code = mt_config_text(root, "unit", stage.unit_name, sizeof stage.unit_name, err);
  if (code == MT_OK)
    code = mt_config_text(root, "why", stage.why, sizeof stage.why, err);
  stage.serial = (unsigned)serial;
  mt_config_close(&config);
  if (code == MT_OK)
    *out = stage;
  return as_data(code, err);
}

/* ---- entries ---------------------------------------------------------------------------------------- */

static bool is_within(double value, double min, double max)
{
  return value >= min && value <= max; /* false for NaN */
}

mt_code mt_record_check_entry(const mt_job_entry *e, mt_error *err)
{
  bool may_be_empty = e->kind == MT_JOB_WORK;
  const char *text = e->text != NULL ? e->text : "";

  if ((size_t)e->kind >= MT_JOB_KINDS)
    return mt_fail(err, MT_E_ARG, "an entry of a job is of kind %d", (int)e->kind);
  if (text[strspn(text, " \t\r\n")] == '\0' && !may_be_empty)
    return mt_fail(err, MT_E_ARG, "the %s is empty; expected a text",
                   e->kind == MT_JOB_PART ? "part's name" : mt_job_kind_name(e->kind));
  if (strlen(text) > MT_JOB_TEXT_MAX / 3)
    return mt_fail(err, MT_E_ARG, "the text has %zu bytes; expected at most %d", strlen(text),
                   MT_JOB_TEXT_MAX / 3);
  if (!is_within((double)e->time_s, 0.0, MAX_TIME_S))
    return mt_fail(err, MT_E_ARG, "the time of an entry is %lld s; expected 1970 to 9999",
                   (long long)e->time_s);
  if (e->kind == MT_JOB_PART && !is_within(e->quantity, 0.0, MAX_QUANTITY))
    return mt_fail(err, MT_E_ARG, "the quantity is %g; expected more than 0, at most %g", e->quantity,
                   MAX_QUANTITY);
  if (e->kind == MT_JOB_PART && !isnan(e->cost) && !is_within(e->cost, 0.0, MAX_COST))
    return mt_fail(err, MT_E_ARG, "the cost is %g; expected 0 to %g", e->cost, MAX_COST);
  if (e->kind == MT_JOB_WORK && !(e->minutes > 0.0 && e->minutes <= MAX_MINUTES))
    return mt_fail(err, MT_E_ARG, "the time worked is %g minutes; expected more than 0, at most %g",
                   e->minutes, MAX_MINUTES);
  return MT_OK;
}

mt_code mt_record_add_entry(mt_job *job, const mt_job_entry *entry, mt_error *err)
{
  char *text = mt_record_copy_text(entry->text != NULL ? entry->text : "");
  mt_job_entry *grown = NULL;

  if (job->nentries >= MT_JOB_ENTRIES_MAX) {
    free(text);
    return mt_fail(err, MT_E_ARG, "the job has %zu entries; expected at most %d", job->nentries,
                   MT_JOB_ENTRIES_MAX);
  }
  if (text != NULL)
    grown = realloc(job->entries, (job->nentries + 1) * sizeof *grown);
  if (grown == NULL) {
    free(text);
    return mt_fail(err, MT_E_MEMORY, "out of memory for an entry of a job");
  }
  job->entries = grown;
  grown[job->nentries] = *entry;
  grown[job->nentries].text = text;
  job->nentries++;
  return MT_OK;
}

void mt_job_destroy(mt_job **job)
{
  if (job == NULL || *job == NULL)
    return;
  for (size_t i = 0; i < (*job)->nentries; i++)
    free((*job)->entries[i].text);
  free((*job)->entries);
  free((*job)->unit);
  free((*job)->complaint);
  free(*job);
  *job = NULL;
}

const char *mt_job_time_text(int64_t time_s, bool with_time, char *out)
{
  time_t time = (time_t)time_s;
  struct tm when = {0};

  localtime_r(&time, &when);
  if (strftime(out, 24, with_time ? "%Y-%m-%d %H:%M" : "%Y-%m-%d", &when) == 0)
    out[0] = '\0';
  return out;
}
