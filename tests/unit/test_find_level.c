/* The search for a level, with sound: simulated units whose gain and clipping point are known. */
#include "support.h"

#include <mendtone/session.h>

#include <unistd.h>

static char folder[] = "/tmp/mendtone-level-XXXXXX";
static double loudest_dbfs;

static void tell_step(void *ctx, double played_dbfs, double peak_dbfs, bool is_present)
{
  (void)ctx;
  assert_true(isfinite(peak_dbfs) && (is_present || peak_dbfs < 0.0));
  loudest_dbfs = fmax(loudest_dbfs, played_dbfs);
}

static mt_code find(const char *unit, double max_dbfs, double target_dbfs, mt_level_found *out, mt_error *err)
{
  mt_session_options options = mt_session_defaults();
  char path[64];
  FILE *file;
  mt_code code;

  snprintf(path, sizeof path, "%s/unit.cfg", folder);
  file = fopen(path, "w");
  assert_non_null(file);
  fputs(unit, file);
  fclose(file);
  options.simulate = path;
  options.tell_step = tell_step;
  loudest_dbfs = -300.0;
  code = mt_session_find_level(&options, max_dbfs, target_dbfs, out, err);
  assert_false(loudest_dbfs > max_dbfs);
  unlink(path);
  return code;
}

static void the_target_is_met_through_delay_noise_and_one_dead_channel(void **state)
{
  mt_level_found found;
  mt_error err = {0};
  (void)state;
  assert_ok(find("left = { gain_db = 7.3; noise_dbfs = -80.0; }; right = { mute = true; };\n"
                 "delay_s = 0.35; clock_offset_ppm = 300.0;",
                 -6.0, -12.0, &found, &err),
            err);
  assert_near(found.peak_dbfs, -12.0, 1.0, "dBFS");
  /* the louder channel's peak is the tone's, and noise of -80 dBFS reaches four times its rms: 0.02 dB */
  assert_near(found.level_dbfs + 7.3, found.peak_dbfs, 0.05, "dBFS");
  assert_int_equal(found.turn, MT_LEVEL_TURN_NONE);
}

/* Clips at 0.05 (-26 dBFS): the steps are 6 dB apart, from -60 on. */
static void a_unit_that_clips_is_found(void **state)
{
  mt_level_found found;
  mt_error err = {0};
  (void)state;
  assert_ok(find("left = { clip = 0.05; noise_dbfs = -95.0; }; right = { noise_dbfs = -95.0; };", 0.0, -12.0,
                 &found, &err),
            err);
  assert_int_equal(found.turn, MT_LEVEL_TURN_UNIT_DOWN);
  assert_between(found.level_dbfs, -32.0, -26.0, "dBFS");
}

static void what_cannot_be_found_says_what_to_turn(void **state)
{
  mt_level_found found = {.level_dbfs = 77.0};
  mt_error err = {0};
  (void)state;
  assert_int_equal(
      find("left = { gain_db = 60.0; }; right = { gain_db = 60.0; };", -6.0, -12.0, &found, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "turn the sound card's input gain down"));
  assert_int_equal(find("left = { mute = true; }; right = { mute = true; noise_dbfs = -60.0; };", -30.0,
                        -12.0, &found, &err),
                   MT_E_DATA);
  assert_non_null(strstr(err.message, "no tone came back up to -30 dBFS"));
  assert_near(found.level_dbfs, 77.0, 0.0, "dBFS");
}

static void goals_out_of_range_are_refused(void **state)
{
  static const double goals[][2] = {{1.0, -12.0}, {-61.0, -12.0}, {-6.0, -2.0}, {-6.0, -41.0}};
  mt_level_found found;
  mt_error err = {0};
  (void)state;
  for (size_t i = 0; i < 4; i++)
    assert_int_equal(find("", goals[i][0], goals[i][1], &found, &err), MT_E_ARG);
  assert_int_equal(find("", (double)NAN, -12.0, &found, &err), MT_E_ARG);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_target_is_met_through_delay_noise_and_one_dead_channel),
      cmocka_unit_test(a_unit_that_clips_is_found),
      cmocka_unit_test(what_cannot_be_found_says_what_to_turn),
      cmocka_unit_test(goals_out_of_range_are_refused),
  };
  int failed;

  if (mkdtemp(folder) == NULL)
    return 1;
  failed = cmocka_run_group_tests(tests, NULL, NULL);
  rmdir(folder);
  return failed;
}
