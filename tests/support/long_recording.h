/** @file long_recording.h  Recordings too long for memory, written block by block, and what the tool needs for one. */
#ifndef LONG_RECORDING_H
#define LONG_RECORDING_H

typedef enum long_kind {
  LONG_TONE,  /**< 997 Hz at -20 and -21 dBFS, noise at -97 dBFS */
  LONG_NOISE, /**< noise at -77 dBFS and hum of 50 Hz at -80 dBFS */
  LONG_STIMULUS /**< noise at -117 dBFS, and two runs of the default stimulus, at a fifth and at two thirds of it */
} long_kind;

/** Write it as float WAV, stereo, 48 kHz. Prints what went wrong and returns false. */
int long_recording_write(const char *path, long_kind kind, double minutes);

/**
 * Run `TOOL analyse RECORDING --json JSON` and wait.
 *
 * @param peak_kib  largest resident set of its process.
 * @param cpu_s     processor time.
 * @return its exit status, or -1.
 */
int long_recording_analyse(const char *tool, const char *path, const char *json, long *peak_kib,
                           double *cpu_s);

#endif
