#include "analysis/burst.h"

#include "base/decibel.h"

#include <string.h>

/* Gaussian noise in 20 kHz varies by 0.14 dB (1 sigma) in 50 ms; noise dominated by hum or rumble varies more. */
#define BLOCK_S 0.05
#define BLOCKS_LEAST 8
#define CELLS_PER_DB 100.0
#define LOWEST_DB (-170.0)
/* a tenth of a 24-bit step squared: digital silence beside noise is a change, not a division by zero */
#define LEAST_POWER 1e-16
#define AWAY_DB 20

void mt_burst_begin(mt_burst *burst, size_t n, double rate_hz)
{
  memset(burst, 0, sizeof *burst);
  burst->rate_hz = rate_hz;
  burst->block = (size_t)(BLOCK_S * rate_hz);
  burst->count = burst->block > 0 ? n / burst->block : 0;
}

static void count_block(mt_burst *burst, double power)
{
  double cell = CELLS_PER_DB * (mt_db_of_power(power + LEAST_POWER) - LOWEST_DB);
  size_t at = (size_t)fmin(fmax(cell, 0.0), MT_BURST_CELLS - 1.0);
  mt_burst_place *place = &burst->places[at * MT_BURST_PLACES / MT_BURST_CELLS];

  burst->loudest = fmax(burst->loudest, power);
  burst->cells[at]++;
  if (place->count++ == 0)
    place->first = burst->next;
  place->last = burst->next;
}

mt_code mt_burst_advance(mt_burst *burst, mt_samples *samples, size_t upto, mt_error *err)
{
  double block = (double)burst->block;

  for (; burst->next < burst->count && (burst->next + 1) * burst->block <= upto; burst->next++) {
    double sum = 0.0, square = 0.0;
    const double *x;
    mt_code code = mt_samples_look(samples, burst->next * burst->block, burst->block, &x, err);
    if (code != MT_OK)
      return code;
    for (size_t i = 0; i < burst->block; i++) {
      sum += x[i];
      square += x[i] * x[i];
    }
    count_block(burst, fmax(0.0, square / block - sum / block * (sum / block)));
  }
  return MT_OK;
}

/* Power of the block with so many below it, dB, to a cell. */
static double ranked_db(const mt_burst *burst, uint64_t rank)
{
  uint64_t below = 0;
  size_t at = 0;

  while (at + 1 < MT_BURST_CELLS && below + burst->cells[at] <= rank)
    below += burst->cells[at++];
  return LOWEST_DB + ((double)at + 0.5) / CELLS_PER_DB;
}

double mt_burst_fall_db(const mt_burst *burst)
{
  if (burst->count < BLOCKS_LEAST)
    return 0.0;
  return ranked_db(burst, burst->count / 2) - ranked_db(burst, burst->count / 10);
}

double mt_burst_range_db(const mt_burst *burst)
{
  double rise_db;

  if (burst->count < BLOCKS_LEAST)
    return 0.0;
  rise_db = mt_db_of_power(burst->loudest + LEAST_POWER) - ranked_db(burst, burst->count / 2);
  return fmax(rise_db, mt_burst_fall_db(burst));
}

uint64_t mt_burst_count_louder(const mt_burst *burst, double db)
{
  double limit_db = ranked_db(burst, burst->count / 2) + db;
  uint64_t count = 0;

  for (size_t i = 0; i < MT_BURST_CELLS; i++)
    if (LOWEST_DB + (double)i / CELLS_PER_DB > limit_db)
      count += burst->cells[i];
  return count;
}

bool mt_burst_find_away(const mt_burst *burst, mt_burst_away *out)
{
  double limit_db = ranked_db(burst, burst->count / 2) - AWAY_DB - LOWEST_DB;
  double block_s = (double)burst->block / burst->rate_hz;
  uint64_t count = 0, first = UINT64_MAX, last = 0;

  for (size_t i = 0; burst->count >= BLOCKS_LEAST && (double)(i + 1) <= limit_db && i < MT_BURST_PLACES;
       i++) {
    const mt_burst_place *place = &burst->places[i];
    if (place->count == 0)
      continue;
    count += place->count;
    first = place->first < first ? place->first : first;
    last = place->last > last ? place->last : last;
  }
  if (count == 0)
    return false;
  *out = (mt_burst_away){(double)first * block_s, (double)(last + 1) * block_s, (double)count * block_s};
  return true;
}
