#include "support.h"

#include "base/random.h"

#include <mendtone/plan.h>

#include <unistd.h>

/* libconfig 1.5 loses a string that stands where none may (config_read_string(&c, "a \"b\"") and
 * config_destroy(&c), nothing of ours about, leak 64 bytes of its scanner). Only that is forgiven. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
  return "leak:strbuf_append\n";
}

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static mt_plan *parse(const char *text)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  assert_ok(mt_plan_parse(text, "p.cfg", &plan, &err), err);
  assert_non_null(plan);
  return plan;
}

/* Refused with exactly this message, `out` untouched. */
static void refuse(const char *text, const char *message)
{
  mt_plan *plan = NULL;
  mt_error err = {0};
  mt_code code = mt_plan_parse(text, "p.cfg", &plan, &err);

  if (code != MT_E_PLAN || strcmp(err.message, message) != 0)
    print_error("plan:\n%s\ngot  %d \"%s\"\nwant %d \"%s\"\n", text, code, err.message, MT_E_PLAN, message);
  assert_int_equal(code, MT_E_PLAN);
  assert_string_equal(err.message, message);
  assert_null(plan);
}

static const char *const full_plan =
    "unit = \"two-channel desk amplifier\";\n"
    "load_ohm = 33;\n"
    "level_dbfs = -12.5;\n"
    "rate_hz = 96000;\n"
    "states = (\n"
    "  { name = \"flat\"; set = \"Low lift off\"; },\n"
    "  { name = \"lift\"; set = \"Low lift on\"; compare_with = \"flat\"; measure = (\"response\"); }\n"
    ");\n"
    "limits = (\n"
    "  { quantity = \"balance\"; state = \"flat\"; min = -0.5; max = 0.5; unit = \"dB\"; },\n"
    "  { quantity = \"thd_n\"; channel = \"right\"; segment = \"both\"; max = 0.1; unit = \"%\"; },\n"
    "  { quantity = \"response\"; state = \"flat\"; from_hz = 30; to_hz = 18000; min = -1; max = 1;\n"
    "    unit = \"dB\"; why = \"maker's sheet\"; },\n"
    "  { quantity = \"harmonic\"; order = 3; channel = \"ch3\"; max = -60; unit = \"dB\"; },\n"
    "  { quantity = \"boost\"; state = \"lift\"; min = 5.5; max = 7.5; unit = \"dB\"; }\n"
    ");\n"
    "expect_route = { left = \"right\"; right = \"none\"; };\n"
    "expect_polarity = { left = -1; right = \"any\"; };\n";

static void full_plan_is_read_whole(void **state)
{
  mt_plan *plan = parse(full_plan);
  const mt_limit *l = plan->limits;
  (void)state;

  assert_string_equal(plan->name, "p.cfg");
  assert_string_equal(plan->unit, "two-channel desk amplifier");
  assert_near(plan->load_ohm, 33.0, 0.0, "ohm");
  assert_near(plan->level_dbfs, -12.5, 0.0, "dBFS");
  assert_near(plan->rate_hz, 96000.0, 0.0, "Hz");
  assert_int_equal(plan->nstates, 2);
  assert_string_equal(plan->states[1].name, "lift");
  assert_string_equal(plan->states[1].compare_with, "flat");
  assert_int_equal(plan->states[1].nmeasure, 1);
  assert_int_equal(plan->states[1].measure[0], MT_Q_RESPONSE);
  assert_int_equal(plan->nlimits, 5);
  assert_int_equal(l[0].quantity, MT_Q_BALANCE);
  assert_int_equal(l[0].channel, MT_CHANNEL_ANY);
  assert_string_equal(l[0].state, "flat");
  assert_near(l[0].min, -0.5, 0.0, "dB");
  assert_int_equal(l[0].line, 10);
  assert_int_equal(l[1].channel, MT_RIGHT);
  assert_string_equal(l[1].segment, "both");
  assert_int_equal(l[1].unit, MT_UNIT_PERCENT);
  assert_true(isinf(l[1].min) && l[1].min < 0.0);
  assert_near(l[2].from_hz, 30.0, 0.0, "Hz");
  assert_near(l[2].to_hz, 18000.0, 0.0, "Hz");
  assert_string_equal(l[2].why, "maker's sheet");
  assert_int_equal(l[3].order, 3);
  assert_int_equal(l[3].channel, 2);
  assert_int_equal(l[4].quantity, MT_Q_BOOST);
  assert_int_equal(plan->expect_route[0], MT_ROUTE_RIGHT);
  assert_int_equal(plan->expect_route[1], MT_ROUTE_NONE);
  assert_true(plan->judges_route);
  assert_int_equal(plan->expect_polarity[0], -1);
  assert_int_equal(plan->expect_polarity[1], 0);
  mt_plan_destroy(&plan);
  assert_null(plan);
  mt_plan_destroy(&plan);
  mt_plan_destroy(NULL);
}

