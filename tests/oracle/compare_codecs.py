#!/usr/bin/env python3
"""The take of a known unit, sent through the lossy codecs of wireless links and players, still reads right.

    compare_codecs.py MENDTONE

Encoded and decoded by Debian's tools for SBC, Opus and MP3. Level, gain, balance, response, route, polarity and
clock must read as from the same take without codec, within bounds stated here, and within the uncertainty the tool
states itself; distortion, noise and crosstalk must be refused, as a codec makes and hides them. Without codec, in
16 bits, nothing may be refused. Exit status 77 when a tool is not installed.
"""

import dataclasses
import math
import pathlib
import shutil
import subprocess
import sys
import tempfile

from tool import Check

TOOLS = {"sox": "sox", "sbcenc": "sbc-tools", "sbcdec": "sbc-tools", "opusenc": "opus-tools",
         "opusdec": "opus-tools", "lame": "lame"}

REFUSED = ("harmonic", "thd_f", "thd_r", "thd_n", "sinad", "enob", "noise", "noise_a", "noise_ccir", "snr",
           "dynamic_range", "crosstalk", "hum", "dc")

UNITS = {
    "sound": """
left = { gain_db = -1.3; high_pass_hz = 30.0; order_2 = 0.002; noise_dbfs = -95.0; crosstalk_db = -70.0; };
right = { gain_db = -1.9; shelf_db = 4.0; shelf_hz = 120.0; order_3 = 0.03; noise_dbfs = -95.0; };
delay_s = 0.0123; seed = 3;
""",
    "swapped, one inverted": """
left = { gain_db = -2.0; noise_dbfs = -90.0; };
right = { gain_db = -2.5; invert = true; noise_dbfs = -90.0; };
swap = true; seed = 4;
""",
}


@dataclasses.dataclass
class Codec:
    """One way through a codec, and what it may do to the readings."""

    name: str
    commands: list  # of words; {wav} 16 bits, {au} the same as Sun audio, {coded}, {out}
    level_db: float
    response: list  # (from Hz, to Hz, dB)
    preset_gain_db: float = 0.0  # what the encoder itself turns the level down by
    last: str = "wav"


# SBC: a filter bank whose gain is flat to some hundredths of a decibel, with a quantiser in each of 8 bands; the
# readings average its error. 0.02 and 0.05 dB; with 4 bands, 0.1 dB.
# MP3: the transform is exact, coefficients of loud lines are quantised finely; above its low-pass (lame says where:
# 15.1 kHz at 96 kbit/s, 17 kHz at 128) nothing is left. 0.01 and 0.05 dB below that.
# Opus: the energy of each band is coded in steps of 6 dB, refined by a few bits (RFC 6716, 4.3.2), fewer per hertz
# in the wide bands from 9.6 kHz up: half a decibel below, more above. The level of a steady tone is averaged over
# many frames: 0.05 dB.
# lame's presets for a constant rate also turn the level down: x 0.95 at 96 and 128 kbit/s, x 0.97 at 192 (its
# presets.c, from memory), against clipping.
SBC = ["sbcenc {options} {au} > {coded}", "sbcdec -f {out} {coded}"]
OPUS = ["opusenc --quiet --bitrate {options} {wav} {coded}", "opusdec --quiet --float {coded} {out}"]
MP3 = ["lame --quiet --resample 48 -b {options} {wav} {coded}", "lame --quiet --decode {coded} {out}"]
OPUS_DB = [(20.0, 9000.0, 0.5), (9000.0, 17000.0, 1.2)]
OPUS_64_DB = [(20.0, 9000.0, 0.8), (9000.0, 17000.0, 1.5)]


def codecs():
    for options in ("-b 53", "-b 35 -j", "-b 31 -s 4"):
        yield Codec(f"SBC {options}", fill(SBC, options), 0.02,
                    [(20.0, 18000.0, 0.1 if "-s 4" in options else 0.05)], last="au")
    for rate in (64, 128, 256):
        yield Codec(f"Opus {rate} kbit/s", fill(OPUS, rate), 0.05, OPUS_64_DB if rate == 64 else OPUS_DB)
    for rate, gain, to_hz in ((96, 0.95, 12000.0), (128, 0.95, 15000.0), (192, 0.97, 17000.0)):
        yield Codec(f"MP3 {rate} kbit/s", fill(MP3, rate), 0.01, [(20.0, to_hz, 0.05)], 20.0 * math.log10(gain))


def fill(commands, options):
    return [command.replace("{options}", str(options)) for command in commands]


def shell(command, **names):
    quoted = {key: f"'{value}'" for key, value in names.items()}
    subprocess.run(["sh", "-ec", command.format(**quoted)], check=True, stdin=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)


def through(codec, take, folder):
    names = {"wav": folder / "in.wav", "au": folder / "in.au", "coded": folder / "coded",
             "out": folder / f"out.{codec.last}"}
    for command in codec.commands:
        shell(command, **names)
    if codec.last == "wav":
        return names["out"]
    shell("sox {out} {wav}", out=names["out"], wav=folder / "decoded.wav")
    return folder / "decoded.wav"


