#include "session/rig_use.h"

#include "audio/devices.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HARDWARE " (hw:"

/*
 * A card plugged in again may get another number, and with it another name: then what stands before the number is
 * asked for, and more than one such card is refused by name.
 */
static void name_side(const mt_rig_side *side, bool is_input, char *out, size_t size)
{
  mt_device *devices = NULL;
  size_t ndevices = 0, index;
  char *number;

  snprintf(out, size, "%s: %s", side->host_api, side->device);
  number = strstr(out, HARDWARE);
  if (number == NULL || mt_audio_list_devices(&devices, &ndevices, NULL) != MT_OK)
    return;
  if (mt_device_choose(devices, ndevices, out, is_input, &index, NULL) != MT_OK)
    *number = '\0';
  free(devices);
}

/* A simulated rig belongs to simulated units, and one of hardware to hardware. */
static mt_code check_kind(const mt_session_options *options, const mt_rig *rig, mt_error *err)
{
  bool is_simulated = strcmp(rig->input.host_api, MT_SIMULATED_API) == 0;

  if (is_simulated && options->simulate == NULL)
    return mt_fail(err, MT_E_ARG, "the rig \"%s\" is a simulated one; it goes with --simulate", rig->name);
  if (!is_simulated && options->simulate != NULL)
    return mt_fail(err, MT_E_ARG, "the rig \"%s\" is a real one; a simulated unit knows nothing of it",
                   rig->name);
  return MT_OK;
}

mt_code mt_rig_use_open(const mt_session_options *options, bool is_live, mt_rig_in_use *out, mt_error *err)
{
  mt_code code;

  if (options->rig == NULL && options->rig_file == NULL && options->recorded_by_unit)
    return mt_fail(err, MT_E_ARG,
                   "a recording by the unit says nothing without the rig that played; name the rig");
  if (options->rig == NULL && options->rig_file == NULL)
    return MT_OK;
  code = options->rig != NULL ? mt_rig_open(options->rig, &out->rig, err)
                              : mt_rig_open_file(options->rig_file, &out->rig, err);
  if (code == MT_OK && is_live)
    code = check_kind(options, out->rig, err);
  if (code != MT_OK)
    return code;
  out->use.now = options->rig != NULL ? time(NULL) : 0;
  out->use.recorded_by_unit = options->recorded_by_unit;
  if (!is_live || options->simulate != NULL)
    return MT_OK;
  if (options->input != NULL)
    mt_text_copy(out->input, sizeof out->input, options->input);
  else
    name_side(&out->rig->input, true, out->input, sizeof out->input);
  if (options->output != NULL)
    mt_text_copy(out->output, sizeof out->output, options->output);
  else
    name_side(&out->rig->output, false, out->output, sizeof out->output);
  out->use.input = out->input;
  out->use.output = out->output;
  return MT_OK;
}

mt_code mt_rig_use_prepare(mt_rig_in_use *rig, double rate_hz, mt_error *err)
{
  mt_code code = MT_OK;

  /* a second take of the same rate finds it prepared */
  for (int c = 0; rig->rig != NULL && c < MT_RIG_CHANNELS && code == MT_OK && rig->loop[c].x == NULL; c++)
    code = mt_rig_correction(rig->rig, &rig->use, rate_hz, c, &rig->loop[c], err);
  return code;
}

void mt_rig_use_finish(mt_rig_in_use *rig)
{
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    free(rig->loop[c].x);
    free(rig->loop[c].y);
    free(rig->loop[c].uncertainty);
  }
  free(rig->rig);
}
