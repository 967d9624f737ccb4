#include "support.h"

#include "base/file.h"
#include "bench/record.h"

#include <mendtone/job.h>
#include <mendtone/report.h>

#include <ftw.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static char base[64];

static int remove_one(const char *path, const struct stat *info, int type, struct FTW *where)
{
  (void)info;
  (void)type;
  (void)where;
  return remove(path);
}

static int make_base(void **state)
{
  (void)state;
  /* in memory where that is possible: a disk takes long to confirm each write */
  snprintf(base, sizeof base, "%s/mendtone-jobs-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
  return mkdtemp(base) != NULL ? 0 : -1;
}

static int remove_base(void **state)
{
  (void)state;
  return nftw(base, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

/* ---- what the tests do ------------------------------------------------------------------------------ */

static const char *new_job(const char *unit, const char *complaint, int64_t begun_s)
{
  static char folder[MT_JOB_PATH_MAX];
  mt_error err = {0};

  assert_ok(mt_job_create(base, NULL, unit, complaint, begun_s, folder, &err), err);
  return folder;
}

static void add(const char *folder, mt_job_kind kind, const char *text)
{
  char copy[256];
  mt_job_entry entry = {.kind = kind, .text = copy, .cost = (double)NAN, .minutes = 5.0};
  mt_error err = {0};

  snprintf(copy, sizeof copy, "%s", text);
  assert_ok(mt_job_add(folder, &entry, &err), err);
}

static mt_job *load(const char *folder)
{
  mt_job *job = NULL;
  mt_error err = {0};

  assert_ok(mt_job_load(folder, &job, &err), err);
  return job;
}

static mt_results *make_results(mt_verdict verdict)
{
  mt_results *results = NULL;
  mt_error err = {0};

  assert_ok(mt_results_create(&results, &err), err);
  snprintf(results->plan_name, sizeof results->plan_name, "amp.plan");
  results->rate_hz = 48000.0;
  results->verdict = verdict;
  return results;
}

static void write_results(mt_open_stage *stage, const mt_results *results)
{
  char path[MT_JOB_PATH_MAX + 32];
  mt_error err = {0};

  snprintf(path, sizeof path, "%s/results.json", mt_job_stage_folder(stage));
  assert_ok(mt_report_write_json(results, path, &err), err);
}

static mt_stage file_stage(const char *folder, const char *label, mt_verdict verdict)
{
  mt_results *results = make_results(verdict);
  mt_open_stage *stage = NULL;
  mt_stage filed;
  mt_error err = {0};

  assert_ok(mt_job_begin_stage(folder, label, &stage, &err), err);
  write_results(stage, results);
  assert_ok(mt_job_stage_write(stage, "plan.cfg", "unit = \"x\";\n", &err), err);
  assert_ok(mt_job_finish_stage(&stage, results, NULL, &filed, &err), err);
  assert_null(stage);
  mt_results_destroy(&results);
  return filed;
}

static bool is_there(const char *folder, const char *name)
{
  char path[MT_JOB_PATH_MAX + 64];

  snprintf(path, sizeof path, "%s/%s", folder, name);
  return access(path, F_OK) == 0;
}

/* ---- the record ------------------------------------------------------------------------------------- */

static void a_new_job_says_what_was_said(void **state)
{
  const char *folder = new_job("desk amplifier, bought as faulty", "right side nearly gone", 1764075000);
  mt_job *job = load(folder);

  (void)state;
  assert_string_equal(job->unit, "desk amplifier, bought as faulty");
  assert_string_equal(job->complaint, "right side nearly gone");
  assert_int_equal(job->begun_s, 1764075000);
  assert_int_equal(job->nentries, 0);
  assert_non_null(strstr(folder, "/2025-11-25-desk-amplifier-bought-as-faulty"));
  mt_job_destroy(&job);
}

static void jobs_of_one_day_and_unit_get_numbers(void **state)
{
  char first[MT_JOB_PATH_MAX], second[MT_JOB_PATH_MAX];

  (void)state;
  snprintf(first, sizeof first, "%s", new_job("mixer", "", 1764075000));
  snprintf(second, sizeof second, "%s", new_job("mixer", "", 1764075000));
  assert_string_equal(strrchr(first, '/'), "/2025-11-25-mixer");
  assert_string_equal(strrchr(second, '/'), "/2025-11-25-mixer-2");
}

static void entries_of_every_kind_come_back(void **state)
{
  const char *folder = new_job("receiver", "no sound", 0);
  char name[] = "capacitor 220 uF", nothing[] = "";
  mt_job_entry part = {.kind = MT_JOB_PART,
                       .text = name,
                       .quantity = 2.0,
                       .cost = 0.45,
                       .currency = "EUR",
                       .time_s = 1764075000};
  mt_job_entry work = {.kind = MT_JOB_WORK, .text = nothing, .minutes = 12.5, .cost = (double)NAN};
  mt_error err = {0};
  mt_job *job;

  (void)state;
  add(folder, MT_JOB_FOUND, "cracked joint");
  assert_ok(mt_job_add(folder, &part, &err), err);
  assert_ok(mt_job_add(folder, &work, &err), err);
  job = load(folder);
  assert_int_equal(job->nentries, 3);
  assert_int_equal(job->entries[0].kind, MT_JOB_FOUND);
  assert_string_equal(job->entries[0].text, "cracked joint");
  assert_true(job->entries[0].time_s >= job->begun_s);
  assert_string_equal(job->entries[1].text, "capacitor 220 uF");
  assert_near(job->entries[1].quantity, 2.0, 0.0, "pieces");
  assert_near(job->entries[1].cost, 0.45, 1e-12, "EUR"); /* twelve digits are written */
  assert_string_equal(job->entries[1].currency, "EUR");
  assert_int_equal(job->entries[1].time_s, 1764075000);
  assert_near(job->entries[2].minutes, 12.5, 0.0, "min");
  mt_job_destroy(&job);
}

static void hostile_texts_come_back_as_valid_utf8(void **state)
{
  static char long_text[10001];
  static const char *const texts[] = {
      "<script>alert(1)</script> & \"quotes\" \\ 'single'",
      "\"; unit = \"another\"; # not a comment",
      "line one\nline two\r\n\n@include \"/etc/passwd\"\n\ttab",
      "\x01\x02\x1b[31mred\x7f",
      "\xd7\xa9\xd7\x9c\xd7\x95\xd7\x9d \xe2\x80\xae\x61\x62\x63 \xd9\x85\xd8\xb1\xd8\xad\xd8\xa8\xd8\xa7",
      "\xe3\x82\xa2\xe3\x83\xb3\xe3\x83\x97 \xf0\x9f\x8e\xa7",
      "${HOME} $(reboot) `reboot` %s%n",
      "ends with a backslash \\",
      "\\x41 is no escape of ours, nor is \\n",
      long_text,
  };
  const char *folder = new_job("x", "", 0);
  size_t n = sizeof texts / sizeof texts[0];
  mt_job *job;

  (void)state;
  memset(long_text, 'w', sizeof long_text - 1);
  for (size_t i = 0; i < n; i++) {
    char copy[sizeof long_text];
    mt_job_entry entry = {.kind = MT_JOB_NOTE, .text = copy, .cost = (double)NAN};
    mt_error err = {0};
    snprintf(copy, sizeof copy, "%s", texts[i]);
    assert_ok(mt_job_add(folder, &entry, &err), err);
    assert_ok(mt_job_describe(folder, texts[i], texts[i], &err), err);
  }
  job = load(folder);
  assert_int_equal(job->nentries, n);
  for (size_t i = 0; i < n; i++)
    assert_string_equal(job->entries[i].text, texts[i]);
  assert_string_equal(job->unit, long_text);
  mt_job_destroy(&job);
}

static void what_is_not_utf8_is_made_so(void **state)
{
  const char *folder = new_job("bad \xff\xfe unit", "\xc3", 0);
  mt_job *job;

  (void)state;
  add(folder, MT_JOB_NOTE, "\xed\xa0\x80 surrogate, \xc0\xaf overlong");
  job = load(folder);
  assert_string_equal(job->unit, "bad \xef\xbf\xbd\xef\xbf\xbd unit");
  assert_string_equal(job->complaint, "\xef\xbf\xbd");
  assert_non_null(strstr(job->entries[0].text, "\xef\xbf\xbd surrogate"));
  mt_job_destroy(&job);
}

static void the_file_itself_holds_nothing_a_terminal_obeys(void **state)
{
  const char *folder = new_job("\x1b]0;title\x07 \xe2\x80\xae rtl",
                               "\xc2\x9b"
                               "2J",
                               0);
  char path[MT_JOB_PATH_MAX + 16];
  int c;
  FILE *file;

  (void)state;
  snprintf(path, sizeof path, "%s/job.cfg", folder);
  file = fopen(path, "rb");
  assert_non_null(file);
  while ((c = fgetc(file)) != EOF)
    assert_true((c >= 0x20 && c < 0x7f) || c == '\n');
  fclose(file);
}

static void wrong_values_are_refused(void **state)
{
  const char *folder = new_job("x", "", 0);
  static char huge[MT_JOB_TEXT_MAX + 2];
  char text[] = "x", blank[] = " \n";
  struct {
    mt_job_entry entry;
    const char *why;
  } cases[] = {
      {{.kind = MT_JOB_NOTE, .text = blank}, "the note is empty"},
      {{.kind = MT_JOB_PART, .text = blank}, "the part's name is empty"},
      {{.kind = MT_JOB_PART, .text = text, .cost = -1.0}, "the cost is -1"},
      {{.kind = MT_JOB_PART, .text = text, .cost = INFINITY}, "the cost is inf"},
      {{.kind = MT_JOB_PART, .text = text, .quantity = (double)NAN}, "the quantity is"},
      {{.kind = MT_JOB_WORK, .text = text, .minutes = 0.0}, "the time worked is 0"},
      {{.kind = MT_JOB_WORK, .text = text, .minutes = (double)NAN}, "the time worked is"},
      {{.kind = MT_JOB_NOTE, .text = huge}, "the text has 65537 bytes"},
      {{.kind = MT_JOB_NOTE, .text = text, .time_s = -5}, "the time of an entry is -5"},
  };

  (void)state;
  memset(huge, 'x', sizeof huge - 1);
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    mt_error err = {0};
    assert_int_equal(mt_job_add(folder, &cases[i].entry, &err), MT_E_ARG);
    if (strncmp(err.message, cases[i].why, strlen(cases[i].why)) != 0)
      fail_msg("case %zu says: %s", i, err.message);
  }
}

static void refuse(const char *text, const char *why)
{
  mt_job *job = NULL;
  mt_error err = {0};

  assert_int_equal(mt_record_parse_job(text, "job.cfg", &job, &err), MT_E_DATA);
  assert_int_equal(err.code, MT_E_DATA);
  assert_null(job);
  if (strstr(err.message, why) == NULL)
    fail_msg("\"%s\" does not say \"%s\"", err.message, why);
}

#define HEAD "format = \"mendtone-job\"; format_version = 1; begun = \"2026-01-31\"; unit = \"x\";\n"

static void a_damaged_file_is_refused_with_its_line(void **state)
{
  (void)state;
  refuse("", "not of the job book");
  refuse("unit = \"x\"", "not of the job book");
  refuse("format = \"mendtone-job\"; format_version = 2;", "a newer one is needed");
  refuse("format = \"mendtone-job\"; format_version = 1;", "begun is missing");
  refuse(HEAD "complant = \"\";", "job.cfg:2: unknown key \"complant\"; did you mean \"complaint\"");
  refuse(HEAD "log = 3;", "job.cfg:2: log is not a list");
  refuse(HEAD "log = ( 3 );", "not a group");
  refuse(HEAD "log = ( { time = \"2026-02-30\"; kind = \"note\"; } );", "time is not a time");
  refuse(HEAD "log = ( { time = \"2026-02-03T25:00:00Z\"; kind = \"note\"; } );", "time is not a time");
  refuse(HEAD "log = ( { time = \"2026-02-03\"; kind = \"nte\"; } );", "unknown kind");
  refuse(HEAD "log = ( { time = \"2026-02-03\"; kind = \"part\"; cost = -1; } );", "cost is -1");
  refuse(HEAD "complaint = \"", "job.cfg:2");
  refuse(HEAD "@include \"/etc/passwd\"\n", "found @include");
}

/* ---- stages ----------------------------------------------------------------------------------------- */

static void a_stage_is_filed_with_what_was_written(void **state)
{
  const char *folder = new_job("x", "", 0);
  mt_stage filed = file_stage(folder, "before", MT_VERDICT_FAIL), found;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_job_load_stage(folder, "before", &found, &err), err);
  assert_string_equal(found.folder, filed.folder);
  assert_string_equal(found.plan_name, "amp.plan");
  assert_string_equal(found.tool_version, MT_VERSION);
  assert_int_equal(found.verdict, MT_VERDICT_FAIL);
  assert_int_equal(found.serial, 1);
  assert_true(found.has_results);
  assert_true(is_there(found.folder, "results.json"));
  assert_true(is_there(found.folder, "plan.cfg"));
  assert_false(is_there(found.folder, ".lock"));
}

static void a_label_used_again_keeps_what_it_had(void **state)
{
  const char *folder = new_job("x", "", 0);
  mt_stage stage, *list = NULL;
  mt_error err = {0};
  size_t n = 0;

  (void)state;
  file_stage(folder, "before", MT_VERDICT_FAIL);
  file_stage(folder, "before", MT_VERDICT_UNDECIDED);
  file_stage(folder, "before", MT_VERDICT_PASS);
  assert_ok(mt_job_load_stage(folder, "before~1", &stage, &err), err);
  assert_int_equal(stage.verdict, MT_VERDICT_FAIL);
  assert_ok(mt_job_load_stage(folder, "before~2", &stage, &err), err);
  assert_int_equal(stage.verdict, MT_VERDICT_UNDECIDED);
  assert_ok(mt_job_load_stage(folder, "before", &stage, &err), err);
  assert_int_equal(stage.verdict, MT_VERDICT_PASS);
  assert_ok(mt_job_list_stages(folder, &list, &n, &err), err);
  assert_int_equal(n, 3);
  assert_int_equal(list[2].serial, 3);
  free(list);
  assert_int_equal(mt_job_load_stage(folder, "after", &stage, &err), MT_E_NO_INPUT);
  assert_string_equal(err.message, "the job has no stage \"after\"; it has before");
}

static void a_stage_read_again_keeps_the_earlier_results(void **state)
{
  const char *folder = new_job("x", "", 0);
  mt_results *results = make_results(MT_VERDICT_PASS);
  mt_open_stage *stage = NULL;
  char path[MT_JOB_PATH_MAX + 64];
  mt_stage filed;
  mt_error err = {0};

  (void)state;
  file_stage(folder, "before", MT_VERDICT_FAIL);
  for (int i = 0; i < 2; i++) {
    assert_ok(mt_job_begin_again(folder, "before", &stage, &err), err);
    write_results(stage, results);
    assert_ok(mt_job_finish_stage(&stage, results, NULL, &filed, &err), err);
  }
  mt_results_destroy(&results);
  assert_true(is_there(filed.folder, "results-" MT_VERSION "-1.json"));
  assert_true(is_there(filed.folder, "results-" MT_VERSION "-2.json"));
  assert_true(is_there(filed.folder, "plan.cfg"));
  snprintf(path, sizeof path, "%s/results-" MT_VERSION "-1.json", filed.folder);
  assert_ok(mt_report_read_json(path, &results, &err), err);
  assert_int_equal(results->verdict, MT_VERDICT_FAIL);
  mt_results_destroy(&results);
  assert_int_equal(mt_job_load_stage(folder, "before~1", &filed, &err), MT_E_NO_INPUT);
}

static void labels_that_could_leave_the_folder_are_refused(void **state)
{
  static const char *const bad[] = {"",
                                    ".",
                                    "..",
                                    "a/b",
                                    "/etc",
                                    "a\\b",
                                    "a:b",
                                    "a~1",
                                    "-x",
                                    " a",
                                    "a ",
                                    "a\nb",
                                    "a\tb",
                                    "\x7f",
                                    "\xff",
                                    "a\x1b[2J",
                                    "\xe2\x80\xaeliver",
                                    ".hidden"};
  static const char *const good[] = {"before",     "after",       "after 2",
                                     "\xc3\xa4ra", "load 33 ohm", "\xe4\xbf\xae\xe7\x90\x86"};
  char longest[MT_JOB_LABEL_MAX + 2];

  (void)state;
  for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
    mt_error err = {0};
    if (mt_job_check_label(bad[i], &err) != MT_E_ARG)
      fail_msg("\"%s\" was taken", bad[i]);
    assert_true(strpbrk(err.message, "\n\x1b") == NULL);
  }
  for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
    mt_error err = {0};
    assert_ok(mt_job_check_label(good[i], &err), err);
  }
  memset(longest, 'x', sizeof longest);
  longest[MT_JOB_LABEL_MAX + 1] = '\0';
  assert_int_equal(mt_job_check_label(longest, NULL), MT_E_ARG);
  longest[MT_JOB_LABEL_MAX] = '\0';
  assert_int_equal(mt_job_check_label(longest, NULL), MT_OK);
}

