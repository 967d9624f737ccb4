#include "support.h"
#include "tones.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

enum { FRAMES_MAX = 96000 };

static double samples[FRAMES_MAX], residual[FRAMES_MAX];

static const long double TURN = 6.283185307179586476925286766559006L;

/* cos(2 pi (freq / rate) frame + phase), every phase reduced in long double: the slow, sure way. */
static double exact_cosine(double freq_hz, double rate_hz, double frame, double phase_rad)
{
  long double cycles = (long double)freq_hz / (long double)rate_hz * (long double)frame;
  return (double)cosl(TURN * (cycles - rintl(cycles)) + (long double)phase_rad);
}

static void add_tone(double *x, size_t n, double rate_hz, double freq_hz, double amplitude, double phase_rad)
{
  for (size_t i = 0; i < n; i++)
    x[i] += amplitude * exact_cosine(freq_hz, rate_hz, (double)i, phase_rad);
}

/* Round to what a float32 capture holds. @return rms of the rounding. */
static double store_float(double *x, size_t n)
{
  double sum = 0.0;
  for (size_t i = 0; i < n; i++) {
    double exact = x[i];
    x[i] = (double)(float)exact;
    sum += (x[i] - exact) * (x[i] - exact);
  }
  return sqrt(sum / (double)n);
}

static double random_freq(mt_random *random)
{
  return 20.0 * pow(1000.0, mt_random_uniform(random));
}

static double angle_between(double a_rad, double b_rad)
{
  return fabs(remainder(a_rad - b_rad, 2.0 * MT_PI));
}

/* ---- precision on clean tones ------------------------------------------------------------------ */

/*
 * Tolerances: the requirement. The rounding of float32 samples alone would allow 1e-8 dB and 1e-9 Hz
 * (Cramer-Rao at 150 dB), so these fail long before anything is wrong in a reading.
 */
static void any_tone_reads_to_a_ten_thousandth_of_a_decibel(void **state)
{
  static const double rates[] = {44100.0, 48000.0, 96000.0};
  mt_random random;
  mt_error err = {0};
  double worst_db = 0.0, worst_hz = 0.0, worst_floor_db = -(double)INFINITY;
  (void)state;
  mt_random_init(&random, support_seed(20));
  for (int i = 0; i < 90; i++) {
    double rate = rates[i % 3], freq = i < 3 ? 20.0 : i < 6 ? 20000.0 : random_freq(&random);
    double phase = 2.0 * MT_PI * mt_random_uniform(&random);
    double start = i % 2 == 0 ? 0.0 : freq * (1.0 + 1e-3 * (2.0 * mt_random_uniform(&random) - 1.0));
    size_t n = (size_t)rate;
    mt_sine_fit fit;
    tones_fill(samples, n, rate, freq, 1.0, phase);
    double rounding_db = mt_db_of_ratio(store_float(samples, n) / M_SQRT1_2);
    assert_ok(mt_fit_sine(samples, n, rate, start, i % 4 < 2 ? 1 : 10, &fit, NULL, &err), err);
    assert_true(fit.converged);
    double level_db = mt_db_of_ratio(fit.amplitude);
    double floor_db = mt_db_of_ratio(fit.rms_residual / (fit.amplitude * M_SQRT1_2));
    assert_near(level_db, 0.0, 1e-4, "dB");
    assert_near(fit.freq_hz, freq, 1e-6, "Hz");
    /* 20 kHz has 12 distinct samples at 48 kHz: their rounding is a matter of luck, and known */
    assert_between(floor_db, -160.0, fmax(-153.0, rounding_db + 0.001), "dB");
    assert_near(fit.dc, 0.0, 1e-8, "FS");
    /* phase belongs to mid-record; random rounding would allow 1e-10 rad, that of 12 samples a tenth of a LSB */
    long double cycles = (long double)freq / (long double)rate * 0.5L * (long double)(n - 1);
    double middle = (double)(TURN * (cycles - rintl(cycles))) + phase;
    assert_near(angle_between(fit.phase_rad, middle), 0.0, 3e-8, "rad");
    worst_db = fmax(worst_db, fabs(level_db));
    worst_hz = fmax(worst_hz, fabs(fit.freq_hz - freq));
    worst_floor_db = fmax(worst_floor_db, floor_db);
  }
  print_message("worst: %.2g dB, %.2g Hz, floor %.2f dB\n", worst_db, worst_hz, worst_floor_db);
}

/* The oracle is the rounding itself, known sample by sample: what is left must be that and nothing else. */
static void what_is_left_of_a_tone_is_the_rounding_of_its_samples(void **state)
{
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(21));
  for (int i = 0; i < 12; i++) {
    double amplitude = mt_ratio_of_db(-10.0 * i), freq = random_freq(&random);
    mt_sine_fit fit;
    tones_fill(samples, 48000, 48000.0, freq, amplitude, 1.0 * i);
    double rounding = store_float(samples, 48000);
    assert_ok(mt_fit_sine(samples, 48000, 48000.0, freq, 10, &fit, residual, &err), err);
    /* 23 parameters of 48000 may explain 0.002 dB of it; a periodic pattern, more */
    assert_near(mt_db_of_ratio(fit.rms_residual / rounding), 0.0, 0.05, "dB");
    assert_near(mt_db_of_ratio(sqrt(support_mean_square(residual, 48000)) / fit.rms_residual), 0.0, 1e-9,
                "dB");
  }
}

