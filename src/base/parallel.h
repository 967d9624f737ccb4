/** @file parallel.h  Pieces of work that do not depend on each other, on both cores where there are two. */
#ifndef BASE_PARALLEL_H
#define BASE_PARALLEL_H

#include <mendtone/error.h>

#include <stddef.h>

/** The most that work at once, as there are two channels. */
#define MT_WORKERS 2u

/**
 * One piece of work.
 *
 * @param item    which piece, from 0.
 * @param worker  below MT_WORKERS; no two calls at once have the same, so what a piece needs for itself (scratch,
 *                transforms) is kept once for each. What a piece finds must not depend on it.
 */
typedef mt_code (*mt_piece)(void *context, size_t item, unsigned worker, mt_error *err);

/**
 * Do `count` pieces, begun in their order, and come back when all are done. Where one processor is to be used, or no
 * thread can be had, one after the other.
 *
 * @return as the first piece in their order that failed, whichever failed first; none is begun after a failure.
 */
mt_code mt_parallel(size_t count, mt_piece piece, void *context, mt_error *err);

#endif
