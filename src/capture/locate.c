#include <mendtone/capture.h>

#include "capture/arrival.h"
#include "capture/search.h"

#include "signal/transform.h"

#include "base/decibel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Clock offsets are promised up to 1000 ppm; the margin is for the worst clocks seen. */
#define LARGEST_OFFSET 1600e-6
/* Two marks further off than that, but no further than this, are one run that lost or repeated frames. */
#define LARGEST_JUMP_S 0.5
/* Share of the energy in the band: two marks at the right distance vouch for each other, one alone has to
   stand for itself. Music and sweeps stay below a few hundredths. */
#define LEAST_SHARE_PAIRED 0.05
#define LEAST_SHARE_ALONE 0.15
/* A mark is whole if no more than this of it lies outside the take: there it is all but faded. */
#define OUTSIDE_OF_MARK 0.02
/* The run on another channel is the same run within this delay. */
#define LARGEST_SKEW_S 0.25
/* A variance is known to some 15 %: of two alike the lower one is more luck than merit, and too low. */
#define CLEARLY_BETTER 0.5
/* A filter that lifts the top end by 12 dB leaves a third of the way for each next step: 21 of them. */
#define STEPS_MAX 60
#define AT_REST_FRAMES 1e-7
/* How near a sighting is to the mark. */
#define SIGHTED_WITHIN_S 0.5e-3
/* A take made for the stimulus goes on for a second after the end mark: it begins in one of so many blocks. */
#define BLOCKS_OF_END 2
/* What follows a run for so long, its tail included, is looked through for the start of another. */
#define FOLLOWING_S 2.0
#define RUNS_MAX 64

struct look {
  mt_sighting sighting;
  mt_arrival arrival;
  bool judged;
};

/* What was seen of one mark in one block of a channel. */
struct seen {
  bool searched;
  size_t first; /* of the locator's looks */
  size_t count;
};

/* Both marks of a run on one channel. */
struct run {
  mt_arrival mark[SEARCH_MARKS];
  double e;
  double e_variance;
  double arrival_frame; /* stimulus time 0 */
  double arrival_variance;
};

struct locator {
  const mt_take *take;
  mt_take_view views[SEARCH_MARKS]; /* where each mark is looked at */
  const mt_segment *marks[SEARCH_MARKS];
  double distance_s;
  mt_search *search;
  size_t nblocks;
  struct seen *seen; /* [channels x SEARCH_MARKS x nblocks] */
  bool any_distance; /* also what a clock might explain is a jump */
  bool is_broken;    /* a run at a wrong distance was seen: */
  double broken_start_frame, broken_late_frames;
  struct look *looks;
  size_t nlooks;
  size_t capacity;
  mt_transform *transform;
  size_t npoints;
};

static struct seen *seen_in(struct locator *l, unsigned channel, unsigned mark, size_t block)
{
  return &l->seen[(channel * SEARCH_MARKS + mark) * l->nblocks + block];
}

