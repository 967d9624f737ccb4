/* Watching two tones: what was put in is what is told, and nothing else. The generator is the oracle. */
#include "support.h"

#include <mendtone/strain.h>

#include "base/random.h"

#include <malloc.h>
#include <math.h>

#define PI 3.14159265358979323846
#define EVENTS_MAX 600
#define BLOCK 480

static double rate_hz = 48000.0;

typedef struct fault {
  int channel;
  double begin_s, length_s, gain;
} fault;

/* A unit between two tones and the watch. */
typedef struct bench {
  mt_strain *watch;
  mt_random random;
  double amplitude, noise, offset; /* offset: of the clocks, relative */
  double slow[2][3]; /* pink-like noise, by channel: three first-order filters (common practice) */
  double swell, swell_to;
  bool is_music;
  double phase[2]; /* added to the tones of a channel */
  double gain[2];
  bool is_shorted;
  uint64_t frame;
  const fault *faults;
  size_t nfaults;
  mt_strain_event events[EVENTS_MAX];
  size_t nevents;
  size_t nlevels;
  mt_strain_level level;
} bench;

static void keep_event(void *ctx, const mt_strain_event *event)
{
  bench *b = ctx;
  assert_true(b->nevents < EVENTS_MAX);
  b->events[b->nevents++] = *event;
}

static void keep_level(void *ctx, const mt_strain_level *level)
{
  bench *b = ctx;
  b->level = *level;
  b->nlevels++;
}

static void begin(bench *b, uint64_t seed)
{
  mt_error err = {0};
  mt_strain_sink sink = {keep_event, keep_level, b};

  memset(b, 0, sizeof *b);
  mt_random_init(&b->random, seed);
  b->amplitude = 0.1;
  b->offset = 40e-6; /* two good crystals */
  b->gain[0] = b->gain[1] = 1.0;
  assert_ok(mt_strain_create(rate_hz, 2, &sink, &b->watch, &err), err);
}

static double noise_of(bench *b, int c)
{
  double white = mt_random_normal(&b->random), *s = b->slow[c];

  if (!b->is_music)
    return b->noise * white;
  /* 1/f by three poles a decade or so apart, swelling and fading by 20 dB about twice a second */
  s[0] = 0.997 * s[0] + 0.03 * white;
  s[1] = 0.963 * s[1] + 0.08 * white;
  s[2] = 0.570 * s[2] + 0.25 * white;
  return b->noise * b->swell * (s[0] + s[1] + s[2]);
}

static double fault_gain(const bench *b, int c, double t)
{
  for (size_t i = 0; i < b->nfaults; i++)
    if (b->faults[i].channel == c && t >= b->faults[i].begin_s &&
        t < b->faults[i].begin_s + b->faults[i].length_s)
      return b->faults[i].gain;
  return 1.0;
}

static void feed(bench *b, double duration_s)
{
  static const double hz[2] = {MT_STRAIN_LEFT_HZ, MT_STRAIN_RIGHT_HZ};
  float frames[2 * BLOCK];
  size_t nblocks = (size_t)llround(duration_s * rate_hz / BLOCK);

  for (size_t k = 0; k < nblocks; k++) {
    if (b->frame % 24000 == 0)
      b->swell_to = pow(10.0, -mt_random_uniform(&b->random));
    for (size_t n = 0; n < BLOCK; n++, b->frame++) {
      double t = (double)b->frame / rate_hz, x[2];
      b->swell += (b->swell_to - b->swell) * 1e-3;
      for (int c = 0; c < 2; c++)
        x[c] = b->amplitude * b->gain[c] * fault_gain(b, c, t) *
               cos(2.0 * PI * hz[c] * (1.0 + b->offset) * t + b->phase[c]);
      if (b->is_shorted)
        x[0] = x[1] = 0.5 * (x[0] + x[1]);
      for (int c = 0; c < 2; c++)
        frames[2 * n + (size_t)c] = (float)(x[c] + noise_of(b, c));
    }
    mt_strain_feed(b->watch, frames, BLOCK);
  }
}

static size_t count(const bench *b, mt_strain_kind kind)
{
  size_t n = 0;
  for (size_t i = 0; i < b->nevents; i++)
    n += b->events[i].kind == kind;
  return n;
}

