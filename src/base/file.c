#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void mt_file_temporary_name(const char *path, char *out, size_t size)
{
  snprintf(out, size, "%s.%ld.part", path, (long)getpid());
}

/* A pipe or a device is written to, never replaced. */
static bool is_special(const char *path)
{
  struct stat info;
  return stat(path, &info) == 0 && !S_ISREG(info.st_mode);
}

mt_code mt_file_commit(const char *temporary, const char *path, mt_error *err)
{
  int fd, problem = 0;

  if (is_special(path)) {
    unlink(temporary);
    return mt_fail(err, MT_E_CREATE, "%.150s: is not a file; name one, or one that is not there yet", path);
  }
  fd = open(temporary, O_RDONLY);
  if (fd < 0 || fsync(fd) != 0)
    problem = errno;
  if (fd >= 0)
    close(fd);
  if (problem == 0 && rename(temporary, path) != 0)
    problem = errno;
  if (problem != 0) {
    unlink(temporary);
    return mt_fail(err, MT_E_IO, "%.150s: cannot be finished: %s", path, strerror(problem));
  }
  return MT_OK;
}

/* All of it, or errno. Written by the system call: there is no buffer that could fail unseen. */
static int write_all(int fd, const char *data, size_t size)
{
  while (size > 0) {
    ssize_t n = write(fd, data, size);
    if (n < 0 && errno == EINTR)
      continue;
    if (n <= 0)
      return n < 0 ? errno : EIO;
    data += n;
    size -= (size_t)n;
  }
  return 0;
}

mt_code mt_file_write(const char *path, const void *data, size_t size, mt_error *err)
{
  char temporary[4096];
  bool special = is_special(path);
  int fd, problem;

  if (strlen(path) + 32 > sizeof temporary)
    return mt_fail(err, MT_E_CREATE, "the file name is too long (%zu bytes)", strlen(path));
  if (special)
    snprintf(temporary, sizeof temporary, "%s", path);
  else
    mt_file_temporary_name(path, temporary, sizeof temporary);
  fd = open(temporary, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
  if (fd < 0)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
  problem = write_all(fd, data, size);
  if (close(fd) != 0 && problem == 0)
    problem = errno;
  if (problem != 0) {
    if (!special)
      unlink(temporary);
    return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", path, strerror(problem));
  }
  return special ? MT_OK : mt_file_commit(temporary, path, err);
}
