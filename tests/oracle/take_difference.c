/* Two recordings of the stimulus as two states, one compared with the other: results as JSON on standard output. With a
   third argument, ohms, the second was taken with that load and the first open. */
#include <mendtone/difference.h>
#include <mendtone/load.h>
#include <mendtone/report.h>
#include <mendtone/session.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static mt_code add(const char *path, const char *state, mt_results *results, mt_error *err)
{
  mt_session_options options = mt_session_defaults();
  mt_results *take = NULL;
  mt_code code;

  options.state = state;
  options.unjudged = true;
  code = mt_session_analyse(path, &options, &take, err);
  if (code == MT_OK)
    code = mt_results_add_results(results, take, state, err);
  mt_results_destroy(&take);
  return code;
}

static mt_code read_load(double ohm, mt_results *results, mt_error *err)
{
  const mt_load_state states[] = {
      {.state = "off", .ohm = HUGE_VAL, .tolerance_percent = 0.01},
      {.state = "on", .compare_with = "off", .ohm = ohm, .tolerance_percent = 0.01}};
  return mt_load_measure(results, states, 2, err);
}

int main(int argc, char **argv)
{
  mt_results *results = NULL;
  mt_error err = {0};
  mt_code code = argc == 3 || argc == 4 ? mt_results_create(&results, &err) : MT_E_ARG;

  if (code == MT_OK)
    code = add(argv[1], "off", results, &err);
  if (code == MT_OK)
    code = add(argv[2], "on", results, &err);
  if (code == MT_OK)
    code = mt_difference_measure(results, "on", "off", &err);
  if (code == MT_OK && argc == 4)
    code = read_load(strtod(argv[3], NULL), results, &err);
  if (code == MT_OK)
    code = mt_report_write_json(results, "-", &err);
  if (code != MT_OK)
    fprintf(stderr, "take_difference: %s\n", err.message);
  mt_results_destroy(&results);
  return code == MT_OK ? 0 : 1;
}
