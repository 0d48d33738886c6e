"""How the envelope of a simulated transmitter is recorded; shares no code with carrierfloor.

A capture is that envelope behind a detector and another sound card: late, on another clock, with
hum and noise, without its DC, rounded to 16 bit.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import fft

from tests.reference.transmitter import (
    FINE_HZ,
    LEAD_S,
    RATE_HZ,
    TAIL_S,
    Array,
    Filter,
    Sections,
    Transmitter,
    converter,
    scaled,
)

PHASES = 4096  # of the table of the interpolation between two clocks
TAPS = 24  # of it; 10 kHz at 192 kHz: better than -120 dB


@dataclass(frozen=True)
class Capture:
    """How an envelope is recorded.

    Parameters
    ----------
    delay_s : float
        From the beginning of the recording to that of what was sent; any fraction of a sample,
        negative: the recording begins too late.
    after_s : float
        Recorded after the end of what was sent.
    clock_ppm : float
        How much longer things take in the recording.
    noise_db : float
        White noise below the recorded signal, both rms over the sent length.
    peak : float
        Largest sample, 1.0 = full scale; negative: the detector inverts.
    detector : tuple of Filter and Sections
        Its own response, magnitude 1 at 1 kHz.
    knee : float
        The diode's: the detected envelope e becomes sqrt(e^2 + knee^2) - knee.
    bits : int
        Of the recording.
    seed : int
        Of the noise.
    """

    delay_s: float = 0.3
    after_s: float = 0.5
    clock_ppm: float = 0.0
    noise_db: float = 60.0
    peak: float = 0.5
    detector: tuple[Filter | Sections, ...] = ()
    knee: float = 0.0
    bits: int = 16
    seed: int = 1

    def record(self, transmitter: Transmitter, card: Array) -> Array:
        """Return the recording of what a transmitter makes of card samples."""
        analogue = self._detected(transmitter.envelope(card))
        length_s = len(card) / RATE_HZ
        stretch = 1.0 + 1e-6 * self.clock_ppm
        count = round((self.delay_s + length_s * stretch + self.after_s) * RATE_HZ)
        t = (np.arange(count) / RATE_HZ - self.delay_s) / stretch  # on the playing clock
        heard = _at(analogue, (t + LEAD_S) * FINE_HZ)
        outside = (t < -LEAD_S) | (t > length_s + 0.9 * TAIL_S)
        heard[outside] = 0.0
        # The hum goes on where the simulated envelope has ended.
        heard[outside] += transmitter.hum_at(t[outside] + LEAD_S)
        sent = heard[(t >= 0.0) & (t < length_s)]
        noise = np.random.default_rng(self.seed).standard_normal(count)
        heard += noise * np.sqrt(np.mean(sent**2)) * 10.0 ** (-self.noise_db / 20.0)
        heard *= self.peak / np.abs(heard).max()
        steps = 2.0 ** (self.bits - 1)
        return np.asarray(np.clip(np.round(heard * steps), -steps, steps - 1.0) / steps)

    def _detected(self, envelope: Array) -> Array:
        detected = np.hypot(envelope, self.knee) - self.knee
        detected -= math.hypot(1.0, self.knee) - self.knee  # the bare carrier
        bins = fft.rfft(detected)
        frequency_hz = fft.rfftfreq(len(detected), 1 / FINE_HZ)
        for block in self.detector:
            bins *= scaled(block, frequency_hz)
        return np.asarray(fft.irfft(bins * converter(frequency_hz), len(detected)))


def _at(samples: Array, positions: Array) -> Array:
    """Return a band-limited signal between its samples: windowed sinc (Kaiser), 0 outside."""
    values = np.zeros(len(positions))
    padded = np.pad(samples, TAPS)
    reach = np.arange(TAPS) - TAPS // 2 + 1
    table = _kernel_table()
    for start in range(0, len(positions), 2**15):
        part = np.clip(positions[start : start + 2**15], -TAPS / 2, len(samples) + TAPS / 2 - 1)
        base = np.floor(part).astype(int)
        row, share = np.divmod((part - base) * PHASES, 1.0)
        row, share = row.astype(int), share[:, np.newaxis]
        weights = table[row] * (1.0 - share) + table[row + 1] * share
        values[start : start + 2**15] = np.sum(weights * padded[base[:, None] + reach + TAPS], 1)
    return values


@cache
def _kernel_table() -> Array:
    distance = np.arange(PHASES + 2)[:, np.newaxis] / PHASES - np.arange(TAPS) + TAPS // 2 - 1
    inside = np.clip(1.0 - (distance / (TAPS / 2)) ** 2, 0.0, None)
    return np.asarray(np.sinc(distance) * np.i0(9.0 * np.sqrt(inside)) / np.i0(9.0))
