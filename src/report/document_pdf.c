/* A document on pages. Drawn twice: the first time only to count the pages. */
#include "report/document_write.h"

#include "report/chart_draw.h"
#include "report/layout.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARGIN 50.0
#define FOOT 40.0 /* of it, below the text */
#define CELL_GAP 8.0
#define CHART_GAP 12.0 /* between two side by side: each is at least as wide as a picture must be */

static const paint_font body_font = {9.5, false}, title_font = {16.0, true}, heading_font = {11.5, true},
                        cell_font = {8.5, false}, cell_bold = {8.5, true}, foot_font = {8.0, false};

typedef struct pages {
  paint *painter;
  const char *title;
  double width, height;
  double y;
  unsigned page, npages; /* npages 0: being counted */
  const chart_theme *theme;
} pages;

static double bottom_of(const pages *p)
{
  return p->height - MARGIN - FOOT / 2.0;
}

static double text_width(const pages *p)
{
  return p->width - 2.0 * MARGIN;
}

static void draw_foot(pages *p)
{
  char number[48];
  double y = p->height - MARGIN + 6.0;

  if (p->npages > 0)
    snprintf(number, sizeof number, "page %u of %u", p->page, p->npages);
  else
    snprintf(number, sizeof number, "page %u", p->page);
  paint_text(p->painter, MARGIN, y, p->title, foot_font, PAINT_LEFT, text_width(p) - 90.0, p->theme->faint);
  paint_text(p->painter, p->width - MARGIN, y, number, foot_font, PAINT_RIGHT, 0.0, p->theme->faint);
}

static void turn_page(pages *p)
{
  draw_foot(p);
  paint_next_page(p->painter);
  p->page++;
  p->y = MARGIN;
}

static void need(pages *p, double height)
{
  if (p->y + height > bottom_of(p) && p->y > MARGIN)
    turn_page(p);
}

static void rule(pages *p, double x0, double y, double x1, paint_colour colour, double width)
{
  const double xy[] = {x0, y, x1, y};

  paint_stroke(p->painter, xy, 2, colour, width, NULL, 0);
}

/* Over as many pages as it takes. */
static void draw_paragraph(pages *p, double x, double width, const char *text, paint_font font)
{
  size_t done = 0, drawn = 0, total = 1;

  while (done < total) {
    p->y += paint_paragraph(p->painter, x, p->y, width, bottom_of(p), text, font, &p->theme->ink, done,
                            &drawn, &total);
    done += drawn;
    if (done < total)
      turn_page(p);
  }
}

static void draw_verdict(pages *p, const document_block *b, const char *text)
{
  double inner = text_width(p) - 24.0;
  double height =
      paint_paragraph(p->painter, 0.0, 0.0, inner, INFINITY, text, heading_font, NULL, 0, NULL, NULL);
  double x = MARGIN, top, w = text_width(p);

  need(p, height + 20.0);
  top = p->y;
  const double frame[] = {x, top, x + w, top, x + w, top + height + 14.0, x, top + height + 14.0, x, top};
  const double bar[] = {x, top, x + 6.0, top, x + 6.0, top + height + 14.0, x, top + height + 14.0};
  paint_stroke(p->painter, frame, 5, p->theme->frame, 0.8, NULL, 0);
  if (b->verdict == MT_VERDICT_PASS || b->verdict == MT_VERDICT_FAIL)
    paint_fill(p->painter, bar, 4, p->theme->ink);
  p->y += 7.0;
  paint_paragraph(p->painter, x + 16.0, p->y, inner, INFINITY, text, heading_font, &p->theme->ink, 0, NULL,
                  NULL);
  p->y = top + height + 22.0;
}

/* ---- tables ----------------------------------------------------------------------------------- */

#define COLUMNS_MAX 12

static double width_of(const pages *p, const char *text, paint_font font)
{
  double width, height;

  paint_measure(p->painter, text, font, &width, &height);
  return width;
}

