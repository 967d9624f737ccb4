/* What is heard while a player plays, in words on a terminal; and Ctrl-C. */
#include "cli/cli.h"

#include <signal.h>
#include <stdio.h>
#include <unistd.h>

#define SILENT_DBFS (-200.0)

static volatile sig_atomic_t stopped;
static struct sigaction before;
static bool shows;
static double waiting_s;

static void stop(int number)
{
  (void)number;
  stopped = 1;
}

static bool is_stopped(void *ctx)
{
  (void)ctx;
  return stopped != 0;
}

/* The level stays on one line; what happens gets a line of its own. */
static void tell(void *ctx, mt_heard heard, double level_dbfs)
{
  (void)ctx;
  switch (heard) {
  case MT_HEARD_LEVEL:
    if (level_dbfs <= SILENT_DBFS)
      fputs("\rlistening: every sample is zero   ", stderr);
    else
      fprintf(stderr, "\rlistening: %6.1f dBFS            ", level_dbfs);
    break;
  case MT_HEARD_START: fputs("\rstart mark heard; let it play         \n", stderr); break;
  case MT_HEARD_END: fputs("\rend mark heard; stop the player       \n", stderr); break;
  case MT_HEARD_LATE:
    fputs("\rend mark heard, but its beginning was missed: play the file again\n", stderr);
    break;
  case MT_HEARD_CUT_SHORT: fputs("\rthe end mark does not come: play the file again, whole\n", stderr); break;
  }
}

void cli_prepare_listening(mt_session_options *options, double wait_s)
{
  shows = isatty(STDERR_FILENO) == 1;
  waiting_s = wait_s;
  options->wait_s = wait_s;
  options->is_stopped = is_stopped;
  if (shows)
    options->tell = tell;
}

void cli_start_listening(void)
{
  struct sigaction action = {.sa_handler = stop};

  stopped = 0;
  if (shows)
    fprintf(stderr, "Start the file in the player now; waiting for it up to %.0f s. Ctrl-C stops.\n",
            waiting_s);
  /* once: a second Ctrl-C ends the program */
  action.sa_flags = (int)SA_RESETHAND;
  sigemptyset(&action.sa_mask);
  sigaction(SIGINT, &action, &before);
}

void cli_end_listening(void)
{
  sigaction(SIGINT, &before, NULL);
  if (shows)
    fputs("\r                                      \r", stderr);
}
