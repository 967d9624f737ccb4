/* A rig from its making to results read with it, on simulated units whose truth is known. */
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"
#include "base/text.h"

#include <mendtone/rig.h>
#include <mendtone/session.h>
#include <mendtone/simulate.h>

#include <time.h>
#include <unistd.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define REFERENCE_HZ 997.0

static char folder[64];

/* ---- units as files -------------------------------------------------------------------------------------- */

typedef struct channel {
  double gain_db, noise_dbfs, high_pass_hz, shelf_db, shelf_hz, crosstalk_db;
} channel;

static const char *write_unit(const char *name, const channel *left, const channel *right, char path[128])
{
  FILE *file;

  snprintf(path, 128, "%s/%s.cfg", folder, name);
  file = fopen(path, "w");
  assert_non_null(file);
  for (int c = 0; c < 2; c++) {
    const channel *ch = c == 0 ? left : right;
    fprintf(file, "%s = { gain_db = %.9f; noise_dbfs = %.3f; crosstalk_db = %.3f;", c == 0 ? "left" : "right",
            ch->gain_db, ch->noise_dbfs, ch->crosstalk_db);
    if (ch->high_pass_hz > 0.0)
      fprintf(file, " high_pass_hz = %.6f;", ch->high_pass_hz);
    if (ch->shelf_hz > 0.0)
      fprintf(file, " shelf_db = %.6f; shelf_hz = %.6f;", ch->shelf_db, ch->shelf_hz);
    fprintf(file, " };\n");
  }
  fprintf(file, "delay_s = 0.01; bits = 24; seed = 11;\n");
  fclose(file);
  return path;
}

/* ---- making --------------------------------------------------------------------------------------------------- */

/* As mendtone rig does it, with a meter that reads so many volts; not kept. */
static mt_rig *make(const char *name, const char *path, double rate_hz, const double meter_v[2])
{
  mt_session_options options = mt_session_defaults();
  const mt_session_tone tone = {80.0, -12.0, 5.0};
  mt_rig_value captured[MT_RIG_CHANNELS];
  mt_rig *rig = NULL;
  mt_error err = {0};

  options.simulate = path;
  options.rate_hz = rate_hz;
  assert_ok(mt_rig_create(&rig, &err), err);
  mt_text_copy(rig->name, sizeof rig->name, name);
  mt_text_copy(rig->made, sizeof rig->made, "2026-03-14T15:09:26Z");
  rig->max_age_days = 1e6;
  rig->tone_hz = tone.freq_hz;
  rig->tone_dbfs = tone.level_dbfs;
  rig->meter = (mt_meter){0.8, 3.0, 0.0001};
  assert_ok(mt_session_name_devices(&options, rig, &err), err);
  assert_ok(mt_session_play_tone(&options, &tone, captured, &err), err);
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    mt_rig_value reading;
    assert_ok(mt_rig_read_meter(&rig->meter, meter_v[c], &reading, &err), err);
    mt_rig_calibrate(rig, c, reading, captured[c]);
  }
  assert_ok(mt_session_measure_loop(&options, rig, NULL, &err), err);
  return rig;
}

static mt_rig *make_and_keep(const char *name, const char *path, double rate_hz, const double meter_v[2])
{
  mt_rig *rig = make(name, path, rate_hz, meter_v);
  mt_error err = {0};
  assert_ok(mt_rig_save(rig, &err), err);
  return rig;
}

static mt_results *check(const char *unit, const char *rig, const char *take, double rate_hz)
{
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_error err = {0};

  options.simulate = unit;
  options.rig = rig;
  options.save_take = take;
  options.rate_hz = rate_hz;
  assert_ok(mt_session_check(&options, &results, &err), err);
  return results;
}

static const mt_reading *find(const mt_results *results, mt_quantity quantity, mt_channel c,
                              const char *segment)
{
  const mt_reading *r = mt_results_find(results, quantity, c, segment);
  assert_non_null(r);
  return r;
}

