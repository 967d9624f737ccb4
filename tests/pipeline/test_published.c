/*
 * Published values, read by the tool as a user would read them. Where the others are:
 *
 *   what                                             source                              test
 *   THD of clipping, dead zone, polynomial           Fourier series                      unit/test_fit,
 *                                                                                        test_simulate
 *   the same order by order; pulses; a real notch;   Fourier series; AES17-2015 5.2.8;
 *   16 bits as simulated; errors of fits             Rife and Boorstyn 1974, from
 *                                                    memory                              published_tables
 *   products of pairs of tones                       IEC 60268-3:2013 14.12.7, 14.12.8,
 *                                                    14.12.10; AES17-2015 6.3.5, 6.3.6   unit/test_intermodulation
 *   A and C weighting, nominal table                 IEC 61672-1:2013 Table 3, Annex E   unit/test_weighting
 *   ... its class 1 limits                           2013; 2002 partly from memory       unit/test_psd
 *   468 network, its level at 2 kHz                  ITU-R BS.468-4 Table 1, AES17       unit/test_weighting
 *   quasi-peak bursts                                ITU-R BS.468-4 Tables 2 and 3       unit/test_quasi_peak
 *   weighted levels of white and pink noise          integrals of the above              unit/test_weighting,
 *                                                                                        test_psd
 *   1 kHz at -20 dBFS reads -25.63 idle              AES17-2015 6.4.2                    unit/test_psd
 *   ideal quantiser, with and without dither         IEEE 1241; Lipshitz et al. 1992     unit/test_psd, test_fit
 *   thirds of an octave                              IEC 61260-1 base 10                 unit/test_bands
 *   windows                                          Heinzel 2002, Solomon 1994; Harris
 *                                                    1978 from memory                    unit/test_window
 *   bounds of a sine fit, its error at a frequency
 *   that is off, its bias by a line left out         Rife and Boorstyn 1974, from
 *                                                    memory; IEEE 1057                   unit/test_fit
 *   bound of an arrival, and of a clock by two       matched filter, from memory         unit/test_locate
 *   line levels; loads and sources                   IEC 61938; Ohm's law                unit/test_rig
 *   coupling capacitor, low shelf                    1/(2 pi R C); Audio EQ Cookbook     unit/test_response,
 *                                                                                        test_simulate, test_curve
 *   waves of sox, circuits of ngspice                handbooks of mathematics            oracle/
 *   all that follows                                 beside each test
 *
 * Of what is published beside these there is no reading, and so no test: dynamic intermodulation (IEC 60268-3 14.12.9),
 * weighted harmonic distortion (14.12.11), the film pair 60 Hz + 7 kHz, products summed by power, orders re the total,
 * dynamic range after EIAJ, power into a load, windows other than the four in use.
 */
#include "recorded.h"
#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

#define RATE 48000.0
#define TONE_HZ 997.0
#define N ((size_t)(5 * 48000))
#define ORDERS 24 /* of 997 Hz below half the rate */

/* Cosine and sine amplitudes of orders 1 ... ORDERS. */
typedef struct series {
  double c[ORDERS + 1], s[ORDERS + 1];
} series;

static mt_results *read_series(const series *wave, double scale, double line_hz, double line_amplitude)
{
  mt_results *r;
  float *x = malloc(N * sizeof *x);

  assert_non_null(x);
  for (size_t i = 0; i < N; i++) {
    double t = (double)i / RATE, sum = 0.0;
    for (int k = 1; k <= ORDERS; k++)
      if (wave->c[k] != 0.0 || wave->s[k] != 0.0)
        sum +=
            wave->c[k] * cos(2.0 * MT_PI * k * TONE_HZ * t) + wave->s[k] * sin(2.0 * MT_PI * k * TONE_HZ * t);
    x[i] = (float)(scale * sum + line_amplitude * sin(2.0 * MT_PI * line_hz * t));
  }
  r = recorded_results(x, N, RATE);
  free(x);
  return r;
}

static double of_total(double thd_f)
{
  return thd_f / sqrt(1.0 + thd_f * thd_f);
}

/*
 * Fourier series of the textbook waves. "in band" is THD_F of orders up to 20, which is what lies in 20 kHz. The waves
 * are made of their series up to half the rate: a sampled edge would fold the rest back into the band.
 */
