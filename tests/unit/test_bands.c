#include "support.h"
#include "unit_bench.h"

#include "analysis/bands.h"
#include "base/decibel.h"
#include "base/random.h"

/* IEC 61260-1 base 10 and ISO 266, published table: nominal and exact middle. */
static const double published[MT_BANDS_MAX][2] = {
    {20, 19.953},      {25, 25.119},     {31.5, 31.623},   {40, 39.811},       {50, 50.119},
    {63, 63.096},      {80, 79.433},     {100, 100.000},   {125, 125.893},     {160, 158.489},
    {200, 199.526},    {250, 251.189},   {315, 316.228},   {400, 398.107},     {500, 501.187},
    {630, 630.957},    {800, 794.328},   {1000, 1000.000}, {1250, 1258.925},   {1600, 1584.893},
    {2000, 1995.262},  {2500, 2511.886}, {3150, 3162.278}, {4000, 3981.072},   {5000, 5011.872},
    {6300, 6309.573},  {8000, 7943.282}, {10000, 10000.0}, {12500, 12589.254}, {16000, 15848.932},
    {20000, 19952.623}};

/* A density whose truth is known: power per hertz a flat line, or falling as 1/f. */
static mt_psd known_density(double rate_hz, size_t nfft, bool pink)
{
  mt_psd psd = {.nbins = nfft / 2 + 1,
                .bin_hz = rate_hz / (double)nfft,
                .rate_hz = rate_hz,
                .window = MT_WINDOW_BLACKMAN_HARRIS_4,
                .averages = 10.0};
  psd.density = calloc(psd.nbins, sizeof *psd.density);
  assert_non_null(psd.density);
  for (size_t i = 1; i < psd.nbins; i++)
    psd.density[i] = pink ? 1e-10 / ((double)i * psd.bin_hz) : 1e-14;
  return psd;
}

static void edges_and_names_are_those_of_the_standard(void **state)
{
  mt_psd psd = known_density(48000.0, 1 << 16, false);
  mt_band bands[MT_BANDS_MAX];
  (void)state;
  assert_int_equal(mt_bands_measure(&psd, bands), MT_BANDS_MAX);
  for (size_t i = 0; i < MT_BANDS_MAX; i++) {
    assert_near(bands[i].nominal_hz, published[i][0], 1e-9 * published[i][0], "Hz");
    /* the table is rounded to 0.001 Hz */
    assert_near(sqrt(bands[i].from_hz * bands[i].to_hz), published[i][1], 6e-4, "Hz");
    assert_near(bands[i].to_hz / bands[i].from_hz, pow(10.0, 0.1), 1e-12, "");
  }
  mt_psd_finish(&psd);
}

/* Closed form: a band a tenth of a decade wide, white +1.000 dB a band, pink flat. */
static void white_rises_by_one_decibel_and_pink_is_flat(void **state)
{
  (void)state;
  for (int pink = 0; pink <= 1; pink++) {
    mt_psd psd = known_density(48000.0, 1 << 19, pink != 0);
    mt_band bands[MT_BANDS_MAX];
    size_t count = mt_bands_measure(&psd, bands);
    for (size_t i = 0; i < count; i++) {
      double want = pink != 0 ? 1e-10 * log(bands[i].to_hz / bands[i].from_hz)
                              : 1e-14 * (bands[i].to_hz - bands[i].from_hz);
      /* pink: a bin's density stands for all of the bin, 0.09 Hz of 18 Hz: (0.0025)^2 */
      assert_near(mt_db_of_power(bands[i].power.power), mt_db_of_power(want), pink != 0 ? 0.002 : 1e-9,
                  "dBFS");
      if (i > 0 && pink == 0)
        assert_near(mt_db_of_power(bands[i].power.power / bands[i - 1].power.power), 1.0, 1e-9, "dB");
    }
    mt_psd_finish(&psd);
  }
}

/* Parseval: what lies between the first and the last edge is shared out, and nothing twice. */
static void bands_of_a_random_noise_sum_to_its_total(void **state)
{
  const size_t n = 100000;
  double *x = malloc(n * sizeof *x), sum = 0.0, mean_square = 0.0;
  mt_band bands[MT_BANDS_MAX];
  mt_error err = {0};
  mt_random random;
  mt_psd psd;
  size_t count;
  (void)state;
  assert_non_null(x);
  mt_random_init(&random, support_seed(11));
  for (size_t i = 0; i < n; i++) {
    x[i] = 1e-4 * mt_random_normal(&random);
    mean_square += x[i] * x[i] / (double)n;
  }
  assert_ok(mt_psd_estimate(x, n, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, 0, &psd, &err), err);
  count = mt_bands_measure(&psd, bands);
  for (size_t i = 0; i < count; i++)
    sum += bands[i].power.power;
  assert_near(sum / mt_psd_band(&psd, bands[0].from_hz, bands[count - 1].to_hz, MT_WEIGHT_NONE).power, 1.0,
              1e-9, "");
  /* and of the samples themselves: 22370 of 24000 Hz of white noise; spread 4.343/sqrt(BT) = 0.02 dB, the
     window's uneven use of the samples somewhat more */
  assert_near(mt_db_of_power(sum), mt_db_of_power(2.0 * mean_square * (22387.2 - 17.78) / 24000.0), 0.1,
              "dBFS");
  mt_psd_finish(&psd);
  free(x);
}

