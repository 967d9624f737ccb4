/* Noise is told by where in the wave it is loud: against closed forms, and decoders written out. */
#include "analysis/grain.h"
#include "companding.h"
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#define N 48000
#define RATE 48000.0

static double x[N], level[N];

/* From 100 to 300 Hz, as the sweep goes there. */
static double slow_wave(double i, double amplitude)
{
  double t = i / N, octaves = log(300.0 / 100.0);
  return amplitude * sin(2.0 * MT_PI * 100.0 * (exp(octaves * t) - 1.0) / octaves + 0.2);
}

/* What makes the noise in x of the wave. */
typedef enum maker { MU_LAW, A_LAW, CONTACT, ENVELOPE, SLOPE, UNIFORM, MAKERS } maker;

static double make(maker by, double wave, double slope, double step, mt_random *random)
{
  double noise = mt_random_normal(random);

  switch (by) {
  case MU_LAW: return companding_mu_law(wave);
  case A_LAW: return companding_a_law(wave);
  case CONTACT: return wave * (1.0 + 0.01 * noise);
  case ENVELOPE: return wave + 0.003 * noise;
  case SLOPE: return wave + 0.5 * slope * noise;
  case UNIFORM: return step * rint(wave / step + 0.3 * noise);
  case MAKERS: break;
  }
  return wave;
}

/* Of 32 samples the one between the middle two, by a sinc under a raised cosine: what any converter does. */
static double between(const double *made, size_t i)
{
  double sum = 0.0;

  for (int k = -15; k <= 16; k++) {
    double d = k - 0.5;
    long at = (long)i + k;
    if (at >= 0 && at < N)
      sum += made[at] * sin(MT_PI * d) / (MT_PI * d) * (0.5 + 0.5 * cos(MT_PI * d / 16.5));
  }
  return sum;
}

/* Through the decoder and another converter, with the unit's own noise. */
static void fill_slow(maker by, double amplitude, double noise, double step, mt_random *random)
{
  static double made[N];

  for (size_t i = 0; i < N; i++) {
    double wave = slow_wave((double)i, amplitude), slope = wave - slow_wave((double)i - 1.0, amplitude);
    made[i] = make(by, wave + 3e-5 * mt_random_normal(random), slope, step, random);
  }
  for (size_t i = 0; i < N; i++) {
    x[i] = between(made, i) + noise * mt_random_normal(random);
    level[i] = 0.7 * slow_wave((double)i + 0.5, amplitude); /* its scale is none of the matter */
  }
}

static void steps_that_double_are_told_from_all_smooth_noise(void **state)
{
  mt_error err = {0};
  mt_random random;
  int missed = 0;
  (void)state;
  mt_random_init(&random, support_seed(141));
  for (int i = 0; i < 30; i++) {
    maker by = (maker)(i % MAKERS);
    double amplitude = 0.12 + 0.7 * mt_random_uniform(&random),
           noise = 3e-5 + 1e-4 * mt_random_uniform(&random);
    double step = ldexp(1.0, -6 - i % 5);
    bool stepped = false;
    fill_slow(by, amplitude, noise, step, &random);
    for (size_t s = 1; s <= 3; s++) { /* the bands in which a take is looked at */
      mt_grain_law law;
      assert_ok(mt_grain_measure_law(x, i % 2 == 0 ? level : x, N, s, 0.3 * noise * noise, &law, &err), err);
      stepped = stepped || mt_grain_is_stepped(&law);
    }
    if (stepped != (by == MU_LAW || by == A_LAW))
      print_error("case %d: maker %d, amplitude %g\n", i, (int)by, amplitude);
    assert_true(!stepped || by == MU_LAW || by == A_LAW);
    missed += !stepped && (by == MU_LAW || by == A_LAW);
  }
  /* at some amplitudes the steps lie where a smooth law fits them nearly: of 200 other draws 1 was missed */
  assert_true(missed <= 2);
}

static void a_law_that_is_known_is_read(void **state)
{
  mt_error err = {0};
  mt_random random;
  mt_grain_law law;
  (void)state;
  mt_random_init(&random, support_seed(142));
  fill_slow(CONTACT, 0.5, 1e-7, 0.0, &random);
  assert_ok(mt_grain_measure_law(x, level, N, 1, 1e-14, &law, &err), err);
  /* in proportion: all 3.5 octaves; the logarithm of a squared Gaussian varies by pi^2 / 2: of some 10000 that are
     independent within 4 % */
  assert_near(law.octaves, 3.5, 1e-9, "octaves");
  assert_near(law.scatter, MT_PI * MT_PI / 2.0, 0.3, "");
  assert_near(law.slope, 1.0, 0.15, "");
  assert_true(law.gain < -0.005);
  /* below the floor there is nothing to look at */
  assert_ok(mt_grain_measure_law(x, level, N, 3, 1.0, &law, &err), err);
  assert_near(law.octaves, 0.0, 0.0, "octaves");
  assert_false(mt_grain_is_stepped(&law));
}

