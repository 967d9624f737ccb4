/* Recordings. The files to be read are put together here, byte by byte from the formats' own descriptions, so
 * that nothing is read only by what wrote it. */
#include "support.h"

#include "audio/file.h"
#include "base/decibel.h"
#include "base/random.h"

#include <mendtone/capture.h>

#include <dirent.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* ---- bytes ------------------------------------------------------------------------------------------- */

typedef struct bytes {
  unsigned char data[65536];
  size_t size;
} bytes;

static void put(bytes *b, const void *data, size_t size)
{
  assert_true(b->size + size <= sizeof b->data);
  memcpy(b->data + b->size, data, size);
  b->size += size;
}

static void put_little(bytes *b, uint64_t value, unsigned nbytes)
{
  for (unsigned i = 0; i < nbytes; i++) {
    unsigned char byte = (unsigned char)(value >> (8 * i));
    put(b, &byte, 1);
  }
}

static void put_big(bytes *b, uint64_t value, unsigned nbytes)
{
  for (unsigned i = nbytes; i-- > 0;) {
    unsigned char byte = (unsigned char)(value >> (8 * i));
    put(b, &byte, 1);
  }
}

static void put_format(bytes *b, unsigned tag, unsigned nchannels, unsigned rate, unsigned bits)
{
  put_little(b, tag, 2);
  put_little(b, nchannels, 2);
  put_little(b, rate, 4);
  put_little(b, (uint64_t)rate * nchannels * bits / 8, 4);
  put_little(b, (uint64_t)nchannels * bits / 8, 2);
  put_little(b, bits, 2);
}

/* Frame n of channel c is n - 500 * c in units of 2^-15: told apart in 16 bits and in float. */
static int sample_of(size_t n, unsigned c)
{
  return (int)n - 500 * (int)c;
}

static void put_samples(bytes *b, unsigned tag, unsigned nchannels, unsigned bits, size_t nframes)
{
  for (size_t n = 0; n < nframes; n++)
    for (unsigned c = 0; c < nchannels; c++) {
      if (tag == 3) {
        float value = (float)sample_of(n, c) / 32768.0f;
        put(b, &value, sizeof value); /* this machine's order; the test runs on little-endian ones */
      } else {
        put_little(b, (uint64_t)(int64_t)sample_of(n, c) << (bits - 16), bits / 8);
      }
    }
}

/* RIFF WAVE; `data_bytes` as the header states it. */
static void make_wav(bytes *b, unsigned tag, unsigned nchannels, unsigned rate, unsigned bits, size_t nframes,
                     uint64_t data_bytes)
{
  b->size = 0;
  put(b, "RIFF", 4);
  put_little(b, 36 + data_bytes, 4);
  put(b, "WAVEfmt ", 8);
  put_little(b, 16, 4);
  put_format(b, tag, nchannels, rate, bits);
  put(b, "data", 4);
  put_little(b, data_bytes, 4);
  put_samples(b, tag, nchannels, bits, nframes);
}

/* EBU Tech 3306: lengths of -1, the true ones in a ds64 chunk. */
static void make_rf64(bytes *b, size_t nframes)
{
  uint64_t data_bytes = nframes * 8;
  b->size = 0;
  put(b, "RF64\xff\xff\xff\xffWAVEds64", 16);
  put_little(b, 28, 4);
  put_little(b, 72 + data_bytes, 8);
  put_little(b, data_bytes, 8);
  put_little(b, nframes, 8);
  put_little(b, 0, 4);
  put(b, "fmt ", 4);
  put_little(b, 16, 4);
  put_format(b, 3, 2, 96000, 32);
  put(b, "data\xff\xff\xff\xff", 8);
  put_samples(b, 3, 2, 32, nframes);
}

