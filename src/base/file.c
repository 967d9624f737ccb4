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

mt_code mt_file_write(const char *path, const void *data, size_t size, mt_error *err)
{
  char temporary[4096];
  FILE *file;
  int problem = 0;

  if (strlen(path) + 32 > sizeof temporary)
    return mt_fail(err, MT_E_CREATE, "the file name is too long (%zu bytes)", strlen(path));
  if (is_special(path))
    snprintf(temporary, sizeof temporary, "%s", path);
  else
    mt_file_temporary_name(path, temporary, sizeof temporary);
  file = fopen(temporary, "wb");
  if (file == NULL)
    return mt_fail(err, MT_E_CREATE, "%.150s: cannot be created: %s", path, strerror(errno));
  if (fwrite(data, 1, size, file) != size)
    problem = errno != 0 ? errno : EIO;
  if (fclose(file) != 0 && problem == 0)
    problem = errno;
  if (problem != 0) {
    if (!is_special(temporary))
      unlink(temporary);
    return mt_fail(err, MT_E_IO, "%.150s: cannot be written: %s", path, strerror(problem));
  }
  return is_special(path) ? MT_OK : mt_file_commit(temporary, path, err);
}
