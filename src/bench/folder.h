/** @file folder.h  Folders that several processes may write at the same time, and never half. */
#ifndef BENCH_FOLDER_H
#define BENCH_FOLDER_H

#include <mendtone/job.h>

#include <stddef.h>

/** Join with a '/'. @param out MT_JOB_PATH_MAX bytes. @return MT_E_ARG if it is too long. */
mt_code mt_folder_join(const char *folder, const char *name, char *out, mt_error *err);

/** Read a file of at most `most` bytes, without zero bytes; *out is malloc'ed and terminated. */
mt_code mt_folder_read(const char *path, size_t most, char **out, mt_error *err);

/**
 * Lock a folder through its file .lock, which stays. Held until mt_folder_unlock() or the end of the process,
 * however that comes: a lock is never stale.
 *
 * @param wait_s  how long to wait for whoever holds it.
 * @param out     receives a file descriptor.
 * @return MT_E_IO when somebody else still holds it, with his process number.
 */
mt_code mt_folder_lock(const char *folder, double wait_s, int *out, mt_error *err);
void mt_folder_unlock(int *fd);

/** Make what was renamed in this folder last. A file system that cannot is no error. */
mt_code mt_folder_sync(const char *folder, mt_error *err);

/** fsync every regular file in it, then the folder. */
mt_code mt_folder_sync_files(const char *folder, mt_error *err);

/** Make a folder and those above it. */
mt_code mt_folder_make(const char *path, mt_error *err);

/** Rename, but never onto something. MT_E_CREATE if the name is taken. */
mt_code mt_folder_rename(const char *from, const char *to, mt_error *err);

/** Remove a folder and the plain files in it: no folders within, no links followed. */
void mt_folder_remove(const char *path);

/** Copy a file, whole or not at all. */
mt_code mt_folder_copy(const char *from, const char *to, mt_error *err);

/** The names in a folder, sorted, malloc'ed each and together; hidden ones too. A missing folder has none. */
mt_code mt_folder_names(const char *folder, char ***out, size_t *n, mt_error *err);
void mt_folder_free_names(char **names, size_t n);

#endif
