#include "report/chart_layout.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARGIN 8.0
#define SIZE_LEAST 6.5 /* of letters, points */
#define TAG_GAP 12.0
#define TAG_HEIGHT 13.0
#define GUTTER_MOST 0.3 /* of the width */

const paint_font chart_title_font = {11.0, true};
const paint_font chart_text_font = {9.0, false};
const paint_font chart_note_font = {8.0, false};

static double clamp(double v, double low, double high)
{
  return fmin(fmax(v, low), high);
}

double chart_layout_x(const chart_layout *layout, double x)
{
  return layout->plot.x + clamp(chart_scale_place(&layout->x, x), -4.0, 5.0) * layout->plot.width;
}

double chart_layout_y(const chart_layout *layout, double y)
{
  return layout->plot.y + (1.0 - clamp(chart_scale_place(&layout->y, y), -4.0, 5.0)) * layout->plot.height;
}

/* ---- what shall be seen ----------------------------------------------------------------------- */

typedef struct extent {
  double low, high;
} extent;

static void widen(extent *e, double value)
{
  e->low = fmin(e->low, value);
  e->high = fmax(e->high, value);
}

static bool is_bound(const mt_chart_line *line, size_t i)
{
  return line->uncertainty != NULL && line->uncertainty[i] >= MT_CURVE_BOUND_DB;
}

/* A limit is drawn, so it is seen; one far from every line would leave nothing to see of them. */
static void widen_by_limits(const mt_chart *chart, extent *y)
{
  double room = fmax(0.5 * (y->high - y->low), 6.0);
  extent seen = *y;

  for (size_t i = 0; i < chart->nlimits; i++) {
    const double ends[] = {chart->limits[i].min, chart->limits[i].max};
    for (size_t k = 0; k < 2; k++)
      if (isfinite(ends[k]) && ends[k] > seen.low - room && ends[k] < seen.high + room)
        widen(y, ends[k]);
  }
}

static void find_extents(const mt_chart *chart, extent *x, extent *y, bool *has_bounds)
{
  *x = (extent){INFINITY, -INFINITY};
  *y = (extent){INFINITY, -INFINITY};
  *has_bounds = false;
  for (size_t k = 0; k < chart->nlines; k++)
    for (size_t i = 0; i < chart->lines[k].npoints; i++) {
      const mt_chart_line *line = &chart->lines[k];
      double u = line->uncertainty != NULL && !is_bound(line, i) ? fmin(line->uncertainty[i], 3.0) : 0.0;
      widen(x, line->x[i]);
      widen(y, line->y[i] - u);
      widen(y, line->y[i] + u);
      *has_bounds = *has_bounds || is_bound(line, i);
    }
  if (x->low > x->high)
    *x = chart->x_axis == MT_CHART_FREQUENCY ? (extent){20.0, 20000.0} : (extent){0.0, 1.0};
  if (y->low > y->high)
    *y = (extent){0.0, 0.0};
  widen_by_limits(chart, y);
}

/* An end that lies just inside a frequency that is labelled is moved out to it. */
static double nearby_tick(double hz, double least, double most)
{
  double decade = pow(10.0, floor(log10(hz)));
  static const double digits[] = {1.0, 2.0, 5.0, 10.0};

  for (size_t i = 0; i < 4; i++)
    if (digits[i] * decade >= least && digits[i] * decade <= most)
      return digits[i] * decade;
  return hz;
}

static void scale_x(const mt_chart *chart, extent e, double width, chart_scale *out)
{
  if (chart->x_axis == MT_CHART_FREQUENCY) {
    if (e.high < 4.0 * e.low) { /* a point or nearly so: a decade around it */
      double middle = sqrt(e.low * e.high);
      e = (extent){middle / sqrt(10.0), middle * sqrt(10.0)};
    }
    e = (extent){nearby_tick(e.low, e.low / 1.15, e.low), nearby_tick(e.high, e.high, 1.15 * e.high)};
    chart_scale_frequency(e.low, e.high, out);
    return;
  }
  if (e.high - e.low < 1e-6)
    e = (extent){e.low - 0.5, e.high + 0.5};
  chart_scale_linear(e.low, e.high, chart_scale_step(e.high - e.low, (size_t)(width / 45.0)), out);
}

