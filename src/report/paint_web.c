#include "report/paint_web.h"

#include "report/markup.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct paint_web {
  FILE *out;
  char *body;
  size_t nbody;
  double width, height;
  unsigned prefix, nclips;
  char *title;
};

paint_web *paint_web_create(double width, double height)
{
  paint_web *web = calloc(1, sizeof *web);

  if (web == NULL)
    return NULL;
  web->width = width;
  web->height = height;
  web->out = open_memstream(&web->body, &web->nbody);
  if (web->out == NULL)
    paint_web_destroy(&web);
  return web;
}

void paint_web_destroy(paint_web **web)
{
  if (*web == NULL)
    return;
  if ((*web)->out != NULL)
    fclose((*web)->out);
  free((*web)->body);
  free((*web)->title);
  free(*web);
  *web = NULL;
}

mt_code paint_web_finish(paint_web *web, unsigned char **bytes, size_t *nbytes, mt_error *err)
{
  char *text = NULL;
  size_t size = 0;
  FILE *out = open_memstream(&text, &size);
  int closed = fclose(web->out);

  web->out = NULL;
  if (out == NULL || closed != 0)
    goto fail;
  fprintf(out, "<svg viewBox=\"0 0 %.0f %.0f\" role=\"img\" aria-label=\"", web->width, web->height);
  markup_escape(out, web->title != NULL ? web->title : "", 0);
  fprintf(out, "\">\n%s</svg>\n", web->body);
  closed = fclose(out);
  out = NULL;
  if (closed != 0)
    goto fail;
  *bytes = (unsigned char *)text;
  *nbytes = size;
  return MT_OK;
fail:
  if (out != NULL)
    fclose(out);
  free(text);
  return mt_fail(err, MT_E_MEMORY, "out of memory for a picture");
}

void paint_web_title(paint_web *web, const char *title)
{
  free(web->title);
  web->title = strdup(title);
}

void paint_web_prefix(paint_web *web, unsigned prefix)
{
  web->prefix = prefix;
}

void paint_web_clip(paint_web *web, double x, double y, double width, double height)
{
  fprintf(web->out,
          "<clipPath id=\"k%u-%u\"><path d=\"M%.1f %.1fh%.1fv%.1fh%.1fz\"/></clipPath>"
          "<g clip-path=\"url(#k%u-%u)\">\n",
          web->prefix, web->nclips, x, y, width, height, -width, web->prefix, web->nclips);
  web->nclips++;
}

void paint_web_unclip(paint_web *web)
{
  fputs("</g>\n", web->out);
}

static void put_opacity(FILE *out, const char *what, double alpha)
{
  if (alpha < 1.0)
    fprintf(out, " %s-opacity=\"%.2g\"", what, alpha);
}

/* In tenths of a point, each re the one before: half the bytes, and no error adds up. */
static void put_path(paint_web *web, const double *xy, size_t n)
{
  long at_x = lround(10.0 * xy[0]), at_y = lround(10.0 * xy[1]);

  fprintf(web->out, "M%g %g", (double)at_x / 10.0, (double)at_y / 10.0);
  for (size_t i = 1; i < n; i++) {
    long x = lround(10.0 * xy[2 * i]), y = lround(10.0 * xy[2 * i + 1]);
    if (x == at_x && y == at_y && i + 1 < n)
      continue;
    fprintf(web->out, "l%g %g", (double)(x - at_x) / 10.0, (double)(y - at_y) / 10.0);
    at_x = x;
    at_y = y;
  }
}

void paint_web_stroke(paint_web *web, const double *xy, size_t n, paint_colour colour, double width,
                      const double *dash, size_t ndash)
{
  fprintf(web->out, "<path class=\"s%d\" stroke-width=\"%.2g\"", colour.key, width);
  put_opacity(web->out, "stroke", colour.alpha);
  for (size_t i = 0; i < (dash != NULL ? ndash : 0); i++)
    fprintf(web->out, "%s%g", i == 0 ? " stroke-dasharray=\"" : " ", dash[i]);
  fputs(dash != NULL && ndash > 0 ? "\" d=\"" : " d=\"", web->out);
  put_path(web, xy, n);
  fputs("\"/>\n", web->out);
}

void paint_web_fill(paint_web *web, const double *xy, size_t n, paint_colour colour)
{
  fprintf(web->out, "<path class=\"f%d\"", colour.key);
  put_opacity(web->out, "fill", colour.alpha);
  fputs(" d=\"", web->out);
  put_path(web, xy, n);
  fputs("z\"/>\n", web->out);
}

void paint_web_text(paint_web *web, double x, double y, double width, const char *text, paint_font font,
                    paint_colour colour)
{
  if (text[0] == '\0')
    return;
  fprintf(web->out, "<text class=\"f%d\" x=\"%.1f\" y=\"%.1f\" font-size=\"%g\"%s textLength=\"%.1f\"",
          colour.key, x, y, font.size, font.is_bold ? " font-weight=\"bold\"" : "", width);
  fputs(" lengthAdjust=\"spacingAndGlyphs\">", web->out);
  markup_escape(web->out, text, 0);
  fputs("</text>\n", web->out);
}
