#include "support.h"

#include <mendtone/simulate.h>

#include <unistd.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* The committed examples, found from where this file was compiled. */
static const char *fixture(const char *name, char out[512])
{
  const char *slash = strrchr(__FILE__, '/');
  snprintf(out, 512, "%.*s/../../fixtures/%s", (int)(slash - __FILE__), __FILE__, name);
  return out;
}

static void an_empty_description_is_a_wire(void **state)
{
  mt_simulated_unit unit, wire;
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&wire);
  wire.name[0] = '\0';
  memset(&unit, 0xff, sizeof unit);
  assert_ok(mt_simulate_parse("", "empty.cfg", &unit, &err), err);
  assert_string_equal(unit.name, "");
  assert_near(unit.channel[1].poly[0], 1.0, 0.0, "");
  assert_near(unit.hum_hz, 50.0, 0.0, "Hz");
  assert_true(isinf(unit.channel[0].noise_dbfs) && unit.channel[0].noise_dbfs < 0.0);
  assert_memory_equal(unit.channel, wire.channel, sizeof unit.channel);
}

static void every_key_arrives_where_it_belongs(void **state)
{
  static const char text[] =
      "name = \"mixer\"; swap = true; sum = true; hum_hz = 60; delay_s = 0.25; clock_offset_ppm = -80.5;\n"
      "bits = 20; seed = 12345; clock_drift_ppm_per_s = -0.5; mixer_rate_hz = 44100;\n"
      "load_ohm = 33; input_ohm = 10e3; return_ohm = 0.3;\n"
      "left = { gain_db = -3; order_1 = 0.5; order_2 = 0.02; order_3 = -0.3; order_4 = 4.0; order_5 = 5.0;\n"
      "  dead_zone = 0.001; clip = 0.9; high_pass_hz = 22.6; shelf_db = 6.5; shelf_hz = 100.0; };\n"
      "right = { invert = true; mute = true; crosstalk_db = -70.0; hum_dbfs = -80; noise_dbfs = -95.0;\n"
      "  dc = -0.01; output_ohm = 10; output_uf = 220; current_limit = 0.05; };\n"
      "dropouts = ( { kind = \"mute\"; at_s = 3.0; frames = 480; channels = \"left\"; },\n"
      "  { kind = \"mute\"; at_s = 4; frames = 1; },\n"
      "  { kind = \"lose\"; at_s = 5.0; frames = 64; }, { kind = \"repeat\"; at_s = 6.5; frames = 65; },\n"
      "  { kind = \"clip\"; at_s = 7; frames = 66; channels = \"right\"; level_db = -20.5; } );\n";
  mt_simulated_unit u;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_simulate_parse(text, "u.cfg", &u, &err), err);
  assert_string_equal(u.name, "mixer");
  assert_true(u.swap && u.sum);
  assert_near(u.hum_hz, 60.0, 0.0, "Hz");
  assert_near(u.delay_s, 0.25, 0.0, "s");
  assert_near(u.clock_offset_ppm, -80.5, 0.0, "ppm");
  assert_int_equal(u.bits, 20);
  assert_int_equal(u.seed, 12345);
  const mt_simulated_channel *l = &u.channel[0], *r = &u.channel[1];
  assert_near(l->gain_db, -3.0, 0.0, "dB");
  const double poly[5] = {0.5, 0.02, -0.3, 4.0, 5.0};
  for (size_t i = 0; i < 5; i++)
    assert_near(l->poly[i], poly[i], 0.0, "");
  assert_near(l->dead_zone, 0.001, 0.0, "FS");
  assert_near(l->clip, 0.9, 0.0, "FS");
  assert_near(l->high_pass_hz, 22.6, 0.0, "Hz");
  assert_near(l->shelf_db, 6.5, 0.0, "dB");
  assert_near(l->shelf_hz, 100.0, 0.0, "Hz");
  assert_false(l->invert || l->mute);
  assert_true(r->invert && r->mute);
  assert_near(r->crosstalk_db, -70.0, 0.0, "dB");
  assert_near(r->hum_dbfs, -80.0, 0.0, "dBFS");
  assert_near(r->noise_dbfs, -95.0, 0.0, "dBFS");
  assert_near(r->dc, -0.01, 0.0, "FS");
  assert_near(u.clock_drift_ppm_per_s, -0.5, 0.0, "ppm/s");
  assert_near(u.mixer_rate_hz, 44100.0, 0.0, "Hz");
  assert_near(u.load_ohm, 33.0, 0.0, "ohm");
  assert_near(u.input_ohm, 10e3, 0.0, "ohm");
  assert_near(u.return_ohm, 0.3, 0.0, "ohm");
  assert_near(r->output_ohm, 10.0, 0.0, "ohm");
  assert_near(r->output_uf, 220.0, 0.0, "uF");
  assert_near(r->current_limit, 0.05, 0.0, "A");
  assert_int_equal(u.ndropouts, 5);
  assert_int_equal(u.dropouts[0].kind, MT_SIMULATED_MUTE);
  assert_true(u.dropouts[0].channel[0] && !u.dropouts[0].channel[1]);
  assert_true(u.dropouts[1].channel[0] && u.dropouts[1].channel[1]);
  assert_int_equal(u.dropouts[2].kind, MT_SIMULATED_LOSE);
  assert_int_equal(u.dropouts[2].nframes, 64);
  assert_int_equal(u.dropouts[3].kind, MT_SIMULATED_REPEAT);
  assert_near(u.dropouts[3].at_s, 6.5, 0.0, "s");
  assert_int_equal(u.dropouts[4].kind, MT_SIMULATED_CLIP);
  assert_true(!u.dropouts[4].channel[0] && u.dropouts[4].channel[1]);
  assert_near(u.dropouts[4].level_db, -20.5, 0.0, "dB");
}

