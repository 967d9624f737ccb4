#!/usr/bin/env python3
"""Recordings made by sox read as they must: its sine, its gain, its filters, its dither, its resampler.

    compare_sox.py MENDTONE TAKE_DIFFERENCE

What each must read is stated beside it, from mathematics or from sox's own manual, not measured.
Exit status 77 when sox is not installed.
"""

import json
import math
import pathlib
import shutil
import subprocess
import sys
import tempfile

from tool import Check

FLOAT = ("-b", "32", "-e", "floating-point")
LEVEL_DB = 0.001
BAND_DB = 10.0 * math.log10((20000.0 - 20.0) / 24000.0)  # of white noise at 48 kHz, in 20 Hz ... 20 kHz
# 5 s of a band of 20 kHz give the power of noise to 4.34 / sqrt(100000) = 0.014 dB, one sigma. Six of them:
# sox's random source is a linear congruence, not quite white.
NOISE_DB = 0.085


def make(path, *arguments, source=("-n",), rate=48000, bits=FLOAT):
    """Run sox. -R: its random source starts alike every time."""
    shape = ["-r", str(rate)] if source == ("-n",) else []
    subprocess.run(["sox", "-R", *shape, *map(str, source), *bits, str(path), *map(str, arguments)], check=True,
                   stdin=subprocess.DEVNULL)
    return path


def sine(folder, freq_hz, gain_db, name="sine.wav", **how):
    return make(folder / name, "synth", 5, "sine", freq_hz, "gain", gain_db, **how)


def check_gain(check, folder):
    """A sine of sox is full scale before its gain.

    In a float file it keeps 25 bits (its sox.h, SOX_SAMPLE_TO_FLOAT_32BIT; from memory), without dither:
    an error of step^2 / 12, spread like noise because 997 Hz meets 48000 distinct phases.
    """
    step = 2.0 ** -24
    band_db = 10.0 * math.log10(step ** 2 / 12.0 / 0.5) + BAND_DB
    for gain_db in (-6, -20, -60):
        check.title(f"sine of 997 Hz, gain {gain_db}")
        readings = check.analyse(sine(folder, 997, gain_db))
        check.near(readings, "level", "left", gain_db, LEVEL_DB)
        check.near(readings, "frequency", "left", 997.0, 1e-6)
        check.near(readings, "peak", "left", gain_db, LEVEL_DB)
        check.near(readings, "thd_n", "left", band_db - gain_db, NOISE_DB)


def check_channels(check, folder):
    check.title("two channels, volumes 0.5 and 0.25")
    path = make(folder / "two.wav", "synth", 5, "sine", 997, "sine", 997, "remix", "1v0.5", "2v0.25")
    readings = check.analyse(path)
    check.near(readings, "level", "left", 20.0 * math.log10(0.5), LEVEL_DB)
    check.near(readings, "level", "right", 20.0 * math.log10(0.25), LEVEL_DB)


def check_waves(check, folder):
    """Fourier series of the waves: any handbook of mathematics. THD_F over orders 2 to 10.

    Synthesised by sampling the wave: 997 Hz at 48 kHz has 48000 distinct phases in a second, so what
    folds back from above half the rate mostly falls between the harmonics. It is what 0.002 dB is for.
    """
    odd = range(3, 11, 2)
    waves = {
        "square": (4.0 / math.pi, {n: 1.0 / n for n in odd}),
        "triangle": (8.0 / math.pi ** 2, {n: 1.0 / n ** 2 for n in odd}),
        "sawtooth": (2.0 / math.pi, {n: 1.0 / n for n in range(2, 11)}),
    }
    for wave, (fundamental, ratios) in waves.items():
        check.title(f"{wave} of 997 Hz, gain -20")
        readings = check.analyse(make(folder / "wave.wav", "synth", 5, wave, 997, "gain", -20))
        check.near(readings, "level", "left", -20.0 + 20.0 * math.log10(fundamental), 0.002)
        summed = math.sqrt(sum(ratio ** 2 for ratio in ratios.values()))
        check.near(readings, "thd_f", "left", 20.0 * math.log10(summed), 0.002)
        for order, ratio in ratios.items():
            check.near(readings, "harmonic", "left", 20.0 * math.log10(ratio), 0.002, order)