static void textbook_waves_have_their_textbook_distortion(void **state)
{
  static const struct {
    const char *name;
    double in_band;
    double harmonic_db[4]; /* orders 2 to 5, 0: absent */
  } waves[] = {
      {"square", 0.456860, {0.0, -9.542, 0.0, -13.979}},
      {"triangle", 0.121067, {0.0, -19.085, 0.0, -27.959}},
      {"sawtooth", 0.772116, {-6.021, -9.542, -12.041, -13.979}},
      {"half-wave rectified sine", 0.435203, {-7.444, 0.0, -21.424, 0.0}},
  };
  (void)state;
  for (int w = 0; w < 4; w++) {
    series wave = {{0}, {0}};
    mt_results *r;
    for (int k = 1; k <= ORDERS; k++) {
      if (w == 0 && k % 2 == 1)
        wave.s[k] = 4.0 / (MT_PI * k);
      else if (w == 1 && k % 2 == 1)
        wave.c[k] = 8.0 / (MT_PI * MT_PI * k * k);
      else if (w == 2)
        wave.s[k] = 2.0 / (MT_PI * k);
      else if (w == 3)
        wave.c[k] = k == 1       ? 0.5
                    : k % 2 == 0 ? 2.0 / (MT_PI * (1.0 - k * k)) * (k % 4 == 0 ? 1.0 : -1.0)
                                 : 0.0;
    }
    print_message("%s\n", waves[w].name);
    r = read_series(&wave, 0.1, 0.0, 0.0);
    for (int k = 2; k <= 5; k++)
      if (waves[w].harmonic_db[k - 2] != 0.0) /* three decimals are printed */
        assert_near(recorded_value(r, MT_Q_HARMONIC, k), waves[w].harmonic_db[k - 2], 0.0006, "dB");
    /* the lines from order 11 on are read from a spectrum: 0.002 dB */
    assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(waves[w].in_band)), 0.002, "dB");
    mt_results_destroy(&r);
  }
}

/* THD_R = THD_F / sqrt(1 + THD_F^2): IEC 60268-3:2013 14.12.3.2 refers to the total output. */
static void the_two_references_of_thd_differ_as_they_must(void **state)
{
  static const double cases[][3] = {/* THD_F, THD_R, difference in dB */
                                    {0.001, 0.001000, -0.0000}, {0.01, 0.010000, -0.0004},
                                    {0.05, 0.049938, -0.0108},  {0.1, 0.099504, -0.0432},
                                    {0.2, 0.196116, -0.1703},   {0.3, 0.287348, -0.3743},
                                    {0.5, 0.447214, -0.9691}};
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    series wave = {{0}, {0}};
    mt_results *r;
    wave.s[1] = 1.0;
    wave.s[2] = 0.6 * cases[i][0];
    wave.c[3] = 0.8 * cases[i][0]; /* 3-4-5 */
    r = read_series(&wave, 0.1, 0.0, 0.0);
    assert_near(recorded_value(r, MT_Q_THD_F, 0), mt_db_of_ratio(cases[i][0]), 1e-4, "dB");
    /* six digits are printed: of 0.001, 0.005 dB */
    assert_near(recorded_value(r, MT_Q_THD_R, 0), mt_db_of_ratio(cases[i][1]),
                8.7 * 5e-7 / cases[i][1] + 1e-4, "dB");
    assert_near(recorded_value(r, MT_Q_THD_R, 0) - recorded_value(r, MT_Q_THD_F, 0), cases[i][2], 6e-5, "dB");
    mt_results_destroy(&r);
  }
}

/*
 * A real notch of Q = 1.2 at 997 Hz, the least that AES17-2015 5.2.8 allows, takes 1.1682 dB off H2; of Q = 1 (the
 * 1998 edition, from memory) 1.5970 dB. The fundamental is taken out exactly here, so nothing is lost.
 */
static void the_second_harmonic_loses_nothing_to_a_notch(void **state)
{
  series wave = {{0}, {0}};
  mt_results *r;
  (void)state;
  wave.s[1] = 1.0;
  wave.s[2] = 1e-3;
  r = read_series(&wave, 0.1, 0.0, 0.0);
  assert_near(recorded_value(r, MT_Q_THD_N, 0), -60.0, 0.001, "dB");
  mt_results_destroy(&r);
}

/* ENOB = (SINAD - 1.7609) / 6.0206 at full scale; below it, 20 lg(A_FS / A) / 6.0206 more (IEEE 1241, from memory). */
static void effective_bits_follow_sinad(void **state)
{
  static const double cases[][2] = {{40.0, 6.3514},   {60.0, 9.6733},   {70.0, 11.3343}, {80.0, 12.9952},
                                    {98.08, 15.9983}, {110.0, 17.9781}, {120.0, 19.6391}};
  static const double amplitudes[] = {1.0, 0.5, 0.1};
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
    for (size_t k = 0; k < sizeof amplitudes / sizeof amplitudes[0]; k++) {
      series wave = {{0}, {0}};
      mt_results *r;
      wave.s[1] = 1.0;
      r = read_series(&wave, amplitudes[k], 1733.3, amplitudes[k] * mt_ratio_of_db(-cases[i][0]));
      /* a line read from a spectrum: 0.005 dB; floats round at -153 dB, 0.002 dB at 120 dB */
      assert_near(recorded_value(r, MT_Q_SINAD, 0), cases[i][0], 0.006, "dB");
      assert_near(recorded_value(r, MT_Q_ENOB, 0), cases[i][1] - mt_db_of_ratio(amplitudes[k]) / 6.0206,
                  0.0012, "bit");
      mt_results_destroy(&r);
    }
}

