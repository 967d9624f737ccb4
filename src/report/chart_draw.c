#include "report/chart_draw.h"

#include "base/file.h"
#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* A colour and the key under which a page's style has it. */
#define HEX(rgb, key)                                                                                        \
  {                                                                                                          \
    (double)((rgb) >> 16 & 255) / 255.0, (double)((rgb) >> 8 & 255) / 255.0, (double)((rgb)&255) / 255.0,    \
        1.0, key                                                                                             \
  }

/* Keys behind those of the roles. */
enum { KEY_PAGE = MT_CHART_REFERENCE + 1, KEY_INK, KEY_FAINT, KEY_GRID, KEY_FRAME };

static const chart_theme light = {HEX(0xffffff, KEY_PAGE), HEX(0x1a1a1a, KEY_INK),   HEX(0x5f5f5f, KEY_FAINT),
                                  HEX(0xdcdcdc, KEY_GRID), HEX(0x606060, KEY_FRAME), false};
static const chart_theme dark = {HEX(0x15171a, KEY_PAGE), HEX(0xe8e8e8, KEY_INK),   HEX(0xa4a4a4, KEY_FAINT),
                                 HEX(0x33373c, KEY_GRID), HEX(0x8a8a8a, KEY_FRAME), true};

const chart_theme *chart_theme_of(bool is_dark)
{
  return is_dark ? &dark : &light;
}

/* ---- what a line looks like ------------------------------------------------------------------- */

typedef struct line_look {
  paint_colour on_light, on_dark;
  double width;
  double dash[4];
  size_t ndash;
  bool has_band;
} line_look;

/* Left and right after Okabe and Ito; the others are darkened until they stand out 3:1 from the page. */
static const line_look looks[] = {
    [MT_CHART_LEFT] = {HEX(0x0072b2, MT_CHART_LEFT), HEX(0x56b4e9, MT_CHART_LEFT), 1.6, {0}, 0, true},
    [MT_CHART_RIGHT] = {HEX(0xd55e00, MT_CHART_RIGHT), HEX(0xf0883e, MT_CHART_RIGHT), 1.6, {6, 3}, 2, true},
    [MT_CHART_PAIR] = {HEX(0x00785a, MT_CHART_PAIR), HEX(0x2fc79b, MT_CHART_PAIR), 1.6, {0}, 0, true},
    [MT_CHART_OTHER] =
        {HEX(0x9b4c7e, MT_CHART_OTHER), HEX(0xcc79a7, MT_CHART_OTHER), 1.4, {8, 2, 2, 2}, 4, true},
    [MT_CHART_LEFT_EARLIER] =
        {HEX(0x767676, MT_CHART_LEFT_EARLIER), HEX(0x9a9a9a, MT_CHART_LEFT_EARLIER), 1.2, {0}, 0, false},
    [MT_CHART_RIGHT_EARLIER] =
        {HEX(0x767676, MT_CHART_RIGHT_EARLIER), HEX(0x9a9a9a, MT_CHART_RIGHT_EARLIER), 1.2, {6, 3}, 2, false},
    [MT_CHART_PAIR_EARLIER] =
        {HEX(0x767676, MT_CHART_PAIR_EARLIER), HEX(0x9a9a9a, MT_CHART_PAIR_EARLIER), 1.2, {2, 2}, 2, false},
    [MT_CHART_TOTAL] = {HEX(0x1a1a1a, MT_CHART_TOTAL), HEX(0xe8e8e8, MT_CHART_TOTAL), 1.8, {0}, 0, false},
    [MT_CHART_ORDER_2] =
        {HEX(0x00785a, MT_CHART_ORDER_2), HEX(0x2fc79b, MT_CHART_ORDER_2), 1.2, {7, 2}, 2, false},
    [MT_CHART_ORDER_3] =
        {HEX(0x9b4c7e, MT_CHART_ORDER_3), HEX(0xcc79a7, MT_CHART_ORDER_3), 1.2, {4, 2}, 2, false},
    [MT_CHART_ORDER_4] =
        {HEX(0x976800, MT_CHART_ORDER_4), HEX(0xe69f00, MT_CHART_ORDER_4), 1.2, {7, 2, 1.5, 2}, 4, false},
    [MT_CHART_ORDER_5] =
        {HEX(0x2f6f9e, MT_CHART_ORDER_5), HEX(0x56b4e9, MT_CHART_ORDER_5), 1.2, {2, 1.5}, 2, false},
    [MT_CHART_FLOOR] = {HEX(0x767676, MT_CHART_FLOOR), HEX(0x9a9a9a, MT_CHART_FLOOR), 0.9, {1, 2}, 2, false},
    [MT_CHART_REFERENCE] =
        {HEX(0x000000, MT_CHART_REFERENCE), HEX(0xffffff, MT_CHART_REFERENCE), 0.7, {0}, 0, false},
};

