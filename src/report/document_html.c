/* A document as one HTML file that loads nothing. */
#include "report/document_write.h"

#include "report/chart_draw.h"
#include "report/markup.h"

#include <stdlib.h>
#include <string.h>

static const char base_style[] =
    ":root{color-scheme:light dark;--page:#fff;--ink:#1a1a1a;--faint:#595959;--line:#c8c8c8;--head:#f2f2f2;"
    "--pass:#0b6b3a;--fail:#a8320a;--open:#6b5200}\n"
    "*{box-sizing:border-box}\n"
    "body{margin:0 auto;max-width:52rem;padding:1rem;background:var(--page);color:var(--ink);"
    "font:1rem/1.5 system-ui,\"DejaVu Sans\",sans-serif;overflow-wrap:anywhere}\n"
    "h1{font-size:1.5rem;line-height:1.25;margin:.5rem 0}\n"
    "h2{font-size:1.15rem;margin:2rem 0 .5rem;border-bottom:1px solid var(--line)}\n"
    "p,ul{margin:.5rem 0}\n"
    ".verdict{font-size:1.15rem;font-weight:600;padding:.6rem .8rem;border:1px solid var(--line);"
    "border-left-width:.5rem}\n"
    ".pass{color:var(--pass)}.fail{color:var(--fail);font-weight:600}.undecided{color:var(--open);"
    "font-weight:600}\n"
    ".verdict.pass{border-color:var(--pass)}.verdict.fail{border-color:var(--fail)}"
    ".verdict.undecided{border-color:var(--open);border-left-style:double}\n"
    ".wide{overflow-x:auto;margin:.8rem 0}\n"
    "table{border-collapse:collapse;width:100%;font-size:.9rem;overflow-wrap:normal}\n"
    "caption{text-align:left;color:var(--faint);padding:.2rem 0;position:sticky;left:0;"
    "max-width:calc(100vw - 2rem)}\n"
    "th,td{padding:.25rem 1rem .25rem 0;text-align:left;vertical-align:top;"
    "border-bottom:1px solid var(--line)}\n"
    "thead th{background:var(--head);border-bottom:2px solid var(--line)}tbody th{font-weight:400}\n"
    ".n{text-align:right;font-variant-numeric:tabular-nums}td.n{white-space:nowrap}\n"
    "dl{display:grid;grid-template-columns:minmax(6rem,max-content) 1fr;gap:.15rem 1rem;margin:.5rem 0}\n"
    "dt{color:var(--faint)}dd{margin:0;white-space:pre-line}\n"
    "figure{margin:1rem 0}.broad{min-width:30rem}.narrow{display:none}"
    "svg{display:block;width:100%;height:auto;background:var(--page)}\n"
    "svg path{fill:none;stroke-linejoin:round}svg text{font-family:\"DejaVu Sans\",Verdana,sans-serif;"
    "white-space:pre}\n"
    "@media screen and "
    "(max-width:34rem){dl{grid-template-columns:1fr}dd{margin-bottom:.4rem}dt:empty{display:none}"
    ".broad{display:none}.narrow{display:block}ul{padding-left:1.2rem}table{font-size:.8rem}"
    "th,td{padding-right:.6rem}.k{white-space:nowrap}tr>:first-child{position:sticky;left:0;background:var(--"
    "page);min-width:6rem}"
    "thead tr>:first-child{background:var(--head)}}\n";

static const char dark_style[] =
    ":root{--page:#15171a;--ink:#e8e8e8;--faint:#a9a9a9;--line:#44494f;--head:#1f2226;--pass:#6fd3a0;"
    "--fail:#ff9d76;--open:#e8c55a}\n";

static const char print_style[] =
    "@media print{:root{color-scheme:light;--page:#fff;--ink:#000;--faint:#444;--line:#999;--head:#eee;"
    "--pass:#000;--fail:#000;--open:#000}body{max-width:none;font-size:10pt;padding:0}"
    "h2{break-after:avoid}tr,figure,dl{break-inside:avoid}.wide{overflow:visible}}\n";

static void put(FILE *out, const char *before, const char *text, const char *after)
{
  fputs(before, out);
  markup_escape(out, text, 1);
  fputs(after, out);
}

static const char *class_of(mt_verdict verdict)
{
  switch (verdict) {
  case MT_VERDICT_PASS: return "pass";
  case MT_VERDICT_FAIL: return "fail";
  case MT_VERDICT_UNDECIDED: return "undecided";
  case MT_VERDICT_NONE: break;
  }
  return "";
}

