#include "support.h"

#include "base/config.h"
#include "base/text.h"

static void numbers_are_parsed_strictly(void **state)
{
  double value = 7.0;
  (void)state;
  assert_true(mt_text_parse_number("-20.5", &value));
  assert_near(value, -20.5, 0.0, "");
  assert_true(mt_text_parse_number("4.8e4", &value));
  assert_near(value, 48000.0, 0.0, "");
  const char *const wrong[] = {"", "abc", "48k", "1 ", " 1", "nan", "inf", "0x10", "1e999", "--1", "1-"};
  for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
    assert_false(mt_text_parse_number(wrong[i], &value));
  assert_near(value, 48000.0, 0.0, "");
}

static void a_cut_text_stays_valid_utf8(void **state)
{
  char out[4];
  (void)state;
  mt_text_copy(out, sizeof out, "ab\xc3\xa9");
  assert_string_equal(out, "ab");
}

static void unknown_config_key_is_refused_with_line_and_suggestion(void **state)
{
  static const char *const keys[] = {"gain_db", "noise_dbfs"};
  mt_config *config = NULL;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_config_parse("gain_db = 1.0;\nnoise_dfbs = -90;\n", "u.cfg", &config, &err), err);
  assert_int_equal(mt_config_check_keys(mt_config_root(config), keys, 2, &err), MT_E_PLAN);
  assert_string_equal(err.message, "u.cfg:2: unknown key \"noise_dfbs\"; did you mean \"noise_dbfs\"?");
  mt_config_close(&config);
}

static void config_number_out_of_range_is_refused(void **state)
{
  mt_config *config = NULL;
  mt_error err = {0};
  double value = 3.0;
  (void)state;
  assert_ok(mt_config_parse("a = 1;\nb = \"x\";\nc = 1e9;", "p", &config, &err), err);
  assert_ok(mt_config_number(mt_config_root(config), "a", 0, 2, &value, &err), err);
  assert_near(value, 1.0, 0.0, "");
  assert_int_equal(mt_config_number(mt_config_root(config), "b", 0, 2, &value, &err), MT_E_PLAN);
  assert_int_equal(mt_config_number(mt_config_root(config), "c", 0, 2, &value, &err), MT_E_PLAN);
  assert_ok(mt_config_number(mt_config_root(config), "absent", 0, 2, &value, &err), err);
  assert_near(value, 1.0, 0.0, "");
  mt_config_close(&config);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(numbers_are_parsed_strictly),
      cmocka_unit_test(a_cut_text_stays_valid_utf8),
      cmocka_unit_test(unknown_config_key_is_refused_with_line_and_suggestion),
      cmocka_unit_test(config_number_out_of_range_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
