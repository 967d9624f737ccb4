#include "support.h"

#include <mendtone/report.h>

#include "base/random.h"
#include "base/text.h"

#include <sys/stat.h>
#include <unistd.h>

/* ---- results to write ------------------------------------------------------------------------- */

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  return results;
}

static void add_reading(mt_results *results, mt_quantity quantity, mt_channel channel, const char *segment,
                        double value, double uncertainty, mt_validity validity)
{
  mt_reading r = {.quantity = quantity,
                  .channel = channel,
                  .value = value,
                  .uncertainty = uncertainty,
                  .validity = validity};
  mt_error err = {0};
  mt_text_copy(r.segment, sizeof r.segment, segment);
  mt_text_copy(r.state, sizeof r.state, "flat");
  if (validity != MT_VALID)
    mt_text_copy(r.why, sizeof r.why, "because");
  assert_ok(mt_results_add_reading(results, &r, &err), err);
}

/* One of everything. */
static mt_results *sample_results(void)
{
  mt_results *r = new_results();
  mt_error err = {0};
  double x[3] = {20.0, 997.0, 20000.0}, y[3] = {-0.25, 0.0, 0.1}, u[3] = {0.01, 0.0, 0.02};
  mt_curve curve = {
      .quantity = MT_Q_RESPONSE, .segment = "sweep", .state = "flat", .npoints = 3, .bandwidth_hz = 5.25};
  mt_finding finding = {.id = "channel-silent", .channel = MT_RIGHT, .text = "a break", .nevidence = 2};
  mt_problem problem = {MT_PROBLEM_SILENT_INPUT, MT_RIGHT, 0.5, 1.25, "all zero", "", true};
  mt_judgement route = {.quantity = MT_Q_ROUTE,
                        .channel = MT_RIGHT,
                        .has_value = true,
                        .value = MT_ROUTE_NONE,
                        .min = MT_ROUTE_RIGHT,
                        .max = MT_ROUTE_RIGHT,
                        .implied = true,
                        .verdict = MT_VERDICT_FAIL,
                        .text = "hears nothing"};
  mt_judgement thd = {.quantity = MT_Q_THD_N,
                      .channel = MT_LEFT,
                      .segment = "both",
                      .state = "flat",
                      .has_value = true,
                      .value = 0.01,
                      .uncertainty = 0.5,
                      .min = -HUGE_VAL,
                      .max = 0.1,
                      .unit = MT_UNIT_PERCENT,
                      .verdict = MT_VERDICT_PASS,
                      .text = "0.01 %"};

  curve.x = x;
  curve.y = y;
  curve.uncertainty = u;
  mt_text_copy(finding.evidence[0], sizeof finding.evidence[0], "route: none");
  mt_text_copy(finding.evidence[1], sizeof finding.evidence[1], "level: no signal");
  mt_text_copy(r->unit_name, sizeof r->unit_name, "desk amplifier");
  mt_text_copy(r->plan_name, sizeof r->plan_name, "default");
  mt_text_copy(r->file, sizeof r->file, "take \"1\".wav");
  r->rate_hz = 48000.0;
  r->nchannels = 2;
  r->nframes = 600000;
  r->is_stimulus = true;
  r->stimulus_level_dbfs = -20.0;
  r->has_clock_offset = true;
  r->clock_offset_ppm = -12.5;
  r->verdict = MT_VERDICT_FAIL;
  add_reading(r, MT_Q_LEVEL, MT_LEFT, "both", -20.25, 0.004, MT_VALID);
  r->readings[0].freq_hz = 997.0;
  r->readings[0].verdict = MT_VERDICT_PASS;
  add_reading(r, MT_Q_LEVEL, MT_RIGHT, "both", 1e9, 7.0, MT_NO_SIGNAL);
  add_reading(r, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0, MT_VALID);
  add_reading(r, MT_Q_POLARITY, MT_LEFT, "left", -1.0, 0.0, MT_VALID);
  add_reading(r, MT_Q_HARMONIC, MT_LEFT, "both", -120.5, 1.0, MT_RIG_LIMITED);
  r->readings[4].order = 3;
  add_reading(r, MT_Q_HUM, 2, "idle", -90.5, 0.5, MT_VALID);
  r->readings[5].mains_hz = 50.0;
  assert_ok(mt_results_add_curve(r, &curve, &err), err);
  assert_ok(mt_results_add_finding(r, &finding, &err), err);
  assert_ok(mt_results_add_problem(r, &problem, &err), err);
  assert_ok(mt_results_add_judgement(r, &route, &err), err);
  assert_ok(mt_results_add_judgement(r, &thd, &err), err);
  return r;
}