/* As wide as the widest text; then the widest give until all fit. */
static void choose_widths(const pages *p, const document_block *b, char *const *texts, double *widths)
{
  double total = 0.0, room = text_width(p) - CELL_GAP * (double)(b->ncolumns - 1);

  for (size_t c = 0; c < b->ncolumns; c++) {
    widths[c] = 20.0;
    for (size_t i = c; i < b->ncells; i += b->ncolumns)
      widths[c] = fmax(widths[c], 1.0 + fmin(width_of(p, texts[i], cell_bold), room));
    total += widths[c];
  }
  while (total > room + 0.5) {
    size_t widest = 0;
    for (size_t c = 1; c < b->ncolumns; c++)
      if (widths[c] > widths[widest])
        widest = c;
    widths[widest] -= 1.0;
    total -= 1.0;
  }
  if (total < room) /* the first column names things: what is left is its */
    widths[0] += room - total;
}

static paint_font font_of(const document_block *b, size_t i)
{
  mt_verdict v = b->cells[i].verdict;

  return i < b->ncolumns || v == MT_VERDICT_FAIL || v == MT_VERDICT_UNDECIDED ? cell_bold : cell_font;
}

/* Draw from where `skip` lines of each cell were drawn before. @return the height drawn. */
static double draw_row_part(pages *p, const document_block *b, char *const *texts, size_t row,
                            const double *widths, size_t *skip, bool *is_done, bool draws)
{
  double x = MARGIN, tallest = 0.0;

  *is_done = true;
  for (size_t c = 0; c < b->ncolumns; c++) {
    size_t i = row * b->ncolumns + c, drawn = 0, total = 0;
    paint_font font = font_of(b, i);
    double at = x;
    if (b->cells[i].is_number)
      at += fmax(0.0, widths[c] - 0.5 - width_of(p, texts[i], font));
    double height = paint_paragraph(p->painter, at, p->y + 2.0, b->cells[i].is_number ? 10000.0 : widths[c],
                                    draws ? bottom_of(p) : (double)INFINITY, texts[i], font,
                                    draws ? &p->theme->ink : NULL, skip[c], &drawn, &total);
    skip[c] += drawn;
    *is_done = *is_done && skip[c] >= total;
    tallest = fmax(tallest, height);
    x += widths[c] + CELL_GAP;
  }
  return tallest + 4.0;
}

static void draw_row(pages *p, const document_block *b, char *const *texts, size_t row, const double *widths)
{
  size_t skip[COLUMNS_MAX] = {0}, measured[COLUMNS_MAX] = {0}, last[COLUMNS_MAX] = {0};
  bool is_done = false;
  double height = draw_row_part(p, b, texts, row, widths, measured, &is_done, false);

  /* the last row never stands alone on a page */
  if (row > 0 && row + 2 == b->ncells / b->ncolumns)
    height += draw_row_part(p, b, texts, row + 1, widths, last, &is_done, false);

  /* a row is broken only if it is longer than a page */
  if (p->y + height > bottom_of(p) && p->y > MARGIN) {
    turn_page(p);
    if (row > 0)
      draw_row(p, b, texts, 0, widths);
  }
  for (is_done = false; !is_done;) {
    p->y += draw_row_part(p, b, texts, row, widths, skip, &is_done, true);
    if (!is_done)
      turn_page(p);
  }
  rule(p, MARGIN, p->y, p->width - MARGIN, row == 0 ? p->theme->frame : p->theme->grid, row == 0 ? 0.8 : 0.5);
}

static char *valid_copy(const char *text);

static bool draw_table(pages *p, const document_block *b)
{
  char **texts = calloc(b->ncells > 0 ? b->ncells : 1, sizeof *texts);
  double widths[COLUMNS_MAX];
  bool is_complete = texts != NULL && b->ncolumns > 0 && b->ncolumns <= COLUMNS_MAX;

  for (size_t i = 0; i < b->ncells && is_complete; i++)
    is_complete = (texts[i] = valid_copy(b->cells[i].text)) != NULL;
  if (is_complete) {
    need(p, 60.0);
    draw_paragraph(p, MARGIN, text_width(p), b->text, foot_font);
    choose_widths(p, b, texts, widths);
    for (size_t row = 0; row < b->ncells / b->ncolumns; row++)
      draw_row(p, b, texts, row, widths);
    p->y += 8.0;
  }
  for (size_t i = 0; i < b->ncells && texts != NULL; i++)
    free(texts[i]);
  free(texts);
  return is_complete;
}

