/* Where a take goes in case of an accident. */
#include "cli/cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* All folders of a path that ends in a slash. Whether they could be made shows when the file is. */
static void make_folders(char *path)
{
  for (char *slash = strchr(path + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
    *slash = '\0';
    (void)mkdir(path, 0700);
    *slash = '/';
  }
}

const char *cli_rescue_path(void)
{
  static char path[4096];
  const char *state = getenv("XDG_STATE_HOME"), *home = getenv("HOME");
  int length = 0;

  if (state != NULL && state[0] == '/') /* the specification ignores relative ones */
    length = snprintf(path, sizeof path, "%s/mendtone/", state);
  else if (home != NULL && home[0] == '/')
    length = snprintf(path, sizeof path, "%s/.local/state/mendtone/", home);
  if (length <= 0 || (size_t)length + 32 > sizeof path)
    return NULL;
  make_folders(path);
  snprintf(path + length, sizeof path - (size_t)length, "last-take.wav");
  return path;
}
