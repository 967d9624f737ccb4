/* An hour of stereo at 48 kHz through the tool: peak resident set and speed. bench_memory TOOL [MINUTES] */
#include "long_recording.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

int main(int argc, char **argv)
{
  static const char *const names[] = {"a tone", "noise", "noise and two runs of the stimulus"};
  double minutes = argc > 2 ? strtod(argv[2], NULL) : 60.0;
  char path[64];

  if (argc < 2 || !(minutes > 0.0 && minutes <= 180.0))
    return 2;
  snprintf(path, sizeof path, "long-%ld.wav", (long)getpid());
  for (int kind = 0; kind < 3; kind++) {
    long peak_kib = 0;
    double cpu_s = 0.0;
    int status = -1;
    if (long_recording_write(path, (long_kind)kind, minutes))
      status = long_recording_analyse(argv[1], path, "/dev/null", &peak_kib, &cpu_s);
    unlink(path);
    if (status != 0)
      return 1;
    printf("%g minutes of %s: %.1f MiB, %.1f s of processor time, %.0f x real time\n", minutes, names[kind],
           (double)peak_kib / 1024.0, cpu_s, 60.0 * minutes / cpu_s);
    fflush(stdout);
  }
  return 0;
}
