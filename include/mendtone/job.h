/**
 * @file job.h  The job book: a folder for each repair, with what was said, found and done, and its stages.
 *
 *     JOB/job.cfg                         unit, complaint and the log: readable, and may be edited by hand
 *     JOB/stages/LABEL/stage.cfg          when, by which version, the verdict
 *     JOB/stages/LABEL/results.json       the readings (not there if the take could not be read)
 *     JOB/stages/LABEL/results-0.1.0-1.json   earlier readings of the same take
 *     JOB/stages/LABEL/take.wav           the capture; take-STATE.wav, one for each state, where there are several
 *     JOB/stages/LABEL/plan.cfg, rig.cfg  as they were used
 *     JOB/stages/LABEL~1                  what had this label before; ~2 is younger than ~1
 *
 * Whatever is interrupted, and wherever, a job is never half: job.cfg is replaced whole, and a stage is
 * written into a hidden folder that gets its name when all is there. Nothing is overwritten: a label that
 * is used again keeps what it had as LABEL~1. Two processes may use one job at the same time.
 */
#ifndef MENDTONE_JOB_H
#define MENDTONE_JOB_H

#include <mendtone/results.h>

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define MT_JOB_FORMAT "mendtone-job"
#define MT_JOB_FORMAT_VERSION 1
#define MT_STAGE_FORMAT "mendtone-stage"
#define MT_STAGE_FORMAT_VERSION 1
/** Bytes of one text of a job; what is longer is refused. */
#define MT_JOB_TEXT_MAX 65536
#define MT_JOB_ENTRIES_MAX 10000
/** Bytes of a path in the records below, its end included. */
#define MT_JOB_PATH_MAX 1024
#define MT_JOB_LABEL_MAX 64

/* ---- the record ------------------------------------------------------------------------------------ */

typedef enum mt_job_kind {
  MT_JOB_FOUND, /**< what was found */
  MT_JOB_DONE,  /**< what was done */
  MT_JOB_PART,  /**< a part: text is its name */
  MT_JOB_WORK,  /**< time worked: text may be "" */
  MT_JOB_NOTE,
  MT_JOB_KINDS
} mt_job_kind;

/** One entry of the log. Zero it, set `cost` to NAN, then set what applies. */
typedef struct mt_job_entry {
  mt_job_kind kind;
  int64_t time_s;   /**< seconds since 1970, UTC; 0: mt_job_add() takes the time it is */
  char *text;       /**< UTF-8 in any script, several lines allowed */
  double quantity;  /**< part: how many; 0 stands for 1 */
  double cost;      /**< part: of one piece; NAN: not said */
  char currency[8]; /**< part: as typed, "" if not said */
  double minutes;   /**< work */
} mt_job_entry;

/** A job as job.cfg says it. All texts are owned, valid UTF-8, never NULL. */
typedef struct mt_job {
  char folder[MT_JOB_PATH_MAX];
  char *unit;      /**< what is repaired */
  char *complaint; /**< what its owner said; may be "" */
  int64_t begun_s; /**< seconds since 1970, UTC */
  mt_job_entry *entries;
  size_t nentries;
} mt_job;

/** What is known of a stage without reading its results. */
typedef struct mt_stage {
  char label[MT_JOB_LABEL_MAX + 1]; /**< "before", "after"...; without ~1 */
  unsigned kept;                    /**< 0: the stage itself; N: LABEL~N, which had this label before */
  char folder[MT_JOB_PATH_MAX];
  unsigned serial;       /**< counts the stages of a job as they were finished, from 1 */
  int64_t time_s;        /**< when it was finished, seconds since 1970, UTC */
  char tool_version[24]; /**< that read it */
  bool has_results;
  mt_verdict verdict;
  char plan_name[96]; /**< as in the results */
  char unit_name[96];
  char why[256]; /**< without results: why it could not be read */
} mt_stage;

/** "found", "done", "part", "work", "note"; never NULL. */
const char *mt_job_kind_name(mt_job_kind kind);

/* ---- where jobs live ------------------------------------------------------------------------------- */

/**
 * The folder in which jobs are made and listed: `given`, else $MENDTONE_JOBS, else
 * $XDG_DATA_HOME/mendtone/jobs, else ~/.local/share/mendtone/jobs. It need not exist.
 *
 * @param given  May be NULL.
 * @param out    MT_JOB_PATH_MAX bytes.
 * @return MT_E_ARG if none of them is set or it is too long.
 */
mt_code mt_job_base(const char *given, char *out, mt_error *err);

/**
 * Find the folder of a job.
 *
 * @param base  where jobs live.
 * @param name  a path; else the name of a folder in `base`, or a part of one such name; NULL: the folder we
 *              stand in, or one above it.
 * @param out   MT_JOB_PATH_MAX bytes, an absolute path.
 * @return MT_E_NO_INPUT: there is none; MT_E_ARG: several, with their names.
 */
mt_code mt_job_find(const char *base, const char *name, char *out, mt_error *err);

/* ---- making, reading and adding -------------------------------------------------------------------- */

/**
 * Make a job.
 *
 * @param base       the job gets a folder in here, named after the day and the unit; made if need be.
 * @param folder     NULL, or the very folder to make instead; it must not exist yet.
 * @param unit       not "".
 * @param complaint  may be "".
 * @param begun_s    0: now.
 * @param out        MT_JOB_PATH_MAX bytes, receives the folder.
 * @return MT_E_ARG, MT_E_CREATE, MT_E_IO; nothing is left behind then.
 */
mt_code mt_job_create(const char *base, const char *folder, const char *unit, const char *complaint,
                      int64_t begun_s, char *out, mt_error *err);

