/** @file chart_layout.h  Where everything of a chart lies, before anything is drawn. Lengths in points. */
#ifndef REPORT_CHART_LAYOUT_H
#define REPORT_CHART_LAYOUT_H

#include <mendtone/chart.h>

#include "report/chart_scale.h"
#include "report/paint.h"

#define CHART_TEXTS_MAX (CHART_TICKS_MAX * 2 + MT_CHART_LINES_MAX + 8)

typedef struct chart_box {
  double x, y, width, height;
} chart_box;

/** One line of text and the room it takes. */
typedef struct chart_text {
  chart_box box;
  char text[128];
  paint_font font;
  paint_anchor anchor; /**< within the box */
  bool is_faint;
} chart_text;

/** The label at the end of a line: its text is texts[text]. */
typedef struct chart_tag {
  double from_y; /**< where the line ends, at the frame; NAN: it has no points */
  double at_y;   /**< middle of its label */
} chart_tag;

typedef struct chart_layout {
  double width, height;
  chart_box plot;
  chart_scale x, y;
  double per_decade; /**< dB to the length of a decade; 0: no such proportion */
  bool is_cut_below; /**< what lies lower is not shown */
  bool has_bounds;   /**< some points are upper bounds only */
  size_t ntexts;
  chart_text texts[CHART_TEXTS_MAX];
  chart_tag tags[MT_CHART_LINES_MAX];
  double tag_x;        /**< where the labels' samples begin */
  double tags_y;       /**< if below */
  bool are_tags_below; /**< too long to stand beside the lines, they are listed under the picture */
  char note[512];
  double note_y, note_height;
} chart_layout;

#define CHART_SAMPLE 20.0 /* length of the piece of line beside a label */

extern const paint_font chart_title_font, chart_text_font, chart_note_font;

/** @param ruler  any painter, to measure text with. */
mt_code chart_layout_make(const mt_chart *chart, const mt_chart_look *look, paint *ruler, chart_layout *out,
                          mt_error *err);

/** Where a value lies on the picture; far outside values are kept near it. */
double chart_layout_x(const chart_layout *layout, double x);
double chart_layout_y(const chart_layout *layout, double y);

#endif
