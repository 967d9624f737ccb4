#!/usr/bin/env python3
"""The take of a known unit, resampled by sox to another clock, with and without a codec in between, reads the same.

    compare_clocks.py MENDTONE

sox's best rate converter (rate -v: 150 dB, its manual) makes of a take at 48000 Hz one of n frames to 48000; played
back as 48000 Hz it is what a recorder hears whose clock is off by so much. Gain must read within 0.05 dB of the take
itself, the clock offset within 0.1 ppm; through a codec the take's delay is the codec's. Exit status 77 when a tool
is not installed.
"""

import pathlib
import shutil
import sys
import tempfile

from compare_codecs import OPUS, SBC, TOOLS, Codec, fill, find, is_lossy, make_take, shell, through
from tool import Check

RATE = 48000
OFFSETS_PPM = (80.0, -80.0, -250.0, 900.0)
GAIN_DB = 0.05
OFFSET_PPM = 0.1
UNIT = """
left = { gain_db = -1.3; high_pass_hz = 30.0; order_2 = 0.002; noise_dbfs = -95.0; crosstalk_db = -70.0; };
right = { gain_db = -1.9; order_3 = 0.03; noise_dbfs = -95.0; crosstalk_db = -70.0; };
delay_s = 0.0123; seed = 8;
"""


def paths():
    yield None
    yield Codec("SBC at 328 kbit/s", fill(SBC, "-b 53"), 0.02, [], last="au")
    yield Codec("Opus at 128 kbit/s", fill(OPUS, 128), 0.05, [])


def compare(check, plain, heard, offset_ppm, codec):
    check.true("the path is known for what it is", is_lossy(heard) == (codec is not None))
    for channel in ("left", "right"):
        expected = find(plain, "gain", channel, "both")[0]["value"]
        row = find(heard, "gain", channel, "both")[0]
        off = row["value"] - expected if row["validity"] == "valid" else float("inf")
        check.true(f"gain, {channel}: off by {off:+.4f} dB, allowed {GAIN_DB}", abs(off) <= GAIN_DB)
    got = heard["take"]["clock_offset_ppm"]
    check.true(f"clock offset {got:.4f} ppm, expected {offset_ppm:.4f}, allowed {OFFSET_PPM}",
               got is not None and abs(got - offset_ppm) <= OFFSET_PPM)


def main():
    for program, package in TOOLS.items():
        if not shutil.which(program):
            print(f"{program} is not installed (package {package})")
            return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        make_take(check.tool, UNIT, folder)
        plain = check.results(folder / "take.wav")
        for codec in paths():
            source = folder / "take.wav"
            if codec is not None:
                source = through(codec, source, folder)
            for offset_ppm in OFFSETS_PPM:
                # fewer frames for the same sound, then said to be 48000 a second: the player's clock is fast
                shell(f"sox {{source}} -e float -b 32 {{turned}} rate -v {RATE / (1.0 + 1e-6 * offset_ppm):.9f};"
                      f"sox -r {RATE} {{turned}} -e float -b 32 {{heard}}", source=source,
                      turned=folder / "turned.wav", heard=folder / "heard.wav")
                check.title(f"{codec.name if codec else 'no codec'}, {offset_ppm:+.2f} ppm")
                compare(check, plain, check.results(folder / "heard.wav"), offset_ppm, codec)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