static void make_w64(bytes *b, size_t nframes)
{
  static const unsigned char tail[12] = {0xf3, 0xac, 0xd3, 0x11, 0x8c, 0xd1,
                                         0x00, 0xc0, 0x4f, 0x8e, 0xdb, 0x8a};
  static const unsigned char riff_tail[12] = {0x2e, 0x91, 0xcf, 0x11, 0xa5, 0xd6,
                                              0x28, 0xdb, 0x04, 0xc1, 0x00, 0x00};
  uint64_t data_bytes = nframes * 4;
  b->size = 0;
  put(b, "riff", 4);
  put(b, riff_tail, 12);
  put_little(b, 40 + 40 + 24 + data_bytes, 8); /* lengths count their own 24 bytes of head */
  put(b, "wave", 4);
  put(b, tail, 12);
  put(b, "fmt ", 4);
  put(b, tail, 12);
  put_little(b, 24 + 16, 8);
  put_format(b, 1, 2, 48000, 16);
  put(b, "data", 4);
  put(b, tail, 12);
  put_little(b, 24 + data_bytes, 8);
  put_samples(b, 1, 2, 16, nframes);
}

static unsigned crc(const unsigned char *data, size_t size, unsigned bits, unsigned polynomial)
{
  unsigned value = 0, top = 1u << (bits - 1), mask = (1u << bits) - 1;
  for (size_t i = 0; i < size; i++) {
    value ^= (unsigned)data[i] << (bits - 8);
    for (int k = 0; k < 8; k++)
      value = (value & top ? value << 1 ^ polynomial : value << 1) & mask;
  }
  return value;
}

/* RFC 9639: one frame of verbatim subframes a block of 256 frames, 16 bits, stereo, 44.1 kHz. */
static void make_flac(bytes *b, size_t nblocks)
{
  b->size = 0;
  put(b, "fLaC\x80\x00\x00\x22", 8); /* last metadata block, STREAMINFO, 34 bytes */
  put_big(b, 256, 2);
  put_big(b, 256, 2);
  put_big(b, 0, 6);
  put_big(b, (uint64_t)44100 << 44 | (uint64_t)1 << 41 | (uint64_t)15 << 36 | nblocks * 256, 8);
  for (int i = 0; i < 16; i++)
    put_big(b, 0, 1); /* no MD5 */
  for (size_t block = 0; block < nblocks; block++) {
    size_t begin = b->size;
    put_big(b, 0xfff8, 2);
    put_big(b, 0x89, 1); /* 256 frames a block, 44.1 kHz */
    put_big(b, 0x18, 1); /* two channels, 16 bits */
    put_big(b, block, 1);
    put_big(b, crc(b->data + begin, b->size - begin, 8, 0x07), 1);
    for (unsigned c = 0; c < 2; c++) {
      put_big(b, 0x02, 1);
      for (size_t n = 0; n < 256; n++)
        put_big(b, (uint64_t)(int64_t)sample_of(block * 256 + n, c) & 0xffff, 2);
    }
    put_big(b, crc(b->data + begin, b->size - begin, 16, 0x8005), 2);
  }
}

/* ---- files ------------------------------------------------------------------------------------------- */

static char folder[] = "/tmp/mendtone-file-XXXXXX";
static char path_buffer[256];

static const char *path_of(const char *name)
{
  snprintf(path_buffer, sizeof path_buffer, "%s/%s", folder, name);
  return path_buffer;
}

