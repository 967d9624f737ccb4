/* mendtone report: what goes with the unit. */
#include "cli/cli.h"

#include <mendtone/filing.h>
#include <mendtone/job.h>

#include "base/file.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#define SHELF_MAX 500

typedef struct options {
  const char *output;
  const char *stage;
  const char *against;
  const char *paper;
  const char *csv;
  const char *jobs;
  bool costs;
  bool notes;
} options;

static const cli_option table[] = {
    {"output", 'o', CLI_TEXT, offsetof(options, output), "FILE",
     ".html, .pdf, .txt or .json, - for text here; else HTML and PDF in the job"},
    {"stage", 0, CLI_TEXT, offsetof(options, stage), "LABEL", "report on this stage; else \"after\""},
    {"against", 0, CLI_TEXT, offsetof(options, against), "LABEL",
     "compare with this stage, or results; else \"before\"; none"},
    {"paper", 0, CLI_TEXT, offsetof(options, paper), "SIZE", "of the PDF: a4 or letter; else a4"},
    {"costs", 0, CLI_FLAG, offsetof(options, costs), NULL, "show parts and work with what they cost"},
    {"notes", 0, CLI_FLAG, offsetof(options, notes), NULL, "show the notes, too"},
    {"csv", 0, CLI_TEXT, offsetof(options, csv), "FOLDER", "also readings and curves as tables"},
    {"jobs", 0, CLI_TEXT, offsetof(options, jobs), "FOLDER", "where jobs live"},
};

static bool is_file(const char *path)
{
  struct stat there;

  return stat(path, &there) == 0 && S_ISREG(there.st_mode);
}

static bool looks_like_file(const char *path)
{
  const char *dot = strrchr(path, '.');
  struct stat there;

  return dot != NULL && strcasecmp(dot, ".json") == 0 && stat(path, &there) != 0;
}

static mt_code open_one(const char *what, const options *given, mt_filing **out, char *folder, mt_error *err)
{
  const bool none = given->against != NULL && strcmp(given->against, "none") == 0;
  const mt_filing_options what_for = {given->stage, none ? "" : given->against, given->costs, given->notes};
  char base[MT_JOB_PATH_MAX];
  mt_code code;

  folder[0] = '\0';
  if (what != NULL && is_file(what))
    return mt_filing_open_results(what, none ? NULL : given->against, out, err);
  if (what != NULL && looks_like_file(what))
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: no such file; expected results (--json) or a job", what);
  code = mt_job_base(given->jobs, base, err);
  if (code == MT_OK)
    code = mt_job_find(base, what, folder, err);
  return code == MT_OK ? mt_filing_open_job(folder, &what_for, out, err) : code;
}

/* The form a file's ending asks for. @return false if it is none. */
static bool form_of(const char *path, bool is_letter, mt_paper_form *out)
{
  const char *dot = strrchr(path, '.');

  if (strcmp(path, "-") == 0 || (dot != NULL && strcasecmp(dot, ".txt") == 0))
    *out = MT_PAPER_TEXT;
  else if (dot != NULL && strcasecmp(dot, ".json") == 0)
    *out = MT_PAPER_JSON;
  else if (dot != NULL && strcasecmp(dot, ".html") == 0)
    *out = MT_PAPER_HTML;
  else if (dot != NULL && strcasecmp(dot, ".pdf") == 0)
    *out = is_letter ? MT_PAPER_LETTER : MT_PAPER_A4;
  else
    return false;
  return true;
}

static mt_code write_pair(const mt_paper *paper, const char *folder, bool is_letter, mt_error *err)
{
  static const char *const names[] = {"report.html", "report.pdf"};
  mt_code code = MT_OK;

  for (size_t i = 0; i < 2 && code == MT_OK; i++) {
    char path[MT_JOB_PATH_MAX + 16];
    snprintf(path, sizeof path, "%s/%s", folder, names[i]);
    code = mt_paper_write(paper,
                          i == 0      ? MT_PAPER_HTML
                          : is_letter ? MT_PAPER_LETTER
                                      : MT_PAPER_A4,
                          path, err);
    if (code == MT_OK)
      printf("%s\n", path);
  }
  return code;
}

static int status_of(const mt_paper *paper)
{
  return cli_verdict_status(mt_paper_verdict(paper));
}

