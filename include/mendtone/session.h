/** @file session.h  The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#ifndef MENDTONE_SESSION_H
#define MENDTONE_SESSION_H

#include <mendtone/analysis.h>
#include <mendtone/capture.h>
#include <mendtone/plan.h>
#include <mendtone/rig.h>
#include <mendtone/stimulus.h>
#include <mendtone/strain.h>

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
  bool listens;  /**< a walk's takes are of a player: mt_session_listen() in place of mt_session_check() */
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
  const char *rig; /**< name of a stored rig: its devices and its rate unless others are said; NULL: none */
  /** Path of a rig as it was filed with a take; its age does not count any more. Instead of `rig`. */
  const char *rig_file;
  bool recorded_by_unit; /**< `analyse` with a rig: the unit's own converter made the recording */
  mt_path path;          /**< whether a lossy codec is known to be in it */
  /** Where a take from a sound device goes in case of an accident: it is in "NAME.part.wav" while it is made, and
   * in this file if it cannot be kept where it was to be. NULL: nowhere. */
  const char *rescue_take;
  /** Told in a line what else happens, as that it is taken again. May be NULL. */
  void (*note)(void *ctx, const char *text);
  void *note_ctx;
  /** `analyse`: what was told while the recording was captured, in its own time; see mt_problem. [nknown] */
  const mt_problem *known;
  size_t nknown;
  bool
      play_aligned; /**< `analyse`: the recording began when the stimulus did, as a take of ours: see mt_take */
  /** Told ten times a second of the take what arrives: rms of the first two channels (the same twice of a single one),
   * a full-scale sine 0 dBFS. For whoever turns a knob meanwhile. What is written to standard error then may be
   * lost: write when progress is told. May be NULL. */
  void (*hear)(void *ctx, double at_s, const double level_dbfs[2]);
  void *hear_ctx;
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

/** Where the results that a plan names as its reference are. @param out `size` bytes. MT_E_PLAN: too long. */
mt_code mt_session_reference_path(const char *plan_path, const mt_plan *plan, char *out, size_t size,
                                  mt_error *err);

/**
 * Open a plan, and the results of the good unit that it names as its reference: a path beside the plan's file.
 *
 * @return what mt_plan_open() returns; MT_E_PLAN: the reference cannot be read.
 */
mt_code mt_session_open_plan(const char *path, mt_plan **out, mt_error *err);

/**
 * Whether the devices that a check with these options would open are there, before anybody is asked to get ready.
 * Nothing is opened or played. @return MT_E_DEVICE with what is there; what is wrong with the rig that is named.
 */
mt_code mt_session_check_devices(const mt_session_options *options, mt_error *err);

/**
 * Play, capture, read, judge. A missed limit is not an error: see results->verdict.
 *
 * The take is in the file while it is made (mt_audio_writer). A take from a sound device that frames are missing
 * from is taken once more by itself: results->retakes say what was wrong with the first, and "NAME.spoilt.wav" is
 * the first. A take that cannot be kept is no error either: see results->not_kept.
 */
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

/**
 * Read again what results were read from: one take, or those of several states. What cannot be told from the samples
 * is taken over: problems told while it was captured, takes made before it, answers unless `options` hold others to the
 * same question, the level that was played.
 *
 * @param options  `plan` is the one to read and judge by; of several states it has to have all.
 * @param place    path of the take; of several, of the folder that holds them under the names the results give.
 * @return as mt_session_analyse(); MT_E_ARG: the plan lacks a state that was taken; MT_E_NO_INPUT: there is no take.
 */
mt_code mt_session_read_again(const mt_session_options *options, const mt_results *old, const char *place,
                              mt_results **out, mt_error *err);

/** File answers with results that were judged without them, and judge again. `options` as for the check itself. */
mt_code mt_session_answer(const mt_session_options *options, mt_results *results, mt_error *err);

/**
 * The stimulus such options lead to: rate and level from the options, else the plan, else the defaults. If the plan
 * says what to measure in the state, the shortest that holds it.
 */
mt_code mt_session_stimulus(const mt_session_options *options, mt_stimulus *out, mt_error *err);

/** The tone that a meter reads while a rig is calibrated. */
typedef struct mt_session_tone {
  double freq_hz; /**< 20 to 1000: hand-held meters are at their best from 50 to 120 Hz */
  double level_dbfs;
  double duration_s; /**< of which the first and the last second rise and fall */
} mt_session_tone;

/** Name the devices that `options` mean, as the system lists them now, into rig->input and rig->output. */
mt_code mt_session_name_devices(const mt_session_options *options, mt_rig *rig, mt_error *err);

/**
 * Play a tone on both channels and read it where it arrives.
 *
 * @param captured  level in dBFS of each channel with its uncertainty; not known: no steady tone arrives there.
 * @return MT_OK; MT_E_ARG; MT_E_DATA: the input clips, or hears something else; what the back end returns.
 */
mt_code mt_session_play_tone(const mt_session_options *options, const mt_session_tone *tone,
                             mt_rig_value captured[MT_RIG_CHANNELS], mt_error *err);

/**
 * Measure the loop, output cabled to input, with the default stimulus, its steps up to full scale and two tones at
 * a time, and take it over into the rig (mt_rig_take_loop()). `options` give devices, rate and level; extras of their
 * own, even none, take the place of the steps.
 *
 * @param loop  NULL, or receives what was read; the caller destroys it.
 */
mt_code mt_session_measure_loop(const mt_session_options *options, mt_rig *rig, mt_results **loop,
                                mt_error *err);

/** What mt_session_watch() does beside what the session says. */
typedef struct mt_strain_options {
  const char *recording; /**< read this instead of a sound card; NULL: none */
  bool listen;           /**< play nothing: a player gives the tones */
  double duration_s;     /**< at most: 1 s to 24 h */
  mt_strain_sink sink;   /**< what to tell while it runs; any part may be NULL */
  bool (*poll)(
      void *ctx); /**< asked after each block, with the sink's ctx: true ends the watch. May be NULL */
} mt_strain_options;

/**
 * Play a tone on each channel and watch what comes back, until the time is up or poll() says so.
 *
 * Results: dropouts and level of each channel, level over time as a curve (x in seconds; its uncertainty is how far
 * the level reached within the stretch), the first 100 events as problems. Of the session's plan only limits on
 * dropouts are held against them. With a rig its devices and rate are used, and levels are in dBV too.
 *
 * @param watch  what was seen in full; the caller destroys both.
 * @return MT_OK, however it ended; MT_E_ARG; what the back end returns; MT_E_MEMORY.
 */
mt_code mt_session_watch(const mt_session_options *session, const mt_strain_options *options,
                         mt_strain **watch, mt_results **out, mt_error *err);

/** What 0 dBFS is at the tones of a watch, dBV; not known without a rig that applies. */
mt_code mt_session_watch_full_scale(const mt_session_options *session, const mt_strain_options *options,
                                    double dbv[2], bool known[2], mt_error *err);

/** The level it plays at: the option's, else the plan's, else -20 dBFS. */
double mt_session_watch_level(const mt_session_options *session);

/** A minute of the tones as a 24 bit WAV file for a player to repeat: its end joins its beginning. */
mt_code mt_session_write_watch(const mt_session_options *session, const char *path, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
