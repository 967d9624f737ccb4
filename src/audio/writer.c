/*
 * A recording written while it is made. Not through a library of audio files: what stands in the file after a
 * kill is then decided here, by the order of two writes.
 *
 * The header has room for a "ds64" chunk from the start, so that a file that grows beyond 4 GiB becomes an RF64
 * by rewriting its header (EBU Tech 3306, "Achieving compatibility between BWF and RF64").
 */
#include "audio/writer.h"

#include "audio/file.h"
#include "base/file.h"

#include <mendtone/audio.h>

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

_Static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "samples are written as they lie in memory");

#define WAVE_FORMAT_FLOAT 3
#define PARTS_MAX 99
#define HEADER_EVERY_S 0.1
#define COPY_BYTES 65536

struct mt_audio_writer {
  int fd;
  unsigned nchannels;
  uint32_t rate_hz;
  uint64_t nframes; /* in the file */
  uint64_t stated;  /* frames that its header tells of */
  bool failed;      /* nothing more is written */
  mt_error failure;
  char *path;
  char *file; /* its name until then */
};

/* ---- the header --------------------------------------------------------------------------------------- */

static unsigned char *put_id(unsigned char *at, const char *id)
{
  memcpy(at, id, 4);
  return at + 4;
}

static unsigned char *put_number(unsigned char *at, uint64_t value, unsigned bytes)
{
  for (unsigned i = 0; i < bytes; i++)
    at[i] = (unsigned char)(value >> (8 * i));
  return at + bytes;
}

void mt_writer_make_header(uint64_t nframes, unsigned nchannels, uint32_t rate_hz,
                           unsigned char out[MT_WRITER_HEADER_BYTES])
{
  uint32_t frame_bytes = 4 * nchannels;
  uint64_t data_bytes = nframes * frame_bytes, riff_bytes = data_bytes + MT_WRITER_HEADER_BYTES - 8;
  bool is_long = mt_file_needs_rf64(data_bytes);
  unsigned char *at = out;

  at = put_id(at, is_long ? "RF64" : "RIFF");
  at = put_number(at, is_long ? UINT32_MAX : riff_bytes, 4);
  at = put_id(at, "WAVE");
  at = put_id(at, is_long ? "ds64" : "JUNK");
  at = put_number(at, 28, 4);
  at = put_number(at, is_long ? riff_bytes : 0, 8);
  at = put_number(at, is_long ? data_bytes : 0, 8);
  at = put_number(at, is_long ? nframes : 0, 8);
  at = put_number(at, 0, 4); /* no table of further lengths */
  at = put_id(at, "fmt ");
  at = put_number(at, 16, 4);
  at = put_number(at, WAVE_FORMAT_FLOAT, 2);
  at = put_number(at, nchannels, 2);
  at = put_number(at, rate_hz, 4);
  at = put_number(at, (uint64_t)rate_hz * frame_bytes, 4);
  at = put_number(at, frame_bytes, 2);
  at = put_number(at, 32, 2);
  at = put_id(at, "fact");
  at = put_number(at, 4, 4);
  at = put_number(at, is_long ? UINT32_MAX : nframes, 4);
  at = put_id(at, "data");
  put_number(at, is_long ? UINT32_MAX : data_bytes, 4);
}

/* Whole, or with errno set. */
static bool write_at(int fd, const void *data, size_t size, uint64_t at)
{
  const char *bytes = data;

  while (size > 0) {
    ssize_t put = pwrite(fd, bytes, size, (off_t)at);
    if (put < 0 && errno == EINTR)
      continue;
    if (put <= 0) {
      errno = put == 0 ? ENOSPC : errno;
      return false;
    }
    bytes += put;
    size -= (size_t)put;
    at += (uint64_t)put;
  }
  return true;
}

/* One write within one page: a kill comes before or after it. */
static bool write_header(mt_audio_writer *writer)
{
  unsigned char header[MT_WRITER_HEADER_BYTES];

  mt_writer_make_header(writer->nframes, writer->nchannels, writer->rate_hz, header);
  if (!write_at(writer->fd, header, sizeof header, 0))
    return false;
  writer->stated = writer->nframes;
  return true;
}

/* ---- opening ------------------------------------------------------------------------------------------ */

