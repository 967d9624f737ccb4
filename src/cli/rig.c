/* mendtone rig: the sound card and its leads, calibrated in volts and known by its own floor. */
#include "cli/rig_make.h"

#include "report/layout.h"

#include <mendtone/rig.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static const cli_option table[] = {
    {"calibrate", 0, CLI_FLAG, offsetof(rig_options, calibrate), NULL, "make the rig, or make it anew"},
    {"input", 0, CLI_TEXT, offsetof(rig_options, input), "NAME",
     "device that captures, or a part of its name"},
    {"output", 0, CLI_TEXT, offsetof(rig_options, output), "NAME", "device that plays; else the same one"},
    {"rate", 0, CLI_NUMBER, offsetof(rig_options, rate_hz), "HZ", "sample rate; else 48000"},
    {"simulate", 0, CLI_TEXT, offsetof(rig_options, simulate), "UNIT.cfg",
     "a simulated rig instead of hardware"},
    {"reads", 0, CLI_TEXT, offsetof(rig_options, reads), "L[,R]",
     "what the meter reads of the tone, in V; else asked"},
    {"meter", 0, CLI_TEXT, offsetof(rig_options, meter), "P,D[,STEP]",
     "its accuracy: percent, digits, last digit in V"},
    {"tone", 0, CLI_NUMBER, offsetof(rig_options, tone_hz), "HZ", "frequency of the tone; else 80"},
    {"tone-level", 0, CLI_NUMBER, offsetof(rig_options, tone_dbfs), "DBFS", "its level; else -12"},
    {"tone-time", 0, CLI_NUMBER, offsetof(rig_options, tone_s), "S", "how long it plays; else 12"},
    {"level", 0, CLI_NUMBER, offsetof(rig_options, level_dbfs), "DBFS",
     "level of the loop's stimulus; else -20"},
    {"input-ohm", 0, CLI_NUMBER, offsetof(rig_options, input_ohm), "OHM", "impedance of the input, if known"},
    {"output-ohm", 0, CLI_NUMBER, offsetof(rig_options, output_ohm), "OHM",
     "source impedance of the output, if known"},
    {"load-ohm", 0, CLI_NUMBER, offsetof(rig_options, load_ohm), "OHM", "load resistors on the unit, if any"},
    {"max-age", 0, CLI_NUMBER, offsetof(rig_options, max_age_days), "DAYS", "how long it holds; else 180"},
    {"no-steps", 0, CLI_FLAG, offsetof(rig_options, no_steps), NULL,
     "no loud steps, no pairs of tones: maximum level and own IMD stay unknown"},
    {"yes", 'y', CLI_FLAG, offsetof(rig_options, yes), NULL, "ask nothing"},
};

/* ---- showing --------------------------------------------------------------------------------------- */

static void print_cells(const char *label, const char *left, const char *right, const char *unit)
{
  mt_layout_cell(stdout, 26, label);
  mt_layout_cell(stdout, -20, left);
  mt_layout_cell(stdout, -20, right);
  printf(" %s\n", unit);
}

/* "-98.12 +-0.04", "< -130.0" */
static void format_value(const mt_rig_value *v, double scale, bool at_least, mt_unit unit, char out[64])
{
  int decimals = mt_layout_decimals(unit, scale * v->uncertainty);
  char number[32], uncertainty[32];

  if (!v->known)
    snprintf(out, 64, "not known");
  else if (v->is_bound)
    snprintf(out, 64, "%c %.1f", at_least ? '>' : '<', scale * v->value);
  else
    snprintf(out, 64, "%s +-%s", mt_layout_value(scale * v->value, decimals, number),
             mt_layout_uncertainty(scale * v->uncertainty, decimals, uncertainty));
}

static void print_values(const char *label, const mt_rig_value *left, const mt_rig_value *right, double scale,
                         bool at_least, mt_unit unit)
{
  char a[64], b[64];

  if (!left->known && !right->known)
    return;
  format_value(left, scale, at_least, unit, a);
  format_value(right, scale, at_least, unit, b);
  print_cells(label, a, b, mt_unit_name(unit));
}