/* ---- files ------------------------------------------------------------------------------------ */

static char folder[] = "/tmp/mendtone-json-XXXXXX";
static char path[64];

static int make_folder(void **state)
{
  (void)state;
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(path, sizeof path, "%s/results.json", folder);
  return 0;
}

static int remove_folder(void **state)
{
  (void)state;
  unlink(path);
  return rmdir(folder); /* fails if a half-written file is left */
}

static void write_bytes(const char *text, size_t size)
{
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(text, 1, size, file), size);
  assert_int_equal(fclose(file), 0);
}

static mt_code read_text(const char *text, mt_results **out, mt_error *err)
{
  write_bytes(text, strlen(text));
  return mt_report_read_json(path, out, err);
}

/* ---- writing ---------------------------------------------------------------------------------- */

static void every_field_stands_where_the_format_says(void **state)
{
  /* The names and values of the format, one record a line. */
  static const char want[] =
      "{\"format\":\"mendtone-results\",\n"
      " \"format_version\":1,\n"
      " \"tool_version\":\"" MT_VERSION "\",\n"
      " \"unit\":\"desk amplifier\",\n"
      " \"plan\":\"default\",\n"
      " \"take\":{\"file\":\"take \\\"1\\\".wav\",\"rate_hz\":48000.0,\"channels\":2,\"frames\":600000,"
      "\"valid\":true,\"problems\":[{\"kind\":\"silent_input\",\"channel\":\"right\",\"begin_s\":0.5,"
      "\"end_s\":1.25,\"text\":\"all zero\",\"while_captured\":true}],\"clock_offset_ppm\":-12.5},\n"
      " \"stimulus\":{\"level_dbfs\":-20.0},\n"
      " \"readings\":[\n"
      "  {\"quantity\":\"level\",\"channel\":\"left\",\"segment\":\"both\",\"state\":\"flat\","
      "\"freq_hz\":997.0,\"value\":-20.25,\"unit\":\"dBFS\",\"uncertainty\":0.0040000000000000001,"
      "\"validity\":\"valid\",\"verdict\":\"pass\"},\n"
      "  {\"quantity\":\"level\",\"channel\":\"right\",\"segment\":\"both\",\"state\":\"flat\","
      "\"value\":null,\"unit\":\"dBFS\",\"uncertainty\":null,\"validity\":\"no_signal\",\"why\":\"because\","
      "\"verdict\":null},\n"
      "  {\"quantity\":\"route\",\"channel\":\"left\",\"segment\":\"left\",\"state\":\"flat\","
      "\"value\":\"left\",\"unit\":\"\",\"uncertainty\":0.0,\"validity\":\"valid\",\"verdict\":null},\n"
      "  {\"quantity\":\"polarity\",\"channel\":\"left\",\"segment\":\"left\",\"state\":\"flat\","
      "\"value\":-1,\"unit\":\"\",\"uncertainty\":0.0,\"validity\":\"valid\",\"verdict\":null},\n"
      "  {\"quantity\":\"harmonic\",\"channel\":\"left\",\"segment\":\"both\",\"state\":\"flat\",\"order\":3,"
      "\"value\":-120.5,\"unit\":\"dB\",\"uncertainty\":1.0,\"validity\":\"rig_limited\",\"why\":\"because\","
      "\"verdict\":null},\n"
      "  {\"quantity\":\"hum\",\"channel\":\"ch3\",\"segment\":\"idle\",\"state\":\"flat\",\"mains_hz\":50.0,"
      "\"value\":-90.5,\"unit\":\"dBFS\",\"uncertainty\":0.5,\"validity\":\"valid\",\"verdict\":null}],\n"
      " \"curves\":[\n"
      "  {\"quantity\":\"response\",\"channel\":\"left\",\"segment\":\"sweep\",\"state\":\"flat\","
      "\"x_unit\":\"Hz\",\"y_unit\":\"dB\",\"bandwidth_hz\":5.25,\"validity\":\"valid\",\"x\":[20.0,997.0,"
      "20000.0],"
      "\"y\":[-0.25,0.0,0.10000000000000001],\"uncertainty\":[0.01,0.0,0.02]}],\n"
      " \"findings\":[\n"
      "  {\"id\":\"channel-silent\",\"channel\":\"right\",\"text\":\"a break\","
      "\"evidence\":[\"route: none\",\"level: no signal\"]}],\n"
      " \"judgements\":[\n"
      "  {\"quantity\":\"route\",\"channel\":\"right\",\"segment\":\"\",\"state\":\"\",\"value\":\"none\","
      "\"unit\":\"\",\"uncertainty\":0.0,\"uncertainty_unit\":\"\",\"min\":\"right\",\"max\":\"right\","
      "\"at_hz\":null,\"implied\":true,\"verdict\":\"fail\",\"text\":\"hears nothing\"},\n"
      "  {\"quantity\":\"thd_n\",\"channel\":\"left\",\"segment\":\"both\",\"state\":\"flat\",\"value\":0.01,"
      "\"unit\":\"%\",\"uncertainty\":0.5,\"uncertainty_unit\":\"dB\",\"min\":null,"
      "\"max\":0.10000000000000001,\"at_hz\":null,\"implied\":false,\"verdict\":\"pass\","
      "\"text\":\"0.01 %\"}],\n"
      " \"verdict\":\"fail\"}\n";
  mt_results *results = sample_results();
  mt_error err = {0};
  char *got = NULL;

  (void)state;
  assert_ok(mt_report_json(results, &got, &err), err);
  assert_string_equal(got, want);
  free(got);
  mt_results_destroy(&results);
}

