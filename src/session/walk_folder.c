/* Where a walk is kept: take-STATE.wav and take-STATE.json, the plan as used, and notes in walk.cfg. */
#include "session/walk.h"

#include <mendtone/job.h>
#include <mendtone/report.h>

#include "base/config.h"
#include "base/file.h"
#include "base/text.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define NOTES "walk.cfg"
#define PLAN "plan-as-used.plan"

/* ---- names ---------------------------------------------------------------------------------------------- */

static char *join(const char *folder, const char *name, const char *ending)
{
  size_t size = strlen(folder) + strlen(name) + strlen(ending) + 2;
  char *path = malloc(size);

  if (path != NULL)
    snprintf(path, size, "%s/%s%s", folder, name, ending);
  return path;
}

char *mt_walk_folder_name(const mt_walk_state *state, const char *ending)
{
  size_t size = strlen(state->stem) + strlen(ending) + 1;
  char *path = malloc(size);

  if (path != NULL)
    snprintf(path, size, "%s%s", state->stem, ending);
  return path;
}

/* take-STATE, as a job's stage calls it, without its ending. */
static mt_code name_files(mt_walk *walk, mt_error *err)
{
  for (size_t i = 0; i < walk->options.plan->nstates; i++) {
    char name[128];
    mt_job_take_name(walk->options.plan->states[i].name, name);
    name[strlen(name) - strlen(".wav")] = '\0';
    walk->states[i].stem = join(walk->folder, name, "");
    if (walk->states[i].stem == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  }
  return MT_OK;
}

/* ---- notes ---------------------------------------------------------------------------------------------- */

/* What must be the same for takes to belong together. */
static void describe_options(const mt_session_options *options, char *out, size_t size)
{
  char extras[48];

  snprintf(out, size, "rate %.10g, level %.10g, extras %s, maximum level %.10g, %s%s \"%.100s\"%s%.100s%s",
           options->rate_hz, options->level_dbfs,
           options->has_extras ? mt_extras_text(options->extras, extras) : "as planned",
           options->max_level_dbfs, options->listens ? "from a player, " : "",
           options->simulate != NULL ? "simulated unit" : "input",
           options->simulate != NULL ? options->simulate
           : options->input != NULL  ? options->input
                                     : "",
           options->simulate == NULL ? ", output \"" : "",
           options->simulate == NULL && options->output != NULL ? options->output : "",
           options->simulate == NULL ? "\"" : "");
}

static void put_text(FILE *out, const char *text)
{
  fputc('"', out);
  for (const char *p = text; *p != '\0'; p++)
    if (*p == '"' || *p == '\\')
      fprintf(out, "\\%c", *p);
    else if ((unsigned char)*p < 0x20)
      fprintf(out, "\\x%02x", (unsigned)(unsigned char)*p);
    else
      fputc(*p, out);
  fputc('"', out);
}

static void put_notes(const mt_walk *walk, FILE *out)
{
  const mt_plan *plan = walk->options.plan;
  const char *separator = "";
  char options[512];

  describe_options(&walk->options, options, sizeof options);
  fputs(
      "# Kept by mendtone check, to go on later; the takes lie beside it. Remove the folder to begin anew.\n"
      "options = ",
      out);
  put_text(out, options);
  fputs(";\nskipped = (", out);
  for (size_t i = 0; i < plan->nstates; i++)
    if (walk->states[i].mark == MT_WALK_SKIPPED) {
      fputs(separator, out);
      put_text(out, plan->states[i].name);
      separator = ", ";
    }
  fputs(");\nanswers = (", out);
  for (size_t i = 0; i < walk->nanswers; i++) {
    const mt_answer *a = &walk->answers[i];
    fputs(i > 0 ? ",\n  { ask = " : "\n  { ask = ", out);
    put_text(out, a->ask);
    if (a->answered && a->is_number)
      fprintf(out, "; number = %.17e; }", a->value);
    else if (a->answered)
      fprintf(out, "; yes = %s; }", a->yes ? "true" : "false");
    else
      fputs("; }", out);
  }
  fputs(");\n", out);
}

mt_code mt_walk_folder_note(const mt_walk *walk, mt_error *err)
{
  char *text = NULL, *path;
  size_t size = 0;
  FILE *file;
  mt_code code = MT_E_MEMORY;

  if (walk->folder == NULL || walk->lock < 0)
    return MT_OK;
  path = join(walk->folder, NOTES, "");
  file = open_memstream(&text, &size);
  if (file != NULL) {
    put_notes(walk, file);
    if (fclose(file) == 0 && path != NULL)
      code = mt_file_write(path, text, size, err);
  }
  if (code == MT_E_MEMORY)
    mt_fail(err, MT_E_MEMORY, "out of memory for the notes of a walk");
  free(text);
  free(path);
  return code;
}

static mt_code take_skipped(mt_walk *walk, mt_config_item root, mt_error *err)
{
  const mt_plan *plan = walk->options.plan;
  mt_config_item list;

  if (!mt_config_find(root, "skipped", &list) || !mt_config_is_list(list))
    return mt_config_fail(root, err, "no list of what was skipped; expected a file as mendtone writes it");
  for (size_t i = 0; i < mt_config_length(list); i++) {
    const char *name = mt_config_text_value(mt_config_at(list, i));
    for (size_t k = 0; k < plan->nstates && name != NULL; k++)
      if (strcmp(plan->states[k].name, name) == 0)
        walk->states[k].mark = MT_WALK_SKIPPED;
  }
  return MT_OK;
}

static mt_code take_answer(mt_walk *walk, mt_config_item group, mt_error *err)
{
  mt_answer answer = {0}, *grown;
  const mt_by_hand *asked = NULL;
  mt_config_item item;
  mt_code code;

  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "an answer is not a group; expected a file as mendtone writes it");
  code = mt_config_text(group, "ask", answer.ask, sizeof answer.ask, err);
  for (size_t i = 0; i < walk->options.plan->nby_hand && code == MT_OK; i++)
    if (strcmp(walk->options.plan->by_hand[i].ask, answer.ask) == 0)
      asked = &walk->options.plan->by_hand[i];
  if (code != MT_OK || asked == NULL)
    return code;
  answer.is_number = asked->is_number;
  answer.answered = mt_config_find(group, asked->is_number ? "number" : "yes", &item);
  code = asked->is_number ? mt_config_number(group, "number", -1e300, 1e300, &answer.value, err)
                          : mt_config_bool(group, "yes", &answer.yes, err);
  grown = code == MT_OK ? realloc(walk->answers, (walk->nanswers + 1) * sizeof *grown) : NULL;
  if (grown == NULL)
    return code != MT_OK ? code : mt_fail(err, MT_E_MEMORY, "out of memory for an answer");
  walk->answers = grown;
  walk->answers[walk->nanswers++] = answer;
  return MT_OK;
}