/* The same in dB re a volt. */
static mt_rig_value in_unit(const mt_rig_value *volts, mt_unit unit)
{
  mt_rig_value v = *volts;

  if (v.known && mt_unit_convert(volts->value, MT_UNIT_VOLT, unit, &v.value))
    v.uncertainty = 20.0 * log10(1.0 + volts->uncertainty / volts->value);
  return v;
}

static void print_full_scale(const char *label, const mt_rig_value *left, const mt_rig_value *right)
{
  static const mt_unit units[] = {MT_UNIT_DBV, MT_UNIT_DBU};

  if (!left->known && !right->known) {
    print_cells(label, "not known", "not known", "");
    return;
  }
  print_values(label, left, right, 1.0, false, MT_UNIT_VOLT);
  for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
    mt_rig_value a = in_unit(left, units[i]), b = in_unit(right, units[i]);
    print_values("  the same", &a, &b, 1.0, false, units[i]);
  }
}

static void print_response(const mt_rig *rig)
{
  static const double freqs_hz[] = {20.0, 20000.0};
  char cells[2][64];
  char label[40];

  for (size_t i = 0; i < sizeof freqs_hz / sizeof freqs_hz[0]; i++) {
    for (int c = 0; c < MT_RIG_CHANNELS; c++) {
      mt_rig_value v = {.known = false};
      v.known = mt_rig_response(rig, c, freqs_hz[i], &v.value, &v.uncertainty);
      format_value(&v, 1.0, false, MT_UNIT_DB, cells[c]);
    }
    snprintf(label, sizeof label, "response at %s", i == 0 ? "20 Hz" : "20 kHz");
    print_cells(label, cells[0], cells[1], "dB");
  }
}

static void print_loop(const mt_rig *rig)
{
  const mt_rig_channel *l = &rig->channel[0], *r = &rig->channel[1];

  print_values("loop gain", &l->gain_db, &r->gain_db, 1.0, false, MT_UNIT_DB);
  print_values("own noise", &l->noise_dbfs, &r->noise_dbfs, 1.0, false, MT_UNIT_DBFS);
  print_values("own noise, A", &l->noise_a_dbfs, &r->noise_a_dbfs, 1.0, false, MT_UNIT_DBFS);
  print_values("own hum", &l->hum_dbfs, &r->hum_dbfs, 1.0, false, MT_UNIT_DBFS);
  print_values("THD+N", &l->thd_n_db, &r->thd_n_db, 1.0, false, MT_UNIT_DB);
  print_values("THD", &l->thd_db, &r->thd_db, 1.0, false, MT_UNIT_DB);
  print_values("crosstalk", &l->crosstalk_db, &r->crosstalk_db, 1.0, false, MT_UNIT_DB);
  print_values("maximum level", &l->max_level_dbfs, &r->max_level_dbfs, 1.0, true, MT_UNIT_DBFS);
  print_values("latency", &l->latency_s, &r->latency_s, 1e3, false, MT_UNIT_MILLISECOND);
  print_response(rig);
}

static void print_age(const mt_rig *rig)
{
  double days = mt_rig_age_days(rig, time(NULL));

  printf("made    %.10s, meant for %g days%s\n", rig->made, rig->max_age_days,
         days > rig->max_age_days ? ": too old, make it anew" : "");
}

static void print_rig(const mt_rig *rig)
{
  char text[260];

  printf("rig     %s\n", rig->name);
  print_age(rig);
  snprintf(text, sizeof text, "%s: %s", rig->input.host_api, rig->input.device);
  mt_layout_wrap(stdout, "input   ", "        ", text);
  snprintf(text, sizeof text, "%s: %s", rig->output.host_api, rig->output.device);
  mt_layout_wrap(stdout, "output  ", "        ", text);
  printf("rate    %g Hz\n", rig->rate_hz);
  if (rig->input.ohm > 0.0 || rig->output.ohm > 0.0 || rig->load_ohm > 0.0)
    printf("ohm     input %g, output %g, load %g; 0: not known\n", rig->input.ohm, rig->output.ohm,
           rig->load_ohm);
  if (rig->channel[0].output_full_v.known || rig->channel[1].output_full_v.known)
    printf("meter   +-(%g %% + %g digits of %g V) at %g Hz, %g dBFS, %s\n", rig->meter.percent,
           rig->meter.digits, rig->meter.step_v, rig->tone_hz, rig->tone_dbfs,
           rig->was_loaded ? "across the loop" : "output open");
  fputc('\n', stdout);
  print_cells("", "left", "right", "");
  print_full_scale("input full scale", &rig->channel[0].input_full_v, &rig->channel[1].input_full_v);
  print_full_scale("output full scale", &rig->channel[0].output_full_v, &rig->channel[1].output_full_v);
  print_loop(rig);
  mt_layout_wrap(stdout, "", "",
                 "Uncertainties are expanded, k = 2. Full scale: volts rms of a sine at 0 dBFS.");
}

