/* Readings and curves as comma separated values. */
#include <mendtone/paper.h>

#include "report/layout.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Quoted, and never a formula: what a table program would reckon with begins with an apostrophe. */
static void put_text(FILE *out, const char *text)
{
  char *valid = malloc(3 * strlen(text) + 1);

  if (valid == NULL)
    return;
  mt_layout_clean(valid, text);
  fputc('"', out);
  if (valid[0] != '\0' && strchr("=+-@", valid[0]) != NULL)
    fputc('\'', out);
  for (const char *p = valid; *p != '\0'; p++) {
    if (*p == '"')
      fputc('"', out);
    fputc(*p, out);
  }
  fputc('"', out);
  free(valid);
}

static void put_value(FILE *out, const mt_reading *r)
{
  bool has_value = r->validity == MT_VALID || r->validity == MT_RIG_LIMITED;

  if (has_value && r->quantity == MT_Q_ROUTE)
    fprintf(out, "%s,", mt_route_name((mt_route)(int)r->value));
  else if (has_value)
    fprintf(out, "%.17g,", r->value);
  else
    fputc(',', out);
  fprintf(out, "%s,", mt_unit_name(mt_quantity_describe(r->quantity)->unit));
  if (has_value)
    fprintf(out, "%.6g", r->uncertainty);
}

static void put_reading(FILE *out, const mt_reading *r)
{
  char channel[8];

  fprintf(out, "%s,%s,", mt_quantity_describe(r->quantity)->name, mt_channel_name(r->channel, channel));
  put_text(out, r->segment);
  fputc(',', out);
  put_text(out, r->state);
  fputc(',', out);
  if (r->freq_hz > 0.0)
    fprintf(out, "%.9g", r->freq_hz);
  fputc(',', out);
  if (r->order > 0)
    fprintf(out, "%d", r->order);
  fputc(',', out);
  put_value(out, r);
  fprintf(out, ",%s,%s\r\n", mt_validity_name(r->validity),
          r->verdict == MT_VERDICT_NONE ? "" : mt_verdict_name(r->verdict));
}

static mt_code finish(FILE *f, char **text, char **out, mt_error *err)
{
  if (fclose(f) != 0 || *text == NULL) {
    free(*text);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a table");
  }
  *out = *text;
  return MT_OK;
}

mt_code mt_paper_csv_readings(const mt_results *results, char **out, mt_error *err)
{
  char *text = NULL;
  size_t size;
  FILE *f = open_memstream(&text, &size);

  if (f == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a table");
  fputs("quantity,channel,segment,state,freq_hz,order,value,unit,uncertainty,validity,verdict\r\n", f);
  for (size_t i = 0; i < results->nreadings; i++)
    put_reading(f, &results->readings[i]);
  return finish(f, &text, out, err);
}

mt_code mt_paper_csv_curve(const mt_curve *curve, char **out, mt_error *err)
{
  const char *unit = mt_unit_name(mt_quantity_describe(curve->quantity)->unit);
  char *text = NULL;
  size_t size;
  FILE *f = open_memstream(&text, &size);

  if (f == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a table");
  fprintf(f, "x (%s),y (%s),uncertainty (%s)%s%s%s\r\n", mt_unit_name(mt_curve_x_unit(curve)), unit, unit,
          curve->floor != NULL ? ",floor (" : "", curve->floor != NULL ? unit : "",
          curve->floor != NULL ? ")" : "");
  for (size_t i = 0; i < curve->npoints; i++) {
    fprintf(f, "%.9g,%.9g,%.6g", curve->x[i], curve->y[i], curve->uncertainty[i]);
    if (curve->floor != NULL)
      fprintf(f, ",%.9g", curve->floor[i]);
    fputs("\r\n", f);
  }
  return finish(f, &text, out, err);
}