static void what_is_wrong_is_named_with_its_line(void **state)
{
  static const struct {
    const char *text, *want;
  } table[] = {
      {"\nnoise = 1;", "u.cfg:2: unknown key \"noise\""},
      {"left = {\n gain_bd = -3.0; };", "u.cfg:2: unknown key \"gain_bd\"; did you mean \"gain_db\"?"},
      {"left = 3.0;", "u.cfg:1: left is not a group; expected left = { gain_db = -3.0; }"},
      {"left = { gain_db = \"loud\"; };", "u.cfg:1: gain_db is not a number; expected -200 to 100"},
      {"left = { clip = -1.0; };", "u.cfg:1: clip is -1; expected 0 to 100"},
      {"right = { invert = 1; };", "u.cfg:1: invert is not a switch; expected true or false"},
      {"right = { shelf_db = 3.0; };", "u.cfg:1: shelf_db is given without shelf_hz; a shelf needs both"},
      {"right = { shelf_hz = 3.0; };", "u.cfg:1: shelf_hz is given without shelf_db; a shelf needs both"},
      {"bits = 17;", "u.cfg:1: bits is 17; expected 16, 20, 24, or 0 for float"},
      {"bits = 16.5;", "u.cfg:1: bits is 16.5; expected a whole number"},
      {"seed = -1;", "u.cfg:1: seed is -1; expected 0 to 9.0072e+15"},
      {"dropouts = 3;", "u.cfg:1: dropouts is not a list; expected dropouts = ( { ... } );"},
      {"dropouts = ( 3 );", "u.cfg:1: a dropout is not a group; expected { kind = \"mute\"; at_s = 3.0; "
                            "frames = 480; }"},
      {"dropouts = ( { at_s = 1.0; frames = 2; } );", "u.cfg:1: a dropout has no kind"},
      {"dropouts = ( { kind = \"lose\"; frames = 2; } );", "u.cfg:1: a dropout has no at_s"},
      {"dropouts = ( { kind = \"loose\"; at_s = 1.0; frames = 2; } );",
       "u.cfg:1: kind is \"loose\"; expected \"mute\", \"lose\", \"repeat\", \"gain\", \"hum\" or \"clip\""},
      {"dropouts = ( { kind = 2; at_s = 1.0; frames = 2; } );",
       "u.cfg:1: kind is not text; expected \"mute\", \"lose\", \"repeat\", \"gain\", \"hum\" or \"clip\""},
      {"dropouts = ( { kind = \"lose\"; at_s = 1.0; frames = 2; channels = \"left\"; } );",
       "u.cfg:1: channels is out of place: frames are lost or repeated on both"},
      {"dropouts = ( { kind = \"mute\"; at_s = 1.0; frames = 2; level_db = 3.0; } );",
       "u.cfg:1: level_db belongs to kind = \"gain\", \"hum\" or \"clip\""},
      {"dropouts = ( { kind = \"gain\"; at_s = 1.0; frames = 2; } );",
       "u.cfg:1: a dropout of kind = \"gain\" has no level_db"},
      {"clock_drift_ppm_per_s = 1e4;", "u.cfg:1: clock_drift_ppm_per_s is 10000; expected -1000 to 1000"},
      {"load_ohm = -33;", "u.cfg:1: load_ohm is -33; expected 0 to 1e+07"},
      {"left = { output_ohm = -1; };", "u.cfg:1: output_ohm is -1; expected 0 to 1e+06"},
      {"mixer_rate_hz = -1.0;", "u.cfg:1: mixer_rate_hz is -1; expected 0 to 1e+06"},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_simulated_unit unit, before;
    mt_error err = {0};
    memset(&unit, 0x5a, sizeof unit);
    before = unit;
    assert_int_equal(mt_simulate_parse(table[i].text, "u.cfg", &unit, &err), MT_E_PLAN);
    assert_string_equal(err.message, table[i].want);
    assert_memory_equal(&unit, &before, sizeof unit);
  }
}

