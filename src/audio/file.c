/* Recordings. The only file that includes libsndfile. */
#include "audio/file.h"

#include "audio/backends.h"
#include "base/file.h"
#include "base/random.h"
#include "base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#define BLOCK_FRAMES 4096
#define DITHER_SEED 20
/* RIFF counts everything after its first 8 bytes in 32 bits; the headers written here are far shorter */
#define WAV_DATA_MAX (UINT32_MAX - 4096u)

typedef struct recording {
  SNDFILE *file;
  SF_INFO info;
  uint64_t missing_bytes; /* that the header promises beyond the end of the file */
} recording;

static uint32_t little_endian(const unsigned char *bytes)
{
  return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

/* Walk a RIFF's chunks up to its samples: how many bytes of them the header promises too many. 0 also when
 * the length is one that a program writing to a pipe leaves. */
static uint64_t count_missing(int fd, uint64_t file_bytes)
{
  unsigned char head[8];
  uint64_t position = 12;

  while (pread(fd, head, sizeof head, (off_t)position) == (ssize_t)sizeof head) {
    uint64_t length = little_endian(head + 4);
    uint64_t end = position + 8 + length;
    if (memcmp(head, "data", 4) == 0)
      return length < 0x7fff0000u && end > file_bytes ? end - file_bytes : 0;
    position = end + (length & 1);
  }
  return 0;
}

/*
 * What kind of compressed sound begins so, or NULL. ISO/IEC 11172-3, 2.4.1.3: MPEG audio begins with 11 set bits; its
 * layer is not 0, its bit rate not 15. ISO/IEC 13818-7: AAC begins so, too, with layer 0. RFC 3533: Ogg. ISO/IEC
 * 14496-12: "ftyp". ID3v2 and ASF from memory.
 */
static const char *name_compressed(const unsigned char head[16])
{
  static const unsigned char asf[4] = {0x30, 0x26, 0xb2, 0x75};

  if (memcmp(head, "ID3", 3) == 0)
    return "MP3";
  if (head[0] == 0xff && (head[1] & 0xe0) == 0xe0 && (head[1] & 0x06) != 0 && (head[2] & 0xf0) != 0xf0)
    return "MP3";
  if (head[0] == 0xff && (head[1] & 0xf6) == 0xf0)
    return "AAC";
  if (memcmp(head, "OggS", 4) == 0)
    return "Ogg Vorbis or Opus";
  if (memcmp(head + 4, "ftyp", 4) == 0)
    return "MP4 or M4A (AAC)";
  return memcmp(head, asf, sizeof asf) == 0 ? "WMA" : NULL;
}

/* Only what is checked here reaches the library: its decoders of rare formats are never run. */
static mt_code check_magic(const char *path, int fd, uint64_t file_bytes, uint64_t *missing, mt_error *err)
{
  static const unsigned char w64[16] = {'r',  'i',  'f',  'f',  0x2e, 0x91, 0xcf, 0x11,
                                        0xa5, 0xd6, 0x28, 0xdb, 0x04, 0xc1, 0x00, 0x00};
  unsigned char head[16] = {0};
  ssize_t got = pread(fd, head, sizeof head, 0);

  if (got < 0)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", path, strerror(errno));
  if (got == (ssize_t)sizeof head) {
    bool wave = memcmp(head + 8, "WAVE", 4) == 0;
    if (wave && memcmp(head, "RIFF", 4) == 0) {
      if (file_bytes > UINT32_MAX)
        return mt_fail(err, MT_E_DATA,
                       "%.120s: is longer than a WAV header can say (4 GiB); save it as RF64 or W64", path);
      *missing = count_missing(fd, file_bytes);
      return MT_OK;
    }
    if ((wave && memcmp(head, "RF64", 4) == 0) || memcmp(head, w64, 16) == 0 || memcmp(head, "fLaC", 4) == 0)
      return MT_OK;
    if (name_compressed(head) != NULL)
      return mt_fail(
          err, MT_E_DATA,
          "%.80s: looks like %s inside: lossy compression, which no conversion mends; record again "
          "as WAV or FLAC",
          path, name_compressed(head));
  }
  return mt_fail(err, MT_E_DATA, "%.150s: is not a recording; expected WAV, RF64, W64 or FLAC", path);
}

static mt_code open_input(const char *path, int *out, uint64_t *missing, mt_error *err)
{
  struct stat status;
  mt_code code = MT_OK;
  /* a pipe without a writer would otherwise block in open() */
  int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);

  if (fd < 0)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", path, strerror(errno));
  if (fstat(fd, &status) != 0)
    code = mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", path, strerror(errno));
  else if (S_ISDIR(status.st_mode))
    code = mt_fail(err, MT_E_NO_INPUT, "%.150s: is a folder; name a recording", path);
  else if (!S_ISREG(status.st_mode))
    code = mt_fail(err, MT_E_NO_INPUT, "%.150s: is not a regular file", path);
  else if (status.st_size == 0)
    code = mt_fail(err, MT_E_DATA, "%.150s: is empty", path);
  else
    code = check_magic(path, fd, (uint64_t)status.st_size, missing, err);
  if (code == MT_OK)
    *out = fd;
  else
    close(fd);
  return code;
}

