/* Compiled with -O3 whatever the build, as fourier.c. */
#include "signal/transform.h"

#include "signal/fourier.h"

#include <stdlib.h>
#include <string.h>

#define LENGTH_MAX ((size_t)1 << 29)

/*
 * A real record of n is a complex one of n / 2, its even samples the real and its odd ones the imaginary part. Of
 * their spectrum Z, E = (Z[k] + Z*[n/2 - k]) / 2 is that of the even and O = (Z[k] - Z*[n/2 - k]) / 2j that of the odd
 * samples, and X[k] = E + exp(-j 2 pi k / n) O.
 */
struct mt_transform {
  size_t n, half;
  mt_fourier *fourier;
  float *turn_re, *turn_im; /* [half / 2 + 1], exp(-j 2 pi k / n) */
  float *parts[4];          /* [half] each: two pairs to go to and fro between */
};

static bool is_fast(size_t n)
{
  for (size_t factor = 2; factor <= 5; factor++)
    while (n % factor == 0)
      n /= factor;
  return n == 1;
}

size_t mt_transform_length(size_t n)
{
  size_t half = n < 2 ? 1 : (n < LENGTH_MAX ? n + 1 : LENGTH_MAX) / 2;

  while (!is_fast(half))
    half++;
  return 2 * half;
}

