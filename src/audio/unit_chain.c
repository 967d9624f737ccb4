#include "audio/unit_chain.h"

#include "audio/unit_volume.h"

#include "base/decibel.h"

#include <assert.h>
#include <complex.h>
#include <math.h>
#include <string.h>

#define HUM_ORDERS 5
#define HUM_STEP_DB 10.0
/* A drift of 1000 ppm/s bends so many frames by 1e-9 of a second over 8 */
#define DRIFTING_FRAMES 64

static const mt_unit_filter pass_through = {{1.0, 0.0, 0.0}, {0.0, 0.0}, {0.0, 0.0}};

/* s / (s + wc) by s = (1 - z^-1) / (1 + z^-1), with wc = tan(pi fc / rate) so that the corner stays put */
static mt_unit_filter high_pass_filter(double corner_hz, double rate_hz)
{
  double corner = tan(MT_PI * corner_hz / rate_hz);
  double b0 = 1.0 / (1.0 + corner);
  mt_unit_filter filter = {{b0, -b0, 0.0}, {(corner - 1.0) * b0, 0.0}, {0.0, 0.0}};
  return filter;
}

/* Audio EQ Cookbook, lowShelf with shelf slope S = 1: alpha = sin(w0)/2 sqrt(2) */
static mt_unit_filter low_shelf_filter(double shelf_db, double shelf_hz, double rate_hz)
{
  double amp = pow(10.0, shelf_db / 40.0);
  double w0 = 2.0 * MT_PI * shelf_hz / rate_hz;
  double c = cos(w0);
  double bend = 2.0 * sqrt(amp) * sin(w0) / 2.0 * sqrt(2.0);
  double a0 = (amp + 1.0) + (amp - 1.0) * c + bend;
  mt_unit_filter filter = {
      {amp * ((amp + 1.0) - (amp - 1.0) * c + bend) / a0, 2.0 * amp * ((amp - 1.0) - (amp + 1.0) * c) / a0,
       amp * ((amp + 1.0) - (amp - 1.0) * c - bend) / a0},
      {-2.0 * ((amp - 1.0) + (amp + 1.0) * c) / a0, ((amp + 1.0) + (amp - 1.0) * c - bend) / a0},
      {0.0, 0.0}};
  return filter;
}

void mt_unit_filters(const mt_simulated_channel *channel, double rate_hz, mt_unit_filter *high_pass,
                     mt_unit_filter *shelf)
{
  *high_pass = pass_through;
  *shelf = pass_through;
  if (channel->high_pass_hz > 0.0)
    *high_pass = high_pass_filter(channel->high_pass_hz, rate_hz);
  if (channel->shelf_db < 0.0 || channel->shelf_db > 0.0)
    *shelf = low_shelf_filter(channel->shelf_db, channel->shelf_hz, rate_hz);
}

/* The load with the sound card's input parallel to it; HUGE_VAL: open. */
static double load_of(const mt_simulated_unit *unit)
{
  double conductance = (unit->load_ohm > 0.0 ? 1.0 / unit->load_ohm : 0.0) +
                       (unit->input_ohm > 0.0 ? 1.0 / unit->input_ohm : 0.0);
  return conductance > 0.0 ? 1.0 / conductance : HUGE_VAL;
}

mt_unit_output mt_unit_load(const mt_simulated_unit *unit)
{
  mt_unit_output out = {.own = {1.0, 1.0}, .peak = {HUGE_VAL, HUGE_VAL}};
  double load = load_of(unit), g[2], lift;

  if (isinf(load))
    return out;
  for (unsigned c = 0; c < 2; c++)
    g[c] = 1.0 / (unit->channel[c].output_ohm + load);
  lift = unit->return_ohm / (1.0 + unit->return_ohm * (g[0] + g[1]));
  for (unsigned c = 0; c < 2; c++) {
    const mt_simulated_channel *channel = &unit->channel[c];
    out.own[c] = load * g[c] * (1.0 - lift * g[c]);
    out.cross[c] = -load * g[c] * lift * g[1 - c];
    if (channel->output_uf > 0.0)
      out.corner_hz[c] = g[c] / (2.0 * MT_PI * 1e-6 * channel->output_uf);
    if (channel->current_limit > 0.0)
      out.peak[c] = channel->current_limit * load;
  }
  return out;
}

static mt_unit_filter capacitor_filter(const mt_unit_output *output, unsigned channel, double rate_hz)
{
  return output->corner_hz[channel] > 0.0 ? high_pass_filter(output->corner_hz[channel], rate_hz)
                                          : pass_through;
}

static double complex filter_response(const mt_unit_filter *filter, double complex z1)
{
  return (filter->b[0] + z1 * (filter->b[1] + z1 * filter->b[2])) /
         (1.0 + z1 * (filter->a[0] + z1 * filter->a[1]));
}

