/* A report into a file, whole or not at all. */
#include <mendtone/paper.h>

#include "base/file.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static mt_code write_out(const unsigned char *bytes, size_t nbytes, mt_error *err)
{
  errno = 0;
  if (fwrite(bytes, 1, nbytes, stdout) != nbytes || fflush(stdout) != 0)
    return mt_fail(err, MT_E_IO, "the report cannot be written: %s", strerror(errno != 0 ? errno : EIO));
  return MT_OK;
}

mt_code mt_paper_write(const mt_paper *paper, mt_paper_form form, const char *path, mt_error *err)
{
  unsigned char *bytes = NULL;
  size_t nbytes = 0;
  mt_code code = mt_paper_make(paper, form, &bytes, &nbytes, err);

  if (code == MT_OK)
    code = strcmp(path, "-") == 0 ? write_out(bytes, nbytes, err) : mt_file_write(path, bytes, nbytes, err);
  free(bytes);
  return code;
}