/* "NAME.part.wav", "NAME.part-2.wav"... */
static void name_part(const char *path, int number, char *out, size_t size)
{
  size_t length = strlen(path);
  char tag[16] = ".part";

  if (length > 4 && strcasecmp(path + length - 4, ".wav") == 0)
    length -= 4;
  if (number > 1)
    snprintf(tag, sizeof tag, ".part-%d", number);
  snprintf(out, size, "%.*s%s.wav", (int)length, path, tag);
}

bool mt_audio_writer_is_part(const char *path)
{
  const char *slash = strrchr(path, '/'), *tag = strstr(slash != NULL ? slash : path, ".part"), *next = tag;

  while (next != NULL) { /* the last one counts */
    tag = next;
    next = strstr(next + 1, ".part");
  }
  if (tag == NULL)
    return false;
  tag += strlen(".part");
  if (*tag == '-')
    tag += 1 + strspn(tag + 1, "0123456789");
  return strcmp(tag, ".wav") == 0;
}

/* A file that nobody has. */
static mt_code create_part(mt_audio_writer *writer, mt_error *err)
{
  size_t size = strlen(writer->path) + 32;

  writer->file = malloc(size);
  if (writer->file == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a file name");
  errno = EEXIST;
  for (int i = 1; i <= PARTS_MAX && writer->fd < 0 && errno == EEXIST; i++) {
    name_part(writer->path, i, writer->file, size);
    writer->fd = open(writer->file, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
  }
  if (writer->fd >= 0)
    return MT_OK;
  if (errno == EEXIST)
    return mt_fail(err, MT_E_CREATE, "%.120s: is there already, and so are %d before it; remove them",
                   writer->file, PARTS_MAX - 1);
  return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", writer->path, strerror(errno));
}

static mt_code check_target(const char *path, mt_error *err)
{
  struct stat there;

  if (strlen(path) >= INT32_MAX / 2)
    return mt_fail(err, MT_E_CREATE, "the file name is too long (%zu bytes)", strlen(path));
  if (stat(path, &there) == 0 && !S_ISREG(there.st_mode))
    return mt_fail(err, MT_E_CREATE, "%.150s: is %s; name a file, or one that is not there yet", path,
                   S_ISDIR(there.st_mode) ? "a folder" : "a device or a pipe");
  return MT_OK;
}

static void free_writer(mt_audio_writer **writer)
{
  if ((*writer)->fd >= 0)
    close((*writer)->fd);
  free((*writer)->path);
  free((*writer)->file);
  free(*writer);
  *writer = NULL;
}

mt_code mt_audio_writer_open(const char *path, double rate_hz, unsigned nchannels, mt_audio_writer **out,
                             mt_error *err)
{
  mt_audio_writer *writer;
  mt_code code;

  if (nchannels < 1 || nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_ARG, "there are %u channels to write; expected 1 to %d", nchannels,
                   MT_CHANNELS_MAX);
  if (!(rate_hz >= 1.0 && rate_hz <= 1e7) || floor(rate_hz) < rate_hz)
    return mt_fail(err, MT_E_ARG, "the rate to write is %g Hz; a file holds whole hertz only", rate_hz);
  code = check_target(path, err);
  if (code != MT_OK)
    return code;
  writer = calloc(1, sizeof *writer);
  if (writer == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to write %.150s", path);
  writer->fd = -1;
  writer->nchannels = nchannels;
  writer->rate_hz = (uint32_t)rate_hz;
  writer->path = strdup(path);
  code = writer->path != NULL ? create_part(writer, err)
                              : mt_fail(err, MT_E_MEMORY, "out of memory to write %.150s", path);
  if (code == MT_OK && !write_header(writer)) {
    code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
    unlink(writer->file);
  }
  if (code != MT_OK) {
    free_writer(&writer);
    return code;
  }
  *out = writer;
  return MT_OK;
}

void mt_audio_writer_forget(const char *path)
{
  char part[4096];

  for (int i = 1; i <= PARTS_MAX && strlen(path) + 32 < sizeof part; i++) {
    name_part(path, i, part, sizeof part);
    unlink(part);
  }
}

/* ---- writing ------------------------------------------------------------------------------------------ */

const char *mt_audio_writer_file(const mt_audio_writer *writer)
{
  return writer->file;
}

size_t mt_audio_writer_nframes(const mt_audio_writer *writer)
{
  return (size_t)writer->nframes;
}

/* Whatever of the last block came through is not counted, and what follows will not be written over it. */
static mt_code stop_writing(mt_audio_writer *writer, int problem, mt_error *err)
{
  writer->failed = true;
  if (writer->stated < writer->nframes)
    (void)write_header(writer); /* over what is there: it needs no room on the disk */
  mt_fail(&writer->failure, MT_E_IO, "%.120s: cannot be written on after %.2f s: %s", writer->path,
          (double)writer->nframes / writer->rate_hz, strerror(problem));
  return mt_fail(err, MT_E_IO, "%s", writer->failure.message);
}

mt_code mt_audio_writer_append(mt_audio_writer *writer, const float *frames, size_t nframes, mt_error *err)
{
  uint64_t frame_bytes = sizeof(float) * writer->nchannels;

  if (writer->failed)
    return mt_fail(err, MT_E_IO, "%s", writer->failure.message);
  /* the samples first: the header never promises what is not there */
  if (!write_at(writer->fd, frames, nframes * frame_bytes,
                MT_WRITER_HEADER_BYTES + writer->nframes * frame_bytes))
    return stop_writing(writer, errno, err);
  writer->nframes += nframes;
  if ((double)(writer->nframes - writer->stated) < HEADER_EVERY_S * writer->rate_hz)
    return MT_OK;
  return write_header(writer) ? MT_OK : stop_writing(writer, errno, err);
}

/* ---- closing ------------------------------------------------------------------------------------------ */

static mt_code finish_file(mt_audio_writer *writer, mt_error *err)
{
  uint64_t size = MT_WRITER_HEADER_BYTES + writer->nframes * sizeof(float) * writer->nchannels;

  /* half a block may lie behind what is counted */
  if (write_header(writer) && ftruncate(writer->fd, (off_t)size) == 0 && fsync(writer->fd) == 0)
    return MT_OK;
  return mt_fail(err, MT_E_IO, "%.150s: cannot be finished: %s", writer->path, strerror(errno));
}

/* Byte by byte to another folder or disk, or out of a file whose name is gone. */
static mt_code copy_to(const mt_audio_writer *writer, const char *path, mt_error *err)
{
  char block[COPY_BYTES], temporary[4096];
  uint64_t at = 0;
  ssize_t got = 0;
  bool ok = true;
  int fd, problem;

  if (strlen(path) + 32 > sizeof temporary)
    return mt_fail(err, MT_E_CREATE, "the file name is too long (%zu bytes)", strlen(path));
  mt_file_temporary_name(path, temporary, sizeof temporary);
  fd = open(temporary, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
  if (fd < 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
  while (ok && (got = pread(writer->fd, block, sizeof block, (off_t)at)) > 0) {
    ok = write_at(fd, block, (size_t)got, at);
    at += (uint64_t)got;
  }
  problem = ok && got == 0 ? 0 : errno;
  if (close(fd) != 0 && problem == 0)
    problem = errno;
  if (problem == 0)
    return mt_file_commit(temporary, path, err);
  unlink(temporary);
  return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", path, strerror(problem));
}

/* Whether the name still leads to the file that is written. */
static bool is_in_place(const mt_audio_writer *writer)
{
  struct stat named, open_file;

  return stat(writer->file, &named) == 0 && fstat(writer->fd, &open_file) == 0 &&
         named.st_dev == open_file.st_dev && named.st_ino == open_file.st_ino;
}

mt_code mt_audio_writer_close_as(mt_audio_writer **writer, const char *path, mt_error *err)
{
  mt_audio_writer *w = *writer;
  mt_code code = w->failed ? mt_fail(err, MT_E_IO, "%s", w->failure.message) : check_target(path, err);

  if (code == MT_OK)
    code = finish_file(w, err);
  if (code != MT_OK)
    return code;
  if (!is_in_place(w)) {
    code = copy_to(w, path, err);
  } else if (rename(w->file, path) != 0) {
    code = copy_to(w, path, err);
    if (code == MT_OK)
      unlink(w->file);
  }
  if (code == MT_OK)
    free_writer(writer);
  return code;
}

mt_code mt_audio_writer_close(mt_audio_writer **writer, mt_error *err)
{
  return mt_audio_writer_close_as(writer, (*writer)->path, err);
}

void mt_audio_writer_abandon(mt_audio_writer **writer)
{
  mt_error ignored;

  if (*writer == NULL)
    return;
  (void)finish_file(*writer, &ignored);
  if ((*writer)->nframes == 0 && is_in_place(*writer))
    unlink((*writer)->file);
  free_writer(writer);
}
