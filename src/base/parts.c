#include <mendtone/parts.h>

#include <assert.h>
#include <string.h>

/* What a quantity is read from. */
enum need { NEED_IDLE = 1, NEED_TONES = 2, NEED_LOW = 4, NEED_SWEEP = 8 };

static const struct {
  const char *name;
  unsigned has;
} rows[MT_PARTS_COUNT] = {
    [MT_PARTS_ALL] = {"all", NEED_IDLE | NEED_TONES | NEED_LOW | NEED_SWEEP},
    [MT_PARTS_RESPONSE] = {"response", NEED_SWEEP},
    [MT_PARTS_TONES] = {"tones", NEED_IDLE | NEED_TONES},
    [MT_PARTS_NOISE] = {"noise", NEED_IDLE},
    [MT_PARTS_TURN] = {"turn", 0}, /* asked for by the state's own key, never by a quantity */
};

const char *mt_parts_name(mt_parts parts)
{
  assert((size_t)parts < MT_PARTS_COUNT);
  return rows[parts].name;
}

bool mt_parts_parse(const char *name, mt_parts *out)
{
  for (size_t i = 0; i < MT_PARTS_COUNT; i++)
    if (strcmp(rows[i].name, name) == 0) {
      *out = (mt_parts)i;
      return true;
    }
  return false;
}

static unsigned needs_of(mt_quantity quantity, unsigned *extras)
{
  switch (quantity) {
  case MT_Q_NOISE:
  case MT_Q_NOISE_A:
  case MT_Q_NOISE_CCIR:
  case MT_Q_NOISE_468:
  case MT_Q_HUM:
  case MT_Q_HUM_LINE:
  case MT_Q_DC:
  case MT_Q_NOISE_DENSITY:
  case MT_Q_BAND_LEVEL: return NEED_IDLE;
  case MT_Q_DYNAMIC_RANGE: return NEED_TONES | NEED_LOW;
  case MT_Q_BOOST:
  case MT_Q_BOOST_FREQ:
  case MT_Q_BOOST_CORNER:
  case MT_Q_GAIN_CHANGE:
  case MT_Q_TILT:
  case MT_Q_DIFFERENCE:
  case MT_Q_CORNER_LOW:
  case MT_Q_CORNER_HIGH:
  case MT_Q_FLATNESS:
  case MT_Q_RESPONSE:
  case MT_Q_PHASE:
  case MT_Q_HARMONIC_2:
  case MT_Q_HARMONIC_3:
  case MT_Q_HARMONIC_4:
  case MT_Q_HARMONIC_5:
  case MT_Q_GROUP_DELAY: return NEED_SWEEP;
  /* the response tells what an output capacitor takes off the tone */
  case MT_Q_OUTPUT_IMPEDANCE:
  case MT_Q_LOAD_CORNER:
  case MT_Q_OUTPUT_CAPACITANCE: return NEED_TONES | NEED_SWEEP;
  case MT_Q_IMD_MOD:
  case MT_Q_IMD_DIFF: *extras |= MT_EXTRA_INTERMODULATION; return NEED_TONES;
  case MT_Q_MAX_LEVEL:
  case MT_Q_LINEARITY: *extras |= MT_EXTRA_LEVELS; return NEED_TONES;
  default: return NEED_TONES;
  }
}

mt_parts mt_parts_for(const mt_quantity *quantities, size_t n, unsigned *extras)
{
  /* from the shortest on */
  static const mt_parts order[] = {MT_PARTS_NOISE, MT_PARTS_TONES, MT_PARTS_RESPONSE};
  unsigned needs = 0, more = 0;
  mt_parts found = MT_PARTS_ALL;

  for (size_t i = 0; i < n; i++)
    needs |= needs_of(quantities[i], &more);
  for (size_t i = 0; i < sizeof order / sizeof order[0] && n > 0 && found == MT_PARTS_ALL; i++)
    if ((needs & ~rows[order[i]].has) == 0)
      found = order[i];
  if (extras != NULL)
    *extras = more;
  return found;
}

bool mt_parts_is_made_of(mt_quantity made, mt_quantity of)
{
  switch (made) {
  case MT_Q_OUTPUT_POWER: return of == MT_Q_LEVEL;
  case MT_Q_OUTPUT_IMPEDANCE:
  case MT_Q_LOAD_CORNER:
  case MT_Q_OUTPUT_CAPACITANCE:
    return of == MT_Q_LEVEL || of == MT_Q_THD_F || of == MT_Q_CROSSTALK || of == MT_Q_RESPONSE;
  default: return false;
  }
}
