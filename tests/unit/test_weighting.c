#include "analysis/weighting.h"
#include "support.h"

#include <complex.h>

/* IEC 61672-1:2013 table 3 (A and C), nominal to 0.1 dB, at the base-10 frequencies 1000 * 10^(k/10) */
static const struct {
  int k;
  double a_db, c_db, a_exact_db;
} iec[] = {
    {-20, -70.4, -14.3, -70.430}, {-19, -63.4, -11.2, -63.371}, {-18, -56.7, -8.5, -56.688},
    {-17, -50.5, -6.2, -50.452},  {-16, -44.7, -4.4, -44.703},  {-15, -39.4, -3.0, -39.440},
    {-14, -34.6, -2.0, -34.630},  {-13, -30.2, -1.3, -30.228},  {-12, -26.2, -0.8, -26.194},
    {-11, -22.5, -0.5, -22.504},  {-10, -19.1, -0.3, -19.143},  {-9, -16.1, -0.2, -16.098},
    {-8, -13.4, -0.1, -13.350},   {-7, -10.9, 0.0, -10.870},    {-6, -8.6, 0.0, -8.630},
    {-5, -6.6, 0.0, -6.611},      {-4, -4.8, 0.0, -4.808},      {-3, -3.2, 0.0, -3.233},
    {-2, -1.9, 0.0, -1.900},      {-1, -0.8, 0.0, -0.824},      {0, 0.0, 0.0, 0.0},
    {1, 0.6, 0.0, 0.591},         {2, 1.0, -0.1, 0.981},        {3, 1.2, -0.2, 1.200},
    {4, 1.3, -0.3, 1.271},        {5, 1.2, -0.5, 1.199},        {6, 1.0, -0.8, 0.970},
    {7, 0.5, -1.3, 0.549},        {8, -0.1, -2.0, -0.121},      {9, -1.1, -3.0, -1.111},
    {10, -2.5, -4.4, -2.492},     {11, -4.3, -6.2, -4.318},     {12, -6.6, -8.5, -6.603},
    {13, -9.3, -11.2, -9.317},
};

/* ITU-R BS.468-4 table 1; the +2.8 / -infinity of 31.5 kHz as +2.8 and the 0 of 6.3 kHz as its rounding. The last
   column is the passive network by its published poles, +12.200 dB at 6.3 kHz, worked out beforehand. */
static const struct {
  double freq_hz, db, tolerance_db, poles_db;
} bs468[] = {
    {31.5, -29.9, 2.0, -29.899},  {63, -23.9, 1.4, -23.879},    {100, -19.8, 1.0, -19.867},
    {200, -13.8, 0.85, -13.851},  {400, -7.8, 0.7, -7.849},     {800, -1.9, 0.55, -1.902},
    {1000, 0.0, 0.5, -0.017},     {2000, 5.6, 0.5, 5.612},      {3150, 9.0, 0.5, 8.959},
    {4000, 10.5, 0.5, 10.520},    {5000, 11.7, 0.5, 11.690},    {6300, 12.2, 0.05, 12.200},
    {7100, 12.0, 0.2, 11.988},    {8000, 11.4, 0.4, 11.352},    {9000, 10.1, 0.6, 10.122},
    {10000, 8.1, 0.8, 8.118},     {12500, 0.0, 1.2, -0.032},    {14000, -5.3, 1.4, -5.333},
    {16000, -11.7, 1.6, -11.716}, {20000, -22.2, 2.0, -22.194}, {31500, -42.7, 2.8, -42.727},
};

static void a_and_c_are_the_table_of_iec_61672_1(void **state)
{
  (void)state;
  for (size_t i = 0; i < sizeof iec / sizeof *iec; i++) {
    double freq_hz = 1000.0 * pow(10.0, 0.1 * iec[i].k);
    /* the table is rounded to 0.1 dB; the exact column to 0.001 */
    assert_near(mt_weighting_db(MT_WEIGHT_A, freq_hz), iec[i].a_db, 0.0505, "dB");
    assert_near(mt_weighting_db(MT_WEIGHT_C, freq_hz), iec[i].c_db, 0.0505, "dB");
    assert_near(mt_weighting_db(MT_WEIGHT_A, freq_hz), iec[i].a_exact_db, 0.00055, "dB");
  }
}

