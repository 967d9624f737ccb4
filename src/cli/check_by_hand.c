/* What no sound card sees, asked at the terminal. */
#include "cli/check.h"

#include "base/text.h"
#include "report/layout.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A number, with a decimal comma if that is the habit, and its unit or not. */
static bool parse_number(const char *line, const char *unit, double *out)
{
  char text[80];
  size_t length;

  mt_text_copy(text, sizeof text, line);
  length = strlen(text);
  if (length > strlen(unit) && strcmp(text + length - strlen(unit), unit) == 0)
    text[length - strlen(unit)] = '\0';
  for (length = strlen(text); length > 0 && text[length - 1] == ' '; length--)
    text[length - 1] = '\0';
  if (strchr(text, ',') != NULL && strchr(text, '.') == NULL && strchr(text, ',') == strrchr(text, ','))
    *strchr(text, ',') = '.';
  return mt_text_parse_number(text + strspn(text, " "), out);
}

static bool parse_word(const char *line, bool *out)
{
  static const char *const yes[] = {"y", "Y", "yes", "Yes", "YES"}, *const no[] = {"n", "N", "no", "No",
                                                                                   "NO"};

  for (size_t i = 0; i < sizeof yes / sizeof yes[0]; i++)
    if (strcmp(line, yes[i]) == 0 || strcmp(line, no[i]) == 0) {
      *out = strcmp(line, yes[i]) == 0;
      return true;
    }
  return false;
}

static void print_question(const mt_by_hand *asked)
{
  char text[200];
  int n = snprintf(text, sizeof text, "%s", asked->ask);

  if (asked->is_number && isfinite(asked->min) && isfinite(asked->max))
    snprintf(text + n, sizeof text - (size_t)n, " (%g to %g %s)", asked->min, asked->max, asked->unit);
  else if (asked->is_number && isfinite(asked->max))
    snprintf(text + n, sizeof text - (size_t)n, " (at most %g %s)", asked->max, asked->unit);
  else if (asked->is_number && isfinite(asked->min))
    snprintf(text + n, sizeof text - (size_t)n, " (at least %g %s)", asked->min, asked->unit);
  else if (asked->is_number)
    snprintf(text + n, sizeof text - (size_t)n, " (in %s)", asked->unit);
  else
    snprintf(text + n, sizeof text - (size_t)n, " (yes or no)");
  mt_layout_wrap(stderr, "  - ", "    ", text);
}

/* @return false at the end of input. */
static bool ask_one(const mt_by_hand *asked, mt_answer *answer)
{
  char line[80], again[160];

  answer->is_number = asked->is_number;
  mt_text_copy(answer->ask, sizeof answer->ask, asked->ask);
  mt_text_copy(answer->unit, sizeof answer->unit, asked->unit);
  print_question(asked);
  for (;;) {
    if (!check_ask("    > ", line, sizeof line))
      return false;
    if (line[0] == '\0')
      return true;
    answer->answered =
        asked->is_number ? parse_number(line, asked->unit, &answer->value) : parse_word(line, &answer->yes);
    if (answer->answered)
      return true;
    snprintf(again, sizeof again, "\"%.30s\" is not %s; Enter alone leaves it open", line,
             asked->is_number ? "a number" : "yes or no");
    mt_layout_wrap(stderr, "    ", "    ", again);
  }
}

mt_code check_by_hand(const check_options *given, const mt_plan *plan,
                      const mt_answer *(*known)(void *ctx, const char *ask),
                      mt_code (*answer)(void *ctx, const mt_answer *answer, mt_error *err), void *ctx,
                      mt_error *err)
{
  bool any = false, goes_on = true;
  mt_code code = MT_OK;

  for (size_t i = 0; plan != NULL && i < plan->nby_hand && goes_on && code == MT_OK; i++) {
    mt_answer said = {0};
    if (!check_is_attended(given) || known(ctx, plan->by_hand[i].ask) != NULL)
      continue;
    if (!any) {
      check_forget_keys();
      fputs("\nBy hand: what no sound card sees. Enter alone leaves a question open.\n", stderr);
    }
    any = true;
    goes_on = ask_one(&plan->by_hand[i], &said);
    if (said.answered)
      code = answer(ctx, &said, err);
  }
  return code;
}
