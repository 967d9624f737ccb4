/* Four at a time against one after the other. */
#include "base/wide.h"

#include "base/random.h"
#include "support.h"

#include <math.h>
#include <stdlib.h>

#define N 77

static void energy_and_peak_of_any_length_and_place(void **state)
{
  double x[N + 8];
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(2));
  for (size_t i = 0; i < N + 8; i++)
    x[i] = mt_random_normal(&random);
  for (size_t first = 0; first < 8; first++)
    for (size_t n = 0; n <= N; n++) {
      double energy = 0.0, peak = 0.0;
      for (size_t i = first; i < first + n; i++) {
        energy += (x[i] - 0.3) * (x[i] - 0.3);
        peak = fmax(peak, fabs(x[i]));
      }
      assert_near(mt_wide_energy(x + first, n, 0.3), energy, 1e-13 * energy, "");
      assert_near(mt_wide_peak(x + first, n), peak, 0.0, "");
    }
  x[3] = NAN;
  x[5] = -INFINITY;
  assert_true(isinf(mt_wide_peak(x, N)) && isfinite(mt_wide_peak(x, 5)));
}

static void a_sum_of_any_length_and_place_is_the_sum(void **state)
{
  double x[N + 8], most = 0.0;
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(1));
  for (size_t i = 0; i < N + 8; i++) {
    x[i] = mt_random_normal(&random);
    most = fmax(most, fabs(x[i]));
  }
  for (size_t first = 0; first < 8; first++)
    for (size_t n = 0; n <= N; n++) {
      double slow = 0.0, sum;
      for (size_t i = 0; i < n; i++)
        slow += x[first + i];
      assert_true(mt_wide_sum(x + first, n, most, &sum));
      assert_near(sum, slow, 1e-13, "");
    }
}

static void one_that_is_too_great_or_no_number_is_seen_anywhere(void **state)
{
  const double bad[] = {2.0000001, -2.0000001, INFINITY, -INFINITY, NAN};

  (void)state;
  for (size_t b = 0; b < sizeof bad / sizeof bad[0]; b++)
    for (size_t at = 0; at < N; at++) {
      double x[N] = {0.0}, sum;
      x[(at + 5) % N] = 2.0;
      x[(at + 6) % N] = -2.0;
      assert_true(mt_wide_sum(x, N, 2.0, &sum));
      x[at] = bad[b];
      assert_false(mt_wide_sum(x, N, 2.0, &sum));
    }
}

static void the_bend_of_a_parabola_is_the_same_all_along(void **state)
{
  double x[N + 8];

  (void)state;
  for (size_t i = 0; i < N + 8; i++)
    x[i] = 1.5 * (double)(i * i) - 7.0 * (double)i;
  for (size_t first = 0; first < 6; first++)
    for (size_t n = 0; n <= N; n++)
      assert_near(mt_wide_bend_energy(x + first, n), 9.0 * (double)n, 0.0, ""); /* whole numbers */
}

/* In memory of its own, so that whoever reads beyond the end of it is seen. */
static void a_channel_is_taken_out_of_any_number(void **state)
{
  (void)state;
  for (size_t nchannels = 1; nchannels <= 4; nchannels++)
    for (size_t n = 1; n <= N; n++) {
      float *frames = malloc(n * nchannels * sizeof *frames);
      double x[N];
      assert_non_null(frames);
      for (size_t i = 0; i < n * nchannels; i++)
        frames[i] = (float)i;
      for (size_t channel = 0; channel < nchannels; channel++) {
        mt_wide_take_channel(frames + channel, nchannels, n, x);
        for (size_t i = 0; i < n; i++)
          assert_near(x[i], (double)(i * nchannels + channel), 0.0, "");
      }
      free(frames);
    }
}

/* The library's own are good to a unit in the last place. */
static void cosine_and_sine_of_four_are_those_of_each(void **state)
{
  const double least = 1e-9, most = 1e6;

  (void)state;
  for (double size = least; size <= most; size *= 1.00037) {
    mt_four angles = {size, -size, M_PI * rint(size), 0.5 * M_PI * (2.0 * rint(size) + 1.0)};
    mt_turns turns;
    if (fabs(angles[3]) > most)
      break;
    mt_turns_of(&angles, &turns);
    for (int i = 0; i < 4; i++) {
      assert_near(turns.re[i], cos(angles[i]), 3e-16, "");
      assert_near(turns.im[i], sin(angles[i]), 3e-16, "");
    }
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(energy_and_peak_of_any_length_and_place),
      cmocka_unit_test(a_sum_of_any_length_and_place_is_the_sum),
      cmocka_unit_test(one_that_is_too_great_or_no_number_is_seen_anywhere),
      cmocka_unit_test(the_bend_of_a_parabola_is_the_same_all_along),
      cmocka_unit_test(a_channel_is_taken_out_of_any_number),
      cmocka_unit_test(cosine_and_sine_of_four_are_those_of_each),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
