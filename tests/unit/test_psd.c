#include "base/random.h"
#include "support.h"

#include "analysis/psd.h"

#include <mendtone/analysis.h>

#include <time.h>

static const mt_window all[] = {MT_WINDOW_RECTANGULAR, MT_WINDOW_HANN, MT_WINDOW_BLACKMAN_HARRIS_4,
                                MT_WINDOW_BLACKMAN_HARRIS_7};
#define NALL (sizeof all / sizeof *all)

static double *make(size_t n)
{
  double *x = calloc(n, sizeof *x);
  assert_non_null(x);
  return x;
}

static void add_tone(double *x, size_t n, double rate_hz, double freq_hz, double amplitude, double phase_rad)
{
  for (size_t i = 0; i < n; i++)
    x[i] += amplitude * sin(2.0 * M_PI * fmod(freq_hz / rate_hz * (double)i, 1.0) + phase_rad);
}

static void add_noise(double *x, size_t n, double rms, mt_random *random)
{
  for (size_t i = 0; i < n; i++)
    x[i] += rms * mt_random_normal(random);
}

static mt_psd estimate(const double *x, size_t n, double rate_hz, mt_window window, size_t nfft)
{
  mt_psd psd;
  mt_error err = {0};
  assert_ok(mt_psd_estimate(x, n, rate_hz, window, nfft, &psd, &err), err);
  return psd;
}

/* Level of a band, dB re a full-scale sine. */
static double band_db(const double *x, size_t n, double rate_hz, mt_window window, size_t nfft,
                      double from_hz, double to_hz, mt_weighting weighting)
{
  mt_psd psd = estimate(x, n, rate_hz, window, nfft);
  double power = mt_psd_band(&psd, from_hz, to_hz, weighting).power;
  mt_psd_finish(&psd);
  return 10.0 * log10(power);
}

/* All a density holds: each end bin stands for half a bin. */
static double total(const mt_psd *psd)
{
  double sum = 0.5 * (psd->density[0] + psd->density[psd->nbins - 1]);
  for (size_t k = 1; k + 1 < psd->nbins; k++)
    sum += psd->density[k];
  return sum * psd->bin_hz;
}

static void density_is_the_slow_transform_in_double(void **state)
{
  enum { N = 240 };
  double w[N], x[N], mean = 0.0;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(11));
  for (size_t i = 0; i < NALL; i++) {
    double squares = 0.0, greatest = 0.0;
    mt_psd psd;
    for (size_t k = 0; k < N; k++)
      mean += (x[k] = 0.3 + mt_random_normal(&random)) / N;
    psd = estimate(x, N, 48000.0, all[i], N);
    assert_int_equal(psd.nbins, N / 2 + 1);
    assert_near(psd.averages, 1.0, 0.0, "");
    assert_near(psd.bin_hz, 200.0, 1e-12, "Hz");
    mt_window_fill(all[i], N, w);
    for (size_t k = 0; k < N; k++) {
      squares += w[k] * w[k];
      x[k] = (x[k] - mean) * w[k];
    }
    for (size_t k = 0; k < psd.nbins; k++)
      greatest = fmax(greatest, psd.density[k]);
    for (size_t k = 0; k < psd.nbins; k++) {
      /* amplitude is 2/n |X|; density 4 |X|^2 / (rate sum w^2): twice the mean square, one-sided */
      double amplitude = support_dft_amplitude(x, N, 48000.0, 200.0 * (double)k);
      double density = amplitude * amplitude * N * N / (48000.0 * squares);
      /* the float transform: a few 1e-7 in amplitude, of the greatest bin */
      assert_near(psd.density[k], density, 2e-6 * sqrt(density * greatest) + 1e-13 * greatest, "1/Hz");
    }
    mt_psd_finish(&psd);
    assert_null(psd.density);
    mean = 0.0;
  }
}