static void a_band_that_half_the_rate_cuts_is_left_out(void **state)
{
  mt_psd psd = known_density(44100.0, 1 << 15, false);
  mt_band bands[MT_BANDS_MAX];
  (void)state;
  /* 20 kHz ends at 22387 Hz, above 22050 */
  assert_int_equal(mt_bands_measure(&psd, bands), MT_BANDS_MAX - 1);
  mt_psd_finish(&psd);
}

static void idle_noise_has_its_curves_and_their_sum_is_the_noise(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].noise_dbfs = -90.0;
  unit.bits = 16;
  r = unit_bench_results(&unit, 48000.0, -20.0);
  for (int c = 0; c < 2; c++) {
    const mt_curve *density = mt_results_find_curve(r, MT_Q_NOISE_DENSITY, (mt_channel)c);
    const mt_curve *bands = mt_results_find_curve(r, MT_Q_BAND_LEVEL, (mt_channel)c);
    const mt_curve *spectrum = mt_results_find_curve(r, MT_Q_SPECTRUM, (mt_channel)c);
    /* TPDF dither and 16 bits: 93.319 dB below full scale in rate/2 (20 N lg 2 + 1.761 - 4.771 dB) */
    double truth = 10.0 * log10(pow(10.0, -9.3319) + (c == 0 ? 1e-9 : 0.0)), sum = 0.0, mean = 0.0;
    size_t n = 0;
    assert_non_null(density);
    assert_non_null(bands);
    assert_non_null(spectrum);
    assert_int_equal(bands->npoints, MT_BANDS_MAX);
    for (size_t i = 0; i < bands->npoints; i++)
      sum += pow(10.0, bands->y[i] / 10.0);
    for (size_t i = 0; i < density->npoints; i++)
      if (density->x[i] > 1000.0) {
        mean += pow(10.0, density->y[i] / 10.0);
        n++;
      }
    /* white: 22369 of 24000 Hz; 1.2 s of it are known to 4.343/sqrt(BT) = 0.03 dB, three times that allowed */
    assert_near(mt_db_of_power(sum), truth + mt_db_of_power(22369.4 / 24000.0), 0.1, "dBFS");
    assert_near(mt_db_of_power(mean / (double)n), truth - mt_db_of_power(24000.0), 0.15, "dBFS/sqrt(Hz)");
    /* a bin holds its bandwidth of that density: by the highest bin of many, some decibels above it */
    assert_near(spectrum->bandwidth_hz, 2.0044 * 48000.0 / 19200.0, 0.02, "Hz");
    for (size_t i = 0; i < spectrum->npoints; i++)
      if (spectrum->x[i] > 1000.0)
        assert_between(spectrum->y[i], truth + mt_db_of_power(spectrum->bandwidth_hz / 24000.0) - 3.0,
                       truth + mt_db_of_power(spectrum->bandwidth_hz / 24000.0) + 9.0, "dBFS");
    assert_true(density->bandwidth_hz == 0.0);
  }
  mt_results_destroy(&r);
}

static void digital_silence_has_no_made_up_points(void **state)
{
  mt_simulated_unit unit;
  mt_results *r;
  (void)state;
  mt_simulate_init(&unit);
  r = unit_bench_results(&unit, 48000.0, -20.0);
  assert_int_equal(mt_results_find_curve(r, MT_Q_BAND_LEVEL, MT_LEFT)->npoints, 0);
  assert_int_equal(mt_results_find_curve(r, MT_Q_NOISE_DENSITY, MT_LEFT)->npoints, 0);
  mt_results_destroy(&r);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(edges_and_names_are_those_of_the_standard),
      cmocka_unit_test(white_rises_by_one_decibel_and_pink_is_flat),
      cmocka_unit_test(bands_of_a_random_noise_sum_to_its_total),
      cmocka_unit_test(a_band_that_half_the_rate_cuts_is_left_out),
      cmocka_unit_test(idle_noise_has_its_curves_and_their_sum_is_the_noise),
      cmocka_unit_test(digital_silence_has_no_made_up_points),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