static void put_cell(FILE *out, const document_block *b, size_t i)
{
  const document_cell *cell = &b->cells[i];
  bool is_head = i < b->ncolumns, is_first = i % b->ncolumns == 0;
  const char *tag = is_head || is_first ? "th" : "td";
  const char *mark = class_of(cell->verdict);
  bool is_short = !is_head && !is_first && cell->text[0] != '\0' && strlen(cell->text) <= 26;

  fprintf(out, "<%s%s", tag, is_head ? " scope=\"col\"" : is_first ? " scope=\"row\"" : "");
  if (cell->is_number || mark[0] != '\0' || is_short)
    fprintf(out, " class=\"%s%s%s\"",
            cell->is_number ? "n"
            : is_short      ? "k"
                            : "",
            (cell->is_number || is_short) && mark[0] != '\0' ? " " : "", mark);
  put(out, ">", cell->text, "</");
  fprintf(out, "%s>", tag);
}

static void put_table(FILE *out, const document_block *b)
{
  put(out, "<section class=\"wide\" tabindex=\"0\" aria-label=\"", b->text, "\"><table>\n");
  put(out, "<caption>", b->text, "</caption>\n<thead>");
  for (size_t i = 0; i < b->ncells; i++) {
    if (i % b->ncolumns == 0)
      fputs("<tr>", out);
    put_cell(out, b, i);
    if ((i + 1) % b->ncolumns == 0)
      fputs(i + 1 == b->ncolumns ? "</tr></thead>\n<tbody>\n" : "</tr>\n", out);
  }
  fputs("</tbody></table></section>\n", out);
}

/* Twice: for a page, and for a phone, whose letters would be too small to read on the other; one is shown. */
static mt_code put_chart(FILE *out, const mt_chart *chart, unsigned index, mt_error *err)
{
  static const struct {
    const char *name;
    double width;
  } sizes[] = {{"broad", 560.0}, {"narrow", 300.0}};
  mt_code code = MT_OK;

  put(out, "<section class=\"wide\" tabindex=\"0\" aria-label=\"", chart->title, "\">");
  for (size_t i = 0; i < 2 && code == MT_OK; i++) {
    char *svg = NULL;
    code = chart_draw_web(chart, 2 * index + (unsigned)i, sizes[i].width, &svg, err);
    if (code == MT_OK)
      fprintf(out, "<figure class=\"%s\">%s</figure>", sizes[i].name, svg);
    free(svg);
  }
  fputs("</section>\n", out);
  return code;
}

/* Items and facts that follow each other share a list. */
static void open_list(FILE *out, document_kind before, document_kind now)
{
  if (before == now)
    return;
  if (before == DOCUMENT_ITEM)
    fputs("</ul>\n", out);
  if (before == DOCUMENT_FACT)
    fputs("</dl>\n", out);
  if (now == DOCUMENT_ITEM)
    fputs("<ul>\n", out);
  if (now == DOCUMENT_FACT)
    fputs("<dl>\n", out);
}

static mt_code put_block(FILE *out, const document_block *b, unsigned index, mt_error *err)
{
  switch (b->kind) {
  case DOCUMENT_VERDICT:
    fprintf(out, "<p class=\"verdict %s\">", class_of(b->verdict));
    put(out, "", b->text, "</p>\n");
    break;
  case DOCUMENT_HEADING: put(out, "<h2>", b->text, "</h2>\n"); break;
  case DOCUMENT_TEXT: put(out, "<p>", b->text, "</p>\n"); break;
  case DOCUMENT_ITEM: put(out, "<li>", b->text, "</li>\n"); break;
  case DOCUMENT_FACT:
    put(out, "<dt>", b->term, "</dt>");
    put(out, "<dd>", b->text, "</dd>\n");
    break;
  case DOCUMENT_TABLE: put_table(out, b); break;
  case DOCUMENT_CHART: return put_chart(out, b->chart, index, err);
  }
  return MT_OK;
}

static void put_head(FILE *out, const document *d)
{
  put(out,
      "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
      "'unsafe-inline'\">\n"
      "<title>",
      d->title, "</title>\n<style>\n");
  fputs(base_style, out);
  chart_write_style(out, false);
  fputs("@media screen and (prefers-color-scheme:dark){\n", out);
  fputs(dark_style, out);
  chart_write_style(out, true);
  fputs("}\n", out);
  fputs(print_style, out);
  put(out, "</style>\n</head>\n<body>\n<main>\n<h1>", d->title, "</h1>\n");
}

mt_code document_write_html(const document *d, FILE *out, mt_error *err)
{
  document_kind before = DOCUMENT_VERDICT;
  mt_code code = MT_OK;

  put_head(out, d);
  for (size_t i = 0; i < d->nblocks && code == MT_OK; i++) {
    open_list(out, before, d->blocks[i].kind);
    code = put_block(out, &d->blocks[i], (unsigned)i, err);
    before = d->blocks[i].kind;
  }
  open_list(out, before, DOCUMENT_VERDICT);
  fputs("</main>\n</body>\n</html>\n", out);
  return code;
}