static void whole_density_is_the_mean_square(void **state)
{
  static const size_t lengths[] = {16, 17, 100, 999, 1000, 4801, 48000};
  double *x = make(48000);
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(12));
  add_noise(x, 48000, 0.1, &random);
  for (size_t i = 0; i < sizeof lengths / sizeof *lengths; i++) {
    /* Parseval, exact for one rectangular segment of the whole; else what the segment holds */
    mt_psd psd = estimate(x, lengths[i], 44100.0, MT_WINDOW_RECTANGULAR, lengths[i]);
    size_t nfft = 2 * (psd.nbins - 1);
    double mean = 0.0, squares = 0.0;
    assert_true(nfft <= lengths[i] && psd.averages >= 1.0);
    for (size_t k = 0; k < lengths[i]; k++)
      mean += x[k] / (double)lengths[i];
    if (nfft == lengths[i]) {
      for (size_t k = 0; k < nfft; k++)
        squares += 2.0 * (x[k] - mean) * (x[k] - mean) / (double)nfft;
      assert_near(total(&psd) / squares, 1.0, 1e-6, "");
    }
    /* a band over all sums to the same */
    assert_near(mt_psd_band(&psd, 0.0, 22050.0, MT_WEIGHT_NONE).power / total(&psd), 1.0, 1e-12, "");
    mt_psd_finish(&psd);
  }
  free(x);
}

static void every_sample_counts_whatever_the_length(void **state)
{
  (void)state;
  /* one loud sample near the end must show, however the length divides */
  for (size_t n = 4000; n < 4100; n += 7) {
    double *x = make(n);
    mt_psd psd;
    x[n - 300] = 1.0;
    psd = estimate(x, n, 48000.0, MT_WINDOW_HANN, 1024);
    assert_true(mt_psd_band(&psd, 20.0, 20e3, MT_WEIGHT_NONE).power > 1e-5);
    mt_psd_finish(&psd);
    free(x);
  }
}

static void tone_power_does_not_depend_on_rate_length_window_or_phase(void **state)
{
  static const double rates[] = {8000.0, 44100.0, 48000.0, 96000.0, 192000.0};
  static const size_t lengths[] = {65536, 65537, 99991, 131072};
  double *x = make(131072);
  (void)state;
  for (size_t r = 0; r < sizeof rates / sizeof *rates; r++)
    for (size_t l = 0; l < sizeof lengths / sizeof *lengths; l++)
      for (size_t i = 1; i < NALL; i++) {
        memset(x, 0, 131072 * sizeof *x);
        add_tone(x, lengths[l], rates[r], 997.0, 0.1, 0.7 * (double)(r + l + i));
        /* a full-scale sine is 0 dB. Over the lobe only: a Hann window leaks 1e-6 beyond; one segment sees
           a phase of the lobe of the negative frequency, 1e-5 at its worst; float 1e-6 */
        assert_near(band_db(x, lengths[l], rates[r], all[i], 0, 200.0, 3000.0, MT_WEIGHT_NONE), -20.0, 2e-4,
                    "dB");
      }
  free(x);
}

static void weighted_tones_are_right_down_to_20_hz(void **state)
{
  static const double freqs[] = {20.0, 20.3, 31.5, 50.0, 100.3, 997.0, 6300.0, 12500.0, 19997.0};
  static const mt_weighting weights[] = {MT_WEIGHT_A, MT_WEIGHT_C, MT_WEIGHT_468, MT_WEIGHT_CCIR_RMS};
  enum { N = 65536 };
  double *x = make(N);
  (void)state;
  for (size_t f = 0; f < sizeof freqs / sizeof *freqs; f++) {
    memset(x, 0, N * sizeof *x);
    add_tone(x, N, 48000.0, freqs[f], 1.0, 1.0);
    for (size_t w = 0; w < sizeof weights / sizeof *weights; w++) {
      double want_db = mt_weighting_db(weights[w], freqs[f]);
      for (size_t i = 1; i < NALL; i++) {
        /* asked: 0.001. What remains is the sixth-order term of the weight at 20 Hz: 3e-6 dB at this length,
           0.0016 at the length chosen for the Hann window, whose bins are 5 Hz wide */
        assert_near(band_db(x, N, 48000.0, all[i], N, 1.0, 24000.0, weights[w]), want_db, 2e-5, "dB");
        assert_near(band_db(x, N, 48000.0, all[i], 0, 1.0, 24000.0, weights[w]), want_db, 0.003, "dB");
      }
    }
  }
  free(x);
}

/*
 * IEC 61672-1, what class 1 allows from 10 Hz to 20 kHz in thirds of an octave: of the 2013 edition (Table 3), and of
 * the 2002 one (from memory but for the octaves), which is wider by what a laboratory may err. A tone at the exact
 * frequency is summed under the weight as a reading sums it; the nominal weights of A and C are rounded to 0.1 dB.
 */
