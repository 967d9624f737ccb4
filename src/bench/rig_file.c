/* A rig as a file: libconfig syntax, readable, one value a line with its uncertainty. */
#include <mendtone/rig.h>

#include "base/config.h"
#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define FORMAT "mendtone-rig"
#define FORMAT_VERSION 1
#define BOUND "bound"

/* A value of a channel: its key, where it goes, and what can be. */
typedef struct value_row {
  const char *key;
  size_t offset;
  double min;
  double max;
} value_row;

#define AT(member) offsetof(mt_rig_channel, member)
static const value_row calibration_rows[] = {
    {"meter_v", AT(meter_v), 1e-6, 1e4},
    {"input_full_scale_v", AT(input_full_v), 1e-6, 1e4},
    {"output_full_scale_v", AT(output_full_v), 1e-6, 1e4},
};
static const value_row loop_rows[] = {
    {"gain_db", AT(gain_db), -200.0, 200.0},
    {"level_dbfs", AT(level_dbfs), -300.0, 20.0},
    {"phase_difference_deg", AT(phase_difference_deg), -360.0, 360.0},
    {"noise_dbfs", AT(noise_dbfs), -400.0, 20.0},
    {"noise_a_dbfs", AT(noise_a_dbfs), -400.0, 20.0},
    {"noise_ccir_dbfs", AT(noise_ccir_dbfs), -400.0, 20.0},
    {"noise_468_dbfs", AT(noise_468_dbfs), -400.0, 40.0},
    {"hum_dbfs", AT(hum_dbfs), -400.0, 20.0},
    {"rest_dbfs", AT(rest_dbfs), -400.0, 20.0},
    {"thd_n_db", AT(thd_n_db), -400.0, 0.0},
    {"thd_db", AT(thd_db), -400.0, 40.0},
    {"harmonic_2_db", AT(harmonic_db[2]), -400.0, 40.0},
    {"harmonic_3_db", AT(harmonic_db[3]), -400.0, 40.0},
    {"harmonic_4_db", AT(harmonic_db[4]), -400.0, 40.0},
    {"harmonic_5_db", AT(harmonic_db[5]), -400.0, 40.0},
    {"harmonic_6_db", AT(harmonic_db[6]), -400.0, 40.0},
    {"harmonic_7_db", AT(harmonic_db[7]), -400.0, 40.0},
    {"harmonic_8_db", AT(harmonic_db[8]), -400.0, 40.0},
    {"harmonic_9_db", AT(harmonic_db[9]), -400.0, 40.0},
    {"harmonic_10_db", AT(harmonic_db[10]), -400.0, 40.0},
    {"imd_250_8000_order_2_db", AT(imd_db[0]), -400.0, 40.0},
    {"imd_250_8000_order_3_db", AT(imd_db[1]), -400.0, 40.0},
    {"imd_41_7993_order_2_db", AT(imd_db[2]), -400.0, 40.0},
    {"imd_41_7993_order_3_db", AT(imd_db[3]), -400.0, 40.0},
    {"imd_11000_11080_order_2_db", AT(imd_db[4]), -400.0, 40.0},
    {"imd_11000_11080_order_3_db", AT(imd_db[5]), -400.0, 40.0},
    {"imd_18k_20k_order_2_db", AT(imd_db[6]), -400.0, 40.0},
    {"imd_18k_20k_order_3_db", AT(imd_db[7]), -400.0, 40.0},
    {"imd_8000_11950_db", AT(imd_db[8]), -400.0, 40.0},
    {"crosstalk_db", AT(crosstalk_db), -400.0, 40.0},
    {"max_level_dbfs", AT(max_level_dbfs), -300.0, 20.0},
    {"latency_s", AT(latency_s), -10.0, 3600.0},
};
#undef AT
static const char *const side_names[MT_RIG_CHANNELS] = {"left", "right"};

static mt_rig_value *value_at(mt_rig_channel *channel, const value_row *row)
{
  return (mt_rig_value *)(void *)((char *)channel + row->offset);
}

