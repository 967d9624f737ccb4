/** @file compare.h  Two sets of results side by side: what differs by more than its uncertainty. */
#ifndef MENDTONE_COMPARE_H
#define MENDTONE_COMPARE_H

#include <mendtone/results.h>

#ifdef __cplusplus
extern "C" {
#endif

/** What can be said of the difference of two readings or two curves. */
typedef enum mt_contrast {
  MT_CONTRAST_SAME,      /**< no larger than its uncertainty: they may well be equal */
  MT_CONTRAST_DIFFERENT, /**< larger than its expanded uncertainty (k = 2), or another word */
  MT_CONTRAST_UNKNOWN,   /**< cannot be compared: `why` says why */
  MT_CONTRAST_ONLY_A,    /**< there is none to compare with */
  MT_CONTRAST_ONLY_B
} mt_contrast;

/** One quantity of both. */
typedef struct mt_compared {
  mt_quantity quantity;
  mt_channel channel; /**< of a; MT_CHANNEL_BOTH when channels are compared */
  bool has_a, has_b;
  mt_reading a, b;
  bool has_difference;
  double difference;       /**< b less a, in difference_unit; degrees: the shorter way round */
  double uncertainty;      /**< expanded, k = 2: root of the sum of both squares */
  mt_unit difference_unit; /**< dB for levels and ratios, else the quantity's own unit */
  mt_contrast contrast;
  char why[128]; /**< "" or one line */
} mt_compared;

/** Stands for the uncertainty of a difference of which one side is only a bound. */
#define MT_COMPARE_BOUND 1000.0

/** One curve of both, on the abscissae of a that both cover. Arrays are owned by the comparison. */
typedef struct mt_compared_curve {
  mt_quantity quantity;
  mt_channel channel;
  char segment[16];
  char state[32];
  mt_unit x_unit;
  size_t npoints;
  double *x;
  double *a;
  double *b;
  double *difference;   /**< b less a */
  double *uncertainty;  /**< expanded, k = 2; MT_COMPARE_BOUND: only a bound is known of one of them */
  size_t nbeyond;       /**< points whose difference is larger than its uncertainty */
  size_t nusable;       /**< points that are no bounds */
  size_t worst;         /**< index of the largest difference re its uncertainty */
  mt_contrast contrast; /**< different: the worst point is beyond its uncertainty widened for nusable looks */
  char why[128];
} mt_compared_curve;

/** A condition that was not the same: a difference may come from it. */
typedef struct mt_condition {
  char name[24];  /**< "level", "rate", "plan", "extras", "version", "load", "rig", "channels", "take" */
  char text[192]; /**< one line in words */
} mt_condition;

typedef struct mt_comparison {
  mt_verdict verdict_a, verdict_b;
  bool of_channels; /**< a is the left and b the right of one take */
  mt_compared *readings;
  size_t nreadings;
  mt_compared_curve *curves;
  size_t ncurves;
  mt_condition *conditions;
  size_t nconditions;
  size_t nnumbers;   /**< readings of which both are numbers */
  size_t ndifferent; /**< of those, how many differ; about 1 in 20 do by chance */
} mt_comparison;

/**
 * Compare two sets of results, reading by reading: quantity, channel, segment, state, order and mains
 * frequency are alike, the tone's frequency within 1 %; of unwanted lines the nearest within 1 %.
 *
 * A difference is significant when it is larger than its expanded uncertainty, the root of the sum of both
 * squares: of two takes of one steady unit that is so for about 1 reading in 20. What both have in common
 * (one rig's calibration) is counted although it cancels: the difference is known at least as well as said.
 * A bound (rig_limited) is compared only as far as it allows.
 *
 * The largest sample and the spectrum's strongest bins are extremes: they are not judged, only shown.
 *
 * A curve is looked at in many points, one of which will be beyond its uncertainty by chance: it counts as
 * different only when the worst point is beyond the factor that all points together exceed in 1 of 20 cases
 * (Z. Sidak 1967, points taken as independent, which is on the safe side).
 *
 * @param out  mt_comparison_destroy().
 * @return MT_OK; MT_E_MEMORY. `out` is unchanged on failure.
 */
mt_code mt_compare_results(const mt_results *a, const mt_results *b, mt_comparison **out, mt_error *err);

/**
 * Compare the channels of one set of results: a is the left, b the right. A segment in which the left is
 * played is held against the one in which the right is.
 */
mt_code mt_compare_channels(const mt_results *results, mt_comparison **out, mt_error *err);

/** Free all; accepts NULL and leaves NULL. */
void mt_comparison_destroy(mt_comparison **comparison);

/** "same", "different", "unknown", "only_a", "only_b"; never NULL. */
const char *mt_contrast_name(mt_contrast contrast);

/** The unit in which two values of a quantity differ: dB for levels and ratios, else its own. */
mt_unit mt_compare_unit(mt_quantity quantity);

/** The reading of `results` that stands for this one of another take, or NULL. */
const mt_reading *mt_compare_find(const mt_results *results, const mt_reading *reading);

#ifdef __cplusplus
}
#endif
#endif
