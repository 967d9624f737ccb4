/* The text report: verdict in words, what fails and why, likely causes, then the numbers. */
#include <mendtone/report.h>

#include "report/curve_lines.h"
#include "report/layout.h"
#include "report/text_sections.h"

#include <errno.h>
#include <math.h>
#include <string.h>

/* ---- verdict, limits, causes ------------------------------------------------------------------ */

static size_t count_judgements(const mt_results *results, mt_verdict verdict)
{
  size_t count = 0;
  for (size_t i = 0; i < results->njudgements; i++)
    count += results->judgements[i].verdict == verdict;
  for (size_t i = 0; i < results->nanswers; i++)
    count += results->answers[i].verdict == verdict;
  return count;
}

static const char *is_or_are(size_t n)
{
  return n == 1 ? "is" : "are";
}

static void print_verdict(const mt_results *results, FILE *out)
{
  char line[200];
  size_t nfail = count_judgements(results, MT_VERDICT_FAIL);
  size_t nopen = count_judgements(results, MT_VERDICT_UNDECIDED);
  size_t npass = count_judgements(results, MT_VERDICT_PASS);
  size_t n = nfail + nopen + npass;

  switch (results->verdict) {
  case MT_VERDICT_NONE: snprintf(line, sizeof line, "No limits were set: these are readings only."); break;
  case MT_VERDICT_PASS: snprintf(line, sizeof line, "PASS: every check is met, %zu of %zu.", npass, n); break;
  case MT_VERDICT_FAIL:
    snprintf(line, sizeof line, "FAIL: of %zu checks %zu %s missed and %zu %s undecided.", n, nfail,
             is_or_are(nfail), nopen, is_or_are(nopen));
    if (nopen == 0)
      snprintf(line, sizeof line, "FAIL: of %zu checks %zu %s missed.", n, nfail, is_or_are(nfail));
    break;
  case MT_VERDICT_UNDECIDED:
    snprintf(line, sizeof line, "UNDECIDED: of %zu checks none is missed, but %zu cannot be decided.", n,
             nopen);
    break;
  }
  mt_layout_wrap(out, "", "", line);
  if (results->unit_name[0] != '\0')
    mt_layout_wrap(out, "Unit: ", "      ", results->unit_name);
  if (!results->valid && results->ntakes == 0)
    mt_layout_wrap(out, "", "", "The take as a whole is spoilt: see its problems below, and take it again.");
  for (size_t i = 0; i < results->ntakes; i++) {
    snprintf(line, sizeof line, "The take of state %s is spoilt: see its problems below, and take it again.",
             results->takes[i].state);
    if (!results->takes[i].valid && !results->takes[i].skipped)
      mt_layout_wrap(out, "", "", line);
  }
  for (size_t i = 0; i < results->nretakes; i++) {
    const mt_problem *p = &results->retakes[i];
    char text[300];
    snprintf(text, sizeof text, "Taken again: %s take was spoilt at %.3f s: %s",
             i == 0 ? "the first" : "another", p->begin_s, p->text);
    mt_layout_wrap(out, "", "  ", text);
  }
  if (results->not_kept[0] != '\0')
    mt_layout_wrap(out, "Not kept: ", "  ", results->not_kept);
}

/* The judgement's own words name quantity and channel; without them the table's have to do. */
static void print_judgement(const mt_judgement *judgement, FILE *out)
{
  char channel[8];
  char text[100];

  snprintf(text, sizeof text, "%s, %s", mt_quantity_describe(judgement->quantity)->label,
           mt_channel_name(judgement->channel, channel));
  mt_layout_wrap(out, "  - ", "    ", judgement->text[0] != '\0' ? judgement->text : text);
}

static bool is_skipped(const mt_results *results, const char *state)
{
  const mt_take_summary *take = mt_results_find_take(results, state);
  return take != NULL && take->skipped;
}

/* @param state  NULL: of all. @return how many. */
static size_t print_judgements_of(const mt_results *results, mt_verdict verdict, const char *state, FILE *out)
{
  size_t n = 0;

  for (size_t i = 0; i < results->njudgements; i++) {
    const mt_judgement *j = &results->judgements[i];
    if (j->verdict != verdict || (state != NULL && strcmp(j->state, state) != 0))
      continue;
    n++;
    if (out != NULL)
      print_judgement(j, out);
  }
  return n;
}