mt_code mt_transform_create(size_t n, mt_transform **out, mt_error *err)
{
  mt_transform *t;
  size_t half = n / 2, nturns = n / 4 + 1;

  if (n < 2 || n % 2 != 0 || n > LENGTH_MAX)
    return mt_fail(err, MT_E_ARG, "a transform of %zu points; expected an even number, 2 to %zu", n,
                   LENGTH_MAX);
  t = calloc(1, sizeof *t);
  if (t == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a transform");
  t->n = n;
  t->half = half;
  t->fourier = mt_fourier_create(half);
  t->turn_re = malloc((2 * nturns + 4 * half) * sizeof *t->turn_re);
  if (t->fourier == NULL || t->turn_re == NULL) {
    mt_transform_destroy(&t);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a transform of %zu points", n);
  }
  t->turn_im = t->turn_re + nturns;
  for (size_t i = 0; i < 4; i++)
    t->parts[i] = t->turn_im + nturns + i * half;
  mt_fourier_turns(n, 1, nturns, t->turn_re, t->turn_im);
  *out = t;
  return MT_OK;
}

size_t mt_transform_points(const mt_transform *transform)
{
  return transform->n;
}

static void split_samples(size_t half, const float *restrict in, float *restrict re, float *restrict im)
{
  for (size_t i = 0; i < half; i++) {
    re[i] = in[2 * i];
    im[i] = in[2 * i + 1];
  }
}

static void join_samples(size_t half, const float *restrict re, const float *restrict im, float *restrict out)
{
  for (size_t i = 0; i < half; i++) {
    out[2 * i] = re[i];
    out[2 * i + 1] = im[i];
  }
}

/* So many bins at once, and as many from the other end, which come backwards. */
#define LANES 4
typedef float lanes __attribute__((vector_size(LANES * sizeof(float))));

static inline lanes load(const float *from)
{
  lanes x;
  memcpy(&x, from, sizeof x);
  return x;
}

static inline void store(float *to, lanes x)
{
  memcpy(to, &x, sizeof x);
}

static inline lanes backwards(lanes x)
{
  return __builtin_shufflevector(x, x, 3, 2, 1, 0);
}

static inline void store_bins(mt_bin *to, lanes re, lanes im)
{
  store(&to[0].re, __builtin_shufflevector(re, im, 0, 4, 1, 5));
  store(&to[2].re, __builtin_shufflevector(re, im, 2, 6, 3, 7));
}

static inline void load_bins(const mt_bin *from, lanes *re, lanes *im)
{
  lanes first = load(&from[0].re), second = load(&from[2].re);
  *re = __builtin_shufflevector(first, second, 0, 2, 4, 6);
  *im = __builtin_shufflevector(first, second, 1, 3, 5, 7);
}

/* Of bins k and half - k at once. */
static void split_spectrum(const mt_transform *t, const float *re, const float *im, mt_bin *out)
{
  size_t half = t->half, k = 1;
  const float *wr = t->turn_re, *wi = t->turn_im;

  out[0] = (mt_bin){re[0] + im[0], 0.0F};
  out[half] = (mt_bin){re[0] - im[0], 0.0F};
  for (; 2 * (k + LANES - 1) < half; k += LANES) {
    size_t other = half - k - LANES + 1;
    lanes ar = load(re + k), ai = load(im + k);
    lanes br = backwards(load(re + other)), bi = backwards(load(im + other));
    lanes er = (ar + br) * 0.5F, ei = (ai - bi) * 0.5F;
    lanes odd_re = (ai + bi) * 0.5F, odd_im = (br - ar) * 0.5F;
    lanes turn_re = load(wr + k), turn_im = load(wi + k);
    lanes tr = odd_re * turn_re - odd_im * turn_im, ti = odd_re * turn_im + odd_im * turn_re;
    store_bins(out + k, er + tr, ei + ti);
    store_bins(out + other, backwards(er - tr), backwards(ti - ei));
  }
  for (; k <= half / 2; k++) {
    float er = 0.5F * (re[k] + re[half - k]), ei = 0.5F * (im[k] - im[half - k]);
    float odd_re = 0.5F * (im[k] + im[half - k]), odd_im = 0.5F * (re[half - k] - re[k]);
    float tr = odd_re * wr[k] - odd_im * wi[k], ti = odd_re * wi[k] + odd_im * wr[k];
    out[k] = (mt_bin){er + tr, ei + ti};
    out[half - k] = (mt_bin){er - tr, ti - ei};
  }
}

/* The way back, without the halves: so the result comes out n times as great, and not n / 2. */
static void join_spectrum(const mt_transform *t, const mt_bin *in, float *re, float *im)
{
  size_t half = t->half, k = 1;
  const float *wr = t->turn_re, *wi = t->turn_im;

  re[0] = in[0].re + in[half].re;
  im[0] = in[0].re - in[half].re;
  for (; 2 * (k + LANES - 1) < half; k += LANES) {
    size_t other = half - k - LANES + 1;
    lanes ar, ai, br, bi, er, ei, tr, ti, odd_re, odd_im, turn_re = load(wr + k), turn_im = load(wi + k);
    load_bins(in + k, &ar, &ai);
    load_bins(in + other, &br, &bi);
    br = backwards(br);
    bi = backwards(bi);
    er = ar + br;
    ei = ai - bi;
    tr = ar - br;
    ti = ai + bi;
    odd_re = tr * turn_re + ti * turn_im;
    odd_im = ti * turn_re - tr * turn_im;
    store(re + k, er - odd_im);
    store(im + k, ei + odd_re);
    store(re + other, backwards(er + odd_im));
    store(im + other, backwards(odd_re - ei));
  }
  for (; k <= half / 2; k++) {
    float er = in[k].re + in[half - k].re, ei = in[k].im - in[half - k].im;
    float tr = in[k].re - in[half - k].re, ti = in[k].im + in[half - k].im;
    float odd_re = tr * wr[k] + ti * wi[k], odd_im = ti * wr[k] - tr * wi[k];
    re[k] = er - odd_im;
    im[k] = ei + odd_re;
    re[half - k] = er + odd_im;
    im[half - k] = odd_re - ei;
  }
}

void mt_transform_forward(mt_transform *t, const float *in, mt_bin *out)
{
  float **p = t->parts;
  bool other;

  split_samples(t->half, in, p[0], p[1]);
  other = mt_fourier_run(t->fourier, p[0], p[1], p[2], p[3]);
  split_spectrum(t, p[other ? 2 : 0], p[other ? 3 : 1], out);
}

void mt_transform_inverse(mt_transform *t, const mt_bin *in, float *out)
{
  float **p = t->parts;
  bool other;

  join_spectrum(t, in, p[0], p[1]);
  /* parts exchanged: backwards */
  other = mt_fourier_run(t->fourier, p[1], p[0], p[3], p[2]);
  join_samples(t->half, p[other ? 2 : 0], p[other ? 3 : 1], out);
}

void mt_transform_destroy(mt_transform **transform)
{
  if (transform == NULL || *transform == NULL)
    return;
  mt_fourier_destroy(&(*transform)->fourier);
  free((*transform)->turn_re);
  free(*transform);
  *transform = NULL;
}
