#include "audio/backends.h"

#include <string.h>

static const mt_audio_backend backends[] = {
    {"portaudio", mt_portaudio_run},
    {"file", mt_file_run},
    {"simulate", mt_simulate_run_file},
};

const mt_audio_backend *mt_audio_find_backend(const char *name)
{
  for (size_t i = 0; i < sizeof backends / sizeof backends[0]; i++)
    if (strcmp(backends[i].name, name) == 0)
      return &backends[i];
  return NULL;
}
