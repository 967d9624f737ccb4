/** @file devices.h  Telling sound devices apart by name: which is meant, and which to trust. */
#ifndef AUDIO_DEVICES_H
#define AUDIO_DEVICES_H

#include <mendtone/audio.h>

/** Fill is_mixer and advice from name and host API. Common practice, no source. */
void mt_device_judge(mt_device *device);

/**
 * The device a name means: "NAME" or "HOST API: NAME", whole or a part of it, whatever the case.
 *
 * A whole name wins over parts. Only devices with inputs (or with outputs) are looked at.
 *
 * @param name  NULL: the default one.
 * @param out   Its index.
 * @return MT_E_DEVICE with what matches, or with what there is.
 */
mt_code mt_device_choose(const mt_device *devices, size_t ndevices, const char *name, bool wants_input,
                         size_t *out, mt_error *err);

#endif
