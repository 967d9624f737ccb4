/* results.json, both ways. The only file that includes jansson. */
#include <mendtone/report.h>

#include "base/file.h"
#include "base/text.h"
#include "report/layout.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* jansson drops a key without a word when its value is NULL, as json_real(NAN) is: everything goes
   through the put_ functions, which remember the first failure. */
typedef struct writer {
  mt_code code;
  mt_error *err;
} writer;

static const char *const problem_names[MT_PROBLEM_LAST] = {
    [MT_PROBLEM_DRIVER] = "driver",         [MT_PROBLEM_LOST] = "lost",
    [MT_PROBLEM_DROPOUT] = "dropout",       [MT_PROBLEM_CLIPPED] = "clipped",
    [MT_PROBLEM_UNSTEADY] = "unsteady",     [MT_PROBLEM_SILENT_INPUT] = "silent_input",
    [MT_PROBLEM_LOSSY_PATH] = "lossy_path", [MT_PROBLEM_SHARED] = "shared",
    [MT_PROBLEM_SCALED] = "scaled",         [MT_PROBLEM_RESAMPLED] = "resampled",
    [MT_PROBLEM_UNCHECKED] = "unchecked"};

/* ---- writing ---------------------------------------------------------------------------------- */

static void put(writer *w, json_t *object, const char *key, json_t *value)
{
  if (json_object_set_new(object, key, value) != 0 && w->code == MT_OK)
    w->code = mt_fail(w->err, MT_E_MEMORY, "out of memory for \"%s\" of the results", key);
}

static json_t *text_value(const char *text)
{
  char *valid = malloc(3 * strlen(text) + 1);
  json_t *value = NULL;

  if (valid != NULL) {
    mt_layout_repair(valid, text);
    value = json_string(valid);
  }
  free(valid);
  return value;
}

static void put_text(writer *w, json_t *object, const char *key, const char *text)
{
  put(w, object, key, text_value(text));
}

static void put_text_or_null(writer *w, json_t *object, const char *key, const char *text)
{
  put(w, object, key, text[0] != '\0' ? text_value(text) : json_null());
}

static void put_number(writer *w, json_t *object, const char *key, double value)
{
  if (isfinite(value))
    put(w, object, key, json_real(value));
  else if (w->code == MT_OK)
    w->code = mt_fail(w->err, MT_E_INTERNAL, "\"%s\" of the results is not a number", key);
}

static void put_channel(writer *w, json_t *object, mt_channel channel)
{
  char name[8];
  if (channel >= MT_CHANNEL_ANY && channel < MT_CHANNELS_MAX)
    put(w, object, "channel", json_string(mt_channel_name(channel, name)));
  else if (w->code == MT_OK)
    w->code = mt_fail(w->err, MT_E_INTERNAL, "a channel of the results is %d", channel);
}

static void put_verdict(writer *w, json_t *object, mt_verdict verdict)
{
  put(w, object, "verdict", verdict == MT_VERDICT_NONE ? json_null() : json_string(mt_verdict_name(verdict)));
}

/* What a calibrated rig makes of a level. */
static void put_volts(writer *w, json_t *object, const mt_reading *r)
{
  double volts = 0.0, dbu = 0.0;

  mt_unit_convert(r->dbv, MT_UNIT_DBV, MT_UNIT_VOLT, &volts);
  mt_unit_convert(r->dbv, MT_UNIT_DBV, MT_UNIT_DBU, &dbu);
  put_number(w, object, "volt", volts);
  put_number(w, object, "dbv", r->dbv);
  put_number(w, object, "dbu", dbu);
  put_number(w, object, "dbv_uncertainty", r->dbv_uncertainty);
}

/* What is on the outputs: ohms, "open", or nothing where it was not said. */
static void put_load(writer *w, json_t *object, double ohm)
{
  if (isinf(ohm))
    put_text(w, object, "load_ohm", "open");
  else if (ohm > 0.0)
    put_number(w, object, "load_ohm", ohm);
}

static void put_rig(writer *w, json_t *root, const mt_rig_note *note)
{
  static const char *const sides[] = {"left", "right"};
  json_t *rig = json_object(), *floor, *warnings;

  put(w, root, "rig", rig);
  put_text(w, rig, "name", note->name);
  put_text(w, rig, "made", note->made);
  put(w, rig, "volts_known", json_boolean(note->has_volts));
  put(w, rig, "loop_applied", json_boolean(note->loop_applied));
  put(w, rig, "recorded_by_unit", json_boolean(note->recorded_by_unit));
  put(w, rig, "limited_readings", json_integer((json_int_t)note->nlimited));
  if (note->has_played_dbv)
    put_number(w, rig, "played_dbv", note->played_dbv);
  if (note->input_ohm > 0.0)
    put_number(w, rig, "input_ohm", note->input_ohm);
  floor = json_object();
  put(w, rig, "noise_dbfs", floor);
  for (int c = 0; c < 2; c++)
    if (note->has_floor[c])
      put_number(w, floor, sides[c], note->noise_dbfs[c]);
  warnings = json_array();
  put(w, rig, "warnings", warnings);
  for (size_t i = 0; i < note->nwarnings; i++)
    if (json_array_append_new(warnings, text_value(note->warnings[i])) != 0 && w->code == MT_OK)
      w->code = mt_fail(w->err, MT_E_MEMORY, "out of memory for the results");
}

/* A value of a quantity: a number, or the word or sign that stands for it. */
static void put_value(writer *w, json_t *object, const char *key, mt_quantity quantity, double value)
{
  bool is_route = quantity == MT_Q_ROUTE;

  if (is_route && value >= MT_ROUTE_NONE && value <= MT_ROUTE_BOTH && value == floor(value))
    put(w, object, key, json_string(mt_route_name((mt_route)(int)value)));
  else if (quantity == MT_Q_POLARITY && fabs(value) == 1.0)
    put(w, object, key, json_integer(value > 0.0 ? 1 : -1));
  else if (is_route || quantity == MT_Q_POLARITY) {
    if (w->code == MT_OK)
      w->code = mt_fail(w->err, MT_E_INTERNAL, "\"%s\" of %s is %g", key,
                        mt_quantity_describe(quantity)->name, value);
  } else
    put_number(w, object, key, value);
}

static json_t *new_object(writer *w, json_t *array)
{
  json_t *object = json_object();
  if (json_array_append_new(array, object) != 0 && w->code == MT_OK)
    w->code = mt_fail(w->err, MT_E_MEMORY, "out of memory for the results");
  return object;
}

static json_t *new_array(writer *w, json_t *root, const char *key)
{
  json_t *array = json_array();
  put(w, root, key, array);
  return array;
}

