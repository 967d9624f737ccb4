/*
 * Recordings good and bad, for the tests of the tool: recordings FOLDER
 *
 * Written byte by byte here rather than by the library, which would refuse to write most of them.
 */
#include <mendtone/session.h>

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATE_HZ 48000u
#define SILENCE_S 0.25

static const char *folder;

static FILE *open_file(const char *name)
{
  char path[4096];
  FILE *file;

  snprintf(path, sizeof path, "%s/%s", folder, name);
  file = fopen(path, "wb");
  if (file == NULL) {
    perror(path);
    exit(1);
  }
  return file;
}

static void close_file(FILE *file)
{
  if (ferror(file) || fclose(file) != 0) {
    perror("close");
    exit(1);
  }
}

static void put_number(FILE *file, uint32_t value, int nbytes)
{
  for (int i = 0; i < nbytes; i++)
    fputc((int)(value >> 8 * i & 0xff), file);
}

/* RIFF WAVE, IEEE float (format 3), little endian; `promised` frames by the header. */
static void write_wav(const char *name, uint32_t rate_hz, unsigned nchannels, const float *x, size_t nframes,
                      size_t promised)
{
  FILE *file = open_file(name);
  uint32_t bytes = (uint32_t)(promised * nchannels * 4);

  fputs("RIFF", file);
  put_number(file, 36 + bytes, 4);
  fputs("WAVEfmt ", file);
  put_number(file, 16, 4);
  put_number(file, 3, 2);
  put_number(file, nchannels, 2);
  put_number(file, rate_hz, 4);
  put_number(file, rate_hz * nchannels * 4, 4);
  put_number(file, nchannels * 4, 2);
  put_number(file, 32, 2);
  fputs("data", file);
  put_number(file, bytes, 4);
  for (size_t i = 0; i < nframes * nchannels; i++) {
    uint32_t bits;
    memcpy(&bits, &x[i], 4);
    put_number(file, bits, 4);
  }
  close_file(file);
}

static void write_bytes(const char *name, const char *bytes)
{
  FILE *file = open_file(name);
  fputs(bytes, file);
  close_file(file);
}

static float *allocate(size_t n)
{
  float *x = calloc(n, sizeof *x);
  if (x == NULL)
    abort();
  return x;
}

/* Plain recordings, 3 s: a tone of 997 Hz at -20 dBFS with something wrong in it. */
static void write_plain(void)
{
  size_t n = 3 * RATE_HZ;
  float *stereo = allocate(2 * n);

  for (size_t i = 0; i < n; i++)
    stereo[i] = (float)(0.1 * sin(2.0 * 3.14159265358979323846 * 997.0 * (double)i / RATE_HZ));
  write_wav("mono.wav", RATE_HZ, 1, stereo, n, n);
  for (size_t i = n; i-- > 0;)
    stereo[2 * i] = stereo[2 * i + 1] = stereo[i];
  write_wav("tone.wav", RATE_HZ, 2, stereo, n, n);
  write_wav("one-frame.wav", RATE_HZ, 2, stereo + 200, 1, 1);
  write_wav("no-frames.wav", RATE_HZ, 2, stereo, 0, 0);
  write_wav("rate-100.wav", 100, 2, stereo, n, n);
  stereo[2 * 72000 + 1] = nanf("");
  write_wav("nan.wav", RATE_HZ, 2, stereo, n, n);
  stereo[2 * 72000 + 1] = INFINITY;
  write_wav("infinite.wav", RATE_HZ, 2, stereo, n, n);
  for (size_t i = 0; i < 2 * n; i++)
    stereo[i] = 0.0f;
  write_wav("all-zero.wav", RATE_HZ, 2, stereo, n, n);
  for (size_t i = 0; i < 2 * n; i++)
    stereo[i] = 1.0f;
  write_wav("full-scale.wav", RATE_HZ, 2, stereo, n, n);
  free(stereo);
}

/* Recordings of the stimulus through a wire, whole and not. */
static void write_stimulus(void)
{
  mt_session_options options = mt_session_defaults();
  mt_stimulus stimulus;
  mt_error err;
  size_t silence = (size_t)(SILENCE_S * RATE_HZ), n, whole, mark = 2 * RATE_HZ;
  double *exact;
  float *x, *five;

  if (mt_session_stimulus(&options, &stimulus, &err) != MT_OK) {
    fprintf(stderr, "%s\n", err.message);
    exit(1);
  }
  n = (size_t)ceil(stimulus.duration_s * RATE_HZ);
  whole = n + 2 * silence;
  exact = calloc(2 * n, sizeof *exact);
  x = allocate(2 * whole);
  five = allocate(5 * whole);
  if (exact == NULL)
    abort();
  mt_stimulus_render(&stimulus, 0.0, 1.0 / RATE_HZ, n, exact);
  for (size_t i = 0; i < 2 * n; i++)
    x[2 * silence + i] = (float)exact[i];
  write_wav("good.wav", RATE_HZ, 2, x, whole, whole);
  write_wav("slow.wav", 44100, 2, x, whole, whole);
  write_wav("short.wav", RATE_HZ, 2, x, 5 * RATE_HZ, 5 * RATE_HZ);
  write_wav("no-end.wav", RATE_HZ, 2, x, whole - mark, whole - mark);
  write_wav("no-start.wav", RATE_HZ, 2, x + 2 * mark, whole - mark, whole - mark);
  write_wav("no-marks.wav", RATE_HZ, 2, x + 2 * mark, whole - 2 * mark, whole - 2 * mark);
  write_wav("cut-off.wav", RATE_HZ, 2, x, whole / 2, whole);
  for (size_t i = 0; i < whole / 2 * 5; i++) /* two runs, and a third that breaks off */
    memcpy(five + 2 * i, x + 2 * (i % whole), 2 * sizeof *x);
  write_wav("runs.wav", RATE_HZ, 2, five, whole / 2 * 5, whole / 2 * 5);
  for (size_t i = 0; i < whole; i++)
    memcpy(five + 5 * i, x + 2 * i, 2 * sizeof *x);
  write_wav("five.wav", RATE_HZ, 5, five, whole, whole);
  for (size_t i = 0; i < whole; i++)
    five[i] = x[2 * i];
  write_wav("mono-stimulus.wav", RATE_HZ, 1, five, whole, whole);
  free(five);
  free(x);
  free(exact);
}

int main(int argc, char **argv)
{
  if (argc != 2) {
    fputs("usage: recordings FOLDER\n", stderr);
    return 64;
  }
  folder = argv[1];
  write_bytes("empty.wav", "");
  write_bytes("not-audio.wav", "This was never a recording.\n");
  write_bytes("riff.wav", "RIFF\x24\x24\x24\x24WAVEfmt ");
  write_plain();
  write_stimulus();
  return 0;
}