static bool is_supported(int format)
{
  int sub = format & SF_FORMAT_SUBMASK;

  switch (format & SF_FORMAT_TYPEMASK) {
  case SF_FORMAT_WAV:
  case SF_FORMAT_WAVEX:
  case SF_FORMAT_RF64:
  case SF_FORMAT_W64:
  case SF_FORMAT_FLAC: break;
  default: return false;
  }
  return sub == SF_FORMAT_PCM_U8 || sub == SF_FORMAT_PCM_S8 || sub == SF_FORMAT_PCM_16 ||
         sub == SF_FORMAT_PCM_24 || sub == SF_FORMAT_PCM_32 || sub == SF_FORMAT_FLOAT ||
         sub == SF_FORMAT_DOUBLE;
}

static mt_code check_info(const char *path, const SF_INFO *info, mt_error *err)
{
  if (!is_supported(info->format))
    return mt_fail(err, MT_E_DATA,
                   "%.120s: its samples are lossy or of a rare kind; expected PCM or float, and recorded so: "
                   "saved anew, what is lossy stays so",
                   path);
  if (info->channels < 1 || info->channels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_DATA, "%.150s: has %d channels; expected 1 to %d", path, info->channels,
                   MT_CHANNELS_MAX);
  if (info->samplerate < 1)
    return mt_fail(err, MT_E_DATA, "%.150s: states a rate of %d Hz", path, info->samplerate);
  if (info->frames <= 0)
    return mt_fail(err, MT_E_DATA, "%.150s: holds no samples", path);
  return MT_OK;
}

static mt_code open_recording(const char *path, recording *out, mt_error *err)
{
  recording opened = {0};
  int fd = -1;
  mt_code code = open_input(path, &fd, &opened.missing_bytes, err);

  if (code != MT_OK)
    return code;
  opened.file = sf_open_fd(fd, SFM_READ, &opened.info, SF_TRUE); /* closes fd, also when it fails */
  if (opened.file == NULL)
    return mt_fail(err, MT_E_DATA, "%.120s: is damaged: %.100s", path, sf_strerror(NULL));
  code = check_info(path, &opened.info, err);
  if (code == MT_OK)
    *out = opened;
  else
    sf_close(opened.file);
  return code;
}

mt_code mt_audio_read_info(const char *path, mt_file_info *out, mt_error *err)
{
  recording r;
  mt_code code = open_recording(path, &r, err);

  if (code != MT_OK)
    return code;
  out->rate_hz = (double)r.info.samplerate;
  out->nchannels = (unsigned)r.info.channels;
  out->nframes = (size_t)r.info.frames;
  sf_close(r.file);
  return MT_OK;
}

