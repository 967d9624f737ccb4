#include "support.h"

#include "audio/unit_chain.h"
#include "base/decibel.h"

#define RATE 48000.0
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* ---- a source, a sink, a run ------------------------------------------------------------------------- */

/* A tone per channel, cos for the left and sin for the right, so that the two cannot be mistaken. */
typedef struct tones {
  double freq_hz[2];
  double amplitude[2];
} tones;

static double tone_at(const tones *t, unsigned c, double t_s)
{
  double angle = 2.0 * MT_PI * fmod(t->freq_hz[c] * t_s, 1.0);
  return t->amplitude[c] * (c == 0 ? cos(angle) : sin(angle));
}

static void render_tones(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  for (size_t n = 0; n < nframes; n++)
    for (unsigned c = 0; c < 2; c++)
      out[2 * n + c] = tone_at(ctx, c, t0_s + (double)n * dt_s);
}

/* One channel that counts frames, in steps a float holds exactly. */
static void render_count(void *ctx, double t0_s, double dt_s, size_t nframes, double *out)
{
  (void)ctx;
  for (size_t n = 0; n < nframes; n++)
    out[n] = rint((t0_s + (double)n * dt_s) * RATE) * 0x1p-20;
}

typedef struct capture {
  float *frames;
  size_t nframes;
  size_t capacity;
  size_t nbegun;
  double rate_hz;
  unsigned nchannels;
  bool play_aligned;
  size_t fail_after; /* 0: never */
} capture;

static mt_code begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  capture *c = ctx;
  (void)err;
  c->nbegun++;
  c->rate_hz = rate_hz;
  c->nchannels = nchannels;
  c->play_aligned = play_aligned;
  return MT_OK;
}

static mt_code block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  capture *c = ctx;
  if (c->nframes + nframes > c->capacity) {
    c->capacity = 2 * (c->nframes + nframes);
    c->frames = realloc(c->frames, c->capacity * 2 * sizeof(float));
    assert_non_null(c->frames);
  }
  memcpy(c->frames + 2 * c->nframes, frames, nframes * 2 * sizeof(float));
  c->nframes += nframes;
  if (c->fail_after > 0 && c->nframes >= c->fail_after)
    return mt_fail(err, MT_E_IO, "the disc is full");
  return MT_OK;
}

static mt_code problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                       mt_error *err)
{
  (void)ctx;
  (void)kind;
  (void)begin_s;
  (void)end_s;
  return mt_fail(err, MT_E_INTERNAL, "unexpected problem: %s", text);
}

static mt_code try_run(const mt_simulated_unit *unit, const mt_audio_source *source, double duration_s,
                       capture *out, mt_error *err)
{
  mt_audio_request request = {0};
  mt_audio_sink sink = {begin, block, problem, out, NULL};
  request.rate_hz = RATE;
  request.duration_s = duration_s;
  request.source = source;
  return mt_simulate_run(unit, &request, &sink, err);
}

static capture run_unit(const mt_simulated_unit *unit, tones *t, double duration_s)
{
  mt_audio_source source = {render_tones, t, 2, 1e9};
  capture c = {0};
  mt_error err = {0};
  assert_ok(try_run(unit, &source, duration_s, &c, &err), err);
  assert_int_equal(c.nbegun, 1);
  assert_int_equal(c.nchannels, 2);
  assert_true(c.play_aligned);
  assert_int_equal(c.nframes, (size_t)llround(duration_s * RATE));
  return c;
}

/* The last `n` frames of a channel, as double; freed by the caller. */
static double *tail_of(const capture *c, unsigned channel, size_t n)
{
  double *x = malloc(n * sizeof *x);
  assert_non_null(x);
  for (size_t i = 0; i < n; i++)
    x[i] = (double)c->frames[2 * (c->nframes - n + i) + channel];
  return x;
}

static double amplitude_of(const capture *c, unsigned channel, size_t n, double freq_hz)
{
  double *x = tail_of(c, channel, n);
  double a = support_dft_amplitude(x, n, RATE, freq_hz);
  free(x);
  return a;
}

/* 0 dBFS is the RMS of a full-scale sine. */
static double level_dbfs(const capture *c, unsigned channel)
{
  double *x = tail_of(c, channel, c->nframes);
  double level = mt_db_of_power(2.0 * support_mean_square(x, c->nframes));
  free(x);
  return level;
}

/* ---- tests ------------------------------------------------------------------------------------------- */

