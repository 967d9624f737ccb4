#include "support.h"
#include "unit_bench.h"

#include <mendtone/analysis.h>

#include "analysis/quasi_peak.h"
#include "analysis/weighting.h"
#include "base/decibel.h"
#include "base/random.h"

static const double rates_hz[] = {44100.0, 48000.0, 96000.0, 192000.0};
#define NRATES (sizeof rates_hz / sizeof rates_hz[0])

static double read_highest(const double *x, size_t n, double rate_hz, bool settled)
{
  mt_quasi_peak found;
  mt_error err = {0};
  assert_ok(mt_quasi_peak_read(x, n, rate_hz, settled, &found, &err), err);
  return found.highest;
}

static double *sine(double rate_hz, double duration_s, double freq_hz, double amplitude, size_t *n)
{
  double *x;
  *n = (size_t)(duration_s * rate_hz);
  x = malloc(*n * sizeof *x);
  assert_non_null(x);
  for (size_t i = 0; i < *n; i++)
    x[i] = amplitude * sin(2.0 * MT_PI * freq_hz * (double)i / rate_hz);
  return x;
}

/* Bursts of whole periods of 5 kHz from a zero crossing on, `every_s` apart (0: one only). */
static double *bursts(double rate_hz, double duration_s, double burst_s, double every_s, double amplitude,
                      size_t *n)
{
  double *x = sine(rate_hz, duration_s, 5000.0, amplitude, n);
  for (size_t i = 0; i < *n; i++) {
    double t = (double)i / rate_hz, within = every_s > 0.0 ? fmod(t, every_s) : t;
    /* each burst starts at its own zero crossing, wherever the frames lie */
    x[i] = within < burst_s ? amplitude * sin(2.0 * MT_PI * 5000.0 * within) : 0.0;
  }
  return x;
}

static double read_bursts(double rate_hz, double duration_s, double burst_s, double every_s, double amplitude)
{
  size_t n;
  double *x = bursts(rate_hz, duration_s, burst_s, every_s, amplitude, &n);
  double highest = read_highest(x, n, rate_hz, false);
  free(x);
  return highest;
}

static double read_sine(double rate_hz, double freq_hz, double amplitude)
{
  size_t n;
  double *x = sine(rate_hz, 1.0, freq_hz, amplitude, &n);
  double highest = read_highest(x, n, rate_hz, true);
  free(x);
  return highest;
}

/* ITU-R BS.468-4, 2.1, table 2: single bursts of 5 kHz, per cent of the steady reading, with its limits. */
static void single_bursts_read_within_the_recommendation(void **state)
{
  static const struct {
    double ms, percent, low, high;
  } table[] = {{1, 17.0, 13.5, 21.4}, {2, 26.6, 22.4, 31.6}, {5, 40, 34, 46},   {10, 48, 41, 55},
               {20, 52, 44, 60},      {50, 59, 50, 68},      {100, 68, 58, 78}, {200, 80, 68, 92}};
  (void)state;
  for (size_t r = 0; r < NRATES; r++) {
    double steady = read_sine(rates_hz[r], 5000.0, 0.1);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
      double percent = 100.0 * read_bursts(rates_hz[r], 0.3, 1e-3 * table[i].ms, 0.0, 0.1) / steady;
      if (rates_hz[r] == 48000.0)
        print_message("%4g ms: %5.2f %% (%g; %g to %g)\n", table[i].ms, percent, table[i].percent,
                      table[i].low, table[i].high);
      assert_between(percent, table[i].low, table[i].high, "%");
    }
  }
}

/* ITU-R BS.468-4, 2.2, table 3: bursts of 5 ms repeated. */
static void repeated_bursts_read_within_the_recommendation(void **state)
{
  static const struct {
    double per_s, percent, low, high;
  } table[] = {{2, 48, 43, 53}, {10, 77, 72, 82}, {100, 97, 94, 100}};
  (void)state;
  for (size_t r = 0; r < NRATES; r++) {
    double steady = read_sine(rates_hz[r], 5000.0, 0.1);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
      double percent = 100.0 * read_bursts(rates_hz[r], 4.0, 5e-3, 1.0 / table[i].per_s, 0.1) / steady;
      if (rates_hz[r] == 48000.0)
        print_message("%3g/s: %5.2f %% (%g; %g to %g)\n", table[i].per_s, percent, table[i].percent,
                      table[i].low, table[i].high);
      assert_between(percent, table[i].low, table[i].high, "%");
    }
  }
}