/* ---- writing --------------------------------------------------------------------------------------- */

/* More digits than are known, and no more than can be read. */
#define DIGITS 10
#define DIGITS_UNCERTAINTY 4

/* With a point, so that a list of numbers looks alike throughout. */
static void print_digits(FILE *out, double value, int digits)
{
  char text[40];

  snprintf(text, sizeof text, "%.*g", digits, value);
  fprintf(out, "%s%s", text, strpbrk(text, ".e") == NULL ? ".0" : "");
}

static void print_number(FILE *out, double value)
{
  print_digits(out, value, DIGITS);
}

static void print_text(FILE *out, const char *key, const char *text)
{
  fprintf(out, "%s = \"", key);
  for (const unsigned char *p = (const unsigned char *)text; *p != '\0'; p++)
    if (*p == '"' || *p == '\\')
      fprintf(out, "\\%c", *p);
    else if (*p < 0x20 || *p == 0x7f)
      fprintf(out, "\\x%02x", *p);
    else
      fputc(*p, out);
  fputs("\";", out);
}

static void print_rows(FILE *out, const mt_rig_channel *channel, const value_row *rows, size_t nrows)
{
  for (size_t i = 0; i < nrows; i++) {
    const mt_rig_value *v = (const mt_rig_value *)(const void *)((const char *)channel + rows[i].offset);
    if (!v->known)
      continue;
    fprintf(out, "    %s = ( ", rows[i].key);
    print_number(out, v->value);
    fputs(", ", out);
    print_digits(out, v->uncertainty, DIGITS_UNCERTAINTY);
    fputs(v->is_bound ? ", \"" BOUND "\" );\n" : " );\n", out);
  }
}

static void print_points(FILE *out, const char *key, const double *points, size_t n, int digits)
{
  fprintf(out, "    %s = (", key);
  for (size_t i = 0; i < n; i++) {
    fputs(i % 8 == 0 ? "\n      " : " ", out);
    print_digits(out, points[i], digits);
    fputs(i + 1 < n ? "," : "", out);
  }
  fputs(" );\n", out);
}

static void print_side(FILE *out, const char *key, const mt_rig_side *side)
{
  fprintf(out, "%s = { ", key);
  print_text(out, "device", side->device);
  fputc(' ', out);
  print_text(out, "host_api", side->host_api);
  fputs(" ohm = ", out);
  print_number(out, side->ohm);
  fputs("; };\n", out);
}

static void print_calibration(FILE *out, const mt_rig *rig)
{
  fputs(
      "\n# From a meter's reading of the tone: volts rms of a sine at 0 dBFS.\ncalibration = {\n  tone_hz = ",
      out);
  print_number(out, rig->tone_hz);
  fputs(";\n  tone_dbfs = ", out);
  print_number(out, rig->tone_dbfs);
  fprintf(out, ";\n  loaded = %s;   # the input was connected while the meter was read\n",
          rig->was_loaded ? "true" : "false");
  fputs("  meter = { percent = ", out);
  print_number(out, rig->meter.percent);
  fputs("; digits = ", out);
  print_number(out, rig->meter.digits);
  fputs("; step_v = ", out);
  print_number(out, rig->meter.step_v);
  fputs("; };\n", out);
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    fprintf(out, "  %s = {\n", side_names[c]);
    print_rows(out, &rig->channel[c], calibration_rows, COUNT(calibration_rows));
    fputs("  };\n", out);
  }
  fputs("};\n", out);
}

static void print_loop(FILE *out, const mt_rig *rig)
{
  fputs("\n# Output cabled to input, read like a unit.\nloop = {\n  level_dbfs = ", out);
  print_number(out, rig->loop_level_dbfs);
  fputs(";\n", out);
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    const mt_rig_channel *channel = &rig->channel[c];
    fprintf(out, "  %s = {\n", side_names[c]);
    print_rows(out, channel, loop_rows, COUNT(loop_rows));
    if (channel->npoints > 0) {
      print_points(out, "freq_hz", channel->freq_hz, channel->npoints, DIGITS);
      print_points(out, "response_db", channel->response_db, channel->npoints, 8);
      print_points(out, "response_u_db", channel->uncertainty_db, channel->npoints, DIGITS_UNCERTAINTY);
    }
    fputs("  };\n", out);
  }
  fputs("};\n", out);
}

