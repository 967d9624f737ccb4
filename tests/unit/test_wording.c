#include "support.h"

#include "judge/wording.h"

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static void value_shows_no_more_than_its_uncertainty_leaves(void **state)
{
  static const struct {
    double value, uncertainty;
    mt_unit unit;
    const char *text;
  } cases[] = {
      {-43.2154, 3.0, MT_UNIT_DB, "-43 dB"},
      {-43.2154, 0.13, MT_UNIT_DB, "-43.2 dB"},
      {-43.2154, 0.013, MT_UNIT_DB, "-43.22 dB"},
      {-43.2154, 0.0, MT_UNIT_DB, "-43.22 dB"}, /* hundredths of a decibel are enough to read */
      {-0.0004, 0.0001, MT_UNIT_DBFS, "0.00 dBFS"},
      {0.0123456, 0.001, MT_UNIT_PERCENT, "0.0123 %"}, /* 0.001 dB of it is 1.4e-6 % */
      {0.0123456, 3.0, MT_UNIT_PERCENT, "0.012 %"},    /* 3 dB of it is 0.005 % */
      {12.3456, 0.0, MT_UNIT_PERCENT, "12.3 %"},
      {0.00049, 0.0000001, MT_UNIT_SECOND, "0.000490 s"},
      {997.0003, 1e-6, MT_UNIT_HZ, "997 Hz"},
      {0.0, 0.0, MT_UNIT_FS, "0.00 FS"},
      {3.0, 0.0, MT_UNIT_NONE, "3.00"},
  };
  char out[48];
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++)
    assert_string_equal(
        mt_wording_value(cases[i].value, cases[i].uncertainty, cases[i].unit, out, sizeof out),
        cases[i].text);
}

static void frequency_changes_to_kilohertz_where_it_reads_better(void **state)
{
  static const struct {
    double freq_hz;
    const char *text;
  } cases[] = {{30.0, "30 Hz"},  {31.6228, "31.6 Hz"}, {997.0, "997 Hz"},
               {999.7, "1 kHz"}, {1000.0, "1 kHz"},    {18000.0, "18 kHz"}};
  char out[24];
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++)
    assert_string_equal(mt_wording_frequency(cases[i].freq_hz, out, sizeof out), cases[i].text);
}

static void channels_have_names_a_newcomer_knows(void **state)
{
  char out[24];
  (void)state;
  assert_string_equal(mt_wording_channel(MT_LEFT, out, sizeof out), "left channel");
  assert_string_equal(mt_wording_channel(MT_RIGHT, out, sizeof out), "right channel");
  assert_string_equal(mt_wording_channel(2, out, sizeof out), "channel 3");
  assert_string_equal(mt_wording_channel(MT_CHANNEL_BOTH, out, sizeof out), "pair");
}

/* Rounded to its digits 0.0999 % would read 0.1 %, beside "at most 0.1 %": which is it? */
static void rounding_never_carries_a_value_across_its_limit(void **state)
{
  mt_judgement j = {.quantity = MT_Q_THD_N,
                    .channel = MT_LEFT,
                    .has_value = true,
                    .unit = MT_UNIT_PERCENT,
                    .min = -HUGE_VAL,
                    .max = 0.1,
                    .uncertainty = 0.001};
  (void)state;
  j.value = 0.10004;
  j.verdict = MT_VERDICT_FAIL;
  mt_wording_judge(&j, MT_VALID);
  assert_string_equal(j.text,
                      "Left channel's distortion and noise (THD+N) is 0.10004 %; at most 0.1 % is allowed");
  j.value = 0.09996;
  j.verdict = MT_VERDICT_PASS;
  mt_wording_judge(&j, MT_VALID);
  assert_string_equal(j.text,
                      "Left channel's distortion and noise (THD+N) is 0.1000 %; at most 0.1 % is allowed");
}

static void reason_falls_back_on_the_validity(void **state)
{
  (void)state;
  assert_string_equal(mt_wording_reason(MT_DROPOUT, "3 frames are missing"), "3 frames are missing");
  for (int v = MT_VALID; v <= MT_NOT_MEASURED; v++)
    assert_true(strlen(mt_wording_reason((mt_validity)v, "")) > 5);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(value_shows_no_more_than_its_uncertainty_leaves),
      cmocka_unit_test(frequency_changes_to_kilohertz_where_it_reads_better),
      cmocka_unit_test(channels_have_names_a_newcomer_knows),
      cmocka_unit_test(rounding_never_carries_a_value_across_its_limit),
      cmocka_unit_test(reason_falls_back_on_the_validity),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
