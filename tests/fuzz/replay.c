/* Run a fuzz target over its corpus: each file as it is, cut short at many places, and damaged in
 * repeatable ways. What libFuzzer once found goes into the corpus and is replayed for ever. */
#include "fuzz.h"

#include "base/random.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define INPUT_MAX ((size_t)1 << 20)
#define CUTS 64
#define DAMAGED 400
#define DAMAGES_MAX 4

static size_t runs;

/* The copy has exactly the size given, so that a sanitizer sees a read past its end. */
static void run(const uint8_t *data, size_t size)
{
  uint8_t *copy = malloc(size > 0 ? size : 1);
  if (copy == NULL)
    abort();
  memcpy(copy, data, size);
  LLVMFuzzerTestOneInput(copy, size);
  free(copy);
  runs++;
}

static void damage(uint8_t *data, size_t size, mt_random *random)
{
  size_t count = 1 + (size_t)(mt_random_bits(random) % DAMAGES_MAX);
  for (size_t i = 0; i < count; i++) {
    size_t at = (size_t)(mt_random_bits(random) % size);
    static const uint8_t nasty[] = {0x00, 0xff, 0x7f, 0x80, '"', '\n', '{', '(', '-', '9'};
    uint64_t dice = mt_random_bits(random);
    if (dice % 3 == 0)
      data[at] = nasty[(dice >> 8) % sizeof nasty];
    else if (dice % 3 == 1)
      data[at] = (uint8_t)(data[at] ^ (1u << ((dice >> 8) % 8)));
    else
      data[at] = (uint8_t)(dice >> 8);
  }
}

static void run_variants(const uint8_t *data, size_t size, mt_random *random)
{
  run(data, size);
  for (size_t i = 0; i < CUTS; i++)
    run(data, size * i / CUTS);
  uint8_t *copy = malloc(size > 0 ? size : 1);
  if (copy == NULL)
    abort();
  for (size_t i = 0; size > 0 && i < DAMAGED; i++) {
    memcpy(copy, data, size);
    damage(copy, size, random);
    run(copy, size);
  }
  free(copy);
}

static int run_file(const char *path, uint8_t *buffer, mt_random *random)
{
  FILE *file = fopen(path, "rb");
  if (file == NULL) {
    perror(path);
    return 1;
  }
  size_t size = fread(buffer, 1, INPUT_MAX, file);
  fclose(file);
  run_variants(buffer, size, random);
  return 0;
}

int main(int argc, char **argv)
{
  const char *seed_text = getenv("MT_TEST_SEED");
  uint64_t seed = seed_text != NULL && seed_text[0] != '\0' ? strtoull(seed_text, NULL, 0) : 1;
  printf("seed %llu (set MT_TEST_SEED to repeat another)\n", (unsigned long long)seed);
  if (argc != 2) {
    fprintf(stderr, "usage: %s CORPUS_FOLDER\n", argv[0]);
    return 64;
  }
  struct dirent **entries = NULL;
  int nentries = scandir(argv[1], &entries, NULL, alphasort);
  uint8_t *buffer = malloc(INPUT_MAX);
  int failed = nentries < 0 || buffer == NULL;
  int nfiles = 0;
  for (int i = 0; i < nentries; i++) {
    if (!failed && entries[i]->d_name[0] != '.') {
      char path[4096];
      mt_random random;
      mt_random_init(&random, seed + (uint64_t)nfiles++);
      snprintf(path, sizeof path, "%s/%s", argv[1], entries[i]->d_name);
      failed = run_file(path, buffer, &random);
    }
    free(entries[i]);
  }
  free(entries);
  free(buffer);
  printf("%d files, %zu runs\n", nfiles, runs);
  return failed || nfiles == 0;
}
