/**
 * @file cause.h  The rules for likely causes, rows of the table in findings.c.
 *
 * Each looks at one channel of a state (or, where the table says so, is asked once for the pair), and if it recognises
 * its pattern writes the finding's text and evidence and returns true. The physics is named beside each rule.
 */
#ifndef JUDGE_CAUSE_H
#define JUDGE_CAUSE_H

#include "judge/finding.h"
#include "judge/scene.h"

bool mt_cause_silent(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_swapped(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_summed(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_inverted(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_weak(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_level_differs(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_low_end(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_top_end(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_clipping(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_crossover(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_one_sided(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_common_return(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_hum_mains(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_hum_rectifier(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_noise(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_usb_frames(const mt_scene *s, mt_channel channel, mt_finding *f);
bool mt_cause_switching(const mt_scene *s, mt_channel channel, mt_finding *f);

#endif
