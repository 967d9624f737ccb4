/* mendtone devices: what there is to play and capture with, and which of it to trust. */
#include "cli/cli.h"

#include "report/layout.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct options {
  const char *json;
} options;

static const cli_option table[] = {
    {"json", 0, CLI_TEXT, offsetof(options, json), "FILE", "write the list as JSON; - is standard output"},
};

static void print_device(const mt_device *d)
{
  char line[300];
  int n = snprintf(line, sizeof line, "%s, %u in, %u out", d->host_api, d->max_inputs, d->max_outputs);

  for (size_t i = 0; i < sizeof d->rates_hz / sizeof d->rates_hz[0] && d->rates_hz[i] > 0.0; i++)
    n += snprintf(line + n, sizeof line - (size_t)n, "%s%g", i == 0 ? ", " : " ", d->rates_hz[i] / 1e3);
  if (d->rates_hz[0] > 0.0)
    n += snprintf(line + n, sizeof line - (size_t)n, " kHz");
  snprintf(line + n, sizeof line - (size_t)n, "%s%s", d->is_default_input ? ", default input" : "",
           d->is_default_output ? ", default output" : "");
  mt_layout_wrap(stdout, "", "  ", d->name);
  mt_layout_wrap(stdout, "  ", "  ", line);
  mt_layout_wrap(stdout, "  ", "  ", d->advice);
}

static bool put_text(FILE *out, const char *key, const char *text)
{
  mt_error err;
  char *quoted = NULL;

  if (mt_report_json_quote(text, &quoted, &err) != MT_OK)
    return false;
  fprintf(out, "\"%s\":%s,", key, quoted);
  free(quoted);
  return true;
}

static const char *word(bool value)
{
  return value ? "true" : "false";
}

static bool put_device(FILE *out, const mt_device *d)
{
  bool ok = true;

  fputs("\n  {", out);
  ok = put_text(out, "name", d->name) && put_text(out, "host_api", d->host_api);
  fprintf(out, "\"inputs\":%u,\"outputs\":%u,\"default_rate_hz\":%.17g,\"rates_hz\":[", d->max_inputs,
          d->max_outputs, d->default_rate_hz);
  for (size_t i = 0; i < sizeof d->rates_hz / sizeof d->rates_hz[0] && d->rates_hz[i] > 0.0; i++)
    fprintf(out, "%s%.17g", i > 0 ? "," : "", d->rates_hz[i]);
  fputs("],", out);
  ok = ok && put_text(out, "advice", d->advice);
  fprintf(out, "\"mixer\":%s,\"default_input\":%s,\"default_output\":%s}", word(d->is_mixer),
          word(d->is_default_input), word(d->is_default_output));
  return ok;
}

static mt_code write_json(const mt_device *devices, size_t n, const char *path, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *out = open_memstream(&text, &size);
  bool ok = out != NULL;
  mt_code code;

  if (out != NULL) {
    fputs("{\"format\":\"mendtone-devices\",\n \"format_version\":1,\n \"tool_version\":\"" MT_VERSION
          "\",\n \"devices\":[",
          out);
    for (size_t i = 0; ok && i < n; i++) {
      fputs(i > 0 ? "," : "", out);
      ok = put_device(out, &devices[i]);
    }
    fputs("]}\n", out);
    ok = fclose(out) == 0 && ok;
  }
  code = ok ? mt_report_write_text(text, path, err)
            : mt_fail(err, MT_E_MEMORY, "out of memory for the list of devices");
  free(text);
  return code;
}

static mt_code list_devices(const options *given, mt_error *err)
{
  mt_device *devices = NULL;
  size_t n = 0;
  mt_code code = cli_check_output(given->json, NULL, 0, err);

  if (code == MT_OK)
    code = mt_audio_list_devices(&devices, &n, err);
  if (code == MT_OK && given->json != NULL)
    code = write_json(devices, n, given->json, err);
  if (code == MT_OK && (given->json == NULL || strcmp(given->json, "-") != 0))
    for (size_t i = 0; i < n; i++)
      print_device(&devices[i]);
  if (code == MT_OK && n == 0)
    code = mt_fail(err, MT_E_DEVICE,
                   "there is no sound device; plug one in, and see whether other programs find it");
  free(devices);
  return code;
}

static int run(int argc, char **argv)
{
  options given = {0};
  mt_error err = {0};
  char **operands;
  int status;

  if (!cli_parse(&cli_devices, argc, argv, &given, &operands, &status))
    return status;
  return list_devices(&given, &err) == MT_OK ? CLI_PASS : cli_fail(&cli_devices, &err);
}

const cli_command cli_devices = {
    .name = "devices",
    .summary = "sound devices and rates, and which to trust",
    .operands = "",
    .details = "Lists what can play and capture just now. --input and --output of mendtone check take a\n"
               "name from this list, or as much of it as no other device has.",
    .options = table,
    .noptions = sizeof table / sizeof table[0],
    .run = run,
};