static void a_wire_delivers_the_source_to_the_last_bit(void **state)
{
  tones t = {{997.0, 1999.0}, {0.5, 0.25}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  c = run_unit(&unit, &t, 0.3);
  /* both sides round the same double to float, up to the last bit of t itself: 1e-16 s * 2 pi 2 kHz */
  for (size_t n = 0; n < c.nframes; n++)
    for (unsigned k = 0; k < 2; k++)
      assert_near((double)c.frames[2 * n + k], tone_at(&t, k, (double)n / RATE), 3.1e-8, "FS");
  free(c.frames);
}

/* Exact rendering: no interpolation error, and no drift after ten seconds. Tolerance: half a float step at
 * 0.5 (3.0e-8) and rounding of t at 10 s (1.8e-15 s * 2 pi 20 kHz * 0.5 = 1.1e-10). */
static void clock_offset_and_delay_render_the_source_at_the_recorders_moments(void **state)
{
  static const double offsets_ppm[] = {-500.0, 80.0, 0.01, 500.0};
  tones t = {{19997.0, 997.0}, {0.5, 0.5}};
  (void)state;
  for (size_t i = 0; i < COUNT(offsets_ppm); i++) {
    mt_simulated_unit unit;
    capture c;
    mt_simulate_init(&unit);
    unit.clock_offset_ppm = offsets_ppm[i];
    unit.delay_s = 0.0123456789;
    c = run_unit(&unit, &t, 10.0);
    for (size_t n = 0; n < c.nframes; n += 17) {
      long double seconds = (long double)n / 48000.0L * (1.0L + (long double)offsets_ppm[i] * 1e-6L);
      for (unsigned k = 0; k < 2; k++)
        assert_near((double)c.frames[2 * n + k],
                    tone_at(&t, k, (double)(seconds - (long double)unit.delay_s)), 3.1e-8, "FS");
    }
    free(c.frames);
  }
}

static void a_drifting_clock_renders_the_source_at_the_recorders_moments(void **state)
{
  static const double drifts[] = {-2.0, 0.01, 10.0};
  tones t = {{19997.0, 997.0}, {0.5, 0.5}};
  (void)state;
  for (size_t i = 0; i < COUNT(drifts); i++) {
    mt_simulated_unit unit;
    capture c;
    mt_simulate_init(&unit);
    unit.clock_offset_ppm = -80.0;
    unit.clock_drift_ppm_per_s = drifts[i];
    c = run_unit(&unit, &t, 10.0);
    for (size_t n = 0; n < c.nframes; n += 17) {
      long double at = (long double)n / 48000.0L;
      long double seconds = at * (1.0L + 1e-6L * (-80.0L + 0.5L * (long double)drifts[i] * at));
      for (unsigned k = 0; k < 2; k++)
        /* rounding to float; 10 ppm/s bend 64 frames by 2.2e-12 s */
        assert_near((double)c.frames[2 * n + k], tone_at(&t, k, (double)seconds), 2e-7, "FS");
    }
    free(c.frames);
  }
}

/* Linear interpolation of a sine of frequency f at rate r: gain sinc(f / r)^2, images at k r - f (Crochiere and
   Rabiner, Multirate Digital Signal Processing, on interpolators of first order). */
static void a_mixer_joins_its_samples_by_straight_lines(void **state)
{
  /* no image k x 44100 -+ f folds back onto f: 2 f is no multiple of 300 Hz */
  tones t = {{1000.0, 14987.0}, {0.5, 0.5}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  unit.mixer_rate_hz = 44100.0;
  c = run_unit(&unit, &t, 1.0);
  for (unsigned k = 0; k < 2; k++) {
    double x = MT_PI * t.freq_hz[k] / 44100.0, want = 0.5 * pow(sin(x) / x, 2.0), re = 0.0, im = 0.0;
    for (size_t n = 0; n < c.nframes; n++) { /* whole periods in a second: exact sums */
      re += (double)c.frames[2 * n + k] * cos(2.0 * MT_PI * t.freq_hz[k] * (double)n / RATE);
      im += (double)c.frames[2 * n + k] * sin(2.0 * MT_PI * t.freq_hz[k] * (double)n / RATE);
    }
    assert_near(2.0 * hypot(re, im) / (double)c.nframes, want, 1e-5,
                "FS"); /* the 160th image folds back onto it: 3e-6 */
  }
  free(c.frames);
}

static void low_shelf_has_the_cookbooks_coefficients(void **state)
{
  /* Audio EQ Cookbook, lowShelf, +6.5 dB at 100 Hz, S = 1, 48 kHz, normalised by a0; SciPy's freqz agrees */
  static const double b[] = {1.0034895283266285, -1.9845817432191994, 0.9813394190146831};
  static const double a[] = {-1.9846468628094565, 0.9847638277510546};
  mt_simulated_unit unit;
  mt_unit_filter high_pass, shelf;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].shelf_db = 6.5;
  unit.channel[0].shelf_hz = 100.0;
  mt_unit_filters(&unit.channel[0], RATE, &high_pass, &shelf);
  for (size_t i = 0; i < 3; i++)
    assert_near(shelf.b[i], b[i], 4e-15, ""); /* a few roundings of a double near 2 */
  for (size_t i = 0; i < 2; i++)
    assert_near(shelf.a[i], a[i], 4e-15, "");
  assert_near(high_pass.b[0], 1.0, 0.0, "");
  assert_near(high_pass.b[1], 0.0, 0.0, "");
}

static void low_shelf_has_the_published_response(void **state)
{
  /* the same filter, from SciPy's freqz, rounded to 4 digits */
  static const double table[][2] = {{20.0, 6.4886},  {50.0, 6.0878},  {100.0, 3.2500},
                                    {200.0, 0.4122}, {500.0, 0.0114}, {1000.0, 0.0007}};
  mt_simulated_unit unit;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[1].shelf_db = 6.5;
  unit.channel[1].shelf_hz = 100.0;
  for (size_t i = 0; i < COUNT(table); i++)
    assert_near(mt_simulate_gain_db(&unit, 1, RATE, table[i][0]), table[i][1], 5e-5, "dB");
  assert_near(mt_simulate_gain_db(&unit, 0, RATE, 50.0), 0.0, 1e-12, "dB");
}

static void high_pass_is_a_coupling_capacitor(void **state)
{
  /* f_c = 1 / (2 pi R C): -10 lg(1 + (fc/f)^2), rounded to 3 digits. Tolerance: that rounding, and what the
   * bilinear transform moves with a corner of 500 Hz (0.0031 dB). */
  static const struct {
    double farad, ohm, db[4];
  } table[] = {
      {470e-6, 32.0, {-1.072, -0.190, -0.048, -0.000}},   {220e-6, 32.0, {-3.575, -0.808, -0.216, -0.002}},
      {220e-6, 16.0, {-7.861, -2.595, -0.808, -0.009}},   {100e-6, 32.0, {-8.564, -2.987, -0.960, -0.011}},
      {47e-6, 32.0, {-14.623, -7.387, -3.263, -0.048}},   {22e-6, 32.0, {-21.098, -13.313, -7.861, -0.216}},
      {10e-6, 32.0, {-27.920, -19.998, -14.106, -0.960}}, {1e-6, 10e3, {-2.131, -0.419, -0.109, -0.001}},
      {0.1e-6, 10e3, {-18.084, -10.466, -5.481, -0.109}},
  };
  static const double freq_hz[] = {20.0, 50.0, 100.0, 1000.0};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_simulated_unit unit;
    double corner_hz = 1.0 / (2.0 * MT_PI * table[i].farad * table[i].ohm);
    mt_simulate_init(&unit);
    unit.channel[0].high_pass_hz = corner_hz;
    for (size_t k = 0; k < 4; k++)
      assert_near(mt_simulate_gain_db(&unit, 0, RATE, freq_hz[k]), table[i].db[k], 0.0005 + 0.0031, "dB");
    /* at the corner itself: half the power, 45 degrees ahead */
    assert_near(mt_simulate_gain_db(&unit, 0, RATE, corner_hz), mt_db_of_power(0.5), 1e-10, "dB");
    assert_near(mt_simulate_phase_deg(&unit, 0, RATE, corner_hz), 45.0, 1e-9, "deg");
  }
}

