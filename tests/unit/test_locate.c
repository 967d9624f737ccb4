/* Truth throughout: frame n holds the stimulus at n / rate (1 + e) - delay, so time 0 falls on frame
   delay rate / (1 + e). */
#include "support.h"

#include <mendtone/capture.h>

#include "signal/mark.h"

#include "base/random.h"

#define LEVEL_DBFS (-20.0)
#define AMPLITUDE 0.1
/* RMS of a mark between its fades. */
#define MARK_RMS (AMPLITUDE * 0.70710678118654752)

/* What stands between the stimulus and the take. */
typedef struct scene {
  double rate_hz;
  double e_ppm;
  double delay_s;
  double seconds;     /* of the take; 0: a little more than the stimulus needs */
  unsigned nchannels; /* 0: two */
  double from[4][2];  /* from[c]: gains from the stimulus's channels to the take's; all 0: a wire */
  double noise_rms;   /* white, each channel its own */
  double hum;         /* amplitude at 50 Hz */
  double dc;
  double high_pass_hz;
  double low_pass_hz; /* linear phase, LOW_PASS_FRAMES late */
  unsigned bits;
} scene;

#define LOW_PASS_FRAMES 60

static mt_random rng;

static void uniform_between(double low, double high, double *out)
{
  *out = low + (high - low) * mt_random_uniform(&rng);
}

static mt_take *take_of(const float *frames, size_t nframes, unsigned nchannels, double rate_hz)
{
  mt_take *take = NULL;
  mt_error err = {0};
  assert_ok(mt_take_create(rate_hz, nchannels, &take, &err), err);
  assert_ok(mt_take_append(take, frames, nframes, &err), err);
  return take;
}

/* Butterworth, first order, bilinear with the corner in place. */
static void high_pass(double *x, size_t n, size_t stride, double corner_hz, double rate_hz)
{
  double k = tan(M_PI * corner_hz / rate_hz), last = 0.0, y = 0.0;
  for (size_t i = 0; i < n; i++) {
    double in = x[i * stride];
    y = (in - last + (1.0 - k) * y) / (1.0 + k);
    last = in;
    x[i * stride] = y;
  }
}

static void low_pass(double *x, size_t n, size_t stride, double corner_hz, double rate_hz)
{
  double taps[2 * LOW_PASS_FRAMES + 1];
  double *in = malloc(n * sizeof *in);
  assert_non_null(in);
  for (int k = -LOW_PASS_FRAMES; k <= LOW_PASS_FRAMES; k++) {
    double w = 0.5 + 0.5 * cos(M_PI * k / (LOW_PASS_FRAMES + 1.0)), a = 2.0 * corner_hz / rate_hz;
    taps[k + LOW_PASS_FRAMES] = w * (k == 0 ? a : sin(M_PI * a * k) / (M_PI * k));
  }
  for (size_t i = 0; i < n; i++)
    in[i] = x[i * stride];
  for (size_t i = 0; i < n; i++) {
    double sum = 0.0;
    for (size_t k = 0; k <= 2 * LOW_PASS_FRAMES && k <= i; k++)
      sum += taps[k] * in[i - k];
    x[i * stride] = sum;
  }
  free(in);
}

static mt_take *record(const mt_stimulus *stimulus, const scene *s)
{
  static const double wire[4][2] = {{1.0, 0.0}, {0.0, 1.0}};
  static const double none[4][2];
  const double(*from)[2] = memcmp(s->from, none, sizeof none) == 0 ? wire : s->from;
  unsigned nc = s->nchannels > 0 ? s->nchannels : 2;
  double seconds = s->seconds > 0.0 ? s->seconds : stimulus->duration_s + s->delay_s + 0.05;
  size_t n = (size_t)(seconds * s->rate_hz);
  double *played = malloc(2 * n * sizeof *played), *heard = malloc(nc * n * sizeof *heard);
  float *frames = malloc(nc * n * sizeof *frames);
  mt_take *take;

  assert_true(played != NULL && heard != NULL && frames != NULL);
  mt_stimulus_render(stimulus, -s->delay_s, (1.0 + s->e_ppm * 1e-6) / s->rate_hz, n, played);
  for (size_t i = 0; i < n; i++)
    for (unsigned c = 0; c < nc; c++)
      heard[i * nc + c] = from[c][0] * played[2 * i] + from[c][1] * played[2 * i + 1];
  for (unsigned c = 0; c < nc; c++) {
    if (s->high_pass_hz > 0.0)
      high_pass(heard + c, n, nc, s->high_pass_hz, s->rate_hz);
    if (s->low_pass_hz > 0.0)
      low_pass(heard + c, n, nc, s->low_pass_hz, s->rate_hz);
  }
  for (size_t i = 0; i < n; i++)
    for (unsigned c = 0; c < nc; c++) {
      double x = heard[i * nc + c] + s->dc + s->hum * sin(2.0 * M_PI * 50.0 * (double)i / s->rate_hz + 0.4);
      if (s->noise_rms > 0.0)
        x += s->noise_rms * mt_random_normal(&rng);
      if (s->bits > 0)
        x = rint(x * (1 << (s->bits - 1)) + mt_random_triangular(&rng)) / (1 << (s->bits - 1));
      frames[i * nc + c] = (float)x;
    }
  take = take_of(frames, n, nc, s->rate_hz);
  free(played);
  free(heard);
  free(frames);
  return take;
}

