/**
 * @file workspace.h  Work shared by the readings: where each segment lies, and each tone fitted once.
 *
 * A reading is one file `read_<kind>.c` with one function that takes the workspace and appends to its
 * results, and one row in the table of measure.c.
 */
#ifndef ANALYSIS_WORKSPACE_H
#define ANALYSIS_WORKSPACE_H

#include "analysis/lines.h"
#include "analysis/quasi_peak.h"
#include "analysis/response.h"
#include "analysis/tone.h"

#include "base/parallel.h"

#include <mendtone/analysis.h>

#define MT_PAIR 2 /* channels a check is about */

/** Silence is known to be silence down to the rounding of 24 bits, not below (6.02 x 24 + 1.76 dB). */
#define MT_SILENCE_POWER 2.4e-15

/** A stretch of the take that holds one thing, the same frames on both channels. */
typedef struct mt_section {
  const mt_segment *segment; /**< NULL in a plain recording */
  char name[16];
  size_t begin; /**< first frame */
  size_t count;
  bool has_tone[MT_PAIR];  /**< a tone was fitted: tone[] is filled */
  mt_tone tone[MT_PAIR];   /**< by capture channel */
  bool has_noise[MT_PAIR]; /**< idle: noise[] is filled */
  mt_psd noise[MT_PAIR];
  mt_validity validity[MT_PAIR]; /**< MT_VALID, or why nothing read from here may pass */
  char why[MT_PAIR][128];
} mt_section;

/** What is read from samples: of a plain recording on the one way through them. */
typedef struct mt_overheard {
  double peak; /**< of full scale */
  double dc_whole;
  double dc_early; /**< of the first half */
  double dc_late;
  mt_code quasi_peak_code; /**< MT_OK: quasi_peak is filled, else quasi_peak_why */
  mt_error quasi_peak_why;
  mt_quasi_peak quasi_peak;
  mt_code hum_code;
  mt_error hum_why;
  mt_hum hum;
} mt_overheard;

#define MT_IDLE_LINES_MAX 32

typedef struct mt_workspace {
  const mt_take *take;
  const mt_stimulus *stimulus; /**< NULL: plain recording */
  const mt_location *location; /**< NULL: plain recording */
  const char *state;
  mt_results *results; /**< borrowed; readings and problems are appended to it */
  unsigned nchannels;  /**< 1 or 2 */
  size_t nsections;
  mt_section sections[MT_SEGMENTS_MAX];
  mt_route route[MT_PAIR]; /**< which stimulus channel each capture channel hears */
  bool route_known[MT_PAIR];
  bool has_hum[MT_PAIR]; /**< it was looked for in the idle noise: hum[] is filled */
  mt_hum hum[MT_PAIR];
  mt_psd_line idle_line[MT_PAIR][MT_IDLE_LINES_MAX]; /**< of a stimulus take: lines in the idle noise */
  size_t nidle_lines[MT_PAIR];
  double clock_offset_ppm;      /**< best estimate */
  double clock_uncertainty_ppm; /**< expanded, k = 2 */
  bool has_clock;
  double max_level_thd_percent;   /**< distortion at which the maximum level is read */
  mt_path path;                   /**< what the caller knows of it */
  bool codec_first;               /**< what the caller knows of one: see mt_plan */
  bool path_is_lossy;             /**< a codec was noticed or is known, see path.h */
  mt_psd_tools tools[MT_WORKERS]; /**< for what is left of tones, and for idle noise */
  mt_quasi_peak_tools *quasi_peak_tools[MT_WORKERS];
  mt_sweep_reference *sweep; /**< NULL until the first reading of the sweep, see mt_workspace_sweep() */
  mt_sweep_capture swept[MT_PAIR];
  mt_overheard overheard[MT_PAIR];        /**< of the channels of idle noise */
  const mt_curve *loop_response[MT_PAIR]; /**< the rig's own, or NULL */
} mt_workspace;

/** Cut a stimulus take into sections, fit every tone, estimate every idle density, find routes. */
mt_code mt_workspace_init_stimulus(mt_workspace *ws, mt_error *err);

/** One section over the whole of a plain recording, each channel a tone or idle noise. */
mt_code mt_workspace_init_recording(mt_workspace *ws, mt_error *err);

void mt_workspace_finish(mt_workspace *ws);

/** The section of that name, or NULL. */
const mt_section *mt_workspace_find(const mt_workspace *ws, const char *name);

/** Times of a section from the take's first frame. */
double mt_section_begin_s(const mt_workspace *ws, const mt_section *section);
double mt_section_end_s(const mt_workspace *ws, const mt_section *section);

/** Frames that hold a stretch of stimulus time on every channel that carries the marks, less a margin. */
void mt_workspace_place(const mt_workspace *ws, double from_s, double to_s, size_t *first, size_t *count);

/** Fit a tone near its expected frequency; one too weak to fit is read at that frequency. */
mt_code mt_workspace_fit(mt_psd_tools *tools, const double *x, size_t n, double rate_hz, double expect_hz,
                         mt_tone *out, mt_error *err);

/** Copy one channel of a section of a take in memory into x[section->count]. */
void mt_workspace_copy(const mt_workspace *ws, size_t begin, size_t count, mt_channel channel, double *x);

/**
 * Copy one channel of what surrounds the sweep, as far as its readers look, into its place in x[take->nframes]; the
 * rest of x is left as it is.
 */
void mt_workspace_copy_sweep(const mt_workspace *ws, const mt_section *section, mt_channel channel,
                             double *x);

