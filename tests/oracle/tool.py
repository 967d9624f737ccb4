"""What the oracle tests share: run the tool on a recording, look a reading up, compare and keep count."""

import json
import subprocess

CHANNELS = ["left", "right"] + [f"ch{number}" for number in range(3, 33)]


class Check:
    """Comparisons of one test program; prints a row each."""

    def __init__(self, tool):
        self.tool = tool
        self.failed = 0
        self.done = 0

    def analyse(self, path):
        """The readings of a plain recording, from `mendtone analyse --json -`."""
        run = subprocess.run([self.tool, "analyse", str(path), "--json", "-"], capture_output=True, text=True,
                             stdin=subprocess.DEVNULL, check=False)
        if run.returncode != 0:
            raise SystemExit(f"mendtone analyse {path}: status {run.returncode}: {run.stderr.strip()}")
        return json.loads(run.stdout)["readings"]

    def results(self, path):
        """All that `mendtone analyse --json -` says, whatever the verdict."""
        run = subprocess.run([self.tool, "analyse", str(path), "--json", "-"], capture_output=True, text=True,
                             stdin=subprocess.DEVNULL, check=False)
        if run.returncode not in (0, 1, 2):
            raise SystemExit(f"mendtone analyse {path}: status {run.returncode}: {run.stderr.strip()}")
        return json.loads(run.stdout)

    def true(self, text, good):
        """One comparison made by the caller."""
        self.done += 1
        self.failed += not good
        print(f"  {text}{'' if good else '   WRONG'}")

    def title(self, text):
        print(f"\n{text}\n  {'quantity':<14}{'channel':<9}{'mendtone':>14}{'expected':>14}{'off by':>12}"
              f"{'allowed':>12}")

    def value(self, readings, quantity, channel, order=None):
        """The one valid value, or None."""
        found = [reading for reading in readings if reading["quantity"] == quantity
                 and reading["channel"] == channel and (order is None or reading.get("order") == order)]
        if len(found) != 1 or found[0]["validity"] != "valid":
            return None
        return found[0]["value"]

    def near(self, readings, quantity, channel, expected, tolerance, order=None):
        """One comparison. What is missing or not valid fails."""
        got = self.value(readings, quantity, channel, order)
        good = got is not None and abs(got - expected) <= tolerance
        self.done += 1
        self.failed += not good
        name = quantity if order is None else f"{quantity} {order}"
        shown = f"{'none valid':>14}" if got is None else f"{got:14.6f}"
        off = "" if got is None else f"{got - expected:+12.2e}"
        print(f"  {name:<14}{channel:<9}{shown}{expected:14.6f}{off:>12}{tolerance:12.2e}"
              f"{'' if good else '   WRONG'}")

    def finish(self):
        print(f"\n{self.done} comparisons, {self.failed} wrong")
        return 1 if self.failed or not self.done else 0
