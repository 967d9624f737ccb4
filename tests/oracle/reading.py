"""An independent reading of a recording: SciPy's windows, transforms and filters, none of mendtone's formulas.

mendtone fits sines in the time domain and subtracts them. Here nothing is fitted: scipy.signal.welch()
with a Kaiser window (beta = 38, side lobes below -270 dB) in double precision, and the power of each
component is what stands under its main lobe.
"""

import dataclasses
import math

import numpy as np
from scipy import signal
from scipy.io import wavfile

KAISER_BETA = 38.0
LOBE_BINS = 1 + math.ceil(math.sqrt(1.0 + (KAISER_BETA / math.pi) ** 2))  # first zero of the window, and one
BAND_HZ = (20.0, 20000.0)
ORDERS = range(2, 11)
FULL_SCALE_SINE = 0.5  # its mean square: 0 dBFS (AES17-2015 3.12, IEC 61606-3)


def decibel(power):
    return 10.0 * math.log10(power)


def load(path):
    """Return (rate, samples as double [frames, channels], +-1 = full scale)."""
    rate, samples = wavfile.read(path)
    if samples.ndim == 1:
        samples = samples[:, np.newaxis]
    if samples.dtype.kind == "f":
        return rate, samples.astype(np.float64)
    # SciPy delivers 24 bits left-justified in 32
    return rate, samples.astype(np.float64) / float(2 ** (8 * samples.dtype.itemsize - 1))


@dataclasses.dataclass
class Line:
    """A component, its power re a full-scale sine, and the relative standard error noise gives its power."""

    freq_hz: float
    power: float
    error: float


class Spectrum:
    """Power re a full-scale sine, a bin. One segment resolves best; several that overlap vary least."""

    def __init__(self, samples, rate, nsegment=None):
        nsegment = nsegment or len(samples)
        self.freq_hz, density = signal.welch(samples, rate, window=("kaiser", KAISER_BETA), nperseg=nsegment,
                                             noverlap=int(0.9 * nsegment), detrend="constant")
        self.bin_hz = self.freq_hz[1]
        window = signal.get_window(("kaiser", KAISER_BETA), nsegment)
        self.enbw_bins = nsegment * float(np.sum(window ** 2) / np.sum(window) ** 2)
        self.power = density * self.bin_hz / FULL_SCALE_SINE  # per bin
        self.band = (self.freq_hz >= BAND_HZ[0]) & (self.freq_hz <= BAND_HZ[1])

    def lobe(self, freq_hz):
        centre = int(round(freq_hz / self.bin_hz))
        return slice(max(centre - LOBE_BINS, 0), centre + LOBE_BINS + 1)

    def floor(self, freq_hz):
        """Noise per bin beside a line: the median of 200 neighbours; an exponential's median is ln 2 of its mean."""
        lobe = self.lobe(freq_hz)
        beside = np.r_[self.power[max(lobe.start - 100, 0):lobe.start], self.power[lobe.stop:lobe.stop + 100]]
        return float(np.median(beside)) / math.log(2.0)

    def line(self, freq_hz):
        lobe = self.lobe(freq_hz)
        total = float(np.sum(self.power[lobe]))
        floor = self.floor(freq_hz)
        width = lobe.stop - lobe.start
        power = max(total - floor * width, 1e-30)
        centroid = float(np.sum(self.freq_hz[lobe] * self.power[lobe])) / total
        # A line of power P and noise of n a bin: P errs by sqrt(2 P n enbw), and by what noise alone varies.
        variance = 2.0 * power * floor * self.enbw_bins + floor ** 2 * width
        return Line(centroid, power, math.sqrt(variance) / power)

    def strongest(self):
        audible = np.where(self.freq_hz >= 10.0, self.power, 0.0)
        return self.line(self.freq_hz[int(np.argmax(audible))])

    def residual(self, tone):
        """Power in the band of all but the tone; under its lobe goes the noise beside it."""
        lobe = self.lobe(tone.freq_hz)
        others = self.band.copy()
        others[lobe] = False
        return float(np.sum(self.power[others])) + self.floor(tone.freq_hz) * (lobe.stop - lobe.start)