static bool are_finite(const double *x, size_t n)
{
  for (size_t i = 0; i < n; i++)
    if (!isfinite(x[i]))
      return false;
  return true;
}

static const char *find_not_finite(const mt_rig *rig)
{
  const double head[] = {rig->max_age_days,  rig->input.ohm,    rig->output.ohm,  rig->load_ohm,
                         rig->rate_hz,       rig->tone_hz,      rig->tone_dbfs,   rig->loop_level_dbfs,
                         rig->meter.percent, rig->meter.digits, rig->meter.step_v};

  if (!are_finite(head, COUNT(head)))
    return "a condition";
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    const mt_rig_channel *channel = &rig->channel[c];
    if (channel->npoints > MT_RIG_POINTS_MAX || !are_finite(channel->freq_hz, channel->npoints) ||
        !are_finite(channel->response_db, channel->npoints) ||
        !are_finite(channel->uncertainty_db, channel->npoints))
      return "the response";
    for (size_t i = 0; i < COUNT(calibration_rows) + COUNT(loop_rows); i++) {
      const value_row *row =
          i < COUNT(calibration_rows) ? &calibration_rows[i] : &loop_rows[i - COUNT(calibration_rows)];
      const mt_rig_value *v = (const mt_rig_value *)(const void *)((const char *)channel + row->offset);
      if (v->known && (!isfinite(v->value) || !isfinite(v->uncertainty)))
        return row->key;
    }
  }
  return NULL;
}

