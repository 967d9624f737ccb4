/* The transform against its definition, summed slowly in double. */
#include "signal/transform.h"

#include "base/decibel.h"
#include "base/random.h"
#include "support.h"

static uint64_t seed;

/*
 * What rounding leaves, rms, of the rms of all bins. Each pass rounds products and sums to float (2^-24 at most, a
 * third of that rms), and so are the turns it multiplies by: about 2^-24 a pass of radix 2 to 5, independent of each
 * other, and one more for joining the halves. Twice that, for no run is the average.
 */
static double rounding(size_t n)
{
  return 2.0 * 6e-8 * sqrt(1.0 + log2((double)n) / 2.0);
}

static float *noise(size_t n, uint64_t from)
{
  float *x = malloc(n * sizeof *x);
  mt_random random;

  assert_non_null(x);
  mt_random_init(&random, from);
  for (size_t i = 0; i < n; i++)
    x[i] = (float)mt_random_normal(&random);
  return x;
}

/* One bin by its definition. The product is taken modulo n, so that the angle is exact. */
static void slow_bin(const float *x, size_t n, size_t k, double *re, double *im)
{
  *re = *im = 0.0;
  for (size_t i = 0; i < n; i++) {
    double angle = 2.0 * MT_PI * (double)(i * k % n) / (double)n;
    *re += (double)x[i] * cos(angle);
    *im -= (double)x[i] * sin(angle);
  }
}

/* rms of what `nbins` bins, evenly spread over the spectrum, are off; of the rms of all. */
static double error_of(size_t n, size_t nbins)
{
  float *x = noise(n, seed + n);
  mt_bin *bins = malloc((n / 2 + 1) * sizeof *bins);
  mt_transform *t = NULL;
  mt_error err = {0};
  double off = 0.0, all = 0.0;

  assert_non_null(bins);
  assert_ok(mt_transform_create(n, &t, &err), err);
  mt_transform_forward(t, x, bins);
  for (size_t i = 0; i < n; i++)
    all += (double)x[i] * (double)x[i]; /* Parseval: also the mean square of the bins */
  for (size_t i = 0; i < nbins; i++) {
    double re, im;
    size_t k = nbins > 1 ? i * (n / 2) / (nbins - 1) : 0;
    slow_bin(x, n, k, &re, &im);
    off += ((double)bins[k].re - re) * ((double)bins[k].re - re) +
           ((double)bins[k].im - im) * ((double)bins[k].im - im);
  }
  mt_transform_destroy(&t);
  free(bins);
  free(x);
  return sqrt(off / (double)nbins / all);
}

static void short_lengths_agree_with_the_definition(void **state)
{
  (void)state;
  /* every order of radices comes up, primes and what is left of them too */
  for (size_t n = 2; n <= 512; n += 2)
    assert_between(error_of(n, n / 2 + 1), 0.0, rounding(n), "of the rms");
}

static void long_lengths_agree_with_the_definition(void **state)
{
  static const size_t lengths[] = {65536,     131072,    259200,   2 * 3 * 5 * 7 * 11 * 13,
                                   2 * 50625, 2 * 19683, 2 * 10007};

  (void)state;
  for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++)
    assert_between(error_of(lengths[i], 33), 0.0, rounding(lengths[i]), "of the rms");
}

static void inverse_gives_back_n_times_what_went_in(void **state)
{
  static const size_t lengths[] = {2, 4, 6, 10, 30, 32, 1024, 1250, 4374, 65536, 250000};

  (void)state;
  for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
    size_t n = lengths[i];
    float *x = noise(n, seed + i), *back = malloc(n * sizeof *back);
    mt_bin *bins = malloc((n / 2 + 1) * sizeof *bins);
    mt_transform *t = NULL;
    mt_error err = {0};
    double off = 0.0, all = 0.0;

    assert_ok(mt_transform_create(n, &t, &err), err);
    mt_transform_forward(t, x, bins);
    mt_transform_inverse(t, bins, back);
    for (size_t k = 0; k < n; k++) {
      double d = (double)back[k] / (double)n - (double)x[k];
      off += d * d;
      all += (double)x[k] * (double)x[k];
    }
    assert_between(sqrt(off / all), 0.0, 2.0 * rounding(n), "of the rms");
    mt_transform_destroy(&t);
    free(bins);
    free(back);
    free(x);
  }
}

static void inverse_ignores_what_no_real_record_has(void **state)
{
  mt_bin bins[5] = {[0] = {1.0F, 7.0F}, [4] = {2.0F, -3.0F}};
  float x[8];
  mt_transform *t = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_transform_create(8, &t, &err), err);
  mt_transform_inverse(t, bins, x);
  for (size_t i = 0; i < 8; i++)
    assert_near(x[i], i % 2 == 0 ? 3.0F : -1.0F, 0.0,
                "sum of bin 0 and bin n/2 with its sign: exact in float");
  mt_transform_destroy(&t);
}

static void length_is_the_next_even_product_of_2_3_and_5(void **state)
{
  static const size_t wanted[][2] = {{0, 2},     {1, 2},         {2, 2},          {3, 4},
                                     {13, 16},   {14, 16},       {21, 24},        {31, 32},
                                     {121, 128}, {65537, 65610}, {259185, 259200}};

  (void)state;
  for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++)
    assert_int_equal(mt_transform_length(wanted[i][0]), wanted[i][1]);
}

static void odd_and_impossible_lengths_are_refused(void **state)
{
  static const size_t lengths[] = {0, 1, 3, 65537, SIZE_MAX - 1};
  mt_transform *t = NULL;
  mt_error err = {0};

  (void)state;
  for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
    assert_int_equal(mt_transform_create(lengths[i], &t, &err), MT_E_ARG);
    assert_null(t);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(short_lengths_agree_with_the_definition),
      cmocka_unit_test(long_lengths_agree_with_the_definition),
      cmocka_unit_test(inverse_gives_back_n_times_what_went_in),
      cmocka_unit_test(inverse_ignores_what_no_real_record_has),
      cmocka_unit_test(length_is_the_next_even_product_of_2_3_and_5),
      cmocka_unit_test(odd_and_impossible_lengths_are_refused),
  };
  seed = support_seed(1);
  return cmocka_run_group_tests(tests, NULL, NULL);
}
