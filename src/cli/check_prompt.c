/* What check says to a person at the terminal before it plays, and how it asks. */
#include "cli/check.h"

#include <stdio.h>
#include <string.h>
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

bool check_is_attended(const check_options *given)
{
  return !given->assume_set && isatty(STDIN_FILENO);
}

bool check_ask(const char *prompt, char *line, size_t size)
{
  size_t n = 0;
  int c;

  fputs(prompt, stderr);
  fflush(stderr);
  while ((c = getchar()) != EOF && c != '\n')
    if (n + 1 < size)
      line[n++] = (char)c;
  line[n] = '\0';
  if (c == EOF)
    fputc('\n', stderr);
  return c != EOF;
}

bool check_caution(const check_options *given, double level_dbfs, double max_level_dbfs, bool *finds_level)
{
  char line[8], prompt[200];

  if (given->yes || given->simulate != NULL || !isatty(STDIN_FILENO))
    return true;
  fputs(cautions, stderr);
  if (max_level_dbfs > level_dbfs)
    fprintf(stderr,
            "  - One tone rises in steps to %g dBFS, %g dB above the others, until the unit\n"
            "    may clip: what is connected to its outputs must bear that.\n",
            max_level_dbfs, max_level_dbfs - level_dbfs);
  snprintf(prompt, sizeof prompt, "Press Enter to %s, or Ctrl-C to stop. ",
           given->from_player ? "listen" : "play");
  if (finds_level != NULL)
    snprintf(prompt, sizeof prompt,
             "Press Enter to play at %g dBFS; f and Enter to find the level first, from quiet up\n"
             "to at most that; Ctrl-C to stop. ",
             level_dbfs);
  if (!check_ask(prompt, line, sizeof line))
    return false;
  if (finds_level != NULL && (line[0] == 'f' || line[0] == 'F'))
    *finds_level = true;
  return true;
}
