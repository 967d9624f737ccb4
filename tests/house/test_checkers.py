#!/usr/bin/env python3
"""A checker that cannot refuse is worth nothing: each gets a small tree with one planted fault.

    test_checkers.py SCRIPTS_FOLDER
"""

import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import unittest

SCRIPTS = pathlib.Path(sys.argv.pop(1)).resolve()

GOOD_TREE = {
    "include/mendtone/error.h": "#ifndef MENDTONE_ERROR_H\n#define MENDTONE_ERROR_H\n\n"
                                "/** Say a code as a word. */\nint mt_code_name(int code);\n\n#endif\n",
    "include/mendtone/stimulus.h": "#ifndef MENDTONE_STIMULUS_H\n#define MENDTONE_STIMULUS_H\n\n"
                                   "#include <mendtone/error.h>\n\n#endif\n",
    "src/base/error.c": "#include <mendtone/error.h>\n\nint mt_code_name(int code)\n{\n  return code;\n}\n",
    "src/signal/tone.h": "#ifndef SIGNAL_TONE_H\n#define SIGNAL_TONE_H\n\n#endif\n",
    "src/signal/tone.c": "#include \"signal/tone.h\"\n\n#include <mendtone/stimulus.h>\n\n#include <math.h>\n",
    "tests/unit/meson.build": "unit_tests = {\n  'error': 'base',\n  'tone': 'signal',\n}\n",
    "tests/unit/test_error.c": "/* strcpy( in a comment and \"atoi(\" in a string are no calls */\n",
    "tests/unit/test_tone.c": "#include <math.h>\n",
    "scripts/run": "#!/bin/sh\nset -eu\necho \"$1\"\n",
}


class Tree(unittest.TestCase):
    """A project in a temporary folder; a test plants its fault and runs a checker over it."""

    def setUp(self):
        self.root = pathlib.Path(tempfile.mkdtemp(prefix="mendtone checkers "))
        self.addCleanup(shutil.rmtree, self.root)
        for name, text in GOOD_TREE.items():
            self.plant(name, text)

    def plant(self, name, text):
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())

    def run_script(self, name, *arguments, **environment):
        run = subprocess.run([SCRIPTS / name, *arguments], capture_output=True, text=True, stdin=subprocess.DEVNULL,
                             env={**os.environ, **environment}, check=False)
        return run.returncode, run.stdout + run.stderr

    def refuses(self, expected, name, *arguments, **environment):
        """The script fails, and says where and what."""
        status, output = self.run_script(name, *arguments, **environment)
        self.assertEqual(status, 1, output)
        self.assertIn(expected, output)


class Layers(Tree):
    def refuses_tree(self, expected):
        self.refuses(expected, "check-layers", str(self.root))

    def test_a_good_tree_passes(self):
        status, output = self.run_script("check-layers", str(self.root))
        self.assertEqual(status, 0, output)

    def test_an_include_against_the_arrow_is_refused(self):
        self.plant("src/base/error.c", '#include <math.h>\n#include "signal/tone.h"\n')
        self.refuses_tree("src/base/error.c:2: base may not include signal")

    def test_a_public_include_against_the_arrow_is_refused(self):
        self.plant("src/base/error.c", "#include <mendtone/stimulus.h>\n")
        self.refuses_tree("src/base/error.c:1: base may not include signal")

    def test_an_arrow_between_public_headers_is_checked(self):
        self.plant("include/mendtone/error.h", "#include <mendtone/stimulus.h>\n")
        self.refuses_tree("include/mendtone/error.h:1: base may not include signal")

    def test_a_private_header_in_a_public_one_is_refused(self):
        self.plant("include/mendtone/stimulus.h", '#include "signal/tone.h"\n')
        self.refuses_tree("include/mendtone/stimulus.h:1: a public header may not include private")

    def test_an_indented_include_is_seen(self):
        self.plant("src/base/error.c", '#ifdef X\n#  include "signal/tone.h"\n#endif\n')
        self.refuses_tree("src/base/error.c:2: base may not include signal")

    def test_a_path_that_leaves_the_folder_is_refused(self):
        self.plant("src/base/error.c", '#include "../signal/tone.h"\n')
        self.refuses_tree("src/base/error.c:1:")

    def test_an_unknown_folder_is_refused(self):
        self.plant("src/extra/thing.c", "#include <math.h>\n")
        self.refuses_tree("src/extra/thing.c:1: src/extra is no stage")

    def test_a_public_header_without_a_stage_is_refused(self):
        self.plant("include/mendtone/novel.h", "#include <math.h>\n")
        self.refuses_tree("include/mendtone/novel.h:1: public header is not entered")

    def test_a_foreign_library_in_two_files_is_refused(self):
        self.plant("src/signal/one.c", "#include <kiss_fftr.h>\n")
        self.assertEqual(self.run_script("check-layers", str(self.root))[0], 0)
        self.plant("src/signal/two.c", "#include <math.h>\n#include <kiss_fft.h>\n")
        self.refuses_tree("KissFFT is included in more than one file")

    def test_a_foreign_library_in_a_public_header_is_refused(self):
        self.plant("include/mendtone/stimulus.h", "#include <sndfile.h>\n")
        self.refuses_tree("include/mendtone/stimulus.h:1: a public header may not include libsndfile")

    def test_an_empty_folder_is_refused(self):
        with tempfile.TemporaryDirectory() as empty:
            self.refuses("no sources found", "check-layers", empty)