/* 0 dBFS is the rms of a full-scale sine (AES17-2015 3.12.1, IEC 61606-3:2008 3.4). A full-scale square has 3.01 dB
   more; its fundamental alone, 4 / pi, has 2.098 dB more. */
static void full_scale_is_that_of_a_sine(void **state)
{
  series sine = {{0}, {0}}, square = {{0}, {0}};
  mt_results *r;
  double total;
  (void)state;
  sine.s[1] = 1.0;
  for (int k = 1; k <= ORDERS; k += 2)
    square.s[k] = 4.0 / (MT_PI * k);
  r = read_series(&sine, 1.0, 0.0, 0.0);
  assert_near(recorded_value(r, MT_Q_LEVEL, 0), 0.0, 1e-5, "dBFS");
  mt_results_destroy(&r);
  r = read_series(&square, 1.0, 0.0, 0.0);
  assert_near(recorded_value(r, MT_Q_LEVEL, 0), mt_db_of_ratio(4.0 / MT_PI), 1e-5, "dBFS");
  /* SINAD has all up to half the rate: fundamental less what it takes to the total of orders 1 ... 23 */
  total = recorded_value(r, MT_Q_LEVEL, 0) +
          mt_db_of_power(1.0 + mt_power_of_db(-recorded_value(r, MT_Q_SINAD, 0)));
  /* orders from 25 on are missing: sum of 1 / k^2 over odd k, 2.0 % of pi^2 / 8 */
  assert_near(total, 3.0103 + mt_db_of_power(1.0 - 0.016885), 0.002, "dBFS");
  mt_results_destroy(&r);
}

/* A data sheet's arithmetic: dynamic range is 60 dB less the THD+N of a tone 60 dB down; -32 dB make 92 dB. The noise
   is CCIR-RMS weighted, 1.65 dB above unweighted for white noise in 20 kHz (AES17-2015 6.4.1, 5.2.7). */
static void dynamic_range_is_sixty_and_what_is_left(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++)
    unit.channel[c].noise_dbfs = -20.0 - 60.0 - 32.0 - 1.65 - mt_db_of_power(19980.0 / 24000.0);
  unit.seed = support_seed(71);
  r = unit_bench_results(&unit, RATE, -20.0);
  /* noise in a band of 10 kHz or so and 1.3 s: 4.343 / sqrt(B T) = 0.04 dB, five of them */
  for (int c = 0; c < 2; c++)
    assert_reading(r, MT_Q_DYNAMIC_RANGE, c, NULL, 92.0, 0.2);
  mt_results_destroy(&r);
}

/* 997 Hz, prime and so coprime with every rate in use (AES17-2015 measures with it): no short period is repeated. */
static void the_reference_tone_shares_no_period_with_a_rate(void **state)
{
  static const unsigned rates_hz[] = {44100, 48000, 88200, 96000, 176400, 192000};
  (void)state;
  for (size_t i = 0; i < sizeof rates_hz / sizeof rates_hz[0]; i++) {
    mt_stimulus stimulus;
    mt_error err = {0};
    unsigned a = 997, b = rates_hz[i];
    assert_ok(mt_stimulus_init_default(rates_hz[i], -20.0, &stimulus, &err), err);
    assert_near(mt_stimulus_find(&stimulus, "both")->freq_hz[0], 997.0, 0.0, "Hz");
    while (b != 0) {
      unsigned rest = a % b;
      a = b;
      b = rest;
    }
    assert_int_equal(a, 1);
  }
}

/*
 * The exponential sweep: L = T / ln(f2 / f1) (Farina 2000); order n arrives L ln n early; synchronised, as
 * sin(2 pi f1 L exp(t / L)) is (Novak, Lotton and Simon 2015), order n of the sweep is the sweep itself, that much
 * earlier, in phase. Its spectrum is sqrt(L / f) / 2 (Novak 2015, from memory): 1.90394e-2 at 1 kHz, by transform
 * 1.9049e-2.
 */