/* Search a block unless it has been. The looks may move in memory. */
static mt_code ensure(struct locator *l, unsigned channel, unsigned mark, size_t block, mt_error *err)
{
  struct seen *seen = seen_in(l, channel, mark, block);
  const mt_sighting *sightings;
  size_t count;
  mt_code code;

  if (seen->searched)
    return MT_OK;
  code = mt_search_look(l->search, channel, mark, block, &sightings, &count, err);
  if (code != MT_OK)
    return code;
  if (l->nlooks + count > l->capacity) {
    size_t capacity = 2 * (l->nlooks + count) + 32;
    struct look *grown = realloc(l->looks, capacity * sizeof *grown);
    if (grown == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu places that may be marks", capacity);
    l->looks = grown;
    l->capacity = capacity;
  }
  *seen = (struct seen){true, l->nlooks, count};
  for (size_t i = 0; i < count; i++)
    l->looks[l->nlooks++] = (struct look){.sighting = sightings[i]};
  return MT_OK;
}

static mt_code ensure_all(struct locator *l, mt_error *err)
{
  mt_code code = MT_OK;

  for (unsigned c = 0; c < l->take->nchannels; c++)
    for (size_t block = 0; block < l->nblocks; block++)
      for (unsigned m = 0; m < SEARCH_MARKS && code == MT_OK; m++)
        code = ensure(l, c, m, block, err);
  return code;
}

static mt_code judge(struct locator *l, struct look *look, mt_error *err)
{
  const mt_segment *mark = l->marks[look->sighting.mark];
  mt_take_view *view = &l->views[look->sighting.mark];
  mt_code code;

  if (look->judged)
    return MT_OK;
  code = mt_arrival_look(view, mark, look->sighting.frame, err);
  if (code == MT_OK)
    code = mt_arrival_judge(view, look->sighting.channel, mark, look->sighting.frame, l->transform,
                            l->npoints, &look->arrival, err);
  look->judged = code == MT_OK;
  return code;
}

/* A mark cut by an edge of the take does not count. */
static bool is_whole(const struct locator *l, const struct look *look)
{
  double length = l->marks[look->sighting.mark]->duration_s * l->take->rate_hz;
  return look->arrival.frame >= -OUTSIDE_OF_MARK * length &&
         look->arrival.frame + (1.0 - OUTSIDE_OF_MARK) * length <= (double)l->take->nframes;
}

/* Clock offset if these sightings are both marks of one run; outside +-LARGEST_OFFSET if they are not. */
static double offset_of(const struct locator *l, double start_frame, double end_frame)
{
  double distance = end_frame - start_frame;
  return distance > 0.0 ? l->distance_s * l->take->rate_hz / distance - 1.0 : HUGE_VAL;
}

/* Whether two sightings, each right to half a millisecond, can be both marks of one run. */
static bool is_apart(const struct locator *l, const mt_sighting *start, const mt_sighting *end)
{
  double late_s = (end->frame - start->frame) / l->take->rate_hz - l->distance_s;
  return fabs(late_s) <= LARGEST_OFFSET * l->distance_s + 2.0 * SIGHTED_WITHIN_S;
}

static mt_code judge_pair(struct locator *l, struct look *start, struct look *end, double least_share,
                          bool *good, mt_error *err)
{
  mt_code code = judge(l, start, err);

  if (code == MT_OK)
    code = judge(l, end, err);
  *good = code == MT_OK && start->arrival.share >= least_share && end->arrival.share >= least_share &&
          is_whole(l, start) && is_whole(l, end);
  return code;
}

/* The start mark that makes a run with an end mark seen: *start is NULL if there is none. */
static mt_code find_start(struct locator *l, size_t end, double near, double skew, struct look **start,
                          mt_error *err)
{
  const mt_sighting sighting = l->looks[end].sighting;
  double middle = sighting.frame - l->distance_s * l->take->rate_hz;
  double reach = (LARGEST_OFFSET * l->distance_s + 2.0 * SIGHTED_WITHIN_S) * l->take->rate_hz + 1.0;
  size_t first = mt_search_block_at(l->search, middle - reach);

  *start = NULL;
  if (middle + reach < 0.0)
    return MT_OK;
  for (size_t block = mt_search_block_at(l->search, middle + reach) + 1; block-- > first;) {
    mt_code code = ensure(l, sighting.channel, SEARCH_START, block, err);
    const struct seen *seen = seen_in(l, sighting.channel, SEARCH_START, block);
    for (size_t i = seen->count; code == MT_OK && i-- > 0;) {
      struct look *a = &l->looks[seen->first + i];
      bool good;
      if (fabs(a->sighting.frame - near) > skew || !is_apart(l, &a->sighting, &sighting))
        continue;
      code = judge_pair(l, a, &l->looks[end], LEAST_SHARE_PAIRED, &good, err);
      if (code != MT_OK || !good)
        continue;
      *start = a;
      return MT_OK;
    }
    if (code != MT_OK)
      return code;
  }
  return MT_OK;
}

/*
 * The last whole run on a channel that begins within `skew` frames of `near`. *start is NULL if there is none.
 * The end mark comes first, in the last blocks, and leads to the start mark: of a take of one run no more is
 * searched than that. Further back both marks are looked for at once, as both may be wanted.
 */
static mt_code find_run(struct locator *l, unsigned channel, double near, double skew, struct look **start,
                        struct look **end, mt_error *err)
{
  *start = *end = NULL;
  for (size_t block = l->nblocks; block-- > 0;) {
    mt_code code = ensure(l, channel, SEARCH_END, block, err);
    const struct seen *seen = seen_in(l, channel, SEARCH_END, block);
    if (code == MT_OK && block + BLOCKS_OF_END < l->nblocks)
      code = ensure(l, channel, SEARCH_START, block, err);
    for (size_t i = seen->count; code == MT_OK && i-- > 0;) {
      code = find_start(l, seen->first + i, near, skew, start, err);
      if (*start != NULL)
        *end = &l->looks[seen->first + i];
      if (*start != NULL)
        return code;
    }
    if (code != MT_OK)
      return code;
  }
  return MT_OK;
}

/* The worst clock of which anything is known, 7984 frames for 8000, is 2000 ppm off; USB's at full speed may be 2500.
   Marks so far off are found, but not placed so well as others. */
#define CLOCK_SEEN_PPM 4000.0

static mt_code refuse_distance(double late_s, double ppm, mt_error *err)
{
  const char *when = late_s < 0.0 ? "early" : "late", *what = late_s < 0.0 ? "lost" : "repeated";

  if (fabs(ppm) < CLOCK_SEEN_PPM)
    return mt_fail(
        err, MT_E_DATA,
        "the end mark comes %.1f ms too %s: frames were %s between the marks, or a clock is about %.0f ppm "
        "off, and no more than 1500 can be read; record again, or with another device",
        1e3 * fabs(late_s), when, what, 100.0 * rint(0.01 * fabs(ppm)));
  return mt_fail(
      err, MT_E_DATA,
      "the end mark comes %.1f ms too %s for any clock: frames were %s between the marks; record again",
      1e3 * fabs(late_s), when, what);
}

/* Marks of one run at a wrong distance: the take lost or repeated frames. Says so, or leaves MT_OK. */
static mt_code refuse_jump(struct locator *l, mt_error *err)
{
  for (size_t i = 0; i < l->nlooks; i++)
    for (size_t j = 0; j < l->nlooks; j++) {
      struct look *start = &l->looks[i], *end = &l->looks[j];
      double late_s = (end->sighting.frame - start->sighting.frame) / l->take->rate_hz - l->distance_s;
      bool good;
      mt_code code;
      if (start->sighting.channel != end->sighting.channel || start->sighting.mark != SEARCH_START ||
          end->sighting.mark != SEARCH_END || fabs(late_s) > LARGEST_JUMP_S ||
          (!l->any_distance && is_apart(l, &start->sighting, &end->sighting)))
        continue;
      code = judge_pair(l, start, end, LEAST_SHARE_ALONE, &good, err);
      if (code != MT_OK)
        return code;
      late_s = (end->arrival.frame - start->arrival.frame) / l->take->rate_hz - l->distance_s;
      l->is_broken = good;
      l->broken_start_frame = start->arrival.frame - l->marks[SEARCH_START]->start_s * l->take->rate_hz;
      l->broken_late_frames = late_s * l->take->rate_hz;
      if (good)
        return refuse_distance(late_s, 1e6 * late_s / l->distance_s, err);
    }
  return MT_OK;
}

/* With no whole run: what the last mark tells that stands for itself. */
static mt_code find_alone(struct locator *l, mt_marks_found *found, mt_error *err)
{
  double last = -HUGE_VAL;

  *found = MT_MARKS_NONE;
  for (size_t i = 0; i < l->nlooks; i++) {
    struct look *look = &l->looks[i];
    mt_code code;
    if (look->sighting.frame < last)
      continue;
    code = judge(l, look, err);
    if (code != MT_OK)
      return code;
    if (look->arrival.share < LEAST_SHARE_ALONE || !is_whole(l, look))
      continue;
    last = look->sighting.frame;
    *found = look->sighting.mark == SEARCH_START ? MT_MARKS_START : MT_MARKS_END;
  }
  return MT_OK;
}

/*
 * Combine the errors of both marks. A mark found late also spoils the clock offset, which moves the mark again,
 * and the way back from the mark to stimulus time 0.
 */
static void assess_run(const struct locator *l, struct run *run)
{
  const mt_arrival *a = &run->mark[SEARCH_START], *b = &run->mark[SEARCH_END];
  double to_start = l->marks[SEARCH_START]->start_s * l->take->rate_hz;
  double distance = b->frame - a->frame + b->frame_of_e - a->frame_of_e;
  double back = (a->frame_of_e + to_start) / distance;

  run->e = offset_of(l, a->frame, b->frame);
  run->e_variance = (a->variance_apart + b->variance_apart) / (distance * distance);
  run->arrival_frame = a->frame - to_start / (1.0 + run->e);
  run->arrival_variance = (1.0 + back) * (1.0 + back) * a->variance_frame + back * back * b->variance_frame;
}

/* Steps until neither mark moves. False if they do not come to rest. */
static bool rest_run(const struct locator *l, unsigned channel, struct run *run)
{
  const double begin[SEARCH_MARKS] = {run->mark[0].frame, run->mark[1].frame};
  bool at_rest = false;

  for (int step = 0; step < STEPS_MAX && !at_rest; step++) {
    at_rest = step > 1;
    run->e = offset_of(l, run->mark[SEARCH_START].frame, run->mark[SEARCH_END].frame);
    if (!(fabs(run->e) <= LARGEST_OFFSET))
      return false;
    for (unsigned m = 0; m < SEARCH_MARKS; m++) {
      double moved = mt_arrival_step(&l->views[m], channel, l->marks[m], run->e, &run->mark[m]);
      at_rest = at_rest && fabs(moved) < AT_REST_FRAMES;
      if (!(fabs(run->mark[m].frame - begin[m]) <= SIGHTED_WITHIN_S * l->take->rate_hz))
        return false;
    }
  }
  return at_rest;
}

/*
 * Fit both marks at the clock offset their distance gives, until neither moves. The distance hardly depends
 * on the offset the chirps are rendered at, so a few rounds are enough. *fitted is false if they do not come to rest.
 */
static mt_code fit_run(struct locator *l, unsigned channel, struct run *run, bool *fitted, mt_error *err)
{
  mt_code code = MT_OK;

  for (unsigned m = 0; m < SEARCH_MARKS && code == MT_OK; m++)
    code = mt_arrival_look(&l->views[m], l->marks[m], run->mark[m].frame, err);
  if (code != MT_OK)
    return code;
  *fitted = rest_run(l, channel, run);
  if (!*fitted)
    return MT_OK;
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    mt_arrival_assess(&l->views[m], channel, l->marks[m], run->e, &run->mark[m]);
  assess_run(l, run);
  *fitted = isfinite(run->e_variance) && isfinite(run->arrival_variance);
  return MT_OK;
}

static int ascending(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Of one channel that is its frame, of two their mean. */
static double median_arrival(const mt_location *location, unsigned nchannels)
{
  double sorted[MT_CHANNELS_MAX];
  size_t n = 0;

  for (unsigned c = 0; c < nchannels; c++)
    if (location->arrived[c])
      sorted[n++] = location->arrival_frame[c];
  qsort(sorted, n, sizeof *sorted, ascending);
  return 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]);
}