static void empty_file_is_a_plan_that_implies_route_and_polarity(void **state)
{
  static const char *const empty[] = {"", "\n", "# nothing but a remark\n", "limits = ();\nstates = ();\n"};
  (void)state;
  for (size_t i = 0; i < COUNT(empty); i++) {
    mt_plan *plan = parse(empty[i]);
    assert_int_equal(plan->nlimits, 0);
    assert_int_equal(plan->nstates, 0);
    assert_true(isnan(plan->level_dbfs));
    assert_near(plan->rate_hz, 0.0, 0.0, "Hz");
    assert_true(plan->judges_route);
    assert_int_equal(plan->expect_route[MT_LEFT], MT_ROUTE_LEFT);
    assert_int_equal(plan->expect_route[MT_RIGHT], MT_ROUTE_RIGHT);
    assert_int_equal(plan->expect_polarity[MT_LEFT], 1);
    assert_int_equal(plan->expect_polarity[MT_RIGHT], 1);
    mt_plan_destroy(&plan);
  }
}

static void expectations_can_be_switched_off(void **state)
{
  mt_plan *plan = parse("expect_route = \"any\"; expect_polarity = \"any\";");
  (void)state;
  assert_false(plan->judges_route);
  assert_int_equal(plan->expect_polarity[MT_LEFT], 0);
  assert_int_equal(plan->expect_polarity[MT_RIGHT], 0);
  mt_plan_destroy(&plan);
}

static void mistakes_in_the_head_are_named(void **state)
{
  (void)state;
  refuse("unit = \"a\";\nlimts = ();\n", "p.cfg:2: unknown key \"limts\"; did you mean \"limits\"?");
  refuse("zebra = 1;\n", "p.cfg:1: unknown key \"zebra\"");
  refuse("load_ohm = \"33\";\n", "p.cfg:1: load_ohm is \"33\"; expected ohms, 0.1 to 1e+07, or \"open\"");
  refuse("load_ohm = -33;\n", "p.cfg:1: load_ohm is -33; expected 0.1 to 1e+07");
  refuse("level_dbfs = 3.0;\n", "p.cfg:1: level_dbfs is 3; expected -60 to 0");
  refuse("\n\nrate_hz = 48;\n", "p.cfg:3: rate_hz is 48; expected 44100 to 192000");
  refuse("load_ohm = 1e999;\n", "p.cfg:1: load_ohm is inf; expected 0.1 to 1e+07");
  refuse("extras = (\"level\");\n", "p.cfg:1: unknown extra \"level\"; did you mean \"levels\"?");
  refuse("extras = (\"levels\",\n\"levels\");\n", "p.cfg:2: extras names \"levels\" twice; once is enough");
  refuse("extras = (7);\n",
         "p.cfg:1: an entry of extras is not text; expected \"intermodulation\", \"levels\" "
         "or \"crosstalk\"");
  refuse("extras = \"levels\";\n", "p.cfg:1: extras is not a list; expected extras = (\"levels\", ...)");
  refuse("max_level_dbfs = -3.0;\n",
         "p.cfg:1: max_level_dbfs does nothing without extras = (\"levels\"); expected that, too");
  refuse("extras = (\"levels\");\nmax_level_dbfs = 1;\n", "p.cfg:2: max_level_dbfs is 1; expected -60 to 0");
  refuse("extras = (\"levels\");\nlevel_dbfs = -10.0;\nmax_level_dbfs = -20.0;\n",
         "p.cfg:3: max_level_dbfs -20 is below level_dbfs -10; expected -10 to 0");
  refuse("extras = (\"levels\");\nmax_level_thd_percent = 0;\n",
         "p.cfg:2: max_level_thd_percent is 0; expected 0.01 to 30");
  refuse("max_levl_dbfs = 1;\n", "p.cfg:1: unknown key \"max_levl_dbfs\"; did you mean \"max_level_dbfs\"?");
  refuse("unit = 7;\n", "p.cfg:1: unit is not text; expected \"...\" in quotes");
  refuse("limits = { };\n", "p.cfg:1: limits is not a list; expected limits = ( { ... }, { ... } )");
  refuse("limits = ( \"balance\" );\n", "p.cfg:1: an entry of limits is not a group; expected { ... }");
  refuse("unit = \"a\n", "p.cfg:2: syntax error; expected name = value; entries");
  refuse("unit = \"a\";\nunit = \"b\";\n", "p.cfg:2: duplicate setting name; expected name = value; entries");
  refuse("# own\n  @include \"other.cfg\"\n", "p.cfg:2: found @include; expected all of it in one file");
  refuse("reference = \"g.json\";",
         "p.cfg:1: reference does nothing without a limit that says relative = true");
  refuse("limits = ( { quantity = \"noise\"; max = 1.0; unit = \"dB\"; relative = true; } );",
         "p.cfg:1: a relative limit needs reference = \"good.json\" in the plan: a good unit's results");
  refuse("reference = \"g\"; limits = ( { quantity = \"noise\"; max = 1.0; unit = \"dBFS\"; relative = true; "
         "} );",
         "p.cfg:1: the unit is \"dBFS\"; noise differs from the reference by \"dB\"");
}