static const struct {
  double a_db, c_db, above_2013, below_2013, above_2002, below_2002;
} class_1[] = {
    {-70.4, -14.3, 3.0, INFINITY, 3.5, INFINITY},
    {-63.4, -11.2, 2.5, INFINITY, 3.0, INFINITY},
    {-56.7, -8.5, 2.0, 4.0, 2.5, 4.5},
    {-50.5, -6.2, 2.0, 2.0, 2.5, 2.5},
    {-44.7, -4.4, 2.0, 1.5, 2.5, 2.0},
    {-39.4, -3.0, 1.5, 1.5, 2.0, 2.0},
    {-34.6, -2.0, 1.0, 1.0, 1.5, 1.5},
    {-30.2, -1.3, 1.0, 1.0, 1.5, 1.5},
    {-26.2, -0.8, 1.0, 1.0, 1.5, 1.5},
    {-22.5, -0.5, 1.0, 1.0, 1.5, 1.5},
    {-19.1, -0.3, 1.0, 1.0, 1.5, 1.5},
    {-16.1, -0.2, 1.0, 1.0, 1.5, 1.5},
    {-13.4, -0.1, 1.0, 1.0, 1.5, 1.5},
    {-10.9, 0.0, 1.0, 1.0, 1.5, 1.5},
    {-8.6, 0.0, 1.0, 1.0, 1.4, 1.4},
    {-6.6, 0.0, 1.0, 1.0, 1.4, 1.4},
    {-4.8, 0.0, 1.0, 1.0, 1.4, 1.4},
    {-3.2, 0.0, 1.0, 1.0, 1.4, 1.4},
    {-1.9, 0.0, 1.0, 1.0, 1.4, 1.4},
    {-0.8, 0.0, 1.0, 1.0, 1.4, 1.4},
    {0.0, 0.0, 0.7, 0.7, 1.1, 1.1},
    {0.6, 0.0, 1.0, 1.0, 1.4, 1.4},
    {1.0, -0.1, 1.0, 1.0, 1.6, 1.6},
    {1.2, -0.2, 1.0, 1.0, 1.6, 1.6},
    {1.3, -0.3, 1.0, 1.0, 1.6, 1.6},
    {1.2, -0.5, 1.0, 1.0, 1.6, 1.6},
    {1.0, -0.8, 1.0, 1.0, 1.6, 1.6},
    {0.5, -1.3, 1.5, 1.5, 2.1, 2.1},
    {-0.1, -2.0, 1.5, 2.0, 2.1, 2.6},
    {-1.1, -3.0, 1.5, 2.5, 2.1, 3.1},
    {-2.5, -4.4, 2.0, 3.0, 2.6, 3.6},
    {-4.3, -6.2, 2.0, 5.0, 3.0, 6.0},
    {-6.6, -8.5, 2.5, 16.0, 3.5, 17.0},
    {-9.3, -11.2, 3.0, INFINITY, 4.0, INFINITY},
};

static void weighted_tones_are_within_class_1(void **state)
{
  enum { N = 262144 };
  double *x = make(N);
  (void)state;
  for (size_t i = 0; i < sizeof class_1 / sizeof *class_1; i++) {
    double freq_hz = 1000.0 * pow(10.0, 0.1 * ((double)i - 20.0));
    memset(x, 0, N * sizeof *x);
    add_tone(x, N, 48000.0, freq_hz, 1.0, 1.0);
    for (int c = 0; c < 2; c++) {
      double off_db = band_db(x, N, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, N, 1.0, 24000.0,
                              c == 0 ? MT_WEIGHT_A : MT_WEIGHT_C) -
                      (c == 0 ? class_1[i].a_db : class_1[i].c_db);
      assert_true(off_db <= class_1[i].above_2013 && off_db >= -class_1[i].below_2013);
      assert_true(off_db <= class_1[i].above_2002 && off_db >= -class_1[i].below_2002);
      /* and far inside: rounded to 0.1 dB, and 0.003 dB for the standard's own rounding of its constants and 10 Hz */
      assert_near(off_db, 0.0, 0.053, "dB");
    }
  }
  free(x);
}

static void one_khz_at_minus_20_reads_as_aes17_says(void **state)
{
  enum { N = 96000 };
  double *x = make(N);
  (void)state;
  add_tone(x, N, 48000.0, 1000.0, 0.1, 0.0);
  /* AES17-2015 6.4.2 with 5.2.7: -25.63 dBFS CCIR-RMS, given to 0.01 dB */
  assert_near(band_db(x, N, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, 0, 20.0, 20e3, MT_WEIGHT_CCIR_RMS), -25.63,
              0.005, "dBFS");
  assert_near(band_db(x, N, 48000.0, MT_WINDOW_BLACKMAN_HARRIS_4, 0, 20.0, 20e3, MT_WEIGHT_NONE), -20.0,
              0.001, "dBFS");
  free(x);
}

