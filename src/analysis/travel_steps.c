/* The steps of a digital control: levels it rests on, and nothing between. */
#include "analysis/travel_work.h"

#include "base/decibel.h"
#include "base/order.h"

#include <math.h>
#include <stdlib.h>

#define STEPS_MAX 4000
#define LEAST_STEPS 6
#define LEAST_STEP_DB 0.05
/* Beside a step the level rests: what it moves there is so small a part of it. Of a steady turn it is two thirds. */
#define REST_PART 0.15
#define REST_HOPS 4
/* So much of the whole way is made in steps. */
#define STEPPED_PART 0.7
#define SIGMAS 6.0
/* Levels are told apart down to where a window's noise is a sixth of a step. */
#define NOISE_PART 6.0
#define ODD_PART 0.25

typedef struct ladder {
  double *level;  /* dBFS, fine: the mean of both channels, or the one that is heard */
  double *sigma;  /* dB */
  size_t *at;     /* fine index of each step: of the window before it */
  double *change; /* dB */
  double *rests;  /* levels between the steps, dBFS */
  size_t n, nrests;
} ladder;

static void mix(const mt_travel_work *w, ladder *l)
{
  const mt_travel *t = w->out;

  for (size_t i = 0; i < w->nfine; i++) {
    double sum = 0.0, square = 0.0, count = 0.0;
    for (int c = 0; c < 2; c++) {
      double sigma = mt_travel_fine_sigma_db(w, c, i);
      if (!t->heard[c])
        continue;
      sum += mt_travel_fine_dbfs(w, c, i);
      square += sigma * sigma;
      count += 1.0;
    }
    l->level[i] = count > 0.0 ? sum / count : 0.0;
    l->sigma[i] = count > 0.0 ? sqrt(square) / count : HUGE_VAL;
  }
}

/* A change within 15 ms that is the largest around, with rest on both sides. */
static bool is_step(const mt_travel_work *w, const ladder *l, size_t i, double least_db)
{
  size_t end = i + MT_TRAVEL_ACROSS;
  double change = l->level[end] - l->level[i], sigma = fmax(l->sigma[i], l->sigma[end]);
  double rest = REST_PART * fabs(change) + 3.0 * sigma;

  if (fabs(change) < fmax(least_db, SIGMAS * sigma))
    return false;
  for (size_t k = i - REST_HOPS; k <= i + REST_HOPS && k + MT_TRAVEL_ACROSS < w->nfine; k++) {
    double other = fabs(l->level[k + MT_TRAVEL_ACROSS] - l->level[k]);
    if (other > fabs(change) || (k < i && !(other < fabs(change))))
      return false;
  }
  return fabs(l->level[i] - l->level[i - REST_HOPS]) < rest &&
         fabs(l->level[end + REST_HOPS] - l->level[end]) < rest;
}

static void find(const mt_travel_work *w, ladder *l, double least_db, double most_sigma)
{
  l->n = 0;
  for (size_t i = REST_HOPS; i + MT_TRAVEL_ACROSS + REST_HOPS < w->nfine && l->n < STEPS_MAX; i++) {
    if (fmax(l->sigma[i], l->sigma[i + MT_TRAVEL_ACROSS]) > most_sigma || !is_step(w, l, i, least_db))
      continue;
    l->at[l->n] = i;
    l->change[l->n++] = l->level[i + MT_TRAVEL_ACROSS] - l->level[i];
  }
}

static double median_size(const ladder *l, double *room)
{
  for (size_t i = 0; i < l->n; i++)
    room[i] = fabs(l->change[i]);
  return mt_order_select(room, l->n, l->n / 2);
}

/* How much of the way there is, where its noise allows to say so. */
static double way_db(const mt_travel_work *w, const ladder *l, double most_sigma)
{
  double way = 0.0, before = 0.0;
  bool has_before = false;

  /* over 40 ms, so that noise is no way */
  for (size_t i = 0; i < w->nfine; i += 2 * MT_TRAVEL_PER_POINT) {
    if (l->sigma[i] > most_sigma) {
      has_before = false;
      continue;
    }
    if (has_before && fabs(l->level[i] - before) > SIGMAS * l->sigma[i])
      way += fabs(l->level[i] - before);
    before = l->level[i];
    has_before = true;
  }
  return way;
}

