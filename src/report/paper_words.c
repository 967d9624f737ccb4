/* What a customer can make of a quantity: said by what is heard, never by more than the reading tells. */
#include "report/paper_words.h"

#include <math.h>

typedef struct words {
  const char *subject;
  const char *good;
  const char *low;  /* missed, below what is asked for */
  const char *high; /* missed, above it; NULL: as below */
  const char *meaning;
} words;

#define DISTORTED "rough"
#define SWITCH "What the switch does", "as it should be", "not as it should be", NULL
#define NOISY "too much hiss"

static const words table[MT_Q_LAST] = {
    [MT_Q_FREQUENCY] = {"Pitch", "right", "too low", "too high", "Pitch of the test tone as it came back."},
    [MT_Q_LEVEL] = {"Level", "right", "too low", "too high",
                    "How strong the test tone came back; 0 dBFS is the most the recorder can take."},
    [MT_Q_GAIN] = {"Loudness", "loud enough", "too quiet", "too loud",
                   "How much stronger (+) or weaker (-) the sound leaves the unit than it went in."},
    [MT_Q_BALANCE] = {"Balance", "both sides equally loud", "left too quiet", "right too quiet",
                      "How much louder the left side is than the right; 0 dB is ideal."},
    [MT_Q_PHASE_DIFFERENCE] = {"Timing of the sides", "together", "apart", NULL,
                               "Whether both sides swing at the same moment; 0 is ideal, 180 is inverted."},
    [MT_Q_POLARITY] = {"Polarity", "the right way round", "inverted", NULL,
                       "Whether the unit turns the signal upside down."},
    [MT_Q_ROUTE] = {"Sides", "each where it belongs", "not where they belong", NULL,
                    "Which side is heard on which output."},
    [MT_Q_CROSSTALK] = {"Separation of the sides", "good", "poor", NULL,
                        "How much of one side is heard on the other; the lower the better."},
    [MT_Q_THD_F] = {"Distortion", "clean", DISTORTED, NULL,
                    "Overtones the unit adds to a pure tone; the less the better."},
    [MT_Q_THD_R] = {"Distortion", "clean", DISTORTED, NULL,
                    "Overtones, compared with all that comes out rather than with the tone alone."},
    [MT_Q_THD_N] = {"Distortion and noise", "clean", "rough or noisy", NULL,
                    "All that the unit adds to a pure tone: overtones, noise and hum; the less the better."},
    [MT_Q_HARMONIC] = {"Overtones", "clean", DISTORTED, NULL,
                       "One overtone alone: twice, three times... the pitch that was played."},
    [MT_Q_SINAD] = {"Sound above noise and distortion", "clean", "rough or noisy", NULL,
                    "How far the tone stands above all that was added to it; the more the better."},
    [MT_Q_ENOB] = {"Fineness", "fine", "too coarse", NULL,
                   "How many steps the unit's number of bits really resolves."},
    [MT_Q_NOISE] = {"Hiss in the pauses", "quiet", NOISY, NULL,
                    "What is left when nothing plays; the lower the better."},
    [MT_Q_NOISE_A] = {"Hiss in the pauses", "quiet", NOISY, NULL,
                      "Hiss of the pauses, weighted as the ear hears faint sounds."},
    [MT_Q_NOISE_CCIR] = {"Hiss in the pauses", "quiet", NOISY, NULL,
                         "Hiss of the pauses, weighted by how much it disturbs."},
    [MT_Q_NOISE_468] = {"Hiss in the pauses", "quiet", NOISY, NULL,
                        "Hiss of the pauses as broadcasters measure it: clicks count more."},
    [MT_Q_SNR] = {"Sound above the hiss", "well above it", "too little above it", NULL,
                  "How far the tone stands above the hiss of the pauses; the more the better."},
    [MT_Q_DYNAMIC_RANGE] = {"Faint sounds", "audible", "lost in the noise", NULL,
                            "How faint a sound may be before noise covers it; the more the better."},
    [MT_Q_HUM] = {"Hum", "none that matters", "too much hum", NULL,
                  "The mains and its overtones when nothing plays; the lower the better."},
    [MT_Q_HUM_LINE] = {"Hum", "none that matters", "too much hum", NULL,
                       "One tone of the mains hum: the mains frequency times this number."},
    [MT_Q_SPURIOUS] = {"Foreign tones", "none that matter", "a tone that nobody plays", NULL,
                       "A tone in the recording that was not played and is not the mains."},
    [MT_Q_IMD_MOD] = {"Two tones at once", "clean", DISTORTED, NULL,
                      "New tones that arise when a low and a high one are played together."},
    [MT_Q_IMD_DIFF] = {"Two tones at once", "clean", DISTORTED, NULL,
                       "New tones that arise when two high ones are played together."},
    [MT_Q_CLOCK_OFFSET] = {"Speed", "right", "too slow", "too fast",
                           "How much faster the player's clock runs than the recorder's, in millionths."},
    [MT_Q_DELAY] = {"Delay", "right", "too short", "too long",
                    "Time from playing to hearing; of the pair: between left and right."},
    [MT_Q_DC] = {"Direct voltage at the output", "none that matters", "some", NULL,
                 "A steady voltage at the output, which can harm what is connected; 0 is ideal."},
    [MT_Q_PEAK] = {"Highest peak", "right", "too low", "too high", "The highest point of the waveform."},
    [MT_Q_MAX_LEVEL] = {"Loudest clean sound", "loud enough", "not loud enough", "too loud",
                        "The strongest level before distortion grows."},
    [MT_Q_OUTPUT_IMPEDANCE] = {"Output resistance", "right", "too low", "too high",
                               "How much the output gives way under load."},
    [MT_Q_OUTPUT_POWER] = {"Power", "enough", "too little", "too much",
                           "What the unit delivers into a load."},
    [MT_Q_TRACKING_ERROR] = {"Volume control", "even on both sides", "uneven", NULL,
                             "How far left and right drift apart as the volume is turned."},
    [MT_Q_DROPOUTS] = {"Gaps", "none", "some", NULL, "How often the sound went away."},
    [MT_Q_BOOST] = {SWITCH, "The most a switch raises (+) or lowers (-) any pitch."},
    [MT_Q_BOOST_FREQ] = {SWITCH, "The pitch it changes most."},
    [MT_Q_BOOST_CORNER] = {SWITCH, "The pitch at which half of what it raises is left."},
    [MT_Q_GAIN_CHANGE] = {SWITCH, "How much louder or quieter a switch makes everything."},
    [MT_Q_TILT] = {SWITCH, "How much brighter (+) or darker (-) a switch makes the sound."},
    [MT_Q_CORNER_LOW] = {"Lowest notes", "there", "too low", "missing", "Below this pitch the sound fades."},
    [MT_Q_CORNER_HIGH] = {"Highest notes", "there", "missing", "too high",
                          "Above this pitch the sound fades."},
    [MT_Q_FLATNESS] = {"Low to high notes", "all alike", "some too weak or too strong", NULL,
                       "How much the strongest pitch stands above the weakest; 0 dB is ideal."},
    [MT_Q_INPUT_FULL_SCALE] = {"Input", "right", "too sensitive", "not sensitive enough",
                               "The voltage at the input that the unit records as its loudest."},
    [MT_Q_RESPONSE] = {"Low to high notes", "all alike", NULL, NULL,
                       "How much weaker (-) or stronger (+) each pitch is than 1 kHz."},
    [MT_Q_PHASE] = {"Timing over pitch", "right", "out of range", NULL, "How far each pitch is shifted."},
    [MT_Q_LINEARITY] = {"Loud and faint", "amplified alike", "not amplified alike", NULL,
                        "Whether faint sounds are amplified as much as loud ones."},
    [MT_Q_NOISE_DENSITY] = {"Hiss over pitch", "quiet", NOISY, NULL, "Where in the range the hiss lies."},
    [MT_Q_BAND_LEVEL] = {"Hiss over pitch", "quiet", NOISY, NULL, "Where in the range the hiss lies."},
    [MT_Q_DIFFERENCE] = {SWITCH, "What a switch changes at each pitch."},
};

