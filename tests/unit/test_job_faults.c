/*
 * The job book when everything goes wrong: every call that writes is made to fail or is the last one the process
 * ever makes. The program's own functions stand before those of the C library, so the library under test calls
 * them. Each case runs in a process of its own, and the parent looks at what is left.
 */
#include "support.h"

#include <mendtone/job.h>
#include <mendtone/report.h>

#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

/* ---- faults ----------------------------------------------------------------------------------------- */

typedef enum fault { KILL_BEFORE, KILL_AFTER, KILL_HALF, FAIL_ONCE_EIO, DISK_FULL, FAULTS } fault;

static long calls, armed_at = -1;
static fault armed;
static bool full;

/* @return true when this call is to fail; the process may end here. `after` is done when the call was made. */
static bool strikes(bool takes_space)
{
  bool now = armed_at >= 0 && calls == armed_at;

  calls++;
  if (now && (armed == KILL_BEFORE || armed == KILL_HALF))
    kill(getpid(), SIGKILL);
  if (now && armed == FAIL_ONCE_EIO) {
    errno = EIO;
    return true;
  }
  if (now && armed == DISK_FULL)
    full = true;
  if (full && takes_space)
    errno = ENOSPC;
  return full && takes_space;
}

static void survive(void)
{
  if (armed_at >= 0 && calls == armed_at + 1 && armed == KILL_AFTER)
    kill(getpid(), SIGKILL);
}

ssize_t write(int fd, const void *data, size_t size)
{
  ssize_t n;

  /* the half of it, and no more ever */
  if (armed_at >= 0 && calls == armed_at && armed == KILL_HALF) {
    (void)!syscall(SYS_write, fd, data, size / 2);
    kill(getpid(), SIGKILL);
  }
  if (strikes(true))
    return -1;
  n = syscall(SYS_write, fd, data, size);
  survive();
  return n;
}

int open(const char *path, int flags, ...)
{
  bool writes = (flags & (O_CREAT | O_WRONLY | O_RDWR)) != 0;
  mode_t mode = 0;
  long fd;

  if ((flags & O_CREAT) != 0) {
    va_list args;
    va_start(args, flags);
    mode = va_arg(args, mode_t);
    va_end(args);
  }
  if (writes && strikes((flags & O_CREAT) != 0))
    return -1;
  fd = syscall(SYS_openat, AT_FDCWD, path, flags, mode);
  if (writes)
    survive();
  return (int)fd;
}

/* No disk is waited for: what a kill of the process leaves, not of the machine, is looked at here. */
int fsync(int fd)
{
  (void)fd;
  if (strikes(false))
    return -1;
  survive();
  return 0;
}

#define FAULTY(takes_space, call)                                                                            \
  if (strikes(takes_space))                                                                                  \
    return -1;                                                                                               \
  long result = (call);                                                                                      \
  survive();                                                                                                 \
  return (int)result

int rename(const char *from, const char *to)
{
  FAULTY(false, syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0));
}

static bool old_file_system;

int renameat2(int from_folder, const char *from, int to_folder, const char *to, unsigned flags)
{
  if (old_file_system) {
    errno = EINVAL;
    return -1;
  }
  FAULTY(false, syscall(SYS_renameat2, from_folder, from, to_folder, to, flags));
}

int mkdir(const char *path, mode_t mode)
{
  FAULTY(true, syscall(SYS_mkdirat, AT_FDCWD, path, mode));
}

int link(const char *from, const char *to)
{
  FAULTY(true, syscall(SYS_linkat, AT_FDCWD, from, AT_FDCWD, to, 0));
}

int unlink(const char *path)
{
  FAULTY(false, syscall(SYS_unlinkat, AT_FDCWD, path, 0));
}

int rmdir(const char *path)
{
  FAULTY(false, syscall(SYS_unlinkat, AT_FDCWD, path, AT_REMOVEDIR));
}

/* ---- a job and what is done to it ------------------------------------------------------------------- */

static char base[64], folder[MT_JOB_PATH_MAX];

static int remove_one(const char *path, const struct stat *info, int type, struct FTW *where)
{
  (void)info;
  (void)type;
  (void)where;
  return remove(path);
}

