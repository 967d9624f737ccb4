#include "session/mend.h"

#include "analysis/tone.h"

#include <mendtone/capture.h>

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Kept away from the ends of a tone when its frequency is wanted. */
#define INSIDE_S 0.02
#define TONE_LEAST_S 0.2
/* The clock the tones tell, k = 2: more than they differ by, far less than a frame between the marks */
#define CLOCK_PPM 0.1
/* A sweep that is whole in spite of so many frames has none missing: fewer are a small turn at 20 Hz (10 ms: 72
   degrees), after more there is no sweep any more where one is looked for. */
#define SWEEP_SHOWS_FROM_S 0.01
#define SWEEP_SHOWS_TO_S 0.03
#define ROUNDS 3
/* Checks place what they find to so much. */
#define BESIDE_S 0.02

typedef struct mend {
  const mt_take *take;
  const mt_stimulus *stimulus;
  const mt_measure_options *measure;
  double start_frame;
  double offset;   /* the player's clock less the recorder's, of 1, from the tones */
  ptrdiff_t nlost; /* frames to put back; negative: to take out */
} mend;

/* What came of putting the frames back into one segment. */
typedef struct trial {
  mt_results *results;
  bool touched[MT_SEGMENTS_MAX]; /* by a problem found */
  size_t ntouched;               /* ... other than the segment itself */
} trial;

