/* A rig: calibration arithmetic, its file, and what it makes of results. */
#include "support.h"

#include "base/decibel.h"
#include "base/random.h"
#include "base/text.h"

#include <mendtone/plan.h>
#include <mendtone/rig.h>

#include <sys/stat.h>
#include <unistd.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* ---- published values ------------------------------------------------------------------------------ */

static void line_levels_are_as_published(void **state)
{
  /* 0 dBu is 1 mW in 600 ohm; consumer -10 dBV and professional +4 dBu: published line-level conventions */
  static const struct {
    double volts, dbv, dbu;
  } rows[] = {{1.0, 0.0, 2.2185},
              {0.774597, -2.2185, 0.0},
              {0.316228, -10.0, -7.7815},
              {1.227653, 1.7815, 4.0},
              {2.0, 6.0206, 8.2391}};
  double got = 0.0;
  (void)state;

  for (size_t i = 0; i < COUNT(rows); i++) {
    /* the table's four decimals */
    assert_true(mt_unit_convert(rows[i].volts, MT_UNIT_VOLT, MT_UNIT_DBV, &got));
    assert_near(got, rows[i].dbv, 1e-4, "dBV");
    assert_true(mt_unit_convert(rows[i].volts, MT_UNIT_VOLT, MT_UNIT_DBU, &got));
    assert_near(got, rows[i].dbu, 1e-4, "dBu");
    assert_true(mt_unit_convert(rows[i].dbu, MT_UNIT_DBU, MT_UNIT_VOLT, &got));
    assert_near(got, rows[i].volts, 2e-5 * rows[i].volts, "V");
    assert_true(mt_unit_convert(rows[i].dbu, MT_UNIT_DBU, MT_UNIT_DBV, &got));
    assert_near(got, rows[i].dbv, 1e-4, "dBV");
  }
  assert_false(mt_unit_convert(0.0, MT_UNIT_VOLT, MT_UNIT_DBU, &got));
  assert_false(mt_unit_convert(1.0, MT_UNIT_DBFS, MT_UNIT_DBV, &got));
}

static void a_meters_accuracy_is_a_limit_and_its_last_digit_is_rounded(void **state)
{
  mt_rig_value v = {0};
  mt_error err = {0};
  (void)state;

  /* common practice, no source: 3 digits of 1 mV at 0.100 V are 3 %; JCGM 100:2008 4.3.7: a / sqrt(3) */
  assert_ok(mt_rig_read_meter(&(mt_meter){0.0, 3.0, 0.001}, 0.100, &v, &err), err);
  assert_near(v.uncertainty, 2.0 * sqrt(0.003 * 0.003 / 3.0 + 1e-6 / 12.0), 1e-12, "V");
  /* JCGM 100:2008 F.2.2.1: a resolution of d has u = 0.29 d */
  assert_ok(mt_rig_read_meter(&(mt_meter){0.0, 0.0, 0.01}, 1.0, &v, &err), err);
  assert_near(v.uncertainty / 2.0, 0.0029, 0.00005, "V");
  assert_ok(mt_rig_read_meter(&(mt_meter){1.0, 0.0, 0.0}, 2.0, &v, &err), err);
  assert_near(v.uncertainty, 2.0 * 0.02 / sqrt(3.0), 1e-12, "V");
  assert_int_equal(mt_rig_read_meter(&(mt_meter){-1.0, 0.0, 0.0}, 2.0, &v, &err), MT_E_ARG);
  assert_int_equal(mt_rig_read_meter(&(mt_meter){1.0, 0.0, (double)NAN}, 2.0, &v, &err), MT_E_ARG);
  assert_int_equal(mt_rig_read_meter(&(mt_meter){1.0, 0.0, 0.0}, 0.0, &v, &err), MT_E_ARG);
  assert_true(mt_rig_is_plausible(0.01) && mt_rig_is_plausible(20.0));
  assert_false(mt_rig_is_plausible(913.0) || mt_rig_is_plausible(0.0009) || mt_rig_is_plausible((double)NAN));
}

static mt_rig *new_rig(void)
{
  mt_rig *rig = NULL;
  mt_error err = {0};
  assert_ok(mt_rig_create(&rig, &err), err);
  mt_text_copy(rig->name, sizeof rig->name, "bench");
  mt_text_copy(rig->made, sizeof rig->made, "2026-03-14T15:09:26Z");
  mt_text_copy(rig->input.device, sizeof rig->input.device, "Two-channel box (hw:1,0)");
  mt_text_copy(rig->input.host_api, sizeof rig->input.host_api, "ALSA");
  rig->output = rig->input;
  rig->rate_hz = 48000.0;
  rig->tone_hz = 80.0;
  rig->tone_dbfs = -12.0;
  rig->meter = (mt_meter){0.8, 3.0, 0.001};
  rig->loop_level_dbfs = -20.0;
  return rig;
}

static mt_rig_value known(double value, double uncertainty)
{
  return (mt_rig_value){true, false, value, uncertainty};
}

static void volts_at_a_level_become_full_scale(void **state)
{
  mt_rig *rig = new_rig();
  const mt_rig_channel *c = &rig->channel[0];
  (void)state;

  /* 1 V at -12.0412 dBFS (a quarter) is 4 V at full scale; captured at -6.0206 dBFS (half) it is 2 V */
  rig->tone_dbfs = mt_db_of_ratio(0.25);
  mt_rig_calibrate(rig, 0, known(1.0, 0.01), known(mt_db_of_ratio(0.5), 0.0));
  assert_near(c->output_full_v.value, 4.0, 1e-12, "V");
  assert_near(c->output_full_v.uncertainty, 0.04, 1e-12, "V");
  assert_near(c->input_full_v.value, 2.0, 1e-12, "V");
  assert_near(c->input_full_v.uncertainty, 0.02, 1e-12, "V");
  free(rig);
}