static void edge_bins_count_by_their_share(void **state)
{
  enum { N = 48000 };
  double *x = make(N), sum;
  mt_random random;
  mt_psd psd;
  (void)state;
  mt_random_init(&random, support_seed(13));
  add_noise(x, N, 1.0, &random);
  psd = estimate(x, N, 48000.0, MT_WINDOW_HANN, 4800);
  /* 10 Hz bins: 15 ... 25 is one of them, 17.5 ... 20 a quarter of it */
  assert_near(mt_psd_band(&psd, 15.0, 25.0, MT_WEIGHT_NONE).power, 10.0 * psd.density[2], 1e-12, "");
  assert_near(mt_psd_band(&psd, 17.5, 20.0, MT_WEIGHT_NONE).power, 2.5 * psd.density[2], 1e-12, "");
  /* parts add up to the whole, wherever it is cut, weighted or not */
  for (int w = MT_WEIGHT_NONE; w <= MT_WEIGHT_CCIR_RMS; w++) {
    double whole = mt_psd_band(&psd, 20.0, 20e3, (mt_weighting)w).power;
    sum = mt_psd_band(&psd, 20.0, 123.4, (mt_weighting)w).power +
          mt_psd_band(&psd, 123.4, 7777.7, (mt_weighting)w).power +
          mt_psd_band(&psd, 7777.7, 20e3, (mt_weighting)w).power;
    assert_near(sum / whole, 1.0, 1e-12, "");
  }
  /* beyond half the rate there is nothing to add */
  assert_near(mt_psd_band(&psd, 20.0, 90e3, MT_WEIGHT_NONE).power,
              mt_psd_band(&psd, 20.0, 24e3, MT_WEIGHT_NONE).power, 0.0, "");
  mt_psd_finish(&psd);
  free(x);
}

static void a_band_that_holds_nothing_is_not_a_level(void **state)
{
  double *x = make(1000);
  mt_psd psd = estimate(x, 1000, 48000.0, MT_WINDOW_HANN, 0);
  static const double bands[][2] = {{30e3, 40e3},         {100.0, 50.0},       {50.0, 50.0},
                                    {(double)NAN, 100.0}, {20.0, (double)NAN}, {-20.0, -10.0}};
  (void)state;
  for (size_t i = 0; i < sizeof bands / sizeof *bands; i++) {
    mt_band_power band = mt_psd_band(&psd, bands[i][0], bands[i][1], MT_WEIGHT_NONE);
    assert_near(band.power, 0.0, 0.0, "");
    assert_true(isinf(band.standard_error));
  }
  mt_psd_finish(&psd);
  mt_psd_finish(&psd);
  mt_psd_finish(NULL);
  free(x);
}

static void silence_and_dc_have_no_noise(void **state)
{
  double *x = make(48000);
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    mt_psd psd = estimate(x, 48000, 48000.0, all[i], 0);
    mt_band_power band = mt_psd_band(&psd, 20.0, 20e3, MT_WEIGHT_A);
    assert_near(band.power, 0.0, 0.0, "");
    assert_near(band.standard_error, 0.0, 0.0, "");
    mt_psd_finish(&psd);
  }
  for (size_t k = 0; k < 48000; k++)
    x[k] = 0.7;
  /* taken out in double before the float transform sees it: the mean of equal numbers is good to 1e-12 */
  assert_true(band_db(x, 48000, 48000.0, MT_WINDOW_HANN, 0, 0.0, 24e3, MT_WEIGHT_NONE) < -220.0);
  free(x);
}

static void direct_current_does_not_hide_noise(void **state)
{
  double *x = make(96000), clean_db;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(14));
  add_noise(x, 96000, 1e-9, &random);
  clean_db = band_db(x, 96000, 48000.0, MT_WINDOW_HANN, 0, 20.0, 20e3, MT_WEIGHT_NONE);
  for (size_t k = 0; k < 96000; k++)
    x[k] += 0.5;
  /* samples near 0.5 are rounded to 1e-16; unless subtracted in double, float would leave -150 dB */
  assert_near(band_db(x, 96000, 48000.0, MT_WINDOW_HANN, 0, 20.0, 20e3, MT_WEIGHT_NONE), clean_db, 1e-4,
              "dB");
  free(x);
}

