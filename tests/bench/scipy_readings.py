#!/usr/bin/env python3
"""The readings of a plain recording as a SciPy user would write them, timed from inside.

    scipy_readings.py RAW_FLOAT32 RATE CHANNELS

Says "ready", then reads everything once for each line it gets and answers with the seconds of processor
time that took
and the level of the left channel. Loading the file and importing SciPy are not counted.
"""

import sys
import time

import numpy as np
from scipy import fft, signal

BAND_HZ = (20.0, 20000.0)
NFFT = 65536
LOBE = 5  # 4-term Blackman-Harris: the first zero is 4 bins off


def a_weighting(freq_hz):
    square = freq_hz ** 2
    gain = (12194.217148 ** 2 * square ** 2
            / ((square + 20.598997 ** 2) * np.sqrt((square + 107.652649 ** 2) * (square + 737.862231 ** 2))
               * (square + 12194.217148 ** 2)))
    return 1.2589254 ** 2 * gain ** 2


class Reader:
    """Windows and weights are made once, as a program that reads many takes would."""

    def __init__(self, rate, nframes):
        self.rate = rate
        self.window = signal.get_window("blackmanharris", nframes)
        self.window_power = float(np.sum(self.window ** 2))
        self.freq_hz = np.fft.rfftfreq(NFFT, 1.0 / rate)
        self.band = (self.freq_hz >= BAND_HZ[0]) & (self.freq_hz <= BAND_HZ[1])
        self.weights = a_weighting(self.freq_hz[self.band])

    def read(self, samples):
        """Level, frequency, harmonics 2 to 10, THD, THD+N, noise, A-weighted noise, DC, peak."""
        dc = samples.mean()
        peak = np.abs(samples).max()
        spectrum = np.abs(fft.rfft((samples - dc) * self.window)) ** 2 * (4.0 / (self.window_power * len(samples)))
        bin_hz = self.rate / len(samples)

        def line(freq_hz):
            centre = int(round(freq_hz / bin_hz))
            lobe = slice(max(centre - LOBE, 0), centre + LOBE + 1)
            return lobe, float(spectrum[lobe].sum())

        lobe, tone = line(int(spectrum.argmax()) * bin_hz)
        freq_hz = float((np.arange(lobe.start, lobe.stop) * spectrum[lobe]).sum()) / tone * bin_hz
        harmonics = [line(order * freq_hz)[1] for order in range(2, 11) if order * freq_hz < self.rate / 2 - 5 * bin_hz]
        first, last = (int(edge / bin_hz) for edge in BAND_HZ)
        spectrum[lobe] = 0.0
        residual = float(spectrum[first:last].sum())

        # noise without the tone: what Welch's method leaves outside its lobe
        _, density = signal.welch(samples, self.rate, window="blackmanharris", nperseg=NFFT, detrend=False)
        welch_bin = self.rate / NFFT
        centre = int(round(freq_hz / welch_bin))
        density[centre - LOBE:centre + LOBE + 1] = 0.0
        power = density[self.band] * (2.0 * welch_bin)
        return {"level": 10.0 * np.log10(tone), "frequency": freq_hz, "thd_f": 10.0 * np.log10(sum(harmonics) / tone),
                "thd_n": 10.0 * np.log10(residual / (residual + tone)), "noise": 10.0 * np.log10(power.sum()),
                "noise_a": 10.0 * np.log10((power * self.weights).sum()), "dc": dc, "peak": peak}


def main():
    path, rate, nchannels = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
    frames = np.fromfile(path, dtype=np.float32).reshape(-1, nchannels)
    channels = [np.ascontiguousarray(column, dtype=np.float64) for column in frames.T]
    reader = Reader(rate, len(frames))
    print("ready", flush=True)
    for _ in sys.stdin:
        start = time.process_time()
        readings = [reader.read(samples) for samples in channels]
        print(time.process_time() - start, readings[0]["level"], flush=True)


if __name__ == "__main__":
    main()