static void what_was_not_judged_has_no_verdict_and_no_plan(void **state)
{
  mt_results *results = new_results();
  mt_error err = {0};
  char *got = NULL;

  (void)state;
  assert_ok(mt_report_json(results, &got, &err), err);
  assert_non_null(strstr(got, "\"plan\":null,"));
  assert_non_null(strstr(got, "\"clock_offset_ppm\":null"));
  assert_non_null(strstr(got, "\n \"verdict\":null}\n"));
  assert_null(strstr(got, "stimulus"));
  free(got);
  mt_results_destroy(&results);
}

static void no_nan_and_no_infinity_is_ever_written(void **state)
{
  static const double wrong[] = {(double)NAN, HUGE_VAL, -HUGE_VAL};
  mt_error err = {0};
  char *got = NULL;

  (void)state;
  for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
    for (int where = 0; where < 7; where++) {
      mt_results *r = sample_results();
      double *const places[] = {&r->readings[0].value,  &r->readings[4].uncertainty, &r->curves[0].y[1],
                                &r->clock_offset_ppm,   &r->problems[0].end_s,       &r->rate_hz,
                                &r->judgements[1].value};
      *places[where] = wrong[i];
      assert_int_equal(mt_report_json(r, &got, &err), MT_E_INTERNAL);
      assert_null(got);
      mt_results_destroy(&r);
    }
  }
}

static void a_nan_limit_and_a_word_that_is_none_are_refused(void **state)
{
  mt_error err = {0};
  char *got = NULL;
  mt_results *r = sample_results();

  (void)state;
  r->judgements[1].max = (double)NAN;
  assert_int_equal(mt_report_json(r, &got, &err), MT_E_INTERNAL);
  r->judgements[1].max = 0.1;
  r->readings[2].value = 0.5; /* route */
  assert_int_equal(mt_report_json(r, &got, &err), MT_E_INTERNAL);
  r->readings[2].value = 1.0;
  r->readings[3].value = 0.0; /* polarity */
  assert_int_equal(mt_report_json(r, &got, &err), MT_E_INTERNAL);
  assert_null(got);
  mt_results_destroy(&r);
}

