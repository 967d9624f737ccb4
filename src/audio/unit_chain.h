/** @file unit_chain.h  What a simulated unit does to a signal, sample by sample, before the capture side. */
#ifndef AUDIO_UNIT_CHAIN_H
#define AUDIO_UNIT_CHAIN_H

#include "base/random.h"

#include <mendtone/simulate.h>

/** Frames a chain renders at a time. */
#define MT_UNIT_BLOCK 2048
#define MT_UNIT_SOURCE_CHANNELS_MAX 2

/** y = b0 x + b1 x1 + b2 x2 - a1 y1 - a2 y2, in transposed direct form II. */
typedef struct mt_unit_filter {
  double b[3];
  double a[2];
  double state[2];
} mt_unit_filter;

/** The outputs into their load: V[c] = own[c] E[c] + cross[c] E[1 - c], cut off at +-peak[c]. */
typedef struct mt_unit_output {
  double corner_hz[2]; /**< of the capacitor; 0: none */
  double own[2];
  double cross[2];
  double peak[2]; /**< HUGE_VAL: none */
} mt_unit_output;

/** Running state of one run. Borrows the unit and the source. */
typedef struct mt_unit_chain {
  const mt_simulated_unit *unit;
  const mt_audio_source *source; /**< NULL: silence */
  double rate_hz;
  uint64_t next_frame; /**< of the recorder's time, counted before anything is lost or repeated */
  double gain_ratio[2];
  double crosstalk_ratio[2];
  double hum_amplitude[2];
  double noise_rms[2];
  mt_unit_filter high_pass[2];
  mt_unit_filter shelf[2];
  mt_unit_output output;
  mt_unit_filter capacitor[2];
  mt_random noise[2];
  mt_random scratch[2];
  double *played; /**< [MT_UNIT_BLOCK x source channels], lent by the caller */
} mt_unit_chain;

/** What the outputs make of their load. */
mt_unit_output mt_unit_load(const mt_simulated_unit *unit);

/** The filters of a channel before its output; a pass-through where it has none. */
void mt_unit_filters(const mt_simulated_channel *channel, double rate_hz, mt_unit_filter *high_pass,
                     mt_unit_filter *shelf);

/** Start at recorder time 0. `noise_seed`: one per channel. */
void mt_unit_chain_init(mt_unit_chain *chain, const mt_simulated_unit *unit, const mt_audio_source *source,
                        double rate_hz, double *played, const uint64_t noise_seed[2]);

/** The mains line of amplitude 1 with its orders 2 to 5, at one frame. */
double mt_unit_chain_hum(const mt_unit_chain *chain, uint64_t frame);

/** The next frames, at most MT_UNIT_BLOCK, two channels interleaved. */
void mt_unit_chain_render(mt_unit_chain *chain, size_t nframes, double *out);

#endif
