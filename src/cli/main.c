/* The tool: finds the command, runs it, and makes sure that what it said has been written. */
#include "cli/cli.h"

#include "base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const cli_command *const commands[] = {
    &cli_demo,   &cli_devices, &cli_stimulus, &cli_check, &cli_analyse, &cli_compare, &cli_chart,
    &cli_report, &cli_plan,    &cli_job,      &cli_jobs,  &cli_rig,     &cli_watch};
#define NCOMMANDS (sizeof commands / sizeof commands[0])

static void print_usage(FILE *out)
{
  fputs("usage: mendtone COMMAND [options]\n\n"
        "Plays known tones into a small audio unit, captures what comes out, and says\n"
        "for every quantity the value, how sure it is, and whether it passes.\n\n"
        "commands:\n",
        out);
  for (size_t i = 0; i < NCOMMANDS; i++)
    fprintf(out, "  %-10s %s\n", commands[i]->name, commands[i]->summary);
  fputs("\nOne repair: devices, job new, check --stage before, job found, done and part,\n"
        "check --stage after, compare, report.\n\n"
        "mendtone COMMAND --help tells more; mendtone --version says which this is.\n"
        "Exit status: 0 all limits met or none set, 1 a limit missed, 2 undecided;\n"
        "errors: 64 usage, 65 bad data, 66 no input, 69 device, 70 our bug or no memory,\n"
        "73 cannot create, 74 input/output, 78 bad plan.\n",
        out);
}

static int refuse_command(const char *typed)
{
  const char *names[NCOMMANDS];
  const char *nearest;

  for (size_t i = 0; i < NCOMMANDS; i++)
    names[i] = commands[i]->name;
  nearest = mt_text_nearest(typed, names, NCOMMANDS);
  if (nearest != NULL)
    fprintf(stderr, "mendtone: unknown command \"%.40s\"; did you mean %s? (see mendtone --help)\n", typed,
            nearest);
  else
    fprintf(stderr, "mendtone: unknown command \"%.40s\" (see mendtone --help)\n", typed);
  return CLI_USAGE;
}

static const cli_command *find_command(const char *name)
{
  for (size_t i = 0; i < NCOMMANDS; i++)
    if (strcmp(name, commands[i]->name) == 0)
      return commands[i];
  return NULL;
}

static int run(int argc, char **argv)
{
  const cli_command *command;

  if (argc < 2) {
    fputs("mendtone: which command? Try mendtone demo, or mendtone --help\n", stderr);
    return CLI_USAGE;
  }
  if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0 || strcmp(argv[1], "help") == 0) {
    char help[] = "--help";
    char *args[] = {argv[argc > 2 ? 2 : 1], help, NULL};
    command = argc > 2 ? find_command(argv[2]) : NULL;
    if (command != NULL)
      return command->run(2, args);
    if (argc > 2)
      return refuse_command(argv[2]);
    print_usage(stdout);
    return CLI_PASS;
  }
  if (strcmp(argv[1], "--version") == 0) {
    puts("mendtone " MT_VERSION);
    return CLI_PASS;
  }
  command = find_command(argv[1]);
  return command != NULL ? command->run(argc - 1, argv + 1) : refuse_command(argv[1]);
}

/* Started without a standard stream, the next file opened would take its place. */
static void hold_standard_streams(void)
{
  for (int fd = STDIN_FILENO; fd <= STDERR_FILENO; fd++)
    if (fcntl(fd, F_GETFD) == -1 && errno == EBADF)
      (void)!open("/dev/null", fd == STDERR_FILENO ? O_WRONLY : O_RDONLY);
}

int main(int argc, char **argv)
{
  int status;

  hold_standard_streams();
  signal(SIGXFSZ, SIG_IGN); /* a file that may not grow is an error to tell, not a reason to die */
  status = run(argc, argv);
  errno = 0;
  if ((fflush(stdout) != 0 || ferror(stdout)) && status <= CLI_UNDECIDED) {
    fprintf(stderr, "mendtone: standard output cannot be written: %s\n", strerror(errno != 0 ? errno : EIO));
    status = 74;
  }
  return status;
}