static void the_take_of_a_state_has_a_name_that_is_safe(void **state)
{
  char name[128], longest[200];

  (void)state;
  assert_string_equal(mt_job_take_name(NULL, name), "take.wav");
  assert_string_equal(mt_job_take_name("default", name), "take.wav");
  assert_string_equal(mt_job_take_name("lift", name), "take-lift.wav");
  assert_string_equal(mt_job_take_name("../x y", name), "take-..%2Fx%20y.wav");
  memset(longest, '/', sizeof longest - 1);
  longest[sizeof longest - 1] = '\0';
  assert_true(strlen(mt_job_take_name(longest, name)) < 128);
}

static void a_stage_that_was_left_can_be_gone_on_with(void **state)
{
  const char *folder = new_job("x", "", 0);
  mt_results *results = make_results(MT_VERDICT_PASS);
  mt_open_stage *stage = NULL, *other = NULL;
  mt_stage filed;
  mt_error err = {0};

  (void)state;
  assert_int_equal(mt_job_resume_stage(folder, "before", &stage, &err), MT_E_NO_INPUT);
  assert_ok(mt_job_begin_stage(folder, "before", &stage, &err), err);
  assert_ok(mt_job_stage_write(stage, "state-1.json", "{}", &err), err);
  mt_job_leave_stage(&stage);
  /* a reader does not take it for a stage, nor remove it */
  assert_int_equal(mt_job_load_stage(folder, "before", &filed, &err), MT_E_NO_INPUT);
  assert_ok(mt_job_resume_stage(folder, "before", &stage, &err), err);
  assert_int_equal(mt_job_resume_stage(folder, "before", &other, &err), MT_E_NO_INPUT);
  assert_string_equal(err.message, "another mendtone is at the stage \"before\" now");
  write_results(stage, results);
  assert_ok(mt_job_finish_stage(&stage, results, NULL, &filed, &err), err);
  assert_true(is_there(filed.folder, "state-1.json"));
  mt_results_destroy(&results);
}

