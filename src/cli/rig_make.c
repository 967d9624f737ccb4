/* Making a rig: cautions, a tone and a meter for the volts, then the loop. */
#include "cli/rig_make.h"

#include "base/text.h"
#include "report/layout.h"

#include <mendtone/rig.h>

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* What a hand-held meter of the cheaper kind is good for at 45 to 500 Hz: common practice, no source. */
#define USUAL_PERCENT 1.0
#define USUAL_DIGITS 5.0
#define USUAL_BEST_TO_HZ 400.0

static const char cautions[] =
    "Before it plays:\n"
    "  - Nothing on your head, no unit connected yet: only the sound card and its leads.\n"
    "  - Speakers off: a steady low tone, then the loud steps of the loop, are played.\n"
    "  - Measure only what comes out of the sound card here. A meter's leads in the wrong\n"
    "    sockets, or set to amperes, are a short circuit: set it to AC volts first.\n";

typedef struct maker {
  const rig_options *given;
  bool asks; /* somebody is there */
  mt_session_options session;
  mt_session_tone tone;
  mt_rig *rig;
  bool heard[MT_RIG_CHANNELS]; /* the tone came back */
  double typed_step_v;         /* of the last digit typed, for which the meter was described */
} maker;

static const char *const sides[MT_RIG_CHANNELS] = {"left", "right"};

/* ---- what is typed --------------------------------------------------------------------------------- */

bool rig_parse_volts(const char *text, double *volts, double *step_v)
{
  size_t length = strcspn(text, " mMvV"), decimals = 0;
  const char *unit = text + length, *point;
  char number[32];
  double scale = 1.0;

  unit += strspn(unit, " ");
  if (length >= sizeof number)
    return false;
  memcpy(number, text, length);
  number[length] = '\0';
  if (strcmp(unit, "mV") == 0 || strcmp(unit, "mv") == 0)
    scale = 1e-3;
  else if (unit[0] != '\0' && strcmp(unit, "V") != 0 && strcmp(unit, "v") != 0)
    return false;
  point = strchr(number, '.');
  if (point != NULL)
    decimals = strspn(point + 1, "0123456789");
  if (!mt_text_parse_number(number, volts) || !(*volts > 0.0))
    return false;
  *volts *= scale;
  *step_v = scale * pow(10.0, -(double)decimals);
  return true;
}

/* One line from the terminal, without its end and blanks around it. @return false: there is no more. */
static bool read_line(const char *prompt, char *out, size_t size)
{
  size_t length, skip;
  int c;

  fputs(prompt, stderr);
  fflush(stderr);
  if (fgets(out, (int)size, stdin) == NULL) {
    fputc('\n', stderr);
    return false;
  }
  length = strlen(out);
  if (length > 0 && out[length - 1] != '\n') /* the rest of a line that is too long */
    while ((c = getchar()) != EOF && c != '\n')
      ;
  while (length > 0 && strchr(" \t\r\n", out[length - 1]) != NULL)
    out[--length] = '\0';
  skip = strspn(out, " \t");
  memmove(out, out + skip, length - skip + 1);
  return true;
}

static mt_code stopped(mt_error *err)
{
  return mt_fail(err, MT_E_ARG, "stopped; nothing was kept");
}

MT_PRINTF(1, 2)
static void say(const char *fmt, ...)
{
  char text[600];
  va_list args;

  va_start(args, fmt);
  vsnprintf(text, sizeof text, fmt, args);
  va_end(args);
  mt_layout_wrap(stderr, "", "", text);
}

static mt_code wait_for_enter(const maker *m, const char *what, mt_error *err)
{
  char line[80];

  if (!m->asks)
    return MT_OK;
  return read_line(what, line, sizeof line) ? MT_OK : stopped(err);
}

/* A number, or what Enter alone stands for. */
static mt_code ask_number(const char *what, double otherwise, double *out, mt_error *err)
{
  char prompt[160], line[80];

  snprintf(prompt, sizeof prompt, "  %s [%g]: ", what, otherwise);
  for (;;) {
    if (!read_line(prompt, line, sizeof line))
      return stopped(err);
    *out = otherwise;
    if (line[0] == '\0' || (mt_text_parse_number(line, out) && *out >= 0.0))
      return MT_OK;
    say("  \"%.40s\" is not understood; expected a number like %g.", line, otherwise);
  }
}