static double true_frame(const scene *s)
{
  double late = s->low_pass_hz > 0.0 ? LOW_PASS_FRAMES : 0.0;
  return s->delay_s * s->rate_hz / (1.0 + s->e_ppm * 1e-6) + late;
}

static mt_stimulus default_stimulus(double rate_hz)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  assert_ok(mt_stimulus_init_default(rate_hz, LEVEL_DBFS, &stimulus, &err), err);
  return stimulus;
}

/* The marks and a tone on one channel only, in a tenth of the time: for the many. */
static mt_stimulus short_stimulus(double rate_hz)
{
  mt_stimulus all = default_stimulus(rate_hz), s = all;
  s.nsegments = 3;
  s.segments[0] = *mt_stimulus_find(&all, "mark-a");
  s.segments[1] = *mt_stimulus_find(&all, "left");
  s.segments[2] = *mt_stimulus_find(&all, "mark-b");
  s.segments[0].start_s = 0.1;
  s.segments[1].start_s = 0.4;
  s.segments[1].duration_s = 0.5;
  s.segments[2].start_s = 1.1;
  s.duration_s = 1.5;
  return s;
}

static mt_marks_found look(const mt_take *take, const mt_stimulus *stimulus, mt_location *out)
{
  mt_marks_found found = (mt_marks_found)99;
  mt_error err = {0};
  assert_ok(mt_capture_locate(take, stimulus, &found, out, &err), err);
  return found;
}

static mt_location locate(const mt_stimulus *stimulus, const scene *s)
{
  mt_take *take = record(stimulus, s);
  mt_location at = {0};
  assert_int_equal(look(take, stimulus, &at), MT_MARKS_BOTH);
  mt_take_destroy(&take);
  return at;
}

/* On every channel of the scene that hears either stimulus channel. */
static void assert_arrivals(const mt_location *at, const scene *s, double tol_frames)
{
  for (unsigned c = 0; c < 2; c++) {
    assert_true(at->arrived[c]);
    assert_near(at->arrival_frame[c], true_frame(s), tol_frames, "frames");
  }
  assert_near(at->start_frame, 0.5 * (at->arrival_frame[0] + at->arrival_frame[1]), 1e-9, "frames");
}

/* 10 lg of the power of mark to noise */
static double noise_at(double snr_db)
{
  return MARK_RMS * pow(10.0, -snr_db / 20.0);
}

/* Sums over a mark: its derivative d and t d, each without what the cosine and sine parts hold of it. */
typedef struct information {
  double dd, dt, tt;
} information;

/*
 * Information of one chirp of amplitude 1 on time and time scale, per noise power, gain and phase unknown.
 * Rendered from mt_mark_sample() by central differences, for a check that shares no code with the fit.
 */