/* What comes out has the gain and phase the formula promises; a sine through both filters, per channel. */
static void the_run_has_the_stated_response(double offset_ppm)
{
  static const double freq_hz[] = {20.0, 97.0, 997.0, 10007.0, 19997.0};
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  unit.clock_offset_ppm = offset_ppm;
  unit.channel[0].gain_db = -3.0;
  unit.channel[0].high_pass_hz = 30.0;
  unit.channel[0].shelf_db = -6.0;
  unit.channel[0].shelf_hz = 300.0;
  unit.channel[1].poly[0] = 0.9;
  unit.channel[1].shelf_db = 6.5;
  unit.channel[1].shelf_hz = 100.0;
  unit.channel[1].invert = true;
  for (size_t i = 0; i < COUNT(freq_hz); i++) {
    double seen_hz = freq_hz[i] * (1.0 + offset_ppm * 1e-6);
    tones t = {{freq_hz[i], freq_hz[i]}, {0.1, 0.1}};
    capture c = run_unit(&unit, &t, 2.0); /* the first second is for the filters to settle */
    for (unsigned k = 0; k < 2; k++) {
      double want_db = mt_simulate_gain_db(&unit, k, RATE, seen_hz);
      double shift = mt_simulate_phase_deg(&unit, k, RATE, seen_hz) * MT_PI / 180.0;
      double worst = 0.0;
      for (size_t n = c.nframes / 2; n < c.nframes; n++) {
        double angle = 2.0 * MT_PI * fmod(seen_hz * ((double)n / RATE), 1.0) + shift;
        double want = 0.1 * mt_ratio_of_db(want_db) * (k == 0 ? cos(angle) : sin(angle));
        worst = fmax(worst, fabs((double)c.frames[2 * n + k] - want));
      }
      /* half a float step at 0.25 is 7.5e-9 (1.5e-8 up to 0.5); the rest are roundings of phases */
      assert_near(worst, 0.0, 1.6e-8, "FS");
    }
    free(c.frames);
  }
}

static void filters_follow_their_formula_at_any_clock_offset(void **state)
{
  (void)state;
  the_run_has_the_stated_response(0.0);
  the_run_has_the_stated_response(500.0);
  the_run_has_the_stated_response(-500.0);
}

static void gain_and_routing_do_what_they_say(void **state)
{
  tones t = {{997.0, 1999.0}, {0.1, 0.2}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].gain_db = -20.0;
  unit.channel[1].gain_db = 6.0;
  c = run_unit(&unit, &t, 1.0);
  assert_near(amplitude_of(&c, 0, 48000, 997.0), 0.01, 1e-10, "FS");
  assert_near(amplitude_of(&c, 1, 48000, 1999.0), 0.2 * pow(10.0, 0.3), 1e-10, "FS");
  free(c.frames);
  unit.swap = true; /* at the input: each channel keeps its own gain */
  c = run_unit(&unit, &t, 1.0);
  assert_near(amplitude_of(&c, 0, 48000, 1999.0), 0.02, 1e-10, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 997.0), 0.0, 1e-10, "FS");
  assert_near(amplitude_of(&c, 1, 48000, 997.0), 0.1 * pow(10.0, 0.3), 1e-10, "FS");
  free(c.frames);
  unit.swap = false;
  unit.sum = true;
  unit.channel[0].gain_db = 0.0;
  c = run_unit(&unit, &t, 1.0);
  assert_near(amplitude_of(&c, 0, 48000, 997.0), 0.05, 1e-10, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 1999.0), 0.1, 1e-10, "FS");
  free(c.frames);
}

