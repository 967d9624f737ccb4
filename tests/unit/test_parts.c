#include "support.h"

#include <mendtone/parts.h>

static void shortest_part_that_holds_all_is_taken(void **state)
{
  static const struct {
    mt_quantity quantities[3];
    size_t n;
    mt_parts want;
    unsigned extras;
  } cases[] = {
      {{MT_Q_RESPONSE}, 0, MT_PARTS_ALL, 0},
      {{MT_Q_RESPONSE}, 1, MT_PARTS_RESPONSE, 0},
      {{MT_Q_BOOST, MT_Q_CORNER_LOW, MT_Q_PHASE}, 3, MT_PARTS_RESPONSE, 0},
      {{MT_Q_NOISE_A, MT_Q_HUM, MT_Q_DC}, 3, MT_PARTS_NOISE, 0},
      {{MT_Q_BALANCE, MT_Q_NOISE_A}, 2, MT_PARTS_TONES, 0},
      {{MT_Q_ROUTE, MT_Q_THD_N, MT_Q_CROSSTALK}, 3, MT_PARTS_TONES, 0},
      {{MT_Q_RESPONSE, MT_Q_BALANCE}, 2, MT_PARTS_ALL, 0},
      {{MT_Q_DYNAMIC_RANGE}, 1, MT_PARTS_ALL, 0},
      {{MT_Q_IMD_DIFF}, 1, MT_PARTS_TONES, MT_EXTRA_INTERMODULATION},
      {{MT_Q_MAX_LEVEL, MT_Q_RESPONSE}, 2, MT_PARTS_ALL, MT_EXTRA_LEVELS},
  };
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    unsigned extras = 99;
    assert_int_equal(mt_parts_for(cases[i].quantities, cases[i].n, &extras), cases[i].want);
    assert_int_equal(extras, cases[i].extras);
  }
}

static void every_quantity_is_held_by_the_whole(void **state)
{
  (void)state;
  for (int q = 0; q < MT_Q_LAST; q++) {
    mt_quantity quantity = (mt_quantity)q;
    assert_true((size_t)mt_parts_for(&quantity, 1, NULL) < MT_PARTS_COUNT);
  }
}

static void names_are_read_back(void **state)
{
  mt_parts parts = MT_PARTS_TONES;
  (void)state;
  for (int p = 0; p < MT_PARTS_COUNT; p++) {
    assert_true(mt_parts_parse(mt_parts_name((mt_parts)p), &parts));
    assert_int_equal(parts, p);
  }
  assert_false(mt_parts_parse("some", &parts));
  assert_int_equal(parts, MT_PARTS_COUNT - 1);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(shortest_part_that_holds_all_is_taken),
      cmocka_unit_test(every_quantity_is_held_by_the_whole),
      cmocka_unit_test(names_are_read_back),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
