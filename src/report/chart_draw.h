/** @file chart_draw.h  A chart drawn on a painter: on a picture of its own or on a page. */
#ifndef REPORT_CHART_DRAW_H
#define REPORT_CHART_DRAW_H

#include "report/chart_layout.h"

/** Colours of the page and of what stands on it. */
typedef struct chart_theme {
  paint_colour page, ink, faint, grid, frame;
  bool is_dark;
} chart_theme;

const chart_theme *chart_theme_of(bool is_dark);

/** Draw with the layout's top left corner at the painter's origin. */
void chart_draw_on(paint *painter, const mt_chart *chart, const chart_layout *layout,
                   const chart_theme *theme);

#endif