static void a_muted_channel_still_hears_the_other(void **state)
{
  tones t = {{997.0, 1999.0}, {0.1, 0.1}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[1].mute = true;
  unit.channel[1].crosstalk_db = -60.0;
  unit.channel[0].crosstalk_db = -40.0; /* but nothing comes from a muted output */
  c = run_unit(&unit, &t, 1.0);
  assert_near(amplitude_of(&c, 1, 48000, 997.0), 1e-4, 1e-11, "FS");
  assert_near(amplitude_of(&c, 1, 48000, 1999.0), 0.0, 1e-11, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 1999.0), 0.0, 1e-10, "FS");
  assert_true(isinf(mt_simulate_gain_db(&unit, 1, RATE, 997.0)));
  free(c.frames);
}

/* ---- output and load --------------------------------------------------------------------------------- */

/* Both outputs alike: `ohm` of source, `load` on each. */
static mt_simulated_unit loaded_unit(double ohm, double load)
{
  mt_simulated_unit unit;
  mt_simulate_init(&unit);
  unit.load_ohm = load;
  unit.channel[0].output_ohm = unit.channel[1].output_ohm = ohm;
  return unit;
}

static void a_load_takes_the_level_of_the_divider(void **state)
{
  /* 20 lg((Z + R) / R) for 16, 32 and 300 ohm, rounded to 3 digits; and 10 ohm leave 0.967742 and 0.761905 on 300 and
   * 32 ohm to 6 digits. Ohm's law. */
  static const double table[][4] = {{0.1, .054, .027, .003},       {0.5, .267, .135, .014},
                                    {1.0, .527, .267, .029},       {2.0, 1.023, .527, .058},
                                    {10.0, 4.217, 2.362, .285},    {33.0, 9.722, 6.155, .906},
                                    {75.0, 15.098, 10.485, 1.938}, {120.0, 18.588, 13.534, 2.923}};
  static const double load[] = {16.0, 32.0, 300.0};
  mt_simulated_unit unit;
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++)
    for (size_t k = 0; k < 3; k++) {
      unit = loaded_unit(table[i][0], load[k]);
      assert_near(mt_simulate_gain_db(&unit, 0, RATE, 997.0), -table[i][k + 1], 0.0005, "dB");
    }
  unit = loaded_unit(10.0, 300.0);
  assert_near(mt_ratio_of_db(mt_simulate_gain_db(&unit, 1, RATE, 997.0)), 0.967742, 5e-7, "");
  unit.load_ohm = 32.0;
  assert_near(mt_ratio_of_db(mt_simulate_gain_db(&unit, 1, RATE, 997.0)), 0.761905, 5e-7, "");
  unit.load_ohm = 0.0; /* open: nothing is lost, but into the sound card */
  assert_near(mt_simulate_gain_db(&unit, 1, RATE, 997.0), 0.0, 1e-12, "dB");
  unit.input_ohm = 10e3;
  assert_near(mt_ratio_of_db(mt_simulate_gain_db(&unit, 1, RATE, 997.0)), 10e3 / 10010.0, 1e-12, "");
}

static void an_output_capacitors_corner_moves_with_the_load(void **state)
{
  mt_simulated_unit unit = loaded_unit(10.0, 32.0);
  double corner_hz = 1.0 / (2.0 * MT_PI * 220e-6 * 42.0), middle_db;
  tones t = {{20.0, 20.0}, {0.1, 0.1}};
  capture c;
  (void)state;
  unit.channel[0].output_uf = 220.0;
  middle_db = mt_db_of_ratio(32.0 / 42.0);
  assert_near(mt_simulate_gain_db(&unit, 0, RATE, corner_hz), middle_db + mt_db_of_power(0.5), 1e-10, "dB");
  assert_near(mt_simulate_phase_deg(&unit, 0, RATE, corner_hz), 45.0, 1e-9, "deg");
  c = run_unit(&unit, &t, 2.0);
  assert_near(amplitude_of(&c, 0, 48000, 20.0),
              0.1 * mt_ratio_of_db(mt_simulate_gain_db(&unit, 0, RATE, 20.0)), 1e-8, "FS");
  assert_near(amplitude_of(&c, 1, 48000, 20.0), 0.1 * 32.0 / 42.0, 1e-8, "FS"); /* that has none */
  free(c.frames);
  unit.load_ohm = 300.0;
  corner_hz = 1.0 / (2.0 * MT_PI * 220e-6 * 310.0);
  assert_near(mt_simulate_gain_db(&unit, 0, RATE, corner_hz),
              mt_db_of_ratio(300.0 / 310.0) + mt_db_of_power(0.5), 1e-10, "dB");
}

/* The silent channel held at 0 V: R_c / (R + R_c), inverted, at all frequencies; to 1 digit after the point. */
static void a_shared_return_crosses_over_inverted(void **state)
{
  static const double table[][2] = {{0.01, -70.1}, {0.1, -50.1}, {0.5, -36.3}, {1.0, -30.4}};
  static const double freq_hz[] = {97.0, 9973.0};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++)
    for (size_t k = 0; k < 2; k++) {
      mt_simulated_unit unit = loaded_unit(0.0, 32.0);
      tones t = {{freq_hz[k], 1999.0}, {0.1, 0.0}};
      double own, cross;
      capture c;
      unit.return_ohm = table[i][0];
      c = run_unit(&unit, &t, 1.0);
      own = amplitude_of(&c, 0, 48000, freq_hz[k]);
      cross = amplitude_of(&c, 1, 48000, freq_hz[k]);
      assert_near(mt_db_of_ratio(cross / own), table[i][1], 0.05, "dB");
      assert_near(cross / own, table[i][0] / (32.0 + table[i][0]), 1e-7, "");
      for (size_t n = 0; n < c.nframes; n++) /* its sign: always the other one */
        assert_true((double)c.frames[2 * n] * (double)c.frames[2 * n + 1] <= 0.0);
      free(c.frames);
    }
}

