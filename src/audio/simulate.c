#include <mendtone/simulate.h>

#include "audio/backends.h"
#include "audio/unit_chain.h"
#include "audio/unit_volume.h"
#include "base/decibel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RUNS_MAX (3 * MT_SIMULATED_DROPOUTS_MAX + 1)
#define OFFSET_MAX_PPM 1e5
#define DRIFT_MAX_PPM_PER_S 1e3
#define DURATION_MAX_S 86400.0
#define PART_MAX 1e9

/* A stretch of frames delivered one after another. */
typedef struct run {
  uint64_t first; /* in the chain's frames */
  size_t nframes;
  bool keep;  /* it will be delivered again */
  bool again; /* it is what the run before kept */
} run;

typedef struct delivery {
  const mt_simulated_unit *unit;
  const mt_audio_request *request;
  const mt_audio_sink *sink;
  mt_unit_chain chain;
  mt_random dither[2];
  run runs[RUNS_MAX];
  size_t nruns;
  size_t total;     /* frames to deliver */
  size_t delivered; /* so far */
  double *kept;     /* of a run to be repeated, [its frames x 2] */
  double played[MT_UNIT_BLOCK * MT_UNIT_SOURCE_CHANNELS_MAX];
  double frames[MT_UNIT_BLOCK * 2];
  float out[MT_UNIT_BLOCK * 2];
} delivery;

void mt_simulate_init(mt_simulated_unit *out)
{
  memset(out, 0, sizeof *out);
  memcpy(out->name, "wire", 5);
  out->hum_hz = 50.0;
  out->seed = 1;
  for (size_t c = 0; c < 2; c++) {
    out->channel[c].poly[0] = 1.0;
    out->channel[c].crosstalk_db = -(double)INFINITY;
    out->channel[c].hum_dbfs = -(double)INFINITY;
    out->channel[c].noise_dbfs = -(double)INFINITY;
  }
}

static mt_code check_channel(const mt_simulated_channel *channel, double rate_hz, mt_error *err)
{
  const double finite[] = {channel->gain_db,      channel->poly[0],  channel->poly[1],   channel->poly[2],
                           channel->poly[3],      channel->poly[4],  channel->dead_zone, channel->clip,
                           channel->high_pass_hz, channel->shelf_db, channel->dc};
  const double parts[] = {channel->output_ohm, channel->output_uf, channel->current_limit};
  const double levels[] = {channel->crosstalk_db, channel->hum_dbfs, channel->noise_dbfs};
  bool shelves = channel->shelf_db < 0.0 || channel->shelf_db > 0.0;

  for (size_t i = 0; i < sizeof finite / sizeof finite[0]; i++)
    if (!isfinite(finite[i]))
      return mt_fail(err, MT_E_ARG, "a value of the simulated unit is not finite");
  for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
    if (!(parts[i] >= 0.0 && parts[i] <= PART_MAX))
      return mt_fail(err, MT_E_ARG, "the simulated unit's output has a value of %g; expected 0 to %g",
                     parts[i], PART_MAX);
  for (size_t i = 0; i < sizeof levels / sizeof levels[0]; i++)
    if (!(levels[i] <= 100.0))
      return mt_fail(err, MT_E_ARG, "a level of the simulated unit is %g dB; expected at most 100",
                     levels[i]);
  if (channel->high_pass_hz < 0.0 || channel->high_pass_hz >= 0.5 * rate_hz)
    return mt_fail(err, MT_E_ARG, "the simulated unit's high-pass is at %g Hz; expected below %g Hz",
                   channel->high_pass_hz, 0.5 * rate_hz);
  if (shelves && !(channel->shelf_hz > 0.0 && channel->shelf_hz < 0.5 * rate_hz))
    return mt_fail(err, MT_E_ARG, "the simulated unit's shelf is at %g Hz; expected above 0, below %g Hz",
                   channel->shelf_hz, 0.5 * rate_hz);
  return MT_OK;
}

