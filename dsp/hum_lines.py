"""Steady lines in a recording: hum, found and taken out."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.stage import Block

Floats = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 30.0, 1000.0
MOST_LINES = 12
ABOVE_DB = 20.0  # a line stands out of its surroundings by so much
AROUND_HZ = 8.0
TAKEN_HZ = 1.0  # to either side of a line nothing else is looked for
REFINEMENTS = 6


class Line(NamedTuple):
    """A steady sine."""

    frequency_hz: float
    amplitude: float
    phase: float  # of the cosine at sample 0

    def at(self, count: int, rate_hz: float) -> Block:
        """Return its first samples."""
        n = np.arange(count)
        return np.asarray(
            self.amplitude * np.cos(2.0 * np.pi * self.frequency_hz / rate_hz * n + self.phase)
        )


def find_lines(samples: Block, rate_hz: float) -> tuple[Line, ...]:
    """Find the steady lines in what is else noise.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Some seconds.
    rate_hz : float
        Their rate.

    Returns
    -------
    tuple of Line
        Strongest first.
    """
    rest, low_rate_hz = _low(np.asarray(samples, dtype=float), rate_hz)
    window = np.hanning(len(rest))
    taken, lines = np.zeros(len(rest) // 2 + 1, dtype=bool), []
    around = round(TAKEN_HZ / low_rate_hz * len(rest))
    for _ in range(MOST_LINES):
        at = _strongest(np.abs(fft.rfft(rest * window)) ** 2, taken, low_rate_hz / len(rest))
        if at is None:
            break
        line = _refined(rest, low_rate_hz, at * low_rate_hz / len(rest), window)
        lines.append(line)
        rest = rest - line.at(len(rest), low_rate_hz)
        taken[max(0, at - around) : at + around + 1] = True
    return tuple(sorted(lines, key=lambda line: -line.amplitude))


def _low(samples: Block, rate_hz: float) -> tuple[Block, float]:
    """Return what lies below the lines' highest frequency at a lower rate."""
    count = 2 * math.ceil(1.5 * HIGHEST_HZ / rate_hz * len(samples))
    if count >= len(samples):
        return samples, rate_hz
    bins = fft.rfft(samples)[: count // 2 + 1] * (count / len(samples))
    bins[-1] = 0.0
    return np.asarray(fft.irfft(bins, count)), rate_hz * count / len(samples)


def _strongest(power: Floats, taken: NDArray[np.bool_], width_hz: float) -> int | None:
    """Return which bin stands out most of those around it, if one does."""
    around = max(8, round(AROUND_HZ / width_hz))
    low, high = round(LOWEST_HZ / width_hz), round(HIGHEST_HZ / width_hz)
    first = max(0, low - around // 2)
    blocks = (min(high, len(power)) - first) // around
    if blocks < 1:
        return None
    band = power[first : first + blocks * around]
    floor = np.repeat(np.median(band.reshape(blocks, around), axis=1), around)
    ratio = np.where(taken[first : first + len(band)], 0.0, band / (floor + 1e-30))
    ratio[: max(0, low - first)] = 0.0
    at = int(np.argmax(ratio))
    return first + at if ratio[at] > 10.0 ** (ABOVE_DB / 10.0) else None


def _refined(samples: Block, rate_hz: float, frequency_hz: float, weight: Floats) -> Line:
    """Fit frequency, amplitude and phase by least squares."""
    n = np.arange(len(samples))
    middle = n - n.mean()
    widest = rate_hz / len(samples)  # one line of the spectrum
    a = b = 0.0
    for _ in range(REFINEMENTS):
        angle = 2.0 * np.pi * frequency_hz / rate_hz * n
        cosine, sine = np.cos(angle), np.sin(angle)
        columns = np.stack([cosine, sine], axis=1) * weight[:, np.newaxis]
        a, b = np.linalg.lstsq(columns, samples * weight)[0]
        slope = (b * cosine - a * sine) * middle * weight
        rest = (samples - a * cosine - b * sine) * weight
        turn = float(np.dot(slope, rest) / (np.dot(slope, slope) + 1e-300))
        frequency_hz += float(np.clip(turn * rate_hz / (2.0 * np.pi), -0.5 * widest, 0.5 * widest))
    return Line(frequency_hz, float(np.hypot(a, b)), float(np.arctan2(-b, a)))