static bool is_decibel(mt_unit unit)
{
  return unit == MT_UNIT_DB || unit == MT_UNIT_DBFS || unit == MT_UNIT_DBV ||
         unit == MT_UNIT_DBFS_PER_ROOT_HZ;
}

static double scale_plainly(extent e, double width, chart_scale *out)
{
  double height = 0.42 * width, step;
  double pad = 0.04 * (e.high - e.low);

  if (!(e.high - e.low > 1e-12 * fmax(fabs(e.high), fabs(e.low)))) { /* all equal */
    double some = fmax(fabs(e.high) * 0.1, e.high == 0.0 ? 1.0 : 1e-9);
    e = (extent){e.low - some, e.high + some};
    pad = 0.0;
  }
  step = chart_scale_step(e.high - e.low + 2.0 * pad, (size_t)fmax(height / 24.0, 2.0));
  chart_scale_linear(floor((e.low - pad) / step) * step, ceil((e.high + pad) / step) * step, step, out);
  return height;
}

/* The height of the plot; fills the scale of y. */
static double scale_y(const mt_chart *chart, const mt_chart_look *look, extent e, chart_layout *l)
{
  double width = l->plot.width,
         least = fmax(0.3 * width, l->are_tags_below ? 60.0 : (double)chart->nlines * TAG_HEIGHT + 4.0);
  double decade = width / log10(l->x.to / l->x.from), height, from, to, grid;
  bool is_given = !isnan(look->y_from) && !isnan(look->y_to);

  if (is_given)
    e = (extent){look->y_from, look->y_to};
  if (!is_given && chart->x_axis == MT_CHART_FREQUENCY && is_decibel(chart->y_unit)) {
    height = chart_scale_proportion(decade, e.low, e.high, least, fmax(0.8 * width, least), &from, &to, &grid,
                                    &l->per_decade);
    l->is_cut_below = from > e.low + grid;
    chart_scale_linear(from, to, fmax(grid, chart_scale_step(to - from, (size_t)(height / 20.0))), &l->y);
    return height;
  }
  if (is_given) {
    height = fmax(0.42 * width, least);
    chart_scale_linear(e.low, e.high, chart_scale_step(e.high - e.low, (size_t)(height / 24.0)), &l->y);
    return height;
  }
  if (is_decibel(chart->y_unit) && e.high - e.low < 6.0) { /* a straight line is shown as one */
    double middle = 0.5 * (e.low + e.high);
    e = (extent){middle - 3.0, middle + 3.0};
  }
  return fmax(scale_plainly(e, width, &l->y), least);
}

/* ---- texts ------------------------------------------------------------------------------------ */

static chart_text *add_text(chart_layout *l, paint *ruler, const char *text, paint_font font, double x,
                            double y, paint_anchor anchor, double most)
{
  chart_text *t = &l->texts[l->ntexts++];

  *t = (chart_text){.font = font, .anchor = anchor};
  mt_text_copy(t->text, sizeof t->text, text);
  paint_measure(ruler, t->text, font, &t->box.width, &t->box.height);
  t->box.width = fmin(t->box.width, most);
  t->box.x = x - (anchor == PAINT_CENTRE ? t->box.width / 2.0 : anchor == PAINT_RIGHT ? t->box.width : 0.0);
  t->box.y = y;
  return t;
}

/* From margin to margin; what is wider is set smaller, and cut only where it could no longer be read. */
static void add_fitting(chart_layout *l, paint *ruler, const char *text, paint_font font, double y)
{
  double room = l->width - 2.0 * MARGIN, width, height;

  for (paint_measure(ruler, text, font, &width, &height); width > room && font.size > SIZE_LEAST;
       paint_measure(ruler, text, font, &width, &height))
    font.size -= 0.5;
  add_text(l, ruler, text, font, MARGIN, y, PAINT_LEFT, room);
}

