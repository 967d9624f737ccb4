/*
 * Published tables, row by row, read by the tool from recordings. What each is and where the others are: the top of
 * test_published.c. The standards are known here from transcriptions; what is from memory is said beside it.
 */
#include "recorded.h"
#include "support.h"
#include "tones.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#define TONE_HZ 997.0
#define COUNT(a) (sizeof(a) / sizeof(a)[0])

/* A wave put together of lines, in double; read as floats. */
typedef struct wave {
  double *x;
  size_t n;
  double rate_hz;
} wave;

static wave begin_wave(double duration_s, double rate_hz)
{
  wave w = {.n = (size_t)(duration_s * rate_hz), .rate_hz = rate_hz};
  w.x = calloc(w.n, sizeof *w.x);
  assert_non_null(w.x);
  return w;
}

/* c cos + s sin, the angle 0 at the first frame. */
static void add_line(wave *w, double freq_hz, double c, double s)
{
  double *line = malloc(w->n * sizeof *line);
  assert_non_null(line);
  tones_fill_fast(line, w->n, freq_hz / w->rate_hz, hypot(c, s), atan2(-s, c));
  for (size_t i = 0; i < w->n; i++)
    w->x[i] += line[i];
  free(line);
}

static mt_results *read_wave(const wave *w)
{
  float *samples = malloc(w->n * sizeof *samples);
  mt_results *r;
  assert_non_null(samples);
  for (size_t i = 0; i < w->n; i++)
    samples[i] = (float)w->x[i];
  r = recorded_results(samples, w->n, w->rate_hz);
  free(samples);
  return r;
}

static double of_total(double thd_f)
{
  return thd_f / sqrt(1.0 + thd_f * thd_f);
}

/* ---- a real notch ---------------------------------------------------------------------------------------- */

/* The loss of H = (s^2 + w0^2) / (s^2 + s w0 / Q + w0^2) at the n-th harmonic of w0. */
static double notch_gain(double n, double q)
{
  return (n * n - 1.0) / hypot(n * n - 1.0, n / q);
}

/* The same notch on samples, by the bilinear transform, its middle where it should be. */
static void notch(double *x, size_t n, double q, double rate_hz)
{
  double t = tan(MT_PI * TONE_HZ / rate_hz), a0 = 1.0 + t / q + t * t, b1 = 2.0 * (t * t - 1.0) / a0,
         a2 = (1.0 - t / q + t * t) / a0, b0 = (1.0 + t * t) / a0, z1 = 0.0, z2 = 0.0;
  for (size_t i = 0; i < n; i++) {
    double y = b0 * x[i] + z1;
    z1 = b1 * x[i] - b1 * y + z2;
    z2 = b0 * x[i] - a2 * y;
    x[i] = y;
  }
}

/*
 * AES17-2015 5.2.8 allows a notch of Q = 1.2 to 3 (the 1998 edition, from memory, 1 to 5). What it takes off harmonics
 * and noise, worked out beforehand in closed form and by quadrature. The fundamental is taken out exactly here: of a
 * recording of which a notch would have let less through, just that much less is read.
 */