mt_code mt_rig_print(const mt_rig *rig, char **out, mt_error *err)
{
  const char *damaged = find_not_finite(rig);
  char *text = NULL;
  size_t size;
  FILE *file;
  bool ok;

  if (damaged != NULL)
    return mt_fail(err, MT_E_INTERNAL, "%s of the rig is not a number", damaged);
  file = open_memstream(&text, &size);
  if (file == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a rig");
  fputs("# A rig of mendtone. A pair is ( value, uncertainty ), expanded, k = 2; \"" BOUND
        "\": only a bound is known.\n"
        "# What is stated here may be corrected by hand; what was measured is better measured again.\n",
        file);
  print_text(file, "format", FORMAT);
  fprintf(file, "\nformat_version = %d;\n", FORMAT_VERSION);
  print_text(file, "name", rig->name);
  fputc('\n', file);
  print_text(file, "made", rig->made);
  fputs("\nmax_age_days = ", file);
  print_number(file, rig->max_age_days);
  fputs(";\n\n# Impedances in ohm; 0: not known.\n", file);
  print_side(file, "input", &rig->input);
  print_side(file, "output", &rig->output);
  fputs("load_ohm = ", file);
  print_number(file, rig->load_ohm);
  fputs(";   # on the unit's output; 0: none\nrate_hz = ", file);
  print_number(file, rig->rate_hz);
  fputs(";\n", file);
  print_calibration(file, rig);
  print_loop(file, rig);
  ok = !ferror(file);
  if (fclose(file) != 0 || !ok) {
    free(text);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a rig");
  }
  *out = text;
  return MT_OK;
}

/* ---- reading --------------------------------------------------------------------------------------- */

static mt_code read_value(mt_config_item group, const value_row *row, mt_rig_channel *channel, mt_error *err)
{
  mt_rig_value *out = value_at(channel, row);
  double value, uncertainty;
  mt_config_item list;
  const char *word = NULL;
  mt_code code;

  if (!mt_config_find(group, row->key, &list))
    return MT_OK;
  if (!mt_config_is_list(list) || mt_config_length(list) < 2 || mt_config_length(list) > 3)
    return mt_config_fail(list, err, "%s is not a pair; expected %s = ( value, uncertainty )", row->key,
                          row->key);
  if (mt_config_length(list) == 3)
    word = mt_config_text_value(mt_config_at(list, 2));
  if (mt_config_length(list) == 3 && (word == NULL || strcmp(word, BOUND) != 0))
    return mt_config_fail(list, err, "the third of %s is not \"" BOUND "\"", row->key);
  code = mt_config_number_at(list, 0, row->key, row->min, row->max, &value, err);
  if (code == MT_OK)
    code = mt_config_number_at(list, 1, row->key, 0.0, 1e4, &uncertainty, err);
  if (code == MT_OK)
    *out = (mt_rig_value){true, word != NULL, value, uncertainty};
  return code;
}

static mt_code read_points(mt_config_item group, const char *key, double min, double max, size_t want,
                           double *out, mt_error *err)
{
  mt_config_item list;
  mt_code code = MT_OK;

  if (!mt_config_find(group, key, &list))
    return mt_config_fail(group, err, "there is freq_hz without %s; expected both, as long", key);
  if (!mt_config_is_list(list) || mt_config_length(list) != want || want > MT_RIG_POINTS_MAX)
    return mt_config_fail(list, err, "%s is not a list as long as freq_hz (%zu, at most %d)", key, want,
                          MT_RIG_POINTS_MAX);
  for (size_t i = 0; i < want && code == MT_OK; i++)
    code = mt_config_number_at(list, i, key, min, max, &out[i], err);
  return code;
}

static mt_code read_response(mt_config_item group, mt_rig_channel *channel, mt_error *err)
{
  mt_config_item freqs;
  size_t n;
  mt_code code;

  if (!mt_config_find(group, "freq_hz", &freqs))
    return MT_OK;
  n = mt_config_is_list(freqs) ? mt_config_length(freqs) : MT_RIG_POINTS_MAX + 1;
  code = read_points(group, "freq_hz", 0.1, 1e6, n, channel->freq_hz, err);
  for (size_t i = 1; code == MT_OK && i < n; i++)
    if (channel->freq_hz[i] <= channel->freq_hz[i - 1])
      code = mt_config_fail(freqs, err, "freq_hz is not ascending: %g after %g", channel->freq_hz[i],
                            channel->freq_hz[i - 1]);
  if (code == MT_OK)
    code = read_points(group, "response_db", -300.0, 100.0, n, channel->response_db, err);
  if (code == MT_OK)
    code = read_points(group, "response_u_db", 0.0, 100.0, n, channel->uncertainty_db, err);
  if (code == MT_OK)
    channel->npoints = n;
  return code;
}

/* One side of a group, and its keys. */
static mt_code read_rows(mt_config_item parent, int side, const value_row *rows, size_t nrows,
                         bool with_response, mt_rig_channel *channel, mt_error *err)
{
  static const char *const curve_keys[] = {"freq_hz", "response_db", "response_u_db"};
  const char *keys[COUNT(loop_rows) + COUNT(curve_keys)];
  mt_config_item group;
  size_t nkeys = 0;
  mt_code code;

  if (!mt_config_find(parent, side_names[side], &group))
    return MT_OK;
  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "%s is not a group; expected %s = { ... }", side_names[side],
                          side_names[side]);
  for (size_t i = 0; i < nrows; i++)
    keys[nkeys++] = rows[i].key;
  for (size_t i = 0; with_response && i < COUNT(curve_keys); i++)
    keys[nkeys++] = curve_keys[i];
  code = mt_config_check_keys(group, keys, nkeys, err);
  for (size_t i = 0; i < nrows && code == MT_OK; i++)
    code = read_value(group, &rows[i], channel, err);
  return code == MT_OK && with_response ? read_response(group, channel, err) : code;
}