static void mistakes_in_a_limit_are_named(void **state)
{
  static const struct {
    const char *limit;
    const char *message;
  } cases[] = {
      {"quantity = \"balence\"; max = 1; unit = \"dB\";",
       "p.cfg:2: unknown quantity \"balence\"; did you mean \"balance\"?"},
      {"quantity = \"xylophone\"; max = 1; unit = \"dB\";",
       "p.cfg:2: unknown quantity \"xylophone\"; expected a name such as \"balance\""},
      {"quantity = 3; max = 1; unit = \"dB\";",
       "p.cfg:2: quantity is not text; expected a name such as \"balance\""},
      {"max = 1; unit = \"dB\";",
       "p.cfg:2: a limit has no quantity; expected quantity = \"balance\" or another"},
      {"quantity = \"balance\"; maxx = 1; unit = \"dB\";",
       "p.cfg:2: unknown key \"maxx\"; did you mean \"max\"?"},
      {"quantity = \"balance\"; max = 1;",
       "p.cfg:2: the limit on balance has no unit; expected unit = \"dB\" or \"%\""},
      {"quantity = \"balance\"; max = 1; unit = \"db\";",
       "p.cfg:2: unknown unit \"db\"; did you mean \"dB\"?"},
      {"quantity = \"balance\"; max = 1; unit = \"furlong\";",
       "p.cfg:2: unknown unit \"furlong\"; expected \"dB\" or \"%\""},
      {"quantity = \"balance\"; max = 1; unit = 1;", "p.cfg:2: unit is not text; expected \"dB\" or \"%\""},
      {"quantity = \"noise_a\"; max = 1; unit = \"W\";",
       "p.cfg:2: noise_a cannot be limited in \"W\"; expected \"dBFS\" or \"dBV\" or \"V\" or \"dBu\""},
      {"quantity = \"level\"; min = -1; unit = \"V\";", "p.cfg:2: min is -1 V; expected more than 0"},
      {"quantity = \"peak\"; max = 1; unit = \"V\";",
       "p.cfg:2: peak cannot be limited in \"V\"; expected \"dBFS\""},
      {"quantity = \"delay\"; max = 1; unit = \"Hz\";",
       "p.cfg:2: delay cannot be limited in \"Hz\"; expected \"s\" or \"ms\""},
      {"quantity = \"dc\"; max = 1; unit = \"\";", "p.cfg:2: dc cannot be limited in \"\"; expected \"FS\""},
      {"quantity = \"balance\"; min = 0.5; max = -0.5; unit = \"dB\";",
       "p.cfg:2: min 0.5 is above max -0.5; expected min at or below max"},
      {"quantity = \"balance\"; unit = \"dB\";",
       "p.cfg:2: the limit on balance has neither min nor max; expected one or both"},
      {"quantity = \"balance\"; max = \"0.5\"; unit = \"dB\";",
       "p.cfg:2: max is not a number; expected -1e+12 to 1e+12"},
      {"quantity = \"balance\"; max = 1e999; unit = \"dB\";",
       "p.cfg:2: max is inf; expected -1e+12 to 1e+12"},
      {"quantity = \"thd_n\"; max = 0; unit = \"%\";", "p.cfg:2: max is 0 %; expected more than 0"},
      {"quantity = \"thd_n\"; min = -1; max = 1; unit = \"%\";",
       "p.cfg:2: min is -1 %; expected more than 0"},
      {"quantity = \"response\"; from_hz = 18000; to_hz = 30; max = 1; unit = \"dB\";",
       "p.cfg:2: from_hz 18000 is above to_hz 30; expected from_hz at or below to_hz"},
      {"quantity = \"response\"; from_hz = -5; max = 1; unit = \"dB\";",
       "p.cfg:2: from_hz is -5; expected 0 to 1e+06"},
      {"quantity = \"gain\"; from_hz = 30; max = 1; unit = \"dB\";",
       "p.cfg:2: from_hz is for curves (response, phase, spectrum); gain is one number, leave it out"},
      {"quantity = \"gain\"; to_hz = 30; max = 1; unit = \"dB\";",
       "p.cfg:2: to_hz is for curves (response, phase, spectrum); gain is one number, leave it out"},
      {"quantity = \"gain\"; state = \"flat\"; max = 1; unit = \"dB\";",
       "p.cfg:2: unknown state \"flat\"; expected a name that states = ( ... ) defines"},
      {"quantity = \"harmonic\"; order = -2; max = 1; unit = \"dB\";",
       "p.cfg:2: order is -2; expected 2 to 32"},
      {"quantity = \"harmonic\"; order = 0; max = 1; unit = \"dB\";",
       "p.cfg:2: order is 0; expected 2 to 32"},
      {"quantity = \"harmonic\"; order = 2.5; max = 1; unit = \"dB\";",
       "p.cfg:2: order is 2.5; expected a whole number, 2 to 32"},
      {"quantity = \"thd_n\"; order = 2; max = 1; unit = \"dB\";",
       "p.cfg:2: order is for harmonic, hum_line, imd_mod and imd_diff; leave it out for thd_n"},
      {"quantity = \"gain\"; channel = \"lef\"; max = 1; unit = \"dB\";",
       "p.cfg:2: unknown channel \"lef\"; did you mean \"left\"?"},
      {"quantity = \"gain\"; channel = \"ch33\"; max = 1; unit = \"dB\";",
       "p.cfg:2: unknown channel \"ch33\"; did you mean \"ch3\"?"},
      {"quantity = \"gain\"; channel = 1; max = 1; unit = \"dB\";",
       "p.cfg:2: channel is not text; expected \"left\", \"right\", \"both\", \"any\" or \"ch3\" to "
       "\"ch32\""},
      {"quantity = \"route\"; max = 1; unit = \"\";",
       "p.cfg:2: route is a word, not a number to limit; use expect_route"},
      {"quantity = \"polarity\"; min = 1; unit = \"\";",
       "p.cfg:2: polarity is a sign, not a number to limit; use expect_polarity"},
      {"quantity = \"gain\"; segment = \"a segment of a long name\"; max = 1; unit = \"dB\";",
       "p.cfg:2: segment is 24 bytes long; expected fewer than 16"},
  };
  (void)state;
  for (size_t i = 0; i < COUNT(cases); i++) {
    char text[512];
    snprintf(text, sizeof text, "limits = (\n  { %s }\n);\n", cases[i].limit);
    refuse(text, cases[i].message);
  }
}