static mt_code show(const char *name, mt_error *err)
{
  mt_rig *rig = NULL;
  mt_code code = mt_rig_open(name, &rig, err);

  if (code == MT_OK)
    print_rig(rig);
  free(rig);
  return code;
}

/* A damaged one is named, and does not hide the others. */
static void print_line(const char *name)
{
  mt_rig *rig = NULL;
  mt_error err = {0};
  char text[320];
  double days;

  if (mt_rig_open(name, &rig, &err) != MT_OK) {
    snprintf(text, sizeof text, "cannot be used: %s", err.message);
  } else {
    days = mt_rig_age_days(rig, time(NULL));
    snprintf(text, sizeof text, "%.10s%s, %g Hz, %s: %s%s", rig->made,
             days > rig->max_age_days ? " (too old)" : "", rig->rate_hz, rig->input.host_api,
             rig->input.device, rig->channel[0].input_full_v.known ? "" : "; without volts");
  }
  free(rig);
  mt_layout_wrap(stdout, "", "", name);
  mt_layout_wrap(stdout, "  ", "  ", text);
}

static mt_code list(mt_error *err)
{
  char **names = NULL;
  size_t n = 0;
  mt_code code = mt_rig_list(&names, &n, err);

  for (size_t i = 0; i < n && code == MT_OK; i++)
    print_line(names[i]);
  if (code == MT_OK && n == 0)
    puts("There is no rig yet: mendtone rig NAME --calibrate makes one.");
  mt_rig_free_list(&names, n);
  return code;
}

static int run(int argc, char **argv)
{
  rig_options given = {.tone_hz = 80.0,
                       .tone_dbfs = -12.0,
                       .tone_s = 12.0,
                       .level_dbfs = (double)NAN,
                       .max_age_days = MT_RIG_MAX_AGE_DAYS};
  mt_error err = {0};
  char **operands;
  mt_code code;
  int status;

  if (!cli_parse(&cli_rig, argc, argv, &given, &operands, &status))
    return status;
  if (given.calibrate && operands[0] == NULL)
    return cli_refuse(&cli_rig, "the rig has no name; like mendtone rig bench-48 --calibrate");
  if (!given.calibrate && argc > 2)
    return cli_refuse(&cli_rig, "without --calibrate there is nothing to set");
  if (given.simulate != NULL && (given.input != NULL || given.output != NULL))
    return cli_refuse(&cli_rig, "--simulate needs no hardware; leave out --input and --output");
  if (operands[0] == NULL)
    code = list(&err);
  else {
    code = given.calibrate ? rig_make(operands[0], &given, &err) : MT_OK;
    if (code == MT_OK)
      code = show(operands[0], &err);
  }
  return code == MT_OK ? CLI_PASS : cli_fail(&cli_rig, &err);
}

const cli_command cli_rig = {
    .name = "rig",
    .summary = "calibrate in volts, measure the rig's own floor, show",
    .operands = "[NAME]",
    .max_operands = 1,
    .details = "Without NAME lists the rigs there are; with NAME shows that one; with NAME and --calibrate\n"
               "makes it, step by step: a low tone is played and a meter across the lead reads its volts,\n"
               "then the loop, output cabled to input, is measured for its own noise, distortion, crosstalk\n"
               "and response. check --rig NAME and analyse --rig NAME take it from there. The tone is low\n"
               "because hand-held meters are exact at 50 to 120 Hz only. In a script, give --reads and\n"
               "--meter: nothing is asked. Kept in $XDG_CONFIG_HOME/mendtone/rigs/NAME.cfg.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
