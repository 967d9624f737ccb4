/**
 * @file level.h  Which level to play next while the right one is looked for: decisions alone, no sound.
 *
 * From quiet up in small steps, until the sound card's input stands at its target, the unit begins to clip, or
 * the maximum is reached.
 */
#ifndef SESSION_LEVEL_H
#define SESSION_LEVEL_H

#include <mendtone/session.h>

#define MT_LEVEL_LOWEST_DBFS (-60.0) /* the first step; the stimulus goes no lower */
#define MT_LEVEL_TURNS_MAX 24        /* a search ends before that by itself */

/** What one step showed. */
typedef struct mt_level_sight {
  double peak_dbfs; /**< of the louder channel, as the input sees it */
  bool is_clipped;  /**< the input: samples stand at full scale */
  bool is_present;  /**< the tone stands clear of the noise on a channel */
  double thd_db;    /**< worst of the channels with a tone, re the fundamental, noise off; -300: none seen */
} mt_level_sight;

typedef enum mt_level_end {
  MT_LEVEL_GO_ON,
  MT_LEVEL_FOUND,
  MT_LEVEL_TOO_LOUD, /**< even the lowest level is too much */
  MT_LEVEL_NOTHING   /**< nothing came back at the maximum */
} mt_level_end;

typedef struct mt_level_search {
  double max_dbfs;
  double target_dbfs; /**< peak at the input */
  double played_dbfs; /**< to play next; once found: the level */
  mt_level_end end;
  mt_level_turn turn; /**< once ended */
  double peak_dbfs;   /**< of the sight the level rests on */
  bool has_clean;     /**< a level at which nothing clipped: */
  double clean_dbfs, clean_peak_dbfs;
  double least_thd_db; /**< seen so far */
} mt_level_search;

/** Begin; both levels are in their range. */
void mt_level_begin(mt_level_search *search, double max_dbfs, double target_dbfs);

/** Decide from what was seen at search->played_dbfs. */
void mt_level_see(mt_level_search *search, const mt_level_sight *sight);

#endif
