#include <mendtone/compare.h>

#include "base/text.h"
#include "judge/wording.h"

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Tones within 1 % are the same tone: a recording's own clock is never that far off. */
#define SAME_TONE 0.01
/* Two standard deviations of a normal distribution are exceeded in this share of cases, both sides. */
#define BEYOND_TWO 0.04550026389635842

mt_unit mt_compare_unit(mt_quantity quantity)
{
  mt_unit own = mt_quantity_describe(quantity)->unit;

  return own == MT_UNIT_DBFS || own == MT_UNIT_DBV || own == MT_UNIT_DBFS_PER_ROOT_HZ ? MT_UNIT_DB : own;
}

const char *mt_contrast_name(mt_contrast contrast)
{
  static const char *const names[] = {"same", "different", "unknown", "only_a", "only_b"};
  assert((size_t)contrast < sizeof names / sizeof names[0]);
  return names[contrast];
}

/* ---- which reading is held against which ------------------------------------------------------------ */

static bool is_same_tone(double a, double b)
{
  return a == b || fabs(a - b) <= SAME_TONE * fmax(a, b);
}

static bool is_number(const mt_reading *r)
{
  return r->validity == MT_VALID;
}

/* Left and right alone change places when channels are compared. */
static const char *mirror(const char *segment)
{
  if (strcmp(segment, "left") == 0)
    return "right";
  return strcmp(segment, "right") == 0 ? "left" : segment;
}

static bool is_counterpart(const mt_reading *a, const mt_reading *b, bool of_channels)
{
  const char *segment = of_channels ? mirror(a->segment) : a->segment;

  return a->quantity == b->quantity && strcmp(segment, b->segment) == 0 && strcmp(a->state, b->state) == 0 &&
         a->order == b->order && a->mains_hz == b->mains_hz &&
         (of_channels ? a->channel == MT_LEFT && b->channel == MT_RIGHT : a->channel == b->channel);
}

/* An unwanted line is held against the nearest of the other take, or the bound below which there is none. */
static bool is_line_bound(const mt_reading *r)
{
  return r->quantity == MT_Q_SPURIOUS && r->validity == MT_RIG_LIMITED && r->freq_hz == 0.0;
}

static size_t find_counterpart(const mt_results *results, const mt_reading *a, bool of_channels,
                               const bool *used)
{
  size_t best = results->nreadings;

  for (size_t i = 0; i < results->nreadings; i++) {
    const mt_reading *b = &results->readings[i];
    if ((used != NULL && used[i] && !is_line_bound(b)) || !is_counterpart(a, b, of_channels))
      continue;
    if (is_same_tone(a->freq_hz, b->freq_hz) &&
        (best == results->nreadings || is_line_bound(&results->readings[best]) ||
         fabs(b->freq_hz - a->freq_hz) < fabs(results->readings[best].freq_hz - a->freq_hz)))
      best = i;
    else if (best == results->nreadings && is_line_bound(b))
      best = i;
  }
  return best;
}

const mt_reading *mt_compare_find(const mt_results *results, const mt_reading *reading)
{
  size_t i = find_counterpart(results, reading, false, NULL);
  return i < results->nreadings ? &results->readings[i] : NULL;
}

/* ---- two readings ----------------------------------------------------------------------------------- */

static double mirrored_route(double route)
{
  if (route == MT_ROUTE_LEFT)
    return MT_ROUTE_RIGHT;
  return route == MT_ROUTE_RIGHT ? MT_ROUTE_LEFT : route;
}

static void compare_words(mt_compared *c, bool of_channels)
{
  double a = c->quantity == MT_Q_ROUTE && of_channels ? mirrored_route(c->a.value) : c->a.value;

  c->contrast = a == c->b.value ? MT_CONTRAST_SAME : MT_CONTRAST_DIFFERENT;
}

MT_PRINTF(2, 3)
static void explain(mt_compared *c, const char *fmt, ...)
{
  char text[256];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(c->why, sizeof c->why, text);
}

/* The shorter way round a circle. */
static double turn(double degrees)
{
  return degrees - 360.0 * round(degrees / 360.0);
}