/* @param state  NULL: all of them. */
static void put_problem_list(writer *w, json_t *take, const char *key, const mt_problem *list, size_t n,
                             const char *state)
{
  json_t *problems = new_array(w, take, key);

  for (size_t i = 0; i < n; i++) {
    const mt_problem *p = &list[i];
    json_t *object;
    if (state != NULL && strcmp(p->state, state) != 0)
      continue;
    object = new_object(w, problems);
    put(w, object, "kind", json_string((size_t)p->kind < MT_PROBLEM_LAST ? problem_names[p->kind] : NULL));
    put_channel(w, object, p->channel);
    put_number(w, object, "begin_s", p->begin_s);
    put_number(w, object, "end_s", p->end_s);
    put_text(w, object, "text", p->text);
    if (p->while_captured)
      put(w, object, "while_captured", json_true());
  }
}

static void put_problems(writer *w, json_t *take, const mt_results *r, const char *state)
{
  put_problem_list(w, take, "problems", r->problems, r->nproblems, state);
  for (size_t i = 0; i < r->nretakes; i++)
    if (state == NULL || strcmp(r->retakes[i].state, state) == 0) {
      put_problem_list(w, take, "retakes", r->retakes, r->nretakes, state);
      return;
    }
}

static void put_clock_offset(writer *w, json_t *take, bool is_known, double offset_ppm)
{
  if (is_known)
    put_number(w, take, "clock_offset_ppm", offset_ppm);
  else
    put(w, take, "clock_offset_ppm", json_null());
}

static void put_extras(writer *w, json_t *object, unsigned extras)
{
  json_t *array = extras != 0 ? new_array(w, object, "extras") : NULL;

  for (unsigned i = 0; i < MT_EXTRAS_COUNT; i++)
    if ((extras & 1u << i) != 0 && json_array_append_new(array, json_string(mt_extra_name(i))) != 0 &&
        w->code == MT_OK)
      w->code = mt_fail(w->err, MT_E_MEMORY, "out of memory for the results");
}

/* The first one that was made. */
static const char *state_of_take(const mt_results *r)
{
  for (size_t i = 0; i < r->ntakes; i++)
    if (!r->takes[i].skipped)
      return r->takes[i].state;
  return NULL;
}

static void put_take(writer *w, json_t *root, const mt_results *r)
{
  json_t *take = json_object();

  put(w, root, "take", take);
  put_text_or_null(w, take, "file", r->file);
  put_number(w, take, "rate_hz", r->rate_hz);
  put(w, take, "channels", json_integer((json_int_t)r->nchannels));
  put(w, take, "frames", json_integer((json_int_t)r->nframes));
  put(w, take, "valid", json_boolean(r->valid));
  put_problems(w, take, r, state_of_take(r));
  if (r->not_kept[0] != '\0')
    put_text(w, take, "not_kept", r->not_kept);
  if (r->nruns > 0) {
    put(w, take, "runs", json_integer((json_int_t)r->nruns));
    put(w, take, "run_follows", json_boolean(r->is_followed));
    put_number(w, take, "run_begin_s", r->run_begin_s);
  }
  put_clock_offset(w, take, r->has_clock_offset, r->clock_offset_ppm);
}

/* One of several takes: the unit in one state. */
static void put_summary(writer *w, json_t *object, const mt_results *r, const mt_take_summary *t)
{
  put_text(w, object, "state", t->state);
  put(w, object, "skipped", json_boolean(t->skipped));
  if (t->skipped)
    return;
  put_text_or_null(w, object, "file", t->file);
  put(w, object, "frames", json_integer((json_int_t)t->nframes));
  put(w, object, "valid", json_boolean(t->valid));
  put_load(w, object, t->load_ohm);
  put_text(w, object, "parts", mt_parts_name(t->parts));
  put_extras(w, object, t->extras);
  put_problems(w, object, r, t->state);
  put_clock_offset(w, object, t->has_clock_offset, t->clock_offset_ppm);
}

static void put_reading(writer *w, json_t *object, const mt_reading *r)
{
  const mt_quantity_info *info = mt_quantity_describe(r->quantity);
  bool has_value = r->validity == MT_VALID || r->validity == MT_RIG_LIMITED;

  put_text(w, object, "quantity", info->name);
  put_channel(w, object, r->channel);
  put_text(w, object, "segment", r->segment);
  put_text(w, object, "state", r->state);
  if (r->freq_hz != 0.0)
    put_number(w, object, "freq_hz", r->freq_hz);
  if (r->order != 0)
    put(w, object, "order", json_integer(r->order));
  if (r->mains_hz != 0.0)
    put_number(w, object, "mains_hz", r->mains_hz);
  put_load(w, object, r->load_ohm);
  if (r->sway_ohm > 0.0)
    put_number(w, object, "ohm_per_0.01_db", r->sway_ohm);
  if (r->definition[0] != '\0')
    put_text(w, object, "definition", r->definition);
  if (has_value)
    put_value(w, object, "value", r->quantity, r->value);
  else
    put(w, object, "value", json_null());
  put_text(w, object, "unit", mt_unit_name(info->unit));
  if (has_value)
    put_number(w, object, "uncertainty", r->uncertainty);
  else
    put(w, object, "uncertainty", json_null());
  if (has_value && r->has_dbv)
    put_volts(w, object, r);
  put_text(w, object, "validity", mt_validity_name(r->validity));
  if (r->validity != MT_VALID)
    put_text(w, object, "why", r->why);
  put_verdict(w, object, r->verdict);
}

static void put_points(writer *w, json_t *object, const char *key, const double *points, size_t n)
{
  json_t *array = new_array(w, object, key);
  for (size_t i = 0; i < n && w->code == MT_OK; i++)
    if (json_array_append_new(array, json_real(points[i])) != 0)
      w->code = mt_fail(w->err, isfinite(points[i]) ? MT_E_MEMORY : MT_E_INTERNAL,
                        "point %zu of \"%s\" of a curve is %g", i, key, points[i]);
}