static void the_sweep_is_that_of_the_papers(void **state)
{
  mt_segment sweep = {.kind = MT_SEGMENT_SWEEP, .duration_s = 10.0, .from_hz = 20.0, .to_hz = 20000.0};
  static const double early_s[] = {1.005063, 1.592988, 2.010127, 2.333685, 2.598051, 2.821570};
  static const double gaps_s[][2] = {
      {1.0, 1.0051}, {2.0, 0.5879}, {3.0, 0.4171}, {4.0, 0.3236}, {9.0, 0.1528}};
  mt_stimulus stimulus = {.rate_hz = RATE, .duration_s = 10.016245, .nsegments = 1};
  double constant, re = 0.0, im = 0.0;
  (void)state;
  assert_near(mt_segment_sweep_constant(&sweep), 1.447648273, 1e-9, "s");
  sweep.duration_s = 10.016245; /* f1 L = 29 */
  constant = mt_segment_sweep_constant(&sweep);
  assert_near(constant, 1.45, 1e-7, "s");
  sweep.amplitude[0] = 1.0;
  stimulus.segments[0] = sweep;
  for (size_t i = 0; i < 5; i++) /* from order n to the next: where an impulse response must fit in */
    assert_near(constant * log((gaps_s[i][0] + 1.0) / gaps_s[i][0]), gaps_s[i][1], 6e-5, "s");
  for (int n = 2; n <= 7; n++) {
    assert_near(constant * log((double)n), early_s[n - 2], 6e-7, "s");
    for (double t = 1.0; t < 6.0; t += 0.3701) {
      double phase = 2.0 * MT_PI * sweep.from_hz * constant * exp(t / constant);
      /* times of 6 s to 1e-15, at frequencies of some kHz */
      assert_near(mt_stimulus_sample(&stimulus, 0, t + constant * log((double)n)), sin(n * phase), 1e-8,
                  "FS");
    }
  }
  for (double i = 0.0; i < 10.016245 * RATE; i += 1.0) {
    double x = mt_stimulus_sample(&stimulus, 0, i / RATE), angle = 2.0 * MT_PI * 1000.0 * i / RATE;
    re += x * cos(angle) / RATE;
    im += x * sin(angle) / RATE;
  }
  /* the formula is of a sweep without ends; the ripple of these is 0.1 % */
  assert_near(hypot(re, im), 0.5 * sqrt(constant / 1000.0), 2e-5, "");
  assert_near(0.5 * sqrt(constant / 1000.0), 1.90394e-2, 1e-7, "");
  assert_near(hypot(re, im), 1.9049e-2, 1e-5, "");
}

/* y = x + 0.02 x^2 + 0.01 x^3 at a peak of 0.5: order 1 is up by 3/4 a3 A^2, 0.016 dB, at every frequency. The fades
   and gates of a sweep are worth 0.05 dB in the middle of the band. */
static void a_bent_unit_keeps_its_response(void **state)
{
  const double a = 0.5, a2 = 0.02, a3 = 0.01;
  mt_simulated_unit unit;
  const mt_curve *curve;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  for (int c = 0; c < 2; c++) {
    unit.channel[c].poly[1] = a2;
    unit.channel[c].poly[2] = a3;
  }
  r = unit_bench_results(&unit, RATE, mt_db_of_ratio(a));
  assert_reading(r, MT_Q_GAIN, MT_LEFT, "both", mt_db_of_ratio(1.0 + 0.75 * a3 * a * a), 1e-5);
  assert_near(mt_db_of_ratio(1.0 + 0.75 * a3 * a * a), 0.016, 5e-4, "dB");
  curve = mt_results_find_curve(r, MT_Q_RESPONSE, MT_LEFT);
  assert_non_null(curve);
  for (size_t i = 0; i < curve->npoints; i++)
    if (curve->x[i] >= 200.0 && curve->x[i] <= 5000.0)
      assert_near(curve->y[i], 0.0, 0.05, "dB");
  /* order 2 a2 A / 2, order 3 a3 A^2 / 4 of the input: -46.021 and -64.082 dB, 0.016 dB less re the fundamental */
  for (int k = 0; k < 2; k++) {
    curve = mt_results_find_curve(r, k == 0 ? MT_Q_HARMONIC_2 : MT_Q_HARMONIC_3, MT_LEFT);
    assert_non_null(curve);
    for (size_t i = 0; i < curve->npoints; i++)
      if (curve->x[i] >= 500.0 && curve->x[i] <= 5000.0)
        assert_near(curve->y[i], (k == 0 ? -46.021 : -64.082) - 0.0163, 0.02, "dB");
  }
  mt_results_destroy(&r);
}

/* ---- waves bent as they are sampled -------------------------------------------------------------------- */

typedef struct bender {
  double (*bend)(double x, double p);
  double p;
} bender;

static double hard_clip(double x, double c)
{
  return fmin(fmax(x, -c), c);
}

static double soft_dead_zone(double x, double d)
{
  return copysign(fmax(fabs(x) - d, 0.0), x);
}

static double hard_dead_zone(double x, double d)
{
  return fabs(x) > d ? x : 0.0;
}

/* 2 s of a tone bent sample by sample: orders beyond half the rate fold to places of their own, as 997 Hz takes 48000
   phases in a second, and none is lost. At 1/10 of full scale, so that nothing looks like a converter's end. */
static mt_results *read_bent(const bender *b, double tone_hz)
{
  const size_t n = (size_t)(2.0 * RATE);
  mt_results *r;
  float *x = malloc(n * sizeof *x);

  assert_non_null(x);
  for (size_t i = 0; i < n; i++)
    x[i] = (float)(0.1 * b->bend(sin(2.0 * MT_PI * fmod(tone_hz * (double)i / RATE, 1.0)), b->p));
  r = recorded_results(x, n, RATE);
  free(x);
  return r;
}

/* What SINAD must be of a THD_F in percent: all of it is left when nothing is lost. */
static double sinad_of(double thd_f_percent)
{
  return -mt_db_of_ratio(0.01 * thd_f_percent);
}