static void what_cannot_be_read_is_refused(void **state)
{
  double *x = make(4800);
  mt_psd psd = {.nbins = 77};
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_psd_estimate(x, 0, 48000.0, MT_WINDOW_HANN, 0, &psd, &err), MT_E_DATA);
  assert_int_equal(mt_psd_estimate(x, 1, 48000.0, MT_WINDOW_HANN, 0, &psd, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "1 sample"));
  assert_int_equal(mt_psd_estimate(x, 4800, 0.0, MT_WINDOW_HANN, 0, &psd, &err), MT_E_ARG);
  assert_int_equal(mt_psd_estimate(x, 4800, (double)NAN, MT_WINDOW_HANN, 0, &psd, &err), MT_E_ARG);
  assert_int_equal(mt_psd_estimate(x, 4800, 48000.0, MT_WINDOW_LAST, 0, &psd, &err), MT_E_ARG);
  x[4799] = (double)NAN;
  assert_int_equal(mt_psd_estimate(x, 4800, 48000.0, MT_WINDOW_HANN, 0, &psd, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "sample 4799"));
  x[4799] = (double)-INFINITY;
  assert_int_equal(mt_psd_estimate(x, 4800, 48000.0, MT_WINDOW_HANN, 0, &psd, &err), MT_E_DATA);
  x[4799] = 1e300;
  assert_int_equal(mt_psd_estimate(x, 4800, 48000.0, MT_WINDOW_HANN, 0, &psd, NULL), MT_E_DATA);
  assert_int_equal(psd.nbins, 77);
  free(x);
}

static void transform_length_is_fast_and_resolves_20_hz(void **state)
{
  double *x = make(192000);
  (void)state;
  for (size_t i = 0; i < NALL; i++)
    for (double rate_hz = 8000.0; rate_hz <= 192000.0; rate_hz *= 2.0) {
      mt_psd psd = estimate(x, 192000, rate_hz, all[i], 0);
      /* the lobe is `terms` bins wide on either side: 1, 2, 4, 7 */
      static const double lobe[] = {1.0, 2.0, 4.0, 7.0};
      assert_true(lobe[i] * psd.bin_hz <= 10.0 && lobe[i] * psd.bin_hz > 9.0);
      assert_near(psd.bin_hz * 2.0 * (double)(psd.nbins - 1), rate_hz, 1e-9 * rate_hz, "Hz");
      mt_psd_finish(&psd);
    }
  for (size_t n = 16; n < 3000; n++) {
    mt_psd psd = estimate(x, n, 48000.0, MT_WINDOW_HANN, n % 3 == 0 ? 0 : n);
    size_t nfft = 2 * (psd.nbins - 1), rest = nfft;
    while (rest % 2 == 0)
      rest /= 2;
    while (rest % 3 == 0)
      rest /= 3;
    while (rest % 5 == 0)
      rest /= 5;
    /* neighbouring products of 2, 3 and 5 are never further apart than 1 : 1.5 */
    assert_true(rest == 1 && nfft <= n && 3 * nfft > 2 * n);
    mt_psd_finish(&psd);
  }
  free(x);
}

/* ---- quantisers: Widrow and Kollar, and AES17's reference level ------------------------------- */

static const struct {
  unsigned bits;
  double rate_hz;
  bool dithered;
  double full_db, band_db,
      a_db; /* -SNR re a full-scale sine: to rate/2, 20 kHz, A-weighted 20 Hz - 20 kHz (0: not given) */
} quantisers[] = {
    {16, 44100, false, 98.091, 98.514, 0.0},   {16, 44100, true, 93.319, 93.743, 95.796},
    {16, 48000, false, 98.091, 98.882, 0.0},   {16, 48000, true, 93.319, 94.111, 96.164},
    {16, 96000, false, 98.091, 101.893, 0.0},  {16, 96000, true, 93.319, 97.121, 99.174},
    {20, 44100, false, 122.173, 122.597, 0.0}, {20, 44100, true, 117.402, 117.825, 119.878},
    {20, 48000, false, 122.173, 122.965, 0.0}, {20, 48000, true, 117.402, 118.194, 120.246},
    {20, 96000, false, 122.173, 125.975, 0.0}, {20, 96000, true, 117.402, 121.204, 123.256},
    {24, 44100, false, 146.255, 146.679, 0.0}, {24, 44100, true, 141.484, 141.908, 143.960},
    {24, 48000, false, 146.255, 147.047, 0.0}, {24, 48000, true, 141.484, 142.276, 144.329},
    {24, 96000, false, 146.255, 150.057, 0.0}, {24, 96000, true, 141.484, 145.286, 147.339},
};