static void a_notch_would_lose_what_its_table_says(void **state)
{
  static const struct {
    double q, harmonic_db[4], noise_db;
  } table[] = {{1.0, {1.5970, 0.5714, 0.2983, 0.1845}, -0.3428},
               {1.2, {1.1682, 0.4047, 0.2093, 0.1290}, -0.2853},
               {2.0, {0.4576, 0.1501, 0.0765, 0.0469}, -0.1708},
               {3.0, {0.2093, 0.0673, 0.0342, 0.0209}, -0.1137},
               {5.0, {0.0765, 0.0244, 0.0123, 0.0075}, -0.0682}};
  const double rate_hz =
      96000.0; /* the band ends far below half of it, where the transform bends frequencies */
  mt_random random;
  mt_results *r;
  double plain_db = 0.0;
  wave noise = begin_wave(12.0, rate_hz), tone = begin_wave(12.0, rate_hz);
  (void)state;
  mt_random_init(&random, support_seed(81));
  add_line(&tone, TONE_HZ, 0.0, 0.1);
  for (size_t i = 0; i < noise.n; i++)
    noise.x[i] = 1e-4 * mt_random_normal(&random);
  for (size_t q = 0; q <= COUNT(table); q++) { /* first without any */
    wave w = begin_wave(12.0, rate_hz);
    memcpy(w.x, noise.x, w.n * sizeof *w.x);
    if (q > 0)
      notch(w.x, w.n, table[q - 1].q, rate_hz);
    for (size_t i = 0; i < w.n; i++)
      w.x[i] += tone.x[i];
    r = read_wave(&w);
    if (q == 0)
      plain_db = recorded_value(r, MT_Q_THD_N, 0);
    else
      /* the same noise with and without: what is lost, a band of pi / 2 f0 / Q for 12 s, is known to 1 %; below the
         tone itself the noise is taken from beside it, which at the bottom of the notch is all but none */
      assert_near(recorded_value(r, MT_Q_THD_N, 0) - plain_db, table[q - 1].noise_db, 0.01, "dB");
    mt_results_destroy(&r);
    free(w.x);
  }
  for (size_t q = 0; q < COUNT(table); q++)
    for (int k = 2; k <= 5; k++) {
      wave w = begin_wave(1.0, 48000.0);
      add_line(&w, TONE_HZ, 0.0, 0.1);
      add_line(&w, k * TONE_HZ, 1e-4 * notch_gain(k, table[q].q), 0.0);
      r = read_wave(&w);
      /* four decimals, and floats that round at -153 dB: 1e-4 dB of a line at -60 dB; THD+N by spectrum */
      assert_near(recorded_value(r, MT_Q_HARMONIC, k), -60.0 - table[q].harmonic_db[k - 2], 2e-4, "dB");
      assert_near(recorded_value(r, MT_Q_THD_N, 0), -60.0 - table[q].harmonic_db[k - 2], 0.002, "dB");
      mt_results_destroy(&r);
      free(w.x);
    }
  free(noise.x);
  free(tone.x);
}

/* ---- waves ----------------------------------------------------------------------------------------------- */

/*
 * Pulses of +-1 that are high for a share D of the time: THD_F = sqrt(pi^2 D (1 - D) / (2 sin^2 pi D) - 1), their lines
 * 4 / (pi k) sin(pi k D), their mean 2 D - 1 (Fourier series). Of 41 Hz, whose orders up to 487 lie in 20 kHz; beyond
 * these is 1 / (2 x 487.5) of the mean square of 4 / pi, by integral.
 */
static mt_results *read_pulses(double duty)
{
  wave w = begin_wave(1.4, 48000.0);
  mt_results *r;
  for (int k = 1; k <= 487; k++)
    add_line(&w, 41.0 * k, 0.1 * 4.0 / (MT_PI * k) * sin(MT_PI * k * duty), 0.0);
  for (size_t n = 0; n < w.n; n++)
    w.x[n] += 0.1 * (2.0 * duty - 1.0);
  r = read_wave(&w);
  free(w.x);
  return r;
}

static void pulses_have_their_closed_form(void **state)
{
  static const double table[][2] = {{0.1, 1.91076}, {0.25, 0.922253}, {0.4, 0.556227}};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    double duty = table[i][0], first = sin(MT_PI * duty);
    double thd_f = sqrt(table[i][1] * table[i][1] - 1.0 / (2.0 * 487.5) / (first * first));
    mt_results *r = read_pulses(duty);
    assert_near(recorded_value(r, MT_Q_DC, 0), 0.1 * (2.0 * duty - 1.0), 1e-6, "FS"); /* what is stated */
    if (thd_f > 1.0) /* no line holds half of it: that is no tone, and read as all the lines together */
      assert_near(recorded_value(r, MT_Q_NOISE, 0),
                  mt_db_of_ratio(0.4 / MT_PI * first) + mt_db_of_power(1.0 + thd_f * thd_f), 0.01, "dBFS");
    else /* lines from order 11 on are read from a spectrum: 0.01 dB. The mean is not distortion (IEEE 1241). */
      assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(thd_f)), 0.01, "dB");
    for (int k = 2; k <= 5 && thd_f < 1.0; k++)
      if (fabs(sin(MT_PI * k * duty)) > 0.1)
        /* 476 orders are not fitted with the others, and lie but 41 Hz apart: what the strongest of them let through
           is taken out, of the rest a part in 30000 of the fundamental stays */
        assert_near(recorded_value(r, MT_Q_HARMONIC, k),
                    mt_db_of_ratio(fabs(sin(MT_PI * k * duty)) / (k * first)), 1e-3, "dB");
    mt_results_destroy(&r);
  }
}

