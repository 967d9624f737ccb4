/**
 * @file simulate.h  The simulated unit: a device on the bench whose truth is known.
 *
 * It answers a source the way a unit between a sound card's output and input does, but every property
 * is stated, so that a fault can be described in a file and a reading compared with what was put in.
 * The source is rendered at the very moments the recorder samples it, in double precision; nothing is
 * interpolated, so a clock offset costs no accuracy.
 */
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
 * zone, hard clip, high-pass, low shelf, output capacitor, invert, mute; then the outputs into their load and through
 * the return they share; then crosstalk between them, hum, DC, noise, dropouts and quantisation are applied.
 * mt_simulate_init() makes a wire of it.
 *
 * An output is a voltage E behind output_ohm and output_uf; the load R is load_ohm parallel to input_ohm, between it
 * and the end of the return that both share. With g = 1/(output_ohm + R) that end is lifted by
 * return_ohm (E_l g_l + E_r g_r) / (1 + return_ohm (g_l + g_r)). The capacitor is a first-order high-pass at
 * 1 / (2 pi C (output_ohm + R)), as if the return were none. What is heard is cut off at current_limit times R.
 *
 * The unit has no clock of its own: its corner frequencies and its hum are in hertz of the recorder's
 * clock, and the bent steps (polynomial, dead zone, clip) act on samples at the capture rate: orders
 * that fall beyond half the rate fold back, as reference values for sampled signals expect.
 */
typedef struct mt_simulated_channel {
  double gain_db;
  double poly[5];      /**< y = poly[0] x + poly[1] x^2 + ...: poly[0] is 1 for a wire */
  double dead_zone;    /**< soft: y = sgn(x) max(|x| - d, 0); full-scale units */
  double clip;         /**< hard, at +-clip; 0: none */
  double high_pass_hz; /**< first order (a coupling capacitor), bilinear with the corner prewarped; 0: none */
  double shelf_db;     /**< low shelf, Audio EQ Cookbook, S = 1, at the capture rate; 0: none */
  double shelf_hz;
  bool invert;
  bool mute;           /**< its own signal is gone; crosstalk, hum, DC and noise still arrive */
  double crosstalk_db; /**< this channel hears the other one's output at this level; -INFINITY: not */
  /** mains line at hum_hz; orders 2 to 5 each 10 dB below the one before; -INFINITY: none */
  double hum_dbfs;
  double noise_dbfs; /**< white Gaussian, level in 0 ... rate/2; -INFINITY: none */
  double dc;         /**< of full scale */
  double output_ohm; /**< source resistance */
  double output_uf;  /**< capacitor in series with the output; 0: none */
  /** peak current into the load, full scale per ohm: A where full scale is 1 V; 0: none */
  double current_limit;
} mt_simulated_channel;

typedef enum mt_dropout_kind {
  MT_SIMULATED_MUTE,   /**< frames replaced by zero, time goes on */
  MT_SIMULATED_LOSE,   /**< frames left out, later ones move up */
  MT_SIMULATED_REPEAT, /**< frames delivered twice, later ones move down */
  MT_SIMULATED_GAIN,   /**< frames at another gain, as by an automatic control or a hand at a knob */
  MT_SIMULATED_HUM,    /**< a burst of the mains line at hum_hz, with the orders of a channel's hum */
  MT_SIMULATED_CLIP,   /**< frames whose peaks are cut off */
} mt_dropout_kind;

/** Whatever goes wrong, the take has the length asked for: what is lost is made up at its end. */
typedef struct mt_simulated_dropout {
  mt_dropout_kind kind;
  double at_s; /**< from the take's first frame, of the frames as delivered */
  size_t nframes;
  bool channel[2]; /**< which channels; lost and repeated frames are so on both */
  double level_db; /**< gain: by how much; hum: of the line, dBFS; clip: the peak that is left, dBFS */
} mt_simulated_dropout;

#define MT_SIMULATED_TRACKING_MAX 16
#define MT_SIMULATED_SCRATCHES_MAX 16
#define MT_SIMULATED_DEAD_MAX 4

/** A burst of white noise, as of a dirty track, for the wiper crosses it at that moment. */
typedef struct mt_simulated_scratch {
  double at_s;
  double length_s;
  double level_dbfs; /**< in 0 ... rate/2 */
  bool channel[2];
} mt_simulated_scratch;

/** A stretch of track: the level stays what it was at its upper end, or falls by so much as long as it lasts. */
typedef struct mt_simulated_dead {
  double from_db; /**< attenuation, the smaller one */
  double to_db;
  double loss_db; /**< 0: it stays */
  bool channel[2];
} mt_simulated_dead;

/**
 * A volume control while a hand turns it: from full down, and up again if it says so, its attenuation in proportion to
 * time. It lies before everything else in the unit. Times are from the take's first frame.
 */
typedef struct mt_simulated_volume {
  double range_db; /**< attenuation at the lower end; 0: there is no control */
  double from_s;   /**< until then at full */
  double to_s;     /**< from then on at the lower end */
  double back_s;   /**< from then on up again; 0: it stays down */
  double up_s;     /**< from then on at full */
  double step_db;  /**< a digital control: in steps of so much; 0: smooth */
  /** attenuation, ascending, and left less right there, dB; straight between, level beyond */
  double tracking_db[MT_SIMULATED_TRACKING_MAX][2];
  size_t ntracking;
  mt_simulated_scratch scratches[MT_SIMULATED_SCRATCHES_MAX];
  size_t nscratches;
  mt_simulated_dead dead[MT_SIMULATED_DEAD_MAX];
  size_t ndead;
} mt_simulated_volume;

