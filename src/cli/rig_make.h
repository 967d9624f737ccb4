/** @file rig_make.h  Making a rig, step by step with somebody at a terminal or from options alone. */
#ifndef CLI_RIG_MAKE_H
#define CLI_RIG_MAKE_H

#include "cli/cli.h"

typedef struct rig_options {
  bool calibrate;
  const char *input;
  const char *output;
  const char *simulate;
  double rate_hz;
  const char *reads;
  const char *meter;
  double tone_hz;
  double tone_dbfs;
  double tone_s;
  double level_dbfs;
  double input_ohm;
  double output_ohm;
  double load_ohm;
  double max_age_days;
  bool no_steps;
  bool yes;
} rig_options;

/** Volts as typed: "0.912", "0.912 V", "912 mV"; `step_v` is what the last digit is worth. */
bool rig_parse_volts(const char *text, double *volts, double *step_v);

/** Make the rig of that name and keep it; what goes on is said on standard error. */
mt_code rig_make(const char *name, const rig_options *given, mt_error *err);

#endif