static void quantiser_noise_is_as_theory_says(void **state)
{
  enum { N = 192000 };
  double *x = make(N);
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(15));
  for (size_t i = 0; i < sizeof quantisers / sizeof *quantisers; i++) {
    double step = ldexp(1.0, 1 - (int)quantisers[i].bits), error_db;
    double duration_s = N / quantisers[i].rate_hz;
    for (size_t k = 0; k < N; k++) {
      /* the tone is known here: what is left is the quantiser's alone. 997 Hz: no short repetition */
      double tone = 0.9 * sin(2.0 * M_PI * fmod(997.0 / quantisers[i].rate_hz * (double)k, 1.0) + 0.3);
      double dither = quantisers[i].dithered ? mt_random_triangular(&random) : 0.0;
      x[k] = step * rint(tone / step + dither) - tone;
    }
    /* 4 sigma of 4.343 / sqrt(B T) dB times the 1.04 of overlapped Hann segments; white to 0.01 dB only
       without dither, where a 16-bit error is still a little correlated with the tone: 0.02 dB */
    error_db = 4.0 * 1.04 * 4.343 / sqrt(20e3 * duration_s) + (quantisers[i].dithered ? 0.0 : 0.02);
    assert_near(band_db(x, N, quantisers[i].rate_hz, MT_WINDOW_HANN, 0, 0.0, quantisers[i].rate_hz / 2.0,
                        MT_WEIGHT_NONE),
                -quantisers[i].full_db, error_db, "dBFS");
    /* 20 Hz ... 20 kHz: the published figure counts the 20 Hz, 0.004 dB */
    assert_near(band_db(x, N, quantisers[i].rate_hz, MT_WINDOW_HANN, 0, 20.0, 20e3, MT_WEIGHT_NONE),
                -quantisers[i].band_db - 0.004, error_db, "dBFS");
    /* A-weighting leaves about 12 kHz of effective band */
    if (quantisers[i].dithered)
      assert_near(band_db(x, N, quantisers[i].rate_hz, MT_WINDOW_HANN, 0, 20.0, 20e3, MT_WEIGHT_A),
                  -quantisers[i].a_db, 1.3 * error_db, "dBFS");
  }
  free(x);
}

/* ---- statistics -------------------------------------------------------------------------------- */

static void weighted_noise_reads_as_expected(void **state)
{
  enum { N = 960000 };
  static const struct {
    mt_weighting weighting;
    double gain_db;
  } white[] = {
      {MT_WEIGHT_A, -2.048}, {MT_WEIGHT_C, -3.451}, {MT_WEIGHT_468, 7.297}, {MT_WEIGHT_CCIR_RMS, 1.667}};
  double *x = make(N);
  mt_psd psd;
  mt_random random;
  double plain;
  (void)state;
  mt_random_init(&random, support_seed(16));
  add_noise(x, N, 1e-3, &random);
  psd = estimate(x, N, 48000.0, MT_WINDOW_HANN, 0);
  plain = mt_psd_band(&psd, 20.0, 20e3, MT_WEIGHT_NONE).power;
  /* white over 24 kHz, of which 19.98 are summed; twice the mean square */
  assert_near(10.0 * log10(plain), 10.0 * log10(2e-6 * 19980.0 / 24000.0), 4.0 * 0.0071, "dB");
  for (size_t i = 0; i < sizeof white / sizeof *white; i++) {
    double power = mt_psd_band(&psd, 20.0, 20e3, white[i].weighting).power;
    /* 4 sigma of the difference of two levels from the same 20 s, at most 0.01 dB each */
    assert_near(10.0 * log10(power / plain), white[i].gain_db, 0.04, "dB");
  }
  mt_psd_finish(&psd);
  free(x);
}

/*
 * Level of white noise, many times over: unbiased, spread as reported and near 4.343 / sqrt(B T) dB,
 * covered by two standard errors 95 times in a hundred.
 */
