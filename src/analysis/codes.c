#include "analysis/codes.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* ---- levels of companding ------------------------------------------------------------------------ */

#define LEVELS_MIN 48
#define LEVELS_MAX 300 /* 255 and 256 of the codes there are, and some that rounding splits */
#define SAMPLES_A_LEVEL 50
#define CLASSES_MAX 8
#define CLASSES_MIN 3
#define GAPS_A_CLASS 8
/* Where a spacing gives way to the next, there is a gap of its own: two to a segment, of 32 */
#define FITTING_SHARE 0.85
/* Of the finest spacing: levels of 8 units of 16 bits, turned down and rounded again */
#define ROUNDING_SHARE 0.2
/* Outwards no gap is finer than the one before, but behind a level that no sample met */
#define FINER_SHARE 0.05

/* All different values in ascending order. @return how many; LEVELS_MAX + 1 if there are more. */
static size_t collect_levels(const double *x, size_t n, double levels[LEVELS_MAX + 1])
{
  size_t count = 0;

  for (size_t i = 0; i < n; i++) {
    size_t low = 0, high = count;
    while (low < high) {
      size_t middle = (low + high) / 2;
      if (levels[middle] < x[i])
        low = middle + 1;
      else
        high = middle;
    }
    if (low < count && levels[low] == x[i])
      continue;
    if (count == LEVELS_MAX)
      return LEVELS_MAX + 1;
    memmove(levels + low + 1, levels + low, (count - low) * sizeof levels[0]);
    levels[low] = x[i];
    count++;
  }
  return count;
}

/* The mean of the gaps that are nearly the least. */
static double finest_gap(const double *levels, size_t count)
{
  double least = HUGE_VAL, sum = 0.0;
  size_t n = 0;

  for (size_t i = 1; i < count; i++)
    least = fmin(least, levels[i] - levels[i - 1]);
  for (size_t i = 1; i < count; i++)
    if (levels[i] - levels[i - 1] <= 1.4 * least) {
      sum += levels[i] - levels[i - 1];
      n++;
    }
  return sum / (double)n;
}

/* How often the finest gap was doubled, or -1 if it is no such gap. */
static int class_of(double gap, double finest)
{
  int doubled = (int)floor(log2(gap / finest) + 0.5);

  if (doubled < 0 || doubled >= CLASSES_MAX ||
      fabs(gap - ldexp(finest, doubled)) > ROUNDING_SHARE * finest + 0.02 * gap)
    return -1;
  return doubled;
}

static bool is_companded(const double *x, size_t n)
{
  double levels[LEVELS_MAX + 1], finest;
  size_t count = collect_levels(x, n, levels), gaps[CLASSES_MAX] = {0}, fitting = 0, finer = 0, classes = 0;
  int before = -1;

  if (count < LEVELS_MIN || count > LEVELS_MAX || n < SAMPLES_A_LEVEL * count)
    return false;
  finest = finest_gap(levels, count);
  for (size_t i = 1; i < count; i++) {
    int k = class_of(levels[i] - levels[i - 1], finest);
    if (k < 0)
      continue;
    /* from the negative end inwards they become finer, from the middle on coarser */
    finer += before >= 0 && (levels[i] + levels[i - 1] < 0.0 ? k > before : k < before);
    before = k;
    gaps[k]++;
    fitting++;
  }
  for (int k = 0; k < CLASSES_MAX; k++)
    classes += gaps[k] >= GAPS_A_CLASS;
  return classes >= CLASSES_MIN && (double)fitting >= FITTING_SHARE * (double)(count - 1) &&
         (double)finer <= FINER_SHARE * (double)count;
}

/* ---- differences of adaptive decoders -------------------------------------------------------------- */

/*
 * A run of samples is followed as a decoder would make it. Of what could stand there, each lets 16 values through: that
 * many bits of evidence are asked for, against some 2^15 starts tried. Where all differences are multiples of some
 * number, as those of few bits or of a square wave are, much would follow from little: these are left alone. A short
 * period repeats its evidence: 34 bits by chance in one case of 18000, that is some 200 in a run of 400. Decoders give
 * 1000 to 2000.
 */
#define EVIDENCE_BITS 600.0
#define STARTS 32
#define START_STEP 61

static const int ima_index_steps[8] = {-1, -1, -1, -1, 2, 4, 6, 8};
static const int ima_steps[89] = {
    7,    8,     9,     10,    11,    12,    13,    14,    16,    17,    19,    21,    23,    25,   28,
    31,   34,    37,    41,    45,    50,    55,    60,    66,    73,    80,    88,    97,    107,  118,
    130,  143,   157,   173,   190,   209,   230,   253,   279,   307,   337,   371,   408,   449,  494,
    544,  598,   658,   724,   796,   876,   963,   1060,  1166,  1282,  1411,  1552,  1707,  1878, 2066,
    2272, 2499,  2749,  3024,  3327,  3660,  4026,  4428,  4871,  5358,  5894,  6484,  7132,  7845, 8630,
    9493, 10442, 11487, 12635, 13899, 15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767};

