/** @file session.h  The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#ifndef MENDTONE_SESSION_H
#define MENDTONE_SESSION_H

#include <mendtone/audio.h>
#include <mendtone/plan.h>
#include <mendtone/stimulus.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_DEFAULT_LEVEL_DBFS (-20.0)
#define MT_DEFAULT_RATE_HZ 48000.0

typedef struct mt_session_options {
  const mt_plan *plan;  /**< NULL: the built-in plan for a stimulus take, none for a plain recording */
  const char *simulate; /**< path of a simulated unit's description: no hardware is touched */
  const char *input;    /**< device name, or NULL for the default */
  const char *output;
  double rate_hz;        /**< 0: the plan's, else 48000. In `analyse`: the rate the stimulus was laid
                              out for, 0: the recording's own */
  double level_dbfs;     /**< NAN: the plan's, else -20 */
  const char *save_take; /**< where to keep the take as float WAV, NULL: not kept */
  const char *state; /**< name of the unit's state, NULL: "default". Of one that the plan names only what it
                              says to measure there is played and read */
  bool has_extras;   /**< false: the plan's, else none. `analyse` tells from the marks' distance which
                              there are, whatever is expected */
  unsigned extras;   /**< mask of mt_extra */
  double max_level_dbfs; /**< of the loudest step of the extra "levels"; NAN: the plan's, else the level */
  mt_audio_progress progress;
  void *progress_ctx;
  bool unjudged;            /**< leave out verdicts and causes: the take is one of several, see walk.h */
  const mt_answer *answers; /**< what was read by hand: [nanswers], judged with the rest */
  size_t nanswers;
} mt_session_options;

/** All zero but level_dbfs = max_level_dbfs = NAN. */
mt_session_options mt_session_defaults(void);

/** Play, capture, read, judge. A missed limit is not an error: see results->verdict. */
mt_code mt_session_check(const mt_session_options *options, mt_results **out, mt_error *err);

/** The same from a recording: of the stimulus if its marks are found, else a plain recording. */
mt_code mt_session_analyse(const char *path, const mt_session_options *options, mt_results **out,
                           mt_error *err);

/** File answers with results that were judged without them, and judge again. `options` as for the check itself. */
mt_code mt_session_answer(const mt_session_options *options, mt_results *results, mt_error *err);

/**
 * The stimulus such options lead to: rate and level from the options, else the plan, else the defaults. If the plan
 * says what to measure in the state, the shortest that holds it.
 */
mt_code mt_session_stimulus(const mt_session_options *options, mt_stimulus *out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