static const char *save(const bytes *b)
{
  FILE *file;
  unlink(path_of("take")); /* a file cut to nothing and written again is flushed to disc by some systems */
  file = fopen(path_buffer, "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(b->data, 1, b->size, file), b->size);
  assert_int_equal(fclose(file), 0);
  return path_buffer;
}

static mt_code read_take(const char *path, mt_take **out, mt_error *err)
{
  mt_audio_request request = {0};
  request.input = path;
  return mt_capture_run(mt_audio_find_backend("file"), &request, out, err);
}

/* Left where it is, it is the same take: any stretch, in any order; with the same problems, or the same refusal. */
static void assert_stored_alike(const char *path, mt_random *random)
{
  mt_audio_request request = {.input = path};
  mt_take *kept = NULL, *stored = NULL;
  mt_error err = {0}, stored_err = {0};
  mt_code code = read_take(path, &kept, &err);
  static float stretch[65536];

  assert_int_equal(mt_capture_open(&request, &stored, &stored_err), code);
  assert_string_equal(stored_err.message, err.message);
  if (code != MT_OK)
    return;
  assert_int_equal(stored->nframes, kept->nframes);
  assert_null(stored->samples);
  assert_int_equal(stored->nproblems, kept->nproblems);
  for (size_t i = 0; i < kept->nproblems; i++)
    assert_string_equal(stored->problems[i].text, kept->problems[i].text);
  for (int i = 0; i < 30; i++) {
    size_t first = (size_t)(mt_random_uniform(random) * (double)kept->nframes);
    size_t count = 1 + (size_t)(mt_random_uniform(random) * (double)(kept->nframes - first));
    count = count < kept->nframes - first ? count : kept->nframes - first;
    assert_true(count * kept->nchannels <= 65536);
    assert_ok(stored->reader.read(stored->reader.ctx, first, count, stretch, &err), err);
    assert_memory_equal(stretch, kept->samples + first * kept->nchannels,
                        count * kept->nchannels * sizeof *stretch);
  }
  assert_ok(mt_capture_inspect(kept, &err), err);
  assert_ok(mt_capture_inspect(stored, &err), err);
  for (unsigned c = 0; c < kept->nchannels; c++) {
    assert_near((double)stored->facts[c].least, (double)kept->facts[c].least, 0.0, "FS");
    assert_near((double)stored->facts[c].most, (double)kept->facts[c].most, 0.0, "FS");
    assert_near(stored->facts[c].mean, kept->facts[c].mean, 0.0, "FS");
    assert_near(stored->facts[c].step, kept->facts[c].step, 0.0, "FS");
  }
  assert_int_equal(stored->nproblems, kept->nproblems);
  mt_take_destroy(&kept);
  mt_take_destroy(&stored);
}

static void assert_reads(const bytes *b, double rate_hz, unsigned nchannels, size_t nframes)
{
  const char *path = save(b);
  mt_file_info info = {0};
  mt_take *take = NULL;
  mt_error err = {0};
  assert_ok(mt_audio_read_info(path, &info, &err), err);
  assert_near(info.rate_hz, rate_hz, 0.0, "Hz");
  assert_int_equal(info.nchannels, nchannels);
  assert_int_equal(info.nframes, nframes);
  assert_ok(read_take(path, &take, &err), err);
  assert_near(take->rate_hz, rate_hz, 0.0, "Hz");
  assert_int_equal(take->nchannels, nchannels);
  assert_int_equal(take->nframes, nframes);
  assert_int_equal(take->nproblems, 0);
  assert_false(take->play_aligned);
  assert_string_equal(take->file, path);
  for (size_t n = 0; n < nframes; n++)
    for (unsigned c = 0; c < nchannels; c++)
      assert_near((double)take->samples[n * nchannels + c], sample_of(n, c) / 32768.0, 0.0, "FS");
  mt_take_destroy(&take);
}

/* ---- tests ------------------------------------------------------------------------------------------- */

static bytes b;

static void every_format_is_read_to_the_last_bit(void **state)
{
  (void)state;
  make_wav(&b, 1, 2, 48000, 16, 1000, 4000);
  assert_reads(&b, 48000.0, 2, 1000);
  make_wav(&b, 1, 1, 44100, 24, 1001, 3003);
  assert_reads(&b, 44100.0, 1, 1001);
  make_wav(&b, 1, 5, 192000, 32, 100, 2000);
  assert_reads(&b, 192000.0, 5, 100);
  make_wav(&b, 3, 2, 96000, 32, 1, 8);
  assert_reads(&b, 96000.0, 2, 1);
  make_rf64(&b, 700);
  assert_reads(&b, 96000.0, 2, 700);
  make_w64(&b, 700);
  assert_reads(&b, 48000.0, 2, 700);
  make_flac(&b, 5);
  assert_reads(&b, 44100.0, 2, 1280);
}

static void a_recording_left_where_it_is_is_the_same_take(void **state)
{
  mt_random random;
  (void)state;
  mt_random_init(&random, support_seed(2026));
  make_wav(&b, 1, 2, 48000, 16, 1000, 4000);
  assert_stored_alike(save(&b), &random);
  make_wav(&b, 3, 3, 48000, 32, 900, 10800);
  assert_stored_alike(save(&b), &random);
  make_wav(&b, 1, 2, 48000, 16, 1000, 8000); /* cut off */
  assert_stored_alike(save(&b), &random);
  make_w64(&b, 700);
  assert_stored_alike(save(&b), &random);
  make_flac(&b, 60);
  assert_stored_alike(save(&b), &random);
  b.size = 42 + 50 * 1034 + 500; /* cut off in the middle of a block */
  assert_stored_alike(save(&b), &random);
  make_flac(&b, 60);
  b.data[42 + 40 * 1034 + 700] ^= 0x10; /* one wrong bit: good before it */
  assert_stored_alike(save(&b), &random);
  assert_stored_alike("/nonexistent/take.wav", &random);
}

static void a_recording_that_changes_meanwhile_is_refused(void **state)
{
  mt_audio_request request = {0};
  mt_take *take = NULL;
  mt_error err = {0};
  const float *seen;
  mt_take_view view = {0};
  int fd;
  (void)state;
  make_wav(&b, 1, 2, 48000, 16, 10000, 40000);
  request.input = save(&b);
  assert_ok(mt_capture_open(&request, &take, &err), err);
  fd = open(path_buffer, O_WRONLY);
  assert_int_equal(ftruncate(fd, 1000), 0);
  close(fd);
  view.take = take;
  assert_int_equal(mt_take_look(&view, 0, 10000, &seen, &err), MT_E_IO);
  assert_true(strstr(err.message, "cannot be read again at") != NULL);
  mt_take_view_finish(&view);
  mt_take_destroy(&take);
}

static void a_wav_written_to_a_pipe_is_read_to_its_end(void **state)
{
  (void)state;
  make_wav(&b, 1, 2, 48000, 16, 1000, 0xffffffff); /* its writer could not go back to fill in the length */
  assert_reads(&b, 48000.0, 2, 1000);
}

/* Of a damaged FLAC no sample after the damage is taken, and at most one block of 4096 before it is given up. */
static void assert_good_part(size_t good_frames)
{
  mt_take *take = NULL;
  mt_error err = {0};
  char want[160];
  assert_ok(read_take(save(&b), &take, &err), err);
  assert_between((double)take->nframes, (double)good_frames - 4096.0, (double)good_frames, "frames");
  assert_int_equal(take->nproblems, 1);
  assert_int_equal(take->problems[0].kind, MT_PROBLEM_LOST);
  snprintf(want, sizeof want, "the recording is cut off or damaged: %zu of 15360 frames can be read",
           take->nframes);
  assert_string_equal(take->problems[0].text, want);
  for (size_t n = 0; n < take->nframes; n++)
    assert_near((double)take->samples[2 * n], sample_of(n, 0) / 32768.0, 0.0, "FS");
  mt_take_destroy(&take);
}

/* The part that is there is read; that there should be more is said. */
static void a_recording_cut_short_is_read_and_reported(void **state)
{
  mt_take *take = NULL;
  mt_error err = {0};
  (void)state;
  make_wav(&b, 1, 2, 48000, 16, 1000, 8000);
  assert_ok(read_take(save(&b), &take, &err), err);
  assert_int_equal(take->nframes, 1000);
  assert_int_equal(take->nproblems, 1);
  assert_int_equal(take->problems[0].kind, MT_PROBLEM_LOST);
  assert_near(take->problems[0].begin_s, 1000.0 / 48000.0, 1e-12, "s");
  assert_string_equal(take->problems[0].text,
                      "the recording is cut off: 4000 bytes that its header promises are missing");
  mt_take_destroy(&take);

  make_flac(&b, 60);
  b.size = 42 + 50 * 1034 + 500; /* in the middle of the block from frame 12800 on */
  assert_good_part(12800);
  make_flac(&b, 60);
  b.data[42 + 40 * 1034 + 700] ^= 0x10; /* one bit in the block from frame 10240 on: its checksum tells */
  assert_good_part(10240);
}

static void assert_refused(const char *path, mt_code want_code, const char *want)
{
  mt_file_info info = {1.0, 1, 1};
  mt_take *take = NULL;
  mt_error err = {0};
  assert_int_equal(mt_audio_read_info(path, &info, &err), want_code);
  if (strstr(err.message, want) == NULL)
    fail_msg("\"%s\" does not say \"%s\"", err.message, want);
  assert_null(strchr(err.message, '\n'));
  assert_int_equal(info.nframes, 1);
  assert_int_equal(read_take(path, &take, &err), want_code);
  assert_null(take);
}

static void compressed_sound_is_known_whatever_its_name(void **state)
{
  static const struct {
    const char *head;
    const char *kind;
  } cases[] = {
      {"ID3\x04\x00\x00\x00\x00\x00\x23TSSE\x00\x00", "looks like MP3 inside"},
      {"\xff\xfb\x90\x64\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", "looks like MP3 inside"},
      {"\xff\xf1\x50\x80\x00\x1f\xfc\x00\x00\x00\x00\x00\x00\x00\x00\x00", "looks like AAC inside"},
      {"OggS\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", "looks like Ogg Vorbis or Opus inside"},
      {"\x00\x00\x00\x20"
       "ftypM4A \x00\x00\x00\x00",
       "looks like MP4 or M4A (AAC) inside"},
      {"\x30\x26\xb2\x75\x8e\x66\xcf\x11\xa6\xd9\x00\xaa\x00\x62\xce\x6c", "looks like WMA inside"},
      /* eleven set bits are not enough: bit rate 15 */
      {"\xff\xfb\xf0\x64\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", "is not a recording"},
  };

  (void)state;
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    b.size = 0;
    put(&b, cases[i].head, 16);
    assert_refused(save(&b), MT_E_DATA, cases[i].kind);
  }
}

