#include "long_recording.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/capture.h>
#include <mendtone/session.h>

#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#define RATE_HZ 48000
#define BLOCK 4800
/* Noise is repeated after so many frames, a prime: it need only be noise to a transform of a second or so. */
#define NOISE_FRAMES 479909

static void put_number(FILE *file, uint32_t value, int nbytes)
{
  for (int i = 0; i < nbytes; i++)
    fputc((int)(value >> 8 * i & 0xff), file);
}

/* RIFF WAVE, IEEE float (format 3), little endian. */
static void put_header(FILE *file, size_t nframes)
{
  fputs("RIFF", file);
  put_number(file, (uint32_t)(36 + 8 * nframes), 4);
  fputs("WAVEfmt ", file);
  put_number(file, 16, 4);
  put_number(file, 3, 2);
  put_number(file, 2, 2);
  put_number(file, RATE_HZ, 4);
  put_number(file, RATE_HZ * 8, 4);
  put_number(file, 8, 2);
  put_number(file, 32, 2);
  fputs("data", file);
  put_number(file, (uint32_t)(8 * nframes), 4);
}

/* Add a run that begins at a frame, as far as it lies in the block. */
static void add_run(const mt_audio_source *source, size_t run, size_t first, double *block)
{
  double played[2 * BLOCK];
  size_t length = (size_t)(source->duration_s * RATE_HZ);

  if (first + BLOCK <= run || first >= run + length)
    return;
  source->render(source->ctx, ((double)first - (double)run) / RATE_HZ, 1.0 / RATE_HZ, BLOCK, played);
  for (size_t i = 0; i < 2 * BLOCK; i++)
    block[i] += played[i];
}

static void fill_block(long_kind kind, size_t first, size_t nframes, const mt_audio_source *source,
                       const double *noise, double *block)
{
  for (size_t i = 0; i < BLOCK; i++) {
    size_t frame = first + i;
    for (size_t c = 0; c < 2; c++) {
      double n = noise[(2 * frame + c) % NOISE_FRAMES];
      /* whole periods of the tones fit into 1 s, so their angles stay small */
      double t = (double)(frame % RATE_HZ) / RATE_HZ;
      if (kind == LONG_TONE)
        block[2 * i + c] =
            1e-5 * n + (c == 0 ? 0.1 : 0.0891) * sin(2.0 * MT_PI * 997.0 * t + 0.3 * (double)c);
      else if (kind == LONG_NOISE)
        block[2 * i + c] = 1e-4 * n + 1e-4 * sin(2.0 * MT_PI * 50.0 * t);
      else
        block[2 * i + c] = 1e-6 * n;
    }
  }
  if (kind == LONG_STIMULUS) {
    add_run(source, nframes / 5, first, block);
    add_run(source, nframes / 3 * 2, first, block);
  }
}

/* Of mean square 1, so that its level is known for sure. */
static void fill_noise(double *noise)
{
  double square = 0.0;
  mt_random random;

  mt_random_init(&random, 71);
  for (size_t i = 0; i < NOISE_FRAMES; i++) {
    noise[i] = mt_random_normal(&random);
    square += noise[i] * noise[i] / NOISE_FRAMES;
  }
  for (size_t i = 0; i < NOISE_FRAMES; i++)
    noise[i] /= sqrt(square);
}

int long_recording_write(const char *path, long_kind kind, double minutes)
{
  static double block[2 * BLOCK];
  static float frames[2 * BLOCK];
  size_t nframes = (size_t)(minutes * 60.0 * RATE_HZ) / BLOCK * BLOCK;
  double *noise = malloc(NOISE_FRAMES * sizeof *noise);
  FILE *file = fopen(path, "wb");
  mt_session_options options = mt_session_defaults();
  mt_stimulus stimulus;
  mt_audio_source source;
  int good = noise != NULL && file != NULL && mt_session_stimulus(&options, &stimulus, NULL) == MT_OK;

  if (good) {
    source = mt_capture_source(&stimulus);
    fill_noise(noise);
    put_header(file, nframes);
    for (size_t first = 0; first < nframes; first += BLOCK) {
      fill_block(kind, first, nframes, &source, noise, block);
      for (size_t i = 0; i < 2 * BLOCK; i++)
        frames[i] = (float)block[i];
      fwrite(frames, sizeof *frames, 2 * BLOCK, file);
    }
  }
  free(noise);
  if (file == NULL || ferror(file) || fclose(file) != 0)
    good = 0;
  if (!good)
    perror(path);
  return good;
}

int long_recording_analyse(const char *tool, const char *path, const char *json, long *peak_kib,
                           double *cpu_s)
{
  struct rusage usage;
  int status;
  pid_t child = fork();

  if (child < 0)
    return -1;
  if (child == 0) {
    int nowhere = open("/dev/null", O_WRONLY);
    dup2(nowhere, STDOUT_FILENO);
    execl(tool, tool, "analyse", path, "--json", json, (char *)NULL);
    _exit(127);
  }
  if (wait4(child, &status, 0, &usage) != child || !WIFEXITED(status))
    return -1;
  *peak_kib = usage.ru_maxrss;
  *cpu_s = (double)(usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) +
           1e-6 * (double)(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec);
  return WEXITSTATUS(status);
}