typedef struct mt_simulated_unit {
  char name[96];
  mt_simulated_channel channel[2];
  bool swap;     /**< left and right exchanged at the input */
  bool sum;      /**< both channels are fed (left + right) / 2 */
  double hum_hz; /**< 50 unless said */
  double delay_s;
  double clock_offset_ppm; /**< player's clock less recorder's; rendered exactly, not by interpolation */
  unsigned bits;           /**< 0: float; 16, 20, 24: quantised with TPDF dither */
  uint64_t seed;           /**< of noise and dither */
  mt_simulated_dropout dropouts[MT_SIMULATED_DROPOUTS_MAX];
  size_t ndropouts;
  double clock_drift_ppm_per_s; /**< of the player's clock, from the take's first frame on */
  /** 0: none; else a mixer on the way into the unit resamples to this rate and back by straight lines */
  double mixer_rate_hz;
  double load_ohm;   /**< resistor on each output; 0: none */
  double input_ohm;  /**< of the sound card that listens; 0: draws nothing */
  double return_ohm; /**< in the return wire that both outputs share */
  mt_simulated_volume volume;
} mt_simulated_unit;

/** A wire: nothing added, nothing taken away. Levels that mean "none" are -INFINITY. */
void mt_simulate_init(mt_simulated_unit *out);

/**
 * Read a description (libconfig syntax; fixtures/ has commented examples).
 *
 * @param out  A wire changed as the file says; unchanged on failure.
 * @return MT_E_NO_INPUT if it cannot be opened, MT_E_PLAN with file and line for anything it says that
 *         is unknown, of the wrong type or out of range.
 */
mt_code mt_simulate_open(const char *path, mt_simulated_unit *out, mt_error *err);

/** The same from text; `name` stands for the file in messages. */
mt_code mt_simulate_parse(const char *text, const char *name, mt_simulated_unit *out, mt_error *err);

/**
 * The unit with its switches in the positions of a state: states = ( { name = "lift"; left = { ... }; } ) in the
 * description, whose keys override what the rest of it says. A state it does not name leaves the unit as it is.
 *
 * Each state has a noise of its own, made of the unit's seed and the state's name: of two takes of a real unit
 * it is not the same either.
 *
 * @param state  NULL or "": the unit as its description begins, all states checked.
 */
mt_code mt_simulate_open_state(const char *path, const char *state, mt_simulated_unit *out, mt_error *err);
mt_code mt_simulate_parse_state(const char *text, const char *name, const char *state, mt_simulated_unit *out,
                                mt_error *err);

/**
 * Play a source into the unit and deliver what comes out. The "simulate" back end does this.
 *
 * Frame n of the take carries the source at t (1 + e + d t / 2) - delay_s, with t = n / rate,
 * e = clock_offset_ppm * 1e-6, d = clock_drift_ppm_per_s * 1e-6: frame 0 is when source time 0 was played. Two
 * channels, llround(duration * rate) frames.
 *
 * @param request  rate_hz, duration_s, source (NULL: silence; one channel feeds both inputs), progress.
 * @return MT_E_ARG for a value of the unit or the request out of range; whatever the sink returns.
 */
mt_code mt_simulate_run(const mt_simulated_unit *unit, const mt_audio_request *request,
                        const mt_audio_sink *sink, mt_error *err);

/**
 * Exact gain of a channel's linear part at one frequency, in dB: gain, poly[0], high-pass, low shelf, output and load.
 *
 * What the steady response must be read as when dead zone, clip and the bent orders are absent.
 * Crosstalk is left out. Evaluated from the filters' coefficients at the capture rate, so it is the
 * truth of the samples; the analogue capacitor is within 0.004 dB of it from 20 Hz to 20 kHz at 48 kHz
 * for corners up to 500 Hz.
 *
 * @param channel  0 or 1.
 * @param freq_hz  In the recorder's hertz: a tone played at f arrives as f * (1 + e). 0 < f < rate / 2.
 * @return dB; -INFINITY when the channel is muted.
 * Source: high-pass 1 / (1 + wc/s) by the bilinear transform; R. Bristow-Johnson, Audio EQ Cookbook.
 */
double mt_simulate_gain_db(const mt_simulated_unit *unit, unsigned channel, double rate_hz, double freq_hz);

/** Its phase in degrees, -180 ... 180, with `invert` and without the delay. 0 when muted. */
double mt_simulate_phase_deg(const mt_simulated_unit *unit, unsigned channel, double rate_hz, double freq_hz);

/** Attenuation the control is turned to at a moment of the take, dB, without what its tracks make of it. */
double mt_simulate_turned_db(const mt_simulated_volume *volume, double t_s);

/** Gain of a channel's track there, dB. Both share the attenuation; the right one bears the tracking error. */
double mt_simulate_track_db(const mt_simulated_volume *volume, unsigned channel, double turned_db);

#ifdef __cplusplus
}
#endif
#endif