static paint_colour colour_of(mt_chart_role role, const chart_theme *theme)
{
  return theme->is_dark ? looks[role].on_dark : looks[role].on_light;
}

static unsigned rgb_of(paint_colour colour)
{
  return (unsigned)lround(255.0 * colour.red) << 16 | (unsigned)lround(255.0 * colour.green) << 8 |
         (unsigned)lround(255.0 * colour.blue);
}

static void put_style(FILE *out, paint_colour colour)
{
  fprintf(out, ".s%d{stroke:#%06x}.f%d{fill:#%06x}", colour.key, rgb_of(colour), colour.key, rgb_of(colour));
}

void chart_write_style(FILE *out, bool is_dark)
{
  const chart_theme *theme = chart_theme_of(is_dark);
  const paint_colour own[] = {theme->page, theme->ink, theme->faint, theme->grid, theme->frame};

  for (size_t role = 0; role <= MT_CHART_REFERENCE; role++)
    put_style(out, is_dark ? looks[role].on_dark : looks[role].on_light);
  for (size_t i = 0; i < sizeof own / sizeof own[0]; i++)
    put_style(out, own[i]);
  fputc('\n', out);
}

static paint_colour faded(paint_colour colour, double alpha)
{
  colour.alpha = alpha;
  return colour;
}

static void rule(paint *p, double x0, double y0, double x1, double y1, paint_colour colour, double width)
{
  const double xy[] = {x0, y0, x1, y1};

  paint_stroke(p, xy, 2, colour, width, NULL, 0);
}

static void fill_box(paint *p, double x, double y, double width, double height, paint_colour colour)
{
  const double xy[] = {x, y, x + width, y, x + width, y + height, x, y + height};

  paint_fill(p, xy, 4, colour);
}

/* ---- parts ------------------------------------------------------------------------------------ */

static void draw_grid(paint *p, const chart_layout *l, const chart_theme *theme)
{
  const chart_box *b = &l->plot;

  for (size_t i = 0; i < l->x.nticks; i++) {
    double x = chart_layout_x(l, l->x.ticks[i].value);
    rule(p, x, b->y, x, b->y + b->height, theme->grid, l->x.ticks[i].label[0] != '\0' ? 0.7 : 0.35);
  }
  for (size_t i = 0; i < l->y.nticks; i++) {
    double y = chart_layout_y(l, l->y.ticks[i].value);
    rule(p, b->x, y, b->x + b->width, y, theme->grid, l->y.ticks[i].value == 0.0 ? 1.2 : 0.7);
  }
}