static double complex channel_response(const mt_simulated_unit *unit, unsigned channel, double rate_hz,
                                       double freq_hz)
{
  const mt_simulated_channel *c;
  mt_unit_filter high_pass, shelf, capacitor;
  mt_unit_output output = mt_unit_load(unit);
  double w = 2.0 * MT_PI * freq_hz / rate_hz;
  double complex z1 = cos(w) - sin(w) * (double complex)I; /* one sample later */

  assert(channel < 2 && rate_hz > 0.0);
  c = &unit->channel[channel];
  if (c->mute)
    return 0.0;
  mt_unit_filters(c, rate_hz, &high_pass, &shelf);
  capacitor = capacitor_filter(&output, channel, rate_hz);
  return mt_ratio_of_db(c->gain_db) * c->poly[0] * (c->invert ? -1.0 : 1.0) * output.own[channel] *
         filter_response(&high_pass, z1) * filter_response(&shelf, z1) * filter_response(&capacitor, z1);
}

double mt_simulate_gain_db(const mt_simulated_unit *unit, unsigned channel, double rate_hz, double freq_hz)
{
  return mt_db_of_ratio(cabs(channel_response(unit, channel, rate_hz, freq_hz)));
}

double mt_simulate_phase_deg(const mt_simulated_unit *unit, unsigned channel, double rate_hz, double freq_hz)
{
  return carg(channel_response(unit, channel, rate_hz, freq_hz)) * (180.0 / MT_PI);
}

void mt_unit_chain_init(mt_unit_chain *chain, const mt_simulated_unit *unit, const mt_audio_source *source,
                        double rate_hz, double *played, const uint64_t noise_seed[2])
{
  memset(chain, 0, sizeof *chain);
  chain->unit = unit;
  chain->source = source;
  chain->rate_hz = rate_hz;
  chain->played = played;
  chain->output = mt_unit_load(unit);
  for (unsigned c = 0; c < 2; c++) {
    const mt_simulated_channel *channel = &unit->channel[c];
    chain->gain_ratio[c] = mt_ratio_of_db(channel->gain_db);
    chain->crosstalk_ratio[c] = mt_ratio_of_db(channel->crosstalk_db); /* 0 for -INFINITY */
    chain->hum_amplitude[c] = mt_ratio_of_db(channel->hum_dbfs);
    /* 0 dBFS is the RMS of a full-scale sine */
    chain->noise_rms[c] = mt_ratio_of_db(channel->noise_dbfs) * sqrt(0.5);
    mt_unit_filters(channel, rate_hz, &chain->high_pass[c], &chain->shelf[c]);
    chain->capacitor[c] = capacitor_filter(&chain->output, c, rate_hz);
    mt_random_init(&chain->noise[c], noise_seed[c]);
    mt_random_init(&chain->scratch[c], ~noise_seed[c]);
  }
}

/* Source time at a frame of the recorder's. */
static double source_time(const mt_unit_chain *chain, double frame)
{
  double t = frame / chain->rate_hz;
  return t * (1.0 + 1e-6 * (chain->unit->clock_offset_ppm + 0.5 * chain->unit->clock_drift_ppm_per_s * t)) -
         chain->unit->delay_s;
}

/* The source as a mixer passes it on: its samples at the mixer's rate, joined by straight lines. */
static void render_mixed(const mt_unit_chain *chain, double t0_s, double dt_s, size_t nframes, double *out)
{
  const mt_audio_source *source = chain->source;
  double rate_hz = chain->unit->mixer_rate_hz, pair[2 * MT_UNIT_SOURCE_CHANNELS_MAX];
  unsigned step = source->nchannels;

  for (size_t n = 0; n < nframes; n++) {
    double place = (t0_s + (double)n * dt_s) * rate_hz, before = floor(place);
    source->render(source->ctx, before / rate_hz, 1.0 / rate_hz, 2, pair);
    for (unsigned c = 0; c < step; c++)
      out[n * step + c] = pair[c] + (place - before) * (pair[step + c] - pair[c]);
  }
}

/* The source at the moments the recorder samples. */
static void render_source(mt_unit_chain *chain, size_t nframes)
{
  /* the renderer knows straight time only: of a clock that drifts, pieces so short that nothing is left of it */
  size_t piece = chain->unit->clock_drift_ppm_per_s < 0.0 || chain->unit->clock_drift_ppm_per_s > 0.0
                     ? DRIFTING_FRAMES
                     : MT_UNIT_BLOCK;

  for (size_t done = 0; done < nframes; done += piece) {
    size_t count = nframes - done < piece ? nframes - done : piece;
    double first = (double)(chain->next_frame + done), t0_s = source_time(chain, first);
    double dt_s = (source_time(chain, first + (double)count) - t0_s) / (double)count;
    double *out = chain->played + done * chain->source->nchannels;
    if (piece == MT_UNIT_BLOCK)
      dt_s = (1.0 + chain->unit->clock_offset_ppm * 1e-6) / chain->rate_hz;
    if (chain->unit->mixer_rate_hz > 0.0)
      render_mixed(chain, t0_s, dt_s, count, out);
    else
      chain->source->render(chain->source->ctx, t0_s, dt_s, count, out);
  }
}

