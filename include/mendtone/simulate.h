/** @file simulate.h  The simulated unit: a device on the bench whose truth is known. */
#ifndef MENDTONE_SIMULATE_H
#define MENDTONE_SIMULATE_H

#include <mendtone/audio.h>

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_SIMULATED_DROPOUTS_MAX 16

/**
 * One channel of a simulated unit. The signal passes, in this order: routing, gain, polynomial, dead
 * zone, hard clip, high-pass, low shelf, invert, mute; then crosstalk between the outputs, hum, DC,
 * noise and dropouts are applied. All zero but gain_ratio = 1 and poly[0] = 1: a wire.
 */
typedef struct mt_simulated_channel {
  double gain_db;
  double poly[5];      /**< y = poly[0] x + poly[1] x^2 + ...: poly[0] is 1 for a wire */
  double dead_zone;    /**< soft: y = sgn(x) max(|x| - d, 0); full-scale units */
  double clip;         /**< hard, at +-clip; 0: none */
  double high_pass_hz; /**< first order (a coupling capacitor); 0: none */
  double shelf_db;     /**< low shelf, Audio EQ Cookbook, S = 1; 0: none */
  double shelf_hz;
  bool invert;
  bool mute;
  double crosstalk_db; /**< this channel hears the other one's output at this level; -INFINITY: not */
  double hum_dbfs; /**< mains line at hum_hz; its odd and even harmonics 10 dB lower each; -INFINITY: none */
  double noise_dbfs; /**< white Gaussian, level in 0 ... rate/2; -INFINITY: none */
  double dc;         /**< of full scale */
} mt_simulated_channel;

typedef enum mt_dropout_kind {
  MT_SIMULATED_MUTE,   /**< frames replaced by zero, time goes on */
  MT_SIMULATED_LOSE,   /**< frames left out, later ones move up */
  MT_SIMULATED_REPEAT, /**< frames delivered twice, later ones move down */
} mt_dropout_kind;

typedef struct mt_simulated_dropout {
  mt_dropout_kind kind;
  double at_s; /**< from the take's first frame */
  size_t nframes;
  bool channel[2]; /**< mute only: which channels */
} mt_simulated_dropout;

typedef struct mt_simulated_unit {
  char name[96];
  mt_simulated_channel channel[2];
  bool swap;     /**< left and right exchanged at the input */
  bool sum;      /**< both outputs carry (left + right) / 2 */
  double hum_hz; /**< 50 unless said */
  double delay_s;
  double clock_offset_ppm; /**< player's clock less recorder's; rendered exactly, not by interpolation */
  unsigned bits;           /**< 0: float; 16, 20, 24: quantised with TPDF dither */
  uint64_t seed;           /**< of noise and dither */
  mt_simulated_dropout dropouts[MT_SIMULATED_DROPOUTS_MAX];
  size_t ndropouts;
} mt_simulated_unit;

/** A wire: nothing added, nothing taken away. */
void mt_simulate_init(mt_simulated_unit *out);

/** Read a description (libconfig syntax, fixtures/ has examples). MT_E_NO_INPUT, MT_E_PLAN. */
mt_code mt_simulate_open(const char *path, mt_simulated_unit *out, mt_error *err);

/** Play a source into the unit and deliver what comes out. The "simulate" back end does this. */
mt_code mt_simulate_run(const mt_simulated_unit *unit, const mt_audio_request *request,
                        const mt_audio_sink *sink, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
