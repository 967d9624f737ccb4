/*
 * The other way to read a tone: a windowed transform and nothing else. No fit, no subtraction: what stands under
 * the main lobes of a 7-term Blackman-Harris window (side lobes at -180 dB) in a transform in double precision.
 * It must agree wherever its own floor allows.
 */
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#include <complex.h>

#define N ((size_t)131072)
#define LOBE 8 /* bins to either side: the first zero is at 7 */

/* Solomon 1994, as repeated in window tables. */
static const double terms[] = {0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
                               0.01081174209837, 0.00077658482522, 0.00001388721735};
#define ENBW 2.63191 /* bins; closed form from these coefficients */

static double complex spectrum[N];
static double power[N / 2 + 1];

/* Decimation in time, radix 2: short rather than fast. */
static void transform(double complex *x, size_t n)
{
  for (size_t i = 1, j = 0; i < n; i++) {
    size_t bit = n >> 1;
    for (; j & bit; bit >>= 1)
      j ^= bit;
    j ^= bit;
    if (i < j) {
      double complex swap = x[i];
      x[i] = x[j];
      x[j] = swap;
    }
  }
  for (size_t length = 2; length <= n; length *= 2)
    for (size_t k = 0; k < length / 2; k++) {
      double complex turn = cexp(-2.0 * MT_PI * (double)k / (double)length * (double complex)_Complex_I);
      for (size_t start = k; start < n; start += length) {
        double complex odd = turn * x[start + length / 2];
        x[start + length / 2] = x[start] - odd;
        x[start] += odd;
      }
    }
}

/* Power re a full-scale sine, a bin; a line's power is the sum under its lobe. */
static void read_spectrum(const float *samples)
{
  double mean = 0.0, scale;
  for (size_t i = 0; i < N; i++)
    mean += (double)samples[i] / (double)N;
  for (size_t i = 0; i < N; i++) {
    double w = 0.0;
    for (size_t k = 0; k < sizeof terms / sizeof terms[0]; k++)
      w += (k % 2 ? -terms[k] : terms[k]) * cos(2.0 * MT_PI * (double)k * (double)i / (double)N);
    spectrum[i] = w * ((double)samples[i] - mean);
  }
  transform(spectrum, N);
  scale = 4.0 / ((double)N * (double)N * terms[0] * terms[0] * ENBW);
  for (size_t i = 0; i <= N / 2; i++)
    power[i] = scale * (creal(spectrum[i]) * creal(spectrum[i]) + cimag(spectrum[i]) * cimag(spectrum[i]));
}

static double sum_lobe(size_t centre)
{
  double sum = 0.0;
  for (size_t i = centre > LOBE ? centre - LOBE : 1; i <= centre + LOBE; i++)
    sum += power[i];
  return sum;
}

/* Mean noise of a bin beside a line: of 400 bins, the other lines left out by a lid that sinks on them. */
static double beside(size_t centre)
{
  double sum = 0.0, lid = (double)INFINITY;
  size_t count = 0;
  for (int pass = 0; pass < 30; pass++) {
    sum = 0.0;
    count = 0;
    for (size_t i = centre > 220 ? centre - 220 : 1; i <= centre + 220 && i <= N / 2; i++)
      if ((i + LOBE < centre || i > centre + LOBE) && power[i] < lid) {
        sum += power[i];
        count++;
      }
    lid = 14.0 * sum / (double)count; /* an exponential exceeds 14 of its mean once in 10^6 */
  }
  return sum / (double)count;
}

typedef struct line {
  double power;
  double error_db; /* what noise beside and under it makes of its level, one sigma */
} line;

static line read_line(size_t centre)
{
  double raw = sum_lobe(centre), noise = beside(centre), width = 2.0 * LOBE + 1.0;
  line l;
  l.power = fmax(raw - width * noise, 1e-30);
  l.error_db = 10.0 / log(10.0) * sqrt(2.0 * l.power * noise * ENBW + noise * noise * width * ENBW) / l.power;
  return l;
}

/* All in 20 Hz ... 20 kHz but the lobe of the tone, into which goes the noise beside it. */
static double read_rest(size_t centre, double rate_hz)
{
  size_t first = (size_t)ceil(20.0 * (double)N / rate_hz),
         last = (size_t)floor(20000.0 * (double)N / rate_hz);
  double sum = (2.0 * LOBE + 1.0) * beside(centre);
  for (size_t i = first; i <= last && i <= N / 2; i++)
    if (i + LOBE < centre || i > centre + LOBE)
      sum += power[i];
  return sum;
}

typedef struct example {
  double rate_hz, freq_hz, level_dbfs, second_db, third_db, noise_dbfs;
} example;

