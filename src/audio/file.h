/** @file file.h  Audio files beyond the public functions: any stretch of one, and what the tests need to know. */
#ifndef AUDIO_FILE_H
#define AUDIO_FILE_H

#include <mendtone/audio.h>

#include <stdbool.h>
#include <stdint.h>

/** Whether that much sample data needs RF64: a plain WAV holds its lengths in 32 bits. */
bool mt_file_needs_rf64(uint64_t data_bytes);

/**
 * Open a recording so that any stretch of it can be read, in the formats of the back end "file".
 *
 * A read beyond what can be decoded fails; how far that is, a run of the back end tells.
 *
 * @param out  close() it.
 * @return MT_E_NO_INPUT, MT_E_DATA, MT_E_MEMORY.
 */
mt_code mt_file_open_reader(const char *path, mt_take_reader *out, mt_file_info *info, mt_error *err);

#endif