static mt_code check_unit(const mt_simulated_unit *unit, double rate_hz, mt_error *err)
{
  mt_unit_output output = mt_unit_load(unit);

  for (size_t c = 0; c < 2; c++) {
    mt_code code = check_channel(&unit->channel[c], rate_hz, err);
    if (code != MT_OK)
      return code;
    if (output.corner_hz[c] >= 0.5 * rate_hz)
      return mt_fail(err, MT_E_ARG,
                     "the simulated unit's output capacitor has its corner at %g Hz; expected below %g Hz",
                     output.corner_hz[c], 0.5 * rate_hz);
  }
  if (!(unit->load_ohm >= 0.0 && unit->input_ohm >= 0.0 && unit->return_ohm >= 0.0 &&
        unit->load_ohm + unit->input_ohm + unit->return_ohm <= 3.0 * PART_MAX))
    return mt_fail(err, MT_E_ARG,
                   "the simulated unit's load, input or return is %g, %g, %g ohm; expected 0 to %g each",
                   unit->load_ohm, unit->input_ohm, unit->return_ohm, PART_MAX);
  if (unit->bits != 0 && unit->bits != 16 && unit->bits != 20 && unit->bits != 24)
    return mt_fail(err, MT_E_ARG, "the simulated unit has %u bits; expected 0, 16, 20 or 24", unit->bits);
  if (!(fabs(unit->clock_offset_ppm) <= OFFSET_MAX_PPM))
    return mt_fail(err, MT_E_ARG, "the simulated clock offset is %g ppm; expected within +-%g",
                   unit->clock_offset_ppm, OFFSET_MAX_PPM);
  if (!(fabs(unit->clock_drift_ppm_per_s) <= DRIFT_MAX_PPM_PER_S))
    return mt_fail(err, MT_E_ARG, "the simulated clock drifts by %g ppm/s; expected within +-%g",
                   unit->clock_drift_ppm_per_s, DRIFT_MAX_PPM_PER_S);
  if (!(unit->mixer_rate_hz == 0.0 || (unit->mixer_rate_hz >= 8000.0 && unit->mixer_rate_hz <= 1e6)))
    return mt_fail(err, MT_E_ARG, "the simulated mixer runs at %g Hz; expected 0 or 8000 to 1e6",
                   unit->mixer_rate_hz);
  if (!(fabs(unit->delay_s) <= DURATION_MAX_S))
    return mt_fail(err, MT_E_ARG, "the simulated delay is %g s; expected within +-%g", unit->delay_s,
                   DURATION_MAX_S);
  if (!(unit->hum_hz > 0.0 && unit->hum_hz <= 1000.0))
    return mt_fail(err, MT_E_ARG, "the simulated mains frequency is %g Hz; expected above 0, at most 1000",
                   unit->hum_hz);
  if (unit->ndropouts > MT_SIMULATED_DROPOUTS_MAX)
    return mt_fail(err, MT_E_ARG, "the simulated unit has %zu dropouts; expected at most %d", unit->ndropouts,
                   MT_SIMULATED_DROPOUTS_MAX);
  return mt_unit_volume_check(&unit->volume, err);
}

static mt_code check_request(const mt_audio_request *request, mt_error *err)
{
  if (!(request->rate_hz >= 1.0 && request->rate_hz <= 1e7))
    return mt_fail(err, MT_E_ARG, "the rate for the simulated unit is %g Hz; expected 1 to 1e7",
                   request->rate_hz);
  if (!(request->duration_s > 0.0 && request->duration_s <= DURATION_MAX_S))
    return mt_fail(err, MT_E_ARG, "the duration is %g s; expected above 0, at most %g", request->duration_s,
                   DURATION_MAX_S);
  if (request->source != NULL &&
      (request->source->nchannels < 1 || request->source->nchannels > MT_UNIT_SOURCE_CHANNELS_MAX))
    return mt_fail(err, MT_E_ARG, "the source has %u channels; the simulated unit takes 1 or 2",
                   request->source->nchannels);
  return MT_OK;
}

static int earlier_first(const void *a, const void *b)
{
  const mt_simulated_dropout *x = a, *y = b;
  return (x->at_s > y->at_s) - (x->at_s < y->at_s);
}

