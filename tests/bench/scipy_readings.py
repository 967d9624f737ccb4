#!/usr/bin/env python3
"""The readings of a plain recording of a tone as a SciPy user would write them, timed from inside.

    scipy_readings.py RAW_FLOAT32 RATE CHANNELS

Says "ready", then reads everything once for each line it gets and answers with the seconds of processor time that
took, and with level, frequency, THD and THD+N of the left channel, which the benchmark holds against its own.
Loading the file and importing SciPy are not counted, nor is what a program that reads many takes makes once.

Read, as mendtone reads it: peak, DC, level and frequency by least squares in records of a second, harmonics 2 to 10,
THD re fundamental and re total, THD+N, SINAD, effective bits, balance and phase difference, each with its
uncertainty; spurious lines; the spectrum in cells of equal ratio. And what these rest on: whether the tone was steady
(phase and level in blocks of 5 ms), whether the clock wandered, lines that would move the fit, stretches that stand
still, the images a sub-band codec leaves. Everything by arrays: all records of a channel in one call.
Where the two differ, this does less: no second fit where a line or a drift is found (there is none here), no
correction of joint harmonics, no words for what is found.
"""

import sys
import time

import numpy as np
from scipy import linalg, ndimage, signal

BAND_HZ = (20.0, 20000.0)
ORDERS = 10
LOBE = 5            # 4-term Blackman-Harris: the first zero is 4 bins off
BLOCK_S = 0.005
CELLS_PER_DECADE = 160
SPURIOUS_AROUND = 121
IMAGE_SPACINGS = (4, 8)


def fit(records, columns):
    """Least squares of all records at once, by the normal equations: sines of whole records hardly correlate."""
    return linalg.solve(columns.T @ columns, columns.T @ records, assume_a="pos", check_finite=False)


def columns_of(turns, norders):
    """Cosine and sine of each order, by multiplication, and a constant."""
    columns = np.empty((len(turns), 2 * norders + 1), order="F")
    power = np.ones_like(turns)
    for order in range(norders):
        power *= turns
        columns[:, 2 * order], columns[:, 2 * order + 1] = power.real, power.imag
    columns[:, -1] = 1.0
    return columns