static void the_pulse_of_known_noise_is_read(void **state)
{
  static const double strengths[] = {0.0, 0.2, 0.45}, lags_deg[] = {0.0, 77.0, 200.0, 345.0};
  double step = 2.0 * MT_PI * 997.0 / RATE, shares[] = {1.0, 16.0, 36.0, 16.0, 1.0}, blur = 0.0;
  mt_error err = {0};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(143));
  for (int k = 0; k < 5; k++) /* a power that turns at twice the tone, over the taps' squares */
    blur += shares[k] / 70.0 * cos(2.0 * step * 2.0 * (k - 2));
  for (size_t s = 0; s < 3; s++)
    for (size_t l = 0; l < 4; l++) {
      mt_grain_pulse pulse;
      double off;
      for (size_t i = 0; i < N; i++) {
        double phase = 0.4 + step * (double)i;
        /* H3 and H5, 40 dB above the noise: what repeats is no noise */
        x[i] = 0.001 * sqrt(1.0 + 2.0 * strengths[s] * cos(2.0 * phase - lags_deg[l] * MT_PI / 180.0)) *
                   mt_random_normal(&random) +
               0.1 * cos(3.0 * phase + 1.0) + 0.03 * cos(5.0 * phase);
      }
      assert_ok(mt_grain_measure_pulse(x, N, 1, step, 0.4, 1e-8 * 70.0 / 256.0, &pulse, &err), err);
      /* of some 15000 independent squares, five standard errors */
      assert_near(pulse.strength, strengths[s] * blur, 0.04, "");
      off = remainder(pulse.lag_deg - lags_deg[l], 360.0);
      if (strengths[s] > 0.0)
        assert_near(off, 0.0, 0.04 / strengths[s] * 180.0 / MT_PI, "deg");
      /* the noise is 1e-6, 20 dB above the floor; the least of 24 parts of the period, blurred */
      assert_near(pulse.rise_db, 20.0 + mt_db_of_power(1.0 - 2.0 * strengths[s] * blur), 1.2, "dB");
    }
}

/* Differences of four bits: 7 x 1.1^k, from memory of the IMA's text, which rounds them its own way. */
static void decode_differences(void)
{
  static const int moves[8] = {-1, -1, -1, -1, 2, 4, 6, 8};
  double value = 0.0;
  int index = 0;

  for (size_t i = 0; i < N; i++) {
    double step = floor(7.0 * pow(1.1, index)), want = rint(32768.0 * x[i]) - value;
    int code = (int)fmin(7.0, floor(fabs(want) * 4.0 / step));
    value += copysign((code + 0.5) * step / 4.0, want);
    index = (int)fmin(fmax(index + moves[code], 0.0), 88.0);
    x[i] = value / 32768.0;
  }
}

static void adaptive_differences_are_told_from_contacts_and_clocks(void **state)
{
  double step = 2.0 * MT_PI * 997.0 / RATE;
  mt_error err = {0};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(144));
  for (int i = 0; i < 30; i++) {
    double amplitude = 0.1 + 0.4 * mt_random_uniform(&random), before = 0.0;
    mt_grain_pulse pulse;
    for (size_t k = 0; k < N; k++)
      x[k] = amplitude * cos(0.4 + step * (double)k) + 2e-5 * mt_random_normal(&random);
    if (i % 3 == 0)
      decode_differences();
    for (size_t k = 0; k < N; k++) {
      double phase = 0.4 + step * (double)k, noise = mt_random_normal(&random), made = x[k];
      made += amplitude * (i % 3 == 1   ? 0.01 * noise * cos(phase)
                           : i % 3 == 2 ? 0.01 * noise * sin(phase)
                                        : 0.0);
      x[k] = i % 3 == 0 ? 0.5 * (made + before) : made;
      x[k] -= i % 3 == 0 ? amplitude * cos(0.5 * step) * cos(phase - 0.5 * step) : amplitude * cos(phase);
      before = made;
    }
    assert_ok(
        mt_grain_measure_pulse(x, N, 1, step, 0.4 - (i % 3 == 0 ? 0.5 * step : 0.0), 1e-9, &pulse, &err),
        err);
    if (mt_grain_is_adaptive(&pulse) != (i % 3 == 0))
      print_error("case %d, amplitude %g: rise %g, depth %g, strength %g, lag %g\n", i, amplitude,
                  pulse.rise_db, pulse.depth_db, pulse.strength, pulse.lag_deg);
    assert_int_equal(mt_grain_is_adaptive(&pulse), i % 3 == 0);
  }
}

static void silence_has_no_grain(void **state)
{
  mt_error err = {0};
  mt_grain_law law;
  mt_grain_pulse pulse;
  (void)state;
  memset(x, 0, sizeof x);
  assert_ok(mt_grain_measure_law(x, x, N, 3, 0.0, &law, &err), err);
  assert_false(mt_grain_is_stepped(&law));
  assert_ok(mt_grain_measure_pulse(x, N, 1, 0.13, 0.0, 0.0, &pulse, &err), err);
  assert_true(isfinite(pulse.rise_db) && isfinite(pulse.depth_db) && isfinite(pulse.strength));
  assert_false(mt_grain_is_adaptive(&pulse));
  assert_near(mt_grain_power(x, N, 3), 0.0, 0.0, "");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(steps_that_double_are_told_from_all_smooth_noise),
      cmocka_unit_test(a_law_that_is_known_is_read),
      cmocka_unit_test(the_pulse_of_known_noise_is_read),
      cmocka_unit_test(adaptive_differences_are_told_from_contacts_and_clocks),
      cmocka_unit_test(silence_has_no_grain),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
