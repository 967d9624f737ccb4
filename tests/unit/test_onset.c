/* Where THD passes a limit: units of several kinds, their THD by a Fourier sum over one period. */
#include "support.h"

#include "analysis/onset.h"

#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/analysis.h>

enum { POINTS = 1024, STEPS = 24 };

typedef enum kind { HARD, ONE_SIDED, UNEVEN, ON_POLYNOMIAL, SOFT, SQUARE_LAW, CUBE_LAW, KINDS } kind;

typedef struct unit {
  kind kind;
  double clip, other_clip, bend, hardness;
} unit;

static double bent(const unit *u, double x)
{
  double r = x / u->clip;
  switch (u->kind) {
  case HARD: return fmin(fmax(x, -u->clip), u->clip);
  case ONE_SIDED: return fmin(x, u->clip);
  case UNEVEN: return fmin(fmax(x, -u->clip), u->other_clip);
  case ON_POLYNOMIAL:
    x += u->clip * u->bend * (r * r + 0.5 * r * r * r);
    return fmin(fmax(x, -u->clip), u->clip);
  case SOFT: return x / pow(1.0 + pow(fabs(r), u->hardness), 1.0 / u->hardness);
  case SQUARE_LAW: return x + 20.0 * u->bend * x * x;
  case CUBE_LAW: return x - 20.0 * u->bend * x * x * x;
  default: return x;
  }
}

/* THD re the total of orders 2 to 10, squared. */
static double distortion(const unit *u, double level_db)
{
  double y[POINTS], first = 0.0, sum = 0.0;

  for (int n = 0; n < POINTS; n++)
    y[n] = bent(u, mt_ratio_of_db(level_db) * sin(2.0 * MT_PI * n / POINTS));
  for (int k = 1; k <= MT_ORDERS_MAX; k++) {
    double c = 0.0, s = 0.0, power;
    for (int n = 0; n < POINTS; n++) {
      c += y[n] * cos(2.0 * MT_PI * (n * k % POINTS) / POINTS);
      s += y[n] * sin(2.0 * MT_PI * (n * k % POINTS) / POINTS);
    }
    power = c * c + s * s;
    first = k == 1 ? power : first;
    sum += k > 1 ? power : 0.0;
  }
  return sum / (first + sum);
}

static double truth_db(const unit *u, double limit)
{
  double low = -24.0, high = 0.0;

  for (int i = 0; i < 40; i++) {
    double middle = 0.5 * (low + high);
    if (distortion(u, middle) > limit)
      high = middle;
    else
      low = middle;
  }
  return low;
}

static unit draw(mt_random *random, kind of)
{
  unit u = {.kind = of, .clip = mt_ratio_of_db(-12.0 + 11.0 * mt_random_uniform(random))};
  u.other_clip = u.clip * mt_ratio_of_db(-2.0 * mt_random_uniform(random));
  u.bend = (mt_random_uniform(random) - 0.5) * 0.01;
  if (of == SQUARE_LAW || of == CUBE_LAW)
    u.bend = 0.0005 + 0.01 * mt_random_uniform(random);
  u.hardness = 3.0 + 9.0 * mt_random_uniform(random);
  return u;
}

/* What a step of THD `power` is read as when noise of `sigma` (re the tone) is in each order's bin: about that. */
static void fill(const unit *u, double sigma, mt_random *random, mt_onset_step *steps)
{
  for (int i = 0; i < STEPS; i++) {
    mt_onset_step *s = &steps[i];
    s->played_db = i - STEPS + 1.0;
    s->power = distortion(u, s->played_db);
    s->error = sqrt(2.0 * s->power * sigma * sigma + pow(sigma, 4.0));
    s->power += s->error * mt_random_normal(random);
  }
}

/*
 * The worst that a kind may be off, found with this test at many seeds and doubled: a hard clip is what the clip is
 * made of, a power law what the line is made of; the others lie in between.
 */