/* What is there is good, but what is missing must not go unsaid. */
static mt_code report_short(const recording *r, sf_count_t nframes, const mt_audio_sink *sink, mt_error *err)
{
  double end_s = (double)nframes / (double)r->info.samplerate;
  char text[160];

  if (r->missing_bytes == 0 && nframes >= r->info.frames)
    return MT_OK;
  if (nframes < r->info.frames)
    snprintf(text, sizeof text, "the recording is cut off or damaged: %lld of %lld frames can be read",
             (long long)nframes, (long long)r->info.frames);
  else
    snprintf(text, sizeof text, "the recording is cut off: %llu bytes that its header promises are missing",
             (unsigned long long)r->missing_bytes);
  return sink->problem(sink->ctx, MT_PROBLEM_LOST, end_s, end_s, text, err);
}

static mt_code read_frames(const char *path, recording *r, const mt_audio_request *request,
                           const mt_audio_sink *sink, mt_error *err)
{
  sf_count_t total = 0;
  bool enough = false;
  mt_code code = MT_OK;
  float *block = malloc(BLOCK_FRAMES * (size_t)r->info.channels * sizeof *block);

  if (block == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %.150s", path);
  while (code == MT_OK && !enough) {
    sf_count_t got = sf_readf_float(r->file, block, BLOCK_FRAMES);
    if (sf_error(r->file) == SF_ERR_SYSTEM)
      code = mt_fail(err, MT_E_IO, "%.120s: cannot be read on: %.80s", path, sf_strerror(r->file));
    /* a block in which the decoder found an error holds made-up samples: the good part ends before it */
    if (got <= 0 || sf_error(r->file) != SF_ERR_NO_ERROR)
      break;
    total += got;
    code = sink->block(sink->ctx, block, (size_t)got, err);
    if (code == MT_OK && request->progress != NULL)
      request->progress(request->progress_ctx, fmin(1.0, (double)total / (double)r->info.frames));
    enough = code == MT_OK && sink->has_enough != NULL && sink->has_enough(sink->ctx);
  }
  if (code == MT_OK && total == 0)
    code = mt_fail(err, MT_E_DATA, "%.150s: is damaged: none of its samples can be read", path);
  if (code == MT_OK && !enough)
    code = report_short(r, total, sink, err);
  free(block);
  return code;
}

mt_code mt_file_run(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err)
{
  recording r;
  mt_code code;

  if (request->input == NULL)
    return mt_fail(err, MT_E_ARG, "the recording to read is not named");
  code = open_recording(request->input, &r, err);
  if (code != MT_OK)
    return code;
  code = sink->begin(sink->ctx, (double)r.info.samplerate, (unsigned)r.info.channels, false, err);
  if (code == MT_OK)
    code = read_frames(request->input, &r, request, sink, err);
  sf_close(r.file);
  return code;
}

/* ---- any stretch of a recording ------------------------------------------------------------------- */

typedef struct stretch_reader {
  recording r;
  sf_count_t at; /* the frame that comes next */
  char path[];
} stretch_reader;

/* Read on. @return how many frames came: fewer only at the end, or where the decoder found an error. */
static sf_count_t read_on(stretch_reader *s, float *out, sf_count_t nframes)
{
  sf_count_t done = 0;

  while (done < nframes) {
    sf_count_t got = sf_readf_float(s->r.file, out + done * s->r.info.channels, nframes - done);
    if (got <= 0 || sf_error(s->r.file) != SF_ERR_NO_ERROR)
      break;
    done += got;
  }
  s->at += done;
  return done;
}

/* From the beginning again, as a damaged file may be read that cannot be sought in. */
static mt_code rewind_to(stretch_reader *s, sf_count_t first, mt_error *err)
{
  float block[1024];
  sf_count_t most = (sf_count_t)(sizeof block / sizeof block[0]) / s->r.info.channels;
  recording again;
  mt_code code = open_recording(s->path, &again, err);

  if (code != MT_OK)
    return code;
  sf_close(s->r.file);
  s->r = again;
  s->at = 0;
  while (s->at < first) {
    sf_count_t wanted = first - s->at < most ? first - s->at : most;
    if (read_on(s, block, wanted) < wanted)
      return mt_fail(err, MT_E_IO, "%.120s: cannot be read again at %.3f s", s->path,
                     (double)s->at / s->r.info.samplerate);
  }
  return MT_OK;
}

static mt_code read_stretch(void *ctx, size_t first, size_t nframes, float *out, mt_error *err)
{
  stretch_reader *s = ctx;
  mt_code code = MT_OK;

  if (s->at != (sf_count_t)first) {
    s->at = sf_seek(s->r.file, (sf_count_t)first, SEEK_SET);
    if (s->at != (sf_count_t)first)
      code = rewind_to(s, (sf_count_t)first, err);
  }
  if (code == MT_OK && read_on(s, out, (sf_count_t)nframes) < (sf_count_t)nframes)
    code = mt_fail(err, MT_E_IO, "%.120s: cannot be read again at %.3f s: %.80s", s->path,
                   (double)s->at / s->r.info.samplerate, sf_strerror(s->r.file));
  return code;
}

static void close_stretches(void *ctx)
{
  stretch_reader *s = ctx;
  sf_close(s->r.file);
  free(s);
}

mt_code mt_file_open_reader(const char *path, mt_take_reader *out, mt_file_info *info, mt_error *err)
{
  stretch_reader *s = calloc(1, sizeof *s + strlen(path) + 1);
  mt_code code;

  if (s == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %.150s", path);
  memcpy(s->path, path, strlen(path) + 1);
  code = open_recording(path, &s->r, err);
  if (code != MT_OK) {
    free(s);
    return code;
  }
  *info =
      (mt_file_info){(double)s->r.info.samplerate, (unsigned)s->r.info.channels, (size_t)s->r.info.frames};
  *out = (mt_take_reader){read_stretch, close_stretches, s};
  return MT_OK;
}

/* ---- writing ---------------------------------------------------------------------------------------- */

bool mt_file_needs_rf64(uint64_t data_bytes)
{
  return data_bytes > WAV_DATA_MAX;
}

typedef struct layout {
  int format;
  unsigned bytes;
  int bits; /* 0: float */
} layout;

static layout layout_of(mt_sample_format format)
{
  static const layout layouts[] = {[MT_SAMPLE_FLOAT] = {SF_FORMAT_FLOAT, 4, 0},
                                   [MT_SAMPLE_PCM24] = {SF_FORMAT_PCM_24, 3, 24},
                                   [MT_SAMPLE_PCM16] = {SF_FORMAT_PCM_16, 2, 16}};
  return layouts[format];
}

static bool is_flac(const char *path)
{
  size_t length = strlen(path);
  return length > 5 && strcasecmp(path + length - 5, ".flac") == 0;
}

static mt_code check_write(const char *path, const float *frames, size_t nframes, unsigned nchannels,
                           double rate_hz, mt_sample_format format, mt_error *err)
{
  if (nchannels < 1 || nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_ARG, "there are %u channels to write; expected 1 to %d", nchannels,
                   MT_CHANNELS_MAX);
  if (!(rate_hz >= 1.0 && rate_hz <= 1e7) || floor(rate_hz) < rate_hz)
    return mt_fail(err, MT_E_ARG, "the rate to write is %g Hz; a file holds whole hertz only", rate_hz);
  if (is_flac(path) && (format == MT_SAMPLE_FLOAT || nchannels > 8 || rate_hz > 655350.0))
    return mt_fail(
        err, MT_E_ARG,
        "%.100s: FLAC holds whole numbers, 8 channels and 655350 Hz at most; expected 24 or 16 bits, or a "
        "WAV file",
        path);
  for (size_t i = 0; i < nframes * nchannels; i++)
    if (!isfinite(frames[i]))
      return mt_fail(err, MT_E_DATA, "%.120s: not written: the sample at %.6f s is not a finite number", path,
                     (double)(i / nchannels) / rate_hz);
  return MT_OK;
}

/* To the upper bits of an int, which is how the library takes integer samples of any width. */
static void dither_samples(const float *in, size_t count, int bits, mt_random *random, int *out)
{
  double steps = ldexp(1.0, bits - 1);
  int shift = 32 - bits;

  for (size_t i = 0; i < count; i++) {
    double x = rint((double)in[i] * steps + mt_random_triangular(random));
    x = fmin(fmax(x, -steps), steps - 1.0);
    out[i] = (int)((unsigned)(int)x << shift);
  }
}

static bool write_samples(SNDFILE *file, const float *frames, size_t nframes, unsigned nchannels, int bits)
{
  int block[4096];
  size_t block_frames = sizeof block / sizeof block[0] / nchannels;
  mt_random random;

  if (bits == 0)
    return sf_writef_float(file, frames, (sf_count_t)nframes) == (sf_count_t)nframes;
  mt_random_init(&random, DITHER_SEED);
  while (nframes > 0) {
    size_t n = nframes < block_frames ? nframes : block_frames;
    dither_samples(frames, n * nchannels, bits, &random, block);
    if (sf_writef_int(file, block, (sf_count_t)n) != (sf_count_t)n)
      return false;
    frames += n * nchannels;
    nframes -= n;
  }
  return true;
}

static mt_code write_temporary(const char *path, const char *temporary, const float *frames, size_t nframes,
                               SF_INFO *info, int bits, mt_error *err)
{
  SNDFILE *file;
  bool whole;
  int fd = open(temporary, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);

  if (fd < 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
  file = sf_open_fd(fd, SFM_WRITE, info, SF_TRUE);
  if (file == NULL) {
    unlink(temporary);
    return mt_fail(err, MT_E_CREATE, "%.120s: cannot be created: %.100s", path, sf_strerror(NULL));
  }
  /* the peak chunk carries the time of writing: the same frames would not give the same file */
  sf_command(file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE);
  errno = 0;
  whole = write_samples(file, frames, nframes, (unsigned)info->channels, bits);
  if (sf_close(file) != 0 || !whole) {
    int problem = errno != 0 ? errno : EIO;
    unlink(temporary);
    return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", path, strerror(problem));
  }
  return MT_OK;
}

mt_code mt_audio_write_file(const char *path, const float *frames, size_t nframes, unsigned nchannels,
                            double rate_hz, mt_sample_format format, mt_error *err)
{
  char temporary[4096];
  layout l = layout_of(format);
  SF_INFO info = {0};
  mt_code code = check_write(path, frames, nframes, nchannels, rate_hz, format, err);

  if (code != MT_OK)
    return code;
  if (strlen(path) + 32 > sizeof temporary)
    return mt_fail(err, MT_E_CREATE, "the file name is too long (%zu bytes)", strlen(path));
  mt_file_temporary_name(path, temporary, sizeof temporary);
  info.samplerate = (int)rate_hz;
  info.channels = (int)nchannels;
  info.format = l.format;
  if (is_flac(path))
    info.format |= SF_FORMAT_FLAC;
  else
    info.format |=
        mt_file_needs_rf64((uint64_t)nframes * nchannels * l.bytes) ? SF_FORMAT_RF64 : SF_FORMAT_WAV;
  code = write_temporary(path, temporary, frames, nframes, &info, l.bits, err);
  return code == MT_OK ? mt_file_commit(temporary, path, err) : code;
}
