#include "session/keeping.h"

#include <mendtone/capture.h>

#include "base/decibel.h"
#include "base/text.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#define HEAR_S 0.1
#define HEAR_LEAST 1e-14 /* -140 dBFS */

static mt_code begin_file(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  mt_keeping *k = ctx;
  mt_error problem = {0};
  mt_code code;

  (void)play_aligned;
  k->rate_hz = rate_hz;
  k->nchannels = nchannels;
  if (k->path == NULL)
    return MT_OK;
  if (k->writer != NULL) {
    /* of a player's run that broke off: another begins, which is the one that counts */
    unlink(mt_audio_writer_file(k->writer));
    mt_audio_writer_abandon(&k->writer);
    k->nframes = 0;
  }
  code = mt_audio_writer_open(k->path, rate_hz, nchannels, &k->writer, &problem);
  return code == MT_OK || !k->asked ? MT_OK : mt_fail(err, code, "%s", problem.message);
}

static void hear(mt_keeping *k, const float *frames, size_t nframes)
{
  for (size_t i = 0; i < nframes; i++) {
    const float *frame = frames + i * k->nchannels;
    k->squares[0] += (double)frame[0] * (double)frame[0];
    k->squares[1] += (double)frame[k->nchannels > 1] * (double)frame[k->nchannels > 1];
    if (++k->nsquares >= (size_t)(HEAR_S * k->rate_hz)) {
      double level_dbfs[2];
      for (int c = 0; c < 2; c++)
        level_dbfs[c] = mt_db_of_power(2.0 * k->squares[c] / (double)k->nsquares + HEAR_LEAST);
      k->options->hear(k->options->hear_ctx, (double)(k->nframes + i + 1) / k->rate_hz, level_dbfs);
      k->squares[0] = k->squares[1] = 0.0;
      k->nsquares = 0;
    }
  }
}

static mt_code append_block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  mt_keeping *k = ctx;

  (void)err; /* a full disk is no reason to lose what is still to come */
  if (k->options->hear != NULL && k->nchannels > 0)
    hear(k, frames, nframes);
  k->nframes += nframes;
  if (k->writer != NULL && k->problem.code == MT_OK)
    mt_audio_writer_append(k->writer, frames, nframes, &k->problem);
  return MT_OK;
}

static void begin(const mt_session_options *options, mt_keeping *out)
{
  *out = (mt_keeping){.asked = options->save_take != NULL, .options = options};
  out->path = out->asked ? options->save_take : options->simulate == NULL ? options->rescue_take : NULL;
}

/* A take that failed: what of it is where. */
static mt_code give_up(mt_keeping *keeping, double rate_hz, mt_code code, const mt_error *failure,
                       mt_error *err)
{
  if (keeping->writer != NULL && mt_audio_writer_nframes(keeping->writer) > 0)
    mt_fail(err, code, "%.140s; %.2f s of it are kept in %.80s", failure->message,
            (double)mt_audio_writer_nframes(keeping->writer) / rate_hz,
            mt_audio_writer_file(keeping->writer));
  else
    mt_fail(err, code, "%s", failure->message);
  mt_audio_writer_abandon(&keeping->writer);
  return code;
}

mt_code mt_keeping_listen(const mt_session_options *options, const mt_audio_backend *backend,
                          const mt_audio_request *request, const mt_listening *listening, mt_keeping *out,
                          mt_take **take, mt_error *err)
{
  const mt_audio_sink tap = {begin_file, append_block, NULL, out, NULL};
  mt_listening tapped = *listening;
  mt_error failure = {0};
  mt_code code;

  begin(options, out);
  tapped.tap = &tap;
  code = mt_capture_listen(backend, request, &tapped, take, &failure);
  return code == MT_OK ? MT_OK : give_up(out, request->rate_hz, code, &failure, err);
}

mt_code mt_keeping_run(const mt_session_options *options, const mt_audio_backend *backend,
                       const mt_audio_request *request, mt_keeping *out, mt_take **take, mt_error *err)
{
  const mt_audio_sink tap = {begin_file, append_block, NULL, out, NULL};
  mt_audio_request tapped = *request;
  mt_error failure = {0};
  mt_code code;

  begin(options, out);
  tapped.tap = &tap;
  code = mt_capture_run(backend, &tapped, take, &failure);
  return code == MT_OK ? MT_OK : give_up(out, request->rate_hz, code, &failure, err);
}

/* From memory to the place for accidents. */
static void rescue(const mt_keeping *k, const mt_error *why, const mt_session_options *options,
                   const mt_take *take, mt_results *results)
{
  char part[160];
  const char *elsewhere = options->rescue_take;

  if (elsewhere != NULL && mt_audio_write_file(elsewhere, take->samples, take->nframes, take->nchannels,
                                               take->rate_hz, MT_SAMPLE_FLOAT, NULL) == MT_OK) {
    snprintf(results->not_kept, sizeof results->not_kept, "%.130s; the take is in %.90s instead",
             why->message, elsewhere);
    mt_text_copy(results->file, sizeof results->file, elsewhere);
    return;
  }
  mt_text_copy(part, sizeof part, mt_audio_writer_file(k->writer));
  snprintf(results->not_kept, sizeof results->not_kept, "%.130s; what could be written is in %.90s",
           why->message, part);
  results->file[0] = '\0';
}

void mt_keeping_finish(mt_keeping *keeping, const mt_session_options *options, const mt_take *take,
                       mt_results *results)
{
  mt_error why = keeping->problem;

  if (keeping->writer == NULL)
    return;
  if (why.code == MT_OK && mt_audio_writer_close(&keeping->writer, &why) == MT_OK)
    return;
  if (keeping->asked && results != NULL)
    rescue(keeping, &why, options, take, results);
  mt_audio_writer_abandon(&keeping->writer);
}

void mt_keeping_set_aside(mt_keeping *keeping, mt_results *results)
{
  char path[4096];
  size_t length;

  if (results != NULL)
    results->file[0] = '\0';
  if (keeping->writer == NULL)
    return;
  length = strlen(keeping->path);
  if (keeping->asked && length + 32 < sizeof path) {
    if (length > 4 && strcasecmp(keeping->path + length - 4, ".wav") == 0)
      length -= 4;
    snprintf(path, sizeof path, "%.*s.spoilt.wav", (int)length, keeping->path);
    if (mt_audio_writer_close_as(&keeping->writer, path, NULL) == MT_OK && results != NULL)
      mt_text_copy(results->file, sizeof results->file, path);
  }
  mt_audio_writer_abandon(&keeping->writer);
}
