/* Channels that are silent, exchanged, joined, inverted, or not alike in level. */
#include "judge/cause.h"

#include "judge/wording.h"

#include <math.h>

/* The thresholds for readings no plan has judged are common practice, no source; they match the limits of the
   built-in plan. */
#define BALANCE_DB 0.5
#define WEAK_DB 6.0

static int own_route(mt_channel channel)
{
  return channel == MT_LEFT ? MT_ROUTE_LEFT : MT_ROUTE_RIGHT;
}

/* The plan leaves the route open, or asks for exactly this. */
static bool is_meant(const mt_scene *s, mt_channel channel, int route)
{
  if (s->plan == NULL)
    return route == own_route(channel);
  return !s->plan->judges_route || (int)s->plan->expect_route[channel] == route;
}

static bool is_silent(const mt_scene *s, mt_channel channel)
{
  return mt_scene_heard(s, channel) == MT_ROUTE_NONE && !is_meant(s, channel, MT_ROUTE_NONE);
}

bool mt_cause_silent(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  mt_channel other = 1 - channel;
  const mt_reading *gain = mt_scene_find(s, MT_Q_GAIN, other, 0);
  char text[48];

  if (!is_silent(s, channel))
    return false;
  if (is_silent(s, other)) {
    if (channel == MT_RIGHT)
      return false; /* said once, with the left */
    f->channel = MT_CHANNEL_BOTH;
    mt_finding_say(
        f, "Nothing arrives on either channel: likely power, volume, mute, a cable or the sound card's own "
           "settings. Check those before the board.");
    mt_finding_cite(f, "none of the tones played is heard on the left or on the right");
    return true;
  }
  mt_finding_say(
      f,
      "The %s channel is silent: likely an open joint, contact or conductor in its path, or a dead stage. "
      "Check first: its cable, jack and solder joints; then follow the tone from the input to where it ends.",
      mt_side[channel]);
  mt_finding_cite(f, "none of the tones played is heard on the %s channel", mt_side[channel]);
  if (mt_reading_is_known(gain))
    mt_finding_cite(f, "the %s channel works: gain %s", mt_side[other],
                    mt_wording_value(gain->value, gain->uncertainty, MT_UNIT_DB, text, sizeof text));
  return true;
}

bool mt_cause_swapped(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  (void)channel;
  if (mt_scene_heard(s, MT_LEFT) != MT_ROUTE_RIGHT || mt_scene_heard(s, MT_RIGHT) != MT_ROUTE_LEFT ||
      is_meant(s, MT_LEFT, MT_ROUTE_RIGHT))
    return false;
  mt_finding_say(
      f, "Left and right are swapped: likely two conductors exchanged. Check first: the cables of the bench, "
         "by joining them without the unit; then the wiring of the jacks.");
  mt_finding_cite(f, "the left channel hears the right's tone, the right channel the left's");
  return true;
}

bool mt_cause_summed(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  bool left = mt_scene_heard(s, MT_LEFT) == MT_ROUTE_BOTH && !is_meant(s, MT_LEFT, MT_ROUTE_BOTH);
  bool right = mt_scene_heard(s, MT_RIGHT) == MT_ROUTE_BOTH && !is_meant(s, MT_RIGHT, MT_ROUTE_BOTH);

  (void)channel;
  if (!left && !right)
    return false;
  if (left && right) {
    mt_finding_say(
        f,
        "Left and right are joined: likely a solder bridge, a mono plug or switch, or a common return that "
        "is open, so that each current comes back through the other. Check first: the plug, then the "
        "jack's ground.");
    mt_finding_cite(f, "both channels hear both tones");
    return true;
  }
  f->channel = left ? MT_LEFT : MT_RIGHT;
  mt_finding_say(
      f,
      "The %s channel hears both tones, the other only its own: likely a bridge or a switch ahead of the "
      "%s output stage. Check first: switches and solder bridges between the channels.",
      mt_side[f->channel], mt_side[f->channel]);
  mt_finding_cite(f, "only the %s channel hears both tones", mt_side[f->channel]);
  return true;
}