/* A full-wave rectified sine re its line at twice the frequency (Fourier series: 1 / (4 k^2 - 1)). */
static void a_full_wave_rectified_sine_has_its_lines(void **state)
{
  static const double published_db[] = {-13.979, -21.339, -26.444, -30.370};
  wave w = begin_wave(2.0, 48000.0);
  mt_results *r;
  (void)state;
  for (int k = 1; k <= 20; k++)
    add_line(&w, k * TONE_HZ, 0.3 / (4.0 * k * k - 1.0) * (k % 2 == 0 ? -1.0 : 1.0), 0.0);
  r = read_wave(&w);
  for (int k = 2; k <= 5; k++)
    assert_near(recorded_value(r, MT_Q_HARMONIC, k), published_db[k - 2], 0.0006, "dB");
  /* of orders up to 20, 0.227224 */
  assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(0.227224)), 0.002, "dB");
  mt_results_destroy(&r);
  free(w.x);
}

/* Harmonics as large as the fundamental, y = x + 20 x^2 at a peak of 0.1: THD_F 1, THD_R 0.707107, 3.0103 dB apart
   (IEC 60268-3:2013 14.12.3.2). A plain recording would not be taken for one of a tone. */
static void distortion_as_large_as_the_tone_is_read(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].poly[1] = unit.channel[1].poly[1] = 20.0;
  r = unit_bench_results(&unit, 48000.0, -20.0);
  assert_non_null(r);
  for (int c = 0; c < 2; c++) {
    assert_reading(r, MT_Q_THD_F, c, "both", 0.0, 1e-4);
    assert_reading(r, MT_Q_THD_R, c, "both", mt_db_of_ratio(0.707107), 1e-4);
  }
  mt_results_destroy(&r);
}

/* ---- clipping and crossover, order by order ---------------------------------------------------------------- */

/* Closed forms of the Fourier series of a sine clipped at c, of one with a soft and one with a hard dead zone. */
static double clipped(int n, double c)
{
  double at = asin(c);
  if (n % 2 == 0)
    return 0.0;
  if (n == 1)
    return 2.0 / MT_PI * (at + c * cos(at));
  return 4.0 * (n * cos(at) * sin(n * at) - c * cos(n * at)) / (MT_PI * n * (n * n - 1.0));
}

static double soft_zone(int n, double d)
{
  return (n == 1 ? 1.0 : 0.0) - clipped(n, d);
}

static double hard_zone(int n, double d)
{
  double at = asin(d);
  if (n % 2 == 0)
    return 0.0;
  if (n == 1)
    return 1.0 - 2.0 / MT_PI * (at - d * cos(at));
  return -4.0 * (cos(at) * sin(n * at) - n * d * cos(n * at)) / (MT_PI * (n * n - 1.0));
}

/* The orders of 997 Hz up to 19, at a tenth of full scale. */
static mt_results *read_orders(double (*series)(int n, double p), double p)
{
  wave w = begin_wave(2.0, 48000.0);
  mt_results *r;
  for (int k = 1; k <= 19; k++)
    if (series(k, p) != 0.0)
      add_line(&w, k * TONE_HZ, 0.0, 0.1 * series(k, p));
  r = read_wave(&w);
  free(w.x);
  return r;
}

/*
 * THD_F of the orders up to 19, per cent: series, quadrature and transform, worked out beforehand. Without what folds,
 * so that THD+N is the root of these orders over the total.
 */
static void orders_up_to_19_sum_as_worked_out(void **state)
{
  static const struct {
    const char *name;
    double (*series)(int n, double p);
    double p, percent, digit; /* the last one printed */
  } table[] = {{"clip", clipped, 0.99, 0.278230, 1e-6},        {"clip", clipped, 0.95, 1.919753, 1e-6},
               {"clip", clipped, 0.90, 4.215281, 1e-6},        {"clip", clipped, 0.80, 8.974763, 1e-6},
               {"clip", clipped, M_SQRT1_2, 13.414943, 1e-6},  {"clip", clipped, 0.50, 23.285337, 1e-6},
               {"soft zone", soft_zone, 0.001, 0.05824, 1e-5}, {"soft zone", soft_zone, 0.01, 0.58877, 1e-5},
               {"soft zone", soft_zone, 0.02, 1.19037, 1e-5},  {"soft zone", soft_zone, 0.05, 3.05246, 1e-5},
               {"soft zone", soft_zone, 0.10, 6.25174, 1e-5},  {"soft zone", soft_zone, 0.20, 12.82650, 1e-5},
               {"soft zone", soft_zone, 0.50, 36.26762, 1e-5}, {"hard zone", hard_zone, 0.01, 0.00154, 1e-5},
               {"hard zone", hard_zone, 0.02, 0.01226, 1e-5},  {"hard zone", hard_zone, 0.05, 0.18239, 1e-5},
               {"hard zone", hard_zone, 0.10, 1.22521, 1e-5},  {"hard zone", hard_zone, 0.20, 5.21039, 1e-5}};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_results *r = read_orders(table[i].series, table[i].p);
    print_message("%s at %g\n", table[i].name, table[i].p);
    /* half a digit; lines from order 11 on are read from a spectrum */
    assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(0.01 * table[i].percent)),
                8.7 * 0.5 * table[i].digit / table[i].percent + 0.003, "dB");
    mt_results_destroy(&r);
  }
}

