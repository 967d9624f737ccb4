/**
 * @file fuzz.h  What a fuzz target is made of. Each is built twice: with replay.c as a test over a small
 * corpus, and with clang as libFuzzer.
 */
#ifndef FUZZ_H
#define FUZZ_H

#include <mendtone/error.h>

#include <stddef.h>
#include <stdint.h>

/** libFuzzer's entry: must come back from any bytes, without a leak. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/** Put the bytes into a file in memory. @return its path, good until the next call. */
const char *fuzz_file(const uint8_t *data, size_t size);

/** The bytes as a terminated string; free() it. */
char *fuzz_text(const uint8_t *data, size_t size);

/** Ends the program unless the outcome is what every refusal promises: a code, one line, nothing made. */
void fuzz_check_outcome(mt_code code, const mt_error *err, const void *made);

#endif
