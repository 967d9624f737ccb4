/**
 * @file curve.h  Reading figures off a curve: smoothing, corners, flatness, slope, group delay.
 *
 * All frequencies in hertz, all curves with x ascending and positive; between points a curve is a straight line
 * over the logarithm of the frequency.
 */
#ifndef MENDTONE_CURVE_H
#define MENDTONE_CURVE_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

/** A figure read off a curve, with its expanded uncertainty (k = 2), in the same unit. */
typedef struct mt_figure {
  double value;
  double uncertainty;
} mt_figure;

/**
 * Smooth a curve in dB over a fraction of an octave, by power.
 *
 * Each point becomes 10 lg of the mean power, over the logarithm of the frequency, of the stretch from
 * 2^(-octaves/2) to 2^(octaves/2) times its own frequency: white noise in octaves, so to speak, not in hertz. At
 * the ends the stretch is shortened on both sides alike, so that a slope is not bent there; the end points stay as
 * they are.
 *
 * @param octaves      1.0/3, 1.0/6, 1.0/12...; 0 ... 4.
 * @param y            [curve->npoints], may be curve->y.
 * @param uncertainty  [curve->npoints] or NULL, may be curve->uncertainty: the largest within the stretch, as errors
 *                     of neighbours are not known to be independent.
 * @return MT_OK; MT_E_ARG: octaves out of range; MT_E_DATA: fewer than two points, x not ascending or a point not
 *         finite; MT_E_MEMORY.
 * Source: own definition; power average as in IEC 61260-1 bands, with ideal edges.   Thread: any.
 */
mt_code mt_curve_smooth(const mt_curve *curve, double octaves, double *y, double *uncertainty, mt_error *err);

typedef enum mt_corner_side { MT_CORNER_LOW, MT_CORNER_HIGH } mt_corner_side;

/**
 * The frequency at which a curve in dB falls below a level, the first one on the way from `from_hz` to that side.
 *
 * Interpolated straight over log f between the two points it lies between. The uncertainty is that of the points
 * over the slope there; with it comes what a curve of a first-order corner bends away from a straight line.
 *
 * @param level_db  -3.0103 (half power) re the curve's own 0 dB, for a -3 dB corner.
 * @return MT_OK; MT_E_ARG: no curve; MT_E_DATA: the curve does not fall that far within what was read, or is below
 *         it at `from_hz` already; the message says which. `out` is unchanged on failure.
 */
mt_code mt_curve_corner(const mt_curve *curve, double from_hz, double level_db, mt_corner_side side,
                        mt_figure *out, mt_error *err);

/**
 * Highest less lowest value between two frequencies, the ends interpolated.
 *
 * A stretch that goes beyond the curve is cut to what was read; where it was read is told. What noise adds to the
 * highest of many points and takes from the lowest is taken off; errors of the points taken as independent.
 *
 * @param read_from_hz, read_to_hz  the stretch that was read; may be NULL.
 * @return MT_OK; MT_E_ARG; MT_E_DATA: the curve has nothing there; MT_E_MEMORY.
 */
mt_code mt_curve_flatness(const mt_curve *curve, double from_hz, double to_hz, mt_figure *out,
                          double *read_from_hz, double *read_to_hz, mt_error *err);

/**
 * Slope between two frequencies, per octave: the straight line by least squares over log f.
 *
 * The uncertainty takes errors of neighbouring points as what a swept response's are: independent from some 60 Hz up,
 * alike below; that of the reference moves all points alike, and not the slope.
 *
 * @return MT_OK; MT_E_ARG; MT_E_DATA: fewer than two points there.
 */
mt_code mt_curve_slope(const mt_curve *curve, double from_hz, double to_hz, mt_figure *out, mt_error *err);

/**
 * Group delay, -dphi/d(2 pi f), from an unwrapped phase in degrees.
 *
 * The slope of the parabola through five neighbouring points by least squares (over hertz), at the ends of the first
 * and last five, less what the delay's own bend adds to it. A pure delay and a phase bent by f^2 come out exactly.
 *
 * @param delay_s        [phase->npoints]
 * @param uncertainty_s  [phase->npoints]: errors of neighbouring points as in mt_curve_slope().
 * @return MT_OK; MT_E_ARG; MT_E_DATA: fewer than five points; MT_E_MEMORY.
 */
mt_code mt_curve_group_delay(const mt_curve *phase, double *delay_s, double *uncertainty_s, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