static void what_is_no_recording_is_refused_in_one_line(void **state)
{
  (void)state;
  assert_refused("/nonexistent/take.wav", MT_E_NO_INPUT, "/nonexistent/take.wav: cannot be opened: No such");
  assert_refused(folder, MT_E_NO_INPUT, "is a folder; name a recording");
  b.size = 0;
  assert_refused(save(&b), MT_E_DATA, "is empty");
  put(&b, "These are words, not samples.\n", 30);
  assert_refused(save(&b), MT_E_DATA, "is not a recording; expected WAV, RF64, W64 or FLAC");
  b.size = 0;
  put(&b,
      "FORM\x00\x00\x10\x00"
      "AIFFCOMM....................",
      32);
  assert_refused(save(&b), MT_E_DATA, "is not a recording");
  make_wav(&b, 1, 2, 48000, 16, 10, 40);
  b.size = 10;
  assert_refused(save(&b), MT_E_DATA, "is not a recording");
  make_wav(&b, 1, 2, 48000, 16, 10, 40);
  b.size = 30; /* in the middle of the format */
  assert_refused(save(&b), MT_E_DATA, "is damaged");
  make_flac(&b, 1);
  b.size = 20;
  assert_refused(save(&b), MT_E_DATA, "is damaged");
  make_wav(&b, 1, 2, 48000, 16, 0, 0);
  assert_refused(save(&b), MT_E_DATA, "holds no samples");
  make_wav(&b, 7, 2, 8000, 8, 0, 40); /* mu-law */
  for (int i = 0; i < 40; i++)
    put_little(&b, 0x55, 1);
  assert_refused(save(&b), MT_E_DATA, "expected PCM or float");
  make_wav(&b, 1, 33, 48000, 16, 10, 660);
  assert_refused(save(&b), MT_E_DATA, "has 33 channels; expected 1 to 32");
}

