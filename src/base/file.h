/** @file file.h  Files written whole or not at all. */
#ifndef BASE_FILE_H
#define BASE_FILE_H

#include <mendtone/error.h>

#include <stddef.h>

/**
 * Make the name of a temporary file beside `path`, so that a rename onto it is atomic.
 * @param out  at least strlen(path) + 16 bytes.
 */
void mt_file_temporary_name(const char *path, char *out, size_t size);

/** Write a file whole or not at all: temporary beside it, fsync, rename. MT_E_CREATE, MT_E_IO. */
mt_code mt_file_write(const char *path, const void *data, size_t size, mt_error *err);

/** fsync and rename a finished temporary file; on failure it is removed. */
mt_code mt_file_commit(const char *temporary, const char *path, mt_error *err);

#endif
