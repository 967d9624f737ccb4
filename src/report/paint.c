#include "report/paint.h"

#include "report/paint_web.h"

#include <cairo/cairo-pdf.h>
#include <cairo/cairo-svg.h>
#include <cairo/cairo.h>
#include <pango/pangocairo.h>

#include <stdlib.h>
#include <string.h>

/* A family with the letters of most scripts, packaged everywhere; what it lacks is taken from what there is. */
#define FAMILY "DejaVu Sans"
#define PIXELS_PER_POINT 2.0

struct paint {
  paint_kind kind;
  paint_web *web; /* PAINT_WEB: what is drawn goes there, text is measured here */
  cairo_surface_t *surface;
  cairo_t *cairo;
  PangoLayout *layout;
  unsigned char *bytes;
  size_t nbytes;
  size_t room;
};

static cairo_status_t keep(void *closure, const unsigned char *data, unsigned int length)
{
  paint *p = closure;

  if (p->nbytes + length > p->room) {
    size_t room = 2 * p->room + length + 4096;
    unsigned char *larger = realloc(p->bytes, room);
    if (larger == NULL)
      return CAIRO_STATUS_NO_MEMORY;
    p->bytes = larger;
    p->room = room;
  }
  memcpy(p->bytes + p->nbytes, data, length);
  p->nbytes += length;
  return CAIRO_STATUS_SUCCESS;
}

static void let_go(paint *p)
{
  if (p->layout != NULL)
    g_object_unref(p->layout);
  if (p->cairo != NULL)
    cairo_destroy(p->cairo);
  if (p->surface != NULL)
    cairo_surface_destroy(p->surface);
  paint_web_destroy(&p->web);
  free(p->bytes);
  free(p);
}

static void open_surface(paint *p, double width, double height)
{
  switch (p->kind) {
  case PAINT_SVG:
    p->surface = cairo_svg_surface_create_for_stream(keep, p, width, height);
    cairo_svg_surface_set_document_unit(p->surface, CAIRO_SVG_UNIT_PT);
    break;
  case PAINT_PNG:
    p->surface = cairo_image_surface_create(CAIRO_FORMAT_ARGB32, (int)(width * PIXELS_PER_POINT + 0.5),
                                            (int)(height * PIXELS_PER_POINT + 0.5));
    cairo_surface_set_device_scale(p->surface, PIXELS_PER_POINT, PIXELS_PER_POINT);
    break;
  case PAINT_WEB: p->surface = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1); break;
  case PAINT_PDF: p->surface = cairo_pdf_surface_create_for_stream(keep, p, width, height); break;
  }
}