/* Sample by sample at 997 Hz, nothing folds onto a harmonic: orders 5, 7 and 9, and the whole, as in the series. */
static void bent_sines_have_their_higher_orders(void **state)
{
  static const struct {
    double c, total_db, thd_r_percent, order_db[3]; /* rms re a full-scale sine of the unclipped level */
  } clips[] = {{0.99, -0.0104, 0.286176, {-58.8366, -59.2632, -59.8418}},
               {0.95, -0.1149, 1.923658, {-39.5763, -41.9444, -45.4950}},
               {0.90, -0.3232, 4.216180, {-32.8136, -38.4492, -50.2673}},
               {0.80, -0.9198, 8.942603, {-29.1913, -68.9831, -39.8778}},
               {M_SQRT1_2, -1.6641, 13.300346, {-31.7232, -34.6457, -41.2656}},
               {0.50, -4.0782, 22.686458, {-26.8847, -35.8279, -32.9053}}};
  static const double zones[][3] = {
      /* d, H5, H7 */
      {0.001, -71.870, -74.793}, {0.01, -51.774, -54.700}, {0.02, -45.651, -48.588}, {0.05, -37.421, -40.431},
      {0.10, -31.066, -34.346},  {0.20, -24.839, -29.326}, {0.50, -23.036, -31.979}};
  wave w = begin_wave(2.0, 48000.0);
  mt_results *r;
  (void)state;
  for (size_t i = 0; i < COUNT(clips); i++) {
    double left_db;
    tones_fill(w.x, w.n, w.rate_hz, TONE_HZ, 1.0, 0.4);
    for (size_t n = 0; n < w.n; n++)
      w.x[n] = 0.1 * fmin(fmax(w.x[n], -clips[i].c), clips[i].c);
    r = read_wave(&w);
    for (int k = 0; k < 3; k++) /* a line at -69 dB among floats that round at -153 dB, and four decimals */
      assert_near(recorded_value(r, MT_Q_HARMONIC, 2 * k + 5), clips[i].order_db[k], 0.0015, "dB");
    /* SINAD has all that is left, up to half the rate and the folds with it: the lines of a spectrum, 0.006 dB */
    left_db = -recorded_value(r, MT_Q_SINAD, 0);
    assert_near(left_db - mt_db_of_power(1.0 + mt_power_of_db(left_db)),
                mt_db_of_ratio(0.01 * clips[i].thd_r_percent), 0.006, "dB");
    assert_near(20.0 + recorded_value(r, MT_Q_LEVEL, 0) + mt_db_of_power(1.0 + mt_power_of_db(left_db)),
                clips[i].total_db, 6e-4, "dB");
    mt_results_destroy(&r);
  }
  for (size_t i = 0; i < COUNT(zones); i++) {
    tones_fill(w.x, w.n, w.rate_hz, TONE_HZ, 1.0, 0.4);
    for (size_t n = 0; n < w.n; n++)
      w.x[n] = 0.1 * copysign(fmax(fabs(w.x[n]) - zones[i][0], 0.0), w.x[n]);
    r = read_wave(&w);
    for (int k = 0; k < 2; k++) /* three decimals */
      assert_near(recorded_value(r, MT_Q_HARMONIC, 2 * k + 5), zones[i][1 + k], 0.002, "dB");
    mt_results_destroy(&r);
  }
  free(w.x);
}

