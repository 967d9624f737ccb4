#include <mendtone/quantity.h>

#include "base/decibel.h"
#include "base/text.h"

#include <assert.h>
#include <string.h>

#define SWEPT "synchronised sweep, Novak, Lotton and Simon 2015"

/* In the order of the enum; tests/unit/test_quantity.c checks that. */
static const mt_quantity_info table[MT_Q_LAST] = {
    [MT_Q_FREQUENCY] = {"frequency", MT_UNIT_HZ, false, "frequency",
                        "of the tone as the recorder's clock sees it", "IEEE 1057 four-parameter fit"},
    [MT_Q_LEVEL] = {"level", MT_UNIT_DBFS, false, "level", "RMS of the tone re the RMS of a full-scale sine",
                    "AES17-2015 3.12, IEC 61606-3:2008 3.4"},
    [MT_Q_GAIN] = {"gain", MT_UNIT_DB, false, "gain", "level captured less level played, rig included",
                   "own definition"},
    [MT_Q_BALANCE] = {"balance", MT_UNIT_DB, false, "balance", "level of the left less level of the right",
                      "IEC 60268-3 (gain difference), sign: own definition"},
    [MT_Q_PHASE_DIFFERENCE] = {"phase_difference", MT_UNIT_DEGREE, false, "phase difference",
                               "phase of the left less phase of the right", "own definition"},
    [MT_Q_POLARITY] = {"polarity", MT_UNIT_NONE, false, "polarity", "+1 normal, -1 inverted",
                       "own definition"},
    [MT_Q_ROUTE] = {"route", MT_UNIT_NONE, false, "hears", "which stimulus channel is heard",
                    "own definition"},
    [MT_Q_CROSSTALK] = {"crosstalk", MT_UNIT_DB, false, "crosstalk",
                        "other channel's tone heard here re its level there, this channel silent",
                        "IEC 60268-3 (crosstalk attenuation, sign reversed)"},
    [MT_Q_THD_F] = {"thd_f", MT_UNIT_DB, false, "THD (re fundamental)",
                    "root of the harmonics' summed power re the fundamental",
                    "closed form in mathematical references"},
    [MT_Q_THD_R] = {"thd_r", MT_UNIT_DB, false, "THD (re total)",
                    "root of the harmonics' summed power re the total", "IEC 60268-3:2013 14.12.3.2"},
    [MT_Q_THD_N] = {"thd_n", MT_UNIT_DB, false, "THD+N",
                    "all but the fundamental re the total, 20 Hz to 20 kHz",
                    "AES17-2015 6.3.1, the notch replaced by an exact removal"},
    [MT_Q_HARMONIC] = {"harmonic", MT_UNIT_DB, false, "harmonic", "one harmonic re the fundamental",
                       "IEC 60268-3:2013 14.12.5, referred to the fundamental"},
    [MT_Q_SINAD] = {"sinad", MT_UNIT_DB, false, "SINAD", "signal over everything else but DC, up to rate/2",
                    "IEEE 1241"},
    [MT_Q_ENOB] = {"enob", MT_UNIT_BIT, false, "effective bits",
                   "bits of the ideal quantiser with the same error, full scale", "IEEE 1241"},
    [MT_Q_NOISE] = {"noise", MT_UNIT_DBFS, false, "noise", "RMS 20 Hz to 20 kHz, nothing played",
                    "AES17-2015 6.4.2 without weighting"},
    [MT_Q_NOISE_A] = {"noise_a", MT_UNIT_DBFS, false, "noise, A", "the same, A-weighted",
                      "IEC 61672-1 Annex E"},
    [MT_Q_NOISE_CCIR] = {"noise_ccir", MT_UNIT_DBFS, false, "noise, CCIR-RMS",
                         "the same, ITU-R BS.468 weighting less 5.63 dB, rms", "AES17-2015 5.2.7, 6.4.2"},
    [MT_Q_NOISE_468] = {"noise_468", MT_UNIT_DBFS, false, "468 quasi-peak noise",
                        "ITU-R BS.468 weighted quasi-peak, nothing played; a 1 kHz sine reads its rms",
                        "ITU-R BS.468-4 clauses 1 and 2"},
    [MT_Q_SNR] = {"snr", MT_UNIT_DB, false, "signal to noise",
                  "level of the reference tone less the idle noise",
                  "IEC 60268-3, the reference being the tone played"},
    [MT_Q_DYNAMIC_RANGE] = {"dynamic_range", MT_UNIT_DB, false, "dynamic range",
                            "reference tone over the weighted residual of a tone 60 dB lower",
                            "AES17-2015 6.4.1, from the reference level instead of full scale"},
    [MT_Q_HUM] = {"hum", MT_UNIT_DBFS, false, "mains hum",
                  "mains frequency and its harmonics, nothing played", "own definition"},
    [MT_Q_HUM_LINE] = {"hum_line", MT_UNIT_DBFS, false, "mains x",
                       "one line of the mains hum, its order times the mains frequency", "own definition"},
    [MT_Q_SPURIOUS] = {"spurious", MT_UNIT_DBFS, false, "line",
                       "a line that is neither the tone, its harmonics nor mains; at freq_hz",
                       "own definition"},
    [MT_Q_IMD_MOD] = {"imd_mod", MT_UNIT_DB, false, "IMD (modulation)", "modulation distortion of that order",
                      "IEC 60268-3:2013 14.12.7"},
    [MT_Q_IMD_DIFF] = {"imd_diff", MT_UNIT_DB, false, "IMD (difference)",
                       "difference-frequency distortion of that order; without order, the total",
                       "IEC 60268-3:2013 14.12.8 and 14.12.10"},
    [MT_Q_CLOCK_OFFSET] = {"clock_offset", MT_UNIT_PPM, false, "clock offset",
                           "player's clock less recorder's", "own definition"},
    [MT_Q_DELAY] = {"delay", MT_UNIT_SECOND, false, "delay",
                    "of a channel: from playing to arrival; of the pair: left less right", "own definition"},
    [MT_Q_DC] = {"dc", MT_UNIT_FS, false, "DC offset", "mean of the samples, of full scale",
                 "own definition"},
    [MT_Q_PEAK] = {"peak", MT_UNIT_DBFS, false, "sample peak", "largest sample re full scale",
                   "own definition"},
    [MT_Q_MAX_LEVEL] = {"max_level", MT_UNIT_DBFS, false, "maximum level",
                        "level at the distortion the plan allows", "IEC 60268-3 (distortion-limited output)"},
    [MT_Q_OUTPUT_IMPEDANCE] = {"output_impedance", MT_UNIT_OHM, false, "output impedance",
                               "source resistance at the tone, from its level with two loads", "Ohm's law"},
    [MT_Q_OUTPUT_POWER] = {"output_power", MT_UNIT_WATT, false, "output power",
                           "into the load, at the tone or at the maximum level", "IEC 60268-3"},
    [MT_Q_TRACKING_ERROR] =
        {"tracking_error", MT_UNIT_DB, false, "tracking error",
         "left less right re the same at full: the largest over the travel of a volume control",
         "own definition; what makers of dual potentiometers call tracking or gang error"},
    [MT_Q_DROPOUTS] = {"dropouts", MT_UNIT_COUNT, false, "dropouts", "times the signal went away",
                       "own definition"},
    [MT_Q_BOOST] =
        {"boost", MT_UNIT_DB, false, "boost",
         "largest difference of response from the reference state, gain_change taken off, 20 Hz to 20 kHz",
         "own definition"},
    [MT_Q_BOOST_FREQ] = {"boost_freq", MT_UNIT_HZ, false, "boost at", "where the largest difference lies",
                         "own definition"},
    [MT_Q_BOOST_CORNER] = {"boost_corner", MT_UNIT_HZ, false, "half the boost at",
                           "where a boost at one end of the band has fallen to half its decibels",
                           "own definition; the shelf frequency of the Audio EQ Cookbook"},
    [MT_Q_GAIN_CHANGE] =
        {"gain_change", MT_UNIT_DB, false, "gain change",
         "from the reference state: what most of the band changes by, shelves and peaks left out",
         "own definition"},
    [MT_Q_TILT] = {"tilt", MT_UNIT_DB_PER_OCTAVE, false, "tilt, dB an octave",
                   "slope of the difference from the reference state, 20 Hz to 20 kHz, by least squares",
                   "own definition"},
    [MT_Q_CORNER_LOW] = {"corner_low", MT_UNIT_HZ, false, "low -3 dB corner",
                         "half power re the highest third octave of the middle, the first below 997 Hz",
                         "own definition; IEC 60268-3 refers to the response at 1 kHz"},
    [MT_Q_CORNER_HIGH] = {"corner_high", MT_UNIT_HZ, false, "high -3 dB corner",
                          "half power re the highest third octave of the middle, the first above 997 Hz",
                          "own definition; IEC 60268-3 refers to the response at 1 kHz"},
    [MT_Q_FLATNESS] = {"flatness", MT_UNIT_DB, false, "flatness",
                       "highest less lowest response, 20 Hz to 20 kHz or what of it was read",
                       "own definition"},
    [MT_Q_INPUT_FULL_SCALE] = {"input_full_scale", MT_UNIT_DBV, false, "input full scale",
                               "voltage at the unit's input that it records as 0 dBFS",
                               "own definition; 0 dBFS after AES17-2015 3.12"},
    [MT_Q_LOAD_CORNER] = {"load_corner", MT_UNIT_HZ, false, "low corner by load",
                          "low -3 dB corner of the output alone: response with the load less that without",
                          "f_c = 1/(2 pi C (R + Z))"},
    [MT_Q_OUTPUT_CAPACITANCE] = {"output_capacitance", MT_UNIT_MICROFARAD, false, "output capacitor",
                                 "in series with the output, from load_corner", "C = 1/(2 pi f_c (R + Z))"},
    [MT_Q_TRACKING_ERROR_40] = {"tracking_error_40", MT_UNIT_DB, false, "tracking, to -40 dB",
                                "the same down to 40 dB below full", "own definition"},
    [MT_Q_TRACKING_ERROR_60] = {"tracking_error_60", MT_UNIT_DB, false, "tracking, to -60 dB",
                                "the same down to 60 dB below full", "own definition"},
    [MT_Q_CONTROL_RANGE] = {"control_range", MT_UNIT_DB, false, "range of the control",
                            "largest less smallest level while it was turned", "own definition"},
    [MT_Q_CONTROL_STEPS] =
        {"control_steps", MT_UNIT_COUNT, false, "steps of the control",
         "between the levels a digital control rested on, as far as noise tells them apart",
         "own definition"},
    [MT_Q_STEP_SIZE] = {"step_size", MT_UNIT_DB, false, "size of a step",
                        "mean of the usual steps of a digital control", "own definition"},
    [MT_Q_SCRATCHES] = {"scratches", MT_UNIT_COUNT, false, "scratches",
                        "bursts above 6 kHz while a knob was turned, 5 dB and more above the noise in 2 ms",
                        "own definition"},
    [MT_Q_DEAD_SPOTS] = {"dead_spots", MT_UNIT_COUNT, false, "dead spots",
                         "places of a knob's travel where a channel goes away or does not move",
                         "own definition"},
    [MT_Q_LEVEL_JUMPS] = {"level_jumps", MT_UNIT_COUNT, false, "level jumps",
                          "changes of 1 dB or more within 15 ms while a knob was turned", "own definition"},
    [MT_Q_RESPONSE] = {"response", MT_UNIT_DB, true, "response",
                       "gain over frequency re the gain at the reference tone",
                       "IEC 60268-3; exponential sweep after Farina 2000 and Novak 2015"},
    [MT_Q_PHASE] = {"phase", MT_UNIT_DEGREE, true, "phase", "phase over frequency, delay taken out",
                    "own definition"},
    [MT_Q_SPECTRUM] = {"spectrum", MT_UNIT_DBFS, true, "spectrum", "power of the strongest bin in each cell",
                       "own definition"},
    [MT_Q_HARMONIC_2] = {"harmonic_2", MT_UNIT_DB, true, "harmonic 2",
                         "second harmonic, at the frequency it has, re the fundamental that makes it", SWEPT},
    [MT_Q_HARMONIC_3] = {"harmonic_3", MT_UNIT_DB, true, "harmonic 3", "third harmonic, likewise", SWEPT},
    [MT_Q_HARMONIC_4] = {"harmonic_4", MT_UNIT_DB, true, "harmonic 4", "fourth harmonic, likewise", SWEPT},
    [MT_Q_HARMONIC_5] = {"harmonic_5", MT_UNIT_DB, true, "harmonic 5", "fifth harmonic, likewise", SWEPT},
    [MT_Q_LINEARITY] = {"linearity", MT_UNIT_DB, true, "gain linearity",
                        "gain over the level played re the gain at the reference level",
                        "AES17 (level-dependent gain), referred to the reference level"},
    [MT_Q_NOISE_DENSITY] = {"noise_density", MT_UNIT_DBFS_PER_ROOT_HZ, true, "noise density",
                            "mean power per hertz in each cell, nothing played", "own definition"},
    [MT_Q_BAND_LEVEL] = {"band_level", MT_UNIT_DBFS, true, "third-octave level",
                         "noise in the third octave around each preferred frequency, nothing played",
                         "IEC 61260-1, base 10"},
    [MT_Q_GROUP_DELAY] = {"group_delay", MT_UNIT_SECOND, true, "group delay",
                          "slope of the phase over frequency, the delay of arrival taken out",
                          "own definition"},
    [MT_Q_DIFFERENCE] = {"difference", MT_UNIT_DB, true, "difference",
                         "gain over frequency less that in the reference state", "own definition"},
    [MT_Q_SCRATCH_LEVEL] = {"scratch_level", MT_UNIT_DBFS, true, "level of a scratch",
                            "power above 6 kHz of each burst while a knob was turned, over time",
                            "own definition"},
};