static double subtract(mt_quantity quantity, double a, double b)
{
  bool is_angle = mt_quantity_describe(quantity)->unit == MT_UNIT_DEGREE;
  return is_angle ? turn(b - a) : b - a;
}

/*
 * One of the two is only a bound: the truth lies beyond it. If the other lies on this side of it by more than
 * its own uncertainty they differ, by at least what is said; else nothing is known.
 */
static void compare_bound(mt_compared *c)
{
  bool a_is_bound = c->a.validity == MT_RIG_LIMITED;
  const mt_reading *bound = a_is_bound ? &c->a : &c->b, *number = a_is_bound ? &c->b : &c->a;
  bool least = mt_quantity_bound_is_least(c->quantity);
  double beyond = least ? bound->value - number->value : number->value - bound->value;

  c->uncertainty = hypot(c->a.uncertainty, c->b.uncertainty);
  if (beyond > c->uncertainty) {
    c->has_difference = true;
    c->difference = c->b.value - c->a.value;
    c->contrast = MT_CONTRAST_DIFFERENT;
    explain(c, "by this or more: of %s only a bound is known", a_is_bound ? "A" : "B");
  } else
    explain(c, "of %s only a bound is known", a_is_bound ? "A" : "B");
}

static bool is_known(const mt_reading *r)
{
  return r->validity == MT_VALID || r->validity == MT_RIG_LIMITED;
}

/*
 * The largest sample of a take, or the strongest bin among many, is known exactly, and yet another one the
 * next time: its uncertainty is that of the take, not of the unit.
 */
static bool is_of_chance(mt_quantity quantity)
{
  return quantity == MT_Q_PEAK || quantity == MT_Q_SPECTRUM;
}

static void compare_pair(mt_compared *c, bool of_channels)
{
  const mt_reading *a = &c->a, *b = &c->b;

  c->contrast = MT_CONTRAST_UNKNOWN;
  if (!is_known(a) || !is_known(b)) {
    const mt_reading *r = is_known(a) ? b : a;
    explain(c, "%s: %s", is_known(a) ? "B" : "A", mt_wording_reason(r->validity, r->why));
  } else if (c->quantity == MT_Q_ROUTE || c->quantity == MT_Q_POLARITY) {
    compare_words(c, of_channels);
  } else if (!is_number(a) && !is_number(b)) {
    explain(c, "both are beyond what can be read");
  } else if (strcmp(a->definition, b->definition) != 0) {
    explain(c, "defined otherwise: %.50s; %.50s", a->definition, b->definition);
  } else if (!is_number(a) || !is_number(b)) {
    compare_bound(c);
  } else {
    c->has_difference = true;
    c->difference = subtract(c->quantity, a->value, b->value);
    c->uncertainty = hypot(a->uncertainty, b->uncertainty);
    if (is_of_chance(c->quantity))
      explain(c, "an extreme of the samples: it differs from take to take by chance");
    else
      c->contrast = fabs(c->difference) > c->uncertainty ? MT_CONTRAST_DIFFERENT : MT_CONTRAST_SAME;
  }
}

/* ---- growing ---------------------------------------------------------------------------------------- */

