/** @file quasi_peak.h  Quasi-peak level of audio-frequency noise after ITU-R BS.468-4: its network and its dynamics. */
#ifndef ANALYSIS_QUASI_PEAK_H
#define ANALYSIS_QUASI_PEAK_H

#include "analysis/samples.h"

#include <stdbool.h>
#include <stddef.h>

/*
 * The Recommendation prescribes no circuit, only what tone bursts must read, and suggests two peak rectifiers
 * with different time constants in tandem. These are ours: full-wave rectified samples charge the first through
 * MT_QP_ATTACK_1_S whenever they exceed it, else it discharges with MT_QP_RELEASE_1_S; its voltage charges the
 * second likewise. The four were fitted by least squares in dB, each reading weighted by its tolerance, to the eight
 * single bursts and three repetition rates of the Recommendation; the greatest deviation is 5 % of the reading (a
 * burst of 200 ms: 76 % for 80, 68 to 92 allowed), the least margin that of 10 bursts a second: 74.6 %, 72 to 82
 * allowed. The second release hardly matters to the fit (0.35 to 0.55 s are alike).
 */
#define MT_QP_ATTACK_1_S 1.558e-3
#define MT_QP_RELEASE_1_S 0.419
#define MT_QP_ATTACK_2_S 0.1776
#define MT_QP_RELEASE_2_S 0.375

/** Peak amplitudes of the steady 1 kHz sine with the same reading, of full scale: 1.0 is 0 dBFS. */
typedef struct mt_quasi_peak {
  double highest; /**< the furthest the pointer gets */
  double mean;    /**< of the pointer over the record */
  double spread;  /**< its standard deviation */
} mt_quasi_peak;

/**
 * Read the quasi-peak level of a record.
 *
 * The record is weighted by the network of BS.468-4, magnitude and phase, by a filter that is its response to an
 * impulse, and brought to at least 176.4 kHz by the same and one that doubles: so the rectifier sees the peaks between
 * the samples. The network is met within 0.0003 dB up to 10 kHz and 0.006 dB up to 20 kHz (at rates below 43.5 kHz up
 * to 0.46 of the rate). The detectors run on that, in double.
 *
 * @param x         [n], borrowed. Its mean is taken off.
 * @param settled   true: as if the record had gone on before, for steady noise (the detectors are charged by its
 *                  first two seconds, a shorter one repeated, and 5 ms at either end are left out); false: from
 *                  rest, for bursts.
 * @return MT_OK; MT_E_ARG: rate below 40 kHz (the network needs its 20 kHz) or too high; MT_E_DATA: shorter than
 *         0.2 s, or not finite; MT_E_MEMORY. `out` is unchanged on failure.
 *
 * Source: ITU-R BS.468-4, clauses 1 (network, table 1) and 2 (dynamics, tables 2 and 3; calibration 2.6).
 * Checked by tests/unit/test_quasi_peak.c at 44.1 to 192 kHz.   Thread: any.
 */
mt_code mt_quasi_peak_read(const double *x, size_t n, double rate_hz, bool settled, mt_quasi_peak *out,
                           mt_error *err);

/** What is made once for records alike in rate and length. Not to be shared between threads. */
typedef struct mt_quasi_peak_tools mt_quasi_peak_tools;

/** mt_quasi_peak_read(), to the bit, with tools: NULL at first, and made anew where they do not fit. */
mt_code mt_quasi_peak_read_with(mt_quasi_peak_tools **tools, const double *x, size_t n, double rate_hz,
                                bool settled, mt_quasi_peak *out, mt_error *err);
void mt_quasi_peak_tools_destroy(mt_quasi_peak_tools **tools);

/** A reading on its way through a record. */
typedef struct mt_quasi_peak_run mt_quasi_peak_run;

/**
 * mt_quasi_peak_read() in steps: the same to the bit.
 *
 * @param mean  of the record: taken off.
 */
mt_code mt_quasi_peak_begin(size_t n, double rate_hz, double mean, bool settled, mt_quasi_peak_run **out,
                            mt_error *err);
/** Run on as far as samples before `upto` tell. */
mt_code mt_quasi_peak_advance(mt_quasi_peak_run *run, mt_samples *samples, size_t upto, mt_error *err);
/** Once all n samples have been seen. */
void mt_quasi_peak_conclude(const mt_quasi_peak_run *run, mt_quasi_peak *out);
void mt_quasi_peak_destroy(mt_quasi_peak_run **run);

#endif