static double gain_at(const char *path, unsigned c, double freq_hz)
{
  mt_simulated_unit unit;
  mt_error err = {0};
  assert_ok(mt_simulate_open(path, &unit, &err), err);
  return mt_simulate_gain_db(&unit, c, 48000.0, freq_hz);
}

/* How many points of a curve lie within their own interval. */
typedef struct points {
  size_t n, inside;
} points;

/* None may lie four standard deviations off, which two of 31000 do. */
static void look_at(points *p, double got, double want, double uncertainty)
{
  assert_near(got, want, 2.0 * uncertainty, "dB");
  p->n++;
  p->inside += fabs(got - want) <= uncertainty;
}

/* ---- tests ------------------------------------------------------------------------------------------------------ */

/*
 * Truth: the output's full scale in volts is chosen, and the meter errs within its specification. The rig's high-pass
 * stands in the input alone or in the output alone, as it happens: the intervals must hold either.
 */
static void a_unit_behind_a_rig_reads_what_it_is(void **state)
{
  mt_random random;
  points seen = {0, 0};
  (void)state;

  mt_random_init(&random, support_seed(501));
  for (int i = 0; i < 3; i++) {
    channel loop[2], both[2];
    char rig_path[128], unit_path[128], name[8];
    double full_v[2], meter_v[2];
    bool output_rolls_off = mt_random_uniform(&random) < 0.5;
    mt_results *results;
    mt_rig *rig;

    for (int c = 0; c < 2; c++) {
      loop[c] = (channel){-6.0 * mt_random_uniform(&random),
                          -105.0,
                          2.0 + 10.0 * mt_random_uniform(&random),
                          0.0,
                          0.0,
                          -160.0};
      both[c] = loop[c];
      both[c].gain_db += 3.0 - 6.0 * mt_random_uniform(&random);
      both[c].shelf_db = 6.5;
      both[c].shelf_hz = 100.0;
      both[c].noise_dbfs = -85.0;
      full_v[c] = 0.5 + 2.0 * mt_random_uniform(&random);
    }
    write_unit("loop", &loop[0], &loop[1], rig_path);
    write_unit("both", &both[0], &both[1], unit_path);
    for (int c = 0; c < 2; c++) {
      /* at 80 Hz, across the loop */
      double volts = full_v[c] * mt_ratio_of_db(-12.0);
      meter_v[c] = volts + (0.008 * volts + 3e-4) * (2.0 * mt_random_uniform(&random) - 1.0);
      meter_v[c] = round(meter_v[c] / 1e-4) * 1e-4;
    }
    snprintf(name, sizeof name, "rig%d", i);
    rig = make_and_keep(name, rig_path, 48000.0, meter_v);
    results = check(unit_path, name, NULL, 0.0);
    assert_true(results->rig.loop_applied && results->rig.has_volts);
    for (unsigned c = 0; c < 2; c++) {
      const mt_reading *gain = find(results, MT_Q_GAIN, (int)c, "both");
      const mt_reading *level = find(results, MT_Q_LEVEL, (int)c, "both");
      const mt_curve *response = mt_results_find_curve(results, MT_Q_RESPONSE, (int)c);
      double unit_db = gain_at(unit_path, c, REFERENCE_HZ) - gain_at(rig_path, c, REFERENCE_HZ);
      /* what the output gives at 997 Hz: all of the change since 80 Hz is the output's, or none */
      double change = gain_at(rig_path, c, REFERENCE_HZ) - gain_at(rig_path, c, 80.0);
      double out_dbv = mt_db_of_ratio(full_v[c]) + (output_rolls_off ? change : 0.0);
      /* readings of noise: 2 U is four standard deviations, so that none of a few dozen fails by chance */
      assert_near(gain->value, unit_db, 2.0 * gain->uncertainty, "dB");
      assert_true(gain->uncertainty < 0.001);
      assert_true(level->has_dbv);
      /* two uniform errors, the meter's and who rolls off, both at their limits: sqrt(3 / 2) of U */
      assert_near(level->dbv, -20.0 + out_dbv + unit_db, 1.225 * level->dbv_uncertainty, "dBV");
      assert_non_null(response);
      for (size_t k = 0; k < response->npoints; k++) {
        double f = response->x[k];
        double want = gain_at(unit_path, c, f) - gain_at(rig_path, c, f) - unit_db;
        if (f >= 20.0 && f <= 20000.0)
          look_at(&seen, response->y[k], want, response->uncertainty[k]);
      }
    }
    mt_results_destroy(&results);
    free(rig);
  }
  print_message("%zu points of responses, %.1f %% within their interval\n", seen.n,
                100.0 * (double)seen.inside / (double)seen.n);
  /* k = 2; neighbours share their noise, so that 1400 points tell no more than some hundred */
  assert_true((double)seen.inside >= 0.90 * (double)seen.n);
}

