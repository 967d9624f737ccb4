#include "support.h"

#include <mendtone/report.h>

#include "base/random.h"
#include "base/text.h"
#include "report/layout.h"

/* ---- whole reports ---------------------------------------------------------------------------- */

static mt_results *new_results(void)
{
  mt_results *results = NULL;
  mt_error err = {0};
  assert_ok(mt_results_create(&results, &err), err);
  results->rate_hz = 48000.0;
  results->nchannels = 2;
  results->nframes = 600000;
  return results;
}

static mt_reading *add(mt_results *results, mt_quantity quantity, mt_channel channel, const char *segment,
                       double value, double uncertainty, mt_validity validity, mt_verdict verdict)
{
  mt_reading r = {.quantity = quantity,
                  .channel = channel,
                  .state = "default",
                  .value = value,
                  .uncertainty = uncertainty,
                  .validity = validity,
                  .verdict = verdict};
  mt_error err = {0};
  mt_text_copy(r.segment, sizeof r.segment, segment);
  assert_ok(mt_results_add_reading(results, &r, &err), err);
  return &results->readings[results->nreadings - 1];
}

static char *text_of(const mt_results *results)
{
  char *out = NULL;
  size_t size;
  mt_error err = {0};
  FILE *file = open_memstream(&out, &size);
  assert_ok(mt_report_text(results, file, &err), err);
  fclose(file);
  return out;
}

static void add_judgement(mt_results *results, mt_quantity quantity, mt_verdict verdict, const char *text)
{
  mt_judgement j = {.quantity = quantity, .verdict = verdict};
  mt_error err = {0};
  mt_text_copy(j.text, sizeof j.text, text);
  assert_ok(mt_results_add_judgement(results, &j, &err), err);
}

static void add_response(mt_results *results, mt_channel channel)
{
  double x[] = {10.0, 40.0, 1000.0, 22000.0};
  double y[] = {-6.0206, 0.0, 0.0, -1.0};
  double u[] = {0.02, 0.02, 0.0, 0.02};
  mt_curve c = {
      .quantity = MT_Q_RESPONSE, .channel = channel, .segment = "sweep", .state = "default", .npoints = 4};
  mt_error err = {0};
  c.x = x;
  c.y = y;
  c.uncertainty = u;
  assert_ok(mt_results_add_curve(results, &c, &err), err);
}