/* Closed form, quadrature and transform of a clipped sine, worked out beforehand: all harmonics. */
static void clipped_sines_have_their_series(void **state)
{
  static const double cases[][4] = {
      /* c, fundamental in dB, THD_F %, H3 dB */
      {0.99, -0.0104, 0.286177, -58.5555},        {0.95, -0.1165, 1.924014, -38.1031},
      {0.90, -0.3310, 4.219933, -29.6658},        {0.80, -0.9547, 8.978576, -21.7387},
      {0.70710678, -1.7416, 13.419571, -17.7438}, {0.50, -4.3077, 23.293814, -12.9053}};
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    const bender b = {hard_clip, cases[i][0]};
    mt_results *r = read_bent(&b, TONE_HZ);
    double thd_r;
    assert_near(recorded_value(r, MT_Q_LEVEL, 0) + 20.0, cases[i][1], 1e-4, "dB");
    assert_near(recorded_value(r, MT_Q_HARMONIC, 3), cases[i][3], 2e-4, "dB");
    /* lines read from a spectrum: 0.005 dB; the weakest case is one line in a hundred, at -60 dB */
    assert_near(recorded_value(r, MT_Q_SINAD, 0), sinad_of(cases[i][2]), 0.006, "dB");
    thd_r = mt_db_of_ratio(of_total(0.01 * cases[i][2]));
    /* THD+N has what lies below 20 kHz: more than 0.9 of it where the clip is soft, as the folds come down too */
    assert_between(recorded_value(r, MT_Q_THD_N, 0), thd_r - 0.5, thd_r + 0.006, "dB");
    mt_results_destroy(&r);
  }
}

/* At 1000 Hz, 48 phases of the tone, folds meet the harmonics: what is read is what is there, and not the series. */
static void a_tone_that_divides_the_rate_folds_onto_itself(void **state)
{
  const bender b = {hard_clip, 0.9};
  mt_results *r = read_bent(&b, 1000.0);
  (void)state;
  assert_near(recorded_value(r, MT_Q_HARMONIC, 3), -29.6429, 1e-3, "dB");
  assert_near(recorded_value(r, MT_Q_HARMONIC, 5), -32.9185, 1e-3, "dB");
  assert_near(recorded_value(r, MT_Q_HARMONIC, 9), -50.9766, 1e-3, "dB");
  /* orders up to 20 kHz: 4.185733 % of the fundamental; its own uncertainty where lines are read from a spectrum */
  assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(0.04185733)), 0.006, "dB");
  mt_results_destroy(&r);
}

/* Crossover, closed form and quadrature: soft (an emitter follower without bias) and hard. */
static void dead_zones_have_their_series(void **state)
{
  static const double soft[][4] = {/* d, fundamental in dB, THD_F %, H3 dB */
                                   {0.001, -0.0111, 0.06156, -67.433}, {0.01, -0.1113, 0.61648, -47.334},
                                   {0.02, -0.2240, 1.23494, -41.205},  {0.05, -0.5711, 3.10334, -32.926},
                                   {0.10, -1.1808, 6.26751, -26.394},  {0.20, -2.5329, 12.84149, -19.423},
                                   {0.50, -8.1564, 36.28082, -9.057}};
  static const double hard[][2] = {
      {0.01, 0.06515}, {0.02, 0.18427}, {0.05, 0.72866}, {0.10, 2.06367}, {0.20, 5.87265}};
  (void)state;
  for (size_t i = 0; i < sizeof soft / sizeof soft[0]; i++) {
    const bender b = {soft_dead_zone, soft[i][0]};
    mt_results *r = read_bent(&b, TONE_HZ);
    assert_near(recorded_value(r, MT_Q_LEVEL, 0) + 20.0, soft[i][1], 1e-4, "dB");
    assert_near(recorded_value(r, MT_Q_HARMONIC, 3), soft[i][3], 6e-4, "dB");
    assert_near(recorded_value(r, MT_Q_SINAD, 0), sinad_of(soft[i][2]), 0.007, "dB");
    mt_results_destroy(&r);
  }
  for (size_t i = 0; i < sizeof hard / sizeof hard[0]; i++) {
    const bender b = {hard_dead_zone, hard[i][0]};
    mt_results *r = read_bent(&b, TONE_HZ);
    /* steps: a sample's phase decides on which side it falls; 48000 phases are 1 % of the smallest step's width */
    assert_near(recorded_value(r, MT_Q_SINAD, 0), sinad_of(hard[i][1]), 0.1, "dB");
    mt_results_destroy(&r);
  }
}

/* y = x + 0.01 x^2 + 0.005 x^3: by hand. H2 goes with the level, H3 with its square. */
static double polynomial(double x, double a)
{
  return (a * x + 0.01 * a * a * x * x + 0.005 * a * a * a * x * x * x) / a;
}

