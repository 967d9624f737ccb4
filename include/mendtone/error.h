/** @file error.h  The one error type: a code a program can test, a sentence a person can act on. */
#ifndef MENDTONE_ERROR_H
#define MENDTONE_ERROR_H

#ifdef __cplusplus
extern "C" {
#endif

/** What went wrong. The command-line tool maps each to one exit status of sysexits(3). */
typedef enum mt_code {
  MT_OK = 0,
  MT_E_ARG,      /**< an argument is out of its range (exit 64) */
  MT_E_DATA,     /**< the data cannot be used: not audio, marks missing, non-finite samples (65) */
  MT_E_NO_INPUT, /**< a named file does not exist or cannot be opened for reading (66) */
  MT_E_DEVICE,   /**< a sound device is missing, ambiguous or failed (69) */
  MT_E_INTERNAL, /**< our own bug (70) */
  MT_E_MEMORY,   /**< out of memory (70) */
  MT_E_CREATE,   /**< an output file cannot be created (73) */
  MT_E_IO,       /**< reading or writing failed half-way (74) */
  MT_E_PLAN      /**< a plan or a simulated-unit file is wrong (78) */
} mt_code;

/** Owned by the caller, no allocation. One line, no trailing newline. */
typedef struct mt_error {
  mt_code code;
  char message[256];
} mt_error;

#if defined(__GNUC__)
#define MT_PRINTF(fmt, args) __attribute__((format(printf, fmt, args)))
#else
#define MT_PRINTF(fmt, args)
#endif

/**
 * Fill an error and return its code, so that a failure is one line.
 *
 * @param err   May be NULL: then only the code is returned.
 * @param code  Not MT_OK.
 * @param fmt   One line: what was wrong, the value seen, the range expected.
 * @return `code`.   Thread: any.
 */
mt_code mt_fail(mt_error *err, mt_code code, const char *fmt, ...) MT_PRINTF(3, 4);

/** The code as a word ("bad data"), never NULL. */
const char *mt_code_name(mt_code code);

#ifdef __cplusplus
}
#endif
#endif