static void put_curve(writer *w, json_t *object, const mt_curve *c)
{
  const mt_quantity_info *info = mt_quantity_describe(c->quantity);
  size_t n = c->validity == MT_VALID || c->validity == MT_RIG_LIMITED ? c->npoints : 0;

  put_text(w, object, "quantity", info->name);
  put_channel(w, object, c->channel);
  put_text(w, object, "segment", c->segment);
  put_text(w, object, "state", c->state);
  put_text(w, object, "x_unit", mt_unit_name(mt_curve_x_unit(c)));
  put_text(w, object, "y_unit", mt_unit_name(info->unit));
  if (c->bandwidth_hz != 0.0)
    put_number(w, object, "bandwidth_hz", c->bandwidth_hz);
  if (c->has_reference) {
    put_number(w, object, "reference_db", c->reference_db);
    put_number(w, object, "reference_uncertainty_db", c->reference_uncertainty_db);
  }
  put_text(w, object, "validity", mt_validity_name(c->validity));
  if (c->validity != MT_VALID)
    put_text(w, object, "why", c->why);
  put_points(w, object, "x", c->x, n);
  put_points(w, object, "y", c->y, n);
  put_points(w, object, "uncertainty", c->uncertainty, n);
  if (c->floor != NULL)
    put_points(w, object, "floor", c->floor, n);
}

static void put_finding(writer *w, json_t *object, const mt_finding *f)
{
  json_t *evidence;

  put_text(w, object, "id", f->id);
  put_channel(w, object, f->channel);
  put_text(w, object, "text", f->text);
  evidence = new_array(w, object, "evidence");
  for (size_t i = 0; i < f->nevidence && i < sizeof f->evidence / sizeof f->evidence[0]; i++)
    if (json_array_append_new(evidence, text_value(f->evidence[i])) != 0 && w->code == MT_OK)
      w->code = mt_fail(w->err, MT_E_MEMORY, "out of memory for the evidence of a finding");
}

static void put_bound(writer *w, json_t *object, const char *key, mt_quantity quantity, double value)
{
  if (isinf(value))
    put(w, object, key, json_null());
  else
    put_value(w, object, key, quantity, value);
}

static void put_judgement(writer *w, json_t *object, const mt_judgement *j)
{
  put_text(w, object, "quantity", mt_quantity_describe(j->quantity)->name);
  put_channel(w, object, j->channel);
  put_text(w, object, "segment", j->segment);
  put_text(w, object, "state", j->state);
  if (j->order != 0)
    put(w, object, "order", json_integer(j->order));
  if (j->has_value)
    put_value(w, object, "value", j->quantity, j->value);
  else
    put(w, object, "value", json_null());
  put_text(w, object, "unit", mt_unit_name(j->unit));
  if (j->has_value) {
    put_number(w, object, "uncertainty", j->uncertainty);
    put_text(w, object, "uncertainty_unit",
             mt_unit_name(j->unit == MT_UNIT_PERCENT || j->unit == MT_UNIT_VOLT ? MT_UNIT_DB : j->unit));
  } else
    put(w, object, "uncertainty", json_null());
  put_bound(w, object, "min", j->quantity, j->min);
  put_bound(w, object, "max", j->quantity, j->max);
  if (j->at_hz != 0.0)
    put_number(w, object, "at_hz", j->at_hz);
  else
    put(w, object, "at_hz", json_null());
  if (j->from_hz != 0.0)
    put_number(w, object, "from_hz", j->from_hz);
  if (j->to_hz != 0.0)
    put_number(w, object, "to_hz", j->to_hz);
  put(w, object, "implied", json_boolean(j->implied));
  if (j->relative)
    put(w, object, "relative", json_true());
  put_verdict(w, object, j->verdict);
  put_text(w, object, "text", j->text);
}

static void put_change(writer *w, json_t *object, const mt_change *c)
{
  const mt_quantity_info *info = mt_quantity_describe(c->quantity);
  bool is_word = c->quantity == MT_Q_ROUTE || c->quantity == MT_Q_POLARITY;

  put_text(w, object, "quantity", info->name);
  put_channel(w, object, c->channel);
  put_text(w, object, "segment", c->segment);
  put_text(w, object, "state", c->state);
  put_text(w, object, "compared_with", c->reference);
  if (c->order != 0)
    put(w, object, "order", json_integer(c->order));
  put_value(w, object, "value", c->quantity, c->value);
  put_value(w, object, "reference_value", c->quantity, c->reference_value);
  put_text(w, object, "unit", mt_unit_name(info->unit));
  if (!is_word) {
    put_number(w, object, "difference", c->difference);
    put_number(w, object, "uncertainty", c->uncertainty);
  }
  put(w, object, "at_least", json_boolean(c->at_least));
  put(w, object, "significant", json_boolean(c->significant));
}

static void put_answer(writer *w, json_t *object, const mt_answer *a)
{
  put_text(w, object, "ask", a->ask);
  put(w, object, "answered", json_boolean(a->answered));
  if (a->is_number) {
    put_text(w, object, "unit", a->unit);
    if (a->answered)
      put_number(w, object, "answer", a->value);
    else
      put(w, object, "answer", json_null());
    put_number(w, object, "uncertainty", a->uncertainty);
    put_bound(w, object, "min", MT_Q_LEVEL, a->min);
    put_bound(w, object, "max", MT_Q_LEVEL, a->max);
  } else {
    put(w, object, "answer", a->answered ? json_string(a->yes ? "yes" : "no") : json_null());
    put(w, object, "expect", a->expect != 0 ? json_string(a->expect > 0 ? "yes" : "no") : json_null());
  }
  put_verdict(w, object, a->verdict);
  put_text(w, object, "text", a->text);
}

static void put_several(writer *w, json_t *root, const mt_results *r)
{
  json_t *array = r->ntakes > 0 ? new_array(w, root, "takes") : NULL;

  for (size_t i = 0; i < r->ntakes; i++)
    put_summary(w, new_object(w, array), r, &r->takes[i]);
  array = r->nchanges > 0 ? new_array(w, root, "changes") : NULL;
  for (size_t i = 0; i < r->nchanges; i++)
    put_change(w, new_object(w, array), &r->changes[i]);
  array = r->nanswers > 0 ? new_array(w, root, "by_hand") : NULL;
  for (size_t i = 0; i < r->nanswers; i++)
    put_answer(w, new_object(w, array), &r->answers[i]);
}