static bool is_inverted(const mt_scene *s, mt_channel channel)
{
  const mt_reading *r = mt_scene_find(s, MT_Q_POLARITY, channel, 0);
  int expected = s->plan != NULL ? s->plan->expect_polarity[channel] : 1;
  return mt_reading_is_known(r) && r->value < 0.0 && expected > 0;
}

bool mt_cause_inverted(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  if (!is_inverted(s, channel))
    return false;
  if (is_inverted(s, 1 - channel)) {
    if (channel == MT_RIGHT)
      return false;
    f->channel = MT_CHANNEL_BOTH;
    mt_finding_say(
        f, "Both channels are inverted: likely by design (an inverting stage), or a sound card that inverts. "
           "Check first: the bench without the unit; if it is the design, say so with expect_polarity.");
    mt_finding_cite(f, "polarity -1 on the left and on the right");
    return true;
  }
  mt_finding_say(
      f,
      "The %s channel is inverted and the other is not: likely two conductors exchanged at a jack or at a "
      "balanced stage. Check first: the wiring of that jack, and earlier repairs.",
      mt_side[channel]);
  mt_finding_cite(f, "polarity -1 on the %s channel", mt_side[channel]);
  return true;
}

/* ---- level ------------------------------------------------------------------------------------------- */

/* The balance, unless it is not known, the plan passed it, or there is nothing to compare. */
static const mt_reading *find_balance(const mt_scene *s)
{
  const mt_reading *r = mt_scene_find(s, MT_Q_BALANCE, MT_CHANNEL_BOTH, 0);
  bool heard = mt_scene_heard(s, MT_LEFT) != MT_ROUTE_NONE && mt_scene_heard(s, MT_RIGHT) != MT_ROUTE_NONE;
  return heard && mt_reading_is_known(r) && r->verdict != MT_VERDICT_PASS ? r : NULL;
}

static void cite_gains(const mt_scene *s, mt_finding *f)
{
  char text[48];

  for (mt_channel c = MT_LEFT; c <= MT_RIGHT; c++) {
    const mt_reading *r = mt_scene_find(s, MT_Q_GAIN, c, 0);
    if (mt_reading_is_known(r))
      mt_finding_cite(f, "gain of the %s channel: %s", mt_side[c],
                      mt_wording_value(r->value, r->uncertainty, MT_UNIT_DB, text, sizeof text));
  }
}

bool mt_cause_weak(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *r = find_balance(s);
  double loss = r == NULL ? 0.0 : channel == MT_LEFT ? -r->value : r->value;
  char text[48];

  if (r == NULL || !(loss - r->uncertainty > WEAK_DB))
    return false;
  mt_wording_value(loss, r->uncertainty, MT_UNIT_DB, text, sizeof text);
  mt_finding_say(
      f,
      "The %s channel is %s weaker: likely a joint, contact or control track of high resistance, or a stage "
      "that lost its gain. Check first: move jack and controls while the tone plays; compare both channels "
      "point by point.",
      mt_side[channel], text);
  mt_finding_cite(f, "balance: the %s channel is %s below the %s", mt_side[channel], text,
                  mt_side[1 - channel]);
  cite_gains(s, f);
  return true;
}

bool mt_cause_level_differs(const mt_scene *s, mt_channel channel, mt_finding *f)
{
  const mt_reading *r = find_balance(s);
  char text[48];

  (void)channel;
  if (r == NULL || fabs(r->value) - r->uncertainty > WEAK_DB ||
      !(r->verdict == MT_VERDICT_FAIL || fabs(r->value) - r->uncertainty > BALANCE_DB))
    return false;
  mt_wording_value(fabs(r->value), r->uncertainty, MT_UNIT_DB, text, sizeof text);
  mt_finding_say(
      f,
      "The channels differ by %s: likely the two tracks of the volume control, or a resistor that changed. "
      "Check first: measure again with the volume at full; if that cures it, clean or replace the control.",
      text);
  mt_finding_cite(f, "balance: the %s channel is %s below the %s", r->value < 0.0 ? "left" : "right", text,
                  r->value < 0.0 ? "right" : "left");
  cite_gains(s, f);
  return true;
}