static void a_polynomial_has_its_harmonics(void **state)
{
  static const double cases[][5] = {/* A, H1 / A, H2, H3 in dB, THD_F % */
                                    {1.0, 1.00375, -46.0531, -58.0943, 0.513463},
                                    {0.5, 1.0009375, -52.0493, -70.1111, 0.251710},
                                    {0.1, 1.0000375, -66.0209, -98.0621, 0.050014}};
  (void)state;
  for (size_t i = 0; i < 3; i++) {
    const bender b = {polynomial, cases[i][0]};
    mt_results *r = read_bent(&b, TONE_HZ);
    assert_near(recorded_value(r, MT_Q_LEVEL, 0) + 20.0, mt_db_of_ratio(cases[i][1]), 1e-5, "dB");
    assert_near(recorded_value(r, MT_Q_HARMONIC, 2), cases[i][2], 1e-4, "dB");
    assert_near(recorded_value(r, MT_Q_HARMONIC, 3), cases[i][3], 0.003, "dB"); /* floats round at -153 dB */
    assert_near(recorded_value(r, MT_Q_THD_F, 0), mt_db_of_ratio(0.01 * cases[i][4]), 2e-4, "dB");
    mt_results_destroy(&r);
  }
}

/* By rotation: 1e-11 off after all of them. */
static void add_line(float *x, size_t n, double step, double c, double s)
{
  double re = 1.0, im = 0.0, step_re = cos(step), step_im = sin(step);

  for (size_t i = 0; i < n; i++) {
    double next = re * step_re - im * step_im;
    x[i] += (float)(c * re + s * im);
    im = re * step_im + im * step_re;
    re = next;
  }
}

/*
 * THD re the total of all orders: waves of 41 Hz, whose orders up to 487 lie in 20 kHz; what is beyond is summed by
 * hand, 1 / (2 x 488) of the squares for odd orders 1/k^2, 1/488 for all, 0 for steeper series.
 */
static void whole_series_have_their_closed_forms(void **state)
{
  static const struct {
    const char *name;
    double thd_f, beyond; /* power beyond the band, re the fundamental */
  } waves[] = {{"square", 0.483426, 1.0 / (2.0 * 488.0)},
               {"triangle", 0.121153, 0.0},
               {"sawtooth", 0.803078, 1.0 / 488.0},
               {"half-wave rectified sine", 0.435236, 0.0},
               {"full-wave rectified sine, re its line at twice the frequency", 0.227272, 0.0}};
  const double tone_hz = 41.0;
  const size_t n = (size_t)(1.4 * RATE);
  float *x = malloc(n * sizeof *x);
  (void)state;
  assert_non_null(x);
  for (int w = 0; w < 5; w++) {
    mt_results *r;
    double thd_f = sqrt(waves[w].thd_f * waves[w].thd_f - waves[w].beyond);
    memset(x, 0, n * sizeof *x);
    for (int k = 1; k <= 487; k++) {
      double c = 0.0, s = 0.0;
      if (w == 0 || w == 1)
        c = k % 2 == 0 ? 0.0 : w == 1 ? 1.0 / (k * k) : 0.0, s = w == 0 && k % 2 == 1 ? 1.0 / k : 0.0;
      else if (w == 2)
        s = 1.0 / k;
      else if (w == 3)
        c = k == 1 ? MT_PI / 4.0 : k % 2 == 0 ? 1.0 / (1.0 - (double)k * k) * (k % 4 == 0 ? 1.0 : -1.0) : 0.0;
      else /* its lines are the multiples of twice the frequency: here of the tone */
        c = 3.0 / (4.0 * k * k - 1.0) * (k % 2 == 0 ? -1.0 : 1.0);
      if (c != 0.0 || s != 0.0)
        add_line(x, n, 2.0 * MT_PI * k * tone_hz / RATE, 0.1 * c, 0.1 * s);
    }
    r = recorded_results(x, n, RATE);
    print_message("%s\n", waves[w].name);
    /* lines from order 11 on are read from a spectrum */
    assert_near(recorded_value(r, MT_Q_THD_N, 0), mt_db_of_ratio(of_total(thd_f)), 0.01, "dB");
    mt_results_destroy(&r);
  }
  free(x);
}

/* ---- levels ---------------------------------------------------------------------------------------------- */

/* 0 dBV is 1 V; 0 dBu, from memory 1 mW in 600 ohm, is sqrt(0.6) V; line levels of IEC 61938 and common practice. */
static void volts_and_their_decibels_agree(void **state)
{
  static const double cases[][2] = {{1.0, 0.0},        {0.774597, -2.2185}, {0.316228, -10.0},
                                    {1.227653, 1.782}, {2.0, 6.0206},       {0.5, -6.0206}};
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    double dbv;
    assert_true(mt_unit_convert(cases[i][0], MT_UNIT_VOLT, MT_UNIT_DBV, &dbv));
    assert_near(dbv, cases[i][1], 6e-4, "dBV");
  }
}