static void an_open_output_is_loaded_as_published(void **state)
{
  /* level drop from open to loaded, dB: Ohm's law, as tabulated in handbooks for 16, 32 and 300 ohm */
  static const struct {
    double source, load, drop_db;
  } rows[] = {{0.1, 16, .054},  {0.1, 300, .003},  {1, 32, .267},     {2, 16, 1.023},
              {10, 16, 4.217},  {10, 32, 2.362},   {10, 300, .285},   {33, 32, 6.155},
              {75, 300, 1.938}, {120, 16, 18.588}, {120, 32, 13.534}, {120, 300, 2.923}};
  (void)state;

  for (size_t i = 0; i < COUNT(rows); i++) {
    mt_rig *rig = new_rig();
    const mt_rig_value *full = &rig->channel[0].output_full_v;
    double want = mt_ratio_of_db(-rows[i].drop_db);
    rig->tone_dbfs = 0.0;
    rig->output.ohm = rows[i].source;
    rig->input.ohm = rows[i].load;
    mt_rig_calibrate(rig, 0, known(1.0, 0.0), (mt_rig_value){.known = false});
    assert_false(rig->channel[0].input_full_v.known);
    /* the impedances are trusted to 10 % each: the interval holds it, and is not wider than they make it */
    assert_near(full->value, want, full->uncertainty + 1e-4, "V");
    assert_between(full->uncertainty, 0.0, 0.2 * (1.0 - want) * want * 1.3 + 1e-4, "V");
    free(rig);
  }
  /* 10 ohm: 0.967742 on 300 ohm, 0.761905 on 32 ohm */
  assert_near(mt_ratio_of_db(-0.285), 0.967742, 1e-4, "V");
  assert_near(mt_ratio_of_db(-2.362), 0.761905, 1e-4, "V");
}

static void unknown_impedances_are_those_of_line_sockets(void **state)
{
  mt_rig *rig = new_rig();
  const mt_rig_value *full = &rig->channel[0].output_full_v;
  (void)state;

  /* IEC 61938: 2.2 kohm at most into 22 kohm at least leave 1 / 1.1 at least: uniform from there to 1 */
  rig->tone_dbfs = 0.0;
  mt_rig_calibrate(rig, 0, known(1.0, 0.0), (mt_rig_value){.known = false});
  assert_near(full->value, 0.5 * (1.0 + 1.0 / 1.1), 1e-12, "V");
  assert_near(full->uncertainty, (1.0 - 1.0 / 1.1) / sqrt(3.0), 1e-12, "V");
  free(rig);
}

/* ---- rigs calibrated by a meter that errs ---------------------------------------------------------- */

typedef struct tally {
  size_t n, inside;
  double sum_square; /* of the error over its standard uncertainty */
} tally;

static void count(tally *t, const mt_rig_value *v, double truth)
{
  double ratio = (v->value - truth) / (0.5 * v->uncertainty);
  t->n++;
  t->inside += fabs(ratio) <= 2.0;
  t->sum_square += ratio * ratio;
}

/* One random rig: true full scales, a meter with its specification, a tone and what the input makes of it. */
static void calibrate_at_random(mt_random *random, bool errs_in_parts, tally *out, tally *in)
{
  mt_rig *rig = new_rig();
  double output_v = 0.3 * pow(10.0, 1.2 * mt_random_uniform(random));
  double input_v = 0.3 * pow(10.0, 1.2 * mt_random_uniform(random));
  double level_u = 0.02 * mt_random_uniform(random), volts, error, captured;
  mt_rig_value reading;
  mt_error err = {0};

  rig->tone_dbfs = -1.0 - 9.0 * mt_random_uniform(random);
  volts = output_v * mt_ratio_of_db(rig->tone_dbfs);
  /* nobody reads tenths of a volt on a range of hundredths */
  rig->meter = (mt_meter){0.1 + 2.9 * mt_random_uniform(random), floor(10.0 * mt_random_uniform(random)),
                          volts > 1.0 && mt_random_uniform(random) < 0.5 ? 0.01 : 0.001};
  captured = mt_db_of_ratio(volts / input_v);
  /* within its specification in one, or gain and zero each within theirs; and the last digit is rounded */
  if (errs_in_parts)
    error = volts * rig->meter.percent / 100.0 * (2.0 * mt_random_uniform(random) - 1.0) +
            rig->meter.digits * rig->meter.step_v * (2.0 * mt_random_uniform(random) - 1.0);
  else
    error = (volts * rig->meter.percent / 100.0 + rig->meter.digits * rig->meter.step_v) *
            (2.0 * mt_random_uniform(random) - 1.0);
  volts = round((volts + error) / rig->meter.step_v) * rig->meter.step_v;
  if (mt_rig_is_plausible(volts)) {
    assert_ok(mt_rig_read_meter(&rig->meter, volts, &reading, &err), err);
    mt_rig_calibrate(rig, 0, reading, known(captured + 0.5 * level_u * mt_random_normal(random), level_u));
    count(out, &rig->channel[0].output_full_v, output_v);
    count(in, &rig->channel[0].input_full_v, input_v);
  }
  free(rig);
}

static void intervals_of_random_rigs_hold_the_truth(void **state)
{
  mt_random random;
  (void)state;

  mt_random_init(&random, support_seed(20261125));
  for (int errs_in_parts = 0; errs_in_parts < 2; errs_in_parts++) {
    tally out = {0}, in = {0};
    for (int i = 0; i < 4000; i++)
      calibrate_at_random(&random, errs_in_parts, &out, &in);
    print_message(
        "%zu rigs, errors %s: output held %.2f %%, input %.2f %%; mean square error over u^2 %.3f, %.3f\n",
        out.n, errs_in_parts ? "in parts" : "in one", 100.0 * (double)out.inside / (double)out.n,
        100.0 * (double)in.inside / (double)in.n, out.sum_square / (double)out.n,
        in.sum_square / (double)in.n);
    assert_true(out.n >= 500 && in.n >= 500);
    /* k = 2 of a normal distribution holds 95.4 %; of a uniform one, which these mostly are, all of it */
    assert_between((double)out.inside / (double)out.n, 0.95, 1.0, "share");
    assert_between((double)in.inside / (double)in.n, 0.95, 1.0, "share");
    /* nor may they be wide for safety: where the error fills its limit evenly, u is its standard deviation. The
       fourth moment of a uniform error is 1.8: 0.014 is one standard deviation of this mean over 4000. Limits of up
       to 12 % of the reading bend it by about their square, 0.01 */
    if (!errs_in_parts) {
      assert_near(out.sum_square / (double)out.n, 1.0, 0.06, "");
      assert_near(in.sum_square / (double)in.n, 1.0, 0.06, "");
    }
  }
}

/* ---- the response between input and output --------------------------------------------------------- */

static void give_response(mt_rig_channel *c, const double *freq_hz, const double *db, size_t n)
{
  c->npoints = n;
  for (size_t i = 0; i < n; i++) {
    c->freq_hz[i] = freq_hz[i];
    c->response_db[i] = db[i];
    c->uncertainty_db[i] = 0.01;
  }
}