/* ITU-R BS.468-4, 2.3: isolated bursts of 0.6 ms read in proportion over 20 dB, to 1 dB. */
static void short_bursts_read_in_proportion_over_20_db(void **state)
{
  double loud = read_bursts(48000.0, 0.3, 0.6e-3, 0.0, 0.9);
  (void)state;
  for (int down_db = 0; down_db <= 20; down_db += 5) {
    double quiet = read_bursts(48000.0, 0.3, 0.6e-3, 0.0, 0.9 * mt_ratio_of_db(-down_db));
    /* nothing in it limits, so it is exact but for the rounding of a float transform */
    assert_near(mt_db_of_ratio(loud / quiet), down_db, 1e-4, "dB");
  }
}

/* ITU-R BS.468-4, 2.4 (the limit of 0.5 dB from memory): the polarity of asymmetrical pulses must not matter. */
static void polarity_does_not_matter(void **state)
{
  size_t n;
  double *x =
      bursts(48000.0, 1.0, 1e-4, 0.01, 0.5, &n); /* half a period of 5 kHz, a hundred times a second */
  double upright = read_highest(x, n, 48000.0, true), reversed;
  (void)state;
  for (size_t i = 0; i < n; i++)
    x[i] = -x[i];
  reversed = read_highest(x, n, 48000.0, true);
  /* the rectifier is full-wave: exact but for rounding */
  assert_near(mt_db_of_ratio(reversed / upright), 0.0, 1e-4, "dB");
  assert_true(upright > 1e-3);
  free(x);
}

/* ITU-R BS.468-4, 2.6: a steady sine of 1 kHz reads its rms value. */
static void a_steady_sine_of_1_khz_reads_its_level(void **state)
{
  (void)state;
  for (size_t r = 0; r < NRATES; r++)
    for (int level = -100; level <= 0; level += 50)
      /* the ripple of the rectifier on samples that lie otherwise than in the calibration */
      assert_near(mt_db_of_ratio(read_sine(rates_hz[r], 1000.0, mt_ratio_of_db(level))), level, 0.01, "dBFS");
}

/* ITU-R BS.468-4, table 1, with its tolerances; a sine of any frequency through network and detectors. */
static void steady_sines_follow_the_network_at_every_rate(void **state)
{
  static const double table[][3] = {
      {31.5, -29.9, 2.0}, {63, -23.9, 1.4},   {100, -19.8, 1.0},  {200, -13.8, 0.85},  {400, -7.8, 0.7},
      {800, -1.9, 0.55},  {1000, 0, 0.5},     {2000, 5.6, 0.5},   {3150, 9.0, 0.5},    {4000, 10.5, 0.5},
      {5000, 11.7, 0.5},  {6300, 12.2, 0.06}, {7100, 12.0, 0.2},  {8000, 11.4, 0.4},   {9000, 10.1, 0.6},
      {10000, 8.1, 0.8},  {12500, 0.0, 1.2},  {14000, -5.3, 1.4}, {16000, -11.7, 1.6}, {20000, -22.2, 2.0}};
  double worst = 0.0;
  (void)state;
  for (size_t r = 0; r < NRATES; r++)
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
      double got = mt_db_of_ratio(read_sine(rates_hz[r], table[i][0], 0.1)) + 20.0;
      /* at 6.3 kHz the tolerance is 0: 0.06 for the table's rounding and the samples of the rectifier */
      assert_near(got, table[i][1], table[i][2], "dB");
      worst = fmax(worst, fabs(got - table[i][1]));
    }
  print_message("furthest from table 1: %.3f dB\n", worst);
  /* much closer than the tolerances: the table is rounded to 0.05, the rectifier's ripple takes 0.15 at 31.5 Hz */
  assert_true(worst < 0.2);
}