/* One option as describe_options() put it, for a person. */
static void copy_option(char *out, size_t size, const char *from, size_t length)
{
  size_t name;

  snprintf(out, size, "%.*s", (int)length, from);
  name = strlen(out);
  while (name > 0 && out[name - 1] != ' ')
    name--;
  if (name > 0 && (strcmp(out + name, "nan") == 0 || strcmp(out, "rate 0") == 0))
    snprintf(out + name, size - name, "as planned");
  else if (name > 0 && strcmp(out + name, "\"\"") == 0)
    snprintf(out + name, size - name, "not named");
}

/* Of the two lists of options the first that differs: all of them would hide it. */
static mt_code refuse_options(const char *then, const char *now, mt_error *err)
{
  char was[80], is[80];
  size_t nthen, nnow;

  for (;;) {
    const char *end_then = strstr(then, ", "), *end_now = strstr(now, ", ");
    nthen = end_then != NULL ? (size_t)(end_then - then) : strlen(then);
    nnow = end_now != NULL ? (size_t)(end_now - now) : strlen(now);
    if (end_then == NULL || end_now == NULL || nthen != nnow || strncmp(then, now, nthen) != 0)
      break;
    then = end_then + 2;
    now = end_now + 2;
  }
  copy_option(was, sizeof was, then, nthen);
  copy_option(is, sizeof is, now, nnow);
  return mt_fail(err, MT_E_ARG,
                 "what is kept was begun with other options: %s then, %s now; give the same again, or name "
                 "another stage or folder",
                 was, is);
}

