/** @file backends.h  The back ends' run functions, for the one table in backends.c. */
#ifndef AUDIO_BACKENDS_H
#define AUDIO_BACKENDS_H

#include <mendtone/audio.h>

mt_code mt_portaudio_run(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err);
mt_code mt_file_run(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err);
mt_code mt_simulate_run_file(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err);

#endif