static void the_phase_of_the_network_is_of_its_own_magnitude(void **state)
{
  (void)state;
  for (double f = 10.0; f < 40000.0; f *= 1.3) {
    double re, im;
    mt_weighting_468_response(f, &re, &im);
    assert_near(mt_db_of_power(re * re + im * im), mt_weighting_db(MT_WEIGHT_468, f), 1e-9, "dB");
  }
  {
    double re, im, delay_s, before_re, before_im;
    /* a causal network of these poles delays: at 1 kHz by some 50 us less the zero's nothing; the sign tells */
    mt_weighting_468_response(1000.0, &re, &im);
    mt_weighting_468_response(999.0, &before_re, &before_im);
    delay_s = -(atan2(im, re) - atan2(before_im, before_re)) / (2.0 * MT_PI);
    assert_between(delay_s, 50e-6, 200e-6, "s");
  }
}

/* What tells a quasi-peak from a rms: noise reads some 5 dB higher, and clicks far more. */
static void noise_and_clicks_read_above_their_rms(void **state)
{
  const size_t n = 96000;
  double *x = malloc(n * sizeof *x), power = 0.0, above_db;
  mt_quasi_peak found;
  mt_error err = {0};
  mt_random random;
  mt_psd psd;
  (void)state;
  assert_non_null(x);
  mt_random_init(&random, support_seed(31));
  for (size_t i = 0; i < n; i++)
    x[i] = 1e-3 * mt_random_normal(&random);
  assert_ok(mt_quasi_peak_read(x, n, 48000.0, true, &found, &err), err);
  assert_ok(mt_psd_estimate(x, n, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, &err), err);
  power = mt_psd_band(&psd, 20.0, 24000.0, MT_WEIGHT_468).power;
  mt_psd_finish(&psd);
  above_db = mt_db_of_ratio(found.mean) - mt_db_of_power(power);
  print_message("white noise: %.2f dB above its weighted rms, the pointer's spread %.2f dB\n", above_db,
                mt_db_of_relative(found.spread / found.mean));
  assert_between(above_db, 3.0, 6.5, "dB");
  assert_true(found.highest >= found.mean && found.spread < 0.1 * found.mean);
  memset(x, 0, n * sizeof *x);
  for (size_t i = 2400; i < n; i += 4800)
    x[i] = 0.1;
  found.highest = read_highest(x, n, 48000.0, true);
  assert_ok(mt_psd_estimate(x, n, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, &err), err);
  power = mt_psd_band(&psd, 20.0, 24000.0, MT_WEIGHT_468).power;
  mt_psd_finish(&psd);
  assert_true(mt_db_of_ratio(found.highest) > mt_db_of_power(power) + 8.0);
  free(x);
}

/* Cut into blocks or whole: a record longer than a block reads the same wherever its burst lies. */
/* Noise-shaping of a converter lies above the band: its record begins and ends somewhere, and must not click. */
static void a_strong_ultrasonic_tone_does_not_click_at_the_ends(void **state)
{
  size_t n;
  double *x = sine(192000.0, 1.0, 43210.0, 0.1, &n);
  double want = mt_ratio_of_db(-20.0 + mt_weighting_db(MT_WEIGHT_468, 43210.0));
  (void)state;
  /* 4.4 samples a period leave the rectifier some 0.3 dB to err */
  assert_near(mt_db_of_ratio(read_highest(x, n, 192000.0, true) / want), 0.0, 0.5, "dB");
  free(x);
}

static void blocks_leave_no_seams(void **state)
{
  const size_t n = 200000;
  double *x = malloc(n * sizeof *x), first = 0.0;
  (void)state;
  assert_non_null(x);
  for (size_t at = 5000; at < 190000; at += 7919) {
    double highest;
    memset(x, 0, n * sizeof *x);
    for (size_t i = 0; i < 480; i++)
      x[at + i] = 0.1 * sin(2.0 * MT_PI * 5000.0 * (double)i / 48000.0);
    highest = read_highest(x, n, 48000.0, false);
    if (first == 0.0)
      first = highest;
    /* the mean taken off is 0; what is left is the float transform and the ringing of the faded ends, -90 dB */
    assert_near(mt_db_of_ratio(highest / first), 0.0, 1e-3, "dB");
  }
  free(x);
}

