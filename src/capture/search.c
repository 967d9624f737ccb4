#include "capture/search.h"

#include "signal/mark.h"
#include "signal/transform.h"

#include "base/decibel.h"
#include "base/wide.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The part of the band searched, as fractions of it (for the default marks 1 to 4 kHz). A chirp stretched
   by e strays from the original by pi e B T turns^2 at the edges of a band B: a third of the band, a ninth
   of the blur; 1500 ppm then cost less than a tenth of the share. */
#define PART_FROM 0.08
#define PART_TO 0.43
/* Of the part, faded at both edges, so that the filter does not ring on. */
#define PART_FADE 0.1

#define LEAST_SHARE 0.05
/* Only every so many frames are looked at, so that this rate is left. A triangle over twice as many frames
   goes before: it takes 20 dB and more off what then folds into the part. */
#define THINNED_RATE_HZ 16000.0
/* What a float transform leaves in the part of something loud elsewhere is 1e-13 of it, and no signal. */
#define LEAST_OF_ENERGY 1e-11
/* How much of a mark may lie outside the take. */
#define OUTSIDE_OF_MARK 0.05
/* Marks a block holds; the last one of them is overlap. The end mark begins 1.7 s before the end of a take made for the
   stimulus: then it is in the last block. */
#define BLOCK_MARKS 6.0
/* A mark that begins with the take may be seen a little before it. */
#define LEAD_S 0.01
/* Points of a correlation for each bin of the part: half-way between two points 0.8 of the share is left. */
#define POINTS_PER_BIN 1.5

struct mt_search {
  const mt_take *take;
  mt_take_view view;
  size_t every;   /* frames of the take for each one of a block */
  double rate_hz; /* of a block */
  size_t nblock;  /* frames transformed at once */
  size_t nhop;    /* places looked at in one block, frames */
  size_t npoints; /* points a block's correlation has: one every nblock / npoints frames */
  size_t first_bin;
  size_t nbins;    /* of the part */
  ptrdiff_t begin; /* of the first block, frames of the take */
  mt_transform *forward;
  mt_transform *inverse;                             /* of npoints complex ones */
  float *frames;                                     /* [nblock] */
  mt_bin *spectrum;                                  /* [nblock / 2 + 1] */
  float *fade;                                       /* [nbins] */
  mt_bin *part;                                      /* [nbins] the block's spectrum in the part */
  mt_bin *product;                                   /* [npoints] */
  mt_bin *signal;                                    /* [npoints] */
  float *power;                                      /* [npoints] the better of both chirps */
  double *energy;                                    /* [npoints + 1] running sum */
  double least_energy;                               /* over the length of a mark, to be taken for a signal */
  mt_bin *chirp[SEARCH_MARKS][MT_STIMULUS_CHANNELS]; /* [nbins] each */
  size_t mark_points[SEARCH_MARKS];
  double mark_frames[SEARCH_MARKS];
  size_t nblocks;
  bool is_loaded; /* a block's part and energy are here ... */
  bool is_silent; /* ... but it has none */
  unsigned loaded_channel;
  size_t loaded_block;
  mt_sighting *found; /* in the block looked at last */
  size_t nfound;
  size_t capacity;
};

void mt_search_destroy(mt_search **search)
{
  mt_search *s = search != NULL ? *search : NULL;

  if (s == NULL)
    return;
  mt_take_view_finish(&s->view);
  mt_transform_destroy(&s->forward);
  mt_transform_destroy(&s->inverse);
  free(s->frames);
  free(s->spectrum);
  free(s->fade);
  free(s->part);
  free(s->product);
  free(s->signal);
  free(s->power);
  free(s->energy);
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    for (unsigned c = 0; c < MT_STIMULUS_CHANNELS; c++)
      free(s->chirp[m][c]);
  free(s->found);
  free(s);
  *search = NULL;
}

