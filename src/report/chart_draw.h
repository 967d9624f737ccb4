/** @file chart_draw.h  A chart drawn on a painter: on a picture of its own or on a page. */
#ifndef REPORT_CHART_DRAW_H
#define REPORT_CHART_DRAW_H

#include "report/chart_layout.h"

#include <stdio.h>

/** Colours of the page and of what stands on it. */
typedef struct chart_theme {
  paint_colour page, ink, faint, grid, frame;
  bool is_dark;
} chart_theme;

const chart_theme *chart_theme_of(bool is_dark);

/** The colours of PAINT_WEB pictures as style rules. */
void chart_write_style(FILE *out, bool is_dark);

/**
 * The chart as an <svg> element; its description is read out instead of it.
 *
 * @param prefix  another for each picture of a page.
 * @param width   points, as in mt_chart_look.
 * @param out     malloc'ed.
 */
mt_code chart_draw_web(const mt_chart *chart, unsigned prefix, double width, char **out, mt_error *err);

/** Where everything lies; the painter for measuring is its own. */
mt_code chart_lay_out(const mt_chart *chart, const mt_chart_look *look, chart_layout *layout, mt_error *err);

/** Draw with the layout's top left corner at the painter's origin. */
void chart_draw_on(paint *painter, const mt_chart *chart, const chart_layout *layout,
                   const chart_theme *theme);

#endif