static void a_mistake_is_named_on_its_own_line(void **state)
{
  (void)state;
  refuse("limits = (\n  { quantity = \"gain\";\n    min = 2;\n    max = 1;\n    unit = \"dB\"; }\n);\n",
         "p.cfg:3: min 2 is above max 1; expected min at or below max");
  refuse("limits = (\n  { quantity = \"gain\"; max = 1; unit = \"dB\"; },\n"
         "  { quantity = \"gain\"; max = 1;\n    unit = \"Hz\"; }\n);\n",
         "p.cfg:4: gain cannot be limited in \"Hz\"; expected \"dB\" or \"%\"");
}

static void mistakes_in_a_state_are_named(void **state)
{
  (void)state;
  refuse("states = (\n { set = \"x\"; }\n);", "p.cfg:2: a state has no name; expected name = \"...\"");
  refuse("states = (\n { name = \"\"; }\n);", "p.cfg:2: a state has no name; expected name = \"...\"");
  refuse("states = (\n { name = \"a\"; },\n { name = \"a\"; }\n);",
         "p.cfg:3: state \"a\" is stated twice; expected another name");
  refuse("states = (\n { name = \"flat\"; },\n { name = \"lift\"; compare_with = \"flatt\"; }\n);",
         "p.cfg:3: unknown state \"flatt\"; did you mean \"flat\"?");
  refuse("states = (\n { name = \"flat\"; compare_with = \"flat\"; }\n);",
         "p.cfg:2: state \"flat\" is compared with itself; expected another state");
  refuse("states = (\n { name = \"flat\"; sett = \"x\"; }\n);",
         "p.cfg:2: unknown key \"sett\"; did you mean \"set\"?");
  refuse("states = (\n { name = \"flat\"; measure = \"gain\"; }\n);",
         "p.cfg:2: measure is not a list; expected measure = (\"response\", ...)");
  refuse("states = (\n { name = \"flat\"; measure = (\"gian\"); }\n);",
         "p.cfg:2: unknown quantity \"gian\"; did you mean \"gain\"?");
  refuse("states = (\n { name = \"flat\"; measure = (\"gain\", \"gain\"); }\n);",
         "p.cfg:2: measure names \"gain\" twice; once is enough");
  refuse("states = (\n { name = \"flat\"; measure = (1); }\n);",
         "p.cfg:2: quantity is not text; expected a name such as \"balance\"");
  refuse("states = ({ name = \"flat\"; });\n"
         "limits = ({ quantity = \"gain\"; state = \"flut\"; max = 1; unit = \"dB\"; });",
         "p.cfg:2: unknown state \"flut\"; did you mean \"flat\"?");
  refuse("states = ({ name = \"flat\"; });\n"
         "limits = ({ quantity = \"boost\"; state = \"flat\"; max = 1; unit = \"dB\"; });",
         "p.cfg:2: boost needs a state to compare with; expected compare_with in state \"flat\"");
}