static const char *const unit_names[MT_UNIT_LAST] = {
    [MT_UNIT_NONE] = "",
    [MT_UNIT_HZ] = "Hz",
    [MT_UNIT_DBFS] = "dBFS",
    [MT_UNIT_DBV] = "dBV",
    [MT_UNIT_VOLT] = "V",
    [MT_UNIT_DB] = "dB",
    [MT_UNIT_PERCENT] = "%",
    [MT_UNIT_DEGREE] = "deg",
    [MT_UNIT_BIT] = "bit",
    [MT_UNIT_PPM] = "ppm",
    [MT_UNIT_SECOND] = "s",
    [MT_UNIT_MILLISECOND] = "ms",
    [MT_UNIT_FS] = "FS",
    [MT_UNIT_OHM] = "ohm",
    [MT_UNIT_WATT] = "W",
    [MT_UNIT_COUNT] = "count",
    [MT_UNIT_DBFS_PER_ROOT_HZ] = "dBFS/sqrt(Hz)",
    [MT_UNIT_DBU] = "dBu",
    [MT_UNIT_DB_PER_OCTAVE] = "dB/octave",
    [MT_UNIT_MILLIWATT] = "mW",
    [MT_UNIT_MICROFARAD] = "uF",
};

const mt_quantity_info *mt_quantity_describe(mt_quantity q)
{
  assert(q >= 0 && q < MT_Q_LAST);
  return &table[q];
}