/* rms of two tones re a full-scale sine at a peak of 1: 4:1 -1.6749 dB, 1:1 -3.0103 dB. */
static void pairs_of_tones_have_their_rms(void **state)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_stimulus_init(RATE, 0.0, MT_EXTRA_INTERMODULATION, (double)NAN, &stimulus, &err), err);
  for (size_t i = 0; i < stimulus.nsegments; i++) {
    const mt_segment *s = &stimulus.segments[i];
    if (s->kind != MT_SEGMENT_TWO_TONE)
      continue;
    assert_near(mt_db_of_ratio(hypot(s->amplitude[0], s->second_amplitude[0])),
                s->amplitude[0] > s->second_amplitude[0] ? -1.6749 : -3.0103, 1e-4, "dB");
  }
}

/* ---- noise ----------------------------------------------------------------------------------------------- */

/*
 * An ideal quantiser of 16, 20 and 24 bits with triangular dither of 2 LSB, re a full-scale sine, in 20 kHz and
 * A-weighted: 6.0206 N + 1.7609 - 4.7712 dB in half the rate (IEEE 1241; Lipshitz et al. 1992).
 */
static void quantisers_have_their_noise_at_every_rate(void **state)
{
  static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
  static const double in_band[3][3] = {
      {93.743, 94.111, 97.121}, {117.825, 118.194, 121.204}, {141.908, 142.276, 145.286}};
  static const double weighted[3][3] = {
      {95.796, 96.164, 99.174}, {119.878, 120.246, 123.256}, {143.960, 144.329, 147.339}};
  (void)state;
  for (unsigned b = 0; b < 3; b++)
    for (size_t k = 0; k < 3; k++) {
      mt_simulated_unit unit;
      const mt_reading *noise_a;
      mt_results *r;
      mt_simulate_init(&unit);
      unit.bits = 16 + 4 * b;
      unit.seed = support_seed(72);
      r = unit_bench_results(&unit, rates_hz[k], -20.0);
      assert_non_null(r);
      /* 20 kHz for 1.3 s: 4.343 / sqrt(B T) = 0.027 dB, a third of the band under the A curve; five of them */
      assert_reading(r, MT_Q_NOISE, MT_LEFT, NULL, -in_band[b][k], 0.14);
      noise_a = unit_bench_find(r, MT_Q_NOISE_A, MT_LEFT, NULL);
      if (b < 2 || noise_a->validity == MT_VALID)
        assert_reading(r, MT_Q_NOISE_A, MT_LEFT, NULL, -weighted[b][k], 0.2);
      else { /* of 24 bits it may be too little to be believed, and is then only an upper bound */
        assert_int_equal(noise_a->validity, MT_RIG_LIMITED);
        assert_between(noise_a->value, -weighted[b][k], -weighted[b][k] + 3.0, "dBFS");
      }
      mt_results_destroy(&r);
    }
}

/* Spread of a noise level: 4.343 / sqrt(B T) dB, 0.0280 for 24 kHz and 1 s. What is stated is that
   of tapered windows that overlap: a third more. */
static void a_noise_level_states_its_spread(void **state)
{
  static const double cases[][2] = {{1.0, 0.0280}, {10.0, 0.0089}};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(73));
  for (size_t i = 0; i < 2; i++) {
    size_t n = (size_t)(cases[i][0] * RATE);
    double *x = malloc(n * sizeof *x);
    mt_psd psd = {0};
    mt_band_power band;
    mt_error err = {0};
    assert_non_null(x);
    for (size_t k = 0; k < n; k++)
      x[k] = mt_random_normal(&random);
    assert_ok(mt_psd_estimate(x, n, RATE, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, &err), err);
    band = mt_psd_band(&psd, 0.0, 0.5 * RATE, MT_WEIGHT_NONE);
    assert_between(4.343 * band.standard_error / band.power, cases[i][1], 1.4 * cases[i][1], "dB");
    mt_psd_finish(&psd);
    free(x);
  }
}

/* ---- the fit --------------------------------------------------------------------------------------------- */

/* Rife and Boorstyn 1974, from memory: what frequency and level of a real sinusoid in white noise can be known to.
   Stated are twice these, by noise that the record itself shows. What fits really err by, longer ones too:
   test_published_tables.c. */
static void frequency_and_level_are_as_sure_as_the_bound(void **state)
{
  static const double cases[][4] = {/* frames, SNR dB, Hz, dB */
                                    {48000, 40, 2.5165e-5, 3.965e-4},  {48000, 80, 2.5165e-7, 3.965e-6},
                                    {48000, 120, 2.5165e-9, 3.965e-8}, {65536, 40, 1.5774e-5, 3.393e-4},
                                    {65536, 80, 1.5774e-7, 3.393e-6},  {65536, 120, 1.5774e-9, 3.393e-8}};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(74));
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    size_t n = (size_t)cases[i][0];
    double sigma = 0.5 * sqrt(0.5) * mt_ratio_of_db(-cases[i][1]);
    float *x = malloc(n * sizeof *x);
    mt_results *r;
    double frequency = 0.0, level = 0.0;
    assert_non_null(x);
    for (size_t k = 0; k < n; k++)
      x[k] = (float)(0.5 * sin(2.0 * MT_PI * TONE_HZ * (double)k / RATE) + sigma * mt_random_normal(&random));
    r = recorded_results(x, n, RATE);
    for (size_t k = 0; k < r->nreadings; k++) {
      frequency = r->readings[k].quantity == MT_Q_FREQUENCY ? r->readings[k].uncertainty : frequency;
      level = r->readings[k].quantity == MT_Q_LEVEL ? r->readings[k].uncertainty : level;
    }
    /* the noise beside the tone is the median of a hundred bins: 12 % of its power, 6 % of its root, three of them */
    assert_between(frequency / (2.0 * cases[i][2]), 0.8, 1.2, "of the bound");
    /* double sums of floats: nothing below 1e-5 dB is claimed */
    assert_between(level / hypot(2.0 * cases[i][3], 1e-5), 0.8, 1.2, "of the bound");
    mt_results_destroy(&r);
    free(x);
  }
}