/* Volts that no sound card gives are a slip of the unit, as a rule. @return false: ask again. */
static mt_code ask_whether_meant(double *volts, double *step_v, bool *meant, mt_error *err)
{
  bool is_milli = *volts > MT_RIG_MOST_V && mt_rig_is_plausible(*volts / 1000.0);
  char prompt[160], line[80];

  *meant = mt_rig_is_plausible(*volts);
  if (*meant)
    return MT_OK;
  if (!is_milli) {
    say("  %g V is not what a sound card gives (%g to %g V). Look at the meter's range and at both levels.",
        *volts, MT_RIG_LEAST_V, MT_RIG_MOST_V);
    return MT_OK;
  }
  snprintf(prompt, sizeof prompt, "  %g V is more than a sound card gives. Did you mean %g mV? (y/n) ",
           *volts, *volts);
  if (!read_line(prompt, line, sizeof line))
    return stopped(err);
  if (line[0] == 'y' || line[0] == 'Y') {
    *volts /= 1000.0;
    *step_v /= 1000.0;
    *meant = true;
  }
  return MT_OK;
}

/* ---- volts ----------------------------------------------------------------------------------------- */

static mt_code play(maker *m, mt_rig_value captured[MT_RIG_CHANNELS], mt_error *err)
{
  mt_code code;

  say("Playing %g Hz at %g dBFS for %g s%s.", m->tone.freq_hz, m->tone.level_dbfs, m->tone.duration_s,
      m->asks && m->given->reads == NULL ? ": read the meter while it stands" : "");
  cli_start_progress(&m->session);
  code = mt_session_play_tone(&m->session, &m->tone, captured, err);
  cli_end_progress();
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++)
    m->heard[c] = captured[c].known;
  return code;
}

/* With somebody there what went wrong is said, and tried again when they have seen to it. */
static bool try_again(const maker *m, mt_code *code, mt_error *err)
{
  if (!m->asks || (*code != MT_E_DATA && *code != MT_E_IO))
    return false;
  say("That did not work: %s.", err->message);
  *code = wait_for_enter(m, "Press Enter to try again, or Ctrl-C to stop. ", err);
  return *code == MT_OK;
}

static mt_code play_until_heard(maker *m, mt_rig_value captured[MT_RIG_CHANNELS], mt_error *err)
{
  mt_code code;

  do
    code = play(m, captured, err);
  while (code != MT_OK && try_again(m, &code, err));
  return code;
}

static mt_code calibrate(maker *m, int channel, double volts, mt_rig_value captured, mt_error *err)
{
  mt_rig_value reading;
  mt_code code = mt_rig_read_meter(&m->rig->meter, volts, &reading, err);

  if (code == MT_OK)
    mt_rig_calibrate(m->rig, channel, reading, captured);
  if (code == MT_OK && !captured.known)
    say("The %s input does not hear the tone: the output was metered open, and what the input will take from "
        "it "
        "is added to the uncertainty.",
        sides[channel]);
  return code;
}

static mt_code ask_meter(maker *m, double step_v, mt_error *err)
{
  mt_meter *meter = &m->rig->meter;
  mt_code code;

  if (m->given->meter != NULL) {
    if (m->rig->meter.step_v == 0.0)
      m->rig->meter.step_v = step_v;
    return MT_OK;
  }
  say("How exact is the meter on this range? Its manual says +-(percent of reading + digits); Enter takes "
      "what "
      "is usual for a cheap hand-held one.");
  code = ask_number("percent of the reading", USUAL_PERCENT, &meter->percent, err);
  if (code == MT_OK)
    code = ask_number("digits", USUAL_DIGITS, &meter->digits, err);
  return code == MT_OK ? ask_number("worth of the last digit, V", step_v, &meter->step_v, err) : code;
}

/* Tone and question, again as often as wanted. */
static mt_code ask_channel(maker *m, int channel, bool *skipped, mt_error *err)
{
  mt_rig_value captured[MT_RIG_CHANNELS];
  double volts, step_v;
  char prompt[120], line[80];
  bool meant = false;
  mt_code code;

  *skipped = false;
  say("Put the meter, set to AC volts, across the %s channel of the lead (tip and sleeve).", sides[channel]);
  code = wait_for_enter(m, "Press Enter to play. ", err);
  if (code == MT_OK)
    code = play_until_heard(m, captured, err);
  snprintf(prompt, sizeof prompt, "What did the meter read, in V? (r: play again, s: skip the %s channel) ",
           sides[channel]);
  while (code == MT_OK && !meant) {
    if (!read_line(prompt, line, sizeof line))
      return stopped(err);
    if (strcmp(line, "s") == 0) {
      *skipped = true;
      return MT_OK;
    }
    if (strcmp(line, "r") == 0)
      code = play_until_heard(m, captured, err);
    else if (rig_parse_volts(line, &volts, &step_v))
      code = ask_whether_meant(&volts, &step_v, &meant, err);
    else
      say("  \"%.40s\" is not understood; expected volts like 0.912, or 912 mV.", line);
  }
  /* another number of decimals is another range */
  if (code == MT_OK && step_v != m->typed_step_v)
    code = ask_meter(m, step_v, err);
  m->typed_step_v = step_v;
  return code == MT_OK ? calibrate(m, channel, volts, captured[channel], err) : code;
}

