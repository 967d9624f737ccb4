/* Compiled with -O3 whatever the build (src/signal/meson.build): the loops below are all there is to a transform, and
   only so are they made into vector instructions. */
#include "signal/fourier.h"

#include "base/decibel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PASSES_MAX 64
/* Turns between those that are taken from the library's sine and cosine */
#define FINE 64

/*
 * A pass of radix r takes r * m numbers at a distance of `stride` (the product of the radices before) to as many sums
 * of r, each turned by exp(-j 2 pi j k / (r m)): j of m, k of r.
 */
typedef struct pass {
  size_t radix, m, stride;
  const float *turn_re, *turn_im; /* [radix - 1][m] */
  const float *root_re,
      *root_im; /* [radix], exp(-j 2 pi i / radix); of the radices without a function of their own */
} pass;

struct mt_fourier {
  size_t n, npasses;
  pass passes[PASSES_MAX];
  float *turns;
};

/* ---- passes ------------------------------------------------------------------------------------------- */

#define SIN_60 0.86602540378443864676F
#define COS_72 0.30901699437494742410F
#define SIN_72 0.95105651629515357212F
#define COS_144 (-0.80901699437494742410F)
#define SIN_144 0.58778525229247312917F

/* So many neighbours at once. `width` is LANES, known when it is compiled, but for strides shorter than that. */
#define LANES 4
typedef float lanes __attribute__((vector_size(LANES * sizeof(float))));

#define INLINE static inline __attribute__((always_inline))

INLINE lanes load(const float *from, size_t width)
{
  lanes x = {0.0F};
  memcpy(&x, from, width * sizeof *from);
  return x;
}

INLINE void store(float *to, lanes x, size_t width)
{
  memcpy(to, &x, width * sizeof *to);
}

/* x times the turn (wr, wi) */
INLINE void store_turned(float *re, float *im, lanes xr, lanes xi, float wr, float wi, size_t width)
{
  store(re, xr * wr - xi * wi, width);
  store(im, xr * wi + xi * wr, width);
}

/* The next lanes of a stride: the last ones go over some that are done once more, not beyond the end. */
INLINE size_t next_lanes(size_t q, size_t s, size_t width)
{
  return q + width < s && q + 2 * width > s ? s - width : q + width;
}

INLINE void pass_2(const pass *p, size_t width, const float *re, const float *im, float *to_re, float *to_im)
{
  size_t s = p->stride, apart = p->m * s;

  for (size_t j = 0; j < p->m; j++) {
    float wr = p->turn_re[j], wi = p->turn_im[j];
    const float *xr = re + s * j, *xi = im + s * j;
    float *yr = to_re + 2 * s * j, *yi = to_im + 2 * s * j;
    for (size_t q = 0; q < s; q = next_lanes(q, s, width)) {
      lanes ar = load(xr + q, width), ai = load(xi + q, width);
      lanes br = load(xr + q + apart, width), bi = load(xi + q + apart, width);
      store(yr + q, ar + br, width);
      store(yi + q, ai + bi, width);
      store_turned(yr + q + s, yi + q + s, ar - br, ai - bi, wr, wi, width);
    }
  }
}

INLINE void pass_3(const pass *p, size_t width, const float *re, const float *im, float *to_re, float *to_im)
{
  size_t s = p->stride, m = p->m, apart = m * s;

  for (size_t j = 0; j < m; j++) {
    float w1r = p->turn_re[j], w1i = p->turn_im[j], w2r = p->turn_re[m + j], w2i = p->turn_im[m + j];
    const float *xr = re + s * j, *xi = im + s * j;
    float *yr = to_re + 3 * s * j, *yi = to_im + 3 * s * j;
    for (size_t q = 0; q < s; q = next_lanes(q, s, width)) {
      lanes ar = load(xr + q, width), ai = load(xi + q, width);
      lanes br = load(xr + q + apart, width), bi = load(xi + q + apart, width);
      lanes cr = load(xr + q + 2 * apart, width), ci = load(xi + q + 2 * apart, width);
      lanes sr = br + cr, si = bi + ci, dr = (br - cr) * SIN_60, di = (bi - ci) * SIN_60;
      lanes hr = ar - sr * 0.5F, hi = ai - si * 0.5F;
      store(yr + q, ar + sr, width);
      store(yi + q, ai + si, width);
      store_turned(yr + q + s, yi + q + s, hr + di, hi - dr, w1r, w1i, width);
      store_turned(yr + q + 2 * s, yi + q + 2 * s, hr - di, hi + dr, w2r, w2i, width);
    }
  }
}

