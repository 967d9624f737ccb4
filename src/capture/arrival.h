/** @file arrival.h  When exactly a mark begins on one channel of a take. */
#ifndef CAPTURE_ARRIVAL_H
#define CAPTURE_ARRIVAL_H

#include <mendtone/stimulus.h>
#include <mendtone/take.h>

#include "signal/transform.h"

/** One mark on one channel. */
typedef struct mt_arrival {
  double frame;          /**< where the mark's time 0 falls, fractional */
  double share;          /**< both chirps' share of the energy in the marks' band, 0 ... 1 */
  double gain[4];        /**< of the cosine and sine part of the upward, then of the downward chirp */
  double variance_frame; /**< of `frame` at a known clock offset, frames squared, by what chirps leave */
  double variance_apart; /**< of the noise alone, without what both marks of a take have in common */
  double frame_of_e;     /**< by how many frames a clock offset too high by 1 would move `frame` */
} mt_arrival;

/**
 * Have the frames at hand in which a mark near `frame` is looked for: before any of the functions below, each
 * of which sees but these.
 */
mt_code mt_arrival_look(mt_take_view *view, const mt_segment *mark, double frame, mt_error *err);

/**
 * Judge a sighting by the whole band, and come within a frame or so of where the mark begins.
 *
 * The mark is looked for from -0.5 to +0.5 ms around `frame`, at clock offsets from -1500 to +1500 ppm.
 * In noise the share exceeds s with probability (1 + s B T) exp(-s B T) for each of some 60 independent
 * trials, B T = 2175 and 2610 for the default marks.
 *
 * @param transform  of at least as many points as the mark has frames; `npoints` is its length.
 * @return MT_OK; MT_E_MEMORY. `out` has frame and share.
 */
mt_code mt_arrival_judge(const mt_take_view *view, unsigned channel, const mt_segment *mark, double frame,
                         mt_transform *transform, size_t npoints, mt_arrival *out, mt_error *err);

/**
 * One step of Gauss and Newton towards the least-squares fit of both chirps, with gains of their own
 * and one common time, to the samples; the chirps are rendered at clock offset e as functions of time.
 *
 * @param part  of the step that is taken: 1, or less where whole steps go to and fro.
 * @param io    frame and gains; gains of 0 are found first.
 * @return the whole step of `frame`; 0 if the gains had to be found. NaN never.
 */
double mt_arrival_step(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                       double part, mt_arrival *io);

/**
 * Fill variance_frame and frame_of_e once the steps have come to rest.
 *
 * From the residual's score on the time, piece by piece of the mark: what changes from piece to piece
 * is noise, of any colour; what changes slowly is the unit's own response, alike in both marks.
 */
void mt_arrival_assess(const mt_take_view *view, unsigned channel, const mt_segment *mark, double e,
                       mt_arrival *io);

#endif
