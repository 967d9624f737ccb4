#include "judge/by_hand.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* "4.75 to 5.25 V", "at most 5.25 V" */
static void state_limits(const mt_answer *a, char *out, size_t size)
{
  if (isfinite(a->min) && isfinite(a->max))
    snprintf(out, size, "%g to %g %s is allowed", a->min, a->max, a->unit);
  else if (isfinite(a->max))
    snprintf(out, size, "at most %g %s is allowed", a->max, a->unit);
  else if (isfinite(a->min))
    snprintf(out, size, "at least %g %s is required", a->min, a->unit);
  else
    mt_text_copy(out, size, "filed, no limit");
}

static void judge_number(mt_answer *a)
{
  char limits[80];

  a->verdict = mt_judge_value(a->value, a->uncertainty, a->min, a->max);
  state_limits(a, limits, sizeof limits);
  if (a->verdict == MT_VERDICT_UNDECIDED)
    snprintf(a->text, sizeof a->text, "%g %s +-%g, too close to the limit to be sure; %s", a->value, a->unit,
             a->uncertainty, limits);
  else
    snprintf(a->text, sizeof a->text, "%.10g %s; %s", a->value, a->unit, limits);
}

static void judge_word(mt_answer *a)
{
  const char *word = a->yes ? "yes" : "no";

  if (a->expect == 0) {
    a->verdict = MT_VERDICT_NONE;
    snprintf(a->text, sizeof a->text, "%s; filed, either is allowed", word);
    return;
  }
  a->verdict = a->yes == (a->expect > 0) ? MT_VERDICT_PASS : MT_VERDICT_FAIL;
  if (a->verdict == MT_VERDICT_PASS)
    snprintf(a->text, sizeof a->text, "%s, as it should be", word);
  else
    snprintf(a->text, sizeof a->text, "%s; it should be %s", word, a->expect > 0 ? "yes" : "no");
}

static bool has_limit(const mt_answer *a)
{
  return a->is_number ? isfinite(a->min) || isfinite(a->max) : a->expect != 0;
}

static void judge_answer(mt_answer *a)
{
  if (!a->answered) {
    a->verdict = has_limit(a) ? MT_VERDICT_UNDECIDED : MT_VERDICT_NONE;
    mt_text_copy(a->text, sizeof a->text, "not answered");
  } else if (a->is_number) {
    judge_number(a);
  } else {
    judge_word(a);
  }
}

mt_code mt_judge_by_hand(const mt_plan *plan, mt_results *results, mt_error *err)
{
  mt_answer *given = results->answers;
  size_t ngiven = results->nanswers;
  mt_code code = MT_OK;

  results->answers = NULL;
  results->nanswers = 0;
  for (size_t i = 0; i < plan->nby_hand && code == MT_OK; i++) {
    const mt_by_hand *asked = &plan->by_hand[i];
    mt_answer a = {.is_number = asked->is_number,
                   .min = asked->min,
                   .max = asked->max,
                   .uncertainty = asked->uncertainty,
                   .expect = asked->expect};
    mt_text_copy(a.ask, sizeof a.ask, asked->ask);
    mt_text_copy(a.unit, sizeof a.unit, asked->unit);
    for (size_t k = 0; k < ngiven; k++)
      if (strcmp(given[k].ask, asked->ask) == 0 && given[k].is_number == asked->is_number) {
        a.answered = given[k].answered;
        a.value = given[k].value;
        a.yes = given[k].yes;
      }
    judge_answer(&a);
    code = mt_results_add_answer(results, &a, err);
  }
  free(given);
  return code;
}
