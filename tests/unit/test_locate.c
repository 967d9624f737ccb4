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
    for (int k = 0; k < 2; k++) {
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

/* The whole check, 80 dB from mark to noise. */
static void clock_offset_is_right_to_a_hundredth_ppm_at_80_db(void **state)
{
  static const struct {
    double rate_hz, e_ppm;
  } cases[] = {{44100, 0},    {48000, 80},  {48000, -500}, {44100, -1000},
               {48000, 1000}, {96000, -80}, {192000, 500}};
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
 * Delay bound of a known waveform (matched-filter theory, reference values from memory):
 * 1 / (2 pi B sqrt(N SNR)), B = sqrt((f2^3 - f1^3) / (3 (f2 - f1))), 48 kHz, 40 dB; and two of them T apart tell the
 * clock to sqrt(2) of it over T. With an unknown phase only the spread about the middle counts:
 * B = (f2 - f1) / sqrt(12).
 */
static void the_bound_of_the_tests_is_that_of_the_textbook(void **state)
{
  static const struct {
    double from_hz, to_hz, duration_s, spread_hz, seconds, ppm[3]; /* 10, 30, 60 s apart */
  } table[] = {{1000.0, 10000.0, 0.5, 6082.8, 1.69e-9, {2.4e-4, 8.0e-5, 4.0e-5}},
               {200.0, 2000.0, 0.2, 1216.6, 1.34e-8, {1.9e-3, 6.3e-4, 3.2e-4}}};
  double noise = noise_at(40.0);
  (void)state;
  for (size_t i = 0; i < 2; i++) {
    double from = table[i].from_hz, to = table[i].to_hz, n = 48000.0 * table[i].duration_s;
    double about_zero = sqrt((to * to * to - from * from * from) / (3.0 * (to - from)));
    double about_middle = (to - from) / sqrt(12.0), bound_s = 1.0 / (2.0 * M_PI * about_zero * sqrt(n * 1e4));
    mt_segment mark = {
        .kind = MT_SEGMENT_MARK, .duration_s = table[i].duration_s, .from_hz = from, .to_hz = to};
    assert_near(about_zero, table[i].spread_hz, 0.06, "Hz");
    assert_near(bound_s, table[i].seconds, 0.005 * table[i].seconds, "s");
    for (int k = 0; k < 3; k++) /* two digits */
      assert_near(1e6 * sqrt(2.0) * bound_s /
                      (k == 0   ? 10.0
                       : k == 1 ? 30.0
                                : 60.0),
                  table[i].ppm[k], 0.03 * table[i].ppm[k], "ppm");
    /* a chirp of a fifth of a second has ends that are not quite a flat spectrum's */
    assert_near(noise / AMPLITUDE / sqrt(information_of(&mark, 0, 48000.0).dd),
                1.0 / (2.0 * M_PI * about_middle * sqrt(n * 1e4)), 0.01 * bound_s, "s");
  }
}

/*
 * 400 runs: the share of intervals that hold the truth is known to 1.0 % (one deviation) for the clock, 0.7 % for
 * the arrivals; 93 to 99 % is -2.3 to +3.4 of these from the 95.4 % wanted. Mean squares of 400 are known to 7 %:
 * three deviations, and for the clock 4 % more, which is what the stretch of a mark by itself could tell beside
 * marks only 0.7 s apart (13.3 s: 0.01 %), and 5 % for the fit's bend at 3 dB.
 */
static void stated_uncertainty_holds_the_truth_and_errors_reach_the_bound(void **state)
{
  enum { RUNS = 400 };
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
  assert_between(clock_sum / RUNS, 0.79, 1.30, "of 1");
  assert_between(arrival_sum / (2 * RUNS), 0.79, 1.26, "of 1");
}

/* Within the stated uncertainty, doubled: four deviations, a chance of 6e-5 each. */
static void assert_clock_within_its_word(const mt_location *at, const scene *s)
{
  assert_near(at->clock_offset_ppm, s->e_ppm, 2.0 * at->clock_uncertainty_ppm, "ppm");
}

/* `tol_frames` beyond the stated uncertainty, doubled. */
static void assert_arrival_within_its_word(const mt_location *at, const scene *s, unsigned c,
                                           double tol_frames)
{
  assert_true(at->arrived[c]);
  assert_near(at->arrival_frame[c], true_frame(s),
              tol_frames + 2.0 * at->arrival_uncertainty_s[c] * s->rate_hz, "frames");
}

static void inverted_swapped_summed_and_crossed_channels_are_found(void **state)
{
  static const struct {
    double from[4][2];
    bool arrives[2];
  } cases[] = {
      {{{-1, 0}, {0, -1}}, {true, true}},         /* inverted */
      {{{-1, 0}, {0, 1}}, {true, true}},          /* one of them */
      {{{0, 1}, {1, 0}}, {true, true}},           /* swapped */
      {{{0, -1}, {1, 0}}, {true, true}},          /* swapped, one inverted */
      {{{0.5, 0.5}, {0.5, 0.5}}, {true, true}},   /* summed */
      {{{0.5, -0.5}, {-0.5, 0.5}}, {true, true}}, /* ground lost: the difference */
      {{{1, 0}, {0, 0}}, {true, false}},          /* right dead */
      {{{0, 0}, {0, 1}}, {false, true}},          /* left dead */
      {{{0, 0}, {1, 0}}, {false, true}},          /* left heard on the right alone */
      {{{1, 0.001}, {0.001, 0}}, {true, true}},   /* right dead, crosstalk at -60 dB */
      {{{0.01, 0}, {0, 1}}, {true, true}},        /* one 40 dB low */
  };
  mt_stimulus stimulus = short_stimulus(48000.0);
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
    for (int noisy = 0; noisy < 2; noisy++) {
      scene s = {.rate_hz = 48000.0, .delay_s = 0.1234, .noise_rms = noisy ? noise_at(70.0) : 0.0};
      mt_location at;
      memcpy(s.from, cases[i].from, sizeof s.from);
      uniform_between(-200.0, 200.0, &s.e_ppm);
      at = locate(&stimulus, &s);
      for (unsigned c = 0; c < 2; c++) {
        assert_int_equal(at.arrived[c], cases[i].arrives[c]);
        if (at.arrived[c])
          assert_arrival_within_its_word(&at, &s, c, noisy ? 0.0 : 1e-7);
        else
          assert_true(at.arrival_frame[c] == 0.0 && at.arrival_uncertainty_s[c] == 0.0);
      }
      assert_near(at.clock_offset_ppm, s.e_ppm, 1e-6 + 2.0 * at.clock_uncertainty_ppm, "ppm");
    }
}

static void one_and_five_channels_are_read_each_for_itself(void **state)
{
  mt_stimulus stimulus = short_stimulus(48000.0);
  scene mono = {.rate_hz = 48000.0, .delay_s = 0.2, .e_ppm = 33.0, .nchannels = 1, .from = {{0.0, 0.7}}};
  mt_location at = locate(&stimulus, &mono);
  mt_error err = {0};
  mt_take *stereo, *five;
  scene s = {.rate_hz = 48000.0, .delay_s = 0.1, .e_ppm = -77.0};
  float *frames;
  (void)state;
  assert_near(at.start_frame, true_frame(&mono), 1e-6, "frames");
  assert_true(at.arrived[0] && !at.arrived[1]);

  /* channels 1, 3 and 5 of five, the last 96 frames late: their median is the middle one */
  stereo = record(&stimulus, &s);
  frames = calloc(5 * (stereo->nframes + 96), sizeof *frames);
  assert_non_null(frames);
  for (size_t n = 0; n < stereo->nframes; n++) {
    frames[5 * n] = stereo->samples[2 * n];
    frames[5 * (n + 10) + 2] = stereo->samples[2 * n + 1];
    frames[5 * (n + 96) + 4] = -stereo->samples[2 * n];
  }
  five = take_of(frames, stereo->nframes + 96, 5, 48000.0);
  assert_ok(mt_capture_locate(five, &stimulus, &(mt_marks_found){0}, &at, &err), err);
  assert_true(at.arrived[0] && !at.arrived[1] && at.arrived[2] && !at.arrived[3] && at.arrived[4]);
  assert_near(at.arrival_frame[0], true_frame(&s), 1e-6, "frames");
  assert_near(at.arrival_frame[4], true_frame(&s) + 96.0, 1e-6, "frames");
  assert_near(at.start_frame, true_frame(&s) + 10.0, 1e-6, "frames");
  free(frames);
  mt_take_destroy(&stereo);
  mt_take_destroy(&five);
}

static void weak_hummy_noisy_filtered_and_coarse_takes_are_found(void **state)
{
  static const scene cases[] = {
      {.rate_hz = 44100, .noise_rms = MARK_RMS},
      {.rate_hz = 48000, .noise_rms = MARK_RMS},
      {.rate_hz = 96000, .noise_rms = MARK_RMS},
      {.rate_hz = 192000, .noise_rms = MARK_RMS},
      {.rate_hz = 48000, .noise_rms = MARK_RMS, .from = {{0.5, 0.5}, {0.5, -0.5}}},
      {.rate_hz = 44100, .from = {{0.1, 0}, {0, 0.1}}, .bits = 16}, /* marks at -40 dBFS */
      {.rate_hz = 48000, .from = {{0.1, 0}, {0, 0.1}}, .bits = 16, .noise_rms = 0.0003},
      {.rate_hz = 48000, .bits = 8},
      {.rate_hz = 48000, .hum = AMPLITUDE},
      {.rate_hz = 192000, .hum = AMPLITUDE, .dc = -0.3},
      {.rate_hz = 44100, .dc = 0.5},
      {.rate_hz = 44100, .low_pass_hz = 12000},
      {.rate_hz = 48000, .low_pass_hz = 12000, .bits = 16, .noise_rms = 0.001},
  };
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_stimulus stimulus = short_stimulus(cases[i].rate_hz);
    for (int k = -1; k <= 1; k += 2) {
      scene s = cases[i];
      mt_location at;
      uniform_between(0.0, 0.3, &s.delay_s);
      s.e_ppm = 1500.0 * k;
      at = locate(&stimulus, &s);
      assert_clock_within_its_word(&at, &s);
      /* the low-pass has 1e-3 of ripple in the band, which is no delay: its taps are symmetric */
      for (unsigned c = 0; c < 2; c++)
        assert_arrival_within_its_word(&at, &s, c, 1e-4);
    }
  }
}

/*
 * A first-order high-pass bends the phase over the band: the marks come early by its mean phase delay there.
 * That is part of the unit's delay; the clock offset must not see it. 0.001 ppm of 1 s is a nanosecond.
 */
static void a_units_own_high_pass_does_not_disturb_the_clock_offset(void **state)
{
  static const double corners_hz[] = {5.0, 20.0, 100.0, 500.0};
  (void)state;
  for (size_t i = 0; i < sizeof corners_hz / sizeof corners_hz[0]; i++) {
    mt_stimulus stimulus = short_stimulus(48000.0);
    scene s = {.rate_hz = 48000.0, .delay_s = 0.05, .e_ppm = 321.0, .high_pass_hz = corners_hz[i]};
    mt_location at = locate(&stimulus, &s);
    assert_near(at.clock_offset_ppm, s.e_ppm, 0.001, "ppm");
    assert_clock_within_its_word(&at, &s);
    for (unsigned c = 0; c < 2; c++)
      assert_between(fabs(at.arrival_frame[c] - true_frame(&s)), 0.0, 1.0, "frames");
  }
}

static void copy_into(float *frames, const mt_take *from, size_t at)
{
  memcpy(frames + 2 * at, from->samples, 2 * from->nframes * sizeof *frames);
}

static void a_run_anywhere_in_minutes_of_noise_is_found(void **state)
{
  enum { N = 150 * 48000 };
  mt_stimulus stimulus = default_stimulus(48000.0);
  scene s = {.rate_hz = 48000.0, .e_ppm = -41.0};
  mt_take *run = record(&stimulus, &s), *take;
  float *frames = calloc(2 * N, sizeof *frames);
  mt_location at = {0};
  (void)state;
  assert_non_null(frames);
  copy_into(frames, run, 101 * 48000 + 77);
  for (size_t i = 0; i < 2 * N; i++)
    frames[i] += (float)(0.02 * (mt_random_uniform(&rng) - 0.5));
  take = take_of(frames, N, 2, 48000.0);
  assert_int_equal(look(take, &stimulus, &at), MT_MARKS_BOTH);
  s.delay_s = (101.0 * 48000.0 + 77.0) / 48000.0 * (1.0 + s.e_ppm * 1e-6);
  assert_clock_within_its_word(&at, &s);
  assert_arrival_within_its_word(&at, &s, 0, 0.0);
  assert_arrival_within_its_word(&at, &s, 1, 0.0);
  free(frames);
  mt_take_destroy(&run);
  mt_take_destroy(&take);
}

static void of_several_runs_the_last_whole_one_counts(void **state)
{
  mt_stimulus stimulus = short_stimulus(48000.0);
  scene s = {.rate_hz = 48000.0};
  mt_take *run = record(&stimulus, &s), *take;
  size_t n = run->nframes, total = 4 * n + 3000;
  float *frames = calloc(2 * total, sizeof *frames);
  mt_location at = {0};
  (void)state;
  assert_non_null(frames);
  for (size_t k = 0; k < 3; k++)
    copy_into(frames, run, k * (n + 1000));
  memcpy(frames + 2 * 3 * (n + 1000), run->samples, 2 * n / 2 * sizeof *frames); /* the fourth breaks off */
  take = take_of(frames, total, 2, 48000.0);
  assert_int_equal(look(take, &stimulus, &at), MT_MARKS_BOTH);
  assert_near(at.start_frame, 2.0 * ((double)n + 1000.0), 1e-6, "frames");
  assert_int_equal(at.nruns, 3);
  assert_true(at.is_followed);
  mt_take_destroy(&take);
  take = take_of(frames, n, 2, 48000.0);
  assert_int_equal(look(take, &stimulus, &at), MT_MARKS_BOTH);
  assert_int_equal(at.nruns, 1);
  assert_false(at.is_followed);
  free(frames);
  mt_take_destroy(&run);
  mt_take_destroy(&take);
}

/* Of seconds from ... to of a take. */
static mt_marks_found look_at_cut(const mt_take *all, const mt_stimulus *stimulus, double from_s, double to_s)
{
  size_t from = (size_t)(from_s * all->rate_hz), to = (size_t)(to_s * all->rate_hz);
  mt_take *cut = take_of(all->samples + from * all->nchannels, to - from, all->nchannels, all->rate_hz);
  mt_location at = {.start_frame = -1.0};
  mt_marks_found found = look(cut, stimulus, &at);
  if (found != MT_MARKS_BOTH)
    assert_true(at.start_frame == -1.0);
  mt_take_destroy(&cut);
  return found;
}

static void a_take_cut_at_either_end_says_which_mark_is_left(void **state)
{
  static const double routes[][4][2] = {{{1, 0}, {0, 1}},           {{-1, 0}, {0, 1}},
                                        {{0, 1}, {1, 0}},           {{0.5, 0.5}, {0, 0}},
                                        {{0.5, -0.5}, {0.5, -0.5}}, {{0, 0}, {0, 0.01}}};
  mt_stimulus stimulus = short_stimulus(48000.0);
  const mt_segment *a = mt_stimulus_find(&stimulus, "mark-a"), *b = mt_stimulus_find(&stimulus, "mark-b");
  const double a_end = a->start_s + a->duration_s, b_end = b->start_s + b->duration_s;
  (void)state;
  for (size_t i = 0; i < sizeof routes / sizeof routes[0]; i++) {
    scene s = {.rate_hz = 48000.0, .seconds = 1.6, .noise_rms = 1e-5};
    mt_take *all;
    memcpy(s.from, routes[i], sizeof s.from);
    uniform_between(-1000.0, 1000.0, &s.e_ppm);
    all = record(&stimulus, &s);
    assert_int_equal(look_at_cut(all, &stimulus, 0.0, 1.6), MT_MARKS_BOTH);
    assert_int_equal(look_at_cut(all, &stimulus, 0.0, 1.0), MT_MARKS_START);
    assert_int_equal(look_at_cut(all, &stimulus, 0.05, b_end - 0.1), MT_MARKS_START);
    assert_int_equal(look_at_cut(all, &stimulus, 0.09, a_end + 0.01), MT_MARKS_START);
    assert_int_equal(look_at_cut(all, &stimulus, a->start_s + 0.1, 1.6), MT_MARKS_END);
    assert_int_equal(look_at_cut(all, &stimulus, 0.5, 1.6), MT_MARKS_END);
    assert_int_equal(look_at_cut(all, &stimulus, b->start_s - 0.01, b_end + 0.01), MT_MARKS_END);
    assert_int_equal(look_at_cut(all, &stimulus, 0.36, 1.0), MT_MARKS_NONE);
    assert_int_equal(look_at_cut(all, &stimulus, a->start_s + 0.1, b_end - 0.1), MT_MARKS_NONE);
    mt_take_destroy(&all);
  }
}

static void frames_lost_between_the_marks_are_refused_in_words(void **state)
{
  static const int jumps[] = {4800, -4800, 2048};
  mt_stimulus stimulus = short_stimulus(48000.0);
  scene s = {.rate_hz = 48000.0};
  mt_take *run = record(&stimulus, &s);
  const size_t middle = 30000;
  (void)state;
  for (size_t i = 0; i < sizeof jumps / sizeof jumps[0]; i++) {
    mt_take *take = take_of(run->samples, middle, 2, 48000.0);
    size_t again = (size_t)((int)middle + jumps[i]);
    mt_marks_found found = (mt_marks_found)99;
    mt_location at = {.start_frame = -1.0};
    mt_error err = {0};
    assert_ok(mt_take_append(take, run->samples + 2 * again, run->nframes - again, &err), err);
    assert_int_equal(mt_capture_locate(take, &stimulus, &found, &at, &err), MT_E_DATA);
    assert_non_null(strstr(err.message, jumps[i] > 0 ? "early" : "late"));
    assert_non_null(strstr(err.message, jumps[i] == 2048 ? "42.7 ms" : "100.0 ms"));
    assert_true(found == (mt_marks_found)99 && at.start_frame == -1.0);
    mt_take_destroy(&take);
  }
  mt_take_destroy(&run);
}

/* 60 s of what is no mark, one generator each; `t` in seconds. */
typedef double (*generator)(double t, unsigned kind);

static double white(double t, unsigned kind)
{
  (void)t;
  return (kind != 0 ? 0.9 : 0.001) * (2.0 * mt_random_uniform(&rng) - 1.0);
}

static double pinkish(double t, unsigned kind)
{
  static double pole[3];
  static const double at[3] = {0.999, 0.98, 0.8};
  double sum = 0.0;
  (void)t;
  (void)kind;
  for (int i = 0; i < 3; i++)
    sum += pole[i] = at[i] * pole[i] + (1.0 - at[i]) * mt_random_normal(&rng);
  return sum;
}

static double hum(double t, unsigned kind)
{
  double x = 0.0;
  for (int k = 1; k <= 12; k++)
    x += cos(2.0 * M_PI * (kind != 0 ? 60.0 : 50.0) * k * t + k * k) / k;
  return 0.2 * x;
}

static double tones(double t, unsigned kind)
{
  static const double freq_hz[] = {997.0, 3150.0, 60.0, 7000.0};
  return kind < 4 ? sin(2.0 * M_PI * freq_hz[kind] * t) : 0.5 * sin(6283.0 * t) + 0.5 * sin(12000.0 * t);
}

static double bursts(double t, unsigned kind)
{
  double beat = floor(t / 0.2), u = t - 0.2 * beat;
  double freq_hz = 300.0 * pow(2.0, fmod(beat * (kind != 0 ? 0.617 : 0.283), 4.6));
  return u < 0.1 ? sin(2.0 * M_PI * freq_hz * u) : 0.0;
}

/* From 20 Hz to 10 kHz in 10 s, or faster: in the last four some stretch runs at a mark's own pace. */
static double sweeps(double t, unsigned kind)
{
  static const double duration_s[] = {10.0, 5.0, 2.0, 0.96, 0.5, 0.25};
  double length = duration_s[kind], rate = length / log(500.0), u = fmod(t, length);
  return sin(2.0 * M_PI * 20.0 * rate * exp(u / rate));
}

/* Linear, up and down, twice and half as fast as the marks and in other bands. */
static double glides(double t, unsigned kind)
{
  static const double slope[] = {17400.0, 58000.0, 69600.0, -20000.0};
  double u = fmod(t, 0.3);
  return sin(2.0 * M_PI * u * ((slope[kind] < 0.0 ? 9000.0 : 300.0) + 0.5 * slope[kind] * u));
}

/* A few voices of random pitch and harmonics, struck and dying away, over a beat. */
static double music(double t, unsigned kind)
{
  static double freq_hz[4], struck[4];
  double x = 0.0;
  for (unsigned v = 0; v < 4; v++) {
    if (mt_random_uniform(&rng) < 1.0 / 12000.0) {
      freq_hz[v] = 110.0 * pow(2.0, floor(48.0 * mt_random_uniform(&rng)) / 12.0);
      struck[v] = t;
    }
    for (int h = 1; h <= 5; h++)
      x += exp(-4.0 * (t - struck[v])) *
           sin(2.0 * M_PI * freq_hz[v] * h * (t + (kind != 0 ? 0.002 * sin(35.0 * t) : 0.0))) / h;
  }
  return 0.2 * x + 0.1 * exp(-40.0 * fmod(t, 0.5)) * mt_random_normal(&rng);
}

static double constant(double t, unsigned kind)
{
  static const double level[] = {0.0, 0.5, 1.0, -1.0};
  (void)t;
  return level[kind];
}

static double squares(double t, unsigned kind)
{
  static const double freq_hz[] = {50.0, 440.0, 132.0, 1.0};
  return fmod(t * freq_hz[kind], 1.0) < 0.5 ? 1.0 : -1.0;
}

/* Evenly spaced lines that fall in step where a mark's chirp crosses them: spacing sqrt(2 slope). */
static double pulses(double t, unsigned kind)
{
  double freq_hz = sqrt(2.0 * (kind != 0 ? 29000.0 : 34800.0));
  return fmod(t * freq_hz, 1.0) < 0.02 ? 1.0 : 0.0;
}

static void nothing_else_passes_for_a_mark(void **state)
{
  static const struct {
    const char *name;
    generator of;
    unsigned kinds;
  } cases[] = {{"white noise", white, 2}, {"pink noise", pinkish, 1}, {"hum", hum, 2},
               {"tones", tones, 5},       {"bursts", bursts, 2},      {"sweeps", sweeps, 6},
               {"glides", glides, 4},     {"music", music, 2},        {"constant", constant, 4},
               {"squares", squares, 4},   {"pulses", pulses, 2}};
  enum { RATE = 22050, N = 60 * RATE };
  mt_stimulus stimulus = default_stimulus(44100.0);
  float *frames = malloc(N * sizeof *frames);
  (void)state;
  assert_non_null(frames);
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
    for (unsigned kind = 0; kind < cases[i].kinds; kind++) {
      mt_location at;
      mt_take *take;
      for (size_t n = 0; n < N; n++)
        frames[n] = (float)fmin(1.0, fmax(-1.0, cases[i].of((double)n / RATE, kind)));
      take = take_of(frames, N, 1, RATE);
      if (look(take, &stimulus, &at) != MT_MARKS_NONE) {
        print_error("a mark was seen in %s, kind %u\n", cases[i].name, kind);
        fail();
      }
      mt_take_destroy(&take);
    }
  free(frames);
}

static void very_short_takes_and_foreign_rates_hold_no_marks(void **state)
{
  static const size_t lengths[] = {0, 1, 2, 17, 1000, 6000, 12000, 14400, 30000};
  mt_stimulus stimulus = default_stimulus(48000.0);
  float *frames = calloc(2 * 30000, sizeof *frames);
  mt_location at = {.start_frame = -1.0};
  mt_take *take;
  (void)state;
  assert_non_null(frames);
  for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++)
    for (int filled = 0; filled < 2; filled++) {
      for (size_t n = 0; n < 2 * 30000; n++)
        frames[n] = filled ? (float)mt_random_triangular(&rng) : 0.0f;
      take = take_of(frames, lengths[i], 2, 48000.0);
      assert_int_equal(look(take, &stimulus, &at), MT_MARKS_NONE);
      mt_take_destroy(&take);
    }
  take = take_of(frames, 30000, 2, 16000.0); /* the marks go up to 9 kHz */
  assert_int_equal(look(take, &stimulus, &at), MT_MARKS_NONE);
  mt_take_destroy(&take);
  assert_true(at.start_frame == -1.0);
  free(frames);
}

