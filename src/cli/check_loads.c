/* What check says of the load on the outputs before a state is taken. */
#include "cli/check.h"

#include "report/layout.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A resistor that gets a quarter of what it bears stays cool enough to keep its value; common practice, no source. */
#define RESERVE 4.0

/* The next one that is sold. */
static double rating_for(double watt)
{
  static const double sold[] = {0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 25.0, 50.0, 100.0};

  for (size_t i = 0; i < sizeof sold / sizeof sold[0]; i++)
    if (watt <= sold[i])
      return sold[i];
  return ceil(watt);
}

/* The louder channel at the loudest that this state plays, from any state whose level is known in volts; 0: none. */
static double expect_volts(const mt_plan *plan, const mt_walk *walk, size_t index)
{
  mt_stimulus stimulus = {0};
  double rise_db = 0.0, most = 0.0;

  if (mt_walk_stimulus(walk, index, &stimulus, NULL) == MT_OK)
    rise_db = fmax(0.0, stimulus.max_level_dbfs - stimulus.level_dbfs);
  for (size_t i = 0; i < plan->nstates; i++) {
    const mt_results *results = mt_walk_get_results(walk, i);
    for (mt_channel c = MT_LEFT; c <= MT_RIGHT && results != NULL; c++) {
      const mt_reading *level = mt_results_find(results, MT_Q_LEVEL, c, "both");
      if (level != NULL && level->validity == MT_VALID && level->has_dbv)
        most = fmax(most, pow(10.0, (level->dbv + rise_db) / 20.0));
    }
  }
  return most;
}

static void say_resistor(const mt_plan *plan, const mt_walk *walk, size_t index, double ohm)
{
  const mt_plan_state *state = &plan->states[index];
  double tolerance =
      state->load_tolerance_percent > 0.0 ? state->load_tolerance_percent : plan->load_tolerance_percent;
  double volts = expect_volts(plan, walk, index), watt = volts * volts / ohm;
  char text[400];
  int n =
      snprintf(text, sizeof text,
               "a resistor of %.4g ohm, within %.3g %%, on each output; never an ear, nothing on your head. ",
               ohm, tolerance);

  if (volts > 0.0)
    snprintf(text + n, sizeof text - (size_t)n,
             "By the loudest so far %.3g V or %.3g mW each, more where a state is louder: resistors of %.3g "
             "W or more.",
             volts, 1e3 * watt, rating_for(RESERVE * watt));
  else
    snprintf(text + n, sizeof text - (size_t)n,
             "Volts are not known (no rig): one of 0.25 W stays cool up to %.2g V, of 1 W up to %.2g V, of 5 "
             "W up to "
             "%.2g V.",
             sqrt(0.25 / RESERVE * ohm), sqrt(1.0 / RESERVE * ohm), sqrt(5.0 / RESERVE * ohm));
  mt_layout_wrap(stderr, "  Load: ", "        ", text);
}

void check_describe_load(const mt_plan *plan, const mt_walk *walk, size_t index)
{
  double ohm = mt_plan_load(plan, &plan->states[index]);

  if (isinf(ohm))
    mt_layout_wrap(stderr, "  Load: ", "        ",
                   "none: resistors and phones off, only the sound card's input on the outputs.");
  else if (ohm > 0.0)
    say_resistor(plan, walk, index, ohm);
}
