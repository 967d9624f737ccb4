/* mendtone demo: a repair from the first measurement to the last, on a simulated amplifier. */
#include "cli/cli.h"

#include <mendtone/filing.h>

#include "cli/demo_units.h"
#include "report/layout.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* ---- files ------------------------------------------------------------------------------------ */

/* Written first: a folder that has it is our own, and may be written again. */
#define MARKER "this-is-a-mendtone-demo.txt"

typedef struct stage {
  const char *name; /* and the beginning of its files' names */
  const char *unit; /* description of the simulated unit */
} stage;

static const stage stages[2] = {{"before", cli_faulty_unit}, {"after", cli_mended_unit}};
static const char *const endings[] = {"-unit.cfg", ".wav", ".json", ".txt"};

static mt_code name_file(const char *folder, const char *name, const char *ending, char out[4096],
                         mt_error *err)
{
  int n = snprintf(out, 4096, "%s/%s%s", folder, name, ending);
  if (n < 0 || n >= 4096)
    return mt_fail(err, MT_E_CREATE, "the name of the folder is too long (%zu bytes)", strlen(folder));
  return MT_OK;
}

static mt_code refuse_foreign(const char *folder, mt_error *err)
{
  char path[4096];
  mt_code code = name_file(folder, MARKER, "", path, err);

  if (code != MT_OK || access(path, F_OK) == 0)
    return code;
  for (size_t i = 0; i < 2; i++)
    for (size_t k = 0; k < sizeof endings / sizeof endings[0]; k++) {
      code = name_file(folder, stages[i].name, endings[k], path, err);
      if (code == MT_OK && access(path, F_OK) == 0)
        code = mt_fail(
            err, MT_E_CREATE,
            "%.150s: exists, and is not of an earlier demo; name another folder: mendtone demo DIR", path);
      if (code != MT_OK)
        return code;
    }
  return MT_OK;
}

static mt_code prepare_folder(const char *folder, mt_error *err)
{
  char path[4096];
  mt_code code;

  if (mkdir(folder, 0777) != 0 && errno != EEXIST)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", folder, strerror(errno));
  code = refuse_foreign(folder, err);
  if (code == MT_OK)
    code = name_file(folder, MARKER, "", path, err);
  if (code == MT_OK)
    code =
        mt_report_write_text("Written by mendtone demo, which may write its files here again.\n", path, err);
  return code;
}

/* ---- one stage -------------------------------------------------------------------------------- */