static void a_response_is_shared_between_input_and_output(void **state)
{
  static const double freq_hz[] = {20.0, 80.0, 997.0, 20000.0}, db[] = {-2.0, -0.4, 0.0, -1.0};
  mt_rig *rig = new_rig();
  double dbv = 0.0, u = 0.0, out_dbv = 0.0;
  (void)state;

  give_response(&rig->channel[0], freq_hz, db, COUNT(db));
  rig->channel[0].input_full_v = known(1.0, 0.01);
  rig->channel[0].output_full_v = known(2.0, 0.02);
  assert_true(mt_rig_input_dbv(rig, 0, 80.0, &dbv, &u));
  assert_near(dbv, 0.0, 1e-12, "dBV");
  assert_near(u, 20.0 * log10(1.01), 1e-12, "dB");
  /* from 80 Hz to 997 Hz the loop gains 0.4 dB: if the input did it all, its full scale is 0.4 dB less, else none */
  assert_true(mt_rig_input_dbv(rig, 0, 997.0, &dbv, &u));
  assert_near(dbv, -0.2, 1e-12, "dBV");
  assert_near(u, sqrt(pow(20.0 * log10(1.01), 2) + pow(0.2 * 2.0 / sqrt(3.0), 2) + 0.5 * 0.01 * 0.01), 1e-9,
              "dB");
  assert_true(mt_rig_output_dbv(rig, 0, 997.0, &out_dbv, &u));
  assert_near(out_dbv, 20.0 * log10(2.0) + 0.2, 1e-12, "dBV");
  assert_false(mt_rig_input_dbv(rig, 0, 30000.0, &dbv, &u));
  assert_false(mt_rig_input_dbv(rig, 1, 997.0, &dbv, &u));
  free(rig);
}

/* ---- the file -------------------------------------------------------------------------------------- */

static void fill_at_random(mt_rig *rig, mt_random *random)
{
  rig->input.ohm = 1e4;
  rig->load_ohm = 33.0;
  rig->was_loaded = true;
  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    mt_rig_channel *ch = &rig->channel[c];
    ch->meter_v = known(0.1 + mt_random_uniform(random), 0.001);
    ch->input_full_v = known(0.1 + mt_random_uniform(random), 0.001);
    ch->output_full_v = known(0.1 + mt_random_uniform(random), 0.001);
    ch->gain_db = known(mt_random_normal(random), 0.01);
    ch->level_dbfs = known(-20.0 + mt_random_normal(random), 0.01);
    ch->noise_dbfs = known(-100.0 - mt_random_uniform(random), 0.1);
    ch->noise_a_dbfs = known(-102.0, 0.1);
    ch->rest_dbfs = known(-99.0, 0.1);
    ch->thd_n_db = known(-80.0, 0.1);
    ch->thd_db = (mt_rig_value){true, true, -120.0, 0.0};
    ch->harmonic_db[2] = known(-123.4567891, 0.5);
    ch->harmonic_db[10] = known(-130.0, 0.5);
    ch->imd_db[0] = known(-121.5, 0.5);
    ch->imd_db[MT_RIG_PRODUCTS - 1] = known(-122.5, 0.5);
    ch->npoints = 240;
    for (size_t i = 0; i < ch->npoints; i++) {
      ch->freq_hz[i] = 10.0 * pow(10.0, (double)i / 80.0);
      ch->response_db[i] = mt_random_normal(random);
      ch->uncertainty_db[i] = 0.01 * mt_random_uniform(random);
    }
  }
}

static void assert_same_value(const mt_rig_value *a, const mt_rig_value *b)
{
  assert_int_equal(a->known, b->known);
  assert_int_equal(a->is_bound, b->is_bound);
  if (!a->known)
    return;
  assert_near(a->value, b->value, 1e-9 * fabs(b->value), ""); /* ten digits are written */
  assert_near(a->uncertainty, b->uncertainty, 1e-3 * b->uncertainty, "");
}

static void assert_same_channel(const mt_rig_channel *a, const mt_rig_channel *b)
{
  assert_same_value(&a->meter_v, &b->meter_v);
  assert_same_value(&a->input_full_v, &b->input_full_v);
  assert_same_value(&a->output_full_v, &b->output_full_v);
  assert_same_value(&a->gain_db, &b->gain_db);
  assert_same_value(&a->noise_dbfs, &b->noise_dbfs);
  assert_same_value(&a->noise_a_dbfs, &b->noise_a_dbfs);
  assert_same_value(&a->noise_ccir_dbfs, &b->noise_ccir_dbfs);
  assert_same_value(&a->thd_db, &b->thd_db);
  assert_same_value(&a->harmonic_db[2], &b->harmonic_db[2]);
  assert_same_value(&a->harmonic_db[10], &b->harmonic_db[10]);
  assert_same_value(&a->imd_db[0], &b->imd_db[0]);
  assert_same_value(&a->imd_db[MT_RIG_PRODUCTS - 1], &b->imd_db[MT_RIG_PRODUCTS - 1]);
  assert_int_equal(a->npoints, b->npoints);
  for (size_t i = 0; i < a->npoints; i++) {
    assert_near(a->freq_hz[i], b->freq_hz[i], 1e-9 * b->freq_hz[i], "Hz");
    assert_near(a->response_db[i], b->response_db[i], 1e-7 * (1.0 + fabs(b->response_db[i])), "dB");
    assert_near(a->uncertainty_db[i], b->uncertainty_db[i], 1e-3 * b->uncertainty_db[i], "dB");
  }
}

static void a_rig_comes_back_from_its_file(void **state)
{
  mt_rig *rig = new_rig(), *back = NULL;
  mt_random random;
  char *text = NULL;
  mt_error err = {0};
  (void)state;

  mt_random_init(&random, support_seed(31));
  fill_at_random(rig, &random);
  mt_text_copy(rig->input.device, sizeof rig->input.device, "Bo\"x\\ \xc3\xa9\n@include \"x\"");
  assert_ok(mt_rig_print(rig, &text, &err), err);
  assert_ok(mt_rig_parse(text, "bench.cfg", &back, &err), err);
  assert_string_equal(back->name, rig->name);
  assert_string_equal(back->made, rig->made);
  assert_string_equal(back->input.device, rig->input.device);
  assert_string_equal(back->output.host_api, "ALSA");
  assert_near(back->input.ohm, 1e4, 0.0, "ohm");
  assert_near(back->load_ohm, 33.0, 0.0, "ohm");
  assert_near(back->rate_hz, 48000.0, 0.0, "Hz");
  assert_near(back->max_age_days, 180.0, 0.0, "days");
  assert_near(back->meter.percent, 0.8, 1e-12, "%");
  assert_true(back->was_loaded);
  for (int c = 0; c < MT_RIG_CHANNELS; c++)
    assert_same_channel(&back->channel[c], &rig->channel[c]);
  rig->channel[1].noise_dbfs.value = (double)NAN;
  free(text);
  text = NULL;
  assert_int_equal(mt_rig_print(rig, &text, &err), MT_E_INTERNAL);
  assert_null(text);
  free(rig);
  free(back);
}

