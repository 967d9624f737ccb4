#include <mendtone/capture.h>

#include <stdint.h>

static void render(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  mt_stimulus_render(ctx, t0_s, dt_s, nframes, out);
}

mt_audio_source mt_capture_source(const mt_stimulus *stimulus)
{
  /* render() gives the stimulus back its const; the table's context is shared with sources that write theirs */
  return (mt_audio_source){
      .render = render,
      .ctx = (void *)(uintptr_t)stimulus,
      .nchannels = MT_STIMULUS_CHANNELS,
      .duration_s = stimulus->duration_s,
  };
}
