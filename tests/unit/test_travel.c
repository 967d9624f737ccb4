/* A knob turned while two tones run: what the generator put in is what is told, and nothing else. */
#include "support.h"

#include "analysis/travel.h"
#include "base/random.h"

#include <math.h>

#define PI 3.14159265358979323846
#define POINTS 6

static const double freq_hz[2] = {997.0, 1499.0};

typedef struct burst {
  int channel;
  double at_s, length_s, level_dbfs; /* white, in 0 ... rate/2 */
} burst;

/* A control between two tones and the reader. */
typedef struct control {
  double rate_hz, length_s;
  double level_dbfs, noise_dbfs, hum_dbfs, harmonic_db; /* harmonic: the third, re the tone */
  double range_db, from_s, to_s, back_s, up_s;
  double shake_db; /* of the hand, at 3 and 7 Hz, while it turns */
  double step_db;
  double tracking[POINTS]; /* left less right at 0, 14, 28... dB */
  double gain_db[2];
  burst bursts[12];
  size_t nbursts;
  double stuck_from_db, stuck_to_db; /* on the right */
  double gap_from_db, gap_to_db;     /* on the left: 35 dB less there */
  double cut_db[2];                  /* 0, or from there on nothing comes through */
  double rustle_dbfs;                /* on the left, the faster it is turned the louder */
  uint64_t seed;
} control;

static control plain(uint64_t seed)
{
  return (control){.rate_hz = 48000.0,
                   .length_s = 20.0,
                   .level_dbfs = -20.0,
                   .noise_dbfs = -90.0,
                   .hum_dbfs = -200.0,
                   .harmonic_db = -200.0,
                   .rustle_dbfs = -200.0,
                   .range_db = 60.0,
                   .from_s = 1.5,
                   .to_s = 9.0,
                   .back_s = 11.0,
                   .up_s = 18.5,
                   .seed = seed};
}

/* A hand sets off and stops softly: a raised cosine over the first and the last fifth would do; here over all. */
static double turned_db(const control *c, double t)
{
  double part = 0.0, slope = 0.0;

  if (t > c->from_s && t < c->to_s)
    slope = (t - c->from_s) / (c->to_s - c->from_s);
  else if (t >= c->back_s && t < c->up_s)
    slope = 1.0 - (t - c->back_s) / (c->up_s - c->back_s);
  part = t <= c->from_s || t >= c->up_s ? 0.0 : t >= c->to_s && t <= c->back_s ? 1.0 : slope;
  part = part + 0.5 / (2.0 * PI) * sin(-2.0 * PI * part) * 0.6;
  part *= c->range_db;
  part += c->shake_db * sin(PI * slope) * (sin(2.0 * PI * 3.0 * t) + 0.4 * sin(2.0 * PI * 7.0 * t));
  part = fmax(part, 0.0);
  return c->step_db > 0.0 ? c->step_db * round(part / c->step_db) : part;
}

static double tracking_at(const control *c, double down_db)
{
  double at = fmin(down_db / 14.0, POINTS - 1.001);
  int i = (int)at;

  return c->tracking[i] + (at - i) * (c->tracking[i + 1] - c->tracking[i]);
}

static double gain_db(const control *c, int channel, double down_db)
{
  if (c->cut_db[channel] > 0.0 && down_db > c->cut_db[channel])
    return -140.0;
  if (channel == 1 && down_db > c->stuck_from_db && down_db < c->stuck_to_db)
    down_db = c->stuck_from_db;
  return c->gain_db[channel] - down_db - (channel == 1 ? tracking_at(c, down_db) : 0.0) -
         (channel == 0 && down_db > c->gap_from_db && down_db < c->gap_to_db ? 35.0 : 0.0);
}

static double ratio(double db)
{
  return pow(10.0, db / 20.0);
}