/* The code of three bits that makes this difference, in either of the two ways decoders round; -1: none. */
static int ima_code(int difference, int step)
{
  int size = abs(difference);

  for (int code = 0; code < 8; code++) {
    int parts = (step >> 3) + (code & 4 ? step : 0) + (code & 2 ? step >> 1 : 0) + (code & 1 ? step >> 2 : 0);
    if (size == parts || size == ((2 * code + 1) * step) >> 3)
      return code;
  }
  return -1;
}

static double follow_ima(const int *x, size_t n, int index)
{
  double bits = 0.0;

  for (size_t i = 1; i < n && bits < EVIDENCE_BITS; i++) {
    int step = ima_steps[index], code = ima_code(x[i] - x[i - 1], step);
    if (code < 0)
      return 0.0;
    /* 32 values, in two roundings, of a range of 15/4 steps; what goes on as it did says nothing new */
    if (i > 1 && x[i] - x[i - 1] != x[i - 1] - x[i - 2])
      bits += fmax(0.0, log2(3.75 * step / 32.0));
    index += ima_index_steps[code];
    index = index < 0 ? 0 : index > 88 ? 88 : index;
  }
  return bits;
}

static const int ms_taps[7][2] = {{256, 0}, {512, -256}, {0, 0},     {192, 64},
                                  {240, 0}, {460, -208}, {392, -232}};
static const int ms_adapt[16] = {768, 614, 512, 409, 307, 230, 230, 230,
                                 230, 230, 230, 230, 307, 409, 512, 614}; /* from -8 on */

static int ms_error(const int *x, size_t at, const int taps[2])
{
  int64_t sum = (int64_t)taps[0] * x[at - 1] + (int64_t)taps[1] * x[at - 2];
  return x[at] - (int)(sum >= 0 ? sum / 256 : -((255 - sum) / 256)); /* rounded down, as a shift does */
}

static double follow_ms(const int *x, size_t n, const int taps[2], int delta)
{
  double bits = 0.0;
  int before = 0;

  for (size_t i = 2; i < n && bits < EVIDENCE_BITS; i++) {
    int error = ms_error(x, i, taps), code = error / delta;
    if (error % delta != 0 || code < -8 || code > 7)
      return 0.0;
    if (code != 0 && error != before) /* what goes on as it did says nothing new */
      bits += log2(delta);
    before = error;
    delta = (int)((int64_t)ms_adapt[code + 8] * delta >> 8);
    delta = delta < 16 ? 16 : delta;
  }
  return bits;
}

static int common_divisor_of_steps(const int *x, size_t n)
{
  int divisor = 0;

  for (size_t i = 1; i < n && divisor != 1; i++) {
    int a = abs(x[i] - x[i - 1]);
    while (a != 0) {
      int rest = divisor % a;
      divisor = a;
      a = rest;
    }
  }
  return divisor;
}

static bool is_ima(const int *x, size_t n)
{
  for (int index = 0; index < 89; index++)
    if (follow_ima(x, n, index) >= EVIDENCE_BITS)
      return true;
  return false;
}

static bool is_ms(const int *x, size_t n)
{
  for (int k = 0; k < 7; k++) {
    int error = ms_error(x, 2, ms_taps[k]);
    for (int code = -8; code <= 7 && error != 0; code++)
      if (code != 0 && error % code == 0 && error / code >= 16 &&
          follow_ms(x, n, ms_taps[k], error / code) >= EVIDENCE_BITS)
        return true;
  }
  return false;
}

/* Samples of 16 bits, as they left the decoder. */
static mt_codes find_differences(const double *x, size_t n)
{
  enum { LENGTH = 400 };
  int codes[LENGTH];

  for (size_t start = 0; start < STARTS; start++) {
    size_t first = start * START_STEP;
    if (first + LENGTH > n)
      return MT_CODES_NONE;
    for (size_t i = 0; i < LENGTH; i++) {
      double code = 32768.0 * x[first + i];
      if (code != floor(code) || fabs(code) > 32768.0)
        return MT_CODES_NONE;
      codes[i] = (int)code;
    }
    if (common_divisor_of_steps(codes, LENGTH) != 1)
      continue;
    if (is_ima(codes, LENGTH))
      return MT_CODES_IMA;
    if (is_ms(codes, LENGTH))
      return MT_CODES_MS;
  }
  return MT_CODES_NONE;
}

mt_codes mt_codes_find(const double *x, size_t n)
{
  return is_companded(x, n) ? MT_CODES_COMPANDED : find_differences(x, n);
}

const char *mt_codes_name(mt_codes codes)
{
  switch (codes) {
  case MT_CODES_COMPANDED: return "companding of 8 bits (mu-law, A-law)";
  case MT_CODES_IMA: return "adaptive differences of 4 bits (IMA ADPCM)";
  case MT_CODES_MS: return "adaptive differences of 4 bits (MS ADPCM)";
  case MT_CODES_NONE: break;
  }
  return "";
}
