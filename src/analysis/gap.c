#include "analysis/gap.h"

#include <math.h>

#define CHANCE 1e-9

bool mt_gap_find(const double *x, size_t n, size_t least, size_t *begin, size_t *count)
{
  size_t longest = 0, at = 0, run = 1, equal = 0;
  double share;

  for (size_t i = 1; i <= n; i++) {
    if (i < n && x[i] == x[i - 1]) {
      run++;
      equal++;
      continue;
    }
    if (run > longest) {
      longest = run;
      at = i - run;
    }
    run = 1;
  }
  if (longest < least || longest >= n)
    return false;
  /* equal neighbours outside the run; one more than seen, so that none seen is not taken for never */
  share = ((double)(equal - (longest - 1)) + 1.0) / ((double)(n - longest) + 1.0);
  if ((double)n * pow(share, (double)(longest - 1)) > CHANCE)
    return false;
  *begin = at;
  *count = longest;
  return true;
}