static double *render(const control *c, size_t *n)
{
  mt_random random;
  double *x;

  *n = (size_t)(c->length_s * c->rate_hz);
  x = malloc(2 * *n * sizeof *x);
  mt_random_init(&random, c->seed);
  for (size_t i = 0; i < *n; i++) {
    double t = (double)i / c->rate_hz, down_db = turned_db(c, t);
    for (int k = 0; k < 2; k++) {
      double phase = 2.0 * PI * fmod(freq_hz[k] * 1.00004 * t, 1.0) + 0.7 * k;
      double y = sin(phase) + ratio(c->harmonic_db) * sin(3.0 * phase);
      y *= ratio(c->level_dbfs + gain_db(c, k, down_db));
      y += ratio(c->noise_dbfs) * sqrt(0.5) * mt_random_normal(&random);
      y += ratio(c->hum_dbfs) * (sin(2.0 * PI * 50.0 * t) + 0.3 * sin(2.0 * PI * 150.0 * t));
      if (k == 0 && c->rustle_dbfs > -200.0)
        y += ratio(c->rustle_dbfs) * sqrt(0.5) * mt_random_normal(&random) *
             fabs(turned_db(c, t + 0.05) - turned_db(c, t - 0.05)) / 0.1 * (c->to_s - c->from_s) /
             c->range_db;
      for (size_t b = 0; b < c->nbursts; b++)
        if (c->bursts[b].channel == k && t >= c->bursts[b].at_s &&
            t < c->bursts[b].at_s + c->bursts[b].length_s)
          y += ratio(c->bursts[b].level_dbfs) * sqrt(0.5) * mt_random_normal(&random);
      x[(size_t)k * *n + i] = (double)(float)y;
    }
  }
  return x;
}

static mt_travel read_control(const control *c)
{
  mt_travel travel = {0};
  mt_error err = {0};
  size_t n;
  double *x = render(c, &n);

  assert_ok(mt_travel_measure((const double *const[]){x, x + n}, n, c->rate_hz, freq_hz, &travel, &err), err);
  free(x);
  return travel;
}

static void print_events(const mt_travel *t)
{
  for (size_t i = 0; i < t->nevents; i++)
    printf("  kind %d channel %d at %.3f s for %.3f s, down %.1f dB, size %.1f dB\n", (int)t->events[i].kind,
           t->events[i].channel, t->events[i].begin_s, t->events[i].length_s, t->events[i].attenuation_db,
           t->events[i].size_db);
}

static double uniform(mt_random *random, double low, double high)
{
  return low + (high - low) * mt_random_uniform(random);
}

/* ---- nothing is invented ------------------------------------------------------------------------------------ */

static void a_smooth_turn_of_20_s_with_noise_has_no_fault(void **state)
{
  uint64_t seed = support_seed(11);
  mt_random random;
  (void)state;
  mt_random_init(&random, seed);
  for (int run = 0; run < 8; run++) {
    control c = plain(seed + 100 + (uint64_t)run);
    mt_travel t;
    c.noise_dbfs = uniform(&random, -110.0, -70.0);
    c.hum_dbfs = uniform(&random, -120.0, -70.0);
    c.harmonic_db = uniform(&random, -110.0, -40.0);
    c.shake_db = uniform(&random, 0.0, 1.0);
    c.range_db = uniform(&random, 20.0, 90.0);
    c.to_s = uniform(&random, 3.0, 9.5); /* up to 60 dB a second in the middle */
    for (int i = 0; i < POINTS; i++)
      c.tracking[i] = i == 0 ? 0.0 : uniform(&random, -3.0, 3.0);
    t = read_control(&c);
    if (t.nevents > 0 || t.is_stepped) {
      printf("run %d: noise %.1f hum %.1f harmonic %.1f range %.1f to %.2f\n", run, c.noise_dbfs, c.hum_dbfs,
             c.harmonic_db, c.range_db, c.to_s);
      print_events(&t);
    }
    assert_int_equal(t.nevents, 0);
    assert_false(t.is_stepped);
    mt_travel_finish(&t);
  }
}

/* ---- what is there is found --------------------------------------------------------------------------------- */