/* Only positive peaks clipped: half the odd orders, and even ones; the mean moves. */
static void a_one_sided_clip_has_its_even_orders(void **state)
{
  static const struct {
    double c, first, dc, order_db[4];
  } table[] = {{0.9, 0.981307, -0.009538, {-34.938, -35.853, -37.186, -39.001}},
               {0.8, 0.947956, -0.027120, {-26.312, -28.250, -31.225, -35.702}}};
  wave w = begin_wave(2.0, 48000.0);
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_results *r;
    tones_fill(w.x, w.n, w.rate_hz, TONE_HZ, 1.0, 0.4);
    for (size_t n = 0; n < w.n; n++)
      w.x[n] = 0.1 * fmin(w.x[n], table[i].c);
    r = read_wave(&w);
    assert_near(20.0 + recorded_value(r, MT_Q_LEVEL, 0), mt_db_of_ratio(table[i].first), 2e-5, "dB");
    assert_near(10.0 * recorded_value(r, MT_Q_DC, 0), table[i].dc, 2e-6, "FS");
    for (int k = 2; k <= 5; k++)
      assert_near(recorded_value(r, MT_Q_HARMONIC, k), table[i].order_db[k - 2], 6e-4, "dB");
    mt_results_destroy(&r);
  }
  free(w.x);
}

/* ---- bits ------------------------------------------------------------------------------------------------ */

/*
 * A tone of 997 Hz through an ideal quantiser of 16 bits for 8 s, simulated beforehand with NumPy: all up to half the
 * rate, and 20 Hz to 20 kHz, dB re a full-scale sine. And ENOB is log2 of the range over the rms error times the root
 * of 12 (IEEE 1241, from memory).
 */
static void sixteen_bits_leave_what_was_simulated(void **state)
{
  static const struct {
    double level_dbfs, full_db, band_db;
    bool dithered;
    double tol_db; /* without dither the error depends on the phase of the tone */
  } table[] = {{0.0, -93.31, -94.10, true, 0.05},
               {-60.0, -93.31, -94.11, true, 0.05},
               {0.0, -98.06, -98.86, false, 0.05},
               {-60.0, -97.95, -98.61, false, 0.3}};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(82));
  for (size_t i = 0; i < COUNT(table); i++) {
    const tones_storage how = {"", 16, table[i].dithered};
    wave w = begin_wave(8.0, 48000.0);
    double error_db, enob;
    mt_results *r;
    /* not quite full scale: a sample at the end of the range is taken for clipping */
    tones_fill(w.x, w.n, w.rate_hz, TONE_HZ, mt_ratio_of_db(table[i].level_dbfs) * (1.0 - 0x1p-13), 0.4);
    tones_store(&random, &how, w.x, w.n);
    r = read_wave(&w);
    error_db = recorded_value(r, MT_Q_LEVEL, 0) - recorded_value(r, MT_Q_SINAD, 0);
    /* 24 kHz for 8 s: 4.343 / sqrt(B T) = 0.01 dB, four of them */
    assert_near(error_db, table[i].full_db, table[i].tol_db, "dBFS");
    assert_near(recorded_value(r, MT_Q_LEVEL, 0) + recorded_value(r, MT_Q_THD_N, 0), table[i].band_db,
                table[i].tol_db, "dBFS");
    enob = log2(2.0 / (M_SQRT1_2 * mt_ratio_of_db(error_db) * sqrt(12.0)));
    /* 6.02 and 1.76 are rounded: 0.0002 bit */
    assert_near(recorded_value(r, MT_Q_ENOB, 0), enob, 0.0005, "bit");
    mt_results_destroy(&r);
    free(w.x);
  }
}

/* ---- the fit --------------------------------------------------------------------------------------------- */

/* Squared errors, summed. */
typedef struct errors {
  double hz, db, middle_rad, start_rad;
} errors;

static void add_errors(errors *sum, const double *x, size_t n, double phase_rad)
{
  double half = 0.5 * (double)(n - 1);
  mt_sine_fit fit;
  mt_error err = {0};
  assert_ok(mt_fit_sine(x, n, 48000.0, TONE_HZ, 1, &fit, NULL, &err), err);
  sum->hz += pow(fit.freq_hz - TONE_HZ, 2.0);
  sum->db += pow(mt_db_of_ratio(fit.amplitude), 2.0);
  sum->middle_rad += pow(
      remainder(fit.phase_rad - phase_rad - 2.0 * MT_PI * fmod(TONE_HZ / 48000.0 * half, 1.0), 2.0 * MT_PI),
      2.0);
  sum->start_rad +=
      pow(remainder(fit.phase_rad - phase_rad - 2.0 * MT_PI * fmod(fit.freq_hz / 48000.0 * half, 1.0),
                    2.0 * MT_PI),
          2.0);
}

