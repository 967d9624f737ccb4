/**
 * @file paint.h  Lines, areas and text on a picture or on pages: SVG, PNG or PDF.
 *
 * Lengths in points (1/72 inch), y downward from the top. Coordinates must be finite. A failure stays with the
 * painter and comes out at paint_finish(): nothing between needs to be checked.
 */
#ifndef REPORT_PAINT_H
#define REPORT_PAINT_H

#include <mendtone/error.h>

#include <stdbool.h>
#include <stddef.h>

typedef struct paint paint;

typedef enum paint_kind {
  PAINT_SVG, /**< text as outlines: looks the same wherever it is opened */
  PAINT_PNG, /**< two pixels a point */
  PAINT_PDF, /**< text stays text, fonts embedded */
  PAINT_WEB  /**< an <svg> element for a page: text stays text, colours by their keys from the page's style */
} paint_kind;

typedef struct paint_colour {
  double red, green, blue, alpha; /**< 0 ... 1 */
  int key;                        /**< PAINT_WEB: class "sN" for lines, "fN" for areas and text */
} paint_colour;

typedef enum paint_anchor { PAINT_LEFT, PAINT_CENTRE, PAINT_RIGHT } paint_anchor;

typedef struct paint_font {
  double size; /**< points */
  bool is_bold;
} paint_font;

/** Start a picture, or the first page. */
mt_code paint_begin(paint_kind kind, double width, double height, paint **out, mt_error *err);

/** End it. @param bytes  malloc'ed, unchanged on failure. The painter is freed in any case. */
mt_code paint_finish(paint **painter, unsigned char **bytes, size_t *nbytes, mt_error *err);

/** PDF: go on on a new page. */
void paint_next_page(paint *painter);

/** What a reader of documents shows; PAINT_WEB: what is read out instead of the picture. Valid UTF-8. */
void paint_set_title(paint *painter, const char *title);

/** PAINT_WEB: begins the names within the picture; a different one for each picture of a page. */
void paint_set_prefix(paint *painter, unsigned prefix);

/** Confine what follows to a rectangle, until paint_unclip(). Not nested. */
void paint_clip(paint *painter, double x, double y, double width, double height);
void paint_unclip(paint *painter);

/** Move the origin of what follows, from where it is now. */
void paint_shift(paint *painter, double x, double y);

/** @param xy  [2 * n]: x0 y0 x1 y1 ...  @param dash  [ndash] lengths on, off...; NULL: solid. */
void paint_stroke(paint *painter, const double *xy, size_t n, paint_colour colour, double width,
                  const double *dash, size_t ndash);

/** Fill the polygon. */
void paint_fill(paint *painter, const double *xy, size_t n, paint_colour colour);

/** Size of one line of text, valid UTF-8: advance width, height of the line. */
void paint_measure(paint *painter, const char *text, paint_font font, double *width, double *height);

/** One line, its top at y, valid UTF-8; cut with an ellipsis beyond `max_width` (0: never). */
void paint_text(paint *painter, double x, double y, const char *text, paint_font font, paint_anchor anchor,
                double max_width, paint_colour colour);

/**
 * A paragraph, broken at words, else anywhere. Draws the lines that fit between y and `bottom`.
 *
 * @param skip   lines that were drawn before, on an earlier page.
 * @param drawn  lines drawn now; may be NULL.
 * @return the height drawn; with `colour` NULL nothing is drawn, the height is what it would take.
 */
double paint_paragraph(paint *painter, double x, double y, double width, double bottom, const char *text,
                       paint_font font, const paint_colour *colour, size_t skip, size_t *drawn,
                       size_t *total);

#endif