/* 10 dB above the noise, white both, so in any band: 2 ms of it are 72 degrees of freedom, mean 11 times the
   threshold's third; that fewer than 5 dB are seen happens once in 10^9. */
static void every_scratch_of_10_db_above_the_noise_is_found_where_it_is(void **state)
{
  uint64_t seed = support_seed(12);
  mt_random random;
  (void)state;
  mt_random_init(&random, seed);
  for (int run = 0; run < 4; run++) {
    control c = plain(seed + 200 + (uint64_t)run);
    mt_travel t;
    size_t at = 0;
    c.noise_dbfs = uniform(&random, -90.0, -70.0);
    for (int i = 0; i < 12; i++)
      c.bursts[i] = (burst){.channel = i % 2,
                            .at_s = 1.6 + 1.4 * i + uniform(&random, 0.0, 0.5),
                            .length_s = uniform(&random, 0.004, 0.03),
                            .level_dbfs = c.noise_dbfs + uniform(&random, 10.0, 40.0)};
    c.nbursts = 12;
    t = read_control(&c);
    if (t.nevents != 12)
      print_events(&t);
    assert_int_equal(t.nevents, 12);
    for (; at < 12; at++) {
      const mt_travel_event *e = &t.events[at];
      const burst *b = &c.bursts[at];
      assert_int_equal(e->kind, MT_TRAVEL_SCRATCH);
      assert_int_equal(e->channel, b->channel);
      /* in chunks of 2 ms; a chunk with a little of it counts or not */
      assert_near(e->begin_s, b->at_s, 0.0021, "s");
      assert_near(e->length_s, b->length_s, 0.0041, "s");
      /* by a window of 10 ms, 200 Hz of white noise in it: k = 4 */
      assert_near(e->attenuation_db, turned_db(&c, b->at_s - 0.01),
                  0.3 + 4.0 * 6.14 *
                            ratio(c.noise_dbfs + 10.0 * log10(200.0 / 24e3) - c.level_dbfs +
                                  turned_db(&c, b->at_s - 0.01)),
                  "dB");
      /* 75 % of white noise at 48 kHz lies above 6 kHz. Its energy is that of 36000 degrees of freedom a second, k = 4;
         half of an outer chunk of 2 ms may be missed. */
      assert_near(e->level_dbfs + 10.0 * log10(e->length_s), b->level_dbfs + 10.0 * log10(0.75 * b->length_s),
                  0.5 + 4.0 * 4.34 * sqrt(2.0 / (36e3 * b->length_s)), "dB");
    }
    mt_travel_finish(&t);
  }
}

/* A worn track that crackles all the way, and swells as the hand sets off, is its own median. */
static void what_rustles_all_the_while_is_found(void **state)
{
  (void)state;
  for (int i = 0; i < 3; i++) {
    control c = plain(80 + (uint64_t)i);
    mt_travel t;
    c.rustle_dbfs = -66.0 + 10.0 * i;
    t = read_control(&c);
    if (t.count[0][MT_TRAVEL_SCRATCH] == 0)
      fail_msg("%.0f dBFS: not found", c.rustle_dbfs);
    assert_int_equal(t.count[1][MT_TRAVEL_SCRATCH], 0);
    assert_true(t.ncells > 15);
    mt_travel_finish(&t);
  }
}

/* As of a tapped control whose one side is loudest elsewhere: which side is amiss cannot be said. */
static void sides_that_are_never_both_at_full_are_not_held_against_each_other(void **state)
{
  control c = plain(90);
  mt_travel t;
  (void)state;
  c.gain_db[1] = 20.0;
  c.tracking[0] = 20.0;
  c.stuck_from_db = 30.0;
  c.stuck_to_db = 40.0;
  t = read_control(&c);
  assert_false(t.has_balance);
  assert_int_equal(t.ncells, 0);
  assert_int_equal(t.count[0][MT_TRAVEL_LOST] + t.count[0][MT_TRAVEL_STUCK], 0);
  mt_travel_finish(&t);
}

