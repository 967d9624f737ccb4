/* A file of answers to what a plan asks by hand, for scripts. */
#include "cli/cli.h"

#include "base/config.h"
#include "base/text.h"

#include <stdlib.h>
#include <string.h>

#define ANSWERS_MAX 100
#define LARGEST 1e12

static const mt_by_hand *find_question(const mt_plan *plan, const char *ask)
{
  for (size_t i = 0; i < plan->nby_hand; i++)
    if (strcmp(plan->by_hand[i].ask, ask) == 0)
      return &plan->by_hand[i];
  return NULL;
}

static mt_code refuse_question(const mt_plan *plan, mt_config_item group, const char *ask, mt_error *err)
{
  const char *names[ANSWERS_MAX];
  const char *nearest;

  for (size_t i = 0; i < plan->nby_hand && i < ANSWERS_MAX; i++)
    names[i] = plan->by_hand[i].ask;
  nearest = mt_text_nearest(ask, names, plan->nby_hand);
  if (nearest != NULL)
    return mt_config_fail(group, err, "the plan does not ask \"%.60s\"; did you mean \"%.60s\"?", ask,
                          nearest);
  return mt_config_fail(group, err, "the plan does not ask \"%.60s\"", ask);
}

static mt_code read_value(mt_config_item group, mt_answer *answer, mt_error *err)
{
  mt_config_item item;
  const char *word;

  if (!mt_config_find(group, "is", &item))
    return mt_config_fail(group, err, "\"%.60s\" has no answer; expected is = %s", answer->ask,
                          answer->is_number ? "a number" : "\"yes\" or \"no\"");
  if (answer->is_number)
    return mt_config_number(group, "is", -LARGEST, LARGEST, &answer->value, err);
  word = mt_config_text_value(item);
  if (word == NULL || (strcmp(word, "yes") != 0 && strcmp(word, "no") != 0))
    return mt_config_fail(item, err, "the answer to \"%.60s\" is neither; expected \"yes\" or \"no\"",
                          answer->ask);
  answer->yes = strcmp(word, "yes") == 0;
  return MT_OK;
}

static mt_code read_answer(const mt_plan *plan, mt_config_item group, const mt_answer *before, size_t nbefore,
                           mt_answer *out, mt_error *err)
{
  static const char *const keys[] = {"ask", "is"};
  const mt_by_hand *asked;
  mt_code code;

  if (!mt_config_is_group(group))
    return mt_config_fail(group, err, "an answer is not a group; expected { ask = \"...\"; is = 5.02; }");
  code = mt_config_check_keys(group, keys, 2, err);
  if (code == MT_OK)
    code = mt_config_text(group, "ask", out->ask, sizeof out->ask, err);
  if (code != MT_OK)
    return code;
  asked = find_question(plan, out->ask);
  if (asked == NULL)
    return refuse_question(plan, group, out->ask, err);
  for (size_t i = 0; i < nbefore; i++)
    if (strcmp(before[i].ask, out->ask) == 0)
      return mt_config_fail(group, err, "\"%.60s\" is answered twice; once is enough", out->ask);
  out->is_number = asked->is_number;
  out->answered = true;
  return read_value(group, out, err);
}

static mt_code read_answers(const mt_plan *plan, mt_config_item root, mt_answer **out, size_t *n,
                            mt_error *err)
{
  static const char *const keys[] = {"answers"};
  mt_answer *answers;
  mt_config_item list;
  size_t count;
  mt_code code = mt_config_check_keys(root, keys, 1, err);

  if (code != MT_OK)
    return code;
  if (!mt_config_find(root, "answers", &list) || !mt_config_is_list(list))
    return mt_config_fail(root, err,
                          "no list of answers; expected answers = ( { ask = \"...\"; is = ...; } );");
  count = mt_config_length(list);
  if (count > ANSWERS_MAX)
    return mt_config_fail(list, err, "there are %zu answers; expected at most %d", count, ANSWERS_MAX);
  answers = calloc(count + 1, sizeof *answers);
  if (answers == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu answers", count);
  for (size_t i = 0; i < count && code == MT_OK; i++)
    code = read_answer(plan, mt_config_at(list, i), answers, i, &answers[i], err);
  if (code != MT_OK) {
    free(answers);
    return code;
  }
  *out = answers;
  *n = count;
  return MT_OK;
}

mt_code cli_open_answers(const char *path, const mt_plan *plan, mt_answer **out, size_t *n, mt_error *err)
{
  mt_config *config = NULL;
  mt_code code;

  if (path == NULL)
    return MT_OK;
  if (plan == NULL || plan->nby_hand == 0)
    return mt_fail(err, MT_E_ARG, "--answers %.80s: the plan asks nothing by hand", path);
  code = mt_config_open(path, &config, err);
  if (code == MT_OK)
    code = read_answers(plan, mt_config_root(config), out, n, err);
  mt_config_close(&config);
  return code;
}
