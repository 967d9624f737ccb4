#!/usr/bin/env python3
"""Read recordings made with NumPy twice: by mendtone and by SciPy.   compare_scipy.py MENDTONE

Exit status 77 when NumPy or SciPy is not installed.
"""

import pathlib
import sys
import tempfile

try:
    import reading
    import recordings
except ImportError as error:
    print(f"python3-numpy and python3-scipy are needed: {error}")
    sys.exit(77)
from tool import CHANNELS, Check

# How far the two readings of the same samples may lie apart.
#
# level: both see the same noise, but weighted otherwise (all samples alike here, a window there); besides four
#   standard errors, 1e-4 dB covers what is left of neighbouring lines under a main lobe.
# thd_n, noise: two estimates of one noise power from B = 20 kHz and T >= 3 s have each a standard error of
#   4.34 / sqrt(B T) = 0.018 dB at most if they use all samples alike, which windows do not quite; being of
#   the same samples they differ by less. 0.08 dB is four of these errors. Noise that falls with frequency
#   has fewer degrees of freedom (B = 300 Hz: 0.13 dB), so there it is four times that.
# frequency: centroid of the lobe against a fit; noise moves it by a fraction of a bin.
# dc: a mean of all samples there, under a window here; besides noise, a float holds 24 bits.
# peak: the same samples.
# hum: as a level, of lines of which most are not there.
LEVEL_DB = 1e-4
NOISE_DB = 0.08
FALLING_NOISE_DB = 0.5
HARMONIC_DB = 0.01
STANDARD_ERRORS = 4.0


def tolerance_of(quantity, error, recording):
    falls = "falls" in recording.name
    if quantity == "frequency":
        return 1e-3 if "poor" in recording.name else 1e-4
    if quantity in ("thd_n", "noise", "noise_a"):
        return FALLING_NOISE_DB if falls else NOISE_DB
    if quantity == "peak":
        return 1e-5
    if quantity == "dc":
        return 1e-6 + STANDARD_ERRORS * error
    floor = LEVEL_DB if quantity == "level" else HARMONIC_DB
    return floor + STANDARD_ERRORS * error


def read(recording, samples, rate):
    if recording.is_tone:
        return reading.read_tone(samples, rate)
    readings = reading.read_noise(samples, rate)
    if recording.mains_hz > 0.0:
        readings.update(reading.read_hum(samples, rate, recording.mains_hz))
    return readings


def main():
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        for number, recording in enumerate(recordings.recordings()):
            path = pathlib.Path(folder) / f"{number}.wav"
            recordings.write(recording, path)
            rate, samples = reading.load(path)
            readings = check.analyse(path)
            check.title(recording.name)
            for channel, column in zip(CHANNELS, samples.T):
                for key, (expected, error) in read(recording, column, rate).items():
                    quantity, order = key if isinstance(key, tuple) else (key, None)
                    if quantity != "dc" and error is not None and error > 0.5:
                        continue  # harmonics that are not there: two readings of noise
                    check.near(readings, quantity, channel, expected, tolerance_of(quantity, error, recording), order)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