static void steps_are_counted_and_sized(void **state)
{
  static const struct {
    double step_db, range_db, noise_dbfs, to_s;
  } cases[] = {{0.5, 40.0, -90.0, 9.0}, {0.5, 40.0, -75.0, 9.0}, {1.0, 60.0, -90.0, 9.0},
               {2.0, 60.0, -90.0, 6.0}, {3.0, 45.0, -80.0, 9.0}, {0.25, 12.0, -90.0, 9.0}};
  uint64_t seed = support_seed(13);
  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    control c = plain(seed + 300 + i);
    mt_travel t;
    c.step_db = cases[i].step_db;
    c.range_db = cases[i].range_db;
    c.noise_dbfs = cases[i].noise_dbfs;
    c.to_s = cases[i].to_s;
    t = read_control(&c);
    printf("step %.2f dB: %zu of %.0f, %.4f +-%.4f dB, to -%.1f dB, %zu odd, %zu events\n", c.step_db,
           t.nsteps, c.range_db / c.step_db, t.step_db, t.step_uncertainty_db, t.stepped_to_db, t.nodd,
           t.nevents);
    assert_true(t.is_stepped);
    assert_near(t.step_db, c.step_db, t.step_uncertainty_db + 0.001, "dB");
    assert_int_equal(t.nsteps, (size_t)lround(t.stepped_to_db / c.step_db));
    if (i != 1) /* at -75 dBFS the last ones drown */
      assert_int_equal(t.nsteps, (size_t)lround(c.range_db / c.step_db));
    assert_int_equal(t.nodd, 0);
    assert_int_equal(t.nevents, 0);
    mt_travel_finish(&t);
  }
}

static void a_place_where_one_track_rests_is_found_once_though_passed_twice(void **state)
{
  control c = plain(support_seed(14));
  mt_travel t;
  (void)state;
  c.stuck_from_db = 22.0;
  c.stuck_to_db = 27.0;
  t = read_control(&c);
  print_events(&t);
  assert_int_equal(t.count[1][MT_TRAVEL_STUCK], 1);
  assert_int_equal(t.count[0][MT_TRAVEL_STUCK], 0);
  assert_int_equal(t.count[0][MT_TRAVEL_LOST] + t.count[1][MT_TRAVEL_LOST], 0);
  assert_int_equal(t.count[1][MT_TRAVEL_JUMP], 2);
  for (size_t i = 0; i < t.nevents; i++)
    if (t.events[i].kind == MT_TRAVEL_STUCK)
      assert_near(t.events[i].attenuation_db, 22.0, 0.5, "dB");
  mt_travel_finish(&t);
}

static void a_gap_in_one_track_is_found_with_its_depth(void **state)
{
  control c = plain(support_seed(15));
  mt_travel t;
  (void)state;
  c.gap_from_db = 12.0;
  c.gap_to_db = 13.5;
  t = read_control(&c);
  print_events(&t);
  assert_int_equal(t.count[0][MT_TRAVEL_LOST], 1);
  assert_int_equal(t.count[1][MT_TRAVEL_LOST], 0);
  assert_int_equal(t.count[0][MT_TRAVEL_STUCK] + t.count[1][MT_TRAVEL_STUCK], 0);
  assert_int_equal(t.events[0].kind, MT_TRAVEL_LOST);
  assert_near(t.events[0].attenuation_db, 12.0, 1.0, "dB");
  assert_near(t.events[0].size_db, 36.0, 2.5, "dB"); /* and what it was turned down meanwhile */
  /* what a fault makes of the balance is no tracking error */
  assert_true(fabs(mt_travel_worst(&t, 40.0)->error_db) < 0.1);
  mt_travel_finish(&t);
}

