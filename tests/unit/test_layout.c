#include "support.h"

#include "base/random.h"
#include "report/layout.h"

#include <locale.h>
#include <wchar.h>

static const char *value_text(double value, double uncertainty, mt_unit unit)
{
  static char out[32];
  return mt_layout_value(value, mt_layout_decimals(unit, uncertainty), out);
}

static const char *uncertainty_text(double uncertainty, mt_unit unit)
{
  static char out[32];
  return mt_layout_uncertainty(uncertainty, mt_layout_decimals(unit, uncertainty), out);
}

static void two_digits_of_the_uncertainty_set_the_decimals(void **state)
{
  /* JCGM 100:2008 7.2.6: at most two significant digits of the uncertainty, the value to match */
  (void)state;
  assert_string_equal(value_text(-20.00314, 0.0041, MT_UNIT_DBFS), "-20.0031");
  assert_string_equal(value_text(-20.00314, 0.041, MT_UNIT_DBFS), "-20.003");
  assert_string_equal(value_text(-20.00314, 0.41, MT_UNIT_DBFS), "-20.00");
  assert_string_equal(value_text(-20.00314, 4.1, MT_UNIT_DBFS), "-20.0");
  assert_string_equal(value_text(-20.00314, 41.0, MT_UNIT_DBFS), "-20");
  assert_string_equal(value_text(-20.00314, 4100.0, MT_UNIT_DBFS), "-20");
  /* 0.0996 is 0.10, not 0.100 */
  assert_string_equal(value_text(1.23456, 0.0996, MT_UNIT_DB), "1.23");
  assert_string_equal(uncertainty_text(0.0996, MT_UNIT_DB), "0.10");
  assert_string_equal(uncertainty_text(9.96, MT_UNIT_DB), "10");
  assert_string_equal(uncertainty_text(0.0041, MT_UNIT_DB), "0.0041");
}

static void decimals_end_where_they_stop_being_useful(void **state)
{
  (void)state;
  assert_string_equal(value_text(997.00000012, 3e-9, MT_UNIT_HZ), "997.0000");
  /* ... and the uncertainty is then rounded up, never to nothing */
  assert_string_equal(uncertainty_text(3e-9, MT_UNIT_HZ), "0.0001");
  assert_string_equal(uncertainty_text(0.0, MT_UNIT_DB), "");
  assert_string_equal(value_text(3.0, 0.0, MT_UNIT_COUNT), "3");
  assert_string_equal(value_text(-0.00001, 0.01, MT_UNIT_DB), "0.000");
  assert_string_equal(value_text(-1.5e300, 1e290, MT_UNIT_DB), "-1.5e+300");
}

static void no_value_needs_more_than_ten_columns(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(77));
  for (int i = 0; i < 20000; i++) {
    double value = ldexp(mt_random_uniform(&random) - 0.5, (int)(mt_random_bits(&random) % 2000) - 1000);
    double uncertainty = ldexp(mt_random_uniform(&random), (int)(mt_random_bits(&random) % 2000) - 1000);
    mt_unit unit = (mt_unit)(mt_random_bits(&random) % MT_UNIT_LAST);
    assert_true(strlen(value_text(value, uncertainty, unit)) <= 10);
    assert_true(strlen(uncertainty_text(uncertainty, unit)) <= 10);
  }
}

static void columns_agree_with_the_c_library(void **state)
{
  /* an independent reading of the same Unicode tables; blocks are counted whole on our side, so these
     are characters people write rather than every code point */
  static const char *const texts[] = {"plain",
                                      "\xc3\xa9t\xc3\xa9",
                                      "e\xcc\x81",
                                      "\xe6\xb8\xac\xe5\xae\x9a",
                                      "\xed\x95\x9c\xea\xb8\x80",
                                      "\xf0\x9f\x8e\xa7",
                                      "\xef\xbc\xa1",
                                      "\xce\xa9 \xc2\xb1",
                                      "\xd0\xb0\xd0\xb1",
                                      "\xef\xbf\xbd",
                                      "\xe2\x80\x9cx\xe2\x80\x9d"};
  (void)state;
  locale_t utf8 = newlocale(LC_CTYPE_MASK, "C.UTF-8", (locale_t)0);
  locale_t old;
  assert_true(utf8 != (locale_t)0);
  old = uselocale(utf8);
  for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
    wchar_t wide[64];
    size_t n = mbstowcs(wide, texts[i], 64);
    assert_true(n < 64);
    assert_int_equal(mt_layout_columns(texts[i]), wcswidth(wide, n));
  }
  uselocale(old);
  freelocale(utf8);
}

static void a_terminal_is_given_nothing_to_obey(void **state)
{
  char out[100];
  (void)state;
  mt_layout_clean(out, "a\x1b[31m\nb\tc\x7f\xc2\x9b\xe2\x80\xae\xff");
  assert_string_equal(out, "a?[31m b c???\xef\xbf\xbd");
}

static char *wrap_text(const char *text)
{
  char *out = NULL;
  size_t size;
  FILE *file = open_memstream(&out, &size);
  mt_layout_wrap(file, "  - ", "    ", text);
  fclose(file);
  return out;
}

static void long_words_are_broken_and_short_ones_kept_whole(void **state)
{
  char word[201];
  char *got;
  (void)state;
  memset(word, 'x', 200);
  word[200] = '\0';
  got = wrap_text(word);
  assert_int_equal(strlen(got), 4 + 76 + 1 + 4 + 76 + 1 + 4 + 48 + 1);
  free(got);
  got = wrap_text("one  two\nthree");
  assert_string_equal(got, "  - one two three\n");
  free(got);
  got = wrap_text("");
  assert_string_equal(got, "  - \n");
  free(got);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(two_digits_of_the_uncertainty_set_the_decimals),
      cmocka_unit_test(decimals_end_where_they_stop_being_useful),
      cmocka_unit_test(no_value_needs_more_than_ten_columns),
      cmocka_unit_test(columns_agree_with_the_c_library),
      cmocka_unit_test(a_terminal_is_given_nothing_to_obey),
      cmocka_unit_test(long_words_are_broken_and_short_ones_kept_whole),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