static void a_and_c_are_the_poles_of_annex_e(void **state)
{
  (void)state;
  /* the poles follow from 1000 Hz, 10^1.5, 10^3.9 and 10^2.45 Hz (IEC 61672-1:2013 annex E) */
  double square = sqrt(0.5), fr2 = 1e6, fl2 = 1e3, fh2 = pow(10.0, 7.8), fa = pow(10.0, 2.45);
  double b = (fr2 + fl2 * fh2 / fr2 - square * (fl2 + fh2)) / (1.0 - square), c = fl2 * fh2;
  double f1 = sqrt((-b - sqrt(b * b - 4.0 * c)) / 2.0), f4 = sqrt((-b + sqrt(b * b - 4.0 * c)) / 2.0);
  double f2 = (3.0 - sqrt(5.0)) / 2.0 * fa, f3 = (3.0 + sqrt(5.0)) / 2.0 * fa;

  for (double f = 5.0; f < 100e3; f *= 1.1) {
    double complex s = csqrt(-f * f); /* j f */
    double complex hc = f4 * f4 * s * s / ((s + f1) * (s + f1) * (s + f4) * (s + f4));
    double complex ha = hc * s * s / ((s + f2) * (s + f3));
    /* normalised by the constants the standard prints to 0.001 dB */
    assert_near(mt_weighting_db(MT_WEIGHT_A, f), 20.0 * log10(cabs(ha)) + 2.000, 0.00055, "dB");
    assert_near(mt_weighting_db(MT_WEIGHT_C, f), 20.0 * log10(cabs(hc)) + 0.062, 0.00055, "dB");
  }
}

static void network_of_bs_468_is_its_table(void **state)
{
  (void)state;
  for (size_t i = 0; i < sizeof bs468 / sizeof *bs468; i++) {
    double db = mt_weighting_db(MT_WEIGHT_468, bs468[i].freq_hz);
    assert_near(db, bs468[i].db, bs468[i].tolerance_db, "dB");
    /* far inside: the network is what the table was rounded from; 100 Hz is 0.0502 off */
    assert_near(db, bs468[i].db, 0.051, "dB");
    /* three decimals, and as many of what it is at 1 kHz, where ours is 0 */
    assert_near(db - mt_weighting_db(MT_WEIGHT_468, 6300.0), bs468[i].poles_db - 12.200, 0.0011, "dB");
  }
}

static void network_of_bs_468_agrees_with_the_rational_fit(void **state)
{
  (void)state;
  for (double f = 20.0; f <= 20e3; f *= 1.05) {
    /* a widely published fit of the table, not part of the Recommendation */
    double h1 =
        ((-4.737338981378384e-24 * f * f + 2.043828333606125e-15) * f * f - 1.363894795463638e-7) * f * f +
        1.0;
    double h2 = ((1.306612257412824e-19 * f * f - 2.118150887518656e-11) * f * f + 5.559488023498642e-4) * f;
    double fit_db = 18.2 + 20.0 * log10(1.246332637532143e-4 * f / hypot(h1, h2));
    /* it reads 0.039 dB low throughout, being scaled for the middle of the table */
    assert_near(mt_weighting_db(MT_WEIGHT_468, f), fit_db + 0.039, 0.03, "dB");
  }
}

static void every_weight_is_its_reference_at_1_khz(void **state)
{
  (void)state;
  assert_near(mt_weighting_db(MT_WEIGHT_NONE, 1000.0), 0.0, 0.0, "dB");
  assert_near(mt_weighting_db(MT_WEIGHT_A, 1000.0), 0.0, 1e-12, "dB");
  assert_near(mt_weighting_db(MT_WEIGHT_C, 1000.0), 0.0, 1e-12, "dB");
  assert_near(mt_weighting_db(MT_WEIGHT_468, 1000.0), 0.0, 1e-12, "dB");
  /* AES17-2015 5.2.7: 5.63 dB below the network of BS.468, so 0 dB at 2 kHz */
  assert_near(mt_weighting_db(MT_WEIGHT_CCIR_RMS, 1000.0), -5.63, 1e-12, "dB");
  assert_near(mt_weighting_db(MT_WEIGHT_CCIR_RMS, 2000.0), 0.0, 0.005, "dB");
}