/* The file with one line changed: `line` is replaced by `by`. */
static char *damage(const char *text, const char *line, const char *by)
{
  const char *at = strstr(text, line);
  size_t size = strlen(text) + strlen(by) + 1;
  char *out = malloc(size);

  assert_non_null(at);
  assert_non_null(out);
  snprintf(out, size, "%.*s%s%s", (int)(at - text), text, by, at + strlen(line));
  return out;
}

static void damage_is_named_with_file_and_line(void **state)
{
  static const struct {
    const char *line, *by, *message;
  } rows[] = {
      {"format = \"mendtone-rig\"", "format = \"plan\"", "not a rig of mendtone"},
      {"format_version = 1", "format_version = 2", ":4: format_version is 2, this mendtone reads up to 1"},
      {"max_age_days", "max_age_dayz", ":7: unknown key \"max_age_dayz\"; did you mean \"max_age_days\"?"},
      {"\"2026-03-14T15:09:26Z\"", "\"yesterday\"", ":6: made is \"yesterday\"; expected a date like"},
      {"rate_hz = 48000.0", "rate_hz = 48.0", ":13: rate_hz is 48; expected 8000 to 384000"},
      {"rate_hz = 48000.0;", "", "there is no rate_hz"},
      {"noise_dbfs = ( ", "noise_dbfs = ( \"low\", ", "the third of noise_dbfs is not \"bound\""},
      {"noise_dbfs = ( -", "noise_dbfs = ( ", "noise_dbfs is 100"},
      {"percent = 0.8", "percent = \"0.8\"", "percent is not a number"},
      {"loop = {", "loops = {", "unknown key \"loops\"; did you mean \"loop\"?"},
      {"freq_hz = (", "freq_hz = ( 1e5,", "freq_hz is not ascending"},
      {"response_db = (", "response_db = ( 1.0,", "response_db is not a list as long as freq_hz (240"},
      {"response_u_db", "response_dbx", "unknown key \"response_dbx\""},
      {"loaded = true", "loaded = 1", "loaded is not a switch"},
      {"calibration = {", "calibration = {{", "syntax error"},
  };
  mt_rig *rig = new_rig(), *back = NULL;
  mt_random random;
  char *text = NULL;
  mt_error err = {0};
  (void)state;

  mt_random_init(&random, 3);
  fill_at_random(rig, &random);
  assert_ok(mt_rig_print(rig, &text, &err), err);
  for (size_t i = 0; i < COUNT(rows); i++) {
    char *damaged = damage(text, rows[i].line, rows[i].by);
    assert_int_equal(mt_rig_parse(damaged, "bench.cfg", &back, &err), MT_E_PLAN);
    assert_null(back);
    if (strncmp(err.message, "bench.cfg:", 10) != 0 || strstr(err.message, rows[i].message) == NULL)
      fail_msg("row %zu: \"%s\" does not say \"%s\"", i, err.message, rows[i].message);
    free(damaged);
  }
  free(text);
  free(rig);
}

static void a_file_cut_anywhere_is_refused_or_whole(void **state)
{
  mt_rig *rig = new_rig();
  mt_random random;
  char *text = NULL;
  mt_error err = {0};
  size_t length, refused = 0;
  (void)state;

  mt_random_init(&random, 4);
  fill_at_random(rig, &random);
  assert_ok(mt_rig_print(rig, &text, &err), err);
  length = strlen(text);
  for (size_t cut = 0; cut + 4 < length; cut += 97) {
    char *part = strndup(text, cut);
    mt_rig *back = NULL;
    assert_non_null(part);
    refused += mt_rig_parse(part, "bench.cfg", &back, &err) == MT_E_PLAN;
    assert_null(back);
    free(part);
  }
  assert_true(refused > 50);
  free(text);
  free(rig);
}

/* ---- names and places ------------------------------------------------------------------------------ */

static void hostile_names_are_refused(void **state)
{
  static const char *const bad[] = {
      "../x", "/etc/passwd", "a/b",  "..",  ".",    ".hidden", "",
      "a b",  "a\nb",        "\xff", "a;b", "$(x)", "-\x7f",   "12345678901234567890123456789012345678901"};
  static const char *const good[] = {"a", "bench-48", "Box_2.1", "-",
                                     "1234567890123456789012345678901234567890"};
  mt_error err = {0};
  char path[512];
  (void)state;

  for (size_t i = 0; i < COUNT(bad); i++) {
    assert_int_equal(mt_rig_check_name(bad[i], &err), MT_E_ARG);
    assert_null(strchr(err.message, '\n'));
    assert_int_equal(mt_rig_path(bad[i], path, sizeof path, &err), MT_E_ARG);
  }
  for (size_t i = 0; i < COUNT(good); i++)
    assert_ok(mt_rig_check_name(good[i], &err), err);
}

static void rigs_are_kept_listed_and_found_again(void **state)
{
  char folder[] = "/tmp/mendtone-rig-XXXXXX", path[512];
  mt_rig *rig = new_rig(), *back = NULL;
  char **names = NULL;
  mt_error err = {0};
  size_t n = 7;
  FILE *file;
  (void)state;

  assert_non_null(mkdtemp(folder));
  assert_int_equal(setenv("XDG_CONFIG_HOME", folder, 1), 0);
  assert_ok(mt_rig_list(&names, &n, &err), err);
  assert_int_equal(n, 0);
  assert_int_equal(mt_rig_open("bench", &back, &err), MT_E_NO_INPUT);
  assert_non_null(strstr(err.message, "none is stored"));
  assert_ok(mt_rig_save(rig, &err), err);
  mt_text_copy(rig->name, sizeof rig->name, "attic");
  assert_ok(mt_rig_save(rig, &err), err);
  assert_ok(mt_rig_save(rig, &err), err); /* anew, in place of it */
  snprintf(path, sizeof path, "%s/mendtone/rigs/not a rig.cfg", folder);
  file = fopen(path, "w");
  assert_non_null(file);
  fclose(file);
  assert_ok(mt_rig_list(&names, &n, &err), err);
  assert_int_equal(n, 2);
  assert_string_equal(names[0], "attic");
  assert_string_equal(names[1], "bench");
  mt_rig_free_list(&names, n);
  assert_ok(mt_rig_open("attic", &back, &err), err);
  assert_string_equal(back->name, "attic");
  free(back);
  back = NULL;
  assert_int_equal(mt_rig_open("bensh", &back, &err), MT_E_NO_INPUT);
  assert_non_null(strstr(err.message, "attic, bench"));
  unlink(path);
  for (const char *const *name = (const char *const[]){"attic", "bench", NULL}; *name != NULL; name++) {
    assert_ok(mt_rig_path(*name, path, sizeof path, &err), err);
    assert_int_equal(unlink(path), 0);
  }
  snprintf(path, sizeof path, "%s/mendtone/rigs", folder);
  rmdir(path);
  *strrchr(path, '/') = '\0';
  rmdir(path);
  /* a file where the folder should be */
  file = fopen(path, "w");
  assert_non_null(file);
  fclose(file);
  assert_int_equal(mt_rig_save(rig, &err), MT_E_CREATE);
  unlink(path);
  rmdir(folder);
  /* the specification: a path that is not absolute does not count */
  assert_int_equal(setenv("XDG_CONFIG_HOME", "relative", 1), 0);
  assert_int_equal(setenv("HOME", "/nowhere", 1), 0);
  assert_ok(mt_rig_path("bench", path, sizeof path, &err), err);
  assert_string_equal(path, "/nowhere/.config/mendtone/rigs/bench.cfg");
  assert_int_equal(unsetenv("HOME"), 0);
  assert_int_equal(mt_rig_path("bench", path, sizeof path, &err), MT_E_NO_INPUT);
  free(rig);
}

