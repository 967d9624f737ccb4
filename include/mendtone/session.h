/** @file session.h  The arrow, once: plan -> stimulus -> take -> readings -> verdicts. */
#ifndef MENDTONE_SESSION_H
#define MENDTONE_SESSION_H

#include <mendtone/analysis.h>
#include <mendtone/audio.h>
#include <mendtone/plan.h>
#include <mendtone/rig.h>
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
  const char *rig; /**< name of a stored rig: its devices and its rate unless others are said; NULL: none */
  const char *rig_file;  /**< instead: path of one as it was filed with a take; its age does not count */
  bool recorded_by_unit; /**< `analyse` with a rig: the unit's own converter made the recording */
  mt_path path;          /**< whether a lossy codec is known to be in it */
} mt_session_options;

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
 * Measure the loop, output cabled to input, with the default stimulus and its steps up to full scale, and take it
 * over into the rig (mt_rig_take_loop()). `options` give devices, rate and level; extras of their own, even none, take
 * the place of the steps.
 *
 * @param loop  NULL, or receives what was read; the caller destroys it.
 */
mt_code mt_session_measure_loop(const mt_session_options *options, mt_rig *rig, mt_results **loop,
                                mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
