/*
 * How near the sine fit comes to what is possible: its mean square error over the Cramer-Rao bound, and what it
 * leaves of a tone stored in a given way.
 *
 *   bound [RUNS]
 */
#include "support.h"
#include "tones.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>

#define RUNS 8000
#define FRAMES 48000
#define RATE_HZ 48000.0
#define PHASES 8

static double x[FRAMES];
static int nruns = RUNS;

static void print_ratio(double sum, int runs)
{
  double low, high;
  tones_ratio_interval(sum / runs, runs, &low, &high);
  printf("   %5.3f (%5.3f ... %5.3f)", sum / runs, low, high);
}

static void errors_over_the_bound(void **state)
{
  static const size_t lengths[] = {4800, 48000};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(24));
  printf("mean square error over the Cramer-Rao bound, with its 95 %% interval\n");
  printf("%6s %8s %6s   %-23s   %-23s\n", "frames", "SNR", "runs", "frequency", "amplitude");
  for (size_t l = 0; l < 2; l++) {
    tones_efficiency all = {0};
    for (double snr_db = 20.0; snr_db <= 100.0; snr_db += 20.0) {
      tones_efficiency one = {0};

      tones_run_efficiency(&random, x, lengths[l], snr_db, nruns, &one);
      printf("%6zu %5.0f dB %6d", lengths[l], snr_db, one.runs);
      print_ratio(one.freq, one.runs);
      print_ratio(one.amplitude, one.runs);
      printf("\n");
      all.freq += one.freq;
      all.amplitude += one.amplitude;
      all.runs += one.runs;
    }
    printf("%6zu %8s %6d", lengths[l], "all", all.runs);
    print_ratio(all.freq, all.runs);
    print_ratio(all.amplitude, all.runs);
    printf("\n");
  }
}

/* Mean power left of a full-scale tone over a few phases, dB re the tone. */
static double left_db(mt_random *random, const tones_storage *how, double freq_hz)
{
  double power = 0.0;

  for (int i = 0; i < PHASES; i++) {
    mt_sine_fit fit;
    mt_error err = {0};
    tones_fill(x, FRAMES, RATE_HZ, freq_hz, 1.0, 2.0 * MT_PI * (i + 0.3) / PHASES);
    tones_store(random, how, x, FRAMES);
    assert_ok(mt_fit_sine(x, FRAMES, RATE_HZ, freq_hz, 1, &fit, NULL, &err), err);
    power += 2.0 * fit.rms_residual * fit.rms_residual / PHASES;
  }
  return mt_db_of_power(power);
}

static void floors(void **state)
{
  /* prime, so that rate and tone share no short period and the rounding is noise */
  static const double freqs_hz[] = {19.0, 997.0, 6007.0, 19997.0};
  static const tones_storage ways[] = {{"double", -1, false},     {"float", 0, false},
                                       {"24 bit TPDF", 24, true}, {"24 bit plain", 24, false},
                                       {"20 bit TPDF", 20, true}, {"20 bit plain", 20, false},
                                       {"16 bit TPDF", 16, true}, {"16 bit plain", 16, false}};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(25));
  printf("left of a full-scale tone, dB re the tone, 1 s at 48 kHz\n%-14s", "samples");
  for (size_t f = 0; f < sizeof freqs_hz / sizeof *freqs_hz; f++)
    printf("  %6.0f Hz", freqs_hz[f]);
  printf("    theory\n");
  for (size_t w = 0; w < sizeof ways / sizeof *ways; w++) {
    printf("%-14s", ways[w].name);
    for (size_t f = 0; f < sizeof freqs_hz / sizeof *freqs_hz; f++)
      printf("  %9.2f", left_db(&random, &ways[w], freqs_hz[f]));
    if (ways[w].bits > 0)
      printf("  %8.2f", tones_floor_db(&ways[w]));
    printf("\n");
  }
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(errors_over_the_bound), cmocka_unit_test(floors)};

  if (argc > 1)
    nruns = (int)strtol(argv[1], NULL, 10);
  return cmocka_run_group_tests(tests, NULL, NULL);
}