static mt_code ask_volts(maker *m, mt_error *err)
{
  mt_code code = MT_OK;

  say("Set the card's own level controls now, mark them, and leave them: volts hold for that position only.");
  say("Step 1 of 2: volts. Connect the loop: left output to left input, right to right. The meter goes "
      "across the "
      "lead while it is plugged in; where it cannot, meter the bare output, which is less exact.");
  for (int c = 0; c < MT_RIG_CHANNELS && code == MT_OK; c++) {
    bool skipped;
    code = ask_channel(m, c, &skipped, err);
    if (code == MT_OK && skipped)
      say("Levels of the %s channel stay in dBFS.", sides[c]);
  }
  return code;
}

typedef struct typed_volts {
  int n;
  double volts[MT_RIG_CHANNELS];
  double step_v[MT_RIG_CHANNELS]; /* of the last digit */
} typed_volts;

/* "0.912,0.905" */
static mt_code parse_reads(const char *reads, typed_volts *out, mt_error *err)
{
  char text[80];
  char *rest = text;

  *out = (typed_volts){.n = 0};
  mt_text_copy(text, sizeof text, reads);
  while (rest != NULL && out->n < MT_RIG_CHANNELS) {
    char *one = strsep(&rest, ",");
    double *volts = &out->volts[out->n];
    if (!rig_parse_volts(one, volts, &out->step_v[out->n]))
      return mt_fail(err, MT_E_ARG, "--reads: \"%.30s\" is no voltage; expected --reads 0.912,0.905", one);
    if (!mt_rig_is_plausible(*volts))
      return mt_fail(err, MT_E_ARG, "--reads: %g V is not what a sound card gives (%g to %g V)%s", *volts,
                     MT_RIG_LEAST_V, MT_RIG_MOST_V, *volts > MT_RIG_MOST_V ? "; is it mV?" : "");
    out->n++;
  }
  if (rest != NULL)
    return mt_fail(err, MT_E_ARG, "--reads: \"%.30s\" is one too many; expected left and right", rest);
  return MT_OK;
}

/* Both channels from options. */
static mt_code take_reads(maker *m, mt_error *err)
{
  mt_rig_value captured[MT_RIG_CHANNELS];
  typed_volts typed;
  mt_code code = parse_reads(m->given->reads, &typed, err);

  if (code == MT_OK)
    code = play_until_heard(m, captured, err);
  for (int c = 0; code == MT_OK && c < typed.n; c++) {
    if (m->rig->meter.step_v == 0.0)
      m->rig->meter.step_v = typed.step_v[c];
    code = calibrate(m, c, typed.volts[c], captured[c], err);
  }
  return code;
}

/* "0.8,3" or "0.8,3,0.001" */
static mt_code parse_meter(const char *list, mt_meter *out, mt_error *err)
{
  double *const places[] = {&out->percent, &out->digits, &out->step_v};
  char text[80];
  char *rest = text;
  size_t n = 0;

  mt_text_copy(text, sizeof text, list);
  while (rest != NULL) {
    char *one = strsep(&rest, ",");
    if (n == 3 || !mt_text_parse_number(one, places[n]) || *places[n] < 0.0)
      return mt_fail(
          err, MT_E_ARG,
          "--meter is \"%.40s\"; expected percent,digits or percent,digits,last digit in V: 0.8,3,0.001",
          list);
    n++;
  }
  if (n < 2)
    return mt_fail(err, MT_E_ARG, "--meter is \"%.40s\"; expected percent and digits, like 0.8,3", list);
  return MT_OK;
}

static mt_code find_volts(maker *m, mt_error *err)
{
  if (m->tone.freq_hz > USUAL_BEST_TO_HZ)
    say("Beware: many hand-held meters are not exact at %g Hz; 50 to 120 Hz suits them best.",
        m->tone.freq_hz);
  if (m->given->reads != NULL)
    return take_reads(m, err);
  if (m->asks)
    return ask_volts(m, err);
  say("No --reads, and nobody to ask: levels stay in dBFS.");
  return MT_OK;
}

/* ---- the loop -------------------------------------------------------------------------------------- */

static mt_code find_loop(maker *m, mt_error *err)
{
  mt_code code = MT_OK;

  if (m->asks)
    say("Step 2 of 2: the loop. %s",
        m->heard[0] && m->heard[1]
            ? "It is connected. Take the meter off: its leads pick up hum."
            : "Connect left output to left input, right to right; take the meter off.");
  code = wait_for_enter(m, "Press Enter to measure it. ", err);
  if (code != MT_OK)
    return code;
  say(m->given->no_steps ? "Measuring the loop, about 16 s." : "Measuring the loop, about 33 s.");
  do {
    cli_start_progress(&m->session);
    code = mt_session_measure_loop(&m->session, m->rig, NULL, err);
    cli_end_progress();
  } while (code != MT_OK && try_again(m, &code, err));
  return code;
}