static void bytes_that_are_not_utf8_become_utf8(void **state)
{
  mt_results *results = new_results();
  mt_results *back = NULL;
  mt_error err = {0};

  (void)state;
  mt_text_copy(results->file, sizeof results->file,
               "a\xff\xc3(\xed\xa0\x80\xf4\x90\x80\x80\xc0\xaf\x1b[2J\xe2\x82.wav");
  assert_ok(mt_report_write_json(results, path, &err), err);
  assert_ok(mt_report_read_json(path, &back, &err), err);
  /* one U+FFFD for each byte that begins nothing; the escape character survives as an escape of JSON */
#define BAD "\xef\xbf\xbd"
  assert_string_equal(back->file,
                      "a" BAD BAD "(" BAD BAD BAD BAD BAD BAD BAD BAD BAD "\x1b[2J" BAD BAD ".wav");
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

static void what_is_in_the_way_is_not_replaced(void **state)
{
  mt_results *results = sample_results();
  mt_error err = {0};
  char missing[96];
  struct stat there;

  (void)state;
  assert_int_equal(mt_report_write_json(results, "/dev/full", &err), MT_E_IO);
  assert_int_equal(stat("/dev/full", &there), 0);
  assert_true(S_ISCHR(there.st_mode));
  assert_ok(mt_report_write_json(results, "/dev/null", &err), err);
  assert_int_equal(mt_report_write_json(results, folder, &err), MT_E_CREATE);
  snprintf(missing, sizeof missing, "%s/missing/r.json", folder);
  assert_int_equal(mt_report_write_json(results, missing, &err), MT_E_CREATE);
  mt_results_destroy(&results);
}

/* ---- reading ---------------------------------------------------------------------------------- */

static void assert_same_json(const mt_results *a, const mt_results *b)
{
  char *text_a = NULL, *text_b = NULL;
  mt_error err = {0};
  assert_ok(mt_report_json(a, &text_a, &err), err);
  assert_ok(mt_report_json(b, &text_b, &err), err);
  assert_string_equal(text_a, text_b);
  free(text_a);
  free(text_b);
}

static void what_is_written_is_read_back(void **state)
{
  mt_results *results = sample_results();
  mt_results *back = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_report_write_json(results, path, &err), err);
  assert_ok(mt_report_read_json(path, &back, &err), err);
  assert_same_json(results, back);
  /* fields the text comparison could hide: what is written twice wrong is read twice wrong */
  assert_int_equal(back->nreadings, 6);
  assert_int_equal(back->readings[1].validity, MT_NO_SIGNAL);
  assert_string_equal(back->readings[1].why, "because");
  assert_near(back->readings[4].value, -120.5, 0.0, "dB");
  assert_int_equal(back->readings[4].order, 3);
  assert_int_equal(back->readings[5].channel, 2);
  assert_near(back->readings[2].value, MT_ROUTE_LEFT, 0.0, "");
  assert_near(back->readings[3].value, -1.0, 0.0, "");
  assert_true(isinf(back->judgements[1].min));
  assert_int_equal(back->judgements[1].unit, MT_UNIT_PERCENT);
  assert_true(back->judgements[0].implied);
  assert_int_equal(back->problems[0].kind, MT_PROBLEM_SILENT_INPUT);
  assert_true(back->problems[0].while_captured);
  assert_int_equal(back->nframes, 600000);
  assert_int_equal(back->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

/* What only some readings and curves have: a definition, a floor, an axis other than frequency, extras. */
static void definition_floor_and_axis_are_read_back(void **state)
{
  mt_results *results = new_results();
  mt_results *back = NULL;
  mt_error err = {0};
  double x[2] = {-80.0, -20.0}, y[2] = {-10.0, -70.0}, u[2] = {40.0, 0.25}, noise[2] = {-12.5, -90.0};
  mt_curve curve = {.quantity = MT_Q_THD_N,
                    .x_unit = MT_UNIT_DBFS,
                    .npoints = 2,
                    .x = x,
                    .y = y,
                    .uncertainty = u,
                    .floor = noise};
  mt_reading reading = {.quantity = MT_Q_IMD_MOD, .order = 2, .definition = "re f2", .value = -60.0};

  (void)state;
  results->is_stimulus = true;
  results->stimulus_extras = MT_EXTRA_LEVELS | MT_EXTRA_CROSSTALK;
  results->nruns = 3;
  results->is_followed = true;
  results->run_begin_s = 31.25;
  assert_ok(mt_results_add_curve(results, &curve, &err), err);
  assert_ok(mt_results_add_reading(results, &reading, &err), err);
  assert_ok(mt_report_write_json(results, path, &err), err);
  assert_ok(mt_report_read_json(path, &back, &err), err);
  assert_same_json(results, back);
  assert_int_equal(back->stimulus_extras, MT_EXTRA_LEVELS | MT_EXTRA_CROSSTALK);
  assert_int_equal(back->nruns, 3);
  assert_true(back->is_followed);
  assert_near(back->run_begin_s, 31.25, 0.0, "s");
  assert_string_equal(back->readings[0].definition, "re f2");
  assert_int_equal(back->curves[0].x_unit, MT_UNIT_DBFS);
  assert_near(back->curves[0].x[0], -80.0, 0.0, "dBFS");
  assert_near(back->curves[0].floor[1], -90.0, 0.0, "dB");
  noise[0] = NAN;
  assert_int_equal(mt_results_add_curve(results, &curve, &err), MT_E_INTERNAL);
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

static void a_rig_and_volts_are_read_back(void **state)
{
  mt_results *results = sample_results(), *back = NULL;
  char *text = NULL;
  mt_error err = {0};

  (void)state;
  results->readings[0].has_dbv = true;
  results->readings[0].dbv = -20.0;
  results->readings[0].dbv_uncertainty = 0.09;
  results->judgements[1].quantity = MT_Q_LEVEL;
  results->judgements[1].unit = MT_UNIT_VOLT;
  results->rig = (mt_rig_note){.name = "bench-48",
                               .made = "2026-03-14T15:09:26Z",
                               .has_volts = true,
                               .loop_applied = true,
                               .nlimited = 3,
                               .has_floor = {true, false},
                               .noise_dbfs = {-101.5, 0.0},
                               .has_played_dbv = true,
                               .played_dbv = -18.25,
                               .warnings = {"made 181 days ago"},
                               .nwarnings = 1};
  assert_ok(mt_report_json(results, &text, &err), err);
  assert_non_null(strstr(
      text, " \"rig\":{\"name\":\"bench-48\",\"made\":\"2026-03-14T15:09:26Z\",\"volts_known\":true,"
            "\"loop_applied\":true,\"recorded_by_unit\":false,\"limited_readings\":3,\"played_dbv\":-18.25,"
            "\"noise_dbfs\":{\"left\":-101.5},\"warnings\":[\"made 181 days ago\"]},\n"));
  /* a tenth of a volt, with all the digits of a double */
  assert_non_null(strstr(text, "\"volt\":0.1"));
  assert_non_null(strstr(text, ",\"dbv\":-20.0,\"dbu\":-17.7815125038364"));
  assert_non_null(strstr(text, ",\"dbv_uncertainty\":0.08"));
  /* the uncertainty of a voltage is a ratio */
  assert_non_null(strstr(text, "\"unit\":\"V\",\"uncertainty\":0.5,\"uncertainty_unit\":\"dB\""));
  free(text);
  assert_ok(mt_report_write_json(results, path, &err), err);
  assert_ok(mt_report_read_json(path, &back, &err), err);
  assert_same_json(results, back);
  assert_true(back->readings[0].has_dbv && !back->readings[2].has_dbv);
  assert_near(back->readings[0].dbv, -20.0, 0.0, "dBV");
  assert_near(back->readings[0].dbv_uncertainty, 0.09, 0.0, "dB");
  assert_string_equal(back->rig.name, "bench-48");
  assert_true(back->rig.has_floor[0] && !back->rig.has_floor[1] && back->rig.has_volts);
  assert_near(back->rig.noise_dbfs[0], -101.5, 0.0, "dBFS");
  assert_near(back->rig.played_dbv, -18.25, 0.0, "dBV");
  assert_int_equal(back->rig.nlimited, 3);
  assert_int_equal(back->rig.nwarnings, 1);
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

/* Two states, one of them skipped, what changed, what was seen by hand. */
static mt_results *sample_of_several(void)
{
  mt_results *results = new_results(), *flat = sample_results(), *lift = sample_results();
  mt_take_summary skipped = {.state = "pad", .skipped = true};
  mt_change change = {.quantity = MT_Q_NOISE_A,
                      .channel = MT_LEFT,
                      .segment = "idle",
                      .state = "lift",
                      .reference = "flat",
                      .value = -90.5,
                      .reference_value = -95.25,
                      .difference = 4.75,
                      .uncertainty = 0.5,
                      .significant = true};
  mt_change swap = {.quantity = MT_Q_ROUTE,
                    .channel = MT_LEFT,
                    .state = "lift",
                    .reference = "flat",
                    .value = MT_ROUTE_RIGHT,
                    .reference_value = MT_ROUTE_LEFT,
                    .significant = true};
  mt_answer volts = {.ask = "supply voltage",
                     .is_number = true,
                     .unit = "V",
                     .answered = true,
                     .value = 4.98,
                     .uncertainty = 0.02,
                     .min = 4.75,
                     .max = HUGE_VAL,
                     .verdict = MT_VERDICT_PASS,
                     .text = "fine"};
  mt_answer lamp = {.ask = "lamp lit",
                    .answered = true,
                    .yes = false,
                    .expect = 1,
                    .verdict = MT_VERDICT_FAIL,
                    .text = "not"};
  mt_answer knob = {.ask = "knob smooth", .min = -HUGE_VAL, .max = HUGE_VAL};
  mt_error err = {0};

  lift->valid = false;
  lift->curves[0].has_reference = true;
  lift->curves[0].reference_db = -0.125;
  lift->curves[0].reference_uncertainty_db = 0.0625;
  lift->stimulus_parts = MT_PARTS_RESPONSE;
  assert_ok(mt_results_add_results(results, flat, "flat", &err), err);
  assert_ok(mt_results_add_take(results, &skipped, &err), err);
  assert_ok(mt_results_add_results(results, lift, "lift", &err), err);
  assert_ok(mt_results_add_change(results, &change, &err), err);
  assert_ok(mt_results_add_change(results, &swap, &err), err);
  assert_ok(mt_results_add_answer(results, &volts, &err), err);
  assert_ok(mt_results_add_answer(results, &lamp, &err), err);
  assert_ok(mt_results_add_answer(results, &knob, &err), err);
  mt_results_destroy(&flat);
  mt_results_destroy(&lift);
  return results;
}

static void several_takes_survive_a_file(void **state)
{
  mt_results *results = sample_of_several(), *back = NULL;
  char *before = NULL, *after = NULL;
  mt_error err = {0};
  (void)state;
  assert_false(results->valid);
  assert_int_equal(results->nproblems, 2);
  assert_true(mt_results_is_spoilt(results, "lift") && !mt_results_is_spoilt(results, "flat"));
  assert_ok(mt_report_json(results, &before, &err), err);
  assert_ok(read_text(before, &back, &err), err);
  assert_ok(mt_report_json(back, &after, &err), err);
  assert_string_equal(before, after);
  assert_int_equal(back->ntakes, 3);
  assert_int_equal(back->nproblems, 2);
  assert_string_equal(back->problems[1].state, "lift");
  assert_true(back->takes[1].skipped && back->takes[2].parts == MT_PARTS_RESPONSE);
  assert_near(back->curves[1].reference_db, -0.125, 0.0, "dB");
  assert_true(back->answers[2].answered == false && isinf(back->answers[0].max));
  assert_non_null(strstr(before, "\"by_hand\":["));
  assert_non_null(strstr(before, "\"compared_with\":\"flat\""));
  free(before);
  free(after);
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

static void every_double_survives_bit_for_bit(void **state)
{
  mt_results *results = new_results();
  mt_results *back = NULL;
  mt_error err = {0};
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(20251));
  for (int i = 0; i < 2000; i++) {
    double value = ldexp(mt_random_uniform(&random) - 0.5, (int)(mt_random_bits(&random) % 200) - 100);
    add_reading(results, MT_Q_GAIN, MT_LEFT, "both", value, fabs(value) / 3.0, MT_VALID);
  }
  assert_ok(mt_report_write_json(results, path, &err), err);
  assert_ok(mt_report_read_json(path, &back, &err), err);
  assert_int_equal(back->nreadings, results->nreadings);
  for (size_t i = 0; i < results->nreadings; i++) {
    assert_memory_equal(&back->readings[i].value, &results->readings[i].value, sizeof(double));
    assert_memory_equal(&back->readings[i].uncertainty, &results->readings[i].uncertainty, sizeof(double));
  }
  mt_results_destroy(&results);
  mt_results_destroy(&back);
}

#define HEAD                                                                                                 \
  "{\"format\":\"mendtone-results\",\"format_version\":1,\"take\":{\"rate_hz\":48000,\"channels\":2,"        \
  "\"frames\":5,\"valid\":true},"

static void what_a_newer_version_adds_is_passed_over(void **state)
{
  mt_results *back = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(read_text(HEAD "\"colour\":{\"a\":[1]},\"readings\":["
                           "{\"quantity\":\"warmth\",\"channel\":\"left\",\"value\":1,\"unit\":\"lumen\"},"
                           "{\"quantity\":\"level\",\"channel\":\"left\",\"value\":1.5,\"unit\":\"dBV\","
                           "\"uncertainty\":0.1,\"validity\":\"valid\"},"
                           "{\"quantity\":\"level\",\"channel\":\"left\",\"value\":-1.5,\"unit\":\"dBFS\","
                           "\"uncertainty\":0.1,\"validity\":\"valid\",\"mood\":\"good\"}],"
                           "\"curves\":[{\"quantity\":\"glow\",\"y_unit\":\"dB\"}]}",
                      &back, &err),
            err);
  assert_int_equal(back->nreadings, 1);
  assert_near(back->readings[0].value, -1.5, 0.0, "dBFS");
  assert_int_equal(back->ncurves, 0);
  mt_results_destroy(&back);
}

static void damage_is_named_in_one_line(void **state)
{
  static const struct {
    const char *text;
    const char *says;
  } cases[] = {
      {"", "is empty"},
      {"{\"format\":", "not JSON"},
      {"[1,2]", "not results of mendtone"},
      {"{\"format\":\"other\"}", "not results of mendtone"},
      {"{\"format\":\"mendtone-results\",\"format_version\":2}", "format_version is 2"},
      {"{\"format\":\"mendtone-results\",\"format_version\":\"1\"}", "format_version"},
      {"{\"format\":\"mendtone-results\",\"format_version\":1}", "\"take\""},
      {HEAD "\"verdict\":null}", "\"readings\""},
      {HEAD "\"readings\":{}}", "\"readings\""},
      {HEAD "\"readings\":[3]}", "record 1"},
      {HEAD "\"readings\":[{\"quantity\":\"level\"}]}", "\"unit\""},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"top\"}]}", "\"channel\""},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":null,\"uncertainty\":0}]}",
       "\"value\""},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":1e999,\"uncertainty\":0}]}",
       "not JSON"},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":1,\"uncertainty\":-0.5}]}",
       "\"uncertainty\""},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"left\","
            "\"validity\":\"fine\",\"value\":1,\"uncertainty\":0}]}",
       "\"validity\""},
      {HEAD "\"readings\":[{\"quantity\":\"route\",\"unit\":\"\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":1,\"uncertainty\":0}]}",
       "\"value\""},
      {HEAD "\"readings\":[{\"quantity\":\"polarity\",\"unit\":\"\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":0.5,\"uncertainty\":0}]}",
       "\"value\""},
      {HEAD "\"readings\":[],\"curves\":[{\"quantity\":\"response\",\"y_unit\":\"dB\",\"channel\":\"left\","
            "\"x\":[1,2],\"y\":[1],\"uncertainty\":[0,0]}]}",
       "\"y\""},
      {HEAD "\"readings\":[],\"curves\":[{\"quantity\":\"response\",\"y_unit\":\"dB\",\"channel\":\"left\","
            "\"x\":[2,1],\"y\":[1,1],\"uncertainty\":[0,0]}]}",
       "ascending"},
      {HEAD "\"readings\":[{\"quantity\":\"level\",\"unit\":\"dBFS\",\"channel\":\"left\","
            "\"validity\":\"valid\",\"value\":1,\"uncertainty\":0,\"dbv\":\"loud\"}]}",
       "\"dbv\""},
      {HEAD "\"readings\":[],\"rig\":7}", "\"rig\""},
      {HEAD "\"readings\":[],\"rig\":{\"name\":\"a\",\"volts_known\":1}}", "\"volts_known\""},
      {HEAD "\"readings\":[],\"verdict\":\"perhaps\"}", "\"verdict\""},
      {HEAD "\"readings\":[],\"readings\":[]}", "not JSON"},
  };

  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_results *back = NULL;
    mt_error err = {0};
    assert_int_equal(read_text(cases[i].text, &back, &err), MT_E_DATA);
    assert_null(back);
    if (strstr(err.message, cases[i].says) == NULL || strchr(err.message, '\n') != NULL)
      fail_msg("case %zu says: %s", i, err.message);
  }
}

