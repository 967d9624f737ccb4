/** @file document_write.h  The forms a document can be shown in. The caller checks the stream. */
#ifndef REPORT_DOCUMENT_WRITE_H
#define REPORT_DOCUMENT_WRITE_H

#include "report/document.h"

/** At most 80 columns; a chart is told in words. */
mt_code document_write_text(const document *d, FILE *out, mt_error *err);

/** One file that loads nothing and needs no script; light and dark, narrow and wide, on screen and on paper. */
mt_code document_write_html(const document *d, FILE *out, mt_error *err);
mt_code document_write_json(const document *d, FILE *out, mt_error *err);

typedef enum document_paper { DOCUMENT_A4, DOCUMENT_LETTER } document_paper;

/** @param bytes  malloc'ed. */
mt_code document_write_pdf(const document *d, document_paper paper, unsigned char **bytes, size_t *nbytes,
                           mt_error *err);

#endif
