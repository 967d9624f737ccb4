/* mendtone stimulus: what check plays, as a file. */
#include "cli/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

typedef struct options {
  const char *output;
  const char *plan;
  const char *state;
  const char *format;
  double rate_hz;
  double level_dbfs;
  const char *extras;
  double max_level_dbfs;
  double lead_in_s;
} options;

static const cli_option table[] = {
    {"output", 'o', CLI_TEXT, offsetof(options, output), "FILE",
     "the WAV or FLAC file to write, by its ending"},
    {"rate", 0, CLI_NUMBER, offsetof(options, rate_hz), "HZ", "sample rate; 48000 unless the plan says"},
    {"level", 0, CLI_NUMBER, offsetof(options, level_dbfs), "DBFS",
     "level of the tones; -20 unless the plan says"},
    {"plan", 0, CLI_TEXT, offsetof(options, plan), "FILE", "take rate, level and extras from this plan"},
    {"state", 0, CLI_TEXT, offsetof(options, state), "NAME", "only what that state of the plan needs"},
    {"extras", 0, CLI_TEXT, offsetof(options, extras), "LIST", "play also intermodulation,levels,crosstalk"},
    {"max-level", 0, CLI_NUMBER, offsetof(options, max_level_dbfs), "DBFS",
     "highest level of the extra levels; else --level"},
    {"format", 0, CLI_TEXT, offsetof(options, format), "KIND",
     "float, 24 or 16 (bits, dithered); else float, in FLAC 24"},
    {"lead-in", 0, CLI_NUMBER, offsetof(options, lead_in_s), "SECONDS",
     "a faint tone before it, to wake a radio link; 3, or 0 for none"},
};

static bool parse_format(const char *text, mt_sample_format *out)
{
  static const struct {
    const char *name;
    mt_sample_format format;
  } formats[] = {{"float", MT_SAMPLE_FLOAT}, {"24", MT_SAMPLE_PCM24}, {"16", MT_SAMPLE_PCM16}};

  for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++)
    if (strcmp(text, formats[i].name) == 0) {
      *out = formats[i].format;
      return true;
    }
  return false;
}

static mt_code lay_out(const options *given, mt_stimulus *out, mt_error *err)
{
  mt_session_options session = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_code code = cli_set_extras(given->extras, given->max_level_dbfs, &session, err);

  if (code == MT_OK)
    code = cli_open_plan(given->plan, &plan, err);

  if (code == MT_OK) {
    session.plan = plan;
    session.state = given->state;
    session.rate_hz = given->rate_hz;
    session.level_dbfs = given->level_dbfs;
    code = mt_session_stimulus(&session, out, err);
  }
  mt_plan_destroy(&plan);
  return code;
}

static mt_code write_stimulus(const mt_stimulus *stimulus, double lead_in_s, const char *path,
                              mt_sample_format format, mt_error *err)
{
  size_t before = (size_t)llround(lead_in_s * stimulus->rate_hz);
  size_t nframes = before + (size_t)ceil(stimulus->duration_s * stimulus->rate_hz);
  double first_s = -(double)before / stimulus->rate_hz;
  double *exact = calloc(nframes * MT_STIMULUS_CHANNELS + 1, sizeof *exact);
  float *frames = calloc(nframes * MT_STIMULUS_CHANNELS + 1, sizeof *frames);
  mt_code code;

  if (exact != NULL && frames != NULL) {
    mt_stimulus_render(stimulus, first_s, 1.0 / stimulus->rate_hz, nframes, exact);
    for (size_t i = 0; i < nframes * MT_STIMULUS_CHANNELS; i++)
      frames[i] = (float)(exact[i] + mt_stimulus_sample_lead_in(stimulus, lead_in_s,
                                                                first_s + (double)(i / MT_STIMULUS_CHANNELS) /
                                                                              stimulus->rate_hz));
    code = mt_audio_write_file(path, frames, nframes, MT_STIMULUS_CHANNELS, stimulus->rate_hz, format, err);
  } else
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a stimulus of %zu frames", nframes);
  free(exact);
  free(frames);
  return code;
}