/* ---- applied to results ---------------------------------------------------------------------------- */

static mt_rig *full_rig(void)
{
  static const double freq_hz[] = {20.0, 80.0, 997.0, 20000.0}, flat[] = {0.0, 0.0, 0.0, 0.0};
  mt_rig *rig = new_rig();

  for (int c = 0; c < MT_RIG_CHANNELS; c++) {
    mt_rig_channel *ch = &rig->channel[c];
    ch->input_full_v = known(2.0, 0.02);
    ch->output_full_v = known(1.0, 0.01);
    ch->gain_db = known(mt_db_of_ratio(0.5) + c, 0.001);
    ch->level_dbfs = known(-26.0, 0.001);
    ch->noise_dbfs = known(-100.0, 0.1);
    ch->noise_a_dbfs = known(-102.0, 0.1);
    ch->rest_dbfs = known(-99.0, 0.1);
    ch->thd_db = known(-100.0, 1.0);
    ch->crosstalk_db = known(-90.0, 1.0);
    give_response(ch, freq_hz, flat, COUNT(flat));
  }
  return rig;
}

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  results->rate_hz = 48000.0;
  results->nchannels = 2;
  results->is_stimulus = true;
  results->stimulus_level_dbfs = -20.0;
  return results;
}

static void add(mt_results *results, mt_quantity quantity, mt_channel channel, const char *segment,
                double value, double uncertainty)
{
  mt_reading r = {.quantity = quantity,
                  .channel = channel,
                  .value = value,
                  .uncertainty = uncertainty,
                  .freq_hz = strcmp(segment, "idle") == 0 ? 0.0 : 997.0};
  mt_error err = {0};
  mt_text_copy(r.segment, sizeof r.segment, segment);
  mt_text_copy(r.state, sizeof r.state, "default");
  assert_ok(mt_results_add_reading(results, &r, &err), err);
}

static void apply(const mt_rig *rig, const mt_rig_use *use, mt_results *results)
{
  static const mt_rig_use plain = {0};
  mt_error err = {0};
  assert_ok(mt_rig_apply(rig, use != NULL ? use : &plain, results, &err), err);
}

static void levels_are_known_in_volts(void **state)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  const mt_reading *r;
  (void)state;

  add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.01);
  add(results, MT_Q_PEAK, MT_LEFT, "both", -20.0, 0.01);
  apply(rig, NULL, results);
  r = mt_results_find(results, MT_Q_LEVEL, MT_LEFT, "both");
  assert_true(r->has_dbv);
  assert_near(r->value, -20.0, 0.0, "dBFS");
  assert_near(r->dbv, mt_db_of_ratio(0.2), 1e-12, "dBV"); /* a tenth of 2 V */
  /* flat: the response costs its own 0.01 dB, twice and by halves */
  assert_near(r->dbv_uncertainty, sqrt(1e-4 + pow(20.0 * log10(1.01), 2) + 0.5e-4), 1e-9, "dB");
  assert_false(mt_results_find(results, MT_Q_PEAK, MT_LEFT, "both")->has_dbv); /* no rms */
  assert_near(results->rig.played_dbv, -20.0, 1e-12, "dBV");
  assert_true(results->rig.has_volts && results->rig.loop_applied);
  assert_int_equal(results->rig.nwarnings, 0);
  mt_results_destroy(&results);
  free(rig);
}

static void gain_and_balance_lose_the_rig(void **state)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  (void)state;

  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.01);
  add(results, MT_Q_GAIN, MT_RIGHT, "both", 0.0, 0.01);
  add(results, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.0, 0.01);
  apply(rig, NULL, results);
  /* half arrives of what is played through the bare lead: an even take is a gain of two */
  assert_near(mt_results_find(results, MT_Q_GAIN, MT_LEFT, "")->value, 6.0206, 1e-4, "dB");
  assert_near(mt_results_find(results, MT_Q_GAIN, MT_RIGHT, "")->value, 5.0206, 1e-4, "dB");
  assert_near(mt_results_find(results, MT_Q_BALANCE, MT_CHANNEL_BOTH, "")->value, 1.0, 1e-9, "dB");
  assert_near(mt_results_find(results, MT_Q_GAIN, MT_LEFT, "")->uncertainty, hypot(0.01, 0.001), 1e-9, "dB");
  mt_results_destroy(&results);
  free(rig);
}

/* A noise read by a rig of -100 dBFS through a unit of that gain. */
static mt_reading read_noise(double noise_dbfs, double gain_db)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  mt_reading r;

  rig->channel[0].gain_db.value = 0.0;
  add(results, MT_Q_GAIN, MT_LEFT, "both", gain_db, 0.001);
  add(results, MT_Q_NOISE, MT_LEFT, "idle", noise_dbfs, 0.1);
  apply(rig, NULL, results);
  r = *mt_results_find(results, MT_Q_NOISE, MT_LEFT, "idle");
  mt_results_destroy(&results);
  free(rig);
  return r;
}

