#include "analysis/window.h"
#include "support.h"

#define N 1024

static const mt_window all[] = {MT_WINDOW_RECTANGULAR, MT_WINDOW_HANN, MT_WINDOW_BLACKMAN_HARRIS_4,
                                MT_WINDOW_BLACKMAN_HARRIS_7};
#define NALL (sizeof all / sizeof *all)

/*
 * Closed forms of the published coefficients; they agree with Harris 1978 table I (rectangular, Hann,
 * 4-sample Blackman-Harris, from memory: sidelobe -13, -31 (-32 there), -92; bandwidth 1.00, 1.50, 2.00;
 * scalloping 3.92, 1.42, 0.83) and, for seven terms, with Solomon 1994.
 */
static const struct {
  double gain, enbw_bins, sidelobe_db, scallop_db, width_3db_bins;
  unsigned first_null;
} published[] = {
    {1.0, 1.00000, -13.26, -3.9224, 0.886, 1},
    {0.5, 1.50000, -31.47, -1.4236, 1.441, 2},
    {0.35875, 2.00435, -92.01, -0.8256, 1.899, 4},
    {0.27105140069342, 2.63191, -180.05, -0.4846, 2.484, 7},
};

/* Slow and independent of the closed form: the sum itself, in double, about the window's middle. */
static double slow_kernel(const double *w, size_t n, double bins)
{
  double re = 0.0, sum = 0.0;
  for (size_t i = 0; i < n; i++) {
    re += w[i] * cos(2.0 * M_PI * bins * ((double)i - (double)n / 2.0) / (double)n);
    sum += w[i];
  }
  return re / sum;
}

static void gain_and_bandwidth_are_as_published(void **state)
{
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    /* given to all digits, and to five places */
    assert_near(mt_window_gain(all[i]), published[i].gain, 1e-12, "");
    assert_near(mt_window_enbw_bins(all[i]), published[i].enbw_bins, 0.6e-5, "bin");
  }
}

static void filled_window_has_its_gain_and_bandwidth_at_any_length(void **state)
{
  static const size_t lengths[] = {16, 37, 1000, 1024, 48000};
  double *w = malloc(48000 * sizeof *w);
  (void)state;
  for (size_t i = 0; i < NALL; i++)
    for (size_t j = 0; j < sizeof lengths / sizeof *lengths; j++) {
      size_t n = lengths[j];
      double sum = 0.0, squares = 0.0;
      mt_window_fill(all[i], n, w);
      for (size_t k = 0; k < n; k++) {
        sum += w[k];
        squares += w[k] * w[k];
      }
      /* exact for the periodic form once n exceeds twice the terms; rounding only */
      assert_near(sum / (double)n, mt_window_gain(all[i]), 1e-13, "");
      assert_near((double)n * squares / (sum * sum), mt_window_enbw_bins(all[i]), 1e-11, "bin");
    }
  free(w);
}

static void window_is_periodic_and_even(void **state)
{
  double w[N];
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    mt_window_fill(all[i], N, w);
    for (size_t k = 1; k < N; k++)
      assert_near(w[k], w[N - k], 0.0, "");
    assert_near(w[N / 2], 1.0, 1e-6, "");
  }
  mt_window_fill(MT_WINDOW_HANN, N, w);
  assert_near(w[0], 0.0, 1e-16, "");
  assert_near(w[N / 4], 0.5, 1e-15, "");
  /* one sample: its only value is the one at the edge */
  mt_window_fill(MT_WINDOW_HANN, 1, w);
  assert_near(w[0], 0.0, 1e-16, "");
  mt_window_fill(MT_WINDOW_RECTANGULAR, 1, w);
  assert_near(w[0], 1.0, 0.0, "");
}

static void sidelobe_scalloping_and_width_are_as_published(void **state)
{
  double w[N];
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    double greatest = 0.0;
    mt_window_fill(all[i], N, w);
    /* sidelobes are one bin wide: 1/12 bin misses the top of one by less than 0.06 dB; the highest
       are among the first dozens for these windows, and all falls from there */
    for (double x = published[i].first_null; x < 60.0; x += 1.0 / 24.0)
      greatest = fmax(greatest, fabs(slow_kernel(w, N, x)));
    /* 7 terms: 1e-9 of a sum of 1024 values each rounded to 1e-16 is good to 0.05 dB */
    assert_near(20.0 * log10(greatest), published[i].sidelobe_db, 0.06, "dB");
    assert_near(20.0 * log10(slow_kernel(w, N, 0.5)), published[i].scallop_db, 0.6e-4, "dB");
    assert_near(20.0 * log10(slow_kernel(w, N, 0.5 * published[i].width_3db_bins)), -10.0 * log10(2.0), 0.01,
                "dB"); /* the width is given to 0.001 bin: 0.004 dB at the steepest */
  }
}

/* Harris 1978, table I, from memory: highest side lobe, coherent gain, equivalent noise bandwidth, scallop loss. His
   windows are the symmetric ones of some length, and his Hann side lobe is given as -32: to their last digit. */