static void a_pipe_is_refused_without_waiting_for_a_writer(void **state)
{
  (void)state;
  assert_int_equal(mkfifo(path_of("pipe"), 0600), 0);
  assert_refused(path_of("pipe"), MT_E_NO_INPUT, "is not a regular file");
}

static void a_wav_longer_than_its_header_can_say_is_refused(void **state)
{
  (void)state;
  make_wav(&b, 1, 2, 48000, 16, 1000, 4000);
  /* sparse: it takes no room */
  if (truncate(save(&b), ((off_t)1 << 32) + 4096) != 0)
    fail_msg("the file system holds no file of 4 GiB");
  assert_refused(path_of("take"), MT_E_DATA,
                 "longer than a WAV header can say (4 GiB); save it as RF64 or W64");
}

static void damaged_headers_end_in_an_answer(void **state)
{
  mt_random random;
  size_t refused = 0;
  (void)state;
  mt_random_init(&random, support_seed(2024));
  for (int i = 0; i < 3000; i++) {
    mt_take *take = NULL;
    mt_error err = {0};
    size_t head = 0;
    switch (i % 4) {
    case 0:
      make_wav(&b, 1, 2, 48000, 16, 300, 1200);
      head = 44;
      break;
    case 1:
      make_rf64(&b, 300);
      head = 80;
      break;
    case 2:
      make_w64(&b, 300);
      head = 128;
      break;
    default:
      make_flac(&b, 2);
      head = 60;
      break;
    }
    for (uint64_t k = 1 + mt_random_bits(&random) % 4; k > 0; k--)
      b.data[mt_random_bits(&random) % head] = (unsigned char)mt_random_bits(&random);
    if (mt_random_bits(&random) % 4 == 0)
      b.size = 1 + mt_random_bits(&random) % b.size;
    if (read_take(save(&b), &take, &err) != MT_OK) {
      refused++;
      assert_true(err.message[0] != '\0');
      assert_null(take);
    }
    mt_take_destroy(&take);
    if (i % 10 == 0)
      assert_stored_alike(path_buffer, &random);
  }
  print_message("%zu of 3000 refused\n", refused);
  assert_between((double)refused, 1.0, 2999.0, "files");
}

