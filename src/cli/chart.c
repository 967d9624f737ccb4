/* mendtone chart: one chart of results as a picture. */
#include "cli/cli.h"

#include <mendtone/chart.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef struct options {
  const char *output;
  const char *before;
  const char *state;
  const char *segment;
  bool dark;
  double width;
  double from;
  double to;
} options;

static const cli_option table[] = {
    {"output", 'o', CLI_TEXT, offsetof(options, output), "FILE", "the picture: .svg, .png or .pdf"},
    {"before", 0, CLI_TEXT, offsetof(options, before), "RESULTS", "other results, in grey behind it"},
    {"state", 0, CLI_TEXT, offsetof(options, state), "NAME", "of these switch positions; else the first"},
    {"segment", 0, CLI_TEXT, offsetof(options, segment), "NAME", "from this part of the stimulus"},
    {"from", 0, CLI_NUMBER, offsetof(options, from), "VALUE", "lower end of the vertical axis"},
    {"to", 0, CLI_NUMBER, offsetof(options, to), "VALUE", "its upper end"},
    {"width", 0, CLI_NUMBER, offsetof(options, width), "POINTS", "of the picture, 240 to 5000; else 560"},
    {"dark", 0, CLI_FLAG, offsetof(options, dark), NULL, "for a dark page"},
};

static int list(const char *path, const mt_results *results)
{
  size_t n = 0;

  for (size_t i = 0; mt_chart_name(i) != NULL; i++)
    if (mt_chart_has(results, mt_chart_name(i))) {
      printf("%-18s %s\n", mt_chart_name(i), mt_chart_meaning(mt_chart_name(i)));
      n++;
    }
  if (n == 0)
    fprintf(stderr, "mendtone chart: %s: holds no curve to draw\n", path);
  return n > 0 ? CLI_PASS : 65;
}

static bool is_known(const char *name)
{
  return mt_chart_meaning(name) != NULL;
}

static mt_code draw(const mt_results *results, const char *name, const options *given, mt_error *err)
{
  mt_chart_choice choice = {.name = name, .state = given->state, .segment = given->segment};
  mt_chart_look look = mt_chart_look_default();
  mt_results *earlier = NULL;
  mt_chart *chart = NULL;
  mt_code code = given->before != NULL ? mt_report_read_json(given->before, &earlier, err) : MT_OK;

  choice.earlier = earlier;
  look.is_dark = given->dark;
  look.width = given->width;
  look.y_from = given->from;
  look.y_to = given->to;
  if (code == MT_OK)
    code = mt_chart_of_results(results, &choice, &chart, err);
  if (code == MT_OK)
    code = mt_chart_write(chart, &look, given->output, err);
  mt_chart_destroy(&chart);
  mt_results_destroy(&earlier);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {.from = (double)NAN, .to = (double)NAN};
  mt_results *results = NULL;
  mt_error err = {0};
  char **operands;
  int status = CLI_PASS;

  if (!cli_parse(&cli_chart, argc, argv, &given, &operands, &status))
    return status;
  if (operands[1] != NULL && !is_known(operands[1])) {
    const char *nearest = mt_chart_nearest(operands[1]);
    return cli_refuse(&cli_chart, "there is no chart \"%.40s\"%s%s%s", operands[1],
                      nearest != NULL ? "; did you mean " : "", nearest != NULL ? nearest : "",
                      nearest != NULL ? "?" : "");
  }
  if (operands[1] != NULL && given.output == NULL)
    return cli_refuse(&cli_chart, "-o is missing: the picture to write, .svg, .png or .pdf");
  if (mt_report_read_json(operands[0], &results, &err) != MT_OK)
    status = cli_fail(&cli_chart, &err);
  else if (operands[1] == NULL)
    status = list(operands[0], results);
  else if (draw(results, operands[1], &given, &err) != MT_OK)
    status = cli_fail(&cli_chart, &err);
  mt_results_destroy(&results);
  return status;
}

const cli_command cli_chart = {
    .name = "chart",
    .summary = "draw one chart of results as a picture",
    .operands = "RESULTS [CHART]",
    .min_operands = 1,
    .max_operands = 2,
    .details = "RESULTS is what --json wrote. Without CHART, says which charts these results can give.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
