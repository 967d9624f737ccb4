/** @file text_row.h  One row of the table of readings. */
#ifndef REPORT_TEXT_ROW_H
#define REPORT_TEXT_ROW_H

#include <mendtone/results.h>

#include <stdio.h>

/** What stands in one column. */
typedef struct mt_cell {
  bool present;
  mt_validity validity;
  double value;
  double uncertainty;
  mt_verdict verdict;
} mt_cell;

/** The columns of a table: two channels, and what is said of the pair. */
typedef struct mt_row {
  const char *label;
  mt_quantity quantity;
  mt_unit unit;
  mt_channel first; /**< the channel of cells[0]; that of cells[1] is the next */
  mt_cell cells[3];
} mt_row;

/** "no signal", "clipped"...: short enough for a cell. By mt_validity. */
extern const char *const mt_report_validity_words[];

mt_cell mt_cell_of(const mt_reading *reading);

/** A value or a bound. */
bool mt_cell_has_number(const mt_cell *cell);

/** The same row in another unit of its kind: dB as %, s as ms. */
mt_row mt_row_convert(const mt_row *from, mt_unit unit, const char *label);

void mt_row_print(const mt_row *row, FILE *out);

/** A line in the columns of the table, for its head. */
void mt_row_print_cells(const char *label, char cells[3][32], const char *uncertainty, const char *unit,
                        const char *verdict, FILE *out);

#endif