static double mark_energy(const mt_arrival *mark)
{
  const double *g = mark->gain;
  return g[0] * g[0] + g[1] * g[1] + g[2] * g[2] + g[3] * g[3];
}

/* Variance of a mark's amplitude re itself: what is no mark spreads over the 2 B T dimensions of its band. */
static double amplitude_variance(const mt_arrival *mark, const mt_segment *segment)
{
  double dimensions = 2.0 * (segment->to_hz - segment->from_hz) * segment->duration_s;
  return (1.0 - mark->share) / fmax(mark->share, 1e-6) / dimensions;
}

/* Both marks weigh the frequencies alike, so a unit's response cancels. */
static void compare_levels(const struct locator *l, const struct run *run, unsigned channel, mt_location *out)
{
  const mt_arrival *a = &run->mark[SEARCH_START], *b = &run->mark[SEARCH_END];
  double variance =
      amplitude_variance(a, l->marks[SEARCH_START]) + amplitude_variance(b, l->marks[SEARCH_END]);

  out->level_change_db[channel] = mt_db_of_power(fmax(mark_energy(b), 1e-30) / fmax(mark_energy(a), 1e-30));
  out->level_uncertainty_db[channel] = 2.0 * mt_db_of_ratio(1.0 + sqrt(variance));
}

