/* The record of a chart. */
#include <mendtone/chart.h>

#include "base/text.h"
#include "report/layout.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Whatever the bytes were, what is drawn is valid UTF-8 without control characters. */
static void copy_clean(char *out, size_t size, const char *text)
{
  char cut[128], clean[3 * sizeof cut + 1];

  mt_text_copy(cut, sizeof cut, text);
  mt_layout_clean(clean, cut);
  mt_text_copy(out, size, clean);
}

mt_code mt_chart_create(const char *title, mt_chart_axis x_axis, mt_unit y_unit, mt_chart **out,
                        mt_error *err)
{
  static const char *const x_titles[] = {"frequency, Hz", "level played, dBFS", "time, s",
                                         "turned down by, dB"};
  mt_chart *chart = calloc(1, sizeof *chart);

  if (chart == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a chart");
  copy_clean(chart->title, sizeof chart->title, title);
  mt_text_copy(chart->x_title, sizeof chart->x_title, x_titles[x_axis]);
  chart->x_axis = x_axis;
  chart->y_unit = y_unit;
  *out = chart;
  return MT_OK;
}

void mt_chart_destroy(mt_chart **chart)
{
  if (*chart == NULL)
    return;
  for (size_t i = 0; i < (*chart)->nlines; i++) {
    free((*chart)->lines[i].x);
    free((*chart)->lines[i].y);
    free((*chart)->lines[i].uncertainty);
  }
  free(*chart);
  *chart = NULL;
}

static mt_code check_points(const mt_chart *chart, const char *label, size_t n, const double *x,
                            const double *y, const double *uncertainty, mt_error *err)
{
  for (size_t i = 0; i < n; i++) {
    if (!isfinite(x[i]) || !isfinite(y[i]) || (uncertainty != NULL && !(uncertainty[i] >= 0.0)))
      return mt_fail(err, MT_E_DATA, "line \"%.40s\", point %zu: not a finite number", label, i);
    if ((i > 0 && !(x[i] > x[i - 1])) || (chart->x_axis == MT_CHART_FREQUENCY && !(x[i] > 0.0)))
      return mt_fail(err, MT_E_DATA, "line \"%.40s\", point %zu: x is %g; expected it to ascend", label, i,
                     x[i]);
  }
  return MT_OK;
}

static double *copy_of(const double *values, size_t n)
{
  double *copy = malloc(n * sizeof *copy);

  if (copy != NULL)
    memcpy(copy, values, n * sizeof *copy);
  return copy;
}

mt_code mt_chart_add_line(mt_chart *chart, mt_chart_role role, const char *label, size_t npoints,
                          const double *x, const double *y, const double *uncertainty, mt_error *err)
{
  mt_chart_line line = {.role = role, .npoints = npoints};
  mt_code code;

  if (chart->nlines == MT_CHART_LINES_MAX)
    return mt_fail(err, MT_E_ARG, "\"%.40s\" is one line too many; a chart holds %d", label,
                   MT_CHART_LINES_MAX);
  code = check_points(chart, label, npoints, x, y, uncertainty, err);
  if (code != MT_OK)
    return code;
  copy_clean(line.label, sizeof line.label, label);
  if (npoints > 0) {
    line.x = copy_of(x, npoints);
    line.y = copy_of(y, npoints);
    line.uncertainty = uncertainty != NULL ? copy_of(uncertainty, npoints) : NULL;
    if (line.x == NULL || line.y == NULL || (uncertainty != NULL && line.uncertainty == NULL)) {
      free(line.x);
      free(line.y);
      free(line.uncertainty);
      return mt_fail(err, MT_E_MEMORY, "out of memory for a line of %zu points", npoints);
    }
  }
  chart->lines[chart->nlines++] = line;
  return MT_OK;
}