static mt_code report_one(const char *what, const options *given, bool is_letter, int *status, mt_error *err)
{
  char folder[MT_JOB_PATH_MAX];
  mt_filing *filing = NULL;
  mt_paper paper;
  mt_paper_form form = MT_PAPER_TEXT;
  mt_code code = open_one(what, given, &filing, folder, err);

  if (code != MT_OK)
    return code;
  paper = *mt_filing_paper(filing);
  if (paper.unit[0] == '\0' && folder[0] == '\0') /* named after the file, for want of better */
    paper.unit = strrchr(what, '/') != NULL ? strrchr(what, '/') + 1 : what;
  if (given->output != NULL || folder[0] == '\0') {
    const char *path = given->output != NULL ? given->output : "-";
    form_of(path, is_letter, &form);
    code = mt_paper_write(&paper, form, path, err);
  } else {
    code = write_pair(&paper, folder, is_letter, err);
  }
  if (code == MT_OK && given->csv != NULL)
    code = mt_filing_write_csv(filing, given->csv, err);
  *status = status_of(&paper);
  mt_filing_close(&filing);
  return code;
}

/* Several: a row each. */
static mt_code report_shelf(char **what, size_t n, const options *given, bool is_letter, int *status,
                            mt_error *err)
{
  static mt_filing *filings[SHELF_MAX];
  static mt_paper papers[SHELF_MAX];
  mt_paper_form form = MT_PAPER_TEXT;
  unsigned char *bytes = NULL;
  size_t nbytes = 0, nopen = 0;
  mt_code code = MT_OK;

  if (n > SHELF_MAX)
    return mt_fail(err, MT_E_ARG, "%zu units; expected at most %d", n, SHELF_MAX);
  for (; nopen < n && code == MT_OK; nopen++) {
    char folder[MT_JOB_PATH_MAX];
    int one;
    filings[nopen] = NULL;
    code = open_one(what[nopen], given, &filings[nopen], folder, err);
    if (code != MT_OK)
      break;
    papers[nopen] = *mt_filing_paper(filings[nopen]);
    if (papers[nopen].unit[0] == '\0')
      papers[nopen].unit = what[nopen];
    one = status_of(&papers[nopen]);
    /* one that is missed weighs more than one that is not decided */
    *status = one == CLI_FAIL || *status == CLI_FAIL ? CLI_FAIL : one > *status ? one : *status;
  }
  if (code == MT_OK) {
    const char *path = given->output != NULL ? given->output : "-";
    form_of(path, is_letter, &form);
    code = mt_paper_make_shelf(papers, n, form, &bytes, &nbytes, err);
    if (code == MT_OK && strcmp(path, "-") != 0)
      code = mt_file_write(path, bytes, nbytes, err);
    else if (code == MT_OK && (fwrite(bytes, 1, nbytes, stdout) != nbytes || fflush(stdout) != 0))
      code = mt_fail(err, MT_E_IO, "the report cannot be written: %s", strerror(errno));
    free(bytes);
  }
  for (size_t i = 0; i < n && i <= nopen && i < SHELF_MAX; i++)
    mt_filing_close(&filings[i]);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {0};
  mt_error err = {0};
  char **operands;
  size_t n = 0;
  mt_paper_form form;
  bool is_letter;
  int status = CLI_PASS;
  mt_code code;

  if (!cli_parse(&cli_report, argc, argv, &given, &operands, &status))
    return status;
  while (operands[n] != NULL)
    n++;
  if (given.paper != NULL && strcasecmp(given.paper, "a4") != 0 && strcasecmp(given.paper, "letter") != 0)
    return cli_refuse(&cli_report, "--paper is \"%.40s\"; expected a4 or letter", given.paper);
  is_letter = given.paper != NULL && strcasecmp(given.paper, "letter") == 0;
  if (given.output != NULL && !form_of(given.output, is_letter, &form))
    return cli_refuse(&cli_report, "-o %.80s: expected a name that ends in .html, .pdf, .txt or .json, or -",
                      given.output);
  if (n > 1 && given.csv != NULL)
    return cli_refuse(&cli_report, "--csv goes with one job only");
  if (cli_check_output(given.output, NULL, 0, &err) != MT_OK)
    return cli_fail(&cli_report, &err);
  code = n > 1 ? report_shelf(operands, n, &given, is_letter, &status, &err)
               : report_one(operands[0], &given, is_letter, &status, &err);
  return code == MT_OK ? status : cli_fail(&cli_report, &err);
}

const cli_command cli_report = {
    .name = "report",
    .summary = "write the report that goes with the unit",
    .operands = "[JOB|RESULTS...]",
    .min_operands = 0,
    .max_operands = SHELF_MAX,
    .details =
        "JOB is a job's folder or its name; without it, the job we stand in. Its report goes into it as\n"
        "report.html and report.pdf. RESULTS is what --json wrote. Several give one row each.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