static void too_many_dropouts_are_refused(void **state)
{
  char text[2048] = "dropouts = ( ";
  mt_simulated_unit unit;
  mt_error err = {0};
  (void)state;
  for (size_t i = 0; i <= MT_SIMULATED_DROPOUTS_MAX; i++) {
    strcat(text, i > 0 ? ", " : "");
    strcat(text, "{ kind = \"lose\"; at_s = 1.0; frames = 2; }");
  }
  strcat(text, " );");
  assert_int_equal(mt_simulate_parse(text, "u.cfg", &unit, &err), MT_E_PLAN);
  assert_string_equal(err.message, "u.cfg:1: there are 17 dropouts; expected at most 16");
}

static void a_missing_file_and_a_folder_are_no_input(void **state)
{
  mt_simulated_unit unit;
  mt_error err = {0};
  (void)state;
  assert_int_equal(mt_simulate_open("/nonexistent/u.cfg", &unit, &err), MT_E_NO_INPUT);
  assert_int_equal(mt_simulate_open("/", &unit, &err), MT_E_NO_INPUT);
}

static void the_back_end_opens_the_description_itself(void **state)
{
  const mt_audio_backend *backend = mt_audio_find_backend("simulate");
  mt_audio_request request = {0};
  mt_audio_sink sink = {0};
  mt_error err = {0};
  (void)state;
  assert_non_null(backend);
  assert_int_equal(backend->run(&request, &sink, &err), MT_E_ARG);
  request.input = "/nonexistent/u.cfg";
  request.rate_hz = 48000.0;
  request.duration_s = 1.0;
  assert_int_equal(backend->run(&request, &sink, &err), MT_E_NO_INPUT);
  assert_null(mt_audio_find_backend("tape"));
}

static void the_examples_describe_what_their_comments_say(void **state)
{
  mt_simulated_unit wire, before, after;
  mt_error err = {0};
  char path[512];
  (void)state;
  assert_ok(mt_simulate_open(fixture("wire.cfg", path), &wire, &err), err);
  assert_ok(mt_simulate_open(fixture("desk-amplifier-before.cfg", path), &before, &err), err);
  assert_ok(mt_simulate_open(fixture("desk-amplifier-after.cfg", path), &after, &err), err);
  assert_near(mt_simulate_gain_db(&wire, 0, 48000.0, 997.0), 0.0, 1e-12, "dB");
  /* right about 43 dB down; 50 Hz 13 dB down on the left; balance 0.1 dB once repaired */
  assert_near(mt_simulate_gain_db(&before, 0, 48000.0, 10007.0) -
                  mt_simulate_gain_db(&before, 1, 48000.0, 10007.0),
              43.0, 0.01, "dB");
  assert_near(mt_simulate_gain_db(&before, 0, 48000.0, 50.0), -0.2 - 13.313, 0.001, "dB");
  assert_near(mt_simulate_gain_db(&after, 0, 48000.0, 997.0) - mt_simulate_gain_db(&after, 1, 48000.0, 997.0),
              0.1, 1e-9, "dB");
  assert_near(mt_simulate_gain_db(&after, 0, 48000.0, 20.0), -0.2 - 0.26, 0.005, "dB");
  /* distortion that matters at the peak of 0.1 the check plays */
  assert_true(before.channel[0].clip < 0.1 * pow(10.0, -0.2 / 20.0));
}