/** Make ws->sweep, unless it is made. Before both channels are read at once. @return as mt_sweep_reference_create(). */
mt_code mt_workspace_render_sweep(mt_workspace *ws, const mt_section *section, mt_error *err);

/**
 * Transform what a channel caught of the sweep that is played on both, once for all readings.
 *
 * @param x  the channel, as mt_workspace_copy_sweep() leaves it.
 * @return as mt_sweep_reference_create() and mt_sweep_capture_init(). Both are filled if it is MT_OK.
 */
mt_code mt_workspace_sweep(mt_workspace *ws, const mt_section *section, mt_channel channel, const double *x,
                           mt_error *err);

/** When the sweep comes by a frequency, seconds of the stimulus. */
double mt_workspace_swept_at_s(const mt_segment *sweep, double freq_hz);

/** By how much the phase there is uncertain because the clock is, degrees, k = 2; both channels alike. */
double mt_workspace_clock_deg(const mt_workspace *ws, const mt_segment *sweep, double freq_hz);

/** A phase's uncertainty without that. */
double mt_workspace_without_clock(const mt_workspace *ws, const mt_segment *sweep, double freq_hz,
                                  double uncertainty_deg);

/** Record the problems the take came with, and spoil what they touch. */
mt_code mt_workspace_take_problems(mt_workspace *ws, mt_error *err);

/** Record a problem in the results and spoil what it touches. Times from the take's first frame. */
mt_code mt_workspace_add_problem(mt_workspace *ws, mt_problem_kind kind, mt_channel channel, double begin_s,
                                 double end_s, mt_error *err, const char *fmt, ...) MT_PRINTF(7, 8);

/** Record what was not steady in a section's tone as problems. */
mt_code mt_workspace_add_events(mt_workspace *ws, const mt_section *section, mt_channel channel,
                                mt_error *err);

/** A reading with quantity, channel, segment, state and the section's validity set. */
mt_reading mt_workspace_reading(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                                const mt_section *section);

/** The same for a tone: also frequency, and no_signal when the channel does not carry its tone. */
mt_reading mt_workspace_tone_reading(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                                     const mt_section *section);

/** Mark a reading as not valid, with the reason in words. */
void mt_reading_refuse(mt_reading *reading, mt_validity validity, const char *fmt, ...) MT_PRINTF(3, 4);

/** Set the value of a reading that is still valid; a refused one is left as it is. */
void mt_reading_set(mt_reading *reading, double value, double uncertainty);

/**
 * Set a reading from a power ratio known to a standard error, in dB. One that noise might have made, or that
 * is not twice its standard error, is given as an upper bound, rig_limited.
 *
 * @param null_error  what the standard error would be if there were nothing but noise. Four of them are passed
 *                    by a single line's noise with a probability of exp(-5); the other condition asks more of
 *                    a single line, 8.5 of them: exp(-9.5).
 */
void mt_reading_set_power(mt_reading *reading, double power, double standard_error, double null_error);

/**
 * The largest power that would still give one so small, two standard errors off: u = power + 2 se(u), with
 * se(u)^2 = null^2 + 2 null u, as noise of power `null` on a line of power u makes it.
 */
double mt_power_bound(double power, double null_error);

/** All but the tone re the total, 20 Hz to 20 kHz, and its expanded uncertainty, dB; the tone lies in that band. */
void mt_tone_thd_n(const mt_tone *tone, double rate_hz, double *value_db, double *uncertainty_db);

mt_code mt_workspace_add(mt_workspace *ws, const mt_reading *reading, mt_error *err);

/** A curve with quantity, channel, segment, state and the section's validity set; no points yet. */
mt_curve mt_workspace_curve(const mt_workspace *ws, mt_quantity quantity, mt_channel channel,
                            const mt_section *section);
mt_code mt_workspace_add_curve(mt_workspace *ws, const mt_curve *curve, mt_error *err);

/* ---- the kinds of reading, rows of the table in measure.c --------------------------------------- */
mt_code mt_read_level(mt_workspace *ws, mt_error *err);
mt_code mt_read_route(mt_workspace *ws, mt_error *err);
mt_code mt_read_pair(mt_workspace *ws, mt_error *err);
mt_code mt_read_crosstalk(mt_workspace *ws, mt_error *err);
mt_code mt_read_distortion(mt_workspace *ws, mt_error *err);
mt_code mt_read_noise(mt_workspace *ws, mt_error *err);
mt_code mt_read_range(mt_workspace *ws, mt_error *err);
mt_code mt_read_clock(mt_workspace *ws, mt_error *err);
mt_code mt_read_response(mt_workspace *ws, mt_error *err);
mt_code mt_read_band_end(mt_workspace *ws,
                         mt_error *err); /* between them: what is cut off is not read further */
mt_code mt_read_corners(mt_workspace *ws, mt_error *err); /* after mt_read_response() */
mt_code mt_read_spectrum(mt_workspace *ws, mt_error *err);
mt_code mt_read_intermodulation(mt_workspace *ws, mt_error *err);
mt_code mt_read_levels(mt_workspace *ws, mt_error *err);
mt_code mt_read_orders(mt_workspace *ws, mt_error *err);
mt_code mt_read_spurious(mt_workspace *ws, mt_error *err);
mt_code mt_read_density(mt_workspace *ws, mt_error *err);
mt_code mt_read_bands(mt_workspace *ws, mt_error *err);
mt_code mt_read_travel(mt_workspace *ws, mt_error *err);

#endif