static void a_dropped_stage_leaves_nothing(void **state)
{
  const char *folder = new_job("x", "", 0);
  char path[MT_JOB_PATH_MAX + 8];
  mt_open_stage *stage = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_job_begin_stage(folder, "before", &stage, &err), err);
  assert_ok(mt_job_stage_write(stage, "plan.cfg", "x", &err), err);
  mt_job_drop_stage(&stage);
  snprintf(path, sizeof path, "%s/stages", folder);
  assert_int_equal(rmdir(path), 0); /* it is empty */
}

static void a_take_that_could_not_be_read_is_filed_with_the_reason(void **state)
{
  const char *folder = new_job("x", "", 0);
  mt_open_stage *stage = NULL;
  mt_stage filed, found;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_job_begin_stage(folder, "before", &stage, &err), err);
  assert_ok(mt_job_stage_write(stage, "take.wav", "RIFF", &err), err);
  assert_ok(mt_job_finish_stage(&stage, NULL, "nothing came back", &filed, &err), err);
  assert_ok(mt_job_load_stage(folder, "before", &found, &err), err);
  assert_false(found.has_results);
  assert_string_equal(found.why, "nothing came back");
}

static void only_plain_names_are_written_into_a_stage(void **state)
{
  static const char *const bad[] = {"../job.cfg", "a/b", "", ".", "..", ".lock", "stage.cfg"};
  const char *folder = new_job("x", "", 0);
  mt_open_stage *stage = NULL;
  mt_error err = {0};

  (void)state;
  assert_ok(mt_job_begin_stage(folder, "before", &stage, &err), err);
  for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
    assert_int_equal(mt_job_stage_write(stage, bad[i], "x", &err), MT_E_ARG);
  assert_int_equal(mt_job_stage_copy(stage, "plan.cfg", "/nonexistent", &err), MT_E_NO_INPUT);
  mt_job_drop_stage(&stage);
}

