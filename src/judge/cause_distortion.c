/* What bends a wave, by the harmonics it makes. */
#include "judge/cause.h"

#include "base/decibel.h"
#include "judge/wording.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* The thresholds for readings no plan has judged are common practice, no source; they match the limits of the
   built-in plan. */
#define DISTORTION_DB (-60.0)

typedef enum shape { SHAPE_NONE, SHAPE_CLIPPED, SHAPE_CROSSOVER, SHAPE_ONE_SIDED } shape;

static const mt_reading *find_harmonic(const mt_scene *s, mt_channel channel, int order)
{
  const mt_reading *r = mt_scene_find(s, MT_Q_HARMONIC, channel, order);
  return mt_reading_is_known(r) || (r != NULL && r->validity == MT_RIG_LIMITED) ? r : NULL;
}

/*
 * Gain with both tones 60 dB lower less gain at the reference level. Flattened tops lose gain at the higher
 * level, a dead zone at the lower: -INFINITY where the low tone is not heard at all.
 */
static bool find_gain_shift(const mt_scene *s, mt_channel channel, double *shift, double *uncertainty)
{
  const mt_reading *low = mt_scene_find_in(s, MT_Q_GAIN, channel, "low", 0);
  const mt_reading *high = mt_scene_find_in(s, MT_Q_GAIN, channel, "both", 0);

  if (low == NULL || !mt_reading_is_known(high))
    return false;
  if (low->validity == MT_NO_SIGNAL) {
    *shift = -HUGE_VAL;
    *uncertainty = 0.0;
    return true;
  }
  *shift = low->value - high->value;
  *uncertainty = hypot(low->uncertainty, high->uncertainty);
  return mt_reading_is_known(low);
}

/* A clipped wave comes within 1.3 dB of the pattern below at one depth (0.9 of the peak): stay closer. */
static bool is_near(const mt_reading *a, const mt_reading *b, double wanted_db)
{
  return mt_reading_is_known(a) && mt_reading_is_known(b) &&
         fabs(a->value - b->value - wanted_db) < fmin(0.7 + hypot(a->uncertainty, b->uncertainty), 1.2);
}

/* A narrow dead zone's odd harmonics fall as 1/n (Fourier series): H5 4.4 dB and H7 7.4 dB below H3. */
static bool falls_slowly(const mt_scene *s, mt_channel channel)
{
  const mt_reading *h3 = find_harmonic(s, channel, 3);
  return is_near(find_harmonic(s, channel, 5), h3, mt_db_of_ratio(3.0 / 5.0)) &&
         is_near(find_harmonic(s, channel, 7), h3, mt_db_of_ratio(3.0 / 7.0));
}

static shape classify_odd(const mt_scene *s, mt_channel channel)
{
  double shift, uncertainty;

  if (find_gain_shift(s, channel, &shift, &uncertainty))
    return shift + uncertainty < -0.1 ? SHAPE_CROSSOVER : SHAPE_CLIPPED;
  return falls_slowly(s, channel) ? SHAPE_CROSSOVER : SHAPE_CLIPPED;
}

/* A wave bent alike on both sides has odd harmonics only; even ones mean that one side is bent more. */
static shape classify(const mt_scene *s, mt_channel channel)
{
  const mt_reading *thd = mt_scene_find(s, MT_Q_THD_F, channel, 0);
  const mt_reading *h2 = find_harmonic(s, channel, 2), *h3 = find_harmonic(s, channel, 3);
  const mt_reading *larger;

  if (h2 == NULL || h3 == NULL || (thd != NULL && thd->verdict == MT_VERDICT_PASS))
    return SHAPE_NONE;
  larger = h2->value > h3->value ? h2 : h3;
  if (!(thd != NULL && thd->verdict == MT_VERDICT_FAIL && mt_reading_is_known(larger)) &&
      !mt_reading_exceeds(larger, DISTORTION_DB))
    return SHAPE_NONE;
  if (h3->value >= h2->value + 6.0)
    return classify_odd(s, channel);
  return mt_reading_is_known(h2) ? SHAPE_ONE_SIDED : SHAPE_NONE;
}

static void cite_harmonics(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *thd = mt_scene_find(s, MT_Q_THD_F, channel, 0);
  char line[128] = "re the fundamental:", text[48];

  for (int order = 2; order <= 7; order++) {
    const mt_reading *r = find_harmonic(s, channel, order);
    size_t used = strlen(line);
    if (r != NULL)
      snprintf(line + used, sizeof line - used, " H%d %.0f", order, r->value);
  }
  mt_finding_cite(f, "%s dB", line);
  if (mt_reading_is_known(thd))
    mt_finding_cite(f, "harmonic distortion (THD): %s",
                    mt_wording_value(100.0 * mt_ratio_of_db(thd->value), thd->uncertainty, MT_UNIT_PERCENT,
                                     text, sizeof text));
}

static void cite_gain_shift(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  double shift, uncertainty;

  if (!find_gain_shift(s, channel, &shift, &uncertainty))
    return;
  if (isinf(shift))
    mt_finding_cite(f, "a tone 60 dB lower is not heard at all");
  else if (fabs(shift) > 0.1 + uncertainty)
    mt_finding_cite(f, "gain for a tone 60 dB lower: %.1f dB %s", fabs(shift), shift < 0.0 ? "less" : "more");
}

bool mt_cause_clipping(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_CLIPPED)
    return false;
  mt_finding_say(
      f,
      "The %s channel flattens both tops of the wave: likely too much level for a stage or for its supply. "
      "Check first: lower what is played by 10 dB and measure again; if it clears up, the supply voltages "
      "under load.",
      mt_side[channel]);
  cite_harmonics(s, channel, f);
  mt_finding_cite(f, "odd harmonics stand well above the even ones: both sides are bent alike");
  cite_gain_shift(s, channel, f);
  return true;
}

bool mt_cause_crossover(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_CROSSOVER)
    return false;
  mt_finding_say(
      f,
      "The %s channel distorts around zero, most at low level: likely too little quiescent current in a "
      "push-pull output stage. Check first: its bias network and emitter resistors, and both output devices.",
      mt_side[channel]);
  cite_harmonics(s, channel, f);
  mt_finding_cite(f, "odd harmonics stand well above the even ones: both sides are bent alike");
  cite_gain_shift(s, channel, f);
  return true;
}

bool mt_cause_one_sided(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  if (classify(s, channel) != SHAPE_ONE_SIDED)
    return false;
  mt_finding_say(
      f,
      "The %s channel bends one side of the wave more than the other: likely a shifted operating point, a "
      "leaky coupling capacitor, or one of two devices failing. Check first: DC voltages against the other "
      "channel.",
      mt_side[channel]);
  cite_harmonics(s, channel, f);
  mt_finding_cite(f, "the even harmonics are as strong as the odd ones, or stronger");
  return true;
}