const char *paper_words_subject(mt_quantity quantity)
{
  const char *subject = table[quantity].subject;

  return subject != NULL ? subject : mt_quantity_describe(quantity)->label;
}

/* Which notes are off is told by where the response is worst. */
static const char *response_words(const mt_judgement *j)
{
  bool is_weak = j->value < j->min;

  if (j->at_hz > 0.0 && j->at_hz < 300.0)
    return is_weak ? "low notes too weak" : "low notes too strong";
  if (j->at_hz > 3000.0)
    return is_weak ? "high notes too weak" : "high notes too strong";
  return is_weak ? "some notes too weak" : "some notes too strong";
}

static const char *missed_words(const mt_judgement *j)
{
  const words *w = &table[j->quantity];

  if (j->relative || !j->has_value)
    return j->relative ? "not as it was" : "not in order";
  if (j->quantity == MT_Q_RESPONSE)
    return response_words(j);
  if (w->high != NULL && isfinite(j->max) && j->value > j->max)
    return w->high;
  return w->low != NULL ? w->low : "not in order";
}

const char *paper_words_verdict(const mt_judgement *j)
{
  switch (j->verdict) {
  case MT_VERDICT_PASS:
    if (j->relative)
      return "as it was";
    return table[j->quantity].good != NULL ? table[j->quantity].good : "in order";
  case MT_VERDICT_FAIL: return missed_words(j);
  case MT_VERDICT_UNDECIDED: return j->has_value ? "too near the limit to be sure of" : "unknown";
  case MT_VERDICT_NONE: break;
  }
  return "not judged";
}

const char *paper_words_meaning(mt_quantity quantity)
{
  const char *meaning = table[quantity].meaning;

  return meaning != NULL ? meaning : mt_quantity_describe(quantity)->meaning;
}