/* The labels of greatest rank first give way where two would touch. */
static void label_x(chart_layout *l, paint *ruler, double y)
{
  size_t first = l->ntexts;

  for (int rank = 0; rank <= 1; rank++)
    for (size_t i = 0; i < l->x.nticks; i++) {
      const chart_tick *tick = &l->x.ticks[i];
      double x = chart_layout_x(l, tick->value);
      bool is_free = true;
      chart_text *t;
      if (tick->rank != rank || tick->label[0] == '\0')
        continue;
      t = add_text(l, ruler, tick->label, chart_text_font, x, y, PAINT_CENTRE, INFINITY);
      for (size_t k = first; k + 1 < l->ntexts; k++) {
        const chart_box *other = &l->texts[k].box;
        is_free =
            is_free && (t->box.x > other->x + other->width + 3.0 || t->box.x + t->box.width + 3.0 < other->x);
      }
      if (!is_free || t->box.x < 0.0 || t->box.x + t->box.width > l->width)
        l->ntexts--;
    }
}

static double widest_y_label(const chart_layout *l, paint *ruler)
{
  double widest = 0.0, width, height;

  for (size_t i = 0; i < l->y.nticks; i++) {
    paint_measure(ruler, l->y.ticks[i].label, chart_text_font, &width, &height);
    widest = fmax(widest, width);
  }
  return widest;
}

static double widest_tag(const mt_chart *chart, paint *ruler)
{
  double widest = 0.0, width, height;

  for (size_t i = 0; i < chart->nlines; i++) {
    paint_measure(ruler, chart->lines[i].label, chart_text_font, &width, &height);
    widest = fmax(widest, width);
  }
  return widest;
}

/* Tags stand where their lines end, and what has no line last; a list below has the order of the lines. */
static void place_tags(const mt_chart *chart, chart_layout *l, paint *ruler)
{
  size_t order[MT_CHART_LINES_MAX];
  double at[MT_CHART_LINES_MAX];
  const chart_box *p = &l->plot;

  for (size_t i = 0; i < chart->nlines; i++) {
    const mt_chart_line *line = &chart->lines[i];
    chart_tag *tag = &l->tags[i];
    size_t k = i;
    tag->from_y = line->npoints > 0
                      ? clamp(chart_layout_y(l, line->y[line->npoints - 1]), p->y, p->y + p->height)
                      : (double)NAN;
    tag->at_y = line->npoints > 0 ? tag->from_y : p->y + p->height;
    while (k > 0 && !l->are_tags_below && l->tags[order[k - 1]].at_y > tag->at_y) {
      order[k] = order[k - 1];
      k--;
    }
    order[k] = i;
  }
  for (size_t k = 0; k < chart->nlines; k++)
    at[k] = l->are_tags_below ? l->tags_y + TAG_HEIGHT * ((double)k + 0.5) : l->tags[order[k]].at_y;
  if (!l->are_tags_below)
    chart_scale_spread(at, chart->nlines, TAG_HEIGHT, p->y - 2.0, p->y + p->height + 2.0);
  for (size_t k = 0; k < chart->nlines; k++) {
    double x = l->tag_x + CHART_SAMPLE + 4.0;
    chart_text *t = add_text(l, ruler, chart->lines[order[k]].label, chart_text_font, x, 0.0, PAINT_LEFT,
                             l->width - MARGIN - x);
    l->tags[order[k]].at_y = at[k];
    t->box.y = at[k] - t->box.height / 2.0;
    t->is_faint = chart->lines[order[k]].npoints == 0;
  }
}