static void a_state_overrides_what_the_rest_says_and_nothing_else(void **state)
{
  static const char text[] =
      "left = { gain_db = -3.0; noise_dbfs = -90.0; }; seed = 5;\n"
      "states = ( { name = \"lift\"; left = { shelf_db = 6.5; shelf_hz = 100.0; }; },\n"
      "  { name = \"pad\"; left = { gain_db = -13.0; }; swap = true; } );\n";
  mt_simulated_unit begun, lift, pad, other, again;
  mt_error err = {0};
  (void)state;
  assert_ok(mt_simulate_parse(text, "u.cfg", &begun, &err), err);
  assert_ok(mt_simulate_parse_state(text, "u.cfg", "lift", &lift, &err), err);
  assert_ok(mt_simulate_parse_state(text, "u.cfg", "pad", &pad, &err), err);
  assert_ok(mt_simulate_parse_state(text, "u.cfg", "dim", &other, &err), err);
  assert_ok(mt_simulate_parse_state(text, "u.cfg", "lift", &again, &err), err);
  assert_near(begun.channel[0].shelf_db, 0.0, 0.0, "dB");
  assert_near(lift.channel[0].shelf_db, 6.5, 0.0, "dB");
  assert_near(lift.channel[0].gain_db, -3.0, 0.0, "dB");
  assert_near(lift.channel[0].noise_dbfs, -90.0, 0.0, "dBFS");
  assert_near(lift.channel[1].shelf_db, 0.0, 0.0, "dB");
  assert_near(pad.channel[0].gain_db, -13.0, 0.0, "dB");
  assert_near(pad.channel[0].shelf_db, 0.0, 0.0, "dB");
  assert_true(pad.swap && !lift.swap);
  assert_near(other.channel[0].gain_db, -3.0, 0.0, "dB");
  /* two takes of a unit do not hold the same noise; the same state again does, so that it can be repeated */
  assert_true(begun.seed == 5 && lift.seed != 5 && lift.seed != pad.seed && other.seed != lift.seed);
  assert_true(again.seed == lift.seed);
}

static void a_wrong_state_is_named_whichever_is_wanted(void **state)
{
  static const struct {
    const char *text, *want;
  } cases[] = {
      {"states = 3;", "u.cfg:1: states is not a list"},
      {"states = ( 3 );", "a state is not a group"},
      {"states = (\n{ left = { gain_db = 1.0; }; } );", "u.cfg:2: a state has no name"},
      {"states = ( { name = \"a\"; gain_db = 1.0; } );", "unknown key \"gain_db\""},
      {"states = ( { name = \"a\"; },\n{ name = \"b\"; left = { gian_db = 1.0; }; } );",
       "u.cfg:2: unknown key \"gian_db\"; did you mean \"gain_db\""},
      {"states = ( { name = \"a\"; states = (); } );", "unknown key \"states\""},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    mt_simulated_unit unit = {.seed = 77};
    mt_error err = {0};
    assert_int_equal(mt_simulate_parse_state(cases[i].text, "u.cfg", "a", &unit, &err), MT_E_PLAN);
    assert_non_null(strstr(err.message, cases[i].want));
    assert_int_equal(unit.seed, 77);
  }
}

