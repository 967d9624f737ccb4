/* Samples as decoders of a few bits make them are told from all others. Encoders here are the shortest that decode. */
#include "analysis/codes.h"
#include "companding.h"
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

#define N 24000

static double x[N];

/* What a unit may do to a tone before it is coded. */
static void fill_tone(double freq_hz, double level_dbfs, double noise_dbfs, mt_random *random)
{
  for (size_t i = 0; i < N; i++)
    x[i] = mt_ratio_of_db(level_dbfs) * sin(2.0 * MT_PI * fmod(freq_hz * (double)i / 48000.0, 1.0) + 0.3) +
           sqrt(0.5) * mt_ratio_of_db(noise_dbfs) * mt_random_normal(random);
}

static void round_to(unsigned bits)
{
  double full = ldexp(1.0, (int)bits - 1);
  for (size_t i = 0; i < N; i++)
    x[i] = fmin(fmax(rint(x[i] * full), -full), full - 1.0) / full;
}

static void companding_is_noticed_whatever_the_volume_after_it(void **state)
{
  static const double levels_dbfs[] = {-1.0, -10.0, -20.0, -26.0}, gains[] = {1.0, 0.7, 0.411};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(91));
  for (int law = 0; law < 2; law++)
    for (size_t l = 0; l < 4; l++)
      for (size_t g = 0; g < 3; g++)
        for (unsigned bits = 16; bits <= 24; bits += 8) {
          if (bits == 16 && gains[g] < 0.5) /* the finest spacing, 3.3 units, is mostly rounding */
            continue;
          fill_tone(997.0, levels_dbfs[l], -85.0, &random);
          for (size_t i = 0; i < N; i++)
            x[i] = gains[g] * (law == 0 ? companding_mu_law(x[i]) : companding_a_law(x[i]));
          round_to(bits);
          assert_int_equal(mt_codes_find(x, N), MT_CODES_COMPANDED);
        }
}

/* Differences of 4 bits by the step table that the decoder keeps: 7 x 1.1^k, from memory of the IMA's text. */
static void code_differences(void)
{
  int value = 0, index = 0;
  for (size_t i = 0; i < N; i++) {
    static const int moves[8] = {-1, -1, -1, -1, 2, 4, 6, 8};
    static const int steps[89] = {
        7,    8,     9,     10,    11,    12,    13,    14,    16,    17,    19,    21,    23,    25,   28,
        31,   34,    37,    41,    45,    50,    55,    60,    66,    73,    80,    88,    97,    107,  118,
        130,  143,   157,   173,   190,   209,   230,   253,   279,   307,   337,   371,   408,   449,  494,
        544,  598,   658,   724,   796,   876,   963,   1060,  1166,  1282,  1411,  1552,  1707,  1878, 2066,
        2272, 2499,  2749,  3024,  3327,  3660,  4026,  4428,  4871,  5358,  5894,  6484,  7132,  7845, 8630,
        9493, 10442, 11487, 12635, 13899, 15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767};
    int want = (int)rint(32768.0 * x[i]), step = steps[index], code = abs(want - value) * 4 / step, size;
    code = code > 7 ? 7 : code;
    size = (step >> 3) + (code & 4 ? step : 0) + (code & 2 ? step >> 1 : 0) + (code & 1 ? step >> 2 : 0);
    value += want < value ? -size : size;
    index = (int)fmin(fmax(index + moves[code], 0.0), 88.0);
    x[i] = (double)value / 32768.0;
  }
}

static void differences_are_noticed_as_long_as_nothing_touched_them(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(92));
  for (int level = -40; level <= -5; level += 5) {
    fill_tone(997.0, level, -95.0, &random);
    code_differences();
    assert_int_equal(mt_codes_find(x, N), MT_CODES_IMA);
    for (size_t i = 0; i < N; i++) /* turned down: not to be told any more */
      x[i] *= 0.7;
    round_to(16);
    assert_int_equal(mt_codes_find(x, N), MT_CODES_NONE);
  }
}

/* Tones of any level and frequency, clean and bent, periodic and noisy, in few bits and many. */
static void nothing_else_is_taken_for_codes(void **state)
{
  static const unsigned widths[] = {4, 6, 8, 10, 12, 14, 16, 20, 24};
  static const double freqs_hz[] = {997.0, 1000.0, 480.0, 61.3, 7993.0, 750.0};
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(93));
  for (int i = 0; i < 1500; i++) {
    double level = -70.0 * mt_random_uniform(&random), scale = mt_ratio_of_db(-level), bend = i % 7;
    fill_tone(freqs_hz[i % 6], level, i % 3 == 0 ? -400.0 : -110.0 + 60.0 * mt_random_uniform(&random),
              &random);
    for (size_t k = 0; k < N; k++) {
      double y = x[k] * scale;
      y = bend == 1.0   ? y * y * y
          : bend == 2.0 ? copysign(y * y, y)
          : bend == 3.0 ? fmin(fmax(y, -0.7), 0.7)
          : bend == 4.0 ? copysign(fmax(fabs(y) - 0.1, 0.0), y)
          : bend == 5.0 ? copysign(expm1(4.0 * fabs(y)) / expm1(4.0), y)
          : bend == 6.0 ? y + 0.02
                        : y;
      x[k] = y / scale;
    }
    round_to(widths[(i / 6) % 9]);
    if (mt_codes_find(x, N) != MT_CODES_NONE)
      print_error("case %d: %s\n", i, mt_codes_name(mt_codes_find(x, N)));
    assert_int_equal(mt_codes_find(x, N), MT_CODES_NONE);
  }
}

static void what_is_empty_or_short_has_no_codes(void **state)
{
  (void)state;
  memset(x, 0, sizeof x);
  for (size_t n = 0; n < N; n = 3 * n + 1)
    assert_int_equal(mt_codes_find(x, n), MT_CODES_NONE);
  for (size_t i = 0; i < N; i++) /* a square wave, and steps of sixteen */
    x[i] = i / 24 % 2 == 0 ? 0.1 : -0.1;
  assert_int_equal(mt_codes_find(x, N), MT_CODES_NONE);
  for (size_t i = 0; i < N; i++)
    x[i] = (double)(i % 16) / 64.0;
  assert_int_equal(mt_codes_find(x, N), MT_CODES_NONE);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(companding_is_noticed_whatever_the_volume_after_it),
      cmocka_unit_test(differences_are_noticed_as_long_as_nothing_touched_them),
      cmocka_unit_test(nothing_else_is_taken_for_codes),
      cmocka_unit_test(what_is_empty_or_short_has_no_codes),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
