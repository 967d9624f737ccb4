/* mendtone jobs: all repairs, or those with certain words. */
#include "cli/cli.h"

#include "base/text.h"
#include "report/layout.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct options {
  const char *jobs;
  const char *json;
  bool folders;
} options;

static const cli_option table[] = {
    {"folders", 'l', CLI_FLAG, offsetof(options, folders), NULL, "only the folders, one a line"},
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "as JSON; - is standard output"},
    {"jobs", 0, CLI_TEXT, offsetof(options, jobs), "DIR",
     "where jobs live; else $MENDTONE_JOBS, else your data folder"},
};

static const char *verdict_word(bool has, mt_verdict verdict)
{
  if (!has)
    return "-";
  switch (verdict) {
  case MT_VERDICT_PASS: return "PASS";
  case MT_VERDICT_FAIL: return "FAIL";
  case MT_VERDICT_UNDECIDED: return "?";
  case MT_VERDICT_NONE: break;
  }
  return "read";
}

static void print_cell(int width, const char *text)
{
  char *clean = malloc(3 * strlen(text) + 1);

  if (clean == NULL)
    return;
  mt_layout_clean(clean, text);
  mt_layout_cell(stdout, width, clean);
  free(clean);
}

static void print_line(const mt_job_line *line)
{
  char day[24];

  if (line->damage[0] != '\0') {
    fputs("cannot be read: ", stdout);
    print_cell(64, line->damage);
    putchar('\n');
    return;
  }
  printf("%s  %-4s > %-4s  ", mt_job_time_text(line->begun_s, false, day),
         verdict_word(line->has_before, line->before), verdict_word(line->has_after, line->after));
  print_cell(30, line->unit);
  fputs("  ", stdout);
  print_cell(23, line->complaint);
  putchar('\n');
}

static mt_code put_text(FILE *out, const char *before, const char *text, mt_error *err)
{
  char *quoted = NULL;
  mt_code code = mt_report_json_quote(text, &quoted, err);

  fprintf(out, "%s%s", before, quoted != NULL ? quoted : "null");
  free(quoted);
  return code;
}

static void put_verdict(FILE *out, const char *key, bool has, mt_verdict verdict)
{
  if (has)
    fprintf(out, ",\"%s\":\"%s\"", key, mt_verdict_name(verdict));
}

static mt_code put_line(FILE *out, const mt_job_line *line, mt_error *err)
{
  mt_code code = put_text(out, "{\"folder\":", line->folder, err);

  if (code == MT_OK && line->damage[0] != '\0')
    code = put_text(out, ",\"damage\":", line->damage, err);
  else if (code == MT_OK) {
    fprintf(out, ",\"begun_s\":%lld", (long long)line->begun_s);
    code = put_text(out, ",\"unit\":", line->unit, err);
    if (code == MT_OK)
      code = put_text(out, ",\"complaint\":", line->complaint, err);
    put_verdict(out, "before", line->has_before, line->before);
    put_verdict(out, "after", line->has_after, line->after);
  }
  fputc('}', out);
  return code;
}

static mt_code write_json(const mt_job_line *lines, size_t n, const char *path, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *out = open_memstream(&text, &size);
  mt_code code = MT_OK;

  if (out == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the jobs as JSON");
  fputs("{\"format\":\"mendtone-jobs\",\n \"format_version\":1,\n \"jobs\":[", out);
  for (size_t i = 0; i < n && code == MT_OK; i++) {
    fputs(i > 0 ? ",\n  " : "\n  ", out);
    code = put_line(out, &lines[i], err);
  }
  fputs("]}\n", out);
  if (fclose(out) != 0 && code == MT_OK)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the jobs as JSON");
  if (code == MT_OK)
    code = mt_report_write_text(text, path, err);
  free(text);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {0};
  char base[MT_JOB_PATH_MAX], **words;
  mt_job_line *lines = NULL;
  size_t n = 0, nwords = 0;
  mt_error err = {0};
  mt_code code;
  int status;

  if (!cli_parse(&cli_jobs, argc, argv, &given, &words, &status))
    return status;
  while (words[nwords] != NULL)
    nwords++;
  code = cli_check_output(given.json, NULL, 0, &err);
  if (code == MT_OK)
    code = mt_job_base(given.jobs, base, &err);
  if (code == MT_OK)
    code = mt_job_list(base, (const char *const *)words, nwords, &lines, &n, &err);
  if (code == MT_OK && given.json != NULL)
    code = write_json(lines, n, given.json, &err);
  for (size_t i = 0; i < n && code == MT_OK && given.json == NULL; i++) {
    if (given.folders)
      puts(lines[i].folder);
    else
      print_line(&lines[i]);
  }
  if (code == MT_OK && n == 0)
    fprintf(stderr,
            nwords > 0 ? "mendtone jobs: no job in %s has all of these words\n"
                       : "mendtone jobs: there is no job in %s yet; mendtone job new begins one\n",
            base);
  mt_job_free_lines(lines, n);
  return code == MT_OK ? CLI_PASS : cli_fail(&cli_jobs, &err);
}

const cli_command cli_jobs = {
    .name = "jobs",
    .summary = "find jobs by words in all that was noted",
    .operands = "[WORDS]",
    .max_operands = 100,
    .details =
        "The youngest first: the day it began, the verdicts before and after, the unit, the complaint.\n"
        "With WORDS only those that have every one of them, or a part of a word, in the unit, the\n"
        "complaint, what was found and done, parts, notes, the date (2026-11) or the verdicts\n"
        "(before:fail, after:pass). Capitals do not matter.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