static void a_settled_reading_does_not_depend_on_the_length(void **state)
{
  static const double durations_s[] = {0.25, 0.5, 1.3, 7.0};
  (void)state;
  for (size_t i = 0; i < sizeof durations_s / sizeof durations_s[0]; i++) {
    size_t n;
    double *x = sine(48000.0, durations_s[i], 3000.0, 0.1, &n);
    double want = mt_ratio_of_db(-20.0 + mt_weighting_db(MT_WEIGHT_468, 3000.0));
    /* charged for two seconds, ten time constants, by whatever there is; ripple and the seams of the repeats */
    assert_near(mt_db_of_ratio(read_highest(x, n, 48000.0, true) / want), 0.0, 0.03, "dB");
    free(x);
  }
}

/* ---- sample by sample ------------------------------------------------------------------------------- */

#define CHORD_S 2.5
#define CUT_S 0.005
static const double chord_hz[] = {61.7, 433.1, 997.0, 3117.3, 6287.9, 9411.7, 14023.1, 19013.7};
#define NCHORD (sizeof chord_hz / sizeof chord_hz[0])

static double chord_at(double t)
{
  double sum = 0.0;
  for (size_t i = 0; i < NCHORD; i++)
    sum += 0.1 * sin(2.0 * MT_PI * chord_hz[i] * t);
  return sum;
}

/* What the network makes of it, in closed form. */
static double weighted_chord_at(double t)
{
  double sum = 0.0;
  for (size_t i = 0; i < NCHORD; i++) {
    double re, im, angle = 2.0 * MT_PI * chord_hz[i] * t;
    mt_weighting_468_response(chord_hz[i], &re, &im);
    sum += 0.1 * (re * sin(angle) + im * cos(angle));
  }
  return sum;
}

static double calibration_at(double t)
{
  return sin(2.0 * MT_PI * 1000.0 * t);
}

static double charge(double voltage, double by, double attack_s, double release_s, double rate_hz)
{
  return by > voltage ? voltage + (1.0 - exp(-1.0 / (attack_s * rate_hz))) * (by - voltage)
                      : voltage * exp(-1.0 / (release_s * rate_hz));
}

/* The two detectors by every single sample, charged by the first two seconds. */
static mt_quasi_peak slow_reading(double (*signal)(double), double rate_hz, double inner_hz)
{
  size_t cut = (size_t)(CUT_S * rate_hz), n = (size_t)(CHORD_S * rate_hz), per = (size_t)(inner_hz / rate_hz);
  double first = 0.0, second = 0.0, sum = 0.0, squares = 0.0;
  mt_quasi_peak out = {0};
  for (int pass = 0; pass < 2; pass++) {
    size_t count = per * (pass == 0 ? (size_t)(2.0 * rate_hz) - cut : n - 2 * cut);
    sum = squares = out.highest = 0.0;
    for (size_t i = 0; i < count; i++) {
      double x = fabs(signal((double)cut / rate_hz + (double)i / inner_hz));
      first = charge(first, x, MT_QP_ATTACK_1_S, MT_QP_RELEASE_1_S, inner_hz);
      second = charge(second, first, MT_QP_ATTACK_2_S, MT_QP_RELEASE_2_S, inner_hz);
      out.highest = fmax(out.highest, second);
      sum += second / (double)count;
      squares += second * second / (double)count;
    }
  }
  out.mean = sum;
  out.spread = sqrt(fmax(squares - sum * sum, 0.0));
  return out;
}

