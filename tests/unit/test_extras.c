#include "support.h"

#include <mendtone/extras.h>

static void lists_are_read_in_any_order(void **state)
{
  unsigned mask = 99;
  mt_error err = {0};
  char text[48];
  (void)state;
  assert_ok(mt_extras_parse("crosstalk,intermodulation", &mask, &err), err);
  assert_int_equal(mask, MT_EXTRA_CROSSTALK | MT_EXTRA_INTERMODULATION);
  assert_string_equal(mt_extras_text(mask, text), "intermodulation,crosstalk");
  assert_ok(mt_extras_parse("none", &mask, &err), err);
  assert_int_equal(mask, 0);
  assert_string_equal(mt_extras_text(0, text), "none");
  assert_ok(mt_extras_parse("intermodulation,levels,crosstalk", &mask, &err), err);
  assert_int_equal(mask, MT_EXTRAS_ALL);
  assert_string_equal(mt_extras_text(mask, text), "intermodulation,levels,crosstalk");
}

static void mistakes_are_named_and_change_nothing(void **state)
{
  static const struct {
    const char *text, *want;
  } cases[] = {
      {"level", "unknown extra \"level\"; did you mean \"levels\"?"},
      {"levels,", "unknown extra \"\"; expected"},
      {"", "unknown extra \"\"; expected"},
      {"levels,levels", "the extra \"levels\" is named twice"},
      {"levels crosstalk", "unknown extra \"levels crosstalk\"; expected"},
      {"none,levels", "unknown extra \"none\"; expected"},
      {"zzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzz", "unknown extra \"zzz"},
  };
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    unsigned mask = 5;
    mt_error err = {0};
    assert_int_equal(mt_extras_parse(cases[i].text, &mask, &err), MT_E_ARG);
    assert_int_equal(mask, 5);
    if (strncmp(err.message, cases[i].want, strlen(cases[i].want)) != 0)
      print_error("%s\n", err.message);
    assert_memory_equal(err.message, cases[i].want, strlen(cases[i].want));
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(lists_are_read_in_any_order),
      cmocka_unit_test(mistakes_are_named_and_change_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
