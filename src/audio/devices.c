#include "audio/devices.h"

#include "base/text.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

typedef struct name_hint {
  const char *host_api; /* NULL: any */
  const char *part;     /* of the name; NULL: any */
  bool is_mixer;
  const char *advice;
} name_hint;

#define MIXER_ADVICE "A mixer: may resample, change levels or add other programs; prefer a hw: device."
#define DIRECT_ADVICE "Direct: samples pass unchanged and unshared. Use this one."

/* the first that matches */
static const name_hint hints[] = {
    {NULL, "(hw:", false, DIRECT_ADVICE},
    {NULL, "pulse", true, MIXER_ADVICE},
    {NULL, "pipewire", true, MIXER_ADVICE},
    {"JACK", NULL, true,
     "A shared server: exact at its own rate, but other programs can join; check the level twice."},
    {"ALSA", NULL, true, "Not the card itself: may resample or mix; prefer the hw: device behind it."},
    {"ASIO", NULL, false, DIRECT_ADVICE},
    {"WDM-KS", NULL, false, DIRECT_ADVICE},
    {NULL, NULL, true, "Shared with the system: may resample, change levels or add other programs."},
};

void mt_device_judge(mt_device *device)
{
  for (size_t i = 0; i < COUNT(hints); i++) {
    const name_hint *hint = &hints[i];
    if (hint->host_api != NULL && strcasestr(device->host_api, hint->host_api) == NULL)
      continue;
    if (hint->part != NULL && strcasestr(device->name, hint->part) == NULL)
      continue;
    device->is_mixer = hint->is_mixer;
    mt_text_copy(device->advice, sizeof device->advice, hint->advice);
    return;
  }
}

typedef enum likeness { UNLIKE, PART, WHOLE } likeness;

static likeness compare_name(const mt_device *device, const char *name)
{
  char full[sizeof device->name + sizeof device->host_api + 2];

  snprintf(full, sizeof full, "%s: %s", device->host_api, device->name);
  if (strcasecmp(device->name, name) == 0 || strcasecmp(full, name) == 0)
    return WHOLE;
  return strcasestr(full, name) != NULL ? PART : UNLIKE;
}

static bool is_usable(const mt_device *device, bool wants_input)
{
  return (wants_input ? device->max_inputs : device->max_outputs) > 0;
}

/* The usable devices that are at least that like the name; `text` lists them as far as there is room. */
static size_t list_matches(const mt_device *devices, size_t ndevices, const char *name, bool wants_input,
                           likeness least, char *text, size_t size)
{
  size_t count = 0, used = 0;

  text[0] = '\0';
  for (size_t i = 0; i < ndevices; i++) {
    const mt_device *d = &devices[i];
    int length;
    if (!is_usable(d, wants_input) || (name != NULL && compare_name(d, name) < least))
      continue;
    length = snprintf(text + used, size - used, "%s\"%s: %s\"", count > 0 ? ", " : "", d->host_api, d->name);
    count++;
    if (length > 0 && (size_t)length < size - used)
      used += (size_t)length;
    else
      text[used] = '\0'; /* a name cut in half would not be found when typed */
  }
  return count;
}

static mt_code choose_default(const mt_device *devices, size_t ndevices, bool wants_input, size_t *out,
                              mt_error *err)
{
  for (size_t i = 0; i < ndevices; i++)
    if (is_usable(&devices[i], wants_input) &&
        (wants_input ? devices[i].is_default_input : devices[i].is_default_output)) {
      *out = i;
      return MT_OK;
    }
  return mt_fail(err, MT_E_DEVICE, "there is no default sound %s; name one with --%s",
                 wants_input ? "input" : "output", wants_input ? "input" : "output");
}

mt_code mt_device_choose(const mt_device *devices, size_t ndevices, const char *name, bool wants_input,
                         size_t *out, mt_error *err)
{
  const char *side = wants_input ? "input" : "output";
  char text[200];
  likeness least = WHOLE;
  size_t count;

  if (list_matches(devices, ndevices, NULL, wants_input, UNLIKE, text, sizeof text) == 0)
    return mt_fail(err, MT_E_DEVICE, "the system has no sound %s at all; is the card plugged in?", side);
  if (name == NULL || name[0] == '\0')
    return choose_default(devices, ndevices, wants_input, out, err);
  count = list_matches(devices, ndevices, name, wants_input, WHOLE, text, sizeof text);
  if (count == 0) {
    least = PART;
    count = list_matches(devices, ndevices, name, wants_input, PART, text, sizeof text);
  }
  if (count > 1)
    return mt_fail(err, MT_E_DEVICE, "\"%.40s\" is the name of %zu %ss: %s; give more of it", name, count,
                   side, text);
  if (count == 0) {
    list_matches(devices, ndevices, NULL, wants_input, UNLIKE, text, sizeof text);
    return mt_fail(err, MT_E_DEVICE, "there is no sound %s named \"%.40s\"; there are: %s", side, name, text);
  }
  for (size_t i = 0; i < ndevices; i++)
    if (is_usable(&devices[i], wants_input) && compare_name(&devices[i], name) >= least)
      *out = i;
  return MT_OK;
}