INLINE void pass_4(const pass *p, size_t width, const float *re, const float *im, float *to_re, float *to_im)
{
  size_t s = p->stride, m = p->m, apart = m * s;

  for (size_t j = 0; j < m; j++) {
    float w1r = p->turn_re[j], w1i = p->turn_im[j], w2r = p->turn_re[m + j], w2i = p->turn_im[m + j];
    float w3r = p->turn_re[2 * m + j], w3i = p->turn_im[2 * m + j];
    const float *xr = re + s * j, *xi = im + s * j;
    float *yr = to_re + 4 * s * j, *yi = to_im + 4 * s * j;
    for (size_t q = 0; q < s; q = next_lanes(q, s, width)) {
      lanes ar = load(xr + q, width), ai = load(xi + q, width);
      lanes br = load(xr + q + apart, width), bi = load(xi + q + apart, width);
      lanes cr = load(xr + q + 2 * apart, width), ci = load(xi + q + 2 * apart, width);
      lanes dr = load(xr + q + 3 * apart, width), di = load(xi + q + 3 * apart, width);
      lanes er = ar + cr, ei = ai + ci, fr = ar - cr, fi = ai - ci;
      lanes gr = br + dr, gi = bi + di, hr = br - dr, hi = bi - di;
      store(yr + q, er + gr, width);
      store(yi + q, ei + gi, width);
      store_turned(yr + q + s, yi + q + s, fr + hi, fi - hr, w1r, w1i, width);
      store_turned(yr + q + 2 * s, yi + q + 2 * s, er - gr, ei - gi, w2r, w2i, width);
      store_turned(yr + q + 3 * s, yi + q + 3 * s, fr - hi, fi + hr, w3r, w3i, width);
    }
  }
}

INLINE void pass_5(const pass *p, size_t width, const float *re, const float *im, float *to_re, float *to_im)
{
  size_t s = p->stride, m = p->m, apart = m * s;

  for (size_t j = 0; j < m; j++) {
    const float *wr = p->turn_re + j, *wi = p->turn_im + j;
    const float *xr = re + s * j, *xi = im + s * j;
    float *yr = to_re + 5 * s * j, *yi = to_im + 5 * s * j;
    for (size_t q = 0; q < s; q = next_lanes(q, s, width)) {
      lanes ar = load(xr + q, width), ai = load(xi + q, width);
      lanes br = load(xr + q + apart, width), bi = load(xi + q + apart, width);
      lanes cr = load(xr + q + 2 * apart, width), ci = load(xi + q + 2 * apart, width);
      lanes dr = load(xr + q + 3 * apart, width), di = load(xi + q + 3 * apart, width);
      lanes er = load(xr + q + 4 * apart, width), ei = load(xi + q + 4 * apart, width);
      lanes b_er = br + er, b_ei = bi + ei, ber = br - er, bei = bi - ei;
      lanes c_dr = cr + dr, c_di = ci + di, cdr = cr - dr, cdi = ci - di;
      lanes fr = ar + b_er * COS_72 + c_dr * COS_144, fi = ai + b_ei * COS_72 + c_di * COS_144;
      lanes gr = ar + b_er * COS_144 + c_dr * COS_72, gi = ai + b_ei * COS_144 + c_di * COS_72;
      lanes hr = ber * SIN_72 + cdr * SIN_144, hi = bei * SIN_72 + cdi * SIN_144;
      lanes ir = ber * SIN_144 - cdr * SIN_72, ii = bei * SIN_144 - cdi * SIN_72;
      store(yr + q, ar + b_er + c_dr, width);
      store(yi + q, ai + b_ei + c_di, width);
      store_turned(yr + q + s, yi + q + s, fr + hi, fi - hr, wr[0], wi[0], width);
      store_turned(yr + q + 2 * s, yi + q + 2 * s, gr + ii, gi - ir, wr[m], wi[m], width);
      store_turned(yr + q + 3 * s, yi + q + 3 * s, gr - ii, gi + ir, wr[2 * m], wi[2 * m], width);
      store_turned(yr + q + 4 * s, yi + q + 4 * s, fr - hi, fi + hr, wr[3 * m], wi[3 * m], width);
    }
  }
}