static information information_of(const mt_segment *mark, unsigned channel, double rate_hz)
{
  const double h = 1e-7;
  double cc = 0.0, ss = 0.0, cs = 0.0, det;
  double p[2][2] = {{0.0}}, q[3] = {0.0}; /* d and t d with c and s; with each other */
  information out = {0.0, 0.0, 0.0};
  for (double n = 0.0; n < mark->duration_s * rate_hz; n += 1.0) {
    double c, s, unused, before, after, d, td;
    mt_mark_sample(mark, channel, n / rate_hz, &c, &s);
    mt_mark_sample(mark, channel, n / rate_hz - h, &unused, &before);
    mt_mark_sample(mark, channel, n / rate_hz + h, &unused, &after);
    d = (after - before) / (2.0 * h);
    td = (mark->start_s + n / rate_hz) * d;
    cc += c * c;
    ss += s * s;
    cs += c * s;
    p[0][0] += d * c;
    p[0][1] += d * s;
    p[1][0] += td * c;
    p[1][1] += td * s;
    q[0] += d * d;
    q[1] += d * td;
    q[2] += td * td;
  }
  det = cc * ss - cs * cs;
  out.dd = q[0] - (p[0][0] * p[0][0] * ss - 2.0 * p[0][0] * p[0][1] * cs + p[0][1] * p[0][1] * cc) / det;
  out.dt =
      q[1] -
      (p[0][0] * p[1][0] * ss - (p[0][0] * p[1][1] + p[0][1] * p[1][0]) * cs + p[0][1] * p[1][1] * cc) / det;
  out.tt = q[2] - (p[1][0] * p[1][0] * ss - 2.0 * p[1][0] * p[1][1] * cs + p[1][1] * p[1][1] * cc) / det;
  return out;
}

/* Cramer-Rao: least standard deviation of the clock offset, ppm, for both marks on one stimulus channel. */
static double least_clock_deviation(const mt_stimulus *stimulus, unsigned channel, double rate_hz,
                                    double noise_rms)
{
  information a = information_of(mt_stimulus_find(stimulus, "mark-a"), channel, rate_hz);
  information b = information_of(mt_stimulus_find(stimulus, "mark-b"), channel, rate_hz);
  double tt = a.tt + b.tt, dt = a.dt + b.dt, dd = a.dd + b.dd;
  return 1e6 * noise_rms / AMPLITUDE / sqrt(tt - dt * dt / dd);
}

static void a_wire_is_placed_exactly_at_every_rate(void **state)
{
  static const double rates[] = {44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0};
  (void)state;
  for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++)
    for (int k = 0; k < 3; k++) {
      mt_stimulus stimulus = short_stimulus(rates[r]);
      scene s = {.rate_hz = rates[r]};
      mt_location at;
      uniform_between(0.0, 0.4, &s.delay_s);
      uniform_between(-1000.0, 1000.0, &s.e_ppm);
      at = locate(&stimulus, &s);
      /* rounding to float is noise at -150 dB; at the mark's level it moves the arrival by some 1e-9 frames */
      assert_arrivals(&at, &s, 2e-8);
      assert_near(at.arrival_frame[0], at.arrival_frame[1], 2e-8, "frames");
      assert_near(at.clock_offset_ppm, s.e_ppm, 5e-7, "ppm");
      assert_between(at.clock_uncertainty_ppm, 0.0, 1e-6, "ppm");
    }
}

/* The issue of any capture with two clocks: the whole check, 80 dB signal to noise. */
static void clock_offset_is_right_to_a_hundredth_ppm_at_80_db(void **state)
{
  static const struct {
    double rate_hz, e_ppm;
  } cases[] = {{48000, 0},    {48000, 80},    {48000, -80}, {48000, 500}, {48000, -500},  {48000, 1000},
               {48000, -1e3}, {44100, -1000}, {44100, 80},  {96000, 500}, {192000, -500}, {192000, 1000}};
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_stimulus stimulus = default_stimulus(cases[i].rate_hz);
    scene s = {.rate_hz = cases[i].rate_hz, .e_ppm = cases[i].e_ppm, .noise_rms = noise_at(80.0)};
    double bound_ppm;
    mt_location at;
    uniform_between(0.0, 1.0, &s.delay_s);
    at = locate(&stimulus, &s);
    bound_ppm = least_clock_deviation(&stimulus, 0, s.rate_hz, s.noise_rms);
    assert_near(at.clock_offset_ppm, s.e_ppm, 0.01, "ppm");
    /* what it can do: five standard deviations of the bound, at a chance of 6e-7 */
    assert_near(at.clock_offset_ppm, s.e_ppm, 5.0 * bound_ppm, "ppm");
    /* k = 2, its own deviation about a tenth */
    assert_between(at.clock_uncertainty_ppm, 1.4 * bound_ppm, 2.6 * bound_ppm, "ppm");
    assert_arrivals(&at, &s, 1e-4);
  }
}

