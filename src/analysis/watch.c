#include "analysis/watch.h"

#include "analysis/gap.h"

#include <math.h>

#define WINDOW_S 1.5
#define OVERLAP_S 0.01
/* The shortest standstill that is called a dropout. */
#define STILL_S 0.001
/* A click seen again where two windows overlap is the same one. */
#define SAME_S 0.005
#define CLICKS_STORED 8

void mt_watch_begin(mt_watch *watch, size_t n, double rate_hz)
{
  size_t window = (size_t)(WINDOW_S * rate_hz), hop = window - (size_t)(OVERLAP_S * rate_hz);

  *watch = (mt_watch){.n = n, .rate_hz = rate_hz, .window = window < n ? window : n, .hop = hop};
  watch->nwindows = 1 + (n - watch->window + hop - 1) / hop;
}

static void note(mt_watch *watch, mt_watch_event event)
{
  mt_watch_event *last = watch->nevents > 0 ? &watch->events[watch->nevents - 1] : NULL;

  if (last != NULL && watch->nunlisted == 0 && last->kind == event.kind && event.kind != MT_WATCH_CLICK &&
      event.begin <= last->end) { /* it goes on from one window into the next */
    last->end = event.end;
    last->size = fmax(last->size, event.size);
    last->count += event.count;
    return;
  }
  if (watch->nevents < MT_WATCH_EVENTS_MAX)
    watch->events[watch->nevents++] = event;
  else
    watch->nunlisted++;
  watch->last = event.end;
}

/* @param still, end  a standstill in the window, whose ends may click; end 0: none. */
static void look_for_clicks(mt_watch *watch, const double *x, size_t begin, size_t still, size_t end)
{
  mt_click clicks[CLICKS_STORED];
  size_t total = mt_click_find_all(x, watch->window, watch->rate_hz, clicks, CLICKS_STORED);
  size_t same = (size_t)(SAME_S * watch->rate_hz), stored = total < CLICKS_STORED ? total : CLICKS_STORED;
  double largest = 0.0;

  if (total > MT_CLICKS_MAX) {
    for (size_t i = 0; i < stored; i++)
      largest = fmax(largest, clicks[i].size);
    note(watch, (mt_watch_event){MT_WATCH_CRACKLE, begin, begin + watch->window, largest, total});
    watch->nbusy++;
    watch->nclicks += total;
    watch->clicked = begin + watch->window;
    return;
  }
  for (size_t i = 0; i < total; i++) {
    size_t at = begin + clicks[i].at;
    bool of_still = end > 0 && at + same >= still && at < end + same;
    if (at < watch->clicked || of_still)
      continue;
    note(watch, (mt_watch_event){MT_WATCH_CLICK, at, at + 1, clicks[i].size, 1});
    watch->clicked = at + same;
    watch->nclicks++;
  }
}

mt_code mt_watch_advance(mt_watch *watch, mt_samples *samples, size_t upto, mt_error *err)
{
  for (; watch->next < watch->nwindows; watch->next++) {
    size_t begin = watch->next * watch->hop, still = 0, count = 0;
    const double *x;
    mt_code code;
    begin = begin < watch->n - watch->window ? begin : watch->n - watch->window;
    if (begin + watch->window > upto)
      break;
    code = mt_samples_look(samples, begin, watch->window, &x, err);
    if (code != MT_OK)
      return code;
    if (mt_gap_find(x, watch->window, (size_t)(STILL_S * watch->rate_hz), &still, &count))
      note(watch, (mt_watch_event){MT_WATCH_STILL, begin + still, begin + still + count, 0.0, 0});
    look_for_clicks(watch, x, begin, begin + still, count > 0 ? begin + still + count : 0);
  }
  return MT_OK;
}

bool mt_watch_is_crackly(const mt_watch *watch)
{
  return 2 * watch->nbusy > watch->nwindows;
}

bool mt_watch_can_tell(const mt_watch *watch)
{
  return watch->window >= MT_CLICK_SAMPLES_MIN;
}