static mt_code write_report(const mt_results *results, const char *path, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *out = open_memstream(&text, &size);
  mt_code code;

  if (out == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a report");
  code = mt_report_text(results, out, err);
  if (fclose(out) != 0 && code == MT_OK)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a report");
  if (code == MT_OK)
    code = mt_report_write_text(text, path, err);
  free(text);
  return code;
}

static mt_code measure(const stage *s, const char *folder, mt_results **results, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  char unit[4096], take[4096], json[4096], text[4096];
  mt_code code = name_file(folder, s->name, endings[0], unit, err);

  if (code == MT_OK)
    code = name_file(folder, s->name, endings[1], take, err);
  if (code == MT_OK)
    code = name_file(folder, s->name, endings[2], json, err);
  if (code == MT_OK)
    code = name_file(folder, s->name, endings[3], text, err);
  if (code == MT_OK)
    code = mt_report_write_text(s->unit, unit, err);
  if (code == MT_OK) {
    session.simulate = unit;
    session.save_take = take;
    cli_start_progress(&session);
    code = mt_session_check(&session, results, err);
    cli_end_progress();
  }
  if (code == MT_OK)
    code = mt_report_write_json(*results, json, err);
  if (code == MT_OK)
    code = write_report(*results, text, err);
  return code;
}

/* ---- before beside after ---------------------------------------------------------------------- */

static mt_code print_comparison(const mt_results *before, const mt_results *after, mt_error *err)
{
  mt_comparison *comparison = NULL;
  mt_code code = mt_compare_results(before, after, &comparison, err);

  if (code == MT_OK) {
    fputs("\nA is before, B after the repair.\n", stdout);
    code = mt_report_comparison(comparison, "before", "after", MT_REPORT_MAIN, stdout, err);
  }
  mt_comparison_destroy(&comparison);
  return code;
}

/* ---- the job ---------------------------------------------------------------------------------- */

static const mt_job_kind log_kinds[] = {MT_JOB_FOUND, MT_JOB_DONE, MT_JOB_FOUND, MT_JOB_FOUND, MT_JOB_DONE};
static const char *const log_texts[] = {
    "Right, 43 dB too weak but otherwise sound: a cracked solder joint at the volume control.",
    "Joint resoldered.",
    "Left, right at 1 kHz and 13 dB down at 50 Hz: the output capacitor has dried out.",
    "Left, distorted: the output stage is short of supply, for a leaky capacitor there.",
    "Both capacitors replaced.",
};

/* An earlier demo's job is shown anew, not added to. */
static mt_code open_job(const char *folder, char job[MT_JOB_PATH_MAX], mt_error *err)
{
  char path[4096];
  mt_code code = name_file(folder, "job", "", path, err);

  if (code == MT_OK && access(path, F_OK) == 0)
    return mt_job_find("", path, job, err);
  if (code == MT_OK)
    code = mt_job_create("", path, "desk amplifier, two channels, bought as faulty",
                         "The right side is nearly gone, the left one sounds thin and rough.", 0, job, err);
  for (size_t i = 0; i < sizeof log_texts / sizeof log_texts[0] && code == MT_OK; i++) {
    char text[256];
    mt_job_entry entry = {.kind = log_kinds[i], .text = text, .cost = (double)NAN};
    snprintf(text, sizeof text, "%s", log_texts[i]);
    code = mt_job_add(job, &entry, err);
  }
  return code;
}

static mt_code file_stage(const char *folder, const char *job, const stage *s, const mt_results *results,
                          mt_error *err)
{
  char take[4096], json[4096], unit[4096];
  mt_open_stage *open = NULL;
  mt_code code = name_file(folder, s->name, endings[0], unit, err);

  if (code == MT_OK)
    code = name_file(folder, s->name, endings[1], take, err);
  if (code == MT_OK)
    code = name_file(folder, s->name, endings[2], json, err);
  if (code == MT_OK)
    code = mt_job_begin_stage(job, s->name, &open, err);
  if (code == MT_OK)
    code = mt_job_stage_copy(open, "take.wav", take, err);
  if (code == MT_OK)
    code = mt_job_stage_copy(open, "results.json", json, err);
  if (code == MT_OK)
    code = mt_job_stage_copy(open, "simulated-unit.cfg", unit, err);
  if (code == MT_OK)
    code = mt_job_stage_write(open, "plan.cfg", mt_plan_default_text(), err);
  if (code == MT_OK)
    code = mt_job_finish_stage(&open, results, NULL, NULL, err);
  mt_job_drop_stage(&open);
  return code;
}

/* What goes with the unit. */
static mt_code write_reports(const char *job, mt_error *err)
{
  static const struct {
    const char *name;
    mt_paper_form form;
  } forms[] = {{"report.html", MT_PAPER_HTML}, {"report.pdf", MT_PAPER_A4}};
  const mt_filing_options options = {.now = NULL};
  mt_filing *filing = NULL;
  mt_code code = mt_filing_open_job(job, &options, &filing, err);

  for (size_t i = 0; i < sizeof forms / sizeof forms[0] && code == MT_OK; i++) {
    char path[MT_JOB_PATH_MAX + 16];
    snprintf(path, sizeof path, "%s/%s", job, forms[i].name);
    code = mt_paper_write(mt_filing_paper(filing), forms[i].form, path, err);
  }
  mt_filing_close(&filing);
  return code;
}

static mt_code keep_job(const char *folder, mt_results *results[2], mt_error *err)
{
  char job[MT_JOB_PATH_MAX];
  mt_code code = open_job(folder, job, err);

  for (size_t i = 0; i < 2 && code == MT_OK; i++)
    code = file_stage(folder, job, &stages[i], results[i], err);
  return code == MT_OK ? write_reports(job, err) : code;
}

/* ---- the story -------------------------------------------------------------------------------- */

static void tell(const char *text)
{
  mt_layout_wrap(stdout, "", "", text);
}

static void tell_beginning(void)
{
  tell("A two-channel desk amplifier for headphones was bought as faulty. \"The right side is nearly gone, "
       "the left one sounds thin and rough\", says the note. We measure it, mend it, and prove that it is "
       "mended.");
  putchar('\n');
  tell("No hardware is needed: the amplifier is simulated from a description you can read and change. "
       "All the rest, the tones played, the capture, the readings and the verdicts, is what mendtone check "
       "does with a unit on the bench.");
  fputs("\nBEFORE\n", stdout);
}

static void tell_how_to_read(void)
{
  putchar('\n');
  tell("How to read this: \"missed\" means that the reading is beyond its limit by more than its "
       "uncertainty; \"undecided\", that the tool cannot tell, and would rather say so than guess. A "
       "channel is a whole chain from socket to socket: one cause shows in several readings.");
}

static void tell_repair(void)
{
  fputs("\nTHE REPAIR\n", stdout);
  tell("What was found at the places the readings point to:");
  mt_layout_wrap(stdout, "  - ", "    ",
                 "Right, 43 dB too weak but otherwise sound: a cracked solder joint at the volume control. "
                 "Resoldered.");
  mt_layout_wrap(
      stdout, "  - ", "    ",
      "Left, right at 1 kHz and 13 dB down at 50 Hz: the output capacitor has dried out. Replaced.");
  mt_layout_wrap(
      stdout, "  - ", "    ",
      "Left, distorted: the output stage is short of supply, for a leaky capacitor there. Replaced.");
}

static bool is_same_check(const mt_judgement *a, const mt_judgement *b)
{
  return a->quantity == b->quantity && a->channel == b->channel && a->order == b->order &&
         strcmp(a->segment, b->segment) == 0 && a->implied == b->implied;
}

static bool was_passed(const mt_results *results, const mt_judgement *check)
{
  for (size_t i = 0; i < results->njudgements; i++)
    if (results->judgements[i].verdict != MT_VERDICT_PASS && is_same_check(&results->judgements[i], check))
      return false;
  return true;
}

static void tell_passes(const mt_results *before, const mt_results *after)
{
  fputs("\nMet now, and not before\n", stdout);
  for (size_t i = 0; i < after->njudgements; i++)
    if (after->judgements[i].verdict == MT_VERDICT_PASS && !was_passed(before, &after->judgements[i]))
      mt_layout_wrap(stdout, "  - ", "    ", after->judgements[i].text);
}

static void tell_end(const char *folder)
{
  putchar('\n');
  tell("The full reports, the takes and the results as JSON are in the folder:");
  mt_layout_wrap(stdout, "  ", "  ", folder);
  tell("The report that goes with the unit: job/report.html and job/report.pdf in that folder.");
  tell("The folder job in it is a job of the job book: mendtone job and mendtone compare show it from "
       "inside, and mendtone job new begins your own.");
  tell("Next: read before.txt there; change before-unit.cfg and run mendtone check --simulate on it; then "
       "mendtone devices, to see what your own sound card is called, and mendtone check.");
}

static mt_code judge_story(const mt_results *before, const mt_results *after, mt_error *err)
{
  if (before->verdict == MT_VERDICT_FAIL && after->verdict == MT_VERDICT_PASS)
    return MT_OK;
  return mt_fail(
      err, MT_E_INTERNAL,
      "the faulty unit must fail and the mended one pass, but they came out as %s and %s; this is a "
      "bug of mendtone, please report it",
      mt_verdict_name(before->verdict), mt_verdict_name(after->verdict));
}

static mt_code tell_story(const char *folder, mt_results *results[2], mt_error *err)
{
  mt_code code = prepare_folder(folder, err);

  if (code != MT_OK)
    return code;
  tell_beginning();
  fflush(stdout);
  code = measure(&stages[0], folder, &results[0], err);
  if (code != MT_OK)
    return code;
  mt_report_summary(results[0], stdout);
  tell_how_to_read();
  tell_repair();
  fputs("\nAFTER\n", stdout);
  fflush(stdout);
  code = measure(&stages[1], folder, &results[1], err);
  if (code != MT_OK)
    return code;
  mt_report_summary(results[1], stdout);
  tell_passes(results[0], results[1]);
  code = print_comparison(results[0], results[1], err);
  if (code == MT_OK)
    code = keep_job(folder, results, err);
  if (code != MT_OK)
    return code;
  tell_end(folder);
  return judge_story(results[0], results[1], err);
}

static int run(int argc, char **argv)
{
  mt_results *results[2] = {NULL, NULL};
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_demo, argc, argv, NULL, &operands, &status))
    return status;
  if (operands[0] != NULL && operands[0][0] == '\0')
    return cli_refuse(&cli_demo, "DIR is empty; expected the name of a folder");
  if (tell_story(operands[0] != NULL ? operands[0] : "mendtone-demo", results, &err) != MT_OK) {
    fflush(stdout);
    status = cli_fail(&cli_demo, &err);
  }
  mt_results_destroy(&results[0]);
  mt_results_destroy(&results[1]);
  return status;
}

const cli_command cli_demo = {
    .name = "demo",
    .summary = "a simulated repair, before and after; no hardware needed",
    .operands = "[DIR]",
    .max_operands = 1,
    .details = "Measures a faulty amplifier, mends it, measures it again, and explains every verdict.\n"
               "Reports, takes, results and the descriptions of the simulated unit are written into\n"
               "DIR, ./mendtone-demo if none is named.",
    .run = run,
};