static void a_stimulus_is_found_in_a_take_of_another_rate(void **state)
{
  mt_stimulus stimulus = short_stimulus(96000.0);
  static const double rates[] = {22050.0, 32000.0, 44100.0, 384000.0};
  (void)state;
  for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++) {
    scene s = {.rate_hz = rates[i], .delay_s = 0.03, .e_ppm = 12.0};
    mt_location at = locate(&stimulus, &s);
    assert_arrivals(&at, &s, 1e-6);
    assert_near(at.clock_offset_ppm, 12.0, 1e-5, "ppm");
  }
}

static void a_stimulus_without_marks_is_refused(void **state)
{
  mt_stimulus stimulus = default_stimulus(48000.0);
  float frames[2] = {0.0f, 0.0f};
  mt_take *take = take_of(frames, 1, 2, 48000.0);
  mt_marks_found found;
  mt_location at;
  mt_error err = {0};
  (void)state;
  stimulus.nsegments -= 1;
  assert_int_equal(mt_capture_locate(take, &stimulus, &found, &at, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "mark-b"));
  mt_take_destroy(&take);
}

static void the_source_plays_the_stimulus(void **state)
{
  mt_stimulus stimulus = default_stimulus(48000.0);
  mt_audio_source source = mt_capture_source(&stimulus);
  double got[2 * 480], want[2 * 480];
  (void)state;
  assert_int_equal(source.nchannels, 2);
  assert_near(source.duration_s, stimulus.duration_s, 0.0, "s");
  source.render(source.ctx, 0.31, 1.0 / 48000.0, 480, got);
  mt_stimulus_render(&stimulus, 0.31, 1.0 / 48000.0, 480, want);
  assert_memory_equal(got, want, sizeof want);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_wire_is_placed_exactly_at_every_rate),
      cmocka_unit_test(clock_offset_is_right_to_a_hundredth_ppm_at_80_db),
      cmocka_unit_test(the_bound_of_the_tests_is_that_of_the_textbook),
      cmocka_unit_test(stated_uncertainty_holds_the_truth_and_errors_reach_the_bound),
      cmocka_unit_test(inverted_swapped_summed_and_crossed_channels_are_found),
      cmocka_unit_test(one_and_five_channels_are_read_each_for_itself),
      cmocka_unit_test(weak_hummy_noisy_filtered_and_coarse_takes_are_found),
      cmocka_unit_test(a_units_own_high_pass_does_not_disturb_the_clock_offset),
      cmocka_unit_test(a_run_anywhere_in_minutes_of_noise_is_found),
      cmocka_unit_test(of_several_runs_the_last_whole_one_counts),
      cmocka_unit_test(a_take_cut_at_either_end_says_which_mark_is_left),
      cmocka_unit_test(frames_lost_between_the_marks_are_refused_in_words),
      cmocka_unit_test(nothing_else_passes_for_a_mark),
      cmocka_unit_test(very_short_takes_and_foreign_rates_hold_no_marks),
      cmocka_unit_test(a_stimulus_is_found_in_a_take_of_another_rate),
      cmocka_unit_test(a_stimulus_without_marks_is_refused),
      cmocka_unit_test(the_source_plays_the_stimulus),
  };
  mt_random_init(&rng, support_seed(20240611));
  return cmocka_run_group_tests(tests, NULL, NULL);
}