static void a_knob_to_turn_is_read_and_stands_alone(void **state)
{
  mt_plan *plan =
      parse("states = ( { name = \"a\"; turn = \"volume\"; }, { name = \"b\"; turn = \"fader\"; turn_s = "
            "40.0; }, { name = \"c\"; } );");
  (void)state;
  assert_string_equal(plan->states[0].turn, "volume");
  assert_near(plan->states[0].turn_s, MT_TURN_S, 0.0, "s");
  assert_near(plan->states[1].turn_s, 40.0, 0.0, "s");
  assert_near(plan->states[2].turn_s, 0.0, 0.0, "s");
  mt_plan_destroy(&plan);
  refuse("states = (\n { name = \"a\"; turn = \"\"; }\n);",
         "p.cfg:2: turn is empty; expected turn = \"volume\" or another knob");
  refuse("states = (\n { name = \"a\";\n turn_s = 20.0; }\n);",
         "p.cfg:3: turn_s without turn; expected turn = \"volume\" or another knob");
  refuse("states = (\n { name = \"a\"; turn = \"volume\"; turn_s = 5.0; }\n);",
         "p.cfg:2: turn_s is 5; expected 10 to 60");
  refuse("states = (\n { name = \"a\"; turn = \"volume\";\n measure = (\"gain\"); }\n);",
         "p.cfg:3: measure beside turn: while a knob is turned only its travel is read; expected a state of "
         "its own");
  refuse("states = ({ name = \"flat\"; });\n"
         "limits = ({ quantity = \"scratches\"; state = \"flat\"; max = 0; unit = \"count\"; });",
         "p.cfg:2: scratches is read while a knob is turned; expected turn in state \"flat\"");
}