class Reader:
    """Windows, times and cells are made once, as a program that reads many takes would."""

    def __init__(self, rate, nframes):
        self.rate = rate
        self.record = int(rate)
        self.time = np.arange(self.record) - 0.5 * (self.record - 1)
        self.nperseg = int(4 * rate / 10.0)  # a lobe of 10 Hz on either side
        self.window = signal.get_window("blackmanharris", self.nperseg)
        self.freq_hz = np.fft.rfftfreq(self.nperseg, 1.0 / rate)
        self.bin_hz = self.freq_hz[1]
        self.band = (self.freq_hz >= BAND_HZ[0]) & (self.freq_hz <= BAND_HZ[1])
        self.enbw_hz = rate * np.sum(self.window ** 2) / np.sum(self.window) ** 2
        self.block = int(BLOCK_S * rate)
        self.block_window = signal.get_window("hann", self.block)
        with np.errstate(divide="ignore"):
            cell = np.floor(CELLS_PER_DECADE * np.log10(self.freq_hz / 10.0) + 0.5)
        self.in_cells = np.flatnonzero(cell >= 0)
        self.cell_starts = np.flatnonzero(np.diff(cell[self.in_cells], prepend=-1.0))
        u = 2.0 * self.time / self.record
        self.legendre = np.stack([1.5 * u ** 2 - 0.5, (2.5 * u ** 2 - 1.5) * u])
        self.first_window = signal.get_window("blackmanharris", self.record)

    def fit_tone(self, records):
        """Frequency, amplitude, phase, DC and harmonics of each record, and what is left."""
        spectrum = np.abs(np.fft.rfft(records[:, 0] * self.first_window))
        step = 2.0 * np.pi * np.argmax(spectrum) / self.record
        for _ in range(3):
            turns = np.exp(1j * step * self.time)
            columns = np.column_stack([columns_of(turns, 1), self.time * turns.real, self.time * turns.imag])
            c = fit(records, columns)
            # the change of frequency that turns the fundamental: d/dw of A cos + B sin
            change = (c[0] * c[4] - c[1] * c[3]) / (c[0] ** 2 + c[1] ** 2)
            step += np.mean(change)
        frequency = (step + change - np.mean(change)) * self.rate / (2.0 * np.pi)
        turns = np.exp(1j * step * self.time)
        columns = columns_of(turns, ORDERS)
        c = fit(records, columns)
        left = records - columns @ c
        amplitude = np.hypot(c[0:2 * ORDERS:2], c[1:2 * ORDERS:2])
        return {"frequency": frequency, "amplitude": amplitude, "phase": np.arctan2(-c[1], c[0]), "dc": c[-1],
                "turns": turns, "left": left}

    def beside(self, density, at_hz):
        """Median of the density on both sides of lines."""
        centre = np.rint(np.atleast_1d(at_hz) / self.bin_hz).astype(int)[:, None]
        around = np.concatenate([np.arange(-LOBE - 8, -LOBE), np.arange(LOBE + 1, LOBE + 9)])
        return np.median(density[np.clip(centre + around, 0, len(density) - 1)], axis=1)

    def steadiness(self, samples, step, noise):
        """Phase and level in short blocks; the greatest steps of both against the noise."""
        count = len(samples) // self.block
        blocks = samples[:count * self.block].reshape(count, self.block)
        tone = self.block_window * np.exp(-1j * step * np.arange(self.block))
        track = blocks @ tone * np.exp(-1j * step * self.block * np.arange(count))
        size, phase = np.abs(track), np.unwrap(np.angle(track))
        level = 20.0 * np.log10(size / np.median(size))
        step_of_phase = np.abs(np.diff(phase) - np.median(np.diff(phase)))
        clicks = np.sqrt(np.add.reduceat(noise ** 2, np.arange(0, len(noise), self.block)))
        return (step_of_phase.max(), np.abs(np.diff(level)).max(), np.ptp(ndimage.uniform_filter1d(level, 20)),
                np.max(clicks / ndimage.median_filter(clicks, 41)))

    def wander(self, found):
        """Second and third order of the phase in each record."""
        columns = np.concatenate([self.legendre * found["turns"].real, self.legendre * found["turns"].imag])
        cosine, sine = np.split(columns @ found["left"], 2)
        return cosine * np.sin(found["phase"]) + sine * np.cos(found["phase"])

    def standstill(self, samples):
        """The longest run of equal samples."""
        still = np.flatnonzero(np.diff(np.flatnonzero(np.concatenate(([1], np.diff(samples), [1])))) > 1)
        return len(still)

    def spurious(self, density, frequency, averages):
        """Lines that are neither the tone's nor stand in its lobes."""
        floor = ndimage.median_filter(density, SPURIOUS_AROUND)
        peaks, _ = signal.find_peaks(density, height=floor * (1.0 + 6.0 / np.sqrt(averages)), distance=LOBE)
        off = np.abs(self.freq_hz[peaks] - np.rint(self.freq_hz[peaks] / frequency) * frequency)
        peaks = peaks[(off > 6 * self.bin_hz) & (self.freq_hz[peaks] > 55.0) & (self.freq_hz[peaks] < 0.45 * self.rate)]
        power = (density[peaks] - floor[peaks]) * self.enbw_hz
        order = np.argsort(power)[::-1][:5]
        return self.freq_hz[peaks[order]], power[order], floor.max() * (1.0 + 6.0 / np.sqrt(averages)) * self.enbw_hz

    def images(self, density, frequency):
        """Pairs that the filters of a sub-band codec leave beside the edges of its bands."""
        stands_out = []
        for bands in IMAGE_SPACINGS:
            spacing = self.rate / bands
            edges = np.arange(1, bands // 2) * spacing
            at = np.concatenate([edges - frequency, edges + frequency])
            at = at[(at > 0.0) & (at < self.rate / 2.0)]
            stands_out.append(density[np.rint(at / self.bin_hz).astype(int)] / self.beside(density, at))
        return stands_out

    def spectrum(self, density, tone_hz, power, averages):
        """The highest bin of each cell, the tone's own power among them, with uncertainties."""
        bins = density * self.enbw_hz
        bins[int(round(tone_hz / self.bin_hz))] = power
        cells = np.maximum.reduceat(bins[self.in_cells], self.cell_starts)
        return 10.0 * np.log10(cells), np.full(len(cells), 2.0 * 4.343 / np.sqrt(averages))

    def read(self, samples):
        count = len(samples) // self.record
        records = samples[:count * self.record].reshape(count, self.record).T
        found = self.fit_tone(records)
        frequency, power = found["frequency"].mean(), np.mean(found["amplitude"][0] ** 2)
        left = found["left"]
        _, densities = signal.welch(left, self.rate, window=self.window, nperseg=self.nperseg, axis=0, detrend=False)
        density = 2.0 * densities.mean(axis=1)
        averages = 1.8 * count * (self.record // self.nperseg)
        orders_hz = frequency * np.arange(1, ORDERS + 1)
        orders_hz = orders_hz[orders_hz < self.rate / 2.0]
        # a record of a second: the noise in a line's own bin, power re a full-scale sine
        in_bin = self.beside(density, orders_hz) * self.rate / self.record
        raw = np.mean(found["amplitude"][:len(orders_hz)] ** 2, axis=1)
        lines = raw - in_bin
        errors = np.sqrt((2.0 * np.maximum(lines, 0.0) * in_bin + in_bin ** 2) / count)
        harmonics, harmonics_error = lines[1:].sum(), np.sqrt(np.sum(errors[1:] ** 2))
        noise = np.sum(density[self.band]) * self.bin_hz
        rest = noise + harmonics
        rest_error = np.hypot(noise * np.sqrt(1.5 / (averages * self.band.sum())), harmonics_error)
        total = power + rest
        thd_n = 10.0 * np.log10(rest / total)
        relative = 2.0 * 4.343 * np.array([errors[0] / power, harmonics_error / harmonics, rest_error / rest])
        sigma = np.sqrt(in_bin[0] / 2.0 / power / count)
        self.steadiness(samples, 2.0 * np.pi * frequency / self.rate, left.T.ravel())
        return {"level": (10.0 * np.log10(power), relative[0]),
                "frequency": (frequency, 2.0 * np.sqrt(3.0) / np.pi * sigma * self.rate / self.record),
                "phase": (found["phase"], sigma), "peak": np.abs(samples).max(),
                "dc": (found["dc"].mean(), 2.0 * found["dc"].std() / np.sqrt(count)),
                "harmonics": (10.0 * np.log10(np.maximum(lines[1:], 2.0 * errors[1:]) / power),
                              2.0 * 4.343 * errors[1:] / np.maximum(lines[1:], errors[1:])),
                "thd_f": (10.0 * np.log10(harmonics / power), relative[1]),
                "thd_r": (10.0 * np.log10(harmonics / total), relative[1]), "thd_n": (thd_n, relative[2]),
                "sinad": (-thd_n, relative[2]), "enob": ((-thd_n - 1.76) / 6.02, relative[2] / 6.02),
                "wander": self.wander(found), "standstill": self.standstill(samples),
                "spurious": self.spurious(density, frequency, averages), "images": self.images(density, frequency),
                "spectrum": self.spectrum(density, frequency, power, averages)}


def compare(readings):
    """What is read of two channels together: balance and phase difference, with uncertainties."""
    left, right = readings[0], readings[1]
    turned = np.degrees(np.mean(np.angle(np.exp(1j * (left["phase"][0] - right["phase"][0])))))
    return {"balance": (left["level"][0] - right["level"][0], np.hypot(left["level"][1], right["level"][1])),
            "phase_difference": (turned, np.degrees(2.0 * np.hypot(left["phase"][1], right["phase"][1])))}


def main():
    path, rate, nchannels = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
    frames = np.fromfile(path, dtype=np.float32).reshape(-1, nchannels)
    reader = Reader(rate, len(frames))
    print("ready", flush=True)
    for _ in sys.stdin:
        start = time.process_time()
        channels = [np.ascontiguousarray(column, dtype=np.float64) for column in frames.T]
        readings = [reader.read(samples) for samples in channels]
        if nchannels == 2:
            compare(readings)
        elapsed = time.process_time() - start
        print(elapsed, *(float(readings[0][name][0]) for name in ("level", "frequency", "thd_f", "thd_n")), flush=True)


if __name__ == "__main__":
    main()
