/* The writer of takes, read back by libsndfile through the "file" back end: another program's eyes. */
#include "support.h"

#include "audio/writer.h"
#include "base/random.h"

#include <mendtone/capture.h>

#include <dirent.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define RATE 48000.0
#define KILLS 100
#define BLOCK_MOST 4096

static char folder[64], path[80], part[80];

static int set_up(void **state)
{
  (void)state;
  snprintf(folder, sizeof folder, "/tmp/mendtone-writer-XXXXXX");
  if (mkdtemp(folder) == NULL)
    return -1;
  snprintf(path, sizeof path, "%s/take.wav", folder);
  snprintf(part, sizeof part, "%s/take.part.wav", folder);
  return 0;
}

static int tear_down(void **state)
{
  DIR *dir = opendir(folder);
  struct dirent *entry;
  char name[400];
  (void)state;
  while (dir != NULL && (entry = readdir(dir)) != NULL) {
    snprintf(name, sizeof name, "%s/%s", folder, entry->d_name);
    unlink(name);
  }
  if (dir != NULL)
    closedir(dir);
  return dir != NULL ? rmdir(folder) : 0;
}

/* Sample of a channel at a frame: of its own for each, and exact in float. */
static float sample_at(size_t n, unsigned c)
{
  return (float)((n * 2 + c) % 16777213) * 0x1p-24f;
}

static void fill(float *out, size_t first, size_t nframes)
{
  for (size_t i = 0; i < nframes; i++)
    for (unsigned c = 0; c < 2; c++)
      out[2 * i + c] = sample_at(first + i, c);
}

static mt_take *read_back(const char *name)
{
  mt_audio_request request = {.input = name};
  mt_take *take = NULL;
  mt_error err = {0};
  assert_ok(mt_capture_run(mt_audio_find_backend("file"), &request, &take, &err), err);
  return take;
}

/* All frames that can be read are those that were written; at least so many of them, and no problem is told. */
static size_t assert_frames(const char *name, size_t at_least)
{
  mt_take *take = read_back(name);
  size_t nframes = take->nframes, wrong = 0;
  assert_int_equal(take->nchannels, 2);
  assert_near(take->rate_hz, RATE, 0.0, "Hz");
  assert_true(nframes >= at_least);
  assert_int_equal(take->nproblems, 0);
  for (size_t n = 0; n < nframes; n++)
    for (unsigned c = 0; c < 2; c++)
      wrong += memcmp(&take->samples[2 * n + c], &(float){sample_at(n, c)}, sizeof(float)) != 0;
  assert_int_equal(wrong, 0);
  mt_take_destroy(&take);
  return nframes;
}

static mt_audio_writer *open_writer(void)
{
  mt_audio_writer *writer = NULL;
  mt_error err = {0};
  assert_ok(mt_audio_writer_open(path, RATE, 2, &writer, &err), err);
  return writer;
}

static void append(mt_audio_writer *writer, size_t first, size_t nframes)
{
  static float block[2 * BLOCK_MOST];
  mt_error err = {0};
  while (nframes > 0) {
    size_t n = nframes < BLOCK_MOST ? nframes : BLOCK_MOST;
    fill(block, first, n);
    assert_ok(mt_audio_writer_append(writer, block, n, &err), err);
    first += n;
    nframes -= n;
  }
}

static void what_is_written_in_any_blocks_is_read_back(void **state)
{
  static const size_t blocks[] = {1, 4096, 37, 1, 1, 1000, 4095};
  mt_audio_writer *writer = open_writer();
  mt_error err = {0};
  size_t total = 0;
  (void)state;
  for (size_t i = 0; i < 70; i++) {
    append(writer, total, blocks[i % 7]);
    total += blocks[i % 7];
    if (total > (size_t)(RATE / 10))
      assert_frames(part, total - (size_t)(RATE / 10)); /* at any time all but the last tenth of a second */
  }
  assert_int_equal(mt_audio_writer_nframes(writer), total);
  assert_string_equal(mt_audio_writer_file(writer), part);
  assert_int_equal(access(path, F_OK), -1);
  assert_ok(mt_audio_writer_close(&writer, &err), err);
  assert_null(writer);
  assert_int_equal(assert_frames(path, total), total);
  assert_int_equal(access(part, F_OK), -1);
}

static void write_text(const char *name, const char *text)
{
  FILE *file = fopen(name, "w");
  assert_non_null(file);
  fputs(text, file);
  assert_int_equal(fclose(file), 0);
}