/* Sources that differ, driven in phase: solved again by Kirchhoff's laws, repeating until the currents fit. */
static void outputs_that_differ_obey_kirchhoff(void **state)
{
  mt_simulated_unit unit = loaded_unit(10.0, 33.0);
  const double input = 10e3, shared = 0.7, load = 33.0 * input / (33.0 + input), ohm[] = {10.0, 47.0};
  const double e[] = {0.1, -0.2};
  tones t = {{997.0, 997.0}, {0.1, 0.0}};
  double current[2] = {0.0, 0.0};
  mt_audio_source source = {render_tones, &t, 2, 1e9};
  capture c = {0};
  (void)state;
  unit.channel[1].output_ohm = ohm[1];
  unit.channel[1].gain_db = mt_db_of_ratio(4.0);
  unit.channel[1].invert = true;
  unit.input_ohm = input;
  unit.return_ohm = shared;
  unit.sum = true; /* both get half of the one tone */
  unit.channel[0].gain_db = mt_db_of_ratio(2.0);
  for (int i = 0; i < 100; i++) {
    double end = shared * (current[0] + current[1]);
    for (int k = 0; k < 2; k++)
      current[k] = (e[k] - end) / (ohm[k] + load);
  }
  assert_ok(try_run(&unit, &source, 1.0, &c, NULL), (mt_error){0});
  for (int k = 0; k < 2; k++)
    assert_near(amplitude_of(&c, (unsigned)k, 48000, 997.0), fabs(current[k]) * load, 1e-8, "FS");
  assert_true((double)c.frames[0] * current[0] > 0.0 && (double)c.frames[1] * current[1] > 0.0);
  free(c.frames);
}

static void a_limited_current_flattens_the_peaks_under_load_only(void **state)
{
  mt_simulated_unit unit = loaded_unit(0.0, 0.0);
  tones t = {{997.0, 997.0}, {0.5, 0.5}};
  double open, loaded = 0.0;
  capture c;
  (void)state;
  unit.channel[0].current_limit = 0.01;
  c = run_unit(&unit, &t, 1.0);
  open = amplitude_of(&c, 0, 48000, 997.0);
  free(c.frames);
  unit.load_ohm = 33.0;
  c = run_unit(&unit, &t, 1.0);
  for (size_t n = 0; n < c.nframes; n++)
    loaded = fmax(loaded, fabs((double)c.frames[2 * n]));
  assert_near(open, 0.5, 1e-8, "FS");
  assert_near(loaded, 0.33, 1e-7, "FS");
  free(c.frames);
}

/* ---- bent ------------------------------------------------------------------------------------------- */

/* y = x + a2 x^2 + a3 x^3 on A cos: H1 = A + 3/4 a3 A^3, H2 = a2 A^2/2, H3 = a3 A^3/4, DC = a2 A^2/2
 * (trigonometric identities). Values for A = 0.5, a2 = 0.01, a3 = 0.005 worked out by hand. */
static void polynomial_gives_the_harmonics_of_its_identities(void **state)
{
  tones t = {{997.0, 997.0}, {0.5, 0.5}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].poly[1] = 0.01;
  unit.channel[0].poly[2] = 0.005;
  c = run_unit(&unit, &t, 1.0);
  assert_near(amplitude_of(&c, 0, 48000, 997.0), 0.50046875, 1e-9, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 1994.0), 0.00125, 1e-9, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 2991.0), 0.00015625, 1e-9, "FS");
  assert_near(amplitude_of(&c, 0, 48000, 0.0) / 2.0, 0.00125, 1e-9, "FS");
  free(c.frames);
}

/* Fourier series of a sine clipped at c: b1 = 2/pi (th + c cos th), b3 = 4 (3 cos th sin 3th - c cos 3th)/(24 pi)
 * with th = asin c; of the soft dead zone: 1 - b1, -b3. In 1 s at 48 kHz 997 Hz takes 48000 phases, so the
 * sampled in-band lines are the series to about 1e-6 of the tone (what folds back from order 10^4). */
static void clip_and_dead_zone_give_their_series(void **state)
{
  tones t = {{997.0, 997.0}, {0.1, 0.1}};
  mt_simulated_unit unit;
  capture c;
  (void)state;
  mt_simulate_init(&unit);
  unit.channel[0].clip = 0.09;
  unit.channel[1].dead_zone = 0.001;
  c = run_unit(&unit, &t, 1.0);
  assert_near(mt_db_of_ratio(amplitude_of(&c, 0, 48000, 997.0) / 0.1), -0.3310, 1e-4, "dB");
  assert_near(mt_db_of_ratio(amplitude_of(&c, 0, 48000, 2991.0) / amplitude_of(&c, 0, 48000, 997.0)),
              -29.6658, 1e-3, "dB");
  assert_near(mt_db_of_ratio(amplitude_of(&c, 1, 48000, 997.0) / 0.1), -0.1113, 1e-4, "dB");
  assert_near(mt_db_of_ratio(amplitude_of(&c, 1, 48000, 2991.0) / amplitude_of(&c, 1, 48000, 997.0)), -47.334,
              2e-3, "dB");
  free(c.frames);
}

