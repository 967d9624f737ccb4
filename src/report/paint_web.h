/**
 * @file paint_web.h  A picture as an <svg> element within a page.
 *
 * Text stays text, held to the width it was measured to have: whatever font the reader's browser takes, no label
 * grows into another. Colours are classes, so that a page's style can turn them for a dark screen.
 */
#ifndef REPORT_PAINT_WEB_H
#define REPORT_PAINT_WEB_H

#include "report/paint.h"

typedef struct paint_web paint_web;

/** NULL: no memory. */
paint_web *paint_web_create(double width, double height);
void paint_web_destroy(paint_web **web);

/** @param bytes  malloc'ed, with a 0 behind them that nbytes does not count. */
mt_code paint_web_finish(paint_web *web, unsigned char **bytes, size_t *nbytes, mt_error *err);

void paint_web_title(paint_web *web, const char *title);
void paint_web_prefix(paint_web *web, unsigned prefix);
void paint_web_clip(paint_web *web, double x, double y, double width, double height);
void paint_web_unclip(paint_web *web);
void paint_web_stroke(paint_web *web, const double *xy, size_t n, paint_colour colour, double width,
                      const double *dash, size_t ndash);
void paint_web_fill(paint_web *web, const double *xy, size_t n, paint_colour colour);

/** One line, (x, y) the left end of its baseline, held to `width`. */
void paint_web_text(paint_web *web, double x, double y, double width, const char *text, paint_font font,
                    paint_colour colour);

#endif
