#include "audio/unit_volume.h"

#include "base/decibel.h"

#include <assert.h>
#include <math.h>

#define RANGE_MAX_DB 200.0
#define TIME_MAX_S 86400.0

double mt_simulate_turned_db(const mt_simulated_volume *volume, double t_s)
{
  double part = 0.0;

  if (volume->back_s > 0.0 && t_s >= volume->back_s)
    part = 1.0 - fmin((t_s - volume->back_s) / (volume->up_s - volume->back_s), 1.0);
  else if (t_s > volume->from_s)
    part = fmin((t_s - volume->from_s) / (volume->to_s - volume->from_s), 1.0);
  part *= volume->range_db;
  return volume->step_db > 0.0 ? volume->step_db * round(part / volume->step_db) : part;
}

/* Straight between the points, level beyond. */
static double tracking_at(const mt_simulated_volume *volume, double turned_db)
{
  size_t n = volume->ntracking, i = 0;
  const double(*points)[2] = volume->tracking_db;

  if (n == 0)
    return 0.0;
  while (i < n && points[i][0] < turned_db)
    i++;
  if (i == 0 || i == n)
    return points[i == 0 ? 0 : n - 1][1];
  return points[i - 1][1] + (turned_db - points[i - 1][0]) / (points[i][0] - points[i - 1][0]) *
                                (points[i][1] - points[i - 1][1]);
}

double mt_simulate_track_db(const mt_simulated_volume *volume, unsigned channel, double turned_db)
{
  double loss_db = 0.0;

  assert(channel < 2);
  for (size_t i = 0; i < volume->ndead; i++) {
    const mt_simulated_dead *dead = &volume->dead[i];
    if (!dead->channel[channel] || turned_db < dead->from_db || turned_db > dead->to_db)
      continue;
    if (dead->loss_db > 0.0)
      loss_db += dead->loss_db;
    else
      turned_db = dead->from_db;
  }
  return -turned_db - loss_db - (channel == 1 ? tracking_at(volume, turned_db) : 0.0);
}

void mt_unit_volume_pass(const mt_simulated_volume *volume, double rate_hz, uint64_t first, size_t nframes,
                         double *frames)
{
  for (size_t n = 0; n < nframes; n++) {
    double turned_db = mt_simulate_turned_db(volume, (double)(first + n) / rate_hz);
    for (unsigned c = 0; c < 2; c++)
      frames[2 * n + c] *= mt_ratio_of_db(mt_simulate_track_db(volume, c, turned_db));
  }
}

void mt_unit_volume_scratch(const mt_simulated_volume *volume, double rate_hz, uint64_t first,
                            mt_random noise[2], size_t nframes, double *frames)
{
  for (size_t i = 0; i < volume->nscratches; i++) {
    const mt_simulated_scratch *s = &volume->scratches[i];
    /* 0 dBFS is the RMS of a full-scale sine */
    double rms = mt_ratio_of_db(s->level_dbfs) * sqrt(0.5);
    for (size_t n = 0; n < nframes; n++) {
      double t_s = (double)(first + n) / rate_hz;
      if (t_s < s->at_s || t_s >= s->at_s + s->length_s)
        continue;
      for (unsigned c = 0; c < 2; c++)
        if (s->channel[c])
          frames[2 * n + c] += rms * mt_random_normal(&noise[c]);
    }
  }
}

static mt_code check_faults(const mt_simulated_volume *v, mt_error *err)
{
  if (v->ntracking > MT_SIMULATED_TRACKING_MAX || v->nscratches > MT_SIMULATED_SCRATCHES_MAX ||
      v->ndead > MT_SIMULATED_DEAD_MAX)
    return mt_fail(err, MT_E_ARG,
                   "the simulated volume control has too many points, scratches or dead spots");
  for (size_t i = 0; i < v->ntracking; i++)
    if (!isfinite(v->tracking_db[i][0]) || !isfinite(v->tracking_db[i][1]) ||
        (i > 0 && !(v->tracking_db[i][0] > v->tracking_db[i - 1][0])))
      return mt_fail(err, MT_E_ARG, "the simulated tracking at %g dB is not above the one before it",
                     v->tracking_db[i][0]);
  for (size_t i = 0; i < v->nscratches; i++)
    if (!isfinite(v->scratches[i].at_s) || !isfinite(v->scratches[i].length_s) ||
        !(v->scratches[i].level_dbfs <= 100.0))
      return mt_fail(err, MT_E_ARG, "a simulated scratch at %g s of %g s at %g dBFS", v->scratches[i].at_s,
                     v->scratches[i].length_s, v->scratches[i].level_dbfs);
  for (size_t i = 0; i < v->ndead; i++)
    if (!(v->dead[i].to_db > v->dead[i].from_db) || !(v->dead[i].loss_db >= 0.0))
      return mt_fail(err, MT_E_ARG, "a simulated dead spot from %g to %g dB; expected from below to",
                     v->dead[i].from_db, v->dead[i].to_db);
  return MT_OK;
}

mt_code mt_unit_volume_check(const mt_simulated_volume *v, mt_error *err)
{
  if (!(v->range_db >= 0.0 && v->range_db <= RANGE_MAX_DB && v->step_db >= 0.0 && v->step_db <= RANGE_MAX_DB))
    return mt_fail(err, MT_E_ARG,
                   "the simulated volume control ranges over %g dB in steps of %g; expected 0 to %g",
                   v->range_db, v->step_db, RANGE_MAX_DB);
  if (v->range_db > 0.0 && !(v->from_s >= 0.0 && v->to_s > v->from_s && v->to_s <= TIME_MAX_S))
    return mt_fail(err, MT_E_ARG,
                   "the simulated volume is turned down from %g to %g s; expected from below to", v->from_s,
                   v->to_s);
  if (v->back_s > 0.0 && !(v->back_s >= v->to_s && v->up_s > v->back_s && v->up_s <= TIME_MAX_S))
    return mt_fail(err, MT_E_ARG,
                   "the simulated volume is turned up from %g to %g s; expected later than down at %g s",
                   v->back_s, v->up_s, v->to_s);
  return check_faults(v, err);
}