/* ---- blocks ----------------------------------------------------------------------------------- */

/* Pango takes valid UTF-8 only, and nothing may act beyond its own text. Line ends stay. */
static char *valid_copy(const char *text)
{
  char *valid = malloc(3 * strlen(text) + 1), *lines = strdup(text), *line = lines, *end = valid;

  if (valid == NULL || lines == NULL) {
    free(valid);
    free(lines);
    return NULL;
  }
  for (;;) {
    size_t length = strcspn(line, "\n");
    bool is_last = line[length] == '\0';
    line[length] = '\0';
    mt_layout_clean(end, line);
    end += strlen(end);
    if (is_last)
      break;
    *end++ = '\n';
    line += length + 1;
  }
  free(lines);
  return valid;
}

static double height_of(const pages *p, const mt_chart *chart)
{
  chart_layout *layout = malloc(sizeof *layout);
  mt_chart_look look = mt_chart_look_default();
  double height = 0.0;

  look.width = text_width(p);
  if (layout != NULL && chart_lay_out(chart, &look, layout, NULL) == MT_OK)
    height = layout->height;
  free(layout);
  return height;
}

static void draw_chart_at(pages *p, const mt_chart *chart, const chart_layout *layout, double x)
{
  paint_shift(p->painter, x, p->y);
  chart_draw_on(p->painter, chart, layout, p->theme);
  paint_shift(p->painter, -x, -p->y);
}

