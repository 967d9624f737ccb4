/* Hum, noise, and lines from other circuits. */
#include "judge/cause.h"

#include "judge/wording.h"

#include <math.h>
#include <string.h>

/* The thresholds for readings no plan has judged are common practice, no source; they match the limits of the
   built-in plan. */
#define FLOOR_DBFS (-70.0)
#define LINE_DBFS (-90.0)

/* The strongest cell within 3 % of a frequency, or -INFINITY. */
static double spectrum_near(const mt_curve *c, double freq_hz)
{
  double most = -HUGE_VAL;

  for (size_t i = 0; i < c->npoints; i++)
    if (fabs(c->x[i] - freq_hz) <= 0.03 * freq_hz)
      most = fmax(most, c->y[i]);
  return most;
}

typedef struct lines {
  double odd, even; /* dBFS: the strongest of mains x 1, 3, 5 and of mains x 2, 4, 6 */
  double mains_hz;
} lines;

static bool find_lines(const mt_scene *s, mt_channel channel, lines *out)
{
  const mt_reading *hum = mt_scene_find(s, MT_Q_HUM, channel, 0);
  const mt_curve *c = mt_scene_curve(s, MT_Q_SPECTRUM, channel);

  if (!mt_reading_exceeds(hum, FLOOR_DBFS) || c == NULL || hum->mains_hz <= 0.0)
    return false;
  *out = (lines){-HUGE_VAL, -HUGE_VAL, hum->mains_hz};
  for (int k = 1; k <= 5; k += 2) {
    out->odd = fmax(out->odd, spectrum_near(c, k * hum->mains_hz));
    out->even = fmax(out->even, spectrum_near(c, (k + 1) * hum->mains_hz));
  }
  return isfinite(out->odd) && isfinite(out->even);
}

