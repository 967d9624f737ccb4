/* mendtone plan: the built-in plan to edit, or a check of an edited one. */
#include "cli/cli.h"

#include <stdio.h>

static int run(int argc, char **argv)
{
  char **operands;
  mt_plan *plan = NULL;
  mt_error err = {0};
  int status;

  if (!cli_parse(&cli_plan, argc, argv, NULL, &operands, &status))
    return status;
  if (operands[0] == NULL) {
    fputs(mt_plan_default_text(), stdout);
    return CLI_PASS;
  }
  if (mt_session_open_plan(operands[0], &plan, &err) != MT_OK)
    return cli_fail(&cli_plan, &err);
  printf("plan ok: %zu limit%s, %zu state%s\n", plan->nlimits, plan->nlimits == 1 ? "" : "s", plan->nstates,
         plan->nstates == 1 ? "" : "s");
  mt_plan_destroy(&plan);
  return CLI_PASS;
}

const cli_command cli_plan = {
    .name = "plan",
    .summary = "print the built-in plan to edit, or check an edited one",
    .operands = "[FILE]",
    .max_operands = 1,
    .details = "Without FILE: print the built-in plan, with its limits and where they come from, as a\n"
               "file to edit: mendtone plan > my.plan. With FILE: say whether it can be used, and if\n"
               "not, the line and what was expected there.",
    .run = run,
};
