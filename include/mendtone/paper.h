/**
 * @file paper.h  The report that goes with a unit: what was wrong, what was done, what is true now.
 *
 * One record in, several forms out, all of them saying the same in the same order.
 */
#ifndef MENDTONE_PAPER_H
#define MENDTONE_PAPER_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct mt_paper_part {
  const char *name;
  double quantity; /**< 0 stands for 1 */
  double cost;     /**< of one piece; NAN: not said */
  const char *currency;
} mt_paper_part;

/** One set of results and when it was made. */
typedef struct mt_paper_stage {
  const char *label;         /**< "before", "after"... */
  const char *when;          /**< a date in words; "" if not known */
  const mt_results *results; /**< NULL: it could not be read */
  const char *why;           /**< without results: why; else "" */
  const char *tool_version;  /**< that read it; "" if not known */
  mt_verdict verdict;        /**< as it was filed: of a stage that is only listed, too */
} mt_paper_stage;

/** What is reported. All is borrowed; texts may be any bytes, none is NULL. */
typedef struct mt_paper {
  const char *unit;
  const char *complaint; /**< "": not said */
  const char *const *found;
  size_t nfound;
  const char *const *done;
  size_t ndone;
  const char *const *notes;
  size_t nnotes;
  const mt_paper_part *parts;
  size_t nparts;
  double minutes;               /**< worked; 0: not said */
  const mt_paper_stage *stages; /**< in the order they were made */
  size_t nstages;
  size_t now;       /**< index of the stage that is reported */
  size_t earlier;   /**< index of the one it is compared with; SIZE_MAX: none */
  bool shows_costs; /**< parts and work with what they cost */
  bool shows_notes;
} mt_paper;

typedef enum mt_paper_form {
  MT_PAPER_TEXT,   /**< 80 columns */
  MT_PAPER_HTML,   /**< one file, loads nothing, no script */
  MT_PAPER_A4,     /**< PDF */
  MT_PAPER_LETTER, /**< PDF */
  MT_PAPER_JSON,   /**< the same blocks for a program, "format": "mendtone-report" */
  MT_PAPER_FORMS
} mt_paper_form;

/**
 * The verdict the report states: that of the stage reported, undecided if it was not read or if its checks say
 * otherwise, as they do in results that were cut.
 *
 * @param paper  with at least one stage.
 */
mt_verdict mt_paper_verdict(const mt_paper *paper);

/**
 * Make the report in one form.
 *
 * @param bytes  malloc'ed, nbytes of them; unchanged on failure.
 * @return MT_OK; MT_E_ARG: no stage, or an index beyond them; MT_E_MEMORY.
 */
mt_code mt_paper_make(const mt_paper *paper, mt_paper_form form, unsigned char **bytes, size_t *nbytes,
                      mt_error *err);

/** Make it and write it to a file, whole or not at all; "-" is standard output. MT_E_CREATE, MT_E_IO. */
mt_code mt_paper_write(const mt_paper *paper, mt_paper_form form, const char *path, mt_error *err);

/**
 * The same of several units, one row each: unit, date, verdict and the readings most asked for.
 *
 * @param units  [nunits], each with one stage at least.
 */
mt_code mt_paper_make_shelf(const mt_paper *units, size_t nunits, mt_paper_form form, unsigned char **bytes,
                            size_t *nbytes, mt_error *err);

/**
 * All readings as comma separated values (RFC 4180), a head line first: quantity, channel, segment, state, freq_hz,
 * order, value, unit, uncertainty, validity, verdict. What is not valid has no value; a bound has one.
 *
 * @param out  malloc'ed.
 */
mt_code mt_paper_csv_readings(const mt_results *results, char **out, mt_error *err);

/** One curve likewise: x, y, uncertainty, floor, their units in the head line. */
mt_code mt_paper_csv_curve(const mt_curve *curve, char **out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