static void the_bare_loop_reads_as_nothing(void **state)
{
  const channel loop = {-3.0, -100.0, 20.0, 0.0, 0.0, -90.0};
  static const double meter_v[2] = {0.3, 0.3};
  char path[128];
  mt_results *results, *alone;
  mt_rig *rig;
  (void)state;

  write_unit("bare", &loop, &loop, path);
  rig = make_and_keep("bare", path, 48000.0, meter_v);
  results = check(path, "bare", NULL, 0.0);
  alone = check(path, NULL, NULL, 0.0);
  for (int c = 0; c < 2; c++) {
    const mt_reading *gain = find(results, MT_Q_GAIN, c, "both");
    const mt_curve *response = mt_results_find_curve(results, MT_Q_RESPONSE, c);
    static const mt_quantity floors[] = {MT_Q_NOISE, MT_Q_NOISE_A, MT_Q_THD_N, MT_Q_SNR, MT_Q_CROSSTALK};
    assert_near(gain->value, 0.0, 2.0 * gain->uncertainty, "dB");
    for (size_t k = 0; k < response->npoints; k++)
      assert_near(response->y[k], 0.0, 2.0 * response->uncertainty[k], "dB"); /* four standard deviations */
    /* without the rig the same lead has a corner; with it none within what was read */
    assert_int_equal(find(alone, MT_Q_CORNER_LOW, c, "")->validity, MT_VALID);
    assert_int_equal(find(results, MT_Q_CORNER_LOW, c, "")->validity, MT_RIG_LIMITED);
    for (size_t i = 0; i < COUNT(floors); i++) {
      const mt_reading *r = mt_results_find(results, floors[i], c, "");
      assert_non_null(r);
      assert_int_equal(r->validity, MT_RIG_LIMITED);
      assert_non_null(strstr(r->why, "rig's own"));
    }
  }
  assert_false(find(alone, MT_Q_LEVEL, 0, "both")->has_dbv);
  assert_string_equal(alone->rig.name, "");
  mt_results_destroy(&results);
  mt_results_destroy(&alone);
  free(rig);
}

