#include "bench/folder.h"

#include "base/file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define LOCK_NAME ".lock"

mt_code mt_folder_join(const char *folder, const char *name, char *out, mt_error *err)
{
  size_t length = strlen(folder), used = strlen(name);

  if (length + 1 + used + 1 > MT_JOB_PATH_MAX)
    return mt_fail(err, MT_E_ARG, "%.100s: the path would have %zu bytes; expected at most %d", folder,
                   length + 1 + used, MT_JOB_PATH_MAX - 1);
  memmove(out, folder, length);
  out[length] = '/';
  memcpy(out + length + 1, name, used + 1);
  return MT_OK;
}

static mt_code read_all(int fd, const char *path, size_t most, char **out, mt_error *err)
{
  size_t used = 0, capacity = 8192;
  char *text = malloc(capacity + 1);

  for (;;) {
    ssize_t n = text != NULL ? read(fd, text + used, capacity - used) : -1;
    if (n < 0 && text != NULL && errno == EINTR)
      continue;
    if (n < 0) {
      mt_code code = text == NULL
                         ? mt_fail(err, MT_E_MEMORY, "out of memory for %.150s", path)
                         : mt_fail(err, MT_E_IO, "%.150s: cannot be read: %s", path, strerror(errno));
      free(text);
      return code;
    }
    used += (size_t)n;
    if (n == 0)
      break;
    if (used > most || memchr(text + used - n, '\0', (size_t)n) != NULL) {
      free(text);
      return used > most ? mt_fail(err, MT_E_DATA, "%.150s: is larger than %zu bytes", path, most)
                         : mt_fail(err, MT_E_DATA, "%.150s: found a zero byte; expected text", path);
    }
    if (used == capacity) {
      char *grown = realloc(text, 4 * capacity + 1);
      if (grown == NULL) {
        free(text);
        return mt_fail(err, MT_E_MEMORY, "out of memory for %.150s", path);
      }
      text = grown;
      capacity *= 4;
    }
  }
  text[used] = '\0';
  *out = text;
  return MT_OK;
}

mt_code mt_folder_read(const char *path, size_t most, char **out, mt_error *err)
{
  /* a pipe of that name must not make us wait for ever */
  int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
  struct stat info;
  mt_code code;

  if (fd < 0)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", path, strerror(errno));
  if (fstat(fd, &info) == 0 && S_ISREG(info.st_mode))
    code = read_all(fd, path, most, out, err);
  else
    code = mt_fail(err, MT_E_DATA, "%.150s: is not a file", path);
  close(fd);
  return code;
}

/* ---- locks ------------------------------------------------------------------------------------------ */

static void say_holder(int fd, char out[32])
{
  char pid[16] = "";
  ssize_t n = pread(fd, pid, sizeof pid - 1, 0);

  pid[n > 0 ? n : 0] = '\0';
  pid[strspn(pid, "0123456789")] = '\0';
  snprintf(out, 32, "%s%s", pid[0] != '\0' ? ", process " : "", pid);
}

mt_code mt_folder_lock(const char *folder, double wait_s, int *out, mt_error *err)
{
  const struct timespec pause = {.tv_nsec = 20000000};
  char path[MT_JOB_PATH_MAX], holder[32];
  mt_code code = mt_folder_join(folder, LOCK_NAME, path, err);
  int fd;

  if (code != MT_OK)
    return code;
  fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666);
  if (fd < 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be locked: %s", folder, strerror(errno));
  for (double waited = 0.0; flock(fd, LOCK_EX | LOCK_NB) != 0; waited += 0.02) {
    int problem = errno;
    if (problem == EINTR)
      continue;
    if (problem == EWOULDBLOCK && waited < wait_s) {
      nanosleep(&pause, NULL);
      continue;
    }
    say_holder(fd, holder);
    close(fd);
    if (problem == EWOULDBLOCK)
      return mt_fail(err, MT_E_IO, "%.120s: another mendtone%s is writing to it; try again when it has ended",
                     folder, holder);
    return mt_fail(err, MT_E_IO, "%.150s: cannot be locked: %s", folder, strerror(problem));
  }
  /* only to name us to others: not worth a failure */
  if (ftruncate(fd, 0) == 0)
    (void)!dprintf(fd, "%ld\n", (long)getpid());
  *out = fd;
  return MT_OK;
}

void mt_folder_unlock(int *fd)
{
  if (*fd >= 0)
    close(*fd);
  *fd = -1;
}

/* ---- writing for good ------------------------------------------------------------------------------- */

mt_code mt_folder_sync(const char *folder, mt_error *err)
{
  int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  int problem = 0;

  if (fd < 0 || (fsync(fd) != 0 && errno != EINVAL && errno != ENOTSUP))
    problem = errno;
  if (fd >= 0)
    close(fd);
  return problem == 0 ? MT_OK
                      : mt_fail(err, MT_E_IO, "%.150s: cannot be finished: %s", folder, strerror(problem));
}

mt_code mt_folder_sync_files(const char *folder, mt_error *err)
{
  char **names = NULL;
  size_t n = 0;
  mt_code code = mt_folder_names(folder, &names, &n, err);

  for (size_t i = 0; i < n && code == MT_OK; i++) {
    char path[MT_JOB_PATH_MAX];
    int fd;
    code = mt_folder_join(folder, names[i], path, err);
    fd = code == MT_OK ? open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK) : -1;
    if (fd >= 0 && fsync(fd) != 0 && errno != EINVAL && errno != ENOTSUP)
      code = mt_fail(err, MT_E_IO, "%.150s: cannot be finished: %s", path, strerror(errno));
    if (fd >= 0)
      close(fd);
  }
  mt_folder_free_names(names, n);
  return code == MT_OK ? mt_folder_sync(folder, err) : code;
}