static void harris_has_them_alike(void **state)
{
  static const struct {
    mt_window kind;
    double sidelobe_db, gain, enbw_bins, scallop_db;
  } table[] = {{MT_WINDOW_RECTANGULAR, -13.0, 1.00, 1.00, 3.92},
               {MT_WINDOW_HANN, -32.0, 0.50, 1.50, 1.42},
               {MT_WINDOW_BLACKMAN_HARRIS_4, -92.0, 0.36, 2.00, 0.83}};
  double w[N];
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    double greatest = 0.0;
    mt_window_fill(table[i].kind, N, w);
    for (double x = i == 0 ? 1.0 : i == 1 ? 2.0 : 4.0; x < 60.0; x += 1.0 / 24.0)
      greatest = fmax(greatest, fabs(slow_kernel(w, N, x)));
    assert_near(20.0 * log10(greatest), table[i].sidelobe_db, 0.6, "dB");
    assert_near(mt_window_gain(table[i].kind), table[i].gain, 0.005, "");
    assert_near(mt_window_enbw_bins(table[i].kind), table[i].enbw_bins, 0.005, "bin");
    assert_near(-20.0 * log10(mt_window_kernel(table[i].kind, 0.5)), table[i].scallop_db, 0.005, "dB");
  }
}

static void kernel_is_the_slow_sum(void **state)
{
  double w[N];
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    mt_window_fill(all[i], N, w);
    for (double x = -9.0; x <= 9.0; x += 0.125) {
      double kernel = mt_window_kernel(all[i], x);
      /* the sampled window's spectrum repeats every N bins: of a 1/x tail, x / N^2 */
      assert_near(kernel, slow_kernel(w, N, x), 1e-5, "");
      assert_near(mt_window_kernel(all[i], x + 1e-10), kernel, 1e-8, "");
    }
  }
}

static void overlap_and_bin_correlation_are_sums_over_the_window(void **state)
{
  double w[N];
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    double squares = 0.0;
    mt_window_fill(all[i], N, w);
    for (size_t k = 0; k < N; k++)
      squares += w[k] * w[k];
    for (size_t shift = 0; shift <= N; shift += N / 8) {
      double sum = 0.0;
      for (size_t k = 0; k + shift < N; k++)
        sum += w[k] * w[k + shift];
      /* a sum against an integral, of a product cut off at its ends (rectangular: exact) */
      assert_near(mt_window_overlap(all[i], (double)shift / N), sum / squares, 2e-6, "");
    }
    for (unsigned d = 0; d <= 14; d++) {
      double re = 0.0;
      for (size_t k = 0; k < N; k++)
        re += w[k] * w[k] * cos(2.0 * M_PI * d * ((double)k - N / 2) / N);
      assert_near(mt_window_bin_correlation(all[i], d), re / squares, 1e-13, "");
    }
  }
  /* Hann at half a length, 1/6: Harris 1978 table I has 16.7 % (from memory) */
  assert_near(mt_window_overlap(MT_WINDOW_HANN, 0.5), 1.0 / 6.0, 1e-15, "");
  /* 4-sample Blackman-Harris, 3.8 % there */
  assert_near(mt_window_overlap(MT_WINDOW_BLACKMAN_HARRIS_4, 0.5), 0.038, 0.0006, "");
}

static void moments_are_those_of_the_power_spectrum(void **state)
{
  double second, fourth;
  (void)state;
  for (size_t i = 0; i < NALL; i++) {
    double sum = 0.0, squares = 0.0, fourths = 0.0;
    mt_window_moments(all[i], &second, &fourth);
    if (all[i] == MT_WINDOW_RECTANGULAR) {
      assert_near(second, 0.0, 0.0, "bin^2");
      continue;
    }
    /* Blackman-Harris windows end in a tiny step, whose 1 / x^2 would add up without end far out */
    int reach = all[i] == MT_WINDOW_HANN ? 10000 : 30;
    for (int x = -4 * reach; x <= 4 * reach; x++) {
      double bins = x / 4.0 + 0.1;
      double h = mt_window_kernel(all[i], bins) * mt_window_kernel(all[i], bins);
      sum += h;
      squares += h * bins * bins;
      fourths += h * bins * bins * bins * bins;
    }
    assert_near(second, squares / sum, 1e-6, "bin^2");
    /* the Hann window's x^4 / x^6 beyond 10^4 bins is 2e-5, that step within 30 bins as much */
    assert_near(fourth, fourths / sum, 5e-5, "bin^4");
  }
  mt_window_moments(MT_WINDOW_BLACKMAN_HARRIS_4, &second, &fourth);
  assert_near(second, 0.619, 0.0005, "bin^2");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(gain_and_bandwidth_are_as_published),
      cmocka_unit_test(filled_window_has_its_gain_and_bandwidth_at_any_length),
      cmocka_unit_test(window_is_periodic_and_even),
      cmocka_unit_test(sidelobe_scalloping_and_width_are_as_published),
      cmocka_unit_test(harris_has_them_alike),
      cmocka_unit_test(kernel_is_the_slow_sum),
      cmocka_unit_test(overlap_and_bin_correlation_are_sums_over_the_window),
      cmocka_unit_test(moments_are_those_of_the_power_spectrum),
  };
  return cmocka_run_group_tests_name("window", tests, NULL, NULL);
}
