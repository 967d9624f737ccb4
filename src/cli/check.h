/** @file check.h  What the files of the command "check" share: check.c is the way in, check_*.c its parts. */
#ifndef CLI_CHECK_H
#define CLI_CHECK_H

#include "cli/cli.h"

/** What was given. */
typedef struct check_options {
  cli_reading reading; /* first: the shared options' offsets count from here */
  const char *input;
  const char *output;
  const char *simulate;
  const char *take;
  bool yes;
} check_options;

/** Say what to be careful about, and wait; only at a terminal. @return false if the answer was no. */
bool check_caution(const check_options *given, const mt_stimulus *stimulus);

#endif
