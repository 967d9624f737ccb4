#!/usr/bin/env python3
"""A take that a foreign resampler brought to another rate and back is known for one, and the unit is not blamed for it.

    compare_resampling.py MENDTONE

sox resamples the take of a good unit in its qualities from low to very high (rate -l to -v, its manual), through 44100
and 32000 Hz. Nothing may be missed because of it: what lies above the end is undecided, what lies below reads as
before. Analog filters up to order 5, as far as they are met in audio, are no resamplers: sox's own low-passes (order 2)
in chains. Exit status 77 when sox is not installed.
"""

import pathlib
import shutil
import sys
import tempfile

from compare_codecs import make_take, shell
from tool import Check

RATES_HZ = (44100, 32000)
QUALITIES = "lmhv"
UNIT = "left = { noise_dbfs = -95.0; }; right = { gain_db = -0.3; noise_dbfs = -95.0; }; seed = 3;"
# sections of second order as a Butterworth low-pass of that order has them
BUTTERWORTH_Q = {2: (0.7071,), 4: (0.5412, 1.3066), 6: (0.5176, 0.7071, 1.9319)}


def is_said(found):
    return [p for p in found["take"]["problems"] if p["kind"] == "resampled"]


def curve_of(found, channel):
    return next(c for c in found["curves"] if c["quantity"] == "response" and c["channel"] == channel)


def compare_resampled(check, folder, plain, rate_hz, quality):
    check.title(f"through {rate_hz} Hz, rate -{quality}")
    shell(f"sox {{take}} -r {rate_hz} -e float -b 32 {{low}} rate -{quality};"
          f"sox {{low}} -r 48000 -e float -b 32 {{back}} rate -{quality}", take=folder / "take.wav",
          low=folder / "low.wav", back=folder / "back.wav")
    found = check.results(folder / "back.wav")
    check.true("it is said", len(is_said(found)) == 1)
    check.true(f"nothing is missed: {found['verdict']}", found["verdict"] in ("pass", "undecided"))
    for channel in ("left", "right"):
        was, now = curve_of(plain, channel), curve_of(found, channel)
        check.true(f"{channel} ends at {now['x'][-1]:.0f} Hz", now["x"][-1] < 0.5 * rate_hz)
        # the curve ends a tenth of a decibel into the edge; the band an octave below, which that is re, has hundredths
        most = max(abs(a - b) for x, a, b in zip(was["x"], was["y"], now["y"]) if x <= now["x"][-1])
        check.true(f"{channel} differs by {most:.3f} dB below", most <= 0.11)


def compare_analog(check, folder, order, corner_hz):
    check.title(f"Butterworth of order {order} at {corner_hz} Hz")
    sections = " ".join(f"lowpass -2 {corner_hz} {q}q" for q in BUTTERWORTH_Q[order])
    shell(f"sox {{take}} -e float -b 32 {{back}} {sections}", take=folder / "take.wav", back=folder / "back.wav")
    found = check.results(folder / "back.wav")
    check.true("it is the unit's", not is_said(found))
    check.true("and read to the end", curve_of(found, "left")["x"][-1] > 20000.0)


def main():
    if not shutil.which("sox"):
        print("sox is not installed (package sox)")
        return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        make_take(check.tool, UNIT, folder)
        plain = check.results(folder / "take.wav")
        check.title("as it was")
        check.true("nothing is said", not is_said(plain))
        for rate_hz in RATES_HZ:
            for quality in QUALITIES:
                compare_resampled(check, folder, plain, rate_hz, quality)
        for order in BUTTERWORTH_Q:
            for corner_hz in (3000, 8000):
                compare_analog(check, folder, order, corner_hz)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
