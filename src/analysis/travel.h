/**
 * @file travel.h  Two steady tones, one a channel, while somebody turns the knob that attenuates both.
 *
 * Level of each over time, how far both tracks of the knob keep together, the steps of a digital control, and what a
 * worn track does: noise bursts, jumps, spots where nothing moves or nothing comes through. The knob may be turned in
 * any way, to and fro; where it stands is known from the level alone.
 */
#ifndef ANALYSIS_TRAVEL_H
#define ANALYSIS_TRAVEL_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

#define MT_TRAVEL_EVENTS_MAX 64
#define MT_TRAVEL_ODD_MAX 16
/** Both tones must stand so far above the noise in a window for their ratio to count: 0.27 dB (1 sigma) a window. */
#define MT_TRAVEL_SNR_DB 30.0
/** Below this a level is an upper bound only. */
#define MT_TRAVEL_HEARD_DB 10.0
/** What moves by less was not turned. */
#define MT_TRAVEL_TURNED_DB 3.0

typedef enum mt_travel_kind {
  MT_TRAVEL_SCRATCH, /**< a burst above 6 kHz that no change of level explains */
  MT_TRAVEL_LOST, /**< the channel falls by 3 dB or more within 15 ms and is back within 0.3 s; or it is 6 dB or
                          more below what the other channel says for 60 ms or more, and if it does not come back the
                          other one goes 3 dB further */
  MT_TRAVEL_STUCK, /**< the other channel moves by 2 dB in 0.1 s or more, this one by less than 0.3 dB */
  MT_TRAVEL_JUMP,  /**< 1 dB or more within 15 ms, on a control that has no steps; not to or from nothing */
  MT_TRAVEL_KINDS
} mt_travel_kind;

typedef struct mt_travel_event {
  mt_travel_kind kind;
  int channel;
  double begin_s; /**< from the first sample */
  double length_s;
  double attenuation_db; /**< of that channel re its largest level, before; STUCK and LOST: at the begin */
  /** SCRATCH: power above 6 kHz re what it is around; LOST: depth; STUCK: what the other moved;
                              JUMP: by how much, signed */
  double size_db;
  double level_dbfs; /**< SCRATCH: its power above 6 kHz */
  bool to_the_end;   /**< LOST: not back at the lowest level of the other channel */
} mt_travel_event;

/** Every 20 ms. */
typedef struct mt_travel_point {
  double at_s; /**< middle of the window of 40 ms */
  double level_dbfs
      [2];          /**< of the channel's own tone; an upper bound where snr_db is below MT_TRAVEL_HEARD_DB */
  double snr_db[2]; /**< re the noise in the same window, as lines beside the tone tell */
  double sigma_db[2]; /**< of level_dbfs, by that noise */
} mt_travel_point;

/** Balance re that at full, in cells of 1 dB of the left channel's attenuation. */
typedef struct mt_travel_cell {
  double attenuation_db;
  double error_db;       /**< left less right, re the same at full */
  double uncertainty_db; /**< expanded, k = 2 */
} mt_travel_cell;

typedef struct mt_travel {
  mt_travel_point *points; /**< owned */
  size_t npoints;
  mt_travel_cell *cells; /**< owned; ascending attenuation; none where either tone is too near the noise */
  size_t ncells;
  bool heard[2];   /**< 20 dB above the noise at its loudest */
  bool swapped[2]; /**< at its loudest the other channel's tone is 10 dB louder than its own */
  double full_dbfs[2];
  double clear_to_db[2]; /**< attenuation down to which the tone was MT_TRAVEL_SNR_DB above the noise */
  double lowest_dbfs[2]; /**< an upper bound where is_bound */
  double lowest_sigma_db[2];
  bool is_bound[2];
  bool has_balance; /**< false: at no moment both channels are at full and MT_TRAVEL_SNR_DB above the noise */
  double balance_db; /**< at full */
  double balance_uncertainty_db;
  bool is_stepped;
  size_t nsteps;  /**< between the levels it rested on */
  double step_db; /**< median */
  double step_uncertainty_db;
  double stepped_to_db;                /**< attenuation of the lowest level that counted */
  double odd_db[MT_TRAVEL_ODD_MAX];    /**< sizes that are a quarter or more off the median */
  double odd_at_db[MT_TRAVEL_ODD_MAX]; /**< attenuation of the upper level */
  size_t nodd;
  mt_travel_event events[MT_TRAVEL_EVENTS_MAX]; /**< by time */
  size_t nevents;
  size_t count
      [2][MT_TRAVEL_KINDS]; /**< all of them, listed or not; LOST and STUCK: places, each counted once however
                                       often the knob passes */
} mt_travel;

/**
 * Read it.
 *
 * @param x        left and right, [n] each, the tones all through.
 * @param freq_hz  of the left's and the right's tone, 400 Hz apart or more, 500 to 3000 Hz.
 * @param out      Release with mt_travel_finish(). Unchanged on failure.
 * @return MT_OK; MT_E_ARG: a rate below 32000 Hz, or less than a second; MT_E_MEMORY.
 *
 * A scratch is found if its power above 6 kHz in 2 ms is 5 dB above the median of the 0.3 s around: of Gaussian noise
 * that happens once in 10^12 of such (chi-square of 72 degrees of freedom at 48 kHz); 10 dB above is found for certain.
 * That median counts for no more than ten times the noise at both ends, so that a track that crackles all the way is
 * found, too: from 15 dB above what it is at rest, and from -75 dBFS.
 * Thread: any. Cost: 0.3 s for 24 s of stereo at 48 kHz.
 */
mt_code mt_travel_measure(const double *const x[2], size_t n, double rate_hz, const double freq_hz[2],
                          mt_travel *out, mt_error *err);
void mt_travel_finish(mt_travel *travel);

/** The cell of the largest error down to an attenuation, or NULL; and the lowest attenuation reached by any. */
const mt_travel_cell *mt_travel_worst(const mt_travel *travel, double down_to_db);

#endif