static void noise_is_corrected_in_power_or_only_a_bound(void **state)
{
  mt_reading r = read_noise(-80.0, 0.0);
  (void)state;

  /* 1e-8 less 1e-10 of the rig */
  assert_int_equal(r.validity, MT_VALID);
  assert_near(r.value, mt_db_of_power(1e-8 - 1e-10), 1e-9, "dBFS");
  assert_near(r.uncertainty, 0.1 / 0.99, 1e-3, "dB");
  /* 10 dB: 0.4576 dB less, as any text on adding powers has it */
  r = read_noise(-90.0 + 1e-9, 0.0);
  assert_int_equal(r.validity, MT_VALID);
  assert_near(r.value, -90.4576, 1e-4, "dBFS");
  r = read_noise(-90.01, 0.0);
  assert_int_equal(r.validity, MT_RIG_LIMITED);
  assert_near(r.value, -90.01, 1e-9, "dBFS"); /* the bound is what was read */
  assert_non_null(strstr(r.why, "less than 10 dB above the rig's own -100.0 dBFS"));
  /* 20 dB of gain lift what the rig's output makes: it may be -80 */
  assert_int_equal(read_noise(-75.0, 20.0).validity, MT_RIG_LIMITED);
  r = read_noise(-60.0, 20.0);
  assert_int_equal(r.validity, MT_VALID);
  assert_near(r.value, mt_db_of_power(1e-6 - 0.5 * (1e-8 + 1e-10)), 1e-9, "dBFS");
  assert_true(r.uncertainty > 0.1);
}

static void power_left_after_the_rig_holds_the_truth(void **state)
{
  mt_random random;
  size_t inside = 0, n = 0, limited = 0;
  (void)state;

  mt_random_init(&random, support_seed(77));
  for (int i = 0; i < 4000; i++) {
    mt_rig *rig = full_rig();
    mt_results *results = new_results();
    double gain_db = 40.0 * mt_random_uniform(&random) - 20.0;
    double own = 1e-10 * pow(10.0, mt_random_uniform(&random)), from_output = mt_random_uniform(&random);
    double unit = 1e-10 * pow(10.0, 4.0 * mt_random_uniform(&random));
    double read = unit + own * (1.0 - from_output + from_output * mt_power_of_db(gain_db));
    const mt_reading *r;
    rig->channel[0].gain_db.value = 0.0;
    rig->channel[0].noise_dbfs = known(mt_db_of_power(own) + 0.05 * mt_random_normal(&random), 0.1);
    add(results, MT_Q_GAIN, MT_LEFT, "both", gain_db, 0.001);
    add(results, MT_Q_NOISE, MT_LEFT, "idle", mt_db_of_power(read) + 0.05 * mt_random_normal(&random), 0.1);
    apply(rig, NULL, results);
    r = mt_results_find(results, MT_Q_NOISE, MT_LEFT, "idle");
    limited += r->validity == MT_RIG_LIMITED;
    if (r->validity == MT_RIG_LIMITED)
      assert_true(r->value + 2.5 * r->uncertainty >= mt_db_of_power(unit)); /* 5 standard deviations */
    if (r->validity == MT_VALID) {
      n++;
      inside += fabs(r->value - mt_db_of_power(unit)) <= r->uncertainty;
    }
    mt_results_destroy(&results);
    free(rig);
  }
  assert_true(n > 500 && limited > 500);
  /* k = 2; the rig's share is uniform within its range, where 2 u holds all */
  assert_between((double)inside / (double)n, 0.94, 1.0, "share");
}

static void what_may_cancel_is_bounded_by_the_sum(void **state)
{
  static const mt_quantity quantities[] = {MT_Q_CROSSTALK, MT_Q_THD_F, MT_Q_HARMONIC, MT_Q_IMD_MOD};
  mt_random random;
  size_t inside = 0, n = 0, limited = 0;
  (void)state;

  mt_random_init(&random, support_seed(78));
  for (int i = 0; i < 6000; i++) {
    mt_rig *rig = full_rig();
    mt_results *results = new_results();
    mt_quantity q = quantities[i % 4];
    double own = 1e-5, unit = 1e-5 * pow(10.0, 2.0 * mt_random_uniform(&random));
    double angle = 2.0 * MT_PI * mt_random_uniform(&random);
    double read = hypot(unit + own * cos(angle), own * sin(angle));
    mt_reading *r;
    rig->channel[0].thd_db = rig->channel[0].crosstalk_db = rig->channel[0].harmonic_db[3] =
        rig->channel[0].imd_db[3] = known(mt_db_of_ratio(own), 0.01);
    add(results, q, MT_LEFT, q == MT_Q_IMD_MOD ? "imd-41-7993" : "both", mt_db_of_ratio(read), 0.001);
    r = &results->readings[0];
    r->order = q == MT_Q_HARMONIC || q == MT_Q_IMD_MOD ? 3 : 0;
    apply(rig, NULL, results);
    limited += r->validity == MT_RIG_LIMITED;
    if (r->validity == MT_RIG_LIMITED)
      assert_true(r->value >= mt_db_of_ratio(unit) - 1e-9); /* the triangle inequality */
    if (r->validity == MT_VALID) {
      n++;
      inside += fabs(r->value - mt_db_of_ratio(unit)) <= r->uncertainty;
    }
    mt_results_destroy(&results);
    free(rig);
  }
  assert_true(n > 1000 && limited > 1000);
  assert_between((double)inside / (double)n, 0.95, 1.0, "share"); /* an arcsine law: 2 u holds all */
}

static void distortion_and_noise_hold_the_truth(void **state)
{
  mt_random random;
  size_t inside = 0, n = 0, limited = 0, sinad_inside = 0;
  (void)state;

  mt_random_init(&random, support_seed(79));
  for (int i = 0; i < 4000; i++) {
    mt_rig *rig = full_rig();
    mt_results *results = new_results();
    /* powers and amplitudes re the tone, which stands at -20 dBFS */
    double rig_noise = 1e-8, rig_h = 3e-5, angle = 2.0 * MT_PI * mt_random_uniform(&random);
    double unit_h = 1e-5 * pow(10.0, 3.0 * mt_random_uniform(&random));
    double unit_noise = 1e-10 * pow(10.0, 4.0 * mt_random_uniform(&random));
    double h = hypot(unit_h + rig_h * cos(angle), rig_h * sin(angle));
    double rest = h * h + unit_noise + rig_noise, truth = unit_h * unit_h + unit_noise;
    const mt_reading *r, *sinad;
    rig->channel[0].gain_db.value = 0.0;
    rig->channel[0].noise_dbfs = known(mt_db_of_power(rig_noise) - 20.0, 0.01);
    rig->channel[0].rest_dbfs = rig->channel[0].noise_dbfs;
    rig->channel[0].thd_db = known(mt_db_of_ratio(rig_h), 0.01);
    add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.001);
    add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.001);
    add(results, MT_Q_THD_F, MT_LEFT, "both", mt_db_of_ratio(h), 0.01);
    add(results, MT_Q_THD_N, MT_LEFT, "both", mt_db_of_power(rest / (1.0 + rest)), 0.01);
    add(results, MT_Q_SINAD, MT_LEFT, "both", -mt_db_of_power(rest), 0.01);
    apply(rig, NULL, results);
    r = mt_results_find(results, MT_Q_THD_N, MT_LEFT, "both");
    sinad = mt_results_find(results, MT_Q_SINAD, MT_LEFT, "both");
    limited += r->validity == MT_RIG_LIMITED;
    if (r->validity == MT_RIG_LIMITED)
      assert_true(r->value >= mt_db_of_power(truth / (1.0 + truth)));
    if (sinad->validity == MT_RIG_LIMITED)
      assert_true(sinad->value <= -mt_db_of_power(truth));
    if (r->validity == MT_VALID) {
      n++;
      inside += fabs(r->value - mt_db_of_power(truth / (1.0 + truth))) <= r->uncertainty;
      sinad_inside += fabs(sinad->value + mt_db_of_power(truth)) <= sinad->uncertainty;
    }
    mt_results_destroy(&results);
    free(rig);
  }
  assert_true(n > 500 && limited > 500);
  /* what cancels follows the arcsine law, of which 2 u holds all */
  assert_between((double)inside / (double)n, 0.95, 1.0, "share");
  assert_between((double)sinad_inside / (double)n, 0.95, 1.0, "share");
}