def make_take(tool, unit, folder):
    """The unit's take in 16 bits with dither, as WAV and as Sun audio."""
    (folder / "unit.cfg").write_text(unit, encoding="utf-8")
    subprocess.run([tool, "check", "--yes", "--simulate", folder / "unit.cfg", "--take", folder / "take.wav"],
                   check=False, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    shell("sox -R {take} -b 16 {wav} dither; sox {wav} -t au {au}", take=folder / "take.wav",
          wav=folder / "in.wav", au=folder / "in.au")
    return folder / "in.wav"


def find(results, quantity, channel, segment=None):
    return [reading for reading in results["readings"] if reading["quantity"] == quantity
            and reading["channel"] == channel and (segment is None or reading.get("segment") == segment)]


def is_lossy(results):
    return any(problem["kind"] == "lossy_path" for problem in results["take"]["problems"])


def compare_levels(check, plain, coded, codec):
    for quantity, channels in (("level", ("left", "right")), ("gain", ("left", "right")), ("balance", ("both",)),
                               ("phase_difference", ("both",))):
        shift = codec.preset_gain_db if quantity in ("level", "gain") else 0.0
        bound = 0.2 if quantity == "phase_difference" else codec.level_db * (2 if quantity == "balance" else 1)
        for channel in channels:
            expected = find(plain, quantity, channel, "both")[0]["value"] + shift
            row = find(coded, quantity, channel, "both")[0]
            off = row["value"] - expected if row["validity"] == "valid" else math.inf
            if quantity == "phase_difference" and math.isfinite(off):
                off -= 360.0 * round(off / 360.0)
            check.true(f"{quantity}, {channel}: off by {off:+.4f}, allowed {bound}", abs(off) <= bound)
            # the preset's gain is given to two digits
            stated = row["uncertainty"] + (0.001 if shift else 0.0)
            check.true(f"{quantity}, {channel}: within the {stated:.4f} stated", abs(off) <= stated)


def compare_words(check, plain, coded):
    for quantity in ("route", "polarity"):
        for channel in ("left", "right"):
            was, now = find(plain, quantity, channel)[0], find(coded, quantity, channel)[0]
            check.true(f"{quantity}, {channel}: {now['value']}",
                       now["validity"] == "valid" and now["value"] == was["value"])
    offset = coded["take"]["clock_offset_ppm"]
    # marks 13 s apart; a codec moves each by less than a microsecond
    check.true(f"clock offset {offset:.3f} ppm", abs(offset) <= 0.15)


def compare_response(check, plain, coded, codec):
    curves = [{curve["channel"]: curve for curve in results["curves"] if curve["quantity"] == "response"}
              for results in (plain, coded)]
    for channel in ("left", "right"):
        was, now = curves[0][channel], curves[1][channel]
        points = list(zip(now["x"], now["y"], was["y"], now["uncertainty"]))
        for from_hz, to_hz, bound in codec.response:
            worst = max(abs(y - expected) for x, y, expected, _ in points if from_hz <= x <= to_hz)
            check.true(f"response, {channel}, {from_hz:.0f} to {to_hz:.0f} Hz: within {worst:.3f} dB, "
                       f"allowed {bound} dB", worst <= bound)
        # k = 2: 95 % if errors were Gaussian, which those of a codec need not be
        inside = [abs(y - expected) <= u for x, y, expected, u in points if 20.0 <= x <= codec.response[-1][1]]
        share = sum(inside) / len(inside)
        check.true(f"response, {channel}: {100 * share:.1f} % within the uncertainty stated", share >= 0.9)


def compare_refused(check, coded):
    check.true("the codec is noticed", is_lossy(coded))
    for quantity in REFUSED:
        rows = find(coded, quantity, "left") + find(coded, quantity, "right")
        good = rows and all(row["validity"] != "valid" and row["value"] is None
                            and row["verdict"] not in ("pass", "fail") for row in rows)
        check.true(f"{quantity} is refused", good)
    check.true("nothing is failed for what the codec did", coded["verdict"] != "pass")


def check_unit(check, name, unit, folder):
    take = make_take(check.tool, unit, folder)
    plain = check.results(take)
    check.title(f"{name}: no codec, 16 bits")
    check.true("no codec is noticed", not is_lossy(plain))
    check.true("the distortion is read", find(plain, "thd_n", "left")[0]["validity"] == "valid")
    for codec in codecs():
        coded = check.results(through(codec, take, folder))
        check.title(f"{name}: {codec.name}")
        compare_refused(check, coded)
        compare_levels(check, plain, coded, codec)
        compare_words(check, plain, coded)
        compare_response(check, plain, coded, codec)


def main():
    for program, package in TOOLS.items():
        if not shutil.which(program):
            print(f"{program} is not installed (package {package})")
            return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        for title, unit in UNITS.items():
            check_unit(check, title, unit, pathlib.Path(name))
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