/* With double samples nothing but our own arithmetic is left. Requirement: below -195 dB. */
static void double_samples_leave_less_than_minus_195_db(void **state)
{
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(22));
  for (int i = 0; i < 30; i++) {
    double freq = random_freq(&random);
    mt_sine_fit fit;
    tones_fill(samples, 48000, 48000.0, freq, 0.5, 1.0 * i);
    add_tone(samples, 48000, 48000.0, 2.0 * freq, 0.5e-3 * (2.0 * freq < 23000.0), 2.0 * i);
    assert_ok(mt_fit_sine(samples, 48000, 48000.0, freq, 10, &fit, NULL, &err), err);
    assert_true(mt_db_of_ratio(fit.rms_residual / fit.amplitude) < -195.0);
  }
}

/*
 * Ideal quantiser, full-scale sine: SNR = 6.0206 N + 1.7609 dB; TPDF dither of 2 LSB peak to peak costs
 * 4.7712 dB (W. R. Bennett 1948; Lipshitz, Wannamaker and Vanderkooy 1992). Four records together have a
 * statistical spread of 4.343 / sqrt(4 x 24000) = 0.014 dB, so 0.1 dB is 7 sigma.
 */
static void quantised_tones_leave_the_noise_of_theory(void **state)
{
  static const int bits[] = {24, 20, 16};
  static const double primes_hz[] = {997.0, 1009.0, 1013.0, 1019.0}; /* 48000 distinct phases each */
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(23));
  for (int dithered = 0; dithered < 2; dithered++)
    for (size_t b = 0; b < 3; b++) {
      const tones_storage how = {"", bits[b], dithered != 0};
      double theory_db = tones_floor_db(&how), power = 0.0;
      for (int run = 0; run < 4; run++) {
        mt_sine_fit fit;
        tones_fill(samples, 48000, 48000.0, primes_hz[run], 1.0, 0.3 * run);
        tones_store(&random, &how, samples, 48000);
        assert_ok(mt_fit_sine(samples, 48000, 48000.0, primes_hz[run], 1, &fit, NULL, &err), err);
        power += 0.25 * 2.0 * fit.rms_residual * fit.rms_residual;
      }
      print_message("%d bit%s: %.3f dB, theory %.3f\n", bits[b], dithered ? " TPDF" : "",
                    mt_db_of_power(power), theory_db);
      assert_near(mt_db_of_power(power), theory_db, 0.1, "dB");
    }
}

/* ---- the bound --------------------------------------------------------------------------------- */

/*
 * R runs give a ratio with a standard deviation of sqrt(2 / R) (chi-squared, R degrees of freedom). The
 * requirement is a ratio of at most 1.10: the test fails when that lies below the one-sided 95 % interval.
 * With R = 3500 an estimator 1.2 times worse than the bound fails 97 times in 100, an efficient one
 * (ratio 1) once in 10^8. A ratio below what chance allows means that the test itself is wrong.
 */
static void check_ratio(double ratio, int runs, const char *what, size_t n)
{
  double spread = 1.645 * sqrt(2.0 / runs), low = ratio / (1.0 + spread), high = ratio / (1.0 - spread);
  print_message("N %zu, %d runs, %s: error over bound %.3f, 90 %% interval %.3f ... %.3f\n", n, runs, what,
                ratio, low, high);
  assert_between(low, 0.0, 1.10, "of the bound");
  assert_between(high, 0.95, 2.0, "of the bound");
}

static void errors_stay_at_the_cramer_rao_bound(void **state)
{
  static const size_t lengths[] = {4800, 48000};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(24));
  for (size_t l = 0; l < 2; l++) {
    tones_efficiency all = {0};
    for (double snr_db = 20.0; snr_db <= 100.0; snr_db += 20.0) {
      tones_efficiency one = {0};
      tones_run_efficiency(&random, samples, lengths[l], snr_db, 700, &one);
      print_message("N %zu, %3.0f dB: frequency %.3f, amplitude %.3f\n", lengths[l], snr_db,
                    one.freq / one.runs, one.amplitude / one.runs);
      all.freq += one.freq;
      all.amplitude += one.amplitude;
      all.runs += one.runs;
    }
    check_ratio(all.freq / all.runs, all.runs, "frequency", lengths[l]);
    check_ratio(all.amplitude / all.runs, all.runs, "amplitude", lengths[l]);
  }
}

/* ---- an independent least-squares oracle -------------------------------------------------------- */

enum { ORACLE_ROWS = 400, ORACLE_COLUMNS = 9 };

/* Sum of squares left after the best DC and orders at one frequency: modified Gram-Schmidt, long double. */
static long double oracle_left(const double *x, size_t n, double cycles, int norders)
{
  static long double column[ORACLE_COLUMNS][ORACLE_ROWS], left[ORACLE_ROWS];
  int ncolumns = 2 * norders + 1;
  long double sum = 0.0L;

  for (size_t i = 0; i < n; i++) {
    left[i] = (long double)x[i];
    column[0][i] = 1.0L;
    for (int k = 1; k <= norders; k++) {
      column[2 * k - 1][i] = cosl(TURN * (long double)(k * cycles) * (long double)i);
      column[2 * k][i] = sinl(TURN * (long double)(k * cycles) * (long double)i);
    }
  }
  for (int c = 0; c < ncolumns; c++) {
    long double norm = 0.0L;
    for (size_t i = 0; i < n; i++)
      norm += column[c][i] * column[c][i];
    for (int d = c + 1; d <= ncolumns; d++) {
      long double *target = d < ncolumns ? column[d] : left, dot = 0.0L;
      for (size_t i = 0; i < n; i++)
        dot += column[c][i] * target[i];
      for (size_t i = 0; i < n; i++)
        target[i] -= dot / norm * column[c][i];
    }
  }
  for (size_t i = 0; i < n; i++)
    sum += left[i] * left[i];
  return sum;
}