/* Hatching stands on the side that is not allowed. */
static void draw_edge(paint *p, const chart_layout *l, const mt_chart_limit *limit, double y, double outward,
                      const chart_theme *theme)
{
  double from = isfinite(limit->from_x) && limit->from_x > 0.0 ? chart_layout_x(l, limit->from_x) : l->plot.x;
  double to = isfinite(limit->to_x) ? chart_layout_x(l, limit->to_x) : l->plot.x + l->plot.width;
  double at = chart_layout_y(l, y);

  from = fmax(from, l->plot.x);
  to = fmin(to, l->plot.x + l->plot.width);
  rule(p, from, at, to, at, theme->ink, 0.8);
  for (double x = from + 2.0; x + 3.0 < to; x += 6.0)
    rule(p, x, at, x + 3.0, at + 4.0 * outward, theme->ink, 0.5);
}

static void draw_limits(paint *p, const mt_chart *chart, const chart_layout *l, const chart_theme *theme)
{
  for (size_t i = 0; i < chart->nlimits; i++) {
    const mt_chart_limit *limit = &chart->limits[i];
    if (isfinite(limit->max))
      draw_edge(p, l, limit, limit->max, -1.0, theme);
    if (isfinite(limit->min))
      draw_edge(p, l, limit, limit->min, 1.0, theme);
  }
}

static void draw_spans(paint *p, const mt_chart *chart, const chart_layout *l, const chart_theme *theme)
{
  paint_colour colour = colour_of(MT_CHART_RIGHT, theme);

  for (size_t i = 0; i < chart->nspans; i++) {
    double from = chart_layout_x(l, chart->spans[i].from_x), to = chart_layout_x(l, chart->spans[i].to_x);
    double middle = 0.5 * (from + to);
    const double arrow[] = {middle - 3.5, l->plot.y, middle + 3.5, l->plot.y, middle, l->plot.y + 6.0};
    fill_box(p, from, l->plot.y, fmax(to - from, 0.8), l->plot.height, faded(colour, 0.3));
    paint_fill(p, arrow, 3, colour);
  }
}

static bool is_bound(const mt_chart_line *line, size_t i)
{
  return line->uncertainty != NULL && line->uncertainty[i] >= MT_CURVE_BOUND_DB;
}

/* Points [from, to) of a line as x y pairs, moved by k times their uncertainty. */
static void place_points(const mt_chart_line *line, const chart_layout *l, size_t from, size_t to, double k,
                         double *xy)
{
  for (size_t i = from; i < to; i++) {
    double u = k != 0.0 ? k * line->uncertainty[i] : 0.0;
    xy[2 * (i - from)] = chart_layout_x(l, line->x[i]);
    xy[2 * (i - from) + 1] = chart_layout_y(l, line->y[i] + u);
  }
}

static void draw_band(paint *p, const mt_chart_line *line, const chart_layout *l, size_t from, size_t to,
                      paint_colour colour, double *xy)
{
  size_t n = to - from;

  place_points(line, l, from, to, 1.0, xy);
  place_points(line, l, from, to, -1.0, xy + 2 * n);
  for (size_t i = 0; i < n / 2; i++) /* back along the lower edge */
    for (size_t c = 0; c < 2; c++) {
      double swap = xy[2 * (n + i) + c];
      xy[2 * (n + i) + c] = xy[2 * (2 * n - 1 - i) + c];
      xy[2 * (2 * n - 1 - i) + c] = swap;
    }
  paint_fill(p, xy, 2 * n, faded(colour, 0.2));
}

static void draw_line(paint *p, const mt_chart_line *line, const chart_layout *l, const chart_theme *theme,
                      double *xy)
{
  const line_look *look = &looks[line->role];
  paint_colour colour = colour_of(line->role, theme);
  /* many points to the width are noise: a thin line shows its run */
  double thinner = (double)line->npoints > 0.7 * l->plot.width ? 0.55 : 1.0;

  for (size_t from = 0, to; from < line->npoints; from = to) {
    bool bound = is_bound(line, from);
    size_t first = from, last;
    for (to = from + 1; to < line->npoints && is_bound(line, to) == bound;)
      to++;
    if (!bound && look->has_band && line->uncertainty != NULL && to - from > 1)
      draw_band(p, line, l, from, to, colour, xy);
    /* bounds reach to their neighbours, so that no piece between two kinds is left out */
    last = bound && to < line->npoints ? to + 1 : to;
    if (bound && from > 0)
      first--;
    place_points(line, l, first, last, 0.0, xy);
    if (last - first == 1)
      fill_box(p, xy[0] - 2.0, xy[1] - 2.0, 4.0, 4.0, bound ? faded(colour, 0.5) : colour);
    else
      paint_stroke(p, xy, last - first, bound ? faded(colour, 0.45) : colour,
                   bound ? 0.7 : look->width * thinner, look->ndash > 0 ? look->dash : NULL, look->ndash);
  }
}