static const mt_strain_event *find_fault(const bench *b, const fault *f)
{
  for (size_t i = 0; i < b->nevents; i++)
    if (b->events[i].channel == f->channel && fabs(b->events[i].begin_s - f->begin_s) < 2e-3)
      return &b->events[i];
  return NULL;
}

/* 1 to 200 ms, 6 dB to mute, at any moment of either channel, and never closer than 10 ms. */
static void every_dropout_is_found_with_its_begin_length_and_depth(void **state)
{
  static bench b;
  fault faults[240];
  double next_s[2] = {0.5, 0.6};
  uint64_t seed = support_seed(20);

  (void)state;
  begin(&b, seed);
  b.noise = 0.1 * 0.01; /* 37 dB below the tone */
  for (size_t i = 0; i < 240; i++) {
    int c = (int)(i % 2);
    double length = i < 40 ? 1e-3 : 1e-3 * pow(200.0, mt_random_uniform(&b.random));
    double depth_db = 6.02 + 54.0 * mt_random_uniform(&b.random);
    faults[i] = (fault){c, next_s[c] + 0.05 * mt_random_uniform(&b.random), length,
                        i % 3 == 0 ? 0.0 : pow(10.0, -depth_db / 20.0)};
    next_s[c] = faults[i].begin_s + length + 0.01 + 0.05 * mt_random_uniform(&b.random);
  }
  b.faults = faults;
  b.nfaults = 240;
  feed(&b, fmax(next_s[0], next_s[1]) + 0.5);
  mt_strain_finish(b.watch);
  for (size_t i = 0; i < 240; i++) {
    const mt_strain_event *e = find_fault(&b, &faults[i]);
    double deep_db = -20.0 * log10(fmax(faults[i].gain, 1e-6));
    if (e == NULL)
      printf("dropout %zu: channel %d, %.6f s, %.3f ms, gain %g\n", i, faults[i].channel, faults[i].begin_s,
             1e3 * faults[i].length_s, faults[i].gain);
    assert_non_null(e);
    assert_int_equal(e->kind, MT_STRAIN_DROPOUT);
    /* near a zero of a 2 kHz tone an edge is hidden for a tenth of a period to each side */
    assert_near(e->begin_s, faults[i].begin_s, 0.1e-3, "s");
    assert_near(e->length_s, faults[i].length_s, 0.2e-3, "s");
    /* noise at -37 dB averaged over 1 ms is 0.3 % of the tone: at half of it 3 s.d. and an edge are 0.4 dB */
    if (deep_db < 12.0)
      assert_near(e->depth_db, deep_db, 0.8, "dB");
    else
      assert_true(e->depth_db > 10.0);
  }
  assert_int_equal(b.nevents, 240);
  assert_int_equal(mt_strain_describe(b.watch, 0)->count[MT_STRAIN_DROPOUT], 120);
  assert_int_equal(mt_strain_describe(b.watch, 1)->count[MT_STRAIN_DROPOUT], 120);
  mt_strain_destroy(&b.watch);
}

/* At 8 kHz an edge is a sample of 0.125 ms, and the right tone has 2.7 of them a cycle. */
static void the_shortest_is_found_at_every_rate(void **state)
{
  static const double rates_hz[] = {8000.0, 16000.0, 44100.0, 96000.0, 192000.0};
  static bench b;
  uint64_t seed = support_seed(23);

  (void)state;
  for (size_t k = 0; k < 5; k++) {
    fault faults[40];
    rate_hz = rates_hz[k];
    begin(&b, seed);
    b.noise = 0.1 * 0.003;
    for (size_t i = 0; i < 40; i++)
      faults[i] = (fault){(int)(i % 2), 0.6 + 0.03 * (double)i + 0.01 * mt_random_uniform(&b.random), 1e-3,
                          i % 3 == 0 ? 0.0 : 0.5};
    b.faults = faults;
    b.nfaults = 40;
    feed(&b, 2.2);
    mt_strain_finish(b.watch);
    assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 40);
    assert_int_equal(b.nevents, 40);
    mt_strain_destroy(&b.watch);
  }
  rate_hz = 48000.0;
}