/* Vertex of the parabola through three points one step apart. */
static double oracle_minimum(const double *x, size_t n, double cycles, double step, int norders)
{
  for (int i = 0; i < 6; i++) {
    long double a = oracle_left(x, n, cycles - step, norders), b = oracle_left(x, n, cycles, norders),
                c = oracle_left(x, n, cycles + step, norders);
    cycles += step * (double)(0.5L * (a - c) / (a - 2.0L * b + c));
  }
  return cycles;
}

/* Short noisy records with hum, where nothing is orthogonal to anything: the fit must be THE least-squares fit. */
static void the_fit_is_the_minimum_a_slow_search_finds(void **state)
{
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(25));
  for (int run = 0; run < 12; run++) {
    size_t n = 150 + 20 * (size_t)run;
    double cycles = (3.0 + 20.0 * mt_random_uniform(&random)) / (double)n;
    int norders = 1 + run % 4;
    mt_sine_fit fit;
    tones_fill(samples, n, 1.0, cycles, 0.7, 0.5 * run);
    add_tone(samples, n, 1.0, 2.0 * cycles, 0.05, 1.0);
    add_tone(samples, n, 1.0, 0.3 / (double)n, 0.02, 2.0);
    for (size_t i = 0; i < n; i++)
      samples[i] += 0.1 + 0.01 * mt_random_normal(&random);
    assert_ok(mt_fit_sine(samples, n, 1.0, cycles, norders, &fit, residual, &err), err);
    assert_int_equal(fit.norders, norders);
    double best = oracle_minimum(samples, n, fit.freq_hz, 0.0002 / (double)n, norders);
    /* the parabola is good to about its step squared */
    assert_near((fit.freq_hz - best) * (double)n, 0.0, 1e-6, "bins");
    assert_near(fit.rms_residual, (double)sqrtl(oracle_left(samples, n, best, norders) / (long double)n),
                1e-12, "FS");
  }
}

/* Put together again, model and residual are the record: whoever reads the fields reads them as meant. */
static void model_plus_residual_is_the_record(void **state)
{
  static const size_t lengths[] = {777, 4801, 48000};
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(26));
  for (size_t l = 0; l < 3; l++) {
    size_t n = lengths[l];
    double half = 0.5 * (double)(n - 1);
    mt_sine_fit fit;
    tones_fill(samples, n, 48000.0, 1234.5, 0.3, 1.0);
    for (size_t i = 0; i < n; i++) {
      samples[i] += 0.2;
      samples[i] += 0.1 * samples[i] * samples[i] + 1e-3 * mt_random_normal(&random);
    }
    assert_ok(mt_fit_sine(samples, n, 48000.0, 1234.0, 5, &fit, residual, &err), err);
    for (size_t i = 0; i < n; i++) {
      double model = fit.dc;
      for (int k = 1; k <= fit.norders; k++)
        model += fit.harmonic_amplitude[k] *
                 exact_cosine(k * fit.freq_hz, 48000.0, (double)i - half, fit.harmonic_phase_rad[k]);
      assert_near(model + residual[i], samples[i], 1e-12, "FS");
    }
    assert_near(fit.amplitude, fit.harmonic_amplitude[1], 0.0, "FS");
    assert_near(fit.phase_rad, fit.harmonic_phase_rad[1], 0.0, "rad");
  }
}

/* ---- harmonics of closed-form waveforms --------------------------------------------------------- */

/* 997 Hz at 48 kHz for 1 s takes 48000 distinct phases, so that nothing folds onto a harmonic (1000 Hz would). */
static void fit_shaped_sine(double (*shape)(double, double), double parameter, double peak, mt_sine_fit *fit)
{
  mt_error err = {0};
  for (size_t i = 0; i < 48000; i++)
    samples[i] = shape(peak * exact_cosine(997.0, 48000.0, (double)i, 0.4), parameter);
  store_float(samples, 48000);
  assert_ok(mt_fit_sine(samples, 48000, 48000.0, 997.0, 10, fit, NULL, &err), err);
  /* orders above half the rate fold to lines that are not fitted: at most -40 dB each, see the bias test */
  assert_near(fit->freq_hz, 997.0, 1e-5, "Hz");
}

static double harmonic_db(const mt_sine_fit *fit, int order)
{
  return mt_db_of_ratio(fit->harmonic_amplitude[order] / fit->amplitude);
}

/* Sign of a term of the cosine series: the harmonic stands with the fundamental (+1) or against it (-1). */
static int harmonic_sign(const mt_sine_fit *fit, int order)
{
  double apart = angle_between(fit->harmonic_phase_rad[order], order * fit->phase_rad);
  assert_true(apart < 1e-3 || apart > MT_PI - 1e-3);
  return apart < 1.0 ? 1 : -1;
}

static double hard_clip(double x, double at)
{
  return fmax(-at, fmin(at, x));
}

static double positive_clip(double x, double at)
{
  return fmin(at, x);
}

static double soft_dead_zone(double x, double width)
{
  return copysign(fmax(fabs(x) - width, 0.0), x);
}