static void put_results(writer *w, json_t *root, const mt_results *r)
{
  json_t *array = NULL;

  put_text(w, root, "format", MT_RESULTS_FORMAT);
  put(w, root, "format_version", json_integer(MT_RESULTS_FORMAT_VERSION));
  put_text(w, root, "tool_version", r->tool_version[0] != '\0' ? r->tool_version : MT_VERSION);
  put_text_or_null(w, root, "unit", r->unit_name);
  put_text_or_null(w, root, "plan", r->plan_name);
  put_load(w, root, r->load_ohm);
  put_take(w, root, r);
  if (r->rig.name[0] != '\0')
    put_rig(w, root, &r->rig);
  if (r->is_stimulus) {
    json_t *stimulus = json_object();
    put(w, root, "stimulus", stimulus);
    put_number(w, stimulus, "level_dbfs", r->stimulus_level_dbfs);
    put_extras(w, stimulus, r->stimulus_extras);
    if (r->stimulus_parts != MT_PARTS_ALL)
      put_text(w, stimulus, "parts", mt_parts_name(r->stimulus_parts));
  }
  array = new_array(w, root, "readings");
  for (size_t i = 0; i < r->nreadings; i++)
    put_reading(w, new_object(w, array), &r->readings[i]);
  array = new_array(w, root, "curves");
  for (size_t i = 0; i < r->ncurves; i++)
    put_curve(w, new_object(w, array), &r->curves[i]);
  array = new_array(w, root, "findings");
  for (size_t i = 0; i < r->nfindings; i++)
    put_finding(w, new_object(w, array), &r->findings[i]);
  array = new_array(w, root, "judgements");
  for (size_t i = 0; i < r->njudgements; i++)
    put_judgement(w, new_object(w, array), &r->judgements[i]);
  put_several(w, root, r);
  put_verdict(w, root, r->verdict);
}

/* One member a line, and of an array of records one record a line: to be read, searched and compared. */
static int dump_lines(const json_t *root, FILE *out)
{
  const size_t flags = JSON_COMPACT | JSON_ENCODE_ANY;
  const char *key;
  const char *separator = "{";
  json_t *value;
  int failed = 0;

  json_object_foreach((json_t *)root, key, value)
  {
    fprintf(out, "%s\"%s\":", separator, key);
    separator = ",\n ";
    if (!json_is_array(value)) {
      failed |= json_dumpf(value, out, flags);
      continue;
    }
    fputc('[', out);
    for (size_t i = 0; i < json_array_size(value); i++) {
      fputs(i > 0 ? ",\n  " : "\n  ", out);
      failed |= json_dumpf(json_array_get(value, i), out, flags);
    }
    fputc(']', out);
  }
  fputs("}\n", out);
  return failed;
}

mt_code mt_report_json(const mt_results *results, char **out, mt_error *err)
{
  writer w = {MT_OK, err};
  json_t *root = json_object();
  char *text = NULL;
  size_t size;
  FILE *file;

  put_results(&w, root, results);
  file = w.code == MT_OK ? open_memstream(&text, &size) : NULL;
  if (file != NULL) {
    int failed = dump_lines(root, file);
    failed |= ferror(file);
    failed |= fclose(file);
    if (failed == 0)
      *out = text;
    else {
      free(text);
      w.code = mt_fail(err, MT_E_MEMORY, "out of memory for the results as JSON");
    }
  } else if (w.code == MT_OK)
    w.code = mt_fail(err, MT_E_MEMORY, "out of memory for the results as JSON");
  json_decref(root);
  return w.code;
}

