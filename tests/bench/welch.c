#include "welch.h"

#include "signal/transform.h"

#ifdef BENCH_HAVE_FFTW
#include <fftw3.h>
#endif

#include <math.h>
#include <stdlib.h>

struct welch {
  welch_kind kind;
  double window[WELCH_LENGTH];
  float in[WELCH_LENGTH];
  double in_double[WELCH_LENGTH];
  mt_transform *ours;
  mt_bin out[WELCH_LENGTH / 2 + 1];
#ifdef BENCH_HAVE_FFTW
  fftwf_plan fftw_float;
  fftw_plan fftw_double;
  fftwf_complex out_float[WELCH_LENGTH / 2 + 1];
  fftw_complex out_double[WELCH_LENGTH / 2 + 1];
#endif
};

static bool make_plan(welch *w)
{
  switch (w->kind) {
  case WELCH_OURS: return mt_transform_create(WELCH_LENGTH, &w->ours, NULL) == MT_OK;
#ifdef BENCH_HAVE_FFTW
  case WELCH_FFTW_FLOAT:
    w->fftw_float = fftwf_plan_dft_r2c_1d((int)WELCH_LENGTH, w->in, w->out_float, FFTW_MEASURE);
    return w->fftw_float != NULL;
  case WELCH_FFTW_DOUBLE:
    w->fftw_double = fftw_plan_dft_r2c_1d((int)WELCH_LENGTH, w->in_double, w->out_double, FFTW_MEASURE);
    return w->fftw_double != NULL;
#endif
  default: return false;
  }
}

welch *welch_create(welch_kind kind)
{
  /* FFTW's own allocator aligns for its vector instructions; 64 bytes do for all of them. */
  size_t size = (sizeof(welch) + 63) / 64 * 64;
  welch *w = aligned_alloc(64, size);
  if (w == NULL)
    return NULL;
  *w = (welch){.kind = kind};
  if (!make_plan(w)) {
    welch_destroy(&w);
    return NULL;
  }
  for (size_t i = 0; i < WELCH_LENGTH; i++)
    w->window[i] = 0.5 - 0.5 * cos(2.0 * 3.14159265358979323846 * (double)i / (double)WELCH_LENGTH);
  return w;
}

static double power_of(double re, double im)
{
  return re * re + im * im;
}

static double segment_power(welch *w, const float *x)
{
  double sum = 0.0;
  if (w->kind == WELCH_FFTW_DOUBLE)
    for (size_t i = 0; i < WELCH_LENGTH; i++)
      w->in_double[i] = w->window[i] * (double)x[i];
  else
    for (size_t i = 0; i < WELCH_LENGTH; i++)
      w->in[i] = (float)(w->window[i] * (double)x[i]);
  switch (w->kind) {
  case WELCH_OURS:
    mt_transform_forward(w->ours, w->in, w->out);
    for (size_t k = 1; k < WELCH_LENGTH / 2; k++)
      sum += power_of((double)w->out[k].re, (double)w->out[k].im);
    break;
#ifdef BENCH_HAVE_FFTW
  case WELCH_FFTW_FLOAT:
    fftwf_execute(w->fftw_float);
    for (size_t k = 1; k < WELCH_LENGTH / 2; k++)
      sum += power_of((double)w->out_float[k][0], (double)w->out_float[k][1]);
    break;
  case WELCH_FFTW_DOUBLE:
    fftw_execute(w->fftw_double);
    for (size_t k = 1; k < WELCH_LENGTH / 2; k++)
      sum += power_of(w->out_double[k][0], w->out_double[k][1]);
    break;
#endif
  default: break;
  }
  return sum;
}

double welch_power(welch *w, const float *x, size_t n)
{
  double sum = 0.0;
  size_t nsegments = 0;
  for (size_t start = 0; start + WELCH_LENGTH <= n; start += WELCH_LENGTH / 2, nsegments++)
    sum += segment_power(w, x + start);
  /* Hann: the squares of the window sum to 3/8 of its length; one-sided: twice. */
  double scale = 2.0 / (0.375 * (double)WELCH_LENGTH * (double)WELCH_LENGTH);
  return nsegments > 0 ? sum * scale / (double)nsegments : 0.0;
}

void welch_destroy(welch **w)
{
  if (*w == NULL)
    return;
  mt_transform_destroy(&(*w)->ours);
#ifdef BENCH_HAVE_FFTW
  if ((*w)->fftw_float != NULL)
    fftwf_destroy_plan((*w)->fftw_float);
  if ((*w)->fftw_double != NULL)
    fftw_destroy_plan((*w)->fftw_double);
#endif
  free(*w);
  *w = NULL;
}