static double polynomial(double x, double ignored)
{
  (void)ignored;
  return x + 0.01 * x * x + 0.005 * x * x * x;
}

/*
 * Fourier series of a sine clipped at +-c: b_1 = (2/pi)(asin c + c sqrt(1 - c^2)) and its odd orders; closed
 * form, checked against quadrature and a long transform. Signs are those of the sine series; a cosine
 * series has every second odd order the other way round. Tolerance 0.01 dB: the requirement.
 */
static void clipped_sine_has_the_harmonics_of_its_series(void **state)
{
  static const struct {
    double at, first, odd_db[4];
    int sine_sign[4];
  } table[] = {
      {0.99, 0.998801, {-58.5555, -58.8366, -59.2632, -59.8418}, {+1, -1, +1, -1}},
      {0.95, 0.986680, {-38.1031, -39.5763, -41.9444, -45.4950}, {+1, -1, +1, -1}},
      {0.90, 0.962614, {-29.6658, -32.8136, -38.4492, -50.2673}, {+1, -1, +1, -1}},
      {0.80, 0.895912, {-21.7387, -29.1913, -68.9831, -39.8778}, {+1, -1, +1, +1}},
      {M_SQRT1_2, 0.818310, {-17.7438, -31.7232, -34.6457, -41.2656}, {+1, -1, -1, +1}},
      {0.50, 0.608998, {-12.9053, -26.8847, -35.8279, -32.9053}, {+1, +1, -1, -1}},
  };
  (void)state;
  for (size_t row = 0; row < sizeof table / sizeof table[0]; row++) {
    mt_sine_fit fit;
    fit_shaped_sine(hard_clip, table[row].at, 1.0, &fit);
    assert_near(fit.amplitude, table[row].first, 1e-6, "FS");
    for (int i = 0; i < 4; i++) {
      int order = 2 * i + 3, turned = i % 2 == 0 ? -1 : +1;
      assert_near(harmonic_db(&fit, order), table[row].odd_db[i], 0.01, "dB");
      assert_int_equal(harmonic_sign(&fit, order), turned * table[row].sine_sign[i]);
      assert_true(harmonic_db(&fit, order - 1) < -110.0);
    }
  }
}

/* Half the odd terms of the symmetric clip, and even ones; same tolerance. */
static void one_sided_clip_has_even_harmonics(void **state)
{
  static const struct {
    double at, first, dc, db[4];
  } table[] = {{0.9, 0.981307, -0.009538, {-34.938, -35.853, -37.186, -39.001}},
               {0.8, 0.947956, -0.027120, {-26.312, -28.250, -31.225, -35.702}}};
  (void)state;
  for (size_t row = 0; row < 2; row++) {
    mt_sine_fit fit;
    fit_shaped_sine(positive_clip, table[row].at, 1.0, &fit);
    assert_near(fit.amplitude, table[row].first, 1e-6, "FS");
    assert_near(fit.dc, table[row].dc, 1e-6, "FS");
    for (int order = 2; order <= 5; order++)
      assert_near(harmonic_db(&fit, order), table[row].db[order - 2], 0.01, "dB");
  }
}

/* A sine less a clipped sine: b_1 = 1 - b_1,clip, b_n = -b_n,clip. */
static void crossover_has_the_harmonics_of_its_series(void **state)
{
  static const struct {
    double width, first, odd_db[3];
  } table[] = {
      {0.001, 0.998727, {-67.433, -71.870, -74.793}}, {0.01, 0.987268, {-47.334, -51.774, -54.700}},
      {0.02, 0.974537, {-41.205, -45.651, -48.588}},  {0.05, 0.936365, {-32.926, -37.421, -40.431}},
      {0.10, 0.872889, {-26.394, -31.066, -34.346}},  {0.20, 0.747060, {-19.423, -24.839, -29.326}},
      {0.50, 0.391002, {-9.057, -23.036, -31.979}},
  };
  (void)state;
  for (size_t row = 0; row < sizeof table / sizeof table[0]; row++) {
    mt_sine_fit fit;
    fit_shaped_sine(soft_dead_zone, table[row].width, 1.0, &fit);
    assert_near(fit.amplitude, table[row].first, 1e-6, "FS");
    for (int i = 0; i < 3; i++)
      assert_near(harmonic_db(&fit, 2 * i + 3), table[row].odd_db[i], 0.01, "dB");
  }
}

/* x + a2 x^2 + a3 x^3 on A cos: DC a2 A^2 / 2, H1 A + 3/4 a3 A^3, H2 a2 A^2 / 2, H3 a3 A^3 / 4 (trigonometry). */
static void polynomial_has_the_harmonics_of_trigonometry(void **state)
{
  static const struct {
    double peak, first, db[2];
  } table[] = {{1.0, 1.00375000, {-46.0531, -58.0943}},
               {0.5, 0.50046875, {-52.0493, -70.1111}},
               {0.1, 0.10000375, {-66.0209, -98.0621}}};
  (void)state;
  for (size_t row = 0; row < 3; row++) {
    double peak = table[row].peak;
    mt_sine_fit fit;
    fit_shaped_sine(polynomial, 0.0, peak, &fit);
    assert_near(fit.amplitude, table[row].first, 1e-8, "FS");
    assert_near(fit.dc, 0.5 * 0.01 * peak * peak, 1e-8, "FS");
    for (int order = 2; order <= 3; order++) {
      assert_near(harmonic_db(&fit, order), table[row].db[order - 2], 0.01, "dB");
      assert_int_equal(harmonic_sign(&fit, order), +1);
    }
    /* float32 samples: each further order has only its share of -153 dB */
    for (int order = 4; order <= 10; order++)
      assert_true(harmonic_db(&fit, order) < -140.0);
  }
}

