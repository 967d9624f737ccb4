#include "session/level.h"

#include <math.h>

/* At the input nothing is trusted so near to full scale: converters bend before they clip. */
#define INPUT_MOST_DBFS (-1.0)
/* Near enough to the target */
#define NEAR_DB 1.0
/* Steps up: while nothing is heard, and while something is. Below the target the step is what is missing. */
#define STEP_UNHEARD_DB 6.0
#define STEP_DB 6.0
/* The unit clips: distortion is more than one per cent, and ten times what it was lower down. */
#define THD_MUCH_DB (-40.0)
#define THD_RISE_DB 10.0
/* With the input so far below its target at the maximum, a knob should be turned. */
#define LOW_DB 6.0

void mt_level_begin(mt_level_search *search, double max_dbfs, double target_dbfs)
{
  *search = (mt_level_search){.max_dbfs = max_dbfs,
                              .target_dbfs = target_dbfs,
                              .played_dbfs = fmin(MT_LEVEL_LOWEST_DBFS, max_dbfs),
                              .least_thd_db = HUGE_VAL};
}

static void end(mt_level_search *s, mt_level_end how, mt_level_turn turn)
{
  s->end = how;
  s->turn = turn;
}

/* Back to the loudest level that was clean; what limits is told by the turn. */
static void end_clean(mt_level_search *s, mt_level_turn turn)
{
  s->played_dbfs = s->clean_dbfs;
  s->peak_dbfs = s->clean_peak_dbfs;
  end(s, MT_LEVEL_FOUND, turn);
}

/* The input has too much. Down by what is too much, or by a large step if that cannot be told. */
static void go_down(mt_level_search *s, const mt_level_sight *sight, bool is_clipped)
{
  double next =
      is_clipped ? s->played_dbfs - 2.0 * STEP_DB : s->played_dbfs - (sight->peak_dbfs - s->target_dbfs);

  if (s->has_clean) /* a step up cannot take the input from below its target to here, unless a knob was turned */
    end_clean(s, MT_LEVEL_TURN_NONE);
  else if (next < MT_LEVEL_LOWEST_DBFS)
    end(s, MT_LEVEL_TOO_LOUD, MT_LEVEL_TURN_INPUT_DOWN);
  else
    s->played_dbfs = next;
}

static void go_up(mt_level_search *s, double step_db, bool is_heard)
{
  if (s->played_dbfs < s->max_dbfs) {
    s->played_dbfs = fmin(s->max_dbfs, s->played_dbfs + step_db);
    return;
  }
  if (!is_heard)
    end(s, MT_LEVEL_NOTHING, MT_LEVEL_TURN_UNIT_UP);
  else
    end(s, MT_LEVEL_FOUND,
        s->target_dbfs - s->peak_dbfs > LOW_DB ? MT_LEVEL_TURN_UNIT_UP : MT_LEVEL_TURN_NONE);
}

static bool is_unit_clipping(const mt_level_search *s, const mt_level_sight *sight)
{
  return sight->thd_db > THD_MUCH_DB && sight->thd_db > s->least_thd_db + THD_RISE_DB;
}

void mt_level_see(mt_level_search *s, const mt_level_sight *sight)
{
  bool is_clipped = sight->is_clipped || sight->peak_dbfs > INPUT_MOST_DBFS;

  if (s->end != MT_LEVEL_GO_ON)
    return;
  s->peak_dbfs = sight->peak_dbfs;
  if (is_clipped || (sight->is_present && sight->peak_dbfs > s->target_dbfs + NEAR_DB)) {
    go_down(s, sight, is_clipped);
    return;
  }
  if (!sight->is_present) {
    go_up(s, STEP_UNHEARD_DB, false);
    return;
  }
  if (is_unit_clipping(s, sight) && s->has_clean) {
    end_clean(s, MT_LEVEL_TURN_UNIT_DOWN);
    return;
  }
  s->has_clean = true;
  s->clean_dbfs = s->played_dbfs;
  s->clean_peak_dbfs = sight->peak_dbfs;
  s->least_thd_db = fmin(s->least_thd_db, sight->thd_db);
  if (sight->peak_dbfs >= s->target_dbfs - NEAR_DB)
    end(s, MT_LEVEL_FOUND, MT_LEVEL_TURN_NONE);
  else
    go_up(s, fmin(STEP_DB, s->target_dbfs - sight->peak_dbfs), true);
}
