/* What is played before a stimulus so that a radio link is awake when it comes. */
#include <mendtone/stimulus.h>

#include "base/decibel.h"

#include <math.h>

/* Below the marks' band, so that it is no part of what they are found by, and within that of any link. */
#define TONE_HZ 250.0
#define BELOW_TONES_DB 20.0
#define FADE_IN_S 0.3
#define FADE_OUT_S 0.03
/* Silence before the first mark: shorter than a gate holds (common practice, no source), longer than a codec smears. */
#define BEFORE_MARK_S 0.06

double mt_stimulus_sample_lead_in(const mt_stimulus *stimulus, double lead_in_s, double t_s)
{
  const mt_segment *mark = mt_stimulus_find(stimulus, "mark-a");
  double since_s = t_s + lead_in_s;
  double left_s = (mark != NULL ? mark->start_s : 0.0) - BEFORE_MARK_S - t_s;
  double amplitude = mt_ratio_of_db(stimulus->level_dbfs - BELOW_TONES_DB);

  if (!(lead_in_s > 0.0) || since_s <= 0.0 || left_s <= 0.0)
    return 0.0;
  if (since_s < FADE_IN_S)
    amplitude *= 0.5 - 0.5 * cos(MT_PI * since_s / FADE_IN_S);
  if (left_s < FADE_OUT_S)
    amplitude *= 0.5 - 0.5 * cos(MT_PI * left_s / FADE_OUT_S);
  return amplitude * sin(2.0 * MT_PI * TONE_HZ * since_s);
}