/* The same as the unit's two inputs. */
static void render_inputs(mt_unit_chain *chain, size_t nframes, double *out)
{
  const mt_simulated_unit *unit = chain->unit;
  unsigned step;

  if (chain->source == NULL) {
    memset(out, 0, nframes * 2 * sizeof *out);
    return;
  }
  step = chain->source->nchannels;
  render_source(chain, nframes);
  for (size_t n = 0; n < nframes; n++) {
    double left = chain->played[n * step];
    double right = chain->played[n * step + (step > 1 ? 1 : 0)];
    if (unit->sum)
      left = right = 0.5 * (left + right);
    out[2 * n] = unit->swap ? right : left;
    out[2 * n + 1] = unit->swap ? left : right;
  }
}

static double filter_step(mt_unit_filter *filter, double x)
{
  double y = filter->b[0] * x + filter->state[0];
  filter->state[0] = filter->b[1] * x - filter->a[0] * y + filter->state[1];
  filter->state[1] = filter->b[2] * x - filter->a[1] * y;
  return y;
}

/* what rings on in silence would end as denormal numbers, which are slow; 1e-60 is 900 dB below a float */
static void filter_settle(mt_unit_filter *filter)
{
  for (size_t i = 0; i < 2; i++)
    if (fabs(filter->state[i]) < 1e-60)
      filter->state[i] = 0.0;
}

static void pass_channel(mt_unit_chain *chain, unsigned c, size_t nframes, double *frames)
{
  const mt_simulated_channel *channel = &chain->unit->channel[c];
  const double *poly = channel->poly;
  double sign = channel->mute ? 0.0 : channel->invert ? -1.0 : 1.0;

  for (size_t n = 0; n < nframes; n++) {
    double x = frames[2 * n + c] * chain->gain_ratio[c];
    x *= poly[0] + x * (poly[1] + x * (poly[2] + x * (poly[3] + x * poly[4])));
    if (channel->dead_zone > 0.0)
      x = copysign(fmax(fabs(x) - channel->dead_zone, 0.0), x);
    if (channel->clip > 0.0)
      x = fmin(fmax(x, -channel->clip), channel->clip);
    x = filter_step(&chain->high_pass[c], x);
    x = filter_step(&chain->shelf[c], x);
    x = filter_step(&chain->capacitor[c], x);
    frames[2 * n + c] = sign * x;
  }
  filter_settle(&chain->high_pass[c]);
  filter_settle(&chain->shelf[c]);
  filter_settle(&chain->capacitor[c]);
}

static void pass_outputs(const mt_unit_chain *chain, size_t nframes, double *frames)
{
  const mt_unit_output *o = &chain->output;

  for (size_t n = 0; n < nframes; n++) {
    double e[2] = {frames[2 * n], frames[2 * n + 1]};
    for (unsigned c = 0; c < 2; c++)
      frames[2 * n + c] = fmin(fmax(o->own[c] * e[c] + o->cross[c] * e[1 - c], -o->peak[c]), o->peak[c]);
  }
}

double mt_unit_chain_hum(const mt_unit_chain *chain, uint64_t frame)
{
  double cycles = fmod(chain->unit->hum_hz * ((double)frame / chain->rate_hz), 1.0);
  double sum = 0.0;

  for (int k = 1; k <= HUM_ORDERS; k++)
    if (k * chain->unit->hum_hz < 0.5 * chain->rate_hz)
      sum += mt_ratio_of_db(-HUM_STEP_DB * (k - 1)) * sin(2.0 * MT_PI * cycles * k);
  return sum;
}

static void add_outside(mt_unit_chain *chain, size_t nframes, double *frames)
{
  bool has_hum = chain->hum_amplitude[0] > 0.0 || chain->hum_amplitude[1] > 0.0;

  for (size_t n = 0; n < nframes; n++) {
    double own[2] = {frames[2 * n], frames[2 * n + 1]};
    double hum = has_hum ? mt_unit_chain_hum(chain, chain->next_frame + n) : 0.0;
    for (unsigned c = 0; c < 2; c++) {
      double y = own[c] + chain->crosstalk_ratio[c] * own[1 - c];
      y += chain->hum_amplitude[c] * hum + chain->unit->channel[c].dc;
      if (chain->noise_rms[c] > 0.0)
        y += chain->noise_rms[c] * mt_random_normal(&chain->noise[c]);
      frames[2 * n + c] = y;
    }
  }
}

void mt_unit_chain_render(mt_unit_chain *chain, size_t nframes, double *out)
{
  bool is_turned = chain->unit->volume.range_db > 0.0;

  assert(nframes <= MT_UNIT_BLOCK);
  render_inputs(chain, nframes, out);
  if (is_turned)
    mt_unit_volume_pass(&chain->unit->volume, chain->rate_hz, chain->next_frame, nframes, out);
  pass_channel(chain, 0, nframes, out);
  pass_channel(chain, 1, nframes, out);
  pass_outputs(chain, nframes, out);
  add_outside(chain, nframes, out);
  if (is_turned)
    mt_unit_volume_scratch(&chain->unit->volume, chain->rate_hz, chain->next_frame, chain->scratch, nframes,
                           out);
  chain->next_frame += nframes;
}