static void check_spread(mt_window window, size_t n, size_t nfft, double from_hz, double to_hz,
                         mt_weighting weighting, unsigned trials, double sigma_over_ideal, mt_random *random)
{
  double *x = make(n), sum = 0.0, squares = 0.0, reported = 0.0, truth, ideal;
  unsigned covered = 0;

  truth = 0.0;
  for (double f = from_hz; f < to_hz; f += (to_hz - from_hz) / 20000.0)
    truth += 2.0 / 24000.0 * (to_hz - from_hz) / 20000.0 *
             pow(10.0, 0.1 * mt_weighting_db(weighting, f + (to_hz - from_hz) / 40000.0));
  for (unsigned i = 0; i < trials; i++) {
    mt_psd psd;
    mt_band_power band;
    memset(x, 0, n * sizeof *x);
    add_noise(x, n, 1.0, random);
    psd = estimate(x, n, 48000.0, window, nfft);
    band = mt_psd_band(&psd, from_hz, to_hz, weighting);
    sum += band.power / truth;
    squares += band.power / truth * band.power / truth;
    reported += band.standard_error / truth * band.standard_error / truth;
    covered += fabs(band.power - truth) <= 2.0 * band.standard_error;
    mt_psd_finish(&psd);
  }
  free(x);
  sum /= trials;
  double spread = sqrt((squares / trials - sum * sum) * trials / (trials - 1.0));
  reported = sqrt(reported / trials);
  ideal = 1.0 / sqrt((to_hz - from_hz) * (double)n / 48000.0);
  print_message("window %d, %zu of %zu, %g-%g Hz: spread %.4g, reported %.4g, 1/sqrt(BT) %.4g, mean %.5f, "
                "within 2 sigma %.3f\n",
                (int)window, nfft, n, from_hz, to_hz, spread, reported, ideal, sum, (double)covered / trials);
  assert_near(sum, 1.0, 4.0 * spread / sqrt(trials), "");
  /* the spread of a spread of Gaussian numbers is 1 / sqrt(2 trials); a tenth for chi-square tails */
  assert_near(spread / reported, 1.0, 4.0 / sqrt(2.0 * trials) * 1.1, "");
  /* within 0.03, but 3 % less where a lone periodogram's highest peaks are taken for lines now and then */
  if (sigma_over_ideal > 0.0)
    assert_near(reported / ideal, sigma_over_ideal, 0.05, "");
  /* 95.45 % for Gaussian numbers with a known spread: 4 sigma of a binomial, and 1.5 % for the skewness
     of few degrees of freedom */
  assert_near((double)covered / trials, 0.9545, 4.0 * sqrt(0.9545 * 0.0455 / trials) + 0.015, "");
}

static void spread_of_a_noise_level_is_what_is_reported(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(17));
  /* last column but one: sqrt of the mean square of the summed squared windows over their squared mean,
     times the tapered ends; 1 would use every sample alike (computed apart, by numerical integration) */
  check_spread(MT_WINDOW_RECTANGULAR, 9600, 960, 100.0, 20e3, MT_WEIGHT_NONE, 800, 1.0, &random);
  check_spread(MT_WINDOW_HANN, 9600, 9600, 100.0, 20e3, MT_WEIGHT_NONE, 600, sqrt(1.9444), &random);
  check_spread(MT_WINDOW_HANN, 9600, 3200, 100.0, 20e3, MT_WEIGHT_NONE, 600, sqrt(1.2467), &random);
  check_spread(MT_WINDOW_HANN, 9840, 480, 400.0, 20e3, MT_WEIGHT_NONE, 800, sqrt(1.0798), &random);
  check_spread(MT_WINDOW_BLACKMAN_HARRIS_4, 9840, 480, 400.0, 20e3, MT_WEIGHT_NONE, 800, sqrt(1.4211),
               &random);
  check_spread(MT_WINDOW_BLACKMAN_HARRIS_7, 10320, 960, 400.0, 20e3, MT_WEIGHT_NONE, 800, sqrt(1.1209),
               &random);
  check_spread(MT_WINDOW_BLACKMAN_HARRIS_4, 9600, 3200, 100.0, 20e3, MT_WEIGHT_A, 600, 0.0, &random);
  check_spread(MT_WINDOW_HANN, 9600, 3200, 20.0, 20e3, MT_WEIGHT_CCIR_RMS, 600, 0.0, &random);
  /* an octave in the middle */
  check_spread(MT_WINDOW_HANN, 9600, 3200, 1000.0, 2000.0, MT_WEIGHT_NONE, 600, 0.0, &random);
}