static void noise_has_its_level_and_its_own_stream(void **state)
{
  mt_simulated_unit unit;
  capture one, two;
  mt_error err = {0};
  (void)state;
  one = two = (capture){0};
  mt_simulate_init(&unit);
  unit.seed = support_seed(7);
  unit.channel[1].noise_dbfs = -80.0;
  assert_ok(try_run(&unit, NULL, 5.0, &one, &err), err);
  /* level of n = 240000 Gaussian samples: standard deviation 4.343 sqrt(2/n) = 0.0125 dB; five of them */
  assert_near(level_dbfs(&one, 1), -80.0, 0.063, "dBFS");
  for (size_t n = 0; n < one.nframes; n++)
    assert_true(one.frames[2 * n] >= 0.0f && one.frames[2 * n] <= 0.0f);
  unit.channel[0].noise_dbfs = -60.0;
  assert_ok(try_run(&unit, NULL, 5.0, &two, &err), err);
  for (size_t n = 0; n < one.nframes; n++) /* the left's noise changes nothing on the right */
    assert_memory_equal(&one.frames[2 * n + 1], &two.frames[2 * n + 1], sizeof(float));
  free(one.frames);
  free(two.frames);
}

static void hum_has_five_orders_and_dc_stays(void **state)
{
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  unit.hum_hz = 60.0;
  unit.channel[0].hum_dbfs = -40.0;
  unit.channel[0].dc = -0.001;
  assert_ok(try_run(&unit, NULL, 1.0, &c, &err), err);
  for (int k = 1; k <= 6; k++)
    assert_near(amplitude_of(&c, 0, 48000, 60.0 * k), k <= 5 ? 0.01 * pow(10.0, -(k - 1) / 2.0) : 0.0, 1e-9,
                "FS");
  double mean = 0.0; /* over whole periods of all orders */
  for (size_t n = 0; n < c.nframes; n++)
    mean += (double)c.frames[2 * n] / (double)c.nframes;
  assert_near(mean, -0.001, 1e-9, "FS");
  free(c.frames);
}

/* TPDF of 2 LSB peak to peak triples the power of rounding: q^2/12 + 2 q^2/12 = q^2/4; re a full-scale sine
 * that is 20 lg(2) N + 1.761 - 4.771 dB (Lipshitz, Wannamaker, Vanderkooy 1992). */
static void quantiser_noise_is_that_of_tpdf_dither(void **state)
{
  static const struct {
    unsigned bits;
    double want_dbfs;
  } table[] = {{16, -93.319}, {20, -117.402}, {24, -141.484}};
  (void)state;
  for (size_t i = 0; i < COUNT(table); i++) {
    tones t = {{997.0, 1999.0}, {0.9, 0.1}};
    mt_simulated_unit unit;
    capture c;
    mt_simulate_init(&unit);
    unit.bits = table[i].bits;
    c = run_unit(&unit, &t, 4.0);
    for (unsigned k = 0; k < 2; k++) {
      double sum = 0.0;
      for (size_t n = 0; n < c.nframes; n++) {
        double y = (double)c.frames[2 * n + k], off = y - tone_at(&t, k, (double)n / RATE);
        assert_near(ldexp(y, (int)unit.bits - 1), rint(ldexp(y, (int)unit.bits - 1)), 0.0, "LSB");
        sum += off * off;
      }
      /* n = 192000 errors of kurtosis below 3: standard deviation below 0.014 dB; five of them */
      assert_near(mt_db_of_power(2.0 * sum / (double)c.nframes), table[i].want_dbfs, 0.07, "dBFS");
    }
    free(c.frames);
  }
}

static void a_quantiser_stops_at_full_scale(void **state)
{
  tones t = {{997.0, 1999.0}, {1.5, 1.0}};
  mt_simulated_unit unit;
  capture c;
  float most = 0.0f, least = 0.0f;
  (void)state;
  mt_simulate_init(&unit);
  unit.bits = 16;
  c = run_unit(&unit, &t, 0.1);
  for (size_t i = 0; i < 2 * c.nframes; i++) {
    most = fmaxf(most, c.frames[i]);
    least = fminf(least, c.frames[i]);
  }
  assert_near((double)most, 32767.0 / 32768.0, 0.0, "FS");
  assert_near((double)least, -1.0, 0.0, "FS");
  free(c.frames);
}

static void add_dropout(mt_simulated_unit *unit, mt_dropout_kind kind, double frame, size_t nframes)
{
  mt_simulated_dropout *drop = &unit->dropouts[unit->ndropouts++];
  drop->kind = kind;
  drop->at_s = frame / RATE;
  drop->nframes = nframes;
  drop->channel[0] = true;
}

/* Dropouts are laid out by hand: which frame of the source stands at which place of the take. */
static void dropouts_lose_repeat_and_mute_the_very_frames(void **state)
{
  mt_audio_source source = {render_count, NULL, 1, 1e9};
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  add_dropout(&unit, MT_SIMULATED_REPEAT, 20000.0, 3000); /* not in order of time, longer than a block */
  add_dropout(&unit, MT_SIMULATED_LOSE, 5000.0, 4321);
  add_dropout(&unit, MT_SIMULATED_MUTE, 100.0, 480);
  assert_ok(try_run(&unit, &source, 1.0, &c, &err), err);
  assert_int_equal(c.nframes, 48000);
  for (size_t n = 0; n < c.nframes; n++) {
    size_t from = n < 5000 ? n : n < 23000 ? n + 4321 : n + 4321 - 3000;
    double want = (double)from * 0x1p-20;
    assert_near((double)c.frames[2 * n + 1], want, 0.0, "FS"); /* one channel feeds both inputs */
    assert_near((double)c.frames[2 * n], n >= 100 && n < 580 ? 0.0 : want, 0.0, "FS");
  }
  free(c.frames);
}