/* By state; of one that was skipped only how much is left open. */
static void print_judgements_by_state(const mt_results *results, mt_verdict verdict, FILE *out)
{
  char line[120];

  for (size_t i = 0; i < results->ntakes; i++) {
    const char *state = results->takes[i].state;
    size_t n = print_judgements_of(results, verdict, state, NULL);
    if (n == 0)
      continue;
    if (is_skipped(results, state)) {
      snprintf(line, sizeof line, "State %s was skipped: %zu check%s", state, n, n == 1 ? "" : "s");
      mt_layout_wrap(out, "  ", "    ", line);
      continue;
    }
    snprintf(line, sizeof line, "State %s", state);
    mt_layout_wrap(out, "  ", "    ", line);
    print_judgements_of(results, verdict, state, out);
  }
  for (size_t i = 0; i < results->njudgements; i++)
    if (results->judgements[i].verdict == verdict &&
        mt_results_find_take(results, results->judgements[i].state) == NULL)
      print_judgement(&results->judgements[i], out);
}

static void print_judgements(const mt_results *results, mt_verdict verdict, const char *heading, FILE *out)
{
  if (count_judgements(results, verdict) == 0)
    return;
  fprintf(out, "\n%s\n", heading);
  if (results->ntakes > 0)
    print_judgements_by_state(results, verdict, out);
  else
    print_judgements_of(results, verdict, NULL, out);
  for (size_t i = 0; i < results->nanswers; i++) {
    const mt_answer *a = &results->answers[i];
    char text[400];
    snprintf(text, sizeof text, "By hand: %s: %s", a->ask, a->text);
    if (a->verdict == verdict)
      mt_layout_wrap(out, "  - ", "    ", text);
  }
}

static void print_findings(const mt_results *results, FILE *out)
{
  if (results->nfindings > 0)
    fputs("\nLikely causes\n", out);
  for (size_t i = 0; i < results->nfindings; i++) {
    const mt_finding *f = &results->findings[i];
    mt_layout_wrap(out, "  - ", "    ", f->text);
    for (size_t k = 0; k < f->nevidence && k < sizeof f->evidence / sizeof f->evidence[0]; k++)
      mt_layout_wrap(out, k == 0 ? "      because " : "          and ", "              ", f->evidence[k]);
  }
}

void mt_report_summary(const mt_results *results, FILE *out)
{
  print_verdict(results, out);
  print_judgements(results, MT_VERDICT_FAIL, "Missed", out);
  print_judgements(results, MT_VERDICT_UNDECIDED, "Undecided", out);
  print_findings(results, out);
}

/* ---- conditions ------------------------------------------------------------------------------- */

static void print_rig(const mt_rig_note *note, FILE *out)
{
  char text[320], number[32];
  int n = snprintf(text, sizeof text, "%s, %.10s", note->name, note->made);

  if (note->has_floor[0] && note->has_floor[1])
    n += snprintf(text + n, sizeof text - (size_t)n, "; own noise %.1f and %.1f dBFS", note->noise_dbfs[0],
                  note->noise_dbfs[1]);
  if (note->loop_applied)
    n += snprintf(text + n, sizeof text - (size_t)n, "; %sresponse corrected by its loop, floors compared",
                  note->recorded_by_unit ? "" : "gain and ");
  if (note->recorded_by_unit)
    n += snprintf(text + n, sizeof text - (size_t)n,
                  "; the unit recorded itself: volts are those at its input");
  else if (!note->has_volts)
    n += snprintf(text + n, sizeof text - (size_t)n, "; no volts");
  if (note->has_played_dbv)
    snprintf(text + n, sizeof text - (size_t)n, "; played %s V",
             mt_layout_value(pow(10.0, note->played_dbv / 20.0), 4, number));
  mt_layout_wrap(out, "  rig           ", "                ", text);
  if (note->nlimited > 0) {
    snprintf(text, sizeof text,
             "only bounds (< or >), as the rig's own is less than 10 dB below: %zu reading%s", note->nlimited,
             note->nlimited == 1 ? "" : "s");
    mt_layout_wrap(out, "                ", "                ", text);
  }
  for (size_t i = 0; i < note->nwarnings; i++)
    mt_layout_wrap(out, "    beware      ", "                ", note->warnings[i]);
}