def check_dither(check, folder):
    """16 bits with TPDF dither: total error 3/12 LSB^2 (Lipshitz, Wannamaker and Vanderkooy 1992), white."""
    lsb = 2.0 ** -15
    full_db = 10.0 * math.log10(0.25 * lsb ** 2 / 0.5)
    band_db = full_db + BAND_DB
    sixteen = ("-b", "16")
    for gain_db in (-10, -40):
        check.title(f"16 bits, dithered, sine at {gain_db} dB")
        readings = check.analyse(make(folder / "d.wav", "synth", 5, "sine", 997, "gain", gain_db, "dither",
                                      bits=sixteen))
        noise, tone = 10.0 ** (band_db / 10.0), 10.0 ** (gain_db / 10.0)
        check.near(readings, "thd_n", "left", 10.0 * math.log10(noise / (noise + tone)), NOISE_DB)
        # a tone of power P with noise of power N over n samples errs by 4.34 sqrt(2 N / (n P)) dB
        error = 4.34 * math.sqrt(2.0 * 10.0 ** ((full_db - gain_db) / 10.0) / 240000.0)
        check.near(readings, "level", "left", gain_db, 1e-4 + 5.0 * error)
    check.title("16 bits, dithered, silence")
    readings = check.analyse(make(folder / "d.wav", "trim", 0, 5, "dither", bits=sixteen))
    check.near(readings, "noise", "left", band_db, NOISE_DB)
    # white noise in 20 Hz ... 20 kHz at 48 kHz, A-weighted: 96.164 dB below full scale for 16 bits TPDF
    # (integral of the weighting of IEC 61672-1 over the band)
    check.near(readings, "noise_a", "left", -96.164, NOISE_DB)


def check_filters(check, folder):
    """Filters at a tone: analogue formulas; at 50 and 100 Hz the bilinear warp at 48 kHz is below 0.001 dB."""
    cases = [
        # sox(1): highpass -1 is one pole, 6 dB an octave, -3 dB at the frequency given
        ("highpass -1 100", 50, 10.0 * math.log10(0.5 ** 2 / (1.0 + 0.5 ** 2))),
        ("highpass -1 50", 50, -10.0 * math.log10(2.0)),
        # ... and two poles otherwise, Butterworth
        ("highpass 100", 50, 10.0 * math.log10(0.5 ** 4 / (1.0 + 0.5 ** 4))),
        # a shelf has half its gain in dB at its frequency (Audio EQ Cookbook, which sox(1) names)
        ("bass +6 100", 100, 3.0),
        ("treble -6 100", 100, -3.0),
    ]
    for effect, freq_hz, gain_db in cases:
        check.title(f"{effect}, at {freq_hz} Hz")
        source = sine(folder, freq_hz, -12)
        # the filter starts from rest: its first half second is cut off
        readings = check.analyse(make(folder / "f.wav", *effect.split(), "trim", 0.5, source=(source,)))
        check.near(readings, "level", "left", -12.0 + gain_db, LEVEL_DB)


def check_rate(check, folder):
    """A resampler changes neither frequency nor, far from the edge of the band, level."""
    for rate in (44100, 96000):
        check.title(f"resampled from 48000 to {rate} Hz")
        source = sine(folder, 997, -6)
        readings = check.analyse(make(folder / "r.wav", "rate", "-v", rate, "trim", 0.5, 4, source=(source,)))
        check.near(readings, "level", "left", -6.0, LEVEL_DB)
        check.near(readings, "frequency", "left", 997.0, 1e-6)