static void gain_hum_and_clip_spoil_the_very_frames(void **state)
{
  mt_audio_source source = {render_count, NULL, 1, 1e9};
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  add_dropout(&unit, MT_SIMULATED_GAIN, 1000.0, 5000); /* they may overlap: time is whole */
  unit.dropouts[0].level_db = -6.0;
  add_dropout(&unit, MT_SIMULATED_HUM, 2000.0, 96);
  unit.dropouts[1].level_db = -40.0;
  add_dropout(&unit, MT_SIMULATED_CLIP, 30000.0, 480);
  unit.dropouts[2].level_db = -40.0;
  assert_ok(try_run(&unit, &source, 1.0, &c, &err), err);
  for (size_t n = 0; n < c.nframes; n++) {
    double sound = (double)n * 0x1p-20, want = sound;
    if (n >= 1000 && n < 6000)
      want *= pow(10.0, -6.0 / 20.0);
    for (int k = 1; n >= 2000 && n < 2096 && k <= 5; k++)
      want += 0.01 * pow(10.0, -0.5 * (k - 1)) * sin(2.0 * MT_PI * 50.0 * k * (double)n / RATE);
    if (n >= 30000 && n < 30480)
      want = fmin(want, 0.01);
    assert_near((double)c.frames[2 * n], want, 4e-9, "FS"); /* rounding to float */
    assert_near((double)c.frames[2 * n + 1], sound, 0.0, "FS");
  }
  free(c.frames);
}

/* The closed form: a gain in decibels in proportion to time, the tracking between its points straight. */
static void a_turned_control_attenuates_by_what_its_tracks_say(void **state)
{
  mt_audio_source source = {render_count, NULL, 1, 1e9};
  mt_simulated_unit unit;
  mt_simulated_volume *v = &unit.volume;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  *v = (mt_simulated_volume){.range_db = 40.0, .from_s = 0.1, .to_s = 0.5, .back_s = 0.6, .up_s = 0.8};
  v->tracking_db[1][0] = 20.0;
  v->tracking_db[1][1] = -2.0;
  v->ntracking = 2;
  v->ndead = 1;
  v->dead[0] = (mt_simulated_dead){.from_db = 30.0, .to_db = 32.0, .channel = {true, false}};
  v->nscratches = 1;
  v->scratches[0] = (mt_simulated_scratch){0.9, 0.05, -40.0, {false, true}};
  assert_ok(try_run(&unit, &source, 1.0, &c, &err), err);
  for (size_t n = 0; n < c.nframes; n++) {
    double t = (double)n / RATE, sound = (double)n * 0x1p-20;
    double down = t < 0.1   ? 0.0
                  : t < 0.5 ? (t - 0.1) * 100.0
                  : t < 0.6 ? 40.0
                  : t < 0.8 ? (0.8 - t) * 200.0
                            : 0.0;
    double right = down + (down < 20.0 ? -2.0 * down / 20.0 : -2.0);
    double left = down >= 30.0 && down <= 32.0 ? 30.0 : down;
    /* rounding to float, and of the moments at which the spot begins and ends */
    if (fabs(down - 30.0) > 0.01 && fabs(down - 32.0) > 0.01)
      assert_near((double)c.frames[2 * n], sound * pow(10.0, -left / 20.0), 1e-8, "FS");
    if (t < 0.9)
      assert_near((double)c.frames[2 * n + 1], sound * pow(10.0, -right / 20.0), 1e-8, "FS");
  }
  {
    double squares = 0.0;
    for (size_t n = (size_t)(0.9 * RATE); n < (size_t)(0.95 * RATE); n++)
      squares += pow((double)c.frames[2 * n + 1] - (double)n * 0x1p-20, 2.0) / (0.05 * RATE);
    /* 2400 samples: 4.34 sqrt(2 / 2400) = 0.13 dB, k = 4 */
    assert_near(mt_db_of_power(2.0 * squares), -40.0, 0.5, "dBFS");
  }
  v->step_db = 3.0;
  assert_near(mt_simulate_turned_db(v, 0.2), 9.0, 1e-12, "dB"); /* 10 dB: the nearest step */
  free(c.frames);
}

static void a_repeat_at_the_very_end_keeps_the_length(void **state)
{
  mt_audio_source source = {render_count, NULL, 1, 1e9};
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  add_dropout(&unit, MT_SIMULATED_REPEAT, 47900.0, 80);
  add_dropout(&unit, MT_SIMULATED_LOSE, 50000.0, 80); /* after the end: nothing happens */
  assert_ok(try_run(&unit, &source, 1.0, &c, &err), err);
  assert_int_equal(c.nframes, 48000);
  assert_near((double)c.frames[2 * 47999], 47919.0 * 0x1p-20, 0.0, "FS");
  free(c.frames);
}

static void dropouts_inside_one_another_are_refused(void **state)
{
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  add_dropout(&unit, MT_SIMULATED_REPEAT, 1000.0, 100);
  add_dropout(&unit, MT_SIMULATED_LOSE, 1150.0, 10);
  assert_int_equal(try_run(&unit, NULL, 1.0, &c, &err), MT_E_ARG);
  assert_int_equal(c.nbegun, 0);
}

