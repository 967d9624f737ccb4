/** @file watch.h  What steady noise does not do, looked for all through a long record: click, crackle, stand still. */
#ifndef ANALYSIS_WATCH_H
#define ANALYSIS_WATCH_H

#include "analysis/click.h"
#include "analysis/samples.h"

#define MT_WATCH_EVENTS_MAX 16

typedef enum mt_watch_kind {
  MT_WATCH_CLICK,
  MT_WATCH_CRACKLE, /**< more than MT_CLICKS_MAX clicks within 1.5 s */
  MT_WATCH_STILL    /**< every sample the same for a while */
} mt_watch_kind;

typedef struct mt_watch_event {
  mt_watch_kind kind;
  size_t begin; /**< samples */
  size_t end;
  double size;  /**< CLICK, CRACKLE: by how much the largest stands out, of full scale */
  size_t count; /**< CRACKLE: clicks */
} mt_watch_event;

/**
 * On its way through a record.
 *
 * Windows of 1.5 s that overlap by 10 ms are looked at one by one, by mt_click_find_all() and mt_gap_find(). Gaussian
 * noise makes one click in 10^10 windows and stands still in one of 10^9: in an hour of stereo, 4800 windows, once in
 * 2 x 10^5. A noise that rises and falls within the window does not click where it is loud: see mt_click_find_all().
 */
typedef struct mt_watch {
  size_t n;
  double rate_hz;
  size_t window;
  size_t hop;
  size_t next; /**< window */
  size_t nwindows;
  size_t nbusy;   /**< windows of more clicks than MT_CLICKS_MAX */
  size_t nclicks; /**< in all windows */
  size_t clicked; /**< no click before this sample is a new one */
  mt_watch_event events[MT_WATCH_EVENTS_MAX];
  size_t nevents;
  size_t nunlisted; /**< more of them that found no room */
  size_t last;      /**< end of the last of those */
} mt_watch;

void mt_watch_begin(mt_watch *watch, size_t n, double rate_hz);
mt_code mt_watch_advance(mt_watch *watch, mt_samples *samples, size_t upto, mt_error *err);

/** Most windows crackle: that is the noise's own way (buzz, a bad unit), no disturbance of it. */
bool mt_watch_is_crackly(const mt_watch *watch);

/** Whether it could be looked for at all: a record of fewer than 1024 samples is too short. */
bool mt_watch_can_tell(const mt_watch *watch);

#endif
