/** @file scene.h  One state of the unit as the rules for likely causes see it, and how they look at it. */
#ifndef JUDGE_SCENE_H
#define JUDGE_SCENE_H

#include <mendtone/plan.h>

typedef struct mt_scene {
  const mt_plan *plan; /**< may be NULL */
  const mt_results *results;
  const char *state;
} mt_scene;

/** "left", "right" */
extern const char *const mt_side[];

/** What is on the outputs, ohm; 0: nothing, or not said. */
double mt_scene_load(const mt_scene *s);

/** Whether a reading is of this state, quantity, channel and order; order 0: any. */
bool mt_scene_has(const mt_scene *s, const mt_reading *r, mt_quantity quantity, mt_channel channel,
                  int order);

/** The reading, valid or not, of a segment; NULL if there is none. Order 0: any. */
const mt_reading *mt_scene_find_in(const mt_scene *s, mt_quantity quantity, mt_channel channel,
                                   const char *segment, int order);

/** Read with both tones at the reference level if it was, else wherever it was but at low level. Or NULL. */
const mt_reading *mt_scene_find(const mt_scene *s, mt_quantity quantity, mt_channel channel, int order);

/** The valid curve over frequency, of two points at least; or NULL. */
const mt_curve *mt_scene_curve(const mt_scene *s, mt_quantity quantity, mt_channel channel);

/** The mt_route a channel hears; -1: not known. */
int mt_scene_heard(const mt_scene *s, mt_channel channel);

/** NULL is not. */
bool mt_reading_is_known(const mt_reading *r);

/** What the plan says comes first; only what it left open is held against a threshold. NULL does not exceed. */
bool mt_reading_exceeds(const mt_reading *r, double threshold);

/** Two figures are all a guess deserves: 21.7 becomes 22. */
double mt_round_roughly(double x);

#endif
