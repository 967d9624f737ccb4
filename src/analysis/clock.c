#include "analysis/clock.h"

#include "base/decibel.h"

/* A third of a frame between the marks is no lost frame; half a frame would be nearer to one than to none. */
#define LOST_FRAMES 0.33

/* What sums in double of a minute's phase are good for. */
#define SIGMA_FLOOR_PPM 1e-6

/* Twice what moves within one tone unnoticed; a codec's coding of the marks differs by less. */
#define LEVEL_MOVED_DB 0.2

typedef struct mt_mean {
  double weight;
  double sum;
  double sum_of_squares;
  size_t count;
} mt_mean;

static void add(mt_mean *mean, double offset_ppm, double sigma_ppm)
{
  double weight = 1.0 / (sigma_ppm * sigma_ppm + SIGMA_FLOOR_PPM * SIGMA_FLOOR_PPM);

  mean->weight += weight;
  mean->sum += weight * offset_ppm;
  mean->sum_of_squares += weight * offset_ppm * offset_ppm;
  mean->count++;
}

static void add_tone(mt_mean *mean, const mt_tone *tone, double played_hz)
{
  add(mean, 1e6 * (tone->freq_hz / played_hz - 1.0), 0.5e6 * tone->freq_uncertainty_hz / played_hz);
}

/* What scatters by more than its noise explains (a clock that wanders) widens the interval (Birge 1932). */
static double mean_uncertainty(const mt_mean *mean)
{
  double centre = mean->sum / mean->weight;
  double freedom = (double)mean->count - 1.0;
  double chi_square = mean->sum_of_squares - mean->weight * centre * centre;
  double ratio = freedom > 0.0 ? chi_square / freedom : 1.0;
  bool wanders = ratio > 1.0 + 3.0 * sqrt(2.0 / fmax(freedom, 1.0));

  return 2.0 * sqrt((wanders ? ratio : 1.0) / mean->weight);
}

/* Hold the distance of the marks against the clock the tones tell. */
static mt_code compare_marks(mt_workspace *ws, mt_error *err)
{
  const mt_segment *segments = ws->stimulus->segments;
  double span_s = segments[ws->stimulus->nsegments - 1].start_s - segments[0].start_s;
  double apart_ppm = ws->location->clock_offset_ppm - ws->clock_offset_ppm;
  double allowed_ppm = 1e6 * LOST_FRAMES / (span_s * ws->take->rate_hz) +
                       1.5 * (ws->location->clock_uncertainty_ppm + ws->clock_uncertainty_ppm);
  double frames = 1e-6 * apart_ppm * span_s * ws->take->rate_hz;

  if (fabs(apart_ppm) <= allowed_ppm)
    return MT_OK;
  return mt_workspace_add_problem(
      ws, MT_PROBLEM_LOST, MT_CHANNEL_BOTH, 0.0, (double)ws->take->nframes / ws->take->rate_hz, err,
      "about %.0f frames were %s between the marks, against the clock of the tones; take again",
      fmax(1.0, fabs(frames)), frames > 0.0 ? "lost" : "repeated");
}

static mt_code settle(mt_workspace *ws, mt_error *err)
{
  mt_mean mean = {0};
  size_t nproblems;
  mt_code code;

  for (size_t i = 0; i < ws->nsections; i++) {
    const mt_section *section = &ws->sections[i];
    for (int c = 0; c < (int)ws->nchannels; c++)
      if (section->has_tone[c] && section->validity[c] == MT_VALID && section->segment->amplitude[c] > 0.0 &&
          !section->tone[c].freq_is_given && mt_tone_is_present(&section->tone[c]))
        add_tone(&mean, &section->tone[c], section->segment->freq_hz[c]);
  }
  ws->has_clock = true;
  ws->clock_offset_ppm = ws->location->clock_offset_ppm;
  ws->clock_uncertainty_ppm = ws->location->clock_uncertainty_ppm;
  if (mean.count == 0)
    return MT_OK;
  ws->clock_offset_ppm = mean.sum / mean.weight;
  ws->clock_uncertainty_ppm = mean_uncertainty(&mean);
  nproblems = ws->results->nproblems;
  code = compare_marks(ws, err);
  if (code != MT_OK || ws->results->nproblems > nproblems)
    return code;
  /* no frame is missing between them, so the marks, far apart as they are, know the clock best */
  add(&mean, ws->location->clock_offset_ppm, 0.5 * ws->location->clock_uncertainty_ppm);
  ws->clock_offset_ppm = mean.sum / mean.weight;
  ws->clock_uncertainty_ppm = mean_uncertainty(&mean);
  return MT_OK;
}

/* A level that moves within a tone is seen there; one that moves between two of them shows only here. */
static mt_code compare_levels(mt_workspace *ws, mt_error *err)
{
  double end_s = (double)ws->take->nframes / ws->take->rate_hz;
  mt_code code = MT_OK;

  if (ws->stimulus->parts == MT_PARTS_TURN) /* it was meant to move */
    return MT_OK;
  for (unsigned c = 0; c < ws->nchannels && code == MT_OK; c++) {
    char name[8];
    double change_db = ws->location->level_change_db[c];
    if (!ws->location->arrived[c] ||
        fabs(change_db) <= LEVEL_MOVED_DB + ws->location->level_uncertainty_db[c])
      continue;
    code = mt_workspace_add_problem(ws, MT_PROBLEM_UNSTEADY, (mt_channel)c, 0.0, end_s, err,
                                    "%s level moved by %+.2f dB between start and end: a volume was turned, "
                                    "or the unit drifts; take again",
                                    mt_channel_name((mt_channel)c, name), change_db);
  }
  return code;
}

mt_code mt_clock_settle(mt_workspace *ws, mt_error *err)
{
  mt_code code = settle(ws, err);
  return code == MT_OK ? compare_levels(ws, err) : code;
}