/* A share of the four hours that the benchmark runs (MT_STRAIN_HOURS). */
static void nothing_is_invented_in_a_clean_signal_with_noise_like_music(void **state)
{
  static bench b;
  const char *hours = getenv("MT_STRAIN_HOURS");
  double duration_s = hours != NULL ? 3600.0 * strtod(hours, NULL) : 60.0;

  (void)state;
  begin(&b, support_seed(21));
  b.is_music = true;
  b.noise = 0.1 * 0.05;
  feed(&b, duration_s);
  mt_strain_finish(b.watch);
  for (size_t i = 0; i < b.nevents; i++)
    printf("%s, channel %d at %.4f s, %.2f ms, %.1f dB\n", mt_strain_kind_name(b.events[i].kind),
           b.events[i].channel, b.events[i].begin_s, 1e3 * b.events[i].length_s, b.events[i].depth_db);
  assert_int_equal(b.nevents, 0);
  for (unsigned c = 0; c < 2; c++) {
    const mt_strain_channel *known = mt_strain_describe(b.watch, c);
    assert_true(known->is_locked);
    assert_int_equal(known->tone, (int)c);
    assert_near(known->too_noisy_s, 0.0, 0.0, "s");
    /* the picture averages 200 ms of noise 26 dB down */
    assert_near(known->first_dbfs, -20.0, 0.5, "dBFS");
    assert_near(known->last_dbfs, -20.0, 0.3, "dBFS");
    assert_between(known->watched_s, duration_s - 0.5, duration_s, "s");
  }
  /* 25 levels a second */
  assert_between((double)b.nlevels, duration_s * 20.0, duration_s * 30.0, "levels");
  mt_strain_destroy(&b.watch);
}

static void noise_that_would_hide_a_dropout_is_said_and_invents_none(void **state)
{
  static bench b;

  (void)state;
  begin(&b, support_seed(22));
  b.noise = 0.1 * 0.45; /* 4 dB below the tone, white */
  feed(&b, 20.0);
  mt_strain_finish(b.watch);
  assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 0);
  assert_true(mt_strain_describe(b.watch, 0)->is_locked);
  /* over 1 ms it scatters by 0.09 of the tone */
  assert_true(mt_strain_describe(b.watch, 0)->too_noisy_s > 15.0);
  mt_strain_destroy(&b.watch);
}

static void a_tone_that_turns_over_is_told_once(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 3);
  b.noise = 1e-4;
  feed(&b, 1.0);
  b.phase[1] = PI;
  feed(&b, 1.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 1);
  assert_int_equal(b.events[0].kind, MT_STRAIN_POLARITY);
  assert_int_equal(b.events[0].channel, MT_RIGHT);
  assert_near(b.events[0].begin_s, 1.0, 0.2e-3, "s");
  mt_strain_destroy(&b.watch);
}

/* A frame is 15 degrees of the left tone, and 22.5 of the right: 12 are half a period of the left one, 8 turn the
   right one over and 24 leave the left one nearly as it was. */
static void lost_frames_are_a_jump_of_phase_and_never_a_polarity(void **state)
{
  static const double frames[] = {1.0, 4.0, 8.0, 9.0, 9.5, 12.0, 20.0, 24.0, 36.0, 72.0, 120.0, -12.0, -24.0};

  (void)state;
  for (size_t i = 0; i < sizeof frames / sizeof frames[0]; i++) {
    static bench b;
    /* of a multiple of 24 frames the left tone's turn is too small to be told for itself */
    size_t expected = fmod(fabs(frames[i]), 24.0) > 0.0 ? 2 : 1;
    begin(&b, 4);
    b.noise = 1e-4;
    feed(&b, 1.0);
    b.phase[0] = 2.0 * PI * MT_STRAIN_LEFT_HZ * frames[i] / rate_hz;
    b.phase[1] = 2.0 * PI * MT_STRAIN_RIGHT_HZ * frames[i] / rate_hz;
    feed(&b, 1.0);
    mt_strain_finish(b.watch);
    if (count(&b, MT_STRAIN_POLARITY) > 0 || count(&b, MT_STRAIN_PHASE) != expected)
      printf("%g frames lost\n", frames[i]);
    assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 0);
    assert_int_equal(count(&b, MT_STRAIN_POLARITY), 0);
    assert_int_equal(count(&b, MT_STRAIN_PHASE), expected);
    assert_near(b.events[0].begin_s, 1.0, 2e-3, "s");
    mt_strain_destroy(&b.watch);
  }
}

