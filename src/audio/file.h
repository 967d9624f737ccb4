/** @file file.h  What the tests need to know of audio files beyond the public functions. */
#ifndef AUDIO_FILE_H
#define AUDIO_FILE_H

#include <stdbool.h>
#include <stdint.h>

/** Whether that much sample data needs RF64: a plain WAV holds its lengths in 32 bits. */
bool mt_file_needs_rf64(uint64_t data_bytes);

#endif
