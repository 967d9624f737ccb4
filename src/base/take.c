#include <mendtone/take.h>

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *mt_channel_name(mt_channel channel, char out[8])
{
  assert(channel >= MT_CHANNEL_ANY && channel < MT_CHANNELS_MAX);
  switch (channel) {
  case MT_LEFT: return memcpy(out, "left", 5);
  case MT_RIGHT: return memcpy(out, "right", 6);
  case MT_CHANNEL_BOTH: return memcpy(out, "both", 5);
  case MT_CHANNEL_ANY: return memcpy(out, "any", 4);
  default: snprintf(out, 8, "ch%u", (unsigned)(channel + 1) % 100u); return out;
  }
}

mt_code mt_take_create(double rate_hz, unsigned nchannels, mt_take **out, mt_error *err)
{
  mt_take *take;

  if (!(rate_hz >= MT_RATE_MIN_HZ && rate_hz <= MT_RATE_MAX_HZ))
    return mt_fail(err, MT_E_DATA, "the sample rate is %g Hz; expected %g to %g", rate_hz, MT_RATE_MIN_HZ,
                   MT_RATE_MAX_HZ);
  if (nchannels < 1 || nchannels > MT_CHANNELS_MAX)
    return mt_fail(err, MT_E_DATA, "there are %u channels; expected 1 to %d", nchannels, MT_CHANNELS_MAX);
  take = calloc(1, sizeof *take);
  if (take == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a take");
  take->rate_hz = rate_hz;
  take->nchannels = nchannels;
  *out = take;
  return MT_OK;
}

/* What was known of a channel is no longer all. */
static void forget_facts(mt_take *take)
{
  free(take->facts);
  take->facts = NULL;
}

mt_code mt_take_append(mt_take *take, const float *frames, size_t nframes, mt_error *err)
{
  size_t frame_bytes = take->nchannels * sizeof(float);

  if (nframes > take->capacity_frames - take->nframes) {
    size_t wanted = take->nframes + nframes;
    size_t capacity = take->capacity_frames + take->capacity_frames / 2 + 65536;
    float *grown;
    if (wanted < nframes || wanted > SIZE_MAX / 2 / frame_bytes)
      return mt_fail(err, MT_E_MEMORY, "a take of more than %zu frames does not fit", take->nframes);
    if (capacity < wanted)
      capacity = wanted;
    grown = realloc(take->samples, capacity * frame_bytes);
    if (grown == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames of a take", capacity);
    take->samples = grown;
    take->capacity_frames = capacity;
  }
  forget_facts(take);
  if (nframes > 0)
    memcpy(take->samples + take->nframes * take->nchannels, frames, nframes * frame_bytes);
  take->nframes += nframes;
  return MT_OK;
}

mt_code mt_take_add_problem(mt_take *take, mt_problem_kind kind, mt_channel channel, double begin_s,
                            double end_s, mt_error *err, const char *fmt, ...)
{
  mt_problem *problem;
  mt_problem *grown = realloc(take->problems, (take->nproblems + 1) * sizeof *grown);
  va_list args;

  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a problem of a take");
  take->problems = grown;
  problem = &take->problems[take->nproblems++];
  memset(problem, 0, sizeof *problem);
  problem->kind = kind;
  problem->channel = channel;
  problem->begin_s = begin_s;
  problem->end_s = end_s;
  va_start(args, fmt);
  vsnprintf(problem->text, sizeof problem->text, fmt, args);
  va_end(args);
  return MT_OK;
}

const mt_problem *mt_take_find_problem(const mt_take *take, mt_channel channel, double begin_s, double end_s)
{
  for (size_t i = 0; i < take->nproblems; i++) {
    const mt_problem *p = &take->problems[i];
    bool same = p->channel == channel || p->channel == MT_CHANNEL_BOTH || channel == MT_CHANNEL_BOTH;
    if (same && p->begin_s < end_s && p->end_s > begin_s)
      return p;
  }
  return NULL;
}

double mt_take_time_s(const mt_take *take, double frame)
{
  return ((double)take->first_frame + frame) / take->rate_hz;
}

/* ---- looking at a take ---------------------------------------------------------------------------- */

/* What a view keeps at the least, of all channels together. */
#define VIEW_SAMPLES 524288u

/* Which frames to keep so that [first, first + nframes) are among them: on in the way the looks move. */
static void choose_stretch(const mt_take_view *view, size_t first, size_t nframes, size_t *begin,
                           size_t *count)
{
  const mt_take *take = view->take;
  size_t least = VIEW_SAMPLES / take->nchannels;
  size_t want = nframes > least ? nframes : least, end = first + nframes;

  if (view->count > 0 && first < view->begin)
    *begin = end > want ? end - want : 0;
  else
    *begin = first;
  *count = take->nframes - *begin < want ? take->nframes - *begin : want;
}

static mt_code make_room(mt_take_view *view, size_t nframes, mt_error *err)
{
  float *grown;

  if (nframes <= view->capacity_frames)
    return MT_OK;
  grown = realloc(view->buffer, nframes * view->take->nchannels * sizeof *grown);
  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames of a take", nframes);
  view->buffer = grown;
  view->capacity_frames = nframes;
  return MT_OK;
}

/* Move the stretch a view keeps; frames that are there already are not read again. */
static mt_code move_stretch(mt_take_view *view, size_t begin, size_t count, mt_error *err)
{
  const mt_take *take = view->take;
  size_t old_end = view->begin + view->count, end = begin + count, nchannels = take->nchannels;
  size_t from = view->begin > begin ? view->begin : begin, to = old_end < end ? old_end : end;
  mt_code code = make_room(view, count, err);

  if (code != MT_OK)
    return code;
  if (view->count == 0 || from >= to)
    from = to = begin; /* nothing to keep */
  else
    memmove(view->buffer + (from - begin) * nchannels, view->buffer + (from - view->begin) * nchannels,
            (to - from) * nchannels * sizeof *view->buffer);
  view->count = 0; /* until all of it is there */
  if (from > begin)
    code = take->reader.read(take->reader.ctx, begin, from - begin, view->buffer, err);
  if (code == MT_OK && end > to)
    code = take->reader.read(take->reader.ctx, to, end - to, view->buffer + (to - begin) * nchannels, err);
  if (code != MT_OK)
    return code;
  view->begin = begin;
  view->count = count;
  view->frames = view->buffer;
  return MT_OK;
}

mt_code mt_take_look(mt_take_view *view, size_t first, size_t nframes, const float **out, mt_error *err)
{
  const mt_take *take = view->take;
  mt_code code = MT_OK;

  if (first > take->nframes || nframes > take->nframes - first)
    return mt_fail(err, MT_E_ARG, "frames %zu to %zu are asked for; the take has %zu", first, first + nframes,
                   take->nframes);
  if (take->reader.read == NULL) {
    view->frames = take->samples;
    view->begin = 0;
    view->count = take->nframes;
  } else if (first < view->begin || first + nframes > view->begin + view->count) {
    size_t begin, count;
    if (view->is_borrowed)
      return mt_fail(err, MT_E_INTERNAL, "frames %zu to %zu are not at hand", first, first + nframes);
    choose_stretch(view, first, nframes, &begin, &count);
    code = move_stretch(view, begin, count, err);
  }
  if (code == MT_OK && out != NULL)
    *out = view->frames + (first - view->begin) * take->nchannels;
  return code;
}

void mt_take_view_finish(mt_take_view *view)
{
  if (!view->is_borrowed)
    free(view->buffer);
  *view = (mt_take_view){.take = view->take};
}

static mt_code copy_problems(const mt_take *from, mt_take *to, mt_error *err)
{
  if (from->nproblems == 0)
    return MT_OK;
  to->problems = malloc(from->nproblems * sizeof *to->problems);
  if (to->problems == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for %zu problems of a take", from->nproblems);
  memcpy(to->problems, from->problems, from->nproblems * sizeof *to->problems);
  to->nproblems = from->nproblems;
  return MT_OK;
}

/* Read by stretches, so that a stored take is not in memory twice. */
static mt_code copy_frames(const mt_take *from, size_t first, mt_take *to, mt_error *err)
{
  mt_take_view view = {.take = from};
  size_t block = VIEW_SAMPLES / from->nchannels;
  mt_code code = MT_OK;

  for (size_t at = 0; at < to->nframes && code == MT_OK; at += block) {
    size_t count = to->nframes - at < block ? to->nframes - at : block;
    const float *frames;
    code = mt_take_look(&view, first + at, count, &frames, err);
    if (code == MT_OK)
      memcpy(to->samples + at * to->nchannels, frames, count * to->nchannels * sizeof *frames);
  }
  mt_take_view_finish(&view);
  return code;
}

mt_code mt_take_load(const mt_take *take, size_t first, size_t nframes, mt_take **out, mt_error *err)
{
  mt_take *part;
  mt_code code;

  if (nframes == 0 || first > take->nframes || nframes > take->nframes - first)
    return mt_fail(err, MT_E_ARG, "frames %zu to %zu are asked for; the take has %zu", first, first + nframes,
                   take->nframes);
  code = mt_take_create(take->rate_hz, take->nchannels, &part, err);
  if (code != MT_OK)
    return code;
  memcpy(part->file, take->file, sizeof part->file);
  part->play_aligned = take->play_aligned;
  part->first_frame = take->first_frame + first;
  part->whole_frames = take->whole_frames > 0 ? take->whole_frames : take->nframes;
  part->samples = malloc(nframes * take->nchannels * sizeof *part->samples);
  part->nframes = part->capacity_frames = nframes;
  code = part->samples != NULL ? copy_problems(take, part, err)
                               : mt_fail(err, MT_E_MEMORY, "out of memory for %zu frames of a take", nframes);
  if (code == MT_OK)
    code = copy_frames(take, first, part, err);
  if (code != MT_OK)
    mt_take_destroy(&part);
  else
    *out = part;
  return code;
}

void mt_take_destroy(mt_take **take)
{
  if (take == NULL || *take == NULL)
    return;
  if ((*take)->reader.close != NULL)
    (*take)->reader.close((*take)->reader.ctx);
  free((*take)->facts);
  free((*take)->samples);
  free((*take)->problems);
  free(*take);
  *take = NULL;
}