static float *make(const example *e, mt_random *random)
{
  float *x = malloc(N * sizeof *x);
  double a = mt_ratio_of_db(e->level_dbfs), sigma = sqrt(0.5) * mt_ratio_of_db(e->noise_dbfs);
  assert_non_null(x);
  for (size_t i = 0; i < N; i++) {
    double angle = 2.0 * MT_PI * e->freq_hz * (double)i / e->rate_hz;
    x[i] = (float)(a * (sin(angle) + mt_ratio_of_db(e->second_db) * sin(2.0 * angle + 0.4) +
                        mt_ratio_of_db(e->third_db) * sin(3.0 * angle + 1.1)) +
                   sigma * mt_random_normal(random));
  }
  return x;
}

static const mt_reading *reading_of(const mt_results *r, mt_quantity quantity, int order)
{
  for (size_t i = 0; i < r->nreadings; i++)
    if (r->readings[i].quantity == quantity && r->readings[i].order == order)
      return &r->readings[i];
  return NULL;
}

/* @return how many harmonics both could read. */
static int compare(const example *e, mt_random *random)
{
  float *x = make(e, random);
  size_t centre = (size_t)floor(e->freq_hz * (double)N / e->rate_hz + 0.5);
  mt_results *r = NULL;
  mt_take *take = NULL;
  mt_error err = {0};
  line tone;
  double rest;
  int compared = 0;

  print_message("%.0f Hz at %.0f Hz, %.0f dBFS, harmonics %.0f and %.0f dB, noise %.0f dBFS\n", e->freq_hz,
                e->rate_hz, e->level_dbfs, e->second_db, e->third_db, e->noise_dbfs);
  read_spectrum(x);
  assert_ok(mt_take_create(e->rate_hz, 1, &take, &err), err);
  assert_ok(mt_take_append(take, x, N, &err), err);
  assert_ok(mt_results_create(&r, &err), err);
  assert_ok(mt_measure_recording(take, r, &err), err);
  tone = read_line(centre);
  /* the noise is the same for both, but weighted otherwise: five sigma; 1e-5 dB is the ENBW's last digit */
  assert_near(reading_of(r, MT_Q_LEVEL, 0)->value, mt_db_of_power(tone.power), 1e-5 + 5.0 * tone.error_db,
              "dBFS");
  for (int k = 2; k <= 5; k++) {
    const mt_reading *harmonic = reading_of(r, MT_Q_HARMONIC, k);
    line l;
    if (harmonic == NULL)
      continue;
    l = read_line((size_t)floor(k * e->freq_hz * (double)N / e->rate_hz + 0.5));
    if (l.error_db > 0.5 || harmonic->validity != MT_VALID)
      continue; /* its floor */
    compared++;
    assert_near(harmonic->value, mt_db_of_power(l.power / tone.power),
                1e-5 + 5.0 * hypot(l.error_db, tone.error_db), "dB");
  }
  rest = read_rest(centre, e->rate_hz);
  /* T = N / rate, B = 20 kHz: 4.343 / sqrt(B T), of a window that uses a third of the record the more; five sigma */
  assert_near(reading_of(r, MT_Q_THD_N, 0)->value, mt_db_of_power(rest / (rest + tone.power)),
              5.0 * 4.343 * sqrt(ENBW * e->rate_hz / (20000.0 * (double)N)), "dB");
  mt_results_destroy(&r);
  mt_take_destroy(&take);
  free(x);
  return compared;
}

static void a_transform_alone_reads_the_same(void **state)
{
  static const example examples[] = {
      {48000.0, 997.0, -1.0, -60.0, -70.0, -90.0},    {48000.0, 997.123, -20.0, -40.0, -50.0, -80.0},
      {48000.0, 1000.0, -6.0, -90.0, -100.0, -120.0}, {44100.0, 3150.7, -10.0, -30.0, -55.0, -70.0},
      {44100.0, 61.3, -3.0, -50.0, -45.0, -85.0},     {96000.0, 5003.3, -20.0, -75.0, -65.0, -100.0},
      {96000.0, 41.0, -12.0, -60.0, -70.0, -90.0},    {192000.0, 997.9, -30.0, -20.0, -25.0, -90.0},
      {48000.0, 7993.4, -2.0, -62.0, -200.0, -95.0},  {48000.0, 440.0, -60.0, -30.0, -35.0, -100.0},
  };
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(61));
  for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++)
    assert_true(compare(&examples[i], &random) >= (examples[i].third_db > -150.0 ? 2 : 1));
}

/* Without noise, down to where the window's side lobes and the rounding of float samples end it: -150 dB. */
static void harmonics_agree_down_to_its_own_floor(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(62));
  for (double level_db = -60.0; level_db >= -130.0; level_db -= 10.0) {
    example e = {48000.0, 996.7, -0.5, level_db, level_db - 5.0, -400.0};
    assert_true(compare(&e, &random) >= 2);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_transform_alone_reads_the_same),
      cmocka_unit_test(harmonics_agree_down_to_its_own_floor),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
