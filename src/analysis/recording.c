/* A plain recording: on each channel a steady tone, idle noise, or something that is neither. */
#include "analysis/path.h"

#include "base/decibel.h"
#include "base/text.h"

#include <stdlib.h>

/* Shorter than this no noise or tone is told apart. */
#define SHORTEST_S 0.1

/* A tone holds at least this share of the power; mains hum below this level is noise, not a test tone. */
#define TONE_SHARE 0.5
#define HUM_BELOW_POWER 1e-4

/* Steadiness: blocks of this length, and the most that their powers may range. Gaussian noise
   in 20 kHz varies by 0.14 dB (1 sigma) in 50 ms; noise dominated by hum or rumble varies more. */
#define BLOCK_S 0.05
#define STEADY_NOISE_DB 6.0
#define STEADY_TONE_DB 0.1

static int compare_doubles(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/*
 * How far the short-time powers range, dB: loudest over median or median over the quietest tenth, whichever
 * is more. What is slower than a block (DC, rumble) is taken off. 0 for a record of fewer than 8 blocks.
 */
static double burstiness_db(const double *x, size_t n, double rate_hz)
{
  size_t block = (size_t)(BLOCK_S * rate_hz), count = n / block;
  double *power, loud, quiet, result = 0.0;

  if (count < 8)
    return 0.0;
  power = malloc(count * sizeof *power);
  if (power == NULL)
    return (double)INFINITY;
  for (size_t b = 0; b < count; b++) {
    double sum = 0.0, square = 0.0;
    for (size_t i = b * block; i < (b + 1) * block; i++) {
      sum += x[i];
      square += x[i] * x[i];
    }
    power[b] = fmax(0.0, square / (double)block - sum / (double)block * (sum / (double)block));
  }
  qsort(power, count, sizeof *power, compare_doubles);
  /* a tenth of a 24-bit step squared: digital silence beside noise is a change, not a division by zero */
  loud = (power[count - 1] + 1e-16) / (power[count / 2] + 1e-16);
  quiet = (power[count / 2] + 1e-16) / (power[count / 10] + 1e-16);
  result = mt_db_of_power(fmax(loud, quiet));
  free(power);
  return result;
}

static bool is_mains(double freq_hz)
{
  static const double mains_hz[] = {50.0, 60.0, 100.0, 120.0, 150.0, 180.0};
  for (size_t i = 0; i < sizeof mains_hz / sizeof mains_hz[0]; i++)
    if (fabs(freq_hz - mains_hz[i]) < 0.01 * mains_hz[i])
      return true;
  return false;
}

static mt_code read_as_noise(mt_workspace *ws, mt_section *section, int c, const double *x, mt_error *err)
{
  double burst_db = burstiness_db(x, section->count, ws->take->rate_hz);
  double end_s = (double)section->count / ws->take->rate_hz;
  char name[8];
  mt_code code = mt_psd_estimate(x, section->count, ws->take->rate_hz, MT_WINDOW_BLACKMAN_HARRIS_4, 0,
                                 &section->noise[c], err);

  section->has_noise[c] = code == MT_OK;
  if (code == MT_OK && burst_db > STEADY_NOISE_DB)
    code = mt_workspace_add_problem(
        ws, MT_PROBLEM_UNSTEADY, c, 0.0, end_s, err,
        "the %s channel is neither a steady tone nor steady noise: its loudest moment is "
        "%.0f dB above the usual",
        mt_channel_name(c, name), fmin(burst_db, 200.0));
  return code;
}

static mt_code classify(mt_workspace *ws, mt_section *section, int c, double *x, mt_error *err)
{
  double rate_hz = ws->take->rate_hz, sum = 0.0, square = 0.0, mean, power;
  double end_s = (double)section->count / rate_hz;
  mt_tone tone;
  mt_error ignored;
  char name[8];
  mt_code code;

  mt_workspace_copy(ws, 0, section->count, c, x);
  for (size_t i = 0; i < section->count; i++)
    sum += x[i];
  mean = sum / (double)section->count;
  for (size_t i = 0; i < section->count; i++)
    square += (x[i] - mean) * (x[i] - mean);
  power = 2.0 * square / (double)section->count;
  code = power > 0.0 ? mt_tone_measure(x, section->count, rate_hz, 0.0, &tone, &ignored) : MT_E_DATA;
  if (code != MT_OK && code != MT_E_DATA)
    return mt_fail(err, code, "%s", ignored.message);
  if (code == MT_OK) {
    bool is_tone = tone.power > TONE_SHARE * power && mt_tone_is_present(&tone) &&
                   !(is_mains(tone.freq_hz) && tone.power < HUM_BELOW_POWER);
    if (is_tone) {
      section->has_tone[c] = true;
      section->tone[c] = tone;
      if (tone.level_spread_db > STEADY_TONE_DB)
        return mt_workspace_add_problem(
            ws, MT_PROBLEM_UNSTEADY, c, 0.0, end_s, err,
            "the tone on the %s channel is not steady: its level changes by %.2f dB",
            mt_channel_name(c, name), tone.level_spread_db);
      return MT_OK;
    }
    mt_tone_finish(&tone);
  }
  return read_as_noise(ws, section, c, x, err);
}

mt_code mt_workspace_init_recording(mt_workspace *ws, mt_error *err)
{
  mt_section *section = &ws->sections[0];
  double *x;
  mt_code code = MT_OK;

  if ((double)ws->take->nframes < SHORTEST_S * ws->take->rate_hz)
    return mt_fail(err, MT_E_DATA, "the recording has %zu frames (%.3f s); expected at least %g s",
                   ws->take->nframes, (double)ws->take->nframes / ws->take->rate_hz, SHORTEST_S);
  ws->nsections = 1;
  section->count = ws->take->nframes;
  for (size_t i = 0; i < ws->take->nproblems && code == MT_OK; i++) {
    const mt_problem *p = &ws->take->problems[i];
    code = mt_workspace_add_problem(ws, p->kind, p->channel, p->begin_s, p->end_s, err, "%s", p->text);
  }
  x = malloc(section->count * sizeof *x);
  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", section->count);
  for (int c = 0; c < (int)ws->nchannels && code == MT_OK; c++)
    code = classify(ws, section, c, x, err);
  free(x);
  return code == MT_OK ? mt_path_look(ws, err) : code;
}