mt_code mt_folder_make(const char *path, mt_error *err)
{
  char part[MT_JOB_PATH_MAX];
  size_t length = strlen(path);

  if (length >= sizeof part)
    return mt_fail(err, MT_E_ARG, "%.100s: the path has %zu bytes; expected at most %zu", path, length,
                   sizeof part - 1);
  for (size_t i = 1; i <= length; i++) {
    if (path[i] != '/' && path[i] != '\0')
      continue;
    memcpy(part, path, i);
    part[i] = '\0';
    if (mkdir(part, 0777) != 0 && errno != EEXIST)
      return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", part, strerror(errno));
  }
  return MT_OK;
}

mt_code mt_folder_rename(const char *from, const char *to, mt_error *err)
{
  struct stat there;

  if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0)
    return MT_OK;
  /* a file system that does not know how: two of us are kept apart by the lock */
  if ((errno == EINVAL || errno == ENOSYS || errno == ENOTSUP) && lstat(to, &there) != 0 && errno == ENOENT &&
      rename(from, to) == 0)
    return MT_OK;
  return mt_fail(err, errno == EEXIST || errno == 0 ? MT_E_CREATE : MT_E_IO, "%.150s: cannot be created: %s",
                 to, strerror(errno));
}

void mt_folder_remove(const char *path)
{
  char **names = NULL, file[MT_JOB_PATH_MAX];
  size_t n = 0;

  if (mt_folder_names(path, &names, &n, NULL) != MT_OK)
    return;
  for (size_t i = 0; i < n; i++)
    if (mt_folder_join(path, names[i], file, NULL) == MT_OK)
      unlink(file);
  mt_folder_free_names(names, n);
  rmdir(path);
}

static mt_code copy_into(int in, int out, const char *from, const char *to, mt_error *err)
{
  static const size_t size = 65536;
  char *buffer = malloc(size);
  mt_code code =
      buffer != NULL ? MT_OK : mt_fail(err, MT_E_MEMORY, "out of memory for a copy of %.150s", from);

  while (code == MT_OK) {
    ssize_t n = read(in, buffer, size);
    if (n < 0 && errno == EINTR)
      continue;
    if (n < 0)
      code = mt_fail(err, MT_E_IO, "%.150s: cannot be read: %s", from, strerror(errno));
    if (n <= 0)
      break;
    for (ssize_t done = 0; done < n && code == MT_OK;) {
      ssize_t wrote = write(out, buffer + done, (size_t)(n - done));
      if (wrote <= 0 && !(wrote < 0 && errno == EINTR))
        code = mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", to, strerror(wrote < 0 ? errno : EIO));
      done += wrote > 0 ? wrote : 0;
    }
  }
  free(buffer);
  return code;
}

mt_code mt_folder_copy(const char *from, const char *to, mt_error *err)
{
  char temporary[MT_JOB_PATH_MAX + 32];
  int in = open(from, O_RDONLY | O_CLOEXEC), out = -1;
  mt_code code = MT_OK;

  if (in < 0)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be opened: %s", from, strerror(errno));
  if (strlen(to) >= MT_JOB_PATH_MAX)
    code = mt_fail(err, MT_E_ARG, "%.100s: the path has %zu bytes; expected at most %d", to, strlen(to),
                   MT_JOB_PATH_MAX - 1);
  if (code == MT_OK) {
    mt_file_temporary_name(to, temporary, sizeof temporary);
    out = open(temporary, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (out < 0)
      code = mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", to, strerror(errno));
  }
  if (code == MT_OK)
    code = copy_into(in, out, from, to, err);
  if (out >= 0 && close(out) != 0 && code == MT_OK)
    code = mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", to, strerror(errno));
  close(in);
  if (code != MT_OK && out >= 0)
    unlink(temporary);
  return code == MT_OK ? mt_file_commit(temporary, to, err) : code;
}

/* ---- what is in a folder ---------------------------------------------------------------------------- */

static int by_name(const void *a, const void *b)
{
  return strcmp(*(char *const *)a, *(char *const *)b);
}

mt_code mt_folder_names(const char *folder, char ***out, size_t *n, mt_error *err)
{
  DIR *dir = opendir(folder);
  size_t count = 0, capacity = 0;
  char **names = NULL;
  bool out_of_memory = false;
  struct dirent *entry;

  if (dir == NULL && errno != ENOENT)
    return mt_fail(err, MT_E_NO_INPUT, "%.150s: cannot be read: %s", folder, strerror(errno));
  while (dir != NULL && !out_of_memory && (entry = readdir(dir)) != NULL) {
    if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
      continue;
    if (count == capacity) {
      char **grown = realloc(names, (2 * capacity + 16) * sizeof *grown);
      out_of_memory = grown == NULL;
      names = grown != NULL ? grown : names;
      capacity = grown != NULL ? 2 * capacity + 16 : capacity;
    }
    if (!out_of_memory)
      out_of_memory = (names[count] = strdup(entry->d_name)) == NULL;
    count += out_of_memory ? 0 : 1;
  }
  if (dir != NULL)
    closedir(dir);
  if (out_of_memory) {
    mt_folder_free_names(names, count);
    return mt_fail(err, MT_E_MEMORY, "out of memory for the names in %.150s", folder);
  }
  if (count > 1)
    qsort(names, count, sizeof *names, by_name);
  *out = names;
  *n = count;
  return MT_OK;
}

void mt_folder_free_names(char **names, size_t n)
{
  for (size_t i = 0; i < n; i++)
    free(names[i]);
  free(names);
}
