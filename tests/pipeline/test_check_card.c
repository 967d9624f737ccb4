/*
 * `check` through PortAudio on the sound card made of software: the default plan, and the same readings
 * as from the file of the take. Run as  software-card RATE -- test_check_card RATE.
 *
 * The card loses frames under load: a take that says so is taken again; a take that does not say so and
 * is wrong fails.
 */
#include "support.h"

#include "base/text.h"

#include <mendtone/session.h>

#include <unistd.h>

#define TAKES_MAX 5

static double rate_hz;

static void compare(const mt_results *card, const mt_results *file)
{
  assert_int_equal(card->nreadings, file->nreadings + 2); /* the file does not know when playing began */
  for (size_t i = 0, j = 0; i < card->nreadings; i++) {
    const mt_reading *a = &card->readings[i], *b;
    if (a->quantity == MT_Q_DELAY && a->channel != MT_CHANNEL_BOTH)
      continue;
    b = &file->readings[j++];
    assert_int_equal(a->quantity, b->quantity);
    assert_int_equal(a->validity, b->validity);
    /* the same samples through the same code */
    if (a->validity == MT_VALID || a->validity == MT_RIG_LIMITED)
      assert_near(a->value, b->value, 1e-12, mt_unit_name(mt_quantity_describe(a->quantity)->unit));
  }
}

static void assert_loop(const mt_results *r)
{
  assert_int_equal(r->verdict, MT_VERDICT_PASS);
  for (int c = 0; c < 2; c++) {
    const mt_reading *level = mt_results_find(r, MT_Q_LEVEL, c, "both");
    const mt_reading *thd_n = mt_results_find(r, MT_Q_THD_N, c, "both");
    const mt_reading *gain = mt_results_find(r, MT_Q_GAIN, c, "low");
    assert_non_null(level);
    assert_non_null(thd_n);
    assert_non_null(gain);
    assert_int_equal(level->validity, MT_VALID);
    assert_int_equal(thd_n->validity, MT_VALID);
    /* a loop of float samples at a matched rate: what was played comes back */
    assert_near(level->value, MT_DEFAULT_LEVEL_DBFS, 0.001, "dBFS");
    assert_near(gain->value, 0.0, 0.001, "dB");
    assert_true(thd_n->value <= -120.0);
  }
}

static void check_through_the_card_reads_as_its_file(void **state)
{
  char folder[] = "/tmp/mendtone-card-XXXXXX", path[64];
  mt_session_options options = mt_session_defaults();
  mt_results *card = NULL, *file = NULL;
  mt_error err = {0};
  mt_code code = MT_E_DATA;

  (void)state;
  assert_non_null(mkdtemp(folder));
  snprintf(path, sizeof path, "%s/take.wav", folder);
  options.input = options.output = "pulse";
  options.rate_hz = rate_hz;
  options.save_take = path;
  for (int i = 0; i < TAKES_MAX; i++) {
    code = mt_session_check(&options, &card, &err);
    if (code == MT_OK && card->nproblems == 0)
      break;
    print_message("take %d: %s\n", i + 1, code != MT_OK ? err.message : card->problems[0].text);
    if (code == MT_OK)
      assert_int_not_equal(card->verdict, MT_VERDICT_PASS);
    mt_results_destroy(&card);
  }
  assert_ok(code, err);
  assert_non_null(card);
  assert_loop(card);
  assert_ok(mt_session_analyse(path, &options, &file, &err), err);
  compare(card, file);
  mt_results_destroy(&card);
  mt_results_destroy(&file);
  unlink(path);
  rmdir(folder);
}

int main(int argc, char **argv)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(check_through_the_card_reads_as_its_file)};

  if (argc != 2 || getenv("SOFTWARE_CARD_PID") == NULL || !mt_text_parse_number(argv[1], &rate_hz)) {
    fprintf(stderr, "usage: software-card RATE -- test_check_card RATE\n");
    return 64;
  }
  return cmocka_run_group_tests(tests, NULL, NULL);
}
