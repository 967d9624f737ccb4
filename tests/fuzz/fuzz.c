#include "fuzz.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

/* libconfig 1.5 loses a string that stands where none may: config_read_string(&c, "a \"b\"") followed by
 * config_destroy() leaks 64 bytes of its scanner, with nothing of ours about. Only that is forgiven. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
  return "leak:strbuf_append\nleak:libconfig_yylex\n";
}

/* A harness that cannot do its own work ends the program: it must not look like an input survived. */
static void require(int ok, const char *what)
{
  if (!ok) {
    fprintf(stderr, "fuzz: %s\n", what);
    abort();
  }
}

const char *fuzz_file(const uint8_t *data, size_t size)
{
  static int fd = -1;
  static char path[64];
  if (fd < 0) {
    fd = memfd_create("fuzz", MFD_CLOEXEC);
    require(fd >= 0, "no file in memory");
    snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
  }
  require(ftruncate(fd, 0) == 0, "cannot empty the file");
  for (size_t done = 0; done < size;) {
    ssize_t n = pwrite(fd, data + done, size - done, (off_t)done);
    require(n > 0, "cannot fill the file");
    done += (size_t)n;
  }
  return path;
}

char *fuzz_text(const uint8_t *data, size_t size)
{
  char *text = malloc(size + 1);
  require(text != NULL, "out of memory");
  memcpy(text, data, size);
  text[size] = '\0';
  return text;
}

void fuzz_check_outcome(mt_code code, const mt_error *err, const void *made)
{
  if (code == MT_OK) {
    require(made != NULL, "success without a result");
    return;
  }
  require(made == NULL, "a refusal left a result");
  require(err->code == code, "the error's code is not the one returned");
  require(err->message[0] != '\0', "a refusal without a message");
  require(memchr(err->message, '\0', sizeof err->message) != NULL, "the message has no end");
  require(strchr(err->message, '\n') == NULL, "the message is more than one line");
}