static mt_code allocate(mt_search *s, mt_error *err)
{
  bool complete = true;

  s->frames = calloc(s->nblock, sizeof *s->frames);
  s->spectrum = calloc(s->nblock / 2 + 1, sizeof *s->spectrum);
  s->fade = calloc(s->nbins, sizeof *s->fade);
  s->part = calloc(s->nbins, sizeof *s->part);
  s->product = calloc(s->npoints, sizeof *s->product);
  s->signal = calloc(s->npoints, sizeof *s->signal);
  s->power = calloc(s->npoints, sizeof *s->power);
  s->energy = calloc(s->npoints + 1, sizeof *s->energy);
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    for (unsigned c = 0; c < MT_STIMULUS_CHANNELS; c++) {
      s->chirp[m][c] = calloc(s->nbins, sizeof *s->chirp[m][c]);
      complete = complete && s->chirp[m][c] != NULL;
    }
  if (!complete || s->frames == NULL || s->spectrum == NULL || s->fade == NULL || s->part == NULL ||
      s->product == NULL || s->signal == NULL || s->power == NULL || s->energy == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to search a take for its marks");
  return MT_OK;
}

/* The part of a block's spectrum, faded at its edges. */
static void cut_part(const mt_search *s, mt_bin *part)
{
  for (size_t k = 0; k < s->nbins; k++) {
    part[k].re = s->fade[k] * s->spectrum[s->first_bin + k].re;
    part[k].im = s->fade[k] * s->spectrum[s->first_bin + k].im;
  }
}

static mt_code lay_out(mt_search *s, const mt_take *take, const mt_segment *const marks[SEARCH_MARKS],
                       mt_error *err)
{
  double longest = 0.0, shortest = HUGE_VAL, bin_hz, band_hz = marks[0]->to_hz - marks[0]->from_hz, beyond;

  s->take = take;
  s->view.take = take;
  s->every = take->rate_hz > THINNED_RATE_HZ ? (size_t)(take->rate_hz / THINNED_RATE_HZ) : 1;
  s->rate_hz = take->rate_hz / (double)s->every;
  for (unsigned m = 0; m < SEARCH_MARKS; m++) {
    s->mark_frames[m] = marks[m]->duration_s * s->rate_hz;
    longest = fmax(longest, s->mark_frames[m]);
    shortest = fmin(shortest, s->mark_frames[m]);
  }
  s->nblock = mt_transform_length((size_t)(BLOCK_MARKS * longest));
  s->nhop = s->nblock - (size_t)ceil(longest);
  bin_hz = s->rate_hz / (double)s->nblock;
  s->first_bin = (size_t)((marks[0]->from_hz + PART_FROM * band_hz) / bin_hz);
  s->nbins = (size_t)((PART_TO - PART_FROM) * band_hz / bin_hz);
  s->npoints = mt_transform_length(2 * (size_t)(POINTS_PER_BIN * (double)s->nbins)) / 2;
  for (unsigned m = 0; m < SEARCH_MARKS; m++)
    s->mark_points[m] = (size_t)(s->mark_frames[m] * (double)s->npoints / (double)s->nblock);
  assert(s->first_bin + s->nbins <= s->nblock / 2 && s->nbins < s->npoints);
  /* the last block's places end where a mark would be cut */
  beyond = longest - (1.0 - OUTSIDE_OF_MARK) * shortest;
  s->begin = (ptrdiff_t)take->nframes - (ptrdiff_t)((s->nblock - (size_t)beyond) * s->every);
  for (s->nblocks = 1; s->begin > -(ptrdiff_t)(LEAD_S * take->rate_hz); s->nblocks++)
    s->begin -= (ptrdiff_t)(s->nhop * s->every);
  return allocate(s, err);
}

/* The downward chirp is the upward one run backwards, but for a phase that is the same all along: of its spectrum the
   conjugate, later by its length. */
static void mirror(mt_search *s, unsigned mark)
{
  const mt_bin *up = s->chirp[mark][MT_LEFT];
  mt_bin *down = s->chirp[mark][MT_RIGHT];
  double unit = -2.0 * MT_PI * s->mark_frames[mark] / (double)s->nblock;
  double step_re = cos(unit), step_im = sin(unit), re = 1.0, im = 0.0;

  for (size_t k = 0; k < s->nbins; k++) {
    double turned = re * step_re - im * step_im;
    down[k].re = up[k].re * (float)re + up[k].im * (float)im;
    down[k].im = up[k].re * (float)im - up[k].im * (float)re;
    im = re * step_im + im * step_re;
    re = turned;
  }
}

/* The spectra to hold a block against, each of energy 1 in the part. */
static mt_code render_chirps(mt_search *s, const mt_segment *const marks[SEARCH_MARKS], mt_error *err)
{
  double *cos_part = calloc(2 * s->nblock, sizeof *cos_part);

  if (cos_part == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to search a take for its marks");
  for (size_t k = 0; k < s->nbins; k++) {
    double to_edge = fmin((double)k + 0.5, (double)s->nbins - (double)k - 0.5) / (double)s->nbins;
    s->fade[k] = to_edge < PART_FADE ? (float)pow(sin(0.5 * MT_PI * to_edge / PART_FADE), 2.0) : 1.0f;
  }
  for (unsigned m = 0; m < SEARCH_MARKS; m++) {
    double energy = 0.0, scale;
    size_t length = (size_t)s->mark_frames[m];
    mt_bin *up = s->chirp[m][MT_LEFT];
    mt_mark_render(marks[m], MT_LEFT, 0.0, 1.0 / s->rate_hz, length, cos_part, cos_part + length);
    memset(s->frames, 0, s->nblock * sizeof *s->frames);
    for (size_t n = 0; n < length; n++)
      s->frames[n] = (float)cos_part[n];
    mt_transform_forward(s->forward, s->frames, s->spectrum);
    cut_part(s, up);
    for (size_t k = 0; k < s->nbins; k++)
      energy += (double)(up[k].re * up[k].re + up[k].im * up[k].im);
    scale = 1.0 / sqrt(energy);
    for (size_t k = 0; k < s->nbins; k++) {
      up[k].re *= (float)scale;
      up[k].im *= (float)scale;
    }
    mirror(s, m);
  }
  free(cos_part);
  return MT_OK;
}

/* The complex signal of the one-sided bins whose conjugates are in `product`, itself conjugate: of which only the power
   is wanted. The part is moved down to zero frequency, so few points hold it. */
static void invert(mt_search *s)
{
  mt_transform_complex(s->inverse, s->product, s->signal);
}

static void sum_energy(mt_search *s)
{
  for (size_t k = 0; k < s->nbins; k++)
    s->product[k] = (mt_bin){s->part[k].re, -s->part[k].im};
  invert(s);
  s->energy[0] = 0.0;
  for (size_t i = 0; i < s->npoints; i++)
    s->energy[i + 1] =
        s->energy[i] + (double)(s->signal[i].re * s->signal[i].re + s->signal[i].im * s->signal[i].im);
}

static void correlate(mt_search *s, unsigned mark)
{
  memset(s->power, 0, s->npoints * sizeof *s->power);
  for (unsigned c = 0; c < MT_STIMULUS_CHANNELS; c++) {
    const mt_bin *chirp = s->chirp[mark][c];
    for (size_t k = 0; k < s->nbins; k++) {
      s->product[k].re = s->part[k].re * chirp[k].re + s->part[k].im * chirp[k].im;
      s->product[k].im = s->part[k].re * chirp[k].im - s->part[k].im * chirp[k].re;
    }
    invert(s);
    for (size_t i = 0; i < s->npoints; i++) {
      float power = s->signal[i].re * s->signal[i].re + s->signal[i].im * s->signal[i].im;
      s->power[i] = power > s->power[i] ? power : s->power[i];
    }
  }
}

/* Within half a mark's length only the best place stays: a mark's own side peaks are no marks. */
static mt_code note(mt_search *s, mt_sighting seen, mt_error *err)
{
  mt_sighting *last = s->nfound > 0 ? &s->found[s->nfound - 1] : NULL;

  if (last != NULL && seen.frame - last->frame < 0.5 * s->mark_frames[seen.mark] * (double)s->every) {
    if (seen.share > last->share)
      *last = seen;
    return MT_OK;
  }
  if (s->nfound == s->capacity) {
    size_t capacity = 2 * s->capacity + 32;
    mt_sighting *grown = realloc(s->found, capacity * sizeof *grown);
    if (grown == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for %zu places that may be marks", capacity);
    s->found = grown;
    s->capacity = capacity;
  }
  s->found[s->nfound++] = seen;
  return MT_OK;
}

static mt_code look(mt_search *s, unsigned channel, unsigned mark, double block_frame, mt_error *err)
{
  double frames_per_point = (double)(s->nblock * s->every) / (double)s->npoints;
  double last_frame =
      (double)s->take->nframes - (1.0 - OUTSIDE_OF_MARK) * s->mark_frames[mark] * (double)s->every;
  size_t nplaces = s->nhop * s->npoints / s->nblock;

  for (size_t i = 0; i < nplaces && block_frame + (double)i * frames_per_point <= last_frame; i++) {
    double energy = s->energy[i + s->mark_points[mark]] - s->energy[i];
    double power = (double)s->power[i] * (double)s->npoints,
           frame = block_frame + (double)i * frames_per_point;
    mt_code code;
    if (!(energy > s->least_energy && power >= LEAST_SHARE * energy))
      continue;
    code = note(s, (mt_sighting){channel, mark, frame, power / energy}, err);
    if (code != MT_OK)
      return code;
  }
  return MT_OK;
}

/* One frame of a block: a triangle's weight over the take's frames around it, none outside the take. */
static float thin(const mt_search *s, unsigned channel, ptrdiff_t frame)
{
  const mt_take *take = s->take;
  ptrdiff_t every = (ptrdiff_t)s->every, nframes = (ptrdiff_t)take->nframes;
  ptrdiff_t first = frame - every + 1 < 0 ? 0 : frame - every + 1;
  ptrdiff_t last = frame + every - 1 < nframes ? frame + every - 1 : nframes - 1;
  const float *x = s->view.frames + channel;
  float sum = 0.0f;

  for (ptrdiff_t f = first; f <= last; f++)
    sum += (float)(every - (f < frame ? frame - f : f - frame)) *
           x[((size_t)f - s->view.begin) * take->nchannels];
  return sum;
}

static ptrdiff_t begin_of(const mt_search *s, size_t block)
{
  return s->begin + (ptrdiff_t)(block * s->nhop * s->every);
}

/* Have all the frames at hand that a block is thinned from. */
static mt_code look_at_block(mt_search *s, ptrdiff_t begin, mt_error *err)
{
  ptrdiff_t end = begin + (ptrdiff_t)(s->nblock * s->every), nframes = (ptrdiff_t)s->take->nframes;

  begin = begin < (ptrdiff_t)s->every ? 0 : begin - (ptrdiff_t)s->every;
  end = end < nframes ? end : nframes;
  return mt_take_look(&s->view, (size_t)begin, (size_t)(end - begin), NULL, err);
}

/* The same of four frames that lie whole in the take, from frame `first` on. */
static inline void thin_four(const mt_search *s, unsigned channel, size_t first, float *out)
{
  size_t stride = s->take->nchannels, apart = s->every * stride, every = s->every;
  const float *x = s->view.frames + (first + 1 - every - s->view.begin) * stride + channel;
  mt_floats sum = {0.0f};

  for (size_t i = 1; i < 2 * every; i++, x += stride) {
    mt_floats here = {x[0], x[apart], x[2 * apart], x[3 * apart]};
    sum += (float)(i < every ? i : 2 * every - i) * here;
  }
  memcpy(out, &sum, sizeof sum);
}

static void thin_block(mt_search *s, unsigned channel, ptrdiff_t begin)
{
  ptrdiff_t every = (ptrdiff_t)s->every, four = 4 * every, nframes = (ptrdiff_t)s->take->nframes;

  for (size_t n = 0; n < s->nblock;) {
    ptrdiff_t frame = begin + (ptrdiff_t)n * every;
    if (n + 4 <= s->nblock && frame >= every && frame + four <= nframes) {
      thin_four(s, channel, (size_t)frame, s->frames + n);
      n += 4;
    } else {
      s->frames[n++] = thin(s, channel, frame);
    }
  }
}

/* Bring a block's part of the band and its energy here, unless they are. */
static mt_code load(mt_search *s, unsigned channel, size_t block, mt_error *err)
{
  ptrdiff_t begin = begin_of(s, block);
  double energy = 0.0;
  mt_code code;

  if (s->is_loaded && s->loaded_channel == channel && s->loaded_block == block)
    return MT_OK;
  s->is_loaded = false;
  code = look_at_block(s, begin, err);
  if (code != MT_OK)
    return code;
  thin_block(s, channel, begin);
  for (size_t n = 0; n < s->nblock; n++)
    energy += (double)(s->frames[n] * s->frames[n]);
  s->is_loaded = true;
  s->is_silent = !(energy > 0.0);
  s->loaded_channel = channel;
  s->loaded_block = block;
  if (s->is_silent)
    return MT_OK;
  /* the transforms' scale: npoints of the part hold nblock times half the frames' energy */
  s->least_energy = LEAST_OF_ENERGY * energy * 0.5 * (double)s->nblock * (double)s->npoints;
  mt_transform_forward(s->forward, s->frames, s->spectrum);
  cut_part(s, s->part);
  sum_energy(s);
  return MT_OK;
}

size_t mt_search_count_blocks(const mt_search *search)
{
  return search->nblocks;
}

size_t mt_search_block_at(const mt_search *search, double frame)
{
  double hop = (double)(search->nhop * search->every);
  double block = floor((frame - (double)begin_of(search, 0)) / hop);

  return block <= 0.0 ? 0 : block < (double)search->nblocks ? (size_t)block : search->nblocks - 1;
}

mt_code mt_search_look(mt_search *s, unsigned channel, unsigned mark, size_t block, const mt_sighting **out,
                       size_t *nout, mt_error *err)
{
  mt_code code = load(s, channel, block, err);

  s->nfound = 0;
  if (code == MT_OK && !s->is_silent) {
    correlate(s, mark);
    code = look(s, channel, mark, (double)begin_of(s, block), err);
  }
  *out = s->found;
  *nout = s->nfound;
  return code;
}

mt_code mt_search_create(const mt_take *take, const mt_segment *const marks[SEARCH_MARKS], mt_search **out,
                         mt_error *err)
{
  mt_search *s = calloc(1, sizeof *s);
  mt_code code;

  if (s == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory to search a take for its marks");
  code = lay_out(s, take, marks, err);
  if (code == MT_OK)
    code = mt_transform_create(s->nblock, &s->forward, err);
  if (code == MT_OK)
    code = mt_transform_create(2 * s->npoints, &s->inverse, err);
  if (code == MT_OK)
    code = render_chirps(s, marks, err);
  if (code != MT_OK) {
    mt_search_destroy(&s);
    return code;
  }
  *out = s;
  return MT_OK;
}