/* ---- what else may be in the record ------------------------------------------------------------- */

/*
 * Worst bias by a line at -40 dB that is not fitted, 997.3 Hz at 48 kHz, over 16 x 16 phases of tone and line:
 * computed with an independent least-squares fit (numpy.linalg.lstsq on the four columns, 7 iterations),
 * ppm and dB, 2 % for the digits printed. Least squares cannot do better; orders fitted jointly can.
 */
static void a_line_left_out_biases_no_more_than_it_must(void **state)
{
  static const struct {
    size_t n;
    double line_hz, ppm, db;
  } table[] = {{4096, 2.0 * 997.3, 0.4756, 1.94e-4},
               {4096, 50.0, 0.5013, 4.53e-4},
               {48000, 2.0 * 997.3, 0.00277, 2.54e-5},
               {48000, 50.0, 0.00360, 4.50e-5}};
  mt_error err = {0};
  (void)state;
  for (size_t row = 0; row < 4; row++) {
    double worst_ppm = 0.0, worst_db = 0.0;
    bool harmonic = table[row].line_hz > 1000.0;
    for (int i = 0; i < 64; i++) {
      mt_sine_fit fit;
      tones_fill_fast(samples, table[row].n, 997.3 / 48000.0, 1.0, 2.0 * MT_PI * (i / 8) / 8.0);
      tones_fill_fast(residual, table[row].n, table[row].line_hz / 48000.0, 0.01,
                      2.0 * MT_PI * (i % 8) / 8.0);
      for (size_t j = 0; j < table[row].n; j++)
        samples[j] += residual[j];
      assert_ok(mt_fit_sine(samples, table[row].n, 48000.0, 997.3, 1, &fit, NULL, &err), err);
      worst_ppm = fmax(worst_ppm, 1e6 * fabs(fit.freq_hz / 997.3 - 1.0));
      worst_db = fmax(worst_db, fabs(mt_db_of_ratio(fit.amplitude)));
      if (harmonic) {
        assert_ok(mt_fit_sine(samples, table[row].n, 48000.0, 997.3, 2, &fit, NULL, &err), err);
        assert_near(1e6 * (fit.freq_hz / 997.3 - 1.0), 0.0, 1e-7, "ppm");
        assert_near(harmonic_db(&fit, 2), -40.0, 1e-8, "dB");
      }
    }
    print_message("%zu frames, line at %.1f Hz: %.3g ppm, %.3g dB\n", table[row].n, table[row].line_hz,
                  worst_ppm, worst_db);
    assert_between(worst_ppm, 0.5 * table[row].ppm, 1.02 * table[row].ppm, "ppm");
    assert_between(worst_db, 0.5 * table[row].db, 1.02 * table[row].db, "dB");
  }
}

/*
 * The same worked out beforehand with NumPy, for a tone (a cosine) that starts at a phase of 0.2 rad and the worst
 * phase of the line: 0.354 ppm for H2 when the line's phases are 45 degrees apart (0.357 for the worst of all), 0.456
 * for hum, 0.0015 and 0.0017 ppm in 48000 frames. Over all phases of the tone it is the 0.476 and 0.501 above.
 */
static void a_line_left_out_biases_a_tone_of_one_phase_as_worked_out(void **state)
{
  static const struct {
    size_t n;
    double line_hz;
    int phases;
    double ppm, tol; /* digits printed, and 1 % for phases between those tried */
    double db;       /* two digits; 0: not given */
  } table[] = {{4096, 2.0 * 997.3, 8, 0.354, 0.0006, 1.7e-4},
               {4096, 50.0, 8, 0.456, 0.0051, 0.0},
               {48000, 2.0 * 997.3, 24, 0.0015, 0.00005, 2.1e-5},
               {48000, 50.0, 24, 0.0017, 0.00005, 0.0}};
  mt_error err = {0};
  (void)state;
  for (size_t row = 0; row < 4; row++) {
    double worst_ppm = 0.0, worst_db = 0.0;
    for (int i = 0; i < table[row].phases; i++) {
      mt_sine_fit fit;
      tones_fill_fast(samples, table[row].n, 997.3 / 48000.0, 1.0, 0.2);
      tones_fill_fast(residual, table[row].n, table[row].line_hz / 48000.0, 0.01,
                      2.0 * MT_PI * i / table[row].phases);
      for (size_t j = 0; j < table[row].n; j++)
        samples[j] += residual[j];
      assert_ok(mt_fit_sine(samples, table[row].n, 48000.0, 997.3, 1, &fit, NULL, &err), err);
      worst_ppm = fmax(worst_ppm, 1e6 * fabs(fit.freq_hz / 997.3 - 1.0));
      worst_db = fmax(worst_db, fabs(mt_db_of_ratio(fit.amplitude)));
    }
    assert_near(worst_ppm, table[row].ppm, table[row].tol, "ppm");
    if (table[row].db > 0.0)
      assert_near(worst_db, table[row].db, 0.03 * table[row].db, "dB");
  }
}