static size_t count_files(void)
{
  DIR *dir = opendir(folder);
  size_t count = 0;
  assert_non_null(dir);
  while (readdir(dir) != NULL)
    count++;
  closedir(dir);
  return count;
}

static bytes slurp(const char *path)
{
  bytes got = {.size = 0};
  FILE *file = fopen(path, "rb");
  assert_non_null(file);
  got.size = fread(got.data, 1, sizeof got.data, file);
  fclose(file);
  return got;
}

static void a_float_file_keeps_every_bit_and_is_the_same_each_time(void **state)
{
  float frames[3 * 400];
  mt_random random;
  mt_take *take = NULL;
  mt_error err = {0};
  bytes first, second;
  (void)state;
  mt_random_init(&random, support_seed(5));
  for (size_t i = 0; i < COUNT(frames); i++)
    frames[i] = (float)(4.0 * mt_random_uniform(&random) - 2.0); /* also beyond full scale */
  assert_ok(mt_audio_write_file(path_of("f.wav"), frames, 400, 3, 96000.0, MT_SAMPLE_FLOAT, &err), err);
  first = slurp(path_of("f.wav"));
  assert_ok(mt_audio_write_file(path_of("f.wav"), frames, 400, 3, 96000.0, MT_SAMPLE_FLOAT, &err), err);
  second = slurp(path_of("f.wav"));
  assert_int_equal(first.size, second.size);
  assert_memory_equal(first.data, second.data, first.size);
  assert_memory_equal(first.data, "RIFF", 4);
  assert_memory_equal(first.data + first.size - sizeof frames, frames, sizeof frames);
  assert_ok(read_take(path_of("f.wav"), &take, &err), err);
  assert_int_equal(take->nframes, 400);
  assert_int_equal(take->nchannels, 3);
  assert_memory_equal(take->samples, frames, sizeof frames);
  mt_take_destroy(&take);
}

/* Error of TPDF-dithered rounding: at most 1.5 LSB, mean square q^2/4 (-93.319 and -141.484 dB re a
 * full-scale sine in 16 and 24 bits), no bias. */