static void an_interrupted_take_destroys_neither_a_good_one_nor_an_earlier_part(void **state)
{
  mt_audio_writer *writer;
  struct stat info;
  char second[80];
  mt_error err = {0};
  (void)state;
  write_text(path, "good");
  write_text(part, "earlier");
  writer = open_writer();
  snprintf(second, sizeof second, "%s/take.part-2.wav", folder);
  assert_string_equal(mt_audio_writer_file(writer), second);
  append(writer, 0, 5000);
  mt_audio_writer_abandon(&writer);
  assert_null(writer);
  assert_int_equal(assert_frames(second, 5000), 5000);
  assert_int_equal(stat(path, &info), 0);
  assert_int_equal(info.st_size, 4);
  assert_int_equal(stat(part, &info), 0);
  assert_int_equal(info.st_size, 7);
  writer = open_writer(); /* the next whole one takes the place of the good one */
  append(writer, 0, 100);
  assert_ok(mt_audio_writer_close(&writer, &err), err);
  assert_int_equal(assert_frames(path, 100), 100);
}

static void a_part_without_a_frame_is_not_left_behind(void **state)
{
  mt_audio_writer *writer = open_writer();
  (void)state;
  assert_int_equal(access(part, F_OK), 0);
  mt_audio_writer_abandon(&writer);
  assert_int_equal(access(part, F_OK), -1);
  mt_audio_writer_abandon(&writer);
}

static void what_cannot_be_written_to_is_refused_by_name(void **state)
{
  static const struct {
    const char *path;
    double rate_hz;
    unsigned nchannels;
    mt_code code;
    const char *says;
  } table[] = {
      {"/tmp", RATE, 2, MT_E_CREATE, "/tmp: is a folder"},
      {"/dev/null", RATE, 2, MT_E_CREATE, "/dev/null: is a device or a pipe"},
      {"/nonesuch/x.wav", RATE, 2, MT_E_CREATE, "/nonesuch/x.wav: cannot be created: No such file"},
      {"/proc/x.wav", RATE, 2, MT_E_CREATE, "/proc/x.wav: cannot be created: "},
      {"/tmp/x.wav", 44100.5, 2, MT_E_ARG, "44100.5 Hz"},
      {"/tmp/x.wav", (double)NAN, 2, MT_E_ARG, "whole hertz"},
      {"/tmp/x.wav", RATE, 0, MT_E_ARG, "0 channels"},
      {"/tmp/x.wav", RATE, 33, MT_E_ARG, "33 channels"},
  };
  (void)state;
  for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    mt_audio_writer *writer = NULL;
    mt_error err = {0};
    assert_int_equal(mt_audio_writer_open(table[i].path, table[i].rate_hz, table[i].nchannels, &writer, &err),
                     table[i].code);
    assert_null(writer);
    assert_non_null(strstr(err.message, table[i].says));
  }
}

/* A disk that is full, as far as one process can have one: no file may grow beyond a limit. */
static void a_full_disk_keeps_what_was_before(void **state)
{
  struct rlimit limit, before;
  mt_audio_writer *writer = open_writer();
  static float block[2 * 1000];
  mt_error err = {0};
  mt_code code = MT_OK;
  size_t kept;
  (void)state;
  signal(SIGXFSZ, SIG_IGN);
  assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
  limit = before;
  limit.rlim_cur = 300000;
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
  for (size_t i = 0; i < 100 && code == MT_OK; i++) {
    fill(block, i * 1000, 1000);
    code = mt_audio_writer_append(writer, block, 1000, &err);
  }
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
  assert_int_equal(code, MT_E_IO);
  assert_non_null(
      strstr(err.message, "take.wav: cannot be written on after 0.77 s: ")); /* 37 blocks of 1000 */
  assert_int_equal(assert_frames(part, 37000), 37000);
  /* room again: a hole in the take would be worse */
  assert_int_equal(mt_audio_writer_append(writer, block, 1000, &err), MT_E_IO);
  assert_int_equal(mt_audio_writer_close(&writer, &err), MT_E_IO);
  assert_non_null(writer);
  mt_audio_writer_abandon(&writer);
  kept = assert_frames(part, 37000);
  assert_int_equal(kept, 37000);
  assert_int_equal(access(path, F_OK), -1);
}

static void a_folder_that_goes_away_takes_nothing_along(void **state)
{
  char inner[80], lost[96];
  mt_audio_writer *writer = NULL;
  mt_error err = {0};
  (void)state;
  snprintf(inner, sizeof inner, "%s/inner", folder);
  snprintf(lost, sizeof lost, "%s/take.wav", inner);
  assert_int_equal(mkdir(inner, 0700), 0);
  assert_ok(mt_audio_writer_open(lost, RATE, 2, &writer, &err), err);
  append(writer, 0, 10000);
  assert_int_equal(unlink(mt_audio_writer_file(writer)), 0);
  assert_int_equal(rmdir(inner), 0);
  append(writer, 10000, 10000);
  assert_int_not_equal(mt_audio_writer_close(&writer, &err), MT_OK);
  assert_non_null(strstr(err.message, "inner/take.wav: "));
  assert_non_null(writer);
  assert_ok(mt_audio_writer_close_as(&writer, path, &err), err);
  assert_null(writer);
  assert_int_equal(assert_frames(path, 20000), 20000);
}

