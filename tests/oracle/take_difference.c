/* Two recordings of the stimulus as two states, one compared with the other: results as JSON on standard output. */
#include <mendtone/difference.h>
#include <mendtone/report.h>
#include <mendtone/session.h>

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

int main(int argc, char **argv)
{
  mt_results *results = NULL;
  mt_error err = {0};
  mt_code code = argc == 3 ? mt_results_create(&results, &err) : MT_E_ARG;

  if (code == MT_OK)
    code = add(argv[1], "off", results, &err);
  if (code == MT_OK)
    code = add(argv[2], "on", results, &err);
  if (code == MT_OK)
    code = mt_difference_measure(results, "on", "off", &err);
  if (code == MT_OK)
    code = mt_report_write_json(results, "-", &err);
  if (code != MT_OK)
    fprintf(stderr, "take_difference: %s\n", err.message);
  mt_results_destroy(&results);
  return code == MT_OK ? 0 : 1;
}