/* The clock offset is that of the channel that knows it best: the noise of several may be one and the same, so
   they are not averaged. */
static void fill_location(const struct locator *l, const struct run *runs, const bool *fitted,
                          mt_location *out)
{
  const struct run *best = NULL;

  memset(out, 0, sizeof *out);
  for (unsigned c = 0; c < l->take->nchannels; c++) {
    if (!fitted[c])
      continue;
    if (best == NULL || runs[c].e_variance < CLEARLY_BETTER * best->e_variance)
      best = &runs[c];
    out->arrived[c] = true;
    out->arrival_frame[c] = runs[c].arrival_frame;
    out->arrival_uncertainty_s[c] = 2.0 * sqrt(runs[c].arrival_variance) / l->take->rate_hz;
    compare_levels(l, &runs[c], c, out);
  }
  out->clock_offset_ppm = 1e6 * best->e;
  out->clock_uncertainty_ppm = 2e6 * sqrt(best->e_variance);
  out->start_frame = median_arrival(out, l->take->nchannels);
}

/* Note a run by the frame it begins at, once: where two blocks meet its marks may be seen twice. */
static void note_run(double frame, double apart, double *starts, unsigned *count)
{
  for (unsigned i = 0; i < *count; i++)
    if (fabs(starts[i] - frame) < apart)
      return;
  if (*count < RUNS_MAX)
    starts[(*count)++] = frame;
}

