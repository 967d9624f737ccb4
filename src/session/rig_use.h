/** @file rig_use.h  A stored rig while a take is made and read with it. */
#ifndef SESSION_RIG_USE_H
#define SESSION_RIG_USE_H

#include <mendtone/session.h>

#define MT_SIMULATED_API "simulated"

/** Zero it before mt_rig_use_open(); finish it whatever that returned. */
typedef struct mt_rig_in_use {
  mt_rig *rig; /**< NULL: none was asked for */
  mt_rig_use use;
  char input[220]; /**< "HOST API: NAME" to open, "" for none */
  char output[220];
  mt_curve loop[MT_RIG_CHANNELS];
} mt_rig_in_use;

/**
 * Open the rig that the options name, if any.
 *
 * @param is_live  a take is being made: its devices are those of the rig unless others were said.
 */
mt_code mt_rig_use_open(const mt_session_options *options, bool is_live, mt_rig_in_use *out, mt_error *err);

/** Prepare what is taken off a response captured at this rate. Nothing without a rig. */
mt_code mt_rig_use_prepare(mt_rig_in_use *rig, double rate_hz, mt_error *err);
void mt_rig_use_finish(mt_rig_in_use *rig);

#endif
