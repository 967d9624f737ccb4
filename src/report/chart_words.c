/* A chart in words, for whoever cannot see it. */
#include <mendtone/chart.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void write_x(FILE *f, const mt_chart *chart, double x)
{
  if (chart->x_axis == MT_CHART_FREQUENCY && x >= 1000.0)
    fprintf(f, "%.3g kHz", x / 1000.0);
  else
    fprintf(f, "%.3g %s", x,
            chart->x_axis == MT_CHART_FREQUENCY ? "Hz"
            : chart->x_axis == MT_CHART_LEVEL   ? "dBFS"
            : chart->x_axis == MT_CHART_TURNED  ? "dB"
                                                : "s");
}

/* As finely as a picture shows it: a tenth of a decibel, three figures of anything else. */
static void write_y(FILE *f, const mt_chart *chart, double y)
{
  bool is_decibel = chart->y_unit == MT_UNIT_DB || chart->y_unit == MT_UNIT_DBFS ||
                    chart->y_unit == MT_UNIT_DBV || chart->y_unit == MT_UNIT_DBFS_PER_ROOT_HZ;
  char text[48];

  if (is_decibel)
    snprintf(text, sizeof text, "%.1f", y);
  else
    snprintf(text, sizeof text, "%.3g", fabs(y) < 0.001 ? 0.0 : y);
  fprintf(f, "%s %s at ", strcmp(text, "-0.0") == 0 ? "0.0" : text, mt_unit_name(chart->y_unit));
}

static void write_line(FILE *f, const mt_chart *chart, const mt_chart_line *line)
{
  size_t low = 0, high = 0;

  for (size_t i = 1; i < line->npoints; i++) {
    low = line->y[i] < line->y[low] ? i : low;
    high = line->y[i] > line->y[high] ? i : high;
  }
  fprintf(f, " %s: ", line->label);
  if (line->npoints == 0) {
    fputs("nothing drawn.", f);
    return;
  }
  write_y(f, chart, line->y[low]);
  write_x(f, chart, line->x[low]);
  fputs(" at the lowest, ", f);
  write_y(f, chart, line->y[high]);
  write_x(f, chart, line->x[high]);
  fputs(" at the highest.", f);
}

mt_code mt_chart_describe(const mt_chart *chart, char **out, mt_error *err)
{
  char *text = NULL;
  size_t size = 0;
  double from = INFINITY, to = -INFINITY;
  FILE *f = open_memstream(&text, &size);

  if (f == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a description");
  for (size_t i = 0; i < chart->nlines; i++)
    if (chart->lines[i].npoints > 0) {
      from = fmin(from, chart->lines[i].x[0]);
      to = fmax(to, chart->lines[i].x[chart->lines[i].npoints - 1]);
    }
  fprintf(f, "Chart: %s", chart->title);
  if (from <= to) {
    fputs(", from ", f);
    write_x(f, chart, from);
    fputs(" to ", f);
    write_x(f, chart, to);
  }
  fputc('.', f);
  for (size_t i = 0; i < chart->nlines; i++)
    write_line(f, chart, &chart->lines[i]);
  if (chart->nspans > 0)
    fprintf(f, " Marked: %zu.", chart->nspans);
  if (fclose(f) != 0 || text == NULL) {
    free(text);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a description");
  }
  *out = text;
  return MT_OK;
}