static void cite_lines(const mt_scene *s, mt_channel channel, const lines *l, mt_finding *f)
{
  const mt_reading *hum = mt_scene_find(s, MT_Q_HUM, channel, 0);
  char text[48];

  mt_finding_cite(f, "hum: %s",
                  mt_wording_value(hum->value, hum->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  mt_finding_cite(f, "strongest of %g, %g, %g Hz: %.0f dBFS", l->mains_hz, 3.0 * l->mains_hz,
                  5.0 * l->mains_hz, l->odd);
  mt_finding_cite(f, "strongest of %g, %g, %g Hz: %.0f dBFS", 2.0 * l->mains_hz, 4.0 * l->mains_hz,
                  6.0 * l->mains_hz, l->even);
}

bool mt_cause_hum_mains(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  lines l;

  if (!find_lines(s, channel, &l) || l.odd < l.even)
    return false;
  mt_finding_say(
      f,
      "The %s channel hums at the mains frequency: likely a ground loop, an open shield or ground, or the "
      "field of a transformer. Check first: the bench's own cables and a laptop on battery, then the shields "
      "at the jacks.",
      mt_side[channel]);
  cite_lines(s, channel, &l, f);
  return true;
}

/* A full-wave rectifier charges its capacitor twice a period: ripple at twice the mains frequency. */
bool mt_cause_hum_rectifier(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  lines l;

  if (!find_lines(s, channel, &l) || l.odd >= l.even)
    return false;
  mt_finding_say(
      f,
      "The %s channel hums at twice the mains frequency: likely ripple of the supply, from a dried-out "
      "reservoir capacitor or a failing regulator. Check first: ripple across the reservoir capacitor under "
      "load.",
      mt_side[channel]);
  cite_lines(s, channel, &l, f);
  return true;
}

bool mt_cause_noise(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *noise_a = mt_scene_find(s, MT_Q_NOISE_A, channel, 0),
                   *noise = mt_scene_find(s, MT_Q_NOISE, channel, 0);
  const mt_reading *hum = mt_scene_find(s, MT_Q_HUM, channel, 0),
                   *other = mt_scene_find(s, MT_Q_NOISE_A, 1 - channel, 0);
  char text[48];

  if (!mt_reading_exceeds(noise_a, FLOOR_DBFS))
    return false;
  if (mt_reading_is_known(hum) && mt_reading_is_known(noise) && hum->value > noise->value - 3.0)
    return false; /* most of it is hum, which has a cause of its own */
  mt_finding_say(
      f,
      "The %s channel is noisy: likely a failing input device, a supply that is not clean, or an input left "
      "open. Check first: short the unit's input; if the noise stays, it is born after it.",
      mt_side[channel]);
  mt_finding_cite(f, "noise, A-weighted: %s",
                  mt_wording_value(noise_a->value, noise_a->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  if (mt_reading_is_known(other))
    mt_finding_cite(f, "the %s channel: %s", mt_side[1 - channel],
                    mt_wording_value(other->value, other->uncertainty, MT_UNIT_DBFS, text, sizeof text));
  return true;
}

/* ---- lines from other circuits ----------------------------------------------------------------------- */

/* USB frames come every millisecond, the microframes of a fast link eight times as often. */
#define FRAME_HZ 1000.0
#define MICROFRAME_HZ 8000.0
/* what a line may be off by: its own place, and a link's clock against the sound card's (500 ppm, fast) */
#define FRAME_OFF_HZ 2.0
#define FRAME_OFF 5e-4
/* below this a foreign line is seldom a converter's */
#define SWITCHING_HZ 2000.0

static bool is_multiple(double freq_hz, double of_hz)
{
  double order = floor(freq_hz / of_hz + 0.5);
  return order >= 1.0 && fabs(freq_hz - order * of_hz) <= FRAME_OFF_HZ + FRAME_OFF * freq_hz;
}

/* The lines of the idle noise that count, of one kind, cited strongest first as they were read. */
static size_t cite_lines_of(const mt_scene *s, mt_channel channel, bool of_frames, bool *all_micro,
                            mt_finding *f)
{
  size_t count = 0;

  *all_micro = true;
  for (size_t i = 0; i < s->results->nreadings; i++) {
    const mt_reading *r = &s->results->readings[i];
    char at[24], text[48];
    if (!mt_scene_has(s, r, MT_Q_SPURIOUS, channel, 0) || !mt_reading_exceeds(r, LINE_DBFS) ||
        r->freq_hz <= 0.0 || (strcmp(r->segment, "idle") != 0 && r->segment[0] != '\0') ||
        is_multiple(r->freq_hz, FRAME_HZ) != of_frames || (!of_frames && r->freq_hz < SWITCHING_HZ))
      continue;
    *all_micro = *all_micro && is_multiple(r->freq_hz, MICROFRAME_HZ);
    mt_finding_cite(f, "a line at %s: %s", mt_wording_frequency(r->freq_hz, at, sizeof at),
                    mt_wording_value(r->value, r->uncertainty, MT_UNIT_DBFS, text, sizeof text));
    count++;
  }
  return count;
}

bool mt_cause_usb_frames(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  bool all_micro;

  if (cite_lines_of(s, channel, true, &all_micro, f) == 0)
    return false;
  mt_finding_say(
      f,
      "The %s channel has lines at multiples of %g kHz, where the frames of a USB link are: likely the "
      "current of that link in a shared ground or supply. Check first: a laptop on battery, another port or "
      "cable, the bench without the unit.",
      mt_side[channel], (all_micro ? MICROFRAME_HZ : FRAME_HZ) / 1e3);
  return true;
}

bool mt_cause_switching(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  bool all_micro;

  if (cite_lines_of(s, channel, false, &all_micro, f) == 0)
    return false;
  mt_finding_say(
      f,
      "The %s channel has lines that are neither mains nor its own distortion: likely a switching supply, a "
      "charger, a display or a clock near by. Check first: whether they go when the suspect is switched off "
      "or the unit runs from another supply.",
      mt_side[channel]);
  return true;
}