/*
 * Cramer-Rao bounds of a real sinusoid at 48 kHz (Rife and Boorstyn 1974 and Kay, from memory; the factor of 2 against
 * a complex one: Haendel 2000): standard deviations of frequency, level and phase, there to four digits. The errors of
 * 300 fits each, in double as float samples would round more than 120 dB; the same noise at each of three levels. Mean
 * squares of 300 are known to sqrt(2 / 300) = 8 %, roots to 4 %: four of these.
 */
static void fits_err_as_the_table_of_bounds_says(void **state)
{
  enum { RUNS = 300, LONGEST = 262144 };
  static const struct {
    size_t n;
    struct {
      double snr_db, hz, ppm, db, middle_rad, start_rad;
    } at[3];
  } table[] = {{48000,
                {{40.0, 2.5165e-5, 2.524e-2, 3.965e-4, 4.564e-5, 9.129e-5},
                 {80.0, 2.5165e-7, 2.524e-4, 3.965e-6, 4.564e-7, 9.129e-7},
                 {120.0, 2.5165e-9, 2.524e-6, 3.965e-8, 4.564e-9, 9.129e-9}}},
               {65536,
                {{40.0, 1.5774e-5, 1.582e-2, 3.393e-4, 3.906e-5, 7.812e-5},
                 {80.0, 1.5774e-7, 1.582e-4, 3.393e-6, 3.906e-7, 7.812e-7},
                 {120.0, 1.5774e-9, 1.582e-6, 3.393e-8, 3.906e-9, 7.812e-9}}},
               {262144,
                {{40.0, 1.9717e-6, 1.978e-3, 1.697e-4, 1.953e-5, 3.906e-5},
                 {80.0, 1.9717e-8, 1.978e-5, 1.697e-6, 1.953e-7, 3.906e-7},
                 {120.0, 1.9717e-10, 1.978e-7, 1.697e-8, 1.953e-9, 3.906e-9}}}};
  double *x = malloc(LONGEST * sizeof *x), *clean = malloc(LONGEST * sizeof *clean);
  double *noise = malloc(LONGEST * sizeof *noise);
  mt_random random;
  (void)state;
  assert_non_null(x);
  assert_non_null(clean);
  assert_non_null(noise);
  mt_random_init(&random, support_seed(83));
  for (size_t row = 0; row < COUNT(table); row++) {
    errors sum[3] = {{0.0, 0.0, 0.0, 0.0}};
    tones_fill(clean, table[row].n, 48000.0, TONE_HZ, 1.0, 0.7);
    for (int run = 0; run < RUNS; run++) {
      for (size_t i = 0; i < table[row].n; i++)
        noise[i] = mt_random_normal(&random);
      for (size_t k = 0; k < 3; k++) {
        double sigma = sqrt(0.5) * mt_ratio_of_db(-table[row].at[k].snr_db);
        for (size_t i = 0; i < table[row].n; i++)
          x[i] = clean[i] + sigma * noise[i];
        add_errors(&sum[k], x, table[row].n, 0.7);
      }
    }
    for (size_t k = 0; k < 3; k++) {
      double hz = sqrt(sum[k].hz / RUNS);
      print_message("%zu frames, %.0f dB: %.3f of the bound\n", table[row].n, table[row].at[k].snr_db,
                    hz / table[row].at[k].hz);
      assert_near(hz / table[row].at[k].hz, 1.0, 0.16, "of the bound");
      assert_near(1e6 * hz / TONE_HZ / table[row].at[k].ppm, 1.0, 0.16, "of the bound");
      assert_near(sqrt(sum[k].db / RUNS) / table[row].at[k].db, 1.0, 0.16, "of the bound");
      assert_near(sqrt(sum[k].middle_rad / RUNS) / table[row].at[k].middle_rad, 1.0, 0.16, "of the bound");
      assert_near(sqrt(sum[k].start_rad / RUNS) / table[row].at[k].start_rad, 1.0, 0.16, "of the bound");
    }
  }
  free(x);
  free(clean);
  free(noise);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_notch_would_lose_what_its_table_says),
      cmocka_unit_test(pulses_have_their_closed_form),
      cmocka_unit_test(a_full_wave_rectified_sine_has_its_lines),
      cmocka_unit_test(distortion_as_large_as_the_tone_is_read),
      cmocka_unit_test(orders_up_to_19_sum_as_worked_out),
      cmocka_unit_test(bent_sines_have_their_higher_orders),
      cmocka_unit_test(a_one_sided_clip_has_its_even_orders),
      cmocka_unit_test(sixteen_bits_leave_what_was_simulated),
      cmocka_unit_test(fits_err_as_the_table_of_bounds_says),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
