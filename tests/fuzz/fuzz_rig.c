/* A rig's file, and itself again once it was read. */
#include "fuzz.h"

#include <mendtone/rig.h>

#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
  char *text = fuzz_text(data, size), *printed = NULL;
  mt_rig *rig = NULL, *again = NULL;
  mt_error err = {0};
  mt_code code;

  code = mt_rig_parse(text, "rig.cfg", &rig, &err);
  fuzz_check_outcome(code, &err, code == MT_OK ? rig : NULL);
  /* what was accepted can be written, and what was written is accepted */
  if (code == MT_OK && (mt_rig_print(rig, &printed, &err) != MT_OK ||
                        mt_rig_parse(printed, "again.cfg", &again, &err) != MT_OK))
    abort();
  free(printed);
  free(again);
  free(rig);
  free(text);
  return 0;
}