static void draw_tags(paint *p, const mt_chart *chart, const chart_layout *l, const chart_theme *theme)
{
  for (size_t i = 0; i < chart->nlines; i++) {
    const line_look *look = &looks[chart->lines[i].role];
    paint_colour colour = colour_of(chart->lines[i].role, theme);
    const chart_tag *tag = &l->tags[i];
    const double sample[] = {l->tag_x, tag->at_y, l->tag_x + CHART_SAMPLE, tag->at_y};
    if (isnan(tag->from_y))
      continue;
    if (!l->are_tags_below)
      rule(p, l->plot.x + l->plot.width + 1.0, tag->from_y, l->tag_x - 1.0, tag->at_y, faded(colour, 0.6),
           0.5);
    paint_stroke(p, sample, 2, colour, look->width, look->ndash > 0 ? look->dash : NULL, look->ndash);
  }
}

static void draw_texts(paint *p, const chart_layout *l, const chart_theme *theme)
{
  for (size_t i = 0; i < l->ntexts; i++) {
    const chart_text *t = &l->texts[i];
    /* the box was measured: a hair more, so that rounding never cuts what fits */
    paint_text(p, t->box.x, t->box.y, t->text, t->font, PAINT_LEFT, t->box.width + 0.5,
               t->is_faint ? theme->faint : theme->ink);
  }
}

static bool is_behind(mt_chart_role role)
{
  return role == MT_CHART_LEFT_EARLIER || role == MT_CHART_RIGHT_EARLIER || role == MT_CHART_PAIR_EARLIER ||
         role == MT_CHART_FLOOR || role == MT_CHART_REFERENCE;
}

void chart_draw_on(paint *painter, const mt_chart *chart, const chart_layout *layout,
                   const chart_theme *theme)
{
  const chart_box *b = &layout->plot;
  size_t most = 1;
  double *xy;

  for (size_t i = 0; i < chart->nlines; i++)
    if (chart->lines[i].npoints > most)
      most = chart->lines[i].npoints;
  xy = malloc(4 * most * sizeof *xy);
  if (xy == NULL)
    return;
  draw_grid(painter, layout, theme);
  paint_clip(painter, b->x, b->y, b->width, b->height);
  draw_spans(painter, chart, layout, theme);
  draw_limits(painter, chart, layout, theme);
  /* what is of today lies over what was, and the dashed right over the solid left: both are seen */
  for (size_t i = chart->nlines; i-- > 0;)
    if (is_behind(chart->lines[i].role))
      draw_line(painter, &chart->lines[i], layout, theme, xy);
  for (size_t i = 0; i < chart->nlines; i++)
    if (!is_behind(chart->lines[i].role))
      draw_line(painter, &chart->lines[i], layout, theme, xy);
  paint_unclip(painter);
  free(xy);
  rule(painter, b->x, b->y, b->x, b->y + b->height, theme->frame, 0.8);
  rule(painter, b->x, b->y + b->height, b->x + b->width, b->y + b->height, theme->frame, 0.8);
  draw_tags(painter, chart, layout, theme);
  draw_texts(painter, layout, theme);
  if (layout->note[0] != '\0')
    paint_paragraph(painter, 8.0, layout->note_y, layout->width - 16.0, INFINITY, layout->note,
                    chart_note_font, &theme->faint, 0, NULL, NULL);
}

