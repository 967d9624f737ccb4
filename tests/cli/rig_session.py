#!/usr/bin/env python3
"""mendtone rig at a terminal: what is asked, what slips are caught, and what is kept.

    rig_session.py TOOL

Drives the tool on a pseudo-terminal with a simulated rig, as somebody with a meter would.
"""

import os
import pathlib
import pty
import re
import select
import subprocess
import sys
import tempfile
import time

UNIT = """left = { gain_db = -1.0; noise_dbfs = -100.0; high_pass_hz = 5.0; };
right = { gain_db = -2.0; noise_dbfs = -100.0; high_pass_hz = 5.0; };
delay_s = 0.02; bits = 24; seed = 7;
"""
SILENT = "left = { mute = true; noise_dbfs = -100.0; };\nright = { mute = true; noise_dbfs = -100.0; };\n"
DEADLINE_S = 60.0


class Failure(Exception):
    """The dialogue went another way."""


class Terminal:
    """One run of the tool whose standard input and error are a terminal."""

    def __init__(self, tool, arguments, environment):
        self.master, slave = pty.openpty()
        self.seen = ""
        self.process = subprocess.Popen([tool, *arguments], stdin=slave, stderr=slave, stdout=subprocess.PIPE,
                                        env=environment, text=True, start_new_session=True)
        os.close(slave)

    def expect(self, pattern):
        """Wait until what was written since the last call matches."""
        end = time.monotonic() + DEADLINE_S
        while not re.search(pattern, self.seen, re.DOTALL):
            ready, _, _ = select.select([self.master], [], [], max(0.0, end - time.monotonic()))
            try:
                data = os.read(self.master, 4096) if ready else b""
            except OSError:  # the other end is closed
                data = b""
            if not data:
                raise Failure(f"expected {pattern!r}, seen {self.seen!r}")
            self.seen += data.decode("utf-8", "replace").replace("\r\n", "\n")
        self.seen = self.seen[re.search(pattern, self.seen, re.DOTALL).end():]

    def answer(self, text):
        os.write(self.master, (text + "\n").encode())

    def finish(self):
        """Exit status and standard output."""
        out, _ = self.process.communicate(timeout=DEADLINE_S)
        os.close(self.master)
        return self.process.returncode, out


def must(condition, message):
    if not condition:
        raise Failure(message)


def guided(tool, folder, environment):
    """The whole way, with a slip of every kind."""
    t = Terminal(tool, ["rig", "bench", "--calibrate", "--simulate", str(folder / "loop.cfg"), "--tone-time", "5"],
                 environment)
    t.expect(r"Press Enter to begin")
    t.answer("")
    t.expect(r"across the\s+left channel.*Press Enter to play")
    t.answer("")
    t.expect(r"Playing 80 Hz at -12 dBFS.*What did the meter read.*left channel\)")
    t.answer("banana")
    t.expect(r'"banana" is not understood')
    t.answer("r")
    t.expect(r"Playing 80 Hz")
    t.answer("300")  # of a meter that shows millivolts
    t.expect(r"300 V is more than a sound card gives\. Did you mean 300 mV")
    t.answer("n")
    t.expect(r"What did the meter read")
    t.answer("0.0003")
    t.expect(r"is not what a sound card gives \(0\.01 to 20\s+V\)")
    t.answer("301.4 mV")
    t.expect(r"percent of the reading \[1\]")
    t.answer("0,8")
    t.expect(r'"0,8" is not understood')
    t.answer("0.8")
    t.expect(r"digits \[5\]")
    t.answer("3")
    t.expect(r"worth of the last digit, V \[0\.0001\]")
    t.answer("")
    t.expect(r"across the right channel.*Press Enter to play")
    t.answer("")
    t.expect(r"What did the meter read.*right channel\)")
    t.answer("0.3005")
    t.expect(r"Step 2 of 2: the loop\. It is\s+connected.*Press Enter to measure it")
    t.answer("")
    status, out = t.finish()
    must(status == 0, f"exit status {status}: {t.seen}")
    must(re.search(r"input full scale +1\.349 \+-0\.01\d +1\.50\d", out), f"full scales: {out}")
    kept = (folder / "mendtone/rigs/bench.cfg").read_text()
    must("percent = 0.8; digits = 3.0; step_v = 0.0001;" in kept, f"the meter is not kept: {kept[:900]}")
    must("meter_v = ( 0.3014," in kept, "the reading is not kept")


def skipping(tool, folder, environment):
    """A tone that does not come back, one channel left out, and an end before all is done."""
    t = Terminal(tool, ["rig", "half", "--calibrate", "--simulate", str(folder / "silent.cfg"), "--tone-time", "5"],
                 environment)
    t.expect(r"Press Enter to begin")
    t.answer("")
    t.expect(r"Press Enter to play")
    t.answer("")
    t.expect(r"What did the meter read")
    t.answer("s")
    t.expect(r"Levels of the left channel stay in dBFS.*Press Enter to play")
    t.answer("")
    t.expect(r"What did the meter read")
    t.answer("0.500")
    t.expect(r"percent of the reading")
    t.answer("")
    t.expect(r"digits")
    t.answer("")
    t.expect(r"last digit, V \[0\.001\]")
    t.answer("")
    t.expect(r"the output was metered open.*Connect left output to left input.*Press Enter to measure")
    os.write(t.master, b"\x04")  # the end of all answers
    status, out = t.finish()
    must(status == 64, f"exit status {status}")
    must(out == "", f"something was shown: {out}")
    must(not (folder / "mendtone/rigs/half.cfg").exists(), "half a rig was kept")


def main():
    tool = os.path.abspath(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "loop.cfg").write_text(UNIT)
        (folder / "silent.cfg").write_text(SILENT)
        environment = dict(os.environ, XDG_CONFIG_HOME=name)
        for dialogue in (guided, skipping):
            try:
                dialogue(tool, folder, environment)
            except Failure as failure:
                print(f"FAILED: {dialogue.__name__}: {failure}")
                return 1
            print(f"ok: {dialogue.__name__}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