static void remove_base(void)
{
  nftw(base, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

static mt_code add_note(const char *text)
{
  char copy[64];
  mt_job_entry entry = {.kind = MT_JOB_NOTE, .text = copy, .cost = (double)NAN};

  snprintf(copy, sizeof copy, "%s", text);
  return mt_job_add(folder, &entry, NULL);
}

static mt_code write_and_finish(mt_open_stage **stage, mt_verdict verdict)
{
  char path[MT_JOB_PATH_MAX + 32];
  mt_results *results = NULL;
  mt_code code = mt_results_create(&results, NULL);

  snprintf(path, sizeof path, "%s/results.json", mt_job_stage_folder(*stage));
  results->verdict = verdict;
  results->rate_hz = 48000.0;
  code = mt_report_write_json(results, path, NULL);
  if (code == MT_OK)
    code = mt_job_stage_write(*stage, "plan.cfg", "# all of it\n", NULL);
  if (code == MT_OK)
    code = mt_job_finish_stage(stage, results, NULL, NULL, NULL);
  mt_results_destroy(&results);
  mt_job_drop_stage(stage);
  return code;
}

static mt_code file_stage(const char *label, mt_verdict verdict)
{
  mt_open_stage *stage = NULL;
  mt_code code = mt_job_begin_stage(folder, label, &stage, NULL);

  return code == MT_OK ? write_and_finish(&stage, verdict) : code;
}

static mt_code read_again(void)
{
  mt_open_stage *stage = NULL;
  mt_code code = mt_job_begin_again(folder, "before", &stage, NULL);

  return code == MT_OK ? write_and_finish(&stage, MT_VERDICT_PASS) : code;
}

/* What each action does, and whether it shows: 1 done, 0 not, -1 something else. */
static mt_code do_create(void)
{
  char out[MT_JOB_PATH_MAX];
  return mt_job_create(base, NULL, "another", "", 1600000000, out, NULL);
}

static mt_code do_note(void)
{
  return add_note("second");
}

static mt_code do_describe(void)
{
  return mt_job_describe(folder, "renamed", NULL, NULL);
}

static mt_code do_stage(void)
{
  return file_stage("after", MT_VERDICT_PASS);
}

static mt_code do_stage_again(void)
{
  return file_stage("before", MT_VERDICT_PASS);
}

typedef struct found {
  size_t njobs, nnotes, nstages;
  bool renamed;
  mt_verdict before;
  bool has_before, has_before_1, has_after, has_earlier;
} found;

static bool has_stage(const char *label, mt_verdict *verdict)
{
  char path[MT_JOB_PATH_MAX + 64];
  mt_results *results = NULL;
  mt_stage stage;
  mt_error err = {0};
  FILE *plan;
  char line[32] = "";

  if (mt_job_load_stage(folder, label, &stage, &err) != MT_OK) {
    assert_int_equal(err.code, MT_E_NO_INPUT);
    return false;
  }
  /* whole: results that can be read and agree with what is said of them, and the plan to its last byte */
  snprintf(path, sizeof path, "%s/results.json", stage.folder);
  assert_ok(mt_report_read_json(path, &results, &err), err);
  assert_int_equal(results->verdict, stage.verdict);
  mt_results_destroy(&results);
  snprintf(path, sizeof path, "%s/plan.cfg", stage.folder);
  plan = fopen(path, "rb");
  assert_non_null(plan);
  assert_non_null(fgets(line, sizeof line, plan));
  fclose(plan);
  assert_string_equal(line, "# all of it\n");
  if (verdict != NULL)
    *verdict = stage.verdict;
  return true;
}

static found look(void)
{
  found f = {0};
  char path[MT_JOB_PATH_MAX + 64];
  mt_job_line *lines = NULL;
  mt_stage *stages = NULL;
  mt_job *job = NULL;
  mt_error err = {0};

  assert_ok(mt_job_list(base, NULL, 0, &lines, &f.njobs, &err), err);
  for (size_t i = 0; i < f.njobs; i++)
    assert_string_equal(lines[i].damage, "");
  mt_job_free_lines(lines, f.njobs);
  assert_ok(mt_job_load(folder, &job, &err), err);
  f.nnotes = job->nentries;
  f.renamed = strcmp(job->unit, "renamed") == 0;
  assert_true(f.renamed || strcmp(job->unit, "unit") == 0);
  assert_string_equal(job->entries[0].text, "first");
  mt_job_destroy(&job);
  f.has_before = has_stage("before", &f.before);
  f.has_before_1 = has_stage("before~1", NULL);
  f.has_after = has_stage("after", NULL);
  assert_ok(mt_job_list_stages(folder, &stages, &f.nstages, &err), err);
  for (size_t i = 0; i < f.nstages; i++)
    assert_true(stages[i].serial > 0);
  free(stages);
  snprintf(path, sizeof path, "%s/stages/before/results-" MT_VERSION "-1.json", folder);
  f.has_earlier = access(path, F_OK) == 0;
  return f;
}

static const struct {
  const char *name;
  mt_code (*act)(void);
} actions[] = {{"create", do_create}, {"note", do_note},           {"describe", do_describe},
               {"stage", do_stage},   {"replace", do_stage_again}, {"read again", read_again}};

static bool is_done(size_t action, const found *f)
{
  switch (action) {
  case 0: return f->njobs == 2;
  case 1: return f->nnotes == 2;
  case 2: return f->renamed;
  case 3: return f->has_after;
  case 4: return f->before == MT_VERDICT_PASS && f->has_before_1;
  default: return f->before == MT_VERDICT_PASS && f->has_earlier;
  }
}

static void build(void)
{
  mt_error err = {0};

  snprintf(base, sizeof base, "%s/mendtone-faults-XXXXXX",
           access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
  assert_non_null(mkdtemp(base));
  assert_ok(mt_job_create(base, NULL, "unit", "complaint", 1500000000, folder, &err), err);
  assert_int_equal(add_note("first"), MT_OK);
  assert_int_equal(file_stage("before", MT_VERDICT_FAIL), MT_OK);
}

/* @return the number of calls that were made; *code MT_OK if the process lived and said so. */
static long run_child(size_t action, long at, fault kind, bool *lived, mt_code *code)
{
  int ends[2], status = 0;
  long made[2] = {0, 0};
  pid_t pid;

  assert_int_equal(pipe(ends), 0);
  fflush(NULL);
  pid = fork();
  assert_true(pid >= 0);
  if (pid == 0) {
    calls = 0;
    armed_at = at;
    armed = kind;
    made[1] = actions[action].act();
    armed_at = -1;
    full = false;
    made[0] = calls;
    (void)!syscall(SYS_write, ends[1], made, sizeof made);
    _exit(0);
  }
  close(ends[1]);
  *lived = read(ends[0], made, sizeof made) == (ssize_t)sizeof made;
  close(ends[0]);
  assert_int_equal(waitpid(pid, &status, 0), pid);
  assert_true(*lived ? WIFEXITED(status) : WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
  *code = (mt_code)made[1];
  return made[0];
}

static size_t ncases;

static void try(size_t action, long at, fault kind)
{
  mt_code code;
  bool lived;
  found f;

  build();
  run_child(action, at, kind, &lived, &code);
  f = look();
  /* nothing that was there is lost */
  if (!f.has_before || f.nnotes < 1 || f.nnotes > 2 || f.njobs > 2 ||
      (f.before == MT_VERDICT_PASS && action == 4 && !f.has_before_1) ||
      (f.before == MT_VERDICT_PASS && action == 5 && !f.has_earlier))
    fail_msg("%s, fault %d at call %ld: something is lost", actions[action].name, (int)kind, at);
  if (lived && code == MT_OK && !is_done(action, &f))
    fail_msg("%s, fault %d at call %ld: said to be done, and is not", actions[action].name, (int)kind, at);
  /* and it can be gone on with at once: no lock is left, nothing is in the way */
  assert_int_equal(actions[action].act(), MT_OK);
  assert_int_equal(add_note("last"), MT_OK);
  f = look();
  if (!is_done(action, &f) && action != 1 && action != 0)
    fail_msg("%s, fault %d at call %ld: could not be repeated", actions[action].name, (int)kind, at);
  remove_base();
  ncases++;
}

static long count_calls(size_t action)
{
  mt_code code = MT_OK;
  bool lived;
  long n;

  build();
  n = run_child(action, -1, KILL_BEFORE, &lived, &code);
  assert_int_equal(code, MT_OK);
  remove_base();
  return n;
}

/* Every call of every action, killed before it, after it, in the middle of a write, failing, on a full disk. */
static void no_job_is_broken_wherever_it_strikes(void **state)
{
  (void)state;
  for (size_t action = 0; action < sizeof actions / sizeof actions[0]; action++) {
    long n = count_calls(action);
    assert_true(n >= 5); /* or the faults do not reach the library */
    for (long at = 0; at < n; at++)
      for (int kind = 0; kind < FAULTS; kind++)
        try(action, at, (fault)kind);
  }
  printf("%zu faults\n", ncases);
  assert_true(ncases >= 200);
}

/* A file system that cannot exchange two names: there is a moment without either. */
static void nor_on_a_file_system_that_cannot_exchange(void **state)
{
  (void)state;
  old_file_system = true;
  for (size_t action = 3; action < sizeof actions / sizeof actions[0]; action++) {
    long n = count_calls(action);
    for (long at = 0; at < n; at++) {
      try(action, at, KILL_BEFORE);
      try(action, at, KILL_AFTER);
    }
  }
  old_file_system = false;
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(no_job_is_broken_wherever_it_strikes),
      cmocka_unit_test(nor_on_a_file_system_that_cannot_exchange),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