def shelf_db(kind, gain_db, corner_hz, slope, freq_hz, rate_hz=48000.0):
    """Low or high shelf at one frequency: R. Bristow-Johnson, Audio EQ Cookbook."""
    amp, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * corner_hz / rate_hz
    bend = math.sin(w0) * math.sqrt(amp) * math.sqrt((amp + 1.0 / amp) * (1.0 / slope - 1.0) + 2.0)
    sign = 1.0 if kind == "bass" else -1.0
    c = sign * math.cos(w0)
    b = (amp * (amp + 1 - (amp - 1) * c + bend), sign * 2 * amp * (amp - 1 - (amp + 1) * c),
         amp * (amp + 1 - (amp - 1) * c - bend))
    a = (amp + 1 + (amp - 1) * c + bend, sign * -2 * (amp - 1 + (amp + 1) * c), amp + 1 + (amp - 1) * c - bend)
    z1 = complex(math.cos(2.0 * math.pi * freq_hz / rate_hz), -math.sin(2.0 * math.pi * freq_hz / rate_hz))
    return 20.0 * math.log10(abs((b[0] + z1 * (b[1] + z1 * b[2])) / (a[0] + z1 * (a[1] + z1 * a[2]))))


def check_switches(check, folder):
    """sox's tone controls as a switch: a take of the stimulus through one, against the stimulus itself.

    Half the boost is solved for on the formula, as half of what it is at the end of the band. 0.02 dB and 0.5 % are
    what a straight line between points and a shelf that is not quite level at 20 Hz leave.
    """
    stimulus = folder / "stimulus.wav"
    subprocess.run([check.tool, "stimulus", "-o", str(stimulus)], check=True, capture_output=True)
    # padded as a recording would be; a gain of -1 dB stands for the unit
    flat = make(folder / "flat.wav", "pad", 0.2, 0.8, "gain", -1, source=(stimulus,))
    # sox(1): the width of bass and treble is a slope, 0.5 unless said
    cases = [("bass", 6.5, 100, 1.0), ("bass", -5.0, 200, 0.5), ("treble", 4.0, 3000, 0.8)]
    for kind, gain_db, corner_hz, slope in cases:
        check.title(f"{kind} {gain_db:+g} {corner_hz} {slope}s, switched")
        take = make(folder / "on.wav", kind, f"{gain_db:+g}", corner_hz, f"{slope}s", source=(flat,))
        run = subprocess.run([sys.argv[2], str(flat), str(take)], check=True, capture_output=True, text=True)
        results = json.loads(run.stdout)
        readings = [reading for reading in results["readings"] if reading["state"] == "on"]
        curve = next(c for c in results["curves"] if c["quantity"] == "difference" and c["channel"] == "left")
        for freq_hz, got in zip(curve["x"], curve["y"]):
            if 20.0 <= freq_hz <= 20000.0:
                want = shelf_db(kind, gain_db, corner_hz, slope, freq_hz)
                if abs(got - want) > 0.02:
                    check.true(f"difference at {freq_hz:.1f} Hz is {got:.4f} dB, expected {want:.4f}", False)
        band = [x for x in curve["x"] if 20.0 <= x <= 20000.0]
        end_hz = band[0] if kind == "bass" else band[-1]
        boost_db = shelf_db(kind, gain_db, corner_hz, slope, end_hz)
        low, high = 20.0, 20000.0
        for _ in range(60):
            middle = math.sqrt(low * high)
            more = shelf_db(kind, gain_db, corner_hz, slope, middle) / boost_db > 0.5
            low, high = (middle, high) if more == (kind == "bass") else (low, middle)
        for channel in ("left", "right"):
            check.near(readings, "gain_change", channel, 0.0, 0.02)
            check.near(readings, "boost", channel, boost_db, 0.02)
            check.near(readings, "boost_corner", channel, low, 0.005 * low)


def main():
    if not shutil.which("sox"):
        print("sox is not installed")
        return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for step in (check_gain, check_channels, check_waves, check_dither, check_filters, check_rate,
                     check_switches):
            step(check, folder)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