class Style(Tree):
    def refuses_tree(self, only, expected):
        self.refuses(expected, "check-style", "--root", str(self.root), "--only", only)

    def test_a_good_tree_passes(self):
        # not `tests`: the real project's TESTED_ELSEWHERE is not true of this tree
        status, output = self.run_script("check-style", "--root", str(self.root), "--only", "text,c,docs")
        self.assertEqual(status, 0, output)

    def test_banned_functions_are_refused(self):
        for call in ("strcpy(a, b)", "sprintf(a, b)", "atoi(a)", "atof (a)", "gets(a)", "skip()", "rand()",
                     "assert_float_equal(a, b, c)", "strtok(a, b)", "alloca(3)", "mktemp(a)"):
            with self.subTest(call=call):
                self.plant("src/signal/tone.c", f"\nvoid f(void)\n{{\n  {call};\n}}\n")
                self.refuses_tree("c", f"src/signal/tone.c:4: {call.split('(')[0].strip()}: ")

    def test_a_test_may_copy_its_own_literals(self):
        self.plant("tests/unit/test_tone.c", 'void f(void)\n{\n  strcpy(a, "b");\n}\n')
        self.assertEqual(self.run_script("check-style", "--root", str(self.root), "--only", "c")[0], 0)
        self.plant("tests/unit/test_tone.c", "void f(void)\n{\n  atoi(a);\n}\n")
        self.refuses_tree("c", "tests/unit/test_tone.c:3: atoi")

    def test_a_call_behind_a_string_is_still_seen(self):
        self.plant("src/signal/tone.c", 'void f(void)\n{\n  g("\\"//"); atoi(a);\n}\n')
        self.refuses_tree("c", "src/signal/tone.c:3: atoi")

    def test_a_wrong_header_guard_is_refused(self):
        self.plant("src/signal/tone.h", "#ifndef WRONG_H\n#define WRONG_H\n#endif\n")
        self.refuses_tree("c", "src/signal/tone.h:1: header guard SIGNAL_TONE_H")

    def test_untidy_text_is_refused(self):
        for text, expected in (("a\tb\n", "a tab"), ("a \n", "space at"), ("a\r\n", "CR"), ("a" * 121 + "\n", "121"),
                               ("a", "no line end"), ("/* TO" "DO later */\n", "unfinished"),
                               ("/* FIX" "ME */\n", "unfinished"), ('f("/ho' 'me/someone/a.wav");\n', "one machine")):
            with self.subTest(text=text):
                self.plant("src/signal/tone.c", text)
                self.refuses_tree("text", "src/signal/tone.c:1: ")
                self.refuses_tree("text", expected)

    def test_an_undocumented_public_function_is_refused(self):
        self.plant("include/mendtone/error.h", "/** Of one thing. */\nint mt_one(void);\n\nint mt_two(void);\n")
        self.refuses_tree("docs", "include/mendtone/error.h:4: mt_two() has no docstring")

    def test_a_public_function_nobody_defines_is_refused(self):
        self.plant("src/base/error.c", "/* int mt_code_name(int code) { } */\nint mt_code_name(int code);\n")
        self.refuses_tree("docs", "include/mendtone/error.h:5: mt_code_name() is declared and not defined")

    def test_a_source_without_its_test_is_refused(self):
        self.plant("src/signal/novel.c", "#include <math.h>\n")
        self.refuses_tree("tests", "src/signal/novel.c:1: no tests/unit/test_novel.c")

    def test_a_test_of_another_stages_file_does_not_count(self):
        self.plant("src/signal/error.c", "#include <math.h>\n")
        self.refuses_tree("tests", "src/signal/error.c:1: no tests/unit/test_error.c")

    def test_a_test_that_is_not_listed_is_refused(self):
        self.plant("tests/unit/test_novel.c", "#include <math.h>\n")
        self.refuses_tree("tests", "tests/unit/test_novel.c:1: is not listed")

    def test_an_excuse_that_is_no_longer_true_is_refused(self):
        self.refuses_tree("tests", "base/error.c of TESTED_ELSEWHERE is not needed")
        self.plant("src/base/file.c", "#include <math.h>\n")
        self.refuses_tree("tests", "base/file.c is said to be tested by tests/unit/test_json.c, which does not")

    @unittest.skipUnless(shutil.which("clang-format-14"), "clang-format-14 is not installed")
    def test_untidy_c_is_refused(self):
        shutil.copy(SCRIPTS.parent / ".clang-format", self.root)
        self.plant("src/signal/tone.c", "int  f ( void ) ;\n")
        self.refuses_tree("format", "src/signal/tone.c:1: not as clang-format")

    @unittest.skipUnless(shutil.which("shellcheck"), "shellcheck is not installed")
    def test_an_unquoted_variable_is_refused(self):
        self.plant("scripts/run", "#!/bin/sh\nset -eu\nrm $1\n")
        self.refuses_tree("shell", "scripts/run:3:")

    def test_a_missing_program_is_a_skip_not_a_pass(self):
        # nothing but the interpreter on the path
        (self.root / "bin").mkdir()
        (self.root / "bin/python3").symlink_to(shutil.which("python3"))
        status, output = self.run_script("check-style", "--root", str(self.root), "--only", "shell",
                                         PATH=str(self.root / "bin") + ":/bin/nowhere")
        self.assertEqual(status, 77, output)
        self.assertIn("shellcheck is not installed", output)