static void integer_files_carry_tpdf_dither(void **state)
{
  static const struct {
    const char *name;
    mt_sample_format format;
    int bits;
    double want_dbfs;
  } table[] = {{"i.wav", MT_SAMPLE_PCM16, 16, -93.319},
               {"i.wav", MT_SAMPLE_PCM24, 24, -141.484},
               {"i.flac", MT_SAMPLE_PCM16, 16, -93.319},
               {"i.FLAC", MT_SAMPLE_PCM24, 24, -141.484}};
  size_t nframes = 100000;
  float *frames = malloc(2 * nframes * sizeof *frames);
  (void)state;
  assert_non_null(frames);
  for (size_t n = 0; n < nframes; n++) {
    frames[2 * n] = (float)(0.3 * sin(2.0 * MT_PI * 997.0 / 48000.0 * (double)n));
    frames[2 * n + 1] = 0.0f;
  }
  for (size_t i = 0; i < COUNT(table); i++) {
    mt_take *take = NULL;
    mt_error err = {0};
    double lsb = ldexp(1.0, 1 - table[i].bits);
    assert_ok(mt_audio_write_file(path_of(table[i].name), frames, nframes, 2, 48000.0, table[i].format, &err),
              err);
    assert_ok(read_take(path_of(table[i].name), &take, &err), err);
    assert_int_equal(take->nframes, nframes);
    for (unsigned c = 0; c < 2; c++) {
      double sum = 0.0, mean = 0.0;
      for (size_t n = 0; n < nframes; n++) {
        double off = (double)take->samples[2 * n + c] - (double)frames[2 * n + c];
        assert_between(off, -1.5 * lsb, 1.5 * lsb, "FS");
        sum += off * off;
        mean += off / (double)nframes;
      }
      /* five standard deviations of 1e5 errors: 0.1 dB; of their mean: 5 * 0.5 LSB / sqrt(1e5) */
      assert_near(mt_db_of_power(2.0 * sum / (double)nframes), table[i].want_dbfs, 0.1, "dBFS");
      assert_near(mean, 0.0, 0.008 * lsb, "FS");
    }
    mt_take_destroy(&take);
  }
  free(frames);
}

static void what_exceeds_full_scale_is_clipped_never_wrapped(void **state)
{
  const float frames[] = {1.001f, -1.001f, 1.0f, -1.0f, 1e30f, -1e30f};
  (void)state;
  for (int i = 0; i < 2; i++) {
    mt_take *take = NULL;
    mt_error err = {0};
    double lsb = i == 0 ? 0x1p-15 : 0x1p-23;
    assert_ok(mt_audio_write_file(path_of("c.wav"), frames, 3, 2, 44100.0,
                                  i == 0 ? MT_SAMPLE_PCM16 : MT_SAMPLE_PCM24, &err),
              err);
    assert_ok(read_take(path_of("c.wav"), &take, &err), err);
    for (size_t n = 0; n < 6; n++)
      assert_near((double)take->samples[n], n % 2 == 0 ? 1.0 : -1.0, 3.0 * lsb, "FS");
    mt_take_destroy(&take);
  }
}

static void rf64_begins_where_wav_ends(void **state)
{
  (void)state;
  assert_false(mt_file_needs_rf64(0));
  assert_false(mt_file_needs_rf64(4000000000u));
  assert_true(mt_file_needs_rf64(UINT64_C(0xffffffff)));
  assert_true(mt_file_needs_rf64(UINT64_C(1) << 40));
}