static void a_faulty_unit_reads_like_this(void **state)
{
  static const char want[] =
      "FAIL: of 4 checks 2 are missed and 1 is undecided.\n"
      "Unit: desk amplifier\n"
      "\n"
      "Missed\n"
      "  - Right channel hears nothing; it should hear the right one.\n"
      "  - Left channel's noise is too high.\n"
      "\n"
      "Undecided\n"
      "  - Right channel's THD+N cannot be judged: there is no signal\n"
      "\n"
      "Likely causes\n"
      "  - The right channel is broken off.\n"
      "      because right: route none\n"
      "\n"
      "Readings                     left      right       pair      +/- unit verdict\n"
      "each channel alone\n"
      "  hears                      left       none                          FAIL right\n"
      "  polarity               inverted  no signal\n"
      "  crosstalk               < -95.3  no signal                     dB\n"
      "both channels at once, 997 Hz\n"
      "  level                  -20.0031  no signal              0.0041 dBFS pass\n"
      "  balance                                        -0.012    0.015 dB   pass\n"
      "  THD+N                    -60.00  no signal                0.10 dB   undecided\n"
      "    the same in %          0.1000                         0.0012 %\n"
      "  harmonic 2               -62.10  no signal                0.20 dB\n"
      "  harmonics 4 and up       -81.00                           0.20 dB\n"
      "nothing played\n"
      "  noise                    -50.12    -99.987                     dBFS FAIL left\n"
      "                 +/-         0.50      0.011\n"
      "sweep\n"
      "  low -3 dB corner          20.00                           0.10 Hz\n"
      "  high -3 dB corner      not read                                Hz\n"
      "  +/- is the uncertainty of the row at 95 % (k = 2); a check passes only if the\n"
      "  value does so with its uncertainty.\n"
      "\n"
      "Response, dB        20 Hz    50 Hz   100 Hz    1 kHz   10 kHz   20 kHz      +/-\n"
      "  left             -3.010    0.000    0.000    0.000   -0.745   -0.969    0.020\n"
      "  left: within 3 dB from 20 Hz to 22 kHz (highest read)\n";
  mt_results *r = new_results();
  mt_finding finding = {.channel = MT_RIGHT, .text = "The right channel is broken off.", .nevidence = 1};
  mt_error err = {0};
  char *got;

  (void)state;
  mt_text_copy(finding.evidence[0], sizeof finding.evidence[0], "right: route none");
  mt_text_copy(r->unit_name, sizeof r->unit_name, "desk amplifier");
  r->verdict = MT_VERDICT_FAIL;
  add_judgement(r, MT_Q_ROUTE, MT_VERDICT_FAIL, "Right channel hears nothing; it should hear the right one.");
  add_judgement(r, MT_Q_LEVEL, MT_VERDICT_PASS, "fine");
  add_judgement(r, MT_Q_NOISE, MT_VERDICT_FAIL, "Left channel's noise is too high.");
  add_judgement(r, MT_Q_THD_N, MT_VERDICT_UNDECIDED,
                "Right channel's THD+N cannot be judged: there is no signal");
  assert_ok(mt_results_add_finding(r, &finding, &err), err);
  add(r, MT_Q_NOISE, MT_LEFT, "idle", -50.123, 0.5, MT_VALID, MT_VERDICT_FAIL);
  add(r, MT_Q_NOISE, MT_RIGHT, "idle", -99.987, 0.011, MT_VALID, MT_VERDICT_PASS);
  add(r, MT_Q_LEVEL, MT_LEFT, "both", -20.00314, 0.0041, MT_VALID, MT_VERDICT_PASS)->freq_hz = 997.0;
  add(r, MT_Q_LEVEL, MT_RIGHT, "both", 0, 0, MT_NO_SIGNAL, MT_VERDICT_NONE);
  add(r, MT_Q_BALANCE, MT_CHANNEL_BOTH, "both", -0.0123, 0.015, MT_VALID, MT_VERDICT_PASS);
  add(r, MT_Q_THD_N, MT_LEFT, "both", -60.0, 0.1, MT_VALID, MT_VERDICT_PASS);
  add(r, MT_Q_THD_N, MT_RIGHT, "both", 0, 0, MT_NO_SIGNAL, MT_VERDICT_UNDECIDED);
  add(r, MT_Q_HARMONIC, MT_LEFT, "both", -62.1, 0.2, MT_VALID, MT_VERDICT_NONE)->order = 2;
  add(r, MT_Q_HARMONIC, MT_RIGHT, "both", 0, 0, MT_NO_SIGNAL, MT_VERDICT_NONE)->order = 2;
  add(r, MT_Q_HARMONIC, MT_LEFT, "both", -81.0, 0.2, MT_VALID, MT_VERDICT_NONE)->order = 5;
  add(r, MT_Q_HARMONIC, MT_LEFT, "both", -83.0, 0.2, MT_VALID, MT_VERDICT_NONE)->order = 4;
  add(r, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0, MT_VALID, MT_VERDICT_PASS);
  add(r, MT_Q_ROUTE, MT_RIGHT, "right", MT_ROUTE_NONE, 0, MT_VALID, MT_VERDICT_FAIL);
  add(r, MT_Q_POLARITY, MT_LEFT, "left", -1.0, 0, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_POLARITY, MT_RIGHT, "right", 0, 0, MT_NO_SIGNAL, MT_VERDICT_NONE);
  add(r, MT_Q_CORNER_LOW, MT_LEFT, "sweep", 20.0, 0.1, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_CORNER_HIGH, MT_LEFT, "sweep", 0, 0, MT_NOT_MEASURED, MT_VERDICT_NONE);
  /* what the rig allows to say is rounded away from what it bounds */
  add(r, MT_Q_CROSSTALK, MT_LEFT, "right", -95.38, 3.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  add(r, MT_Q_CROSSTALK, MT_RIGHT, "left", 0, 0, MT_NO_SIGNAL, MT_VERDICT_NONE);
  add_response(r, MT_LEFT);
  got = text_of(r);
  if (strncmp(got, want, strlen(want)) != 0)
    fprintf(stderr, "%s", got);
  got[strlen(want)] = '\0';
  assert_string_equal(got, want);
  free(got);
  mt_results_destroy(&r);
}

static void assert_contains(const char *text, const char *part)
{
  if (strstr(text, part) == NULL)
    fail_msg("\"%s\" is not in:\n%s", part, text);
}

static void each_verdict_is_said_in_words(void **state)
{
  mt_results *r = new_results();
  char *got;

  (void)state;
  got = text_of(r);
  assert_contains(got, "No limits were set: these are readings only.\n");
  assert_contains(got, "  clock offset  not known\n");
  assert_contains(got, "  stimulus      none found: read as a plain recording\n");
  free(got);
  r->verdict = MT_VERDICT_PASS;
  add_judgement(r, MT_Q_LEVEL, MT_VERDICT_PASS, "fine");
  got = text_of(r);
  assert_contains(got, "PASS: every check is met, 1 of 1.\n");
  free(got);
  r->verdict = MT_VERDICT_UNDECIDED;
  r->valid = false;
  add_judgement(r, MT_Q_HUM, MT_VERDICT_UNDECIDED, "too close");
  got = text_of(r);
  assert_contains(got, "UNDECIDED: of 2 checks none is missed, but 1 cannot be decided.\n");
  assert_contains(got, "spoilt");
  assert_contains(got, "Undecided\n  - too close\n");
  free(got);
  mt_results_destroy(&r);
}

static void every_validity_has_its_word(void **state)
{
  static const char *const words[] = {"-1.0", "no signal", "clipped", "dropout", "< -1.0", "not read"};
  (void)state;
  for (int v = MT_VALID; v <= MT_NOT_MEASURED; v++) {
    mt_results *r = new_results();
    mt_reading *reading = add(r, MT_Q_NOISE, MT_LEFT, "", -1.0, 1.0, (mt_validity)v, MT_VERDICT_NONE);
    char *got;
    mt_text_copy(reading->why, sizeof reading->why, "here is why");
    got = text_of(r);
    assert_contains(got, words[v]);
    assert_true((strstr(got, "left: here is why (noise)") != NULL) == (v != MT_VALID && v != MT_RIG_LIMITED));
    free(got);
    mt_results_destroy(&r);
  }
}

/* The same reason in two states: each is named. Of one, none is: every_validity_has_its_word. */
static void what_is_not_read_says_in_which_state(void **state)
{
  static const char *const states[] = {"lift", "pad", "lift"};
  static const mt_quantity quantities[] = {MT_Q_NOISE, MT_Q_NOISE, MT_Q_HUM};
  mt_results *r = new_results();
  char *got;
  (void)state;
  for (size_t i = 0; i < 3; i++) {
    mt_reading *reading = add(r, quantities[i], MT_LEFT, "idle", 0, 0, MT_NO_SIGNAL, MT_VERDICT_NONE);
    mt_text_copy(reading->why, sizeof reading->why, "no tone");
    mt_text_copy(reading->state, sizeof reading->state, states[i]);
  }
  got = text_of(r);
  assert_contains(got, "  - left: no tone (in lift: noise, mains hum; in pad: noise)\n");
  free(got);
  mt_results_destroy(&r);
}

static void a_bound_on_what_is_better_when_more_is_a_lower_one(void **state)
{
  mt_results *r = new_results();
  char *got;
  (void)state;
  add(r, MT_Q_SNR, MT_LEFT, "idle", 101.26, 1.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  add(r, MT_Q_NOISE, MT_LEFT, "idle", -121.26, 1.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  got = text_of(r);
  assert_contains(got, "> 101.2 ");
  assert_contains(got, "< -121.2 ");
  free(got);
  mt_results_destroy(&r);
}

static void uncertainties_much_alike_give_one_number_of_decimals(void **state)
{
  mt_results *r = new_results();
  char *got;
  (void)state;
  add(r, MT_Q_NOISE, MT_LEFT, "idle", -94.0712, 0.11, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_NOISE, MT_RIGHT, "idle", -94.1434, 0.097, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_NOISE_A, MT_LEFT, "idle", -94.0712, 0.31, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_NOISE_A, MT_RIGHT, "idle", -94.1434, 0.011, MT_VALID, MT_VERDICT_NONE);
  got = text_of(r);
  assert_contains(got, "  noise                    -94.07     -94.14                0.11 dBFS\n");
  assert_contains(got, "  noise, A                 -94.07    -94.143                     dBFS\n");
  assert_contains(got, "                 +/-         0.31      0.011\n");
  free(got);
  mt_results_destroy(&r);
}

static void one_reading_can_be_had_alone_and_in_percent(void **state)
{
  mt_reading thd = {.quantity = MT_Q_THD_N, .value = -40.0, .uncertainty = 1.0};
  mt_reading route = {.quantity = MT_Q_ROUTE, .value = MT_ROUTE_BOTH};
  char out[32];
  (void)state;
  assert_string_equal(mt_report_reading(&thd, MT_UNIT_DB, out), "-40.0");
  /* 1 % (20 lg 0.01 = -40 dB), +-1 dB of it 0.12 % */
  assert_string_equal(mt_report_reading(&thd, MT_UNIT_PERCENT, out), "1.00");
  assert_string_equal(mt_report_reading(&route, MT_UNIT_NONE, out), "both");
  thd.validity = MT_CLIPPED;
  assert_string_equal(mt_report_reading(&thd, MT_UNIT_PERCENT, out), "clipped");
  assert_string_equal(mt_report_reading(NULL, MT_UNIT_DB, out), "");
}

static void a_rig_shows_volts_and_what_stands_against_it(void **state)
{
  mt_results *results = new_results();
  mt_reading *level = add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.001, MT_VALID, MT_VERDICT_PASS);
  mt_reading *noise;
  char *text;
  (void)state;

  level->has_dbv = true;
  level->dbv = -20.0; /* a tenth of a volt, -17.78 dBu */
  level->dbv_uncertainty = 0.1;
  noise = add(results, MT_Q_NOISE_A, MT_LEFT, "idle", -96.0, 0.1, MT_RIG_LIMITED, MT_VERDICT_NONE);
  noise->has_dbv = true;
  noise->dbv = -96.0;
  noise->dbv_uncertainty = 0.2;
  results->rig = (mt_rig_note){.name = "bench-48",
                               .made = "2026-03-14T15:09:26Z",
                               .has_volts = true,
                               .loop_applied = true,
                               .nlimited = 1,
                               .has_floor = {true, true},
                               .noise_dbfs = {-101.5, -101.75},
                               .has_played_dbv = true,
                               .played_dbv = -20.0,
                               .warnings = {"made 181 days ago"},
                               .nwarnings = 1};
  text = text_of(results);
  assert_contains(text, "    the same in V          0.1000                         0.0012 V\n");
  assert_contains(text, "    the same in dBV        -20.00                           0.10 dBV\n");
  assert_contains(text, "    the same in dBu        -17.78                           0.10 dBu\n");
  assert_contains(text, "    the same in dBu      < -93.78 ");
  assert_contains(text, "  rig           bench-48, 2026-03-14; own noise -101.5 and -101.8 dBFS; gain and\n");
  assert_contains(text, "played 0.1000 V\n");
  assert_contains(text, "only bounds (< or >)");
  assert_contains(text, "    beware      made 181 days ago\n");
  free(text);
  mt_results_destroy(&results);
}

static void loads_are_told_in_a_sentence(void **state)
{
  mt_results *results = new_results();
  mt_reading *r;
  char *text;
  (void)state;
  r = add(results, MT_Q_OUTPUT_IMPEDANCE, MT_LEFT, "left", 10.3, 0.14, MT_VALID, MT_VERDICT_NONE);
  r->load_ohm = 33.0;
  r->sway_ohm = 0.0498;
  r = add(results, MT_Q_OUTPUT_IMPEDANCE, MT_RIGHT, "right", 0.06, 0.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  r->load_ohm = 33.0;
  add(results, MT_Q_LOAD_CORNER, MT_LEFT, "sweep", 16.7, 0.2, MT_VALID, MT_VERDICT_NONE);
  add(results, MT_Q_OUTPUT_CAPACITANCE, MT_LEFT, "sweep", 220.4, 4.1, MT_VALID, MT_VERDICT_NONE);
  add(results, MT_Q_LOAD_CORNER, MT_RIGHT, "sweep", 1.0, 0.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  add(results, MT_Q_OUTPUT_CAPACITANCE, MT_RIGHT, "sweep", 4800.0, 0.0, MT_RIG_LIMITED, MT_VERDICT_NONE);
  add(results, MT_Q_OUTPUT_POWER, MT_LEFT, "both", 0.0345, 0.0009, MT_VALID, MT_VERDICT_NONE);
  add(results, MT_Q_OUTPUT_POWER, MT_LEFT, "levels", 1.25, 0.03, MT_VALID, MT_VERDICT_NONE);
  text = text_of(results);
  assert_non_null(strstr(text,
                         "Output and load\n"
                         "  - default (33 ohm), left: output impedance 10.3 ohm +-0.14, damping factor 3.2\n"
                         "    (0.01 dB of error is 0.05 ohm); output capacitor 220 uF +-4.1, its corner\n"
                         "    with this load 16.7 Hz +-0.20; 34.5 mW at the tone; 1250 mW at the maximum\n"
                         "    level\n"
                         "  - default (33 ohm), right: output impedance at most 0.060 ohm, damping factor\n"
                         "    at least 550; no output capacitor is seen: none, or at least 4800 uF\n"));
  assert_non_null(strstr(text, "output power              34.50                           0.90 mW"));
  assert_non_null(strstr(text, "output power              1.250                          0.030 W"));
  free(text);
  mt_results_destroy(&results);
}

static void a_third_channel_has_a_table_of_its_own(void **state)
{
  mt_results *r = new_results();
  char *got;
  (void)state;
  add(r, MT_Q_LEVEL, MT_LEFT, "", -20.0, 0.01, MT_VALID, MT_VERDICT_NONE);
  add(r, MT_Q_LEVEL, 2, "", -30.0, 0.01, MT_VALID, MT_VERDICT_FAIL);
  add(r, MT_Q_LEVEL, 3, "", -31.0, 0.01, MT_VALID, MT_VERDICT_PASS);
  got = text_of(r);
  assert_contains(got, "Readings                      ch3        ch4 ");
  assert_contains(got, "  level                   -30.000    -31.000               0.010 dBFS FAIL ch3\n");
  free(got);
  mt_results_destroy(&r);
}

/* ---- any results ------------------------------------------------------------------------------ */

static void random_text(mt_random *random, char *out, size_t size)
{
  static const char *const pieces[] = {
      "word ", "longwordwithoutanyend", "\xe6\xb8\xac", "e\xcc\x81", "\xff", "\x1b[1m", "\n",
      "  ",    "\xf0\x9f\x8e\xa7",      "0123456789"};
  size_t used = 0;
  for (uint64_t n = mt_random_bits(random) % 60; n > 0; n--) {
    const char *piece = pieces[mt_random_bits(random) % (sizeof pieces / sizeof pieces[0])];
    if (used + strlen(piece) >= size)
      break;
    mt_text_copy(out + used, size - used, piece);
    used += strlen(piece);
  }
  out[used] = '\0';
}

static double random_number(mt_random *random)
{
  return ldexp(mt_random_uniform(random) - 0.5, (int)(mt_random_bits(random) % 60) - 30);
}

static mt_results *random_results(mt_random *random)
{
  static const char *const segments[] = {"left", "right", "both", "low", "idle", "sweep", "", "other"};
  mt_results *r = new_results();
  mt_error err = {0};

  random_text(random, r->unit_name, sizeof r->unit_name);
  random_text(random, r->plan_name, sizeof r->plan_name);
  random_text(random, r->file, sizeof r->file);
  r->verdict = (mt_verdict)(mt_random_bits(random) % 4);
  r->valid = mt_random_bits(random) % 2 == 0;
  r->has_clock_offset = mt_random_bits(random) % 2 == 0;
  r->clock_offset_ppm = random_number(random);
  for (uint64_t n = mt_random_bits(random) % 60; n > 0; n--) {
    mt_quantity q = (mt_quantity)(mt_random_bits(random) % MT_Q_RESPONSE);
    double value = q == MT_Q_ROUTE ? 1.0 : q == MT_Q_POLARITY ? -1.0 : random_number(random);
    mt_reading *m = add(r, q, (mt_channel)(mt_random_bits(random) % 6) - 1,
                        segments[mt_random_bits(random) % 8], value, fabs(random_number(random)),
                        (mt_validity)(mt_random_bits(random) % 6), (mt_verdict)(mt_random_bits(random) % 4));
    random_text(random, m->why, sizeof m->why);
    if (mt_random_bits(random) % 4 == 0)
      random_text(random, m->state, sizeof m->state);
    if (q == MT_Q_HARMONIC)
      m->order = (int)(mt_random_bits(random) % 10);
    m->freq_hz = fabs(random_number(random));
  }
  for (uint64_t n = mt_random_bits(random) % 5; n > 0; n--) {
    mt_judgement j = {.quantity = MT_Q_HUM, .verdict = (mt_verdict)(mt_random_bits(random) % 4)};
    mt_finding f = {.nevidence = 2};
    mt_problem p = {.channel = -1, .begin_s = fabs(random_number(random))};
    random_text(random, j.text, sizeof j.text);
    random_text(random, f.text, sizeof f.text);
    random_text(random, f.evidence[1], sizeof f.evidence[1]);
    random_text(random, p.text, sizeof p.text);
    assert_ok(mt_results_add_judgement(r, &j, &err), err);
    assert_ok(mt_results_add_finding(r, &f, &err), err);
    assert_ok(mt_results_add_problem(r, &p, &err), err);
  }
  add_response(r, MT_RIGHT);
  random_text(random, r->curves[0].state, sizeof r->curves[0].state);
  return r;
}

static void no_line_is_wider_than_a_terminal(void **state)
{
  mt_random random;

  (void)state;
  mt_random_init(&random, support_seed(4711));
  for (int i = 0; i < 400; i++) {
    mt_results *r = random_results(&random);
    char *got = text_of(r);
    char *clean = malloc(3 * strlen(got) + 1);
    char *rest = got;
    for (char *line = strsep(&rest, "\n"); line != NULL; line = strsep(&rest, "\n")) {
      if (mt_layout_columns(line) > 80)
        fail_msg("%zu columns: %s", mt_layout_columns(line), line);
      mt_layout_clean(clean, line);
      assert_string_equal(clean, line); /* valid UTF-8, no control characters */
    }
    free(clean);
    free(got);
    mt_results_destroy(&r);
  }
}

static void a_full_disk_is_an_error(void **state)
{
  mt_results *r = new_results();
  mt_error err = {0};
  FILE *full = fopen("/dev/full", "w");
  (void)state;
  assert_non_null(full);
  assert_int_equal(mt_report_text(r, full, &err), MT_E_IO);
  fclose(full);
  mt_results_destroy(&r);
}

/* Two states and a skipped one, what changes, what was seen by hand: by state, and within 80 columns. */
static void several_takes_are_told_by_state(void **state)
{
  mt_results *results = new_results();
  mt_take_summary takes[3] = {
      {.state = "flat", .valid = true, .nframes = 734400},
      {.state = "low lift on", .valid = true, .nframes = 508800, .parts = MT_PARTS_RESPONSE},
      {.state = "pad", .skipped = true, .valid = true}};
  mt_judgement judgements[3] = {
      {.quantity = MT_Q_BOOST,
       .channel = MT_RIGHT,
       .state = "low lift on",
       .verdict = MT_VERDICT_FAIL,
       .text = "Right channel's boost is 0.01 dB; 5.5 to 7.5 dB is allowed"},
      {.quantity = MT_Q_GAIN, .state = "pad", .verdict = MT_VERDICT_UNDECIDED, .text = "no"},
      {.quantity = MT_Q_BALANCE, .state = "pad", .verdict = MT_VERDICT_UNDECIDED, .text = "no"}};
  mt_change changes[2] = {
      {.quantity = MT_Q_NOISE_A,
       .channel = MT_LEFT,
       .state = "low lift on",
       .reference = "flat",
       .value = -85.0,
       .reference_value = -90.5,
       .difference = 5.5,
       .uncertainty = 0.25,
       .significant = true},
      {.quantity = MT_Q_HUM, .channel = MT_LEFT, .state = "low lift on", .reference = "flat"}};
  mt_answer answers[2] = {
      {.ask = "supply voltage at the jack",
       .is_number = true,
       .verdict = MT_VERDICT_FAIL,
       .text = "5.4 V; too much"},
      {.ask = "lamp", .verdict = MT_VERDICT_NONE, .text = "yes; filed, either is allowed"}};
  static const char *const want[] = {
      "FAIL: of 4 checks 2 are missed and 2 are undecided.\n",
      "Missed\n  State low lift on\n  - Right channel's boost is 0.01 dB; 5.5 to 7.5 dB is allowed\n"
      "  - By hand: supply voltage at the jack: 5.4 V; too much\n",
      "Undecided\n  State pad was skipped: 2 checks\n",
      "What else changes with the state\n  low lift on against flat: 2 other readings compared\n"
      "  - noise, A, left: -85.00 dBFS, -90.50 before: 5.50 more, +-0.25\n",
      "By hand\n  - supply voltage at the jack: 5.4 V; too much: FAIL\n  - lamp: yes; filed, either is "
      "allowed\n",
      "  states        flat: 15.300 s\n                low lift on: 10.600 s, response only\n"
      "                pad: skipped\n"};
  mt_error err = {0};
  char *text;
  (void)state;
  results->verdict = MT_VERDICT_FAIL;
  /* a reading made of both takes comes last, and is told with its state */
  add(results, MT_Q_LEVEL, MT_LEFT, "both", -20.0, 0.01, MT_VALID, MT_VERDICT_NONE);
  add(results, MT_Q_ROUTE, MT_LEFT, "left", MT_ROUTE_LEFT, 0.0, MT_VALID, MT_VERDICT_NONE);
  add(results, MT_Q_BOOST, MT_LEFT, "sweep", 6.5, 0.01, MT_VALID, MT_VERDICT_PASS);
  mt_text_copy(results->readings[0].state, sizeof results->readings[0].state, "low lift on");
  mt_text_copy(results->readings[1].state, sizeof results->readings[1].state, "flat");
  mt_text_copy(results->readings[2].state, sizeof results->readings[2].state, "low lift on");
  for (size_t i = 0; i < 3; i++)
    assert_ok(mt_results_add_take(results, &takes[i], &err), err);
  for (size_t i = 0; i < 3; i++)
    assert_ok(mt_results_add_judgement(results, &judgements[i], &err), err);
  for (size_t i = 0; i < 2; i++)
    assert_ok(mt_results_add_change(results, &changes[i], &err), err);
  for (size_t i = 0; i < 2; i++)
    assert_ok(mt_results_add_answer(results, &answers[i], &err), err);
  text = text_of(results);
  for (size_t i = 0; i < sizeof want / sizeof want[0]; i++)
    if (strstr(text, want[i]) == NULL)
      fail_msg("no\n%s\nin\n%s", want[i], text);
  assert_true(strstr(text, "sweep; state low lift on") < strstr(text, "each channel alone; state flat"));
  for (const char *line = text; *line != '\0'; line += strcspn(line, "\n") + 1)
    assert_true(strcspn(line, "\n") <= 80);
  free(text);
  mt_results_destroy(&results);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_faulty_unit_reads_like_this),
      cmocka_unit_test(each_verdict_is_said_in_words),
      cmocka_unit_test(every_validity_has_its_word),
      cmocka_unit_test(what_is_not_read_says_in_which_state),
      cmocka_unit_test(a_bound_on_what_is_better_when_more_is_a_lower_one),
      cmocka_unit_test(uncertainties_much_alike_give_one_number_of_decimals),
      cmocka_unit_test(one_reading_can_be_had_alone_and_in_percent),
      cmocka_unit_test(loads_are_told_in_a_sentence),
      cmocka_unit_test(a_third_channel_has_a_table_of_its_own),
      cmocka_unit_test(a_rig_shows_volts_and_what_stands_against_it),
      cmocka_unit_test(no_line_is_wider_than_a_terminal),
      cmocka_unit_test(a_full_disk_is_an_error),
      cmocka_unit_test(several_takes_are_told_by_state),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
