#!/usr/bin/env python3
"""Circuits solved by ngspice read as their own printed waveform does.   compare_spice.py MENDTONE TAKE_DIFFERENCE

A class-AB stage with too little idle current, an op-amp at its rails, and an output capacitor that dried out:
tests/oracle/spice/. ngspice knows nothing of us, and its waveforms owe nothing to our simulated unit.

Harmonics: Fourier sums in double over ngspice's own digits, under a Kaiser window (beta = 38: side lobes below
-270 dB), against `mendtone analyse` of the same samples as float WAV. 0.02 dB above -110 dB.
Corner: 1 / (2 pi R C) of the netlist, against the tool's own reading and where the response curve read through the
whole stimulus is 3.01 dB below what it tends to. 0.5 %.

Load: source resistance and output capacitor of the netlist, from its waveforms open and with 33 ohm. Each within the
uncertainty stated, which is at most 2 %.

Exit status 77 when ngspice, NumPy or SciPy is not installed.
"""

import json
import math
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

try:
    import numpy as np
    from scipy import signal
    from scipy.io import wavfile
except ImportError as error:
    print(f"python3-numpy and python3-scipy are needed: {error}")
    sys.exit(77)
from tool import Check

NETLISTS = pathlib.Path(__file__).parent / "spice"
TONE_HZ = 997.0
RATE = 96000
SETTLE_S = 0.1  # left out: the circuit starts from its operating point, the tone at once
LEAST_DB = -110.0  # harmonics below are not compared
HARMONIC_DB = 0.02
# the level: samples are rounded to float, and the fit sees them all alike, the window does not
LEVEL_DB = 0.0005
CORNER = 0.005
RESPONSE_DB = 0.002
SOUND = (32.0 + 0.5, 1000e-6)  # ohm in series and farad of dried.cir, left
DRIED = (32.0 + 0.5 + 2.2, 22e-6)  # right


def solve(netlist, folder, drive_v=None):
    """Run ngspice there, if asked with another peak of the tone that drives it; the columns of what it printed."""
    for source in NETLISTS.iterdir():
        shutil.copy(source, folder)
    if drive_v:
        text = (folder / netlist).read_text(encoding="utf-8")
        driven = re.sub(r"SIN\(0 \S+ ", f"SIN(0 {drive_v} ", text)
        assert driven != text
        (folder / netlist).write_text(driven, encoding="utf-8")
    run = subprocess.run(["ngspice", "-b", netlist], cwd=folder, capture_output=True, text=True, check=False,
                         stdin=subprocess.DEVNULL)
    wave = folder / "wave.txt"
    if not wave.exists():
        raise SystemExit(f"ngspice printed no waveform for {netlist}: {run.stderr.strip()[-300:]}")
    columns = np.loadtxt(wave, skiprows=1)
    wave.unlink()
    return columns


def harmonics(samples):
    """Amplitudes at 1 ... 10 times the tone, by direct sums."""
    window = signal.get_window(("kaiser", 38.0), len(samples))
    angle = 2j * np.pi * TONE_HZ / RATE * np.arange(len(samples))
    rest = samples - np.mean(samples)
    return [2.0 * abs(np.sum(window * rest * np.exp(-k * angle))) / np.sum(window) for k in range(1, 11)]


def compare_distortion(check, netlist, folder, drive_v=None):
    check.title(netlist + (f", driven by {drive_v} V" if drive_v else ""))
    # the last point is drawn beyond the last step, 95 dB below the tone off the wave
    samples = solve(netlist, folder, drive_v)[round(SETTLE_S * RATE):-1, 1]
    wavfile.write(folder / "wave.wav", RATE, samples.astype(np.float32))
    readings = check.analyse(folder / "wave.wav")
    amplitude = harmonics(samples)
    check.near(readings, "frequency", "left", TONE_HZ, 1e-6)
    check.near(readings, "level", "left", 20.0 * math.log10(amplitude[0]), LEVEL_DB)
    above = [(order, 20.0 * math.log10(amplitude[order - 1] / amplitude[0])) for order in range(2, 11)]
    for order, ratio_db in above:
        if ratio_db > LEAST_DB:
            check.near(readings, "harmonic", "left", ratio_db, HARMONIC_DB, order)
    check.true("it distorts as such a circuit does", above[1][1] > -70.0)
    if drive_v:  # so little drive is there to compare what lies just above the least
        check.true("an order lies below -90 dB and is compared",
                   any(LEAST_DB < ratio_db < -90.0 for _, ratio_db in above))
    total = math.sqrt(sum(value ** 2 for value in amplitude[1:])) / amplitude[0]
    check.near(readings, "thd_f", "left", 20.0 * math.log10(total), HARMONIC_DB)