/** Read job.cfg. MT_E_NO_INPUT, MT_E_IO, MT_E_DATA with file and line. Destroy it after use. */
mt_code mt_job_load(const char *folder, mt_job **out, mt_error *err);

/** Free all; accepts NULL and leaves NULL. */
void mt_job_destroy(mt_job **job);

/**
 * Add an entry to the log: read, append and replace in one step that no other process can come between.
 *
 * Text that is not UTF-8 is made so. MT_E_ARG: a text, cost, quantity or time out of its range; MT_E_IO:
 * also when another process held the job for 10 s.
 */
mt_code mt_job_add(const char *folder, const mt_job_entry *entry, mt_error *err);

/** Replace unit and complaint, likewise; NULL: leave it. */
mt_code mt_job_describe(const char *folder, const char *unit, const char *complaint, mt_error *err);

/* ---- stages ---------------------------------------------------------------------------------------- */

/**
 * May this be a label? Letters of any script, digits, blanks and punctuation, at most MT_JOB_LABEL_MAX bytes;
 * not / \ : ~ or control characters, not beginning with . or -, no blank at either end.
 */
mt_code mt_job_check_label(const char *label, mt_error *err);

/** "take.wav", or "take-STATE.wav" with what a file name cannot hold as %XX. @param out 128 bytes. */
const char *mt_job_take_name(const char *state, char *out);

/** The stages of a job as they were finished, those kept as LABEL~N too. free() the array. */
mt_code mt_job_list_stages(const char *folder, mt_stage **out, size_t *nstages, mt_error *err);

/** One stage by its label ("before", also "before~1"). MT_E_NO_INPUT names those there are. */
mt_code mt_job_load_stage(const char *folder, const char *label, mt_stage *out, mt_error *err);

/** Fail with MT_E_NO_INPUT: of the stages there are none has this label; the message names the nearest, and all. */
mt_code mt_job_refuse_label(const mt_stage *stages, size_t n, const char *label, mt_error *err);

/** A stage being written. */
typedef struct mt_open_stage mt_open_stage;

/**
 * Begin a stage: a hidden folder to write into, until mt_job_finish_stage() gives it its name. The job is
 * not locked meanwhile.
 *
 * @param label  see mt_job_check_label().
 */
mt_code mt_job_begin_stage(const char *folder, const char *label, mt_open_stage **out, mt_error *err);

/**
 * Begin to read a stage again: an open stage with all files of the one there is, whose results.json has become
 * results-VERSION-N.json. Finishing it replaces that stage.
 */
mt_code mt_job_begin_again(const char *folder, const char *label, mt_open_stage **out, mt_error *err);

/**
 * Go on with a stage that was begun and neither finished nor dropped, as by mt_job_leave_stage() or because
 * the process ended. MT_E_NO_INPUT if there is none, or another process has it. The youngest if there are several.
 */
mt_code mt_job_resume_stage(const char *folder, const char *label, mt_open_stage **out, mt_error *err);

/** The folder to write into, an absolute path. Valid until the stage is finished, left or dropped. */
const char *mt_job_stage_folder(const mt_open_stage *stage);

/** Write a small file of that name into it, or copy one. MT_E_ARG, MT_E_NO_INPUT, MT_E_CREATE, MT_E_IO. */
mt_code mt_job_stage_write(mt_open_stage *stage, const char *name, const char *text, mt_error *err);
mt_code mt_job_stage_copy(mt_open_stage *stage, const char *name, const char *from, mt_error *err);

/**
 * All files are written: give the stage its name. What had that label before becomes LABEL~N.
 *
 * @param results  already written to results.json in its folder; NULL: the take could not be read.
 * @param why      without results: why; else NULL.
 * @param out      May be NULL; the stage as filed.
 * @return with MT_OK it is closed, and *stage NULL. On failure it is still open, unless *stage is NULL: then it
 *         is filed, but the disk has not confirmed it.
 */
mt_code mt_job_finish_stage(mt_open_stage **stage, const mt_results *results, const char *why, mt_stage *out,
                            mt_error *err);

/** Close it and leave its files for mt_job_resume_stage(). Accepts NULL and leaves NULL. */
void mt_job_leave_stage(mt_open_stage **stage);

/** Close it and remove its files. Accepts NULL and leaves NULL. */
void mt_job_drop_stage(mt_open_stage **stage);

/* ---- listing and searching ------------------------------------------------------------------------- */

/** A line of the list. Texts are owned, never NULL. */
typedef struct mt_job_line {
  char folder[MT_JOB_PATH_MAX];
  char *unit;
  char *complaint;
  int64_t begun_s;
  bool has_before, has_after; /**< such a stage is filed */
  mt_verdict before, after;
  char *damage; /**< "" or why the job cannot be read: it is listed, whatever the words */
} mt_job_line;

/**
 * Find jobs whose texts hold every one of the words, the youngest first. Each file is read anew: there is
 * no index that could be out of date.
 *
 * Searched are the folder's name, unit, complaint, all of the log, the day it began (2026-11-25), and
 * "before:fail", "after:pass"... Capitals and small letters are alike (Latin, Greek, Cyrillic). Without words:
 * all.
 *
 * @param base  need not exist: then there are none.
 * @param out   mt_job_free_lines().
 */
mt_code mt_job_list(const char *base, const char *const *words, size_t nwords, mt_job_line **out,
                    size_t *nlines, mt_error *err);

/** Free all; accepts NULL. */
void mt_job_free_lines(mt_job_line *lines, size_t nlines);

/** "2026-11-25" or, with the time, "2026-11-25 12:50": as the clock on the wall says. @param out 24 bytes. */
const char *mt_job_time_text(int64_t time_s, bool with_time, char *out);

#ifdef __cplusplus
}
#endif
#endif