/* At 20 dB above the floor a number with the rig taken off, at 6 dB a bound. */
static void a_unit_near_the_floor_is_only_bounded(void **state)
{
  const channel loop = {0.0, -90.0, 0.0, 0.0, 0.0, -100.0};
  static const double meter_v[2] = {0.3, 0.3};
  channel left = loop, right = loop;
  char path[128], unit[128];
  const mt_reading *r;
  mt_results *results;
  mt_rig *rig;
  double own, truth;
  (void)state;

  write_unit("floor", &loop, &loop, path);
  rig = make_and_keep("floor", path, 48000.0, meter_v);
  /* unit and rig together; in band 10 lg (20 / 24) less */
  own = mt_power_of_db(-90.0);
  left.noise_dbfs = mt_db_of_power(own + mt_power_of_db(-74.0));
  right.noise_dbfs = mt_db_of_power(own + mt_power_of_db(-84.0));
  write_unit("near", &left, &right, unit);
  results = check(unit, "floor", NULL, 0.0);
  r = find(results, MT_Q_NOISE, MT_LEFT, "idle");
  truth = -74.0 + mt_db_of_power(19980.0 / 24000.0);
  assert_int_equal(r->validity, MT_VALID);
  assert_near(r->value, truth, 2.0 * r->uncertainty, "dBFS"); /* four standard deviations */
  assert_true(r->uncertainty < 0.3);
  r = find(results, MT_Q_NOISE, MT_RIGHT, "idle");
  assert_int_equal(r->validity, MT_RIG_LIMITED);
  assert_true(r->value > -84.0 + mt_db_of_power(19980.0 / 24000.0));
  assert_int_equal(find(results, MT_Q_THD_N, MT_RIGHT, "both")->validity, MT_RIG_LIMITED);
  assert_int_equal(find(results, MT_Q_SNR, MT_RIGHT, "both")->validity, MT_RIG_LIMITED);
  /* -80 dBFS of noise is allowed: the bound is enough to pass */
  assert_int_equal(find(results, MT_Q_NOISE_A, MT_RIGHT, "idle")->verdict, MT_VERDICT_PASS);
  mt_results_destroy(&results);
  free(rig);
}

static void a_unit_that_records_has_its_full_scale_in_volts(void **state)
{
  const channel loop = {-1.0, -105.0, 4.0, 0.0, 0.0, -110.0};
  /* the rig's output rolls off by nothing here: the loop's high-pass is in its input */
  const channel left = {-6.0, -90.0, 15.0, 0.0, 0.0, -80.0}, right = {-7.5, -90.0, 15.0, 0.0, 0.0, -80.0};
  static const double full_v[2] = {1.2, 1.3};
  double meter_v[2];
  char path[128], unit[128], take[128];
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  mt_error err = {0};
  mt_rig *rig;
  (void)state;

  for (int c = 0; c < 2; c++)
    meter_v[c] = round(full_v[c] * mt_ratio_of_db(-12.0) / 1e-4) * 1e-4;
  write_unit("player", &loop, &loop, path);
  write_unit("recorder", &left, &right, unit);
  rig = make_and_keep("player", path, 48000.0, meter_v);
  snprintf(take, sizeof take, "%s/recorder.wav", folder);
  results = check(unit, NULL, take, 0.0);
  mt_results_destroy(&results);
  options.rig = "player";
  options.recorded_by_unit = true;
  assert_ok(mt_session_analyse(take, &options, &results, &err), err);
  for (unsigned c = 0; c < 2; c++) {
    const mt_reading *full = find(results, MT_Q_INPUT_FULL_SCALE, (int)c, "both");
    const mt_reading *noise = find(results, MT_Q_NOISE, (int)c, "idle");
    const mt_curve *response = mt_results_find_curve(results, MT_Q_RESPONSE, (int)c);
    double want = mt_db_of_ratio(full_v[c]) - gain_at(unit, c, REFERENCE_HZ);
    assert_int_equal(full->validity, MT_VALID);
    /* the meter read right but for half of its last digit, 0.2 % of U */
    assert_near(full->value, want, 0.5 * full->uncertainty, "dBV");
    assert_true(full->uncertainty < 0.15);
    /* re its own full scale, as it stands in the file */
    assert_near(noise->value, -90.0 + mt_db_of_power(19980.0 / 24000.0), 2.0 * noise->uncertainty, "dBFS");
    assert_near(noise->dbv, noise->value + full->value, 1e-9, "dBV");
    for (size_t k = 0; k < response->npoints; k++)
      if (response->x[k] >= 20.0 && response->x[k] <= 20000.0)
        assert_near(response->y[k], gain_at(unit, c, response->x[k]) - gain_at(unit, c, REFERENCE_HZ),
                    2.0 * response->uncertainty[k], "dB"); /* likewise */
  }
  assert_true(results->rig.recorded_by_unit);
  mt_results_destroy(&results);
  options.rig = NULL;
  assert_int_equal(mt_session_analyse(take, &options, &results, &err), MT_E_ARG);
  unlink(take);
  free(rig);
}

