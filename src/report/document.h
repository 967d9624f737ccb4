/**
 * @file document.h  A report as blocks in reading order, before any form.
 *
 * What is said, and in which order, is decided when a document is made; text, HTML and PDF only show it. All
 * texts are any bytes: each writer makes them safe for its own form.
 */
#ifndef REPORT_DOCUMENT_H
#define REPORT_DOCUMENT_H

#include <mendtone/chart.h>

#include <stdio.h>

typedef enum document_kind {
  DOCUMENT_VERDICT, /**< the one sentence on top */
  DOCUMENT_HEADING,
  DOCUMENT_TEXT,  /**< a paragraph */
  DOCUMENT_ITEM,  /**< of a list */
  DOCUMENT_FACT,  /**< a term and what is said of it */
  DOCUMENT_TABLE, /**< the first row is its head, the first column of each row names it */
  DOCUMENT_CHART
} document_kind;

typedef struct document_cell {
  char *text;
  mt_verdict verdict; /**< how it is marked, beside what it says in words */
  bool is_number;     /**< set flush right */
} document_cell;

typedef struct document_block {
  document_kind kind;
  mt_verdict verdict;
  char *term; /**< of a fact */
  char *text; /**< of a table: its caption */
  size_t ncolumns;
  size_t ncells; /**< ncolumns times the rows, once all are added */
  document_cell *cells;
  mt_chart *chart; /**< owned */
} document_block;

typedef struct document {
  char *title;
  document_block *blocks;
  size_t nblocks;
  bool has_failed; /**< a block could not be kept for want of memory: nothing of it may be shown */
} document;

/** NULL: no memory. */
document *document_create(const char *title);
void document_destroy(document **d);

/* Append. What cannot be kept sets has_failed. */
void document_verdict(document *d, mt_verdict verdict, const char *fmt, ...) MT_PRINTF(3, 4);
void document_heading(document *d, const char *text);
void document_text(document *d, const char *fmt, ...) MT_PRINTF(2, 3);
void document_item(document *d, const char *fmt, ...) MT_PRINTF(2, 3);
void document_fact(document *d, const char *term, const char *fmt, ...) MT_PRINTF(3, 4);

/** Start a table; document_cell_add() then fills it row by row, the head first. */
void document_table(document *d, const char *caption, size_t ncolumns);
void document_cell_add(document *d, mt_verdict verdict, bool is_number, const char *fmt, ...) MT_PRINTF(4, 5);

/** Takes the chart over, also on failure. */
void document_chart(document *d, mt_chart **chart);

#endif
