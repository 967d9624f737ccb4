/** @file session.h  The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#ifndef MENDTONE_SESSION_H
#define MENDTONE_SESSION_H

#include <mendtone/capture.h>
#include <mendtone/plan.h>
#include <mendtone/stimulus.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_DEFAULT_LEVEL_DBFS (-20.0)
#define MT_DEFAULT_RATE_HZ 48000.0
#define MT_DEFAULT_WAIT_S 120.0
#define MT_WAIT_MAX_S 3600.0

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
  double wait_s; /**< mt_session_listen(): how long for the start mark; 0: MT_DEFAULT_WAIT_S */
  /** mt_session_listen(): see mt_listening; may be NULL */
  void (*tell)(void *ctx, mt_heard heard, double level_dbfs);
  bool (*is_stopped)(void *ctx);
  void *listen_ctx;
  /** mt_session_find_level(): told of each step; may be NULL */
  void (*tell_step)(void *ctx, double played_dbfs, double peak_dbfs, bool is_present);
  void *step_ctx;
  bool unjudged;            /**< leave out verdicts and causes: the take is one of several, see walk.h */
  const mt_answer *answers; /**< what was read by hand: [nanswers], judged with the rest */
  size_t nanswers;
} mt_session_options;

/** Which knob to turn which way for a better measurement. */
typedef enum mt_level_turn {
  MT_LEVEL_TURN_NONE,
  MT_LEVEL_TURN_UNIT_UP,   /**< the input sees little: the unit's volume, then the input gain, up */
  MT_LEVEL_TURN_UNIT_DOWN, /**< the unit clips before the input sees enough: its volume down, input gain up */
  MT_LEVEL_TURN_INPUT_DOWN /**< the input has too much: its gain down */
} mt_level_turn;

typedef struct mt_level_found {
  double level_dbfs; /**< to play */
  double peak_dbfs;  /**< what the input then sees */
  mt_level_turn turn;
} mt_level_found;

#define MT_DEFAULT_TARGET_DBFS (-12.0)

/** All zero but level_dbfs = max_level_dbfs = NAN. */
mt_session_options mt_session_defaults(void);

/** Play, capture, read, judge. A missed limit is not an error: see results->verdict. */
mt_code mt_session_check(const mt_session_options *options, mt_results **out, mt_error *err);

/**
 * Find the level to play: a quiet tone, then up in steps of at most 6 dB, each out of silence and back, until the
 * peak at the input stands at its target, the unit begins to distort, or the highest level is reached.
 *
 * @param max_dbfs     never more than this is played; -60 ... 0.
 * @param target_dbfs  peak wanted at the input, -40 ... -3; met to 1 dB.
 * @return MT_OK; MT_E_ARG; MT_E_DATA with what to turn: nothing came back, or the input has too much of the least.
 *
 * Source: own definition. The unit clips when its harmonic distortion is above 1 % and ten times what it was at a
 * lower level: a unit that distorts at every level is for the check to find.
 */
mt_code mt_session_find_level(const mt_session_options *options, double max_dbfs, double target_dbfs,
                              mt_level_found *out, mt_error *err);

/**
 * As mt_session_check() of a unit that cannot be driven: listen to a player that plays the stimulus by itself,
 * from a file, and read what came. Nothing is played; a simulated unit brings its player with it, which begins by
 * itself.
 */
mt_code mt_session_listen(const mt_session_options *options, mt_results **out, mt_error *err);

/** As mt_session_check() from a recording: of the stimulus if its marks are found, else a plain recording. */
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