static void mistakes_in_what_is_expected_are_named(void **state)
{
  (void)state;
  refuse("expect_route = \"an\";",
         "p.cfg:1: expect_route is neither; expected \"any\" or { left = \"left\"; right = \"right\"; }");
  refuse("expect_route = { left = \"rigth\"; };",
         "p.cfg:1: unknown route \"rigth\"; did you mean \"right\"?");
  refuse("expect_route = { left = \"moon\"; };",
         "p.cfg:1: unknown route \"moon\"; expected \"left\", \"right\", \"both\" or \"none\"");
  refuse("expect_route = { left = 1; };",
         "p.cfg:1: the route is not text; expected \"left\", \"right\", \"both\" or \"none\"");
  refuse("expect_route = { lft = \"left\"; };", "p.cfg:1: unknown key \"lft\"; did you mean \"left\"?");
  refuse("expect_polarity = 1;",
         "p.cfg:1: expect_polarity is neither; expected \"any\" or { left = 1; right = -1; }");
  refuse("expect_polarity = { left = 0.5; };", "p.cfg:1: left is 0.5; expected 1, -1 or \"any\"");
  refuse("expect_polarity = { left = 2; };", "p.cfg:1: left is 2; expected -1 to 1");
  refuse("expect_polarity = { right = \"up\"; };", "p.cfg:1: right is not a number; expected -1 to 1");
}

static void more_entries_than_a_person_writes_are_refused(void **state)
{
  static const char limit[] = "{ quantity = \"gain\"; max = 1; unit = \"dB\"; },\n";
  size_t most = 1000;
  char *text = malloc(64 + (most + 1) * sizeof limit);
  mt_plan *plan;
  (void)state;

  for (size_t n = most; n <= most + 1; n++) {
    size_t used = (size_t)snprintf(text, 64, "limits = (\n");
    for (size_t i = 0; i < n; i++, used += sizeof limit - 1)
      memcpy(text + used, limit, sizeof limit);
    memcpy(text + used - 2, ");", 3); /* in place of the last comma */
    if (n == most) {
      plan = parse(text);
      assert_int_equal(plan->nlimits, most);
      mt_plan_destroy(&plan);
    } else {
      refuse(text, "p.cfg:1: limits has 1001 entries; expected at most 1000");
    }
  }
  free(text);
}

static void hostile_text_is_refused_in_one_line(void **state)
{
  size_t huge = ((size_t)1 << 20) + 1;
  char *text = malloc(huge + 1);
  (void)state;

  memset(text, '#', huge);
  text[huge] = '\0';
  refuse(text, "p.cfg:1: the plan is larger than expected, at most 1048576 bytes; is it a plan?");

  /* nesting deeper than any reader's stack */
  static const char deep[] = "({[";
  for (size_t k = 0; deep[k] != '\0'; k++) {
    mt_plan *plan = NULL;
    mt_error err = {0};
    memset(text, deep[k], huge - 1);
    memcpy(text, "a=", 2);
    text[huge - 1] = '\0';
    assert_int_equal(mt_plan_parse(text, "p.cfg", &plan, &err), MT_E_PLAN);
    assert_null(strchr(err.message, '\n'));
  }
  free(text);
}

/* Any bytes at all: refused or read, never a crash (the sanitizers watch). */
static void mangled_plans_never_crash(void **state)
{
  mt_random random;
  size_t length = strlen(full_plan), refused = 0, runs = 3000;
  char *text = malloc(length + 1);
  (void)state;

  mt_random_init(&random, support_seed(20260707));
  for (size_t run = 0; run < runs; run++) {
    mt_plan *plan = NULL;
    mt_error err = {0};
    memcpy(text, full_plan, length + 1);
    for (size_t k = mt_random_bits(&random) % 4 + 1; k > 0; k--)
      text[mt_random_bits(&random) % length] = (char)(mt_random_bits(&random) % 255 + 1);
    if (mt_plan_parse(text, "p.cfg", &plan, &err) != MT_OK) {
      refused++;
      assert_int_equal(err.code, MT_E_PLAN);
      assert_true(strncmp(err.message, "p.cfg:", 6) == 0);
    }
    mt_plan_destroy(&plan);
  }
  /* most changes break a name or a number; some only change a remark or a text */
  assert_in_range(refused, runs / 4, runs - 1);
  free(text);
}

static void write_file(const char *path, const char *data, size_t size)
{
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(data, 1, size, file), size);
  fclose(file);
}