/* Both at once, and one after the other; noise of -37 dB re the tone. */
static void turned_over_is_told_of_each_channel(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 14);
  b.noise = 0.1 * 0.01;
  feed(&b, 1.0);
  b.phase[0] = b.phase[1] = PI;
  feed(&b, 1.0);
  b.phase[0] = 0.0;
  feed(&b, 1.0);
  b.phase[1] = 0.0;
  feed(&b, 1.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 4);
  assert_int_equal(count(&b, MT_STRAIN_POLARITY), 4);
  mt_strain_destroy(&b.watch);
}

/* One tone alone, or noise that hides by how little the other one turned, tells only that it jumped. */
static void what_may_be_half_a_period_is_not_called_polarity(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 15);
  b.noise = 0.1 * 0.15;
  feed(&b, 1.0);
  b.phase[1] = PI;
  feed(&b, 1.0);
  mt_strain_finish(b.watch);
  assert_int_equal(count(&b, MT_STRAIN_POLARITY), 0);
  assert_int_equal(count(&b, MT_STRAIN_PHASE), 1);
  mt_strain_destroy(&b.watch);
}

static void a_short_between_the_channels_is_told_once_of_both(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 5);
  b.noise = 1e-4;
  feed(&b, 1.0);
  b.is_shorted = true;
  feed(&b, 0.05);
  b.is_shorted = false;
  feed(&b, 1.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 1);
  assert_int_equal(b.events[0].kind, MT_STRAIN_SHORT);
  assert_int_equal(b.events[0].channel, MT_CHANNEL_BOTH);
  assert_near(b.events[0].begin_s, 1.0, 3e-3, "s");
  assert_near(b.events[0].length_s, 0.05, 3e-3, "s");
  mt_strain_destroy(&b.watch);
}

static void a_unit_that_hears_both_tones_drops_out_like_another(void **state)
{
  static bench b;
  const fault gone[] = {{0, 1.0, 0.05, 0.0}, {1, 1.0, 0.05, 0.0}, {0, 1.5, 0.001, 0.0}, {1, 1.5, 0.001, 0.0}};

  (void)state;
  begin(&b, 12);
  b.noise = 1e-4;
  b.is_shorted = true;
  b.faults = gone;
  b.nfaults = 4;
  feed(&b, 2.5);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 4);
  assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 4);
  for (unsigned c = 0; c < 2; c++) {
    assert_int_equal(mt_strain_describe(b.watch, c)->tone, (int)c);
    assert_near(mt_strain_describe(b.watch, c)->other_db, 0.0, 0.1, "dB");
    /* while the other tone is gone as well an edge is blurred by it */
    assert_near(mt_strain_describe(b.watch, c)->lost_s, 0.051, 1e-3, "s");
  }
  mt_strain_destroy(&b.watch);
}

static void a_click_is_no_dropout(void **state)
{
  static bench b;
  float frames[2 * 2];

  (void)state;
  begin(&b, 6);
  b.noise = 1e-4;
  feed(&b, 1.0);
  for (int i = 0; i < 4; i++)
    frames[i] = i % 2 == 0 ? 0.3f : 0.0f; /* left only; two frames in which the tones stand still */
  mt_strain_feed(b.watch, frames, 1);
  b.frame++;
  feed(&b, 1.0);
  mt_strain_finish(b.watch);
  assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 0);
  assert_int_equal(count(&b, MT_STRAIN_CLICK), 2); /* the right one is silent for one frame at its peak */
  assert_near(b.events[0].begin_s, 1.0, 0.1e-3, "s");
  mt_strain_destroy(&b.watch);
}

static void a_level_that_stays_lower_is_taken_for_the_level(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 7);
  b.noise = 1e-5;
  feed(&b, 1.0);
  b.gain[0] = 0.25;
  feed(&b, 5.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 1);
  assert_int_equal(b.events[0].kind, MT_STRAIN_LEVEL);
  assert_near(b.events[0].depth_db, 12.04, 0.1, "dB");
  assert_near(mt_strain_describe(b.watch, 0)->last_dbfs, -32.04, 0.02, "dBFS");
  assert_near(mt_strain_describe(b.watch, 1)->last_dbfs, -20.0, 0.02, "dBFS");
  mt_strain_destroy(&b.watch);
}

