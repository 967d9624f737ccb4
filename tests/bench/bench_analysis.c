/* What a full analysis of a minute of stereo costs, as ratios to the same readings in SciPy, to the
 * transforms alone by FFTW, and to reading the samples once. All contenders take turns in one
 * run, so that what else the machine does meets all alike; medians are compared, never single times.
 *
 * bench_analysis [PYTHON SCRIPT]: without them the row of SciPy says that it was not measured.
 * bench_analysis check|plain [TIMES]: one of the two analyses alone and nothing else, for a profiler. */
#include <mendtone/analysis.h>
#include <mendtone/capture.h>
#include <mendtone/plan.h>

#include "base/random.h"
#include "welch.h"

#include <math.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define RATE_HZ 48000.0
#define DURATION_S 60.0
#define CHANNELS 2u
#define TONE_HZ 997.0
#define TONE_DBFS (-20.0)
#define REPETITIONS 7

typedef enum contender {
  CHECK,
  ANALYSIS,
  CHECK_ON_BOTH, /* cores, and time that passed */
  ANALYSIS_ON_BOTH,
  SCIPY,
  OURS,
  FFTW_FLOAT,
  FFTW_DOUBLE,
  ONE_PASS,
  CONTENDERS
} contender;

/* SciPy in a process of its own, spoken to a line at a time. */
typedef struct child {
  pid_t pid;
  FILE *to;
  FILE *from;
  char path[64]; /* the samples */
} child;

typedef struct bench {
  mt_stimulus stimulus;
  mt_take *check;           /* of the default stimulus */
  mt_take *take;            /* plain */
  float *channel[CHANNELS]; /* de-interleaved, for the transforms alone */
  welch *transforms[WELCH_LAST];
  child scipy;
  cpu_set_t all, one; /* cores */
  bool has[CONTENDERS];
  double plain[MT_Q_LAST]; /* what the left channel of the plain recording reads */
  double seconds[CONTENDERS][REPETITIONS];
} bench;

static void die(const char *what)
{
  fprintf(stderr, "bench_analysis: %s\n", what);
  exit(1);
}

/* All contenders but two have one core, as a thread more than the work needs is no gain. */
static bool has_both_cores;