static void files_are_opened_or_refused_with_a_reason(void **state)
{
  char folder[] = "/tmp/mendtone-plan-XXXXXX";
  char path[64], expected[128];
  mt_plan *plan = NULL;
  mt_error err = {0};
  (void)state;

  assert_non_null(mkdtemp(folder));
  snprintf(path, sizeof path, "%s/bench.cfg", folder);
  assert_int_equal(mt_plan_open(path, &plan, &err), MT_E_NO_INPUT);
  snprintf(expected, sizeof expected, "%s: cannot be opened: No such file or directory", path);
  assert_string_equal(err.message, expected);
  assert_int_equal(mt_plan_open(folder, &plan, &err), MT_E_NO_INPUT);
  snprintf(expected, sizeof expected, "%s: cannot be read: Is a directory", folder);
  assert_string_equal(err.message, expected);

  write_file(path, full_plan, strlen(full_plan));
  assert_ok(mt_plan_open(path, &plan, &err), err);
  assert_string_equal(plan->name, "bench.cfg");
  assert_int_equal(plan->nlimits, 5);
  mt_plan_destroy(&plan);

  write_file(path, "unit = \"a\0b\";", 13);
  assert_int_equal(mt_plan_open(path, &plan, &err), MT_E_PLAN);
  snprintf(expected, sizeof expected, "%s:1: found a zero byte; expected a text file", path);
  assert_string_equal(err.message, expected);

  write_file(path, "limits = (\n{ quantity = \"gain\"; max = 1; }\n);", 44);
  assert_int_equal(mt_plan_open(path, &plan, &err), MT_E_PLAN);
  snprintf(expected, sizeof expected, "%s:2: the limit on gain has no unit; expected unit = \"dB\" or \"%%\"",
           path);
  assert_string_equal(err.message, expected);
  assert_null(plan);

  assert_int_equal(mt_plan_open("/dev/zero", &plan, &err), MT_E_PLAN);
  unlink(path);
  rmdir(folder);
}

static void the_default_text_parses_to_the_default_plan(void **state)
{
  mt_plan *built = NULL, *read = NULL;
  mt_error err = {0};
  (void)state;

  assert_ok(mt_plan_create_default(&built, &err), err);
  assert_ok(mt_plan_parse(mt_plan_default_text(), "default", &read, &err), err);
  assert_string_equal(built->name, "default");
  assert_int_equal(built->nlimits, read->nlimits);
  assert_true(built->nlimits >= 10);
  for (size_t i = 0; i < built->nlimits; i++) {
    mt_limit a = built->limits[i], b = read->limits[i];
    assert_int_equal(a.line, 0);
    assert_true(b.line > 0);
    assert_true(a.why[0] != '\0');
    assert_int_equal(a.quantity, b.quantity);
    assert_string_equal(a.segment, b.segment);
    assert_string_equal(a.why, b.why);
    assert_true(a.min == b.min && a.max == b.max && a.from_hz == b.from_hz && a.to_hz == b.to_hz);
  }
  assert_true(built->judges_route);
  mt_plan_destroy(&built);
  mt_plan_destroy(&read);
}

static void the_default_text_fits_a_terminal_and_names_no_source_it_has_not(void **state)
{
  const char *text = mt_plan_default_text();
  size_t width = 0;
  (void)state;

  assert_non_null(strstr(text, "common practice of the repair bench, no source"));
  for (const char *p = text; *p != '\0'; p++) {
    width = *p == '\n' ? 0 : width + 1;
    assert_true(*p == '\n' || (*p >= 0x20 && *p < 0x7f));
    assert_true(width <= 110);
  }
  assert_int_equal(text[strlen(text) - 1], '\n');
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(full_plan_is_read_whole),
      cmocka_unit_test(empty_file_is_a_plan_that_implies_route_and_polarity),
      cmocka_unit_test(expectations_can_be_switched_off),
      cmocka_unit_test(mistakes_in_the_head_are_named),
      cmocka_unit_test(mistakes_in_a_limit_are_named),
      cmocka_unit_test(a_mistake_is_named_on_its_own_line),
      cmocka_unit_test(mistakes_in_a_state_are_named),
      cmocka_unit_test(a_knob_to_turn_is_read_and_stands_alone),
      cmocka_unit_test(mistakes_in_what_is_expected_are_named),
      cmocka_unit_test(more_entries_than_a_person_writes_are_refused),
      cmocka_unit_test(hostile_text_is_refused_in_one_line),
      cmocka_unit_test(mangled_plans_never_crash),
      cmocka_unit_test(files_are_opened_or_refused_with_a_reason),
      cmocka_unit_test(the_default_text_parses_to_the_default_plan),
      cmocka_unit_test(the_default_text_fits_a_terminal_and_names_no_source_it_has_not),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