/* Common practice, no source: a track ends a little before its terminal, and two never at the same angle. */
static void where_the_tracks_end_is_no_fault(void **state)
{
  control c = plain(support_seed(20));
  mt_travel t;
  (void)state;
  c.cut_db[0] = 55.0;
  c.cut_db[1] = 56.0;
  for (int run = 0; run < 2; run++) {
    c.noise_dbfs = run == 0 ? -95.0 : -110.0;
    t = read_control(&c);
    print_events(&t);
    assert_int_equal(t.nevents, 0);
    assert_true(t.is_bound[0] && t.is_bound[1]);
    mt_travel_finish(&t);
  }
  /* a channel that is gone while the other one goes on for 20 dB is one */
  c.cut_db[0] = 30.0;
  c.cut_db[1] = 0.0;
  t = read_control(&c);
  print_events(&t);
  assert_int_equal(t.count[0][MT_TRAVEL_LOST], 1);
  assert_int_equal(t.count[1][MT_TRAVEL_LOST], 0);
  mt_travel_finish(&t);
}

/* ---- tracking and range ------------------------------------------------------------------------------------- */

/* Straight stretches: between their corners a cell's mean is the value at its mean attenuation. */
static bool is_near_corner(double down_db)
{
  double to_corner = fabs(down_db - 14.0 * round(down_db / 14.0));
  return to_corner < 1.0;
}

static void tracking_lies_within_its_uncertainty(void **state)
{
  uint64_t seed = support_seed(16);
  mt_random random;
  size_t ncells = 0, inside = 0, nworst = 0, worst_inside = 0;
  (void)state;
  mt_random_init(&random, seed);
  for (int run = 0; run < 14; run++) {
    control c = plain(seed + 500 + (uint64_t)run);
    mt_travel t;
    const mt_travel_cell *worst;
    double truth = 0.0;
    c.noise_dbfs = uniform(&random, -100.0, -75.0);
    c.shake_db = uniform(&random, 0.0, 0.5);
    c.gain_db[1] = uniform(&random, -1.0, 1.0);
    c.range_db = 55.0;
    for (int i = 1; i < POINTS; i++)
      c.tracking[i] = uniform(&random, -3.0, 3.0);
    t = read_control(&c);
    for (size_t i = 0; i < t.ncells; i++) {
      double down = t.cells[i].attenuation_db;
      if (is_near_corner(down))
        continue;
      ncells++;
      inside += fabs(t.cells[i].error_db - tracking_at(&c, down)) <= t.cells[i].uncertainty_db;
    }
    worst = mt_travel_worst(&t, 40.0);
    assert_non_null(worst);
    for (double d = 0.0; d <= 40.0; d += 0.01)
      truth = fabs(tracking_at(&c, d)) > fabs(truth) ? tracking_at(&c, d) : truth;
    /* a corner of 6 dB in 14 on both sides is cut by a quarter of a decibel of attenuation, in a cell of 1 dB:
       6/14 x (1/4 + what the cells' grid misses, 1/2) */
    nworst++;
    worst_inside += fabs(fabs(worst->error_db) - fabs(truth)) <= worst->uncertainty_db + 0.43 * 0.75;
    mt_travel_finish(&t);
  }
  printf("%zu of %zu cells inside their interval (%.1f %%), %zu of %zu worst ones\n", inside, ncells,
         100.0 * (double)inside / (double)ncells, worst_inside, nworst);
  assert_true(ncells > 500);
  assert_between((double)inside / (double)ncells, 0.93, 1.0, "");
  assert_int_equal(worst_inside, nworst);
}

static void the_range_is_known_or_known_to_be_at_least_so_much(void **state)
{
  control c = plain(support_seed(17));
  mt_travel t;
  (void)state;
  c.range_db = 50.0;
  c.shake_db = 0.3;
  t = read_control(&c);
  for (int k = 0; k < 2; k++) {
    assert_false(t.is_bound[k]);
    assert_near(t.full_dbfs[k] - t.lowest_dbfs[k], 50.0, 2.0 * t.lowest_sigma_db[k] + 0.01, "dB");
  }
  mt_travel_finish(&t);
  c.range_db = 130.0;
  t = read_control(&c);
  for (int k = 0; k < 2; k++) {
    assert_true(t.is_bound[k]);
    /* white noise in 50 Hz of 24 kHz stands 26.8 dB lower, at -116.8 dBFS; the bound is a few dB above that */
    assert_between(t.full_dbfs[k] - t.lowest_dbfs[k], 82.0, 97.0, "dB");
  }
  mt_travel_finish(&t);
}