static void write_note(const mt_chart *chart, chart_layout *l)
{
  snprintf(l->note, sizeof l->note, "%s", chart->note);
  if (l->has_bounds)
    snprintf(l->note + strlen(l->note), sizeof l->note - strlen(l->note),
             "%sFaint: an upper bound only, not told from noise.", l->note[0] != '\0' ? " " : "");
  if (l->is_cut_below)
    snprintf(l->note + strlen(l->note), sizeof l->note - strlen(l->note),
             "%sWhat lies below %g is not shown.", l->note[0] != '\0' ? " " : "", l->y.from);
}

mt_code chart_layout_make(const mt_chart *chart, const mt_chart_look *look, paint *ruler, chart_layout *out,
                          mt_error *err)
{
  chart_layout *l = out;
  extent x, y;
  double gutter, text_height, line_height, unused;

  if (!(look->width >= 240.0 && look->width <= 5000.0))
    return mt_fail(err, MT_E_ARG, "a picture %g points wide; expected 240 to 5000", look->width);
  if (!isnan(look->y_from) && !isnan(look->y_to) && !(look->y_from < look->y_to))
    return mt_fail(err, MT_E_ARG, "from %g to %g; expected the lower end first", look->y_from, look->y_to);
  memset(l, 0, sizeof *l);
  l->width = look->width;
  paint_measure(ruler, "0", chart_text_font, &unused, &line_height);
  find_extents(chart, &x, &y, &l->has_bounds);
  gutter = chart->nlines > 0 ? TAG_GAP + CHART_SAMPLE + 4.0 + widest_tag(chart, ruler) : 0.0;
  l->are_tags_below = gutter > GUTTER_MOST * l->width;
  if (l->are_tags_below)
    gutter = 0.0;
  paint_measure(ruler, "0", chart_title_font, &unused, &text_height);
  l->plot.y = MARGIN + text_height + 2.0 + line_height + 6.0;
  /* The width of the labels of y is known only with the range, and the range only with the width: twice. */
  l->plot.x = MARGIN + 30.0;
  for (int pass = 0; pass < 2; pass++) {
    l->plot.width = l->width - MARGIN - gutter - l->plot.x - (gutter > 0.0 ? 0.0 : 12.0);
    scale_x(chart, x, l->plot.width, &l->x);
    l->per_decade = 0.0;
    l->is_cut_below = false;
    l->plot.height = scale_y(chart, look, y, l);
    if (pass == 0)
      l->plot.x = MARGIN + widest_y_label(l, ruler) + 6.0;
  }
  l->tag_x = l->are_tags_below ? l->plot.x : l->plot.x + l->plot.width + TAG_GAP;
  l->tags_y = l->plot.y + l->plot.height + 12.0 + 2.0 * line_height;
  add_fitting(l, ruler, chart->title, chart_title_font, MARGIN);
  add_fitting(l, ruler, chart->y_title, chart_text_font, MARGIN + text_height + 2.0);
  for (size_t i = 0; i < l->y.nticks; i++) {
    chart_text *t =
        add_text(l, ruler, l->y.ticks[i].label, chart_text_font, l->plot.x - 5.0, 0.0, PAINT_RIGHT, INFINITY);
    t->box.y = chart_layout_y(l, l->y.ticks[i].value) - t->box.height / 2.0;
  }
  label_x(l, ruler, l->plot.y + l->plot.height + 7.0);
  add_text(l, ruler, chart->x_title, chart_text_font, l->plot.x + l->plot.width / 2.0,
           l->plot.y + l->plot.height + 8.0 + line_height, PAINT_CENTRE, l->plot.width);
  place_tags(chart, l, ruler);
  write_note(chart, l);
  l->note_y = l->tags_y + (l->are_tags_below ? TAG_HEIGHT * (double)chart->nlines + 2.0 : 0.0);
  l->note_height = l->note[0] != '\0' ? paint_paragraph(ruler, 0.0, 0.0, l->width - 2.0 * MARGIN, INFINITY,
                                                        l->note, chart_note_font, NULL, 0, NULL, NULL)
                                      : 0.0;
  l->height = ceil(l->note_y + l->note_height + MARGIN);
  return MT_OK;
}