static void a_volume_control_arrives_where_it_belongs(void **state)
{
  static const char text[] =
      "volume = { range_db = 60.0; from_s = 3.0; to_s = 13; back_s = 14.5; up_s = 24.0; step_db = 0.5;\n"
      " tracking = ( { at_db = 0.0; db = 0.1; }, { at_db = 40.0; db = -1.5; } );\n"
      " scratches = ( { at_s = 5.0; length_s = 0.01; level_dbfs = -60.0; channels = \"left\"; } );\n"
      " dead = ( { from_db = 20.0; to_db = 22.0; channels = \"right\"; },\n"
      "          { from_db = 30.0; to_db = 31.0; loss_db = 40.0; } ); };";
  mt_simulated_unit u;
  mt_error err = {0};
  const mt_simulated_volume *v = &u.volume;
  (void)state;
  assert_ok(mt_simulate_parse(text, "u.cfg", &u, &err), err);
  assert_near(v->range_db, 60.0, 0.0, "dB");
  assert_near(v->from_s, 3.0, 0.0, "s");
  assert_near(v->to_s, 13.0, 0.0, "s");
  assert_near(v->back_s, 14.5, 0.0, "s");
  assert_near(v->up_s, 24.0, 0.0, "s");
  assert_near(v->step_db, 0.5, 0.0, "dB");
  assert_int_equal(v->ntracking, 2);
  assert_near(v->tracking_db[1][0], 40.0, 0.0, "dB");
  assert_near(v->tracking_db[1][1], -1.5, 0.0, "dB");
  assert_int_equal(v->nscratches, 1);
  assert_true(v->scratches[0].channel[0] && !v->scratches[0].channel[1]);
  assert_near(v->scratches[0].length_s, 0.01, 0.0, "s");
  assert_near(v->scratches[0].level_dbfs, -60.0, 0.0, "dBFS");
  assert_int_equal(v->ndead, 2);
  assert_true(!v->dead[0].channel[0] && v->dead[0].channel[1] && v->dead[1].channel[0]);
  assert_near(v->dead[0].loss_db, 0.0, 0.0, "dB");
  assert_near(v->dead[1].loss_db, 40.0, 0.0, "dB");
}

static void a_wrong_volume_control_is_named_with_its_line(void **state)
{
  static const struct {
    const char *text, *want;
  } cases[] = {
      {"volume = 3;", "u.cfg:1: volume is not a group"},
      {"volume = {\n rnge_db = 3.0; };", "u.cfg:2: unknown key \"rnge_db\"; did you mean \"range_db\""},
      {"volume = { range_db = 300.0; from_s = 1.0; to_s = 2.0; };", "ranges over 300 dB"},
      {"volume = { range_db = 60.0; from_s = 3.0; to_s = 2.0; };", "turned down from 3 to 2 s"},
      {"volume = { range_db = 60.0; from_s = 1.0; to_s = 2.0; back_s = 1.5; up_s = 3.0; };",
       "later than down"},
      {"volume = { tracking = 3; };", "tracking is not a list"},
      {"volume = { tracking = ( 3 ); };", "a tracking point is not a group"},
      {"volume = { tracking = ( { at_db = 3.0; } ); };", "a tracking point has no db"},
      {"volume = { tracking = ( { at_db = 3.0; db = 1.0; }, { at_db = 3.0; db = 1.0; } ); };", "not above"},
      {"volume = { scratches = ( { at_s = 1.0; length_s = 0.1; level_dbfs = 0.0; channels = \"up\"; } ); };",
       "channels is \"up\"; expected"},
      {"volume = { dead = ( { from_db = 3.0; to_db = 2.0; } ); };", "expected from below to"},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    mt_simulated_unit unit = {.seed = 77};
    mt_error err = {0};
    assert_int_equal(mt_simulate_parse(cases[i].text, "u.cfg", &unit, &err), MT_E_PLAN);
    if (strstr(err.message, cases[i].want) == NULL)
      fail_msg("\"%s\" has no \"%s\"", err.message, cases[i].want);
    assert_int_equal(unit.seed, 77);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(an_empty_description_is_a_wire),
      cmocka_unit_test(every_key_arrives_where_it_belongs),
      cmocka_unit_test(what_is_wrong_is_named_with_its_line),
      cmocka_unit_test(a_state_overrides_what_the_rest_says_and_nothing_else),
      cmocka_unit_test(a_volume_control_arrives_where_it_belongs),
      cmocka_unit_test(a_wrong_volume_control_is_named_with_its_line),
      cmocka_unit_test(a_wrong_state_is_named_whichever_is_wanted),
      cmocka_unit_test(too_many_dropouts_are_refused),
      cmocka_unit_test(a_missing_file_and_a_folder_are_no_input),
      cmocka_unit_test(the_back_end_opens_the_description_itself),
      cmocka_unit_test(the_examples_describe_what_their_comments_say),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