static mt_code grow(void *array, size_t *n, size_t size, mt_error *err)
{
  void **slot = array;
  char *grown = realloc(*slot, (*n + 1) * size);

  if (grown == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for a comparison");
  memset(grown + *n * size, 0, size);
  *slot = grown;
  (*n)++;
  return MT_OK;
}

static mt_code add_pair(mt_comparison *out, const mt_reading *a, const mt_reading *b, mt_error *err)
{
  const mt_reading *any = a != NULL ? a : b;
  mt_code code = grow(&out->readings, &out->nreadings, sizeof *out->readings, err);
  mt_compared *c;

  if (code != MT_OK)
    return code;
  c = &out->readings[out->nreadings - 1];
  c->quantity = any->quantity;
  c->channel = out->of_channels ? MT_CHANNEL_BOTH : any->channel;
  c->difference_unit = mt_compare_unit(any->quantity);
  c->has_a = a != NULL;
  c->has_b = b != NULL;
  if (a != NULL)
    c->a = *a;
  if (b != NULL)
    c->b = *b;
  if (a != NULL && b != NULL) {
    compare_pair(c, out->of_channels);
    if (c->has_difference && is_number(a) && is_number(b) && !is_of_chance(c->quantity)) {
      out->nnumbers++;
      out->ndifferent += c->contrast == MT_CONTRAST_DIFFERENT;
    }
  } else
    c->contrast = a != NULL ? MT_CONTRAST_ONLY_A : MT_CONTRAST_ONLY_B;
  return MT_OK;
}

static mt_code compare_readings(mt_comparison *out, const mt_results *a, const mt_results *b, mt_error *err)
{
  bool *used = calloc(b->nreadings + 1, sizeof *used);
  mt_code code = used != NULL ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for a comparison");

  for (size_t i = 0; i < a->nreadings && code == MT_OK; i++) {
    size_t k = b->nreadings;
    if (out->of_channels && a->readings[i].channel != MT_LEFT)
      continue;
    k = find_counterpart(b, &a->readings[i], out->of_channels, used);
    /* of lines that are in both, two bounds would say nothing */
    code = add_pair(out, &a->readings[i], k < b->nreadings ? &b->readings[k] : NULL, err);
    used[k < b->nreadings ? k : b->nreadings] = true;
  }
  for (size_t k = 0; k < b->nreadings && code == MT_OK; k++) {
    const mt_reading *mine = &b->readings[k], *bound = NULL;
    if (used[k] || (out->of_channels && mine->channel != MT_RIGHT))
      continue;
    for (size_t i = 0; i < a->nreadings && mine->quantity == MT_Q_SPURIOUS && bound == NULL; i++)
      if (is_line_bound(&a->readings[i]) && is_counterpart(&a->readings[i], mine, out->of_channels))
        bound = &a->readings[i];
    code = add_pair(out, bound, mine, err);
  }
  free(used);
  return code;
}

/* ---- two curves ------------------------------------------------------------------------------------- */

static bool is_usable(const mt_curve *c)
{
  bool ascending = c->npoints > 0;

  for (size_t i = 0; i < c->npoints && ascending; i++)
    ascending = (i == 0 || c->x[i] > c->x[i - 1]) && (mt_curve_x_unit(c) != MT_UNIT_HZ || c->x[i] > 0.0);
  return ascending && (c->validity == MT_VALID || c->validity == MT_RIG_LIMITED);
}

/* Where `x` lies among the points: index of the one before it and the part of the way. @return false outside. */
static bool place(const mt_curve *c, double x, size_t *index, double *part)
{
  size_t low = 0, high = c->npoints - 1;

  if (x < c->x[0] || x > c->x[high])
    return false;
  while (high > low + 1) {
    size_t middle = low + (high - low) / 2;
    if (c->x[middle] <= x)
      low = middle;
    else
      high = middle;
  }
  if (c->x[high] <= x)
    low = high;
  *index = low;
  if (x == c->x[low])
    *part = 0.0;
  else if (mt_curve_x_unit(c) == MT_UNIT_HZ)
    *part = log(x / c->x[low]) / log(c->x[high] / c->x[low]);
  else
    *part = (x - c->x[low]) / (c->x[high] - c->x[low]);
  return true;
}

/* Beside a floor a point that cannot be told from it is only a bound. */
static double uncertainty_at(const mt_curve *c, size_t i)
{
  return c->floor != NULL && c->uncertainty[i] >= MT_CURVE_BOUND_DB ? (double)INFINITY : c->uncertainty[i];
}

static bool read_at(const mt_curve *c, double x, double *y, double *uncertainty)
{
  size_t i;
  double part;

  if (!place(c, x, &i, &part))
    return false;
  *y = c->y[i];
  *uncertainty = uncertainty_at(c, i);
  if (part > 0.0) {
    *y += part * subtract(c->quantity, c->y[i], c->y[i + 1]);
    *uncertainty = fmax(*uncertainty, uncertainty_at(c, i + 1));
  }
  return true;
}

static void free_curve(mt_compared_curve *c)
{
  free(c->x);
  free(c->a);
  free(c->b);
  free(c->difference);
  free(c->uncertainty);
}

static mt_code make_room(mt_compared_curve *c, size_t n, mt_error *err)
{
  double **const arrays[] = {&c->x, &c->a, &c->b, &c->difference, &c->uncertainty};

  for (size_t i = 0; i < sizeof arrays / sizeof arrays[0]; i++)
    if ((*arrays[i] = calloc(n + 1, sizeof **arrays[i])) == NULL)
      return mt_fail(err, MT_E_MEMORY, "out of memory for a difference curve of %zu points", n);
  return MT_OK;
}

/*
 * The factor by which `n` independent normal looks must be widened so that all of them together exceed it as
 * often as one look exceeds its expanded uncertainty (Sidak 1967). Bisection on the complementary error function.
 */
static double widen(size_t n)
{
  double each = -expm1(log1p(-BEYOND_TWO) / (double)(n > 0 ? n : 1));
  double low = 0.0, high = 20.0;

  for (int i = 0; i < 80; i++) {
    double middle = 0.5 * (low + high);
    if (erfc(middle / sqrt(2.0)) > each)
      low = middle;
    else
      high = middle;
  }
  return 0.5 * low; /* in units of k = 2 */
}

/*
 * The difference of two noise powers in dB has longer tails than a normal distribution of its width: by the F
 * test, 1.06 to 1.2 times as far where these curves are looked at, for 18 to 8 degrees of freedom.
 */
static double widen_tails(mt_quantity quantity)
{
  return quantity == MT_Q_NOISE_DENSITY || quantity == MT_Q_BAND_LEVEL ? 1.2 : 1.0;
}

static void judge_difference(mt_compared_curve *c)
{
  double most = -1.0;

  for (size_t i = 0; i < c->npoints; i++) {
    double size = fabs(c->difference[i]);
    double ratio = c->uncertainty[i] > 0.0 ? size / c->uncertainty[i] : size > 0.0 ? 1e9 : 0.0;
    if (c->uncertainty[i] >= MT_COMPARE_BOUND)
      continue;
    c->nusable++;
    c->nbeyond += ratio > 1.0;
    if (ratio > most) {
      most = ratio;
      c->worst = i;
    }
  }
  if (c->nusable == 0)
    mt_text_copy(c->why, sizeof c->why, "only bounds are known");
  else if (is_of_chance(c->quantity))
    mt_text_copy(c->why, sizeof c->why, "the strongest bin of many differs from take to take by chance");
  else
    c->contrast =
        most > widen(c->nusable) * widen_tails(c->quantity) ? MT_CONTRAST_DIFFERENT : MT_CONTRAST_SAME;
}

static void subtract_curves(mt_compared_curve *c, const mt_curve *a, const mt_curve *b)
{
  for (size_t i = 0; i < a->npoints; i++) {
    size_t n = c->npoints;
    double mine = uncertainty_at(a, i), other;
    if (!read_at(b, a->x[i], &c->b[n], &other))
      continue;
    c->x[n] = a->x[i];
    c->a[n] = a->y[i];
    c->difference[n] = subtract(a->quantity, c->a[n], c->b[n]);
    c->uncertainty[n] = isinf(mine) || isinf(other) ? MT_COMPARE_BOUND : hypot(mine, other);
    c->npoints++;
  }
  if (c->npoints > 0)
    judge_difference(c);
  else
    mt_text_copy(c->why, sizeof c->why, "they have no range in common");
}

static mt_code add_curve(mt_comparison *out, const mt_curve *a, const mt_curve *b, mt_error *err)
{
  const mt_curve *any = a != NULL ? a : b;
  mt_code code = grow(&out->curves, &out->ncurves, sizeof *out->curves, err);
  mt_compared_curve *c;

  if (code != MT_OK)
    return code;
  c = &out->curves[out->ncurves - 1];
  c->quantity = any->quantity;
  c->channel = out->of_channels ? MT_CHANNEL_BOTH : any->channel;
  mt_text_copy(c->segment, sizeof c->segment, any->segment);
  mt_text_copy(c->state, sizeof c->state, any->state);
  c->x_unit = mt_curve_x_unit(any);
  c->contrast = a == NULL ? MT_CONTRAST_ONLY_B : b == NULL ? MT_CONTRAST_ONLY_A : MT_CONTRAST_UNKNOWN;
  if (a == NULL || b == NULL)
    return make_room(c, 0, err);
  code = make_room(c, a->npoints, err);
  if (code != MT_OK)
    return code;
  if (!is_usable(a) || !is_usable(b)) {
    const mt_curve *bad = is_usable(a) ? b : a;
    snprintf(c->why, sizeof c->why, "%s: %.100s", is_usable(a) ? "B" : "A",
             mt_wording_reason(bad->validity, bad->why));
  } else if (fabs(a->bandwidth_hz - b->bandwidth_hz) > SAME_TONE * a->bandwidth_hz) {
    snprintf(c->why, sizeof c->why, "the noise bandwidths differ: %.3g Hz, %.3g Hz", a->bandwidth_hz,
             b->bandwidth_hz);
  } else
    subtract_curves(c, a, b);
  return MT_OK;
}

static bool is_same_curve(const mt_curve *a, const mt_curve *b, bool of_channels)
{
  return a->quantity == b->quantity &&
         strcmp(of_channels ? mirror(a->segment) : a->segment, b->segment) == 0 &&
         strcmp(a->state, b->state) == 0 && mt_curve_x_unit(a) == mt_curve_x_unit(b) &&
         (of_channels ? a->channel == MT_LEFT && b->channel == MT_RIGHT : a->channel == b->channel);
}

static const mt_curve *find_curve(const mt_results *results, const mt_curve *a, bool of_channels,
                                  bool a_is_first)
{
  for (size_t i = 0; i < results->ncurves; i++) {
    const mt_curve *b = &results->curves[i];
    if (a_is_first ? is_same_curve(a, b, of_channels) : is_same_curve(b, a, of_channels))
      return b;
  }
  return NULL;
}

/* When a hand turned how far is not the same twice, and says nothing of the unit. */
static bool is_of_the_hand(const mt_curve *c)
{
  return strcmp(c->segment, "turn") == 0 && mt_curve_x_unit(c) == MT_UNIT_SECOND;
}

static mt_code compare_curves(mt_comparison *out, const mt_results *a, const mt_results *b, mt_error *err)
{
  mt_code code = MT_OK;

  for (size_t i = 0; i < a->ncurves && code == MT_OK; i++)
    if (!is_of_the_hand(&a->curves[i]) && (!out->of_channels || a->curves[i].channel == MT_LEFT))
      code = add_curve(out, &a->curves[i], find_curve(b, &a->curves[i], out->of_channels, true), err);
  for (size_t i = 0; i < b->ncurves && code == MT_OK; i++)
    if (!is_of_the_hand(&b->curves[i]) && (!out->of_channels || b->curves[i].channel == MT_RIGHT) &&
        find_curve(a, &b->curves[i], out->of_channels, false) == NULL)
      code = add_curve(out, NULL, &b->curves[i], err);
  return code;
}

mt_code mt_compare_curve(const mt_results *reference, const mt_curve *curve, mt_results **out, mt_error *err)
{
  const mt_curve *good = find_curve(reference, curve, false, true);
  mt_comparison part = {.readings = NULL};
  mt_results *results = NULL;
  mt_curve difference = *curve;
  mt_code code = good != NULL ? add_curve(&part, good, curve, err) : MT_OK;

  difference.npoints = 0;
  difference.floor = NULL;
  difference.validity = MT_NOT_MEASURED;
  mt_text_copy(difference.why, sizeof difference.why, "the reference has no such curve");
  if (code == MT_OK && good != NULL && part.curves[0].npoints > 0) {
    difference.npoints = part.curves[0].npoints;
    difference.x = part.curves[0].x;
    difference.y = part.curves[0].difference;
    difference.uncertainty = part.curves[0].uncertainty;
    difference.validity = MT_VALID;
    difference.why[0] = '\0';
  } else if (code == MT_OK && good != NULL)
    mt_text_copy(difference.why, sizeof difference.why, part.curves[0].why);
  if (code == MT_OK)
    code = mt_results_create(&results, err);
  if (code == MT_OK)
    code = mt_results_add_curve(results, &difference, err);
  for (size_t i = 0; i < part.ncurves; i++)
    free_curve(&part.curves[i]);
  free(part.curves);
  if (code == MT_OK)
    *out = results;
  else
    mt_results_destroy(&results);
  return code;
}

/* ---- conditions ------------------------------------------------------------------------------------- */

MT_PRINTF(4, 5)
static mt_code warn(mt_comparison *out, const char *name, mt_error *err, const char *fmt, ...)
{
  mt_code code = grow(&out->conditions, &out->nconditions, sizeof *out->conditions, err);
  char text[512];
  va_list args;

  if (code != MT_OK)
    return code;
  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_text_copy(out->conditions[out->nconditions - 1].name, sizeof out->conditions[0].name, name);
  mt_text_copy(out->conditions[out->nconditions - 1].text, sizeof out->conditions[0].text, text);
  return MT_OK;
}

/* A spoilt take says nothing, not even that it differs. */
static mt_code note_spoilt(mt_comparison *out, const mt_results *r, const char *name, mt_error *err)
{
  if (r->valid)
    return MT_OK;
  for (size_t i = 0; i < out->nreadings; i++)
    if (out->readings[i].contrast <= MT_CONTRAST_UNKNOWN) {
      out->readings[i].contrast = MT_CONTRAST_UNKNOWN;
      explain(&out->readings[i], "the take of %s is spoilt", name);
    }
  for (size_t i = 0; i < out->ncurves; i++)
    if (out->curves[i].contrast <= MT_CONTRAST_UNKNOWN) {
      out->curves[i].contrast = MT_CONTRAST_UNKNOWN;
      snprintf(out->curves[i].why, sizeof out->curves[i].why, "the take of %s is spoilt", name);
    }
  out->nnumbers = out->ndifferent = 0;
  return warn(out, "take", err, "The take of %s is spoilt: %s", name,
              r->nproblems > 0 ? r->problems[0].text : "nothing can be concluded from it");
}

static const char *version_of(const mt_results *r)
{
  return r->tool_version[0] != '\0' ? r->tool_version : MT_VERSION;
}

static const char *load_text(double ohm, char out[24])
{
  if (isinf(ohm))
    mt_text_copy(out, 24, "open");
  else if (ohm > 0.0)
    snprintf(out, 24, "%.4g ohm", ohm);
  else
    mt_text_copy(out, 24, "none said");
  return out;
}

/* Of several states each has its own. */
static mt_code note_loads(mt_comparison *out, const mt_results *a, const mt_results *b, mt_error *err)
{
  char load_a[24], load_b[24];

  if (a->load_ohm != b->load_ohm)
    return warn(out, "load", err, "Load: %s in A, %s in B; level and response change with it",
                load_text(a->load_ohm, load_a), load_text(b->load_ohm, load_b));
  for (size_t i = 0; i < a->ntakes; i++) {
    const mt_take_summary *mine = &a->takes[i], *theirs = mt_results_find_take(b, mine->state);
    if (theirs != NULL && !mine->skipped && !theirs->skipped && mine->load_ohm != theirs->load_ohm)
      return warn(out, "load", err, "Load in state %s: %s in A, %s in B; level and response change with it",
                  mine->state, load_text(mine->load_ohm, load_a), load_text(theirs->load_ohm, load_b));
  }
  return MT_OK;
}

static mt_code note_stimulus(mt_comparison *out, const mt_results *a, const mt_results *b, mt_error *err)
{
  char extras_a[48], extras_b[48];
  mt_code code = MT_OK;

  if (a->is_stimulus != b->is_stimulus)
    return warn(out, "take", err,
                "%s is a take of the stimulus, the other a plain recording: levels and "
                "distortion depend on what was played",
                a->is_stimulus ? "A" : "B");
  if (a->is_stimulus && fabs(a->stimulus_level_dbfs - b->stimulus_level_dbfs) > 1e-6)
    code = warn(out, "level", err,
                "Level played: %g dBFS in A, %g dBFS in B; levels, noise re the tone and "
                "distortion change with it",
                a->stimulus_level_dbfs, b->stimulus_level_dbfs);
  if (code == MT_OK && a->stimulus_extras != b->stimulus_extras)
    code = warn(out, "extras", err, "Extras: %s in A, %s in B", mt_extras_text(a->stimulus_extras, extras_a),
                mt_extras_text(b->stimulus_extras, extras_b));
  return code;
}

static const char *rig_text(const mt_rig_note *rig, char out[80])
{
  if (rig->name[0] == '\0')
    return "none";
  snprintf(out, 80, "%.40s of %.10s%s", rig->name, rig->made, rig->loop_applied ? "" : ", its loop left out");
  return out;
}

static mt_code note_rig(mt_comparison *out, const mt_rig_note *a, const mt_rig_note *b, mt_error *err)
{
  char rig_a[80], rig_b[80];

  if (strcmp(a->name, b->name) == 0 && strcmp(a->made, b->made) == 0 && a->loop_applied == b->loop_applied)
    return MT_OK;
  return warn(out, "rig", err, "Rig: %s in A, %s in B; gain, response and floors are referred differently",
              rig_text(a, rig_a), rig_text(b, rig_b));
}

static mt_code note_conditions(mt_comparison *out, const mt_results *a, const mt_results *b, mt_error *err)
{
  mt_code code = note_spoilt(out, a, "A", err);

  if (code == MT_OK && a != b)
    code = note_spoilt(out, b, "B", err);
  if (code == MT_OK)
    code = note_stimulus(out, a, b, err);
  if (code == MT_OK && a->rate_hz != b->rate_hz)
    code = warn(out, "rate", err,
                "Sample rate: %g Hz in A, %g Hz in B; what lies above 20 kHz differs, and what "
                "folds back",
                a->rate_hz, b->rate_hz);
  if (code == MT_OK)
    code = note_rig(out, &a->rig, &b->rig, err);
  if (code == MT_OK && a->nchannels != b->nchannels)
    code = warn(out, "channels", err, "Channels: %u in A, %u in B", a->nchannels, b->nchannels);
  if (code == MT_OK)
    code = note_loads(out, a, b, err);
  if (code == MT_OK && strcmp(a->plan_name, b->plan_name) != 0)
    code = warn(out, "plan", err, "Plan: %.60s in A, %.60s in B; the verdicts are by different limits",
                a->plan_name[0] != '\0' ? a->plan_name : "none",
                b->plan_name[0] != '\0' ? b->plan_name : "none");
  if (code == MT_OK && strcmp(version_of(a), version_of(b)) != 0)
    code = warn(out, "version", err,
                "Read by mendtone %s in A, by %s in B; read the takes again with one of them", version_of(a),
                version_of(b));
  return code;
}

/* ---- the whole -------------------------------------------------------------------------------------- */

static mt_code compare(const mt_results *a, const mt_results *b, bool of_channels, mt_comparison **out,
                       mt_error *err)
{
  mt_comparison *c = calloc(1, sizeof *c);
  mt_code code = c != NULL ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for a comparison");

  if (code == MT_OK) {
    c->of_channels = of_channels;
    c->verdict_a = a->verdict;
    c->verdict_b = b->verdict;
    code = compare_readings(c, a, b, err);
  }
  if (code == MT_OK)
    code = compare_curves(c, a, b, err);
  if (code == MT_OK)
    code = note_conditions(c, a, b, err);
  if (code == MT_OK)
    *out = c;
  else
    mt_comparison_destroy(&c);
  return code;
}

mt_code mt_compare_results(const mt_results *a, const mt_results *b, mt_comparison **out, mt_error *err)
{
  return compare(a, b, false, out, err);
}

mt_code mt_compare_channels(const mt_results *results, mt_comparison **out, mt_error *err)
{
  return compare(results, results, true, out, err);
}

void mt_comparison_destroy(mt_comparison **comparison)
{
  if (comparison == NULL || *comparison == NULL)
    return;
  for (size_t i = 0; i < (*comparison)->ncurves; i++)
    free_curve(&(*comparison)->curves[i]);
  free((*comparison)->readings);
  free((*comparison)->curves);
  free((*comparison)->conditions);
  free(*comparison);
  *comparison = NULL;
}