mt_code paint_begin(paint_kind kind, double width, double height, paint **out, mt_error *err)
{
  paint *p = calloc(1, sizeof *p);

  if (p == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a picture");
  p->kind = kind;
  open_surface(p, width, height);
  p->cairo = cairo_create(p->surface);
  p->layout = pango_cairo_create_layout(p->cairo);
  if (kind == PAINT_WEB)
    p->web = paint_web_create(width, height);
  if (cairo_status(p->cairo) != CAIRO_STATUS_SUCCESS || p->layout == NULL ||
      (kind == PAINT_WEB && p->web == NULL)) {
    let_go(p);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a picture of %.0f x %.0f points", width, height);
  }
  /* the same letters at the same places whatever the display's settings */
  cairo_font_options_t *options = cairo_font_options_create();
  cairo_font_options_set_antialias(options, CAIRO_ANTIALIAS_GRAY);
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  pango_cairo_context_set_font_options(pango_layout_get_context(p->layout), options);
  pango_cairo_context_set_resolution(pango_layout_get_context(p->layout), 72.0);
  cairo_font_options_destroy(options);
  cairo_set_line_join(p->cairo, CAIRO_LINE_JOIN_ROUND);
  *out = p;
  return MT_OK;
}

mt_code paint_finish(paint **painter, unsigned char **bytes, size_t *nbytes, mt_error *err)
{
  paint *p = *painter;
  cairo_status_t status;

  *painter = NULL;
  if (p->kind == PAINT_WEB) {
    mt_code code = paint_web_finish(p->web, bytes, nbytes, err);
    let_go(p);
    return code;
  }
  status = cairo_status(p->cairo);
  if (status == CAIRO_STATUS_SUCCESS && p->kind == PAINT_PNG)
    status = cairo_surface_write_to_png_stream(p->surface, keep, p);
  if (p->kind == PAINT_PDF && status == CAIRO_STATUS_SUCCESS)
    cairo_show_page(p->cairo);
  cairo_surface_finish(p->surface);
  if (status == CAIRO_STATUS_SUCCESS)
    status = cairo_surface_status(p->surface);
  if (status != CAIRO_STATUS_SUCCESS) {
    let_go(p);
    return mt_fail(err, status == CAIRO_STATUS_NO_MEMORY ? MT_E_MEMORY : MT_E_INTERNAL,
                   "the picture could not be drawn: %s", cairo_status_to_string(status));
  }
  *bytes = p->bytes;
  *nbytes = p->nbytes;
  p->bytes = NULL;
  let_go(p);
  return MT_OK;
}

void paint_next_page(paint *painter)
{
  cairo_show_page(painter->cairo);
}

void paint_set_title(paint *painter, const char *title)
{
  if (painter->web != NULL)
    paint_web_title(painter->web, title);
  if (painter->kind == PAINT_PDF)
    cairo_pdf_surface_set_metadata(painter->surface, CAIRO_PDF_METADATA_TITLE, title);
}

void paint_set_prefix(paint *painter, unsigned prefix)
{
  if (painter->web != NULL)
    paint_web_prefix(painter->web, prefix);
}

void paint_clip(paint *painter, double x, double y, double width, double height)
{
  if (painter->web != NULL) {
    paint_web_clip(painter->web, x, y, width, height);
    return;
  }
  cairo_save(painter->cairo);
  cairo_rectangle(painter->cairo, x, y, width, height);
  cairo_clip(painter->cairo);
}

void paint_unclip(paint *painter)
{
  if (painter->web != NULL)
    paint_web_unclip(painter->web);
  else
    cairo_restore(painter->cairo);
}

void paint_shift(paint *painter, double x, double y)
{
  cairo_translate(painter->cairo, x, y);
}

static void set_colour(paint *p, paint_colour colour)
{
  if (colour.alpha >= 1.0)
    cairo_set_source_rgb(p->cairo, colour.red, colour.green, colour.blue);
  else
    cairo_set_source_rgba(p->cairo, colour.red, colour.green, colour.blue, colour.alpha);
}

static void trace(paint *p, const double *xy, size_t n)
{
  cairo_new_path(p->cairo);
  for (size_t i = 0; i < n; i++)
    cairo_line_to(p->cairo, xy[2 * i], xy[2 * i + 1]);
}

void paint_stroke(paint *painter, const double *xy, size_t n, paint_colour colour, double width,
                  const double *dash, size_t ndash)
{
  if (painter->web != NULL) {
    paint_web_stroke(painter->web, xy, n, colour, width, dash, ndash);
    return;
  }
  trace(painter, xy, n);
  set_colour(painter, colour);
  cairo_set_line_width(painter->cairo, width);
  cairo_set_dash(painter->cairo, dash, dash != NULL ? (int)ndash : 0, 0.0);
  cairo_set_line_cap(painter->cairo, dash != NULL ? CAIRO_LINE_CAP_BUTT : CAIRO_LINE_CAP_ROUND);
  cairo_stroke(painter->cairo);
}

void paint_fill(paint *painter, const double *xy, size_t n, paint_colour colour)
{
  if (painter->web != NULL) {
    paint_web_fill(painter->web, xy, n, colour);
    return;
  }
  trace(painter, xy, n);
  cairo_close_path(painter->cairo);
  set_colour(painter, colour);
  cairo_fill(painter->cairo);
}

/* ---- text ------------------------------------------------------------------------------------- */

/* Lay out as plain text, never as markup. `width` 0: one line as long as it is. */
static void lay_out(paint *p, const char *text, paint_font font, double width, bool wraps)
{
  PangoFontDescription *description = pango_font_description_from_string(FAMILY);

  pango_font_description_set_absolute_size(description, font.size * PANGO_SCALE);
  pango_font_description_set_weight(description, font.is_bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL);
  pango_layout_set_font_description(p->layout, description);
  pango_font_description_free(description);
  pango_layout_set_single_paragraph_mode(p->layout, !wraps);
  pango_layout_set_width(p->layout, width > 0.0 ? (int)(width * PANGO_SCALE) : -1);
  pango_layout_set_wrap(p->layout, PANGO_WRAP_WORD_CHAR);
  pango_layout_set_ellipsize(p->layout, wraps || width <= 0.0 ? PANGO_ELLIPSIZE_NONE : PANGO_ELLIPSIZE_END);
  pango_layout_set_text(p->layout, text, -1);
}

static void size_of_layout(const paint *p, double *width, double *height)
{
  int w, h;

  pango_layout_get_size(p->layout, &w, &h);
  *width = (double)w / PANGO_SCALE;
  *height = (double)h / PANGO_SCALE;
}

void paint_measure(paint *painter, const char *text, paint_font font, double *width, double *height)
{
  lay_out(painter, text, font, 0.0, false);
  size_of_layout(painter, width, height);
}

void paint_text(paint *painter, double x, double y, const char *text, paint_font font, paint_anchor anchor,
                double max_width, paint_colour colour)
{
  double width, height;

  lay_out(painter, text, font, 0.0, false);
  size_of_layout(painter, &width, &height);
  if (max_width > 0.0 && width > max_width) {
    lay_out(painter, text, font, max_width, false);
    size_of_layout(painter, &width, &height);
  }
  if (painter->web != NULL) {
    double left = x - (anchor == PAINT_CENTRE ? width / 2.0 : anchor == PAINT_RIGHT ? width : 0.0);
    double baseline = (double)pango_layout_get_baseline(painter->layout) / PANGO_SCALE;
    paint_web_text(painter->web, left, y + baseline, width, text, font, colour);
    return;
  }
  set_colour(painter, colour);
  cairo_move_to(painter->cairo,
                x - (anchor == PAINT_CENTRE  ? width / 2.0
                     : anchor == PAINT_RIGHT ? width
                                             : 0.0),
                y);
  pango_cairo_show_layout(painter->cairo, painter->layout);
}

double paint_paragraph(paint *painter, double x, double y, double width, double bottom, const char *text,
                       paint_font font, const paint_colour *colour, size_t skip, size_t *drawn, size_t *total)
{
  PangoLayoutIter *iter;
  double height = 0.0;
  size_t line = 0, n = 0;

  lay_out(painter, text, font, width, true);
  iter = pango_layout_get_iter(painter->layout);
  do {
    PangoRectangle logical;
    double line_height;
    pango_layout_iter_get_line_extents(iter, NULL, &logical);
    line_height = (double)logical.height / PANGO_SCALE;
    if (line++ < skip)
      continue;
    if (y + height + line_height > bottom)
      break;
    if (colour != NULL && painter->web != NULL) {
      PangoLayoutLine *piece = pango_layout_iter_get_line_readonly(iter);
      double ascent = (double)(pango_layout_iter_get_baseline(iter) - logical.y) / PANGO_SCALE;
      char *words = strndup(text + piece->start_index, (size_t)piece->length);
      if (words != NULL)
        paint_web_text(painter->web, x, y + height + ascent, (double)logical.width / PANGO_SCALE, words, font,
                       *colour);
      free(words);
    } else if (colour != NULL) {
      double ascent = (double)(pango_layout_iter_get_baseline(iter) - logical.y) / PANGO_SCALE;
      set_colour(painter, *colour);
      cairo_move_to(painter->cairo, x + (double)logical.x / PANGO_SCALE, y + height + ascent);
      pango_cairo_show_layout_line(painter->cairo, pango_layout_iter_get_line_readonly(iter));
    }
    height += line_height;
    n++;
  } while (pango_layout_iter_next_line(iter));
  pango_layout_iter_free(iter);
  if (drawn != NULL)
    *drawn = n;
  if (total != NULL)
    *total = (size_t)pango_layout_get_line_count(painter->layout);
  return height;
}