bool mt_quantity_is_also_curve(mt_quantity q)
{
  return q == MT_Q_PHASE_DIFFERENCE || q == MT_Q_CROSSTALK || q == MT_Q_THD_F;
}

bool mt_quantity_bound_is_least(mt_quantity q)
{
  return q == MT_Q_SNR || q == MT_Q_DYNAMIC_RANGE || q == MT_Q_SINAD || q == MT_Q_ENOB ||
         q == MT_Q_CORNER_HIGH || q == MT_Q_CONTROL_RANGE || q == MT_Q_OUTPUT_CAPACITANCE;
}

bool mt_quantity_parse(const char *name, mt_quantity *out)
{
  for (size_t i = 0; i < MT_Q_LAST; i++)
    if (strcmp(table[i].name, name) == 0) {
      *out = (mt_quantity)i;
      return true;
    }
  return false;
}

const char *mt_quantity_nearest(const char *name)
{
  const char *names[MT_Q_LAST];
  for (size_t i = 0; i < MT_Q_LAST; i++)
    names[i] = table[i].name;
  return mt_text_nearest(name, names, MT_Q_LAST);
}

const char *mt_unit_name(mt_unit unit)
{
  assert(unit >= 0 && unit < MT_UNIT_LAST);
  return unit_names[unit];
}