static void ranges_follow_the_noise(void **state)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  const mt_reading *r;
  (void)state;

  rig->channel[0].gain_db.value = 0.0;
  rig->channel[0].noise_ccir_dbfs = known(-100.0, 0.1);
  add(results, MT_Q_GAIN, MT_LEFT, "both", 0.0, 0.001);
  add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.001);
  add(results, MT_Q_SNR, MT_LEFT, "both", 60.0, 0.1);
  add(results, MT_Q_DYNAMIC_RANGE, MT_LEFT, "low", 75.0, 0.1);
  apply(rig, NULL, results);
  r = mt_results_find(results, MT_Q_SNR, MT_LEFT, "both");
  assert_int_equal(r->validity, MT_VALID);
  assert_near(r->value, -20.0 - mt_db_of_power(1e-8 - 1e-10), 1e-9, "dB");
  r = mt_results_find(results, MT_Q_DYNAMIC_RANGE, MT_LEFT, "low");
  assert_int_equal(r->validity, MT_RIG_LIMITED); /* -95 dBFS is 5 dB above the rig */
  assert_near(r->value, 75.0, 1e-9, "dB");
  assert_non_null(strstr(r->why, "at least this"));
  mt_results_destroy(&results);
  free(rig);
}

static void a_level_the_rig_itself_ends_is_not_the_units(void **state)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  (void)state;

  rig->channel[0].max_level_dbfs = known(-2.0, 0.5);
  rig->channel[1].max_level_dbfs = (mt_rig_value){true, true, -2.0, 0.5}; /* not reached up to there */
  add(results, MT_Q_MAX_LEVEL, MT_LEFT, "levels", -2.5, 0.1);
  add(results, MT_Q_MAX_LEVEL, MT_RIGHT, "levels", -2.5, 0.1);
  apply(rig, NULL, results);
  assert_int_equal(results->readings[0].validity, MT_NOT_MEASURED);
  assert_int_equal(results->readings[1].validity, MT_VALID);
  mt_results_destroy(&results);
  free(rig);
}

static void what_stands_against_a_rig_is_said(void **state)
{
  static const struct {
    time_t later_days;
    double rate_hz;
    const char *input, *says;
    bool volts, loop;
  } rows[] = {
      {1, 48000, NULL, NULL, true, true},
      {179, 48000, "ALSA: Two-channel box (hw:1,0)", NULL, true, true},
      {1, 48000, "Two-channel", NULL, true, true},
      {181, 48000, NULL, "made 181 days ago, and meant to be made again after 180", true, true},
      {-30, 48000, NULL, "dated 30 days in the future", true, true},
      {1, 44100, NULL, "its loop was read at 48000 Hz, not at 44100 Hz", true, false},
      {1, 48000, "ALSA: Other box", "not its input (\"ALSA: Other box\")", false, false},
  };
  (void)state;

  for (size_t i = 0; i < COUNT(rows); i++) {
    mt_rig *rig = full_rig();
    mt_results *results = new_results();
    mt_rig_use use = {.now = 1773500966 + 86400 * rows[i].later_days, .input = rows[i].input};
    results->rate_hz = rows[i].rate_hz;
    add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.01);
    add(results, MT_Q_NOISE, MT_LEFT, "idle", -95.0, 0.01);
    apply(rig, &use, results);
    assert_int_equal(results->rig.nwarnings, rows[i].says != NULL);
    if (rows[i].says != NULL && strstr(results->rig.warnings[0], rows[i].says) == NULL)
      fail_msg("\"%s\" does not say \"%s\"", results->rig.warnings[0], rows[i].says);
    assert_int_equal(results->readings[0].has_dbv, rows[i].volts);
    assert_int_equal(results->readings[1].validity, rows[i].loop ? MT_RIG_LIMITED : MT_VALID);
    mt_results_destroy(&results);
    free(rig);
  }
}

static void a_recording_by_the_unit_gives_its_full_scale(void **state)
{
  mt_rig *rig = full_rig();
  mt_results *results = new_results();
  const mt_rig_use use = {.recorded_by_unit = true};
  const mt_reading *full, *noise;
  (void)state;

  /* 1 V full scale, played at -20 dBFS: 0.1 V; the unit makes -26.0206 dBFS of it, so 2 V are its 0 dBFS */
  add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0 + mt_db_of_ratio(0.5), 0.001);
  add(results, MT_Q_GAIN, MT_LEFT, "both", mt_db_of_ratio(0.5), 0.001);
  add(results, MT_Q_NOISE, MT_LEFT, "idle", -80.0, 0.1);
  add(results, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", 0.5, 0.001);
  rig->channel[1].output_full_v = known(1.1, 0.011);
  apply(rig, &use, results);
  full = mt_results_find(results, MT_Q_INPUT_FULL_SCALE, MT_LEFT, "both");
  noise = mt_results_find(results, MT_Q_NOISE, MT_LEFT, "idle");
  assert_non_null(full);
  assert_int_equal(full->validity, MT_VALID);
  assert_near(full->value, mt_db_of_ratio(2.0), 1e-9, "dBV");
  assert_between(full->uncertainty, 20.0 * log10(1.01), 20.0 * log10(1.01) + 0.01, "dB");
  /* nothing is known of a right channel that was not read */
  assert_null(mt_results_find(results, MT_Q_INPUT_FULL_SCALE, MT_RIGHT, "both"));
  /* the right output is 0.83 dB louder: so much less sensitive the unit's right input is than it seems */
  assert_near(mt_results_find(results, MT_Q_BALANCE, MT_CHANNEL_BOTH, "")->value, 0.5 + mt_db_of_ratio(1.1),
              1e-9, "dB");
  /* the gain stays what it is, from digital to digital */
  assert_near(mt_results_find(results, MT_Q_GAIN, MT_LEFT, "")->value, mt_db_of_ratio(0.5), 1e-12, "dB");
  /* noise re its own full scale; of the rig at most -100 dBFS of 2 V (the same scale here) may be in it */
  assert_int_equal(noise->validity, MT_VALID);
  assert_between(noise->value, mt_db_of_power(1e-8 - 1.05e-10), -80.0, "dBFS");
  assert_near(noise->dbv, noise->value + full->value, 1e-9, "dBV"); /* at its input */
  mt_results_destroy(&results);
  free(rig);
}