mt_code mt_report_json_quote(const char *text, char **out, mt_error *err)
{
  json_t *value = text_value(text);
  char *quoted = value != NULL ? json_dumps(value, JSON_ENCODE_ANY) : NULL;

  json_decref(value);
  if (quoted == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a text as JSON");
  *out = quoted;
  return MT_OK;
}

/* Into what must not be replaced by a file of that name: stdout, a pipe, a device. */
static mt_code write_stream(FILE *file, const char *name, const char *text, mt_error *err)
{
  errno = 0;
  if (fputs(text, file) == EOF || fflush(file) != 0)
    return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", name, strerror(errno != 0 ? errno : EIO));
  return MT_OK;
}

mt_code mt_report_write_text(const char *text, const char *path, mt_error *err)
{
  struct stat there;

  if (strcmp(path, "-") == 0)
    return write_stream(stdout, "standard output", text, err);
  if (stat(path, &there) == 0 && S_ISDIR(there.st_mode))
    return mt_fail(err, MT_E_CREATE, "%.150s: is a folder; expected the name of a file to write", path);
  if (stat(path, &there) == 0 && !S_ISREG(there.st_mode)) {
    FILE *file = fopen(path, "wb");
    mt_code code;
    if (file == NULL)
      return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
    code = write_stream(file, path, text, err);
    fclose(file);
    return code;
  }
  return mt_file_write(path, text, strlen(text), err);
}

mt_code mt_report_write_json(const mt_results *results, const char *path, mt_error *err)
{
  char *text = NULL;
  mt_code code = mt_report_json(results, &text, err);

  if (code == MT_OK)
    code = mt_report_write_text(text, path, err);
  free(text);
  return code;
}

/* ---- reading ---------------------------------------------------------------------------------- */

/* Where in the file we are, for messages; the first failure is kept. */
typedef struct reader {
  const char *path;
  const char *part; /* "take", "readings"... */
  size_t index;     /* of the record in its array */
  mt_code code;
  mt_error *err;
} reader;

static bool refuse(reader *r, const char *key, const char *expected)
{
  if (r->code == MT_OK)
    r->code = mt_fail(r->err, MT_E_DATA, "%.100s: damaged results: \"%s\" of \"%s\" (record %zu) is not %s",
                      r->path, key, r->part, r->index + 1, expected);
  return false;
}

static bool get_number(reader *r, const json_t *object, const char *key, double min, double max, double *out)
{
  const json_t *value = json_object_get(object, key);
  double number = json_number_value(value);

  if (!json_is_number(value) || !isfinite(number) || number < min || number > max)
    return refuse(r, key, "a number in its range");
  *out = number;
  return true;
}

static bool get_number_if(reader *r, const json_t *object, const char *key, double min, double max,
                          double *out)
{
  const json_t *value = json_object_get(object, key);
  return value == NULL || json_is_null(value) || get_number(r, object, key, min, max, out);
}

static bool get_text(reader *r, const json_t *object, const char *key, char *out, size_t size)
{
  const json_t *value = json_object_get(object, key);

  if (value == NULL || json_is_null(value)) {
    out[0] = '\0';
    return true;
  }
  if (!json_is_string(value))
    return refuse(r, key, "text");
  mt_text_copy(out, size, json_string_value(value));
  return true;
}

static bool get_bool(reader *r, const json_t *object, const char *key, bool *out)
{
  const json_t *value = json_object_get(object, key);
  if (!json_is_boolean(value))
    return refuse(r, key, "true or false");
  *out = json_is_true(value);
  return true;
}

/* The index of a word among `n` names, or -1 after a refusal. */
static int get_word(reader *r, const json_t *object, const char *key, int n, const char *(*name)(int))
{
  const char *word = json_string_value(json_object_get(object, key));
  for (int i = 0; word != NULL && i < n; i++)
    if (strcmp(word, name(i)) == 0)
      return i;
  refuse(r, key, "one of its known words");
  return -1;
}

static const char *validity_name(int i)
{
  return mt_validity_name((mt_validity)i);
}

static const char *verdict_name(int i)
{
  return mt_verdict_name((mt_verdict)i);
}

static const char *route_name(int i)
{
  return mt_route_name((mt_route)i);
}

static const char *problem_name(int i)
{
  return problem_names[i];
}

static bool get_validity(reader *r, const json_t *object, mt_validity *out)
{
  int word = get_word(r, object, "validity", MT_NOT_MEASURED + 1, validity_name);
  if (word >= 0)
    *out = (mt_validity)word;
  return word >= 0;
}

static bool get_verdict(reader *r, const json_t *object, mt_verdict *out)
{
  const json_t *value = json_object_get(object, "verdict");
  int word;

  *out = MT_VERDICT_NONE;
  if (value == NULL || json_is_null(value))
    return true;
  word = get_word(r, object, "verdict", MT_VERDICT_FAIL + 1, verdict_name);
  if (word >= 0)
    *out = (mt_verdict)word;
  return word >= 0;
}

static bool get_channel(reader *r, const json_t *object, mt_channel *out)
{
  const char *word = json_string_value(json_object_get(object, "channel"));
  char name[8];

  for (mt_channel c = MT_CHANNEL_ANY; word != NULL && c < MT_CHANNELS_MAX; c++)
    if (strcmp(word, mt_channel_name(c, name)) == 0) {
      *out = c;
      return true;
    }
  return refuse(r, "channel", "left, right, both or ch3 ...");
}

static bool get_value(reader *r, const json_t *object, const char *key, mt_quantity quantity, double *out)
{
  if (quantity == MT_Q_ROUTE) {
    int word = get_word(r, object, key, MT_ROUTE_BOTH + 1, route_name);
    *out = word;
    return word >= 0;
  }
  if (!get_number(r, object, key, -HUGE_VAL, HUGE_VAL, out))
    return false;
  return quantity != MT_Q_POLARITY || fabs(*out) == 1.0 || refuse(r, key, "+1 or -1");
}

/* A record of a quantity this version does not know, or in a unit it does not read, is passed over. */
static bool is_known(reader *r, const json_t *object, const char *unit_key, mt_quantity *quantity,
                     mt_unit *unit)
{
  const char *name = json_string_value(json_object_get(object, "quantity"));
  const char *unit_text = json_string_value(json_object_get(object, unit_key));

  if (!json_is_object(object) || name == NULL)
    return refuse(r, "quantity", "text");
  if (unit_text == NULL)
    return refuse(r, unit_key, "text");
  return mt_quantity_parse(name, quantity) && mt_unit_parse(unit_text, unit);
}

/* Whether it is one. */
static bool get_problem(reader *r, const json_t *object, mt_problem *out)
{
  mt_problem p = {0};
  int kind;

  if (!get_channel(r, object, &p.channel) || !get_text(r, object, "text", p.text, sizeof p.text) ||
      !get_number(r, object, "begin_s", -HUGE_VAL, HUGE_VAL, &p.begin_s) ||
      !get_number(r, object, "end_s", -HUGE_VAL, HUGE_VAL, &p.end_s))
    return false;
  kind = get_word(r, object, "kind", MT_PROBLEM_LAST, problem_name);
  if (kind < 0)
    return false;
  p.kind = (mt_problem_kind)kind;
  p.while_captured = json_is_true(json_object_get(object, "while_captured"));
  *out = p;
  return true;
}

static void read_problem(reader *r, const json_t *object, mt_results *results)
{
  mt_problem p;

  if (get_problem(r, object, &p))
    r->code = mt_results_add_problem(results, &p, r->err);
}

static void read_retake(reader *r, const json_t *object, mt_results *results)
{
  mt_problem p;

  if (get_problem(r, object, &p))
    r->code = mt_results_add_retake(results, &p, r->err);
}

/* One that this version does not know is passed over: its readings are too. */
static bool get_extras(reader *r, const json_t *object, unsigned *out)
{
  const json_t *array = json_object_get(object, "extras");

  if (array != NULL && !json_is_array(array))
    return refuse(r, "extras", "an array of text");
  for (size_t i = 0; i < json_array_size(array); i++) {
    const char *name = json_string_value(json_array_get(array, i));
    unsigned bit = 0;
    if (name == NULL)
      return refuse(r, "extras", "an array of text");
    if (mt_extra_parse(name, &bit))
      *out |= bit;
  }
  return true;
}

/* Absent or not known: whatever there is was read. */
static bool get_parts(reader *r, const json_t *object, mt_parts *out)
{
  const json_t *value = json_object_get(object, "parts");

  if (value != NULL && !json_is_string(value))
    return refuse(r, "parts", "text");
  if (value != NULL)
    mt_parts_parse(json_string_value(value), out);
  return true;
}

static bool get_load(reader *r, const json_t *object, double *out)
{
  const char *word = json_string_value(json_object_get(object, "load_ohm"));

  if (word == NULL)
    return get_number_if(r, object, "load_ohm", 0.0, 1e9, out);
  if (strcmp(word, "open") != 0)
    return refuse(r, "load_ohm", "a number or \"open\"");
  *out = HUGE_VAL;
  return true;
}

static void read_reading(reader *r, const json_t *object, mt_results *results)
{
  mt_reading m = {0};
  mt_unit unit;
  double order = 0.0;

  if (!is_known(r, object, "unit", &m.quantity, &unit) || unit != mt_quantity_describe(m.quantity)->unit)
    return;
  if (!get_channel(r, object, &m.channel) || !get_text(r, object, "segment", m.segment, sizeof m.segment) ||
      !get_text(r, object, "state", m.state, sizeof m.state) ||
      !get_text(r, object, "why", m.why, sizeof m.why) ||
      !get_text(r, object, "definition", m.definition, sizeof m.definition) ||
      !get_validity(r, object, &m.validity) || !get_verdict(r, object, &m.verdict) ||
      !get_number_if(r, object, "freq_hz", 0.0, 1e9, &m.freq_hz) ||
      !get_number_if(r, object, "order", 0.0, 1000.0, &order) ||
      !get_number_if(r, object, "mains_hz", 0.0, 1e3, &m.mains_hz) || !get_load(r, object, &m.load_ohm) ||
      !get_number_if(r, object, "ohm_per_0.01_db", 0.0, 1e9, &m.sway_ohm))
    return;
  m.order = (int)order;
  m.has_dbv = json_object_get(object, "dbv") != NULL;
  if (m.has_dbv && (!get_number(r, object, "dbv", -HUGE_VAL, HUGE_VAL, &m.dbv) ||
                    !get_number(r, object, "dbv_uncertainty", 0.0, HUGE_VAL, &m.dbv_uncertainty)))
    return;
  if ((m.validity == MT_VALID || m.validity == MT_RIG_LIMITED) &&
      (!get_value(r, object, "value", m.quantity, &m.value) ||
       !get_number(r, object, "uncertainty", 0.0, HUGE_VAL, &m.uncertainty)))
    return;
  r->code = mt_results_add_reading(results, &m, r->err);
}

/* Absent in files of a stage that knew hertz only. @return false for a unit this version does not read. */
static bool get_x_unit(const json_t *object, mt_unit *out)
{
  const json_t *value = json_object_get(object, "x_unit");

  *out = MT_UNIT_HZ;
  if (value == NULL)
    return true;
  return json_is_string(value) && mt_unit_parse(json_string_value(value), out) &&
         (*out == MT_UNIT_HZ || *out == MT_UNIT_DBFS || *out == MT_UNIT_SECOND || *out == MT_UNIT_DB);
}

static bool get_points(reader *r, const json_t *object, const char *key, size_t n, double *out)
{
  const json_t *array = json_object_get(object, key);

  if (!json_is_array(array) || json_array_size(array) != n)
    return refuse(r, key, "an array as long as \"x\"");
  for (size_t i = 0; i < n; i++) {
    const json_t *value = json_array_get(array, i);
    out[i] = json_number_value(value);
    if (!json_is_number(value) || !isfinite(out[i]))
      return refuse(r, key, "an array of numbers");
  }
  return true;
}

static bool is_ascending(const double *x, size_t n)
{
  for (size_t i = 1; i < n; i++)
    if (!(x[i] > x[i - 1]))
      return false;
  return true;
}

static void read_curve(reader *r, const json_t *object, mt_results *results)
{
  mt_curve c = {0};
  mt_unit unit;
  double *points;

  if (!is_known(r, object, "y_unit", &c.quantity, &unit) || unit != mt_quantity_describe(c.quantity)->unit ||
      !get_x_unit(object, &c.x_unit))
    return;
  /* files of a stage that writes no validity hold only what is valid */
  if (json_object_get(object, "validity") != NULL && !get_validity(r, object, &c.validity))
    return;
  if (!get_channel(r, object, &c.channel) || !get_text(r, object, "segment", c.segment, sizeof c.segment) ||
      !get_text(r, object, "state", c.state, sizeof c.state) ||
      !get_text(r, object, "why", c.why, sizeof c.why) ||
      !get_number_if(r, object, "bandwidth_hz", 0.0, 1e6, &c.bandwidth_hz) ||
      !get_number_if(r, object, "reference_db", -1e6, 1e6, &c.reference_db) ||
      !get_number_if(r, object, "reference_uncertainty_db", 0.0, 1e6, &c.reference_uncertainty_db))
    return;
  c.has_reference = json_object_get(object, "reference_db") != NULL;
  c.npoints = json_array_size(json_object_get(object, "x"));
  points = calloc(4 * c.npoints + 1, sizeof *points);
  if (points == NULL) {
    r->code = mt_fail(r->err, MT_E_MEMORY, "out of memory for a curve of %zu points", c.npoints);
    return;
  }
  c.x = points;
  c.y = points + c.npoints;
  c.uncertainty = points + 2 * c.npoints;
  c.floor = json_object_get(object, "floor") != NULL ? points + 3 * c.npoints : NULL;
  if (get_points(r, object, "x", c.npoints, c.x) && get_points(r, object, "y", c.npoints, c.y) &&
      get_points(r, object, "uncertainty", c.npoints, c.uncertainty) &&
      (c.floor == NULL || get_points(r, object, "floor", c.npoints, c.floor))) {
    if (is_ascending(c.x, c.npoints))
      r->code = mt_results_add_curve(results, &c, r->err);
    else
      refuse(r, "x", "ascending");
  }
  free(points);
}

static void read_finding(reader *r, const json_t *object, mt_results *results)
{
  mt_finding f = {0};
  const json_t *evidence = json_object_get(object, "evidence");

  if (!get_channel(r, object, &f.channel) || !get_text(r, object, "id", f.id, sizeof f.id) ||
      !get_text(r, object, "text", f.text, sizeof f.text))
    return;
  for (size_t i = 0; i < json_array_size(evidence) && i < sizeof f.evidence / sizeof f.evidence[0]; i++) {
    const char *text = json_string_value(json_array_get(evidence, i));
    if (text == NULL) {
      refuse(r, "evidence", "an array of texts");
      return;
    }
    mt_text_copy(f.evidence[f.nevidence++], sizeof f.evidence[0], text);
  }
  r->code = mt_results_add_finding(results, &f, r->err);
}

static bool get_bound(reader *r, const json_t *object, const char *key, mt_quantity quantity, double none,
                      double *out)
{
  const json_t *value = json_object_get(object, key);

  *out = none;
  return value == NULL || json_is_null(value) || get_value(r, object, key, quantity, out);
}

static void read_judgement(reader *r, const json_t *object, mt_results *results)
{
  mt_judgement j = {0};
  const json_t *value = json_object_get(object, "value");
  double order = 0.0;

  if (!is_known(r, object, "unit", &j.quantity, &j.unit))
    return;
  if (!get_channel(r, object, &j.channel) || !get_text(r, object, "segment", j.segment, sizeof j.segment) ||
      !get_text(r, object, "state", j.state, sizeof j.state) ||
      !get_text(r, object, "text", j.text, sizeof j.text) ||
      !get_number_if(r, object, "order", 0.0, 1000.0, &order) ||
      !get_number_if(r, object, "at_hz", 0.0, 1e9, &j.at_hz) ||
      !get_number_if(r, object, "from_hz", 0.0, 1e9, &j.from_hz) ||
      !get_number_if(r, object, "to_hz", 0.0, 1e9, &j.to_hz) || !get_verdict(r, object, &j.verdict) ||
      !get_bool(r, object, "implied", &j.implied) ||
      !get_bound(r, object, "min", j.quantity, -HUGE_VAL, &j.min) ||
      !get_bound(r, object, "max", j.quantity, HUGE_VAL, &j.max))
    return;
  j.order = (int)order;
  j.relative = json_is_true(json_object_get(object, "relative"));
  j.has_value = value != NULL && !json_is_null(value);
  if (j.has_value && (!get_value(r, object, "value", j.quantity, &j.value) ||
                      !get_number(r, object, "uncertainty", 0.0, HUGE_VAL, &j.uncertainty)))
    return;
  r->code = mt_results_add_judgement(results, &j, r->err);
}

typedef void (*read_record)(reader *r, const json_t *object, mt_results *results);

static void read_array(reader *r, const json_t *parent, const char *key, bool must, read_record read,
                       mt_results *results)
{
  const json_t *array = json_object_get(parent, key);

  r->part = key;
  r->index = 0;
  if (array == NULL && !must)
    return;
  if (!json_is_array(array))
    refuse(r, key, "an array");
  for (; r->code == MT_OK && r->index < json_array_size(array); r->index++)
    read(r, json_array_get(array, r->index), results);
}

static void read_take(reader *r, const json_t *root, mt_results *results)
{
  const json_t *take = json_object_get(root, "take");
  const json_t *stimulus = json_object_get(root, "stimulus");
  const json_t *offset = json_object_get(take, "clock_offset_ppm");
  double channels = 0.0, frames = 0.0, runs = 0.0;

  r->part = "take";
  if (!json_is_object(take)) {
    refuse(r, "take", "an object");
    return;
  }
  results->has_clock_offset = offset != NULL && !json_is_null(offset);
  results->is_stimulus = json_is_object(stimulus);
  if (!get_text(r, take, "file", results->file, sizeof results->file) ||
      !get_number(r, take, "rate_hz", 0.0, 1e9, &results->rate_hz) ||
      !get_number(r, take, "channels", 0.0, MT_CHANNELS_MAX, &channels) ||
      !get_number(r, take, "frames", 0.0, 9007199254740992.0, &frames) ||
      !get_bool(r, take, "valid", &results->valid) ||
      !get_number_if(r, take, "clock_offset_ppm", -1e6, 1e6, &results->clock_offset_ppm) ||
      !get_number_if(r, take, "runs", 0.0, 1e6, &runs) ||
      !get_number_if(r, take, "run_begin_s", -1e9, 1e9, &results->run_begin_s) ||
      (results->is_stimulus &&
       !get_number(r, stimulus, "level_dbfs", -1e3, 1e3, &results->stimulus_level_dbfs)))
    return;
  results->nruns = (unsigned)runs;
  results->is_followed = json_is_true(json_object_get(take, "run_follows"));
  results->nchannels = (unsigned)channels;
  results->nframes = (size_t)frames;
  if (results->is_stimulus && (!get_extras(r, stimulus, &results->stimulus_extras) ||
                               !get_parts(r, stimulus, &results->stimulus_parts)))
    return;
  /* of several takes each has its own, the first one, too */
  if (json_object_get(root, "takes") == NULL) {
    read_array(r, take, "problems", false, read_problem, results);
    if (r->code == MT_OK)
      read_array(r, take, "retakes", false, read_retake, results);
  }
  if (r->code == MT_OK && json_object_get(take, "not_kept") != NULL)
    get_text(r, take, "not_kept", results->not_kept, sizeof results->not_kept);
}

static void read_summary(reader *r, const json_t *object, mt_results *results)
{
  const json_t *offset = json_object_get(object, "clock_offset_ppm");
  const size_t index = r->index, nproblems = results->nproblems, nretakes = results->nretakes;
  mt_take_summary t = {0};
  double frames = 0.0;

  if (!get_text(r, object, "state", t.state, sizeof t.state) || !get_bool(r, object, "skipped", &t.skipped))
    return;
  t.has_clock_offset = offset != NULL && !json_is_null(offset);
  if (!t.skipped && (!get_text(r, object, "file", t.file, sizeof t.file) || !get_parts(r, object, &t.parts) ||
                     !get_load(r, object, &t.load_ohm) || !get_extras(r, object, &t.extras) ||
                     !get_bool(r, object, "valid", &t.valid) ||
                     !get_number(r, object, "frames", 0.0, 9007199254740992.0, &frames) ||
                     !get_number_if(r, object, "clock_offset_ppm", -1e6, 1e6, &t.clock_offset_ppm)))
    return;
  t.nframes = (size_t)frames;
  r->code = mt_results_add_take(results, &t, r->err);
  if (r->code == MT_OK)
    read_array(r, object, "problems", false, read_problem, results);
  for (size_t i = nproblems; i < results->nproblems; i++)
    mt_text_copy(results->problems[i].state, sizeof results->problems[i].state, t.state);
  if (r->code == MT_OK)
    read_array(r, object, "retakes", false, read_retake, results);
  for (size_t i = nretakes; i < results->nretakes; i++)
    mt_text_copy(results->retakes[i].state, sizeof results->retakes[i].state, t.state);
  r->part = "takes";
  r->index = index;
}

static void read_change(reader *r, const json_t *object, mt_results *results)
{
  mt_change c = {0};
  mt_unit unit;
  double order = 0.0;

  if (!is_known(r, object, "unit", &c.quantity, &unit) || unit != mt_quantity_describe(c.quantity)->unit)
    return;
  if (!get_channel(r, object, &c.channel) || !get_text(r, object, "segment", c.segment, sizeof c.segment) ||
      !get_text(r, object, "state", c.state, sizeof c.state) ||
      !get_text(r, object, "compared_with", c.reference, sizeof c.reference) ||
      !get_number_if(r, object, "order", 0.0, 1000.0, &order) ||
      !get_value(r, object, "value", c.quantity, &c.value) ||
      !get_value(r, object, "reference_value", c.quantity, &c.reference_value) ||
      !get_number_if(r, object, "difference", -HUGE_VAL, HUGE_VAL, &c.difference) ||
      !get_number_if(r, object, "uncertainty", 0.0, HUGE_VAL, &c.uncertainty) ||
      !get_bool(r, object, "at_least", &c.at_least) || !get_bool(r, object, "significant", &c.significant))
    return;
  c.order = (int)order;
  r->code = mt_results_add_change(results, &c, r->err);
}

/* "yes" or "no", or nothing. */
static bool get_yes(reader *r, const json_t *object, const char *key, int *out)
{
  const json_t *value = json_object_get(object, key);
  const char *word = json_string_value(value);

  *out = 0;
  if (value == NULL || json_is_null(value))
    return true;
  if (word == NULL || (strcmp(word, "yes") != 0 && strcmp(word, "no") != 0))
    return refuse(r, key, "yes or no");
  *out = strcmp(word, "yes") == 0 ? 1 : -1;
  return true;
}

static void read_answer(reader *r, const json_t *object, mt_results *results)
{
  mt_answer a = {.min = -HUGE_VAL, .max = HUGE_VAL};
  int yes = 0;

  if (!json_is_object(object)) {
    refuse(r, "ask", "text");
    return;
  }
  a.is_number = json_object_get(object, "unit") != NULL;
  if (!get_text(r, object, "ask", a.ask, sizeof a.ask) ||
      !get_text(r, object, "unit", a.unit, sizeof a.unit) ||
      !get_text(r, object, "text", a.text, sizeof a.text) || !get_bool(r, object, "answered", &a.answered) ||
      !get_verdict(r, object, &a.verdict) ||
      (a.is_number && (!get_bound(r, object, "min", MT_Q_LEVEL, -HUGE_VAL, &a.min) ||
                       !get_bound(r, object, "max", MT_Q_LEVEL, HUGE_VAL, &a.max) ||
                       !get_number_if(r, object, "uncertainty", 0.0, HUGE_VAL, &a.uncertainty))) ||
      (a.is_number && a.answered && !get_number(r, object, "answer", -HUGE_VAL, HUGE_VAL, &a.value)) ||
      (!a.is_number && (!get_yes(r, object, "answer", &yes) || !get_yes(r, object, "expect", &a.expect))))
    return;
  a.yes = yes > 0;
  r->code = mt_results_add_answer(results, &a, r->err);
}

/* Absent where no rig was named. */
static void read_rig(reader *r, const json_t *root, mt_results *results)
{
  static const char *const sides[] = {"left", "right"};
  const json_t *rig = json_object_get(root, "rig"), *floor, *warnings;
  mt_rig_note *note = &results->rig;
  double nlimited = 0.0;

  r->part = "rig";
  if (rig == NULL)
    return;
  floor = json_object_get(rig, "noise_dbfs");
  warnings = json_object_get(rig, "warnings");
  if (!json_is_object(rig)) {
    refuse(r, "rig", "an object");
    return;
  }
  note->has_played_dbv = json_object_get(rig, "played_dbv") != NULL;
  if (!get_text(r, rig, "name", note->name, sizeof note->name) ||
      !get_text(r, rig, "made", note->made, sizeof note->made) ||
      !get_bool(r, rig, "volts_known", &note->has_volts) ||
      !get_bool(r, rig, "loop_applied", &note->loop_applied) ||
      !get_bool(r, rig, "recorded_by_unit", &note->recorded_by_unit) ||
      !get_number_if(r, rig, "limited_readings", 0.0, 1e6, &nlimited) ||
      !get_number_if(r, rig, "played_dbv", -1e3, 1e3, &note->played_dbv) ||
      !get_number_if(r, rig, "input_ohm", 0.0, 1e12, &note->input_ohm))
    return;
  note->nlimited = (size_t)nlimited;
  for (int c = 0; c < 2; c++) {
    note->has_floor[c] = json_object_get(floor, sides[c]) != NULL;
    if (note->has_floor[c] && !get_number(r, floor, sides[c], -1e3, 1e3, &note->noise_dbfs[c]))
      return;
  }
  for (size_t i = 0; i < json_array_size(warnings) && i < sizeof note->warnings / sizeof note->warnings[0];
       i++) {
    const char *text = json_string_value(json_array_get(warnings, i));
    if (text != NULL)
      mt_text_copy(note->warnings[note->nwarnings++], sizeof note->warnings[0], text);
  }
}

static void check_format(reader *r, const json_t *root)
{
  const char *format = json_string_value(json_object_get(root, "format"));
  double version = 0.0;

  if (format == NULL || strcmp(format, MT_RESULTS_FORMAT) != 0) {
    r->code =
        mt_fail(r->err, MT_E_DATA,
                "%.150s: not results of mendtone: expected \"format\": \"" MT_RESULTS_FORMAT "\"", r->path);
    return;
  }
  r->part = "format";
  if (get_number(r, root, "format_version", 1.0, 1e9, &version) && version > MT_RESULTS_FORMAT_VERSION)
    r->code = mt_fail(r->err, MT_E_DATA,
                      "%.150s: format_version is %g, this mendtone reads up to %d; a newer one is needed",
                      r->path, version, MT_RESULTS_FORMAT_VERSION);
}

static void read_root(reader *r, const json_t *root, mt_results *results)
{
  check_format(r, root);
  if (r->code != MT_OK)
    return;
  r->part = "results";
  if (!get_text(r, root, "unit", results->unit_name, sizeof results->unit_name) ||
      !get_text(r, root, "plan", results->plan_name, sizeof results->plan_name) ||
      !get_text(r, root, "tool_version", results->tool_version, sizeof results->tool_version) ||
      !get_load(r, root, &results->load_ohm) || !get_verdict(r, root, &results->verdict))
    return;
  read_take(r, root, results);
  if (r->code == MT_OK)
    read_rig(r, root, results);
  if (r->code == MT_OK)
    read_array(r, root, "readings", true, read_reading, results);
  if (r->code == MT_OK)
    read_array(r, root, "curves", false, read_curve, results);
  if (r->code == MT_OK)
    read_array(r, root, "findings", false, read_finding, results);
  if (r->code == MT_OK)
    read_array(r, root, "judgements", false, read_judgement, results);
  if (r->code == MT_OK)
    read_array(r, root, "takes", false, read_summary, results);
  if (r->code == MT_OK)
    read_array(r, root, "changes", false, read_change, results);
  if (r->code == MT_OK)
    read_array(r, root, "by_hand", false, read_answer, results);
}

static mt_code load(const char *path, json_t **out, mt_error *err)
{
  FILE *file = fopen(path, "rb");
  json_error_t why;

  if (file == NULL)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", path, strerror(errno));
  /* a folder opens, and only fails to be read */
  if (fgetc(file) == EOF && ferror(file)) {
    mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", path, strerror(errno));
    fclose(file);
    return MT_E_NO_INPUT;
  }
  if (feof(file)) {
    fclose(file);
    return mt_fail(err, MT_E_DATA, "%.150s: is empty; expected a results file of mendtone", path);
  }
  rewind(file);
  /* integers as reals: one beyond 64 bits is then only a number out of range */
  *out = json_loadf(file, JSON_REJECT_DUPLICATES | JSON_DECODE_INT_AS_REAL, &why);
  fclose(file);
  if (*out == NULL)
    return mt_fail(err, MT_E_DATA, "%.100s:%d: not JSON: %.100s; expected a results file of mendtone", path,
                   why.line, why.text);
  return MT_OK;
}

mt_code mt_report_read_json(const char *path, mt_results **out, mt_error *err)
{
  reader r = {path, "", 0, MT_OK, err};
  mt_results *results = NULL;
  json_t *root = NULL;

  r.code = load(path, &root, err);
  if (r.code == MT_OK)
    r.code = mt_results_create(&results, err);
  if (r.code == MT_OK)
    read_root(&r, root, results);
  json_decref(root);
  if (r.code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return r.code;
}