static mt_code check_output(const options *given, mt_error *err)
{
  const char *const inputs[] = {given->plan};
  struct stat there;

  /* the finished file is renamed into place: that would replace a device or a pipe */
  if (strcmp(given->output, "-") == 0 || (stat(given->output, &there) == 0 && !S_ISREG(there.st_mode)))
    return mt_fail(err, MT_E_CREATE,
                   "%.150s: is not a plain file; expected the name of a WAV or FLAC file to write",
                   given->output);
  return cli_check_output(given->output, inputs, 1, err);
}

static int run(int argc, char **argv)
{
  options given = {.level_dbfs = (double)NAN, .max_level_dbfs = (double)NAN, .lead_in_s = MT_LEAD_IN_S};
  mt_sample_format format = MT_SAMPLE_FLOAT;
  mt_stimulus stimulus;
  mt_error err = {0};
  char **operands;
  char list[48];
  int status;

  if (!cli_parse(&cli_stimulus, argc, argv, &given, &operands, &status))
    return status;
  if (given.output == NULL)
    return cli_refuse(&cli_stimulus, "no file is named: mendtone stimulus -o S.wav");
  if (cli_is_misnamed(given.output, true)) /* a player goes by the ending: it would not play */
    return cli_refuse(&cli_stimulus, "-o %.80s: expected a name that ends in .wav or .flac", given.output);
  if (given.state != NULL && given.plan == NULL)
    return cli_refuse(&cli_stimulus, "--state is one of a plan's; name the plan with --plan");
  if (given.format == NULL)
    given.format = cli_is_flac(given.output) ? "24" : "float";
  if (!parse_format(given.format, &format))
    return cli_refuse(&cli_stimulus, "--format is \"%.20s\"; expected float, 24 or 16", given.format);
  if (!(given.lead_in_s >= 0.0 && given.lead_in_s <= MT_LEAD_IN_MAX_S))
    return cli_refuse(&cli_stimulus, "--lead-in is %g s; expected 0 to %g", given.lead_in_s,
                      MT_LEAD_IN_MAX_S);
  if (check_output(&given, &err) != MT_OK || lay_out(&given, &stimulus, &err) != MT_OK ||
      write_stimulus(&stimulus, given.lead_in_s, given.output, format, &err) != MT_OK)
    return cli_fail(&cli_stimulus, &err);
  printf("%s: %.2f s, %g Hz, 2 channels, tones at %g dBFS\n", given.output,
         given.lead_in_s + stimulus.duration_s, stimulus.rate_hz, stimulus.level_dbfs);
  printf("Play it into the unit and record what comes out, then:\n  mendtone analyse RECORDING --rate %.10g"
         " --level %.10g",
         stimulus.rate_hz, stimulus.level_dbfs);
  if (stimulus.extras != 0)
    printf(" --extras %s", mt_extras_text(stimulus.extras, list));
  if (stimulus.max_level_dbfs > stimulus.level_dbfs)
    printf(" --max-level %.10g", stimulus.max_level_dbfs);
  if (given.plan != NULL)
    printf(" --plan %s", given.plan);
  if (given.state != NULL)
    printf(" --state \"%s\"", given.state);
  printf(
      "\nor, to listen while it plays, the same with  check --from-player  in place of  analyse RECORDING\n");
  return CLI_PASS;
}

const cli_command cli_stimulus = {
    .name = "stimulus",
    .summary = "write what check plays to a file, for a phone or a player",
    .operands = "",
    .details = "Writes a WAV or FLAC file to be played into the unit by anything that plays files, with its\n"
               "effects off; what comes out is recorded by anything that records and read\n"
               "with mendtone analyse, or listened to by mendtone check --from-player.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