def read_dc(samples, rate, spectrum):
    """Mean under the window, so that a cut period of the tone does not count; and what noise of 0 Hz adds."""
    window = signal.get_window(("kaiser", KAISER_BETA), len(samples))
    weights = window / np.sum(window)
    variance = spectrum.floor(2 * LOBE_BINS * spectrum.bin_hz) / spectrum.bin_hz * FULL_SCALE_SINE * rate / 2.0
    return float(np.sum(weights * samples)), math.sqrt(variance * float(np.sum(weights ** 2)))


def read_tone(samples, rate):
    """{quantity or (harmonic, order): (value, standard error or None)} of a steady tone, one channel."""
    spectrum = Spectrum(samples, rate)
    tone = spectrum.strongest()
    harmonics = {order: spectrum.line(order * tone.freq_hz) for order in ORDERS
                 if order * tone.freq_hz < rate / 2 - 2 * LOBE_BINS * spectrum.bin_hz}
    summed = sum(line.power for line in harmonics.values())
    summed_error = math.sqrt(sum((line.power * line.error) ** 2 for line in harmonics.values())) / summed
    residual = Spectrum(samples, rate, len(samples) // 3).residual(tone)
    out = {
        "frequency": (tone.freq_hz, None),
        "level": (decibel(tone.power), 4.343 * tone.error),
        "thd_f": (decibel(summed / tone.power), 4.343 * summed_error),
        "thd_r": (decibel(summed / (summed + tone.power)), 4.343 * summed_error),
        "thd_n": (decibel(residual / (residual + tone.power)), None),
        "peak": (20.0 * math.log10(np.max(np.abs(samples))), None),
        "dc": read_dc(samples, rate, spectrum),
    }
    for order, line in harmonics.items():
        out["harmonic", order] = (decibel(line.power / tone.power), 4.343 * line.error)
    return out


def a_weighting(freq_hz):
    """|A|^2 of the analogue filter with the poles of IEC 61672-1 Annex E, 0 dB at 1 kHz, by scipy.signal."""
    poles_hz = [20.598997, 20.598997, 107.652649, 737.862231, 12194.217148, 12194.217148]
    poles = [-2.0 * math.pi * pole for pole in poles_hz]
    _, reference = signal.freqs_zpk([0.0] * 4, poles, 1.0, worN=[2.0 * math.pi * 1000.0])
    _, response = signal.freqs_zpk([0.0] * 4, poles, 1.0, worN=2.0 * math.pi * freq_hz)
    return np.abs(response / reference[0]) ** 2


def read_noise(samples, rate):
    """The same of a record without a tone: Welch's method, Blackman-Harris, half a second a segment."""
    freq_hz, density = signal.welch(samples, rate, window="blackmanharris", nperseg=rate // 2, detrend="constant")
    band = (freq_hz >= BAND_HZ[0]) & (freq_hz <= BAND_HZ[1])
    power = density * freq_hz[1] / FULL_SCALE_SINE
    return {
        "noise": (decibel(float(np.sum(power[band]))), None),
        "noise_a": (decibel(float(np.sum((power * a_weighting(freq_hz))[band]))), None),
        "dc": read_dc(samples, rate, Spectrum(samples, rate)),
    }


def read_hum(samples, rate, mains_hz):
    """Power of the lines at 1 ... 10 times the mains frequency, less the noise under them."""
    spectrum = Spectrum(samples, rate)
    lines = [spectrum.line(order * mains_hz) for order in range(1, 11)]
    power = sum(line.power for line in lines)
    error = math.sqrt(sum((line.power * line.error) ** 2 for line in lines)) / power
    return {"hum": (decibel(power), 4.343 * error)}
