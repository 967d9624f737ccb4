#include "session/loads.h"

#include <mendtone/load.h>

#include "base/text.h"

#include <math.h>
#include <stdlib.h>

static bool is_read_here(mt_quantity quantity)
{
  return quantity == MT_Q_OUTPUT_IMPEDANCE || quantity == MT_Q_OUTPUT_POWER || quantity == MT_Q_LOAD_CORNER ||
         quantity == MT_Q_OUTPUT_CAPACITANCE;
}

static void drop_earlier(mt_results *results)
{
  size_t n = 0;

  for (size_t i = 0; i < results->nreadings; i++)
    if (!is_read_here(results->readings[i].quantity))
      results->readings[n++] = results->readings[i];
  results->nreadings = n;
}

static mt_load_state load_of(const mt_plan *plan, const mt_plan_state *state)
{
  mt_load_state s = {.ohm = mt_plan_load(plan, state), .tolerance_percent = plan->load_tolerance_percent};

  if (state == NULL) {
    mt_text_copy(s.state, sizeof s.state, "default");
    return s;
  }
  mt_text_copy(s.state, sizeof s.state, state->name);
  mt_text_copy(s.compare_with, sizeof s.compare_with, state->compare_with);
  if (state->load_tolerance_percent > 0.0)
    s.tolerance_percent = state->load_tolerance_percent;
  return s;
}

mt_code mt_loads_read(const mt_plan *plan, const mt_plan_state *state, mt_results *results, mt_error *err)
{
  size_t n = results->ntakes > 0 ? plan->nstates : 1;
  mt_load_state *states;
  bool any = false;
  mt_code code = MT_OK;

  drop_earlier(results);
  states = calloc(n > 0 ? n : 1, sizeof *states);
  if (states == NULL)
    return mt_fail(err, MT_E_MEMORY, "out of memory for the loads of %zu states", n);
  for (size_t i = 0; i < n; i++) {
    states[i] = load_of(plan, results->ntakes > 0 ? &plan->states[i] : state);
    any = any || states[i].ohm > 0.0;
  }
  if (any)
    code = mt_load_measure(results, states, n, err);
  free(states);
  return code;
}