/* 20 Hz in 0.25 s is 5 periods: fitted alone, an H2 at -40 dB costs 0.006 dB; jointly, nothing. */
static void harmonics_of_a_short_low_tone_are_told_apart(void **state)
{
  mt_error err = {0};
  mt_sine_fit alone, joint;
  double worst_db = 0.0;
  (void)state;
  for (int i = 0; i < 16; i++) {
    tones_fill(samples, 12000, 48000.0, 20.3, 0.5, 0.4 * i);
    add_tone(samples, 12000, 48000.0, 40.6, 0.005, 1.7 * i);
    assert_ok(mt_fit_sine(samples, 12000, 48000.0, 20.0, 1, &alone, NULL, &err), err);
    assert_ok(mt_fit_sine(samples, 12000, 48000.0, 20.0, 5, &joint, NULL, &err), err);
    worst_db = fmax(worst_db, fabs(mt_db_of_ratio(alone.amplitude / 0.5)));
    assert_near(mt_db_of_ratio(joint.amplitude / 0.5), 0.0, 1e-9, "dB");
    assert_near(joint.freq_hz, 20.3, 1e-9, "Hz");
    assert_near(harmonic_db(&joint, 2), -40.0, 1e-7, "dB");
  }
  assert_between(worst_db, 0.001, 0.02, "dB");
}

/* 5 periods and less, any frequency, any phase, a start up to a bin off. */
static void a_few_periods_are_enough(void **state)
{
  static const double periods[] = {2.0, 3.0, 5.0, 7.7};
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(27));
  for (int i = 0; i < 200; i++) {
    double freq = 20.0 * pow(250.0, mt_random_uniform(&random)), count = periods[i % 4];
    size_t n = (size_t)ceil(count * 48000.0 / freq);
    double guess = freq + 0.9 * 48000.0 / (double)n * (2.0 * mt_random_uniform(&random) - 1.0);
    mt_sine_fit fit;
    tones_fill(samples, n, 48000.0, freq, 0.25, 0.1 * i);
    assert_ok(mt_fit_sine(samples, n, 48000.0, i % 3 == 0 ? 0.0 : guess, 1, &fit, NULL, &err), err);
    assert_near(fit.freq_hz / freq, 1.0, 1e-8, "");
    assert_near(mt_db_of_ratio(fit.amplitude / 0.25), 0.0, 1e-6, "dB");
  }
}

/* Requirement: a start off by a bin or by 1000 ppm, whichever is more. */
static void a_start_off_by_a_bin_or_1000_ppm_is_enough(void **state)
{
  static const double freqs[] = {20.0, 997.0, 7993.0, 19997.0};
  mt_error err = {0};
  (void)state;
  for (size_t f = 0; f < 4; f++)
    for (int step = -4; step <= 4; step++) {
      double off = fmax(1e-3 * freqs[f], 1.0) * step / 4.0;
      mt_sine_fit fit;
      tones_fill_fast(samples, 48000, freqs[f] / 48000.0, 0.1, 1.0);
      assert_ok(mt_fit_sine(samples, 48000, 48000.0, freqs[f] + off, 1, &fit, NULL, &err), err);
      assert_near(fit.freq_hz, freqs[f], 1e-6, "Hz");
    }
}

/* A start far from any line finds none, and does not wander off to the tone. */
static void a_start_too_far_off_is_refused(void **state)
{
  mt_random random;
  mt_error err = {0};
  mt_sine_fit fit;
  (void)state;
  mt_random_init(&random, support_seed(28));
  tones_fill(samples, 48000, 48000.0, 997.0, 0.5, 1.0);
  for (size_t i = 0; i < 48000; i++)
    samples[i] += 1e-4 * mt_random_normal(&random);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 1097.0, 1, &fit, NULL, &err), MT_E_DATA);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 987.0, 1, &fit, NULL, &err), MT_E_DATA);
}

/* DC 60 dB and hum 20 dB above the tone; the line asked for is found, the other only leaks in as it must. */
static void strong_dc_and_hum_do_not_hide_a_tone(void **state)
{
  static const size_t lengths[] = {12000, 48000};
  mt_error err = {0};
  (void)state;
  for (size_t l = 0; l < 2; l++)
    for (int i = 0; i < 8; i++) {
      mt_sine_fit fit;
      tones_fill(samples, lengths[l], 48000.0, 997.3, 1e-3, 0.8 * i);
      add_tone(samples, lengths[l], 48000.0, 50.02, 1e-2, 1.3 * i);
      for (size_t j = 0; j < lengths[l]; j++)
        samples[j] += 0.9;
      assert_ok(mt_fit_sine(samples, lengths[l], 48000.0, 997.0, 1, &fit, NULL, &err), err);
      /* hum at -40 dB costs 0.0036 ppm of 1 s; at +20 dB, and by the cube of the length, that is: */
      double ppm = 0.0036 * 1e3 * pow(48000.0 / (double)lengths[l], 3.0);
      assert_near(1e6 * (fit.freq_hz / 997.3 - 1.0), 0.0, 1.2 * ppm, "ppm");
      assert_near(mt_db_of_ratio(fit.amplitude / 1e-3), 0.0, 0.2, "dB");
    }
}