/* Beyond 4 GiB, in a file that is mostly a hole. */
static void a_long_recording_is_an_rf64(void **state)
{
  static const uint64_t frames[] = {536870399, 536870400, 536872000, 640000000};
  (void)state;
  for (size_t i = 0; i < sizeof frames / sizeof frames[0]; i++) {
    unsigned char header[MT_WRITER_HEADER_BYTES];
    mt_file_info info;
    mt_error err = {0};
    int fd = open(path, O_RDWR | O_CREAT | O_TRUNC, 0600);
    assert_true(fd >= 0);
    mt_writer_make_header(frames[i], 2, 48000, header);
    assert_int_equal(write(fd, header, sizeof header), sizeof header);
    assert_int_equal(ftruncate(fd, (off_t)(sizeof header + 8 * frames[i])), 0);
    close(fd);
    assert_memory_equal(header, i == 0 ? "RIFF" : "RF64", 4);
    assert_ok(mt_audio_read_info(path, &info, &err), err);
    assert_int_equal(info.nframes, frames[i]);
    assert_int_equal(info.nchannels, 2);
    assert_near(info.rate_hz, 48000.0, 0.0, "Hz");
  }
}

/* ---- killed ------------------------------------------------------------------------------------------- */

/* Appends blocks of random length as fast as it can, and says how far it is. Does not return. */
static void write_for_ever(uint64_t seed, _Atomic(size_t) *done)
{
  static float block[2 * BLOCK_MOST];
  mt_audio_writer *writer = NULL;
  mt_random random;
  size_t total = 0;
  mt_random_init(&random, seed);
  if (mt_audio_writer_open(path, RATE, 2, &writer, NULL) != MT_OK)
    _exit(1);
  for (;;) {
    size_t n = 1 + (size_t)(mt_random_uniform(&random) * (BLOCK_MOST - 1));
    fill(block, total, n);
    if (mt_audio_writer_append(writer, block, n, NULL) != MT_OK)
      _exit(1);
    total += n;
    atomic_store(done, total);
    usleep(20); /* the disk is not ours to fill */
  }
}

static void a_program_killed_at_any_moment_leaves_all_but_the_last_tenth_of_a_second(void **state)
{
  _Atomic(size_t) *done = mmap(NULL, sizeof *done, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
  uint64_t seed = support_seed(11);
  mt_random random;
  size_t least = SIZE_MAX, most = 0;
  (void)state;
  assert_true(done != MAP_FAILED);
  mt_random_init(&random, seed);
  for (uint64_t i = 0; i < KILLS; i++) {
    size_t appended;
    pid_t child;
    int status;
    atomic_store(done, 0);
    child = fork();
    assert_true(child >= 0);
    if (child == 0)
      write_for_ever(seed + i, done);
    while (atomic_load(done) == 0)
      usleep(50);
    usleep((useconds_t)(mt_random_uniform(&random) * 10000.0));
    kill(child, SIGKILL);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status));
    appended = atomic_load(done);
    least = appended < least ? appended : least;
    most = appended > most ? appended : most;
    if (appended > (size_t)(RATE / 10)) /* a shorter one may still be empty */
      assert_frames(part, appended - (size_t)(RATE / 10));
    assert_int_equal(unlink(part), 0);
  }
  print_message("%d kills, after %zu to %zu frames\n", KILLS, least, most);
  assert_true(most > 2 * least); /* the moments were not all alike */
  munmap(done, sizeof *done);
}

static void what_was_not_closed_is_known_by_its_name(void **state)
{
  (void)state;
  assert_true(mt_audio_writer_is_part("a.part.wav"));
  assert_true(mt_audio_writer_is_part("/x/y.part/a.part-12.wav"));
  assert_true(mt_audio_writer_is_part("b.part.part.wav"));
  assert_false(mt_audio_writer_is_part("a.wav"));
  assert_false(mt_audio_writer_is_part("/x/y.part/a.wav"));
  assert_false(mt_audio_writer_is_part("a.party.wav"));
  assert_false(mt_audio_writer_is_part("a.part.flac"));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(what_was_not_closed_is_known_by_its_name),
      cmocka_unit_test_setup_teardown(what_is_written_in_any_blocks_is_read_back, set_up, tear_down),
      cmocka_unit_test_setup_teardown(an_interrupted_take_destroys_neither_a_good_one_nor_an_earlier_part,
                                      set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_part_without_a_frame_is_not_left_behind, set_up, tear_down),
      cmocka_unit_test_setup_teardown(what_cannot_be_written_to_is_refused_by_name, set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_full_disk_keeps_what_was_before, set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_folder_that_goes_away_takes_nothing_along, set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_long_recording_is_an_rf64, set_up, tear_down),
      cmocka_unit_test_setup_teardown(
          a_program_killed_at_any_moment_leaves_all_but_the_last_tenth_of_a_second, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
