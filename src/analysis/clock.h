/** @file clock.h  The player's clock against the recorder's, from the tones and from the marks. */
#ifndef ANALYSIS_CLOCK_H
#define ANALYSIS_CLOCK_H

#include "analysis/workspace.h"

/**
 * Settle the workspace's clock offset: the weighted mean of all strong tones, the marks' distance where
 * no tone is strong. Marks and tones that disagree by a third of a frame or more prove that frames were
 * lost or repeated somewhere between the marks: then the whole take is spoilt. So is a channel whose level at the
 * last mark is another than at the first.
 */
mt_code mt_clock_settle(mt_workspace *ws, mt_error *err);

#endif