static void another_rate_leaves_the_loop_out(void **state)
{
  const channel loop = {-3.0, -90.0, 20.0, 0.0, 0.0, -60.0};
  static const double meter_v[2] = {0.3, 0.3};
  char path[128];
  mt_results *results;
  mt_rig *rig;
  (void)state;

  write_unit("rate", &loop, &loop, path);
  rig = make_and_keep("rate", path, 44100.0, meter_v);
  /* the rig's rate unless another is said */
  results = check(path, "rate", NULL, 0.0);
  assert_near(results->rate_hz, 44100.0, 0.0, "Hz");
  assert_true(results->rig.loop_applied);
  mt_results_destroy(&results);
  results = check(path, "rate", NULL, 48000.0);
  assert_false(results->rig.loop_applied);
  assert_true(results->rig.has_volts);
  assert_int_equal(results->rig.nwarnings, 1);
  assert_non_null(strstr(results->rig.warnings[0], "44100"));
  assert_near(find(results, MT_Q_GAIN, 0, "both")->value, -3.0, 0.01, "dB"); /* rig included */
  assert_int_equal(find(results, MT_Q_NOISE, 0, "idle")->validity, MT_VALID);
  mt_results_destroy(&results);
  free(rig);
}

static void an_output_metered_open_is_told_by_its_loop(void **state)
{
  const channel loop = {-2.0, -100.0, 5.0, 0.0, 0.0, -100.0};
  char path[128], open_path[128];
  FILE *file;
  mt_session_options options = mt_session_defaults();
  const mt_session_tone tone = {80.0, -12.0, 5.0};
  mt_rig_value captured[MT_RIG_CHANNELS] = {{.known = true}, {.known = true}};
  mt_rig *rig = NULL;
  mt_error err = {0};
  (void)state;

  snprintf(open_path, sizeof open_path, "%s/open.cfg", folder);
  file = fopen(open_path, "w");
  assert_non_null(file);
  fputs("left = { mute = true; noise_dbfs = -100.0; }; right = { mute = true; noise_dbfs = -100.0; };", file);
  fclose(file);
  write_unit("closed", &loop, &loop, path);
  options.simulate = open_path;
  assert_ok(mt_session_play_tone(&options, &tone, captured, &err), err);
  assert_false(captured[0].known || captured[1].known);
  assert_ok(mt_rig_create(&rig, &err), err);
  rig->tone_hz = tone.freq_hz;
  rig->tone_dbfs = tone.level_dbfs;
  rig->output.ohm = 100.0;
  rig->input.ohm = 10000.0;
  for (int c = 0; c < 2; c++)
    mt_rig_calibrate(rig, c, (mt_rig_value){true, false, mt_ratio_of_db(-12.0), 0.0}, captured[c]);
  options.simulate = path;
  assert_ok(mt_session_measure_loop(&options, rig, NULL, &err), err);
  for (unsigned c = 0; c < 2; c++) {
    const mt_rig_value *in = &rig->channel[c].input_full_v;
    /* 1 V open, 100 / 101 of it loaded, and that over the loop's gain at the tone */
    double want = 100.0 / 101.0 / mt_ratio_of_db(gain_at(path, c, 80.0));
    assert_true(in->known);
    assert_near(in->value, want, in->uncertainty, "V");
    /* impedances within 10 % each make 0.2 % of a volt; the sweep is trusted to 0.05 dB, 0.6 %, at 80 Hz */
    assert_true(in->uncertainty < 0.015 * want);
  }
  free(rig);
}