/* ---- several processes ------------------------------------------------------------------------------ */

#define WRITERS 4
#define NOTES 25

static void writers_at_the_same_time_lose_nothing(void **state)
{
  char folder[MT_JOB_PATH_MAX];
  mt_stage *list = NULL;
  mt_error err = {0};
  size_t n = 0;
  mt_job *job;

  (void)state;
  snprintf(folder, sizeof folder, "%s", new_job("x", "", 0));
  fflush(NULL);
  for (int w = 0; w < WRITERS; w++)
    if (fork() == 0) {
      bool good = true;
      for (int i = 0; i < NOTES && good; i++) {
        char text[32];
        mt_job_entry entry = {.kind = MT_JOB_NOTE, .text = text, .cost = (double)NAN};
        snprintf(text, sizeof text, "writer %d note %d", w, i);
        good = mt_job_add(folder, &entry, &err) == MT_OK;
      }
      for (int i = 0; i < 2 && good; i++)
        file_stage(folder, "before", MT_VERDICT_FAIL);
      _exit(good ? 0 : 1);
    }
  for (int w = 0; w < WRITERS; w++) {
    int status = -1;
    assert_true(wait(&status) > 0);
    assert_int_equal(status, 0);
  }
  job = load(folder);
  assert_int_equal(job->nentries, WRITERS * NOTES);
  for (int w = 0; w < WRITERS; w++)
    for (int i = 0; i < NOTES; i++) {
      char text[32];
      size_t k = 0;
      snprintf(text, sizeof text, "writer %d note %d", w, i);
      while (k < job->nentries && strcmp(job->entries[k].text, text) != 0)
        k++;
      assert_true(k < job->nentries);
    }
  mt_job_destroy(&job);
  assert_ok(mt_job_list_stages(folder, &list, &n, &err), err);
  assert_int_equal(n, 2 * WRITERS);
  for (size_t i = 0; i < n; i++) {
    assert_int_equal(list[i].serial, i + 1);
    assert_true(is_there(list[i].folder, "results.json"));
  }
  free(list);
}