/* ---- what cannot be read ------------------------------------------------------------------------------------ */

static void a_silent_channel_and_swapped_ones_are_told(void **state)
{
  control c = plain(support_seed(18));
  mt_travel t = {0};
  mt_error err = {0};
  size_t n;
  double *x;
  (void)state;
  c.gain_db[1] = -150.0;
  t = read_control(&c);
  assert_true(t.heard[0]);
  assert_false(t.heard[1]);
  assert_int_equal(t.ncells, 0);
  mt_travel_finish(&t);
  c.gain_db[1] = 0.0;
  x = render(&c, &n);
  assert_ok(mt_travel_measure((const double *const[]){x + n, x}, n, c.rate_hz, freq_hz, &t, &err), err);
  assert_true(t.swapped[0] && t.swapped[1]);
  mt_travel_finish(&t);
  free(x);
}

static void digital_silence_is_read_without_a_number_that_is_none(void **state)
{
  size_t n = 96000;
  double *x = calloc(2 * n, sizeof *x);
  mt_travel t = {0};
  mt_error err = {0};
  (void)state;
  assert_ok(mt_travel_measure((const double *const[]){x, x + n}, n, 48000.0, freq_hz, &t, &err), err);
  assert_false(t.heard[0] || t.heard[1]);
  for (size_t i = 0; i < t.npoints; i++)
    assert_true(isfinite(t.points[i].level_dbfs[0]) && isfinite(t.points[i].sigma_db[0]));
  mt_travel_finish(&t);
  assert_int_equal(mt_travel_measure((const double *const[]){x, x}, 4000, 48000.0, freq_hz, &t, &err),
                   MT_E_ARG);
  assert_int_equal(mt_travel_measure((const double *const[]){x, x}, n, 16000.0, freq_hz, &t, &err), MT_E_ARG);
  free(x);
}

static void other_rates_read_the_same(void **state)
{
  static const double rates[] = {44100.0, 96000.0, 192000.0};
  (void)state;
  for (int i = 0; i < 3; i++) {
    control c = plain(support_seed(19));
    mt_travel t;
    c.rate_hz = rates[i];
    c.length_s = 10.0;
    c.to_s = 5.0;
    c.back_s = 5.5;
    c.up_s = 9.0;
    c.step_db = 1.0;
    c.range_db = 20.0;
    c.noise_dbfs = -85.0;
    c.bursts[0] = (burst){.channel = 1, .at_s = 3.0, .length_s = 0.01, .level_dbfs = -60.0};
    c.nbursts = 1;
    t = read_control(&c);
    assert_int_equal(t.nsteps, 20);
    assert_int_equal(t.nevents, 1);
    assert_near(t.events[0].begin_s, 3.0, 0.0021, "s");
    mt_travel_finish(&t);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_smooth_turn_of_20_s_with_noise_has_no_fault),
      cmocka_unit_test(every_scratch_of_10_db_above_the_noise_is_found_where_it_is),
      cmocka_unit_test(what_rustles_all_the_while_is_found),
      cmocka_unit_test(sides_that_are_never_both_at_full_are_not_held_against_each_other),
      cmocka_unit_test(steps_are_counted_and_sized),
      cmocka_unit_test(a_place_where_one_track_rests_is_found_once_though_passed_twice),
      cmocka_unit_test(a_gap_in_one_track_is_found_with_its_depth),
      cmocka_unit_test(where_the_tracks_end_is_no_fault),
      cmocka_unit_test(tracking_lies_within_its_uncertainty),
      cmocka_unit_test(the_range_is_known_or_known_to_be_at_least_so_much),
      cmocka_unit_test(a_silent_channel_and_swapped_ones_are_told),
      cmocka_unit_test(digital_silence_is_read_without_a_number_that_is_none),
      cmocka_unit_test(other_rates_read_the_same),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