/* A level control moved between the tone and the loop would make every volt wrong without a word. */
static void a_level_moved_meanwhile_is_noticed(void **state)
{
  const channel before = {-2.0, -100.0, 5.0, 0.0, 0.0, -160.0},
                faint = {-60.0, -100.0, 5.0, 0.0, 0.0, -160.0};
  channel after = before;
  char path[128];
  mt_session_options options = mt_session_defaults();
  const mt_session_tone tone = {80.0, -12.0, 5.0};
  mt_rig_value captured[MT_RIG_CHANNELS];
  mt_rig *rig = NULL;
  mt_error err = {0};
  FILE *file;
  (void)state;

  after.gain_db = -2.5;
  options.simulate = write_unit("moved", &before, &before, path);
  assert_ok(mt_session_play_tone(&options, &tone, captured, &err), err);
  assert_ok(mt_rig_create(&rig, &err), err);
  rig->tone_hz = tone.freq_hz;
  rig->tone_dbfs = tone.level_dbfs;
  for (int c = 0; c < 2; c++)
    mt_rig_calibrate(rig, c, (mt_rig_value){true, false, 0.3, 0.003}, captured[c]);
  write_unit("moved", &before, &after, path);
  assert_int_equal(mt_session_measure_loop(&options, rig, NULL, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "the right loop passed -2.0"));
  assert_non_null(strstr(err.message, "a level control was moved"));
  /* one that jumps is no output metered open */
  file = fopen(path, "w");
  assert_non_null(file);
  fputs("dropouts = ( { kind = \"lose\"; at_s = 3.0; frames = 100; } );", file);
  fclose(file);
  assert_int_equal(mt_session_play_tone(&options, &tone, captured, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "no steady tone of 80 Hz"));
  /* a tone that only leaks across inside the card is no loop */
  write_unit("moved", &faint, &faint, path);
  assert_ok(mt_session_play_tone(&options, &tone, captured, &err), err);
  assert_false(captured[0].known || captured[1].known);
  free(rig);
}

static void a_rig_and_its_kind_belong_together(void **state)
{
  const channel loop = {0.0, -100.0, 0.0, 0.0, 0.0, -100.0};
  static const double meter_v[2] = {0.3, 0.3};
  mt_session_options options = mt_session_defaults();
  mt_results *results = NULL;
  char path[128];
  mt_error err = {0};
  mt_rig *rig;
  (void)state;

  write_unit("kind", &loop, &loop, path);
  rig = make("kind", path, 48000.0, meter_v);
  assert_ok(mt_rig_save(rig, &err), err);
  options.rig = "kind";
  assert_int_equal(mt_session_check(&options, &results, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "is a simulated one; it goes with --simulate"));
  mt_text_copy(rig->input.host_api, sizeof rig->input.host_api, "ALSA");
  assert_ok(mt_rig_save(rig, &err), err);
  options.simulate = path;
  assert_int_equal(mt_session_check(&options, &results, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "is a real one"));
  options.rig = "nobody";
  assert_int_equal(mt_session_check(&options, &results, &err), MT_E_NO_INPUT);
  options.rig = "../kind";
  assert_int_equal(mt_session_check(&options, &results, &err), MT_E_ARG);
  assert_null(results);
  free(rig);
}

static int make_folder(void **state)
{
  (void)state;
  mt_text_copy(folder, sizeof folder, "/tmp/mendtone-rigs-XXXXXX");
  return mkdtemp(folder) == NULL || setenv("XDG_CONFIG_HOME", folder, 1) != 0;
}

static int remove_folder(void **state)
{
  char command[128];
  (void)state;
  snprintf(command, sizeof command, "rm -rf '%s'", folder);
  return system(command);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_unit_behind_a_rig_reads_what_it_is),
      cmocka_unit_test(the_bare_loop_reads_as_nothing),
      cmocka_unit_test(a_unit_near_the_floor_is_only_bounded),
      cmocka_unit_test(a_unit_that_records_has_its_full_scale_in_volts),
      cmocka_unit_test(another_rate_leaves_the_loop_out),
      cmocka_unit_test(an_output_metered_open_is_told_by_its_loop),
      cmocka_unit_test(a_level_moved_meanwhile_is_noticed),
      cmocka_unit_test(a_rig_and_its_kind_belong_together),
  };
  return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
