#include "analysis/workspace.h"
mt_code mt_read_orders(mt_workspace *ws, mt_error *err)
{
  (void)ws;
  (void)err;
  return MT_OK;
}
