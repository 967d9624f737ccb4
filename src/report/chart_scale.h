/** @file chart_scale.h  Axes: where a value lies, and which values are labelled. Pure arithmetic. */
#ifndef REPORT_CHART_SCALE_H
#define REPORT_CHART_SCALE_H

#include <stdbool.h>
#include <stddef.h>

#define CHART_TICKS_MAX 80

typedef struct chart_tick {
  double value;
  char label[16]; /**< "" : a line of the grid without a label */
  int rank;       /**< 0: to be labelled first; where there is no room the higher ranks go */
} chart_tick;

typedef struct chart_scale {
  bool is_log;
  double from; /**< below `to` */
  double to;
  double step; /**< linear: between labelled ticks; 0 on a logarithmic one */
  size_t nticks;
  chart_tick ticks[CHART_TICKS_MAX];
} chart_scale;

/** A logarithmic scale from `from_hz` to `to_hz` (0 < from < to), labelled 1-2-5: "20", "500", "2k". */
void chart_scale_frequency(double from_hz, double to_hz, chart_scale *out);

/** A linear scale whose ticks are multiples of `step`. */
void chart_scale_linear(double from, double to, double step, chart_scale *out);

/** The smallest 1-2-5 step that divides `range` (> 0) into at most `most` (>= 1) parts. */
double chart_scale_step(double range, size_t most);

/** Where a value lies: 0 at `from`, 1 at `to`; beyond them outside. */
double chart_scale_place(const chart_scale *scale, double value);

/**
 * Decibels over the logarithm of frequency in fixed proportion: so many dB as long as a decade.
 *
 * @param decade       length of a decade, as drawn.
 * @param low, high    what shall be seen, low <= high.
 * @param least, most  bounds of the height.
 * @param from, to     the range to draw, whole steps; `from` lies above `low` where all cannot be shown.
 * @param per_decade   10, 25 or 50 dB.
 * @return the height.
 * Source: IEC 60263:2020.
 */
double chart_scale_proportion(double decade, double low, double high, double least, double most, double *from,
                              double *to, double *step, double *per_decade);

/**
 * Move things of like height apart along a line, as little as can be, keeping their order.
 *
 * @param at      [n] centres, ascending; changed in place.
 * @param height  of each; n * height <= bottom - top, else they are spread evenly and overlap.
 */
void chart_scale_spread(double *at, size_t n, double height, double top, double bottom);

#endif