/* One over the whole width, or two side by side. @param second  may be NULL. */
static mt_code draw_charts(pages *p, const mt_chart *first, const mt_chart *second, mt_error *err)
{
  chart_layout *layouts = malloc(2 * sizeof *layouts);
  mt_chart_look look = mt_chart_look_default();
  double height;
  mt_code code;

  if (layouts == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a chart");
  look.width = second != NULL ? (text_width(p) - CHART_GAP) / 2.0 : text_width(p);
  code = chart_lay_out(first, &look, &layouts[0], err);
  if (code == MT_OK && second != NULL)
    code = chart_lay_out(second, &look, &layouts[1], err);
  if (code == MT_OK) {
    height = second != NULL ? fmax(layouts[0].height, layouts[1].height) : layouts[0].height;
    need(p, height);
    draw_chart_at(p, first, &layouts[0], MARGIN);
    if (second != NULL)
      draw_chart_at(p, second, &layouts[1], MARGIN + look.width + CHART_GAP);
    p->y += height + 6.0;
  }
  free(layouts);
  return code;
}

static void draw_fact(pages *p, const document_block *b, const char *text)
{
  double left = 110.0, height;
  unsigned page;
  double top;
  char *term = valid_copy(b->term);

  if (term == NULL)
    return;
  height = paint_paragraph(p->painter, 0.0, 0.0, left - 8.0, INFINITY, term, body_font, NULL, 0, NULL, NULL);
  need(p, fmax(height, 14.0));
  top = p->y;
  page = p->page;
  paint_paragraph(p->painter, MARGIN, top, left - 8.0, bottom_of(p), term, body_font, &p->theme->faint, 0,
                  NULL, NULL);
  draw_paragraph(p, MARGIN + left, text_width(p) - left, text, body_font);
  if (p->page == page)
    p->y = fmax(p->y, top + height);
  p->y += 2.0;
  free(term);
}

/* @param next  the chart that follows at once; may be NULL. */
static mt_code draw_block(pages *p, const document_block *b, const mt_chart *next, mt_error *err)
{
  char *text = valid_copy(b->text != NULL ? b->text : "");
  mt_code code = MT_OK;

  if (text == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the report");
  switch (b->kind) {
  case DOCUMENT_VERDICT: draw_verdict(p, b, text); break;
  case DOCUMENT_HEADING:
    need(p, 60.0 + (next != NULL ? height_of(p, next) : 0.0)); /* never alone at the foot of a page */
    p->y += p->y > MARGIN ? 10.0 : 0.0;
    draw_paragraph(p, MARGIN, text_width(p), text, heading_font);
    rule(p, MARGIN, p->y + 2.0, p->width - MARGIN, p->theme->frame, 0.6);
    p->y += 6.0;
    break;
  case DOCUMENT_TEXT:
    draw_paragraph(p, MARGIN, text_width(p), text, body_font);
    p->y += 4.0;
    break;
  case DOCUMENT_ITEM:
    need(p, 14.0);
    paint_text(p->painter, MARGIN + 2.0, p->y, "\xe2\x80\x93", body_font, PAINT_LEFT, 0.0, p->theme->ink);
    draw_paragraph(p, MARGIN + 14.0, text_width(p) - 14.0, text, body_font);
    p->y += 2.0;
    break;
  case DOCUMENT_FACT: draw_fact(p, b, text); break;
  case DOCUMENT_TABLE:
    if (!draw_table(p, b))
      code = mt_fail(err, MT_E_MEMORY, "out of memory for a table");
    break;
  case DOCUMENT_CHART: code = draw_charts(p, b->chart, NULL, err); break;
  }
  free(text);
  return code;
}

static bool is_chart(const document *d, size_t i)
{
  return i < d->nblocks && d->blocks[i].kind == DOCUMENT_CHART;
}

/* The first chart has the whole width, those that follow share it. */
static bool is_pair(const document *d, size_t i)
{
  return i > 0 && is_chart(d, i - 1) && is_chart(d, i) && is_chart(d, i + 1);
}

static mt_code draw_all(const document *d, document_paper paper, unsigned npages, unsigned *drawn,
                        unsigned char **bytes, size_t *nbytes, mt_error *err)
{
  static const double sizes[][2] = {{595.28, 841.89}, {612.0, 792.0}};
  pages p = {.width = sizes[paper][0],
             .height = sizes[paper][1],
             .y = MARGIN,
             .page = 1,
             .npages = npages,
             .theme = chart_theme_of(false)};
  char *title = valid_copy(d->title);
  unsigned char *made = NULL;
  size_t nmade = 0;
  mt_error later = {0};
  mt_code code = title != NULL ? paint_begin(PAINT_PDF, p.width, p.height, &p.painter, err)
                               : mt_fail(err, MT_E_MEMORY, "out of memory for the report");

  if (code == MT_OK) {
    p.title = title;
    paint_set_title(p.painter, title);
    draw_paragraph(&p, MARGIN, text_width(&p), title, title_font);
    p.y += 6.0;
    for (size_t i = 0; i < d->nblocks && code == MT_OK; i++)
      if (is_pair(d, i)) {
        code = draw_charts(&p, d->blocks[i].chart, d->blocks[i + 1].chart, err);
        i++;
      } else {
        code = draw_block(&p, &d->blocks[i], is_chart(d, i + 1) ? d->blocks[i + 1].chart : NULL, err);
      }
    draw_foot(&p);
    *drawn = p.page;
    if (paint_finish(&p.painter, &made, &nmade, code == MT_OK ? err : &later) != MT_OK && code == MT_OK)
      code = MT_E_INTERNAL;
  }
  free(title);
  if (code != MT_OK) {
    free(made);
    return code;
  }
  *bytes = made;
  *nbytes = nmade;
  return MT_OK;
}

mt_code document_write_pdf(const document *d, document_paper paper, unsigned char **bytes, size_t *nbytes,
                           mt_error *err)
{
  unsigned char *counted = NULL;
  unsigned npages = 0;
  mt_code code = draw_all(d, paper, 0, &npages, &counted, nbytes, err);

  free(counted);
  return code == MT_OK ? draw_all(d, paper, npages, &npages, bytes, nbytes, err) : code;
}