/* The first pass has no neighbours to go along; it goes along j. */
static void first_4(const pass *p, const float *restrict re, const float *restrict im, float *restrict to_re,
                    float *restrict to_im)
{
  size_t m = p->m;
  const float *restrict wr = p->turn_re, *restrict wi = p->turn_im;

  for (size_t j = 0; j < m; j++) {
    float ar = re[j] + re[j + 2 * m], ai = im[j] + im[j + 2 * m];
    float br = re[j] - re[j + 2 * m], bi = im[j] - im[j + 2 * m];
    float cr = re[j + m] + re[j + 3 * m], ci = im[j + m] + im[j + 3 * m];
    float dr = re[j + m] - re[j + 3 * m], di = im[j + m] - im[j + 3 * m];
    float er = br + di, ei = bi - dr, fr = ar - cr, fi = ai - ci, gr = br - di, gi = bi + dr;
    to_re[4 * j] = ar + cr;
    to_re[4 * j + 1] = er * wr[j] - ei * wi[j];
    to_re[4 * j + 2] = fr * wr[m + j] - fi * wi[m + j];
    to_re[4 * j + 3] = gr * wr[2 * m + j] - gi * wi[2 * m + j];
    to_im[4 * j] = ai + ci;
    to_im[4 * j + 1] = er * wi[j] + ei * wr[j];
    to_im[4 * j + 2] = fr * wi[m + j] + fi * wr[m + j];
    to_im[4 * j + 3] = gr * wi[2 * m + j] + gi * wr[2 * m + j];
  }
}

/* Any radix, by its definition: only of lengths that nobody chose for their speed. */
static void pass_any(const pass *p, const float *restrict re, const float *restrict im, float *restrict to_re,
                     float *restrict to_im)
{
  size_t s = p->stride, m = p->m, r = p->radix, apart = m * s;

  for (size_t j = 0; j < m; j++)
    for (size_t k = 0; k < r; k++)
      for (size_t q = 0; q < s; q++) {
        double sum_re = 0.0, sum_im = 0.0, wr = 1.0, wi = 0.0;
        for (size_t i = 0; i < r; i++) {
          double cr = (double)p->root_re[i * k % r], ci = (double)p->root_im[i * k % r];
          double xr = (double)re[s * j + q + i * apart], xi = (double)im[s * j + q + i * apart];
          sum_re += xr * cr - xi * ci;
          sum_im += xr * ci + xi * cr;
        }
        if (k > 0) {
          wr = (double)p->turn_re[(k - 1) * m + j];
          wi = (double)p->turn_im[(k - 1) * m + j];
        }
        to_re[s * (r * j + k) + q] = (float)(sum_re * wr - sum_im * wi);
        to_im[s * (r * j + k) + q] = (float)(sum_re * wi + sum_im * wr);
      }
}

INLINE void run_known(const pass *p, size_t width, const float *re, const float *im, float *to_re,
                      float *to_im)
{
  switch (p->radix) {
  case 2: pass_2(p, width, re, im, to_re, to_im); break;
  case 3: pass_3(p, width, re, im, to_re, to_im); break;
  case 4: pass_4(p, width, re, im, to_re, to_im); break;
  case 5: pass_5(p, width, re, im, to_re, to_im); break;
  default: pass_any(p, re, im, to_re, to_im); break;
  }
}