static void print_conditions(const mt_results *results, FILE *out)
{
  char text[160], number[32], extras[48];
  double seconds = results->rate_hz > 0.0 ? (double)results->nframes / results->rate_hz : 0.0;

  fputs("\nConditions\n", out);
  if (results->file[0] != '\0' && results->ntakes == 0)
    mt_layout_wrap(out, "  file          ", "                ", results->file);
  snprintf(text, sizeof text, "%.6g Hz, %u channel%s, %.3f s", results->rate_hz, results->nchannels,
           results->nchannels == 1 ? "" : "s", seconds);
  if (results->ntakes > 0)
    snprintf(text, sizeof text, "%.6g Hz, %u channel%s", results->rate_hz, results->nchannels,
             results->nchannels == 1 ? "" : "s");
  mt_layout_wrap(out, "  take          ", "                ", text);
  mt_report_takes(results, out);
  if (results->is_stimulus && results->stimulus_extras != 0)
    snprintf(text, sizeof text, "%.2f dBFS, both marks found; extras: %s", results->stimulus_level_dbfs,
             mt_extras_text(results->stimulus_extras, extras));
  else if (results->is_stimulus)
    snprintf(text, sizeof text, "%.2f dBFS, both marks found%s%s%s", results->stimulus_level_dbfs,
             results->ntakes == 0 && results->stimulus_parts != MT_PARTS_ALL ? "; " : "",
             results->ntakes == 0 && results->stimulus_parts != MT_PARTS_ALL
                 ? mt_parts_name(results->stimulus_parts)
                 : "",
             results->ntakes == 0 && results->stimulus_parts != MT_PARTS_ALL ? " only" : "");
  else
    snprintf(text, sizeof text, "none found: read as a plain recording");
  mt_layout_wrap(out, "  stimulus      ", "                ", text);
  if (results->nruns > 1 || results->is_followed) {
    snprintf(text, sizeof text, "%u whole run%s in the take, the last one is read: from %.2f s on%s",
             results->nruns, results->nruns == 1 ? "" : "s", results->run_begin_s,
             results->is_followed ? "; another behind it has no end" : "");
    mt_layout_wrap(out, "  runs          ", "                ", text);
  }
  if (results->has_clock_offset)
    snprintf(text, sizeof text, "%s ppm, player less recorder",
             mt_layout_value(results->clock_offset_ppm, 3, number));
  else
    snprintf(text, sizeof text, "not known");
  mt_layout_wrap(out, "  clock offset  ", "                ", text);
  if (results->rig.name[0] != '\0')
    print_rig(&results->rig, out);
  mt_layout_wrap(out, "  plan          ", "                ",
                 results->plan_name[0] != '\0' ? results->plan_name : "none");
}

static void print_problems(const mt_results *results, FILE *out)
{
  if (results->nproblems > 0)
    fputs(results->ntakes > 0 ? "\nProblems of the takes\n" : "\nProblems of the take\n", out);
  for (size_t i = 0; i < results->nproblems; i++) {
    const mt_problem *p = &results->problems[i];
    char channel[8], text[300];
    snprintf(text, sizeof text, "%s%s%.3f to %.3f s, %s: %s", p->state, p->state[0] != '\0' ? ": " : "",
             p->begin_s, p->end_s, p->channel < 0 ? "all channels" : mt_channel_name(p->channel, channel),
             p->text);
    mt_layout_wrap(out, "  - ", "    ", text);
  }
}

mt_code mt_report_text(const mt_results *results, FILE *out, mt_error *err)
{
  mt_code code;

  mt_report_summary(results, out);
  code = mt_report_tables(results, out, err);
  if (code != MT_OK)
    return code;
  mt_report_response(results, out);
  mt_report_loads(results, out);
  mt_report_changes(results, out);
  mt_report_curve_lines(results, out);
  mt_report_definitions(results, out);
  mt_report_by_hand(results, out);
  code = mt_report_reasons(results, out, err);
  if (code != MT_OK)
    return code;
  print_problems(results, out);
  print_conditions(results, out);
  errno = 0;
  if (fflush(out) != 0 || ferror(out))
    return mt_fail(err, MT_E_IO, "the report cannot be written: %s", strerror(errno != 0 ? errno : EIO));
  return MT_OK;
}
