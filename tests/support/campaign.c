#include "campaign.h"

#include "support.h"
#include "unit_bench.h"

#include "base/decibel.h"

#include <mendtone/analysis.h>
#include <mendtone/session.h>

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RATE 48000.0
#define LEVEL (-20.0)
#define TONE_HZ 997.0

static const char *const names[CAMPAIGN_FAULTS] = {
    "none",       "lost block", "repeated block",  "mute",       "clip", "gain step", "hum burst", "swapped",
    "mono cable", "wrong rate", "mixer resamples", "clock drift"};

static double draw(mt_random *random, double from, double to)
{
  return from + (to - from) * mt_random_uniform(random);
}

static double draw_log(mt_random *random, double from, double to)
{
  return from * pow(to / from, mt_random_uniform(random));
}

static size_t pick(mt_random *random, size_t count)
{
  return (size_t)(mt_random_bits(random) % count);
}

/* ---- the limits ---------------------------------------------------------------------------------- */

/* Power of white noise seen through a weighting, over its power in 0 ... rate/2; Simpson's rule over 1/2 Hz. */
static double share_of_white(mt_weighting weighting)
{
  static double known[8];
  double sum = 0.0;

  if (known[weighting] > 0.0)
    return known[weighting];
  for (int i = 0; i <= 2 * 19980; i++) {
    double power = mt_power_of_db(mt_weighting_db(weighting, 20.0 + 0.5 * i));
    sum += power * (i == 0 || i == 2 * 19980 ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
  }
  return known[weighting] = sum * 0.5 / 3.0 / (0.5 * RATE);
}

typedef struct truth {
  double level_db, thd_db, thd_n_db, noise_db, noise_a_db, range_db;
} truth;

/* sin^k of amplitude a holds 2^(1-k) a^k of the k-th order. */
static truth truth_of(const mt_simulated_unit *unit, unsigned c)
{
  const mt_simulated_channel *channel = &unit->channel[c];
  double a = mt_ratio_of_db(LEVEL + channel->gain_db);
  double second = channel->poly[1] * a / 2.0, noise = mt_power_of_db(channel->noise_dbfs);
  double tone = mt_power_of_db(LEVEL + mt_simulate_gain_db(unit, c, RATE, TONE_HZ));
  double harmonics = tone * second * second, left = harmonics + noise * share_of_white(MT_WEIGHT_NONE);
  truth t;

  t.level_db = mt_db_of_power(tone);
  t.thd_db = mt_db_of_power(harmonics / tone);
  t.thd_n_db = mt_db_of_power(left / (left + tone));
  t.noise_db = mt_db_of_power(noise * share_of_white(MT_WEIGHT_NONE));
  t.noise_a_db = mt_db_of_power(noise * share_of_white(MT_WEIGHT_A));
  t.range_db = t.level_db - mt_db_of_power(noise * share_of_white(MT_WEIGHT_CCIR_RMS));
  return t;
}

/*
 * Half widths: several times the stated uncertainty of a sound reading at 80 dB of signal to noise, so that the
 * clean unit passes, and far less than a fault that matters moves it.
 */
static size_t add_limit(char *out, size_t size, const char *quantity, const char *where, double truth_value,
                        double half_width, const char *unit)
{
  int n = snprintf(out, size, "  { quantity = \"%s\"; %s min = %.9f; max = %.9f; unit = \"%s\"; },\n",
                   quantity, where, truth_value - half_width, truth_value + half_width, unit);
  assert_true(n > 0 && (size_t)n < size);
  return (size_t)n;
}

static void write_plan(const mt_simulated_unit *unit, char *out, size_t size)
{
  static const char *const sides[] = {"left", "right"};
  truth t[2] = {truth_of(unit, 0), truth_of(unit, 1)};
  size_t used = (size_t)snprintf(out, size, "limits = (\n");
  char where[80];

  for (unsigned c = 0; c < 2; c++) {
#define LIMIT(quantity, segment, value, half, name)                                                          \
  snprintf(where, sizeof where, "channel = \"%s\"; segment = \"%s\";", sides[c], segment);                   \
  used += add_limit(out + used, size - used, quantity, where, value, half, name)
    LIMIT("level", "both", t[c].level_db, 0.03, "dBFS");
    LIMIT("gain", "both", t[c].level_db - LEVEL, 0.03, "dB");
    LIMIT("crosstalk", sides[1 - c], unit->channel[c].crosstalk_db, 1.0, "dB");
    LIMIT("thd_f", "both", t[c].thd_db, 0.5, "dB");
    LIMIT("thd_n", "both", t[c].thd_n_db, 0.3, "dB");
    LIMIT("noise", "idle", t[c].noise_db, 0.3, "dBFS");
    LIMIT("noise_a", "idle", t[c].noise_a_db, 0.4, "dBFS");
    LIMIT("dynamic_range", "low", t[c].range_db, 0.6, "dB");
#undef LIMIT
    snprintf(where, sizeof where, "channel = \"%s\"; from_hz = 30.0; to_hz = 18000.0;", sides[c]);
    used += add_limit(out + used, size - used, "response", where, 0.0, 0.3, "dB");
  }
  used += add_limit(out + used, size - used, "balance", "segment = \"both\";", t[0].level_db - t[1].level_db,
                    0.03, "dB");
  used += add_limit(out + used, size - used, "phase_difference", "segment = \"both\";", 0.0, 0.2, "deg");
  used += add_limit(out + used, size - used, "clock_offset", "", 0.0, 0.2, "ppm");
  out[used - 2] = '\n'; /* no comma after the last */
  snprintf(out + used, size - used, ");\n");
}

/* ---- the faults ---------------------------------------------------------------------------------- */

static void good_unit(mt_random *random, mt_simulated_unit *unit)
{
  double corner_hz = draw(random, 1.0, 5.0); /* -0.12 dB at 30 Hz at the most */

  mt_simulate_init(unit);
  for (unsigned c = 0; c < 2; c++) {
    unit->channel[c].gain_db = draw(random, -3.0, 3.0);
    unit->channel[c].poly[1] = 2.0 * mt_ratio_of_db(-70.0 - (LEVEL + unit->channel[c].gain_db));
    unit->channel[c].high_pass_hz = corner_hz;
    unit->channel[c].crosstalk_db = draw(random, -75.0, -60.0);
    unit->channel[c].noise_dbfs = draw(random, -102.0, -98.0);
  }
  unit->delay_s = draw(random, 0.0, 0.05);
  unit->bits = 24;
  unit->seed = mt_random_bits(random);
}

static mt_simulated_dropout *add_fault(mt_simulated_unit *unit, mt_dropout_kind kind, double at_s,
                                       double frames)
{
  mt_simulated_dropout *drop = &unit->dropouts[unit->ndropouts++];
  *drop = (mt_simulated_dropout){kind, at_s, (size_t)frames, {true, true}, 0.0};
  return drop;
}

/* A moment of the take inside what is read of one of some segments, `after_s` before its end. */
static double draw_moment(mt_random *random, const mt_simulated_unit *unit, const char *const *segments,
                          size_t count, double after_s, const char **segment)
{
  mt_stimulus stimulus;
  mt_error err = {0};
  const mt_segment *s;

  assert_ok(mt_stimulus_init_default(RATE, LEVEL, &stimulus, &err), err);
  *segment = segments[pick(random, count)];
  s = mt_stimulus_find(&stimulus, *segment);
  /* of the sweep what lies between 20 Hz and 18 kHz (0.16 s before its end), where the limits end; of everything
     what lies behind the margin at its ends */
  return unit->delay_s + s->start_s +
         draw(random, (s->kind == MT_SEGMENT_SWEEP ? 0.9 : s->fade_in_s + s->settle_s) + 0.01,
              s->duration_s - s->fade_out_s - (s->kind == MT_SEGMENT_SWEEP ? 0.2 : 0.01) - after_s);
}

static const char *const anywhere[] = {"idle", "left", "right", "both", "low", "sweep"};
static const char *const loud[] = {"both", "sweep"};
static const char *const both[] = {"both"};
static const char *const quiet[] = {"idle", "both", "low"};

static void draw_block(mt_random *random, campaign_case *out)
{
  mt_dropout_kind kind = out->fault == CAMPAIGN_LOST ? MT_SIMULATED_LOSE : MT_SIMULATED_REPEAT;
  double nframes = floor(draw_log(random, 1.0, 4097.0));
  const char *segment;
  double at_s = draw_moment(random, &out->unit, anywhere, 6, 0.0, &segment);

  add_fault(&out->unit, kind, at_s, nframes);
  snprintf(out->what, sizeof out->what, "%.0f frames in \"%s\" at %.4f s", nframes, segment, at_s);
}

static void draw_mute(mt_random *random, campaign_case *out)
{
  double nframes = floor(draw_log(random, 48.0, 4801.0));
  size_t side = pick(random, 3);
  const char *segment;
  double at_s =
      draw_moment(random, &out->unit, side == 2 ? anywhere : quiet, side == 2 ? 6 : 3, 0.1, &segment);
  mt_simulated_dropout *drop = add_fault(&out->unit, MT_SIMULATED_MUTE, at_s, nframes);

  drop->channel[0] = side != 1;
  drop->channel[1] = side != 0;
  snprintf(out->what, sizeof out->what, "%.0f frames of channels %zu in \"%s\" at %.4f s", nframes, side,
           segment, at_s);
}

static void draw_clip(mt_random *random, campaign_case *out)
{
  const char *segment;
  double at_s = draw_moment(random, &out->unit, both, 1, 0.0, &segment);
  mt_simulated_dropout *drop =
      add_fault(&out->unit, MT_SIMULATED_CLIP, at_s, floor(RATE * draw_log(random, 0.02, 20.0)));

  /* below the quieter channel's peak, so that something is cut off */
  drop->level_db =
      LEVEL + fmin(out->unit.channel[0].gain_db, out->unit.channel[1].gain_db) - draw_log(random, 0.2, 12.0);
  snprintf(out->what, sizeof out->what, "%zu frames at %.2f dBFS in \"%s\" from %.4f s on", drop->nframes,
           drop->level_db, segment, at_s);
}

static void draw_gain(mt_random *random, campaign_case *out)
{
  const char *segment;
  double at_s = draw_moment(random, &out->unit, loud, 2, 0.05, &segment);
  mt_simulated_dropout *drop =
      add_fault(&out->unit, MT_SIMULATED_GAIN, at_s, floor(RATE * draw_log(random, 0.03, 20.0)));
  size_t side = pick(random, 3);

  drop->channel[0] = side != 1;
  drop->channel[1] = side != 0;
  /* in the sweep the response has limits of 0.3 dB: less may pass, and is right to */
  drop->level_db = (pick(random, 2) == 0 ? 1.0 : -1.0) *
                   draw_log(random, strcmp(segment, "sweep") == 0 ? 1.0 : 0.12, 12.0);
  snprintf(out->what, sizeof out->what, "%+.2f dB for %zu frames on channels %zu in \"%s\" from %.4f s on",
           drop->level_db, drop->nframes, side, segment, at_s);
}

static void draw_hum(mt_random *random, campaign_case *out)
{
  const char *segment;
  double at_s = draw_moment(random, &out->unit, quiet, 3, 0.1, &segment);
  mt_simulated_dropout *drop =
      add_fault(&out->unit, MT_SIMULATED_HUM, at_s, floor(RATE * draw_log(random, 0.1, 5.0)));

  /* 0.1 of 1.4 s is 11 dB less; distortion and noise are -90 dBFS */
  drop->level_db = draw(random, -74.0, -20.0);
  snprintf(out->what, sizeof out->what, "%.1f dBFS for %zu frames in \"%s\" from %.4f s on", drop->level_db,
           drop->nframes, segment, at_s);
}

static void draw_clock(mt_random *random, campaign_case *out)
{
  /* 44100 for 48000 and the like, as the player's clock less the recorder's */
  static const double wrong_ppm[] = {1e6 * (44100.0 / 48000.0 - 1.0), 1e6 * (48000.0 / 44100.0 - 1.0),
                                     1e6 * (47952.0 / 48000.0 - 1.0), 1e6 * (48048.0 / 48000.0 - 1.0)};
  static const double mixer_hz[] = {32000.0, 44100.0, 47999.0, 48001.0};
  double sign = pick(random, 2) == 0 ? 1.0 : -1.0;

  if (out->fault == CAMPAIGN_RATE)
    out->unit.clock_offset_ppm = wrong_ppm[pick(random, 4)];
  else if (out->fault == CAMPAIGN_MIXER)
    out->unit.mixer_rate_hz = mixer_hz[pick(random, 4)];
  else
    out->unit.clock_drift_ppm_per_s = sign * draw_log(random, 0.1, 100.0);
  snprintf(out->what, sizeof out->what, "%.0f ppm, mixer at %.0f Hz, %.3f ppm/s", out->unit.clock_offset_ppm,
           out->unit.mixer_rate_hz, out->unit.clock_drift_ppm_per_s);
}

void campaign_draw(mt_random *random, campaign_fault fault, campaign_case *out)
{
  memset(out, 0, sizeof *out);
  out->fault = fault;
  good_unit(random, &out->unit);
  write_plan(&out->unit, out->plan, sizeof out->plan);
  switch (fault) {
  case CAMPAIGN_LOST:
  case CAMPAIGN_REPEATED: draw_block(random, out); break;
  case CAMPAIGN_MUTED: draw_mute(random, out); break;
  case CAMPAIGN_CLIPPED: draw_clip(random, out); break;
  case CAMPAIGN_GAIN: draw_gain(random, out); break;
  case CAMPAIGN_HUM: draw_hum(random, out); break;
  case CAMPAIGN_SWAPPED: out->unit.swap = true; break;
  case CAMPAIGN_MONO: out->unit.sum = true; break;
  case CAMPAIGN_RATE:
  case CAMPAIGN_MIXER:
  case CAMPAIGN_DRIFT: draw_clock(random, out); break;
  case CAMPAIGN_CLEAN:
  case CAMPAIGN_FAULTS: break;
  }
}

/* ---- the turns ------------------------------------------------------------------------------------ */

static void name_reasons(const mt_results *r, FILE *log)
{
  for (size_t i = 0; i < r->nproblems; i++)
    fprintf(log, "    problem %.3f ... %.3f s: %s\n", r->problems[i].begin_s, r->problems[i].end_s,
            r->problems[i].text);
  for (size_t i = 0; i < r->njudgements; i++)
    if (r->judgements[i].verdict != MT_VERDICT_PASS)
      fprintf(log, "    %s\n", r->judgements[i].text);
}

static void take_turn(const campaign_case *turn, uint64_t seed, FILE *log, campaign_count *count)
{
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take(&turn->unit, RATE, LEVEL, &stimulus);
  mt_session_options options = mt_session_defaults();
  mt_plan *plan = NULL;
  mt_error err = {0};
  mt_results *r = NULL;
  char path[] = "/tmp/mendtone-campaign-XXXXXX";
  int fd = mkstemp(path);

  assert_true(fd >= 0);
  close(fd);
  assert_ok(mt_plan_parse(turn->plan, "campaign", &plan, &err), err);
  assert_ok(
      mt_audio_write_file(path, take->samples, take->nframes, take->nchannels, RATE, MT_SAMPLE_FLOAT, &err),
      err);
  options.plan = plan;
  if (mt_session_analyse(path, &options, &r, &err) != MT_OK)
    assert_null(r);
  unlink(path);
  count->turns++;
  if (r == NULL)
    count->refused++;
  else if (r->verdict == MT_VERDICT_PASS)
    count->passed++;
  else if (r->verdict == MT_VERDICT_FAIL)
    count->failed++;
  else
    count->undecided++;
  if (log != NULL && (r != NULL && r->verdict == MT_VERDICT_PASS) != (turn->fault == CAMPAIGN_CLEAN)) {
    fprintf(log, "  %s (seed %llu, turn %zu of its kind) %s: %s\n", names[turn->fault],
            (unsigned long long)seed, count->turns, turn->fault == CAMPAIGN_CLEAN ? "did not pass" : "PASSED",
            turn->what);
    if (r != NULL)
      name_reasons(r, log);
    fflush(log);
  }
  mt_results_destroy(&r);
  mt_take_destroy(&take);
  mt_plan_destroy(&plan);
}

void campaign_run(uint64_t seed, size_t nclean, size_t nfaults, FILE *log, campaign_tally *out)
{
  mt_random random;
  campaign_case turn;

  memset(out, 0, sizeof *out);
  mt_random_init(&random, seed);
  for (size_t i = 0; i < nclean + nfaults; i++) {
    campaign_fault fault =
        i < nclean ? CAMPAIGN_CLEAN : 1 + (campaign_fault)((i - nclean) % (CAMPAIGN_FAULTS - 1));
    campaign_draw(&random, fault, &turn);
    take_turn(&turn, seed, log, &out->of[fault]);
  }
}

size_t campaign_false_passes(const campaign_tally *tally)
{
  size_t passed = 0;
  for (int i = CAMPAIGN_CLEAN + 1; i < CAMPAIGN_FAULTS; i++)
    passed += tally->of[i].passed;
  return passed;
}

void campaign_print(const campaign_tally *tally, FILE *out)
{
  fprintf(out, "  %-16s %6s %7s %7s %10s %8s\n", "fault", "turns", "passed", "failed", "undecided",
          "refused");
  for (int i = 0; i < CAMPAIGN_FAULTS; i++) {
    const campaign_count *n = &tally->of[i];
    fprintf(out, "  %-16s %6zu %7zu %7zu %10zu %8zu\n", names[i], n->turns, n->passed, n->failed,
            n->undecided, n->refused);
  }
}