/* ---- the whole ------------------------------------------------------------------------------------- */

static mt_code check_numbers(const rig_options *given, mt_error *err)
{
  const struct {
    const char *name;
    double value, most;
  } rows[] = {{"input-ohm", given->input_ohm, 1e9},
              {"output-ohm", given->output_ohm, 1e9},
              {"load-ohm", given->load_ohm, 1e9},
              {"max-age", given->max_age_days, 1e6}};

  for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
    if (!(rows[i].value >= 0.0 && rows[i].value <= rows[i].most))
      return mt_fail(err, MT_E_ARG, "--%s is %g; expected 0 to %g", rows[i].name, rows[i].value,
                     rows[i].most);
  return MT_OK;
}

static mt_code start(maker *m, const char *name, mt_error *err)
{
  const rig_options *given = m->given;
  mt_stimulus unused;
  mt_code code = check_numbers(given, err);

  if (code == MT_OK)
    code = mt_rig_check_name(name, err);
  /* what the loop would refuse after the meter was read */
  if (code == MT_OK)
    code = mt_session_stimulus(&m->session, &unused, err);
  if (code == MT_OK)
    code = mt_rig_create(&m->rig, err);
  if (code == MT_OK && given->meter != NULL)
    code = parse_meter(given->meter, &m->rig->meter, err);
  if (code != MT_OK)
    return code;
  if (given->meter == NULL) {
    m->rig->meter.percent = USUAL_PERCENT;
    m->rig->meter.digits = USUAL_DIGITS;
  }
  mt_text_copy(m->rig->name, sizeof m->rig->name, name);
  m->rig->max_age_days = given->max_age_days;
  m->rig->input.ohm = given->input_ohm;
  m->rig->output.ohm = given->output_ohm;
  m->rig->load_ohm = given->load_ohm;
  m->rig->tone_hz = m->tone.freq_hz;
  m->rig->tone_dbfs = m->tone.level_dbfs;
  return mt_session_name_devices(&m->session, m->rig, err);
}

static void announce_earlier(const char *name)
{
  mt_rig *earlier = NULL;

  if (mt_rig_open(name, &earlier, NULL) == MT_OK)
    say("This takes the place of the rig %s of %.10s, when it is done.", name, earlier->made);
  free(earlier);
}

static mt_code keep(maker *m, mt_error *err)
{
  time_t now = time(NULL);
  struct tm parts;

  if (gmtime_r(&now, &parts) == NULL ||
      strftime(m->rig->made, sizeof m->rig->made, "%Y-%m-%dT%H:%M:%SZ", &parts) == 0)
    return mt_fail(err, MT_E_INTERNAL, "this computer's clock gives no date");
  return mt_rig_save(m->rig, err);
}

mt_code rig_make(const char *name, const rig_options *given, mt_error *err)
{
  maker m = {.given = given,
             .session = mt_session_defaults(),
             .tone = {given->tone_hz, given->tone_dbfs, given->tone_s}};
  typed_volts typed;
  mt_code code;

  m.asks = isatty(STDIN_FILENO) && !given->yes;
  m.session.input = given->input;
  m.session.output = given->output;
  m.session.simulate = given->simulate;
  m.session.rate_hz = given->rate_hz;
  m.session.level_dbfs = given->level_dbfs;
  m.session.has_extras = true;
  m.session.extras = given->no_steps ? 0 : MT_EXTRA_LEVELS | MT_EXTRA_INTERMODULATION;
  /* before a device is opened, and long before a tone is played */
  code = given->reads != NULL ? parse_reads(given->reads, &typed, err) : MT_OK;
  if (code == MT_OK)
    code = start(&m, name, err);
  if (code == MT_OK)
    announce_earlier(name);
  if (code == MT_OK) {
    say("Input: %s: %s. Output: %s: %s.", m.rig->input.host_api, m.rig->input.device, m.rig->output.host_api,
        m.rig->output.device);
    if (given->simulate == NULL && !given->yes)
      fputs(cautions, stderr);
    code = wait_for_enter(&m, "Press Enter to begin, or Ctrl-C to stop. ", err);
  }
  if (code == MT_OK)
    code = find_volts(&m, err);
  if (code == MT_OK)
    code = find_loop(&m, err);
  if (code == MT_OK)
    code = keep(&m, err);
  free(m.rig);
  return code;
}
