#include "support.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/capture.h>

#define RATE 48000.0
#define CHUNK 1000

/* What a sound card hears: pieces of the stimulus, one after another, in noise or hum. */
typedef struct piece {
  double silence_s; /* before it */
  double from_s;    /* of the stimulus */
  double to_s;
} piece;

typedef struct scene {
  const mt_stimulus *stimulus;
  const piece *pieces;
  size_t npieces;
  double noise;     /* rms */
  double hum;       /* amplitude at 50 Hz */
  double delivered; /* frames, in the end */
  double problem_s; /* tell of a problem then; 0: none */
} scene;

static scene *playing;

static double scene_sample(const scene *s, unsigned channel, double t)
{
  for (size_t i = 0; i < s->npieces; i++) {
    const piece *p = &s->pieces[i];
    t -= p->silence_s;
    if (t < 0.0)
      return 0.0;
    if (t < p->to_s - p->from_s)
      return mt_stimulus_sample(s->stimulus, channel, p->from_s + t);
    t -= p->to_s - p->from_s;
  }
  return 0.0;
}

static mt_code run_scene(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err)
{
  scene *s = playing;
  size_t total = (size_t)(request->duration_s * RATE);
  float block[2 * CHUNK];
  mt_random random;
  mt_code code = sink->begin(sink->ctx, RATE, 2, true, err);

  mt_random_init(&random, 5);
  for (size_t n = 0; code == MT_OK && n < total && !sink->has_enough(sink->ctx); n += CHUNK) {
    for (size_t i = 0; i < 2 * CHUNK; i++) {
      double t = (double)(n + i / 2) / RATE;
      block[i] = (float)(scene_sample(s, (unsigned)(i % 2), t) + s->hum * sin(2.0 * MT_PI * 50.0 * t) +
                         s->noise * mt_random_normal(&random));
    }
    code = sink->block(sink->ctx, block, CHUNK, err);
    s->delivered = (double)(n + CHUNK);
    if (code == MT_OK && s->problem_s > 0.0 && s->delivered / RATE >= s->problem_s) {
      code = sink->problem(sink->ctx, MT_PROBLEM_DRIVER, s->problem_s - 0.1, s->problem_s, "lost", err);
      s->problem_s = 0.0;
    }
  }
  return code;
}

/* What was told, one letter each; levels are left out. */
typedef struct told {
  char letters[32];
  size_t count;
  size_t nlevels;
  size_t stop_after_levels; /* 0: never */
} told;

static void tell(void *ctx, mt_heard heard, double level_dbfs)
{
  static const char letters[] = {
      [MT_HEARD_START] = 's', [MT_HEARD_END] = 'e', [MT_HEARD_LATE] = 'l', [MT_HEARD_CUT_SHORT] = 'c'};
  told *t = ctx;
  assert_true(isfinite(level_dbfs));
  if (heard == MT_HEARD_LEVEL)
    t->nlevels++;
  else if (t->count + 1 < sizeof t->letters)
    t->letters[t->count++] = letters[heard];
}

static bool is_stopped(void *ctx)
{
  told *t = ctx;
  return t->stop_after_levels > 0 && t->nlevels >= t->stop_after_levels;
}

/* What the tap was told. */
static float *tapped;
static size_t ntapped, nbegun;

static mt_code tap_begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  (void)ctx;
  (void)err;
  (void)play_aligned;
  assert_near(rate_hz, RATE, 0.0, "Hz");
  assert_int_equal(nchannels, 2);
  nbegun++;
  ntapped = 0;
  return MT_OK;
}

static mt_code tap_block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  (void)ctx;
  (void)err;
  tapped = realloc(tapped, 2 * (ntapped + nframes) * sizeof *tapped);
  assert_non_null(tapped);
  memcpy(tapped + 2 * ntapped, frames, 2 * nframes * sizeof *tapped);
  ntapped += nframes;
  return MT_OK;
}

static const mt_audio_sink tap = {tap_begin, tap_block, NULL, NULL, NULL};

static mt_code hear(scene *s, double wait_s, told *out, mt_take **take, mt_error *err)
{
  const mt_audio_backend backend = {"scene", run_scene};
  mt_listening listening = {.stimulus = s->stimulus,
                            .longest_s = 16.0,
                            .wait_s = wait_s,
                            .tell = tell,
                            .is_stopped = is_stopped,
                            .ctx = out,
                            .tap = &tap};
  mt_audio_request request = {.rate_hz = RATE};

  playing = s;
  nbegun = ntapped = 0;
  return mt_capture_listen(&backend, &request, &listening, take, err);
}

/* What a file is written from while it is heard, against what is read in the end. */
static void assert_tapped(const mt_take *take, size_t begun)
{
  assert_int_equal(nbegun, begun);
  assert_int_equal(ntapped, take->nframes);
  assert_memory_equal(tapped, take->samples, 2 * ntapped * sizeof *tapped);
  free(tapped);
  tapped = NULL;
}

static mt_stimulus default_stimulus(void)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  assert_ok(mt_stimulus_init_default(RATE, -20.0, &stimulus, &err), err);
  return stimulus;
}

