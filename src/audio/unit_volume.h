/** @file unit_volume.h  The volume control of a simulated unit. */
#ifndef AUDIO_UNIT_VOLUME_H
#define AUDIO_UNIT_VOLUME_H

#include "base/config.h"
#include "base/random.h"

#include <mendtone/simulate.h>

/** Read the group "volume" of a description, if it is there; out is changed as it says. */
mt_code mt_unit_volume_read(mt_config_item root, mt_simulated_volume *out, mt_error *err);

/** Whether its numbers are in range and in order. */
mt_code mt_unit_volume_check(const mt_simulated_volume *volume, mt_error *err);

/** Attenuate frames, two channels interleaved; `first` is the recorder's frame of the first one. */
void mt_unit_volume_pass(const mt_simulated_volume *volume, double rate_hz, uint64_t first, size_t nframes,
                         double *frames);

/** Add what the track scratches. */
void mt_unit_volume_scratch(const mt_simulated_volume *volume, double rate_hz, uint64_t first,
                            mt_random noise[2], size_t nframes, double *frames);

#endif
