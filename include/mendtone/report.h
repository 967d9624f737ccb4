/** @file report.h  Results as JSON and as text. */
#ifndef MENDTONE_REPORT_H
#define MENDTONE_REPORT_H

#include <mendtone/compare.h>
#include <mendtone/plan.h>

#include <stdio.h>

#ifdef __cplusplus
extern "C" {
#endif

/**
 * results.json as a malloc'ed string, one record a line, ending in a newline; free() it.
 *
 * Numbers have all 17 digits of a double. What is not valid and not a bound has "value": null. A text
 * that is not UTF-8 (a file's name may be anything) is made so.
 *
 * @return MT_OK; MT_E_INTERNAL if a number is not finite or a word not known; MT_E_MEMORY. `out` is
 *         unchanged on failure.
 */
mt_code mt_report_json(const mt_results *results, char **out, mt_error *err);

/** Write results.json to a file, whole or not at all; "-" is stdout. MT_E_CREATE, MT_E_IO. */
mt_code mt_report_write_json(const mt_results *results, const char *path, mt_error *err);

/**
 * Read results.json: unknown quantities, units and fields are ignored, a newer format_version is refused.
 *
 * @return MT_OK; MT_E_NO_INPUT; MT_E_DATA with the record that is damaged. `out` is unchanged on failure.
 */
mt_code mt_report_read_json(const char *path, mt_results **out, mt_error *err);

/** A text as a JSON string with its quotes, malloc'ed, any bytes made valid UTF-8; free() it. */
mt_code mt_report_json_quote(const char *text, char **out, mt_error *err);

/**
 * Write a finished text to a file, whole or not at all; "-" is stdout. A pipe or a device is written
 * into, never replaced. MT_E_CREATE, MT_E_IO.
 */
mt_code mt_report_write_text(const char *text, const char *path, mt_error *err);

/**
 * The text report, at most 80 columns, UTF-8: verdict in words, limits missed or undecided with the reason,
 * likely causes, readings by channel, response, conditions, problems.
 *
 * A number has as many decimals as its uncertainty has two significant digits. `out` is flushed.
 *
 * @return MT_OK; MT_E_IO if it cannot be written.
 */
mt_code mt_report_text(const mt_results *results, FILE *out, mt_error *err);

/** The first part of it: verdict, limits missed or undecided, likely causes. Not flushed. */
void mt_report_summary(const mt_results *results, FILE *out);

/**
 * A reading as one short text, without its unit: "-20.003", "< -120.3", "no signal", "left", "inverted";
 * "" for NULL.
 *
 * @param unit  the reading's own, or one it converts to (% for a ratio in dB).
 * @param out   receives the text, at most 12 characters.
 */
const char *mt_report_reading(const mt_reading *reading, mt_unit unit, char out[32]);

/** A curve between its points, straight over log frequency. @return false outside it, or if not valid. */
bool mt_report_curve_at(const mt_curve *curve, double freq_hz, double *value, double *uncertainty);

typedef enum mt_report_detail {
  MT_REPORT_MAIN,      /**< a dozen rows: who hears what, levels, balance, distortion, range, noise */
  MT_REPORT_DIFFERENT, /**< every row that differs, or whose verdict changed */
  MT_REPORT_ALL        /**< every row that can be compared, and what is only in one */
} mt_report_detail;

/**
 * A comparison as text, at most 80 columns, UTF-8: conditions that differ, what is met or missed now and was not
 * before, readings side by side with the difference and its uncertainty, difference curves. `out` is flushed.
 *
 * @param name_a  how A is called, any bytes; likewise B.
 * @return MT_OK; MT_E_IO if it cannot be written.
 */
mt_code mt_report_comparison(const mt_comparison *comparison, const char *name_a, const char *name_b,
                             mt_report_detail detail, FILE *out, mt_error *err);

/**
 * The same as JSON, malloc'ed: "format": "mendtone-comparison"; free() it. Difference curves are whole.
 *
 * @return MT_OK; MT_E_MEMORY; MT_E_INTERNAL if a number is not finite.
 */
mt_code mt_report_comparison_json(const mt_comparison *comparison, const char *name_a, const char *name_b,
                                  char **out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