static bool moves_time(const mt_simulated_dropout *drop)
{
  return drop->kind == MT_SIMULATED_LOSE || drop->kind == MT_SIMULATED_REPEAT;
}

static void add_run(delivery *d, uint64_t first, size_t nframes, bool keep, bool again)
{
  run next = {first, nframes, keep, again};
  if (nframes > 0)
    d->runs[d->nruns++] = next;
}

/* What is delivered from which frames of the chain; faults that do not move anything come later. */
static mt_code lay_out_runs(delivery *d, double rate_hz, mt_error *err)
{
  mt_simulated_dropout sorted[MT_SIMULATED_DROPOUTS_MAX];
  size_t position = 0;
  uint64_t first = 0;

  memcpy(sorted, d->unit->dropouts, sizeof sorted);
  qsort(sorted, d->unit->ndropouts, sizeof sorted[0], earlier_first);
  for (size_t i = 0; i < d->unit->ndropouts; i++) {
    const mt_simulated_dropout *drop = &sorted[i];
    size_t at, count = drop->nframes;
    if (!(drop->at_s >= 0.0 && drop->at_s <= DURATION_MAX_S) || (moves_time(drop) && count > d->total) ||
        !isfinite(drop->level_db))
      return mt_fail(err, MT_E_ARG, "a dropout of %zu frames at %g s; expected inside the take of %zu frames",
                     count, drop->at_s, d->total);
    at = (size_t)llround(drop->at_s * rate_hz);
    if (!moves_time(drop) || at >= d->total)
      continue;
    if (at < position)
      return mt_fail(err, MT_E_ARG, "the dropout at %g s lies inside the one before it", drop->at_s);
    add_run(d, first, at - position, false, false);
    first += at - position;
    position = at;
    if (drop->kind == MT_SIMULATED_REPEAT) {
      add_run(d, first, count, true, false);
      add_run(d, first, count, false, true);
      position += 2 * count;
    }
    first += count;
  }
  if (position < d->total)
    add_run(d, first, d->total - position, false, false);
  return MT_OK;
}

/* What a fault that leaves the time whole makes of a sample. */
static double spoil(const delivery *d, const mt_simulated_dropout *drop, double value, size_t frame)
{
  double ratio = mt_ratio_of_db(drop->level_db);

  switch (drop->kind) {
  case MT_SIMULATED_MUTE: return 0.0;
  case MT_SIMULATED_GAIN: return value * ratio;
  case MT_SIMULATED_HUM: return value + ratio * mt_unit_chain_hum(&d->chain, frame);
  case MT_SIMULATED_CLIP: return fmin(fmax(value, -ratio), ratio);
  case MT_SIMULATED_LOSE:
  case MT_SIMULATED_REPEAT: break;
  }
  return value;
}

static void spoil_frames(delivery *d, size_t nframes)
{
  for (size_t i = 0; i < d->unit->ndropouts; i++) {
    const mt_simulated_dropout *drop = &d->unit->dropouts[i];
    size_t begin = (size_t)llround(drop->at_s * d->request->rate_hz), end = begin + drop->nframes;
    if (moves_time(drop) || end <= d->delivered || begin >= d->delivered + nframes)
      continue;
    for (size_t n = 0; n < nframes; n++)
      for (size_t c = 0; c < 2; c++)
        if (drop->channel[c] && d->delivered + n >= begin && d->delivered + n < end)
          d->frames[2 * n + c] = spoil(d, drop, d->frames[2 * n + c], d->delivered + n);
  }
}

/* The last step: to the numbers a converter of that many bits can give, or to float. */
static void quantise_frames(delivery *d, size_t nframes)
{
  double steps = ldexp(1.0, (int)d->unit->bits - 1); /* of 1 LSB up to full scale */

  for (size_t i = 0; i < 2 * nframes; i++) {
    double x = d->frames[i];
    if (d->unit->bits > 0) {
      x = rint(x * steps + mt_random_triangular(&d->dither[i % 2]));
      x = fmin(fmax(x, -steps), steps - 1.0) / steps;
    }
    d->out[i] = (float)x;
  }
}