static void averages_are_the_spread_of_one_bin(void **state)
{
  enum { N = 9600, TRIALS = 300 };
  double *x = make(N);
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(18));
  for (size_t i = 0; i < NALL; i++) {
    double sum = 0.0, squares = 0.0, count = 0.0, averages = 0.0;
    for (unsigned t = 0; t < TRIALS; t++) {
      mt_psd psd;
      memset(x, 0, N * sizeof *x);
      add_noise(x, N, 1.0, &random);
      psd = estimate(x, N, 48000.0, all[i], 960);
      /* every 13th bin: independent of each other */
      for (size_t k = 13; k + 13 < psd.nbins; k += 13) {
        sum += psd.density[k];
        squares += psd.density[k] * psd.density[k];
        count += 1.0;
      }
      averages = psd.averages;
      mt_psd_finish(&psd);
    }
    sum /= count;
    /* twice the mean square over half the rate */
    assert_near(sum * 24000.0, 2.0, 2.0 * 4.0 / sqrt(count * averages), "");
    /* relative variance of a Gamma's sample variance: (2 + 6 / shape) / count */
    assert_near(sum * sum / (squares / count - sum * sum) / averages, 1.0,
                4.0 * sqrt((2.0 + 6.0 / averages) / count), "");
  }
  free(x);
}

/* Tools kept over records of several lengths and windows change not a bit. */
static void tools_of_the_last_estimate_do_not_show(void **state)
{
  const size_t lengths[] = {62400, 62400, 30000, 1000, 62400};
  double *x = make(62400);
  mt_psd_tools tools = {0};
  mt_random random;
  (void)state;
  mt_random_init(&random, 23);
  add_noise(x, 62400, 1.0, &random);
  for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++)
    for (int w = 0; w < MT_WINDOW_LAST; w++) {
      mt_psd fresh = estimate(x, lengths[i], 48000.0, (mt_window)w, 0), again;
      assert_int_equal(mt_psd_estimate_with(&tools, x, lengths[i], 48000.0, (mt_window)w, 0, &again, NULL),
                       MT_OK);
      assert_int_equal(again.nbins, fresh.nbins);
      assert_memory_equal(again.density, fresh.density, fresh.nbins * sizeof *fresh.density);
      assert_memory_equal(&again.averages, &fresh.averages, sizeof fresh.averages);
      mt_psd_finish(&fresh);
      mt_psd_finish(&again);
    }
  mt_psd_tools_finish(&tools);
  free(x);
}

static void density_is_quick(void **state)
{
  enum { N = 480000 };
  double *x = make(N), seconds;
  mt_random random;
  clock_t start;
  (void)state;
  mt_random_init(&random, 19);
  add_noise(x, N, 1.0, &random);
  start = clock();
  for (int channel = 0; channel < 2; channel++) {
    mt_psd psd = estimate(x, N, 48000.0, MT_WINDOW_HANN, 0);
    for (int w = MT_WEIGHT_NONE; w <= MT_WEIGHT_CCIR_RMS; w++)
      assert_true(mt_psd_band(&psd, 20.0, 20e3, (mt_weighting)w).power > 0.0);
    mt_psd_finish(&psd);
  }
  seconds = (double)(clock() - start) / CLOCKS_PER_SEC;
  print_message("10 s of stereo, density and five bands: %.1f ms of processor, %.0f x real time\n",
                1e3 * seconds, 10.0 / seconds);
  /* only against a blunder (a slow length, a plan per segment): a loaded machine and sanitizers are slow */
  assert_true(seconds < 5.0);
  free(x);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(density_is_the_slow_transform_in_double),
      cmocka_unit_test(whole_density_is_the_mean_square),
      cmocka_unit_test(every_sample_counts_whatever_the_length),
      cmocka_unit_test(tone_power_does_not_depend_on_rate_length_window_or_phase),
      cmocka_unit_test(weighted_tones_are_right_down_to_20_hz),
      cmocka_unit_test(weighted_tones_are_within_class_1),
      cmocka_unit_test(one_khz_at_minus_20_reads_as_aes17_says),
      cmocka_unit_test(edge_bins_count_by_their_share),
      cmocka_unit_test(a_band_that_holds_nothing_is_not_a_level),
      cmocka_unit_test(silence_and_dc_have_no_noise),
      cmocka_unit_test(direct_current_does_not_hide_noise),
      cmocka_unit_test(what_cannot_be_read_is_refused),
      cmocka_unit_test(transform_length_is_fast_and_resolves_20_hz),
      cmocka_unit_test(quantiser_noise_is_as_theory_says),
      cmocka_unit_test(weighted_noise_reads_as_expected),
      cmocka_unit_test(spread_of_a_noise_level_is_what_is_reported),
      cmocka_unit_test(averages_are_the_spread_of_one_bin),
      cmocka_unit_test(tools_of_the_last_estimate_do_not_show),
      cmocka_unit_test(density_is_quick),
  };
  return cmocka_run_group_tests_name("psd", tests, NULL, NULL);
}
