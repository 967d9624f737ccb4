#include "support.h"

#include "audio/devices.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static mt_device device(const char *host_api, const char *name, unsigned nin, unsigned nout)
{
  mt_device d = {0};
  snprintf(d.name, sizeof d.name, "%s", name);
  snprintf(d.host_api, sizeof d.host_api, "%s", host_api);
  d.max_inputs = nin;
  d.max_outputs = nout;
  return d;
}

static mt_device bench[6];

static int lay_out_bench(void **state)
{
  (void)state;
  bench[0] = device("ALSA", "Bench Card: USB Audio (hw:1,0)", 2, 2);
  bench[1] = device("ALSA", "Bench Card: USB Audio #1 (hw:1,1)", 2, 0);
  bench[2] = device("ALSA", "Inboard: Analog (hw:0,0)", 0, 2);
  bench[3] = device("ALSA", "pulse", 32, 32);
  bench[4] = device("ALSA", "default", 32, 32);
  bench[5] = device("JACK Audio Connection Kit", "default", 2, 2);
  bench[4].is_default_input = true;
  bench[2].is_default_output = true;
  return 0;
}

static void a_device_is_found_by_any_part_that_is_its_own(void **state)
{
  static const struct {
    const char *name;
    bool wants_input;
    size_t want;
  } table[] = {
      {"pulse", true, 3},
      {"PULSE", false, 3},
      {"hw:1,0", true, 0},
      {"usb audio", false, 0}, /* of those with outputs */
      {"#1", true, 1},
      {"alsa: default", true, 4},
      {"JACK", true, 5},
      {"inboard", false, 2},
      {"Bench Card: USB Audio (hw:1,0)", true, 0},
      {NULL, true, 4},
      {NULL, false, 2},
      {"", true, 4},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_error err = {0};
    size_t got = 99;
    assert_ok(mt_device_choose(bench, COUNT(bench), table[i].name, table[i].wants_input, &got, &err), err);
    assert_int_equal(got, table[i].want);
  }
}

static void a_whole_name_wins_over_parts(void **state)
{
  mt_device two[2] = {device("ALSA", "card", 2, 2), device("ALSA", "card 2", 2, 2)};
  mt_error err = {0};
  size_t got = 99;
  (void)state;
  assert_ok(mt_device_choose(two, 2, "Card", true, &got, &err), err);
  assert_int_equal(got, 0);
  assert_int_equal(mt_device_choose(two, 2, "car", true, &got, &err), MT_E_DEVICE);
}

static void what_is_not_one_device_is_refused_with_what_there_is(void **state)
{
  mt_error err = {0};
  size_t got = 99;
  (void)state;
  assert_int_equal(mt_device_choose(bench, COUNT(bench), "default", true, &got, &err), MT_E_DEVICE);
  assert_string_equal(err.message, "\"default\" is the name of 2 inputs: \"ALSA: default\", "
                                   "\"JACK Audio Connection Kit: default\"; give more of it");
  assert_int_equal(mt_device_choose(bench, COUNT(bench), "inboard", true, &got, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "there is no sound input named \"inboard\"; there are: \"ALSA: Bench"));
  assert_int_equal(mt_device_choose(bench, 0, "x", true, &got, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "no sound input at all"));
  assert_int_equal(mt_device_choose(bench, 2, NULL, false, &got, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "there is no default sound output"));
  assert_int_equal(got, 99);
}

static void a_long_list_is_cut_between_names(void **state)
{
  mt_device many[40];
  mt_error err = {0};
  size_t got = 99, quotes = 0;
  (void)state;
  for (size_t i = 0; i < COUNT(many); i++) {
    char name[64];
    snprintf(name, sizeof name, "Interface number %zu of many", i);
    many[i] = device("ALSA", name, 2, 2);
  }
  assert_int_equal(mt_device_choose(many, COUNT(many), "Interface", true, &got, &err), MT_E_DEVICE);
  assert_non_null(strstr(err.message, "is the name of 40 inputs"));
  assert_non_null(strstr(err.message, "; give more of it"));
  for (const char *p = err.message; *p != '\0'; p++)
    quotes += *p == '"';
  assert_int_equal(quotes % 2, 0);
}

static void mixers_are_told_from_cards(void **state)
{
  static const struct {
    const char *host_api, *name;
    bool is_mixer;
  } table[] = {
      {"ALSA", "Bench Card: USB Audio (hw:1,0)", false},
      {"ALSA", "pulse", true},
      {"ALSA", "pipewire", true},
      {"ALSA", "default", true},
      {"ALSA", "sysdefault", true},
      {"ALSA", "dmix", true},
      {"ALSA", "front", true},
      {"JACK Audio Connection Kit", "system", true},
      {"ASIO", "Bench Card", false},
      {"MME", "Microphone", true},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_device d = device(table[i].host_api, table[i].name, 2, 2);
    mt_device_judge(&d);
    assert_int_equal(d.is_mixer, table[i].is_mixer);
    assert_true(strlen(d.advice) > 20 && d.advice[strlen(d.advice) - 1] == '.'); /* whole sentences */
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_device_is_found_by_any_part_that_is_its_own),
      cmocka_unit_test(a_whole_name_wins_over_parts),
      cmocka_unit_test(what_is_not_one_device_is_refused_with_what_there_is),
      cmocka_unit_test(a_long_list_is_cut_between_names),
      cmocka_unit_test(mixers_are_told_from_cards),
  };
  return cmocka_run_group_tests(tests, lay_out_bench, NULL);
}
