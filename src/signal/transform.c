#include "signal/transform.h"

#include <kiss_fftr.h>
#include <limits.h>
#include <stdlib.h>

/* Debian builds the library in float; another scalar type would silently misread every sample. */
_Static_assert(sizeof(kiss_fft_scalar) == sizeof(float), "KissFFT must be built with float scalars");
_Static_assert(sizeof(mt_bin) == sizeof(kiss_fft_cpx), "mt_bin must have the layout of kiss_fft_cpx");

struct mt_transform {
  size_t n;
  kiss_fftr_cfg forward;
  kiss_fftr_cfg inverse;
};

size_t mt_transform_length(size_t n)
{
  /* kiss_fftr_next_fast_size_real loops for ever at 0 */
  if (n < 2)
    return 2;
  return (size_t)kiss_fftr_next_fast_size_real((int)(n > INT_MAX / 4 ? INT_MAX / 4 : n));
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
  transform->forward = kiss_fftr_alloc((int)n, 0, NULL, NULL);
  transform->inverse = kiss_fftr_alloc((int)n, 1, NULL, NULL);
  if (transform->forward == NULL || transform->inverse == NULL) {
    mt_transform_destroy(&transform);
    return mt_fail(err, MT_E_MEMORY, "out of memory for a transform of %zu points", n);
  }
  *out = transform;
  return MT_OK;
}

size_t mt_transform_points(const mt_transform *transform)
{
  return transform->n;
}

void mt_transform_forward(mt_transform *transform, const float *in, mt_bin *out)
{
  kiss_fftr(transform->forward, in, (kiss_fft_cpx *)out);
}

void mt_transform_inverse(mt_transform *transform, const mt_bin *in, float *out)
{
  kiss_fftri(transform->inverse, (const kiss_fft_cpx *)in, out);
}

void mt_transform_destroy(mt_transform **transform)
{
  if (transform == NULL || *transform == NULL)
    return;
  kiss_fftr_free((*transform)->forward);
  kiss_fftr_free((*transform)->inverse);
  free(*transform);
  *transform = NULL;
}