static mt_code deliver_frames(delivery *d, size_t nframes, mt_error *err)
{
  mt_code code;

  spoil_frames(d, nframes);
  quantise_frames(d, nframes);
  code = d->sink->block(d->sink->ctx, d->out, nframes, err);
  d->delivered += nframes;
  if (code == MT_OK && d->request->progress != NULL)
    d->request->progress(d->request->progress_ctx, (double)d->delivered / (double)d->total);
  return code;
}

static bool has_enough(const delivery *d)
{
  return d->sink->has_enough != NULL && d->sink->has_enough(d->sink->ctx);
}

static mt_code deliver_run(delivery *d, const run *r, mt_error *err)
{
  size_t frame_bytes = 2 * sizeof(double);

  if (r->keep) {
    double *grown = realloc(d->kept, r->nframes * frame_bytes);
    if (grown == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu repeated frames", r->nframes);
    d->kept = grown;
  }
  while (!r->again && d->chain.next_frame < r->first) { /* lost frames still pass through the unit */
    uint64_t ahead = r->first - d->chain.next_frame;
    mt_unit_chain_render(&d->chain, ahead < MT_UNIT_BLOCK ? (size_t)ahead : MT_UNIT_BLOCK, d->frames);
  }
  for (size_t done = 0; done < r->nframes && d->delivered < d->total && !has_enough(d);) {
    size_t nframes = r->nframes - done;
    mt_code code;
    if (nframes > MT_UNIT_BLOCK)
      nframes = MT_UNIT_BLOCK;
    if (nframes > d->total - d->delivered)
      nframes = d->total - d->delivered;
    if (r->again)
      memcpy(d->frames, d->kept + 2 * done, nframes * frame_bytes);
    else
      mt_unit_chain_render(&d->chain, nframes, d->frames);
    if (r->keep)
      memcpy(d->kept + 2 * done, d->frames, nframes * frame_bytes);
    code = deliver_frames(d, nframes, err);
    if (code != MT_OK)
      return code;
    done += nframes;
  }
  return MT_OK;
}

static void start_random(delivery *d, uint64_t noise_seed[2])
{
  mt_random seeds;

  /* streams of their own, so that noise on one channel does not change the other's or the dither */
  mt_random_init(&seeds, d->unit->seed);
  for (size_t c = 0; c < 2; c++) {
    noise_seed[c] = mt_random_bits(&seeds);
    mt_random_init(&d->dither[c], mt_random_bits(&seeds));
  }
}

mt_code mt_simulate_run(const mt_simulated_unit *unit, const mt_audio_request *request,
                        const mt_audio_sink *sink, mt_error *err)
{
  delivery *d;
  uint64_t noise_seed[2];
  mt_code code = check_request(request, err);

  if (code == MT_OK)
    code = check_unit(unit, request->rate_hz, err);
  if (code != MT_OK)
    return code;
  d = calloc(1, sizeof *d);
  if (d == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the simulated unit");
  d->unit = unit;
  d->request = request;
  d->sink = sink;
  d->total = (size_t)llround(request->duration_s * request->rate_hz);
  start_random(d, noise_seed);
  mt_unit_chain_init(&d->chain, unit, request->source, request->rate_hz, d->played, noise_seed);
  code = lay_out_runs(d, request->rate_hz, err);
  if (code == MT_OK)
    code = sink->begin(sink->ctx, request->rate_hz, 2, true, err);
  for (size_t i = 0; code == MT_OK && i < d->nruns && !has_enough(d); i++)
    code = deliver_run(d, &d->runs[i], err);
  free(d->kept);
  free(d);
  return code;
}

mt_code mt_simulate_run_file(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err)
{
  mt_simulated_unit unit;
  mt_code code;

  if (request->input == NULL)
    return mt_fail(err, MT_E_ARG, "the simulated unit needs the path of its description");
  code = mt_simulate_open_state(request->input, request->state, &unit, err);
  if (code != MT_OK)
    return code;
  if (unit.load_ohm <= 0.0 && isfinite(request->load_ohm))
    unit.load_ohm = request->load_ohm;
  return mt_simulate_run(&unit, request, sink, err);
}