/* -60 dB tone of a dynamic-range reading in the noise of an 8-bit converter: still a tone. */
static void a_tone_under_the_noise_is_found(void **state)
{
  mt_random random;
  mt_error err = {0};
  (void)state;
  mt_random_init(&random, support_seed(29));
  for (int i = 0; i < 20; i++) {
    mt_sine_fit fit;
    tones_fill_fast(samples, 48000, 997.0 / 48000.0, 1e-3, 0.3 * i);
    for (size_t j = 0; j < 48000; j++)
      samples[j] += 3e-3 * mt_random_normal(&random);
    assert_ok(mt_fit_sine(samples, 48000, 48000.0, 997.0, 1, &fit, NULL, &err), err);
    /* bound at -12.6 dB: 0.0106 Hz; 6 sigma */
    assert_near(fit.freq_hz, 997.0, 6.0 * 0.0106, "Hz");
  }
}

/* ---- the three-parameter fit -------------------------------------------------------------------- */

/*
 * A frequency wrong by df over T: amplitude sinc(df T), what is left sqrt(1 - sinc^2) of the tone. Values of
 * that closed form, confirmed by simulation. Tolerance: the digits printed and the leakage of the tone's
 * image at -f, at most sin(pi df T) / (2 pi f T).
 */
static void a_wrong_known_frequency_fakes_a_residual(void **state)
{
  static const struct {
    double bins, level_db, digits_db, left_db;
  } table[] = {{1e-4, -1e-7, 5e-8, -74.83},
               {1e-3, -1.4e-5, 5e-7, -54.83},
               {0.01, -0.00143, 5e-6, -34.83},
               {0.05, -0.0357, 5e-5, -20.86},
               {0.1, -0.1434, 5e-5, -14.89}};
  mt_error err = {0};
  (void)state;
  for (size_t row = 0; row < 5; row++) {
    mt_sine_fit fit;
    tones_fill(samples, 48000, 48000.0, 997.0 + table[row].bins, 0.5, 1.0);
    assert_ok(mt_fit_known(samples, 48000, 48000.0, 997.0, &fit, residual, &err), err);
    assert_near(mt_db_of_ratio(fit.amplitude / 0.5), table[row].level_db,
                table[row].digits_db + 8.686 * table[row].bins / (2.0 * 997.0), "dB");
    assert_near(mt_db_of_ratio(fit.rms_residual / (0.5 * M_SQRT1_2)), table[row].left_db, 0.01, "dB");
    assert_near(support_mean_square(residual, 48000), fit.rms_residual * fit.rms_residual, 1e-15, "FS^2");
    assert_near(fit.freq_hz, 997.0, 0.0, "Hz");
  }
}

/* Crosstalk of a dead channel: nothing there is an answer, not an error. */
static void a_known_tone_that_is_not_there_reads_zero(void **state)
{
  mt_error err = {0};
  mt_sine_fit fit;
  (void)state;
  memset(samples, 0, 4800 * sizeof samples[0]);
  assert_ok(mt_fit_known(samples, 4800, 48000.0, 997.0, &fit, NULL, &err), err);
  assert_near(fit.amplitude, 0.0, 0.0, "FS");
  assert_near(fit.rms_residual, 0.0, 0.0, "FS");
}

/* The slow sum of one frequency is an oracle where all is orthogonal: 48 whole periods and more. */
static void a_small_line_reads_as_a_slow_transform_reads_it(void **state)
{
  mt_random random;
  mt_error err = {0};
  mt_sine_fit fit;
  (void)state;
  mt_random_init(&random, support_seed(30));
  for (size_t i = 0; i < 48000; i++)
    samples[i] = 1e-3 * mt_random_normal(&random);
  add_tone(samples, 48000, 48000.0, 997.0, 1e-4, 1.0);
  assert_ok(mt_fit_known(samples, 48000, 48000.0, 997.0, &fit, NULL, &err), err);
  assert_near(fit.amplitude, support_dft_amplitude(samples, 48000, 48000.0, 997.0), 1e-14, "FS");
}

/* ---- refusals ----------------------------------------------------------------------------------- */

static void assert_refused(size_t n, double guess_hz, mt_code want)
{
  mt_sine_fit fit = {.freq_hz = 7.0};
  mt_error err = {0};
  assert_int_equal(mt_fit_sine(samples, n, 48000.0, guess_hz, 10, &fit, NULL, &err), want);
  assert_near(fit.freq_hz, 7.0, 0.0, "Hz"); /* untouched */
  assert_true(err.message[0] != '\0');
}

static void silence_dc_impulse_and_noise_have_no_tone(void **state)
{
  static const size_t lengths[] = {16, 100, 4800, 48000};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(31));
  for (size_t l = 0; l < 4; l++)
    for (int guessed = 0; guessed < 2; guessed++) {
      size_t n = lengths[l];
      double guess = guessed ? 9970.0 : 0.0;
      memset(samples, 0, sizeof samples);
      assert_refused(n, guess, MT_E_DATA);
      for (size_t at = 0; at < n; at += n / 7 + 1) {
        samples[at] = 1.0;
        assert_refused(n, guess, MT_E_DATA);
        samples[at] = 0.0;
      }
      for (size_t i = 0; i < n; i++)
        samples[i] = 0.1;
      assert_refused(n, guess, MT_E_DATA);
      for (int run = 0; run < (n < 10000 ? 200 : 20); run++) {
        for (size_t i = 0; i < n; i++)
          samples[i] = mt_random_normal(&random);
        assert_refused(n, guess, MT_E_DATA);
      }
    }
}

