/**
 * @file load.h  An output and its load: impedance, output capacitor and power from the level with known resistors.
 *
 * An output is taken as a voltage E behind a resistance Z and perhaps a capacitor C, loaded by R with the sound card's
 * own input parallel to it. Only ratios of levels are used, so that neither volts nor the card's gain are needed.
 */
#ifndef MENDTONE_LOAD_H
#define MENDTONE_LOAD_H

#include <mendtone/curve.h>

#ifdef __cplusplus
extern "C" {
#endif

/** A card's gain and contacts repeat from take to take no better than this, dB (k = 2); common practice, no source. */
#define MT_LOAD_REPEAT_DB 0.01
/** A line input is no less than this, common practice; IEC 61938 asks for 22 kohm. Holds where no rig says. */
#define MT_LOAD_INPUT_LEAST_OHM 10e3
/** More points than so many are of no use. */
#define MT_LOAD_POINTS_MAX 16

/** The level of one tone with one resistor on the output. */
typedef struct mt_load_point {
  double ohm; /**< INFINITY: open */
  double tolerance_percent;
  double level_db;       /**< re anything that is the same for all points */
  double uncertainty_db; /**< of the level, expanded, k = 2 */
} mt_load_point;

/** What the points say of the source. */
typedef struct mt_load_source {
  mt_figure ohm;
  double sway_ohm; /**< what 0.01 dB of error in a level moves it by, at the worst */
  /** 0 with two points; else the root of chi square a degree of freedom: above 3 they fit no one Z */
  double misfit;
} mt_load_source;

/**
 * Source impedance from the level of one tone with two or more resistors, or open.
 *
 * 1/V is a straight line over the conductance of the load, 1/V = (1 + Z G)/E, so that Z is its slope over its value at
 * no load: with two points Z = R1 R2 (V2 - V1)/(V1 R2 - V2 R1), open and loaded Z = R (V_open/V - 1), with more the
 * weighted line by least squares. Uncertainty: that of the levels, the resistors' tolerance (limits, uniform) and the
 * input's, each carried through by moving it either way (JCGM 100:2008 5.1.3 note 2).
 *
 * @param input_ohm  of the sound card, known to 10 %; 0: not known, then anything from MT_LOAD_INPUT_LEAST_OHM up;
 *                   INFINITY: draws nothing.
 * @return MT_OK; MT_E_ARG: a value out of range or more than MT_LOAD_POINTS_MAX points; MT_E_DATA: fewer than two
 *         different loads, or levels that no source makes (louder with the heavier load by more than their
 *         uncertainty, or as if it were a source of current). `out` is unchanged on failure.
 * Source: Ohm's law. Tolerance: 1e-9, tests/unit/test_load.c.   Thread: any.
 */
mt_code mt_load_find_source(const mt_load_point *points, size_t n, double input_ohm, mt_load_source *out,
                            mt_error *err);

/** The corner that a load makes together with an output capacitor. */
typedef struct mt_load_corner {
  mt_figure hz; /**< of the heavier load; its lower end may reach 0 */
  bool is_seen; /**< false: no more than noise; hz.value + hz.uncertainty is a bound */
  bool fits;    /**< false: what is lost at low frequencies is not shaped as by one capacitor */
} mt_load_corner;

/**
 * Corner of an output capacitor from the response with a load less the one without (or with a lighter one).
 *
 * The difference is A (1 + (k fc/f)^2)/(1 + (fc/f)^2) in power, whatever the stages before the output do: an
 * interstage capacitor is in both responses and cancels. Least squares for fc over the points below a third of
 * `tone_hz`; A is taken at the tone. Errors of the points are taken as all alike, the worst case.
 *
 * @param difference  dB over Hz, loaded less open.
 * @param k           (R_loaded + Z)/(R_open + Z), 0 ... 0.9; 0: open.
 * @return MT_OK; MT_E_ARG; MT_E_DATA: too few points, or none near the tone. `out` is unchanged on failure.
 * Source: f_c = 1/(2 pi C (R + Z)); own estimator. Thread: any.
 */
mt_code mt_load_find_corner(const mt_curve *difference, double tone_hz, double k, mt_load_corner *out,
                            mt_error *err);

/** One state of the unit and what is on its outputs. */
typedef struct mt_load_state {
  char state[32];
  char compare_with[32]; /**< a state with the same switches and another load; "" if none */
  double ohm;            /**< INFINITY: open; 0: not said */
  double tolerance_percent;
} mt_load_state;

/**
 * Read together what differs in load only: appends readings, and the load to those there are.
 *
 * - `output_impedance`, one for each channel and group of states that are compared with each other, in the state with
 *   the heaviest load: at the tone, what an output capacitor takes off added back if the response tells.
 * - `load_corner` and `output_capacitance` there too, where both responses were read; a bound if none is seen.
 * - `output_power` in every state with a resistor: V^2/R at the tone, and at the maximum level if that was read.
 *
 * What cannot be read has its reason: no volts, a state that distorts (an output that bends has no one impedance),
 * levels that fit no one source.
 *
 * @param results  holds the readings of all states; volts applied.
 * @return MT_OK; MT_E_MEMORY.
 */
mt_code mt_load_measure(mt_results *results, const mt_load_state *states, size_t n, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
