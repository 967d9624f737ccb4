#include "report/document.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

document *document_create(const char *title)
{
  document *d = calloc(1, sizeof *d);

  if (d == NULL)
    return NULL;
  d->title = strdup(title);
  if (d->title == NULL)
    document_destroy(&d);
  return d;
}

void document_destroy(document **d)
{
  if (*d == NULL)
    return;
  for (size_t i = 0; i < (*d)->nblocks; i++) {
    document_block *b = &(*d)->blocks[i];
    for (size_t k = 0; k < b->ncells; k++)
      free(b->cells[k].text);
    free(b->cells);
    free(b->term);
    free(b->text);
    mt_chart_destroy(&b->chart);
  }
  free((*d)->blocks);
  free((*d)->title);
  free(*d);
  *d = NULL;
}

static document_block *add_block(document *d, document_kind kind)
{
  document_block *larger;

  if (d->has_failed)
    return NULL;
  if ((d->nblocks & (d->nblocks - 1)) == 0) { /* at each power of two */
    larger = realloc(d->blocks, (d->nblocks == 0 ? 1 : 2 * d->nblocks) * sizeof *larger);
    if (larger == NULL) {
      d->has_failed = true;
      return NULL;
    }
    d->blocks = larger;
  }
  d->blocks[d->nblocks] = (document_block){.kind = kind};
  return &d->blocks[d->nblocks++];
}

MT_PRINTF(2, 0)
static char *write_text(document *d, const char *fmt, va_list args)
{
  char *text = NULL;

  if (vasprintf(&text, fmt, args) < 0) {
    d->has_failed = true;
    return NULL;
  }
  return text;
}

#define ADD_TEXT(d, which, fmt)                                                                              \
  do {                                                                                                       \
    document_block *block = add_block((d), (which));                                                         \
    va_list args;                                                                                            \
    if (block == NULL)                                                                                       \
      return;                                                                                                \
    va_start(args, fmt);                                                                                     \
    block->text = write_text((d), (fmt), args);                                                              \
    va_end(args);                                                                                            \
  } while (0)

void document_verdict(document *d, mt_verdict verdict, const char *fmt, ...)
{
  ADD_TEXT(d, DOCUMENT_VERDICT, fmt);
  d->blocks[d->nblocks - 1].verdict = verdict;
}

void document_heading(document *d, const char *text)
{
  document_block *block = add_block(d, DOCUMENT_HEADING);

  if (block == NULL)
    return;
  block->text = strdup(text);
  d->has_failed = block->text == NULL;
}

void document_text(document *d, const char *fmt, ...)
{
  ADD_TEXT(d, DOCUMENT_TEXT, fmt);
}

void document_item(document *d, const char *fmt, ...)
{
  ADD_TEXT(d, DOCUMENT_ITEM, fmt);
}

void document_fact(document *d, const char *term, const char *fmt, ...)
{
  document_block *fact;

  ADD_TEXT(d, DOCUMENT_FACT, fmt);
  fact = &d->blocks[d->nblocks - 1];
  fact->term = strdup(term);
  d->has_failed = d->has_failed || fact->term == NULL;
}

void document_table(document *d, const char *caption, size_t ncolumns)
{
  document_block *block = add_block(d, DOCUMENT_TABLE);

  if (block == NULL)
    return;
  block->text = strdup(caption);
  block->ncolumns = ncolumns;
  d->has_failed = block->text == NULL;
}

void document_cell_add(document *d, mt_verdict verdict, bool is_number, const char *fmt, ...)
{
  document_block *block = d->nblocks > 0 ? &d->blocks[d->nblocks - 1] : NULL;
  document_cell *larger;
  va_list args;

  if (d->has_failed || block == NULL || block->kind != DOCUMENT_TABLE)
    return;
  if ((block->ncells & (block->ncells - 1)) == 0) {
    larger = realloc(block->cells, (block->ncells == 0 ? 1 : 2 * block->ncells) * sizeof *larger);
    if (larger == NULL) {
      d->has_failed = true;
      return;
    }
    block->cells = larger;
  }
  va_start(args, fmt);
  block->cells[block->ncells++] = (document_cell){write_text(d, fmt, args), verdict, is_number};
  va_end(args);
}

void document_chart(document *d, mt_chart **chart)
{
  document_block *block = add_block(d, DOCUMENT_CHART);

  if (block == NULL) {
    mt_chart_destroy(chart);
    return;
  }
  block->chart = *chart;
  *chart = NULL;
}