static void limits_are_passed_where_the_series_say(void **state)
{
  static const double most_db[KINDS] = {
      [HARD] = 0.002, [ONE_SIDED] = 0.1,   [UNEVEN] = 0.35,  [ON_POLYNOMIAL] = 0.1,
      [SOFT] = 0.45,  [SQUARE_LAW] = 0.01, [CUBE_LAW] = 0.02};
  size_t inside = 0, count = 0;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(31));
  for (int k = 0; k < (int)KINDS * 12; k++) {
    const double limit = 1e-4; /* 1 % */
    unit u = draw(&random, (kind)(k % (int)KINDS));
    mt_onset_step steps[STEPS];
    double truth = truth_db(&u, limit);
    size_t over = STEPS;
    mt_figure found;
    fill(&u, 0.0, &random, steps);
    while (over > 0 && steps[over - 1].power > limit)
      over--;
    if (over < 1 || over + 2 >= STEPS)
      continue;
    found = mt_onset_find(steps, STEPS, over, limit);
    assert_near(found.value, truth, most_db[u.kind], "dB");
    inside += fabs(found.value - truth) <= found.uncertainty + 1e-3;
    count++;
    assert_true(found.uncertainty < 0.5);
  }
  assert_true(count > 20);
  /* the doubt is of the method: it should hold as often as an interval is meant to, and half a dozen may miss */
  assert_true((double)inside >= 0.85 * (double)count);
}

/* Noise moves the steps, and the statement says by how much: a hard clip, whose method has no error. */
static void noise_widens_the_interval(void **state)
{
  const unit u = {.kind = HARD, .clip = 0.4};
  double truth = truth_db(&u, 1e-4);
  mt_onset_step steps[STEPS];
  size_t over = STEPS, inside = 0, count = 200;
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(32));
  for (size_t i = 0; i < count; i++) {
    mt_figure found;
    fill(&u, 1e-3, &random, steps);
    for (over = STEPS; over > 1 && steps[over - 1].power > 1e-4;)
      over--;
    found = mt_onset_find(steps, STEPS, over, 1e-4);
    inside += fabs(found.value - truth) <= found.uncertainty;
  }
  assert_true(inside >=
              180); /* of 200, 95.4 % expected and 3 sigma less is 183; the doubt of the method widens it */
}

/* With nothing above, all that is known is between which steps it lies. */
static void one_step_over_the_limit_is_all_there_is(void **state)
{
  const unit u = {.kind = HARD, .clip = 0.92};
  mt_onset_step steps[STEPS];
  mt_figure found;
  mt_random random;
  (void)state;
  mt_random_init(&random, 1);
  fill(&u, 0.0, &random, steps);
  assert_true(steps[STEPS - 1].power > 1e-4 && steps[STEPS - 2].power < 1e-4);
  found = mt_onset_find(steps, STEPS, STEPS - 1, 1e-4);
  assert_true(found.value - found.uncertainty <= -1.0 && found.value + found.uncertainty >= 0.0);
  assert_near(found.value, truth_db(&u, 1e-4), 1.0, "dB");
}

/* 1.924014 % of the fundamental at c = 0.95, 0.286177 % at 0.99, 8.978576 % at 0.8 (Fourier series, all orders); up to
   order 19 1.919753, 0.278230 and 8.974763 %. Up to order 10 less, by up to a quarter near the onset. */
static void the_clip_is_that_of_the_series(void **state)
{
  static const double published[][2] = {{0.99, 0.278230}, {0.95, 1.919753}, {0.80, 8.974763}};
  (void)state;
  for (size_t i = 0; i < 3; i++) {
    double thd_r = 100.0 * sqrt(mt_onset_clipped(-mt_db_of_ratio(published[i][0])));
    const unit u = {.kind = HARD, .clip = published[i][0]};
    assert_near(thd_r, 100.0 * sqrt(distortion(&u, 0.0)), 1e-4, "%"); /* the sum's kinks */
    assert_true(thd_r < published[i][1] && thd_r > 0.75 * published[i][1]);
  }
  assert_near(mt_onset_clipped(0.0), 0.0, 0.0, "");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_clip_is_that_of_the_series),
      cmocka_unit_test(limits_are_passed_where_the_series_say),
      cmocka_unit_test(noise_widens_the_interval),
      cmocka_unit_test(one_step_over_the_limit_is_all_there_is),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
