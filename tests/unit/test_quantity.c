#include "support.h"

#include <mendtone/quantity.h>

static void every_quantity_has_a_full_row(void **state)
{
  (void)state;
  for (int q = 0; q < MT_Q_LAST; q++) {
    const mt_quantity_info *row = mt_quantity_describe((mt_quantity)q);
    mt_quantity back = MT_Q_LAST;
    assert_non_null(row->name);
    assert_non_null(row->label);
    assert_true(strlen(row->label) <= 24);
    assert_non_null(row->meaning);
    assert_non_null(row->source);
    assert_true(mt_quantity_parse(row->name, &back));
    assert_int_equal(back, q);
  }
}

static void every_unit_has_a_name_of_its_own(void **state)
{
  (void)state;
  for (int u = 0; u < MT_UNIT_LAST; u++) {
    mt_unit back = MT_UNIT_LAST;
    assert_true(mt_unit_parse(mt_unit_name((mt_unit)u), &back));
    assert_int_equal(back, u);
  }
}

static void misspelt_quantity_finds_its_neighbour(void **state)
{
  (void)state;
  assert_string_equal(mt_quantity_nearest("balence"), "balance");
  assert_string_equal(mt_quantity_nearest("thd_m"), "thd_f");
  assert_null(mt_quantity_nearest("xylophone"));
}

static void percent_and_decibel_convert_both_ways(void **state)
{
  double value = 0.0;
  (void)state;
  /* 1 % = -40 dB, 0.1 % = -60 dB by definition */
  assert_true(mt_unit_convert(1.0, MT_UNIT_PERCENT, MT_UNIT_DB, &value));
  assert_near(value, -40.0, 1e-12, "dB");
  assert_true(mt_unit_convert(-60.0, MT_UNIT_DB, MT_UNIT_PERCENT, &value));
  assert_near(value, 0.1, 1e-15, "%");
  assert_false(mt_unit_convert(0.0, MT_UNIT_PERCENT, MT_UNIT_DB, &value));
  assert_false(mt_unit_convert(1.0, MT_UNIT_HZ, MT_UNIT_DB, &value));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_quantity_has_a_full_row),
      cmocka_unit_test(every_unit_has_a_name_of_its_own),
      cmocka_unit_test(misspelt_quantity_finds_its_neighbour),
      cmocka_unit_test(percent_and_decibel_convert_both_ways),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