/* The filters against the network's closed form, and the detectors by groups against those by samples. */
static void a_chord_reads_as_it_does_sample_by_sample(void **state)
{
  static const double inner_hz[] = {176400.0, 192000.0, 192000.0, 192000.0};
  (void)state;
  for (size_t r = 0; r < NRATES; r++) {
    size_t n = (size_t)(CHORD_S * rates_hz[r]);
    double *x = malloc(n * sizeof *x), unit = slow_reading(calibration_at, rates_hz[r], inner_hz[r]).highest;
    mt_quasi_peak found, want = slow_reading(weighted_chord_at, rates_hz[r], inner_hz[r]);
    mt_error err = {0};
    assert_non_null(x);
    for (size_t i = 0; i < n; i++)
      x[i] = chord_at((double)i / rates_hz[r]);
    assert_ok(mt_quasi_peak_read(x, n, rates_hz[r], true, &found, &err), err);
    print_message("%6g Hz: highest %+.5f dB, mean %+.5f dB, spread %+.2f %%\n", rates_hz[r],
                  mt_db_of_ratio(found.highest * unit / want.highest),
                  mt_db_of_ratio(found.mean * unit / want.mean),
                  100.0 * (found.spread * unit / want.spread - 1.0));
    /* by groups a thousandth of a dB is lost at most, and the filters are good to a third of that */
    assert_near(mt_db_of_ratio(found.highest * unit / want.highest), 0.0, 0.001, "dB");
    assert_near(mt_db_of_ratio(found.mean * unit / want.mean), 0.0, 0.001, "dB");
    assert_near(found.spread * unit / want.spread, 1.0, 0.01, "");
    free(x);
  }
}

static void what_cannot_be_read_is_refused(void **state)
{
  mt_quasi_peak found = {1.0, 2.0, 3.0};
  mt_error err = {0};
  size_t n;
  double *x = sine(48000.0, 1.0, 1000.0, 0.1, &n);
  (void)state;
  assert_int_equal(mt_quasi_peak_read(x, n, 16000.0, true, &found, &err), MT_E_ARG);
  assert_int_equal(mt_quasi_peak_read(x, n, nan(""), true, &found, &err), MT_E_ARG);
  assert_int_equal(mt_quasi_peak_read(x, 1000, 48000.0, true, &found, &err), MT_E_DATA);
  assert_int_equal(mt_quasi_peak_read(x, 0, 48000.0, true, &found, &err), MT_E_DATA);
  x[77] = nan("");
  assert_int_equal(mt_quasi_peak_read(x, n, 48000.0, true, &found, &err), MT_E_DATA);
  assert_near(found.highest, 1.0, 0.0, "");
  memset(x, 0, n * sizeof *x);
  assert_ok(mt_quasi_peak_read(x, n, 48000.0, true, &found, &err), err);
  assert_near(found.highest, 0.0, 0.0, "");
  free(x);
}

static void idle_noise_of_a_unit_is_read(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = -90.0;
  unit.channel[0].dc = 0.01;
  r = unit_bench_results(&unit, 48000.0, -20.0);
  /* +6.49 dB by the network for white noise to 24 kHz; 3 to 6.5 dB by the detectors, as above */
  assert_between(unit_bench_find(r, MT_Q_NOISE_468, MT_LEFT, "idle")->value, -90.0 + 6.49 + 3.0,
                 -90.0 + 6.49 + 6.5, "dBFS");
  assert_int_equal(unit_bench_find(r, MT_Q_NOISE_468, MT_LEFT, "idle")->validity, MT_VALID);
  assert_int_equal(unit_bench_find(r, MT_Q_NOISE_468, MT_RIGHT, "idle")->validity, MT_RIG_LIMITED);
  mt_results_destroy(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(single_bursts_read_within_the_recommendation),
      cmocka_unit_test(repeated_bursts_read_within_the_recommendation),
      cmocka_unit_test(short_bursts_read_in_proportion_over_20_db),
      cmocka_unit_test(polarity_does_not_matter),
      cmocka_unit_test(a_steady_sine_of_1_khz_reads_its_level),
      cmocka_unit_test(steady_sines_follow_the_network_at_every_rate),
      cmocka_unit_test(the_phase_of_the_network_is_of_its_own_magnitude),
      cmocka_unit_test(noise_and_clicks_read_above_their_rms),
      cmocka_unit_test(a_strong_ultrasonic_tone_does_not_click_at_the_ends),
      cmocka_unit_test(blocks_leave_no_seams),
      cmocka_unit_test(a_settled_reading_does_not_depend_on_the_length),
      cmocka_unit_test(a_chord_reads_as_it_does_sample_by_sample),
      cmocka_unit_test(what_cannot_be_read_is_refused),
      cmocka_unit_test(idle_noise_of_a_unit_is_read),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
