/*
 * Plain recordings that are hard to read: each reading is right within what it states, or says why it is none.
 */
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#define RATE_HZ 48000.0

/* One line of a recording: a cosine of a frequency that may drift. */
typedef struct line {
  double freq_hz;
  double amplitude;
  double drift; /* relative, per second */
} line;

/* What is on one channel. */
typedef struct content {
  line lines[6];
  double dc;
  double noise_dbfs; /* white, 0 ... rate / 2 */
} content;

static mt_results *read_recording(const content *channels, unsigned nchannels, double duration_s)
{
  size_t nframes = (size_t)(duration_s * RATE_HZ);
  float *frames = malloc(nframes * nchannels * sizeof *frames);
  mt_results *results = NULL;
  mt_take *take = NULL;
  mt_random random;
  mt_error err = {0};

  assert_non_null(frames);
  mt_random_init(&random, support_seed(31));
  for (size_t i = 0; i < nframes; i++)
    for (unsigned c = 0; c < nchannels; c++) {
      const content *what = &channels[c];
      double t = (double)i / RATE_HZ;
      double x = what->dc + mt_ratio_of_db(what->noise_dbfs) * M_SQRT1_2 * mt_random_normal(&random);
      for (size_t k = 0; k < 6 && what->lines[k].freq_hz > 0.0; k++) {
        double cycles = what->lines[k].freq_hz * t * (1.0 + 0.5 * what->lines[k].drift * t);
        x += what->lines[k].amplitude * cos(2.0 * MT_PI * (cycles - floor(cycles)) + 0.3 + (double)k);
      }
      frames[i * nchannels + c] = (float)x;
    }
  assert_ok(mt_take_create(RATE_HZ, nchannels, &take, &err), err);
  assert_ok(mt_take_append(take, frames, nframes, &err), err);
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_recording(take, results, &err), err);
  mt_take_destroy(&take);
  free(frames);
  return results;
}

static const mt_reading *find_order(const mt_results *r, mt_quantity quantity, mt_channel channel, int order)
{
  for (size_t i = 0; i < r->nreadings; i++)
    if (r->readings[i].quantity == quantity && r->readings[i].channel == channel &&
        r->readings[i].order == order)
      return &r->readings[i];
  return NULL;
}

/*
 * Right within twice the expanded uncertainty (four standard uncertainties: by chance once in 16000), and that no
 * more than `widest`, so that a reading that states nothing fails. A refusal must have its reason in words.
 */
static void assert_honest(const mt_results *r, mt_quantity quantity, mt_channel channel, int order,
                          double want, double widest)
{
  const mt_reading *reading = find_order(r, quantity, channel, order);
  const char *name = mt_quantity_describe(quantity)->name;

  if (reading == NULL)
    print_error("no reading of %s\n", name);
  assert_non_null(reading);
  print_message("%s %d: %.9g +- %.3g, want %.9g (%s)\n", name, order, reading->value, reading->uncertainty,
                want, mt_validity_name(reading->validity));
  assert_int_equal(reading->validity, MT_VALID);
  assert_between(reading->uncertainty, 0.0, widest, "widest");
  support_assert_near(reading->value, want, 2.0 * reading->uncertainty, "", name, __FILE__, __LINE__);
}

static void assert_refused_or_near(const mt_results *r, mt_quantity quantity, double want)
{
  const mt_reading *reading = find_order(r, quantity, MT_LEFT, 0);

  assert_non_null(reading);
  print_message("%s: %.9g +- %.3g, want %.9g (%s: %s)\n", mt_quantity_describe(quantity)->name,
                reading->value, reading->uncertainty, want, mt_validity_name(reading->validity),
                reading->why);
  if (reading->validity == MT_VALID)
    assert_near(reading->value, want, 2.0 * reading->uncertainty, mt_quantity_describe(quantity)->name);
  else
    assert_true(reading->why[0] != '\0');
}

/* Hum in orders 1 to 4 that is 20 dB under the tone, and an offset of a tenth of full scale. */
static void hum_and_dc_do_not_move_a_tone(void **state)
{
  const content left = {{{997.0, 0.5, 0.0},
                         {1994.0, 0.5 * 1e-4, 0.0}, /* -80 dB */
                         {50.03, 0.05, 0.0},
                         {100.06, 0.02, 0.0},
                         {150.09, 0.01, 0.0},
                         {200.12, 0.003, 0.0}},
                        0.1,
                        -100.0};
  const double hum = 0.05 * 0.05 + 0.02 * 0.02 + 0.01 * 0.01 + 0.003 * 0.003;
  const double noise = 1e-10 * 19980.0 / 24000.0, second = 0.25 * 1e-8;
  mt_results *r = read_recording(&left, 1, 3.0);
  (void)state;
  assert_int_equal(r->nproblems, 0);
  assert_honest(r, MT_Q_FREQUENCY, MT_LEFT, 0, 997.0, 1e-5);
  assert_honest(r, MT_Q_LEVEL, MT_LEFT, 0, mt_db_of_ratio(0.5), 1e-3);
  assert_honest(r, MT_Q_DC, MT_LEFT, 0, 0.1, 1e-6);
  assert_honest(r, MT_Q_HARMONIC, MT_LEFT, 2, -80.0, 0.1);
  assert_honest(r, MT_Q_THD_F, MT_LEFT, 0, -80.0, 0.1);
  assert_honest(r, MT_Q_THD_N, MT_LEFT, 0,
                mt_db_of_power((hum + second + noise) / (0.25 + hum + second + noise)), 0.01);
  mt_results_destroy(&r);
}

