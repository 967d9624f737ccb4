/* A document as JSON, for a program that shows it in its own way: the same blocks in the same order. */
#include "report/document_write.h"

#include "report/layout.h"

#include <stdlib.h>
#include <string.h>

/* A string of JSON (RFC 8259) in quotes; what is no UTF-8 becomes U+FFFD. */
static void put_string(FILE *out, const char *text)
{
  char *valid = malloc(3 * strlen(text) + 1);

  if (valid == NULL) {
    fputs("null", out);
    return;
  }
  mt_layout_repair(valid, text);
  fputc('"', out);
  for (const unsigned char *p = (const unsigned char *)valid; *p != '\0'; p++)
    if (*p == '"' || *p == '\\')
      fprintf(out, "\\%c", *p);
    else if (*p < 0x20 || *p == 0x7f)
      fprintf(out, "\\u%04x", *p);
    else
      fputc(*p, out);
  fputc('"', out);
  free(valid);
}

static void put_member(FILE *out, const char *name, const char *text)
{
  fprintf(out, ", \"%s\": ", name);
  put_string(out, text);
}

static void put_verdict(FILE *out, mt_verdict verdict)
{
  if (verdict == MT_VERDICT_NONE)
    fputs("null", out);
  else
    put_string(out, mt_verdict_name(verdict));
}

static void put_row(FILE *out, const document_block *b, size_t row)
{
  for (size_t c = 0; c < b->ncolumns; c++) {
    fputs(c == 0 ? "[" : ", ", out);
    put_string(out, b->cells[row * b->ncolumns + c].text);
  }
  fputc(']', out);
}

static mt_verdict verdict_of_row(const document_block *b, size_t row)
{
  for (size_t c = 0; c < b->ncolumns; c++)
    if (b->cells[row * b->ncolumns + c].verdict != MT_VERDICT_NONE)
      return b->cells[row * b->ncolumns + c].verdict;
  return MT_VERDICT_NONE;
}

static void put_table(FILE *out, const document_block *b)
{
  size_t nrows = b->ncells / b->ncolumns;

  put_member(out, "caption", b->text);
  fputs(", \"head\": ", out);
  put_row(out, b, 0);
  fputs(", \"rows\": [", out);
  for (size_t row = 1; row < nrows; row++) {
    fputs(row == 1 ? "\n  " : ",\n  ", out);
    put_row(out, b, row);
  }
  fputs("], \"verdicts\": [", out);
  for (size_t row = 1; row < nrows; row++) {
    fputs(row == 1 ? "" : ", ", out);
    put_verdict(out, verdict_of_row(b, row));
  }
  fputc(']', out);
}

static void put_numbers(FILE *out, const char *name, const double *values, size_t n)
{
  fprintf(out, ", \"%s\": [", name);
  for (size_t i = 0; i < n; i++)
    fprintf(out, "%s%.9g", i == 0 ? "" : ", ", values[i]);
  fputc(']', out);
}

static mt_code put_chart(FILE *out, const mt_chart *chart, mt_error *err)
{
  char *words = NULL;
  mt_code code = mt_chart_describe(chart, &words, err);

  if (code != MT_OK)
    return code;
  put_member(out, "title", chart->title);
  put_member(out, "text", words);
  put_member(out, "x_title", chart->x_title);
  put_member(out, "y_title", chart->y_title);
  put_member(out, "note", chart->note);
  fputs(", \"lines\": [", out);
  for (size_t i = 0; i < chart->nlines; i++) {
    const mt_chart_line *line = &chart->lines[i];
    fputs(i == 0 ? "\n  {\"label\": " : ",\n  {\"label\": ", out);
    put_string(out, line->label);
    put_numbers(out, "x", line->x, line->npoints);
    put_numbers(out, "y", line->y, line->npoints);
    if (line->uncertainty != NULL)
      put_numbers(out, "uncertainty", line->uncertainty, line->npoints);
    fputc('}', out);
  }
  fputc(']', out);
  free(words);
  return MT_OK;
}

static mt_code put_block(FILE *out, const document_block *b, mt_error *err)
{
  static const char *const kinds[] = {
      [DOCUMENT_VERDICT] = "verdict", [DOCUMENT_HEADING] = "heading", [DOCUMENT_TEXT] = "text",
      [DOCUMENT_ITEM] = "item",       [DOCUMENT_FACT] = "fact",       [DOCUMENT_TABLE] = "table",
      [DOCUMENT_CHART] = "chart"};
  mt_code code = MT_OK;

  fprintf(out, "{\"kind\": \"%s\"", kinds[b->kind]);
  if (b->kind == DOCUMENT_VERDICT) {
    fputs(", \"verdict\": ", out);
    put_verdict(out, b->verdict);
  }
  if (b->kind == DOCUMENT_FACT)
    put_member(out, "term", b->term);
  if (b->kind == DOCUMENT_TABLE)
    put_table(out, b);
  else if (b->kind == DOCUMENT_CHART)
    code = put_chart(out, b->chart, err);
  else
    put_member(out, "text", b->text);
  fputc('}', out);
  return code;
}

mt_code document_write_json(const document *d, FILE *out, mt_error *err)
{
  mt_code code = MT_OK;

  fputs("{\"format\": \"mendtone-report\", \"format_version\": 1", out);
  put_member(out, "title", d->title);
  fputs(", \"blocks\": [\n", out);
  for (size_t i = 0; i < d->nblocks && code == MT_OK; i++) {
    fputs(i == 0 ? " " : ",\n ", out);
    code = put_block(out, &d->blocks[i], err);
  }
  fputs("\n]}\n", out);
  return code;
}