static mt_code read_meter(mt_config_item parent, mt_meter *meter, mt_error *err)
{
  static const char *const keys[] = {"percent", "digits", "step_v"};
  mt_config_item group;
  mt_code code;

  if (!mt_config_find(parent, "meter", &group))
    return MT_OK;
  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "meter is not a group; expected meter = { percent = 0.8; ... }");
  code = mt_config_check_keys(group, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_number(group, "percent", 0.0, 100.0, &meter->percent, err);
  if (code == MT_OK)
    code = mt_config_number(group, "digits", 0.0, 1000.0, &meter->digits, err);
  return code == MT_OK ? mt_config_number(group, "step_v", 0.0, 100.0, &meter->step_v, err) : code;
}

static mt_code find_group(mt_config_item root, const char *key, mt_config_item *out, mt_error *err)
{
  if (!mt_config_find(root, key, out))
    return mt_config_fail(root, err, "there is no %s; expected %s = { ... }", key, key);
  if (!mt_config_is_group(*out))
    return mt_config_fail(*out, err, "%s is not a group; expected %s = { ... }", key, key);
  return MT_OK;
}

static mt_code read_calibration(mt_config_item root, mt_rig *rig, mt_error *err)
{
  static const char *const keys[] = {"tone_hz", "tone_dbfs", "loaded", "meter", "left", "right"};
  mt_config_item group;
  mt_code code = find_group(root, "calibration", &group, err);

  if (code == MT_OK)
    code = mt_config_check_keys(group, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_number(group, "tone_hz", 1.0, 1e5, &rig->tone_hz, err);
  if (code == MT_OK)
    code = mt_config_number(group, "tone_dbfs", -120.0, 0.0, &rig->tone_dbfs, err);
  if (code == MT_OK)
    code = mt_config_bool(group, "loaded", &rig->was_loaded, err);
  if (code == MT_OK)
    code = read_meter(group, &rig->meter, err);
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++)
    code = read_rows(group, c, calibration_rows, COUNT(calibration_rows), false, &rig->channel[c], err);
  return code;
}

static mt_code read_loop(mt_config_item root, mt_rig *rig, mt_error *err)
{
  static const char *const keys[] = {"level_dbfs", "left", "right"};
  mt_config_item group;
  mt_code code = find_group(root, "loop", &group, err);

  if (code == MT_OK)
    code = mt_config_check_keys(group, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_number(group, "level_dbfs", -120.0, 0.0, &rig->loop_level_dbfs, err);
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++)
    code = read_rows(group, c, loop_rows, COUNT(loop_rows), true, &rig->channel[c], err);
  return code;
}