/*
 * A clock that drifts by 0.01 ppm a second: a sine fitted to T seconds leaves pi f a T^2 / sqrt(180) of the tone
 * (closed form of a quadratic phase about its best line), -110 dB here, which is not the unit's. The distortion
 * and noise that must be read are the noise, -119 dB re the tone.
 */
static void a_drifting_clock_is_read_as_its_mean(void **state)
{
  const content left = {{{997.0, 0.5, 1e-8}}, 0.0, -125.0};
  const double duration_s = 6.0, noise = mt_power_of_db(-125.0);
  mt_results *r = read_recording(&left, 1, duration_s);
  (void)state;
  assert_int_equal(r->nproblems, 0);
  assert_honest(r, MT_Q_LEVEL, MT_LEFT, 0, mt_db_of_ratio(0.5), 1e-3);
  /* the mean over the recording: it moves by 6e-5 Hz within */
  assert_honest(r, MT_Q_FREQUENCY, MT_LEFT, 0, 997.0 * (1.0 + 0.5e-8 * duration_s), 1e-5);
  assert_honest(r, MT_Q_THD_N, MT_LEFT, 0, mt_db_of_power(noise * 19980.0 / 24000.0 / 0.25), 0.1);
  assert_honest(r, MT_Q_SINAD, MT_LEFT, 0, -mt_db_of_power(noise / 0.25), 0.1);
  mt_results_destroy(&r);
}

static void a_tone_at_either_end_of_the_band_is_read(void **state)
{
  static const double freqs_hz[] = {19.0, 0.45 * RATE_HZ};
  (void)state;
  for (int i = 0; i < 2; i++) {
    const content left = {{{freqs_hz[i], 0.25, 0.0}}, 0.0, -90.0};
    mt_results *r = read_recording(&left, 1, 3.0);
    assert_int_equal(r->nproblems, 0);
    assert_honest(r, MT_Q_FREQUENCY, MT_LEFT, 0, freqs_hz[i], 1e-4);
    assert_honest(r, MT_Q_LEVEL, MT_LEFT, 0, mt_db_of_ratio(0.25), 1e-2);
    assert_honest(r, MT_Q_SINAD, MT_LEFT, 0, mt_db_of_power(0.0625 / 1e-9), 0.2);
    /* 20 Hz to 20 kHz do not hold the tone: no number is right */
    assert_int_equal(find_order(r, MT_Q_THD_N, MT_LEFT, 0)->validity, MT_NOT_MEASURED);
    assert_true(find_order(r, MT_Q_THD_N, MT_LEFT, 0)->why[0] != '\0');
    if (i == 1)
      assert_int_equal(find_order(r, MT_Q_THD_F, MT_LEFT, 0)->validity, MT_NOT_MEASURED);
    mt_results_destroy(&r);
  }
}

/* Five periods of 41 Hz are 0.122 s. */
static void five_periods_are_read_or_refused(void **state)
{
  const content left = {{{41.0, 0.5, 0.0}, {82.0, 0.5 * 1e-2, 0.0}}, 0.0, -90.0};
  mt_results *r = read_recording(&left, 1, 5.0 / 41.0);
  (void)state;
  assert_refused_or_near(r, MT_Q_FREQUENCY, 41.0);
  assert_refused_or_near(r, MT_Q_LEVEL, mt_db_of_ratio(0.5));
  assert_refused_or_near(r, MT_Q_THD_F, -40.0);
  assert_refused_or_near(r, MT_Q_THD_N, -40.0);
  assert_refused_or_near(r, MT_Q_SINAD, mt_db_of_power(0.25 / (0.25e-4 + 1e-9)));
  assert_refused_or_near(r, MT_Q_DC, 0.0);
  mt_results_destroy(&r);
}

static void channels_of_different_frequency_are_each_read(void **state)
{
  const content both[2] = {{{{997.0, 0.5, 0.0}}, 0.0, -95.0}, {{{3001.0, 0.2, 0.0}}, 0.001, -90.0}};
  mt_results *r = read_recording(both, 2, 3.0);
  (void)state;
  assert_int_equal(r->nproblems, 0);
  assert_honest(r, MT_Q_FREQUENCY, MT_LEFT, 0, 997.0, 1e-4);
  assert_honest(r, MT_Q_FREQUENCY, MT_RIGHT, 0, 3001.0, 1e-4);
  assert_honest(r, MT_Q_LEVEL, MT_LEFT, 0, mt_db_of_ratio(0.5), 1e-3);
  assert_honest(r, MT_Q_LEVEL, MT_RIGHT, 0, mt_db_of_ratio(0.2), 1e-3);
  assert_honest(r, MT_Q_DC, MT_RIGHT, 0, 0.001, 1e-5);
  assert_honest(r, MT_Q_SINAD, MT_RIGHT, 0, mt_db_of_power(0.04 / 1e-9), 0.2);
  /* what has no meaning is not read */
  assert_null(find_order(r, MT_Q_PHASE_DIFFERENCE, MT_CHANNEL_BOTH, 0));
  mt_results_destroy(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(hum_and_dc_do_not_move_a_tone),
      cmocka_unit_test(a_drifting_clock_is_read_as_its_mean),
      cmocka_unit_test(a_tone_at_either_end_of_the_band_is_read),
      cmocka_unit_test(five_periods_are_read_or_refused),
      cmocka_unit_test(channels_of_different_frequency_are_each_read),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
