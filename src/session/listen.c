/* Listen to a player that plays the stimulus by itself. */
#include <mendtone/session.h>

#include "base/text.h"
#include "session/keeping.h"
#include "session/read.h"
#include "session/session.h"

#include <math.h>

/* A phone with the file of the stimulus: what a simulated unit is fed with. */
static void render_player(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  const mt_stimulus *stimulus = ctx;

  t0_s -= MT_LEAD_IN_S;
  mt_stimulus_render(stimulus, t0_s, dt_s, nframes, out);
  for (size_t i = 0; i < nframes * MT_STIMULUS_CHANNELS; i++)
    out[i] +=
        mt_stimulus_sample_lead_in(stimulus, MT_LEAD_IN_S, t0_s + (double)(i / MT_STIMULUS_CHANNELS) * dt_s);
}

/* The longest layout there is, and what a slow clock and the search add. */
static double longest_run_s(const mt_stimulus *expected)
{
  mt_stimulus longest;

  if (mt_stimulus_init(expected->rate_hz, expected->level_dbfs, MT_EXTRAS_ALL, (double)NAN, &longest, NULL) !=
      MT_OK)
    longest = *expected;
  return longest.duration_s + MT_SESSION_AFTER_S;
}

mt_code mt_session_listen(const mt_session_options *options, mt_results **out, mt_error *err)
{
  const mt_audio_backend *backend =
      mt_audio_find_backend(options->simulate != NULL ? "simulate" : "portaudio");
  mt_audio_request request = {0};
  mt_audio_source source;
  mt_listening listening = {
      .tell = options->tell, .is_stopped = options->is_stopped, .ctx = options->listen_ctx};
  mt_stimulus stimulus;
  mt_rig_in_use rig = {0};
  mt_keeping keeping;
  mt_results *results = NULL;
  mt_take *take = NULL;
  mt_code code = mt_session_stimulus(options, &stimulus, err);

  if (code == MT_OK)
    code = mt_rig_use_open(options, true, &rig, err);
  if (code != MT_OK) {
    mt_rig_use_finish(&rig);
    return code;
  }
  source =
      (mt_audio_source){render_player, &stimulus, MT_STIMULUS_CHANNELS, MT_LEAD_IN_S + stimulus.duration_s};
  request.input = options->simulate != NULL ? options->simulate : options->input;
  if (rig.input[0] != '\0')
    request.input = rig.input;
  request.rate_hz = stimulus.rate_hz;
  request.state = options->state;
  request.load_ohm =
      options->plan != NULL ? mt_plan_load(options->plan, mt_session_plan_state(options)) : 0.0;
  request.source = options->simulate != NULL ? &source : NULL;
  listening.stimulus = &stimulus;
  listening.longest_s = longest_run_s(&stimulus);
  listening.wait_s = options->wait_s > 0.0 ? options->wait_s : MT_DEFAULT_WAIT_S;
  if (options->save_take == NULL && options->rescue_take != NULL)
    mt_audio_writer_forget(options->rescue_take); /* of accidents only the latest is kept */
  code = mt_keeping_listen(options, backend, &request, &listening, &keeping, &take, err);
  if (code == MT_OK) {
    if (options->save_take != NULL)
      mt_text_copy(take->file, sizeof take->file, options->save_take);
    mt_session_keep_pair(take);
    code = mt_session_read_recorded(&take, options, &rig, &results, err);
    mt_keeping_finish(&keeping, options, take, results);
  }
  mt_rig_use_finish(&rig);
  mt_take_destroy(&take);
  if (code == MT_OK)
    *out = results;
  return code;
}
