/** @file filing.h  From a job or from results on disk to the report that goes with the unit. */
#ifndef MENDTONE_FILING_H
#define MENDTONE_FILING_H

#include <mendtone/paper.h>

#ifdef __cplusplus
extern "C" {
#endif

/** What to report. Zero: the newest of everything. */
typedef struct mt_filing_options {
  const char *now; /**< label of the stage; NULL: "after", else the youngest that is not "before" */
  const char
      *earlier; /**< label of the stage it is compared with; NULL: "before" if there is one; "": none */
  bool shows_costs;
  bool shows_notes;
} mt_filing_options;

/** A report's record with all it borrows. */
typedef struct mt_filing mt_filing;

/**
 * Gather what a job says. A stage whose results are damaged or from a newer version is reported as not read, with
 * the reason; it is an error only if it is the one reported on.
 *
 * @param folder  of the job.
 * @return MT_E_NO_INPUT: no such job, or it has no (such) stage; MT_E_DATA; MT_E_MEMORY.
 */
mt_code mt_filing_open_job(const char *folder, const mt_filing_options *options, mt_filing **out,
                           mt_error *err);

/** The same from one or two results.json. @param earlier  may be NULL. */
mt_code mt_filing_open_results(const char *now, const char *earlier, mt_filing **out, mt_error *err);

/** Borrowed; valid until the filing is closed. */
const mt_paper *mt_filing_paper(const mt_filing *filing);

/** Free all; accepts NULL and leaves NULL. */
void mt_filing_close(mt_filing **filing);

/**
 * Write readings.csv and a file for each curve into a folder, made if need be. MT_E_CREATE, MT_E_IO.
 */
mt_code mt_filing_write_csv(const mt_filing *filing, const char *folder, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