static void what_fades_away_and_does_not_come_back_is_a_dropout_without_end(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 8);
  b.noise = 1e-5;
  feed(&b, 1.0);
  for (int i = 0; i < 200; i++) {
    b.gain[1] = pow(10.0, -0.2 * i / 20.0); /* 20 dB a second */
    feed(&b, 0.01);
  }
  b.gain[1] = 0.0;
  feed(&b, 5.0);
  mt_strain_finish(b.watch);
  assert_int_equal(count(&b, MT_STRAIN_DROPOUT), 1);
  assert_true(b.events[b.nevents - 1].is_open);
  assert_true(mt_strain_describe(b.watch, 1)->lost_s > 5.0);
  mt_strain_destroy(&b.watch);
}

static void long_gaps_are_one_dropout_each(void **state)
{
  static bench b;
  const fault gone[] = {{0, 1.0, 8.0, 0.0}, {0, 12.0, 0.5, 0.0}};

  (void)state;
  begin(&b, 9);
  b.noise = 1e-4;
  b.offset = -150e-6;
  b.faults = gone;
  b.nfaults = 2;
  feed(&b, 14.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 2);
  for (size_t i = 0; i < 2; i++) {
    assert_int_equal(b.events[i].kind, MT_STRAIN_DROPOUT);
    assert_near(b.events[i].begin_s, gone[i].begin_s, 0.1e-3, "s");
    assert_near(b.events[i].length_s, gone[i].length_s, 2e-3, "s");
  }
  mt_strain_destroy(&b.watch);
}

static void silence_and_noise_are_never_locked_to(void **state)
{
  static bench b;

  (void)state;
  begin(&b, 10);
  b.amplitude = 0.0;
  feed(&b, 1.0);
  b.noise = 0.1;
  feed(&b, 5.0);
  mt_strain_finish(b.watch);
  assert_int_equal(b.nevents, 0);
  assert_false(mt_strain_describe(b.watch, 0)->is_locked);
  assert_false(mt_strain_describe(b.watch, 1)->is_locked);
  mt_strain_destroy(&b.watch);
}

static void memory_does_not_grow_and_the_curve_keeps_its_length(void **state)
{
  static bench b;
  static double x[MT_STRAIN_SLOTS], y[MT_STRAIN_SLOTS], spread[MT_STRAIN_SLOTS];
  struct mallinfo2 before, after;
  size_t n;

  (void)state;
  begin(&b, 11);
  feed(&b, 2.0);
  before = mallinfo2();
  feed(&b, 98.0);
  after = mallinfo2();
  assert_int_equal(before.uordblks, after.uordblks);
  n = mt_strain_curve(b.watch, 0, x, y, spread);
  assert_between((double)n, MT_STRAIN_SLOTS / 2, MT_STRAIN_SLOTS, "points");
  assert_near(x[n - 1], 100.0, 0.5, "s");
  for (size_t i = 1; i < n; i++) {
    assert_true(x[i] > x[i - 1]);
    assert_near(y[i], -20.0, 0.05, "dBFS");
  }
  mt_strain_destroy(&b.watch);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_dropout_is_found_with_its_begin_length_and_depth),
      cmocka_unit_test(the_shortest_is_found_at_every_rate),
      cmocka_unit_test(nothing_is_invented_in_a_clean_signal_with_noise_like_music),
      cmocka_unit_test(noise_that_would_hide_a_dropout_is_said_and_invents_none),
      cmocka_unit_test(a_tone_that_turns_over_is_told_once),
      cmocka_unit_test(lost_frames_are_a_jump_of_phase_and_never_a_polarity),
      cmocka_unit_test(turned_over_is_told_of_each_channel),
      cmocka_unit_test(what_may_be_half_a_period_is_not_called_polarity),
      cmocka_unit_test(a_short_between_the_channels_is_told_once_of_both),
      cmocka_unit_test(a_unit_that_hears_both_tones_drops_out_like_another),
      cmocka_unit_test(a_click_is_no_dropout),
      cmocka_unit_test(a_level_that_stays_lower_is_taken_for_the_level),
      cmocka_unit_test(what_fades_away_and_does_not_come_back_is_a_dropout_without_end),
      cmocka_unit_test(long_gaps_are_one_dropout_each),
      cmocka_unit_test(silence_and_noise_are_never_locked_to),
      cmocka_unit_test(memory_does_not_grow_and_the_curve_keeps_its_length),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