/* ---- pictures --------------------------------------------------------------------------------- */

mt_chart_look mt_chart_look_default(void)
{
  return (mt_chart_look){MT_PICTURE_SVG, false, 0.0, (double)NAN, (double)NAN};
}

mt_code chart_lay_out(const mt_chart *chart, const mt_chart_look *look, chart_layout *layout, mt_error *err)
{
  mt_chart_look mine = *look;
  unsigned char *bytes = NULL;
  size_t nbytes;
  paint *ruler = NULL;
  mt_code code = paint_begin(PAINT_SVG, 10.0, 10.0, &ruler, err);

  if (code != MT_OK)
    return code;
  if (mine.width == 0.0)
    mine.width = 560.0;
  code = chart_layout_make(chart, &mine, ruler, layout, err);
  if (paint_finish(&ruler, &bytes, &nbytes, code == MT_OK ? err : NULL) == MT_OK)
    free(bytes);
  return code;
}

mt_code mt_chart_draw(const mt_chart *chart, const mt_chart_look *look, unsigned char **bytes, size_t *nbytes,
                      mt_error *err)
{
  static const paint_kind kinds[] = {PAINT_SVG, PAINT_PNG, PAINT_PDF};
  chart_layout *layout = malloc(sizeof *layout);
  const chart_theme *theme = chart_theme_of(look->is_dark);
  paint *painter = NULL;
  mt_code code;

  if (layout == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a chart");
  code = chart_lay_out(chart, look, layout, err);
  if (code == MT_OK)
    code = paint_begin(kinds[look->picture], layout->width, layout->height, &painter, err);
  if (code == MT_OK) {
    paint_set_title(painter, chart->title);
    fill_box(painter, 0.0, 0.0, layout->width, layout->height, theme->page);
    chart_draw_on(painter, chart, layout, theme);
    code = paint_finish(&painter, bytes, nbytes, err);
  }
  free(layout);
  return code;
}

mt_code chart_draw_web(const mt_chart *chart, unsigned prefix, double width, char **out, mt_error *err)
{
  chart_layout *layout = malloc(sizeof *layout);
  mt_chart_look look = mt_chart_look_default();
  paint *painter = NULL;
  unsigned char *bytes = NULL;
  char *words = NULL;
  size_t nbytes;
  mt_code code;

  if (layout == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a chart");
  look.width = width;
  code = mt_chart_describe(chart, &words, err);
  if (code == MT_OK)
    code = chart_lay_out(chart, &look, layout, err);
  if (code == MT_OK)
    code = paint_begin(PAINT_WEB, layout->width, layout->height, &painter, err);
  if (code == MT_OK) {
    paint_set_prefix(painter, prefix);
    paint_set_title(painter, words);
    chart_draw_on(painter, chart, layout, chart_theme_of(false));
    code = paint_finish(&painter, &bytes, &nbytes, err);
  }
  if (code == MT_OK)
    *out = (char *)bytes;
  free(words);
  free(layout);
  return code;
}

mt_code mt_chart_write(const mt_chart *chart, const mt_chart_look *look, const char *path, mt_error *err)
{
  static const char *const endings[] = {".svg", ".png", ".pdf"};
  mt_chart_look mine = *look;
  size_t length = strlen(path), nbytes = 0, i = 0;
  unsigned char *bytes = NULL;
  mt_code code;

  while (i < 3 && (length < 5 || strcasecmp(path + length - 4, endings[i]) != 0))
    i++;
  if (i == 3)
    return mt_fail(err, MT_E_ARG, "%.150s: expected a name that ends in .svg, .png or .pdf", path);
  mine.picture = (mt_picture)i;
  code = mt_chart_draw(chart, &mine, &bytes, &nbytes, err);
  if (code == MT_OK)
    code = mt_file_write(path, bytes, nbytes, err);
  free(bytes);
  return code;
}