static void what_is_out_of_range_is_refused_before_anything_is_delivered(void **state)
{
  mt_simulated_unit wire, unit;
  capture c = {0};
  mt_error err = {0};
  mt_audio_source wide = {render_count, NULL, 3, 1.0};
  (void)state;
  mt_simulate_init(&wire);
  assert_int_equal(try_run(&wire, NULL, 0.0, &c, &err), MT_E_ARG);
  assert_int_equal(try_run(&wire, NULL, (double)NAN, &c, &err), MT_E_ARG);
  assert_int_equal(try_run(&wire, &wide, 1.0, &c, &err), MT_E_ARG);
#define REFUSED(change)                                                                                      \
  do {                                                                                                       \
    unit = wire;                                                                                             \
    change;                                                                                                  \
    err.message[0] = '\0';                                                                                   \
    assert_int_equal(try_run(&unit, NULL, 1.0, &c, &err), MT_E_ARG);                                         \
    assert_true(err.message[0] != '\0');                                                                     \
  } while (0)
  REFUSED(unit.channel[1].gain_db = (double)NAN);
  REFUSED(unit.channel[0].poly[3] = (double)INFINITY);
  REFUSED(unit.channel[0].high_pass_hz = 24000.0);
  REFUSED(unit.channel[0].high_pass_hz = -1.0);
  REFUSED(unit.channel[0].shelf_db = 3.0);
  REFUSED(unit.channel[0].noise_dbfs = (double)NAN);
  REFUSED(unit.bits = 17);
  REFUSED(unit.clock_offset_ppm = (double)NAN);
  REFUSED(unit.delay_s = (double)INFINITY);
  REFUSED(unit.hum_hz = 0.0);
  REFUSED(unit.clock_drift_ppm_per_s = (double)NAN);
  REFUSED(unit.clock_drift_ppm_per_s = -2000.0);
  REFUSED(unit.mixer_rate_hz = 100.0);
  REFUSED(unit.mixer_rate_hz = (double)NAN);
  REFUSED(unit.load_ohm = -1.0);
  REFUSED(unit.return_ohm = (double)NAN);
  REFUSED(unit.channel[0].output_ohm = (double)INFINITY);
  REFUSED(unit.channel[1].current_limit = -1.0);
  REFUSED((unit.load_ohm = 1.0, unit.channel[1].output_uf = 1.0)); /* a corner of 159 kHz */
  REFUSED(unit.ndropouts = MT_SIMULATED_DROPOUTS_MAX + 1);
#undef REFUSED
  assert_int_equal(c.nbegun, 0);
  assert_int_equal(c.nframes, 0);
}

static void a_failing_sink_ends_the_run(void **state)
{
  mt_simulated_unit unit;
  capture c = {0};
  mt_error err = {0};
  (void)state;
  mt_simulate_init(&unit);
  c.fail_after = 10000;
  assert_int_equal(try_run(&unit, NULL, 1.0, &c, &err), MT_E_IO);
  assert_string_equal(err.message, "the disc is full");
  assert_between((double)c.nframes, 10000.0, 10000.0 + MT_UNIT_BLOCK, "frames");
  free(c.frames);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_wire_delivers_the_source_to_the_last_bit),
      cmocka_unit_test(clock_offset_and_delay_render_the_source_at_the_recorders_moments),
      cmocka_unit_test(a_drifting_clock_renders_the_source_at_the_recorders_moments),
      cmocka_unit_test(a_mixer_joins_its_samples_by_straight_lines),
      cmocka_unit_test(low_shelf_has_the_cookbooks_coefficients),
      cmocka_unit_test(low_shelf_has_the_published_response),
      cmocka_unit_test(high_pass_is_a_coupling_capacitor),
      cmocka_unit_test(filters_follow_their_formula_at_any_clock_offset),
      cmocka_unit_test(gain_and_routing_do_what_they_say),
      cmocka_unit_test(a_muted_channel_still_hears_the_other),
      cmocka_unit_test(a_load_takes_the_level_of_the_divider),
      cmocka_unit_test(an_output_capacitors_corner_moves_with_the_load),
      cmocka_unit_test(a_shared_return_crosses_over_inverted),
      cmocka_unit_test(outputs_that_differ_obey_kirchhoff),
      cmocka_unit_test(a_limited_current_flattens_the_peaks_under_load_only),
      cmocka_unit_test(polynomial_gives_the_harmonics_of_its_identities),
      cmocka_unit_test(clip_and_dead_zone_give_their_series),
      cmocka_unit_test(noise_has_its_level_and_its_own_stream),
      cmocka_unit_test(hum_has_five_orders_and_dc_stays),
      cmocka_unit_test(quantiser_noise_is_that_of_tpdf_dither),
      cmocka_unit_test(a_quantiser_stops_at_full_scale),
      cmocka_unit_test(dropouts_lose_repeat_and_mute_the_very_frames),
      cmocka_unit_test(gain_hum_and_clip_spoil_the_very_frames),
      cmocka_unit_test(a_turned_control_attenuates_by_what_its_tracks_say),
      cmocka_unit_test(a_repeat_at_the_very_end_keeps_the_length),
      cmocka_unit_test(dropouts_inside_one_another_are_refused),
      cmocka_unit_test(what_is_out_of_range_is_refused_before_anything_is_delivered),
      cmocka_unit_test(a_failing_sink_ends_the_run),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
