/**
 * @file chart.h  A chart: what is drawn, made from results, and its picture.
 *
 * Which look a line has follows from what it is (left, right, earlier, floor...), never from its place in the
 * list; it is told by dashes as well as by colour.
 */
#ifndef MENDTONE_CHART_H
#define MENDTONE_CHART_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_CHART_LINES_MAX 14
#define MT_CHART_LIMITS_MAX 16
#define MT_CHART_SPANS_MAX 200

typedef enum mt_chart_axis {
  MT_CHART_FREQUENCY, /**< hertz, logarithmic, labelled 1-2-5 */
  MT_CHART_LEVEL,     /**< decibels */
  MT_CHART_TIME,      /**< seconds */
  MT_CHART_TURNED     /**< decibels a control is turned down */
} mt_chart_axis;

/** What a line is. */
typedef enum mt_chart_role {
  MT_CHART_LEFT,
  MT_CHART_RIGHT,
  MT_CHART_PAIR, /**< one line for both channels */
  MT_CHART_OTHER,
  MT_CHART_LEFT_EARLIER, /**< before, or in the reference state */
  MT_CHART_RIGHT_EARLIER,
  MT_CHART_PAIR_EARLIER,
  MT_CHART_TOTAL, /**< of the harmonics drawn beside it */
  MT_CHART_ORDER_2,
  MT_CHART_ORDER_3,
  MT_CHART_ORDER_4,
  MT_CHART_ORDER_5,
  MT_CHART_FLOOR, /**< what the same estimate reads of noise alone */
  MT_CHART_REFERENCE
} mt_chart_role;

typedef struct mt_chart_line {
  mt_chart_role role;
  char label[48];
  size_t npoints;      /**< 0: there is nothing to draw, and the label says so */
  double *x;           /**< ascending */
  double *y;           /**< finite */
  double *uncertainty; /**< expanded, k = 2; NULL: none; MT_CURVE_BOUND_DB: y is an upper bound */
} mt_chart_line;

/** Between from_x and to_x the lines shall lie between min and max; +-INFINITY: no such limit. */
typedef struct mt_chart_limit {
  double from_x, to_x;
  double min, max;
} mt_chart_limit;

/** A stretch of x that is marked: a dropout, a spoilt part. */
typedef struct mt_chart_span {
  double from_x, to_x;
} mt_chart_span;

typedef struct mt_chart {
  char title[128];
  char x_title[64];
  char y_title[64];
  char note[240]; /**< beneath the picture; may be "" */
  mt_chart_axis x_axis;
  mt_unit y_unit;
  size_t nlines;
  mt_chart_line lines[MT_CHART_LINES_MAX];
  size_t nlimits;
  mt_chart_limit limits[MT_CHART_LIMITS_MAX];
  size_t nspans;
  mt_chart_span spans[MT_CHART_SPANS_MAX];
} mt_chart;

/** An empty chart of that title. */
mt_code mt_chart_create(const char *title, mt_chart_axis x_axis, mt_unit y_unit, mt_chart **out,
                        mt_error *err);

/**
 * Add a line; the arrays are copied.
 *
 * @param x, y, uncertainty  [npoints]; x ascending, positive on a frequency axis; uncertainty may be NULL.
 * @return MT_E_ARG: too many lines; MT_E_DATA: x not ascending, or a number not finite; MT_E_MEMORY.
 */
mt_code mt_chart_add_line(mt_chart *chart, mt_chart_role role, const char *label, size_t npoints,
                          const double *x, const double *y, const double *uncertainty, mt_error *err);

/** Free all; accepts NULL and leaves NULL. */
void mt_chart_destroy(mt_chart **chart);

/** What to show of the results. */
typedef struct mt_chart_choice {
  const char *name;          /**< one of mt_chart_name() */
  const char *state;         /**< NULL: the first that has it */
  const char *segment;       /**< NULL: the usual one */
  const mt_results *earlier; /**< drawn in grey behind it; may be NULL */
  const char *now_label;     /**< "after"; NULL: none, or "now" when there is an earlier one */
  const char *earlier_label; /**< NULL: "before" */
  const char *earlier_state; /**< NULL: the same state */
} mt_chart_choice;

/** The names of the charts there can be, in the order of a report; NULL from MT_CHART_NAMES on. */
const char *mt_chart_name(size_t index);

/** The name nearest to a misspelt one, or NULL. */
const char *mt_chart_nearest(const char *name);

/** What it shows in a few words, for a list; NULL for an unknown name. */
const char *mt_chart_meaning(const char *name);

/** Whether the results hold anything for it. */
bool mt_chart_has(const mt_results *results, const char *name);

/**
 * The chart of that name.
 *
 * A channel whose curve is not valid has its line without points and its reason in the label. Limits are
 * those the results were judged by.
 *
 * @return MT_OK; MT_E_ARG: unknown name; MT_E_DATA: the results hold nothing for it; MT_E_MEMORY.
 */
mt_code mt_chart_of_results(const mt_results *results, const mt_chart_choice *choice, mt_chart **out,
                            mt_error *err);

typedef enum mt_picture { MT_PICTURE_SVG, MT_PICTURE_PNG, MT_PICTURE_PDF } mt_picture;

typedef struct mt_chart_look {
  mt_picture picture;
  bool is_dark;  /**< light lines for a dark page; the background stays transparent */
  double width;  /**< points; 0: 560. The height follows from the proportions of IEC 60263 */
  double y_from; /**< NAN: chosen */
  double y_to;   /**< NAN: chosen */
} mt_chart_look;

/** SVG, light, 560 points wide. */
mt_chart_look mt_chart_look_default(void);

/**
 * Draw it.
 *
 * Level over the logarithm of frequency keeps 10, 25 or 50 dB to the length of a decade.
 *
 * @param bytes  malloc'ed, unchanged on failure.
 * @return MT_OK; MT_E_ARG: a width below 240 or beyond 5000, y_from not below y_to; MT_E_MEMORY.
 * Source: IEC 60263:2020 (proportions); Okabe and Ito (colours).   Thread: one at a time.
 */
mt_code mt_chart_draw(const mt_chart *chart, const mt_chart_look *look, unsigned char **bytes, size_t *nbytes,
                      mt_error *err);

/** Draw it into a file, whole or not at all; .svg, .png or .pdf says which. MT_E_ARG, MT_E_CREATE, MT_E_IO. */
mt_code mt_chart_write(const mt_chart *chart, const mt_chart_look *look, const char *path, mt_error *err);

/** The chart in one or two sentences, for whoever cannot see it; malloc'ed. */
mt_code mt_chart_describe(const mt_chart *chart, char **out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
