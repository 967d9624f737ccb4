"""Recordings to be read twice, made with NumPy from what they contain. Repeatable: each has its own seed."""

import dataclasses
import math
import wave

import numpy as np
from scipy import signal
from scipy.io import wavfile


@dataclasses.dataclass
class Recording:
    name: str
    rate: int
    bits: int  # 16, 24: with TPDF dither; 32: float
    channels: list  # of arrays, +-1 = full scale
    is_tone: bool = True
    mains_hz: float = 0.0  # there is hum of that frequency


def seconds(rate, duration_s):
    return np.arange(round(rate * duration_s)) / rate


def tone(t, freq_hz, level_dbfs, phase=0.3):
    return 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * math.pi * freq_hz * t + phase)


def noise(random, t, level_dbfs):
    """White, its level in 0 ... rate/2 re a full-scale sine."""
    return random.normal(0.0, math.sqrt(0.5) * 10.0 ** (level_dbfs / 20.0), len(t))


def distorted(t, freq_hz, level_dbfs, harmonics_db):
    """A tone with harmonics {order: dB re the fundamental}, each with a phase of its own."""
    total = tone(t, freq_hz, level_dbfs)
    for order, relative_db in harmonics_db.items():
        total = total + tone(t, order * freq_hz, level_dbfs + relative_db, phase=1.7 * order)
    return total


def recordings():
    """Yield each recording."""
    def source(seed):
        return np.random.default_rng(seed)

    t = seconds(48000, 5.0)
    yield Recording("harmonics under a tone, 24 bit", 48000, 24,
                    [distorted(t, 997.0, -3.0, {2: -70.0, 3: -80.0, 5: -95.0}) + noise(source(1), t, -100.0)])
    yield Recording("clipped by the unit, 24 bit", 48000, 24,
                    [np.clip(tone(t, 997.0, -6.0), -0.45, 0.45) + noise(source(2), t, -110.0)])
    yield Recording("two channels unlike, 24 bit", 48000, 24,
                    [distorted(t, 997.0, -1.0, {2: -60.0, 4: -75.0}) + noise(source(3), t, -90.0),
                     distorted(t, 1201.3, -30.0, {3: -50.0}) + noise(source(4), t, -85.0)])
    yield Recording("low mains-like tone with DC, 24 bit", 48000, 24,
                    [distorted(t, 41.0, -12.0, {2: -45.0, 3: -52.0}) + 0.01 + noise(source(5), t, -95.0)])

    t = seconds(44100, 4.0)
    yield Recording("poor signal to noise, 16 bit", 44100, 16,
                    [tone(t, 440.3, -40.0) + noise(source(6), t, -60.0)])
    # noise that falls with frequency: a first-order low-pass at 300 Hz
    b, a = signal.butter(1, 300.0, fs=44100)
    yield Recording("noise that falls, 24 bit", 44100, 24,
                    [distorted(t, 3150.0, -10.0, {2: -55.0}) + signal.lfilter(b, a, noise(source(7), t, -60.0))])

    t = seconds(96000, 3.0)
    yield Recording("5 kHz at 96 kHz, float", 96000, 32,
                    [distorted(t, 5003.7, -20.0, {2: -64.0, 3: -72.0}) + noise(source(8), t, -105.0)])

    t = seconds(48000, 6.0)
    yield Recording("idle noise, 24 bit", 48000, 24, [noise(source(9), t, -88.0)], is_tone=False)
    yield Recording("idle noise with hum, 24 bit", 48000, 24,
                    [noise(source(10), t, -80.0) + tone(t, 50.0, -84.0) + tone(t, 150.0, -88.0)], is_tone=False,
                    mains_hz=50.0)


def write(recording, path):
    """As a WAV file, by SciPy for float and by Python's own writer for integers."""
    frames = np.stack(recording.channels, axis=1)
    if recording.bits == 32:
        wavfile.write(path, recording.rate, frames.astype(np.float32))
        return
    scale = 2.0 ** (recording.bits - 1)
    random = np.random.default_rng(99)
    dither = random.uniform(-0.5, 0.5, frames.shape) + random.uniform(-0.5, 0.5, frames.shape)
    codes = np.clip(np.rint(frames * scale + dither), -scale, scale - 1).astype("<i4")
    width = recording.bits // 8
    with wave.open(str(path), "wb") as file:
        file.setnchannels(frames.shape[1])
        file.setsampwidth(width)
        file.setframerate(recording.rate)
        file.writeframes(codes.view(np.uint8).reshape(-1, 4)[:, :width].tobytes())
