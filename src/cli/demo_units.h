/** @file demo_units.h  The simulated units of the demo, carried inside the tool so that it needs no file. */
#ifndef CLI_DEMO_UNITS_H
#define CLI_DEMO_UNITS_H

extern const char cli_faulty_unit[]; /**< fixtures/desk-amplifier-before.cfg */
extern const char cli_mended_unit[]; /**< fixtures/desk-amplifier-after.cfg */

#endif