static mt_code take_notes(mt_walk *walk, const char *path, mt_error *err)
{
  mt_config *config = NULL;
  mt_config_item list;
  char then[512] = "", now[512];
  mt_code code = mt_config_open(path, &config, err);

  if (code != MT_OK)
    return code;
  describe_options(&walk->options, now, sizeof now);
  code = mt_config_text(mt_config_root(config), "options", then, sizeof then, err);
  if (code == MT_OK && strcmp(then, now) != 0)
    code = refuse_options(then, now, err);
  if (code == MT_OK)
    code = take_skipped(walk, mt_config_root(config), err);
  if (code == MT_OK && mt_config_find(mt_config_root(config), "answers", &list) && mt_config_is_list(list))
    for (size_t i = 0; i < mt_config_length(list) && code == MT_OK; i++)
      code = take_answer(walk, mt_config_at(list, i), err);
  mt_config_close(&config);
  return code;
}

/* ---- the folder ----------------------------------------------------------------------------------------- */

static mt_code lock(mt_walk *walk, mt_error *err)
{
  if (mkdir(walk->folder, 0777) != 0 && errno != EEXIST)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", walk->folder, strerror(errno));
  walk->lock = open(walk->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (walk->lock < 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be used as a folder: %s", walk->folder, strerror(errno));
  if (access(walk->folder, W_OK | X_OK) != 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be written to: %s", walk->folder, strerror(errno));
  if (flock(walk->lock, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK)
    return mt_fail(err, MT_E_ARG,
                   "%.150s: another mendtone is at work there; wait for it, or name another folder",
                   walk->folder);
  return MT_OK;
}

static mt_code read_whole(const char *path, char **out, mt_error *err)
{
  FILE *file = fopen(path, "rb");
  size_t size = 0, got;
  char *text = NULL;

  while (file != NULL) {
    char *grown = realloc(text, size + 4097);
    if (grown == NULL)
      break;
    text = grown;
    got = fread(text + size, 1, 4096, file);
    size += got;
    text[size] = '\0';
    if (got > 0 && size < ((size_t)2 << 20))
      continue;
    fclose(file);
    *out = text;
    return MT_OK;
  }
  if (file != NULL)
    fclose(file);
  free(text);
  return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read", path);
}

static mt_code check_plan(const mt_walk *walk, mt_error *err)
{
  char *path = join(walk->folder, PLAN, ""), *then = NULL;
  mt_code code = path != NULL ? read_whole(path, &then, err) : mt_fail(err, MT_E_MEMORY, "out of memory");

  if (code == MT_OK && strcmp(then, walk->options.plan->text) != 0)
    code = mt_fail(err, MT_E_ARG,
                   "%.80s: was begun with another plan, or it was changed since: go on with " PLAN
                   " there, or name another folder",
                   walk->folder);
  free(then);
  free(path);
  return code;
}

static bool is_there(const char *path)
{
  struct stat there;
  return path != NULL && stat(path, &there) == 0;
}

/* What a kill left half-written: temporary files bear the name of the one they were to become. */
static void remove_leavings(const mt_walk *walk)
{
  static const char *const ours[] = {"take", NOTES ".", PLAN "."};
  DIR *folder = opendir(walk->folder);
  const struct dirent *entry;

  while (folder != NULL && (entry = readdir(folder)) != NULL) {
    size_t length = strlen(entry->d_name);
    for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
      if (strncmp(entry->d_name, ours[i], strlen(ours[i])) == 0 && length > 5 &&
          strcmp(entry->d_name + length - 5, ".part") == 0)
        unlinkat(walk->lock, entry->d_name, 0);
  }
  if (folder != NULL)
    closedir(folder);
}

/* The second half of mt_walk_folder_keep(): can be done again, whatever ended it before. */
static mt_code put_in_place(const mt_walk_state *state, mt_error *err)
{
  static const char *const endings[][2] = {{".new.wav", ".wav"}, {".new.json", ".json"}};
  mt_code code = MT_OK;

  for (size_t i = 0; i < 2 && code == MT_OK; i++) {
    char *from = mt_walk_folder_name(state, endings[i][0]), *to = mt_walk_folder_name(state, endings[i][1]);
    if (from == NULL || to == NULL)
      code = mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
    else if (rename(from, to) != 0 && errno != ENOENT)
      code = mt_fail(err, MT_E_IO, "%.150s: cannot be replaced: %s", to, strerror(errno));
    free(from);
    free(to);
  }
  return code;
}

/* With its readings a new take is whole; without them it is none, and an earlier one still stands. */
static mt_code finish_earlier(const mt_walk_state *state, mt_error *err)
{
  char *take = mt_walk_folder_name(state, ".new.wav"), *readings = mt_walk_folder_name(state, ".new.json");
  mt_code code = MT_OK;

  if (take == NULL || readings == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  else if (is_there(readings))
    code = put_in_place(state, err);
  else
    unlink(take);
  free(take);
  free(readings);
  return code;
}

static mt_code take_over_state(mt_walk *walk, size_t index, mt_error *err)
{
  mt_walk_state *state = &walk->states[index];
  char *json = mt_walk_folder_name(state, ".json"), *wav = mt_walk_folder_name(state, ".wav");
  mt_error why = {0};
  mt_code code = MT_OK;

  if (json == NULL || wav == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  if (code == MT_OK)
    code = finish_earlier(state, err);
  if (code == MT_OK && is_there(json)) {
    code = mt_report_read_json(json, &state->results, &why);
    if (code != MT_OK)
      mt_fail(err, code, "%.180s; remove it to take that state again", why.message);
    else
      state->mark = MT_WALK_TAKEN;
  }
  /* the folder may have been moved */
  if (state->results != NULL)
    mt_text_copy(state->results->file, sizeof state->results->file, wav);
  free(json);
  free(wav);
  return code;
}

/* Files of that name which no walk made are somebody's. */
static mt_code refuse_strangers(const mt_walk *walk, mt_error *err)
{
  static const char *const endings[] = {".wav", ".json"};

  for (size_t i = 0; i < walk->options.plan->nstates; i++)
    for (size_t k = 0; k < sizeof endings / sizeof endings[0]; k++) {
      char *path = mt_walk_folder_name(&walk->states[i], endings[k]);
      bool there = is_there(path);
      mt_code code = MT_OK;
      if (there)
        code =
            mt_fail(err, MT_E_CREATE, "%.150s: is there already, and no walk was begun in its folder", path);
      free(path);
      if (code != MT_OK)
        return code;
    }
  return MT_OK;
}

static mt_code begin(mt_walk *walk, mt_error *err)
{
  char *path = join(walk->folder, PLAN, "");
  mt_code code = refuse_strangers(walk, err);

  if (code == MT_OK && path == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  /* the notes last: where they are, the plan is */
  if (code == MT_OK)
    code = mt_file_write(path, walk->options.plan->text, strlen(walk->options.plan->text), err);
  free(path);
  return code == MT_OK ? mt_walk_folder_note(walk, err) : code;
}

mt_code mt_walk_folder_open(mt_walk *walk, mt_error *err)
{
  char *notes = join(walk->folder, NOTES, "");
  mt_code code = notes != NULL ? lock(walk, err) : mt_fail(err, MT_E_MEMORY, "out of memory for a file name");

  if (code == MT_OK)
    code = name_files(walk, err);
  if (code == MT_OK && !is_there(notes)) {
    free(notes);
    return begin(walk, err);
  }
  if (code == MT_OK)
    code = check_plan(walk, err);
  if (code == MT_OK)
    code = take_notes(walk, notes, err);
  free(notes);
  if (code == MT_OK)
    remove_leavings(walk);
  for (size_t i = 0; i < walk->options.plan->nstates && code == MT_OK; i++) {
    code = take_over_state(walk, i, err);
    walk->nresumed += walk->states[i].mark != MT_WALK_OPEN;
  }
  return code;
}

mt_code mt_walk_folder_keep(const mt_walk_state *state, mt_results *results, mt_error *err)
{
  char *wav = mt_walk_folder_name(state, ".wav"), *fresh = mt_walk_folder_name(state, ".new.json");
  mt_code code = MT_OK;

  if (wav == NULL || fresh == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  if (code == MT_OK) {
    mt_text_copy(results->file, sizeof results->file, wav);
    code = mt_report_write_json(results, fresh, err);
  }
  free(wav);
  free(fresh);
  return code == MT_OK ? put_in_place(state, err) : code;
}