/* ---- finding ---------------------------------------------------------------------------------------- */

static size_t count_found(const char *a, const char *b)
{
  const char *const words[] = {a, b};
  mt_job_line *lines = NULL;
  mt_error err = {0};
  size_t n = 0;

  assert_ok(mt_job_list(base, words, a == NULL ? 0 : b == NULL ? 1 : 2, &lines, &n, &err), err);
  mt_job_free_lines(lines, n);
  return n;
}

static void jobs_are_found_by_words_in_all_they_hold(void **state)
{
  char folder[MT_JOB_PATH_MAX];

  (void)state;
  snprintf(folder, sizeof folder, "%s", new_job("Desk Amplifier", "hums", 1764075000));
  add(folder, MT_JOB_NOTE,
      "smells of \xc3\x84pfel, \xd0\x9c\xd0\x98\xd0\xa0, \xce\xa3\xce\x97\xce\x9c\xce\x91");
  add(folder, MT_JOB_PART, "220 uF");
  file_stage(folder, "before", MT_VERDICT_FAIL);
  file_stage(folder, "after", MT_VERDICT_PASS);
  new_job("mixer", "crackles", 1764161400);
  assert_int_equal(count_found(NULL, NULL), 2);
  assert_int_equal(count_found("amplifier", NULL), 1);
  assert_int_equal(count_found("AMPLIFIER", "hum"), 1);
  assert_int_equal(count_found("amplifier", "crackles"), 0);
  assert_int_equal(count_found("\xc3\xa4pfel", NULL), 1);
  assert_int_equal(count_found("\xd0\xbc\xd0\xb8\xd1\x80", NULL), 1);
  assert_int_equal(count_found("\xcf\x83\xce\xb7\xce\xbc\xce\xb1", NULL), 1);
  assert_int_equal(count_found("220", NULL), 1);
  assert_int_equal(count_found("before:fail", "after:pass"), 1);
  assert_int_equal(count_found("2025-11-2", NULL), 2);
  assert_int_equal(count_found("xylophone", NULL), 0);
}

