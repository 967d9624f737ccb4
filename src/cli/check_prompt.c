/* What check says to a person at the terminal before it plays, and how it asks. */
#include "cli/check.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

static const char cautions[] =
    "Before it plays:\n"
    "  - Nothing on your head: the tones are steady and may be loud. Load the outputs\n"
    "    with resistors, not with ears.\n"
    "  - Start with the volume low, and turn it up step by step.\n"
    "  - A bridged output must not be grounded through the sound card: use one with a\n"
    "    floating or differential input. A power amplifier needs a divider before it.\n"
    "  - An open unit on the mains: isolating transformer, and only if you are\n"
    "    licensed and your local codes allow it.\n";

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

void check_forget_keys(void)
{
  tcflush(STDIN_FILENO, TCIFLUSH); /* not a terminal: nothing happens */
}

/* Only what was asked for plays: whoever types "no" or "wait" means that. @return 0 at the end of input. */
static char ask_to_play(const char *prompt, bool may_find)
{
  char line[24];

  while (check_ask(prompt, line, sizeof line)) {
    const char *key = line + strspn(line, " \t\r");
    if (key[0] == '\0')
      return '\n';
    if (may_find && tolower((unsigned char)key[0]) == 'f' && key[1 + strspn(key + 1, " \t\r")] == '\0')
      return 'f';
    fprintf(stderr, "\"%s\" is no answer to that; nothing is played yet.\n", key);
  }
  return '\0';
}

mt_code check_caution(const check_options *given, const mt_session_options *session, double level_dbfs,
                      double max_level_dbfs, bool *finds_level, mt_error *err)
{
  char prompt[200], key;
  mt_code code;

  if (given->yes || given->simulate != NULL || !isatty(STDIN_FILENO))
    return MT_OK;
  code = mt_session_check_devices(session, err);
  if (code != MT_OK)
    return code;
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
             "Press Enter to play at %g dBFS; f and Enter to find the level first, from\n"
             "quiet up to at most that; Ctrl-C to stop. ",
             level_dbfs);
  key = ask_to_play(prompt, finds_level != NULL);
  if (key == 'f')
    *finds_level = true;
  return key != '\0' ? MT_OK : mt_fail(err, MT_E_ARG, "stopped before anything was played");
}