class Totals(Tree):
    def log(self, *results):
        path = self.root / "log.json"
        path.write_text("".join(json.dumps({"name": f"t{number}", "result": result,
                                            "stdout": "working\n\nno sound card\n"}) + "\n"
                                for number, result in enumerate(results)))
        return str(path)

    def totals(self, *arguments, ci=""):
        status, output = self.run_script("test-totals", *arguments, CI=ci)
        return status, output.strip().splitlines()

    def test_results_are_added_up(self):
        log = self.log("OK", "OK", "SKIP")
        status, lines = self.totals(log, log)
        self.assertEqual((status, lines[-1]), (0, "4 passed, 0 failed, 2 skipped"))
        self.assertIn("skipped: t2: no sound card", lines)

    def test_every_kind_of_failure_counts(self):
        status, lines = self.totals(self.log("OK", "FAIL", "TIMEOUT", "ERROR", "UNEXPECTEDPASS", "INTERRUPT"))
        self.assertEqual((status, lines[-1]), (1, "1 passed, 5 failed, 0 skipped"))

    def test_a_skip_fails_in_ci(self):
        status, lines = self.totals(self.log("OK", "SKIP"), ci="true")
        self.assertEqual((status, lines[-1]), (1, "1 passed, 0 failed, 1 skipped"))

    def test_no_log_and_no_test_are_failures(self):
        self.assertEqual(self.totals(str(self.root / "absent.json"))[0], 1)
        self.assertEqual(self.totals(self.log())[0], 1)
        self.assertEqual(self.totals()[0], 1)

    def test_a_leg_that_ended_early_is_a_failure(self):
        status, lines = self.totals("--failed-legs", "2", self.log("OK"))
        self.assertEqual((status, lines[-1]), (1, "1 passed, 2 failed, 0 skipped"))


class Headers(Tree):
    def compile(self, standard, text):
        compiler = shutil.which("g++" if standard.startswith("c++") else "gcc")
        if not compiler:
            self.skipTest(f"no compiler for {standard}")
        self.plant("include/mendtone/sample.h", text)
        script = pathlib.Path(__file__).parent / "check_header.sh"
        return subprocess.run([script, compiler, standard, self.root / "include", "sample.h"], capture_output=True,
                              check=False).returncode

    def test_what_is_wrong_in_a_header_is_refused(self):
        guarded = "#ifndef SAMPLE_H\n#define SAMPLE_H\n{}\n#endif\n"
        for standard in ("c11", "c++11"):
            with self.subTest(standard=standard):
                self.assertEqual(self.compile(standard, guarded.format("#include <stddef.h>\nsize_t f(void);")), 0)
                self.assertNotEqual(self.compile(standard, guarded.format("size_t f(void);")), 0)  # leans on others
                self.assertNotEqual(self.compile(standard, "struct twice { int x; };\n"), 0)  # no guard
        self.assertNotEqual(self.compile("c++11", guarded.format("int f(int class);")), 0)
        self.assertNotEqual(self.compile("c11", guarded.format("int f(void); typeof(1) g(void);")), 0)