static void run_pass(const pass *p, const float *re, const float *im, float *to_re, float *to_im)
{
  if (p->radix == 4 && p->stride == 1)
    first_4(p, re, im, to_re, to_im);
  else if (p->stride < LANES)
    run_known(p, p->stride, re, im, to_re, to_im);
  else
    run_known(p, LANES, re, im, to_re, to_im);
}

bool mt_fourier_run(const mt_fourier *fourier, float *re, float *im, float *other_re, float *other_im)
{
  for (size_t i = 0; i < fourier->npasses; i++) {
    if (i % 2 == 0)
      run_pass(&fourier->passes[i], re, im, other_re, other_im);
    else
      run_pass(&fourier->passes[i], other_re, other_im, re, im);
  }
  return fourier->npasses % 2 == 1;
}

/* ---- turns -------------------------------------------------------------------------------------------- */

void mt_fourier_turns(size_t n, size_t step, size_t count, float *re, float *im)
{
  double fine_re[FINE], fine_im[FINE], unit = 2.0 * MT_PI / (double)n;

  for (size_t i = 0; i < FINE; i++) {
    fine_re[i] = cos(unit * (double)(i * step % n));
    fine_im[i] = -sin(unit * (double)(i * step % n));
  }
  for (size_t begin = 0; begin < count; begin += FINE) {
    double coarse_re = cos(unit * (double)(begin * step % n));
    double coarse_im = -sin(unit * (double)(begin * step % n));
    size_t end = count - begin < FINE ? count - begin : FINE;
    for (size_t i = 0; i < end; i++) {
      re[begin + i] = (float)(coarse_re * fine_re[i] - coarse_im * fine_im[i]);
      im[begin + i] = (float)(coarse_re * fine_im[i] + coarse_im * fine_re[i]);
    }
  }
}

/* ---- the plan ----------------------------------------------------------------------------------------- */

/* Fours first, so that all later passes go along a multiple of four. */
static size_t next_radix(size_t n)
{
  size_t r = 7;

  if (n % 4 == 0)
    return 4;
  for (size_t small = 2; small <= 5; small++)
    if (n % small == 0)
      return small;
  while (n % r != 0 && r * r <= n)
    r += 2;
  return n % r == 0 ? r : n;
}

static size_t turns_of(const pass *p)
{
  return 2 * (p->radix - 1) * p->m + 2 * p->radix;
}

static void plan_pass(pass *p, float *to)
{
  size_t count = (p->radix - 1) * p->m;

  p->turn_re = to;
  p->turn_im = to + count;
  p->root_re = to + 2 * count;
  p->root_im = to + 2 * count + p->radix;
  for (size_t k = 1; k < p->radix; k++)
    mt_fourier_turns(p->radix * p->m, k, p->m, to + (k - 1) * p->m, to + count + (k - 1) * p->m);
  mt_fourier_turns(p->radix, 1, p->radix, to + 2 * count, to + 2 * count + p->radix);
}

mt_fourier *mt_fourier_create(size_t n)
{
  mt_fourier *f = calloc(1, sizeof *f);
  size_t left = n, stride = 1, size = 0;
  float *to;

  if (f == NULL)
    return NULL;
  f->n = n;
  while (left > 1) {
    pass *p = &f->passes[f->npasses++];
    p->radix = next_radix(left);
    p->m = left / p->radix;
    p->stride = stride;
    left = p->m;
    stride *= p->radix;
    size += turns_of(p);
  }
  f->turns = malloc((size + 1) * sizeof *f->turns);
  if (f->turns == NULL) {
    mt_fourier_destroy(&f);
    return NULL;
  }
  to = f->turns;
  for (size_t i = 0; i < f->npasses; i++) {
    plan_pass(&f->passes[i], to);
    to += turns_of(&f->passes[i]);
  }
  return f;
}

void mt_fourier_destroy(mt_fourier **fourier)
{
  if (fourier == NULL || *fourier == NULL)
    return;
  free((*fourier)->turns);
  free(*fourier);
  *fourier = NULL;
}