def play_into(netlist, folder, tool):
    """The whole stimulus through the circuit: a stereo take, in 24 bits with dither as a recorder keeps it."""
    subprocess.run([tool, "stimulus", "--lead-in", "0", "-o", str(folder / "stimulus.wav")], check=True,
                   stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    subprocess.run(["sox", str(folder / "stimulus.wav"), "-t", "f64", str(folder / "stimulus.raw")], check=True,
                   stdin=subprocess.DEVNULL)
    played = np.fromfile(folder / "stimulus.raw").reshape(-1, 2)
    seconds = np.arange(len(played)) / 48000.0
    np.savetxt(folder / "stimulus.txt", np.column_stack([seconds, played]), fmt="%.12g")
    out = solve(netlist, folder)[:, 1:]
    lsb = 2.0 ** -23
    random = np.random.default_rng(5)
    dither = random.uniform(-0.5, 0.5, out.shape) + random.uniform(-0.5, 0.5, out.shape)
    take = lsb * np.rint(out / lsb + dither)
    wavfile.write(folder / "take.wav", 48000, take.astype(np.float32))
    return folder / "take.wav"


def defined_corner_hz(x, y):
    """As the reading is defined: half the power of the highest third octave from 300 Hz to 8 kHz."""
    thirds = [np.mean(y[np.abs(np.log2(x / centre_hz)) <= 1.0 / 6.0]) for centre_hz in x[(x >= 300.0) & (x <= 8000.0)]]
    low = x < 900.0
    return float(np.exp(np.interp(max(thirds) - 10.0 * math.log10(2.0), y[low], np.log(x[low]))))


LOAD_OHM = 33.0
OUTPUTS = {"left": (10.0, 220.0), "right": (33.0, 47.0)}  # ohm, uF of load.cir


def compare_load(check, folder, take_difference):
    check.title("load.cir")
    takes = []
    for name, ohm in (("open", 1e9), ("loaded", LOAD_OHM)):
        (folder / "load.inc").write_text(f".param load={ohm}\n")
        takes.append(play_into("load.cir", folder, check.tool).rename(folder / f"{name}.wav"))
    run = subprocess.run([take_difference, *map(str, takes), str(LOAD_OHM)], capture_output=True, text=True,
                         stdin=subprocess.DEVNULL, check=True)
    readings = json.loads(run.stdout)["readings"]
    for channel, (ohm, farad) in OUTPUTS.items():
        corner_hz = 1e6 / (2.0 * math.pi * farad * (ohm + LOAD_OHM))
        for quantity, expected in (("output_impedance", ohm), ("output_capacitance", farad),
                                   ("load_corner", corner_hz)):
            stated = [reading["uncertainty"] for reading in readings
                      if (reading["quantity"], reading["channel"]) == (quantity, channel)]
            check.near(readings, quantity, channel, expected, stated[0])
            check.true(f"{quantity}, {channel}: stated to {stated[0] / expected:.2%}",
                       stated[0] <= 0.02 * expected)


def compare_capacitor(check, folder):
    check.title("dried.cir")
    results = check.results(play_into("dried.cir", folder, check.tool))
    curves = {curve["channel"]: curve for curve in results["curves"] if curve["quantity"] == "response"}
    x = np.array(curves["right"]["x"])

    def high_pass_db(freq_hz, ohm, farad):
        return -10.0 * np.log10(1.0 + (1.0 / (2.0 * math.pi * ohm * farad * freq_hz)) ** 2)

    def relative_db(ohm, farad):
        return high_pass_db(x, ohm, farad) - high_pass_db(TONE_HZ, ohm, farad)

    # ngspice interpolates to even steps between its own, which takes some hundredths of a decibel off the high
    # frequencies, alike on both channels: the sound one tells how much
    printing_db = np.array(curves["left"]["y"]) - relative_db(*SOUND)
    read_db = np.array(curves["right"]["y"]) - printing_db
    band = (x >= 20.0) & (x <= 18000.0)
    check.true(f"interpolation: {np.max(np.abs(printing_db[band])):.3f} dB, at most 0.1",
               np.max(np.abs(printing_db[band])) <= 0.1)
    worst = float(np.max(np.abs(read_db - relative_db(*DRIED))[band]))
    check.true(f"response, 20 Hz to 18 kHz: within {worst:.4f} dB, allowed {RESPONSE_DB}", worst <= RESPONSE_DB)
    corner_hz = 1.0 / (2.0 * math.pi * DRIED[0] * DRIED[1])
    wanted = -10.0 * math.log10(2.0) - high_pass_db(TONE_HZ, *DRIED)
    for name, y in (("as read", np.array(curves["right"]["y"])), ("less interpolation", read_db)):
        at_hz = float(np.exp(np.interp(wanted, y[x < 900.0], np.log(x[x < 900.0]))))
        check.true(f"corner, {name}: {at_hz:.2f} Hz, of the netlist {corner_hz:.2f} Hz",
                   abs(at_hz / corner_hz - 1.0) <= CORNER)
    check.near(results["readings"], "corner_low", "right", defined_corner_hz(x, relative_db(*DRIED) + printing_db),
               CORNER * corner_hz)
    check.true("the low end is found lost on the right",
               any(finding["id"] == "low-end-lost" and finding["channel"] == "right"
                   for finding in results["findings"]))


def main():
    if not shutil.which("ngspice") or not shutil.which("sox"):
        print("ngspice or sox is not installed")
        return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for drive_v in (None, 0.1, 0.05):
            compare_distortion(check, "class-ab.cir", folder, drive_v)
        compare_distortion(check, "op-amp.cir", folder)
        compare_capacitor(check, folder)
        compare_load(check, folder, sys.argv[2])
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