class Build(Tree):
    """scripts/build on a project of one file."""

    def setUp(self):
        super().setUp()
        shutil.copy(SCRIPTS / "build", self.root / "scripts/build")
        self.plant("meson.build", "project('small', 'c')\nexecutable('small', 'main.c')\n")
        self.plant("main.c", "int main(void)\n{\n  return 0;\n}\n")

    def build(self, *options):
        run = subprocess.run([self.root / "scripts/build", "out", *options], cwd=self.root, capture_output=True,
                             text=True, stdin=subprocess.DEVNULL, check=False)
        return run.returncode, run.stderr

    def test_a_folder_is_used_again_or_started_afresh(self):
        self.assertEqual(self.build()[0], 0)
        status, said = self.build()
        self.assertEqual((status, "afresh" in said), (0, False), said)
        status, said = self.build("-Dbuildtype=release")
        self.assertEqual((status, "afresh" in said), (0, True), said)
        self.assertTrue((self.root / "out/small").is_file())

    def test_what_an_older_tree_left_behind_does_no_harm(self):
        self.assertEqual(self.build()[0], 0)
        (self.root / "out/build.ninja").write_text("this is no build file\n")
        status, said = self.build()
        self.assertEqual(status, 0, said)
        self.assertIn("once more from nothing", said)

    def test_a_program_that_does_not_compile_fails(self):
        self.plant("main.c", "int main(void)\n")
        self.assertNotEqual(self.build()[0], 0)
        self.assertNotEqual(self.build()[0], 0)


class Setup(Tree):
    def test_an_unknown_group_is_refused(self):
        status, output = self.run_script("setup", "--list", "bulid")
        self.assertEqual(status, 64, output)
        self.assertIn('no group "bulid"', output)

    def test_no_package_is_listed_twice(self):
        status, output = self.run_script("setup", "--list", "build", "test", "ci")
        packages = output.split()
        self.assertEqual(status, 0, output)
        self.assertIn("meson", packages)
        self.assertEqual(sorted(packages), sorted(set(packages)))

    def fake_machine(self, dpkg_status, uid):
        """A PATH with a package manager that only writes down what it is asked."""
        tools = self.root / "bin"
        tools.mkdir()
        for name in ("sh", "dirname", "awk", "env", "cat"):
            (tools / name).symlink_to(shutil.which(name))
        log = self.root / "apt.log"
        for name, body in (("dpkg-query", f"echo {dpkg_status}"), ("id", f"echo {uid}"),
                           ("apt-get", f'echo "$@" >>"{log}"')):
            (tools / name).write_text(f"#!/bin/sh\n{body}\n")
            (tools / name).chmod(0o755)
        return str(tools), log

    def test_nothing_is_touched_when_all_is_there(self):
        tools, log = self.fake_machine("installed", 0)
        self.assertEqual(self.run_script("setup", "build", "test", "ci", PATH=tools), (0, ""))
        self.assertFalse(log.exists())

    def test_what_is_missing_is_installed(self):
        for status in ("not-installed", "config-files"):
            with self.subTest(status=status):
                shutil.rmtree(self.root / "bin", ignore_errors=True)
                tools, log = self.fake_machine(status, 0)
                status, output = self.run_script("setup", "build", PATH=tools)
                self.assertEqual(status, 0, output)
                self.assertRegex(log.read_text(), r"install -y --no-install-recommends gcc .*libcmocka-dev")
                log.unlink()

    def test_node_of_another_packager_is_left_alone(self):
        tools, log = self.fake_machine("not-installed", 0)
        self.run_script("setup", "test", PATH=tools)
        self.assertRegex(log.read_text(), r"install -y .* nodejs npm ")
        log.unlink()
        for name in ("node", "npm"):
            (pathlib.Path(tools) / name).symlink_to(shutil.which("true"))
        status, output = self.run_script("setup", "test", PATH=tools)
        self.assertEqual(status, 0, output)
        self.assertNotRegex(log.read_text(), r"nodejs|npm")

    def test_neither_root_nor_sudo_says_what_to_type(self):
        tools, log = self.fake_machine("not-installed", 1000)
        status, output = self.run_script("setup", "build", PATH=tools)
        self.assertEqual(status, 69, output)
        self.assertIn("apt-get install --no-install-recommends gcc", output)
        self.assertFalse(log.exists())


if __name__ == "__main__":
    unittest.main()
