#include "signal/transform.h"

#include "base/decibel.h"

#include <kiss_fft.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>

/* Debian builds the library in float; another scalar type would silently misread every sample. */
_Static_assert(sizeof(kiss_fft_scalar) == sizeof(float), "KissFFT must be built with float scalars");
_Static_assert(sizeof(mt_bin) == sizeof(kiss_fft_cpx), "mt_bin must have the layout of kiss_fft_cpx");

/* An even real record is a complex one of half its length, whose spectrum is then split. KissFFT has that as
   kiss_fftr, with a table of its own for either direction, each as dear to make as a transform. Here one table serves
   both: the inverse is the conjugate of the forward transform of the conjugate. */
struct mt_transform {
  size_t n;
  kiss_fft_cfg half;
  mt_bin *turns; /* [n/4 + 1] exp(-j (2 pi k / n + pi / 2)) */
  mt_bin *work;  /* [n/2], of the inverse */
};

size_t mt_transform_length(size_t n)
{
  size_t most = n > INT_MAX / 4 ? INT_MAX / 4 : n;

  /* kiss_fft_next_fast_size loops for ever at 0 */
  return most < 2 ? 2 : 2 * (size_t)kiss_fft_next_fast_size((int)((most + 1) / 2));
}

/* Turns between those whose cosine is taken afresh */
#define FINE 64

static void fill_turns(mt_bin *turns, size_t n)
{
  double unit = 2.0 * MT_PI / (double)n, fine_cos[FINE], fine_sin[FINE];

  for (size_t i = 0; i < FINE; i++) {
    fine_cos[i] = cos(unit * (double)i);
    fine_sin[i] = sin(unit * (double)i);
  }
  for (size_t begin = 0; begin <= n / 4; begin += FINE) {
    double coarse_cos = cos(unit * (double)begin), coarse_sin = sin(unit * (double)begin);
    for (size_t i = 0; i < FINE && begin + i <= n / 4; i++) {
      turns[begin + i].re = (float)-(coarse_sin * fine_cos[i] + coarse_cos * fine_sin[i]);
      turns[begin + i].im = (float)-(coarse_cos * fine_cos[i] - coarse_sin * fine_sin[i]);
    }
  }
}

