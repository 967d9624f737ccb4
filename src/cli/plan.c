/* mendtone plan: the plans that come with the tool, to use or to edit, or a check of an edited one. */
#include "cli/cli.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

/* What it says of itself: its first line, without the mark of a comment. */
static void print_row(const char *name)
{
  const char *text = mt_plan_shipped_text(name);

  printf("  %s\n      %.*s\n", name, (int)strcspn(text + 2, "\n"), text + 2);
}

static void print_list(void)
{
  fputs("Plans that come with mendtone, each with its limits and where they come from:\n\n", stdout);
  for (size_t i = 0; mt_plan_shipped_name(i) != NULL; i++)
    print_row(mt_plan_shipped_name(i));
  print_row("default");
  fputs("\nUse one:                   mendtone check --plan headphone-amplifier\n"
        "Print one, to edit it:     mendtone plan headphone-amplifier > my.plan\n"
        "Check what was edited:     mendtone plan my.plan\n",
        stdout);
}

static int run(int argc, char **argv)
{
  char **operands;
  mt_plan *plan = NULL;
  mt_error err = {0};
  struct stat there;
  int status;

  if (!cli_parse(&cli_plan, argc, argv, NULL, &operands, &status))
    return status;
  if (operands[0] == NULL) {
    print_list();
    return CLI_PASS;
  }
  if (mt_plan_shipped_text(operands[0]) != NULL && stat(operands[0], &there) != 0) {
    fputs(mt_plan_shipped_text(operands[0]), stdout);
    return CLI_PASS;
  }
  if (cli_open_plan(operands[0], &plan, &err) != MT_OK)
    return cli_fail(&cli_plan, &err);
  printf("plan ok: %zu limit%s, %zu state%s, %zu by hand\n", plan->nlimits, plan->nlimits == 1 ? "" : "s",
         plan->nstates, plan->nstates == 1 ? "" : "s", plan->nby_hand);
  mt_plan_destroy(&plan);
  return CLI_PASS;
}

const cli_command cli_plan = {
    .name = "plan",
    .summary = "list the plans there are, print one to edit, or check an edited one",
    .operands = "[NAME|FILE]",
    .max_operands = 1,
    .details =
        "Without an operand: list the plans that come with mendtone. With the NAME of one: print it, with\n"
        "its limits and where they come from, as a file to edit. With a FILE: say whether it can be\n"
        "used as a plan, and if not, the line and what was expected there.",
    .run = run,
};