static void the_youngest_comes_first_and_the_damaged_is_not_hidden(void **state)
{
  char folder[MT_JOB_PATH_MAX], path[MT_JOB_PATH_MAX + 16];
  mt_job_line *lines = NULL;
  mt_error err = {0};
  size_t n = 0;

  (void)state;
  new_job("old", "", 1000000000);
  new_job("young", "", 1700000000);
  snprintf(folder, sizeof folder, "%s", new_job("broken", "", 1600000000));
  snprintf(path, sizeof path, "%s/job.cfg", folder);
  assert_ok(mt_file_write(path, "rubbish", 7, &err), err);
  assert_ok(mt_job_list(base, (const char *const[]){"old"}, 1, &lines, &n, &err), err);
  assert_int_equal(n, 2); /* the damaged one, too: its words cannot be known */
  mt_job_free_lines(lines, n);
  assert_ok(mt_job_list(base, NULL, 0, &lines, &n, &err), err);
  assert_int_equal(n, 3);
  assert_string_equal(lines[0].unit, "young");
  assert_string_equal(lines[1].unit, "old");
  assert_true(lines[2].damage[0] != '\0');
  mt_job_free_lines(lines, n);
}

static void a_job_is_found_by_path_name_part_or_place(void **state)
{
  char folder[MT_JOB_PATH_MAX], found[MT_JOB_PATH_MAX], inside[MT_JOB_PATH_MAX + 16], home[512];
  mt_error err = {0};

  (void)state;
  snprintf(folder, sizeof folder, "%s", new_job("desk amplifier", "", 1764075000));
  new_job("desk lamp", "", 1764075000);
  assert_ok(mt_job_find(base, folder, found, &err), err);
  assert_string_equal(found, folder);
  assert_ok(mt_job_find(base, "2025-11-25-desk-lamp", found, &err), err);
  assert_ok(mt_job_find(base, "amplifier", found, &err), err);
  assert_string_equal(found, folder);
  assert_int_equal(mt_job_find(base, "desk", found, &err), MT_E_ARG);
  assert_non_null(strstr(err.message, "2 jobs: 2025-11-25-desk-amplifier, 2025-11-25-desk-lamp"));
  assert_int_equal(mt_job_find(base, "toaster", found, &err), MT_E_NO_INPUT);
  assert_int_equal(mt_job_find(base, "../x", found, &err), MT_E_NO_INPUT);
  assert_non_null(getcwd(home, sizeof home));
  snprintf(inside, sizeof inside, "%s/stages", folder);
  assert_int_equal(chdir(inside), 0);
  assert_ok(mt_job_find(base, NULL, found, &err), err);
  assert_string_equal(found, folder);
  assert_int_equal(chdir("/"), 0);
  assert_int_equal(mt_job_find(base, NULL, found, &err), MT_E_NO_INPUT);
  assert_int_equal(chdir(home), 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(a_new_job_says_what_was_said, make_base, remove_base),
      cmocka_unit_test_setup_teardown(jobs_of_one_day_and_unit_get_numbers, make_base, remove_base),
      cmocka_unit_test_setup_teardown(entries_of_every_kind_come_back, make_base, remove_base),
      cmocka_unit_test_setup_teardown(hostile_texts_come_back_as_valid_utf8, make_base, remove_base),
      cmocka_unit_test_setup_teardown(what_is_not_utf8_is_made_so, make_base, remove_base),
      cmocka_unit_test_setup_teardown(the_file_itself_holds_nothing_a_terminal_obeys, make_base, remove_base),
      cmocka_unit_test_setup_teardown(wrong_values_are_refused, make_base, remove_base),
      cmocka_unit_test(a_damaged_file_is_refused_with_its_line),
      cmocka_unit_test_setup_teardown(a_stage_is_filed_with_what_was_written, make_base, remove_base),
      cmocka_unit_test_setup_teardown(a_label_used_again_keeps_what_it_had, make_base, remove_base),
      cmocka_unit_test_setup_teardown(a_stage_read_again_keeps_the_earlier_results, make_base, remove_base),
      cmocka_unit_test(labels_that_could_leave_the_folder_are_refused),
      cmocka_unit_test(the_take_of_a_state_has_a_name_that_is_safe),
      cmocka_unit_test_setup_teardown(a_stage_that_was_left_can_be_gone_on_with, make_base, remove_base),
      cmocka_unit_test_setup_teardown(a_dropped_stage_leaves_nothing, make_base, remove_base),
      cmocka_unit_test_setup_teardown(a_take_that_could_not_be_read_is_filed_with_the_reason, make_base,
                                      remove_base),
      cmocka_unit_test_setup_teardown(only_plain_names_are_written_into_a_stage, make_base, remove_base),
      cmocka_unit_test_setup_teardown(writers_at_the_same_time_lose_nothing, make_base, remove_base),
      cmocka_unit_test_setup_teardown(jobs_are_found_by_words_in_all_they_hold, make_base, remove_base),
      cmocka_unit_test_setup_teardown(the_youngest_comes_first_and_the_damaged_is_not_hidden, make_base,
                                      remove_base),
      cmocka_unit_test_setup_teardown(a_job_is_found_by_path_name_part_or_place, make_base, remove_base),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
