/** @file report.h  Results as JSON and as text. */
#ifndef MENDTONE_REPORT_H
#define MENDTONE_REPORT_H

#include <mendtone/plan.h>

#include <stdio.h>

#ifdef __cplusplus
extern "C" {
#endif

/** results.json as a malloc'ed string, ending in a newline; free() it. */
mt_code mt_report_json(const mt_results *results, char **out, mt_error *err);

/** Write results.json to a file, whole or not at all; "-" is stdout. */
mt_code mt_report_write_json(const mt_results *results, const char *path, mt_error *err);

/** Read results.json: unknown quantities and fields are ignored, a newer format_version is refused. */
mt_code mt_report_read_json(const char *path, mt_results **out, mt_error *err);

/** The text report, at most 80 columns: verdict in words, limits with the reason, readings, problems. */
mt_code mt_report_text(const mt_results *results, FILE *out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