static double at_high_frequency(mt_weighting weighting)
{
  return mt_weighting_power(weighting, 1e150);
}

static void weights_never_give_nan(void **state)
{
  (void)state;
  for (int w = MT_WEIGHT_A; w <= MT_WEIGHT_CCIR_RMS; w++) {
    mt_weighting weighting = (mt_weighting)w;
    assert_true(mt_weighting_db(weighting, 0.0) == (double)-INFINITY);
    assert_true(mt_weighting_db(weighting, (double)NAN) == (double)-INFINITY);
    assert_true(mt_weighting_db(weighting, (double)INFINITY) == (double)-INFINITY);
    assert_true(at_high_frequency(weighting) >= 0.0 && at_high_frequency(weighting) < 1e-100);
    assert_near(mt_weighting_power(weighting, -440.0), mt_weighting_power(weighting, 440.0), 0.0, "");
  }
}

/* Level of noise of density f^slope through a weight, re the same without it: Simpson in lg f. */
static double noise_gain_db(mt_weighting weighting, double slope, double to_hz)
{
  const int steps = 20000;
  double weighted = 0.0, plain = 0.0;
  for (int i = 0; i <= steps; i++) {
    double f = 20.0 * pow(to_hz / 20.0, (double)i / steps);
    double s = (i == 0 || i == steps ? 1.0 : i % 2 == 1 ? 4.0 : 2.0) * pow(f, slope + 1.0);
    weighted += s * pow(10.0, 0.1 * mt_weighting_db(weighting, f));
    plain += s;
  }
  return 10.0 * log10(weighted / plain);
}

static void ideal_noise_reads_as_expected(void **state)
{
  (void)state;
  /* A, C: quadrature and transform elsewhere, two routes agreeing to 0.001 dB. 468 and CCIR-RMS: one
     computation with the same poles scaled to 12.20 dB at 6.3 kHz, 0.0167 dB below ours, to 0.005 dB */
  assert_near(noise_gain_db(MT_WEIGHT_A, 0.0, 20e3), -2.048, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_C, 0.0, 20e3), -3.451, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_468, 0.0, 20e3), 7.28 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_CCIR_RMS, 0.0, 20e3), 1.65 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_A, 0.0, 22050.0), -2.401, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_C, 0.0, 22050.0), -3.812, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_468, 0.0, 22050.0), 6.86 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_CCIR_RMS, 0.0, 22050.0), 1.23 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_A, 0.0, 24e3), -2.719, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_C, 0.0, 24e3), -4.135, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_468, 0.0, 24e3), 6.49 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_CCIR_RMS, 0.0, 24e3), 0.86 + 0.0167, 0.006, "dB");
  /* pink, to 0.005 */
  assert_near(noise_gain_db(MT_WEIGHT_A, -1.0, 20e3), -2.859, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_C, -1.0, 20e3), -1.112, 0.001, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_468, -1.0, 20e3), 4.65 + 0.0167, 0.006, "dB");
  assert_near(noise_gain_db(MT_WEIGHT_CCIR_RMS, -1.0, 20e3), -0.98 + 0.0167, 0.006, "dB");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_and_c_are_the_table_of_iec_61672_1),
      cmocka_unit_test(a_and_c_are_the_poles_of_annex_e),
      cmocka_unit_test(network_of_bs_468_is_its_table),
      cmocka_unit_test(network_of_bs_468_agrees_with_the_rational_fit),
      cmocka_unit_test(every_weight_is_its_reference_at_1_khz),
      cmocka_unit_test(weights_never_give_nan),
      cmocka_unit_test(ideal_noise_reads_as_expected),
  };
  return cmocka_run_group_tests_name("weighting", tests, NULL, NULL);
}
