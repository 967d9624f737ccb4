#!/usr/bin/env python3
"""Decoders of few bits whose output was dithered, resampled or passed a unit; and units that are none of it.

    compare_few_bits.py MENDTONE [SEED [UNITS]]

The stimulus in 16 bits goes through a decoder of sox (mu-law, A-law, ADPCM), another clock, a unit with noise, and
24 bits: what a wireless link or a player with such a decoder makes of it, heard through a cable. By where in the wave
its noise is loud (src/analysis/grain.h) it must be told from units of random faults that make noise as loud in the
same places: dirty contacts, clocks, dead zones and clippers with noise before them, noise reduction, gates,
converters of few bits.

Thresholds were chosen on rows marked "chosen", and on no other row or unit. What is beyond the method is printed with
what it adds to THD+N. Exit status 77 when a tool is not installed.
"""

import dataclasses
import math
import pathlib
import shutil
import subprocess
import sys
import tempfile
import warnings

import numpy as np
from scipy import signal
from scipy.io import wavfile

from compare_codecs import find, is_lossy, shell
from tool import Check

RATE = 48000
PLAIN = "sox {wav} -e {decoder} {coded}.wav && sox {coded}.wav -D -r 48000 -b 24 -e signed {out}"
AT = "sox {wav} -r {rate} -e {decoder} {coded}.wav && sox {coded}.wav -D -r 48000 -b 24 -e signed {out}"
TURNED = "sox {wav} -e {decoder} {coded}.wav && sox {coded}.wav -b 16 -e signed {out} vol 0.61 dither"
# one channel at a time, as its files have but one
OKI = "for c in 1 2; do sox {wav} -t vox -r 48000 {coded}$c.vox remix $c; " \
      "sox -t vox -r 48000 {coded}$c.vox -D -b 24 -e signed {coded}$c.wav; done; sox -M {coded}1.wav {coded}2.wav {out}"


@dataclasses.dataclass
class Row:
    """A decoder and what follows it."""

    decoder: str
    level_dbfs: float
    noise_dbfs: float = -90.0
    command: str = PLAIN
    rate: int = RATE
    clock_ppm: float = 60.0
    high_pass_hz: float = 0.0
    chosen: bool = False

    def name(self):
        how = "" if self.command == PLAIN else f" at {self.rate} Hz" if self.command == AT else \
            ", turned down, dithered" if self.command == TURNED else ""
        corner = f", high-pass {self.high_pass_hz:.0f} Hz" if self.high_pass_hz else ""
        return f"{self.decoder}{how}, {self.level_dbfs:.0f} dBFS, noise {self.noise_dbfs:.0f}, " \
               f"clock {self.clock_ppm:+.0f} ppm{corner}{' (chosen)' if self.chosen else ''}"


NOTICED = [
    *(Row(decoder, level, chosen=True) for decoder in ("mu-law", "a-law", "ima-adpcm") for level in (-6.0, -20.0)),
    Row("mu-law", -20.0, -75.0, chosen=True), Row("a-law", -6.0, -75.0, chosen=True),
    Row("ima-adpcm", -12.0, -80.0, chosen=True), Row("mu-law", -12.0), Row("a-law", -12.0),
    Row("ima-adpcm", -9.0, -80.0), Row("ima-adpcm", -14.0, -80.0, clock_ppm=-250.0), Row("mu-law", -16.0, -110.0),
    Row("a-law", -16.0, -80.0, clock_ppm=-250.0), Row("ima-adpcm", -16.0, -110.0, clock_ppm=-250.0),
    Row("mu-law", -12.0, command=AT, rate=44100), Row("a-law", -10.0, command=AT, rate=32000),
    Row("ima-adpcm", -10.0, command=AT, rate=44100), Row("mu-law", -10.0, command=TURNED),
    Row("ima-adpcm", -10.0, command=TURNED), Row("mu-law", -10.0, high_pass_hz=40.0),
    Row("a-law", -14.0, high_pass_hz=80.0), Row("ima-adpcm", -10.0, high_pass_hz=40.0),
    Row("oki", -12.0, command=OKI),
]
BEYOND = [Row("mu-law", -30.0), Row("a-law", -40.0), Row("ima-adpcm", -30.0), Row("ima-adpcm", -40.0),
          Row("ms-adpcm", -6.0), Row("ms-adpcm", -20.0)]


def source(seed):
    return np.random.default_rng(seed)