/* Whole runs on one channel, and whether a start mark comes after `end_frame`. All is searched already. */
static mt_code count_runs(struct locator *l, unsigned channel, double end_frame, unsigned *count,
                          bool *follows, mt_error *err)
{
  double apart = 0.5 * l->marks[SEARCH_END]->duration_s * l->take->rate_hz, starts[RUNS_MAX];
  mt_code code = MT_OK;

  *count = 0;
  *follows = false;
  for (size_t i = 0; i < l->nlooks && code == MT_OK; i++) {
    struct look *look = &l->looks[i], *start = NULL;
    if (look->sighting.channel != channel)
      continue;
    if (look->sighting.mark == SEARCH_END) {
      code = find_start(l, i, 0.0, HUGE_VAL, &start, err);
      if (code == MT_OK && start != NULL)
        note_run(start->arrival.frame, apart, starts, count);
    } else if (!*follows && look->sighting.frame > end_frame) {
      code = judge(l, look, err);
      *follows = code == MT_OK && look->arrival.share >= LEAST_SHARE_ALONE && is_whole(l, look);
    }
  }
  return code;
}

/* How many whole runs there are. Where there is no room for another, nothing more is searched. */
static mt_code survey_runs(struct locator *l, const struct run *runs, const bool *fitted, mt_location *out,
                           mt_error *err)
{
  double run_frames = l->distance_s * l->take->rate_hz;
  double end_frame = 0.0;
  mt_code code;

  out->nruns = 1;
  for (unsigned c = 0; c < l->take->nchannels; c++)
    if (fitted[c])
      end_frame = fmax(end_frame,
                       runs[c].mark[SEARCH_END].frame + l->marks[SEARCH_END]->duration_s * l->take->rate_hz);
  if (end_frame < 2.0 * run_frames && end_frame + FOLLOWING_S * l->take->rate_hz > (double)l->take->nframes)
    return MT_OK;
  code = ensure_all(l, err);
  for (unsigned c = 0; c < l->take->nchannels && code == MT_OK; c++) {
    unsigned count;
    bool follows;
    if (!fitted[c])
      continue;
    code = count_runs(l, c, end_frame, &count, &follows, err);
    if (code == MT_OK && count > out->nruns)
      out->nruns = count;
    if (code == MT_OK)
      out->is_followed = out->is_followed || follows;
  }
  return code;
}

/* Every channel's own sight of the last whole run. */
static mt_code locate_run(struct locator *l, mt_marks_found *found, mt_location *out, mt_error *err)
{
  struct run runs[MT_CHANNELS_MAX];
  bool fitted[MT_CHANNELS_MAX] = {false};
  double last = -HUGE_VAL;
  bool any = false;
  struct look *start, *end;
  mt_code code;

  for (unsigned c = 0; c < l->take->nchannels; c++) {
    code = find_run(l, c, 0.0, HUGE_VAL, &start, &end, err);
    if (code != MT_OK)
      return code;
    if (start != NULL)
      last = fmax(last, start->arrival.frame);
  }
  for (unsigned c = 0; c < l->take->nchannels && isfinite(last); c++) {
    code = find_run(l, c, last, LARGEST_SKEW_S * l->take->rate_hz, &start, &end, err);
    if (code != MT_OK)
      return code;
    if (start == NULL)
      continue;
    runs[c] = (struct run){.mark = {start->arrival, end->arrival}};
    code = fit_run(l, c, &runs[c], &fitted[c], err);
    if (code != MT_OK)
      return code;
    any = any || fitted[c];
  }
  if (!any)
    return MT_OK;
  fill_location(l, runs, fitted, out);
  *found = MT_MARKS_BOTH;
  return survey_runs(l, runs, fitted, out, err);
}