/* Processor time: what else the machine does is not ours. With both cores the time that passed. */
static double now_s(void)
{
  struct timespec t;
  clock_gettime(has_both_cores ? CLOCK_MONOTONIC : CLOCK_PROCESS_CPUTIME_ID, &t);
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* ---- what is measured ------------------------------------------------------------------------- */

static void make_take(bench *b)
{
  size_t n = (size_t)(RATE_HZ * DURATION_S);
  float *frames = malloc(n * CHANNELS * sizeof *frames);
  mt_random random;
  mt_error err = {0};
  mt_random_init(&random, 1);
  for (unsigned c = 0; c < CHANNELS; c++)
    b->channel[c] = malloc(n * sizeof **b->channel);
  if (frames == NULL || b->channel[0] == NULL || b->channel[1] == NULL)
    die("out of memory");
  double amplitude = pow(10.0, TONE_DBFS / 20.0);
  double sigma = sqrt(0.5) * pow(10.0, -90.0 / 20.0);
  for (size_t i = 0; i < n; i++) {
    double cycles = fmod(TONE_HZ * (double)i / RATE_HZ, 1.0);
    double tone = amplitude * sin(2.0 * 3.14159265358979323846 * cycles);
    for (unsigned c = 0; c < CHANNELS; c++) {
      /* a second harmonic at -70 dB, so that there is something to find */
      double x = tone + 2.0 * 3.16e-4 * tone * tone / amplitude + sigma * mt_random_normal(&random);
      frames[i * CHANNELS + c] = b->channel[c][i] = (float)x;
    }
  }
  if (mt_take_create(RATE_HZ, CHANNELS, &b->take, &err) != MT_OK ||
      mt_take_append(b->take, frames, n, &err) != MT_OK)
    die(err.message);
  free(frames);
}

/* The default check through a wire with a little distortion and noise, a second longer than the stimulus. */
static void make_check(bench *b)
{
  size_t n;
  double *played;
  float *frames;
  mt_random random;
  mt_error err = {0};
  if (mt_stimulus_init_default(RATE_HZ, TONE_DBFS, &b->stimulus, &err) != MT_OK)
    die(err.message);
  n = (size_t)((b->stimulus.duration_s + 1.0) * RATE_HZ);
  played = malloc(n * CHANNELS * sizeof *played);
  frames = malloc(n * CHANNELS * sizeof *frames);
  if (played == NULL || frames == NULL)
    die("out of memory");
  mt_random_init(&random, 2);
  mt_stimulus_render(&b->stimulus, -0.01, 1.00002 / RATE_HZ, n, played);
  for (size_t i = 0; i < n * CHANNELS; i++)
    frames[i] = (float)(played[i] + 1e-3 * played[i] * played[i] + 1e-5 * mt_random_normal(&random));
  if (mt_take_create(RATE_HZ, CHANNELS, &b->check, &err) != MT_OK ||
      mt_take_append(b->check, frames, n, &err) != MT_OK)
    die(err.message);
  free(frames);
  free(played);
}

static void check_level(double level_dbfs, const char *who)
{
  if (!(fabs(level_dbfs - TONE_DBFS) < 0.001)) {
    fprintf(stderr, "bench_analysis: %s reads %.6f dBFS, not %.6f: its time means nothing\n", who, level_dbfs,
            TONE_DBFS);
    exit(1);
  }
}

/* Both must have read the same, or comparing their times means nothing. */
static void check_same(const bench *b, mt_quantity quantity, double theirs, double tolerance)
{
  double ours = b->plain[quantity];
  if (fabs(theirs - ours) <= tolerance)
    return;
  fprintf(stderr, "bench_analysis: %s is %.9g here and %.9g by SciPy\n", mt_quantity_describe(quantity)->name,
          ours, theirs);
  exit(1);
}

static double run_analysis(bench *b)
{
  mt_results *results = NULL;
  mt_error err = {0};
  if (mt_results_create(&results, &err) != MT_OK)
    die(err.message);
  double start = now_s();
  mt_code code = mt_measure_recording(b->take, results, &err);
  double elapsed = now_s() - start;
  if (code != MT_OK)
    die(err.message);
  const mt_reading *level = mt_results_find(results, MT_Q_LEVEL, MT_LEFT, NULL);
  check_level(level != NULL && level->validity == MT_VALID ? level->value : (double)NAN, "mendtone");
  for (mt_quantity quantity = 0; quantity < MT_Q_LAST; quantity++) {
    const mt_reading *reading = mt_results_find(results, quantity, MT_LEFT, NULL);
    b->plain[quantity] = reading != NULL ? reading->value : (double)NAN;
  }
  mt_results_destroy(&results);
  return elapsed;
}

/* What happens after the last sample of a check: is the take whole, where is the stimulus, read, judge. */
static double run_check(bench *b)
{
  mt_results *results = NULL;
  mt_plan *plan = NULL;
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  mt_error err = {0};
  double start = now_s();
  mt_code code = mt_results_create(&results, &err);
  if (code == MT_OK)
    code = mt_capture_inspect(b->check, &err);
  if (code == MT_OK)
    code = mt_capture_locate(b->check, &b->stimulus, &found, &location, &err);
  if (code == MT_OK && found == MT_MARKS_BOTH)
    code = mt_measure_stimulus(b->check, &b->stimulus, &location, "default", results, &err);
  if (code == MT_OK)
    code = mt_plan_create_default(&plan, &err);
  if (code == MT_OK)
    code = mt_judge_results(plan, results, &err);
  if (code == MT_OK)
    code = mt_judge_find_causes(plan, results, &err);
  double elapsed = now_s() - start;
  if (code != MT_OK || found != MT_MARKS_BOTH)
    die(code != MT_OK ? err.message : "the marks were not found");
  const mt_reading *level = mt_results_find(results, MT_Q_LEVEL, MT_LEFT, "both");
  check_level(level != NULL && level->validity == MT_VALID ? level->value : (double)NAN, "the check");
  mt_plan_destroy(&plan);
  mt_results_destroy(&results);
  return elapsed;
}

static double run_welch(bench *b, welch_kind kind)
{
  double power = 0.0;
  double start = now_s();
  for (unsigned c = 0; c < CHANNELS; c++)
    power += welch_power(b->transforms[kind], b->channel[c], b->take->nframes) / CHANNELS;
  double elapsed = now_s() - start;
  check_level(10.0 * log10(2.0 * power), "the transform alone");
  return elapsed;
}

static double run_one_pass(bench *b)
{
  double sum = 0.0;
  size_t n = b->take->nframes * CHANNELS;
  double start = now_s();
  for (size_t i = 0; i < n; i++)
    sum += (double)b->take->samples[i] * (double)b->take->samples[i];
  double elapsed = now_s() - start;
  check_level(10.0 * log10(2.0 * sum / (double)n), "one pass");
  return elapsed;
}

/* ---- SciPy ------------------------------------------------------------------------------------ */

static bool store_samples(child *scipy, const mt_take *take)
{
  snprintf(scipy->path, sizeof scipy->path, "/tmp/mendtone-bench-XXXXXX");
  int fd = mkstemp(scipy->path);
  FILE *file = fd >= 0 ? fdopen(fd, "wb") : NULL;
  size_t n = take->nframes * CHANNELS;
  bool ok = file != NULL && fwrite(take->samples, sizeof *take->samples, n, file) == n;
  return file != NULL && fclose(file) == 0 && ok;
}

static void start_scipy(bench *b, char *python, char *script)
{
  int down[2], up[2];
  char line[64];
  if (!store_samples(&b->scipy, b->take) || pipe(down) != 0 || pipe(up) != 0)
    die("cannot hand the samples to SciPy");
  b->scipy.pid = fork();
  if (b->scipy.pid < 0)
    die("cannot start a process");
  if (b->scipy.pid == 0) {
    char rate[] = "48000", channels[] = "2", no_cache[] = "-B";
    char *argv[] = {python, no_cache, script, b->scipy.path, rate, channels, NULL};
    dup2(down[0], STDIN_FILENO);
    dup2(up[1], STDOUT_FILENO);
    close(down[1]);
    close(up[0]);
    setenv("OPENBLAS_NUM_THREADS", "1", 1); /* one core, as we: threads that wait would count as work */
    execv(python, argv);
    _exit(127);
  }
  close(down[0]);
  close(up[1]);
  b->scipy.to = fdopen(down[1], "w");
  b->scipy.from = fdopen(up[0], "r");
  if (b->scipy.to == NULL || b->scipy.from == NULL)
    die("cannot speak to SciPy");
  b->has[SCIPY] = fgets(line, sizeof line, b->scipy.from) != NULL && strcmp(line, "ready\n") == 0;
}

static double run_scipy(bench *b)
{
  char line[256];
  double elapsed = (double)NAN, level_dbfs = (double)NAN, freq_hz = (double)NAN, thd_db = (double)NAN,
         thd_n_db = (double)NAN;
  fputs("read\n", b->scipy.to);
  fflush(b->scipy.to);
  if (fgets(line, sizeof line, b->scipy.from) == NULL ||
      sscanf(line, "%lf %lf %lf %lf %lf", &elapsed, &level_dbfs, &freq_hz, &thd_db, &thd_n_db) != 5)
    die("SciPy gave no answer");
  check_level(level_dbfs, "SciPy");
  check_same(b, MT_Q_FREQUENCY, freq_hz, 1e-6);
  /* a tenth of what their noise makes of them, and of a band's edge that ends within a bin */
  check_same(b, MT_Q_THD_F, thd_db, 0.01);
  check_same(b, MT_Q_THD_N, thd_n_db, 0.01);
  return elapsed;
}

static void stop_scipy(child *scipy)
{
  if (scipy->to != NULL)
    fclose(scipy->to);
  if (scipy->from != NULL)
    fclose(scipy->from);
  if (scipy->pid > 0)
    waitpid(scipy->pid, NULL, 0);
  if (scipy->path[0] != '\0')
    unlink(scipy->path);
}

/* ---- the table -------------------------------------------------------------------------------- */

static void use(const cpu_set_t *cores)
{
  has_both_cores = CPU_COUNT(cores) > 1;
  if (sched_setaffinity(0, sizeof *cores, cores) != 0)
    die("cannot choose a core");
}

/* The first core of those there are, for all that follows and is started. */
static void use_one(bench *b)
{
  if (sched_getaffinity(0, sizeof b->all, &b->all) != 0)
    die("cannot tell which cores there are");
  CPU_ZERO(&b->one);
  for (size_t i = 0; i < CPU_SETSIZE && CPU_COUNT(&b->one) == 0; i++)
    if (CPU_ISSET(i, &b->all))
      CPU_SET(i, &b->one);
  use(&b->one);
}

static double run_on_both(bench *b, double (*alone)(bench *))
{
  double seconds;
  use(&b->all);
  seconds = alone(b);
  use(&b->one);
  return seconds;
}

static double run(bench *b, contender who)
{
  switch (who) {
  case CHECK: return run_check(b);
  case ANALYSIS: return run_analysis(b);
  case CHECK_ON_BOTH: return run_on_both(b, run_check);
  case ANALYSIS_ON_BOTH: return run_on_both(b, run_analysis);
  case SCIPY: return run_scipy(b);
  case OURS: return run_welch(b, WELCH_OURS);
  case FFTW_FLOAT: return run_welch(b, WELCH_FFTW_FLOAT);
  case FFTW_DOUBLE: return run_welch(b, WELCH_FFTW_DOUBLE);
  default: return run_one_pass(b);
  }
}

static int ascending(const void *left, const void *right)
{
  double a = *(const double *)left, b = *(const double *)right;
  return (a > b) - (a < b);
}

/* Median, least and greatest ratio of two contenders' times, repetition by repetition. */
static void print_ratio(const bench *b, const char *label, contender over, contender under)
{
  double ratio[REPETITIONS];
  if (!b->has[over] || !b->has[under]) {
    printf("  %-58s not measured: not installed, or one core only\n", label);
    return;
  }
  for (size_t i = 0; i < REPETITIONS; i++)
    ratio[i] = b->seconds[over][i] / b->seconds[under][i];
  qsort(ratio, REPETITIONS, sizeof *ratio, ascending);
  printf("  %-58s %8.3g  (%.3g ... %.3g)\n", label, ratio[REPETITIONS / 2], ratio[0], ratio[REPETITIONS - 1]);
}

/* How many times faster than `duration_s` of real time. */
static void print_factor(const bench *b, const char *label, contender who, double duration_s)
{
  double factor[REPETITIONS];
  for (size_t i = 0; i < REPETITIONS; i++)
    factor[i] = duration_s / b->seconds[who][i];
  qsort(factor, REPETITIONS, sizeof *factor, ascending);
  printf("  %-58s %8.3g  (%.3g ... %.3g)\n", label, factor[REPETITIONS / 2], factor[0],
         factor[REPETITIONS - 1]);
}

static void print_latency(const bench *b)
{
  double seconds[REPETITIONS];
  memcpy(seconds, b->seconds[CHECK], sizeof seconds);
  qsort(seconds, REPETITIONS, sizeof *seconds, ascending);
  printf("  %-58s %8.3g  (%.3g ... %.3g)\n", "from the last sample to the verdict, s of processor time",
         seconds[REPETITIONS / 2], seconds[0], seconds[REPETITIONS - 1]);
}

static void print_table(bench *b)
{
  double check_s = (double)b->check->nframes / RATE_HZ;
  printf("stereo at %g Hz; one core, processor time, medians of %d interleaved repetitions "
         "(least ... greatest)\n",
         RATE_HZ, REPETITIONS);
  printf("default check of %.1f s: inspect, locate, read, judge\n", check_s);
  print_factor(b, "times faster than real time", CHECK, check_s);
  print_latency(b);
  print_ratio(b, "time that passes on both cores / on one", CHECK_ON_BOTH, CHECK);
  printf("plain recording of %g s: read\n", DURATION_S);
  print_factor(b, "times faster than real time", ANALYSIS, DURATION_S);
  print_ratio(b, "time that passes on both cores / on one", ANALYSIS_ON_BOTH, ANALYSIS);
  print_ratio(b, "the same readings in SciPy / full analysis", SCIPY, ANALYSIS);
  print_ratio(b, "full analysis / reading the samples once", ANALYSIS, ONE_PASS);
  print_ratio(b, "full analysis / Welch transforms alone by FFTW, float", ANALYSIS, FFTW_FLOAT);
  print_ratio(b, "Welch transforms alone: ours / FFTW float", OURS, FFTW_FLOAT);
  print_ratio(b, "Welch transforms alone: ours / FFTW double", OURS, FFTW_DOUBLE);
}

static void run_alone(bench *b, contender who, const char *times)
{
  unsigned long count = times != NULL ? strtoul(times, NULL, 10) : 1;

  for (unsigned long i = 0; i < count; i++)
    printf("%.4f s of processor time\n", run(b, who));
}

int main(int argc, char **argv)
{
  static bench b;
  use_one(&b);
  make_take(&b);
  make_check(&b);
  if (argc >= 2 && (strcmp(argv[1], "check") == 0 || strcmp(argv[1], "plain") == 0)) {
    run_alone(&b, argv[1][0] == 'c' ? CHECK : ANALYSIS, argv[2]);
    return 0;
  }
  for (welch_kind kind = WELCH_OURS; kind < WELCH_LAST; kind++) {
    b.transforms[kind] = welch_create(kind);
    b.has[OURS + kind] = b.transforms[kind] != NULL;
  }
  b.has[CHECK] = b.has[ANALYSIS] = b.has[ONE_PASS] = true;
  b.has[CHECK_ON_BOTH] = b.has[ANALYSIS_ON_BOTH] = CPU_COUNT(&b.all) > 1;
  if (argc == 3)
    start_scipy(&b, argv[1], argv[2]);
  /* One unmeasured round to warm caches up; each round starts with another contender. */
  for (size_t repetition = 0; repetition <= REPETITIONS; repetition++)
    for (size_t turn = 0; turn < CONTENDERS; turn++) {
      contender who = (contender)((turn + repetition) % CONTENDERS);
      double seconds = b.has[who] ? run(&b, who) : (double)NAN;
      if (repetition > 0)
        b.seconds[who][repetition - 1] = seconds;
    }
  print_table(&b);
  stop_scipy(&b.scipy);
  for (size_t kind = 0; kind < WELCH_LAST; kind++)
    welch_destroy(&b.transforms[kind]);
  for (size_t c = 0; c < CHANNELS; c++)
    free(b.channel[c]);
  mt_take_destroy(&b.check);
  mt_take_destroy(&b.take);
  return 0;
}