static void find_rests(const mt_travel_work *w, ladder *l, double most_sigma)
{
  l->nrests = 0;
  for (size_t s = 0; s <= l->n; s++) {
    size_t begin = s == 0 ? 0 : l->at[s - 1] + MT_TRAVEL_ACROSS, end = s == l->n ? w->nfine - 1 : l->at[s];
    double sum = 0.0, count = 0.0;
    for (size_t i = begin; i <= end && i < w->nfine; i++)
      if (l->sigma[i] <= most_sigma) {
        sum += l->level[i];
        count += 1.0;
      }
    if (count > 0.0)
      l->rests[l->nrests++] = sum / count;
  }
  mt_order_sort(l->rests, l->nrests);
}

/* Levels a third of a step apart are one: it rested there twice. Left are their means, from the highest down. */
static void join_rests(ladder *l, double step_db)
{
  size_t n = 0;

  for (size_t i = 0; i < l->nrests;) {
    double sum = l->rests[i];
    size_t k = i + 1;
    while (k < l->nrests && l->rests[k] - l->rests[k - 1] < step_db / 3.0)
      sum += l->rests[k++];
    l->rests[n++] = sum / (double)(k - i);
    i = k;
  }
  l->nrests = n;
}

static void conclude(mt_travel *t, const ladder *l, double step_db)
{
  double full = l->rests[l->nrests - 1], sum = 0.0, squares = 0.0, n = 0.0;

  t->is_stepped = true;
  t->nsteps = l->nrests - 1;
  t->stepped_to_db = full - l->rests[0];
  for (size_t i = l->nrests - 1; i > 0; i--) {
    double size = l->rests[i] - l->rests[i - 1];
    if (fabs(size - step_db) <= ODD_PART * step_db) {
      sum += size;
      squares += size * size;
      n += 1.0;
      continue;
    }
    if (t->nodd < MT_TRAVEL_ODD_MAX) {
      t->odd_db[t->nodd] = size;
      t->odd_at_db[t->nodd] = full - l->rests[i];
    }
    t->nodd++;
  }
  t->step_db = n > 0.0 ? sum / n : step_db;
  t->step_uncertainty_db =
      n > 1.0 ? 2.0 * sqrt(fmax(0.0, squares / n - t->step_db * t->step_db) / n) : step_db;
}

static void decide(mt_travel_work *w, ladder *l)
{
  double step_db, made = 0.0, most_sigma = HUGE_VAL;

  find(w, l, LEAST_STEP_DB, HUGE_VAL);
  if (l->n < LEAST_STEPS)
    return;
  step_db = median_size(l, l->rests);
  most_sigma = step_db / NOISE_PART;
  find(w, l, 0.5 * step_db, most_sigma);
  for (size_t i = 0; i < l->n; i++)
    made += fabs(l->change[i]);
  if (l->n < LEAST_STEPS || made < STEPPED_PART * way_db(w, l, most_sigma))
    return;
  find_rests(w, l, most_sigma);
  join_rests(l, step_db);
  if (l->nrests > LEAST_STEPS)
    conclude(w->out, l, step_db);
}

mt_code mt_travel_find_steps(mt_travel_work *w, mt_error *err)
{
  double *block = malloc((2 * w->nfine + 2 * STEPS_MAX + 1) * sizeof *block);
  size_t *at = malloc(STEPS_MAX * sizeof *at);
  mt_code code = MT_OK;

  if (block == NULL || at == NULL)
    code = mt_fail(err, MT_E_MEMORY, "out of memory for the steps of a control");
  if (code == MT_OK) {
    ladder l = {.level = block, .sigma = block + w->nfine, .at = at, .change = block + 2 * w->nfine};
    l.rests = l.change + STEPS_MAX;
    mix(w, &l);
    decide(w, &l);
  }
  free(block);
  free(at);
  return code;
}