static void a_loop_that_is_none_is_refused(void **state)
{
  static const struct {
    double route, polarity;
    const char *says;
  } rows[] = {{MT_ROUTE_RIGHT, 1.0, "hears the other output"},
              {MT_ROUTE_BOTH, 1.0, "hears both outputs"},
              {MT_ROUTE_NONE, 1.0, "hears nothing"},
              {MT_ROUTE_LEFT, -1.0, "turns the polarity of the left channel"},
              {MT_ROUTE_LEFT, 1.0, "response of the loop was not read"}};
  (void)state;

  for (size_t i = 0; i < COUNT(rows); i++) {
    mt_rig *rig = new_rig(), before = *rig;
    mt_results *results = new_results();
    mt_error err = {0};
    add(results, MT_Q_ROUTE, MT_LEFT, "left", rows[i].route, 0.0);
    add(results, MT_Q_POLARITY, MT_LEFT, "left", rows[i].polarity, 0.0);
    assert_int_equal(mt_rig_take_loop(rig, results, &err), MT_E_DATA);
    if (strstr(err.message, rows[i].says) == NULL)
      fail_msg("\"%s\" does not say \"%s\"", err.message, rows[i].says);
    assert_memory_equal(rig, &before, sizeof before);
    mt_results_destroy(&results);
    free(rig);
  }
}

/* ---- limits in volts ------------------------------------------------------------------------------- */

static mt_verdict judge_level(const mt_rig *rig, const char *limit, char text[192])
{
  mt_results *results = new_results();
  mt_plan *plan = NULL;
  mt_error err = {0};
  mt_verdict verdict = MT_VERDICT_NONE;
  char source[200];

  add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.01);
  if (rig != NULL)
    apply(rig, NULL, results);
  snprintf(source, sizeof source,
           "expect_route = \"any\"; expect_polarity = \"any\";\n"
           "limits = ( { quantity = \"level\"; channel = \"left\"; %s } );",
           limit);
  assert_ok(mt_plan_parse(source, "p.cfg", &plan, &err), err);
  assert_ok(mt_judge_results(plan, results, &err), err);
  assert_int_equal(results->njudgements, 1);
  verdict = results->judgements[0].verdict;
  mt_text_copy(text, 192, results->judgements[0].text);
  mt_plan_destroy(&plan);
  mt_results_destroy(&results);
  return verdict;
}

static void limits_in_volts_are_held_against_volts(void **state)
{
  /* 0.2 V is -13.979 dBV or -11.761 dBu, known to 0.087 dB; the guard band is 0.82 of it, 0.071 dB or 1.65 mV */
  static const struct {
    const char *limit;
    mt_verdict verdict;
  } rows[] = {{"min = 0.19; max = 0.21; unit = \"V\";", MT_VERDICT_PASS},
              {"max = 0.2017; unit = \"V\";", MT_VERDICT_PASS},
              {"max = 0.2016; unit = \"V\";", MT_VERDICT_UNDECIDED},
              {"min = 0.2016; unit = \"V\";", MT_VERDICT_UNDECIDED},
              {"min = 0.2018; unit = \"V\";", MT_VERDICT_FAIL},
              {"min = -14.06; unit = \"dBV\";", MT_VERDICT_PASS},
              {"max = -14.1; unit = \"dBV\";", MT_VERDICT_FAIL},
              {"min = -11.85; max = -11.67; unit = \"dBu\";", MT_VERDICT_PASS},
              {"max = -12; unit = \"dBu\";", MT_VERDICT_FAIL},
              {"max = -19; unit = \"dBFS\";", MT_VERDICT_PASS}};
  mt_rig *rig = full_rig();
  char text[192];
  (void)state;

  for (size_t i = 0; i < COUNT(rows); i++)
    if (judge_level(rig, rows[i].limit, text) != rows[i].verdict)
      fail_msg("%s: %s", rows[i].limit, text);
  assert_int_equal(judge_level(rig, "min = 0.3; unit = \"V\";", text), MT_VERDICT_FAIL);
  assert_string_equal(text, "Left channel's level is 0.200 V; at least 0.3 V is required");
  assert_int_equal(judge_level(NULL, "min = 0.1; unit = \"V\";", text), MT_VERDICT_UNDECIDED);
  assert_non_null(strstr(text, "not known in volts; name a calibrated rig"));
  free(rig);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(line_levels_are_as_published),
      cmocka_unit_test(a_meters_accuracy_is_a_limit_and_its_last_digit_is_rounded),
      cmocka_unit_test(volts_at_a_level_become_full_scale),
      cmocka_unit_test(an_open_output_is_loaded_as_published),
      cmocka_unit_test(unknown_impedances_are_those_of_line_sockets),
      cmocka_unit_test(intervals_of_random_rigs_hold_the_truth),
      cmocka_unit_test(a_response_is_shared_between_input_and_output),
      cmocka_unit_test(a_rig_comes_back_from_its_file),
      cmocka_unit_test(damage_is_named_with_file_and_line),
      cmocka_unit_test(a_file_cut_anywhere_is_refused_or_whole),
      cmocka_unit_test(hostile_names_are_refused),
      cmocka_unit_test(rigs_are_kept_listed_and_found_again),
      cmocka_unit_test(levels_are_known_in_volts),
      cmocka_unit_test(gain_and_balance_lose_the_rig),
      cmocka_unit_test(noise_is_corrected_in_power_or_only_a_bound),
      cmocka_unit_test(power_left_after_the_rig_holds_the_truth),
      cmocka_unit_test(what_may_cancel_is_bounded_by_the_sum),
      cmocka_unit_test(distortion_and_noise_hold_the_truth),
      cmocka_unit_test(ranges_follow_the_noise),
      cmocka_unit_test(a_level_the_rig_itself_ends_is_not_the_units),
      cmocka_unit_test(what_stands_against_a_rig_is_said),
      cmocka_unit_test(a_recording_by_the_unit_gives_its_full_scale),
      cmocka_unit_test(a_loop_that_is_none_is_refused),
      cmocka_unit_test(limits_in_volts_are_held_against_volts),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