bool mt_unit_parse(const char *name, mt_unit *out)
{
  for (size_t i = 0; i < MT_UNIT_LAST; i++)
    if (strcmp(unit_names[i], name) == 0) {
      *out = (mt_unit)i;
      return true;
    }
  return false;
}

/* 0 dBu is 1 mW in 600 ohm: the square root of 0.6 V */
static const double dbu_less_dbv = 2.2184874961635637;

/* To dB re 1 V. @return false if it is no voltage. */
static bool to_dbv(double value, mt_unit from, double *out)
{
  if (from == MT_UNIT_VOLT && value > 0.0)
    *out = mt_db_of_ratio(value);
  else if (from == MT_UNIT_DBV)
    *out = value;
  else if (from == MT_UNIT_DBU)
    *out = value - dbu_less_dbv;
  else
    return false;
  return true;
}

static bool is_voltage(mt_unit unit)
{
  return unit == MT_UNIT_VOLT || unit == MT_UNIT_DBV || unit == MT_UNIT_DBU;
}

bool mt_quantity_limit_unit(mt_quantity q, mt_unit stated, mt_unit *held)
{
  const mt_quantity_info *info = mt_quantity_describe(q);
  double unused;

  if (mt_unit_convert(1.0, stated, info->unit, &unused))
    *held = info->unit;
  else if (info->unit == MT_UNIT_DBFS && !info->is_curve && q != MT_Q_PEAK && is_voltage(stated))
    *held = MT_UNIT_DBV;
  else
    return false;
  return true;
}

bool mt_unit_convert(double value, mt_unit from, mt_unit to, double *out)
{
  double result, dbv;

  if (from == to)
    result = value;
  else if (from == MT_UNIT_PERCENT && to == MT_UNIT_DB && value > 0.0)
    result = mt_db_of_ratio(value / 100.0);
  else if (from == MT_UNIT_DB && to == MT_UNIT_PERCENT)
    result = 100.0 * mt_ratio_of_db(value);
  else if (is_voltage(to) && to_dbv(value, from, &dbv))
    result = to == MT_UNIT_VOLT ? mt_ratio_of_db(dbv) : to == MT_UNIT_DBU ? dbv + dbu_less_dbv : dbv;
  else if ((from == MT_UNIT_SECOND && to == MT_UNIT_MILLISECOND) ||
           (from == MT_UNIT_WATT && to == MT_UNIT_MILLIWATT))
    result = 1e3 * value;
  else if ((from == MT_UNIT_MILLISECOND && to == MT_UNIT_SECOND) ||
           (from == MT_UNIT_MILLIWATT && to == MT_UNIT_WATT))
    result = 1e-3 * value;
  else
    return false;
  *out = result;
  return true;
}
