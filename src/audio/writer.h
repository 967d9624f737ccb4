/** @file writer.h  What the tests need to know of a recording's header beyond the public functions. */
#ifndef AUDIO_WRITER_H
#define AUDIO_WRITER_H

#include <stdint.h>

#define MT_WRITER_HEADER_BYTES 92

/** The header of a float WAV of so many frames, or of an RF64 when a WAV's 32 bits do not hold its lengths. */
void mt_writer_make_header(uint64_t nframes, unsigned nchannels, uint32_t rate_hz,
                           unsigned char out[MT_WRITER_HEADER_BYTES]);

#endif