static int ascending(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* ---- the clock, from each tone alone --------------------------------------------------------------- */

static bool read_offset(const mt_take *take, size_t first, size_t count, double freq_hz, double *x,
                        double *offset)
{
  unsigned best = 0;
  double most = -1.0;
  mt_tone tone;
  bool good;

  for (unsigned c = 0; c < take->nchannels; c++) {
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
      sum += pow((double)take->samples[(first + i) * take->nchannels + c], 2.0);
    best = sum > most ? c : best;
    most = fmax(most, sum);
  }
  for (size_t i = 0; i < count; i++)
    x[i] = (double)take->samples[(first + i) * take->nchannels + best];
  if (mt_tone_measure(x, count, take->rate_hz, freq_hz, &tone, NULL) != MT_OK)
    return false;
  good = mt_tone_is_present(&tone) && tone.nevents == 0 && !tone.freq_is_given;
  *offset = tone.freq_hz / freq_hz - 1.0;
  mt_tone_finish(&tone);
  return good;
}

/* Median over the tones, each read where it lies whether the frames were lost before it or after. */
static mt_code estimate_offset(mend *m, double late_frames, bool *known, mt_error *err)
{
  double rate_hz = m->take->rate_hz, offsets[MT_SEGMENTS_MAX];
  double *x = malloc(m->take->nframes * sizeof *x);
  size_t n = 0;

  if (x == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu samples", m->take->nframes);
  for (size_t i = 0; i < m->stimulus->nsegments; i++) {
    const mt_segment *s = &m->stimulus->segments[i];
    double begin = m->start_frame + (s->start_s + s->fade_in_s + s->settle_s + INSIDE_S) * rate_hz;
    double end = m->start_frame + (s->start_s + s->duration_s - s->fade_out_s - INSIDE_S) * rate_hz;
    begin += fmax(0.0, late_frames);
    end += fmin(0.0, late_frames);
    if (s->kind != MT_SEGMENT_TONE || begin < 0.0 || end > (double)m->take->nframes ||
        end - begin < TONE_LEAST_S * rate_hz)
      continue;
    if (read_offset(m->take, (size_t)begin, (size_t)(end - begin),
                    s->amplitude[0] > 0.0 ? s->freq_hz[0] : s->freq_hz[1], x, &offsets[n]))
      n++;
  }
  free(x);
  *known = n > 0;
  qsort(offsets, n, sizeof offsets[0], ascending);
  if (n > 0)
    m->offset = 0.5 * (offsets[(n - 1) / 2] + offsets[n / 2]);
  return MT_OK;
}

/* ---- a take with the frames put back ---------------------------------------------------------------- */

static double frame_of(const mend *m, double stimulus_s)
{
  return m->start_frame + stimulus_s * m->take->rate_hz / (1.0 + m->offset);
}

/* In the middle of a segment, where as much as is taken out lies within it, or nearly. */
static size_t place_in(const mend *m, const mt_segment *segment)
{
  double middle = frame_of(m, segment->start_s + 0.5 * segment->duration_s);
  if (m->nlost < 0)
    middle += 0.5 * (double)m->nlost;
  return (size_t)fmin(fmax(0.0, middle), (double)m->take->nframes);
}

static mt_code put_back(const mend *m, const mt_segment *segment, mt_take **out, mt_error *err)
{
  const mt_take *take = m->take;
  size_t at = place_in(m, segment), gone = m->nlost < 0 ? (size_t)-m->nlost : 0;
  size_t added = m->nlost > 0 ? (size_t)m->nlost : 0;
  float *zeros = calloc(added * take->nchannels + 1, sizeof *zeros);
  mt_take *mended = NULL;
  mt_code code = zeros != NULL ? mt_take_create(take->rate_hz, take->nchannels, &mended, err)
                               : mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames", added);

  gone = gone < take->nframes - at ? gone : take->nframes - at;
  if (code == MT_OK)
    code = mt_take_append(mended, take->samples, at, err);
  if (code == MT_OK)
    code = mt_take_append(mended, zeros, added, err);
  if (code == MT_OK)
    code =
        mt_take_append(mended, take->samples + (at + gone) * take->nchannels, take->nframes - at - gone, err);
  for (size_t i = 0; code == MT_OK && i < take->nproblems; i++) {
    const mt_problem *p = &take->problems[i];
    double moved_s = p->begin_s * take->rate_hz > (double)at ? (double)m->nlost / take->rate_hz : 0.0;
    code = mt_take_add_problem(mended, p->kind, p->channel, p->begin_s + moved_s, p->end_s + moved_s, err,
                               "%s", p->text);
    if (code == MT_OK)
      mended->problems[mended->nproblems - 1].while_captured = p->while_captured;
  }
  free(zeros);
  if (code == MT_OK) {
    memcpy(mended->file, take->file, sizeof mended->file);
    *out = mended;
  } else {
    mt_take_destroy(&mended);
  }
  return code;
}

/* The marks of a mended take; the clock is that of the tones, the place that of the mark on the sweep's side. */
static mt_code locate_mended(const mend *m, const mt_take *mended, mt_marks_found *found, mt_location *out,
                             mt_error *err)
{
  const mt_segment *end = mt_stimulus_find(m->stimulus, "mark-b");
  mt_code code = mt_capture_locate(mended, m->stimulus, found, out, err);
  double back;

  if (code != MT_OK || *found != MT_MARKS_BOTH)
    return code;
  back =
      end->start_s * mended->rate_hz * (1.0 / (1.0 + 1e-6 * out->clock_offset_ppm) - 1.0 / (1.0 + m->offset));
  out->start_frame += back;
  for (unsigned c = 0; c < mended->nchannels; c++)
    out->arrival_frame[c] += back;
  out->clock_offset_ppm = 1e6 * m->offset;
  out->clock_uncertainty_ppm = CLOCK_PPM;
  return MT_OK;
}

/* How many frames to put back, exactly: until the marks agree with the clock of the tones. */
static mt_code count_lost(mend *m, double late_frames, bool *agrees, mt_error *err)
{
  const mt_segment *a = mt_stimulus_find(m->stimulus, "mark-a"), *b = mt_stimulus_find(m->stimulus, "mark-b");
  double span = (b->start_s - a->start_s) * m->take->rate_hz;

  /* late against the layout; of that the clock explains a part */
  m->nlost = (ptrdiff_t)llround(span / (1.0 + m->offset) - span - late_frames);
  *agrees = false;
  for (int round = 0; round < ROUNDS && !*agrees; round++) {
    mt_take *mended = NULL;
    mt_location at;
    mt_marks_found found = MT_MARKS_NONE;
    ptrdiff_t more;
    mt_code code = put_back(m, &m->stimulus->segments[1], &mended, err);
    if (code == MT_OK && mt_capture_locate(mended, m->stimulus, &found, &at, err) != MT_OK)
      found = MT_MARKS_NONE;
    mt_take_destroy(&mended);
    if (code != MT_OK || found != MT_MARKS_BOTH)
      return code;
    more = (ptrdiff_t)llround(span * (1.0 / (1.0 + m->offset) - 1.0 / (1.0 + 1e-6 * at.clock_offset_ppm)));
    *agrees = more == 0;
    m->nlost += more;
  }
  return MT_OK;
}

/* ---- trials ----------------------------------------------------------------------------------------- */

static bool is_read(const mt_segment *segment)
{
  return segment->kind != MT_SEGMENT_MARK;
}

/* Which segments are broken by what was found, once the frames are back. */
static void note_touched(const mend *m, size_t own, trial *io)
{
  double rate_hz = m->take->rate_hz;

  for (size_t i = 0; i < m->stimulus->nsegments; i++) {
    const mt_segment *s = &m->stimulus->segments[i];
    double begin_s = frame_of(m, s->start_s + s->fade_in_s) / rate_hz;
    double end_s = frame_of(m, s->start_s + s->duration_s - s->fade_out_s) / rate_hz;
    for (size_t p = 0; p < io->results->nproblems && is_read(s); p++) {
      const mt_problem *problem = &io->results->problems[p];
      bool breaks = problem->kind == MT_PROBLEM_LOST || problem->kind == MT_PROBLEM_DROPOUT ||
                    problem->kind == MT_PROBLEM_UNSTEADY;
      if (breaks && problem->begin_s < end_s && problem->end_s > begin_s)
        io->touched[i] = true;
    }
    io->ntouched += io->touched[i] && i != own ? 1 : 0;
  }
}

/* Read with the frames put back into segment `own`, and the segments of `excluded` given up. */
static mt_code try_segment(const mend *m, size_t own, const bool *excluded, trial *out, mt_error *err)
{
  double rate_hz = m->take->rate_hz;
  mt_take *mended = NULL;
  mt_location at;
  mt_marks_found found = MT_MARKS_NONE;
  mt_code code = put_back(m, &m->stimulus->segments[own], &mended, err);

  *out = (trial){0};
  for (size_t i = 0; code == MT_OK && i < m->stimulus->nsegments; i++) {
    const mt_segment *s = &m->stimulus->segments[i];
    if (i == own || excluded[i])
      code = mt_take_add_problem(mended, MT_PROBLEM_LOST, MT_CHANNEL_BOTH, frame_of(m, s->start_s) / rate_hz,
                                 frame_of(m, s->start_s + s->duration_s) / rate_hz, err,
                                 "%td frames were %s, most likely in the segment \"%s\"",
                                 m->nlost < 0 ? -m->nlost : m->nlost, m->nlost < 0 ? "repeated" : "lost",
                                 s->name);
  }
  if (code == MT_OK && locate_mended(m, mended, &found, &at, NULL) == MT_OK && found == MT_MARKS_BOTH) {
    code = mt_results_create(&out->results, err);
    if (code == MT_OK &&
        mt_measure_stimulus_with(mended, m->stimulus, &at, m->measure, out->results, NULL) != MT_OK)
      mt_results_destroy(&out->results);
  }
  mt_take_destroy(&mended);
  if (out->results != NULL)
    note_touched(m, own, out);
  return code;
}

/*
 * Of the segments that explain it alike, those that may hold the fault. A tone that is whole when the frames are
 * back elsewhere does not; a sweep neither, if it had shown them; of silence nothing can be told.
 */
static size_t choose(const mend *m, const trial *trials, bool *excluded)
{
  size_t least = SIZE_MAX, first = SIZE_MAX, chosen = SIZE_MAX;
  double lost_s = fabs((double)m->nlost) / m->take->rate_hz;
  bool tied[MT_SEGMENTS_MAX] = {false};

  for (size_t i = 0; i < m->stimulus->nsegments; i++)
    if (trials[i].results != NULL && trials[i].ntouched < least) {
      least = trials[i].ntouched;
      first = i;
    }
  for (size_t i = 0; i < m->stimulus->nsegments; i++)
    tied[i] = trials[i].results != NULL && trials[i].ntouched == least;
  for (size_t i = 0; i < m->stimulus->nsegments; i++) {
    const mt_segment *s = &m->stimulus->segments[i];
    bool shows = s->kind == MT_SEGMENT_TONE ||
                 (s->kind == MT_SEGMENT_SWEEP && lost_s > SWEEP_SHOWS_FROM_S && lost_s < SWEEP_SHOWS_TO_S);
    bool is_cleared = false;
    for (size_t k = 0; k < m->stimulus->nsegments && tied[i]; k++)
      is_cleared = is_cleared || (k != i && tied[k] && shows && !trials[k].touched[i]);
    excluded[i] = tied[i] && !is_cleared;
    if (excluded[i] && chosen == SIZE_MAX)
      chosen = i;
  }
  if (chosen == SIZE_MAX && first != SIZE_MAX) /* between two of them: either will do */
    excluded[chosen = first] = true;
  return chosen;
}

/* What was found where frames were put back or taken out is no fault of the take. */
static bool is_of_mending(const mend *m, size_t at, const mt_problem *p)
{
  double rate_hz = m->take->rate_hz, begin_s = (double)at / rate_hz,
         length_s = fmax(0.0, (double)m->nlost) / rate_hz;

  return (p->kind == MT_PROBLEM_LOST || p->kind == MT_PROBLEM_DROPOUT || p->kind == MT_PROBLEM_UNSTEADY) &&
         p->begin_s < begin_s + length_s + BESIDE_S && p->end_s > begin_s - BESIDE_S;
}

/* Times behind the frames put back are those of the take again; the first `ntold` problems were known before. */
static void restore_times(const mend *m, size_t own, size_t ntold, mt_results *results)
{
  size_t at = place_in(m, &m->stimulus->segments[own]), kept = 0;
  double at_s = (double)at / m->take->rate_hz, moved_s = (double)m->nlost / m->take->rate_hz;

  for (size_t i = 0; i < results->nproblems; i++) {
    mt_problem p = results->problems[i];
    if (i >= ntold && is_of_mending(m, at, &p))
      continue;
    p.begin_s -= p.begin_s > at_s ? moved_s : 0.0;
    p.end_s = fmax(p.begin_s, p.end_s - (p.end_s > at_s ? moved_s : 0.0));
    results->problems[kept++] = p;
  }
  results->nproblems = kept;
  results->nframes = m->take->nframes;
}

static mt_code find_segment(mend *m, mt_results **out, mt_error *err)
{
  trial trials[MT_SEGMENTS_MAX] = {{0}}, last = {0};
  bool excluded[MT_SEGMENTS_MAX] = {false};
  size_t chosen = SIZE_MAX, ntold = m->take->nproblems;
  mt_code code = MT_OK;

  for (size_t i = 0; code == MT_OK && i < m->stimulus->nsegments; i++)
    if (is_read(&m->stimulus->segments[i]))
      code = try_segment(m, i, excluded, &trials[i], err);
  if (code == MT_OK)
    chosen = choose(m, trials, excluded);
  if (code == MT_OK && chosen != SIZE_MAX)
    code = try_segment(m, chosen, excluded, &last, err);
  if (code == MT_OK && last.results != NULL) {
    for (size_t i = 0; i < m->stimulus->nsegments; i++)
      ntold += excluded[i] ? 1 : 0;
    restore_times(m, chosen, ntold, last.results);
    *out = last.results;
    last.results = NULL;
  }
  mt_results_destroy(&last.results);
  for (size_t i = 0; i < MT_SEGMENTS_MAX; i++)
    mt_results_destroy(&trials[i].results);
  return code;
}

mt_code mt_mend_read(const mt_take *take, const mt_stimulus *stimulus, const mt_measure_options *measure,
                     double start_frame, double late_frames, mt_results **out, mt_error *err)
{
  mend m = {.take = take, .stimulus = stimulus, .measure = measure, .start_frame = start_frame};
  bool good = false;
  mt_code code = estimate_offset(&m, late_frames, &good, err);

  *out = NULL;
  if (code == MT_OK && good)
    code = count_lost(&m, late_frames, &good, err);
  if (code != MT_OK || !good || m.nlost == 0 || fabs((double)m.nlost) > MT_MEND_LONGEST_S * take->rate_hz)
    return code;
  return find_segment(&m, out, err);
}