/*
 * Delay bound of a known waveform (matched-filter theory, reference value from memory):
 * 1 / (2 pi B sqrt(N SNR)), B = sqrt((f2^3 - f1^3) / (3 (f2 - f1))): 1-10 kHz, 0.5 s, 48 kHz, 40 dB: 1.69e-9 s.
 * With an unknown phase only the spread about the middle counts: B = (f2 - f1) / sqrt(12).
 */
static void the_bound_of_the_tests_is_that_of_the_textbook(void **state)
{
  mt_segment mark = {.kind = MT_SEGMENT_MARK, .duration_s = 0.5, .from_hz = 1000.0, .to_hz = 10000.0};
  double about_zero = sqrt((1e12 - 1e9) / (3.0 * 9000.0)), about_middle = 9000.0 / sqrt(12.0);
  double noise = noise_at(40.0);
  (void)state;
  assert_near(1.0 / (2.0 * M_PI * about_zero * sqrt(24000.0 * 1e4)), 1.69e-9, 0.005e-9, "s");
  assert_near(noise / AMPLITUDE / sqrt(information_of(&mark, 0, 48000.0).dd),
              1.0 / (2.0 * M_PI * about_middle * sqrt(24000.0 * 1e4)), 0.01e-9, "s");
}

/*
 * 500 runs: the share of intervals that hold the truth is known to 0.9 % (one deviation) for the clock, 0.7 % for
 * the arrivals; 93 to 99 % is -2.6 to +3.9 of these from the 95.4 % wanted. Mean squares of 500 are known to
 * 6.3 %: three deviations, and 5 % for what the fit leaves unused (the envelope's slope, the stretch of a mark
 * by itself) and for u being an estimate.
 */
static void stated_uncertainty_holds_the_truth_and_errors_reach_the_bound(void **state)
{
  enum { RUNS = 500 };
  static const double snr_db[] = {60.0, 20.0, 3.0};
  const double rate_hz = 44100.0;
  mt_stimulus stimulus = short_stimulus(rate_hz);
  unsigned clock_held = 0, arrival_held = 0;
  double clock_sum = 0.0, arrival_sum = 0.0, least_ppm;
  (void)state;
  stimulus.segments[1].amplitude[0] = 0.0;
  stimulus.segments[1].duration_s = 0.3;
  stimulus.segments[2].start_s = 0.8;
  stimulus.duration_s = 1.12;
  least_ppm = least_clock_deviation(&stimulus, 0, rate_hz, 1.0);
  for (unsigned run = 0; run < RUNS; run++) {
    scene s = {.rate_hz = rate_hz, .noise_rms = noise_at(snr_db[run % 3])};
    mt_location at;
    uniform_between(0.0, 0.01, &s.delay_s);
    uniform_between(-1000.0, 1000.0, &s.e_ppm);
    at = locate(&stimulus, &s);
    clock_held += fabs(at.clock_offset_ppm - s.e_ppm) <= at.clock_uncertainty_ppm;
    clock_sum += pow((at.clock_offset_ppm - s.e_ppm) / (least_ppm * s.noise_rms), 2.0);
    for (unsigned c = 0; c < 2; c++) {
      double off_s = (at.arrival_frame[c] - true_frame(&s)) / rate_hz;
      arrival_held += fabs(off_s) <= at.arrival_uncertainty_s[c];
      arrival_sum += pow(2.0 * off_s / at.arrival_uncertainty_s[c], 2.0);
    }
  }
  print_message("clock: %.3f within U, mean square over bound %.3f; arrivals: %.3f within U, over u^2 %.3f\n",
                (double)clock_held / RUNS, clock_sum / RUNS, (double)arrival_held / (2 * RUNS),
                arrival_sum / (2 * RUNS));
  assert_between((double)clock_held / RUNS, 0.93, 0.99, "of 1");
  assert_between((double)arrival_held / (2 * RUNS), 0.93, 0.99, "of 1");
  assert_between(clock_sum / RUNS, 0.81, 1.24, "of 1");
  assert_between(arrival_sum / (2 * RUNS), 0.81, 1.24, "of 1");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_wire_is_placed_exactly_at_every_rate),
      cmocka_unit_test(clock_offset_is_right_to_a_hundredth_ppm_at_80_db),
      cmocka_unit_test(the_bound_of_the_tests_is_that_of_the_textbook),
      cmocka_unit_test(stated_uncertainty_holds_the_truth_and_errors_reach_the_bound),
  };
  mt_random_init(&rng, support_seed(20240611));
  return cmocka_run_group_tests(tests, NULL, NULL);
}
