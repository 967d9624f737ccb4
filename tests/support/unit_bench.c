#include "unit_bench.h"

#include "support.h"

#include <mendtone/analysis.h>
#include <mendtone/capture.h>

static mt_code begin(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err)
{
  mt_take **take = ctx;
  mt_code code = mt_take_create(rate_hz, nchannels, take, err);
  if (code == MT_OK)
    (*take)->play_aligned = play_aligned;
  return code;
}

static mt_code block(void *ctx, const float *frames, size_t nframes, mt_error *err)
{
  mt_take **take = ctx;
  return mt_take_append(*take, frames, nframes, err);
}

static mt_code problem(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                       mt_error *err)
{
  mt_take **take = ctx;
  return mt_take_add_problem(*take, kind, MT_CHANNEL_BOTH, begin_s, end_s, err, "%s", text);
}

mt_take *unit_bench_take(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                         mt_stimulus *stimulus)
{
  return unit_bench_take_extras(unit, rate_hz, level_dbfs, 0, (double)NAN, stimulus);
}

mt_take *unit_bench_take_extras(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                                unsigned extras, double max_level_dbfs, mt_stimulus *stimulus)
{
  mt_take *take = NULL;
  mt_error err = {0};
  mt_audio_source source;
  mt_audio_request request = {.rate_hz = rate_hz};
  const mt_audio_sink sink = {begin, block, problem, &take, NULL};

  assert_ok(mt_stimulus_init(rate_hz, level_dbfs, extras, max_level_dbfs, stimulus, &err), err);
  source = mt_capture_source(stimulus);
  request.source = &source;
  request.duration_s = stimulus->duration_s + 0.7;
  assert_ok(mt_simulate_run(unit, &request, &sink, &err), err);
  return take;
}

mt_results *unit_bench_read(mt_take *take, const mt_stimulus *stimulus)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  mt_results *results;

  assert_ok(mt_plan_create_default(&plan, &err), err);
  results = unit_bench_read_by(take, stimulus, plan);
  mt_plan_destroy(&plan);
  return results;
}

mt_results *unit_bench_read_by(mt_take *take, const mt_stimulus *stimulus, const mt_plan *plan)
{
  mt_results *results = NULL;
  mt_location location;
  mt_marks_found found;
  mt_error err = {0};

  assert_ok(mt_capture_inspect(take, &err), err);
  if (mt_capture_locate(take, stimulus, &found, &location, &err) != MT_OK || found != MT_MARKS_BOTH)
    return NULL;
  assert_ok(mt_results_create(&results, &err), err);
  assert_ok(mt_measure_stimulus(take, stimulus, &location, "default", results, &err), err);
  assert_ok(mt_judge_results(plan, results, &err), err);
  assert_ok(mt_judge_find_causes(plan, results, &err), err);
  return results;
}

mt_results *unit_bench_results_extras(const mt_simulated_unit *unit, double rate_hz, double level_dbfs,
                                      unsigned extras, double max_level_dbfs)
{
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take_extras(unit, rate_hz, level_dbfs, extras, max_level_dbfs, &stimulus);
  mt_results *results = NULL;
  mt_location location;
  mt_marks_found found = MT_MARKS_NONE;
  mt_error err = {0};

  assert_ok(mt_capture_inspect(take, &err), err);
  assert_ok(mt_capture_locate(take, &stimulus, &found, &location, &err), err);
  if (found == MT_MARKS_BOTH) {
    assert_ok(mt_results_create(&results, &err), err);
    assert_ok(mt_measure_stimulus(take, &stimulus, &location, "default", results, &err), err);
  }
  mt_take_destroy(&take);
  return results;
}

mt_results *unit_bench_results(const mt_simulated_unit *unit, double rate_hz, double level_dbfs)
{
  mt_stimulus stimulus;
  mt_take *take = unit_bench_take(unit, rate_hz, level_dbfs, &stimulus);
  mt_results *results = unit_bench_read(take, &stimulus);

  mt_take_destroy(&take);
  return results;
}

const mt_reading *unit_bench_find(const mt_results *results, mt_quantity quantity, mt_channel channel,
                                  const char *segment)
{
  const mt_reading *reading = mt_results_find(results, quantity, channel, segment);
  if (reading == NULL)
    print_error("no reading of %s on channel %d in \"%s\"\n", mt_quantity_describe(quantity)->name, channel,
                segment != NULL ? segment : "");
  assert_non_null(reading);
  return reading;
}

void unit_bench_assert(const mt_results *results, mt_quantity quantity, mt_channel channel,
                       const char *segment, double want, double tol, const char *file, int line)
{
  const mt_reading *reading = unit_bench_find(results, quantity, channel, segment);
  const mt_quantity_info *row = mt_quantity_describe(quantity);

  if (reading->validity != MT_VALID) {
    print_error("%s is %s: %s\n", row->name, mt_validity_name(reading->validity), reading->why);
    _fail(file, line);
  }
  support_assert_near(reading->value, want, tol, mt_unit_name(row->unit), row->name, file, line);
}
