#!/usr/bin/env python3
"""The independent reading is itself held against recordings whose content is known by construction."""

import pathlib
import sys
import tempfile
import unittest

try:
    import numpy as np
    import reading
    import recordings
except ImportError as error:
    print(f"python3-numpy and python3-scipy are needed: {error}")
    sys.exit(77)


class Reading(unittest.TestCase):
    def near(self, got, want, tolerance):
        self.assertLessEqual(abs(got - want), tolerance, f"{got} instead of {want}")

    def test_a_tone_with_harmonics_and_noise(self):
        """Noise of -100 dBFS in 24 kHz over 5 s: a line of -73 dBFS is known to 0.01 dB, noise to 0.03 dB."""
        t = recordings.seconds(48000, 5.0)
        random = np.random.default_rng(11)
        samples = recordings.distorted(t, 997.25, -3.0, {2: -70.0, 3: -80.0}) + recordings.noise(random, t, -100.0)
        got = reading.read_tone(samples, 48000)
        self.near(got["frequency"][0], 997.25, 1e-6)
        self.near(got["level"][0], -3.0, 1e-5)
        self.near(got["harmonic", 2][0], -70.0, 0.03)
        self.near(got["harmonic", 3][0], -80.0, 0.1)
        self.near(got["thd_f"][0], reading.decibel(1e-7 + 1e-8), 0.03)
        in_band = 10.0 ** (-9.7) * (20000.0 - 20.0) / 24000.0
        self.near(got["thd_n"][0], reading.decibel(1e-7 + 1e-8 + in_band), 0.03)

    def test_white_noise(self):
        """A-weighting: -100 dB in 24 kHz is -102.85 dB(A), as 16-bit TPDF noise of -93.32 is -96.16."""
        t = recordings.seconds(48000, 20.0)
        samples = recordings.noise(np.random.default_rng(12), t, -100.0)
        got = reading.read_noise(samples, 48000)
        self.near(got["noise"][0], -100.0 + reading.decibel((20000.0 - 20.0) / 24000.0), 0.03)
        self.near(got["noise_a"][0], -102.845, 0.04)

    def test_a_file_comes_back_as_it_was_written(self):
        """16 and 24 bits to 1.5 LSB, the dither and the rounding; float to its 24 bits."""
        t = recordings.seconds(48000, 0.1)
        for bits, tolerance in ((16, 1.5 * 2.0 ** -15), (24, 1.5 * 2.0 ** -23), (32, 2.0 ** -25)):
            with self.subTest(bits=bits), tempfile.TemporaryDirectory() as folder:
                path = pathlib.Path(folder) / "a.wav"
                written = [recordings.tone(t, 997.0, -1.0), recordings.tone(t, 500.0, -60.0)]
                recordings.write(recordings.Recording("a", 48000, bits, written), path)
                rate, samples = reading.load(path)
                self.assertEqual((rate, samples.shape), (48000, (4800, 2)))
                self.assertLessEqual(np.max(np.abs(samples - np.stack(written, axis=1))), tolerance)


if __name__ == "__main__":
    unittest.main()
