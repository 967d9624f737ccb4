/* A document on a terminal of 80 columns. */
#include "report/document_write.h"

#include "report/layout.h"

#include <stdlib.h>
#include <string.h>

#define COLUMNS_MAX 12
#define GAP 2

/* ---- tables ----------------------------------------------------------------------------------- */

static char *clean_copy(const char *text)
{
  char *clean = malloc(3 * strlen(text) + 1);

  if (clean != NULL)
    mt_layout_clean(clean, text);
  return clean;
}

/* Columns of the longest word. */
static size_t longest_word(const char *text)
{
  size_t longest = 0;

  while (*(text += strspn(text, " ")) != '\0') {
    size_t length = strcspn(text, " "), columns;
    char word[512];
    snprintf(word, sizeof word, "%.*s", (int)(length < sizeof word ? length : sizeof word - 1), text);
    columns = mt_layout_columns(word);
    longest = columns > longest ? columns : longest;
    text += length;
  }
  return longest;
}

/* The widest column that still has more than it needs; if none has, the widest. */
static size_t choose_giver(const size_t *widths, const size_t *least, size_t n)
{
  size_t giver = n, widest = 0;

  for (size_t c = 0; c < n; c++) {
    if (widths[c] > least[c] && (giver == n || widths[c] > widths[giver]))
      giver = c;
    if (widths[c] > widths[widest])
      widest = c;
  }
  return giver < n ? giver : widest;
}

/* As wide as the widest text, then the widest columns give until all fit; words are broken last. */
static void choose_widths(char *const *texts, const document_block *b, size_t *widths)
{
  size_t total = GAP * (b->ncolumns - 1), least[COLUMNS_MAX];

  for (size_t c = 0; c < b->ncolumns; c++) {
    widths[c] = least[c] = 1;
    for (size_t i = c; i < b->ncells; i += b->ncolumns) {
      size_t needs = mt_layout_columns(texts[i]), word = longest_word(texts[i]);
      /* a number stays with its unit */
      word = b->cells[i].is_number && i >= b->ncolumns ? needs : word;
      widths[c] = needs > widths[c] ? needs : widths[c];
      least[c] = word > least[c] ? word : least[c];
    }
    total += widths[c];
  }
  for (; total > MT_LAYOUT_COLUMNS; total--)
    widths[choose_giver(widths, least, b->ncolumns)]--;
}

/* The next line of a text within `width` columns; *text moves on behind it. */
static void take_line(const char **text, size_t width, char *out, size_t size)
{
  size_t used = 0;

  out[0] = '\0';
  *text += strspn(*text, " ");
  while (**text != '\0') {
    size_t length = strcspn(*text, " "), gap = used > 0 ? 1 : 0;
    char word[512];
    snprintf(word, sizeof word, "%.*s", (int)(length < sizeof word ? length : sizeof word - 1), *text);
    if (used + gap + mt_layout_columns(word) > width && used > 0)
      return;
    snprintf(out + strlen(out), size - strlen(out), "%s%s", gap > 0 ? " " : "", word);
    used += gap + mt_layout_columns(word);
    *text += length + strspn(*text + length, " ");
    if (used >= width)
      return; /* a word wider than its column is cut by the cell */
  }
}

static void put_row(FILE *out, const document_block *b, char *const *texts, size_t row, const size_t *widths)
{
  const char *rest[COLUMNS_MAX];
  bool more = true;

  for (size_t c = 0; c < b->ncolumns; c++)
    rest[c] = texts[row * b->ncolumns + c];
  while (more) {
    char whole[1024] = "";
    FILE *line = fmemopen(whole, sizeof whole, "w");
    more = false;
    if (line == NULL)
      return;
    for (size_t c = 0; c < b->ncolumns; c++) {
      char piece[600];
      bool right = b->cells[row * b->ncolumns + c].is_number;
      take_line(&rest[c], widths[c], piece, sizeof piece);
      fprintf(line, "%*s", c > 0 ? GAP : 0, "");
      mt_layout_cell(line, right ? -(int)widths[c] : (int)widths[c], piece);
      more = more || *rest[c] != '\0';
    }
    fclose(line);
    for (size_t end = strlen(whole); end > 0 && whole[end - 1] == ' ';)
      whole[--end] = '\0';
    fprintf(out, "%s\n", whole);
  }
}

static mt_code put_table(FILE *out, const document_block *b, mt_error *err)
{
  char **texts = calloc(b->ncells > 0 ? b->ncells : 1, sizeof *texts);
  size_t widths[COLUMNS_MAX];
  bool is_complete = texts != NULL && b->ncolumns > 0 && b->ncolumns <= COLUMNS_MAX;

  for (size_t i = 0; i < b->ncells && is_complete; i++)
    is_complete = (texts[i] = clean_copy(b->cells[i].text)) != NULL;
  if (is_complete) {
    mt_layout_wrap(out, "", "", b->text);
    choose_widths(texts, b, widths);
    for (size_t row = 0; row < b->ncells / b->ncolumns; row++)
      put_row(out, b, texts, row, widths);
  }
  for (size_t i = 0; i < b->ncells && texts != NULL; i++)
    free(texts[i]);
  free(texts);
  return is_complete ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for a table");
}

/* ---- blocks ----------------------------------------------------------------------------------- */

static void put_fact(FILE *out, const document_block *b)
{
  char first[32];

  snprintf(first, sizeof first, "  %-16.16s ", b->term);
  if (strlen(b->term) > 16) {
    mt_layout_wrap(out, "  ", "  ", b->term);
    snprintf(first, sizeof first, "%19s", "");
  }
  mt_layout_wrap(out, first, "                   ", b->text);
}

static mt_code put_chart(FILE *out, const mt_chart *chart, mt_error *err)
{
  char *words = NULL;
  mt_code code = mt_chart_describe(chart, &words, err);

  if (code == MT_OK)
    mt_layout_wrap(out, "  ", "    ", words);
  free(words);
  return code;
}

mt_code document_write_text(const document *d, FILE *out, mt_error *err)
{
  mt_code code = MT_OK;

  mt_layout_wrap(out, "", "", d->title);
  for (size_t i = 0; i < d->nblocks && code == MT_OK; i++) {
    const document_block *b = &d->blocks[i];
    switch (b->kind) {
    case DOCUMENT_VERDICT: mt_layout_wrap(out, "", "", b->text); break;
    case DOCUMENT_HEADING:
      fputc('\n', out);
      mt_layout_wrap(out, "", "", b->text);
      break;
    case DOCUMENT_TEXT: mt_layout_wrap(out, "", "", b->text); break;
    case DOCUMENT_ITEM: mt_layout_wrap(out, "  - ", "    ", b->text); break;
    case DOCUMENT_FACT: put_fact(out, b); break;
    case DOCUMENT_TABLE: code = put_table(out, b, err); break;
    case DOCUMENT_CHART: code = put_chart(out, b->chart, err); break;
    }
  }
  return code;
}