static mt_code read_side(mt_config_item root, const char *key, mt_rig_side *side, mt_error *err)
{
  static const char *const keys[] = {"device", "host_api", "ohm"};
  mt_config_item group;
  mt_code code = find_group(root, key, &group, err);

  if (code == MT_OK)
    code = mt_config_check_keys(group, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_text(group, "device", side->device, sizeof side->device, err);
  if (code == MT_OK)
    code = mt_config_text(group, "host_api", side->host_api, sizeof side->host_api, err);
  return code == MT_OK ? mt_config_number(group, "ohm", 0.0, 1e9, &side->ohm, err) : code;
}

/* The member if it is there, so that a message names its line, else the group. */
static mt_config_item at_key(mt_config_item group, const char *key)
{
  mt_config_item member;
  return mt_config_find(group, key, &member) ? member : group;
}

static mt_code check_format(mt_config_item root, mt_error *err)
{
  mt_config_item item;
  const char *format = mt_config_find(root, "format", &item) ? mt_config_text_value(item) : NULL;
  double version = FORMAT_VERSION;
  mt_code code;

  if (format == NULL || strcmp(format, FORMAT) != 0)
    return mt_config_fail(at_key(root, "format"), err,
                          "not a rig of mendtone; expected format = \"" FORMAT "\"");
  code = mt_config_number(root, "format_version", 1.0, 1e9, &version, err);
  if (code == MT_OK && version > FORMAT_VERSION)
    return mt_config_fail(at_key(root, "format_version"), err,
                          "format_version is %g, this mendtone reads up to %d; a newer one is needed",
                          version, FORMAT_VERSION);
  return code;
}

static mt_code read_made(mt_config_item root, mt_rig *rig, mt_error *err)
{
  mt_code code = mt_config_text(root, "made", rig->made, sizeof rig->made, err);

  if (code == MT_OK && !isfinite(mt_rig_age_days(rig, 0)))
    return mt_config_fail(at_key(root, "made"), err,
                          "made is \"%.24s\"; expected a date like 2026-03-14T15:09:26Z", rig->made);
  return code;
}

static mt_code read_rig(mt_config_item root, mt_rig *rig, mt_error *err)
{
  static const char *const keys[] = {"format",       "format_version", "name",   "made",
                                     "max_age_days", "input",          "output", "load_ohm",
                                     "rate_hz",      "calibration",    "loop"};
  mt_code code = check_format(root, err);

  if (code == MT_OK)
    code = mt_config_check_keys(root, keys, COUNT(keys), err);
  if (code == MT_OK)
    code = mt_config_text(root, "name", rig->name, sizeof rig->name, err);
  if (code == MT_OK)
    code = read_made(root, rig, err);
  if (code == MT_OK)
    code = mt_config_number(root, "max_age_days", 0.0, 1e6, &rig->max_age_days, err);
  if (code == MT_OK)
    code = read_side(root, "input", &rig->input, err);
  if (code == MT_OK)
    code = read_side(root, "output", &rig->output, err);
  if (code == MT_OK)
    code = mt_config_number(root, "load_ohm", 0.0, 1e9, &rig->load_ohm, err);
  if (code == MT_OK)
    code = mt_config_number(root, "rate_hz", MT_RATE_MIN_HZ, MT_RATE_MAX_HZ, &rig->rate_hz, err);
  if (code == MT_OK && rig->rate_hz == 0.0)
    code = mt_config_fail(root, err, "there is no rate_hz; expected rate_hz = 48000.0;");
  if (code == MT_OK)
    code = read_calibration(root, rig, err);
  return code == MT_OK ? read_loop(root, rig, err) : code;
}

static mt_code take_config(mt_config *config, mt_rig **out, mt_error *err)
{
  mt_rig *rig = NULL;
  mt_code code = mt_rig_create(&rig, err);

  if (code == MT_OK)
    code = read_rig(mt_config_root(config), rig, err);
  mt_config_close(&config);
  if (code == MT_OK)
    *out = rig;
  else
    free(rig);
  return code;
}

mt_code mt_rig_parse(const char *text, const char *file, mt_rig **out, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code = mt_config_parse(text, file, &config, err);

  return code == MT_OK ? take_config(config, out, err) : code;
}

/* "no rig "x"; there are: a, b" */
static mt_code refuse_unknown(const char *name, mt_error *err)
{
  char **names = NULL, list[120] = "";
  size_t n = 0, used = 0;

  if (mt_rig_list(&names, &n, NULL) == MT_OK)
    for (size_t i = 0; i < n && used + strlen(names[i]) + 8 < sizeof list; i++)
      used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", i > 0 ? ", " : "", names[i]);
  mt_fail(err, MT_E_NO_INPUT, "there is no rig \"%s\"; %s%s%s", name, n > 0 ? "there is: " : "none is stored",
          list, n > 0 ? "" : "; make one with mendtone rig NAME --calibrate");
  mt_rig_free_list(&names, n);
  return MT_E_NO_INPUT;
}

mt_code mt_rig_open_file(const char *path, mt_rig **out, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code = mt_config_open(path, &config, err);

  return code == MT_OK ? take_config(config, out, err) : code;
}

mt_code mt_rig_open(const char *name, mt_rig **out, mt_error *err)
{
  char path[4000];
  FILE *file;
  mt_code code = mt_rig_path(name, path, sizeof path, err);

  if (code != MT_OK)
    return code;
  file = fopen(path, "rb");
  if (file == NULL)
    return refuse_unknown(name, err);
  fclose(file);
  return mt_rig_open_file(path, out, err);
}
