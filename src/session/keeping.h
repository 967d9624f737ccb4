/** @file keeping.h  A take is kept while it is made, and what becomes of it when that, or the take, fails. */
#ifndef SESSION_KEEPING_H
#define SESSION_KEEPING_H

#include <mendtone/audio.h>
#include <mendtone/capture.h>
#include <mendtone/results.h>
#include <mendtone/session.h>

typedef struct mt_keeping {
  const char *path; /* NULL: nowhere */
  bool asked;       /* for that file; else it is only in case of an accident */
  mt_audio_writer *writer;
  size_t nframes;                    /* that were captured */
  mt_error problem;                  /* why not all of them are in the file */
  const mt_session_options *options; /* whom to tell what arrives */
  double rate_hz;
  unsigned nchannels;
  double squares[2]; /* since it was told last */
  size_t nsquares;
} mt_keeping;

/**
 * Run a back end into a take, and into a file meanwhile.
 *
 * A file that cannot be created ends the run if it was asked for. One that cannot be written on does not: the take
 * is made to its end in memory, and mt_keeping_finish() says it.
 *
 * @return as mt_capture_run(). Where frames came before it failed, the message says in which file they are.
 */
mt_code mt_keeping_run(const mt_session_options *options, const mt_audio_backend *backend,
                       const mt_audio_request *request, mt_keeping *out, mt_take **take, mt_error *err);

/** The same of what is listened to: from the start mark of a run on it is in the file. */
mt_code mt_keeping_listen(const mt_session_options *options, const mt_audio_backend *backend,
                          const mt_audio_request *request, const mt_listening *listening, mt_keeping *out,
                          mt_take **take, mt_error *err);

/** Give the file its name. If that fails the take is written elsewhere, and `results` (may be NULL) say so. */
void mt_keeping_finish(mt_keeping *keeping, const mt_session_options *options, const mt_take *take,
                       mt_results *results);

/** The same for a take that will be taken again: "NAME.spoilt.wav" if it was to be kept. */
void mt_keeping_set_aside(mt_keeping *keeping, mt_results *results);

#endif