static void a_run_is_heard_whenever_it_comes_and_ends_the_listening(void **state)
{
  static const double silences_s[] = {0.0, 0.4, 3.3, 47.9};
  mt_stimulus stimulus = default_stimulus();
  (void)state;
  for (size_t i = 0; i < sizeof silences_s / sizeof silences_s[0]; i++) {
    piece whole = {silences_s[i], 0.0, stimulus.duration_s};
    scene s = {.stimulus = &stimulus, .pieces = &whole, .npieces = 1, .noise = 1e-4};
    told t = {0};
    mt_take *take = NULL;
    mt_marks_found found;
    mt_location at;
    mt_error err = {0};
    assert_ok(hear(&s, 60.0, &t, &take, &err), err);
    assert_string_equal(t.letters, "se");
    assert_tapped(take, 1);
    assert_false(take->play_aligned);
    /* the end mark is seen half a second late at most, and a second is waited for */
    assert_between(s.delivered / RATE, silences_s[i] + 14.5, silences_s[i] + 16.5, "s");
    /* what came long before is gone */
    assert_true((double)take->nframes / RATE < 16.5 + 12.0);
    assert_ok(mt_capture_locate(take, &stimulus, &found, &at, &err), err);
    assert_int_equal(found, MT_MARKS_BOTH);
    assert_near(at.clock_offset_ppm, 0.0, 0.01, "ppm");
    mt_take_destroy(&take);
  }
}

static void a_run_that_breaks_off_or_began_too_early_is_not_the_one(void **state)
{
  mt_stimulus stimulus = default_stimulus();
  const piece pieces[] = {{0.0, 5.0, stimulus.duration_s}, /* its beginning missed */
                          {2.0, 0.0, 6.0},                 /* breaks off */
                          {20.0, 0.0, 3.0},                /* begun ... */
                          {0.5, 0.0, stimulus.duration_s}};
  scene s = {.stimulus = &stimulus, .pieces = pieces, .npieces = 4, .noise = 1e-4};
  told t = {0};
  mt_take *take = NULL;
  mt_marks_found found;
  mt_location at;
  mt_error err = {0};
  (void)state;
  assert_ok(hear(&s, 100.0, &t, &take, &err), err);
  assert_string_equal(t.letters, "lscsse");
  assert_tapped(take, 2); /* the run that broke off is begun anew */
  assert_ok(mt_capture_locate(take, &stimulus, &found, &at, &err), err);
  assert_int_equal(found, MT_MARKS_BOTH);
  mt_take_destroy(&take);
}

static void what_is_heard_instead_is_said(void **state)
{
  mt_stimulus stimulus = default_stimulus();
  const piece start = {1.0, 0.0, 5.0}, end = {0.0, 5.0, stimulus.duration_s}, middle = {0.0, 3.0, 12.0};
  const struct {
    scene s;
    const char *want;
  } table[] = {
      {{.noise = 0.0}, "every sample is zero"},
      {{.noise = 1e-4}, "nothing was heard in 20 s (at most -77 dBFS)"},
      {{.noise = 1e-4, .hum = 0.01}, "only hum was heard (-40 dBFS, below 400 Hz)"},
      {{.noise = 0.01}, "sound was heard (-37 dBFS) but no start mark"},
      {{.noise = 1e-4, .pieces = &middle, .npieces = 1}, "sound was heard (-20 dBFS) but no start mark"},
      {{.noise = 1e-4, .pieces = &start, .npieces = 1},
       "the start mark was heard, but no end mark within 16 s"},
      {{.noise = 1e-4, .pieces = &end, .npieces = 1}, "an end mark was heard, but its start mark was missed"},
  };
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    scene s = table[i].s;
    told t = {0};
    mt_take *take = NULL;
    mt_error err = {0};
    s.stimulus = &stimulus;
    assert_int_equal(hear(&s, 20.0, &t, &take, &err), MT_E_DATA);
    assert_null(take);
    if (strstr(err.message, table[i].want) == NULL)
      print_error("%s\nis not: %s\n", err.message, table[i].want);
    assert_non_null(strstr(err.message, table[i].want));
    assert_between(s.delivered / RATE, 20.0, 21.0, "s");
  }
}

static void it_can_be_stopped(void **state)
{
  mt_stimulus stimulus = default_stimulus();
  scene s = {.stimulus = &stimulus, .noise = 1e-4};
  told t = {.stop_after_levels = 5};
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  assert_int_equal(hear(&s, 60.0, &t, &take, &err), MT_E_DATA);
  assert_non_null(strstr(err.message, "stopped before"));
  assert_between(s.delivered / RATE, 2.4, 2.7, "s");
}

/* Times of the driver's problems move with the take's beginning, and those before it are gone. */
static void problems_keep_their_place(void **state)
{
  static const double at_s[] = {3.0, 47.0};
  mt_stimulus stimulus = default_stimulus();
  piece whole = {40.0, 0.0, stimulus.duration_s};
  (void)state;
  for (size_t i = 0; i < 2; i++) {
    scene s = {.stimulus = &stimulus, .pieces = &whole, .npieces = 1, .noise = 1e-4, .problem_s = at_s[i]};
    told t = {0};
    mt_take *take = NULL;
    mt_error err = {0};
    double begun_s;
    assert_ok(hear(&s, 60.0, &t, &take, &err), err);
    begun_s = (s.delivered - (double)take->nframes) / RATE;
    assert_true(begun_s > 20.0);
    assert_int_equal(take->nproblems, i);
    if (i == 1)
      assert_near(take->problems[0].end_s, at_s[i] - begun_s, 1e-6, "s");
    mt_take_destroy(&take);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_run_is_heard_whenever_it_comes_and_ends_the_listening),
      cmocka_unit_test(a_run_that_breaks_off_or_began_too_early_is_not_the_one),
      cmocka_unit_test(what_is_heard_instead_is_said),
      cmocka_unit_test(it_can_be_stopped),
      cmocka_unit_test(problems_keep_their_place),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