/* ---- clocks ------------------------------------------------------------------------------------------------ */

/* What is said of marks at the distance that a clock makes. */
static const char *refusal_of(double offset_ppm)
{
  static mt_error err;
  mt_simulated_unit unit;
  mt_stimulus stimulus;
  mt_location location;
  mt_marks_found found;
  mt_take *take;
  mt_simulate_init(&unit);
  unit.clock_offset_ppm = offset_ppm;
  take = unit_bench_take(&unit, RATE, -20.0, &stimulus);
  assert_int_equal(mt_capture_locate(take, &stimulus, &found, &location, &err), MT_E_DATA);
  mt_take_destroy(&take);
  return err.message;
}

/*
 * f_rec / f_nom = (1 + e_play) / (1 + e_rec): of a loop on one clock 0, and of two clocks their difference. What clocks
 * are allowed: 1 and 10 ppm of professional sources (AES11 grades; grade 1 from memory), 20 ppm of oscillators, 50 of
 * crystals (from memory), 100 of a computer's link and of crystals (data sheets), 20 and 250 of radio headsets (from
 * memory). A clock 2000 ppm slow, 7984 for 8000 frames, has been seen, and 2500 ppm is USB's at full speed (from
 * memory): further than marks are looked for, so there is no reading, and not a wrong one.
 */
static void clocks_as_far_off_as_they_may_be_are_read(void **state)
{
  static const double offsets_ppm[] = {0.0,   1.0,   -1.0,   10.0,  -10.0,  20.0,    -20.0,  50.0,
                                       -50.0, 100.0, -100.0, 250.0, -250.0, -2000.0, 2500.0, -2500.0};
  (void)state;
  assert_non_null(
      strstr(refusal_of(-2000.0), "or a clock is about 2000 ppm off, and no more than 1500 can be read"));
  for (size_t i = 0; i < sizeof offsets_ppm / sizeof offsets_ppm[0]; i++) {
    double e = 1e-6 * offsets_ppm[i];
    mt_simulated_unit unit;
    mt_results *r;
    mt_simulate_init(&unit);
    unit.clock_offset_ppm = offsets_ppm[i];
    r = unit_bench_results(&unit, RATE, -20.0);
    if (fabs(offsets_ppm[i]) > 1500.0) {
      assert_null(r);
      continue;
    }
    assert_non_null(r);
    /* a quiet unit: floats, at -133 dB re the tone; required are 0.01 ppm at 80 dB */
    assert_reading(r, MT_Q_CLOCK_OFFSET, MT_CHANNEL_BOTH, NULL, offsets_ppm[i], 1e-4);
    for (int c = 0; c < 2; c++)
      assert_reading(r, MT_Q_FREQUENCY, c, "both", TONE_HZ * (1.0 + e), 1e-6);
    mt_results_destroy(&r);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(textbook_waves_have_their_textbook_distortion),
      cmocka_unit_test(the_two_references_of_thd_differ_as_they_must),
      cmocka_unit_test(the_second_harmonic_loses_nothing_to_a_notch),
      cmocka_unit_test(effective_bits_follow_sinad),
      cmocka_unit_test(full_scale_is_that_of_a_sine),
      cmocka_unit_test(dynamic_range_is_sixty_and_what_is_left),
      cmocka_unit_test(the_reference_tone_shares_no_period_with_a_rate),
      cmocka_unit_test(the_sweep_is_that_of_the_papers),
      cmocka_unit_test(a_bent_unit_keeps_its_response),
      cmocka_unit_test(clipped_sines_have_their_series),
      cmocka_unit_test(a_tone_that_divides_the_rate_folds_onto_itself),
      cmocka_unit_test(dead_zones_have_their_series),
      cmocka_unit_test(a_polynomial_has_its_harmonics),
      cmocka_unit_test(whole_series_have_their_closed_forms),
      cmocka_unit_test(volts_and_their_decibels_agree),
      cmocka_unit_test(pairs_of_tones_have_their_rms),
      cmocka_unit_test(quantisers_have_their_noise_at_every_rate),
      cmocka_unit_test(a_noise_level_states_its_spread),
      cmocka_unit_test(frequency_and_level_are_as_sure_as_the_bound),
      cmocka_unit_test(clocks_as_far_off_as_they_may_be_are_read),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
