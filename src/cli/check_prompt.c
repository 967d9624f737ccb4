/* What check says to a person at the terminal before it plays. */
#include "cli/check.h"

#include <stdio.h>
#include <unistd.h>

static const char cautions[] =
    "Before it plays:\n"
    "  - Nothing on your head: the tones are steady and may be loud. Load the outputs\n"
    "    with resistors, not with ears.\n"
    "  - Start with the volume low, and turn it up step by step.\n"
    "  - A bridged output must not be grounded through the sound card: use one with a\n"
    "    floating or differential input. A power amplifier needs a divider before it.\n"
    "  - An open unit on the mains: isolating transformer, and only if you are licensed\n"
    "    and your local codes allow it.\n";

bool check_caution(const check_options *given, const mt_stimulus *stimulus)
{
  int c;

  if (given->yes || given->simulate != NULL || !isatty(STDIN_FILENO))
    return true;
  fputs(cautions, stderr);
  if (stimulus->max_level_dbfs > stimulus->level_dbfs)
    fprintf(stderr,
            "  - One tone rises in steps to %g dBFS, %g dB above the others, until the unit\n"
            "    may clip: what is connected to its outputs must bear that.\n",
            stimulus->max_level_dbfs, stimulus->max_level_dbfs - stimulus->level_dbfs);
  fputs("Press Enter to play, or Ctrl-C to stop. ", stderr);
  fflush(stderr);
  while ((c = getchar()) != EOF)
    if (c == '\n')
      return true;
  fputc('\n', stderr);
  return false;
}