static mt_bin times(mt_bin a, mt_bin b)
{
  return (mt_bin){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

mt_code mt_transform_create(size_t n, mt_transform **out, mt_error *err)
{
  mt_transform *transform;

  if (n < 2 || n % 2 != 0 || n > INT_MAX / 4)
    return mt_fail(err, MT_E_ARG, "a transform of %zu points; expected an even number, 2 to %d", n,
                   INT_MAX / 4);
  transform = calloc(1, sizeof *transform);
  if (transform == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a transform");
  transform->n = n;
  transform->half = kiss_fft_alloc((int)(n / 2), 0, NULL, NULL);
  transform->turns = malloc((n / 4 + 1) * sizeof *transform->turns);
  transform->work = malloc(n / 2 * sizeof *transform->work);
  if (transform->half == NULL || transform->turns == NULL || transform->work == NULL) {
    mt_transform_destroy(&transform);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a transform of %zu points", n);
  }
  fill_turns(transform->turns, n);
  *out = transform;
  return MT_OK;
}

size_t mt_transform_points(const mt_transform *transform)
{
  return transform->n;
}

/* Two bins side by side. */
typedef float pair __attribute__((vector_size(4 * sizeof(float))));
typedef float pair_at __attribute__((vector_size(4 * sizeof(float)), aligned(sizeof(float)), may_alias));

static const pair conjugate = {1.0F, -1.0F, 1.0F, -1.0F};

/* Sum and turned difference of bins and the conjugates of their mirrors, which lie in reverse. */
static inline void split(pair low, pair high, pair turn, pair *sum, pair *odd)
{
  pair mirror = __builtin_shufflevector(high, high, 2, 3, 0, 1) * conjugate, difference = low - mirror;
  pair crossed = __builtin_shufflevector(difference, difference, 1, 0, 3, 2) *
                 __builtin_shufflevector(turn, turn, 1, 1, 3, 3) * conjugate;

  *sum = low + mirror;
  *odd = difference * __builtin_shufflevector(turn, turn, 0, 0, 2, 2) - crossed;
}

/* The mirror's own: (sum - odd) conjugated, in its order. */
static inline pair mirrored(pair sum, pair odd)
{
  pair other = (sum - odd) * conjugate;
  return __builtin_shufflevector(other, other, 2, 3, 0, 1);
}

/* The spectrum of the half is split where it lies: two bins of it, which are read first, make two. */
void mt_transform_forward(const mt_transform *transform, const float *in, mt_bin *out)
{
  size_t half = transform->n / 2, k = 1;
  mt_bin mean;

  kiss_fft(transform->half, (const kiss_fft_cpx *)in, (kiss_fft_cpx *)out);
  mean = out[0];
  out[0] = (mt_bin){mean.re + mean.im, 0.0F};
  out[half] = (mt_bin){mean.re - mean.im, 0.0F};
  for (; k + 1 < half / 2; k += 2) {
    pair sum, odd;
    split(*(const pair_at *)&out[k], *(const pair_at *)&out[half - k - 1],
          *(const pair_at *)&transform->turns[k], &sum, &odd);
    *(pair_at *)&out[k] = 0.5F * (sum + odd);
    *(pair_at *)&out[half - k - 1] = 0.5F * mirrored(sum, odd);
  }
  for (; k <= half / 2; k++) {
    mt_bin low = out[k], high = {out[half - k].re, -out[half - k].im};
    mt_bin sum = {low.re + high.re, low.im + high.im};
    mt_bin odd = times((mt_bin){low.re - high.re, low.im - high.im}, transform->turns[k]);
    out[k] = (mt_bin){0.5F * (sum.re + odd.re), 0.5F * (sum.im + odd.im)};
    out[half - k] = (mt_bin){0.5F * (sum.re - odd.re), 0.5F * (odd.im - sum.im)};
  }
}

void mt_transform_complex(mt_transform *transform, const mt_bin *in, mt_bin *out)
{
  kiss_fft(transform->half, (const kiss_fft_cpx *)in, (kiss_fft_cpx *)out);
}

void mt_transform_inverse(mt_transform *transform, const mt_bin *in, float *out)
{
  size_t half = transform->n / 2, k = 1;
  mt_bin *z = transform->work;

  z[0] = (mt_bin){in[0].re + in[half].re, in[half].re - in[0].re};
  for (; k + 1 < half / 2; k += 2) {
    pair even, odd;
    split(*(const pair_at *)&in[k] * conjugate, *(const pair_at *)&in[half - k - 1] * conjugate,
          *(const pair_at *)&transform->turns[k], &even, &odd);
    *(pair_at *)&z[k] = even + odd;
    *(pair_at *)&z[half - k - 1] = mirrored(even, odd);
  }
  for (; k <= half / 2; k++) {
    mt_bin low = {in[k].re, -in[k].im}, high = in[half - k];
    mt_bin even = {low.re + high.re, low.im + high.im};
    mt_bin odd = times((mt_bin){low.re - high.re, low.im - high.im}, transform->turns[k]);
    z[k] = (mt_bin){even.re + odd.re, even.im + odd.im};
    z[half - k] = (mt_bin){even.re - odd.re, odd.im - even.im};
  }
  kiss_fft(transform->half, (const kiss_fft_cpx *)z, (kiss_fft_cpx *)out);
  for (size_t i = 1; i < transform->n; i += 2)
    out[i] = -out[i];
}

void mt_transform_destroy(mt_transform **transform)
{
  if (transform == NULL || *transform == NULL)
    return;
  kiss_fft_free((*transform)->half);
  free((*transform)->turns);
  free((*transform)->work);
  free(*transform);
  *transform = NULL;
}