static void samples_that_are_not_finite_are_refused(void **state)
{
  static const double wrong[] = {(double)NAN, (double)INFINITY, -(double)INFINITY};
  static const size_t places[] = {0, 4711, 47999};
  mt_sine_fit fit;
  mt_error err = {0};
  (void)state;
  for (size_t w = 0; w < 3; w++)
    for (size_t p = 0; p < 3; p++) {
      char number[32];
      tones_fill_fast(samples, 48000, 997.0 / 48000.0, 0.5, 0.0);
      samples[places[p]] = wrong[w];
      assert_refused(48000, 997.0, MT_E_DATA);
      assert_refused(48000, 0.0, MT_E_DATA);
      assert_int_equal(mt_fit_known(samples, 48000, 48000.0, 997.0, &fit, NULL, &err), MT_E_DATA);
      snprintf(number, sizeof number, "sample %zu ", places[p]);
      assert_non_null(strstr(err.message, number));
    }
}

/* A sweep has power everywhere and a tone nowhere. */
static void a_sweep_is_not_a_tone(void **state)
{
  (void)state;
  for (size_t i = 0; i < 48000; i++) {
    double t = (double)i / 48000.0;
    samples[i] = 0.5 * sin(2.0 * MT_PI * 20.0 * 0.145 * (exp(t / 0.145) - 1.0));
  }
  assert_refused(48000, 997.0, MT_E_DATA);
  assert_refused(48000, 0.0, MT_E_DATA);
}

static void arguments_out_of_range_are_refused(void **state)
{
  mt_sine_fit fit;
  mt_error err = {0};
  (void)state;
  tones_fill_fast(samples, 48000, 997.0 / 48000.0, 0.5, 0.0);
  assert_int_equal(mt_fit_sine(NULL, 48000, 48000.0, 997.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 0, 48000.0, 997.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 15, 48000.0, 9970.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 997.0, 0, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 997.0, MT_ORDERS_MAX + 1, &fit, NULL, &err),
                   MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, -1.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 24000.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, (double)NAN, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 0.0, 997.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, (double)NAN, 997.0, 1, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_sine(samples, 48000, 48000.0, 997.0, 1, NULL, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_known(samples, 48000, 48000.0, 0.0, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_known(samples, 48000, 48000.0, 24000.0, &fit, NULL, &err), MT_E_ARG);
  assert_int_equal(mt_fit_known(samples, 48000, 48000.0, (double)NAN, &fit, NULL, &err), MT_E_ARG);
}

static void orders_above_half_the_rate_are_left_out(void **state)
{
  static const struct {
    double freq_hz;
    int norders;
  } table[] = {{997.0, 10}, {2399.0, 10}, {2400.0, 9}, {8000.5, 2}, {11999.5, 1}, {13000.0, 1}, {20000.0, 1}};
  mt_error err = {0};
  (void)state;
  for (size_t row = 0; row < sizeof table / sizeof table[0]; row++) {
    mt_sine_fit fit;
    tones_fill(samples, 48000, 48000.0, table[row].freq_hz, 0.5, 1.0);
    store_float(samples, 48000);
    assert_ok(mt_fit_sine(samples, 48000, 48000.0, table[row].freq_hz, 10, &fit, NULL, &err), err);
    assert_int_equal(fit.norders, table[row].norders);
    assert_near(mt_db_of_ratio(fit.amplitude / 0.5), 0.0, 1e-4, "dB");
    for (int k = fit.norders + 1; k <= MT_ORDERS_MAX; k++)
      assert_near(fit.harmonic_amplitude[k], 0.0, 0.0, "FS");
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(any_tone_reads_to_a_ten_thousandth_of_a_decibel),
      cmocka_unit_test(what_is_left_of_a_tone_is_the_rounding_of_its_samples),
      cmocka_unit_test(double_samples_leave_less_than_minus_195_db),
      cmocka_unit_test(quantised_tones_leave_the_noise_of_theory),
      cmocka_unit_test(errors_stay_at_the_cramer_rao_bound),
      cmocka_unit_test(the_fit_is_the_minimum_a_slow_search_finds),
      cmocka_unit_test(model_plus_residual_is_the_record),
      cmocka_unit_test(clipped_sine_has_the_harmonics_of_its_series),
      cmocka_unit_test(one_sided_clip_has_even_harmonics),
      cmocka_unit_test(crossover_has_the_harmonics_of_its_series),
      cmocka_unit_test(polynomial_has_the_harmonics_of_trigonometry),
      cmocka_unit_test(a_line_left_out_biases_no_more_than_it_must),
      cmocka_unit_test(a_line_left_out_biases_a_tone_of_one_phase_as_worked_out),
      cmocka_unit_test(harmonics_of_a_short_low_tone_are_told_apart),
      cmocka_unit_test(a_few_periods_are_enough),
      cmocka_unit_test(a_start_off_by_a_bin_or_1000_ppm_is_enough),
      cmocka_unit_test(a_start_too_far_off_is_refused),
      cmocka_unit_test(strong_dc_and_hum_do_not_hide_a_tone),
      cmocka_unit_test(a_tone_under_the_noise_is_found),
      cmocka_unit_test(a_wrong_known_frequency_fakes_a_residual),
      cmocka_unit_test(a_known_tone_that_is_not_there_reads_zero),
      cmocka_unit_test(a_small_line_reads_as_a_slow_transform_reads_it),
      cmocka_unit_test(silence_dc_impulse_and_noise_have_no_tone),
      cmocka_unit_test(samples_that_are_not_finite_are_refused),
      cmocka_unit_test(a_sweep_is_not_a_tone),
      cmocka_unit_test(arguments_out_of_range_are_refused),
      cmocka_unit_test(orders_above_half_the_rate_are_left_out),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
