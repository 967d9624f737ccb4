#include <mendtone/error.h>

#include <stdarg.h>
#include <stdio.h>

mt_code mt_fail(mt_error *err, mt_code code, const char *fmt, ...)
{
  if (err != NULL) {
    va_list args;
    err->code = code;
    va_start(args, fmt);
    vsnprintf(err->message, sizeof err->message, fmt, args);
    va_end(args);
    /* one line, whatever was put into it */
    for (char *p = err->message; *p != '\0'; p++)
      if ((unsigned char)*p < 0x20 || *p == 0x7f)
        *p = ' ';
  }
  return code;
}

const char *mt_code_name(mt_code code)
{
  switch (code) {
  case MT_OK: return "ok";
  case MT_E_ARG: return "bad argument";
  case MT_E_DATA: return "bad data";
  case MT_E_NO_INPUT: return "no input";
  case MT_E_DEVICE: return "device unavailable";
  case MT_E_INTERNAL: return "internal error";
  case MT_E_MEMORY: return "out of memory";
  case MT_E_CREATE: return "cannot create";
  case MT_E_IO: return "input/output error";
  case MT_E_PLAN: return "bad plan";
  }
  return "unknown error";
}