static void nothing_is_left_behind_by_a_refused_write(void **state)
{
  float frames[] = {0.0f, 0.5f, (float)NAN, 0.0f};
  mt_error err = {0};
  size_t before = count_files();
  (void)state;
  assert_int_equal(mt_audio_write_file(path_of("n.wav"), frames, 2, 2, 48000.0, MT_SAMPLE_PCM16, &err),
                   MT_E_DATA);
  assert_non_null(strstr(err.message, "the sample at 0.000021 s is not a finite number"));
  frames[2] = 0.0f;
  assert_int_equal(mt_audio_write_file(path_of("n.wav"), frames, 2, 2, 48000.5, MT_SAMPLE_FLOAT, &err),
                   MT_E_ARG);
  assert_int_equal(mt_audio_write_file(path_of("n.flac"), frames, 2, 2, 48000.0, MT_SAMPLE_FLOAT, &err),
                   MT_E_ARG);
  assert_non_null(strstr(err.message, "n.flac: FLAC holds whole numbers"));
  assert_int_equal(mt_audio_write_file(path_of("n.wav"), frames, 2, 0, 48000.0, MT_SAMPLE_FLOAT, &err),
                   MT_E_ARG);
  assert_int_equal(mt_audio_write_file("/nonexistent/n.wav", frames, 2, 2, 48000.0, MT_SAMPLE_FLOAT, &err),
                   MT_E_CREATE);
  assert_non_null(strstr(err.message, "/nonexistent/n.wav: cannot be created: No such file"));
  assert_int_equal(mkdir(path_of("d"), 0700), 0);
  assert_int_equal(mt_audio_write_file(path_of("d"), frames, 2, 2, 48000.0, MT_SAMPLE_FLOAT, &err),
                   MT_E_CREATE);
  assert_int_equal(rmdir(path_of("d")), 0);
  assert_int_equal(count_files(), before);
}

static void a_write_that_stops_half_way_leaves_the_old_file(void **state)
{
  size_t nframes = 100000;
  float *frames = calloc(2 * nframes, sizeof *frames);
  struct rlimit old, small;
  mt_file_info info = {0};
  mt_error err = {0};
  mt_code code;
  size_t before;
  (void)state;
  assert_non_null(frames);
  assert_ok(mt_audio_write_file(path_of("w.wav"), frames, 100, 2, 48000.0, MT_SAMPLE_FLOAT, &err), err);
  before = count_files();
  assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
  small = old;
  small.rlim_cur = 65536; /* as a disc that is full after 64 KiB */
  signal(SIGXFSZ, SIG_IGN);
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
  code = mt_audio_write_file(path_of("w.wav"), frames, nframes, 2, 48000.0, MT_SAMPLE_FLOAT, &err);
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
  assert_int_equal(code, MT_E_IO);
  assert_non_null(strstr(err.message, "w.wav: cannot be written: "));
  assert_int_equal(count_files(), before);
  assert_ok(mt_audio_read_info(path_of("w.wav"), &info, &err), err);
  assert_int_equal(info.nframes, 100);
  free(frames);
}

static int make_folder(void **state)
{
  (void)state;
  return mkdtemp(folder) == NULL;
}

static int remove_folder(void **state)
{
  DIR *dir = opendir(folder);
  struct dirent *entry;
  (void)state;
  while (dir != NULL && (entry = readdir(dir)) != NULL)
    unlinkat(dirfd(dir), entry->d_name, 0);
  if (dir != NULL)
    closedir(dir);
  return rmdir(folder);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_format_is_read_to_the_last_bit),
      cmocka_unit_test(a_recording_left_where_it_is_is_the_same_take),
      cmocka_unit_test(a_recording_that_changes_meanwhile_is_refused),
      cmocka_unit_test(a_wav_written_to_a_pipe_is_read_to_its_end),
      cmocka_unit_test(a_recording_cut_short_is_read_and_reported),
      cmocka_unit_test(what_is_no_recording_is_refused_in_one_line),
      cmocka_unit_test(compressed_sound_is_known_whatever_its_name),
      cmocka_unit_test(a_pipe_is_refused_without_waiting_for_a_writer),
      cmocka_unit_test(a_wav_longer_than_its_header_can_say_is_refused),
      cmocka_unit_test(damaged_headers_end_in_an_answer),
      cmocka_unit_test(a_float_file_keeps_every_bit_and_is_the_same_each_time),
      cmocka_unit_test(integer_files_carry_tpdf_dither),
      cmocka_unit_test(what_exceeds_full_scale_is_clipped_never_wrapped),
      cmocka_unit_test(rf64_begins_where_wav_ends),
      cmocka_unit_test(nothing_is_left_behind_by_a_refused_write),
      cmocka_unit_test(a_write_that_stops_half_way_leaves_the_old_file),
  };
  return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