static mt_code prepare(struct locator *l, mt_error *err)
{
  double longest_s = fmax(l->marks[0]->duration_s, l->marks[1]->duration_s);
  mt_code code = mt_search_create(l->take, l->marks, &l->search, err);

  if (code != MT_OK)
    return code;
  l->nblocks = mt_search_count_blocks(l->search);
  l->seen = calloc(l->take->nchannels * SEARCH_MARKS * l->nblocks, sizeof *l->seen);
  if (l->seen == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to search %zu blocks for marks", l->nblocks);
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    l->views[m].take = l->take;
  l->npoints = mt_transform_length((size_t)(longest_s * l->take->rate_hz) + 1);
  return mt_transform_create(l->npoints, &l->transform, err);
}

static void finish(struct locator *l)
{
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    mt_take_view_finish(&l->views[m]);
  mt_transform_destroy(&l->transform);
  mt_search_destroy(&l->search);
  free(l->seen);
  free(l->looks);
}

/* Of another layout the marks are the same, only further apart: what was sighted and judged stays. */
static mt_code expect(struct locator *l, const mt_stimulus *stimulus, mt_error *err)
{
  l->marks[SEARCH_START] = mt_stimulus_find(stimulus, "mark-a");
  l->marks[SEARCH_END] = mt_stimulus_find(stimulus, "mark-b");
  if (l->marks[SEARCH_START] == NULL || l->marks[SEARCH_END] == NULL)
    return mt_fail(err, MT_E_ARG, "the stimulus has no segments \"mark-a\" and \"mark-b\" to look for");
  l->distance_s = l->marks[SEARCH_END]->start_s - l->marks[SEARCH_START]->start_s;
  return MT_OK;
}

static mt_code locate_layouts(struct locator *l, const mt_stimulus *stimuli, size_t n, size_t *which,
                              mt_marks_found *result, mt_location *out, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < n && code == MT_OK && *result != MT_MARKS_BOTH; i++) {
    code = expect(l, &stimuli[i], err);
    if (code == MT_OK)
      code = locate_run(l, result, out, err);
    if (*result == MT_MARKS_BOTH)
      *which = i;
  }
  if (code == MT_OK && *result != MT_MARKS_BOTH)
    code = ensure_all(l, err);
  for (size_t i = 0; i < n && code == MT_OK && *result != MT_MARKS_BOTH; i++) {
    code = expect(l, &stimuli[i], err);
    if (code == MT_OK)
      code = refuse_jump(l, err);
  }
  return code;
}

/* Too short for a mark, or too slow for its band: a plain recording. */
static bool cannot_hold(const mt_take *take, const struct locator *l)
{
  return (double)take->nframes < l->marks[SEARCH_START]->duration_s * take->rate_hz / 2.0 ||
         l->marks[SEARCH_START]->to_hz * (1.0 + LARGEST_OFFSET) >= 0.5 * take->rate_hz;
}

mt_code mt_capture_locate_broken(const mt_take *take, const mt_stimulus *stimuli, size_t n, size_t *which,
                                 bool *broken, double *start_frame, double *late_frames, mt_error *err)
{
  struct locator l = {.take = take, .any_distance = true};
  mt_code code = expect(&l, &stimuli[0], err);

  *broken = false;
  if (code != MT_OK || cannot_hold(take, &l))
    return code;
  code = prepare(&l, err);
  if (code == MT_OK)
    code = ensure_all(&l, err);
  for (size_t i = 0; i < n && code == MT_OK && !l.is_broken; i++) {
    code = expect(&l, &stimuli[i], err);
    if (code == MT_OK && refuse_jump(&l, err) != MT_OK && l.is_broken)
      *which = i;
  }
  finish(&l);
  if (code == MT_OK && l.is_broken) {
    *broken = true;
    *start_frame = l.broken_start_frame;
    *late_frames = l.broken_late_frames;
  }
  return code;
}

mt_code mt_capture_locate(const mt_take *take, const mt_stimulus *stimulus, mt_marks_found *found,
                          mt_location *out, mt_error *err)
{
  size_t which = 0;
  return mt_capture_locate_among(take, stimulus, 1, &which, found, out, err);
}

mt_code mt_capture_locate_among(const mt_take *take, const mt_stimulus *stimuli, size_t n, size_t *which,
                                mt_marks_found *found, mt_location *out, mt_error *err)
{
  struct locator l = {.take = take};
  mt_marks_found result = MT_MARKS_NONE;
  mt_code code = expect(&l, &stimuli[0], err);

  if (code != MT_OK)
    return code;
  if (cannot_hold(take, &l)) {
    *found = MT_MARKS_NONE;
    return MT_OK;
  }

  code = prepare(&l, err);
  if (code == MT_OK)
    code = locate_layouts(&l, stimuli, n, which, &result, out, err);
  if (code == MT_OK && result != MT_MARKS_BOTH)
    code = find_alone(&l, &result, err);
  finish(&l);
  if (code == MT_OK)
    *found = result;
  return code;
}
