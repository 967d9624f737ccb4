/* What a mixer's state means for a take; the asking itself is tested on the sound card made of software. */
#include "support.h"

#include "audio/mixer.h"

static mt_mixer_view plain_view(void)
{
  mt_mixer_view view = {0};
  view.output = (mt_mixer_end){.found = true,
                               .percent = 100.0,
                               .rate_hz = 48000.0,
                               .stream_rate_hz = 48000.0,
                               .nchannels = 2,
                               .stream_nchannels = 2};
  view.input = view.output;
  view.input.index = 1;
  return view;
}

static void a_mixer_that_passes_all_on_is_not_mentioned(void **state)
{
  mt_mixer_view view = plain_view(), none = {0};
  mt_mixer_log log = {0};
  (void)state;
  mt_mixer_note(&log, &none, 0.0);
  mt_mixer_note(&log, &view, 1.0);
  view.output.volume_db = 0.0005; /* rounding, no volume */
  mt_mixer_note(&log, &view, 2.0);
  mt_mixer_note(&log, &none, 3.0);
  assert_int_equal(log.nfindings, 0);
}

static void each_thing_it_does_is_named(void **state)
{
  static const struct {
    int what;
    mt_problem_kind kind;
    const char *text;
  } table[] = {
      {0, MT_PROBLEM_SCALED, "the mixer's output volume stands at 80 % (-5.8 dB); set it to 100 %"},
      {1, MT_PROBLEM_SCALED,
       "the mixer's input volume for this program stands at 120 % (+4.8 dB); set it to 100 %"},
      {2, MT_PROBLEM_SCALED, "the mixer's input is muted; turn it on"},
      {3, MT_PROBLEM_RESAMPLED,
       "the mixer resamples: its output runs at 44100 Hz, this at 48000 Hz; use --rate 44100 or a hw: "
       "device"},
      {4, MT_PROBLEM_RESAMPLED,
       "the mixer remixes: its input has 1 channel, this program 2; set it to stereo"},
      {5, MT_PROBLEM_SHARED, "another program plays to the same device: Bells; close it"},
  };
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    mt_mixer_view view = plain_view();
    mt_mixer_log log = {0};
    if (table[i].what == 0) {
      view.output.volume_db = -5.8146;
      view.output.percent = 80.0;
    } else if (table[i].what == 1) {
      view.input.volume_db = 4.75;
      view.input.percent = 120.0;
      view.input.stream_is_scaled = true;
    } else if (table[i].what == 2) {
      view.input.muted = true;
      view.input.volume_db = -200.0; /* one thing is enough */
    } else if (table[i].what == 3) {
      view.output.rate_hz = 44100.0;
    } else if (table[i].what == 4) {
      view.input.nchannels = 1;
    } else {
      snprintf(view.other, sizeof view.other, "Bells");
    }
    mt_mixer_note(&log, &view, 1.0);
    assert_int_equal(log.nfindings, 1);
    assert_int_equal(log.findings[0].kind, table[i].kind);
    assert_string_equal(log.findings[0].text, table[i].text);
  }
}

static void each_has_its_time(void **state)
{
  mt_mixer_view view = plain_view(), none = {0};
  mt_mixer_log log = {0};
  (void)state;
  mt_mixer_note(&log, &view, 1.0);
  snprintf(view.other, sizeof view.other, "Bells");
  mt_mixer_note(&log, &view, 2.0);
  mt_mixer_note(&log, &view, 2.5);
  view.other[0] = '\0';
  mt_mixer_note(&log, &view, 3.0);
  view.output.volume_db = -1.0;
  mt_mixer_note(&log, &view, 4.0);
  mt_mixer_note(&log, &none, 5.0); /* our streams are away for a moment */
  mt_mixer_note(&log, &view, 5.5);
  snprintf(view.other, sizeof view.other, "Bells");
  mt_mixer_note(&log, &view, 6.0);
  assert_int_equal(log.nfindings, 3);
  assert_near(log.findings[0].begin_s, 2.0, 0.0, "s");
  assert_near(log.findings[0].end_s, 3.0, 0.0, "s");
  assert_near(log.findings[1].begin_s, 4.0, 0.0, "s");
  assert_true(isinf(log.findings[1].end_s));
  assert_near(log.findings[2].begin_s, 6.0, 0.0, "s");
}

static void sound_moved_to_another_device_is_named(void **state)
{
  mt_mixer_view view = plain_view();
  mt_mixer_log log = {0};
  (void)state;
  mt_mixer_note(&log, &view, 1.0);
  view.output.index = 7;
  mt_mixer_note(&log, &view, 2.0);
  assert_int_equal(log.nfindings, 1);
  assert_int_equal(log.findings[0].kind, MT_PROBLEM_LOST);
  assert_non_null(strstr(log.findings[0].text, "moved the sound"));
}

static void there_is_an_end_to_what_is_told(void **state)
{
  mt_mixer_view view = plain_view();
  mt_mixer_log log = {0};
  (void)state;
  for (int i = 0; i < 100; i++) {
    snprintf(view.other, sizeof view.other, "%s", i % 2 == 0 ? "Bells" : "");
    mt_mixer_note(&log, &view, 10.0 * i);
  }
  assert_int_equal(log.nfindings, MT_MIXER_FINDINGS_MAX);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_mixer_that_passes_all_on_is_not_mentioned),
      cmocka_unit_test(each_thing_it_does_is_named),
      cmocka_unit_test(each_has_its_time),
      cmocka_unit_test(sound_moved_to_another_device_is_named),
      cmocka_unit_test(there_is_an_end_to_what_is_told),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
