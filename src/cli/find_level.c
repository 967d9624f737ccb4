/* The search for the level to play, in words. */
#include "cli/cli.h"

#include <stdio.h>
#include <unistd.h>

static void tell_step(void *ctx, double played_dbfs, double peak_dbfs, bool is_present)
{
  (void)ctx;
  if (is_present)
    fprintf(stderr, "played %6.1f dBFS: the input peaks at %6.1f dBFS\n", played_dbfs, peak_dbfs);
  else
    fprintf(stderr, "played %6.1f dBFS: nothing heard yet\n", played_dbfs);
}

static const char *advice_of(mt_level_turn turn)
{
  switch (turn) {
  case MT_LEVEL_TURN_UNIT_UP:
    return "; the input sees little: turn the unit's volume up, or else the sound card's input gain";
  case MT_LEVEL_TURN_UNIT_DOWN:
    return "; above that the unit distorts: turn its volume down, or the sound card's input gain up";
  case MT_LEVEL_TURN_INPUT_DOWN: return "; turn the sound card's input gain down";
  case MT_LEVEL_TURN_NONE: break;
  }
  return "";
}

mt_code cli_find_level(mt_session_options *session, double max_dbfs, double target_dbfs, mt_error *err)
{
  mt_level_found found;
  mt_code code;

  if (isatty(STDERR_FILENO) == 1)
    session->tell_step = tell_step;
  code = mt_session_find_level(session, max_dbfs, target_dbfs, &found, err);
  if (code != MT_OK)
    return code;
  session->level_dbfs = found.level_dbfs;
  fprintf(stderr, "level found: %.1f dBFS played, peak at the input %.1f dBFS (wanted %.1f)%s\n",
          found.level_dbfs, found.peak_dbfs, target_dbfs, advice_of(found.turn));
  return MT_OK;
}