static void a_missing_file_and_a_folder_are_no_input(void **state)
{
  mt_results *back = NULL;
  mt_error err = {0};

  (void)state;
  assert_int_equal(mt_report_read_json("/nowhere/results.json", &back, &err), MT_E_NO_INPUT);
  assert_int_equal(mt_report_read_json(folder, &back, &err), MT_E_NO_INPUT);
}

/* A reader may refuse or accept damaged bytes, but what it accepts must be whole. */
static void try_damaged(const char *text, size_t size)
{
  mt_results *back = NULL;
  mt_error err = {0};
  char *again = NULL;
  mt_code code;

  write_bytes(text, size);
  code = mt_report_read_json(path, &back, &err);
  if (code == MT_OK) {
    FILE *sink = fopen("/dev/null", "w");
    assert_ok(mt_report_json(back, &again, &err), err);
    assert_ok(mt_report_text(back, sink, &err), err);
    fclose(sink);
    free(again);
    mt_results_destroy(&back);
  } else {
    assert_int_equal(code, MT_E_DATA);
    assert_null(back);
    assert_true(err.message[0] != '\0');
  }
}

static void damaged_bytes_never_crash_the_reader(void **state)
{
  mt_results *results = sample_results();
  mt_error err = {0};
  mt_random random;
  char *text = NULL;
  char *copy;
  size_t size;

  (void)state;
  mt_random_init(&random, support_seed(20252));
  assert_ok(mt_report_json(results, &text, &err), err);
  size = strlen(text);
  copy = malloc(size + 1);
  for (size_t cut = 0; cut < size; cut += 7)
    try_damaged(text, cut);
  for (int i = 0; i < 1500; i++) {
    memcpy(copy, text, size + 1);
    for (uint64_t k = 1 + mt_random_bits(&random) % 3; k > 0; k--) {
      static const char bytes[] = "0123456789{}[]\",:-.etrufalsn\\ \x80\xff";
      copy[mt_random_bits(&random) % size] = bytes[mt_random_bits(&random) % (sizeof bytes - 1)];
    }
    try_damaged(copy, size);
  }
  free(copy);
  free(text);
  mt_results_destroy(&results);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_field_stands_where_the_format_says),
      cmocka_unit_test(what_was_not_judged_has_no_verdict_and_no_plan),
      cmocka_unit_test(no_nan_and_no_infinity_is_ever_written),
      cmocka_unit_test(a_nan_limit_and_a_word_that_is_none_are_refused),
      cmocka_unit_test(bytes_that_are_not_utf8_become_utf8),
      cmocka_unit_test(what_is_in_the_way_is_not_replaced),
      cmocka_unit_test(what_is_written_is_read_back),
      cmocka_unit_test(definition_floor_and_axis_are_read_back),
      cmocka_unit_test(a_rig_and_volts_are_read_back),
      cmocka_unit_test(several_takes_survive_a_file),
      cmocka_unit_test(every_double_survives_bit_for_bit),
      cmocka_unit_test(what_a_newer_version_adds_is_passed_over),
      cmocka_unit_test(damage_is_named_in_one_line),
      cmocka_unit_test(a_missing_file_and_a_folder_are_no_input),
      cmocka_unit_test(damaged_bytes_never_crash_the_reader),
  };
  return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