def noise(random, n, dbfs):
    return random.standard_normal((n, 2)) * math.sqrt(0.5) * 10.0 ** (dbfs / 20.0)


def load(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)  # of a chunk that holds no samples
        samples = wavfile.read(path)[1]
    if samples.dtype.kind == "f":
        return samples.astype(np.float64)
    return samples / float(2 ** (8 * samples.dtype.itemsize - 1))


def write(path, samples, bits, random):
    scale = 2.0 ** (bits - 1)
    dither = random.uniform(-0.5, 0.5, samples.shape) + random.uniform(-0.5, 0.5, samples.shape)
    codes = np.clip(np.rint(samples * scale + dither), -scale, scale - 1.0)
    wavfile.write(path, RATE, codes.astype(np.int16) if bits == 16 else (codes * 256.0).astype(np.int32))


def low_passed(x, corner_hz):
    b, a = signal.butter(1, corner_hz, fs=RATE)
    return signal.lfilter(b, a, x, axis=0)


class Bench:
    """Stimuli by level, and takes of them."""

    def __init__(self, check, folder):
        self.check, self.folder, self.known = check, folder, {}

    def stimulus(self, level_dbfs):
        if level_dbfs not in self.known:
            path = self.folder / "stimulus.wav"
            subprocess.run([self.check.tool, "stimulus", "-o", path, "--level", str(level_dbfs), "--lead-in", "0"],
                           check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
            self.known[level_dbfs] = load(path)
        return self.known[level_dbfs]

    def decoded(self, row, random):
        names = {"wav": self.folder / "in.wav", "coded": self.folder / "coded", "out": self.folder / "out.wav"}
        write(names["wav"], self.stimulus(row.level_dbfs), 16, random)
        if row.decoder == "none":
            return load(names["wav"])
        shell(row.command.replace("{decoder}", row.decoder).replace("{rate}", str(row.rate)), **names)
        return load(names["out"])

    def read(self, samples, random):
        write(self.folder / "take.wav", samples, 24, random)
        return self.check.results(self.folder / "take.wav")

    def take(self, row):
        """Decoder, the recorder's other clock (exact: by Fourier transform), a unit that bends a little, its noise."""
        random = source(5)
        x = self.decoded(row, random)
        x = signal.resample(x, len(x) + round(len(x) * row.clock_ppm * 1e-6))
        if row.high_pass_hz:
            b, a = signal.butter(1, row.high_pass_hz, "high", fs=RATE)
            x = signal.lfilter(b, a, x, axis=0)
        x = 0.8 * (x + 0.003 * x * x)
        return self.read(x + noise(random, len(x), row.noise_dbfs), random)


def contact(random, x):
    """Noise of the gain: of a track, a supply; from rumble to white."""
    gain = low_passed(random.standard_normal(x.shape), 10.0 ** random.uniform(2.0, 4.3))
    return x * (1.0 + 10.0 ** (random.uniform(-60.0, -30.0) / 20.0) * gain / np.std(gain))


def clock(random, x):
    """Noise of the moment, far more than any converter's."""
    late = low_passed(random.standard_normal(x.shape), 10.0 ** random.uniform(2.0, 4.3))
    return x + np.gradient(x, axis=0) * 10.0 ** random.uniform(-3.0, -1.0) * late / np.std(late)


def dead_zone(random, x):
    x = x + noise(random, len(x), random.uniform(-90.0, -60.0))
    return np.sign(x) * np.maximum(np.abs(x) - np.max(np.abs(x)) * random.uniform(0.02, 0.3), 0.0)


def clipper(random, x):
    x = x + noise(random, len(x), random.uniform(-90.0, -60.0))
    top = np.max(np.abs(x)) * random.uniform(0.3, 0.95)
    return np.clip(x, -top, top) if random.uniform() < 0.5 else top * np.tanh(x / top)


def envelope(random, x):
    """Of both channels' louder one; from less than a period on."""
    return np.maximum(low_passed(np.max(np.abs(x), axis=1), 10.0 ** random.uniform(0.7, 2.7)), 1e-6)[:, np.newaxis]


def noise_reduction(random, x):
    """Compressed 2 : 1, noise of a channel, expanded: the noise is in proportion to the root of the envelope."""
    root = np.sqrt(envelope(random, x))
    return x + noise(random, len(x), random.uniform(-70.0, -40.0)) * root


def gate(random, x):
    level = envelope(random, x)
    open_by = 1.0 / (1.0 + (np.max(level) * random.uniform(0.05, 0.5) / level) ** 8)
    return (x + noise(random, len(x), random.uniform(-80.0, -50.0))) * open_by


def converter(random, x):
    """Uniform steps, as of a converter that lost its lowest bits, with some dither or none; and idle tones."""
    step = 2.0 ** -random.integers(6, 12)
    dithered = x + step * random.uniform(0.0, 0.7) * random.standard_normal(x.shape)
    whistle = 1e-4 * np.sin(2.0 * np.pi * random.uniform(5000.0, 15000.0) * np.arange(len(x)) / RATE)
    return step * np.rint(dithered / step) + whistle[:, np.newaxis] * (0.2 + np.abs(x))


def hum(random, x):
    """Hum before what bends: sums and differences everywhere."""
    line = 10.0 ** (random.uniform(-60.0, -30.0) / 20.0) * np.sin(2.0 * np.pi * 50.0 * np.arange(len(x)) / RATE)
    return dead_zone(random, x + line[:, np.newaxis])


FAULTS = (contact, clock, dead_zone, clipper, noise_reduction, gate, converter, hum)


def thd_n(results):
    row = find(results, "thd_n", "left")
    return row[0]["value"] if row and row[0]["value"] is not None else None


def check_decoders(bench, check):
    check.title("decoders through clock, unit and noise")
    for row in NOTICED:
        check.true(f"{row.name()}: noticed", is_lossy(bench.take(row)))
    check.title("the same path without a decoder")
    for level in sorted({row.level_dbfs for row in NOTICED}):
        for noise_dbfs in (-110.0, -75.0):
            row = Row("none", level, noise_dbfs)
            check.true(f"{row.name()}: no codec", not is_lossy(bench.take(row)))


def check_beyond(bench, check):
    check.title("beyond it")
    for row in BEYOND:
        was = thd_n(bench.take(dataclasses.replace(row, decoder="none")))
        results = bench.take(row)
        now = thd_n(results)
        more = "" if now is None or was is None else f", THD+N {now - was:+.1f} dB"
        print(f"  {row.name()}: {'noticed' if is_lossy(results) else 'not noticed'}{more}")


def draw(random):
    """Any level from -20 dBFS up, noise, clock, and what follows the decoder."""
    command = [PLAIN, AT, TURNED][random.integers(3)]
    decoder, level_dbfs = str(random.choice(["mu-law", "a-law", "ima-adpcm"])), random.integers(-20, -2).item()
    return Row(decoder, level_dbfs, random.uniform(-110.0, -75.0), command, int(random.choice([32000, 44100])),
               random.uniform(-300.0, 300.0))


def check_drawn(bench, check, seed, count):
    """Nothing was chosen on these. At some levels steps lie where a smooth law fits them nearly."""
    check.title(f"{count} decoders drawn, seed {seed}")
    noticed = 0
    for i in range(count):
        row = draw(source([seed, 1000 + i]))
        found = is_lossy(bench.take(row))
        noticed += found
        if not found:
            print(f"  {row.name()}: not noticed")
    check.true(f"{noticed} of {count} noticed, at least 85 % expected", noticed >= 0.85 * count)


def check_units(bench, check, seed, count):
    check.title(f"{count} units without a decoder, seed {seed}")
    wrong = dict.fromkeys((fault.__name__ for fault in FAULTS), 0)
    for i in range(count):
        random, fault = source([seed, i]), FAULTS[i % len(FAULTS)]
        x = bench.stimulus(float(random.choice([-6.0, -12.0, -20.0])))
        x = fault(random, x) + noise(random, len(x), random.uniform(-110.0, -70.0))
        if is_lossy(bench.read(x, random)):
            wrong[fault.__name__] += 1
            print(f"  unit {i}, {fault.__name__}: taken for a codec")
    for name, taken in wrong.items():
        check.true(f"{name.replace('_', ' ')}: {taken} taken for a codec", taken == 0)


def main():
    if not shutil.which("sox"):
        print("sox is not installed (package sox)")
        return 77
    check = Check(sys.argv[1])
    seed, count = int(sys.argv[2]) if len(sys.argv) > 2 else 1, int(sys.argv[3]) if len(sys.argv) > 3 else 24
    with tempfile.TemporaryDirectory() as name:
        bench = Bench(check, pathlib.Path(name))
        check_decoders(bench, check)
        check_beyond(bench, check)
        check_drawn(bench, check, seed, count // 2)
        check_units(bench, check, seed, count)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
